"""The append log: what is in memory and not yet in blocks, so that a crash loses no more than the last minute.

Two files beside the database, used in turn, one an epoch. A record is written once, begins on a block of the card,
and is synced; nothing that was synced is ever written over before its readings are in the database. The files are
filled with zeros ahead of the records, so that a sync changes the data alone and the file system's journal has
nothing to do. When the readings are in blocks, the next epoch begins at the front of the other file; the database
says which epochs are done with, and their records are passed over.

    record  <4sIIII  b"FWL1", epoch, number, length, CRC-32; then a deflated body; padded with zeros to 4096 bytes
"""

import contextlib
import os
import struct
import zlib
from array import array
from collections.abc import Iterable
from pathlib import Path

from farmwatch.sqlitefile import sync_folder
from farmwatch.stores.embedded.blocks import Frame
from farmwatch.stores.embedded.coding import FROM_BASE, FROM_LAST, decode_few, encode, encode_few
from farmwatch.words.series import Ints

RECORD = struct.Struct("<4sIIII")
MAGIC = b"FWL1"
STEP = 4096
PARTS = ("-log0", "-log1")
GROW = 1 << 20
SMALL = struct.Struct("<H")
LARGE = struct.Struct("<I")
ROWS = struct.Struct("<IH")
FEW = 16  # rows of a minute; beyond them arrays as a whole are quicker

Key = tuple[str, str]
"""Subject and source."""


def pack(frames: Iterable[tuple[Key, Frame]]) -> bytes:
    """Rows of several sources as the body of a record."""
    parts: list[bytes] = []
    for (subject, source), frame in frames:
        rows = len(frame.times)
        times = _numbers(frame.times, FROM_LAST)
        parts += (_text(subject), _text(source), ROWS.pack(rows, len(frame.columns)), LARGE.pack(len(times)), times)
        for name, column in frame.columns.items():
            data = _numbers(column, FROM_BASE)
            parts += (_text(name), LARGE.pack(len(data)), data)
    return zlib.compress(b"".join(parts), 9)


def _text(words: str) -> bytes:
    data = words.encode("utf-8", "surrogateescape")
    return SMALL.pack(len(data)) + data


def _numbers(column: Ints, how: int) -> bytes:
    return encode_few(column, how) if len(column) <= FEW else encode(column, (how,), squeezed=False)


class _Cut:
    """What was packed, piece by piece."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        self.at = end = self.at + count
        if end > len(self.data):
            raise ValueError("a record is cut short")
        return self.data[end - count : end]

    def text(self) -> str:
        size: int = SMALL.unpack(self.take(2))[0]
        return self.take(size).decode("utf-8", "surrogateescape")

    def numbers(self, count: int) -> "list[int] | Ints":
        size: int = LARGE.unpack(self.take(4))[0]
        return decode_few(self.take(size), count)


def unpack(body: bytes) -> list[tuple[Key, Frame]]:
    """The rows of `pack`; raises ValueError for what it never wrote."""
    try:
        data = zlib.decompress(body)
    except zlib.error as error:
        raise ValueError(str(error)) from error
    cut, found = _Cut(data), []
    try:
        while cut.at < len(data):
            key = cut.text(), cut.text()
            rows, columns = ROWS.unpack(cut.take(ROWS.size))
            frame = Frame(array("q", cut.numbers(rows)))
            for _ in range(columns):
                name = cut.text()
                frame.columns[name] = _narrow(cut.numbers(rows))
            found.append((key, frame))
    except (IndexError, OverflowError) as error:
        raise ValueError(f"a record is not what was written: {error}") from error
    return found


def _narrow(column: "list[int] | Ints") -> Ints:
    try:
        return array("i", column)
    except OverflowError:
        return array("q", column)


class _File:
    """One of the two files."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.end = 0
        self._size = 0
        self._file = -1

    def records(self, least_epoch: int) -> tuple[list[tuple[int, int, bytes]], int]:
        """(epoch, number, body) of what is whole and not done with, and how many before the last are damaged."""
        data = self.path.read_bytes() if self.path.exists() else b""
        found, damaged, torn = [], 0, 0
        self.end = 0
        for at in range(0, len(data) - RECORD.size, STEP):
            if data[at : at + 4] != MAGIC:
                continue
            _, epoch, number, length, crc = RECORD.unpack_from(data, at)
            body = data[at + RECORD.size : at + RECORD.size + length]
            if epoch < least_epoch:
                continue
            if zlib.crc32(body, epoch ^ number) != crc:
                torn += 1
                continue
            found.append((epoch, number, body))
            damaged, torn = damaged + torn, 0  # a torn one at the very end was never said to be written
            self.end = at + STEP * -(-(RECORD.size + length) // STEP)
        return found, damaged

    def write(self, data: bytes, at: int) -> None:
        """Write and sync; `end` is behind it then."""
        if self._file < 0:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
            self._size = os.fstat(self._file).st_size
        if at + len(data) > self._size:
            size = GROW * -(-(at + len(data)) // GROW)
            self._put(bytes(size - self._size), self._size)
            os.fsync(self._file)
            sync_folder(self.path.parent)
            self._size = size
        self._put(data, at)
        os.fdatasync(self._file)
        self.end = at + len(data)

    def _put(self, data: bytes, at: int) -> None:
        view = memoryview(data)
        while view:
            count = os.pwrite(self._file, view, at)
            view, at = view[count:], at + count

    def close(self) -> None:
        """Close; an error that only closing tells is none for what was synced."""
        if self._file >= 0:
            with contextlib.suppress(OSError):
                os.close(self._file)
        self._file = -1


class AppendLog:
    """Both files. Raises OSError where the disk does not do as it is told; then `close`, and write the record again."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.epoch = 1
        self.damaged = 0
        self._number = 0
        self._files = tuple(_File(path.with_name(f"{path.name}{part}")) for part in PARTS)

    def read(self, least_epoch: int) -> list[tuple[Key, Frame]]:
        """What records of this epoch and later ones hold, in order; writing goes on after them."""
        self.damaged = 0
        records: list[tuple[int, int, bytes]] = []
        for file in self._files:
            found, damaged = file.records(least_epoch)
            records += found
            self.damaged += damaged
        records.sort()
        self.epoch, self._number = max(1, least_epoch), 0
        if records:
            self.epoch, self._number = records[-1][0], records[-1][1] + 1
        return [part for _, _, body in records for part in self._unpacked(body)]

    def _unpacked(self, body: bytes) -> list[tuple[Key, Frame]]:
        try:
            return unpack(body)
        except (ValueError, struct.error):
            self.damaged += 1
            return []

    def write(self, body: bytes) -> None:
        """Write a record and sync it."""
        file = self._files[self.epoch % 2]
        file.write(_record(self.epoch, self._number, body), file.end)
        self._number += 1

    def write_ahead(self, body: bytes) -> None:
        """The first record of the next epoch, before anything of this one is done with."""
        self._files[(self.epoch + 1) % 2].write(_record(self.epoch + 1, 0, body), 0)

    def begin_next(self, *, ahead: bool) -> None:
        """This epoch is done with; `ahead`: the next one has its first record already."""
        self.epoch += 1
        self._number = int(ahead)
        if not ahead:
            self._files[self.epoch % 2].end = 0

    def close(self) -> None:
        """Close both files."""
        for file in self._files:
            file.close()


def _record(epoch: int, number: int, body: bytes) -> bytes:
    data = RECORD.pack(MAGIC, epoch, number, len(body), zlib.crc32(body, epoch ^ number)) + body
    return data + bytes(-len(data) % STEP)
