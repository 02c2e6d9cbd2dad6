"""What a breaker does at a current, and how large one must be: arithmetic of the standards, no advice to wire.

IEC 60898-1 (household breakers, from the cold state at 30 °C reference): at 1.13 times the rated current it does
not trip within the conventional time, at 1.45 times it does; that time is 1 h up to 63 A and 2 h above. At 2.55
times it trips in more than 1 s and less than 60 s (up to 32 A; 120 s above). Instantaneous tripping begins
between 3 and 5 (B), 5 and 10 (C), 10 and 20 (D) times. Breakers of other standards have other figures; heat,
neighbours in the box and age move all of them. Which breaker a circuit needs, and what it may carry, is for local
codes and a licensed electrician.
"""

from collections.abc import Sequence
from typing import NamedTuple

CAUTION = "Figures for IEC 60898 breakers at 30 °C from cold; local codes and a licensed electrician decide."
NON_TRIPPING = 1.13
TRIPPING = 1.45
SECONDS_AT = 2.55
INSTANTANEOUS: dict[str, tuple[float, float]] = {"B": (3.0, 5.0), "C": (5.0, 10.0), "D": (10.0, 20.0)}
UNKNOWN_CURVE = (3.0, 20.0)
IEC_SIZES_A: tuple[float, ...] = (6, 10, 13, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125)
"""Preferred ratings of IEC 60898-1."""
NEC_SIZES_A: tuple[float, ...] = (15, 20, 25, 30, 35, 40, 45, 50, 60)
"""Standard ratings up to 60 A (NEC 240.6, from memory)."""
CONTINUOUS_H = 3.0
"""A load is continuous when its maximum is expected for 3 h or more (NEC, article 100)."""


class Behaviour(NamedTuple):
    """What a breaker does at a current.

    Attributes:
        ratio: current over rated current.
        trips: no, may or will.
        within_s: the longest time after which it has tripped; None where the standard sets none.
        words: the same, for people.
    """

    ratio: float
    trips: str
    within_s: float | None
    words: str


def conventional_s(rating_a: float) -> float:
    """The conventional time: 1 h up to 63 A, else 2 h."""
    return 3600.0 if rating_a <= 63 else 7200.0


def behaviour(current_a: float, rating_a: float, curve: str | None = None) -> Behaviour:
    """What a breaker of this rating and curve (B, C, D; None: not known) may do at a steady current.

    Raises:
        ValueError: a rating not above 0, a current below 0, or a curve that is none of the three.
    """
    if not (rating_a > 0 and current_a >= 0):
        raise ValueError(f"a breaker of {rating_a} A at {current_a} A: no such thing")
    if curve is not None and curve not in INSTANTANEOUS:
        raise ValueError(f"curve {curve!r} is none of {', '.join(INSTANTANEOUS)}")
    low, high = UNKNOWN_CURVE if curve is None else INSTANTANEOUS[curve]
    hour_s = conventional_s(rating_a)
    hours = f"{hour_s / 3600:g} h"
    ratio = current_a / rating_a
    edge = ratio * (1 + 1e-12)  # 18.08 A of 16 A is 1.13, whatever the last bit says
    if ratio <= 1.0:
        return Behaviour(ratio, "no", None, "within its rating: it carries this")
    if ratio <= NON_TRIPPING * (1 + 1e-12):
        words = f"above its rating: it does not trip within {hours}, but it is no current to live with"
        return Behaviour(ratio, "no", None, words)
    if edge < TRIPPING:
        return Behaviour(ratio, "may", None, "it may trip, sooner or later: the standard sets no time here")
    if edge < SECONDS_AT:
        return Behaviour(ratio, "will", hour_s, f"it trips within {hours}")
    minute_s = 60.0 if rating_a <= 32 else 120.0
    if edge < low:
        return Behaviour(ratio, "will", minute_s, f"it trips within {minute_s:.0f} s")
    if edge < high:
        return Behaviour(ratio, "will", minute_s, f"it trips within {minute_s:.0f} s, perhaps at once")
    return Behaviour(ratio, "will", 0.1, "it trips at once, within a tenth of a second")


def trip_bounds_a(rating_a: float) -> tuple[float, float]:
    """(conventional non-tripping current, conventional tripping current).

    >>> [round(a, 2) for a in trip_bounds_a(16)]
    [18.08, 23.2]
    """
    return NON_TRIPPING * rating_a, TRIPPING * rating_a


def needed_a(non_continuous_a: float, continuous_a: float, share: float = 0.8) -> float:
    """Least rating for a load: what is not continuous plus the continuous part over `share`.

    With 0.8 this is 1.25 times the continuous load (NEC 210.19(A)(1), 210.20(A)); elsewhere the share is the
    owner's own policy.

    >>> needed_a(4, 10)
    16.5
    """
    if not 0 < share <= 1:
        raise ValueError(f"a share of {share} is not above 0 and at most 1")
    return non_continuous_a + continuous_a / share


def next_size_a(current_a: float, sizes_a: Sequence[float] = IEC_SIZES_A) -> float | None:
    """The smallest rating of a series that is at least this; None above the series.

    >>> next_size_a(16.5), next_size_a(16.5, NEC_SIZES_A)
    (20, 20)
    """
    return next((size for size in sorted(sizes_a) if size >= current_a * (1 - 1e-12)), None)
