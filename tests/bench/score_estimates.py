"""Score state from power and finish times on a world that the estimators were not written for.

Run by hand:  python tests/bench/score_estimates.py [--seed N] [--days N] [--machines N] [--every 2,10,60]

The world is simulated here and shares nothing with the product or its scenario: bed and nozzle are heat
balances under one of three controls (on/off with hysteresis, a slow time window, averaged), motion is a
wandering load, progress is counted in bytes, layers or the machine's own (wrong) time, messages come late,
twice or not at all (5 %), plugs restart, machines hold their heaters after the end.

Printed per sampling interval: builds found from power alone (E4), coverage of the intervals at one random
instant per build with the exact 99.9 % verdict (E1), errors at tenths of the build (E2, E3), median width
and interval score against history alone and reported remaining alone.
"""

from __future__ import annotations

import argparse
import gc
import heapq
import json
import math
import random
import sys
import time
from bisect import insort
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from farmwatch.machines import conformal
from farmwatch.machines.eta import Estimate, Estimator
from farmwatch.machines.signature import PowerSense

SIM_STEP_S = 2.0
SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)
ONCE = 0.15  # of the builds are of a job that never comes again


# -- the world -------------------------------------------------------------------------------------------


@dataclass
class JobKind:
    name: str
    run_s: float
    spread: float
    nozzle_c: float
    bed_c: float
    knots: list[float]
    guess: float  # the file's own time over the true one
    planned: bool


@dataclass
class Rig:
    name: str
    rng: random.Random
    speed: float = 1.0
    idle_w: float = 8.0
    bed_w: float = 250.0
    nozzle_w: float = 45.0
    motion_w: float = 20.0
    stand_share: float = 0.5
    fan_w: float = 4.0
    control: str = "hysteresis"
    window_s: float = 20.0
    loss_w_k: float = 1.6
    heat_j_k: float = 900.0
    hold_end: bool = False
    hold_nozzle: bool = True
    reports: str = "bytes"
    has_remaining: bool = True
    meter_step_w: float = 0.1
    meter_tau: bool = False
    standby_w: float = 0.0
    pause_cold: bool = False  # it switches every heater off while it pauses
    pause_motors: bool = True  # and holds its motors meanwhile
    bed_c: float = 22.0


@dataclass
class Truth:
    build: str
    machine: str
    job: str
    start_s: float
    end_s: float = math.inf
    result: str = "done"
    held_s: float = 0.0
    pauses: list[tuple[float, float]] = field(default_factory=list)


def make_jobs(rng: random.Random, n: int, prefix: str) -> list[JobKind]:
    jobs = []
    for i in range(n):
        steps = [rng.gammavariate(6.0, 1.0) for _ in range(8)]
        total = sum(steps)
        knots = [0.0]
        for s in steps:
            knots.append(knots[-1] + s / total)
        bed, nozzle = rng.choice([(55, 205), (60, 215), (75, 235), (80, 240), (100, 250), (45, 225)])
        jobs.append(
            JobKind(
                f"{prefix}{i}",
                60.0 * min(600.0, max(25.0, rng.lognormvariate(math.log(130.0), 0.7))),
                rng.uniform(0.01, 0.04),
                nozzle,
                bed,
                knots,
                rng.lognormvariate(-0.05, 0.12),
                rng.random() < 0.5,
            )
        )
    return jobs


def make_rig(rng: random.Random, name: str) -> Rig:
    size = rng.uniform(0.6, 1.8)  # a factor of three between machines
    bed_w = 180.0 * size * rng.uniform(0.85, 1.2)
    loss = rng.uniform(0.3, 0.55) * bed_w / 45.0
    return Rig(
        name,
        random.Random(rng.random()),
        speed=rng.lognormvariate(0.0, 0.02),
        idle_w=rng.uniform(4.0, 14.0),
        bed_w=bed_w,
        nozzle_w=rng.uniform(35.0, 60.0),
        motion_w=rng.uniform(12.0, 30.0),
        stand_share=rng.uniform(0.25, 0.6),
        fan_w=rng.uniform(2.0, 6.0),
        control=rng.choice(["hysteresis", "hysteresis", "window", "averaged"]),
        window_s=rng.choice([4.0, 10.0, 30.0]),
        loss_w_k=min(loss, bed_w * 0.9 / 80.0),
        heat_j_k=bed_w * rng.uniform(3.0, 6.0),
        hold_end=rng.random() < 0.35,
        hold_nozzle=rng.random() < 0.6,
        reports=rng.choices(["bytes", "layers", "marks", "own time"], (3, 2, 4, 1))[0],
        has_remaining=rng.random() < 0.7,
        meter_step_w=rng.choice([0.1, 0.1, 1.0]),
        meter_tau=rng.random() < 0.4,
        standby_w=rng.choice([0.0, 0.4, 0.9]),
        pause_cold=rng.random() < 0.25,
        pause_motors=rng.random() < 0.85,
    )


