"""Who is told what and when: duty, quiet hours, budget, digests, daily report, unanswered danger, beds, restarts."""

import dataclasses
import random

import pytest
from farm import T0, Driver, plan

from farmwatch.alarms.budget import Bucket
from farmwatch.alarms.escalate import STEPS
from farmwatch.alarms.hours import parse
from farmwatch.words.model import Awoke, Note, PersonPlan

HOUR = 3600.0


def shop(people, names=("knot", "ibis", "heron"), **more):
    """A driver with these people (T0 is 08:00 in London)."""
    site = plan(list(names), plugs=False, **more)
    on_change = {name: dataclasses.replace(source, interval_s=0.0) for name, source in site.sources.items()}
    return Driver(dataclasses.replace(site, people={p.name: p for p in people}, sources=on_change))


def ann(**keys):
    return PersonPlan("ann", ("phone", "mail"), **keys)


def bram(**keys):
    return PersonPlan("bram", ("pager",), **keys)


def fault(day, name, *, back=False):
    for _ in range(10):
        day.panel(name, day.now + 5, state="printing" if back else "fault", progress=0.4, job="clip")
    day.advance(day.now + 30)


def release(day, name):
    """A build ends and its bed is cool."""
    day.panel(name, state="printing", progress=0.9, bed_c=60.0)
    day.panel(name, day.now + 2, state="done", bed_c=60.0)
    day.panel(name, day.now + 2, state="done", bed_c=30.0)
    day.advance(day.now + 20)


def got(day, who="ann"):
    return [m for m in day.messages() if m.to == who]


# ---- danger ------------------------------------------------------------------------------------------------------


def mains(day, *, seconds=60):
    end = day.now + seconds
    while day.now < end:
        day.all_ups("OB DISCHRG", at=day.now + 5)


def test_unanswered_danger_second_channel_second_person_both_then_stop():
    """Promise P5."""
    day = shop([ann(at_once=False), bram(at_once=False)])
    day.all_ups("OL")
    start = day.now
    mains(day, seconds=3 * HOUR)
    told = [m for m in day.messages() if m.priority == "danger" and m.step in ("opened", "escalated")]
    first = told[0].at_s
    assert first - start < 20
    assert [(m.to, m.by, round(m.at_s - first)) for m in told] == [
        ("ann", (), 0), ("ann", ("mail",), 300), ("bram", (), 900), ("ann", ("phone", "mail"), 1800),
        ("bram", ("pager",), 1800),
    ]  # fmt: skip
    assert len({m.id for m in told}) == 5
    assert all(m.title.startswith("Unanswered: ") for m in told[1:])
    assert [seconds for seconds, _ in STEPS] == [300, 900, 1800]


@pytest.mark.parametrize("at", [100, 600, 1200])
def test_an_answer_stops_it(at):
    day = shop([ann(at_once=False), bram(at_once=False)])
    day.all_ups("OL")
    mains(day, seconds=at)
    before = len([m for m in day.messages() if m.step == "escalated"])
    day.say("acknowledged", alarm="mains_lost:one")
    mains(day, seconds=2 * HOUR)
    assert len([m for m in day.messages() if m.step == "escalated"]) == before


def test_escalation_goes_on_after_restarts_without_saying_anything_twice():
    day = shop([ann(at_once=False), bram(at_once=False)])
    day.all_ups("OL")
    for _ in range(40):
        mains(day, seconds=60)
        day.restart(after=1.0)
    told = [(m.to, m.id) for m in day.messages() if m.step in ("opened", "escalated") and m.priority == "danger"]
    assert len(told) == len(set(told)) == 5


def test_danger_passes_quiet_hours_and_goes_to_whoever_is_on_duty_first():
    night = (parse("22:00-09:00"),)
    day = shop([ann(quiet=night, at_once=False), bram(at_once=False)])
    day.all_ups("OL")
    mains(day)
    assert [m.to for m in day.messages() if m.priority == "danger"] == ["bram"]
    alone = shop([ann(quiet=night)])
    alone.all_ups("OL")
    mains(alone)
    assert [m.priority for m in alone.messages()] == ["danger"]
    alone.run(60, 5, lambda d: d.all_ups("OL"))
    assert [m.step for m in got(alone)] == ["opened", "clear"], "what woke them is over: they hear it at once"


# ---- hours, budget -----------------------------------------------------------------------------------------------


