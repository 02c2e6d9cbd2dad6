"""What the machines gave over a time, from the journal's history: per machine, job, day, week, month.

Built on `shop.usage` (SEMI E10, ISO 22400-2, cost). A build belongs to the period in which it ended; machine time
belongs to where it was. Periods are those of the site's time zone, a day 23 or 25 hours where the clock is changed.

Planned run time, which ISO 22400-2 wants for effectiveness, is the median of the job's builds that went well in the
records at hand; a build of a job that never did counts with its own time, and such builds are counted.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from statistics import median
from typing import Any, NamedTuple

from farmwatch.machines.conformal import wilson
from farmwatch.power.tariff import day_bounds, local_day
from farmwatch.shop.usage import UNSEEN, Cost, Oee, Rates, Run, Times, cost_of, oee, run_of, times_between

SCOPES = ("machine", "job", "day", "week", "month")
KINDS = ("state", "use", "energy", "awoke", "said")
"""Kinds of notes that are read."""
LOOK_BACK_S = 31 * 86_400.0
"""Notes from so long before a period are read as well: a machine's state at its begin may be old."""


class Made(NamedTuple):
    """A build that is over."""

    id: str
    run: Run
    started_s: float
    ended_s: float
    usual_pieces: float | None
    estimates: tuple[tuple[float, float, float], ...] = ()  # (share of the build, told p50, ended)


class Energy(NamedTuple):
    """Energy of one machine over a stretch."""

    machine: str
    wh: float
    from_s: float
    to_s: float


@dataclass(slots=True)
class Records:
    """What the journal's notes come to."""

    changes: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    made: dict[str, Made] = field(default_factory=dict)
    energy: list[Energy] = field(default_factory=list)
    trials: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    closed: Sequence[tuple[float, float]] = ()  # nobody plans to run then


def records_of(notes: Iterable[Mapping[str, Any]], machines: Iterable[str], now_s: float) -> Records:
    """Notes in order of time to records; a note that cannot be read is left out.

    While the collector was dark nobody saw the machines: that time is unseen.
    """
    found = Records(changes={name: [] for name in machines})
    open_trials: dict[str, float] = {}
    for note in notes:
        try:
            _take(found, open_trials, note)
        except (KeyError, TypeError, ValueError):
            continue
    for name, since_s in open_trials.items():
        found.trials.setdefault(name, []).append((since_s, now_s))
    return found


def _take(found: Records, open_trials: dict[str, float], note: Mapping[str, Any]) -> None:
    kind, at_s = note["kind"], float(note["at_s"])
    if kind == "state" and note["machine"] in found.changes:
        found.changes[note["machine"]].append((at_s, str(note["state"])))
    elif kind == "awoke" and note.get("dark_since") is not None:
        for changes in found.changes.values():
            if changes:
                state, dark_s = changes[-1][1], max(float(note["dark_since"]), changes[-1][0])
                changes += [(dark_s, "unknown"), (at_s, state)]
    elif kind == "use":
        made = _made(note)
        found.made[made.id] = made
    elif kind == "energy":
        found.energy.append(Energy(note["machine"], float(note["wh"]), note["started"], note["ended"]))
    elif kind == "said" and note["command"] == "trial":
        open_trials[note["machine"]] = at_s
    elif kind == "said" and note["command"] == "trial_over" and note["machine"] in open_trials:
        found.trials.setdefault(note["machine"], []).append((open_trials.pop(note["machine"]), at_s))


def _made(note: Mapping[str, Any]) -> Made:
    started_s, ended_s = float(note["started"]), float(note["ended"])
    run = run_of(note)
    told = tuple(
        (float(one["share"]), float(one["p50_s"]), ended_s)
        for one in note.get("estimates") or ()
        if one.get("p50_s") is not None and one.get("share") is not None
    )
    return Made(note["build"], run, started_s, ended_s, note.get("usual_pieces"), told)


# ---- periods -----------------------------------------------------------------------------------------------------


class Period(NamedTuple):
    """A stretch of local time, `to_s` not in it."""

    key: str
    from_s: float
    to_s: float


def span_of(first: str, last: str, timezone: str) -> tuple[float, float]:
    """From the begin of one local date to the end of another."""
    return day_bounds(first, timezone)[0], day_bounds(last, timezone)[1]


