"""Care for batteries: health from discharges, promises, replacement, tests, warmth."""

import math
import random

import pytest
from farm import T0, Driver, plan

from farmwatch.power.battery import Discharge, Health, RuntimeTable, learn_health
from farmwatch.power.care import DAY_S, LIFE_YEARS, YEAR_S, Care
from farmwatch.words.model import BackupPlan, Keep, Observed

TABLE = RuntimeTable(((50.0, 120.0), (100.0, 52.0), (200.0, 22.0), (300.0, 13.0), (600.0, 4.0)))


def care(**more):
    return Care(BackupPlan("two", rating_w=600, runtime_table=TABLE.rows, **more), (TABLE, "table"))


def discharge(it, at_s, *, health=1.0, load_w=200.0, minutes=10.0, promised_min=22.0, step_s=10.0, noise=None):
    """A real battery of this health is drained; the unit reports its charge to the percent."""
    it.observe(at_s - 5, status="on_line", symbols="OL", charge=1.0, load_w=load_w, promised_s=promised_min * 60)
    now, charge = at_s, 1.0
    while now <= at_s + minutes * 60:
        load = load_w if noise is None else noise(now)
        it.observe(
            now, status="on_battery", symbols="OB DISCHRG", charge=round(charge, 2), load_w=load,
            promised_s=promised_min * 60 * charge,
        )  # fmt: skip
        charge -= TABLE.rate(load) / health * step_s / 60
        now += step_s
    return it.observe(now, status="on_line", symbols="OL CHRG", charge=round(charge, 2), load_w=load_w)


@pytest.mark.parametrize("health", [0.5, 0.6, 0.8, 1.0])
def test_health_is_learned_from_what_discharges_show(health):
    it = care()
    assert it.belief.discharges == 0
    for k in range(3):
        assert discharge(it, T0 + k * 30 * DAY_S, health=health, minutes=8.0)
    assert it.belief.discharges == 3
    assert it.belief.factor == pytest.approx(health, rel=0.06)
    low, high = it.belief.interval()
    assert low < health < high
    assert it.seen[0][1] == pytest.approx(health, rel=0.05)


def test_a_varying_load_is_averaged_by_its_rate_of_depletion():
    """A square wave of 50 and 260 W: by mean watts a healthy battery would look worn."""
    it = care()
    discharge(it, T0, minutes=12.0, noise=lambda now: 260.0 if int(now / 60) % 2 else 50.0)
    assert it.seen[0][1] == pytest.approx(1.0, rel=0.06)


def test_a_shallow_one_or_one_that_was_hardly_seen_teaches_nothing():
    it = care()
    assert not discharge(it, T0, minutes=0.5)
    assert it.belief.discharges == 0
    it.observe(T0 + 1000, status="on_battery", charge=1.0, load_w=200.0)
    it.observe(T0 + 1600, status="on_battery", charge=0.5, load_w=200.0)  # ten minutes without a reading
    assert not it.observe(T0 + 1605, status="on_line", charge=0.5)
    assert it.belief.discharges == 0


def test_a_discharge_without_a_known_load_teaches_nothing():
    it = care()
    for second in range(0, 600, 10):
        it.observe(T0 + second, status="on_battery", charge=1.0 - second / 1200, load_w=None)
    assert not it.observe(T0 + 610, status="on_line", charge=0.5)
    assert it.belief.discharges == 0


def test_a_backup_that_goes_dark_at_the_end_has_taught_what_was_seen():
    it = care()
    now, charge = T0, 1.0
    while charge > 0.1:
        it.observe(now, status="on_battery", charge=round(charge, 2), load_w=200.0)
        charge -= TABLE.rate(200.0) / 0.7 / 6
        now += 10
    assert it.observe(now, status="unknown")
    assert it.seen[0][1] == pytest.approx(0.7, rel=0.05)


def test_the_learned_belief_is_that_of_learn_health():
    it = care()
    discharge(it, T0, health=0.7, minutes=8.0)
    depth = 1.0 - round(1.0 - 48 * TABLE.rate(200.0) / 0.7 / 6, 2)
    by_hand = learn_health(Health(), TABLE, Discharge(((8.0, 200.0),), 1.0, 1.0 - depth))
    assert it.belief.factor == pytest.approx(by_hand.factor, rel=0.02)
    assert it.belief.log_sd == pytest.approx(by_hand.log_sd, rel=0.1)


