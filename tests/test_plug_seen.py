"""What the person sees of a machine that has a plug alone, and of clocks that are off: page, view and messages."""

import json
import re
from html import unescape

import pytest
from farm import T0, Driver, plan, solo

from farmwatch.machines.eta import Estimator
from farmwatch.overview import view_of
from farmwatch.web import machine_cell
from farmwatch.web.markup import zone
from farmwatch.wire.intake import Intake, Route
from farmwatch.wire.payload import FieldSpec, MappingSpec
from farmwatch.words.model import Raw
from farmwatch.words.quantities import QUANTITIES


def square(at_s):
    return 262.0 if at_s % 95 < 30 else 52.0


def alone():
    return Driver(plan(["avocet"], plug_only=("avocet",), ups=False))


def draws(day, seconds, watts, every_s=10.0):
    until_s = day.now + seconds
    while day.now < until_s:
        day.plug("avocet", watts(day.now), day.now + every_s)
    return day


def builds(day, seconds, *, idle_s=1800):
    draws(day, idle_s, lambda _: 8.0)
    draws(day, 300, lambda _: 285.0)
    return draws(day, seconds, square)


def seen(day, name="avocet"):
    view = view_of(day.brain.farm, day.now)
    json.dumps(view, allow_nan=False)
    row = next(m for m in view["machines"] if m["name"] == name)
    html = str(machine_cell.cell(row, day.now, zone(view["timezone"])))
    return row, html, " ".join(unescape(re.sub(r"<[^>]*>", " ", html)).split())


def known(day, hours, builds=8, job="hinge"):
    """The estimator knows this job from so many builds of so many hours."""
    estimator = Estimator()
    for i in range(builds):
        begin_s = T0 - 86_400.0 * (builds - i)
        estimator.started("avocet", f"{i}", job, begin_s)
        estimator.ended(f"{i}", begin_s + 3600.0 * hours * (1.0 + 0.01 * (i % 3 - 1)), "done")
    day.brain.farm.estimator = estimator
    day.machine("avocet").use(estimator)
    return estimator


def test_levels_and_probabilities_stand_on_the_machines_page():
    day = builds(alone(), 3600)
    row, html, text = seen(day)
    assert row["plug"]["learned"]
    assert "Plug: printing" in text
    assert re.search(r"By watts alone: printing \d+ ?%", text)
    assert re.search(r"idle 8 W learnt from \d+ min", text)
    assert 'value="plug_level"' in html
    assert "Not over, it goes on" not in text
    day.say("plug_level", "avocet", level="idle_w", value=14.0)
    assert "idle 14 W set" in seen(day)[2]


def test_the_page_offers_to_take_an_end_back_and_the_first_part_leaves_no_trace():
    day = alone()
    estimator = known(day, 3.0)
    builds(day, 3600)
    day.say("started", "avocet", job="hinge")
    draws(day, 600, lambda _: 8.0)
    build = day.machine("avocet").last_build
    assert build is not None
    assert [run.observed for run in estimator.learned.job("hinge").history.runs][-1] is False
    _, html, text = seen(day)
    assert "Not over, it goes on" in text
    assert 'value="not_over"' in html
    day.say("not_over", "avocet")
    assert len(estimator.learned.job("hinge").history.runs) == 8
    assert build.id not in estimator.learned.runs
    assert estimator.running[build.id].pause_from_s == pytest.approx(build.started_s + 3900, abs=30)
    assert "Not over, it goes on" not in seen(day)[2]
    draws(day, 120, lambda _: 285.0)
    draws(day, 5400, square)
    row, _, text = seen(day)
    assert row["state"] == "printing"
    # Ten minutes of standing still are no part of the run.
    assert row["finish"]["p50_s"] == pytest.approx(build.started_s + 3 * 3600 + 600, abs=400)
    draws(day, 1500, lambda _: 8.0)  # such pauses are waited for from now on
    assert len(estimator.learned.job("hinge").history.runs) == 9


def test_once_the_bed_is_cleared_the_end_is_an_end():
    day = draws(builds(alone(), 3600), 1200, lambda _: 8.0)
    assert "Not over" in seen(day)[2]
    day.say("cleared", "avocet")
    assert "Not over" not in seen(day)[2]


def test_an_end_far_from_any_known_duration_is_no_short_success():
    day = alone()
    estimator = known(day, 5.0)
    builds(day, 2400)
    day.say("started", "avocet", job="hinge")
    draws(day, 1200, lambda _: 8.0)
    assert day.machine("avocet").build is None
    assert [run.observed for run in estimator.learned.job("hinge").history.runs] == [True] * 8 + [False]
    builds(day, 3600)
    day.say("started", "avocet", job="hinge")
    draws(day, 60, square)
    row, _, text = seen(day)
    assert row["finish"]["p50_s"] > day.machine("avocet").build.started_s + 4.7 * 3600
    assert "8 builds of hinge" in text


