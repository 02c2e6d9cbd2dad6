"""How room is given back when old readings go: one file, auto_vacuum, a file a month; on a block device of its own.

By hand, as root::

    python tests/bench/history_room.py [--machines 1] [--days 75] [--keep 30]

A day goes in, the night's work takes out what is older than is kept, and so on; rollups are kept for good. Printed are
the files' size at the end, bytes written to the device, and what taking out costs a night. `auto_vacuum` is SQLite's
incremental one, all free pages given back each night. A month's file has thirty days; once all of it is older than is
kept, its rollups move into one file that stays, and it is deleted.
"""

import argparse
import asyncio
import sqlite3
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

from bench import load
from history import a_card, cached_day, size_of, some
from saltmarsh import FOUR, another, count, jittered, only

from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.embedded.coding import use_numpy
from farmwatch.stores.embedded.schema import PAGE_SIZE, SCHEMA

MONTH = 30


class OneFile:
    """As the store is."""

    name = "one file"

    def __init__(self, folder: Path, keep: int) -> None:
        self.path, self.keep = folder / "history.db", keep
        self.begin()
        self.store = EmbeddedSeries(self.path, keep_days={"raw": {"": keep}})

    def begin(self) -> None:
        """Before the store opens it."""

    async def put(self, number: int, day: dict) -> None:
        await self.store.extend_frames(list(day.items()))

    async def night(self, number: int) -> None:
        await self.store.night()

    async def close(self) -> None:
        await self.store.close()


class Vacuumed(OneFile):
    """With SQLite's incremental auto_vacuum."""

    name = "one file, auto_vacuum"

    def begin(self) -> None:
        db = sqlite3.connect(self.path, isolation_level=None)
        db.executescript(f"PRAGMA page_size = {PAGE_SIZE}; PRAGMA auto_vacuum = INCREMENTAL; {SCHEMA}")
        db.close()

    async def night(self, number: int) -> None:
        await super().night(number)
        db = sqlite3.connect(self.path, isolation_level=None)
        db.execute("PRAGMA incremental_vacuum").fetchall()
        db.close()


class Monthly:
    """A file a month, and one for the rollups of months that are gone."""

    name = "a file a month"

    def __init__(self, folder: Path, keep: int) -> None:
        self.folder, self.keep = folder, keep
        self.stores: dict[int, EmbeddedSeries] = {}
        self.rollups = sqlite3.connect(folder / "rollups.db", isolation_level=None)
        self.rollups.executescript(f"PRAGMA page_size = {PAGE_SIZE}; PRAGMA journal_mode = WAL; {SCHEMA}")

    def path(self, month: int) -> Path:
        return self.folder / f"history-{month}.db"

    async def put(self, number: int, day: dict) -> None:
        month = number // MONTH
        store = self.stores.setdefault(month, EmbeddedSeries(self.path(month)))
        await store.extend_frames(list(day.items()))

    async def night(self, number: int) -> None:
        await self.stores[number // MONTH].night()
        for month in [month for month in self.stores if (month + 1) * MONTH + self.keep <= number + 1]:
            await self.stores.pop(month).close()
            self.rollups.execute("ATTACH ? AS old", (str(self.path(month)),))
            self.rollups.execute("INSERT OR REPLACE INTO rollup (source, level, period, data)"
                                 " SELECT source, level, period, data FROM old.rollup")  # fmt: skip
            self.rollups.execute("DETACH old")
            for path in self.folder.glob(f"history-{month}.db*"):
                path.unlink()

    async def close(self) -> None:
        for store in self.stores.values():
            await store.close()
        self.rollups.close()


async def play(make, folder: Path, args: argparse.Namespace, day: dict) -> tuple[int, float, float]:
    """(readings, median and greatest seconds of a night in which something was taken out)."""
    store, total, nights = make(folder, args.keep), 0, []
    for number in range(args.days):
        part = another(day, number)
        total += count(part)
        await store.put(number, part)
        began = time.process_time()
        await store.night(number)
        if number >= args.keep:
            nights.append(time.process_time() - began)
    await store.close()
    return total, statistics.median(nights), max(nights)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--machines", type=int, default=1)
    parser.add_argument("--days", type=int, default=75)
    parser.add_argument("--keep", type=int, default=30)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "farmwatch-bench")
    args = parser.parse_args()
    use_numpy()
    day = some(jittered(only(cached_day(args.cache), FOUR)), args.machines)
    print(f"{args.days} days of {args.machines} machines, readings kept {args.keep} days, rollups for good; {load()}")
    print(f"{'':24}{'MB at the end':>14}{'bytes written a reading':>25}{'a night, ms: median':>21}{'worst':>8}")
    for make in (OneFile, Vacuumed, Monthly):
        with a_card(1024) as (folder, written):
            before = written()
            total, usual, worst = asyncio.run(play(make, folder, args, day))
            subprocess.run(["sync"], check=True)
            print(f"{make.name:24}{size_of(folder) / 1e6:14.2f}{(written() - before) / total:25.2f}"
                  f"{usual * 1e3:21.0f}{worst * 1e3:8.0f}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
