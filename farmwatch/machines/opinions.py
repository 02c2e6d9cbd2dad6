"""What each source says of a build's whole run time, and what they say together.

A job that went through before: the opinions are weighted by the inverse of their mean squared relative
errors, learnt per job, machine and shop and per stage of the build; where they contradict each other beyond
their errors, the combination's error grows with the contradiction (R. T. Birge, 1932).  A new job that is
reported on: the rates of `pace`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from farmwatch.machines.curve import KNOTS, interpolate
from farmwatch.machines.errors import PRIORS, STAGES, shrunk, stage_of
from farmwatch.machines.learned import Job, Learned
from farmwatch.machines.pace import OVERRUN, SOURCES, Mix, mix
from farmwatch.machines.running import Running, View

REPORT_STALE_S = 900.0  # a report older than this no longer counts as one
LOOK_S = 1200.0  # what other builds taught in the meantime is taken over so often
NEW_MIX = 4  # a mix is made anew after each build, later when there is a quarter more to learn from
STUCK_ERROR = 0.5  # relative error of what remains while the reported progress is stuck, at least
LEAST_LEFT_S = 10.0  # no rate says less
LEAST_LEFT = 0.003  # of the run so far

WORDS = {
    "remaining": "reported remaining time",
    "progress": "reported progress",
    "pace": "pace of the last steps",
    "history": "earlier builds",
    "plan": "planned time",
    "shop": "all builds",
}


class Opinion(NamedTuple):
    """One source's opinion on the whole run time, and its relative error."""

    source: str
    total_s: float
    error: float


class Blend(NamedTuple):
    """The combination of the opinions at one instant."""

    total_s: float
    scale_s: float
    stage: int
    kind: str
    opinions: Sequence[Opinion]
    expected_s: float  # the run time that was expected before it was known that the build still runs


def blend(learned: Learned, running: Running, now_s: float) -> Blend:
    """What is to be said of a running build now; without opinions where there is nothing to go by."""
    if running.version != learned.version and now_s >= running.look_s:
        running.kept.clear()
        running.fitted = None
        running.version, running.look_s = learned.version, now_s + LOOK_S
    run_s = running.run_s(now_s)
    job = learned.known(running.key)
    if job is None:
        seen = as_new(learned, running, now_s)
        if seen is not None:
            return _of_view(learned, running, seen)
    return _of_opinions(learned, running, job, run_s, now_s)


# -- a new job, by its rates ---------------------------------------------------------------------------------


def as_new(learned: Learned, running: Running, now_s: float) -> View | None:
    """The build as if its job were new; None without fresh reports."""
    fresh_s = now_s - REPORT_STALE_S if running.pause_from_s is None else -math.inf
    run_s, pace = running.run_s(now_s), running.pace
    said: list[float | None] = [None] * len(SOURCES)
    if running.claim is not None and running.claim_at_s >= fresh_s:
        said[0] = pace.mean_s(run_s, running.step)
        said[1] = pace.recent_s(run_s, running.step)
    if running.remaining_s is not None and running.remaining_at_s >= fresh_s:
        left = running.remaining_s - (run_s - running.remaining_run_s)
        said[2] = left if left >= 0.0 else -OVERRUN * left
    first_s = said[2] if said[0] is None else said[0]
    if first_s is None or run_s <= 0.0:
        return None
    if running.planned_s is not None and running.planned_s > 1.02 * run_s:
        said[3] = running.planned_s - run_s
    least_s = max(LEAST_LEFT_S, LEAST_LEFT * run_s)
    bounded = [None if v is None else max(least_s, v) for v in said]
    present = tuple([v is not None for v in said])
    left_s, stage = max(first_s, least_s), -1
    for _ in range(2):  # what is said first decides how far the build is, and that how each source is weighed
        at = stage_of(run_s / (run_s + left_s))
        if at == stage:
            break
        stage, even = at, pace.kind(run_s, at)
        found = _mix(learned, running, even, stage, present)
        left_s = found.remaining_s(bounded)
    error = min(1.0, found.error)
    if pace.stuck(run_s, running.step):
        error = max(error, STUCK_ERROR)
    return View(stage, even, run_s, bounded, left_s, max(1.0, left_s * error))


