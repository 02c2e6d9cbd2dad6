"""A plug's levels and word in the view; a person's corrections end to end; what bad readings make a person see."""

import random
from dataclasses import replace

import pytest
from farm import T0, Driver, plan

from farmwatch.machines import falls, plugwords
from farmwatch.machines.signature import PowerSense
from farmwatch.words.errors import Refused
from farmwatch.words.model import Keep, Observed, Said


def feed(sense, start_s, seconds, watts, every_s=10.0):
    at_s = start_s
    while at_s < start_s + seconds:
        sense.observe(at_s, watts(at_s))
        at_s += every_s
    return at_s


def square(at_s):
    return 262.0 if at_s % 95 < 30 else 52.0


def build(sense, at_s, seconds=5400, every_s=10.0):
    at_s = feed(sense, at_s, 3600, lambda _: 8.0, every_s)
    at_s = feed(sense, at_s, 300, lambda _: 285.0, every_s)
    return feed(sense, at_s, seconds, square, every_s)


def test_levels_and_probabilities_stand_in_the_view():
    sense = PowerSense()
    at_s = build(sense, 0.0)
    view = plugwords.view(sense, at_s)
    assert view["activity"] == "printing"
    assert sum(view["posterior"].values()) == pytest.approx(1.0, abs=1e-3)
    assert set(view["levels"]) == set(plugwords.KEYS)
    assert view["levels"]["idle_w"]["watts"] == pytest.approx(8.0, abs=0.5)
    assert view["levels"]["idle_w"]["minutes"] > 30
    assert not view["levels"]["idle_w"]["set"]
    assert view["learned"]


def test_a_person_sets_a_level_and_lets_it_go_again():
    sense = PowerSense()
    plugwords.correct(sense, {"level": "idle_w", "value": 14.0})
    feed(sense, 0.0, 3600, lambda _: 12.0)
    assert plugwords.view(sense, 3600.0)["levels"]["idle_w"] == {"watts": 14.0, "minutes": 0.0, "set": True}
    back = PowerSense.from_dict(sense.as_dict())
    assert back.levels.levels["idle"].fixed
    plugwords.correct(back, {"level": "idle_w"})
    feed(back, 3600.0, 7200, lambda _: 12.0)
    assert back.levels.watts()["idle"] == pytest.approx(12.0, abs=0.5)
    for level, value in (("warm", 3.0), (None, None), ("idle_w", "x"), ("idle_w", -1.0)):
        with pytest.raises(Refused):
            plugwords.correct(sense, {"level": level, "value": value})


def test_what_the_configuration_sets_is_learnt_again_once_it_no_longer_does():
    sense = PowerSense()
    sense.set_level("idle", 14.0, planned=True)
    assert sense.levels.levels["idle"].fixed
    assert not PowerSense.from_dict(sense.as_dict()).levels.levels["idle"].fixed


def pause(sense, at_s, minutes, watts, every_s):
    at_s = feed(sense, at_s, 60 * minutes, lambda _: watts, every_s)
    return feed(sense, feed(sense, at_s, 120, lambda _: 285.0, every_s), 2400, square, every_s)


@pytest.mark.parametrize("every_s", [2.0, 10.0, 60.0])
@pytest.mark.parametrize(("minutes", "watts"), [(4, 8.0), (8, 16.0), (19, 18.0)])
def test_a_pause_with_every_heater_off_does_not_end_the_build(every_s, minutes, watts):
    """Motors that are held draw 8 to 10 W here; up to four minutes even a pause that looks like rest."""
    sense = PowerSense()
    at_s = build(sense, 0.0, every_s=every_s)
    start_s = sense.build.start_s
    at_s = pause(sense, at_s, minutes, watts, every_s)
    assert sense.build.start_s == start_s
    assert sense.build.end_s is None
    feed(sense, at_s, 1500, lambda _: 8.0, every_s)
    assert sense.build.end_s == pytest.approx(at_s, abs=max(11.0, 1.1 * every_s))


