"""Score finish times of jobs never seen, by how their machine counts progress, on many machines of the second world.

Run by hand:  python tests/bench/score_new_jobs.py [--seed 511,512] [--days 9] [--every 60]

The world is that of `score_estimates` without its watts, so that many machines are scored in a minute.  Rows are
median errors in percent of what remains at 10, 25, 50, 75 and 90 % of the build, with the number of builds;
"early" are those before the shop's sixtieth build.  The last row is of jobs seen five times, in percent of the whole.
"""

from __future__ import annotations

import argparse
import heapq
import math
import random
from collections.abc import Iterator
from statistics import median
from typing import Any

from score_estimates import SHARES, Bench, JobKind, Truth, make_jobs, make_rig

from farmwatch.machines import conformal
from farmwatch.machines.eta import Estimator

Event = tuple[float, str, str, Any]


class Unplugged(Bench):
    """A machine that reports and has no plug: from report to report instead of from second to second."""

    def rest(self, for_s: float, *, off: bool) -> Iterator[Event]:
        """Time goes by."""
        del off
        self.t += for_s
        return iter(())

    def build(self, job: JobKind) -> Iterator[Event]:
        """A build; nobody sees how long heaters are held after it."""
        held, self.rig.hold_end = self.rig.hold_end, False
        yield from super().build(job)
        self.rig.hold_end = held

    def print_phase(
        self, job: JobKind, truth: Truth, for_s: float, fail_at: float, pause_at: float, pause_s: float
    ) -> Iterator[Event]:
        """Reports, at most one pause, the end."""
        rig, rng, begin_s = self.rig, self.rig.rng, self.t
        layers, guess_s, stop_s = max(20, int(for_s / 90.0)), job.run_s * job.guess, min(for_s, fail_at)
        run_s, stood_s, wait_s = 0.0, 0.0, 2.0
        while run_s + wait_s < stop_s:
            if run_s + wait_s >= pause_at:
                wait_s, pause_at, pause_at_s = run_s + wait_s - pause_at, math.inf, begin_s + stood_s + pause_at
                truth.pauses.append((pause_at_s, pause_at_s + pause_s))
                yield (pause_at_s, "pause", rig.name, truth)
                yield (pause_at_s + pause_s, "resume", rig.name, truth)
                stood_s += pause_s
            run_s += wait_s
            self.t = begin_s + stood_s + run_s
            yield from self.report(job, truth, run_s / for_s, layers, guess_s, run_s, pausing=False)
            wait_s = max(2.0, self.every_s * rng.uniform(0.9, 1.1))
        self.t = begin_s + stood_s + stop_s
        truth.result = "done" if stop_s >= for_s else rng.choice(["failed", "cancelled"])
        truth.end_s = self.t
        yield (self.t, "end", rig.name, truth)


def played(seed: int, days: float, every_s: float) -> Iterator[tuple[str, float | None, float, float | None]]:
    """Of each instant asked at: class, share (None: drawn at random), error, and whether the interval held."""
    rng, truths = random.Random(seed), list[Truth]()
    jobs = make_jobs(rng, 40, "job-")
    rigs = {f"m{i}": make_rig(rng, f"m{i}") for i in range(12)}
    lives = [sorted(Unplugged(rig, jobs, days, every_s, truths).life(), key=lambda e: e[0]) for rig in rigs.values()]
    asks: list[Event] = []
    for truth in truths:
        if truth.result == "done" and math.isfinite(truth.end_s):
            for share in (None, *SHARES):
                part = rng.random() if share is None else share
                asks.append(
                    (truth.start_s + part * (truth.end_s - truth.start_s), "ask", truth.machine, (truth, share))
                )
    asks.sort(key=lambda e: e[0])
    estimator = Estimator()
    for at_s, kind, machine, what in heapq.merge(*lives, asks, key=lambda e: e[0]):
        if kind == "start":
            estimator.started(machine, what[0].build, what[0].job, at_s, what[1])
        elif kind == "end":
            estimator.ended(what.build, at_s, what.result)
        elif kind in {"pause", "resume"}:
            (estimator.paused if kind == "pause" else estimator.resumed)(what.build, at_s)
        elif kind == "report":
            if what[0].end_s >= at_s:
                estimator.progress(what[0].build, at_s, what[1], what[2])
                estimator.estimate(what[0].build, at_s)
        else:
            yield from asked(estimator, at_s, *what, rigs[machine].reports)


def asked(
    estimator: Estimator, at_s: float, truth: Truth, share: float | None, counts: str
) -> Iterator[tuple[str, float | None, float, float | None]]:
    """What is said at one instant, held against the end."""
    said = estimator.estimate(truth.build, at_s)
    if said is None or said.p50_s is None:
        return
    if share is None:
        if said.p10_s is not None and said.p90_s is not None:
            score = conformal.interval_score(said.p10_s, said.p90_s, truth.end_s, 0.2)
            yield (
                "interval",
                None,
                float(said.p10_s <= truth.end_s <= said.p90_s),
                score / (truth.end_s - truth.start_s),
            )
        return
    job = estimator.learned.known(truth.job)
    seen, late_s = 0 if job is None else job.history.finished, abs(said.p50_s - truth.end_s)
    if seen >= 5:
        yield ("seen five times, of the whole", share, late_s / (truth.end_s - truth.start_s), None)
    elif not seen:
        for name in ("all", counts, "early" if estimator.builds < 60 else "later"):
            yield (name, share, late_s / (truth.end_s - at_s), None)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", default="511", help="one or several, with commas")
    parser.add_argument("--days", type=float, default=9.0)
    parser.add_argument("--every", type=float, default=60.0)
    args = parser.parse_args()
    rows: dict[str, dict[float | None, list[float]]] = {}
    scores: list[float] = []
    for seed in map(int, args.seed.split(",")):
        for name, share, value, score in played(seed, args.days, args.every):
            rows.setdefault(name, {}).setdefault(share, []).append(value)
            if score is not None:
                scores.append(score)
    held = rows.pop("interval")[None]
    for name, by in sorted(rows.items()):
        cells = " / ".join(f"{100 * median(by[share]):.1f}" for share in SHARES)
        print(f"| {name} | {len(by[0.5])} | {cells} |")
    low, high = conformal.wilson(int(sum(held)), len(held))
    share = 100 * sum(held) / len(held)
    print(f"80 % interval holds {share:.1f} ({100 * low:.1f} to {100 * high:.1f}) of {len(held)}", end="; ")
    print(f"mean interval score {100 * sum(scores) / len(scores):.1f} % of the build")


if __name__ == "__main__":
    main()
