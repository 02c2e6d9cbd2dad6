import json
import random

import pytest
from farm import BACKUPS, NAMES, T0, Driver, plan, solo

from farmwatch.alarms.phrases import words_of
from farmwatch.words.errors import Refused
from farmwatch.words.model import Denied, Keep, MachinePlan, Message, RuleChange, SitePlan, SourceFailed, StoreHealth


def build(day, name, minutes=30, *, job="hive-latch", done="done", bed=60.0):
    """A build from heat-up to the device's last word, reported every 10 s."""
    for i in range(12):
        day.panel(name, day.now + 10, state="heating", job=job, bed_c=20 + 3.3 * i, bed_target_c=bed)
    steps = int(minutes * 6)
    for i in range(steps):
        day.panel(
            name, day.now + 10, state="printing", job=job, progress=i / steps, remaining_s=10.0 * (steps - i),
            bed_c=bed, bed_target_c=bed,
        )  # fmt: skip
    day.panel(name, day.now + 1, state=done, job=job, progress=1.0, remaining_s=0.0, bed_c=bed, bed_target_c=0.0)


def cool(day, name, word="done", bed=60.0, minutes=20):
    for i in range(int(minutes * 6)):
        day.panel(name, day.now + 10, state=word, bed_c=20 + (bed - 20) * 0.5 ** (i / 36), bed_target_c=0.0)


def test_a_finished_build_leads_to_cooling_then_waiting_then_a_message_and_cleared_ends_it():
    day = solo("avocet")
    build(day, "avocet")
    assert day.states("avocet") == ["heating", "printing", "cooling"]
    cool(day, "avocet")
    assert day.states("avocet")[-1] == "waiting"
    messages = day.messages()
    assert [m.title for m in messages] == ["Clear bed: avocet"]
    waiting_s = next(n.at_s for n in day.notes("state") if n.doc["state"] == "waiting")
    assert messages[0].at_s - waiting_s <= 60  # promise P4
    assert "hive-latch" in messages[0].text
    day.say("cleared", "avocet")
    assert day.machine("avocet").state == "idle"
    assert day.brain.farm.book.alarms["bed_waiting:avocet"].state == "normal"
    cool(day, "avocet", minutes=2)
    assert day.machine("avocet").state == "idle"
    done = day.builds("avocet")
    assert [(b["job"], b["result"]) for b in done] == [("hive-latch", "done")]
    assert done[0]["started"] == T0 + 10


def test_the_next_build_clears_the_bed_marked_as_inferred():
    day = solo("avocet")
    build(day, "avocet")
    cool(day, "avocet")
    build(day, "avocet", job="vent-collar")
    assert [b["job"] for b in day.builds("avocet")] == ["hive-latch", "vent-collar"]
    because = [n.doc["because"] for n in day.notes("state") if n.doc["previous"] == "waiting"]
    assert because
    assert day.brain.farm.book.alarms["bed_waiting:avocet"].state == "normal"


@pytest.mark.parametrize("word", ["failed", "cancelled"])
def test_a_build_that_failed_still_leaves_a_bed_to_clear(word):
    day = solo("knot")
    build(day, "knot", 10, done=word)
    assert day.machine("knot").state == "cooling"
    assert day.builds("knot")[0]["result"] == word


@pytest.mark.parametrize(
    ("progress", "remaining", "result"), [(1.0, 0.0, "done"), (0.995, None, "done"), (0.4, 3000.0, "unknown")]
)
def test_a_machine_that_only_says_idle_at_the_end(progress, remaining, result):
    day = solo("knot")
    day.panel("knot", state="printing", job="pane-clip", progress=0.1, remaining_s=5000.0)
    day.run(3600, 60, lambda d: d.panel("knot", state="printing", progress=progress, remaining_s=remaining))
    day.panel("knot", day.now + 60, state="idle", progress=None, remaining_s=None, bed_c=60.0)
    assert day.builds("knot")[0]["result"] == result
    assert day.machine("knot").state == "cooling"


