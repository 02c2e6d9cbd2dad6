"""One machine's build in hand: begun, followed and ended by what the machine does."""

from collections.abc import Callable
from typing import Any

from farmwatch.machines.activity import ALONE_S, BEGIN_ALONE_S, ENDED
from farmwatch.machines.bedtrack import BedTrack
from farmwatch.machines.builds import Build, build_id, conclude
from farmwatch.machines.eta import Estimator
from farmwatch.machines.state import BUSY
from farmwatch.machines.trail import Trail
from farmwatch.words.model import Effect, Keep, MachinePlan, Note, SourcePlan
from farmwatch.words.timers import Timers

NAMED_AHEAD_S = 45 * 60.0
"""How long what a person said about a build waits for that build to begin."""
WORDS_S = 75.0
"""Between its readings a plug's sense changes by the time alone only where a wait is over; else its words, which say
minutes, may be so old."""
LEFT_OVER_S, OWN_BELOW = (900.0, 300.0), 0.5
"""So long progress may be what the build before had left, the second where its name was left, too: unless this build
has been seen at less, for then it is its own."""


def material_of(bed_target_c: float | None) -> str | None:
    """The likely material by the bed's target (common practice, no source); None where it says nothing."""
    if bed_target_c is None or bed_target_c < 35:
        return None
    return "PLA" if bed_target_c < 66 else "PETG" if bed_target_c < 89 else "ASA"


