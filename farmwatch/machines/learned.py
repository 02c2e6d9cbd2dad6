"""Everything that outlives a build: jobs, errors, curves, factors, residuals; as rows for the journal.

Rows: "shop", "machine:M", "job:J", and "past:B" for what one finished build left to the shop (its run and
its residuals), so that the end of a build writes little.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from farmwatch.machines.curve import KNOTS, Curve
from farmwatch.machines.errors import Errors
from farmwatch.machines.history import Factors, JobHistory, Run, run_from, run_to
from farmwatch.machines.pace import Mix, Rates
from farmwatch.machines.residuals import Residuals
from farmwatch.machines.survival import Survival, kaplan_meier

SHOP_KEPT = 200  # runs behind the distribution of all builds


@dataclass(slots=True)
class Job:
    """What is known of a job: its runs, its progress curve, the errors made on it."""

    history: JobHistory = field(default_factory=JobHistory)
    curve: Curve = field(default_factory=Curve)
    errors: Errors = field(default_factory=Errors)
    here: dict[str, Curve] = field(default_factory=dict)  # by machine: two may count progress differently


@dataclass(slots=True)
class Place:
    """What is known of a machine, or of the shop as a whole."""

    errors: Errors = field(default_factory=Errors)
    rates: Rates = field(default_factory=Rates)
    curve: Curve = field(default_factory=Curve)


class Learned:
    """The shop's memory.  ``version`` rises with everything that is learnt."""

    def __init__(self) -> None:
        self.shop = Place()
        self.machines: dict[str, Place] = {}
        self.factors = Factors()
        self.residuals = Residuals()
        self.builds = 0
        self.version = 0
        self.changed: set[str] = set()
        self.mixes: dict[tuple[str, str, int, tuple[bool, ...]], tuple[int, Mix]] = {}  # by machine, class, stage
        self.runs: dict[str, Run] = {}
        self.ended: dict[str, float] = {}
        self._jobs: dict[str, Job] = {}
        self._raw_jobs: dict[str, Mapping[str, Any]] = {}
        self._survival: Survival | None = None

    # -- jobs --------------------------------------------------------------------------------------------

    def job(self, key: str) -> Job:
        """A job's entry, a new one where there is none; read from its row when first asked for."""
        job = self._jobs.get(key)
        if job is None:
            raw = self._raw_jobs.pop(key, None)
            job = self._jobs[key] = Job() if raw is None else _job_from(raw)
        return job

    def known(self, key: str | None) -> Job | None:
        """A job of which a build went through; None for any other."""
        if key is None or (key not in self._jobs and key not in self._raw_jobs):
            return None
        job = self.job(key)
        return job if job.history.finished else None

    def jobs(self) -> list[tuple[str, Job]]:
        """All jobs by key."""
        return [(key, self.job(key)) for key in (*self._raw_jobs, *self._jobs)]

    def machine(self, name: str) -> Place:
        """A machine's entry, a new one where there is none."""
        return self.machines.setdefault(name, Place())

    def levels(self, machine: str, job: Job | None) -> tuple[Errors, ...]:
        """Error rows from shop to job."""
        place = self.machines.get(machine)
        found = [self.shop.errors] if place is None else [self.shop.errors, place.errors]
        return tuple(found) if job is None else (*found, job.errors)

    def rates(self, machine: str) -> tuple[Rates, ...]:
        """Rows of the rates' errors, shop and machine."""
        place = self.machines.get(machine)
        return (self.shop.rates,) if place is None else (self.shop.rates, place.rates)

    def fitted(self, machine: str, job: Job | None) -> list[float]:
        """True share of time at each knot of the claimed share, for a job on a machine."""
        curve = self.shop.curve.fitted(KNOTS, 3.0)
        place = self.machines.get(machine)
        if place is not None:
            curve = place.curve.fitted(curve, 3.0)
        if job is not None:
            curve = job.curve.fitted(curve, 0.6)
            here = job.here.get(machine)
            curve = curve if here is None else here.fitted(curve, 0.2)
        return curve

    # -- all builds --------------------------------------------------------------------------------------

    def add_run(self, run: Run) -> None:
        """One more build of any job; the oldest of too many go."""
        self.runs[run.build] = run
        self.ended[run.build] = run.ended_s
        self.changed.add(f"past:{run.build}")
        while len(self.runs) > SHOP_KEPT:
            oldest = next(iter(self.runs))
            del self.runs[oldest]
            self.changed.add(f"past:{oldest}")
        self._survival = None

    def score(self, build: str, at_s: float, kind: str, scores: Iterable[tuple[int, float]]) -> None:
        """Residuals that a build left, which ended at ``at_s``."""
        self.ended.setdefault(build, at_s)
        self.changed |= {f"past:{name}" for name in self.residuals.add(build, kind, scores)}

    def forget(self, build: str) -> None:
        """A build's end was none: its run and residuals go."""
        for key, job in self.jobs():
            if job.history.forget(build) is not None:
                job.history.total -= 1
                self.changed.add(f"job:{key}")
        run = self.runs.pop(build, None)
        if run is not None and run.observed:
            self.builds -= 1
        self.residuals.forget(build)
        self.changed |= {f"past:{build}", "shop"}
        self._survival = None
        self.version += 1

    def revise(self, build: str, *, observed: bool) -> None:
        """The result of an ended build was corrected."""
        for key, job in self.jobs():
            run = job.history.forget(build)
            if run is not None:
                job.history.add(run._replace(observed=observed), self.factors)
                job.history.total -= 1
                self.changed.add(f"job:{key}")
        if build in self.runs:
            self.runs[build] = self.runs[build]._replace(observed=observed)
            self.changed.add(f"past:{build}")
        self._survival = None
        self.version += 1

    def survival(self) -> Survival:
        """How long builds of any job last, in s."""
        if self._survival is None:
            runs = self.runs.values()
            self._survival = kaplan_meier([r.run_s for r in runs], [r.observed for r in runs])
        return self._survival

    # -- journal -----------------------------------------------------------------------------------------

    def keys(self) -> list[str]:
        """Names of all rows."""
        past = dict.fromkeys((*self.runs, *self.residuals.builds))
        return [
            "shop",
            *(f"machine:{name}" for name in self.machines),
            *(f"job:{key}" for key in (*self._jobs, *self._raw_jobs)),
            *(f"past:{build}" for build in past),
        ]

    def write(self, key: str) -> Any:  # noqa: ANN401 - a JSON tree
        """A row; None for one that is gone."""
        kind, _, name = key.partition(":")
        if kind == "shop":
            return _place_to(self.shop) | {
                "builds": self.builds,
                "levels": {str(goal): level.alpha for goal, level in self.residuals.levels.items()},
            }
        if kind == "machine":
            row = _place_to(self.machines.get(name, Place()))
            return row | {"factor": self.factors.sums.get(name, [0.0, 0.0])}
        if kind == "past":
            run, scores = self.runs.get(name), self.residuals.builds.get(name)
            if run is None and scores is None:
                self.ended.pop(name, None)
                return None
            left = None if run is None else run_to(run)[1:]
            return {"at": round(self.ended[name]), "run": left, "scores": scores or {}}
        if name in self._raw_jobs:
            return self._raw_jobs[name]
        return _job_to(self._jobs[name]) if name in self._jobs else None

    def read(self, key: str, row: Mapping[str, Any]) -> None:
        """Take back a row of `write`."""
        kind, _, name = key.partition(":")
        if kind == "job":
            self._raw_jobs[name] = row
        elif kind == "shop":
            self.shop, self.builds = _place_from(row), int(row["builds"])
            for goal, level in self.residuals.levels.items():
                level.alpha = float(row["levels"].get(str(goal), goal))
        elif kind == "machine":
            self.machines[name] = _place_from(row)
            self.factors.sums[name] = [float(v) for v in row["factor"]]
        elif kind == "past":
            self.ended[name] = float(row["at"])
            if row["run"] is not None:
                self.runs[name] = run_from([name, *row["run"]])
            for scores_kind, scores in row["scores"].items():
                self.residuals.add(name, scores_kind, [(int(stage), float(score)) for stage, score in scores])


def _place_to(place: Place) -> dict[str, Any]:
    return {"errors": place.errors.rounded(), "rates": place.rates.as_dict(), "curve": place.curve.as_list()}


def _place_from(row: Mapping[str, Any]) -> Place:
    curve = row.get("curve")
    return Place(
        Errors(row["errors"]), Rates.from_dict(row.get("rates", {})), Curve.from_list(curve) if curve else Curve()
    )


def _job_to(job: Job) -> dict[str, Any]:
    return {
        "history": job.history.as_dict(),
        "curve": job.curve.as_list(),
        "errors": job.errors.rounded(),
        "here": {machine: curve.as_list() for machine, curve in job.here.items()},
    }


def _job_from(raw: Mapping[str, Any]) -> Job:
    here = {str(machine): Curve.from_list(curve) for machine, curve in raw.get("here", {}).items()}
    return Job(JobHistory.from_dict(raw["history"]), Curve.from_list(raw["curve"]), Errors(raw["errors"]), here)
