"""The doors that strangers' bytes come in by, each with what it promises; one harness for CI, by hand and atheris.

A door is called with bytes. It returns, or lets its own kind of error be the answer; any other exception, and every
`AssertionError`, is a find. Promised everywhere: an error of the door's own type, in few printable words; no value
that was not sent; never nought for what cannot be read.
"""

import io
import json
import math
import random
import tempfile
from collections.abc import Callable
from pathlib import Path

from farmwatch.settings import ConfigErrors, load, shown
from farmwatch.wire import recording, upsmib, upsproto, upsvalues
from farmwatch.wire.payload import FieldSpec, MappingSpec, TimeSpec, decode, validate_mapping
from farmwatch.words.errors import BadPayload, BadRecording, ConfigError, ProtocolError
from farmwatch.words.quantities import QUANTITIES, TABLE, Kind

CORPUS = Path(__file__).parent / "corpus"
MOST_WORDS = 600
"""Characters of an error; a longer one carries the stranger's text into the log."""


# ---- payload mapping ---------------------------------------------------------------------------------------------

STATES = {"RUN": ("heating", "printing"), "IDLE": ("idle",), "7": ("fault",)}
EVERY = MappingSpec(
    "every", "mqtt", "json",
    tuple(
        FieldSpec(row.name, f"/{row.name}", row.unit, words=STATES if row.name == "state" else None) for row in TABLE
    ),
    TimeSpec("/t", "ms"),
)  # fmt: skip
TEXTS = tuple(MappingSpec("one", "mqtt", "text", (FieldSpec(row.name, "", row.unit),)) for row in TABLE)


def payload(data: bytes) -> None:
    """A payload by a mapping of all quantities, and as plain text; after a NUL: a pointer of its own for the watts."""
    body, _, pointer = data.partition(b"\0")
    own = MappingSpec("own", "mqtt", "json", (FieldSpec("power_w", pointer.decode("utf-8", "replace"), "W"),))
    for spec in (EVERY, *TEXTS, *([] if validate_mapping(own) else [own])):
        for sent in {body, data}:
            try:
                found = decode(spec, sent)
            except BadPayload as error:
                few_words(error)
                continue
            _sound(spec, sent, found)


def _sound(spec, body, found):
    for line in found.refused:
        assert line.isprintable(), line
        assert len(line) < MOST_WORDS, line
    if found.source_at_s is not None:
        assert math.isfinite(found.source_at_s)
    for quantity, value in found.values.items():
        row = QUANTITIES[quantity]
        if value is None:
            continue
        if row.kind is not Kind.NUMBER:
            assert isinstance(value, bool if row.kind is Kind.FLAG else str), (quantity, value)
            continue
        assert type(value) is float, (quantity, value)
        assert row.low <= value <= row.high, (quantity, value)
        if spec is EVERY:
            sent = json.loads(body)[quantity]
            assert type(sent) in {int, float}, (quantity, sent)
            assert value == sent, (quantity, sent)
        elif spec.format == "text":
            assert value == float(body.decode().strip("\0 \t\r\n\ufeff")), (body, value)


# ---- RFC 9271 ----------------------------------------------------------------------------------------------------

ASKS: tuple[Callable[[upsproto.UpsClient], bytes], ...] = (
    lambda c: c.list_var("su700"), lambda c: c.get("VAR", "su700", "ups.status"), lambda c: c.list_ups(),
    lambda c: c.protver(), lambda c: c.attach("su700"), lambda c: c.get("TYPE", "su700", "ups.id"),
    lambda c: c.password("canary"), lambda c: c.list_of("CLIENT", "su700"), lambda c: c.detach(),
)  # fmt: skip
"""What may have been asked. STARTTLS is not among them: there it matters by design what comes in the same bytes."""


