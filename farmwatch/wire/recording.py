"""Recordings: JSON Lines of everything that came in, as it came, in order of time. Part of our interface.

::

    {"at": T, "via": "mqtt"|"http"|"push"|"ups"|"snmp", "address": A, "body": TEXT, "retained": true?}
    {"at": T, "via": V, "address": A, "body64": BASE64, ...}                    bytes that are no UTF-8
    {"at": T, "via": V, "address": A?, "event": "connected"|"disconnected"}
    {"at": T, "via": V, "address": A, "error": TEXT}
    {"at": T, "via": "person", "command": C, "machine": M?, "by": WHO, ...}     further keys belong to the command

T is RFC 3339 with an offset. Unknown keys are ignored, so that an older version reads what a newer one wrote.
"""

import base64
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, NoReturn

from farmwatch.wire.times import parse, rfc3339
from farmwatch.words.errors import BadRecording
from farmwatch.words.model import Failed, Input, Link, Raw, Said

VIAS: tuple[str, ...] = ("mqtt", "http", "push", "ups", "snmp")
PERSON = "person"
OWN_KEYS = frozenset({"at", "via", "command", "machine", "by"})
EVENTS: dict[str, bool] = {"connected": True, "disconnected": False}

_UNSEEN = re.compile("[\x7f-\x9f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")
"""Written as escapes: some readers take them for line ends, a terminal for orders; UTF-8 cannot hold the last."""

Document = dict[str, Any]
_encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode


# ---- writing -----------------------------------------------------------------------------------------------------


def write(item: Input) -> str:
    r"""The line of an input, without the line feed.

    Lossless: `read` gives the same input back, its time to the microsecond.

    Raises:
        ValueError: a command's fields hold what JSON cannot, or the time is beyond the calendar.

    >>> write(Raw(1764057600.0, "mqtt", "works/plug", b'{"w":5}'))
    '{"at": "2025-11-25T08:00:00.000+00:00", "via": "mqtt", "address": "works/plug", "body": "{\\"w\\":5}"}'
    """
    text = _encode(_document(item))
    return text if text.isascii() else _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def _document(item: Input) -> Document:
    at = rfc3339(item.at_s)
    if isinstance(item, Raw):
        doc: Document = {"at": at, "via": item.via, "address": item.address, **_body(item.body)}
        return doc | {"retained": True} if item.retained else doc
    if isinstance(item, Failed):
        return {"at": at, "via": item.via, "address": item.address, "error": item.error}
    if isinstance(item, Link):
        place = {} if item.address is None else {"address": item.address}
        return {"at": at, "via": item.via, **place, "event": "connected" if item.connected else "disconnected"}
    machine = {} if item.machine is None else {"machine": item.machine}
    doc = {"at": at, "via": PERSON, "command": item.command, **machine, "by": item.by}
    return doc | {key: value for key, value in item.fields.items() if key not in OWN_KEYS}


def _body(body: bytes) -> dict[str, str]:
    try:
        return {"body": body.decode()}
    except UnicodeDecodeError:
        return {"body64": base64.b64encode(body).decode("ascii")}


# ---- reading -----------------------------------------------------------------------------------------------------


def read(lines: Iterable[str]) -> Iterator[Input]:
    """Inputs of a recording, one by one; blank lines are skipped.

    Raises:
        BadRecording: a line that cannot be read, or that is earlier than the one before it; names its number.
    """
    number, last_s = 0, -math.inf
    source = iter(lines)
    while True:
        number += 1
        try:
            line = next(source, None)
        except UnicodeDecodeError as error:
            raise BadRecording(f"line {number} or soon after: no UTF-8 ({error.reason})") from None
        if line is None:
            return
        if number == 1:
            line = line.removeprefix("\ufeff")
        if not line.strip():
            continue
        try:
            item = read_line(line)
        except BadRecording as error:
            error.args = (f"line {number}: {error.args[0]}",)
            raise
        if item.at_s < last_s:
            raise BadRecording(
                f"line {number}: {rfc3339(item.at_s)} is earlier than the line before it, {rfc3339(last_s)}",
                hint="a recording is in order of time: sort it by at",
            )
        last_s = item.at_s
        yield item


