"""Tariffs on the wall clock: days of 23 and 25 hours, periods past midnight, gaps, parts; the ledger."""

import random
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from farm import T0, Driver, plan
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.power.load import PowerSite, Supply
from farmwatch.power.tariff import (
    KEEP_DAYS,
    KEEP_MONTHS,
    Ledger,
    Tariff,
    day_bounds,
    local_day,
    minute_of,
    per_part,
    period_of,
)
from farmwatch.words.errors import ConfigError

LONDON = "Europe/London"
NIGHT = period_of("night", 0.10, [], "00:30", "07:30")
PEAK = period_of("peak", 0.45, ["mon", "tue", "wed", "thu", "fri"], "16:00", "19:00")


def tariff(*periods, zone=LONDON, standing=0.0):
    return Tariff(zone, 0.30, standing, "GBP", periods)


def by_the_second(chosen, wh, from_s, to_s, step=60):
    """The same cost by brute force, with zoneinfo's own reading of the wall clock at every step."""
    zone, total = ZoneInfo(chosen.timezone), 0.0
    count = int((to_s - from_s) / step)
    for index in range(count):
        local = datetime.fromtimestamp(from_s + (index + 0.5) * step, UTC).astimezone(zone)
        minute, weekday, price = local.hour * 60 + local.minute, local.weekday(), chosen.per_kwh
        for p in chosen.periods:
            late = p.from_min >= p.to_min
            inside = p.from_min <= minute < p.to_min if not late else minute >= p.from_min or minute < p.to_min
            begun = (weekday - 1) % 7 if late and minute < p.to_min and minute < p.from_min else weekday
            if inside and begun in p.days:
                price = p.per_kwh
                break
        total += wh / count / 1000 * price
    return total


def test_a_flat_tariff_is_arithmetic():
    """12 kWh in a day at 0.30 is 3.60, with 0.50 standing 4.10 (arithmetic)."""
    ledger = Ledger(LONDON, tariff(standing=0.5))
    start_s, end_s = day_bounds("2025-11-25", LONDON)
    assert ledger.book("knot", 12_000.0, start_s, end_s) == pytest.approx(3.60)
    assert ledger.days["2025-11-25"].cost["knot"] == pytest.approx(3.60)
    assert ledger.standing("2025-11-25", "2025-11-25") == 0.5


@pytest.mark.parametrize(("day", "hours"), [("2025-03-30", 23), ("2025-10-26", 25), ("2025-11-25", 24)])
def test_days_with_a_change_of_the_clock(day, hours):
    """2025-03-30 and 2025-10-26 are the days on which British clocks change (IANA time zone database)."""
    start_s, end_s = day_bounds(day, LONDON)
    assert (end_s - start_s) / 3600 == hours
    shares = tariff(NIGHT).shares(1000.0 * hours, start_s, end_s)
    assert [s.day for s in shares] == [day]
    night_h = 7 + hours - 24  # the hour skipped or repeated lies between 01:00 and 02:00, in the night rate
    assert shares[0].cost == pytest.approx(night_h * 0.10 + (hours - night_h) * 0.30)


@pytest.mark.parametrize(
    "zone", [LONDON, "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "America/St_Johns", "UTC"]
)
@pytest.mark.parametrize("month", [3, 4, 10, 11])
def test_cost_equals_brute_force_around_every_change_of_the_clock(zone, month):
    """Reference: zoneinfo asked at every minute; Lord Howe Island changes by half an hour."""
    late = period_of("late", 0.05, ["fri", "sat", "sun"], "22:00", "01:30")
    chosen = tariff(late, NIGHT, PEAK, zone=zone)
    for day in range(1, 31, 3):
        from_s = datetime(2025, month, day, 5, tzinfo=UTC).timestamp()
        assert sum(s.cost for s in chosen.shares(70_000, from_s, from_s + 3 * 86_400)) == pytest.approx(
            by_the_second(chosen, 70_000, from_s, from_s + 3 * 86_400, 300), rel=1e-6
        )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.floats(60, 2 * 86_400), st.floats(0, 5000))
def test_nothing_is_lost_and_nothing_counted_twice(from_s, span_s, wh):
    pieces = list(tariff(NIGHT, PEAK).pieces(float(from_s), from_s + span_s))
    assert pieces[0].from_s == from_s
    assert pieces[-1].to_s == from_s + span_s
    assert all(a.to_s == b.from_s for a, b in pairwise(pieces))
    shares = tariff(NIGHT, PEAK).shares(wh, float(from_s), from_s + span_s)
    assert sum(s.wh for s in shares) == pytest.approx(wh, abs=1e-6)
    assert sum(s.part for s in shares) == pytest.approx(1.0)
    assert all(local_day(p.from_s, LONDON) == p.day for p in pieces)


