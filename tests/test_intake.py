"""The intake: which source gets what, what is counted, when a source is degraded, and what people say."""

import json

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from farmwatch.wire.intake import MOST_CACHED, Button, Intake, Route, compile_filter
from farmwatch.wire.payload import FieldSpec, MappingSpec, TimeSpec
from farmwatch.words.model import (
    Denied,
    Failed,
    Link,
    LinkChanged,
    Observed,
    Raw,
    Said,
    SourceDegraded,
    SourceFailed,
    SourcePlan,
)
from farmwatch.words.quantities import QUANTITIES

UPS = "one@127.0.0.1:3493"
STATUS = 'BEGIN LIST VAR one\nVAR one ups.status "OB DISCHRG"\nVAR one battery.charge "87"\nEND LIST VAR one\n'


def route(subject, name, via, address, *, form="json", time=None, **pointers):
    fields = tuple(
        FieldSpec(quantity, pointer, QUANTITIES[quantity].unit, words=None if isinstance(pointer, str) else pointer)
        for quantity, pointer in pointers.items()
    )
    plan = SourcePlan(f"{subject}.{name}", subject, via, address, 5.0, frozenset(pointers))
    return Route(plan, MappingSpec(name, via, form, fields, time))


ROUTES = (
    route("avocet", "panel", "mqtt", "works/avocet/status", time=TimeSpec("/ts", "s"), state="/state", bed_c="/bed"),
    route("avocet", "plug", "http", "http://192.0.2.7/status", power_w="/w", voltage_v="/v"),
    route("bittern", "plug", "push", "/push/bittern", power_w="/w"),
    route("curlew", "meter", "mqtt", "works/curlew/watts", form="text", power_w=""),
    route("dunlin", "panel", "mqtt", "works/shared", bed_c="/dunlin/bed"),
    route("eider", "panel", "mqtt", "works/shared", bed_c="/eider/bed"),
    route("shed", "air", "mqtt", "air/+/now", air_c="/t"),
    route("one", "ups", "ups", UPS),
    route("two", "ups", "ups", "two@127.0.0.1:3493"),
)
BUTTONS = (
    Button("works/button/north", "pressed", "cleared", "avocet"),
    Button("works/button/+/any", None, "acknowledged", None),
)


@pytest.fixture
def intake():
    return Intake(ROUTES, command_topic="farmwatch/command", buttons=BUTTONS)


def mqtt(topic, body, at_s=100.0, *, retained=False):
    return Raw(at_s, "mqtt", topic, body if isinstance(body, bytes) else body.encode(), retained)


PANEL = "works/avocet/status"
GOOD = '{"ts": 99.5, "state": "printing", "bed": 60}'


# ---- routes


def test_a_message_becomes_values_of_its_subject(intake):
    assert intake.decode(mqtt(PANEL, GOOD)) == [
        Observed(100.0, "avocet", "avocet.panel", {"state": "printing", "bed_c": 60.0}, False, 99.5)
    ]


@pytest.mark.parametrize(
    ("item", "source", "values"),
    [
        (Raw(1.0, "http", "http://192.0.2.7/status", b'{"w": 0, "v": 230}'), "avocet.plug",
         {"power_w": 0.0, "voltage_v": 230.0}),
        (Raw(1.0, "push", "/push/bittern", b'{"w": 5}'), "bittern.plug", {"power_w": 5.0}),
        (mqtt("works/curlew/watts", "57.2\n"), "curlew.meter", {"power_w": 57.2}),
        (mqtt("air/left/now", '{"t": 18}'), "shed.air", {"air_c": 18.0}),
        (mqtt("air//now", '{"t": 18}'), "shed.air", {"air_c": 18.0}),
    ],
)  # fmt: skip
def test_every_transport_has_its_addresses(intake, item, source, values):
    [seen] = intake.decode(item)
    assert (seen.source, seen.values, seen.at_s) == (source, values, item.at_s)


