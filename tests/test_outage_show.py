"""Outages in the view, on the page and in the all-clear; the last one over a restart."""

import pytest
from farm import BACKUPS, NAMES, T0, Driver
from web_sample import outage as outage_sample

from farmwatch.power.diary import INTERRUPTED_S
from farmwatch.web.outage_panels import outages
from farmwatch.web.panels import render

DEAD = ("avocet", "bittern", "curlew")  # behind backup one, whose battery gives out


def printing(day, names=NAMES, progress=0.4):
    for name in names:
        day.panel(name, state="printing", job="frame-spacer", progress=progress, remaining_s=5400.0, bed_c=60.0)
        day.plug(name, 110.0)


def lost(day, seconds, *, dead=DEAD):
    """The mains goes for so long; backup one gives out after 30 s."""
    start = day.now

    def each(d):
        gone = d.now - start >= 30.0
        for name in BACKUPS:
            if not (gone and name == "one"):
                d.ups(name, "OB DISCHRG", charge=0.8)
        for name in NAMES:
            if not (gone and name in dead):
                printing(d, [name])

    day.run(seconds, 5.0, each)


def back(day, seconds):
    """Mains is back; the dead machines start up and say that they stand idle."""

    def each(d):
        for name in BACKUPS:
            d.ups(name, "OL CHRG", charge=0.6)
        for name in NAMES:
            if name in DEAD:
                d.panel(name, state="idle", bed_c=30.0)
                d.plug(name, 8.0)
            else:
                printing(d, [name])

    day.run(seconds, 5.0, each)


@pytest.fixture(scope="module")
def played():
    """A loss of 400 s in which the machines behind one backup stop; views in it, after it and after a restart."""
    day = Driver()
    day.broker(True, T0)
    day.all_ups("OL")
    printing(day)
    day.run(60.0, 5.0, lambda d: (printing(d), d.all_ups("OL")))
    lost(day, 400.0)
    during = day.brain.view(day.now)
    back(day, 300.0)
    after = day.brain.view(day.now)
    messages = day.messages()
    day.restart()
    return during, after, day.brain.view(day.now), messages


def test_evidence_odds_and_reason_are_in_the_view_while_it_lasts(played):
    found = played[0]["outages"]["open"][0]
    assert (found["cause"], found["place"], found["ended_s"]) == ("site", "site", None)
    assert "both circuits: mains" in found["why"]
    assert any("on battery" in line for line in found["pro"])
    assert found["odds"]["site site"] > 0.9
    assert sum(found["odds"].values()) <= 1.0 + 1e-9
    assert found["lines"][0].startswith("Mains lost, since ")


def test_the_report_says_what_went_on_what_stopped_and_what_to_start_again(played):
    found = played[1]["outages"]["last"]
    assert played[1]["outages"]["open"] == []
    assert found["class_"] == "sustained"
    assert sorted(row["machine"] for row in found["stopped"]) == sorted(DEAD)
    assert all(row["progress"] == pytest.approx(0.4) for row in found["stopped"])
    assert sorted(found["went_on"]) == sorted(set(NAMES) - set(DEAD))
    assert found["check"] == [row["machine"] for row in found["stopped"]]
    assert sorted(row["machine"] for row in found["restart"]) == sorted(DEAD)
    times = [row["at_s"] for row in found["restart"]]
    assert times == sorted(times, key=lambda at_s: (at_s is None, at_s))
    low, likely, high = found["lasted_s"]
    assert low <= likely <= high
    assert any("Start again in this order" in line for line in found["lines"])


def test_the_all_clear_says_it_within_its_lines(played):
    clear = next(m for m in played[3] if m.step == "clear")
    assert len(clear.title) <= 60
    assert len(clear.title) + 1 + len(clear.text) <= 240
    assert clear.title.startswith("Power back after")
    assert "Stopped: avocet at 40 %, bittern at 40 %, curlew at 40 %: check the beds. Then start" in clear.text


def test_the_last_one_and_its_diary_outlive_a_restart(played):
    before, again = played[1]["outages"], played[2]["outages"]
    assert again["last"]["id"] == before["last"]["id"]
    assert again["last"]["lines"][:2] == before["last"]["lines"][:2]
    assert again["diary"] == before["diary"]
    assert again["years"] == before["years"]


def test_the_year_has_the_form_of_ieee_1366(played):
    """SAIFI = hits / machines, SAIDI = minutes / machines, CAIDI = SAIDI / SAIFI, of interruptions above 5 min."""
    view = played[1]["outages"]
    year, row = view["years"][0], view["diary"][0]
    hits = [s for s in row["interrupted_s"].values() if s > INTERRUPTED_S]
    assert len(hits) == len(DEAD)
    assert year["saifi"] == pytest.approx(len(DEAD) / len(NAMES))
    assert year["saidi_min"] == pytest.approx(sum(hits) / 60 / len(NAMES))
    assert year["caidi_min"] == pytest.approx(year["saidi_min"] / year["saifi"])
    assert year["short"] == 0


def test_the_page_shows_it_all(played):
    during, after = (str(outages(view)) for view in played[:2])
    assert "For it:" in during
    assert "Odds:" in during or len(played[0]["outages"]["open"][0]["odds"]) == 1
    assert "mains" in during
    for words in ("The last one: Mains lost", "Stopped, check the beds", "Beds to check: ", "Diary:", "SAIDI"):
        assert words in after


def test_hostile_names_and_missing_parts_stay_text():
    view = outage_sample()
    assert "Nothing is known of outages" in outages(view)
    bad = "<img onerror=x>"
    incident = {
        "id": bad, "cause": "circuit", "place": bad, "title": bad, "since_s": view["at_s"] - 60, "ended_s": None,
        "lasted_s": None, "class_": None, "low_v": None, "why": bad, "pro": [bad], "con": [bad], "odds": {bad: 0.9},
        "went_on": [], "finished": [], "unseen": [], "stopped": [], "dark_s": {}, "check": [bad], "restart": [],
        "lines": [bad, bad],
    }  # fmt: skip
    decision = {"backup": bad, "by_s": view["at_s"] + 60, "pause": [bad], "stop": [], "saves": [bad], "needed": None}
    line = {
        "id": bad, "cause": "site", "place": "site", "title": bad, "started_s": view["at_s"] - 9e4,
        "ended_s": view["at_s"], "likely_s": 4.0, "class_": "temporary", "interrupted_s": {}, "stopped": [bad],
    }  # fmt: skip
    year = {"year": 2025, "machines": 12, "saifi": 0.0, "saidi_min": 0.0, "caidi_min": None, "short": 3}
    view["outages"] = {
        "open": [incident], "decisions": [decision], "last": {**incident, "ended_s": view["at_s"]}, "diary": [line],
        "years": [year],
    }  # fmt: skip
    html = render(view)["outage"]
    assert "<img" not in html
    assert "none counted for" in html
    assert "pause" in html
