"""A week of Saltmarsh Works in one life of the daemon, on the simulation's clock: nothing waits for real time.

The real house (brain, intake, stores, notifier, the page's renderer) lives through the days on `simulation.virtual`'s
loop, so that every rhythm (a flush in 55 s, the journal's, the page's) has its true ratio to the day, which no run at
many times real time has. Threads are played on the one there is. The page has no socket; somebody opens it for a minute
an hour. Readings come as often as `interval_s` says, by default every 30 s instead of 2 s, which makes a day
cheap enough. The world lives in the same process, and so does what plays it.
"""

import asyncio
import contextlib
import gc
import os
import sys
import time
from importlib.resources import as_file, files
from pathlib import Path
from random import Random
from types import SimpleNamespace
from unittest import mock

from bench import cpu_s, memory_mib
from soak_inside import c_allocator, look

sys.path.insert(0, str(Path(__file__).parents[1]))
from simulation.virtual import Outside, VirtualLoop

from farmwatch import assemble, clock
from farmwatch.scenario.world import World
from farmwatch.settings import load as load_settings
from farmwatch.sources import simulated
from farmwatch.web import server

MIB = 2.0**20
START_S = 1_772_409_600.0  # 2026-03-02 00:00 UTC
DAY_S = 86_400.0
ROOMY = SimpleNamespace(dying=False, slow_s=0.004)
HEAD = "  hour  RSS MiB  C heap MiB  k blocks  handles  kept MiB  write_bytes MiB  wchar MiB   cpu s"
ROW = "{hour:6.1f} {rss:8.1f} {heap:11.1f} {blocks:9.1f} {handles:8d} {kept:9.2f} {disk:16.1f} {said:10.1f} {cpu:7.0f}"
PEOPLE = {"ann": "ann_push", "bram": "bram_push"}
PACED = ("panel", "plug", "meter_watts", "meter_kwh", "polled", "plug_polled")


class Phone:
    """A way to a phone that always works (`ports.Channel`)."""

    def __init__(self, name):
        self.name, self.took = name, 0

    def check(self):
        pass

    async def send(self, _message, _links, *, key="", repeat=False):
        await asyncio.sleep(0.3)
        self.took += 1


class Page(server.WebServer):
    """The real page without a socket, looked at for a minute an hour."""

    async def start(self):
        self._application()
        self._pump = asyncio.create_task(self._news.run(), name="page news")
        self._looks = asyncio.create_task(self._look(), name="a reader")
        self.heard = 0
        return "http://page"

    async def _look(self):
        while True:
            reader, first = self._news.add()
            self.heard += len(first)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(60.0):
                    while True:
                        self.heard += len(await reader.get() or b"")
            self._news.remove(reader)
            await asyncio.sleep(3540.0)

    async def stop(self):
        self._looks.cancel()
        await super().stop()


def configuration(folder, interval_s):
    """The demonstration's, with a phone for either person."""
    secrets = folder / "secrets"
    secrets.mkdir(mode=0o700)
    for name in PEOPLE.values():
        (secrets / f"channel_{name}").write_text("json://192.0.2.1/\n")
        (secrets / f"channel_{name}").chmod(0o600)
    overrides = {
        "data_dir": str(folder), "secrets_dir": str(secrets), "simulated": {"speed": 1},
        "channels": {name: {} for name in PEOPLE.values()},
        "people": {name: {"channels": [channel]} for name, channel in PEOPLE.items()},
        "mappings": {name: {"interval_s": interval_s} for name in PACED},
    }  # fmt: skip
    with as_file(files("farmwatch.scenario").joinpath("demo.toml")) as file:
        return load_settings(str(file), overrides)


class Week:
    """The days, and what is held every so many hours."""

    def __init__(self, folder, *, seed=7, days=7.0, every_h=24.0, interval_s=30.0, tell=None):
        self.folder, self.seed, self.interval_s, self.tell = Path(folder), seed, interval_s, tell
        self.end_s, self.every_s = START_S + days * DAY_S + 120.0, every_h * 3600.0
        self.rows, self.phones = [], {name: Phone(name) for name in PEOPLE.values()}
        self.outside = Outside(START_S)
        self.house = None

    def _source(self, settings, _clock):
        world = World(self.seed, START_S, interval_s=self.interval_s, sample_s=0.0)
        return simulated.SimulatedSource(world, frozenset(settings.simulated.replaces))

    @contextlib.contextmanager
    def _time(self):
        outside = self.outside
        swaps = [
            (time, "monotonic", lambda: outside.now), (time, "time", outside.wall),
            (assemble, "build_clock", lambda _settings: clock.SteadyClock()),
            (assemble, "build_channels", lambda _settings: self.phones),
            (assemble, "_simulated", self._source), (assemble, "show_if_held", lambda: None),
            (server, "WebServer", Page), (simulated, "TICK_S", 2.0),
        ]  # fmt: skip
        with contextlib.ExitStack() as stack:
            for where, name, what in swaps:
                stack.enter_context(mock.patch.object(where, name, what))
            yield

    def sample(self):
        """What this process holds now."""
        gc.collect()
        pid, heap = os.getpid(), c_allocator()
        told = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
        kept = [one.stat().st_size for one in self.folder.iterdir() if one.is_file() and one.suffix != ".reserve"]
        self.rows.append({
            "hour": (self.outside.true_s - START_S) / 3600, "rss": memory_mib(pid)["VmRSS"],
            "heap": heap.get("used", 0.0) + heap.get("mmap", 0.0), "blocks": sys.getallocatedblocks() / 1000,
            "handles": sum(1 for _ in Path("/proc/self/fd").iterdir()), "kept": sum(kept) / MIB,
            "disk": int(told["write_bytes"]) / MIB, "said": int(told["wchar"]) / MIB, "cpu": cpu_s(pid),
        })  # fmt: skip
        print(ROW.format(**self.rows[-1]), flush=True)
        if self.tell is not None:
            look(Path(self.tell), self.house)
        self.outside.after(self.every_s, self.sample)

    def run(self):
        """Live through it; the rows."""
        print(HEAD, flush=True)
        with self._time():
            loop = VirtualLoop(self.outside, Random(self.seed), ROOMY)
            self.house = assemble.House(configuration(self.folder, self.interval_s))
            self.outside.after(60.0, self.sample)
            self.outside.at_true(self.end_s, self.house.daemon.stop)
            loop.run_until_complete(self.house.daemon.run())
            loop.bury()
        if loop.failures:
            raise RuntimeError(loop.failures[:3])
        return self.rows
