"""The daily report: what the last local day was, what stands now, and how the watcher itself did.

It comes every day at the same time, also when there is nothing to say: a person notices when it does not.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import timedelta
from typing import Any, NamedTuple

from farmwatch.alarms.box import Box
from farmwatch.alarms.hours import at_minute, local_day, spans
from farmwatch.alarms.letters import Letter
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, duration, fit, names, percent, plain
from farmwatch.shop.usage import Rates, Run, Times, cost_of, run_of, times_between
from farmwatch.words.model import Effect, HoursPlan, Keep, Note

KEPT_DAYS = 3
FREE = Rates(None, 0.0)
SUPPLY = frozenset({"site", "circuit", "backup"})
"""Causes that are a loss of supply; a plug or a network that says nothing is none."""


@dataclass(slots=True)
class Day:
    """What is counted of one local day.

    Builds by id: their results. Outages by id: their seconds. Machine time by its category (`shop.usage`), seconds over
    all machines; `waiting_s` of it beds that waited.
    """

    builds: dict[str, str] = field(default_factory=dict)
    outages: dict[str, float] = field(default_factory=dict)
    blind_s: float = 0.0
    seconds: dict[str, float] = field(default_factory=dict)
    waiting_s: float = 0.0

    def add(self, times: Times) -> None:
        """Machine time of this day."""
        for category, seconds in times.seconds.items():
            if seconds:
                self.seconds[category] = self.seconds.get(category, 0.0) + seconds
        self.waiting_s += times.waiting_s

    def times(self) -> Times:
        """Its machine time."""
        return Times({**Times().seconds, **self.seconds}, waiting_s=self.waiting_s)


class Now(NamedTuple):
    """What a machine has been since when; `trial`: engineering time."""

    since_s: float
    state: str
    trial: bool = False


class Tally:
    """Counts by local days what passes among the effects.

    Args:
        timezone: the site's.
        closed: hours in which nobody plans to run.
    """

    def __init__(self, timezone: str, closed: tuple[HoursPlan, ...] = ()) -> None:
        self._zone, self._closed = timezone, closed
        self.days: dict[str, Day] = {}
        self.uses: dict[str, dict[str, Any]] = {}  # builds that are over, by id: their `use` notes
        self._now: dict[str, Now] = {}
        self._changed: set[str] = set()
        self._used: set[str] = set()

    def take(self, effects: list[Effect]) -> None:
        """Look at the effects of one step; adds the facts that must survive."""
        for effect in effects:
            if isinstance(effect, Note):
                self._note(effect)
        effects.extend(Keep("tally_use", build, self.uses[build]) for build in sorted(self._used))
        self._used.clear()
        if not self._changed:
            return
        effects.extend(Keep("tally", day, asdict(self.days[day])) for day in sorted(self._changed))
        effects.append(Keep("tally_now", "all", {name: list(now) for name, now in self._now.items()}))
        self._changed.clear()
        for old in sorted(self.days)[:-KEPT_DAYS]:
            del self.days[old]
            effects.append(Keep("tally", old, None))
        least = min(self.days)
        for build in [b for b, doc in self.uses.items() if local_day(doc["ended"], self._zone).isoformat() < least]:
            del self.uses[build]
            effects.append(Keep("tally_use", build, None))

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
        elif note.kind == "use":
            self.uses[doc["build"]] = dict(doc)
            self._used.add(doc["build"])
            self._day(doc["ended"])
        else:
            self._moved(note)

    # ---- machine time -----------------------------------------------------------------------------------------------

    def _moved(self, note: Note) -> None:
        doc, at_s = note.doc, note.at_s
        name = str(doc.get("machine") or "")
        if note.kind == "state":
            self._to(name, at_s)
            self._now[name] = Now(at_s, str(doc["state"]), self._now[name].trial if name in self._now else False)
        elif note.kind == "said" and doc.get("command") in ("trial", "trial_over") and name in self._now:
            self._to(name, at_s)
            self._now[name] = self._now[name]._replace(trial=doc["command"] == "trial")
        elif note.kind == "awoke" and doc.get("dark_since") is not None:
            for machine, now in list(self._now.items()):
                self._to(machine, max(float(doc["dark_since"]), now.since_s))
                self._now[machine] = self._now[machine]._replace(state="unknown")
                self._to(machine, at_s)
                self._now[machine] = Now(at_s, now.state, now.trial)

    def _to(self, machine: str, to_s: float) -> None:
        """Book what a machine has been up to now, day by day."""
        now = self._now.get(machine)
        if now is None or to_s <= now.since_s:
            return
        at_s = max(now.since_s, to_s - KEPT_DAYS * 86_400.0)
        while at_s < to_s:
            day = local_day(at_s, self._zone)
            end_s = min(at_minute(day + timedelta(days=1), 0, self._zone), to_s)
            trials = [(at_s, end_s)] if now.trial else []
            off = spans(self._closed, at_s, end_s, self._zone) if self._closed else []
            self._day(at_s).add(times_between([(at_s, now.state)], at_s, end_s, off, trials))
            at_s = end_s
        self._now[machine] = now._replace(since_s=to_s)

    def catch_up(self, now_s: float) -> None:
        """Book what every machine has been up to now."""
        for machine in list(self._now):
            self._to(machine, now_s)

    def runs(self, day: str) -> list[Run]:
        """The builds that were over on a day, for their cost."""
        return [run_of(doc) for doc in self.uses.values() if local_day(doc["ended"], self._zone).isoformat() == day]

    # ---- life -------------------------------------------------------------------------------------------------------

    def _day(self, at_s: float) -> Day:
        day = local_day(at_s, self._zone).isoformat()
        self._changed.add(day)
        return self.days.setdefault(day, Day())

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]]) -> None:
        """Take up where the journal left off."""
        self.days = {day: Day(**doc) for day, doc in kept.get("tally", {}).items()}
        self.uses = {build: dict(doc) for build, doc in kept.get("tally_use", {}).items()}
        self._now = {name: Now(*row) for name, row in kept.get("tally_now", {}).get("all", {}).items()}


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
        rates: what energy and machine hours cost, for the cost of a good part.
        round: when to go to the machines next, in one sentence.
    """

    energy_wh: float | None = None
    least: bool = False
    cost: str = ""
    waiting: int = 0
    needs: Sequence[str] = ()
    due: Sequence[str] = ()
    unseen: Sequence[str] = ()
    stores: Sequence[str] = ()
    rates: Rates = FREE
    currency: str = ""
    round: str = ""


