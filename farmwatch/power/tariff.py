"""What energy costs: flat or by time of use, with a standing charge, on the site's own wall clock.

Times of use go by the local wall clock, so a day has 23 or 25 hours when the clock is changed and a period that
the clock skips or repeats is that much shorter or longer. Energy that is known only as a sum over some time is
spread evenly over that time. What was not measured is not charged: a gap costs nothing here and is named.

Money is what the owner's tariff says of it; taxes and the supplier's own rounding are not in it.
"""

from calendar import monthrange
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from farmwatch.words.errors import ConfigError

DAY_MIN = 1440
KEEP_DAYS = 62
KEEP_MONTHS = 25
DAYS: tuple[str, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


@dataclass(frozen=True, slots=True)
class Period:
    """A time of use: on these weekdays from one minute of the day to another, past midnight if it ends earlier.

    Attributes:
        days: weekdays on which it *begins*, Monday 0.
        from_min: minutes after midnight, wall clock.
        to_min: likewise; equal to `from_min`: the whole day.
    """

    name: str
    per_kwh: float
    days: frozenset[int]
    from_min: int
    to_min: int

    def holds(self, weekday: int, minute: float) -> bool:
        """Whether it holds at this minute of this weekday."""
        if self.from_min < self.to_min:
            return weekday in self.days and self.from_min <= minute < self.to_min
        if minute >= self.from_min:
            return weekday in self.days
        return minute < self.to_min and (weekday - 1) % 7 in self.days


class Piece(NamedTuple):
    """Part of a span of time with one price and one local day."""

    from_s: float
    to_s: float
    per_kwh: float
    day: str


class Share(NamedTuple):
    """What some energy comes to on one local day; `part` is that day's share of the time."""

    day: str
    wh: float
    cost: float | None
    part: float


@dataclass(frozen=True, slots=True)
class Tariff:
    """Prices.

    Attributes:
        timezone: whose wall clock counts.
        per_kwh: price where no period holds.
        standing_per_day: charge of a day, whatever is used.
        currency: as it is to be shown.
        periods: times of use; the first that holds counts.
    """

    timezone: str
    per_kwh: float
    standing_per_day: float = 0.0
    currency: str = ""
    periods: tuple[Period, ...] = ()

    def rate_at(self, at_s: float) -> float:
        """Price of a kWh at an instant."""
        local = datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(self.timezone))
        minute = local.hour * 60 + local.minute + local.second / 60
        for period in self.periods:
            if period.holds(local.weekday(), minute):
                return period.per_kwh
        return self.per_kwh

    def pieces(self, from_s: float, to_s: float) -> Iterator[Piece]:
        """A span of time, cut where the price or the local day changes."""
        edges = {0} | {edge % DAY_MIN for p in self.periods for edge in (p.from_min, p.to_min)}
        cuts = [at_s for at_s in _cuts(self.timezone, edges, from_s, to_s) if from_s < at_s < to_s]
        for start_s, end_s in zip([from_s, *cuts], [*cuts, to_s], strict=True):
            yield Piece(start_s, end_s, self.rate_at(start_s), local_day(start_s, self.timezone))

    def even(self, to_s: float) -> Piece:
        """The span of one price and one local day that ends at `to_s` or holds it."""
        first_s, next_s = day_bounds(local_day(to_s, self.timezone), self.timezone)
        return next(piece for piece in self.pieces(first_s, next_s) if to_s <= piece.to_s)

    def shares(self, wh: float, from_s: float, to_s: float) -> list[Share]:
        """Energy over a span of time, spread evenly, by local day with its cost; standing charges not in it."""
        found: dict[str, Share] = {}
        for piece in self.pieces(from_s, to_s):
            part = (piece.to_s - piece.from_s) / (to_s - from_s) if to_s > from_s else 1.0
            had = found.get(piece.day, Share(piece.day, 0.0, 0.0, 0.0))
            cost = (had.cost or 0.0) + wh * part / 1000 * piece.per_kwh
            found[piece.day] = Share(piece.day, had.wh + wh * part, cost, had.part + part)
        return list(found.values())


def local_day(at_s: float, timezone: str) -> str:
    """The local date of an instant, ISO 8601."""
    return datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(timezone)).date().isoformat()


