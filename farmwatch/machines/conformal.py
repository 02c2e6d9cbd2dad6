"""Prediction intervals that hold as often as they say, whatever the errors look like.

Split-conformal: with n earlier scores that are exchangeable with the next one, the k-th smallest of them,
k = ceil((n + 1)(1 - alpha)), is exceeded by the next with probability at most alpha.  Where k > n the only
honest bound is infinity, and the callers say so instead of naming a number.  (V. Vovk, A. Gammerman and
G. Shafer, *Algorithmic Learning in a Random World*, 2005; conformalised quantile regression: Y. Romano,
E. Patterson and E. Candes, 2019.)

Under drift the errors of last month are not exchangeable with today's; `AdaptiveLevel` corrects the level
online (I. Gibbs and E. Candes, "Adaptive conformal inference under distribution shift", 2021,
arXiv 2106.00170).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

# (n + 1)(1 - alpha) for n = 19, alpha = 0.1 is 18.000000000000004 in floating point: its ceiling is wrong.
ROUNDING = 1e-9


def rank(n: int, alpha: float) -> int:
    """K = ceil((n + 1)(1 - alpha)), at least 1; k > n means that no finite bound exists."""
    return max(1, math.ceil((n + 1) * (1.0 - alpha) - ROUNDING))


def upper(scores: Sequence[float], alpha: float) -> float:
    """Bound that the next score exceeds with probability at most alpha.  ``scores`` ascending."""
    if alpha >= 1.0:
        return -math.inf
    k = rank(len(scores), alpha)
    return scores[k - 1] if k <= len(scores) else math.inf


def lower(scores: Sequence[float], alpha: float) -> float:
    """Bound that the next score falls below with probability at most alpha.  ``scores`` ascending."""
    if alpha >= 1.0:
        return math.inf
    k = rank(len(scores), alpha)
    return scores[len(scores) - k] if k <= len(scores) else -math.inf


def fewest(alpha: float) -> int:
    """The smallest n for which `upper` is finite: ceil(1/alpha) - 1."""
    return max(1, math.ceil(1.0 / alpha - 1.0 - ROUNDING))


def quantile_scores(lows: Sequence[float], highs: Sequence[float], truths: Sequence[float]) -> list[float]:
    """Scores of conformalised quantile regression, E = max(lo - y, y - hi), ascending; may be negative."""
    triples = zip(lows, highs, truths, strict=True)
    return sorted(max(low - truth, truth - high) for low, high, truth in triples)


def interval_score(low: float, high: float, truth: float, alpha: float) -> float:
    """Winkler's interval score: width plus 2/alpha times the miss; smaller is better.

    T. Gneiting and A. E. Raftery, "Strictly proper scoring rules, prediction, and estimation", JASA 102
    (2007), equation 43.
    """
    miss = max(low - truth, truth - high, 0.0)
    return high - low + 2.0 / alpha * miss


def wilson(hits: int, n: int, z: float = 1.959963984540054) -> tuple[float, float]:
    """Wilson's interval of a proportion (95 % by default); (0, 1) where nothing was counted.

    R. G. Newcombe, "Two-sided confidence intervals for the single proportion", 1998, method 3.
    """
    if n == 0:
        return 0.0, 1.0
    share, spread = hits / n, z * z / n
    middle = (share + spread / 2.0) / (1.0 + spread)
    half = z / (1.0 + spread) * math.sqrt(share * (1.0 - share) / n + spread / (4.0 * n))
    return max(0.0, middle - half), min(1.0, middle + half)


@dataclass(slots=True)
class AdaptiveLevel:
    """The miscoverage to ask for so that the long-run miscoverage is ``goal``.

    After each build alpha += gamma * (goal - err), err the share of its intervals that missed.  Below zero
    the interval is infinite; `level` is then 0.  The long-run mean of err differs from ``goal`` by at most
    (max(alpha_1, 1 - alpha_1) + gamma) / (T gamma).
    """

    goal: float
    gamma: float = 0.01
    alpha: float = -1.0

    def __post_init__(self) -> None:
        """Start at the goal unless a stored level was given."""
        if self.alpha == -1.0:
            self.alpha = self.goal

    @property
    def level(self) -> float:
        """The level to use now, within 0..1."""
        return min(1.0, max(0.0, self.alpha))

    def learn(self, err: float) -> None:
        """One more outcome: 1.0 missed, 0.0 held, or the share between."""
        self.alpha += self.gamma * (self.goal - err)
