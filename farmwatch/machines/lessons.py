"""What a finished build teaches: errors and ratios of the sources, residuals, curves, factors."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterable

from farmwatch.machines.curve import Curve
from farmwatch.machines.errors import Errors
from farmwatch.machines.history import Run
from farmwatch.machines.learned import Job, Learned, Place
from farmwatch.machines.opinions import error_row
from farmwatch.machines.pace import RUNS, errors_of
from farmwatch.machines.residuals import GOALS
from farmwatch.machines.running import Running, Shot

LEAST_RUN_S = 60.0  # shorter runs teach nothing
PLACE_FADE = 0.97  # shop and machine remember more builds than a job does
ALIKE = 2  # so many unexplained ends of one length before this one make a changed job
OFTEN = 4  # a job seen more often than this says no less of new ones


def plausible(learned: Learned, running: Running, run_s: float) -> bool:
    """Whether a build of unknown result ended near a known duration of its job, or its job is not known yet."""
    job = learned.known(running.key)
    if job is None or job.history.finished < 2:
        return True
    middle = job.history.middle(learned.factors)
    if middle is None:
        return True
    near = abs(math.log(run_s / middle) - learned.factors.of(running.machine))
    return near < max(0.15, 5.0 * job.history.spread(learned.factors))


def alike(learned: Learned, running: Running, run_s: float) -> list[str]:
    """The job's last ``ALIKE`` builds, where all were cut short as far as is known and after as long as this one.

    Ends that nobody reported, each far from any known duration and near to each other: the job has changed.
    """
    job = learned.known(running.key)
    if job is None:
        return []
    last = job.history.runs[-ALIKE:]
    here = math.log(run_s) - learned.factors.of(running.machine)
    near = max(0.03, 2.0 * job.history.spread(learned.factors))
    found = [
        r.build for r in last if not r.observed and abs(math.log(r.run_s) - learned.factors.of(r.machine) - here) < near
    ]
    return found if len(found) == ALIKE else []


def learn_build(
    learned: Learned, build: str, running: Running, run_s: float, at_s: float, beside: Iterable[Shot]
) -> None:
    """A build went through: its shots and views (and shots ``beside`` it without reports) against its end."""
    job = learned.known(running.key)
    scores: dict[str, list[tuple[int, float]]] = {}
    _learn_views(learned, build, running, job, run_s, scores)
    levels = [learned.shop.errors, learned.machine(running.machine).errors]
    if running.key is not None:
        levels.append(learned.job(running.key).errors)
    for shot in running.shots.values():
        if shot.kind != "reports, new":
            _learn_shot(shot, levels, run_s, job, running.machine)
            scores.setdefault(shot.kind, []).append((shot.stage, (at_s - shot.finish_s) / shot.scale_s))
    bare_end_s = running.start_s + running.paused_s + run_s
    for shot in beside:
        scores.setdefault(shot.kind, []).append((shot.stage, (bare_end_s - shot.finish_s) / shot.scale_s))
    for kind, rows in scores.items():
        learned.score(build, at_s, kind, rows)
    _adapt(learned, running, at_s)


def _learn_views(
    learned: Learned,
    build: str,
    running: Running,
    job: Job | None,
    run_s: float,
    scores: dict[str, list[tuple[int, float]]],
) -> None:
    """Every build teaches what to think of a new job, one of a job seen often less."""
    weight = 1.0 / (1.0 + (0 if job is None else min(OFTEN, job.history.finished)))
    machine = learned.machine(running.machine)
    for view in running.views.values():
        errors = errors_of(view.said, run_s - view.run_s)
        for place, most in zip((learned.shop, machine), RUNS, strict=True):
            place.rates.learn(view.even, view.stage, errors, weight, most)
        if zlib.crc32(f"{build} as new".encode()) % 1000 < 1000.0 * weight:
            score = (run_s - view.run_s - view.left_s) / view.scale_s
            scores.setdefault("reports, new", []).append((view.stage, score))


def _learn_shot(shot: Shot, levels: list[Errors], run_s: float, job: Job | None, machine: str) -> None:
    for source, total_s in shot.said.items():
        for level in levels:
            level.learn(error_row(source, job, machine), shot.stage, (run_s - total_s) / run_s)
    if shot.reported_s is None or shot.reported_s <= 0.0:
        return
    log_ratio = math.log(max(run_s - shot.run_s, 1.0) / shot.reported_s)
    for level in levels:
        level.ratio("ratio", shot.stage, log_ratio)
    if len(levels) > 2:
        levels[2].ratio(f"ratio {machine}", shot.stage, log_ratio)


def _adapt(learned: Learned, running: Running, at_s: float) -> None:
    """The level of the intervals follows how often they missed."""
    for index, goal in enumerate(GOALS):
        held = [
            low <= at_s <= high
            for shot in running.shots.values()
            if (low := shot.bounds[2 * index]) is not None and (high := shot.bounds[2 * index + 1]) is not None
        ]
        if held:
            learned.residuals.learn(goal, 1.0 - sum(held) / len(held))


def remember(learned: Learned, running: Running, run: Run) -> None:
    """A build is over: its run, and where it went through its curve, plan and factor."""
    learned.add_run(run)
    learned.changed |= {"shop", f"machine:{running.machine}"}
    place = learned.machine(running.machine)
    job = None if running.key is None else learned.job(running.key)
    if run.observed:
        learned.builds += 1
        _learn_curve(running, (learned.shop, place), job, run.run_s)
        _learn_plan(running, (learned.shop, place), job, run.run_s)
    learned.version += 1
    if job is None:
        return
    if run.observed and job.history.finished >= 2:
        middle = job.history.middle(learned.factors)
        if middle is not None:
            learned.factors.learn(run.machine, math.log(run.run_s / middle))
    if job.history.add(run, learned.factors):
        # Another length is another file: the old curve and ratios are no longer this job's.
        job.curve, job.errors, job.here = Curve(), Errors(), {}
    learned.changed.add(f"job:{running.key}")


def _learn_curve(running: Running, places: tuple[Place, Place], job: Job | None, run_s: float) -> None:
    if running.crossings.top < 0.5:
        return
    shares = running.crossings.shares(run_s)
    for place in places:
        place.curve.learn(shares, fade=PLACE_FADE)
    if job is not None:
        job.curve.learn(shares)
        job.here.setdefault(running.machine, Curve()).learn(shares)


def _learn_plan(running: Running, places: tuple[Place, Place], job: Job | None, run_s: float) -> None:
    if running.planned_s is None:
        return
    log_ratio = math.log(run_s / running.planned_s)
    for place in places:
        place.errors.ratio("plan ratio", 0, log_ratio)
        place.errors.ratio("plan ratio new", 0, log_ratio)
    if job is not None:
        job.errors.ratio("plan ratio", 0, log_ratio)
