"""The tree of loads: sums, meters anywhere, apparent power, ranges; its settings; alarms about circuits."""

import random

import pytest
from farm import T0, Driver, plan
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.power.load import SITE, LoadTree, PowerSite, Reading, Supply, load_share
from farmwatch.settings import ConfigErrors, load
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import BackupPlan, CircuitPlan, LoadPlan, MachinePlan, SourcePlan

NOTHING = Reading()


def site(**supply):
    inside = {
        "meter-one": "west",
        "one": "meter-one",
        "avocet": "one",
        "bittern": "one",
        "curlew": "west",
        "fans": "west",
    }
    return PowerSite(
        "Saltmarsh Works",
        "Europe/London",
        230,
        {"avocet": MachinePlan("avocet", bank="a", backup="one"),
         "bittern": MachinePlan("bittern", bank="a", backup="one"),
         "curlew": MachinePlan("curlew", circuit="west")},
        {"one": BackupPlan("one", "west", 600, 1000)},
        {"west": CircuitPlan("west", 16, 230, 0.8)},
        {"fans": LoadPlan("fans", "west", constant_w=40)},
        supply=Supply(**{"plugs": ("meter-one",), "inside": inside, "ranges_w": {"fans": (30, 60)}, **supply}),
    )  # fmt: skip


def tree_and(values, plan=None):
    tree = LoadTree(plan or site())
    return lambda place: tree.draw(place, lambda name: values.get(name, NOTHING))


def test_sums_go_up_by_the_nearest_meter_and_constants_bring_their_range():
    draw = tree_and({"avocet": Reading(110.0), "bittern": Reading(280.0), "curlew": Reading(95.0)})
    assert draw("one").watts == 390
    assert draw("west").watts == draw(SITE).watts == 110 + 280 + 95 + 40
    assert (draw("west").low_w, draw("west").high_w) == (515, 545)
    assert draw("a").watts == 390
    assert draw("west").difference_w is None


def test_a_plug_before_a_backup_brings_its_charging_into_the_circuits_sum():
    values = {"avocet": Reading(110.0), "bittern": Reading(280.0), "curlew": Reading(95.0), "one": Reading(388.0)}
    assert tree_and(values)("west").watts == 388 + 95 + 40
    draw = tree_and(values | {"meter-one": Reading(455.0)})
    assert draw("west").watts == 455 + 95 + 40
    assert draw("meter-one").difference_w == pytest.approx(455 - 388)
    assert draw("one").difference_w == pytest.approx(-2)


def test_a_circuits_own_meter_is_shown_beside_the_sum():
    values = {n: Reading(100.0) for n in ("avocet", "bittern", "curlew")} | {"west": Reading(371.0)}
    found = tree_and(values)("west")
    assert (found.watts, found.children_w, found.difference_w) == (371, 340, 31)
    values["bittern"] = NOTHING
    found = tree_and(values)("west")
    assert found.watts == 371
    assert found.missing == ()
    assert found.difference_w is None, "a difference to half a sum says nothing"


def test_unknown_is_named_and_never_0_and_a_backups_own_meter_fills_the_gap():
    values = {"avocet": Reading(110.0), "curlew": Reading(0.0)}
    assert tree_and(values)("west").missing == ("bittern",)
    assert tree_and(values)("west").watts == 150
    assert tree_and({})("one").watts is None
    coarse = Reading(420.0, coarse=True)
    assert tree_and(values | {"one": coarse})("west").watts == 420 + 0 + 40
    full = values | {"one": coarse, "bittern": Reading(280.0)}
    assert tree_and(full)("west").watts == 390 + 40, "plugs are better than a rounded percentage"
    assert tree_and(full)("one").watts == 420


def test_apparent_power_and_current():
    """W = VA x pf; the percent load is the greater share (RFC 1628, upsOutputPercentLoad): 700 W at 0.7 is 70 %."""
    values = {"avocet": Reading(70.0, 100.0, 235.0), "bittern": Reading(140.0, None, 235.0, 0.9)}
    found = tree_and(values)("one")
    assert found.va == pytest.approx(100 + 0.9 * 235)
    assert found.va_known
    assert found.volts_known
    assert found.amps == pytest.approx(found.va / 235)
    assert found.power_factor == pytest.approx(210 / (100 + 0.9 * 235))
    found = tree_and(values | {"bittern": Reading(140.0)})("one")
    assert found.va == 240
    assert not found.va_known
    assert found.power_factor is None
    assert tree_and({"avocet": Reading(230.0), "bittern": Reading(0.0)})("one").amps == 1.0
    assert load_share(700.0, 1000.0, 1000.0, 1600.0) == pytest.approx(0.70)
    assert load_share(300.0, 900.0, 1000.0, 1000.0) == pytest.approx(0.90)
    assert load_share(None, None, 1000.0, 1600.0) is None


