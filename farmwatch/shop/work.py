"""Filling: which build goes on which machine at the next visits, so that finishes meet visits and due dates hold.

A machine is loaded and cleared at visits only. A build that is loaded at visit k occupies its machine until the first
visit at which it is over and cool, so a short build in the evening blocks a machine until the morning, and a long one
fills the night by itself: nothing special is needed for it. What the plan is worth is the sum over its builds of
their value (`Rules.late_share` of it when they are cleared after the job's due date, a share where the horizon cuts
them off), less `Rules.idle_an_hour` for every hour between a build's end and the visit that clears it.

Held to: no job is made more often than its wanted pieces need, no material is used beyond its stock, and no place
carries more than its limit between two visits (a loaded machine counts with its holding draw until it is cleared; the
heat-ups are spread by the start sequence, `power.starts`). It proposes; a person decides.

`fill` is the plain way, greedy and without any extra. `work_exact` has the exact one.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Job:
    """Work that is wanted.

    Attributes:
        name: of the job.
        hours: of one build, heat-up and cooling included.
        pieces: made by one build.
        wanted: pieces still wanted.
        value: of one finished build, in any unit.
        material: None: not tracked.
        grams: of one build.
        due_s: epoch seconds by which the pieces must be off the bed.
        fits: names of the machines that can make it; None: all.
    """

    name: str
    hours: float
    pieces: float
    wanted: float
    value: float
    material: str | None = None
    grams: float = 0.0
    due_s: float | None = None
    fits: frozenset[str] | None = None

    @property
    def builds(self) -> int:
        """Builds needed for the wanted pieces."""
        return max(math.ceil(self.wanted / self.pieces - 1e-9), 0)


@dataclass(frozen=True, slots=True)
class Free:
    """A machine: when its bed can be cleared (epoch seconds), where it draws, and how much while it works."""

    name: str
    free_s: float
    places: tuple[str, ...] = ()
    hold_w: float = 0.0


@dataclass(frozen=True, slots=True)
class Rules:
    """How builds are valued beside their own value."""

    idle_an_hour: float = 0.0
    late_share: float = 0.25


class Load(NamedTuple):
    """One row of the plan: load this job at this visit; its end, the visit that clears it (None: past the last)."""

    visit_s: float
    machine: str
    job: str
    ends_s: float
    cleared_s: float | None
    late: bool


class Short(NamedTuple):
    """A due date that the plan does not meet: pieces missing by then, builds they need, and why or when."""

    job: str
    due_s: float
    missing: float
    builds: int
    made_by_s: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Filling:
    """A proposal. `bound`: no plan can be worth more; `exact`: this one is proven best."""

    loads: tuple[Load, ...]
    worth: float
    bound: float
    exact: bool
    short: tuple[Short, ...] = ()

    @property
    def gap(self) -> float:
        """How much more a better plan could be worth at most, as a share of the bound."""
        return max(self.bound - self.worth, 0.0) / self.bound if self.bound > 0 else 0.0


@dataclass(slots=True)
class Task:
    """The whole question: jobs, machines, visits (rising; the last one only clears), stock, limits."""

    jobs: Sequence[Job]
    machines: Sequence[Free]
    visits_s: Sequence[float]
    stock_g: Mapping[str, float] = field(default_factory=dict)
    limits_w: Mapping[str, float] = field(default_factory=dict)
    rules: Rules = field(default_factory=Rules)

    def first_visit(self, machine: Free) -> int:
        """The first visit at which a machine can be loaded."""
        return next((k for k, at in enumerate(self.visits_s) if at >= machine.free_s), len(self.visits_s))

    def cleared_at(self, job: Job, visit: int) -> int:
        """The visit that clears a build of this job loaded at a visit; `len(visits_s)` is past the last."""
        ends_s = self.visits_s[visit] + job.hours * HOUR_S
        return next((k for k in range(visit + 1, len(self.visits_s)) if self.visits_s[k] >= ends_s), len(self.visits_s))

    def worth(self, job: Job, visit: int) -> float:
        """What one build of this job, loaded at this visit, adds to the plan."""
        start_s, horizon_s = self.visits_s[visit], self.visits_s[-1]
        ends_s = start_s + job.hours * HOUR_S
        cleared = self.cleared_at(job, visit)
        if cleared == len(self.visits_s):
            # the horizon cuts it off: it may still be in time, and its share up to there counts
            late = job.due_s is not None and ends_s > job.due_s
            share = min((horizon_s - start_s) / (job.hours * HOUR_S), 1.0) if job.hours > 0 else 1.0
            return job.value * share * (self.rules.late_share if late else 1.0)
        late = job.due_s is not None and self.visits_s[cleared] > job.due_s
        idle_h = (self.visits_s[cleared] - ends_s) / HOUR_S
        return job.value * (self.rules.late_share if late else 1.0) - self.rules.idle_an_hour * idle_h

    def load(self, machine: str, job: Job, visit: int) -> Load:
        """The row of the plan."""
        cleared = self.cleared_at(job, visit)
        cleared_s = self.visits_s[cleared] if cleared < len(self.visits_s) else None
        ends_s = self.visits_s[visit] + job.hours * HOUR_S
        late = job.due_s is not None and (cleared_s if cleared_s is not None else ends_s) > job.due_s
        return Load(self.visits_s[visit], machine, job.name, ends_s, cleared_s, late)

    def fits(self, job: Job, machine: Free) -> bool:
        """Whether a machine can make a job."""
        return suits(job.fits, machine)


class Room:
    """What is still free while a plan is being made: builds wanted, stock, watts between visits."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.builds = {job.name: job.builds for job in task.jobs}
        self.stock_g = dict(task.stock_g)
        stretches = len(task.visits_s)
        self.watts = {place: [limit] * stretches for place, limit in task.limits_w.items()}
        for machine in task.machines:
            self._draw(machine, 0, task.first_visit(machine))

    def makes(self, job: Job) -> bool:
        """Whether one more build is wanted, and its material is there."""
        if self.builds[job.name] <= 0:
            return False
        return job.material is None or self.stock_g.get(job.material, math.inf) >= job.grams - 1e-9

    def has(self, job: Job, machine: Free, visit: int) -> bool:
        """Whether one more build fits in."""
        if not self.makes(job):
            return False
        until = self.task.cleared_at(job, visit)
        return all(
            self.watts[place][k] >= machine.hold_w - 1e-9
            for place in machine.places
            if place in self.watts
            for k in range(visit, until)
        )

    def take(self, job: Job, machine: Free, visit: int) -> None:
        """Book one build."""
        self.builds[job.name] -= 1
        if job.material in self.stock_g:
            self.stock_g[str(job.material)] -= job.grams
        self._draw(machine, visit, self.task.cleared_at(job, visit))

    def _draw(self, machine: Free, from_visit: int, to_visit: int) -> None:
        for place in machine.places:
            if place in self.watts:
                for k in range(from_visit, to_visit):
                    self.watts[place][k] -= machine.hold_w


