"""What could not be sent yet, on disk: segments of records, each a batch of lines, sent in the order they came.

::

    000000000017.spool   records: magic, bytes, CRC-32, lines, when (epoch s), then the lines, compressed by zlib
    cursor.json          up to where all is sent, and what was counted; lost, some batches are sent again, unchanged
    refused.txt          lines that the server refused, each after its reason

A batch is written and synced before it is sent, and never changed: sent twice, it says the same twice. A record that
a crash cut off is passed over. Segments are deleted when they are sent, or, oldest first, when there is no more room.
"""

import contextlib
import json
import logging
import os
import struct
import threading
import zlib
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NamedTuple

from farmwatch.sqlitefile import store_error, sync_folder

MAGIC = b"FWsp"
HEAD = struct.Struct("<4sIIId")
SEGMENT_BYTES = 1 << 20
HELD_BYTES = 8 << 20
"""Of batches that the disk does not take; they are kept in memory, compressed, and can be sent from there."""
REFUSED_BYTES = 1 << 20
log = logging.getLogger(__name__)


class Record(NamedTuple):
    """A batch; `segment` is -1 where it is in memory alone."""

    segment: int
    end: int
    lines: int
    at_s: float
    payload: bytes

    def text(self) -> list[bytes]:
        """Its lines."""
        return zlib.decompress(self.payload).split(b"\n")


@dataclass(frozen=True, slots=True)
class SpoolState:
    """What waits, and what was lost. Replaced as a whole, so that it can be read from any thread."""

    lines: int = 0
    bytes: int = 0
    oldest_s: float | None = None
    dropped: int = 0  # lines that had to go for want of room, or were too old
    refused: int = 0  # lines that the server would not have
    damaged: int = 0  # records that could not be read


@dataclass(slots=True)
class _Segment:
    size: int = 0
    lines: int = 0
    newest_s: float = 0.0


