"""Wear as it goes on: hours, builds and heatings of every machine, what was serviced, what failed.

An hour counts while a machine heats or prints; a heating is each time that it goes from rest to work; a failure is a
build that failed for another reason than lost mains.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple

from farmwatch.machines.builds import POWER_WENT, Build
from farmwatch.machines.state import BUSY
from farmwatch.shop.wear import DAY_S, PARTS, Due, Interval, Mtbf, Suspect, Wear, against_sisters, due, mtbf
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, Said
from farmwatch.words.shop_plan import IntervalPlan, ShopPlan

WORKS = frozenset({"heating", "printing"})
PACE_DAYS, LEAST_DAYS = 28, 2.0
SAME_S = 60.0
"""A fault so soon after a build's end is what ended it."""
NOTES_KEPT, NOTE_MOST, PART_MOST = 50, 300, 40


@dataclass(slots=True)
class Life:
    """One machine's use since it was first watched; `days`: (hours, builds, heatings) by day since the epoch."""

    since_s: float
    hours: float = 0.0
    builds: int = 0
    heatings: int = 0
    failures: int = 0  # builds that failed, but for those that a reported fault ended
    faults: int = 0  # that the machine reported
    last_fault_s: float | None = None
    counted: dict[str, str] = field(default_factory=dict)  # the last builds' results, so that none counts twice
    served: dict[str, dict[str, Any]] = field(default_factory=dict)  # part: use at its last service, when, by whom
    days: dict[str, list[float]] = field(default_factory=dict)
    notes: list[dict[str, Any]] = field(default_factory=list)


class PartDue(NamedTuple):
    """A part of a machine: its use since the last service, what it is due by."""

    machine: str
    part: str
    wear: Wear
    interval: Interval
    due: Due
    served_s: float | None