def claimed(job: JobKind, share: float) -> float:
    """What the file has behind it after this share of the time: piecewise linear, monotone."""
    at = min(share, 1.0) * (len(job.knots) - 1)
    i = min(int(at), len(job.knots) - 2)
    return job.knots[i] + (at - i) * (job.knots[i + 1] - job.knots[i])


class Bench:
    """One machine's life as a generator of (time, kind, payload), receive times, in order."""

    def __init__(self, rig: Rig, jobs: list[JobKind], days: float, every_s: float, truths: list[Truth]):
        self.rig, self.jobs, self.every_s, self.truths = rig, jobs, every_s, truths
        self.stop_s = days * 86400.0
        self.t = 0.0
        self.next_sample = rig.rng.uniform(0.0, every_s)
        self.bed_on = False
        self.wander = 0.0
        self.meter = 0.0
        self.count = 0
        self.deaf_until = -1.0

    def life(self) -> Iterator[tuple[float, str, str, Any]]:
        rng = self.rig.rng
        weights = [1.0 / (1 + i) ** 0.5 for i in range(len(self.jobs))]
        yield from self.rest(rng.uniform(600, 7200), off=False)
        while self.t < self.stop_s:
            if rng.random() < ONCE:
                once = make_jobs(rng, 1, f"once-{self.rig.name}-{self.count}-")[0]
                yield from self.build(once)
            else:
                yield from self.build(rng.choices(self.jobs, weights)[0])
            off = rng.random() < 0.2
            yield from self.rest(rng.uniform(360, 1200), off=False)
            if rng.random() < 0.6:
                yield from self.rest(rng.expovariate(1 / 5400.0), off=off)

    # power samples ----------------------------------------------------------------------------------

    def sample(self, watts: float) -> Iterator[tuple[float, str, str, Any]]:
        rig, rng = self.rig, self.rig.rng
        if rig.meter_tau:  # some plugs average over a few seconds
            self.meter += (watts - self.meter) * 0.5
            watts = self.meter
        while self.next_sample <= self.t:
            at = self.next_sample
            self.next_sample = at + self.every_s * rng.uniform(0.9, 1.1)
            if at < self.deaf_until:
                continue
            draw = rng.random()
            if draw < 0.05:
                continue
            if draw < 0.0501 + 0.0004 * self.every_s / 10.0:  # the plug restarts: silence, then a zero
                self.deaf_until = at + rng.uniform(20.0, 120.0)
                yield (at, "power", rig.name, 0.0 if rng.random() < 0.5 else None)
                continue
            seen = watts + rng.gauss(0.0, 0.01 * watts + 0.05)
            seen = max(0.0, round(seen / rig.meter_step_w) * rig.meter_step_w)
            yield (at, "power", rig.name, seen)
            if draw > 0.98:
                yield (at + 0.01, "power", rig.name, seen)

    def thermal(self, goal_c: float) -> float:
        """Advance the bed by one step towards its goal; electrical power of the bed heater."""
        rig = self.rig
        need = rig.loss_w_k * (goal_c - 22.0) / rig.bed_w
        if goal_c <= 22.0:
            duty = 0.0
        elif rig.bed_c < goal_c - 2.0:
            duty = 1.0
        elif rig.control == "hysteresis":
            if rig.bed_c < goal_c - 0.5:
                self.bed_on = True
            elif rig.bed_c > goal_c + 0.5:
                self.bed_on = False
            duty = 1.0 if self.bed_on else 0.0
        elif rig.control == "window":
            share = min(1.0, max(0.0, need + 0.3 * (goal_c - rig.bed_c)))
            duty = 1.0 if self.t % rig.window_s < share * rig.window_s else 0.0
        else:
            duty = min(1.0, max(0.0, need + 0.3 * (goal_c - rig.bed_c)))
        rig.bed_c += SIM_STEP_S * (duty * rig.bed_w - rig.loss_w_k * (rig.bed_c - 22.0)) / rig.heat_j_k
        return duty * rig.bed_w

    def rest(self, for_s: float, *, off: bool) -> Iterator[tuple[float, str, str, Any]]:
        rig, rng = self.rig, self.rig.rng
        end = self.t + for_s
        rig.bed_c = 22.0 + (rig.bed_c - 22.0) * math.exp(-for_s * rig.loss_w_k / rig.heat_j_k)
        while self.t < end:
            self.t = min(end, max(self.t + 1e-3, self.next_sample))
            level = rig.standby_w if off else rig.idle_w
            self.meter = level
            yield from self.sample(level * (1 + rng.gauss(0, 0.02)))

    def build(self, job: JobKind) -> Iterator[tuple[float, str, str, Any]]:
        rig, rng = self.rig, self.rig.rng
        self.count += 1
        truth = Truth(f"{rig.name}-{self.count}", rig.name, job.name, self.t)
        self.truths.append(truth)
        planned = job.run_s * job.guess if job.planned else None
        yield (self.t, "start", rig.name, (truth, planned))
        for_s = job.run_s * rig.speed * rng.lognormvariate(0.0, job.spread)
        fail_at = rng.uniform(0.02, 0.98) * for_s if rng.random() < 0.06 else math.inf
        pause_at = rng.uniform(0.1, 0.95) * for_s if rng.random() < 0.2 else math.inf
        pause_s = rng.uniform(60.0, 1200.0)
        yield from self.print_phase(job, truth, for_s, fail_at, pause_at, pause_s)
        if rig.hold_end and truth.result == "done":
            truth.held_s = rng.uniform(600.0, 2400.0)
            end = self.t + truth.held_s
            while self.t < end:
                self.t += SIM_STEP_S
                bed = self.thermal(job.bed_c)
                nozzle = self.nozzle(job, 0.0) if rig.hold_nozzle else 0.0
                yield from self.sample(rig.idle_w + bed + nozzle + rig.motion_w * rig.stand_share)

    def pausing(self, job: JobKind) -> float:
        rig = self.rig
        stand = rig.motion_w * rig.stand_share
        if rig.pause_cold:
            return rig.idle_w + self.thermal(0.0) + (stand if rig.pause_motors else 0.0)
        return rig.idle_w + self.thermal(job.bed_c) + stand + self.nozzle(job, 0.0)

    def nozzle(self, job: JobKind, flow: float) -> float:
        hold = 0.09 * (job.nozzle_c - 22.0)
        return min(self.rig.nozzle_w, hold * (1.0 + 0.25 * flow))

    def print_phase(
        self, job: JobKind, truth: Truth, for_s: float, fail_at: float, pause_at: float, pause_s: float
    ) -> Iterator[tuple[float, str, str, Any]]:
        rig, rng = self.rig, self.rig.rng
        run, heating, nozzle_heat = 0.0, True, rng.uniform(60, 150)
        next_report = self.t
        pause_end = -1.0
        layers = max(20, int(for_s / 90.0))
        guess_s = job.run_s * job.guess
        while True:
            self.t += SIM_STEP_S
            pausing = self.t < pause_end
            if pausing:
                power = self.pausing(job)
            else:
                if pause_end > 0.0:
                    pause_end = -1.0
                    if rig.pause_cold:
                        heating, nozzle_heat = True, rng.uniform(60, 150)
                    yield (self.t, "resume", rig.name, truth)
                run += SIM_STEP_S
                bed = self.thermal(job.bed_c)
                if heating:
                    nozzle_heat -= SIM_STEP_S
                    nozzle = rig.nozzle_w if nozzle_heat > 0 else self.nozzle(job, 0.0)
                    power = rig.idle_w + bed + nozzle
                    heating = rig.bed_c < job.bed_c - 1.0 or nozzle_heat > 0
                else:
                    self.wander += 0.02 * (-self.wander) + rng.gauss(0.0, 0.03)
                    fan = rig.fan_w if run > 0.1 * for_s else 0.0
                    power = rig.idle_w + bed + self.nozzle(job, 1.0) + fan
                    power += rig.motion_w * (1.0 + self.wander)
            yield from self.sample(power)
            if self.t >= next_report:
                next_report = self.t + max(2.0, self.every_s * rng.uniform(0.9, 1.1))
                yield from self.report(job, truth, run / for_s, layers, guess_s, run, pausing=pausing)
            if not pausing and run >= pause_at and not heating:
                pause_at = math.inf
                pause_end = self.t + pause_s
                truth.pauses.append((self.t, pause_end))
                yield (self.t, "pause", rig.name, truth)
            if run >= min(for_s, fail_at):
                break
        truth.result = "done" if run >= for_s else rng.choice(["failed", "cancelled"])
        truth.end_s = self.t
        yield (self.t, "end", rig.name, truth)

    def report(
        self, job: JobKind, truth: Truth, share: float, layers: int, guess_s: float, run: float, *, pausing: bool
    ) -> Iterator[tuple[float, str, str, Any]]:
        rig, rng = self.rig, self.rig.rng
        if rng.random() < 0.05:
            return
        if rig.reports == "bytes":
            progress = math.floor(100 * claimed(job, share)) / 100
        elif rig.reports == "layers":
            progress = math.floor(layers * claimed(job, share)) / layers
        elif rig.reports == "marks":  # the file's own time, written into it: nearly true, but for its scale
            progress = math.floor(100 * (share + 0.15 * (claimed(job, share) - share))) / 100
        else:  # time run over time guessed: sticks at 99 %
            progress = min(0.99, math.floor(100 * run / guess_s) / 100)
        remaining = None
        if rig.has_remaining:
            base = guess_s * (1 - progress) if rig.reports != "own time" else guess_s - run
            remaining = max(60.0, 60.0 * round(base / 60.0))
        del pausing
        yield (self.t + rng.uniform(0.0, 0.5), "report", rig.name, (truth, progress, remaining))
        if rng.random() < 0.02:
            yield (self.t + 0.6, "report", rig.name, (truth, progress, remaining))


