"""How each state looks: a word, a shape and a tone, as tables.

Tones follow IEC 60073 (red: danger, yellow: abnormal, blue: a person must act) and the habit of ISA-101: grey
is normal, colour is kept for what is not. No tone stands alone: each state has its own word, and the coloured
ones have a shape that no other tone has.
"""

from typing import NamedTuple

from farmwatch.web.markup import Html, fill


class Look(NamedTuple):
    """Word, name of a shape in SHAPES, and tone: plain | act | danger | odd | blind (not known)."""

    word: str
    shape: str
    tone: str


SHAPES: dict[str, Html] = {
    # Drawn in a square of 24; `class="line"` is stroked, the rest is filled.
    "square": Html('<rect x="3" y="3" width="18" height="18" rx="2"/>'),
    "triangle": Html('<path d="M12 2 23 21H1z"/>'),
    "diamond": Html('<path d="M12 1 23 12 12 23 1 12z"/>'),
    "gap": Html('<circle class="line dashed" cx="12" cy="12" r="9"/>'),
    "cross": Html('<path d="M5 2 12 9 19 2 22 5 15 12 22 19 19 22 12 15 5 22 2 19 9 12 2 5z"/>'),
    "disc": Html('<circle cx="12" cy="12" r="9"/>'),
    "half": Html('<circle class="line" cx="12" cy="12" r="9"/><path d="M12 3a9 9 0 0 1 0 18z"/>'),
    "ring": Html('<circle class="line" cx="12" cy="12" r="9"/>'),
    "core": Html('<circle class="line" cx="12" cy="12" r="9"/><circle cx="12" cy="12" r="4"/>'),
    "bars": Html('<path d="M4 3h6v18H4zM14 3h6v18h-6z"/>'),
    "slash": Html('<circle class="line" cx="12" cy="12" r="9"/><path class="line" d="M6 18 18 6"/>'),
    "dash": Html('<path class="line" d="M4 12h16"/>'),
}

UNKNOWN = Look("not known", "gap", "blind")

MACHINES: dict[str, Look] = {
    "unknown": UNKNOWN,
    "off": Look("off", "dash", "plain"),
    "idle": Look("free", "ring", "plain"),
    "heating": Look("heating", "half", "plain"),
    "printing": Look("printing", "disc", "plain"),
    "paused": Look("paused", "bars", "odd"),
    "cooling": Look("cooling", "core", "plain"),
    "waiting": Look("clear bed", "square", "act"),
    "fault": Look("fault", "cross", "danger"),
    "out_of_service": Look("out of service", "slash", "plain"),
}

BACKUPS: dict[str, Look] = {
    "unknown": UNKNOWN,
    "on_line": Look("on mains", "disc", "plain"),
    "on_battery": Look("on battery", "diamond", "odd"),
    "low": Look("battery low", "triangle", "danger"),
}

ALARMS: dict[str, Look] = {
    "danger": Look("danger", "triangle", "danger"),
    "session": Look("this session", "diamond", "odd"),
    "digest": Look("when convenient", "disc", "plain"),
}

RULES: dict[str, Look] = {"bed_waiting": Look("this session", "square", "act")}
"""Alarms that ask for a routine act rather than report something abnormal."""

VERDICTS: dict[str, Look] = {
    "danger": Look("danger", "triangle", "danger"),
    "act": Look("something to do", "square", "act"),
    "calm": Look("nothing to do", "ring", "plain"),
    "unknown": Look("not known", "gap", "blind"),
}

SOURCES: dict[str, Look] = {
    "fresh": Look("reporting", "disc", "plain"),
    "never": Look("never heard", "gap", "blind"),
    "last_known": Look("last known only", "gap", "blind"),
    "silent": Look("silent", "gap", "blind"),
    "failed": Look("failed", "cross", "odd"),
    "degraded": Look("unreadable", "cross", "odd"),
}

ALARM_STATES: dict[str, str] = {
    "unacknowledged": "nobody has answered",
    "acknowledged": "somebody has taken charge",
    "returned": "over, and nobody has answered",
    "latched": "over, and nobody has answered; kept until it is reset",
    "latched_acknowledged": "over; kept until somebody has found why and resets it",
    "shelved": "put aside",
    "suppressed": "explained by another alarm",
    "out_of_service": "its machine is out of service",
}


def look(table: dict[str, Look], state: str) -> Look:
    """The row of `state`; a state that the table does not know is shown by its own word, as not known."""
    return table.get(state) or Look(state.replace("_", " "), UNKNOWN.shape, UNKNOWN.tone)


def shape(of: Look) -> Html:
    """The shape as a picture; the word stands beside it, so it says nothing to a screen reader."""
    return fill(
        '<svg class="shape {tone}" viewBox="0 0 24 24" aria-hidden="true" focusable="false">{drawing}</svg>',
        tone=of.tone, drawing=SHAPES[of.shape],
    )  # fmt: skip


def badge(of: Look) -> Html:
    """Shape and word."""
    return fill(
        '<span class="badge {tone}">{shape}<span class="word">{word}</span></span>',
        tone=of.tone, shape=shape(of), word=of.word,
    )  # fmt: skip