@pytest.mark.parametrize("by_word", [True, False])
def test_a_failed_build_reported_or_said_leaves_the_next_estimate_where_it_was(by_word):
    day = solo("avocet")
    estimator = known(day, 2.0)
    for minute in range(20):
        day.panel("avocet", T0 + 60 * minute, state="printing", job="hinge")
    if by_word:
        day.say("failed", "avocet")
        day.panel("avocet", day.now + 60, state="idle", job="hinge")
    else:
        day.panel("avocet", day.now + 60, state="failed", job="hinge")
    assert day.machine("avocet").last_build.result == "failed"
    assert estimator.learned.job("hinge").history.runs[-1].observed is False
    day.say("cleared", "avocet", at=day.now + 60)
    begin_s = day.now + 600
    for minute in range(5):
        day.panel("avocet", begin_s + 60 * minute, state="printing", job="hinge")
    row, _, text = seen(day)
    assert row["finish"]["p50_s"] == pytest.approx(begin_s + 7200, abs=400)
    assert "8 builds of hinge" in text


@pytest.mark.parametrize("off_h", [-9.0, 5.0])
def test_a_machines_clock_that_is_hours_off_moves_no_time_that_a_person_sees(off_h):
    """Its messages carry the wrong time; remaining and elapsed are durations and hold all the same."""
    day = solo("avocet")
    for k in range(30):
        at_s = T0 + 60.0 * k
        day.panel("avocet", at_s, source_at=at_s + 3600.0 * off_h, state="printing", job="hinge",
                  progress=k / 120, remaining_s=7200.0 - 60.0 * k, elapsed_s=60.0 * k)  # fmt: skip
    row, _, text = seen(day)
    assert row["state"] == "printing"
    assert day.machine("avocet").build.started_s == pytest.approx(T0, abs=1)
    assert row["finish"]["p50_s"] == pytest.approx(T0 + 7200, abs=900)
    assert row["age_s"] == 0
    assert "silent" not in text
    assert not [m for m in day.messages() if "clock" not in m.title.lower() and "avocet" in m.title]


def test_an_elapsed_time_that_is_nonsense_puts_no_start_before_anybody_looked_that_far():
    day = solo("avocet")
    day.panel("avocet", T0, state="idle")
    for k in range(10):
        day.panel("avocet", T0 + 60 + 60.0 * k, state="printing", job="hinge", elapsed_s=-7200.0 + 60.0 * k)
    assert day.machine("avocet").build.started_s == pytest.approx(T0 + 60, abs=1)


def test_negative_watts_from_the_plugs_own_bytes_are_not_shown_and_end_nothing():
    day = builds(alone(), 3600)
    build = day.machine("avocet").build
    spec = MappingSpec("plug", "mqtt", "json", (FieldSpec("power_w", "/w", QUANTITIES["power_w"].unit),))
    intake = Intake((Route(day.site.sources["plug.avocet"], spec),))
    for k in range(60):
        raw = Raw(day.now + 10, "mqtt", "plugs/avocet", b'{"w": -52.0}', retained=False)
        for event in intake.decode(raw):
            day.feed(event, raw.at_s)
        day.advance(raw.at_s)
        if k == 5:
            row, _, text = seen(day)
            assert row["power_w"] is None
            assert "power not known" in text
    assert seen(day)[0]["state"] == "unknown"
    draws(day, 600, square)
    assert seen(day)[0]["state"] == "printing"
    assert day.machine("avocet").build is build


def test_a_lasting_step_by_1000_is_asked_about_on_the_page_and_never_rescaled():
    day = builds(alone(), 3600)
    draws(day, 300, lambda t: square(t) / 1000.0)
    row, _, text = seen(day)
    assert "unit changed?" in text
    assert row["power_w"] is None or row["power_w"] < 1.0


def test_a_plug_that_restarts_leaves_build_and_estimate_as_they_were():
    day = alone()
    known(day, 3.0)
    builds(day, 3600)
    day.say("started", "avocet", job="hinge")
    before = seen(day)[0]
    day.plug("avocet", 0.0, day.now + 10)
    day.advance(day.now + 80)
    draws(day, 300, square)
    row, _, _ = seen(day)
    assert (row["state"], row["job"]) == ("printing", "hinge")
    assert row["finish"]["p50_s"] == pytest.approx(before["finish"]["p50_s"], abs=60)


def test_a_plug_read_once_a_minute_is_judged_with_its_readings_and_when_they_are_stale():
    day = alone()
    draws(day, 3600, lambda _: 8.0, 60.0)
    draws(day, 3600, square, 60.0)
    machine, judged = day.machine("avocet"), []
    judge = machine.sense.judge

    class Counted(type(machine.sense)):
        __slots__ = ()

        def judge(self, now_s):
            judged.append(now_s)
            return judge(now_s)

    machine.sense.__class__ = Counted
    draws(day, 3600, square, 60.0)
    assert len(judged) <= 70  # before: four times an hour's readings
    assert machine.sense.stale_s == pytest.approx(day.now + 600, abs=60)
