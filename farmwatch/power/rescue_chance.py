"""The rescue plan when remaining times are known only as distributions: greatest expected value.

A plan is what `steps` can say: from minute to minute, who runs and who is paused. It is followed as written;
whoever finishes early draws nothing from then on, and the battery it leaves is there for the others. So a
plan may promise more minutes than the battery has in the worst case, and its value is the sum of value times
the chance of finishing before the battery is empty, remaining times being independent.

That chance is found by taking each machine's own distribution exactly (its chance to be done by the minute at
which the battery would be empty if it were not) and averaging over the others' times at the points of a rank-1
lattice: exact for one machine, to some 1e-4 for several. The plans are searched from many starting points by
changing one thing at a time. It is a bounded search, never worse than running everything, and following it
live with a new plan at each finish can only do better.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, permutations

from farmwatch.power.rescue import RescuePlan, RunEverything, Step, decide_by, plan_rescue, run_everything
from farmwatch.power.rescue_charge import LeastCharge, RescueBackup, RescueMachine, Stretch, Work

COARSE, FINE = 31, 251  # lattice points for the search and for the answer; primes
SEARCH_STEPS = 400_000  # intervals that a search may integrate (one or two seconds)


@dataclass(frozen=True, slots=True)
class Spread:
    """Remaining minutes as a distribution, linear through p10, p50 and p90, its ends prolonged to 0 and 1.

    What the prolonged lower end puts below 0 minutes is already done.
    """

    p10: float
    p50: float
    p90: float

    def quantile(self, share: float) -> float:
        """Minutes by which this share of such builds is done."""
        side = self.p50 - self.p10 if share < 0.5 else self.p90 - self.p50
        return max(self.p50 + (share - 0.5) / 0.4 * side, 0.0)

    def chance_by(self, minutes: float) -> float:
        """The chance to be done after so many minutes of running."""
        side = self.p50 - self.p10 if minutes < self.p50 else self.p90 - self.p50
        if side <= 0:
            return 0.0 if minutes < self.p50 * (1 - 1e-9) else 1.0 if self.p90 <= self.p50 else 0.5
        share = 0.5 + 0.4 * (minutes - self.p50) / side
        if share > 1.0:  # comparisons, as this runs a million times
            return 1.0
        return max(share, 0.0)

    @property
    def most(self) -> float:
        """Minutes by which it is certain to be done."""
        return self.quantile(1.0)


Timetable = tuple[tuple[float, int], ...]  # (minutes, bit mask of machines running), one after another


def lattice(points: int, dimensions: int) -> list[tuple[float, ...]]:
    """A rank-1 lattice (Korobov) in the unit cube, each coordinate an even grid of midpoints."""
    multiplier = {COARSE: 7, FINE: 51}.get(points, 2)
    generator = [pow(multiplier, d, points) for d in range(dimensions)]
    return [tuple((g * k % points + 0.5) / points for g in generator) for k in range(points)]


@dataclass(slots=True)
class Outlook:
    """Chances to finish under a timetable, for one backup and its machines."""

    backup: RescueBackup
    machines: Sequence[RescueMachine]
    spreads: Sequence[Spread]
    steps_done: int = 0
    _scenarios: dict[int, list[tuple[float, ...]]] = field(default_factory=dict)
    _known: dict[tuple[Timetable, int], tuple[list[float], int]] = field(default_factory=dict)

    def scenarios(self, points: int) -> list[tuple[float, ...]]:
        """Remaining minutes of every machine at each lattice point."""
        if points not in self._scenarios:
            self._scenarios[points] = [
                tuple(spread.quantile(u) for spread, u in zip(self.spreads, row, strict=True))
                for row in lattice(points, len(self.machines))
            ]
        return self._scenarios[points]

    def allowed(self, plan: Timetable) -> bool:
        """Whether no step passes the limit while nobody is done, and nobody is paused who can't be."""
        later = 0
        for _, running in reversed(plan):
            paused = later & ~running
            later |= running
            if any(paused >> i & 1 and m.hold_w is None for i, m in enumerate(self.machines)):
                return False
            if not self.backup.allows(self._draw(running, paused)):
                return False
        return True

    def _draw(self, running: int, paused: int) -> float:
        drawn = self.backup.base_w
        for i, m in enumerate(self.machines):
            if running >> i & 1:
                drawn += m.power_w
            elif paused >> i & 1:
                drawn += m.hold_w or 0.0
        return drawn

    def chances(self, plan: Timetable, points: int) -> list[float]:
        """Each machine's chance to finish before the battery is empty.

        A search comes by the same plan again and again: it is integrated once, and counted each time, so that a
        search finds the same with and without.
        """
        known = self._known.get((plan, points))
        if known is None:
            known = self._known[plan, points] = self._integrated(plan, points)
        self.steps_done += known[1]
        return known[0]

    def _integrated(self, plan: Timetable, points: int) -> tuple[list[float], int]:
        walk = _Walk(self, plan)
        totals = [0.0] * len(self.machines)
        scenarios = self.scenarios(points) if len(self.machines) > 1 else [(0.0,)]
        for times in scenarios:
            walk.begin(times)
            for i in walk.members:
                totals[i] += self.spreads[i].chance_by(walk.minutes_run(i))
        chances = [total / len(scenarios) for total in totals]
        for i, spread in enumerate(self.spreads):
            if i not in walk.members:
                chances[i] = spread.chance_by(0.0)
        return chances, walk.steps

    def value(self, plan: Timetable, points: int = COARSE) -> float:
        """Expected value."""
        chances = self.chances(plan, points)
        return math.fsum(m.value * chance for m, chance in zip(self.machines, chances, strict=True))


