"""Readings and buckets as columns, put together from pieces, and thinned for a chart.

First, least, greatest and last of each column of pixels: M4 (Jugel, Jerzak, Hackenbroich, Markl: PVLDB 7(10), 2014,
797-808); a line chart that wide comes out the same. Where something was unknown or missing, a row of NaN says so.
"""

import math
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import compress, count, pairwise
from operator import gt, itemgetter, sub

from farmwatch.stores.embedded.rollups import gap_limit_ms
from farmwatch.words.series import Columns, Floats, Ints, Rollups

MOST_PIECES = 4
"""So many gaps within a column of pixels are drawn one by one."""


@dataclass(slots=True)
class Piece:
    """Readings of one block or of memory: times in ms, values, and whether some of these are NaN."""

    times: Ints
    values: Floats
    holes: bool

    def within(self, start_ms: int, end_ms: int) -> "Piece":
        """The readings of a range, both ends included."""
        begin, end = bisect_left(self.times, start_ms), bisect_right(self.times, end_ms)
        if begin == 0 and end == len(self.times):
            return self
        return Piece(self.times[begin:end], self.values[begin:end], self.holes)


def joined(pieces: Sequence[Piece]) -> Piece:
    """All in order of time; of two readings of one moment the later piece's stands; unknown is said once."""
    pieces = [piece for piece in pieces if piece.times]
    found = Piece(array("q"), array("d"), any(piece.holes for piece in pieces))
    in_order = sorted(pieces, key=lambda piece: piece.times[0])
    if all(one.times[-1] < other.times[0] for one, other in pairwise(in_order)):
        for piece in in_order:
            found.times.extend(piece.times)
            found.values.extend(piece.values)
    else:
        rows: dict[int, float] = {}
        for piece in pieces:
            rows.update(zip(piece.times, piece.values, strict=True))
        for at_ms, value in sorted(rows.items(), key=itemgetter(0)):
            found.times.append(at_ms)
            found.values.append(value)
    if found.holes:
        _collapse(found)
    return found


def _collapse(piece: Piece) -> None:
    unknown = [*map(math.isnan, piece.values)]
    keep = [True, *(not (before and now) for before, now in pairwise(unknown))]
    if not all(keep):
        piece.times = array("q", compress(piece.times, keep))
        piece.values = array("d", compress(piece.values, keep))


def columns(piece: Piece) -> Columns:
    """As the port wants it."""
    return Columns(_seconds(piece.times), piece.values)


def _seconds(times: Ints) -> Floats:
    return array("d", (at_ms / 1000 for at_ms in times))