# -- playing it to the estimators ------------------------------------------------------------------------


class RemainingAlone:
    """The baseline "the machine's own remaining time": conformal on the ratio true/said of earlier builds."""

    def __init__(self) -> None:
        self.ratios: list[float] = []

    def interval(self, remaining: float, alpha: float) -> tuple[float, float] | None:
        low, high = conformal.lower(self.ratios, alpha / 2), conformal.upper(self.ratios, alpha / 2)
        if not math.isfinite(low) or not math.isfinite(high):
            return None
        return remaining * low, remaining * high


@dataclass
class Asked:
    """What was said at one instant, for scoring once the end is known."""

    share: float | None
    at_s: float
    said: Any
    alone: Any
    remaining: float | None
    base: tuple[float, float] | None
    seen: int


@dataclass
class Score:
    asked: list[tuple[Truth, Asked]] = field(default_factory=list)


class Player:
    def __init__(self, mode: str, rng: random.Random) -> None:
        self.mode, self.rng = mode, rng
        self.estimator, self.alone = Estimator(), Estimator()
        self.baseline = RemainingAlone()
        self.senses: dict[str, PowerSense] = {}
        self.current: dict[str, Truth] = {}
        self.sensed: dict[str, str] = {}
        self.found: dict[str, list[list[Any]]] = {}
        self.queue: dict[str, list[tuple[float, float | None]]] = {}
        self.asked: dict[str, list[Asked]] = {}
        self.remaining: dict[str, float | None] = {}
        self.seen: dict[str, int] = {}
        self.score: list[tuple[Truth, Asked]] = []
        self.cost_s, self.messages = 0.0, 0
        self.false_ends = 0
        self.states: list[tuple[str, str]] = []

    def play(self, events: Iterator[tuple[float, str, str, Any]]) -> None:
        plug = self.mode != "reports only"
        reports = self.mode != "plug only"
        for at, kind, machine, payload in events:
            if kind == "power":
                if plug:
                    self.power(machine, at, payload)
            elif kind == "report":
                if reports:
                    self.report(at, *payload)
            else:
                self.truth(at, kind, machine, payload, reports=reports)

    def truth(self, at: float, kind: str, machine: str, payload: Any, *, reports: bool) -> None:
        if kind == "start":
            truth, planned = payload
            self.current[machine] = truth
            rng = self.rng
            whole = None
            self.queue[truth.build] = [(rng.random(), whole), *((s, s) for s in SHARES)]
            self.remaining[truth.build] = None
            if reports:
                self.begin(machine, truth.build, truth.job, at, planned)
            return
        truth = payload
        if kind == "end":
            self.current.pop(machine, None)
            if reports:
                self.finish(truth, at, truth.result)
            return
        if reports:
            for estimator in (self.estimator, self.alone):
                (estimator.paused if kind == "pause" else estimator.resumed)(truth.build, at)

    def begin(self, machine: str, build: str, job: str, at: float, planned: float | None) -> None:
        self.estimator.started(machine, build, job, at, planned)
        self.alone.started(machine, build, job, at)

    def finish(self, truth: Truth, at: float, result: str) -> None:
        self.estimator.ended(truth.build, at, result)
        self.alone.ended(truth.build, at, result)
        if result != "done":
            return
        self.seen[truth.job] = self.seen.get(truth.job, 0) + 1

    def report(self, at: float, truth: Truth, progress: float, remaining: float | None) -> None:
        if truth.end_s < at:
            return
        begin = time.process_time()
        self.estimator.progress(truth.build, at, progress, remaining)
        self.estimator.estimate(truth.build, at)
        self.cost_s += time.process_time() - begin
        self.messages += 1
        self.remaining[truth.build] = remaining

    def power(self, machine: str, at: float, watts: float | None) -> None:
        sense = self.senses.get(machine)
        if sense is None:
            sense = self.senses[machine] = PowerSense()
            self.found[machine] = []
        before = sense.build
        begin = time.process_time()
        sense.observe(at, watts)
        said = sense.judge(at)
        self.cost_s += time.process_time() - begin
        self.messages += 1
        truth = self.current.get(machine)
        if self.rng.random() < 0.01:
            inside = "paused" if truth and any(a <= at <= b for a, b in truth.pauses) else "build" if truth else "rest"
            self.states.append((inside, said.activity))
        if sense.build is before:
            return
        build = sense.build
        if build is None:
            return
        rows = self.found[machine]
        if build.end_s is None:
            if rows and rows[-1][0] == build.start_s:
                rows[-1][1] = None
                return
            rows.append([build.start_s, None, None, at])
            if self.mode == "plug only" and truth is not None:
                self.sensed[machine] = truth.build
                self.begin(machine, truth.build, truth.job, build.start_s, None)
        elif rows and rows[-1][0] == build.start_s:
            rows[-1][1], rows[-1][2] = build.end_s, at
            if truth is not None and truth.start_s < build.start_s + 600 and build.start_s < at:
                self.false_ends += 1
            if self.mode == "plug only" and machine in self.sensed:
                name = self.sensed.pop(machine)
                self.estimator.ended(name, build.end_s, "unknown")
                self.alone.ended(name, build.end_s, "unknown")

    def ask(self, truth: Truth, share: float | None, at: float) -> None:
        said = self.estimator.estimate(truth.build, at)
        alone = self.alone.estimate(truth.build, at)
        remaining = self.remaining.get(truth.build)
        job = self.estimator.learned.known(truth.job)
        seen = job.history.finished if job is not None else 0
        asked = Asked(share, at, said, alone, remaining, None, seen)
        if share is None and remaining is not None:
            asked.base = self.baseline.interval(remaining, 0.2)
        self.score.append((truth, asked))


