"""Conditions that nobody reports: they are seen by holding one thing that is known against another.

Looked at once a minute, and when a machine moves. What cannot be told now opens and closes nothing.
"""

from collections.abc import Sequence

from farmwatch.alarms.book import AlarmBook
from farmwatch.farm import Farm
from farmwatch.machines.builds import Build
from farmwatch.machines.eta import Estimate
from farmwatch.machines.mishap import WINDOW_S, Mishap, Seen, Sign
from farmwatch.machines.tracker import MachineTrack
from farmwatch.words.model import Effect

OVERDUE_SHARE = 0.15
OVERDUE_BUILDS = 3
"""A build is overdue only by a job that has been seen so often, and by that share of its usual run or more."""
OVERDUE_SEEN, OVERDUE_MARGIN_S = 0.75, 600.0
"""And by so much beyond the 97.5 % end of what was said at that share of its usual run."""
TO_975 = 1.959964 / 1.281552
"""From the 90 % end of an interval to its 97.5 % end, as of a normal distribution (tables; from memory)."""
OFF_W = 15.0
"""A machine that is off draws less (common practice, no source)."""
NOTHING_W, SOMETHING_W = 5.0, 50.0
"""A backup's load and the plugs behind it contradict each other when one is below the first and one above the other."""
COLLECTOR = "Collector"
OUTAGE_S = 900.0
LOOKED_AFTER_S = 600.0
"""So long after a restart its alarm stands."""


