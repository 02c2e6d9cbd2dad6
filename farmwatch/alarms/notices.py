"""From alarms to messages: one incident, one message and one all-clear.

Alarms of the same group that come together are one incident. Its first message waits a short window for the
rest of the story; what comes later is told at most once more; when every alarm of it is gone, one all-clear
is sent, if anything had been sent at all. Beds are gathered over five minutes and need no all-clear: the
person who clears them knows.
"""

from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any, Protocol

from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, fit
from farmwatch.words.model import Effect, Keep, Message, PersonPlan
from farmwatch.words.timers import Timers

GATHER_S: dict[str, float] = {
    "bed": 15, "mains": 4, "broker": 2, "heat": 1, "silent": 30, "fault": 5, "store": 2, "care": 2,
}  # fmt: skip
"""How long an incident's first message waits for the rest of the story."""
BED_WINDOW_S = 300.0
RESTORED_S = 2.0
OWNER = PersonPlan("owner", ())
"""Who is written to where no people are configured: nobody's phone, but the page, the journal and replay show it."""
LATER_S = 300.0
ABSORB_S = 30.0
"""What joins a loss of supply within so long is the same story; a further backup on battery after it is news."""
PRIORITY_RANK = {"digest": 0, "session": 1, "danger": 2}


@dataclass(slots=True)
class Incident:
    """What one message and its all-clear are about."""

    id: str
    key: str
    group: str
    priority: str
    opened_s: float
    alarms: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    steps: int = 0
    named: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)


class Scene(Protocol):
    """What the words are made from; the brain is the scene."""

    def words_for(
        self, incident: Incident, alarms: list[Alarm], step: str, now_s: float
    ) -> tuple[str, str, tuple[tuple[str, str], ...]]:
        """Title, text and actions of a message."""
        ...


