"""What the configuration says of feedstock, spools and service; a part of `words.model.SitePlan`.

None always means: as usual, by the tables of `shop.feedstock` and `shop.wear`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class MaterialPlan:
    """The owner's own figures of one material."""

    density_g_cm3: float | None = None
    storage_rh: float | None = None
    dry_c: float | None = None
    dry_h: float | None = None
    dry_after_h: float | None = None
    ventilate: bool | None = None
    release_c: float | None = None
    price_per_kg: float | None = None
    lead_days: float | None = None
    lead_sd_days: float | None = None


@dataclass(frozen=True, slots=True)
class SpoolPlan:
    """A spool as it was when it was written into the configuration; later what is said of it counts."""

    name: str
    material: str
    full_g: float = 1000.0
    left_g: float | None = None  # None: full
    diameter_mm: float = 1.75
    density_g_cm3: float | None = None
    empty_g: float | None = None  # weight of the empty reel
    price: float | None = None
    machine: str | None = None
    opened_s: float | None = None


@dataclass(frozen=True, slots=True)
class IntervalPlan:
    """A part's service interval; what is reached first counts, None does not count."""

    hours: float | None = None
    builds: float | None = None
    heatings: float | None = None


@dataclass(frozen=True, slots=True)
class ShopPlan:
    """Feedstock, spools, service, rates.

    Attributes:
        service: by part; a part without any limit is not watched.
        service_of: by machine, what differs there.
        lead_days: from ordering filament to its arrival, with its standard deviation, where a material has none.
        service_level: the chance not to run out before an order arrives.
        machine_hour: what an hour of a machine costs, None if that is not counted.
    """

    materials: Mapping[str, MaterialPlan] = field(default_factory=dict)
    spools: Mapping[str, SpoolPlan] = field(default_factory=dict)
    service: Mapping[str, IntervalPlan] = field(default_factory=dict)
    service_of: Mapping[str, Mapping[str, IntervalPlan]] = field(default_factory=dict)
    lead_days: float = 5.0
    lead_sd_days: float = 1.0
    service_level: float = 0.95
    machine_hour: float | None = None
