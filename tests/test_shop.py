"""The shop's desk in the brain: spools and their use, damp spools, service, pieces; commands and restarts."""

import pytest
from farm import T0, Driver, plan

from farmwatch.brain import Brain
from farmwatch.machines.builds import Build
from farmwatch.shop.spools import Stockroom, table_of
from farmwatch.shop.upkeep import Upkeep
from farmwatch.words.errors import Refused
from farmwatch.words.model import JobPlan, Keep, Note, Observed, Said
from farmwatch.words.shop_plan import IntervalPlan, MaterialPlan, ShopPlan, SpoolPlan

HOUR_S = 3600.0
SPOOLS = {
    "black-1": SpoolPlan("black-1", "PLA", left_g=500.0, machine="avocet", price=20.0, opened_s=T0 - 9e5),
    "clear-1": SpoolPlan("clear-1", "PETG", machine=None, price=22.0),
}
JOBS = {"latch": JobPlan("latch", 4.0, 100.0)}


def shop(*names, spools=SPOOLS, jobs=JOBS, more=None, **keys):
    site = plan(list(names or ("avocet", "bittern")), plugs=False, ups=False, jobs=jobs,
                shop=ShopPlan(spools=spools, **keys), **(more or {}))  # fmt: skip
    return Driver(site)


def build(d, name="avocet", job="latch", minutes=60.0, end="done", **values):
    """One build by its panel, from heating to its end."""
    d.panel(name, state="idle", bed_c=20.0)
    d.panel(name, d.now + 10, state="heating", job=job)
    for step in range(round(minutes * 2)):
        share = (0.5 if end != "done" else 1.0) * step / (minutes * 2)
        d.panel(name, d.now + 30, state="printing", job=job, progress=share, **values)
    d.panel(name, d.now + 30, state=end, job=job, progress=1.0 if end == "done" else 0.5, bed_c=60.0)


def uses(d):
    return [e.doc for e in d.effects if isinstance(e, Note) and e.kind == "use"]


def alarms(d, rule):
    return {a.subject for a in d.brain.farm.book.alarms.values() if a.rule == rule and a.true}


def spool(d, name="black-1"):
    return d.brain.farm.shop.stock.spools[name]


@pytest.mark.parametrize(
    ("values", "grams", "basis"),
    [
        ({"filament_g": 91.0}, 91.0, "weight as reported"),
        # 1.75 mm is 2.405 cm3 a metre (fabbaloo.com), PLA 1.24 g/cm3 (3dinnovationhub): 2.9825 g/m
        ({"filament_mm": 20_000.0}, 59.65, "length as reported"),
        ({}, 100.0, "the job's grams"),
    ],
)
def test_a_build_takes_what_it_reports_else_its_jobs_grams(values, grams, basis):
    d = shop()
    build(d, **values)
    doc = uses(d)[-1]
    assert (doc["grams"], doc["basis"], doc["spool"]) == (pytest.approx(grams, abs=0.01), basis, "black-1")
    assert spool(d).left_g == pytest.approx(500.0 - grams, abs=0.01)
    assert doc["material_cost"] == pytest.approx(grams * 0.02, abs=1e-3)
    assert doc["pieces"] == 4.0


def test_a_failed_build_takes_its_share_and_an_unknown_one_is_counted():
    d = shop()
    build(d, end="failed")
    assert spool(d).left_g == pytest.approx(450.0, abs=0.5)
    build(d, job="never seen")
    assert spool(d).left_g == pytest.approx(450.0, abs=0.5)
    assert spool(d).unknown_builds == 1
    assert uses(d)[-1]["grams"] is None
    d.say("spool_weighed", spool="black-1", grams=333.0)
    assert (spool(d).left_g, spool(d).unknown_builds) == (333.0, 0)


def test_a_counter_that_goes_back_to_zero_with_the_end_is_not_believed():
    d = shop()
    d.panel("avocet", state="idle")
    d.panel("avocet", d.now + 10, state="printing", job="latch", filament_g=80.0)  # still the last build's
    d.panel("avocet", d.now + 10, state="printing", filament_g=0.0)
    d.panel("avocet", d.now + 900, state="printing", filament_g=42.0, progress=0.9)
    d.panel("avocet", d.now + 900, state="done", filament_g=0.0, progress=1.0)
    assert uses(d)[-1]["grams"] == 42.0


def test_said_afterwards_it_takes_nothing_twice():
    d = shop()
    build(d)
    d.say("failed", "avocet")
    assert spool(d).left_g == pytest.approx(400.0)
    assert [doc["result"] for doc in uses(d)] == ["done", "failed"]
    life = d.brain.farm.shop.upkeep.lives["avocet"]
    assert (life.builds, life.failures) == (1, 1)
    d.say("pieces", "avocet", pieces=0)
    assert uses(d)[-1]["pieces"] == 0.0


