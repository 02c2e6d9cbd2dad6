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
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

from farmwatch.machines import hmm
from farmwatch.machines.levels import (
    CAP_MINUTES,
    PAUSE_DROP_W,
    REST_HOT_W,
    SPLIT_LEAST,
    Levels,
    best_split,
    steady,
    to_y,
    two_means,
)

__all__ = ["Levels", "PowerBuild", "PowerSense", "Sense"]

OFF, IDLE, HEAT, PRINT_LOW, PRINT_HIGH, PAUSE_LOW, PAUSE_HIGH, PAUSE_COLD = range(8)
STATES = 8
ACTIVITY_OF = ("off", "idle", "heating", "printing", "printing", "paused", "paused", "paused")
LABELS = ("off", "idle", "heating", "printing", "paused")

# Rates per second.  1/x reads "once in x seconds on average".
RATES: dict[int, dict[int, float]] = {
    # Back from off into the middle of a build: it was the plug that was away, not the machine.
    OFF: {IDLE: 1 / 7200, HEAT: 1 / 72000, PRINT_LOW: 1 / 20000, PRINT_HIGH: 1 / 40000},
    IDLE: {HEAT: 1 / 7200, OFF: 1 / 36000, PRINT_LOW: 1 / 200000},
    HEAT: {PRINT_LOW: 1 / 600, PRINT_HIGH: 1 / 600, IDLE: 1 / 20000, OFF: 1 / 400000},
    PRINT_LOW: {
        PRINT_HIGH: 1 / 60,
        IDLE: 1 / 15000,
        HEAT: 1 / 60000,
        PAUSE_LOW: 1 / 20000,
        PAUSE_COLD: 1 / 40000,
        OFF: 1 / 1000000,
    },
    PRINT_HIGH: {
        PRINT_LOW: 1 / 30,
        IDLE: 1 / 15000,
        HEAT: 1 / 60000,
        PAUSE_LOW: 1 / 20000,
        PAUSE_COLD: 1 / 40000,
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

STEP_S = 10.0  # the filter takes one step per so many seconds at most; faster samples are thinned
LONGEST_STEP_S = 600  # a longer gap says no more than this one
STALE_S = 240.0  # no reading for so long: unknown
SURE = 0.85  # posterior at which a new activity is believed
MEMORY = 330  # filter steps kept: 55 min at 10 s, so that a held end can be set back
PATH = 72  # of these, steps searched for where an activity began
HOLD_LIMIT_S = 2700.0  # heaters held without motion for so long: the build ended when they began
PRINT_LEAST_S = 180.0  # heating followed by less printing than this is no build,
BUILD_LEAST_S = 480.0  # nor is anything shorter than this,
HEAT_LIMIT_S = 1200.0  # but heaters that draw for longer than any heat-up are one
ANCHOR_S = 600.0  # for so long the low level of a build is measured afresh, then it is followed
CORRELATED = 1.4
PAUSE_SURE = 0.92  # a pause is believed later than other changes
PAUSE_BACK_S = 600.0  # and set back no further than this
FALL_LEAST_W = 70.0
KILO_READINGS = 6  # so many in a row make "unit changed?"
REST_LEAST_S, REST_READINGS = 40.0, 3  # rest must last so long before a build is over
HOLD_LEAST_S = 300.0
ABSURD_W = 6000.0  # beyond any single-phase plug here: a unit or a fault, not a machine
OUTLIER_SHARE, OUTLIER_MEAN, OUTLIER_SD = 0.02, 4.0, 2.0
REST = frozenset({"off", "idle"})
ACTIVE = frozenset({"heating", "printing", "paused"})
LEARNS = {OFF: "off", IDLE: "idle", PRINT_HIGH: "hold high", PAUSE_HIGH: "hold high"}

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


def _masses(b: list[float], *, printed: bool) -> tuple[float, float, float, float, float]:
    """Probability of each of ``LABELS``; once a build has printed, long bursts of the bed are part of it."""
    printing = b[PRINT_LOW] + b[PRINT_HIGH]
    paused = b[PAUSE_LOW] + b[PAUSE_HIGH] + b[PAUSE_COLD]
    if printed:
        return b[OFF], b[IDLE], 0.0, printing + b[HEAT], paused
    return b[OFF], b[IDLE], b[HEAT], printing, paused


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
        "_label",
        "_last_s",
        "_run_low",
        "_said_last",
        "_since_s",
        "_table",
        "_table_age",
        "_times",
        "_ys",
        "build",
        "interval_s",
        "kilo",
        "levels",
        "pause_since_s",
        "power_w",
        "print_from_s",
        "print_s",
        "rejected",
        "rest_count",
        "rest_from_s",
        "run_known",
        "run_since_s",
        "step_s",
    )

    def __init__(self, levels: Levels | None = None) -> None:
        self.levels = levels or Levels()
        self._belief: list[float] | None = None
        self._times, self._ys = array("d"), array("d")
        self._last_s: float | None = None
        self.step_s: float | None = None
        self._label = "unknown"
        self._said_last: tuple[float | None, float, Sense] | None = None
        self._since_s: float | None = None
        self._run_low: float | None = None  # the low level of the present build: it depends on the job
        self._table: tuple[tuple[float, float, float], ...] = ()
        self._table_age = 0
        self.build: PowerBuild | None = None
        self.run_since_s: float | None = None  # when heaters began to draw; None while at rest
        self.run_known = False
        self.pause_since_s: float | None = None
        self.print_s = 0.0
        self.print_from_s: float | None = None
        self.power_w: float | None = None
        self.interval_s = 10.0
        self.rejected = 0
        self.rest_from_s: float | None = None
        self.rest_count = 0
        self.kilo = 0

    # -- readings in -------------------------------------------------------------------------------------

    def observe(self, at_s: float, power_w: float | None, voltage_v: float | None = None) -> None:  # noqa: ARG002 - a heater's power follows V squared; kept for the interface, see `judge`
        """One reading.  None is unknown: it advances nothing.  Older than the last one: ignored."""
        if power_w is None:
            return
        if power_w > ABSURD_W or 0.0 < power_w < 2.0 or self.kilo:
            self._watch_unit(power_w)
        if not 0.0 <= power_w <= ABSURD_W:
            self.rejected += 1
            return
        last_s = self._last_s
        if last_s is not None:
            gap_s = at_s - last_s
            if gap_s <= 0.0:
                return
            if gap_s < 90.0:
                self.interval_s += 0.05 * (gap_s - self.interval_s)
        self._last_s, self.power_w = at_s, power_w
        # Faster readings are thinned, not averaged: a mean of bed on and bed off is neither.
        if self.step_s is None or at_s - self.step_s >= STEP_S - 0.5:
            self._advance(at_s, math.log1p(power_w))

    def _advance(self, at_s: float, y: float) -> None:
        likelihood = self._likelihood(y)
        if self._belief is None or self.step_s is None:
            self._belief, _ = hmm.weigh(START, likelihood)
            dt_s = STEP_S
        else:
            dt_s = at_s - self.step_s
            self._belief, _ = hmm.step(self._belief, across(_quantised(dt_s)), likelihood)
        self.step_s = at_s
        self._times.append(at_s)
        self._ys.append(y)
        if len(self._times) > MEMORY + 64:
            del self._times[:-MEMORY]
            del self._ys[:-MEMORY]
        seen_s = min(dt_s, 120.0)
        self._learn(y, seen_s / 60.0)
        self._follow(at_s, seen_s)

    # -- the emission model ------------------------------------------------------------------------------

    def emissions(self) -> tuple[tuple[float, float], ...]:
        """Mean and standard deviation of y in each of the eight states, as they are now."""
        levels = self.levels.levels
        off, idle, heat = levels["off"], levels["idle"], levels["heat"]
        low, high = levels["hold low"], levels["hold high"]
        # Motion wanders for minutes, so that successive readings are not independent: hence CORRELATED.
        spread = CORRELATED * low.scatter
        if self._run_low is None:
            middle, spread = min(low.mean, heat.mean - 0.5), math.hypot(spread, self.levels.between)
        else:
            middle = self._run_low
            if self.print_s < ANCHOR_S:
                spread = math.hypot(spread, 0.10)
        low_w, idle_w = math.expm1(middle), idle.watts
        paused_w = max(low_w - self.levels.pause_w, 0.5 * (low_w + idle_w) - 2.0)
        doubt = PAUSE_DROP_W[1] / math.sqrt(1.0 + self.levels.pauses) / (1.0 + paused_w)
        paused = (to_y(paused_w), math.hypot(max(0.03, 0.8 * spread), min(doubt, 0.25)))
        if self._run_low is None:
            paused = (middle - 0.1, spread)  # no level to fall from yet: a pause cannot be told
        cold = (to_y(idle_w + REST_HOT_W[0]), REST_HOT_W[1])
        rest = (idle.mean, idle.spread())
        # A burst of the bed during the hold is near the power of heating; how near is learnt.
        top = (min(heat.mean + 0.25, max(heat.mean - 0.6, high.mean)), high.spread())
        print_low, heating = (middle, spread), (heat.mean, heat.spread())
        return ((off.mean, off.spread()), rest, heating, print_low, top, paused, top, cold)

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
        best = belief.index(max(belief))
        if belief[best] < 0.8:
            return
        if best == PRINT_LOW:
            self._learn_run(y, minutes)
            return
        name = LEARNS.get(best)
        if name is not None:
            level = self.levels.levels[name]
            if abs(y - level.mean) < 3.5 * level.spread():
                level.learn(y, minutes * belief[best], CAP_MINUTES)
        elif best == PAUSE_LOW and self._run_low is not None and self._label == "paused":
            saved_w = min(60.0, max(4.0, math.expm1(self._run_low) - math.expm1(y)))
            part = minutes / (self.levels.pauses * 10.0 + minutes + 10.0)
            self.levels.pause_w += part * (saved_w - self.levels.pause_w)
            self.levels.pauses = min(5.0, self.levels.pauses + minutes / 10.0)

    def _learn_heat(self, from_s: float, to_s: float) -> None:
        """The level of heating: the median of a run's first heat-up, once printing follows."""
        level = self.levels.levels["heat"]
        if level.fixed or self.print_s > 0.0 or not 45.0 <= to_s - from_s <= HEAT_LIMIT_S:
            return
        ys = sorted(y for t, y in zip(self._times, self._ys, strict=True) if from_s + 10.0 < t < to_s - 10.0)
        if len(ys) >= 2:
            level.minutes = min(CAP_MINUTES, level.minutes + 5.0)
            level.mean += (ys[len(ys) // 2] - level.mean) / min(10.0, level.minutes / 5.0 + 0.2)
            level.scatter = 0.08
            self._table_age = 0

    def _learn_run(self, y: float, minutes: float) -> None:
        """Follow the present build's own low level: nozzle, fan and an averaged bed differ between jobs."""
        low = self.levels.levels["hold low"]
        if self._run_low is None or self.print_s < ANCHOR_S:
            return
        miss = y - self._run_low
        self._run_low += min(0.3, minutes / 10.0) * miss
        slow = minutes / (low.minutes + minutes + 20.0)
        square = min(abs(miss), 3.0 * low.scatter) ** 2
        low.scatter = min(0.25, max(0.03, math.sqrt(low.scatter**2 + slow * (square - low.scatter**2))))
        low.minutes = min(CAP_MINUTES, low.minutes + minutes)

    def _anchor(self, at_s: float) -> None:
        """The low level of a young build: the lower fifth of its last minutes, so that bed bursts count little."""
        since_s = at_s - min(self.print_s, 300.0 + 12.0 * self.interval_s)
        times = self._times[-40:]
        recent = sorted(y for t, y in zip(times, self._ys[-40:], strict=True) if t >= since_s)
        if len(recent) < 6:
            return
        fifth = recent[len(recent) // 8]
        if fifth > self.levels.levels["heat"].mean - 0.1:
            return  # still bursts alone
        if self.print_s < ANCHOR_S or self._run_low is None or fifth > self._run_low + 0.5:
            self._run_low, self._table_age = fifth, 0

    # -- from states to builds ---------------------------------------------------------------------------

    def posterior(self) -> dict[str, float]:
        """Probability of each activity by the filter alone."""
        b = self._belief
        return {} if b is None else dict(zip(LABELS, _masses(b, printed=self.print_s >= PRINT_LEAST_S), strict=True))

    def _follow(self, at_s: float, seen_s: float) -> None:
        if self._belief is None:
            return
        mass = _masses(self._belief, printed=self.print_s >= PRINT_LEAST_S)
        top = max(mass)
        label = LABELS[mass.index(top)]
        rest = mass[0] + mass[1]
        if self._rest_unsure(rest, at_s):
            return
        if label != self._label and top >= (PAUSE_SURE if label == "paused" else SURE):
            before, before_s = self._label, self._since_s
            self._label, self._since_s = label, self._began({label}, at_s)
            if label == "paused":
                self._since_s = self.pause_since_s = max(self._since_s, at_s - PAUSE_BACK_S)
            elif label == "printing" and before == "heating" and before_s is not None:
                self._learn_heat(before_s, self._since_s)
            elif label in {"printing", "heating"} and before == "paused":
                self._resumed()
        if self.run_since_s is None:
            if rest < 1.0 - SURE:
                self._run_begins(at_s)
        elif rest > SURE:
            self._run_ends(at_s)
        else:
            self._run_goes_on(at_s, seen_s)

    def _rest_unsure(self, rest: float, at_s: float) -> bool:
        """A plug that restarts says 0 W once or twice; a machine that stopped goes on saying it."""
        if self.run_since_s is None or rest <= SURE:
            self.rest_from_s, self.rest_count = None, 0
            return False
        self.rest_count += 1
        if self.rest_from_s is None:
            self.rest_from_s = at_s
        return self.rest_count < REST_READINGS or at_s - self.rest_from_s < REST_LEAST_S

    def _run_begins(self, at_s: float) -> None:
        self.run_since_s = self._began(ACTIVE, at_s)
        self.run_known = self.run_since_s > self._times[max(0, len(self._times) - PATH)]
        self.print_s, self.pause_since_s, self._run_low = 0.0, None, None

    def _run_goes_on(self, at_s: float, seen_s: float) -> None:
        since_s = self.run_since_s if self.run_since_s is not None else at_s
        if self._label == "printing":
            if self.print_from_s is None:
                self.print_from_s = self._since_s
            self.print_s += seen_s
            if self._table_age == 0 and self.print_s > 60.0:
                self._anchor(at_s)
        run_s = at_s - since_s
        if not self._running():
            held = self.build is not None and self.build.held and self.build.start_s >= since_s
            if not held and run_s >= BUILD_LEAST_S and (self.print_s >= PRINT_LEAST_S or run_s >= HEAT_LIMIT_S):
                self.build = PowerBuild(since_s, start_known=self.run_known)
        elif self._label == "paused" and self.pause_since_s is not None and self._table_age == 0:
            self._held_for_long(at_s)
        elif self._label == "heating" and at_s - (self._since_s or at_s) > HEAT_LIMIT_S:
            self._averaged(at_s)
        if self._table_age == 0 and self._run_low is not None:
            self._check_low()
        if self._table_age == 0 and self._at_rest():
            self._rest_after_all(at_s)

    def _check_low(self) -> None:
        """A fall by more than any pause saves means that the level was taken from bursts: measure it afresh."""
        if self._run_low is None:
            return
        recent = sorted(self._ys[-18:])
        fifth = recent[len(recent) // 5]
        fall_w = math.expm1(self._run_low) - math.expm1(fifth)
        if fall_w > max(FALL_LEAST_W, 3.0 * self.levels.pause_w):
            self._run_low, self._table_age, self.print_s = fifth, 0, min(self.print_s, PRINT_LEAST_S)
            if self._label == "paused":
                self._label, self.pause_since_s = "printing", None

    def _resumed(self) -> None:
        self.pause_since_s = None
        build = self.build
        if build is not None and build.held and self.run_since_s is not None and build.start_s >= self.run_since_s:
            # Heaters were held so long that the build was called over, and now it goes on.
            self.build = PowerBuild(build.start_s, start_known=build.start_known)

    def _running(self) -> bool:
        return self.build is not None and self.build.end_s is None

    def _averaged(self, at_s: float) -> None:
        """Heating for longer than any heat-up: a hold whose bed power comes averaged, near that of heating."""
        belief = self._belief
        if belief is None:
            return
        belief[PRINT_LOW] += belief[HEAT]
        belief[HEAT] = 0.0
        recent = sorted(self._ys[-24:])
        self._run_low, self._table_age = recent[len(recent) // 8], 0
        self._label, self._since_s = "printing", at_s
        self.print_s = max(self.print_s, PRINT_LEAST_S)

    def _held_for_long(self, at_s: float) -> None:
        build, since_s = self.build, self.pause_since_s
        if build is None or since_s is None or at_s - since_s < HOLD_LIMIT_S:
            return
        end_s = self._fell(at_s, HOLD_LIMIT_S + 600.0)
        if end_s is not None:
            self.build = PowerBuild(build.start_s, end_s, at_s, build.start_known, held=True)

    def _run_ends(self, at_s: float) -> None:
        build, end_s = self.build, self._began(REST, at_s)
        if build is not None and build.end_s is None:
            fell_s = self._fell(end_s)
            if fell_s is None and self.print_s >= ANCHOR_S and self._label == "paused":
                fell_s = self.pause_since_s
            held = fell_s is not None
            self.levels.end_seen(held=held)
            end_s = end_s if fell_s is None else min(end_s, fell_s)
            self.build = PowerBuild(build.start_s, max(end_s, build.start_s), at_s, build.start_known, held)
        if self._run_low is not None and self.print_s > 900.0:
            self.levels.run_over(self._run_low)
        self.run_since_s, self.pause_since_s, self.print_s = None, None, 0.0
        self.print_from_s = None
        self._run_low, self._table_age = None, 0

    def _fell(self, until_s: float, longest_s: float = HOLD_LIMIT_S) -> float | None:
        """Where the low level fell for good before ``until_s``: heaters held after the end.  None if nowhere.

        The split of the run's last low readings into two means that explains most (least squares); it must
        save as many watts as a pause does and stand out of the wandering of the motion.
        """
        if self.run_since_s is None:
            return None
        floor = self.levels.levels["idle"].mean + 0.2
        from_s = self.run_since_s + HEAT_LIMIT_S / 2.0
        if self.print_from_s is not None:
            from_s = self.print_from_s + 240.0  # an averaged bed settles for some minutes
        seen = [(t, y) for t, y in zip(self._times, self._ys, strict=True) if from_s < t < until_s and floor < y]
        bound = self._low_bound([y for _, y in seen])
        for limit in (bound, self._run_low + 0.25 if self._run_low is not None else bound, math.inf):
            lows = [(t, math.expm1(y)) for t, y in seen if y < limit]
            at_s = self._split_of(lows, until_s, longest_s)
            if at_s is not None:
                return at_s
        return None

    def _split_of(self, lows: list[tuple[float, float]], until_s: float, longest_s: float) -> float | None:
        doubt, least = self.levels.hold_doubt()
        first = 0
        for _ in range(4):
            part = [w for _, w in lows[first:]]
            split = best_split(part)
            if split is None:
                return None
            index, before, after, error = split
            saved = before - after
            if saved < least or saved < doubt * error:
                return None
            if not HOLD_LEAST_S <= until_s - lows[first + index][0] <= longest_s:
                return None
            if steady(part[index:], after, 0.4 * saved):
                return 0.5 * (lows[first + index - 1][0] + lows[first + index][0])
            first += index  # it rose again: a pause, not the end; look behind it
        return None

    def _low_bound(self, ys: list[float]) -> float:
        """Upper bound (in y) of the readings with the bed off; infinite where the bed's power comes averaged."""
        if len(ys) < 2 * SPLIT_LEAST:
            return math.inf
        low, high = two_means(ys)
        heat = self.levels.levels["heat"].mean
        top = sorted(ys)[len(ys) * 19 // 20]  # smeared bursts pull the centre down, not the top
        if high - low < 0.45 or top < heat - 0.35:
            return math.inf
        middle = 0.5 * (low + high)
        if self._run_low is not None and self.print_s >= ANCHOR_S and self._run_low < middle:
            return min(middle, self._run_low + 0.25)
        lows = sorted(y for y in ys if y < middle)
        return min(middle, lows[len(lows) // 2] + 0.3)

    def _at_rest(self) -> bool:
        """Low and steady for ten minutes without any heater's burst: idle, whatever the levels say."""
        if self._run_low is not None and self._label == "printing":
            return False
        ys = [y for t, y in zip(self._times[-64:], self._ys[-64:], strict=True) if t > self._times[-1] - 600.0]
        if len(ys) < 8 or self._times[-1] - self._times[0] < 600.0:
            return False
        high, heat = max(ys), self.levels.levels["heat"]
        return high - min(ys) < 0.25 and high < min(to_y(45.0), heat.mean - 1.2)

    def _rest_after_all(self, at_s: float) -> None:
        idle = self.levels.levels["idle"]
        if not idle.fixed:
            recent = sorted(self._ys[-30:])
            idle.mean, idle.minutes = recent[len(recent) // 2], 5.0
        self._belief = [0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
        self._table_age = 0
        self._label, self._since_s = "idle", self._began({"idle"}, at_s)
        self._run_ends(at_s)

    def _began(self, labels: frozenset[str] | set[str], at_s: float) -> float:
        """Where the present activity began: the best path through the readings kept."""
        times, ys = self._times[-PATH:], self._ys[-PATH:]
        likelihoods = [self._likelihood(y) for y in ys]
        steps = [across(_quantised(b - a)) for a, b in pairwise(times)]
        path = hmm.best_path(START, steps, likelihoods)
        first = len(path)
        while first and ACTIVITY_OF[path[first - 1]] in labels:
            first -= 1
        if first == len(path):
            return at_s
        return times[0] if first == 0 else 0.5 * (times[first - 1] + times[first])

    # -- what is said ------------------------------------------------------------------------------------

    def judge(self, now_s: float) -> Sense:
        """What the watts say now; "unknown" without readings for ``STALE_S`` or ten of their intervals.

        The same answer is given until the filter steps again or ten seconds have passed.
        """
        kept = self._said_last
        if kept is not None and kept[0] == self.step_s and 0.0 <= now_s - kept[1] < STEP_S:
            return kept[2]
        sense = self._judge(now_s)
        self._said_last = (self.step_s, now_s, sense)
        return sense

    def _judge(self, now_s: float) -> Sense:
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
            "heating": f"{power:.0f} W without a break for {max(1.0, run_s / 60.0):.0f} min",
            "printing": f"{power:.0f} W, heaters hold and something moves",
            "paused": f"heaters hold, less power than printing for {run_s / 60.0:.0f} min: a pause or the end",
        }
        return self._label, since_s, words[self._label]

    def unit_suspect(self) -> str | None:
        """A lasting step by 1000 in words ("unit changed?"), or None.  Nothing is ever rescaled here."""
        if abs(self.kilo) < KILO_READINGS:
            return None
        if self.kilo > 0:
            return f"unit changed? {self.kilo} readings 1000 times too large for any plug here"
        return f"unit changed? {-self.kilo} readings like this machine's, but 1000 times smaller"

    def _watch_unit(self, power_w: float) -> None:
        if power_w > ABSURD_W:
            self.kilo = max(0, self.kilo) + 1
        elif 0.0 < power_w < 2.0 and self._like_kilo(math.log1p(1000.0 * power_w)):
            self.kilo = min(0, self.kilo) - 1
        else:
            self.kilo = 0

    def _like_kilo(self, y: float) -> bool:
        """Whether 1000 times a tiny reading is one of the levels of a machine that was drawing just now."""
        levels = self.levels.levels
        near = any(abs(y - levels[name].mean) < 0.35 for name in ("hold low", "hold high", "heat"))
        return near and (self.kilo < 0 or self.run_since_s is not None)

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
            "run_low": self._run_low,
            "build": None if b is None else [b.start_s, b.end_s, b.known_s, b.start_known, b.held],
            "run_since": [self.run_since_s, self.run_known],
            "pause_since_s": self.pause_since_s,
            "print_s": self.print_s,
            "print_from_s": self.print_from_s,
            "power_w": self.power_w,
            "interval_s": round(self.interval_s, 2),
            "rejected": self.rejected,
            "rest": [self.rest_from_s, self.rest_count],
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
        self._run_low = state.get("run_low")
        build = state.get("build")
        self.build = None if build is None else PowerBuild(*build)
        self.run_since_s, self.run_known = state.get("run_since", (None, False))
        self.pause_since_s = state.get("pause_since_s")
        self.print_from_s = state.get("print_from_s")
        self.print_s, self.power_w = float(state.get("print_s", 0.0)), state.get("power_w")
        self.interval_s = float(state.get("interval_s", 10.0))
        self.rest_from_s, self.rest_count = state.get("rest", (None, 0))
        self.rejected = int(state.get("rejected", 0))
        return self
