"""Readings over time in one SQLite file of their own, written in batches so that a memory card lives long.

What is kept: every number and flag, as an integer multiple of its quantity's resolution, its time to the
millisecond; also the moments at which a value became unknown. Words are events and belong to the journal.

Layout: a table a UTC day (pruned by dropping it), rows in the order of writing, no index. A row holds one
series' readings of one batch: first time and first value, then the differences from these in the narrowest
integers that hold them, and where values became unknown. A batch a minute: a crash loses at most that minute,
an orderly close nothing.

The last hour also stays in memory; recent ranges never touch the disk. All disk work happens on two threads,
one that writes and one that reads (write-ahead log: neither waits for the other).

Later layouts may replace this one behind the same port; `FORMAT` in ``user_version`` tells them apart.
"""

import asyncio
import math
from array import array
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from operator import itemgetter
from pathlib import Path
from typing import TypeVar

from farmwatch.stores.rollup import roll_up
from farmwatch.stores.series.coding import UNKNOWN, Ints, scale, thin, unscale
from farmwatch.stores.series.disk import Batch, SeriesFile
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES, Kind
from farmwatch.words.series import GAP_S, LEVELS, Columns, Floats, Holding, Rollups

PENDING_MAX = 200_000  # readings: more than two hours of 12 machines at 2 s, some 3 MB
RECENT_MAX = 250_000  # readings in memory in all, some 4 MB, however many machines there are
RECENT_S = 3600.0

T = TypeVar("T")


@dataclass(slots=True)
class _Tail:
    """The recent readings of one series; those before `written` are on the disk."""

    times: Ints = field(default_factory=lambda: array("q"))  # ms
    values: Ints = field(default_factory=lambda: array("q"))  # scaled, or UNKNOWN
    written: int = 0
    gone: int = 0  # how many have left at the front

    def drop(self, count: int) -> None:
        del self.times[:count]
        del self.values[:count]
        self.written = max(0, self.written - count)
        self.gone += count


