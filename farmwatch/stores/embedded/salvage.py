"""A damaged file: every block that can still be read is taken over into a new one."""

import contextlib
import shutil
import sqlite3
import tempfile
from pathlib import Path

from farmwatch.sqlitefile import PARTS, connect
from farmwatch.stores.embedded.blocks import Block
from farmwatch.stores.embedded.schema import open_writer

TABLES = {
    "source": "id, subject, source",
    "series": "id, source, quantity, resolution",
    "block": "id, source, first_ms, last_ms, rows, state, data",
    "rollup": "id, source, level, period, data",
}
MISSES = 10_000
"""So many rows in a row that cannot be read end the search."""


def take_over(kept: Path, path: Path, epoch: int) -> tuple[int, int]:
    """(blocks taken over, blocks that could not be read) from a file that was set aside into a new one at `path`.

    The damaged file is read as a copy: opening it would change it. Where nothing can be read nothing is taken over.
    """
    saved = lost = 0
    new = open_writer(path)
    try:
        new.execute("BEGIN IMMEDIATE")
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".salvage-") as folder:
            copy = Path(folder) / "copy.db"
            for part in PARTS[:2]:
                with contextlib.suppress(FileNotFoundError):
                    shutil.copyfile(kept.with_name(kept.name + part), copy.with_name(copy.name + part))
            old = connect(copy)
            try:
                for table, columns in TABLES.items():
                    good, bad = _rows(old, new, table, columns)
                    if table == "block":
                        saved, lost = good, bad
            finally:
                old.close()
        new.execute("UPDATE meta SET value = ? WHERE key = 'epoch'", (epoch,))
        new.execute("COMMIT")
    except (sqlite3.Error, OSError):
        with contextlib.suppress(sqlite3.Error):
            new.execute("ROLLBACK")
        saved = 0
    finally:
        new.close()
    return saved, lost


def _rows(old: sqlite3.Connection, new: sqlite3.Connection, table: str, columns: str) -> tuple[int, int]:
    """Row by row: one that cannot be read does not hide the next."""
    good = bad = misses = number = 0
    marks = ", ".join("?" for _ in columns.split(","))
    while misses < MISSES:
        number += 1
        try:
            row = old.execute(f"SELECT {columns} FROM {table} WHERE id = ?", (number,)).fetchone()  # noqa: S608
            if row is None:
                misses += 1
                continue
            if "data" in columns:
                Block(row[-1])
        except (sqlite3.Error, ValueError, TypeError):
            bad, misses = bad + 1, misses + 1
            continue
        new.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row)  # noqa: S608
        good, misses = good + 1, 0
    return good, bad if good else 0
