"""Reading back from InfluxDB 2: Flux queries, and the annotated CSV that they answer.

Written after the documented forms ("Flux", "Annotated CSV" at docs.influxdata.com). No InfluxDB 2 server could be
tried: the tests play answers that were written by hand after the documentation.
"""

import asyncio
import csv
import io
import math
from array import array
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

from farmwatch.stores.influx.peer import InfluxConfig, Later, Peer, Unfit
from farmwatch.stores.rollup import roll_up
from farmwatch.words.errors import StoreError
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import GAP_S, LEVELS, Columns, Holding, Rollups

FIRST_S, LAST_S = 978_307_200.0, 4_102_444_800.0
GAP_LIMIT = 3.0  # a step so many times the usual one is a gap
NUMBERS_IN, UNKNOWN_IN = "farmwatch", "farmwatch_unknown"


def text(value: str) -> str:
    """A Flux string literal ("Flux literals": backslash, quotation mark and ${ are escaped)."""
    return '"' + value.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${") + '"'


def moment(at_s: float) -> str:
    """A Flux time literal."""
    at = datetime.fromtimestamp(min(max(at_s, FIRST_S), LAST_S), UTC)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def of_site(site: str) -> str:
    """A line that lets points of one site pass: several may write to one bucket, with machines of the same names."""
    return f'  |> filter(fn: (r) => r["site"] == {text(site)})\n' if site else ""


def readings_query(bucket: str, tag: tuple[str, str], quantity: str, start_s: float, end_s: float,
                   every_ms: int = 0, site: str = "") -> str:  # fmt: skip
    """All readings from start to end, both included; with `every_ms`, first, least, greatest, last of each window."""
    data = (
        f"from(bucket: {text(bucket)})\n"
        f"  |> range(start: {moment(start_s)}, stop: {moment(end_s + 0.001)})\n"
        f"  |> filter(fn: (r) => r._field == {text(quantity)} and r[{text(tag[0])}] == {text(tag[1])})\n"
        f"{of_site(site)}"
    )
    keep = '  |> group()\n  |> keep(columns: ["_time", "_value", "_measurement"])\n  |> sort(columns: ["_time"])\n'
    known = f"  |> filter(fn: (r) => r._measurement == {text(NUMBERS_IN)})\n"
    if not every_ms:
        both = f"r._measurement == {text(NUMBERS_IN)} or r._measurement == {text(UNKNOWN_IN)}"
        return f"{data}  |> filter(fn: (r) => {both})\n{keep}"
    windows = f"data\n{known}  |> window(every: {every_ms}ms)\n  |> "
    names = ("first", "min", "max", "last")
    lines = [f"data = {data}"]
    lines += [f"{name}_rows = {windows}{name}()\n" for name in names]
    lines.append(f"gone = data\n  |> filter(fn: (r) => r._measurement == {text(UNKNOWN_IN)})\n")
    tables = ", ".join([*(f"{name}_rows" for name in names), "gone"])
    return "".join(lines) + f"union(tables: [{tables}])\n{keep}"


def held_query(bucket: str, which: str, site: str = "") -> str:
    """The first or the last reading of every series; `which` is "first" or "last"."""
    return (
        f"from(bucket: {text(bucket)})\n  |> range(start: {moment(FIRST_S)}, stop: {moment(LAST_S)})\n"
        f"  |> filter(fn: (r) => r._measurement == {text(NUMBERS_IN)})\n{of_site(site)}  |> {which}()\n"
        '  |> keep(columns: ["_time", "_field", "machine", "subject"])\n  |> group()\n'
    )


def tables(answer: bytes) -> Iterator[dict[str, str]]:
    """Rows of annotated CSV, by the names of their columns; raises StoreError for an error that stands in it."""
    names: list[str] = []
    defaults: list[str] = []
    for row in csv.reader(io.StringIO(answer.decode("utf-8", "replace"))):
        if not row or not any(row):
            names, defaults = [], []
        elif row[0].startswith("#"):
            names = []
            if row[0] == "#default":
                defaults = row
        elif not names:
            names = row
        else:
            filled = [value or (defaults[n] if n < len(defaults) and n else "") for n, value in enumerate(row)]
            found = dict(zip(names, filled, strict=False))
            if found.get("error"):
                raise StoreError(f"the server could not answer: {found['error'][:200]}")
            yield found


def seconds(stamp: str) -> float:
    """Epoch seconds of RFC 3339, to the millisecond; the server writes up to nine digits."""
    whole, _, rest = stamp.rstrip("Z").partition(".")
    at = datetime.fromisoformat(whole).replace(tzinfo=UTC)
    return at.timestamp() + round(float(f"0.{rest or 0}"), 3)


def columns(answer: bytes) -> Columns:
    """Readings in order of time; an unknown is NaN, said once; of two of one moment the known one stands."""
    rows: dict[float, float] = {}
    try:
        for row in tables(answer):
            at_s, gone = seconds(row["_time"]), row.get("_measurement") == UNKNOWN_IN
            if not gone or at_s not in rows:
                rows[at_s] = math.nan if gone else float(row["_value"])
    except (KeyError, ValueError) as error:
        raise StoreError(f"the server's answer cannot be read: {error}") from error
    found = Columns()
    before = 0.0
    for at_s, value in sorted(rows.items()):
        if math.isnan(value) and math.isnan(before):
            continue
        found.times_s.append(at_s)
        found.values.append(value)
        before = value
    return found


def with_gaps(found: Columns, least_s: float) -> Columns:
    """A row of NaN after the last reading before each gap that no reading marks."""
    steps = sorted(b - a for a, b in zip(found.times_s, found.times_s[1:], strict=False))
    limit_s = max(least_s, GAP_LIMIT * steps[len(steps) // 2]) if steps else 0.0
    rows = Columns(array("d"), array("d"))
    for n, (at_s, value) in enumerate(found.rows()):
        rows.times_s.append(at_s)
        rows.values.append(value)
        if not math.isnan(value) and n + 1 < len(found) and found.times_s[n + 1] - at_s > limit_s:
            rows.times_s.append(at_s + 0.001)
            rows.values.append(math.nan)
    return rows


class FluxReader:
    """Asks on a thread of its own; every failure is a StoreError in words."""

    def __init__(self, config: InfluxConfig, tag_of: Callable[[str], tuple[str, str]]) -> None:
        self._config, self._tag_of = config, tag_of
        self._peer = Peer(config)
        self._thread = ThreadPoolExecutor(1, "influx-read")

    async def _ask(self, flux: str) -> bytes:
        def act() -> bytes:
            try:
                return self._peer.query(flux)
            except Later as error:
                raise StoreError(f"{self._config.label} cannot be read: {error}") from None
            except Unfit as error:
                raise StoreError(f"{self._config.label} does not take the query: {error}") from None

        return await asyncio.get_running_loop().run_in_executor(self._thread, act)

    async def read(self, subject: str, quantity: str, start_s: float, end_s: float, points: int = 0) -> Columns:
        """See `ports.SeriesStore`."""
        if quantity not in QUANTITIES or end_s < start_s:
            return Columns()
        tag, bucket, site = self._tag_of(subject), self._config.bucket, self._config.site
        span_s = min(end_s, LAST_S) - max(start_s, FIRST_S)
        every_ms = max(1000, math.ceil(span_s * 1000 / max(1, points // 4))) if points else 0
        found = columns(await self._ask(readings_query(bucket, tag, quantity, start_s, end_s, every_ms, site)))
        return with_gaps(found, every_ms / 1000 * 2) if points else found

    async def rollups(self, subject: str, quantity: str, level: str, start_s: float, end_s: float) -> Rollups:
        """See `ports.SeriesStore`; made here of the readings, so a year of them takes its time."""
        if level not in LEVELS:
            raise StoreError(f"there is no level {level}", hint=f"one of {', '.join(LEVELS)}")
        if quantity not in QUANTITIES:
            return Rollups()
        width_s = LEVELS[level]
        readings = await self.read(subject, quantity, start_s - GAP_S, end_s + width_s + GAP_S)
        return roll_up(readings, quantity, width_s, start_s, end_s)

    async def held(self) -> list[Holding]:
        """See `ports.SeriesStore`."""
        found: dict[tuple[str, str], list[float]] = {}
        for which in ("first", "last"):
            for row in tables(await self._ask(held_query(self._config.bucket, which, self._config.site))):
                subject = row.get("machine") or row.get("subject") or ""
                if subject and row.get("_field") in QUANTITIES:
                    at_s = seconds(row["_time"])
                    span = found.setdefault((subject, row["_field"]), [at_s, at_s])
                    span[:] = min(span[0], at_s), max(span[1], at_s)
        return [Holding(*key, *span) for key, span in sorted(found.items())]

    def close(self) -> None:
        """Close."""
        self._thread.shutdown(wait=False)
        self._peer.close()
