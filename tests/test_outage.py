import math

import pytest
from farm import BACKUPS, NAMES, T0, Driver
from farm import plan as small_plan
from outages import answer, works

from farmwatch.power.cause import A_YEAR, OUTLETS_DEAD, SEEN, Candidate, Thing, effect, headline, infer, prior, weigh
from farmwatch.power.outage import OutageWatch
from farmwatch.power.outage_record import CAUSES, Outage
from farmwatch.wire.upsvalues import decode
from farmwatch.words.model import Awoke, LinkChanged, Observed, SourceFailed

PLAN = works()


def backups(**looks):
    return [Thing("backup", name, look, name, "ups") for name, look in looks.items()]


def judged(things, own=None):
    """The best of all supply candidates."""
    found = [Candidate("site", ("site",))]
    found += [Candidate("circuit", (c,)) for c in PLAN.circuits]
    found += [Candidate("backup", (b,)) for b in PLAN.backups]
    return infer(found, things, PLAN, own or {})


# ---- the tables -------------------------------------------------------------------------------------------------


def test_the_tables_are_probabilities_and_complete():
    for kind, effects in SEEN.items():
        looks = set(effects["alone"])
        for row in effects.values():
            assert set(row) == looks, kind
            assert sum(row.values()) == pytest.approx(1.0, abs=1e-9)
            assert min(row.values()) > 0
    assert set(A_YEAR) <= set(CAUSES)
    assert all(0 < share < 1 for share in OUTLETS_DEAD.values())


def test_every_candidate_has_an_effect_from_the_table_on_everything():
    things = [*backups(one="unseen"), Thing("broker", "broker", "down", via="mqtt")]
    things += [Thing("source", s.id, "silent", s.subject, s.via) for s in PLAN.sources.values() if s.via != "ups"]
    for cause in A_YEAR:
        for place in ("site", "west", "one", "knot", "mqtt", "http", "broker"):
            for thing in things:
                assert effect(Candidate(cause, (place,)), thing, PLAN) in SEEN[thing.kind]


def test_scores_are_bayes_rule():
    """Against the rule written out: posterior = prior x product of likelihoods, over their sum (Bayes 1763)."""
    things = backups(one="on_battery", two="on_battery", three="on_line", four="still_on_line")
    weights = {}
    for candidate in (Candidate("site", ("site",)), Candidate("circuit", ("west",)), Candidate("backup", ("one",))):
        p = A_YEAR[candidate.cause] / {"site": 1, "circuit": 2, "backup": 4}[candidate.cause]
        for thing in things:
            p *= SEEN["backup"][effect(candidate, thing, PLAN)][thing.look]
        weights[candidate] = p
    found = infer(weights, things, PLAN, {})
    total = sum(weights.values())
    assert found.best == Candidate("circuit", ("west",))
    assert found.odds["circuit west"] == pytest.approx(weights[found.best] / total, abs=1e-4)
    with_own = infer(weights, things, PLAN, {"circuit": 0, "site": 400})
    assert with_own.odds["circuit west"] <= found.odds["circuit west"]


def test_what_hangs_on_one_backup_shares_one_fate():
    """Mixture over outlets dead or alive, by hand: log(0.15 prod(dead) + 0.85 prod(alive)) - log prod(alive)."""
    things = [Thing("source", f"plug.{n}", "silent", n, "http", power=True) for n in NAMES[:3]]
    weights = weigh(Candidate("site", ("site",)), things, PLAN)
    ratio = (SEEN["source"]["unpowered"]["silent"] / SEEN["source"]["alone"]["silent"]) ** 3
    assert sum(weights.values()) == pytest.approx(math.log(0.15 * ratio + 0.85))


def test_the_prior_moves_with_the_sites_own_diary():
    circuit = Candidate("circuit", ("west",))
    assert prior(circuit, PLAN, {"circuit": 9}) == pytest.approx(prior(circuit, PLAN, {}) + math.log(10.0))