def test_several_sources_may_share_an_address(intake):
    events = intake.decode(mqtt("works/shared", '{"dunlin": {"bed": 60}, "eider": {"bed": 25}}'))
    assert [(e.subject, e.values) for e in events] == [("dunlin", {"bed_c": 60.0}), ("eider", {"bed_c": 25.0})]


def test_an_exact_address_and_a_filter_both_get_it():
    both = Intake([route("a", "x", "mqtt", "t/1", power_w="/w"), route("b", "y", "mqtt", "t/#", power_w="/w")])
    assert [e.subject for e in both.decode(mqtt("t/1", '{"w": 5}'))] == ["a", "b"]
    assert [e.subject for e in both.decode(mqtt("t/2", '{"w": 5}'))] == ["b"]


@pytest.mark.parametrize(
    "item",
    [mqtt("works/nobody", "5"), Raw(1.0, "http", PANEL, b"{}"), mqtt("air/now", "{}"), mqtt("air/a/b/now", "{}"),
     Raw(1.0, "push", "air/left/now", b"{}"), Raw(1.0, "snmp", "127.0.0.1:161", b"{}"), mqtt("WORKS/avocet/status",
     GOOD)],
)  # fmt: skip
def test_what_fits_no_source_is_only_counted(intake, item):
    assert intake.decode(item) == []
    assert intake.unknown == 1
    assert all(health.good + health.bad == 0 for health in intake.health().values())


def test_addresses_that_anybody_invents_do_not_make_it_grow(intake):
    for number in range(MOST_CACHED + 50):
        intake.decode(mqtt(f"air/{number}/now", '{"t": 18}'))
        intake.decode(mqtt(f"nobody/{number}", ""))
    assert len(intake._cache) <= MOST_CACHED
    assert intake.health()["shed.air"].good == MOST_CACHED + 50


# MQTT 5.0, sections 4.7.1.2, 4.7.1.3 and 4.7.2: its own examples.
@pytest.mark.parametrize(
    ("pattern", "yes", "no"),
    [
        ("sport/tennis/player1/#",
         ["sport/tennis/player1", "sport/tennis/player1/ranking", "sport/tennis/player1/score/wimbledon"],
         ["sport/tennis/player10", "sport/tennis"]),
        ("sport/#", ["sport", "sport/x"], ["sports", "SPORT"]),
        ("#", ["a", "a/b", "/"], ["$SYS/x", "$x"]),
        ("sport/tennis/+", ["sport/tennis/player1", "sport/tennis/player2"],
         ["sport/tennis/player1/ranking", "sport/tennis"]),
        ("sport/+", ["sport/", "sport/x"], ["sport"]),
        ("+/+", ["/finance", "a/b"], ["finance", "$SYS/monitor"]),
        ("/+", ["/finance"], ["finance", "/a/b"]),
        ("+", ["finance"], ["/finance", "$x"]),
        ("+/monitor/Clients", ["a/monitor/Clients"], ["$SYS/monitor/Clients"]),
        ("$SYS/#", ["$SYS/monitor", "$SYS"], ["a"]),
        ("$SYS/monitor/+", ["$SYS/monitor/Clients"], ["$SYS/monitor"]),
        ("+/tennis/#", ["sport/tennis", "sport/tennis/x"], ["sport", "sport/golf"]),
        ("a.c", ["a.c"], ["abc"]),
    ],
)  # fmt: skip
def test_topic_filters(pattern, yes, no):
    matches = compile_filter(pattern)
    assert [topic for topic in yes if not matches(topic)] == []
    assert [topic for topic in no if matches(topic)] == []


LEVELS = st.lists(st.sampled_from(["a", "b", "", "$c"]), min_size=1, max_size=5)


@given(LEVELS, st.data())
def test_a_filter_made_from_a_topic_matches_it(levels, data):
    wild = [data.draw(st.sampled_from([level, "+"])) for level in levels]
    cut = data.draw(st.integers(0, len(levels)))
    pattern = "/".join([*wild[:cut], "#"] if cut < len(levels) else wild)
    shy = pattern[0:1] in ("+", "#") and levels[0].startswith("$")
    assert compile_filter(pattern)("/".join(levels)) is not shy


# ---- bad payloads