def test_lasting_disagreement_needs_two_deep_discharges():
    it = care()
    discharge(it, T0, health=0.6, promised_min=31.0, load_w=150.0)
    assert it.disagrees() is None
    discharge(it, T0 + 90 * DAY_S, health=0.6, promised_min=31.0, load_w=150.0)
    promised, shown = it.disagrees()
    assert promised == pytest.approx(31.0, rel=0.02)
    assert shown == pytest.approx(TABLE.runtime_min(150.0) * 0.6, rel=0.05)
    discharge(it, T0 + 91 * DAY_S, health=0.6, promised_min=19.0, load_w=150.0)
    assert it.disagrees() is None


def test_age_makes_it_less_sure_and_a_new_battery_begins_anew():
    it = care()
    discharge(it, T0, health=0.6)
    sure = it.belief.log_sd
    it.age(T0 + 730 * DAY_S)
    assert it.belief.factor == pytest.approx(it.health.factor)
    assert it.belief.log_sd == pytest.approx(math.hypot(sure, 0.10 * math.sqrt(2)), rel=0.01)
    fresh = care(battery_s=T0 + 800 * DAY_S)
    fresh.restore(it.as_dict(), T0 + 801 * DAY_S)
    assert fresh.belief.discharges == 0
    assert fresh.seen == fresh.promises == []


def test_replacement_by_usual_life_and_sooner_in_the_warmth():
    """Three to five years (common practice, no source); half of it with 10 °C more (Arrhenius' rule, from memory)."""
    it = care(battery_s=T0)
    found, basis = it.replace_by()
    assert (found.earliest_s, found.expected_s, found.latest_s) == tuple(T0 + y * YEAR_S for y in LIFE_YEARS)
    assert "usual life" in basis
    it.mean_c = 35.0
    warm, basis = it.replace_by()
    assert warm.expected_s - T0 == pytest.approx((found.expected_s - T0) / 2)
    assert "35 °C" in basis
    assert care().replace_by() is None


def test_replacement_by_the_trend_of_its_own_discharges():
    it = care(battery_s=T0 - 2 * YEAR_S)
    rng = random.Random(3)
    it.seen = [
        (T0 + month * 30 * DAY_S, math.exp(-0.01 * month) * math.exp(rng.gauss(0, 0.02)), 0.05) for month in range(12)
    ]
    found, basis = it.replace_by()
    truth = T0 + math.log(1 / 0.8) / 0.01 * 30 * DAY_S
    assert found.earliest_s < truth < found.latest_s
    assert "12 discharges" in basis


def test_when_a_battery_counts_as_worn():
    it = care(battery_s=T0 - 3 * YEAR_S)
    assert it.worn(T0) is None
    assert "usual life" in it.worn(T0 + 1.1 * YEAR_S)
    it.observe(T0, status="on_line", symbols="OL RB")  # RFC 9271, table 4: RB, replace battery
    assert "asks for a new battery" in it.worn(T0)
    it.observe(T0 + 5, status="on_line", symbols="OL")
    for k in range(3):
        discharge(it, T0 + (k + 1) * DAY_S, health=0.55, minutes=8.0)
    assert "of a new one" in it.worn(T0 + 4 * DAY_S)


def test_self_tests_and_real_discharges_count_as_tests():
    it = care(self_test_days=90)
    it.observe(T0, status="on_line", symbols="OL")
    assert it.untested_days(T0 + 89 * DAY_S) is None
    assert it.untested_days(T0 + 91 * DAY_S) == pytest.approx(91)
    it.observe(T0 + 91 * DAY_S, status="on_line", symbols="OL TEST")  # RFC 9271, table 4: TEST
    assert it.untested_days(T0 + 180 * DAY_S) is None
    assert it.untested_days(T0 + 182 * DAY_S) == pytest.approx(91)
    discharge(it, T0 + 182 * DAY_S)
    assert it.untested_days(T0 + 260 * DAY_S) is None
    assert care().untested_days(T0) is None, "not watched unless the owner says how often"


def test_warmth_has_a_deadband():
    it = care()
    states = []
    for battery_c in (25.0, 30.5, 29.0, 28.5, 27.9, 29.5):
        it.observe(T0, status="on_line", battery_c=battery_c)
        states.append(it.warm)
    assert states == [False, True, True, True, False, False]


def test_what_is_learned_survives():
    it = care(self_test_days=30)
    discharge(it, T0, health=0.7)
    again = care(self_test_days=30)
    again.restore(it.as_dict(), T0 + 600)
    assert again.as_dict() == it.as_dict()
    assert again.belief.factor == pytest.approx(it.belief.factor)


# ---- through the brain ------------------------------------------------------------------------------------------


