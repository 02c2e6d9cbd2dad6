"""What the person sees of finish and clearing times: on the page, in messages and through the API's view."""

import json
import re
from html import unescape

import pytest
from farm import T0, Driver, plan, solo
from test_brain import build, cool

from farmwatch.alarms.phrases import words_of
from farmwatch.machines.eta import Estimator
from farmwatch.overview import view_of
from farmwatch.web import machine_cell, panels
from farmwatch.web.markup import zone


def seen(day, name="knot"):
    """The machine's row of the view, and all that the page says of it, without its marks."""
    view = view_of(day.brain.farm, day.now)
    json.dumps(view, allow_nan=False)
    row = next(m for m in view["machines"] if m["name"] == name)
    html = f"{panels.upcoming(view)} {panels.beds(view)} {machine_cell.cell(row, day.now, zone(view['timezone']))}"
    assert "<script" not in html
    return row, " ".join(unescape(re.sub(r"<[^>]*>", " ", html)).split())


def taught(builds=12, minutes=60.0, *, reports=True):
    """A day whose estimator knows one job from so many builds, each a little longer or shorter."""
    day, estimator = solo("knot"), Estimator()
    for i in range(builds):
        begin, for_s = T0 - 86_400.0 * (builds - i), minutes * 60.0 * (1.0 + 0.01 * (i % 5 - 2))
        estimator.started("knot", f"{i}", "vent-collar", begin)
        for k in range(60 if reports else 0):
            estimator.progress(f"{i}", begin + for_s * k / 60, k / 60, for_s * (1 - k / 60))
        estimator.ended(f"{i}", begin + for_s, "done")
    day.brain.farm.estimator = estimator
    day.machine("knot").use(estimator)
    return day


def go(day, rows, job="vent-collar", step=60.0):
    """Reports of a build as (after s, progress, remaining s), each said again every minute until the next."""
    begin = day.now
    for (_, progress, remaining_s), until in zip(rows, [*(r[0] for r in rows[1:]), rows[-1][0] + step], strict=True):
        while day.now < begin + until:
            day.panel("knot", day.now + step, state="printing", job=job, progress=progress, remaining_s=remaining_s)
    return begin


# ---- everywhere the same three ----------------------------------------------------------------------------------


def test_view_page_and_note_say_the_same_interval():
    day = taught()
    go(day, [(60 * k, k / 60, 3600.0 - 60 * k) for k in range(20)])
    row, text = seen(day)
    finish, clear = row["finish"], row["clear"]
    assert day.now <= finish["p10_s"] < finish["p50_s"] < finish["p90_s"]
    assert re.search(r"between \d\d:\d\d and \d\d:\d\d in 8 of 10 cases; .*12 builds of vent-collar", text)
    note = day.notes("estimate")[-1].doc["finish"]
    assert set(note) == {"p025", "p10", "p50", "p90", "p975"}
    assert note["p50"] == pytest.approx(finish["p50_s"], abs=120)
    # The bed is clear later than the build is over, and no surer.
    assert clear["p50_s"] > finish["p50_s"]
    assert clear["p90_s"] - clear["p10_s"] > finish["p90_s"] - finish["p10_s"]
    assert row["clear_at_s"] == clear["p50_s"]
    assert "bed can be cleared about" in text


def test_no_interval_is_said_in_words():
    day = taught(builds=1)
    go(day, [(0, 0.0, 3600.0), (600, 0.16, 3000.0)])
    row, text = seen(day)
    assert row["finish"]["p50_s"] is not None
    assert (row["finish"]["p10_s"], row["clear"]["p10_s"]) == (None, None)
    assert "no range: too little is known for one" in text
    assert "too few finished builds for an interval" in text
    assert "no range is known; no bed sensor: usual cooling for PLA" in text


