import doctest

import pytest
from farm import T0, solo
from test_brain import build, cool

from farmwatch import score
from farmwatch.machines import trail
from farmwatch.machines.conformal import wilson
from farmwatch.machines.trail import MOST, Told, Trail


def test_examples_in_the_documentation():
    assert doctest.testmod(trail).failed == 0


def test_a_trail_gives_the_last_word_before_each_share():
    path = Trail()
    for minute in range(600):
        path.add(Told(T0 + 60 * minute, None, T0 + 60 * minute + 1, None, "x"))
    assert len(path._rows) <= MOST + 1
    for row in path.picked(T0, T0 + 36_000):
        moment = T0 + row["share"] * 36_000
        assert moment - 260 <= row["at_s"] <= moment
    assert Trail().picked(T0, T0 + 10) == []


def test_scores_of_known_errors():
    builds = [
        {
            "id": str(i),
            "result": "done",
            "started_s": 0.0,
            "ended_s": 6000.0,
            "estimates": [
                {"share": 0.5, "p10_s": 5900.0, "p50_s": 6000.0 + 60 * i, "p90_s": 6100.0, "basis": "7 builds of x"},
                {"share": 0.9, "p10_s": None, "p50_s": 6060.0, "p90_s": None, "basis": "reported remaining time, x"},
            ],
        }
        for i in range(5)
    ]  # fmt: skip
    builds.append({**builds[0], "id": "cut short", "result": "failed"})
    found = {(row["basis"], row["share"]): row for row in score.table(score.rows_of(builds))}
    mine = found["this job's history", 0.5]
    assert mine["builds"] == 5
    assert mine["median_abs_error_min"] == 2
    assert mine["coverage"] == 1.0
    assert mine["coverage_low"] == pytest.approx(wilson(5, 5)[0])
    late = found["reported remaining time", 0.9]
    assert late["coverage"] is None
    assert late["median_abs_error_share"] == pytest.approx(0.01)
    text = score.text(list(found.values()), 5)
    assert "no interval was given" in text
    assert "100% of 5 (57% to 100%)" in text


def test_what_was_said_of_a_build_is_kept_with_it():
    day = solo("avocet")
    for _ in range(3):
        build(day, "avocet", 40)
        cool(day, "avocet")
    kept = [doc for kind, _, doc in day.facts() if kind == "build"]
    assert len(kept) == 3
    assert [row["share"] for row in kept[-1]["estimates"]] == [0.1, 0.25, 0.5, 0.75, 0.9]
    rows = score.rows_of(kept)
    assert all(abs(row["error_s"]) < 0.2 * row["length_s"] for row in rows if row["share"] >= 0.5)
    assert "nothing to score" in score.text([], 0)
