"""The spools of the shop, what builds have taken off them, and what people say of them.

What a build used is its reported weight, else its reported length at the material's density, else the grams of its
job ([jobs] grams, or what earlier builds of it used), as far as it came; else it is not known, and that is counted.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from statistics import median
from typing import Any, NamedTuple

from farmwatch.alarms.wording import count
from farmwatch.machines.builds import Build
from farmwatch.shop.feedstock import FEEDSTOCKS, Feedstock, grams_of
from farmwatch.shop.stock import DAY_S, Demand, Spool, demand_of
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, JobPlan, Keep, Said
from farmwatch.words.shop_plan import MaterialPlan, ShopPlan

REPORTED_SD, JOB_SD, PART_SD = 0.03, 0.10, 0.20
"""Relative standard deviation of a reported weight, of a job's grams, and of the same times a build's progress (common
practice, no source)."""
SCALE_SD_G = 2.0
"""Of a kitchen scale (common practice, no source)."""
KEEP_USES_S = 62 * DAY_S
MOST_G, NAME_MOST, SPOOLS_MOST = 20_000.0, 40, 500


class Used(NamedTuple):
    """What a build took; grams None: not known."""

    grams: float | None
    sd_g: float | None
    basis: str


@dataclass(frozen=True, slots=True)
class Use:
    """A build's use, for the pace of a material, a machine, a job."""

    at_s: float
    machine: str
    job: str | None
    material: str | None
    grams: float | None
    spool: str | None
    result: str


def table_of(plans: Mapping[str, MaterialPlan]) -> dict[str, Feedstock]:
    """The materials, the owner's figures above the usual ones; a material of the owner's own needs a density."""
    table = dict(FEEDSTOCKS)
    for name, plan in plans.items():
        row = table.get(name.upper(), Feedstock(math.nan, 0.4, 50.0, 5.0, 168.0))
        given = {
            key: value
            for key in ("density_g_cm3", "storage_rh", "dry_c", "dry_h", "dry_after_h", "ventilate")
            if (value := getattr(plan, key)) is not None
        }
        table[name.upper()] = replace(row, **given)
    return table


