"""A small linear programme: how long to run which set of machines so that least charge is used.

minimise    sum over columns of minutes * rate
subject to  for each row, sum of the minutes of the columns that hold it = the row's minutes; minutes >= 0

A column is a block (a phase of the outage) and a set of that block's machines, written as a bit mask; there
are 2^n of them, and they are never written out: a block keeps its rates in a list indexed by mask, and the
most promising column is found by subtracting the list of the masks' prices. Revised simplex with an explicit
inverse; rows are few (machines plus fixed phases), coefficients 0 or 1, so plain floats are safe. Pure Python
on purpose: the answer must be exact without any extra installed.
"""

import math
import operator
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

_STALL = 60  # degenerate pivots in a row before the rule that cannot cycle (Bland 1977) takes over
_EPSILON = 1e-12  # a share of the highest price: gains below it are rounding


@dataclass(frozen=True, slots=True)
class Block:
    """A phase: the rows of its machines (bit i of a mask is rows[i]) and the rate of each mask.

    `rates[mask]` is the share of the battery a minute takes, `inf` where the mask passes a limit. A phase of
    fixed length has a row of its own, held by each of its columns.
    """

    rows: tuple[int, ...]
    rates: Sequence[float]
    fixed_row: int | None = None


class Column(NamedTuple):
    """A column used in a solution: block, mask, minutes."""

    block: int
    mask: int
    minutes: float


class Solution(NamedTuple):
    """The least charge, the columns with minutes above 0, the price of each row, and the work done."""

    charge: float
    columns: tuple[Column, ...]
    prices: tuple[float, ...]
    pivots: int


def subset_sums(values: Sequence[float]) -> list[float]:
    """The sum over each subset, indexed by bit mask."""
    sums = [0.0]
    for value in values:
        sums += [total + value for total in sums]
    return sums


class _Simplex:
    """One programme being solved; `basis` holds (block, mask), or (-1, row) for an artificial column."""

    def __init__(self, blocks: Sequence[Block], minutes: Sequence[float]) -> None:
        self.blocks = blocks
        self.size = len(minutes)
        self.level = list(minutes)
        self.inverse = [[float(i == j) for j in range(self.size)] for i in range(self.size)]
        self.basis: list[tuple[int, int]] = [(-1, row) for row in range(self.size)]
        self.pivots = 0
        self.allowed = [[0.0 if rate < math.inf else math.inf for rate in b.rates] for b in blocks]
        self._start_with_singles()

    def _start_with_singles(self) -> None:
        """Put a machine alone in place of its artificial column where that is allowed and simple."""
        for index, block in enumerate(self.blocks):
            if block.fixed_row is not None:
                continue
            for bit, row in enumerate(block.rows):
                if self.basis[row][0] < 0 and block.rates[1 << bit] < math.inf:
                    self.basis[row] = (index, 1 << bit)

    def _rows_of(self, column: tuple[int, int]) -> list[int]:
        block = self.blocks[column[0]]
        rows = [row for bit, row in enumerate(block.rows) if column[1] >> bit & 1]
        return rows if block.fixed_row is None else [*rows, block.fixed_row]

    def _prices(self, *, first: bool) -> list[float]:
        """Simplex multipliers: costs of the basis times the inverse."""
        prices = [0.0] * self.size
        for row, (block, mask) in enumerate(self.basis):
            cost = (1.0 if block < 0 else 0.0) if first else (0.0 if block < 0 else self.blocks[block].rates[mask])
            if cost:
                prices = [p + cost * x for p, x in zip(prices, self.inverse[row], strict=True)]
        return prices

    def _entering(self, prices: list[float], *, first: bool, bland: bool) -> tuple[int, int] | None:
        """The column that lowers the cost most a minute (or simply the first one), None at the optimum."""
        # measured by the prices, not by the dearest column: a steep table makes that one astronomic
        best, found = -_EPSILON * max(map(abs, prices), default=0.0), None
        for index, block in enumerate(self.blocks):
            costs = self.allowed[index] if first else block.rates
            base = 0.0 if block.fixed_row is None else prices[block.fixed_row]
            sums = subset_sums([prices[row] for row in block.rows])
            reduced = list(map(operator.sub, costs, sums))
            if bland:
                mask = next((m for m, cost in enumerate(reduced) if cost - base < best), None)
                if mask is not None:
                    return index, mask
                continue
            least = min(reduced)
            if least - base < best:
                best, found = least - base, (index, reduced.index(least))
        return found

    def _pivot(self, column: tuple[int, int]) -> bool:
        """Bring the column in; says whether the pivot moved anything."""
        rows = self._rows_of(column)
        direction = [sum(line[row] for row in rows) for line in self.inverse]
        ratios = [(self.level[i] / d, self.basis[i], i) for i, d in enumerate(direction) if d > 1e-9]
        # an artificial column at 0 must not grow again: it leaves first
        stuck = [i for i, d in enumerate(direction) if d < -1e-9 and self.basis[i][0] < 0 and self.level[i] <= 0]
        leaving = stuck[0] if stuck else min(ratios)[2]
        step = max(self.level[leaving] / direction[leaving], 0.0)
        pivot_line = [x / direction[leaving] for x in self.inverse[leaving]]
        for i, d in enumerate(direction):
            if i != leaving and d:
                self.level[i] = max(self.level[i] - d * step, 0.0)
                line = self.inverse[i]
                self.inverse[i] = [a - d * b for a, b in zip(line, pivot_line, strict=True)]
        self.inverse[leaving] = pivot_line
        self.level[leaving] = step
        self.basis[leaving] = column
        self.pivots += 1
        return step > 0

    def run(self, *, first: bool) -> None:
        """Pivot until no column lowers the cost."""
        still = 0
        while True:
            column = self._entering(self._prices(first=first), first=first, bland=still > _STALL)
            if column is None or column in self.basis:
                return
            still = 0 if self._pivot(column) else still + 1


def solve(blocks: Sequence[Block], minutes: Sequence[float]) -> Solution | None:
    """The least charge for rows of these minutes (each >= 0); None where no allowed sets can do it."""
    simplex = _Simplex(blocks, minutes)
    if any(block < 0 for block, _ in simplex.basis):
        simplex.run(first=True)
        total = sum(minutes) or 1.0
        artificial = sum(level for level, (b, _) in zip(simplex.level, simplex.basis, strict=True) if b < 0)
        if artificial > 1e-9 * total:
            return None
    simplex.run(first=False)
    columns = tuple(
        Column(block, mask, level)
        for level, (block, mask) in zip(simplex.level, simplex.basis, strict=True)
        if block >= 0 and level > 0
    )
    charge = math.fsum(column.minutes * blocks[column.block].rates[column.mask] for column in columns)
    return Solution(charge, columns, tuple(simplex._prices(first=False)), simplex.pivots)  # noqa: SLF001
