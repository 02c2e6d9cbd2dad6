"""From a device's payload to values in SI units, as a mapping says: JSON or plain text, by table.

Three outcomes are kept apart:

* **unknown**: the pointer finds nothing, or null. The value is None and nothing is wrong.
* **refused**: what stands there cannot be that quantity: NaN, infinity, a boolean or a string posing as a number, a
  value outside the plausible range, a word that the table does not hold. The value is None and a line of `refused`
  says why, for the counter. It never becomes 0.
* **bad**: the payload as a whole cannot be read: `BadPayload`.

A JSON object that names a key twice is read as Python's json does it: the last one wins (RFC 8259, section 4,
leaves it open). A mapping is compiled once into closures, since decoding is what the collector does most.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from farmwatch.wire import times
from farmwatch.words.errors import BadPayload
from farmwatch.words.model import Value
from farmwatch.words.quantities import AVAILABILITY_WORDS, QUANTITIES, STATE_WORDS, UNITS, Kind, Quantity

MOST_BYTES = 256 * 1024
"""Larger payloads are refused before they are parsed."""
MOST_TEXT, KEPT_TEXT = 10_000, 200
"""Characters of a text that are accepted, and that are kept."""
MOST_DIGITS = 400
"""Longer integers are beyond any float: they are read as not-a-number, which is refused as a value."""
LAST_SECOND_S = 253_402_300_799.0
"""End of the year 9999."""

FLAG_WORDS: dict[str, bool] = {
    "true": True, "on": True, "yes": True, "closed": True,
    "false": False, "off": False, "no": False, "open": False,
}  # fmt: skip
"""What a device's word for a flag may be mapped to."""

TIME_UNITS: dict[str, float] = {"s": 1.0, "ms": 1e-3}
DECIMAL = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
"""A number in plain text. No separators, no hexadecimal, no words."""


@dataclass(frozen=True, slots=True)
class FieldSpec:
    """Where one quantity stands. ``value * scale + offset`` is in `unit`; `words` maps the device's words to ours."""

    quantity: str
    pointer: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    words: Mapping[str, tuple[str, ...]] | None = None


@dataclass(frozen=True, slots=True)
class TimeSpec:
    """Where the device's own time stands; `unit` is s, ms or rfc3339."""

    pointer: str
    unit: str


@dataclass(frozen=True, slots=True)
class MappingSpec:
    """How one kind of device speaks; `format` is json or text."""

    name: str
    via: str
    format: str
    fields: tuple[FieldSpec, ...]
    time: TimeSpec | None = None


class Decoded(NamedTuple):
    """Values in SI units (None: unknown), the device's own time, and what was refused and why."""

    values: dict[str, Value]
    source_at_s: float | None
    refused: tuple[str, ...]


Reader = Callable[[bytes], Decoded]
Walk = Callable[[object], object]


class _Refused(Exception):
    """A value that cannot be that quantity."""


def decode(mapping: MappingSpec, body: bytes) -> Decoded:
    """Values of one payload.

    Raises:
        BadPayload: it is too large, no UTF-8, no JSON, or nested too deeply.
    """
    return reader(mapping)(body)


_readers: dict[int, tuple[MappingSpec, Reader]] = {}


def reader(mapping: MappingSpec) -> Reader:
    """The compiled mapping; kept, so that asking again is cheap."""
    found = _readers.get(id(mapping))  # a mapping holds tables and has no hash; the entry keeps it alive
    if found is None:
        if len(_readers) >= 4096:
            _readers.clear()
        found = _readers[id(mapping)] = (mapping, compile_mapping(mapping))
    return found[1]


def compile_mapping(mapping: MappingSpec) -> Reader:
    """A function from payload to values. The mapping must have no problems (`validate_mapping`)."""
    text = mapping.format == "text"
    parse = _parse_text if text else parse_json
    rows = tuple(_row(field, text=text) for field in mapping.fields)
    clock = None if mapping.time is None else (compile_pointer(mapping.time.pointer), _clock(mapping.time.unit))
    forks = _forks(mapping.fields)

    def read(body: bytes) -> Decoded:
        document = parse(body)
        values: dict[str, Value] = {}
        refused: list[str] = []
        for quantity, walk, convert in rows:
            found = walk(document)
            if found is None:
                values[quantity] = None
                continue
            try:
                values[quantity] = convert(found)
            except _Refused as why:
                values[quantity] = None
                refused.append(f"{quantity}: {why}")
        if forks and (fork := forks.get(values["state"])) is not None:
            values["availability"], state = fork
            if state:
                values["state"] = state
            else:
                del values["state"]
        source_at_s = None
        if clock is not None and (found := clock[0](document)) is not None:
            try:
                source_at_s = clock[1](found)
            except _Refused as why:
                refused.append(f"time: {why}")
        return Decoded(values, source_at_s, tuple(refused))

    return read


