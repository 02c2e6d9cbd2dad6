"""When a build will be finished: a combination of what is reported and what was seen before.

Opinions on the whole run time (pauses taken out), each with its own learnt error (`opinions`):

==========  ====================================================================================
remaining   run time so far + reported remaining time x the learnt ratio of true to reported
progress    run time at the last step of the reported progress / the learnt curve there (`curve`)
pace        for a new job: the share to come at the pace of the last steps (`pace`)
history     Kaplan-Meier of the job's runs given that it still runs, x the machine's factor
plan        the planned time x the learnt ratio (also tells a changed job from an unchanged one)
shop        Kaplan-Meier of all builds given that it still runs: for a job never seen, alone
==========  ====================================================================================

The interval is split-conformal (`conformal`, `residuals`): each finished build leaves one scaled residual per
stage, taken at an instant drawn at random within the stage; the next build's residual is exchangeable with
them, also given that it is above what is already ruled out because the build still runs.  The level adapts
online.  Too few residuals for the asked level: no interval, and the basis says so.

All times are epoch seconds.  Nothing here reads a clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from operator import attrgetter
from typing import Any

from farmwatch.machines.curve import Crossings
from farmwatch.machines.errors import STAGES, drawn
from farmwatch.machines.history import Run, job_key, shown
from farmwatch.machines.learned import Learned
from farmwatch.machines.lessons import LEAST_RUN_S, alike, learn_build, plausible, remember
from farmwatch.machines.opinions import WORDS, Blend, Opinion, as_new, blend, overdue
from farmwatch.machines.pace import Pace
from farmwatch.machines.running import Estimate, Running, Shot, later, running_from, running_to
from farmwatch.words.timers import CLOCK_BACK_S

__all__ = ["Estimate", "Estimator"]

FRESH_S = (20.0, 600.0)  # an estimate younger than this is given again, at least and at most, if there is no news
NOTHING_S = 2.0  # the same where there was nothing to go by
FRESH_SHARE = 0.12  # of the time that remains
NEWS = (0.009, 0.08)  # progress that rises by more than this, or than this share of what was left, is news
STALE_CLAIM = (0.1, 0.5, 900.0)  # progress that falls below the first by more than the second in so many seconds
LONGEST_S = 60.0 * 86400.0  # a longer remaining time is no remaining time


class Estimator:
    """Finish times for the whole shop.  Feed it what happens; ask `estimate`."""

    def __init__(self) -> None:
        self.running: dict[str, Running] = {}
        self.learned = Learned()
        self._changed: set[str] = set()
        self._over: dict[str, tuple[str, Running, float]] = {}  # each machine's last build, and when it ended

    @property
    def builds(self) -> int:
        """How many builds went through to their end so far."""
        return self.learned.builds

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
        running.version, running.look_s, running.cached = -1, -math.inf, None
        self._changed.add(f"build:{build}")

    def progress(self, build: str, at_s: float, progress: float | None, remaining_s: float | None) -> None:
        """A report: progress 0..1, remaining seconds; None where not reported.  Nonsense is passed over.

        Call it for every report, also one that says the same again: that a step is still to come is news.
        """
        running = self.running.get(build)
        if running is None:
            return
        if at_s < running.last_s:
            if at_s >= running.last_s - CLOCK_BACK_S:
                return
            running.set_back(running.last_s - at_s)
        running.last_s = at_s
        run_s = running.run_s(at_s)
        before = running.said() if running.pause_from_s is not None else None
        if progress is not None and 0.0 <= progress <= 1.0:
            _take_progress(running, at_s, run_s, progress)
        if remaining_s is not None and 0.0 <= remaining_s <= LONGEST_S:
            _take_remaining(running, at_s, run_s, remaining_s)
        if before is not None and before != running.said():
            running.cached = None
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
        its job, or is the third in a row that ended alike: then the job has changed, and the two before it
        were whole too.  Anything else is kept as censored.
        """
        running = self.running.pop(build, None)
        if running is None:
            return
        self._changed.add(f"build:{build}")
        run_s = running.run_s(at_s)
        self._over[running.machine] = (build, running, at_s)
        if run_s < LEAST_RUN_S:
            return
        whole = result == "done" or (result == "unknown" and plausible(self.learned, running, run_s))
        if not whole and result == "unknown":
            before = alike(self.learned, running, run_s)
            whole = bool(before)
            for earlier in before:
                self.learned.revise(earlier, observed=True)
        if whole:
            bare = self._bare(running)
            self._fill_shots(bare, run_s)
            beside = bare.shots.values() if bare is not running else ()
            learn_build(self.learned, build, running, run_s, at_s, beside)
        run = Run(build, running.machine, at_s, run_s, whole, running.planned_s)
        remember(self.learned, running, run)

    def reopened(self, build: str) -> bool:
        """An end was none: its run and residuals are forgotten, and what stood still since was a pause.

        False for a build that was not the last of its machine since the start of the collector: it must be
        `started` anew.  What curves and errors took from it fades with the next builds.
        """
        machine = next((name for name, (kept, _, _) in self._over.items() if kept == build), None)
        self.learned.forget(build)
        if machine is None:
            return False
        _, running, ended_s = self._over.pop(machine)
        running.cached, running.pause_from_s = None, ended_s
        self.running[build] = running
        self._changed.add(f"build:{build}")
        return True

    def revise(self, build: str, result: str) -> None:
        """The person says how an ended build went: a run taken for good becomes censored, or the reverse."""
        self.learned.revise(build, observed=result == "done")

    # -- the estimate ------------------------------------------------------------------------------------

    def estimate(self, build: str, now_s: float) -> Estimate | None:
        """Finish time with its interval; None for a build that is not running."""
        running = self.running.get(build)
        if running is None:
            return None
        cached = running.cached
        if cached is not None:
            if running.pause_from_s is None and 0.0 <= now_s - running.cached_at_s < running.fresh_s:
                first = cached.p025_s if cached.p025_s is not None else cached.p50_s
                if first is None or first > now_s:
                    return cached
            same = self._unmoved(running, cached, now_s)
            if same is not None:
                return same
        if now_s >= running.next_shot_s:
            self._shoot(build, running, now_s)
        cached = running.cached = self._estimate(running, now_s)
        running.cached_at_s, running.cached_version = now_s, self.learned.version
        if cached.p50_s is None:  # nothing to go by yet: that changes with the next word
            running.fresh_s = NOTHING_S
        else:
            running.fresh_s = min(FRESH_S[1], max(FRESH_S[0], FRESH_SHARE * (cached.p50_s - now_s)))
        return cached

    def _unmoved(self, running: Running, cached: Estimate, now_s: float) -> Estimate | None:
        """The last estimate where nothing has come since that could change it; None where it is to be made anew."""
        version, at_s = self.learned.version, running.cached_at_s
        if now_s < at_s or running.cached_version != version:
            return None
        if cached.p50_s is None:  # no word, nothing learnt: time alone says nothing
            return cached if not running.reported and running.run_s(at_s) > 0.0 else None
        pause_s = running.pause_from_s
        if pause_s is None or at_s < pause_s or now_s >= running.next_shot_s:
            return None
        if running.version != version and now_s >= running.look_s:
            return None
        return later(cached, now_s - at_s)  # it stands still, and its finish moves with the pause

    def _estimate(self, running: Running, now_s: float) -> Estimate:
        found = blend(self.learned, running, now_s)
        if not found.opinions:
            basis = "nothing to go by yet: no report, no earlier build that ran so long"
            return Estimate(None, None, None, None, None, basis, self.builds, None)
        run_s, scale_s = running.run_s(now_s), found.scale_s
        job = self.learned.known(running.key)
        builds = job.history.finished if job is not None else 0
        finish_s = now_s + max(0.0, found.total_s - run_s)
        told = self.learned.residuals.told(found.kind, found.stage, (now_s - finish_s) / scale_s)
        low80, high80 = _instants(told[0], finish_s, scale_s, now_s)
        low95, high95 = _instants(told[1], finish_s, scale_s, now_s)
        middle_s = max(now_s, finish_s + scale_s * told[2])
        if low80 is not None and high80 is not None:
            middle_s = min(max(middle_s, low80), high80)
        basis, by_history = self._words(found, running, builds, low80 is None, low95 is None)
        count = builds if by_history else self.builds
        return Estimate(low95, low80, middle_s, high80, high95, basis, count, overdue(found, run_s))

    def _words(
        self,
        found: Blend,
        running: Running,
        builds: int,
        short: bool,
        short95: bool,
    ) -> tuple[str, bool]:
        """The basis in words, and whether earlier builds of the job are part of it."""
        key = (tuple([o[0] for o in _by_weight(found)]), builds, short, short95, running.pause_from_s is None)
        said: tuple[str, bool] | None = running.kept.get(key)
        if said is None:
            basis = _basis(found, running, builds, self.builds, short=short, short95=short95)
            said = running.kept[key] = basis, any(o.source == "history" for o in found.opinions)
        return said

    # -- looking at it, for learning ---------------------------------------------------------------------

    def _shoot(self, build: str, running: Running, now_s: float) -> None:
        """Keep what would be said now, once per stage, at an instant drawn at random within it."""
        found, run_s = blend(self.learned, running, now_s), running.run_s(now_s)
        total_s = max(found.total_s, run_s, 1.0)
        share, stage = run_s / total_s, found.stage
        goal = drawn(build, stage)
        due = found.opinions and share >= goal - 0.002
        if due and stage not in running.shots and running.pause_from_s is None:
            running.shots[stage] = self._shot(running, found, now_s, run_s)
            if stage not in running.views:
                seen = as_new(self.learned, running, now_s)
                if seen is not None:
                    running.views.setdefault(seen.stage, seen)
            self._changed.add(f"build:{build}")
        if goal <= share + 0.002:
            goal = drawn(build, stage + 1) if stage + 1 < STAGES else share + 0.05
        wait_s = (goal - share) * total_s
        running.next_shot_s = now_s + min(3600.0, max(wait_s, 15.0, 0.005 * total_s))

    def _shot(self, running: Running, found: Blend, now_s: float, run_s: float) -> Shot:
        finish_s = now_s + max(0.0, found.total_s - run_s)
        told = self.learned.residuals.told(found.kind, found.stage, (now_s - finish_s) / found.scale_s)
        bounds: list[float | None] = []
        for pair in told[:2]:
            bounds += _instants(pair, finish_s, found.scale_s, now_s)
        said = {o.source: o.total_s for o in found.opinions}
        reported = running.remaining_s if "remaining" in said else None
        since_s = run_s if reported is None else running.remaining_run_s
        return Shot(found.stage, now_s, since_s, said, reported, finish_s, found.scale_s, found.kind, bounds)

    @staticmethod
    def _bare(running: Running) -> Running:
        """The build without its reports; itself where it has none."""
        if running.claim is None and running.remaining_s is None:
            return running
        bare = Running(running.machine, running.key, running.name, running.start_s, None)
        bare.paused_s = running.paused_s
        return bare

    def _fill_shots(self, bare: Running, run_s: float) -> None:
        """What history alone would have said: the same afterwards, so nobody need have asked in time.

        For a build without reports these are its own; for one with reports they are kept beside, so that
        the interval stays honest on the day the machine's network is away.
        """
        bare.pause_from_s = None
        seed = f"{bare.machine}{bare.start_s}"
        first = blend(self.learned, bare, bare.start_s)
        if not first.opinions:
            return
        for stage in range(STAGES):
            at = drawn(seed, stage) * first.total_s
            if at >= run_s or stage in bare.shots:
                continue
            now_s = bare.start_s + bare.paused_s + at
            then = blend(self.learned, bare, now_s)
            if then.opinions and then.stage not in bare.shots:
                bare.shots[then.stage] = self._shot(bare, then, now_s, bare.run_s(now_s))

    # -- journal -----------------------------------------------------------------------------------------

    def rows(self, keys: Iterable[str] | None = None) -> dict[str, Any]:
        """The learnt state as rows (`learned`) and "build:B" of running builds; None for one that is gone."""
        if keys is None:
            keys = [*self.learned.keys(), *(f"build:{build}" for build in self.running)]
        return {key: self._write(key) for key in keys}

    def _write(self, key: str) -> Any:  # noqa: ANN401 - a JSON tree
        kind, _, name = key.partition(":")
        if kind != "build":
            return self.learned.write(key)
        running = self.running.get(name)
        return None if running is None else running_to(running)

    def take_changed(self) -> dict[str, Any]:
        """Rows that changed since the last call: what the journal has to write (None: delete the row)."""
        if not self._changed and not self.learned.changed:
            return {}
        changed = self._changed | self.learned.changed
        self._changed, self.learned.changed = set(), set()
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
        rows = {key: row for key, row in state.get("rows", {}).items() if row is not None}
        for key in sorted((k for k in rows if k.startswith("past:")), key=lambda k: (rows[k]["at"], k)):
            self.learned.read(key, rows[key])
        for key, row in rows.items():
            kind, _, name = key.partition(":")
            if kind == "build":
                self.running[name] = running_from(row)
            elif kind != "past":
                self.learned.read(key, row)
        return self


