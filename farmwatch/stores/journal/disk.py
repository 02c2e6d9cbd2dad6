"""The journal in one SQLite file: write-ahead log, every commit synced before the call returns.

Calls block: a commit costs one fsync, some milliseconds on a disk and up to tens on a memory card. Any thread
may call; a lock keeps them apart.
"""

import contextlib
import dataclasses
import fcntl
import json
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Self, TextIO

from farmwatch.ports import OutboxRow
from farmwatch.sqlitefile import connect, connect_read_only, is_damage, looks_sound, store_error
from farmwatch.stores.journal import salvage
from farmwatch.stores.journal.schema import (
    APPLICATION_ID,
    COLUMNS,
    KEEP_NOTES,
    KEEP_SENT,
    NEWEST_BELIEVABLE,
    VERSION,
    Unusable,
    crc_of,
    migrate,
    missing_tables,
    version_of,
)
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Effect, Keep, Message, Note

AWAKE_EVERY_S = 60.0
PRUNE_EVERY_S = 86_400.0
MESSAGE_FIELDS = tuple(row.name for row in dataclasses.fields(Message))


class SqliteJournal:
    """`ports.Journal` over one SQLite file. Raises StoreError; nothing of a failed call is kept.

    Attributes:
        path: the file, None in memory.
        notice: what was found wrong at opening and what was done about it, or an empty string.
        clean_stop: whether the journal was closed in order before it was opened this time.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path | None, *, notice: str = "") -> None:
        self.path = path
        self.notice = notice
        self._db = connection
        self._lock = threading.RLock()
        self._held: TextIO | None = None
        self._awake_s = float("-inf")
        self._pruned_s = float("-inf")
        self.clean_stop = bool(self._meta("clean_stop") or 0.0)

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open or create the file; a damaged one is set aside and what can be read of it taken over.

        Raises:
            Unusable: a newer Farmwatch wrote it, or another process holds it.
            StoreError: it cannot be opened or written, with the reason.
        """
        held = _hold(path)
        try:
            connection, notice = _open_sound(path)
            journal = cls(connection, path, notice=notice)
            journal._held = held
            with journal._transaction("written"):
                journal._set_meta("clean_stop", 0.0)
        except BaseException:
            if held is not None:
                held.close()
            raise
        return journal

    @classmethod
    def in_memory(cls) -> Self:
        """A journal that lasts as long as the process."""
        connection = connect(":memory:")
        migrate(connection, None)
        return cls(connection, None)

    # ---- the port ---------------------------------------------------------------------------------------------

    def facts(self) -> list[tuple[str, str, dict[str, Any]]]:
        """All (kind, key, document) that stand, in the order in which they were first kept."""
        rows = self._read("SELECT kind, key, doc FROM fact ORDER BY id")
        return [(kind, key, json.loads(doc)) for kind, key, doc in rows]

    def commit(self, at_s: float, effects: Sequence[Effect], channels: dict[str, tuple[str, ...]]) -> None:
        """Write all effects of one step or of several in one synced transaction."""
        kept = [e for e in effects if not isinstance(e, Note) or e.kind in KEEP_NOTES]
        if not kept:
            return
        with self._transaction("written"):
            for effect in kept:
                if isinstance(effect, Keep):
                    self._keep(at_s, effect)
                elif isinstance(effect, Note):
                    self._note(effect.at_s, effect.kind, effect.doc)
                elif isinstance(effect, Message):
                    self._queue(at_s, effect, channels.get(effect.to, ()))

    def due(self, now_s: float, limit: int = 50) -> list[OutboxRow]:
        """Outbox rows whose next try has come, oldest first."""
        rows = self._read(
            "SELECT o.id, m.doc, o.channel, o.attempts, o.next_try_s, o.created_s FROM outbox o"
            " JOIN message m ON m.id = o.message WHERE o.next_try_s <= ? ORDER BY o.created_s, o.num LIMIT ?",
            (now_s, limit),
        )
        return [OutboxRow(row[0], _message(row[1]), *row[2:]) for row in rows]

    def delivered(self, row_id: str, at_s: float, took_s: float) -> None:
        """The channel's service has accepted it. A success that comes late corrects a failure on record."""
        with self._transaction("written"):
            self._finish(row_id, at_s, took_s, ok=True, error="")

    def failed(self, row_id: str, at_s: float, next_try_s: float | None, error: str) -> None:
        """An attempt failed; `next_try_s` None gives up, which stays on record as a note ``undelivered``."""
        with self._transaction("written"):
            if next_try_s is not None:
                self._db.execute(
                    "UPDATE outbox SET attempts = attempts + 1, next_try_s = ?, error = ? WHERE id = ?",
                    (next_try_s, plain(error), row_id),
                )
            else:
                self._finish(row_id, at_s, 0.0, ok=False, error=error)

    def history(self, kind: str | None = None, since_s: float = 0.0, limit: int = 200) -> list[dict[str, Any]]:
        """Notes on record, newest first, each with `at_s` and `kind`."""
        if kind is None:
            sql = "SELECT at_s, kind, doc FROM note WHERE at_s >= ? ORDER BY id DESC LIMIT ?"
            rows = self._read(sql, (since_s, limit))
        else:
            sql = "SELECT at_s, kind, doc FROM note WHERE kind = ? AND at_s >= ? ORDER BY at_s DESC, id DESC LIMIT ?"
            rows = self._read(sql, (kind, since_s, limit))
        return [{**_doc(doc), "at_s": at_s, "kind": word} for at_s, word, doc in rows]

    def close(self) -> None:
        """Note the orderly stop, checkpoint, close. Safe to call twice."""
        with self._lock, contextlib.suppress(sqlite3.ProgrammingError):  # closed already
            try:
                with self._transaction("closed"):
                    self._set_meta("clean_stop", 1.0)
                self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except sqlite3.OperationalError as error:
                raise store_error(self._name(), "closed", error) from None
            finally:
                self.abandon()

    # ---- beyond the port --------------------------------------------------------------------------------------

    def last_awake(self) -> float | None:
        """Latest time at which the journal is known to have been in use; None if it is new."""
        sql = (
            "SELECT max(t) FROM (SELECT max(at_s) AS t FROM fact UNION ALL SELECT max(at_s) FROM note"
            " UNION ALL SELECT value FROM meta WHERE name = 'awake_s')"
        )
        value = self._read(sql)[0][0]
        return None if value is None else float(value)

    def mark_awake(self, at_s: float) -> None:
        """Note that the collector lives; written at most once a minute, unsynced. Also prunes once a day."""
        if at_s - self._awake_s < AWAKE_EVERY_S:
            return
        with self._lock:
            # Nothing of value is lost with this row, so it does not pay for a sync of its own; the next
            # commit's sync covers the log before it as well.
            self._execute("PRAGMA synchronous = NORMAL")
            try:
                with self._transaction("written"):
                    self._set_meta("awake_s", at_s)
            finally:
                self._execute("PRAGMA synchronous = FULL")
            self._awake_s = at_s
        if at_s - self._pruned_s >= PRUNE_EVERY_S:
            first, self._pruned_s = self._pruned_s == float("-inf"), at_s
            if not first:  # not in the busy first minute
                self.prune()

    def waiting(self) -> list[dict[str, Any]]:
        """Outbox rows as the page shows them: id, title, to, channel, attempts, next_try_s, created_s, error."""
        rows = self._read(
            "SELECT o.id, m.doc, o.channel, o.attempts, o.next_try_s, o.created_s, o.error FROM outbox o"
            " JOIN message m ON m.id = o.message ORDER BY o.created_s, o.num"
        )
        names = ("channel", "attempts", "next_try_s", "created_s", "error")
        found = []
        for row_id, doc, *rest in rows:
            message = _message(doc)
            found.append(
                {"id": row_id, "title": message.title, "to": message.to, **dict(zip(names, rest, strict=True))}
            )
        return found

    def sent(self, since_s: float = 0.0, limit: int = 200) -> list[dict[str, Any]]:
        """How deliveries ended, newest first: id, message, channel, at_s, took_s, attempts, ok, error."""
        names = COLUMNS["sent"]
        sql = f"SELECT {', '.join(names)} FROM sent WHERE at_s >= ? ORDER BY num DESC LIMIT ?"  # noqa: S608
        rows = [dict(zip(names, row, strict=True)) for row in self._read(sql, (since_s, limit))]
        return [{**row, "ok": bool(row["ok"])} for row in rows]

    def prune(self) -> None:
        """Keep the newest notes of each kind, messages and deliveries; how many stands in the schema."""
        with self._transaction("pruned"):
            for kind, count in KEEP_NOTES.items():
                self._db.execute(
                    "DELETE FROM note WHERE kind = ? AND at_s < (SELECT at_s FROM note WHERE kind = ?"
                    " ORDER BY at_s DESC LIMIT 1 OFFSET ?)",
                    (kind, kind, count - 1),
                )
            for table in ("sent", "message"):
                self._trim(table, KEEP_SENT)

    def known(self, ids: Sequence[str]) -> set[str]:
        """Those of the message ids that have been queued before."""
        sql = "SELECT id FROM message WHERE id = ?"
        return {i for i in ids if self._read(sql, (plain(i),))}

    def rows(self, table: str, limit: int = -1) -> list[tuple[Any, ...]]:
        """The newest rows of a table, oldest first, in the order of `COLUMNS`."""
        names = ", ".join(COLUMNS[table])
        sql = f"SELECT {names} FROM (SELECT rowid AS r, * FROM {table} ORDER BY rowid DESC LIMIT ?) ORDER BY r"  # noqa: S608
        return self._read(sql, (limit,))

    def absorb(self, other: "SqliteJournal", touched: set[tuple[str, str]] | None) -> None:
        """Take over what `other` has seen meanwhile, in one transaction.

        Facts in `touched` (None: all) are replaced or forgotten; notes are added once; what `other` has
        delivered leaves the outbox and what it has queued or tried joins it; rows that `other` never saw stay.
        """
        facts = {(row[0], row[1]): row for row in other.rows("fact")}
        with self._transaction("written"):
            if touched is None:
                touched = {*facts, *((row[0], row[1]) for row in self.rows("fact"))}
            gone = [key for key in touched if key not in facts]
            self._db.executemany("DELETE FROM fact WHERE kind = ? AND key = ?", gone)
            salvage.fill(self._db, "fact", [facts[key] for key in facts if key in touched])
            self._db.executemany(
                "INSERT INTO note (at_s, kind, doc) SELECT ?1, ?2, ?3 WHERE NOT EXISTS"
                " (SELECT 1 FROM note WHERE kind = ?2 AND at_s = ?1 AND doc = ?3)",
                other.rows("note"),
            )
            salvage.fill(self._db, "message", other.rows("message"))
            sent = other.rows("sent")
            salvage.fill(self._db, "sent", sent)
            salvage.fill(self._db, "outbox", other.rows("outbox"))
            self._db.executemany("DELETE FROM outbox WHERE id = ?", [(row[0],) for row in sent])

    def load(self, rows: salvage.Rows) -> None:
        """Fill tables with rows in the order of `COLUMNS`."""
        with self._transaction("written"):
            for table, found in rows.items():
                salvage.fill(self._db, table, found)
        self.clean_stop = bool(self._meta("clean_stop") or 0.0)

    def trim(self, table: str, keep: int) -> None:
        """Keep the newest rows of a table; a message that waits stays."""
        with self._transaction("pruned"):
            self._trim(table, keep)

    def _trim(self, table: str, keep: int) -> None:
        sql = f"DELETE FROM {table} WHERE rowid <= (SELECT max(rowid) FROM {table}) - ?"  # noqa: S608
        if table == "message":
            sql += " AND id NOT IN (SELECT message FROM outbox)"
        self._db.execute(sql, (keep,))

    def abandon(self) -> None:
        """Close without a word: for a file that no longer works."""
        with self._lock:
            with contextlib.suppress(sqlite3.Error):
                self._db.close()
            if self._held is not None:
                self._held.close()
                self._held = None

    # ---- inside -----------------------------------------------------------------------------------------------

    def _keep(self, at_s: float, fact: Keep) -> None:
        kind, key = plain(fact.kind), plain(fact.key)
        if fact.doc is None:
            self._db.execute("DELETE FROM fact WHERE kind = ? AND key = ?", (kind, key))
            return
        doc = _dump(fact.doc)
        self._db.execute(
            "INSERT INTO fact (kind, key, at_s, doc, crc) VALUES (?, ?, ?, ?, ?) ON CONFLICT (kind, key)"
            " DO UPDATE SET at_s = excluded.at_s, doc = excluded.doc, crc = excluded.crc"
            " WHERE excluded.doc <> doc",
            (kind, key, at_s, doc, crc_of(kind, key, doc)),
        )

    def _note(self, at_s: float, kind: str, doc: dict[str, Any]) -> None:
        self._db.execute("INSERT INTO note (at_s, kind, doc) VALUES (?, ?, ?)", (at_s, kind, _dump(doc)))

    def _queue(self, at_s: float, message: Message, channels: tuple[str, ...]) -> None:
        message_id = plain(message.id)
        doc = _dump(dataclasses.asdict(message))
        known = self._db.execute(
            "INSERT OR IGNORE INTO message (id, at_s, doc, crc) VALUES (?, ?, ?, ?)",
            (message_id, at_s, doc, crc_of(message_id, doc)),
        )
        if known.rowcount < 1:
            return
        names = ("id", "to", "priority", "title", "text", "incident", "step")
        self._note(message.at_s, "message", {name: getattr(message, name) for name in names})
        wanted = tuple(name for name in channels if name in message.by)
        if message.by and not wanted:
            wanted = channels[:1]  # what it was meant for cannot be had: the next best
        for channel in wanted or channels:
            self._db.execute(
                "INSERT OR IGNORE INTO outbox (id, message, channel, attempts, next_try_s, created_s, error)"
                " VALUES (?, ?, ?, 0, ?, ?, '')",
                (row_id(message_id, channel), message_id, plain(channel), at_s, at_s),
            )
        if not channels:
            self._undelivered(at_s, message_id, "", f"{message.to} has no channel")

    def _finish(self, row: str, at_s: float, took_s: float, *, ok: bool, error: str) -> None:
        gone = self._db.execute(
            "DELETE FROM outbox WHERE id = ? RETURNING message, channel, attempts", (row,)
        ).fetchone()
        if gone is None:
            if ok:
                sql = "UPDATE sent SET ok = 1, error = '', at_s = ?, took_s = ? WHERE id = ? AND ok = 0"
                self._db.execute(sql, (at_s, took_s, row))
            return
        message, channel, attempts = gone
        salvage.fill(
            self._db,
            "sent",
            [(row, message, channel, at_s, took_s, attempts + 1, int(ok), plain(error))],
        )
        if not ok:
            self._undelivered(at_s, message, channel, error)

    def _undelivered(self, at_s: float, message_id: str, channel: str, error: str) -> None:
        found = self._db.execute("SELECT doc FROM message WHERE id = ?", (message_id,)).fetchone()
        title = _message(found[0]).title if found is not None else ""
        doc = {"message": message_id, "channel": channel, "title": title, "error": error}
        self._note(at_s, "undelivered", doc)

    def _meta(self, name: str) -> float | None:
        rows = self._read("SELECT value FROM meta WHERE name = ?", (name,))
        return float(rows[0][0]) if rows else None

    def _set_meta(self, name: str, value: float) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta (name, value) VALUES (?, ?)", (name, value))

    def _name(self) -> Path:
        return self.path or Path("the journal in memory")

    def _execute(self, sql: str) -> None:
        try:
            self._db.execute(sql)
        except sqlite3.Error as error:
            raise store_error(self._name(), "written", error) from error

    def _read(self, sql: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._lock:
            try:
                return self._db.execute(sql, values).fetchall()
            except sqlite3.Error as error:
                raise store_error(self._name(), "read", error) from error

    @contextlib.contextmanager
    def _transaction(self, doing: str) -> Iterator[None]:
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield
                self._db.execute("COMMIT")
            except sqlite3.ProgrammingError:
                raise
            except sqlite3.Error as error:
                self._roll_back()
                raise store_error(self._name(), doing, error) from error
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")


def row_id(message_id: str, channel: str) -> str:
    """Idempotence key of one message for one channel."""
    return plain(f"{message_id}|{channel}")


def plain(text: str) -> str:
    """Text that SQLite can hold: lone surrogates become question marks."""
    return text.encode("utf-8", "replace").decode("utf-8")


def _dump(doc: dict[str, Any]) -> str:
    return json.dumps(doc, separators=(",", ":"))


def _doc(text: str) -> dict[str, Any]:
    """A note's document; what has rotted on the card shows as such and hides nothing else."""
    try:
        doc = json.loads(text)
    except ValueError:
        doc = None
    return doc if isinstance(doc, dict) else {"unreadable": text}


def _message(doc: str) -> Message:
    values = json.loads(doc)
    known = {name: values[name] for name in MESSAGE_FIELDS if name in values}
    known["actions"] = tuple((str(a), str(b)) for a, b in known.get("actions", ()))
    known["by"] = tuple(str(name) for name in known.get("by", ()))
    return Message(**known)


def _hold(path: Path) -> TextIO | None:
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


def _open_sound(path: Path) -> tuple[sqlite3.Connection, str]:
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


def _sound(path: Path) -> bool:
    """Whether the file may be opened for writing, found out without changing it."""
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
            raise
