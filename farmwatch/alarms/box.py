"""What one person has been told, and what waits for them."""

from dataclasses import dataclass, field
from typing import Any

from farmwatch.alarms.budget import Bucket
from farmwatch.alarms.letters import Letter
from farmwatch.words.model import PersonPlan

HELD_MAX = 60
TOLD_MAX = 80


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
        }

    def restore(self, doc: dict[str, Any]) -> None:
        """The reverse of `as_dict`."""
        self.held = [Letter.from_dict(row) for row in doc.get("held", ())]
        self.digest = [Letter.from_dict(row) for row in doc.get("digest", ())]
        self.told, self.why = dict(doc.get("told", {})), doc.get("why", "held_title")
        self.over, self.sent = int(doc.get("over", 0)), int(doc.get("sent", 0))
        self.bucket.tokens, self.bucket.at_s = float(doc.get("tokens", 0.0)), doc.get("tokens_at_s")
