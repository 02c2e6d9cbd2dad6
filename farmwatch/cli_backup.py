"""`farmwatch backup` while it runs, verified by opening it; `farmwatch restore`. What a backup is: `backups.py`."""

import argparse
import shutil
from datetime import UTC, datetime
from pathlib import Path

from farmwatch.backups import DATABASES, LIST, LOGS, listed, take, verify
from farmwatch.settings import load
from farmwatch.sqlitefile import sync_folder
from farmwatch.stores.journal.opening import hold
from farmwatch.words.errors import FarmwatchError


def run_backup(args: argparse.Namespace) -> int:
    """Exit code 0 when the backup was written and is sound."""
    settings = load(args.config, live=False)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    target = Path(args.folder or f"farmwatch-backup-{stamp}")
    print(f"{target}: {take(settings.data_path, target)}")  # noqa: T201
    return 0


def run_restore(args: argparse.Namespace) -> int:
    """Exit code 0; what was there before is moved aside, never deleted. A database that the backup lacks stays."""
    settings = load(args.config, live=False)
    folder, data = Path(args.folder), settings.data_path
    words, files = verify(folder), listed(folder)
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = hold(data / "journal.db")  # refuses while a farmwatch runs
    try:
        new = data / "restore.new"
        shutil.rmtree(new, ignore_errors=True)
        shutil.copytree(folder, new)
        whole = [name for name in DATABASES if name in files]
        logs = LOGS if "history.db" in files else ()
        mine = {name + part for name in (*whole, *logs) for part in ("", "-wal", "-shm")}
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