def play(
    truths: list[Truth], streams: list[list[tuple[float, str, str, Any]]], mode: str, seed: int
) -> Player:
    """The random instants from the truth, then the stream to the estimators."""
    rng = random.Random(seed + 1)
    player = Player(mode, rng)
    asks: list[tuple[float, str, str, Any]] = []
    for truth in truths:
        if truth.result == "done" and math.isfinite(truth.end_s):
            length = truth.end_s - truth.start_s
            for share in (None, *SHARES):
                at = truth.start_s + length * (rng.random() if share is None else share)
                asks.append((at, "ask", truth.machine, (truth, share)))
    asks.sort(key=lambda event: event[0])
    ratios: dict[str, float] = {}
    merged = heapq.merge(*streams, asks, key=lambda event: event[0])

    def events() -> Iterator[tuple[float, str, str, Any]]:
        for event in merged:
            if event[1] == "ask":
                truth, share = event[3]
                player.ask(truth, share, event[0])
                if share is None and player.remaining.get(truth.build):
                    ratios[truth.build] = (truth.end_s - event[0]) / player.remaining[truth.build]
                continue
            yield event
            if event[1] == "end" and event[3].build in ratios:
                insort(player.baseline.ratios, ratios.pop(event[3].build))

    player.play(events())
    return player


