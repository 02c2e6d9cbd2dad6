"""How good the finish times were: errors and coverage, held against builds that are over."""

import argparse
import errno
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


def text(found: list[dict[str, Any]], builds: int, seen: int = 0) -> str:
    """The table for people, of ``builds`` out of ``seen``."""
    if not found:
        what = "no build was seen" if not seen else f"of {seen} builds none went through with a finish time said of it"
        return f"Nothing to score yet: {what}.\n"
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
    """Builds of the journal; OSError where there is none (looking makes none)."""
    from farmwatch.assemble import open_journal
    from farmwatch.settings import load

    settings = load(config, live=False)
    path = settings.data_path / "journal.db"
    if not path.exists():
        raise FileNotFoundError(errno.ENOENT, "no journal here yet: `farmwatch run` makes it", str(path))
    journal = open_journal(settings)
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
    """``farmwatch score RECORDING|--history --config FILE [--json] [--plot FILE]``.

    2: what was asked for cannot be (no such file, no recording, no journal); 1: the picture cannot be drawn.
    """
    from farmwatch.words.errors import BadRecording

    if bool(args.recording) == bool(args.history):
        return _no("give a recording, or --history for the builds of the journal", 2)
    try:
        builds = from_history(args.config) if args.history else from_recording(args.recording, args.config)
    except OSError as error:
        return _no(f"{error.filename or args.recording}: {error.strerror}", 2)
    except BadRecording as error:
        return _no(f"{args.recording}: {error}", 2)
    rows = rows_of(builds)
    found = table(rows)
    done = len({row["build"] for row in rows})
    if args.json:
        print(json.dumps({"seen": len(builds), "builds": done, "rows": found}, indent=1))
    else:
        print(text(found, done, len(builds)), end="")
    if not args.plot:
        return 0
    if not rows:
        return _no(f"{args.plot} is not drawn: nothing to score yet", 1)
    try:
        plot(rows, args.plot)
    except ImportError:
        return _no("a plot needs the extra: pip install 'farmwatch[plot]'", 1)
    except OSError as error:
        return _no(f"{args.plot}: {error.strerror}", 1)
    except ValueError as error:  # a kind of picture that nobody draws
        return _no(f"{args.plot}: {error}", 1)
    return 0


def _no(words: str, code: int) -> int:
    print(f"score: {words}", file=sys.stderr)
    return code