def test_filament_that_does_not_suffice_is_told():
    d = shop(spools={"end": SpoolPlan("end", "PLA", left_g=60.0, machine="avocet")})
    d.panel("avocet", state="idle")
    d.panel("avocet", d.now + 10, state="printing", job="latch", progress=0.0)
    d.run(120, step=60.0)
    assert alarms(d, "filament_low") == {"avocet"}
    d.say("spool_added", "bittern", spool="new one", material="PLA", grams=1000)
    d.say("spool_stored", spool="new one")
    d.say("spool_loaded", "avocet", spool="new one")
    assert alarms(d, "filament_low") == set()
    assert spool(d, "end").machine is None


REFUSED = [
    ("spool_added", None, {"spool": "x", "material": "PLA", "grams": -5}, "grams must be above 0"),
    ("spool_added", None, {"spool": "x", "material": "PLA", "grams": "many"}, "grams must be a number"),
    ("spool_added", None, {"spool": "x", "material": "PLA"}, "how many grams"),
    ("spool_added", None, {"spool": "x", "material": "wood", "grams": 5}, "unknown material 'wood'"),
    ("spool_added", None, {"spool": "a/b", "material": "PLA", "grams": 5}, "no usable name"),
    ("spool_added", None, {"spool": "black-1", "material": "PLA", "grams": 5}, "there is a spool 'black-1' already"),
    ("spool_weighed", None, {"spool": "nix", "grams": 5}, "no spool 'nix'"),
    ("spool_weighed", None, {"spool": "black-1", "grams": -1}, "grams must be from 0"),
    ("spool_weighed", None, {"spool": "black-1", "gross_g": 700}, "empty reel is not known"),
    ("spool_loaded", "bittern", {"spool": "black-1"}, "black-1 hangs on avocet"),
    ("spool_loaded", "nobody", {"spool": "clear-1"}, "no machine 'nobody'"),
    ("serviced", "avocet", {"part": "wing"}, "no part 'wing'"),
    ("serviced", "avocet", {}, "which part"),
    ("noted", "avocet", {}, "what is to be noted"),
    ("pieces", "avocet", {"pieces": 3}, "no build that is over"),
    ("trial_over", "avocet", {}, "runs no trials"),
]


@pytest.mark.parametrize(("command", "machine", "fields", "words"), REFUSED)
def test_bad_input_is_refused_with_the_reason_and_changes_nothing(command, machine, fields, words):
    d = shop()
    before = dict(d.brain.farm.shop.stock.spools)
    with pytest.raises(Refused, match=words):
        d.say(command, machine, **fields)
    assert d.brain.farm.shop.stock.spools == before


def test_a_damp_spool_asks_to_be_dried_and_a_dried_one_does_not():
    nylon = {"pa-1": SpoolPlan("pa-1", "PA12", machine="avocet", opened_s=T0)}
    d = shop(spools=nylon, materials={"PA12": MaterialPlan(dry_after_h=2.0)}, more={"sensors": ("shed",)})
    for hour in range(4):
        d.feed(Observed(T0 + hour * HOUR_S, "shed", "shed.air", {"air_c": 21.0, "humidity": 0.55}))
        d.advance(T0 + (hour + 1) * HOUR_S - 1)
        assert alarms(d, "spool_damp") == ({"pa-1"} if hour >= 2 else set()), hour
    d.say("spool_dried", spool="pa-1")
    assert alarms(d, "spool_damp") == set()


def test_in_its_box_a_spool_takes_up_nothing():
    boxed = {"pa-1": SpoolPlan("pa-1", "PA12", opened_s=T0)}
    d = shop(spools=boxed, materials={"PA12": MaterialPlan(dry_after_h=2.0)}, more={"sensors": ("shed",)})
    for hour in range(4):
        d.feed(Observed(T0 + hour * HOUR_S, "shed", "shed.air", {"air_c": 21.0, "humidity": 0.55}))
        d.advance(T0 + (hour + 1) * HOUR_S - 1)
    assert alarms(d, "spool_damp") == set()


