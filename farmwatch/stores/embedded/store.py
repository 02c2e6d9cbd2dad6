"""`ports.SeriesStore` in one SQLite file of compressed blocks, written so that a memory card lives long.

Readings gather in memory, a frame a source. Once a minute what is new goes to the append log (`log.py`), so that a
crash loses no more than that minute. Every few hours the frames become blocks with their rollups (`writing.py`), and
the log begins anew. Reading (`reading.py`) happens on threads with connections of their own: nobody waits for
anybody. All writing happens on one thread (`disk.py`).
"""

import asyncio
import contextlib
import math
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TypeVar

from farmwatch.stores.embedded.blocks import Frame
from farmwatch.stores.embedded.coding import ABSENT, UNKNOWN, scale
from farmwatch.stores.embedded.disk import Disk, KeepDays, NightWork
from farmwatch.stores.embedded.log import Key
from farmwatch.stores.embedded.reading import Held, Moved, Reader
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES, Kind
from farmwatch.words.series import LEVELS, Columns, Floats, Holding, Ints, Rollups

SEAL_MS = 6 * 3_600_000
"""Frames become blocks when the oldest reading in memory is so old: long blocks compress better."""
SMALL_ROWS, SMALL_MS = 2_000, 24 * 3_600_000
"""A frame with so few rows and so young stays in memory and goes into the new log, or its block would be tiny."""
OPEN_MAX = 700_000  # readings in memory, 4 bytes each and a time: some 4 MB
PENDING_MAX = 200_000  # of these not in the log, because the disk refuses
FIRST_MS, LAST_MS = 978_307_200_000, 4_102_444_800_000  # 2001 and 2100: outside, a clock is wrong
NUMBERS = {name: row for name, row in QUANTITIES.items() if row.kind in (Kind.NUMBER, Kind.FLAG)}

T = TypeVar("T")


@dataclass(slots=True)
class _Open:
    """A source's rows in memory, how many of them the log has, and since when there are any."""

    since_ms: int
    frame: Frame = field(default_factory=Frame)
    logged: int = 0


