"""The parts that `eta` combines: opinions on a build's length, their learnt errors, and what is kept of a build.

Errors and ratios are learnt per source and per stage of the build, on three levels (shop, machine, job), each
shrunk to the one above.  Priors are common practice, no source; they fade within a few builds.
"""

from __future__ import annotations

import math
import zlib
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from farmwatch.machines.curve import Crossings, Curve
from farmwatch.machines.history import JobHistory

EDGES = (0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95)  # stages of a build by its estimated share
STAGES = len(EDGES)

# Root mean squared relative error of D before anything is learnt, per stage; common practice, no source.
PRIORS: dict[str, tuple[float, ...]] = {
    "history": (0.04,) * STAGES,
    "plan": (0.06,) * STAGES,
    "plan new": (0.20,) * STAGES,
    "progress": (0.20, 0.06, 0.04, 0.025, 0.018, 0.012, 0.008, 0.005),
    "progress elsewhere": (0.40, 0.20, 0.12, 0.08, 0.05, 0.03, 0.02, 0.01),
    "progress new": (0.60, 0.40, 0.25, 0.16, 0.10, 0.06, 0.03, 0.015),
    "remaining": (0.10, 0.06, 0.045, 0.03, 0.02, 0.014, 0.008, 0.005),
    "remaining elsewhere": (0.20, 0.12, 0.09, 0.06, 0.04, 0.028, 0.015, 0.01),
    "remaining new": (0.30, 0.25, 0.18, 0.12, 0.08, 0.05, 0.025, 0.012),
    "shop": (0.9,) * STAGES,
}
ERROR_RUNS = 12.0  # builds remembered by an error or a ratio
SHRINK = 2.5  # builds that the level above counts for

WORDS = {
    "remaining": "reported remaining time",
    "progress": "reported progress",
    "history": "earlier builds",
    "plan": "planned time",
    "shop": "all builds",
}


@dataclass(frozen=True, slots=True)
class Estimate:
    """Finish times in epoch seconds, None where no interval can honestly be given.

    ``basis`` says in words what it rests on, ``builds`` on how many; ``overdue_s`` how far a build runs
    beyond what was expected of it, None while it does not.
    """

    p025_s: float | None
    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    p975_s: float | None
    basis: str
    builds: int
    overdue_s: float | None


@dataclass(slots=True)
class Errors:
    """Mean squared relative error and mean ln ratio per source and stage, with their weight in builds."""

    rows: dict[str, list[list[float]]] = field(default_factory=dict)

    def learn(self, source: str, stage: int, error: float) -> None:
        """One build's relative error of D by this source at this stage."""
        row = self.rows.setdefault(source, [[0.0, 0.0] for _ in range(STAGES)])[stage]
        bounded = min(1.0, abs(error))
        row[0] += (bounded * bounded - row[0]) / (row[1] + 1.0)
        row[1] = min(ERROR_RUNS, row[1] + 1.0)

    def ratio(self, source: str, stage: int, log_ratio: float) -> None:
        """One build's ln(true / said) by this source at this stage."""
        row = self.rows.setdefault(source, [[0.0, 0.0] for _ in range(STAGES)])[stage]
        row[0] += (min(2.0, max(-2.0, log_ratio)) - row[0]) / (row[1] + 1.0)
        row[1] = min(ERROR_RUNS, row[1] + 1.0)

    def get(self, source: str, stage: int) -> tuple[float, float]:
        """Mean and weight."""
        rows = self.rows.get(source)
        return (0.0, 0.0) if rows is None else (rows[stage][0], rows[stage][1])


def shrunk(levels: Iterable[Errors], source: str, stage: int, prior: float) -> float:
    """Mean at the most special level, each level shrunk to the one above; ``levels`` from shop to job."""
    value = prior
    for level in levels:
        mean, weight = level.get(source, stage)
        value = (mean * weight + value * SHRINK) / (weight + SHRINK)
    return value


@dataclass(slots=True)
class Job:
    """What is known of a job: its runs, its progress curve, the errors made on it."""

    history: JobHistory = field(default_factory=JobHistory)
    curve: Curve = field(default_factory=Curve)
    errors: Errors = field(default_factory=Errors)
    here: dict[str, Curve] = field(default_factory=dict)  # by machine: two may count progress differently


@dataclass(slots=True)
class Shot:
    """What was said at one instant of a running build: kept until its end shows how right it was."""

    stage: int
    at_s: float
    run_s: float
    said: dict[str, float]
    reported_s: float | None
    finish_s: float
    scale_s: float
    kind: str
    bounds: list[float | None]


@dataclass(slots=True)
class Running:
    """One running build."""

    machine: str
    key: str | None
    name: str
    start_s: float
    planned_s: float | None
    paused_s: float = 0.0
    pause_from_s: float | None = None
    last_s: float = 0.0
    step: float = 0.0
    crossings: Crossings = field(default_factory=Crossings)
    claim: float | None = None
    claim_at_s: float = 0.0
    remaining_s: float | None = None
    remaining_at_s: float = 0.0
    remaining_run_s: float = 0.0
    shots: dict[int, Shot] = field(default_factory=dict)
    next_shot_s: float = 0.0
    fitted: list[float] | None = None
    cached: Estimate | None = None
    cached_at_s: float = -math.inf

    def run_s(self, now_s: float) -> float:
        """Seconds run so far, pauses taken out; never negative."""
        end_s = now_s if self.pause_from_s is None else min(now_s, self.pause_from_s)
        return max(0.0, end_s - self.start_s - self.paused_s)


