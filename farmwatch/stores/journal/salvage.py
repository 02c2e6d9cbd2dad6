"""What can still be read of a damaged journal, and the rebuilding of a sound one beside it.

The damaged file is never opened itself, only copies of it; it is set aside whole. The order of steps is such
that a kill between any two of them leaves either the old file or the finished new one:

1. read what can be read from copies, with and without the write-ahead log;
2. write it to ``*.rebuilding``, sync it, rename it to ``*.salvaged``: from here on the new file is complete;
3. rename the damaged file and its log to ``*.corrupt-<time>``;
4. rename ``*.salvaged`` to the journal's own name.
"""

import contextlib
import json
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from farmwatch.sqlitefile import PARTS, connect, copy_parts, set_aside, sync_folder
from farmwatch.stores.journal.schema import COLUMNS, crc_of, migrate, missing_tables
from farmwatch.words.errors import StoreError

Rows = dict[str, list[tuple[Any, ...]]]
PROBES = 50_000  # row numbers that are tried one by one between the readable ends of a table
HOPELESS = 4_000  # that many failures on end: what hides there is more than some leaves, most likely the root


def fill(connection: sqlite3.Connection, table: str, rows: list[tuple[Any, ...]]) -> None:
    """Insert rows in the order of `COLUMNS`; one that is there is replaced, except a message, which is not."""
    names = COLUMNS[table]
    verb = "IGNORE" if table in ("message", "note") else "REPLACE"
    marks = ", ".join("?" * len(names))
    sql = f"INSERT OR {verb} INTO {table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
    connection.executemany(sql, rows)


def good(table: str, row: tuple[Any, ...]) -> bool:
    """Whether a row is what was once written, as far as can be told."""
    if table == "fact":
        kind, key, at_s, doc, crc = row
        return (
            isinstance(at_s, float)
            and all(isinstance(t, str) for t in (kind, key, doc))
            and crc_of(kind, key, doc) == crc
        )
    if table == "message":
        message_id, at_s, doc, crc = row
        return isinstance(at_s, float) and isinstance(doc, str) and crc_of(str(message_id), doc) == crc
    kinds: dict[str, type] = {"at_s": float, "next_try_s": float, "created_s": float, "took_s": float, "value": float}
    kinds |= {"attempts": int, "ok": int, "rank": int, "maybe": int}
    if not all(isinstance(v, kinds.get(name, str)) for name, v in zip(COLUMNS[table], row, strict=True)):
        return False
    try:
        "".join(value for value in row if isinstance(value, str)).encode()
        return table != "note" or isinstance(json.loads(row[2]), dict)
    except ValueError:
        return False


def all_readable(connection: sqlite3.Connection) -> bool:
    """Whether every fact and every message that waits passes its checksum."""
    queries = {
        "fact": "SELECT kind, key, at_s, doc, crc FROM fact",
        "message": "SELECT id, at_s, doc, crc FROM message WHERE id IN (SELECT message FROM outbox)",
        "outbox": f"SELECT {', '.join(COLUMNS['outbox'])} FROM outbox",  # noqa: S608
    }
    return all(good(table, row) for table, sql in queries.items() for row in connection.execute(sql))


def read(path: Path) -> tuple[Rows, int]:
    """Rows that can be read of a damaged or unwritable journal, and how many could be seen to be damaged.

    Raises:
        OSError: there is no room anywhere for a copy, or the disk cannot be read at all.
    """
    with tempfile.TemporaryDirectory(prefix="farmwatch-") as folder:
        rows, bad, whole = _read_copy(path, Path(folder) / "with-log", with_log=True)
        if not whole:
            # A log that does not belong here spoils the reading; without it the file may do better.
            older, _, _ = _read_copy(path, Path(folder) / "without-log", with_log=False)
            for table, found in older.items():
                have = {_key(table, row) for row in rows[table]}
                rows[table] += [row for row in found if _key(table, row) not in have]
    done = {row[0] for row in rows["sent"]}
    waiting = [row for row in rows["outbox"] if row[0] not in done]
    known = {row[0] for row in rows["message"]}
    rows["outbox"] = [row for row in waiting if row[1] in known]
    return rows, bad + len(waiting) - len(rows["outbox"])


def _key(table: str, row: tuple[Any, ...]) -> tuple[Any, ...]:
    return row if table == "note" else row[: 2 if table == "fact" else 1]


def _read_copy(path: Path, copy: Path, *, with_log: bool) -> tuple[Rows, int, bool]:
    copy_parts(path, copy, with_log=with_log)
    found = _tables(copy)
    if found is None:
        _lend_first_page(copy)
        found = _tables(copy)
    if found is None:
        return {table: [] for table in COLUMNS}, 0, False
    return found


