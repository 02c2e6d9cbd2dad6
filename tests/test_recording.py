"""Recordings: every line of the form that is our interface, there and back, and what cannot be read."""

import base64
import contextlib
import io
import json
import math

import pytest
from hypothesis import example, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from farmwatch.wire.recording import EVENTS, VIAS, read, read_line, write
from farmwatch.words.errors import BadRecording
from farmwatch.words.model import COMMANDS, Failed, Link, Raw, Said

AT = "2025-11-25T08:00:00+00:00"
AT_S = 1764057600.0


def line(**keys):
    return json.dumps({"at": AT} | keys)


# ---- reading what the interface describes, written by hand


@pytest.mark.parametrize(
    ("text", "item"),
    [
        (line(via="mqtt", address="works/a", body='{"w": 5}'), Raw(AT_S, "mqtt", "works/a", b'{"w": 5}')),
        (line(via="mqtt", address="works/a", body="5", retained=True),
         Raw(AT_S, "mqtt", "works/a", b"5", retained=True)),
        (line(via="http", address="http://192.0.2.7/s", body="", retained=False),
         Raw(AT_S, "http", "http://192.0.2.7/s", b"")),
        (line(via="push", address="/push/a", body64="//8A"), Raw(AT_S, "push", "/push/a", b"\xff\xff\x00")),
        (line(via="ups", address="one@192.0.2.9:3493", body="BEGIN LIST VAR one\n"),
         Raw(AT_S, "ups", "one@192.0.2.9:3493", b"BEGIN LIST VAR one\n")),
        (line(via="snmp", address="192.0.2.9:161", body='{"1.3.6.1.2.1.33.1.2.4.0": 100}'),
         Raw(AT_S, "snmp", "192.0.2.9:161", b'{"1.3.6.1.2.1.33.1.2.4.0": 100}')),
        (line(via="mqtt", event="connected"), Link(AT_S, "mqtt", None, connected=True)),
        (line(via="mqtt", address=None, event="disconnected"), Link(AT_S, "mqtt", None, connected=False)),
        (line(via="ups", address="one@192.0.2.9:3493", event="disconnected"),
         Link(AT_S, "ups", "one@192.0.2.9:3493", connected=False)),
        (line(via="ups", address="one@192.0.2.9:3493", error="ERR DATA-STALE"),
         Failed(AT_S, "ups", "one@192.0.2.9:3493", "ERR DATA-STALE")),
        (line(via="person", command="cleared", machine="avocet", by="ann"), Said(AT_S, "cleared", "avocet", "ann", {})),
        (line(via="person", command="started", machine="ibis", by="bram", job="hive roof", planned_min=90,
         material="PETG"),
         Said(AT_S, "started", "ibis", "bram", {"job": "hive roof", "planned_min": 90, "material": "PETG"})),
        (line(via="person", command="acknowledged", by="ann", alarm="mains_lost:one"),
         Said(AT_S, "acknowledged", None, "ann", {"alarm": "mains_lost:one"})),
        (line(via="person", command="dance", machine="nobody", by=""), Said(AT_S, "dance", "nobody", "", {})),
        (line(via="mqtt", address="a", body="5", qos=1, future={"x": [1]}), Raw(AT_S, "mqtt", "a", b"5")),
    ],
)  # fmt: skip
def test_lines(text, item):
    assert read_line(text) == item
    assert type(read_line(text)) is type(item)


@pytest.mark.parametrize(
    ("at", "at_s"),
    [("2025-11-25T08:00:00Z", AT_S), ("2025-11-25T09:00:00+01:00", AT_S), ("2025-11-25T02:30:00.25-05:30", AT_S + 0.25),
     ("2025-11-25t08:00:00.123456z", AT_S + 0.123456)],
)  # fmt: skip
def test_times_with_any_offset(at, at_s):
    assert read_line(json.dumps({"at": at, "via": "mqtt", "event": "connected"})).at_s == at_s


