"""Keeps the rescue plans: asks when something has changed, keeps answers, knows what has been told of them.

A backup on battery is looked at after the blip time, at every change behind it and at least once a minute; it is
asked about again only where its plan no longer fits what is seen. A backup on line is asked about as a what-if,
at most every five minutes, and only while somebody looks at the page.
"""

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from farmwatch.alarms.wording import count
from farmwatch.power.battery import capacity_share
from farmwatch.power.rescue_advice import Decision, RescueAdvice, RescueQuestion, spread_of, table_through
from farmwatch.power.rescue_charge import RescueBackup, RescueMachine
from farmwatch.words.model import Effect, Keep, LoadPlan, Work, Worked

if TYPE_CHECKING:
    from farmwatch.farm import Farm

EVERY_S = 60.0
SOON_S = 2.0
LEAST_S = 5.0  # between two questions about one backup
LATE_S = 120.0  # an answer that has not come by then will not come
WHATIF_S = 300.0
LOOKED_S = 300.0
STEADY_S = 30.0  # a changed decision must stand so long before it is told
LEAD_S = 300.0
"""A changed plan is told so long before the first deed that it adds or takes back. An incident has one message
between its first and its all-clear: told at once, it might be spent on a plan that changes again before anybody
must act on it."""
MEAN_S = 600.0
HOLD_W = 70.0
"""A paused machine: bed kept warm, nozzle let cool (common practice, no source)."""
RESERVE = 0.05
"""Share of a full battery that is kept for what else hangs on it: router, collector (common practice, no source)."""
MINUTES_A_GRAM = 1.0
"""A gram of feedstock counts as a minute of machine time (common practice, no source: both cost some cents)."""
GRAMS_A_MM = math.pi / 4 * 1.75**2 * 1.24e-3
"""1.75 mm PLA at 1.24 g/cm3."""
ON_BATTERY = ("on_battery", "low")


