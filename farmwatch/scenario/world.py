"""The world: Saltmarsh Works played forward in steps, a pure function of seed and time.

`World(seed, start_s).inputs(from_s, to_s)` yields what the shop's devices and people send in [from_s, to_s), in
time order. The same arguments give the same bytes, however the time is cut. Playing on from where it stopped
costs only the new time; going back starts over. What really happened stands in `truth`, as far as was played.
"""

import heapq
import math
from collections.abc import Iterator
from operator import itemgetter
from random import Random

from farmwatch.scenario import devices, people, script, trouble
from farmwatch.scenario.bench import BOOT, HEAT, HOLD, PRINT, REST, STEP_S, Bench
from farmwatch.scenario.devices import Room
from farmwatch.scenario.mains import Backup
from farmwatch.scenario.site import (
    AIR_INTERVAL_S,
    BACKUPS,
    CIRCUITS,
    HTTP_INTERVAL_S,
    INTERVAL_S,
    JOBS,
    LOADS,
    MACHINES,
    MATERIALS,
    SPOOLS,
    UPS_INTERVAL_S,
    VOLTAGE_V,
)
from farmwatch.scenario.stage import DAY_S, SPREAD, Stage
from farmwatch.scenario.truth import Truth, TruthBuild
from farmwatch.words.model import Failed, Input, Raw

ROOM_STEPS = 15  # the room's air is looked at every so many steps
LIVELY_S = (-400.0, 0.0, 250.0, 600.0, 1000.0, 1500.0, 2100.0, 3000.0)
"""Around the time that a demonstration goes live, some builds shall end: offsets in seconds."""

_AT = itemgetter(0)


