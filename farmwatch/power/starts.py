"""The start sequence after a round: which machine may start when, so that no circuit or backup passes its limit.

A machine started at s draws `peak_w` while it heats, over [s, s + peak_min), then `hold_w` for good, in each of
its places. The last start is as early as possible. Facts used, for machines whose peak is at least their hold:

- Moving one start earlier never hurts a machine that starts later, so some best plan starts each machine, in
  the order of starting, as early as the ones before it allow: at a minute when somebody's heat-up ends. Trying
  the orders by branch and bound is exact ("active schedules", the resource-constrained project problem).
- A set can be started at all exactly if it can be peeled from the back: a machine may be the last if its peak
  fits beside everybody else's hold, and taking it away only makes room. What cannot be peeled is named.

A machine that holds more than its peak (allowed, odd) breaks the first fact; then all candidate minutes are
searched, which is exact too and slower.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

EXACT_STARTS = 8  # machines up to which the last start is proven to be as early as possible
NODE_LIMIT = 50_000  # nodes of a search above that size, and of the odd case


@dataclass(frozen=True, slots=True)
class StartMachine:
    """A machine to start: where it draws (names of places), heat-up draw and minutes, and draw after it."""

    name: str
    places: tuple[str, ...]
    peak_w: float
    peak_min: float
    hold_w: float


class Impossible(NamedTuple):
    """Why there is no plan: the place, the machines it is about (none: the place itself), and in words."""

    place: str
    machines: tuple[str, ...]
    why: str


@dataclass(frozen=True, slots=True)
class StartPlan:
    """When each machine starts.

    Attributes:
        starts: minutes from now by name; None where there is no plan.
        last_start_min: the latest of them, 0 if there is none.
        peak_w: greatest draw at each place under the plan, what runs already included.
        impossible: why there is no plan; empty where there is one.
        exact: whether no plan can have an earlier last start.
    """

    starts: dict[str, float] | None
    last_start_min: float
    peak_w: dict[str, float]
    impossible: tuple[Impossible, ...]
    exact: bool


def _fits(power_w: float, limit_w: float) -> bool:
    return power_w <= limit_w + 1e-9 * max(abs(limit_w), 1.0)


# Possible at all ------------------------------------------------------------------------------------------


def impossibilities(
    limits: Mapping[str, float], running: Mapping[str, float], machines: Sequence[StartMachine]
) -> list[Impossible]:
    """Why no plan exists, by place and machine; empty exactly where one does (peaks at least holds)."""
    return _too_much(limits, running, machines) or _stuck(limits, running, machines)


def _too_much(
    limits: Mapping[str, float], running: Mapping[str, float], machines: Sequence[StartMachine]
) -> list[Impossible]:
    """What no order can help: a place over its limit already, a machine alone, or everybody's hold."""
    found: list[Impossible] = []
    for place, limit_w in limits.items():
        base = running.get(place, 0.0)
        if not _fits(base, limit_w):
            found.append(Impossible(place, (), f"what runs already draws {base:g} W, the limit is {limit_w:g} W"))
            continue
        here = [m for m in machines if place in m.places]
        alone = [m for m in here if not _fits(base + max(m.peak_w, m.hold_w), limit_w)]
        found += [
            Impossible(
                place,
                (m.name,),
                f"{m.name} alone: {base:g} W running + {max(m.peak_w, m.hold_w):g} W is above {limit_w:g} W",
            )
            for m in alone
        ]
        held = base + math.fsum(m.hold_w for m in here)
        if not alone and not _fits(held, limit_w):
            why = f"all holding: {held:g} W, with {base:g} W running already, is above {limit_w:g} W"
            found.append(Impossible(place, tuple(m.name for m in here), why))
    return found


def _stuck(
    limits: Mapping[str, float], running: Mapping[str, float], machines: Sequence[StartMachine]
) -> list[Impossible]:
    """Machines none of which can be the last to start."""
    rest = unpeeled(limits, running, machines)
    found = []
    for m in rest:
        for place in dict.fromkeys(m.places):
            held = running.get(place, 0.0) + math.fsum(o.hold_w for o in rest if o is not m and place in o.places)
            if not _fits(held + m.peak_w, limits[place]):
                why = (
                    f"{m.name} cannot start after the others: {held:g} W + {m.peak_w:g} W is above "
                    f"{limits[place]:g} W; and none of {', '.join(o.name for o in rest)} can be the last"
                )
                found.append(Impossible(place, (m.name,), why))
                break
    return found