def fill(task: Task) -> Filling:
    """The plain way: at each visit, the build that is worth most for the time it blocks a machine goes first.

    Due dates come first among equals. Never worse than loading nothing; `bound` is the least of what each machine
    could make if it had all jobs to itself, of what all wanted builds are worth, and of what the stock can be made of.
    """
    room = Room(task)
    free_from = {machine.name: task.first_visit(machine) for machine in task.machines}
    kinds = fit_kinds(task.jobs)
    fitting = {machine.name: frozenset(fits for fits in kinds if suits(fits, machine)) for machine in task.machines}
    choices = {name: sum(kinds[fits] for fits in found) for name, found in fitting.items()}
    loads: list[Load] = []
    worth = 0.0
    for visit in range(len(task.visits_s) - 1):
        ready = [machine for machine in task.machines if free_from[machine.name] <= visit]
        ranked = [job for job in task.jobs if room.makes(job) and task.worth(job, visit) > 0]
        ranked.sort(key=lambda job: (-_rate(task, job, visit), _due_s(job), job.name))
        # machines that few jobs fit choose first
        ready.sort(key=lambda machine: choices[machine.name])
        for machine in ready:
            mine = fitting[machine.name]
            job = next((j for j in ranked if j.fits in mine and room.has(j, machine, visit)), None)
            if job is None:
                continue
            room.take(job, machine, visit)
            if not room.makes(job):
                ranked = [job for job in ranked if room.makes(job)]
            free_from[machine.name] = task.cleared_at(job, visit)
            loads.append(task.load(machine.name, job, visit))
            worth += task.worth(job, visit)
    return Filling(tuple(loads), worth, max(plain_bound(task), worth), exact=False, short=shortages(task, loads))


def suits(fits: frozenset[str] | None, machine: Free) -> bool:
    """Whether a machine is among those that a job fits."""
    return fits is None or machine.name in fits


def fit_kinds(jobs: Sequence[Job]) -> Counter[frozenset[str] | None]:
    """How many jobs fit the same machines, by these machines."""
    return Counter(job.fits for job in jobs if job.builds > 0)


