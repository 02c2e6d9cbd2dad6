"""Rollups in whole numbers: per bucket least, greatest and last value, area, time covered, count, gaps.

The area is that of the trapezoids between readings at most `GAP_S` apart, in units of the resolution times ten
seconds (1 Ws for watts); it is rounded along the running sum, so that the sum over the buckets of a block is off by
half a unit at most. A piece that crosses an edge is cut there. What the columns mean for people stands at
`words.series.Rollups`.
"""

from array import array
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, compress, repeat
from operator import add, gt, itemgetter, mul, ne, sub

from farmwatch.stores.embedded import coding, rollups_numpy
from farmwatch.stores.embedded.blocks import AREA, COUNT, COVERED, GAPS, HIGH, LAST, LOW, Column
from farmwatch.stores.embedded.coding import ABSENT, UNKNOWN
from farmwatch.words.series import GAP_S, LEVELS, Ints

GAP_MS = round(GAP_S * 1000)
WIDTHS_MS = {name: round(width_s * 1000) for name, width_s in LEVELS.items()}
PERIODS_MS = {"1min": 86_400_000, "15min": 8 * 86_400_000, "1d": 256 * 86_400_000}
"""How much of a level stands in one page of the file."""
KINDS = (LOW, HIGH, LAST, AREA, COVERED, COUNT, GAPS)
TOGETHER: Mapping[int, Callable[[Ints], int]] = {
    LOW: min, HIGH: max, LAST: itemgetter(-1), AREA: sum, COVERED: sum, COUNT: sum, GAPS: max,
}  # fmt: skip
"""How the buckets of a finer level make one of a coarser."""
FINEST_MS = min(WIDTHS_MS.values())
FILL = dict(zip(KINDS, (ABSENT, ABSENT, ABSENT, 0, 0, 0, 0), strict=True))
AREA_UNIT = 20_000
"""A stored unit in units of twice the area, in resolutions and milliseconds."""
AREA_S = 10.0
"""The same in resolutions and seconds."""

Before = tuple[int, int]
"""Time and scaled value of the reading before the first one."""


@dataclass(slots=True)
class Page:
    """Buckets of one source at one level: where they begin, in ms, and a column a series and kind."""

    starts: Ints = field(default_factory=lambda: array("q"))
    columns: dict[Column, Ints] = field(default_factory=dict)

    def part(self, begin: int, end: int) -> "Page":
        """Rows of a slice."""
        return Page(self.starts[begin:end], {key: column[begin:end] for key, column in self.columns.items()})

    def join(self, other: "Page") -> None:
        """Put later buckets after these."""
        before, after = len(self.starts), len(other.starts)
        self.starts.extend(other.starts)
        for key in self.columns.keys() | other.columns.keys():
            fill = FILL[key[1]]
            mine = self.columns.setdefault(key, array("q", repeat(fill, before)))
            mine.extend(other.columns.get(key) or array("q", repeat(fill, after)))


