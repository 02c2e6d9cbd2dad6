"""Payloads by mapping: what becomes a value, what is unknown, what is refused, what is bad."""

import json
import math

import pytest
from hypothesis import example, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from farmwatch.wire import times
from farmwatch.wire.payload import (
    MOST_BYTES,
    FieldSpec,
    MappingSpec,
    TimeSpec,
    canonical,
    compile_pointer,
    decode,
    pointer_tokens,
    validate_mapping,
)
from farmwatch.words.errors import BadPayload
from farmwatch.words.quantities import QUANTITIES, TABLE, UNITS, Kind

WORDS = {"RUN": ("heating", "printing"), "IDLE": ("idle",), "END": ("done",), "DEAD": ("gone",), "3": ("paused",)}


def mapping(*fields, form="json", time=None):
    rows = tuple(FieldSpec(f, "/v", QUANTITIES[f].unit) if isinstance(f, str) else f for f in fields)
    return MappingSpec("m", "mqtt", form, rows, time)


def field(quantity, pointer="/v", unit=None, **more):
    return FieldSpec(quantity, pointer, QUANTITIES[quantity].unit if unit is None else unit, **more)


def one(spec, body):
    """(value, refused) of a mapping with one field."""
    found = decode(spec, body if isinstance(body, bytes) else body.encode())
    return found.values[spec.fields[0].quantity], found.refused


def text(quantity, **more):
    return mapping(field(quantity, "", **more), form="text")


# ---- pointers: RFC 6901, section 5, whole