def unpeeled(
    limits: Mapping[str, float], running: Mapping[str, float], machines: Sequence[StartMachine]
) -> list[StartMachine]:
    """What is left when every machine that may be the last to start has been taken away, again and again."""
    return _peel(limits, _held(limits, running, machines), machines)


def _held(
    limits: Mapping[str, float], running: Mapping[str, float], machines: Iterable[StartMachine]
) -> dict[str, float]:
    """Draw of each place while all of these hold."""
    held = {place: running.get(place, 0.0) for place in limits}
    for m in machines:
        for place in dict.fromkeys(m.places):
            held[place] += m.hold_w
    return held


def _peel(limits: Mapping[str, float], held: dict[str, float], machines: Sequence[StartMachine]) -> list[StartMachine]:
    """The same, where `held` is what the places draw while all hold, others too; it is used up."""
    rest = list(machines)
    while rest:
        last: list[StartMachine] = []
        kept: list[StartMachine] = []
        for m in rest:
            more_w = max(m.peak_w, m.hold_w) - m.hold_w
            (last if all(_fits(held[p] + more_w, limits[p]) for p in m.places) else kept).append(m)
        if not last:
            return rest
        for m in last:
            for place in dict.fromkeys(m.places):
                held[place] -= m.hold_w
        rest = kept
    return rest


# Fast and good ----------------------------------------------------------------------------------------------


class _Room:
    """Watts free at each place while the clock goes on; the fast form of `by_limits`."""

    def __init__(self, limits: Mapping[str, float], running: Mapping[str, float]) -> None:
        self.free = {p: limit + 1e-9 * max(abs(limit), 1.0) - running.get(p, 0.0) for p, limit in limits.items()}

    def fits(self, m: StartMachine) -> bool:
        return all(m.peak_w <= self.free[place] for place in m.places)

    def take(self, m: StartMachine, power_w: float) -> None:
        for place in dict.fromkeys(m.places):
            self.free[place] -= power_w


_ORDERS: tuple[Callable[[StartMachine], tuple[float, ...]], ...] = (
    lambda m: (-m.peak_min, -m.peak_w),
    lambda m: (-m.peak_w, -m.peak_min),
    lambda m: (-(m.peak_w - m.hold_w), -m.peak_min),
    lambda m: (-(m.peak_w - m.hold_w) * m.peak_min, -m.peak_w),
    lambda m: (m.peak_min, m.peak_w),
    lambda m: (-len(m.places), -m.peak_w),
)


def _greedy(
    limits: Mapping[str, float],
    running: Mapping[str, float],
    machines: Sequence[StartMachine],
    order: Sequence[StartMachine],
) -> dict[str, float]:
    """Whenever a heat-up ends, start what fits, in the order given, if the rest can still be started after it."""
    room = _Room(limits, running)
    waiting = list(order)
    ends: list[tuple[float, StartMachine]] = []
    starts: dict[str, float] = {}
    held = _held(limits, running, machines)
    critical = _cannot_wait(limits, held, machines)
    now = 0.0
    while waiting:
        skipped = []
        for m in waiting:
            if room.fits(m) and (not critical or _leaves_a_way(limits, held, machines, starts, m, critical)):
                room.take(m, m.peak_w)
                starts[m.name] = now
                ends.append((now + m.peak_min, m))
                critical.discard(m.name)
            else:
                skipped.append(m)
        waiting = skipped
        ends.sort(key=lambda item: item[0])
        if waiting:
            now = ends[0][0] if ends else math.inf
        while ends and ends[0][0] <= now:
            _, done = ends.pop(0)
            room.take(done, done.hold_w - done.peak_w)
        if now == math.inf:  # cannot be reached while `_leaves_a_way` is right
            raise AssertionError("no machine could be started")
    return starts


def _cannot_wait(
    limits: Mapping[str, float], held: Mapping[str, float], machines: Sequence[StartMachine]
) -> set[str]:
    """Machines that could not be the very last, so that starting others first may shut them out.

    `held` is what each place draws while everything holds.
    """
    return {m.name for m in machines if not all(_fits(held[p] - m.hold_w + m.peak_w, limits[p]) for p in m.places)}


def _leaves_a_way(
    limits: Mapping[str, float],
    held: Mapping[str, float],
    machines: Sequence[StartMachine],
    starts: Mapping[str, float],
    new: StartMachine,
    critical: set[str],
) -> bool:
    """Whether what cannot wait can still be started after `new`; all others can always be last."""
    if not critical - {new.name}:
        return True
    # Who has started holds, and who has not will: in the end every place draws the same, whatever the order.
    return not _peel(limits, dict(held), [m for m in machines if m.name not in starts and m is not new])


