"""One machine's state, driven by the table of `state`, and its bed: full, cooling, released, clear."""

from typing import Any

from farmwatch.machines import cooling
from farmwatch.machines.activity import Sensed
from farmwatch.machines.builds import Build
from farmwatch.machines.eta import Estimate, Estimator
from farmwatch.machines.state import BUSY, step
from farmwatch.words.model import Effect, Keep, MachinePlan, Note, SourcePlan
from farmwatch.words.timers import CLOCK_BACK_S, Timers

NEVER_COOL_S = 2.5 * 3600.0
"""A bed that has not passed its release temperature by then will not: the room is too warm for it."""


class BedTrack(Sensed):
    """A machine's state and when its bed can be cleared."""

    __slots__ = (
        "_estimator", "_timers", "because", "bed_at_s", "bed_known", "cooler", "since_s", "state", "waiting_since_s",
    )  # fmt: skip

    def __init__(self, plan: MachinePlan, sources: list[SourcePlan], estimator: Estimator, timers: Timers) -> None:
        super().__init__(plan, sources)
        self.state = "unknown"
        self.since_s: float | None = None
        self.because = "nothing has been heard yet"
        self.bed_known = False
        self.waiting_since_s: float | None = None
        self.cooler = cooling.Cooling()
        self.bed_at_s: float | None = None  # when its bed was last read
        self._estimator = estimator
        self._timers = timers

    def use(self, estimator: Estimator) -> None:
        """Learn with this estimator from now on (after a restart)."""
        self._estimator = estimator

    def _go(self, trigger: str, now_s: float, because: str, effects: list[Effect]) -> None:
        state = step(self.state, trigger)
        if state == self.state:
            if state not in ("cooling", "waiting", "out_of_service"):
                self.because = because
            return
        previous, self.state = self.state, state
        self.since_s, self.because = now_s, because
        self.waiting_since_s = now_s if state == "waiting" else None
        build = self.build
        if build is not None and state == "paused":
            self._estimator.paused(build.id, now_s)
        elif build is not None and previous == "paused" and state in BUSY:
            self._estimator.resumed(build.id, now_s)
        self._keep(effects)
        doc = {"machine": self.name, "state": state, "previous": previous, "because": because}
        effects.append(Note(now_s, "state", doc))

    def _keep(self, effects: list[Effect]) -> None:
        effects.append(Keep("machine", self.name, self.as_dict()))

    def as_dict(self) -> dict[str, Any]:
        """What must survive a restart, JSON-able."""
        return {
            "state": self.state,
            "since_s": self.since_s,
            "because": self.because,
            "bed_full": self.bed_full,
            "bed_known": self.bed_known,
            "waiting_since_s": self.waiting_since_s,
            "build": None if self.build is None else self.build.id,
            "last_build": None if self.last_build is None else self.last_build.id,
            "hot": self._hot,
            "cooler": self.cooler.as_dict(),
        }

    def restore(self, doc: dict[str, Any], builds: dict[str, Build], now_s: float) -> None:
        """Take up where the journal left off; readings are unknown until they come in again."""
        self.state = doc["state"]
        self.since_s, self.because = doc["since_s"], doc["because"]
        self.bed_full, self.bed_known = doc["bed_full"], doc["bed_known"]
        self.waiting_since_s = doc["waiting_since_s"]
        self.build = builds.get(doc["build"] or "")
        self.last_build = builds.get(doc["last_build"] or "")
        self._hot = doc["hot"]
        if doc.get("cooler") is not None:
            self.cooler = cooling.Cooling.from_dict(doc["cooler"])
        if self.cooler.ended_s > now_s + CLOCK_BACK_S:
            self.cooler.start(now_s)
        if self.state == "cooling":
            self._timers.set(("release", self.name), self._release_check_s(now_s, None))

    def release(self, now_s: float) -> cooling.Release:
        """When the bed can be cleared, and on what basis."""
        material = self._material(self.build or self.last_build)
        if self.plan.cool_min is not None and self.number("bed_c") is None:
            at_s = self.cooler.ended_s + self.plan.cool_min * 60
            return cooling.Release(None, at_s, None, self.release_c(material), "the owner's cooling time")
        return self.cooler.release(now_s, material, self._own_release_c(material))

    def _material(self, build: Build | None) -> str | None:
        """A build's material, else what the machine usually runs."""
        return (build.material if build is not None else None) or self.plan.material

    def _own_release_c(self, material: str | None) -> float | None:
        """What the owner has set, for this machine or else for the material; None: nothing."""
        if self.plan.release_c is not None or not self.plan.release_of or material is None:
            return self.plan.release_c
        name = material.strip().upper()
        fits = [key for key in self.plan.release_of if name.startswith(key)]
        return self.plan.release_of[max(fits, key=len)] if fits else None

    def release_c(self, material: str | None) -> float:
        """Bed temperature below which parts come off: the machine's own, else the material's default."""
        own_c = self._own_release_c(material)
        return own_c if own_c is not None else cooling.release_of(material).release_c

    def _cool(self, now_s: float, effects: list[Effect]) -> None:
        """Watch a cooling bed; let it go when its sensor, or else the usual time, says so."""
        if self.state != "cooling":
            return
        bed_c, goal_c = self.number("bed_c"), self.release_c(self._material(self.last_build))
        if bed_c is not None:
            # At its own time: what else this machine or its plug says meanwhile is no reading of the bed.
            self.cooler.observe(now_s if self.bed_at_s is None else self.bed_at_s, bed_c)
            if bed_c <= goal_c:
                self._go("released", now_s, f"bed at {bed_c:.0f} °C", effects)
                return
            foreseen_s = self.cooler.foreseen_s(goal_c)
            if foreseen_s is not None:
                self._timers.set(("release", self.name), max(foreseen_s, now_s))
                return
        due_s = self._timers.due_s(("release", self.name))
        if due_s is None or (bed_c is None and due_s > now_s + 60):
            self._timers.set(("release", self.name), self._release_check_s(now_s, bed_c))

    def _release_check_s(self, now_s: float, bed_c: float | None) -> float:
        if bed_c is not None:
            return self.cooler.ended_s + NEVER_COOL_S
        due_s = self.release(now_s).p50_s
        return max(now_s, due_s if due_s is not None else self.cooler.ended_s + NEVER_COOL_S)

    def release_due(self, now_s: float) -> list[Effect]:
        """The usual cooling time is over: without a bed sensor that is all there is to go by."""
        effects: list[Effect] = []
        bed_c = self.number("bed_c")
        if self.state == "cooling":
            if bed_c is None:
                self._go("released", now_s, "usual cooling time is over; no bed sensor to ask", effects)
            elif self._foreseen(now_s):
                self._go("released", now_s, f"by its own cooling curve; last read {bed_c:.0f} °C", effects)
            elif now_s >= self.cooler.ended_s + NEVER_COOL_S:
                self._go("released", now_s, f"bed still at {bed_c:.0f} °C after hours: mind the heat", effects)
            else:
                self._timers.set(("release", self.name), self._release_check_s(now_s, bed_c))
        return effects

    def _foreseen(self, now_s: float) -> bool:
        """Whether the bed has passed its release temperature between two readings that lie far apart."""
        foreseen_s = self.cooler.foreseen_s(self.release_c(self._material(self.last_build)))
        return foreseen_s is not None and foreseen_s <= now_s

    def clearing(self, now_s: float, estimate: Estimate | None) -> cooling.Release | None:
        """When the bed can be cleared: the fact once it can, else an estimate with its range, else None."""
        at_s, material = self.waiting_since_s, self._material(self.build or self.last_build)
        if self.state == "waiting":
            return cooling.Release(at_s, at_s, at_s, self.release_c(material), "it can be cleared")
        if self.state == "cooling":
            return self.release(now_s)
        if self.build is None or estimate is None or estimate.p50_s is None:
            return None
        if self.plan.cool_min is not None and self.number("bed_c") is None:
            wait_s, goal_c = self.plan.cool_min * 60, self.release_c(material)
            low_s, middle_s, high_s = (
                None if v is None else v + wait_s for v in (estimate.p10_s, estimate.p50_s, estimate.p90_s)
            )
            return cooling.Release(low_s, middle_s, high_s, goal_c, "its finish and the owner's cooling time")
        usual = self.cooler.usual(estimate.p50_s, material, self._own_release_c(material))
        return cooling.after((estimate.p10_s, estimate.p50_s, estimate.p90_s), usual)

    def clear_at_s(self, now_s: float, estimate: Estimate | None) -> float | None:
        """When the bed can be cleared: the fact once it can, else the middle of the estimate, else None."""
        found = self.clearing(now_s, estimate)
        return None if found is None else found.p50_s

    def _clear(self, now_s: float, because: str, effects: list[Effect]) -> None:
        self.bed_full, self.bed_known = False, True
        self.waiting_since_s = None
        self._timers.drop(("release", self.name))
        self.cooler.finish()
        if step(self.state, "cleared") != self.state:
            self._go("cleared", now_s, because, effects)
        else:
            self._keep(effects)
