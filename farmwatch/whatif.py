"""`farmwatch whatif runtime|outage|starts|capacity|rounds FILE`: questions as files, answers for people or as JSON.

Minutes are from now; watts are AC at the backup's outlets; `-` reads standard input. A file that is wrong gets
every error with its JSON Pointer (RFC 6901) on standard error and exit code 2; a question that has no answer
(a start sequence that cannot be) gets exit code 1. With `--json` the answer alone is on standard output.

This module reads, checks and prints; the answers come from `farmwatch.power`, without any extra installed.
"""

import argparse
import json
import math
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from farmwatch.power.battery import RuntimeTable, time_to_empty
from farmwatch.power.rescue import RescuePlan
from farmwatch.power.rescue_chance import Spread, plan_rescue_spread
from farmwatch.power.rescue_charge import RescueBackup, RescueMachine
from farmwatch.power.starts import StartMachine, StartPlan, plan_starts
from farmwatch.whatif_capacity import answer_capacity
from farmwatch.whatif_check import (
    CAUTION,
    Answer,
    Checker,
    WrongFile,
    charge_and_health,
    escape,
    or_null,
    read_question,
)
from farmwatch.whatif_rounds import answer_rounds

# Runtime ----------------------------------------------------------------------------------------------------


def answer_runtime(question: object) -> Answer:
    """How long a battery lasts at a load profile.

    Raises:
        WrongFile: with everything that is wrong.
    """
    check = Checker()
    top = check.record(question, "", ("runtime_table", "profile"), ("charge", "health"))
    table = check.table(top["runtime_table"], "/runtime_table") if "runtime_table" in top else None
    rows = check.pairs(top["profile"], "/profile", 1) if "profile" in top else []
    profile = [
        (check.number(minutes, f"/profile/{i}/0"), check.number(power_w, f"/profile/{i}/1"))
        for i, (minutes, power_w) in enumerate(rows)
    ]
    charge, health = charge_and_health(check, top, "")
    check.done()
    assert table is not None  # noqa: S101 - done() has raised otherwise
    life = time_to_empty(table, profile, charge=charge, health=health)
    minutes = "does not end at this load" if math.isinf(life.minutes) else f"{life.minutes:.1f} min"
    lines = [f"Runtime: {minutes}"]
    if not life.inside_table:
        lines.append("A load lies outside the table; the runtime is extrapolated and may be off by a quarter or more.")
    return Answer(
        {"minutes": or_null(life.minutes), "inside_table": life.inside_table},
        lines,
        0,
        lambda axes: _draw_table(axes, table, profile),
    )


# Outage -----------------------------------------------------------------------------------------------------


def answer_outage(question: object) -> Answer:
    """What to keep running on battery.

    Raises:
        WrongFile: with everything that is wrong.
    """
    check = Checker()
    top = check.record(question, "", ("backup", "machines"))
    backup = _backup(check, top["backup"]) if "backup" in top else None
    taken: set[str] = set()
    machines, spreads = [], []
    for i, entry in enumerate(check.listing(top["machines"], "/machines") if "machines" in top else []):
        machine, spread = _rescue_machine(check, entry, f"/machines/{i}", taken)
        machines.append(machine)
        spreads.append(spread)
    check.done()
    assert backup is not None  # noqa: S101 - done() has raised otherwise
    plan = plan_rescue_spread(backup, machines, spreads)
    form: dict[str, Any] = {
        "finishes": list(plan.finishes),
        "value": plan.value,
        "run_everything": {
            "finishes": list(plan.run_everything.finishes),
            "value": plan.run_everything.value,
            "minutes": or_null(plan.run_everything.minutes),
        },
        "steps": [
            {"from_min": s.from_min, "to_min": s.to_min, "running": list(s.running), "paused": list(s.paused)}
            for s in plan.steps
        ],
        "decide_by_min": plan.decide_by_min,
    }
    if not plan.exact:
        form["bounded_search"] = True
    spread_out = any(s.p10 != s.p90 for s in spreads)
    return Answer(form, _outage_lines(plan, machines, expected=spread_out), 0, lambda axes: _draw_steps(axes, plan))


