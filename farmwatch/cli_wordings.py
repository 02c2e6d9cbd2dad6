"""The wording of every alarm on one page: real messages, made by what makes them, for a small site."""

from collections.abc import Iterator
from typing import Any, NamedTuple

from farmwatch.alarms import lifecycle, rules
from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.notices import Incident
from farmwatch.alarms.phrases import Phrases
from farmwatch.alarms.rule import Rule
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, fit
from farmwatch.farm import Farm
from farmwatch.machines.builds import Build
from farmwatch.words.model import BackupPlan, CircuitPlan, MachinePlan, SitePlan, SourcePlan

NOW_S = 1_764_064_800.0  # 2025-11-25 10:00 UTC
SINCE_S = NOW_S - 900.0


class Called(NamedTuple):
    """What things are called on the page's site."""

    machine: str = "avocet"
    backup: str = "one"
    circuit: str = "west"
    sensor: str = "shed"
    source: str = "panel.avocet"
    job: str = "vent clip"


class Wording(NamedTuple):
    """What a rule's first message and its all-clear say."""

    rule: Rule
    title: str
    text: str
    over_title: str
    over_text: str


def facts_of(called: Called) -> dict[str, dict[str, Any]]:
    """What is known, by rule."""
    return {
        "source_silent": {"silent_since_s": SINCE_S, "error": "", "vias": ["mqtt"]},
        "backup_unseen": {"silent_since_s": SINCE_S, "error": "its server cannot be reached", "vias": ["ups"]},
        "broker_lost": {"lost_at_s": SINCE_S, "sources": 26},
        "store_degraded": {"why": "the disk is full"},
        "store_damaged": {"why": "4 damaged rows could not be used"},
        "heater_without_job": {"says": "idle"},
        "circuit_overload": {"amps": 24.1},
        "load_near_limit": {"amps": 13.4},
        "runtime_promise": {"promised_min": 22.0, "shown_min": 9.0},
        "battery_worn": {"why": "its discharges show 61 % of a new one", "replace_s": NOW_S + 90 * 86_400},
        "self_test_overdue": {"days": 41.0},
        "battery_warm": {"battery_c": 33.0},
        "act_denied": {"why": "by somebody at 192.0.2.7 who did not know the password"},
        "build_failing": {"why": "its nozzle is 65 °C too cold", "from_s": SINCE_S},
        "build_overdue": {
            "late_s": 2700.0,
            "usual_end_s": NOW_S - 2700.0,
            "p10_s": NOW_S + 300.0,
            "p50_s": NOW_S + 1200.0,
            "p90_s": NOW_S + 4500.0,
        },
        "plug_off": {"how": "its plug is switched off", "job": called.job},
        "contradiction": {"says": "it says that it is off, and its plug gives 84 W"},
        "humidity": {"value": 0.63, "limit": 0.6},
        "filament_low": {"left_g": 60.0, "needed_g": 140.0, "out_s": NOW_S + 5400.0, "spool": "PETG black"},
        "service_due": {"task": "grease the rails", "unit": "hours", "used": 512.0, "every": 500.0},
        "due_date": {"due_s": NOW_S + 90_000.0, "missing": 24.0, "made_by_s": NOW_S + 150_000.0,
                     "why": "2 machines could make it in time: move other work off, or add a trip"},
        "stock_low": {"left_g": 2600.0, "point_g": 3100.0, "days": 6.2},
        "spool_damp": {"humid_h": 181.0, "limit": 0.4, "dry_c": 55.0, "dry_h": 5.0, "material": "PETG",
                       "machine": called.machine},
        "collector_restarted": {"dark_since_s": NOW_S - 4500.0, "awoke_s": NOW_S - 60.0},
        "clock_untrusted": {"why": "the computer's clock has been set 60 min back while Farmwatch ran"},
        "channel_failing": {"why": "the service answered 401"},
        "unstable": {"of": "source_silent", "at": called.machine},
    }


