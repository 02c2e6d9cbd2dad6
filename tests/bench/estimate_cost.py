"""What estimating finish times costs a report, as the program does it: every report, one estimate a minute and machine.

Run by hand:  python tests/bench/estimate_cost.py [--every 2,10,60] [--days 3]

Six machines of the second generator (`score_estimates`), learning at the ends of builds included.  Processor
time, beside json.loads of one report in the same run.
"""

from __future__ import annotations

import argparse
import gc
import heapq
import random
import time
from typing import Any

from score_estimates import Bench, Truth, floor_us, make_jobs, make_rig

from farmwatch.machines.eta import Estimator

LOOK_S = 60.0


def events(every_s: float, days: float) -> list[tuple[float, str, str, Any]]:
    """What six machines report."""
    rng = random.Random(77)
    jobs, truths = make_jobs(rng, 20, "job-"), list[Truth]()
    lives = (Bench(make_rig(rng, f"m{i}"), jobs, days, every_s, truths).life() for i in range(6))
    streams = [sorted((e for e in life if e[1] != "power"), key=lambda e: e[0]) for life in lives]
    return list(heapq.merge(*streams, key=lambda e: e[0]))


def play(found: list[tuple[float, str, str, Any]]) -> int:
    """All of it to an estimator; the number of reports."""
    estimator, looked, reports = Estimator(), dict[str, float](), 0
    for at_s, kind, machine, what in found:
        if kind == "start":
            estimator.started(machine, what[0].build, what[0].job, at_s, what[1])
        elif kind == "end":
            estimator.ended(what.build, at_s, what.result)
        elif kind == "pause":
            estimator.paused(what.build, at_s)
        elif kind == "resume":
            estimator.resumed(what.build, at_s)
        elif what[0].end_s >= at_s:
            estimator.progress(what[0].build, at_s, what[1], what[2])
            reports += 1
            if at_s - looked.get(machine, 0.0) >= LOOK_S:
                estimator.estimate(what[0].build, at_s)
                looked[machine] = at_s
    return reports


def main() -> None:
    """Print a line a rhythm."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", default="2,10,60")
    parser.add_argument("--days", type=float, default=3.0)
    args = parser.parse_args()
    gc.disable()
    for every_s in map(float, args.every.split(",")):
        found = events(every_s, args.days * (1.0 if every_s < 60.0 else 3.0))
        begin = time.process_time()
        reports = play(found)
        cost_us = 1e6 * (time.process_time() - begin) / reports
        floor = floor_us()
        print(f"{every_s:.0f} s: {cost_us:.1f} us a report, {cost_us / floor:.1f} times json.loads ({reports} reports)")


if __name__ == "__main__":
    main()
