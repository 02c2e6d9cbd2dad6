"""The tree of loads: site > circuit > plug > backup > plug > machine or other load, to any depth.

A node draws what its own meter says; else the sum of what it feeds directly, each by its own meter where it has
one. So a plug before a backup brings the backup's charging and losses into the circuit's sum; without one, they
are in no sum. What is unknown is named, never counted as 0. A node with a meter shows the difference to the sum
of what it feeds. A bank is a group of machines, no node of its own.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import NamedTuple

from farmwatch.power.tariff import Tariff
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import SitePlan

SITE = "site"


@dataclass(frozen=True, slots=True)
class Supply:
    """What the power rooms must know beside circuits and backups.

    Attributes:
        plugs: names of metering plugs and strips that are nodes of the tree.
        inside: name of a node or leaf: what feeds it directly; missing: its backup, else its circuit.
        ranges_w: load: (least, greatest) of a configured constant.
        curves: circuit: tripping curve of its breaker, B, C or D.
        tariff: what energy costs, or None.
        start_risk: share of time above a limit that the start sequence accepts at each place.
    """

    plugs: tuple[str, ...] = ()
    inside: Mapping[str, str] = field(default_factory=dict)
    ranges_w: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    curves: Mapping[str, str] = field(default_factory=dict)
    tariff: Tariff | None = None
    start_risk: float = 0.01


@dataclass(frozen=True, slots=True)
class PowerSite(SitePlan):
    """A site with its supply."""

    supply: Supply = field(default_factory=Supply)


def supply_of(plan: SitePlan) -> Supply:
    """The supply of a site; one without plugs, tariff and ranges where none is given."""
    return plan.supply if isinstance(plan, PowerSite) else Supply()


class Reading(NamedTuple):
    """What the sources of one node or leaf say now; None: not said or not known.

    `coarse` marks watts that are worked out from a rounded percentage: they fill a gap, but a full sum of
    plugs is better.
    """

    power_w: float | None = None
    apparent_va: float | None = None
    voltage_v: float | None = None
    current_a: float | None = None
    coarse: bool = False


NOTHING = Reading()
Read = Callable[[str], Reading]


class Draw(NamedTuple):
    """What a node draws.

    Attributes:
        watts: None where nothing of it is known.
        missing: leaves that are not in the sum.
        metered: whether `watts` is the node's own meter.
        children_w: the sum of what it feeds, as far as that is known.
        va: apparent power, by its own meter or as the sum of the parts. Parts without a known power factor go
            in with their watts, which is the least they can be: then `va_known` is false.
        va_known: whether every part's apparent power is known. The sum of apparent powers is itself at
            least the true one (phasors add up to no more than their lengths).
        amps: current at `volts`.
        volts: measured, or the nominal voltage (`volts_known` false).
        low_w: least of `watts` by the ranges of configured constants; meters state no error of their own.
        high_w: greatest, likewise.
    """

    watts: float | None
    missing: tuple[str, ...]
    metered: bool = False
    children_w: float | None = None
    va: float | None = None
    va_known: bool = False
    amps: float | None = None
    volts: float = 230.0
    volts_known: bool = False
    low_w: float | None = None
    high_w: float | None = None
    unmetered: tuple[str, ...] = ()

    @property
    def difference_w(self) -> float | None:
        """The meter minus the sum of all that it feeds: losses, charging, something that nobody watches.

        None without a meter, or where part of the sum is unknown.
        """
        if not self.metered or self.watts is None or self.children_w is None or self.unmetered:
            return None
        return self.watts - self.children_w

    @property
    def power_factor(self) -> float | None:
        """Watts by volt-amperes; None where an apparent power is not known or 0."""
        if not self.va_known or self.va is None or self.watts is None or self.va <= 0:
            return None
        return min(self.watts / self.va, 1.0)


@dataclass(slots=True)
class _Sum:
    watts: float = 0.0
    va: float = 0.0
    low_w: float = 0.0
    high_w: float = 0.0
    va_known: bool = True
    known: bool = False

    def add(self, part: Draw) -> None:
        if part.watts is None:
            return
        self.known = True
        self.watts += part.watts
        self.va += part.watts if part.va is None else part.va
        self.low_w += part.watts if part.low_w is None else part.low_w
        self.high_w += part.watts if part.high_w is None else part.high_w
        self.va_known = self.va_known and part.va_known


def load_share(watts: float | None, va: float | None, rating_w: float | None, rating_va: float | None) -> float | None:
    """Load as a share of a backup's rating: the greater of its W and its VA share (RFC 1628, upsOutputPercentLoad).

    None where neither share is known.

    >>> load_share(700.0, 1000.0, 1000.0, 1600.0)
    0.7
    """
    shares = []
    if watts is not None and rating_w is not None:
        shares.append(watts / rating_w)
    if va is not None and rating_va is not None:
        shares.append(va / rating_va)
    return max(shares, default=None)


class LoadTree:
    """What feeds what, worked out once from the plan.

    Attributes:
        parent: node or leaf: what feeds it directly, at last `SITE`.
        direct: node: what it feeds directly.
        children: node or bank: its leaves, at whatever depth.
        leaves: machines and other loads; `leaf` the same to ask for one.

    Raises:
        ConfigError: a node feeds itself, or is fed by something that does not exist.
    """

    def __init__(self, plan: SitePlan) -> None:
        supply = supply_of(plan)
        self._nominal_v = plan.voltage_v
        self._constant: dict[str, tuple[float, float, float]] = {}
        for name, load in plan.loads.items():
            low_w, high_w = supply.ranges_w.get(name, (load.constant_w, load.constant_w))
            if low_w is not None and high_w is not None:
                middle_w = load.constant_w if load.constant_w is not None else (low_w + high_w) / 2
                self._constant[name] = (middle_w, low_w, high_w)
        self.leaves = (*plan.machines, *plan.loads)
        self.leaf = frozenset(self.leaves)
        self.nodes = (SITE, *plan.circuits, *supply.plugs, *plan.backups)
        self.parent = {name: _feeder(plan, supply, name) for name in (*self.nodes[1:], *self.leaves)}
        self.direct: dict[str, list[str]] = {name: [] for name in self.nodes}
        self._check()
        for name, above in self.parent.items():
            self.direct[above].append(name)
        order = {name: index for index, name in enumerate(self.leaves)}
        self.children: dict[str, tuple[str, ...]] = {
            name: tuple(sorted(self._below(name), key=order.__getitem__)) for name in self.nodes
        }
        banks: dict[str, list[str]] = {}
        for machine in plan.machines.values():
            if machine.bank is not None:
                banks.setdefault(machine.bank, []).append(machine.name)
        self.banks = {name: tuple(members) for name, members in banks.items()}
        self.children |= self.banks

    def _check(self) -> None:
        for name, above in self.parent.items():
            if above not in self.direct:
                raise ConfigError(f"{name} is fed by {above!r}, which is no circuit, plug or backup")
            seen = [name]
            while above != SITE:
                if above in seen:
                    raise ConfigError(f"{name} feeds itself: {' < '.join([*seen, above])}")
                seen.append(above)
                above = self.parent[above]

    def _below(self, name: str) -> Iterator[str]:
        for child in self.direct[name]:
            if child in self.direct:
                yield from self._below(child)
            else:
                yield child

    def above(self, name: str) -> tuple[str, ...]:
        """What feeds a node or leaf, the nearest first, the site last."""
        found = []
        while name != SITE:
            name = self.parent[name]
            found.append(name)
        return tuple(found)

    def constant_w(self, leaf: str) -> tuple[float, float, float] | None:
        """(W, least, greatest) that is configured for a load; None where nothing is."""
        return self._constant.get(leaf)

    def draw(self, place: str, read: Read, done: dict[str, Draw] | None = None) -> Draw:
        """Draw of a node, bank or leaf from what the sources say; `done` keeps what has been worked out on the way."""
        if done is not None and (had := done.get(place)) is not None:
            return had
        found = self._draw(place, read, done)
        if done is not None:
            done[place] = found
        return found

    def draws(self, places: Iterable[str], read: Read, done: dict[str, Draw] | None = None) -> dict[str, Draw]:
        """Draws of many places; each node and leaf is worked out, and each source asked, once.

        `done` brings what has been worked out before and takes what is worked out now.
        """
        done = {} if done is None else done
        once = cache(read)
        return {place: self.draw(place, once, done) for place in places}

    def _draw(self, place: str, read: Read, done: dict[str, Draw] | None) -> Draw:
        if place in self.banks:
            leaves = [self.draw(leaf, read, done) for leaf in self.children[place]]
            return self._of(NOTHING, leaves, self._volts(place, read))
        own = read(place)
        if place not in self.direct:
            return self._leaf(place, own)
        parts = [self._part(child, read, done) for child in self.direct[place]]
        return self._of(own, parts, self._volts(place, read, own))

    def _part(self, child: str, read: Read, done: dict[str, Draw] | None) -> Draw:
        """A child as it goes into the sum above it: a coarse meter only where the parts are not all known."""
        found = self.draw(child, read, done)
        if found.metered and child in self.direct and read(child).coarse and not found.unmetered:
            parts = [self._part(part, read, done) for part in self.direct[child]]
            return self._of(NOTHING, parts, (found.volts, found.volts_known)) if parts else found
        return found

    def _volts(self, place: str, read: Read, own: Reading = NOTHING) -> tuple[float, bool]:
        if own.voltage_v is not None:
            return own.voltage_v, True
        for leaf in self.children[place]:
            volts = read(leaf).voltage_v
            if volts is not None and volts > 0.5 * self._nominal_v:
                return volts, True
        return self._nominal_v, False

    def _leaf(self, name: str, own: Reading) -> Draw:
        volts, known = (self._nominal_v, False) if own.voltage_v is None else (own.voltage_v, True)
        constant = self._constant.get(name)
        if own.power_w is None and constant is not None:
            watts, low_w, high_w = constant
            return self._with_current(Draw(watts, (), low_w=low_w, high_w=high_w), NOTHING, volts, known)
        if own.power_w is None:
            return Draw(None, (name,), volts=volts, volts_known=known)
        found = Draw(own.power_w, (), metered=True, low_w=own.power_w, high_w=own.power_w)
        return self._with_current(found, own, volts, known)

    def _of(self, own: Reading, parts: Iterable[Draw], volts: tuple[float, bool]) -> Draw:
        total = _Sum()
        missing: list[str] = []
        for part in parts:
            total.add(part)
            missing += part.missing
        children_w = total.watts if total.known else None
        if own.power_w is not None:
            found = Draw(
                own.power_w, (), metered=True, children_w=children_w, low_w=own.power_w, high_w=own.power_w,
                unmetered=tuple(missing),
            )  # fmt: skip
            return self._with_current(found, own, *volts)
        low_w, high_w = (total.low_w, total.high_w) if total.known else (None, None)
        va = total.va if total.known else None
        found = Draw(
            children_w, tuple(missing), children_w=children_w, va=va, va_known=total.known and total.va_known,
            low_w=low_w, high_w=high_w, unmetered=tuple(missing),
        )  # fmt: skip
        return self._with_current(found, own, *volts)

    @staticmethod
    def _with_current(found: Draw, own: Reading, volts: float, volts_known: bool) -> Draw:
        """The draw with VA and A: as measured, else VA = V x A, else the watts, power factor unknown."""
        va, va_known = own.apparent_va, own.apparent_va is not None
        if va is None and own.current_a is not None and own.voltage_v is not None:
            va, va_known = own.current_a * own.voltage_v, True
        if va is None:
            va, va_known = (found.watts, False) if found.va is None else (found.va, found.va_known)
        elif found.watts is not None:
            va = max(va, found.watts)  # a meter's rounding; apparent power is never below active power
        amps = own.current_a
        if amps is None and va is not None and volts > 0:
            amps = va / volts
        return Draw(
            found.watts, found.missing, found.metered, found.children_w, va, va_known, amps, volts, volts_known,
            found.low_w, found.high_w, found.unmetered,
        )  # fmt: skip


def _feeder(plan: SitePlan, supply: Supply, name: str) -> str:
    """What feeds a node or leaf directly."""
    own = supply.inside.get(name)
    if own is not None:
        return own
    item = plan.machines.get(name) or plan.loads.get(name) or plan.backups.get(name)
    if item is None:
        return SITE
    return getattr(item, "backup", None) or item.circuit or SITE
