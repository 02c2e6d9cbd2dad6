"""One run: the real daemon in simulated surroundings for so many hours, killed and started again as it comes.

    found = simulate(seed, folder)
    found.faults    what an oracle did not like, in words
    found.trace     a hash of all that was committed and told, the same for the same seed and revision
"""

import asyncio
import contextlib
import gc
import hashlib
import logging
import random
import shutil
import sqlite3
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from random import Random
from types import SimpleNamespace
from unittest import mock

import paho.mqtt.client as paho
from simulation import nemesis, oracles
from simulation.disk import Disk, LogOs
from simulation.peers import Broker, Devices, Net, Service, UpsServer
from simulation.shed import BUSY, Shed, configuration, retained
from simulation.virtual import Killed, Outside, VirtualLoop

from farmwatch import assemble, daemon, notify
from farmwatch.clock import ClockWatch
from farmwatch.settings import load
from farmwatch.sources import backoff, dial, http, mqtt
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.embedded import log as append_log
from farmwatch.web import server
from farmwatch.words.errors import Refused, StoreError
from farmwatch.words.model import Message, Note, Raw, Said

START_S = 1_772_409_600.0  # 2026-03-02 00:00 UTC, and in London
STEP_S = 2.0
LOOK_S = 1800.0
STOP_WITHIN_S = 10.0


@dataclass
class Found:
    """What a run gave."""

    seed: int
    trace: str = ""
    faults: list = field(default_factory=list)
    chosen: list = field(default_factory=list)
    figures: Counter = field(default_factory=Counter)
    values: dict = field(default_factory=dict)  # raw values behind the promises, by name


class Page:
    """In the page's place: it says that it lives, and somebody looks at it now and then."""

    def __init__(self, config, **doors):
        self.view, self.beat = doors["view"], lambda: None

    def on_beat(self, beat):
        self.beat = beat

    def changed(self, *, soon=False):
        pass

    async def start(self):
        self._task = asyncio.create_task(self._live(), name="page")
        return "http://page"

    async def _live(self):
        while True:
            self.beat()
            await asyncio.sleep(50.0)

    async def stop(self):
        self._task.cancel()


class Session:
    """In the place of an HTTP client's session: `Devices.fetch` needs none."""

    def __init__(self, **_):
        pass

    async def __aenter__(self):
        return self

    async def __aexit__(self, *_):
        pass


class Errors(logging.Handler):
    """Log records with a traceback: a task, a source or a callback has failed."""

    def __init__(self, sim):
        super().__init__(logging.WARNING)
        self._sim = sim

    def emit(self, record):
        if self._sim.loop is not None and self._sim.loop.dead:
            return
        if record.exc_info and record.exc_info[0] is not None:
            self._sim.fault(f"exception in the log: {record.getMessage()} {record.exc_info[1]!r}")
        if self._sim.tell:
            print(f"{self._sim.stamp()} {record.name}: {record.getMessage()}")


