"""Who may be spoken to, when next, and which of several people is told first of what is no danger."""

import math
from collections.abc import Iterable

from farmwatch.alarms.box import Box
from farmwatch.alarms.hours import begins, ends, inside
from farmwatch.alarms.letters import Letter
from farmwatch.alarms.texts import say
from farmwatch.words.model import Note, PersonPlan

FAR_S = 8 * 86_400.0
"""Whoever may not be spoken to for more than a week is nobody who will see to it: hours come round once a week."""


def may_speak(person: PersonPlan, now_s: float, zone: str) -> bool:
    """Whether what is no danger may come now."""
    on_duty = not person.duty or inside(person.duty, now_s, zone)
    return on_duty and not inside(person.quiet, now_s, zone)


def opens_s(person: PersonPlan, now_s: float, zone: str) -> float:
    """When what is no danger may come next; infinity if that cannot be found."""
    at_s = now_s
    for _ in range(64):
        if person.duty:
            at_s = begins(person.duty, at_s, zone)
        if at_s == math.inf or not inside(person.quiet, at_s, zone):
            return at_s
        at_s = ends(person.quiet, at_s, zone)
    return math.inf


def in_order(boxes: Iterable[Box], now_s: float, zone: str) -> list[Box]:
    """Those who may be spoken to soonest, of these whoever has been told least, else as configured."""

    def key(box: Box) -> tuple[float, tuple[float, float]]:
        return max(opens_s(box.person, now_s, zone), now_s), box.share(now_s)

    return sorted(boxes, key=key)


def reachable(box: Box, now_s: float, zone: str) -> bool:
    """Whether there are hours within a week at which this person may be spoken to."""
    return opens_s(box.person, now_s, zone) <= now_s + FAR_S


def undelivered(letters: Iterable[Letter], to: str, now_s: float) -> list[Note]:
    """For the record: what nobody could be told."""
    error = say("nobody_reachable")
    rows = [{"message": a.id, "channel": "", "title": a.title, "error": error} for a in letters]
    return [Note(now_s, "undelivered", {**row, "to": to, "untold": True}) for row in rows]
