"""Can these machines be added here, and how should machines be spread over backups and circuits?

Every place (circuit, backup, strip) has a limit and may lie in another; a machine draws by shares of time, so
the chance that a place is above its limit is a convolution (`chance`), not a sum of worst cases. A spread is
better when the chance that any place passes its limit is smaller, as long as that matters at all (above
`risk`); then when the shortest runtime on battery is longer, which is what keeps runtimes even; then when the
fullest place is emptier; then when fewer machines move.

Advice on loads only: breakers, wiring and backups are for local codes and a licensed electrician.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import NamedTuple

from farmwatch.power.battery import RuntimeTable
from farmwatch.power.chance import Draw, add, chance_above, constant

EXACT_SPREADS = 20_000  # spreads up to which all are tried
MOST_ADDED = 100  # copies up to which `room_for` counts


@dataclass(frozen=True, slots=True)
class Place:
    """A circuit or a backup.

    Attributes:
        limit_w: greatest draw.
        inside: the place it is fed from; None at the top.
        running: draw of what is there besides the machines, its own base load included.
        table: runtime table, for a backup whose runtime matters.
        budget: charge times health, as a share of a full new battery.
    """

    limit_w: float
    inside: str | None = None
    running: Draw = field(default_factory=lambda: constant(0.0))
    table: RuntimeTable | None = None
    budget: float = 1.0


class Report(NamedTuple):
    """One place under one spread: chance above the limit, draw, and runtime (`inf`: endless, None: no table)."""

    chance: float
    mean_w: float
    max_w: float
    runtime_min: float | None


@dataclass(frozen=True, slots=True)
class Spread:
    """Who is where, what that means for each place, and in sum.

    `chance` is the sum of the places' chances: that any place is above its limit is at most this likely.
    """

    at: dict[str, str]
    places: dict[str, Report]
    chance: float
    shortest_min: float | None
    longest_min: float | None


class Added(NamedTuple):
    """Whether machines may be added: the chances before and after at each place they would draw from.

    `room_for` is how many machines like the first one fit at most, one after another.
    """

    fits: bool
    before: dict[str, float]
    after: dict[str, float]
    room_for: int


class BestSpread(NamedTuple):
    """The best spread found, the machines that would move (name, from, to), and whether all were tried."""

    best: Spread
    moves: tuple[tuple[str, str, str], ...]
    exact: bool


Score = tuple[float, float, float, float, int]


@dataclass(slots=True)
class Shop:
    """Places and machines (draws by name); distributions once computed are kept."""

    places: Mapping[str, Place]
    draws: Mapping[str, Draw]
    risk: float = 1e-3
    _reports: dict[tuple[str, tuple[Draw, ...]], Report] = field(default_factory=dict)

    def chain(self, place: str) -> list[str]:
        """A place and all that feed it, upwards."""
        chain = [place]
        while (above := self.places[chain[-1]].inside) is not None:
            chain.append(above)
        return chain

    def within(self, place: str) -> set[str]:
        """A place and all that it feeds."""
        return {name for name in self.places if place in self.chain(name)}

    def report(self, place: str, machines: Sequence[Draw]) -> Report:
        """What a place does with these draws under it, in any order."""
        key = (place, tuple(sorted(machines, key=lambda d: d.levels)))
        if key not in self._reports:
            here = self.places[place]
            total = add([*(self.places[name].running for name in sorted(self.within(place))), *key[1]])
            runtime = None
            if here.table is not None:
                rate = math.fsum(share * here.table.rate(max(power_w, 0.0)) for power_w, share in total.levels)
                runtime = here.budget / rate if rate > 0 else math.inf
            self._reports[key] = Report(chance_above(here.limit_w, total), total.mean_w, total.max_w, runtime)
        return self._reports[key]

    def spread(self, at: Mapping[str, str]) -> Spread:
        """What a spread (place by machine) means."""
        reports = {}
        for place in self.places:
            under = self.within(place)
            reports[place] = self.report(place, [self.draws[name] for name, where in at.items() if where in under])
        runtimes = [r.runtime_min for r in reports.values() if r.runtime_min is not None]
        return Spread(
            dict(at),
            reports,
            min(math.fsum(r.chance for r in reports.values()), 1.0),
            min(runtimes, default=None),
            max(runtimes, default=None),
        )

    def score(self, spread: Spread, present: Mapping[str, str]) -> Score:
        """Smaller is better: see the module's text."""
        fullest = max((r.mean_w / self.places[p].limit_w for p, r in spread.places.items()), default=0.0)
        return (
            0.0 if spread.chance <= self.risk else spread.chance,
            -(spread.shortest_min if spread.shortest_min is not None else 0.0),
            fullest,
            spread.chance,
            sum(present.get(name) != where for name, where in spread.at.items()),
        )

    # may these be added ------------------------------------------------------------------------------

    def adding(self, at: Mapping[str, str], place: str, new: Sequence[Draw]) -> Added:
        """Whether draws may be added at a place, with the machines where they are now."""
        before = self._chances(at, place, [])
        after = self._chances(at, place, new)
        room = 0
        while new and room < MOST_ADDED and self._holds(self._chances(at, place, [new[0]] * (room + 1))):
            room += 1
        return Added(self._holds(after), before, after, room)

    def _chances(self, at: Mapping[str, str], place: str, new: Sequence[Draw]) -> dict[str, float]:
        chances = {}
        for above in self.chain(place):
            under = self.within(above)
            here = [self.draws[name] for name, where in at.items() if where in under]
            chances[above] = self.report(above, [*here, *new]).chance
        return chances

    def _holds(self, chances: Mapping[str, float]) -> bool:
        return all(chance <= self.risk for chance in chances.values())

    # how to spread -----------------------------------------------------------------------------------

    def best_spread(self, present: Mapping[str, str], over: Sequence[str]) -> BestSpread:
        """The best spread of the machines of `present` that are at one of `over`; the others stay."""
        movable = [name for name, where in present.items() if where in over]
        kinds: dict[Draw, list[str]] = {}
        for name in movable:
            kinds.setdefault(self.draws[name], []).append(name)
        ways = math.prod(math.comb(len(names) + len(over) - 1, len(over) - 1) for names in kinds.values())
        exact = ways <= EXACT_SPREADS
        if exact:
            best = min(
                (self.spread(at) for at in _all_spreads(present, over, list(kinds.values()))),
                key=lambda spread: self.score(spread, present),
            )
        else:
            best = self._climb(present, over, movable)
        moves = tuple((n, present[n], best.at[n]) for n in movable if present[n] != best.at[n])
        return BestSpread(best, moves, exact)

    def _climb(self, present: Mapping[str, str], over: Sequence[str], movable: Sequence[str]) -> Spread:
        """From the present spread and from an even one, the best single move or exchange, until none helps."""
        best: Spread | None = None
        for start in (dict(present), self._even(present, over, movable)):
            here = self.spread(start)
            while True:
                near = [self.spread(at) for at in _neighbours(here.at, over, movable)]
                better = min(near, key=lambda s: self.score(s, present), default=here)
                if self.score(better, present) >= self.score(here, present):
                    break
                here = better
            if best is None or self.score(here, present) < self.score(best, present):
                best = here
        return best if best is not None else self.spread(present)

    def _even(self, present: Mapping[str, str], over: Sequence[str], movable: Sequence[str]) -> dict[str, str]:
        """Largest mean draw first, each to the place that is least full for its limit."""
        at = {name: where for name, where in present.items() if name not in movable}
        load = {p: self.spread(at).places[p].mean_w for p in over}
        for name in sorted(movable, key=lambda n: (-self.draws[n].mean_w, n)):
            drawn = self.draws[name].mean_w
            where = min(over, key=lambda p: ((load[p] + drawn) / self.places[p].limit_w, p))
            at[name] = where
            load[where] += drawn
        return {name: at[name] for name in present}


