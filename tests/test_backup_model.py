"""One model of a backup by every way in, and what the person sees: on the page, in the view, in messages."""

import html
import json
import re

import pytest
from farm import T0, Driver, plan

from farmwatch.power.backup import BELIEVED, BackupTrack
from farmwatch.power.care import DAY_S
from farmwatch.web.panels import render
from farmwatch.wire import upsmib, upsvalues
from farmwatch.wire.payload import FieldSpec, MappingSpec, compile_mapping
from farmwatch.words.model import BackupPlan, Observed

HOUR_S = 3600.0
MAPPING = MappingSpec(
    "card", "mqtt", "json",
    tuple(FieldSpec(q, f"/{q}", unit, 1.0, 0.0, words) for q, unit, words in (
        ("status", "", {"mains": ("OL",), "battery": ("OB",), "both": ("OL OB",), "test": ("OB TEST",)}),
        ("charge", "%", None), ("runtime_s", "min", None), ("load", "%", None), ("battery_c", "°C", None),
        ("self_test", "", {"good": ("passed",), "bad": ("failed",)}), ("battery_date", "", None),
    )), None,
)  # fmt: skip


def by_server(status="OL", **values):
    names = {"charge": "battery.charge", "runtime": "battery.runtime", "load": "ups.load", "test": "ups.test.result",
             "warm": "battery.temperature", "fitted": "battery.date"}  # fmt: skip
    return upsvalues.decode({"ups.status": status} | {names[k]: str(v) for k, v in values.items()}).values


def by_agent(status="OL", **values):
    oids = {"charge": upsmib.CHARGE, "runtime": upsmib.MINUTES_REMAINING, "test": upsmib.TEST_RESULTS,
            "warm": upsmib.BATTERY_TEMPERATURE}  # fmt: skip
    objects = {oids[k]: v for k, v in values.items() if k in oids}
    objects |= {upsmib.OUTPUT_SOURCE: 5 if "OB" in status else 3}
    if "TEST" in status:
        objects[upsmib.TEST_RESULTS] = 5
    if "load" in values:
        objects |= {upsmib.OUTPUT_LINES: 1, f"{upsmib.PERCENT_LOAD}.1": values["load"]}
    return upsmib.decode(json.loads(upsmib.render(objects))).values


def by_mapping(**doc):
    return compile_mapping(MAPPING)(json.dumps(doc).encode()).values


def seen(day, name="one"):
    """The backup's card as text, as the page shows it."""
    text = render(day.brain.view(day.now))["power"]
    card = text[text.index(f'data-key="backup-{name}"') :]
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", card[: card.index("</li>")])))


def shop(*, plugs=False, **more):
    """One backup that is heard, and one machine behind it of which nothing is known."""
    site = plan(["avocet"], plugs=plugs, panels=False)
    for other in ("two", "three", "four"):
        del site.backups[other], site.sources[f"ups.{other}"]
    site.backups["one"] = BackupPlan("one", "west", 600, 1000, **more)
    return Driver(site)


def fed(values, *, times=1, **more):
    day = shop(**more)
    for turn in range(times):
        day.feed(Observed(T0 + 5 * turn, "one", "ups.one", dict(values)))
    return day


# ---- one model ----


@pytest.mark.parametrize(
    "values",
    [
        by_server("OL", charge=80, runtime=1500, load=30, test="Done and passed", warm=24),
        by_agent("OL", charge=80, runtime=25, load=30, test=1, warm=24),
        by_mapping(status="mains", charge=80, runtime_s=25, load=30, self_test="good", battery_c=24),
    ],
    ids=["RFC 9271", "UPS-MIB", "mapping"],
)
def test_every_way_leads_to_the_same_card(values):
    day = fed(values)
    text = seen(day)
    for words in ("on mains", "Charge 80 %", "load 180 W of 600 W", "25 min", "self-test passed", "24 °C"):
        assert words.casefold() in text.casefold(), (words, text)


@pytest.mark.parametrize(
    "values",
    [by_server("OL RB"), by_server("OL", test="Done and error"), by_mapping(status="mains", self_test="bad"),
     by_agent("OL", test=3)],
)  # fmt: skip
def test_a_battery_that_should_be_replaced_is_told(values):
    day = fed(values)
    day.run(60)
    worn = [a for a in day.brain.farm.book.standing() if a.rule == "battery_worn"]
    assert [a.subject for a in worn] == ["one"]


def test_the_unit_s_own_date_counts_where_none_is_configured():
    day = fed(by_server("OL", fitted="2024/03/01"))
    assert "battery of Mar 2024" in seen(day)
    assert day.brain.farm.care["one"].replace_by()[1].startswith("usual life")
    assert day.brain.farm.care["one"].plan.battery_s is None


@pytest.mark.parametrize(("text", "word"), [
    ("Done and passed", "passed"), ("Done and warning", "warning"), ("Done and error", "failed"),
    ("Aborted", "aborted"), ("In progress", "running"), ("No test initiated", "none"), ("Battery OK", "passed"),
    ("", None), ("42", None),
])  # fmt: skip
def test_words_of_a_self_test(text, word):
    """ups.test.result is free text (RFC 9271, appendix A); these words are common practice, no source."""
    assert upsvalues.self_test(text) == word