def day_bounds(day: str, timezone: str) -> tuple[float, float]:
    """First instant of a local date and of the next: 23, 24 or 25 hours apart.

    >>> [(b - a) / 3600 for a, b in (day_bounds(d, "Europe/London") for d in ("2025-03-30", "2025-10-26"))]
    [23.0, 25.0]
    """
    zone, first = ZoneInfo(timezone), date.fromisoformat(day)
    ends = [datetime(d.year, d.month, d.day, tzinfo=zone) for d in (first, first + timedelta(days=1))]
    return ends[0].timestamp(), ends[1].timestamp()


def _cuts(timezone: str, edges: set[int], from_s: float, to_s: float) -> tuple[float, ...]:
    """Instants about a span at which the wall clock passes one of these minutes of the day, or is changed."""
    zone = ZoneInfo(timezone)
    first = datetime.fromtimestamp(from_s, UTC).astimezone(zone).date() - timedelta(days=1)
    return _cuts_of(timezone, frozenset(edges), first, datetime.fromtimestamp(to_s, UTC).astimezone(zone).date())


@lru_cache(maxsize=64)
def _cuts_of(timezone: str, edges: frozenset[int], day: date, last: date) -> tuple[float, ...]:
    """The same over whole days: asked for a dozen machines at once, and again two seconds later."""
    zone = ZoneInfo(timezone)
    found: set[float] = set()
    while day <= last:
        for edge in edges:
            for fold in (0, 1):
                wall = datetime(day.year, day.month, day.day, edge // 60, edge % 60, tzinfo=zone, fold=fold)
                found.add(wall.timestamp())
        found.update(_change(day, zone))
        day += timedelta(days=1)
    return tuple(sorted(found))


def _change(day: date, zone: ZoneInfo) -> Iterator[float]:
    """The instant within a local date at which the offset changes, to the second."""
    low_s = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) - 14 * 3600
    high_s = low_s + 40 * 3600

    def offset(at_s: int) -> timedelta | None:
        return datetime.fromtimestamp(at_s, UTC).astimezone(zone).utcoffset()

    before = offset(low_s)
    if before == offset(high_s):
        return
    while high_s - low_s > 1:
        middle_s = (low_s + high_s) // 2
        if offset(middle_s) == before:
            low_s = middle_s
        else:
            high_s = middle_s
    yield float(high_s)


def period_of(name: str, per_kwh: float, days: list[str], start: str, end: str) -> Period:
    """A period from what the owner writes: weekdays as three letters (none: every day), times as HH:MM.

    Raises:
        ConfigError: a day or a time that is none.
    """
    wrong = [day for day in days if day not in DAYS]
    if wrong:
        raise ConfigError(f"{wrong[0]!r} is no weekday", hint=f"write {', '.join(DAYS)}")
    chosen = frozenset(DAYS.index(day) for day in days) if days else frozenset(range(7))
    return Period(name, per_kwh, chosen, minute_of(start), minute_of(end) % DAY_MIN)


def minute_of(text: str) -> int:
    """Minutes after midnight of HH:MM, 24:00 included.

    Raises:
        ConfigError: it is no time of day.

    >>> minute_of("00:30"), minute_of("24:00")
    (30, 1440)
    """
    hours, colon, minutes = text.partition(":")
    good = colon and hours.isdecimal() and minutes.isdecimal() and len(minutes) == 2 and len(hours) in (1, 2)
    if not good or int(minutes) > 59 or int(hours) * 60 + int(minutes) > DAY_MIN:
        raise ConfigError(f"{text!r} is no time of day", hint='write it like "23:30"')
    return int(hours) * 60 + int(minutes)


def per_part(amount: float | None, good_pieces: int | None) -> float | None:
    """Energy or cost of one good part; None where either is unknown or no part is good.

    >>> per_part(1200.0, 8), per_part(1200.0, 0), per_part(None, 8)
    (150.0, None, None)
    """
    if amount is None or good_pieces is None or good_pieces <= 0:
        return None
    return amount / good_pieces


