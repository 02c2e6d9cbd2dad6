"""`ports.SeriesStore` towards a server with InfluxDB's version 2 API.

`append` gathers lines in memory, `flush` puts them into the spool (`spool.py`), a thread sends them (`sender.py`).
Neither the brain nor another store ever waits for the network.

::

    farmwatch,site=S,bank=B,machine=M,source=Q power_w=120.5,bed_c=60 1700000000000     numbers, in SI units; flags 0, 1
    farmwatch_unknown,...                      power_w=1 1700000000000                  unknown from then on
    farmwatch_words,...                        state="printing",job="hook" 17...        words, when they change

What is no machine (a backup, a plug, a sensor) has the tag `subject` in place of `machine`. A missing value is never
sent as a number: there is no NaN, and no 0 that was not measured.
"""

import asyncio
import math
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

from farmwatch.stores.influx.flux import FluxReader
from farmwatch.stores.influx.peer import InfluxConfig, Peer
from farmwatch.stores.influx.sender import Delivery, Sender
from farmwatch.stores.influx.spool import Spool, SpoolState
from farmwatch.wire.lines import line, number_text, quoted, series_key
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES, Kind
from farmwatch.words.series import Columns, Floats, Holding, Rollups

NUMBERS_IN, UNKNOWN_IN, WORDS_IN = "farmwatch", "farmwatch_unknown", "farmwatch_words"
FIRST_MS, LAST_MS = 978_307_200_000, 4_102_444_800_000  # 2001 and 2100: outside, a clock is wrong
BUFFER_LINES = 100_000
BATCH_LINES = 5_000
"""The size that InfluxDB's documentation recommends for a batch ("Optimize writes")."""
LASTING_S = 60.0
STOP_S = 0.8
Tags = tuple[tuple[str, str], ...]
Row = tuple[str, str, str, int]  # measurement, subject, source, ms


