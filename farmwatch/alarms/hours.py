"""Hours of people by the wall's clock: duty, quiet, fixed times; right on days that have 23, 24, 24.5 or 25 hours.

A time of day is the first moment of its day at which the wall's clock shows it or more: an hour that comes twice
counts once, from its first coming, and a time that is left out falls on the moment of the change.
"""

import math
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

from farmwatch.alarms.wording import zone
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import HoursPlan

DAYS: tuple[str, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_MIN = 1440
DAYS_AHEAD = 9
"""A window of one weekday is found within so many days, whatever day it is."""


def written(window: HoursPlan) -> str:
    """As one writes it, and what it means where it ends before it begins.

    >>> written(parse("mon-tue 22:00-07:00"))
    'mon tue 22:00-07:00 (over midnight)'
    """
    days = " ".join(DAYS[day] for day in window.days)
    text = f"{days} {_time(window.start)}-{_time(window.end)}".strip()
    return f"{text} (over midnight)" if over_midnight(window) else text


def over_midnight(window: HoursPlan) -> bool:
    """Whether it ends on the day after it began."""
    return window.end <= window.start


def parse(text: str) -> HoursPlan:
    """A window from words: "22:00-07:00", "mon-fri 08:00-18:00", "sat sun 10:00-14:00".

    Raises:
        ConfigError: what is wrong with it, and how to write it.

    >>> parse("fri-mon 18:00-06:00")
    HoursPlan(start=1080, end=360, days=(0, 4, 5, 6))
    """
    *days, span = text.lower().replace(",", " ").split() or [""]
    start, dash, end = span.partition("-")
    if not dash:
        raise ConfigError(f"hours {text!r}: from when to when?", hint='write it like "22:00-07:00"')
    chosen: set[int] = set()
    for word in days:
        chosen |= _days(word, text)
    begins, ends = minute(start), minute(end, midnight=True)
    if begins == ends % DAY_MIN and ends != DAY_MIN:
        raise ConfigError(f"hours {text!r}: begins when it ends", hint='the whole day is "00:00-24:00"')
    return HoursPlan(begins, ends, tuple(sorted(chosen)))


def minute(text: str, *, midnight: bool = False) -> int:
    """Minute of the day of "HH:MM"; with `midnight`, "24:00" is the day's end.

    >>> minute("07:30")
    450
    """
    hour, colon, rest = text.strip().partition(":")
    if colon and hour.isascii() and rest.isascii() and hour.isdigit() and rest.isdigit() and len(rest) == 2:
        found = int(hour) * 60 + int(rest)
        if int(rest) < 60 and (found < DAY_MIN or (midnight and found == DAY_MIN)):
            return found
    raise ConfigError(f"no time of day: {text!r}", hint='write it like "07:30"')


def _days(word: str, text: str) -> set[int]:
    first, dash, last = word.partition("-")
    known = {day: number for number, day in enumerate(DAYS)}
    if first[:3] not in known or (dash and last[:3] not in known):
        raise ConfigError(f"hours {text!r}: no weekday is called {word!r}", hint=f"days: {' '.join(DAYS)}")
    begin = known[first[:3]]
    end = known[last[:3]] if dash else begin
    return {(begin + step) % 7 for step in range((end - begin) % 7 + 1)}


def _time(minutes: int) -> str:
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


# ---- from the wall's clock to time -----------------------------------------------------------------------------


@lru_cache(maxsize=4096)
def at_minute(day: date, minutes: int, timezone: str) -> float:
    """Epoch seconds of the first moment of `day` at which the wall's clock shows `minutes` or more.

    >>> at_minute(date(2026, 3, 29), 150, "Europe/Berlin")  # 02:30 is left out: the clock goes from 2 to 3 at 01:00 UTC
    1774746000.0
    """
    there = zone(timezone)
    wall = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)  # noqa: DTZ001 (the wall's own)
    aware = wall.replace(tzinfo=there)
    at_s = aware.timestamp()
    if datetime.fromtimestamp(at_s, UTC).astimezone(there).replace(tzinfo=None) == wall:
        return at_s
    # Left out. With fold 0 the offset from before the change is taken, which lands after it, by as much as is left out.
    low, high = at_s - 10_800.0, at_s
    before = datetime.fromtimestamp(low, UTC).astimezone(there).utcoffset()
    while high - low > 1.0:
        middle = float((low + high) // 2)
        if datetime.fromtimestamp(middle, UTC).astimezone(there).utcoffset() == before:
            low = middle
        else:
            high = middle
    return high


def local_day(at_s: float, timezone: str) -> date:
    """The date on the wall."""
    return datetime.fromtimestamp(at_s, UTC).astimezone(zone(timezone)).date()


def _spans(windows: tuple[HoursPlan, ...], at_s: float, timezone: str, ahead: int) -> Iterator[tuple[float, float]]:
    """(start, end) of every window that may hold `at_s` or begins within `ahead` days."""
    today = local_day(at_s, timezone)
    for offset in range(-1, ahead + 1):
        day = today + timedelta(days=offset)
        for window in windows:
            if window.days and day.weekday() not in window.days:
                continue
            last = day + timedelta(days=1) if over_midnight(window) else day
            begin_s, end_s = at_minute(day, window.start, timezone), at_minute(last, window.end, timezone)
            if end_s > begin_s:
                yield begin_s, end_s


def spans(windows: tuple[HoursPlan, ...], from_s: float, to_s: float, timezone: str) -> list[tuple[float, float]]:
    """Stretches of time that the windows hold from one moment to another, cut there; touching ones are one."""
    found: list[tuple[float, float]] = []
    for begin_s, end_s in sorted(_spans(windows, from_s, timezone, math.ceil((to_s - from_s) / 86_400.0) + 1)):
        begin_s, end_s = max(begin_s, from_s), min(end_s, to_s)
        if begin_s > end_s:
            continue
        if found and begin_s <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end_s))
        else:
            found.append((begin_s, end_s))
    return found


def inside(windows: tuple[HoursPlan, ...], at_s: float, timezone: str) -> bool:
    """Whether one of the windows holds this moment; no windows hold nothing."""
    return bool(windows) and any(a <= at_s < b for a, b in _spans(windows, at_s, timezone, 0))


def ends(windows: tuple[HoursPlan, ...], at_s: float, timezone: str) -> float:
    """First moment from `at_s` on that no window holds; infinity where there is none within nine days."""
    reach = at_s
    for begin_s, end_s in sorted(_spans(windows, at_s, timezone, DAYS_AHEAD)):
        if begin_s <= reach < end_s:
            reach = end_s
    return reach if reach - at_s < (DAYS_AHEAD - 1) * 86_400.0 else float("inf")


def begins(windows: tuple[HoursPlan, ...], at_s: float, timezone: str) -> float:
    """First moment from `at_s` on that a window holds; infinity if none ever does."""
    return min((max(a, at_s) for a, b in _spans(windows, at_s, timezone, DAYS_AHEAD) if b > at_s), default=float("inf"))


def next_time(minutes: tuple[int, ...], now_s: float, timezone: str) -> float:
    """The next of some fixed times of day after `now_s`, each once a day; infinity if there are none."""
    today = local_day(now_s, timezone)
    times = (at_minute(today + timedelta(days=d), m, timezone) for d in (0, 1, 2) for m in minutes)
    return min((at_s for at_s in times if at_s > now_s), default=float("inf"))
