"""What a good part costs in energy: builds of a job that are over, failures paid by what came out well.

A build that is done gave its pieces; one that failed, was cancelled, or of whose end nothing is known gave none,
and its energy makes the others dearer. What is not known is named and counted, never taken as nothing.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple


class Run(NamedTuple):
    """A build that is over; None: not known."""

    job: str | None
    result: str
    pieces: float | None
    wh: float | None
    cost: float | None


@dataclass(frozen=True, slots=True)
class PartCost:
    """A job's builds together.

    Attributes:
        pieces: good pieces; None where a build that is done has no number of pieces.
        wh: energy of all builds that have a figure; None where none has.
        cost: likewise, money.
        unknown: builds without a figure of energy: `wh`, `cost` and what follows from them are lower bounds then.
        wh_each, cost_each: for one good piece; None where either is unknown or no piece is good.
    """

    job: str
    builds: int
    good_builds: int
    pieces: float | None
    wh: float | None
    cost: float | None
    unknown: int
    wh_each: float | None
    cost_each: float | None


def per_job(runs: Iterable[Run]) -> list[PartCost]:
    """Builds by job, the most energy first; builds without a job's name are left out.

    >>> runs = [Run("latch", "done", 8.0, 900.0, 0.3), Run("latch", "failed", None, 300.0, 0.1)]
    >>> [(row.wh_each, row.good_builds) for row in per_job(runs)]
    [(150.0, 1)]
    """
    groups: dict[str, list[Run]] = {}
    for run in runs:
        if run.job:
            groups.setdefault(run.job, []).append(run)
    found = [_of(job, group) for job, group in groups.items()]
    return sorted(found, key=lambda row: (-(row.wh or 0.0), row.job))


def _of(job: str, runs: list[Run]) -> PartCost:
    good = [run for run in runs if run.result == "done"]
    pieces = None
    if all(run.pieces is not None for run in good):
        pieces = math.fsum(run.pieces or 0.0 for run in good)
    whs, costs = [r.wh for r in runs if r.wh is not None], [r.cost for r in runs if r.cost is not None]
    wh, cost = (math.fsum(part) if part else None for part in (whs, costs))
    return PartCost(
        job, len(runs), len(good), pieces, wh, cost, len(runs) - len(whs), _each(wh, pieces), _each(cost, pieces)
    )


def _each(amount: float | None, pieces: float | None) -> float | None:
    return None if amount is None or not pieces else amount / pieces


class PartsBook:
    """Builds that are over, by id; `pieces_of` says how many pieces a job's build has where no report says it."""

    def __init__(self, pieces_of: Mapping[str, float]) -> None:
        self._pieces_of = pieces_of
        self._runs: dict[str, Run] = {}
        self._table: list[PartCost] | None = None

    def add(self, build: str, run: Run) -> None:
        """Write or correct a build."""
        if run.pieces is None and run.job is not None:
            run = run._replace(pieces=self._pieces_of.get(run.job))
        if self._runs.get(build) != run:
            self._runs[build] = run
            self._table = None

    def drop(self, build: str) -> None:
        """Forget a build."""
        if self._runs.pop(build, None) is not None:
            self._table = None

    def table(self) -> list[PartCost]:
        """All jobs."""
        if self._table is None:
            self._table = per_job(self._runs.values())
        return self._table
