"""Alarm states and transitions after ANSI/ISA-18.2 and IEC 62682, as a table; the documents' diagram is drawn from it.

The states are those of the standard's state diagram (figure 3 of ISA-18.2-2016, from memory), each with the tag that
is usually printed beside it. Delays, deadband and shelf times are kept by the caller: the triggers come after them.
"""

from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple


class State(NamedTuple):
    """A state: the tag in the standard's diagram, what it means, and its words in the drawing."""

    tag: str
    about: str


STATES: dict[str, State] = {
    "normal": State("NORM", "condition clear, nothing owed"),
    "unacknowledged": State("UNACK", "condition true, nobody has answered"),
    "acknowledged": State("ACKED", "condition true, somebody has taken charge"),
    "returned": State("RTNUN", "condition clear again before anybody answered"),
    "latched": State("LUNAC", "condition clear again, kept until somebody answers and resets"),
    "latched_acknowledged": State("LACKD", "answered, kept until somebody resets"),
    "shelved": State("SHLVD", "put aside by a person, for a reason and a time"),
    "suppressed": State("DSUPR", "explained by another alarm"),
    "out_of_service": State("OOSRV", "its subject is out of service"),
}

TRIGGERS: dict[str, str] = {
    "active": "the condition is true (after the on-delay)",
    "clear": "the condition is gone (after the off-delay)",
    "answer": "the condition is gone, and its going is the answer (rules whose clearing is the response)",
    "latch": "the condition is gone (rules that latch)",
    "acknowledge": "a person takes charge",
    "reset": "a person says that the reason was found",
    "realarm": "it has been acknowledged for long and still stands",
    "shelve": "a person puts it aside",
    "unshelve": "the time is over, a one-shot shelf has seen it clear, or a person takes it back",
    "suppress": "a parent cause explains it",
    "unsuppress": "the parent cause is gone",
    "remove": "its subject is taken out of service",
    "return": "its subject is back in service",
}

CLEARING: dict[str, str] = {
    # what a rule says of its clearing: the trigger it clears by
    "ask": "clear",
    "answered": "answer",
    "latch": "latch",
}

SPEAKING = ("unacknowledged", "acknowledged")
OWING = ("returned", "latched", "latched_acknowledged")
"""The condition is gone, and a person still owes an answer."""
ASIDE = ("shelved", "suppressed", "out_of_service")

TABLE: dict[tuple[str, str], str] = {
    ("normal", "active"): "unacknowledged",
    ("unacknowledged", "acknowledge"): "acknowledged",
    ("unacknowledged", "clear"): "returned",
    ("unacknowledged", "answer"): "normal",
    ("unacknowledged", "latch"): "latched",
    ("acknowledged", "clear"): "normal",
    ("acknowledged", "answer"): "normal",
    ("acknowledged", "latch"): "latched_acknowledged",
    ("acknowledged", "realarm"): "unacknowledged",
    ("returned", "acknowledge"): "normal",
    ("latched", "acknowledge"): "latched_acknowledged",
    ("latched_acknowledged", "reset"): "normal",
    **{(state, "active"): "unacknowledged" for state in OWING},
    **{(state, "shelve"): "shelved" for state in STATES if state not in ASIDE},
    **{(state, "suppress"): "suppressed" for state in STATES if state not in ASIDE},
    **{(state, "remove"): "out_of_service" for state in STATES if state != "out_of_service"},
}
LEAVING: dict[str, str] = {"unshelve": "shelved", "unsuppress": "suppressed", "return": "out_of_service"}
"""Triggers that end a state aside. The condition is looked at anew: true goes to `unacknowledged`, false to what was
owed before (an answer that nobody gave is not forgiven by an explanation), else to `normal`."""


def step(state: str, trigger: str, *, true: bool, owed: str = "") -> str:
    """The state after `trigger`; an empty cell changes nothing.

    Args:
        state: one of STATES.
        trigger: one of TRIGGERS; KeyError otherwise.
        true: the condition, after its delays.
        owed: one of OWING if the alarm was in it when it was suppressed or taken out of service.

    >>> step("returned", "active", true=True), step("shelved", "unshelve", true=False)
    ('unacknowledged', 'normal')
    >>> step("suppressed", "unsuppress", true=False, owed="returned")
    'returned'
    """
    TRIGGERS[trigger]
    if trigger in LEAVING:
        if LEAVING[trigger] != state:
            return state
        return "unacknowledged" if true else owed or "normal"
    return TABLE.get((state, trigger), state)


