"""How wrong each source was: learnt per source and per stage of the build, on three levels.

Shop, machine, job: each level is shrunk to the one above.  Priors are common practice, no source; they fade
within a few builds.
"""

from __future__ import annotations

import zlib
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field

EDGES = (0.0, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95)  # stages of a build by its estimated share
STAGES = len(EDGES)

# Root mean squared relative error of the run time before anything is learnt, per stage; common practice, no source.
PRIORS: dict[str, tuple[float, ...]] = {
    "history": (0.04,) * STAGES,
    "plan": (0.06,) * STAGES,
    "plan new": (0.20,) * STAGES,
    "progress": (0.20, 0.06, 0.04, 0.025, 0.018, 0.012, 0.008, 0.005),
    "progress elsewhere": (0.40, 0.20, 0.12, 0.08, 0.05, 0.03, 0.02, 0.01),
    "remaining": (0.10, 0.06, 0.045, 0.03, 0.02, 0.014, 0.008, 0.005),
    "remaining elsewhere": (0.20, 0.12, 0.09, 0.06, 0.04, 0.028, 0.015, 0.01),
    "shop": (0.9,) * STAGES,
}
ERROR_RUNS = 12.0  # builds remembered by an error or a ratio
SHRINK = 2.5  # builds that the level above counts for


@dataclass(slots=True)
class Errors:
    """Mean squared relative error and mean ln ratio per source and stage, with their weight in builds."""

    rows: dict[str, list[list[float]]] = field(default_factory=dict)

    def learn(self, source: str, stage: int, error: float) -> None:
        """One build's relative error of the run time by this source at this stage."""
        bounded = min(1.0, abs(error))
        self._take(source, stage, bounded * bounded)

    def ratio(self, source: str, stage: int, log_ratio: float) -> None:
        """One build's ln(true / said) by this source at this stage."""
        self._take(source, stage, min(2.0, max(-2.0, log_ratio)))

    def _take(self, source: str, stage: int, value: float) -> None:
        row = self.rows.setdefault(source, [[0.0, 0.0] for _ in range(STAGES)])[stage]
        row[0] += (value - row[0]) / (row[1] + 1.0)
        row[1] = min(ERROR_RUNS, row[1] + 1.0)

    def get(self, source: str, stage: int) -> tuple[float, float]:
        """Mean and weight."""
        rows = self.rows.get(source)
        return (0.0, 0.0) if rows is None else (rows[stage][0], rows[stage][1])

    def rounded(self) -> dict[str, list[list[float]]]:
        """State for the journal."""
        return {
            source: [[round(mean, 6), round(weight, 1)] for mean, weight in rows] for source, rows in self.rows.items()
        }


def shrunk(levels: Iterable[Errors], source: str, stage: int, prior: float) -> float:
    """Mean at the most special level, each level shrunk to the one above; ``levels`` from shop to job."""
    value = prior
    for level in levels:
        mean, weight = level.get(source, stage)
        value = (mean * weight + value * SHRINK) / (weight + SHRINK)
    return value


def stage_of(share: float) -> int:
    """Stage of a build by its estimated share of time."""
    return max(0, bisect_right(EDGES, share) - 1)


def drawn(build: str, stage: int) -> float:
    """The share within a stage at which this build is looked at: uniform, fixed by the build's id."""
    low = EDGES[stage]
    high = EDGES[stage + 1] if stage + 1 < STAGES else 1.0
    return low + (high - low) * (zlib.crc32(f"{build}/{stage}".encode()) % 9973 / 9973.0)