def ups(data: bytes) -> None:
    """First byte: what was asked; second: into what pieces the rest is cut. Pieces must make no difference."""
    head, body = data[:2].ljust(2, b"\0"), data[2:]
    step = head[1] + 1
    whole, pieces = _talk(head[0], [body]), _talk(head[0], [body[at : at + step] for at in range(0, len(body), step)])
    assert whole == pieces, (whole, pieces)
    for reply in whole[0]:
        assert reply.kind in {"ok", "row", "list", "text", "error"}
        assert "canary" not in repr(reply.query)
    try:
        found = upsproto.read_variables(body, "su700")
    except BadPayload as error:
        few_words(error)
        return
    if isinstance(found, upsproto.UpsError):
        assert found.name
        return
    values = upsvalues.decode(found)
    for line in values.refused:
        assert line.isprintable(), line
    for quantity, names, factor in upsvalues.TABLE:
        value = values.values[quantity]
        if value is None:
            continue
        row = QUANTITIES[quantity]
        assert row.low <= value <= row.high, (quantity, value)
        sent = next(found[name] for name in names if name in found)
        assert math.isclose(value, float(sent) * factor, rel_tol=1e-9), (quantity, sent, value)


def _talk(asked, pieces):
    client, replies = upsproto.UpsClient(), []
    for number in {asked % len(ASKS): None, asked // len(ASKS) % len(ASKS): None}:
        ASKS[number](client)
    try:
        for piece in pieces:
            replies += client.receive(piece)
    except ProtocolError as error:
        few_words(error)
    return replies, client.error is not None


# ---- SNMP: RFC 1628 ----------------------------------------------------------------------------------------------

PLAIN = {  # quantity: the object it comes from, and what of it is one of ours
    "charge": (upsmib.CHARGE, 100), "battery_v": (upsmib.BATTERY_VOLTAGE, 10),
    "battery_c": (upsmib.BATTERY_TEMPERATURE, 1), "runtime_s": (upsmib.MINUTES_REMAINING, 1 / 60),
}  # fmt: skip


def snmp(data: bytes) -> None:
    """What an agent has said, as it is recorded: whatever it is, values are what was sent, or unknown."""
    try:
        objects = upsmib.parse(data)
    except BadPayload as error:
        few_words(error)
        return
    upsmib.out_of_contact(objects)
    found = upsmib.decode(objects)
    assert found.values.keys() == set(upsmib.YIELDS)
    for line in found.refused:
        assert line.isascii(), line
        assert len(line) < MOST_WORDS, line
    for quantity, value in found.values.items():
        row = QUANTITIES.get(quantity)
        if value is None or row is None or row.kind is not Kind.NUMBER:
            continue
        assert math.isfinite(value), (quantity, value)
        assert row.low <= value <= row.high, (quantity, value)
        if quantity in PLAIN:
            oid, divisor = PLAIN[quantity]
            assert type(objects[oid]) is int, (quantity, objects[oid])
            assert math.isclose(value, objects[oid] / divisor), (quantity, objects[oid], value)


# ---- configuration -----------------------------------------------------------------------------------------------


def configuration(data: bytes) -> None:
    """A file of the configuration: all mistakes as `ConfigErrors`, each with words; what loads can be shown."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "farmwatch.toml"
        file.write_bytes(data)
        try:
            settings = load(file, live=False)
        except ConfigErrors as errors:
            _named(errors.problems, data.count(b"\n") + 1)
            return
        shown(settings)


def _named(problems, lines):
    assert problems
    for problem in problems:
        text = str(problem)
        assert text.strip(), problem
        assert text.replace("\n", " ").isprintable(), ascii(text)
        assert problem.line is None or 1 <= problem.line <= lines, problem


# ---- recording ---------------------------------------------------------------------------------------------------


def recorded(data: bytes) -> None:
    """A recording: read line by line or refused as `BadRecording`; what is read is written and read as the same."""
    last_s = -math.inf
    try:
        for item in recording.read(io.TextIOWrapper(io.BytesIO(data), "utf-8", newline="\n")):
            assert item.at_s >= last_s
            last_s = item.at_s
            again = recording.read_line(recording.write(item))
            assert abs(again.at_s - item.at_s) < 2e-6, item
            assert again._replace(at_s=item.at_s) == item if hasattr(item, "_replace") else _same(again, item), item
    except BadRecording as error:
        few_words(error)


def _same(one, two):
    return {**_fields(one), "at_s": 0} == {**_fields(two), "at_s": 0}


def _fields(item):
    return {name: getattr(item, name) for name in item.__dataclass_fields__}


# ---- addresses ---------------------------------------------------------------------------------------------------


def address(data: bytes) -> None:
    """The address of a UPS, and a pointer: what is no address is a mistake of the configuration."""
    text = data.decode("utf-8", "replace")
    try:
        name, host, port = upsproto.parse_address(text)
    except ConfigError as error:
        few_words(error)
    else:
        assert name
        assert host
        assert 0 < port < 65_536
    try:
        words = upsproto.split(text)
    except ProtocolError as error:
        few_words(error)
        return
    if text.isascii() and all(word.isprintable() and word.isascii() for word in words):
        assert upsproto.split(" ".join(map(upsproto.quote, words))) == words


def few_words(error: Exception) -> None:
    """An error's words are few and printable."""
    text = str(error)
    assert 0 < len(text) < MOST_WORDS, text
    assert text.isprintable(), ascii(text)


DOORS: dict[str, Callable[[bytes], None]] = {
    "payload": payload, "ups": ups, "snmp": snmp, "configuration": configuration, "recording": recorded,
    "address": address,
}  # fmt: skip

WORDS: dict[str, tuple[bytes, ...]] = {
    "payload": (b'"power_w":', b'"state":', b'"t":', b"1e999", b"-0", b"NaN", b"true", b"null", b'"RUN"', b"\0/power_w",
                b"0x10", b"1_000", "\u0661".encode(), b"9" * 500, b"[" * 300, b"\xef\xbb\xbf", b"\\ud800"),
    "ups": (b"BEGIN LIST VAR su700\n", b"END LIST VAR su700\n", b'VAR su700 battery.charge "100"\n', b"OK\n",
            b"ERR DATA-STALE\n", b'VAR su700 ups.status "OL OB"\n', b"\r\n", b'\\"', b"1e400", b"nan", b"inf", b"-1"),
    "snmp": (upsmib.CHARGE.encode(), upsmib.OUTPUT_SOURCE.encode(), upsmib.UPTIME.encode(), upsmib.TEST_START.encode(),
             (upsmib.PERCENT_LOAD + ".1").encode(), (upsmib.ALARM_DESCR + ".1").encode(), b"-1", b"1e3", b"null",
             b"18446744073709551616", b"true", b"[]", upsmib.CONTACT_LOST.encode()),
    "configuration": (b"[machines.avocet]\n", b"config_version = 1\n", b'uses = ["panel"]\n', b"[[", b"inf", b"nan",
                      b"1979-05-27T07:32:00Z", b"{}", b"[]", b'"""', b"'''", b"\\u0000", b"a.b.c = 1\n", b"-1", b"0",
                      b"[secrets]\n", b"9" * 30),
    "recording": (b'{"at": "2025-11-25T08:00:00Z", "via": "mqtt", "address": "a", "body": "1"}\n', b'"body64": "AA=="',
                  b'"event": "connected"', b'"via": "person"', b'"command": "ack"', b'"by": "ann"', b"\\ud800",
                  b"0001-01-01T00:00:00+23:59", b"9999-12-31T23:59:60Z", b"NaN", b"1e999", b'"retained": true'),
    "address": (b"@", b":", b"[::1]", b"65536", b'"', b"\\", b"127.0.0.1", b"one"),
}  # fmt: skip
"""What a mutation may put in: words that the door knows, and known trouble."""


def corpus(door: str) -> list[bytes]:
    """Inputs that are kept: good ones to start from, and what was once a find."""
    return [file.read_bytes() for file in sorted((CORPUS / door).iterdir())]


def mutated(rng: random.Random, seeds: list[bytes], words: tuple[bytes, ...]) -> bytes:
    """An input with a few small changes; the same generator gives the same one."""
    data = bytearray(rng.choice(seeds))
    for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
        at = rng.randrange(len(data) + 1)
        until = min(len(data), at + rng.choice((1, 1, 2, 4, 16, 64)))
        match rng.randrange(8):
            case 0 if data:
                data[at - 1] ^= 1 << rng.randrange(8)
            case 1:
                data[at:until] = rng.randbytes(rng.randrange(4))
            case 2:
                del data[at:until]
            case 3:
                data[at:at] = data[at:until] * rng.choice((1, 2, 30))
            case 4:
                other = rng.choice(seeds)
                start = rng.randrange(len(other) + 1)
                data[at:until] = other[start : start + rng.choice((1, 8, 64, 400))]
            case 5:
                data[at:at] = str(rng.choice((0, -1, 1, 255, 2**31, 2**64, 10**30, 0.1, 1e-9, rng.random()))).encode()
            case _:
                data[at:until] = rng.choice(words)
    return bytes(data[:20_000])
