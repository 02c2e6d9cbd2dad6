"""How the stores treat a SQLite file: opening, words for its errors, setting a damaged one aside.

What cannot be read is never deleted: it is renamed, with its write-ahead log beside it, so that somebody can
look at it later. A damaged file is only ever read as a copy, because opening it would replay and then remove
its log.
"""

import contextlib
import errno
import os
import shutil
import sqlite3
import time
from pathlib import Path

from farmwatch.words.errors import StoreError

PARTS = ("", "-wal", "-shm")

WORDS: dict[str, tuple[str, str]] = {
    # SQLite's result code (sqlite.org/rescode.html): what it means, what to do
    "SQLITE_FULL": ("the disk is full", "free some room; what is held in memory is written as soon as it works"),
    "SQLITE_READONLY": ("it cannot be written, only read", "is the disk or card mounted read-only, or worn out?"),
    "SQLITE_IOERR": ("the disk reports an error", "the card or disk may be failing: make a backup now"),
    "SQLITE_CORRUPT": ("it is damaged", "it is set aside and never deleted; what can be read is taken over"),
    "SQLITE_NOTADB": ("it is damaged", "it is set aside and never deleted; what can be read is taken over"),
    "SQLITE_CANTOPEN": ("it cannot be opened", "does its folder exist, and may this user write there?"),
    "SQLITE_PERM": ("it may not be opened", "may this user write there?"),
    "SQLITE_BUSY": ("another program holds it", "stop the other program that writes to it"),
    "SQLITE_LOCKED": ("another program holds it", "stop the other program that writes to it"),
}
DAMAGE = ("SQLITE_CORRUPT", "SQLITE_NOTADB")


def code_of(error: BaseException) -> str:
    """SQLite's primary result code name, or an empty string."""
    name = str(getattr(error, "sqlite_errorname", "") or "")
    return "_".join(name.split("_")[:2])


def is_damage(error: BaseException) -> bool:
    """Whether the error says that the file's content is not what SQLite wrote."""
    return code_of(error) in DAMAGE


def store_error(path: Path, doing: str, error: BaseException) -> StoreError:
    """The error in our words: what, where, what to do."""
    if isinstance(error, StoreError):
        return error
    code = code_of(error)
    if isinstance(error, OSError):
        code = {errno.ENOSPC: "SQLITE_FULL", errno.EROFS: "SQLITE_READONLY", errno.EIO: "SQLITE_IOERR"}.get(
            error.errno or 0, "SQLITE_CANTOPEN"
        )
    what, hint = WORDS.get(code, (str(error), ""))
    return StoreError(f"{path.name} could not be {doing}: {what}", hint=hint)


def connect(path: Path | str) -> sqlite3.Connection:
    """A connection in autocommit mode that any thread may use; the caller keeps threads apart."""
    connection = sqlite3.connect(path, timeout=2.0, isolation_level=None, check_same_thread=False)
    connection.text_factory = _text
    return connection


def connect_read_only(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing; unlike the last writer it leaves the log in place when it closes."""
    uri = f"{path.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, timeout=2.0, isolation_level=None, check_same_thread=False)
    connection.text_factory = _text
    return connection


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", errors="surrogateescape")


def looks_sound(connection: sqlite3.Connection) -> bool:
    """SQLite's own quick check; reads the whole file."""
    try:
        rows = connection.execute("PRAGMA quick_check(1)").fetchall()
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return False
        raise
    return rows == [("ok",)]


def set_aside(path: Path) -> Path:
    """Rename a damaged file and its log to ``*.corrupt-<UTC time>``; returns the new name."""
    # Only a name: wall time is good enough, and a counter keeps it unique when the clock is not.
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    target = path.with_name(f"{path.name}.corrupt-{stamp}")
    count = 1
    while any(target.with_name(target.name + part).exists() for part in PARTS):
        count += 1
        target = path.with_name(f"{path.name}.corrupt-{stamp}-{count}")
    for part in reversed(PARTS):  # the log first: a new file must never meet an old log
        with contextlib.suppress(FileNotFoundError):
            path.with_name(path.name + part).rename(target.with_name(target.name + part))
    sync_folder(path.parent)
    return target


def copy_parts(path: Path, target: Path, *, with_log: bool) -> None:
    """Copy a database, with or without its log, for reading only."""
    shutil.copyfile(path, target)
    log = path.with_name(path.name + "-wal")
    if with_log and log.exists():
        shutil.copyfile(log, target.with_name(target.name + "-wal"))


def sync_folder(folder: Path) -> None:
    """Make renames in a folder durable."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