def _backup(check: Checker, value: object) -> RescueBackup | None:
    record = check.record(value, "/backup", ("runtime_table", "charge", "health", "limit_w", "base_w"))
    table = check.table(record["runtime_table"], "/backup/runtime_table") if "runtime_table" in record else None
    charge, health = charge_and_health(check, record, "/backup")
    limit_w = check.number(record.get("limit_w", 1.0), "/backup/limit_w")
    base_w = check.number(record.get("base_w", 0.0), "/backup/base_w")
    return None if table is None else RescueBackup(table, charge, health, limit_w, base_w)


def _rescue_machine(check: Checker, entry: object, pointer: str, taken: set[str]) -> tuple[RescueMachine, Spread]:
    record = check.record(entry, pointer, ("name", "power_w", "remaining_min", "value", "hold_w"))
    name = check.name(record["name"], f"{pointer}/name", taken) if "name" in record else pointer
    power_w = check.number(record.get("power_w", 0.0), f"{pointer}/power_w")
    spread = _remaining(check, record.get("remaining_min", 0.0), f"{pointer}/remaining_min")
    value = check.number(record.get("value", 0.0), f"{pointer}/value")
    hold = record.get("hold_w")
    hold_w = None if hold is None else check.number(hold, f"{pointer}/hold_w")
    return RescueMachine(name, power_w, spread.p50, value, hold_w), spread


def _remaining(check: Checker, value: object, pointer: str) -> Spread:
    if not isinstance(value, dict):
        minutes = check.number(value, pointer)
        return Spread(minutes, minutes, minutes)
    names = ("p10", "p50", "p90")
    record = check.record(value, pointer, names)
    known = [check.number(record[name], f"{pointer}/{name}") for name in names if name in record]
    if len(known) == 3 and not known[0] <= known[1] <= known[2]:
        check.wrong(pointer, "p10, p50 and p90 must rise")
    return Spread(*known) if len(known) == 3 else Spread(1.0, 1.0, 1.0)


def _names(names: Sequence[str]) -> str:
    return ", ".join(names) if names else "nothing"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _outage_lines(plan: RescuePlan, machines: Sequence[RescueMachine], *, expected: bool) -> list[str]:
    nothing = plan.run_everything
    total = math.fsum(m.value for m in machines)
    word = "expected value" if expected else "value"
    lasting = "without end" if math.isinf(nothing.minutes) else f"{nothing.minutes:.1f} min"
    lines = [
        f"Finishes: {_names(plan.finishes)} ({word} {_number(plan.value)} of {_number(total)})",
        f"If everything runs: {_names(nothing.finishes)} ({word} {_number(nothing.value)}), {lasting}",
        "Steps:",
    ]
    for s in plan.steps:
        paused = f"; paused: {', '.join(s.paused)}" if s.paused else ""
        lines.append(f"  {s.from_min:7.1f} to {s.to_min:7.1f} min  run {_names(s.running)}{paused}")
    if not plan.steps:
        lines.append("  nothing to run")
    gone = [m.name for m in machines if m.name not in {n for s in plan.steps for n in (*s.running, *s.paused)}]
    gone = [name for name in gone if name not in plan.finishes]
    if gone:
        lines.append(f"Give up: {', '.join(gone)}")
    for name, minute in plan.decide_by_min.items():
        if minute is not None:
            lines.append(f"Decide by minute {minute:.1f}: {name}")
    if not plan.exact:
        lines.append("This is a bounded search: a better plan may exist.")
    return [*lines, CAUTION]


# Starts -----------------------------------------------------------------------------------------------------


