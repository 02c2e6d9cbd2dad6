"""Rollups of readings that are given as floats; for stores that keep no rollups of their own."""

import math
from dataclasses import dataclass

from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import GAP_S, Columns, Rollups


def roll_up(readings: Columns, quantity: str, width_s: float, start_s: float, end_s: float) -> Rollups:
    """Buckets that begin at start_s <= t < end_s; `readings` should begin and end `GAP_S` outside.

    See `words.series.Rollups` for what a bucket holds.
    """
    rows: dict[float, _Bucket] = {}
    before_s, before = math.nan, math.nan
    for time_s, value in readings.rows():
        bucket = rows.setdefault(math.floor(time_s / width_s) * width_s, _Bucket())
        if time_s - before_s <= GAP_S and not math.isnan(value) and not math.isnan(before):
            _join(rows, width_s, (before_s, before), (time_s, value))
        elif not math.isnan(before_s):
            bucket.gaps = 1
        if not math.isnan(value):
            bucket.low, bucket.high, bucket.last = min(bucket.low, value), max(bucket.high, value), value
            bucket.count += 1
        before_s, before = time_s, value
    found = Rollups()
    watts = QUANTITIES[quantity].unit == "W"
    for at_s, bucket in sorted(rows.items()):
        if start_s <= at_s < end_s:
            found.start_s.append(at_s)
            found.low.append(bucket.low if bucket.count else math.nan)
            found.high.append(bucket.high if bucket.count else math.nan)
            found.mean.append(bucket.area / bucket.covered_s if bucket.covered_s else bucket.last)
            found.last.append(bucket.last)
            found.count.append(bucket.count)
            found.energy_wh.append(bucket.area / 3600 if watts else math.nan)
            found.covered_s.append(bucket.covered_s)
            found.gaps.append(bucket.gaps)
    return found


@dataclass(slots=True)
class _Bucket:
    low: float = math.inf
    high: float = -math.inf
    last: float = math.nan
    area: float = 0.0
    covered_s: float = 0.0
    count: int = 0
    gaps: int = 0


def _join(
    rows: dict[float, _Bucket], width_s: float, one: tuple[float, float], other: tuple[float, float]
) -> None:
    """The piece between two readings, cut at the edges."""
    (from_s, value), (to_s, last) = one, other
    slope = (last - value) / (to_s - from_s)
    while from_s < to_s:
        start_s = math.floor(from_s / width_s) * width_s
        step_s = min(to_s, start_s + width_s) - from_s
        bucket = rows.setdefault(start_s, _Bucket())
        bucket.area += (value + slope * step_s / 2) * step_s
        bucket.covered_s += step_s
        from_s, value = from_s + step_s, value + slope * step_s