def test_service_is_due_by_hours_or_builds_and_done_by_word():
    d = shop(service={"nozzle": IntervalPlan(hours=1.5), "fans": IntervalPlan()},
             service_of={"bittern": {"nozzle": IntervalPlan(builds=1)}})  # fmt: skip
    build(d)
    build(d, "bittern", minutes=10.0)
    d.advance(d.now + HOUR_S)
    assert alarms(d, "service_due") == {"bittern"}
    build(d)
    d.advance(d.now + HOUR_S)
    assert alarms(d, "service_due") == {"avocet", "bittern"}
    upkeep = d.brain.farm.shop.upkeep
    assert upkeep.wear("avocet", "nozzle").hours == pytest.approx(2.0, abs=0.05)
    assert (upkeep.lives["avocet"].heatings, upkeep.lives["avocet"].builds) == (2, 2)
    assert "fans" not in upkeep.intervals["avocet"]
    d.say("serviced", "avocet", part="nozzle", note="0.4 mm, hardened")
    assert alarms(d, "service_due") == {"bittern"}
    assert upkeep.lives["avocet"].notes[-1]["note"] == "0.4 mm, hardened"


def test_due_as_a_date_from_the_machines_own_pace():
    upkeep = Upkeep(ShopPlan(service={"nozzle": IntervalPlan(hours=100.0)}), ["avocet"])
    upkeep.moved("avocet", "idle", T0)
    assert upkeep.parts("avocet", T0)[0].due.at_s is None, "no pace yet"
    for day in range(10):  # an hour a day
        upkeep.moved("avocet", "heating", T0 + day * 86_400)
        upkeep.moved("avocet", "printing", T0 + day * 86_400 + 600)
        upkeep.moved("avocet", "cooling", T0 + day * 86_400 + 3600)
    now_s = T0 + 10 * 86_400
    row = next(r for r in upkeep.parts("avocet", now_s) if r.part == "nozzle")
    assert (row.wear.hours, row.wear.heatings) == (pytest.approx(10.0), 10)
    assert row.due.at_s == pytest.approx(now_s + 90 * 86_400)
    assert upkeep.mtbf("avocet").low_h == pytest.approx(10.0 / 2.9957, rel=1e-3)  # rule of three, no failure


def test_stock_at_its_reorder_point_is_told():
    d = shop(spools={"a": SpoolPlan("a", "PLA", left_g=1000.0, machine="avocet")}, lead_days=3.0, lead_sd_days=0.0)
    desk, effects = d.brain.farm.shop, []
    for day in range(8):
        over = Build(f"b{day}", "avocet", T0 - day * 86_400 - 7200, "latch", "PLA", ended_s=T0 - day * 86_400 - 3600,
                     result="done", filament_g=100.0)  # fmt: skip
        desk.built(over, T0, effects)
    demand, point, lasts = desk.order("PLA", T0)
    assert (demand.mean_g, point.point_g) == (pytest.approx(100.0), pytest.approx(300.0)), "seven whole days"
    assert lasts.days == pytest.approx(2.0)
    assert lasts.order_by_s == T0, "past its point: today"
    d.panel("avocet", T0, state="idle")
    d.advance(T0 + HOUR_S)
    assert alarms(d, "stock_low") == {"PLA"}
    d.say("spool_added", spool="b", material="PLA", grams=1000)
    d.advance(T0 + 2 * HOUR_S)
    assert alarms(d, "stock_low") == set()


def test_all_of_it_is_there_after_a_restart():
    d = shop(more={"sensors": ("shed",)})
    d.feed(Observed(T0, "shed", "shed.air", {"air_c": 21.0, "humidity": 0.7}))
    build(d)
    d.say("trial", "avocet")
    d.say("noted", "avocet", note="belt hums")
    d.advance(d.now + HOUR_S)
    facts = {}
    for effect in d.effects:
        if isinstance(effect, Keep):
            facts[effect.kind, effect.key] = effect.doc
    again = Brain(d.site)
    again.restore([(kind, key, doc) for (kind, key), doc in facts.items() if doc is not None], d.now)
    old, new = d.brain.farm.shop, again.farm.shop
    assert new.stock.spools == {**old.stock.spools}
    assert new.stock.uses == old.stock.uses
    assert new.upkeep.lives == old.upkeep.lives
    assert new.trials == old.trials == {"avocet": pytest.approx(d.now - HOUR_S)}
    assert new.exposures.of["black-1"].humid_s > 3000


def test_the_owners_figures_stand_above_the_usual_ones():
    table = table_of({"PLA": MaterialPlan(dry_c=50.0), "WOOD": MaterialPlan(density_g_cm3=1.15)})
    assert (table["PLA"].dry_c, table["PLA"].density_g_cm3, table["WOOD"].density_g_cm3) == (50.0, 1.24, 1.15)
    room = Stockroom(ShopPlan(materials={"WOOD": MaterialPlan(density_g_cm3=1.15)}), {}, ["avocet"])
    spool = room.said(Said(T0, "spool_added", None, "ann", {"spool": "w", "material": "wood", "grams": 750}), [])
    assert (spool.left_g, room.key_of("Wood light")) == (750.0, "WOOD")
