"""S7: what a reading, a machine and a minute cost, against the number of machines.

By hand: ``python tests/bench/scale.py [--machines 12,100,1000] [--minutes 2] [--picture FILE] [--profile N]``. Each row
is a process of its own: a panel with plug values a machine, every 2 s of virtual time, eight machines a circuit,
through intake, brain and the history's buffer, minute marks included. Targets: cost a reading at 10,000 machines at
most 1.3 times that at 12; at most 30 KiB a further machine. Each row has at least some 30,000 messages.
"""

import argparse
import cProfile
import gc
import json
import pstats
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from bench import load, panel, plug
from whole import MAPPINGS

from farmwatch.assemble import build_intake
from farmwatch.brain import Brain
from farmwatch.engine import Engine
from farmwatch.settings import load as load_settings
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.words.model import Raw

START_S = 1_764_000_000.0
LEAST = 30_000


def config(folder: Path, machines: int) -> Path:
    """A configuration with so many machines."""
    lines = [f'data_dir = "{folder / "data"}"', '[site]\nname = "Saltmarsh Works"', "[mqtt]", "[circuits]"]
    lines += [f"c{number:04d} = {{ rating_a = 16 }}" for number in range(-(-machines // 8))]
    lines += ["[machines]"]
    lines += [f'm{n:05d} = {{ uses = ["panel"], circuit = "c{n // 8:04d}" }}' for n in range(machines)]
    panels, job = MAPPINGS.partition("[mappings.plug]")[0], 'job = "/job"'
    mapping = panels.replace(job, f'{job}\npower_w = "/w"\nenergy_wh = "/wh"')
    path = folder / "farmwatch.toml"
    path.write_text("\n".join(lines) + mapping)
    return path


def resident_kib() -> int:
    """Of this process (proc(5))."""
    return int(next(x.split()[1] for x in Path("/proc/self/status").read_text().splitlines() if x.startswith("VmRSS")))


def message(machine: int, at_s: float) -> bytes:
    """A panel that knows its plug's values."""
    return json.dumps(json.loads(panel(machine, at_s)) | json.loads(plug(machine, at_s))).encode()


def one(machines: int, minutes: float, *, profile: bool) -> dict[str, float]:
    """A row; processor seconds."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = config(folder, machines)
        gc.disable()
        before_kib, began_s = resident_kib(), time.process_time()
        settings = load_settings(path, live=False)
        brain = Brain(settings.plan())
        engine = Engine(build_intake(settings), brain)
        started_s = time.process_time() - began_s
        (folder / "data").mkdir()
        series = EmbeddedSeries(folder / "data" / "history.db", keep_days={})
        gc.enable()
        gc.collect()
        gc.freeze()
        rounds = max(round(minutes * 30), LEAST // machines)
        spent_s, longest_s, count = 0.0, 0.0, 0
        profiler = cProfile.Profile()
        for step in range(rounds):
            bodies = [(n, START_S + 2.0 * (step + n / machines)) for n in range(machines)]
            items = [Raw(at_s, "mqtt", f"works/m{n:05d}/status", message(n, at_s)) for n, at_s in bodies]
            if profile and step:
                profiler.enable()
            began_s = time.process_time()
            for item in items:
                if brain.next_due_s() <= item.at_s:
                    turn_s = time.process_time()
                    engine.advance(item.at_s)
                    longest_s = max(longest_s, time.process_time() - turn_s) if step else 0.0
                series.append(engine.feed(item).observed)
            if step:
                spent_s, count = spent_s + time.process_time() - began_s, count + machines
            profiler.disable()
        kib = resident_kib() - before_kib
        began_s = time.process_time()
        brain.view(START_S + 2.0 * rounds)
        view_s = time.process_time() - began_s
        if profile:
            pstats.Stats(profiler, stream=sys.stderr).sort_stats("tottime").print_stats(25)
        return {"machines": machines, "start_s": started_s, "us": 1e6 * spent_s / count, "kib": kib,
                "longest_s": longest_s, "view_s": view_s}  # fmt: skip


def picture(rows: list[dict[str, float]], path: Path) -> None:
    """Cost a reading, resident memory and the longest turn against the number of machines."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(1, 3, figsize=(10, 3), layout="constrained")
    shown = {"us": "µs a message", "kib": "KiB resident above the start", "longest_s": "longest turn, s"}
    for axis, (key, words) in zip(axes, shown.items(), strict=True):
        axis.plot([row["machines"] for row in rows], [row[key] for row in rows], "k.-")
        axis.set(xscale="log", xlabel="machines", ylabel=words, ylim=(0, None))
    figure.savefig(path)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--machines", default="12,100,1000,10000")
    parser.add_argument("--minutes", type=float, default=1.2)
    parser.add_argument("--picture", type=Path)
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--one", type=int)
    args = parser.parse_args()
    if args.one:
        print(json.dumps(one(args.one, args.minutes, profile=args.profile)))
        return
    more = ["--profile"] if args.profile else []
    rows = []
    print("machines   us a message   KiB resident   KiB a further machine   longest turn s   view s   start s")
    for number in map(int, args.machines.split(",")):
        command = [sys.executable, __file__, "--one", str(number), "--minutes", str(args.minutes), *more]
        row = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)
        rows.append(row)
        further = (row["kib"] - rows[0]["kib"]) / max(row["machines"] - rows[0]["machines"], 1)
        print(f"{number:8d} {row['us']:14.1f} {row['kib']:14.0f} {further:23.1f} {row['longest_s']:16.3f} "
              f"{row['view_s']:8.3f} {row['start_s']:9.2f}", flush=True)  # fmt: skip
    print(load())
    if args.picture:
        picture(rows, args.picture)


if __name__ == "__main__":
    main()
