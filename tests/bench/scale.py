"""S7: what a reading, a machine and a minute cost, against the number of machines.

By hand: ``python tests/bench/scale.py [--machines 10,12,100,1000,10000] [--write] [--profile]``. Each row is a process
of its own: a panel with plug values a machine, every 2 s of virtual time, eight machines a circuit, through intake,
brain and the history's buffer. The 72 s hold the mark of an hour and of a minute with all that follows from them. Small
sites are begun anew, with other machines, until there are some 30,000 messages: every row is of the same span of their
machines' lives. Targets: cost a reading at 10,000 machines at most 1.3 times that at 12; at most 30 KiB a further
machine; no turn longer than 250 ms. ``--write`` puts the rows into README's table and the picture beside it.
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

START_S = 1_764_000_000.0 - 10.0
"""Ten seconds before an hour and a minute."""
ROUNDS = 36
LEAST = 30_000
REPOSITORY = Path(__file__).resolve().parents[2]
PICTURE = REPOSITORY / "docs" / "scale.svg"


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


class Row:
    """A number of machines."""

    def __init__(self, machines: int, profiler: cProfile.Profile | None) -> None:
        self.machines, self.profiler = machines, profiler
        self.spent_s = self.longest_s = self.start_s = self.view_s = self.kib = 0.0
        self.count = 0

    def site(self, first: int) -> None:
        """One site's 72 s, its machines numbered from `first`; processor seconds."""
        machines = self.machines
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            path = config(folder, machines)
            gc.disable()
            before_kib, began_s = resident_kib(), time.process_time()
            settings = load_settings(path, live=False)
            brain = Brain(settings.plan())
            engine = Engine(build_intake(settings), brain)
            self.start_s = time.process_time() - began_s
            (folder / "data").mkdir()
            series = EmbeddedSeries(folder / "data" / "history.db", keep_days={})
            gc.enable()
            gc.collect()
            gc.freeze()
            for step in range(ROUNDS):
                bodies = [(n, START_S + 2.0 * (step + n / machines)) for n in range(machines)]
                items = [Raw(at_s, "mqtt", f"works/m{n:05d}/status", message(first + n, at_s)) for n, at_s in bodies]
                self._round(items, engine, series, counted=step > 0)
            self.kib = self.kib or resident_kib() - before_kib
            began_s = time.process_time()
            brain.view(START_S + 2.0 * ROUNDS)
            self.view_s = time.process_time() - began_s

    def _round(self, items: list[Raw], engine: Engine, series: EmbeddedSeries, *, counted: bool) -> None:
        brain = engine.brain
        if self.profiler and counted:
            self.profiler.enable()
        began_s = time.process_time()
        for item in items:
            while (due_s := brain.next_due_s()) <= item.at_s:
                turn_s = time.process_time()
                engine.advance(due_s)
                self.longest_s = max(self.longest_s, time.process_time() - turn_s)
            series.append(engine.feed(item).observed)
        spent_s = time.process_time() - began_s
        if self.profiler:
            self.profiler.disable()
        if counted:
            self.spent_s, self.count = self.spent_s + spent_s, self.count + len(items)


def one(machines: int, *, profile: bool) -> dict[str, float]:
    """A row."""
    profiler = cProfile.Profile() if profile else None
    row = Row(machines, profiler)
    for number in range(max(1, LEAST // (machines * ROUNDS))):
        row.site(number * machines)
    if profiler is not None:
        pstats.Stats(profiler, stream=sys.stderr).sort_stats("tottime").print_stats(40)
    return {"machines": machines, "start_s": row.start_s, "us": 1e6 * row.spent_s / row.count, "kib": row.kib,
            "longest_s": row.longest_s, "view_s": row.view_s}  # fmt: skip


def picture(rows: list[dict[str, float]], path: Path) -> None:
    """Cost a reading, memory a machine and the longest turn against the number of machines, with their promises."""
    import matplotlib as mpl

    mpl.use("Agg")
    mpl.rcParams["svg.hashsalt"] = "farmwatch"  # the same rows give the same file
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(1, 3, figsize=(10, 3), layout="constrained")
    base = min(rows, key=lambda row: abs(row["machines"] - 12))
    shown = (
        ("processor a message, µs", [row["us"] for row in rows], 1.3 * base["us"]),
        ("memory a further machine, KiB", [further(row, rows) for row in rows], 30.0),
        ("longest turn, ms", [1e3 * row["longest_s"] for row in rows], 250.0),
    )
    for axis, (words, values, promise) in zip(axes, shown, strict=True):
        known = [(row["machines"], value) for row, value in zip(rows, values, strict=True) if value is not None]
        axis.plot([at for at, _ in known], [value for _, value in known], "k.-", label="measured")
        axis.axhline(promise, color="tab:red", linestyle="--", linewidth=1, label="promised at most")
        axis.set(xscale="log", xlabel="machines", ylabel=words, ylim=(0, None), xlim=(8, 13_000))
    axes[0].legend(fontsize="small", loc="lower left")
    figure.savefig(path, metadata={"Date": None})


def further(row: dict[str, float], rows: list[dict[str, float]]) -> float | None:
    """KiB a machine more than in the smallest row; None where there are too few for a figure."""
    more = row["machines"] - rows[0]["machines"]
    return (row["kib"] - rows[0]["kib"]) / more if more >= 50 else None


def table(rows: list[dict[str, float]]) -> str:
    """README's rows."""
    lines = [
        "| machines, at one reading in 2 s | processor a message | memory a machine more | longest turn |",
        "|---|---|---|---|",
    ]
    for row in rows:
        kib = further(row, rows)
        more = "-" if kib is None else f"{kib:.0f} KiB"
        lines.append(f"| {row['machines']:,} | {row['us']:.0f} µs | {more} | {1e3 * row['longest_s']:.0f} ms |")
    return "\n".join(lines)


def write(rows: list[dict[str, float]]) -> None:
    """Into README, between its two marks, and the picture."""
    readme = REPOSITORY / "README.md"
    before, mark, rest = readme.read_text().partition("<!-- scale -->\n")
    _, end, after = rest.partition("<!-- /scale -->")
    if not mark or not end:
        raise SystemExit("README.md has no marks <!-- scale --> and <!-- /scale -->")
    readme.write_text(f"{before}{mark}\n{table(rows)}\n\n{end}{after}")
    picture(rows, PICTURE)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--machines", default="10,12,100,1000,10000")
    parser.add_argument("--write", action="store_true", help="into README's table and docs/scale.svg")
    parser.add_argument("--rows", type=Path, help="rows of an earlier run to write, instead of measuring")
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--one", type=int)
    args = parser.parse_args()
    if args.one:
        print(json.dumps(one(args.one, profile=args.profile)))
        return
    if args.rows:
        write([json.loads(line) for line in args.rows.read_text().splitlines()])
        return
    more = ["--profile"] if args.profile else []
    rows = []
    print("machines   us a message   KiB resident   KiB a further machine   longest turn s   view s   start s")
    for number in map(int, args.machines.split(",")):
        command = [sys.executable, __file__, "--one", str(number), *more]
        row = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)
        rows.append(row)
        more_kib = further(row, rows) or 0.0
        print(f"{number:8d} {row['us']:14.1f} {row['kib']:14.0f} {more_kib:23.1f} {row['longest_s']:16.3f} "
              f"{row['view_s']:8.3f} {row['start_s']:9.2f}", flush=True)  # fmt: skip
    print(load())
    if args.write:
        write(rows)


if __name__ == "__main__":
    main()
