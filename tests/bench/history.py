"""S4, S5, S9: history on disk, side by side with a row-per-reading table, duckdb and victoria-metrics.

By hand::

    python tests/bench/history.py day [--all]        bytes a reading, append rate, reads; every store on the same day
    python tests/bench/history.py month [--days 30]  the same over many days
    python tests/bench/history.py year [--days 365] [--machines 3]   the embedded store alone: size, reads, memory
    python tests/bench/history.py card [--minutes 600]   bytes written to a block device (needs root)

`--all` takes every quantity that the scenario's devices send, else four a machine. A day is kept in --cache. Targets:
no more bytes a reading than victoria-metrics on the same data in the same run, and under the 1.37 that Gorilla
published (Pelkonen et al., PVLDB 8(12), 2015, 1816-1827); 60 bytes a reading and 0.1 GB a day to the device; 100 ms a
chart; a million readings a second in blocks; a year of twelve machines within 1 GB.
"""

import argparse
import asyncio
import contextlib
import json
import os
import pickle
import resource
import shutil
import signal
import socket
import sqlite3
import statistics
import subprocess
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Sequence
from pathlib import Path

from bench import load, memory_mib
from saltmarsh import FOUR, START_S, another, count, jittered, one_day, only, regular, rows

from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.embedded.coding import use_numpy
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES

GORILLA = 1.37
YEAR = 760_000_000
READ = ("avocet", "gannet", "jackdaw")
"""The machines whose charts are timed; they come first where only some are built."""
READS = 7


def cached_day(cache: Path) -> dict:
    cache.mkdir(parents=True, exist_ok=True)
    file = cache / "day.pickle"
    if not file.exists():
        file.write_bytes(pickle.dumps(one_day(cache)))
    return pickle.loads(file.read_bytes())  # noqa: S301  (our own file)