# ---- self-test, calibration ----


@pytest.mark.parametrize("values", [by_server("OB TEST DISCHRG", charge=90), by_server("OB CAL", charge=90),
                                    by_agent("OB TEST", charge=90), by_mapping(status="test", charge=90)])  # fmt: skip
def test_a_self_test_is_no_loss_of_mains_however_long(values):
    """It outlasts the site's blip of 5 s by far; faults row 38."""
    day = fed(by_server("OL", charge=100))
    for _ in range(240):  # 20 minutes
        day.feed(Observed(day.now + 5, "one", "ups.one", dict(values)))
    assert day.messages() == []
    assert day.notes("outage") == []
    assert day.brain.farm.backups["one"].status == "on_line"
    assert "Tests its battery now; the mains is there" in seen(day)


def test_a_battery_that_is_low_in_a_test_is_told_all_the_same():
    day = fed(by_server("OB TEST", charge=90))
    for _ in range(6):
        day.feed(Observed(day.now + 5, "one", "ups.one", by_server("OB TEST LB", charge=90)))
    assert "low" in {a.rule.partition("_")[2] for a in day.brain.farm.book.standing()}
    assert day.brain.farm.backups["one"].status == "low"


def test_mains_that_goes_during_a_test_shows_by_the_unit_s_own_meter():
    day = fed(by_server("OB TEST", charge=90) | {"voltage_v": 231.0})
    assert day.brain.farm.backups["one"].status == "on_line"
    day.feed(Observed(day.now + 5, "one", "ups.one", by_server("OB TEST", charge=90) | {"voltage_v": 0.0}))
    assert day.brain.farm.backups["one"].status == "on_battery"


def test_a_calibration_teaches_health_like_any_discharge():
    day = shop(runtime_table=_table()[0].rows)
    charge = 1.0
    day.feed(Observed(T0, "one", "ups.one", by_server("OL", charge=100, load=33)))
    for _ in range(96):
        day.feed(Observed(day.now + 5, "one", "ups.one", by_server("OB CAL", charge=round(charge * 100), load=33)))
        charge -= _table()[0].rate(198.0) / 0.8 / 12
    day.feed(Observed(day.now + 5, "one", "ups.one", by_server("OL CHRG", charge=round(charge * 100), load=33)))
    care = day.brain.farm.care["one"]
    assert care.belief.discharges == 1
    assert care.seen[0][1] == pytest.approx(0.8, rel=0.1)


def _table():
    from farmwatch.power.battery import RuntimeTable

    return RuntimeTable(((100.0, 60.0), (200.0, 24.0), (300.0, 14.0))), "table"


def test_the_reported_self_test_counts_against_overdue():
    day = shop(self_test_days=30)
    old = by_agent("OL", test=1) | {"self_test_age_s": 40 * DAY_S}
    day.feed(Observed(T0, "one", "ups.one", old))
    day.brain.farm.care["one"].watched_s = T0 - 90 * DAY_S
    assert day.brain.farm.care["one"].untested_days(T0) == pytest.approx(40, abs=0.1)
    day.feed(Observed(T0 + 60, "one", "ups.one", by_agent("OL", test=1) | {"self_test_age_s": HOUR_S}))
    assert day.brain.farm.care["one"].untested_days(T0 + 60) is None
    day.feed(Observed(T0 + 65, "one", "ups.one", by_agent("OL TEST")))
    day.feed(Observed(T0 + 95, "one", "ups.one", by_agent("OL", test=1)))
    assert day.brain.farm.care["one"].tested_s == pytest.approx(T0 + 65, abs=HOUR_S)


# ---- what cannot be ----


@pytest.mark.parametrize("runtime", [0, -1, 999_999])
@pytest.mark.parametrize("way", ["server", "agent", "mapping"])
@pytest.mark.parametrize("status", ["OL", "OB"])
def test_a_runtime_that_cannot_be_is_not_known(runtime, way, status):
    """Never a promise of no time, of less than none, or of days: the person reads that it is not known."""
    values = {
        "server": lambda: by_server(status, charge=90, runtime=runtime),
        "agent": lambda: by_agent(status, charge=90, runtime=runtime),
        "mapping": lambda: by_mapping(status={"OL": "mains", "OB": "battery"}[status], charge=90, runtime_s=runtime),
    }[way]()
    day = fed(values)
    (view,) = [b for b in day.brain.view(day.now)["backups"] if b["name"] == "one"]
    assert view["runtime_s"] is None
    assert "runtime not known" in seen(day)
    assert not re.search(r"\b(0 s|0 min|-\d+ min|1[0-9]{2} h)\b", seen(day))


def test_with_a_table_our_own_figure_stands_instead():
    day = shop(runtime_table=_table()[0].rows)
    day.feed(Observed(T0, "one", "ups.one", by_server("OB", charge=100, runtime=-1, load=33)))
    assert "maker's table" in seen(day)
    assert "24 min" in seen(day)


