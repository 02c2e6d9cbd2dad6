"""Readings of one source in memory and as one block of bytes: the times once, a column a quantity.

A block: a head, a directory, the columns one after another, and a CRC-32 (as in gzip, RFC 1952) of all that::

    head       <BHI    format 1, number of columns, number of rows
    directory  <IBI    series, kind of column, length; kind + 128: the same bytes as the column of that number
    columns    deflated residuals (`coding.encode`); masks deflated, a byte a row
    end        <I      CRC-32
"""

import struct
import zlib
from array import array
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import compress, repeat
from operator import lt, ne

from farmwatch.stores.embedded.coding import (
    ABSENT,
    FROM_BASE,
    FROM_LAST,
    FROM_LINE,
    FROM_STEP,
    UNKNOWN,
    decode,
    encode,
    numpy_in_use,
    span,
    squeeze,
    unsqueeze,
    wide,
)
from farmwatch.words.series import Ints

FORMAT = 1
HEAD, ENTRY, END = struct.Struct("<BHI"), struct.Struct("<IBI"), struct.Struct("<I")
TIMES, VALUES, MASK, LOW, HIGH, LAST, AREA, COVERED, COUNT, GAPS = range(10)
AGAIN = 128
TIME_WAYS = (FROM_LAST, FROM_STEP, FROM_LINE)
VALUE_WAYS = (FROM_LAST, FROM_BASE)
MARKS = {ABSENT: 1, UNKNOWN: 2}

Column = tuple[int, int]
"""Series and kind."""


@dataclass(slots=True)
class Frame:
    """Rows of one source: times in ms and scaled values, UNKNOWN and ABSENT among them.

    Every column is as long as `times`. Columns begin narrow and widen when a value needs it.
    """

    times: Ints = field(default_factory=lambda: array("q"))
    columns: dict[str, Ints] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.times)

    def add(self, at_ms: int, values: Mapping[str, int]) -> None:
        """A row; the quantities that it does not name are absent in it."""
        rows = len(self.times)
        self.times.append(at_ms)
        for name, value in values.items():
            column = self.columns.get(name)
            if column is None:
                column = self.columns[name] = array("i", repeat(ABSENT, rows))
            try:
                column.append(value)
            except OverflowError:
                self.columns[name] = array("q", column)
                self.columns[name].append(value)
        if len(values) < len(self.columns):
            for column in self.columns.values():
                if len(column) == rows:
                    column.append(ABSENT)

    def part(self, begin: int, end: int) -> "Frame":
        """Rows of a slice; quantities that are absent throughout are left out."""
        columns = {name: column[begin:end] for name, column in self.columns.items()}
        there = {name: c for name, c in columns.items() if c and (c[0] != ABSENT or c.count(ABSENT) < len(c))}
        return Frame(self.times[begin:end], there)

    def join(self, other: "Frame") -> None:
        """Put the rows of another one after these."""
        before, after = len(self.times), len(other.times)
        self.times.extend(other.times)
        for name in other.columns.keys() | self.columns.keys():
            mine = self.columns.get(name) or array("i", repeat(ABSENT, before))
            theirs = other.columns.get(name) or array("i", repeat(ABSENT, after))
            if mine.typecode != theirs.typecode:
                mine, theirs = array("q", mine), array("q", theirs)
            mine.extend(theirs)
            self.columns[name] = mine

    def ordered(self) -> bool:
        """Whether the times rise."""
        return all(map(lt, self.times, self.times[1:]))

    def values(self) -> int:
        """How many readings there are."""
        return sum(len(column) - column.count(ABSENT) for column in self.columns.values())


def settled(frame: Frame) -> Frame:
    """The frame in order of time, each time once; of two values for one time the later row's stands."""
    if frame.ordered():
        return frame
    order = sorted(range(len(frame.times)), key=frame.times.__getitem__)  # stable: later rows stay behind
    times = [frame.times[n] for n in order]
    keep = [*map(ne, times[1:], times), True]
    found = Frame(array("q", compress(times, keep)))
    for name, column in frame.columns.items():
        moved = [column[n] for n in order]
        for n in range(1, len(moved)):
            if moved[n] == ABSENT and not keep[n - 1]:
                moved[n] = moved[n - 1]
        found.columns[name] = array(column.typecode, compress(moved, keep))
    return found


