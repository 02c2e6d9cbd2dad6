"""Readings over time: `coding` (integers and bytes), `disk` (the file), `store` (the port, its memory)."""

from farmwatch.stores.series.store import SqliteSeries

__all__ = ["SqliteSeries"]