# Exact --------------------------------------------------------------------------------------------------------


class _Search:
    """Branch and bound over the order of starting; `best` is the last start of the best plan so far."""

    def __init__(
        self,
        limits: Mapping[str, float],
        running: Mapping[str, float],
        machines: Sequence[StartMachine],
        first: dict[str, float],
        node_limit: float,
    ) -> None:
        self.machines = sorted(machines, key=lambda m: (-m.peak_w * m.peak_min, m.name))
        self.room = _Room(limits, running)
        self.starts: dict[str, float] = {}
        self.found = first
        self.best = max(first.values(), default=0.0)
        self.nodes_left = node_limit
        self.seen: set[tuple[float, tuple[int, ...], tuple[tuple[float, int], ...]]] = set()

    def run(self) -> bool:
        """Search; says whether all of it was looked at."""
        self._place(0.0, [])
        return self.nodes_left > 0

    def _place(self, now: float, ends: list[tuple[float, int]]) -> None:
        """Start one more machine, at `now` or after; `ends` are heat-ups under way, by end."""
        waiting = [i for i, m in enumerate(self.machines) if m.name not in self.starts]
        if not waiting:
            if now < self.best:
                self.best, self.found = now, dict(self.starts)
            return
        state = (now, tuple(waiting), tuple(ends))
        if state in self.seen:  # the same machines started by another order
            return
        self.seen.add(state)
        tried = set()
        for i in waiting:
            self.nodes_left -= 1
            m = self.machines[i]
            kind = (m.places, m.peak_w, m.peak_min, m.hold_w)
            if self.best <= 0 or self.nodes_left <= 0:
                return
            if kind in tried:
                continue
            tried.add(kind)
            self._start(i, now, ends)

    def _start(self, i: int, now: float, ends: list[tuple[float, int]]) -> None:
        m = self.machines[i]
        released = 0
        while not self.room.fits(m) and released < len(ends):
            now = max(now, ends[released][0])
            self._release(ends[released][1], 1)
            released += 1
        # ends at the same minute are one event, but for rounding
        while released < len(ends) and ends[released][0] <= now:
            self._release(ends[released][1], 1)
            released += 1
        if self.room.fits(m) and now < self.best:
            self.room.take(m, m.peak_w)
            self.starts[m.name] = now
            self._place(now, sorted([*ends[released:], (now + m.peak_min, i)]))
            del self.starts[m.name]
            self.room.take(m, -m.peak_w)
        for _, done in ends[:released]:
            self._release(done, -1)

    def _release(self, i: int, sign: int) -> None:
        m = self.machines[i]
        self.room.take(m, sign * (m.hold_w - m.peak_w))


def profile_peak(
    running: Mapping[str, float],
    limits: Mapping[str, float],
    machines: Sequence[StartMachine],
    starts: Mapping[str, float],
) -> dict[str, float]:
    """Greatest draw at each place from now on, under these starts."""
    peak = {}
    for place in limits:
        events = [(0.0, running.get(place, 0.0))]
        for m in machines:
            if place in m.places:
                begin = starts[m.name]
                events += [(begin, m.peak_w), (begin + m.peak_min, m.hold_w - m.peak_w)]
        events.sort()
        top, position, drawn = -math.inf, 0, 0.0
        while position < len(events):
            now = events[position][0]
            while position < len(events) and events[position][0] <= now:
                drawn += events[position][1]
                position += 1
            top = max(top, drawn)
        peak[place] = top
    return peak


class _OddSearch:
    """All candidate minutes, for machines that hold more than their peak: a start or a rise waits for an end."""

    def __init__(
        self,
        limits: Mapping[str, float],
        running: Mapping[str, float],
        machines: Sequence[StartMachine],
        node_limit: float,
    ) -> None:
        self.limits, self.running, self.machines = limits, running, machines
        self.best = math.inf
        self.found: dict[str, float] | None = None
        self.nodes_left = node_limit
        self.seen: set[frozenset[tuple[str, float]]] = set()

    def run(self) -> bool:
        """Search; says whether all of it was looked at."""
        self._place({}, [])
        return self.nodes_left > 0

    def _place(self, starts: dict[str, float], placed: list[StartMachine]) -> None:
        if len(placed) == len(self.machines):
            last = max(starts.values(), default=0.0)
            if last < self.best:
                self.best, self.found = last, dict(starts)
            return
        ends = {starts[m.name] + m.peak_min for m in placed}
        for m in self.machines:
            if m.name in starts:
                continue
            times = {0.0} | ends | {end - m.peak_min for end in ends if end > m.peak_min}
            for now in sorted(times):
                self.nodes_left -= 1
                if now >= self.best or self.best <= 0 or self.nodes_left <= 0:
                    break
                tried = {**starts, m.name: now}
                key = frozenset(tried.items())
                if key in self.seen:
                    continue
                self.seen.add(key)
                peaks = profile_peak(self.running, self.limits, [*placed, m], tried)
                if all(_fits(peak, self.limits[place]) for place, peak in peaks.items()):
                    self._place(tried, [*placed, m])


