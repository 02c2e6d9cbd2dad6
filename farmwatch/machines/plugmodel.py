"""The hidden Markov model of a machine on a plug: its states, how long they last, what they draw.

An observation is y = ln(1 + P/W): machines differ by a factor, and the logarithm makes that a shift.  A hold
phase is a square wave (bed on, bed off), so that printing and pausing each have a low and a high state; one
sample means nothing, the dwell does.  Each state's emission is a normal density plus a 2 % broad one for
outliers.  Durations: the states' mean dwell times are the rates in ``RATES`` (geometric); on top of them
stand the explicit rules of `plugruns` that a build, a pause and a hold after the end obey.

What a plug cannot see: a failed part, a bed's temperature, whether a part was taken away, which job runs.
"""

from __future__ import annotations

import math
from functools import lru_cache
from math import exp
from typing import TYPE_CHECKING

from farmwatch.machines import hmm
from farmwatch.machines.levels import PAUSE_DROP_W, REST_HOT_W, Levels, to_y

if TYPE_CHECKING:
    from collections.abc import Sequence

OFF, IDLE, HEAT, PRINT_LOW, PRINT_HIGH, PAUSE_LOW, PAUSE_HIGH, PAUSE_COLD = range(8)
STATES = 8
LABELS = ("off", "idle", "heating", "printing", "paused")
AT_REST = (OFF, IDLE, PAUSE_COLD)  # heaters off
AT_WORK = (HEAT, PRINT_LOW, PRINT_HIGH, PAUSE_LOW, PAUSE_HIGH)

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
OUTLIER_SHARE, OUTLIER_MEAN, OUTLIER_SD = 0.02, 4.0, 2.0
BROAD, BROAD_CURVE = OUTLIER_SHARE / (OUTLIER_SD * hmm.ROOT_TWO_PI), -0.5 / (OUTLIER_SD * OUTLIER_SD)
LONGEST_STEP_S = 600  # a longer gap says no more than this one
CORRELATED = 1.4  # motion wanders for minutes: successive readings are not independent

NOWHERE = tuple(tuple(float(i == j) for j in range(STATES)) for i in range(STATES))  # no time passes
BASE_RATES = tuple(tuple(RATES[i].get(j, 0.0) for j in range(STATES)) for i in range(STATES))
Table = tuple[tuple[float, float, float], ...]
"""Of each state: mean, -1/(2 sd^2), and the scale of its density."""


@lru_cache(maxsize=64)
def across(dt_s: int) -> hmm.Matrix:
    """Transition matrix of ``dt_s`` whole seconds, as `hmm.columns`."""
    return hmm.columns(hmm.power(hmm.from_rates(BASE_RATES), dt_s))


def quantised(dt_s: float) -> int:
    """Whole seconds, coarser when long, so that a few matrices serve every gap."""
    if dt_s < 20.0:
        return int(dt_s + 0.5) or 1
    return min(LONGEST_STEP_S, round(dt_s / 5.0) * 5 if dt_s < 100.0 else round(dt_s / 50.0) * 50)


def emissions(levels: Levels, run_low: float | None, *, young: bool) -> tuple[tuple[float, float], ...]:
    """Mean and standard deviation of y in each of the eight states.

    ``run_low`` is the low level (in y) of the present build, None while it is not known; ``young``: it was
    measured just now.
    """
    rows = levels.levels
    off, idle, heat = rows["off"], rows["idle"], rows["heat"]
    low, high = rows["hold low"], rows["hold high"]
    spread = CORRELATED * low.scatter
    if run_low is None:
        middle, spread = min(low.mean, heat.mean - 0.5), math.hypot(spread, levels.between)
    else:
        middle = run_low
        if young:
            spread = math.hypot(spread, 0.10)
    low_w, idle_w = math.expm1(middle), idle.watts
    paused_w = max(low_w - levels.pause_w, 0.5 * (low_w + idle_w) - 2.0)
    doubt = PAUSE_DROP_W[1] / math.sqrt(1.0 + levels.pauses) / (1.0 + paused_w)
    paused = (to_y(paused_w), math.hypot(max(0.03, 0.8 * spread), min(doubt, 0.25)))
    if run_low is None:
        paused = (middle - 0.1, spread)  # no level to fall from yet: a pause cannot be told
    cold = (to_y(idle_w + REST_HOT_W[0]), REST_HOT_W[1])
    # A burst of the bed during the hold is near the power of heating; how near is learnt.
    top = (min(heat.mean + 0.25, max(heat.mean - 0.6, high.mean)), high.spread())
    return (
        (off.mean, off.spread()),
        (idle.mean, idle.spread()),
        (heat.mean, heat.spread()),
        (middle, spread),
        top,
        paused,
        top,
        cold,
    )


