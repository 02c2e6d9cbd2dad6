"""Opening a journal: its lock, its soundness, its schema; a damaged one is set aside and rebuilt beside it."""

import contextlib
import fcntl
import sqlite3
from pathlib import Path
from typing import TextIO

from farmwatch.sqlitefile import connect, connect_read_only, is_damage, looks_sound, store_error
from farmwatch.stores.journal import salvage
from farmwatch.stores.journal.schema import (
    APPLICATION_ID,
    NEWEST_BELIEVABLE,
    VERSION,
    Unusable,
    migrate,
    missing_tables,
    refuse_newer,
    version_of,
)
from farmwatch.words.errors import StoreError


def hold(path: Path) -> TextIO | None:
    """Take the file's lock; the kernel lets go of it however the process ends."""
    try:
        held = path.with_name(path.name + ".lock").open("a")
    except OSError:
        return None  # a read-only folder: opening the journal itself will say so
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        held.close()
        raise Unusable(
            f"{path.name} is in use by another Farmwatch", hint="stop the other one, or give this one its own folder"
        ) from None
    return held


def open_sound(path: Path) -> tuple[sqlite3.Connection, str]:
    """A connection to a sound, current journal, and words about what had to be done for it."""
    try:
        notice = salvage.finish(path)
        connection = _try_open(path)
        if connection is None:
            notice = salvage.rebuild(path)
            connection = _try_open(path)
        if connection is None:
            raise StoreError(f"{path.name} could not be rebuilt", hint="move it away to start anew")
    except (sqlite3.Error, OSError) as error:
        raise store_error(path, "opened", error) from error
    return connection, notice


def _try_open(path: Path) -> sqlite3.Connection | None:
    """A connection, or None if the file is damaged; a damaged file and its log are left as they are."""
    if not _sound(path):
        return None
    connection = connect(path)
    try:
        refuse_newer(version_of(connection), path)  # before anything is written, be it only the journal mode
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA journal_size_limit = 8388608")
        if version_of(connection) == 0:
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        migrate(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _sound(path: Path, *, tried: bool = False) -> bool:
    """Whether the file may be opened for writing, found out without changing more than SQLite itself takes back."""
    log = path.with_name(path.name + "-wal")
    if not path.exists() or not path.stat().st_size:
        return not (log.exists() and log.stat().st_size)  # SQLite would delete the log of an empty file
    with contextlib.closing(connect_read_only(path)) as connection:
        try:
            version = version_of(connection)
            if version == 0 or version > NEWEST_BELIEVABLE:
                return False
            if not looks_sound(connection):
                return False
            # The tables of another version are its migration's business.
            return version != VERSION or (not missing_tables(connection) and salvage.all_readable(connection))
        except sqlite3.DatabaseError as error:
            if is_damage(error):
                return False
            if tried or getattr(error, "sqlite_errorname", "") != "SQLITE_READONLY_ROLLBACK":
                raise
    # The power went while the file was made: who may write takes back what was begun, then it can be looked at.
    with contextlib.closing(connect(path)) as connection:
        version_of(connection)
    return _sound(path, tried=True)
