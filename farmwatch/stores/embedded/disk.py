"""The file and its append log, as the writing thread sees them: restore, log, seal, night's work, trouble."""

import contextlib
import logging
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from farmwatch.heap import give_back
from farmwatch.sqlitefile import is_damage, set_aside, store_error
from farmwatch.stores.embedded import format1
from farmwatch.stores.embedded.blocks import Frame
from farmwatch.stores.embedded.log import AppendLog, Key, pack
from farmwatch.stores.embedded.salvage import take_over
from farmwatch.stores.embedded.schema import epoch_of, open_reader, open_writer
from farmwatch.stores.embedded.writing import Writing
from farmwatch.words.errors import StoreError

T = TypeVar("T")
Frames = Sequence[tuple[Key, Frame]]
KeepDays = Mapping[str, Mapping[str, int]]

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class NightWork:
    """What the night's work did."""

    merged: int
    pruned: int


class Disk:
    """Everything here runs on the one writing thread; raises StoreError in our words.

    Attributes:
        notice: what was found wrong and what was done about it.
        epoch: the epoch in which new records are written; what belongs to earlier ones is in blocks.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notice = ""
        self.epoch = 1
        self._log = AppendLog(path)
        self._db: sqlite3.Connection | None = None

    # ---- doing ---------------------------------------------------------------------------------------------------

    def _open(self) -> sqlite3.Connection:
        if self._db is None:
            self._db = open_writer(self.path)
        return self._db

    def _do(self, doing: str, act: Callable[[sqlite3.Connection], T]) -> T:
        """One transaction; a damaged file is set aside, a new one begun, and what can be read taken over."""
        for last in (False, True):
            try:
                db = self._open()
                db.execute("BEGIN IMMEDIATE")
                found = act(db)
                db.execute("COMMIT")
            except sqlite3.Error as error:
                self._close_db()  # which also rolls back
                if is_damage(error) and not last:
                    self._set_aside()
                    continue
                raise store_error(self.path, doing, error) from error
            except OSError as error:
                self._close_db()
                raise store_error(self.path, doing, error) from error
            except BaseException:
                self._close_db()
                raise
            else:
                return found
        raise AssertionError  # not reached: the second turn returns or raises

    def _set_aside(self) -> None:
        try:
            kept = set_aside(self.path)
        except OSError as error:
            raise store_error(self.path, "set aside", error) from error
        saved, lost = take_over(kept, self.path, self.epoch)
        self.notice = (
            f"{self.path.name} was damaged and is kept as {kept.name}; a new one was begun,"
            f" {saved} of its blocks were taken over, {lost} could not be read"
        )
        log.error("series: %s", self.notice)

    def _tell(self, aside: Sequence[int]) -> None:
        if aside:
            self.notice = f"{len(aside)} damaged blocks of {self.path.name} were set aside; the rest is read"
            log.error("series: %s", self.notice)

    # ---- the port's work -----------------------------------------------------------------------------------------

    def restore(self) -> list[tuple[Key, Frame]]:
        """What the log holds that is in no block yet. A file of today needs no disk that can be written."""
        self._upgrade()
        try:
            db = open_reader(self.path)
            epoch = 1 if db is None else epoch_of(db)
            if db is not None:
                db.close()
        except sqlite3.Error as error:
            if not is_damage(error):
                raise store_error(self.path, "read", error) from error
            epoch = self._do("read", epoch_of)
        try:
            found = self._log.read(epoch)
        except OSError as error:
            raise store_error(self._log.path, "read", error) from error
        self.epoch = self._log.epoch
        if self._log.damaged:
            self.notice = f"{self._log.damaged} records of the log beside {self.path.name} were damaged and passed over"
            log.error("series: %s", self.notice)
        return found

    def _upgrade(self) -> None:
        """A file of an earlier format is written anew before anything else happens."""
        if not format1.is_format_1(self.path):
            return
        try:
            self.notice = format1.upgrade(self.path)
        except (sqlite3.Error, OSError) as error:
            raise store_error(self.path, "written anew in today's format", error) from error
        log.warning("series: %s", self.notice)

    def write_log(self, frames: Frames) -> None:
        """Rows that memory holds: durable when this returns."""
        try:
            self._log.write(pack(frames))
        except OSError as error:
            # A sync that failed says nothing about the next one: the record is written again through a new handle.
            self._log.close()
            raise store_error(self._log.path, "written", error) from error
        if self._db is None and not self.path.exists():
            # The first blocks come hours later; until then an empty file tells other programs that the log counts.
            with contextlib.suppress(sqlite3.Error, OSError, StoreError):
                self._open()

    def seal(self, frames: Frames, again: Frames) -> None:
        """Rows as blocks, and the log's next epoch, in one transaction; rows of `again` stay in the log."""
        if again:
            try:
                self._log.write_ahead(pack(again))
            except OSError as error:
                self._log.close()
                raise store_error(self._log.path, "written", error) from error
        self._put(frames, self.epoch + 1, merge_all=False)
        self.epoch += 1
        self._log.begin_next(ahead=bool(again))
        give_back()

    def put(self, frames: Frames) -> None:
        """Rows from elsewhere as blocks; the log goes on as it was."""
        self._put(frames, self.epoch, merge_all=True)

    def _put(self, frames: Frames, epoch: int, *, merge_all: bool) -> None:
        def act(db: sqlite3.Connection) -> list[int]:
            writing = Writing(db)
            for key, frame in frames:
                if frame.times:
                    writing.put(key, frame, merge_all=merge_all)
            db.execute("UPDATE meta SET value = ? WHERE key = 'epoch'", (epoch,))
            return writing.aside

        self._tell(self._do("written", act))

    def night(self, keep_days: KeepDays, *, today_too: bool = False) -> NightWork:
        """Merge what came late, take out what is older than is kept, make one block of each source's day."""

        def act(db: sqlite3.Connection) -> tuple[NightWork, list[int]]:
            writing = Writing(db)
            done_to = db.execute("SELECT value FROM meta WHERE key = 'repacked'").fetchone()[0]
            done = NightWork(writing.merge_apart(), writing.prune(keep_days))
            day = writing.repack(done_to, today_too=today_too)
            db.execute("UPDATE meta SET value = ? WHERE key = 'repacked'", (day,))
            return done, writing.aside

        found, aside = self._do("written", act)
        self._tell(aside)
        give_back()
        return found

    def put_aside(self, blocks: Sequence[int]) -> None:
        """Set blocks aside that readers found damaged."""

        def act(db: sqlite3.Connection) -> list[int]:
            writing = Writing(db)
            for block_id in blocks:
                writing.set_aside(block_id)
            return writing.aside

        self._tell(self._do("written", act))

    def compact(self) -> None:
        """Give the room of what was taken out back to the disk; needs as much free room as the file has content."""
        try:
            self._open().execute("VACUUM")
        except sqlite3.Error as error:
            self._close_db()
            raise store_error(self.path, "compacted", error) from error

    def _close_db(self) -> None:
        if self._db is not None:
            self._db.close()
        self._db = None

    def close(self) -> None:
        """Close both; SQLite folds its own log into the file."""
        self._log.close()
        self._close_db()
