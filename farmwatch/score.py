"""How good the finish times were: errors and coverage, held against builds that are over."""

import argparse
import json
import statistics
import sys
from collections.abc import Iterable
from typing import Any

from farmwatch.machines.conformal import wilson
from farmwatch.machines.trail import SHARES, class_of
from farmwatch.words.model import Keep


def rows_of(builds: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row an estimate of a build that ended as done: share, class of basis, error, width, whether it held."""
    rows = []
    for build in builds:
        if build.get("result") != "done" or build.get("ended_s") is None or "start" in build.get("inferred", ()):
            continue
        length_s = build["ended_s"] - build["started_s"]
        if length_s <= 0:
            continue
        for said in build.get("estimates", ()):
            if said["p50_s"] is None:
                continue
            whole = said["p10_s"] is not None and said["p90_s"] is not None
            rows.append(
                {
                    "build": build["id"],
                    "share": said["share"],
                    "basis": class_of(said["basis"]),
                    "error_s": said["p50_s"] - build["ended_s"],
                    "length_s": length_s,
                    "width_s": said["p90_s"] - said["p10_s"] if whole else None,
                    "held": said["p10_s"] <= build["ended_s"] <= said["p90_s"] if whole else None,
                }
            )
    return rows


def table(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Per basis and share: number of builds, median error (signed and not), coverage with Wilson's interval."""
    groups: dict[tuple[str, float], list[dict[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["basis"], row["share"]), []).append(row)
        groups.setdefault(("all together", row["share"]), []).append(row)
    found = []
    for (basis, share), members in sorted(groups.items(), key=lambda item: (item[0][0] == "all together", item[0])):
        held = [row["held"] for row in members if row["held"] is not None]
        widths = [row["width_s"] for row in members if row["width_s"] is not None]
        low, high = wilson(sum(held), len(held))
        found.append(
            {
                "basis": basis,
                "share": share,
                "builds": len(members),
                "median_error_min": statistics.median(row["error_s"] for row in members) / 60,
                "median_abs_error_min": statistics.median(abs(row["error_s"]) for row in members) / 60,
                "median_abs_error_share": statistics.median(abs(row["error_s"]) / row["length_s"] for row in members),
                "with_interval": len(held),
                "coverage": sum(held) / len(held) if held else None,
                "coverage_low": low if held else None,
                "coverage_high": high if held else None,
                "median_width_min": statistics.median(widths) / 60 if widths else None,
            }
        )
    return found


def text(found: list[dict[str, Any]], builds: int) -> str:
    """The table for people."""
    if not found:
        return f"{builds} builds are over, and no finish time was said of any of them: nothing to score yet.\n"
    lines = [
        f"Finish times held against {builds} builds that ended as done.",
        "An interval of 8 in 10 cases is believable while 80 % lies within the range behind its share.",
        "",
        f"{'basis':<34} {'at':>5} {'builds':>6} {'error':>9} {'of build':>8} {'width':>8}  8 in 10 held",
    ]
    for row in found:
        width = "-" if row["median_width_min"] is None else f"{row['median_width_min']:.1f} min"
        held = "no interval was given"
        if row["coverage"] is not None:
            held = (
                f"{row['coverage']:.0%} of {row['with_interval']} "
                f"({row['coverage_low']:.0%} to {row['coverage_high']:.0%})"
            )
        lines.append(
            f"{row['basis'][:34]:<34} {row['share']:>5.0%} {row['builds']:>6} {row['median_abs_error_min']:>5.1f} min "
            f"{row['median_abs_error_share']:>8.1%} {width:>8}  {held}"
        )
    return "\n".join(lines) + "\n"


def from_recording(path: str, config: str) -> list[dict[str, Any]]:
    """Builds of a recording, each with what was said of it while it ran."""
    from farmwatch.assemble import build_engine
    from farmwatch.replay import replayed
    from farmwatch.settings import load
    from farmwatch.wire.recording import read

    engine = build_engine(load(config, live=False))
    builds: dict[str, dict[str, Any]] = {}
    with open(path, encoding="utf-8", newline="\n") as file:  # noqa: PTH123
        for effect in replayed(engine, read(file)):
            if isinstance(effect, Keep) and effect.kind == "build" and effect.doc is not None:
                builds[effect.key] = effect.doc
    return list(builds.values())


def from_history(config: str) -> list[dict[str, Any]]:
    """Builds of the journal."""
    from farmwatch.assemble import open_journal
    from farmwatch.settings import load

    journal = open_journal(load(config, live=False))
    try:
        return [doc for kind, _, doc in journal.facts() if kind == "build"]
    finally:
        journal.close()


def plot(rows: list[dict[str, Any]], path: str) -> None:
    """Errors by share of the build as a picture: median and the middle eight in ten."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(7, 4), layout="constrained")
    axes.axhline(0, color="0.6", linewidth=1)
    for index, basis in enumerate(sorted({row["basis"] for row in rows})):
        at = [row for row in rows if row["basis"] == basis]
        for share in SHARES:
            errors = sorted(row["error_s"] / 60 for row in at if row["share"] == share)
            if not errors:
                continue
            low, middle, high = (errors[min(len(errors) - 1, int(q * len(errors)))] for q in (0.1, 0.5, 0.9))
            place = share * 100 + 1.2 * index
            label = basis if share == SHARES[0] else None
            axes.errorbar(place, middle, [[middle - low], [high - middle]], fmt="o", color=f"C{index}", label=label)
    axes.set_xlabel("share of the build, %")
    axes.set_ylabel("said finish minus true finish, min")
    axes.legend(frameon=False)
    figure.savefig(path, dpi=150)
    plt.close(figure)


def run(args: argparse.Namespace) -> int:
    """``farmwatch score RECORDING|--history --config FILE [--json] [--plot FILE]``."""
    if bool(args.recording) == bool(args.history):
        print("score: give a recording, or --history for the builds of the journal", file=sys.stderr)
        return 2
    try:
        builds = from_history(args.config) if args.history else from_recording(args.recording, args.config)
    except OSError as error:
        print(f"score: {error.filename}: {error.strerror}", file=sys.stderr)
        return 2
    rows = rows_of(builds)
    found = table(rows)
    done = len({row["build"] for row in rows})
    if args.json:
        print(json.dumps({"builds": done, "rows": found}, indent=1))
    else:
        print(text(found, done), end="")
    if args.plot:
        try:
            plot(rows, args.plot)
        except ImportError:
            print("score: a plot needs the extra: pip install 'farmwatch[plot]'", file=sys.stderr)
            return 1
    return 0
