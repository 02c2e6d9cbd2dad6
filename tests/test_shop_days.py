"""The shop from day to day: the daily report, closed hours, clear machines in rounds, faults, the next spool."""

import math
import random
import zoneinfo
from datetime import datetime

import pytest
from test_shop import build as built
from test_shop import shop as stocked
from test_trips import ask, printing, shop, waiting
from test_workdesk import JOBS, tell, works

from farmwatch.alarms.box import Box
from farmwatch.alarms.budget import Bucket
from farmwatch.alarms.daily import Standing, Tally, report
from farmwatch.alarms.hours import parse, spans
from farmwatch.power.tariff import day_bounds
from farmwatch.shop import yields
from farmwatch.shop.show import shop_view
from farmwatch.shop.usage import STATES, Rates
from farmwatch.words.model import JobPlan, Message, Note, PersonPlan

LONDON = zoneinfo.ZoneInfo("Europe/London")



def states(rng, from_s, to_s, *names):
    """State notes of a made-up time."""
    notes = []
    for name in names:
        at_s = from_s + rng.uniform(0, 3600)
        while at_s < to_s:
            state = rng.choice(["printing", "waiting", "idle", "off", "fault", "out_of_service", "unknown", "paused"])
            notes.append(Note(at_s, "state", {"machine": name, "state": state}))
            at_s += rng.uniform(60, 30_000)
    return sorted(notes, key=lambda note: note.at_s)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-28", 24), ("2026-03-29", 23), ("2026-10-25", 25)])
def test_the_six_states_and_what_nobody_saw_sum_to_the_calendar(day, hours):
    # Clocks in London go forward on 29 March and back on 25 October 2026 (tz database).
    first_s, next_s = day_bounds(day, "Europe/London")
    notes = states(random.Random(day), first_s - 40_000, next_s + 9_000, "avocet", "bittern")
    notes.append(Note(first_s + 7_000, "awoke", {"dark_since": first_s + 3_000}))
    notes.append(Note(first_s + 9_000, "said", {"machine": "avocet", "command": "trial"}))
    notes.append(Note(first_s + 19_000, "said", {"machine": "avocet", "command": "trial_over"}))
    notes.sort(key=lambda note: note.at_s)
    closed = (parse("00:00-01:30"), parse("22:00-24:00"), parse("01:15-02:30"))

    docs = [{"kind": note.kind, "at_s": note.at_s, **note.doc} for note in notes]
    records = yields.records_of(docs, ["avocet", "bittern"], next_s)
    records.closed = spans(closed, first_s, next_s, "Europe/London")
    rows = yields.reckon(records, "machine", first_s, next_s, Rates(None, 0.0), "Europe/London")
    for row in rows:
        assert math.fsum(row.times.seconds.values()) == pytest.approx(hours * 3600, abs=1e-6)
        assert row.times.seconds["unseen"] >= 4_000 - 1e-6
    assert rows[0].times.seconds["engineering"] > 0
    assert rows[0].times.seconds["nonscheduled"] > 0

    tally = Tally("Europe/London", closed)
    for note in notes:
        tally.take([note])
    tally.catch_up(next_s + 9_000)
    own = tally.days[day].times().seconds
    for name in (*STATES, "unseen"):  # what the tally never heard of a machine it does not count at all
        both = sum(row.times.seconds[name] for row in rows)
        assert own[name] == pytest.approx(both, abs=1e-3) or name == "unseen", name


def test_closed_hours_make_standing_still_nonscheduled_and_building_stays_productive():
    first_s, next_s = day_bounds("2026-05-31", "Europe/London")  # a Sunday
    docs = [{"kind": "state", "at_s": first_s, "machine": "avocet", "state": "printing"},
            {"kind": "state", "at_s": first_s + 6 * 3600, "machine": "avocet", "state": "waiting"}]  # fmt: skip
    records = yields.records_of(docs, ["avocet"], next_s)
    open_ = yields.total(records, first_s, next_s, Rates(None, 0.0)).times
    assert open_.seconds["standby"] == 18 * 3600
    records.closed = spans((parse("sun 00:00-24:00"),), first_s, next_s, "Europe/London")
    shut = yields.total(records, first_s, next_s, Rates(None, 0.0)).times
    assert (shut.seconds["productive"], shut.seconds["nonscheduled"], shut.waiting_s) == (6 * 3600, 18 * 3600, 0)


def test_the_daily_report_says_what_the_day_gave():
    day_s = datetime(2026, 5, 12, tzinfo=LONDON).timestamp()
    tally, effects = Tally("Europe/London"), []
    use = {"machine": "avocet", "job": "latch", "material": "PLA", "started": day_s + 3600, "grams": 100.0,
           "material_cost": 2.0, "energy_wh": 1000.0, "energy_cost": 0.3, "usual_pieces": 8.0}  # fmt: skip
    for note in (
        Note(day_s, "state", {"machine": "avocet", "state": "printing"}),
        Note(day_s + 43_200, "state", {"machine": "avocet", "state": "waiting"}),
        Note(day_s + 43_200, "use", use | {"build": "a", "ended": day_s + 43_200, "result": "done", "pieces": 8.0}),
        Note(day_s + 50_000, "use", use | {"build": "b", "ended": day_s + 50_000, "result": "failed", "pieces": None}),
        Note(day_s + 64_800, "state", {"machine": "avocet", "state": "idle"}),
    ):
        effects = [note]
        tally.take(effects)
    kept = {}
    again = Tally("Europe/London")
    for effect in tally_facts(tally):
        kept.setdefault(effect[0], {})[effect[1]] = effect[2]
    again.restore(kept)
    now_s = (datetime(2026, 5, 13, 7, 30, tzinfo=LONDON)).timestamp()
    found = Standing(energy_wh=5_000.0, currency="EUR", round="Go at 18:10: 7 beds; at 18:00 only 5.")
    for one in (tally, again):
        letter = report(one, Box(PersonPlan("ann", ("phone",)), Bucket(5.0)), found, now_s, "Europe/London")
        # 2 x (2.00 + 0.30) over 8 good parts = 0.575; twelve of 24 h at work, the bed waited six
        assert "8 good parts, 0.57 EUR each." in letter.text or "8 good parts, 0.58 EUR each." in letter.text
        assert "Machines built 50 % of the time, beds waited 6 h." in letter.text
        assert "Go at 18:10: 7 beds; at 18:00 only 5." in letter.text
        assert len(letter.title) + 1 + len(letter.text) <= 240