def _tables(copy: Path) -> tuple[Rows, int, bool] | None:
    """Rows of all tables, damaged rows seen, whether all went well; None if the file has no such tables."""
    rows: Rows = {}
    bad, whole = 0, True
    with contextlib.closing(connect(copy)) as connection:
        try:
            connection.execute("PRAGMA cell_size_check = ON")
            if missing_tables(connection):
                return None
        except sqlite3.DatabaseError:
            return None
        with contextlib.suppress(sqlite3.Error, StoreError):
            migrate(connection, None)  # an older file's rows have fewer columns; the others read as new
        for table in COLUMNS:
            seen, sound = _rows_of(connection, table)
            rows[table] = [row for row in seen if good(table, row)]
            bad += len(seen) - len(rows[table])
            whole = whole and sound and len(seen) == len(rows[table])
    return rows, bad, whole


def _rows_of(connection: sqlite3.Connection, table: str) -> tuple[list[tuple[Any, ...]], bool]:
    """Rows of one table in order: from its start, from its end, and one by one in between."""
    names = ", ".join(COLUMNS[table])
    select = f"SELECT rowid, {names} FROM {table} NOT INDEXED"  # noqa: S608
    found: dict[int, tuple[Any, ...]] = {}
    ends: list[int] = []
    for order in ("ASC", "DESC"):
        last = None
        try:
            for number, *row in connection.execute(f"{select} ORDER BY rowid {order}"):
                found[number] = tuple(row)
                last = number
        except sqlite3.DatabaseError:
            ends.append(last if last is not None else (0 if order == "ASC" else max(found, default=0) + PROBES))
        else:
            return [found[n] for n in sorted(found)], not ends
    failures = 0
    for number in range(ends[0] + 1, min(ends[1], ends[0] + PROBES)):
        try:
            for _, *row in connection.execute(f"{select} WHERE rowid = ?", (number,)):
                found[number] = tuple(row)
        except sqlite3.DatabaseError:
            failures += 1
            if failures >= HOPELESS:
                break
        else:
            failures = 0
    return [found[n] for n in sorted(found)], False


def _lend_first_page(copy: Path) -> None:
    """Give a copy whose first page is lost the first page of a new journal: the tables start where they did.

    Root pages follow from the order of creation, so that the schema in a new file fits an old one of the same
    version. The page count in the header is set to the copy's own (sqlite.org/fileformat2.html, section 1.3).
    """
    model = copy.with_name("model")
    with contextlib.closing(connect(model)) as connection:
        migrate(connection, None)
    page = bytearray(model.read_bytes()[:4096])
    count = copy.stat().st_size // 4096
    page[28:32] = count.to_bytes(4, "big")
    if copy.with_name(copy.name + "-wal").exists():
        page[18:20] = b"\2\2"  # it is to be read with a write-ahead log
    with copy.open("r+b") as file:
        file.write(page)


def rebuild(path: Path) -> str:
    """Set a damaged journal aside and put a sound one in its place; returns words for people.

    Raises:
        OSError, sqlite3.Error: the disk does not allow it; the damaged file is still where it was.
    """
    rows, bad = read(path)
    fresh = path.with_name(path.name + ".rebuilding")
    fresh.unlink(missing_ok=True)
    with contextlib.closing(connect(fresh)) as connection:
        connection.execute("PRAGMA synchronous = FULL")
        migrate(connection, None)
        connection.execute("BEGIN")
        for table, found in rows.items():
            fill(connection, table, sorted(found, key=lambda row: row[2]) if table == "fact" else found)
        connection.execute("COMMIT")
    fresh.rename(path.with_name(path.name + ".salvaged"))
    sync_folder(path.parent)
    lost = f", {bad} damaged rows could not be used" if bad else ""
    words = f"{len(rows['fact'])} facts and {len(rows['outbox'])} waiting messages were taken over{lost}"
    return f"{finish(path)}; {words}"


def finish(path: Path) -> str:
    """Put a finished salvage in place, also one that a kill interrupted; returns words, empty if there is none."""
    ready = path.with_name(path.name + ".salvaged")
    if not ready.exists():
        return ""
    aside = ""
    if any(path.with_name(path.name + part).exists() for part in PARTS):
        aside = set_aside(path).name
    ready.rename(path)
    sync_folder(path.parent)
    where = f" and is kept as {aside}" if aside else ""
    return f"{path.name} was damaged{where}"
