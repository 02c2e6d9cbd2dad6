"""The chance that draws add up to more than a limit, by convolution instead of a sum of worst cases.

A machine that holds its temperature is a square wave: some share of the time at one draw, the rest at another.
Machines switch independently of each other, so the distribution of a node's draw is the convolution of theirs.
With n equal machines that draw high with probability q this is the binomial distribution.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from farmwatch.power.starts import Admits, StartMachine

_MOST_LEVELS = 4_000  # more different sums than this are gathered on a grid
_GRAIN_W = 1e-6  # sums closer than this are the same sum


@dataclass(frozen=True, slots=True)
class Draw:
    """A draw as shares of time: pairs (W, share), shares above 0 that add up to 1.

    Raises:
        ValueError: no pair, a share not above 0, or shares that do not add up to 1 (within 1e-6).
    """

    levels: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        shares = [share for _, share in self.levels]
        if not shares or min(shares) <= 0 or abs(math.fsum(shares) - 1.0) > 1e-6:
            raise ValueError(f"shares of time {shares} are not above 0 with the sum 1")

    @property
    def mean_w(self) -> float:
        """Mean draw."""
        return math.fsum(power_w * share for power_w, share in self.levels)

    @property
    def max_w(self) -> float:
        """Greatest draw."""
        return max(power_w for power_w, _ in self.levels)


def constant(power_w: float) -> Draw:
    """A draw that does not change."""
    return Draw(((power_w, 1.0),))


def add(draws: Iterable[Draw]) -> Draw:
    """The distribution of the sum of independent draws; exact while it has few levels.

    Beyond `_MOST_LEVELS` different sums these are gathered on an even grid, each rounded *up*, so that a
    chance of passing a limit is never understated; the step is at most a four-thousandth of the span.
    """
    total: dict[int, float] = {0: 1.0}
    for draw in draws:
        grown: dict[int, float] = {}
        for power_w, share in draw.levels:
            shift = round(power_w / _GRAIN_W)
            for level, probability in total.items():
                grown[level + shift] = grown.get(level + shift, 0.0) + probability * share
        total = grown if len(grown) <= _MOST_LEVELS else _gathered(grown)
    norm = math.fsum(total.values())
    return Draw(tuple((level * _GRAIN_W, p / norm) for level, p in sorted(total.items()) if p > 0))


def _gathered(total: dict[int, float]) -> dict[int, float]:
    low, high = min(total), max(total)
    step = max(-(-(high - low) // _MOST_LEVELS), 1)
    coarse: dict[int, float] = {}
    for level, probability in total.items():
        up = low + -(-(level - low) // step) * step
        coarse[up] = coarse.get(up, 0.0) + probability
    return coarse


def chance_above(limit_w: float, draw: Draw) -> float:
    """The share of time in which a draw is above a limit; reaching it exactly is not above."""
    edge = limit_w + 1e-9 * max(abs(limit_w), 1.0)
    return min(math.fsum(share for power_w, share in draw.levels if power_w > edge), 1.0)


class WindowChance(NamedTuple):
    """The chance that a sum passes its limit at some time in a window, with a range that surely holds it.

    Attributes:
        chance: as if the sum were drawn anew once per `redraw_min`.
        low: at one instant alone.
        high: the mean number of passings of independent redraws, at most 1 (the union bound).
    """

    chance: float
    low: float
    high: float


def chance_within(
    limit_w: float, draws: Iterable[Draw], *, minutes: float, redraw_min: float, sum_levels: Draw | None = None
) -> WindowChance:
    """The chance that the sum passes its limit in the next `minutes`.

    How long one combination of draws lasts decides how many chances the window offers; `redraw_min` is that
    time (a machine's heating cycle while it holds, the heat-up minutes while it heats).

    Raises:
        ValueError: `redraw_min` not above 0 or `minutes` below 0.
    """
    if not (redraw_min > 0 and minutes >= 0):
        raise ValueError("a window needs minutes of at least 0 and a redraw time above 0")
    p = chance_above(limit_w, sum_levels or add(draws))
    looks = 1.0 + minutes / redraw_min
    chance = 1.0 if p >= 1.0 else -math.expm1(looks * math.log1p(-p))
    return WindowChance(chance, p, min(p * looks, 1.0))


@dataclass(frozen=True, slots=True)
class LoadModel:
    """What a machine's history says of its draw.

    Attributes:
        heating: draw during heat-up.
        holding: draw while a build runs, after heat-up.
        idle_w: draw while nothing runs.
        heat_min: minutes that heat-up takes.
    """

    heating: Draw
    holding: Draw
    idle_w: float
    heat_min: float


def in_window(model: LoadModel, *, start_chance: float) -> Draw:
    """An idle machine's draw when it may be heating up, with some probability, at the instant in question."""
    if start_chance <= 0:
        return constant(model.idle_w)
    heating = tuple((power_w, share * start_chance) for power_w, share in model.heating.levels)
    return Draw((*heating, (model.idle_w, 1.0 - start_chance))) if start_chance < 1 else model.heating


def admits_at_risk(
    limits: Mapping[str, float],
    running: Mapping[str, Draw],
    models: Mapping[str, LoadModel],
    risk: float,
) -> Admits:
    """A rule for `plan_starts_by`: a machine may start to heat if no place of its is above its limit more often.

    Args:
        limits: W by place.
        running: draw of what runs already, by place; a place left out has nothing running.
        models: load model by machine name.
        risk: share of time above the limit that is accepted at each place while the machines heat.
    """

    def admits(heating: Sequence[StartMachine], holding: Sequence[StartMachine], new: StartMachine) -> bool:
        for place in new.places:
            draws = [running[place]] if place in running else []
            draws += [models[m.name].heating for m in (*heating, new) if place in m.places]
            draws += [models[m.name].holding for m in holding if place in m.places]
            if chance_above(limits[place], add(draws)) > risk:
                return False
        return True

    return admits