class _Walk:
    """One timetable, walked again and again with other remaining times."""

    def __init__(self, outlook: Outlook, plan: Timetable) -> None:
        self.outlook, self.plan = outlook, plan
        self.ends: list[float] = []
        now, later = 0.0, 0
        for minutes, _ in plan:
            now += minutes
            self.ends.append(now)
        waiting = []
        for _, running in reversed(plan):
            waiting.append(later & ~running)
            later |= running
        self.paused = waiting[::-1]
        self.members = [i for i in range(len(outlook.machines)) if later >> i & 1]
        self.last = {i: max(k for k, (_, running) in enumerate(plan) if running >> i & 1) for i in self.members}
        steps = [(end - length, length, end, running) for (length, running), end in zip(plan, self.ends, strict=True)]
        # (start, length, end) of the steps in which each machine runs
        self.runs = {i: [step[:3] for step in steps if step[3] >> i & 1] for i in self.members}
        self.rates: list[dict[int, float]] = [{} for _ in plan]
        self.events: list[tuple[float, int]] = []
        self.steps = 0

    def _clock(self, i: int, minutes: float) -> float:
        """The minute of the outage at which machine i has run so long; `inf` if never."""
        for start, length, _ in self.runs[i]:
            if minutes <= length:
                return start + minutes
            minutes -= length
        return math.inf

    def _run_by(self, i: int, clock: float) -> float:
        run = 0.0
        for start, length, end in self.runs[i]:
            if start >= clock:
                break
            run += length if end <= clock else clock - start
        return run

    def begin(self, times: Sequence[float]) -> None:
        """Set the remaining minutes of all machines."""
        clocks = [(self._clock(i, times[i]), i) for i in self.members]
        self.events = sorted((clock, i) for clock, i in clocks if clock < math.inf)

    def _rate(self, k: int, unfinished: int) -> float:
        running = self.plan[k][1] & unfinished
        drawn = self.outlook._draw(running, self.paused[k] & unfinished)  # noqa: SLF001
        rate = self.rates[k][unfinished] = self.outlook.backup.table.rate(drawn)
        return rate

    def minutes_run(self, i: int) -> float:
        """How long machine i runs, if it is not done before, until the battery is empty or the plan drops it."""
        left = self.outlook.backup.budget * (1 + 1e-12)
        unfinished = (1 << len(self.outlook.machines)) - 1
        now, k, last, ends, rates, steps = 0.0, 0, self.last[i], self.ends, self.rates, 0
        events = [event for event in self.events if event[1] != i]
        events.append((math.inf, 0))
        n = 0
        while k <= last:
            steps += 1
            until, event_at = ends[k], events[n][0]
            until = min(until, event_at)
            rate = rates[k].get(unfinished)
            if rate is None:
                rate = self._rate(k, unfinished)
            need = rate * (until - now)
            if need > left:
                self.steps += steps
                return self._run_by(i, now + left / rate)
            left -= need
            now = until
            if event_at <= now:
                unfinished &= ~(1 << events[n][1])
                n += 1
            else:
                k += 1
        self.steps += steps
        return self._run_by(i, math.inf)


# The search --------------------------------------------------------------------------------------------------


def _tidy(plan: Iterable[tuple[float, int]]) -> Timetable:
    """Without empty steps, equal neighbours joined, nothing idle at the end."""
    rows: list[tuple[float, int]] = []
    for minutes, running in plan:
        if minutes <= 1e-9:
            continue
        if rows and rows[-1][1] == running:
            rows[-1] = (rows[-1][0] + minutes, running)
        else:
            rows.append((minutes, running))
    while rows and rows[-1][1] == 0:
        rows.pop()
    return tuple(rows)


