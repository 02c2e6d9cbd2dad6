"""Whole days of the daemon in simulated surroundings: ``python tests/bench/simulated_days.py FIRST COUNT [options]``.

Prints each seed that fails with what failed, and the figures behind the promises. A seed gives the same run on any
computer with the same revision and Python: ``simulated_days.py SEED 1 --tell`` shows it line by line.
"""

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from simulation.sim import simulate


def one(job):
    seed, hours, tell = job
    began_s = time.process_time()
    shared = "/dev/shm"
    with tempfile.TemporaryDirectory(dir=shared if os.access(shared, os.W_OK) else None) as folder:
        try:
            found = simulate(seed, folder, hours, tell)
        except Exception as error:
            return seed, None, repr(error), time.process_time() - began_s
    return seed, found, "", time.process_time() - began_s


def line(values):
    rows = sorted(values)
    high = rows[int(0.95 * (len(rows) - 1))]
    return f"{len(rows)}: median {statistics.median(rows):.2f}, p95 {high:.2f}, most {rows[-1]:.2f}"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("first", type=int)
    parser.add_argument("count", type=int)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--tell", action="store_true")
    asked = parser.parse_args()
    jobs = [(seed, asked.hours, asked.tell) for seed in range(asked.first, asked.first + asked.count)]
    figures, values, kinds, failed, spent_s, done = Counter(), {}, Counter(), [], 0.0, 0
    with ProcessPoolExecutor(asked.processes) as pool:
        for seed, found, error, took_s in pool.map(one, jobs):
            done, spent_s = done + 1, spent_s + took_s
            if found is None or found.faults:
                failed.append(seed)
                print(f"seed {seed} fails: {error}", *(found.faults[:6] if found else ()), sep="\n    ", flush=True)
            if found is None:
                continue
            figures.update(found.figures)
            kinds.update(name.split()[0] for _, name in found.chosen)
            for name, rows in found.values.items():
                values.setdefault(name, []).extend(rows)
            if asked.count == 1 or done % 25 == 0 or asked.hours < 24:
                print(f"seed {seed}: {found.trace[:16]}, {took_s:.1f} s of processor", flush=True)
    print(f"\n{done} seeds of {asked.hours} h, {len(failed)} fail {failed}")
    print(f"  {spent_s / done:.1f} s of processor a seed, load {os.getloadavg()[0]:.1f}")
    for name, number in sorted(figures.items()):
        print(f"  {name}: {number:.0f}")
    for name, rows in sorted(values.items()):
        print(f"  {name}: {line(rows)}")
    print("  mishaps:", ", ".join(f"{name} {number}" for name, number in kinds.most_common()))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