class Stockroom:
    """Spools and uses. Commands return nothing and raise Refused; effects are facts for the journal."""

    def __init__(self, plan: ShopPlan, jobs: Mapping[str, JobPlan], machines: Iterable[str]) -> None:
        self.plan = plan
        self.table = table_of(plan.materials)
        self.spools: dict[str, Spool] = {}
        for name, entry in plan.spools.items():
            left_g = entry.full_g if entry.left_g is None else entry.left_g
            self.spools[name] = Spool(
                name, entry.material, left_g, SCALE_SD_G, entry.full_g, entry.diameter_mm, entry.density_g_cm3,
                entry.opened_s, entry.machine, entry.price, entry.empty_g, stored=entry.machine is None,
            )  # fmt: skip
        self.uses: dict[str, Use] = {}
        self._usual: dict[tuple[str, str], tuple[float, int] | None] = {}  # kept until a use is written down
        self._jobs, self._machines = jobs, tuple(machines)

    # ---- looking ----------------------------------------------------------------------------------------------

    def key_of(self, material: str | None) -> str | None:
        """The row's name that a material's name begins with; its own name where none fits."""
        name = (material or "").strip().upper()
        fits = [key for key in self.table if name.startswith(key)]
        return max(fits, key=len) if fits else name or None

    def row_of(self, material: str | None) -> Feedstock | None:
        """The material's row, None where it is unknown."""
        key = self.key_of(material)
        return self.table.get(key) if key is not None else None

    def on(self, machine: str) -> Spool | None:
        """The spool that hangs on a machine."""
        return next((spool for spool in self.spools.values() if spool.machine == machine and not spool.empty), None)

    def stock_g(self, key: str) -> float:
        """All that is left of a material."""
        return math.fsum(s.left_g for s in self.spools.values() if not s.empty and self.key_of(s.material) == key)

    def demand(self, now_s: float, *, material: str | None = None, machine: str | None = None) -> Demand | None:
        """Use a day of a material, or at a machine."""
        uses = [
            (use.at_s, use.grams)
            for use in self.uses.values()
            if use.grams is not None
            and (material is None or use.material == material)
            and (machine is None or use.machine == machine)
        ]
        return demand_of(uses, now_s)

    def job_grams(self, job: str | None) -> tuple[float, str] | None:
        """Grams of one whole build of a job, and where they come from."""
        plan = self._jobs.get(job or "")
        if plan is not None and plan.grams is not None:
            return plan.grams, "the job's grams"
        past = self._median("job", job) if job else None
        return (past[0], f"{count(past[1], 'build')} of it") if past is not None else None

    def usual_grams(self, machine: str) -> float | None:
        """What a build on this machine usually takes."""
        past = self._median("machine", machine)
        return past[0] if past is not None else None

    def _median(self, what: str, name: str) -> tuple[float, int] | None:
        """Median use of the builds of a job or machine that went well, and their number."""
        key = (what, name)
        if key not in self._usual:
            past = [
                use.grams
                for use in self.uses.values()
                if use.grams is not None and use.result == "done" and getattr(use, what) == name
            ]
            self._usual[key] = (median(past), len(past)) if past else None
        return self._usual[key]

    def used_by(self, build: Build) -> Used:
        """What a build that is over has used."""
        if build.filament_g is not None:
            return Used(build.filament_g, build.filament_g * REPORTED_SD, "weight as reported")
        spool, row = self.on(build.machine), self.row_of(build.material)
        density = spool.density_g_cm3 if spool is not None and spool.density_g_cm3 is not None else None
        density = density if density is not None else row.density_g_cm3 if row is not None else None
        if build.filament_mm is not None and density is not None and math.isfinite(density):
            grams, sd_g = grams_of(build.filament_mm, density, spool.diameter_mm if spool is not None else 1.75)
            return Used(grams, sd_g, "length as reported")
        found = self.job_grams(build.job)
        if found is None:
            return Used(None, None, "neither length, weight nor job grams")
        if build.result == "done":
            return Used(found[0], found[0] * JOB_SD, found[1])
        if build.progress is None:
            return Used(None, None, "it did not end well, and how far it came is not known")
        return Used(found[0] * build.progress, found[0] * PART_SD, f"{found[1]}, as far as it came")

    # ---- builds -----------------------------------------------------------------------------------------------

    def built(self, build: Build, effects: list[Effect]) -> tuple[Used, str | None, float | None] | None:
        """A build is over, or its end was corrected: what it used, off which spool, at what price of material."""
        if build.ended_s is None:
            return None
        before = self.uses.get(build.id)
        if before is not None:
            used = Used(before.grams, None, "as written down when it ended")
            spool = self.spools.get(before.spool or "")
            self._note_use(build, replace(before, result=build.result), effects)
            return used, before.spool, self._price(used.grams, spool, before.material)
        used, spool = self.used_by(build), self.on(build.machine)
        material = self.key_of(build.material or (spool.material if spool is not None else None))
        if spool is not None:
            if used.grams is None:
                spool = replace(spool, unknown_builds=spool.unknown_builds + 1)
            else:
                spool = spool.taken(used.grams, used.sd_g or 0.0)
            self._put(spool, effects)
        name = spool.name if spool is not None else None
        use = Use(build.ended_s, build.machine, build.job, material, used.grams, name, build.result)
        self._note_use(build, use, effects)
        return used, name, self._price(used.grams, spool, material)

    def used(self, build: str) -> tuple[float | None, float | None]:
        """Grams that a build took and what they have cost; None where it is not known."""
        use = self.uses.get(build)
        if use is None:
            return None, None
        return use.grams, self._price(use.grams, self.spools.get(use.spool or ""), use.material)

    def _price(self, grams: float | None, spool: Spool | None, material: str | None) -> float | None:
        each = spool.price_of_gram if spool is not None else None
        if each is None:
            per_kg = next((p.price_per_kg for n, p in self.plan.materials.items() if n.upper() == material), None)
            each = per_kg / 1e3 if per_kg is not None else None
        return None if grams is None or each is None else grams * each

    def _note_use(self, build: Build, use: Use, effects: list[Effect]) -> None:
        if self.uses.get(build.id) != use:
            self.uses[build.id] = use
            self._usual.clear()
            effects.append(Keep("use", build.id, asdict(use)))

    def forget_old(self, now_s: float, effects: list[Effect]) -> None:
        """Uses that no pace rests on any more."""
        for key in [key for key, use in self.uses.items() if use.at_s < now_s - KEEP_USES_S]:
            del self.uses[key]
            self._usual.clear()
            effects.append(Keep("use", key, None))

    def _put(self, spool: Spool, effects: list[Effect]) -> None:
        self.spools[spool.name] = spool
        effects.append(Keep("spool", spool.name, asdict(spool)))

    # ---- what people say ----------------------------------------------------------------------------------------

    def said(self, said: Said, effects: list[Effect]) -> Spool:
        """A command about a spool; the spool as it is then. Raises Refused with the reason."""
        name = str(said.fields.get("spool") or "").strip()
        if said.command == "spool_added":
            spool = self._added(name, said, effects)
        else:
            found = self.spools.get(name)
            if found is None:
                known = ", ".join(n for n, s in self.spools.items() if not s.empty) or "none yet; say spool_added"
                raise Refused(f"no spool {name!r}" if name else "which spool?", hint=f"spools: {known}"[:300])
            spool = getattr(self, f"_{said.command.removeprefix('spool_')}")(found, said, effects)
        self._put(spool, effects)
        return spool

    def _added(self, name: str, said: Said, effects: list[Effect]) -> Spool:
        if not name or len(name) > NAME_MOST or not all(c.isalnum() or c in " _-" for c in name):
            raise Refused(f"{name[:60]!r} is no usable name", hint="letters, digits, blanks, _ and -, at most 40")
        known = self.spools.get(name)
        if known is not None and not known.empty:
            raise Refused(f"there is a spool {name!r} already", hint="choose another name, or say spool_empty first")
        if known is None and len(self.spools) >= SPOOLS_MOST:
            raise Refused(f"{SPOOLS_MOST} spools are the most", hint="use the names of empty ones again")
        material = str(said.fields.get("material") or "").strip()
        if not material:
            raise Refused("of which material?", hint="give the field 'material'")
        if self.row_of(material) is None:
            hint = f"known: {', '.join(sorted(self.table))}; or add [materials.{material.upper()[:20]}] density_g_cm3"
            raise Refused(f"unknown material {material[:40]!r}", hint=hint)
        grams = number(said, "grams", 0.0, MOST_G)
        if grams is None:
            raise Refused("how many grams of filament are on it?", hint="give the field 'grams'")
        spool = Spool(
            name, material, grams, SCALE_SD_G, grams, number(said, "diameter_mm", 1.0, 4.0) or 1.75,
            price=number(said, "price", 0.0, 1e6), empty_g=number(said, "empty_g", 0.0, MOST_G), stored=True,
        )  # fmt: skip
        return spool if said.machine is None else self._loaded(spool, said, effects)

    def _weighed(self, spool: Spool, said: Said, _effects: list[Effect]) -> Spool:
        grams, gross_g = number(said, "grams", 0.0, MOST_G, zero=True), number(said, "gross_g", 0.0, MOST_G)
        if grams is None and gross_g is not None:
            if spool.empty_g is None:
                raise Refused(f"the weight of {spool.name}'s empty reel is not known", hint="say grams of filament")
            if gross_g < spool.empty_g:
                raise Refused(f"{gross_g:g} g is less than the empty reel's {spool.empty_g:g} g")
            grams = gross_g - spool.empty_g
        if grams is None:
            raise Refused("how many grams?", hint="give 'grams' of filament, or 'gross_g' with the reel")
        return replace(
            spool, left_g=grams, left_sd_g=SCALE_SD_G, full_g=max(spool.full_g, grams), unknown_builds=0,
            weighed_s=said.at_s, empty=False,
        )  # fmt: skip

    def _loaded(self, spool: Spool, said: Said, effects: list[Effect]) -> Spool:
        machine = said.machine
        if machine not in self._machines:
            raise Refused(f"no machine {machine!r}", hint=f"machines: {', '.join(self._machines)}"[:300])
        if spool.empty:
            raise Refused(f"{spool.name} is empty", hint="weigh it, or add a new one")
        if spool.machine not in (None, machine):
            raise Refused(f"{spool.name} hangs on {spool.machine}", hint="say spool_stored first; it hangs once")
        other = self.on(machine)
        if other is not None and other.name != spool.name:
            self._put(replace(other, machine=None), effects)
        opened_s = said.at_s if spool.opened_s is None else spool.opened_s
        return replace(spool, machine=machine, opened_s=opened_s, stored=False)

    def _stored(self, spool: Spool, _said: Said, _effects: list[Effect]) -> Spool:
        return replace(spool, machine=None, stored=True)

    def _dried(self, spool: Spool, said: Said, _effects: list[Effect]) -> Spool:
        return replace(spool, dried_s=said.at_s)

    def _empty(self, spool: Spool, _said: Said, _effects: list[Effect]) -> Spool:
        return replace(spool, machine=None, left_g=0.0, left_sd_g=0.0, empty=True, unknown_builds=0)

    # ---- life ---------------------------------------------------------------------------------------------------

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]]) -> None:
        """Take up where the journal left off; a spool that it knows is as it says, not as configured."""
        fields = Spool.__dataclass_fields__
        for name, doc in kept.get("spool", {}).items():
            self.spools[name] = Spool(**{key: value for key, value in doc.items() if key in fields})
        for key, doc in kept.get("use", {}).items():
            self.uses[key] = Use(**doc)


def number(said: Said, key: str, above: float, most: float, *, zero: bool = False) -> float | None:
    """A number among a command's fields, above one bound (or at it) and up to the other; None where it is missing."""
    value = said.fields.get(key)
    if value is None or value == "":
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise Refused(f"{key} must be a number, not {str(value)[:40]!r}")
    if not (above < value or (zero and value == above)) or value > most:
        raise Refused(f"{key} must be {'from' if zero else 'above'} {above:g} and at most {most:g}, not {value:g}")
    return float(value)
