"""Words for alarms that stand alone: what it means and by when, then what to do.

The first line is the rule's `title`. A name is cut before a word of ours is, and what it means before what to do.
"""

from collections.abc import Callable, Mapping
from typing import Any

from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.rules import RULES, UNSTABLE
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
    name = plain(subject) or "unnamed"
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
        return f"since {moment(at_s, self.now_s, self.zone)}, for {duration(self.now_s - at_s)}"

    def number(self, key: str, unit: str, factor: float = 1.0, digits: int = 0) -> str:
        """A fact with its unit; "unknown" where it is not known."""
        value = self.facts.get(key)
        return "unknown" if not isinstance(value, int | float) else f"{value * factor:.{digits}f} {unit}"


def _failing(w: Words) -> tuple[str, str]:
    why = plain(str(w.facts.get("why") or "what it does does not look like printing"))
    meaning = (
        f"It says that it prints, but {why}, {w.since(w.facts.get('from_s'))}. Time and feedstock go into nothing."
    )
    return meaning, "Look at it now; stop it if the part is lost."


def _overdue(w: Words) -> tuple[str, str]:
    late_s, usual_s = w.facts.get("late_s"), w.facts.get("usual_end_s")
    late = f" by {duration(late_s)}" if isinstance(late_s, int | float) else ""
    due = f": its usual end was {moment(usual_s, w.now_s, w.zone)}" if isinstance(usual_s, int | float) else ""
    end_s = w.facts.get("p50_s")
    new = "When it ends is not known now."
    if isinstance(end_s, int | float):
        sure = ranged(w.facts.get("p10_s"), w.facts.get("p90_s"), w.now_s, w.zone)
        new = f"Now expected about {moment(max(end_s, w.now_s), w.now_s, w.zone)}{sure}."
    return f"Overdue{late}{due}. {new} It may be printing air.", "Look whether it still builds."


def _plug_off(w: Words) -> tuple[str, str]:
    how = plain(str(w.facts.get("how") or "its plug gives no power"))
    job = f" ({fit(plain(str(w.facts['job'])), 40)})" if w.facts.get("job") else ""
    meaning = f"{how[:1].upper()}{how[1:]} {w.since()}. Its build{job} is lost; filament sits in a hot nozzle."
    return meaning, "Find out who or what switched it before it goes on again."


def _contradiction(w: Words) -> tuple[str, str]:
    says = plain(str(w.facts.get("says") or "they cannot all be true"))
    meaning = f"{says[:1].upper()}{says[1:]}, {w.since()}. Which of them is right is not known."
    return meaning, "Check which plug and which backup it really hangs on."


def _humidity(w: Words) -> tuple[str, str]:
    value, limit = w.facts.get("value"), w.facts.get("limit")
    now = f"{percent(value)} relative humidity" if isinstance(value, float) else "Humidity is not known now"
    most = f", limit {percent(limit)}" if isinstance(limit, float) else ""
    damp = ", ".join(str(one) for one in w.facts.get("materials") or ()) or "Feedstock"
    return f"{now}{most}, {w.since()}. {fit(plain(damp), 40)} takes up water within hours or days.", (
        "Close up, dry the air, keep spools in their boxes."
    )


def _filament(w: Words) -> tuple[str, str]:
    left, needed = w.number("left_g", "g"), w.number("needed_g", "g")
    out_s = w.facts.get("out_s")
    when = f" It runs out about {moment(out_s, w.now_s, w.zone)}." if isinstance(out_s, int | float) else ""
    spool = f" of {fit(plain(str(w.facts['spool'])), 40)}" if w.facts.get("spool") else ""
    return f"About {left}{spool} left, {needed} needed.{when}", "Lay a spool ready and change it in time."


def _late(w: Words) -> tuple[str, str]:
    due_s, missing, made_s = w.facts.get("due_s"), w.facts.get("missing"), w.facts.get("made_by_s")
    due = f" by {moment(due_s, w.now_s, w.zone)}" if isinstance(due_s, int | float) else ""
    many = f"{missing:g} pieces" if isinstance(missing, int | float) else "Pieces"
    when = f"; all made about {moment(made_s, w.now_s, w.zone)}" if isinstance(made_s, int | float) else ""
    return f"{many} will be missing{due}{when}.", f"{fit(plain(str(w.facts.get('why') or 'no time for it')), 120)}."


def _stock(w: Words) -> tuple[str, str]:
    left, point, days = (w.number("left_g", "kg", 1e-3, 1), w.number("point_g", "kg", 1e-3, 1), w.facts.get("days"))
    lasts = f", enough for about {days:.0f} days" if isinstance(days, int | float) else ""
    return f"{left} left{lasts}; the reorder point is {point}.", "Order it, and say so when it has come."


def _damp(w: Words) -> tuple[str, str]:
    where = f" on {fit(plain(str(w.facts['machine'])), 30)}" if w.facts.get("machine") else ""
    limit = w.facts.get("limit")
    above = f" above {percent(limit)} relative humidity" if isinstance(limit, float) else " too humid for it"
    what = fit(plain(str(w.facts.get("material") or "It")), 20)
    meaning = f"{what}{where}: {w.number('humid_h', 'h')} in air{above}."
    heat, time = w.number("dry_c", "°C"), w.number("dry_h", "h")
    return meaning, f"Dry it, usually {time} at {heat}; its maker's sheet comes first."


def _service(w: Words) -> tuple[str, str]:
    task = fit(plain(str(w.facts.get("task") or "service")), 60)
    unit = str(w.facts.get("unit") or "hours")
    used, every = w.number("used", unit), w.number("every", unit)
    return f"{task[:1].upper()}{task[1:]}: {used} since the last service, due every {every}.", (
        "Do it when the machine is free, and say so."
    )


def _clock(w: Words) -> tuple[str, str]:
    why = plain(str(w.facts.get("why") or "it stands where it cannot be"))
    meaning = f"{why[:1].upper()}{why[1:]}. Clock times in messages are wrong by as much; durations are right."
    return meaning, "Let the computer set its clock, then restart Farmwatch."


def _channel(w: Words) -> tuple[str, str]:
    why = plain(str(w.facts.get("why") or "it accepts nothing"))
    meaning = f"Its last message did not go out: {why}. Messages come by the next channel, late, or not at all."
    return meaning, "Try `farmwatch notify test` and mend what it says."


def _unstable(w: Words) -> tuple[str, str]:
    rule = str(w.facts.get("of") or w.alarm.subject.partition(":")[0])
    meaning = "Raised three times within ten minutes. It is not told again until it has been quiet for ten."
    return meaning, f"Mend the connection, or lengthen its delays under [rules.{rule}]."


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