def test_one_word_for_heating_and_printing_is_told_apart_by_the_temperatures():
    day = solo("ibis")
    for i in range(30):
        day.panel(
            "ibis", day.now + 5, state="heating|printing", nozzle_c=20 + 7 * i, nozzle_target_c=215, bed_c=55 + i / 6,
            bed_target_c=60,
        )  # fmt: skip
    assert day.states("ibis") == ["heating", "printing"]
    day.panel("ibis", day.now + 5, state="heating|printing", nozzle_c=200, nozzle_target_c=215, bed_c=60)
    assert day.machine("ibis").state == "printing"  # a dip in mid-build is no new heat-up


def test_retained_messages_are_last_known_and_cause_nothing():
    day = solo("avocet", "bittern")
    day.panel("avocet", retained=True, state="done", progress=1.0, bed_c=25.0)
    day.panel("bittern", retained=True, state="printing", progress=0.42)
    day.run(20)
    assert not day.notes("state")
    assert not day.messages()
    assert day.machine("bittern").state == "unknown"
    assert day.machine("bittern").last_known["progress"][1] == 0.42
    view = day.brain.view(day.now)
    assert next(m for m in view["machines"] if m["name"] == "bittern")["progress"] is None


def test_first_word_heard_is_done_so_the_bed_is_taken_to_be_full():
    day = solo("avocet", "bittern")
    day.panel("avocet", state="done", bed_c=22.0)
    assert day.machine("avocet").state == "waiting"
    day.panel("bittern", state="idle", bed_c=22.0)
    assert day.machine("bittern").state == "idle"


def test_silence_makes_values_unknown_and_is_told_once_for_several():
    day = Driver(plan(NAMES[:4], ups=False))

    def talk(d):
        for name in NAMES[:2]:
            d.panel(name, state="idle", bed_c=20.0)
            d.plug(name, 8)

    for name in NAMES[:4]:
        day.panel(name, state="printing", progress=0.5)
        day.plug(name, 120)
    day.run(40, 2, talk)
    assert day.machine("curlew").state == "unknown"
    assert day.machine("curlew").number("power_w") is None
    day.run(700, 2, talk)
    told = [m for m in day.messages() if m.incident.startswith("silent")]
    assert len(told) == 1
    assert told[0].title == "No word from curlew, dunlin"
    for name in ("curlew", "dunlin"):
        day.panel(name, state="printing", progress=0.6)
        day.plug(name, 120)
    assert day.machine("curlew").state == "printing"
    assert len(day.builds("curlew")) == 1
    assert [m.step for m in day.messages() if m.incident.startswith("silent")] == ["opened", "clear"]


def everyone(d):
    for name in NAMES:
        d.panel(name, state="printing", job="frame-spacer", progress=0.5, remaining_s=4000.0)
        d.plug(name, 110)


def test_mains_lost_with_everything_silent_is_one_message_and_one_all_clear():
    day = Driver(plan(people=("ann", "bram")))
    day.run(60, 2, lambda d: (everyone(d), d.all_ups("OL")))
    # the broker's computer and all plugs hang on the mains; machines on backups go on, but unseen
    day.broker(False)
    day.run(600, 5, lambda d: d.all_ups("OB DISCHRG", charge=0.7, runtime_s=700))
    day.broker(True)
    day.run(300, 2, lambda d: (everyone(d), d.all_ups("OL CHRG")))
    for person in ("ann", "bram"):
        mine = [m for m in day.messages() if m.to == person]
        assert [(m.step, m.priority) for m in mine] == [("opened", "danger"), ("clear", "session")]
        assert mine[0].title == "Mains lost: 4 backups on battery"
        assert mine[1].title.startswith("Power back after 10 min")
    outages = {n.doc["id"]: n.doc for n in day.notes("outage")}
    assert [o["cause"] for o in outages.values()] == ["site"]


def test_a_blip_is_kept_but_not_sent():
    day = Driver()
    day.run(20, 2, lambda d: d.all_ups("OL"))
    day.all_ups("OB")
    day.now += 3
    day.all_ups("OL")
    day.run(60, 5, lambda d: d.all_ups("OL"))
    assert [n.doc["cause"] for n in day.notes("outage")][-1] == "blip"
    assert not [m for m in day.messages() if m.priority == "danger"]


