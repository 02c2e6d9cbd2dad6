"""PURE: everything that is known of the farm at one moment; the brain changes it, words and views read it."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from farmwatch.alarms.book import AlarmBook
from farmwatch.machines.builds import Build
from farmwatch.machines.eta import Estimate, Estimator
from farmwatch.machines.tracker import MachineTrack
from farmwatch.power.advice import Advice
from farmwatch.power.backup import BackupTrack
from farmwatch.power.battery import RuntimeEstimate, RuntimeTable, estimate_runtime, fallback_table
from farmwatch.power.care import Care
from farmwatch.power.demand import MinuteMean
from farmwatch.power.desk import Foresight, PowerDesk
from farmwatch.power.diary import Diary
from farmwatch.power.energy import EnergyMeter
from farmwatch.power.load import Draw, LoadTree, Reading, load_share, supply_of
from farmwatch.power.outage import OutageWatch
from farmwatch.power.rescue_desk import RescueDesk
from farmwatch.power.slices import Minute, slices_of
from farmwatch.shop.desk import ShopDesk
from farmwatch.shop.trips import RoundDesk
from farmwatch.shop.usage import Rates, Run
from farmwatch.shop.workdesk import WorkDesk
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import BackupPlan, RuleChange, SitePlan, SourcePlan, Value
from farmwatch.words.timers import Timers

ENERGY = frozenset({"power_w", "energy_wh"})
LINGER_S = 3.0
"""Most backups trust the mains only after a few seconds (common practice, no source)."""


@dataclass(slots=True)
class SourceTrack:
    """How a source has behaved. `state`: never, fresh, last_known, silent, failed, degraded."""

    plan: SourcePlan
    state: str = "never"
    last_s: float | None = None
    silent_since_s: float | None = None
    error: str = ""
    degraded: bool = False


@dataclass(slots=True)
class Runtime:
    """How long a backup lasts at its present load; None where nothing can be said."""

    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    basis: str


@dataclass(slots=True)
class _Once:
    """What has been worked out since nothing changes."""

    read: Callable[[str], Reading]
    draws: dict[str, Draw] = field(default_factory=dict)
    foresight: Foresight | None = None


class Farm:
    """The state of the whole site."""

    def __init__(self, plan: SitePlan) -> None:
        self.plan = plan
        self.timers = Timers()
        self.estimator = Estimator()
        self.sources = {name: SourceTrack(source) for name, source in plan.sources.items()}
        by_subject: dict[str, list[SourcePlan]] = {}
        for source in plan.sources.values():
            by_subject.setdefault(source.subject, []).append(source)
        self.by_subject = by_subject
        self.machines = {
            name: MachineTrack(machine, by_subject.get(name, []), self.estimator, self.timers)
            for name, machine in plan.machines.items()
        }
        self.backups = {name: BackupTrack(backup) for name, backup in plan.backups.items()}
        others = [*plan.circuits, *supply_of(plan).plugs, *plan.loads, *plan.sensors]
        others += ["site"] if "site" in by_subject else []
        self.others: dict[str, dict[str, Value]] = {name: {} for name in others}
        self.tree = LoadTree(plan)
        self.slices = slices_of(self.tree, frozenset(plan.machines), frozenset(plan.circuits))
        self.power = PowerDesk(plan, self.tree)
        metered = [*plan.machines, *others, *plan.backups]
        self.meters = {
            name: EnergyMeter(max_gap_s=self._gap_s(by_subject.get(name, [])))
            for name in metered
            if name in plan.machines or any(s.quantities & ENERGY for s in by_subject.get(name, []))
        }
        self._means = {name: MinuteMean() for name in self.meters}
        for name, machine in self.machines.items():
            machine.wh_at = self.meters[name].wh_at
        self.outage = OutageWatch(plan, self.sources)
        self.diary = Diary(len(plan.machines))
        self.tables = {name: _table(backup) for name, backup in plan.backups.items()}
        self.care = {name: Care(backup, self.tables[name]) for name, backup in plan.backups.items()}
        self.rescue = RescueDesk(self)
        self.book = AlarmBook(self.timers, with_blip(plan))
        self.shop = ShopDesk(self)
        self.rounds = RoundDesk(self)
        self.work = WorkDesk(self)
        self.links: dict[tuple[str, str | None], tuple[bool, float]] = {}
        self.stores: dict[str, tuple[bool, str]] = {}
        self._once: _Once | None = None
        self._behind: dict[str, list[str]] = {}
        for name, entry in plan.machines.items():
            if entry.backup is not None:
                self._behind.setdefault(entry.backup, []).append(name)

    @staticmethod
    def _gap_s(sources: list[SourcePlan]) -> float:
        gaps = [s.stale_s for s in sources if "power_w" in s.quantities and s.interval_s > 0]
        return max(min(gaps, default=60.0), 60.0)

    # ---- power -------------------------------------------------------------------------------------------------

    def power_w(self, leaf: str) -> float | None:
        """Watts of a machine or other load, None if unknown."""
        machine = self.machines.get(leaf)
        if machine is not None:
            return machine.number("power_w")
        value = self.others.get(leaf, {}).get("power_w")
        return value if isinstance(value, float) else None

    def count_energy(self, subject: str, values: Mapping[str, Value], now_s: float) -> None:
        """Take watts and energy counter of a message about a machine, load or place."""
        meter = self.meters.get(subject)
        if meter is None or not ("power_w" in values or "energy_wh" in values):
            return
        power_w, counter_wh = values.get("power_w"), values.get("energy_wh")
        self._means[subject].observe(now_s, power_w if isinstance(power_w, float) else None)
        meter.observe(
            now_s,
            power_w if isinstance(power_w, float) else None,
            counter_wh if isinstance(counter_wh, float) else None,
        )

    def built(self, build: Build) -> None:
        """A build is over, or what is known of its end has changed: energy and cost of its parts."""
        if build.ended_s is not None:
            hours = (build.ended_s - build.started_s) / 3600.0
            self.power.built(
                build.id,
                Run(build.machine, build.job, build.result, hours, build.energy_wh, None, None, build.pieces),
            )

    def rates(self) -> Rates:
        """What a kWh and an hour of a machine cost, for the cost of parts."""
        tariff = self.power.supply.tariff
        return Rates(tariff.per_kwh if tariff is not None else None, self.plan.shop.machine_hour or 0.0)

    def restore_energy(self, kept: Mapping[str, Mapping[str, dict[str, Any]]], builds: Iterable[Build]) -> None:
        """Meters, models, accounts and the builds that are over, from the journal's facts by kind and key."""
        for name, doc in kept.get("energy", {}).items():
            if name in self.meters:
                self.meters[name].restore(doc)
                self.power.settle(name, self.meters[name].unmeasured_s())
        self.power.restore(kept)
        for build in builds:
            self.built(build)

    def reading(self, name: str) -> Reading:
        """What the sources of a node or leaf say of its power now."""
        machine = self.machines.get(name)
        if machine is not None:
            return _reading(machine.latest)
        backup = self.backups.get(name)
        if backup is None:
            return _reading(self.others.get(name, {}))
        found = _reading(backup.latest)
        if found.power_w is None and (load_w := backup.load_w()) is not None:
            return found._replace(power_w=load_w, coarse=True)
        return found

    def draw(self, place: str) -> Draw:
        """Draw of a node of the tree, by its own meter where it has one."""
        if self._once is None:
            return self.tree.draw(place, self.reading)
        return self.tree.draw(place, self._once.read, self._once.draws)

    @contextmanager
    def still(self) -> Iterator[None]:
        """Within it nothing may change: every reading, draw and foresight is worked out once, however often asked."""
        self._once = _Once(cache(self.reading))
        try:
            yield
        finally:
            self._once = None

    def draws(self, places: Iterable[str], minute: Minute) -> dict[str, Draw]:
        """Draw of these nodes and leaves, now; the minute brings and takes what has been worked out in it."""
        return self.tree.draws(places, self.reading, minute.draws)

    def mean_draws(self, places: Iterable[str], minute: Minute) -> dict[str, Draw]:
        """Draw of nodes and leaves over the minute that is over: its mean where it has a meter, else as it is now.

        A heater that switches every few seconds makes a momentary value a lottery.
        """
        means = minute.mean_w
        for name in places:
            track = self._means.get(name)
            if track is not None and (mean_w := track.take()) is not None:
                means[name] = mean_w

        def read(name: str) -> Reading:
            now = self.reading(name)
            return Reading(means[name]) if name in means and now.power_w is not None else now

        return self.tree.draws(places, read, minute.means)

    def load_share(self, backup: str) -> float | None:
        """Load as a share of a backup's rating: the greater of its W and VA share, or what the unit itself says."""
        said, plan, draw = self.backups[backup].number("load"), self.plan.backups[backup], self.draw(backup)
        return said if said is not None else load_share(draw.watts, draw.va, plan.rating_w, plan.rating_va)

    def foresee(self, now_s: float) -> Foresight:
        """Start advice, and the chance of each place to pass its limit."""
        held = self._once
        if held is not None and held.foresight is not None:
            return held.foresight
        found = self.power.foresee(now_s, self._ready(), self.reading)
        if held is not None:
            held.foresight = found
        return found

    def starts_if_clear(self, clear: Iterable[str], now_s: float) -> Advice:
        """Start advice as it would be if these machines' beds were clear."""
        return self.power.starts_if_clear(now_s, self._ready(), self.reading, frozenset(clear))

    def _ready(self) -> list[tuple[str, str, bool]]:
        return [(name, m.state, m.state == "idle" and not m.bed_full) for name, m in self.machines.items()]

    def load_of_backup_w(self, name: str) -> float | None:
        """Watts at a backup's outlets: what it says itself, else the sum of what hangs on it if all is known."""
        own_w = self.backups[name].load_w()
        if own_w is not None:
            return own_w
        draw = self.draw(name)
        return draw.watts if not draw.missing else None

    def overloaded(self, name: str) -> bool:
        """Whether a backup says so, or carries more than its rating: where it has no meter, by the plugs behind it.

        What is missing in their sum only makes it less than it is.
        """
        backup = self.backups[name]
        if backup.overloaded() or backup.load_w() is not None or backup.plan.rating_w is None:
            return backup.overloaded()
        watts = self.draw(name).watts
        return watts is not None and watts > backup.plan.rating_w

    def runtime(self, name: str) -> Runtime | None:
        """How long a backup lasts at the present load: by its table, else by what the unit itself says."""
        backup = self.backups[name]
        if backup.status == "unknown":
            return None
        entry, load_w, charge = self.tables[name], self.load_of_backup_w(name), backup.number("charge")
        if entry is not None and load_w is not None and load_w > 0 and charge is not None:
            table, basis = entry
            found: RuntimeEstimate = estimate_runtime(
                table,
                [(1.0, load_w)],
                charge=charge,
                health=self.care[name].belief,
                battery_c=backup.number("battery_c"),
                basis=basis,
            )
            words = "maker's table at this load" if basis == "table" else "battery's Wh at this load, rough"
            return Runtime(found.low_min * 60, found.minutes * 60, found.high_min * 60, words)
        said_s = backup.reported_runtime_s()
        if said_s is None:
            return None
        return Runtime(None, said_s, None, "as the unit itself says; no range is known")

    # ---- machines ------------------------------------------------------------------------------------------------

    def estimate(self, machine: str, now_s: float) -> Estimate | None:
        """Finish time of the build in hand, or None."""
        build = self.machines[machine].build
        return None if build is None else self.estimator.estimate(build.id, now_s)

    def behind(self, backup: str) -> list[str]:
        """Machines that a backup feeds."""
        return list(self._behind.get(backup, ()))

    def covered(self, name: str) -> bool:
        """Whether the outage in hand explains what happens at this machine, load or backup."""
        return self.outage.covers(name)

    def covered_since(self, name: str, since_s: float) -> bool:
        """Whether a loss of supply, in hand or over, took this subject's power at some time since `since_s`."""
        outage, last = self.outage.open, self.outage.last
        if outage is not None and outage.backups and self.outage.covers(name):
            return True  # one that no backup has felt is only concluded from silence: no proof that power went
        over = last is not None and last.ended_s is not None and last.ended_s >= since_s - 60.0
        return over and last is not None and bool(last.backups) and self.outage.covers(name, last)