class RescueDesk:
    """Plans by backup, live and what-if."""

    def __init__(self, farm: "Farm") -> None:
        self._farm = farm
        self.advice: dict[str, RescueAdvice] = {}
        self.told: list[Decision] | None = None  # what the messages of the outage in hand have said
        self._asked_s: dict[str, float] = {}  # questions on their way
        self._last_s: dict[str, float] = {}
        self._again: set[str] = set()
        self._valued: set[str] = set()  # backups behind which a person has valued a build anew
        self._looked_s = -math.inf

    # ---- when to ask -----------------------------------------------------------------------------------------

    def status(self, name: str, now_s: float) -> None:
        """A backup's status has changed."""
        advice = self.advice.get(name)
        if self.live(name):
            if advice is not None and not advice.question.live:
                del self.advice[name]
            due = self._farm.timers.due_s(("rescue", name))
            if due is None:
                self._farm.timers.set(("rescue", name), now_s + self._farm.plan.blip_s)
            return
        self._farm.timers.drop(("rescue", name))
        if advice is not None and advice.question.live:
            del self.advice[name]
        if not any(self.live(other) for other in self._farm.backups):
            self._farm.timers.drop(("rescue", ""))

    def moved(self, machine: str, now_s: float) -> None:
        """A machine's state or build has changed."""
        backup = self._farm.plan.machines[machine].backup
        if backup is None or not self.live(backup):
            return
        due = self._farm.timers.due_s(("rescue", backup))
        if backup in self.advice and (due is None or due > now_s + SOON_S):
            self._farm.timers.set(("rescue", backup), max(now_s + SOON_S, self._last_s.get(backup, 0.0) + LEAST_S))

    def live(self, name: str) -> bool:
        """Whether a backup is on battery."""
        return self._farm.backups[name].status in ON_BATTERY

    def look(self, name: str, now_s: float, effects: list[Effect]) -> None:
        """A timer is due: ask anew if the plan in hand does not fit any more."""
        if not self.live(name):
            return
        self._farm.timers.set(("rescue", name), now_s + EVERY_S)
        found = question(self._farm, name, now_s)
        if found is None:
            self.advice.pop(name, None)
        elif name in self._valued or not self._holds(name, found):
            self._ask(found, effects)

    def valued(self, machine: str, now_s: float) -> None:
        """A person has said what a build is worth: its backup's plan is made anew."""
        backup = self._farm.plan.machines[machine].backup
        if backup is None:
            return
        self._valued.add(backup)
        self._last_s.pop(backup, None)
        if self.live(backup):
            self._farm.timers.set(("rescue", backup), now_s + SOON_S)

    def looked(self, now_s: float) -> None:
        """Somebody looks at the page."""
        self._looked_s = now_s

    def what_if(self, now_s: float, effects: list[Effect]) -> None:
        """Once a minute: what if the mains went now, for backups on line."""
        if now_s - self._looked_s > LOOKED_S or any(self.live(name) for name in self._farm.backups):
            return
        for name in self._farm.backups:
            if now_s - self._last_s.get(name, -math.inf) < WHATIF_S:
                continue
            found = question(self._farm, name, now_s)
            if found is None:
                self.advice.pop(name, None)
            else:
                self._ask(found, effects)

    def _ask(self, found: RescueQuestion, effects: list[Effect]) -> None:
        name, now_s = found.backup, found.asked_s
        if now_s - self._asked_s.get(name, -math.inf) < LATE_S:
            self._again.add(name)
            return
        self._valued.discard(name)
        self._asked_s[name] = self._last_s[name] = now_s
        effects.append(Work(f"rescue:{name}", found))

    def _holds(self, name: str, now: RescueQuestion) -> bool:
        """Whether the plan in hand was made for what is seen now, but for the time that has passed."""
        advice = self.advice.get(name)
        if advice is None or not advice.question.live:
            return False
        then = advice.question
        minutes = (now.asked_s - then.asked_s) / 60.0
        if [m.name for m in then.machines] != [m.name for m in now.machines] or then.left_out != now.left_out:
            return False
        if then.paused != now.paused or minutes > 15:
            return False
        for old, new in zip(then.machines, now.machines, strict=True):
            ended = old.remaining_min - (0.0 if old.name in now.paused else minutes)
            if abs(ended - new.remaining_min) > max(1.0, 0.1 * new.remaining_min):
                return False
        running = sum(m.power_w for m in then.machines if m.name not in now.paused)
        drawn_w = then.battery.base_w + running
        now_w = now.battery.base_w + sum(m.power_w for m in now.machines if m.name not in now.paused)
        if abs(drawn_w - now_w) > max(15.0, 0.15 * drawn_w):
            return False
        left = then.battery.budget - minutes * then.battery.table.rate(drawn_w)
        return abs(left - now.battery.budget) <= 0.03

    # ---- answers ---------------------------------------------------------------------------------------------

    def answered(self, worked: Worked, effects: list[Effect]) -> None:
        """An answer has come; None where the question could not be answered."""
        name = worked.id.partition(":")[2]
        self._asked_s.pop(name, None)
        advice = worked.answer
        if isinstance(advice, RescueAdvice) and advice.question.live == self.live(name):
            self.advice[name] = advice
            due_s = self._farm.timers.due_s(("rescue", ""))
            steady_s = worked.at_s + STEADY_S
            if self.told is not None and self.differs() and (due_s is None or due_s > steady_s):
                self._farm.timers.set(("rescue", ""), steady_s)
        if name in self._again:
            self._again.discard(name)
            found = question(self._farm, name, worked.at_s)
            if found is not None and self.live(name):
                self._ask(found, effects)

    # ---- what is told ----------------------------------------------------------------------------------------

    def decisions(self) -> list[Decision]:
        """What is to be done at the backups on battery, the most urgent first."""
        return sorted((d for d in self._standing() if d.to_pause or d.stop), key=lambda d: (d.by_s, d.backup))

    def differs(self) -> bool:
        """Whether the decisions are others than those told."""
        return {decision.deed for decision in self.told or []} != {decision.deed for decision in self._standing()}

    def _standing(self) -> list[Decision]:
        return [a.decision for name, a in self.advice.items() if a.decision is not None and self.live(name)]

    def newsworthy(self, now_s: float) -> bool:
        """Whether a change of the decisions is to be told now; one that can wait sets its time."""
        changed = self._changed(now_s)
        if not changed:
            return False
        tell_s = min(changed) - LEAD_S
        if tell_s > now_s:
            self._farm.timers.set(("rescue", ""), tell_s)
        return tell_s <= now_s

    def _changed(self, now_s: float) -> list[float]:
        """By when the deeds that are new, or told and not wanted any more, are to be done; those in time only."""
        if self.told is None or not self.differs():
            return []
        told, now = {d.deed for d in self.told}, {d.deed for d in self._standing()}
        new = [d.by_s for d in self.decisions() if d.deed not in told]
        return [by_s for by_s in new if by_s > now_s - EVERY_S - STEADY_S] + [
            d.by_s for d in self.told if d.deed not in now and d.by_s > now_s
        ]

    def was_told(self, effects: list[Effect]) -> None:
        """A message has gone out with the decisions as they are."""
        self.told = found = self._standing()
        rows = [[d.backup, d.by_s, list(d.pause), list(d.stop), list(d.saves)] for d in found]
        effects.append(Keep("rescue", "told", {"rows": rows}))

    def over(self, effects: list[Effect]) -> None:
        """The incident is over."""
        if self.told is not None:
            self.told = None
            effects.append(Keep("rescue", "told", None))

    def restore(self, doc: dict[str, Any] | None) -> None:
        """Take up what had been told."""
        if doc is not None:
            self.told = [
                Decision(name, by_s, tuple(pause), tuple(stop), tuple(saves))
                for name, by_s, pause, stop, saves in doc["rows"]
            ]


