"""What a plug's watts say about a machine: off, idle, heating, printing, paused with heaters on, finished.

A hidden Markov model over eight states filters the power readings (`hmm.step`).  An observation is
y = ln(1 + P/W): machines differ by a factor, and the logarithm makes that a shift.  A hold phase is a square
wave (bed on, bed off), so that printing and pausing each have a low and a high state; one sample means
nothing, the dwell does.  Each state's emission is a normal density plus a 2 % broad one for outliers.

Durations: the states' mean dwell times are the rates in ``RATES`` (geometric); on top of them stand the
explicit rules in ``Tracker`` that a build, a pause and a hold after the end obey.

What a plug cannot see: a failed part, a bed's temperature, whether a part was taken away, which job runs;
a pause with every heater off looks like the end, and motion without heaters looks idle.

All times are epoch seconds, all powers watts.  Nothing here reads a clock.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import Any

from farmwatch.machines import hmm

OFF, IDLE, HEAT, PRINT_LOW, PRINT_HIGH, PAUSE_LOW, PAUSE_HIGH, PAUSE_COLD = range(8)
STATES = 8
ACTIVITY_OF = ("off", "idle", "heating", "printing", "printing", "paused", "paused", "paused")
LABELS = ("off", "idle", "heating", "printing", "paused")

# Rates per second.  1/x reads "once in x seconds on average".
RATES: dict[int, dict[int, float]] = {
    OFF: {IDLE: 1 / 7200, HEAT: 1 / 72000},
    IDLE: {HEAT: 1 / 7200, OFF: 1 / 36000, PRINT_LOW: 1 / 200000},
    HEAT: {PRINT_LOW: 1 / 600, PRINT_HIGH: 1 / 600, IDLE: 1 / 20000, OFF: 1 / 400000},
    PRINT_LOW: {
        PRINT_HIGH: 1 / 60,
        IDLE: 1 / 15000,
        HEAT: 1 / 40000,
        PAUSE_LOW: 1 / 20000,
        PAUSE_COLD: 1 / 100000,
        OFF: 1 / 1000000,
    },
    PRINT_HIGH: {
        PRINT_LOW: 1 / 30,
        IDLE: 1 / 15000,
        HEAT: 1 / 20000,
        PAUSE_LOW: 1 / 20000,
        PAUSE_COLD: 1 / 100000,
        OFF: 1 / 1000000,
    },
    PAUSE_LOW: {
        PAUSE_HIGH: 1 / 60,
        PRINT_LOW: 1 / 1200,
        IDLE: 1 / 2400,
        PAUSE_COLD: 1 / 6000,
        HEAT: 1 / 6000,
        OFF: 1 / 1000000,
    },
    PAUSE_HIGH: {
        PAUSE_LOW: 1 / 45,
        PAUSE_COLD: 1 / 150,
        PRINT_LOW: 1 / 1200,
        IDLE: 1 / 2400,
        HEAT: 1 / 6000,
        OFF: 1 / 1000000,
    },
    PAUSE_COLD: {PAUSE_HIGH: 1 / 60, IDLE: 1 / 900, PAUSE_LOW: 1 / 600, HEAT: 1 / 1200, OFF: 1 / 1000000},
}
START = (0.2, 0.3, 0.1, 0.2, 0.14, 0.03, 0.02, 0.01)

STEP_S = 10.0  # the filter takes one step per so many seconds at most; faster samples are averaged
LONGEST_STEP_S = 600  # a longer gap says no more than this one
STALE_S = 240.0  # no reading for so long: unknown
SURE = 0.85  # posterior at which a new activity is believed
MEMORY = 128  # filter steps kept for setting a change back to where it began
HOLD_LIMIT_S = 2700.0  # heaters held without motion for so long: the build ended when they began
PRINT_LEAST_S = 180.0  # heating followed by less printing than this is no build
ABSURD_W = 6000.0  # beyond any single-phase plug here: a unit or a fault, not a machine
OUTLIER_SHARE, OUTLIER_MEAN, OUTLIER_SD = 0.02, 4.0, 2.0
CHAIN_S = 3600.0  # heating and printing this close together belong to one build

BASE_RATES = tuple(tuple(RATES[i].get(j, 0.0) for j in range(STATES)) for i in range(STATES))


@lru_cache(maxsize=64)
def across(dt_s: int) -> hmm.Matrix:
    """Transition matrix of ``dt_s`` whole seconds, as `hmm.columns`."""
    return hmm.columns(hmm.power(hmm.from_rates(BASE_RATES), dt_s))


def _quantised(dt_s: float) -> int:
    """Whole seconds, coarser when long, so that a few matrices serve every gap."""
    if dt_s < 20.0:
        return max(1, round(dt_s))
    return min(LONGEST_STEP_S, round(dt_s / 5.0) * 5 if dt_s < 100.0 else round(dt_s / 50.0) * 50)


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


def _y(watts: float) -> float:
    return math.log1p(max(0.0, watts))


NAMES = ("off", "idle", "hold low", "hold high", "heat")
CAP_MINUTES = 1440.0  # a day of a level is remembered; what is older fades
# Watts before anything is learnt (common practice, no source; one published measurement of a 360 W machine:
# 11 W least, 279 W most, 190 W mean, which lies inside): mean, scatter and spread of machines, in y.
PRIOR = {
    "off": (0.2, 0.25, 0.1),
    "idle": (_y(8.0), 0.12, 0.4),
    "hold low": (_y(60.0), 0.12, 0.4),
    "hold high": (_y(230.0), 0.14, 0.45),
    "heat": (_y(280.0), 0.14, 0.45),
}
PAUSE_DROP = (-0.30, 0.14)  # ln(power paused / power printing) in the low state, and its spread
LEAST_DROP = -0.08  # a machine that falls less than this cannot be seen pausing


@dataclass(slots=True)
class Levels:
    """One machine's levels, learnt online; the owner may set them."""

    levels: dict[str, Level] = field(
        default_factory=lambda: {name: Level(*PRIOR[name]) for name in NAMES}
    )
    pause_drop: float = PAUSE_DROP[0]
    pauses: float = 0.0

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
        level.mean, level.fixed = _y(watts), True

    def watts(self) -> dict[str, float]:
        """Every level in watts, for the page."""
        return {name: round(level.watts, 1) for name, level in self.levels.items()}

    @property
    def learned(self) -> bool:
        """Whether a build has been seen, so that the levels are the machine's own."""
        return all(self.levels[name].fixed or self.levels[name].minutes > 5.0 for name in ("hold low", "heat"))

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        rows = {
            name: [round(v.mean, 4), round(v.scatter, 4), round(v.minutes, 2), v.fixed]
            for name, v in self.levels.items()
        }
        return {"levels": rows, "pause_drop": round(self.pause_drop, 4), "pauses": round(self.pauses, 2)}

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> Levels:
        """Back from `as_dict`; unknown names are ignored, missing ones keep their default."""
        self = cls()
        for name, (mean, scatter, minutes, fixed) in state.get("levels", {}).items():
            if name in self.levels:
                level = self.levels[name]
                level.mean, level.scatter = float(mean), float(scatter)
                level.minutes, level.fixed = float(minutes), bool(fixed)
        self.pause_drop = float(state.get("pause_drop", PAUSE_DROP[0]))
        self.pauses = float(state.get("pauses", 0.0))
        return self


