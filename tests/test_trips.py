"""Rounds, live: windows on the wall's clock, the next round of a running shop, the log, keys, the sheet."""

import zoneinfo
from datetime import UTC, datetime

import farm
import pytest

from farmwatch.alarms.hours import parse, spans
from farmwatch.power.questions import answer
from farmwatch.settings import load
from farmwatch.shop.visits import RoundAnswer, bed_of
from farmwatch.words.errors import ConfigError, Refused
from farmwatch.words.model import JobPlan, PersonPlan, Work, Worked
from farmwatch.words.rounds import RoundsPlan

T0 = farm.T0


def shop(*names, rounds=("mon-sun 09:00-12:00",), **more):
    site = farm.plan(list(names), plugs=False, ups=False, people=())
    site.people["ann"] = PersonPlan("ann", ("phone",), rounds=tuple(parse(text) for text in rounds))
    for key, value in more.items():
        object.__setattr__(site, key, value)
    return farm.Driver(site)


def ask(d):
    """Have the desk ask, and answer it as the daemon would."""
    effects = []
    d.brain.farm.rounds.ask(d.now, effects)
    (work,) = (e for e in effects if isinstance(e, Work))
    d.feed(Worked(d.now, work.id, answer(work)))
    return d.brain.farm.rounds.found


def printing(d, name, remaining_min, progress=0.5):
    d.panel(name, state="printing", job="hinge", progress=progress, remaining_s=remaining_min * 60.0)


def waiting(d, name):
    d.panel(name, state="printing", job="hinge", progress=0.99, remaining_s=20.0, bed_c=60.0)
    d.run(30, 10)
    d.panel(name, state="idle", bed_c=24.0)
    d.run(150, 10, lambda x: x.panel(name, state="idle", bed_c=24.0))
    assert d.machine(name).state == "waiting"


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-28", 2.0), ("2026-03-29", 1.0), ("2026-10-25", 3.0)], ids=["usual", "spring", "autumn"]
)
def test_windows_are_the_walls(day, hours):
    # The clock of Berlin jumps from 2 to 3 in March and comes twice from 2 to 3 in October (tz database).
    start = datetime.fromisoformat(day).replace(tzinfo=zoneinfo.ZoneInfo("Europe/Berlin")).timestamp()
    (found,) = spans((parse("01:30-03:30"),), start, start + 20 * 3600, "Europe/Berlin")
    assert (found[1] - found[0]) / 3600 == hours


def test_two_peoples_windows_are_joined_and_cut():
    start = datetime(2026, 1, 5, 8, 0, tzinfo=UTC).timestamp()  # a Monday
    hours = (parse("mon 07:00-09:00"), parse("mon-fri 08:30-10:00"), parse("tue 06:00-06:30"), parse("sun 10:00-11:00"))
    found = spans(hours, start, start + 22.25 * 3600, "UTC")
    assert [((a - start) / 3600, (b - start) / 3600) for a, b in found] == [(0, 2), (22, 22.25)]


def test_the_next_round_of_a_running_shop():
    d = shop("avocet", "bittern", "curlew", rounds=("09:00-12:00",))
    printing(d, "avocet", 60)
    printing(d, "bittern", 75)
    d.run(60, 10, lambda x: x.panel("avocet", state="printing") and x.panel("bittern", state="printing"))
    found = ask(d)
    assert isinstance(found, RoundAnswer)
    (first_s, *_rest) = found.plan.visits_s
    beds = {b.name: b for b in found.question.beds}
    assert set(beds) == {"avocet", "bittern"}
    assert first_s >= max(T0 + 3600, beds["avocet"].p50_s)
    view = d.brain.view(d.now)["trips"]
    assert view["text"].startswith("Go at ")
    assert "2 beds" in view["text"]
    assert view["idle_min"] <= min(idle for _, idle in view["curve"]) + 1e-6
    assert view["unvisited_min"] > view["idle_min"]
    assert [row["machine"] for row in view["sheet"]] == ["avocet", "bittern"]


def test_an_interval_shows_in_the_bed_and_nothing_of_it_lies_before_now():
    d = shop("avocet")
    for left in (4, 3, 2):
        printing(d, "avocet", left, progress=1 - left / 100)
        d.run(60, 10)
    bed = bed_of(d.brain.farm, "avocet", d.now)
    assert bed.from_s >= d.now - 1e-6
    assert bed.p10_s <= bed.p50_s <= bed.p90_s


def test_what_is_not_known_is_named_and_not_counted():
    d = shop("avocet", "bittern")
    for left in (31, 30):
        printing(d, "avocet", left, progress=1 - left / 100)
        d.run(60, 10)
    d.panel("bittern", state="printing")  # no job, no progress: nothing to go by
    found = ask(d)
    assert found.question.unknown == ("bittern",)
    assert [bed.name for bed in found.question.beds] == ["avocet"]


def test_nobody_can_come():
    d = shop("avocet", rounds=())
    waiting(d, "avocet")
    found = ask(d)
    assert found.plan.visits_s == ()
    view = d.brain.view(d.now)["trips"]
    assert view["text"] == ""
    assert view["extra_pays"]
    assert view["sheet"][0]["machine"] == "avocet"