@pytest.mark.parametrize(
    ("out", "line", "unseen", "cause", "place"),
    [
        ("one two three four", "", "", "site", "site"),
        ("one two", "three four", "", "circuit", "west"),
        ("three four", "one two", "", "circuit", "east"),
        ("one", "two three four", "", "backup", "one"),
        ("one three", "", "two four", "site", "site"),
        ("one two", "three", "four", "circuit", "west"),
        ("one two three", "", "four", "site", "site"),
        ("one two three", "four", "", "site", "site"),
        ("one", "three four", "two", "circuit", "west"),
    ],
)
def test_one_cause_from_the_backups(out, line, unseen, cause, place):
    looks = dict.fromkeys(out.split(), "on_battery") | dict.fromkeys(line.split(), "still_on_line")
    found = judged(backups(**looks | dict.fromkeys(unseen.split(), "unseen")))
    assert (found.best.cause, found.best.place) == (cause, place)


def test_the_reason_is_said_in_words():
    things = backups(one="on_battery", two="on_battery", three="on_battery", four="on_battery")
    found = judged(things)
    assert headline(found.best, things, PLAN) == "all 4 backups on battery, both circuits: mains"
    things = backups(one="on_battery", two="on_line", three="on_line", four="on_line")
    found = judged(things)
    said = "one alone while two on the same circuit on line: the backup or its plug"
    assert headline(found.best, things, PLAN) == said
    assert found.best.place == "one"


# ---- a backup alone on its circuit -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("look", "cause"), [("live", "backup"), ("silent", "circuit"), ("dead", "circuit"), (None, "circuit")]
)
def test_circuit_or_backup_by_the_other_loads_of_that_circuit(look, cause):
    things = backups(one="on_battery", three="still_on_line", four="still_on_line")
    if look:
        things.append(Thing("source", "plug.fans", look, "fans", "mqtt", power=True))
    found = judged(things)
    assert found.best.cause == cause
    assert found.odds[f"{found.best.cause} {found.best.place}"] > (0.9 if look else 0.5)
    if look == "live":
        assert judged([*things, things[-1]]).odds["backup one"] >= found.odds["backup one"]


# ---- over time ---------------------------------------------------------------------------------------------------


def line(day, names=tuple(BACKUPS), status="OL"):
    for name in names:
        day.ups(name, status)


def phone(day):
    return [m for m in day.messages() if m.to == "ann"]


def everything(day, skip=(), volts=230.0):
    for source in day.site.sources.values():
        if source.via != "ups" and source.subject not in skip and source.id not in skip:
            values = {"state": "printing", "progress": 0.3} if "state" in source.quantities else {"power_w": 100.0}
            if "voltage_v" in source.quantities:
                values["voltage_v"] = volts
            day.feed(Observed(day.now, source.subject, source.id, values))


def outages(day):
    return {n.doc["id"]: n.doc for n in day.notes("outage")}


def test_the_start_is_set_back_to_the_last_good_reading_and_the_duration_says_what_polls_leave_open():
    day = Driver(small_plan())
    day.run(30, 5, line)
    day.run(100, 5, lambda d: line(d, status="OB DISCHRG"))
    day.run(20, 5, line)
    (doc,) = outages(day).values()
    assert doc["started"] == T0 + 30
    assert doc["ended"] == T0 + 135
    low, likely, high = doc["lasted_s"]
    assert low <= 100 <= high
    assert abs(likely - 100) <= 5
    assert high - low <= 15
    assert doc["class"] == "sustained"


def test_a_reading_of_long_ago_sets_nothing_back():
    day = Driver(small_plan())
    line(day)
    day.now += 600
    line(day, status="OB")
    found = {doc["cause"]: doc for doc in outages(day).values()}
    assert found["site"]["started"] == T0 + 600
    assert set(found) == {"site", "network"}  # nothing had been heard of anything for ten minutes


