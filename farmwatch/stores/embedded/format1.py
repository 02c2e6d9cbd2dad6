"""History of format 1 (a table a day, a row a series and batch): read once, and written anew in today's format.

::

    series    id, subject, quantity, resolution
    day_YYYYMMDD   series, first_ms, times, base, vals, gaps

`times` are milliseconds after `first_ms`, `vals` multiples of the resolution above `base`, both in the narrowest
integers, a typecode first; `gaps` are the indices at which a value became unknown.
"""

import contextlib
import os
import shutil
import sqlite3
from array import array
from collections.abc import Iterator
from pathlib import Path

from farmwatch.sqlitefile import PARTS, connect, connect_read_only, sync_folder
from farmwatch.stores.embedded.blocks import Frame
from farmwatch.stores.embedded.coding import UNKNOWN
from farmwatch.stores.embedded.schema import open_writer
from farmwatch.stores.embedded.writing import Writing
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import Ints

FORMAT = 1
SOURCE = "earlier"
"""Format 1 did not say which source a reading is from."""
TYPECODES = "bhiq"


def is_format_1(path: Path) -> bool:
    """Whether there is a file of that format at `path`; False where it cannot be read."""
    if not path.exists():
        return False
    with contextlib.suppress(sqlite3.Error), contextlib.closing(connect_read_only(path)) as db:
        return bool(db.execute("PRAGMA user_version").fetchone()[0] == FORMAT)
    return False


def upgrade(path: Path) -> str:
    """Write the file at `path` anew in today's format; words about it. The old one stays as ``*.format-1``.

    Cut short at any point, the next call begins again. Raises sqlite3.Error or OSError, the old file still in place.
    """
    new = path.with_name(path.name + ".new")
    _remove(new)
    readings = lost = 0
    with contextlib.closing(connect(path)) as old:
        old.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with contextlib.closing(open_writer(new)) as db:
            db.execute("BEGIN IMMEDIATE")
            writing = Writing(db)
            for subject, frame, bad in _frames(old):
                writing.put((subject, SOURCE), frame)
                readings, lost = readings + frame.values(), lost + bad
            db.execute("COMMIT")
            db.execute("PRAGMA journal_mode = DELETE")
        old.execute("PRAGMA journal_mode = DELETE")
    _keep(path, path.with_name(f"{path.name}.format-{FORMAT}"))
    new.replace(path)
    sync_folder(path.parent)
    also = f"; {lost} batches could not be read" if lost else ""
    return f"{path.name} was of format {FORMAT}: {readings} readings are in the new one{also}; the old one is kept"


def _keep(path: Path, kept: Path) -> None:
    if kept.exists():
        return
    try:
        os.link(path, kept)
    except OSError:  # a file system without links
        shutil.copyfile(path, kept)


def _remove(path: Path) -> None:
    for part in PARTS:
        path.with_name(path.name + part).unlink(missing_ok=True)


def _frames(db: sqlite3.Connection) -> Iterator[tuple[str, Frame, int]]:
    """Subject, the rows of one day, and how many of its batches could not be read; in the order of days."""
    series = {row[0]: row[1:] for row in db.execute("SELECT id, subject, quantity, resolution FROM series")}
    days = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE name GLOB 'day_*' ORDER BY name")]
    for day in days:
        rows: dict[str, dict[int, dict[str, int]]] = {}
        bad: dict[str, int] = {}
        for number, *columns in db.execute(f"SELECT series, first_ms, times, base, vals, gaps FROM {day}"):  # noqa: S608
            subject, quantity, resolution = series.get(number, ("", "", 0.0))
            if quantity not in QUANTITIES:
                continue
            now = QUANTITIES[quantity].resolution
            try:
                for at_ms, value in _decode(*columns):
                    scaled = value if value == UNKNOWN or resolution == now else round(value * resolution / now)
                    rows.setdefault(subject, {}).setdefault(at_ms, {})[quantity] = scaled
            except (ValueError, TypeError):
                bad[subject] = bad.get(subject, 0) + 1
        for subject, found in rows.items():
            frame = Frame()
            for at_ms in sorted(found):
                frame.add(at_ms, found[at_ms])
            yield subject, frame, bad.get(subject, 0)


def _decode(first: int, times: bytes, base: int, vals: bytes, gaps: bytes | None) -> list[tuple[int, int]]:
    values = [base + number for number in _unpack(vals)] if vals else []
    for index in _unpack(gaps) if gaps else ():
        values.insert(index, UNKNOWN)
    return [(first + at_ms, value) for at_ms, value in zip(_unpack(times), values, strict=True)]


def _unpack(blob: bytes) -> Ints:
    code = blob[:1].decode("ascii")
    if code not in TYPECODES or not code:
        raise ValueError(f"unknown typecode {code!r}")
    numbers: Ints = array(code)
    numbers.frombytes(blob[1:])
    if array("h", [1]).tobytes() != b"\x01\x00":
        numbers.byteswap()
    return numbers