@given(st.integers(0, 10_000))
def test_any_tree_adds_up_like_its_leaves(seed):
    """Without inner meters every node is the sum of its known leaves, at any depth (brute force)."""
    rng = random.Random(seed)
    plugs = tuple(f"p{i}" for i in range(rng.randint(0, 6)))
    nodes = ["west", *plugs]
    inside = {p: rng.choice(nodes[: i + 1]) for i, p in enumerate(plugs)}
    machines = {f"m{i}": MachinePlan(f"m{i}", circuit="west") for i in range(8)}
    inside |= {m: rng.choice(nodes) for m in machines}
    plan = PowerSite("S", "UTC", 230, machines, {}, {"west": CircuitPlan("west", 16, 230, 0.8)},
                     supply=Supply(plugs, inside))  # fmt: skip
    values = {m: Reading(float(rng.randint(0, 300))) for m in machines if rng.random() < 0.8}
    tree = LoadTree(plan)
    for node in (SITE, *nodes):
        below = [m for m in machines if node in tree.above(m)]
        found = tree.draw(node, lambda name: values.get(name, NOTHING))
        known = [values[m].power_w for m in below if m in values]
        assert found.watts == (sum(known) if known else None)
        assert set(found.missing) == {m for m in below if m not in values}
        assert set(tree.children[node]) == set(below)


def test_a_circle_or_a_feeder_that_is_not_there_is_refused():
    with pytest.raises(ConfigError, match="feeds itself"):
        LoadTree(site(inside={"meter-one": "one", "one": "meter-one"}))
    with pytest.raises(ConfigError, match="no circuit, plug or backup"):
        LoadTree(site(inside={"avocet": "two"}))


# ---- settings ------------------------------------------------------------------------------------------------

TOML = """config_version = 1
[site]
timezone = "Europe/London"
start_risk = 0.02
[circuits]
main = {{ rating_a = 32 }}
west = {{ rating_a = 16, curve = "B", circuit = "main", uses = ["clamp"] }}
[plugs]
inlet = {{ circuit = "west", uses = ["plug"] }}
[backups]
one = {{ plug = "inlet", rating_w = 600 }}
two = {{ circuit = "west" }}
[loads]
fans = {{ circuit = "west", constant_range_w = [30, 60] }}
[machines]
avocet = {{ backup = "one" }}
{more}
[mappings.plug]
via = "push"
address = "/plug/{{machine}}"
interval_s = 10
values.power_w = "/w"
[mappings.clamp]
via = "push"
address = "/clamp/{{machine}}"
interval_s = 10
values.power_w = "/w"
values.voltage_v = "/v"
[tariff]
currency = "GBP"
per_kwh = 0.30
standing_per_day = 0.5
times.night = {{ per_kwh = 0.1, start = "00:30", end = "07:30" }}
"""


def config(tmp_path, more="", edit=()):
    text = TOML.format(more=more)
    for old, new in edit:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "farmwatch.toml"
    path.write_text(text)
    return path


def test_the_configuration_gives_the_tree_meters_included(tmp_path):
    plan = load(config(tmp_path), live=False).plan()
    tree = LoadTree(plan)
    assert tree.above("avocet") == ("one", "inlet", "west", "main", SITE)
    assert plan.circuit_of("one") == "west"
    assert {s.subject for s in plan.sources.values()} == {"west", "inlet"}
    assert tree.constant_w("fans") == (45, 30, 60)
    assert plan.supply.start_risk == 0.02
    assert plan.supply.curves == {"west": "B"}
    assert plan.supply.tariff.rate_at(1764057600.0) == 0.30


BROKEN = [
    # (edit, key, what): each mistake must be told at its key
    (('"one" }', '["one", "two"] }'), "machines.avocet.backup", "name one alone"),
    (('avocet = { backup = "one" }', 'avocet = { backup = "one", plug = "inlet" }'), "machines.avocet.backup",
     "at once"),
    (("rating_a = 16, ", ""), "circuits.west.rating_a", "missing"),
    (('inlet = { circuit = "west"', 'inlet = { backup = "one"'), "plugs.inlet.backup", "feeds itself"),
    (("main = { rating_a = 32 }", 'main = { rating_a = 32, circuit = "west" }'), "circuits.main.circuit",
     "feeds itself"),
    (("[30, 60]", "[60, 30]"), "loads.fans.constant_range_w", "no range"),
    (("constant_range_w = [30, 60]", "constant_range_w = [30, 60], constant_w = 70"), "loads.fans.constant_range_w",
     "not between"),
    (('"00:30"', '"24:30"'), "tariff.times.night.start", "no time of day"),
    (('"00:30", ', '"00:30", days = ["someday"], '), "tariff.times.night.days.0", "someday"),
    (('plug = "inlet"', 'plug = "inlt"'), "backups.one.plug", "no plug is called"),
    (("start_risk = 0.02", "start_risk = 0"), "site.start_risk", "greater than 0"),
]  # fmt: skip