def test_a_file_of_lines():
    text = (
        "\ufeff"
        + "\n\n".join([line(via="mqtt", event="connected"), line(via="mqtt", address="a", body="5")])
        + "\r\n\n"
    )
    assert len(list(read(io.StringIO(text, newline="\n")))) == 2
    assert list(read([])) == []


# ---- there and back

VALUES = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text()
AT_MICROS = st.integers(0, 4_000_000_000_000_000).map(lambda micros: micros / 1e6)
RAWS = st.builds(Raw, AT_MICROS, st.sampled_from(VIAS), st.text(), st.binary(max_size=300), st.booleans())
ITEMS = (
    RAWS
    | st.builds(lambda at_s, via, text: Raw(at_s, via, "a", text.encode()), AT_MICROS, st.sampled_from(VIAS), st.text())
    | st.builds(Link, AT_MICROS, st.sampled_from(VIAS), st.none() | st.text(), st.booleans())
    | st.builds(Failed, AT_MICROS, st.sampled_from(VIAS), st.text(), st.text())
    | st.builds(
        Said, AT_MICROS, st.sampled_from(sorted(COMMANDS)) | st.text(), st.none() | st.text(), st.text(),
        st.dictionaries(st.text().filter(lambda key: key not in {"at", "via", "command", "machine", "by"}), VALUES),
    )
)  # fmt: skip


@effort(max_examples=400)
@given(ITEMS)
@example(Raw(AT_S, "mqtt", "a", "\u2028\x85\x1b]0;\x9b31m\u202e\x00\n".encode()))
@example(Raw(AT_S, "mqtt", "a", b"\xed\xa0\x80"))
@example(Said(AT_S, "started", "a", "ann", {"job": "a\ud800b"}))
def test_every_input_survives_its_line(item):
    text = write(item)
    assert read_line(text) == item
    assert type(read_line(text)) is type(item)
    assert len(text.splitlines()) == 1  # whatever a reader takes for a line's end
    text.encode()
    json.loads(text)


@given(st.floats(0, 4e9))
def test_times_are_kept_to_the_microsecond(at_s):
    assert read_line(write(Link(at_s, "mqtt", None, connected=True))).at_s == pytest.approx(at_s, abs=1.1e-6)


def test_text_stays_readable_and_bytes_that_are_none_are_coded():
    assert json.loads(write(Raw(AT_S, "mqtt", "a", "grün".encode()))) == {
        "at": "2025-11-25T08:00:00.000+00:00", "via": "mqtt", "address": "a", "body": "grün",
    }  # fmt: skip
    assert "grün" in write(Raw(AT_S, "mqtt", "a", "grün".encode()))
    doc = json.loads(write(Raw(AT_S, "mqtt", "a", b"\xff\xfe")))
    assert "body" not in doc
    assert base64.b64decode(doc["body64"]) == b"\xff\xfe"
    assert "retained" not in doc
    assert json.loads(write(Raw(AT_S, "mqtt", "a", b"", retained=True)))["retained"] is True


def test_what_a_command_says_cannot_forge_the_lines_own_keys():
    said = Said(AT_S, "started", "a", "ann", {"at": "x", "by": "bram", "via": "mqtt", "machine": "b", "job": "j"})
    assert read_line(write(said)) == said._replace(fields={"job": "j"})


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_json_cannot_hold_is_not_written(value):
    with pytest.raises(ValueError, match="JSON"):
        write(Said(AT_S, "started", "a", "ann", {"planned_min": value}))


