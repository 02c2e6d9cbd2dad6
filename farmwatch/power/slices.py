"""A site in slices: what is done once a minute and once an hour of everything, in turns that stay short.

A small site is one slice: everything at the mark, as it always was. A large one is cut along the load tree, what is
fed before what feeds it, so that a node finds the draws of its parts worked out when its turn comes, at most a minute
old. Each slice has its own moment of every minute, always the same: all is looked at as often as in a small site.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

from farmwatch.power.load import SITE, Draw, LoadTree

AT_ONCE = 64
"""So many leaves are looked at in one go."""


@dataclass(frozen=True, slots=True)
class Slice:
    """What is looked at in one go.

    Attributes:
        number: which of the slices it is, from 0.
        last: whether it is the last.
        places: nodes, banks and leaves of the load tree.
        machines: the machines among them.
        circuits: the circuits among them.
        passing: leaves whose draw nothing in a later slice asks for.
    """

    number: int
    last: bool
    places: tuple[str, ...]
    machines: tuple[str, ...]
    circuits: tuple[str, ...]
    passing: tuple[str, ...]


@dataclass(slots=True)
class Minute:
    """What the slices of one minute have worked out so far: draws as means and as they are now, and the mark."""

    mark_s: float = 0.0
    mean_w: dict[str, float] = field(default_factory=dict)
    means: dict[str, Draw] = field(default_factory=dict)
    draws: dict[str, Draw] = field(default_factory=dict)

    def drop(self, names: tuple[str, ...]) -> None:
        """These draws are not asked for again."""
        for name in names:
            self.means.pop(name, None)
            self.draws.pop(name, None)
            self.mean_w.pop(name, None)


def slices_of(tree: LoadTree, machines: "frozenset[str]", circuits: "frozenset[str]") -> tuple[Slice, ...]:
    """The slices of a site, the site itself and its banks in the last."""
    rows = [_all(tree)] if len(tree.leaves) <= AT_ONCE else list(_cut(tree))
    banked = {leaf for members in tree.banks.values() for leaf in members}
    found = []
    for number, places in enumerate(rows):
        here, last = frozenset(places), number == len(rows) - 1
        leaves = [name for name in places if name in tree.leaf]
        passing = () if last else tuple(n for n in leaves if tree.parent[n] in here and n not in banked)
        own = tuple(name for name in leaves if name in machines)
        found.append(Slice(number, last, tuple(places), own, tuple(n for n in places if n in circuits), passing))
    return tuple(found)


def _all(tree: LoadTree) -> list[str]:
    """Every node, bank and leaf, the site first."""
    return [SITE, *(name for name in tree.children if name != SITE), *tree.leaves]


def _cut(tree: LoadTree) -> Iterator[list[str]]:
    """All places, the fed before what feeds them, a row whenever there are enough leaves in it."""
    row: list[str] = []
    leaves = 0
    for name in [*_upwards(tree, SITE), *tree.banks]:
        if leaves >= AT_ONCE and name in tree.leaf:
            yield row
            row, leaves = [], 0
        row.append(name)
        leaves += name in tree.leaf
    yield row


def _upwards(tree: LoadTree, name: str) -> Iterator[str]:
    for child in tree.direct.get(name, ()):
        yield from _upwards(tree, child)
    yield name
