"""From alarms to letters: one incident, one message and one all-clear.

Alarms of the same group that come together are one incident. Its first message waits a short window for the
rest of the story; what comes later is told at most once more; when every alarm of it is gone, one all-clear
is sent, if anything had been sent at all. Beds have rules of their own: see `beds`. To whom a letter goes, and
when, is seen to in `people`.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Protocol

from farmwatch.alarms import beds
from farmwatch.alarms.box import Box
from farmwatch.alarms.letters import RANK, Letter
from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.people import Mail
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.texts import say
from farmwatch.words.model import Effect, Keep, SitePlan
from farmwatch.words.timers import Timers

GATHER_S: dict[str, float] = {
    "bed": 15, "mains": 4, "broker": 2, "heat": 1, "silent": 30, "fault": 5, "store": 2, "care": 2, "dark": 0,
    "acts": 2,
}  # fmt: skip
"""How long an incident's first message waits for the rest of the story."""
ALONE_S, ALONE_AT_WORK_S = 1800.0, 600.0
"""A single source that says nothing is told of when it has been so for the first; for the second if a build runs of
which nothing else says how it goes. Nobody gets there sooner, and most come back by themselves. On the page it stands
at once."""
SEVERAL = 3
"""So many that fell silent together are a network, and are told of at once."""
RESTORED_S = 2.0
LATER_S = 300.0
ABSORB_S = 30.0
"""What joins a loss of supply within so long is the same story; a further backup on battery after it is news."""
MOST = 2
"""Messages of an incident before its all-clear."""
LAST_CALL = "battery_low"
"""A danger that is told although the incident has had its messages, once, as the escalation that it is: nobody has
acknowledged it, and there is no time left for what follows when nobody answers."""
OWN = frozenset({"fault", "store", "heat", "dark"})
"""Groups of which each subject is an incident of its own."""

Words = tuple[str, str, tuple[tuple[str, str], ...]]


@dataclass(slots=True)
class Incident:
    """What one message and its all-clear are about.

    `named` are the beds that messages have named; `asked_s` is when the first of them went, `reminded` whether they
    have been told of again; `answered`: somebody has acknowledged an alarm of it.
    """

    id: str
    key: str
    group: str
    priority: str
    opened_s: float
    alarms: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    steps: int = 0
    named: list[str] = field(default_factory=list)
    asked_s: float | None = None
    reminded: bool = False
    answered: bool = False

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)


class Scene(Protocol):
    """What the words are made from; the brain is the scene."""

    def words_for(self, incident: Incident, alarms: list[Alarm], step: str, now_s: float) -> Words:
        """Title, text and actions of a message."""
        ...

    def next_round(self, now_s: float) -> str:
        """When to go to the machines, in one sentence; "" where nothing can be said."""
        ...

    def daily(self, box: Box, now_s: float) -> Letter:
        """The daily report of one person."""
        ...

    def at_work(self, subject: str) -> bool:
        """Whether a build runs there."""
        ...


def everybody(_alarm: Alarm) -> tuple[str, ...] | None:
    """Nobody in particular is named for any rule."""
    return None