# -- the figures -----------------------------------------------------------------------------------------


def verdict(hits: int, n: int, level: float) -> str:
    """Exact two-sided 99.9 % binomial interval (Clopper-Pearson by bisection) against the level."""
    low, high = clopper(hits, n, 0.001)
    return "MISS" if n and not low <= level <= high else "ok"


def clopper(hits: int, n: int, alpha: float) -> tuple[float, float]:
    def tail(p: float, k: int) -> float:  # P(X >= k)
        return sum(
            math.exp(
                math.lgamma(n + 1)
                - math.lgamma(i + 1)
                - math.lgamma(n - i + 1)
                + i * math.log(p)
                + (n - i) * math.log1p(-p)
            )
            for i in range(k, n + 1)
        )

    def solve(k: int, goal: float) -> float:
        low, high = 1e-12, 1 - 1e-12
        for _ in range(60):
            mid = (low + high) / 2
            low, high = (mid, high) if tail(mid, k) < goal else (low, mid)
        return low

    lower = 0.0 if hits == 0 else solve(hits, alpha / 2)
    upper = 1.0 if hits == n else solve(hits + 1, 1 - alpha / 2)
    return lower, upper


def share_line(hits: int, n: int, level: float | None = None) -> str:
    low, high = conformal.wilson(hits, n)
    tail = "" if level is None else f" {verdict(hits, n, level)}"
    return f"{hits / n if n else float('nan'):.3f} [{low:.3f} {high:.3f}] n={n}{tail}"


