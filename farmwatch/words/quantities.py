"""Every measured quantity: name, SI unit, plausible range, resolution.

A value outside its range is refused by the mapping and counted; it is never clipped or turned into 0. The
ranges are wide: they catch a wrong unit or a broken sensor, not an unusual day.
"""

from dataclasses import dataclass
from enum import Enum


class Kind(Enum):
    """What sort of value a quantity holds."""

    NUMBER = "number"
    WORD = "word"  # one of a closed list, after the mapping's table of words
    TEXT = "text"  # free text from a device: a job's name, a material
    FLAG = "flag"  # yes or no


@dataclass(frozen=True, slots=True)
class Quantity:
    """One row of the table.

    Attributes:
        name: key in mappings and stores, unit included.
        unit: SI unit, or "1" for a ratio, "" for words and text.
        low: least plausible value in `unit`.
        high: greatest plausible value in `unit`.
        resolution: the step to which the value is kept.
        kind: number, word, text or flag.
        about: a few words for the documentation.
    """

    name: str
    unit: str
    low: float
    high: float
    resolution: float
    kind: Kind
    about: str


def _number(name: str, unit: str, low: float, high: float, resolution: float, about: str) -> Quantity:
    return Quantity(name, unit, low, high, resolution, Kind.NUMBER, about)


def _other(name: str, kind: Kind, about: str) -> Quantity:
    return Quantity(name, "", 0.0, 1.0, 1.0, kind, about)


TABLE: tuple[Quantity, ...] = (
    _number("power_w", "W", 0.0, 20_000.0, 0.1, "active power drawn"),
    _number("apparent_va", "VA", 0.0, 20_000.0, 0.1, "apparent power drawn"),
    _number("voltage_v", "V", 0.0, 480.0, 0.1, "supply voltage"),
    _number("current_a", "A", 0.0, 100.0, 0.001, "current drawn"),
    _number("energy_wh", "Wh", 0.0, 1e9, 0.1, "energy counter, may start again at 0"),
    _other("relay", Kind.FLAG, "a plug's relay is closed"),
    _other("availability", Kind.WORD, "up or gone, as the device or its last will says"),
    _other("state", Kind.WORD, "what the machine says it does"),
    _other("job", Kind.TEXT, "name of the job in hand"),
    _other("material", Kind.TEXT, "feedstock in use"),
    _number("progress", "1", 0.0, 1.0, 1e-4, "share of the build that is done, as reported"),
    _number("remaining_s", "s", 0.0, 31 * 86_400.0, 1.0, "remaining time, as reported"),
    _number("elapsed_s", "s", 0.0, 31 * 86_400.0, 1.0, "time since the build's start, as reported"),
    _number("bed_c", "°C", -40.0, 250.0, 0.1, "bed temperature"),
    _number("bed_target_c", "°C", 0.0, 250.0, 0.1, "bed temperature asked for"),
    _number("nozzle_c", "°C", -40.0, 600.0, 0.1, "nozzle temperature"),
    _number("nozzle_target_c", "°C", 0.0, 600.0, 0.1, "nozzle temperature asked for"),
    _number("filament_mm", "mm", 0.0, 1e8, 1.0, "filament used in this build"),
    _number("filament_g", "g", 0.0, 1e6, 0.1, "filament used in this build"),
    _number("pieces", "1", 0.0, 10_000.0, 1.0, "pieces of this build"),
    _other("status", Kind.TEXT, "a backup's status symbols (RFC 9271, table 4)"),
    _number("charge", "1", 0.0, 1.0, 1e-3, "state of charge of a backup's battery"),
    _number("runtime_s", "s", 0.0, 7 * 86_400.0, 1.0, "runtime left, as the backup itself reports"),
    _number("load", "1", 0.0, 2.0, 1e-3, "load as a share of the backup's rating (RFC 1628: 0 to 200 %)"),
    _number("battery_v", "V", 0.0, 1_000.0, 0.01, "battery voltage"),
    _number("battery_c", "°C", -40.0, 100.0, 0.1, "battery temperature"),
    _other("self_test", Kind.TEXT, "last self-test: passed, warning, failed, aborted, running or none"),
    _number("self_test_age_s", "s", 0.0, 100 * 366 * 86_400.0, 1.0, "time since the last self-test began"),
    _other("battery_date", Kind.TEXT, "day on which the battery was fitted, or else made: 2024-03-01"),
    _number("air_c", "°C", -40.0, 80.0, 0.1, "air temperature"),
    _number("humidity", "1", 0.0, 1.0, 1e-3, "relative humidity"),
)

QUANTITIES: dict[str, Quantity] = {row.name: row for row in TABLE}

UNITS: dict[str, dict[str, tuple[float, float]]] = {
    # unit wanted: {unit given: (factor, offset)}; value * factor + offset
    "W": {"W": (1.0, 0.0), "kW": (1e3, 0.0), "mW": (1e-3, 0.0)},
    "VA": {"VA": (1.0, 0.0), "kVA": (1e3, 0.0)},
    "V": {"V": (1.0, 0.0), "mV": (1e-3, 0.0), "dV": (0.1, 0.0)},
    "A": {"A": (1.0, 0.0), "mA": (1e-3, 0.0), "dA": (0.1, 0.0)},
    "Wh": {"Wh": (1.0, 0.0), "kWh": (1e3, 0.0), "J": (1 / 3600, 0.0), "Wmin": (1 / 60, 0.0)},
    "1": {"1": (1.0, 0.0), "%": (0.01, 0.0)},
    "s": {"s": (1.0, 0.0), "min": (60.0, 0.0), "h": (3600.0, 0.0), "ms": (1e-3, 0.0)},
    "°C": {"°C": (1.0, 0.0), "C": (1.0, 0.0), "°F": (5 / 9, -160 / 9), "F": (5 / 9, -160 / 9),
           "K": (1.0, -273.15)},
    "mm": {"mm": (1.0, 0.0), "m": (1e3, 0.0), "cm": (10.0, 0.0)},
    "g": {"g": (1.0, 0.0), "kg": (1e3, 0.0), "mg": (1e-3, 0.0)},
    "": {"": (1.0, 0.0)},
}  # fmt: skip

STATE_WORDS: tuple[str, ...] = (
    "unknown", "off", "idle", "heating", "printing", "paused", "cooling", "done", "failed", "cancelled",
    "fault", "waiting", "out_of_service",
)  # fmt: skip
"""What a device's word may be mapped to: our states, and the three ways in which a build ends."""

SELF_TEST_WORDS: tuple[str, ...] = ("passed", "warning", "failed", "aborted", "running", "none")
"""What a backup says of its last self-test (RFC 1628, upsTestResultsSummary)."""

AVAILABILITY_WORDS: tuple[str, ...] = ("up", "gone")
