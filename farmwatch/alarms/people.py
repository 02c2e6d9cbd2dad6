"""Who is told what, and when: duty and quiet hours, a budget a person, digests, and danger that nobody answers.

What a letter meets, in this order:

    danger                      goes at once, whatever the hour and the budget, to whoever is first (and to those who
                                are `at_once`); see `escalate` for what follows
    an all-clear                goes to those who were told; where the opening still waits, both are dropped
    digest                      waits for the next digest; where there are none it goes when the person may be spoken to
    off duty, or quiet hours    waits for their end, and comes in one message with whatever else waits
    no token                    waits for one, likewise; the first word about anything but beds pays for its all-clear
                                too, so that this never waits
    else                        goes now

What has waited is written anew when it goes: what is over by then is counted in the daily report, and no more. The
all-clear of a danger comes at once to those whom the danger has reached, in quiet hours too: it ends what woke them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from farmwatch.alarms.budget import SPARE, Bucket
from farmwatch.alarms.escalate import Call, Escalation
from farmwatch.alarms.hours import begins, ends, inside, next_time
from farmwatch.alarms.letters import Letter, bundle, message_of
from farmwatch.alarms.texts import say
from farmwatch.words.model import Effect, Keep, Note, PersonPlan
from farmwatch.words.timers import Timers

OWNER = PersonPlan("owner", ())
"""Who is written to where no people are configured: nobody's phone, but the page, the journal and replay show it."""
HELD_MAX = 60
TOLD_MAX = 80
Fresh = Callable[[Letter, float], Letter | None]


@dataclass(slots=True)
class Box:
    """What one person has been told, and what waits for them."""

    person: PersonPlan
    bucket: Bucket
    held: list[Letter] = field(default_factory=list)
    digest: list[Letter] = field(default_factory=list)
    told: dict[str, int] = field(default_factory=dict)  # incident: messages about it
    paid: list[str] = field(default_factory=list)  # incidents whose all-clear needs no token
    over: int = 0  # what was over before it was told, since the last daily report
    sent: int = 0  # messages since the last daily report
    why: str = "held_title"

    def as_dict(self) -> dict[str, Any]:
        """What must survive."""
        return {
            "held": [letter.as_dict() for letter in self.held],
            "digest": [letter.as_dict() for letter in self.digest],
            "told": self.told,
            "paid": self.paid,
            "over": self.over,
            "sent": self.sent,
            "why": self.why,
            "tokens": self.bucket.tokens,
            "tokens_at_s": self.bucket.at_s,
        }

    def restore(self, doc: dict[str, Any]) -> None:
        """The reverse of `as_dict`."""
        self.held = [Letter.from_dict(row) for row in doc.get("held", ())]
        self.digest = [Letter.from_dict(row) for row in doc.get("digest", ())]
        self.told, self.why = dict(doc.get("told", {})), doc.get("why", "held_title")
        self.paid = list(doc.get("paid", ()))
        self.over, self.sent = int(doc.get("over", 0)), int(doc.get("sent", 0))
        self.bucket.tokens, self.bucket.at_s = float(doc.get("tokens", 0.0)), doc.get("tokens_at_s")


