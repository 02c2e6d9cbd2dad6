"""PURE: events in, effects out. Holds the order in which the rooms think; names as little as it can."""

import math
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from farmwatch.alarms.daily import Tally
from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.notices import Notices
from farmwatch.alarms.phrases import Phrases
from farmwatch.alarms.signs import Signs
from farmwatch.alarms.watcher import goes_dark
from farmwatch.farm import Farm, SourceTrack
from farmwatch.machines.builds import Build
from farmwatch.machines.eta import Estimator
from farmwatch.machines.signature import PowerSense
from farmwatch.machines.tracker import MachineTrack
from farmwatch.machines.trail import Told
from farmwatch.overview import view_of
from farmwatch.power.diary import Row, at_stake, row_of, settle
from farmwatch.power.load import Draw
from farmwatch.power.outage import AGAIN_S
from farmwatch.power.outage_record import SUPPLY, Outage
from farmwatch.power.outage_seen import GRACE_S
from farmwatch.power.outage_sight import SETTLE_S
from farmwatch.power.slices import Minute, Slice
from farmwatch.shop.several import several
from farmwatch.words.errors import Refused
from farmwatch.words.model import (
    COMMANDS,
    ROUND_COMMANDS,
    SEVERAL,
    SHOP_COMMANDS,
    WORK_COMMANDS,
    Awoke,
    ChannelHealth,
    ClockHealth,
    Denied,
    Effect,
    Event,
    Keep,
    LinkChanged,
    Note,
    Observed,
    Said,
    SitePlan,
    SourceDegraded,
    SourceFailed,
    StoreHealth,
    Worked,
)
from farmwatch.words.view import View

MINUTE_S = 60.0
HOUR_S = 3600.0
DENIED, DENIED_S, MOST_DENIED = 3, 600.0, 20
CIRCUITS_S = 10.0
ALARM_COMMANDS = frozenset({"acknowledged", "shelved", "unshelved", "reset"})
LOOK = ("cause", "look")
GRACE_AWAKE_S = 30.0
KEEP_BUILDS_S = 60 * 86_400.0
"""How long a finished build stays among the facts; the journal's history keeps it longer."""


