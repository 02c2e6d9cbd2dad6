"""The journal in one SQLite file: write-ahead log, every commit synced before the call returns.

Calls block: a commit costs one fsync, some milliseconds on a disk and up to tens on a memory card. Any thread
may call; a lock keeps them apart.
"""

import contextlib
import heapq
import json
import math
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Self, TextIO

from farmwatch.failpoints import hit
from farmwatch.ports import OutboxRow
from farmwatch.sqlitefile import connect, store_error
from farmwatch.stores.journal import opening, outbox, salvage
from farmwatch.stores.journal.outbox import doc_of, dump, plain
from farmwatch.stores.journal.schema import COLUMNS, KEEP_NOTES, KEEP_SENT, crc_of, migrate
from farmwatch.words.model import Effect, Keep, Message, Note

AWAKE_EVERY_S = 60.0
PRUNE_EVERY_S = 86_400.0
WITNESSES = 8
LONE_S = 2 * 86_400.0  # a time so long after all others is a damaged one
_NEWEST = "ORDER BY at_s DESC, id DESC LIMIT ?"
_ABOUT = (
    "json_valid(doc) AND ? IN (json_extract(doc, '$.machine'), json_extract(doc, '$.subject'),"
    " json_extract(doc, '$.place'))"
)


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
        held = opening.hold(path)
        try:
            connection, notice = opening.open_sound(path)
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
                    outbox.note(self._db, effect.at_s, effect.kind, effect.doc)
                elif isinstance(effect, Message):
                    outbox.queue(self._db, at_s, effect, channels.get(effect.to, ()))
                    hit("outbox.queued")
            hit("outbox.commit")

    def due(self, now_s: float, limit: int = 50) -> list[OutboxRow]:
        """Outbox rows whose next try has come, oldest first; a person's second channel among them."""
        return [outbox.row_of(found) for found in self._read(outbox.DUE, (now_s, limit))]

    def begun(self, row_ids: Sequence[str]) -> None:
        """A call is about to be made: should nothing more be heard of it, these rows may have arrived."""
        with self._transaction("written"):
            outbox.begun(self._db, row_ids)
            hit("outbox.begun.commit")

    def delivered(self, row_id: str, at_s: float, took_s: float) -> None:
        """The channel's service has accepted it. A success that comes late corrects a failure on record."""
        with self._transaction("written"):
            outbox.finish(self._db, row_id, at_s, took_s, ok=True, error="")
            hit("outbox.delivered.commit")

    def failed(
        self, row_id: str, at_s: float, next_try_s: float | None, error: str, *, maybe: bool = False
    ) -> None:
        """An attempt failed; `next_try_s` None gives up, which stays on record as a note ``undelivered``.

        `maybe`: the service may have taken it all the same.
        """
        with self._transaction("written"):
            if next_try_s is not None:
                outbox.put_off(self._db, row_id, next_try_s, plain(error), maybe=maybe)
            else:
                outbox.finish(self._db, row_id, at_s, 0.0, ok=False, error=error)
            hit("outbox.failed.commit")

    def history(
        self, kind: str | None = None, since_s: float = 0.0, limit: int = 200, *, until_s: float = math.inf,
        about: str | None = None,
    ) -> list[dict[str, Any]]:  # fmt: skip
        """Notes on record, newest first, each with `at_s` and `kind`; a kind a query, for the index is by kind."""
        kinds = [*KEEP_NOTES] if kind is None else [kind]
        found = [self._of_kind(one, since_s, until_s, about, limit) for one in kinds]
        newest = islice(heapq.merge(*found, key=lambda row: (-row[0], -row[1])), limit)
        return [{**doc_of(doc), "at_s": at_s, "kind": word} for at_s, _, word, doc in newest]

    def _of_kind(self, kind: str, since_s: float, until_s: float, about: str | None, limit: int) -> list[Any]:
        rows = "SELECT at_s, id, kind, doc FROM note WHERE kind = ? AND at_s BETWEEN ? AND ?"
        if about is None:
            return self._read(f"{rows} {_NEWEST}", (kind, since_s, until_s, limit))
        return self._read(f"{rows} AND {_ABOUT} {_NEWEST}", (kind, since_s, until_s, about, limit))

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
        """Latest time at which the journal is known to have been in use; None if it is new.

        A time that lies alone, days after all others, is not believed: a damaged bit of one row would otherwise make
        every later time look like a clock that stands wrong.
        """
        times = [
            row[0]
            for table, index in (("fact", "at_s"), ("note", "id"))
            for row in self._read(f"SELECT at_s FROM {table} ORDER BY {index} DESC LIMIT {WITNESSES}")  # noqa: S608
        ]
        times += [row[0] for row in self._read("SELECT value FROM meta WHERE name IN ('awake_s', 'awake_again_s')")]
        newest = sorted((float(at_s) for at_s in times if isinstance(at_s, int | float)), reverse=True)
        while len(newest) > 2 and newest[0] - newest[1] > LONE_S:
            del newest[0]
        return newest[0] if newest else None

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
                    self._set_meta("awake_again_s", at_s)  # so that the true one never stands alone
            finally:
                self._execute("PRAGMA synchronous = FULL")
            self._awake_s = at_s
        if at_s - self._pruned_s >= PRUNE_EVERY_S:
            first, self._pruned_s = self._pruned_s == float("-inf"), at_s
            if not first:  # not in the busy first minute
                self.prune()

    def waiting(self) -> list[dict[str, Any]]:
        """Outbox rows as the page shows them: id, title, to, channel, attempts, next_try_s, created_s, error, rank."""
        return [outbox.shown(found) for found in self._read(outbox.WAITING)]

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
        doc = dump(fact.doc)
        self._db.execute(
            "INSERT INTO fact (kind, key, at_s, doc, crc) VALUES (?, ?, ?, ?, ?) ON CONFLICT (kind, key)"
            " DO UPDATE SET at_s = excluded.at_s, doc = excluded.doc, crc = excluded.crc"
            " WHERE excluded.doc <> doc",
            (kind, key, at_s, doc, crc_of(kind, key, doc)),
        )

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