def test_what_is_no_danger_waits_for_the_end_of_quiet_hours_in_one_message():
    day = shop([ann(quiet=(parse("07:00-10:00"),))])
    for name in ("knot", "ibis"):
        fault(day, name)
    assert not day.messages()
    fault(day, "ibis", back=True)
    fault(day, "heron")

    def talk(d):
        d.panel("ibis", state="printing", progress=0.4 + (d.now - T0) / 20_000)
        for name in ("knot", "heron"):
            d.panel(name, state="fault")

    day.run(2.5 * HOUR, 10, talk)
    (message,) = got(day)
    assert message.at_s == T0 + 2 * HOUR
    assert message.title == "Since 08:00: 2 things that waited"
    assert "knot reports a fault" in message.text
    assert "ibis" not in message.text, "what is over needs nobody"


def test_beds_that_came_free_in_quiet_hours_are_told_as_they_stand_in_the_morning():
    day = shop([ann(quiet=(parse("07:00-10:00"),))])
    for name in ("knot", "ibis", "heron"):
        release(day, name)
    day.say("cleared", "ibis")
    day.advance(T0 + 2.1 * HOUR)
    (message,) = got(day)
    assert (message.at_s, message.title) == (T0 + 2 * HOUR, "Clear 2 beds: knot, heron")


def test_off_duty_waits_and_survives_a_restart():
    day = shop([ann(duty=(parse("tue 09:30-12:00"),))])  # T0 is a Tuesday
    fault(day, "knot")
    day.restart()
    day.run(2 * HOUR, 10, lambda d: d.panel("knot", state="fault"))
    (message,) = got(day)
    assert message.at_s == pytest.approx(T0 + 1.5 * HOUR, abs=1)


def test_no_24_hours_see_more_than_ten_and_the_long_run_sees_five():
    """Property of the bucket, against a plain count."""
    rng = random.Random(1)
    bucket, now_s, taken = Bucket(5.0), 0.0, []
    while now_s < 60 * 86_400:
        now_s += rng.expovariate(1 / 1800)
        if bucket.take(now_s):
            taken.append(now_s)
    assert max(sum(a <= b < a + 86_400 for b in taken) for a in taken) <= 10
    assert 4.9 < len(taken) / 60 < 5.2


def test_too_much_becomes_a_summary_and_nothing_is_lost():
    names = ("knot", "ibis", "heron", "gannet", "fulmar", "eider", "dunlin", "curlew")
    day = shop([ann(a_day=5.0)], names)
    for name in names:
        fault(day, name)
    day.run(20 * HOUR, 60, lambda d: [d.panel(n, state="fault") for n in names])
    words = " ".join(f"{m.title} {m.text}" for m in got(day))
    assert len(got(day)) <= 6
    assert any("more things since" in m.title for m in got(day))
    assert sum(name in words for name in names) >= 6 or "more." in words


# ---- beds --------------------------------------------------------------------------------------------------------


def test_a_bed_more_joins_without_a_word_one_reminder_and_a_new_request_after_an_answer():
    day = shop([ann(a_day=5.0)])
    release(day, "knot")
    assert [m.title for m in got(day)] == ["Clear bed: knot"]
    day.advance(day.now + 900)
    release(day, "ibis")
    day.advance(day.now + 600)
    assert len(got(day)) == 1
    day.advance(T0 + 5 * HOUR)
    assert [m.title for m in got(day)][1:] == ["Clear 2 beds: knot, ibis"]
    day.say("cleared", "knot")
    release(day, "heron")
    assert got(day)[-1].title == "Clear 2 beds: heron, ibis"
    assert len(got(day)) == 3


def test_clearing_a_bed_left_over_from_the_request_before_is_an_answer_too():
    day = shop([ann()], ("knot", "ibis", "heron", "gannet"))
    release(day, "knot")
    release(day, "ibis")
    day.advance(day.now + 400)
    day.say("cleared", "knot")
    release(day, "heron")
    day.advance(day.now + 400)
    day.say("cleared", "ibis")
    release(day, "gannet")
    assert [m.step for m in got(day)] == ["opened", "more", "opened", "opened"]
    assert got(day)[-1].title == "Clear 2 beds: gannet, heron"


def test_no_reminder_where_no_work_waits():
    day = shop([ann()], work_waits=False)
    release(day, "knot")
    day.advance(T0 + 5 * HOUR)
    assert len(got(day)) == 1


def test_what_is_left_after_a_round_and_was_never_named_is_told_later():
    day = shop([ann()])
    release(day, "knot")
    day.advance(day.now + 600)
    release(day, "ibis")
    day.say("cleared", "knot")
    day.advance(day.now + 1000)
    assert [m.title for m in got(day)] == ["Clear bed: knot", "Clear bed: ibis"]


def test_a_new_bed_does_not_wait_for_what_a_round_left_over():
    day = shop([ann(a_day=5.0)], ("knot", "ibis", "heron"))
    release(day, "knot")
    day.advance(day.now + 400)
    release(day, "ibis")  # joins without a word
    day.say("cleared", "knot")
    day.advance(day.now + 300)
    release(day, "heron")
    since_s = day.now
    day.advance(day.now + 60)
    assert len(got(day)) == 2
    assert "heron" in got(day)[-1].title
    assert got(day)[-1].at_s <= since_s + 60