class Brain:
    """The whole of the thinking. `receive` and `advance` are the only ways in; `view` looks without changing."""

    def __init__(self, plan: SitePlan) -> None:
        self.farm = Farm(plan)
        self.farm.book.explains = self._explains
        self._timers = self.farm.timers
        self._tally = Tally(plan.timezone, plan.closed)
        self._notices = Notices(self._timers, plan, Phrases(self.farm, self._tally), self.farm.book.recipients)
        self._signs = Signs(self.farm)
        self._began_s: float | None = None
        self._denials: list[float] = []
        self._told_w: dict[str, float] = {}
        self._kept_builds: dict[str, float] = {}
        self._slices = self.farm.slices
        self._large = len(self._slices) > 1
        self._this_minute = Minute()
        self._unkept: dict[str, None] = {}  # meters of a large site whose energy is booked and not yet kept
        self._grace_s: dict[str, float] = {}  # source: until when its silence is our own
        self._told_backup: dict[str, dict[str, Any]] = {}
        self._handlers: dict[type, Callable[[Any, float, list[Effect]], None]] = {
            Observed: self._observed,
            Said: self._said,
            LinkChanged: self._link,
            SourceFailed: self._failed,
            SourceDegraded: self._degraded,
            StoreHealth: self._store,
            ChannelHealth: self._channel,
            ClockHealth: lambda event, now_s, effects: self._signs.clock(event.why, now_s, effects),
            Denied: self._denied,
            Awoke: self._awoke,
            Worked: self._worked,
        }
        for name, machine in self.farm.machines.items():
            machine.mains_lost = partial(self.farm.covered_since, name)

    # ---- the two ways in ----------------------------------------------------------------------------------------

    def receive(self, event: Event, now_s: float) -> list[Effect]:
        """Effects of one event at its time."""
        effects: list[Effect] = []
        if self._began_s is None:
            self._begin(now_s)
        self._handlers[type(event)](event, now_s, effects)
        self._finish(now_s, effects)
        self._tally.take(effects)
        return effects

    def advance(self, now_s: float) -> list[Effect]:
        """Effects of the timers that are due."""
        effects: list[Effect] = []
        while (due := self._timers.pop(now_s)) is not None:
            key, due_s = due
            self._timer(key, due_s if due_s > 0 else now_s, effects)
            self._finish(now_s, effects)
        self._tally.take(effects)
        return effects

    def next_due_s(self) -> float:
        """When `advance` has work next."""
        return self._timers.next_due_s()

    def view(self, now_s: float) -> View:
        """Everything as the page shows it."""
        return view_of(self.farm, now_s)

    def looked(self, now_s: float) -> None:
        """Somebody looks at the view: what is only worked out for the eye is worked out from now on."""
        self.farm.rescue.looked(now_s)
        self.farm.rounds.looked(now_s)

    def _begin(self, now_s: float) -> None:
        self._began_s = now_s
        self._timers.set("minute", (math.floor(now_s / MINUTE_S) + 1) * MINUTE_S)
        self._timers.set("hour", (math.floor(now_s / HOUR_S) + 1) * HOUR_S)
        self._notices.mail.begin(now_s)
        for source in self.farm.sources.values():
            if source.plan.interval_s > 0:
                self._timers.set(("stale", source.plan.id), now_s + source.plan.stale_s)

    def _finish(self, now_s: float, effects: list[Effect]) -> None:
        book = self.farm.book
        if book.changed:
            self._notices.take(book.changed, book.alarms, now_s, effects)
            if "mains" not in self._notices.open:
                self.farm.rescue.over(effects)

    def _keep_learned(self, effects: list[Effect]) -> None:
        for key, row in self.farm.estimator.take_changed().items():
            effects.append(Keep("learned", key, None if row is None else {"row": row}))

    # ---- readings --------------------------------------------------------------------------------------------------

    def _observed(self, seen: Observed, now_s: float, effects: list[Effect]) -> None:
        farm = self.farm
        source = farm.sources.get(seen.source)
        if source is not None:
            self._source_heard(source, seen, now_s, effects)
        machine, values = farm.machines.get(seen.subject), seen.values
        if machine is not None:
            if not seen.retained:
                farm.count_energy(seen.subject, values, now_s)
            state, build = machine.state, machine.build
            effects += machine.observe(seen)
            if machine.state != state or machine.build is not build:
                self._machine_moved(machine, build, now_s, effects)
            if "power_w" in values and not seen.retained:
                farm.power.models[seen.subject].observe(now_s, machine.number("power_w"), machine.state)
            if "availability" in values and not seen.retained and source is not None:
                self._availability(source, values["availability"] == "gone", now_s, effects)
            return
        if seen.retained:
            return
        farm.count_energy(seen.subject, values, now_s)
        backup = farm.backups.get(seen.subject)
        if backup is not None:
            changed = backup.observe(seen.values, now_s)
            if "status" in seen.values:
                self._backup_heard(seen.subject, now_s, effects)
            self._backup_looked(seen.subject, now_s, effects, changed=changed)
        elif seen.subject in farm.others:
            farm.others[seen.subject].update(seen.values)

    def _source_heard(self, source: SourceTrack, seen: Observed, now_s: float, effects: list[Effect]) -> None:
        if seen.retained:
            if source.state == "never":
                source.state = "last_known"
            return
        source.last_s = now_s
        if source.state != "fresh":
            self._fresh(source, now_s, effects)
        voltage_v = seen.values.get("voltage_v")
        if not isinstance(voltage_v, float) or seen.subject in self.farm.backups:
            return
        if self.farm.outage.volts(seen.subject, voltage_v, now_s):
            self._look_by(now_s + AGAIN_S)

    def _machine_moved(self, machine: MachineTrack, build: Build | None, now_s: float, effects: list[Effect]) -> None:
        """A machine's state or build has changed: alarms, energy, what the others must know."""
        name, state = machine.name, machine.state
        book = self.farm.book
        if build is not None and machine.build is not build:
            self._cut_energy(name, now_s, effects, build)
            self._keep_cost(build, effects)
            self._estimate(machine, now_s, effects)
            self._kept_builds[build.id] = now_s
            effects.append(Keep("sense", name, machine.sense.as_dict()))
            self._keep_learned(effects)
        if machine.build is not None and build is not machine.build:
            self._estimate(machine, now_s, effects)
        book.condition("bed_waiting", name, now_s, effects, true=state == "waiting")
        if state != "unknown":  # silence is no word that the fault is gone
            book.condition("machine_fault", name, now_s, effects, true=state == "fault")
        self._signs.moved(machine, build, now_s, effects)
        self.farm.shop.moved(machine, build, now_s, effects)
        self.farm.rescue.moved(name, now_s)
        self.farm.rounds.moved(machine, now_s, effects)
        self.farm.work.moved(machine, build, now_s, effects)

    def _move(
        self, machine: MachineTrack, act: Callable[[], list[Effect]], now_s: float, effects: list[Effect]
    ) -> None:
        state, build = machine.state, machine.build
        effects += act()
        if machine.state != state or machine.build is not build:
            self._machine_moved(machine, build, now_s, effects)

    # ---- sources ---------------------------------------------------------------------------------------------------

    def _fresh(self, source: SourceTrack, now_s: float, effects: list[Effect]) -> None:
        source.state, source.error, source.silent_since_s = "fresh", "", None
        self.farm.outage.heard(source.plan.id)
        if self.farm.outage.others or self.farm.outage.open is not None:
            self._look_by(now_s + AGAIN_S)
        if source.plan.interval_s > 0:
            self._timers.set(("stale", source.plan.id), now_s + source.plan.stale_s)
        self._silence(source.plan.subject, now_s, effects)

    def _stale(self, name: str, now_s: float, effects: list[Effect]) -> None:
        source = self.farm.sources[name]
        heard_s = source.last_s
        if heard_s is not None and source.state == "fresh":
            due_s = max(heard_s + source.plan.stale_s, self._grace_s.pop(name, 0.0))
            if due_s > now_s:
                self._timers.set(("stale", name), due_s)
                return
        self._lost(source, "silent", now_s, effects)

    def _lost(self, source: SourceTrack, state: str, now_s: float, effects: list[Effect]) -> None:
        if source.silent_since_s is None:
            source.silent_since_s = source.last_s if source.last_s is not None else now_s
        source.state = state if source.last_s is not None or state != "silent" else "never"
        self._forget(source, now_s, effects)
        self._silence(source.plan.subject, now_s, effects)
        self._look_by(now_s + AGAIN_S)

    def _forget(self, source: SourceTrack, now_s: float, effects: list[Effect]) -> None:
        """What only this source could tell is unknown from now on."""
        farm, subject = self.farm, source.plan.subject
        still = {
            quantity
            for other in farm.by_subject[subject]
            if other.id != source.plan.id and farm.sources[other.id].state == "fresh"
            for quantity in other.quantities
        }
        gone = source.plan.quantities - still
        machine = farm.machines.get(subject)
        if "power_w" in gone and subject in farm.meters:
            farm.meters[subject].lost()
        if machine is not None:
            self._move(machine, lambda: machine.forget(gone, now_s), now_s, effects)
        elif subject in farm.backups:
            if farm.backups[subject].forget(now_s):
                self._backup_heard(subject, now_s, effects)
                self._backup_looked(subject, now_s, effects, changed=True)
        elif subject in farm.others:
            farm.others[subject].update(dict.fromkeys(gone))

    def _silence(self, subject: str, now_s: float, effects: list[Effect]) -> None:
        """Raise or clear the alarm about a subject whose sources say nothing."""
        farm = self.farm
        quiet = [
            track
            for plan in farm.by_subject[subject]
            if (track := farm.sources[plan.id]).state in ("silent", "failed")
            or (track.state in ("never", "last_known") and track.silent_since_s is not None)
        ]
        machine = farm.machines.get(subject)
        out = machine is not None and machine.state == "out_of_service"
        rule = "backup_unseen" if subject in farm.backups else "source_silent"
        farm.book.condition(
            rule,
            subject,
            now_s,
            effects,
            true=bool(quiet) and not out and not farm.outage.recovering(subject, now_s),
            vias=sorted({track.plan.via for track in quiet}),
            all_of_it=len(quiet) == len(farm.by_subject[subject]),
            silent_since_s=min((t.silent_since_s for t in quiet if t.silent_since_s is not None), default=None),
            error=next((track.error for track in quiet if track.error), ""),
        )

    def _availability(self, source: SourceTrack, gone: bool, now_s: float, effects: list[Effect]) -> None:
        """A device's own word, or its last will, that it is up or gone."""
        if not gone:
            return
        own = source.plan.quantities
        affected = [source]
        if own <= {"availability"}:
            affected += [
                self.farm.sources[other.id]
                for other in self.farm.by_subject[source.plan.subject]
                if other.id != source.plan.id and other.via == source.plan.via and "state" in other.quantities
            ]
        for track in affected:
            track.error = "says that it is gone"
            self._lost(track, "failed", now_s, effects)

    def _failed(self, event: SourceFailed, now_s: float, effects: list[Effect]) -> None:
        source = self.farm.sources.get(event.source)
        if source is None:
            return
        source.error = event.error
        self.farm.outage.failing(event.source, now_s)
        if source.plan.via in ("ups", "snmp") and source.state != "failed":
            self._lost(source, "failed", now_s, effects)

    def _degraded(self, event: SourceDegraded, now_s: float, effects: list[Effect]) -> None:
        source = self.farm.sources.get(event.source)
        if source is None:
            return
        source.degraded = event.degraded
        self.farm.book.condition("source_degraded", source.plan.id, now_s, effects, true=event.degraded, why=event.why)

    def _link(self, event: LinkChanged, now_s: float, effects: list[Effect]) -> None:
        self.farm.links[event.via, event.address] = (event.connected, now_s)
        self.farm.outage.link(event.via, connected=event.connected, now_s=now_s)
        self._look_by(now_s + SETTLE_S if not event.connected else now_s + AGAIN_S)
        if event.via == "mqtt":
            self.farm.book.condition(
                "broker_lost",
                "broker",
                now_s,
                effects,
                true=not event.connected,
                sources=len(event.sources),
                lost_at_s=now_s,
            )
        elif not event.connected:
            for name in event.sources:
                self._failed(SourceFailed(now_s, name, "its server cannot be reached"), now_s, effects)

    def _store(self, event: StoreHealth, now_s: float, effects: list[Effect]) -> None:
        self.farm.stores[event.store] = (event.ok, event.why)
        self.farm.book.condition("store_degraded", event.store, now_s, effects, true=not event.ok, why=event.why)
        if event.ok:  # it works, and still has something to say: what it found wrong
            true = bool(event.why)
            self.farm.book.condition("store_damaged", event.store, now_s, effects, true=true, why=event.why)

    def _channel(self, event: ChannelHealth, now_s: float, effects: list[Effect]) -> None:
        self.farm.book.condition("channel_failing", event.channel, now_s, effects, true=not event.ok, why=event.why)
        if event.tested:
            effects.append(Keep("channel", event.channel, {"tested_s": now_s, "ok": event.ok, "why": event.why}))

    def _denied(self, event: Denied, now_s: float, effects: list[Effect]) -> None:
        """Once may be a slip of the hand; several are worth a line."""
        self._denials = [at_s for at_s in self._denials if now_s - at_s < DENIED_S] + [now_s]
        if not event.noted and len(self._denials) <= MOST_DENIED:  # a flood is not written down one by one
            effects.append(Note(now_s, "act", {"step": "denied", "why": event.why}))
        if len(self._denials) >= DENIED:
            self.farm.book.condition("act_denied", "site", now_s, effects, true=True, why=event.why)
            self._timers.set("denied", now_s + DENIED_S)

    def _explains(self, parent: Alarm, child: Alarm) -> bool:
        """Whether a parent's alarm is the reason for a child's."""
        if parent.rule == "broker_lost":
            return child.facts.get("vias") == ["mqtt"] or self.farm.outage.network_lost()
        if child.rule == "broker_lost":
            return self.farm.outage.covers_broker(child.facts.get("lost_at_s", child.since_s))
        if parent.rule == "mains_lost":
            return self.farm.covered(child.subject)
        if parent.rule == "circuit_overload":
            return self.farm.plan.circuit_of(child.subject) == parent.subject
        return parent.subject == child.subject

    # ---- backups and outages ---------------------------------------------------------------------------------------

    def _backup_looked(self, name: str, now_s: float, effects: list[Effect], *, changed: bool) -> None:
        farm = self.farm
        backup, book = farm.backups[name], farm.book
        if changed:
            self._tell_backup(name, now_s, effects)
            effects.append(Keep("backup", name, {"status": backup.status, "since_s": backup.since_s}))
            farm.rescue.status(name, now_s)
            # An outage that is in hand does not end because its backup can no longer be seen.
            if backup.status != "unknown":
                self._supply(name, now_s, effects)
        elif backup.status in ("on_battery", "low"):
            self._supply(name, now_s, effects)  # a mate was back, and yet this one stays on battery
        if name == farm.plan.collector_backup and (dark := goes_dark(farm)) is not None:
            book.condition("going_dark", "collector", now_s, effects, true=dark)
        if backup.status != "unknown":
            book.condition("overload", name, now_s, effects, true=farm.overloaded(name))
        care = farm.care[name]
        if care.observe(
            now_s,
            status=backup.status,
            symbols=backup.symbols,
            charge=backup.number("charge"),
            load_w=farm.load_of_backup_w(name),
            promised_s=backup.reported_runtime_s(),
            battery_c=backup.number("battery_c"),
            discharging=backup.discharging(),
            doubted=backup.doubted is not None,
            self_test=backup.word("self_test"),
            self_test_age_s=backup.number("self_test_age_s"),
            battery_date=backup.word("battery_date"),
        ):
            effects.append(Keep("health", name, care.as_dict()))
            self._care(name, now_s, effects)

    def _care(self, name: str, now_s: float, effects: list[Effect]) -> None:
        """What a backup's battery needs."""
        care, book = self.farm.care[name], self.farm.book
        apart, why, found = care.disagrees(), care.worn(now_s), care.replace_by()
        promised, shown = apart if apart is not None else (None, None)
        book.condition(
            "runtime_promise", name, now_s, effects, true=apart is not None, promised_min=promised, shown_min=shown
        )
        replace_s = found[0].expected_s if found is not None else None
        book.condition("battery_worn", name, now_s, effects, true=why is not None, why=why, replace_s=replace_s)
        days = care.untested_days(now_s)
        book.condition("self_test_overdue", name, now_s, effects, true=days is not None, days=days)
        battery_c = self.farm.backups[name].number("battery_c")
        book.condition("battery_warm", name, now_s, effects, true=care.warm, battery_c=battery_c)

    def _worked(self, event: Worked, now_s: float, effects: list[Effect]) -> None:
        self.farm.rescue.answered(event, effects)
        self.farm.rounds.answered(event)
        self.farm.work.answered(event, now_s, effects)

    def _rescue(self, name: str, now_s: float, effects: list[Effect]) -> None:
        """A backup on battery is looked at again; without a name: what was told is compared with what holds now."""
        desk = self.farm.rescue
        if name:
            desk.look(name, now_s, effects)
        elif desk.newsworthy(now_s) and self._notices.again("mains", self.farm.book.alarms, now_s, effects):
            desk.was_told(effects)

    def _notice(self, name: str, now_s: float, effects: list[Effect]) -> None:
        self._notices.timer(name, self.farm.book.alarms, now_s, effects)
        if name == "mains":
            incident = self._notices.open.get(name)
            if incident is not None and incident.steps:
                self.farm.rescue.was_told(effects)

    def _supply(self, name: str, now_s: float, effects: list[Effect]) -> None:
        status, book = self.farm.backups[name].status, self.farm.book
        book.condition("mains_lost", name, now_s, effects, true=status in ("on_battery", "low"))
        book.condition("battery_low", name, now_s, effects, true=status == "low")

    def _backup_heard(self, name: str, now_s: float, effects: list[Effect]) -> None:
        """A backup's status was read, or is unknown from now on: what follows for the cause."""
        watch = self.farm.outage
        status = self.farm.backups[name].status
        if watch.backup(name, status, now_s):
            if watch.open is None or watch.all_back():
                self._look(now_s, effects)
            else:
                self._look_by(now_s + AGAIN_S)
        if status == "on_line" and watch.open is not None and not self._told(watch.open):
            # The first backup on line again speaks for all on its supply; one that is not raises its alarm anew.
            self._untold([name, *watch.back_with(name)], now_s, effects)

    def _untold(self, backups: list[str], now_s: float, effects: list[Effect]) -> None:
        """What is over before it was told need not be told."""
        for key in [f"{rule}:{name}" for rule in ("mains_lost", "battery_low") for name in backups]:
            rule, _, name = key.partition(":")
            self.farm.book.condition(rule, name, now_s, effects, true=False)
            if self._timers.due_s(("clear", key)) is not None:
                self._timers.drop(("clear", key))
                self.farm.book.timer("clear", key, now_s, effects)

    def _told(self, outage: Outage) -> bool:
        """Whether a message about the loss of supply in hand has been written."""
        incident = self._notices.open.get("mains")
        outage.told = outage.told or (incident is not None and incident.steps > 0)
        return outage.told

    def _look_by(self, due_s: float) -> None:
        """Look for causes at this time, if not sooner."""
        due = self._timers.due_s(LOOK)
        if due is None or due > due_s:
            self._timers.set(LOOK, due_s)

    def _look(self, now_s: float, effects: list[Effect]) -> None:
        """Ask for causes, and write down those that have changed."""
        watch = self.farm.outage
        self._timers.drop(LOOK)
        if watch.open is not None:
            self._told(watch.open)
        watch.aside = {name for name, machine in self.farm.machines.items() if machine.state == "out_of_service"}
        for outage in watch.look(now_s):
            self._outage(outage, now_s, effects)
        again_s = watch.next_look_s(now_s)
        if again_s is not None:
            self._look_by(again_s)

    def _outage(self, outage: Outage, now_s: float, effects: list[Effect]) -> None:
        """Write down an incident; one of supply that is over is looked at again when its machines have been heard."""
        farm = self.farm
        at_stake(outage, farm.machines)
        if outage.ended_s is not None:
            settle(outage, farm.machines)
            self._diary(outage, effects)
            if outage.cause in SUPPLY:
                self._timers.set(("cause", "last"), outage.ended_s + GRACE_S)
                effects.append(Keep("outage_over", "supply", outage.as_dict()))
                if not outage.told:
                    self._untold(outage.backups, now_s, effects)
                for name in outage.backups:
                    if farm.backups[name].status == "unknown":  # given up: from now on its silence is its own
                        farm.book.condition("mains_lost", name, now_s, effects, true=False)
                        farm.book.condition("battery_low", name, now_s, effects, true=False)
        effects.append(Note(now_s, "outage", outage.note()))
        effects.append(Keep("outage", outage.id, None if outage.ended_s is not None else outage.as_dict()))

    def _diary(self, outage: Outage, effects: list[Effect]) -> None:
        row = row_of(outage)
        if row is None:
            return
        effects += [Keep("diary", old, None) for old in self.farm.diary.add(row)]
        effects.append(Keep("diary", row.id, row.as_dict()))
        self.farm.outage.own = self.farm.diary.counts()

    def _settle_last(self, now_s: float, effects: list[Effect]) -> None:
        """What became of the builds, now that the machines had time to be heard again."""
        outage = self.farm.outage.last
        if outage is not None:
            for subject in self.farm.by_subject:
                if self.farm.outage.covers(subject, outage):
                    self._silence(subject, now_s, effects)
            before = outage.note()
            settle(outage, self.farm.machines)
            if outage.note() != before:
                self._diary(outage, effects)
                effects.append(Note(now_s, "outage", outage.note()))
                effects.append(Keep("outage_over", "supply", outage.as_dict()))

    def _tell_backup(self, name: str, now_s: float, effects: list[Effect]) -> None:
        runtime = self.farm.runtime(name)
        load_w = self.farm.load_of_backup_w(name)
        doc = {
            "backup": name,
            "status": self.farm.backups[name].status,
            "load_w": None if load_w is None else round(load_w, 1),
            "runtime_s": None
            if runtime is None
            else {"p10": whole(runtime.p10_s), "p50": whole(runtime.p50_s), "p90": whole(runtime.p90_s)},
        }
        if doc != self._told_backup.get(name):
            self._told_backup[name] = doc
            effects.append(Note(now_s, "backup", doc))

    # ---- people ------------------------------------------------------------------------------------------------------

    def _said(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        if said.command == SEVERAL:
            effects += several(self.farm, said, now_s)
            return
        if said.command not in COMMANDS:
            raise Refused(f"unknown command {said.command!r}", hint=f"one of {', '.join(COMMANDS)}")
        if self.farm.rounds.known(said):
            return
        if said.command in ALARM_COMMANDS:
            self._said_of_alarm(said, now_s, effects)
        elif said.command in SHOP_COMMANDS:
            self.farm.shop.said(said, now_s, effects)
            if said.command == "pieces" and (build := self.farm.machines[str(said.machine)].last_build) is not None:
                self.farm.work.built(build, now_s, effects)
        elif said.command in ROUND_COMMANDS:
            self.farm.rounds.said(said, now_s, effects)
        elif said.command in WORK_COMMANDS:
            self.farm.work.said(said, now_s, effects)
        else:
            self._said_of_machine(said, now_s, effects)
        self.farm.rounds.heard(said, now_s, effects)
        effects.append(
            Note(
                now_s,
                "said",
                {"command": said.command, "machine": said.machine, "by": said.by, "fields": dict(said.fields)},
            )
        )

    def _said_of_machine(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        machine = self.farm.machines.get(said.machine or "")
        if machine is None:
            known = ", ".join(self.farm.machines)
            raise Refused(f"no machine {said.machine!r}", hint=f"machines: {known}")
        self._move(machine, lambda: machine.command(said), now_s, effects)
        if said.command == "valued":
            self.farm.rescue.valued(machine.name, now_s)
        if machine.last_build is not None:
            self.farm.built(machine.last_build)  # a person may have said how it ended
            if said.command in ("failed", "cancelled"):
                self.farm.shop.built(machine.last_build, now_s, effects)
                self.farm.work.built(machine.last_build, now_s, effects)
        if said.command in ("out_of_service", "in_service"):
            self.farm.book.service(machine.name, now_s, effects, out=machine.state == "out_of_service")
            if said.machine in self.farm.by_subject:
                self._silence(machine.name, now_s, effects)

    def _said_of_alarm(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        book = self.farm.book
        key = said.fields.get("alarm")
        if key:
            ids = [str(key)]
        else:
            ids = [alarm.id for alarm in book.standing() if alarm.subject == said.machine]
            if not ids:
                raise Refused(f"no alarm about {said.machine!r} stands")
        for alarm_id in ids:
            if said.command == "acknowledged":
                book.acknowledge(alarm_id, now_s, effects)
            elif said.command == "shelved":
                fields = said.fields
                once, reason = fields.get("once") is True, fields.get("reason")
                book.shelve(alarm_id, fields.get("minutes", 60), now_s, effects, once=once, reason=reason, by=said.by)
            elif said.command == "reset":
                book.reset(alarm_id, now_s, effects)
            else:
                book.unshelve(alarm_id, now_s, effects)

    # ---- time --------------------------------------------------------------------------------------------------------

    def _timer(self, key: Any, now_s: float, effects: list[Effect]) -> None:  # noqa: ANN401
        at_large = {"minute": self._minute, "hour": self._hour}.get(key)
        if at_large is not None:
            at_large(now_s, effects)
            return
        if key == "denied":
            self.farm.book.condition("act_denied", "site", now_s, effects, true=False)
            return
        what, name = key
        of_slice = {"slice": self._slice_minute, "slice hour": self._slice_hour, "circuits": self._circuits}.get(what)
        if of_slice is not None:
            of_slice(self._slices[name], now_s, effects)
        elif what == "stale":
            self._stale(name, now_s, effects)
        elif what == "judge":
            machine = self.farm.machines[name]
            self._move(machine, lambda: machine.consider(now_s), now_s, effects)
        elif what == "release":
            machine = self.farm.machines[name]
            self._move(machine, lambda: machine.release_due(now_s), now_s, effects)
        elif what == "cause":
            (self._look if name == "look" else self._settle_last)(now_s, effects)
        elif what == "notice":
            self._notice(name, now_s, effects)
        elif what == "people":
            self._notices.mail.timer(name[0], name[1], now_s, effects)
        elif what == "rescue":
            self._rescue(name, now_s, effects)
        else:
            self.farm.book.timer(what, name, now_s, effects)

    def _minute(self, now_s: float, effects: list[Effect]) -> None:
        """The mark of a minute: the first slice and what is no machine; the other slices follow within the minute."""
        self._timers.set("minute", now_s + MINUTE_S)
        self._this_minute = Minute(now_s)
        first, count = self._slices[0], len(self._slices)
        for number in range(1, count):
            self._timers.set(("slice", number), now_s + number * MINUTE_S / count)
        self._loads(first, now_s, effects)
        self._look_at(first, now_s, effects)
        self._signs.minute(now_s, effects)
        self.farm.shop.machines(first.machines, now_s, effects)
        self.farm.shop.spools(now_s, effects)
        for name in self.farm.backups:
            self._tell_backup(name, now_s, effects)
        self.farm.rescue.what_if(now_s, effects)
        self.farm.rounds.minute(now_s, effects)
        self.farm.work.minute(now_s, effects)

    def _slice_minute(self, part: Slice, now_s: float, effects: list[Effect]) -> None:
        """A further slice's moment of the minute."""
        self._loads(part, now_s, effects)
        self._look_at(part, now_s, effects)
        self.farm.shop.machines(part.machines, now_s, effects)

    def _loads(self, part: Slice, now_s: float, effects: list[Effect]) -> None:
        """What the places of a slice draw: their demand, what is told of it, circuits against their limits."""
        minute = self._this_minute
        means = self.farm.mean_draws(part.places, minute)
        draws = self.farm.draws(part.places, minute)
        for place, draw in draws.items():
            self.farm.power.minute(place, means[place], minute.mark_s)
            watts = draw.watts
            if watts is None:
                if self._told_w.pop(place, None) is not None:  # the last value must not be taken for the present one
                    effects.append(Note(now_s, "load", {"place": place, "watts": None}))
                continue
            if abs(watts - self._told_w.get(place, -1.0)) >= 0.05:
                self._told_w[place] = watts
                doc: dict[str, Any] = {"place": place, "watts": round(watts, 1)}
                if draw.missing:
                    doc["missing"] = list(draw.missing)
                effects.append(Note(now_s, "load", doc))
        self._strains(part, draws, now_s, effects)
        minute.drop(part.passing)

    def _look_at(self, part: Slice, now_s: float, effects: list[Effect]) -> None:
        """What is looked at once a minute of each machine, for those of a slice."""
        for name in part.machines:
            machine = self.farm.machines[name]
            if machine.build is not None:
                self._estimate(machine, now_s, effects)
        self._signs.machines(part.machines, now_s, effects)

    def _circuits(self, part: Slice, now_s: float, effects: list[Effect]) -> None:
        self._strains(part, self.farm.tree.draws(part.circuits, self.farm.reading), now_s, effects)

    def _strains(self, part: Slice, draws: Mapping[str, Draw], now_s: float, effects: list[Effect]) -> None:
        """Circuits of a slice against their limits; while one is above its breaker's rating, every ten seconds."""
        hot = False
        for name in part.circuits:
            found = self.farm.power.strain(name, draws[name])
            hot = hot or (found.amps is not None and found.amps > self.farm.plan.circuits[name].rating_a)
            for rule, true in (("circuit_overload", found.over), ("load_near_limit", found.near)):
                if true is not None:
                    self.farm.book.condition(rule, name, now_s, effects, true=true, amps=found.amps)
        if hot:
            self._timers.set(("circuits", part.number), now_s + CIRCUITS_S)
        else:
            self._timers.drop(("circuits", part.number))

    def _keep_cost(self, build: Build, effects: list[Effect]) -> None:
        if not self._large:
            effects.extend(Keep("account", key, doc) for key, doc in self.farm.power.ledger.take_changed().items())
        self.farm.built(build)
        cost = self.farm.power.build_cost.get(build.id)
        if cost is not None:
            effects.append(Keep("build_cost", build.id, {"cost": round(cost, 6), "wh": build.energy_wh}))

    def _hour(self, now_s: float, effects: list[Effect]) -> None:
        """The mark of an hour, as that of a minute."""
        self._timers.set("hour", now_s + HOUR_S)
        first, count = self._slices[0], len(self._slices)
        for number in range(1, count):  # half a step beside the minute's
            self._timers.set(("slice hour", number), now_s + (number + 0.5) * MINUTE_S / count)
        self._energy(first, now_s, effects)
        for name in self.farm.meters:
            if name not in self.farm.machines:
                self._cut_energy(name, now_s, effects, None)
        self._keep_learned(effects)
        self.farm.shop.hour(now_s, effects, first.machines if self._large else None)
        for name, care in self.farm.care.items():
            care.age(now_s)
            self._care(name, now_s, effects)
        for key in [key for key, at_s in self._kept_builds.items() if at_s < now_s - KEEP_BUILDS_S]:
            del self._kept_builds[key]
            effects.append(Keep("build", key, None))
            self.farm.power.parts.drop(key)
            if self.farm.power.build_cost.pop(key, None) is not None:
                effects.append(Keep("build_cost", key, None))
        self._keep_power(first, effects)

    def _slice_hour(self, part: Slice, now_s: float, effects: list[Effect]) -> None:
        """A further slice's moment of the hour."""
        self._energy(part, now_s, effects)
        self.farm.shop.wear(part.machines, now_s, effects)
        self._keep_power(part, effects)

    def _energy(self, part: Slice, now_s: float, effects: list[Effect]) -> None:
        for name in part.machines:
            self._cut_energy(name, now_s, effects, self.farm.machines[name].build)
            if self.farm.by_subject.get(name):
                effects.append(Keep("sense", name, self.farm.machines[name].sense.as_dict()))

    def _keep_power(self, part: Slice, effects: list[Effect]) -> None:
        """What the power desk has learnt; accounts and the meters booked into them are kept together, or not at all."""
        effects.extend(Keep(*fact) for fact in self.farm.power.facts(part.machines, part.places))
        if part.last:
            effects.extend(Keep("energy", name, self.farm.meters[name].as_dict()) for name in self._unkept)
            self._unkept.clear()
            effects.extend(Keep(*fact) for fact in self.farm.power.accounts())

    def _cut_energy(self, name: str, now_s: float, effects: list[Effect], build: Build | None) -> None:
        meter = self.farm.meters[name]
        part = meter.cut(now_s)
        if part is None:
            return
        wh, started_s, ended_s = part
        doc = {"machine": name, "wh": round(wh, 3), "started": started_s, "ended": ended_s}
        begin_wh = meter.wh_at(build.started_s) if build is not None and build.started_s > started_s else None
        of_build = 1.0 if begin_wh is None or wh <= 0 else min(max((meter.total_wh() - begin_wh) / wh, 0.0), 1.0)
        build_id = build.id if build is not None else None
        cost = self.farm.power.book(name, part, meter.unmeasured_s(), build_id, of_build)
        if cost is not None:
            doc["cost"] = round(cost, 6)
        if name in self.farm.machines:
            effects.append(Note(now_s, "energy", doc))
        if self._large:  # an account of thousands of machines is not written anew with each build that ends
            self._unkept[name] = None
        else:
            effects.append(Keep("energy", name, meter.as_dict()))

    def _estimate(self, machine: MachineTrack, now_s: float, effects: list[Effect]) -> None:
        build = machine.build
        if build is None:
            return
        found = self.farm.estimator.estimate(build.id, now_s)
        finish: dict[str, float | None] = dict.fromkeys(("p025", "p10", "p50", "p90", "p975"))
        basis = "nothing to go by yet"
        if found is not None:
            finish = {
                "p025": found.p025_s,
                "p10": found.p10_s,
                "p50": found.p50_s,
                "p90": found.p90_s,
                "p975": found.p975_s,
            }
            basis = found.basis
            machine.trail.add(Told(now_s, found.p10_s, found.p50_s, found.p90_s, basis))
        doc = {"machine": machine.name, "build": build.id, "job": build.job, "finish": finish, "basis": basis}
        effects.append(Note(now_s, "estimate", doc))

    # ---- life --------------------------------------------------------------------------------------------------------

    def _awoke(self, event: Awoke, now_s: float, effects: list[Effect]) -> None:
        effects.append(Note(now_s, "awoke", {"dark_since": event.dark_since_s}))
        # Nobody listened meanwhile: that a source said nothing is no silence of its own. Each gets its time again.
        for source in self.farm.sources.values():
            if source.state == "fresh" and source.plan.interval_s > 0:
                self._grace_s[source.plan.id] = due_s = now_s + min(source.plan.stale_s, GRACE_AWAKE_S)
                self._timers.set(("stale", source.plan.id), due_s)
        self._signs.awoke(event.dark_since_s, now_s, effects)
        away = self.farm.outage.awoke(event.dark_since_s, now_s)
        if away is not None:
            self._outage(away, now_s, effects)

    def restore(self, facts: list[tuple[str, str, dict[str, Any]]], now_s: float) -> None:
        """Take up where the journal left off. Call once, before anything else."""
        kept: dict[str, dict[str, dict[str, Any]]] = {}
        for kind, key, doc in facts:
            kept.setdefault(kind, {})[key] = doc
        self._begin(now_s)
        farm = self.farm
        rows = {key: doc["row"] for key, doc in kept.get("learned", {}).items()}
        if rows:
            farm.estimator = Estimator.from_dict({"rows": rows})
        builds = {key: Build.from_dict(doc) for key, doc in kept.get("build", {}).items()}
        self._kept_builds = {key: build.ended_s for key, build in builds.items() if build.ended_s is not None}
        for name, machine in farm.machines.items():
            machine.use(farm.estimator)
            if name in kept.get("sense", {}):
                machine.take_sense(PowerSense.from_dict(kept["sense"][name]))
            if name in kept.get("machine", {}):
                machine.restore(kept["machine"][name], builds, now_s)
        farm.restore_energy(kept, builds.values())
        farm.shop.restore(kept, now_s)
        for name, care in farm.care.items():
            if name in kept.get("health", {}):
                care.restore(kept["health"][name], now_s)
        farm.rescue.restore(kept.get("rescue", {}).get("told"))
        farm.rounds.restore(kept)
        away = [name for name, machine in farm.machines.items() if machine.state == "out_of_service"]
        farm.book.restore(list(kept.get("alarm", {}).values()), now_s, away)
        farm.work.restore(kept)
        self._tally.restore(kept)
        self._notices.restore(list(kept.get("incident", {}).values()), now_s, kept, farm.book.alarms)
        farm.outage.restore(list(kept.get("outage", {}).values()), kept.get("outage_over", {}).get("supply"))
        last = farm.outage.last
        if last is not None and last.ended_s is not None and now_s < last.ended_s + GRACE_S:
            self._timers.set(("cause", "last"), last.ended_s + GRACE_S)
        for doc in kept.get("diary", {}).values():
            farm.diary.add(Row.from_dict(doc))
        farm.outage.own = farm.diary.counts()
        if farm.outage.open is not None or farm.outage.others:
            self._look_by(now_s + SETTLE_S)


def whole(value: float | None) -> float | None:
    """Seconds without a fraction; None and endless stay None."""
    return None if value is None or math.isinf(value) else round(value)
