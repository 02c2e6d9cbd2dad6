"""What to keep running on battery so that most work is saved, how, and until when there is time to decide.

`plan_rescue` gives the greatest value that can still be finished and, among equal values, the least charge.
Which sets fit is a knapsack whose weights depend on the set: the least charge of a set is a linear programme
(`rescue_charge`). Sets are looked at by falling value. Each set that does not fit teaches an inequality that
holds for all sets: the prices of its programme, extended to the other machines, add up to no more than any
set's least charge. So most sets are dropped without a programme of their own.

It is exact up to `EXACT_MACHINES` machines where pausing costs nothing; with hold power, or beyond, it is exact
unless `exact` says otherwise, and then it is a bounded search that is never worse than running everything.

Farmwatch advises. Backups, wiring and hot machines are for local codes and people who are licensed for them;
a machine that is paused or given up may be hot for a while.
"""

import math
import operator
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations
from typing import NamedTuple

from farmwatch.power.rescue_charge import (
    NULL_END,
    TOLERANCE,
    Finishing,
    LeastCharge,
    RescueBackup,
    RescueMachine,
    Stretch,
    Work,
)
from farmwatch.power.rescue_lp import Block, solve, subset_sums

EXACT_MACHINES = 12  # machines with work left, above which whole sets are no longer enumerated
SMALL = 6  # up to here the answer is exact whatever it costs
WORK_LIMIT = 10_000_000  # looks at a column that a larger search may spend (some seconds)


class Step(NamedTuple):
    """From one minute to another: names running and names paused; who is in neither has ended or been given up."""

    from_min: float
    to_min: float
    running: tuple[str, ...]
    paused: tuple[str, ...]


class RunEverything(NamedTuple):
    """What comes of doing nothing: what finishes, its value, minutes until the battery is empty (`inf`: never)."""

    finishes: tuple[str, ...]
    value: float
    minutes: float


@dataclass(frozen=True, slots=True)
class RescuePlan:
    """The advice for one backup.

    Attributes:
        finishes: names of the builds that finish, in the machines' order.
        value: their value; with distributions the expected value.
        charge: share of a full new battery that it takes.
        steps: what runs and what is paused, from minute 0 without gap or overlap.
        decide_by_min: per machine the latest minute for its action; None where nothing need be done.
        run_everything: the outcome of doing nothing.
        exact: False where the search was bounded and a better plan may exist.
    """

    finishes: tuple[str, ...]
    value: float
    charge: float
    steps: tuple[Step, ...]
    decide_by_min: dict[str, float | None]
    run_everything: RunEverything
    exact: bool


# Doing nothing ------------------------------------------------------------------------------------------


def burn(backup: RescueBackup, machines: Sequence[RescueMachine], until_min: float) -> tuple[float, dict[int, float]]:
    """Everything runs until a minute: the charge that takes, and the minutes left of what is unfinished."""
    used, now = 0.0, 0.0
    for end in sorted({min(m.remaining_min, until_min) for m in machines} | {until_min}):
        if end > now:
            drawn = math.fsum(m.power_w for m in machines if m.remaining_min > now)
            used += (end - now) * backup.table.rate(backup.base_w + drawn)
            now = end
    left = {i: m.remaining_min - until_min for i, m in enumerate(machines) if m.remaining_min > until_min}
    return used, left


def run_everything(backup: RescueBackup, machines: Sequence[RescueMachine]) -> RunEverything:
    """What finishes if nobody does anything; nothing, in 0 minutes, if the sum passes the limit."""
    if not backup.allows(backup.base_w + math.fsum(m.power_w for m in machines if m.remaining_min > 0)):
        return RunEverything((), 0.0, 0.0)
    left, now = backup.budget, 0.0
    finished = [i for i, m in enumerate(machines) if m.remaining_min == 0]
    empty_min: float | None = None
    for end in sorted({m.remaining_min for m in machines if m.remaining_min > 0}):
        rate = backup.table.rate(backup.base_w + math.fsum(m.power_w for m in machines if m.remaining_min > now))
        need = rate * (end - now)
        if need > left + TOLERANCE * backup.budget:
            empty_min = now + left / rate
            break
        left, now = max(left - need, 0.0), end
        finished += [i for i, m in enumerate(machines) if m.remaining_min == end]
    if empty_min is None:
        base_rate = backup.table.rate(backup.base_w)
        empty_min = now + left / base_rate if base_rate > 0 else math.inf
    names = tuple(machines[i].name for i in sorted(finished))
    return RunEverything(names, math.fsum(machines[i].value for i in finished), empty_min)


