"""Whole numbers to few bytes and back. Nothing here touches a disk.

A column of integers becomes residuals (from a base, from the number before, from the step before, or from a
straight line, whichever is smallest on a sample), these become bytes, all low bytes first, and zlib does the rest.
Where numpy has been asked for (`use_numpy`) it does the arithmetic; the bytes are the same.
"""

import math
import sys
import zlib
from array import array
from collections.abc import Iterable
from itertools import accumulate, repeat
from operator import add, mul, sub, truediv
from types import ModuleType

from farmwatch.words.model import Value
from farmwatch.words.quantities import Kind, Quantity
from farmwatch.words.series import Floats, Ints

UNKNOWN = -(2**31)
"""Stands among the scaled values where a value became unknown."""
ABSENT = UNKNOWN + 1
"""Stands where the message of that time did not speak of this quantity."""
LARGEST = 2**52
"""Scaled values beyond this are refused; the ranges of `words.quantities` stay far below."""

CODES = {1: "B", 2: "H", 4: "I", 8: "Q"}
BIAS = {width: int.from_bytes(b"\x80" * width, "little") for width in CODES}
"""Added to a residual, so that small ones of either sign differ in their lowest byte alone."""
LEAST = {width: -BIAS[width] for width in CODES}
MOST = {width: 256**width - 1 - BIAS[width] for width in CODES}
FROM_BASE, FROM_LAST, FROM_STEP, FROM_LINE = range(4)
SAMPLE = 1536

_numpy: list[ModuleType] = []


def use_numpy(wanted: bool = True) -> bool:
    """Let numpy do the arithmetic from here on, where it is installed; whether it does. Costs some 15 MB."""
    _numpy.clear()
    if wanted:
        try:
            import numpy  # noqa: PLC0415, ICN001  (optional, and heavy)
        except ImportError:
            return False
        _numpy.append(numpy)
    return bool(_numpy)


# ---- values --------------------------------------------------------------------------------------------------------


def scale(quantity: Quantity, value: Value) -> int | None:
    """A value as an integer multiple of the resolution; UNKNOWN for None; None for what does not fit."""
    if value is None:
        return UNKNOWN
    if isinstance(value, bool):
        return int(value) if quantity.kind is Kind.FLAG else None
    if quantity.kind not in (Kind.NUMBER, Kind.FLAG) or not isinstance(value, (int, float)):
        return None
    if not quantity.low <= value <= quantity.high:  # NaN and infinity are in no range
        return None
    scaled = round(value / quantity.resolution)
    return scaled if ABSENT < scaled < LARGEST else None


def unscale(numbers: Ints, resolution: float) -> Floats:
    """The values again, NaN for UNKNOWN; dividing by a whole number gives the nearest float to the decimal."""
    parts = round(1 / resolution) if resolution < 1 else 0
    if _numpy:
        np = _numpy[0]
        whole = np.frombuffer(numbers, dtype=f"i{numbers.itemsize}")
        values = whole / float(parts) if parts else whole * resolution
        values[whole == UNKNOWN] = math.nan
        return array("d", values.tobytes())
    values = array("d", map(truediv, numbers, repeat(parts)) if parts else map(mul, numbers, repeat(resolution)))
    if numbers and min(numbers) == UNKNOWN:
        for index, number in enumerate(numbers):
            if number == UNKNOWN:
                values[index] = math.nan
    return values


# ---- residuals ---------------------------------------------------------------------------------------------------


def residuals(numbers: Ints, how: int) -> tuple[int, int, Ints]:
    """(first, second, residuals): what `rebuild` needs."""
    first = numbers[0]
    if how == FROM_BASE:
        return first, 0, _less(numbers, first)
    if how == FROM_LINE:
        step = round((numbers[-1] - first) / (len(numbers) - 1)) if len(numbers) > 1 else 0
        return first, step, _less_line(numbers, first, step)
    steps = differences(numbers)
    if how == FROM_LAST or not steps:
        return first, 0, steps
    return first, steps[0], differences(steps)


def rebuild(how: int, first: int, second: int, found: Ints, count: int) -> Ints:
    """The numbers of `residuals`."""
    if how == FROM_BASE:
        return _sum_each(found, first)
    if how == FROM_LINE:
        return _sum_line(found, first, second)
    if how == FROM_STEP and count > 1:
        found = _running(found, second)
    return _running(found, first)