def found_lines(player: Player, truths: list[Truth], stop_s: float) -> None:
    hits, extra, ends, sets, held_n, drop_n = 0, 0, 0, 0, 0, 0
    drop_errors, held_errors, delays, starts = [], [], [], []
    by: dict[str, list[Truth]] = {}
    for truth in truths:
        if truth.end_s < stop_s - 7200 and truth.end_s - truth.start_s > 900:
            by.setdefault(truth.machine, []).append(truth)
    total = sum(map(len, by.values()))
    for machine, rows in player.found.items():
        mine = by.get(machine, [])
        taken: set[int] = set()
        for start, end, known, _ in rows:
            if end is None or end > stop_s - 7200:
                continue
            best, overlap = None, 0.0
            for i, truth in enumerate(mine):
                if i not in taken:
                    o = (min(end, truth.end_s) - max(start, truth.start_s)) / (
                        max(end, truth.end_s) - min(start, truth.start_s)
                    )
                    if o > overlap:
                        best, overlap = i, o
            if best is None or overlap < 0.8:
                if end - start > 900:
                    extra += 1
                    if "-v" in sys.argv:
                        near = min(mine, key=lambda w: abs(w.start_s - start), default=None)
                        print("   extra", machine, start, end, near)
                continue
            taken.add(best)
            hits += 1
            truth = mine[best]
            starts.append(abs(start - truth.start_s))
            error = abs(end - truth.end_s)
            if truth.held_s:
                held_n += 1
                sets += error <= 120.0
                held_errors.append(error)
                delays.append(known - truth.end_s)
            else:
                drop_n += 1
                ends += error <= 60.0
                drop_errors.append(error)
        if "-v" in sys.argv:
            for i, truth in enumerate(mine):
                if i not in taken:
                    print("   missed", truth)
    precision, recall = hits / max(1, hits + extra), hits / max(1, total)
    f1 = 2 * precision * recall / max(1e-9, precision + recall)
    print(f"  E4 found {hits}/{total}, extra {extra}: F1 {f1:.4f}; recall {share_line(hits, total)}")
    print(f"     end within 60 s (heaters drop) {share_line(ends, drop_n)}, median {median(drop_errors or [0]):.0f} s")
    if held_n:
        print(
            f"     held: end set back within 120 s {share_line(sets, held_n)}, median {median(held_errors):.0f} s,"
            f" latest known {max(delays) / 60:.1f} min after"
        )
    print(f"     start off by {median(starts or [0]):.0f} s; false ends inside builds {player.false_ends}")
    table: dict[str, dict[str, int]] = {}
    for truth_state, activity in player.states:
        row = table.setdefault(truth_state, {})
        row[activity] = row.get(activity, 0) + 1
    for state, row in table.items():
        n = sum(row.values())
        print(f"     truth {state}: " + ", ".join(f"{k} {v / n:.3f}" for k, v in sorted(row.items())))


