"""Energy and cost by day, month, machine, place and good part, as the view shows them.

What is booked hourly and what the meters have counted since are added up; a day is the site's own, with 23 or 25
hours where the clock is changed. The whole is kept for a minute: it is asked for far more often than it changes.
"""

from collections.abc import Iterable

from farmwatch.farm import Farm
from farmwatch.power.parts import PartCost
from farmwatch.power.tariff import Account, Ledger, day_bounds, local_day
from farmwatch.words.power_view import AccountsView, AccountView, PartView

DAYS, MONTHS, PARTS = 14, 13, 40
KEEP_S = 60.0


def accounts_view(farm: Farm, now_s: float) -> AccountsView:
    """All of it, at most a minute old."""
    kept = farm.power.shown
    if kept is None or not 0.0 <= now_s - kept[0] < KEEP_S:
        kept = farm.power.shown = (now_s, _accounts(farm, now_s))
    return kept[1]


def _accounts(farm: Farm, now_s: float) -> AccountsView:
    today = local_day(now_s, farm.plan.timezone)
    days, months = (_with_pending(farm, now_s, month=month) for month in (False, True))
    tariff = farm.power.supply.tariff
    return {
        "days": [_account(farm, key, days[key], today) for key in sorted(days)[::-1][:DAYS]],
        "months": [_account(farm, key, months[key], today) for key in sorted(months)[::-1][:MONTHS]],
        "parts": [_part(row) for row in farm.power.parts.table(farm.shop.stock.used, farm.rates())[:PARTS]],
        "currency": tariff.currency if tariff is not None else "",
    }


Both = tuple[Account, Account]


def _with_pending(farm: Farm, now_s: float, *, month: bool) -> dict[str, Both]:
    """(of leaves, of places) by day or month: what is booked, and what the meters have since."""
    desk = farm.power
    found: dict[str, Both] = {}

    def at(key: str) -> Both:
        return found.setdefault(key, (Account(), Account()))

    for side, ledger in enumerate((desk.ledger, desk.places)):
        for key, account in (ledger.months if month else ledger.days).items():
            for name, wh in account.wh.items():
                at(key)[side].add(name, wh, account.cost.get(name), account.unmeasured_s.get(name, 0.0))
    for name, meter in farm.meters.items():
        part = meter.pending()
        if part is None:
            continue
        side, ledger = (0, desk.ledger) if name in farm.tree.leaf else (1, desk.places)
        for share in _shares(ledger, part, now_s):
            key, wh, cost = share
            at(key[:7] if month else key)[side].add(name, wh, cost, 0.0)
    return found


def _shares(ledger: Ledger, part: tuple[float, float], now_s: float) -> Iterable[tuple[str, float, float | None]]:
    return ((share.day, share.wh, share.cost) for share in ledger.shares(part[0], part[1], now_s))


def _account(farm: Farm, key: str, both: Both, today: str) -> AccountView:
    leaves, places = both
    standing = farm.power.ledger.standing(key, today)
    return {
        "key": key,
        "hours": _hours(key, farm.plan.timezone),
        "wh": sum(leaves.wh.values()) if leaves.wh else None,
        "cost": None if standing is None else standing + sum(leaves.cost.values()),
        "unmeasured_s": sum(leaves.unmeasured_s.values()),
        "by": _rounded(leaves.wh),
        "by_cost": _rounded(leaves.cost, 4),
        "places": _rounded(places.wh),
    }


def _rounded(values: dict[str, float], digits: int = 1) -> dict[str, float]:
    return {name: round(value, digits) for name, value in values.items()}


def _hours(key: str, timezone: str) -> float:
    """Length of a local day or month in hours.

    >>> _hours("2025-03-30", "Europe/London"), _hours("2025-02", "Europe/London"), _hours("2025-10", "Europe/London")
    (23.0, 672.0, 745.0)
    """
    if len(key) == 10:
        first_s, next_s = day_bounds(key, timezone)
    else:
        year, month = int(key[:4]), int(key[5:])
        after = f"{year + month // 12}-{month % 12 + 1:02d}-01"
        first_s, next_s = day_bounds(f"{key}-01", timezone)[0], day_bounds(after, timezone)[0]
    return (next_s - first_s) / 3600.0


def _part(row: PartCost) -> PartView:
    return {
        "job": row.job,
        "builds": row.builds,
        "good_builds": row.good_builds,
        "pieces": row.pieces,
        "wh": row.wh,
        "energy_cost": row.energy,
        "material_cost": row.material,
        "machine_cost": row.machine,
        "cost": row.cost,
        "unknown": row.unknown,
        "missing": dict(row.missing),
        "wh_each": row.wh_each,
        "cost_each": row.cost_each,
    }
