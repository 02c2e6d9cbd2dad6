"""From the fields of a form or a JSON body to what a person said. Pure."""

import math
from collections.abc import Mapping
from typing import Any

from farmwatch.words.errors import Refused
from farmwatch.words.model import COMMANDS, Said

ABOUT_NOTHING: frozenset[str] = frozenset({"round_began", "round_ended"})
ABOUT_ALARMS: frozenset[str] = frozenset({"acknowledged", "shelved", "unshelved", "reset"})
WORDS: dict[str, int] = {"machine": 80, "alarm": 200, "job": 200, "material": 40, "reason": 200, "by": 40, "level": 20,
                         "spool": 40, "part": 40, "note": 300, "key": 80, "due": 40}
NUMBERS: dict[str, tuple[float, float]] = {
    "planned_min": (0.0, 20_160.0), "minutes": (0.0, 20_160.0), "value": (0.0, 1e6), "pieces": (0.0, 1e6),
    "grams": (0.0, 20_000.0), "gross_g": (0.0, 20_000.0), "empty_g": (0.0, 20_000.0), "diameter_mm": (1.0, 4.0),
    "price": (0.0, 1e6),
}  # fmt: skip
"""Fields and their bounds: longest text in characters; above and up to, in minutes (two weeks)."""
FROM: frozenset[str] = frozenset({"value", "pieces", "grams"})
"""Fields whose lower bound is allowed: a build may be worth nothing, a spool hold nothing."""


FLAGS: tuple[str, ...] = ("once",)


class BadWords(Refused):
    """A command whose fields cannot be read."""


def said(fields: Mapping[str, Any], now_s: float, *, by: str) -> Said:
    """The command in `fields`; empty fields count as not given. BadWords says what is wrong.

    Args:
        fields: command, machine or alarm, and what belongs to the command: job, planned_min, material, minutes,
            value, level, reason, by, key (said again with the same key it counts once). Others are refused.
        now_s: when it was said.
        by: who said it, unless the fields tell.
    """
    unknown = sorted(set(fields) - set(WORDS) - set(NUMBERS) - set(FLAGS) - {"command"})
    if unknown:
        raise BadWords(f"Unknown field {unknown[0][:40]!r}", hint=f"known: {', '.join((*WORDS, *NUMBERS, *FLAGS))}")
    command = fields.get("command")
    if not isinstance(command, str) or command not in COMMANDS:
        raise BadWords("Unknown command", hint=f"one of {', '.join(COMMANDS)}")
    given: dict[str, Any] = {}
    for key in WORDS:
        if (words := _words(key, fields.get(key))) is not None:
            given[key] = words
    for key in NUMBERS:
        if (number := _number(key, fields.get(key))) is not None:
            given[key] = number
    for key in FLAGS:
        if (flag := fields.get(key)) not in (None, "", False, "false"):
            if flag not in (True, "true", "on"):
                raise BadWords(f"Field {key!r} must be true or false")
            given[key] = True
    machine, about = given.pop("machine", None), about_of(command)
    if about and (machine if about == "machine" else given.get(about)) is None:
        raise BadWords(f"Which {about}?", hint=f"give the field {about!r}")
    return Said(now_s, command, machine, given.pop("by", by), given)


def about_of(command: str) -> str:
    """The field that says what a command is about; "" where it is about the whole shop."""
    if command in ABOUT_NOTHING:
        return ""
    if command == "wanted":
        return "job"
    return "alarm" if command in ABOUT_ALARMS else "spool" if command.startswith("spool_") else "machine"


def _words(key: str, value: object) -> str | None:
    if value is None or value == "":
        return None
    if not isinstance(value, str):
        raise BadWords(f"Field {key!r} must be text")
    words = "".join(character if character.isprintable() else " " for character in value).strip()
    if len(words) > WORDS[key]:
        raise BadWords(f"Field {key!r} is longer than {WORDS[key]} characters")
    return words or None


def _number(key: str, value: object) -> float | None:
    if value is None or value == "":
        return None
    try:
        number = float(value) if isinstance(value, (str, int, float)) and not isinstance(value, bool) else math.nan
    except (ValueError, OverflowError):
        number = math.nan
    above, most = NUMBERS[key]
    least = key in FROM
    if not (above < number or (least and number == above)) or not number <= most:
        raise BadWords(f"Field {key!r} must be a number {'from' if least else 'above'} {above:g} and up to {most:g}")
    return number