class Upkeep:
    """Wear, service and failures of all machines."""

    def __init__(self, plan: ShopPlan, machines: Iterable[str]) -> None:
        own = {part: _interval(entry) for part, entry in plan.service.items()}
        common = {**PARTS, **own}
        shared = {part: interval for part, interval in common.items() if interval != Interval()}
        self.intervals: dict[str, dict[str, Interval]] = {}
        for name in machines:
            if not plan.service_of.get(name):
                self.intervals[name] = shared
                continue
            here = {part: _interval(entry) for part, entry in plan.service_of.get(name, {}).items()}
            self.intervals[name] = {p: i for p, i in {**common, **here}.items() if i != Interval()}
        self.lives: dict[str, Life] = {}
        self._busy_s: dict[str, float] = {}  # machine: since when it works, not yet counted
        self._was: dict[str, str] = {}
        self._faulty: set[str] = set()  # a fault that stands counts once, also where the machine falls silent meanwhile

    # ---- what happens -------------------------------------------------------------------------------------------

    def moved(self, machine: str, state: str, now_s: float) -> bool:
        """A machine's state may have changed; True where that must be written down at once: a fault."""
        life, was = self.life(machine, now_s), self._was.get(machine)
        self.count(machine, now_s)
        if state in WORKS:
            self._busy_s.setdefault(machine, now_s)
        else:
            self._busy_s.pop(machine, None)
        if state in BUSY and was is not None and was not in BUSY and was != "unknown":
            life.heatings += 1
            self._day(life, now_s)[2] += 1
        new = state == "fault" and machine not in self._faulty
        if new:
            life.faults, life.last_fault_s = life.faults + (was is not None), now_s
            self._faulty.add(machine)
        elif state not in ("fault", "unknown", "out_of_service"):
            self._faulty.discard(machine)
        self._was[machine] = state
        return new

    def count(self, machine: str, now_s: float) -> None:
        """Count the hours up to now."""
        since_s = self._busy_s.get(machine)
        if since_s is not None and now_s > since_s:
            life = self.life(machine, now_s)
            hours = (now_s - since_s) / 3600.0
            life.hours += hours
            self._day(life, now_s)[0] += hours
            self._busy_s[machine] = now_s

    def built(self, build: Build, effects: list[Effect]) -> None:
        """A build is over, or its end was corrected."""
        if build.ended_s is None:
            return
        life = self.life(build.machine, build.started_s)
        before = life.counted.get(build.id)
        failed = build.result == "failed" and build.because != POWER_WENT
        if before is None:
            life.builds += 1
            self._day(life, build.ended_s)[1] += 1
        at_s = life.last_fault_s
        by_fault = before == "fault" or (at_s is not None and build.started_s <= at_s <= build.ended_s + SAME_S)
        life.failures += (failed and not by_fault) - (before == "failed")
        life.counted[build.id] = "fault" if by_fault else "failed" if failed else "over"
        while len(life.counted) > 4:
            del life.counted[next(iter(life.counted))]
        self.keep(build.machine, effects)

    def keep(self, machine: str, effects: list[Effect]) -> None:
        """Write a machine's use down."""
        effects.append(Keep("life", machine, asdict(self.lives[machine])))

    def life(self, machine: str, now_s: float) -> Life:
        """A machine's use so far."""
        return self.lives.setdefault(machine, Life(now_s))

    @staticmethod
    def _day(life: Life, now_s: float) -> list[float]:
        key = str(int(now_s // DAY_S))
        found = life.days.setdefault(key, [0.0, 0.0, 0.0])
        while len(life.days) > PACE_DAYS + 1:
            del life.days[min(life.days, key=int)]
        return found

    # ---- what people say ----------------------------------------------------------------------------------------

    def said(self, said: Said, machine: str, effects: list[Effect]) -> None:
        """A service or a note; raises Refused with the reason."""
        self.count(machine, said.at_s)
        life, text = self.life(machine, said.at_s), str(said.fields.get("note") or "").strip()[:NOTE_MOST]
        entry: dict[str, Any] = {"at_s": said.at_s, "by": said.by, "note": text}
        if said.command == "serviced":
            part = str(said.fields.get("part") or "").strip()
            known = self.intervals[machine]
            if part not in known:
                raise Refused(
                    f"no part {part[:PART_MOST]!r} of {machine} has a service interval" if part else "which part?",
                    hint=f"parts: {', '.join(known)}; others under [service]",
                )
            life.served[part] = {
                "hours": life.hours, "builds": life.builds, "heatings": life.heatings, "at_s": said.at_s, "by": said.by
            }  # fmt: skip
            entry["part"] = part
        elif not text:
            raise Refused("what is to be noted?", hint="give the field 'note'")
        life.notes = [*life.notes, entry][-NOTES_KEPT:]
        self.keep(machine, effects)

    # ---- looking ------------------------------------------------------------------------------------------------

    def wear(self, machine: str, part: str) -> Wear:
        """Use of a part since its last service, else since the machine was first watched."""
        life = self.lives.get(machine)
        if life is None:
            return Wear()
        at = life.served.get(part, {"hours": 0.0, "builds": 0, "heatings": 0})
        return Wear(life.hours - at["hours"], life.builds - at["builds"], life.heatings - at["heatings"])

    def pace(self, machine: str, now_s: float) -> Wear | None:
        """The machine's own use a day over the last four weeks; None before it has been watched for two days."""
        life = self.lives.get(machine)
        days = 0.0 if life is None else min((now_s - life.since_s) / DAY_S, float(PACE_DAYS))
        if life is None or days < LEAST_DAYS:
            return None
        first = now_s // DAY_S - PACE_DAYS
        rows = [row for key, row in life.days.items() if int(key) > first]
        return Wear(*(sum(row[i] for row in rows) / days for i in range(3)))

    def parts(self, machine: str, now_s: float) -> list[PartDue]:
        """All parts of a machine that have an interval, the one that is due first before the others."""
        found, pace = [], self.pace(machine, now_s)
        for part, interval in self.intervals[machine].items():
            wear = self.wear(machine, part)
            when = due(wear, interval, pace, now_s)
            if when is not None:
                served = self.lives[machine].served.get(part) if machine in self.lives else None
                found.append(PartDue(machine, part, wear, interval, when, served["at_s"] if served else None))
        return sorted(found, key=lambda row: (row.due.at_s is None, row.due.at_s or 0.0, -row.due.share))

    def mtbf(self, machine: str) -> Mtbf | None:
        """Mean time between failures, hours of work: builds that failed, and faults that the machine reported.

        None before an hour has been seen.
        """
        life = self.lives.get(machine)
        return None if life is None or life.hours < 1.0 else mtbf(life.hours, life.failures + life.faults)

    def suspects(self) -> dict[str, Suspect]:
        """Each machine against its sisters."""
        return against_sisters({name: (life.hours, life.failures + life.faults) for name, life in self.lives.items()})

    def restore(self, docs: Mapping[str, dict[str, Any]], states: Mapping[str, str], now_s: float) -> None:
        """Take up where the journal left off; nobody saw whether a machine worked in between."""
        for name, doc in docs.items():
            if name in self.intervals:
                self.lives[name] = Life(**doc)
        for name, state in states.items():
            self._was[name] = state
            if state == "fault":
                self._faulty.add(name)
            if state in WORKS:
                self._busy_s[name] = now_s


def _interval(plan: IntervalPlan) -> Interval:
    return Interval(plan.hours, plan.builds, plan.heatings)