# At a chosen risk ---------------------------------------------------------------------------------------------


Admits = Callable[[Sequence[StartMachine], Sequence[StartMachine], StartMachine], bool]


def plan_starts_by(admits: Admits, machines: Sequence[StartMachine]) -> tuple[dict[str, float], tuple[str, ...]]:
    """Whenever a heat-up ends, start what a rule admits: a good sequence, not a proven one.

    Args:
        admits: called with the machines heating, the machines holding, and one more that would start to heat;
            `chance.admits_at_risk` makes one from distributions of draw and a risk.
        machines: what to start, names all different; `peak_w` and `hold_w` only set the order.

    Returns:
        Minutes from now by name, and the names that the rule never admitted.
    """
    waiting = sorted(machines, key=lambda m: (-(m.peak_w - m.hold_w), -m.peak_min, m.name))
    heating: list[tuple[float, StartMachine]] = []
    holding: list[StartMachine] = []
    starts: dict[str, float] = {}
    now = 0.0
    while waiting:
        for m in list(waiting):
            if admits([other for _, other in heating], holding, m):
                starts[m.name] = now
                heating.append((now + m.peak_min, m))
                waiting.remove(m)
        if not heating:
            break
        now = min(end for end, _ in heating)
        holding += [m for end, m in heating if end <= now]
        heating = [(end, m) for end, m in heating if end > now]
    return starts, tuple(m.name for m in waiting)


# The answer -----------------------------------------------------------------------------------------------------


def plan_starts(
    limits: Mapping[str, float], running: Mapping[str, float], machines: Sequence[StartMachine]
) -> StartPlan:
    """Start all machines so that no place passes its limit, the last one as early as possible.

    Args:
        limits: W by place; every place of a machine must be here.
        running: W that runs already by place; a place left out has nothing running.
        machines: what to start, names all different.
    """
    # A heat-up of no length is never drawn: over [s, s) there is nothing.
    machines = [m if m.peak_min > 0 else replace(m, peak_w=m.hold_w) for m in machines]
    odd = any(m.hold_w > m.peak_w for m in machines)
    impossible = _too_much(limits, running, machines) if odd else impossibilities(limits, running, machines)
    if impossible:
        return StartPlan(None, 0.0, {}, tuple(impossible), exact=True)
    if odd:
        return _plan_odd(limits, running, machines)
    plans = [_greedy(limits, running, machines, sorted(machines, key=key)) for key in _orders_for(machines)]
    starts = min(plans, key=lambda plan: max(plan.values(), default=0.0))
    small = len(machines) <= EXACT_STARTS
    exact = max(starts.values(), default=0.0) <= 0
    if not exact and (small or len(machines) <= 24):
        search = _Search(limits, running, machines, starts, math.inf if small else NODE_LIMIT)
        exact = search.run()
        starts = search.found
    return _as_plan(limits, running, machines, starts, exact=exact)


def _orders_for(machines: Sequence[StartMachine]) -> tuple[Callable[[StartMachine], tuple[float, ...]], ...]:
    return _ORDERS if len(machines) <= 1000 else _ORDERS[:2]


def _as_plan(
    limits: Mapping[str, float],
    running: Mapping[str, float],
    machines: Sequence[StartMachine],
    starts: Mapping[str, float],
    *,
    exact: bool,
) -> StartPlan:
    ordered = {m.name: starts[m.name] for m in machines}
    peak = profile_peak(running, limits, machines, ordered)
    return StartPlan(ordered, max(ordered.values(), default=0.0), peak, (), exact)


def _plan_odd(limits: Mapping[str, float], running: Mapping[str, float], machines: Sequence[StartMachine]) -> StartPlan:
    search = _OddSearch(limits, running, machines, math.inf if len(machines) <= 6 else NODE_LIMIT)
    complete = search.run()
    if search.found is not None:
        return _as_plan(limits, running, machines, search.found, exact=complete)
    reasons = _stuck(limits, running, machines) or [
        Impossible(place, tuple(m.name for m in machines if place in m.places), "no order of starting was found")
        for place in limits
    ]
    return StartPlan(None, 0.0, {}, tuple(reasons), exact=complete)
