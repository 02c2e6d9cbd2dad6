"""A backup's runtime at a load: table, charge and health, varying load, temperature, what discharges teach.

A load P empties a battery at the rate 1 / runtime(P) a minute, so loads that change are averaged by their
*rate of depletion*, never by their watts: half the time at 50 W and half at 260 W empties a battery sooner
than 155 W does, because runtime falls faster than 1/P (Peukert's observation, for power instead of current).

Sources: a rating table comes from the maker; IEEE 485 gives the temperature factor; the shape used where
there is no table is that of a 12 V 7.5 Ah AGM datasheet (constant power to 1.75 V a cell, 25 °C).
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from farmwatch.words.errors import ConfigError

INSIDE_TOLERANCE = 0.10  # share of the runtime; two or three table rows, inside their span
OUTSIDE_TOLERANCE = 0.25  # same, outside the span: the last two rows are prolonged
FALLBACK_TOLERANCE = 0.50  # no table: one datasheet's shape scaled to the battery's Wh
INVERTER_EFFICIENCY = 0.85  # line-interactive, on battery, 0.80 to 0.90: common practice, no source

# 12 V 7.5 Ah AGM block, 6 cells, constant power to 1.75 V a cell at 25 °C, as (W, minutes). Datasheet.
_SHEET_WH = 90.0  # 12 V x 7.5 Ah, the nominal energy that the rows are scaled from
_SHEET_ROWS: tuple[tuple[float, float], ...] = (
    (4.3, 1200.0),
    (8.0, 600.0),
    (9.7, 480.0),
    (14.3, 300.0),
    (21.3, 180.0),
    (29.1, 120.0),
    (49.4, 60.0),
    (85.2, 30.0),
    (139.8, 15.0),
    (177.0, 10.0),
    (270.6, 5.0),
)


class TableFault(NamedTuple):
    """One thing wrong with a runtime table: the row (from 0), the column if it is one cell, and what."""

    row: int | None
    column: int | None
    what: str


def table_faults(rows: Sequence[tuple[float, float]], places: Sequence[int] | None = None) -> list[TableFault]:
    """Everything that forbids the use of `rows`, pairs of (W, minutes) in any order.

    `places` are the rows' numbers where some were left out; else they are counted from 0.
    """
    if len(rows) < 2:
        return [TableFault(None, None, "a runtime table needs at least two rows")]
    at = places if places is not None else range(len(rows))
    faults = [
        TableFault(at[index], column, f"row {at[index] + 1}: {name} must be a finite number above 0")
        for index, row in enumerate(rows)
        for column, name in ((0, "watts"), (1, "minutes"))
        if not (math.isfinite(row[column]) and row[column] > 0)
    ]
    if faults:
        return faults
    order = sorted(range(len(rows)), key=lambda index: (rows[index][0], -rows[index][1]))
    for before, index in pairwise(order):
        (low_w, longer), (high_w, shorter) = rows[before], rows[index]
        row = at[index]
        if high_w == low_w:
            faults.append(TableFault(row, 0, f"row {row + 1}: {high_w:g} W is there twice"))
        elif shorter >= longer:
            what = (
                f"row {row + 1}: {shorter:g} min at {high_w:g} W is not less than {longer:g} min at "
                f"{low_w:g} W (row {at[before] + 1}); runtime must fall as the load rises"
            )
            faults.append(TableFault(row, 1, what))
    return faults


class RuntimeTable:
    """A maker's runtime table: minutes on battery at a constant load in W at the outlets.

    Straight lines between neighbouring rows in log W and log minutes; below the first and above the last
    row the nearest two rows are prolonged, and `inside` says so. At 0 W the runtime is endless.

    Raises:
        ConfigError: fewer than two rows, a cell that is not above 0, or runtime that does not fall; the
            row is named.
    """

    __slots__ = ("_log_min", "_log_w", "_rows")

    def __init__(self, rows: Iterable[tuple[float, float]]) -> None:
        given = [(float(power_w), float(minutes)) for power_w, minutes in rows]
        faults = table_faults(given)
        if faults:
            raise ConfigError(
                f"runtime table: {faults[0].what}", hint="copy the rows (W, minutes) from the maker's sheet"
            )
        self._rows = tuple(sorted(given))
        self._log_w = [math.log(power_w) for power_w, _ in self._rows]
        self._log_min = [math.log(minutes) for _, minutes in self._rows]

    @property
    def rows(self) -> tuple[tuple[float, float], ...]:
        """The rows (W, minutes), by rising load."""
        return self._rows

    def inside(self, power_w: float) -> bool:
        """Whether the load lies within the table's span; beyond it a runtime is extrapolated."""
        return self._rows[0][0] <= power_w <= self._rows[-1][0]

    def runtime_min(self, power_w: float) -> float:
        """Minutes from full to empty at a constant load; `inf` at 0 W.

        Raises:
            ValueError: a load below 0 or not a number.
        """
        if not power_w >= 0:
            raise ValueError(f"a load of {power_w} W has no runtime")
        if power_w == 0:
            return math.inf
        x = math.log(power_w)
        right = min(max(bisect_right(self._log_w, x), 1), len(self._rows) - 1)
        x0, x1 = self._log_w[right - 1], self._log_w[right]
        y0, y1 = self._log_min[right - 1], self._log_min[right]
        exponent = y0 + (x - x0) * (y1 - y0) / (x1 - x0)
        return math.exp(exponent) if exponent < 700 else math.inf

    def rate(self, power_w: float) -> float:
        """Share of a full battery that a minute at this load takes."""
        return 1.0 / max(self.runtime_min(power_w), 1e-300)

    def local_exponent(self, power_w: float) -> float:
        """The n in runtime ~ P^-n at this load: what one Peukert exponent would be just here."""
        x = math.log(max(power_w, 1e-9))
        right = min(max(bisect_right(self._log_w, x), 1), len(self._rows) - 1)
        rise = self._log_min[right] - self._log_min[right - 1]
        return -rise / (self._log_w[right] - self._log_w[right - 1])

    def at_capacity(self, capacity: float) -> "RuntimeTable":
        """The table of the same battery with a share `capacity` of its ampere hours (above 0).

        A battery of half the capacity under P is each half of a whole one under 2 P, so the watts scale and
        runtime falls by capacity^n: more than the capacity itself, since n > 1.
        """
        return RuntimeTable((power_w * capacity, minutes) for power_w, minutes in self._rows)


