"""What one person has been told, and what waits for them."""

from dataclasses import dataclass, field
from typing import Any

from farmwatch.alarms.budget import Bucket
from farmwatch.alarms.letters import Letter
from farmwatch.words.model import PersonPlan

HELD_MAX = 60
TOLD_MAX = 80
DAY_S = 86_400.0
ROOM = 1.0
"""Sounds of `a_day` that beds leave for other matters, where they may come without one."""


@dataclass(slots=True)
class Box:
    """What one person has been told, and what waits for them."""

    person: PersonPlan
    bucket: Bucket
    held: list[Letter] = field(default_factory=list)
    digest: list[Letter] = field(default_factory=list)
    told: dict[str, int] = field(default_factory=dict)  # incident: messages about it
    over: int = 0  # what was over before it was told, since the last daily report
    sent: int = 0  # messages since the last daily report
    why: str = "held_title"
    sounded_s: list[float] = field(default_factory=list)  # when something that is no danger made a sound, within a day

    def sound(self, now_s: float, spare: float, *, beds: bool) -> bool:
        """Take leave to make a sound; False if there is none.

        Where beds may come without a sound they take no tokens: they make a sound until there have been all but ROOM of
        `a_day` within 24 hours, from whatever, and one at least; other things need a token, and no 24 hours have more
        than twice `a_day`.
        """
        recent, a_day = self.sounds(now_s), self.person.a_day
        if self.person.silent and a_day is not None:
            if beds and len(recent) >= max(a_day - ROOM, 1.0):
                return False
            if not beds and (len(recent) >= 2 * a_day or not self.bucket.take(now_s)):
                return False
        elif not self.bucket.take(now_s, spare):
            return False
        self.sounded_s = [*recent, now_s]
        return True

    def sounds(self, now_s: float) -> list[float]:
        """When there was a sound within the last 24 hours."""
        return [at_s for at_s in self.sounded_s if at_s > now_s - DAY_S]

    def ready_s(self, now_s: float, spare: float) -> float:
        """When something else than beds may make a sound; without silence, when anything may."""
        recent, a_day = self.sounds(now_s), self.person.a_day
        if not self.person.silent or a_day is None:
            return self.bucket.ready_s(now_s, spare)
        over = len(recent) - int(2 * a_day)
        return max(self.bucket.ready_s(now_s), recent[over] + DAY_S if over >= 0 else now_s)

    def share(self, now_s: float) -> tuple[float, float]:
        """How much this person has been told: sounds of a day and messages where beds may be silent, else tokens."""
        if self.person.silent:
            return len(self.sounds(now_s)), self.sent
        return -self.bucket.ready(now_s), 0.0

    def count(self, incident: str) -> None:
        """A message about an incident more."""
        self.told[incident] = self.told.pop(incident, 0) + 1
        for old in list(self.told)[:-TOLD_MAX]:
            del self.told[old]

    def knows(self, incident: str) -> bool:
        """Whether this person has been told of it, or is about to be."""
        return incident in self.told or any(letter.incident == incident for letter in self.held)

    def as_dict(self) -> dict[str, Any]:
        """What must survive."""
        return {
            "held": [letter.as_dict() for letter in self.held],
            "digest": [letter.as_dict() for letter in self.digest],
            "told": self.told,
            "over": self.over,
            "sent": self.sent,
            "why": self.why,
            "tokens": self.bucket.tokens,
            "tokens_at_s": self.bucket.at_s,
            "sounded_s": self.sounded_s,
        }

    def restore(self, doc: dict[str, Any]) -> None:
        """The reverse of `as_dict`."""
        self.held = [Letter.from_dict(row) for row in doc.get("held", ())]
        self.digest = [Letter.from_dict(row) for row in doc.get("digest", ())]
        self.told, self.why = dict(doc.get("told", {})), doc.get("why", "held_title")
        self.sounded_s = [float(at_s) for at_s in doc.get("sounded_s", ())]
        self.over, self.sent = int(doc.get("over", 0)), int(doc.get("sent", 0))
        self.bucket.tokens, self.bucket.at_s = float(doc.get("tokens", 0.0)), doc.get("tokens_at_s")
