"""The file's layout, and how every connection to it begins.

::

    meta      key, value                 "epoch": the log's records of earlier epochs are in blocks;
                                         "repacked": the days since 1970 before this one have one block a source
    source    id, subject, source        what speaks about what
    series    id, source, quantity, resolution   a quantity that changes its resolution gets a new row
    block     id, source, first_ms, last_ms, rows, state, data   readings; `data` as in `blocks.py`
    rollup    id, source, level, period, data    buckets; period number `period` of `rollups.PERIODS_MS[level]`
    pruned    series, level, before_ms   nothing older is kept of a series at a level ("raw": readings)

`state` of a block: 0 in order; 1 apart (came more than a day late, merged at night); 9 set aside (damaged: kept, not
read). Pages are small because a block ends somewhere inside its last one, and half a page a block is lost.
"""

import contextlib
import os
import sqlite3
from pathlib import Path

from farmwatch.sqlitefile import connect, connect_read_only
from farmwatch.words.errors import StoreError

FORMAT = 2
PAGE_SIZE = 512
IN_ORDER, APART, ASIDE = 0, 1, 9

PRUNED = """CREATE TABLE IF NOT EXISTS pruned (series INTEGER NOT NULL, level TEXT NOT NULL,
    before_ms INTEGER NOT NULL, PRIMARY KEY (series, level)
);"""
"""The first files of this format lack it, and the line `repacked`."""

SCHEMA = f"""
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL);
CREATE TABLE source (
    id INTEGER PRIMARY KEY, subject TEXT NOT NULL, source TEXT NOT NULL, UNIQUE (subject, source)
);
CREATE TABLE series (
    id INTEGER PRIMARY KEY, source INTEGER NOT NULL, quantity TEXT NOT NULL, resolution REAL NOT NULL,
    UNIQUE (source, quantity, resolution)
);
CREATE TABLE block (
    id INTEGER PRIMARY KEY, source INTEGER NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
    rows INTEGER NOT NULL, state INTEGER NOT NULL, data BLOB NOT NULL
);
CREATE INDEX block_in_order ON block (source, state, last_ms);
CREATE TABLE rollup (
    id INTEGER PRIMARY KEY, source INTEGER NOT NULL, level TEXT NOT NULL, period INTEGER NOT NULL, data BLOB NOT NULL,
    UNIQUE (source, level, period)
);
{PRUNED}
INSERT INTO meta VALUES ('epoch', 1), ('repacked', 0);
PRAGMA user_version = {FORMAT};
"""  # noqa: S608  (a number of ours)


def version(path: Path, db: sqlite3.Connection) -> int:
    """The file's format, 0 for an empty one; raises StoreError for one that this program does not know."""
    found = int(db.execute("PRAGMA user_version").fetchone()[0])
    if found not in (0, FORMAT):
        age, hint = "a newer", "install that version again, or move the file away to start anew"
        if found < FORMAT:
            age, hint = "an earlier", "run farmwatch: it writes the file anew and keeps the old one beside it"
        raise StoreError(
            f"{path.name} was written by {age} Farmwatch (format {found}, this one knows {FORMAT}) and is left alone",
            hint=hint,
        )
    return found


def open_writer(path: Path) -> sqlite3.Connection:
    """The one connection that writes; makes the file if there is none."""
    db = connect(path)
    try:
        db.execute(f"PRAGMA page_size = {PAGE_SIZE}")
        known = version(path, db)
        db.execute("PRAGMA journal_mode = WAL")
        # A handful of transactions a day: synced each, so that the log may begin anew after one.
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA cache_size = -1024")
        if not known:
            db.executescript(f"BEGIN; {SCHEMA} COMMIT;")
        elif not db.execute("SELECT 1 FROM meta WHERE key = 'repacked'").fetchone() or not _has_pruned(db):
            db.executescript(f"BEGIN; {PRUNED} INSERT OR IGNORE INTO meta VALUES ('repacked', 0); COMMIT;")  # noqa: S608
    except BaseException:
        db.close()
        raise
    return db


def _has_pruned(db: sqlite3.Connection) -> bool:
    return bool(db.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'pruned'").fetchone())


UNFINISHED = ("SQLITE_READONLY_ROLLBACK", "SQLITE_READONLY_RECOVERY")


def open_reader(path: Path) -> sqlite3.Connection | None:
    """A connection that changes nothing, a read transaction begun; None while there is nothing to read."""
    if not path.exists():
        return None
    db = _read_only(path)
    try:
        db.execute("BEGIN")
        if not version(path, db):
            db.close()
            return None
    except BaseException:
        db.close()
        raise
    return db


def _read_only(path: Path) -> sqlite3.Connection:
    db = connect_read_only(path)
    try:
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        db.close()
        if getattr(error, "sqlite_errorname", "") in UNFINISHED and os.access(path.parent, os.W_OK):
            # The power went while the file was made: who may write takes back what was begun, then it can be read.
            with contextlib.closing(sqlite3.connect(path)) as once:
                once.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return connect_read_only(path)
        log = path.with_name(path.name + "-wal")
        if os.access(path.parent, os.W_OK) or (log.exists() and log.stat().st_size):
            raise
        # A read-only disk, where SQLite cannot make its index of the log; without a log the file is whole by itself.
        uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
        return sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    except BaseException:
        db.close()
        raise
    return db


def epoch_of(db: sqlite3.Connection) -> int:
    """The log's epoch that is not in blocks yet."""
    return int(db.execute("SELECT value FROM meta WHERE key = 'epoch'").fetchone()[0])
