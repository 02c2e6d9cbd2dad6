"""What machines yield: time in the six states of SEMI E10, the figures of ISO 22400-2, cost of a part.

SEMI E10: productive, standby, engineering, scheduled downtime, unscheduled downtime, nonscheduled; they exclude one
another and sum to the calendar. Time in which nobody saw the machine is none of them and is kept apart, so that the
seven sum to the calendar exactly. A bed that waits to be cleared is standby (no operator), kept apart within it: it is
the owner's to win. Cooling down to the release temperature belongs to the build: productive.

ISO 22400-2: availability = actual production time / planned busy time; effectiveness = planned run time per item *
produced quantity / actual production time; quality ratio = good quantity / produced quantity; OEE their product. None
where a divisor is zero: nothing was planned, or made.
"""

import bisect
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

STATES = ("productive", "standby", "engineering", "scheduled_down", "unscheduled_down", "nonscheduled")
UNSEEN = "unseen"
WAITING = "waiting"

TIME_OF: dict[str, str] = {
    "printing": "productive",
    "heating": "productive",
    "cooling": "productive",
    "paused": "standby",
    "waiting": "standby",
    "idle": "standby",
    "off": "nonscheduled",
    "out_of_service": "scheduled_down",
    "fault": "unscheduled_down",
    "unknown": UNSEEN,
}
"""Machine state to time category. Engineering time is what a person declares as such; no state of a machine says it."""


@dataclass(slots=True)
class Times:
    """Seconds by category, `unseen` apart; `waiting_s` and `paused_s` are parts of standby."""

    seconds: dict[str, float] = field(default_factory=lambda: dict.fromkeys((*STATES, UNSEEN), 0.0))
    waiting_s: float = 0.0
    paused_s: float = 0.0

    def add(self, category: str, seconds: float, state: str = "") -> None:
        """Book a stretch of time."""
        self.seconds[category] += seconds
        if state == WAITING:
            self.waiting_s += seconds
        elif state == "paused":
            self.paused_s += seconds

    def plus(self, other: "Times") -> "Times":
        """Both together."""
        total = Times(waiting_s=self.waiting_s + other.waiting_s, paused_s=self.paused_s + other.paused_s)
        for category in total.seconds:
            total.seconds[category] = self.seconds[category] + other.seconds[category]
        return total

    @property
    def calendar_s(self) -> float:
        """All of it."""
        return math.fsum(self.seconds.values())

    @property
    def operations_s(self) -> float:
        """Seen time that is not nonscheduled (SEMI E10)."""
        return math.fsum(self.seconds[c] for c in STATES if c != "nonscheduled")

    @property
    def uptime_s(self) -> float:
        """Operations time without downtime (SEMI E10)."""
        return self.operations_s - self.seconds["scheduled_down"] - self.seconds["unscheduled_down"]

    def operational_uptime(self) -> float | None:
        """Uptime as a share of operations time (SEMI E10)."""
        return _ratio(self.uptime_s, self.operations_s)

    def total_utilisation(self) -> float | None:
        """Productive time as a share of all seen time (SEMI E10)."""
        return _ratio(self.seconds["productive"], self.calendar_s - self.seconds[UNSEEN])

    def operational_utilisation(self) -> float | None:
        """Productive time as a share of operations time (SEMI E10)."""
        return _ratio(self.seconds["productive"], self.operations_s)


def times_between(
    changes: Sequence[tuple[float, str]],
    from_s: float,
    to_s: float,
    closed: Iterable[tuple[float, float]] = (),
    engineering: Iterable[tuple[float, float]] = (),
) -> Times:
    """Time in each category over a stretch.

    Args:
        changes: (since, machine state), rising; before the first the machine was unseen.
        from_s: start, epoch seconds.
        to_s: end.
        closed: stretches in which nobody planned to run (nonscheduled), unless the machine was productive anyway.
        engineering: stretches that a person declared as trials; they count whatever the machine did, unless unseen.

    Returns:
        Times that sum to `to_s - from_s` up to rounding of the last digit.
    """
    off, trials = sorted(closed), sorted(engineering)
    inner = {at for at, _ in changes} | {edge for pair in (*off, *trials) for edge in pair}
    edges = [from_s, *sorted(at for at in inner if from_s < at < to_s), to_s]
    since = [at for at, _ in changes]
    times = Times()
    for start, end in itertools.pairwise(edges):
        index = bisect.bisect_right(since, start) - 1
        state = changes[index][1] if index >= 0 else "unknown"
        category = TIME_OF[state]
        if category != UNSEEN and _within(start, trials):
            category = "engineering"
        elif category in ("standby", "nonscheduled") and _within(start, off):
            category = "nonscheduled"
        times.add(category, end - start, state if category == "standby" else "")
    return times


