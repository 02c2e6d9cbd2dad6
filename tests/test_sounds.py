"""What makes a sound and what does not: beds beyond the day's share, single silent sources, alarms that still stand."""

import asyncio
import dataclasses
import random

import pytest
from farm import T0, Driver, plan, solo
from test_people import HOUR, ann, bram, fault, got, release, shop

from farmwatch.alarms.box import Box
from farmwatch.alarms.budget import Bucket
from farmwatch.alarms.notices import ALONE_AT_WORK_S, ALONE_S
from farmwatch.channels import AppriseChannel
from farmwatch.settings import load
from farmwatch.settings_people import remarks
from farmwatch.stores.journal.outbox import message_of
from farmwatch.webhook import document
from farmwatch.words.errors import Refused
from farmwatch.words.model import Message, RuleChange, SourceDegraded

NAMES = ("knot", "ibis", "heron", "gannet", "fulmar", "eider", "dunlin", "curlew", "avocet")


def beds_all_day(person):
    """Nine beds, half an hour apart, each cleared ten minutes later."""
    day = shop([person], NAMES)
    released = []
    for name in NAMES:
        release(day, name)
        released.append((name, day.now - 20))
        day.advance(day.now + 600)
        day.say("cleared", name)
        day.advance(day.now + 1200)
    return day, released


def test_every_bed_is_told_within_a_minute_and_four_of_five_sounds_are_for_beds():
    """Promises P2 and P4 together, where the first channel can be silent."""
    day, released = beds_all_day(ann(a_day=5.0, silent=True))
    messages = got(day)
    assert [m.silent for m in messages] == [False] * 4 + [True] * 5
    for (name, at_s), message in zip(released, messages, strict=True):
        assert name in message.title
        assert message.at_s - at_s <= 60


def test_without_such_a_channel_the_budget_makes_beds_wait_and_all_that_comes_makes_a_sound():
    day, _ = beds_all_day(ann(a_day=2.0))
    assert len(got(day)) < len(NAMES)
    assert not any(m.silent for m in got(day))


def test_the_later_ones_of_the_five_minutes_make_no_second_sound():
    day = shop([ann(a_day=5.0, silent=True)])
    release(day, "knot")
    release(day, "ibis")
    day.advance(day.now + 400)
    assert [(m.step, m.silent) for m in got(day)] == [("opened", False), ("more", True)]


def test_after_quiet_hours_beds_wait_for_no_token():
    day, _ = beds_all_day(ann(a_day=5.0, silent=True))
    before = len(got(day))
    day.restart()
    release(day, "knot")
    assert [m.silent for m in got(day)[before:]] == [True], "what has sounded survives a restart"


def test_other_things_never_come_silently_and_leave_room():
    day, _ = beds_all_day(ann(a_day=5.0, silent=True))
    fault(day, "knot")
    (message,) = [m for m in day.messages() if m.incident.startswith("fault")]
    assert message.at_s > day.now - 60, "beds have taken no tokens: it waits for none"
    assert not message.silent


@pytest.mark.parametrize("seed", range(5))
def test_no_24_hours_have_more_than_ten_sounds_nor_more_than_four_where_only_beds_ask(seed):
    rng = random.Random(seed)
    for mixed in (False, True):
        box, now_s, sounds = Box(ann(a_day=5.0, silent=True), Bucket(5.0)), 0.0, []
        while now_s < 30 * 86_400:
            now_s += rng.expovariate(1 / 2400)
            if box.sound(now_s, 0.0, beds=not mixed or rng.random() < 0.7):
                sounds.append(now_s)
            if rng.random() < 0.1:
                again = Box(box.person, Bucket(5.0))
                again.restore(box.as_dict())
                box = again
        worst = max(sum(a <= b < a + 86_400 for b in sounds) for a in sounds)
        assert worst <= (10 if mixed else 4)
        assert len(sounds) > 3.5 * 30


# ---- one source that says nothing --------------------------------------------------------------------------------


