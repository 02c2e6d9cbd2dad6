"""Outages and accounts as page, API and terminal show them; a part of `words.view`. None always means unknown."""

from typing import TypedDict


class StoppedView(TypedDict):
    """A build that an outage stopped."""

    machine: str
    progress: float | None  # 0 to 1, where it stopped


class RestartView(TypedDict):
    """A machine to start again, once its bed is clear."""

    machine: str
    at_s: float | None  # not before; None: at no time that can be foreseen as things are


class IncidentView(TypedDict):
    """A loss of supply or sight: in hand, or the last one."""

    id: str
    cause: str
    place: str
    title: str
    since_s: float
    ended_s: float | None
    lasted_s: list[float] | None  # least, likely, most
    class_: str | None  # IEEE 1159, by the likely duration
    low_v: float | None  # least voltage seen where supply was lost
    why: str  # "all 4 backups on battery, both circuits: mains"
    pro: list[str]
    con: list[str]
    odds: dict[str, float]  # "circuit west": 0.93
    went_on: list[str]
    finished: list[str]
    unseen: list[str]
    stopped: list[StoppedView]
    dark_s: dict[str, float]  # machine: since when it had no supply
    check: list[str]  # beds to look at before anything is started there
    restart: list[RestartView]  # in start-sequence order
    lines: list[str]  # all of it as a short report


class DecisionView(TypedDict):
    """What is to be done at a backup on battery, and by when."""

    backup: str
    by_s: float
    pause: list[str]
    stop: list[str]
    saves: list[str]
    needed: float | None  # chance that the outage lasts beyond it


class DiaryLineView(TypedDict):
    """A line of the diary."""

    id: str
    cause: str
    place: str
    title: str
    started_s: float
    ended_s: float
    likely_s: float
    class_: str | None  # None for a loss of sight
    interrupted_s: dict[str, float]  # machine: how long without supply
    stopped: list[str]


class YearView(TypedDict):
    """A calendar year in the form of IEEE 1366, with machines in place of customers."""

    year: int
    machines: int
    saifi: float  # interruptions above five minutes a machine
    saidi_min: float  # minutes without supply a machine
    caidi_min: float | None  # minutes an interruption; None: there was none
    short: int  # losses of supply of five minutes or less, blips included


class AccountView(TypedDict):
    """Energy and cost of a local day or month. Unmeasured time is not in it, and is named."""

    key: str  # 2025-11-25 or 2025-11
    hours: float  # of the whole day or month: 23 or 25 in a day on which the clock is changed
    wh: float | None
    cost: float | None  # standing charge included; None: no tariff
    unmeasured_s: float
    by: dict[str, float]  # machine or load: Wh
    by_cost: dict[str, float]
    places: dict[str, float]  # circuit, plug or backup with a meter of its own: Wh; it contains what hangs on it


class PartView(TypedDict):
    """A job's builds of the last two months, failures paid by the good pieces."""

    job: str
    builds: int
    good_builds: int
    pieces: float | None
    wh: float | None
    energy_cost: float | None
    material_cost: float | None
    machine_cost: float | None  # None: [stock] machine_hour is not set
    cost: float | None  # of all that is known
    unknown: int  # builds without a figure of energy: the rest is "at least"
    missing: dict[str, int]  # what else is not known, of how many builds: cost is "at least" then
    wh_each: float | None
    cost_each: float | None


class AccountsView(TypedDict):
    """Energy and cost: the newest first, the parts in hand included."""

    days: list[AccountView]
    months: list[AccountView]
    parts: list[PartView]
    currency: str


class OutagesView(TypedDict):
    """Everything about outages."""

    open: list[IncidentView]
    decisions: list[DecisionView]  # the most urgent first
    last: IncidentView | None
    diary: list[DiaryLineView]  # the newest first
    years: list[YearView]  # the newest first