def test_a_bad_payload_is_dropped_counted_and_kept_escaped(intake):
    body = b'{"state": "\x1b]0;\xff<script>' + b"x" * 500
    assert intake.decode(mqtt(PANEL, body)) == []
    health = intake.health()["avocet.panel"]
    assert (health.good, health.bad, health.degraded) == (0, 1, False)
    assert health.last_bad.startswith("no UTF-8: byte 15: b'{")
    assert health.last_bad.isascii()
    assert health.last_bad.isprintable()
    assert "\\x1b]0;\\xff<script>" in health.last_bad
    assert health.last_bad.count("x") < 220
    assert all(row.bad == 0 for name, row in intake.health().items() if name != "avocet.panel")


def test_five_in_a_row_degrade_once_and_a_good_one_clears(intake):
    told = [intake.decode(mqtt(PANEL, "?", at_s=float(n))) for n in range(7)]
    assert [len(events) for events in told] == [0, 0, 0, 0, 1, 0, 0]
    [event] = told[4]
    assert event[:3] == (4.0, "avocet.panel", True)
    assert event.why.startswith("no JSON")
    assert intake.health()["avocet.panel"].degraded
    back = intake.decode(mqtt(PANEL, GOOD, at_s=8.0))
    assert back[0][:3] == (8.0, "avocet.panel", False)
    assert isinstance(back[1], Observed)
    health = intake.health()["avocet.panel"]
    assert (health.good, health.bad, health.degraded) == (1, 7, False)
    assert health.last_bad is not None  # stays on view
    assert len(intake.decode(mqtt(PANEL, GOOD))) == 1


def test_four_in_a_row_do_not(intake):
    for _ in range(3):
        events = [event for _ in range(4) for event in intake.decode(mqtt(PANEL, "?"))]
        assert events == []
        assert len(intake.decode(mqtt(PANEL, GOOD))) == 1


def test_refused_values_are_counted_and_the_good_ones_go_on(intake):
    for _ in range(10):
        [seen] = intake.decode(mqtt(PANEL, '{"state": "HOT", "bed": 60}'))
        assert seen.values == {"state": None, "bed_c": 60.0}
    health = intake.health()["avocet.panel"]
    assert (health.good, health.bad, health.refused, health.degraded) == (10, 0, 10, False)
    assert '"HOT" is not in the table' in health.last_bad


def test_a_payload_of_which_nothing_can_be_used_is_a_bad_one_and_its_values_are_unknown(intake):
    told = [intake.decode(mqtt("works/curlew/watts", "NaN")) for _ in range(6)]
    assert all(events[-1].values == {"power_w": None} for events in told)
    assert [type(events[0]) is SourceDegraded for events in told] == [False] * 4 + [True, False]
    health = intake.health()["curlew.meter"]
    assert (health.good, health.bad, health.refused) == (0, 6, 6)
    assert intake.decode(mqtt("works/curlew/watts", "0"))[0].degraded is False


def test_nothing_known_is_nothing_bad(intake):
    for _ in range(9):
        [seen] = intake.decode(mqtt(PANEL, '{"state": null}'))
        assert seen.values == {"state": None, "bed_c": None}
    assert intake.health()["avocet.panel"].bad == 0


def test_health_keeps_the_last_good_values(intake):
    intake.decode(mqtt(PANEL, GOOD, at_s=5.0, retained=True))
    health = intake.health()["avocet.panel"]
    assert (health.last_values, health.last_at_s, health.last_retained) == (
        {"state": "printing", "bed_c": 60.0},
        5.0,
        True,
    )
    intake.decode(mqtt(PANEL, "?", at_s=6.0))
    assert (health.last_at_s, health.last_retained) == (5.0, True)
    intake.decode(mqtt(PANEL, '{"bed": 61}', at_s=7.0))
    assert (health.last_values, health.last_at_s, health.last_retained) == ({"state": None, "bed_c": 61.0}, 7.0, False)
    assert set(intake.health()) == {r.source.id for r in ROUTES} | {"command"}
    assert "command" not in Intake(ROUTES).health()


