"""The daily report: what the last local day was, what stands now, and how the watcher itself did.

It comes every day at the same time, also when there is nothing to say: a person notices when it does not.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from farmwatch.alarms.box import Box
from farmwatch.alarms.hours import local_day
from farmwatch.alarms.letters import Letter
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, duration, fit, names, plain
from farmwatch.words.model import Effect, Keep, Note

KEPT_DAYS = 3
SUPPLY = frozenset({"site", "circuit", "backup"})
"""Causes that are a loss of supply; a plug or a network that says nothing is none."""


@dataclass(slots=True)
class Day:
    """What is counted of one local day. Builds by id: their results. Outages by id: their seconds."""

    builds: dict[str, str] = field(default_factory=dict)
    outages: dict[str, float] = field(default_factory=dict)
    blind_s: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return {"builds": dict(self.builds), "outages": dict(self.outages), "blind_s": self.blind_s}


class Tally:
    """Counts by local days what passes among the effects."""

    def __init__(self, timezone: str) -> None:
        self._zone = timezone
        self.days: dict[str, Day] = {}
        self._changed: set[str] = set()

    def take(self, effects: list[Effect]) -> None:
        """Look at the effects of one step; adds the facts that must survive."""
        for effect in effects:
            if isinstance(effect, Note):
                self._note(effect)
        if not self._changed:
            return
        effects.extend(Keep("tally", day, self.days[day].as_dict()) for day in sorted(self._changed))
        self._changed.clear()
        for old in sorted(self.days)[:-KEPT_DAYS]:
            del self.days[old]
            effects.append(Keep("tally", old, None))

    def _note(self, note: Note) -> None:
        doc = note.doc
        if note.kind == "build" and doc["ended"] is not None:
            self._day(doc["ended"]).builds[doc["id"]] = str(doc["result"])
        elif note.kind == "outage" and doc["ended"] is not None:
            lasted_s = doc["ended"] - doc["started"]
            if doc["cause"] == "collector":
                self._day(note.at_s).blind_s += lasted_s
            elif doc["cause"] in SUPPLY:
                self._day(doc["started"]).outages[f"{doc['cause']} {doc['place']} {doc['started']:.0f}"] = lasted_s

    def _day(self, at_s: float) -> Day:
        day = local_day(at_s, self._zone).isoformat()
        self._changed.add(day)
        return self.days.setdefault(day, Day())

    def restore(self, docs: dict[str, dict[str, Any]]) -> None:
        """Take up where the journal left off."""
        self.days = {day: Day(**doc) for day, doc in docs.items()}


@dataclass(frozen=True, slots=True)
class Standing:
    """What the report needs to know beside the tally.

    Attributes:
        energy_wh: of the day, None if unknown; `least`: some of it was not measured.
        cost: words for what that cost, "" if unknown.
        waiting: beds that wait now.
        needs: titles of what stands and cannot wait.
        due: titles of what is due when convenient.
        unseen: sources that are silent, or have never been heard.
        stores: stores that cannot be written.
    """

    energy_wh: float | None = None
    least: bool = False
    cost: str = ""
    waiting: int = 0
    needs: Sequence[str] = ()
    due: Sequence[str] = ()
    unseen: Sequence[str] = ()
    stores: Sequence[str] = ()


def yesterday(now_s: float, timezone: str) -> str:
    """The local day before this one: 2026-11-24."""
    return (local_day(now_s, timezone) - timedelta(days=1)).isoformat()


def report(tally: Tally, box: Box, found: Standing, now_s: float, timezone: str) -> Letter:
    """The report to one person. It never says that all is well when something could not be seen."""
    day = yesterday(now_s, timezone)
    counts = tally.days.get(day, Day())
    if found.needs or found.waiting:
        state = say("daily_stands", number=len(found.needs) + found.waiting)
    elif found.unseen or found.stores or counts.blind_s > 0 or found.energy_wh is None:
        state = say("daily_unsure")
    else:
        state = say("daily_well")
    title = fit(say("daily_title", day=day, state=state), TITLE_MAX)
    return Letter(
        id=f"daily-{day}",
        at_s=now_s,
        key="",
        incident=f"daily-{day}",
        step="note",
        priority="digest",
        title=title,
        text=_joined(_lines(counts, box, found), TOTAL_MAX - len(title) - 1),
    )


def _lines(counts: Day, box: Box, found: Standing) -> Iterable[str]:
    done = sum(result == "done" for result in counts.builds.values())
    yield say("daily_builds", done=done, all=len(counts.builds)) if counts.builds else say("daily_no_builds")
    if found.waiting:
        yield say("daily_beds", number=found.waiting)
    if found.energy_wh is None:
        yield say("daily_no_energy")
    else:
        key = "daily_energy_least" if found.least else "daily_energy"
        yield say(key, kwh=f"{found.energy_wh / 1000:.1f}", cost=found.cost)
    if counts.outages:
        yield say("daily_outages", number=len(counts.outages), lasted=duration(sum(counts.outages.values())))
    if counts.blind_s > 0:
        yield say("daily_blind", lasted=duration(counts.blind_s))
    if found.stores:
        yield say("daily_stores", what=names(list(found.stores), 2))
    if found.unseen:
        yield say("daily_unseen", what=names(list(found.unseen), 2))
    yield say("daily_messages", number=box.sent)
    if found.due:
        yield say("daily_due", what=names([plain(title) for title in found.due], 2))
    if box.over:
        yield say("daily_over", number=box.over)


def _joined(lines: Iterable[str], limit: int) -> str:
    """As many of the lines as fit whole, in their order."""
    text = ""
    for line in lines:
        longer = f"{text} {line}".strip()
        if len(longer) <= limit:
            text = longer
    return text
