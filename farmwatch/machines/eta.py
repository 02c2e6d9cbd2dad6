"""When a build will be finished: a combination of what is reported and what was seen before.

Four opinions on the whole run time D (pauses taken out), each with its own learnt error:

==========  ====================================================================================
remaining   run time so far + reported remaining time x the learnt ratio of true to reported
progress    run time at the last step of the reported progress / the learnt curve there (`curve`)
history     Kaplan-Meier of the job's runs given that it still runs, x the machine's factor
plan        the planned time x the learnt ratio (also tells a changed job from an unchanged one)
shop        Kaplan-Meier of all builds given that it still runs: for a job never seen, alone
==========  ====================================================================================

They are weighted by the inverse of their mean squared relative errors, learnt per job, machine and shop and
per stage of the build, shrunk in that order; where they contradict each other beyond their errors, the
combination's error grows with the contradiction (R. T. Birge, 1932).

The interval is split-conformal (`conformal`): each finished build leaves one scaled residual per stage, taken
at an instant drawn at random within the stage; the next build's residual is exchangeable with them, also
given that it is above what is already ruled out because the build still runs.  The level adapts online.
Too few residuals for the asked level: no interval, and the basis says so.

All times are epoch seconds.  Nothing here reads a clock.
"""

from __future__ import annotations

import math
import zlib
from bisect import bisect_right, insort
from collections.abc import Iterable, Mapping
from typing import Any

from farmwatch.machines import conformal
from farmwatch.machines.curve import KNOTS, Curve, interpolate
from farmwatch.machines.history import Factors, JobHistory, Run, job_key, shown
from farmwatch.machines.opinions import (
    PRIORS,
    STAGES,
    WORDS,
    Blend,
    Errors,
    Estimate,
    Job,
    Opinion,
    Running,
    Shot,
    class_of,
    combine,
    drawn,
    error_row,
    instants,
    job_from,
    middle_of,
    overdue,
    rounded,
    running_from,
    running_to,
    shrunk,
    stage_of,
)
from farmwatch.machines.survival import Survival, kaplan_meier

__all__ = ["Estimate", "Estimator"]

FRESH_S = 20.0  # an estimate younger than this is given again
LONGEST_S = 60.0 * 86400.0  # a longer remaining time is no remaining time
LEAST_RUN_S = 60.0  # shorter runs teach nothing
REPORT_STALE_S = 900.0  # a report older than this no longer counts as one
SCORES_KEPT = 160  # residuals kept per class and stage
SHOP_KEPT = 200