class Life(NamedTuple):
    """Minutes until the battery is empty (`inf`: never) and whether every load met lay inside the table."""

    minutes: float
    inside_table: bool


def time_to_empty(
    table: RuntimeTable, profile: Sequence[tuple[float, float]], *, charge: float = 1.0, health: float = 1.0
) -> Life:
    """When a load that changes empties the battery.

    Args:
        table: runtime of the new, full battery.
        profile: (minutes, W) one after another; the last load goes on after its minutes.
        charge: state of charge, 0 to 1.
        health: share of the table's runtime that is left.

    Raises:
        ValueError: an empty profile, or a negative time or load.
    """
    if not profile:
        raise ValueError("a load profile needs at least one row")
    left = charge * health
    elapsed = 0.0
    inside = True
    last = len(profile) - 1
    for index, (minutes, power_w) in enumerate(profile):
        if not minutes >= 0:
            raise ValueError(f"profile row {index + 1}: {minutes} minutes")
        rate = table.rate(power_w)
        if left <= 1e-12 * charge * health:  # empty to the last bit of rounding
            break
        if index < last and minutes == 0:
            continue
        inside = inside and table.inside(power_w)
        needed = left / rate if rate > 0 else math.inf
        if index == last or needed <= minutes:
            return Life(elapsed + needed, inside)
        left -= rate * minutes
        elapsed += minutes
    return Life(elapsed, inside)


def mean_rate(table: RuntimeTable, loads: Iterable[tuple[float, float]]) -> float:
    """Mean depletion a minute of loads given as (weight, W): weights are minutes or shares, not all 0."""
    total = weight_sum = 0.0
    for weight, power_w in loads:
        total += weight * table.rate(power_w)
        weight_sum += weight
    return total / weight_sum


