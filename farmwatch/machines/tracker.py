"""One machine followed through its reports, its plug and what people say of it.

The tracker holds what is known of the machine, drives the transition table of `state`, and opens and closes
builds. It returns effects; what alarms need it leaves in its public attributes.
"""

from collections.abc import Callable
from typing import Any

from farmwatch.machines import cooling, plugwords
from farmwatch.machines.builds import Build, build_id, conclude
from farmwatch.machines.eta import Estimate, Estimator
from farmwatch.machines.signature import PowerSense
from farmwatch.machines.state import BUSY, step
from farmwatch.machines.trail import Trail
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, MachinePlan, Note, Observed, Said, SourcePlan, Value
from farmwatch.words.timers import Timers

ENDED = frozenset({"done", "failed", "cancelled"})
QUIET = frozenset({"off", "idle", "waiting", "cooling"})
CONSIDERED = frozenset({"state", "job", "material", "progress", "remaining_s", "relay", "bed_target_c"})
NAMED_AHEAD_S = 45 * 60.0
"""How long what a person said about a build waits for that build to begin."""
REJUDGE_S = 15.0
BEGIN_ALONE_S = 600.0
"""And only after so long may the plug begin a build of a machine that reports."""
VALUE_MOST = 1e6
LEFT_OVER_S, OWN_BELOW = (900.0, 300.0), 0.5
"""So long progress may be what the build before had left, the second where its name was left, too: unless this build
has been seen at less, for then it is its own."""
HEATER_W = 100.0
"""Boards and fans alone draw less (common practice, no source)."""
HOLD_S = 45 * 60.0
"""Longest time that a machine may hold its heaters after a build by itself."""
ALONE_S, SURE, UNSURE = 120.0, 0.9, 0.6
"""A machine that reports is judged by its plug only after so long without a report and at such a probability;
one with a plug alone keeps its last activity while the best guess is less probable than the last figure."""
UNDO_S = 30.0
"""So long "cleared" can be taken back; the page offers it for less, so that a press at the last moment still counts."""
NEVER_COOL_S = 2.5 * 3600.0
"""A bed that has not passed its release temperature by then will not: the room is too warm for it."""
HEATING_BELOW_C = 8.0
"""A heater this far below its target is still heating up."""


def material_of(bed_target_c: float | None) -> str | None:
    """The likely material by the bed's target (common practice, no source); None where it says nothing."""
    if bed_target_c is None or bed_target_c < 35:
        return None
    return "PLA" if bed_target_c < 66 else "PETG" if bed_target_c < 89 else "ASA"