def subject_of(rule: Rule, called: Called) -> str:
    """What a rule would be about on the page's site."""
    if rule.id == "unstable":
        return f"source_silent:{called.machine}"
    known = {"machine": called.machine, "backup": called.backup, "circuit": called.circuit, "sensor": called.sensor,
             "machine or backup": called.machine, "source": called.machine, "broker": "broker", "store": "journal",
             "collector": "Collector", "material": "PETG", "spool": "petg-black-2"}  # fmt: skip
    return called.source if rule.id == "source_degraded" else known.get(rule.subject, rule.subject)


def small_site(called: Called) -> Farm:
    """A machine at work on a backup that is on battery, all by the names given."""
    source = SourcePlan(called.source, called.machine, "mqtt", "works/one", 2.0, frozenset({"state", "power_w"}))
    ups = SourcePlan("ups", called.backup, "ups", "ups@localhost:3493", 5.0, frozenset({"status", "charge"}))
    farm = Farm(
        SitePlan(
            "Saltmarsh Works", "Europe/London", 230.0,
            {called.machine: MachinePlan(called.machine, backup=called.backup, material="PETG")},
            {called.backup: BackupPlan(called.backup, called.circuit, rating_w=600.0, battery_wh=180.0)},
            {called.circuit: CircuitPlan(called.circuit, 16.0, 230.0, 0.8)},
            sensors=(called.sensor,), sources={called.source: source, "ups": ups},
        )
    )  # fmt: skip
    machine = farm.machines[called.machine]
    machine.state, machine.waiting_since_s = "printing", SINCE_S
    machine.build = machine.last_build = Build("b", called.machine, NOW_S - 7200.0, job=called.job, progress=0.42)
    machine.latest |= {"power_w": 118.0}
    farm.backups[called.backup].observe({"status": "OB DISCHRG", "charge": 0.74, "load": 0.3}, SINCE_S)
    return farm


def wordings(called: Called | None = None) -> Iterator[Wording]:
    """First message and all-clear of every rule, within a message's length as it is sent."""
    called = called or Called()
    facts = facts_of(called)
    for rule in rules.TABLE:
        farm = small_site(called)
        subject = subject_of(rule, called)
        alarm = Alarm(rule.id, subject, rule.priority, "unacknowledged", true=True, since_s=SINCE_S)
        alarm.facts = dict(facts.get(rule.id, {}))
        incident = Incident(rule.id, rule.id, rule.group, rule.priority, SINCE_S)
        phrases = Phrases(farm)
        title, text, _ = phrases.words_for(incident, [alarm], "opened", NOW_S)
        over, more, _ = phrases.words_for(incident, [alarm], "clear", NOW_S + 600.0)
        title, over = fit(title, TITLE_MAX), fit(over, TITLE_MAX)
        yield Wording(rule, title, fit(text, TOTAL_MAX - len(title) - 1), over, fit(more, TOTAL_MAX - len(over) - 1))


INTRODUCTION = """# Alarms

Written by `deploy/documents.py` from the program's own tables: change it there, not here.
"""
STATES = """## States

After ANSI/ISA-18.2 and IEC 62682; an empty cell changes nothing. What leaves a state aside is looked at anew: condition
true goes to unacknowledged, false to what was still owed, else to normal.
"""
TABLE = """## The table

Every row can be changed under `[rules.<alarm>]`, and for one subject under `[rules.<alarm>.subjects.<name>]`. An alarm
that is raised three times within ten minutes is one alarm, `unstable`, until it has been quiet for ten minutes; a
danger is told every time all the same, and one of supply without that alarm. One that another explains is raised as
itself if it has not come back three
minutes after its cause is gone.
"""
MESSAGES = """## What the messages say

The first line, then the rest; below it what is said when it is over. Made for one machine on one backup at 10:00.
"""


def page() -> str:
    """The whole page about alarms, in Markdown."""
    parts = [INTRODUCTION, STATES, lifecycle.as_markdown(), f"```mermaid\n{lifecycle.as_diagram()}```\n"]
    parts += [TABLE, rules.as_markdown(), MESSAGES]
    for w in wordings():
        parts.append(f"### `{w.rule.id}` ({w.rule.priority})\n")
        parts.append(f"> **{w.title}**  \n> {w.text}\n")
        if w.rule.group != "bed":
            parts.append(f"> **{w.over_title}**  \n> {w.over_text}\n")
    return "\n".join(parts)
