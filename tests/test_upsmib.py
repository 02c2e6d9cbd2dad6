"""Objects of the UPS-MIB against RFC 1628: units, enumerations, well-known alarms; counters against RFC 2578.

The MIB's numbers were read in a maker's clean-up of RFC 1628's text; that none differs from the RFC is from memory.
"""

import json
import math

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from farmwatch.power.backup import status_of
from farmwatch.settings_model import UPS_QUANTITIES
from farmwatch.wire import upsmib
from farmwatch.wire.upsmib import decode, out_of_contact, parse, render
from farmwatch.wire.upsvalues import SYMBOLS
from farmwatch.words.errors import BadPayload
from farmwatch.words.quantities import QUANTITIES

UPS = "1.3.6.1.2.1.33.1."


def mib(objects=(), **alarms):
    """Objects by their OID below upsObjects; alarms as the numbers of well-known ones."""
    found = {UPS + suffix: value for suffix, value in dict(objects).items()}
    return found | {f"{UPS}6.2.1.2.{row}": f"{UPS}6.3.{number}" for row, number in alarms.get("alarms", {}).items()}


def alarmed(source, *numbers):
    return mib({"4.1.0": source}, alarms=dict(enumerate(numbers, start=1)))


ONE_LINE = {
    "2.1.0": 2, "2.2.0": 0, "2.3.0": 25, "2.4.0": 100, "2.5.0": 547, "2.6.0": -12, "2.7.0": 24, "3.1.0": 3,
    "3.2.0": 1, "3.3.1.2.1": 499, "3.3.1.3.1": 231, "3.3.1.4.1": 9, "3.3.1.5.1": 190, "4.1.0": 3, "4.3.0": 1,
    "4.4.1.2.1": 230, "4.4.1.3.1": 43, "4.4.1.4.1": 610, "4.4.1.5.1": 61, "6.1.0": 0, "7.3.0": 6,
}  # fmt: skip


# ---- units ----

# The traps of RFC 1628's units: tenths for the battery and for amperes, whole volts for lines, minutes.
@pytest.mark.parametrize(
    ("objects", "quantity", "value"),
    [
        ({"2.5.0": 547}, "battery_v", 54.7),  # upsBatteryVoltage: 0.1 V DC
        ({"2.7.0": 24}, "battery_c", 24.0),  # upsBatteryTemperature: degrees
        ({"2.7.0": -5}, "battery_c", -5.0),  # signed
        ({"2.7.0": 0}, "battery_c", 0.0),  # 0 is a value
        ({"3.3.1.3.1": 231}, "voltage_v", 231.0),  # upsInputVoltage: whole volts, not 23.1
        ({"3.3.1.3.1": 0}, "voltage_v", 0.0),
        ({"2.3.0": 25}, "runtime_s", 1500.0),  # upsEstimatedMinutesRemaining: minutes, not seconds
        ({"2.3.0": 1}, "runtime_s", 60.0),
        ({"2.4.0": 57}, "charge", 0.57),
        ({"2.4.0": 0}, "charge", 0.0),
        ({"4.4.1.5.1": 61}, "load", 0.61),
        ({"4.4.1.5.1": 200}, "load", 2.0),  # upsOutputPercentLoad: 0 to 200
        ({"4.4.1.4.1": 610}, "power_w", 610.0),  # upsOutputPower: W
        ({"4.4.1.2.1": 230, "4.4.1.3.1": 43}, "apparent_va", 989.0),  # 230 V times 4.3 A
    ],
)
def test_units(objects, quantity, value):
    found = decode(mib(objects))
    assert found.refused == ()
    assert found.values[quantity] == pytest.approx(value, abs=1e-9)
    assert {q for q, v in found.values.items() if v is not None} == {quantity}