def test_an_end_that_looked_like_a_pause_is_set_back_and_said_to_be_open_until_then():
    sense = PowerSense()
    end_s = build(sense, 0.0)
    at_s = feed(sense, end_s, 240, lambda _: 8.0)
    said = sense.judge(at_s)
    assert said.maybe_over
    assert "a pause, or over" in said.because
    at_s = feed(sense, at_s, 120, lambda _: 8.0)
    said = sense.judge(at_s)
    assert said.activity == "finished"
    assert said.build_end_s == pytest.approx(end_s, abs=10)


def test_a_person_says_that_it_is_not_over_and_such_pauses_are_waited_for_from_then_on():
    sense = PowerSense()
    at_s = feed(sense, build(sense, 0.0), 600, lambda _: 8.0)
    start_s = sense.build.start_s
    assert sense.build.end_s is not None
    assert sense.not_over()
    assert sense.build.end_s is None
    at_s = feed(sense, feed(sense, at_s, 120, lambda _: 285.0), 2400, square)
    at_s = pause(sense, at_s, 15, 8.0, 10.0)
    assert (sense.build.start_s, sense.build.end_s) == (start_s, None)


@pytest.mark.parametrize("seed", range(6))
def test_irregular_sampling_gaps_duplicates_and_late_readings_change_nothing(seed):
    rng, sense, at_s = random.Random(seed), PowerSense(), 0.0
    while at_s < 14_400.0:
        at_s += rng.uniform(1.0, 60.0) if rng.random() > 0.01 else 170.0
        watts = 8.0 if at_s < 3600 or at_s > 10_800 else 285.0 if at_s < 3960 else square(at_s)
        sense.observe(at_s, watts)
        if rng.random() < 0.1:
            sense.observe(at_s, watts)
            sense.observe(at_s - rng.uniform(0.0, 300.0), rng.choice([0.0, 8.0, 285.0]))
    assert sense.build.start_s == pytest.approx(3600, abs=90)
    assert sense.build.end_s == pytest.approx(10_800, abs=90)


def test_samples_that_beat_with_the_bed_do_not_end_a_build():
    """Samples every 10 s of a bed that switches every 10.2 s: for minutes all see the same half of the wave."""
    sense = PowerSense()
    at_s = feed(sense, feed(sense, 0.0, 3600, lambda _: 8.0), 300, lambda _: 285.0)
    at_s = feed(sense, at_s, 7200, lambda t: 262.0 if t % 10.2 < 4.0 else 52.0)
    assert sense.build.end_s is None
    feed(sense, at_s, 600, lambda _: 8.0)
    assert sense.build.end_s == pytest.approx(at_s, abs=15)


def test_negative_watts_and_kilowatts_are_counted_and_asked_about_never_rescaled():
    sense = PowerSense()
    at_s = build(sense, 0.0)
    before_w = sense.power_w
    for i in range(12):
        sense.observe(at_s + 10 * i, -52.0)
    assert (sense.rejected, sense.power_w) == (12, before_w)
    for i in range(12):
        sense.observe(at_s + 120 + 10 * i, square(10 * i) / 1000.0)
    assert "unit changed?" in plugwords.view(sense, at_s + 240)["unit_suspect"]
    assert sense.power_w < 1.0


def test_a_fall_is_found_in_both_levels_and_a_pause_is_not_one():
    """The step is put there by hand, so that place and size are known."""
    rng = random.Random(2)
    for end, back, found in ((3600, None, True), (None, None, False), (3600, 4500, False)):
        rows = []
        for t in range(0, 5400, 60):
            saved = 20.0 if end is not None and t >= end and (back is None or t < back) else 0.0
            rows.append((float(t), (250.0 if rng.random() < 0.5 else 60.0) - saved + rng.gauss(0, 3.0)))
        fall = falls.find(rows, 5400.0, 300.0, 2700.0, (20.0, 11.0))
        assert (fall is not None and fall.log_odds > 3.0) == found
        if found:
            assert fall.at_s == pytest.approx(3600.0, abs=61)
            assert fall.saved_w == pytest.approx(20.0, abs=3.0)


