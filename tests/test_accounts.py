"""Energy and cost by day, month, machine, place and good part: through the brain, over gaps, resets and restarts."""

from dataclasses import replace

import pytest
from farm import PLUG, T0, Driver, plan

from farmwatch.power.load import PowerSite, Supply
from farmwatch.power.parts import PartsBook, per_job
from farmwatch.power.tariff import Tariff
from farmwatch.shop.usage import Rates, Run, cost_of
from farmwatch.web.energy_panels import energy_use
from farmwatch.words.model import JobPlan, LoadPlan, Observed, SourcePlan

HOUR = 3600.0


def works(zone="Europe/London", jobs=None, standing=0.1):
    """Two machines behind backup one, a plug before it, a dryer straight on circuit west, a meter on circuit west."""
    site = plan(["avocet", "bittern"])
    sources = dict(site.sources)
    for name in ("west", "strip", "dryer", "one"):
        sources[f"plug.{name}"] = SourcePlan(f"plug.{name}", name, "mqtt", f"plugs/{name}", 60.0, PLUG)
    fields = {f: getattr(site, f) for f in site.__slots__} | {
        "sources": sources, "loads": {"dryer": LoadPlan("dryer", circuit="west")}, "timezone": zone,
        "jobs": {n: JobPlan(n, p) for n, p in (jobs or {}).items()},
    }  # fmt: skip
    supply = Supply(
        plugs=("strip",), inside={"strip": "west", "one": "strip"},
        tariff=Tariff(zone, 0.30, standing_per_day=standing, currency="GBP"),
    )  # fmt: skip
    return PowerSite(supply=supply, **fields)


def meter(day, name, watts, **values):
    day.feed(Observed(day.now, name, f"plug.{name}", {"power_w": watts, **values}))


def steady(day, seconds, skip=()):
    """100 W each machine, 200 W dryer, 230 W before the backup, 430 W on the circuit."""
    draws = {"avocet": 100.0, "bittern": 100.0, "dryer": 200.0, "one": 205.0, "strip": 230.0, "west": 430.0}

    def each(d):
        for name, watts in draws.items():
            if name not in skip:
                meter(d, name, watts)

    day.run(seconds, 10.0, each)


def accounts(day):
    return day.brain.view(day.now)["accounts"]


def test_machines_and_loads_make_the_sum_and_places_stand_beside_it():
    day = Driver(works())
    steady(day, 2 * HOUR)
    today = accounts(day)["days"][0]
    assert today["by"] == pytest.approx({"avocet": 200.0, "bittern": 200.0, "dryer": 400.0}, rel=0.01)
    assert today["places"] == pytest.approx({"one": 410.0, "strip": 460.0, "west": 860.0}, rel=0.01)
    assert today["wh"] == pytest.approx(800.0, rel=0.01)
    assert today["cost"] == pytest.approx(0.30 * 0.8 + 0.10, rel=0.01)
    assert accounts(day)["months"][0]["wh"] == pytest.approx(today["wh"])
    assert day.brain.view(day.now)["energy_today_wh"] == pytest.approx(800.0, rel=0.01)


def test_a_gap_is_named_and_not_filled():
    day = Driver(works())
    steady(day, HOUR)
    steady(day, HOUR, skip=("dryer",))
    steady(day, HOUR)
    day.run(HOUR)  # the hour's booking
    today = accounts(day)["days"][0]
    assert today["by"]["dryer"] == pytest.approx(400.0, rel=0.02)
    assert today["unmeasured_s"] >= HOUR - 60.0
    assert "unmeasured" in energy_use(day.brain.view(day.now))


def test_a_counter_fills_the_gap_and_its_reset_takes_nothing_away():
    day = Driver(works())
    for minute in range(121):
        day.now = T0 + 60.0 * minute
        counter = 5000.0 + 3.0 * minute if minute <= 60 else 3.0 * (minute - 61)
        if not 20 < minute < 40:
            meter(day, "strip", 180.0, energy_wh=counter)
    found = accounts(day)["days"][0]["places"]["strip"]
    assert found == pytest.approx(360.0, abs=6.0)


@pytest.mark.parametrize(
    ("date", "hours", "start_s"),
    [("2025-03-30", 23.0, 1743292800.0), ("2025-10-26", 25.0, 1761433200.0), ("2025-11-25", 24.0, 1764028800.0)],
)
def test_a_day_on_which_the_clock_is_changed_has_its_own_length(date, hours, start_s):
    """London: 30 March 2025 has 23 hours, 26 October 25 (EU and UK rule: last Sundays, 01:00 UTC)."""
    day = Driver(works(standing=0.0), start=start_s)
    for _ in range(int(hours * 60) + 60):
        day.now += 60.0
        meter(day, "dryer", 200.0)
        day.advance(day.now)
    found = {row["key"]: row for row in accounts(day)["days"]}
    assert found[date]["hours"] == hours
    assert found[date]["wh"] == pytest.approx(200.0 * hours, rel=0.003)
    assert (f"({hours:g} h)" in energy_use(day.brain.view(day.now))) is (hours != 24.0)


