"""What earlier builds of a job say: how long it takes, and whether it has changed.

Runs that failed, were cancelled or whose end is unknown are kept as censored: they say "at least so long".
Old runs fade (each newer run of the job multiplies their weight by ``FADE``).  A job that keeps its name but
not its length is noticed by two runs in a row that agree with each other and not with the past; then the past
is dropped.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, NamedTuple

from farmwatch.machines.survival import Survival, kaplan_meier

KEEP_RUNS = 30
FADE = 0.9
KEY_LENGTH = 80
SPREAD_PRIOR = 0.03  # repeated builds of a job differ by 1 to 4 % (common practice, no source)
SPREAD_PRIOR_RUNS = 4.0
CHANGED_LEAST = 0.06  # smaller changes are left to fading
FACTOR_PRIOR_RUNS = 8.0
FACTOR_KEEP = 40.0


class Run(NamedTuple):
    """One run of a job: ``run_s`` without its pauses; ``observed`` False if it was cut short (censored)."""

    build: str
    machine: str
    ended_s: float
    run_s: float
    observed: bool
    planned_s: float | None


def job_key(job: str | None) -> str | None:
    """A key of bounded length: the name stripped, a long one cut and told apart by a digest; None if empty."""
    name = (job or "").strip()
    if not name:
        return None
    if len(name) <= KEY_LENGTH:
        return name
    digest = hashlib.blake2b(name.encode("utf-8", "surrogatepass"), digest_size=6).hexdigest()
    return f"{name[:KEY_LENGTH]}~{digest}"


def shown(job: str | None, length: int = 40) -> str:
    """A job's name for a sentence: one line, printable, bounded."""
    name = "".join(c if c.isprintable() else " " for c in (job or "").strip()[: 4 * length])
    name = " ".join(name.split())
    return name if len(name) <= length else name[: length - 1] + "\u2026"


@dataclass(slots=True)
class Factors:
    """How much slower or faster each machine is than the shop: mean of ln(run / the job's usual), shrunk."""

    sums: dict[str, list[float]] = field(default_factory=dict)

    def of(self, machine: str) -> float:
        """Ln of the machine's factor; 0 for a machine without history."""
        row = self.sums.get(machine)
        return 0.0 if row is None else row[0] / (row[1] + FACTOR_PRIOR_RUNS)

    def learn(self, machine: str, deviation: float) -> None:
        """One more ln(run / usual), the machine's own factor not taken out."""
        row = self.sums.setdefault(machine, [0.0, 0.0])
        keep = 1.0 - 1.0 / FACTOR_KEEP
        row[0] = row[0] * keep + min(0.2, max(-0.2, deviation))
        row[1] = row[1] * keep + 1.0


@dataclass(slots=True)
class JobHistory:
    """The runs of one job, oldest first, at most ``KEEP_RUNS``."""

    runs: list[Run] = field(default_factory=list)
    total: int = 0
    changed_s: float | None = None
    _survival: Survival | None = None
    _middle: float | None = None
    _spread: float = SPREAD_PRIOR
    finished: int = field(init=False)
    """How many kept runs went through to the end."""

    def __post_init__(self) -> None:
        self._count()

    def _count(self) -> None:
        self.finished = sum(run.observed for run in self.runs)

    def add(self, run: Run, factors: Factors) -> bool:
        """One more run; True if the job was found to have changed its length."""
        changed = run.observed and self._changed_by(run, factors)
        if changed:
            last = next(r for r in reversed(self.runs) if r.observed)
            self.runs = [last]
            self.changed_s = run.ended_s
        self.runs.append(run)
        self.total += 1
        del self.runs[:-KEEP_RUNS]
        self._survival = None
        self._count()
        return changed

    def _changed_by(self, run: Run, factors: Factors) -> bool:
        past = [r for r in self.runs if r.observed]
        if len(past) < 2:
            return False
        logs = [math.log(r.run_s) - factors.of(r.machine) for r in past]
        new = math.log(run.run_s) - factors.of(run.machine)
        middle = median(logs[:-1])
        limit = max(4.0 * self.spread(factors), CHANGED_LEAST)
        near = abs(new - logs[-1]) < 0.5 * min(abs(new - middle), abs(logs[-1] - middle))
        return near and min(abs(new - middle), abs(logs[-1] - middle)) > limit

    def forget(self, build: str) -> Run | None:
        """Take out a run (its result was revised); returns it."""
        for index, run in enumerate(self.runs):
            if run.build == build:
                self._survival = None
                self.runs.pop(index)
                self._count()
                return run
        return None

    def survival(self, factors: Factors) -> Survival:
        """Product-limit estimate of the run time in s on a machine of factor 1, old runs faded."""
        if self._survival is None:
            self._refresh(factors)
        return self._survival if self._survival is not None else kaplan_meier([], [])

    def middle(self, factors: Factors) -> float | None:
        """The usual run time in s on a machine of factor 1; None before a run went through."""
        self.survival(factors)
        return self._middle

    def spread(self, factors: Factors) -> float:
        """Relative spread of the run time, shrunk to the usual one."""
        self.survival(factors)
        return self._spread

    def _refresh(self, factors: Factors) -> None:
        times = [run.run_s * math.exp(-factors.of(run.machine)) for run in self.runs]
        weights = [FADE ** (len(self.runs) - 1 - index) for index in range(len(self.runs))]
        flags = [run.observed for run in self.runs]
        self._survival = kaplan_meier(times, flags, weights)
        logs = [math.log(t) for t, ok in zip(times, flags, strict=True) if ok]
        if not logs:
            self._middle, self._spread = None, SPREAD_PRIOR
            return
        centre = median(logs)
        kept = [w for w, ok in zip(weights, flags, strict=True) if ok]
        # Far runs are pulled in: a spoilt run that was taken for a good one must not move the mean.
        limit = max(3.0 * 1.4826 * median(abs(v - centre) for v in logs), 0.02)
        pulled = [centre + min(limit, max(-limit, v - centre)) for v in logs]
        mass = sum(kept)
        self._middle = math.exp(sum(w * v for w, v in zip(kept, pulled, strict=True)) / mass)
        squares = sum(w * (v - math.log(self._middle)) ** 2 for w, v in zip(kept, pulled, strict=True))
        prior = SPREAD_PRIOR**2 * SPREAD_PRIOR_RUNS
        self._spread = math.sqrt((squares + prior) / (max(0.0, mass - 1.0) + SPREAD_PRIOR_RUNS))

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        return {"runs": [run_to(run) for run in self.runs], "total": self.total, "changed_s": self.changed_s}

    @classmethod
    def from_dict(cls, state: Mapping[str, Any]) -> JobHistory:
        """Back from `as_dict`."""
        runs = [run_from(row) for row in state.get("runs", ())]
        return cls(runs, int(state.get("total", len(runs))), state.get("changed_s"))


def run_to(run: Run) -> list[Any]:
    """A run for the journal."""
    return [run.build, run.machine, round(run.ended_s), round(run.run_s, 1), int(run.observed), run.planned_s]


def run_from(row: Sequence[Any]) -> Run:
    """Back from `run_to`."""
    build, machine, ended_s, run_s, observed, planned_s = row
    return Run(str(build), str(machine), float(ended_s), float(run_s), bool(observed), planned_s)
