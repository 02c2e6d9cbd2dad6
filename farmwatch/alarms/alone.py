"""Words for alarms that stand alone: what it means and by when, then what to do.

The first line is the rule's `title`. A name is cut before a word of ours is, and what it means before what to do.
"""

from collections.abc import Callable, Mapping
from typing import Any

from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.rules import RULES, UNSTABLE
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, duration, fit, moment, percent, plain, ranged

NAME_MIN = 8


def headline(rule: str, subject: str, *, over: bool = False, room: int = TITLE_MAX) -> str:
    """The rule's first line for a subject, within `room` characters: the name is cut, not our words.

    >>> headline("plug_off", "knot")
    'knot lost power while building'
    >>> len(headline("contradiction", "k" * 80))
    60
    """
    row = RULES[rule]
    template = row.over if over else row.title
    if rule == UNSTABLE:
        inner, _, of = subject.partition(":")
        left = room - len(template.format(subject=""))
        subject = headline(inner, of, room=left) if inner in RULES and not over else of or subject
    name = plain(subject) or say("unnamed")
    left = max(room - len(template.format(subject="")), NAME_MIN)
    return fit(template.format(subject=fit(name, left)), room)


def said(title: str, meaning: str, act: str) -> tuple[str, str]:
    """Title and text within a message's length: what to do is never cut."""
    room = TOTAL_MAX - len(title) - len(act) - 2
    return title, f"{fit(meaning, room)} {act}" if meaning else act


class Words:
    """What an alarm means, in words.

    Args:
        alarm: the alarm.
        now_s: time of the message.
        zone: name of the site's time zone.
    """

    def __init__(self, alarm: Alarm, now_s: float, zone: str) -> None:
        self.alarm, self.now_s, self.zone = alarm, now_s, zone
        self.facts: Mapping[str, Any] = alarm.facts

    def since(self, at_s: float | None = None) -> str:
        """Since when and for how long."""
        at_s = self.alarm.since_s if at_s is None else at_s
        return say("since_for", since=moment(at_s, self.now_s, self.zone), lasted=duration(self.now_s - at_s))

    def number(self, key: str, unit: str, factor: float = 1.0, digits: int = 0) -> str:
        """A fact with its unit; "unknown" where it is not known."""
        value = self.facts.get(key)
        return say("unknown") if not isinstance(value, int | float) else f"{value * factor:.{digits}f} {unit}"


def _failing(w: Words) -> tuple[str, str]:
    why = plain(str(w.facts.get("why") or say("failing_why")))
    return say("failing", why=why, since=w.since(w.facts.get("from_s"))), say("failing_act")


def _overdue(w: Words) -> tuple[str, str]:
    late_s, usual_s = w.facts.get("late_s"), w.facts.get("usual_end_s")
    late = say("overdue_by", late=duration(late_s)) if isinstance(late_s, int | float) else ""
    due = say("overdue_due", at=moment(usual_s, w.now_s, w.zone)) if isinstance(usual_s, int | float) else ""
    end_s = w.facts.get("p50_s")
    expected = say("overdue_unknown")
    if isinstance(end_s, int | float):
        sure = ranged(w.facts.get("p10_s"), w.facts.get("p90_s"), w.now_s, w.zone)
        expected = say("overdue_now", at=moment(max(end_s, w.now_s), w.now_s, w.zone), sure=sure)
    return say("overdue", late=late, due=due, expected=expected), say("overdue_act")


def _plug_off(w: Words) -> tuple[str, str]:
    how = plain(str(w.facts.get("how") or say("plug_how")))
    job = f" ({fit(plain(str(w.facts['job'])), 40)})" if w.facts.get("job") else ""
    return say("plug_off", how=f"{how[:1].upper()}{how[1:]}", since=w.since(), job=job), say("plug_act")


def _contradiction(w: Words) -> tuple[str, str]:
    says = plain(str(w.facts.get("says") or say("contradiction_says")))
    return say("contradiction", says=f"{says[:1].upper()}{says[1:]}", since=w.since()), say("contradiction_act")


def _humidity(w: Words) -> tuple[str, str]:
    value, limit = w.facts.get("value"), w.facts.get("limit")
    now = say("humidity_now", share=percent(value)) if isinstance(value, float) else say("humidity_unknown")
    most = say("humidity_limit", share=percent(limit)) if isinstance(limit, float) else ""
    damp = ", ".join(str(one) for one in w.facts.get("materials") or ()) or say("feedstock")
    what = fit(plain(damp), 40)
    return say("humidity", now=f"{now}{most}", since=w.since(), what=what), say("humidity_act")


