"""The power desk: load models, demand, accounts and start advice of the whole site, fed by the brain.

It holds what belongs together and decides nothing alone: the brain brings readings and minutes, the view asks.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from farmwatch.power.advice import Advice, MachineNow, advise_apart, chance_of_passing
from farmwatch.power.breaker import TRIPPING
from farmwatch.power.chance import Draw as LoadDraw
from farmwatch.power.chance import WindowChance, constant
from farmwatch.power.demand import DemandTrack
from farmwatch.power.load import SITE, Draw, LoadTree, Read, supply_of
from farmwatch.power.models import LoadHistory
from farmwatch.power.parts import PartsBook
from farmwatch.power.tariff import Ledger, local_day
from farmwatch.shop.usage import Run
from farmwatch.words.model import CircuitPlan, SitePlan
from farmwatch.words.power_view import AccountsView

ADVICE_S = 30.0
"""How long advice stands while no machine changes its state."""
CHANCE_MIN = 60.0
NEAR_BACK = 0.95
OVER_BACK = 0.97
"""Deadbands: an alarm about a circuit goes when its draw is back below this share of what raised it."""


class Strain(NamedTuple):
    """How a circuit stands to its two limits; None: what is known does not decide it."""

    near: bool | None
    over: bool | None
    amps: float | None
    missing: frozenset[str] = frozenset()


@dataclass(slots=True)
class Spent:
    """Energy and cost of a day or month; None: not known."""

    wh: float | None
    cost: float | None
    unmeasured_s: float


@dataclass(frozen=True, slots=True)
class Foresight:
    """Start advice, and the chance of each place to pass its limit within the hour."""

    at_s: float
    states: tuple[str, ...]
    advice: Advice
    chances: dict[str, WindowChance]


class PowerDesk:
    """Everything about the site's power that has a memory."""

    def __init__(self, plan: SitePlan, tree: LoadTree) -> None:
        self.plan = plan
        self.tree = tree
        self.supply = supply_of(plan)
        self.models = {name: LoadHistory() for name in plan.machines}
        self.demand = {name: DemandTrack() for name in (*tree.nodes, *tree.leaves)}
        self.ledger = Ledger(plan.timezone, self.supply.tariff)
        self.places = Ledger(plan.timezone, self.supply.tariff)  # circuits, plugs, backups: they contain the others
        self.parts = PartsBook({name: job.pieces for name, job in plan.jobs.items() if job.pieces is not None})
        self.build_cost: dict[str, float] = {}
        self.shown: tuple[float, AccountsView] | None = None  # accounts as they were last shown, and when
        self._strain: dict[str, Strain] = {}
        self._foresight: Foresight | None = None
        self._if_clear: dict[frozenset[str], tuple[float, tuple[str, ...], Advice]] = {}
        self._unmeasured_s: dict[str, float] = {}

    # ---- limits --------------------------------------------------------------------------------------------

    def limit_w(self, place: str, draw: Draw | None = None) -> float | None:
        """What a place may draw: a circuit's share for hours, a backup's rating in W and in VA; None: no limit.

        A VA rating becomes watts by the present power factor where that is known.
        """
        circuit = self.plan.circuits.get(place)
        if circuit is not None:
            return circuit.limit_w
        backup = self.plan.backups.get(place)
        if backup is None:
            return None
        limits = [] if backup.rating_w is None else [backup.rating_w]
        if backup.rating_va is not None:
            factor = draw.power_factor if draw is not None else None
            if factor is not None or not limits:
                limits.append(backup.rating_va * (factor if factor is not None else 1.0))
        return min(limits, default=None)

    def strain(self, name: str, draw: Draw) -> Strain:
        """Whether a circuit is above its share for hours, and above its breaker's conventional tripping current.

        A partly unknown draw is "at least": it can raise an alarm, and clear it only where nothing more is
        unknown than when the alarm was raised.
        """
        circuit: CircuitPlan = self.plan.circuits[name]
        before = self._strain.get(name, Strain(None, None, None))
        less_known = not before.missing.issuperset(draw.missing)
        near = _beyond(draw, circuit.rating_a * circuit.continuous_share, NEAR_BACK, before.near, less_known)
        over = _beyond(draw, circuit.rating_a * TRIPPING, OVER_BACK, before.over, less_known)
        risen = near and not before.near
        missing = frozenset(draw.missing) if risen or not near else before.missing
        found = Strain(near, over, draw.amps, missing)
        self._strain[name] = found
        return found

    # ---- time ----------------------------------------------------------------------------------------------

    def minute(self, place: str, draw: Draw, now_s: float) -> None:
        """One minute's draw of a node or leaf."""
        track = self.demand.get(place)
        if track is not None:
            track.minute(now_s, draw.watts, partial=bool(draw.missing))

    def book(
        self,
        name: str,
        part: tuple[float, float, float],
        unmeasured_s: float,
        build: str | None = None,
        of_build: float = 1.0,
    ) -> float | None:
        """Put a part of a meter's energy into the accounts; its cost, None without a tariff.

        Args:
            name: a machine or load; or a place, which is accounted for beside them.
            part: (Wh, from, to), as `EnergyMeter.cut` gives it.
            unmeasured_s: the meter's count of seconds that nothing covers, up to now.
            build: the build that this part belongs to, or ended in.
            of_build: the share of the part's energy that is the build's.
        """
        wh, from_s, to_s = part
        gap_s = max(unmeasured_s - self._unmeasured_s.get(name, 0.0), 0.0)
        self._unmeasured_s[name] = unmeasured_s
        ledger = self.ledger if name in self.tree.leaf else self.places
        cost = ledger.book(name, wh, from_s, to_s, gap_s)
        if cost is not None and build is not None:
            self.build_cost[build] = self.build_cost.get(build, 0.0) + of_build * cost
        return cost

    def built(self, build: str, run: Run) -> None:
        """A build is over, or what is known of it has changed; its cost is added here."""
        self.parts.add(build, replace(run, energy_cost=self.build_cost.get(build)))

    def settle(self, name: str, unmeasured_s: float) -> None:
        """A meter has been restored: what it had not measured before is in the accounts already."""
        self._unmeasured_s[name] = unmeasured_s

    def spent(self, now_s: float, pending: dict[str, tuple[float, float]], *, month: bool = False) -> Spent:
        """Energy and cost of the local day (or month) so far, the parts that are not booked yet included.

        Args:
            now_s: now.
            pending: machine: (Wh, since) that its meter has and the accounts have not.
            month: of the month, not the day.
        """
        today = local_day(now_s, self.plan.timezone)
        key = today[:7] if month else today
        accounts = self.ledger.months if month else self.ledger.days
        account = accounts.get(key)
        if account is None and not pending:
            return Spent(None, None, 0.0)
        wh = sum(account.wh.values()) if account is not None else 0.0
        cost = sum(account.cost.values()) if account is not None else 0.0
        for more_wh, since_s in pending.values():
            for share in self.ledger.shares(more_wh, since_s, now_s):
                if share.day.startswith(key):
                    wh += share.wh
                    cost += share.cost or 0.0
        standing = self.ledger.standing(key, today)
        gaps_s = sum(account.unmeasured_s.values()) if account is not None else 0.0
        return Spent(wh, None if standing is None else cost + standing, gaps_s)

    # ---- starting ------------------------------------------------------------------------------------------

    def foresee(self, now_s: float, machines: list[tuple[str, str, bool]], read: Read) -> Foresight:
        """Start advice and chances, at most `ADVICE_S` old and never older than a change of state.

        Args:
            now_s: now.
            machines: (name, state, ready to be started) of every machine.
            read: present readings by name.
        """
        states = tuple(f"{state}{ready}" for _, state, ready in machines)
        had = self._foresight
        if had is not None and had.states == states and 0.0 <= now_s - had.at_s < ADVICE_S:
            return had
        limits, others = self._places(read)
        now = [self._now(name, state, ready, limits, read, now_s) for name, state, ready in machines]
        at: dict[str, list[MachineNow]] = {}
        for machine in now:
            for place in machine.places:
                at.setdefault(place, []).append(machine)
        chances = {p: chance_of_passing(p, at.get(p, []), others, limits[p], CHANCE_MIN) for p in limits}
        advice = advise_apart(now, others, limits, self.supply.start_risk)
        self._foresight = Foresight(now_s, states, advice, chances)
        return self._foresight

    def starts_if_clear(
        self, now_s: float, machines: list[tuple[str, str, bool]], read: Read, clear: frozenset[str]
    ) -> Advice:
        """Start advice as it would be if the beds of `clear` were clear and their machines idle now.

        Like `foresee`: at most `ADVICE_S` old, never older than a change of state.
        """
        states = tuple(f"{state}{ready}" for _, state, ready in machines)
        had = self._if_clear.get(clear)
        if had is not None and had[1] == states and 0.0 <= now_s - had[0] < ADVICE_S:
            return had[2]
        limits, others = self._places(read)
        now = [
            self._now(name, "idle" if name in clear else state, ready or name in clear, limits, read, now_s)
            for name, state, ready in machines
        ]
        found = advise_apart(now, others, limits, self.supply.start_risk)
        self._if_clear = {k: v for k, v in self._if_clear.items() if v[1] == states and now_s - v[0] < ADVICE_S}
        self._if_clear[clear] = (now_s, states, found)
        return found

    def _places(self, read: Read) -> tuple[dict[str, float], dict[str, LoadDraw]]:
        """Every place that has a limit: its W, and the draw of what is no machine there."""
        limits, others = {}, {}
        for place, draw in self.tree.draws(self.tree.nodes, read).items():
            limit_w = self.limit_w(place, draw)
            if limit_w is not None:
                limits[place] = limit_w
                others[place] = constant(self._others_w(draw, place, read))
        return limits, others

    def _now(
        self, name: str, state: str, ready: bool, limits: dict[str, float], read: Read, now_s: float
    ) -> MachineNow:
        history = self.models[name]
        places = tuple(place for place in self.tree.above(name) if place in limits)
        return MachineNow(
            name, places, state, ready, read(name).power_w, history.heating_for_min(now_s), history.model(),
            history.cycle_min,
        )  # fmt: skip

    def _others_w(self, draw: Draw, place: str, read: Read) -> float:
        """What is no machine at a place: other loads at their highest, and what its meter finds beside them."""
        total_w = 0.0
        for leaf in self.tree.children[place]:
            if leaf not in self.plan.machines:
                found = self.tree.draw(leaf, read)
                total_w += found.high_w or 0.0
        return total_w + max(draw.difference_w or 0.0, 0.0)

    def others_unknown(self, place: str, read: Read) -> list[str]:
        """Loads of a place of which nothing is known."""
        return [
            leaf
            for leaf in self.tree.children[place]
            if leaf not in self.plan.machines and self.tree.draw(leaf, read).watts is None
        ]

    # ---- journal -------------------------------------------------------------------------------------------

    def facts(self, machines: Iterable[str], places: Iterable[str]) -> Iterator[tuple[str, str, dict[str, Any] | None]]:
        """(kind, key, document) to be kept of these machines and places."""
        for name in machines:
            history = self.models[name]
            if history.heat_ups or history.hold.total_s or history.idle.total_s or history.heat.total_s:
                yield "load_model", name, history.as_dict()
        for name in places:
            if name in self.tree.direct and (track := self.demand[name]).highest() is not None:
                yield "demand", name, track.as_dict()

    def accounts(self) -> Iterator[tuple[str, str, dict[str, Any] | None]]:
        """(kind, key, document) to be kept of the accounts, as far as they have changed."""
        for key, doc in self.ledger.take_changed().items():
            yield "account", key, doc
        for key, doc in self.places.take_changed().items():
            yield "place_account", key, doc

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]]) -> None:
        """Take up where the journal left off."""
        for name, doc in kept.get("load_model", {}).items():
            if name in self.models:
                self.models[name] = LoadHistory.from_dict(doc)
        for name, doc in kept.get("demand", {}).items():
            if name in self.demand:
                self.demand[name] = DemandTrack.from_dict(doc)
        self.ledger.restore(kept.get("account", {}))
        self.places.restore(kept.get("place_account", {}))
        self.build_cost.update({key: doc["cost"] for key, doc in kept.get("build_cost", {}).items()})

    def diversity(self, now_s: float) -> tuple[float, float] | None:
        """(sum of the machines' and loads' own highest demands, highest demand together) of the last day."""
        together = self.demand[SITE].demand(now_s)
        own = [peak.watts for leaf in self.tree.leaves if (peak := self.demand[leaf].demand(now_s)) is not None]
        return (sum(own), together.watts) if together is not None and not together.partial and own else None


def _beyond(draw: Draw, limit_a: float, back: float, before: bool | None, less_known: bool) -> bool | None:
    """Whether a current is above a limit, with a deadband; None where it is not known."""
    if draw.amps is None:
        return None
    if draw.amps > limit_a:
        return True
    if before:
        return less_known or draw.amps > back * limit_a
    return False