def estimate_lines(player: Player) -> None:
    rows = [(t, a) for t, a in player.score if math.isfinite(t.end_s)]
    random_rows = [(t, a) for t, a in rows if a.share is None]
    for level, low, high in ((0.8, "p10_s", "p90_s"), (0.95, "p025_s", "p975_s")):
        pairs = [(t, getattr(a.said, low), getattr(a.said, high)) for t, a in random_rows if a.said is not None]
        finite = [(t, x, y) for t, x, y in pairs if x is not None]
        inside = sum(x <= t.end_s <= y for t, x, y in finite)
        print(
            f"  E1 {level:.0%} holds {share_line(inside, len(finite), level)}; no interval {len(pairs) - len(finite)}"
            f" (no estimate {len(random_rows) - len(pairs)})"
        )
    for label, known in (("known >= 5", True), ("new", False)):
        line = []
        for share in SHARES:
            mine = [
                (t, a)
                for t, a in rows
                if a.share == share and a.said and a.said.p50_s is not None and (a.seen >= 5 if known else a.seen == 0)
            ]
            if known:
                errors = [abs(a.said.p50_s - t.end_s) / (t.end_s - t.start_s) for t, a in mine]
            else:
                errors = [abs(a.said.p50_s - t.end_s) / (t.end_s - a.at_s) for t, a in mine]
            line.append(f"{share:.0%} {median(errors) * 100 if errors else math.nan:.2f}% (n={len(errors)})")
        print(
            f"  {'E2' if known else 'E3'} {label}, median error {'of whole' if known else 'of remaining'}: "
            + ", ".join(line)
        )
    sharp(random_rows)


def sharp(rows: list[tuple[Truth, Asked]]) -> None:
    def stats(pairs: list[tuple[Truth, float, float]]) -> str:
        if not pairs:
            return "-"
        widths = [(h - l) / (t.end_s - t.start_s) for t, l, h in pairs]
        scores = [conformal.interval_score(l, h, t.end_s, 0.2) / (t.end_s - t.start_s) for t, l, h in pairs]
        hit = sum(l <= t.end_s <= h for t, l, h in pairs) / len(pairs)
        return f"width {median(widths):.4f} score {sum(scores) / len(scores):.4f} covers {hit:.3f} n={len(pairs)}"

    ours = lambda a: a.said is not None and a.said.p10_s is not None  # noqa: E731
    own = [(t, a.said.p10_s, a.said.p90_s) for t, a in rows if ours(a)]
    print(f"  80 % sharpness, share of the build: ours {stats(own)}")
    both = [(t, a) for t, a in rows if ours(a) and a.alone is not None and a.alone.p10_s is not None]
    print(
        f"     where history alone speaks: ours {stats([(t, a.said.p10_s, a.said.p90_s) for t, a in both])}"
        f" | history {stats([(t, a.alone.p10_s, a.alone.p90_s) for t, a in both])}"
    )
    base = [(t, a) for t, a in rows if ours(a) and a.base is not None]
    print(
        f"     where remaining is reported: ours {stats([(t, a.said.p10_s, a.said.p90_s) for t, a in base])}"
        f" | remaining {stats([(t, a.at_s + a.base[0], a.at_s + a.base[1]) for t, a in base])}"
    )


def row_of(label: str, mode: str, players: list[Player], floor_us: float) -> str:
    """A row of the table in DEVELOPERS.md, over all seeds."""
    rows = [(t, a) for p in players for t, a in p.score if math.isfinite(t.end_s)]
    at_random = [(t, a) for t, a in rows if a.share is None]
    cells = [label, mode, str(len(at_random))]
    for level, low, high in ((0.8, "p10_s", "p90_s"), (0.95, "p025_s", "p975_s")):
        finite = [
            (t, getattr(a.said, low), getattr(a.said, high))
            for t, a in at_random
            if a.said is not None and getattr(a.said, low) is not None
        ]
        hits = sum(x <= t.end_s <= y for t, x, y in finite)
        bounds = conformal.wilson(hits, len(finite))
        share = hits / max(1, len(finite))
        miss = " **miss**" if verdict(hits, len(finite), level) == "MISS" else ""
        cells.append(f"{100 * share:.1f} ({100 * bounds[0]:.1f} to {100 * bounds[1]:.1f}){miss}")
    cells.append(f"{100 * median(widths(at_random)):.1f}")
    cells.append(beaten(at_random, lambda a: None if a.alone is None or a.alone.p10_s is None else a.alone))
    cells.append(beaten(at_random, lambda a: a.base))
    for known in (True, False):
        errors = []
        for share in (0.1, 0.5, 0.9) if known else (0.25, 0.5, 0.75, 0.9):
            mine = [(t, a) for t, a in rows if a.share == share and a.said and a.said.p50_s is not None]
            if known:
                found = [abs(a.said.p50_s - t.end_s) / (t.end_s - t.start_s) for t, a in mine if a.seen >= 5]
            else:
                found = [abs(a.said.p50_s - t.end_s) / (t.end_s - a.at_s) for t, a in mine if a.seen == 0]
            errors.append(f"{100 * median(found):.1f}" if found else "-")
        cells.append(" / ".join(errors))
    cost_us = 1e6 * sum(p.cost_s for p in players) / max(1, sum(p.messages for p in players))
    cells.append(f"{cost_us:.1f} ({cost_us / floor_us:.1f})")
    return "| " + " | ".join(cells) + " |"


