"""The configuration's part on feedstock, spools and service, and its checks."""

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from pydantic import Field

from farmwatch.settings_fields import Number, Part
from farmwatch.shop.feedstock import FEEDSTOCKS, feedstock_of
from farmwatch.shop.wear import PARTS
from farmwatch.words.shop_plan import IntervalPlan, MaterialPlan, ShopPlan, SpoolPlan

if TYPE_CHECKING:
    from farmwatch.settings_model import Settings

Places = Iterator[tuple[tuple[str, ...], str, str]]


class MaterialEntry(Part):
    """A material: only what differs from the usual figures, or one of your own."""

    density_g_cm3: Number | None = Field(default=None, gt=0.3, lt=5, description="Density of the solid.")
    storage_rh: Number | None = Field(
        default=None, gt=0, lt=1, description="Relative humidity above which an open spool takes up too much water."
    )
    dry_c: Number | None = Field(default=None, gt=20, le=150, description="Drying temperature that a spool survives.")
    dry_h: Number | None = Field(default=None, gt=0, le=72, description="Usual drying time.")
    dry_after_h: Number | None = Field(
        default=None, gt=0, le=8760, description="Hours in too humid air after which you are reminded to dry it."
    )
    ventilate: bool | None = Field(default=None, description="It gives off vapours that ask for ventilation.")
    release_c: Number | None = Field(
        default=None,
        ge=0,
        le=200,
        description="Bed temperature at which its builds come off, where a machine has none.",
    )
    price_per_kg: Number | None = Field(default=None, ge=0, description="Price, where a spool has none.")
    lead_days: Number | None = Field(default=None, ge=0, le=365, description="From ordering it to its arrival.")
    lead_sd_days: Number | None = Field(default=None, ge=0, le=365, description="Standard deviation of that.")


class SpoolEntry(Part):
    """A spool that is there at the start. From then on what is said of it counts, not this."""

    material: str = Field(min_length=1, max_length=40, description="Material.")
    grams: Number = Field(default=1000.0, gt=0, le=20_000, description="Filament on it when it was full.")
    left_g: Number | None = Field(default=None, ge=0, le=20_000, description="Filament on it now; missing: it is full.")
    diameter_mm: Number = Field(default=1.75, gt=1, le=4, description="Diameter of the filament.")
    density_g_cm3: Number | None = Field(default=None, gt=0.3, lt=5, description="Density, where the maker gives it.")
    empty_g: Number | None = Field(default=None, gt=0, le=20_000, description="Weight of the empty reel.")
    price: Number | None = Field(default=None, ge=0, description="What the full spool has cost.")
    machine: str | None = Field(default=None, description="Machine on which it hangs; missing: it lies in its dry box.")
    opened: date | None = Field(default=None, description="Day on which it was opened: 2025-11-03.")


class IntervalEntry(Part):
    """A part's service interval; what is reached first counts. An empty one: the part is not watched."""

    hours: Number | None = Field(default=None, gt=0, description="Hours of heating and printing.")
    builds: Number | None = Field(default=None, gt=0, description="Builds.")
    heatings: Number | None = Field(default=None, gt=0, description="Times heated up from rest.")

    def plan(self) -> IntervalPlan:
        """As the pure rooms see it."""
        return IntervalPlan(self.hours, self.builds, self.heatings)


class Stock(Part):
    """Ordering filament, and what machines cost."""

    lead_days: Number = Field(default=5.0, ge=0, le=365, description="From ordering filament to its arrival.")
    lead_sd_days: Number = Field(default=1.0, ge=0, le=365, description="Standard deviation of that.")
    service_level: Number = Field(
        default=0.95, gt=0.5, lt=1, description="Chance not to run out before an order arrives."
    )
    machine_hour: Number | None = Field(
        default=None, ge=0, description="What an hour of a machine costs beside energy and filament, for cost of parts."
    )


def shop_plan(settings: "Settings") -> ShopPlan:
    """Feedstock, spools and service as the pure rooms see them."""
    stock = settings.stock
    return ShopPlan(
        materials={name.upper(): MaterialPlan(**entry.model_dump()) for name, entry in settings.materials.items()},
        spools={name: _spool(name, entry) for name, entry in settings.spools.items()},
        service={part: entry.plan() for part, entry in settings.service.items()},
        service_of={
            name: {part: entry.plan() for part, entry in machine.service.items()}
            for name in settings.machines
            if (machine := settings.machine(name)).service
        },
        lead_days=stock.lead_days,
        lead_sd_days=stock.lead_sd_days,
        service_level=stock.service_level,
        machine_hour=stock.machine_hour,
    )


def releases(settings: "Settings") -> Mapping[str, float]:
    """Bed temperatures at which builds come off, by material in capitals, where the owner has set them."""
    return {name.upper(): e.release_c for name, e in settings.materials.items() if e.release_c is not None}


def _spool(name: str, entry: SpoolEntry) -> SpoolPlan:
    opened = entry.opened
    opened_s = None if opened is None else datetime.combine(opened, datetime.min.time(), UTC).timestamp() + 43_200.0
    return SpoolPlan(
        name, entry.material, entry.grams, entry.left_g, entry.diameter_mm, entry.density_g_cm3, entry.empty_g,
        entry.price, entry.machine, opened_s,
    )  # fmt: skip


def mistakes(settings: "Settings", machines: list[str], today: date) -> Places:
    """(path, what, suggestion) of what is wrong between these tables."""
    own = {name.upper() for name in settings.materials}
    for name, material in settings.materials.items():
        if name.upper() not in FEEDSTOCKS and material.density_g_cm3 is None:
            known = ", ".join(sorted(FEEDSTOCKS))
            yield ("materials", name), f'"{name}" is none of the usual materials', f"give density_g_cm3, or use {known}"
    hangs: dict[str, str] = {}
    for name, spool in settings.spools.items():
        word = spool.material.upper()
        if feedstock_of(word) is None and not any(word.startswith(key) for key in own):
            known = ", ".join(sorted(own | set(FEEDSTOCKS)))
            yield ("spools", name, "material"), f'unknown material "{spool.material}"', f"use {known}, or add it"
        if spool.left_g is not None and spool.left_g > spool.grams:
            yield ("spools", name, "left_g"), "more is left than was on it", "grams is what a full spool holds"
        if spool.opened is not None and spool.opened > today:
            yield ("spools", name, "opened"), f"{spool.opened} has not come yet", "write the day as 2025-11-03"
        if spool.machine is None:
            continue
        if spool.machine not in machines:
            yield ("spools", name, "machine"), f'no machine is called "{spool.machine}"', "use one of [machines]"
        elif spool.machine in hangs:
            what = f"{spool.machine} has the spool {hangs[spool.machine]} already"
            yield ("spools", name, "machine"), what, "one spool a machine: leave the other in its box"
        hangs.setdefault(spool.machine, name)
    for name in machines:
        machine = settings.machines.get(name)
        for part in machine.service if machine is not None else ():
            if part not in PARTS and part not in settings.service:
                known = ", ".join((*PARTS, *settings.service))
                what = f'no part is called "{part}"'
                yield ("machines", name, "service", part), what, f"known: {known}; add others under [service]"
