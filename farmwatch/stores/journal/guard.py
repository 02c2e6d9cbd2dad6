"""A journal that goes on in memory while its disk is full, read-only or broken, and catches up afterwards.

::

    works     every call is durable on the disk; the outbox is mirrored in memory
    degraded  calls go to memory only: watching and telling go on, a kill would lose them; the disk is tried
              again every few seconds, and once it works all of it is written in one transaction

A small reserve file is deleted when the disk is full, so that the first transactions after that are durable
still. An error of fsync is never retried on the same connection: what the kernel has dropped stays dropped
without a word, so the file is closed, opened and checked again.
"""

import contextlib
import logging
import math
import os
import sqlite3
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from farmwatch.ports import OutboxRow
from farmwatch.sqlitefile import code_of, store_error, sync_folder
from farmwatch.stores.journal import salvage
from farmwatch.stores.journal.disk import SqliteJournal
from farmwatch.stores.journal.schema import Unusable
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Effect, Keep, Message

RETRY_S = 5.0
RESERVE_BYTES = 4 * 1024 * 1024
NOTES_IN_MEMORY = 10_000
REMEMBERED = 1_000  # message ids in memory

log = logging.getLogger(__name__)


class JournalGuard:
    """`ports.Journal` that raises no StoreError once it stands.

    Facts, the outbox and the ids last known are mirrored in memory; notes only while the disk does not work.

    Raises at construction:
        Unusable: a newer Farmwatch wrote the journal, or another process holds it.

    Attributes:
        notice: what was found wrong at opening and what was done about it; empty if all was well.
        trouble: why nothing is durable at the moment; empty while the disk works.
        clean_stop: whether the last run ended in order.
    """

    def __init__(self, path: Path, *, reserve_bytes: int = RESERVE_BYTES) -> None:
        self.path = path
        self.notice = ""
        self.trouble = ""
        self.clean_stop = False
        self._lock = threading.RLock()
        self._reserve_bytes = reserve_bytes
        self._disk: SqliteJournal | None = None
        self._memory = SqliteJournal.in_memory()
        self._touched: set[tuple[str, str]] = set()
        self._history: SqliteJournal | None = None  # of a file that could only be read as a copy
        self._all_known = True  # memory holds every fact that the file held at the start
        self._reopened = False
        self._next_try_s = float("-inf")
        self._awake_s: float | None = None
        self._start()

    def _start(self) -> None:
        try:
            self._disk = SqliteJournal.open(self.path)
        except Unusable:
            raise
        except StoreError as error:
            self._degrade(error)
            source = self._history = self._read_as_copy()
        else:
            self.notice = self._disk.notice
            self._refill_reserve()
            source = self._disk
        if source is not None:
            self.clean_stop = source.clean_stop
            self._awake_s = source.last_awake()
            self._mirror(source)

    def _mirror(self, source: SqliteJournal) -> None:
        outbox = source.rows("outbox")
        messages = source.rows("message", REMEMBERED)
        if not {row[1] for row in outbox} <= {row[0] for row in messages}:
            messages = source.rows("message")
        rows = {"fact": source.rows("fact"), "message": messages, "outbox": outbox}
        self._memory.load({**rows, "sent": source.rows("sent", REMEMBERED)})

    def _read_as_copy(self) -> SqliteJournal | None:
        """What a journal that cannot be opened holds, read from a copy into memory."""
        try:
            if not self.path.exists():
                return None
            rows, bad = salvage.read(self.path)
        except (OSError, sqlite3.Error, StoreError) as error:
            # The disk that cannot be read may fail the copy as well: a start without memory is better than none.
            self._all_known = False
            why = store_error(self.path, "read", error)
            log.error("journal: nothing of it could be read: %s", why)  # noqa: TRY400  (words say it all)
            return None
        self._all_known = not bad
        known = SqliteJournal.in_memory()
        known.load(rows)
        return known

    # ---- health -----------------------------------------------------------------------------------------------

    @property
    def ok(self) -> bool:
        """Whether what is said now is durable."""
        return not self.trouble

    def retry(self, now_s: float) -> bool:
        """Try a failing disk again if it is time; true if it works. To be called every few seconds."""
        with self._lock:
            if not self.trouble:
                self._refill_reserve()
            elif now_s >= self._next_try_s:
                self._next_try_s = now_s + RETRY_S
                self._catch_up()
            return self.ok

    def _catch_up(self) -> None:
        try:
            if self._disk is None:
                self._disk = SqliteJournal.open(self.path)
                self._reopened = True
                self.notice = self._disk.notice or self.notice
            everything = self._reopened and self._all_known
            self._disk.absorb(self._memory, None if everything else self._touched)
            if not self._all_known:
                self._mirror(self._disk)
        except StoreError as error:
            self._degrade(error)
            return
        self._touched.clear()
        self._history, self._all_known, self._reopened = None, True, False
        self.trouble = ""
        self._tidy()
        log.warning("journal: works again; all that was held in memory is written")

    def _degrade(self, error: StoreError) -> None:
        # A full disk leaves the connection sound; after any other error the file is opened and checked anew.
        if self._disk is not None and not _full(error):
            self._disk.abandon()
            self._disk = None
        if not self.trouble:
            log.error("journal: %s; going on in memory", error)
        self.trouble = str(error)

    def _write(self, act: Callable[[SqliteJournal], object]) -> None:
        """On the disk if it works, and in memory always; a full disk first costs the reserve."""
        if self._disk is not None and not self.trouble:
            try:
                try:
                    act(self._disk)
                except StoreError as error:
                    if not (_full(error) and self._give_up_reserve()):
                        raise
                    act(self._disk)
            except StoreError as error:
                self._degrade(error)
        act(self._memory)
        self._tidy()

    def _tidy(self) -> None:
        self._memory.trim("note", 0 if self.ok else NOTES_IN_MEMORY)
        self._memory.trim("message", REMEMBERED)
        self._memory.trim("sent", REMEMBERED)

    def _read(self, act: Callable[[SqliteJournal], list[dict[str, Any]]]) -> list[dict[str, Any]]:
        source = self._disk or self._history
        try:
            return act(source) if source is not None else []
        except StoreError as error:
            self._degrade(error)
            return []

    # ---- the reserve ------------------------------------------------------------------------------------------

    def _reserve(self) -> Path:
        return self.path.with_name(self.path.name + ".reserve")

    def _give_up_reserve(self) -> bool:
        try:
            self._reserve().unlink()
        except OSError:
            return False
        log.error("journal: the disk is full; the reserve of %d bytes is given up", self._reserve_bytes)
        return True

    def _refill_reserve(self) -> None:
        """Allocate the reserve where eight times as much is free."""
        path = self._reserve()
        with contextlib.suppress(OSError):
            if not self._reserve_bytes or path.exists():
                return
            room = os.statvfs(self.path.parent)
            if room.f_bavail * room.f_frsize < 8 * self._reserve_bytes:
                return
            with path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._reserve_bytes)
            sync_folder(path.parent)

    # ---- the port ---------------------------------------------------------------------------------------------

    def facts(self) -> list[tuple[str, str, dict[str, Any]]]:
        """All (kind, key, document) that stand."""
        with self._lock:
            return self._memory.facts()

    def commit(self, at_s: float, effects: Sequence[Effect], channels: dict[str, tuple[str, ...]]) -> None:
        """One transaction; in memory only while the disk does not work."""
        with self._lock:
            self.retry(at_s)
            old = self._known(effects)
            fresh = [e for e in effects if not (isinstance(e, Message) and e.id in old)]
            self._write(lambda journal: journal.commit(at_s, fresh, channels))
            if self.trouble:
                self._touched |= {(e.kind, e.key) for e in effects if isinstance(e, Keep)}

    def _known(self, effects: Sequence[Effect]) -> set[str]:
        """Ids of those messages that the disk knows already, also such as memory no longer remembers."""
        ids = [e.id for e in effects if isinstance(e, Message)]
        if not ids or self._disk is None:
            return set()
        try:
            return self._disk.known(ids)
        except StoreError as error:
            self._degrade(error)
            return set()

    def due(self, now_s: float, limit: int = 50) -> list[OutboxRow]:
        """Outbox rows whose next try has come, oldest first; from memory."""
        with self._lock:
            self.retry(now_s)
            return self._memory.due(now_s, limit)

    def delivered(self, row_id: str, at_s: float, took_s: float) -> None:
        """The channel's service has accepted it."""
        with self._lock:
            self.retry(at_s)
            self._write(lambda journal: journal.delivered(row_id, at_s, took_s))

    def begun(self, row_ids: Sequence[str]) -> None:
        """A call is about to be made."""
        with self._lock:
            self._write(lambda journal: journal.begun(row_ids))

    def failed(
        self, row_id: str, at_s: float, next_try_s: float | None, error: str, *, maybe: bool = False
    ) -> None:
        """An attempt failed; `next_try_s` None gives up; `maybe`: it may have arrived all the same."""
        with self._lock:
            self.retry(at_s)
            self._write(lambda journal: journal.failed(row_id, at_s, next_try_s, error, maybe=maybe))

    def history(
        self, kind: str | None = None, since_s: float = 0.0, limit: int = 200, *, until_s: float = math.inf,
        about: str | None = None,
    ) -> list[dict[str, Any]]:  # fmt: skip
        """Notes on record, newest first."""
        with self._lock:
            rows = self._read(lambda journal: journal.history(kind, since_s, limit, until_s=until_s, about=about))
            recent = self._memory.history(kind, since_s, limit, until_s=until_s, about=about)
            return (recent + rows)[:limit]

    def close(self) -> None:
        """Write what is still in memory if the disk lets us, then close."""
        with self._lock:
            if self.trouble:
                self._catch_up()
            if self.trouble:
                log.error("journal: closed with changes that could not be written: %s", self.trouble)
            if self._disk is not None:
                try:
                    self._disk.close()
                except StoreError as error:
                    log.error("journal: %s", error)  # noqa: TRY400  (the words say it all)
                self._disk = None
            self._memory.abandon()

    # ---- beyond the port --------------------------------------------------------------------------------------

    def last_awake(self) -> float | None:
        """When the collector was last known to be awake before it was started now; None at the first start."""
        return self._awake_s

    def mark_awake(self, at_s: float) -> None:
        """Note that the collector lives, at most once a minute; also tries a failing disk again."""
        with self._lock:
            if self.retry(at_s) and self._disk is not None:
                try:
                    self._disk.mark_awake(at_s)
                except StoreError as error:
                    self._degrade(error)

    def waiting(self) -> list[dict[str, Any]]:
        """Outbox rows as the page shows them."""
        with self._lock:
            return self._memory.waiting()

    def sent(self, since_s: float = 0.0, limit: int = 200) -> list[dict[str, Any]]:
        """How deliveries ended, newest first."""
        with self._lock:
            return self._read(lambda journal: journal.sent(since_s, limit)) or self._memory.sent(since_s, limit)


def _full(error: StoreError) -> bool:
    return error.__cause__ is not None and code_of(error.__cause__) == "SQLITE_FULL"
