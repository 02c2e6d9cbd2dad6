"""The room's air as its sensors say it, and how long open spools have been in it."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, NamedTuple

from farmwatch.shop.air import AirSpread, Exposure, absolute_humidity_g_m3, dew_point_spread
from farmwatch.shop.feedstock import Feedstock
from farmwatch.shop.stock import Spool
from farmwatch.words.model import Effect, Keep, Value

AIR_TOLERANCE_C, HUMIDITY_TOLERANCE = 0.5, 0.03
"""Of common room sensors (makers' sheets give 0.2 to 0.5 °C and 2 to 3 points; no single source)."""


class Air(NamedTuple):
    """One sensor's air; None: not known."""

    air_c: float | None
    humidity: float | None
    dew_point: AirSpread | None
    water_g_m3: float | None


def air_of(values: Mapping[str, Value]) -> Air:
    """What a sensor's latest values say."""
    air_c, humidity = (v if isinstance(v := values.get(key), float) else None for key in ("air_c", "humidity"))
    if air_c is None or humidity is None:
        return Air(air_c, humidity, None, None)
    spread = dew_point_spread(air_c, humidity, AIR_TOLERANCE_C, HUMIDITY_TOLERANCE)
    return Air(air_c, humidity, spread, absolute_humidity_g_m3(air_c, humidity))


class Exposures:
    """How long each open spool has been in air too humid for it. The most humid sensor of the room counts."""

    def __init__(self) -> None:
        self.of: dict[str, Exposure] = {}

    def look(self, spool: Spool, row: Feedstock | None, humidity: float | None, now_s: float) -> None:
        """Once a minute. A spool in its box, or not yet opened, is in no air."""
        found = self.of.get(spool.name)
        if row is None or spool.empty or spool.opened_s is None:
            self.of.pop(spool.name, None)
            return
        if found is None:
            found = self.of[spool.name] = Exposure(row.storage_rh)
        found.limit_rh = row.storage_rh
        if spool.stored:
            found.last_s = None  # time in the box counts as neither
            return
        found.observe(humidity, now_s)

    def dried(self, name: str) -> None:
        """A spool comes from the dryer."""
        if name in self.of:
            self.of[name].dried()

    def keep(self, effects: list[Effect]) -> None:
        """Write them down; once an hour is enough."""
        effects.extend(Keep("exposure", name, asdict(found)) for name, found in self.of.items())

    def restore(self, docs: Mapping[str, dict[str, Any]]) -> None:
        """Take up where the journal left off: the time between is a gap like any other."""
        self.of = {name: Exposure(**doc) for name, doc in docs.items()}
