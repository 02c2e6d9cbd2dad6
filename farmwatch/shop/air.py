"""The room's air: dew point, absolute humidity, and what it does to open spools.

Saturation pressure after Hyland and Wexler (1983), as printed in the ASHRAE Handbook Fundamentals, chapter 1,
equations 5 (over ice) and 6 (over water). Below 0 °C the dew point given is the frost point, as there.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

from farmwatch.shop.feedstock import Feedstock

ZERO_K = 273.15
WATER_GAS = 461.5  # J/(kg K), specific gas constant of water vapour
_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)


def saturation_pa(air_c: float) -> float:
    """Pressure of saturated water vapour, Pa, from -100 to 200 °C."""
    kelvin = air_c + ZERO_K
    if air_c < 0.01:
        a, b, c, d, e, f, g = _ICE
        return math.exp(
            a / kelvin + b + c * kelvin + d * kelvin**2 + e * kelvin**3 + f * kelvin**4 + g * math.log(kelvin)
        )
    a, b, c, d, e, f = _WATER
    return math.exp(a / kelvin + b + c * kelvin + d * kelvin**2 + e * kelvin**3 + f * math.log(kelvin))


def vapour_pa(air_c: float, humidity: float) -> float:
    """Partial pressure of the vapour in air, Pa; `humidity` from 0 to 1."""
    return humidity * saturation_pa(air_c)


def dew_point_c(air_c: float, humidity: float) -> float | None:
    """Temperature at which water (below 0 °C: frost) settles; None for perfectly dry air, which has none."""
    pressure_pa = vapour_pa(air_c, humidity)
    low_c, high_c = -100.0, air_c
    if pressure_pa <= saturation_pa(low_c):
        return None
    while high_c - low_c > 1e-6:
        middle_c = (low_c + high_c) / 2
        if saturation_pa(middle_c) < pressure_pa:
            low_c = middle_c
        else:
            high_c = middle_c
    return (low_c + high_c) / 2


def absolute_humidity_g_m3(air_c: float, humidity: float) -> float:
    """Grams of water in a cubic metre of air (ideal gas)."""
    return vapour_pa(air_c, humidity) / (WATER_GAS * (air_c + ZERO_K)) * 1e3


class AirSpread(NamedTuple):
    """A derived value with its bounds, from the sensor's own tolerance."""

    low: float | None
    value: float | None
    high: float | None


def dew_point_spread(air_c: float, humidity: float, air_tolerance_c: float, humidity_tolerance: float) -> AirSpread:
    """Dew point with the bounds that a sensor's tolerances leave, °C."""
    return AirSpread(
        dew_point_c(air_c - air_tolerance_c, max(humidity - humidity_tolerance, 0.0)),
        dew_point_c(air_c, humidity),
        dew_point_c(air_c + air_tolerance_c, min(humidity + humidity_tolerance, 1.0)),
    )


@dataclass(slots=True)
class Exposure:
    """How long an open spool has been in air that is too humid for it.

    Time between two readings counts as humid by the earlier one; time without readings counts as neither and is kept
    apart, so that the total says how much of it was seen.
    """

    limit_rh: float
    longest_gap_s: float = 3600.0
    humid_s: float = 0.0
    dry_s: float = 0.0
    unseen_s: float = 0.0
    last_s: float | None = None
    last_rh: float | None = None

    def observe(self, humidity: float | None, now_s: float) -> None:
        """Take one reading; None is a loss of sight."""
        if self.last_s is not None and now_s > self.last_s:
            passed_s = now_s - self.last_s
            if self.last_rh is None or passed_s > self.longest_gap_s:
                self.unseen_s += passed_s
            elif self.last_rh > self.limit_rh:
                self.humid_s += passed_s
            else:
                self.dry_s += passed_s
        if self.last_s is None or now_s >= self.last_s:
            self.last_s, self.last_rh = now_s, humidity

    def dried(self) -> None:
        """The spool came out of a dryer: what was is over."""
        self.humid_s = self.dry_s = self.unseen_s = 0.0

    def needs_drying(self, feedstock: Feedstock) -> bool:
        """Whether a reminder is due, by what was seen for certain."""
        return self.humid_s >= feedstock.dry_after_h * 3600.0