def test_the_cause_is_revised_under_the_same_id():
    day = Driver(small_plan())
    day.run(20, 5, line)
    day.ups("one", "OB", day.now + 5)
    day.ups("two", "OB", day.now + 1)
    day.ups("three", "OL", day.now + 1)
    day.run(2, 1)
    notes = day.notes("outage")
    assert notes[-1].doc["place"] == "west"
    for name in ("three", "four"):
        day.ups(name, "OB", day.now + 0.5)
    day.run(2, 1)
    last = day.notes("outage")[-1].doc
    assert (last["cause"], last["place"], last["id"]) == ("site", "site", notes[0].doc["id"])
    assert last["evidence"][0] == "all 4 backups on battery, both circuits: mains"
    assert last["odds"]["site site"] > 0.99


def test_a_plug_that_reads_no_volts_is_a_lost_circuit_though_no_backup_tells():
    day = Driver(works())
    day.run(40, 4, lambda d: (everything(d), line(d)))

    def tell(d):
        everything(d, skip=("fans",))
        line(d, ("three", "four"))
        line(d, ("one", "two"), "OB")
        d.feed(Observed(d.now, "fans", "plug.fans", {"power_w": 0.0, "voltage_v": 3.0}))

    day.run(40, 4, tell)
    (doc,) = outages(day).values()
    assert (doc["cause"], doc["place"], doc["low_v"]) == ("circuit", "west", 3.0)
    assert doc["started"] == T0 + 40
    day.run(40, 4, lambda d: (everything(d), line(d)))
    assert next(iter(outages(day).values()))["ended"] is not None


def test_an_outage_does_not_end_because_a_backup_can_no_longer_be_seen():
    watch = OutageWatch(PLAN)

    def tell(now, **statuses):
        for name in PLAN.backups:
            watch.backup(name, statuses.get(name, statuses.get("rest", "on_line")), now)
        return watch.look(now)

    tell(0.0)
    assert tell(5.0, rest="on_battery")[0].cause == "site"
    assert all(o.ended_s is None for o in tell(300.0, one="unknown"))
    assert tell(400.0)[0].ended_s == 300.0
    assert watch.open is None
    tell(500.0, rest="on_battery")
    tell(600.0, one="unknown")
    assert tell(1300.0, one="unknown")[0].ended_s == 600.0  # given up: it may be dead for good


def test_a_blip_is_in_the_diary_and_not_on_the_phone():
    day = Driver(small_plan())
    day.run(20, 5, line)
    day.run(5, 5, lambda d: line(d, status="OB DISCHRG LB"))
    day.run(60, 5, line)
    (doc,) = outages(day).values()
    assert doc["cause"] == "blip"
    assert doc["lasted_s"][0] < 5.0
    assert not phone(day)


def test_the_collector_asleep_is_an_outage_of_its_own():
    day = Driver(small_plan(panels=False, plugs=False, ups=False))
    day.feed(Awoke(T0, None))
    day.feed(Awoke(T0 + 100, T0 + 70))
    assert not outages(day)
    day.feed(Awoke(T0 + 4000, T0 + 400))
    (doc,) = outages(day).values()
    assert (doc["cause"], doc["place"], doc["started"], doc["ended"]) == ("collector", "collector", T0 + 400, T0 + 4000)
    assert not phone(day)