def fallback_table(battery_wh: float, *, efficiency: float = INVERTER_EFFICIENCY) -> RuntimeTable:
    """A table from the battery's nominal Wh alone: one datasheet's shape, scaled, less the inverter's loss.

    Its runtime is good to `FALLBACK_TOLERANCE` at best; say so wherever it is shown.

    Raises:
        ConfigError: `battery_wh` or `efficiency` not above 0.
    """
    if not (battery_wh > 0 and efficiency > 0):
        raise ConfigError("a runtime from battery energy needs Wh and efficiency above 0")
    scale = battery_wh / _SHEET_WH * efficiency
    return RuntimeTable((power_w * scale, minutes) for power_w, minutes in _SHEET_ROWS)


# Temperature ------------------------------------------------------------------------------------------


def cell_size_factor(battery_c: float) -> float:
    """Cell-size correction of lead-acid batteries, 25 °C = 1 (polynomial fit to IEEE 485, table 1).

    Outside 0 to 40 °C, the span of the fit, the nearest end is used.
    """
    x = min(max(battery_c, 0.0), 40.0) / 100.0
    return ((-2.8117 * x + 4.1916) * x - 2.4941) * x + 1.405


def capacity_share(battery_c: float) -> float:
    """Share of the capacity at 25 °C that is there at this temperature; warmth is never promised as more."""
    return min(1.0, 1.0 / cell_size_factor(battery_c))


# Health -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Discharge:
    """One discharge seen: loads as (minutes, W), and the state of charge before and after, 0 to 1."""

    loads: tuple[tuple[float, float], ...]
    charge_before: float
    charge_after: float


@dataclass(frozen=True, slots=True)
class Health:
    """What is believed of a battery's health: the share of the table's runtime that is left.

    Kept as a normal distribution of ln(health), because the errors of runtime are shares of it.

    Attributes:
        log_mean: mean of ln(health).
        log_sd: its standard deviation.
        discharges: how many discharges have taught it.
    """

    log_mean: float = 0.0
    log_sd: float = 0.35  # nothing known of its age: 68 % between 0.70 and 1.42
    discharges: int = 0

    @property
    def factor(self) -> float:
        """The median."""
        return math.exp(self.log_mean)

    def interval(self, z: float = 1.2815515655446004) -> tuple[float, float]:
        """Central interval; z = 1.28 holds 80 %."""
        return math.exp(self.log_mean - z * self.log_sd), math.exp(self.log_mean + z * self.log_sd)

    def learn(self, seen: float, seen_log_sd: float) -> "Health":
        """The belief after one more observation: means weighted by the inverse of their variances."""
        prior, new = 1.0 / self.log_sd**2, 1.0 / seen_log_sd**2
        mean = (prior * self.log_mean + new * math.log(seen)) / (prior + new)
        return Health(mean, (prior + new) ** -0.5, self.discharges + 1)

    def aged(self, days: float, log_sd_per_root_year: float = 0.10) -> "Health":
        """The belief after a time without a discharge: the same middle, less sure."""
        grown = math.hypot(self.log_sd, log_sd_per_root_year * math.sqrt(max(days, 0.0) / 365.25))
        return Health(self.log_mean, grown, self.discharges)


LEAST_DEPTH = 0.10  # a shallower discharge says nothing: charge falls by some percent as soon as load comes on
LEAST_MIN = 2.0  # nor does a shorter one, for the same reason (common practice, no source)
CHARGE_READING_SD = 0.02  # of the drop in charge, as a share of full: common practice, no source
MODEL_LOG_SD = 0.05  # table and load together, inside the table's span


def health_seen(table: RuntimeTable, discharge: Discharge) -> tuple[float, float] | None:
    """Health that one discharge shows, and the standard deviation of its logarithm; None if it shows none.

    The loads took `sum(minutes * rate)` of a full new battery, the charge fell by `depth` of the real one:
    their quotient is the health. Shallow discharges are worth less, and nothing under `LEAST_DEPTH` or `LEAST_MIN`.
    """
    depth = discharge.charge_before - discharge.charge_after
    taken = sum(minutes * table.rate(power_w) for minutes, power_w in discharge.loads)
    if depth < LEAST_DEPTH or taken <= 0 or sum(minutes for minutes, _ in discharge.loads) < LEAST_MIN:
        return None
    inside = all(table.inside(power_w) for minutes, power_w in discharge.loads if minutes > 0)
    model_sd = MODEL_LOG_SD if inside else OUTSIDE_TOLERANCE
    return taken / depth, math.hypot(model_sd, CHARGE_READING_SD / depth)


