"""A machine's power levels and habits, learnt online; the owner may set them.

Levels live in y = ln(1 + P/W).  The priors are common practice, no source, except where named.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from farmwatch.machines.sag import Supply


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

    def learn(self, y: float, minutes: float, cap: float, *, within: float = math.inf) -> None:
        """Move towards an observation that lasted ``minutes``, if it lies ``within`` so many times `spread`."""
        if self.fixed:
            return
        seen, miss = self.minutes, y - self.mean
        variance, square = self.scatter * self.scatter, miss * miss
        if square >= within * within * (variance + self.prior_sd * self.prior_sd / (1.0 + seen / 2.0)):
            return
        both = seen + minutes
        self.mean += minutes / (both + 2.0) * miss
        variance += minutes / (both + 20.0) * (min(square, 9.0 * variance) - variance)
        self.scatter = 0.03 if variance < 0.0009 else 0.4 if variance > 0.16 else math.sqrt(variance)
        self.minutes = min(cap, both)


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
HELD_SAVES_W = (20.0, 11.0)  # the end saves motion, flow and fan, sometimes the nozzle: watts, spread of machines
HOLD_SHARE = (0.15, 1.5)  # before any end was seen: holds and ends imagined
OTHER_FALLS = 0.03  # builds whose level falls for another reason (fan, shape of the part): no fall says more than this
RUN_SPREAD = 0.40  # how far the low level of two builds differs before it is known (nozzle, averaged bed)
NO_HOLDS = (0.0, 0.0, HELD_SAVES_W[0], 0.0)


@dataclass(slots=True)
class Levels:
    """One machine's levels, learnt online; the owner may set them.

    ``pause_w`` is what a pause saves, ``between`` how far the low level differs from build to build, ``holds``
    of ``ends`` how many ends had heaters held after them, ``saved_w`` what such an end saves, ``cold_pauses``
    how many pauses were known to look like rest, ``supply`` its usual voltage.
    """

    levels: dict[str, Level] = field(default_factory=lambda: {name: Level(*PRIOR[name]) for name in NAMES})
    pause_w: float = PAUSE_DROP_W[0]
    pauses: float = 0.0
    between: float = RUN_SPREAD
    runs: int = 0
    holds: float = 0.0
    ends: float = 0.0
    saved_w: float = HELD_SAVES_W[0]
    cold_pauses: float = 0.0
    supply: Supply = field(default_factory=Supply)
    planned: set[str] = field(default_factory=set)  # set by the configuration: not kept in the journal

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
            name: [round(v.mean, 4), round(v.scatter, 4), round(v.minutes, 2), v.fixed and name not in self.planned]
            for name, v in self.levels.items()
        }
        return {
            "levels": rows,
            "pause": [round(self.pause_w, 2), round(self.pauses, 2)],
            "between": [round(self.between, 4), self.runs],
            "supply": self.supply.as_list(),
            "holds": [round(self.holds, 2), round(self.ends, 2), round(self.saved_w, 2), self.cold_pauses],
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
        holds = (*state.get("holds", ()), *NO_HOLDS[len(state.get("holds", ())) :])
        self.holds, self.ends, self.saved_w, self.cold_pauses = map(float, holds)
        self.supply = Supply(*state.get("supply", ()))
        return self

    def habit(self) -> tuple[float, float]:
        """Watts that a held end saves, and how far off that may be."""
        return self.saved_w, max(5.0, HELD_SAVES_W[1] / math.sqrt(1.0 + self.holds))

    def end_seen(self, log_odds: float, saved_w: float) -> bool:
        """One more end, with log odds by its readings alone that heaters were held after it; whether they were.

        The machine's own habit is the prior: a machine that always held is believed sooner than one that
        never did.  Some twenty ends are remembered, each by its probability, so that a wrong first guess is
        not learnt for good.
        """
        share = (self.holds + HOLD_SHARE[0]) / (self.ends + HOLD_SHARE[1])
        share = min(0.97, max(0.005, share))
        told = max(-40.0, min(log_odds, -math.log(OTHER_FALLS)))
        chance = 1.0 / (1.0 + math.exp(-told - math.log(share / (1.0 - share))))
        self.ends = self.ends * 0.95 + 1.0
        self.holds = self.holds * 0.95 + chance
        if chance > 0.5:
            self.saved_w += (saved_w - self.saved_w) / (self.holds + 1.0)
        return chance > 0.5

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
