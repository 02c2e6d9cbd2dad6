"""The filter of one machine's watts: belief over the model's states, readings kept, levels learnt.

One step is `plugmodel.forward`, the very function that is checked against a reference library.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_right
from typing import Any

from farmwatch.machines.levels import CAP_MINUTES, Levels
from farmwatch.machines.plugmodel import (
    AT_REST,
    AT_WORK,
    HEAT,
    IDLE,
    NOWHERE,
    OFF,
    PAUSE_HIGH,
    PAUSE_LOW,
    PRINT_HIGH,
    PRINT_LOW,
    START,
    Table,
    across,
    changed,
    emissions,
    forward,
    likelihood,
    quantised,
    table,
)

STEP_S = 10.0  # one reading is kept per so many seconds at most; faster samples are thinned
CALM = 0.99  # what only says again what is all but certain needs no step each time,
CALM_STEPS, CALM_S, CALM_LONGEST_S = 8, 300.0, 600.0  # at first for so long, twice as long each time, at most the last
MEMORY = 330  # readings kept: 55 min at 10 s, so that a held end can be set back
BACK = 40  # of these, how many are searched for where an activity began
CHORES = 6  # levels are looked after once in so many readings
HOT_W = 50.0  # so far above idle only a heater draws
ANCHOR_S = 600.0  # for so long the low level of a build is measured afresh, then it is followed
HEAT_LIMIT_S = 1200.0  # no heat-up takes longer
LEARNS = {OFF: "off", IDLE: "idle", PRINT_HIGH: "hold high", PAUSE_HIGH: "hold high"}
Bands = tuple[tuple[int, float, float], ...]
GROUPS = {"rest": (AT_REST, AT_WORK), "work": (AT_WORK, AT_REST)}
PAUSES = ((PAUSE_LOW,), (PRINT_LOW,))
RESTS = frozenset({OFF, IDLE})


class PlugFilter:
    """Belief over the eight states, and what they draw.  Times are epoch seconds."""

    __slots__ = (
        "_bands",
        "_calm_s",
        "_skipped",
        "_table",
        "_table_age",
        "belief",
        "calm",
        "calm_until_s",
        "chores",
        "due_s",
        "interval_s",
        "levels",
        "print_s",
        "run_low",
        "step_s",
        "times",
        "ys",
    )

    def __init__(self, levels: Levels) -> None:
        self.levels = levels
        self.belief: list[float] | None = None
        self.times, self.ys = array("d"), array("d")
        self.step_s: float | None = None
        self.interval_s = 10.0
        self.run_low: float | None = None  # the low level of the present build: it depends on the job
        self.print_s = 0.0  # how long the present build has printed
        self.calm: Bands = ()  # what would only say again what is all but certain, until calm_until_s
        self.calm_until_s = 0.0
        self.due_s = -math.inf  # what comes before is thinned
        self.chores = 0
        self._table: Table = ()
        self._bands: tuple[Bands, Bands, Bands] = ((), (), ())
        self._table_age = 0
        self._skipped = 0
        self._calm_s = 0.0

    # -- readings ----------------------------------------------------------------------------------------

    def take(self, at_s: float, y: float) -> float | None:
        """Keep a reading; seconds since the last step of the filter, or None where it needed none."""
        times = self.times
        last_s = times[-1] if times else None
        # Kept as the journal keeps them: the row of each hour costs an eighth, and a restart changes nothing.
        times.append(int(at_s * 10.0 + 0.5) / 10.0)
        self.ys.append(int(y * 1000.0 + 0.5) / 1000.0)
        self.due_s = at_s + STEP_S - 0.5
        if len(times) > MEMORY + 64:
            del times[:-MEMORY]
            del self.ys[:-MEMORY]
        self.chores -= 1
        if self.calm and last_s is not None and at_s < self.calm_until_s and at_s - last_s <= 120.0:
            for state, least, most in self.calm:
                if least < y < most:
                    self._skipped += 1
                    if state in RESTS:
                        if not self._skipped & 3:  # every fourth one teaches, for four
                            self._learn_state(state, y, (at_s - last_s) / 15.0, 1.0)
                    elif self._skipped & 1:  # every second one, for two: a build's level is followed
                        self._learn_state(state, y, (at_s - last_s) / 30.0, 1.0)
                    return None
        return self._advance(at_s, y)

    def _advance(self, at_s: float, y: float) -> float:
        if self._table_age <= 0:
            self._renewed()
        self._table_age -= 1
        if self.belief is None or self.step_s is None:
            belief, _ = forward(START, NOWHERE, y, self._table)
            dt_s = seen_s = STEP_S
        else:
            dt_s = at_s - self.step_s
            seen_s = at_s - self.times[-2]
            belief, _ = forward(self.belief, across(quantised(seen_s)), y, self._table)
        self.belief, self.step_s = belief, at_s
        top = max(belief)
        if top >= 0.8:
            self._learn_state(belief.index(top), y, min(seen_s, 120.0) / 60.0, top)
        expired = bool(self.calm) and at_s >= self.calm_until_s
        calm: Bands = ()
        if belief[OFF] > CALM:
            calm = self._bands[0]
        elif belief[IDLE] > CALM:
            calm = self._bands[1]
        elif (
            self.print_s >= ANCHOR_S
            and self.run_low is not None
            and belief[PRINT_LOW] + belief[PRINT_HIGH] + belief[HEAT] > CALM
        ):
            calm = self._bands[2]
        self.calm = calm
        if calm:
            # What the readings before had left of other beliefs fades with the first steps, not while there are none.
            first_s = min(CALM_S, CALM_STEPS * max(STEP_S, self.interval_s))
            self._calm_s = min(CALM_LONGEST_S, 2.0 * self._calm_s) if expired else first_s
            self.calm_until_s = at_s + self._calm_s + 0.1
            return min(dt_s, CALM_LONGEST_S + 120.0)
        return min(dt_s, 120.0)

    # -- the emission model ------------------------------------------------------------------------------

    def emissions(self) -> tuple[tuple[float, float], ...]:
        """Mean and standard deviation of y in each of the eight states, as they are now."""
        return emissions(self.levels, self.run_low, young=self.print_s < ANCHOR_S)

    def likelihood(self, y: float) -> list[float]:
        """Density of a reading in each state."""
        if self._table_age <= 0:
            self._renewed()
        return likelihood(y, self._table)

    def _renewed(self) -> None:
        rows = self.emissions()
        self._table, self._bands, self._table_age = table(rows), _bands(rows), CHORES

    def renew(self) -> None:
        """The levels have changed: take them into account at once."""
        self._table_age, self.calm = 0, ()

    def began(self, what: str, at_s: float, *, back: int = BACK) -> float:
        """When "rest" or "work" began that holds at ``at_s``."""
        if self._table_age <= 0:
            self._renewed()
        new, old = GROUPS[what]
        return self._since(new, old, at_s, back)

    def paused_since(self, at_s: float) -> float:
        """When the low level fell to that of a pause."""
        return self._since(*PAUSES, at_s, BACK)

    def first_low_s(self, from_s: float, to_s: float) -> float:
        """When the bed first switched off after a heat-up: that ended half-way to the reading before."""
        times, before_s = self.times, from_s
        for place in range(bisect_right(times, from_s), len(times)):
            density = self.likelihood(self.ys[place])
            if density[PRINT_LOW] > density[HEAT]:
                return 0.5 * (before_s + times[place])
            before_s = times[place]
        return to_s

    def last_hot_s(self) -> float:
        """When a heater last drew, half-way to the reading after; 0 if not within the readings searched."""
        hot = math.log1p(self.levels.levels["idle"].watts + HOT_W)
        times, ys = self.times, self.ys
        for place in range(len(ys) - 2, max(-1, len(ys) - BACK), -1):
            if ys[place] > hot:
                return 0.5 * (times[place] + times[place + 1])
        return 0.0

    def _since(self, new: tuple[int, ...], old: tuple[int, ...], at_s: float, back: int) -> float:
        times, ys = self.times[-back:], self.ys[-back:]
        first = changed(times, ys, self._table, new, old)
        if first == len(times):
            return at_s
        return times[0] if first == 0 else 0.5 * (times[first - 1] + times[first])

    # -- learning ----------------------------------------------------------------------------------------

    def learn_supply(self, power_w: float, voltage_v: float) -> None:
        """How power follows the voltage, where the last step was all but sure that a heater is at work."""
        belief, levels = self.belief, self.levels.levels
        if belief is None:
            return
        name = "heat" if belief[HEAT] > 0.9 else "hold high" if belief[PRINT_HIGH] + belief[PAUSE_HIGH] > 0.9 else None
        if name is not None and levels[name].minutes >= 5.0:
            self.levels.supply.learn(power_w, voltage_v, levels["idle"].watts, levels[name].watts)

    def _learn_state(self, state: int, y: float, minutes: float, weight: float) -> None:
        """Online expectation-maximisation: the state that explains the reading well moves towards it."""
        if state == PRINT_LOW:
            self._follow_low(y, minutes)
            return
        name = LEARNS.get(state)
        if name is not None:
            level = self.levels.levels[name]
            level.learn(y, minutes * weight, CAP_MINUTES, within=3.5)

    def learn_pause(self, minutes: float) -> None:
        """The last reading is one of a pause: what it saves."""
        if self.run_low is None or self.belief is None or self.belief[PAUSE_LOW] < 0.8:
            return
        levels = self.levels
        saved_w = min(60.0, max(4.0, math.expm1(self.run_low) - math.expm1(self.ys[-1])))
        part = minutes / (levels.pauses * 10.0 + minutes + 10.0)
        levels.pause_w += part * (saved_w - levels.pause_w)
        levels.pauses = min(5.0, levels.pauses + minutes / 10.0)

    def learn_heat(self, from_s: float, to_s: float) -> None:
        """The level of heating: the median of a run's first heat-up, once printing follows."""
        level = self.levels.levels["heat"]
        if level.fixed or self.print_s > 0.0 or not 45.0 <= to_s - from_s <= HEAT_LIMIT_S:
            return
        ys = sorted(y for t, y in zip(self.times, self.ys, strict=True) if from_s + 10.0 < t < to_s - 10.0)
        if len(ys) >= 2:
            level.minutes = min(CAP_MINUTES, level.minutes + 5.0)
            level.mean += (ys[len(ys) // 2] - level.mean) / min(10.0, level.minutes / 5.0 + 0.2)
            level.scatter = 0.08
            self.renew()

    def _follow_low(self, y: float, minutes: float) -> None:
        """Follow the present build's own low level: nozzle, fan and an averaged bed differ between jobs."""
        low = self.levels.levels["hold low"]
        if self.run_low is None or self.print_s < ANCHOR_S:
            return
        miss = y - self.run_low
        self.run_low += min(0.3, minutes / 10.0) * miss
        slow = minutes / (low.minutes + minutes + 20.0)
        square = min(abs(miss), 3.0 * low.scatter) ** 2
        low.scatter = min(0.25, max(0.03, math.sqrt(low.scatter**2 + slow * (square - low.scatter**2))))
        low.minutes = min(CAP_MINUTES, low.minutes + minutes)

    def anchor(self, at_s: float) -> None:
        """The low level of a young build: the lower fifth of its last minutes, so that bed bursts count little."""
        if self.run_low is not None and self.print_s >= ANCHOR_S and self.ys[-1] <= self.run_low + 0.5:
            return
        since_s = at_s - min(self.print_s, 300.0 + 12.0 * self.interval_s)
        times = self.times[-40:]
        recent = sorted(y for t, y in zip(times, self.ys[-40:], strict=True) if t >= since_s)
        if len(recent) < 6:
            return
        fifth = recent[len(recent) // 8]
        if fifth > self.levels.levels["heat"].mean - 0.1:
            return  # still bursts alone
        if self.print_s < ANCHOR_S or self.run_low is None or fifth > self.run_low + 0.5:
            self.run_low = fifth
            self.renew()

    # -- journal -----------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        return {
            "levels": self.levels.as_dict(),
            "belief": None if self.belief is None else [round(p, 8) for p in self.belief],
            "times": self.times[-MEMORY:].tolist(),
            "ys": self.ys[-MEMORY:].tolist(),
            "step_s": self.step_s,
            "run_low": self.run_low,
            "print_s": self.print_s,
            "interval_s": round(self.interval_s, 2),
        }

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> PlugFilter:
        """Back from `as_dict`."""
        self = cls(Levels.from_dict(state.get("levels", {})))
        belief = state.get("belief")
        self.belief = None if belief is None else [float(p) for p in belief]
        self.times, self.ys = array("d", state.get("times", ())), array("d", state.get("ys", ()))
        self.due_s = self.times[-1] + STEP_S - 0.5 if self.times else -math.inf
        self.step_s, self.run_low = state.get("step_s"), state.get("run_low")
        self.print_s = float(state.get("print_s", 0.0))
        self.interval_s = float(state.get("interval_s", 10.0))
        return self


def _bands(rows: tuple[tuple[float, float], ...]) -> tuple[Bands, Bands, Bands]:
    """Where a reading only repeats that the machine is off, idle, or printing: nearer to that state than to any other.

    The lower bound of printing lies half-way to the level of a pause, so that no evidence of one is passed over.
    """
    (off, _), (idle, idle_sd), _, (low, low_sd), (top, top_sd), (paused, _), _, (cold, _) = rows
    off_most = 0.5 * (off + idle)
    at_idle = (IDLE, max(off_most, idle - 2.0 * idle_sd), min(idle + 1.5 * idle_sd, 0.5 * (idle + cold)))
    at_low = (PRINT_LOW, max(0.5 * (low + paused), low - 2.0 * low_sd), min(low + 2.0 * low_sd, top - 2.0 * top_sd))
    at_top = (PRINT_HIGH, max(top - 1.5 * top_sd, at_low[2]), top + 2.0 * top_sd)
    return ((OFF, -1.0, off_most),), (at_idle,), (at_low, at_top)