class EmbeddedSeries:
    """`ports.SeriesStore` in one file; see the module.

    `append` is cheap and never raises; the owner calls `flush` about once a minute and tells people when it raises
    StoreError. Opening the files is part of the first flush or read, so that a bad disk stops nothing.

    Attributes:
        dropped: readings lost because the disk refused for long.
        refused: values that are no number of the quantity's range, or whose time cannot be right.
        notice: what was found wrong and what was done about it; empty if all was well.
    """

    name = "series"

    def __init__(
        self,
        path: Path,
        *,
        keep_days: KeepDays | None = None,
        seal_ms: int = SEAL_MS,
        open_max: int = OPEN_MAX,
        pending_max: int = PENDING_MAX,
    ) -> None:
        self.path = path
        self.dropped = 0
        self.refused = 0
        self.notice = ""
        self._keep_days: KeepDays = keep_days or {}
        self._seal_ms, self._open_max, self._pending_max = seal_ms, open_max, pending_max
        self._open: dict[Key, _Open] = {}
        self._sealing: list[Held] = []
        self._count = self._pending = 0
        self._newest_ms = 0
        self._night = 0
        self._wrong_times = 0
        self._bad_blocks: set[int] = set()
        self._restored = False
        self._epoch = 1
        self._busy = asyncio.Lock()
        self._writing = ThreadPoolExecutor(1, "series-write")
        self._reading = ThreadPoolExecutor(2, "series-read")
        self._disk = Disk(path)

    # ---- in ------------------------------------------------------------------------------------------------------

    def append(self, readings: Iterable[Observed]) -> None:
        """Take readings into memory; retained ones are no readings of now and are left out."""
        for reading in readings:
            if reading.retained:
                continue
            row: dict[str, int] = {}
            for name, value in reading.values.items():
                quantity = NUMBERS.get(name)
                if quantity is None:
                    continue
                scaled = scale(quantity, value)
                if scaled is None:
                    self.refused += 1
                else:
                    row[name] = scaled
            at_ms = round(reading.at_s * 1000)
            if not row:
                continue
            if not FIRST_MS <= at_ms < LAST_MS:
                self._wrong_time(len(row), reading.at_s)
                continue
            key = reading.subject, reading.source
            self._newest_ms = max(self._newest_ms, at_ms)
            held = self._open.get(key)
            if held is None:
                held = self._open[key] = _Open(self._newest_ms)
            elif not held.frame.times:
                held.since_ms = self._newest_ms
            held.frame.add(at_ms, row)
            self._count += len(row)
            self._pending += len(row)
        if self._pending > self._pending_max:
            self._drop_oldest(logged=False)
        elif self._count > 3 * self._open_max:
            self._drop_oldest(logged=True)

    def _wrong_time(self, count: int, at_s: float) -> None:
        self.refused += count
        self._wrong_times += count
        self.notice = (
            f"{self._wrong_times} readings were not kept, the last one of {at_s:.0f} s since 1970: before 2001 or after"
            " 2099 no clock is right. Set this computer's clock"
        )

    def _drop_oldest(self, *, logged: bool) -> None:
        """Make a tenth of the room free; the oldest go first, of those that the log does not have or of all."""
        waiting = [held for held in self._open.values() if held.frame.times]
        times = sorted(t for held in waiting for t in held.frame.times[0 if logged else held.logged :])
        cut_ms = times[len(times) // 10]
        for held in waiting:
            frame = held.frame
            begin = end = 0 if logged else held.logged
            while end < len(frame) and frame.times[end] <= cut_ms:
                end += 1
            gone, waited = frame.part(begin, end).values(), frame.part(max(begin, held.logged), end).values()
            self.dropped += gone
            self._count -= gone
            self._pending -= waited
            for column in (frame.times, *frame.columns.values()):
                del column[begin:end]
            held.logged -= min(held.logged, end) - begin if logged else 0

    async def extend(self, subject: str, source: str, times_s: Floats, values: Mapping[str, Floats]) -> int:
        """See `ports.SeriesStore`. Times outside 2001 to 2099 and values out of range are refused and counted."""
        times: Ints = array("q", (round(at_s * 1000) for at_s in times_s))
        frame = Frame(times)
        refused = 0
        for name, column in values.items():
            if name not in NUMBERS:
                raise StoreError(f"{name} is no quantity of numbers", hint="see the table of quantities")
            if len(column) != len(times):
                raise StoreError(f"{name} has {len(column)} values for {len(times)} times")
            quantity = NUMBERS[name]
            scaled = [UNKNOWN if math.isnan(value) else scale(quantity, value) for value in column]
            lost = scaled.count(None)
            refused += lost
            frame.columns[name] = array("q", (ABSENT if number is None else number for number in scaled))
        wrong = sum(not FIRST_MS <= at_ms < LAST_MS for at_ms in times)
        if wrong:
            keep = [n for n, at_ms in enumerate(times) if FIRST_MS <= at_ms < LAST_MS]
            self._wrong_time(wrong * len(values), next(t for t in times_s if not FIRST_MS <= t * 1000 < LAST_MS))
            frame = Frame(array("q", (times[n] for n in keep)),
                          {name: array("q", (c[n] for n in keep)) for name, c in frame.columns.items()})  # fmt: skip
        self.refused += refused
        await self.extend_frames([((subject, source), frame)])
        return frame.values()

    async def extend_frames(self, frames: Sequence[tuple[Key, Frame]]) -> None:
        """Blocks of rows that are scaled already; written before it returns."""
        async with self._busy:
            await self._ready()
            await self._on(self._writing, lambda: self._disk.put(frames))
            self._hear()

    # ---- to the disk -----------------------------------------------------------------------------------------------

    async def flush(self) -> None:
        """Log what is new; seal and do the night's work when it is time. Raises StoreError, keeping the readings."""
        async with self._busy:
            await self._ready()
            await self._log_new()
            if self._count > self._open_max or any(map(self._due, self._open.values())):
                await self._seal(everything=self._count > self._open_max)
            if self._bad_blocks:
                bad = sorted(self._bad_blocks - {0})
                self._bad_blocks.clear()
                await self._on(self._writing, lambda: self._disk.put_aside(bad))
            night = self._newest_ms // 86_400_000
            if night > self._night:
                if self._night:
                    await self._on(self._writing, lambda: self._disk.night(self._keep_days))
                self._night = night
            self._hear()

    async def night(self, *, today_too: bool = False) -> NightWork:
        """Merge what came late, take out what is older than is kept, one block a source and day; at any time."""
        async with self._busy:
            await self._ready()
            found = await self._on(self._writing, lambda: self._disk.night(self._keep_days, today_too=today_too))
            self._hear()
            return found

    async def compact(self) -> None:
        """Give the room of what was taken out back to the disk; needs room for a second copy meanwhile."""
        async with self._busy:
            await self._ready()
            await self._on(self._writing, self._disk.compact)

    def _due(self, held: _Open) -> bool:
        age_ms = self._newest_ms - held.since_ms
        return bool(held.frame.times) and age_ms > (SMALL_MS if len(held.frame) < SMALL_ROWS else self._seal_ms)

    async def _ready(self) -> None:
        """Once: take back what the log holds."""
        if self._restored:
            return
        found = await self._on(self._writing, self._disk.restore)
        self._epoch = self._disk.epoch
        self._restored = True
        restored: dict[Key, Frame] = {}
        for key, frame in found:
            restored.setdefault(key, Frame()).join(frame)
        for key, frame in restored.items():
            first = min(frame.times, default=self._newest_ms)
            held = self._open.setdefault(key, _Open(first))
            newer = held.frame.part(held.logged, len(held.frame))
            held.frame = held.frame.part(0, held.logged)
            held.frame.join(frame)
            held.logged = len(held.frame)
            held.frame.join(newer)
            held.since_ms = min(held.since_ms, first)
            self._count += frame.values()
            self._newest_ms = max(self._newest_ms, *frame.times)
        self._hear()

    async def _anew(self) -> None:
        """Another program writes here, as beside an export, and has made blocks: take what its log holds now."""
        self._open.clear()
        self._count, self._restored = 0, False
        await self._ready()

    async def _log_new(self) -> None:
        new = [(key, held) for key, held in self._open.items() if held.logged < len(held.frame)]
        if not new:
            return
        frames = [(key, held.frame.part(held.logged, len(held.frame))) for key, held in new]
        await self._on(self._writing, lambda: self._disk.write_log(frames))
        for (_, held), (_, frame) in zip(new, frames, strict=True):
            held.logged += len(frame)
            self._pending -= frame.values()

    async def _seal(self, *, everything: bool) -> None:
        """What the log has becomes blocks; small young frames stay and go into the new log."""
        logged = [(key, held, held.frame.part(0, held.logged)) for key, held in self._open.items() if held.logged]
        frames = [(key, frame) for key, held, frame in logged
                  if everything or len(frame) >= SMALL_ROWS or self._due(held)]  # fmt: skip
        sealed = {key for key, _ in frames}
        # Readers see these rows here until the file's epoch says that they are in blocks.
        self._sealing = [Held(key, self._epoch, frame) for key, frame in frames]
        for key, frame in frames:
            held = self._open[key]
            held.frame, held.logged, held.since_ms = held.frame.part(len(frame), len(held.frame)), 0, self._newest_ms
        again = [(key, frame) for key, _, frame in logged if key not in sealed]
        try:
            await self._on(self._writing, lambda: self._disk.seal(frames, again))
        except BaseException:
            for key, frame in frames:  # back to where they were: the log still has them
                held, rows = self._open[key], len(frame)
                frame.join(held.frame)
                held.frame, held.logged, held.since_ms = frame, rows, frame.times[0]
            raise
        finally:
            self._epoch = self._disk.epoch
            self._sealing = []
        self._count = sum(held.frame.values() for held in self._open.values())

    def _hear(self) -> None:
        self.notice = self._disk.notice or self.notice

    async def _on(self, pool: ThreadPoolExecutor, act: Callable[[], T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(pool, act)

    async def close(self) -> None:
        """Log what is new and close; raises StoreError if that could not be done."""
        try:
            if self._pending or self._restored:
                await self._ready()
                async with self._busy:
                    await self._log_new()
        finally:
            await self._on(self._writing, self._disk.close)
            self._writing.shutdown(wait=False)
            self._reading.shutdown(wait=False)

    async def seal(self) -> None:
        """Make blocks of everything at once, so that the file alone holds all, as who copies it wants."""
        async with self._busy:
            await self._ready()
            await self._log_new()
            await self._seal(everything=True)
            self._hear()

    # ---- out -----------------------------------------------------------------------------------------------------

    async def _reader(self, pick: Callable[[Key, Frame], Frame | None], act: Callable[[Reader], T]) -> T:
        if not self._restored:
            with contextlib.suppress(StoreError):  # what the file says by itself is better than nothing
                async with self._busy:
                    await self._ready()
        while True:
            later = self._epoch + bool(self._sealing)
            held = [*self._sealing, *(Held(key, later, one.frame) for key, one in self._open.items())]
            picked = [(one, pick(one.key, one.frame)) for one in held]  # copies: memory goes on while threads read
            copies = [Held(one.key, one.epoch, frame) for one, frame in picked if frame is not None]
            try:
                return await self._on(self._reading, partial(self._look, copies, later, act))
            except Moved:
                async with self._busy:  # blocks were made meanwhile: ask again
                    if later == self._epoch and not self._sealing and not self._pending:
                        await self._anew()

    def _look(self, held: list[Held], epoch: int, act: Callable[[Reader], T]) -> T:
        reader = Reader(self.path, held, epoch, self._bad_blocks.add)
        try:
            return act(reader)
        finally:
            reader.close()

    async def read(self, subject: str, quantity: str, start_s: float, end_s: float, points: int = 0) -> Columns:
        """See `ports.SeriesStore`."""
        if quantity not in NUMBERS:
            return Columns()
        start_ms, end_ms = _whole_ms(start_s, math.ceil), _whole_ms(end_s, math.floor)
        return await self._reader(
            _only(subject, quantity), lambda reader: reader.read(subject, quantity, start_ms, end_ms, points)
        )

    async def rollups(self, subject: str, quantity: str, level: str, start_s: float, end_s: float) -> Rollups:
        """See `ports.SeriesStore`."""
        if level not in LEVELS:
            raise StoreError(f"there is no level {level}", hint=f"one of {', '.join(LEVELS)}")
        if quantity not in NUMBERS:
            return Rollups()
        start_ms, end_ms = _whole_ms(start_s, math.ceil), _whole_ms(end_s, math.ceil)
        return await self._reader(
            _only(subject, quantity), lambda reader: reader.rollups(subject, quantity, level, start_ms, end_ms)
        )

    async def held(self) -> list[Holding]:
        """See `ports.SeriesStore`."""
        return [one for one in await self._reader(_ends, Reader.held) if one.quantity in NUMBERS]


def _whole_ms(at_s: float, to: Callable[[float], int]) -> int:
    """Milliseconds within what a store can hold; an unbounded range is one to the end of all times."""
    return to(min(max(at_s * 1000, 0.0), float(LAST_MS)))


def _only(subject: str, quantity: str) -> Callable[[Key, Frame], Frame | None]:
    def pick(key: Key, frame: Frame) -> Frame | None:
        column = frame.columns.get(quantity)
        return None if key[0] != subject or column is None else Frame(frame.times[:], {quantity: column[:]})

    return pick


def _ends(_: Key, frame: Frame) -> Frame | None:
    """The first and the last row's time, and which quantities there are."""
    if not frame.times:
        return None
    return Frame(array("q", (min(frame.times), max(frame.times))), {name: array("i", (0, 0)) for name in frame.columns})