class Estimator:
    """Finish times for the whole shop.  Feed it what happens; ask `estimate`."""

    def __init__(self) -> None:
        self.running: dict[str, Running] = {}
        self.factors = Factors()
        self._jobs: dict[str, Job] = {}
        self._raw_jobs: dict[str, Mapping[str, Any]] = {}
        self._curves: dict[str, Curve] = {}
        self._machine_errors: dict[str, Errors] = {}
        self._shop_errors = Errors()
        self._shop_runs: list[Run] = []
        self._shop_survival: Survival | None = None
        self._scores: dict[str, list[list[float]]] = {}
        self._levels = {goal: conformal.AdaptiveLevel(goal) for goal in (0.2, 0.05)}
        self.builds = 0
        self._changed: set[str] = set()

    # -- what happens ------------------------------------------------------------------------------------

    def started(self, machine: str, build: str, job: str | None, at_s: float, planned_s: float | None = None) -> None:
        """A build began.  A build id already known is left as it is (a repeated message)."""
        if build in self.running:
            return
        planned = planned_s if planned_s is not None and LEAST_RUN_S <= planned_s <= LONGEST_S else None
        self.running[build] = Running(machine, job_key(job), shown(job), at_s, planned, last_s=at_s)
        self._changed.add(f"build:{build}")

    def renamed(self, build: str, job: str | None) -> None:
        """The job's name changed or became known in mid-build: its own history counts from now on."""
        running = self.running.get(build)
        if running is None or running.key == job_key(job):
            return
        running.key, running.name = job_key(job), shown(job)
        running.fitted, running.cached = None, None
        self._changed.add(f"build:{build}")

    def progress(self, build: str, at_s: float, progress: float | None, remaining_s: float | None) -> None:
        """A report: progress 0..1, remaining seconds; None where not reported.  Nonsense is passed over."""
        running = self.running.get(build)
        if running is None or at_s < running.last_s:
            return
        running.last_s = at_s
        run_s = running.run_s(at_s)
        if progress is not None and 0.0 <= progress <= 1.0:
            top = running.crossings.top
            if running.crossings.observe(run_s, progress) and top >= 0.0:
                running.step = max(0.5 * running.step, min(0.05, progress - top))
            running.claim, running.claim_at_s = progress, at_s
        if remaining_s is not None and 0.0 <= remaining_s <= LONGEST_S:
            # Zero long before the end is a machine that does not know, not one that is done.
            if remaining_s > 0.0 or (running.claim is not None and running.claim >= 0.98):
                running.remaining_s, running.remaining_at_s = remaining_s, at_s
                running.remaining_run_s = run_s
            else:
                running.remaining_s = None
        if at_s >= running.next_shot_s:
            self._shoot(build, running, at_s)

    def paused(self, build: str, at_s: float) -> None:
        """The build stands still from now on."""
        running = self.running.get(build)
        if running is not None and running.pause_from_s is None:
            running.pause_from_s, running.cached = max(at_s, running.start_s), None
            self._changed.add(f"build:{build}")

    def resumed(self, build: str, at_s: float) -> None:
        """The pause is over."""
        running = self.running.get(build)
        if running is not None and running.pause_from_s is not None:
            running.paused_s += max(0.0, at_s - running.pause_from_s)
            running.pause_from_s, running.cached = None, None
            self._changed.add(f"build:{build}")

    def ended(self, build: str, at_s: float, result: str) -> None:
        """The build is over: done, failed, cancelled or unknown.

        Only "done" counts as a whole run.  "unknown" counts as one where it ended near a known duration of
        its job; anything else is kept as censored.
        """
        running = self.running.pop(build, None)
        if running is None:
            return
        self._changed.add(f"build:{build}")
        run_s = running.run_s(at_s)
        if run_s < LEAST_RUN_S:
            return
        job = self._job(running.key) if running.key is not None else None
        whole = result == "done" or (result == "unknown" and self._plausible(job, running, run_s))
        if whole:
            self._fill_shots(running, run_s)
            self._score(running, job, run_s, at_s)
        self._remember(running, job, Run(build, running.machine, at_s, run_s, whole, running.planned_s))

    def revise(self, build: str, result: str) -> None:
        """The person says how an ended build went: a run taken for good becomes censored, or the reverse."""
        for key in list(self._raw_jobs):
            self._job(key)
        for key, job in self._jobs.items():
            run = job.history.forget(build)
            if run is not None:
                job.history.add(run._replace(observed=result == "done"), self.factors)
                job.history.total -= 1
                self._changed.add(f"job:{key}")
        self._shop_runs = [
            run._replace(observed=result == "done") if run.build == build else run for run in self._shop_runs
        ]
        self._shop_survival = None
        self._changed.add("shop")

    # -- what is known -----------------------------------------------------------------------------------

    def _job(self, key: str) -> Job:
        job = self._jobs.get(key)
        if job is None:
            raw = self._raw_jobs.pop(key, None)
            job = self._jobs[key] = Job() if raw is None else job_from(raw)
        return job

    def _plausible(self, job: Job | None, running: Running, run_s: float) -> bool:
        if job is None or job.history.finished < 2:
            return True
        middle = job.history.middle(self.factors)
        if middle is None:
            return True
        near = abs(math.log(run_s / middle) - self.factors.of(running.machine))
        return near < max(0.15, 5.0 * job.history.spread(self.factors))

    def _error_levels(self, running: Running, job: Job | None) -> tuple[Errors, ...]:
        machine = self._machine_errors.get(running.machine)
        levels = [self._shop_errors]
        if machine is not None:
            levels.append(machine)
        if job is not None:
            levels.append(job.errors)
        return tuple(levels)

    def _fit_curve(self, running: Running, job: Job | None) -> list[float]:
        if running.fitted is None:
            shop = self._curves.get("")
            parent = list(KNOTS) if shop is None else shop.fitted(KNOTS, 3.0)
            machine = self._curves.get(running.machine)
            if machine is not None:
                parent = machine.fitted(parent, 3.0)
            if job is not None:
                here = job.here.get(running.machine)
                parent = job.curve.fitted(parent, 0.6)
                parent = parent if here is None else here.fitted(parent, 0.2)
            running.fitted = parent
        return running.fitted

    def _shop(self) -> Survival:
        if self._shop_survival is None:
            runs = self._shop_runs
            self._shop_survival = kaplan_meier([r.run_s for r in runs], [r.observed for r in runs])
        return self._shop_survival

    # -- opinions ----------------------------------------------------------------------------------------

    def _blend(self, running: Running, now_s: float) -> Blend:
        run_s = running.run_s(now_s)
        job = self._job(running.key) if running.key is not None else None
        if job is not None and not job.history.runs:
            job = None
        levels = self._error_levels(running, job)
        said, expected_s = self._said(running, job, run_s, now_s)
        stage = self._stage(said, job, run_s)
        opinions = []
        for source, total_s in said.items():
            row = error_row(source, job, running.machine)
            if source == "remaining" and running.remaining_s is not None:
                log_ratio = shrunk(levels, "ratio" if job is not None else "ratio new", stage, 0.0)
                if job is not None:
                    log_ratio = shrunk((job.errors,), f"ratio {running.machine}", stage, log_ratio)
                ratio = math.exp(log_ratio)
                total_s = running.remaining_run_s + running.remaining_s * ratio
            prior = PRIORS[row][stage] ** 2
            if source == "history" and job is not None:
                n = max(1, job.history.finished)
                prior = job.history.spread(self.factors) ** 2 * (1.0 + 2.0 / n)
            error = math.sqrt(shrunk(levels, row, stage, prior))
            opinions.append(Opinion(source, max(total_s, run_s), max(error, 0.001)))
        return combine(opinions, run_s, stage, class_of(said, job), expected_s)

    def _said(self, running: Running, job: Job | None, run_s: float, now_s: float) -> tuple[dict[str, float], float]:
        """Whole run time by each source that has an opinion, and what was expected of the build."""
        said: dict[str, float] = {}
        expected_s = 0.0
        fresh_s = now_s - REPORT_STALE_S if running.pause_from_s is None else -math.inf
        if running.remaining_s is not None and running.remaining_at_s >= fresh_s:
            said["remaining"] = running.remaining_run_s + running.remaining_s
        if running.claim is not None and running.claim_at_s >= fresh_s and running.crossings.top > 0.0:
            total_s = self._by_progress(running, job, run_s)
            if total_s is not None:
                said["progress"] = total_s
        if job is not None:
            usual_s, given_s = self._by_history(running, job, run_s)
            expected_s = usual_s
            if given_s is not None:
                said["history"] = given_s
        if running.planned_s is not None:
            levels = self._error_levels(running, job)
            ratio = math.exp(shrunk(levels, "plan ratio" if job else "plan ratio new", 0, 0.0))
            if running.planned_s * ratio > run_s:
                said["plan"] = running.planned_s * ratio
            expected_s = expected_s or running.planned_s * ratio
        if not said:
            end_s = self._shop().quantile(0.5, run_s)
            if end_s is not None:
                said["shop"] = end_s
        return said, expected_s

    def _by_progress(self, running: Running, job: Job | None, run_s: float) -> float | None:
        curve = self._fit_curve(running, job)
        top, top_s = running.crossings.top, running.crossings.top_at_s
        share = interpolate(KNOTS, curve, min(top, 0.999))
        if share <= 0.002 or top_s <= 0.0:
            return None
        # Until the next step of the report is due nothing is late; after that the share grows no further.
        ahead = interpolate(KNOTS, curve, min(top + running.step, 1.0))
        return max(top_s / share, run_s / max(ahead, share))

    def _by_history(self, running: Running, job: Job, run_s: float) -> tuple[float, float | None]:
        factor = math.exp(self.factors.of(running.machine)) * self._plan_change(running, job)
        middle = job.history.middle(self.factors)
        survival = job.history.survival(self.factors)
        usual_s = middle * factor if middle is not None else 0.0
        spread = job.history.spread(self.factors)
        if middle is not None and run_s < usual_s * (1.0 - 2.0 * spread):
            return usual_s, usual_s
        given_s = survival.quantile(0.5, run_s / factor)
        if given_s is None:
            # Beyond every earlier run: as late again as it is spread, at least.
            return usual_s, None if middle is None else run_s + 0.5 * spread * usual_s
        return usual_s, max(given_s * factor, run_s + 0.1 * spread * usual_s)

    def _plan_change(self, running: Running, job: Job) -> float:
        """The planned time against that of the job's last run: a changed file shows before it has run."""
        if running.planned_s is None or not job.history.runs:
            return 1.0
        last = job.history.runs[-1].planned_s
        if last is None or abs(math.log(running.planned_s / last)) < 0.02:
            return 1.0
        return running.planned_s / last

    @staticmethod
    def _stage(said: dict[str, float], job: Job | None, run_s: float) -> int:
        for source in ("history", "remaining", "progress", "plan", "shop"):
            if source in said and (source != "history" or job is not None):
                return stage_of(run_s / max(said[source], run_s, 1.0))
        return STAGES - 1

    # -- the estimate ------------------------------------------------------------------------------------

    def estimate(self, build: str, now_s: float) -> Estimate | None:
        """Finish time with its interval; None for a build that is not running."""
        running = self.running.get(build)
        if running is None:
            return None
        cached = running.cached
        if cached is not None and 0.0 <= now_s - running.cached_at_s < FRESH_S:
            first = cached.p025_s if cached.p025_s is not None else cached.p50_s
            if running.pause_from_s is None and (first is None or first > now_s):
                return cached
        if now_s >= running.next_shot_s:
            self._shoot(build, running, now_s)
        running.cached = self._estimate(running, now_s)
        running.cached_at_s = now_s
        return running.cached

    def _estimate(self, running: Running, now_s: float) -> Estimate:
        blend = self._blend(running, now_s)
        run_s = running.run_s(now_s)
        job = self._job(running.key) if running.key is not None else None
        builds = job.history.finished if job is not None else 0
        if not blend.opinions:
            basis = "nothing to go by yet: no report, no earlier build that ran so long"
            return Estimate(None, None, None, None, None, basis, self.builds, None)
        finish_s = now_s + max(0.0, blend.total_s - run_s)
        scores = self._conditional(blend, (now_s - finish_s) / blend.scale_s)
        quants = [self._bounds(scores, goal) for goal in (0.2, 0.05)]
        (low80, high80), (low95, high95) = [instants(pair, finish_s, blend.scale_s, now_s) for pair in quants]
        middle_s = finish_s
        if len(scores) >= 9:
            middle_s = finish_s + blend.scale_s * middle_of(scores)
        middle_s = max(now_s, middle_s)
        if low80 is not None and high80 is not None:
            middle_s = min(max(middle_s, low80), high80)
        basis = self._basis(blend, running, builds, short=low80 is None)
        count = builds if any(o.source == "history" for o in blend.opinions) else self.builds
        return Estimate(low95, low80, middle_s, high80, high95, basis, count, overdue(blend, run_s))

    def _conditional(self, blend: Blend, least: float) -> list[float]:
        """Scaled residuals of this class and stage above what is ruled out already, ascending."""
        rows = self._scores.get(blend.kind)
        if rows is None:
            return []
        scores = rows[blend.stage]
        if len(scores) < 39:
            near = rows[max(0, blend.stage - 1) : blend.stage + 2]
            pooled = sorted(score for row in near for score in row)
            if len(scores) < 9 or len(pooled) > 2 * len(scores):
                # Several residuals of one build are not several builds: thin to as many as there are builds.
                most = max(map(len, near))
                scores = pooled[:: max(1, len(pooled) // max(1, most))]
        return scores[bisect_right(scores, least) :]

    def _bounds(self, scores: list[float], goal: float) -> tuple[float, float]:
        """Residuals between which the next one lies with probability 1 - goal; infinite where n is short."""
        alpha = self._levels[goal].level
        half = alpha / 2.0
        if len(scores) >= 2.0 / goal - 1.0:
            return conformal.lower(scores, half), conformal.upper(scores, half)
        sizes = sorted(map(abs, scores))
        bound = conformal.upper(sizes, alpha)
        return -bound, bound

    def _basis(self, blend: Blend, running: Running, builds: int, *, short: bool) -> str:
        ranked = sorted(blend.opinions, key=lambda o: o.error)
        lead = ranked[0].source
        many = f"{builds} build{'' if builds == 1 else 's'} of {running.name}"
        if lead == "history":
            text = many
        elif lead == "shop":
            text = f"all {self.builds} builds of the shop that ran so long: this job is not known"
        elif builds:
            text = f"{WORDS[lead]}, corrected by {many}"
        elif self.builds:
            past = "1 build" if self.builds == 1 else f"{self.builds} builds"
            text = f"{WORDS[lead]}, corrected by the shop's {past}: this job is new"
        else:
            text = f"{WORDS[lead]}, as it comes: no build has ended yet"
        others = [WORDS[o.source] for o in ranked[1:] if o.error < 3.0 * ranked[0].error]
        if others:
            text += " (with " + ", ".join(others) + ")"
        if running.pause_from_s is not None:
            text += "; paused: the finish moves with the pause"
        if short:
            text += "; too few finished builds for an interval"
        return text

    # -- learning ----------------------------------------------------------------------------------------

    def _shoot(self, build: str, running: Running, now_s: float) -> None:
        """Keep what would be said now, once per stage, at an instant drawn at random within it."""
        blend = self._blend(running, now_s)
        run_s = running.run_s(now_s)
        total_s = max(blend.total_s, run_s, 1.0)
        stage = blend.stage
        due = drawn(build, stage)
        share = run_s / total_s
        if blend.opinions and share >= due - 0.002 and stage not in running.shots and running.pause_from_s is None:
            self._keep_shot(running, blend, now_s, run_s)
            self._changed.add(f"build:{build}")
        ahead = [d for d in (drawn(build, s) for s in range(stage, STAGES)) if d > share + 0.002]
        wait_s = (ahead[0] - share) * total_s if ahead else 0.05 * total_s
        running.next_shot_s = now_s + min(max(wait_s, 15.0), 3600.0)

    def _keep_shot(self, running: Running, blend: Blend, now_s: float, run_s: float) -> None:
        finish_s = now_s + max(0.0, blend.total_s - run_s)
        scores = self._conditional(blend, (now_s - finish_s) / blend.scale_s)
        bounds: list[float | None] = []
        for goal in (0.2, 0.05):
            bounds += instants(self._bounds(scores, goal), finish_s, blend.scale_s, now_s)
        said = {o.source: o.total_s for o in blend.opinions}
        reported = running.remaining_s if "remaining" in said else None
        running.shots[blend.stage] = Shot(
            blend.stage, now_s, run_s, said, reported, finish_s, blend.scale_s, blend.kind, bounds
        )

    def _fill_shots(self, running: Running, run_s: float) -> None:
        """What history alone would have said: the same afterwards, so nobody need have asked in time.

        For a build without reports these are its own; for one with reports they are kept beside, so that
        the interval stays honest on the day the machine's network is away.
        """
        bare = running
        if running.claim is not None or running.remaining_s is not None:
            bare = Running(running.machine, running.key, running.name, running.start_s, None)
            bare.paused_s = running.paused_s
        seed = f"{running.machine}{running.start_s}"
        blend = self._blend(bare, bare.start_s)
        if not blend.opinions:
            return
        for stage in range(STAGES):
            at = drawn(seed, stage) * blend.total_s
            if at >= run_s or stage in bare.shots:
                continue
            now_s = bare.start_s + bare.paused_s + at
            then = self._blend(bare, now_s)
            if then.opinions and then.stage not in bare.shots:
                self._keep_shot(bare, then, now_s, bare.run_s(now_s))
        if bare is not running:
            end_s = running.start_s + running.paused_s + run_s
            for shot in bare.shots.values():
                self._keep_score(shot, end_s)

    def _score(self, running: Running, job: Job | None, run_s: float, at_s: float) -> None:
        known = job is not None and bool(job.history.runs)
        machine = self._machine_errors.setdefault(running.machine, Errors())
        levels = [self._shop_errors, machine] + ([job.errors] if job is not None else [])
        misses = {0.2: 0.0, 0.05: 0.0}
        finite = {0.2: 0, 0.05: 0}
        for shot in running.shots.values():
            self._learn_shot(shot, levels, run_s, job if known else None, running.machine)
            self._keep_score(shot, at_s)
            for index, goal in enumerate((0.2, 0.05)):
                low, high = shot.bounds[2 * index], shot.bounds[2 * index + 1]
                if low is not None and high is not None:
                    finite[goal] += 1
                    misses[goal] += not low <= at_s <= high
        for goal, level in self._levels.items():
            if finite[goal]:
                level.learn(misses[goal] / finite[goal])

    def _keep_score(self, shot: Shot, end_s: float) -> None:
        row = self._scores.setdefault(shot.kind, [[] for _ in range(STAGES)])[shot.stage]
        score = round((end_s - shot.finish_s) / shot.scale_s, 4)
        # Sorted for the quantiles; when full a pseudo-random one goes, so that old ones fade.
        if len(row) >= SCORES_KEPT:
            row.pop(zlib.crc32(f"{self.builds}{score}".encode()) % len(row))
        insort(row, score)

    @staticmethod
    def _learn_shot(shot: Shot, levels: list[Errors], run_s: float, job: Job | None, machine: str) -> None:
        for source, total_s in shot.said.items():
            for level in levels:
                level.learn(error_row(source, job, machine), shot.stage, (run_s - total_s) / run_s)
        if shot.reported_s is None or shot.reported_s <= 0.0:
            return
        log_ratio = math.log(max(run_s - shot.run_s, 1.0) / shot.reported_s)
        for level in levels[:2]:
            level.ratio("ratio new", shot.stage, log_ratio)
        for level in levels:
            level.ratio("ratio", shot.stage, log_ratio)
        if len(levels) > 2:
            levels[2].ratio(f"ratio {machine}", shot.stage, log_ratio)

    def _remember(self, running: Running, job: Job | None, run: Run) -> None:
        self._shop_runs.append(run)
        del self._shop_runs[:-SHOP_KEPT]
        self._shop_survival = None
        self._changed |= {"shop", f"machine:{running.machine}"}
        if run.observed:
            self.builds += 1
            self._learn_curve(running, job, run.run_s)
            self._learn_plan(running, job, run.run_s)
        if job is None or running.key is None:
            return
        if run.observed and job.history.finished >= 2:
            middle = job.history.middle(self.factors)
            if middle is not None:
                self.factors.learn(run.machine, math.log(run.run_s / middle))
        if job.history.add(run, self.factors):
            # Another length is another file: the old curve and ratios are no longer this job's.
            job.curve, job.errors, job.here = Curve(), Errors(), {}
        self._changed.add(f"job:{running.key}")

    def _learn_curve(self, running: Running, job: Job | None, run_s: float) -> None:
        if running.crossings.top < 0.5:
            return
        shares = running.crossings.shares(run_s)
        for curve in (
            self._curves.setdefault("", Curve()),
            self._curves.setdefault(running.machine, Curve()),
            *(() if job is None else (job.curve, job.here.setdefault(running.machine, Curve()))),
        ):
            curve.learn(shares)

    def _learn_plan(self, running: Running, job: Job | None, run_s: float) -> None:
        if running.planned_s is None:
            return
        log_ratio = math.log(run_s / running.planned_s)
        levels = [self._shop_errors, self._machine_errors.setdefault(running.machine, Errors())]
        for level in levels:
            level.ratio("plan ratio", 0, log_ratio)
            level.ratio("plan ratio new", 0, log_ratio)
        if job is not None:
            job.errors.ratio("plan ratio", 0, log_ratio)

    # -- journal -----------------------------------------------------------------------------------------

    def rows(self, keys: Iterable[str] | None = None) -> dict[str, Any]:
        """The learnt state as rows: "shop", "machine:M", "job:J", "build:B"; None for one that is gone."""
        if keys is None:
            keys = [
                "shop",
                *(f"machine:{name}" for name in {*self._machine_errors, *self._curves} - {""}),
                *(f"job:{key}" for key in (*self._jobs, *self._raw_jobs)),
                *(f"build:{build}" for build in self.running),
            ]
        return {key: self._write(key) for key in keys}

    def take_changed(self) -> dict[str, Any]:
        """Rows that changed since the last call: what the journal has to write (None: delete the row)."""
        changed, self._changed = self._changed, set()
        return self.rows(sorted(changed))

    def as_dict(self) -> dict[str, Any]:
        """The whole learned state, JSON-able."""
        return {"rows": self.rows()}

    @classmethod
    def from_dict(cls, state: Mapping[str, Any]) -> Estimator:
        """Back from `as_dict`, or from ``{"rows": ...}`` gathered from `take_changed`.

        Jobs are read when they are first asked for, so that ten thousand builds load at once.
        """
        self = cls()
        for key, row in state.get("rows", {}).items():
            if row is None:
                continue
            kind, _, name = key.partition(":")
            if kind == "job":
                self._raw_jobs[name] = row
            elif kind == "shop":
                self._read_shop(row)
            elif kind == "machine":
                self._machine_errors[name] = Errors(row["errors"])
                self.factors.sums[name] = [float(v) for v in row["factor"]]
                if row.get("curve"):
                    self._curves[name] = Curve.from_list(row["curve"])
            elif kind == "build":
                self.running[name] = running_from(row)
        return self

    def _write(self, key: str) -> Any:  # noqa: ANN401 - a JSON tree
        kind, _, name = key.partition(":")
        if kind == "shop":
            return self._write_shop()
        if kind == "machine":
            curve = self._curves.get(name)
            return {
                "errors": rounded(self._machine_errors.get(name, Errors())),
                "factor": self.factors.sums.get(name, [0.0, 0.0]),
                "curve": None if curve is None else curve.as_list(),
            }
        if kind == "job":
            if name in self._raw_jobs:
                return self._raw_jobs[name]
            job = self._jobs.get(name)
            if job is None:
                return None
            return {
                "history": job.history.as_dict(),
                "curve": job.curve.as_list(),
                "errors": rounded(job.errors),
                "here": {machine: curve.as_list() for machine, curve in job.here.items()},
            }
        running = self.running.get(name)
        return None if running is None else running_to(running)

    def _write_shop(self) -> dict[str, Any]:
        shop_curve = self._curves.get("")
        return {
            "builds": self.builds,
            "errors": rounded(self._shop_errors),
            "curve": None if shop_curve is None else shop_curve.as_list(),
            "runs": JobHistory(self._shop_runs).as_dict()["runs"],
            "scores": self._scores,
            "levels": {str(goal): level.alpha for goal, level in self._levels.items()},
        }

    def _read_shop(self, row: Mapping[str, Any]) -> None:
        self.builds = int(row["builds"])
        self._shop_errors = Errors(row["errors"])
        if row.get("curve"):
            self._curves[""] = Curve.from_list(row["curve"])
        self._shop_runs = JobHistory.from_dict({"runs": row["runs"]}).runs
        self._scores = {kind: [sorted(map(float, r)) for r in rows] for kind, rows in row["scores"].items()}
        for goal, level in self._levels.items():
            level.alpha = float(row["levels"].get(str(goal), goal))
