"""How good the alarms themselves are: the metrics of ANSI/ISA-18.2 and EEMUA 191 over what is on record.

Targets (ANSI/ISA-18.2-2016, section 16.4, tables 5 and 6, by a secondary text; 300 a day and the clock minute of
chattering from memory) are for a seated operator. A person at a bench has other things to do: a thirtieth of the daily
figure is our own proposal. Rates are given as they are counted; they have no uncertainty.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, NamedTuple

from farmwatch.alarms.lifecycle import OWING
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.wording import zone

BIN_S = 600.0
FLOOD_MORE, FLOOD_LESS = 10, 5
"""A flood begins with more than the first in ten minutes and ends with less than the second."""
DAY_S = 86_400.0
STALE_S = DAY_S
CHATTER_TIMES = 3
TOP = 10
SAMPLE_DAYS = 30


class Change(NamedTuple):
    """An alarm that moved, as the journal has it.

    `back` says how far the value had come back within its limit, in the limit's unit, since the alarm was raised the
    last time; None where that is not known, or there is no value.
    """

    at_s: float
    rule: str
    subject: str
    state: str
    previous: str
    priority: str
    back: float | None = None


class Told(NamedTuple):
    """A message to a person; `took_s` until a service accepted it, None: not yet, or never; `silent`: no sound."""

    at_s: float
    to: str
    priority: str
    step: str
    rules: tuple[str, ...]
    took_s: float | None
    silent: bool = False


@dataclass(slots=True)
class Episode:
    """One time that an alarm's condition was true.

    `raised_s` is when it was annunciated, None where it never was (explained, shelved or out of service); `ended_s`
    None: it still is. `answered` says that a person acted before it ended, or that its end was the answer.
    """

    rule: str
    subject: str
    priority: str
    began_s: float
    raised_s: float | None = None
    ended_s: float | None = None
    answered: bool = False
    acknowledged: bool = False
    back: float | None = None

    @property
    def key(self) -> str:
        """Rule and subject."""
        return f"{self.rule}:{self.subject}"


def change_of(note: Mapping[str, Any]) -> Change:
    """A line of the journal's history."""
    back = note.get("back")
    return Change(
        float(note["at_s"]), str(note["alarm"]), str(note["subject"]), str(note["state"]), str(note["previous"]),
        str(note.get("priority", "session")), None if back is None else float(back),
    )  # fmt: skip


def episodes(changes: Iterable[Change]) -> list[Episode]:
    """What the changes tell, in order of time: one episode from the condition's begin to its end."""
    open_: dict[str, Episode] = {}
    found: list[Episode] = []
    for change in sorted(changes, key=lambda c: c.at_s):
        key = f"{change.rule}:{change.subject}"
        now = open_.get(key)
        true = change.state not in ("normal", *OWING)
        if true and now is None:
            now = open_[key] = Episode(change.rule, change.subject, change.priority, change.at_s, back=change.back)
            found.append(now)
        if now is None:
            continue
        if change.state == "unacknowledged" and now.raised_s is None:
            now.raised_s = change.at_s
        elif change.state == "acknowledged":
            now.acknowledged = now.answered = True
        elif change.state == "shelved":
            now.answered = True
        if not true:
            rule = RULES.get(change.rule)
            now.answered = now.answered or (rule is not None and rule.clearing == "answered")
            now.ended_s = change.at_s
            del open_[key]
    return found


