"""Readings over time in one SQLite file of compressed blocks: `store` is the port, `schema` the layout of the file."""

from farmwatch.stores.embedded.store import EmbeddedSeries

__all__ = ["EmbeddedSeries"]
