"""What people, mishaps and power can do to the world, and what the truth is told of it."""

import heapq
import math
from collections.abc import Callable
from random import Random

from farmwatch.scenario.bench import BED_CAP, BED_G, BED_YIELD, BUSY, HEAT, HOLD, OFF, PAUSE, PRINT, Bench
from farmwatch.scenario.devices import Feed, Room
from farmwatch.scenario.mains import Backup
from farmwatch.scenario.site import JOBS, MATERIALS, SPOOL_G, SPOOL_PRICE, Job
from farmwatch.scenario.truth import Truth, TruthBuild, TruthOutage
from farmwatch.words.model import Input, Link, Raw, Said

DAY_S = 86_400.0
WILL_S = 45.0  # one and a half keep-alives of 30 s, after which a broker publishes a last will (MQTT 5, 3.1.2.10)
SPREAD = 0.025  # standard deviation of a build's duration, cut at twice that
DOZE_S = 1800.0
"""After so long in a pause a machine lets its nozzle cool."""
QUIET_S = 300.0
"""Mishaps keep so far from the end of an outage."""


class Stage:
    """The world's state, and the acts that change it. Acts happen at the beginning of a step."""

    seed: int
    room: Room
    benches: dict[str, Bench]
    backups: dict[str, Backup]
    feeds: list[Feed]
    live: dict[str, bool]  # circuit: has mains
    truth: Truth
    _offset_s: float  # local time less UTC
    _acts: int
    _heap: list[tuple[float, int, Callable[[float], None]]]
    _said: list[Input]
    _builds: dict[str, TruthBuild]  # in hand, or on the bed
    _marks: dict[str, float]  # a bench's energy when its build began
    _paused: dict[str, float]
    spools: dict[str, tuple[str, float]]  # machine: the spool that hangs on it, grams left
    _bought: int
    _wishes: list[float]
    _links: dict[str, Feed]
    _behind: dict[str, list[Bench]]  # a backup's machines

    def at(self, at_s: float, act: Callable[[float], None]) -> None:
        """Have something done at the first step from `at_s` on."""
        self._acts += 1
        heapq.heappush(self._heap, (at_s, self._acts, act))

    def say(self, at_s: float, command: str, machine: str, by: str, **fields: object) -> None:
        """A person tells Farmwatch something."""

        def tell(now_s: float) -> None:
            self._said.append(Said(now_s, command, machine, by, fields))

        self.at(at_s, tell)

    def feed(self, bench: Bench, job: Job, now_s: float, person: str) -> None:
        """Before a build: a new spool where the old one would not last, and they say so."""
        machine = bench.spec.name
        name, left_g = self.spools[machine]
        if left_g < job.grams:
            self._bought += 1
            self.say(now_s + 2.0, "spool_empty", machine, person, spool=name)
            name, left_g = f"{job.material.lower()}-{self._bought}", SPOOL_G
            self.say(now_s + 4.0, "spool_added", machine, person, spool=name, material=job.material, grams=SPOOL_G,
                     price=SPOOL_PRICE)  # fmt: skip
        self.spools[machine] = (name, left_g - job.grams)

    def build_on(self, bench: Bench, job: Job, now_s: float, rng: Random) -> None:
        """A build begins."""
        nominal_s = 60.0 * job.minutes * bench.spec.speed
        total_s = nominal_s * (1.0 + SPREAD * max(-2.0, min(2.0, rng.gauss(0.0, 1.0))))
        for wish_s in self._wishes:
            left_s = wish_s - now_s - _heat_up_s(bench, job)
            if abs(left_s / nominal_s - 1.0) <= 2.1 * SPREAD:
                total_s = left_s
                self._wishes.remove(wish_s)
                break
        name = bench.spec.name
        build = TruthBuild(name, job.name, job.material, now_s, nominal_s)
        self.truth.builds.append(build)
        self._builds[name], self._marks[name] = build, bench.energy_wh
        bench.start(job, total_s, nominal_s)
        self._note(bench, now_s)

    def wish(self, bench: Bench, now_s: float) -> Job | None:
        """A job that would end here when an end is wanted, or None."""
        for wish_s in self._wishes:
            for job in JOBS.values():
                if job.material == bench.spec.material:
                    nominal_s = 60.0 * job.minutes * bench.spec.speed
                    left_s = wish_s - now_s - _heat_up_s(bench, job)
                    if abs(left_s / nominal_s - 1.0) <= 2.0 * SPREAD:
                        return job
        return None

    def end_build(self, bench: Bench, result: str, now_s: float) -> None:
        """A build ends: "done", "failed" or "cancelled"."""
        name = bench.spec.name
        build = self._builds[name]
        build.ended_s, build.result = now_s, result
        build.energy_wh = bench.energy_wh - self._marks[name]
        if bench.mode == PAUSE:
            build.paused.append((self._paused.pop(name), now_s))
        bench.over(result, now_s)
        if not bench.full:  # nothing had been laid down yet
            build.released_s = build.cleared_s = now_s
            del self._builds[name]
        self._note(bench, now_s)

    def hold_up(self, bench: Bench, now_s: float) -> None:
        """A build is paused."""
        bench.pause()
        name = bench.spec.name
        self._paused[name] = now_s
        self._note(bench, now_s)

        def rest(_at_s: float) -> None:
            if self._paused.get(name) == now_s:
                bench.doze()

        self.at(now_s + DOZE_S, rest)

    def go_on(self, bench: Bench, now_s: float) -> None:
        """A paused build goes on, if it still waits."""
        if bench.mode == PAUSE:
            bench.resume()
            self._builds[bench.spec.name].paused.append((self._paused.pop(bench.spec.name), now_s))
            self._note(bench, now_s)

    def clear(self, bench: Bench, now_s: float) -> None:
        """A bed is cleared."""
        build = self._builds.pop(bench.spec.name, None)
        if build is not None:
            build.cleared_s = now_s
            build.released_s = now_s if build.released_s is None else build.released_s
        bench.clear()
        self._note(bench, now_s)

    def lost(self, cause: str, place: str, now_s: float) -> TruthOutage:
        """An outage begins."""
        outage = TruthOutage(cause, place, now_s)
        self.truth.outages.append(outage)
        return outage

    def quiet(self, now_s: float) -> bool:
        """Whether nothing is amiss just now, so that the next mishap can be told from the last."""
        return all(row.ended_s is not None and row.ended_s < now_s - QUIET_S for row in self.truth.outages[-6:])

    def result(self, bench: Bench) -> str | None:
        """How the build on the bed has ended."""
        build = self._builds.get(bench.spec.name)
        return None if build is None else build.result

    def connect(self, now_s: float) -> None:
        """The broker is there: retained messages come once more, marked so."""
        self._said.append(Link(now_s, "mqtt", None, connected=True))
        self._said += [
            Raw(now_s + 0.05, "mqtt", feed.address, feed.last, retained=True) for feed in self.feeds if feed.retained
        ]

    def disconnect(self, now_s: float) -> None:
        """The broker is gone."""
        self._said.append(Link(now_s, "mqtt", None, connected=False))

    def daytime(self, now_s: float) -> bool:
        """Whether somebody would come when called: seven to ten, local time."""
        return 7.0 <= ((now_s + self._offset_s) % DAY_S) / 3600.0 < 22.0

    def next_round_s(self, now_s: float) -> float:
        """When somebody will come by next after the round that may be going on."""
        hour = ((now_s + self._offset_s) % DAY_S) / 3600.0
        ahead_h = next(h - hour for h in (7.5, 18.5, 31.5) if h - hour > 3.0)
        return now_s + 3600.0 * ahead_h

    def _power(self, backup: str, now_s: float, *, on: bool) -> None:
        """A backup's output comes or goes, and its machines with it."""
        if not on:
            self.lost("backup", backup, now_s)
        else:
            for outage in self.truth.outages:
                if outage.cause == "backup" and outage.place == backup and outage.ended_s is None:
                    outage.ended_s = now_s
        for bench in self._behind[backup]:
            if on:
                bench.power_on(now_s)
            else:
                if bench.mode in BUSY:
                    self.end_build(bench, "failed", now_s)
                bench.power_off()
                self.at(now_s + WILL_S, lambda at_s, b=bench: self._will(b, at_s))  # type: ignore[misc]
            self._note(bench, now_s)

    def _will(self, bench: Bench, now_s: float) -> None:
        """The broker says that a panel is gone, if it still is."""
        if bench.mode == OFF:
            self._link(bench, b"lost", now_s)

    def _link(self, bench: Bench, body: bytes, now_s: float) -> None:
        feed = self._links.get(bench.spec.name)
        if feed is not None and feed.last != body:
            feed.last = body
            if self.room.broker:
                self._said.append(Raw(now_s, "mqtt", feed.address, body))

    def _note(self, bench: Bench, now_s: float) -> None:
        """Tell the truth what state the machine is in."""
        mode = bench.mode
        if mode == OFF:
            state = "off"
        elif mode in BUSY:
            state = {HEAT: "heating", PRINT: "printing", PAUSE: "paused"}[mode]
        elif not bench.full:
            state = "idle"
        else:
            build = self._builds.get(bench.spec.name)
            state = "cooling" if mode == HOLD or (build is not None and build.released_s is None) else "waiting"
        self.truth.note(bench.spec.name, now_s, state)


def _heat_up_s(bench: Bench, job: Job) -> float:
    """About how long the bed takes to its temperature from 18 °C, in closed form."""
    span_c = bench.bed_w * BED_YIELD / bench.bed_g
    return -BED_CAP / BED_G * math.log(1.0 - (MATERIALS[job.material].bed_c - 18.0) / span_c)