def watts_of(at_s):
    """Idle, one build of an hour and a half, idle again."""
    if at_s < 3600 or at_s > 9360:
        return 8.0
    return 285.0 if at_s < 3960 else square(at_s)


def see(day, t, watts):
    day.feed(Observed(T0 + t, "avocet", "plug.avocet", {"power_w": watts}))


def through(from_s, until_s, day, watts=watts_of):
    for t in range(from_s, until_s, 10):
        see(day, t, watts(t))
    return day


def alone():
    return Driver(plan(["avocet"], plug_only=("avocet",), ups=False))


def track(day):
    return day.brain.farm.machines["avocet"]


def say(day, t, command, **fields):
    return day.feed(Said(T0 + t, command, "avocet", "ann", fields))


@pytest.mark.parametrize("result", ["failed", "cancelled"])
def test_a_build_marked_by_the_person_is_kept_censored(result):
    day = alone()
    through(0, 4000, day)
    say(day, 4000, "started", job="hinge")
    through(4010, 10_000, day)
    build = track(day).last_build
    assert build.ended_s == pytest.approx(T0 + 9360, abs=15)
    say(day, 10_000, result)
    assert track(day).last_build.result == result
    estimator = day.brain.farm.estimator
    estimator.started("avocet", "next", "hinge", T0 + 11_000.0)
    said = estimator.estimate("next", T0 + 11_060.0)
    assert said is None or said.p90_s is None  # one censored run is no duration


def test_not_over_through_the_brain_takes_the_build_up_again():
    day = alone()
    through(0, 10_000, day)
    first = track(day).last_build
    assert track(day).build is None
    say(day, 10_000, "not_over")
    assert track(day).build is first
    assert track(day).state == "paused"
    through(10_010, 13_000, day, lambda t: 285.0 if t < 10_200 else square(t))
    assert track(day).state == "printing"
    through(13_000, 15_000, day, lambda _: 8.0)
    assert track(day).last_build.id == first.id
    assert track(day).last_build.ended_s == pytest.approx(T0 + 13_000, abs=15)


def test_a_level_that_was_said_is_kept_in_the_journal_and_the_plan_stands_above_it():
    day = alone()
    through(0, 600, day)
    effects = say(day, 600, "plug_level", level="idle_w", value=14.0)
    kept = [e for e in effects if isinstance(e, Keep) and e.kind == "sense"]
    assert PowerSense.from_dict(kept[-1].doc).levels.watts()["idle"] == pytest.approx(14.0)
    machine = track(day)
    machine.plan = replace(machine.plan, plug_levels=(("idle_w", 21.0),))
    machine.take_sense(PowerSense.from_dict(kept[-1].doc))
    assert machine.sense.levels.watts()["idle"] == pytest.approx(21.0)
    with pytest.raises(Refused, match="no level"):
        say(day, 700, "plug_level", level="warm", value=3.0)


def test_a_plug_that_restarts_is_not_a_machine_that_stopped_through_the_brain():
    day = alone()
    through(0, 6000, day)
    first = track(day).build
    before = len(day.notes("state"))
    see(day, 6000, 0.0)
    see(day, 6010, 0.0)
    assert track(day).state == "printing", "two readings of nothing are no rest"
    through(6090, 9000, day)
    assert track(day).build is first
    assert track(day).state == "printing"
    since = [note.doc["state"] for note in day.notes("state")[before:]]
    assert set(since) <= {"unknown", "printing"}, since


def test_a_unit_that_changed_is_an_alarm_that_the_person_sees():
    day = alone()
    through(0, 6000, day)
    through(6000, 6300, day, lambda t: square(t) / 1000.0)
    alarm = day.brain.farm.book.alarms.get("unit_suspect:avocet")
    assert alarm is not None
    assert alarm.state != "normal"