def _filament(w: Words) -> tuple[str, str]:
    out_s = w.facts.get("out_s")
    spool = say("filament_of", spool=fit(plain(str(w.facts["spool"])), 40)) if w.facts.get("spool") else ""
    text = say("filament", left=w.number("left_g", "g"), spool=spool, needed=w.number("needed_g", "g"))
    if w.facts.get("next"):
        text = f"{text} {say('filament_next', job=fit(plain(str(w.facts['next'])), 40))}"
    if isinstance(out_s, int | float):
        text = f"{text} {say('filament_out', at=moment(out_s, w.now_s, w.zone))}"
    return text, say("filament_act")


def _late(w: Words) -> tuple[str, str]:
    due_s, missing, made_s = w.facts.get("due_s"), w.facts.get("missing"), w.facts.get("made_by_s")
    due = say("late_due", at=moment(due_s, w.now_s, w.zone)) if isinstance(due_s, int | float) else ""
    many = say("late_many", count=f"{missing:g}") if isinstance(missing, int | float) else say("late_some")
    made = say("late_made", at=moment(made_s, w.now_s, w.zone)) if isinstance(made_s, int | float) else ""
    why = fit(plain(str(w.facts.get("why") or say("late_why"))), 120)
    return say("late", many=many, due=due, made=made), say("late_act", why=why)


def _stock(w: Words) -> tuple[str, str]:
    left, point, days = (w.number("left_g", "kg", 1e-3, 1), w.number("point_g", "kg", 1e-3, 1), w.facts.get("days"))
    lasts = say("stock_lasts", days=f"{days:.0f}") if isinstance(days, int | float) else ""
    return say("stock", left=left, lasts=lasts, point=point), say("stock_act")


def _damp(w: Words) -> tuple[str, str]:
    where = say("damp_on", machine=fit(plain(str(w.facts["machine"])), 30)) if w.facts.get("machine") else ""
    limit = w.facts.get("limit")
    above = say("damp_above", share=percent(limit)) if isinstance(limit, float) else say("damp_humid")
    what = fit(plain(str(w.facts.get("material") or say("damp_it"))), 20)
    meaning = say("damp", what=what, where=where, hours=w.number("humid_h", "h"), above=above)
    return meaning, say("damp_act", time=w.number("dry_h", "h"), heat=w.number("dry_c", "°C"))


def _service(w: Words) -> tuple[str, str]:
    task = fit(plain(str(w.facts.get("task") or say("service_task"))), 60)
    unit = str(w.facts.get("unit") or "hours")
    used, every = w.number("used", unit), w.number("every", unit)
    return say("service", task=f"{task[:1].upper()}{task[1:]}", used=used, every=every), say("service_act")


def _clock(w: Words) -> tuple[str, str]:
    why = plain(str(w.facts.get("why") or say("clock_why")))
    return say("clock", why=f"{why[:1].upper()}{why[1:]}"), say("clock_act")


def _channel(w: Words) -> tuple[str, str]:
    why = plain(str(w.facts.get("why") or say("channel_why")))
    return say("channel", why=why), say("channel_act")


def _unstable(w: Words) -> tuple[str, str]:
    rule = str(w.facts.get("of") or w.alarm.subject.partition(":")[0])
    return say("unstable"), say("unstable_act", rule=rule)


ALONE: dict[str, Callable[[Words], tuple[str, str]]] = {
    "build_failing": _failing,
    "build_overdue": _overdue,
    "plug_off": _plug_off,
    "contradiction": _contradiction,
    "humidity": _humidity,
    "filament_low": _filament,
    "service_due": _service,
    "stock_low": _stock,
    "due_date": _late,
    "spool_damp": _damp,
    "clock_untrusted": _clock,
    "channel_failing": _channel,
    UNSTABLE: _unstable,
}


def alone(alarm: Alarm, now_s: float, zone: str) -> tuple[str, str]:
    """Title and text of an alarm of ALONE."""
    return said(headline(alarm.rule, alarm.subject), *ALONE[alarm.rule](Words(alarm, now_s, zone)))
