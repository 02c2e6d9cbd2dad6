"""Filament: what is left, how long it lasts, when to order.

Reorder point and safety stock: W. Stevenson, *Operations Management*, 14th edition, chapter 13: with demand a day of
mean d and standard deviation sd, lead time of mean L days and standard deviation sl,

    ROP = d L + z sqrt(L sd^2 + d^2 sl^2)

where z is the normal quantile of the service level (1 minus the risk of running out before the order arrives).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import NamedTuple

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Spool:
    """A spool; `left_g` has no uncertainty of its own until it is weighed: `left_sd_g` grows with what is taken off."""

    name: str
    material: str
    left_g: float
    left_sd_g: float = 0.0
    full_g: float = 1000.0
    diameter_mm: float = 1.75
    density_g_cm3: float | None = None
    opened_s: float | None = None
    machine: str | None = None
    price: float | None = None
    empty_g: float | None = None  # weight of the empty reel
    empty: bool = False
    stored: bool = False  # in its dry box
    unknown_builds: int = 0  # that took nobody knows how much since it was weighed
    weighed_s: float | None = None
    dried_s: float | None = None

    def taken(self, grams: float, sd_g: float) -> "Spool":
        """After a build that used so much; never below 0."""
        return replace(self, left_g=max(self.left_g - grams, 0.0), left_sd_g=math.hypot(self.left_sd_g, sd_g))

    @property
    def price_of_gram(self) -> float | None:
        """What a gram of it costs."""
        return None if self.price is None or self.full_g <= 0 else self.price / self.full_g

    def enough_for(self, grams: float, sd_g: float = 0.0) -> float:
        """The chance that a build of so many grams finishes on this spool (normal errors)."""
        sd = math.hypot(self.left_sd_g, sd_g)
        if sd <= 0:
            return 1.0 if self.left_g >= grams else 0.0
        return NormalDist(0.0, sd).cdf(self.left_g - grams)


class Demand(NamedTuple):
    """Use a day, grams: mean, standard deviation between days, and the days they rest on."""

    mean_g: float
    sd_g: float
    days: int


def demand_of(uses: Sequence[tuple[float, float]], now_s: float, days: int = 28) -> Demand | None:
    """Use a day from (time, grams) over the last whole days before now; None with less than three days of history.

    Days without use count as 0 from the first use on: they are part of the shop's pace.
    """
    recent = [(at, grams) for at, grams in uses if now_s - days * DAY_S < at <= now_s]
    if not recent:
        return None
    first_s = min(at for at, _ in uses if at <= now_s)
    span = min(days, math.floor((now_s - first_s) / DAY_S))
    if span < 3:
        return None
    totals = [0.0] * span
    for at, grams in recent:
        index = math.floor((now_s - at) / DAY_S)
        if index < span:
            totals[index] += grams
    mean = math.fsum(totals) / span
    variance = math.fsum((total - mean) ** 2 for total in totals) / (span - 1)
    return Demand(mean, math.sqrt(variance), span)


class Reorder(NamedTuple):
    """When to order a material: grams."""

    safety_g: float
    point_g: float


def reorder(demand: Demand, lead_days: float, lead_sd_days: float = 0.0, service: float = 0.95) -> Reorder:
    """Safety stock and reorder point.

    Args:
        demand: use a day.
        lead_days: days from ordering to arrival.
        lead_sd_days: their standard deviation.
        service: the chance not to run out before the order arrives, above 0 and below 1.

    >>> point = reorder(Demand(800, 300, 28), 5)
    >>> round(point.safety_g, 1), round(point.point_g, 1)
    (1103.4, 5103.4)
    """
    z = NormalDist().inv_cdf(service)
    safety_g = z * math.sqrt(lead_days * demand.sd_g**2 + demand.mean_g**2 * lead_sd_days**2)
    return Reorder(safety_g, demand.mean_g * lead_days + safety_g)


class Cover(NamedTuple):
    """How long stock lasts at the present pace: days in 8 of 10 cases between the two, epoch seconds of the order."""

    low_days: float
    days: float
    high_days: float
    order_by_s: float


def cover(stock_g: float, demand: Demand, point_g: float, now_s: float) -> Cover | None:
    """Days of stock left and the day to order by; None where nothing is being used.

    The interval is that of a random walk with the pace's own scatter: after n days use is n*mean +- 1.2816*sqrt(n)*sd.
    """
    if demand.mean_g <= 0:
        return None
    z = NormalDist().inv_cdf(0.9)

    def days_at(sign: float) -> float:
        # n mean + sign z sd sqrt(n) = stock, solved for sqrt(n)
        half = sign * z * demand.sd_g / (2 * demand.mean_g)
        return (math.sqrt(half * half + stock_g / demand.mean_g) - half) ** 2

    order_days = max((stock_g - point_g) / demand.mean_g, 0.0)
    return Cover(days_at(1.0), stock_g / demand.mean_g, days_at(-1.0), now_s + order_days * DAY_S)