def tally_facts(tally):
    from dataclasses import asdict

    for day, found in tally.days.items():
        yield "tally", day, asdict(found)
    for build_, doc in tally.uses.items():
        yield "tally_use", build_, doc
    yield "tally_now", "all", {name: list(now) for name, now in tally._now.items()}


def test_a_clear_machine_loses_minutes_until_somebody_loads_it():
    d = shop("avocet", "bittern", rounds=("09:00-12:00",))
    printing(d, "avocet", 60)
    d.panel("bittern", state="idle", bed_c=20.0)
    d.run(60, 10, lambda x: (x.panel("avocet", state="printing"), x.panel("bittern", state="idle")))
    found = ask(d)
    assert found.question.free == ("bittern",)
    view = d.brain.view(d.now)["trips"]
    assert "1 free machine to load" in view["text"]
    assert view["free"] == ["bittern"]
    assert {row["machine"] for row in view["sheet"]} == {"avocet", "bittern"}
    assert all("bittern" not in visit["beds"] for visit in view["visits"])
    # nobody comes: the clear machine loses the whole horizon, the other what is left of it after its end
    hours = view["unvisited_min"] / 60
    assert 24 + 22 <= hours <= 24 + 24
    object.__setattr__(d.site, "work_waits", False)
    assert ask(d).question.free == (), "where no work waits a machine at rest loses nothing"


def test_with_a_work_list_only_machines_that_get_something_wait():
    d = works("avocet", "bittern")
    for name in ("avocet", "bittern"):
        d.panel(name, state="idle", bed_c=20.0)
    tell(d, "wanted", job="cradle", pieces=2.0)  # one build: one machine
    assert len(ask(d).question.free) == 1
    tell(d, "wanted", job="cradle", pieces=0.0)


def test_requests_for_beds_say_when_to_go():
    d = shop("avocet", "bittern", rounds=("09:00-12:00",))
    printing(d, "bittern", 130)
    waiting(d, "avocet")
    d.run(120, 10, lambda x: x.panel("bittern", state="printing"))
    ask(d)
    line = d.brain.farm.rounds.line(d.now)
    assert line.startswith("Go ")
    see = lambda x: (x.panel("bittern", state="printing"), x.panel("avocet", state="idle", bed_c=24.0), ask(x))  # noqa: E731
    d.run(3900, 60, see)
    texts = [e.text for e in d.effects if isinstance(e, Message) and e.step == "again"]
    assert texts
    assert any("Go " in text for text in texts)


def test_faults_that_a_machine_reports_count_and_a_build_that_one_ended_counts_once():
    d = stocked()
    built(d, minutes=10.0)
    life = d.brain.farm.shop.upkeep.lives["avocet"]
    assert (life.failures, life.faults) == (0, 0)
    d.panel("avocet", state="fault")
    d.panel("avocet", state="fault")
    d.panel("avocet", state="idle")
    assert (life.failures, life.faults) == (0, 1)
    d.restart()
    d.panel("avocet", state="printing", job="hinge", progress=0.2, remaining_s=600.0)
    d.run(60, 10, lambda x: x.panel("avocet", state="printing"))
    d.panel("avocet", state="fault")
    d.run(60, 10, lambda x: x.panel("avocet", state="fault"))
    d.say("failed", "avocet")
    d.advance(d.now + 120)
    life = d.brain.farm.shop.upkeep.lives["avocet"]
    assert life.faults == 2
    assert life.failures == 0, "the fault ended it: one failure, not two"
    row = next(row for row in shop_view(d.brain.farm, d.now)["failures"] if row["machine"] == "avocet")
    assert row["faults"] == 2


def test_the_spool_is_held_against_the_work_lists_next_job():
    jobs = dict(JOBS) | {"cradle": JobPlan("cradle", 2.0, grams=450.0, hours=9.0, material="PLA")}
    d = stocked(jobs=jobs)
    d.panel("avocet", state="idle", bed_c=20.0)
    d.say("load_next", "avocet", job="hinge")
    d.say("load_next", "avocet", job="cradle")
    d.say("spool_weighed", spool="black-1", grams=300)
    d.advance(d.now + 120)
    (alarm,) = [a for a in d.brain.view(d.now)["alarms"] if a["rule"] == "filament_low"]
    assert "450 g needed" in alarm["text"]
    assert "Next on it: cradle." in alarm["text"]
    d.say("spool_weighed", spool="black-1", grams=900)
    d.advance(d.now + 120)
    assert not [a for a in d.brain.view(d.now)["alarms"] if a["rule"] == "filament_low"]