class MachineTrack:
    """What is known of one machine. All times are epoch seconds."""

    def __init__(self, plan: MachinePlan, sources: list[SourcePlan], estimator: Estimator, timers: Timers) -> None:
        self.plan = plan
        self.name = plan.name
        self.state = "unknown"
        self.since_s: float | None = None
        self.because = "nothing has been heard yet"
        self.bed_full = False
        self.bed_known = False
        self.waiting_since_s: float | None = None
        self.build: Build | None = None
        self.last_build: Build | None = None
        self.trail = Trail()
        self.latest: dict[str, Value] = {}
        self.nozzle_at_s: float | None = None  # its last reading: no power is cut on an old one
        self.last_known: dict[str, tuple[float, Value]] = {}
        self.mains_lost: Callable[[float], bool] = lambda _since_s: False
        self.wh_at: Callable[[float], float | None] = lambda _at_s: None
        self.take_sense(PowerSense())
        self.cooler = cooling.Cooling()
        self._estimator = estimator
        self._timers = timers
        self._reports = any("state" in s.quantities for s in sources)
        self._plug = any("power_w" in s.quantities for s in sources)
        self._sourceless = not sources
        self._said: dict[str, Any] | None = None
        self.cleared: dict[str, Any] | None = None  # by whom and when, and how the bed was before
        self._heating_since_s: float | None = None
        self._hot = False
        self._activity = "unknown"
        self._blind_since_s: float | None = None
        self._mute_since_s: float | None = None
        self._drawing_since_s: float | None = None
        self._last_busy = "printing"
        self._source_time: dict[str, float] = {}
        self._late: dict[str, int] = {}

    def take_sense(self, sense: PowerSense) -> None:
        """Judge by this sense of the plug from now on; what the configuration says of its levels stands above it."""
        self.sense = sense
        for key, watts in self.plan.plug_levels:
            sense.set_level(plugwords.KEYS[key], watts, planned=True)

    def use(self, estimator: Estimator) -> None:
        """Learn with this estimator from now on (after a restart)."""
        self._estimator = estimator

    # ---- what comes in ------------------------------------------------------------------------------------

    def observe(self, seen: Observed) -> list[Effect]:
        """Take one message's values; effects of what they change."""
        now_s = seen.at_s
        values = seen.values
        if seen.retained:
            for quantity, value in values.items():
                self.last_known[quantity] = (now_s, value)
            return []
        if seen.source_at_s is not None and self._is_late(seen.source, seen.source_at_s):
            return []
        latest = self.latest
        consider = False
        for quantity, value in values.items():
            if quantity not in latest or latest[quantity] != value:
                latest[quantity] = value
                consider = consider or quantity in CONSIDERED
        if "nozzle_c" in values:
            self.nozzle_at_s = now_s
        if self.build is not None:
            self._told(self.build, now_s, values)
        if "power_w" in values:
            power_w = values["power_w"]
            if not isinstance(power_w, float) or power_w < HEATER_W:
                self._drawing_since_s = None
            elif self._drawing_since_s is None:
                self._drawing_since_s = now_s
            voltage_v = values.get("voltage_v")
            self.sense.observe(
                now_s,
                power_w if isinstance(power_w, float) else None,
                voltage_v if isinstance(voltage_v, float) else None,
            )
            if self._by_plug():
                return self.consider(now_s)
        if consider or (self.state in ("cooling", "heating", "unknown") and values):
            return self.consider(now_s)
        return []

    def _told(self, build: Build, now_s: float, values: dict[str, Value]) -> None:
        """A report on the build, also one that says the same again: the next step is still to come."""
        if "filament_g" in values or "filament_mm" in values:
            self._fed(build, values)
        if "progress" not in values and "remaining_s" not in values:
            return
        if values.get("remaining_s") is not None:
            build.progress_at_s = now_s
        self._estimator.progress(build.id, now_s, self.number("progress"), self.number("remaining_s"))

    def _fed(self, build: Build, values: dict[str, Value]) -> None:
        """Filament used so far. It may begin again at 0 with a build, and must not with its end."""
        runs = not BUSY.isdisjoint((self.word("state") or "").split("|"))
        grams, length_mm = values.get("filament_g"), values.get("filament_mm")
        if isinstance(grams, float) and (runs or grams >= (build.filament_g or 0.0)):
            build.filament_g = grams
        if isinstance(length_mm, float) and (runs or length_mm >= (build.filament_mm or 0.0)):
            build.filament_mm = length_mm

    def _is_late(self, source: str, at_s: float) -> bool:
        """Whether this message is older than one that came before it.

        A device whose clock was set back would be late for good: after three late messages in a row its new
        time is taken.
        """
        newest_s = self._source_time.get(source)
        if newest_s is not None and at_s < newest_s - 1e-3:
            count = self._late.get(source, 0) + 1
            if count < 3:
                self._late[source] = count
                return True
        self._late.pop(source, None)
        self._source_time[source] = at_s
        return False

    def forget(self, quantities: frozenset[str], now_s: float) -> list[Effect]:
        """These quantities are unknown from now on: their source is silent, failed or gone."""
        for quantity in quantities:
            if self.latest.get(quantity) is not None:
                self.latest[quantity] = None
        if "power_w" in quantities:
            self.sense.observe(now_s, None)
        if "state" in quantities and self._mute_since_s is None:
            self._mute_since_s = now_s
        return self.consider(now_s)

    # ---- what it does -----------------------------------------------------------------------------------------

    def number(self, quantity: str) -> float | None:
        """The present value of a quantity, None if it is unknown."""
        value = self.latest.get(quantity)
        return value if isinstance(value, float) else None

    def word(self, quantity: str) -> str | None:
        """The present word or text of a quantity, None if it is unknown."""
        value = self.latest.get(quantity)
        return value if isinstance(value, str) else None

    @property
    def by_plug(self) -> bool:
        """Whether the plug is all that speaks of it now."""
        return self._by_plug()

    @property
    def plugged(self) -> bool:
        """Whether a plug measures its power."""
        return self._plug

    @property
    def may_reopen(self) -> bool:
        """Whether its last end was the plug's word alone and may have been a pause: its bed is as it was."""
        last = self.last_build
        ended = self.build is None and last is not None and last.ended_s == self.sense.built_until_s
        return ended and self.bed_full and self._by_plug()

    def _by_plug(self) -> bool:
        return self._plug and self.word("state") is None

    def activity(self, now_s: float) -> tuple[str, str, float | None]:
        """What it does, why we think so, and since when if that lies back: reports first, then the plug."""
        word = self.word("state")
        if word is not None:
            self._mute_since_s = None
            if "|" in word:
                word = self._tell_apart(word.split("|"))
            return word, f"says {word}", None
        if self._plug:
            if self.latest.get("relay") is False:
                return "off", "its plug is switched off", None
            if self.latest.get("power_w") is not None:
                return self._by_power(now_s)
        if self._sourceless and self.build is not None:
            return "printing", self.build.because, None
        return "unknown", "no source says anything", None

    def _by_power(self, now_s: float) -> tuple[str, str, float | None]:
        """What the plug alone says. Where reports are the rule it must have been alone for a while, and be sure."""
        sense = self.sense.judge(now_s)
        if self._reports:
            if self._mute_since_s is None:
                self._mute_since_s = now_s
            if now_s - self._mute_since_s < ALONE_S or sense.probability < SURE:
                return "unknown", "its reports have stopped, and its plug alone is not sure yet", None
            if sense.activity in BUSY:
                if self.build is not None:
                    return self._last_busy, f"no report; {sense.because}", None
                if now_s - self._mute_since_s < BEGIN_ALONE_S:
                    return "unknown", "its reports have stopped; its plug shows a heater at work", None
        elif sense.probability < UNSURE:
            return self._activity, sense.because, None
        since_s = sense.since_s
        if sense.activity in BUSY:
            present = self.build is None and sense.build_start_s is not None and sense.build_end_s is None
            since_s = sense.build_start_s if present else since_s  # the last build's start is not this one's
        elif self.build is not None and sense.build_end_s is not None:
            since_s = sense.build_end_s  # set back where it became known later
        return "done" if sense.activity == "finished" else sense.activity, sense.because, since_s

    def heats_idly(self, now_s: float) -> str | None:
        """The word of a machine that says it does nothing while its plug shows a heater at work, else None.

        Some machines hold their heaters for a while after a build; that is theirs until HOLD_S have passed.
        """
        word = self.word("state")
        power_w = self.number("power_w")
        if word is None or power_w is None or "|" in word or (word not in QUIET and word not in ENDED):
            return None
        ended_s = self.last_build.ended_s if self.last_build is not None else None
        if self.build is not None or (ended_s is not None and now_s < ended_s + HOLD_S):
            return None
        if self._drawing_since_s is not None and now_s - self._drawing_since_s >= 60.0:
            return word
        sense = self.sense.judge(now_s)
        at_work = sense.activity in BUSY and not sense.maybe_over and sense.probability >= SURE
        return word if at_work else None

    def _tell_apart(self, words: list[str]) -> str:
        """Which of several states one word stands for, by the temperatures."""
        if "heating" not in words or len(words) != 2:
            return next((word for word in words if word == self._activity), words[0])
        other = words[0] if words[1] == "heating" else words[1]
        if self._hot and self.build is not None:
            return other
        known = False
        for heater in ("nozzle", "bed"):
            now_c, target_c = self.number(f"{heater}_c"), self.number(f"{heater}_target_c")
            if now_c is None or target_c is None:
                continue
            known = True
            if target_c > 0 and now_c < target_c - HEATING_BELOW_C:
                return "heating"
        progress = self.number("progress")
        if known or progress is None or progress > 0:
            self._hot = known
            return other
        return "heating"

    def consider(self, now_s: float) -> list[Effect]:
        """Look at everything known and do what follows."""
        activity, because, since_s = self.activity(now_s)
        self._activity = activity
        effects: list[Effect] = []
        if self._plug and self.word("state") is None and self.latest.get("power_w") is not None:
            self._timers.set(("judge", self.name), now_s + REJUDGE_S)
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

    def _says(self) -> bool:
        return self.word("state") is not None

    # ---- builds ---------------------------------------------------------------------------------------------------

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

    # ---- the bed ----------------------------------------------------------------------------------------------------

    def release(self, now_s: float) -> cooling.Release:
        """When the bed can be cleared, and on what basis."""
        build = self.build or self.last_build
        material = (build.material if build is not None else None) or self.plan.material
        if self.plan.cool_min is not None and self.number("bed_c") is None:
            at_s = self.cooler.ended_s + self.plan.cool_min * 60
            return cooling.Release(None, at_s, None, self.release_c(material), "the owner's cooling time")
        return self.cooler.release(now_s, material, self._own_release_c(material))

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
        bed_c = self.number("bed_c")
        build = self.last_build
        goal_c = self.release_c((build.material if build is not None else None) or self.plan.material)
        if bed_c is not None:
            self.cooler.observe(now_s, bed_c)
            if bed_c <= goal_c:
                self._go("released", now_s, f"bed at {bed_c:.0f} °C", effects)
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
            elif now_s >= self.cooler.ended_s + NEVER_COOL_S:
                self._go("released", now_s, f"bed still at {bed_c:.0f} °C after hours: mind the heat", effects)
            else:
                self._timers.set(("release", self.name), self._release_check_s(now_s, bed_c))
        return effects

    def clearing(self, now_s: float, estimate: Estimate | None) -> cooling.Release | None:
        """When the bed can be cleared: the fact once it can, else an estimate with its range, else None."""
        build, at_s = self.build or self.last_build, self.waiting_since_s
        material = (build.material if build is not None else None) or self.plan.material
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

    # ---- people -----------------------------------------------------------------------------------------------------

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

    # ---- state ------------------------------------------------------------------------------------------------------

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
            "said": self._said,
            "heating_since_s": self._heating_since_s,
            "hot": self._hot,
            "cooler": self.cooler.as_dict(),
            "cleared": self.cleared,
        }

    def restore(self, doc: dict[str, Any], builds: dict[str, Build], now_s: float) -> None:
        """Take up where the journal left off; readings are unknown until they come in again."""
        self.state = doc["state"]
        self.since_s, self.because = doc["since_s"], doc["because"]
        self.bed_full, self.bed_known = doc["bed_full"], doc["bed_known"]
        self.waiting_since_s = doc["waiting_since_s"]
        self.build = builds.get(doc["build"] or "")
        self.last_build = builds.get(doc["last_build"] or "")
        self._said = doc["said"]
        self.cleared = doc.get("cleared")
        self._heating_since_s, self._hot = doc["heating_since_s"], doc["hot"]
        if self.build is not None:
            self._blind_since_s = now_s
        if doc.get("cooler") is not None:
            self.cooler = cooling.Cooling.from_dict(doc["cooler"])
        if self.state == "cooling":
            self._timers.set(("release", self.name), self._release_check_s(now_s, None))