class SqliteSeries:
    """`ports.SeriesStore` in one SQLite file.

    `append` is cheap and never raises; the owner calls `flush` about once a minute and tells people when it
    raises StoreError. Opening the file is part of the first flush or read, so that a bad disk stops nothing.

    Attributes:
        dropped: readings lost because the buffer was full.
        refused: values that no quantity of ours fits.
        notice: what was found wrong with the file and what was done; empty if all was well.
    """

    name = "series"

    def __init__(
        self,
        path: Path,
        *,
        keep_days: int | None = None,
        pending_max: int = PENDING_MAX,
        recent_max: int = RECENT_MAX,
        recent_s: float = RECENT_S,
    ) -> None:
        self.path = path
        self.dropped = 0
        self.refused = 0
        self.notice = ""
        self._keep_days = keep_days
        self._pending_max = pending_max
        self._recent_max = recent_max
        self._recent_s = recent_s
        self._tails: dict[tuple[str, str], _Tail] = {}
        self._pending = 0
        self._held = 0
        self._newest_ms = 0
        self._complete_ms: int | None = None  # memory holds all readings from here on
        self._flushing = asyncio.Lock()
        self._writing = ThreadPoolExecutor(1, "series-write")
        self._reading = ThreadPoolExecutor(1, "series-read")
        self._disk = SeriesFile(path)

    # ---- in -----------------------------------------------------------------------------------------------------

    def append(self, readings: Iterable[Observed]) -> None:
        """Take readings into the buffer; retained ones are no readings of now and are left out."""
        for reading in readings:
            if reading.retained:
                continue
            at_ms = round(reading.at_s * 1000)
            for name, value in reading.values.items():
                quantity = QUANTITIES.get(name)
                if quantity is None or quantity.kind in (Kind.WORD, Kind.TEXT):
                    continue
                scaled = scale(quantity, value)
                if scaled is None:
                    self.refused += 1
                    continue
                self._add((reading.subject, name), at_ms, scaled)
        if self._pending > self._pending_max:
            self._drop_oldest()
        if self._held - self._pending > self._recent_max:
            self._trim()

    def _add(self, key: tuple[str, str], at_ms: int, scaled: int) -> None:
        tail = self._tails.get(key)
        if tail is None:
            tail = self._tails[key] = _Tail()
        if scaled == UNKNOWN and tail.values and tail.values[-1] == UNKNOWN:
            return  # still unknown: the first moment says it
        if at_ms < self._newest_ms and tail.times and at_ms < tail.times[-1]:
            self._complete_ms = self._newest_ms + 1  # late: memory is in order again from here on
        tail.times.append(at_ms)
        tail.values.append(scaled)
        self._pending += 1
        self._held += 1
        self._newest_ms = max(self._newest_ms, at_ms)
        if self._complete_ms is None:
            self._complete_ms = at_ms

    def _drop_oldest(self) -> None:
        """Make a tenth of the buffer free; the oldest readings go first."""
        times = sorted(t for tail in self._tails.values() for t in tail.times[tail.written :])
        cut_ms = times[len(times) - self._pending_max + self._pending_max // 10]
        for tail in self._tails.values():
            end = bisect_left(tail.times, cut_ms)
            self.dropped += max(0, end - tail.written)
            tail.drop(end)
        self._count()
        self._complete_ms = max(self._complete_ms or 0, cut_ms)

    def _trim(self) -> None:
        """Let go of what is on the disk and older than the recent time, which shrinks when memory is short."""
        recent_s = self._recent_s
        while True:
            cut_ms = self._newest_ms - round(recent_s * 1000)
            for tail in self._tails.values():
                tail.drop(min(tail.written, bisect_left(tail.times, cut_ms)))
            self._count()
            self._complete_ms = max(self._complete_ms or 0, cut_ms)
            if self._held - self._pending <= 0.9 * self._recent_max or recent_s < 1:
                return
            recent_s /= 2

    def _count(self) -> None:
        self._held = sum(len(tail.times) for tail in self._tails.values())
        self._pending = self._held - sum(tail.written for tail in self._tails.values())

    # ---- to the disk --------------------------------------------------------------------------------------------

    async def flush(self) -> None:
        """Write the buffer; raises StoreError, keeping the buffer."""
        async with self._flushing:
            batch, ends = self._take()
            if batch:
                await self._on(self._writing, lambda: self._disk.write(batch))
                for tail, end in ends:
                    tail.written = max(0, end - tail.gone)
                self._trim()
            self.notice = self._disk.notice or self.notice
            if self._keep_days is not None:
                keep_days = self._keep_days
                await self._on(self._writing, lambda: self._disk.prune(keep_days))

    def _take(self) -> tuple[Batch, list[tuple[_Tail, int]]]:
        """What is not on the disk yet, and up to which reading, counted from the start of the run, that goes."""
        waiting = [(key, tail) for key, tail in self._tails.items() if tail.written < len(tail.times)]
        batch = [(key, tail.times[tail.written :], tail.values[tail.written :]) for key, tail in waiting]
        return batch, [(tail, tail.gone + len(tail.times)) for _, tail in waiting]

    async def _on(self, pool: ThreadPoolExecutor, act: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(pool, act)

    async def close(self) -> None:
        """Flush and close; raises StoreError if the last batch could not be written."""
        try:
            await self.flush()
        finally:
            await self._on(self._writing, self._disk.close)
            self._writing.shutdown(wait=False)
            self._reading.shutdown(wait=False)

    # ---- out ----------------------------------------------------------------------------------------------------

    async def read(self, subject: str, quantity: str, start_s: float, end_s: float, points: int = 0) -> Columns:
        """See `ports.SeriesStore`."""
        known = QUANTITIES.get(quantity)
        if known is None or known.kind in (Kind.WORD, Kind.TEXT):
            return Columns()
        start_ms, end_ms = math.ceil(start_s * 1000), math.floor(end_s * 1000)
        tail = self._tails.get((subject, quantity)) or _Tail()
        recent = self._complete_ms is not None and start_ms >= self._complete_ms
        begin = 0 if recent else tail.written
        held = zip(tail.times[begin:], tail.values[begin:], strict=True)
        rows = [(t, v) for t, v in held if start_ms <= t <= end_ms]

        def chart() -> Columns:
            # A flush may put on the disk meanwhile what was taken from memory here: it is taken once.
            found = rows if recent else self._disk.read(subject, quantity, start_ms, end_ms) + rows
            found.sort(key=itemgetter(0))
            readings = unscale(known, dict(found).items())
            if 0 < points < len(readings):
                readings = thin(readings, start_ms, end_ms, points)
            return Columns(array("d", (t / 1000 for t, _ in readings)), array("d", (v for _, v in readings)))

        return chart() if recent else await self._on(self._reading, chart)

    async def extend(self, subject: str, source: str, times_s: Floats, values: Mapping[str, Floats]) -> int:
        """See `ports.SeriesStore`."""
        taken = 0
        for name, column in values.items():
            for at_s, value in zip(times_s, column, strict=True):
                self.append([Observed(at_s, subject, source, {name: None if math.isnan(value) else value})])
                taken += 1
            await self.flush()
        return taken

    async def rollups(self, subject: str, quantity: str, level: str, start_s: float, end_s: float) -> Rollups:
        """See `ports.SeriesStore`."""
        found = await self.read(subject, quantity, start_s - GAP_S, end_s)
        return roll_up(found, quantity, LEVELS[level], start_s, end_s)

    async def held(self) -> list[Holding]:
        """See `ports.SeriesStore`; what this process has seen."""
        return [Holding(*key, tail.times[0] / 1000, tail.times[-1] / 1000)
                for key, tail in sorted(self._tails.items()) if tail.times]  # fmt: skip