def test_a_unit_of_one_line():
    found = decode(mib(ONE_LINE))
    assert found.refused == ()
    assert found.values == {
        "status": "OL", "charge": 1.0, "runtime_s": 1500.0, "load": 0.61, "power_w": 610.0,
        "apparent_va": pytest.approx(989.0), "voltage_v": 231.0, "battery_v": 54.7, "battery_c": 24.0,
        "self_test": "none", "self_test_age_s": None, "battery_date": None,
    }  # fmt: skip


THREE = {
    "3.2.0": 3, "3.3.1.3.1": 231, "3.3.1.3.2": 12, "3.3.1.3.3": 229, "4.3.0": 3,
    "4.4.1.2.1": 230, "4.4.1.3.1": 10, "4.4.1.4.1": 200, "4.4.1.5.1": 30,
    "4.4.1.2.2": 231, "4.4.1.3.2": 20, "4.4.1.4.2": 400, "4.4.1.5.2": 55,
    "4.4.1.2.3": 0, "4.4.1.3.3": 0, "4.4.1.4.3": 0, "4.4.1.5.3": 0,
}  # fmt: skip


def test_three_lines_greatest_load_summed_power_lowest_supply():
    values = decode(mib(THREE)).values
    assert values["load"] == 0.55
    assert values["power_w"] == 600.0
    assert values["apparent_va"] == pytest.approx(230 * 1.0 + 231 * 2.0)
    assert values["voltage_v"] == 12.0


@pytest.mark.parametrize("missing", ["4.4.1.4.2", "4.4.1.4.3"])
def test_a_sum_with_a_line_missing_is_no_sum(missing):
    objects = {key: value for key, value in THREE.items() if key != missing}
    values = decode(mib(objects)).values
    assert values["power_w"] is None
    assert values["load"] == 0.55


def test_lines_that_have_not_come_at_all_are_missed():
    objects = {key: value for key, value in THREE.items() if not key.startswith("4.4.1.") or not key.endswith(".3")}
    values = decode(mib(objects)).values
    assert (values["load"], values["power_w"], values["apparent_va"]) == (None, None, None)
    assert values["voltage_v"] == 12.0


# ---- what is unknown ----


def test_nothing_told_is_nothing_known():
    for objects in ({}, dict.fromkeys(mib(ONE_LINE))):  # null: noSuchObject, noSuchInstance (RFC 3416)
        found = decode(objects)
        assert found.refused == ()
        assert set(found.values.values()) == {None}
        assert found.values.keys() == set(upsmib.YIELDS) == UPS_QUANTITIES
        assert not out_of_contact(objects)


# Agents that send 0 minutes break the type (PositiveInteger); common in the field, from memory.
@pytest.mark.parametrize(("source", "runtime_s"), [(3, None), (6, None), (5, 0.0), (None, None)])
def test_no_minutes_left_is_told_on_battery_only(source, runtime_s):
    found = decode(mib({"4.1.0": source, "2.3.0": 0}))
    assert found.values["runtime_s"] == runtime_s
    assert found.refused == ()