def with_blip(plan: SitePlan) -> dict[str, RuleChange]:
    """The owner's changes to the alarm table; what a blip may cause waits for the site's blip time unless said.

    Backups stay on battery for some seconds after the mains is back, which must not make a blip an outage.
    """
    found = dict(plan.rules)
    blip_s = plan.blip_s + LINGER_S if plan.blip_s > 0 else 0.0
    for name in ("mains_lost", "battery_low"):
        own = found.get(name, RuleChange())
        found[name] = replace(own, on_delay_s=own.on_delay_s if own.on_delay_s is not None else blip_s)
    return found


def _reading(values: Mapping[str, Value]) -> Reading:
    power_w, apparent_va = values.get("power_w"), values.get("apparent_va")
    voltage_v, current_a = values.get("voltage_v"), values.get("current_a")
    return Reading(
        power_w if isinstance(power_w, float) else None,
        apparent_va if isinstance(apparent_va, float) else None,
        voltage_v if isinstance(voltage_v, float) else None,
        current_a if isinstance(current_a, float) else None,
    )


def _table(plan: BackupPlan) -> tuple[RuntimeTable, str] | None:
    """The runtime table of a backup and its basis; from the battery's Wh where the maker's is not given."""
    try:
        if plan.runtime_table:
            return RuntimeTable(plan.runtime_table), "table"
        if plan.battery_wh:
            return fallback_table(plan.battery_wh), "energy"
    except ConfigError:
        return None
    return None