def test_battery_low_is_told_once_more_within_the_same_incident():
    day = Driver()
    quiet = lambda status: lambda d: (everyone(d), d.all_ups(status, charge=0.2, runtime_s=200))  # noqa: E731
    day.run(30, 5, quiet("OL"))
    day.run(300, 5, quiet("OB DISCHRG"))
    day.run(60, 5, quiet("OB DISCHRG LB"))
    day.run(60, 5, quiet("OL CHRG LB"))
    assert [m.step for m in day.messages()] == ["opened", "more", "clear"]
    assert len({m.incident for m in day.messages()}) == 1


def test_broker_lost_and_back_is_one_message_and_one_all_clear():
    day = Driver()
    day.broker(True)
    day.run(60, 2, lambda d: (everyone(d), d.all_ups("OL")))
    day.broker(False)
    day.run(240, 5, lambda d: d.all_ups("OL"))
    day.broker(True)
    day.run(400, 2, lambda d: (everyone(d), d.all_ups("OL")))
    assert [m.title[:16] for m in day.messages()] == ["MQTT broker lost", "MQTT broker back"]


def test_broker_back_before_the_delay_is_not_worth_a_message():
    day = Driver()
    day.run(30, 2, lambda d: (everyone(d), d.all_ups("OL")))
    day.broker(False)
    day.run(20, 5, lambda d: d.all_ups("OL"))
    day.broker(True)
    day.run(120, 2, lambda d: (everyone(d), d.all_ups("OL")))
    assert not day.messages()


def test_beds_that_come_together_are_gathered():
    day = solo(*NAMES[:5])

    def talk(d):
        for i, name in enumerate(NAMES[:5]):
            warm = d.now < T0 + 60 + (0, 5, 100, 200, 1200)[i]
            d.panel(name, state="done" if d.now > T0 + 30 else "printing", bed_c=50.0 if warm else 30.0)

    day.run(1500, 5, talk)
    beds = [m for m in day.messages() if m.title.startswith("Clear")]
    assert [m.step for m in beds] == ["opened", "more"], "the fifth joins without a word: nobody has answered yet"
    assert beds[0].title == "Clear 2 beds: avocet, bittern"
    assert beds[1].title == "Clear 4 beds: curlew, dunlin, avocet, bittern"
    assert all(len(m.title) <= 60 and len(m.title) + len(m.text) < 240 for m in day.messages())


def test_a_backup_that_is_not_seen_is_unknown_at_once_and_told_after_its_delay():
    day = Driver()
    day.run(30, 5, lambda d: (everyone(d), d.all_ups("OL")))
    day.feed(SourceFailed(day.now, "ups.two", "DATA-STALE"))
    assert day.brain.farm.backups["two"].status == "unknown"
    others = lambda d: (everyone(d), [d.ups(n, "OL") for n in BACKUPS if n != "two"])  # noqa: E731
    day.run(120, 5, others)
    told = day.messages()
    assert [m.title for m in told] == ["No word from two"]
    assert "DATA-STALE" in told[0].text
    day.run(30, 5, lambda d: (everyone(d), d.all_ups("OL")))
    assert day.messages()[-1].step == "clear"


def test_fault_and_back():
    day = solo("heron")
    day.panel("heron", state="printing", job="drip-elbow", progress=0.31)
    day.run(40, 2, lambda d: d.panel("heron", state="fault", progress=0.31))
    assert day.machine("heron").state == "fault"
    assert day.messages()[0].title == "heron reports a fault"
    assert "31 %" in day.messages()[0].text
    day.run(60, 2, lambda d: d.panel("heron", state="idle", bed_c=25.0))
    assert day.builds("heron")[0]["result"] == "unknown"
    assert day.machine("heron").state == "waiting"