def table(rows: Sequence[tuple[float, float]]) -> Table:
    """`emissions` as `forward` and `likelihood` need them."""
    good = (1.0 - OUTLIER_SHARE) / hmm.ROOT_TWO_PI
    return tuple((mean, -0.5 / (sd * sd), good / sd) for mean, sd in rows)


def likelihood(y: float, rows: Sequence[tuple[float, float, float]]) -> list[float]:
    """Density of y in each state: a normal one and a broad one for outliers."""
    z = y - OUTLIER_MEAN
    floor = BROAD * exp(BROAD_CURVE * z * z)
    return [floor + scale * exp(curve * (miss := y - mean) * miss) for mean, curve, scale in rows]


def forward(belief: Sequence[float], across: hmm.Matrix, y: float, rows: Table) -> tuple[list[float], float]:
    """One step of the filter: predict through the matrix (given as `hmm.columns`), weigh by `likelihood`.

    Returns the posterior (sums to 1) and the evidence p(y_t | y_1..t-1).  Written out for eight states and
    without a loop, which takes two thirds of the time: this runs for every reading.  Formula: L. R. Rabiner, "A
    tutorial on hidden Markov models and selected applications in speech recognition", Proceedings of the IEEE 77
    (1989) 257-286.
    """
    b0, b1, b2, b3, b4, b5, b6, b7 = belief
    a0, a1, a2, a3, a4, a5, a6, a7 = across
    r0, r1, r2, r3, r4, r5, r6, r7 = rows
    z = y - OUTLIER_MEAN
    floor = BROAD * exp(BROAD_CURVE * z * z)
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a0, r0
    miss = y - mean
    j0 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a1, r1
    miss = y - mean
    j1 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a2, r2
    miss = y - mean
    j2 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a3, r3
    miss = y - mean
    j3 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a4, r4
    miss = y - mean
    j4 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a5, r5
    miss = y - mean
    j5 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a6, r6
    miss = y - mean
    j6 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    (c0, c1, c2, c3, c4, c5, c6, c7), (mean, curve, scale) = a7, r7
    miss = y - mean
    j7 = (b0 * c0 + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * c5 + b6 * c6 + b7 * c7) * (
        floor + scale * exp(curve * miss * miss)
    )
    evidence = j0 + j1 + j2 + j3 + j4 + j5 + j6 + j7
    share = 1.0 / evidence
    return [j0 * share, j1 * share, j2 * share, j3 * share, j4 * share, j5 * share, j6 * share, j7 * share], evidence


def changed(times: Sequence[float], ys: Sequence[float], rows: Table, new: Sequence[int], old: Sequence[int]) -> int:
    """Index of the first reading of the latest activity: ``new`` states after it, ``old`` before.

    The change that maximises the likelihood of the readings given, each group by its best state (Page 1954);
    one reading counts for a factor of 100 at most, so that a single outlier moves nothing.
    """
    best, total, at = 0.0, 0.0, len(ys)
    after, before = [rows[s] for s in new], [rows[s] for s in old]
    for index in range(len(times) - 1, -1, -1):
        y = ys[index]
        ratio = math.log(max(likelihood(y, after)) / max(likelihood(y, before)))
        total += min(4.6, max(-4.6, ratio))
        if total >= best:
            best, at = total, index
        elif total < best - 14.0:
            break
    return at