def _neighbours(at: Mapping[str, str], over: Sequence[str], movable: Sequence[str]) -> Iterator[dict[str, str]]:
    for name in movable:
        for where in over:
            if where != at[name]:
                yield {**at, name: where}
    for one, other in combinations(movable, 2):
        if at[one] != at[other]:
            yield {**at, one: at[other], other: at[one]}


def _shares(count: int, places: int) -> Iterator[tuple[int, ...]]:
    """Every way to put `count` equal things into so many places."""
    if places == 1:
        yield (count,)
        return
    for first in range(count + 1):
        for rest in _shares(count - first, places - 1):
            yield (first, *rest)


def _all_spreads(
    present: Mapping[str, str], over: Sequence[str], kinds: Sequence[Sequence[str]]
) -> Iterator[dict[str, str]]:
    """Every spread up to exchanging equal machines; equal machines stay where they are as far as they can."""
    if not kinds:
        yield dict(present)
        return
    names = kinds[0]
    for counts in _shares(len(names), len(over)):
        placed = dict(_stay_if_possible(present, names, dict(zip(over, counts, strict=True))))
        yield from _all_spreads({**present, **placed}, over, kinds[1:])


def _stay_if_possible(
    present: Mapping[str, str], names: Iterable[str], room: dict[str, int]
) -> Iterator[tuple[str, str]]:
    moving = []
    for name in names:
        if room.get(present[name], 0) > 0:
            room[present[name]] -= 1
            yield name, present[name]
        else:
            moving.append(name)
    for name in moving:
        where = next(place for place, left in room.items() if left > 0)
        room[where] -= 1
        yield name, where
