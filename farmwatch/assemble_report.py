"""What the machines gave, put together from configuration and journal: for the page and for ``farmwatch report``."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from farmwatch.alarms.hours import spans
from farmwatch.power.tariff import local_day
from farmwatch.settings import Settings
from farmwatch.shop import yields
from farmwatch.shop.usage import Rates
from farmwatch.shop.yields import Records, Yield, row_of
from farmwatch.stores.journal.notes import notes
from farmwatch.words.errors import FarmwatchError, Refused

DAYS, DAYS_MOST = 7, 800


@dataclass(frozen=True, slots=True)
class Report:
    """A report: local dates, both in it; rows of one scope, and everything together."""

    first: str
    last: str
    by: str
    records: Records
    rows: list[Yield]
    whole: Yield
    currency: str

    def as_dict(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "first": self.first, "last": self.last, "by": self.by, "currency": self.currency,
            "rows": [row_of(one) for one in self.rows], "all": row_of(self.whole),
        }  # fmt: skip


def report_of(settings: Settings, query: Mapping[str, str], now_s: float) -> Report:
    """The report that a query asks for: from, to (local dates), days, by; all may be missing.

    Raises:
        Refused: the query asks for what cannot be.
        FarmwatchError: there is no journal, or it cannot be read.
    """
    zone, by = settings.site.timezone, query.get("by") or "machine"
    if by not in yields.SCOPES:
        raise Refused(f"no report by {by[:20]!r}", hint=f"one of {', '.join(yields.SCOPES)}")
    first, last = days_of(query.get("from"), query.get("to"), query.get("days"), local_day(now_s, zone))
    from_s, to_s = yields.span_of(first, last, zone)
    to_s = max(min(to_s, now_s), from_s)
    path = settings.data_path / "journal.db"
    if not path.is_file():
        raise FarmwatchError(f"{path}: no journal yet", hint="it is written while farmwatch run is at work")
    tariff = settings.tariff
    rates = Rates(tariff.per_kwh if tariff is not None else None, settings.stock.machine_hour or 0.0)
    records = yields.records_of(notes(path, yields.KINDS, from_s - yields.LOOK_BACK_S), settings.machines, now_s)
    records.closed = spans(settings.site.closed_hours(), from_s, to_s, zone)
    rows = yields.reckon(records, by, from_s, to_s, rates, zone)
    whole = yields.total(records, from_s, to_s, rates)
    return Report(first, last, by, records, rows, whole, tariff.currency if tariff is not None else "")


def days_of(first: str | None, last: str | None, days: str | None, today: str) -> tuple[str, str]:
    """First and last local date; without any the seven days before today. Refused says what is wrong."""
    try:
        number = int(days) if days else DAYS
        end = date.fromisoformat(last) if last else date.fromisoformat(today) - timedelta(days=1)
        if first and not last:
            end = max(end, date.fromisoformat(first))
        begin = date.fromisoformat(first) if first else end - timedelta(days=min(max(number, 1), DAYS_MOST) - 1)
    except (ValueError, OverflowError):
        raise Refused("no such day", hint="a day is written as 2025-11-03") from None
    if begin > end:
        raise Refused(f"the first day, {begin}, is after the last, {end}")
    if begin > date.fromisoformat(today):
        raise Refused(f"{begin} has not come yet")
    if (end - begin).days >= DAYS_MOST:
        raise Refused(f"at most {DAYS_MOST} days in one report")
    return begin.isoformat(), end.isoformat()
