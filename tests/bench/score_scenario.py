"""Score finish times on Saltmarsh Works through the whole engine, against the scenario's truth.

Run by hand:  python tests/bench/score_scenario.py [--seed 9201,9202] [--days 4] [--every 2,10,60]

Each row is one rhythm of the devices and one choice of sources; what is left out of them never reaches the
engine.  Coverage is asked at one random instant of each true build that went through, from the second day on
(the first day knows nothing yet); the errors at 25, 50, 75 and 90 % are of the build's length.  Beside ours
stand history alone (the same estimator, which hears of begins and ends only) and reported remaining time alone
(conformal on the ratio of true to said of the builds before), by the interval score, in percent of the build.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import tempfile
from bisect import insort
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from statistics import median
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from farmwatch.assemble import build_engine
from farmwatch.machines import conformal
from farmwatch.machines.eta import Estimator
from farmwatch.replay import replayed
from farmwatch.scenario.world import World
from farmwatch.settings import load
from farmwatch.words.model import Input, Note

START_S = 1_772_409_600.0
DAY_S = 86_400.0
SHARES = (0.25, 0.5, 0.75, 0.9)
PLUGS, PANELS = re.compile(r"/(plug|meter)\b"), re.compile(r"/panel/|/now$")
MODES = {"reports + plug": None, "reports only": PLUGS, "plug only": PANELS}


@dataclass
class Heard:
    """What came out of one run: estimates by machine, and what became of builds, in order of time."""

    world: World
    said: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    builds: list[tuple[float, dict[str, Any]]] = field(default_factory=list)


def heard(inputs: Iterator[Input], left_out: re.Pattern[str] | None) -> Iterator[Input]:
    """What comes in without the sources that are left out."""
    for item in inputs:
        address = getattr(item, "address", None) or ""
        if left_out is None or not left_out.search(address):
            yield item


def listened(seed: int, days: float, every_s: float, mode: str) -> Heard:
    """A run of the whole engine."""
    world = World(seed, START_S, interval_s=every_s, sample_s=0)
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text()
    if every_s > 10.0:  # the demo's mappings say 2 s; values that come each minute must not be stale in between
        text = re.sub(r"^interval_s = .*$", f"interval_s = {every_s:.0f}", text, flags=re.MULTILINE)
    with tempfile.NamedTemporaryFile("w", suffix=".toml") as file:
        file.write(text)
        file.flush()
        engine = build_engine(load(file.name, live=False))
    out = Heard(world)
    for effect in replayed(engine, heard(world.inputs(START_S, START_S + days * DAY_S), MODES[mode])):
        if not isinstance(effect, Note):
            continue
        if effect.kind == "estimate":
            machine = effect.doc["machine"]
            remaining_s = engine.brain.farm.machines[machine].number("remaining_s")
            row = {"at_s": effect.at_s, "remaining_s": remaining_s, "build": effect.doc["build"]}
            out.said.setdefault(machine, []).append(row | effect.doc["finish"])
        elif effect.kind == "build":
            out.builds.append((effect.at_s, effect.doc))
    return out


def last_before(rows: list[dict[str, Any]], at_s: float, from_s: float) -> dict[str, Any] | None:
    """The last estimate before an instant, None where none was made since the build began."""
    found = None
    for row in rows:
        if row["at_s"] > at_s:
            break
        found = row
    return found if found is not None and found["at_s"] >= from_s and found["p50"] is not None else None


@dataclass
class Tally:
    """What goes into one row of the table."""

    asked: int = 0
    held: dict[str, list[bool]] = field(default_factory=lambda: {"p10": [], "p025": []})
    widths: list[float] = field(default_factory=list)
    errors: dict[float, list[float]] = field(default_factory=lambda: {share: [] for share in SHARES})
    history: list[tuple[float, float]] = field(default_factory=list)
    reported: list[tuple[float, float]] = field(default_factory=list)


def score(run: Heard, rng: random.Random, tally: Tally) -> None:
    """Hold a run against its truth."""
    asks = []
    for build in run.world.truth.builds:
        if build.result != "done" or build.ended_s is None:
            continue
        length_s = build.ended_s - build.started_s
        at_s = build.started_s + rng.random() * length_s
        now = last_before(run.said.get(build.machine, []), at_s, build.started_s)
        asks.append((at_s, build, length_s, now))
        if build.started_s < START_S + DAY_S:
            continue
        tally.asked += 1
        if now is not None:
            for low, high in (("p10", "p90"), ("p025", "p975")):
                if now[low] is not None:
                    tally.held[low].append(now[low] <= build.ended_s <= now[high])
            if now["p10"] is not None:
                tally.widths.append((now["p90"] - now["p10"]) / length_s)
        for share in SHARES:
            then = last_before(run.said.get(build.machine, []), build.started_s + share * length_s, build.started_s)
            if then is not None:
                tally.errors[share].append(abs(then["p50"] - build.ended_s) / length_s)
    alone(run, sorted(asks, key=lambda ask: ask[0]), tally)


def alone(run: Heard, asks: list[tuple[float, Any, float, dict[str, Any] | None]], tally: Tally) -> None:
    """Interval scores beside history alone and reported remaining time alone."""
    estimator, builds, ratios = Estimator(), iter(run.builds), []
    waiting: list[tuple[float, float]] = []
    ahead = next(builds, None)
    for at_s, build, length_s, now in asks:
        while ahead is not None and ahead[0] <= at_s:
            doc = ahead[1]
            estimator.started(doc["machine"], doc["id"], doc["job"], doc["started"])
            if doc["ended"] is not None:
                doubtful = "start" in doc["inferred"]
                estimator.ended(doc["id"], doc["ended"], "unknown" if doubtful else doc["result"])
            ahead = next(builds, None)
        for ended_s, ratio in [row for row in waiting if row[0] <= at_s]:
            insort(ratios, ratio)
            waiting.remove((ended_s, ratio))
        if now is None or now["p10"] is None:
            continue
        ours = conformal.interval_score(now["p10"], now["p90"], build.ended_s, 0.2) / length_s
        counted = build.started_s >= START_S + DAY_S
        found = estimator.estimate(now["build"], at_s)
        if counted and found is not None and found.p10_s is not None and found.p90_s is not None:
            theirs = conformal.interval_score(found.p10_s, found.p90_s, build.ended_s, 0.2) / length_s
            tally.history.append((ours, theirs))
        remaining_s = now["remaining_s"]
        if remaining_s is not None and remaining_s > 0.0:
            low, high = conformal.lower(ratios, 0.1), conformal.upper(ratios, 0.1)
            if counted and abs(low) < 1e9 and high < 1e9:
                edges = now["at_s"] + remaining_s * low, now["at_s"] + remaining_s * high
                theirs = conformal.interval_score(*edges, build.ended_s, 0.2) / length_s
                tally.reported.append((ours, theirs))
            waiting.append((build.ended_s, (build.ended_s - now["at_s"]) / remaining_s))


def pair(rows: list[tuple[float, float]]) -> str:
    """Mean scores, ours first."""
    if not rows:
        return "-"
    ours, theirs = (100 * sum(row[i] for row in rows) / len(rows) for i in (0, 1))
    return f"{ours:.0f} : {theirs:.0f} ({len(rows)})"


def row(every_s: float, mode: str, seeds: list[int], days: float) -> str:
    """One row of the table."""
    tally = Tally()
    for seed in seeds:
        score(listened(seed, days, every_s, mode), random.Random(seed), tally)
    cells = [f"{every_s:.0f} s", mode, str(tally.asked)]
    for hits in tally.held.values():
        low, high = conformal.wilson(sum(hits), len(hits))
        share = 100 * sum(hits) / max(1, len(hits))
        cells.append(f"{share:.1f} ({100 * low:.1f} to {100 * high:.1f}) of {len(hits)}")
    cells.append(f"{100 * median(tally.widths):.1f}" if tally.widths else "-")
    cells.append(pair(tally.history))
    cells.append(pair(tally.reported))
    cells.append(" / ".join(f"{100 * median(e):.1f}" if e else "-" for e in tally.errors.values()))
    return "| " + " | ".join(cells) + " |"


HEAD = (
    "| rhythm | sources | builds | 80 % holds, % (Wilson) | 95 % holds, % | width 80 %, % | score ours : history"
    " | ours : reported remaining | error at 25 / 50 / 75 / 90, % of build |"
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", default="9201", help="one or several, with commas")
    parser.add_argument("--days", type=float, default=4.0)
    parser.add_argument("--every", default="10")
    parser.add_argument("--modes", default=",".join(MODES))
    args = parser.parse_args()
    print(HEAD, "|" + "---|" * HEAD.count(" | ") + "---|", sep="\n", flush=True)
    for every_s in map(float, args.every.split(",")):
        for mode in args.modes.split(","):
            print(row(every_s, mode, [int(s) for s in args.seed.split(",")], args.days), flush=True)


if __name__ == "__main__":
    main()