# Which set ------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Choice:
    """The search over sets of `indices` (machines with work left, of value, that fit under the limit alone)."""

    backup: RescueBackup
    machines: Sequence[RescueMachine]
    indices: list[int]
    work: Work
    rates: list[float] = field(init=False)
    bounds: list[float] = field(init=False)
    simple: bool = field(init=False)

    def __post_init__(self) -> None:
        powers = [self.machines[i].power_w for i in self.indices]
        self.rates = [self.backup.rate(self.backup.base_w + total) for total in subset_sums(powers)]
        self.bounds = [0.0] * len(self.rates)
        self.simple = all(self.machines[i].hold_w == 0 for i in self.indices)

    def members(self, mask: int) -> list[int]:
        """Machine indices of a mask."""
        return [i for bit, i in enumerate(self.indices) if mask >> bit & 1]

    def _learn(self, mask: int) -> bool:
        """Solve the set without hold power and let its prices bound every set; False if it can't be done."""
        bits = [bit for bit in range(len(self.indices)) if mask >> bit & 1]
        chosen = [0]
        for bit in bits:
            chosen += [m | 1 << bit for m in chosen]
        block = Block(tuple(range(len(bits))), [self.rates[m] for m in chosen])
        solution = solve([block], [self.machines[self.indices[bit]].remaining_min for bit in bits])
        if solution is None:
            return False
        self.work.done += (2 + solution.pivots) * len(chosen) + 2 * len(self.rates)
        price = dict(zip(bits, solution.prices, strict=True))
        sums = subset_sums(solution.prices)
        by_size = sorted(set(range(len(self.indices))) - set(bits), key=lambda bit: -self._minutes(bit))
        for bit in by_size:
            # the most that a minute of this machine can be priced without passing any set's rate
            with_bit = map(self.rates.__getitem__, map((1 << bit).__or__, chosen))
            price[bit] = max(min(map(operator.sub, with_bit, sums)), 0.0)
            chosen += [m | 1 << bit for m in chosen]
            sums += [total + price[bit] for total in sums]
        weights = [price[bit] * self._minutes(bit) for bit in range(len(self.indices))]
        self.bounds = list(map(max, self.bounds, subset_sums(weights)))
        return True

    def _minutes(self, bit: int) -> float:
        return self.machines[self.indices[bit]].remaining_min

    def _least(self, mask: int, cutoff: float) -> LeastCharge | None:
        """The least charge of a set if it is below the cutoff."""
        if not mask:
            return LeastCharge(0.0, (), (), {}, 0.0)
        if not self._learn(mask) or self.bounds[mask] * (1 - TOLERANCE) >= cutoff:
            return None
        remaining = {i: self.machines[i].remaining_min for i in self.members(mask)}
        return Finishing(self.backup, self.machines, remaining, self.work).least(cutoff)

    def best(self) -> tuple[int, LeastCharge]:
        """The mask of greatest value that fits, with its least charge; among equal values the least charge."""
        values = subset_sums([self.machines[i].value for i in self.indices])
        room = self.backup.budget * (1 + TOLERANCE)
        order = sorted(range(len(values)), key=values.__getitem__, reverse=True)
        found: tuple[int, LeastCharge] | None = None
        start = 0
        while start < len(order):
            stop = start + 1
            level = values[order[start]]
            while stop < len(order) and values[order[stop]] >= level - TOLERANCE * max(level, 1e-300):
                stop += 1
            found = self._of_equal_value(order[start:stop], room)
            if found is not None:
                return found
            if self.work.spent():
                break
            start = stop
        return 0, LeastCharge(0.0, (), (), {}, 0.0)

    def _of_equal_value(self, masks: list[int], room: float) -> tuple[int, LeastCharge] | None:
        found: tuple[int, LeastCharge] | None = None
        cutoff = math.nextafter(room, math.inf)
        waiting = masks
        while waiting and not (found is not None and self.work.spent()):
            waiting = [mask for mask in waiting if self.bounds[mask] * (1 - TOLERANCE) < cutoff]
            if not waiting or self.work.spent():
                break
            mask = min(waiting, key=lambda m: (self.bounds[m], m))
            waiting.remove(mask)
            least = self._least(mask, cutoff)
            if least is not None:
                found, cutoff = (mask, least), least.charge * (1 - TOLERANCE)
        return found


