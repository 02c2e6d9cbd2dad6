"""A machine's power levels, learnt online, and the few statistics that find where a level fell.

Levels live in y = ln(1 + P/W).  The priors are common practice, no source, except where named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

SPLIT_LEAST = 5  # low readings on each side of where the level fell
LEAST_SAVED_W = 6.0  # a smaller fall is the motion's wandering


@dataclass(slots=True)
class Level:
    """One power level in y = ln(1 + P): mean, scatter, and how many minutes were seen of it.

    ``prior_sd`` is how far machines differ before anything is known; the doubt of the mean falls as
    prior_sd / sqrt(1 + minutes / 2).
    """

    mean: float
    scatter: float
    prior_sd: float
    minutes: float = 0.0
    fixed: bool = False

    @property
    def watts(self) -> float:
        """The level in watts."""
        return math.expm1(self.mean)

    def spread(self) -> float:
        """Standard deviation of an observation: scatter and doubt of the mean together."""
        doubt = 0.03 if self.fixed else self.prior_sd / math.sqrt(1.0 + self.minutes / 2.0)
        return math.sqrt(self.scatter * self.scatter + doubt * doubt)

    def learn(self, y: float, minutes: float, cap: float) -> None:
        """Move towards an observation that lasted ``minutes``."""
        if self.fixed:
            return
        part = minutes / (self.minutes + minutes + 2.0)
        miss = y - self.mean
        self.mean += part * miss
        bounded = min(abs(miss), 3.0 * self.scatter)
        variance = self.scatter * self.scatter
        slow = minutes / (self.minutes + minutes + 20.0)
        self.scatter = min(0.4, max(0.03, math.sqrt(variance + slow * (bounded * bounded - variance))))
        self.minutes = min(cap, self.minutes + minutes)


def best_split(values: list[float]) -> tuple[int, float, float, float] | None:
    """First index of the second part, both means, and the standard error of their difference.

    At least ``SPLIT_LEAST`` values on each side; values count half, as they are correlated.
    """
    n = len(values)
    if n < 2 * SPLIT_LEAST:
        return None
    total, squares = sum(values), sum(v * v for v in values)
    best, at, left = -1.0, 0, 0.0
    for index in range(1, n - SPLIT_LEAST + 1):
        left += values[index - 1]
        if index < SPLIT_LEAST:
            continue
        gain = (left / index - (total - left) / (n - index)) * math.sqrt(index * (n - index))
        if gain > best:
            best, at = gain, index
    if at == 0:
        return None
    left = sum(values[:at])
    before, after = left / at, (total - left) / (n - at)
    variance = max(0.0, squares - at * before**2 - (n - at) * after**2) / max(1, n - 2)
    return at, before, after, math.sqrt(variance * 2.0 * (1.0 / at + 1.0 / (n - at)))


def steady(values: list[float], mean: float, within: float) -> bool:
    """Whether each third of the values keeps to their mean."""
    third = len(values) // 3
    if third == 0:
        return False
    parts = (values[:third], values[third:-third], values[-third:])
    return all(abs(sum(part) / len(part) - mean) <= within for part in parts)


def two_means(values: list[float]) -> tuple[float, float]:
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


def to_y(watts: float) -> float:
    """Watts as y = ln(1 + P/W); negative counts as 0."""
    return math.log1p(max(0.0, watts))


NAMES = ("off", "idle", "hold low", "hold high", "heat")
CAP_MINUTES = 1440.0  # a day of a level is remembered; what is older fades
# Watts before anything is learnt (common practice, no source; one published measurement of a 360 W machine:
# 11 W least, 279 W most, 190 W mean, which lies inside): mean, scatter and spread of machines, in y.
PRIOR = {
    "off": (0.2, 0.25, 0.1),
    "idle": (to_y(8.0), 0.12, 0.4),
    "hold low": (to_y(60.0), 0.12, 0.4),
    "hold high": (to_y(230.0), 0.14, 0.45),
    "heat": (to_y(280.0), 0.14, 0.45),
}
PAUSE_DROP_W = (18.0, 8.0)  # motion, flow and fan: watts that a pause saves, and their spread
REST_HOT_W = (12.0, 0.35)  # held motors and fans above idle with the nozzle off: watts, spread in y
RUN_SPREAD = 0.40  # how far the low level of two builds differs before it is known (nozzle, averaged bed)


@dataclass(slots=True)
class Levels:
    """One machine's levels, learnt online; the owner may set them.

    ``pause_w`` is what a pause saves, ``between`` how far the low level differs from build to build.
    """

    levels: dict[str, Level] = field(default_factory=lambda: {name: Level(*PRIOR[name]) for name in NAMES})
    pause_w: float = PAUSE_DROP_W[0]
    pauses: float = 0.0
    between: float = RUN_SPREAD
    runs: int = 0
    holds: float = 0.0
    ends: float = 0.0

    def set(self, name: str, watts: float) -> None:
        """Fix a level by hand; it is no longer learnt.

        Raises:
            KeyError: no such level; the message names those there are.
            ValueError: watts not finite or negative.
        """
        if name not in self.levels:
            raise KeyError(f"no level {name!r}; there are {', '.join(NAMES)}")
        if not (math.isfinite(watts) and watts >= 0.0):
            raise ValueError(f"the level {name!r} must be a number of watts from 0, not {watts!r}")
        level = self.levels[name]
        level.mean, level.fixed = to_y(watts), True

    def watts(self) -> dict[str, float]:
        """Every level in watts, for the page."""
        return {name: round(level.watts, 1) for name, level in self.levels.items()}

    @property
    def learned(self) -> bool:
        """Whether a build has been seen, so that the levels are the machine's own."""
        return all(self.levels[name].fixed or self.levels[name].minutes >= 5.0 for name in ("hold low", "heat"))

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        rows = {
            name: [round(v.mean, 4), round(v.scatter, 4), round(v.minutes, 2), v.fixed]
            for name, v in self.levels.items()
        }
        return {
            "levels": rows,
            "pause": [round(self.pause_w, 2), round(self.pauses, 2)],
            "between": [round(self.between, 4), self.runs],
            "holds": [round(self.holds, 2), round(self.ends, 2)],
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> Levels:
        """Back from `as_dict`; unknown names are ignored, missing ones keep their default."""
        self = cls()
        for name, (mean, scatter, minutes, fixed) in state.get("levels", {}).items():
            if name in self.levels:
                level = self.levels[name]
                level.mean, level.scatter = float(mean), float(scatter)
                level.minutes, level.fixed = float(minutes), bool(fixed)
        self.pause_w, self.pauses = map(float, state.get("pause", (PAUSE_DROP_W[0], 0.0)))
        between, runs = state.get("between", (RUN_SPREAD, 0))
        self.between, self.runs = float(between), int(runs)
        self.holds, self.ends = map(float, state.get("holds", (0.0, 0.0)))
        return self

    def hold_doubt(self) -> tuple[float, float]:
        """Standard errors, and watts saved, from which a fall counts as heaters held after the end.

        A machine that held before is believed sooner than one that never did.
        """
        share = (self.holds + 0.7) / (self.ends + 2.0)
        doubt = 5.0 - 2.5 * min(1.0, share / 0.7)
        if self.ends >= 3.0 and share < 0.2:
            doubt = 8.0
        return doubt, max(LEAST_SAVED_W, 0.45 * self.pause_w)

    def end_seen(self, *, held: bool) -> None:
        """One more end, with or without heaters held after it; some twenty are remembered."""
        self.ends = self.ends * 0.95 + 1.0
        self.holds = self.holds * 0.95 + held

    def run_over(self, low: float) -> None:
        """A build's own low level (in y) once it is over: the next one lies as far off as they do."""
        level = self.levels["hold low"]
        self.runs = min(20, self.runs + 1)
        miss = low - level.mean
        if not level.fixed:
            level.mean += miss / (self.runs + 0.5)
        weight = self.runs + 2.0
        square = self.between**2 + (min(abs(miss), 1.0) ** 2 - self.between**2) / weight
        self.between = min(RUN_SPREAD, max(0.08, math.sqrt(square)))