RFC_6901 = (
    '{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\\\j": 5, "k\\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "expected"),
    [
        ("", json.loads(RFC_6901)), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2),
        ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_pointers_of_rfc_6901_section_5(pointer, expected):
    assert compile_pointer(pointer)(json.loads(RFC_6901)) == expected


@pytest.mark.parametrize(
    "pointer", ["/none", "/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/+1", "/foo/0/0", "/foo/bar", "/foo/1e0",
                "/a~1b/c", "/foo/99999999999999999999", "/foo/0/0/0/0", "/foo/²"],
)  # fmt: skip
def test_a_pointer_that_finds_nothing_gives_none(pointer):
    assert compile_pointer(pointer)(json.loads(RFC_6901)) is None


@pytest.mark.parametrize("pointer", ["foo", "a/b", "/a~", "/a~2", "~0", "/~~0", "#/foo"])
def test_what_is_no_pointer_is_said(pointer):
    with pytest.raises(ValueError, match="RFC 6901"):
        pointer_tokens(pointer)


def test_tilde_one_after_tilde_zero():  # section 4: "~01" becomes "~1", never "/"
    assert pointer_tokens("/~01") == ("~1",)


@given(st.lists(st.text(max_size=5), max_size=4))
def test_any_tokens_survive_as_a_pointer(tokens):
    pointer = "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)
    assert pointer_tokens(pointer) == tuple(tokens)
    document = 5
    for token in reversed(tokens):
        document = {token: document}
    assert compile_pointer(pointer)(document) == 5


# ---- numbers


@pytest.mark.parametrize(
    ("body", "expected"),
    [('{"v": 0}', 0.0), ('{"v": 104.5}', 104.5), ('{"v": 1e3}', 1000.0), ('{"v": -0.0}', 0.0),
     ('{"v": 20000}', 20_000.0), ('\ufeff{"v": 7}', 7.0), (' \r\n{"v":1,"v":7}\n', 7.0)],
)  # fmt: skip
def test_numbers(body, expected):
    value, refused = one(mapping("power_w"), body)
    assert (value, refused) == (expected, ())
    assert type(value) is float


@pytest.mark.parametrize("body", ["{}", '{"v": null}', "[]", "5", '"v"', "null", "true"])
def test_unknown_is_no_mistake(body):
    assert one(mapping("power_w"), body) == (None, ())


@pytest.mark.parametrize(
    "token",
    ["NaN", "Infinity", "-Infinity", "true", "false", '"57.2"', '"null"', '""', '"0"', "[]", "{}", "[0]", "1e999", "-1",
     "20000.1", "1" * 5000, "-" + "1" * 5000, "1" * 400, "1" * 300, "1" * 401],
)  # fmt: skip
@pytest.mark.parametrize("spec", [mapping("power_w"), mapping(field("power_w", unit="kW", scale=3, offset=1))])
def test_what_only_poses_as_a_number_is_refused_and_the_rest_goes_on(spec, token):
    both = MappingSpec("m", "mqtt", "json", (*spec.fields, FieldSpec("voltage_v", "/u", "V")))
    found = decode(both, f'{{"v": {token}, "u": 230.5}}'.encode())
    assert found.values == {"power_w": None, "voltage_v": 230.5}
    assert len(found.refused) == 1
    assert found.refused[0].startswith("power_w: ")
    assert len(found.refused[0]) < 200


# Conversions by their definitions: SI prefixes, 1 h = 3600 s, °F after NIST SP 811, B.8: t_C = (t_F - 32) / 1.8.
@pytest.mark.parametrize(
    ("quantity", "unit", "given_", "expected"),
    [("power_w", "kW", 1.5, 1500), ("power_w", "mW", 1500, 1.5), ("energy_wh", "kWh", 2.5, 2500),
     ("energy_wh", "J", 3600, 1), ("progress", "%", 57, 0.57), ("remaining_s", "min", 83, 4980),
     ("remaining_s", "h", 2, 7200), ("bed_c", "°F", 212, 100), ("bed_c", "F", -40, -40), ("bed_c", "K", 273.15, 0),
     ("voltage_v", "dV", 2301, 230.1), ("current_a", "mA", 472, 0.472), ("progress", "%", 100, 1),
     ("air_c", "°F", -40, -40)],
)  # fmt: skip
def test_units(quantity, unit, given_, expected):
    value, refused = one(mapping(field(quantity, unit=unit)), json.dumps({"v": given_}))
    assert refused == ()
    assert value == pytest.approx(expected, abs=1e-12, rel=1e-12)
    row = QUANTITIES[quantity]
    assert row.low <= value <= row.high


def test_scale_and_offset_come_before_the_unit():
    value, _ = one(mapping(field("bed_c", unit="°F", scale=0.1, offset=2)), '{"v": 2100}')
    assert value == pytest.approx(100)  # 2100 * 0.1 + 2 = 212 °F


@pytest.mark.parametrize("row", [row for row in TABLE if row.kind is Kind.NUMBER], ids=lambda row: row.name)
def test_the_edges_of_every_range_are_inside_in_every_unit_and_beyond_is_out(row):
    for unit, (factor, shift) in UNITS[row.unit].items():
        spec = mapping(field(row.name, unit=unit))
        for limit, outwards in ((row.low, -1), (row.high, 1)):
            value, refused = one(spec, json.dumps({"v": (limit - shift) / factor}))
            assert (value, refused) == (limit, ()) or row.low <= value <= row.high
            beyond = limit + outwards * max(1e-3, abs(limit) * 1e-3)
            assert one(spec, json.dumps({"v": (beyond - shift) / factor}))[0] is None


@given(
    st.floats() | st.integers() | st.booleans() | st.text(max_size=8) | st.none() | st.lists(st.integers(), max_size=2)
)
@example(math.nan)
@example(-math.inf)
@example(10**350)
def test_a_number_is_what_was_sent_or_nothing(sent):
    value, refused = one(mapping("bed_c"), json.dumps({"v": sent}))
    if type(sent) in (int, float) and -40 <= sent <= 250:
        assert value == sent
        assert not refused
    else:
        assert value is None
        assert bool(refused) == (sent is not None)


# ---- plain text


@pytest.mark.parametrize(
    ("body", "expected"),
    [("57.2", 57.2), (" 57.2\r\n", 57.2), ("0", 0.0), ("+5", 5.0), ("020", 20.0), (".5", 0.5), ("5.", 5.0),
     ("1.2e1", 12.0)],
)  # fmt: skip
def test_a_plain_text_is_a_number(body, expected):
    assert one(text("power_w"), body) == (expected, ())


@pytest.mark.parametrize(
    "body",
    ["nan", "inf", "-Infinity", "0x1F", "1,5", "1_000", "1 000", "57.2 W", "--5", "٣", "null", "true", "1e", "e5",
     "1e9999", "-1"],
)  # fmt: skip
def test_what_is_no_decimal_is_refused(body):
    value, refused = one(text("power_w"), body)
    assert value is None
    assert len(refused) == 1


def test_an_empty_text_says_nothing():
    assert one(text("power_w"), b"") == (None, ())
    assert one(text("job"), b" \n") == (None, ())


def test_a_json_string_is_no_number_even_as_the_whole_document():
    spec = mapping(field("power_w", ""))
    assert one(spec, "57.2") == (57.2, ())
    assert one(spec, '"57.2"')[0] is None
    assert len(one(spec, '"57.2"')[1]) == 1


def test_words_in_plain_text():
    spec = text("availability", words={"up": ("up",), "lost": ("gone",)})
    assert one(spec, "up\n") == ("up", ())
    assert one(spec, "lost") == ("gone", ())
    assert one(spec, "away") == (None, ('availability: "away" is not in the table of words',))


# ---- words


@pytest.mark.parametrize(
    ("sent", "values"),
    [('"RUN"', {"state": "heating|printing"}), ('"IDLE"', {"state": "idle"}), ('"DEAD"', {"availability": "gone"}),
     ("3", {"state": "paused"}), ("3.0", {"state": "paused"}), ("null", {"state": None})],
)  # fmt: skip
def test_states(sent, values):
    found = decode(mapping(field("state", words=WORDS)), f'{{"v": {sent}}}'.encode())
    assert (found.values, found.refused) == (values, ())


@pytest.mark.parametrize(
    "sent", ['"run"', '"HOT"', "true", "4", "[]", "{}", '""', "NaN", '"heating|printing"', '"idle"']
)
def test_an_unknown_word_is_unknown_and_named(sent):
    found = decode(mapping(field("state", words=WORDS)), f'{{"v": {sent}}}'.encode())
    assert found.values == {"state": None}
    assert found.refused[0].endswith("is not in the table of words")


def test_refusals_show_a_word_escaped_and_cut():
    found = decode(mapping(field("state", words=WORDS)), json.dumps({"v": "\x1b]0;<img>\u202e" + "x" * 999}).encode())
    assert found.refused[0].isascii()
    assert found.refused[0].isprintable()
    assert len(found.refused[0]) < 150


def test_without_a_table_our_own_words_count():
    spec = mapping("state")
    assert one(spec, '{"v": "printing"}') == ("printing", ())
    assert decode(spec, b'{"v": "gone"}').values == {"availability": "gone"}
    assert one(spec, '{"v": "busy"}')[0] is None


@pytest.mark.parametrize(("sent", "expected"), [("true", True), ("false", False), ('"CLOSED"', True), ("0", False)])
def test_flags(sent, expected):
    spec = mapping(field("relay", words={"CLOSED": ("on",), "0": ("off",)}))
    assert one(spec, f'{{"v": {sent}}}') == (expected, ())


@pytest.mark.parametrize("sent", ["0", "1", '"true"', '"on"', "[]"])
def test_a_flag_is_true_or_false_or_a_word_of_the_table(sent):
    value, refused = one(mapping("relay"), f'{{"v": {sent}}}')
    assert value is None
    assert len(refused) == 1


@pytest.mark.parametrize(
    ("found", "word"), [(10**500, "1" + "0" * 500), (1e300, "1e+300"), (math.nan, "nan"), (-0.0, "-0")]
)
def test_odd_numbers_have_a_spelling(found, word):
    assert canonical(found) == word


# ---- text


def test_text_is_kept_and_cut():
    spec = mapping("job")
    assert one(spec, '{"v": "hive roof <b>"}') == ("hive roof <b>", ())
    assert one(spec, json.dumps({"v": "é" * 10_000})) == ("é" * 200, ())
    assert one(spec, json.dumps({"v": "é" * 10_001}))[0] is None
    for empty in ("", "  ", "\n"):
        assert one(spec, json.dumps({"v": empty})) == (None, ())
    for alien in ("5", "true", "[]"):
        value, refused = one(spec, f'{{"v": {alien}}}')
        assert value is None
        assert len(refused) == 1


def test_half_a_surrogate_pair_never_gets_in():
    value, _ = one(mapping("job"), '{"v": "a\\ud800b"}')
    assert value == "a\ufffdb"
    value.encode()


def test_a_table_translates_text_and_lets_other_text_through():
    spec = mapping(field("material", words={"1": ("PLA",), "": ("PETG",)}))
    assert one(spec, '{"v": 1}') == ("PLA", ())
    assert one(spec, '{"v": ""}') == ("PETG", ())
    assert one(spec, '{"v": "ASA"}') == ("ASA", ())
    assert one(mapping(field("status", words={"battery low": ("OB", "LB")})), '{"v": "battery low"}')[0] == "OB LB"


# ---- the device's own time


@pytest.mark.parametrize(
    ("unit", "sent", "expected"),
    [("s", "1764057600.25", 1764057600.25), ("ms", "1764057600250", 1764057600.25), ("s", "0", 0.0),
     ("rfc3339", '"2025-11-25T09:00:00.25+01:00"', 1764057600.25), ("s", "null", None)],
)  # fmt: skip
def test_time(unit, sent, expected):
    found = decode(mapping("power_w", time=TimeSpec("/t", unit)), f'{{"v": 1, "t": {sent}}}'.encode())
    assert (found.source_at_s, found.refused) == (expected, ())


@pytest.mark.parametrize(
    ("unit", "sent"),
    [("s", "-1"), ("s", "NaN"), ("s", "1e15"), ("s", "true"), ("s", '"5"'), ("rfc3339", "5"),
     ("rfc3339", '"2025-11-25T08:00:00"'), ("rfc3339", '"now"'), ("s", "1" * 5000)],
)  # fmt: skip
def test_a_time_that_is_none_is_refused_and_the_values_go_on(unit, sent):
    found = decode(mapping("power_w", time=TimeSpec("/t", unit)), f'{{"v": 1, "t": {sent}}}'.encode())
    assert found.values == {"power_w": 1.0}
    assert found.source_at_s is None
    assert len(found.refused) == 1


# RFC 3339, section 5.8: its own examples.
@pytest.mark.parametrize(
    ("words", "same"),
    [("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520+00:00"),
     ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000+00:00"),
     ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00.000+00:00"),
     ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00.000+00:00"),
     ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870+00:00"),
     ("1985-04-12t23:20:50.52z", "1985-04-12T23:20:50.520+00:00")],
)  # fmt: skip
def test_times_of_rfc_3339(words, same):
    assert times.rfc3339(times.parse(words)) == same


@pytest.mark.parametrize(
    "words",
    ["2025-11-25T08:00:00", "2025-11-25", "20251125T080000Z", "2025-W48-2T08:00:00Z", "2025-02-30T08:00:00Z", "now", "",
     "2025-11-25T08:00Z", "2025-11-25T08:00:00,5Z", "2025-11-25T24:00:01Z", "2025-11-25T08:00:00+0100",
     "0000-01-01T00:00:00Z", "2025-11-25T08:00:00+99:00", "\uff12025-11-25T08:00:00Z", "2025-11-25T08:00:00Z\n"],
)  # fmt: skip
def test_what_is_no_time_is_said(words):
    with pytest.raises(ValueError, match=r"time|offset"):
        times.parse(words)


@given(st.floats(-6e10, 2.5e11))
def test_times_survive_to_the_microsecond(at_s):
    back = times.parse(times.rfc3339(at_s))
    assert back == pytest.approx(at_s, abs=1e-6 + abs(at_s) * 2**-52)
    assert times.rfc3339(back) == times.rfc3339(at_s)


@pytest.mark.parametrize("at_s", [math.nan, math.inf, -1e18, 1e300])
def test_times_beyond_the_calendar(at_s):
    with pytest.raises(ValueError, match="no time"):
        times.rfc3339(at_s)


# ---- bad payloads

BAD = {
    "empty": b"", "cut": b'{"v": 17', "no utf-8": b'{"v": "\xff"}', "bare word": b"offline", "html": b"<html>",
    "two documents": b'{"v": 1} {"v": 2}', "deep": b"[" * 100_000, "deep object": b'{"v":' * 100_000, "nul": b"\0\0",
    "utf-16": '{"v": 1}'.encode("utf-16"), "large": b'{"v": 1' + b" " * MOST_BYTES + b"}", "single quotes": b"{'v': 1}",
    "leading zero": b'{"v": 01}', "only a BOM": b"\xef\xbb\xbf", "surrogate bytes": b'{"v": "\xed\xa0\x80"}',
}  # fmt: skip


@pytest.mark.parametrize("body", BAD.values(), ids=BAD.keys())
def test_bad_payloads(body):
    with pytest.raises(BadPayload) as caught:
        decode(mapping("power_w"), body)
    assert str(caught.value).isascii()
    assert len(str(caught.value)) < 200


def test_a_payload_of_just_the_cap_is_read():
    body = b'{"v": 1' + b" " * (MOST_BYTES - 8) + b"}"
    assert len(body) == MOST_BYTES
    assert one(mapping("power_w"), body) == (1.0, ())


EVERY = MappingSpec(
    "every", "mqtt", "json",
    tuple(FieldSpec(row.name, f"/{row.name}", row.unit, words=WORDS if row.name == "state" else None) for row in TABLE),
    TimeSpec("/t", "ms"),
)  # fmt: skip
TEXTS = [text(row.name) for row in TABLE]
JSONS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([*QUANTITIES, "t"]), inner, max_size=6),
    max_leaves=20,
)


