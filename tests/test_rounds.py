"""Rounds: exact expectations, brute force, the two-visits-a-day result, the file form."""

import itertools
import json
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.shop.rounds import (
    Bed,
    Window,
    _minutes,
    best_gap_h,
    expected_idle_s,
    free_at,
    plan_rounds,
    two_visits_idle_h,
)
from farmwatch.whatif import main
from farmwatch.whatif_check import WrongFile
from farmwatch.whatif_rounds import answer_rounds

# Source: a Markov chain worked out apart from this project; it agreed with 400,000 simulated jobs to .01.
MIXED = ((4, 0.3), (10, 0.4), (16, 0.3))


@pytest.mark.parametrize(
    ("lengths", "gap_h", "idle_h"),
    [
        (((10, 1),), 8, 14.0),
        (((10, 1),), 9, 14.0),
        (((10, 1),), 10, 4.0),
        (((10, 1),), 12, 4.0),
        (((10, 1),), 14, 4.0),
        (((10, 1),), 6, 14.0),
        (MIXED, 8, 11.0),
        (MIXED, 9, 11.3418),
        (MIXED, 12, 8.6154),
        (MIXED, 6, 11.0),
    ],
)
def test_two_visits_a_day(lengths, gap_h, idle_h):
    assert two_visits_idle_h(lengths, gap_h) == pytest.approx(idle_h, abs=5e-5)
    assert two_visits_idle_h(lengths, 24 - gap_h) == pytest.approx(idle_h, abs=5e-5)


def test_the_best_gap_is_a_corner():
    assert best_gap_h(MIXED) == [10, 12, 14]
    assert best_gap_h(((10, 1),)) == [10, 12, 14]


def test_two_visits_agree_with_a_simulation():
    rng = random.Random(77)
    lengths = ((3, 0.2), (9, 0.5), (30, 0.3))
    now, used = 0.0, 0.0
    for _ in range(60_000):
        length = rng.choices([3, 9, 30], [0.2, 0.5, 0.3])[0]
        used += length
        end = now + length
        day = math.floor(now / 24) * 24
        visits = [day + offset + k * 24 for k in range(4) for offset in (0, 9)]
        now = min(v for v in visits if v >= end and v > now)
    assert two_visits_idle_h(lengths, 9) == pytest.approx(24 * (1 - used / now), abs=0.06)


def random_beds(rng, now_s):
    beds = []
    for i in range(rng.randint(1, 5)):
        if rng.random() < 0.3:
            beds.append(Bed(f"m{i}", *[now_s - rng.uniform(0, 1000)] * 3))
            continue
        p10 = now_s + rng.uniform(-20, 400) * 60
        p50 = p10 + rng.choice([0, rng.uniform(0, 60) * 60])
        beds.append(Bed(f"m{i}", p10, p50, p50 + rng.choice([0, rng.uniform(0, 60) * 60])))
    return beds


@pytest.mark.parametrize("seed", range(150))
def test_no_choice_of_minutes_is_better(seed):
    rng = random.Random(seed)
    now_s = rng.choice([0.0, 1e9])
    horizon_s = now_s + rng.uniform(200, 600) * 60
    beds = random_beds(rng, now_s)
    windows, at = [], now_s
    for _ in range(rng.randint(1, 3)):
        start = at + rng.uniform(0, 100) * 60
        at = start + rng.uniform(0, 20) * 60
        windows.append(Window(start, at))
    cost_s = rng.choice([0, 0, 1800, 6000])
    plan = plan_rounds(beds, now_s, horizon_s, windows, cost_s)

    choices = [[None, *(m for m in _minutes(Window(w.from_s, min(w.to_s, horizon_s))))] for w in windows]
    choices = [c for w, c in zip(windows, choices, strict=True) if w.from_s <= horizon_s]
    nobody = sum(b.idle_s(now_s, horizon_s) for b in beds)
    free = {m: free_at(beds, m) for c in choices for m in c if m is not None}
    best = math.inf
    for combination in itertools.product(*choices):
        visits = [m for m in combination if m is not None]
        saved = sum(free[a] * (b - a) for a, b in zip(visits, [*visits[1:], horizon_s], strict=bool(visits)))
        best = min(best, nobody - saved + cost_s * len(visits))
    assert plan.idle_s + cost_s * len(plan.visits_s) == pytest.approx(best, abs=0.01)
    assert plan.idle_s <= plan.unvisited_s + 1e-6


def test_the_expectation_agrees_with_drawing_finishes():
    rng = random.Random(3)
    beds = random_beds(rng, 0.0)
    visits, horizon_s = (6000.0, 15_000.0), 30_000.0
    total = 0.0
    draws = 20_000
    for _ in range(draws):
        for bed in beds:
            share = rng.random()
            side = bed.p50_s - bed.p10_s if share < 0.5 else bed.p90_s - bed.p50_s
            ready_s = max(bed.p50_s + (share - 0.5) / 0.4 * side, 0.0)
            total += max(next((v for v in visits if v >= ready_s), horizon_s) - ready_s, 0.0)
    expected = expected_idle_s(beds, 0.0, horizon_s, visits)
    assert expected == pytest.approx(total / draws, rel=0.01)


@given(
    st.lists(st.floats(-1e5, 1e5, allow_nan=False), min_size=3, max_size=3).map(sorted),
    st.floats(-2e5, 2e5),
    st.floats(0, 1e5),
)
def test_idle_time_is_the_integral_of_the_chance(points, from_s, length_s):
    bed = Bed("avocet", *points)
    steps = 400
    width = length_s / steps
    middle = sum(bed.chance_by(from_s + (i + 0.5) * width) for i in range(steps)) * width
    assert bed.idle_s(from_s, from_s + length_s) == pytest.approx(middle, abs=width + 1e-6)


