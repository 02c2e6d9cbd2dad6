"""The least share of the battery with which a given set of builds can be finished, and how.

Where pausing costs nothing this is one linear programme over which machines run together (`rescue_lp`). Two
things make it harder:

- a machine that cannot be paused runs from minute 0 to its end, so the ends of such machines cut the outage
  into intervals of fixed length;
- a paused machine that draws hold power does so until it has *finished*, so the order of finishing matters.

A sequence of these ends gives a programme with one phase between each two ends. The best sequence is found by
branch and bound: a sequence known only at its start, with no hold power charged afterwards, needs no more than
any way to complete it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from farmwatch.power.battery import RuntimeTable
from farmwatch.power.rescue_lp import Block, Solution, solve, subset_sums

TOLERANCE = 1e-9  # relative; a plan that takes the battery to exactly 0 counts as finished


@dataclass(frozen=True, slots=True)
class RescueMachine:
    """A machine with a build on a backup.

    Attributes:
        name: its name.
        power_w: draw while it runs.
        remaining_min: minutes it still has to run.
        value: what a finished build is worth, in any one unit.
        hold_w: draw while paused until it goes on or is given up; None where it cannot be paused.
    """

    name: str
    power_w: float
    remaining_min: float
    value: float
    hold_w: float | None


@dataclass(frozen=True, slots=True)
class RescueBackup:
    """A backup during an outage: `limit_w` for the sum at its outlets, `base_w` drawn all the time."""

    table: RuntimeTable
    charge: float
    health: float
    limit_w: float
    base_w: float

    @property
    def budget(self) -> float:
        """What is left, as a share of a full new battery."""
        return self.charge * self.health

    def allows(self, power_w: float) -> bool:
        """Whether a sum stays within the limit, but for rounding."""
        return power_w <= self.limit_w * (1 + TOLERANCE)

    def rate(self, power_w: float) -> float:
        """Depletion a minute, `inf` above the limit."""
        return self.table.rate(power_w) if self.allows(power_w) else math.inf


@dataclass(slots=True)
class Work:
    """How much a search may do, in looks at a column, and whether it had to stop short.

    Ten million looks take some seconds. No clock is asked, so that the same question has the same answer.
    """

    limit: float = math.inf
    done: int = 0
    cut_short: bool = False

    def spent(self) -> bool:
        """Whether the limit is reached; remembers that something was left undone."""
        if self.done >= self.limit:
            self.cut_short = True
        return self.done >= self.limit


class Stretch(NamedTuple):
    """Minutes during which one set of machines runs (indices), within one phase."""

    phase: int
    minutes: float
    running: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class LeastCharge:
    """A way to finish the set: charge taken, stretches by phase, the sequence of ends, prices by machine.

    `prices[i]` is how much more charge a further minute of machine i would take; with `interval_price` for
    the first interval of a fixed length (0 where there is none).
    """

    charge: float
    stretches: tuple[Stretch, ...]
    sequence: tuple[int, ...]
    prices: dict[int, float]
    interval_price: float


NULL_END = -1  # in a sequence: the next end of machines that cannot be paused


@dataclass(slots=True)
class Finishing:
    """The question for one set: machines by index, with the minutes each still has to run (all above 0)."""

    backup: RescueBackup
    machines: Sequence[RescueMachine]
    remaining: dict[int, float]
    work: Work = field(default_factory=Work)
    _fixed: list[int] = field(init=False)
    _held: list[int] = field(init=False)
    _free: list[int] = field(init=False)
    _ends: list[float] = field(init=False)
    _blocks: dict[tuple[tuple[int, ...], int, bool], Block] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        members = sorted(self.remaining)
        hold = {i: self.machines[i].hold_w for i in members}
        self._fixed = [i for i in members if hold[i] is None]
        self._held = [i for i in members if hold[i]]
        self._free = [i for i in members if hold[i] == 0]
        self._ends = sorted({self.remaining[i] for i in self._fixed})

    # the programme of a sequence ---------------------------------------------------------------------

    def _pausable(self) -> list[int]:
        return self._held + self._free

    def _block(self, unfinished: tuple[int, ...], interval: int, *, relaxed: bool) -> Block:
        """The phase in which `unfinished` of the held machines are not done yet."""
        key = (unfinished, interval, relaxed)
        if key not in self._blocks:
            bits = [*unfinished, *self._free]
            start = self._ends[interval - 1] if interval else 0.0
            level = self.backup.base_w + math.fsum(
                self.machines[i].power_w for i in self._fixed if self.remaining[i] > start
            )
            hold = {i: 0.0 if relaxed else self.machines[i].hold_w or 0.0 for i in bits}
            level += math.fsum(hold.values())
            sums = subset_sums([self.machines[i].power_w - hold[i] for i in bits])
            rows = self._pausable()
            self.work.done += 8 * len(sums)  # a rate is dearer than a look
            self._blocks[key] = Block(
                tuple(rows.index(i) for i in bits),
                [self.backup.rate(max(level + more, 0.0)) for more in sums],
                len(rows) + interval if interval < len(self._ends) else None,
            )
        return self._blocks[key]

    def _phases(self, sequence: Sequence[int]) -> list[tuple[tuple[int, ...], int, bool]]:
        """(held machines not done, interval, relaxed) of each phase of a sequence, complete or begun."""
        unfinished, interval = tuple(self._held), 0
        phases = []
        for end in sequence:
            phases.append((unfinished, interval, False))
            if end == NULL_END:
                interval += 1
            else:
                unfinished = tuple(i for i in unfinished if i != end)
        relaxed = bool(unfinished)
        return phases + [(unfinished, later, relaxed) for later in range(interval, len(self._ends) + 1)]

    def _minutes(self) -> list[float]:
        lengths = [end - start for start, end in zip([0.0, *self._ends], self._ends, strict=False)]
        return [self.remaining[i] for i in self._pausable()] + lengths

    def _solve(self, sequence: Sequence[int]) -> Solution | None:
        blocks = [self._block(u, interval, relaxed=r) for u, interval, r in self._phases(sequence)]
        solution = solve(blocks, self._minutes())
        self.work.done += (2 + (solution.pivots if solution else 0)) * sum(len(b.rates) for b in blocks)
        return solution

    def _answer(self, sequence: Sequence[int], solution: Solution) -> LeastCharge:
        phases = self._phases(sequence)
        stretches = []
        for block, mask, minutes in sorted(solution.columns):
            unfinished, interval, _ = phases[block]
            start = self._ends[interval - 1] if interval else 0.0
            bits = [*unfinished, *self._free]
            running = [i for bit, i in enumerate(bits) if mask >> bit & 1]
            running += [i for i in self._fixed if self.remaining[i] > start]
            stretches.append(Stretch(block, minutes, tuple(sorted(running))))
        rows = self._pausable()
        return LeastCharge(
            solution.charge,
            tuple(stretches),
            tuple(sequence),
            {i: solution.prices[row] for row, i in enumerate(rows)},
            solution.prices[len(rows)] if self._ends else 0.0,
        )

    # the search over sequences -----------------------------------------------------------------------

    def of_sequence(self, sequence: Sequence[int]) -> LeastCharge | None:
        """The least charge for one complete sequence of ends; None where the limit forbids it."""
        solution = self._solve(sequence)
        return None if solution is None else self._answer(sequence, solution)

    def _choices(self, sequence: Sequence[int]) -> list[int]:
        ends = [i for i in self._held if i not in sequence]
        if ends and sequence.count(NULL_END) < len(self._ends):
            ends.append(NULL_END)
        return ends

    def _guesses(self) -> list[tuple[int, ...]]:
        """Complete sequences worth trying first: shortest first, and least time for its hold power first."""
        machines, left = self.machines, self.remaining
        by_time = sorted(self._held, key=lambda i: (left[i], i))
        by_hold = sorted(self._held, key=lambda i: (left[i] / (machines[i].hold_w or 1.0), i))
        return list(dict.fromkeys((tuple(by_time), tuple(by_hold))))

    def least(self, cutoff: float = math.inf) -> LeastCharge | None:
        """The least charge over all sequences, where it is below `cutoff`; None otherwise."""
        complete: tuple[int, ...] = ()
        if not self._held:
            answer = self.of_sequence(complete)
            return answer if answer is not None and answer.charge < cutoff else None
        best: LeastCharge | None = None
        bound = self._solve(())
        if bound is None or bound.charge >= cutoff:
            return None
        for guess in self._guesses():
            answer = self.of_sequence(guess)
            if answer is not None and answer.charge < cutoff:
                best, cutoff = answer, answer.charge
        return self._branch((), cutoff, best)

    def _branch(self, sequence: tuple[int, ...], cutoff: float, best: LeastCharge | None) -> LeastCharge | None:
        """Depth first, the most promising child first; a child at or above the cutoff is dropped."""
        children = []
        for end in self._choices(sequence):
            if self.work.spent():
                return best
            child = (*sequence, end)
            solution = self._solve(child)
            if solution is not None and solution.charge < cutoff * (1 - TOLERANCE):
                children.append((solution.charge, child, solution))
        for charge, child, solution in sorted(children, key=lambda item: item[:2]):
            if charge >= cutoff * (1 - TOLERANCE):
                continue
            if all(i in child for i in self._held):
                best, cutoff = self._answer(child, solution), charge
            else:
                found = self._branch(child, cutoff, best)
                if found is not None and found is not best:
                    best, cutoff = found, found.charge
        return best
