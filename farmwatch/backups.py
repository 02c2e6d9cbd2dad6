"""Backups: the databases as whole files of a folder, looked over by opening them; one a night, the newest kept.

A backup is a folder: `journal.db` and `history.db` as SQLite's own backup interface copies them, the history's append
log, and `backup.json` with the size and SHA-256 of each, written last. Secrets and keys are not in it.

The nightly one is made by a process of its own (``python -m farmwatch.backups DATA FOLDER``): looking a year's history
over takes a while, and neither the event loop nor the stop waits for it.
"""

import asyncio
import contextlib
import hashlib
import json
import logging
import os
import re
import shutil
import sqlite3
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

from farmwatch import __version__
from farmwatch.ports import Clock
from farmwatch.sqlitefile import connect_read_only, store_error, sync_folder
from farmwatch.stores.embedded import maintenance
from farmwatch.stores.embedded.log import PARTS
from farmwatch.words.errors import FarmwatchError, StoreError

DATABASES = ("journal.db", "history.db")
LOGS = tuple(f"history.db{part}" for part in PARTS)
LIST = "backup.json"
NIGHT = re.compile(r"night-\d{4}-\d\d-\d\d")
LOOK_EVERY_S = 600.0
AGAIN_S = 3_600.0  # after one that failed
LONGEST_S = 3_600.0
ROOM = 1.1  # times what is copied must be free
INHERITED = ("PATH", "PYTHONPATH", "VIRTUAL_ENV", "LANG", "TMPDIR")
"""Of the environment: what another Python needs to start, and no secret."""

log = logging.getLogger(__name__)


def take(data: Path, target: Path, names: Sequence[str] = DATABASES) -> str:
    """Write a backup of `data` to the new folder `target`; words on what is in it.

    Raises:
        FarmwatchError: where it could not be written, or is not sound; then `target` is not there.
    """
    if target.exists():
        raise FarmwatchError(f"{target} is there already", hint="give another name; nothing is written over")
    new = target.with_name(target.name + ".new")
    shutil.rmtree(new, ignore_errors=True)
    try:
        new.mkdir(mode=0o700, parents=True)
        _room(data, new, names)
        copy(data, new, names)
        words = verify(new)
        new.rename(target)
        sync_folder(target.parent)
    except OSError as error:
        raise FarmwatchError(f"{target} could not be written: {error.strerror}") from error
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return words


def _room(data: Path, target: Path, names: Sequence[str]) -> None:
    files = [data / name for name in (*names, *(LOGS if "history.db" in names else ()))]
    wanted = sum(path.stat().st_size for path in files if path.exists()) * ROOM
    free = shutil.disk_usage(target).free
    if free < wanted:
        raise StoreError(
            f"{target.parent} has {free / 1e6:.0f} MB free and a backup needs {wanted / 1e6:.0f} MB",
            hint="free some room, or name a folder on another disk",
        )


def copy(data: Path, target: Path, names: Sequence[str] = DATABASES) -> None:
    """The files, each whole; the log first: what becomes blocks meanwhile is in the database then."""
    for name in LOGS if "history.db" in names else ():
        with contextlib.suppress(FileNotFoundError):
            shutil.copyfile(data / name, target / name)
    found = [name for name in names if (data / name).exists()]
    if not found:
        raise StoreError(f"there is nothing to back up in {data}", hint="is data_dir right?")
    for name in found:
        try:
            with (
                contextlib.closing(connect_read_only(data / name)) as source,
                contextlib.closing(sqlite3.connect(target / name)) as copied,
            ):
                source.backup(copied, pages=1024)
                copied.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
        except sqlite3.Error as error:
            raise store_error(data / name, "copied", error) from error
    files = {path.name: {"bytes": path.stat().st_size, "sha256": _digest(path)} for path in sorted(target.iterdir())}
    about = {"farmwatch": __version__, "made": datetime.now(UTC).isoformat(timespec="seconds"), "files": files}
    (target / LIST).write_text(json.dumps(about, indent=1), "utf-8")


def listed(folder: Path) -> tuple[str, ...]:
    """Names of the files that are in a backup; raises StoreError where it is none of ours or not what was written."""
    try:
        files = json.loads((folder / LIST).read_text("utf-8"))["files"]
        for name, about in files.items():
            if name not in (*DATABASES, *LOGS):
                raise StoreError(f"{folder} holds a file that is none of ours: {name[:60]}")
            if _digest(folder / name) != about["sha256"]:
                raise StoreError(f"{folder / name} is not what was written", hint="take another backup")
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(f"{folder} is no whole backup: {LIST} or a file of its list cannot be read") from error
    return tuple(files)