def _less(numbers: Ints, base: int) -> Ints:
    if _numpy:
        return _ints(wide(numbers) - base)
    return array("q", map(sub, numbers, repeat(base)))


def _less_line(numbers: Ints, first: int, step: int) -> Ints:
    if _numpy:
        return _ints(wide(numbers) - first - step * _numpy[0].arange(len(numbers), dtype="i8"))
    return array("q", map(sub, numbers, _line(first, step, len(numbers))))


def differences(numbers: Ints) -> Ints:
    """Each number less the one before it."""
    if _numpy:
        return _ints(_numpy[0].diff(wide(numbers)))
    return array("q", map(sub, numbers[1:], numbers))


def running_areas(values: Ints, steps: Ints) -> Ints:
    """Twice the area of the trapezoids up to each point."""
    if _numpy:
        heights = wide(values)
        return _running_np((heights[1:] + heights[:-1]) * wide(steps), 0)
    return array("q", accumulate(map(mul, map(add, values[1:], values), steps), initial=0))


def _sum_each(found: Ints, base: int) -> Ints:
    if _numpy:
        return _ints(wide(found) + base)
    return array("q", map(add, found, repeat(base)))


def _sum_line(found: Ints, first: int, step: int) -> Ints:
    if _numpy:
        return _ints(wide(found) + first + step * _numpy[0].arange(len(found), dtype="i8"))
    return array("q", map(add, found, _line(first, step, len(found))))


def _running(found: Ints, first: int) -> Ints:
    if _numpy:
        return _running_np(wide(found), first)
    return array("q", accumulate(found, initial=first))


def _running_np(found, first: int) -> Ints:  # type: ignore[no-untyped-def]  # noqa: ANN001  (same as below)
    np = _numpy[0]
    return _ints(np.cumsum(np.concatenate((np.array([first], "i8"), found))))


def _line(first: int, step: int, count: int) -> Iterable[int]:
    return range(first, first + step * count, step) if step else repeat(first, count)


def numpy_in_use() -> ModuleType | None:
    """Numpy where it has been asked for and is there."""
    return _numpy[0] if _numpy else None


def wide(numbers: Ints):  # type: ignore[no-untyped-def]  # noqa: ANN201  (an array of a library that may be absent)
    """The numbers as an array of numpy, 64 bits each."""
    return _numpy[0].frombuffer(numbers, dtype=f"i{numbers.itemsize}").astype("i8")


def _ints(numbers) -> Ints:  # type: ignore[no-untyped-def]  # noqa: ANN001  (same)
    return array("q", numbers.astype("i8").tobytes())


# ---- bytes -------------------------------------------------------------------------------------------------------


def planes(found: Ints) -> tuple[int, bytes]:
    """(width, bytes): the residuals in the narrowest width that holds them all, all lowest bytes first."""
    least, most = span(found) if found else (0, 0)
    width = next(width for width in CODES if LEAST[width] <= least and most <= MOST[width])
    bias = BIAS[width]
    if _numpy:
        np = _numpy[0]
        raw = (wide(found).astype("u8") + np.uint64(bias)).astype(f"<u{width}").tobytes()
    else:
        raw = _little(array(CODES[width], map(add, found, repeat(bias)))).tobytes()
    return width, raw if width == 1 else b"".join(raw[n::width] for n in range(width))


def span(found: Ints) -> tuple[int, int]:
    """The least and the greatest of at least one number."""
    if _numpy:
        numbers = wide(found)
        return int(numbers.min()), int(numbers.max())
    return min(found), max(found)


def unplanes(width: int, data: bytes) -> Ints:
    """The residuals of `planes`."""
    count, rest = divmod(len(data), width)
    if rest:
        raise ValueError("a column is cut short")
    raw: bytes | bytearray = data
    if width > 1 and count > 1:
        raw = bytearray(data)
        for n in range(width):
            raw[n::width] = data[n * count : (n + 1) * count]
    bias = BIAS[width]
    if _numpy:
        np = _numpy[0]
        return _ints((np.frombuffer(raw, dtype=f"<u{width}").astype("u8") - np.uint64(bias)).astype("i8"))
    found: Ints = array(CODES[width])
    found.frombytes(raw)
    return array("q", map(sub, _little(found), repeat(bias)))