@dataclass(frozen=True, slots=True)
class Opinion:
    """One source's opinion on the whole run time, and its relative error."""

    source: str
    total_s: float
    error: float


@dataclass(frozen=True, slots=True)
class Blend:
    """The combination of the opinions at one instant."""

    total_s: float
    scale_s: float
    stage: int
    kind: str
    opinions: tuple[Opinion, ...]
    expected_s: float  # the run time that was expected before it was known that the build still runs


def stage_of(share: float) -> int:
    """Stage of a build by its estimated share of time."""
    return max(0, bisect_right(EDGES, share) - 1)


def drawn(build: str, stage: int) -> float:
    """The share within a stage at which this build is looked at: uniform, fixed by the build's id."""
    low = EDGES[stage]
    high = EDGES[stage + 1] if stage + 1 < STAGES else 1.0
    return low + (high - low) * (zlib.crc32(f"{build}/{stage}".encode()) % 9973 / 9973.0)


def error_row(source: str, job: Job | None, machine: str) -> str:
    """Name of the error row of a source: reports of a job seen here, seen on other machines only, or new."""
    if source in {"history", "shop"}:
        return source
    if job is None:
        return source + " new"
    return source if source == "plan" or machine in job.here else source + " elsewhere"


def class_of(said: dict[str, float], job: Job | None) -> str:
    """Class of estimates whose residuals are alike."""
    reports = "remaining" in said or "progress" in said
    if job is not None:
        return "reports, known" if reports else "known"
    return "reports, new" if reports else "new"


def combine(opinions: list[Opinion], run_s: float, stage: int, kind: str, expected_s: float) -> Blend:
    """Mean weighted by inverse variance; its error grows where the opinions contradict (Birge's ratio)."""
    if not opinions:
        return Blend(run_s, 1.0, stage, kind, (), expected_s)
    weights = [1.0 / max(o.error * o.total_s, 1.0) ** 2 for o in opinions]  # no word is surer than a second
    mass = sum(weights)
    total_s = sum(w * o.total_s for w, o in zip(weights, opinions, strict=True)) / mass
    variance = 1.0 / mass
    if len(opinions) > 1:
        chi = sum(w * (o.total_s - total_s) ** 2 for w, o in zip(weights, opinions, strict=True))
        variance *= max(1.0, chi / (len(opinions) - 1))
    return Blend(total_s, max(math.sqrt(variance), 1.0), stage, kind, tuple(opinions), expected_s or total_s)


def instants(
    pair: tuple[float, float], finish_s: float, scale_s: float, now_s: float
) -> tuple[float | None, float | None]:
    """Scaled residuals as instants, never before now; None where a bound is infinite."""
    low, high = pair
    if not (math.isfinite(low) and math.isfinite(high)):
        return None, None
    return max(now_s, finish_s + low * scale_s), max(now_s, finish_s + high * scale_s)


def middle_of(scores: list[float]) -> float:
    """Median of an ascending list that is not empty."""
    half = len(scores) // 2
    return scores[half] if len(scores) % 2 else 0.5 * (scores[half - 1] + scores[half])


def overdue(blend: Blend, run_s: float) -> float | None:
    """Seconds beyond what was expected, unless the machine itself reports that more is to come."""
    late_s = run_s - blend.expected_s
    reported = any(o.source in {"remaining", "progress"} and o.total_s > 1.02 * run_s for o in blend.opinions)
    return late_s if late_s > blend.scale_s and not reported else None


def rounded(errors: Errors) -> dict[str, list[list[float]]]:
    """Errors for the journal."""
    return {
        source: [[round(mean, 7), round(weight, 1)] for mean, weight in rows] for source, rows in errors.rows.items()
    }


def job_from(raw: Mapping[str, Any]) -> Job:
    """A job from its journal row."""
    here = {str(machine): Curve.from_list(curve) for machine, curve in raw.get("here", {}).items()}
    return Job(JobHistory.from_dict(raw["history"]), Curve.from_list(raw["curve"]), Errors(raw["errors"]), here)


PLAIN = (
    "machine", "key", "name", "start_s", "planned_s", "paused_s", "pause_from_s", "last_s", "step", "claim",
    "claim_at_s", "remaining_s", "remaining_at_s", "remaining_run_s", "next_shot_s",
)  # fmt: skip


def running_to(running: Running) -> dict[str, Any]:
    """A running build as a journal row."""
    c = running.crossings
    row: dict[str, Any] = {name: getattr(running, name) for name in PLAIN}
    row["crossings"] = [c.reached, c.next_knot, c.top, c.top_at_s, c.seen_at_s]
    row["shots"] = [
        [s.stage, s.at_s, s.run_s, s.said, s.reported_s, s.finish_s, s.scale_s, s.kind, s.bounds]
        for s in running.shots.values()
    ]
    return row


def running_from(row: Mapping[str, Any]) -> Running:
    """A running build from its journal row."""
    running = Running(row["machine"], row["key"], row["name"], row["start_s"], row["planned_s"])
    for name in PLAIN[5:]:
        setattr(running, name, row[name])
    running.crossings = Crossings(*row["crossings"])
    running.shots = {shot[0]: Shot(*shot) for shot in row["shots"]}
    return running
