"""Readings over time as columns of numbers, and what is kept of them in the long run."""

from array import array
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, TypeAlias

Floats: TypeAlias = "array[float]"
Ints: TypeAlias = "array[int]"

LEVELS: Mapping[str, float] = {"1min": 60.0, "15min": 900.0, "1d": 86_400.0}
"""Levels of rollups, fine to coarse: the seconds of a bucket, which begins at a whole multiple of it in UTC."""

GAP_S = 60.0
"""Two readings further apart than this leave a gap over which nothing is integrated (as in `power/energy.py`)."""


def _floats() -> Floats:
    return array("d")


def _ints() -> Ints:
    return array("q")


@dataclass(frozen=True, slots=True)
class Columns:
    """Readings in time order.

    Attributes:
        times_s: epoch seconds, exact to the millisecond, no time twice.
        values: in the quantity's unit; NaN means: unknown from here until the next row.
        step_s: above 0 where these were drawn from rollups: times are no finer than so many seconds.
    """

    times_s: Floats = field(default_factory=_floats)
    values: Floats = field(default_factory=_floats)
    step_s: float = 0.0

    def __len__(self) -> int:
        return len(self.times_s)

    def rows(self) -> Iterator[tuple[float, float]]:
        """(time, value), one by one."""
        return zip(self.times_s, self.values, strict=True)


@dataclass(frozen=True, slots=True)
class Rollups:
    """Buckets in time order; a bucket without a reading has no row.

    Readings are joined by straight lines, cut at the buckets' edges, so that sums over buckets are sums over readings.
    Over pieces longer than `GAP_S`, and those that begin or end unknown, nothing is integrated.

    Attributes:
        start_s: where the bucket begins, epoch seconds.
        low: least value; NaN if all were unknown.
        high: greatest value.
        mean: mean over time of the trapezoids; where there are none, the last value.
        last: last value.
        count: known readings; 0 where the line alone reaches into the bucket.
        energy_wh: the trapezoids' area where the unit is W, else NaN.
        covered_s: seconds that the mean and the energy speak for.
        gaps: 1 where the quantity was unknown or missing for a while within the bucket or just before it, else 0.
    """

    start_s: Floats = field(default_factory=_floats)
    low: Floats = field(default_factory=_floats)
    high: Floats = field(default_factory=_floats)
    mean: Floats = field(default_factory=_floats)
    last: Floats = field(default_factory=_floats)
    count: Ints = field(default_factory=_ints)
    energy_wh: Floats = field(default_factory=_floats)
    covered_s: Floats = field(default_factory=_floats)
    gaps: Ints = field(default_factory=_ints)

    def __len__(self) -> int:
        return len(self.start_s)


class Holding(NamedTuple):
    """One series that a store holds: of what, and about from when to when (epoch seconds)."""

    subject: str
    quantity: str
    first_s: float
    last_s: float
