"""Each machine's own load, learned from its history: how it heats up, how it holds, what it draws idle.

While a machine holds its temperature its draw is a square wave; what matters for a sum of machines is how much of
the time it spends at which draw. Time is counted in bins of 10 W, old time fades, and each phase is handed on as
a distribution of a few levels with the same mean. Before a phase has been seen, usual values stand in, and the
model says so.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from farmwatch.power.chance import Draw, LoadModel, constant

STEP_W = 10.0
GRID_W = 5.0
MOST_LEVELS = 6
MOST_BINS = 64
LONGEST_SAMPLE_S = 60.0
HOLD_KEEP_S = 40 * 3600.0
HEAT_KEEP_S = 3 * 3600.0
LEAST_HEAT_S, LEAST_HOLD_S, LEAST_IDLE_S = 60.0, 1200.0, 300.0
HEAT_SHARE = 0.95
HEAT_UP_MIN = (0.5, 60.0)
"""A heat-up shorter or longer than this is none: a glimpse, or a machine that waits for something else."""

USUAL_HEAT_W, USUAL_HEAT_MIN, USUAL_IDLE_W = 300.0, 6.0, 8.0
USUAL_HOLD = Draw(((260.0, 0.3), (50.0, 0.7)))
"""A machine whose own history says nothing: 250 to 320 W in heat-up, 2 to 6 min for the bed (common practice, no
source); holding at 210/60 degC 113 W in the mean (Hopkins et al. 2021), between about 50 and 260 W."""

PHASES: dict[str, str] = {"heating": "heat", "printing": "hold", "idle": "idle", "waiting": "idle"}
"""Machine state: phase of its load. In other states nothing is learned."""


@dataclass(slots=True)
class Spread:
    """Seconds spent at each draw, in bins of `STEP_W`; `keep_s` is about how much time is remembered."""

    keep_s: float
    bins: dict[int, list[float]] = field(default_factory=dict)  # bin: [seconds, watt-seconds]
    total_s: float = 0.0

    def add(self, watts: float, seconds: float) -> None:
        """Some time at a draw."""
        row = self.bins.setdefault(int(watts // STEP_W), [0.0, 0.0])
        row[0] += seconds
        row[1] += watts * seconds
        self.total_s += seconds
        if self.total_s > 1.25 * self.keep_s:
            for row in self.bins.values():
                row[0] *= 0.8
                row[1] *= 0.8
            self.total_s *= 0.8
        if len(self.bins) > MOST_BINS:
            self._join()

    def _join(self) -> None:
        """The bin with the least time goes into the next higher one, the highest into the next lower."""
        order = sorted(self.bins)
        least = min(order, key=lambda index: self.bins[index][0])
        at = order.index(least)
        other = self.bins[order[at + 1] if at + 1 < len(order) else order[at - 1]]
        seconds, joules = self.bins.pop(least)
        other[0] += seconds
        other[1] += joules

    def levels(self) -> list[tuple[float, float]]:
        """(mean W of a bin, share of time), rising."""
        return [(row[1] / row[0], row[0] / self.total_s) for _, row in sorted(self.bins.items()) if row[0] > 0]

    def quantile_w(self, share: float) -> float:
        """The draw that is not passed for this share of the time."""
        total, watts = 0.0, 0.0
        for watts, part in self.levels():
            total += part
            if total >= share - 1e-12:
                return watts
        return watts

    def draw(self) -> Draw:
        """The distribution with at most `MOST_LEVELS` levels: near ones joined at their mean, then rounded up.

        Joining keeps the mean; rounding to a grid of 5 W adds at most that, so that sums have few levels.
        """
        levels = self.levels()
        while len(levels) > MOST_LEVELS:
            at = min(range(len(levels) - 1), key=lambda i: _cost(levels[i], levels[i + 1]))
            (low_w, low), (high_w, high) = levels[at], levels[at + 1]
            levels[at : at + 2] = [((low_w * low + high_w * high) / (low + high), low + high)]
        return on_grid(Draw(tuple(levels)))

    def as_rows(self) -> list[list[float]]:
        """State for the journal: [bin, seconds, mean W]."""
        return [[index, round(s, 1), round(ws / s, 2)] for index, (s, ws) in sorted(self.bins.items()) if s > 0.05]

    def restore(self, rows: list[list[float]]) -> None:
        """Back from `as_rows`."""
        self.bins = {int(index): [seconds, seconds * watts] for index, seconds, watts in rows}
        self.total_s = sum(row[0] for row in self.bins.values())


def _cost(one: tuple[float, float], other: tuple[float, float]) -> float:
    """What joining two levels adds to the spread within the levels (Ward 1963)."""
    return one[1] * other[1] / (one[1] + other[1]) * (one[0] - other[0]) ** 2


def on_grid(draw: Draw) -> Draw:
    """Levels rounded up to the grid, equal ones put together."""
    shares: dict[float, float] = {}
    for watts, share in draw.levels:
        level = -(-round(watts, 6) // GRID_W) * GRID_W
        shares[level] = shares.get(level, 0.0) + share
    return Draw(tuple(sorted(shares.items())))


def shifted(draw: Draw, by_w: float) -> Draw:
    """A draw with something added to every level."""
    return Draw(tuple((watts + by_w, share) for watts, share in draw.levels))


@dataclass(slots=True)
class LoadHistory:
    """What one machine's plug has shown of it."""

    heat: Spread = field(default_factory=lambda: Spread(HEAT_KEEP_S))
    hold: Spread = field(default_factory=lambda: Spread(HOLD_KEEP_S))
    idle: Spread = field(default_factory=lambda: Spread(HEAT_KEEP_S))
    heat_ups: int = 0
    _minutes: float = 0.0  # faded mean of heat-up minutes
    _square: float = 0.0
    _crossings: float = 0.0
    _phase: str | None = None
    _state: str = ""
    _since_s: float = 0.0
    _from_begin: bool = False
    _sample: tuple[float, float] | None = None
    _model: LoadModel | None = None

    def observe(self, now_s: float, watts: float | None, state: str) -> None:
        """One reading of the plug, and the state in which the machine is."""
        if state != self._state:
            self._enter(state, now_s)
        sample, self._sample = self._sample, None if watts is None else (now_s, watts)
        if sample is None or watts is None or self._phase is None or sample[0] < self._since_s:
            return
        seconds = now_s - sample[0]
        if not 0.0 < seconds <= LONGEST_SAMPLE_S:
            return
        spread = {"heat": self.heat, "hold": self.hold, "idle": self.idle}[self._phase]
        if spread is self.hold and spread.total_s > 0:
            middle_w = sum(row[1] for row in spread.bins.values()) / spread.total_s
            self._crossings += (sample[1] > middle_w) != (watts > middle_w)
            if spread.total_s + seconds > 1.25 * spread.keep_s:
                self._crossings *= 0.8
        spread.add(watts, seconds)
        self._model = None

    def _enter(self, state: str, now_s: float) -> None:
        if self._phase == "heat" and state == "printing" and self._from_begin:
            self._heated((now_s - self._since_s) / 60.0)
        self._from_begin = self._state not in ("", "unknown")
        self._state, self._phase, self._since_s = state, PHASES.get(state), now_s

    def _heated(self, minutes: float) -> None:
        if not HEAT_UP_MIN[0] <= minutes <= HEAT_UP_MIN[1]:
            return
        part = max(1.0 / (self.heat_ups + 1), 0.1)
        self.heat_ups += 1
        self._minutes += part * (minutes - self._minutes)
        self._square += part * (minutes * minutes - self._square)
        self._model = None

    def heating_for_min(self, now_s: float) -> float | None:
        """Minutes since the heat-up in hand began; None where none is in hand."""
        return (now_s - self._since_s) / 60.0 if self._phase == "heat" else None

    @property
    def heat_w(self) -> float:
        """The draw that is not passed for 95 % of the heat-up, or the usual one."""
        return self.heat.quantile_w(HEAT_SHARE) if self.heat.total_s >= LEAST_HEAT_S else USUAL_HEAT_W

    @property
    def heat_min(self) -> float:
        """Minutes that a heat-up takes: mean and one standard deviation more, or the usual ones."""
        if self.heat_ups == 0:
            return USUAL_HEAT_MIN
        variance = max(self._square - self._minutes**2, 0.0)
        # With few heat-ups the spread is hardly known: a fifth of the mean is added, less with each more.
        return float(self._minutes + variance**0.5 + 0.2 * self._minutes / self.heat_ups)

    @property
    def idle_w(self) -> float:
        """Mean draw while nothing runs, or the usual one."""
        idle = self.idle
        return sum(r[1] for r in idle.bins.values()) / idle.total_s if idle.total_s >= LEAST_IDLE_S else USUAL_IDLE_W

    @property
    def cycle_min(self) -> float:
        """About how long one combination of heaters lasts: half a cycle of the square wave, at least 0.2 min."""
        if self.hold.total_s < LEAST_HOLD_S or self._crossings < 4:
            return 1.0
        return max(self.hold.total_s / self._crossings / 60.0, 0.2)

    def model(self) -> LoadModel:
        """Heating, holding and idle as distributions; usual values where nothing has been learned."""
        if self._model is None:
            heating = self.heat.draw() if self.heat.total_s >= LEAST_HEAT_S else constant(USUAL_HEAT_W)
            holding = self.hold.draw() if self.hold.total_s >= LEAST_HOLD_S else USUAL_HOLD
            self._model = LoadModel(heating, holding, self.idle_w, self.heat_min)
        return self._model

    @property
    def basis(self) -> str:
        """What the model rests on, in words."""
        unseen = [
            word
            for word, spread, least_s in (
                ("heat-up", self.heat, LEAST_HEAT_S),
                ("building", self.hold, LEAST_HOLD_S),
                ("rest", self.idle, LEAST_IDLE_S),
            )
            if spread.total_s < least_s
        ]
        if not unseen:
            return "its own history"
        return f"usual values for {' and '.join(unseen)}, not yet seen of it"

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        return {
            "heat": self.heat.as_rows(),
            "hold": self.hold.as_rows(),
            "idle": self.idle.as_rows(),
            "heat_ups": self.heat_ups,
            "minutes": round(self._minutes, 3),
            "square": round(self._square, 3),
            "crossings": round(self._crossings, 1),
        }

    @classmethod
    def from_dict(cls, doc: Mapping[str, Any]) -> "LoadHistory":
        """Back from `as_dict`; a phase in hand is begun anew."""
        history = cls(heat_ups=int(doc["heat_ups"]))
        history.heat.restore(doc["heat"])
        history.hold.restore(doc["hold"])
        history.idle.restore(doc["idle"])
        history._minutes, history._square = doc["minutes"], doc["square"]
        history._crossings = doc["crossings"]
        return history