class BuildTrack(BedTrack):
    """What follows for the build in hand from all that is known of the machine."""

    __slots__ = ("_blind_since_s", "_heating_since_s", "_said", "mains_lost", "trail", "wh_at")

    def __init__(self, plan: MachinePlan, sources: list[SourcePlan], estimator: Estimator, timers: Timers) -> None:
        super().__init__(plan, sources, estimator, timers)
        self.trail = Trail()
        self.mains_lost: Callable[[float], bool] = lambda _since_s: False
        self.wh_at: Callable[[float], float | None] = lambda _at_s: None
        self._said: dict[str, Any] | None = None
        self._heating_since_s: float | None = None
        self._blind_since_s: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """What must survive a restart, JSON-able."""
        return super().as_dict() | {"said": self._said, "heating_since_s": self._heating_since_s}

    def restore(self, doc: dict[str, Any], builds: dict[str, Build], now_s: float) -> None:
        """Take up where the journal left off; readings are unknown until they come in again."""
        super().restore(doc, builds, now_s)
        self._said, self._heating_since_s = doc["said"], doc["heating_since_s"]
        if self.build is not None:
            self._blind_since_s = now_s

    def consider(self, now_s: float) -> list[Effect]:
        """Look at everything known and do what follows."""
        activity, because, since_s = self.activity(now_s)
        self._activity = activity
        effects: list[Effect] = []
        if self._plug and self.word("state") is None and self.latest.get("power_w") is not None:
            self._timers.set(("judge", self.name), self._judge_again_s(now_s))
        if activity == "unknown":
            if self._blind_since_s is None and self.build is not None:
                self._blind_since_s = now_s
            self._go("silent", now_s, because, effects)
            self._cool(now_s, effects)
            return effects
        if self.state == "out_of_service":
            return effects
        if activity in BUSY:
            self._busy(activity, now_s, because, since_s, effects)
        elif activity == "fault":
            self._go("fault", now_s, because, effects)
        else:
            self._quiet(activity, now_s, because, since_s, effects)
        self._blind_since_s = None
        self._cool(now_s, effects)
        return effects

    def _judge_again_s(self, now_s: float) -> float:
        """When the plug is to be judged again if nothing comes in: readings are stale, reports away for long enough."""
        waits, mute_s = [self.sense.stale_s], self._mute_since_s
        if self._reports and mute_s is not None:
            waits += [mute_s + ALONE_S, mute_s + BEGIN_ALONE_S]
        return min([now_s + WORDS_S, *(until_s + 1.0 for until_s in waits if until_s >= now_s)])

    def _busy(self, activity: str, now_s: float, because: str, since_s: float | None, effects: list[Effect]) -> None:
        build = self.build
        if build is not None and self._is_another(build, now_s):
            result = "done" if (build.progress or 0) >= 0.9 else "unknown"
            self._end(now_s, result, "another build has begun", effects)
            build = None
        if activity == "heating":
            if self._heating_since_s is None:
                self._heating_since_s = since_s if since_s is not None else now_s
        elif build is None:
            self._begin(now_s, since_s, because, effects)
        self._last_busy = activity
        self._go(activity, now_s, because, effects)
        self._learn(now_s, effects)

    def _is_another(self, build: Build, now_s: float) -> bool:
        """Whether what is reported cannot be the build that was in hand: a new name and progress set back.

        Some machines begin with the progress, or the name too, that the build before had left: far too much of it
        for so young a build.
        """
        job, progress = self.word("job"), self.number("progress")
        renamed = job is not None and build.job is not None and job != build.job
        if progress is None or build.progress is None:
            return renamed and self._blind_since_s is not None
        back = build.progress - progress
        young = now_s - build.started_s < (LEFT_OVER_S[1] if renamed else LEFT_OVER_S[0])
        if young and build.progress > OWN_BELOW and not build.own_progress:
            return False
        return back > 0.5 and progress < 0.1 if not renamed else back > 0.02

    def _quiet(self, activity: str, now_s: float, because: str, since_s: float | None, effects: list[Effect]) -> None:
        if self.build is not None:
            if activity in ENDED:
                gap_s = self._end_in_gap_s(now_s)
                end_s = since_s if since_s is not None and since_s > self.build.started_s else gap_s
                inferred = not self._says() or gap_s < now_s
                self._end(end_s, activity, because, effects, at_s=now_s, inferred=inferred)
            else:
                blind_s = self._blind_since_s
                lost = self.mains_lost(blind_s if blind_s is not None else now_s)
                result, why = conclude(
                    self.build, now_s, off=activity == "off", mains_lost=lost, blind=blind_s is not None
                )
                end_s = since_s if since_s is not None and since_s > self.build.started_s else now_s
                if result == "failed" and lost and blind_s is not None:
                    end_s = max(blind_s, self.build.started_s)  # it stopped when it fell silent, not when it came back
                elif result == "done" and blind_s is not None and end_s == now_s:
                    end_s = self._end_in_gap_s(now_s)
                self._end(end_s, result, why, effects, at_s=now_s, inferred=True)
        elif (activity in ENDED or activity in ("waiting", "cooling")) and not self.bed_known and self._says():
            self.bed_full = True
            self._go("over", now_s, f"{because}, and nobody has said that the bed is clear", effects)
        self._heating_since_s = None
        self._hot = False
        self.bed_known = True
        trigger = "full" if self.bed_full else "off" if activity == "off" else "idle"
        self._go(trigger, now_s, because, effects)

    def _end_in_gap_s(self, now_s: float) -> float:
        """When a build ended that was over when its machine was seen again: by its last reported remaining time."""
        build, blind_s = self.build, self._blind_since_s
        if build is None or blind_s is None or build.remaining_s is None or build.progress_at_s is None:
            return now_s
        return min(max(build.progress_at_s + build.remaining_s, blind_s, build.started_s), now_s)

    def _begin(self, now_s: float, since_s: float | None, because: str, effects: list[Effect]) -> None:
        started_s = now_s
        elapsed_s = self.number("elapsed_s")
        for earlier_s in (self._heating_since_s, since_s, None if elapsed_s is None else now_s - elapsed_s):
            if earlier_s is not None:
                started_s = min(started_s, earlier_s)
        if self.bed_full:
            self._clear(now_s, "the next build has begun; nobody had said that the bed was clear", effects)
        build = Build(build_id(self.name, started_s), self.name, started_s, because=because)
        build.from_wh = self.wh_at(started_s)
        if not self._sourceless and self.state == "unknown" and elapsed_s is None and self._heating_since_s is None:
            build.inferred = ("start",)  # it may have begun before anybody looked
        self.build, self.trail = build, Trail()
        said = self._said
        if said is not None and now_s - said["at_s"] <= NAMED_AHEAD_S:
            build.job, build.material, build.planned_s = said["job"], said["material"], said["planned_s"]
        self._said = None
        build.job = self.word("job") or build.job
        self.bed_known = True
        self._estimator.started(self.name, build.id, build.job, started_s, build.planned_s)
        self._learn(now_s, effects, new=True)

    def _learn(self, now_s: float, effects: list[Effect], *, new: bool = False) -> None:
        """Take over what the reports say of the build in hand."""
        build = self.build
        if build is None:
            return
        changed = new
        job = self.word("job")
        if job is not None and job != build.job:
            build.job = job
            self._estimator.renamed(build.id, job)
            changed = True
        if self._set_material(build):
            changed = True
        progress, remaining_s = self.number("progress"), self.number("remaining_s")
        if (progress, remaining_s) != (None, None) and (progress != build.progress or remaining_s != build.remaining_s):
            build.progress = progress if progress is not None else build.progress
            build.own_progress |= progress is not None and progress <= OWN_BELOW
            build.remaining_s = remaining_s
            build.progress_at_s = now_s
            self._estimator.progress(build.id, now_s, progress, remaining_s)
        pieces = self.number("pieces")
        if pieces is not None and pieces != build.pieces:
            build.pieces, changed = pieces, True
        if changed:
            self._keep_build(build, now_s, effects)

    def _set_material(self, build: Build) -> bool:
        material, inferred = self.word("material"), False
        if material is None and build.material is not None and "material" not in build.inferred:
            return False
        if material is None:
            material = self.plan.material
        if material is None:
            material, inferred = material_of(self.number("bed_target_c")), True
        if material is None or material == build.material:
            return False
        build.material = material
        kept = tuple(word for word in build.inferred if word != "material")
        build.inferred = (*kept, "material") if inferred else kept
        return True

    def _end(
        self,
        ended_s: float,
        result: str,
        because: str,
        effects: list[Effect],
        *,
        at_s: float | None = None,
        inferred: bool = False,
    ) -> None:
        build = self.build
        if build is None:
            return
        now_s = ended_s if at_s is None else at_s
        build.ended_s, build.result, build.because = ended_s, result, because
        if inferred:
            build.inferred = (*build.inferred, "end")
        until_wh = self.wh_at(ended_s)
        if until_wh is not None and build.from_wh is not None:
            build.energy_wh = max(0.0, until_wh - build.from_wh)
        build.estimates = self.trail.picked(build.started_s, ended_s)
        # A build whose begin nobody saw ran at least so long, and an end seen by the plug alone may be any end:
        # for the estimates neither counts as a whole run by itself.
        doubtful = "start" in build.inferred or ("end" in build.inferred and not self._reports)
        self._estimator.ended(build.id, ended_s, "unknown" if doubtful else result)
        self.build, self.last_build = None, build
        self._heating_since_s = None
        self._hot = False
        self.bed_full, self.bed_known = True, True
        self._keep_build(build, now_s, effects)
        self._go("over", now_s, because, effects)
        self.cooler.start(ended_s)
        self._cool(now_s, effects)

    def _keep_build(self, build: Build, at_s: float, effects: list[Effect]) -> None:
        effects.append(Keep("build", build.id, build.as_dict()))
        effects.append(Note(at_s, "build", build.note()))