def answer_starts(question: object) -> Answer:
    """When to start which machine.

    Raises:
        WrongFile: with everything that is wrong.
    """
    check = Checker()
    top = check.record(question, "", ("limits", "running", "machines"))
    limits = {
        place: check.number(limit, f"/limits/{escape(place)}")
        for place, limit in check.mapping(top.get("limits", {}), "/limits").items()
    }
    running = {}
    for place, power_w in check.mapping(top.get("running", {}), "/running").items():
        running[place] = check.number(power_w, f"/running/{escape(place)}")
        if place not in limits:
            check.wrong(f"/running/{escape(place)}", f"{place!r} has no limit in /limits")
    taken: set[str] = set()
    machines = [
        _start_machine(check, entry, f"/machines/{i}", taken, limits)
        for i, entry in enumerate(check.listing(top.get("machines", []), "/machines"))
    ]
    check.done()
    plan = plan_starts(limits, running, machines)
    if plan.starts is None:
        form: dict[str, Any] = {
            "starts": None,
            "impossible": [{"place": i.place, "why": i.why} for i in plan.impossible],
        }
    else:
        form = {"starts": plan.starts, "last_start_min": plan.last_start_min, "peak_w": plan.peak_w}
    if not plan.exact and (plan.starts is None or len(machines) <= 8):
        form["bounded_search"] = True
    return Answer(
        form, _starts_lines(plan, limits), 0 if plan.starts is not None else 1, lambda axes: _draw_starts(axes, plan)
    )


def _start_machine(
    check: Checker, entry: object, pointer: str, taken: set[str], limits: Mapping[str, float]
) -> StartMachine:
    record = check.record(entry, pointer, ("name", "places", "peak_w", "peak_min", "hold_w"))
    name = check.name(record["name"], f"{pointer}/name", taken) if "name" in record else pointer
    places: set[str] = set()
    for i, place in enumerate(check.listing(record.get("places", []), f"{pointer}/places")):
        named = check.name(place, f"{pointer}/places/{i}", places)
        if isinstance(place, str) and place.strip() and named not in limits:
            check.wrong(f"{pointer}/places/{i}", f"{named!r} has no limit in /limits")
    return StartMachine(
        name,
        tuple(place for place in record.get("places", []) if place in limits)
        if isinstance(record.get("places"), list) and all(isinstance(p, str) for p in record["places"])
        else (),
        check.number(record.get("peak_w", 0.0), f"{pointer}/peak_w"),
        check.number(record.get("peak_min", 0.0), f"{pointer}/peak_min"),
        check.number(record.get("hold_w", 0.0), f"{pointer}/hold_w"),
    )


def _starts_lines(plan: StartPlan, limits: Mapping[str, float]) -> list[str]:
    if plan.starts is None:
        return ["No start sequence exists:", *(f"  {i.place}: {i.why}" for i in plan.impossible), CAUTION]
    by_minute: dict[float, list[str]] = {}
    for name, minute in plan.starts.items():
        by_minute.setdefault(minute, []).append(name)
    lines = [
        f"  {'now' if minute == 0 else f'in {minute:.1f} min':>12}  {', '.join(names)}"
        for minute, names in sorted(by_minute.items())
    ]
    peaks = [f"  {place}: {peak:.0f} W of {limits[place]:.0f} W" for place, peak in plan.peak_w.items()]
    proven = [] if plan.exact else ["A good sequence; an earlier last start may exist."]
    return ["Start:", *lines, "Greatest draw:", *peaks, *proven, CAUTION]


# Pictures ---------------------------------------------------------------------------------------------------


def _draw_table(axes: Any, table: RuntimeTable, profile: Sequence[tuple[float, float]]) -> None:  # noqa: ANN401
    axes.loglog(*zip(*table.rows, strict=True), marker="o", label="runtime table")
    loads = [power_w for _, power_w in profile if power_w > 0]
    axes.plot(loads, [table.runtime_min(power_w) for power_w in loads], "x", label="loads of the profile")
    axes.set(xlabel="load, W", ylabel="runtime, min", title="Runtime at a load")
    axes.legend()


