"""How numbers, times and temperatures are written on the page: by locale, 12 or 24 hours, metric or US.

The words stay English; what a locale changes is the decimal mark, the mark between thousands, the order of day and
month, and the clock that is usual there (Unicode CLDR). A manner holds for the task that renders: `use` it, and
every function that writes a figure follows.
"""

from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple


class Habit(NamedTuple):
    """What is usual in a locale."""

    decimal: str
    thousands: str
    hours: int  # of its clock: 12 or 24
    day_first: bool


_THIN, _HARD = "\u202f", "\u00a0"
_CONTINENT = Habit(",", ".", 24, day_first=True)
HABITS: dict[str, Habit] = {
    "en-GB": Habit(".", ",", 24, day_first=True),
    "en-IE": Habit(".", ",", 24, day_first=True),
    "en-AU": Habit(".", ",", 12, day_first=True),
    "en-NZ": Habit(".", ",", 12, day_first=True),
    "en-CA": Habit(".", ",", 12, day_first=False),
    "en-US": Habit(".", ",", 12, day_first=False),
    "da-DK": _CONTINENT,
    "de-AT": _CONTINENT._replace(thousands=_HARD),
    "de-CH": Habit(".", "\u2019", 24, day_first=True),
    "de-DE": _CONTINENT,
    "es-ES": _CONTINENT,
    "fi-FI": _CONTINENT._replace(thousands=_HARD),
    "fr-FR": _CONTINENT._replace(thousands=_THIN),
    "it-IT": _CONTINENT,
    "nb-NO": _CONTINENT._replace(thousands=_HARD),
    "nl-NL": _CONTINENT,
    "pl-PL": _CONTINENT._replace(thousands=_HARD),
    "pt-BR": _CONTINENT,
    "pt-PT": _CONTINENT._replace(thousands=_HARD),
    "sv-SE": _CONTINENT._replace(thousands=_HARD),
}
"""Unicode CLDR by locale; `tests/real/test_page_browser.py` holds the marks against a browser's own tables."""
LEAST_GROUPED = 10_000
"""Below this no mark stands between thousands: several locales leave it out there, and no reader misses it."""


@dataclass(frozen=True)
class Manner:
    """How figures are written.

    Attributes:
        locale: a key of HABITS.
        clock: hours of the clock, 12 or 24; None takes the locale's.
        us_units: temperatures in °F. Everything else that is shown (W, Wh, V, A, %) is the same everywhere.
        wall_m: distance from which the wall is read.
    """

    locale: str = "en-GB"
    clock: int | None = None
    us_units: bool = False
    wall_m: float = 3.0

    @property
    def habit(self) -> Habit:
        """The locale's."""
        return HABITS[self.locale]

    @property
    def twelve(self) -> bool:
        """Whether the clock has twelve hours."""
        return (self.clock or self.habit.hours) == 12


_MANNER: ContextVar[Manner] = ContextVar("manner", default=Manner())  # noqa: B039  (frozen)


def use(manner: Manner) -> None:
    """Write in this manner from now on, within the present task."""
    _MANNER.set(manner)


def current() -> Manner:
    """The manner of the present task, for a script that writes figures itself."""
    return _MANNER.get()


def figures(value: float, most: int) -> str:
    """A number with at most so many significant digits and the locale's decimal mark.

    >>> figures(92.04, 3), figures(0.000123, 4), figures(12346.0, 4)
    ('92', '0.000123', '12350')
    """
    rounded = float(f"{value:.{most}g}")
    words = f"{rounded:.{most}g}" if 1e-4 <= abs(rounded) < 10**most else f"{rounded:.15g}"
    return words.replace(".", _MANNER.get().habit.decimal)


def number(value: float, digits: int = 0, *, signed: bool = False) -> str:
    """A finite number with the locale's marks.

    >>> number(1234.5, 1), number(12345.6, 1), number(-0.04, 1), number(3, signed=True)
    ('1234.5', '12,345.6', '0.0', '+3')
    """
    habit = _MANNER.get().habit
    rounded = round(value, digits) + 0.0  # no minus before a zero
    grouped = "," if abs(rounded) >= LEAST_GROUPED else ""
    plain = f"{rounded:{'+' if signed else ''}{grouped}.{digits}f}"
    return plain.translate({ord(","): habit.thousands, ord("."): habit.decimal})


def clock(then: datetime, *, seconds: bool = False) -> str:
    """The time of day.

    >>> clock(datetime(2025, 6, 26, 14, 5))
    '14:05'
    """
    if not _MANNER.get().twelve:
        return then.strftime("%H:%M:%S" if seconds else "%H:%M")
    rest = then.strftime("%M:%S" if seconds else "%M")
    return f"{then.hour % 12 or 12}:{rest}{_HARD}{'am' if then.hour < 12 else 'pm'}"


def date(then: datetime) -> str:
    """Day and month, in the locale's order.

    >>> date(datetime(2025, 6, 26))
    '26 Jun'
    """
    return f"{then.day} {then:%b}" if _MANNER.get().habit.day_first else f"{then:%b} {then.day}"


def degrees(value_c: float, digits: int = 0) -> str:
    """A temperature.

    >>> degrees(60.1), degrees(21.34, 1)
    ('60 °C', '21.3 °C')
    """
    if _MANNER.get().us_units:
        return f"{number(value_c * 1.8 + 32, digits)} °F"
    return f"{number(value_c, digits)} °C"
