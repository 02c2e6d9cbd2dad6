"""What the API answers, beside the parts of `words.view`: plain JSON-able dictionaries. None always means unknown."""

from typing import NotRequired, TypedDict

from farmwatch.words.power_view import AccountsView
from farmwatch.words.view import AlarmView, CostView, PlaceView


class ToldView(TypedDict):
    """What was said of a build when a share of its true length had passed."""

    share: float
    at_s: float
    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    basis: str


class BuildView(TypedDict):
    """A build as it was last written down."""

    id: str
    machine: str
    job: str | None
    material: str | None
    started_s: float
    ended_s: float | None  # None: it goes on
    result: str  # done | failed | cancelled | unknown
    because: str
    inferred: list[str]  # what nobody reported but was concluded
    energy_wh: float | None
    estimates: NotRequired[list[ToldView]]


class BuildsView(TypedDict):
    """Builds, the newest entry first.

    A build that was corrected after its end can stand on a later page once more, as it stood before: what comes first
    holds.
    """

    items: list[BuildView]
    next: str | None  # cursor of the next page; None: there is none


class NotesView(TypedDict):
    """Notes, the newest first; each has at_s and kind, and what belongs to its kind."""

    items: list[dict[str, object]]
    next: str | None


class AlarmsView(TypedDict):
    """Alarms that are not in their normal state."""

    items: list[AlarmView]


class CircuitView(TypedDict):
    """A circuit with what hangs on it."""

    place: PlaceView
    machines: list[str]
    backups: list[str]


class EnergyView(TypedDict):
    """Energy and cost so far, and the accounts of days, months and jobs."""

    energy_today_wh: float | None
    today: CostView | None
    month: CostView | None
    accounts: AccountsView | None


class SeriesView(TypedDict):
    """A series, thinned so that a chart as wide as a quarter of its points looks the same.

    A value of null: unknown, or missing, from then until the next row.
    """

    subject: str
    quantity: str
    unit: str
    start: float
    end: float
    rows: list[tuple[float, float | None]]
    step_s: float  # above 0: from summaries of so many seconds, times are no finer
    why: str  # why there is nothing to be seen; "" where there is something


class RollupView(TypedDict):
    """A bucket of readings."""

    start_s: float
    low: float | None
    high: float | None
    mean: float | None
    last: float | None
    count: int
    energy_wh: float | None
    covered_s: float
    gaps: int


class RollupsView(TypedDict):
    """Buckets in order of time; one without a reading is left out."""

    subject: str
    quantity: str
    unit: str
    level: str
    items: list[RollupView]
    next: str | None


class HoldingView(TypedDict):
    """A series that is kept, and about from when to when."""

    subject: str
    quantity: str
    unit: str
    first_s: float
    last_s: float


class HeldView(TypedDict):
    """Every series that is kept."""

    items: list[HoldingView]


class ReportView(TypedDict):
    """What the machines gave: `rows` one by one, `all` together; hours, Wh, grams, shares, money; null is unknown."""

    first: str
    last: str
    by: str
    currency: str
    rows: list[dict[str, str | float | None]]
    all: dict[str, str | float | None]


class HeardView(TypedDict):
    """What was said has been noted."""

    command: str
    about: str
    text: str


class TakenView(TypedDict):
    """So many rows of a file have been taken: all of them."""

    taken: int


class ProposalView(TypedDict):
    """An action that waits to be confirmed."""

    token: str
    text: str
    expires: float


class DeedView(TypedDict):
    """An action that was sent."""

    id: str
    machine: str
    sent: bool
    shown: bool | None  # whether the machine has shown that it did it; None: not yet known
    text: str
