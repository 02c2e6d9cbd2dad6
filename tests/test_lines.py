"""Line protocol. The samples are those of InfluxDB's documentation ("Line protocol"), from memory of its text."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.wire.lines import Line, line, number_text, parse, quoted, series_key
from farmwatch.words.errors import BadPayload
from farmwatch.words.quantities import QUANTITIES

NAMES = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1).filter(lambda text: text[0] != "#")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("m f=1", Line("m", {}, {"f": 1.0}, None)),
        ('myMeasurement,tag1=value1,tag2=value2 fieldKey="fieldValue" 1556813561098000000',
         Line("myMeasurement", {"tag1": "value1", "tag2": "value2"}, {"fieldKey": "fieldValue"}, 1556813561098000000)),
        ('my\\ Measurement fieldKey="string value"', Line("my Measurement", {}, {"fieldKey": "string value"}, None)),
        ('m f="\\"string\\" within, a = string" 5', Line("m", {}, {"f": '"string" within, a = string'}, 5)),
        ("m,t\\ K=a\\,b\\=c f=100 -1", Line("m", {"t K": "a,b=c"}, {"f": 100.0}, -1)),
        ("m a=1i,b=2u,c=1.5e3,d=t,e=FALSE", Line("m", {}, {"a": 1, "b": 2, "c": 1500, "d": True, "e": False}, None)),
    ],
)  # fmt: skip
def test_documented_forms_are_read(text, wanted):
    assert parse(text) == wanted


@pytest.mark.parametrize(
    "text", ["", "m", "m ", "m f", "m f=", "m =1", "m f=x", "m f=nan", "m f=inf", 'm f="a', "m f=1 soon", "m,t f=1",
             "m f=1 99999999999999999999"],
)  # fmt: skip
def test_anything_else_is_refused_in_words(text):
    with pytest.raises(BadPayload):
        parse(text)


@given(NAMES, st.dictionaries(NAMES, NAMES, max_size=4), NAMES, st.text(), st.integers(-(2**62), 2**62))
def test_what_is_written_is_read_again(measurement, tags, field, words, time):
    found = parse(line(series_key(measurement, tags.items()), {field: quoted(words)}, time))
    clean = "".join(" " if ord(c) < 32 or ord(c) == 127 else c for c in words)
    assert (found.measurement, found.tags, found.time) == (measurement, tags, time)
    assert found.fields[field].split() == clean.split()


@pytest.mark.parametrize(
    ("quantity", "value", "text"),
    [("power_w", 120.04, "120"), ("power_w", 0.0, "0"), ("power_w", -0.01, None), ("power_w", math.nan, None),
     ("power_w", math.inf, None), ("bed_c", -0.04, "0"), ("bed_c", -12.34, "-12.3"), ("current_a", 1.2344, "1.234"),
     ("progress", 0.33333, "0.3333"), ("remaining_s", 3600.4, "3600"), ("relay", True, "1"), ("relay", False, "0"),
     ("power_w", None, None), ("power_w", "5", None), ("energy_wh", 987_654_321.26, "987654321.3")],
)  # fmt: skip
def test_numbers_are_written_at_their_quantity_s_resolution(quantity, value, text):
    assert number_text(QUANTITIES[quantity], value) == text