class Mail:
    """From letters to messages. `fresh` writes a letter anew as things stand, or says that it is over (None).

    `daily` writes the daily report of a person. Timers have the key ("people", (what, whom)); what is held, digest,
    daily or escalate.
    """

    def __init__(
        self,
        timers: Timers,
        people: dict[str, PersonPlan],
        timezone: str,
        fresh: Fresh,
        unanswered: Callable[[str, float], Letter | None],
        daily: Callable[[Box, float], Letter],
    ) -> None:
        self._timers, self._zone = timers, timezone
        self._fresh, self._unanswered, self._daily = fresh, unanswered, daily
        self.boxes = {p.name: Box(p, Bucket(p.a_day)) for p in (people or {OWNER.name: OWNER}).values()}
        self.escalations: dict[str, Escalation] = {}

    def begin(self, now_s: float) -> None:
        """Set the clocks for what comes at fixed times."""
        for box in self.boxes.values():
            self._daily_at(box, now_s)

    # ---- letters --------------------------------------------------------------------------------------------------

    def post(self, letter: Letter, now_s: float, effects: list[Effect]) -> None:
        """See to a letter."""
        boxes = self._for(letter)
        if letter.step == "clear":
            self.answered(letter.key, effects)
        if letter.priority == "danger":
            self._danger(letter, boxes, now_s, effects)
            return
        for box in boxes:
            if letter.step == "clear":
                self._clear(box, letter, now_s, effects)
            elif letter.priority == "digest":
                self._digest(box, letter, now_s, effects)
            else:
                self._session(box, letter, now_s, effects)

    def _for(self, letter: Letter) -> list[Box]:
        named = [box for box in self.boxes.values() if letter.to is None or box.person.name in letter.to]
        return named or list(self.boxes.values())

    def may_speak(self, person: PersonPlan, now_s: float) -> bool:
        """Whether what is no danger may come now."""
        on_duty = not person.duty or inside(person.duty, now_s, self._zone)
        return on_duty and not inside(person.quiet, now_s, self._zone)

    def opens_s(self, person: PersonPlan, now_s: float) -> float:
        """When what is no danger may come next; infinity if that cannot be found."""
        at_s = now_s
        for _ in range(64):
            if person.duty:
                at_s = begins(person.duty, at_s, self._zone)
            if at_s == float("inf") or not inside(person.quiet, at_s, self._zone):
                return at_s
            at_s = ends(person.quiet, at_s, self._zone)
        return float("inf")

    def _danger(self, letter: Letter, boxes: list[Box], now_s: float, effects: list[Effect]) -> None:
        order = self._order(boxes, now_s)
        known = [box for box in order if letter.incident in box.told]
        first = known or order[:1]
        for box in order:
            if box in first or box.person.at_once:
                self._send(box, letter, now_s, effects)
        told = [box.person.name for box in order if letter.incident in box.told]
        before = self.escalations.get(letter.key)
        if before is None and letter.key:
            self.escalations[letter.key] = Escalation(letter.key, letter.incident, now_s, told=told)
            self._step(self.escalations[letter.key], effects)

    def _order(self, boxes: list[Box], now_s: float) -> list[Box]:
        """Those who may be spoken to first, else as they stand in the configuration."""
        return sorted(boxes, key=lambda box: not self.may_speak(box.person, now_s))

    def _clear(self, box: Box, letter: Letter, now_s: float, effects: list[Effect]) -> None:
        waiting = [a for a in (*box.held, *box.digest) if a.incident == letter.incident]
        if waiting:
            self._drop(box, letter.incident, now_s, effects)
        if letter.incident not in box.told:
            return
        paid = letter.incident in box.paid
        if paid:
            box.paid.remove(letter.incident)
        if letter.priority == "digest":
            self._digest(box, letter, now_s, effects)
        elif letter.danger or (paid and self.may_speak(box.person, now_s)):
            self._send(box, letter, now_s, effects)
        else:
            self._session(box, letter, now_s, effects)

    def _drop(self, box: Box, incident: str, now_s: float, effects: list[Effect]) -> None:
        """What waits about an incident that is over need not be told: it is counted."""
        box.held = [a for a in box.held if a.incident != incident]
        box.digest = [a for a in box.digest if a.incident != incident]
        box.over += 1
        self._keep(box, effects)
        self._wait(box, now_s)

    def _digest(self, box: Box, letter: Letter, now_s: float, effects: list[Effect]) -> None:
        if box.person.digests:
            box.digest = [*box.digest, letter][-HELD_MAX:]
            self._keep(box, effects)
            self._wait(box, now_s)
        elif self.may_speak(box.person, now_s):
            self._send(box, letter, now_s, effects)
        else:
            self.hold(box, letter, now_s, effects)

    def _session(self, box: Box, letter: Letter, now_s: float, effects: list[Effect]) -> None:
        pays = letter.step == "opened" and not letter.beds
        if not self.may_speak(box.person, now_s):
            self.hold(box, letter, now_s, effects)
        elif (box.held and not letter.beds) or not box.bucket.take(now_s, _spare([letter]), 2.0 if pays else 1.0):
            box.why = "overflow_title"
            self.hold(box, letter, now_s, effects)
        else:
            if pays:
                box.paid = [*box.paid, letter.incident][-TOLD_MAX:]
            self._send(box, letter, now_s, effects)

    def hold(self, box: Box, letter: Letter, now_s: float, effects: list[Effect]) -> None:
        """Let a letter wait; of beds one is enough, whatever it says: it is written anew when it goes."""
        if letter.beds and any(a.beds for a in box.held):
            return
        box.held = [*box.held, letter][-HELD_MAX:]
        self._keep(box, effects)
        self._wait(box, now_s)

    def join(self, letter: Letter, now_s: float, effects: list[Effect]) -> None:
        """A bed has joined those that were told of: the next digest says so, or the end of hours of silence."""
        for box in self._for(letter):
            if not self.may_speak(box.person, now_s):
                self.hold(box, letter, now_s, effects)
            elif box.person.digests and not any(a.beds for a in box.digest):
                self._digest(box, replace(letter, priority="digest"), now_s, effects)

    def _send(self, box: Box, letter: Letter, now_s: float, effects: list[Effect], call: Call | None = None) -> None:
        box.told[letter.incident] = box.told.pop(letter.incident, 0) + 1
        for old in list(box.told)[:-TOLD_MAX]:
            del box.told[old]
        box.sent += 1
        effects.append(message_of(letter, box.person.name, now_s, call.by if call is not None else ()))
        self._keep(box, effects)

    # ---- what waits -------------------------------------------------------------------------------------------------

    def _wait(self, box: Box, now_s: float) -> None:
        """Set the timers for what waits."""
        name = box.person.name
        if box.held:
            spare = _spare(box.held)
            due_s = self.opens_s(box.person, now_s)
            if due_s <= now_s:
                due_s = max(box.bucket.ready_s(now_s, spare), now_s)
            self._set("held", name, due_s)
        else:
            self._timers.drop(("people", ("held", name)))
        if box.digest:
            self._set("digest", name, next_time(box.person.digests, now_s, self._zone))
        else:
            self._timers.drop(("people", ("digest", name)))

    def _set(self, what: str, name: str, due_s: float) -> None:
        if due_s < float("inf"):
            self._timers.set(("people", (what, name)), due_s)

    def timer(self, what: str, name: str, now_s: float, effects: list[Effect]) -> None:
        """A timer is due."""
        if what == "escalate":
            self._escalate(name, now_s, effects)
            return
        box = self.boxes.get(name)
        if box is None:
            return
        if what == "held":
            self._held(box, now_s, effects)
        elif what == "digest":
            self._digest_now(box, now_s, effects)
        elif what == "daily":
            self._daily_now(box, now_s, effects)

    def _held(self, box: Box, now_s: float, effects: list[Effect]) -> None:
        """Tell what has waited, in one message."""
        spare = _spare(box.held)
        if not self.may_speak(box.person, now_s) or box.bucket.ready_s(now_s, spare) > now_s + 0.5:
            self._wait(box, now_s)
            return
        letters, why = self._still(box, box.held, now_s), box.why
        box.held, box.why = [], "held_title"
        if letters:
            box.bucket.take(now_s)
            self._told_of(box, letters, why, now_s, effects)
        self._keep(box, effects)
        self._wait(box, now_s)

    def _still(self, box: Box, letters: Sequence[Letter], now_s: float) -> list[Letter]:
        """What is not over, written anew."""
        fresh = [self._fresh(letter, now_s) for letter in letters]
        box.over += sum(letter is None for letter in fresh)
        return [letter for letter in fresh if letter is not None]

    def _told_of(self, box: Box, letters: list[Letter], why: str, now_s: float, effects: list[Effect]) -> None:
        whole = letters[0]
        if len({letter.incident for letter in letters}) > 1:
            whole = bundle(letters, f"{why.removesuffix('_title')}-{box.person.name}", why, now_s, self._zone)
            for letter in letters:
                box.told[letter.incident] = box.told.pop(letter.incident, 0) + 1
        self._send(box, whole, now_s, effects)

    def _digest_now(self, box: Box, now_s: float, effects: list[Effect]) -> None:
        letters = self._still(box, box.digest, now_s)
        if letters and not self.may_speak(box.person, now_s):
            self._set("digest", box.person.name, max(self.opens_s(box.person, now_s), now_s + 60.0))
            return
        daily_s = self._timers.due_s(("people", ("daily", box.person.name)))
        if daily_s is not None and daily_s <= now_s + 60.0:  # the daily report names what is due
            return
        box.digest = []
        if letters:
            self._told_of(box, letters, "digest_title", now_s, effects)
        self._keep(box, effects)
        self._wait(box, now_s)

    # ---- the daily report -------------------------------------------------------------------------------------------

    def _daily_at(self, box: Box, now_s: float) -> None:
        if box.person.daily is not None:
            self._set("daily", box.person.name, next_time((box.person.daily,), now_s, self._zone))

    def _daily_now(self, box: Box, now_s: float, effects: list[Effect]) -> None:
        """Comes every day, also when there is nothing to say: its absence says something."""
        self._daily_at(box, now_s)
        together = bool(box.digest) and self._timers.due_s(("people", ("digest", box.person.name))) in (None, now_s)
        letters = self._still(box, box.digest, now_s) if together else []
        letter = self._daily(box, now_s)
        box.sent, box.over = 0, 0
        self._send(box, letter, now_s, effects)
        if together:
            box.digest = []
            for told in letters:
                box.told[told.incident] = box.told.pop(told.incident, 0) + 1
            self._keep(box, effects)
            self._wait(box, now_s)

    # ---- danger that nobody answers -----------------------------------------------------------------------------

    def _step(self, escalation: Escalation, effects: list[Effect]) -> None:
        due_s = escalation.next_s()
        if due_s is not None:
            self._set("escalate", escalation.key, due_s)
        effects.append(Keep("escalation", escalation.key, escalation.as_dict()))

    def answered(self, key: str, effects: list[Effect]) -> None:
        """Somebody has answered, or it is over: no more of it."""
        if self.escalations.pop(key, None) is not None:
            self._timers.drop(("people", ("escalate", key)))
            effects.append(Keep("escalation", key, None))

    def _escalate(self, key: str, now_s: float, effects: list[Effect]) -> None:
        escalation = self.escalations.get(key)
        letter = self._unanswered(key, now_s) if escalation is not None else None
        if escalation is None or letter is None:
            self.answered(key, effects)
            return
        order = [box.person for box in self._order(self._for(letter), now_s)]
        known = [person for person in order if person.name in escalation.told]
        order = known + [person for person in order if person not in known]
        step = escalation.step
        for call in escalation.calls(order):
            again = Letter(
                id=f"{letter.incident}.escalated.{step + 1}",
                at_s=now_s,
                key=key,
                incident=letter.incident,
                step="escalated",
                priority="danger",
                title=say("unanswered", title=letter.title),
                text=letter.text,
                actions=letter.actions,
                danger=True,
            )
            self._send(self.boxes[call.person], again, now_s, effects, call)
            effects.append(Note(now_s, "escalated", {"incident": letter.incident, "to": call.person, "step": step + 1}))
        self._step(escalation, effects)

    # ---- life -------------------------------------------------------------------------------------------------------

    def _keep(self, box: Box, effects: list[Effect]) -> None:
        doc = Keep("person", box.person.name, box.as_dict())
        if effects and isinstance(effects[-1], Keep) and effects[-1][:2] == doc[:2]:
            effects[-1] = doc
        else:
            effects.append(doc)

    def restore(self, kept: dict[str, dict[str, dict[str, Any]]], now_s: float) -> None:
        """Take up where the journal left off; what was due meanwhile is due now."""
        for name, doc in kept.get("person", {}).items():
            if name in self.boxes:
                self.boxes[name].restore(doc)
                self._wait(self.boxes[name], now_s)
        for key, doc in kept.get("escalation", {}).items():
            escalation = Escalation(**doc)
            self.escalations[key] = escalation
            due_s = escalation.next_s()
            if due_s is not None:
                self._set("escalate", key, max(due_s, now_s + 2.0))


def _spare(letters: Sequence[Letter]) -> float:
    """What letters must leave in the bucket; beds may take the last token."""
    return 0.0 if any(letter.beds for letter in letters) else SPARE
