"""How long builds last when some did not finish: the product-limit estimator.

A build that failed or was cancelled after 70 minutes says only that it would have lasted longer than 70
minutes.  Counting it as a short success makes every later estimate too early; dropping it does so too.

Formulas: E. L. Kaplan and P. Meier, "Nonparametric estimation from incomplete observations", JASA 53
(1958) 457-481; Greenwood's variance with the log(-log) interval as in Kalbfleisch and Prentice,
*The Statistical Analysis of Failure Time Data*.  Times are in any one unit; the callers use seconds.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

# S is a product of ratios, so that 0.5 may come out as 0.49999999999999994 or as 0.5000000000000001.
ROUNDING = 1e-12


@dataclass(frozen=True, slots=True)
class Survival:
    """A step function S(t) = P(T > t), right-continuous, S = 1 before the first event.

    ``times`` are the distinct event times, ascending; ``values`` the S just after each; ``variances`` the
    Greenwood sums (the variance of log S); ``last`` the longest time seen, censored or not.
    """

    times: tuple[float, ...]
    values: tuple[float, ...]
    variances: tuple[float, ...]
    last: float

    def at(self, t: float) -> float:
        """S(t); beyond the last observation it is the last S, as the estimator has no opinion there."""
        index = bisect_right(self.times, t)
        return self.values[index - 1] if index else 1.0

    def interval(self, t: float, level: float = 0.95) -> tuple[float, float] | None:
        """Pointwise log(-log) confidence interval of S(t); None where S is 0 or 1 (no width is defined)."""
        index = bisect_right(self.times, t)
        if index == 0 or not 0.0 < self.values[index - 1] < 1.0:
            return None
        value, variance = self.values[index - 1], self.variances[index - 1]
        half = NormalDist().inv_cdf(0.5 + level / 2.0) * math.sqrt(variance) / -math.log(value)
        return value ** math.exp(half), value ** math.exp(-half)

    def conditional(self, t: float, given: float) -> float | None:
        """P(T > t | T > given); None where nothing was seen to last longer than ``given``."""
        base = self.at(given)
        if base <= 0.0:
            return None
        return min(1.0, self.at(t) / base) if t > given else 1.0

    def quantile(self, share: float, given: float = -math.inf) -> float | None:
        """Time by which ``share`` of the builds that outlast ``given`` are over.

        The smallest event time t > given with S(t)/S(given) <= 1 - share; None where S never falls so low
        (too many censored runs, or nothing lasted longer), which is not the same as "soon".
        """
        base = self.at(given)
        if base <= 0.0:
            return None
        goal = (1.0 - share) * base + ROUNDING
        for index in range(bisect_right(self.times, given), len(self.times)):
            if self.values[index] <= goal:
                return self.times[index]
        return None

    def median_remaining(self, given: float) -> float | None:
        """Median of T - given among those that outlast ``given``.  It may rise with ``given``."""
        end = self.quantile(0.5, given)
        return None if end is None else end - given

    def mean_remaining(self, given: float, horizon: float) -> float | None:
        """Restricted mean of min(T, horizon) - given for those that outlast ``given``."""
        base = self.at(given)
        if base <= 0.0 or horizon < given:
            return None
        area, at, value = 0.0, given, base
        for index in range(bisect_right(self.times, given), len(self.times)):
            if self.times[index] >= horizon:
                break
            area += value * (self.times[index] - at)
            at, value = self.times[index], self.values[index]
        return (area + value * (horizon - at)) / base


def kaplan_meier(
    durations: Sequence[float],
    observed: Sequence[bool],
    weights: Sequence[float] | None = None,
) -> Survival:
    """Product-limit estimate; at equal times events come before censorings.

    ``observed[i]`` is False for a run that was cut short (censored).  ``weights`` let old builds fade; with
    unequal weights the variances are only indicative.

    Raises:
        ValueError: lengths differ, a duration is negative or not finite, or a weight is not above zero.
    """
    shares = [1.0] * len(durations) if weights is None else list(weights)
    if not len(durations) == len(observed) == len(shares):
        raise ValueError("durations, observed and weights must have the same length")
    if any(not (math.isfinite(d) and d >= 0.0) for d in durations) or any(not w > 0.0 for w in shares):
        raise ValueError("durations must be finite and not negative, weights above zero")
    runs = sorted(zip(durations, observed, shares, strict=True), key=lambda run: run[0])
    return _product_limit(runs)


def _product_limit(runs: list[tuple[float, bool, float]]) -> Survival:
    times: list[float] = []
    values: list[float] = []
    variances: list[float] = []
    # Sums from the end, not differences from the total: differences leave 1e-16 at risk where none is.
    at_risk = [0.0] * (len(runs) + 1)
    for index in range(len(runs) - 1, -1, -1):
        at_risk[index] = at_risk[index + 1] + runs[index][2]
    survival, greenwood, index = 1.0, 0.0, 0
    while index < len(runs):
        start, time, events, events_last = index, runs[index][0], 0.0, True
        while index < len(runs) and runs[index][0] == time:
            events += runs[index][2] if runs[index][1] else 0.0
            events_last = events_last and runs[index][1]
            index += 1
        if events > 0.0:
            risk = at_risk[start]
            left = 0.0 if index == len(runs) and events_last else risk - events
            survival *= left / risk
            greenwood += events / (risk * left) if left > 0.0 else math.inf
            times.append(time)
            values.append(survival)
            variances.append(greenwood)
    return Survival(tuple(times), tuple(values), tuple(variances), runs[-1][0] if runs else 0.0)
