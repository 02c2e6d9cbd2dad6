"""Advice on starting, live: which idle machines may start now and which when; what is likely to pass its limit.

Machines that heat now are taken as started already and as heating for the rest of their usual minutes; machines
that build, by the distribution of their hold; a machine of which nothing is known counts as building, not as
nothing. Idle machines draw their idle watts until they start. The accepted risk is the share of time above a
limit, at each place.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from farmwatch.power.chance import Draw, LoadModel, WindowChance, add, admits_at_risk, chance_within, constant
from farmwatch.power.models import on_grid, shifted
from farmwatch.power.starts import StartMachine, plan_starts_by

LEAST_LEFT_MIN = 1.0
ABSENT = frozenset({"off", "out_of_service"})
GUESSED = frozenset({"unknown", "paused", "fault"})
"""States in which a machine of unknown draw counts as building."""
_FIRST = 1e9
_NO_DRAW = constant(0.0)


@dataclass(frozen=True, slots=True)
class MachineNow:
    """A machine as it is now.

    Attributes:
        places: nodes with a limit that feed it.
        state: machine state.
        ready: it is idle and its bed is clear, so that it may be started.
        watts: present draw, None if unknown.
        heating_min: minutes since its heat-up began, if it heats.
        model: what its history says of its draw.
        cycle_min: about how long one state of its heaters lasts while it holds.
    """

    name: str
    places: tuple[str, ...]
    state: str
    ready: bool
    watts: float | None
    heating_min: float | None
    model: LoadModel
    cycle_min: float = 1.0


class Advice(NamedTuple):
    """When machines may start.

    Attributes:
        starts: minutes from now by name of an idle machine; None: at no time that can be foreseen.
        tight: for those that cannot start now, the place that is in the way.
        guessed: machines of which nothing is known, counted as building.
        risk: share of time above the limit that is accepted.
    """

    starts: dict[str, float | None]
    tight: dict[str, str]
    guessed: tuple[str, ...]
    risk: float


def present_draw(machine: MachineNow) -> Draw:
    """A machine's draw in the minutes to come if nobody starts anything."""
    if machine.state == "heating":
        return machine.model.heating
    if machine.state == "printing" or (machine.watts is None and machine.state in GUESSED):
        return machine.model.holding
    if machine.watts is None:
        return _NO_DRAW if machine.state in ABSENT else on_grid(constant(machine.model.idle_w))
    return on_grid(constant(max(machine.watts, machine.model.idle_w) if machine.ready else machine.watts))


def advise(
    machines: Sequence[MachineNow], others: Mapping[str, Draw], limits: Mapping[str, float], risk: float
) -> Advice:
    """Which idle machines may start now, and which from when.

    Args:
        machines: all machines that share a place with an idle one.
        others: draw of what is no machine, by place.
        limits: W by place.
        risk: share of time above the limit that is accepted at each place.
    """
    ready = [m for m in machines if m.ready]
    guessed = tuple(m.name for m in machines if m.watts is None and m.state in GUESSED)
    if not ready:
        return Advice({}, {}, guessed, risk)
    heating = [m for m in machines if m.state == "heating"]
    drawing: dict[str, list[Draw]] = {}
    for m in machines:
        if m.state != "heating":
            for place in m.places:
                drawing.setdefault(place, []).append(present_draw(m))
    running = {place: add([others.get(place, _NO_DRAW), *drawing.get(place, ())]) for place in limits}
    models = {m.name: _beyond_idle(m.model, present_draw(m).mean_w) for m in ready} | {m.name: m.model for m in heating}
    tight: dict[str, str] = {}
    admits = _Admits(limits, running, models, risk, frozenset(m.name for m in heating), tight)
    queue = [_as_start(m, _FIRST, max(m.model.heat_min - (m.heating_min or 0.0), LEAST_LEFT_MIN)) for m in heating]
    queue += [_as_start(m, m.model.heating.max_w, m.model.heat_min) for m in ready]
    starts, never = plan_starts_by(admits, queue)
    found: dict[str, float | None] = {m.name: None if m.name in never else starts[m.name] for m in ready}
    return Advice(found, {name: where for name, where in tight.items() if found.get(name) != 0.0}, guessed, risk)