def test_a_fault_is_not_gone_because_the_machine_is_silent():
    day = solo("heron")
    day.panel("heron", state="printing", job="drip-elbow", progress=0.31)
    day.run(40, 2, lambda d: d.panel("heron", state="fault", progress=0.31))
    day.run(600, 2)
    assert day.machine("heron").state == "unknown"
    assert not [message for message in day.messages() if "fault gone" in message.title]
    assert "machine_fault:heron" in {alarm.id for alarm in day.brain.farm.book.standing()}
    day.run(60, 2, lambda d: d.panel("heron", state="idle", bed_c=25.0))
    assert "machine_fault:heron" not in {alarm.id for alarm in day.brain.farm.book.standing() if alarm.true}


def test_what_people_can_say():
    day = Driver(plan(plug_only=("ibis",)))
    with pytest.raises(Refused, match="no machine 'ibex'"):
        day.say("cleared", "ibex")
    with pytest.raises(Refused, match="unknown command"):
        day.say("explode", "ibis")
    with pytest.raises(Refused, match="planned_min"):
        day.say("started", "ibis", planned_min=-4)
    day.panel("knot", state="printing", progress=0.2)
    with pytest.raises(Refused, match="in use"):
        day.say("cleared", "knot")
    day.say("failed", "knot")
    assert day.builds("knot")[0]["result"] == "failed"
    day.say("out_of_service", "knot", reason="new nozzle")
    day.panel("knot", day.now + 2, state="printing", progress=0.3)
    assert day.machine("knot").state == "out_of_service"
    day.say("in_service", "knot")
    assert day.machine("knot").state in ("printing", "waiting")
    with pytest.raises(Refused):
        day.say("in_service", "knot")
    with pytest.raises(Refused, match="no alarm"):
        day.say("acknowledged", "lapwing")
    assert len(day.notes("said")) == 3


def test_done_may_be_corrected_to_failed_by_a_person():
    day = solo("eider")
    build(day, "eider", 10)
    day.say("failed", "eider")
    assert [b["result"] for b in day.builds("eider")] == ["failed"]


def test_a_machine_with_just_a_plug():
    day = Driver(plan(["ibis"], panels=False, ups=False))
    rng = random.Random(3)
    day.run(600, 5, lambda d: d.plug("ibis", 8 + rng.random()))
    assert day.machine("ibis").state == "idle"
    day.say("started", "ibis", job="queen-gate", planned_min=60, material="PETG")
    day.run(240, 5, lambda d: d.plug("ibis", 280 + rng.gauss(0, 4)))
    hold = lambda d: d.plug("ibis", (260 if int(d.now) % 30 < 10 else 55) + rng.gauss(0, 3))  # noqa: E731
    day.run(3300, 5, hold)
    assert day.machine("ibis").state == "printing"
    assert day.machine("ibis").build.job == "queen-gate"
    ended = day.now
    day.run(3600, 5, lambda d: d.plug("ibis", 8 + rng.random()))
    assert day.machine("ibis").state == "waiting"
    builds = day.builds("ibis")
    assert len(builds) == 1
    assert builds[0]["result"] == "done"
    assert abs(builds[0]["ended"] - ended) < 90
    assert [m.title for m in day.messages() if m.title.startswith("Clear")] == ["Clear bed: ibis"]


def test_a_machine_without_any_source_lives_by_what_people_say():
    day = Driver(SitePlan("S", "Europe/London", 230, {"knot": MachinePlan("knot")}))
    day.say("started", "knot", job="pane-clip", planned_min=30)
    assert day.machine("knot").state == "printing"
    day.run(600)
    day.say("cleared", "knot")
    assert day.builds("knot")[0]["result"] == "done"
    assert day.machine("knot").state in ("idle", "unknown")


def test_energy_lines_add_up_to_the_counter():
    day = Driver(plan(["ibis"], panels=False, ups=False))
    wh = [0.0]

    def talk(d):
        watts = 100 + 80 * (int(d.now) % 7)
        wh[0] += watts * 2 / 3600
        d.plug("ibis", watts, energy_wh=wh[0])

    talk(day)
    day.run(2.5 * 3600, 2, talk)
    day.advance(T0 + 3 * 3600)
    lines = [n.doc for n in day.notes("energy")]
    assert sum(line["wh"] for line in lines) == pytest.approx(wh[0], rel=0.002)
    assert [line["ended"] for line in lines] == [T0 + 3600, T0 + 7200, T0 + 10800]


