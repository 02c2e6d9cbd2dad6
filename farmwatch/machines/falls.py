"""Where a machine's low level fell for good: heaters held after the end of a build.

A hold phase is a square wave, so that readings come in two groups, bed off and bed on.  What the end saves
(motion, flow, fan) is missing from both at the same moment; hence both are searched together for one step:

    P_i = c_g(i) - d [i >= k] + noise_g,   d ~ N(m, s^2), learnt per machine

For every k the logarithm of the Bayes factor of "fell by d at k" against "never fell" has a closed form (the
normal linear model with a conjugate prior, e.g. Gelman et al., Bayesian Data Analysis, chapter 14).  Motion
wanders over a minute or two, so that readings are correlated; `_inflation` measures how much that takes away.

Times are epoch seconds, powers watts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

INFLATED = (1.5, 40.0)
AFTER_LEAST, BEFORE_LEAST = 3, 5  # readings behind and before a step
WINDOW_W = 24.0  # a group spans so many watts and twice what the machine saves
BIMODAL_W = 45.0  # groups nearer than this are one
NOISE_LEAST_W = 1.5
LEAST_SAVED_W = 6.0  # a smaller fall is the motion's wandering
RISEN = 2.0  # log Bayes factor from which the level counts as risen again
BETWEEN = -1


@dataclass(frozen=True, slots=True)
class Fall:
    """A step down: when, by how many watts, and log odds for it before the machine's habit is counted."""

    at_s: float
    saved_w: float
    log_odds: float


def two_means(values: Sequence[float]) -> tuple[float, float]:
    """Centres of two clusters (Lloyd's iteration from the extremes)."""
    low, high = min(values), max(values)
    for _ in range(8):
        middle = 0.5 * (low + high)
        lows = [v for v in values if v < middle]
        if not lows or len(lows) == len(values):
            break
        low = sum(lows) / len(lows)
        high = sum(v for v in values if v >= middle) / (len(values) - len(lows))
    return low, high


def _densest(values: list[float], width_w: float) -> tuple[float, float]:
    """The window of a width that holds most values: its bounds.  Smeared bursts lie outside."""
    values = sorted(values)
    best, at, first = 0, values[0], 0
    for last, value in enumerate(values):
        while value - values[first] > width_w:
            first += 1
        if last - first + 1 > best:
            best, at = last - first + 1, 0.5 * (values[first] + value)
    return at - 0.5 * width_w, at + 0.5 * width_w


def groups(watts: Sequence[float], width_w: float) -> list[int]:
    """Group of each reading: 0 bed off (or averaged), 1 bed on, ``BETWEEN`` neither."""
    low, high = two_means(watts)
    middle = 0.5 * (low + high)
    lows, highs = [w for w in watts if w < middle], [w for w in watts if w >= middle]
    if high - low < BIMODAL_W or len(lows) < AFTER_LEAST or len(highs) < AFTER_LEAST:
        least, most = _densest(list(watts), max(width_w, BIMODAL_W))
        return [0 if least <= w <= most else BETWEEN for w in watts]
    width_w = min(width_w, 0.6 * (high - low))
    (a, b), (c, d) = _densest(lows, width_w), _densest(highs, width_w)
    return [0 if a <= w <= b else 1 if c <= w <= d else BETWEEN for w in watts]


def find(
    rows: Sequence[tuple[float, float]], until_s: float, shortest_s: float, longest_s: float, habit: tuple[float, float]
) -> Fall | None:
    """The most probable step down that lasts until ``until_s``, for ``shortest_s`` to ``longest_s``.

    ``rows`` are (time, watts) of one run in order, ``habit`` mean and standard deviation of what the machine
    saves.  None if there are too few readings.  A step after which the level rises again is a pause: the
    search goes on behind it.
    """
    if len(rows) < AFTER_LEAST + BEFORE_LEAST:
        return None
    group = groups([w for _, w in rows], WINDOW_W + 2.0 * habit[0])
    kept = [(t, w, g) for (t, w), g in zip(rows, group, strict=True) if g != BETWEEN]
    for _ in range(4):
        found = _best(kept, until_s, shortest_s, longest_s, habit)
        if found is None:
            return None
        index, fall, weight = found
        if fall.saved_w < max(LEAST_SAVED_W, 0.4 * habit[0]):
            return None
        risen = _risen(kept[index:], fall.saved_w, weight)
        if risen is None:
            return fall
        kept = kept[index + risen :]
    return None


def _risen(kept: list[tuple[float, float, int]], saved_w: float, weight: tuple[float, float]) -> int | None:
    """Where the level rises again behind a step down at the begin of ``kept``: it was a pause.  None: nowhere."""
    rows = [(t, -w, g) for t, w, g in kept]
    best = _Search(rows, kept[-1][0], 0.0, math.inf, before=AFTER_LEAST).best(weight, (saved_w, 0.3 * saved_w))
    return best[1] if best is not None and best[0] > RISEN else None