def _little(numbers: Ints) -> Ints:
    if sys.byteorder != "little":
        numbers.byteswap()
    return numbers


def squeeze(data: bytes) -> bytes:
    """Deflate (RFC 1951) without a header: the block has a checksum of its own."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15, 9)
    return packer.compress(data) + packer.flush()


def unsqueeze(data: bytes, most: int) -> bytes:
    """The bytes of `squeeze`; no more than `most`, so that a damaged block cannot fill the memory."""
    opener = zlib.decompressobj(-15)
    found = opener.decompress(data, most + 1)
    if len(found) > most or not opener.eof:
        raise ValueError("a column is not what was written")
    return found


def number(value: int) -> bytes:
    """An integer as its length and its bytes."""
    size = (value.bit_length() + 8) // 8
    return bytes((size,)) + value.to_bytes(size, "little", signed=True)


def take_number(data: bytes, at: int) -> tuple[int, int]:
    """The integer of `number` at an offset, and the offset after it."""
    end = at + 1 + data[at]
    if end > len(data):
        raise ValueError("a column is cut short")
    return int.from_bytes(data[at + 1 : end], "little", signed=True), end


NOUGHT = number(0)


def encode(numbers: Ints, ways: Iterable[int], *, squeezed: bool = True, sample: int = SAMPLE) -> bytes:
    """A column of at least one integer as bytes; of several `ways` the best on a sample is taken; 0 tries the whole."""
    listed = tuple(ways)
    if not sample:
        return min((_encoded(numbers, how, squeezed=squeezed) for how in listed), key=len)
    how = listed[0]
    if len(listed) > 1:
        begin = max(0, (len(numbers) - sample) // 2)
        part = numbers[begin : begin + sample]
        how = min(listed, key=lambda way: len(zlib.compress(planes(residuals(part, way)[2])[1], 6)))
    return _encoded(numbers, how, squeezed=squeezed)


def _encoded(numbers: Ints, how: int, *, squeezed: bool) -> bytes:
    first, second, found = residuals(numbers, how)
    width, data = planes(found)
    head = bytes((how << 4 | width,)) + number(first) + number(second)
    return head + (squeeze(data) if squeezed else data)


def encode_few(numbers: Ints, how: int) -> bytes:
    """The bytes of `encode` for a handful of integers, not squeezed, from the base or the last one."""
    first = numbers[0]
    if how == FROM_BASE:
        steps = [value - first for value in numbers]
    else:
        steps = [value - before for value, before in zip(numbers[1:], numbers, strict=False)]
    try:
        data = bytes([step + 128 for step in steps])
    except ValueError:  # wider than a byte
        return encode(numbers, (how,), squeezed=False)
    return bytes((how << 4 | 1,)) + number(first) + NOUGHT + data


def decode_few(data: bytes, count: int) -> "list[int] | Ints":
    """`decode` of what was not squeezed, quick where the residuals are a byte wide."""
    how, width = data[0] >> 4, data[0] & 15
    if width != 1 or how > FROM_LAST:
        return decode(data, count, squeezed=False)
    first, at = take_number(data, 1)
    _, at = take_number(data, at)
    steps = data[at:]
    if len(steps) != count - how:  # FROM_LAST needs one less
        raise ValueError("a column has another length than its block")
    if how == FROM_BASE:
        first -= 128
        return [first + step for step in steps]
    found = [first]
    for step in steps:
        first += step - 128
        found.append(first)
    return found


def decode(data: bytes, count: int, *, squeezed: bool = True) -> Ints:
    """The `count` integers of `encode`; raises ValueError for what it never wrote."""
    try:
        how, width = data[0] >> 4, data[0] & 15
        first, at = take_number(data, 1)
        second, at = take_number(data, at)
        body = unsqueeze(data[at:], width * count) if squeezed else data[at:]
        if width not in CODES or how > FROM_LINE:
            raise ValueError("a column of an unknown kind")
        numbers = rebuild(how, first, second, unplanes(width, body), count)
    except (IndexError, zlib.error, OverflowError) as error:
        raise ValueError(f"a column is not what was written: {error}") from error
    if len(numbers) != count:
        raise ValueError("a column has another length than its block")
    return numbers
