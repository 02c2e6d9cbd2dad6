"""What people say of one machine: cleared, started, failed, out of service and so on, refused where it cannot be."""

from typing import Any

from farmwatch.machines import cooling, plugwords
from farmwatch.machines.builds import Build
from farmwatch.machines.buildtrack import BuildTrack
from farmwatch.machines.eta import Estimator
from farmwatch.machines.state import BUSY
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, MachinePlan, Said, SourcePlan
from farmwatch.words.timers import Timers

VALUE_MOST = 1e6
UNDO_S = 30.0
"""So long "cleared" can be taken back; the page offers it for less, so that a press at the last moment still counts."""


class SpokenTrack(BuildTrack):
    """A machine that people speak of; the command `x` is the method `_say_x`."""

    __slots__ = ("cleared",)

    def __init__(self, plan: MachinePlan, sources: list[SourcePlan], estimator: Estimator, timers: Timers) -> None:
        super().__init__(plan, sources, estimator, timers)
        self.cleared: dict[str, Any] | None = None  # by whom and when, and how the bed was before

    def as_dict(self) -> dict[str, Any]:
        """What must survive a restart, JSON-able."""
        return super().as_dict() | {"cleared": self.cleared}

    def restore(self, doc: dict[str, Any], builds: dict[str, Build], now_s: float) -> None:
        """Take up where the journal left off; readings are unknown until they come in again."""
        super().restore(doc, builds, now_s)
        self.cleared = doc.get("cleared")

    def command(self, said: Said) -> list[Effect]:
        """What a person says of this machine; raises Refused with the reason."""
        effects: list[Effect] = []
        getattr(self, f"_say_{said.command}")(said, effects)
        return effects

    def _say_cleared(self, said: Said, effects: list[Effect]) -> None:
        if self.build is not None and self._activity in BUSY and not self._sourceless:
            raise Refused(
                f"{self.name} is {self.state}: a bed in use cannot be clear",
                hint="say cancelled or failed if the build is over",
            )
        if self.build is not None:
            self._end(said.at_s, "done", f"{said.by} has cleared the bed", effects, inferred=True)
        self.cleared = None
        if self.state in ("waiting", "cooling"):
            self.cleared = {
                "at_s": said.at_s, "by": said.by, "state": self.state, "since_s": self.since_s,
                "because": self.because, "waiting_since_s": self.waiting_since_s, "cooler": self.cooler.as_dict(),
            }  # fmt: skip
        self._clear(said.at_s, f"cleared by {said.by}", effects)
        effects += self.consider(said.at_s)

    def _say_uncleared(self, said: Said, effects: list[Effect]) -> None:
        """As if nobody had said "cleared": the bed waits or cools as long as it did."""
        was = self.cleared
        if was is None or not 0 <= said.at_s - was["at_s"] <= UNDO_S:
            raise Refused(f"it was not just now that {self.name} was cleared", hint="it can be taken back at once only")
        if self.build is not None or self._activity in BUSY:
            raise Refused(f"{self.name} has begun its next build: its bed cannot be full")
        self.cleared, self.bed_full = None, True
        self.cooler = cooling.Cooling.from_dict(was["cooler"])
        self._go("over" if was["state"] == "cooling" else "full", said.at_s, was["because"], effects)
        if self.state == was["state"]:
            self.since_s, self.waiting_since_s = was["since_s"], was["waiting_since_s"]
        self._keep(effects)
        effects += self.consider(said.at_s)

    def _say_started(self, said: Said, effects: list[Effect]) -> None:
        job, material, planned = (said.fields.get(key) for key in ("job", "material", "planned_min"))
        if planned is not None and (
            isinstance(planned, bool) or not isinstance(planned, int | float) or not 0 < planned < 31 * 1440
        ):
            raise Refused(f"planned_min must be minutes above 0, not {planned!r}")
        named = str(job)[:200] if job else None
        stuff = str(material)[:60] if material else None
        planned_s = None if planned is None else float(planned) * 60
        build = self.build
        if build is not None:
            build.job = self.word("job") or named or build.job
            build.material = stuff or build.material
            build.planned_s = planned_s or build.planned_s
            self._estimator.renamed(build.id, build.job)
            self._keep_build(build, said.at_s, effects)
            return
        if self.bed_full:
            self._clear(said.at_s, f"{said.by} has started the next build", effects)
        self._said = {"at_s": said.at_s, "job": named, "material": stuff, "planned_s": planned_s}
        if self._sourceless:
            self._begin(said.at_s, None, f"started by {said.by}", effects)
            self._go("printing", said.at_s, f"started by {said.by}", effects)
        self._keep(effects)

    def _say_valued(self, said: Said, effects: list[Effect]) -> None:
        build, value = self.build, said.fields.get("value")
        if build is None:
            raise Refused(f"{self.name} has no build in hand", hint="a value holds for one build; say it while it runs")
        if value is not None and (
            isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= VALUE_MOST
        ):
            raise Refused(f"value must be a number from 0 to {VALUE_MOST:g}, not {value!r}")
        build.value = None if value is None else float(value)
        self._keep_build(build, said.at_s, effects)

    def _say_failed(self, said: Said, effects: list[Effect]) -> None:
        self._say_ended(said, "failed", effects)

    def _say_cancelled(self, said: Said, effects: list[Effect]) -> None:
        self._say_ended(said, "cancelled", effects)

    def _say_ended(self, said: Said, result: str, effects: list[Effect]) -> None:
        why = f"{said.by} says so"
        if self.build is not None:
            self._end(said.at_s, result, why, effects)
            return
        build = self.last_build
        if build is None or not self.bed_full:
            raise Refused(f"{self.name} has no build in hand that could have {result}")
        build.result, build.because = result, why
        self._estimator.revise(build.id, result)
        self._keep_build(build, said.at_s, effects)

    def _say_out_of_service(self, said: Said, effects: list[Effect]) -> None:
        reason = str(said.fields.get("reason") or "")[:200]
        if self.build is not None:
            self._end(said.at_s, "cancelled", f"taken out of service by {said.by}", effects)
        self._go("taken_out", said.at_s, f"by {said.by}{': ' if reason else ''}{reason}", effects)

    def _say_not_over(self, said: Said, effects: list[Effect]) -> None:
        build = self.build or self.last_build
        if build is None or not self.by_plug:
            raise Refused(f"{self.name} has no build that its plug took to be over")
        if not self.sense.not_over() and self.build is None:
            raise Refused(f"{self.name} has no build that could go on")
        if self.build is None:
            kept = self._estimator.reopened(build.id)
            build.ended_s, build.result, build.because = None, "unknown", f"{said.by} says that it goes on"
            build.inferred = tuple(word for word in build.inferred if word != "end")
            self.build, self.bed_full = build, False
            if not kept:
                self._estimator.started(self.name, build.id, build.job, build.started_s, build.planned_s)
            self._keep_build(build, said.at_s, effects)
            self._go("paused", said.at_s, build.because, effects)
        effects += self.consider(said.at_s)

    def _say_plug_level(self, said: Said, effects: list[Effect]) -> None:
        if not self._plug:
            raise Refused(f"{self.name} has no plug that measures its power")
        plugwords.correct(self.sense, said.fields)
        effects.append(Keep("sense", self.name, self.sense.as_dict()))

    def _say_in_service(self, said: Said, effects: list[Effect]) -> None:
        if self.state != "out_of_service":
            raise Refused(f"{self.name} is in service")
        self._go("put_back", said.at_s, f"put back by {said.by}", effects)
        effects += self.consider(said.at_s)