def _draw_steps(axes: Any, plan: RescuePlan) -> None:  # noqa: ANN401
    names = list(plan.decide_by_min)
    for s in plan.steps:
        for name in s.running:
            axes.barh(names.index(name), s.to_min - s.from_min, left=s.from_min, color="tab:blue")
        for name in s.paused:
            axes.barh(names.index(name), s.to_min - s.from_min, left=s.from_min, color="lightgrey", hatch="//")
    for name, minute in plan.decide_by_min.items():
        if minute is not None:
            axes.plot([minute], [names.index(name)], "v", color="tab:red")
    axes.set_yticks(range(len(names)), names)
    axes.set(xlabel="minutes from now", title="On battery: running (solid), paused (hatched), decide by (triangle)")
    axes.invert_yaxis()


def _draw_starts(axes: Any, plan: StartPlan) -> None:  # noqa: ANN401
    starts = plan.starts or {}
    axes.barh(range(len(starts)), [0.4] * len(starts), left=list(starts.values()))
    axes.set_yticks(range(len(starts)), list(starts))
    axes.set(xlabel="minutes from now", title="Start sequence")
    axes.invert_yaxis()


def _plot(path: str, draw: Callable[[Any], None]) -> str | None:
    """Draw into a file; the reason if that is not possible."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return "--plot needs matplotlib: install the extra `plot` (pip install 'farmwatch[plot]')"
    figure = Figure(figsize=(8, 4.5), layout="constrained")
    draw(figure.subplots())
    try:
        figure.savefig(path)
    except (OSError, ValueError) as error:
        return f"--plot {path}: {error}"
    return None


# The command ------------------------------------------------------------------------------------------------

QUESTIONS: dict[str, tuple[Callable[[object], Answer], str]] = {
    "runtime": (answer_runtime, "how long a backup lasts at a load that changes"),
    "outage": (answer_outage, "what to keep running on battery, in which order, and until when to decide"),
    "starts": (answer_starts, "which machine to start when, so that no place passes its limit"),
    "capacity": (answer_capacity, "whether machines may be added, and how to spread them"),
    "rounds": (answer_rounds, "when to go to the machines, and whether a trip pays"),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give a parser the questions and their options."""
    questions = parser.add_subparsers(dest="question", required=True, metavar="QUESTION")
    for name, (_, about) in QUESTIONS.items():
        one = questions.add_parser(name, help=about, description=about)
        one.add_argument("file", metavar="FILE", help="the question as JSON; - reads standard input")
        one.add_argument("--json", action="store_true", help="print the answer as JSON, alone on standard output")
        one.add_argument("--plot", metavar="FILE", help="draw the answer too (needs the extra `plot`)")


def run(args: argparse.Namespace) -> int:
    """Answer one question; the exit code: 0, 1 no answer exists, 2 the file is wrong."""
    answer_of = QUESTIONS[args.question][0]
    try:
        answer = answer_of(read_question(args.file))
    except WrongFile as error:
        label = "standard input" if args.file == "-" else args.file
        for fault in error.faults:
            print(f"{label}: {fault.pointer or '(whole file)'}: {fault.what}", file=sys.stderr)
        return 2
    print(
        json.dumps(answer.form, indent=2, ensure_ascii=False, allow_nan=False) if args.json else "\n".join(answer.lines)
    )
    if args.plot and answer.code == 0:
        problem = _plot(args.plot, answer.draw)
        if problem is not None:
            print(problem, file=sys.stderr)
            return 2
    return answer.code


def main(argv: Sequence[str] | None = None) -> int:
    """The command by itself, as `python -m farmwatch.whatif`."""
    parser = argparse.ArgumentParser(prog="farmwatch whatif", description="Questions as files.")
    add_arguments(parser)
    return run(parser.parse_args(argv))


if __name__ == "__main__":
    sys.exit(main())