def _row(field: FieldSpec, *, text: bool) -> tuple[str, Walk, Callable[[object], Value]]:
    return field.quantity, compile_pointer(field.pointer), _converter(field, text=text)


def _forks(fields: tuple[FieldSpec, ...]) -> dict[Value, tuple[str, str]]:
    """Words of the state's table that tell of the availability instead: what they say of it, and of the state."""
    forks: dict[Value, tuple[str, str]] = {}
    for field in fields:
        if field.quantity == "state":
            for ours in ((word,) for word in AVAILABILITY_WORDS) if field.words is None else field.words.values():
                told = [word for word in ours if word in AVAILABILITY_WORDS]
                if told:
                    forks["|".join(ours)] = told[0], "|".join(word for word in ours if word not in AVAILABILITY_WORDS)
    return forks


# ---- payloads ----------------------------------------------------------------------------------------------------


def _integer(digits: str) -> float:
    return int(digits) if len(digits) <= MOST_DIGITS else math.nan


_scan: Callable[[str, int], tuple[object, int]] = json.scanner.make_scanner(json.JSONDecoder())  # type: ignore[attr-defined]
_patient = json.JSONDecoder(parse_int=_integer)
_BLANK = " \t\n\r"  # RFC 8259, section 2


def parse_json(body: bytes) -> object:
    """A JSON document (RFC 8259). Integers beyond any float become not-a-number.

    Raises:
        BadPayload: it is no JSON, no UTF-8, too large, or nested too deeply.
    """
    _measure(body)
    try:
        text = body.decode()
        found, end = _scan(text, 0)
        if end == len(text):
            return found
    except (StopIteration, ValueError):
        pass  # blanks in front, an endless integer, no UTF-8 or no JSON: the slow way finds out
    except RecursionError:
        raise BadPayload("it is nested too deeply") from None
    return _parse_slowly(body)


def _parse_slowly(body: bytes) -> object:
    try:
        return _patient.decode(_text(body).removeprefix("\ufeff"))
    except json.JSONDecodeError as error:
        where = f"at character {error.pos}" if body.strip() else "it is empty"
        raise BadPayload(f"no JSON: {error.msg.lower()}, {where}") from None
    except RecursionError:
        raise BadPayload("it is nested too deeply") from None


def _parse_text(body: bytes) -> str | None:
    """A plain text without the blanks around it; None for an empty one: it says nothing."""
    _measure(body)
    return _text(body).strip(_BLANK + "\0") or None


def _measure(body: bytes) -> None:
    if len(body) > MOST_BYTES:
        raise BadPayload(f"it has {len(body)} bytes, at most {MOST_BYTES} are read")


def _text(body: bytes) -> str:
    try:
        return body.decode()
    except UnicodeDecodeError as error:
        raise BadPayload(f"no UTF-8: byte {error.start}") from None


# ---- pointers ----------------------------------------------------------------------------------------------------


def pointer_tokens(pointer: str) -> tuple[str, ...]:
    """The reference tokens of a JSON Pointer (RFC 6901, sections 3 and 4).

    Raises:
        ValueError: it is no JSON Pointer.

    >>> pointer_tokens("/a~1b/0/m~0n"), pointer_tokens(""), pointer_tokens("/")
    (('a/b', '0', 'm~n'), (), ('',))
    """
    if not pointer:
        return ()
    if not pointer.startswith("/"):
        raise ValueError(f'"{pointer}" is no JSON Pointer (RFC 6901): it must begin with "/"')
    if re.search(r"~(?![01])", pointer):
        raise ValueError(f'"{pointer}" is no JSON Pointer (RFC 6901): "~" is written "~0"')
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


_INDEX = re.compile(r"0|[1-9]\d*", re.ASCII)


def compile_pointer(pointer: str) -> Walk:
    """A function from document to what the pointer finds in it, None if it finds nothing."""
    tokens = pointer_tokens(pointer)
    if not tokens:
        return lambda document: document
    if len(tokens) == 1:
        return _step(tokens[0])
    if len(tokens) == 2:
        first, second = _step(tokens[0]), _step(tokens[1])
        return lambda document: second(first(document))
    steps = tuple(map(_step, tokens))

    def walk(document: object) -> object:
        for step in steps:
            document = step(document)
        return document

    return walk