@dataclass(frozen=True, slots=True)
class Sense:
    """What the watts say now.

    ``since_s`` is when this activity began, set back where that became known later.  ``build_start_s`` and
    ``build_end_s`` are the present or last build found from power alone; ``start_known`` is False where
    watching began in its middle.
    """

    activity: str
    probability: float
    since_s: float | None
    because: str
    posterior: dict[str, float]
    build_start_s: float | None = None
    build_end_s: float | None = None
    start_known: bool = False


@dataclass(frozen=True, slots=True)
class PowerBuild:
    """A build found from power alone; ``end_s`` None while it runs, ``known_s`` when the end was known."""

    start_s: float
    end_s: float | None = None
    known_s: float | None = None
    start_known: bool = True
    held: bool = False


class PowerSense:
    """The filter of one machine.  `observe` each reading, `judge` when asked."""

    __slots__ = (
        "_belief",
        "_count",
        "_label",
        "_last_s",
        "_run_low",
        "_run_spread",
        "_since_s",
        "_steps",
        "_sum",
        "_table",
        "_table_age",
        "_times",
        "_ys",
        "build",
        "candidate_s",
        "interval_s",
        "kilo",
        "levels",
        "pause_since_s",
        "power_w",
        "print_s",
        "rejected",
        "step_s",
    )

    def __init__(self, levels: Levels | None = None) -> None:
        self.levels = levels or Levels()
        self._belief: list[float] | None = None
        self._times, self._ys = array("d"), array("d")
        self._sum, self._count = 0.0, 0
        self._last_s: float | None = None
        self.step_s: float | None = None
        self._label = "unknown"
        self._since_s: float | None = None
        self._run_low: float | None = None  # the low level of the present build: it depends on the job
        self._run_spread = 0.2
        self._steps = 0
        self._table: tuple[tuple[float, float, float], ...] = ()
        self._table_age = 0
        self.build: PowerBuild | None = None
        self.candidate_s: float | None = None
        self.pause_since_s: float | None = None
        self.print_s = 0.0
        self.power_w: float | None = None
        self.interval_s = 10.0
        self.rejected = 0
        self.kilo = 0

    # -- readings in -------------------------------------------------------------------------------------

    def observe(self, at_s: float, power_w: float | None, voltage_v: float | None = None) -> None:  # noqa: ARG002 - a resistive heater's power follows V squared; kept for the interface, see `judge`
        """One reading.  None is unknown: it advances nothing.  Older than the last one: ignored."""
        if power_w is None or not 0.0 <= power_w <= ABSURD_W:
            self.rejected += power_w is not None
            return
        last_s = self._last_s
        if last_s is not None:
            gap_s = at_s - last_s
            if gap_s <= 0.0:
                return
            if gap_s < 90.0:
                self.interval_s += 0.05 * (gap_s - self.interval_s)
        self._last_s, self.power_w = at_s, power_w
        self._sum += math.log1p(power_w)
        self._count += 1
        if self.step_s is None or at_s - self.step_s >= STEP_S - 0.5:
            self._advance(at_s)

    def _advance(self, at_s: float) -> None:
        y = self._sum / self._count
        self._sum, self._count = 0.0, 0
        likelihood = self._likelihood(y)
        if self._belief is None or self.step_s is None:
            self._belief, _ = hmm.weigh(START, likelihood)
            dt_s = STEP_S
        else:
            dt_s = at_s - self.step_s
            self._belief, _ = hmm.step(self._belief, across(_quantised(dt_s)), likelihood)
        self.step_s = at_s
        self._remember(at_s, y)
        self._learn(y, min(dt_s, 120.0) / 60.0)
        self._follow(at_s, dt_s)

    def _remember(self, at_s: float, y: float) -> None:
        self._times.append(at_s)
        self._ys.append(y)
        if len(self._times) > 2 * MEMORY:
            del self._times[:-MEMORY]
            del self._ys[:-MEMORY]

    # -- the emission model ------------------------------------------------------------------------------

    def emissions(self) -> tuple[tuple[float, float], ...]:
        """Mean and standard deviation of y in each of the eight states, as they are now."""
        levels = self.levels.levels
        off, idle, heat = levels["off"], levels["idle"], levels["heat"]
        low, high = levels["hold low"], levels["hold high"]
        if self._run_low is None:
            middle, spread = low.mean, math.hypot(low.spread(), 0.10)
        else:
            middle, spread = self._run_low, math.hypot(low.scatter, self._run_spread)
        drop = min(self.levels.pause_drop, LEAST_DROP)
        doubt = PAUSE_DROP[1] / math.sqrt(1.0 + self.levels.pauses)
        paused = (middle + drop, math.hypot(max(0.04, low.scatter * 0.8), doubt))
        top = (high.mean, high.spread())
        rest = (idle.mean, idle.spread())
        return (
            (off.mean, off.spread()), rest, (heat.mean, heat.spread()), (middle, spread), top, paused, top, rest,
        )  # fmt: skip

    def _likelihood(self, y: float) -> list[float]:
        if self._table_age <= 0:
            good = (1.0 - OUTLIER_SHARE) / hmm.ROOT_TWO_PI
            self._table = tuple((mean, -0.5 / (sd * sd), good / sd) for mean, sd in self.emissions())
            self._table_age = 6
        self._table_age -= 1
        z = (y - OUTLIER_MEAN) / OUTLIER_SD
        floor = OUTLIER_SHARE * math.exp(-0.5 * z * z) / (OUTLIER_SD * hmm.ROOT_TWO_PI)
        exp = math.exp
        return [floor + scale * exp(curve * (y - mean) * (y - mean)) for mean, curve, scale in self._table]

    def _learn(self, y: float, minutes: float) -> None:
        """Online expectation-maximisation: the state that explains the reading well moves towards it."""
        belief = self._belief
        if belief is None:
            return
        best = max(range(STATES), key=belief.__getitem__)
        if belief[best] < 0.8:
            return
        levels = self.levels.levels
        name = ("off", "idle", "heat", "hold low", "hold high", None, "hold high", None)[best]
        if name is not None:
            level = levels[name]
            if abs(y - level.mean) < 3.5 * level.spread():
                level.learn(y, minutes * belief[best], CAP_MINUTES)
        if best == PRINT_LOW:
            self._learn_run(y, minutes)
        elif best == PAUSE_LOW and self._run_low is not None and self._label == "paused":
            part = minutes / (self.levels.pauses * 10.0 + minutes + 10.0)
            self.levels.pause_drop += part * (y - self._run_low - self.levels.pause_drop)
            self.levels.pauses = min(5.0, self.levels.pauses + minutes / 10.0)

    def _learn_run(self, y: float, minutes: float) -> None:
        """Follow the present build's own low level: nozzle and fan differ between jobs."""
        if self._run_low is None:
            self._run_low = self.levels.levels["hold low"].mean
        part = max(minutes / 10.0, min(0.5, self._run_spread))
        self._run_low += part * (y - self._run_low)
        self._run_spread = max(0.03, self._run_spread * (1.0 - min(0.5, minutes)))

    # -- from states to builds ---------------------------------------------------------------------------

    def posterior(self) -> dict[str, float]:
        """Probability of each activity by the filter alone."""
        b = self._belief
        if b is None:
            return {}
        return {
            "off": b[OFF],
            "idle": b[IDLE],
            "heating": b[HEAT],
            "printing": b[PRINT_LOW] + b[PRINT_HIGH],
            "paused": b[PAUSE_LOW] + b[PAUSE_HIGH] + b[PAUSE_COLD],
        }

    def _follow(self, at_s: float, dt_s: float) -> None:
        b = self._belief
        if b is None:
            return
        mass = (
            b[OFF], b[IDLE], b[HEAT], b[PRINT_LOW] + b[PRINT_HIGH], b[PAUSE_LOW] + b[PAUSE_HIGH] + b[PAUSE_COLD],
        )  # fmt: skip
        top = max(mass)
        label = LABELS[mass.index(top)]
        if label == "printing" and label == self._label:
            self.print_s += min(dt_s, 120.0)
            if self.build is not None and self.build.end_s is None:
                return
        elif label == self._label:
            self._hold_too_long(at_s)
            return
        elif top < SURE:
            return
        self._change(label, at_s)

    def _change(self, label: str, at_s: float) -> None:
        before, before_since = self._label, self._since_s
        if label != before:
            self._since_s = self._began(label, at_s)
            self._label = label
        since_s = self._since_s if self._since_s is not None else at_s
        if label in {"idle", "off"}:
            self._stopped(before, since_s, at_s)
        elif label == "heating":
            if before != "heating" and not self._running():
                self.candidate_s, self.print_s = since_s, 0.0
        elif label == "paused":
            self.pause_since_s = since_s
        elif label == "printing":
            self._printing(before, before_since, since_s)

    def _running(self) -> bool:
        return self.build is not None and self.build.end_s is None

    def _printing(self, before: str, before_since: float | None, since_s: float) -> None:
        self.pause_since_s = None
        if self._running():
            return
        if before == "paused" and self.build is not None and self.build.held and before_since is not None:
            # The heaters were held so long that the build was called over, and now it goes on.
            self.build = PowerBuild(self.build.start_s, start_known=self.build.start_known)
            return
        if self.print_s < PRINT_LEAST_S:
            return
        started = self.candidate_s if self.candidate_s is not None else since_s
        known = self.candidate_s is not None
        self.build = PowerBuild(started, start_known=known)

    def _stopped(self, before: str, since_s: float, at_s: float) -> None:
        build = self.build
        if build is not None and build.end_s is None:
            held = before == "paused" and self.pause_since_s is not None
            end_s = self.pause_since_s if held and self.pause_since_s is not None else since_s
            self.build = PowerBuild(build.start_s, max(end_s, build.start_s), at_s, build.start_known, held)
        self.candidate_s, self.pause_since_s, self.print_s = None, None, 0.0
        self._run_low, self._run_spread, self._table_age = None, 0.2, 0

    def _hold_too_long(self, at_s: float) -> None:
        build, since_s = self.build, self.pause_since_s
        if build is None or build.end_s is not None or since_s is None or self._label != "paused":
            return
        if at_s - since_s >= HOLD_LIMIT_S:
            self.build = PowerBuild(build.start_s, since_s, at_s, build.start_known, held=True)

    def _began(self, label: str, at_s: float) -> float:
        """Where the present activity began: the best path through the readings kept."""
        times, ys = self._times[-MEMORY:], self._ys[-MEMORY:]
        likelihoods = [self._likelihood(y) for y in ys]
        steps = [across(_quantised(b - a)) for a, b in pairwise(times)]
        path = hmm.best_path(START, steps, likelihoods)
        if ACTIVITY_OF[path[-1]] != label:
            return at_s
        first = len(path) - 1
        while first and ACTIVITY_OF[path[first - 1]] == label:
            first -= 1
        return times[first] if first == 0 else 0.5 * (times[first - 1] + times[first])

    # -- what is said ------------------------------------------------------------------------------------

    def judge(self, now_s: float) -> Sense:
        """What the watts say now; "unknown" without readings for ``STALE_S`` or ten of their intervals."""
        build = self.build
        start = build.start_s if build is not None else None
        end = build.end_s if build is not None else None
        known = build is not None and build.start_known
        if self._last_s is None or self._belief is None:
            return Sense("unknown", 1.0, None, "no power reading yet", {}, start, end, known)
        quiet_s = now_s - self._last_s
        posterior = self.posterior()
        if quiet_s > max(STALE_S, 10.0 * self.interval_s):
            because = f"no power reading for {quiet_s / 60.0:.0f} min"
            return Sense("unknown", 1.0, self._last_s, because, posterior, start, end, known)
        if self._label == "unknown":
            label = max(posterior, key=posterior.__getitem__)
            return Sense(label, posterior[label], None, "too few readings to be sure", posterior, start, end, known)
        label, since_s, why = self._said(now_s)
        chance = posterior[self._label]
        return Sense(label, chance, since_s, why, posterior, start, end, known)

    def _said(self, now_s: float) -> tuple[str, float | None, str]:
        build, power = self.build, self.power_w if self.power_w is not None else 0.0
        since_s = self._since_s
        run_s = now_s - since_s if since_s is not None else 0.0
        ended = build is not None and build.end_s is not None
        if ended and build is not None and (self._label == "idle" or (build.held and self._label == "paused")):
            held = ", heaters were held after the end" if build.held else ""
            return "finished", build.end_s, f"{power:.0f} W after a build{held}"
        words = {
            "off": f"{power:.1f} W, switched off",
            "idle": f"{power:.0f} W, heaters off",
            "heating": f"{power:.0f} W without a break for {run_s / 60.0:.0f} min",
            "printing": f"{power:.0f} W, heaters hold and something moves",
            "paused": f"heaters hold, less power than printing for {run_s / 60.0:.0f} min: a pause or the end",
        }
        return self._label, since_s, words[self._label]

    def unit_suspect(self) -> str | None:
        """A lasting step by 1000 ("unit changed?") in words, or None.  Never rescaled here."""
        return None

    # -- journal -----------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, Any]:
        """Complete state, JSON-able: a restart continues where it stopped."""
        b = self.build
        return {
            "levels": self.levels.as_dict(),
            "belief": None if self._belief is None else [round(p, 8) for p in self._belief],
            "times": [round(t, 1) for t in self._times[-MEMORY:]],
            "ys": [round(y, 3) for y in self._ys[-MEMORY:]],
            "last_s": self._last_s,
            "step_s": self.step_s,
            "label": self._label,
            "since_s": self._since_s,
            "run": [self._run_low, self._run_spread],
            "build": None if b is None else [b.start_s, b.end_s, b.known_s, b.start_known, b.held],
            "candidate_s": self.candidate_s,
            "pause_since_s": self.pause_since_s,
            "print_s": self.print_s,
            "power_w": self.power_w,
            "interval_s": round(self.interval_s, 2),
            "partial": [self._sum, self._count],
            "rejected": self.rejected,
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> PowerSense:
        """Back from `as_dict`."""
        self = cls(Levels.from_dict(state.get("levels", {})))
        belief = state.get("belief")
        self._belief = None if belief is None else [float(p) for p in belief]
        self._times, self._ys = array("d", state.get("times", ())), array("d", state.get("ys", ()))
        self._last_s, self.step_s = state.get("last_s"), state.get("step_s")
        self._label, self._since_s = str(state.get("label", "unknown")), state.get("since_s")
        self._run_low, self._run_spread = state.get("run", (None, 0.2))
        build = state.get("build")
        self.build = None if build is None else PowerBuild(*build)
        self.candidate_s, self.pause_since_s = state.get("candidate_s"), state.get("pause_since_s")
        self.print_s, self.power_w = float(state.get("print_s", 0.0)), state.get("power_w")
        self.interval_s = float(state.get("interval_s", 10.0))
        self._sum, self._count = state.get("partial", (0.0, 0))
        self.rejected = int(state.get("rejected", 0))
        return self