def _within(at_s: float, stretches: Sequence[tuple[float, float]]) -> bool:
    return any(start <= at_s < end for start, end in stretches)


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole > 0 else None


# ISO 22400-2 ------------------------------------------------------------------------------------------------


class Oee(NamedTuple):
    """ISO 22400-2; each None where it has no meaning."""

    availability: float | None
    effectiveness: float | None
    quality: float | None
    oee: float | None


def oee(production_s: float, planned_s: float, planned_item_s: float, made: float, good: float) -> Oee:
    """Overall equipment effectiveness.

    Args:
        production_s: actual production time.
        planned_s: planned busy time.
        planned_item_s: planned run time of one item (or: planned run time of all that was made, with `made` scaled so).
        made: produced quantity.
        good: good quantity.
    """
    availability = _ratio(production_s, planned_s)
    effectiveness = _ratio(planned_item_s * made, production_s)
    quality = _ratio(good, made)
    if availability is None or effectiveness is None or quality is None:
        return Oee(availability, effectiveness, quality, None)
    return Oee(availability, effectiveness, quality, availability * effectiveness * quality)


# Cost -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Run:
    """One build that is over, for the reckoning. None: not known; it is left out and counted as unknown."""

    machine: str
    job: str | None
    result: str
    hours: float
    energy_wh: float | None
    material_g: float | None
    material_cost: float | None
    pieces: float | None
    energy_cost: float | None = None  # by the tariff of its hours; None: by `Rates.kwh`


def run_of(note: Mapping[str, Any]) -> Run:
    """A build of a `use` note, as the journal has it; KeyError, TypeError or ValueError where it is none."""
    hours = (float(note["ended"]) - float(note["started"])) / 3600.0
    return Run(
        note["machine"], note["job"], str(note["result"]), hours, note["energy_wh"], note["grams"],
        note["material_cost"], note["pieces"], note.get("energy_cost"),
    )  # fmt: skip


class Rates(NamedTuple):
    """What things cost: money for a kWh (None: not known) and a machine hour."""

    kwh: float | None
    machine_hour: float


class Cost(NamedTuple):
    """Cost of what was made, failures shared out over the good pieces; `missing` names what no figure was known for."""

    good: float
    energy: float
    material: float
    machine: float
    of_failures: float
    total: float
    each: float | None
    missing: Mapping[str, int]


def cost_of(runs: Sequence[Run], rates: Rates) -> Cost:
    """Money spent on these runs, and for each good piece.

    All runs are paid by the good pieces: what failed, was cancelled or ended nobody knows how makes the others dearer.
    An unknown quantity is not taken as nothing: it is named in `missing` with the number of runs, and the cost is then
    a lower bound.
    """
    parts = {"energy": 0.0, "material": 0.0, "machine": 0.0}
    failed = good = 0.0
    missing: dict[str, int] = {}

    def lack(what: str) -> float:
        missing[what] = missing.get(what, 0) + 1
        return 0.0

    for run in runs:
        energy = run.energy_cost
        if energy is None:
            known = run.energy_wh is not None and rates.kwh is not None
            energy = (run.energy_wh or 0.0) / 1e3 * (rates.kwh or 0.0) if known else lack("energy")
        material = lack("material") if run.material_cost is None else run.material_cost
        machine = run.hours * rates.machine_hour
        parts["energy"] += energy
        parts["material"] += material
        parts["machine"] += machine
        if run.result == "done":
            good += lack("pieces") if run.pieces is None else run.pieces
        else:
            failed += energy + material + machine
    total = math.fsum(parts.values())
    each = total / good if good > 0 and "pieces" not in missing else None
    return Cost(good, parts["energy"], parts["material"], parts["machine"], failed, total, each, missing)
