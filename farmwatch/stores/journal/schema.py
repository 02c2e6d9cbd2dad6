"""The journal's tables, their versions, and how much of each is kept.

Facts are what stands now (a machine's state, a build, an alarm); notes are what happened; a message is known
by its id for ever after, so that it is never queued twice; an outbox row is one message for one channel; sent
is how each of them ended. `crc` guards what the farm is rebuilt from: SQLite has no checksum of its own, and
one flipped bit in a time would otherwise be believed.
"""

import sqlite3
import zlib
from pathlib import Path

from farmwatch.words.errors import StoreError

VERSION = 2
NEWEST_BELIEVABLE = 1_000  # a greater schema number is a damaged header, not a newer Farmwatch
APPLICATION_ID = 0x46574A31  # "FWJ1", for file(1) and for whoever finds the file

FIRST = """
CREATE TABLE fact (
    id INTEGER PRIMARY KEY, kind TEXT NOT NULL, key TEXT NOT NULL, at_s REAL NOT NULL, doc TEXT NOT NULL,
    crc INTEGER NOT NULL, UNIQUE (kind, key)
);
CREATE TABLE note (id INTEGER PRIMARY KEY, at_s REAL NOT NULL, kind TEXT NOT NULL, doc TEXT NOT NULL);
CREATE INDEX note_kind ON note (kind, at_s);
CREATE TABLE message (
    num INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, at_s REAL NOT NULL, doc TEXT NOT NULL, crc INTEGER NOT NULL
);
CREATE TABLE outbox (
    num INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, message TEXT NOT NULL, channel TEXT NOT NULL,
    attempts INTEGER NOT NULL, next_try_s REAL NOT NULL, created_s REAL NOT NULL, error TEXT NOT NULL
);
CREATE TABLE sent (
    num INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, message TEXT NOT NULL, channel TEXT NOT NULL,
    at_s REAL NOT NULL, took_s REAL NOT NULL, attempts INTEGER NOT NULL, ok INTEGER NOT NULL, error TEXT NOT NULL
);
CREATE TABLE meta (name TEXT PRIMARY KEY, value REAL NOT NULL);
"""

RANKED = """
ALTER TABLE outbox ADD COLUMN rank INTEGER NOT NULL DEFAULT 0;
ALTER TABLE outbox ADD COLUMN maybe INTEGER NOT NULL DEFAULT 0;
"""

MIGRATIONS: tuple[str, ...] = (FIRST, RANKED)
"""Script n takes a journal from schema n to n + 1; scripts are only ever added."""

COLUMNS: dict[str, tuple[str, ...]] = {
    # table: its columns, the numbering left out
    "fact": ("kind", "key", "at_s", "doc", "crc"),
    "note": ("at_s", "kind", "doc"),
    "message": ("id", "at_s", "doc", "crc"),
    "outbox": ("id", "message", "channel", "attempts", "next_try_s", "created_s", "error", "rank", "maybe"),
    "sent": ("id", "message", "channel", "at_s", "took_s", "attempts", "ok", "error"),
    "meta": ("name", "value"),
}

KEEP_NOTES: dict[str, int] = {
    # kind of note: the newest so many stay. By number, so that a wrong clock can delete nothing.
    "state": 100_000,  # 12 machines with ten builds a day each: some four months
    "build": 100_000,
    "use": 100_000,  # what a build took and gave: one a build
    "alarm": 50_000,
    "round": 20_000,  # two or three a day
    "outage": 10_000,
    "message": 50_000,
    "undelivered": 10_000,
    "energy": 150_000,  # 12 machines, hourly: more than a year
    "said": 50_000,
    "act": 50_000,  # before, after and outcome of every action at a machine
    "awoke": 10_000,
}
"""The history. What is not named here (estimate, load, backup: up to one a minute and subject) is not kept in
the journal, whose every transaction costs the card a synchronous write; readings are kept in the series."""

KEEP_SENT = 20_000


class Unusable(StoreError):
    """The journal must not be touched: a newer Farmwatch wrote it, or another process holds it."""


def crc_of(*texts: str) -> int:
    """CRC-32 over texts, a zero byte between them."""
    return zlib.crc32("\0".join(texts).encode("utf-8", "surrogateescape"))


def version_of(connection: sqlite3.Connection) -> int:
    """Schema number of the file, 0 for a new one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def missing_tables(connection: sqlite3.Connection) -> set[str]:
    """Tables that a journal of ours would have."""
    rows = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    return set(COLUMNS) - {str(row[0]) for row in rows}


def refuse_newer(version: int, path: Path | None, newest: int = VERSION) -> None:
    """Raises Unusable for a journal that a newer Farmwatch wrote."""
    if version > newest:
        name = path.name if path is not None else "journal"
        raise Unusable(
            f"{name} was written by a newer Farmwatch (schema {version}, this one knows {newest})",
            hint="install that version again, or move the file away to start anew",
        )


def migrate(connection: sqlite3.Connection, path: Path | None, scripts: tuple[str, ...] = MIGRATIONS) -> None:
    """Bring a journal to the newest schema, each step in a transaction of its own.

    A copy named ``*.schema-<n>`` is left beside the file before the first step.

    Raises:
        Unusable: a newer Farmwatch wrote the file.
    """
    version, newest = version_of(connection), len(scripts)
    refuse_newer(version, path, newest)
    if 0 < version < newest and path is not None:
        keep = path.with_name(f"{path.name}.schema-{version}")
        if not keep.exists():
            connection.execute("VACUUM INTO ?", (str(keep),))
    for number in range(version, newest):
        try:
            connection.executescript(f"BEGIN IMMEDIATE; {scripts[number]}; PRAGMA user_version = {number + 1}; COMMIT;")
        except sqlite3.Error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
