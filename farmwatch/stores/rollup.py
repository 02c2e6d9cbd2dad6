"""Rollups of readings that are given as floats; for stores that keep no rollups of their own."""

import math

from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import GAP_S, Columns, Rollups


def roll_up(readings: Columns, quantity: str, width_s: float, start_s: float, end_s: float) -> Rollups:
    """Buckets that begin at start_s <= t < end_s; `readings` should begin `GAP_S` before, for the first piece.

    See `words.series.Rollups` for what a bucket holds.
    """
    found = Rollups()
    watts = QUANTITIES[quantity].unit == "W"
    before_s, before = -math.inf, math.nan
    at_s, area = -math.inf, 0.0
    for time_s, value in readings.rows():
        bucket_s = math.floor(time_s / width_s) * width_s
        if start_s <= bucket_s < end_s:
            if bucket_s != at_s:
                at_s, area = bucket_s, 0.0
                _begin(found, at_s)
            step_s = time_s - before_s
            if step_s <= GAP_S and not math.isnan(value) and not math.isnan(before):
                area += (value + before) / 2 * step_s
                found.covered_s[-1] += step_s
            else:
                found.gaps[-1] |= int(math.isfinite(before_s))
            if not math.isnan(value):
                _take(found, value)
            covered_s = found.covered_s[-1]
            found.mean[-1] = area / covered_s if covered_s else found.last[-1]
            found.energy_wh[-1] = area / 3600 if watts else math.nan
        before_s, before = time_s, value
    return found


def _begin(found: Rollups, at_s: float) -> None:
    found.start_s.append(at_s)
    for column in (found.low, found.high, found.mean, found.last, found.energy_wh):
        column.append(math.nan)
    found.covered_s.append(0.0)
    found.count.append(0)
    found.gaps.append(0)


def _take(found: Rollups, value: float) -> None:
    found.low[-1] = value if math.isnan(found.low[-1]) else min(value, found.low[-1])
    found.high[-1] = value if math.isnan(found.high[-1]) else max(value, found.high[-1])
    found.last[-1] = value
    found.count[-1] += 1