# The file ---------------------------------------------------------------------------------------------------

EVENING = {
    "now": "2026-11-25T15:00:00+01:00",
    "windows": [["2026-11-25T17:30:00+01:00", "2026-11-25T18:30:00+01:00"]],
    "machines": [
        {"name": "avocet", "free_since": "2026-11-25T13:00:00+01:00", "cool_min": 10},
        *(
            {
                "name": name,
                "finish": {p: f"2026-11-25T{at}:00+01:00" for p, at in zip(("p10", "p50", "p90"), times, strict=True)},
                "cool_min": 5,
            }
            for name, times in {
                "bittern": ("16:00", "16:05", "16:10"),
                "curlew": ("17:57", "18:00", "18:02"),
                "dunlin": ("17:55", "17:58", "18:01"),
                "eider": ("23:00", "23:30", "23:59"),
            }.items()
        ),
    ],
    "horizon_h": 16,
}


def test_go_when_two_more_are_free():
    form = answer_rounds(EVENING).form
    assert form["visits"] == ["2026-11-25T18:08:00+01:00"]
    assert form["beds"] == {"2026-11-25T18:08:00+01:00": ["avocet", "bittern", "curlew", "dunlin"]}
    curve = dict(map(tuple, form["curve"]))
    assert min(curve.values()) == curve["2026-11-25T18:08:00+01:00"] == pytest.approx(form["expected_idle_min"])


def test_numbers_are_minutes_or_epoch_seconds_and_come_back_so():
    minutes = {
        "now": 0,
        "windows": [[60, 90], [300, 330]],
        "machines": [{"name": "knot", "finish": {"p10": 70, "p50": 70, "p90": 70}}],
        "horizon_h": 10,
    }
    form = answer_rounds(minutes).form
    assert form == {"visits": [70], "expected_idle_min": 0, "curve": form["curve"], "beds": {"70": ["knot"]}}
    origin = 1_764_057_600
    seconds = {
        **minutes,
        "now": origin,
        "windows": [[origin + a * 60, origin + b * 60] for a, b in minutes["windows"]],
        "machines": [{"name": "knot", "finish": dict.fromkeys(("p10", "p50", "p90"), origin + 4200)}],
    }
    assert answer_rounds(seconds).form["visits"] == [origin + 4200]


def test_a_trip_that_does_not_pay_is_left_out():
    question = {**EVENING, "trip_cost_min": 10_000}
    answer = answer_rounds(question)
    assert answer.form["visits"] == []
    assert answer.lines[0] == "No trip pays before the horizon."


@pytest.mark.parametrize(
    ("change", "pointer", "what"),
    [
        (
            {"windows": [["2026-11-25T18:30:00+01:00", "2026-11-25T17:30:00+01:00"]]},
            "/windows/0",
            "ends before it starts",
        ),
        ({"windows": [["2026-11-25T18:30:00", "2026-11-25T19:30:00+01:00"]]}, "/windows/0/0", "no offset from UTC"),
        (
            {"windows": [[f"2026-11-25T{a}:00:00Z", f"2026-11-25T{b}:00:00Z"] for a, b in ((17, 19), (18, 20))]},
            "/windows/1",
            "overlaps with /windows/0",
        ),
        ({"windows": [[0, 10]]}, "/windows/0/0", "RFC 3339"),
        ({"machines": [{"name": "knot"}]}, "/machines/0", "either `finish` or `free_since`"),
        ({"machines": [{"name": "knot", "finish": {"p10": EVENING["now"]}}]}, "/machines/0/finish/p50", "is missing"),
        ({"machines": [EVENING["machines"][0]] * 2}, "/machines/1/name", "there twice"),
        ({"machines": [{**EVENING["machines"][0], "cool_min": -1}]}, "/machines/0/cool_min", "at least 0"),
        ({"horizon_h": 0}, "/horizon_h", "above 0"),
        ({"horizon_h": 1e9}, "/horizon_h", "above"),
        ({"trip_cost_min": -5}, "/trip_cost_min", "at least 0"),
        ({"trip": 1}, "/trip", "is not known"),
    ],
)
def test_a_wrong_file_is_refused_at_the_place(change, pointer, what):
    with pytest.raises(WrongFile) as caught:
        answer_rounds({**EVENING, **change})
    assert any(fault.pointer == pointer and what in fault.what for fault in caught.value.faults)


def test_the_command(tmp_path, capsys):
    file = tmp_path / "evening.json"
    file.write_text(json.dumps(EVENING), "utf-8")
    assert main(["rounds", str(file)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("Go at Wed 18:08: 4 beds: avocet, bittern, curlew, dunlin\n")
    assert "Going earlier, at" in text
    assert main(["rounds", str(file), "--json"]) == 0
    assert set(json.loads(capsys.readouterr().out)) == {"visits", "expected_idle_min", "curve", "beds"}
    file.write_text("{}", "utf-8")
    assert main(["rounds", str(file), "--json"]) == 2
    assert "/now: is missing" in capsys.readouterr().err


def test_windows_beyond_the_horizon_are_pointed_out():
    question = {"now": 0, "windows": [[3600, 7200]], "machines": [{"name": "ibis", "free_since": -600}]}
    assert "numbers below 10^8 are minutes" in answer_rounds(question).lines[0]