def read_line(line: str) -> Input:
    """The input of one line.

    Raises:
        BadRecording: says what is wrong, without the line's number.
    """
    doc = _parse(line)
    at_s = _at(doc)
    via = _text(doc, "via")
    if via == PERSON:
        return _said(doc, at_s)
    if via not in VIAS:
        raise BadRecording(f'"via" is {_shown(via)}', hint=f"one of: {', '.join((*VIAS, PERSON))}")
    kinds = [key for key in _MAKERS if key in doc]
    if len(kinds) != 1:
        found = " and ".join(f'"{key}"' for key in kinds) or "none"
        raise BadRecording(f"found {found}", hint=f"a line has just one of: {', '.join(_MAKERS)}")
    return _MAKERS[kinds[0]](doc, at_s, via)


def _parse(line: str) -> Document:
    try:
        doc = _decode(line)
    except json.JSONDecodeError as error:
        raise BadRecording(f"no JSON: {error.msg}, at character {error.pos}") from None
    except RecursionError:
        raise BadRecording("nested too deeply") from None
    except ValueError as error:
        raise BadRecording(f"no JSON: {error}") from None
    if not isinstance(doc, dict):
        raise BadRecording("no JSON object")
    return doc


def _no_constant(name: str) -> NoReturn:
    raise BadRecording(f"no JSON: {name} is no number")


def _finite(digits: str) -> float:
    value = float(digits)
    if math.isinf(value):
        raise BadRecording(f"no JSON number that can be kept: {digits[:40]}")
    return value


_decode = json.JSONDecoder(parse_constant=_no_constant, parse_float=_finite).decode


def _at(doc: Document) -> float:
    try:
        return parse(_text(doc, "at"))
    except ValueError as error:
        raise BadRecording(f'"at": {error}') from None


def _text(doc: Document, key: str) -> str:
    value = doc.get(key)
    if not isinstance(value, str):
        raise BadRecording(f'"{key}" is missing' if key not in doc else f'"{key}" is no text')
    return value


def _optional(doc: Document, key: str) -> str | None:
    return None if doc.get(key) is None else _text(doc, key)


def _retained(doc: Document) -> bool:
    value = doc.get("retained", False)
    if not isinstance(value, bool):
        raise BadRecording('"retained" is neither true nor false')
    return value


def _plain(doc: Document, at_s: float, via: str) -> Input:
    try:
        body = _text(doc, "body").encode()
    except UnicodeEncodeError:
        raise BadRecording(
            '"body" holds half of a surrogate pair', hint='bytes that are no text go into "body64"'
        ) from None
    return Raw(at_s, via, _text(doc, "address"), body, _retained(doc))


def _coded(doc: Document, at_s: float, via: str) -> Input:
    try:
        body = base64.b64decode(_text(doc, "body64"), validate=True)
    except ValueError:
        raise BadRecording('"body64" is no base64 (RFC 4648, section 4)') from None
    return Raw(at_s, via, _text(doc, "address"), body, _retained(doc))


def _link(doc: Document, at_s: float, via: str) -> Input:
    event = _text(doc, "event")
    if event not in EVENTS:
        raise BadRecording(f'"event" is {_shown(event)}', hint=f"one of: {', '.join(EVENTS)}")
    return Link(at_s, via, _optional(doc, "address"), EVENTS[event])


def _failed(doc: Document, at_s: float, via: str) -> Input:
    return Failed(at_s, via, _text(doc, "address"), _text(doc, "error"))


_MAKERS: dict[str, Callable[[Document, float, str], Input]] = {
    "body": _plain,
    "body64": _coded,
    "event": _link,
    "error": _failed,
}


def _said(doc: Document, at_s: float) -> Said:
    fields: Mapping[str, Any] = {key: value for key, value in doc.items() if key not in OWN_KEYS}
    return Said(at_s, _text(doc, "command"), _optional(doc, "machine"), _text(doc, "by"), fields)


def _shown(text: str) -> str:
    return f'"{text[:40]}"'.encode("unicode_escape").decode("ascii")