def learn_health(belief: Health, table: RuntimeTable, discharge: Discharge) -> Health:
    """The belief after a discharge; unchanged where the discharge was too shallow to teach."""
    seen = health_seen(table, discharge)
    return belief if seen is None else belief.learn(*seen)


# Estimate ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RuntimeEstimate:
    """Runtime left with its range.

    Attributes:
        minutes: median; `inf` where the load is 0 W.
        low_min: with `high_min` an 80 % range from the table's tolerance and the health's spread.
        high_min: see `low_min`.
        inside_table: every load met lies within the table.
        basis: "table" or "energy" (from the battery's Wh, wide).
    """

    minutes: float
    low_min: float
    high_min: float
    inside_table: bool
    basis: str


def estimate_runtime(
    table: RuntimeTable,
    profile: Sequence[tuple[float, float]],
    *,
    charge: float,
    health: Health | None = None,
    battery_c: float | None = None,
    basis: str = "table",
) -> RuntimeEstimate:
    """Runtime left at a load profile, as `time_to_empty`, with its range.

    A health learned from real discharges already holds their temperature and their inverter's loss; the
    temperature here is for what differs from 25 °C on a battery whose discharges were warm.
    """
    health = health or Health()
    if battery_c is not None:
        table = table.at_capacity(capacity_share(battery_c))
    life = time_to_empty(table, profile, charge=charge, health=health.factor)
    tolerance = INSIDE_TOLERANCE if life.inside_table else OUTSIDE_TOLERANCE
    if basis != "table":
        tolerance = FALLBACK_TOLERANCE
    # the tolerance is read as the 80 % half width: 1.28 standard deviations
    spread = math.exp(math.hypot(math.log1p(tolerance), 1.2815515655446004 * health.log_sd))
    return RuntimeEstimate(life.minutes, life.minutes / spread, life.minutes * spread, life.inside_table, basis)


def promises_too_much(
    reported_min: Sequence[float], ours_min: Sequence[float], *, ratio: float = 1.3, least: int = 2
) -> bool:
    """Whether a unit's own runtime has disagreed for long: its last `least` reports all off by `ratio`.

    Both sequences are paired, oldest first; off means above ours by the ratio or below it by the same.
    """
    pairs = list(zip(reported_min, ours_min, strict=True))[-least:]
    if len(pairs) < least:
        return False
    return all(said > ratio * ours for said, ours in pairs) or all(said * ratio < ours for said, ours in pairs)


# Care -------------------------------------------------------------------------------------------------


class ReplaceBy(NamedTuple):
    """When health is expected to reach `floor`, in UTC epoch seconds; a side may be `inf` (not in sight)."""

    expected_s: float
    earliest_s: float
    latest_s: float


def replace_by(seen: Sequence[tuple[float, float, float]], *, floor: float = 0.8) -> ReplaceBy | None:
    """A straight line through ln(health) over time, weighted, prolonged down to `floor` with an 80 % range.

    Args:
        seen: (UTC epoch seconds, health, standard deviation of its logarithm), at least three over 30 days.
        floor: replacement at 80 % (usual for lead-acid; IEEE 485 and 1188, from memory).

    Returns:
        None where there is too little to draw a line through.
    """
    if len(seen) < 3 or max(row[0] for row in seen) - min(row[0] for row in seen) < 30 * 86_400:
        return None
    weights = [1.0 / sd**2 for _, _, sd in seen]
    total = sum(weights)
    mid = sum(w * at for w, (at, _, _) in zip(weights, seen, strict=True)) / total
    level = sum(w * math.log(value) for w, (_, value, _) in zip(weights, seen, strict=True)) / total
    spread = sum(w * (at - mid) ** 2 for w, (at, _, _) in zip(weights, seen, strict=True))
    tilt = sum(w * (at - mid) * math.log(value) for w, (at, value, _) in zip(weights, seen, strict=True))
    slope = tilt / spread
    z = 1.2815515655446004
    slope_sd, level_sd = spread**-0.5, total**-0.5

    def reach(start: float, fall: float) -> float:
        return mid + (math.log(floor) - start) / fall if fall < 0 else math.inf

    return ReplaceBy(
        reach(level, slope),
        reach(level - z * level_sd, slope - z * slope_sd),
        reach(level + z * level_sd, slope + z * slope_sd),
    )
