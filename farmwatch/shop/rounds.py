"""When to go to the machines: idle bed time expected over the finish distributions, visits chosen to lose least.

A bed that can be cleared earns nothing until somebody comes. With F(t) the expected number of beds that can be
cleared by t, and visits v1 < v2 < ... in the windows in which a person can go, the idle bed time up to the horizon H is

    integral of F from now to H  -  sum over the visits of F(v_j) * (v_{j+1} - v_j),    v_{last+1} = H:

a visit takes F(v_j) beds out of the idle ones, and the next visit takes those that came free since. What is loaded at a
visit is not part of the question: its own finish is not known yet. The choice is exact on whole minutes (and the
windows' own ends): a value function over the windows from the last to the first, its maximum over straight lines kept
as their upper envelope.
"""

import bisect
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

MINUTE_S = 60.0
FULL_POINTS = 200


class Bed(NamedTuple):
    """When one machine's bed can be cleared: distribution linear through p10, p50, p90, its ends prolonged to 0 and 1.

    Times in seconds of any one origin, cooling included. A bed that is free already has all three at that time.
    """

    name: str
    p10_s: float
    p50_s: float
    p90_s: float

    @property
    def from_s(self) -> float:
        """Before this it cannot be free."""
        return self.p10_s - (self.p50_s - self.p10_s) / 4

    @property
    def to_s(self) -> float:
        """By this it is free for certain."""
        return self.p90_s + (self.p90_s - self.p50_s) / 4

    def knots(self) -> tuple[tuple[float, float], ...]:
        """Corners of the distribution: time, share."""
        return (
            (self.from_s, 0.0), (self.p10_s, 0.1), (self.p50_s, 0.5), (self.p90_s, 0.9), (self.to_s, 1.0),
        )  # fmt: skip

    def chance_by(self, at_s: float) -> float:
        """The chance that it can be cleared at a time (a finish at that very moment counts)."""
        share = 0.0
        knots = self.knots()
        for (left_s, low), (right_s, high) in itertools.pairwise(knots):
            if at_s >= right_s:
                share = high
            elif at_s > left_s:
                return low + (high - low) * (at_s - left_s) / (right_s - left_s)
        return share

    def idle_s(self, from_s: float, to_s: float) -> float:
        """The integral of `chance_by`: idle time between two moments if nobody comes, expected, seconds."""
        return self._area(to_s) - self._area(from_s)

    def _area(self, at_s: float) -> float:
        knots = self.knots()
        area = 0.0
        for (left_s, low), (right_s, high) in itertools.pairwise(knots):
            if at_s <= left_s:
                return area
            end_s = min(at_s, right_s)
            if right_s > left_s:
                reached = low + (high - low) * (end_s - left_s) / (right_s - left_s)
                area += (low + reached) / 2 * (end_s - left_s)
        return area + max(at_s - self.to_s, 0.0)


class Window(NamedTuple):
    """A stretch of time in which a person can go, seconds."""

    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class RoundPlan:
    """Visits that lose least.

    `idle_s` is the expected idle bed time up to the horizon under these visits, `unvisited_s` the same if nobody comes;
    both are expectations over the distributions given and have no uncertainty beside theirs. `beds`: for each visit
    the names that can more likely than not be cleared at it and were not before.
    """

    visits_s: tuple[float, ...]
    idle_s: float
    unvisited_s: float
    beds: Mapping[float, tuple[str, ...]]
    curve: tuple[tuple[float, float], ...]


def free_at(beds: Sequence[Bed], at_s: float) -> float:
    """Expected number of beds that can be cleared at a time if nobody came before."""
    return math.fsum(bed.chance_by(at_s) for bed in beds)


def expected_idle_s(beds: Sequence[Bed], now_s: float, horizon_s: float, visits_s: Sequence[float]) -> float:
    """Expected idle bed time from now to the horizon under visits, seconds summed over the beds."""
    ends = [*visits_s[1:], horizon_s]
    saved = math.fsum(free_at(beds, at) * (end - at) for at, end in zip(visits_s, ends, strict=bool(visits_s)))
    return math.fsum(bed.idle_s(now_s, horizon_s) for bed in beds) - saved


def plan_rounds(
    beds: Sequence[Bed], now_s: float, horizon_s: float, windows: Sequence[Window], trip_cost_s: float = 0.0
) -> RoundPlan:
    """The visits, at most one a window, for which idle time plus `trip_cost_s` a visit is least.

    Args:
        beds: when each bed can be cleared.
        now_s: nothing before it counts.
        horizon_s: nothing after it counts.
        windows: apart from one another; what lies before now or after the horizon is cut off.
        trip_cost_s: what one visit is worth in idle bed time; a visit that gains no more is left out.

    Returns:
        The plan; among equal plans the one with the earlier visits. The curve moves the first visit over all windows up
        to the next visit of the plan, everything after it held.
    """
    open_windows = sorted(
        Window(max(w.from_s, now_s), min(w.to_s, horizon_s))
        for w in windows
        if w.to_s >= now_s and w.from_s <= horizon_s
    )
    visits = _best_visits(beds, horizon_s, open_windows, trip_cost_s)
    taken: set[str] = set()
    names: dict[float, tuple[str, ...]] = {}
    for at in visits:
        ready = tuple(b.name for b in beds if b.name not in taken and b.chance_by(at) >= 0.5)
        taken.update(ready)
        names[at] = ready
    return RoundPlan(
        visits,
        expected_idle_s(beds, now_s, horizon_s, visits),
        expected_idle_s(beds, now_s, horizon_s, ()),
        names,
        _curve(beds, now_s, horizon_s, open_windows, visits),
    )


