"""RFC 3339 at the edges, epoch seconds inside."""

import re
from datetime import UTC, datetime, timedelta

_FORM = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(?:\.\d+)?(?:[Zz]|[+-]\d\d:\d\d)", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SECOND = slice(17, 19)
_FIRST_S, _END_S = -62_135_596_800.0, 253_402_300_800.0  # years 1 to 9999 in UTC: what `rfc3339` can write


def rfc3339(at_s: float) -> str:
    """Epoch seconds as RFC 3339 in UTC: to the millisecond, or to the microsecond where that says more.

    Raises:
        ValueError: outside the years 1 to 9999, or no number.

    >>> rfc3339(1764057600.25), rfc3339(1764057600.250001)
    ('2025-11-25T08:00:00.250+00:00', '2025-11-25T08:00:00.250001+00:00')
    """
    try:
        micros = round(at_s * 1e6)
        moment = _EPOCH + timedelta(microseconds=micros)
    except (OverflowError, ValueError):
        raise ValueError(f"{at_s} is no time between the years 1 and 9999") from None
    return moment.isoformat(timespec="microseconds" if micros % 1000 else "milliseconds")


def parse(text: str) -> float:
    """Epoch seconds of an RFC 3339 time with any offset, to the microsecond.

    A leap second (``:60``) counts as the second that follows it, as POSIX time does.

    Raises:
        ValueError: it is no such time; a time without offset is refused, for it may mean any zone.

    >>> parse("2025-11-25T08:00:00Z"), parse("2025-11-25T09:30:00.25+01:30")
    (1764057600.0, 1764057600.25)
    """
    if _FORM.fullmatch(text) is None:
        raise ValueError(_why_not(text))
    leap = text[_SECOND] == "60"
    if leap:
        text = f"{text[:17]}59{text[19:]}"
    try:
        at_s = datetime.fromisoformat(text if text[-1] != "z" else text.upper()).timestamp() + leap
    except (ValueError, OverflowError):
        raise ValueError(f"{_quoted(text)} is no time of the calendar") from None
    if not _FIRST_S <= at_s < _END_S:
        raise ValueError(f"{_quoted(text)} is not between the years 1 and 9999 in UTC")
    return at_s


def _quoted(text: str) -> str:
    """The beginning of a text that a stranger wrote: a log and a terminal can show it."""
    return '"' + text[:40].encode("unicode_escape").decode("ascii") + '"'


def _why_not(text: str) -> str:
    if _FORM.fullmatch(f"{text}Z"):
        return f'{_quoted(text)} has no offset from UTC; write it like "2025-11-25T08:00:00+00:00"'
    return f'{_quoted(text)} is no RFC 3339 time such as "2025-11-25T08:00:00+00:00"'
