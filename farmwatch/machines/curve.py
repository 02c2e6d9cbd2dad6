"""What a machine's "42 %" means in time: a monotone curve from the claimed share to the true share.

Machines count bytes, layers, lines or their own guess of time, so that "50 %" may come after a third of the
build.  For one job the curve is nearly the same each time.  It is learnt per job, shrunk to its machine's,
that to the shop's, and that to the straight line; it never falls (pool adjacent violators: M. Ayer et al.,
"An empirical distribution function for sampling with incomplete information", 1955).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

KNOTS = (
    0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85,
    0.9, 0.95, 0.98, 1.0,
)  # fmt: skip
FADE = 0.9  # each new build of a job counts 1, the one before 0.9, ...: some ten builds are remembered
PARENT_WEIGHT = 1.5  # the parent curve counts as so many builds


def isotonic(values: Sequence[float], weights: Sequence[float]) -> list[float]:
    """Weighted least-squares fit that never falls (pool adjacent violators).  Weights above zero."""
    blocks: list[tuple[float, float, int]] = []
    for value, weight in zip(values, weights, strict=True):
        block = (value, weight, 1)
        while blocks and blocks[-1][0] > block[0]:
            mean, mass, count = blocks.pop()
            total = mass + block[1]
            block = ((mean * mass + block[0] * block[1]) / total, total, count + block[2])
        blocks.append(block)
    return [mean for mean, _, count in blocks for _ in range(count)]


def interpolate(knots: Sequence[float], values: Sequence[float], at: float) -> float:
    """Piecewise linear, constant outside the knots.  ``knots`` ascending."""
    index = bisect_right(knots, at)
    if index == 0:
        return values[0]
    if index == len(knots):
        return values[-1]
    left, right = knots[index - 1], knots[index]
    share = (at - left) / (right - left)
    return values[index - 1] + share * (values[index] - values[index - 1])


@dataclass(slots=True)
class Curve:
    """Mean true share at each knot of the claimed share, with the weight of evidence behind it."""

    means: list[float] = field(default_factory=lambda: list(KNOTS))
    weights: list[float] = field(default_factory=lambda: [0.0] * len(KNOTS))

    def learn(self, shares: Sequence[float | None], *, fade: float = FADE) -> None:
        """One finished build: the true share of time at which each knot was first reached (None unknown)."""
        for index, share in enumerate(shares):
            if share is None:
                continue
            old = self.weights[index] * fade
            self.weights[index] = old + 1.0
            self.means[index] += (share - self.means[index]) / (old + 1.0)

    def fitted(self, parent: Sequence[float] = KNOTS, weight: float = PARENT_WEIGHT) -> list[float]:
        """True share at each knot, never falling, within 0..1, shrunk to ``parent``."""
        raw = [
            (mean * mass + up * weight) / (mass + weight)
            for mean, mass, up in zip(self.means, self.weights, parent, strict=True)
        ]
        masses = [mass + weight for mass in self.weights]
        return [min(1.0, max(0.0, value)) for value in isotonic(raw, masses)]

    def as_list(self) -> list[list[float]]:
        """State for the journal."""
        return [[round(m, 5) for m in self.means], [round(w, 3) for w in self.weights]]

    @classmethod
    def from_list(cls, state: Sequence[Sequence[float]]) -> Curve:
        """Back from `as_list`; a state of another length is refused with ValueError."""
        means, weights = [float(v) for v in state[0]], [float(v) for v in state[1]]
        if len(means) != len(KNOTS) or len(weights) != len(KNOTS):
            raise ValueError(f"a stored progress curve must have {len(KNOTS)} knots")
        return cls(means, weights)


@dataclass(slots=True)
class Crossings:
    """When the claimed share first reached each knot, in seconds of run time, for one running build.

    Progress that runs backwards is ignored, as the highest claim counts; between two reports the crossing
    is interpolated.  Reports more than ``GAP_SHARE`` apart leave the knots between them unknown, except
    that a first report above zero means that watching began late: everything below it is unknown.
    """

    GAP_SHARE = 0.2

    reached: list[float | None] = field(default_factory=lambda: [None] * len(KNOTS))
    next_knot: int = 0
    top: float = -1.0
    top_at_s: float = 0.0
    seen_at_s: float = 0.0

    def observe(self, run_s: float, claim: float) -> bool:
        """One report; True if it raised the claim."""
        if claim <= self.top:
            self.seen_at_s = run_s
            return False
        first, before, before_s = self.top < 0.0, self.top, self.seen_at_s
        self.top, self.top_at_s, self.seen_at_s = claim, run_s, run_s
        while self.next_knot < len(KNOTS) and KNOTS[self.next_knot] <= claim:
            knot = KNOTS[self.next_knot]
            if first:
                self.reached[self.next_knot] = run_s if claim - knot < 0.005 else None
            elif claim - before <= self.GAP_SHARE:
                part = (knot - before) / (claim - before)
                self.reached[self.next_knot] = before_s + max(0.0, part) * (run_s - before_s)
            self.next_knot += 1
        return True

    def shares(self, total_s: float) -> list[float | None]:
        """True shares at the knots once the whole run time is known."""
        shares: list[float | None] = [None if at is None else min(1.0, max(0.0, at / total_s)) for at in self.reached]
        shares[0], shares[-1] = 0.0, 1.0
        return shares