def _candidates(backup: RescueBackup, machines: Sequence[RescueMachine]) -> list[int]:
    """Machines with work left whose build is worth something and that may run at all."""
    return [
        i
        for i, m in enumerate(machines)
        if m.remaining_min > 0 and m.value > 0 and backup.allows(backup.base_w + m.power_w)
    ]


def _choose(backup: RescueBackup, machines: Sequence[RescueMachine], work: Work) -> tuple[list[int], LeastCharge, bool]:
    """The set to finish (indices), how, and whether that is proven to be best."""
    candidates = _candidates(backup, machines)
    if len(candidates) <= EXACT_MACHINES:
        choice = _Choice(backup, machines, candidates, work)
        mask, least = choice.best()
        members, proven = choice.members(mask), not work.cut_short
    else:
        members, least = _bounded(backup, machines, candidates, work)
        proven = False
    if not proven:
        everything = _as_set(backup, machines)
        if everything is not None and _worth(machines, everything[0]) > _worth(machines, members):
            members, least = everything
    return members, least, proven


def _worth(machines: Sequence[RescueMachine], members: Iterable[int]) -> float:
    return math.fsum(machines[i].value for i in members)


def _as_set(backup: RescueBackup, machines: Sequence[RescueMachine]) -> tuple[list[int], LeastCharge] | None:
    """Running everything that finishes that way, side by side from minute 0, as a plan."""
    names = set(run_everything(backup, machines).finishes)
    members = [i for i, m in enumerate(machines) if m.name in names and m.remaining_min > 0]
    if not members:
        return None
    stretches, charge, now = [], 0.0, 0.0
    for phase, end in enumerate(sorted({machines[i].remaining_min for i in members})):
        running = tuple(i for i in members if machines[i].remaining_min > now)
        stretches.append(Stretch(phase, end - now, running))
        drawn = math.fsum(machines[i].power_w for i in running)
        charge += (end - now) * backup.table.rate(backup.base_w + drawn)
        now = end
    return members, LeastCharge(charge, tuple(stretches), (), {}, 0.0)


def _bounded(
    backup: RescueBackup, machines: Sequence[RescueMachine], candidates: list[int], work: Work
) -> tuple[list[int], LeastCharge]:
    """More machines than can be enumerated: exact answers for cores of them, exchanged until none improves."""

    def yield_per_charge(i: int) -> float:
        m = machines[i]
        return m.value / (m.remaining_min * backup.rate(backup.base_w + m.power_w))

    ranked = sorted(candidates, key=lambda i: (-yield_per_charge(i), i))
    core, rest = ranked[:EXACT_MACHINES], ranked[EXACT_MACHINES:]
    choice = _Choice(backup, machines, core, work)
    mask, least = choice.best()
    best = choice.members(mask)
    while rest and not work.spent():
        keep = best[:EXACT_MACHINES]
        core = keep + rest[: EXACT_MACHINES - len(keep)]
        rest = rest[EXACT_MACHINES - len(keep) :]
        if len(core) == len(keep):
            break
        choice = _Choice(backup, machines, sorted(core), work)
        mask, found = choice.best()
        if _worth(machines, choice.members(mask)) > _worth(machines, best):
            best, least = choice.members(mask), found
    return best, least


# How: the steps -------------------------------------------------------------------------------------------


def _switches(sets: Sequence[frozenset[int]], everyone: frozenset[int]) -> tuple[int, int]:
    """How often a machine is paused on the way, and how many do not run from the start."""
    pauses = sum(len(a - b) for a, b in pairwise(sets))
    return pauses, len(everyone - sets[0]) if sets else 0


