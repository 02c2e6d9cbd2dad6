"""Scaled residuals of builds that are over, by class and stage, and the bounds that follow from them.

A finished build leaves at most one residual, (true end - said end) / said error, for each class and stage.
The oldest builds go first when a class is full.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from farmwatch.machines import conformal
from farmwatch.machines.errors import STAGES

KEPT = 160  # builds kept per class
GOALS = (0.2, 0.05)  # shares of misses: the 80 % and the 95 % interval
FEW = 9  # below it a stage's own residuals say nothing
ENOUGH = 39  # residuals from which a stage needs no neighbours: both tails of 95 %


Bounds = tuple[tuple[float, float], tuple[float, float], float]
"""Of the 80 % and the 95 % interval, and the middle; in scales from what is said."""


@dataclass(slots=True)
class Residuals:
    """Residuals by build (class -> stage and residual), and sorted by class and stage."""

    builds: dict[str, dict[str, list[tuple[int, float]]]] = field(default_factory=dict)
    levels: dict[float, conformal.AdaptiveLevel] = field(
        default_factory=lambda: {goal: conformal.AdaptiveLevel(goal) for goal in GOALS}
    )
    _sorted: dict[str, list[list[float]]] = field(default_factory=dict)
    _order: dict[str, list[str]] = field(default_factory=dict)
    _pools: dict[tuple[str, int], list[float]] = field(default_factory=dict)
    _told: dict[tuple[str, int, int], Bounds] = field(default_factory=dict)

    def add(self, build: str, kind: str, scores: Iterable[tuple[int, float]]) -> set[str]:
        """A build's residuals of one class; returns the builds whose entry changed."""
        new = [(stage, round(score, 3)) for stage, score in scores]
        if not new:
            return set()
        changed = {build}
        entry = self.builds.setdefault(build, {})
        order = self._order.setdefault(kind, [])
        if kind not in entry:
            order.append(build)
        entry.setdefault(kind, []).extend(new)
        rows = self._sorted.setdefault(kind, [[] for _ in range(STAGES)])
        for stage, score in new:
            insort(rows[stage], score)
        while len(order) > KEPT:
            changed.add(self._drop(order.pop(0), kind))
        self._pools.clear()
        self._told.clear()
        return changed

    def forget(self, build: str) -> None:
        """Take a build's residuals out."""
        for kind in tuple(self.builds.get(build, ())):
            self._order[kind].remove(build)
            self._drop(build, kind)
        self._pools.clear()
        self._told.clear()

    def learn(self, goal: float, missed: float) -> None:
        """The share of a build's intervals that missed."""
        self.levels[goal].learn(missed)
        self._told.clear()

    def _drop(self, build: str, kind: str) -> str:
        for stage, score in self.builds[build].pop(kind):
            row = self._sorted[kind][stage]
            row.pop(bisect_right(row, score) - 1)
        if not self.builds[build]:
            del self.builds[build]
        return build

    def told(self, kind: str, stage: int, least: float) -> Bounds:
        """Bounds and middle of a class and stage, of the residuals above what is ruled out already."""
        scores = self._pool(kind, stage)
        out = bisect_right(scores, least) if scores and scores[0] <= least else 0
        found = self._told.get((kind, stage, out))
        if found is None:
            found = self._told[kind, stage, out] = self._bounds(scores[out:])
        return found

    def _bounds(self, scores: list[float]) -> Bounds:
        inner, outer = (self.bounds(scores, goal) for goal in GOALS)
        half = len(scores) // 2
        middle = 0.0
        if len(scores) >= FEW:
            middle = scores[half] if len(scores) % 2 else 0.5 * (scores[half - 1] + scores[half])
        return inner, outer, middle

    def _pool(self, kind: str, stage: int) -> list[float]:
        rows = self._sorted.get(kind)
        if rows is None:
            return []
        scores = rows[stage]
        if len(scores) >= ENOUGH:
            return scores
        found = self._pools.get((kind, stage))
        if found is None:
            near = rows[max(0, stage - 1) : stage + 2]
            pooled = sorted(score for row in near for score in row)
            found = scores
            if len(scores) < FEW or len(pooled) > 2 * len(scores):
                # Several residuals of one build are not several builds: thin to as many as there are builds.
                most = max(map(len, near))
                found = pooled[:: max(1, len(pooled) // max(1, most))]
            self._pools[kind, stage] = found
        return found

    def bounds(self, scores: Sequence[float], goal: float) -> tuple[float, float]:
        """Residuals between which the next one lies with probability 1 - goal; infinite where n is short."""
        alpha = self.levels[goal].level
        if len(scores) >= 2.0 / goal - 1.0:
            return conformal.lower(scores, alpha / 2.0), conformal.upper(scores, alpha / 2.0)
        bound = conformal.upper(sorted(map(abs, scores)), alpha)
        return -bound, bound
