"""HTML that escapes by itself, and how times, powers and ages are written.

`fill` is the only way from a value to markup: it escapes everything that is not already `Html`. Pure.
"""

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime, tzinfo
from functools import lru_cache
from html import escape
from string import Formatter
from zoneinfo import ZoneInfo

from farmwatch.web.manner import clock as clock_of
from farmwatch.web.manner import date, number

LONGEST_WORDS = 160  # characters of one string from outside that are shown
_ODD = re.compile(r"[&<>\"'\x00-\x1f\x7f-\x9f]")
_CONTROL = dict.fromkeys((*range(32), *range(127, 160)), "\N{REPLACEMENT CHARACTER}") | dict.fromkeys((9, 10, 13), " ")
_DAY_S = 86_400.0


class Html(str):
    """Markup that is safe as it stands."""

    __slots__ = ()


NOTHING = Html()


class Parts(Html):
    """Markup made of parts that each carry their key as `data-key`, in a frame that changes seldom.

    Attributes:
        parts: key: markup of one element.
        frame: equal as long as the same parts stand in the same places.
    """

    __slots__ = ("frame", "parts")
    parts: dict[str, Html]
    frame: object

    @classmethod
    def of(cls, html: Html, parts: dict[str, Html], frame: object = None) -> "Parts":
        """`html`, which holds every one of `parts`."""
        found = cls(html)
        found.parts, found.frame = parts, (tuple(parts), frame)
        return found


@lru_cache(maxsize=512)
def _pieces(template: str) -> tuple[tuple[str, str | None, str], ...]:
    """The template taken apart: literal text, then a field's name and format."""
    return tuple((literal, key, spec or "") for literal, key, spec, _ in Formatter().parse(template))


def fill(template: str, **values: object) -> Html:
    """`template` with its {fields} filled in; whatever is not `Html` is escaped."""
    parts: list[str] = []
    for literal, key, spec in _pieces(template):
        parts.append(literal)
        if key is not None:
            value = values[key]
            parts.append(value if isinstance(value, Html) else text(format(value, spec) if spec else value))
    return Html("".join(parts))


def text(value: object) -> Html:
    """`value` as text within an element or a quoted attribute; control characters become visible."""
    if isinstance(value, Html):
        return value
    words = str(value)
    return Html(escape(words.translate(_CONTROL)) if _ODD.search(words) else words)


def join(parts: Iterable[Html], between: str = "") -> Html:
    """The parts, one after the other."""
    return Html(between.join(parts))


def clip(words: str, most: int = LONGEST_WORDS) -> str:
    """`words`, or their beginning and an ellipsis."""
    return words if len(words) <= most else words[: most - 1] + "…"


def name(words: str) -> Html:
    """A name from outside: clipped, and isolated so that it cannot turn the writing direction around it."""
    return fill("<bdi>{words}</bdi>", words=clip(words, 80))


@lru_cache(maxsize=8)
def zone(key: str) -> tzinfo:
    """The time zone, or UTC where it is not known here."""
    try:
        return ZoneInfo(key)
    except (KeyError, ValueError, OSError):  # ZoneInfoNotFoundError is a KeyError
        return UTC


def known(value: float | None) -> float | None:
    """`value` unless it is no number that anything here can be measured to be: not known."""
    return value if value is not None and abs(value) < 1e15 else None


def minute(at_s: float) -> float:
    """The nearest whole minute: for times that are foreseen, so that they do not change with each second.

    >>> minute(89.0), minute(91.0)
    (60.0, 120.0)
    """
    return 60.0 * round(at_s / 60.0)


def moment(at_s: float, now_s: float, where: tzinfo, *, seconds: bool = False) -> str:
    """Clock time; the day too where it is not today's.

    >>> moment(1_700_000_000, 1_700_000_000, UTC), moment(1_700_000_000, 1_700_060_000, UTC)
    ('22:13', 'yesterday 22:13')
    """
    try:
        then, now = datetime.fromtimestamp(at_s, where), datetime.fromtimestamp(now_s, where)
    except (ValueError, OverflowError, OSError):
        return "at an impossible time"
    clock = clock_of(then, seconds=seconds)
    days = (then.date() - now.date()).days
    if days == 0:
        return clock
    near = {1: "tomorrow", -1: "yesterday"}.get(days)
    if near is None:
        near = then.strftime("%a") if 0 < days < 7 else date(then)
    return f"{near} {clock}"


def stamp(at_s: float, now_s: float, where: tzinfo) -> Html:
    """The clock time as a <time> element with the full time (RFC 3339) in it."""
    try:
        full = datetime.fromtimestamp(at_s, where).isoformat(timespec="seconds")
    except (ValueError, OverflowError, OSError):
        full = ""
    return fill('<time datetime="{full}">{clock}</time>', full=full, clock=moment(at_s, now_s, where))


def span(seconds: float) -> str:
    """A duration, as coarse as it is useful.

    >>> span(7), span(44), span(700), span(5 * 3600 + 130), span(3 * 86400)
    ('a few seconds', '40 s', '12 min', '5 h 2 min', '3 days')
    """
    seconds = min(max(0.0, seconds), 1e10)
    if seconds < 10:
        return "a few seconds"
    if seconds < 60:
        return f"{seconds // 10 * 10:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    if seconds < 2 * _DAY_S:
        hours, minutes = divmod(minutes, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{round(seconds / _DAY_S)} days"


def watts(value: float | None) -> str:
    """A power with its unit.

    >>> watts(None), watts(0), watts(87.4), watts(2944)
    ('not known', '0 W', '87 W', '2.94 kW')
    """
    value = known(value)
    if value is None:
        return "not known"
    return f"{number(value)} W" if abs(value) < 1_000 else f"{number(value / 1_000, 2)} kW"


def energy(value: float | None) -> str:
    """An energy with its unit.

    >>> energy(850), energy(12_340)
    ('850 Wh', '12.3 kWh')
    """
    value = known(value)
    if value is None:
        return "not known"
    return f"{number(value)} Wh" if abs(value) < 1_000 else f"{number(value / 1_000, 1)} kWh"


def percent(share: float | None) -> str:
    """A share of 1 as a percentage; never 100 % before it is all.

    >>> percent(0.999), percent(None)
    ('99 %', 'not known')
    """
    share = known(share)
    return "not known" if share is None else f"{math.floor(share * 100 + 1e-9)} %"