class Notices:
    """Gathers alarms into incidents and has them told."""

    def __init__(
        self,
        timers: Timers,
        plan: SitePlan,
        scene: Scene,
        recipients: Callable[[Alarm], tuple[str, ...] | None] = everybody,
    ) -> None:
        self._timers = timers
        self._plan = plan
        self._scene = scene
        self._recipients = recipients
        self._alarms: Mapping[str, Alarm] = {}
        self.mail = Mail(timers, plan.people, plan.timezone, self._fresh, self._unanswered, scene.daily,
                         scene.next_round)  # fmt: skip
        self.open: dict[str, Incident] = {}

    # ---- alarms that have moved -------------------------------------------------------------------------------------

    def take(
        self, changed: list[tuple[Alarm, str]], alarms: dict[str, Alarm], now_s: float, effects: list[Effect]
    ) -> None:
        """Alarms whose state has moved; empties the list."""
        self._alarms = alarms
        touched: dict[str, None] = {}
        for alarm, previous in changed:
            key = self._key(alarm)
            mine = key in self.open and alarm.id in self.open[key].alarms
            if alarm.state == "unacknowledged" and mine and previous == "acknowledged":
                self._again(self.open[key], alarm, now_s, effects)
                touched[key] = None
            elif alarm.state == "unacknowledged":
                self._raise(alarm, key, now_s, effects)
                touched[key] = None
            elif mine and alarm.state == "acknowledged":
                self.open[key].answered = True
                self.mail.answered(key, effects)
                touched[key] = None
            elif mine and not alarm.speaks:
                touched[key] = None
            elif key in self.open and alarm.rule == "bed_waiting" and not alarm.true and self.open[key].steps:
                self.open[key].answered = True  # a bed of an earlier request, cleared: somebody is at it
                touched[key] = None
        changed.clear()
        for key in touched:
            incident = self.open.get(key)
            if incident is not None:
                self._settle(incident, now_s, effects)
                if key in self.open:
                    effects.append(Keep("incident", key, self.open[key].as_dict()))

    def _key(self, alarm: Alarm) -> str:
        group = RULES[alarm.rule].group
        if group == "care":
            return f"{group}:{alarm.id}"
        return f"{group}:{alarm.subject}" if group in OWN else group

    def _open(self, key: str, group: str, priority: str, now_s: float, wait_s: float) -> Incident:
        stamp = f"{datetime.fromtimestamp(now_s, UTC):%Y%m%dT%H%M%S}"
        self.open[key] = Incident(f"{key}-{stamp}", key, group, priority, now_s)
        self._timers.set(("notice", key), now_s + wait_s)
        return self.open[key]

    def _raise(self, alarm: Alarm, key: str, now_s: float, effects: list[Effect]) -> None:
        group = RULES[alarm.rule].group
        incident = self.open.get(key)
        if incident is None:
            wait_s = ALONE_AT_WORK_S if alarm.rule == "source_silent" else GATHER_S[group]
            incident = self._open(key, group, alarm.priority, now_s, wait_s)
        elif group == "bed":
            self._bed_joins(incident, alarm, now_s, effects)
        elif group == "silent" and incident.steps == 0:
            if alarm.rule != "source_silent" or len(self._standing(incident)) >= SEVERAL - 1:
                due_s = self._timers.due_s(("notice", key)) or now_s
                self._timers.set(("notice", key), min(due_s, now_s + GATHER_S[group]))
        elif incident.steps > 0 and alarm.id not in incident.told:
            urgent = RANK[alarm.priority] > RANK[incident.priority] or (
                alarm.priority == "danger" and alarm.rule not in {t.split(":")[0] for t in incident.told}
            )
            further = group == "mains" and alarm.priority == "danger" and now_s > incident.opened_s + ABSORB_S
            if urgent or further:
                self._timers.set(("notice", key), now_s + GATHER_S[group])
            elif group != "mains" and self._timers.due_s(("notice", key)) is None:
                self._timers.set(("notice", key), now_s + LATER_S)
        if RANK[alarm.priority] > RANK[incident.priority]:
            incident.priority = alarm.priority
        if alarm.id not in incident.alarms:
            incident.alarms.append(alarm.id)
        alarm.incident = incident.id

    def _again(self, incident: Incident, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        """An acknowledged alarm still stands after its re-alarm time: it is annunciated again (ISA-18.2, re-alarm).

        A danger every time, and whoever does not answer is escalated to anew; what is no danger within the messages
        that an incident may have, and within hours and budget.
        """
        incident.answered = False
        if incident.steps == 0 or (alarm.priority != "danger" and incident.steps >= MOST):
            return
        letter = self._letter(incident, [alarm], "opened", now_s)
        title = say("still", title=letter.title)
        # The number of its step alone would not do: a danger is told again and again.
        key, step = f"{incident.id}.{now_s:.0f}", "realarm"
        self.mail.post(replace(letter, id=key, step=step, title=title), now_s, effects)
        if alarm.priority != "danger":
            incident.steps += 1

    def _settle(self, incident: Incident, now_s: float, effects: list[Effect]) -> None:
        """Close the incident if nothing of it stands."""
        if incident.group == "bed":
            self._bed_answered(incident, now_s, effects)
            return
        if any(a in self._alarms and self._alarms[a].true for a in incident.alarms):
            return
        if incident.steps > 0:
            told = [self._alarms[a] for a in incident.told if a in self._alarms]
            self._write(incident, told, "clear", now_s, effects)
        self._close(incident, effects)

    def _close(self, incident: Incident, effects: list[Effect]) -> None:
        self._timers.drop(("notice", incident.key))
        self.open.pop(incident.key, None)
        self.mail.answered(incident.key, effects)
        effects.append(Keep("incident", incident.key, None))

    def _standing(self, incident: Incident) -> list[Alarm]:
        return [self._alarms[a] for a in incident.alarms if a in self._alarms and self._alarms[a].speaks]

    # ---- its windows ------------------------------------------------------------------------------------------------

    def timer(self, key: str, alarms: dict[str, Alarm], now_s: float, effects: list[Effect]) -> None:
        """The window of an incident is over: write what is to be written."""
        self._alarms = alarms
        incident = self.open.get(key)
        if incident is None:
            return
        standing = self._standing(incident)
        if incident.group == "bed":
            self._beds(incident, standing, now_s, effects)
            return
        news = [alarm for alarm in standing if alarm.id not in incident.told]
        ripe_s = self._ripe_s(news, now_s)
        if ripe_s > now_s:
            self._timers.set(("notice", key), ripe_s)
            return
        if incident.steps == 0 and not standing:
            self._close(incident, effects)
        elif incident.steps == 0:
            self._write(incident, standing, "opened", now_s, effects)
            effects.append(Keep("incident", key, incident.as_dict()))
        elif news and incident.steps < MOST:
            self._answer_anew(incident, news)
            self._write(incident, news, "more", now_s, effects)
            effects.append(Keep("incident", key, incident.as_dict()))
        else:
            self._last_call(incident, news, now_s, effects)

    @staticmethod
    def _answer_anew(incident: Incident, news: list[Alarm]) -> None:
        """A further danger wants an answer of its own: who has acknowledged the first has not acknowledged this."""
        if any(alarm.priority == "danger" and alarm.state == "unacknowledged" for alarm in news):
            incident.answered = False

    def _last_call(self, incident: Incident, news: list[Alarm], now_s: float, effects: list[Effect]) -> None:
        """The messages of the incident are spent: the first battery that is low is told all the same."""
        low = [a for a in news if a.rule == LAST_CALL and a.state == "unacknowledged" and a.priority == "danger"]
        if not low or any(a.startswith(f"{LAST_CALL}:") for a in incident.told):
            return
        self._answer_anew(incident, low)
        letter = replace(self._letter(incident, low, "escalated", now_s), id=f"{incident.id}.low")
        incident.told += [alarm.id for alarm in low]
        self.mail.post(letter, now_s, effects)
        effects.append(Keep("incident", incident.key, incident.as_dict()))

    def _ripe_s(self, news: list[Alarm], now_s: float) -> float:
        """When single sources that say nothing are told of, or looked at again; what is more than that: now."""
        if not news or not lone(news):
            return now_s
        news = [alarm for alarm in news if alarm.rule == "source_silent"]
        since_s = min(alarm.since_s for alarm in news)
        unseen = any(alarm.facts.get("all_of_it", True) and self._scene.at_work(alarm.subject) for alarm in news)
        if unseen:
            return max(now_s, since_s + ALONE_AT_WORK_S)
        return max(now_s, min(now_s + ALONE_AT_WORK_S, since_s + ALONE_S))  # a build may begin there meanwhile

    def again(self, key: str, alarms: dict[str, Alarm], now_s: float, effects: list[Effect]) -> bool:
        """What was told of an incident has changed: tell it anew if it has been told only once; whether it was."""
        self._alarms = alarms
        incident = self.open.get(key)
        if incident is None or incident.steps != 1:
            return False
        standing = [a for a in self._standing(incident) if a.rule != LAST_CALL or a.id in incident.told]
        if not standing:
            return False
        self._write(incident, standing, "more", now_s, effects)
        effects.append(Keep("incident", key, incident.as_dict()))
        return True

    # ---- beds -------------------------------------------------------------------------------------------------------

    def _bed_joins(self, incident: Incident, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        """A bed more while others are being told of."""
        if incident.steps == 0:  # what was left over after a round waits longer than a bed that is new
            incident.answered = False  # it is a new request, whatever round goes on
            due_s = self._timers.due_s(("notice", incident.key))
            self._timers.set(("notice", incident.key), min(now_s + GATHER_S["bed"], due_s or now_s))
        elif alarm.subject not in incident.named and not beds.in_window(incident.opened_s, now_s):
            aside = replace(incident, named=list(incident.named))  # it has not been named in a message yet
            self.mail.join(self._letter(aside, [alarm], "more", now_s), now_s, effects)

    def _bed_answered(self, incident: Incident, now_s: float, effects: list[Effect]) -> None:
        """Somebody has cleared a bed, or said that they will: what is told from now on is a new request."""
        gone = [a for a in incident.alarms if a not in self._alarms or not self._alarms[a].true]
        if not gone and not incident.answered:
            return
        left = [alarm for alarm in self._standing(incident) if alarm.state == "unacknowledged"]
        if incident.steps == 0:
            if not left:
                self._close(incident, effects)
            elif incident.answered:  # the round goes on
                self._timers.set(("notice", incident.key), now_s + beds.ROUND_S)
            return
        self._close(incident, effects)
        unnamed = [alarm for alarm in left if alarm.subject not in incident.named]
        if unnamed:
            again = self._open("bed", "bed", incident.priority, now_s, beds.ROUND_S)
            again.alarms = [alarm.id for alarm in unnamed]
            again.answered = True

    def _beds(self, incident: Incident, standing: list[Alarm], now_s: float, effects: list[Effect]) -> None:
        """A moment of a request: its first word, the end of its window, its one reminder."""
        news = [alarm for alarm in standing if alarm.subject not in incident.named]
        if incident.steps == 0:
            if standing:
                incident.answered, incident.asked_s = False, now_s
                # Those left over from before count too: whoever clears one of them has answered.
                left = [a for a in self._alarms.values() if a.rule == "bed_waiting" and a.speaks and a not in standing]
                incident.alarms += [alarm.id for alarm in left if alarm.id not in incident.alarms]
                incident.named += [alarm.subject for alarm in left if alarm.subject not in incident.named]
                self._write(incident, standing, "opened", now_s, effects)
                self._timers.set(("notice", "bed"), beds.window_ends_s(incident.opened_s, now_s))
            else:
                self._close(incident, effects)
                return
        elif not incident.reminded and now_s >= beds.reminder_s(incident.asked_s, now_s):
            incident.reminded = True
            if standing and self._plan.work_waits:
                self._write(incident, standing, "again", now_s, effects)
        else:
            if news and incident.steps < MOST:
                self._write(incident, news, "more", now_s, effects)
            self._timers.set(("notice", "bed"), beds.reminder_s(incident.asked_s, now_s))
        effects.append(Keep("incident", "bed", incident.as_dict()))

    # ---- words ------------------------------------------------------------------------------------------------------

    def _letter(self, incident: Incident, alarms: list[Alarm], step: str, now_s: float) -> Letter:
        title, text, actions = self._scene.words_for(incident, alarms, step, now_s)
        priority = incident.priority if step != "clear" else min_priority(incident.priority)
        named = [self._recipients(alarm) for alarm in alarms]
        to = None if None in named or not named else tuple(dict.fromkeys(p for row in named for p in row or ()))
        return Letter(
            id=f"{incident.id}.{step}.{incident.steps + 1}",
            at_s=now_s,
            key=incident.key,
            incident=incident.id,
            step=step,
            priority=priority,
            title=title,
            text=text,
            actions=actions,
            danger=incident.priority == "danger",
            to=to,
            rules=tuple(dict.fromkeys(alarm.rule for alarm in alarms)),
            alone=lone(alarms),
        )

    def _write(self, incident: Incident, alarms: list[Alarm], step: str, now_s: float, effects: list[Effect]) -> None:
        letter = self._letter(incident, alarms, step, now_s)
        incident.steps += 1
        incident.told += [alarm.id for alarm in alarms if alarm.id not in incident.told]
        self.mail.post(letter, now_s, effects)

    def _fresh(self, letter: Letter, now_s: float) -> Letter | None:
        """A letter that has waited, as things stand; None if it is over."""
        if not letter.key:
            return letter
        incident = self.open.get(letter.key)
        if letter.beds:
            waiting = [a for a in self._alarms.values() if a.rule == "bed_waiting" and a.state == "unacknowledged"]
            if not waiting:
                return None
            if incident is None:
                incident = Incident(letter.incident, "bed", "bed", letter.priority, letter.at_s)
            words = self._scene.words_for(incident, waiting, "again", now_s)
        elif letter.step == "clear":
            return letter
        elif incident is None or incident.id != letter.incident or not self._standing(incident):
            return None
        else:
            words = self._scene.words_for(incident, self._standing(incident), "opened", now_s)
        return replace(letter, title=words[0], text=words[1], actions=words[2])

    def _unanswered(self, key: str, now_s: float) -> Letter | None:
        """What nobody has answered, as things stand; None if somebody has, or it is over."""
        incident = self.open.get(key)
        if incident is None or incident.answered:
            return None
        alarms = [a for a in self._standing(incident) if a.state == "unacknowledged"]
        if incident.priority == "danger":
            alarms = [a for a in alarms if a.priority == "danger"]
        return self._letter(incident, alarms, "opened", now_s) if alarms else None

    # ---- life -------------------------------------------------------------------------------------------------------

    def _gather_s(self, incident: Incident) -> float:
        names = [alarm_id.partition(":")[0] for alarm_id in incident.alarms]
        alone = len(names) < SEVERAL and all(name == "source_silent" for name in names)
        return ALONE_AT_WORK_S if incident.group == "silent" and alone else GATHER_S.get(incident.group, 0.0)

    def restore(
        self,
        docs: list[dict[str, Any]],
        now_s: float,
        kept: dict[str, dict[str, dict[str, Any]]] | None = None,
        alarms: dict[str, Alarm] | None = None,
    ) -> None:
        """Take up where the journal left off: a message that was not yet written is written now."""
        self._alarms = alarms if alarms is not None else {}
        for doc in docs:
            incident = Incident(**{name: doc[name] for name in Incident.__slots__ if name in doc})
            self.open[incident.key] = incident
            # Counted from the incident's begin: a collector that restarts again and again still tells it.
            due_s = incident.opened_s + self._gather_s(incident)
            if incident.group == "bed" and incident.steps:
                due_s = beds.next_s(incident.asked_s or incident.opened_s, incident.opened_s, now_s)
            if incident.steps == 0 or (incident.group == "bed" and not incident.reminded):
                self._timers.set(("notice", incident.key), max(now_s + RESTORED_S, due_s))
        self.mail.restore(kept or {}, now_s)


def lone(alarms: list[Alarm]) -> bool:
    """Whether sources say nothing, fewer than a network is made of; that what they say cannot be read is no more."""
    silent = [alarm for alarm in alarms if alarm.rule == "source_silent"]
    return 0 < len(silent) < SEVERAL and all(a in silent or a.rule == "source_degraded" for a in alarms)


def min_priority(priority: str) -> str:
    """An all-clear is never a danger."""
    return "session" if priority == "danger" else priority