class Signs:
    """Raises what follows from two things that do not go together."""

    def __init__(self, farm: Farm) -> None:
        self._farm = farm
        self._book: AlarmBook = farm.book
        self._mishaps: dict[str, tuple[str, Mishap]] = {}

    def machines(self, names: Sequence[str], now_s: float, effects: list[Effect]) -> None:
        """Look at these machines."""
        for name in names:
            machine = self._farm.machines[name]
            self._plug_against_machine(machine, now_s, effects)
            found = self._farm.estimate(name, now_s) if machine.build is not None else None
            self._failing(machine, found, now_s, effects)
            self._overdue(machine, found, now_s, effects)
            self._plug_back(name, machine, now_s, effects)

    def minute(self, now_s: float, effects: list[Effect]) -> None:
        """Look at everything else."""
        for name in self._farm.backups:
            self._load_against_plugs(name, now_s, effects)
        for name in self._farm.plan.sensors:
            value = self._farm.others[name].get("humidity")
            humidity = value if isinstance(value, float) else None
            self._book.measured(
                "humidity", name, humidity, now_s, effects, materials=self._farm.shop.too_humid_for(humidity)
            )
        blind = self._book.alarms.get(f"collector_restarted:{COLLECTOR}")
        if blind is not None and blind.true and now_s >= blind.facts.get("awoke_s", 0.0) + LOOKED_AFTER_S:
            self._book.condition("collector_restarted", COLLECTOR, now_s, effects, true=False)

    # ---- machines -------------------------------------------------------------------------------------------------

    def _plug_against_machine(self, machine: MachineTrack, now_s: float, effects: list[Effect]) -> None:
        book, name = self._book, machine.name
        says = machine.heats_idly(now_s)
        book.condition("heater_without_job", name, now_s, effects, true=says is not None, says=says)
        why = machine.sense.unit_suspect()
        book.condition("unit_suspect", name, now_s, effects, true=why is not None, why=why)
        word, power_w = machine.word("state"), machine.number("power_w")
        if word is None or power_w is None:
            return
        against = ""
        if word == "off" and power_w > OFF_W:
            against = f"it says that it is off, and its plug gives {power_w:.0f} W"
        elif word in ("printing", "heating") and power_w < book.limit("plug_off", name):
            against = f"it says that it is {word}, and its plug gives no power"
        book.condition("contradiction", name, now_s, effects, true=bool(against), says=against)

    def _failing(self, machine: MachineTrack, found: Estimate | None, now_s: float, effects: list[Effect]) -> None:
        build, name = machine.build, machine.name
        if build is None:
            self._mishaps.pop(name, None)
            self._book.condition("build_failing", name, now_s, effects, true=False)
            return
        if name not in self._mishaps or self._mishaps[name][0] != build.id:
            self._mishaps[name] = (build.id, Mishap())
        end_s = found.p50_s if found is not None else None
        until, since = machine.wh_at(now_s), machine.wh_at(now_s - WINDOW_S)
        mean_w = None
        if until is not None and since is not None and machine.number("power_w") is not None:
            mean_w = (until - since) * 3600.0 / WINDOW_S
        sign = self._mishaps[name][1].look(
            Seen(
                machine.state == "printing" and machine.word("state") is not None,
                machine.number("nozzle_c"),
                machine.number("nozzle_target_c"),
                mean_w,
                machine.number("progress"),
                machine.number("remaining_s"),
                None if end_s is None else end_s - build.started_s,
            ),
            now_s,
            self._book.limit("build_failing", name),
        )
        if isinstance(sign, Sign):
            facts = {"why": sign.why, "from_s": sign.since_s}
            self._book.condition("build_failing", name, now_s, effects, true=True, **facts)
        elif sign is False:
            self._book.condition("build_failing", name, now_s, effects, true=False)

    def _overdue(self, machine: MachineTrack, found: Estimate | None, now_s: float, effects: list[Effect]) -> None:
        build, name = machine.build, machine.name
        if build is None:
            self._book.condition("build_overdue", name, now_s, effects, true=False)
            return
        if found is None:
            return
        late_s = found.overdue_s or 0.0
        usual_s = now_s - late_s - build.started_s
        least_s = max(self._book.limit("build_overdue", name), OVERDUE_SHARE * usual_s)
        said = machine.trail.before(build.started_s + OVERDUE_SEEN * usual_s)
        if said is not None and said.p50_s is not None and said.p90_s is not None:
            spread_s = TO_975 * (said.p90_s - said.p50_s)
            # Where little is known the interval is wide: twice the usual run is overdue all the same.
            beyond_s = said.p50_s + spread_s + OVERDUE_MARGIN_S - (now_s - late_s)
            least_s = max(least_s, min(beyond_s, usual_s))
        true = found.builds >= OVERDUE_BUILDS and late_s >= least_s
        facts = {
            "late_s": late_s,
            "usual_end_s": now_s - late_s,
            "p10_s": found.p10_s,
            "p50_s": found.p50_s,
            "p90_s": found.p90_s,
        }
        self._book.condition("build_overdue", name, now_s, effects, true=true, **facts)

    def moved(self, machine: MachineTrack, before: Build | None, now_s: float, effects: list[Effect]) -> None:
        """A machine's state or build has changed: a build that ended with its plug dead has lost its power."""
        if before is None or machine.build is before or before.result == "done" or self._outage(machine, now_s):
            return
        how = self._dead(machine)
        if how:
            self._book.condition("plug_off", machine.name, now_s, effects, true=True, how=how, job=before.job)

    def _plug_back(self, name: str, machine: MachineTrack, now_s: float, effects: list[Effect]) -> None:
        how = self._dead(machine)
        if how and machine.build is not None and machine.word("state") is None and not self._outage(machine, now_s):
            self._book.condition("plug_off", name, now_s, effects, true=True, how=how, job=machine.build.job)
        power_w, limit_w = machine.number("power_w"), self._book.limit("plug_off", name)
        if power_w is not None and power_w >= 2 * limit_w and machine.latest.get("relay") is not False:
            self._book.condition("plug_off", name, now_s, effects, true=False)

    def _outage(self, machine: MachineTrack, now_s: float) -> bool:
        """Whether a loss of supply, in hand or just over, explains it: its own report tells of the build."""
        return self._farm.covered_since(machine.name, now_s - OUTAGE_S)

    def _dead(self, machine: MachineTrack) -> str:
        """How its plug gives no power, as the plug itself says; "" if it does, or if nothing is known."""
        if machine.latest.get("relay") is False:
            return "its plug is switched off"
        power_w = machine.number("power_w")
        return (
            "its plug gives no power"
            if power_w is not None and power_w < self._book.limit("plug_off", machine.name)
            else ""
        )

    # ---- backups, collector ---------------------------------------------------------------------------------------

    def _load_against_plugs(self, name: str, now_s: float, effects: list[Effect]) -> None:
        farm = self._farm
        backup, behind = farm.backups[name], farm.behind(name)
        own_w = backup.load_w()
        watts = [farm.machines[machine].number("power_w") for machine in behind]
        others = any(load.backup == name for load in farm.plan.loads.values())
        if backup.status != "on_line" or own_w is None or None in watts or not watts or others:
            return
        plugs_w = sum(w for w in watts if w is not None)
        says = ""
        if own_w > SOMETHING_W and plugs_w < NOTHING_W:
            says = f"it carries {own_w:.0f} W, and no plug behind it gives any power"
        elif own_w < NOTHING_W and plugs_w > SOMETHING_W:
            says = f"it carries {own_w:.0f} W, and the plugs behind it give {plugs_w:.0f} W"
        self._book.condition("contradiction", name, now_s, effects, true=bool(says), says=says)

    def awoke(self, dark_since_s: float | None, now_s: float, effects: list[Effect]) -> None:
        """The collector runs again."""
        if dark_since_s is None or now_s - dark_since_s < self._book.limit("collector_restarted", COLLECTOR):
            return
        facts = {"dark_since_s": dark_since_s, "awoke_s": now_s}
        self._book.condition("collector_restarted", COLLECTOR, now_s, effects, true=True, **facts)

    def clock(self, why: str, now_s: float, effects: list[Effect]) -> None:
        """The computer's clock cannot be trusted, or can ("")."""
        self._book.condition("clock_untrusted", COLLECTOR, now_s, effects, true=bool(why), why=why)
