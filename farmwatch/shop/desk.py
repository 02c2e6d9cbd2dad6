"""The shop's own desk: what builds, minutes and words do to stock, air and wear, and the alarms that follow.

Looked at once a minute; what cannot be told opens and closes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from farmwatch.machines.state import BUSY
from farmwatch.shop.feedstock import Feedstock
from farmwatch.shop.room import Exposures
from farmwatch.shop.spools import Stockroom, number
from farmwatch.shop.stock import Cover, Demand, Reorder, Spool, cover, reorder
from farmwatch.shop.upkeep import Upkeep
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, Note, Said

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from farmwatch.farm import Farm
    from farmwatch.machines.builds import Build
    from farmwatch.machines.tracker import MachineTrack

ENOUGH = 0.9
"""Filament counts as enough where it is so with this chance."""
PIECES_MOST = 10_000.0


class ShopDesk:
    """Stock, air and wear of one farm."""

    def __init__(self, farm: Farm) -> None:
        plan = farm.plan
        self._farm = farm
        self.stock = Stockroom(plan.shop, plan.jobs, plan.machines)
        self.upkeep = Upkeep(plan.shop, plan.machines)
        self.exposures = Exposures()
        self.trials: dict[str, float] = {}
        self.shown: tuple[float, Any] | None = None  # the view of it, kept by shop.show

    # ---- what happens -------------------------------------------------------------------------------------------

    def moved(self, machine: MachineTrack, build: Build | None, now_s: float, effects: list[Effect]) -> None:
        """A machine's state or build has changed."""
        if self.upkeep.moved(machine.name, machine.state, now_s):
            self.upkeep.keep(machine.name, effects)
        if build is not None and machine.build is not build:
            self.built(build, now_s, effects)

    def built(self, build: Build, now_s: float, effects: list[Effect]) -> None:
        """A build is over, or its end was corrected: what it took and gave, for the journal's history."""
        self.upkeep.built(build, effects)
        found = self.stock.built(build, effects)
        if found is None:
            return
        used, spool, cost = found
        job = self._farm.plan.jobs.get(build.job or "")
        usual = job.pieces if job is not None else None
        doc = {
            "build": build.id, "machine": build.machine, "job": build.job, "material": build.material,
            "started": build.started_s, "ended": build.ended_s, "result": build.result, "grams": _rounded(used.grams),
            "grams_sd": _rounded(used.sd_g), "basis": used.basis, "spool": spool, "material_cost": _rounded(cost, 4),
            "energy_wh": _rounded(build.energy_wh),
            "energy_cost": _rounded(self._farm.power.build_cost.get(build.id), 4),
            "pieces": usual if build.pieces is None else build.pieces, "usual_pieces": usual,
            "planned_s": build.planned_s, "estimates": build.estimates[:6],
        }  # fmt: skip
        effects.append(Note(now_s, "use", doc))
        self.shown = None

    def minute(self, now_s: float, effects: list[Effect]) -> None:
        """Look at spools, air and parts."""
        self.machines(self._farm.machines, now_s, effects)
        self.spools(now_s, effects)

    def machines(self, names: Iterable[str], now_s: float, effects: list[Effect]) -> None:
        """Look at these machines' wear and filament."""
        for name in names:
            machine = self._farm.machines[name]
            if self.upkeep.moved(name, machine.state, now_s):
                self.upkeep.keep(name, effects)
            self._filament(machine, now_s, effects)

    def spools(self, now_s: float, effects: list[Effect]) -> None:
        """Look at the spools and their air."""
        humidity = self.humidity()
        for spool in self.stock.spools.values():
            row = self.stock.row_of(spool.material)
            self.exposures.look(spool, row, humidity, now_s)
            self._damp(spool, row, now_s, effects)

    def wear(self, names: Iterable[str], now_s: float, effects: list[Effect]) -> None:
        """These machines' use, once an hour."""
        for name in names:
            if name in self.upkeep.lives:
                self.upkeep.keep(name, effects)
                self._service(name, now_s, effects)

    def hour(self, now_s: float, effects: list[Effect], machines: Iterable[str] | None = None) -> None:
        """What changes slowly, and the use of these machines; None: of all, in the order in which they were seen."""
        self.stock.forget_old(now_s, effects)
        self.exposures.keep(effects)
        self.wear(list(self.upkeep.lives) if machines is None else machines, now_s, effects)
        for key in self.materials():
            found = self.order(key, now_s)
            true = found is not None and self.stock.stock_g(key) <= found[1].point_g
            facts = {} if found is None else {"left_g": self.stock.stock_g(key), "point_g": found[1].point_g,
                                              "days": found[2].days if found[2] is not None else None}  # fmt: skip
            self._farm.book.condition("stock_low", key, now_s, effects, true=true, **facts)

    # ---- alarms -------------------------------------------------------------------------------------------------

    def _filament(self, machine: MachineTrack, now_s: float, effects: list[Effect]) -> None:
        book, name = self._farm.book, machine.name
        found = self.enough(name)
        if found is None:
            if self.stock.on(name) is None:
                book.condition("filament_low", name, now_s, effects, true=False)
            return
        spool, left_g, needed_g, chance = found
        finish, out_s = self._farm.estimate(name, now_s), None
        if machine.build is not None and finish is not None and finish.p50_s is not None and left_g < needed_g:
            out_s = now_s + max(finish.p50_s - now_s, 0.0) * left_g / needed_g
        facts: dict[str, Any] = {"left_g": left_g, "needed_g": needed_g, "spool": spool.name, "out_s": out_s}
        after, build = self._next_job(name), machine.build
        if after is not None and build is None:
            facts["next"] = after[0]
        elif after is not None and build is not None and chance >= ENOUGH:
            now = self.stock.job_grams(build.job)
            both_g = (now[0] if now is not None else needed_g) + after[1]
            chance = spool.enough_for(both_g, 0.1 * both_g)
            facts |= {"needed_g": needed_g + after[1], "next": after[0]}
        book.condition("filament_low", name, now_s, effects, true=chance < ENOUGH, **facts)

    def _next_job(self, name: str) -> tuple[str, float] | None:
        """The job that goes on a machine next, and its grams.

        None: nothing is settled or proposed, or what it takes is not known, or it is of another material than the spool
        that hangs there.
        """
        load, spool, key = self._farm.rounds.loads.get(name), self.stock.on(name), self.stock.key_of
        if load is None or spool is None or load["grams"] is None:
            return None
        other = load["material"] is not None and key(load["material"]) != key(spool.material)
        return None if other else (load["job"], load["grams"])

    def _damp(self, spool: Spool, row: Feedstock | None, now_s: float, effects: list[Effect]) -> None:
        found = self.exposures.of.get(spool.name)
        due = found is not None and row is not None and not spool.stored and found.needs_drying(row)
        facts = {}
        if found is not None and row is not None:
            facts = {"humid_h": found.humid_s / 3600, "limit": row.storage_rh, "dry_c": row.dry_c, "dry_h": row.dry_h,
                     "material": spool.material, "machine": spool.machine}  # fmt: skip
        self._farm.book.condition("spool_damp", spool.name, now_s, effects, true=due, **facts)

    def _service(self, name: str, now_s: float, effects: list[Effect]) -> None:
        rows = [row for row in self.upkeep.parts(name, now_s) if row.due.share >= 1.0]
        facts = {}
        if rows:
            unit = rows[0].due.unit
            facts = {"task": ", ".join(row.part for row in rows[:4]), "unit": unit,
                     "used": getattr(rows[0].wear, unit), "every": getattr(rows[0].interval, unit)}  # fmt: skip
        self._farm.book.condition("service_due", name, now_s, effects, true=bool(rows), **facts)

    # ---- looking ------------------------------------------------------------------------------------------------

    def enough(self, name: str) -> tuple[Spool, float, float, float] | None:
        """The spool on a machine, grams on it now, grams that are still needed, the chance that they suffice.

        Needed: by the build in hand, else by the work list's next, else by a usual one. None: no spool, or nothing
        says what is needed.
        """
        spool, build = self.stock.on(name), self._farm.machines[name].build
        if spool is None:
            return None
        if build is None:
            after = self._next_job(name)
            usual_g = after[1] if after is not None else self.stock.usual_grams(name)
            return None if usual_g is None else (
                spool, spool.left_g, usual_g, spool.enough_for(usual_g, 0.25 * usual_g)
            )  # fmt: skip
        found = self.stock.job_grams(build.job)
        if found is None:
            return None
        # What the build in hand has used comes off the spool when it is over; until then it is reckoned here.
        done_g = found[0] * min(max(build.progress or 0.0, 0.0), 1.0)
        left_g = max(spool.left_g - done_g, 0.0)
        return spool, left_g, found[0] - done_g, spool.enough_for(found[0], 0.1 * found[0])

    def humidity(self) -> float | None:
        """The most humid air that any sensor sees, None if none says anything."""
        values = [self._farm.others[name].get("humidity") for name in self._farm.plan.sensors]
        return max((value for value in values if isinstance(value, float)), default=None)

    def too_humid_for(self, humidity: float | None) -> list[str]:
        """Materials of open spools whose limit this air is above."""
        if humidity is None:
            return []
        found = set()
        for spool in self.stock.spools.values():
            row = self.stock.row_of(spool.material)
            if row is not None and not spool.empty and not spool.stored and humidity > row.storage_rh:
                found.add(self.stock.key_of(spool.material) or "")
        return sorted(found)

    def materials(self) -> list[str]:
        """Materials that there are spools of, or that have been used lately."""
        keys = [self.stock.key_of(spool.material) for spool in self.stock.spools.values()]
        return sorted({key for key in (*keys, *(use.material for use in self.stock.uses.values())) if key})

    def order(self, key: str, now_s: float) -> tuple[Demand, Reorder, Cover | None] | None:
        """A material's pace, reorder point, and how long its stock lasts; None before three days of use."""
        demand = self.stock.demand(now_s, material=key)
        if demand is None or demand.mean_g <= 0:
            return None
        plan = self._farm.plan.shop
        own = next((entry for name, entry in plan.materials.items() if name.upper() == key), None)
        lead = plan.lead_days if own is None or own.lead_days is None else own.lead_days
        lead_sd = plan.lead_sd_days if own is None or own.lead_sd_days is None else own.lead_sd_days
        point = reorder(demand, lead, lead_sd, plan.service_level)
        return demand, point, cover(self.stock.stock_g(key), demand, point.point_g, now_s)

    def ventilate(self) -> list[str]:
        """Materials in hand now that give off vapours."""
        found = set()
        for machine in self._farm.machines.values():
            build = machine.build
            if build is not None and machine.state in BUSY:
                row = self.stock.row_of(build.material)
                if row is not None and row.ventilate:
                    found.add(self.stock.key_of(build.material) or "")
        return sorted(found)

    # ---- people, life -------------------------------------------------------------------------------------------

    def said(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        """A command of `words.model.SHOP_COMMANDS`; raises Refused with the reason."""
        self.shown = None
        if said.command.startswith("spool_"):
            spool = self.stock.said(said, effects)
            if said.command == "spool_dried":
                self.exposures.dried(spool.name)
            self.minute(now_s, effects)
            return
        machine = self._farm.machines.get(said.machine or "")
        if machine is None:
            raise Refused(f"no machine {said.machine!r}", hint=f"machines: {', '.join(self._farm.machines)}")
        if said.command == "pieces":
            self._pieces(machine, said, now_s, effects)
        elif said.command in ("trial", "trial_over"):
            self._trial(machine.name, said, effects)
        else:
            self.upkeep.said(said, machine.name, effects)
            self._service(machine.name, now_s, effects)

    def _pieces(self, machine: MachineTrack, said: Said, now_s: float, effects: list[Effect]) -> None:
        pieces = number(said, "pieces", 0.0, PIECES_MOST, zero=True)
        if pieces is None:
            raise Refused("how many good pieces?", hint="give the field 'pieces'")
        build = machine.last_build
        if build is None:
            raise Refused(f"{machine.name} has no build that is over", hint="say it when the build has come off")
        build.pieces = pieces
        effects.append(Keep("build", build.id, build.as_dict()))
        self._farm.built(build)
        self.built(build, now_s, effects)

    def _trial(self, name: str, said: Said, effects: list[Effect]) -> None:
        if (said.command == "trial") == (name in self.trials):
            raise Refused(f"{name} {'runs trials already' if name in self.trials else 'runs no trials'}")
        if said.command == "trial":
            self.trials[name] = said.at_s
            effects.append(Keep("trial", name, {"since_s": said.at_s}))
        else:
            del self.trials[name]
            effects.append(Keep("trial", name, None))

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]], now_s: float) -> None:
        """Take up where the journal left off."""
        self.stock.restore(kept)
        states = {name: machine.state for name, machine in self._farm.machines.items()}
        self.upkeep.restore(kept.get("life", {}), states, now_s)
        self.exposures.restore(kept.get("exposure", {}))
        self.trials = {name: doc["since_s"] for name, doc in kept.get("trial", {}).items()}


def _rounded(value: float | None, digits: int = 2) -> float | None:
    return None if value is None else round(value, digits)
