"""Transition matrices of a hidden Markov model, in plain Python.

A matrix is a sequence of rows, row = from, column = to, each row sums to 1.  `columns` transposes it once for
the forward step (`plugmodel.forward`).
"""

from __future__ import annotations

import math
from operator import mul
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

Matrix = tuple[tuple[float, ...], ...]

ROOT_TWO_PI = math.sqrt(2.0 * math.pi)


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