def test_loads_name_what_they_do_not_know():
    day = Driver(plan(NAMES[:3], ups=False))
    day.run(70, 5, lambda d: [d.plug(n, 100) for n in NAMES[:2]])
    loads = {n.doc["place"]: n.doc for n in day.notes("load")}
    assert loads["west"]["watts"] == 200.0
    assert loads["west"]["missing"] == ["curlew"]
    assert "curlew" not in loads
    assert loads["site"]["watts"] == 200.0


def test_late_and_doubled_messages_change_nothing():
    day = solo("knot")
    day.panel("knot", state="printing", progress=0.5, source_at=T0)
    day.panel("knot", T0 + 4, state="done", progress=1.0, source_at=T0 + 4)
    before = len(day.notes("state"))
    day.panel("knot", T0 + 5, state="printing", progress=0.5, source_at=T0 + 2)
    day.panel("knot", T0 + 6, state="done", progress=1.0, source_at=T0 + 4)
    assert len(day.notes("state")) == before
    assert len(day.builds("knot")) == 1
    for i in range(3):  # a clock that was set back is taken after three in a row
        day.panel("knot", T0 + 10 + i, state="printing", progress=0.01, source_at=T0 - 3600 + i)
    assert day.machine("knot").state == "printing"


def test_a_last_will_makes_the_device_unknown():
    day = solo("knot")
    day.panel("knot", state="printing", progress=0.5)
    day.panel("knot", T0 + 5, availability="gone")
    assert day.machine("knot").state == "unknown"
    day.panel("knot", T0 + 10, availability="up")
    assert day.machine("knot").state == "unknown"
    day.panel("knot", T0 + 11, state="printing", progress=0.51)
    assert day.machine("knot").state == "printing"
    assert len(day.builds("knot")) == 1


def test_a_store_that_cannot_be_written_is_told():
    day = solo("knot")
    day.feed(StoreHealth(T0, "series", ok=False, why="disk full"))
    day.run(10)
    assert day.messages()[0].title == "Collector cannot write: series"
    day.feed(StoreHealth(day.now, "series", ok=True, why=""))
    day.run(60)
    assert day.messages()[-1].step == "clear"


def test_a_rule_can_be_switched_off():
    day = Driver(plan(rules={"bed_waiting": RuleChange(off=True)}))
    day.panel("knot", state="done", bed_c=20.0)
    day.run(100, 2, lambda d: (everyone(d), d.all_ups("OL")))
    assert not day.messages()


def story(day, restart_at=()):
    """An eventful hour; the brain is thrown away and restored at the given steps."""
    rng = random.Random(9)
    for i in range(720):
        day.now += 5
        for k, name in enumerate(NAMES[:6]):
            share = (i + 40 * k) / 500
            state = "printing" if share < 1 else "done"
            cold = max(25.0, 60.0 - max(0.0, (share - 1) * 300))
            day.panel(name, state=state, job=f"job-{k}", progress=min(share, 1.0), bed_c=cold, bed_target_c=60.0)
            day.plug(name, 100 + rng.random())
        day.all_ups("OB" if 300 < i < 400 else "OL")
        if i == 600:
            day.say("cleared", "fulmar")
        if i in restart_at:
            day.restart(0.0)
        day.advance(day.now)
    return day


@pytest.mark.parametrize("seed", range(6))
def test_restarts_at_any_moment_lose_no_message_and_end_in_the_same_state(seed):
    rng = random.Random(seed)
    plain = story(Driver(plan(NAMES[:6])))
    moments = sorted(rng.sample(range(720), 8))
    broken = story(Driver(plan(NAMES[:6])), moments)
    assert {n: m.state for n, m in broken.brain.farm.machines.items()} == {
        n: m.state for n, m in plain.brain.farm.machines.items()
    }
    assert {a.id: a.state for a in broken.brain.farm.book.standing()} == {
        a.id: a.state for a in plain.brain.farm.book.standing()
    }
    for name in NAMES[:6]:
        assert [(b["job"], b["result"], b["ended"]) for b in broken.builds(name)] == [
            (b["job"], b["result"], b["ended"]) for b in plain.builds(name)
        ]
    assert {m.title for m in broken.messages() if m.priority == "danger"} == {
        m.title for m in plain.messages() if m.priority == "danger"
    }
    assert len({m.id for m in broken.messages()}) == len({(m.id, m.title) for m in broken.messages()})


