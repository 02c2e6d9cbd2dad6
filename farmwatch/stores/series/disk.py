"""The file of the series: a table a day, one row a series and batch, two connections."""

import logging
import sqlite3
import threading
from array import array
from datetime import UTC, datetime
from itertools import pairwise
from operator import itemgetter
from pathlib import Path

from farmwatch.sqlitefile import connect, connect_read_only, is_damage, set_aside, store_error
from farmwatch.stores.series.coding import UNKNOWN, Ints, decode, encode
from farmwatch.words.errors import StoreError
from farmwatch.words.quantities import QUANTITIES

FORMAT = 1
SCHEMA = """
CREATE TABLE series (
    id INTEGER PRIMARY KEY, subject TEXT NOT NULL, quantity TEXT NOT NULL, resolution REAL NOT NULL,
    UNIQUE (subject, quantity, resolution)
);
"""
ROW = "series INTEGER, first_ms INTEGER, times BLOB, base INTEGER, vals BLOB, gaps BLOB"

Batch = list[tuple[tuple[str, str], Ints, Ints]]
"""What one flush writes: (subject, quantity), times in ms, scaled values."""

log = logging.getLogger(__name__)


class SeriesFile:
    """The file; `write`, `prune` and `close` on the writing thread, `read` on the reading one."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notice = ""
        self._db: sqlite3.Connection | None = None
        self._reader: sqlite3.Connection | None = None
        self._ids: dict[tuple[str, str], int] = {}
        self._tables: set[str] = set()
        self._swap = threading.Lock()  # held while the file is read or set aside

    def _open(self) -> sqlite3.Connection:
        if self._db is not None:
            return self._db
        db = connect(self.path)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            # Synced once a batch: costs little at one a minute, and a power cut then loses no more than a kill.
            db.execute("PRAGMA synchronous = FULL")
            if self._format(db) == 0:
                db.executescript(f"BEGIN; {SCHEMA}; PRAGMA user_version = {FORMAT}; COMMIT;")
            self._tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE name GLOB 'day_*'")}
            self._ids = {}
            for number, subject, quantity, resolution in db.execute(
                "SELECT id, subject, quantity, resolution FROM series"
            ):
                if quantity in QUANTITIES and QUANTITIES[quantity].resolution == resolution:
                    self._ids[subject, quantity] = number
        except BaseException:
            db.close()
            raise
        self._db = db
        return db

    def _format(self, db: sqlite3.Connection) -> int:
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
        if version > FORMAT:
            raise StoreError(
                f"{self.path.name} was written by a newer Farmwatch (format {version}, this one knows {FORMAT})",
                hint="install that version again, or move the file away to start anew",
            )
        return version

    def write(self, batch: Batch) -> None:
        """One transaction; a damaged file is set aside and a new one begun."""
        for last in (False, True):
            try:
                self._write(self._open(), batch)
            except sqlite3.Error as error:
                if is_damage(error) and not last:
                    self._set_aside()
                    continue
                self._close_writer()  # which also rolls back
                raise store_error(self.path, "written", error) from error
            else:
                return

    def _write(self, db: sqlite3.Connection, batch: Batch) -> None:
        db.execute("BEGIN IMMEDIATE")
        new: dict[tuple[str, str], int] = {}
        days: dict[str, list[tuple[int | bytes | None, ...]]] = {}
        for key, times, values in batch:
            number = self._ids.get(key) or new.get(key)
            if number is None:
                number = new[key] = self._new_series(db, key)
            if any(after < before for before, after in pairwise(times)):
                late = sorted(zip(times, values, strict=True), key=itemgetter(0))
                times, values = array("q", [t for t, _ in late]), array("q", [v for _, v in late])
            for day, begin, end in _by_day(times):
                days.setdefault(day, []).append((number, *encode(times[begin:end], values[begin:end])))
        for day, rows in days.items():
            if day not in self._tables:
                db.execute(f"CREATE TABLE {day} ({ROW})")
            db.executemany(f"INSERT INTO {day} VALUES (?, ?, ?, ?, ?, ?)", rows)  # noqa: S608  (a name that we made)
        db.execute("COMMIT")
        self._ids.update(new)
        self._tables.update(days)

    @staticmethod
    def _new_series(db: sqlite3.Connection, key: tuple[str, str]) -> int:
        resolution = QUANTITIES[key[1]].resolution
        cursor = db.execute("INSERT INTO series (subject, quantity, resolution) VALUES (?, ?, ?)", (*key, resolution))
        return int(cursor.lastrowid or 0)

    def prune(self, keep_days: int) -> None:
        """Drop the oldest days beyond so many; counted, so that a wrong clock drops none. The file keeps its size."""
        try:
            for table in sorted(self._tables)[: max(0, len(self._tables) - keep_days)]:
                self._open().execute(f"DROP TABLE {table}")
                self._tables.discard(table)
        except sqlite3.Error as error:
            raise store_error(self.path, "pruned", error) from error

    def read(self, subject: str, quantity: str, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """(ms, scaled value) of a range; a damaged day is left out and noted, the others are read."""
        found: list[tuple[int, int]] = []
        with self._swap:
            try:
                db = self._open_reader()
                if db is None or not self._format(db):
                    return found
                now = QUANTITIES[quantity].resolution
                known = db.execute(
                    "SELECT id, resolution FROM series WHERE subject = ? AND quantity = ?", (subject, quantity)
                ).fetchall()
                names = db.execute(
                    "SELECT name FROM sqlite_master WHERE name BETWEEN ? AND ? ORDER BY name",
                    (_day_of(start_ms), _day_of(end_ms)),
                ).fetchall()
            except sqlite3.Error as error:
                self._close_reader()
                raise store_error(self.path, "read", error) from error
            for (day,) in names:
                for number, resolution in known:
                    try:
                        rows = _read_day(db, day, number, start_ms, end_ms)
                    except (sqlite3.Error, ValueError) as error:
                        self.notice = f"{self.path.name}: {day} can be read only in part"
                        log.error("series: %s: %s", self.notice, error)  # noqa: TRY400  (the words say it all)
                        continue
                    if resolution != now:  # the table of quantities has changed since
                        rows = [(t, v if v == UNKNOWN else round(v * resolution / now)) for t, v in rows]
                    found += rows
        return found

    def _open_reader(self) -> sqlite3.Connection | None:
        if self._reader is None and self.path.exists():
            self._reader = connect_read_only(self.path)
        return self._reader

    def _set_aside(self) -> None:
        with self._swap:
            self._close_reader()
            self._close_writer()
            try:
                kept = set_aside(self.path)
            except OSError as error:
                raise store_error(self.path, "set aside", error) from error
        self.notice = f"{self.path.name} was damaged and is kept as {kept.name}; a new one was begun"
        log.error("series: %s", self.notice)

    def _close_reader(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _close_writer(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None

    def close(self) -> None:
        """Close both connections; the last one folds the log into the file."""
        with self._swap:
            self._close_reader()
            self._close_writer()


def _by_day(times: Ints) -> list[tuple[str, int, int]]:
    """(table, begin, end) slices of readings that belong to one day each, in the order in which they came."""
    slices: list[tuple[str, int, int]] = []
    begin = 0
    day_ms = 86_400_000
    for index in range(1, len(times) + 1):
        if index == len(times) or times[index] // day_ms != times[begin] // day_ms:
            slices.append((_day_of(times[begin]), begin, index))
            begin = index
    return slices


def _read_day(db: sqlite3.Connection, day: str, number: int, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    sql = f"SELECT first_ms, times, base, vals, gaps FROM {day} WHERE series = ? AND first_ms <= ?"  # noqa: S608
    rows: list[tuple[int, int]] = []
    for row in db.execute(sql, (number, end_ms)):
        block = decode(*row)
        if block and (block[0][0] < start_ms or block[-1][0] > end_ms):
            block = [(t, v) for t, v in block if start_ms <= t <= end_ms]
        rows += block
    return rows


def _table(day: datetime) -> str:
    return f"day_{day:%Y%m%d}"


def _day_of(at_ms: int) -> str:
    return _table(datetime.fromtimestamp(at_ms / 1000, UTC))