def test_what_the_broker_kept_is_marked(intake):
    [seen] = intake.decode(mqtt(PANEL, GOOD, retained=True))
    assert seen.retained


# ---- backups


def test_a_reply_of_a_ups_server(intake):
    [seen] = intake.decode(Raw(1.0, "ups", UPS, STATUS.encode()))
    assert (seen.subject, seen.source) == ("one", "one.ups")
    assert (seen.values["status"], seen.values["charge"], seen.values["runtime_s"]) == ("OB DISCHRG", 0.87, None)


@pytest.mark.parametrize("error", ["DATA-STALE", "DRIVER-NOT-CONNECTED", "UNKNOWN-UPS"])
def test_an_err_reply_is_a_failure_and_no_bad_payload(intake, error):
    for _ in range(6):
        assert intake.decode(Raw(1.0, "ups", UPS, f"ERR {error}\n".encode())) == [
            SourceFailed(1.0, "one.ups", f"ERR {error}")
        ]
    health = intake.health()["one.ups"]
    assert (health.good, health.bad, health.failed) == (0, 0, 6)


@pytest.mark.parametrize(
    "body", [STATUS.replace("one", "two"), STATUS[:-5], "garbage", "", "END LIST VAR one\n", STATUS + "OK\n"]
)
def test_garbage_of_a_ups_server_is_bad(intake, body):
    assert intake.decode(Raw(1.0, "ups", UPS, body.encode())) == []
    assert intake.health()["one.ups"].bad == 1


# ---- failures and links


def test_a_failure_reaches_every_source_at_the_address(intake):
    assert intake.decode(Failed(1.0, "http", "http://192.0.2.7/status", "no answer")) == [
        SourceFailed(1.0, "avocet.plug", "no answer")
    ]
    assert [e.source for e in intake.decode(Failed(1.0, "mqtt", "works/shared", "too large"))] == [
        "dunlin.panel", "eider.panel",
    ]  # fmt: skip
    assert [e.source for e in intake.decode(Failed(1.0, "mqtt", "air/+/now", "subscription refused"))] == ["shed.air"]
    assert intake.decode(Failed(1.0, "mqtt", "", "broker gone")) == []
    assert intake.decode(Failed(1.0, "mqtt", "works/button/north", "refused")) == []
    assert intake.decode(Failed(1.0, "http", "http://192.0.2.99/", "no answer")) == []
    assert intake.unknown == 0
    assert intake.health()["avocet.plug"].failed == 1


@pytest.mark.parametrize(
    ("via", "address", "sources"),
    [
        ("mqtt", None, ("avocet.panel", "curlew.meter", "dunlin.panel", "eider.panel", "shed.air")),
        ("ups", UPS, ("one.ups",)), ("ups", "127.0.0.1:3493", ("one.ups", "two.ups")),
        ("ups", None, ("one.ups", "two.ups")),
        ("ups", "7.0.0.1:3493", ()), ("http", "http://192.0.2.7/status", ("avocet.plug",)), ("http", "nobody", ()),
        ("snmp", None, ()),
    ],
)  # fmt: skip
@pytest.mark.parametrize("connected", [True, False])
def test_a_link_names_what_hangs_on_it(intake, via, address, sources, connected):
    assert intake.decode(Link(1.0, via, address, connected)) == [LinkChanged(1.0, via, address, connected, sources)]


# ---- what people say


def command(intake, doc, **options):
    return intake.decode(mqtt("farmwatch/command", doc if isinstance(doc, bytes) else json.dumps(doc), **options))


def test_a_command_by_mqtt(intake):
    doc = {
        "command": "started",
        "machine": "ibis",
        "by": "ann",
        "job": "hive roof",
        "planned_min": 90,
        "material": None,
    }
    assert command(intake, doc) == [
        Said(100.0, "started", "ibis", "ann", {"job": "hive roof", "planned_min": 90, "material": None})
    ]
    assert command(intake, {"command": "cleared", "machine": "ibis"}) == [Said(100.0, "cleared", "ibis", "mqtt", {})]
    assert command(intake, {"command": "dance"}) == [Said(100.0, "dance", None, "mqtt", {})]  # the brain refuses it
    assert command(intake, {"command": "cleared", "at": "x", "via": "y"}) == [Said(100.0, "cleared", None, "mqtt", {})]
    assert intake.health()["command"].good == 4


