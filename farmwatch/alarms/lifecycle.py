"""Alarm states and transitions after ANSI/ISA-18.2 and IEC 62682, as a table.

The states' names are those of the standard's state diagram (from memory, figure 3 of ISA-18.2-2016). Delays
(on, off) are kept by the caller with timers: the triggers ``active`` and ``clear`` come after them.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

STATES: dict[str, str] = {
    "normal": "condition clear",
    "unacknowledged": "condition true, nobody has answered",
    "acknowledged": "condition true, somebody has taken charge",
    "returned": "condition clear again before anybody answered",
    "shelved": "put aside by a person for a time",
    "suppressed": "explained by another alarm",
    "out_of_service": "its subject is out of service",
}

TRIGGERS: dict[str, str] = {
    "active": "the condition is true (after the on-delay)",
    "clear": "the condition is gone (after the off-delay)",
    "acknowledge": "a person takes charge",
    "shelve": "a person puts it aside",
    "unshelve": "the time is over, or a person takes it back",
    "suppress": "a parent cause explains it",
    "unsuppress": "the parent cause is gone",
    "remove": "its subject is taken out of service",
    "return": "its subject is back in service",
}

_ASIDE = ("shelved", "suppressed", "out_of_service")

TABLE: dict[tuple[str, str], str] = {
    ("normal", "active"): "unacknowledged",
    ("unacknowledged", "acknowledge"): "acknowledged",
    ("unacknowledged", "clear"): "returned",
    ("acknowledged", "clear"): "normal",
    ("returned", "acknowledge"): "normal",
    ("returned", "active"): "unacknowledged",
    **{(state, "shelve"): "shelved" for state in STATES if state not in _ASIDE},
    **{(state, "suppress"): "suppressed" for state in ("normal", "unacknowledged", "acknowledged", "returned")},
    **{(state, "remove"): "out_of_service" for state in STATES},
}
_LEAVE = {"unshelve": "shelved", "unsuppress": "suppressed", "return": "out_of_service"}


def step(state: str, trigger: str, *, true: bool) -> str:
    """The state after `trigger`; leaving shelved, suppressed or out of service re-evaluates the condition.

    >>> step("returned", "active", true=True), step("shelved", "unshelve", true=False)
    ('unacknowledged', 'normal')
    """
    TRIGGERS[trigger]
    if _LEAVE.get(trigger) == state:
        return "unacknowledged" if true else "normal"
    return TABLE.get((state, trigger), state)


@dataclass(slots=True)
class Alarm:
    """One alarm of one subject. `true` is the condition after its delays; `facts` are for the wording."""

    rule: str
    subject: str
    priority: str
    state: str = "normal"
    true: bool = False
    since_s: float = 0.0
    incident: str | None = None
    shelved_until_s: float | None = None
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Name of the alarm: rule and subject."""
        return f"{self.rule}:{self.subject}"

    @property
    def speaks(self) -> bool:
        """Whether it stands and is neither shelved nor explained."""
        return self.state in ("unacknowledged", "acknowledged")

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Alarm":
        """The reverse of `as_dict`."""
        return cls(**{name: doc[name] for name in cls.__slots__ if name in doc})