def typical_ms(steps: Sequence[int]) -> int:
    """The usual distance of two readings: the median of up to some 200 of them."""
    sample = sorted(steps[:: max(1, len(steps) // 200)])
    return sample[len(sample) // 2] if sample else 0


def gap_limit_ms(steps: Sequence[int]) -> int:
    """Readings further apart than this leave a visible gap: three usual distances, at least `GAP_S`."""
    return max(GAP_MS, 3 * typical_ms(steps))


class Line:
    """One series' readings as a line: running sums of area, time covered and gaps up to each reading."""

    def __init__(self, times: Ints, values: Ints, before: Before | None = None) -> None:
        if min(values, default=0) <= ABSENT and ABSENT in values:
            there = [value != ABSENT for value in values]
            times, values = array("q", compress(times, there)), array("q", compress(values, there))
        self.lead = int(before is not None and bool(times))
        if before is not None and times:
            times, values = array("q", (before[0], *times)), array("q", (before[1], *values))
        self.times, self.values = times, values
        steps = coding.differences(times)
        self.broken = min(values, default=0) == UNKNOWN
        if not self.broken and max(steps, default=0) <= GAP_MS:  # nothing is missing: the usual case
            self.joined: Sequence[int] = ()
            self.area: Sequence[int] = coding.running_areas(values, steps)
            first = times[0] if times else 0
            self.covered: Sequence[int] = array("q", map(sub, times, repeat(first)))
            self.gaps: Sequence[int] = ()
            return
        self.joined = [*map(gt, repeat(GAP_MS + 1), steps)]
        seen = [*map(gt, repeat(gap_limit_ms(steps) + 1), steps)]
        if self.broken:
            known = [*map(ne, values, repeat(UNKNOWN))]
            both = [*map(mul, known, known[1:])]
            self.joined, seen = [*map(mul, self.joined, both)], [*map(mul, seen, both)]
        areas = map(mul, map(mul, map(add, values[1:], values), steps), self.joined)
        self.area = [*accumulate(areas, initial=0)]
        self.covered = [*accumulate(map(mul, steps, self.joined), initial=0)]
        self.gaps = [*accumulate(map(sub, repeat(1), seen), initial=0)]

    def _until(self, edge_ms: int, point: int) -> tuple[int, int]:
        """(rounded area, time covered) up to an edge; `point` is the first reading at or after it."""
        times, values = self.times, self.values
        if point == 0:
            return 0, 0
        area, covered = self.area[point - 1], self.covered[point - 1]
        if point < len(times) and (not self.joined or self.joined[point - 1]):
            part, step = edge_ms - times[point - 1], times[point] - times[point - 1]
            rise = values[point] - values[point - 1]
            area += 2 * values[point - 1] * part + rise * part * part // step
            covered += part
        return (area + AREA_UNIT // 2) // AREA_UNIT, covered

    def buckets(self, width_ms: int) -> tuple[Ints, dict[int, Ints]]:
        """(where buckets begin, columns by kind) at a level."""
        starts: Ints = array("q")
        found: dict[int, Ints] = {kind: array("q") for kind in KINDS}
        times, values = self.times, self.values
        begin, area, covered = 0, 0, 0
        while begin < len(times):
            start = times[begin] - times[begin] % width_ms
            end = bisect_left(times, start + width_ms, begin)
            area_end, covered_end = self._until(start + width_ms, end)
            first = max(begin, self.lead)
            part = values[first:end]
            if self.broken and UNKNOWN in part:
                part = array("q", (value for value in part if value != UNKNOWN))
            row = (min(part), max(part), part[-1]) if part else (ABSENT, ABSENT, ABSENT)
            gaps = self.gaps[end - 1] > self.gaps[max(first - 1, 0)] if self.gaps and end > first else False
            more = (area_end - area, covered_end - covered, len(part), int(gaps))
            if first < end or any(more):
                starts.append(start)
                for kind, value in zip(KINDS, (*row, *more), strict=True):
                    found[kind].append(value)
            begin, area, covered = end, area_end, covered_end
        return starts, found


def roll_up(times: Ints, columns: Mapping[int, Ints], before: Mapping[int, Before]) -> dict[str, Page]:
    """A page a level of settled rows; `before` holds the reading before the first one of each series.

    The readings are gone through once: a coarser level is made of the finer one. That gives the same numbers, since
    buckets nest, no joined piece is longer than the finest bucket, and areas are differences of one rounded sum.
    """
    pages = {level: Page() for level in WIDTHS_MS}
    for series, column in columns.items():
        starts, found = _finest(times, column, before.get(series))
        for number, (level, width_ms) in enumerate(WIDTHS_MS.items()):
            if number:
                starts, found = _coarser(starts, found, width_ms)
            more = Page(starts, {(series, kind): part for kind, part in found.items()})
            pages[level] = combine(pages[level], more)
    return pages


def _finest(times: Ints, values: Ints, before: Before | None) -> tuple[Ints, dict[int, Ints]]:
    """The buckets of the finest level, by numpy where it is in use and the numbers are plain ones."""
    np = coding.numpy_in_use()
    if np is not None and len(times):
        at, of = coding.wide(times), coding.wide(values)
        there = of != ABSENT
        if not there.all():
            at, of = at[there], of[there]
        if before is not None and len(of):
            at, of = np.concatenate(([before[0]], at)), np.concatenate(([before[1]], of))
        known = of != UNKNOWN
        if len(of) and np.abs(of[known]).max(initial=0) < rollups_numpy.LARGEST:
            line = rollups_numpy.FastLine(
                np, at, of, known, lead=before is not None, limit=gap_limit_ms, unit=AREA_UNIT
            )  # fmt: skip
            starts, columns = line.buckets(FINEST_MS)
            return starts, dict(zip(KINDS, columns, strict=True))
    return Line(times, values, before).buckets(FINEST_MS)


def _coarser(starts: Ints, found: Mapping[int, Ints], width_ms: int) -> tuple[Ints, dict[int, Ints]]:
    """Buckets of a greater width made of those of a smaller one that divides it."""
    wider: Ints = array("q")
    columns: dict[int, Ints] = {kind: array("q") for kind in KINDS}
    begin = 0
    while begin < len(starts):
        start = starts[begin] - starts[begin] % width_ms
        end = bisect_left(starts, start + width_ms, begin)
        wider.append(start)
        for kind, column in columns.items():
            part = found[kind][begin:end]
            if kind in (LOW, HIGH, LAST) and ABSENT in part:
                part = array("q", (value for value in part if value != ABSENT)) or array("q", (ABSENT,))
            column.append(TOGETHER[kind](part))
        begin = end
    return wider, columns


def combine(page: Page, more: Page) -> Page:
    """Both together, bucket by bucket: `more` is the later one where both have readings of one series."""
    if not page.starts:
        return more
    if not more.starts:
        return page
    if page.starts == more.starts and not page.columns.keys() & more.columns.keys():
        return Page(page.starts, page.columns | more.columns)
    begin = bisect_left(page.starts, more.starts[0])
    found = page.part(0, begin)
    rest = page.part(begin, len(page.starts))
    if not rest.starts:
        found.join(more)
        return found
    starts = array("q", sorted({*rest.starts, *more.starts}))
    both = Page(starts)
    for key in rest.columns.keys() | more.columns.keys():
        mine, theirs = _spread(rest, key, starts), _spread(more, key, starts)
        both.columns[key] = array("q", map(_pair(key[1]), mine, theirs))
    found.join(both)
    return found


def _spread(page: Page, key: Column, starts: Ints) -> list[int]:
    column = page.columns.get(key)
    there = {} if column is None else dict(zip(page.starts, column, strict=True))
    fill = FILL[key[1]]
    return [there.get(start, fill) for start in starts]


def _pair(kind: int):  # type: ignore[no-untyped-def]  # noqa: ANN202  (one of the functions below)
    return {LOW: _low, HIGH: _high, LAST: _later, GAPS: max}.get(kind, add)


def _low(one: int, other: int) -> int:
    return min(one, other) if ABSENT not in (one, other) else max(one, other)


def _high(one: int, other: int) -> int:
    return max(one, other)


def _later(one: int, other: int) -> int:
    return one if other == ABSENT else other


def within(page: Page, start_ms: int, end_ms: int) -> Page:
    """The buckets that begin in a range."""
    return page.part(bisect_left(page.starts, start_ms), bisect_left(page.starts, end_ms))


def without(page: Page, start_ms: int, end_ms: int) -> Page:
    """The page without the buckets that begin in a range."""
    begin, end = bisect_left(page.starts, start_ms), bisect_left(page.starts, end_ms)
    found = page.part(0, begin)
    found.join(page.part(end, len(page.starts)))
    return found


def by_period(page: Page, level: str) -> list[tuple[int, Page]]:
    """(period, page) of the file's pages that the buckets belong to."""
    length = PERIODS_MS[level]
    found = []
    begin = 0
    while begin < len(page.starts):
        period = page.starts[begin] // length
        end = bisect_left(page.starts, (period + 1) * length, begin)
        found.append((period, page.part(begin, end)))
        begin = end
    return found
