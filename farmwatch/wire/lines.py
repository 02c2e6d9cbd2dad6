"""Line protocol: measurement, tags, fields, time; written and read.

The form is InfluxDB's documented one (docs.influxdata.com, "Line protocol"), which other servers take as well:
``measurement,tag=value field=1.5,other="words" 1700000000000``. Commas, spaces and equals signs are escaped by a
backslash in names and tags; in a string field, quotation marks and backslashes.
"""

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from farmwatch.words.errors import BadPayload
from farmwatch.words.quantities import Quantity

FieldValue = float | str | bool
_NAME = re.compile(r"([,= \\])")
_MEASUREMENT = re.compile(r"([, \\])")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]+")


class Line(NamedTuple):
    """One line, read; `time` is a whole number in a unit that the protocol leaves open, None if there is none."""

    measurement: str
    tags: dict[str, str]
    fields: dict[str, FieldValue]
    time: int | None


def number_text(quantity: Quantity, value: object) -> str | None:
    """A value at its quantity's resolution, as a floating-point field; None if it is no number within its range."""
    number = float(value) if isinstance(value, int | float) else math.nan
    if not quantity.low <= number <= quantity.high:  # which NaN is not either
        return None
    if quantity.resolution >= 1:
        return f"{round(number / quantity.resolution) * quantity.resolution:.0f}"
    parts = round(1 / quantity.resolution)
    text = f"{round(number * parts) / parts:.{len(str(parts)) - 1}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def quoted(text: str) -> str:
    """A string field: control characters become spaces."""
    clean = _CONTROL.sub(" ", text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{clean}"'


def series_key(measurement: str, tags: Iterable[tuple[str, str]]) -> str:
    """Measurement and tags, tags by name; a tag without a value is left out, as the protocol wants it."""
    parts = [_MEASUREMENT.sub(r"\\\1", _CONTROL.sub(" ", measurement))]
    parts += (f"{_tag(name)}={_tag(value)}" for name, value in sorted(tags) if value)
    return ",".join(parts)


def _tag(text: str) -> str:
    return _NAME.sub(r"\\\1", _CONTROL.sub(" ", text))


def line(key: str, fields: Mapping[str, str], time: int) -> str:
    """One line of a `series_key`, and fields whose values are written out already."""
    return f"{key} {','.join(f'{_tag(name)}={text}' for name, text in fields.items())} {time}"


# ---- reading ---------------------------------------------------------------------------------------------------


def parse(text: str) -> Line:
    """Read one line; raises BadPayload with what is wrong."""
    head, rest = _until(text, " ", strings=False)
    body, time_text = _until(rest, " ", strings=True)
    if not head or not body:
        raise BadPayload("no measurement and fields", hint="such as: farmwatch,machine=avocet power_w=120.5 1000")
    parts = list(_split(head, strings=False))
    tags = dict(_pair(part, "tag") for part in parts[1:])
    fields = {name: _value(value) for name, value in (_pair(part, "field") for part in _split(body, strings=True))}
    time_text = time_text.strip()
    if time_text and not re.fullmatch(r"-?\d{1,19}", time_text):
        raise BadPayload(f'"{time_text[:40]}" is no time', hint="a whole number since 1970")
    return Line(_plain(parts[0]), {name: _plain(value) for name, value in tags.items()}, fields,
                int(time_text) if time_text else None)  # fmt: skip


def _until(text: str, stop: str, *, strings: bool) -> tuple[str, str]:
    """Up to the first `stop` that is neither escaped nor within a string, and what follows it."""
    inside, n, equals = False, 0, -2
    while n < len(text):
        if text[n] == "\\":
            n += 1
        elif text[n] == '"' and strings and (inside or equals == n - 1):
            inside = not inside
        elif text[n] == "=" and not inside:
            equals = n
            if stop == "=":
                return text[:n], text[n + 1 :]
        elif text[n] == stop and not inside:
            return text[:n], text[n + 1 :]
        n += 1
    if inside:
        raise BadPayload("a string does not end")
    return text, ""


def _split(text: str, *, strings: bool) -> Iterator[str]:
    while text:
        part, text = _until(text, ",", strings=strings)
        yield part


def _pair(part: str, what: str) -> tuple[str, str]:
    name, value = _until(part, "=", strings=False)
    if not name or not value:
        raise BadPayload(f'"{part[:40]}" is no {what}', hint="written name=value")
    return _plain(name), value


def _plain(text: str) -> str:
    return re.sub(r"\\([,= \\])", r"\1", text)


def _value(text: str) -> FieldValue:
    if text.startswith('"'):
        if len(text) < 2 or not text.endswith('"'):
            raise BadPayload(f"{text[:40]} is no string")
        return re.sub(r'\\(["\\])', r"\1", text[1:-1])
    if text in ("t", "T", "true", "True", "TRUE", "f", "F", "false", "False", "FALSE"):
        return text[0] in "tT"
    try:
        number = float(text[:-1] if text[-1] in "iu" else text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise BadPayload(f'"{text[:40]}" is no value', hint='a number, true, false, or "words"')
    return number