def bins(times_s: Sequence[float], start_s: float, end_s: float) -> list[int]:
    """How many in each ten minutes."""
    counts = [0] * max(1, -int(-(end_s - start_s) // BIN_S))
    for at_s in times_s:
        counts[min(int((at_s - start_s) // BIN_S), len(counts) - 1)] += 1
    return counts


def floods(counts: Sequence[int]) -> list[tuple[int, int]]:
    """Floods as (first bin, bin in which it is over).

    >>> floods([2, 11, 8, 5, 4, 1]), floods([2, 10, 10, 10])
    ([(1, 4)], [])
    """
    found, begun = [], None
    for index, number in enumerate(counts):
        if begun is None and number > FLOOD_MORE:
            begun = index
        elif begun is not None and number < FLOOD_LESS:
            found.append((begun, index))
            begun = None
    return [*found, (begun, len(counts))] if begun is not None else found


def chattering(times: Mapping[str, Sequence[float]], within_s: float) -> list[str]:
    """Alarms that were raised three times within so long."""
    return sorted(
        key
        for key, at in times.items()
        if any(b - a < within_s for a, b in zip(at, at[CHATTER_TIMES - 1 :], strict=False))
    )


def quantile(values: Sequence[float], share: float) -> float | None:
    """The value below which a share of the values lie (nearest rank), None without any."""
    if not values:
        return None
    return sorted(values)[min(len(values) - 1, max(0, -int(-share * len(values) // 1) - 1))]


def share(part: int, whole: int) -> float | None:
    """A share, None of nothing."""
    return round(part / whole, 4) if whole else None


def stale_by_day(found: Iterable[Episode], start_s: float, end_s: float) -> int:
    """Most alarms on any day that had been standing for more than 24 hours."""
    worst = 0
    day_s = start_s
    stands = [(e.raised_s, end_s if e.ended_s is None else e.ended_s) for e in found if e.raised_s is not None]
    stands = [(began_s, over_s) for began_s, over_s in stands if over_s - began_s > STALE_S]
    while day_s < end_s:
        until_s = min(day_s + DAY_S, end_s)
        stale = [began_s for began_s, over_s in stands if began_s + STALE_S < until_s and over_s > day_s]
        worst = max(worst, len(stale))
        day_s += DAY_S
    return worst


def report(
    changes: Iterable[Change], told: Iterable[Told], start_s: float, end_s: float, timezone: str
) -> dict[str, Any]:
    """Everything, JSON-able. Times are epoch seconds; shares are of 1; None is what cannot be said."""
    whole = episodes(c for c in changes if c.at_s < end_s)
    raised = [e for e in whole if e.raised_s is not None and start_s <= e.raised_s < end_s]
    times = sorted(e.raised_s for e in raised if e.raised_s is not None)
    counts = bins(times, start_s, end_s)
    flood = floods(counts)
    days = max((end_s - start_s) / DAY_S, 1e-9)
    by_key, by_rule = Counter(e.key for e in raised), Counter(e.rule for e in raised)
    at: dict[str, list[float]] = defaultdict(list)
    for e in sorted(raised, key=lambda e: e.raised_s or 0.0):
        at[e.key].append(e.raised_s or 0.0)
    over = [e for e in raised if e.ended_s is not None]
    selfish = [e for e in over if not e.answered]
    priorities = Counter(e.priority for e in raised)
    return {
        "from_s": start_s,
        "to_s": end_s,
        "days": round(days, 3),
        "enough": days >= SAMPLE_DAYS,
        "alarms": len(raised),
        "alarms_a_day": round(len(raised) / days, 3),
        "alarms_an_hour": round(len(raised) / days / 24, 4),
        "alarms_in_10_min": round(len(raised) / len(counts), 4),
        "most_in_10_min": max(counts),
        "share_of_10_min_above_10": share(sum(n > FLOOD_MORE for n in counts), len(counts)),
        "floods": [(start_s + a * BIN_S, start_s + b * BIN_S) for a, b in flood],
        "share_in_flood": share(sum(b - a for a, b in flood), len(counts)),
        "priorities": {name: share(priorities[name], len(raised)) for name in ("danger", "session", "digest")},
        "top": [(key, number) for key, number in by_key.most_common(TOP)],
        "top_share": share(sum(n for _, n in by_key.most_common(TOP)), len(raised)),
        "by_rule": dict(by_rule.most_common()),
        "chattering_10_min": chattering(at, BIN_S),
        "chattering_1_min": chattering(at, 60.0),
        "stale_most": stale_by_day(whole, start_s, end_s),
        "stale_now": sorted(e.key for e in raised if e.ended_s is None and end_s - (e.raised_s or end_s) > STALE_S),
        "acknowledged": share(sum(e.acknowledged for e in raised), len(raised)),
        "answered": share(sum(e.answered for e in over), len(over)),
        "cleared_by_themselves": share(len(selfish), len(over)),
        "explained": sum(e.raised_s is None and start_s <= e.began_s < end_s for e in whole),
        "messages": messages([t for t in told if start_s <= t.at_s < end_s], start_s, end_s, timezone),
    }


def messages(told: Sequence[Told], start_s: float, end_s: float, timezone: str) -> dict[str, Any]:
    """Messages by person and day, by rule, and how long they took."""
    where = zone(timezone)

    def day(at_s: float) -> str:
        return datetime.fromtimestamp(at_s, UTC).astimezone(where).date().isoformat()

    days, at_s = [], start_s
    while at_s < end_s:
        days.append(day(at_s))
        at_s += DAY_S / 2
    days = list(dict.fromkeys(days))
    people: dict[str, Counter[str]] = defaultdict(Counter)
    for t in told:
        if t.priority != "digest" and not t.silent:
            people[t.to][day(t.at_s)] += 1
    took = {
        name: sorted(t.took_s for t in told if t.took_s is not None and t.priority == name)
        for name in ("danger", "session", "digest")
    }
    return {
        "all": len(told),
        "interrupting": sum(t.priority != "digest" and not t.silent for t in told),
        "silent": sum(t.silent for t in told),
        "by_priority": dict(Counter(t.priority for t in told)),
        "by_rule": dict(Counter(rule for t in told for rule in t.rules or ("other",)).most_common()),
        "a_person_and_day": {
            name: {
                "median": quantile([by_day[d] for d in days], 0.5),
                "most": max(by_day.values(), default=0),
                "days": {d: by_day[d] for d in days},
            }
            for name, by_day in sorted(people.items())
        },
        "took_s": {
            name: {"p50": quantile(values, 0.5), "p95": quantile(values, 0.95), "n": len(values)}
            for name, values in took.items()
        },
        "not_delivered": sum(t.took_s is None for t in told),
    }
