"""All alarms: conditions come in, delays pass, states change, parents explain children."""

from collections.abc import Callable, Collection, Iterable, Mapping
from typing import Any

from farmwatch.alarms.lifecycle import ASIDE, CLEARING, Alarm
from farmwatch.alarms.rule import RANK, Rule
from farmwatch.alarms.rules import RULES, UNSTABLE
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, Note, RuleChange
from farmwatch.words.timers import Timers

BEFORE_S = 120.0
"""A child may be noticed so long before its cause is."""
CHILD_GRACE_S = 180.0
"""How long a child may take to come back by itself after its parent cause is gone."""
SHELF_MAX_MIN = 8 * 60
CHATTER_TIMES, CHATTER_S = 3, 600.0
"""Raised so often within so long, an alarm comes and goes: one alarm says so in its place."""
LEAVES: dict[str, str] = {"shelved": "unshelve", "suppressed": "unsuppress", "out_of_service": "return"}


def explains_all(_parent: Alarm, _child: Alarm) -> bool:
    """The widest rule: any alarm of a parent rule explains any child."""
    return True


class AlarmBook:
    """Holds every alarm that is or was lately active. `changed` collects alarms whose state moved, for notices.

    Args:
        timers: whose due keys (what, alarm id) are handed to `timer`.
        changes: the owner's changes by rule.
        explains: whether an alarm of a parent rule is the reason for a child's.
    """

    def __init__(
        self,
        timers: Timers,
        changes: Mapping[str, RuleChange],
        explains: Callable[[Alarm, Alarm], bool] = explains_all,
    ) -> None:
        self._timers = timers
        self._changes = changes
        self.explains = explains
        self.out: set[str] = set()
        self.alarms: dict[str, Alarm] = {}
        self.changed: list[tuple[Alarm, str]] = []
        self._back: dict[str, float] = {}  # how far a value has come back within its limit since it was raised

    # ---- what the owner has changed -----------------------------------------------------------------------------

    def rule(self, name: str) -> Rule:
        """The row of the table."""
        return RULES[name]

    def _own(self, name: str, subject: str, which: str) -> Any:  # noqa: ANN401  (a field of RuleChange)
        """The owner's value for this subject, else for the rule, else None."""
        change = self._changes.get(name)
        if change is None:
            return None
        part = change.subjects.get(subject)
        found = getattr(part, which) if part is not None else None
        return getattr(change, which) if found is None else found

    def delay_s(self, name: str, subject: str, which: str) -> float:
        """``on_delay_s`` or ``off_delay_s`` as it holds for a subject."""
        own = self._own(name, subject, which)
        return float(getattr(RULES[name], which) if own is None else own)

    def priority(self, name: str, subject: str = "") -> str:
        """The priority, as the owner has it.

        What comes and goes is as urgent as what it hides; a danger is never hidden, so its coming and going is none.
        """
        own = self._own(name, subject, "priority")
        inner = self.alarms.get(subject) if name == UNSTABLE else None
        if own is None and inner is not None:
            own = "session" if inner.priority == "danger" else inner.priority
        return str(own or RULES[name].priority)

    def limit(self, name: str, subject: str) -> float:
        """The threshold as it holds for a subject; KeyError for a rule without one."""
        limit = RULES[name].limit
        if limit is None:
            raise KeyError(name)
        own = self._own(name, subject, "limit")
        return limit.value if own is None else float(own)

    def deadband(self, name: str, subject: str) -> float:
        """How far a value must come back within the limit; KeyError for a rule without one."""
        limit = RULES[name].limit
        if limit is None:
            raise KeyError(name)
        own = self._own(name, subject, "deadband")
        return limit.deadband if own is None else float(own)

    def recipients(self, alarm: Alarm) -> tuple[str, ...] | None:
        """The people whom the owner named for it, None for everybody."""
        change = self._changes.get(alarm.rule)
        if change is None:
            return None
        part = change.subjects.get(alarm.subject)
        return (part.people if part is not None else ()) or change.people or None

    # ---- conditions -------------------------------------------------------------------------------------------

    def measured(
        self,
        name: str,
        subject: str,
        value: float | None,
        now_s: float,
        effects: list[Effect],
        **facts: Any,  # noqa: ANN401
    ) -> None:
        """Hold a value against the rule's limit and deadband. None is unknown: it opens nothing and closes nothing."""
        rule = RULES[name]
        if value is None or rule.limit is None:
            self._back.pop(f"{name}:{subject}", None)  # it may have come back further, unseen
            return
        limit, deadband = self.limit(name, subject), self.deadband(name, subject)
        alarm = self.alarms.get(f"{name}:{subject}")
        true = rule.limit.holds(value, limit, deadband, was=alarm is not None and alarm.true)
        key, inside = f"{name}:{subject}", limit - value if rule.limit.above else value - limit
        if key in self._back:
            self._back[key] = max(self._back[key], inside)
        self.condition(name, subject, now_s, effects, true=true, value=value, limit=limit, **facts)

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
        if alarm is None:
            if not true or self._own(name, subject, "off"):
                return
            alarm = self.alarms[key] = Alarm(name, subject, self.priority(name, subject))
        if true:
            alarm.facts.update(facts)
            self._holds(alarm, now_s, effects)
        else:
            self._ceases(alarm, now_s, effects)

    def _holds(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        if self._drop(alarm, "clear"):
            self.keep(alarm, effects)
        if alarm.true or "on" in alarm.due:
            return
        delay_s = self.delay_s(alarm.rule, alarm.subject, "on_delay_s")
        if delay_s > 0:
            alarm.facts["pending_since_s"] = now_s
            self._set(alarm, "on", now_s + delay_s)
            self.keep(alarm, effects)
        else:
            self._activate(alarm, now_s, effects)

    def _ceases(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        if self._drop(alarm, "on"):
            self.keep(alarm, effects)
        if not alarm.true or "clear" in alarm.due:
            return
        delay_s = self.delay_s(alarm.rule, alarm.subject, "off_delay_s")
        if delay_s > 0:
            self._set(alarm, "clear", now_s + delay_s)
            self.keep(alarm, effects)
        else:
            self._clear(alarm, now_s, effects)

    def timer(self, what: str, key: str, now_s: float, effects: list[Effect]) -> None:
        """A timer of the book is due: `what` is on, clear, unsuppress, unshelve, realarm or calm."""
        alarm = self.alarms.get(key)
        if alarm is None:
            return
        alarm.due.pop(what, None)
        if what == "on":
            self._activate(alarm, now_s, effects)
        elif what == "clear":
            self._clear(alarm, now_s, effects)
        elif what == "unshelve" or (what == "unsuppress" and self._may_speak(alarm)):
            self._leave(alarm, now_s, effects)
        elif what == "realarm" and alarm.true:
            self._move(alarm, "realarm", now_s, effects)
        elif what == "calm":
            self._calm(alarm, now_s, effects)
        self.keep(alarm, effects)

    def _set(self, alarm: Alarm, what: str, due_s: float) -> None:
        alarm.due[what] = due_s
        self._timers.set((what, alarm.id), due_s)

    def _drop(self, alarm: Alarm, what: str) -> bool:
        self._timers.drop((what, alarm.id))
        return alarm.due.pop(what, None) is not None

    def _activate(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        alarm.true = True
        alarm.since_s = alarm.facts.pop("pending_since_s", now_s)
        if alarm.id in self._back:
            alarm.facts["back"] = round(self._back[alarm.id], 6)
        if RULES[alarm.rule].limit is not None:
            self._back[alarm.id] = 0.0
        self._count(alarm, now_s, effects)
        if self._absent(alarm):
            self._move(alarm, "remove", now_s, effects)
        elif self._explained(alarm):
            self._move(alarm, "suppress", now_s, effects)
        else:
            self._move(alarm, "active", now_s, effects)
        for child in self._children(alarm):
            if child.since_s >= alarm.since_s - BEFORE_S:  # what stood long before has a cause of its own
                self._move(child, "suppress", now_s, effects)
        self.keep(alarm, effects)

    def _clear(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        alarm.true = False
        self._drop(alarm, "realarm")
        if alarm.state == "suppressed" or (alarm.state == "shelved" and alarm.shelf.get("kind") == "once"):
            self._leave(alarm, now_s, effects)
        elif alarm.state not in ASIDE:
            self._move(alarm, CLEARING[RULES[alarm.rule].clearing], now_s, effects)
        # Not asked again whether it explains them: an outage that is over explains nothing any more.
        for child in self.alarms.values():
            if child.state == "suppressed" and alarm.rule in self._parent_rules(child) and not self._explained(child):
                self._set(child, "unsuppress", now_s + CHILD_GRACE_S)
                self.keep(child, effects)
        self.keep(alarm, effects)

    def _leave(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        """Leave a state aside; the condition is looked at anew, and so is whether another explains it."""
        trigger = LEAVES.get(alarm.state)
        if trigger is None:
            return
        alarm.shelved_until_s, alarm.shelf = None, {}
        for what in ("unshelve", "unsuppress"):
            self._drop(alarm, what)
        if alarm.true and self._absent(alarm):
            self._move(alarm, "remove", now_s, effects)
            return
        self._move(alarm, trigger, now_s, effects)
        if alarm.true and self._explained(alarm):
            self._move(alarm, "suppress", now_s, effects)

    def _move(self, alarm: Alarm, trigger: str, now_s: float, effects: list[Effect]) -> None:
        previous = alarm.move(trigger)
        if alarm.state == previous:
            return
        self.changed.append((alarm, previous))
        self.keep(alarm, effects)
        doc: dict[str, Any] = {"alarm": alarm.rule, "subject": alarm.subject, "state": alarm.state}
        doc["priority"] = alarm.priority
        if "back" in alarm.facts:
            doc["back"] = alarm.facts.pop("back")
        effects.append(Note(now_s, "alarm", {**doc, "previous": previous}))

    def keep(self, alarm: Alarm, effects: list[Effect]) -> None:
        """Put the alarm into the journal; one that is normal and remembers nothing is forgotten there."""
        idle = alarm.state == "normal" and not alarm.true and not alarm.due and not alarm.raised_s
        effects.append(Keep("alarm", alarm.id, None if idle else alarm.as_dict()))

    # ---- causes ---------------------------------------------------------------------------------------------------

    def _parent_rules(self, alarm: Alarm) -> tuple[str, ...]:
        return RULES[alarm.rule].parents if alarm.rule == UNSTABLE else (*RULES[alarm.rule].parents, UNSTABLE)

    def _explained(self, alarm: Alarm) -> bool:
        unstable = self.alarms.get(f"{UNSTABLE}:{alarm.id}")
        if unstable is not None and unstable.true and alarm.priority != "danger":
            return True
        names = RULES[alarm.rule].parents
        return any(o.rule in names and o.true and self.explains(o, alarm) for o in self.alarms.values())

    def _may_speak(self, alarm: Alarm) -> bool:
        return alarm.state == "suppressed" and not self._explained(alarm)

    def _children(self, parent: Alarm) -> list[Alarm]:
        return [
            other
            for other in self.alarms.values()
            if parent.rule in RULES[other.rule].parents and other.true and self.explains(parent, other)
        ]

    def _absent(self, alarm: Alarm) -> bool:
        return alarm.subject in self.out and not RULES[alarm.rule].while_out

    # ---- what comes and goes --------------------------------------------------------------------------------------

    def _count(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        """Remember that it was raised; three times within ten minutes is one alarm of its own."""
        if alarm.rule == UNSTABLE:
            return
        recent = [at_s for at_s in alarm.raised_s if at_s > now_s - CHATTER_S]
        alarm.raised_s = [*recent, now_s][-CHATTER_TIMES:]
        self._set(alarm, "calm", now_s + CHATTER_S)
        if len(alarm.raised_s) >= CHATTER_TIMES and RULES[alarm.rule].group != "mains":  # told each time, as one cause
            self.condition(UNSTABLE, alarm.id, now_s, effects, true=True, of=alarm.rule, at=alarm.subject)

    def _calm(self, alarm: Alarm, now_s: float, effects: list[Effect]) -> None:
        alarm.raised_s = []
        self.condition(UNSTABLE, alarm.id, now_s, effects, true=False)
        if alarm.state == "normal" and not alarm.due and not alarm.true:
            del self.alarms[alarm.id]

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
        again_s = self._own(alarm.rule, alarm.subject, "realarm_s")
        again_s = RULES[alarm.rule].realarm_s if again_s is None else again_s
        if alarm.state == "acknowledged" and again_s:
            self._set(alarm, "realarm", now_s + again_s)
            self.keep(alarm, effects)
        return alarm

    def reset(self, key: str, now_s: float, effects: list[Effect]) -> Alarm:
        """A person says that the reason of a latched alarm was found."""
        alarm = self.find(key)
        if alarm.state == "latched":
            self._move(alarm, "acknowledge", now_s, effects)
        if alarm.state != "latched_acknowledged":
            raise Refused(
                f"{key!r} is {alarm.state.replace('_', ' ')}: only what is over and latched can be reset",
                hint="its condition still holds: find the reason first" if alarm.true else "acknowledge it",
            )
        self._move(alarm, "reset", now_s, effects)
        return alarm

    def shelve(
        self,
        key: str,
        minutes: Any,  # noqa: ANN401  (whatever came in)
        now_s: float,
        effects: list[Effect],
        *,
        once: bool = False,
        reason: Any = "",  # noqa: ANN401  (whatever came in)
        by: str = "",
    ) -> Alarm:
        """A person puts it aside for some minutes (at most eight hours), or until it has cleared once within them.

        Raises:
            Refused: no such alarm stands, it is aside already, or the shelf would have no end or no reason.
        """
        if minutes is None:
            raise Refused(
                "a shelf without end hides an alarm for ever", hint=f"say for how many minutes, 1 to {SHELF_MAX_MIN}"
            )
        if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not 0 < minutes <= SHELF_MAX_MIN:
            raise Refused(f"an alarm can be shelved for 1 to {SHELF_MAX_MIN} minutes, not {minutes!r}")
        reason = " ".join(reason.split()) if isinstance(reason, str) else ""
        if not reason:
            raise Refused("an alarm is put aside for a reason", hint="say why: whoever comes next will ask")
        alarm = self.find(key)
        if alarm.state in ("suppressed", "out_of_service"):
            why = "another alarm explains it" if alarm.state == "suppressed" else "its subject is out of service"
            raise Refused(f"{key!r} is silent already: {why}")
        alarm.shelved_until_s = now_s + minutes * 60
        alarm.shelf = {"kind": "once" if once else "timed", "reason": reason[:200], "by": str(by)[:60]}
        self._drop(alarm, "realarm")
        self._set(alarm, "unshelve", alarm.shelved_until_s)
        self._move(alarm, "shelve", now_s, effects)
        self.keep(alarm, effects)
        return alarm

    def unshelve(self, key: str, now_s: float, effects: list[Effect]) -> Alarm:
        """A person takes it back from the shelf."""
        alarm = self.find(key)
        if alarm.state == "shelved":
            self._leave(alarm, now_s, effects)
        return alarm

    def service(self, subject: str, now_s: float, effects: list[Effect], *, out: bool) -> None:
        """A subject is taken out of service, or is back: its alarms are silent meanwhile, then looked at anew."""
        (self.out.add if out else self.out.discard)(subject)
        for alarm in [a for a in self.alarms.values() if a.subject == subject]:
            if not out and alarm.state == "out_of_service":
                self._leave(alarm, now_s, effects)
            elif out and alarm.state not in ("normal", "out_of_service") and self._absent(alarm):
                for what in ("unshelve", "unsuppress", "realarm"):
                    self._drop(alarm, what)
                alarm.shelved_until_s, alarm.shelf = None, {}
                self._move(alarm, "remove", now_s, effects)

    # ---- life ---------------------------------------------------------------------------------------------------

    def restore(self, docs: Iterable[Mapping[str, Any]], now_s: float, out: Collection[str] = ()) -> None:
        """Take up where the journal left off.

        A deadline that passed while nobody watched counts anew from now: what was not seen for the whole of a delay
        has not held for it.
        """
        self.out = set(out)
        for doc in docs:
            rule = RULES.get(doc["rule"])
            if rule is None or self._own(rule.id, doc["subject"], "off"):
                continue
            alarm = Alarm.from_dict(dict(doc))
            alarm.due = dict(alarm.due)
            self.alarms[alarm.id] = alarm
            if alarm.shelved_until_s is not None:  # an older journal has no deadlines
                alarm.due.setdefault("unshelve", alarm.shelved_until_s)
            for what, due_s in list(alarm.due.items()):
                self._set(alarm, what, due_s if due_s > now_s else now_s + self._wait_s(alarm, what))
        for alarm in self.alarms.values():
            if alarm.state == "suppressed" and "unsuppress" not in alarm.due and not self._has_parent(alarm):
                self._set(alarm, "unsuppress", now_s + CHILD_GRACE_S)

    def _wait_s(self, alarm: Alarm, what: str) -> float:
        if what in ("on", "clear"):
            return self.delay_s(alarm.rule, alarm.subject, f"{'on' if what == 'on' else 'off'}_delay_s")
        return CHILD_GRACE_S if what == "unsuppress" else 0.0

    def _has_parent(self, alarm: Alarm) -> bool:
        names = self._parent_rules(alarm)
        return any(other.rule in names and other.true for other in self.alarms.values())

    def standing(self) -> list[Alarm]:
        """Alarms that are not in their normal state, the most urgent first, then the oldest."""
        found = [alarm for alarm in self.alarms.values() if alarm.state != "normal"]
        return sorted(found, key=lambda a: (RANK[a.priority], a.since_s, a.id))