def test_a_cooling_bed_has_its_interval_on_page_in_view_and_in_the_message_about_another():
    day = Driver(plan(["knot", "heron"], plugs=False, ups=False))
    build(day, "knot", 30)
    cool(day, "knot", minutes=4)
    row, text = seen(day)
    assert row["state"] == "cooling"
    clear = row["clear"]
    assert day.now < clear["p10_s"] < clear["p50_s"] < clear["p90_s"]
    assert clear["basis"].startswith("the bed's own cooling curve")
    assert re.search(
        r"knot is cooling; can be cleared about [\d:]+ ?, between .* in 8 of 10 cases; the bed's own", text
    )
    for i in range(12):
        day.panel("heron", day.now + 5, state="done", job="latch", bed_c=22.0)
        day.panel("knot", day.now + 5, state="done", bed_c=20 + 40 * 0.5 ** ((24 + i) / 36), bed_target_c=0.0)
    first = next(m for m in day.messages() if m.title == "Clear bed: heron")
    assert re.search(r"(Next|Soon): knot about \d\d:\d\d \(\d\d:\d\d to \d\d:\d\d\)", first.text), first.text


def test_a_machine_that_has_cooled_before_says_so_of_the_next_bed():
    day = solo("knot")
    build(day, "knot", 30)
    cool(day, "knot", minutes=25)
    day.say("cleared", "knot")
    day.panel("knot", day.now + 60, state="idle", bed_c=22.0, bed_target_c=0.0)
    go(day, [(0, 0.0, 1800.0), (300, 0.16, 1500.0)])
    assert seen(day)[0]["clear"]["basis"] == "how this bed cooled 1 time before, to 38 C"


# ---- overdue ----------------------------------------------------------------------------------------------------


def test_overdue_on_the_page_and_in_the_message_and_the_interval_widens():
    day = taught(reports=False)

    def printing(d):
        d.panel("knot", state="printing", job="vent-collar")

    day.run(1800, 60, printing)
    usual = seen(day)[0]["finish"]
    assert usual["overdue_s"] is None
    day.run(1800 + 720, 60, printing)
    row, text = seen(day)
    assert re.search(r"overdue by 1[1-3] min", text)
    late = row["finish"]
    if late["p10_s"] is None:
        assert "no range: too little is known for one" in text
    else:
        assert late["p90_s"] - row["finish"]["p50_s"] > 0
        assert late["p90_s"] > usual["p90_s"] + 600
    day.run(1800, 60, printing)
    alarm = day.brain.farm.book.alarms["build_overdue:knot"]
    assert alarm.true
    title, text = words_of(alarm, day.brain.farm, day.now)[:2]
    assert title == "knot: build overdue"
    assert re.match(r"Overdue by \d+ min: its usual end was \d\d:\d\d\. Now expected about \d\d:\d\d \(.*\)\.", text), (
        text
    )
    assert len(title) + len(text) < 240


# ---- bad input --------------------------------------------------------------------------------------------------

HOUR = 3600.0
BAD = {
    "progress backwards": [(0, 0.0, None), (600, 0.17, None), (900, 0.05, None), (1500, 0.05, None), (1800, 0.5, None)],
    "100 % at the start": [(0, 1.0, None), (1800, 1.0, None)],
    "stays at 99 %": [(0, 0.1, None), (600, 0.99, None), (1800, 0.99, None)],
    "remaining 0": [(0, 0.0, 0.0), (600, 0.17, 0.0), (1800, 0.5, 0.0)],
    "remaining 10^9": [(0, 0.0, 1e9), (600, 0.17, 1e9), (1800, 0.5, 1e9)],
}


@pytest.mark.parametrize("name", BAD)
def test_bad_reports_of_a_known_job_leave_the_page_near_the_truth(name):
    day = taught()
    begin = go(day, BAD[name])
    row, text = seen(day)
    finish = row["finish"]
    assert day.now <= finish["p50_s"] <= begin + 2 * HOUR, "the job takes an hour"
    assert finish["p10_s"] is None or day.now <= finish["p10_s"] <= finish["p50_s"] <= finish["p90_s"]
    assert "vent-collar" in text
    assert "12 builds of vent-collar" in finish["basis"]


@pytest.mark.parametrize("name", BAD)
def test_bad_reports_of_a_job_never_seen_promise_no_range(name):
    day = solo("knot")
    begin = go(day, BAD[name])
    row, text = seen(day)
    finish = row["finish"]
    assert finish["p10_s"] is None
    if finish["p50_s"] is None:
        assert "end not known" in text
        assert "nothing to go by yet" in text
    else:
        assert day.now <= finish["p50_s"] < begin + 1e6, "no build of thirty years"
        assert "as it comes: no build has ended yet" in text
        assert "no range: too little is known for one" in text


