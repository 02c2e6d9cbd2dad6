"""What a good part costs, by job: the builds that are over and their use, reckoned as `shop.usage.cost_of` does.

Failures are paid by what came out well. What is not known is named and counted, never taken as nothing.
"""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from farmwatch.shop.usage import Rates, Run, cost_of

Used = Callable[[str], tuple[float | None, float | None]]
"""A build's id to grams of filament and their cost."""


@dataclass(frozen=True, slots=True)
class PartCost:
    """A job's builds together.

    Attributes:
        pieces: good pieces; None where a build that is done has no number of pieces.
        wh: energy of all builds that have a figure; None where none has.
        energy, material, machine: cost of each, None where no build has a figure of it, or nothing says what it costs.
        cost: their sum, None where all are.
        unknown: builds without a figure of energy: `wh` and what follows from it are lower bounds then.
        missing: what else no figure is known for, with the number of builds: `cost` is a lower bound then.
        wh_each, cost_each: for one good piece; None where either is unknown or no piece is good.
    """

    job: str
    builds: int
    good_builds: int
    pieces: float | None
    wh: float | None
    energy: float | None
    material: float | None
    machine: float | None
    cost: float | None
    unknown: int
    missing: Mapping[str, int]
    wh_each: float | None
    cost_each: float | None


def per_job(runs: Iterable[Run], rates: Rates) -> list[PartCost]:
    """Builds by job, the most energy first; builds without a job's name are left out.

    >>> runs = [Run("avocet", "latch", "done", 3.0, 900.0, None, 1.2, 8.0),
    ...         Run("avocet", "latch", "failed", 1.0, 300.0, None, 0.4, None)]
    >>> [(row.wh_each, round(row.cost_each, 3), row.good_builds) for row in per_job(runs, Rates(0.3, 0.1))]
    [(150.0, 0.295, 1)]
    """
    groups: dict[str, list[Run]] = {}
    for run in runs:
        if run.job:
            groups.setdefault(run.job, []).append(run)
    found = [_of(job, group, rates) for job, group in groups.items()]
    return sorted(found, key=lambda row: (-(row.wh or 0.0), row.job))


def _of(job: str, runs: list[Run], rates: Rates) -> PartCost:
    spent, count = cost_of(runs, rates), len(runs)
    pieces = None if "pieces" in spent.missing else spent.good
    whs = [run.energy_wh for run in runs if run.energy_wh is not None]
    wh = math.fsum(whs) if whs else None
    energy = spent.energy if spent.missing.get("energy", 0) < count else None
    material = spent.material if spent.missing.get("material", 0) < count else None
    machine = spent.machine if rates.machine_hour > 0 else None
    known = not (energy is None and material is None and machine is None)
    return PartCost(
        job, count, sum(run.result == "done" for run in runs), pieces, wh, energy, material, machine,
        spent.total if known else None, count - len(whs), spent.missing, wh / pieces if wh is not None and pieces
        else None, spent.each if known else None,
    )  # fmt: skip


class PartsBook:
    """Builds that are over, by id; `pieces_of` says how many pieces a job's build has where no report says it."""

    def __init__(self, pieces_of: Mapping[str, float]) -> None:
        self._pieces_of = pieces_of
        self._runs: dict[str, Run] = {}

    def add(self, build: str, run: Run) -> None:
        """Write or correct a build; its filament is asked for when the table is made."""
        if run.pieces is None and run.job is not None:
            run = replace(run, pieces=self._pieces_of.get(run.job))
        self._runs[build] = run

    def drop(self, build: str) -> None:
        """Forget a build."""
        self._runs.pop(build, None)

    def table(self, used: Used, rates: Rates) -> list[PartCost]:
        """All jobs."""
        runs = []
        for build, run in self._runs.items():
            grams, cost = used(build)
            runs.append(replace(run, material_g=grams, material_cost=cost))
        return per_job(runs, rates)