@pytest.mark.parametrize(
    "doc",
    [b"", b"cleared", b"[]", b"{}", b'{"command": 5}', b'{"command": null}', b'{"command": ""}',
     b'{"command": "cleared", "machine": 5}', b'{"command": "cleared", "by": ["ann"]}',
     b'{"command": "started", "planned_min": NaN}', b'{"command": "started", "planned_min": Infinity}',
     b'{"command": "started", "planned_min": ' + b"9" * 5000 + b"}", b'{"command": "started", "planned_min": 1e300}',
     b'{"command": "started", "job": {}}', b'{"command": "' + b"x" * 201 + b'"}', b'{"command": "\xff"}',
     json.dumps({"command": "x"} | {str(n): n for n in range(30)}).encode()],
    ids=lambda doc: repr(doc[:50]),
)  # fmt: skip
def test_bad_commands_are_counted_and_do_nothing(intake, doc):
    assert command(intake, doc) == []
    health = intake.health()["command"]
    assert (health.good, health.bad) == (0, 1)
    assert health.last_bad.isprintable()


def test_a_command_or_a_press_that_the_broker_kept_is_old(intake):
    assert command(intake, {"command": "cleared", "machine": "ibis"}, retained=True) == []
    assert intake.decode(mqtt("works/button/north", "pressed", retained=True)) == []
    assert intake.health()["command"].bad == 0


def test_buttons(intake):
    assert intake.decode(mqtt("works/button/north", "pressed\n")) == [Said(100.0, "cleared", "avocet", "button", {})]
    assert intake.decode(mqtt("works/button/north", "released")) == []
    assert intake.decode(mqtt("works/button/x/any", b"\xff")) == [Said(100.0, "acknowledged", None, "button", {})]
    assert intake.unknown == 0


def test_what_people_say_passes(intake):
    said = Said(1.0, "dance", None, "ann", {})
    assert intake.decode(said) == [said]


# ---- anything


@effort(max_examples=300)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([(r.source.via, r.source.address) for r in ROUTES] + [("mqtt", "farmwatch/command")]),
            st.binary(max_size=60) | st.sampled_from([GOOD.encode(), STATUS.encode(), b"5", b'{"w": 1}', b"ERR X\n"]),
            st.booleans(),
        ),
        max_size=30,
    )
)
def test_no_message_raises_and_the_counts_agree(messages):
    intake = Intake(ROUTES, command_topic="farmwatch/command", buttons=BUTTONS)
    degraded = {}
    observed = 0
    for number, ((via, address), body, retained) in enumerate(messages):
        for event in intake.decode(Raw(float(number), via, address, body, retained)):
            if isinstance(event, SourceDegraded):
                assert degraded.get(event.source, False) is not event.degraded  # says it only when it changes
                degraded[event.source] = event.degraded
            observed += isinstance(event, Observed)
    health = intake.health()
    assert all(row.degraded is degraded.get(name, False) for name, row in health.items())
    assert sum(row.good for name, row in health.items() if name != "command") <= observed


@pytest.mark.parametrize("command", ["act", "pause", "resume", "stop", "off"])
def test_actions_are_never_taken_by_mqtt(command):
    intake = Intake(ROUTES, command_topic="farmwatch/command", buttons=BUTTONS)
    body = json.dumps({"command": command, "machine": "avocet", "by": "ann"}).encode()
    assert intake.decode(Raw(5.0, "mqtt", "farmwatch/command", body, retained=True)) == []
    assert intake.decode(Raw(5.0, "mqtt", "farmwatch/command", body)) == [
        Denied(5.0, f"by MQTT, {command}", noted=False)
    ]
    assert intake.health()["command"].bad == 1
    assert "never taken by MQTT" in str(intake.health()["command"].last_bad)