def _take_progress(running: Running, at_s: float, run_s: float, progress: float) -> None:
    crossings = running.crossings
    if progress == running.claim:
        crossings.seen_at_s = run_s
    else:
        if progress < STALE_CLAIM[0] and crossings.top - progress > STALE_CLAIM[1] and run_s < STALE_CLAIM[2]:
            # It began with what the build before had left: what was said so far was not of this one.
            crossings = running.crossings = Crossings()
            running.pace, running.step, running.cached = Pace(gap_s=running.pace.gap_s), 0.0, None
        top = crossings.top
        if crossings.observe(run_s, progress) and top >= 0.0:
            running.step = max(0.5 * running.step, min(0.05, progress - top))
            if top <= 0.0 or progress - top > max(NEWS[0], NEWS[1] * (1.0 - top)):
                running.cached = None
        elif top < 0.0:
            running.cached = None  # the first word of a machine is news
        running.claim = progress
    running.pace.observe(run_s, progress)
    running.claim_at_s = at_s


def _take_remaining(running: Running, at_s: float, run_s: float, remaining_s: float) -> None:
    # Zero long before the end is a machine that does not know, not one that is done.
    if remaining_s <= 0.0 and (running.claim is None or running.claim < 0.98):
        running.remaining_s = None
        return
    if remaining_s == running.remaining_s:
        # Said again: a rounded figure is truest when it is new, so that its instant stays.
        running.remaining_at_s = at_s
        if remaining_s <= 0.0 or run_s - running.remaining_run_s < max(60.0, 0.25 * remaining_s):
            return
    elif running.cached is not None:
        before_s = math.inf if running.remaining_s is None else running.remaining_run_s + running.remaining_s
        if abs(run_s + remaining_s - before_s) > max(60.0, 0.02 * remaining_s):
            running.cached = None
    running.remaining_s, running.remaining_at_s, running.remaining_run_s = remaining_s, at_s, run_s


