"""The tree of loads: site > circuit > backup > machine or other load; what each node draws.

A node's draw is the sum of its known children; children that are unknown are named, never counted as 0. A
node with a meter of its own shows the meter and keeps the sum beside it.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from farmwatch.words.model import SitePlan

SITE = "site"


@dataclass(frozen=True, slots=True)
class Draw:
    """Watts of a node; None where nothing of it is known. `missing` names what is not in the sum."""

    watts: float | None
    missing: tuple[str, ...]
    metered: bool = False
    children_w: float | None = None


class LoadTree:
    """Which loads hang on which node, worked out once from the plan."""

    def __init__(self, plan: SitePlan) -> None:
        self._constant = {name: load.constant_w for name, load in plan.loads.items()}
        leaves = [*plan.machines, *plan.loads]
        self.children: dict[str, tuple[str, ...]] = {SITE: tuple(leaves)}
        for name in plan.circuits:
            self.children[name] = tuple(leaf for leaf in leaves if plan.circuit_of(leaf) == name)
        for name in plan.backups:
            self.children[name] = tuple(
                leaf for leaf in leaves if (plan.machines.get(leaf) or plan.loads[leaf]).backup == name
            )
        for name in dict.fromkeys(m.bank for m in plan.machines.values() if m.bank is not None):
            self.children[name] = tuple(m.name for m in plan.machines.values() if m.bank == name)
        self.leaves = tuple(leaves)

    def draw(self, place: str, power_w: Callable[[str], float | None], meter_w: float | None = None) -> Draw:
        """Draw of a node from its leaves' watts and, where it has one, its own meter."""
        known, missing = self._sum(self.children[place], power_w)
        if meter_w is not None:
            return Draw(meter_w, (), metered=True, children_w=known)
        return Draw(known, missing)

    def _sum(
        self, leaves: Iterable[str], power_w: Callable[[str], float | None]
    ) -> tuple[float | None, tuple[str, ...]]:
        total: float | None = None
        missing = []
        for leaf in leaves:
            watts = power_w(leaf)
            if watts is None:
                watts = self._constant.get(leaf)
            if watts is None:
                missing.append(leaf)
            else:
                total = watts if total is None else total + watts
        return total, tuple(missing)