def verify(folder: Path) -> str:
    """Open everything and look it over; words on what is in it. Raises StoreError with what is wrong."""
    files = listed(folder)
    words = []
    for name in (name for name in DATABASES if name in files):
        with contextlib.closing(sqlite3.connect(f"{(folder / name).absolute().as_uri()}?mode=ro", uri=True)) as db:
            try:
                result = db.execute("PRAGMA integrity_check(1)").fetchall()
            except sqlite3.Error as error:
                raise store_error(folder / name, "read", error) from error
        if result != [("ok",)]:
            raise StoreError(f"{folder / name} is damaged: {result[0][0]}")
        words.append(f"{name} {(folder / name).stat().st_size / 1e6:.1f} MB")
    if "history.db" in files:
        looked = maintenance.check(folder / "history.db")
        if looked.wrong:
            raise StoreError(f"{folder / 'history.db'}: {looked.wrong[0]}")
        words.append(f"{looked.rows + looked.log_rows} rows of readings")
    return f"{', '.join(words)}; opened and sound"


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# ---- every night ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Nights:
    """When, where and how many.

    Attributes:
        data: folder of the databases.
        folder: where the backups go, one folder a night.
        keep: how many are kept, the newest.
        hour: from which hour of the local day on one is made.
        history_days: the history, which is large, is in one of so many; 0: in none.
        zone: of the local day.
    """

    data: Path
    folder: Path
    keep: int
    hour: int
    history_days: int
    zone: tzinfo


def kept(folder: Path) -> list[Path]:
    """The whole backups of nights, oldest first."""
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if NIGHT.fullmatch(path.name) and (path / LIST).exists())


def with_history(backups: Sequence[Path]) -> list[Path]:
    """Those that hold the history as well."""
    return [path for path in backups if (path / "history.db").exists()]


def rotate(folder: Path, keep: int) -> list[Path]:
    """Remove all but the newest `keep` backups of nights; the newest with a history stays. What was removed.

    By number, not by date: a wrong clock removes nothing that it should not.
    """
    found = kept(folder)
    gone = [path for path in found[: max(0, len(found) - keep)] if path not in with_history(found)[-1:]]
    for path in gone:
        (path / LIST).unlink(missing_ok=True)  # first: what is left of a removal that is cut short is no backup
        shutil.rmtree(path, ignore_errors=True)
    return gone


class Nightly:
    """Makes tonight's backup once it is time, and then lets the oldest go.

    Attributes:
        error: why the last one failed; "" if it did not.
    """

    def __init__(self, nights: Nights, clock: Clock, *, tell: Callable[[bool, str], None]) -> None:
        self.error = ""
        self._nights, self._clock, self._tell = nights, clock, tell
        self._failed_s: float | None = None
        self._told: bool | None = None  # the first is always told: before a restart it may have failed

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_EVERY_S)

    def due(self, now_s: float) -> Path | None:
        """The folder to be written now; None while there is nothing to do."""
        if self._failed_s is not None and 0 <= now_s - self._failed_s < AGAIN_S:
            return None
        local = datetime.fromtimestamp(now_s, self._nights.zone)
        day = local.date() if local.hour >= self._nights.hour else local.date() - timedelta(days=1)
        target = self._nights.folder / f"night-{day.isoformat()}"
        newest = kept(self._nights.folder)[-1:]
        # A clock that went back makes no second one: the names of days that are over stay free.
        return None if newest and newest[0].name >= target.name else target

    def databases(self, target: Path) -> tuple[str, ...]:
        """What belongs into tonight's."""
        days, found = self._nights.history_days, with_history(kept(self._nights.folder))
        if not days or (found and _nights_between(found[-1], target) < days):
            return DATABASES[:1]
        return DATABASES

    async def look(self) -> None:
        """One look: make what is due."""
        target = await asyncio.to_thread(self.due, self._clock.now_s())
        if target is None or not (self._nights.data / DATABASES[0]).exists():
            return
        ok, words = await self._made(target)
        if not ok:
            self._failed_s = self._clock.now_s()
            log.warning("nightly backup: %s", words)
        else:
            self._failed_s = None
            gone = await asyncio.to_thread(rotate, self._nights.folder, self._nights.keep)
            log.info("nightly backup %s: %s%s", target.name, words, f"; {len(gone)} older removed" if gone else "")
        self.error = "" if ok else words
        if self._told is not ok:
            self._told = ok
            self._tell(ok, self.error)

    async def _made(self, target: Path) -> tuple[bool, str]:
        """Have another process make it; whether it did, and its words."""
        command = (sys.executable, "-m", "farmwatch.backups", str(self._nights.data), str(target))
        environment = {name: os.environ[name] for name in INHERITED if name in os.environ}
        try:
            process = await asyncio.create_subprocess_exec(
                *command, *self.databases(target), env=environment, stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
            )  # fmt: skip
        except OSError as error:  # too many files or processes, no memory: no reason to stop watching
            return False, f"its process could not be started: {error.strerror}"
        try:
            async with asyncio.timeout(LONGEST_S):
                text, _ = await process.communicate()
        except TimeoutError:
            return False, f"not done within {LONGEST_S / 60:.0f} minutes"
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        lines = text.decode(errors="replace").strip().splitlines()
        return process.returncode == 0, lines[-1] if lines else f"ended with {process.returncode} and no word"


def _nights_between(earlier: Path, later: Path) -> int:
    one, other = (datetime.fromisoformat(path.name.removeprefix("night-")) for path in (earlier, later))
    return (other - one).days


def main(words: Sequence[str]) -> int:
    """``DATA FOLDER [DATABASE ...]``: one backup, beside whatever else this computer does."""
    with contextlib.suppress(OSError):
        os.nice(10)
    try:
        print(take(Path(words[0]), Path(words[1]), words[2:] or DATABASES))  # noqa: T201  (its answer)
    except FarmwatchError as error:
        print(" ".join(str(error).split()))  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