# ---- what cannot be read


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("what", "no JSON"), ('{"at": ', "no JSON"), ("[]", "no JSON object"), ("[" * 100_000, "nested"),
        ("5", "no JSON object"),
        ('{"x": NaN}', "NaN"), ('{"x": ' + "1" * 5000 + "}", "no JSON"), ("{}", '"at" is missing'),
        ('{"at": 5}', '"at" is no text'), ('{"at": "2025-11-25T08:00:00"}', "no offset"),
        ('{"at": "today"}', "RFC 3339"),
        (line(), '"via" is missing'), (line(via="smoke", body=""), '"via" is "smoke"'), (line(via=5), "no text"),
        (line(via="mqtt", body=""), '"address" is missing'), (line(via="mqtt", address="a"), "found none"),
        (line(via="mqtt", address="a", body="", body64=""), '"body" and "body64"'),
        (line(via="mqtt", address="a", body="", error=""), '"body" and "error"'),
        (line(via="mqtt", address="a", body={}), '"body" is no text'),
        (line(via="mqtt", address="a", body=None), "no text"),
        (line(via="mqtt", address="a", body64="//8"), "base64"), (line(via="mqtt", address="a", body64="é"), "base64"),
        (line(via="mqtt", address="a", body64="//8A\n"), "base64"),
        (line(via="mqtt", address="a", body64="/!/8A"), "base64"),
        (line(via="mqtt", address="a", body="\ud800"), "surrogate"),
        (line(via="mqtt", address="a", body="", retained="yes"), '"retained"'),
        (line(via="mqtt", address="a", body="", retained=1), '"retained"'),
        (line(via="mqtt", event="lost"), '"event" is "lost"'),
        (line(via="mqtt", event="connected", address=5), '"address"'),
        (line(via="ups", error="x"), '"address" is missing'),
        (line(via="ups", address="a", error=5), '"error" is no text'),
        (line(via="person"), '"command" is missing'), (line(via="person", command="cleared"), '"by" is missing'),
        (line(via="person", command="cleared", by="ann", machine=5), '"machine" is no text'),
    ],
    ids=lambda text: text[-40:],
)  # fmt: skip
def test_a_bad_line_is_named_with_what_is_wrong(text, words):
    good = line(via="mqtt", event="connected")
    found = []
    with pytest.raises(BadRecording) as caught:
        found.extend(read([good, "\n", text]))
    assert found or len(list(read([good]))) == 1
    assert str(caught.value).startswith("line 3: ")
    assert words in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 250


def test_what_comes_before_a_bad_line_is_given_first():
    lines = read([line(via="mqtt", event="connected"), "what"])
    assert next(lines) == Link(AT_S, "mqtt", None, connected=True)
    with pytest.raises(BadRecording, match=r"^line 2: "):
        next(lines)


def test_lines_out_of_order_are_named_with_what_to_do():
    times = ["2025-11-25T08:00:00Z", "2025-11-25T08:00:00+00:00", "2025-11-25T08:59:59.999+01:00"]
    lines = read(json.dumps({"at": at, "via": "mqtt", "event": "connected"}) for at in times)
    assert [next(lines).at_s, next(lines).at_s] == [AT_S, AT_S]
    with pytest.raises(BadRecording, match=r"line 3: .* is earlier .* \(.*sort"):
        next(lines)


def test_a_file_in_another_encoding_is_said(tmp_path):
    path = tmp_path / "night.jsonl"
    path.write_bytes(line(via="mqtt", event="connected").encode() + b'\n{"at": "\xff"}\n')
    with path.open(encoding="utf-8", newline="\n") as file, pytest.raises(BadRecording, match=r"line \d.*UTF-8"):
        list(read(file))


@given(st.text() | st.binary().map(lambda data: data.decode("latin-1")))
def test_no_text_raises_anything_else(text):
    with contextlib.suppress(BadRecording):
        read_line(text)


@given(st.dictionaries(st.sampled_from(["via", "address", "body", "body64", "event", "error", "retained", "command",
"by", "machine"]),
                       VALUES | st.sampled_from([*VIAS, "person", *EVENTS])))  # fmt: skip
def test_no_document_raises_anything_else(doc):
    text = json.dumps({"at": AT} | doc)
    try:
        item = read_line(text)
    except BadRecording:
        return
    assert read_line(write(item)) == item