class Simulation:
    """The world outside and the daemon within."""

    def __init__(self, seed, folder, hours, tell=False):
        self.seed, self.hours, self.tell = seed, hours, tell
        self.folder = Path(folder) / f"sim-{seed}"
        shutil.rmtree(self.folder, ignore_errors=True)
        rng = Random(f"{seed} surroundings")
        self.found = Found(seed)
        # A short run begins at any hour of the day.
        self.start_s = START_S if hours >= 24 else START_S + 3600.0 * rng.choice((0, 5, 7, 12, 16, 19))
        self.outside = Outside(self.start_s)
        self.end_s = self.start_s + hours * 3600.0
        self.interval_s, self.ups_s = rng.choice((30.0, 60.0, 60.0)), rng.choice((30.0, 45.0))
        self.rng, self.loop, self.house = rng, None, None
        self.random = Random(f"{seed} inside")
        self.world = Shed(seed, self.start_s, -(-hours // 24), interval_s=self.interval_s)
        self.net = Net(self.outside, Random(f"{seed} net"))
        self.broker = Broker(self.net, Random(f"{seed} broker"))
        self.ups = UpsServer(self.net, Random(f"{seed} ups"), self.world)
        self.devices = Devices(self.net, self.world)
        self.net.peers = {("127.0.0.1", 1883): self.broker, ("127.0.0.1", 3493): self.ups}
        self.services = {
            name: Service(name, self.outside, Random(f"{seed} {name}"), self._phone)
            for name in ("ann_push", "ann_mail", "bram_push")
        }
        self.windows, self.chosen = [], self.found.chosen
        self.generation = 0
        self.disk = Disk(self.folder / "0")
        self.wanted = ""  # what the disk's fault is at the moment, a new incarnation's too
        self.down_s, self.power, self.damage = 0.0, False, ""
        self.hash = hashlib.sha256()
        self.notes, self.mail, self.told, self.read = [], [], [], []  # see `oracles`
        self.pending, self.lost, self.before = [], [], None
        self.kills, self.accepted = [], None
        self.stop_began_s = None
        self.heard = {}
        self.stored, self.sent, self.waiting = {}, set(), {}

    # ---- small things ---------------------------------------------------------------------------------------------

    def stamp(self):
        return time_of(self.outside.true_s)

    def fault(self, words):
        if len(self.found.faults) < 40:
            self.found.faults.append(f"{self.stamp()} {words}")

    def window(self, kind, start_s, end_s, place=""):
        self.windows.append(nemesis.Window(kind, start_s, end_s, place))

    def trace(self, *what):
        self.hash.update(repr((round(self.outside.now, 6), *what)).encode("utf-8", "surrogateescape"))

    # ---- what the nemesis does ------------------------------------------------------------------------------------

    def kill(self, down_s, power, damage=""):
        if self.loop is None or self.loop.dead:
            return
        self.down_s, self.power, self.damage = down_s, power, damage
        raise Killed

    def arm(self, writes, down_s, power):
        if self.loop is None or self.loop.dead:
            return
        self.down_s, self.power, self.damage = down_s, power, ""
        self.before = self._facts()
        self.disk.die_in = writes

    def stop(self, down_s):
        if self.loop is None or self.loop.dead or self.house is None:
            return
        self.down_s, self.power, self.damage = down_s, False, ""
        self.stop_began_s = self.outside.now
        self.house.daemon.stop()

    def stall(self, lasts_s):
        self.broker.back_s = self.ups.back_s = None
        self.outside.run_to(self.outside.now + lasts_s)

    def set_disk(self, mode):
        self.wanted = self.disk.mode = mode

    def slow(self, slow_s):
        self.disk.slow_s = slow_s

    # ---- what comes and goes --------------------------------------------------------------------------------------

    def _phone(self, channel, message, key, repeat):
        self.trace("told", channel, key, repeat, message.title, message.text)
        self.told.append((self.outside.true_s, channel, message, key, repeat))
        if self.tell:
            print(f"{self.stamp()}   >> {channel}{' again' * repeat}: {message.title} | {message.text} [{message.id}]")
        if message.priority != "test":
            self.world.told(replace(message, at_s=self.outside.true_s))

    def _play(self, at_s):
        """Two seconds of the world; its messages go to their places at their times."""
        for item in self.world.inputs(at_s, at_s + STEP_S):
            if isinstance(item, Raw) and item.via == "mqtt" and not item.retained:
                body = item.body
                if self.world.scale and item.address in self.world.scale:
                    body = scaled(body, self.world.scale[item.address])
                self.outside.at_true(item.at_s, self._publish, item.address, body)
            elif isinstance(item, Said):
                self.outside.at_true(item.at_s, self._says, item)
        if at_s + STEP_S < self.end_s:
            self.outside.at_true(at_s + STEP_S, self._play, at_s + STEP_S)
        else:
            self.outside.at_true(self.end_s, self._end)

    def _publish(self, topic, body):
        if not self.net.down:
            self.broker.publish(topic, body, retain=retained(topic))

    def _says(self, said):
        """A person at the page; where there is none they try again in a while."""
        if said not in self.pending:
            self.pending.append(said)
        self.outside.after(120.0, self._again, said)
        if self.loop is not None and not self.loop.dead and self.house is not None and self.house.daemon.started:
            self.loop.create_task(self._ask(said), name="a person")

    async def _ask(self, said):
        try:
            await self.house._ask(said)
        except Refused:
            self.found.figures["refused"] += 1
        if said in self.pending:
            self.pending.remove(said)
            self.found.figures["said"] += 1

    def _again(self, said):
        if said in self.pending:
            self._says(said)

    def _look(self):
        """Somebody looks at the page."""
        self.outside.after(LOOK_S, self._look)
        if self.loop is not None and not self.loop.dead and self.house is not None and self.house.daemon.started:
            oracles.look(self, self.house.view())

    def _end(self):
        self.down_s = None
        if self.loop is not None and not self.loop.dead:
            self.stop_began_s = self.outside.now
            self.house.daemon.stop()

    # ---- lives ----------------------------------------------------------------------------------------------------

    def run(self):
        with self._surroundings():
            nemesis.plan(self, self.seed, self.start_s, self.hours)
            self.outside.at_true(self.start_s, self._play, self.start_s)
            self.outside.after(600.0, self._look)
            while self.outside.true_s < self.end_s:
                if self._live():
                    break
                down_to = self.outside.now + (self.down_s or 0.0)
                self.outside.run_to(down_to)
            self._store()
            oracles.judge(self)
        self.found.trace = self.hash.hexdigest()
        shutil.rmtree(self.folder, ignore_errors=True)
        return self.found

    def _live(self):
        """One incarnation; true if it stopped in order at the end."""
        loop = self.loop = self.net.loop = VirtualLoop(self.outside, Random(f"{self.seed} loop {self.generation}"),
                                                       self.disk)  # fmt: skip
        self.disk.mode = self.wanted
        started_s = self.outside.true_s
        try:
            self.house = None
            self.house = self._house()
            if not self.disk.dying:
                loop.run_until_complete(self.house.daemon.run())
        except Killed:
            self._die(loop)
            return False
        except StoreError as error:
            if not self.disk.dying:
                self.fault(f"the daemon gave up: {error}")
            self._die(loop)
            return False
        finally:
            self.found.figures["lives"] += 1
            self.found.figures["lived_s"] += self.outside.true_s - started_s
        if self.disk.dying:
            self._die(loop)
            return False
        self._stopped(loop)
        return self.down_s is None

    def _house(self):
        house = assemble.House(self.settings.model_copy(update={"data_dir": str(self.disk.folder)}))
        if self.before is not None or self.accepted is not None:
            self._compare(house)
        commit = house.journal.commit
        append = house.series.append

        def committed(at_s, effects, channels):
            commit(at_s, effects, channels)
            now_s, ok = self.outside.true_s, not house.journal.trouble
            self.trace("commit", at_s, effects)
            if self.disk.die_in is not None and not self.disk.dying:
                self.before = self._facts()  # from here on this is what must be there
            for effect in effects:
                if isinstance(effect, Message):
                    self.mail.append((now_s, effect, ok, self.generation))
                elif self.disk.dying:
                    continue
                elif isinstance(effect, Note):
                    self.notes.append((now_s, effect.kind, effect.doc, self.generation))

        def appended(readings):
            append(readings)
            now_s = self.outside.true_s
            for one in readings:
                if not one.retained:
                    self.read.append((now_s, self.generation, one))
                    self.heard[one.subject] = now_s

        house.journal.commit, house.series.append = committed, appended
        return house

    def _facts(self, *, also_torn=False):
        """Facts as the living daemon has them, None while they are not durable, unless its last write is the reason."""
        journal = self.house.journal if self.house is not None else None
        if journal is None or (journal.trouble and not also_torn):
            return None
        return {(kind, key): doc for kind, key, doc in journal.facts()}

    def _die(self, loop):
        now_s = self.outside.true_s
        old = self.disk
        excused = False
        if self.house is not None:
            in_write = old.dying and not self.wanted and self.before is not None
            excused = bool(self.house.journal.trouble) and not in_write
            self.accepted = self._facts(also_torn=in_write)
        self.kills.append((now_s, self.generation, self.power, excused, self.damage))
        self.found.figures["kills"] += 1
        self.found.figures["power cuts"] += self.power
        self.trace("dies")
        if self.tell:
            print(f"{self.stamp()} ---- dies (power: {self.power}, damage: {self.damage})")
        self.generation += 1
        new = old.crash(self.folder / str(self.generation), self.rng, power=self.power)
        if self.damage:
            self._spoil(new)
        self._bury(loop)
        old.discard()
        self.disk = new

    def _bury(self, loop):
        loop.bury()
        gc.collect()
        self.broker.back_s = self.ups.back_s = None  # who is dead does not come back, a new one comes
        house, self.house = self.house, None
        for sock in (*self.broker.clients, *self.ups.socks):
            sock._closed = True
        self.broker.clients, self.ups.socks = [], []
        if house is not None:
            with contextlib.suppress(Exception):
                held = house.journal._disk
                held.abandon()
            house.journal._memory.abandon()
            house.series._disk.close()
        self.loop = None

    def _stopped(self, loop):
        """An orderly stop: it took its time, nothing is left over."""
        took_s = self.outside.now - self.stop_began_s
        self.found.values.setdefault("stop_s", []).append(took_s)
        left = [task.get_name() for task in loop.tasks if not task.done() and task.get_name() != "a person"]
        if took_s > STOP_WITHIN_S and not self._in("slow"):
            self.fault(f"the stop took {took_s:.1f} s")
        if loop.failures:
            self.fault(f"the loop says: {loop.failures[:3]}")
        left = [name for name in left if not name.startswith("send ")]
        if left:
            self.fault(f"tasks left after the stop: {left}")
        self.trace("stops")
        if self.tell:
            print(f"{self.stamp()} ---- stopped in {took_s:.2f} s")
        self.accepted = None
        self.generation += 1
        new = self.disk.crash(self.folder / str(self.generation), self.rng, power=False)
        self._bury(loop)
        self.disk.discard()
        self.disk = new

    def _in(self, *kinds, margin_s=60.0):
        now_s = self.outside.true_s
        return any(w.kind in kinds and w.touches(now_s - margin_s, now_s) for w in self.windows)

    def _spoil(self, disk):
        """Damage a database as bad cards do."""
        path = disk.folder / self.damage
        data = bytearray(path.read_bytes()) if path.exists() else bytearray()
        if not data:
            return
        how = self.rng.choice(("flip", "cut", "zero"))
        if how == "flip":
            for _ in range(self.rng.randint(1, 100)):
                data[self.rng.randrange(len(data))] ^= 1 << self.rng.randrange(8)
        elif how == "cut":
            del data[self.rng.randrange(len(data)) :]
        else:
            data[:4096] = bytes(min(4096, len(data)))
        path.write_bytes(data)

    def _compare(self, house):
        """R1: what was accepted before the death is there after it."""
        accepted, before = self.accepted, self.before
        died = self.kills[-1]
        self.accepted = self.before = None
        if died[4] or died[3] or accepted is None or house.journal.trouble:
            self.found.figures["kills excused"] += 1
            return
        facts = {(kind, key): doc for kind, key, doc in house.journal.facts()}
        lost = [key for key, doc in accepted.items()
                if facts.get(key) != doc and (before is None or facts.get(key) != before.get(key))]  # fmt: skip
        self.found.figures["facts compared"] += len(accepted)
        self.found.figures["facts lost"] += len(lost)
        if lost:
            self.fault(f"facts lost by a kill: {lost[:5]}")

    # ---- the readings that are left ---------------------------------------------------------------------------------

    def _store(self):
        """Read back what the last incarnation left behind."""
        loop = VirtualLoop(self.outside, Random(1), self.disk)
        self.loop = loop
        self.disk.mode = ""

        async def read():
            store = EmbeddedSeries(self.disk.folder / "history.db")
            rows = {}
            for one in await store.held():
                found = await store.read(one.subject, one.quantity, 0.0, 4e9)
                rows[one.subject, one.quantity] = {round(t * 1000): v for t, v in found.rows()}
            await store.close()
            return rows

        self.stored = loop.run_until_complete(read())
        with contextlib.closing(sqlite3.connect(self.disk.folder / "journal.db")) as db:
            self.sent = {row[0] for row in db.execute("SELECT message FROM sent WHERE ok")}
            self.waiting = dict(db.execute("SELECT message, created_s FROM outbox"))
            for (doc,) in db.execute("SELECT doc FROM note WHERE kind = 'undelivered'"):
                self.fault(f"undelivered: {doc}")
        loop.bury()
        self.loop = None

    # ---- putting it into its surroundings ---------------------------------------------------------------------------

    @contextlib.contextmanager
    def _surroundings(self):
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / "farmwatch.toml"
        path.write_text(configuration(self.interval_s, self.ups_s))
        self.settings = load(str(path), live=False)
        handler, logger = Errors(self), logging.getLogger()
        level, quiet = logger.level, logging.getLogger("farmwatch").level

        def seeded():
            return Random(self.random.random())

        swaps = [
            *BUSY,
            (time, "monotonic", lambda: self.outside.now), (time, "time", self.outside.wall),
            (paho, "time_func", lambda: self.outside.now),
            (random, "SystemRandom", seeded), (backoff, "SystemRandom", seeded), (http, "SystemRandom", seeded),
            (dial.Dialer, "connect", lambda _self, *where: self.net.connect(*where)),
            (http, "fetch", self.devices.fetch),
            (http, "aiohttp", SimpleNamespace(ClientSession=Session, TCPConnector=Session, DummyCookieJar=Session)),
            (assemble, "build_channels", lambda _settings: dict(self.services)),
            (assemble, "show_if_held", lambda: None),
            (assemble, "ClockWatch", partial(ClockWatch, wall=self.outside.wall)),
            (server, "WebServer", Page),
            (append_log, "os", LogOs()),
            (daemon, "LOOK_S", 30.0), (daemon, "THINK_S", 12.0), (daemon, "AWAKE_S", 60.0), (mqtt, "LOOK_S", 15.0),
            (notify, "LOOK_EVERY_S", 45.0),
        ]  # fmt: skip
        with contextlib.ExitStack() as stack:
            for where, name, what in swaps:
                stack.enter_context(mock.patch.object(where, name, what))
            logger.addHandler(handler)
            stack.callback(logger.removeHandler, handler)
            stack.callback(logger.setLevel, level)
            stack.callback(logging.getLogger("farmwatch").setLevel, quiet)
            if not self.tell:
                logger.setLevel(logging.WARNING)
            if gc.isenabled():
                stack.callback(gc.enable)
            gc.disable()  # a day leaves some megabytes in circles; they go when a life ends
            yield


def scaled(body, factor):
    """A plug's message with its watts in another unit."""
    head, _, rest = body.partition(b'"w":')
    watts, _, tail = rest.partition(b",")
    return head + b'"w":%.6f,' % (float(watts) * factor) + tail


def time_of(at_s):
    """Simulated hours since the start, as h:mm:ss."""
    total = at_s - START_S
    return f"{int(total // 3600):02d}:{int(total % 3600 // 60):02d}:{total % 60:04.1f}"


def simulate(seed, folder, hours=24, tell=False):
    """Run one seed."""
    return Simulation(seed, folder, hours, tell).run()