class World(Stage):
    """Saltmarsh Works from `start_s` on.

    Args:
        seed: everything random comes from it.
        start_s: epoch seconds; cut to a whole second.
        interval_s: rhythm of panels and plugs that send by themselves.
        utc_offset_s: local time less UTC, for the people's rounds.
        lively_s: let some builds end around this time.
        sample_s: how often the truth keeps energy and watts, a multiple of 2 s; 0: never.
    """

    def __init__(
        self,
        seed: int,
        start_s: float,
        *,
        interval_s: float = INTERVAL_S,
        utc_offset_s: float = 0.0,
        lively_s: float | None = None,
        sample_s: float = 10.0,
    ) -> None:
        self.seed, self.start_s = seed, float(math.floor(start_s))
        self._floor_s = self.start_s  # what came in before this is forgotten
        self._waiting: list[Input] = []  # what the last step made and nobody has taken yet
        self._interval_s, self._offset_s, self._lively_s = interval_s, utc_offset_s, lively_s
        self._sample_steps = round(sample_s / STEP_S)
        self._reset()

    # ---- playing ----------------------------------------------------------------------------------------------

    def inputs(self, from_s: float, to_s: float) -> Iterator[Input]:
        """What comes in at from_s <= at_s < to_s, in time order."""
        if from_s < self._floor_s:
            self._reset()
        while True:
            for number, item in enumerate(self._waiting):
                if item.at_s >= to_s:
                    self._waiting = self._waiting[number:]
                    self._floor_s = to_s
                    return
                if item.at_s >= from_s:
                    yield item
            self._waiting = []
            if self._step_s >= to_s:
                self._floor_s = max(self._floor_s, to_s)
                return
            self._floor_s = self._step_s
            self._step(self._waiting)

    def play(self, to_s: float) -> None:
        """Play up to `to_s` for the truth's sake alone."""
        for _ in self.inputs(self._floor_s, to_s):
            pass

    def _reset(self) -> None:
        rng = Random(f"{self.seed} world")
        self._step_s, self._steps = self.start_s, 0
        self._floor_s = self.start_s
        self._waiting = []
        self._said = []
        self._heap = []
        self._acts = 0
        self.room = Room()
        self._breathe()
        air_c = self.room.air_c
        self.benches = {spec.name: Bench(spec, number, air_c) for number, spec in enumerate(MACHINES)}
        for bench in self.benches.values():
            bench.rest_w = bench.spec.idle_w * rng.uniform(0.97, 1.03)
        fed = {spec.name: sum(w for kind, name, w in LOADS.values() if (kind, name) == ("backup", spec.name))
               for spec in BACKUPS}  # fmt: skip
        self.backups = {spec.name: Backup(spec, fed[spec.name]) for spec in BACKUPS}
        self._behind = {
            name: [bench for bench in self.benches.values() if bench.spec.backup == name] for name in self.backups
        }
        self.live = dict.fromkeys(CIRCUITS, True)
        self.truth = Truth(
            self.start_s, self._sample_steps * STEP_S, list(self.benches), [*CIRCUITS, *self.backups]
        )
        self._builds = {}
        self._marks = {}
        self._paused = {}
        self.spools, self._bought = dict(SPOOLS), 0
        self._wishes = [] if self._lively_s is None else [self._lively_s + more_s for more_s in LIVELY_S]
        self._in_hand(rng)
        self._plug_in(rng)
        self._plan()

    def _in_hand(self, rng: Random) -> None:
        """What the world begins with: builds in hand, beds that wait, free machines."""
        for bench in self.benches.values():
            job = rng.choice([job for job in JOBS.values() if job.material == bench.spec.material])
            chance = rng.random()
            if chance < 0.8:
                nominal_s, share = 60.0 * job.minutes * bench.spec.speed, rng.uniform(0.05, 0.92)
                total_s = nominal_s * rng.gauss(1.0, SPREAD)
                bench.start(job, total_s, nominal_s)
                material = MATERIALS[job.material]
                bench.lay_down()
                bench.worked_s = share * total_s
                bench.bed_c, bench.nozzle_c = material.bed_c, material.nozzle_c
                ago_s = 480.0 + bench.worked_s
                build = TruthBuild(bench.spec.name, job.name, job.material, self.start_s - ago_s, nominal_s)
                if chance > 0.62 and bench.spec.panel:  # already over, the bed is cold
                    bench.over("done", self.start_s)
                    bench.cool()
                    bench.bed_c = bench.nozzle_c = self.room.air_c
                    since_s = self.start_s - rng.uniform(3600.0, 4 * 3600.0)
                    build.started_s, build.ended_s, build.result = since_s - total_s - 480.0, since_s, "done"
                    build.released_s = since_s + 900.0
                self.truth.builds.append(build)
                self._builds[bench.spec.name], self._marks[bench.spec.name] = build, 0.0
            self._note(bench, self.start_s)

    def _plug_in(self, rng: Random) -> None:
        room, every_s, polled_s = self.room, self._interval_s, max(self._interval_s, HTTP_INTERVAL_S)
        self.feeds = []
        for bench in self.benches.values():
            self.feeds += devices.panel(bench, room, every_s, polled_s)
            base_wh = rng.uniform(2e4, 4e5)
            for feed in devices.plug(bench, room, every_s, polled_s):
                feed.base_wh = base_wh
                self.feeds.append(feed)
        self.feeds += [devices.backup(backup, room, UPS_INTERVAL_S) for backup in self.backups.values()]
        self.feeds.append(devices.air(room, AIR_INTERVAL_S))
        start_ms = round(self.start_s * 1000)
        self._links = {}
        for feed in self.feeds:
            if feed.kind == "link" and feed.bench is not None:
                self._links[feed.bench.spec.name] = feed
                continue
            feed.begin(start_ms, rng)
            if feed.retained:
                feed.last = feed.make(self.start_s)
        self.connect(self.start_s)

    def _plan(self) -> None:
        """Have each day's rounds and mishaps planned when the day begins."""
        local_day = math.floor((self.start_s + self._offset_s) / DAY_S)
        self._plan_rounds(local_day)
        self._plan_faults(0, self.start_s)

    def _plan_rounds(self, local_day: int) -> None:
        midnight_s = local_day * DAY_S - self._offset_s
        for turn in script.rounds(self.seed, local_day):
            begin_s = midnight_s + turn.offset_s
            if begin_s >= self.start_s:
                self.at(begin_s, people.Walk(self, turn.person, begin_s).go)
        self.at(midnight_s + DAY_S, lambda _at_s: self._plan_rounds(local_day + 1))

    def _plan_faults(self, day: int, begin_s: float) -> None:
        for number, fault in enumerate(script.faults(self.seed, day)):
            rng = Random(f"{self.seed} fault {day} {number}")
            self.at(begin_s + fault.offset_s, lambda at_s, f=fault, r=rng: trouble.happen(self, f, r, at_s))  # type: ignore[misc]
        self.at(begin_s + DAY_S, lambda at_s: self._plan_faults(day + 1, at_s))

    # ---- one step ---------------------------------------------------------------------------------------------

    def _step(self, out: list[Input]) -> None:
        now_s, step, room = self._step_s, self._steps, self.room
        heap = self._heap
        while heap and heap[0][0] <= now_s:
            heapq.heappop(heap)[2](now_s)
        if step % ROOM_STEPS == 0:
            self._breathe()
        room.now_s, room.step = now_s, step
        air_c = room.air_c
        benches = self.benches.values()
        for bench in benches:
            bench.control(step, air_c)
        for name, backup in self.backups.items():
            was_dead = backup.dead
            machines_w = 0.0
            for bench in self._behind[name]:
                machines_w += bench.watts
            backup.step(now_s, machines_w, STEP_S, mains=self.live[backup.spec.circuit])
            if backup.dead != was_dead:
                self._power(name, now_s + STEP_S, on=was_dead)
        if self._sample_steps and step % self._sample_steps == 0:
            self._sample()
        if self._said:
            out += self._said
            self._said = []
        self._render(now_s, out)
        out.sort(key=_AT)
        for bench in benches:
            bench.integrate(air_c)
            self._proceed(bench, now_s + STEP_S)
        self._step_s, self._steps = now_s + STEP_S, step + 1

    def _proceed(self, bench: Bench, now_s: float) -> None:
        """What the end of a step brings for a machine."""
        mode = bench.mode
        if mode == PRINT:
            bench.worked_s += STEP_S
            if bench.worked_s >= bench.total_s:
                self.end_build(bench, "done", now_s)
        elif mode == REST:
            if bench.heated:
                self._cooling(bench, now_s)
        elif mode in (HEAT, BOOT, HOLD):
            self._moment(bench, now_s)

    def _render(self, now_s: float, out: list[Input]) -> None:
        """What all devices send within the step."""
        end_ms, room = int((now_s + STEP_S) * 1000), self.room
        for feed in self.feeds:
            while feed.at_ms < end_ms:
                at_s = feed.at_ms / 1000
                feed.advance()
                via = feed.via
                if via == "mqtt":
                    if not room.broker or not feed.alive:
                        continue
                    body = feed.garbage.pop() if feed.garbage else feed.make(at_s)
                    if feed.retained:
                        feed.last = body
                    out.append(Raw(at_s, via, feed.address, body))
                    continue
                body = feed.make(at_s) if feed.alive and (room.network or via == "ups") else b""
                if body:
                    out.append(Raw(at_s, via, feed.address, body))
                else:
                    out.append(Failed(at_s, via, feed.address, feed.error))

    def _moment(self, bench: Bench, now_s: float) -> None:
        """What ends by itself: the heat-up, a hold after the end, starting up."""
        if bench.mode == HEAT:
            if bench.hot:
                bench.lay_down()
                self._note(bench, now_s)
        elif now_s >= bench.until_s:
            if bench.mode == BOOT:
                self._link(bench, b"up", now_s)
            bench.cool()
            self._note(bench, now_s)

    def _cooling(self, bench: Bench, now_s: float) -> None:
        """The bed passes its release temperature; later the panel may forget the build."""
        build = self._builds.get(bench.spec.name)
        if build is None or build.ended_s is None:
            bench.heated = False
        elif build.released_s is None:
            if bench.bed_c <= MATERIALS[build.material].release_c:
                build.released_s = now_s
                self._note(bench, now_s)
        elif not bench.spec.linger_min or now_s - build.ended_s > 60.0 * bench.spec.linger_min:
            if bench.spec.linger_min:
                bench.word, bench.job = "", None
            bench.heated = False

    def _breathe(self) -> None:
        """The room's air and the mains voltage, by the time of day."""
        room, now_s = self.room, self._step_s
        turn = 2.0 * math.pi * ((now_s + self._offset_s) / DAY_S - 0.375)
        room.air_c = 17.5 + 2.5 * math.sin(turn) + 0.6 * math.sin(now_s / 5400.0)
        room.humidity = 0.62 - 0.07 * math.sin(turn) + 0.02 * math.sin(now_s / 3100.0)
        room.voltage_v = VOLTAGE_V + 2.2 * math.sin(now_s / 1700.0) + 1.3 * math.sin(now_s / 410.0)

    def _sample(self) -> None:
        watts = {name: backup.load_w for name, backup in self.backups.items()}
        for circuit in CIRCUITS:
            drawn_w = sum(w for kind, name, w in LOADS.values() if kind == "circuit" and name == circuit)
            drawn_w += sum(backup.input_w for backup in self.backups.values() if backup.spec.circuit == circuit)
            watts[circuit] = drawn_w if self.live[circuit] else 0.0
        self.truth.sample({name: bench.energy_wh for name, bench in self.benches.items()}, watts)