def _inflation(missed: list[float]) -> float:
    """How many correlated readings are worth one: (1 + r) / (1 - r) of an AR(1) process (Bayley and Hammersley 1946).

    Motion wanders over a minute or two (r near 0.9 at 10 s), while smeared bursts of the bed are all but independent.
    """
    squares = sum(miss * miss for miss in missed)
    if squares <= 0.0:
        return INFLATED[0]
    r = sum(a * b for a, b in pairwise(missed)) / squares
    return min(INFLATED[1], max(INFLATED[0], (1.0 + r) / max(0.01, 1.0 - r)))


class _Search:
    """Sums over one run's grouped readings, for every place of a step."""

    def __init__(
        self,
        kept: list[tuple[float, float, int]],
        until_s: float,
        shortest_s: float,
        longest_s: float,
        *,
        before: int = BEFORE_LEAST,
    ) -> None:
        self.kept = kept
        n = len(kept)
        self.count, self.total = [0.0, 0.0], [0.0, 0.0]
        for _, w, g in kept:
            self.count[g] += 1.0
            self.total[g] += w
        self.places: list[tuple[int, tuple[float, float], tuple[float, float]]] = []
        seen, left = [0.0, 0.0], [0.0, 0.0]
        for index in range(1, n - AFTER_LEAST + 1):
            at_s, watts, g = kept[index - 1]
            seen[g] += 1.0
            left[g] += watts
            if index >= before and shortest_s <= until_s - at_s <= longest_s:
                low, high = self._mass(0, seen, left), self._mass(1, seen, left)
                self.places.append((index, (low[0], high[0]), (low[1], high[1])))

    def _mass(self, g: int, seen: list[float], left: list[float]) -> tuple[float, float]:
        """Weight of a group's difference between before and after, and that difference."""
        behind = self.count[g] - seen[g]
        if not seen[g] or not behind:
            return 0.0, 0.0
        saved = left[g] / seen[g] - (self.total[g] - left[g]) / behind
        return seen[g] * behind / self.count[g], saved

    def best(self, weight: tuple[float, float], habit: tuple[float, float]) -> tuple[float, int, float] | None:
        """Log Bayes factor, place and watts saved of the best step; ``weight`` is one over the noise's variance."""
        mean, prior = habit[0], 1.0 / (habit[1] * habit[1])
        best: tuple[float, int, float] | None = None
        for index, (low, high), (low_w, high_w) in self.places:
            a = weight[0] * low + weight[1] * high
            saved = (weight[0] * low * low_w + weight[1] * high * high_w + mean * prior) / (a + prior)
            odds = 0.5 * (saved * saved * (a + prior) - mean * mean * prior - math.log1p(a / prior))
            if a > 0.0 and saved > 0.0 and (best is None or odds > best[0]):
                best = odds, index, saved
        return best

    def weights(self, index: int, saved_w: float) -> tuple[float, float]:
        """One over the variance of each group about a step, correlated readings counted as the fewer they are."""
        squares = [0.0, 0.0]
        missed: list[tuple[int, float]] = []
        after = [0.0, 0.0]
        for _, _, g in self.kept[index:]:
            after[g] += 1.0
        for place, (_, w, g) in enumerate(self.kept):
            level = (self.total[g] + saved_w * after[g]) / self.count[g]
            miss = w - level + (saved_w if place >= index else 0.0)
            squares[g] += miss * miss
            missed.append((g, miss))
        variance = [max(NOISE_LEAST_W**2, squares[g] / max(1.0, self.count[g] - 1.0)) for g in (0, 1)]
        inflated = _inflation([miss / math.sqrt(variance[g]) for g, miss in missed])
        return 1.0 / (variance[0] * inflated), 1.0 / (variance[1] * inflated)


def _best(
    kept: list[tuple[float, float, int]],
    until_s: float,
    shortest_s: float,
    longest_s: float,
    habit: tuple[float, float],
) -> tuple[int, Fall, tuple[float, float]] | None:
    if len(kept) < AFTER_LEAST + BEFORE_LEAST:
        return None
    search = _Search(kept, until_s, shortest_s, longest_s)
    if not search.places:
        return None
    weight = search.weights(len(kept), 0.0)
    index, saved = 0, 0.0
    for _ in range(3):  # the noise about the step, the step by that noise
        best = search.best(weight, habit)
        if best is None:
            return None
        place, found = index, saved
        odds, index, saved = best
        if index == place and abs(saved - found) < 0.5:
            break
        weight = search.weights(index, saved)
    odds -= 0.5 * math.log(len(search.places))
    return index, Fall(0.5 * (kept[index - 1][0] + kept[index][0]), saved, odds), weight