def _minutes(window: Window) -> list[float]:
    """Whole minutes from the start of a window, and its end."""
    count = math.floor((window.to_s - window.from_s) / MINUTE_S + 1e-9)
    moments = [window.from_s + i * MINUTE_S for i in range(count + 1)]
    return moments if window.to_s - moments[-1] < 1e-6 else [*moments, window.to_s]


def _best_visits(
    beds: Sequence[Bed], horizon_s: float, windows: Sequence[Window], trip_cost_s: float
) -> tuple[float, ...]:
    envelope = _Envelope()
    envelope.add(horizon_s, 0.0)
    after: dict[float, float | None] = {}
    best_s, first = 0.0, None
    for window in reversed(windows):
        values = []
        for at in _minutes(window):
            free = free_at(beds, at)
            value, follows = envelope.best(free)
            after[at] = None if follows == horizon_s else follows
            values.append((at, value - free * at))
        for at, value in reversed(values):
            gain = value - trip_cost_s
            # a rounding error is no reason to go
            if gain > 1e-6 and gain >= best_s - 1e-6:
                best_s, first = max(gain, best_s), at
            envelope.add(at, gain)
    visits: list[float] = []
    at_or_none = first
    while at_or_none is not None:
        visits.append(at_or_none)
        at_or_none = after[at_or_none]
    return tuple(visits)


class _Envelope:
    """The upper envelope of lines `slope * x + offset`, slopes added in falling order, x at least 0."""

    def __init__(self) -> None:
        self._lines: list[tuple[float, float]] = []
        self._up_to: list[
            float
        ] = []  # where each line hands over to the one before it, rising x at the end of the list

    def add(self, slope: float, offset: float) -> None:
        lines, up_to = self._lines, self._up_to
        if lines and lines[-1][0] <= slope:
            return  # two windows meet: the same moment again
        while lines:
            last_slope, last_offset = lines[-1]
            crossing = (offset - last_offset) / (last_slope - slope)
            if len(lines) > 1 and crossing >= up_to[-1]:
                lines.pop()
                up_to.pop()
                continue
            if crossing <= 0:
                return  # nowhere better for any x above 0
            up_to.append(crossing)
            break
        lines.append((slope, offset))

    def best(self, x: float) -> tuple[float, float]:
        """The greatest value at x, and the slope of the line that has it."""
        # up_to falls along the list: line i+1 is best below up_to[i]
        index = bisect.bisect_left(self._up_to, -x, key=lambda value: -value)
        slope, offset = self._lines[index]
        return slope * x + offset, slope


def _curve(
    beds: Sequence[Bed], now_s: float, horizon_s: float, windows: Sequence[Window], visits: Sequence[float]
) -> tuple[tuple[float, float], ...]:
    rest = visits[1:]
    until = rest[0] if rest else horizon_s
    moments = sorted({at for w in windows if w.from_s < until for at in _minutes(w) if at < until or not rest})
    stride = max(1, math.ceil(len(moments) / FULL_POINTS))
    kept = sorted({*moments[::stride], *moments[-1:], *visits[:1]})
    return tuple((at, expected_idle_s(beds, now_s, horizon_s, (at, *rest))) for at in kept)


# Two visits a day -------------------------------------------------------------------------------------------


def two_visits_idle_h(lengths: Sequence[tuple[float, float]], gap_h: float) -> float:
    """Idle hours a machine loses a day with visits at 0 and `gap_h` of every day, when it is loaded at each visit.

    Build lengths are drawn independently; which of the two visits a machine is loaded at is a Markov chain, so the
    share of time in use is E[length] / E[time from loading to loading]. Exact.

    Args:
        lengths: build length in hours and its probability; the probabilities sum to 1.
        gap_h: hours between the first visit and the second, above 0 and below 24.

    >>> round(two_visits_idle_h([(4, 0.3), (10, 0.4), (16, 0.3)], 9), 4)
    11.3418
    """
    day_h = 24.0
    cycle_h, to_other = [0.0, 0.0], [0.0, 0.0]
    for at, gaps in enumerate(((gap_h, day_h - gap_h), (day_h - gap_h, gap_h))):
        for length, chance in lengths:
            days = math.floor((length - 1e-12) / day_h) if length > 0 else 0
            rest = length - days * day_h
            other = rest <= gaps[0] + 1e-12
            cycle_h[at] += chance * (days * day_h + (gaps[0] if other else day_h))
            to_other[at] += chance * other
    both = to_other[0] + to_other[1]
    share_first = to_other[1] / both if both else 1.0
    mean_cycle = share_first * cycle_h[0] + (1 - share_first) * cycle_h[1]
    return day_h * (1 - math.fsum(length * chance for length, chance in lengths) / mean_cycle)


def best_gap_h(lengths: Sequence[tuple[float, float]]) -> list[float]:
    """Hours between the two visits that lose least: all corners that share the least loss, rising.

    The loss is a step function of the gap that changes only where the gap or the rest of the day crosses a build
    length, so trying the lengths and their complements, and 12 h, is enough.
    """
    corners = {12.0}
    for length, _ in lengths:
        rest = math.fmod(length, 24.0)
        corners |= {rest, 24.0 - rest}
    tried = {gap: two_visits_idle_h(lengths, gap) for gap in corners if 0 < gap < 24}
    least = min(tried.values())
    return sorted(gap for gap, idle in tried.items() if idle <= least + 1e-9)