def _step(token: str) -> Walk:
    index = int(token) if _INDEX.fullmatch(token) and len(token) < 10 else None

    def step(document: object) -> object:
        if type(document) is dict:
            return document.get(token)
        if index is not None and type(document) is list and index < len(document):
            return document[index]
        return None

    return step


# ---- values ------------------------------------------------------------------------------------------------------


def _converter(field: FieldSpec, *, text: bool) -> Callable[[object], Value]:
    row = QUANTITIES[field.quantity]
    if row.kind is Kind.NUMBER:
        number = _number(row, field)
        return (lambda found: number(_decimal(found))) if text else number
    if row.kind is Kind.FLAG:
        return _flag(field.words, text=text)
    if row.kind is Kind.WORD:
        return _word(field)
    return _free_text(field.words)


def _number(row: Quantity, field: FieldSpec) -> Callable[[object], float]:
    """``(found * scale + offset)`` in the given unit, then to SI: one multiplication and one addition."""
    unit_factor, unit_offset = UNITS[row.unit][field.unit]
    factor, shift = field.scale * unit_factor, field.offset * unit_factor + unit_offset
    low, high, unit = row.low, row.high, row.unit
    plain = factor == 1.0 and shift == 0.0

    def edge(value: float) -> float:
        """A value that only the conversion's rounding has pushed over the edge of its range is the edge."""
        if not plain:
            for limit in (low, high):
                if abs(value - limit) <= 1e-12 * (abs(shift) + abs(limit)):
                    return limit
        raise _Refused(f"{value:g} {'' if unit == '1' else unit}".strip() + f" is not within {low:g} to {high:g}")

    def number(found: object) -> float:
        if type(found) is not float and type(found) is not int:
            raise _Refused(f"{_shown(found)} is no number")
        try:
            value = float(found) if plain else found * factor + shift
        except OverflowError:
            raise _Refused("an integer of hundreds of digits") from None
        return value if low <= value <= high else edge(value)

    return number


def _decimal(found: object) -> float:
    if type(found) is not str or DECIMAL.fullmatch(found) is None:
        raise _Refused(f"{_shown(found)} is no decimal number")
    return float(found)


def _flag(words: Mapping[str, tuple[str, ...]] | None, *, text: bool) -> Callable[[object], bool]:
    table = {word: FLAG_WORDS[ours[0]] for word, ours in (words or {}).items() if ours}
    if text:
        table = {"true": True, "false": False} | table

    def flag(found: object) -> bool:
        value = table.get(canonical(found)) if table else None
        if value is None:
            if type(found) is bool:
                return found
            raise _Refused(f"{_shown(found)} is neither true nor false nor in the table of words")
        return value

    return flag


def _word(field: FieldSpec) -> Callable[[object], str]:
    """Several words of ours are joined by "|" in the order of the table; the brain tells them apart."""
    own = STATE_WORDS + AVAILABILITY_WORDS if field.quantity == "state" else AVAILABILITY_WORDS
    words = {word: (word,) for word in own} if field.words is None else field.words
    table = {word: "|".join(ours) for word, ours in words.items() if ours}

    def word(found: object) -> str:
        value = table.get(found) if type(found) is str else table.get(canonical(found))
        if value is None:
            raise _Refused(f"{_shown(found)} is not in the table of words")
        return value

    return word


def _free_text(words: Mapping[str, tuple[str, ...]] | None) -> Callable[[object], str | None]:
    """Text as it is, cut; a table of words translates what it holds. Numbers are no text unless it holds them."""
    table = {word: " ".join(ours) for word, ours in (words or {}).items()}

    def text(found: object) -> str | None:
        told = table.get(canonical(found)) if table else None
        if told is not None:
            return told or None
        if type(found) is not str:
            raise _Refused(f"{_shown(found)} is no text")
        if len(found) > MOST_TEXT:
            raise _Refused(f"a text of {len(found)} characters, at most {MOST_TEXT} are read")
        return clean(found)[:KEPT_TEXT] if found and not found.isspace() else None

    return text


def clean(text: str) -> str:
    """Text that UTF-8 can hold: JSON may escape half of a surrogate pair, which becomes U+FFFD."""
    if text.isascii():
        return text
    return text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")