@pytest.mark.parametrize(("edit", "key", "what"), BROKEN, ids=lambda v: v if isinstance(v, str) else "")
def test_every_mistake_in_the_supply_is_told_at_its_key(tmp_path, edit, key, what):
    with pytest.raises(ConfigErrors) as caught:
        load(config(tmp_path, edit=[edit]), live=False)
    found = {problem.key: problem for problem in caught.value.problems}
    assert key in found, str(caught.value)
    assert what in f"{found[key].what} {found[key].suggestion}"
    assert found[key].suggestion


# ---- alarms ---------------------------------------------------------------------------------------------------


def metered():
    """Saltmarsh Works with a meter on circuit west."""
    source = SourcePlan("clamp.west", "west", "mqtt", "clamps/west", 10.0, frozenset({"power_w"}))
    base = plan(panels=False, plugs=False, ups=False)
    base.sources["clamp.west"] = source
    return Driver(base)


def clamp(day, watts, seconds):
    from farmwatch.words.model import Observed

    day.run(seconds, 10.0, lambda d: d.feed(Observed(d.now, "west", "clamp.west", {"power_w": float(watts)})))


def states(day, rule):
    return [n.doc["state"] for n in day.notes("alarm") if (n.doc["alarm"], n.doc["subject"]) == (rule, "west")]


def test_a_circuit_near_its_limit_speaks_after_a_quarter_of_an_hour_with_a_deadband():
    day = metered()
    clamp(day, 3000, 14 * 60)
    assert states(day, "load_near_limit") == []
    clamp(day, 3000, 3 * 60)
    assert states(day, "load_near_limit") == ["unacknowledged"]
    message = day.messages()[-1]
    assert message.title == "Circuit west near its limit"
    assert message.priority == "session"
    assert "13.0 A of 16 A" in message.text
    clamp(day, 2900, 20 * 60)  # below 2944 W, within the deadband
    assert states(day, "load_near_limit") == ["unacknowledged"]
    clamp(day, 2700, 8 * 60)
    assert states(day, "load_near_limit")[-1] in ("normal", "returned")
    assert day.messages()[-1].step == "clear"


def test_a_short_heat_up_above_the_share_is_no_alarm():
    day = metered()
    for _ in range(6):
        clamp(day, 3400, 10 * 60)
        clamp(day, 2000, 5 * 60)
    assert day.messages() == []


def test_above_the_breakers_tripping_current_is_danger_within_two_minutes():
    """IEC 60898: 1.45 x 16 A = 23.2 A is 5336 W at 230 V; below it, no danger is claimed."""
    day = metered()
    clamp(day, 5300, 5 * 60)
    assert states(day, "circuit_overload") == []
    day = metered()
    clamp(day, 5400, 121 + 5)
    assert states(day, "circuit_overload") == ["unacknowledged"]
    assert day.messages()[-1].priority == "danger"
    assert "trips within 1 h" in day.messages()[-1].text
    assert len(day.messages()[-1].title + day.messages()[-1].text) < 240
    assert day.brain.view(day.now)["verdict"]["level"] == "danger"
    assert day.now <= T0 + 130


def test_what_is_not_known_clears_no_alarm():
    day = metered()
    clamp(day, 3000, 17 * 60)
    day.run(30 * 60, 10.0)  # the meter is silent
    assert states(day, "load_near_limit") == ["unacknowledged"]


def test_the_view_shows_strain_and_difference():
    day = Driver(plan(panels=False, ups=False))
    day.site.sources["clamp.west"] = SourcePlan(
        "clamp.west", "west", "mqtt", "clamps/west", 10.0, frozenset({"power_w"})
    )
    day = Driver(day.site)
    from farmwatch.words.model import Observed

    west = [n for n in day.site.machines if day.site.circuit_of(n) == "west"]

    def talk(d):
        for name in west:
            d.plug(name, 110)
        d.feed(Observed(d.now, "west", "clamp.west", {"power_w": 700.0}))

    day.run(31 * 60, 10.0, talk)
    row = next(c for c in day.brain.view(day.now)["circuits"] if c["name"] == "west")
    strain = row["strain"]
    assert strain["meter_minus_sum_w"] == pytest.approx(700 - 660)
    assert strain["demand_w"] == strain["worst_w"] == 700
    assert strain["headroom_w"] == strain["headroom_day_w"] == pytest.approx(2944 - 700)
    assert strain["amps"] == pytest.approx(700 / 230)
    assert not strain["va_known"]
    assert "within its rating" in strain["breaker"]
