"""Variables and status symbols of a backup, against RFC 9271: tables 4, 5 and 6, section 4.2.4.4, appendix A."""

import itertools

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from farmwatch.power.backup import status_of
from farmwatch.settings_model import UPS_QUANTITIES
from farmwatch.wire.upsvalues import EVENTS, SUPPLY, SYMBOLS, TABLE, decode, events, supply, symbols
from farmwatch.words.quantities import QUANTITIES, Kind

# Appendix A.1, table 6: the values of a unit of 1600 VA and 1000 W.
TABLE_6 = {
    "battery.charge": "100", "battery.charge.low": "20", "battery.runtime": "1481", "battery.type": "PbAc",
    "input.transfer.high": "264", "input.transfer.low": "184", "output.voltage": "230.0",
    "output.voltage.nominal": "230", "output.frequency.nominal": "50", "ups.load": "20", "ups.power.nominal": "1600",
    "ups.status": "OL", "ups.temperature": "27", "ups.delay.shutdown": "20", "ups.delay.start": "30",
    "ups.beeper.status": "enabled", "outlet.1.desc": "PowerShare Outlet 1",
}  # fmt: skip


def test_the_rfcs_example_unit():
    found = decode(TABLE_6)
    assert found.refused == ()
    assert found.values == {
        "status": "OL", "charge": 1.0, "runtime_s": 1481.0, "load": pytest.approx(0.2), "power_w": None,
        "apparent_va": None, "voltage_v": 230.0, "battery_v": None, "battery_c": None,
        "self_test": None, "self_test_age_s": None, "battery_date": None,
    }  # fmt: skip


def test_what_further_variables_tell():
    more = {
        "ups.realpower": "187", "ups.power": "240", "input.voltage": "229.4", "battery.voltage": "26.91",
        "battery.temperature": "24.5",
    }  # fmt: skip
    values = decode(TABLE_6 | more).values
    assert values["power_w"] == 187.0
    assert values["apparent_va"] == 240.0
    assert values["voltage_v"] == 229.4  # the input's, where it is told
    assert values["battery_v"] == 26.91
    assert values["battery_c"] == 24.5


def test_nothing_told_is_nothing_known():
    found = decode({})
    assert found.refused == ()
    assert set(found.values.values()) == {None}
    assert found.values.keys() == UPS_QUANTITIES
    assert found.values.keys() <= QUANTITIES.keys()


# Section 4.2.4.4: decimal only; 1200.20 is valid, 1,200.20 and 1200,20 are not; "020" stands in a transcript.
@pytest.mark.parametrize(("text", "value"), [("020", 20.0), ("1200.20", 1200.2), ("0", 0.0), ("+5", 5.0), ("0.0", 0.0)])
def test_numbers(text, value):
    assert decode({"battery.runtime": text}).values["runtime_s"] == value


