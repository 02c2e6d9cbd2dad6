"""What really happened, for scoring what was derived."""

from array import array
from bisect import bisect_right
from dataclasses import dataclass, field


@dataclass(slots=True)
class TruthBuild:
    """A build. Times in epoch seconds, None while it has not come to that.

    `started_s` is when its heat-up began; before the world's own start for builds that it began with, whose
    energy counts from the world's start only. `planned_s` is what the person was told (minutes of the job).
    """

    machine: str
    job: str
    material: str
    started_s: float
    planned_s: float
    ended_s: float | None = None
    result: str | None = None  # done | failed | cancelled
    released_s: float | None = None
    cleared_s: float | None = None
    energy_wh: float | None = None
    paused: list[tuple[float, float]] = field(default_factory=list)


@dataclass(slots=True)
class TruthOutage:
    """Something was lost: cause site | circuit | backup | blip | broker | network | plug, and where."""

    cause: str
    place: str
    started_s: float
    ended_s: float | None = None


class Truth:
    """Grows as the world is played; what lies beyond that is not known yet.

    Energy and circuit watts are sampled every `sample_s` seconds (0: not at all); between samples energy is
    interpolated and watts hold. A build's own energy is exact.
    """

    def __init__(self, start_s: float, sample_s: float, machines: list[str], places: list[str]) -> None:
        self.start_s, self.sample_s = start_s, sample_s
        self.builds: list[TruthBuild] = []
        self.outages: list[TruthOutage] = []
        self.states: dict[str, list[tuple[float, str]]] = {name: [] for name in machines}
        self._energy_wh = {name: array("d") for name in machines}
        self._watts = {name: array("f") for name in places}

    def note(self, machine: str, at_s: float, state: str) -> None:
        """The machine's state is `state` from `at_s` on."""
        rows = self.states[machine]
        if not rows or rows[-1][1] != state:
            rows.append((at_s, state))

    def sample(self, energy_wh: dict[str, float], watts: dict[str, float]) -> None:
        """Take one sample of every machine's energy and every place's watts."""
        for name, wh in energy_wh.items():
            self._energy_wh[name].append(wh)
        for name, w in watts.items():
            self._watts[name].append(w)

    def state(self, machine: str, at_s: float) -> str | None:
        """State at a time, None before the world's start."""
        rows = self.states[machine]
        i = bisect_right(rows, at_s, key=lambda row: row[0])
        return rows[i - 1][1] if i else None

    def energy_wh(self, machine: str, from_s: float, to_s: float) -> float:
        """Energy that the machine drew between two times; ValueError outside of what was played."""
        return self._energy_at(machine, to_s) - self._energy_at(machine, from_s)

    def _energy_at(self, machine: str, at_s: float) -> float:
        rows = self._energy_wh[machine]
        x = (at_s - self.start_s) / self.sample_s if self.sample_s else -1.0
        i = int(x)
        if x < 0 or i >= len(rows):
            raise ValueError(f"no energy of {machine} at {at_s}: not played, or not sampled")
        if i + 1 == len(rows):
            return rows[i]
        return rows[i] + (x - i) * (rows[i + 1] - rows[i])

    def watts(self, place: str, at_s: float) -> float:
        """Watts of a circuit (drawn from the mains) or a backup (its output); ValueError as above."""
        rows = self._watts[place]
        i = int((at_s - self.start_s) / self.sample_s) if self.sample_s else -1
        if not 0 <= i < len(rows):
            raise ValueError(f"no watts of {place} at {at_s}: not played, or not sampled")
        return rows[i]

    def build_at(self, machine: str, at_s: float) -> TruthBuild | None:
        """The build in hand at a time, or None."""
        for build in reversed(self.builds):
            if build.machine == machine and build.started_s <= at_s:
                return build if build.ended_s is None or at_s < build.ended_s else None
        return None

    def bed_full(self, machine: str, at_s: float) -> bool:
        """Whether something lies on the bed, in hand or waiting."""
        for build in reversed(self.builds):
            if build.machine == machine and build.started_s <= at_s:
                return build.cleared_s is None or at_s < build.cleared_s
        return False