def masked(numbers: Ints) -> tuple[Ints, bytes]:
    """The numbers with the last real one in place of marks, and the marks, a byte a row; no bytes if there are none."""
    if not numbers or span(numbers)[0] > ABSENT:
        return numbers, b""
    np = numpy_in_use()
    if np is not None:
        column = wide(numbers)
        there = np.where(column > ABSENT, np.arange(1, len(column) + 1), 0)
        last_real = np.maximum.accumulate(there)  # 0 before the first real one: that one stands there too
        first = int(there[there > 0][0]) if there.any() else 0
        behind = np.where(last_real > 0, last_real, first) - 1
        whole = column[behind] if first else np.zeros_like(column)
        marks = (column == ABSENT) * MARKS[ABSENT] + (column == UNKNOWN) * MARKS[UNKNOWN]
        return array("q", whole.tobytes()), marks.astype("u1").tobytes()
    mask = bytes(MARKS.get(number, 0) for number in numbers)
    filled: Ints = array("q")
    last = next((number for number in numbers if number > ABSENT), 0)
    for number in numbers:
        if number > ABSENT:
            last = number
        filled.append(last)
    return filled, mask


def unmasked(numbers: Ints, mask: bytes) -> Ints:
    """The numbers with their marks again."""
    for index, mark in enumerate(mask):
        if mark:
            numbers[index] = ABSENT if mark == 1 else UNKNOWN
    return numbers


def pack(times: Ints, columns: Mapping[Column, Ints]) -> bytes:
    """A block of at least one row; see above."""
    parts: list[tuple[int, int, bytes]] = [(0, TIMES, encode(times, TIME_WAYS, sample=0))]
    for (series, kind), numbers in columns.items():
        filled, mask = masked(numbers)
        parts.append((series, kind, encode(filled, VALUE_WAYS)))
        if mask:
            parts.append((series, MASK, bytes((kind,)) + squeeze(mask)))
    known: dict[bytes, int] = {}
    directory, body = [], []
    for index, (series, kind, data) in enumerate(parts):
        same = known.setdefault(data, index)
        if same == index:
            directory.append(ENTRY.pack(series, kind, len(data)))
            body.append(data)
        else:
            directory.append(ENTRY.pack(series, kind | AGAIN, same))
    block = HEAD.pack(FORMAT, len(parts), len(times)) + b"".join(directory) + b"".join(body)
    return block + END.pack(zlib.crc32(block))


class Block:
    """A block that is read: raises ValueError for what `pack` never wrote."""

    def __init__(self, data: bytes) -> None:
        if len(data) < HEAD.size + END.size or END.unpack_from(data, len(data) - END.size)[0] != zlib.crc32(
            memoryview(data)[: -END.size]
        ):
            raise ValueError("the checksum is wrong")
        form, count, self.rows = HEAD.unpack_from(data)
        if form != FORMAT:
            raise ValueError(f"a block of format {form}")
        self._data = data
        self._where: list[tuple[int, int]] = []
        self._masks: dict[Column, tuple[int, int]] = {}
        self.columns: dict[Column, tuple[int, int]] = {}
        at = HEAD.size + count * ENTRY.size
        for index in range(count):
            series, kind, length = ENTRY.unpack_from(data, HEAD.size + index * ENTRY.size)
            place = (at, length)
            if kind & AGAIN:
                place = self._where[length]
            else:
                at += length
            self._where.append(place)
            if kind & ~AGAIN == MASK:
                self._masks[series, data[place[0]]] = place
            else:
                self.columns[series, kind & ~AGAIN] = place

    def times(self) -> Ints:
        """The times."""
        return self._decoded((0, TIMES))

    def column(self, series: int, kind: int = VALUES) -> "Ints | None":
        """A column with its marks, or None."""
        if (series, kind) not in self.columns:
            return None
        numbers = self._decoded((series, kind))
        place = self._masks.get((series, kind))
        if place is None:
            return numbers
        begin, length = place
        try:
            return unmasked(numbers, unsqueeze(self._data[begin + 1 : begin + length], self.rows))
        except zlib.error as error:
            raise ValueError(f"a mask is not what was written: {error}") from error

    def _decoded(self, column: Column) -> Ints:
        begin, length = self.columns[column]
        return decode(self._data[begin : begin + length], self.rows)