@pytest.mark.parametrize(
    ("oid", "value", "quantity"),
    [(oid, value, quantity)
     for oid, quantity in (("2.3.0", "runtime_s"), ("2.4.0", "charge"), ("2.5.0", "battery_v"), ("2.7.0", "battery_c"),
                           ("3.3.1.3.1", "voltage_v"), ("4.4.1.5.1", "load"), ("4.4.1.4.1", "power_w"))
     for value in ("25", "", 25.0, True, [25], {"a": 1}, 10**30, math.nan)]
    + [("2.3.0", -1, "runtime_s"), ("2.3.0", 999_999, "runtime_s"), ("2.4.0", 101, "charge"), ("2.4.0", -1, "charge"),
       ("4.4.1.5.1", 201, "load"), ("4.4.1.4.1", -1, "power_w"), ("2.7.0", 297, "battery_c"),
       ("3.3.1.3.1", 2310, "voltage_v")],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_named_and_the_rest_goes_on(oid, value, quantity):
    found = decode(mib(ONE_LINE | {"4.1.0": 5, oid: value}))
    assert found.values[quantity] is None
    assert found.values["status"] == "OB"
    assert found.refused
    assert all(line.startswith(f"{quantity}: ") and line.isascii() and len(line) < 160 for line in found.refused)


# ---- status ----


# upsOutputSource; symbols of RFC 9271, table 4.
@pytest.mark.parametrize(
    ("source", "status", "word"),
    [(1, None, "unknown"), (2, "OFF", "unknown"), (3, "OL", "on_line"), (4, "OL BYPASS", "on_line"),
     (5, "OB", "on_battery"), (6, "OL BOOST", "on_line"), (7, "OL TRIM", "on_line")],
)  # fmt: skip
def test_source_of_the_output(source, status, word):
    assert decode(mib({"4.1.0": source})).values["status"] == status
    assert status_of(status) == word


@pytest.mark.parametrize(("battery", "status"), [(1, "OB"), (2, "OB"), (3, "OB LB"), (4, "OB LB")])
def test_status_of_the_battery(battery, status):
    assert decode(mib({"4.1.0": 5, "2.1.0": battery})).values["status"] == status


@pytest.mark.parametrize(("result", "status"), [(n, "OL TEST" if n == 5 else "OL") for n in range(1, 7)])
def test_a_test_in_progress(result, status):
    assert decode(mib({"4.1.0": 3, "7.3.0": result})).values["status"] == status


# upsWellKnownAlarms 1 to 24.
@pytest.mark.parametrize(
    ("number", "status"),
    [(1, "OL RB"), (2, "OL OB"), (3, "OL LB"), (4, "OL LB"), (6, "OL"), (8, "OL OVER"), (9, "OL BYPASS"),
     (23, "OL FSD"), (24, "OL TEST")]
    + [(n, "OL ALARM") for n in (5, 7, 10, 13, 16, 17, 18, 19, 22)] + [(n, "OL OFF") for n in (11, 12, 14, 15, 21)],
)  # fmt: skip
def test_well_known_alarms(number, status):
    found = decode(alarmed(3, number))
    assert found.values["status"] == status
    assert found.refused == ()


def test_every_well_known_alarm_is_in_the_table_and_every_symbol_in_the_rfcs():
    assert sorted(upsmib.ALARMS) == list(range(1, 25))
    words = " ".join((*upsmib.SOURCES.values(), *upsmib.BATTERIES.values(), *upsmib.ALARMS.values()))
    assert set(words.split()) <= set(SYMBOLS)


def test_battery_wins_over_mains_and_each_symbol_stands_once():
    status = decode(alarmed(5, 2, 3, 4, 6, 18, 5) | {UPS + "2.1.0": 3}).values["status"]
    assert status == "OB LB ALARM"
    assert status_of(decode(alarmed(3, 2)).values["status"]) == "on_battery"


def test_a_makers_own_alarm_and_one_of_a_later_edition_want_somebody_to_look():
    for oid in ("1.3.6.1.4.1.99999.1.7", UPS + "6.3.25", UPS + "6.3.", UPS + "6.3.1.5"):
        assert decode(mib({"4.1.0": 3, "6.2.1.2.9": oid})).values["status"] == "OL ALARM"
    found = decode(mib({"4.1.0": 3, "6.2.1.2.9": 1}))
    assert found.values["status"] == "OL"
    assert found.refused == ("status: upsAlarmDescr 1 is no OID",)


def test_seconds_on_battery_count_where_the_source_is_not_told():
    assert decode(mib({"2.2.0": 40})).values["status"] == "OB"
    assert decode(mib({"4.1.0": 1, "2.2.0": 40})).values["status"] == "OB"
    assert decode(mib({"2.2.0": 0})).values["status"] is None
    assert decode(mib({"4.1.0": 3, "2.2.0": 40})).values["status"] == "OL"  # a stale counter


@pytest.mark.parametrize("source", [0, 8, -1, 2**63])
def test_a_source_that_the_mib_does_not_know_is_unknown(source):
    found = decode(mib({"4.1.0": source}))
    assert found.values["status"] is None
    assert found.refused[0].startswith("status: upsOutputSource")


def test_an_agent_without_its_unit_says_nothing_true():
    assert out_of_contact(alarmed(3, 20))
    assert not out_of_contact(alarmed(3, 2))


# ---- bodies ----


def test_bodies_are_compact_and_in_the_order_of_the_oids():
    body = render({"1.3.6.1.2.1.33.1.10.0": "x", "1.3.6.1.2.1.33.1.9.0": None, "1.3.6.1.2.1.33.1.2.4.0": 100})
    assert body == b'{"1.3.6.1.2.1.33.1.2.4.0":100,"1.3.6.1.2.1.33.1.9.0":null,"1.3.6.1.2.1.33.1.10.0":"x"}'
    assert decode(parse(body)).values["charge"] == 1.0


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", b"3", b"null", b"{", b"\xff", json.dumps({str(n): n for n in range(501)}).encode(), b"[" * 100_000],
)
def test_what_is_no_body(body):
    with pytest.raises(BadPayload):
        parse(body)


OIDS = st.sampled_from([*upsmib.SCALARS, *(f"{c}.{line}" for c in upsmib.COLUMNS for line in (1, 2)), "1.3", "", "x."])
GARBAGE = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.lists(st.integers())
LIKELY = st.integers(-3, 300) | st.integers(1, 30).map(lambda n: f"{UPS}6.3.{n}")


@settings(max_examples=300)
@given(st.dictionaries(OIDS, GARBAGE | LIKELY, max_size=40))
@example({f"{upsmib.OUTPUT_POWER}.1": 2**64})
@example({f"{upsmib.OUTPUT_VOLTAGE}.1": 2**63, f"{upsmib.OUTPUT_CURRENT}.1": 2**63})
def test_whatever_an_agent_sends_is_plausible_or_unknown(objects):
    found = decode(objects)
    out_of_contact(objects)
    assert found.values.keys() == set(upsmib.YIELDS)
    for quantity, value in found.values.items():
        if quantity == "status":
            assert value is None or set(value.split()) <= set(SYMBOLS)
        elif value is not None:
            assert type(value) is float
            assert QUANTITIES[quantity].low <= value <= QUANTITIES[quantity].high
    assert all(line.isascii() for line in found.refused)


@given(st.dictionaries(st.lists(st.integers(0, 9), min_size=1).map(lambda t: ".".join(map(str, t))),
                       st.none() | st.integers() | st.text()))  # fmt: skip
def test_bodies_there_and_back(objects):
    body = render(objects)
    assert parse(body) == objects
    assert render(dict(reversed(objects.items()))) == body


# ---- self-test (RFC 1628, upsTest group) ----


@pytest.mark.parametrize(
    ("result", "start", "uptime", "word", "age_s"),
    [
        (1, 50_000, 410_000, "passed", 3600.0),
        (2, 50_000, 410_000, "warning", 3600.0),
        (3, 50_000, 410_000, "failed", 3600.0),
        (4, 50_000, 410_000, "aborted", 3600.0),
        (5, 410_000, 410_000, "running", 0.0),
        (6, 0, 410_000, "none", None),
        (1, 410_000, 50_000, "passed", None),  # the agent has begun anew since
        (1, 0, 50_000, "passed", None),
        (1, None, 50_000, "passed", None),
        (7, 50_000, 410_000, None, None),
        (None, 50_000, 410_000, None, None),
    ],
)
def test_self_test_result_and_age(result, start, uptime, word, age_s):
    objects = {key: value for key, value in (("7.3.0", result), ("7.5.0", start)) if value is not None}
    found = decode(mib(objects) | {upsmib.UPTIME: uptime})
    assert (found.values["self_test"], found.values["self_test_age_s"]) == (word, age_s)
    assert any("upsTestResultsSummary" in why for why in found.refused) == (result == 7)