@dataclass(slots=True)
class Alarm:
    """One alarm of one subject: all that must survive a restart.

    Attributes:
        rule: row of the alarm table.
        subject: what it is about.
        priority: danger, session or digest, as the owner has it.
        state: one of STATES.
        true: the condition, after its delays.
        since_s: when the condition became true, before its delay.
        incident: the incident whose messages speak of it.
        shelved_until_s: end of its shelf, None while it is not shelved.
        shelf: kind ("timed" or "once"), reason and by.
        owed: the state of OWING that it was in when it was suppressed or taken out of service.
        due: deadlines by name: on, clear, unsuppress, unshelve, realarm, calm.
        raised_s: when it was raised lately, the newest last.
        facts: for the wording.
    """

    rule: str
    subject: str
    priority: str
    state: str = "normal"
    true: bool = False
    since_s: float = 0.0
    incident: str | None = None
    shelved_until_s: float | None = None
    shelf: dict[str, str] = field(default_factory=dict)
    owed: str = ""
    due: dict[str, float] = field(default_factory=dict)
    raised_s: list[float] = field(default_factory=list)
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """Name of the alarm: rule and subject."""
        return f"{self.rule}:{self.subject}"

    @property
    def speaks(self) -> bool:
        """Whether it stands and is neither shelved nor explained."""
        return self.state in SPEAKING

    def move(self, trigger: str) -> str:
        """Go where the table says; the previous state."""
        previous = self.state
        self.state = step(previous, trigger, true=self.true, owed=self.owed)
        if self.state in ("suppressed", "out_of_service"):
            if previous in OWING:
                self.owed = previous
        else:
            self.owed = ""
        return previous

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Alarm":
        """The reverse of `as_dict`; what an older journal does not have stays as it is by default."""
        return cls(**{name: doc[name] for name in cls.__slots__ if name in doc})


def as_markdown() -> str:
    """The transition table: a row a state, a column a trigger; an empty cell changes nothing."""
    head = f"| state | tag | meaning | {' | '.join(TRIGGERS)} |"
    lines = [head, "|" + "---|" * (len(TRIGGERS) + 3)]
    for state, row in STATES.items():
        cells = [_cell(state, trigger) for trigger in TRIGGERS]
        lines.append(f"| {state} | {row.tag} | {row.about} | {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def _cell(state: str, trigger: str) -> str:
    if LEAVING.get(trigger) == state:
        return "looked at anew"
    return TABLE.get((state, trigger), "")


def as_diagram() -> str:
    """The same as a Mermaid state diagram; triggers that share an arrow are written on it together."""
    arrows: dict[tuple[str, str], list[str]] = {}
    for (state, trigger), after in TABLE.items():
        if trigger not in ("shelve", "suppress", "remove"):
            arrows.setdefault((state, after), []).append(trigger)
    lines = ["stateDiagram-v2", "    [*] --> normal"]
    lines += [f"    {state}: {state} ({row.tag})" for state, row in STATES.items()]
    lines += [f"    {state} --> {after}: {', '.join(triggers)}" for (state, after), triggers in arrows.items()]
    for trigger, aside in (("shelve", "shelved"), ("suppress", "suppressed"), ("remove", "out_of_service")):
        sources = [state for (state, word), after in TABLE.items() if word == trigger and after == aside]
        lines.append(f"    note left of {aside}: {trigger} from {', '.join(sources)}")
    for trigger, aside in LEAVING.items():
        lines.append(f"    {aside} --> unacknowledged: {trigger}, condition true")
        lines.append(f"    {aside} --> normal: {trigger}, condition false")
        if aside != "shelved":
            lines += [f"    {aside} --> {owed}: {trigger}, condition false, was {owed}" for owed in OWING]
    return "\n".join(lines) + "\n"