@pytest.mark.parametrize(("gone_s", "told"), [(360, 0), (1700, 0), (2200, 2)])
def test_a_source_that_comes_back_by_itself_is_told_nobody(gone_s, told):
    day = Driver(plan(["knot", "ibis"], plugs=False, ups=False))
    both = lambda *names: lambda d: [d.panel(n, state="idle") for n in names]  # noqa: E731
    day.run(300, 2, both("knot", "ibis"))
    gone = day.now
    day.run(gone_s, 2, both("ibis"))
    assert any(n.doc["alarm"] == "source_silent" for n in day.notes("alarm")), "the page has it at once"
    day.run(60, 2, both("knot", "ibis"))
    assert len(day.messages()) == told
    if told:
        assert ALONE_S <= day.messages()[0].at_s - gone <= ALONE_S + 180


@pytest.mark.parametrize(("plugs", "wait_s"), [(False, ALONE_AT_WORK_S), (True, ALONE_S)])
def test_a_build_of_which_nothing_else_is_heard_is_told_of_sooner(plugs, wait_s):
    """With a plug that goes on to say what the machine draws, its build is seen all the same."""
    day = Driver(plan(["knot", "ibis"], plugs=plugs, ups=False))

    def talk(d, names=("knot", "ibis")):
        for name in ("knot", "ibis"):
            if name in names:
                d.panel(name, state="printing", job="vent")
            if plugs:
                d.plug(name, 110.0)

    day.run(300, 5, talk)
    gone = day.now
    day.run(2200, 5, lambda d: talk(d, ("ibis",)))
    (message,) = day.messages()
    assert message.title == "No word from knot"
    assert wait_s <= message.at_s - gone <= wait_s + 180


def test_a_build_that_begins_while_a_plug_is_silent_and_is_then_lost_too_is_told_of():
    day = Driver(plan(["knot", "ibis"], ups=False))

    def talk(d, knot=None, plug=False):
        if knot:
            d.panel("knot", state=knot, job="vent")
        if plug:
            d.plug("knot", 8.0)
        d.panel("ibis", state="idle")
        d.plug("ibis", 8.0)

    day.run(300, 5, lambda d: talk(d, "idle", plug=True))
    gone = day.now
    day.run(500, 5, lambda d: talk(d, "idle"))
    day.run(300, 5, lambda d: talk(d, "printing"))
    day.run(1000, 5, talk)
    (message,) = day.messages()
    assert 800 < message.at_s - gone < ALONE_S


def test_a_single_source_is_told_to_one_person_and_several_to_all():
    for silent, people in ((["knot"], 1), (["knot", "heron", "gannet"], 2)):
        site = plan(["knot", "ibis", "heron", "gannet"], plugs=False, ups=False)
        day = Driver(dataclasses.replace(site, people={p.name: p for p in (ann(a_day=5.0), bram(a_day=5.0))}))
        day.run(300, 5, lambda d: [d.panel(n, state="idle") for n in ("knot", "ibis", "heron", "gannet")])
        on = [n for n in ("knot", "ibis", "heron", "gannet") if n not in silent]
        day.run(2100, 5, lambda d, on=on: [d.panel(n, state="idle") for n in on])
        assert len(day.messages()) == people
        assert len({m.to for m in day.messages()}) == people
        day.run(2 * HOUR, 5, lambda d, on=on: [d.panel(n, state="idle") for n in on])
        assert {m.to for m in day.messages()} == {"ann", "bram"}, "unanswered: the next one, after an hour"
        assert len(day.messages()) == 2