def build(day, name, job, seconds, last="done", **more):
    for at in range(0, int(seconds), 20):
        share = at / seconds
        day.panel(name, state="printing", job=job, progress=share, remaining_s=seconds - at, bed_c=60.0, **more)
        meter(day, name, 120.0)
        day.now += 20.0
        day.advance(day.now)
    day.panel(name, state=last, job=job, progress=1.0, remaining_s=0.0, bed_c=60.0, **more)
    meter(day, name, 8.0)
    day.panel(name, state="idle", job=None, progress=None, remaining_s=None, bed_c=25.0)
    day.say("cleared", name)


def test_energy_and_cost_of_a_good_part():
    day = Driver(works(jobs={"latch": 8}))
    for name in ("avocet", "bittern"):
        day.panel(name, state="idle", bed_c=20.0)
        meter(day, name, 8.0)
    build(day, "avocet", "latch", HOUR)
    build(day, "avocet", "latch", HOUR / 2, last="failed")
    build(day, "bittern", "frame", HOUR, pieces=3.0)  # the machine says how many
    day.advance(day.now + 70.0)
    found = {row["job"]: row for row in accounts(day)["parts"]}
    latch, frame = found["latch"], found["frame"]
    assert (latch["builds"], latch["good_builds"], latch["pieces"]) == (2, 1, 8.0)
    assert latch["wh"] == pytest.approx(180.0, rel=0.03)
    assert latch["wh_each"] == pytest.approx(latch["wh"] / 8)
    assert latch["cost_each"] == pytest.approx(0.30 * latch["wh"] / 1000 / 8, rel=0.02)
    assert frame["pieces"] == 3.0
    assert frame["wh_each"] == pytest.approx(40.0, rel=0.03)
    before = accounts(day)["parts"]
    day.restart()
    for row, kept in zip(before, accounts(day)["parts"], strict=True):
        money = ("cost", "energy_cost", "cost_each")
        assert kept == row | {key: pytest.approx(row[key], abs=1e-5) for key in money}
    html = energy_use(day.brain.view(day.now))
    assert "Each good part" in html
    assert "2 builds, 1 good" in html


def test_what_a_person_says_of_its_end_afterwards_counts():
    day = Driver(works(jobs={"latch": 8}))
    day.panel("avocet", state="idle", bed_c=20.0)
    meter(day, "avocet", 8.0)
    for at in range(0, 3600, 20):
        day.panel("avocet", state="printing", job="latch", progress=at / 3600, remaining_s=3600.0 - at, bed_c=60.0)
        meter(day, "avocet", 120.0)
        day.now += 20.0
    day.panel("avocet", state="done", job="latch", progress=1.0, bed_c=60.0)
    day.advance(day.now + 61.0)
    assert accounts(day)["parts"][0]["good_builds"] == 1
    day.say("failed", "avocet")
    day.advance(day.now + 61.0)
    row = accounts(day)["parts"][0]
    assert (row["good_builds"], row["wh_each"]) == (0, None)


def run(job, result, pieces, wh, cost=None):
    return Run("avocet", job, result, 2.0, wh, None, None, pieces, cost)


def test_unknown_is_named_and_never_taken_as_nothing():
    free = Rates(None, 0.0)
    rows = per_job([run("latch", "done", None, 900.0), run("latch", "done", 8.0, None)], free)
    assert rows[0].pieces is None
    assert rows[0].wh_each is None
    assert rows[0].unknown == 1
    assert rows[0].cost is None
    assert rows[0].missing == {"energy": 2, "material": 2, "pieces": 1}
    assert per_job([run(None, "done", 1.0, 5.0, 1.0)], free) == []
    book = PartsBook({"latch": 4.0})
    none = lambda _build: (None, None)  # noqa: E731
    book.add("a", run("latch", "done", None, 100.0, 0.5))
    assert book.table(none, free)[0].wh_each == 25.0
    book.add("a", run("latch", "failed", None, 100.0, 0.5))
    assert book.table(none, free)[0].wh_each is None
    book.drop("a")
    assert book.table(none, free) == []


def test_a_part_costs_the_same_on_the_page_and_in_the_report():
    """By hand: 1.2 kWh at 0.30, 150 g at 0.02, 4 h at 0.10, of 8 good parts: (0.36 + 3.00 + 0.40) / 8 = 0.47."""
    rates, used = Rates(0.30, 0.10), {"a": (110.0, 2.2), "b": (40.0, 0.8)}
    book = PartsBook({"latch": 8.0})
    book.add("a", run("latch", "done", None, 900.0))
    book.add("b", run("latch", "failed", None, 300.0))
    (row,) = book.table(used.__getitem__, rates)
    assert (row.energy, row.material, row.machine) == pytest.approx((0.36, 3.0, 0.4))
    assert row.cost_each == pytest.approx(0.47)
    same = [Run("avocet", "latch", "done", 2.0, 900.0, 110.0, 2.2, 8.0),
            Run("avocet", "latch", "failed", 2.0, 300.0, 40.0, 0.8, None)]  # fmt: skip
    assert cost_of(same, rates).each == row.cost_each


def test_nothing_measured_says_so():
    day = Driver(replace(works(), sources={}))
    day.advance(T0 + 60.0)
    assert "No energy has been measured yet" in energy_use(day.brain.view(day.now))