def thinned(piece: Piece, start_ms: int, end_ms: int, points: int) -> Columns:
    """At most about `points` rows; gaps that no reading marks get a row of NaN a millisecond after the last reading."""
    times, values = piece.times, piece.values
    holes = [n for n, value in enumerate(values) if math.isnan(value)] if piece.holes else []
    steps = array("q", map(sub, times[1:], times))
    limit = gap_limit_ms(steps)
    gaps = [*compress(count(), map(gt, steps, (limit for _ in steps)))] if steps and max(steps) > limit else []
    if len(times) + len(gaps) <= points:
        chosen, marked = [*range(len(times))], gaps
    else:
        chosen, marked = _choose(times, values, holes, gaps, (start_ms, end_ms, max(1, points // 4)))
    rows = [(times[n], values[n]) for n in chosen]
    rows += [(times[n] + 1, math.nan) for n in marked if not math.isnan(values[n])]
    rows.sort(key=itemgetter(0))
    return Columns(array("d", (t / 1000 for t, _ in rows)), array("d", (v for _, v in rows)))


def _choose(
    times: Ints, values: Floats, holes: list[int], gaps: list[int], span: tuple[int, int, int]
) -> tuple[list[int], list[int]]:
    """Rows to show, and rows after which a gap begins."""
    start_ms, end_ms, spans = span
    chosen: set[int] = set()
    marked: list[int] = []
    width = max(1, end_ms - start_ms + 1)
    begin = 0
    for number in range(spans):
        end = len(times) if number == spans - 1 else bisect_left(
            times, start_ms + -(-width * (number + 1) // spans), begin
        )  # fmt: skip
        if begin == end:
            continue
        found = holes[bisect_left(holes, begin) : bisect_left(holes, end)]
        after = gaps[bisect_left(gaps, begin) : bisect_left(gaps, end)]
        chosen.update((begin, end - 1))
        for first, last in _pieces(begin, end, found, after):
            chosen.update(_four(values, first, last))
        chosen.update(found[:MOST_PIECES], after[:MOST_PIECES])
        marked += after[:MOST_PIECES]
        if after[MOST_PIECES:] and after[-1] == end - 1:  # what leads out of the column is never drawn over
            marked.append(end - 1)
        begin = end
    return sorted(chosen), marked


def _pieces(begin: int, end: int, holes: list[int], gaps: list[int]) -> list[tuple[int, int]]:
    """A column's rows cut at what is unknown and what is missing; very many pieces are drawn as one."""
    cuts = sorted([*((n, n + 1) for n in holes), *((n + 1, n + 1) for n in gaps)])[:MOST_PIECES]
    edges = [begin, *(edge for cut in cuts for edge in cut), end]
    return [(first, last) for first, last in zip(edges[::2], edges[1::2], strict=True) if first < last]


def _four(values: Floats, begin: int, end: int) -> set[int]:
    """First, least, greatest and last of some rows."""
    part = values[begin:end]
    known: Sequence[float] = part
    if any(map(math.isnan, part)):
        known = [value for value in part if not math.isnan(value)]
    if not known:
        return set()
    return {begin, end - 1, begin + part.index(min(known)), begin + part.index(max(known))}


# ---- buckets -----------------------------------------------------------------------------------------------------

NAMES = ("low", "high", "last", "area", "covered", "count", "gaps")


@dataclass(slots=True)
class Buckets:
    """Buckets of one page or of memory: where they begin in ms; values in units; area in units times seconds."""

    starts: Ints = field(default_factory=lambda: array("q"))
    low: Floats = field(default_factory=lambda: array("d"))
    high: Floats = field(default_factory=lambda: array("d"))
    last: Floats = field(default_factory=lambda: array("d"))
    area: Floats = field(default_factory=lambda: array("d"))
    covered: Ints = field(default_factory=lambda: array("q"))  # ms
    count: Ints = field(default_factory=lambda: array("q"))
    gaps: Ints = field(default_factory=lambda: array("q"))

    def extend(self, other: "Buckets", begin: int = 0, end: int | None = None) -> None:
        """Put later buckets after these."""
        self.starts.extend(other.starts[begin:end])
        for name in NAMES:
            getattr(self, name).extend(getattr(other, name)[begin:end])

    def merge(self, at: int, other: "Buckets", index: int) -> None:
        """Take another's bucket of the same time into one of these."""
        for name, better in (("low", min), ("high", max)):
            mine, theirs = getattr(self, name), getattr(other, name)[index]
            mine[at] = theirs if math.isnan(mine[at]) else mine[at] if math.isnan(theirs) else better(mine[at], theirs)
        if not math.isnan(other.last[index]):
            self.last[at] = other.last[index]
        self.area[at] += other.area[index]
        self.covered[at] += other.covered[index]
        self.count[at] += other.count[index]
        self.gaps[at] |= other.gaps[index]


def gathered(pieces: Sequence[Buckets]) -> Buckets:
    """All in order of time, buckets of one time made one."""
    found = Buckets()
    in_order = sorted((piece for piece in pieces if piece.starts), key=lambda piece: piece.starts[0])
    for piece in in_order:
        begin = 0
        if found.starts and piece.starts[0] <= found.starts[-1]:
            if piece.starts[0] < found.starts[-1]:
                return _interleaved(in_order)
            found.merge(len(found.starts) - 1, piece, 0)
            begin = 1
        found.extend(piece, begin)
    return found


def outside(buckets: Buckets, spans: Sequence[tuple[int, int]]) -> Buckets:
    """Without those that begin in one of some spans (start, end), which are in order and apart."""
    if not spans:
        return buckets
    found = Buckets()
    begin = 0
    for start_ms, end_ms in spans:
        found.extend(buckets, begin, bisect_left(buckets.starts, start_ms))
        begin = bisect_left(buckets.starts, end_ms)
    found.extend(buckets, begin)
    return found


def inside(buckets: Buckets, start_ms: int, end_ms: int) -> Buckets:
    """Those that begin in a span."""
    found = Buckets()
    found.extend(buckets, bisect_left(buckets.starts, start_ms), bisect_left(buckets.starts, end_ms))
    return found


def _interleaved(pieces: Sequence[Buckets]) -> Buckets:
    rows = sorted((start, number, n) for number, piece in enumerate(pieces) for n, start in enumerate(piece.starts))
    found = Buckets()
    for start, number, n in rows:
        if found.starts and found.starts[-1] == start:
            found.merge(len(found.starts) - 1, pieces[number], n)
        else:
            found.extend(pieces[number], n, n + 1)
    return found


def rollups(buckets: Buckets, *, watts: bool) -> Rollups:
    """As the port wants it."""
    covered_s = array("d", (covered / 1000 for covered in buckets.covered))
    mean = array("d", (area / covered if covered else last
                       for area, covered, last in zip(buckets.area, covered_s, buckets.last, strict=True)))  # fmt: skip
    energy = array("d", (area / 3600 if watts else math.nan for area in buckets.area))
    return Rollups(
        _seconds(buckets.starts), buckets.low, buckets.high, mean, buckets.last, buckets.count, energy, covered_s,
        buckets.gaps,
    )  # fmt: skip


def outline(buckets: Buckets, width_ms: int, span: tuple[int, int], points: int) -> Columns:
    """Least, greatest and last of each column of pixels, with the time to the bucket, and a row of NaN for gaps."""
    start_ms, end_ms = span
    spans = max(1, points // 4)
    width = max(1, end_ms - start_ms + 1)
    starts = buckets.starts
    rows: list[tuple[int, float]] = []
    begin = 0
    for number in range(spans):
        end = len(starts) if number == spans - 1 else bisect_left(
            starts, start_ms + width * (number + 1) // spans, begin
        )  # fmt: skip
        if begin == end:
            continue
        rows += _pixel(buckets, begin, end, width_ms)
        begin = end
    rows = [(min(max(t, start_ms), end_ms), v) for t, v in rows]
    kept = dict(sorted(rows, key=itemgetter(0)))
    return Columns(_seconds(array("q", kept)), array("d", kept.values()), width_ms / 1000)


def _pixel(buckets: Buckets, begin: int, end: int, width_ms: int) -> list[tuple[int, float]]:
    starts = buckets.starts
    rows: list[tuple[int, float]] = []
    low, high = buckets.low[begin:end], buckets.high[begin:end]
    after = min(end, len(starts) - 1)
    whole = starts[after] - starts[begin] == (after - begin) * width_ms
    if whole and 0 not in buckets.count[begin:end] and not any(buckets.gaps[begin:end]):  # the usual case
        return [
            (starts[begin + low.index(least := min(low))], least),
            (starts[begin + high.index(most := max(high))] + width_ms // 2, most),
            (starts[end - 1] + width_ms - 1, buckets.last[end - 1]),
        ]
    gap = next((n for n in range(begin, end) if buckets.gaps[n] or not buckets.count[n]), None)
    missing = next((n for n in range(begin, end) if n + 1 < len(starts) and starts[n + 1] - starts[n] > width_ms), None)
    if gap is not None:
        rows.append((starts[gap] + (width_ms // 4 if buckets.count[gap] else 0), math.nan))
    if missing is not None:
        rows.append((starts[missing] + width_ms, math.nan))
    known = [n for n in range(begin, end) if buckets.count[n]]
    if known:
        least = min(v for v in low if not math.isnan(v))
        most = max(v for v in high if not math.isnan(v))
        rows.append((starts[begin + low.index(least)], least))
        rows.append((starts[begin + high.index(most)] + width_ms // 2, most))
        rows.append((starts[known[-1]] + width_ms - 1, buckets.last[known[-1]]))
    return rows