def periods(scope: str, from_s: float, to_s: float, timezone: str) -> list[Period]:
    """Days (2025-11-25), ISO 8601 weeks (2025-W48) or months (2025-11) that make up a span, cut at its ends."""
    found: dict[str, Period] = {}
    day = date.fromisoformat(local_day(from_s, timezone))
    while True:
        start_s, end_s = day_bounds(day.isoformat(), timezone)
        if start_s >= to_s:
            return list(found.values())
        year, week, _ = day.isocalendar()
        key = {"day": day.isoformat(), "week": f"{year}-W{week:02d}", "month": f"{day:%Y-%m}"}[scope]
        begin_s = found[key].from_s if key in found else max(start_s, from_s)
        found[key] = Period(key, begin_s, min(end_s, to_s))
        day += timedelta(days=1)


# ---- yield ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Yield:
    """What was given under one key. Unknown is None, and what is missing from a sum is counted beside it.

    Attributes:
        times: machine time; None for a job, which no machine belongs to.
        success: share of builds that went well among those that went well or failed, with Wilson's 95 % interval.
        made, good: pieces, None where a build that is done has no number of pieces.
        energy_wh: by the meters for machines and periods; of its builds for a job.
        grams: of all builds whose use is known; `grams_unknown` is the number of the others.
        planned_unknown: builds without a planned run time, see above.
    """

    key: str
    from_s: float
    to_s: float
    times: Times | None
    results: Mapping[str, int]
    success: tuple[float | None, float, float]
    made: float | None
    good: float | None
    energy_wh: float | None
    grams: float | None
    grams_unknown: int
    cost: Cost
    oee: Oee
    planned_unknown: int


def reckon(records: Records, scope: str, from_s: float, to_s: float, rates: Rates, timezone: str) -> list[Yield]:
    """All rows of a scope; see SCOPES."""
    planned = planned_s(records)
    machines = list(records.changes)
    made = [one for one in records.made.values() if from_s <= one.ended_s < to_s]
    if scope == "job":
        by_job: dict[str, list[Made]] = {}
        for one in made:
            by_job.setdefault(one.run.job or "(no name)", []).append(one)
        return [_yield(job, from_s, to_s, None, by_job[job], None, rates, planned) for job in sorted(by_job)]
    if scope == "machine":
        own = {name: [m for m in made if m.run.machine == name] for name in machines}
        return [_over(records, [name], own[name], Period(name, from_s, to_s), rates, planned) for name in machines]
    return [
        _over(records, machines, [m for m in made if p.from_s <= m.ended_s < p.to_s], p, rates, planned)
        for p in periods(scope, from_s, to_s, timezone)
    ]


def total(records: Records, from_s: float, to_s: float, rates: Rates) -> Yield:
    """Everything together."""
    made = [one for one in records.made.values() if from_s <= one.ended_s < to_s]
    return _over(records, list(records.changes), made, Period("all", from_s, to_s), rates, planned_s(records))


def planned_s(records: Records) -> dict[str, float]:
    """Planned run time of a build by job: the median of those that went well."""
    lengths: dict[str, list[float]] = {}
    for one in records.made.values():
        if one.run.result == "done" and one.run.job:
            lengths.setdefault(one.run.job, []).append(one.ended_s - one.started_s)
    return {job: median(values) for job, values in lengths.items()}


def _over(
    records: Records, names: Sequence[str], made: list[Made], period: Period, rates: Rates, planned: Mapping[str, float]
) -> Yield:
    times = Times()
    for name in names:
        trials = records.trials.get(name, [])
        times = times.plus(times_between(records.changes[name], period.from_s, period.to_s, records.closed, trials))
    wh = [
        one.wh * share
        for one in records.energy
        if one.machine in names and (share := _share(one, period.from_s, period.to_s)) > 0
    ]
    energy_wh = math.fsum(wh) if wh else None
    return _yield(period.key, period.from_s, period.to_s, times, made, energy_wh, rates, planned)


def _share(one: Energy, from_s: float, to_s: float) -> float:
    """The share of a stretch of energy that falls into a period, spread evenly."""
    if one.to_s <= one.from_s:
        return 1.0 if from_s <= one.to_s < to_s else 0.0
    return max(min(one.to_s, to_s) - max(one.from_s, from_s), 0.0) / (one.to_s - one.from_s)