def advise_apart(
    machines: Sequence[MachineNow], others: Mapping[str, Draw], limits: Mapping[str, float], risk: float
) -> Advice:
    """`advise` of each group of machines that share a place with each other; the groups do not touch."""
    starts: dict[str, float | None] = {}
    tight: dict[str, str] = {}
    guessed: set[str] = set()
    for group in _groups(machines):
        places = dict.fromkeys(place for m in group for place in m.places)
        found = advise(group, others, {place: limits[place] for place in places if place in limits}, risk)
        starts |= found.starts
        tight |= found.tight
        guessed.update(found.guessed)
    order = [m.name for m in machines]
    return Advice(
        {name: starts[name] for name in order if name in starts},
        {name: tight[name] for name in order if name in tight},
        tuple(name for name in order if name in guessed),
        risk,
    )


def _groups(machines: Sequence[MachineNow]) -> list[list[MachineNow]]:
    """Machines that share places, directly or by others, together; in their order."""
    above: dict[str, str] = {}

    def root(place: str) -> str:
        while (up := above.setdefault(place, place)) != place:
            above[place] = above.get(up, up)
            place = up
        return place

    for m in machines:
        for place in m.places[1:]:
            above[root(place)] = root(m.places[0])
    groups: dict[str, list[MachineNow]] = {}
    for m in machines:
        groups.setdefault(root(m.places[0]) if m.places else "", []).append(m)
    return list(groups.values())


def _beyond_idle(model: LoadModel, idle_w: float) -> LoadModel:
    """What a machine draws beyond its idle draw, which is in the sum already."""
    return LoadModel(shifted(model.heating, -idle_w), shifted(model.holding, -idle_w), 0.0, model.heat_min)


def _as_start(machine: MachineNow, order_w: float, minutes: float) -> StartMachine:
    return StartMachine(machine.name, machine.places, order_w, minutes, machine.model.holding.mean_w)


class _Admits:
    """`admits_at_risk`, place by place: who heats already is in; who fits even at the worst needs no convolution."""

    def __init__(
        self,
        limits: Mapping[str, float],
        running: Mapping[str, Draw],
        models: Mapping[str, LoadModel],
        risk: float,
        heating: frozenset[str],
        tight: dict[str, str],
    ) -> None:
        self._limits, self._running, self._models = limits, running, models
        self._heating, self._tight = heating, tight
        self._at = {
            place: admits_at_risk({place: limit_w}, {place: running[place]}, models, risk)
            for place, limit_w in limits.items()
        }

    def __call__(self, heating: Sequence[StartMachine], holding: Sequence[StartMachine], new: StartMachine) -> bool:
        if new.name in self._heating:
            return True
        for place in new.places:
            if self._worst_w(place, heating, holding, new) <= self._limits[place]:
                continue
            here = [
                [StartMachine(m.name, (place,), m.peak_w, m.peak_min, m.hold_w) for m in group if place in m.places]
                for group in (heating, holding)
            ]
            one = StartMachine(new.name, (place,), new.peak_w, new.peak_min, new.hold_w)
            if not self._at[place](here[0], here[1], one):
                self._tight.setdefault(new.name, place)
                return False
        return True

    def _worst_w(
        self, place: str, heating: Sequence[StartMachine], holding: Sequence[StartMachine], new: StartMachine
    ) -> float:
        """Everything at its highest at once."""
        total_w = self._running[place].max_w + self._models[new.name].heating.max_w
        total_w += sum(self._models[m.name].heating.max_w for m in heating if place in m.places)
        return total_w + sum(self._models[m.name].holding.max_w for m in holding if place in m.places)


def chance_of_passing(
    place: str, machines: Sequence[MachineNow], others: Mapping[str, Draw], limit_w: float, minutes: float
) -> WindowChance:
    """The chance that a place passes a limit in the next minutes if nobody starts anything."""
    here = [m for m in machines if place in m.places]
    draws = [others.get(place, _NO_DRAW), *(present_draw(m) for m in here)]
    moving = [m.cycle_min for m in here if m.state in ("printing", "heating")]
    return chance_within(limit_w, draws, minutes=minutes, redraw_min=min(moving, default=max(minutes, 1.0)))