def test_the_ledger_is_bounded_and_forgets_the_oldest():
    ledger = Ledger("UTC", tariff(zone="UTC"))
    for day in range(800):
        ledger.book("knot", 100.0, T0 + 86_400 * day, T0 + 86_400 * day + 3600)
    assert len(ledger.days) == KEEP_DAYS
    assert len(ledger.months) == KEEP_MONTHS
    told = ledger.take_changed()
    assert {key for key, doc in told.items() if doc is not None} == set(ledger.days) | set(ledger.months)
    assert ledger.take_changed() == {}
    again = Ledger("UTC", None)
    again.restore({key: doc for key, doc in told.items() if doc is not None})
    assert again.days == ledger.days


def test_without_a_tariff_energy_is_known_and_cost_is_not():
    ledger = Ledger(LONDON, None)
    assert ledger.book("knot", 100.0, T0, T0 + 3600) is None
    assert ledger.days["2025-11-25"].wh == {"knot": 100.0}
    assert ledger.days["2025-11-25"].cost == {}
    assert ledger.standing("2025-11-25", "2025-11-25") is None


def test_parts_and_bad_words():
    assert per_part(1.20, 8) == pytest.approx(0.15)
    assert per_part(1.20, 0) is None
    for text in ("24:01", "7", "07:60", "aa:00", "7:5", ""):
        with pytest.raises(ConfigError, match="no time of day"):
            minute_of(text)
    with pytest.raises(ConfigError, match="no weekday"):
        period_of("x", 0.1, ["monday"], "00:00", "01:00")


def test_cost_of_day_and_build_in_the_brain_and_after_a_restart():
    """A machine at 180 W by its plug's counter; night rate until 07:30 (arithmetic), T0 is 08:00 in London."""
    rng = random.Random(1)
    base = plan(["ibis"], panels=False, ups=False)
    supply = Supply(tariff=tariff(NIGHT, standing=0.5))
    site = PowerSite(base.name, base.timezone, base.voltage_v, base.machines, base.backups, base.circuits,
                     sources=base.sources, people=base.people, supply=supply)  # fmt: skip
    day = Driver(site, T0 - 2 * 3600)  # 06:00

    def talk(d):
        watts = 180.0 + rng.choice((-60.0, 60.0))
        d.plug("ibis", watts, energy_wh=180.0 * (d.now - T0 + 7200) / 3600 + 5000)

    day.run(3 * 3600, 10.0, talk)
    view = day.brain.view(day.now)
    assert view["today"]["wh"] == view["energy_today_wh"] == pytest.approx(540, rel=0.01)
    # the night rate holds for 1.5 of the 3 hours; what is booked by the hour is spread over it
    assert view["today"]["cost"] == pytest.approx(0.27 * 0.10 + 0.27 * 0.30 + 0.5, abs=0.002)
    assert view["month"]["cost"] == pytest.approx(view["today"]["cost"])
    assert view["machines"][0]["energy_today_wh"] == pytest.approx(540, rel=0.01)
    lines = [n.doc for n in day.notes("energy")]
    assert sum(line["cost"] for line in lines) == pytest.approx(view["today"]["cost"] - 0.5, abs=1e-3)
    day.restart()
    again = day.brain.view(day.now)
    assert again["today"]["wh"] == pytest.approx(540, rel=0.01)
    assert again["today"]["cost"] == pytest.approx(view["today"]["cost"], abs=0.002)


def test_what_a_build_cost_and_the_day_are_kept_when_it_ends():
    """150 W from 06:10 to 06:40 at the night rate of 0.10 is 0.0075 (arithmetic); a crash after it loses nothing."""
    base = plan(["ibis"], ups=False)
    site = PowerSite(base.name, base.timezone, base.voltage_v, base.machines, base.backups, base.circuits,
                     sources=base.sources, people=base.people, supply=Supply(tariff=tariff(NIGHT)))  # fmt: skip
    day = Driver(site, T0 - 2 * 3600)

    def talk(state, watts):
        def each(d):
            d.panel("ibis", state=state)
            d.plug("ibis", watts)

        return each

    for state, watts, seconds in (("idle", 10, 600), ("printing", 150, 1800), ("done", 10, 10)):
        talk(state, watts)(day)
        day.run(seconds, 10, talk(state, watts))
    build = day.builds("ibis")[0]["id"]
    facts = {(kind, key): doc for kind, key, doc in day.facts()}
    assert facts["build_cost", build]["cost"] == pytest.approx(0.0075, rel=0.03)
    before = day.brain.view(day.now)["today"]
    day.restart()
    assert day.brain.view(day.now)["today"]["wh"] == pytest.approx(before["wh"], abs=0.5)
    assert day.brain.view(day.now)["today"]["cost"] == pytest.approx(before["cost"], abs=1e-4)
