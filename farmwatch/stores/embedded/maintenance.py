"""Looking the file over: is every block what was written, and what is there. The daemon may run meanwhile."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from farmwatch.sqlitefile import looks_sound, store_error
from farmwatch.stores.embedded.blocks import ENTRY, HEAD, VALUES, Block
from farmwatch.stores.embedded.disk import Disk, KeepDays
from farmwatch.stores.embedded.log import PARTS, AppendLog
from farmwatch.stores.embedded.schema import ASIDE, epoch_of, open_reader
from farmwatch.words.errors import StoreError


@dataclass(slots=True)
class Looked:
    """What `check` has found: how much was looked at, and what is wrong, in words."""

    blocks: int = 0
    pages: int = 0
    rows: int = 0
    log_rows: int = 0
    aside: int = 0
    wrong: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Kept:
    """One series: where its readings are from when to when (ms), how many rows its source has, bytes of its columns."""

    subject: str
    source: str
    quantity: str
    first_ms: int
    last_ms: int
    rows: int
    bytes: int


def _reader(path: Path) -> sqlite3.Connection:
    try:
        db = open_reader(path)
    except sqlite3.Error as error:
        raise store_error(path, "read", error) from error
    if db is None:
        raise StoreError(f"there is no history at {path}", hint="it is made when farmwatch has run for a minute")
    return db


def check(path: Path) -> Looked:
    """Read everything; raises StoreError where the file cannot be opened at all."""
    found = Looked()
    db = _reader(path)
    try:
        if not looks_sound(db):
            found.wrong.append(f"{path.name}: the database itself is damaged; what can be read of it is taken over when"
                               " farmwatch next writes to it")  # fmt: skip
        for table in ("block", "rollup"):
            _check_table(db, table, found)
        log = AppendLog(path)
        found.log_rows = sum(len(frame) for _, frame in log.read(epoch_of(db)))
        if log.damaged:
            found.wrong.append(f"the log beside {path.name}: {log.damaged} damaged records")
    except sqlite3.Error as error:
        found.wrong.append(str(store_error(path, "read", error)))
    except OSError as error:
        found.wrong.append(str(store_error(path.with_name(path.name + PARTS[0]), "read", error)))
    finally:
        db.close()
    return found


def _check_table(db: sqlite3.Connection, table: str, found: Looked) -> None:
    state = "state" if table == "block" else "0"
    for number, where in db.execute(f"SELECT id, {state} FROM {table}").fetchall():  # noqa: S608  (names of ours)
        if where == ASIDE:
            found.aside += 1
            continue
        try:
            block = Block(db.execute(f"SELECT data FROM {table} WHERE id = ?", (number,)).fetchone()[0])  # noqa: S608
            times = block.times()
            for column in block.columns:
                if column[0]:
                    block.column(*column)
        except (ValueError, sqlite3.Error) as error:
            found.wrong.append(f"{table} {number}: {error}")
            continue
        found.blocks += table == "block"
        found.pages += table == "rollup"
        found.rows += len(times) if table == "block" else 0


def compact(path: Path, keep_days: KeepDays) -> tuple[int, int]:
    """The night's work now, then room given back; the bytes before and after. Needs nobody else to be writing."""
    _reader(path).close()
    before = path.stat().st_size
    disk = Disk(path)
    try:
        disk.night(keep_days)
        disk.compact()
    finally:
        disk.close()
    return before, path.stat().st_size


def stats(path: Path) -> list[Kept]:
    """Every series, by subject, source and quantity; what the log alone holds yet has rows, but no bytes."""
    db = _reader(path)
    found: dict[tuple[str, str, str], list[int]] = {}
    try:
        rows = db.execute(
            "SELECT series.id, subject, source.source, quantity FROM series JOIN source ON source.id = series.source"
        )
        names = {number: (subject, source, quantity) for number, subject, source, quantity in rows}
        for first, last, rows, data in db.execute("SELECT first_ms, last_ms, rows, data FROM block WHERE state <> 9"):
            for series, size in _sizes(data):
                if series in names:
                    _count(found, names[series], (first, last, rows, size))
        for (subject, source), frame in AppendLog(path).read(epoch_of(db)):
            for quantity in frame.columns if frame.times else ():
                more = min(frame.times), max(frame.times), len(frame), 0
                _count(found, (subject, source, quantity), more)
    except OSError as error:
        raise store_error(path.with_name(path.name + PARTS[0]), "read", error) from error
    except sqlite3.Error as error:
        raise store_error(path, "read", error) from error
    finally:
        db.close()
    return [Kept(*name, *row) for name, row in sorted(found.items())]


def _count(found: dict[tuple[str, str, str], list[int]], name: tuple[str, str, str], more: Sequence[int]) -> None:
    first, last, rows, size = more
    row = found.setdefault(name, [first, last, 0, 0])
    row[:] = min(row[0], first), max(row[1], last), row[2] + rows, row[3] + size


def _sizes(data: bytes) -> list[tuple[int, int]]:
    """(series, bytes) of a block's columns of values."""
    count = HEAD.unpack_from(data)[1]
    entries = [ENTRY.unpack_from(data, HEAD.size + n * ENTRY.size) for n in range(count)]
    return [(series, length if kind == VALUES else 0) for series, kind, length in entries if kind & 127 == VALUES]