def test_everything_kept_is_json():
    day = story(Driver(plan(NAMES[:6])))
    for effect in day.effects:
        if isinstance(effect, Keep) and effect.doc is not None:
            assert json.loads(json.dumps(effect.doc)) is not None
        assert not isinstance(effect, Message) or effect.title


def test_the_view_is_json_and_says_unknown_for_what_is_unknown():
    day = Driver()
    view = day.brain.view(T0)
    json.dumps(view)
    assert view["verdict"]["level"] == "unknown"
    assert all(m["state"] == "unknown" and m["power_w"] is None for m in view["machines"])
    assert all(b["status"] == "unknown" and b["runtime_s"] is None for b in view["backups"])
    assert view["total"]["watts"] is None
    day.run(60, 2, lambda d: (everyone(d), d.all_ups("OL")))
    view = day.brain.view(day.now)
    assert view["verdict"]["level"] == "calm"
    assert view["total"]["watts"] == pytest.approx(12 * 110)
    assert view["verdict"]["title"] == "No bed waits; 12 machines building"


def test_a_build_that_the_outage_killed_failed_when_the_power_went():
    day = Driver()
    day.run(60, 2, lambda d: (everyone(d), d.all_ups("OL")))
    lucky, dead = NAMES[:9], NAMES[9:]

    def dark(d):
        for name in lucky:
            d.panel(name, state="printing", job="frame-spacer", progress=0.55, remaining_s=3900.0)
            d.plug(name, 110)
        d.all_ups("OB DISCHRG", charge=0.5, runtime_s=500)

    day.run(20, 2, lambda d: (everyone(d), d.all_ups("OB DISCHRG", charge=0.8, runtime_s=700)))
    went = day.now
    day.run(400, 2, dark)

    def back(d):
        dark(d)
        d.all_ups("OL CHRG")
        if d.now > went + 460:
            for name in dead:
                d.panel(name, state="idle", bed_c=30.0)
                d.plug(name, 9)

    day.run(200, 2, back)
    for name in dead:
        last = day.builds(name)[-1]
        assert last["result"] == "failed"
        assert went - 5 <= last["ended"] <= went + 40
        assert day.machine(name).state in ("waiting", "cooling")
    assert day.machine("avocet").state == "printing"


def test_a_heater_without_a_job_is_a_danger_after_ten_minutes():
    day = Driver(plan(["ibis"], ups=False))
    day.run(300, 2, lambda d: (d.panel("ibis", state="idle", bed_c=20.0), d.plug("ibis", 8)))
    begun = day.now
    day.run(1000, 2, lambda d: (d.panel("ibis", state="idle", bed_c=30.0), d.plug("ibis", 240)))
    told = [m for m in day.messages() if m.priority == "danger"]
    assert [m.title for m in told] == ["ibis heats without a job"]
    assert 600 <= told[0].at_s - begun <= 720
    assert "240 W" in told[0].text
    day.run(200, 2, lambda d: (d.panel("ibis", state="idle", bed_c=30.0), d.plug("ibis", 8)))
    assert day.messages()[-1].title == "ibis no longer heats"


def test_a_clock_set_back_leaves_a_heater_without_a_job_a_danger():
    """The last build ended in a future that is none any more."""
    day = Driver(plan(["ibis"], ups=False))
    day.run(1200, 2, lambda d: (d.panel("ibis", state="printing", progress=0.5), d.plug("ibis", 150)))
    day.run(600, 2, lambda d: (d.panel("ibis", state="done", bed_c=60.0), d.plug("ibis", 8)))
    day.brain.farm.machines["ibis"].last_build.ended_s += 40 * 86_400.0
    day.run(1500, 2, lambda d: (d.panel("ibis", state="idle", bed_c=30.0), d.plug("ibis", 240)))
    assert [m.title for m in day.messages() if m.priority == "danger"] == ["ibis heats without a job"]