class InfluxSeries:
    """See the module.

    Args:
        config: where to write to.
        folder: of the spool; nobody else's.
        tags: tags of the subjects that are known; any other has `subject` alone.

    Attributes:
        dropped: lines lost in memory, because the disk refused for long.
        refused: values that are no number of the quantity's range, or whose time cannot be right.
        notice: what was lost or refused; empty while all is well.
    """

    name = "InfluxDB"

    def __init__(self, config: InfluxConfig, folder: Path, tags: Mapping[str, Tags] | None = None) -> None:
        self.config = config
        self.dropped = self.refused = 0
        self.notice = ""
        self.spool = Spool(folder, config.spool_bytes, config.spool_age_s)
        self.sender = Sender(self.spool, Peer(config))
        self._tags = tags or {}
        self._buffer: dict[Row, dict[str, str]] = {}
        self._words: dict[tuple[str, str], dict[str, str]] = {}
        self._keys: dict[tuple[str, str, str], str] = {}
        self._disk = ThreadPoolExecutor(1, "influx-spool")
        self._reader = FluxReader(config, self._subject_tag)

    # ---- in ----------------------------------------------------------------------------------------------------

    def append(self, readings: Iterable[Observed]) -> None:
        """Take readings into memory; retained ones are no readings of now and are left out."""
        for reading in readings:
            at_ms = round(reading.at_s * 1000)
            if reading.retained:
                continue
            if not FIRST_MS <= at_ms < LAST_MS:
                self.refused += len(reading.values)
                continue
            self._take(reading, at_ms)
        while len(self._buffer) > BUFFER_LINES:
            del self._buffer[next(iter(self._buffer))]
            self.dropped += 1

    def _take(self, reading: Observed, at_ms: int) -> None:
        for name, value in reading.values.items():
            quantity = QUANTITIES.get(name)
            if quantity is None:
                continue
            if quantity.kind in (Kind.NUMBER, Kind.FLAG):
                text = "1" if value is None else number_text(quantity, value)
                if text is None:
                    self.refused += 1
                    continue
                self._put(UNKNOWN_IN if value is None else NUMBERS_IN, reading, at_ms, name, text)
            elif value is not None:
                known = self._words.setdefault((reading.subject, reading.source), {})
                text = quoted(str(value)[:500])
                if known.get(name) != text:
                    known[name] = text
                    self._put(WORDS_IN, reading, at_ms, name, text)

    def _put(self, measurement: str, reading: Observed, at_ms: int, name: str, text: str) -> None:
        # Of two values for one moment the later one stands; that of a number also takes an unknown's place.
        row = (measurement, reading.subject, reading.source, at_ms)
        other = {NUMBERS_IN: UNKNOWN_IN, UNKNOWN_IN: NUMBERS_IN}.get(measurement)
        if other is not None:
            twin = self._buffer.get((other, *row[1:]))
            if twin is not None and twin.pop(name, None) is not None and not twin:
                del self._buffer[(other, *row[1:])]
        self._buffer.setdefault(row, {})[name] = text

    def _key(self, measurement: str, subject: str, source: str) -> str:
        found = self._keys.get((measurement, subject, source))
        if found is None:
            tags = self._tags.get(subject, (("subject", subject),))
            found = series_key(measurement, (*tags, ("site", self.config.site), ("source", source)))
            self._keys[measurement, subject, source] = found
        return found

    def _subject_tag(self, subject: str) -> tuple[str, str]:
        """By which tag a subject is found."""
        return next((tag for tag in self._tags.get(subject, ()) if tag[1] == subject), ("subject", subject))

    async def extend(self, subject: str, source: str, times_s: Floats, values: Mapping[str, Floats]) -> int:
        """See `ports.SeriesStore`; what is taken is in the spool when this returns."""
        lines: list[str] = []
        taken = 0
        for name, column in values.items():
            quantity = QUANTITIES.get(name)
            if quantity is None or quantity.kind not in (Kind.NUMBER, Kind.FLAG):
                raise StoreError(f"{name} is no quantity of numbers", hint="see the table of quantities")
            if len(column) != len(times_s):
                raise StoreError(f"{name} has {len(column)} values for {len(times_s)} times")
            known, unknown = self._key(NUMBERS_IN, subject, source), self._key(UNKNOWN_IN, subject, source)
            for at_s, value in zip(times_s, column, strict=True):
                at_ms = round(at_s * 1000)
                text = "1" if math.isnan(value) else number_text(quantity, value)
                if text is None or not FIRST_MS <= at_ms < LAST_MS:
                    self.refused += 1
                    continue
                lines.append(line(unknown if math.isnan(value) else known, {name: text}, at_ms))
                taken += 1
        await self._spool(lines)
        return taken

    def _lines(self) -> list[str]:
        """Take what is in memory, as lines."""
        lines = [line(self._key(*row[:3]), fields, row[3]) for row, fields in self._buffer.items()]
        self._buffer = {}
        return lines

    # ---- to the spool ------------------------------------------------------------------------------------------

    async def flush(self) -> None:
        """Put what is new into the spool. Raises StoreError if that fails, or while the server fails for long."""
        self.sender.start()
        try:
            await self._spool(self._lines())
        finally:
            self.notice = self._lost()
        self._complain()

    async def _spool(self, lines: list[str]) -> None:
        """On the disk's thread; a batch that the disk does not take is held in memory, and may be sent from there."""

        def act() -> None:
            now_s = time.time()
            if not lines:
                self.spool.retry(now_s)
            failed: StoreError | None = None
            for begin in range(0, len(lines), BATCH_LINES):
                try:
                    self.spool.append(lines[begin : begin + BATCH_LINES], now_s)
                except StoreError as error:
                    failed = error
            if failed is not None:
                raise failed

        try:
            await asyncio.get_running_loop().run_in_executor(self._disk, act)
        finally:
            self.sender.wake()

    def _complain(self) -> None:
        delivery = self.sender.delivery
        if delivery.failing_since_s is None:
            return
        lasted_s = time.monotonic() - delivery.failing_since_s
        if lasted_s >= (min(LASTING_S, self.config.degraded_after_s) if delivery.lasting else
                        self.config.degraded_after_s):  # fmt: skip
            state = self.spool.state
            raise StoreError(
                f"{self.config.label} has taken nothing for {lasted_s / 60:.0f} min: {delivery.why}",
                hint=f"{state.lines} lines wait in the spool, {state.bytes / 1e6:.1f} of"
                f" {self.config.spool_bytes / 1e6:.0f} MB",
            )

    def _lost(self) -> str:
        """What was lost or refused, in words."""
        state, words = self.spool.state, []
        if state.dropped or self.dropped:
            words.append(f"{state.dropped + self.dropped} lines were dropped, the oldest first: no room")
        if state.refused:
            words.append(f"{state.refused} lines were refused by the server, see refused.txt in the spool")
        if state.damaged:
            words.append(f"{state.damaged} batches of the spool could not be read")
        return "; ".join(words)

    def doing(self) -> str:
        """What waits, in words; never waits for a disk."""
        state, delivery = self.spool.state, self.sender.delivery
        if not state.lines and not delivery.why:
            return ""
        waits = f"{state.lines} lines wait to be sent, {state.bytes / 1e6:.1f} MB"
        if state.oldest_s is not None:
            waits += f", since {datetime.fromtimestamp(state.oldest_s, UTC):%Y-%m-%d %H:%M} UTC"
        return f"{waits}: {delivery.why}" if delivery.why else waits

    def health(self) -> tuple[SpoolState, Delivery]:
        """What waits, and how sending goes; never waits for a disk."""
        return self.spool.state, self.sender.delivery

    async def close(self) -> None:
        """What is in memory goes into the spool; what is not sent yet stays there."""
        try:
            await self._spool(self._lines())
        finally:
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(self._disk, self.sender.stop, STOP_S)
            await loop.run_in_executor(self._disk, self.spool.close)
            self._disk.shutdown(wait=False)
            self._reader.close()

    # ---- out ---------------------------------------------------------------------------------------------------

    async def read(self, subject: str, quantity: str, start_s: float, end_s: float, points: int = 0) -> Columns:
        """See `ports.SeriesStore`; what waits in the spool is not seen yet."""
        return await self._reader.read(subject, quantity, start_s, end_s, points)

    async def rollups(self, subject: str, quantity: str, level: str, start_s: float, end_s: float) -> Rollups:
        """See `ports.SeriesStore`."""
        return await self._reader.rollups(subject, quantity, level, start_s, end_s)

    async def held(self) -> list[Holding]:
        """See `ports.SeriesStore`."""
        return await self._reader.held()