@pytest.mark.parametrize(
    ("skip", "cause", "place", "title"),
    [
        # one alone is told of when it has been silent for half an hour, several at once
        (("knot",), "machine", "knot", "No word from knot"),
        (("plug.avocet",), "plug", "avocet", "No word from avocet"),
        (("panel.avocet",), "machine", "avocet", "No word from avocet"),
        (("panel.fulmar", "panel.heron", "panel.knot", "plug.eider", "plug.knot"), "network", "http", "No word from"),
        (("avocet", "bittern", "curlew"), "backup", "one", "No word from avocet, bittern, curlew"),
    ],
)
def test_what_falls_silent_alone_or_together(skip, cause, place, title):
    day = Driver(works())
    both = lambda *out: lambda d: (everything(d, skip=out), line(d))  # noqa: E731
    day.run(60, 4, both())
    gone = day.now
    seconds = 200 if len(skip) > 1 else 2040
    day.run(seconds, 4, both(*skip))
    (doc,) = outages(day).values()
    assert (doc["cause"], doc["place"]) == (cause, place)
    assert doc["started"] == gone
    assert doc["ended"] is None
    day.run(60, 4, both())
    (doc,) = outages(day).values()
    assert abs(doc["ended"] - (gone + seconds + 4)) <= 4
    messages = phone(day)
    assert [m.step for m in messages] == ["opened", "clear"]
    assert messages[0].title.startswith(title)


def test_a_collector_that_is_alone_says_so_once_whoever_falls_silent_first():
    """As on a real cable that is pulled: backups spoke last, devices a second later, the broker's loss is seen late."""
    day = Driver(works())
    day.broker(True)
    day.run(60, 1, lambda d: (everything(d), line(d)))
    cut_s = day.now

    def alone(d):
        for source in d.site.sources.values():
            if source.via == "http" and d.now <= cut_s + 1:
                d.feed(Observed(d.now, source.subject, source.id, {"power_w": 90.0} if "plug" in source.id else {}))
            elif (source.via == "http" and (d.now - cut_s) % 5 < 1) or (source.via == "ups" and d.now >= cut_s + 15):
                d.feed(SourceFailed(d.now, source.id, "no answer"))
        if d.now == cut_s + 8:
            d.broker(False)

    day.run(240, 1, alone)
    assert [m.title[:7] for m in phone(day)] == ["Network"], [m.title for m in phone(day)]
    day.broker(True)
    day.run(120, 1, lambda d: (everything(d), line(d)))
    assert [m.title[:7] for m in phone(day)] == ["Network", "Network"], [m.title for m in phone(day)]


def test_a_broker_gone_is_a_broker_and_a_network_gone_is_a_network():
    for network in (False, True):
        day = Driver(works())
        day.broker(True)
        day.run(60, 4, lambda d: (everything(d), line(d)))
        day.broker(False)

        def tell(d, network=network):
            for source in d.site.sources.values():
                if source.via == "http":
                    failed = SourceFailed(d.now, source.id, "no answer")
                    seen = Observed(d.now, source.subject, source.id, {"power_w": 90.0} if "plug" in source.id else {})
                    d.feed(failed if network else seen)
            line(d)

        day.run(200, 5, tell)
        day.broker(True)
        day.run(260, 4, lambda d: (everything(d), line(d)))
        (doc,) = outages(day).values()
        assert (doc["cause"], doc["place"]) == (("network", "site") if network else ("broker", "broker"))
        assert (doc["started"], doc["ended"]) == (T0 + 60, T0 + 260)
        titles = [m.title for m in phone(day)]
        word = "Network" if network else "MQTT broker"
        assert [t.startswith(word) for t in titles] == [True, True], titles


def test_a_broker_that_goes_with_the_mains_is_no_cause_of_its_own():
    day = Driver(works())
    day.broker(True)
    day.run(60, 4, lambda d: (everything(d), line(d)))
    day.broker(False)
    day.run(8, 2)
    day.run(120, 5, lambda d: line(d, status="OB"))
    day.run(60, 5, line)
    day.broker(True)
    day.run(60, 4, lambda d: (everything(d), line(d)))
    docs = [doc for doc in outages(day).values() if doc["part_of"] is None]
    assert [doc["cause"] for doc in docs] == ["site"]
    assert [m.step for m in phone(day)] == ["opened", "clear"]
    assert any("broker gone" in text for text in docs[0]["evidence"])


