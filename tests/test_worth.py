"""What a build is worth in an outage, said by a person; and when to start, on page and in messages."""

import math

import pytest
from farm import NAMES, T0, Driver
from test_advice import Answering, outage, printing, shop, under_way

from farmwatch.web.machine_cell import in_rows
from farmwatch.web.said import BadWords, said
from farmwatch.words.errors import Refused


def seen(d, name):
    return next(m for m in d.brain.view(d.now)["machines"] if m["name"] == name)


def test_by_default_it_is_the_minutes_in_it_and_a_person_can_say_otherwise():
    d = Answering(shop())
    under_way(d, 30)
    assert seen(d, "gannet")["value"] == pytest.approx(30.0, abs=1.0)
    d.say("valued", "gannet", value=500.0)
    row = seen(d, "gannet")
    assert (row["value"], row["value_said"]) == (500.0, True)
    assert "500 (as said)" in in_rows(d.brain.view(d.now))
    d.say("valued", "gannet")
    assert seen(d, "gannet")["value_said"] is False


def test_it_turns_the_plan_and_is_kept_over_a_restart():
    d = Answering(shop())
    under_way(d, 30, gannet=30, curlew=30)
    outage(d, 20, gannet=30, curlew=30)
    first = d.brain.farm.rescue.advice["one"].decision
    other = "gannet" if "curlew" in first.saves else "curlew"
    assert first.saves
    d.say("valued", other, value=9_000.0)
    d.advance(d.now + 10.0)
    assert d.brain.farm.rescue.advice["one"].decision.saves == (other,)
    d.restart()
    assert seen(d, other)["value"] == 9_000.0


def test_it_holds_for_one_build():
    d = Answering(shop())
    under_way(d, 5)
    d.say("valued", "gannet", value=0.0)
    assert seen(d, "gannet")["value"] == 0.0
    d.panel("gannet", state="done", progress=1.0)
    d.say("cleared", "gannet")
    printing(d, "gannet", 60)
    assert seen(d, "gannet")["value_said"] is False


@pytest.mark.parametrize("value", [-1.0, 2e6, True, "much", math.nan])
def test_what_is_no_value_is_refused(value):
    d = Answering(shop())
    under_way(d, 5)
    with pytest.raises(Refused, match="value must be a number from 0"):
        d.say("valued", "gannet", value=value)
    with pytest.raises(BadWords):
        said({"command": "valued", "machine": "gannet", "value": value}, 0.0, by="ann")


def test_nothing_in_hand_has_no_value_and_nought_is_one():
    d = Answering(shop())
    d.panel("gannet", state="idle")
    with pytest.raises(Refused, match="no build in hand"):
        d.say("valued", "gannet", value=5.0)
    assert said({"command": "valued", "machine": "gannet", "value": "0"}, 0.0, by="ann").fields == {"value": 0.0}


# ---- starting ---------------------------------------------------------------------------------------------------


def test_a_message_about_beds_says_which_to_start_first_where_not_all_may_at_once():
    """Three machines on a backup of 600 W: three heat-ups of some 300 W do not fit together."""
    d = Driver()

    def each(state):
        def say(day):
            day.all_ups("OL")
            for name in NAMES:
                mine = state if name in ("avocet", "bittern", "curlew") else "idle"
                day.panel(name, state=mine, job="latch" if mine != "idle" else None, progress=0.5,
                          remaining_s=600.0, bed_c=60.0 if mine == "printing" else 25.0)  # fmt: skip
                day.plug(name, 110.0 if mine == "printing" else 8.0)

        return say

    d.run(600.0, 10.0, each("printing"))
    d.run(400.0, 10.0, each("done"))
    (message,) = [m for m in d.messages() if m.title.startswith("Clear 3 beds")][:1]
    assert "Then start " in message.text
    assert " now" in message.text
    assert len(message.title) + 1 + len(message.text) <= 240
    for name in ("avocet", "bittern", "curlew"):
        d.say("cleared", name)
    d.now += 5.0
    each("idle")(d)
    html = in_rows(d.brain.view(d.now))
    assert "may start" in html
    assert d.now > T0
    later = d.brain.view(d.now)["starts"]["later"]
    if later:
        assert "start from " in html