@pytest.mark.parametrize(
    ("name", "quantity", "text"),
    [("battery.runtime", "runtime_s", text) for text in
     ("1,200.20", "1200,20", "0x10", "1e3", "NaN", "inf", "", " 5", "5 s", "-1", "999999", "5.", ".5", "9" * 50, "٣")]
    + [("battery.charge", "charge", "101"), ("battery.charge", "charge", "-1"), ("ups.load", "load", "201"),
       ("ups.realpower", "power_w", "n/a"), ("battery.temperature", "battery_c", "297.7")],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_named_and_the_rest_goes_on(name, quantity, text):
    found = decode(TABLE_6 | {"ups.status": "OB LB", name: text})
    assert found.values[quantity] is None
    assert found.values["status"] == "OB LB"
    [line] = found.refused
    assert line.startswith(f"{quantity}: {name} ")
    assert line.isascii()


NAMES = st.sampled_from(["ups.status", *(name for row in TABLE for name in row.variables)])


@given(st.dictionaries(NAMES, st.text(max_size=12) | st.integers().map(str)))
def test_no_text_becomes_a_value_that_it_is_not(variables):
    found = decode(variables)
    for quantity, names, factor in TABLE:
        assert QUANTITIES[quantity].kind is Kind.NUMBER
        value = found.values[quantity]
        if value is not None:
            text = next(variables[name] for name in names if name in variables)
            assert value == pytest.approx(float(text) * factor)
            assert QUANTITIES[quantity].low <= value <= QUANTITIES[quantity].high


# ---- status


@pytest.mark.parametrize(
    ("text", "kept"),
    [("OL", "OL"), ("OB LB", "OB LB"), ("  ol   chrg ", "OL CHRG"), ("OL HB", "OL HB"), ("OL OL", "OL"), ("", None),
     (" ", None), ("OL " + "x" * 99, "OL " + "X" * 20)],
)  # fmt: skip
def test_symbols_are_kept_unknown_ones_too(text, kept):
    assert symbols(text) == kept
    assert decode({"ups.status": text}).values["status"] == kept


@given(st.text(max_size=3000))
def test_any_status_is_bounded(text):
    kept = symbols(text)
    assert kept is None or 0 < len(kept) <= 600


# Section 5.2: OB with LB is the emergency; OL with LB recharges (appendix B). The issue: OB wins over OL.
@pytest.mark.parametrize(
    ("text", "status"),
    [("OL", "on_line"), ("OL LB", "on_line"), ("OB", "on_battery"), ("OB LB", "low"), ("OL OB", "on_battery"),
     ("OL OB LB", "low"), ("FSD OL", "low"), ("TEST", "unknown"), ("", "unknown"), ("OL HB", "on_line")],
)  # fmt: skip
def test_what_the_symbols_mean_to_the_brain(text, status):
    assert status_of(decode({"ups.status": text}).values["status"]) == status


# ---- events: table 5, row by row, written down a second time


def of(text):
    return frozenset(text.split())


@pytest.mark.parametrize(
    ("old", "new", "event"),
    [
        ("OL", "OB", "power lost"), ("OB", "OL", "receiving power"), ("OL", "OL LB", "low battery"),
        ("OL LB", "OL", "battery not low"), ("OL", "OL FSD", "system shutdown"), ("OL FSD", "OL", "shutdown abandoned"),
        ("OL", "OL RB", "replace battery"), ("OL RB", "OL", "battery replacement cancelled"),
        ("OL", "OL OVER", "overloaded"), ("OL OVER", "OL", "overload gone"), ("OL", "OL NOCOMM", "no contact"),
        ("OL", "OL COMM", "contact"), ("OL", "OL ALARM", "alarm on"), ("OL ALARM", "OL", "alarm off"),
        ("OL", "OL BOOST", "boost on"), ("OL BOOST", "OL", "boost off"), ("OL", "OL BYPASS", "bypass on"),
        ("OL BYPASS", "OL", "bypass off"), ("OL", "OL CAL", "calibration on"), ("OL CAL", "OL", "calibration off"),
        ("OL", "OL CHRG", "charging on"), ("OL CHRG", "OL", "charging off"), ("OB", "OB DISCHRG", "discharging on"),
        ("OB DISCHRG", "OB", "discharging off"), ("OL", "OL OFF", "off on"), ("OL OFF", "OL", "off off"),
        ("OL", "OL TEST", "test on"), ("OL TEST", "OL", "test off"), ("OL", "OL TRIM", "trim on"),
        ("OL TRIM", "OL", "trim off"),
    ],
)  # fmt: skip
def test_table_5(old, new, event):
    assert events(of(old), of(new)) == (event,)


@pytest.mark.parametrize(
    ("old", "new"),
    [("OL", "OL"), ("OL", "OL HB"), ("OL NOCOMM", "OL"), ("OL COMM", "OL"), ("OL TICK", "OL TOCK"), ("", "OL"),
     ("", "OB"), ("OB", ""), ("OB", "OB OL"), ("OL OB", "OB")],
)  # fmt: skip
def test_no_event(old, new):
    assert events(of(old), of(new)) == ()


def test_an_outage_as_appendix_b_tells_it():
    steps = ["OL CHRG", "OL", "OB DISCHRG", "OB DISCHRG LB", "FSD OB DISCHRG LB", "OL LB CHRG", "OL CHRG", "OL"]
    told = [events(of(old), of(new)) for old, new in itertools.pairwise(steps)]
    assert told == [
        ("charging off",), ("power lost", "discharging on"), ("low battery",), ("system shutdown",),
        ("receiving power", "shutdown abandoned", "charging on", "discharging off"), ("battery not low",),
        ("charging off",),
    ]  # fmt: skip


def test_contradictory_units_are_taken_to_be_on_battery():
    assert supply(of("OL OB")) == "OB"
    assert events(of("OL"), of("OL OB")) == ("power lost",)
    assert events(of("OL OB"), of("OL")) == ("receiving power",)


def test_table_4_is_covered():
    assert len(SYMBOLS) == 19
    told = {row.symbol for row in EVENTS} | {symbol for pair in SUPPLY for symbol in pair}
    assert set(SYMBOLS) - told == {"TICK", "TOCK"}  # the heartbeat means nothing by itself
    assert len(EVENTS) == len({row.symbol for row in EVENTS})


SETS = st.frozensets(st.sampled_from([*SYMBOLS, "HB"]), max_size=8)


@given(SETS, SETS)
@example(frozenset({"OL"}), frozenset({"OB"}))
def test_there_and_back_every_event_has_its_opposite_or_none(old, new):
    there, back = events(old, new), events(new, old)
    assert not set(there) & set(back)
    assert events(old, old) == ()
    assert ("power lost" in there) == (supply(old) == "OL" and supply(new) == "OB") == ("receiving power" in back)