# ---- the question ------------------------------------------------------------------------------------------------


def question(farm: "Farm", name: str, now_s: float) -> RescueQuestion | None:
    """A backup's situation now; None where no build is behind it or nothing is known of its battery."""
    behind = farm.behind(name)
    machines: list[RescueMachine] = []
    spreads, waves, left_out, paused = [], [], [], []
    base_w = sum(_load_w(farm, load) or 0.0 for load in _loads(farm, name))
    for machine in behind:
        track = farm.machines[machine]
        mean_w, low_w, high_w = _draws(farm, machine, now_s)
        if track.build is None:
            base_w += track.number("power_w") or 0.0
            continue
        found = farm.estimate(machine, now_s)
        if found is None or found.p50_s is None:
            left_out.append(machine)
            base_w += mean_w
            continue
        spread = spread_of(now_s, found.p10_s, found.p50_s, found.p90_s)
        value, hold_w = value_of(farm, machine, now_s), _hold_w(farm, machine, mean_w)
        machines.append(RescueMachine(machine, mean_w, spread.p50, value, hold_w))
        spreads.append(spread)
        waves.append((low_w, high_w))
        if track.state == "paused":
            paused.append(machine)
    if not machines:
        return None
    base_w += _unexplained_w(farm, name)
    drawn_w = base_w + sum(m.power_w for m in machines)
    battery = _battery(farm, name, base_w, drawn_w)
    if battery is None:
        return None
    live = farm.backups[name].status in ON_BATTERY
    return RescueQuestion(
        name, now_s, battery[0], tuple(machines), tuple(spreads), tuple(waves), tuple(left_out), battery[1], live,
        tuple(paused),
    )  # fmt: skip


def _loads(farm: "Farm", name: str) -> list[LoadPlan]:
    return [load for load in farm.plan.loads.values() if load.backup == name]


def _load_w(farm: "Farm", load: LoadPlan) -> float | None:
    measured_w = farm.power_w(load.name)
    return measured_w if measured_w is not None else load.constant_w


