"""Words: times, durations, lists and lengths as people say them."""

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

TITLE_MAX = 60
TOTAL_MAX = 240
WEEKDAYS: tuple[str, ...] = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
"""Not the locale's: what a message says does not hang on how its computer is set up."""


@lru_cache(maxsize=8)
def zone(name: str) -> ZoneInfo:
    """The time zone of this name."""
    return ZoneInfo(name)


def clock(at_s: float, timezone: str) -> str:
    """Time of day in the site's zone, to the minute.

    >>> clock(1764057600, "Europe/London")
    '08:00'
    """
    return f"{datetime.fromtimestamp(at_s, UTC).astimezone(zone(timezone)):%H:%M}"


def moment(at_s: float, now_s: float, timezone: str) -> str:
    """Time of day, with the weekday if it is not today.

    >>> moment(1764144000, 1764057600, "Europe/London")
    'Wed 08:00'
    """
    at = datetime.fromtimestamp(at_s, UTC).astimezone(zone(timezone))
    today = datetime.fromtimestamp(now_s, UTC).astimezone(zone(timezone)).date()
    return f"{at:%H:%M}" if at.date() == today else f"{WEEKDAYS[at.weekday()]} {at:%H:%M}"


def ranged(low_s: float | None, high_s: float | None, now_s: float, timezone: str) -> str:
    """The 80 % interval behind a time, in few letters; without one that is said.

    >>> ranged(1764057600, 1764061200, 1764057000, "Europe/London"), ranged(None, None, 0, "UTC")
    (' (08:00 to 09:00)', ' (range not known)')
    """
    if low_s is None or high_s is None:
        return " (range not known)"
    low, high = (moment(max(at_s, now_s), now_s, timezone) for at_s in (low_s, high_s))
    return "" if low == high else f" ({low} to {high})"


def duration(seconds: float) -> str:
    """A duration, rounded as one would say it.

    >>> duration(40), duration(380), duration(5400), duration(200000)
    ('40 s', '6 min', '1 h 30 min', '2 days 8 h')
    """
    seconds = max(seconds, 0.0)
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(round(seconds / 3600), 24)
    word = "day" if days == 1 else "days"
    return f"{days} {word} {hours} h" if hours else f"{days} {word}"


def plain(text: str) -> str:
    """A name from outside as it may stand in a message: no control characters, no runs of blanks."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def names(items: Sequence[str], at_most: int = 4) -> str:
    """A list of names; what is too many is counted.

    >>> names(["avocet", "knot", "eider", "ibis", "heron"], 3)
    'avocet, knot, eider and 2 more'
    """
    shown = [plain(item) for item in items]
    if len(shown) <= at_most:
        return ", ".join(shown)
    return f"{', '.join(shown[:at_most])} and {len(shown) - at_most} more"


def count(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun.

    >>> count(1, "bed"), count(3, "bed")
    ('1 bed', '3 beds')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def fit(text: str, limit: int) -> str:
    """Text within a limit, cut at a word."""
    text = " ".join(text.split())
    if len(text) <= limit:
        return text
    cut = text[: limit - 1]
    return (cut[: cut.rfind(" ")] if " " in cut[limit // 2 :] else cut).rstrip(" ,.;") + "…"


def percent(share: float) -> str:
    """A share as whole percent.

    >>> percent(0.634)
    '63 %'
    """
    return f"{share * 100:.0f} %"