class Spool:
    """See the module. `append` and `peek`/`done` may be called by two threads; `state` never waits.

    Raises StoreError from `append`, which keeps the batch in memory all the same.
    """

    def __init__(self, folder: Path, max_bytes: int, max_age_s: float) -> None:
        self.folder = folder
        self.state = SpoolState()
        self._max_bytes, self._max_age_s = max_bytes, max_age_s
        self._segment_bytes = max(1, min(SEGMENT_BYTES, max_bytes // 8))
        self._lock = threading.Lock()
        self._segments: dict[int, _Segment] = {}
        self._read = (0, 0)
        self._file: int | None = None
        self._held: deque[Record] = deque()
        self._dropped = self._refused = self._damaged = 0
        self._opened = False
        self._oldest_s: float | None = None

    # ---- in --------------------------------------------------------------------------------------------------------

    def append(self, lines: Sequence[str], at_s: float) -> None:
        """Keep a batch; durable when this returns."""
        payload = zlib.compress("\n".join(lines).encode(), 6)
        with self._lock:
            self._held.append(Record(-1, 0, len(lines), at_s, payload))
            while sum(len(record.payload) for record in self._held) > HELD_BYTES:
                self._dropped += self._held.popleft().lines
            self._write_held(at_s)

    def retry(self, now_s: float) -> None:
        """Write what is in memory alone, if there is any."""
        with self._lock:
            if self._held:
                self._write_held(now_s)

    def _write_held(self, now_s: float) -> None:
        try:
            self._open()
            while self._held:
                self._write(self._held[0])
                self._held.popleft()
            self._make_room(now_s)
        except OSError as error:
            raise store_error(self.folder, "written", error) from error
        finally:
            self._tell()

    def _write(self, record: Record) -> None:
        number = max(self._segments, default=0)
        if self._file is None or self._segments[number].size >= self._segment_bytes:
            self._close_file()
            number = max(number, self._read[0]) + 1
            self._file = os.open(self._path(number), os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
            sync_folder(self.folder)
            self._segments[number] = _Segment(os.fstat(self._file).st_size)
        segment = self._segments[number]
        head = HEAD.pack(MAGIC, len(record.payload), zlib.crc32(record.payload), record.lines, record.at_s)
        data = memoryview(head + record.payload)
        try:
            while data:
                data = data[os.write(self._file, data) :]
            os.fsync(self._file)
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(self._file, segment.size)
            self._close_file()  # after a failed sync nothing can be said of this file's end: a new one next time
            raise
        segment.size += HEAD.size + len(record.payload)
        segment.lines += record.lines
        segment.newest_s = max(segment.newest_s, record.at_s)

    def _make_room(self, now_s: float) -> None:
        while len(self._segments) > 1:
            number = min(self._segments)
            oldest = self._segments[number]
            full = sum(segment.size for segment in self._segments.values()) > self._max_bytes
            if not full and oldest.newest_s > now_s - self._max_age_s:
                return
            self._dropped += oldest.lines
            self._forget(number)
            self._save()

    # ---- out -------------------------------------------------------------------------------------------------------

    def peek(self) -> Record | None:
        """The oldest batch that is not sent; None if all are."""
        with self._lock, contextlib.suppress(OSError):
            self._open()
            while (record := self._next()) is None and self._read[0] < max(self._segments, default=0):
                later = min(number for number in self._segments if number > self._read[0])
                self._forget(self._read[0])
                self._read = later, 0
            if record is None and self._held:
                record = self._held[0]
            self._oldest_s = None if record is None else record.at_s
            self._tell()
            return record
        return None

    def done(self, record: Record) -> None:
        """It was taken, or set aside."""
        with self._lock:
            if record.segment < 0:
                if self._held and self._held[0].payload is record.payload:
                    self._held.popleft()
            elif record.segment in self._segments:
                segment = self._segments[record.segment]
                segment.lines -= record.lines
                self._read = record.segment, record.end
                if record.end >= segment.size and self._segment_bytes <= segment.size:
                    if record.segment == max(self._segments):
                        self._close_file()
                    self._forget(record.segment)
                self._save()
            self._oldest_s = None
            self._tell()

    def refuse(self, lines: Sequence[bytes], why: str) -> None:
        """Keep lines that the server would not have where a person can look at them."""
        path = self.folder / "refused.txt"
        with self._lock:
            self._refused += len(lines)
            try:
                with path.open("ab") as file:
                    file.write(b"# " + why.encode() + b"\n" + b"\n".join(lines) + b"\n")
                if path.stat().st_size > REFUSED_BYTES:
                    path.replace(path.with_name("refused.1.txt"))
            except OSError as error:
                log.error("influx: refused lines could not be kept: %s", error.strerror)  # noqa: TRY400
            self._tell()

    def _next(self) -> Record | None:
        number, offset = self._read
        if number not in self._segments:
            return None
        with self._path(number).open("rb") as file:
            file.seek(offset)
            found = _read_record(file)
            if found is not None:
                lines, at_s, payload = found
                return Record(number, offset + HEAD.size + len(payload), lines, at_s, payload)
            if offset < self._segments[number].size:  # damaged, or cut off by a crash: on to the next that is whole
                self._damaged += 1
                file.seek(offset + 1)
                skip = file.read().find(MAGIC)
                self._read = number, self._segments[number].size if skip < 0 else offset + 1 + skip
                return self._next()
        return None

    # ---- files -----------------------------------------------------------------------------------------------------

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:012}.spool"

    def _open(self) -> None:
        if self._opened:
            return
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._look(tidy=True)
        self._opened = True

    def _look(self, *, tidy: bool) -> None:
        with contextlib.suppress(FileNotFoundError, ValueError, KeyError, TypeError):
            kept = json.loads((self.folder / "cursor.json").read_text("utf-8"))
            self._read = int(kept["segment"]), int(kept["offset"])
            self._dropped, self._refused, self._damaged = (int(kept[k]) for k in ("dropped", "refused", "damaged"))
        for path in sorted(self.folder.glob("*.spool")):
            number = int(path.stem) if path.stem.isdigit() else -1
            if number >= self._read[0]:
                self._segments[number] = self._count(path, self._read[1] if number == self._read[0] else 0)
            elif number >= 0 and tidy:
                path.unlink(missing_ok=True)
        first = min(self._segments, default=0)
        if first > self._read[0]:
            self._read = first, 0

    def _count(self, path: Path, offset: int) -> _Segment:
        """Lines that are not sent; by the heads alone, so that a full spool is counted quickly."""
        segment = _Segment(path.stat().st_size)
        with path.open("rb") as file:
            while True:
                file.seek(offset)
                head = file.read(HEAD.size)
                if len(head) < HEAD.size or not head.startswith(MAGIC):
                    return segment
                _, length, _, lines, at_s = HEAD.unpack(head)
                offset += HEAD.size + length
                if offset > segment.size:
                    return segment
                segment.lines += lines
                segment.newest_s = max(segment.newest_s, at_s)

    def _forget(self, number: int) -> None:
        self._path(number).unlink(missing_ok=True)
        self._segments.pop(number, None)
        if self._read[0] == number:
            self._read = min(self._segments, default=number + 1), 0

    def _save(self) -> None:
        kept = {"segment": self._read[0], "offset": self._read[1], "dropped": self._dropped,
                "refused": self._refused, "damaged": self._damaged}  # fmt: skip
        with contextlib.suppress(OSError):  # lost, some batches are sent again, the same as before
            new = self.folder / "cursor.new"
            new.write_text(json.dumps(kept), "utf-8")
            new.replace(self.folder / "cursor.json")

    def _tell(self) -> None:
        waiting = sum(segment.lines for segment in self._segments.values()) + sum(r.lines for r in self._held)
        size = sum(segment.size for segment in self._segments.values()) + sum(len(r.payload) for r in self._held)
        self.state = SpoolState(
            waiting, size if waiting else 0, self._oldest_s if waiting else None, self._dropped, self._refused,
            self._damaged,
        )  # fmt: skip

    def look(self) -> SpoolState:
        """What waits, from the files alone and without changing any; for who does not own the spool."""
        with self._lock, contextlib.suppress(OSError):
            if self.folder.is_dir() and not self._opened:
                self._look(tidy=False)
                record = self._next()
                self._oldest_s = None if record is None else record.at_s
            self._tell()
        return self.state

    def _close_file(self) -> None:
        if self._file is not None:
            with contextlib.suppress(OSError):
                os.close(self._file)
        self._file = None

    def close(self) -> None:
        """Close the file; what is held in memory alone is written if that is possible."""
        with self._lock:
            try:
                if self._held:
                    self._write_held(self._held[-1].at_s)
            finally:
                self._close_file()


def _read_record(file: BinaryIO) -> tuple[int, float, bytes] | None:
    """Lines, when, payload; None where there is no whole record."""
    head = file.read(HEAD.size)
    if len(head) < HEAD.size or not head.startswith(MAGIC):
        return None
    _, length, crc, lines, at_s = HEAD.unpack(head)
    payload = file.read(length)
    return (lines, at_s, payload) if len(payload) == length and zlib.crc32(payload) == crc else None