@effort(max_examples=300)
@given(st.binary(max_size=200) | JSONS.map(lambda doc: json.dumps(doc).encode()))
@example(b'{"state": {}, "job": [], "relay": 3, "t": "x"}')
def test_no_payload_raises_anything_else_and_no_number_becomes_nought(body):
    for spec in (EVERY, *TEXTS):
        try:
            found = decode(spec, body)
        except BadPayload:
            continue
        for quantity, value in found.values.items():
            row = QUANTITIES[quantity]
            if row.kind is not Kind.NUMBER or value is None:
                continue
            assert row.low <= value <= row.high
            if spec is EVERY:
                sent = json.loads(body)[quantity]
                assert type(sent) in (int, float)
                assert value == sent
            elif value == 0:
                assert set(body) <= set(b"+-0.eE123456789 \t\r\n\0")
        for line in found.refused:
            assert line.isprintable()


# ---- mappings that cannot be


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        (mapping(FieldSpec("bed", "/v", "°C")), "no such quantity"),
        (mapping(field("bed_c", unit="W")), "cannot be turned into °C"),
        (mapping(field("job", unit="W")), "cannot be turned into words"),
        (mapping(field("bed_c", "v")), "RFC 6901"),
        (mapping(field("bed_c", scale=0.0)), "scale"),
        (mapping(field("bed_c", offset=math.nan)), "finite"),
        (mapping(field("state", words={"RUN": ("runing",)})), "none of ours"),
        (mapping(field("state", words={"RUN": ()})), "stands for nothing"),
        (mapping(field("availability", words={"x": ("idle",)})), "none of ours"),
        (mapping(field("availability", words={"x": ("up", "gone")})), "one word only"),
        (mapping(field("relay", words={"x": ("maybe",)})), "none of ours"),
        (mapping(field("bed_c", words={"x": ("5",)})), "no table"),
        (mapping("bed_c", "bed_c"), "twice"),
        (mapping(field("bed_c", "/v"), form="text"), "point into"),
        (mapping("bed_c", form="xml"), "no format"),
        (mapping("bed_c", time=TimeSpec("t", "s")), "RFC 6901"),
        (mapping("bed_c", time=TimeSpec("/t", "us")), "no unit"),
        (mapping(field("bed_c", ""), form="text", time=TimeSpec("", "s")), "no time of its own"),
    ],
)  # fmt: skip
def test_problems_of_a_mapping_are_named(spec, words):
    problems = validate_mapping(spec)
    assert len(problems) == 1
    assert words in problems[0]


def test_all_problems_are_listed():
    spec = mapping(FieldSpec("bed", "/v", "°C"), field("power_w", "w", unit="V", scale=0))
    assert len(validate_mapping(spec)) == 4


def test_good_mappings_have_none():
    assert validate_mapping(EVERY) == []
    assert [problem for spec in TEXTS for problem in validate_mapping(spec)] == []
    assert validate_mapping(MappingSpec("ups", "ups", "json", ())) == []