def _calm(stretches: Sequence[Stretch], last: int | None) -> list[Stretch]:
    """One phase's stretches in the order that disturbs least; those of machine `last` at the end."""
    early = [s for s in stretches if last is None or last not in s.running]
    late = [s for s in stretches if last is not None and last in s.running]

    def best_of(part: list[Stretch]) -> list[Stretch]:
        if len(part) > 5:
            return sorted(part, key=lambda s: (-len(s.running), s.running))
        everyone = frozenset(i for s in part for i in s.running)
        orders = permutations(sorted(part, key=lambda s: (-len(s.running), s.running)))
        return list(min(orders, key=lambda order: _switches([frozenset(s.running) for s in order], everyone)))

    return best_of(early) + best_of(late)


def _ordered(least: LeastCharge) -> list[Stretch]:
    """All stretches in time order."""
    ordered: list[Stretch] = []
    for phase in sorted({s.phase for s in least.stretches}):
        part = [s for s in least.stretches if s.phase == phase]
        end = least.sequence[phase] if phase < len(least.sequence) else None
        ordered += _calm(part, end if end is not None and end >= 0 else None)
    return ordered


def steps_of(machines: Sequence[RescueMachine], members: Sequence[int], least: LeastCharge) -> tuple[Step, ...]:
    """The plan as steps from minute 0, equal neighbours joined."""
    left = {i: machines[i].remaining_min for i in members}
    steps: list[Step] = []
    now = 0.0
    ordered = _ordered(least)
    least_min = 1e-10 * math.fsum(stretch.minutes for stretch in ordered)  # shorter is rounding
    for stretch in ordered:
        going = [i for i in stretch.running if i in left]
        paused = tuple(machines[i].name for i in sorted(left) if i not in going)
        for i in going:
            left[i] -= stretch.minutes
            if left[i] <= TOLERANCE * machines[i].remaining_min:
                del left[i]
        end = now + stretch.minutes
        if stretch.minutes <= least_min:
            continue
        running = tuple(machines[i].name for i in going)
        if steps and steps[-1].running == running and steps[-1].paused == paused:
            steps[-1] = steps[-1]._replace(to_min=end)
        else:
            steps.append(Step(now, end, running, paused))
        now = end
    return tuple(steps)