@pytest.mark.parametrize("load", [101, 150, 200])
def test_a_load_above_the_rating_is_an_overload(load):
    day = fed(by_server("OL", charge=100, load=load), times=6)
    assert [a.subject for a in day.brain.farm.book.standing() if a.rule == "overload"] == ["one"]
    assert day.brain.view(day.now)["backups"][0]["load_w"] == pytest.approx(load * 6)
    assert re.search(r"load [\d.]+ k?W of 600 W", seen(day))


def test_a_load_that_cannot_be_is_not_known():
    day = fed(by_server("OL", charge=100, load=900))
    assert day.brain.view(day.now)["backups"][0]["load_w"] is None
    assert "load not known" in seen(day)


@pytest.mark.parametrize("values", [by_server("OL OB", charge=90), by_mapping(status="both", charge=90)])
def test_on_line_and_on_battery_at_once_is_on_battery(values):
    """Fail safe; RFC 9271 wants one of the two (section 4)."""
    day = fed(values)
    assert "on battery" in seen(day).casefold()
    assert day.brain.farm.backups["one"].status == "on_battery"


# ---- a charge that jumps ----


def track(*charges, step_s=5.0):
    it, shown = BackupTrack(BackupPlan("one")), []
    for turn, charge in enumerate(charges):
        it.observe({"status": "OB", "charge": charge}, T0 + turn * step_s)
        shown.append(it.number("charge"))
    return it, shown


def test_a_single_jump_up_promises_nothing():
    it, shown = track(0.50, 0.49, 1.00, 0.48, 0.47)
    assert shown == [0.50, 0.49, 0.49, 0.48, 0.47]
    assert it.doubted is None


def test_a_jump_down_counts_at_once_and_a_single_one_passes():
    _, shown = track(0.90, 0.89, 0.10, 0.88)
    assert shown == [0.90, 0.89, 0.10, 0.88]


def test_a_jump_that_stays_is_believed():
    it, shown = track(0.90, *[0.30] * BELIEVED, 0.30)
    assert shown[1:] == [0.30] * (BELIEVED + 1)
    assert it.doubted is None
    _, shown = track(0.30, *[0.95] * (BELIEVED + 1))
    assert shown == [0.30] * BELIEVED + [0.95, 0.95]


def test_a_charge_that_flickers_is_taken_as_the_lower():
    _, shown = track(*[0.90, 0.20] * 10)
    assert max(shown[2:]) <= 0.90
    assert shown[1::2] == [0.20] * 10


def test_slow_and_fast_real_changes_are_no_jumps():
    falling = [1.0 - 5 * turn / 180 for turn in range(30)]  # empty in three minutes
    _, shown = track(*falling)
    assert shown == pytest.approx(falling)
    _, shown = track(0.2, 0.9, step_s=7200)
    assert shown == [0.2, 0.9]


def test_the_person_sees_that_a_charge_has_jumped():
    day = fed(by_server("OL", charge=40))
    day.feed(Observed(T0 + 5, "one", "ups.one", by_server("OL", charge=100)))
    assert "Charge 40 %" in seen(day)
    assert "charge has jumped to 100 %" in seen(day)


# ---- very short discharges ----


def test_some_seconds_on_battery_say_nothing_of_wear():
    """Charge falls some percent as soon as load comes on; by that a good battery would be at 8 % of a new one."""
    day = shop(runtime_table=_table()[0].rows)
    for turn in range(4):
        start = T0 + turn * 600
        day.feed(Observed(start, "one", "ups.one", by_server("OL", charge=100, load=33)))
        for second in range(0, 60, 5):
            day.feed(Observed(start + 5 + second, "one", "ups.one", by_server("OB", charge=88, load=33)))
        day.feed(Observed(start + 70, "one", "ups.one", by_server("OL CHRG", charge=88, load=33)))
    assert day.brain.farm.care["one"].belief.discharges == 0
    assert day.brain.farm.care["one"].worn(day.now) is None
    assert not [a for a in day.brain.farm.book.standing() if a.rule in ("battery_worn", "runtime_promise")]
    assert "of a new one" not in seen(day)


def test_what_was_learned_is_shown_with_its_range():
    day = shop()
    care = day.brain.farm.care["one"]
    care.health = care.belief = care.belief.learn(0.7, 0.1)
    day.feed(Observed(T0, "one", "ups.one", by_server("OL", charge=100)))
    assert re.search(r"battery 7\d % of a new one \(6\d % to 8\d %\) by 1 discharges?", seen(day), re.IGNORECASE)


# ---- its own meter beside the sum ----


def test_its_own_meter_stands_beside_the_sum_of_what_hangs_on_it():
    day = shop(plugs=True)
    day.feed(Observed(T0, "one", "ups.one", by_server("OL", charge=100) | {"power_w": 240.0}))
    day.plug("avocet", 228.0, T0 + 1)
    (view,) = [b for b in day.brain.view(day.now)["backups"] if b["name"] == "one"]
    assert view["meter_minus_sum_w"] == pytest.approx(12.0)
    assert "Its meter shows +12 W beside the sum" in seen(day)
