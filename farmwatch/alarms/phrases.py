"""The words of every message, made from what is known of the farm."""

import math
from collections.abc import Callable

from farmwatch.alarms import watcher
from farmwatch.alarms.alone import ALONE, alone, headline
from farmwatch.alarms.box import Box
from farmwatch.alarms.daily import Tally
from farmwatch.alarms.letters import Letter
from farmwatch.alarms.lifecycle import OWING, Alarm
from farmwatch.alarms.notices import Incident
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, clock, duration, moment, names, percent, plain, ranged
from farmwatch.farm import Farm
from farmwatch.machines.cooling import Release
from farmwatch.power.breaker import behaviour
from farmwatch.power.diary import report, settle
from farmwatch.power.outage_show import restart_words
from farmwatch.power.rescue_words import care_words, plan_text, within
from farmwatch.power.start_words import after_clearing

Words = tuple[str, str, tuple[tuple[str, str], ...]]
SOON_S = 300.0
FAR_S = 86_400.0
"""A battery that lasts longer is none whose end is told."""
OTHER_S = 120.0
"""An outage that ended so long before an incident began is another one."""


class Phrases:
    """Words for incidents: what and where, what it means and by when, what to do."""

    def __init__(self, farm: Farm, tally: Tally | None = None) -> None:
        self._farm = farm
        self._tally = tally or Tally(farm.plan.timezone, farm.plan.closed)
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

    def at_work(self, subject: str) -> bool:
        """Whether a build runs there."""
        machine = self._farm.machines.get(subject)
        return machine is not None and machine.build is not None

    def next_round(self, now_s: float) -> str:
        """When to go to the machines, in one sentence; "" where nothing can be said."""
        return self._farm.rounds.line(now_s)

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
            ended = build.result if build is not None and build.result in ("failed", "cancelled") else "ready"
            since_s = farm.machines[name].waiting_since_s
            cool = say("bed_cool" if since_s is None else "bed_cool_since", since=self._at(since_s))
            parts.append(say("bed", what=f"{plain(name)}{job}", ended=say(f"bed_{ended}"), cool=cool))
        if soon:
            due = [say("about_when", what=plain(name), at=self._about(at, now_s)) for name, at in soon]
            parts.append(say("beds_soon", what=names(due, 3)))
        parts.append(after_clearing(farm, waiting, now_s))
        parts.append(farm.rounds.line(now_s))
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
        title = beds_title(waiting)
        parts = [text, self._farm.rounds.line(now_s), self._next(now_s, set())]
        return title, within(parts, TOTAL_MAX - len(title) - 1), _cleared(waiting)

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
                return say("beds_next", what=say("about_when", what=plain(name), at=self._about(at, now_s)))
        return ""

    def _about(self, at: Release, now_s: float) -> str:
        sure = ranged(at.p10_s, at.p90_s, now_s, self._zone)
        return f"{moment(max(_of(at), now_s), now_s, self._zone)}{sure}"

    # ---- power ----------------------------------------------------------------------------------------------------

    def _mains(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        rules = {alarm.rule for alarm in alarms}
        if "mains_lost" not in rules:
            return self._one_backup(alarms, now_s)
        title = self.mains_title()
        if not any(track.status in ("on_battery", "low") for track in self._farm.backups.values()):
            title = say("mains_unseen", names=names([a.subject for a in alarms if a.rule == "mains_lost"], 2))
        room = TOTAL_MAX - len(title) - 1
        low = [alarm.subject for alarm in alarms if alarm.rule == "battery_low"]
        already = say("low_already", names=names(low, 4)) if low else ""
        plans = plan_text(self._farm, now_s, room - len(already) - 1)
        if plans:
            return title, within([already, plans], room), ()
        lives = []
        for name, backup in self._farm.backups.items():
            if backup.status not in ("on_battery", "low"):
                continue
            lives.append((self._left_s(name), name))
        lives.sort()
        parts = [already]
        if lives and lives[0][0] != float("inf"):
            first_s, name = lives[0]
            key = "battery_lives" if self._has_last(lives) else "battery_life"
            at, last = self._at(now_s + first_s), self._at(now_s + lives[-1][0])
            parts.append(say(key, name=plain(name), at=at, left=duration(first_s), last=last))
        elif lives:
            parts.append(say("battery_unknown"))
        parts.append(self._at_stake(now_s, lives))
        parts.append(say("leave_wiring"))
        return title, within(parts, room), ()

    @staticmethod
    def _has_last(lives: list[tuple[float, str]]) -> bool:
        return len(lives) > 1 and lives[-1][0] != float("inf")

    def mains_title(self) -> str:
        """What has lost supply, and how many backups carry on."""
        outage = self._farm.outage.open
        out = [name for name, track in self._farm.backups.items() if track.status in ("on_battery", "low")]
        if outage is None or outage.cause in ("site", "blip"):
            return say("mains_title", number=len(out))
        if outage.cause == "circuit":
            return say("circuit_title", name=plain(outage.place), number=len(out))
        return say("backup_title", names=names(out or outage.backups, 2))

    def _at_stake(self, now_s: float, lives: list[tuple[float, str]]) -> str:
        """Which builds end before their battery and which do not, as far as it can be told."""
        late, unsure, total = [], [], 0
        life_s = {name: seconds for seconds, name in lives}
        for name, machine in self._farm.machines.items():
            backup = machine.plan.backup
            if machine.build is None or backup not in life_s:
                continue
            total += 1
            found = self._farm.estimate(name, now_s)
            end_s = found.p50_s if found is not None else None
            if math.isinf(life_s[backup]):
                unsure.append(name)
            elif end_s is None or end_s > now_s + life_s[backup]:
                late.append(name)
        if not total:
            return say("stake_none")
        if not late and not unsure:
            return say("stake_all", number=total)
        parts = [say("stake_late", names=names(late, 4))] if late else []
        return " ".join([*parts, say("stake_unsure", names=names(unsure, 4))] if unsure else parts)

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
        fed = names(behind, 4) if behind else say("behind_it")
        low = [a.subject for a in alarms if a.rule == "battery_low"]
        if low:
            return self._low(low, now_s)
        load_w = self._farm.load_of_backup_w(alarm.subject)
        track = self._farm.backups[alarm.subject]
        rating_w = track.plan.rating_w
        load = f"{load_w:.0f} W" if load_w is not None else say("load_unknown")
        if rating_w is not None:
            load = say("of_rating", load=load, rating=f"{rating_w:.0f} W")
        load_va, rating_va = track.number("apparent_va"), track.plan.rating_va
        if load_va is not None and rating_va is not None and load_va > rating_va:
            load = say("of_rating", load=f"{load_va:.0f} VA", rating=f"{rating_va:.0f} VA")
        return say("overload_title", name=name), say("overload_text", load=load, fed=fed), ()

    def _low(self, low: list[str], now_s: float) -> Words:
        """Batteries about to be empty, what hangs on them, and when the other backups on battery follow."""
        farm = self._farm
        behind = list(dict.fromkeys(machine for name in low for machine in farm.behind(name)))
        fed = names(behind, 4) if behind else say("behind_it")
        title, text = say("low_title", name=names(low, 2)), say("low_text", fed=fed)
        room = TOTAL_MAX - len(title) - 1
        # It may be the incident's one change: what the others should do by now goes with it.
        others = [name for name, track in farm.backups.items() if track.status == "on_battery" and name not in low]
        left = [(self._left_s(name), name) for name in others]
        known = [say("about_when", what=plain(n), at=self._at(now_s + s)) for s, n in sorted(left) if s < FAR_S]
        unknown = [plain(name) for s, name in left if s >= FAR_S]
        parts = [text]
        if farm.rescue.differs():
            parts.append(plan_text(farm, now_s, room - len(text) - 1))
        if known:
            parts.append(say("low_next", names=names(known, 3)))
        if unknown:
            parts.append(say("low_others", names=names(unknown, 3)))
        return title, within(parts, room), ()

    def _left_s(self, name: str) -> float:
        """Seconds until a backup on battery is empty, `inf` where that is not known."""
        runtime = self._farm.runtime(name)
        return math.inf if runtime is None or runtime.p50_s is None else runtime.p50_s

    # ---- the rest -------------------------------------------------------------------------------------------------

    def _broker(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        facts = alarms[0].facts
        since = clock(facts.get("lost_at_s", alarms[0].since_s), self._zone)
        sources = facts.get("sources", 0)
        what = "network" if self._farm.outage.network_lost() else "broker"
        return say(f"{what}_title"), say(f"{what}_text", since=since, number=sources), ()

    def _silent(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        suspects = [alarm for alarm in alarms if alarm.rule == "unit_suspect"]
        if suspects and len(suspects) == len(alarms):
            title = say("unit_title", names=names([a.subject for a in suspects], 2))
            return title, say("unit_text", why=plain(str(suspects[0].facts.get("why") or say("unit_why")))), ()
        alarms = [alarm for alarm in alarms if alarm.rule != "unit_suspect"]
        degraded = [alarm for alarm in alarms if alarm.rule == "source_degraded"]
        silent = [alarm for alarm in alarms if alarm.rule != "source_degraded"]
        if not silent:
            return say("degraded_title", names=names([a.subject for a in degraded], 2)), say("degraded_text"), ()
        subjects = [alarm.subject for alarm in silent]
        since_s = min((a.facts.get("silent_since_s") or a.since_s) for a in silent)
        partly = [a.subject for a in silent if not a.facts.get("all_of_it", True)]
        what = say("silent_part" if partly and len(partly) == len(silent) else "silent_what", number=len(silent))
        error = next((plain(str(a.facts["error"]))[:60] for a in silent if a.facts.get("error")), "")
        since = f"{self._at(since_s)}: {error}" if error else self._at(since_s)
        return say("silent_title", names=names(subjects, 3)), say("silent_text", since=since, what=what), ()

    def _fault(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        name = alarms[0].subject
        if alarms[0].rule in ALONE:
            return *alone(alarms[0], now_s, self._zone), ()
        if name in self._farm.plan.circuits:
            return self._circuit(alarms[0])
        build = self._farm.machines[name].build
        parts = []
        if build is not None and (build.job or build.progress is not None):
            parts.append(say("fault_job", job=plain(build.job)[:40]) if build.job else say("fault_build"))
        if build is not None and build.progress is not None:
            parts.append(say("fault_at", share=percent(build.progress)))
        return headline(alarms[0].rule, name), " ".join([*parts, say("fault_act")]), ()

    def _circuit(self, alarm: Alarm) -> Words:
        """A circuit above its share for hours, or above its breaker's tripping current."""
        circuit = self._farm.plan.circuits[alarm.subject]
        draw = self._farm.draw(alarm.subject)
        amps = draw.amps if draw.amps is not None else alarm.facts.get("amps")
        key = "circuit_least" if draw.missing or not draw.va_known else "circuit_load"
        rating = f"{circuit.rating_a:g}"
        load = say("circuit_unknown") if amps is None else say(key, amps=f"{amps:.1f}", rating=rating)
        if alarm.rule == "circuit_overload":
            curve = self._farm.power.supply.curves.get(alarm.subject)
            does = behaviour(amps, circuit.rating_a, curve).words if amps is not None else ""
            why = [say("circuit_breaker", does=does)] if does else []
            return headline(alarm.rule, alarm.subject), " ".join([load, *why, say("circuit_act")]), ()
        share = say("circuit_share", amps=f"{circuit.rating_a * circuit.continuous_share:.1f}")
        return headline(alarm.rule, alarm.subject), f"{load} {share} {say('circuit_advice')}", ()

    def _heat(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        alarm = alarms[0]
        machine = self._farm.machines[alarm.subject]
        power_w = machine.number("power_w")
        draws = f"{power_w:.0f} W" if power_w is not None else say("heat_power")
        facts = {"says": alarm.facts.get("says", machine.state), "draws": draws, "since": self._at(alarm.since_s)}
        return headline(alarm.rule, alarm.subject), say("heat_text", **facts), ()

    def _store(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        why = plain(str(alarms[0].facts.get("why") or ""))[:90]
        why = f"{why[:1].upper()}{why[1:]}. " if why else ""
        text = say("damaged_text" if alarms[0].rule == "store_damaged" else "store_text")
        return headline(alarms[0].rule, alarms[0].subject), f"{why}{text}", ()

    def _dark(self, _incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        return *watcher.dark(self._farm, alarms[0], now_s), ()

    def _acts(self, _incident: Incident, alarms: list[Alarm], _now_s: float) -> Words:
        why = plain(str(alarms[0].facts.get("why") or ""))[:90]
        return say("acts_title"), say("acts_text", why=why), ()

    def _clear(self, incident: Incident, alarms: list[Alarm], now_s: float) -> Words:
        lasted = duration(now_s - min((a.since_s for a in alarms), default=incident.opened_s))
        subjects = list(dict.fromkeys(plain(alarm.subject) for alarm in alarms))
        if incident.group == "mains":
            return self._mains_clear(incident, alarms, lasted, now_s)
        if incident.group == "broker":
            what = "network" if self._farm.outage.network_lost(within_s=60.0, now_s=now_s) else "broker"
            return say(f"{what}_back", lasted=lasted), self._state_of_things(), ()
        if incident.group == "silent":
            if all(alarm.rule == "unit_suspect" for alarm in alarms):
                return say("unit_over", names=names(subjects, 2)), say("after", lasted=lasted), ()
            if all(alarm.rule == "source_degraded" for alarm in alarms):
                return say("degraded_over", names=names(subjects, 2)), say("after", lasted=lasted), ()
            return say("silent_over", names=names(subjects, 3)), self._after(lasted), ()
        if not alarms:
            return say("some_over"), self._after(lasted), ()
        title = headline(alarms[0].rule, alarms[0].subject, over=True)
        if incident.group == "heat":
            return title, say("heat_over", lasted=lasted), ()
        if incident.group == "acts":
            return say("acts_over_title"), say("acts_over"), ()
        return title, self._after(lasted) if alarms[0].rule == "machine_fault" else say("after", lasted=lasted), ()

    def _after(self, lasted: str) -> str:
        return f"{say('after', lasted=lasted)} {self._state_of_things()}"

    def _mains_clear(self, incident: Incident, alarms: list[Alarm], lasted: str, now_s: float) -> Words:
        if not any(alarm.rule == "mains_lost" for alarm in alarms):
            subjects = list(dict.fromkeys(plain(alarm.subject) for alarm in alarms))
            return say("backup_over", names=names(subjects, 3)), say("after", lasted=lasted), ()
        outage = self._farm.outage.last
        if outage is None or (outage.ended_s or 0.0) < incident.opened_s - OTHER_S:
            return say("power_back", lasted=lasted), self._state_of_things(), ()
        settle(outage, self._farm.machines)
        title, text = report(outage, restart_words(self._farm, outage, now_s))
        return title, text, ()

    def _state_of_things(self) -> str:
        waiting = [name for name, machine in self._farm.machines.items() if machine.state == "waiting"]
        return f"{beds_title(waiting)}." if waiting else say("no_beds")

    def _at(self, at_s: float | None) -> str:
        """Time of day; empty if there is none."""
        return "" if at_s is None or at_s == float("inf") else clock(at_s, self._zone)


def _of(at: Release) -> float:
    return float("inf") if at.p50_s is None else at.p50_s


def _cleared(waiting: list[str]) -> tuple[tuple[str, str], ...]:
    return tuple(("cleared", name) for name in waiting[:3])


def beds_title(waiting: list[str]) -> str:
    """One line about the beds that wait.

    >>> beds_title(["knot"]), beds_title(["avocet", "knot", "eider", "ibis", "heron"])
    ('Clear bed: knot', 'Clear 5 beds: avocet, knot, eider, ibis and 1 more')
    """
    return say("clear_bed" if len(waiting) == 1 else "clear_beds", number=len(waiting), names=names(waiting, 4))


def words_of(alarm: Alarm, farm: Farm, now_s: float) -> tuple[str, str]:
    """Title and text about one alarm alone, for lists."""
    if alarm.rule == "bed_waiting":  # there may be many of them, and a list needs no more than this
        return beds_title([alarm.subject]), say("bed_alone", since=clock(alarm.since_s, farm.plan.timezone))
    incident = Incident(alarm.id, alarm.id, RULES[alarm.rule].group, alarm.priority, alarm.since_s)
    title, text, _ = Phrases(farm).words_for(incident, [alarm], "opened", now_s)
    if alarm.rule == "mains_lost":
        title = headline(alarm.rule, alarm.subject)
    if alarm.state in OWING:
        return say("list_over", title=title), say("list_over_text")
    return title, text
