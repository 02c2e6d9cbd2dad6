"""What is to be told, before it is known to whom and when; and how it becomes messages."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from farmwatch.alarms.collapse import enumerate_lines, story
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, clock, fit
from farmwatch.words.model import Message

RANK = {"digest": 0, "session": 1, "danger": 2}


@dataclass(frozen=True, slots=True)
class Letter:
    """Words about an incident.

    Attributes:
        id: incident and step: the idempotence key but for the person.
        key: key of the incident while it is open; "" for what belongs to none.
        priority: of this letter: an all-clear is no danger.
        danger: whether the incident is one.
        to: names of those it is for; None: everybody.
        rules: alarm rules that it tells of.
        alone: a single source says nothing: one person is enough.
    """

    id: str
    at_s: float
    key: str
    incident: str
    step: str
    priority: str
    title: str
    text: str
    actions: tuple[tuple[str, str], ...] = ()
    danger: bool = False
    to: tuple[str, ...] | None = None
    rules: tuple[str, ...] = ()
    alone: bool = False

    @property
    def beds(self) -> bool:
        """Whether it asks for beds to be cleared."""
        return self.key == "bed"

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Letter":
        """The reverse of `as_dict`."""
        known = {name: doc[name] for name in cls.__slots__ if name in doc}
        known["actions"] = tuple((str(a), str(b)) for a, b in known.get("actions", ()))
        known["rules"] = tuple(known.get("rules", ()))
        known["to"] = None if known.get("to") is None else tuple(known["to"])
        return cls(**known)


def message_of(
    letter: Letter, person: str, now_s: float, by: tuple[str, ...] = (), *, silent: bool = False
) -> Message:
    """A letter to one person."""
    title = fit(letter.title, TITLE_MAX)
    return Message(
        id=f"{letter.id}.{person}",
        at_s=now_s,
        to=person,
        priority=letter.priority,
        title=title,
        text=fit(letter.text, TOTAL_MAX - len(title) - 1),
        incident=letter.incident,
        step=letter.step,
        actions=letter.actions,
        by=by,
        rules=letter.rules,
        silent=silent,
    )


def bundle(letters: Sequence[Letter], key: str, why: str, now_s: float, timezone: str) -> Letter:
    """Several letters as one, each with its own time; `why` is the template of its title."""
    lines = story(letters, timezone)
    since = clock(min(letter.at_s for letter in letters), timezone)
    title = fit(say(why, number=len(lines), since=since), TITLE_MAX)
    return Letter(
        id=f"{key}.{now_s:.0f}",
        at_s=now_s,
        key="",
        incident=f"{key}.{now_s:.0f}",
        step="note",
        priority=max((letter.priority for letter in letters), key=RANK.__getitem__),
        title=title,
        text=enumerate_lines(lines, TOTAL_MAX - len(title) - 1),
        actions=tuple(dict.fromkeys(action for letter in letters for action in letter.actions))[:3],
        rules=tuple(dict.fromkeys(rule for letter in letters for rule in letter.rules)),
    )