def test_payloads_that_cannot_be_read_do_not_make_a_single_silent_source_more_urgent():
    day = Driver(plan(["knot", "ibis"], plugs=False, ups=False))
    day.run(300, 5, lambda d: [d.panel(n, state="idle") for n in ("knot", "ibis")])
    source = next(s.id for s in day.site.sources.values() if s.subject == "knot")
    gone = day.now
    day.feed(SourceDegraded(day.now, source, "no JSON", True))
    told = lambda: [m for m in day.messages() if m.priority != "digest"]  # noqa: E731
    day.run(1700, 5, lambda d: d.panel("ibis", state="idle"))
    assert not told()
    day.run(300, 5, lambda d: d.panel("ibis", state="idle"))
    (message,) = told()
    assert message.rules == ("source_silent",)
    assert ALONE_S <= message.at_s - gone <= ALONE_S + 180


def test_three_that_fall_silent_are_told_within_minutes_and_so_is_a_backup():
    day = Driver(plan(["knot", "ibis", "heron", "gannet"], plugs=False, ups=False))
    day.run(300, 2, lambda d: [d.panel(n, state="idle") for n in ("knot", "ibis", "heron", "gannet")])
    day.run(240, 2, lambda d: d.panel("gannet", state="idle"))
    assert [m.step for m in day.messages()] == ["opened"]


def test_the_wait_for_a_single_source_survives_a_restart():
    day = solo("knot", "ibis")
    day.run(300, 2, lambda d: [d.panel(n, state="idle") for n in ("knot", "ibis")])
    gone = day.now
    day.run(300, 2, lambda d: d.panel("ibis", state="idle"))
    day.restart()
    day.run(1480, 2, lambda d: d.panel("ibis", state="idle"))
    assert not day.messages()
    day.run(400, 2, lambda d: d.panel("ibis", state="idle"))
    assert ALONE_S <= day.messages()[0].at_s - gone <= ALONE_S + 180


# ---- what was acknowledged and still stands ----------------------------------------------------------------------


def hot(day, seconds, names=("knot",)):
    def talk(d):
        for name in names:
            d.panel(name, state="idle", nozzle_c=24.0)
            d.plug(name, 260.0)

    day.run(seconds, 10, talk)


def heating(people):
    site = plan(["knot"], ups=False)
    day = Driver(dataclasses.replace(site, people={p.name: p for p in people}))
    hot(day, 800)
    return day


def test_a_danger_that_was_acknowledged_and_stands_is_told_again_and_escalates_anew():
    """ANSI/ISA-18.2, re-alarm; OPC 10000-9: after ReAlarmTime the alarm is unacknowledged again."""
    day = heating([ann(at_once=False), bram(at_once=False)])
    (first,) = [m for m in day.messages() if m.priority == "danger"]
    assert first.to == "ann"
    for number in range(1, 4):  # every time, however often it has been told
        day.say("acknowledged", alarm="heater_without_job:knot")
        acknowledged = day.now
        hot(day, 1900)
        again = [m for m in day.messages() if m.step == "realarm"]
        assert len(again) == number
        assert again[-1].at_s - acknowledged == pytest.approx(1800, abs=15)
        assert again[-1].title.startswith("Still: ")
        assert again[-1].priority == "danger"
        assert len(again[-1].title) <= 60
    hot(day, 900)
    assert [(m.to, m.by) for m in day.messages() if m.step == "escalated"][:2] == [("ann", ("mail",)), ("bram", ())]
    assert len({m.id for m in day.messages()}) == len(day.messages())


def test_an_alarm_for_this_session_is_told_again_within_its_messages_and_quiet_hours():
    change = {"machine_fault": RuleChange(realarm_s=3600.0)}
    day = shop([ann(a_day=5.0)], rules=change)
    fault(day, "knot")
    for _ in range(4):
        day.say("acknowledged", alarm="machine_fault:knot")
        day.run(HOUR + 60, 10, lambda d: d.panel("knot", state="fault"))
    told = [m for m in day.messages() if m.incident.startswith("fault")]
    assert [m.step for m in told] == ["opened", "realarm"], "two and an all-clear are what an incident may have"
    assert day.brain.farm.book.alarms["machine_fault:knot"].state == "unacknowledged", "the page still asks"


