"""`farmwatch backup` while it runs, verified by opening it; `farmwatch restore`.

A backup is a folder: `journal.db` and `history.db` as SQLite's own backup interface copies them, the history's append
log, and `backup.json` with the size and SHA-256 of each, written last. Secrets and keys are not in it.
"""

import argparse
import contextlib
import hashlib
import json
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from farmwatch import __version__
from farmwatch.settings import load
from farmwatch.sqlitefile import connect_read_only, store_error, sync_folder
from farmwatch.stores.embedded import maintenance
from farmwatch.stores.embedded.log import PARTS
from farmwatch.stores.journal.opening import hold
from farmwatch.words.errors import FarmwatchError, StoreError

DATABASES = ("journal.db", "history.db")
LOGS = tuple(f"history.db{part}" for part in PARTS)
LIST = "backup.json"


def run_backup(args: argparse.Namespace) -> int:
    """Exit code 0 when the backup was written and is sound."""
    settings = load(args.config, live=False)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    target = Path(args.folder or f"farmwatch-backup-{stamp}")
    if target.exists():
        raise FarmwatchError(f"{target} is there already", hint="give another name; nothing is written over")
    new = target.with_name(target.name + ".new")
    shutil.rmtree(new, ignore_errors=True)
    try:
        new.mkdir(mode=0o700, parents=True)
        copy(settings.data_path, new)
        words = verify(new)
        new.rename(target)
        sync_folder(target.parent)
    except OSError as error:
        raise FarmwatchError(f"{target} could not be written: {error.strerror}") from error
    finally:
        shutil.rmtree(new, ignore_errors=True)
    print(f"{target}: {words}")  # noqa: T201
    return 0


def copy(data: Path, target: Path) -> None:
    """The files, each whole; the log first: what becomes blocks meanwhile is in the database then."""
    for name in LOGS:
        with contextlib.suppress(FileNotFoundError):
            shutil.copyfile(data / name, target / name)
    found = [name for name in DATABASES if (data / name).exists()]
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


def verify(folder: Path) -> str:
    """Open everything and look it over; words on what is in it. Raises StoreError with what is wrong."""
    try:
        files = json.loads((folder / LIST).read_text("utf-8"))["files"]
        for name, about in files.items():
            if name not in (*DATABASES, *LOGS):
                raise StoreError(f"{folder} holds a file that is none of ours: {name[:60]}")
            if _digest(folder / name) != about["sha256"]:
                raise StoreError(f"{folder / name} is not what was written", hint="take another backup")
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(f"{folder} is no whole backup: {LIST} or a file of its list cannot be read") from error
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


def run_restore(args: argparse.Namespace) -> int:
    """Exit code 0; what was there before is moved aside, never deleted."""
    settings = load(args.config, live=False)
    folder, data = Path(args.folder), settings.data_path
    words = verify(folder)
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = hold(data / "journal.db")  # refuses while a farmwatch runs
    try:
        new = data / "restore.new"
        shutil.rmtree(new, ignore_errors=True)
        shutil.copytree(folder, new)
        mine = {name + part for name in (*DATABASES, *LOGS) for part in ("", "-wal", "-shm")}
        before = [path for path in data.iterdir() if path.name in mine]
        aside = data / f"before-restore-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
        if before:
            aside.mkdir(mode=0o700)
            for path in before:
                path.rename(aside / path.name)
        for path in new.iterdir():
            if path.name != LIST:
                path.rename(data / path.name)
        shutil.rmtree(new, ignore_errors=True)
        sync_folder(data)
    except OSError as error:
        raise FarmwatchError(f"{data} could not be written: {error.strerror}") from error
    finally:
        if lock is not None:
            lock.close()
    kept = f"; what was there is in {aside}" if before else ""
    print(f"restored {words}{kept}")  # noqa: T201
    return 0


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