def _due_s(job: Job) -> float:
    return job.due_s if job.due_s is not None else math.inf


def _rate(task: Task, job: Job, visit: int) -> float:
    last = len(task.visits_s) - 1
    blocked_s = task.visits_s[min(task.cleared_at(job, visit), last)] - task.visits_s[visit]
    return task.worth(job, visit) / max(blocked_s, HOUR_S)


def plain_bound(task: Task) -> float:
    """No plan is worth more: the least of bounds that each leave something out of account."""
    last = len(task.visits_s) - 1
    if last < 1:
        return 0.0
    return max(min(_stock_bound(task, last), _machines_bound(task, last)), 0.0)


def _stock_bound(task: Task, last: int) -> float:
    """What all wanted builds are worth at their best visits, each material split where it runs out.

    The best of a material is made first, by its worth for a gram: the fractional knapsack (Dantzig, 1957).
    """
    total = 0.0
    by_material: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for job in task.jobs:
        worth = max((task.worth(job, k) for k in range(last)), default=0.0)
        if worth <= 0:
            continue
        if job.material is None or job.grams <= 0 or job.material not in task.stock_g:
            total += job.builds * worth
        else:
            by_material[job.material].append((worth / job.grams, job.builds * job.grams))
    for material, rows in by_material.items():
        left_g = max(task.stock_g[material], 0.0)
        for a_gram, grams in sorted(rows, reverse=True):
            total += a_gram * min(grams, left_g)
            left_g = max(left_g - grams, 0.0)
    return total


def _machines_bound(task: Task, last: int) -> float:
    """What the machines could make if each had all jobs to itself."""
    best: dict[frozenset[str] | None, dict[tuple[int, int], float]] = {fits: {} for fits in fit_kinds(task.jobs)}
    for job in task.jobs:
        for k in range(last) if job.builds > 0 else ():
            stay = (k, task.cleared_at(job, k))
            best[job.fits][stay] = max(best[job.fits].get(stay, 0.0), task.worth(job, k))
    alike: dict[tuple[Any, ...], float] = {}
    total = 0.0
    for machine in task.machines:
        found = [rows for fits, rows in best.items() if suits(fits, machine)]
        key = (task.first_visit(machine), *(id(rows) for rows in found))
        if key not in alike:
            alike[key] = _best_path(found, last, task.first_visit(machine))
        total += alike[key]
    return total


def _best_path(found: Sequence[Mapping[tuple[int, int], float]], last: int, first: int) -> float:
    """What one machine could make if it had all jobs to itself: the longest path through the visits."""
    best = [0.0] * (last + 2)
    for k in range(last - 1, -1, -1):
        stays = (worth + best[e] for rows in found for (at, e), worth in rows.items() if at == k)
        best[k] = max(best[k + 1], max(stays, default=0.0))
    return best[min(first, last)]


def shortages(task: Task, loads: Sequence[Load]) -> tuple[Short, ...]:
    """Due dates that the plan does not meet, with what would be needed."""
    found = []
    for job in task.jobs:
        if job.due_s is None or job.builds == 0:
            continue
        mine = sorted(
            load.cleared_s if load.cleared_s is not None else math.inf for load in loads if load.job == job.name
        )
        in_time = sum(at <= job.due_s for at in mine)
        missing = job.wanted - in_time * job.pieces
        if missing <= 1e-9:
            continue
        made_s = mine[job.builds - 1] if len(mine) >= job.builds else math.inf
        made_by_s = made_s if math.isfinite(made_s) else None
        found.append(Short(job.name, job.due_s, missing, job.builds - in_time, made_by_s, _why(task, job)))
    return tuple(found)


def _why(task: Task, job: Job) -> str:
    due_s = _due_s(job)
    last = len(task.visits_s)
    in_time = [
        k for k in range(last - 1) if task.cleared_at(job, k) < last and task.visits_s[task.cleared_at(job, k)] <= due_s
    ]
    able = [m for m in task.machines if task.fits(job, m) and in_time and task.first_visit(m) <= in_time[-1]]
    if not task.machines:
        return "of no machine is known when it can be loaded"
    if not any(task.fits(job, machine) for machine in task.machines):
        return "it fits no machine"
    if not able:
        return "no visit clears a build of this length before it is due: an earlier start or one more trip is needed"
    if job.material is not None and task.stock_g.get(job.material, math.inf) < job.grams * job.builds:
        return f"{job.material} is short: {job.grams * job.builds:.0f} g are needed"
    return (
        f"{len(able)} machine{'' if len(able) == 1 else 's'} could make it in time: move other work off, or add a trip"
    )