def yesterday(now_s: float, timezone: str) -> str:
    """The local day before this one: 2026-11-24."""
    return (local_day(now_s, timezone) - timedelta(days=1)).isoformat()


def report(tally: Tally, box: Box, found: Standing, now_s: float, timezone: str) -> Letter:
    """The report to one person. It never says that all is well when something could not be seen."""
    day = yesterday(now_s, timezone)
    tally.catch_up(now_s)
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
        text=_joined(_lines(counts, tally.runs(day), box, found), TOTAL_MAX - len(title) - 1),
    )


def _lines(counts: Day, runs: Sequence[Run], box: Box, found: Standing) -> Iterable[str]:
    done = sum(result == "done" for result in counts.builds.values())
    yield say("daily_builds", done=done, all=len(counts.builds)) if counts.builds else say("daily_no_builds")
    cost = cost_of(runs, found.rates)
    if cost.good > 0 and "pieces" not in cost.missing:
        known = cost.each is not None and cost.total > 0 and not cost.missing and found.currency
        each = say("daily_each", cost=f"{cost.each:.2f} {found.currency}") if known else ""
        yield say("daily_parts", number=round(cost.good), each=each)
    used = counts.times().total_utilisation()
    if used is not None:
        yield say("daily_used", share=percent(used), lasted=duration(counts.waiting_s))
    if found.round:
        yield found.round
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
