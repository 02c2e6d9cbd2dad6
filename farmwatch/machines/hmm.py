"""A hidden Markov model's forward pass, backward pass and best path, in plain Python.

One step costs a few microseconds for eight states, so that it can run for every machine on a small computer
without a numeric library.  The live filter (`signature`) calls `step`; the tests compare the very same
functions with a reference library on the same parameters.

Formulas: L. R. Rabiner, "A tutorial on hidden Markov models and selected applications in speech
recognition", Proceedings of the IEEE 77 (1989) 257-286.  A matrix is a sequence of rows, row = from,
column = to, each row sums to 1.  `columns` transposes it once for `step`.
"""

from __future__ import annotations

import math
from functools import lru_cache
from operator import add, mul
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

Vector = list[float]
Matrix = tuple[tuple[float, ...], ...]

ROOT_TWO_PI = math.sqrt(2.0 * math.pi)
FLOOR = 1e-300  # a probability of zero, for its logarithm


def gaussian(x: float, mean: float, sd: float) -> float:
    """Density of the normal distribution."""
    z = (x - mean) / sd
    return math.exp(-0.5 * z * z) / (sd * ROOT_TWO_PI)


def columns(matrix: Matrix) -> Matrix:
    """The transpose."""
    return tuple(zip(*matrix, strict=True))


def product(left: Matrix, right: Matrix) -> Matrix:
    """Matrix product."""
    across = columns(right)
    return tuple(tuple(sum(map(mul, row, column)) for column in across) for row in left)


def power(matrix: Matrix, exponent: int) -> Matrix:
    """``matrix`` to a whole power of at least 1, by repeated squaring."""
    result: Matrix | None = None
    while exponent:
        if exponent & 1:
            result = matrix if result is None else product(result, matrix)
        exponent >>= 1
        if exponent:
            matrix = product(matrix, matrix)
    if result is None:
        raise ValueError("the exponent must be at least 1")
    return result


def from_rates(rates: Sequence[Sequence[float]], dt_s: float = 1.0) -> Matrix:
    """Transition matrix for a short step from rates per second; the diagonal takes the rest.

    First order in dt; the rates must be small enough that each row's sum times dt stays below 1.
    """
    rows = []
    for index, row in enumerate(rates):
        moves = [0.0 if j == index else rate * dt_s for j, rate in enumerate(row)]
        stay = 1.0 - sum(moves)
        if stay < 0.0:
            raise ValueError(f"the rates out of state {index} are too fast for a step of {dt_s} s")
        moves[index] = stay
        rows.append(tuple(moves))
    return tuple(rows)


def step(belief: Sequence[float], across: Matrix, likelihood: Sequence[float]) -> tuple[Vector, float]:
    """One forward step: predict through the matrix (given as `columns`), weigh by the likelihood.

    Returns the posterior (sums to 1) and the evidence p(x_t | x_1..t-1).  An observation that no state can
    explain (evidence 0) leaves the prediction as it is.
    """
    joint = [sum(map(mul, belief, column)) * like for column, like in zip(across, likelihood, strict=True)]
    evidence = sum(joint)
    if not evidence > 0.0:
        return predict(belief, across), 0.0
    scale = 1.0 / evidence
    return [value * scale for value in joint], evidence


def predict(belief: Sequence[float], across: Matrix) -> Vector:
    """Belief after one step without an observation."""
    return [sum(map(mul, belief, column)) for column in across]


def weigh(belief: Sequence[float], likelihood: Sequence[float]) -> tuple[Vector, float]:
    """Belief after an observation without a step (the first one)."""
    joint = list(map(mul, belief, likelihood))
    evidence = sum(joint)
    if not evidence > 0.0:
        return list(belief), 0.0
    return [value / evidence for value in joint], evidence


def forward(
    start: Sequence[float], steps: Sequence[Matrix], likelihoods: Sequence[Sequence[float]]
) -> tuple[list[Vector], float]:
    """Filtered beliefs for a whole sequence, and its log-likelihood.

    ``steps[t]`` leads from observation t to t + 1 and is given as `columns`; shapes: T - 1 matrices of
    N x N, T likelihoods of N.
    """
    belief, evidence = weigh(start, likelihoods[0])
    beliefs, total = [belief], math.log(evidence)
    for across, likelihood in zip(steps, likelihoods[1:], strict=True):
        belief, evidence = step(belief, across, likelihood)
        beliefs.append(belief)
        total += math.log(evidence) if evidence > 0.0 else -math.inf
    return beliefs, total


def smooth(
    beliefs: Sequence[Sequence[float]], steps: Sequence[Matrix], likelihoods: Sequence[Sequence[float]]
) -> list[Vector]:
    """Beliefs given the whole sequence (forward-backward); arguments as of and from `forward`."""
    after: Vector = [1.0] * len(beliefs[-1])
    smoothed = [list(beliefs[-1])]
    for t in range(len(beliefs) - 2, -1, -1):
        rows = columns(steps[t])
        weighed = list(map(mul, after, likelihoods[t + 1]))
        after = [sum(map(mul, row, weighed)) for row in rows]
        scale = sum(after) or 1.0
        after = [value / scale for value in after]
        joint = list(map(mul, beliefs[t], after))
        total = sum(joint) or 1.0
        smoothed.append([value / total for value in joint])
    smoothed.reverse()
    return smoothed


@lru_cache(maxsize=64)
def _logs(matrix: Matrix) -> Matrix:
    return tuple(tuple(math.log(max(p, FLOOR)) for p in row) for row in matrix)


def best_path(start: Sequence[float], steps: Sequence[Matrix], likelihoods: Sequence[Sequence[float]]) -> list[int]:
    """The single most probable sequence of states (Viterbi); arguments as of `forward`."""
    score = [math.log(max(p * q, FLOOR)) for p, q in zip(start, likelihoods[0], strict=True)]
    back: list[list[int]] = []
    for across, likelihood in zip(steps, likelihoods[1:], strict=True):
        chosen, scores = [], []
        for column, like in zip(_logs(across), likelihood, strict=True):
            options = list(map(add, score, column))
            top = max(options)
            chosen.append(options.index(top))
            scores.append(top + math.log(max(like, FLOOR)))
        back.append(chosen)
        score = scores
    path = [max(range(len(score)), key=score.__getitem__)]
    for chosen in reversed(back):
        path.append(chosen[path[-1]])
    path.reverse()
    return path
