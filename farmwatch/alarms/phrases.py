"""The words of every message, made from what is known of the farm."""

from collections.abc import Callable

from farmwatch.alarms import watcher
from farmwatch.alarms.alone import ALONE, alone, headline
from farmwatch.alarms.daily import Tally
from farmwatch.alarms.letters import Letter
from farmwatch.alarms.lifecycle import OWING, Alarm
from farmwatch.alarms.notices import Incident
from farmwatch.alarms.people import Box
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, clock, count, duration, moment, names, percent, plain, ranged
from farmwatch.farm import Farm
from farmwatch.machines.cooling import Release
from farmwatch.power.breaker import behaviour
from farmwatch.power.diary import report, settle
from farmwatch.power.outage_show import restart_words
from farmwatch.power.rescue_words import care_words, plan_text, within
from farmwatch.power.start_words import after_clearing

Words = tuple[str, str, tuple[tuple[str, str], ...]]
SOON_S = 300.0
OTHER_S = 120.0
"""An outage that ended so long before an incident began is another one."""


class Phrases:
    """Words for incidents: what and where, what it means and by when, what to do."""

    def __init__(self, farm: Farm, tally: Tally | None = None) -> None:
        self._farm = farm
        self._tally = tally or Tally(farm.plan.timezone)
        self._zone = farm.plan.timezone
        self._by_group: dict[str, Callable[[Incident, list[Alarm], float], Words]] = {
            "bed": self._beds,
            "mains": self._mains,
            "broker": self._broker,
            "silent": self._silent,
            "fault": self._fault,
            "store": self._store,
            "heat": self._heat,
            "care": self._care,
            "acts": self._acts,
            "dark": self._dark,
        }

    def daily(self, box: Box, now_s: float) -> Letter:
        """The daily report of one person."""
        return watcher.daily(self._farm, self._tally, box, now_s)

    def words_for(self, incident: Incident, alarms: list[Alarm], step: str, now_s: float) -> Words:
        """Title, text and actions of one message of an incident."""
        if step == "clear":
            return self._clear(incident, alarms, now_s)
        if step == "again" and incident.group == "bed":
            return self._beds_again(incident, alarms, now_s)
        title, text, actions = self._by_group[incident.group](incident, alarms, now_s)
        if len(title) > TITLE_MAX and len(alarms) == 1:
            title = headline(alarms[0].rule, alarms[0].subject)  # cuts the name, not what is the matter
        if not actions:
            actions = tuple(("acknowledged", alarm.id) for alarm in alarms[:1])
        return title, text, actions

    # ---- beds -----------------------------------------------------------------------------------------------------

    def _beds(self, incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        farm = self._farm
        fresh = [alarm.subject for alarm in alarms]
        waiting = fresh + [
            name for name, machine in farm.machines.items() if machine.state == "waiting" and name not in fresh
        ]
        soon = [(name, at) for name, at in self._soon(now_s) if name not in waiting and _of(at) <= now_s + SOON_S]
        incident.named += [name for name in [*fresh, *(name for name, _ in soon)] if name not in incident.named]
        title = beds_title(waiting)
        parts = []
        for name in fresh[:3]:
            build = farm.machines[name].last_build
            job = f" ({plain(build.job)[:40]})" if build is not None and build.job else ""
            result = "ready"
            if build is not None and build.result in ("failed", "cancelled"):
                result = build.result
            since_s = farm.machines[name].waiting_since_s
            ready = f" since {clock(since_s, self._zone)}" if since_s is not None else ""
            parts.append(f"{plain(name)}{job} {result}, cool{ready}.")
        if soon:
            due = names([f"{plain(name)} {self._about(at, now_s)}" for name, at in soon], 3)
            parts.append(f"Soon: {due}.")
        parts.append(after_clearing(farm, waiting, now_s))
        parts.append(self._next(now_s, skip={name for name, _ in soon}))
        actions = tuple(("cleared", name) for name in fresh[:3])
        return title, within(parts, TOTAL_MAX - len(title) - 1), actions

    def _beds_again(self, incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        """Beds that have been told of, or have joined those that were."""
        since = {alarm.subject: self._farm.machines[alarm.subject].waiting_since_s or alarm.since_s for alarm in alarms}
        waiting = sorted(since, key=since.__getitem__)
        incident.named += [name for name in waiting if name not in incident.named]
        lasted = duration(now_s - since[waiting[0]])
        text = say("beds_waited", name=plain(waiting[0]), lasted=lasted, number=len(waiting))
        return beds_title(waiting), f"{text} {self._next(now_s, set())}".strip(), _cleared(waiting)

    def _soon(self, now_s: float) -> list[tuple[str, Release]]:
        """Machines whose beds can be cleared later, with the time, soonest first."""
        found = []
        for name, machine in self._farm.machines.items():
            if machine.build is not None or machine.state == "cooling":
                at = machine.clearing(now_s, self._farm.estimate(name, now_s))
                if at is not None and at.p50_s is not None:
                    found.append((name, at))
        return sorted(found, key=lambda item: _of(item[1]))

    def _next(self, now_s: float, skip: set[str]) -> str:
        for name, at in self._soon(now_s):
            if name not in skip:
                return f"Next: {plain(name)} {self._about(at, now_s)}."
        return ""

    def _about(self, at: Release, now_s: float) -> str:
        sure = ranged(at.p10_s, at.p90_s, now_s, self._zone)
        return f"about {moment(max(_of(at), now_s), now_s, self._zone)}{sure}"

    # ---- power ----------------------------------------------------------------------------------------------------

    def _mains(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        rules = {alarm.rule for alarm in alarms}
        if "mains_lost" not in rules:
            return self._one_backup(alarms, now_s)
        title = self.mains_title()
        plans = plan_text(self._farm, now_s, TOTAL_MAX - len(title) - 1)
        if plans:
            return title, plans, ()
        lives = []
        for name, backup in self._farm.backups.items():
            if backup.status not in ("on_battery", "low"):
                continue
            runtime = self._farm.runtime(name)
            if runtime is not None and runtime.p50_s is not None:
                lives.append((runtime.p50_s, name))
            else:
                lives.append((float("inf"), name))
        lives.sort()
        parts = []
        if lives and lives[0][0] != float("inf"):
            first_s, name = lives[0]
            parts.append(
                f"{plain(name)} empty about {clock(now_s + first_s, self._zone)} (in {duration(first_s)})"
                + (f", last {clock(now_s + lives[-1][0], self._zone)}" if self._has_last(lives) else "")
                + "."
            )
        elif lives:
            parts.append("How long the batteries last is not known.")
        parts.append(self._at_stake(now_s, lives))
        parts.append("Leave breakers and wiring to an electrician.")
        return title, within(parts, TOTAL_MAX - len(title) - 1), ()

    @staticmethod
    def _has_last(lives: list[tuple[float, str]]) -> bool:
        return len(lives) > 1 and lives[-1][0] != float("inf")

    def mains_title(self) -> str:
        """What has lost supply, and how many backups carry on."""
        outage = self._farm.outage.open
        out = [name for name, track in self._farm.backups.items() if track.status in ("on_battery", "low")]
        if outage is None or outage.cause in ("site", "blip"):
            what = "Mains lost"
        elif outage.cause == "circuit":
            what = f"Circuit {plain(outage.place)} lost"
        else:
            return f"Backup {names(out or outage.backups, 2)} on battery"
        return f"{what}: {count(len(out), 'backup')} on battery"

    def _at_stake(self, now_s: float, lives: list[tuple[float, str]]) -> str:
        """Which builds end before their battery and which do not, as far as it can be told."""
        late, total = [], 0
        life_s = {name: seconds for seconds, name in lives}
        for name, machine in self._farm.machines.items():
            backup = machine.plan.backup
            if machine.build is None or backup not in life_s:
                continue
            total += 1
            found = self._farm.estimate(name, now_s)
            end_s = found.p50_s if found is not None else None
            if end_s is None or end_s > now_s + life_s[backup]:
                late.append(name)
        if not total:
            return "No build runs on them."
        if not late:
            return f"All {count(total, 'build')} should end in time."
        return f"Not done by then: {names(late, 4)}. Pause what can be paused."

    def _care(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        alarm = alarms[0]
        if alarm.rule == "collector_restarted":
            since_s, until_s = alarm.facts["dark_since_s"], alarm.facts["awoke_s"]
            return *watcher.back(self._farm, since_s, until_s, now_s), ()
        if alarm.rule in ALONE:
            return *alone(alarm, now_s, self._zone), ()
        return *care_words(alarm.rule, alarm.subject, alarm.facts, now_s, self._zone), ()

    def _one_backup(self, alarms: list[Alarm], now_s: float) -> Words:
        alarm = alarms[0]
        name = plain(alarm.subject)
        behind = self._farm.behind(alarm.subject)
        fed = names(behind, 4) if behind else "What hangs on it"
        if alarm.rule == "battery_low":
            title, text = f"Battery low: {name}", f"{fed}: power ends any moment. Pause or let go now."
            # It is the incident's one change: what the others should do by now goes with it.
            room = TOTAL_MAX - len(title) - 1
            plans = plan_text(self._farm, now_s, room - len(text) - 1) if self._farm.rescue.differs() else ""
            return title, within([text, plans], room), ()
        load_w = self._farm.load_of_backup_w(alarm.subject)
        rating_w = self._farm.backups[alarm.subject].plan.rating_w
        load = f"{load_w:.0f} W" if load_w is not None else "Load unknown"
        of = f" of {rating_w:.0f} W" if rating_w is not None else ""
        text = f"{load}{of}. {fed} would stop if it trips. Pause one that is heating."
        return f"Overload: backup {name}", text, ()

    # ---- the rest -------------------------------------------------------------------------------------------------

    def _broker(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        facts = alarms[0].facts
        since = clock(facts.get("lost_at_s", alarms[0].since_s), self._zone)
        sources = facts.get("sources", 0)
        text = (
            f"No connection since {since}: {count(sources, 'source')} not seen, their beds and power are "
            "unknown until it is back. Check the broker's computer and the network."
        )
        if self._farm.outage.network_lost():
            text = (
                f"No connection since {since}: {count(sources, 'source')} and more not seen, over MQTT and HTTP; beds "
                "and power are unknown until it is back. Check router, switch and cables."
            )
            return "Network lost", text, ()
        return "MQTT broker lost", text, ()

    def _silent(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        suspects = [alarm for alarm in alarms if alarm.rule == "unit_suspect"]
        if suspects and len(suspects) == len(alarms):
            title = f"{names([a.subject for a in suspects], 2)}: unit changed?"
            why = plain(str(suspects[0].facts.get("why") or "Its watts have stepped by about a thousand."))
            return title, f"{why} Nothing is rescaled by itself: check the unit in its mapping.", ()
        alarms = [alarm for alarm in alarms if alarm.rule != "unit_suspect"]
        degraded = [alarm for alarm in alarms if alarm.rule == "source_degraded"]
        silent = [alarm for alarm in alarms if alarm.rule != "source_degraded"]
        if not silent:
            title = f"{names([a.subject for a in degraded], 2)}: payloads unreadable"
            return title, "Their values are unknown. See the page for what came; mend the mapping.", ()
        subjects = [alarm.subject for alarm in silent]
        since_s = min((a.facts.get("silent_since_s") or a.since_s) for a in silent)
        partly = [a.subject for a in silent if not a.facts.get("all_of_it", True)]
        what = "What it does" if len(silent) == 1 else "What they do"
        if partly and len(partly) == len(silent):
            what = "Some of what is reported"
        title = f"No word from {names(subjects, 3)}"
        error = next((plain(str(a.facts["error"]))[:60] for a in silent if a.facts.get("error")), "")
        text = (
            f"Since {clock(since_s, self._zone)}{f': {error}' if error else ''}. {what} is unknown now. "
            "Check plug, cable and network there."
        )
        return title, text, ()

    def _fault(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        name = alarms[0].subject
        if alarms[0].rule in ALONE:
            return *alone(alarms[0], now_s, self._zone), ()
        if name in self._farm.plan.circuits:
            return self._circuit(alarms[0])
        build = self._farm.machines[name].build
        job = f"{plain(build.job)[:40]} stands still. " if build is not None and build.job else ""
        if build is not None and build.progress is not None:
            job = f"{job or 'Its build stands still. '}It was at {percent(build.progress)}. "
        return f"{plain(name)} reports a fault", f"{job}Look at it before you start it again.", ()

    def _circuit(self, alarm: Alarm) -> Words:
        """A circuit above its share for hours, or above its breaker's tripping current."""
        circuit = self._farm.plan.circuits[alarm.subject]
        draw, name = self._farm.draw(alarm.subject), plain(alarm.subject)
        amps = draw.amps if draw.amps is not None else alarm.facts.get("amps")
        least = "at least " if draw.missing or not draw.va_known else ""
        load = "Its load is not known now." if amps is None else f"{least}{amps:.1f} A of {circuit.rating_a:g} A. "
        load = load[:1].upper() + load[1:]
        if alarm.rule == "circuit_overload":
            curve = self._farm.power.supply.curves.get(alarm.subject)
            does = behaviour(amps, circuit.rating_a, curve).words if amps is not None else ""
            why = f"If its breaker is of the usual kind, {does}. " if does else ""
            return f"Circuit {name} overloaded", f"{load}{why}Pause what heats; start nothing more there.", ()
        share = f"It should carry {circuit.rating_a * circuit.continuous_share:.1f} A for hours. "
        advice = "Start nothing more there. Limits are for local codes and an electrician."
        return f"Circuit {name} near its limit", f"{load}{share}{advice}", ()

    def _heat(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        alarm = alarms[0]
        machine = self._farm.machines[alarm.subject]
        power_w = machine.number("power_w")
        draws = f"draws {power_w:.0f} W" if power_w is not None else "draws heating power"
        said = alarm.facts.get("says", machine.state)
        text = (
            f"It says {said} and {draws}, since {clock(alarm.since_s, self._zone)}. A heater may be stuck on. Look at "
            "it now; if in doubt, cut its power at the plug."
        )
        return f"{plain(alarm.subject)} heats without a job", text, ()

    def _store(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        why = plain(str(alarms[0].facts.get("why") or ""))[:90]
        why = f"{why[:1].upper()}{why[1:]}. " if why else ""
        text = (
            f"{why}Watching and messages go on; history is not kept. Free space on the collector or replace its card."
        )
        return f"Collector cannot write: {plain(alarms[0].subject)}", text, ()

    def _dark(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        return *watcher.dark(self._farm, alarms[0], now_s), ()

    def _acts(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        why = plain(str(alarms[0].facts.get("why") or ""))[:90]
        text = f"Three times within ten minutes, last {why}. Nothing was done. If it was none of you, find out who."
        return "Somebody tried to act at a machine", text, ()

    def _clear(self, incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        lasted = duration(now_s - min((a.since_s for a in alarms), default=incident.opened_s))
        subjects = list(dict.fromkeys(plain(alarm.subject) for alarm in alarms))
        if incident.group == "mains":
            return self._mains_clear(incident, alarms, lasted, now_s)
        if incident.group == "broker":
            what = "Network" if self._farm.outage.network_lost(within_s=60.0, now_s=now_s) else "MQTT broker"
            return f"{what} back after {lasted}", self._state_of_things(), ()
        if incident.group == "silent":
            if all(alarm.rule == "unit_suspect" for alarm in alarms):
                return f"{names(subjects, 2)}: unit plausible again", f"After {lasted}.", ()
            if all(alarm.rule == "source_degraded" for alarm in alarms):
                return f"{names(subjects, 2)} readable again", f"After {lasted}.", ()
            return f"{names(subjects, 3)} heard again", f"After {lasted}. {self._state_of_things()}", ()
        if not alarms:
            return "An alarm is over", f"After {lasted}. {self._state_of_things()}", ()
        title = headline(alarms[0].rule, alarms[0].subject, over=True)
        if incident.group == "heat":
            return title, f"It did for {lasted}. Find out why, and reset the alarm.", ()
        if incident.group == "acts":
            return "No more attempts to act", "For ten minutes nobody has tried.", ()
        more = f" {self._state_of_things()}" if alarms[0].rule == "machine_fault" else ""
        return title, f"After {lasted}.{more}", ()

    def _mains_clear(self, incident: Incident, alarms: list[Alarm], lasted: str, now_s: float) -> Words:
        if not any(alarm.rule == "mains_lost" for alarm in alarms):
            subjects = list(dict.fromkeys(plain(alarm.subject) for alarm in alarms))
            return f"Backup {names(subjects, 3)} in order again", f"After {lasted}.", ()
        outage = self._farm.outage.last
        if outage is None or (outage.ended_s or 0.0) < incident.opened_s - OTHER_S:
            return f"Power back after {lasted}", self._state_of_things(), ()
        settle(outage, self._farm.machines)
        title, text = report(outage, restart_words(self._farm, outage, now_s))
        return title, text, ()

    def _state_of_things(self) -> str:
        waiting = [name for name, machine in self._farm.machines.items() if machine.state == "waiting"]
        return f"{beds_title(waiting)}." if waiting else "No bed waits."


def _of(at: Release) -> float:
    return float("inf") if at.p50_s is None else at.p50_s


def _cleared(waiting: list[str]) -> tuple[tuple[str, str], ...]:
    return tuple(("cleared", name) for name in waiting[:3])


def beds_title(waiting: list[str]) -> str:
    """One line about the beds that wait.

    >>> beds_title(["knot"]), beds_title(["avocet", "knot", "eider", "ibis", "heron"])
    ('Clear bed: knot', 'Clear 5 beds: avocet, knot, eider, ibis and 1 more')
    """
    if len(waiting) == 1:
        return f"Clear bed: {plain(waiting[0])}"
    return f"Clear {len(waiting)} beds: {names(waiting, 4)}"


def words_of(alarm: Alarm, farm: Farm, now_s: float) -> tuple[str, str]:
    """Title and text about one alarm alone, for lists."""
    if alarm.rule == "bed_waiting":  # there may be many of them, and a list needs no more than this
        return beds_title([alarm.subject]), f"Cool since {clock(alarm.since_s, farm.plan.timezone)}."
    incident = Incident(alarm.id, alarm.id, RULES[alarm.rule].group, alarm.priority, alarm.since_s)
    title, text, _ = Phrases(farm).words_for(incident, [alarm], "opened", now_s)
    if alarm.rule == "mains_lost":
        title = f"Backup {plain(alarm.subject)} on battery"
    if alarm.state in OWING:
        return f"Over: {title}", "It is over, and nobody has answered it."
    return title, text