def test_a_rule_without_a_time_never_asks_again():
    day = shop([ann(a_day=5.0)])
    fault(day, "knot")
    day.say("acknowledged", alarm="machine_fault:knot")
    day.run(10 * HOUR, 30, lambda d: d.panel("knot", state="fault"))
    assert [m.step for m in day.messages() if m.incident.startswith("fault")] == ["opened"]


# ---- the ways to a phone -----------------------------------------------------------------------------------------


class Hidden:
    def __init__(self, url):
        self._url = url

    def get_secret_value(self):
        return self._url


def message(**more):
    return Message("i.opened.1.ann", T0, "ann", "session", "Clear bed: knot", "knot ready.", "i", "opened", **more)


@pytest.mark.parametrize(("silent", "quiet", "soft"), [(False, "+x=1", False), (True, "+x=1", True), (True, "", False)])
def test_a_silent_message_goes_out_with_the_channels_quiet_options(monkeypatch, silent, quiet, soft):
    """The library of services itself, with a service of ours: what it was made with is what it sends with."""
    made = []
    channel = AppriseChannel("pager", "ann's pager", Hidden("json://127.0.0.1:9/x"), quiet)
    real = channel._make

    def make(more=""):
        service = real(more)
        made.append((more, service))
        monkeypatch.setattr(service, "notify", lambda **_: True)
        return service

    monkeypatch.setattr(channel, "_make", make)
    for _ in range(2):
        asyncio.run(channel.send(message(silent=silent), ()))
    assert [more for more, _ in made] == [quiet if soft else ""], "made once and kept"


def test_a_receiver_is_told_whether_to_be_silent_and_the_journal_remembers():
    assert document(message(silent=True), (), "k", repeat=False)["silent"] is True
    assert document(message(), (), "k", repeat=False)["silent"] is False
    test = dataclasses.replace(message(), priority="test")
    assert document(test, (), "k", repeat=False)["silent"] is True
    import json

    assert message_of(json.dumps(dataclasses.asdict(message(silent=True)))).silent is True


@pytest.mark.parametrize(
    ("channel", "beyond", "silent"),
    [
        ('quiet = "priority=low"', "silent", True),
        ('quiet = "priority=low"', "wait", False),
        ("", "silent", False),
    ],
)
def test_the_owner_chooses(tmp_path, channel, beyond, silent):
    path = tmp_path / "farmwatch.toml"
    path.write_text(
        f'config_version = 1\n[channels.phone]\n{channel}\n[people.ann]\nchannels = ["phone"]\nbeyond = "{beyond}"\n'
    )
    settings = load(str(path), live=False)
    assert settings.plan().people["ann"].silent is silent
    assert any("no quiet options" in line for line in remarks(settings)) is (not channel)


# ---- bad input ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", ["", None, " \t\n", 5, ["x"]])
def test_a_shelf_wants_a_reason_whatever_way_it_comes(reason):
    day = shop([ann()])
    fault(day, "knot")
    with pytest.raises(Refused, match="for a reason"):
        day.brain.farm.book.shelve("machine_fault:knot", 60, day.now, [], reason=reason)
    with pytest.raises(Refused, match="for a reason"):
        day.say("shelved", alarm="machine_fault:knot", minutes=60, reason=reason)
    assert day.brain.farm.book.alarms["machine_fault:knot"].state == "unacknowledged"


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("[rules.mains_lost]\noff = true\n", "mains_lost is a danger that you have never raised"),
        ('[rules.overload]\npriority = "digest"\n', "overload is a danger that you have told as digest only"),
        ("[rules.bed_waiting]\noff = true\n", ""),
    ],
)
def test_a_danger_that_the_owner_has_silenced_is_pointed_out(tmp_path, lines, words):
    path = tmp_path / "farmwatch.toml"
    path.write_text(f"config_version = 1\n{lines}")
    said = [line for line in remarks(load(str(path), live=False)) if "danger that you" in line]
    assert [words in line for line in said] == ([True] if words else [])