def shop(**more):
    site = plan(["gannet"], plugs=False, panels=False)
    two = BackupPlan("two", "west", 600, 1000, runtime_table=TABLE.rows, **more)
    return site.__class__(**{f: getattr(site, f) for f in site.__slots__} | {"backups": site.backups | {"two": two}})


def drain(d, *, health, minutes=10, load_w=150.0, promised_min=31.0):
    def say(status, charge):
        values = {
            "status": status,
            "charge": round(charge, 2),
            "power_w": load_w,
            "runtime_s": promised_min * 60 * charge,
        }
        d.feed(Observed(d.now, "two", "ups.two", values))

    d.run(20, step=5.0, each=lambda d: say("OL", 1.0))  # full again: a charge that has jumped must be said thrice
    charge = 1.0

    def each(d):
        nonlocal charge
        say("OB DISCHRG", charge)
        charge -= TABLE.rate(load_w) / health / 12

    d.run(minutes * 60, step=5.0, each=each)
    d.run(60, step=5.0, each=lambda d: say("OL CHRG", charge))


def test_two_discharges_that_break_the_promise_are_told_in_the_digest():
    d = Driver(shop())
    drain(d, health=0.6)
    assert not [m for m in d.messages() if m.priority == "digest"]
    drain(d, health=0.6)
    (message,) = [m for m in d.messages() if "promised" in m.title]
    assert message.title == "Backup two: runtime not as promised"
    assert message.priority == "digest"
    assert any(m.title == "Backup two: battery due for replacement" for m in d.messages())
    shown = round(TABLE.runtime_min(150.0) * 0.6)
    assert f"It promises 31 min; its last two discharges say {shown} min" in message.text
    care_ = next(b["care"] for b in d.brain.view(d.now)["backups"] if b["name"] == "two")
    assert care_["health"] == pytest.approx(0.6, rel=0.08)
    assert care_["promised_min"] == pytest.approx(31.0, rel=0.02)


def test_runtimes_use_the_health_that_was_learned():
    d = Driver(shop())
    d.ups("two", "OL", charge=1.0)
    full = Observed(d.now, "two", "ups.two", {"status": "OL", "charge": 1.0, "power_w": 150.0})
    d.feed(full)
    before = d.brain.farm.runtime("two")
    drain(d, health=0.6)
    drain(d, health=0.6)
    for _ in range(3):
        d.feed(full._replace(at_s=d.now))
    after = d.brain.farm.runtime("two")
    assert after.p50_s == pytest.approx(TABLE.runtime_min(150.0) * 60 * 0.6, rel=0.08)
    assert after.p90_s / after.p10_s < before.p90_s / before.p10_s


def test_health_is_kept_and_restored():
    d = Driver(shop())
    drain(d, health=0.6)
    kept = [e for e in d.effects if isinstance(e, Keep) and e.kind == "health"]
    assert kept
    factor = d.brain.farm.care["two"].belief.factor
    d.restart()
    assert d.brain.farm.care["two"].belief.factor == pytest.approx(factor)
    assert d.brain.farm.care["two"].belief.discharges == 1


def test_overdue_tests_and_old_batteries_are_found_without_any_reading_but_status():
    d = Driver(shop(self_test_days=1, battery_s=T0 - 5 * YEAR_S))
    d.ups("two", "OL")
    d.run(2 * DAY_S, step=300.0, each=lambda d: d.ups("two", "OL"))
    titles = {m.title for m in d.messages() if m.priority == "digest"}
    assert titles >= {"Backup two: self-test overdue", "Backup two: battery due for replacement"}


def test_a_warm_battery_is_noted_after_an_hour():
    d = Driver(shop())

    def each(d):
        d.feed(Observed(d.now, "two", "ups.two", {"status": "OL", "charge": 1.0, "battery_c": 33.0}))

    d.run(3400, step=10.0, each=each)
    assert not [m for m in d.messages() if "warm" in m.title]
    d.run(4200, step=10.0, each=each)
    (message,) = [m for m in d.messages() if "warm" in m.title]
    assert message.priority == "digest"
    assert message.text.startswith("33 °C")


def test_the_owner_says_how_old_a_battery_is_and_how_often_it_is_to_be_tested(tmp_path):
    from datetime import UTC, datetime

    from farmwatch.settings import load

    file = tmp_path / "farmwatch.toml"
    file.write_text(
        '[backups.two]\nbattery_date = 2023-05-01\nself_test_days = 90\n[machines.gannet]\nbackup = "two"\n'
    )
    two = load(str(file), live=False).plan().backups["two"]
    assert datetime.fromtimestamp(two.battery_s, UTC).date().isoformat() == "2023-05-01"
    assert two.self_test_days == 90.0
