"""Readings as integers, as bytes, and thinned for a chart. Nothing here touches a disk."""

import math
from array import array
from collections.abc import Iterable
from typing import TypeAlias

from farmwatch.words.model import Value
from farmwatch.words.quantities import Kind, Quantity

Ints: TypeAlias = "array[int]"

UNKNOWN = -(2**63)
"""Stands among the scaled values where a value became unknown."""

CODES = (("b", 7), ("h", 15), ("i", 31), ("q", 63))  # array typecodes and the bits of value that they hold


def scale(quantity: Quantity, value: Value) -> int | None:
    """A value as an integer multiple of the resolution; UNKNOWN for None; None for what does not fit."""
    if value is None:
        return UNKNOWN
    if isinstance(value, bool):
        return int(value) if quantity.kind is Kind.FLAG else None
    if quantity.kind is not Kind.NUMBER or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    scaled = round(value / quantity.resolution)
    return scaled if abs(scaled) < 2**63 else None


def unscale(quantity: Quantity, rows: Iterable[tuple[int, int]]) -> list[tuple[int, float]]:
    """The values again, NaN for UNKNOWN; dividing by a whole number gives the nearest float to the decimal."""
    if quantity.resolution < 1:
        parts = round(1 / quantity.resolution)
        return [(t, v / parts if v != UNKNOWN else math.nan) for t, v in rows]
    return [(t, v * quantity.resolution if v != UNKNOWN else math.nan) for t, v in rows]


def thin(rows: list[tuple[int, float]], start_ms: int, end_ms: int, points: int) -> list[tuple[int, float]]:
    """First, last, least and greatest row of each of `points` / 4 equal spans, and the first unknown in it.

    M4 (Jugel, Jerzak, Hackenbroich, Markl: PVLDB 7(10), 2014, 797-808): a line chart that is as many pixels
    wide as there are spans comes out the same.
    """
    spans = max(1, points // 4)
    width = max(1, end_ms - start_ms + 1)
    chosen: set[int] = set()
    best: dict[int, tuple[int, int]] = {}  # span: index of the least and of the greatest
    edges: dict[int, tuple[int, int]] = {}
    unknown: set[int] = set()
    for index, (at_ms, value) in enumerate(rows):
        span = (at_ms - start_ms) * spans // width
        first, _ = edges.get(span, (index, index))
        edges[span] = (first, index)
        if math.isnan(value):
            if span not in unknown:
                unknown.add(span)
                chosen.add(index)
            continue
        low, high = best.get(span, (index, index))
        best[span] = (index if value < rows[low][1] else low, index if value > rows[high][1] else high)
    for pair in (*best.values(), *edges.values()):
        chosen.update(pair)
    return [rows[index] for index in sorted(chosen)]


def pack(numbers: Iterable[int]) -> bytes:
    """Integers in the narrowest type that holds them all, its letter first, little-endian."""
    listed = list(numbers)
    bits = max((n if n >= 0 else ~n).bit_length() for n in listed)
    code = next(code for code, most in CODES if bits <= most)
    return code.encode() + _little(array(code, listed)).tobytes()


def unpack(blob: bytes) -> Ints:
    """The integers of `pack`; raises ValueError for what it never wrote."""
    code = blob[:1].decode("ascii")
    if code not in {known for known, _ in CODES}:
        raise ValueError(f"unknown typecode {code!r}")
    numbers: Ints = array(code)
    numbers.frombytes(blob[1:])
    return _little(numbers)


def _little(numbers: Ints) -> Ints:
    if array("h", [1]).tobytes() != b"\x01\x00":
        numbers.byteswap()
    return numbers


def encode(times: Ints, values: Ints) -> tuple[int, bytes, int, bytes, bytes | None]:
    """The columns after `series` of one row: first_ms, times, base, vals, gaps."""
    known = [value for value in values if value != UNKNOWN]
    gaps = [index for index, value in enumerate(values) if value == UNKNOWN]
    base = known[0] if known else 0
    first = times[0]
    vals = pack(value - base for value in known) if known else b""
    return first, pack(t - first for t in times), base, vals, pack(gaps) if gaps else None


def decode(first: int, times: bytes, base: int, vals: bytes, gaps: bytes | None) -> list[tuple[int, int]]:
    """The (ms, scaled value) pairs of one row; raises ValueError for what `encode` never wrote."""
    values = [base + n for n in unpack(vals)] if vals else []
    for index in unpack(gaps) if gaps else ():
        values.insert(index, UNKNOWN)
    return [(first + t, value) for t, value in zip(unpack(times), values, strict=True)]