def test_an_extra_trip_pays_when_much_waits_long():
    d = shop("avocet", "bittern", rounds=("18:00-19:00",))
    waiting(d, "avocet")
    found = ask(d)
    hours = (found.plan.visits_s[0] - d.now) / 3600
    assert found.extra.now_saves_s == pytest.approx(hours * 3600, rel=1e-6)  # one bed until the first visit
    assert d.brain.view(d.now)["trips"]["extra_pays"]
    dear = shop("avocet", rounds=("18:00-19:00",))
    object.__setattr__(dear.site, "rounds", RoundsPlan(trip_cost_min=700.0))
    waiting(dear, "avocet")
    assert ask(dear).plan.visits_s  # nobody comes otherwise until the horizon
    assert not dear.brain.view(dear.now)["trips"]["extra_pays"]


def test_rounds_are_logged_with_their_waiting_and_their_time():
    d = shop("avocet", "bittern")
    waiting(d, "avocet")
    waiting(d, "bittern")
    since = {name: d.machine(name).waiting_since_s for name in ("avocet", "bittern")}
    d.run(600, 60)
    began = d.now
    d.say("cleared", "avocet")
    d.run(300, 60)
    d.say("cleared", "bittern")
    ended = d.now
    d.restart()
    d.run(3600, 60)
    (note,) = d.notes("round")
    assert note.doc["beds"] == ["avocet", "bittern"]
    assert note.doc["began"] == began
    assert note.doc["ended"] == ended
    assert note.doc["idle_before_s"] == pytest.approx(began - since["avocet"] + ended - since["bittern"], abs=0.1)
    assert d.brain.farm.rounds.log.expected_min(2)[1] == pytest.approx(note.doc["took_s"] / 60)


def test_the_time_a_round_takes_is_learnt_from_its_beds():
    d = shop("avocet")
    log = d.brain.farm.rounds.log
    for at, beds in enumerate((1, 2, 4, 6, 8)):
        trip = log.begin("ann", T0 + at * 86_400, [])
        trip.beds = {str(i): 0.0 for i in range(beds)}
        log.end(T0 + at * 86_400 + 60 * (5 + 3 * beds), [])
    low, middle, high = log.expected_min(10)
    assert middle == pytest.approx(35)
    assert low == pytest.approx(35)
    assert high == pytest.approx(35)


def test_the_same_key_is_said_once():
    d = shop("avocet")
    waiting(d, "avocet")
    d.say("cleared", "avocet", key="k1")
    printing(d, "avocet", 100, 0.0)
    d.run(30, 10)
    before = len(d.effects)
    d.say("cleared", "avocet", key="k1")  # again, from a phone that heard nothing: by now it would be refused
    assert len(d.effects) == before
    d.restart()
    assert d.say("cleared", "avocet", key="k1") == []
    printing(d, "avocet", 99, 0.01)
    with pytest.raises(Refused):
        d.say("cleared", "avocet", key="k2")


def test_the_sheet_follows_the_walk_and_keeps_what_was_done():
    d = shop("avocet", "bittern", "curlew", jobs={"hinge": JobPlan("hinge", 12.0)})
    object.__setattr__(d.site, "rounds", RoundsPlan(walk=("curlew", "bittern")))
    for name in ("avocet", "bittern", "curlew"):
        waiting(d, name)
    ask(d)
    d.say("round_began")
    d.say("checked", "curlew", key="a")
    d.say("cleared", "bittern", key="b")
    ask(d)
    rows = d.brain.view(d.now)["trips"]["sheet"]
    assert [row["machine"] for row in rows] == ["curlew", "bittern", "avocet"]
    assert rows[0]["ticks"] == ["checked"]
    assert rows[1]["ticks"] == ["cleared"]
    assert rows[2]["off"] == {"job": "hinge", "pieces": 12.0, "bag": "hinge: 12"}
    d.say("round_ended")
    assert d.notes("round")[0].doc["by"] == "ann"
    with pytest.raises(Refused, match="no round is in hand"):
        d.say("round_ended")


CONFIG = """config_version = 1
[machines.avocet]
uses = []
{more}
"""


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ('[people.ann]\nrounds = ["mon 22:00-06:00"]', "ends before it starts"),
        ('[people.ann]\nrounds = ["mon-fri 07:00-09:00", "wed 08:00-10:00"]', "overlaps"),
        ('[people.ann]\nrounds = ["mon 07:00"]', "from when to when"),
        ('[rounds]\nwalk = ["avocet", "dodo"]', 'no machine is called "dodo"'),
        ('[rounds]\nwalk = ["avocet", "avocet"]', "twice"),
        ("[rounds]\ntrip_cost_min = -1", "greater than or equal to 0"),
    ],
)
def test_wrong_windows_are_refused(tmp_path, more, what):
    path = tmp_path / "farmwatch.toml"
    path.write_text(CONFIG.format(more=more), "utf-8")
    with pytest.raises(ConfigError) as error:
        load(path, live=False)
    assert what in str(error.value)


def test_right_windows_reach_the_plan(tmp_path):
    more = '[people.ann]\nrounds = ["mon-fri 07:30-09:00", "sat 10:00-12:00"]\n[rounds]\nwalk = ["avocet"]'
    path = tmp_path / "farmwatch.toml"
    path.write_text(CONFIG.format(more=more), "utf-8")
    plan = load(path, live=False).plan()
    assert [w.days for w in plan.people["ann"].rounds] == [(0, 1, 2, 3, 4), (5,)]
    assert plan.rounds.walk == ("avocet",)