def test_incidents_outlive_a_restart():
    day = Driver(works())
    day.run(60, 4, lambda d: (everything(d), line(d)))

    def tell(d):
        everything(d, skip=("plug.ibis",))
        line(d, ("three", "four"))
        line(d, ("one", "two"), "OB")

    day.run(120, 4, tell)
    day.restart()
    assert day.brain.farm.outage.open.place == "west"
    assert [o.cause for o in day.brain.farm.outage.others.values()] == ["plug"]
    day.run(90, 4, lambda d: (everything(d), line(d)))
    assert all(doc["ended"] is not None for doc in outages(day).values())
    assert len(outages(day)) == 2
    day.restart()
    assert len(day.brain.farm.diary.rows) == 2
    older = {"id": "o", "cause": "site", "place": "site", "started": 5.0, "ended": None, "backups": [], "evidence": []}
    assert Outage.from_dict(older).started_s == 5.0


def test_links_of_other_transports_are_no_broker():
    day = Driver(small_plan())
    day.feed(LinkChanged(T0, "ups", "localhost:3493", connected=False, sources=("ups.one",)))
    day.run(60, 5)
    assert not outages(day)


# ---- bad input ---------------------------------------------------------------------------------------------------


def test_a_backup_that_says_on_line_and_on_battery_is_on_battery():
    day = Driver(small_plan())
    day.run(20, 5, line)
    day.run(30, 5, lambda d: line(d, status="OL OB"))
    assert [m.title for m in phone(day)] == ["Mains lost: 4 backups on battery"]


@pytest.mark.parametrize("runtime_s", [0.0, -1.0, 999999.0])
def test_an_absurd_runtime_is_not_promised_to_anybody(runtime_s):
    day = Driver(small_plan())
    day.run(20, 5, lambda d: [d.ups(n, "OL", runtime_s=runtime_s) for n in BACKUPS])
    day.run(30, 5, lambda d: [d.ups(n, "OB", runtime_s=runtime_s) for n in BACKUPS])
    (message,) = phone(day)
    if runtime_s <= 0:
        assert "not known" in message.text
        assert day.brain.farm.runtime("one") is None
    assert day.brain.farm.outage.open.cause == "site"


def test_a_charge_that_jumps_changes_no_cause_and_ends_nothing():
    day = Driver(small_plan())
    day.run(20, 5, line)
    charges = iter([1.0, 0.2, 1.0, 0.0, 0.9] * 20)
    day.run(60, 5, lambda d: [d.ups(n, "OB", charge=next(charges)) for n in BACKUPS])
    assert [doc["cause"] for doc in outages(day).values()] == ["site"]
    assert [m.step for m in phone(day)] == ["opened"]


def test_a_load_above_its_rating_is_an_overload_and_no_outage():
    day = Driver(small_plan())
    day.run(40, 5, lambda d: [d.feed(Observed(d.now, n, f"ups.{n}", {"status": "OL", "load": 1.3})) for n in BACKUPS])
    assert not outages(day)
    assert phone(day)[0].title.startswith("Overload")


@pytest.mark.parametrize(
    ("said", "refused"),
    [
        ({"battery.runtime": "999999"}, "runtime_s"),
        ({"battery.runtime": "-1"}, "runtime_s"),
        ({"battery.charge": "140"}, "charge"),
    ],
)
def test_what_a_backup_cannot_mean_is_refused_by_name_and_unknown(said, refused):
    found = decode({"ups.status": "OB", **said})
    assert found.values[refused] is None
    assert found.values["status"] == "OB"
    assert refused in found.refused[0]


# ---- the figure ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("first", range(0, 40, 10))
def test_one_message_and_one_all_clear_with_the_cause_right(first):
    """Forty of the five hundred of tests/bench/outages.py."""
    wrong = [found for found in map(answer, range(first, first + 10)) if not found.right]
    assert not wrong


# ---- what a message may not promise ---------------------------------------------------------------------------------


