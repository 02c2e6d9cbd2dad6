"""At most three messages an incident: what deserves the one between the first and the all-clear, and when."""

from dataclasses import replace

import pytest
from farm import NAMES, T0, Driver, plan
from test_advice import Answering, outage, shop, under_way

from farmwatch.power.rescue_advice import Decision
from farmwatch.power.rescue_desk import LEAD_S
from farmwatch.words.model import PersonPlan


@pytest.fixture
def told():
    """A first message has gone out that asks for nothing; the desk, and a function that sets the decision."""
    d = Answering(shop())
    under_way(d, 10, curlew=5)
    outage(d, 20, curlew=5)
    desk = d.brain.farm.rescue
    assert desk.told == []

    def decide(by_s, pause=("gannet",)):
        found = None if by_s is None else Decision("one", by_s, pause, (), ("curlew",), ())
        desk.advice["one"] = replace(desk.advice["one"], decision=found)

    return d, desk, decide


def test_a_changed_plan_is_told_when_there_is_just_time_to_act(told):
    d, desk, decide = told
    by_s = d.now + LEAD_S + 900.0
    decide(by_s)
    assert not desk.newsworthy(d.now)
    assert d.brain.farm.timers.due_s(("rescue", "")) == by_s - LEAD_S
    assert desk.newsworthy(by_s - LEAD_S)


def test_a_change_that_is_taken_back_before_that_spends_nothing(told):
    d, desk, decide = told
    decide(d.now + LEAD_S + 900.0)
    assert not desk.newsworthy(d.now)
    decide(None)
    assert not desk.newsworthy(d.now + 900.0)
    assert [m.step for m in d.messages()] == ["opened"]


def test_a_deed_that_is_wanted_at_once_is_told_at_once_and_one_long_past_is_not(told):
    d, desk, decide = told
    decide(d.now)
    assert desk.newsworthy(d.now + 30.0)
    assert not desk.newsworthy(d.now + 600.0)


def test_a_deed_that_was_told_and_is_not_wanted_any_more_is_taken_back_in_time(told):
    d, desk, decide = told
    decide(d.now + LEAD_S + 600.0)
    desk.was_told([])
    decide(None)
    assert not desk.newsworthy(d.now)
    assert desk.newsworthy(d.now + 600.0)


def test_battery_low_takes_the_one_change_and_carries_the_plan_with_it(told):
    d, _, decide = told
    decide(d.now + 1800.0)
    d.ups("one", "OB LB", charge=0.1)
    d.advance(d.now + 20.0)
    message = next(m for m in d.messages() if m.step == "more")
    assert message.title == "Battery low: one"
    assert len(message.title) + 1 + len(message.text) <= 240
    assert "pause gannet so that curlew can finish" in message.text


@pytest.fixture
def spent():
    """Circuit west goes, east a minute and a half later: the incident's one change message is spent."""
    day = Driver(replace(plan(), people={"ann": PersonPlan("ann", ("phone", "mail"))}))
    ups(day, 60.0, {})
    ups(day, 90.0, {"one": "OB DISCHRG", "two": "OB DISCHRG"})
    ups(day, 60.0, dict.fromkeys(("one", "two", "three", "four"), "OB DISCHRG"))
    assert [m.step for m in day.messages()] == ["opened", "more"]
    return day


def ups(day, seconds, status):
    def say(d):
        for name in NAMES:
            d.panel(name, state="printing", job="latch", progress=0.3, remaining_s=7200.0)
            d.plug(name, 110.0)
        for name in ("one", "two", "three", "four"):
            d.ups(name, status.get(name, "OL"), charge=0.1 if status.get(name) == "OB LB" else 0.6)

    day.run(seconds, 5.0, say)


ALL_OUT = dict.fromkeys(("one", "two", "three", "four"), "OB DISCHRG")


def test_battery_low_reaches_the_phone_although_the_one_change_is_spent(spent):
    ups(spent, 60.0, {**ALL_OUT, "one": "OB LB"})
    third = spent.messages()[-1]
    assert (third.step, third.priority, third.title) == ("escalated", "danger", "Battery low: one")
    assert "Empty next: " in third.text or "Also on battery: " in third.text
    assert len(third.title) + 1 + len(third.text) <= 240
    ups(spent, 60.0, {**ALL_OUT, "one": "OB LB", "two": "OB LB"})  # it was named in that one
    ups(spent, 120.0, {})
    assert [m.step for m in spent.messages()] == ["opened", "more", "escalated", "clear"]
    assert len({m.id for m in spent.messages()}) == 4


def test_battery_low_after_an_acknowledgement_wants_an_answer_of_its_own(spent):
    """P5: an unacknowledged danger goes on to the second channel after five minutes."""
    for alarm in [a for a in spent.brain.farm.book.alarms.values() if a.rule == "mains_lost" and a.true]:
        spent.say("acknowledged", alarm=alarm.id)
    ups(spent, 330.0, {**ALL_OUT, "one": "OB LB"})
    assert [(m.step, m.by) for m in spent.messages()][2:] == [("escalated", ()), ("escalated", ("mail",))]
    assert spent.messages()[-1].title == "Unanswered: Battery low: one"


def test_a_first_message_says_which_batteries_are_low_already():
    d = Driver()
    d.run(60.0, 5.0, lambda d: d.all_ups("OL"))
    d.run(60.0, 5.0, lambda d: d.all_ups("OB LB", charge=0.05))
    first = next(m for m in d.messages() if m.priority == "danger")
    assert first.text.startswith("Battery low already: ")
    assert len(first.title) + 1 + len(first.text) <= 240


def loss(after_s):
    """Circuit west goes; east so much later, two minutes in all."""
    day = Driver()

    def each(status):
        def say(d):
            for name in NAMES:
                d.panel(name, state="printing", job="latch", progress=0.3, remaining_s=7200.0)
                d.plug(name, 110.0)
            for name in ("one", "two"):
                d.ups(name, status, charge=0.9)
            for name in ("three", "four"):
                d.ups(name, status if d.now >= T0 + 60.0 + after_s else "OL", charge=0.9)

        return say

    day.run(60.0, 5.0, each("OL"))
    day.run(180.0, 5.0, each("OB DISCHRG"))
    day.run(60.0, 5.0, each("OL CHRG"))
    return day.messages()


def test_a_second_circuit_within_half_a_minute_is_the_same_story():
    assert [m.step for m in loss(20.0)] == ["opened", "clear"]


def test_a_second_circuit_later_is_news():
    messages = loss(90.0)
    assert [m.step for m in messages] == ["opened", "more", "clear"]
    assert messages[0].title == "Circuit west lost: 2 backups on battery"
    assert messages[1].title == "Mains lost: 4 backups on battery"