def _mix(learned: Learned, running: Running, even: str, stage: int, present: tuple[bool, ...]) -> Mix:
    key = (running.machine, even, stage, present)
    taught, held = learned.shop.rates.taught(even, stage), learned.mixes.get(key)
    if held is None or taught >= held[0] + max(1, held[0] // NEW_MIX):
        held = learned.mixes[key] = (taught, mix(learned.rates(running.machine), even, stage, present))
    return held[1]


def _of_view(learned: Learned, running: Running, seen: View) -> Blend:
    total_s = seen.run_s + seen.left_s
    found = _mix(learned, running, seen.even, seen.stage, tuple([v is not None for v in seen.said]))
    error = seen.scale_s / total_s
    opinions = [
        Opinion(source, seen.run_s + left_s, error / math.sqrt(weight))
        for source, left_s, weight in zip(SOURCES, seen.said, found.weights, strict=True)
        if left_s is not None and weight > 0.0
    ]
    expected_s = running.planned_s if running.planned_s is not None else total_s
    return Blend(total_s, seen.scale_s, seen.stage, "reports, new", opinions, expected_s)


# -- a known job, or no reports ------------------------------------------------------------------------------


def _of_opinions(learned: Learned, running: Running, job: Job | None, run_s: float, now_s: float) -> Blend:
    said, expected_s = _said(learned, running, job, run_s, now_s)
    stage = _stage(said, run_s)
    kept = running.kept.get(stage)
    if kept is None:
        kept = running.kept[stage] = {}
    opinions = []
    for source, total_s in said.items():
        error = kept.get(source)
        if error is None:
            error = kept[source] = _error(learned, running, job, source, stage)
        if source == "remaining" and running.remaining_s is not None:
            ratio = kept.get("ratio")
            if ratio is None:
                ratio = kept["ratio"] = _ratio(learned, running, job, stage)
            total_s = running.remaining_run_s + running.remaining_s * ratio
        opinions.append(Opinion(source, max(run_s, total_s), error))
    return combine(opinions, run_s, stage, class_of(said, job), expected_s)


def _ratio(learned: Learned, running: Running, job: Job | None, stage: int) -> float:
    log_ratio = shrunk(learned.levels(running.machine, job), "ratio", stage, 0.0)
    if job is not None:
        log_ratio = shrunk((job.errors,), f"ratio {running.machine}", stage, log_ratio)
    return math.exp(log_ratio)


def _error(learned: Learned, running: Running, job: Job | None, source: str, stage: int) -> float:
    row = error_row(source, job, running.machine)
    prior = PRIORS[row][stage] ** 2
    if source == "history" and job is not None:
        prior = job.history.spread(learned.factors) ** 2 * (1.0 + 2.0 / max(1, job.history.finished))
    return max(math.sqrt(shrunk(learned.levels(running.machine, job), row, stage, prior)), 0.001)


def _said(
    learned: Learned, running: Running, job: Job | None, run_s: float, now_s: float
) -> tuple[dict[str, float], float]:
    """Whole run time by each source that has an opinion, and what was expected of the build."""
    said: dict[str, float] = {}
    expected_s = 0.0
    if job is not None:
        fresh_s = now_s - REPORT_STALE_S if running.pause_from_s is None else -math.inf
        if running.remaining_s is not None and running.remaining_at_s >= fresh_s:
            said["remaining"] = running.remaining_run_s + running.remaining_s
        if running.claim is not None and running.claim_at_s >= fresh_s and running.crossings.top > 0.0:
            total_s = _by_progress(learned, running, job, run_s)
            if total_s is not None:
                said["progress"] = total_s
        expected_s, given_s = _by_history(learned, running, job, run_s)
        if given_s is not None:
            said["history"] = given_s
    if running.planned_s is not None:
        ratio = running.kept.get("plan")
        if ratio is None:
            levels = learned.levels(running.machine, job)
            ratio = running.kept["plan"] = math.exp(shrunk(levels, "plan ratio" if job else "plan ratio new", 0, 0.0))
        if running.planned_s * ratio > run_s:
            said["plan"] = running.planned_s * ratio
        expected_s = expected_s or running.planned_s * ratio
    if not said:
        end_s = learned.survival().quantile(0.5, run_s)
        if end_s is not None:
            said["shop"] = end_s
    return said, expected_s


def _by_progress(learned: Learned, running: Running, job: Job, run_s: float) -> float | None:
    curve = running.fitted
    if curve is None:
        curve = running.fitted = learned.fitted(running.machine, job)
    top, top_s = running.crossings.top, running.crossings.top_at_s
    share = interpolate(KNOTS, curve, min(top, 0.999))
    if share <= 0.002 or top_s <= 0.0:
        return None
    # Until the next step of the report is due nothing is late; after that the share grows no further.
    ahead = interpolate(KNOTS, curve, min(top + running.step, 1.0))
    return max(top_s / share, run_s / max(ahead, share))


def _by_history(learned: Learned, running: Running, job: Job, run_s: float) -> tuple[float, float | None]:
    found = running.kept.get("history")
    if found is None:
        factor = math.exp(learned.factors.of(running.machine)) * _plan_change(running, job)
        middle, spread = job.history.middle(learned.factors), job.history.spread(learned.factors)
        found = running.kept["history"] = (factor, 0.0 if middle is None else middle * factor, spread)
    factor, usual_s, spread = found
    if run_s < usual_s * (1.0 - 2.0 * spread):
        return usual_s, usual_s
    given_s = job.history.survival(learned.factors).quantile(0.5, run_s / factor)
    if given_s is None:
        # Beyond every earlier run: as late again as it is spread, at least.
        return usual_s, run_s + 0.5 * spread * usual_s if usual_s else None
    return usual_s, max(given_s * factor, run_s + 0.1 * spread * usual_s)


def _plan_change(running: Running, job: Job) -> float:
    """The planned time against that of the job's last run: a changed file shows before it has run."""
    if running.planned_s is None or not job.history.runs:
        return 1.0
    last = job.history.runs[-1].planned_s
    if last is None or abs(math.log(running.planned_s / last)) < 0.02:
        return 1.0
    return running.planned_s / last


def _stage(said: dict[str, float], run_s: float) -> int:
    for source in ("history", "remaining", "progress", "plan", "shop"):
        if source in said:
            return stage_of(run_s / max(said[source], run_s, 1.0))
    return STAGES - 1


# -- all of them ---------------------------------------------------------------------------------------------


def error_row(source: str, job: Job | None, machine: str) -> str:
    """Name of the error row of a source: reports of a job seen here, seen on other machines only, or new."""
    if source in {"history", "shop"}:
        return source
    if job is None:
        return source + " new"
    return source if source == "plan" or machine in job.here else source + " elsewhere"


def class_of(said: dict[str, float], job: Job | None) -> str:
    """Class of estimates whose residuals are alike."""
    reports = "remaining" in said or "progress" in said
    if job is not None:
        return "reports, known" if reports else "known"
    return "reports, new" if reports else "new"


def combine(opinions: list[Opinion], run_s: float, stage: int, kind: str, expected_s: float) -> Blend:
    """Mean weighted by inverse variance; its error grows where the opinions contradict (Birge's ratio)."""
    if not opinions:
        return Blend(run_s, 1.0, stage, kind, (), expected_s)
    if len(opinions) == 1:
        only = opinions[0]
        scale_s = max(only.error * only.total_s, 1.0)  # no word is surer than a second
        return Blend(only.total_s, scale_s, stage, kind, opinions, expected_s or only.total_s)
    mass = first = second = 0.0
    for _, total_s, error in opinions:
        sd_s = error * total_s
        weight = 1.0 / (sd_s * sd_s) if sd_s > 1.0 else 1.0
        late_s = total_s - run_s
        mass += weight
        first += weight * late_s
        second += weight * late_s * late_s
    total_s = run_s + first / mass
    chi = max(0.0, second - first * first / mass)
    variance = max(1.0, chi / (len(opinions) - 1)) / mass
    return Blend(total_s, max(math.sqrt(variance), 1.0), stage, kind, opinions, expected_s or total_s)


def overdue(found: Blend, run_s: float) -> float | None:
    """Seconds beyond what was expected, unless the machine itself reports that more is to come."""
    late_s = run_s - found.expected_s
    if late_s <= found.scale_s:
        return None
    reported = any(o.source in {"remaining", "progress", "pace"} and o.total_s > 1.02 * run_s for o in found.opinions)
    return None if reported else late_s