# Until when -----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Deadline:
    """How the charge grows if everything runs until t and only then the set's plan is followed."""

    backup: RescueBackup
    machines: Sequence[RescueMachine]
    members: Sequence[int]
    sequence: tuple[int, ...]
    work: Work
    room: float = field(init=False)

    def __post_init__(self) -> None:
        self.room = self.backup.budget * (1 + TOLERANCE)

    def _finishing(self, until_min: float) -> tuple[float, Finishing]:
        used, left = burn(self.backup, self.machines, until_min)
        remaining = {i: left[i] for i in self.members if i in left}
        return used, Finishing(self.backup, self.machines, remaining, self.work)

    def _order_now(self, finishing: Finishing, until_min: float) -> tuple[int, ...]:
        """The plan's sequence of ends without those that have passed."""
        passed = {m.remaining_min for m in (self.machines[i] for i in self.members) if m.hold_w is None}
        skip = sum(1 for end in passed if 0 < end <= until_min)
        order = []
        for end in self.sequence:
            if end == NULL_END and skip:
                skip -= 1
            elif end == NULL_END or end in finishing.remaining:
                order.append(end)
        return tuple(order)

    def charge(self, until_min: float, *, all_orders: bool) -> tuple[float, float]:
        """Charge until the set is done, and how fast it grows with t (a tangent from below if not all_orders)."""
        used, finishing = self._finishing(until_min)
        if not finishing.remaining:
            return used, 0.0
        order = self._order_now(finishing, until_min)
        least = finishing.of_sequence(order)
        if all_orders and (least is None or used + least.charge > self.room) and not self.work.spent():
            least = finishing.least(math.nextafter(max(self.room - used, 0.0), math.inf))
        if least is None:
            return math.inf, math.inf
        drawn = math.fsum(m.power_w for m in self.machines if m.remaining_min > until_min)
        slope = self.backup.table.rate(self.backup.base_w + drawn)
        return used + least.charge, slope - sum(least.prices.values()) - least.interval_price

    def latest(self) -> float | None:
        """The latest t at which the set still finishes; None where it finishes even if nothing is done."""
        if not self.members:
            return None
        last = max(self.machines[i].remaining_min for i in self.members)
        ends = sorted({m.remaining_min for m in self.machines if 0 < m.remaining_min <= last})
        held = any(self.machines[i].hold_w for i in self.members)
        # charge never falls with t, so the ends that are still in time come first
        low, high = 0, len(ends)
        while low < high:
            mid = (low + high) // 2
            if self.charge(ends[mid], all_orders=held)[0] <= self.room:
                low = mid + 1
            else:
                high = mid
        if low == len(ends):
            return None
        left, right = (ends[low - 1] if low else 0.0), ends[low]
        return self._bisect(left, right) if held else self._newton(left, right)

    def _newton(self, left: float, right: float) -> float:
        """Between two ends the charge is convex in t: tangents from the right reach the root from above."""
        t = right
        for _ in range(60):
            at = t - (right - left) * 1e-12 if t == right else t  # the machines that end at `right` still run
            charge, slope = self.charge(at, all_orders=False)
            if charge <= self.room:
                return at
            step = (charge - self.room) / slope if math.isfinite(charge) and slope > 0 else math.inf
            if not math.isfinite(step):
                return self._bisect(left, right)
            t = max(at - step, left)
            if t == left or step <= 1e-12 * right:
                break
        return t

    def _bisect(self, left: float, right: float) -> float:
        for _ in range(48):
            mid = (left + right) / 2
            if self.charge(mid, all_orders=True)[0] <= self.room:
                left = mid
            else:
                right = mid
        return left


def _untouched(plan_steps: Sequence[Step], name: str) -> bool:
    """Whether a machine runs from minute 0 until it is done, without being paused."""
    return bool(plan_steps) and name in plan_steps[0].running and not any(name in s.paused for s in plan_steps)


def decide_by(
    backup: RescueBackup,
    machines: Sequence[RescueMachine],
    members: Sequence[int],
    least: LeastCharge,
    steps: Sequence[Step],
    work: Work,
) -> dict[str, float | None]:
    """Per machine the latest minute at which the plan's actions still save its set; None: nothing to do."""
    acts = [m.name for m in machines if m.remaining_min > 0 and not _untouched(steps, m.name)]
    answer: dict[str, float | None] = dict.fromkeys([m.name for m in machines])
    if not acts:
        return answer
    latest: float | None = 0.0
    if backup.allows(backup.base_w + math.fsum(m.power_w for m in machines if m.remaining_min > 0)):
        latest = _Deadline(backup, machines, members, least.sequence, work).latest()
    return answer | dict.fromkeys(acts, latest)


def plan_rescue(
    backup: RescueBackup, machines: Sequence[RescueMachine], *, work_limit: float | None = None
) -> RescuePlan:
    """The plan of greatest value for one backup whose mains has gone, with remaining times known.

    Args:
        backup: table, charge, health, limit and base load.
        machines: everything that runs on it now, names all different.
        work_limit: looks to spend (see `Work`), twice: on the set and on its deadline. None: without end up to
            `SMALL` machines, else `WORK_LIMIT`. A deadline cut short is early, never late.
    """
    if work_limit is None:
        work_limit = math.inf if len(machines) <= SMALL else WORK_LIMIT
    work = Work(work_limit)
    members, least, proven = _choose(backup, machines, work)
    steps = steps_of(machines, members, least)
    done = {i for i, m in enumerate(machines) if m.remaining_min == 0}
    finishes = sorted({*members, *done})
    late = Work(work_limit)
    deadlines = decide_by(backup, machines, members, least, steps, late)
    return RescuePlan(
        tuple(machines[i].name for i in finishes),
        _worth(machines, finishes),
        least.charge,
        steps,
        deadlines,
        run_everything(backup, machines),
        proven and not late.cut_short,
    )