def _yield(
    key: str, from_s: float, to_s: float, times: Times | None, made: list[Made], energy_wh: float | None, rates: Rates,
    planned: Mapping[str, float],
) -> Yield:  # fmt: skip
    results = {word: sum(m.run.result == word for m in made) for word in ("done", "failed", "cancelled", "unknown")}
    good = _pieces([m.run.pieces for m in made if m.run.result == "done"])
    all_of_it = _pieces([m.run.pieces if m.usual_pieces is None else m.usual_pieces for m in made])
    grams = [m.run.material_g for m in made if m.run.material_g is not None]
    if times is None:
        whs = [m.run.energy_wh for m in made if m.run.energy_wh is not None]
        energy_wh = math.fsum(whs) if whs else None
    judged = results["done"] + results["failed"]
    low, high = wilson(results["done"], judged)
    share = results["done"] / judged if judged else None
    return Yield(
        key, from_s, to_s, times, results, (share, low, high), all_of_it, good, energy_wh,
        math.fsum(grams) if grams else None, len(made) - len(grams), cost_of([m.run for m in made], rates),
        _oee(times, made, all_of_it, good, planned), sum(m.run.job not in planned for m in made),
    )  # fmt: skip


def _pieces(values: Sequence[float | None]) -> float | None:
    return None if any(value is None for value in values) else math.fsum(value or 0.0 for value in values)


def _oee(
    times: Times | None, made: list[Made], pieces: float | None, good: float | None, planned: Mapping[str, float]
) -> Oee:
    """Counted in pieces where all are known, else in builds."""
    if pieces is None or good is None or pieces <= 0:
        pieces, good = float(len(made)), float(sum(m.run.result == "done" for m in made))
    standard_s = 0.0
    for one in made:
        own_s = one.ended_s - one.started_s
        usual_s = planned.get(one.run.job or "", own_s)
        standard_s += usual_s if one.run.result == "done" else min(usual_s, own_s)
    if times is None:
        produced_s = math.fsum(m.ended_s - m.started_s for m in made)
        return oee(produced_s, 0.0, standard_s / pieces if pieces else 0.0, pieces, good)
    busy_s = times.operations_s - times.seconds["scheduled_down"]
    return oee(times.seconds["productive"], busy_s, standard_s / pieces if pieces else 0.0, pieces, good)


# ---- rows ------------------------------------------------------------------------------------------------------


def row_of(one: Yield) -> dict[str, Any]:
    """A flat row for JSON, CSV, Parquet; hours, Wh, grams, shares; None is unknown."""
    row: dict[str, Any] = {"key": one.key, "from_s": one.from_s, "to_s": one.to_s}
    if one.times is not None:
        hours = {name: seconds / 3600.0 for name, seconds in one.times.seconds.items()}
        row |= {"calendar_h": one.times.calendar_s / 3600.0}
        row |= {f"{name}_h": value for name, value in hours.items() if name != UNSEEN}
        row |= {"unseen_h": hours[UNSEEN], "waiting_for_clearing_h": one.times.waiting_s / 3600.0,
                "paused_h": one.times.paused_s / 3600.0, "utilisation": one.times.total_utilisation(),
                "operational_uptime": one.times.operational_uptime()}  # fmt: skip
    row |= {"builds": sum(one.results.values()), **{f"builds_{word}": n for word, n in one.results.items()}}
    share, low, high = one.success
    row |= {"success": share, "success_low": low, "success_high": high, "pieces_made": one.made,
            "pieces_good": one.good, "energy_wh": one.energy_wh, "material_g": one.grams,
            "builds_material_unknown": one.grams_unknown}  # fmt: skip
    cost = one.cost
    row |= {"cost_energy": cost.energy, "cost_material": cost.material, "cost_machine": cost.machine,
            "cost_of_failures": cost.of_failures, "cost_total": cost.total, "cost_each_good": cost.each,
            "cost_missing": sum(cost.missing.values())}  # fmt: skip
    row |= {"availability": one.oee.availability, "effectiveness": one.oee.effectiveness,
            "quality": one.oee.quality, "oee": one.oee.oee, "builds_without_plan": one.planned_unknown}  # fmt: skip
    return row