# ---- whom, and what nobody can be told ---------------------------------------------------------------------------


def test_what_is_no_danger_goes_to_one_person_and_after_an_hour_to_the_next():
    day = shop([ann(a_day=5.0), bram(a_day=5.0)])
    fault(day, "knot")
    assert [m.to for m in day.messages()] == ["ann"]
    day.run(1.5 * HOUR, 10, lambda d: d.panel("knot", state="fault"))
    assert [(m.to, m.step) for m in day.messages() if m.incident.startswith("fault")] == [
        ("ann", "opened"), ("bram", "again"),
    ]  # fmt: skip
    assert day.messages()[-1].title.startswith("Unanswered: ")
    day.run(3 * HOUR, 10, lambda d: d.panel("knot", state="fault"))
    assert len([m for m in day.messages() if m.incident.startswith("fault")]) == 2


def test_whoever_has_been_told_least_is_next_and_the_rota_leaves_out_who_is_off_duty():
    day = shop([ann(a_day=5.0), bram(a_day=5.0)])
    fault(day, "knot")
    fault(day, "ibis")
    assert [m.to for m in day.messages()] == ["ann", "bram"]
    off = shop([ann(a_day=5.0, duty=(parse("tue 20:00-22:00"),)), bram(a_day=5.0)])
    fault(off, "knot")
    fault(off, "ibis")
    assert [m.to for m in off.messages()] == ["bram", "bram"]


def test_an_all_clear_joins_the_next_digest():
    day = shop([ann(a_day=5.0, digests=(13 * 60,))])
    fault(day, "knot")
    fault(day, "knot", back=True)
    assert [m.step for m in got(day)] == ["opened"]
    day.run(5.2 * HOUR, 10, lambda d: d.panel("knot", state="printing", progress=0.4 + (d.now - T0) / 30_000))
    assert [(m.step, m.priority) for m in got(day) if m.incident.startswith("fault")][:2] == [
        ("opened", "session"), ("clear", "digest"),
    ]  # fmt: skip


def test_what_nobody_may_be_told_at_any_hour_is_on_record_and_waits_no_longer():
    day = shop([ann(quiet=(parse("00:00-12:00"), parse("12:00-24:00")))])
    fault(day, "knot")
    day.advance(day.now + 120)
    assert not got(day)
    lost = [e for e in day.effects if isinstance(e, Note) and e.kind == "undelivered"]
    assert [e.doc["untold"] for e in lost] == [True]
    assert "knot" in lost[0].doc["title"]


# ---- digests, the daily report, restarts -------------------------------------------------------------------------


def test_the_daily_report_comes_every_day_and_says_all_well_only_if_it_knows():
    day = shop([ann(daily=450, digests=(450, 780))])
    day.panel("knot", state="idle")
    day.advance(T0 + 50 * HOUR)  # nothing is heard from the other machines
    reports = [m for m in got(day) if m.incident.startswith("daily")]
    assert [m.title[:23] for m in reports] == ["Daily report 2025-11-25", "Daily report 2025-11-26"]
    assert all("all well" not in m.title for m in reports)
    assert all(len(m.title) <= 60 and len(m.title) + 1 + len(m.text) <= 240 for m in reports)


def test_after_a_time_in_the_dark_one_message_says_how_long_and_what_changed():
    day = shop([ann()])
    release(day, "ibis")
    before = len(got(day))
    day.restart(after=0.0)
    day.now += 1.5 * HOUR
    day.feed(Awoke(day.now, day.now - 1.5 * HOUR))
    day.run(120, 5, lambda d: (d.all_ups("OL"), [d.panel(n, state="idle", bed_c=20.0) for n in ("knot", "heron")]))
    told = [m for m in got(day)[before:] if "blind" in m.title]
    assert [m.title for m in told] == ["Farmwatch is back: blind for 1 h 30 min"]
    assert told[0].text.startswith("Nothing was seen from 08:00 to 09:30.")


def test_before_its_own_battery_ends_it_says_so():
    day = shop([ann()], collector_backup="one")
    day.all_ups("OL")
    for left_s in (1500.0, 900.0, 240.0, 180.0):
        for _ in range(4):
            day.ups("one", "OB DISCHRG", at=day.now + 5, charge=left_s / 1600, runtime_s=left_s)
    dark = [m for m in got(day) if "dark" in m.title]
    assert len(dark) == 1
    assert dark[0].priority == "danger"
    assert "nothing is told" in dark[0].text