def _draws(farm: "Farm", machine: str, now_s: float) -> tuple[float, float, float]:
    """Mean, low and high draw of a machine that builds: its last ten minutes, else its learned levels."""
    track = farm.machines[machine]
    watts = track.sense.levels.watts()
    low_w, high_w = watts["hold low"], watts["hold high"]
    mean_w = 0.7 * low_w + 0.3 * high_w  # share of time at the high draw: common practice, no source
    present_w = track.number("power_w")
    if present_w is None:
        return mean_w, low_w, high_w
    if track.state == "heating":
        return present_w, present_w, present_w
    meter = farm.meters[machine]
    from_s = max(now_s - MEAN_S, track.build.started_s if track.build is not None else 0.0)
    before, after = meter.wh_at(from_s), meter.wh_at(now_s)
    if before is not None and after is not None and now_s - from_s >= MEAN_S / 2 and after > before:
        mean_w = (after - before) / (now_s - from_s) * 3600.0
    else:
        mean_w = present_w if not low_w <= present_w <= high_w else mean_w
    return mean_w, min(low_w, mean_w), max(high_w, mean_w)


def _hold_w(farm: "Farm", machine: str, mean_w: float) -> float:
    levels = farm.machines[machine].sense.levels
    if levels.pauses >= 1:
        return max(mean_w - levels.pause_w, 0.0)
    return min(HOLD_W, mean_w)


def value_of(farm: "Farm", machine: str, now_s: float) -> float:
    """What a person says that the build is worth; else the minutes and material already in it, never nothing."""
    track = farm.machines[machine]
    build = track.build
    if build is not None and build.value is not None:
        return build.value
    minutes = (now_s - build.started_s) / 60.0 if build is not None else 0.0
    grams = track.number("filament_g")
    if grams is None and (length_mm := track.number("filament_mm")) is not None:
        grams = length_mm * GRAMS_A_MM
    return max(minutes + MINUTES_A_GRAM * (grams or 0.0), 1.0)


def _unexplained_w(farm: "Farm", name: str) -> float:
    """What the backup's own meter shows beyond everything that is known behind it; 0 where that can't be told."""
    own_w = farm.backups[name].load_w()
    known = [farm.power_w(machine) for machine in farm.behind(name)]
    known += [_load_w(farm, load) for load in _loads(farm, name)]
    if own_w is None or any(watts is None for watts in known):
        return 0.0
    return max(own_w - sum(watts for watts in known if watts is not None), 0.0)


def _battery(farm: "Farm", name: str, base_w: float, drawn_w: float) -> tuple[RescueBackup, str] | None:
    """The battery by its table, charge and health; else by the unit's own promise at its present load."""
    backup = farm.backups[name]
    plan, charge = backup.plan, backup.number("charge")
    limit_w = plan.rating_w if plan.rating_w is not None else plan.rating_va if plan.rating_va is not None else math.inf
    entry = farm.tables[name]
    if entry is not None and charge is not None:
        table, basis = entry
        health = farm.care[name].belief
        battery_c = backup.number("battery_c")
        if battery_c is not None:
            table = table.at_capacity(capacity_share(battery_c))
        words = "maker's table" if basis == "table" else "battery's Wh, rough"
        if health.discharges:
            words += f", health {health.factor * 100:.0f} % after {count(health.discharges, 'discharge')}"
        found = RescueBackup(table, charge, health.factor, limit_w, base_w)
    else:
        said_s, load_w = backup.reported_runtime_s(), farm.load_of_backup_w(name) or drawn_w
        if said_s is None or load_w <= 0:
            return None
        table = table_through(load_w, said_s / 60.0)
        words = "the unit's own runtime, no range known"
        found = RescueBackup(table, 1.0, 1.0, limit_w, base_w)
    if _loads(farm, name):
        found = replace(found, charge=max(found.charge - RESERVE, 0.0))
        words += "; 5 % kept for the rest behind it"
    return found, words