def widths(rows: list[tuple[Truth, Asked]]) -> list[float]:
    """Widths of the 80 % intervals as shares of their builds."""
    return [
        (a.said.p90_s - a.said.p10_s) / (t.end_s - t.start_s)
        for t, a in rows
        if a.said is not None and a.said.p10_s is not None
    ] or [math.nan]


def beaten(rows: list[tuple[Truth, Asked]], other: Any) -> str:
    """Mean interval scores, ours against the other's, where both speak."""
    ours, theirs = [], []
    for t, a in rows:
        base = other(a)
        if base is None or a.said is None or a.said.p10_s is None:
            continue
        if isinstance(base, Estimate):
            low, high = base.p10_s, base.p90_s
        else:
            low, high = a.at_s + base[0], a.at_s + base[1]
        length = t.end_s - t.start_s
        ours.append(conformal.interval_score(a.said.p10_s, a.said.p90_s, t.end_s, 0.2) / length)
        theirs.append(conformal.interval_score(low, high, t.end_s, 0.2) / length)
    return f"{100 * sum(ours) / len(ours):.0f} : {100 * sum(theirs) / len(theirs):.0f}" if ours else "-"


def floor_us() -> float:
    """Processor time of json.loads of one report, the floor beside which costs stand."""
    text = '{"state":"work","task":{"name":"vent-collar","done":0.4213,"left_s":5123},"heat":[{"at":59.8,"want":60}]}'
    begin = time.process_time()
    for _ in range(20_000):
        json.loads(text)
    return 1e6 * (time.process_time() - begin) / 20_000


HEAD = (
    "| sampling | sources | builds | 80 % holds, % (Wilson) | 95 % holds, % | width 80 %, % | score ours : history"
    " | ours : reported remaining | known 10 / 50 / 90, % of build | new 25 / 50 / 75 / 90, % of remaining"
    " | us a message (x json.loads) |"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", default="1", help="one or several, with commas")
    parser.add_argument("--days", type=float, default=20.0)
    parser.add_argument("--machines", type=int, default=12)
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--every", default="10")
    parser.add_argument("--modes", default="reports + plug,reports only,plug only")
    parser.add_argument("--table", action="store_true", help="rows for DEVELOPERS.md alone")
    parser.add_argument("-v", action="store_true")
    args = parser.parse_args()
    gc.disable()  # the simulated stream is no part of the cost
    if args.table:
        print(HEAD, "|" + "---|" * HEAD.count(" | ") + "---|", sep="\n", flush=True)
    for every in map(float, args.every.split(",")):
        players: dict[str, list[Player]] = {}
        for seed in map(int, args.seed.split(",")):
            rng = random.Random(seed)
            jobs = make_jobs(rng, args.jobs, "job-")
            rigs = [make_rig(rng, f"m{i}") for i in range(args.machines)]
            truths: list[Truth] = []
            streams = [
                sorted(Bench(rig, jobs, args.days, every, truths).life(), key=lambda e: e[0]) for rig in rigs
            ]
            for mode in args.modes.split(","):
                player = play(truths, streams, mode, seed)
                players.setdefault(mode, []).append(player)
                if args.table:
                    continue
                print(
                    f"every {every:.0f} s, {mode}: seed {seed}, {len(truths)} builds,"
                    f" {1e6 * player.cost_s / max(1, player.messages):.1f} us a message"
                )
                if mode != "reports only":
                    found_lines(player, truths, args.days * 86400.0)
                estimate_lines(player)
        if args.table:
            floor = floor_us()
            for mode, found in players.items():
                print(row_of(f"{every:.0f} s", mode, found, floor), flush=True)


if __name__ == "__main__":
    main()