def size_of(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def timed(act, times: int = READS) -> float:
    """Median milliseconds."""
    spent = []
    for _ in range(times):
        began = time.perf_counter()
        act()
        spent.append(time.perf_counter() - began)
    return 1e3 * statistics.median(spent)


class Embedded:
    """The store under test; days go in as blocks, as an import puts them."""

    def __init__(self, folder: Path, name: str, numpy: bool) -> None:
        self.name, self.folder, self.numpy = name, folder, numpy
        self.loop = asyncio.new_event_loop()
        use_numpy(numpy)
        self.store = EmbeddedSeries(folder / "history.db")

    def put(self, day) -> None:
        use_numpy(self.numpy)
        self.loop.run_until_complete(self.store.extend_frames(list(day.items())))
        self.loop.run_until_complete(self.store.night())

    def done(self) -> None:
        self.loop.run_until_complete(self.store.night(today_too=True))
        self.loop.run_until_complete(self.store.compact())
        self.loop.run_until_complete(self.store.close())
        self.size = size_of(self.folder)
        self.store = EmbeddedSeries(self.folder / "history.db")

    def read(self, subject, quantity, start_s, end_s, points=800):
        use_numpy(self.numpy)
        return self.loop.run_until_complete(self.store.read(subject, quantity, start_s, end_s, points))

    def close(self) -> None:
        self.loop.run_until_complete(self.store.close())
        self.loop.close()
        use_numpy(False)


class Table:
    """A row a reading in SQLite, clustered by series and time."""

    name = "SQLite, a row a reading"

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.db = sqlite3.connect(folder / "rows.db", isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute(
            "CREATE TABLE reading (series INTEGER, at_ms INTEGER, value REAL,"
            " PRIMARY KEY (series, at_ms)) WITHOUT ROWID"
        )
        self.numbers = {}

    def put(self, day) -> None:
        self.db.execute("BEGIN")
        for number, subject, _, quantity, resolution, times, values in rows(day):
            self.numbers.setdefault((subject, quantity), number)
            self.db.executemany(
                "INSERT INTO reading VALUES (?, ?, ?)",
                ((number, t, v * resolution) for t, v in zip(times, values, strict=True)),
            )
        self.db.execute("COMMIT")

    def done(self) -> None:
        self.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def read(self, subject, quantity, start_s, end_s, points=800):
        width = max(1, round((end_s - start_s) * 1000 / (points / 4)))
        return self.db.execute(
            "SELECT at_ms / ?, min(value), max(value) FROM reading WHERE series = ? AND at_ms BETWEEN ? AND ?"
            " GROUP BY 1",
            (width, self.numbers[subject, quantity], start_s * 1000, end_s * 1000),
        ).fetchall()

    def close(self) -> None:
        self.db.close()


class Duck:
    """duckdb, a row a reading, in order of series and time."""

    name = "duckdb"

    def __init__(self, folder: Path) -> None:
        import duckdb

        self.db = duckdb.connect(str(folder / "rows.duckdb"))
        self.db.execute("CREATE TABLE reading (series SMALLINT, at_ms BIGINT, value INTEGER)")
        self.numbers = {}

    def put(self, day) -> None:
        import numpy as np

        for number, subject, _, quantity, _, times, values in rows(day):
            self.numbers.setdefault((subject, quantity), number)
            block = {"s": np.full(len(times), number, "i2"), "t": np.array(times), "v": np.array(values, "i4")}
            self.db.register("block", block)
            self.db.execute("INSERT INTO reading SELECT s, t, v FROM block")
            self.db.unregister("block")

    def done(self) -> None:
        self.db.execute("CHECKPOINT")

    def read(self, subject, quantity, start_s, end_s, points=800):
        width = max(1, round((end_s - start_s) * 1000 / (points / 4)))
        return self.db.execute(
            f"SELECT at_ms // {width}, min(value), max(value) FROM reading WHERE series = ? AND at_ms BETWEEN ? AND ?"  # noqa: S608
            " GROUP BY 1", [self.numbers[subject, quantity], round(start_s * 1000), round(end_s * 1000)]
        ).fetchall()  # fmt: skip

    def close(self) -> None:
        self.db.close()


class Metrics:
    """Debian's victoria-metrics, its own server, fed by its JSON import."""

    name = "victoria-metrics"

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.folder = folder
        self.command = [
            shutil.which("victoria-metrics") or "victoria-metrics", f"-storageDataPath={folder}/data",
            f"-httpListenAddr=127.0.0.1:{self.port}", "-retentionPeriod=100y", "-search.disableCache",
        ]  # fmt: skip
        self._start()

    def _start(self) -> None:
        self.process = subprocess.Popen(self.command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(200):
            with contextlib.suppress(OSError):
                self._get("/health")
                return
            time.sleep(0.05)
        raise RuntimeError("victoria-metrics does not answer")

    def _get(self, path: str, data: bytes | None = None) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", data, timeout=300) as answer:
            return answer.read()

    def put(self, day) -> None:
        for _, subject, source, quantity, resolution, times, values in rows(day):
            parts = round(1 / resolution) if resolution < 1 else 0
            metric = {"__name__": quantity, "subject": subject, "source": source}
            for begin in range(0, len(times), 20_000):
                part = [v / parts if parts else v * resolution for v in values[begin : begin + 20_000]]
                line = {"metric": metric, "values": part, "timestamps": list(times[begin : begin + 20_000])}
                self._get("/api/v1/import", json.dumps(line).encode())

    def done(self) -> None:
        self._get("/internal/force_flush")
        self._get("/internal/force_merge")
        time.sleep(2)
        self.process.send_signal(signal.SIGINT)
        self.process.wait(60)
        self.size = size_of(self.folder)
        self._start()

    def read(self, subject, quantity, start_s, end_s, points=800):
        step = max(1, round((end_s - start_s) / (points / 4)))
        query = f'max_over_time({quantity}{{subject="{subject}"}}[{step}s])'
        fields = {"query": query, "start": start_s, "end": end_s, "step": f"{step}s", "nocache": 1}
        words = urllib.parse.urlencode(fields)
        return json.loads(self._get(f"/api/v1/query_range?{words}"))["data"]["result"]

    def close(self) -> None:
        self.process.kill()
        self.process.wait()


def side_by_side(day, days: int, stores) -> None:
    """Fill each, then size, rate, reads."""
    print(f"\n{days} days, {count(day) * days / 1e6:.2f} million readings; {load()}")
    print(f"{'':34}{'bytes a':>9}{'readings':>12}{'read 24 h':>11}{'read all':>10}{'resident':>10}")
    print(f"{'':34}{'reading':>9}{'a second':>12}{'ms':>11}{'ms':>10}{'MiB':>10}")
    for make in stores:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            store = make(folder)
            spent, total = 0.0, 0
            for number in range(days):
                part = another(day, number) if number else day
                began = time.perf_counter()
                store.put(part)
                spent += time.perf_counter() - began
                total += count(part)
            store.done()
            size = getattr(store, "size", None) or size_of(folder)
            end_s = START_S + 86_400 * days
            one = timed(lambda: store.read("avocet", "power_w", end_s - 86_400, end_s))  # noqa: B023
            whole = timed(lambda: store.read("avocet", "power_w", START_S, end_s), 5)  # noqa: B023
            process = getattr(store, "process", None)
            rss = memory_mib(process.pid if process else os.getpid())["VmRSS"]
            print(f"{store.name:34}{size / total:9.3f}{total / spent:12,.0f}{one:11.1f}{whole:10.1f}{rss:10.0f}")
            store.close()
    print(f"{'Gorilla, as published':34}{GORILLA:9.2f}")


ALL_STORES = (
    lambda folder: Embedded(folder, "embedded", numpy=False),
    lambda folder: Embedded(folder, "embedded, with numpy", numpy=True),
    Metrics, Duck, Table,
)  # fmt: skip


def compare(args: argparse.Namespace, days: int) -> None:
    day = cached_day(args.cache)
    day = day if args.all else only(day, FOUR)
    cases = (("regular times", regular), ("times as the scenario has them", dict), ("jittered times", jittered))
    for words, change in cases:
        print(f"\n{words}", end="")
        side_by_side(change(day), days, ALL_STORES)
        if days > 1:
            break


def year(args: argparse.Namespace) -> None:
    """The embedded store alone; the fastest way in, the plain way out."""
    day = some(jittered(only(cached_day(args.cache), FOUR)), args.machines)
    folder = args.cache / "year"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    store = Embedded(folder, "embedded", numpy=True)
    total, began = 0, time.perf_counter()
    for number in range(args.days):
        part = another(day, number)
        store.put(part)
        total += count(part)
        if number % 30 == 29:
            print(f"day {number + 1}: {size_of(folder) / total:.3f} bytes a reading, {size_of(folder) / 1e6:.0f} MB,"
                  f" {total / (time.perf_counter() - began):,.0f} readings a second", flush=True)  # fmt: skip
    store.done()
    each = size_of(folder) / total
    print(f"{args.days} days, {total / 1e6:.0f} million readings: {size_of(folder) / 1e9:.3f} GB, {each:.3f} bytes a"
          f" reading, so {YEAR * each / 1e9:.3f} GB for {YEAR / 1e6:.0f} million; {load()}")  # fmt: skip
    read_year(folder, args.days, [name for name in READ if name in {subject for subject, _ in day}])


def some(day: dict, machines: int) -> dict:
    """What so many machines send, those first whose charts are timed: a chart takes the same, the file a part."""
    names = sorted({subject for subject, _ in day}, key=lambda name: (name not in READ, name))[: machines or None]
    return {key: frame for key, frame in day.items() if key[0] in names}


def read_year(folder: Path, days: int, machines: Sequence[str] = READ) -> None:
    """Charts of 800 points, plain and with numpy, and how memory stands."""
    end_s = START_S + 86_400 * days
    for numpy in (False, True):
        store = Embedded(folder, "embedded", numpy=numpy)
        row = []
        for span in (1, 7, 30, 90, days):
            times = [
                timed(lambda: store.read(subject, quantity, end_s - 86_400 * span, end_s), 5)  # noqa: B023
                for subject in machines
                for quantity in ("power_w", "bed_c")
            ]
            row.append(f"{span} d {statistics.median(times):.1f} (worst {max(times):.1f})")
        rss = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"charts, ms, {'numpy' if numpy else 'plain'}: " + ", ".join(row) + f"; highest resident {rss:.0f} MiB")
        store.close()


# ---- the card --------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def a_card(size_mb: int):
    """An ext4 file system on a block device of its own; yields its folder and a count of the bytes written so far."""
    with tempfile.TemporaryDirectory() as name:
        image, folder = Path(name) / "card.img", Path(name) / "card"
        with image.open("wb") as file:
            file.truncate(size_mb << 20)
        folder.mkdir()
        run = lambda *words: subprocess.run(words, check=True, capture_output=True, text=True).stdout.strip()  # noqa: E731
        run("mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
        device = run("losetup", "--find", "--show", str(image))
        run("mount", "-o", "noatime", device, str(folder))
        stat = Path("/sys/block") / Path(device).name / "stat"

        def written() -> int:
            return int(stat.read_text().split()[6]) * 512

        try:
            yield folder, written
        finally:
            run("umount", str(folder))
            run("losetup", "-d", device)


def card(args: argparse.Namespace) -> None:
    """Minutes of readings through append and flush, as the daemon does it, on a block device."""
    day = only(cached_day(args.cache), FOUR)
    events = sorted(
        ((t, key, frame, n) for key, frame in day.items() for n, t in enumerate(frame.times)), key=lambda e: e[0]
    )
    events = [e for e in events if e[0] < START_S * 1000 + args.minutes * 60_000]
    with a_card(256) as (folder, written):

        async def story() -> int:
            store = EmbeddedSeries(folder / "history.db")
            readings, flushed_ms = 0, events[0][0]
            for at_ms, (subject, source), frame, n in events:
                values = {name: column[n] * QUANTITIES[name].resolution for name, column in frame.columns.items()
                          if column[n] > -(2**31) + 1}  # fmt: skip
                store.append([Observed(at_ms / 1000, subject, source, values)])
                readings += len(values)
                if at_ms - flushed_ms >= 55_000:
                    await store.flush()
                    flushed_ms = at_ms
                    if (at_ms // 1000) % 10 < 2:
                        subprocess.run(["sync"], check=True)  # the kernel writes back metadata now and then as well
            await store.close()
            return readings

        before = written()
        readings = asyncio.run(story())
        subprocess.run(["sync"], check=True)
        total = written() - before
        hours = args.minutes / 60
        print(f"S4 over {hours:.1f} h, {readings:,} readings ({readings / hours / 3600:.1f} a second):"
              f" {total / 1e6:.2f} MB, {total / readings:.1f} bytes a reading, {total / hours * 24 / 1e9:.4f} GB a day;"
              f" files {size_of(folder) / 1e6:.2f} MB; targets 60 and 0.1; {load()}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=("day", "month", "year", "reads", "card"))
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--days", type=int)
    parser.add_argument("--machines", type=int, default=0, help="year: only so many machines (default all)")
    parser.add_argument("--minutes", type=int, default=750)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "farmwatch-bench")
    args = parser.parse_args()
    if args.what == "day":
        compare(args, 1)
    elif args.what == "month":
        compare(args, args.days or 30)
    elif args.what == "card":
        card(args)
    elif args.what == "reads":
        read_year(args.cache / "year", args.days or 365)
    else:
        args.days = args.days or 365
        year(args)


if __name__ == "__main__":
    main()