def canonical(found: object) -> str:
    """A scalar as a table of words spells it: true, false, 3, 2.5, or the string itself; "" for a container.

    >>> canonical(True), canonical(3), canonical(3.0), canonical(2.5), canonical("RUN"), canonical([1])
    ('true', '3', '3', '2.5', 'RUN', '')
    """
    if type(found) is str:
        return found
    if type(found) is bool:
        return "true" if found else "false"
    if type(found) is int or type(found) is float:
        return f"{found:.0f}" if abs(found) < 1e15 and found == int(found) else repr(found)
    return ""


def _shown(found: object) -> str:
    """A few characters of a value, escaped."""
    if type(found) is dict or type(found) is list:
        return "an object" if type(found) is dict else "an array"
    text = canonical(found)
    shown = f'"{text[:40]}{"..." if len(text) > 40 else ""}"' if type(found) is str else text[:40]
    return shown.encode("unicode_escape").decode("ascii")


def _clock(unit: str) -> Callable[[object], float]:
    if unit == "rfc3339":

        def words(found: object) -> float:
            if type(found) is not str:
                raise _Refused(f"{_shown(found)} is no RFC 3339 time")
            try:
                return times.parse(found)
            except ValueError:
                raise _Refused(f"{_shown(found)} is no RFC 3339 time with offset") from None

        return words
    factor = TIME_UNITS[unit]

    def count(found: object) -> float:
        if type(found) is not float and type(found) is not int:
            raise _Refused(f"{_shown(found)} is no time")
        if not 0 <= found <= LAST_SECOND_S / factor:
            raise _Refused(f"{_shown(found)} {unit} is no time since 1970")
        return found * factor

    return count


# ---- what may be wrong with a mapping ----------------------------------------------------------------------------


def validate_mapping(spec: MappingSpec) -> list[str]:
    """Everything that is wrong with a mapping, in words for its owner; empty when `compile_mapping` may have it."""
    problems = []
    if spec.format not in ("json", "text"):
        problems.append(f'"{spec.format}" is no format: json or text')
    for field in spec.fields:
        problems += [f"{field.quantity}: {problem}" for problem in _field_problems(field, text=spec.format == "text")]
    for quantity in {field.quantity for field in spec.fields}:
        if sum(field.quantity == quantity for field in spec.fields) > 1:
            problems.append(f"{quantity}: stands in the mapping twice")
    if spec.time is not None:
        problems += [f"time: {problem}" for problem in _pointer_problems(spec.time.pointer)]
        if spec.time.unit not in (*TIME_UNITS, "rfc3339"):
            problems.append(f'time: "{spec.time.unit}" is no unit: s, ms or rfc3339')
        if spec.format == "text":
            problems.append("time: a plain text holds no time of its own")
    return problems


def _field_problems(field: FieldSpec, *, text: bool) -> list[str]:
    row = QUANTITIES.get(field.quantity)
    if row is None:
        return ["no such quantity"]
    problems = _pointer_problems(field.pointer)
    if text and field.pointer:
        problems.append('a plain text has nothing to point into; use pointer = ""')
    if field.unit not in UNITS[row.unit]:
        problems.append(f'"{field.unit}" cannot be turned into {row.unit or "words"}')
    if not (math.isfinite(field.scale) and math.isfinite(field.offset)) or field.scale == 0:
        problems.append("scale and offset must be finite numbers, and scale not 0")
    for word, ours in (field.words or {}).items():
        if row.kind is Kind.NUMBER:
            return [*problems, "a number has no table of words"]
        allowed = _ours(row)
        if not ours:
            problems.append(f'words: "{word}" stands for nothing')
        problems += [f'words: "{one}" is none of ours: {", ".join(allowed)}' for one in ours if _alien(one, allowed)]
        if row.kind is not Kind.TEXT and row.name != "state" and len(ours) > 1:
            problems.append(f'words: "{word}" can stand for one word only')
    return problems


def _ours(row: Quantity) -> tuple[str, ...]:
    """What the device's words for a quantity may be mapped to; empty: to anything."""
    if row.kind is Kind.FLAG:
        return tuple(FLAG_WORDS)
    if row.kind is Kind.WORD:
        return STATE_WORDS + AVAILABILITY_WORDS if row.name == "state" else AVAILABILITY_WORDS
    return ()


def _alien(word: str, allowed: tuple[str, ...]) -> bool:
    return bool(allowed) and word not in allowed


def _pointer_problems(pointer: str) -> list[str]:
    try:
        pointer_tokens(pointer)
    except ValueError as error:
        return [str(error)]
    return []