def test_a_job_renamed_in_mid_build_is_estimated_by_its_new_name():
    day = taught()
    go(day, [(0, 0.0, None), (600, 0.17, None)], job="something-else")
    assert "this job is new" in seen(day)[1], "its progress, with the errors of the shop"
    day.panel("knot", day.now + 60, state="printing", job="vent-collar", progress=0.2)
    day.run(60, 60, lambda d: d.panel("knot", state="printing", job="vent-collar", progress=0.2))
    row, text = seen(day)
    assert row["job"] == "vent-collar"
    assert "12 builds of vent-collar" in text
    assert len([n for n in day.builds("knot") if n["ended"] is None]) == 1, "still the same build"


@pytest.mark.parametrize("job", ["", "   ", "x" * 10_000, "<script>alert(1)</script>\x1b[0m\u202e"])
def test_odd_names_stay_short_and_harmless_on_page_and_phone(job):
    day = solo("knot")
    go(day, [(60 * k, k / 5, 300.0 - 60 * k) for k in range(5)], job=job)
    day.panel("knot", day.now + 1, state="done", job=job, progress=1.0, remaining_s=0.0)
    day.say("cleared", "knot")
    day.panel("knot", day.now + 60, state="idle", job=None, progress=None, remaining_s=None)
    go(day, [(60 * k, k / 20, 1200.0 - 60 * k) for k in range(10)], job=job)
    row, text = seen(day)
    assert row["finish"]["p50_s"] == pytest.approx(day.now + 600, abs=120)
    assert len(row["finish"]["basis"]) < 300
    assert len(text) < 3000
    assert "\x1b" not in text
    if not job.strip():
        assert "job not known" in text
    for message in day.messages():
        assert len(message.title) <= 60
        assert len(message.title) + 1 + len(message.text) <= 240
        assert (message.title + message.text).isprintable()


@pytest.mark.parametrize("off_h", [-7.0, 5.0])
def test_a_machine_clock_hours_off_moves_no_finish(off_h):
    day = taught(builds=3)
    begin = day.now
    while day.now < begin + 1200:
        at = day.now + 60
        share = (at - begin) / HOUR
        day.panel("knot", at, source_at=at + off_h * HOUR, state="printing", job="vent-collar", progress=share,
                  remaining_s=HOUR * (1 - share))  # fmt: skip
    row, _ = seen(day)
    assert row["finish"]["p50_s"] == pytest.approx(begin + HOUR, abs=240)
    assert row["state"] == "printing"


def test_without_a_build_nothing_is_said_of_a_finish():
    day = solo("knot")
    day.panel("knot", state="idle")
    row, text = seen(day)
    assert (row["finish"], row["clear"], row["clear_at_s"]) == (None, None, None)
    assert "overdue" not in text


@pytest.mark.parametrize("left", ["vent-collar", "hive-latch"])
def test_what_the_build_before_had_left_is_no_build(left):
    """Some machines go on saying 100 %, and the old name, until the first line of the new job."""
    day = taught()
    begin = day.now
    for at_s, job, progress, remaining_s in (
        (60, left, 1.0, 0.0), (120, left, 1.0, 0.0), (200, "vent-collar", 0.0, HOUR), (660, "vent-collar", 0.17, None),
        (1860, "vent-collar", 0.5, None),
    ):  # fmt: skip
        day.panel("knot", begin + at_s, state="printing", job=job, progress=progress, remaining_s=remaining_s)
    row, text = seen(day)
    assert row["finish"]["p50_s"] == pytest.approx(begin + 60 + HOUR, abs=400)
    assert "12 builds of vent-collar" in text
    since = [build for build in day.builds("knot") if build["started"] > begin]
    assert len({build["id"] for build in since}) == 1, "one build, not two"
    assert since[-1]["ended"] is None


@pytest.mark.parametrize("names", [("vent-collar", "vent-collar"), ("vent-collar", "hive-latch")])
def test_two_short_builds_without_a_stop_between_are_two(names):
    """What a build reached itself was not left by the one before, however young it is."""
    day = taught()
    begin = day.now
    for number, name in enumerate(names):
        for k in range(5):
            day.panel("knot", begin + 300 * number + 10 + 60 * k, state="printing", job=name, progress=k / 4.1)
    since = [build for build in day.builds("knot") if build["started"] >= begin]
    assert len({build["id"] for build in since}) == 2