@dataclass(slots=True)
class _Search:
    """The search for a timetable; `budget` is the number of intervals it may integrate."""

    outlook: Outlook
    budget: int

    def longest(self, mask: int) -> float:
        """Minutes by which all of a set are certain to be done if they run side by side."""
        return max((s.most for i, s in enumerate(self.outlook.spreads) if mask >> i & 1), default=0.0)

    def stretch_end(self, plan: Timetable) -> Timetable:
        """Let the last step go on until all in it are surely done; what the battery can't give costs nothing."""
        if not plan:
            return plan
        minutes, running = plan[-1]
        return (*plan[:-1], (max(minutes, self.longest(running)), running))

    def starting_points(self) -> list[Timetable]:
        """Plans worth starting from: sets side by side, orders one by one, exact plans at fixed quantiles."""
        outlook = self.outlook
        n = len(outlook.machines)
        useful = [
            i
            for i, m in enumerate(outlook.machines)
            if m.value > 0 and outlook.backup.allows(outlook.backup.base_w + m.power_w)
        ]
        plans: list[Timetable] = [_tidy([(self.longest((1 << n) - 1), (1 << n) - 1)])]
        plans += [self._at_quantile(share) for share in (0.9, 0.5, 0.7, 1.0, 0.8, 0.6, 0.35, 0.2)]
        for size in range(1, len(useful) + 1) if len(useful) <= 6 else (1,):
            for chosen in combinations(useful, size):
                mask = sum(1 << i for i in chosen)
                plans.append(_tidy([(self.longest(mask), mask)]))
        for size in range(2, len(useful) + 1) if len(useful) <= 4 else ():
            for order in permutations(useful, size):
                plans += [_tidy([(outlook.spreads[i].quantile(share), 1 << i) for i in order]) for share in (0.75, 1.0)]
        stretched = [self.stretch_end(plan) for plan in plans]
        return list(dict.fromkeys(plan for plan in stretched if plan and outlook.allowed(plan)))

    def _at_quantile(self, share: float) -> Timetable:
        machines = [
            replace(m, remaining_min=s.quantile(share))
            for m, s in zip(self.outlook.machines, self.outlook.spreads, strict=True)
        ]
        steps = plan_rescue(self.outlook.backup, machines, work_limit=1_000_000).steps
        index = {m.name: i for i, m in enumerate(machines)}
        return _tidy((s.to_min - s.from_min, sum(1 << index[name] for name in s.running)) for s in steps)

    def neighbours(self, plan: Timetable, scale: float) -> Iterable[Timetable]:
        """Plans that differ in one thing: a length, who runs in a step, the order, a step cut in two."""
        n = len(self.outlook.machines)
        for k, (minutes, running) in enumerate(plan):
            before, after = plan[:k], plan[k + 1 :]
            if after:
                for other in (minutes * (1 + scale), minutes / (1 + scale)):
                    yield (*before, (other, running), *after)
                yield (*before, after[0], (minutes, running), *after[1:])
                # the border between two steps
                shift = min(minutes, after[0][0]) * min(scale, 0.5)
                for moved in (shift, -shift):
                    yield (*before, (minutes + moved, running), (after[0][0] - moved, after[0][1]), *after[1:])
            for i in range(n):
                yield (*before, (minutes, running ^ 1 << i), *after)
                cut = minutes * min(scale, 0.5)
                yield (*before, (cut, running ^ 1 << i), (minutes - cut, running), *after)
                yield (*before, (minutes - cut, running), (cut, running ^ 1 << i), *after)
                if not running >> i & 1:
                    yield (*plan, (self.outlook.spreads[i].most, 1 << i))

    def climb(self, plan: Timetable, value: float, budget: int) -> tuple[Timetable, float]:
        """Take each improving change, with ever smaller changes of length, until none helps."""
        stop = self.outlook.steps_done + budget
        scale = 0.6
        while scale > 0.01 and self.outlook.steps_done < stop:
            improved = False
            for changed in self.neighbours(plan, scale):
                candidate = self.stretch_end(_tidy(changed))
                if len(candidate) > 3 * len(self.outlook.machines) or not self.outlook.allowed(candidate):
                    continue
                other = self.outlook.value(candidate)
                if other > value * (1 + 1e-6):
                    plan, value, improved = candidate, other, True
                    break
                if self.outlook.steps_done >= stop:
                    break
            if not improved:
                scale /= 2
        return plan, value

    def best(self) -> Timetable:
        """The best plan found; empty where nothing can be saved."""
        starts: list[tuple[float, Timetable]] = []
        for plan in self.starting_points():
            starts.append((self.outlook.value(plan), plan))
            if self.outlook.steps_done > self.budget // 2:
                break
        starts.sort(key=lambda item: (-item[0], len(item[1])))
        if not starts or starts[0][0] <= 0:
            return ()
        chosen = starts[:3]
        left = max(self.budget - self.outlook.steps_done, 0)
        found = [self.climb(plan, value, left // len(chosen)) for value, plan in chosen]
        pool = sorted([*chosen, *((value, plan) for plan, value in found)], key=lambda item: -item[0])[:3]
        return max((plan for _, plan in pool), key=lambda plan: self.outlook.value(plan, FINE))


# The answer ---------------------------------------------------------------------------------------------------


def plan_rescue_spread(
    backup: RescueBackup,
    machines: Sequence[RescueMachine],
    spreads: Sequence[Spread],
    *,
    search_steps: int = SEARCH_STEPS,
) -> RescuePlan:
    """The plan of greatest expected value found, remaining times given as distributions.

    `search_steps` bounds the search; 20,000 keep it to some 200 ms for up to six machines, for use live.

    `finishes` are the builds with an even chance or better, of the plan and of running everything;
    `decide_by_min` and the minutes of `run_everything` take the medians. Where every distribution is a single
    number this is `plan_rescue`.
    """
    median = [replace(m, remaining_min=s.p50) for m, s in zip(machines, spreads, strict=True)]
    if all(s.p10 == s.p90 for s in spreads):
        return plan_rescue(backup, median)
    outlook = Outlook(backup, machines, spreads)
    search = _Search(outlook, search_steps)
    plan = search.best()
    everyone = (1 << len(machines)) - 1
    whole: Timetable = ((search.longest(everyone), everyone),)
    nothing = _expect(outlook, whole) if outlook.allowed(whole) else ((), 0.0)
    value_of: Callable[[Timetable], float] = lambda p: outlook.value(p, FINE)  # noqa: E731
    if plan and outlook.allowed(whole) and nothing[1] >= value_of(plan):
        plan = whole
    names, value = _expect(outlook, plan)
    steps = _steps(outlook, plan)
    members = [i for i, m in enumerate(machines) if any(m.name in s.running for s in steps)]
    stretches = tuple(
        Stretch(k, minutes, tuple(i for i in members if running >> i & 1)) for k, (minutes, running) in enumerate(plan)
    )
    finishing = [i for i in members if machines[i].name in names]
    least = LeastCharge(_median_charge(backup, median, plan), stretches, _order(median, finishing), {}, 0.0)
    deadlines = decide_by(backup, median, finishing, least, steps, Work(10_000_000))
    at_median = run_everything(backup, median)
    return RescuePlan(
        names,
        value,
        least.charge,
        steps,
        deadlines,
        RunEverything(nothing[0], nothing[1], at_median.minutes),
        exact=len(machines) == 1,
    )


def _order(machines: Sequence[RescueMachine], members: Sequence[int]) -> tuple[int, ...]:
    """Held machines by remaining minutes: a sequence of ends to try first."""
    return tuple(sorted((i for i in members if machines[i].hold_w), key=lambda i: machines[i].remaining_min))


def _expect(outlook: Outlook, plan: Timetable) -> tuple[tuple[str, ...], float]:
    chances = outlook.chances(plan, FINE)
    names = tuple(m.name for m, chance in zip(outlook.machines, chances, strict=True) if chance >= 0.5)
    return names, math.fsum(m.value * chance for m, chance in zip(outlook.machines, chances, strict=True))


def _steps(outlook: Outlook, plan: Timetable) -> tuple[Step, ...]:
    """The timetable in names; a machine is paused until the last step in which it runs."""
    steps = []
    now, walk = 0.0, _Walk(outlook, plan)
    for k, (minutes, running) in enumerate(plan):
        named = [
            tuple(m.name for i, m in enumerate(outlook.machines) if mask >> i & 1) for mask in (running, walk.paused[k])
        ]
        steps.append(Step(now, now + minutes, named[0], named[1]))
        now += minutes
    return tuple(steps)


def _median_charge(backup: RescueBackup, machines: Sequence[RescueMachine], plan: Timetable) -> float:
    """Charge taken if every build takes its median, at most what there is."""
    medians = [Spread(m.remaining_min, m.remaining_min, m.remaining_min) for m in machines]
    outlook = Outlook(backup, machines, medians)
    walk = _Walk(outlook, plan)
    walk.begin([m.remaining_min for m in machines])
    used, now, unfinished = 0.0, 0.0, (1 << len(machines)) - 1
    marks = sorted({*walk.ends, *(clock for clock, _ in walk.events)})
    for mark in marks:
        k = next(k for k, end in enumerate(walk.ends) if end > now)
        running = plan[k][1] & unfinished
        if not (running or walk.paused[k] & unfinished):
            later = any(r & unfinished for _, r in plan[k:])
            if not later:
                break
        used += (mark - now) * backup.table.rate(outlook._draw(running, walk.paused[k] & unfinished))  # noqa: SLF001
        now = mark
        for clock, i in walk.events:
            if clock <= now:
                unfinished &= ~(1 << i)
    return min(used, backup.budget)
