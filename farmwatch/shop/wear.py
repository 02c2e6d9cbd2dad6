"""Wear: what is due for service and when, how often machines fail, and whether one fails more than its sisters.

Mean time between failures with its exact interval: failures in a given time are Poisson, and the interval for their
mean is that of Garwood (Biometrika 28, 1936), here by bisection on the Poisson distribution itself. "Fails more than
its sisters": given all failures, those of one machine are binomial with its share of the running time (the conditional
test of Przyborowski and Wilenski, Biometrika 31, 1940), over many machines corrected after Holm (Scandinavian Journal
of Statistics 6, 1979).
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

DAY_S = 86_400.0
UNITS = ("hours", "builds", "heatings")


@dataclass(frozen=True, slots=True)
class Interval:
    """A part's service interval; what is reached first counts, None does not count (common practice, no source)."""

    hours: float | None = None
    builds: float | None = None
    heatings: float | None = None


PARTS: dict[str, Interval] = {
    "nozzle": Interval(hours=600.0),
    "bed surface": Interval(builds=200.0),
    "belts": Interval(hours=2000.0),
    "fans": Interval(hours=4000.0),
    "bearings": Interval(hours=1000.0),
}


@dataclass(frozen=True, slots=True)
class Wear:
    """Use of a part since it was last serviced."""

    hours: float = 0.0
    builds: float = 0.0
    heatings: float = 0.0

    def plus(self, hours: float, builds: float, heatings: float) -> "Wear":
        """After further use."""
        return Wear(self.hours + hours, self.builds + builds, self.heatings + heatings)


class Due(NamedTuple):
    """When a part is due: share of the interval used, by which unit, epoch seconds (None: no pace known)."""

    share: float
    unit: str
    at_s: float | None


def due(wear: Wear, interval: Interval, pace_a_day: Wear | None, now_s: float) -> Due | None:
    """The first limit that will be reached; None for a part without any.

    Args:
        wear: use since the last service.
        interval: the limits.
        pace_a_day: the machine's own use a day, None if unknown.
        now_s: epoch seconds; a part past its limit is due now.
    """
    best: Due | None = None
    for unit in UNITS:
        limit = getattr(interval, unit)
        if limit is None:
            continue
        used = getattr(wear, unit)
        pace = 0.0 if pace_a_day is None else getattr(pace_a_day, unit)
        if used >= limit:
            at_s: float | None = now_s
        else:
            at_s = now_s + (limit - used) / pace * DAY_S if pace > 0 else None
        found = Due(used / limit, unit, at_s)
        if best is None or _sooner(found, best):
            best = found
    return best


def _sooner(one: Due, other: Due) -> bool:
    if one.at_s is None or other.at_s is None:
        return one.at_s is not None or (other.at_s is None and one.share > other.share)
    return (one.at_s, -one.share) < (other.at_s, -other.share)


# Failures ---------------------------------------------------------------------------------------------------


class Mtbf(NamedTuple):
    """Mean time between failures, hours: estimate (None without a failure) and its two-sided interval."""

    low_h: float
    value_h: float | None
    high_h: float | None
    failures: int


def mtbf(hours: float, failures: int, level: float = 0.95) -> Mtbf:
    """From running hours and failures; without a failure only a lower bound, one-sided.

    >>> round(mtbf(7200, 0).low_h)
    2403
    """
    if failures == 0:
        return Mtbf(hours / -math.log(1 - level), None, None, 0)
    tail = (1 - level) / 2
    most = _poisson_mean(failures, tail)
    least = _poisson_mean(failures - 1, 1 - tail)
    return Mtbf(hours / most, hours / failures, hours / least, failures)


def _poisson_mean(count: int, chance: float) -> float:
    """The mean for which `count` or fewer events have this chance."""
    low, high = 0.0, 10.0 + 2.0 * count + 10.0 * math.sqrt(count + 1.0)
    for _ in range(200):
        middle = (low + high) / 2
        if _poisson_up_to(count, middle) > chance:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _poisson_up_to(count: int, mean: float) -> float:
    if mean <= 0:
        return 1.0
    logs = (i * math.log(mean) - mean - math.lgamma(i + 1) for i in range(count + 1))
    return min(math.fsum(math.exp(value) for value in logs), 1.0)


class Suspect(NamedTuple):
    """One machine against all: failures, what its share of the hours would give, chance by luck alone, corrected."""

    failures: int
    expected: float
    p_value: float
    corrected: float


def against_sisters(use: Mapping[str, tuple[float, int]]) -> dict[str, Suspect]:
    """For each machine, whether it fails more than its share of the running hours explains.

    Args:
        use: hours and failures by machine.

    Returns:
        `corrected` is Holm's p-value: below 0.05 the machine stands out at the 5 % level over all machines together.
        Empty where there is nothing to compare.
    """
    hours = math.fsum(h for h, _ in use.values())
    failures = sum(n for _, n in use.values())
    if hours <= 0 or failures == 0 or len(use) < 2:
        return {}
    p_values = {name: _binomial_from(n, failures, h / hours) for name, (h, n) in use.items()}
    corrected: dict[str, float] = {}
    least = 0.0
    for rank, name in enumerate(sorted(p_values, key=lambda key: (p_values[key], key))):
        least = max(least, min(p_values[name] * (len(use) - rank), 1.0))
        corrected[name] = least
    return {name: Suspect(n, failures * h / hours, p_values[name], corrected[name]) for name, (h, n) in use.items()}


def _binomial_from(count: int, of: int, share: float) -> float:
    """The chance of `count` or more out of `of`."""
    if count <= 0:
        return 1.0
    if share <= 0:
        return 0.0
    if share >= 1:
        return 1.0
    logs = (
        math.lgamma(of + 1) - math.lgamma(i + 1) - math.lgamma(of - i + 1)
        + i * math.log(share) + (of - i) * math.log1p(-share)
        for i in range(count, of + 1)
    )  # fmt: skip
    return min(math.fsum(math.exp(value) for value in logs), 1.0)