@dataclass(slots=True)
class Account:
    """Energy and cost of one day or month by machine; `unmeasured_s` is time in which nothing was measured."""

    wh: dict[str, float] = field(default_factory=dict)
    cost: dict[str, float] = field(default_factory=dict)
    unmeasured_s: dict[str, float] = field(default_factory=dict)

    def add(self, name: str, wh: float, cost: float | None, unmeasured_s: float) -> None:
        """Some more of one machine."""
        self.wh[name] = self.wh.get(name, 0.0) + wh
        if cost is not None:
            self.cost[name] = self.cost.get(name, 0.0) + cost
        if unmeasured_s > 0:
            self.unmeasured_s[name] = self.unmeasured_s.get(name, 0.0) + unmeasured_s

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        return {
            "wh": {name: round(value, 3) for name, value in self.wh.items()},
            "cost": {name: round(value, 6) for name, value in self.cost.items()},
            "unmeasured_s": {name: round(value) for name, value in self.unmeasured_s.items()},
        }

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Account":
        """Back from `as_dict`."""
        return cls(dict(doc["wh"]), dict(doc["cost"]), dict(doc["unmeasured_s"]))


class Ledger:
    """Accounts of local days (the last 62) and months (the last 25).

    Args:
        timezone: whose days.
        tariff: None: energy is kept, costs are unknown.
    """

    def __init__(self, timezone: str, tariff: Tariff | None) -> None:
        self.timezone = timezone
        self.tariff = tariff
        self._by = tariff or Tariff(timezone, 0.0)
        self.days: dict[str, Account] = {}
        self.months: dict[str, Account] = {}
        self.changed: set[str] = set()
        self.dropped: set[str] = set()
        self._even = Piece(0.0, 0.0, 0.0, "")  # the last span of one price and one day that was asked about

    def book(self, name: str, wh: float, from_s: float, to_s: float, unmeasured_s: float = 0.0) -> float | None:
        """Put energy of a span of time into its days and months; its cost without standing charges, or None."""
        total = 0.0
        for share in self.shares(wh, from_s, to_s):
            gap_s = unmeasured_s * share.part
            self._account(self.days, share.day, KEEP_DAYS).add(name, share.wh, share.cost, gap_s)
            self._account(self.months, share.day[:7], KEEP_MONTHS).add(name, share.wh, share.cost, gap_s)
            total += share.cost or 0.0
        return total if self.tariff is not None else None

    def shares(self, wh: float, from_s: float, to_s: float) -> list[Share]:
        """Energy of a span of time by local day, without booking it."""
        if not self._even.from_s < to_s <= self._even.to_s:
            self._even = self._by.even(to_s)
        even = self._even
        if even.from_s <= from_s < to_s <= even.to_s:
            return [Share(even.day, wh, None if self.tariff is None else wh / 1000 * even.per_kwh, 1.0)]
        found = self._by.shares(wh, from_s, to_s)
        return found if self.tariff is not None else [share._replace(cost=None) for share in found]

    def _account(self, accounts: dict[str, Account], key: str, keep: int) -> Account:
        account = accounts.setdefault(key, Account())
        self.changed.add(key)
        for old in sorted(accounts)[:-keep]:
            del accounts[old]
            self.changed.discard(old)
            self.dropped.add(old)
        return account

    def standing(self, key: str, until_day: str) -> float | None:
        """Standing charge of a day, or of a month as far as it has come; None without a tariff."""
        if self.tariff is None:
            return None
        if len(key) == 10:
            return self.tariff.standing_per_day
        if len(self.days) >= KEEP_DAYS and f"{key}-01" < min(self.days):  # its days are forgotten, all or some
            days = monthrange(int(key[:4]), int(key[5:]))[1]
        else:
            days = sum(1 for day in self.days if day.startswith(key) and day <= until_day)
        return self.tariff.standing_per_day * days

    def take_changed(self) -> dict[str, dict[str, Any] | None]:
        """Day or month: its account for the journal, None for one that is forgotten."""
        found: dict[str, dict[str, Any] | None] = dict.fromkeys(sorted(self.dropped))
        for key in sorted(self.changed):
            found[key] = (self.days if len(key) == 10 else self.months)[key].as_dict()
        self.changed.clear()
        self.dropped.clear()
        return found

    def restore(self, docs: Mapping[str, dict[str, Any]]) -> None:
        """Take up where the journal left off."""
        for key, doc in docs.items():
            (self.days if len(key) == 10 else self.months)[key] = Account.from_dict(doc)