def test_heaters_held_after_a_build_are_no_danger_for_a_while():
    day = Driver(plan(["ibis"], ups=False))
    day.run(1200, 2, lambda d: (d.panel("ibis", state="printing", progress=0.5), d.plug("ibis", 150)))
    day.run(1800, 2, lambda d: (d.panel("ibis", state="done", bed_c=60.0), d.plug("ibis", 120)))
    assert not [m for m in day.messages() if m.priority == "danger"]
    day.run(1800, 2, lambda d: (d.panel("ibis", state="done", bed_c=60.0), d.plug("ibis", 120)))
    assert [m.title for m in day.messages() if m.priority == "danger"] == ["ibis heats without a job"]


def test_a_lasting_step_by_a_thousand_is_asked_about_and_never_rescaled():
    day = Driver(plan(["ibis"], panels=False, ups=False))
    hold = lambda d, scale: d.plug("ibis", (260 if int(d.now) % 30 < 10 else 55) * scale)  # noqa: E731
    day.run(3600, 5, lambda d: hold(d, 1))
    day.run(1800, 5, lambda d: hold(d, 0.001))
    assert any(m.title == "ibis: unit changed?" for m in day.messages())
    assert day.machine("ibis").number("power_w") < 1


def test_without_people_the_messages_are_still_written():
    day = solo("knot", people=())
    day.panel("knot", state="done", bed_c=20.0)
    day.run(30, 2)
    assert [(m.to, m.title) for m in day.messages()] == [("owner", "Clear bed: knot")]


@pytest.mark.parametrize("word", ["done", "idle"])
def test_a_build_that_ended_while_nobody_heard_ends_within_the_gap(word):
    day = solo("gannet")
    day.panel("gannet", state="printing", job="pane-clip", progress=0.1, remaining_s=5400.0)
    day.run(3600, 10, lambda d: d.panel("gannet", state="printing", progress=0.8, remaining_s=T0 + 4500 - d.now))
    fell_silent = day.now
    day.run(3000)
    day.panel("gannet", day.now + 5, state=word, bed_c=25.0)
    built = day.builds("gannet")[0]
    assert built["result"] == "done"
    assert "end" in built["inferred"]
    assert fell_silent <= built["ended"] <= T0 + 4600


def test_what_stood_long_before_the_mains_went_is_not_explained_by_it():
    day = Driver()
    rest = [name for name in NAMES if name != "dunlin"]

    def talk(d, status):
        for name in rest:
            d.panel(name, state="printing", progress=0.5)
            d.plug(name, 110)
        d.all_ups(status)

    day.run(600, 5, lambda d: talk(d, "OL"))
    assert day.brain.farm.book.alarms["source_silent:dunlin"].state == "unacknowledged"
    day.run(300, 5, lambda d: talk(d, "OB DISCHRG"))
    assert day.brain.farm.book.alarms["source_silent:dunlin"].state == "unacknowledged"


def test_three_attempts_to_act_are_worth_a_line_and_one_is_not():
    day = solo("knot")
    for minute in range(2):
        day.feed(Denied(T0 + 60 * minute, "from 10.0.0.9, with a wrong password"))
    assert not [alarm for alarm in day.brain.farm.book.standing() if alarm.rule == "act_denied"]
    day.feed(Denied(T0 + 180, "from 10.0.0.9, with a wrong password"))
    (alarm,) = [alarm for alarm in day.brain.farm.book.standing() if alarm.rule == "act_denied"]
    assert (alarm.priority, alarm.true) == ("digest", True)
    title, text = words_of(alarm, day.brain.farm, day.now)
    assert title == "Somebody tried to act at a machine"
    assert "10.0.0.9" in text
    day.advance(T0 + 800)
    assert not alarm.true
