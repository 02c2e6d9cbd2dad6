"""Feedstock: density, storage, drying, ventilation. Every row is a default the owner may change, never a gate.

Densities of PLA, ABS, PA, PETG and PC: makers' data as printed in trade articles (they differ by 1 to 2 %); all other
densities and every storage and drying figure: common practice, no source. Makers disagree, and drying heat that is
right for granulate can deform a spool: the maker's own sheet comes first. Fumes: keep the room aired when ABS, ASA, PC
or PA is printed, and follow local rules; a sensor of ours measures no fumes.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Feedstock:
    """One material.

    Attributes:
        density_g_cm3: of the solid.
        storage_rh: relative humidity (0..1) above which an open spool takes up too much water.
        dry_c: drying temperature that a spool survives, °C.
        dry_h: usual drying time, hours.
        dry_after_h: hours in air above `storage_rh` after which drying is worth a reminder.
        ventilate: it gives off vapours that ask for ventilation.
    """

    density_g_cm3: float
    storage_rh: float
    dry_c: float
    dry_h: float
    dry_after_h: float
    ventilate: bool = False


FEEDSTOCKS: dict[str, Feedstock] = {
    "PLA": Feedstock(1.24, 0.50, 45.0, 5.0, 336.0),
    "PETG": Feedstock(1.27, 0.40, 55.0, 5.0, 168.0),
    "ABS": Feedstock(1.04, 0.40, 60.0, 3.0, 168.0, ventilate=True),
    "ASA": Feedstock(1.07, 0.40, 60.0, 4.0, 168.0, ventilate=True),
    "TPU": Feedstock(1.21, 0.20, 50.0, 5.0, 48.0),
    "PA": Feedstock(1.13, 0.20, 65.0, 10.0, 24.0, ventilate=True),
    "PA6": Feedstock(1.14, 0.20, 65.0, 10.0, 24.0, ventilate=True),
    "PA12": Feedstock(1.01, 0.20, 60.0, 10.0, 24.0, ventilate=True),
    "PC": Feedstock(1.20, 0.20, 70.0, 7.0, 48.0, ventilate=True),
    "HIPS": Feedstock(1.04, 0.40, 60.0, 4.0, 168.0, ventilate=True),
    "PP": Feedstock(0.90, 0.50, 55.0, 4.0, 336.0),
    "PVA": Feedstock(1.23, 0.20, 45.0, 8.0, 12.0),
    "PVB": Feedstock(1.08, 0.40, 50.0, 5.0, 168.0),
}


def feedstock_of(material: str | None, table: Mapping[str, Feedstock] = FEEDSTOCKS) -> Feedstock | None:
    """Row of a material by its name's beginning ("PLA+", "petg black", "PA12-CF"); None where none fits.

    Unknown stays unknown: no density is guessed.
    """
    name = (material or "").strip().upper()
    fits = [key for key in table if name.startswith(key)]
    return table[max(fits, key=len)] if fits else None


def grams_per_metre(density_g_cm3: float, diameter_mm: float = 1.75) -> float:
    """Mass of a metre of filament: density times the area of its section.

    >>> round(grams_per_metre(1.24), 4)
    2.9825
    """
    return density_g_cm3 * math.pi * (diameter_mm / 2) ** 2


def grams_of(length_mm: float, density_g_cm3: float, diameter_mm: float = 1.75) -> tuple[float, float]:
    """Mass of a length of filament and its uncertainty, grams.

    The uncertainty is that of a diameter off by 0.05 mm, the usual tolerance (common practice, no source): 5.8 % at
    1.75 mm.
    """
    grams = length_mm / 1e3 * grams_per_metre(density_g_cm3, diameter_mm)
    return grams, grams * ((1 + 0.05 / diameter_mm) ** 2 - 1)