def _instants(
    pair: tuple[float, float], finish_s: float, scale_s: float, now_s: float
) -> tuple[float | None, float | None]:
    """Scaled residuals as instants, never before now; None where a bound is infinite."""
    if not (math.isfinite(pair[0]) and math.isfinite(pair[1])):
        return None, None
    low_s, high_s = finish_s + pair[0] * scale_s, finish_s + pair[1] * scale_s
    return max(now_s, low_s), max(now_s, high_s)


def _by_weight(found: Blend) -> Sequence[Opinion]:
    """The opinions that count, the first of them first."""
    if len(found.opinions) < 2:
        return found.opinions
    ranked = sorted(found.opinions, key=_error)
    most = 3.0 * ranked[0].error
    return [o for o in ranked if o.error < most or o is ranked[0]]


_error = attrgetter("error")


def _basis(found: Blend, running: Running, builds: int, all_builds: int, *, short: bool, short95: bool) -> str:
    ranked = _by_weight(found)
    lead = ranked[0].source
    many = f"{builds} build{'' if builds == 1 else 's'} of {running.name}"
    if lead == "history":
        text = many
    elif lead == "shop":
        text = f"all {all_builds} builds of the shop that ran so long: this job is not known"
    elif builds:
        text = f"{WORDS[lead]}, corrected by {many}"
    elif all_builds:
        past = "1 build" if all_builds == 1 else f"{all_builds} builds"
        text = f"{WORDS[lead]}, corrected by the shop's {past}: this job is new"
    else:
        text = f"{WORDS[lead]}, as it comes: no build has ended yet"
    others = [WORDS[o.source] for o in ranked[1:]]
    if others:
        text += " (with " + ", ".join(others) + ")"
    if running.pause_from_s is not None:
        text += "; paused: the finish moves with the pause"
    if short:
        text += "; too few finished builds for an interval"
    elif short95:
        text += "; too few finished builds for one of 95 %"
    return text