def told_with(**says):
    """The danger's message, with so much said by each backup from the begin of the loss."""
    day = Driver()

    def all_say(status):
        def say(d):
            for name in NAMES:
                d.panel(name, state="printing", job="latch", progress=0.3, remaining_s=3600.0)
                d.plug(name, 100.0)
            for name in BACKUPS:
                d.feed(Observed(d.now, name, f"ups.{name}", {"status": status, "charge": 0.9, **says.get(name, {})}))

        return say

    day.run(60.0, 5.0, all_say("OL"))
    day.run(60.0, 5.0, all_say("OB DISCHRG"))
    (message,) = [m for m in day.messages() if m.priority == "danger"]
    return message


def test_nothing_ends_in_time_where_no_runtime_is_known():
    """A unit that gives charge and no runtime, without a table: unknown is never 'in time'."""
    text = told_with().text
    assert "How long the batteries last is not known." in text
    assert "should end in time" not in text
    assert "In time or not is unknown: avocet, bittern, curlew, dunlin and 8 more." in text


def test_some_backups_with_a_runtime_and_some_without():
    text = told_with(one={"runtime_s": 600.0}).text
    assert "Not done by then: avocet, bittern, curlew." in text
    assert "In time or not is unknown: dunlin" in text


# ---- overload: W, VA, and without a meter ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("watts", "says", "told"),
    [
        (250.0, {}, "750 W of 600 W"),  # no meter of its own: by the three plugs behind it
        (150.0, {"power_w": 500.0, "apparent_va": 1100.0}, "1100 VA of 1000 VA"),  # within its watts alone
        (150.0, {"load": 1.05}, "630 W of 600 W"),  # percent load: the greater of both (RFC 1628)
        (150.0, {}, None),
        (250.0, {"power_w": 590.0, "apparent_va": 1000.0}, None),  # its own meter goes before the plugs
    ],
)
def test_overload_by_watts_volt_amperes_or_plugs(watts, says, told):
    day = Driver(small_plan(NAMES[:3]))

    def say(d):
        for name in NAMES[:3]:
            d.plug(name, watts)
        d.feed(Observed(d.now, "one", "ups.one", {"status": "OL", "charge": 1.0, **says}))

    day.run(60.0, 5.0, say)
    found = [m.text for m in day.messages() if m.priority == "danger"]
    assert [text.startswith(told) for text in found] == ([] if told is None else [True])


# ---- a backup that gives out and does not come back -----------------------------------------------------------------


def shed(day, seconds, status, dead=()):
    def say(d):
        for name in NAMES:
            if small_plan().machines[name].backup not in dead:
                d.panel(name, state="printing", job="latch", progress=0.3, remaining_s=7200.0)
                d.plug(name, 100.0)
        for name in BACKUPS:
            if name not in dead:
                d.ups(name, status, charge=0.5, runtime_s=300.0)

    day.run(seconds, 5.0, say)


def test_a_backup_that_stays_dead_holds_no_all_clear_back_and_is_told_itself():
    day = Driver()
    shed(day, 60.0, "OL")
    shed(day, 100.0, "OB DISCHRG")
    shed(day, 300.0, "OB DISCHRG", dead=("one",))  # its battery is empty
    shed(day, 900.0, "OL", dead=("one",))
    messages = [(m.step, m.title) for m in day.messages()]
    assert [step for step, _ in messages] == ["opened", "clear", "opened"]
    assert messages[1][1].startswith("Power back after ")
    assert messages[2][1] == "No word from one, avocet, bittern and 1 more"


def test_six_short_losses_are_six_losses_and_no_more():
    day = Driver()
    shed(day, 60.0, "OL")
    for _ in range(6):
        shed(day, 20.0, "OB DISCHRG")
        shed(day, 60.0, "OL")
    assert [m.step for m in day.messages()] == ["opened", "clear"] * 6
