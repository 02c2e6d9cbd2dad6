"""Who is told what, and when: duty and quiet hours, a budget a person, digests, and danger that nobody answers.

What a letter meets, in this order:

    danger                      goes at once, whatever the hour and the budget, to whoever is first (and to those who
                                are `at_once`); see `escalate` for what follows
    an all-clear                joins the next digest of those who were told, for it asks for nothing; that of a danger
                                goes at once, that of a loss of sight too where the person may be spoken to;
                                where the opening still waits, both are dropped
    digest                      waits for the next digest; where there are none it goes when the person may be spoken to
    this session                goes to one person, whoever may be spoken to soonest and has been told least, unless the
                                rule names people or it is a loss of sight, more than a single source (then to all);
                                an hour unanswered, to the next one, and no further
    off duty, or quiet hours    waits for their end, and comes in one message with whatever else waits
    no token                    a bed comes at once all the same, without a sound, where the person has it so
                                (`silent`); else, and whatever is no bed, it waits for one, likewise
    nobody within a week        is put on record as undelivered
    else                        goes now

What has waited is written anew when it goes: what is over by then is counted in the daily report, and no more. The
all-clear of a danger comes at once to those whom the danger has reached, in quiet hours too: it ends what woke them.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from farmwatch.alarms import whom
from farmwatch.alarms.box import HELD_MAX, Box
from farmwatch.alarms.budget import SPARE, Bucket
from farmwatch.alarms.escalate import Call, Escalation
from farmwatch.alarms.hours import next_time
from farmwatch.alarms.letters import Letter, bundle, message_of
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TOTAL_MAX
from farmwatch.words.model import Effect, Keep, Note, PersonPlan
from farmwatch.words.timers import Timers

OWNER = PersonPlan("owner", ())
"""Who is written to where no people are configured: nobody's phone, but the page, the journal and replay show it."""
GIVEN_UP_S = 60.0
SIGHT = frozenset({"broker", "silent"})
"""Incidents in which something could not be seen: everybody hears what cannot be relied on, and what can again."""
Fresh = Callable[[Letter, float], Letter | None]


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
        next_round: Callable[[float], str] = lambda _now_s: "",
    ) -> None:
        self._timers, self._zone, self._next_round = timers, timezone, next_round
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
        if letter.step == "clear":
            for box in boxes:
                self._clear(box, letter, now_s, effects)
        elif letter.priority == "digest":
            for box in boxes:
                self._digest(box, letter, now_s, effects)
        else:
            for box in self._first(letter, boxes, now_s, effects):
                self._session(box, letter, now_s, effects)

    def _for(self, letter: Letter) -> list[Box]:
        named = [box for box in self.boxes.values() if letter.to is None or box.person.name in letter.to]
        return named or list(self.boxes.values())

    def _first(self, letter: Letter, boxes: list[Box], now_s: float, effects: list[Effect]) -> list[Box]:
        """Whom to tell of what is no danger."""
        order = whom.in_order((b for b in boxes if whom.reachable(b, now_s, self._zone)), now_s, self._zone)
        if not order:
            effects += whom.undelivered([letter], "", now_s)
            return []
        if letter.to is not None or (letter.key in SIGHT and not letter.alone):  # the owner wants it so; all must know
            return order
        known = [box for box in order if box.knows(letter.incident)]
        if letter.step == "again":  # whoever was told has not moved: the next one, if there is one to speak to
            others = [box for box in order if box not in known and self.may_speak(box.person, now_s)]
            return (others or known or order)[:1]
        first = known or order[:1]
        if letter.key and letter.key not in self.escalations and not letter.beds and len(self.boxes) > 1:
            told = [box.person.name for box in first]
            self.escalations[letter.key] = Escalation(letter.key, letter.incident, now_s, told=told, danger=False)
            self._step(self.escalations[letter.key], effects)
        return first

    def may_speak(self, person: PersonPlan, now_s: float) -> bool:
        """Whether what is no danger may come now."""
        return whom.may_speak(person, now_s, self._zone)

    def _danger(self, letter: Letter, boxes: list[Box], now_s: float, effects: list[Effect]) -> None:
        order = self._order(boxes, now_s)
        known = [box for box in order if letter.incident in box.told]
        first = known or order[:1]
        for box in order:
            if box in first or box.person.at_once:
                self._send(box, letter, now_s, effects)
        told = [box.person.name for box in order if letter.incident in box.told]
        before = self.escalations.get(letter.key)
        # A further danger after the last step of the first is one that nobody has been called about.
        if letter.key and (before is None or not before.danger or before.next_s() is None):
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
        spoken = letter.key in SIGHT and self.may_speak(box.person, now_s)
        if letter.danger:
            self._send(box, letter, now_s, effects)
        elif spoken and (box.person.silent or box.sound(now_s, SPARE, beds=False)):
            self._send(box, letter, now_s, effects, silent=box.person.silent)
        else:
            self._digest(box, replace(letter, priority="digest"), now_s, effects)

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
        if not self.may_speak(box.person, now_s):
            self.hold(box, letter, now_s, effects)
        elif letter.beds and box.person.silent:
            silent = letter.step == "more" or not box.sound(now_s, 0.0, beds=True)
            self._send(box, letter, now_s, effects, silent=silent)
        elif (box.held and not letter.beds) or not box.sound(now_s, _spare([letter]), beds=letter.beds):
            box.why = "overflow_title"
            self.hold(box, letter, now_s, effects)
        else:
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
        boxes = self._for(letter)
        if not any(self.may_speak(box.person, now_s) for box in boxes):
            for box in self._first(letter, boxes, now_s, effects):
                self.hold(box, letter, now_s, effects)
            return
        for box in boxes:
            if box.person.digests and not any(a.beds for a in box.digest):
                self._digest(box, replace(letter, priority="digest"), now_s, effects)

    def _send(
        self,
        box: Box,
        letter: Letter,
        now_s: float,
        effects: list[Effect],
        call: Call | None = None,
        *,
        silent: bool = False,
    ) -> None:
        box.count(letter.incident)
        box.sent += 1
        silent = silent or (letter.priority == "digest" and box.person.silent)
        by = call.by if call is not None else ()
        effects.append(message_of(letter, box.person.name, now_s, by, silent=silent))
        self._keep(box, effects)

    # ---- what waits -------------------------------------------------------------------------------------------------

    def _wait(self, box: Box, now_s: float) -> None:
        """Set the timers for what waits."""
        name = box.person.name
        if box.held:
            spare = _spare(box.held)
            due_s = whom.opens_s(box.person, now_s, self._zone)
            if not whom.reachable(box, now_s, self._zone):
                due_s = now_s + GIVEN_UP_S
            elif due_s <= now_s and not _soft(box):
                due_s = max(box.ready_s(now_s, spare), now_s)
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
        if self._given_up(box, now_s, effects):
            return
        soft, spare = _soft(box), _spare(box.held)
        late = not soft and box.ready_s(now_s, spare) > now_s + 0.5
        if late or not self.may_speak(box.person, now_s):
            self._wait(box, now_s)
            return
        letters, why = self._still(box, box.held, now_s), box.why
        box.held, box.why = [], "held_title"
        if letters:
            silent = not box.sound(now_s, 0.0, beds=soft) and soft
            self._told_of(box, letters, why, now_s, effects, silent=silent)
        self._keep(box, effects)
        self._wait(box, now_s)

    def _given_up(self, box: Box, now_s: float, effects: list[Effect]) -> bool:
        """Put on record what waits for somebody who may not be spoken to at any hour; whether it is so."""
        if whom.reachable(box, now_s, self._zone):
            return False
        effects += whom.undelivered([*box.held, *box.digest], box.person.name, now_s)
        box.held, box.digest = [], []
        self._keep(box, effects)
        self._wait(box, now_s)
        return True

    def _still(self, box: Box, letters: Sequence[Letter], now_s: float) -> list[Letter]:
        """What is not over, written anew."""
        fresh = [self._fresh(letter, now_s) for letter in letters]
        box.over += sum(letter is None for letter in fresh)
        return [letter for letter in fresh if letter is not None]

    def _told_of(
        self, box: Box, letters: list[Letter], why: str, now_s: float, effects: list[Effect], *, silent: bool = False
    ) -> None:
        whole = letters[0]
        if len({letter.incident for letter in letters}) > 1:
            whole = bundle(letters, f"{why.removesuffix('_title')}-{box.person.name}", why, now_s, self._zone)
            for letter in letters:
                box.count(letter.incident)
            if why == "digest_title":  # when to go, where there is room: a letter on beds says it itself
                text = f"{whole.text} {self._next_round(now_s)}".strip()
                whole = replace(whole, text=text) if len(whole.title) + 1 + len(text) <= TOTAL_MAX else whole
        self._send(box, whole, now_s, effects, silent=silent)

    def _digest_now(self, box: Box, now_s: float, effects: list[Effect]) -> None:
        if self._given_up(box, now_s, effects):
            return
        letters = self._still(box, box.digest, now_s)
        if letters and not self.may_speak(box.person, now_s):
            self._set("digest", box.person.name, max(whom.opens_s(box.person, now_s, self._zone), now_s + 60.0))
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
                box.count(told.incident)
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
            title = say("unanswered", title=letter.title)
            what = "escalated" if escalation.danger else "again"
            again = replace(letter, id=f"{letter.incident}.{what}.{step + 1}", at_s=now_s, step=what, title=title)
            if not escalation.danger:
                self._session(self.boxes[call.person], again, now_s, effects)
                continue
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


def _soft(box: Box) -> bool:
    """Whether what waits may come without a sound: beds alone, to somebody who has it so."""
    return box.person.silent and all(letter.beds for letter in box.held)


def _spare(letters: Sequence[Letter]) -> float:
    """What letters must leave in the bucket; beds may take the last token."""
    return 0.0 if any(letter.beds for letter in letters) else SPARE
