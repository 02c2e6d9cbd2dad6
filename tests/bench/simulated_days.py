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


PROMISES = (
    # what, figures that are counted, raw values that are summed up
    ("R1 kills", ("kills", "power cuts", "kills excused", "facts compared", "facts lost", "messages lost"), ()),
    ("R2 readings", ("readings", "readings lost"), ("lost_s",)),
    (
        "R3 disk",
        (
            "windows: disk",
            "windows: damage",
            "R3: disk refused for long",
            "R3: of these, said",
            "R3: messages delivered while a disk refused",
        ),
        (),
    ),
    ("R4 one broken source", (), ("R4: delay s, all well", "R4: delay s, another source or a service broken")),
    ("R6 reconnect", (), ("R6: broker back to connected s", "R6: UPS server back to asked s")),
    ("R7 freshness", ("looks",), ("shown good, unheard s",)),
    ("R8 delivery", ("messages", "delivered", "copies", "windows: service"), ("told_s",)),
    ("R9 stop", ("windows: stopped",), ("stop_s",)),
    ("R10 clock", ("windows: clock", "R10: alarm changes while the clock was wrong"), ()),
    ("R11 input", ("windows: panel", "windows: unit", "windows: ups"), ()),
    ("P1 incident", (), ("incident",)),
    ("P2 interruptions", (), ("interruptions",)),
    ("P4 beds", ("beds", "beds excused", "beds cleared before anybody need be asked"), ("bed_s",)),
    ("P7 dangers", ("losses", "losses visible", "losses missed", "false dangers"), ("mains_s",)),
)
"""R5, the lag of the event loop, takes a real clock: see `tests/bench`."""


def promises(figures, values):
    """Lines for a report, a promise each; what is left over last."""
    lines, used = [], set()
    for what, counted, raw in PROMISES:
        used |= {*counted, *raw}
        parts = [f"{name.partition(': ')[2] or name} {figures[name]:.0f}" for name in counted]
        parts += [f"{name.partition(': ')[2] or name} {line(values[name])}" for name in raw if values.get(name)]
        lines.append(f"{what}: {'; '.join(parts)}")
    rest = [f"{name} {number:.0f}" for name, number in sorted(figures.items()) if name not in used]
    return [*lines, f"besides: {', '.join(rest)}"]


def line(values):
    rows = sorted(values)
    high = rows[int(0.95 * (len(rows) - 1))]
    return f"{len(rows)}: median {statistics.median(rows):.3g}, p95 {high:.3g}, most {rows[-1]:.3g}"


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
    for row in promises(figures, values):
        print(f"  {row}")
    print("  mishaps:", ", ".join(f"{name} {number}" for name, number in kinds.most_common()))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
