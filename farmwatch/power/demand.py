"""Demand: mean draw over 15-minute windows, the day's highest, the worst minute; headroom; demand and diversity.

One sample a minute goes in; memory is bounded: the window in hand and the last day's 96. A minute in which nothing
was known is left out, one in which part was unknown makes its window a lower bound, and a window of which most is
unknown has no demand. Windows lie on the clock's quarters, as demand meters do.
"""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

WINDOW_S = 900.0
MINUTES = 15
LEAST_MINUTES = 10
LEAST_S, LONGEST_S = 30.0, 60.0
DAY_WINDOWS = 96


class Window(NamedTuple):
    """One quarter of an hour.

    Attributes:
        start_s: its begin.
        mean_w: mean draw, None where too little of it is known.
        max_w: highest minute.
        max_s: when that was.
        partial: whether something was not in the sums, so that all is "at least".
    """

    start_s: float
    mean_w: float | None
    max_w: float
    max_s: float
    partial: bool


class Peak(NamedTuple):
    """A highest value, when it was, and whether it is but a lower bound."""

    watts: float
    at_s: float
    partial: bool


class Headroom(NamedTuple):
    """What is left below a limit, in W: now, beside the day's highest demand, beside its worst minute.

    Negative: so much above. None: not known.
    """

    now_w: float | None
    day_w: float | None
    worst_w: float | None


@dataclass(slots=True)
class MinuteMean:
    """Mean of one meter's watts since it was last asked: trapezoids between samples, none over a gap."""

    _sample: tuple[float, float] | None = None
    _sum_ws: float = 0.0
    _seconds: float = 0.0

    def observe(self, at_s: float, power_w: float | None) -> None:
        """A sample; None: not known from now on."""
        sample = self._sample
        if sample is not None and power_w is not None and 0.0 < at_s - sample[0] <= LONGEST_S:
            self._sum_ws += (at_s - sample[0]) * (sample[1] + power_w) / 2
            self._seconds += at_s - sample[0]
        self._sample = None if power_w is None else (at_s, power_w)

    def take(self) -> float | None:
        """The mean in W, and begin anew; None where less than half a minute was measured."""
        mean_w = self._sum_ws / self._seconds if self._seconds >= LEAST_S else None
        self._sum_ws = self._seconds = 0.0
        return mean_w


@dataclass(slots=True)
class DemandTrack:
    """Demand of one node or leaf."""

    _windows: "deque[Window]" = field(default_factory=lambda: deque(maxlen=DAY_WINDOWS))
    _start_s: float | None = None
    _sum_w: float = 0.0
    _count: int = 0
    _max_w: float = 0.0
    _max_s: float = 0.0
    _partial: bool = False
    _highest: Peak | None = None

    def minute(self, now_s: float, watts: float | None, *, partial: bool = False) -> None:
        """One minute's draw; None: not known."""
        start_s = now_s - now_s % WINDOW_S
        if self._start_s is None or start_s > self._start_s:
            self._close()
            self._start_s = start_s
        if watts is None:
            return
        if self._count == 0 or watts > self._max_w:
            self._max_w, self._max_s = watts, now_s
        self._sum_w += watts
        self._count += 1
        self._partial = self._partial or partial

    def _close(self) -> None:
        if self._start_s is not None and self._count:
            mean_w = self._sum_w / self._count if self._count >= LEAST_MINUTES else None
            self._windows.append(Window(self._start_s, mean_w, self._max_w, self._max_s, self._partial))
            if mean_w is not None and (self._highest is None or mean_w > self._highest.watts):
                self._highest = Peak(mean_w, self._start_s, self._partial)
        self._sum_w, self._count, self._max_w, self._partial = 0.0, 0, 0.0, False

    def _day(self, now_s: float) -> Iterable[Window]:
        return (w for w in self._windows if w.start_s > now_s - WINDOW_S * (DAY_WINDOWS + 1))

    def running_w(self) -> float | None:
        """Mean of the window in hand so far."""
        return self._sum_w / self._count if self._count else None

    def demand(self, now_s: float) -> Peak | None:
        """The highest complete window of the last day."""
        best = max((w for w in self._day(now_s) if w.mean_w is not None), key=lambda w: w.mean_w or 0.0, default=None)
        return None if best is None or best.mean_w is None else Peak(best.mean_w, best.start_s, best.partial)

    def worst(self, now_s: float) -> Peak | None:
        """The highest minute of the last day, the window in hand included."""
        found = [Peak(w.max_w, w.max_s, w.partial) for w in self._day(now_s)]
        if self._count:
            found.append(Peak(self._max_w, self._max_s, self._partial))
        return max(found, key=lambda peak: peak.watts, default=None)

    def highest(self) -> Peak | None:
        """The highest window ever seen."""
        return self._highest

    def headroom(self, limit_w: float, now_w: float | None, now_s: float) -> Headroom:
        """What is left below a limit."""
        day, worst = self.demand(now_s), self.worst(now_s)
        return Headroom(
            None if now_w is None else limit_w - now_w,
            None if day is None else limit_w - day.watts,
            None if worst is None else limit_w - worst.watts,
        )

    def as_dict(self) -> dict[str, Any]:
        """State for the journal; the window in hand is not in it."""
        rows = [
            [w.start_s, None if w.mean_w is None else round(w.mean_w, 1), round(w.max_w, 1), w.max_s, int(w.partial)]
            for w in self._windows
        ]
        highest = None if self._highest is None else list(self._highest)
        return {"windows": rows, "highest": highest}

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "DemandTrack":
        """Back from `as_dict`."""
        track = cls()
        for start_s, mean_w, max_w, max_s, partial in doc["windows"]:
            track._windows.append(Window(start_s, mean_w, max_w, max_s, bool(partial)))
        if doc["highest"] is not None:
            watts, at_s, partial = doc["highest"]
            track._highest = Peak(watts, at_s, bool(partial))
        return track


def demand_factor(highest_w: float, connected_w: float) -> float | None:
    """Highest demand over connected load; None where nothing is connected (definition from memory)."""
    return highest_w / connected_w if connected_w > 0 else None


def diversity_factor(own_highest_w: Iterable[float], together_w: float) -> float | None:
    """Sum of the parts' own highest demands over the highest demand together, at least 1 (from memory).

    >>> round(diversity_factor([280.0] * 6, 950.0) or 0, 3)
    1.768
    """
    return sum(own_highest_w) / together_w if together_w > 0 else None


def after_diversity(total: float, full: float, rest_share: float) -> float:
    """An allowance for diversity: all of the first part, a share of the rest; in A, W or VA.

    Guides give the parts: of socket circuits the largest in full and 40 % of the others, of heating the first
    10 A and 50 % of the rest. Sizing by such tables is for an electrician.

    >>> round(after_diversity(16 + 16 + 6, 16, 0.4), 1), after_diversity(26, 10, 0.5)
    (24.8, 18.0)
    """
    return min(total, full) + rest_share * max(total - full, 0.0)
