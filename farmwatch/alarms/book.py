"""All alarms: conditions come in, delays pass, states change, parents explain children."""

from collections.abc import Callable
from typing import Any

from farmwatch.alarms.lifecycle import Alarm, step
from farmwatch.alarms.rules import RULES, Rule
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, Note, RuleChange
from farmwatch.words.timers import Timers

BEFORE_S = 120.0
"""A child may be noticed so long before its cause is."""
CHILD_GRACE_S = 180.0
"""How long a child may take to come back by itself after its parent cause is gone."""
SHELF_MAX_MIN = 8 * 60


def explains_all(_parent: Alarm, _child: Alarm) -> bool:
    """The widest rule: any alarm of a parent rule explains any child."""
    return True


class AlarmBook:
    """Holds every alarm that is or was active. `changed` collects alarms whose state moved, for notices."""

    def __init__(
        self,
        timers: Timers,
        changes: dict[str, RuleChange],
        explains: Callable[[Alarm, Alarm], bool] = explains_all,
    ) -> None:
        self._timers = timers
        self._changes = changes
        self.explains = explains
        self.alarms: dict[str, Alarm] = {}
        self.changed: list[tuple[Alarm, str]] = []

    def rule(self, name: str) -> Rule:
        """The row of the table."""
        return RULES[name]

    def _delay(self, name: str, which: str) -> float:
        change = self._changes.get(name)
        own = getattr(change, which) if change is not None else None
        return float(getattr(RULES[name], which) if own is None else own)

    def priority(self, name: str) -> str:
        """The rule's priority, as the owner has it."""
        change = self._changes.get(name)
        return change.priority if change is not None and change.priority else RULES[name].priority

    # ---- conditions -------------------------------------------------------------------------------------------

    def condition(
        self,
        name: str,
        subject: str,
        now_s: float,
        effects: list[Effect],
        *,
        true: bool,
        **facts: Any,  # noqa: ANN401 (facts for the wording, as the rule needs them)
    ) -> None:
        """Say whether the condition of a rule is true for a subject. May be called as often as one likes."""
        key = f"{name}:{subject}"
        alarm = self.alarms.get(key)
        if not true and alarm is None and self._timers.due_s(("on", key)) is None:
            return
        change = self._changes.get(name)
        if alarm is None:
            if change is not None and change.off:
                return
            alarm = Alarm(name, subject, self.priority(name))
            self.alarms[key] = alarm
        if true:
            alarm.facts.update(facts)
            self._timers.drop(("clear", key))
            if alarm.true or self._timers.due_s(("on", key)) is not None:
                return
            delay_s = self._delay(name, "on_delay_s")
            if delay_s > 0:
                alarm.facts["pending_since_s"] = now_s
                self._timers.set(("on", key), now_s + delay_s)
            else:
                self._activate(alarm, now_s, effects)
            return
        self._timers.drop(("on", key))
        if alarm.true and self._timers.due_s(("clear", key)) is None:
            delay_s = self._delay(name, "off_delay_s")
            if delay_s > 0:
                self._timers.set(("clear", key), now_s + delay_s)
            else:
                self._clear(alarm, now_s, effects)

    def timer(self, what: str, key: str, now_s: float, effects: list[Effect]) -> None:
        """A timer of the book is due: `what` is on, clear, unsuppress or unshelve."""
        alarm = self.alarms.get(key)
        if alarm is None:
            return
        if what == "on":
            self._activate(alarm, now_s, effects)
        elif what == "clear":
            self._clear(alarm, now_s, effects)
        elif what in ("unsuppress", "unshelve"):
            alarm.shelved_until_s = None
            self._move(alarm, what, now_s, effects)

    def _activate(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        alarm.true = True
        alarm.since_s = alarm.facts.pop("pending_since_s", now_s)
        if any(self.explains(parent, alarm) for parent in self._parents(alarm)):
            self._move(alarm, "suppress", now_s, effects)
            return
        self._move(alarm, "active", now_s, effects)
        for child in self._children(alarm):
            if child.since_s >= alarm.since_s - BEFORE_S:  # what stood long before has a cause of its own
                self._move(child, "suppress", now_s, effects)

    def _parents(self, alarm: Alarm) -> list[Alarm]:
        names = RULES[alarm.rule].parents
        return [other for other in self.alarms.values() if other.rule in names and other.true]

    def _children(self, parent: Alarm) -> list[Alarm]:
        return [
            other
            for other in self.alarms.values()
            if parent.rule in RULES[other.rule].parents and other.true and self.explains(parent, other)
        ]

    def _clear(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        alarm.true = False
        if alarm.state == "suppressed":
            self._timers.drop(("unsuppress", alarm.id))
            self._move(alarm, "unsuppress", now_s, effects)
        else:
            self._move(alarm, "clear", now_s, effects)
        # Not asked again whether it explains them: an outage that is over explains nothing any more.
        for child in self.alarms.values():
            if child.state != "suppressed" or alarm.rule not in RULES[child.rule].parents:
                continue
            if not any(self.explains(parent, child) for parent in self._parents(child)):
                self._timers.set(("unsuppress", child.id), now_s + CHILD_GRACE_S)

    def _move(self, alarm: Alarm, trigger: str, now_s: float, effects: list[Effect]) -> None:
        state = step(alarm.state, trigger, true=alarm.true)
        if state == alarm.state:
            return
        previous, alarm.state = alarm.state, state
        self.changed.append((alarm, previous))
        self.keep(alarm, effects)
        effects.append(
            Note(
                now_s,
                "alarm",
                {
                    "alarm": alarm.rule,
                    "subject": alarm.subject,
                    "state": state,
                    "priority": alarm.priority,
                    "previous": previous,
                },
            )
        )

    def keep(self, alarm: Alarm, effects: list[Effect]) -> None:
        """Put the alarm into the journal; one that is normal again is forgotten there."""
        effects.append(Keep("alarm", alarm.id, None if alarm.state == "normal" else alarm.as_dict()))

    # ---- people -------------------------------------------------------------------------------------------------

    def find(self, key: str) -> Alarm:
        """The alarm of this id; Refused if there is none that stands."""
        alarm = self.alarms.get(key)
        if alarm is None or alarm.state == "normal":
            standing = ", ".join(sorted(a.id for a in self.alarms.values() if a.state != "normal"))
            raise Refused(f"no alarm {key!r} stands", hint=f"standing: {standing or 'none'}")
        return alarm

    def acknowledge(self, key: str, now_s: float, effects: list[Effect]) -> Alarm:
        """A person takes charge of it."""
        alarm = self.find(key)
        self._move(alarm, "acknowledge", now_s, effects)
        return alarm

    def shelve(self, key: str, minutes: float, now_s: float, effects: list[Effect]) -> Alarm:
        """A person puts it aside for some minutes (at most eight hours)."""
        if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not 0 < minutes <= SHELF_MAX_MIN:
            raise Refused(f"an alarm can be shelved for 1 to {SHELF_MAX_MIN} minutes, not {minutes!r}")
        alarm = self.find(key)
        alarm.shelved_until_s = now_s + minutes * 60
        self._timers.set(("unshelve", key), alarm.shelved_until_s)
        self._move(alarm, "shelve", now_s, effects)
        return alarm

    def unshelve(self, key: str, now_s: float, effects: list[Effect]) -> Alarm:
        """A person takes it back from the shelf."""
        alarm = self.find(key)
        self._timers.drop(("unshelve", key))
        alarm.shelved_until_s = None
        self._move(alarm, "unshelve", now_s, effects)
        return alarm

    def restore(self, docs: list[dict[str, Any]], now_s: float) -> None:
        """Take up where the journal left off."""
        for doc in docs:
            if doc["rule"] not in RULES:
                continue
            alarm = Alarm.from_dict(doc)
            self.alarms[alarm.id] = alarm
            if alarm.shelved_until_s is not None:
                self._timers.set(("unshelve", alarm.id), max(now_s, alarm.shelved_until_s))
            if alarm.state == "suppressed":
                self._timers.set(("unsuppress", alarm.id), now_s + CHILD_GRACE_S)

    def standing(self) -> list[Alarm]:
        """Alarms that are not in their normal state, the most urgent first, then the oldest."""
        rank = {"danger": 0, "session": 1, "digest": 2}
        found = [alarm for alarm in self.alarms.values() if alarm.state != "normal"]
        return sorted(found, key=lambda a: (rank[a.priority], a.since_s, a.id))
