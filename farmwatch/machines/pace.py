"""How long a job that was never seen still takes, by what the machine says of it and by the pace it keeps.

Four rates, each a remaining time R:

=========  ==========================================================================================
progress   the share to come at the mean pace so far
pace       the share to come at the pace of the last stretch that ran evenly
remaining  the machine's own remaining time
plan       the planned time less what has run
=========  ==========================================================================================

They err together (a file's planned time is behind the reported remaining time, the mean pace holds the last
steps), so that they are combined as the best linear unbiased combination of ln R with the covariance of their
past errors (J. Bates and C. Granger, "The combination of forecasts", 1969), weights never below zero.  Errors
are learnt per stage of the build, shop and machine, from every build as if its job were new.  A build whose
progress has run evenly so far is a class of its own: it will rather go on evenly.  So is, from half of the build
on, one whose pace has changed a short while ago: its new pace will rather last than one that has lasted long.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from farmwatch.machines.errors import SHRINK

SOURCES = ("progress", "pace", "remaining", "plan")
PAIRS = tuple((i, j) for i in range(len(SOURCES)) for j in range(i, len(SOURCES)))
DIAGONAL = tuple(PAIRS.index((i, i)) for i in range(len(SOURCES)))
PLACE = {pair: k for k, pair in enumerate(PAIRS)} | {(j, i): k for k, (i, j) in enumerate(PAIRS)}
KINDS = ("even", "uneven", "turned")

KEEP = 56  # steps of the progress kept
LAST = 20  # of them the last ones, unthinned
SPACING = 0.004  # claims closer than this are one step
STRETCH = (0.01, 0.3)  # the recent pace looks back over this share of the run, at least and at most
LEAST_GAPS = 3.0  # and over so many reports
OVERRUN = 0.5  # what stands at its last step beyond its time takes half as long again (common practice, no source)
STUCK_S, STUCK_STEPS = 60.0, 3.0  # a claim that stands still for so long and so many of its steps is stuck
EVEN = 0.15  # root mean squared deviation of ln pace below which progress runs evenly
TURNED = 0.08  # the last even stretch is shorter than this share of the run: the pace has just changed
TURNED_STAGE = 4  # before this stage of a build, how long its pace has lasted says nothing yet
CHUNKS = 6
LOOK_AGAIN = 0.06  # of the claim, until evenness is measured anew
MOST_STEP = 0.1  # a build moves the middle of the errors by no more than this, over its weight
WORST = 0.6  # a larger |ln(said / true)| counts as this
RUNS = (60.0, 24.0)  # builds remembered by shop and machine

# Standard deviation of ln(R said / R true) before anything is learnt (common practice, no source).
PRIOR_SD = {"even": (0.12, 0.2, 0.25, 0.5), "uneven": (0.3, 0.45, 0.3, 0.5), "turned": (0.3, 0.45, 0.3, 0.5)}
PRIOR_CORRELATION = 0.3


@dataclass(slots=True)
class Pace:
    """The steps of the reported progress of one running build: (run time in s, claim), rising in both.

    A step is dated half-way between the report that shows it and the one before.
    """

    steps: list[tuple[float, float]] = field(default_factory=list)
    top: float = -1.0
    top_s: float = 0.0
    seen_s: float = 0.0
    gap_s: float = 10.0  # usual time between reports
    lasted_s: float = math.inf  # length of the stretch that `recent_s` found last
    _even_at: float = -1.0
    _even: float | None = None

    def observe(self, run_s: float, claim: float) -> None:
        """One report.  A claim that does not rise only says that the step is still to come."""
        seen_s, top = self.seen_s, self.top
        gap_s = run_s - seen_s
        if gap_s > 0.0 and top >= 0.0:
            self.gap_s += 0.1 * ((min(900.0, gap_s)) - self.gap_s)
        if claim > top:
            at_s = run_s if top < 0.0 else seen_s + 0.5 * gap_s
            steps = self.steps
            if not steps or claim - steps[-1][1] >= SPACING:
                steps.append((at_s, claim))
                if len(steps) > KEEP:
                    self.steps = steps[:-LAST:2] + steps[-LAST:]
            self.top, self.top_s = claim, at_s
        self.seen_s = run_s

    def mean_s(self, run_s: float, step: float) -> float | None:
        """Remaining time at the mean pace so far; None before the first step."""
        top, at_s = self.top, self.top_s
        if not 0.0 < top <= 1.0 or at_s <= 0.0:
            return None
        left_s = at_s * (1.0 - top) / top - (run_s - at_s)
        due = top + step  # not reached yet: the pace is at most this
        return max(left_s, run_s * (1.0 - due) / due if due < 1.0 else -OVERRUN * left_s)

    def recent_s(self, run_s: float, step: float) -> float | None:
        """Remaining time at the pace of the last stretch that ran evenly; None before the second step.

        Each step is dated to half a gap between reports: the stretch goes back for as long as one straight line
        from the last step meets all of them so.  (The swing filter of H. Elmeleegy et al., "Online piece-wise
        linear approximation of numerical streams with precision guarantees", VLDB 2009; from memory.)
        """
        top, at_s, slack_s = self.top, self.top_s, 0.5 * self.gap_s
        most_s = STRETCH[1] * run_s
        least_s = min(most_s, max(STRETCH[0] * run_s, LEAST_GAPS * self.gap_s))
        low, high, length_s, share = 0.0, math.inf, 0.0, 0.0
        for back_s, claim in reversed(self.steps):
            span_s, span = at_s - back_s, top - claim
            if span_s <= 0.0 or span <= 0.0:
                continue
            fast, slow = (span_s - slack_s) / span, (span_s + slack_s) / span
            if length_s >= least_s and (span_s > most_s or fast > high or slow < low):
                break
            low, high = max(low, fast), min(high, slow)
            if low > high:
                low, high = fast, slow
            length_s, share = span_s, span
        if share <= 0.0:
            return None
        self.lasted_s = length_s
        left_s = (1.0 - top) * length_s / share - (run_s - at_s)
        due = top + step  # not reached yet: the pace is at most this
        if due >= 1.0:
            return max(left_s, -OVERRUN * left_s)
        return max(left_s, (1.0 - due) * (run_s - at_s + length_s) / (due - top + share))

    def stuck(self, run_s: float, step: float) -> bool:
        """Whether the claim stands still for much longer than its steps took so far."""
        return self.top > 0.0 and run_s - self.top_s > STUCK_S + STUCK_STEPS * step * self.top_s / self.top

    def unevenness(self) -> float | None:
        """Root mean squared deviation of ln pace over up to six equal parts; None while it cannot be told."""
        if self.top - self._even_at >= LOOK_AGAIN:
            self._even_at, self._even = self.top, self._measure()
        return self._even

    def _measure(self) -> float | None:
        if len(self.steps) < 4:
            return None
        (first_s, first), (last_s, last) = self.steps[0], self.steps[-1]
        parts = min(CHUNKS, int((last - first) / 0.02), int((last_s - first_s) / (10.0 * self.gap_s)))
        if parts < 3:
            return None
        marks, index = [first_s], 1
        for part in range(1, parts + 1):
            goal = first + (last - first) * part / parts
            while index < len(self.steps) - 1 and self.steps[index][1] < goal:
                index += 1
            (a_s, a), (b_s, b) = self.steps[index - 1], self.steps[index]
            marks.append(a_s + (b_s - a_s) * min(1.0, max(0.0, (goal - a) / (b - a))))
        logs = [math.log(max(b - a, 1.0)) for a, b in pairwise(marks)]
        mean = sum(logs) / parts
        return math.sqrt(sum((v - mean) ** 2 for v in logs) / (parts - 1))

    def kind(self, run_s: float, stage: int) -> str:
        """Class of the build at a stage, after `recent_s`: even, uneven (also while that cannot be told), turned."""
        found = self.unevenness()
        if found is not None and found < EVEN:
            return KINDS[0]
        return KINDS[2] if stage >= TURNED_STAGE and self.lasted_s < TURNED * run_s else KINDS[1]

    def as_list(self) -> list[Any]:
        """State for the journal."""
        rounded = [[round(at_s, 1), round(claim, 4)] for at_s, claim in self.steps]
        return [rounded, self.top, round(self.top_s, 1), round(self.seen_s, 1), round(self.gap_s, 2)]

    @classmethod
    def from_list(cls, state: Sequence[Any]) -> Pace:
        """Back from `as_list`."""
        steps = [(float(at_s), float(claim)) for at_s, claim in state[0]]
        top, top_s, seen_s, gap_s = (float(v) for v in state[1:5])
        return cls(steps, top, top_s, seen_s, gap_s)


@dataclass(slots=True)
class Row:
    """Errors e = ln(R said / R true) at one stage of one class: middles, and second moments of pairs."""

    middles: list[float] = field(default_factory=lambda: [0.0] * len(SOURCES))
    moments: list[float] = field(default_factory=lambda: [0.0] * len(PAIRS))
    weights: list[float] = field(default_factory=lambda: [0.0] * len(PAIRS))
    count: int = field(default=0, init=False)  # builds learnt from since the start of the program

    def learn(self, errors: Sequence[float | None], weight: float, most: float) -> None:
        """One build's errors (None: source silent), counted with ``weight``."""
        self.count += 1
        for k, (i, j) in enumerate(PAIRS):
            a, b = errors[i], errors[j]
            if a is None or b is None:
                continue
            part = weight / (self.weights[k] + weight)
            self.moments[k] += part * (a * b - self.moments[k])
            if i == j:
                # The middle, not the mean: a pace that has just changed errs far to one side.
                self.middles[i] += 2.0 * part * min(MOST_STEP, max(-MOST_STEP, a - self.middles[i]))
            self.weights[k] = min(most, self.weights[k] + weight)


@dataclass(slots=True)
class Rates:
    """Error rows of one level (shop or machine) by class and stage."""

    rows: dict[str, Row] = field(default_factory=dict)

    def learn(self, kind: str, stage: int, errors: Sequence[float | None], weight: float, most: float) -> None:
        """One build's errors at one stage."""
        self.rows.setdefault(f"{kind} {stage}", Row()).learn(errors, weight, most)

    def taught(self, kind: str, stage: int) -> int:
        """How often `learn` was called for a class and stage since the start of the program."""
        row = self.rows.get(f"{kind} {stage}")
        return 0 if row is None else row.count

    def as_dict(self) -> dict[str, list[list[float]]]:
        """State for the journal."""
        return {
            key: [
                [round(v, 4) for v in row.middles],
                [round(v, 5) for v in row.moments],
                [round(v, 2) for v in row.weights],
            ]
            for key, row in self.rows.items()
        }

    @classmethod
    def from_dict(cls, state: Mapping[str, Sequence[Sequence[float]]]) -> Rates:
        """Back from `as_dict`; rows of another shape are left out."""
        sizes = [len(SOURCES), len(PAIRS), len(PAIRS)]
        rows = {k: Row(*(list(map(float, v)) for v in r)) for k, r in state.items() if list(map(len, r)) == sizes}
        return cls(rows)


@dataclass(frozen=True, slots=True)
class Mix:
    """How to combine the sources at hand: weights and biases of ln R by source, and the error of the result."""

    weights: tuple[float, ...]
    bias: float
    error: float

    def remaining_s(self, said: Sequence[float | None]) -> float:
        """The combined remaining time in s."""
        total = -self.bias
        for weight, value in zip(self.weights, said, strict=True):
            if weight > 0.0 and value is not None:
                total += weight * math.log(value)
        return math.exp(total)


def mix(levels: Sequence[Rates], kind: str, stage: int, present: Sequence[bool]) -> Mix:
    """Best combination of the sources that are present (at least one), by the errors of shop and machine."""
    sd = PRIOR_SD[kind]
    moments = [sd[i] * sd[j] * (1.0 if i == j else PRIOR_CORRELATION) for i, j in PAIRS]
    means = [0.0] * len(SOURCES)
    for level in levels:
        row = level.rows.get(f"{kind} {stage}")
        if row is None:
            continue
        for k, mass in enumerate(row.weights):
            moments[k] = (mass * row.moments[k] + SHRINK * moments[k]) / (mass + SHRINK)
        for i, k in enumerate(DIAGONAL):
            mass = row.weights[k]
            means[i] = (mass * row.middles[i] + SHRINK * means[i]) / (mass + SHRINK)
    at = [i for i, here in enumerate(present) if here]
    while True:
        matrix = [[moments[PLACE[i, j]] - means[i] * means[j] + (1e-4 if i == j else 0.0) for j in at] for i in at]
        found = _solve(matrix)
        total = sum(found)
        if len(at) == 1 or (min(found) >= 0.0 and total > 0.0):
            break
        at.pop(found.index(min(found)))
    weights = [0.0] * len(SOURCES)
    for i, value in zip(at, found, strict=True):
        weights[i] = value / total if total > 0.0 else 1.0 / len(at)
    bias = sum(w * m for w, m in zip(weights, means, strict=True))
    return Mix(tuple(weights), bias, math.sqrt(1.0 / total) if total > 0.0 else WORST)


def _solve(matrix: list[list[float]]) -> list[float]:
    """Solution x of matrix x = (1, ..., 1) by Gauss with partial pivots; a singular direction counts nothing."""
    n = len(matrix)
    rows = [[*row, 1.0] for row in matrix]
    for i in range(n):
        pivot = max(range(i, n), key=lambda r: abs(rows[r][i]))
        rows[i], rows[pivot] = rows[pivot], rows[i]
        if abs(rows[i][i]) < 1e-12:
            rows[i][i] = 1e12
        for r in range(i + 1, n):
            factor = rows[r][i] / rows[i][i]
            rows[r] = [a - factor * b for a, b in zip(rows[r], rows[i], strict=True)]
    found = [0.0] * n
    for i in range(n - 1, -1, -1):
        found[i] = (rows[i][n] - sum(rows[i][j] * found[j] for j in range(i + 1, n))) / rows[i][i]
    return found


def errors_of(said: Sequence[float | None], true_s: float) -> list[float | None]:
    """Each source's ln(said / true), bounded."""
    true_s = max(true_s, 1.0)
    return [None if v is None else min(WORST, max(-WORST, math.log(v / true_s))) for v in said]
