"""What the one writer does inside a transaction: blocks and rollups in, late readings merged, old ones out."""

import logging
import sqlite3
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping

from farmwatch.stores.embedded.blocks import VALUES, Block, Frame, pack, settled
from farmwatch.stores.embedded.coding import ABSENT
from farmwatch.stores.embedded.log import Key
from farmwatch.stores.embedded.rollups import (
    GAP_MS,
    PERIODS_MS,
    WIDTHS_MS,
    Before,
    Page,
    by_period,
    combine,
    roll_up,
    within,
    without,
)
from farmwatch.stores.embedded.schema import APART, ASIDE, IN_ORDER
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import Ints

DAY_MS = 86_400_000
MAX_ROWS = 65_536
"""A day at 2 s is one block once it is over: long blocks compress better, and each wastes part of a page."""
MERGED_MS = DAY_MS
"""Late readings up to this old are merged at once, older ones kept apart until night."""

log = logging.getLogger(__name__)


class Writing:
    """One transaction's work on an open connection; the caller begins and commits.

    Attributes:
        aside: ids of blocks that were found damaged and set aside.
    """

    def __init__(self, db: sqlite3.Connection) -> None:
        self.db = db
        self.aside: list[int] = []

    # ---- in ------------------------------------------------------------------------------------------------------

    def put(self, key: Key, frame: Frame, *, merge_all: bool = False) -> None:
        """Rows of a source, in any order: new ones as blocks with their rollups, late ones merged or kept apart."""
        source = self.source(key)
        rows = settled(frame)
        newest = self._newest(source)
        cut = 0 if newest is None else bisect_right(rows.times, newest)
        late = rows.part(0, cut)
        if late.times:
            recent = 0 if merge_all else bisect_left(late.times, (newest or 0) - MERGED_MS)
            if recent:
                self._insert(source, late.part(0, recent), APART)
            self._merge(source, late.part(recent, len(late.times)))
        fresh = rows.part(cut, len(rows.times))
        for begin in range(0, len(fresh.times), MAX_ROWS):
            self._fresh(source, fresh.part(begin, begin + MAX_ROWS))

    def _fresh(self, source: int, rows: Frame) -> None:
        before = self._before(source, rows.times[0])
        columns = {self.series(source, name): column for name, column in rows.columns.items()}
        for level, page in roll_up(rows.times, columns, before).items():
            self._add(source, level, page)
        self._insert(source, rows, IN_ORDER)

    def _insert(self, source: int, rows: Frame, state: int) -> None:
        for begin in range(0, len(rows.times), MAX_ROWS):
            part = rows.part(begin, begin + MAX_ROWS)
            data = pack(part.times, {(self.series(source, n), VALUES): c for n, c in part.columns.items()})
            self.db.execute(
                "INSERT INTO block (source, first_ms, last_ms, rows, state, data) VALUES (?, ?, ?, ?, ?, ?)",
                (source, part.times[0], part.times[-1], len(part.times), state, data),
            )

    def _merge(self, source: int, late: Frame) -> None:
        """Late rows into the blocks that they fall into, day by day; the rollups there are made anew."""
        begin = 0
        while begin < len(late.times):
            day_end = (late.times[begin] // DAY_MS + 1) * DAY_MS
            end = bisect_left(late.times, day_end, begin)
            part = late.part(begin, end)
            first, last = part.times[0], part.times[-1]
            joined = Frame()
            for block_id, frame in self.frames(source, first, last):
                joined.join(frame)
                self.db.execute("DELETE FROM block WHERE id = ?", (block_id,))
            joined.join(part)
            self._insert(source, settled(joined), IN_ORDER)
            self._refresh(source, first - GAP_MS, last + GAP_MS)
            begin = end

    def merge_apart(self) -> int:
        """Merge what was kept apart; how many blocks that were."""
        found = self.db.execute("SELECT id, source FROM block WHERE state = ? ORDER BY id", (APART,)).fetchall()
        for block_id, source in found:
            frame = self.frame(block_id, source)
            if frame is not None:
                self.db.execute("DELETE FROM block WHERE id = ?", (block_id,))
                self._merge(source, frame)
        return len(found)

    def repack(self, since_day: int, *, today_too: bool = False) -> int:
        """The blocks of each source and whole day since one as a single block; returns the first day not done."""
        newest = self.db.execute("SELECT max(last_ms) FROM block WHERE state = ?", (IN_ORDER,)).fetchone()[0]
        today = (newest or 0) // DAY_MS
        rows = self.db.execute(
            "SELECT source, first_ms / 86400000 AS day, min(first_ms), max(first_ms) FROM block WHERE state = ? AND"
            " first_ms >= ? AND first_ms < ? GROUP BY source, day HAVING count(*) > 1 AND sum(rows) <= ?",
            (IN_ORDER, since_day * DAY_MS, (today + today_too) * DAY_MS, MAX_ROWS),
        ).fetchall()
        for source, _, first, last in rows:
            joined = Frame()
            for block_id, frame in self.frames(source, first, last):
                joined.join(frame)
                self.db.execute("DELETE FROM block WHERE id = ?", (block_id,))
            self._insert(source, joined, IN_ORDER)
        return int(today)

    # ---- rollups -------------------------------------------------------------------------------------------------

    def _add(self, source: int, level: str, page: Page) -> None:
        for period, part in by_period(page, level):
            self._store(source, level, period, combine(self.page(source, level, period), part))

    def _store(self, source: int, level: str, period: int, page: Page) -> None:
        where = (source, level, period)
        if not page.starts or not page.columns:
            self.db.execute("DELETE FROM rollup WHERE source = ? AND level = ? AND period = ?", where)
            return
        data = pack(page.starts, page.columns)
        self.db.execute(
            "INSERT INTO rollup (source, level, period, data) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (source, level, period) DO UPDATE SET data = excluded.data",
            (*where, data),
        )

    def page(self, source: int, level: str, period: int) -> Page:
        """A page of rollups; an empty one where there is none or it is damaged (it is made anew from the readings)."""
        row = self.db.execute(
            "SELECT data FROM rollup WHERE source = ? AND level = ? AND period = ?", (source, level, period)
        ).fetchone()
        if row is None:
            return Page()
        try:
            return unpack_page(Block(row[0]))
        except ValueError as error:
            log.error("series: rollups %s of source %d: %s", level, source, error)  # noqa: TRY400
            start = period * PERIODS_MS[level]
            end = start + PERIODS_MS[level]
            return within(self._from_readings(source, level, start, end + GAP_MS), start, end)

    def _refresh(self, source: int, first_ms: int, last_ms: int) -> None:
        """Make the buckets of a range anew from the readings."""
        for level, width in WIDTHS_MS.items():
            start, end = first_ms - first_ms % width, last_ms - last_ms % width + width
            fresh = within(self._from_readings(source, level, start, end + GAP_MS), start, end)
            length = PERIODS_MS[level]
            for period in range(start // length, (end - 1) // length + 1):
                part = without(self.page(source, level, period), start, end)
                for number, more in by_period(fresh, level):
                    if number == period:
                        part = _inserted(part, more)
                self._store(source, level, period, part)

    def _from_readings(self, source: int, level: str, start_ms: int, end_ms: int) -> Page:
        """Buckets of a range from the readings in order."""
        before = self._before(source, start_ms)
        page = Page()
        for _, frame in self.frames(source, start_ms, end_ms - 1):
            part = frame.part(bisect_left(frame.times, start_ms), bisect_left(frame.times, end_ms))
            if part.times:
                columns = {self.series(source, name): column for name, column in part.columns.items()}
                page = combine(page, roll_up(part.times, columns, before)[level])
                before |= last_of(part.times, columns)
        return page

    def _before(self, source: int, at_ms: int) -> dict[int, Before]:
        """The last reading of each series before a time, where it is near enough to be joined."""
        found: dict[int, Before] = {}
        for _, frame in self.frames(source, at_ms - 24 * 3_600_000, at_ms - 1, last_only=True):
            part = frame.part(0, bisect_left(frame.times, at_ms))
            found |= last_of(part.times, {self.series(source, name): c for name, c in part.columns.items()})
        return found

    # ---- out -----------------------------------------------------------------------------------------------------

    def prune(self, keep_days: Mapping[str, Mapping[str, int]]) -> int:
        """Take out what is older than is kept; returns how many blocks and pages went or were made smaller.

        `keep_days`: level ("raw" or one of `LEVELS`) to quantity ("" for all others) to days; 0 keeps for good. Days
        are counted as days with readings, so that a wrong clock takes nothing out.
        """
        changed = 0
        days = [
            day for (day,) in self.db.execute(
                "SELECT DISTINCT last_ms / 86400000 FROM block WHERE state = ? ORDER BY 1 DESC", (IN_ORDER,)
            )
        ]  # fmt: skip
        for level, rule in keep_days.items():
            cuts = {n: days[keep - 1] * DAY_MS for n, keep in rule.items() if 0 < keep <= len(days)}
            if not cuts:
                continue
            quantities = {number: (name, int(source)) for number, source, name in self.db.execute(
                "SELECT id, source, quantity FROM series")}  # fmt: skip
            cut_of = {number: cuts.get(name, cuts.get("", 0) if name not in rule else 0)
                      for number, (name, _) in quantities.items()}  # fmt: skip
            changed += self._prune_level(level, cut_of)
        return changed

    def _prune_level(self, level: str, cut_of: Mapping[int, int]) -> int:
        changed = 0
        latest = max(cut_of.values(), default=0)
        whole = PERIODS_MS.get(level, 1)
        self.db.executemany(
            "INSERT INTO pruned VALUES (?, ?, ?)"
            " ON CONFLICT DO UPDATE SET before_ms = max(before_ms, excluded.before_ms)",
            [(series, level, cut_ms - cut_ms % whole) for series, cut_ms in cut_of.items() if cut_ms],
        )
        if level == "raw":
            table, rows = "block", self.db.execute(
                "SELECT id, last_ms FROM block WHERE state <> ? AND last_ms < ?", (ASIDE, latest)
            ).fetchall()  # fmt: skip
        else:
            length = PERIODS_MS[level]
            table, rows = "rollup", self.db.execute(
                "SELECT id, (period + 1) * ? - 1 FROM rollup WHERE level = ? AND (period + 1) * ? <= ?",
                (length, level, length, latest),
            ).fetchall()  # fmt: skip
        for row_id, last_ms in rows:
            data = self.db.execute(f"SELECT data FROM {table} WHERE id = ?", (row_id,)).fetchone()[0]  # noqa: S608
            try:
                block = Block(data)
            except ValueError:
                continue  # a damaged block is kept for whoever looks at it
            kept = {key: block.column(*key) for key in block.columns if key[0] and cut_of.get(key[0], 0) <= last_ms}
            if len(kept) == len(block.columns) - 1:
                continue
            changed += 1
            if kept:
                packed = pack(block.times(), {key: column for key, column in kept.items() if column is not None})
                self.db.execute(f"UPDATE {table} SET data = ? WHERE id = ?", (packed, row_id))  # noqa: S608
            else:
                self.db.execute(f"DELETE FROM {table} WHERE id = ?", (row_id,))  # noqa: S608
        return changed

    # ---- names and blocks ----------------------------------------------------------------------------------------

    def source(self, key: Key) -> int:
        """The number of a source."""
        row = self.db.execute("SELECT id FROM source WHERE subject = ? AND source = ?", key).fetchone()
        if row is None:
            return int(self.db.execute("INSERT INTO source (subject, source) VALUES (?, ?)", key).lastrowid or 0)
        return int(row[0])

    def series(self, source: int, quantity: str) -> int:
        """The number of a series at the resolution that its quantity has now."""
        key = (source, quantity, QUANTITIES[quantity].resolution)
        row = self.db.execute(
            "SELECT id FROM series WHERE source = ? AND quantity = ? AND resolution = ?", key
        ).fetchone()
        if row is None:
            sql = "INSERT INTO series (source, quantity, resolution) VALUES (?, ?, ?)"
            return int(self.db.execute(sql, key).lastrowid or 0)
        return int(row[0])

    def _newest(self, source: int) -> int | None:
        row = self.db.execute(
            "SELECT max(last_ms) FROM block WHERE source = ? AND state = ?", (source, IN_ORDER)
        ).fetchone()
        return None if row[0] is None else int(row[0])

    def frames(
        self, source: int, first_ms: int, last_ms: int, *, last_only: bool = False
    ) -> Iterator[tuple[int, Frame]]:
        """(id, rows) of the blocks in order that touch a range; a damaged one is set aside."""
        rows = self.db.execute(
            "SELECT id FROM block WHERE source = ? AND state = ? AND last_ms >= ? AND first_ms <= ? ORDER BY last_ms",
            (source, IN_ORDER, first_ms, last_ms),
        ).fetchall()
        for (block_id,) in rows[-1:] if last_only else rows:
            frame = self.frame(block_id, source)
            if frame is not None:
                yield block_id, frame

    def frame(self, block_id: int, source: int) -> Frame | None:
        """A block's rows at today's resolutions; None if it is damaged, and then it is set aside."""
        data = self.db.execute("SELECT data FROM block WHERE id = ?", (block_id,)).fetchone()[0]
        names = {number: (name, resolution) for number, name, resolution in self.db.execute(
            "SELECT id, quantity, resolution FROM series WHERE source = ?", (source,))}  # fmt: skip
        try:
            block = Block(data)
            frame = Frame(block.times())
            for series, kind in block.columns:
                if kind == VALUES and series in names:
                    name, resolution = names[series]
                    column = block.column(series)
                    if column is not None and name in QUANTITIES:
                        frame.columns[name] = rescaled(column, resolution, QUANTITIES[name].resolution)
        except ValueError as error:
            log.error("series: block %d is damaged and set aside: %s", block_id, error)  # noqa: TRY400
            self.set_aside(block_id)
            return None
        return frame

    def set_aside(self, block_id: int) -> None:
        """Keep a damaged block, but never read it again."""
        self.db.execute("UPDATE block SET state = ? WHERE id = ?", (ASIDE, block_id))
        self.aside.append(block_id)


def unpack_page(block: Block) -> Page:
    """A page of rollups."""
    columns = {key: block.column(*key) for key in block.columns if key[0]}
    return Page(block.times(), {key: column for key, column in columns.items() if column is not None})


def last_of(times: Ints, columns: Mapping[int, Ints]) -> dict[int, Before]:
    """The last reading of each series."""
    found: dict[int, Before] = {}
    for series, column in columns.items():
        for index in range(len(column) - 1, -1, -1):
            if column[index] != ABSENT:
                found[series] = times[index], column[index]
                break
    return found


def _inserted(page: Page, more: Page) -> Page:
    """Buckets put in among others that do not share their times."""
    at = bisect_left(page.starts, more.starts[0])
    found = page.part(0, at)
    found.join(more)
    found.join(page.part(at, len(page.starts)))
    return found


def rescaled(column: Ints, then: float, now: float) -> Ints:
    """Numbers of one resolution at another."""
    if then == now:
        return column
    return array("q", (value if value <= ABSENT else round(value * then / now) for value in column))

