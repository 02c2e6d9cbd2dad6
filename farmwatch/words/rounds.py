"""Rounds and work list: the owner's plan of them, and how page and API show them.

None always means unknown. Times are epoch seconds.
"""

from dataclasses import dataclass
from typing import NotRequired, TypedDict


@dataclass(frozen=True, slots=True)
class RoundsPlan:
    """How rounds are chosen.

    Attributes:
        trip_cost_min: what one trip is worth in idle machine-minutes.
        horizon_h: idle time counts up to so many hours from now.
        walk: machines in walking order; those that are not named come after, along the rows.
    """

    trip_cost_min: float = 20.0
    horizon_h: float = 24.0
    walk: tuple[str, ...] = ()


class VisitView(TypedDict):
    """One round that is proposed."""

    at_s: float
    beds: list[str]  # that can more likely than not be cleared then, and were not before


class DoneRoundView(TypedDict):
    """A round that was made."""

    id: str
    began_s: float
    ended_s: float
    by: str
    beds: list[str]
    idle_min: float  # what these beds had waited together until they were cleared
    took_min: float


class OpenRoundView(TypedDict):
    """The round in hand."""

    id: str
    began_s: float
    by: str
    beds: list[str]


class OffView(TypedDict):
    """What comes off a machine."""

    job: str | None
    pieces: float | None  # good pieces of such a build, as configured or reported
    bag: str  # what to write on the bag


class LoadView(TypedDict):
    """What to load next on a machine."""

    job: str
    accepted: bool  # by a person; else only proposed
    material: str | None
    grams: float | None
    hours: float | None
    ends_s: float | None
    late: bool


class SheetRow(TypedDict):
    """One machine of the round sheet."""

    machine: str
    state: str
    clear_s: float | None  # when its bed can be cleared, or could; None: it is clear
    off: OffView | None
    checks: list[str]
    load: LoadView | None
    spool: str
    start_s: float | None  # when it may start once all beds of the sheet are clear; None: cannot be said
    ticks: list[str]  # what has been said of it in the round in hand


class RoundsView(TypedDict):
    """When to go, what it gains, and the sheet."""

    as_of_s: float
    text: str
    visits: list[VisitView]
    windows: list[tuple[float, float]]
    idle_min: float  # expected idle machine-minutes up to the horizon under the visits
    unvisited_min: float  # the same if nobody comes
    curve: list[tuple[float, float]]  # time of the first visit, expected idle machine-minutes
    trip_cost_min: float
    horizon_h: float
    extra_s: float | None  # the best time of one more trip before the first visit
    extra_saves_min: float | None
    now_saves_min: float  # what one more trip at once would save
    extra_pays: bool  # one more trip at once saves more than a trip costs
    unknown: list[str]  # at work, and nothing can be said of their end: not reckoned with
    free: list[str]  # clear and idle while work waits: idle until somebody loads them
    trip_min: tuple[float, float, float] | None  # what the next round takes, by those that were made: low, middle, high
    open: OpenRoundView | None
    done: list[DoneRoundView]
    sheet: list[SheetRow]


class WantedView(TypedDict):
    """Pieces of a job that are wanted."""

    job: str
    wanted: float
    made: float
    left: float
    builds: int | None  # builds that are still needed; None: pieces of a build are not known
    due_s: float | None
    hours: float | None
    hours_basis: str
    material: str | None
    grams: float | None
    value: float
    problem: str  # why it cannot be planned; "" if it can


class LoadRow(TypedDict):
    """One row of the filling proposal."""

    visit_s: float
    machine: str
    job: str
    ends_s: float
    cleared_s: float | None
    late: bool
    accepted: bool


class ShortView(TypedDict):
    """A due date that the proposal does not meet."""

    job: str
    due_s: float
    missing: float
    builds: int
    made_by_s: float | None
    why: str


class WorkView(TypedDict):
    """The work list and the proposal."""

    wanted: list[WantedView]
    loads: list[LoadRow]
    short: list[ShortView]
    visits: list[float]
    worth: float | None
    gap: float | None  # how much more a better plan could be worth at most, as a share
    exact: bool
    way: str  # how the proposal was found
    as_of_s: float | None
    accepted: dict[str, str]
    jobs: NotRequired[list[str]]
