"""Readings to a server that takes line protocol by InfluxDB's version 2 API, through a spool on disk."""

from farmwatch.stores.influx.peer import InfluxConfig
from farmwatch.stores.influx.store import InfluxSeries

__all__ = ["InfluxConfig", "InfluxSeries"]
