"""Reading a range: blocks or rollups, and what is still in memory. Runs on threads, with connections of its own."""

import logging
import sqlite3
from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import compress, repeat
from operator import mul, or_
from pathlib import Path
from typing import Any

from farmwatch.sqlitefile import store_error
from farmwatch.stores.embedded.blocks import AREA, COUNT, COVERED, GAPS, HIGH, LAST, LOW, Block, Frame, settled
from farmwatch.stores.embedded.charts import (
    Buckets,
    Piece,
    columns,
    gathered,
    inside,
    joined,
    outline,
    outside,
    rollups,
    thinned,
)
from farmwatch.stores.embedded.coding import ABSENT, UNKNOWN, unscale
from farmwatch.stores.embedded.log import Key
from farmwatch.stores.embedded.rollups import AREA_S, GAP_MS, KINDS, PERIODS_MS, WIDTHS_MS, Before, Page, roll_up
from farmwatch.stores.embedded.schema import APART, IN_ORDER, epoch_of, open_reader
from farmwatch.stores.embedded.writing import DAY_MS, last_of, rescaled
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import Columns, Floats, Holding, Ints, Rollups

RAW_ROWS = 60_000
"""A chart of up to so many readings is made from the readings: a day at 2 s."""
MOST_BUCKETS = 40_000
"""A chart of more is made from the finest rollups with no more buckets than this: a year of quarter-hours."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Held:
    """Rows in memory that are of the log's epoch, or of a later one; those of an earlier one are in the file."""

    key: Key
    epoch: int
    frame: Frame


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Which rollups are asked for."""

    quantity: str
    level: str
    start_ms: int
    end_ms: int
    sums: bool = True  # areas and times covered too; a chart has no use for them

    def touched(self, late: Sequence[int]) -> list[tuple[int, int]]:
        """(start, end) of the buckets within the range that readings at these times change, in order and apart."""
        width = WIDTHS_MS[self.level]
        found: list[tuple[int, int]] = []
        for at_ms in sorted(late):
            start, end = (at_ms - GAP_MS) // width * width, ((at_ms + GAP_MS) // width + 1) * width
            if end <= self.start_ms or start > self.end_ms:
                continue
            if found and start <= found[-1][1]:
                found[-1] = found[-1][0], max(end, found[-1][1])
            else:
                found.append((start, end))
        return found


class Moved(Exception):
    """What memory held when it was asked has become blocks meanwhile."""


class Reader:
    """One reading: its connection, and what memory held when it was asked."""

    def __init__(self, path: Path, held: Sequence[Held], latest: int, damaged: Callable[[int], None]) -> None:
        self.path, self._damaged = path, damaged
        try:
            self.db = open_reader(path)
            epoch = 0 if self.db is None else epoch_of(self.db)
        except sqlite3.Error as error:
            raise store_error(path, "read", error) from error
        if epoch > latest:
            self.close()
            raise Moved
        self._held = [one for one in held if one.epoch >= epoch]

    def close(self) -> None:
        """End the read transaction."""
        if self.db is not None:
            self.db.close()

    # ---- the two questions ---------------------------------------------------------------------------------------

    def read(self, subject: str, quantity: str, start_ms: int, end_ms: int, points: int) -> Columns:
        """See `ports.SeriesStore.read`."""
        try:
            level = self._level(subject, quantity, start_ms, end_ms, points)
            if level:
                wanted = _Wanted(quantity, level, start_ms, end_ms, sums=False)
                buckets = gathered([*self._buckets(subject, wanted)])
                return outline(buckets, WIDTHS_MS[level], (start_ms, end_ms), points)
            piece = joined([p.within(start_ms, end_ms) for p in self._pieces(subject, quantity, start_ms, end_ms)])
        except sqlite3.Error as error:
            raise store_error(self.path, "read", error) from error
        return thinned(piece, start_ms, end_ms, points) if points > 0 else columns(piece)

    def rollups(self, subject: str, quantity: str, level: str, start_ms: int, end_ms: int) -> Rollups:
        """See `ports.SeriesStore.rollups`."""
        try:
            buckets = gathered([*self._buckets(subject, _Wanted(quantity, level, start_ms, end_ms - 1))])
        except sqlite3.Error as error:
            raise store_error(self.path, "read", error) from error
        begin, end = bisect_left(buckets.starts, start_ms), bisect_left(buckets.starts, end_ms)
        found = Buckets()
        found.extend(buckets, begin, end)
        return rollups(found, watts=QUANTITIES[quantity].unit == "W")

    def held(self) -> list[Holding]:
        """See `ports.SeriesStore.held`; the span of a series is that of its source."""
        spans: dict[Key, tuple[int, int]] = {}

        def take(key: Key, first: int, last: int) -> None:
            old = spans.get(key, (first, last))
            spans[key] = min(old[0], first), max(old[1], last)

        for subject, quantity, first, last in self._rows(
            "SELECT subject, quantity, min(first_ms), max(last_ms) FROM block JOIN source ON source.id = block.source"
            " JOIN series ON series.source = source.id WHERE state < 9 GROUP BY subject, quantity"
        ):
            take((subject, quantity), first, last)
        for subject, quantity, level, first, last in self._rows(
            "SELECT subject, quantity, level, min(period), max(period) FROM rollup JOIN source ON"
            " source.id = rollup.source JOIN series ON series.source = source.id GROUP BY subject, quantity, level"
        ):
            if (subject, quantity) not in spans:
                take((subject, quantity), first * PERIODS_MS[level], (last + 1) * PERIODS_MS[level])
        for one in self._held:
            for quantity in one.frame.columns if one.frame.times else ():
                take((one.key[0], quantity), min(one.frame.times), max(one.frame.times))
        return [Holding(*key, first / 1000, last / 1000) for key, (first, last) in sorted(spans.items())]

    # ---- readings ------------------------------------------------------------------------------------------------

    def _rows(self, sql: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        return [] if self.db is None else self.db.execute(sql, values).fetchall()

    def _series(self, subject: str, quantity: str) -> Iterator[tuple[int, dict[int, float]]]:
        """(source, resolutions by series) of all that speak of a quantity of a subject."""
        found: dict[int, dict[int, float]] = {}
        for source, series, resolution in self._rows(
            "SELECT source.id, series.id, resolution FROM source JOIN series ON series.source = source.id"
            " WHERE subject = ? AND quantity = ? ORDER BY source.id, series.id", (subject, quantity)
        ):  # fmt: skip
            found.setdefault(source, {})[series] = resolution
        yield from found.items()

    def _level(self, subject: str, quantity: str, start_ms: int, end_ms: int, points: int) -> str:
        """The level that a chart is made from, or nothing for the readings themselves."""
        if points <= 0:
            return ""
        rows = sum(len(one.frame) for one in self._held if one.key[0] == subject and quantity in one.frame.columns)
        gone: dict[str, int] = {}  # level: nothing older is kept
        first_ms = end_ms
        for source, resolutions in self._series(subject, quantity):
            found = self._rows(
                "SELECT sum(rows) FROM block WHERE source = ? AND state = 0 AND last_ms >= ? AND first_ms <= ?",
                (source, start_ms, end_ms),
            )
            rows += found[0][0] or 0
            oldest = self._rows("SELECT min(first_ms) FROM block WHERE source = ? AND state = 0", (source,))[0][0]
            first_ms = min(first_ms, end_ms if oldest is None else oldest)
            for series in resolutions:
                for level, before_ms in self._rows("SELECT level, before_ms FROM pruned WHERE series = ?", (series,)):
                    gone[level] = max(gone.get(level, 0), before_ms)
        if rows <= RAW_ROWS and gone.get("raw", 0) <= start_ms:
            return ""
        begin_ms = start_ms if "raw" in gone else max(start_ms, first_ms)
        wanted = [level for level, width in WIDTHS_MS.items() if (end_ms - begin_ms) // width <= MOST_BUCKETS] or ["1d"]
        return next((level for level in wanted if gone.get(level, 0) <= start_ms), "1d")

    def _pieces(self, subject: str, quantity: str, start_ms: int, end_ms: int) -> Iterator[Piece]:
        for source, resolutions in self._series(subject, quantity):
            for state in (IN_ORDER, APART):
                for block_id, data in self._blocks(source, state, start_ms, end_ms):
                    try:
                        yield from _block_pieces(Block(data), resolutions)
                    except ValueError as error:
                        self._bad(block_id, error)
        yield from self._memory(subject, quantity, start_ms, end_ms)

    def _blocks(self, source: int, state: int, start_ms: int, end_ms: int) -> Iterator[tuple[Any, ...]]:
        yield from self._rows(
            "SELECT id, data FROM block WHERE source = ? AND state = ? AND last_ms >= ? AND first_ms <= ?"
            " ORDER BY last_ms",
            (source, state, start_ms, end_ms),
        )

    def _bad(self, block_id: int, error: Exception) -> None:
        log.error("series: block %d of %s is damaged: %s", block_id, self.path.name, error)
        self._damaged(block_id)

    def _memory(self, subject: str, quantity: str, start_ms: int, end_ms: int) -> Iterator[Piece]:
        resolution = QUANTITIES[quantity].resolution
        for one in self._held:
            column = one.frame.columns.get(quantity)
            if one.key[0] != subject or column is None:
                continue
            rows = settled(Frame(one.frame.times, {quantity: column}))
            begin, end = bisect_left(rows.times, start_ms), bisect_left(rows.times, end_ms + 1)
            yield _piece(rows.times[begin:end], rows.columns[quantity][begin:end], resolution)

    # ---- rollups -------------------------------------------------------------------------------------------------

    def _buckets(self, subject: str, wanted: "_Wanted") -> Iterator[Buckets]:
        """Buckets of the file's pages and of memory; those that late readings fall into are made of the readings."""
        memory = self._together(subject, wanted.quantity)
        for source, resolutions in self._series(subject, wanted.quantity):
            key = subject, str(self._rows("SELECT source FROM source WHERE id = ?", (source,))[0][0])
            yield from self._of_source(key, source, resolutions, memory.pop(key, Frame()), wanted)
        for key, rows in memory.items():  # sources of which the file has nothing yet
            yield from self._of_memory(key, rows, wanted)

    def _of_source(
        self, key: Key, source: int, resolutions: dict[int, float], memory: Frame, wanted: "_Wanted"
    ) -> Iterator[Buckets]:
        length = PERIODS_MS[wanted.level]
        newest = self._rows("SELECT max(last_ms) FROM block WHERE source = ? AND state = 0", (source,))[0][0]
        cut = 0 if newest is None else bisect_left(memory.times, newest + 1)
        apart = self._numbers(source, APART, resolutions, wanted.start_ms - DAY_MS, wanted.end_ms + DAY_MS, wanted)
        spans = wanted.touched([*apart.times, *memory.times[:cut]])
        for (data,) in self._rows(
            "SELECT data FROM rollup WHERE source = ? AND level = ? AND period BETWEEN ? AND ? ORDER BY period",
            (source, wanted.level, wanted.start_ms // length, wanted.end_ms // length),
        ):
            try:
                for buckets in _page_buckets(Block(data), resolutions, sums=wanted.sums):
                    yield outside(buckets, spans)
            except ValueError as error:
                self._bad(0, error)
        for start_ms, end_ms in spans:
            rows = self._numbers(source, IN_ORDER, resolutions, start_ms - GAP_MS, end_ms + GAP_MS, wanted)
            rows.join(apart)
            rows.join(memory)
            rows = settled(rows)
            begin = max(0, bisect_left(rows.times, start_ms - GAP_MS) - 1)
            rows = rows.part(begin, bisect_left(rows.times, end_ms + GAP_MS))
            for buckets in self._of_memory(key, rows, wanted):
                yield inside(buckets, start_ms, end_ms)
        for buckets in self._of_memory(key, memory.part(cut, len(memory)), wanted):
            yield outside(buckets, spans)

    def _together(self, subject: str, quantity: str) -> dict[Key, Frame]:
        """The rows in memory that have a quantity of a subject, settled, by source."""
        found: dict[Key, Frame] = {}
        for one in self._held:
            column = one.frame.columns.get(quantity)
            if one.key[0] == subject and column is not None and one.frame.times:
                found.setdefault(one.key, Frame()).join(_present(one.frame.times, quantity, column))
        return {key: settled(frame) for key, frame in found.items()}

    def _numbers(
        self, source: int, state: int, resolutions: dict[int, float], start_ms: int, end_ms: int, wanted: "_Wanted"
    ) -> Frame:
        """Rows of the blocks that touch a range, at today's resolution; what is absent is left out."""
        found = Frame()
        for block_id, data in self._blocks(source, state, start_ms, end_ms):
            try:
                block = Block(data)
                for series, resolution in resolutions.items():
                    column = block.column(series)
                    if column is not None:
                        now = QUANTITIES[wanted.quantity].resolution
                        found.join(_present(block.times(), wanted.quantity, rescaled(column, resolution, now)))
            except ValueError as error:
                self._bad(block_id, error)
        return found

    def _of_memory(self, key: Key, rows: Frame, wanted: "_Wanted") -> Iterator[Buckets]:
        """Settled rows of today's resolution as buckets."""
        if rows.times:
            before = self._last(key, wanted.quantity, rows.times[0])
            column = rows.columns[wanted.quantity]
            page = roll_up(rows.times, {1: column}, {} if before is None else {1: before})[wanted.level]
            yield _of_page(page, 1, QUANTITIES[wanted.quantity].resolution)

    def _last(self, key: Key, quantity: str, before_ms: int) -> Before | None:
        """The reading of a series before what is in memory, at today's resolution."""
        rows = self._rows(
            "SELECT data, series.id FROM source JOIN series ON series.source = source.id JOIN block ON"
            " block.source = source.id WHERE subject = ? AND source.source = ? AND quantity = ? AND resolution = ? AND"
            " state = 0 AND last_ms < ? ORDER BY last_ms DESC LIMIT 1",
            (*key, quantity, QUANTITIES[quantity].resolution, before_ms),
        )
        if not rows:
            return None
        try:
            block = Block(rows[0][0])
            column = block.column(rows[0][1])
            return None if column is None else last_of(block.times(), {1: column}).get(1)
        except ValueError:
            return None


def _piece(times: Ints, numbers: Ints, resolution: float) -> Piece:
    """Readings in their unit; rows in which the quantity is absent are left out."""
    least = min(numbers, default=0)
    if least <= ABSENT and ABSENT in numbers:
        there = [value != ABSENT for value in numbers]
        times, numbers = array("q", compress(times, there)), array(numbers.typecode, compress(numbers, there))
    return Piece(times, unscale(numbers, resolution), least == UNKNOWN)


def _present(times: Ints, quantity: str, column: Ints) -> Frame:
    """A copy of the rows in which a quantity is not absent."""
    if ABSENT not in column:
        return Frame(times[:], {quantity: column[:]})
    there = [value != ABSENT for value in column]
    return Frame(array("q", compress(times, there)), {quantity: array(column.typecode, compress(column, there))})


def _block_pieces(block: Block, resolutions: dict[int, float]) -> Iterator[Piece]:
    for series, resolution in resolutions.items():
        numbers = block.column(series)
        if numbers is not None:
            yield _piece(block.times(), numbers, resolution)


def _page_buckets(block: Block, resolutions: dict[int, float], *, sums: bool) -> Iterator[Buckets]:
    kinds = [kind for kind in KINDS if sums or kind not in (AREA, COVERED)]
    for series, resolution in resolutions.items():
        if (series, COUNT) in block.columns:
            found = {(series, kind): block.column(series, kind) for kind in kinds}
            page = Page(block.times(), {key: column for key, column in found.items() if column is not None})
            yield _of_page(page, series, resolution)


def _of_page(page: Page, series: int, resolution: float) -> Buckets:
    """A page's buckets of one series in its unit; those without a row of it are left out."""
    starts = page.starts
    none = array("q", bytes(8 * len(starts)))
    found = {kind: page.columns.get((series, kind), none) for kind in KINDS}
    rows = list(map(or_, found[COUNT], found[GAPS]))
    if 0 in rows:
        starts = array("q", compress(starts, rows))
        found = {kind: array("q", compress(column, rows)) for kind, column in found.items()}
    low, high, last = (_with_holes(found[kind], resolution) for kind in (LOW, HIGH, LAST))
    area = (
        array("d", map(mul, found[AREA], repeat(resolution * AREA_S)))
        if any(found[AREA])
        else array("d", bytes(8 * len(starts)))
    )
    return Buckets(starts, low, high, last, area, found[COVERED], found[COUNT], found[GAPS])


def _with_holes(numbers: Ints, resolution: float) -> Floats:
    if ABSENT in numbers:
        numbers = array("q", (UNKNOWN if value == ABSENT else value for value in numbers))
    return unscale(numbers, resolution)