class Notices:
    """Gathers alarms into incidents and writes the messages."""

    def __init__(self, timers: Timers, people: dict[str, PersonPlan], scene: Scene) -> None:
        self._timers = timers
        self._people = people or {OWNER.name: OWNER}
        self._scene = scene
        self.open: dict[str, Incident] = {}

    def take(
        self, changed: list[tuple[Alarm, str]], alarms: dict[str, Alarm], now_s: float, effects: list[Effect]
    ) -> None:
        """Alarms whose state has moved; empties the list."""
        touched: dict[str, None] = {}
        for alarm, previous in changed:
            key = self._key(alarm)
            if alarm.state == "unacknowledged" and previous != "acknowledged":
                self._raise(alarm, key, now_s)
                touched[key] = None
            elif not alarm.speaks and key in self.open and alarm.id in self.open[key].alarms:
                touched[key] = None
        changed.clear()
        for key in touched:
            incident = self.open.get(key)
            if incident is not None:
                self._settle(incident, alarms, now_s, effects)
                if key in self.open:
                    effects.append(Keep("incident", key, incident.as_dict()))

    def _key(self, alarm: Alarm) -> str:
        group = RULES[alarm.rule].group
        if group == "care":
            return f"{group}:{alarm.id}"
        return f"{group}:{alarm.subject}" if group in ("fault", "store", "heat") else group

    def _raise(self, alarm: Alarm, key: str, now_s: float) -> None:
        group = RULES[alarm.rule].group
        incident = self.open.get(key)
        if incident is None:
            stamp = f"{datetime.fromtimestamp(now_s, UTC):%Y%m%dT%H%M%S}"
            incident = Incident(f"{key}-{stamp}", key, group, alarm.priority, now_s)
            self.open[key] = incident
            self._timers.set(("notice", key), now_s + GATHER_S[group])
        elif incident.steps > 0 and alarm.id not in incident.told:
            urgent = PRIORITY_RANK[alarm.priority] > PRIORITY_RANK[incident.priority] or (
                alarm.priority == "danger" and alarm.rule not in {t.split(":")[0] for t in incident.told}
            )
            further = group == "mains" and alarm.priority == "danger" and now_s > incident.opened_s + ABSORB_S
            if urgent or further:
                self._timers.set(("notice", key), now_s + GATHER_S[group])
            elif group != "mains" and self._timers.due_s(("notice", key)) is None:
                self._timers.set(("notice", key), now_s + LATER_S)
        if PRIORITY_RANK[alarm.priority] > PRIORITY_RANK[incident.priority]:
            incident.priority = alarm.priority
        if alarm.id not in incident.alarms:
            incident.alarms.append(alarm.id)
        alarm.incident = incident.id

    def _settle(self, incident: Incident, alarms: dict[str, Alarm], now_s: float, effects: list[Effect]) -> None:
        """Close the incident if nothing of it stands."""
        if incident.group == "bed" or any(a in alarms and alarms[a].true for a in incident.alarms):
            return
        if incident.steps > 0:
            told = [alarms[a] for a in incident.told if a in alarms]
            self._write(incident, told, "clear", now_s, effects)
        self._close(incident, effects)

    def _close(self, incident: Incident, effects: list[Effect]) -> None:
        self._timers.drop(("notice", incident.key))
        self.open.pop(incident.key, None)
        effects.append(Keep("incident", incident.key, None))

    def timer(self, key: str, alarms: dict[str, Alarm], now_s: float, effects: list[Effect]) -> None:
        """The window of an incident is over: write what is to be written."""
        incident = self.open.get(key)
        if incident is None:
            return
        standing = [alarms[a] for a in incident.alarms if a in alarms and alarms[a].speaks]
        if incident.group == "bed":
            self._beds(incident, standing, now_s, effects)
            return
        news = [alarm for alarm in standing if alarm.id not in incident.told]
        if incident.steps == 0 and not standing:
            self._close(incident, effects)
        elif incident.steps == 0:
            self._write(incident, standing, "opened", now_s, effects)
            effects.append(Keep("incident", key, incident.as_dict()))
        elif news and incident.steps < 2:
            self._write(incident, news, "more", now_s, effects)
            effects.append(Keep("incident", key, incident.as_dict()))

    def again(self, key: str, alarms: dict[str, Alarm], now_s: float, effects: list[Effect]) -> bool:
        """What was told of an incident has changed: tell it anew if it has been told only once; whether it was."""
        incident = self.open.get(key)
        if incident is None or incident.steps != 1:
            return False
        standing = [alarms[a] for a in incident.alarms if a in alarms and alarms[a].speaks]
        if not standing:
            return False
        self._write(incident, standing, "more", now_s, effects)
        effects.append(Keep("incident", key, incident.as_dict()))
        return True

    def _beds(self, incident: Incident, standing: list[Alarm], now_s: float, effects: list[Effect]) -> None:
        news = [alarm for alarm in standing if alarm.subject not in incident.named]
        if incident.steps == 0 and standing:
            self._write(incident, standing, "opened", now_s, effects)
        elif news:
            self._write(incident, news, "more", now_s, effects)
        ends_s = incident.opened_s + BED_WINDOW_S
        if incident.steps == 1 and now_s < ends_s:
            self._timers.set(("notice", incident.key), ends_s)
            effects.append(Keep("incident", incident.key, incident.as_dict()))
        else:
            self._close(incident, effects)

    def _write(self, incident: Incident, alarms: list[Alarm], step: str, now_s: float, effects: list[Effect]) -> None:
        title, text, actions = self._scene.words_for(incident, alarms, step, now_s)
        title = fit(title, TITLE_MAX)
        text = fit(text, TOTAL_MAX - len(title) - 1)
        incident.steps += 1
        incident.told += [alarm.id for alarm in alarms if alarm.id not in incident.told]
        priority = incident.priority if step != "clear" else min_priority(incident.priority)
        effects.extend(
            Message(
                id=f"{incident.id}.{step}.{incident.steps}.{person.name}",
                at_s=now_s,
                to=person.name,
                priority=priority,
                title=title,
                text=text,
                incident=incident.id,
                step=step,
                actions=actions,
            )
            for person in self._people.values()
        )

    def restore(self, docs: list[dict[str, Any]], now_s: float) -> None:
        """Take up where the journal left off: a message that was not yet written is written now."""
        for doc in docs:
            incident = Incident(**doc)
            self.open[incident.key] = incident
            window_s = BED_WINDOW_S if incident.group == "bed" and incident.steps else GATHER_S[incident.group]
            # Counted from the incident's begin: a collector that restarts again and again still tells it.
            wait_s = max(RESTORED_S, incident.opened_s + window_s - now_s)
            if incident.steps == 0 or incident.group == "bed":
                self._timers.set(("notice", incident.key), now_s + wait_s)


def min_priority(priority: str) -> str:
    """An all-clear is never a danger."""
    return "session" if priority == "danger" else priority
