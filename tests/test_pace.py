"""How long a new job still takes: rates of its progress, and their combination."""

import json
import math
import random

import pytest

from farmwatch.machines.pace import PAIRS, SOURCES, Mix, Pace, Rates, errors_of, mix

numpy = pytest.importorskip("numpy")
ALL = (True,) * len(SOURCES)


def told(claim, total_s=6000.0, every_s=60.0, until=0.5):
    pace = Pace()
    t = 0.0
    while t <= until * total_s:
        pace.observe(t, claim(t / total_s))
        t += every_s
    return pace, t - every_s


def test_even_progress_gives_the_true_remaining_time_by_both_rates():
    pace, at_s = told(lambda share: math.floor(100 * share) / 100)
    assert pace.mean_s(at_s, 0.01) == pytest.approx(6000 - at_s, rel=0.03)
    assert pace.recent_s(at_s, 0.01) == pytest.approx(6000 - at_s, rel=0.1)
    assert pace.kind(at_s, 5) == "even"


def test_a_pace_that_has_changed_shows_in_the_last_steps_before_it_shows_in_the_mean():
    """Half as fast from 40 % of the claim on: the mean still promises too much."""
    slow = lambda t: t / 5000 if t < 2000 else 0.4 + (t - 2000) / 10_000  # noqa: E731
    pace = Pace()
    for t in range(0, 5000, 30):
        pace.observe(float(t), slow(t))
    true_s = (1.0 - pace.top) * 10_000
    assert pace.recent_s(4970.0, 0.003) == pytest.approx(true_s, rel=0.1)
    assert pace.mean_s(4970.0, 0.003) < 0.75 * true_s
    assert pace.kind(4970.0, 5) == "uneven"


def test_a_pace_that_has_just_changed_is_told_from_one_that_has_lasted_late_in_the_build_only():
    bends = lambda t: t / 5000 if t < 2000 else 0.4 + (t - 2000) / 10_000 if t < 5000 else 0.7 + (t - 5000) / 2500  # noqa: E731
    pace, kinds = Pace(), {}
    for t in range(0, 5700, 30):
        pace.observe(float(t), bends(t))
        if t in {4800, 5250, 5670}:
            pace.recent_s(float(t), 0.003)
            kinds[t] = pace.kind(float(t), 4), pace.kind(float(t), 3)
    assert kinds == {4800: ("uneven", "uneven"), 5250: ("turned", "uneven"), 5670: ("uneven", "uneven")}


def test_claims_that_fall_or_stand_still_make_no_step_and_promise_no_less():
    pace, at_s = told(lambda share: share)
    steps, left_s = list(pace.steps), pace.mean_s(at_s, 0.01)
    pace.observe(at_s + 60, 0.2)
    pace.observe(at_s + 1800, pace.top)
    assert pace.steps == steps
    assert pace.mean_s(at_s + 1800, 0.01) > left_s - 1800, "late: its pace so far was at most this"


def test_nothing_is_said_before_the_first_step_and_at_once_full():
    assert Pace().mean_s(100.0, 0.01) is None
    assert Pace().recent_s(100.0, 0.01) is None
    full = Pace()
    full.observe(5.0, 1.0)
    assert full.mean_s(60.0, 0.01) in (None, pytest.approx(0.0, abs=60.0))


def test_memory_is_bounded_and_comes_back_from_the_journal():
    pace, at_s = told(lambda share: share, total_s=1e6, every_s=30.0, until=0.9)
    assert len(pace.steps) <= 57
    again = Pace.from_list(json.loads(json.dumps(pace.as_list())))
    assert again.mean_s(at_s, 0.01) == pytest.approx(pace.mean_s(at_s, 0.01), rel=1e-3)
    assert again.recent_s(at_s, 0.01) == pytest.approx(pace.recent_s(at_s, 0.01), rel=1e-2)


def learnt(n, sds, bias=(0.0, 0.0, 0.0, 0.0), correlation=0.0, seed=5):
    rng, rates = random.Random(seed), Rates()
    for _ in range(n):
        common = rng.gauss(0, 1)
        errors = [
            b + s * (math.sqrt(correlation) * common + math.sqrt(1 - correlation) * rng.gauss(0, 1))
            for s, b in zip(sds, bias, strict=True)
        ]
        rates.learn("even", 3, errors, 1.0, 60.0)
    return rates


def test_weights_move_to_the_better_source():
    before = mix([], "even", 3, ALL)
    after = mix([learnt(60, (0.3, 0.3, 0.03, 0.3))], "even", 3, ALL)
    assert after.weights[2] > 0.8 > before.weights[2]
    assert sum(after.weights) == pytest.approx(1.0)
    assert after.error < before.error


def test_a_lasting_bias_is_taken_out():
    """A source that says a fifth too little each time, alone."""
    rates = learnt(60, (0.05, 0.05, 0.05, 0.05), (0.0, 0.0, math.log(0.8), 0.0))
    found = mix([rates], "even", 3, (False, False, True, False))
    assert found.remaining_s([None, None, 800.0, None]) == pytest.approx(1000.0, rel=0.05)


def test_the_combination_is_the_best_linear_unbiased_one():
    """Bates and Granger (1969): w = C^-1 1 / (1' C^-1 1), variance 1 / (1' C^-1 1), with numpy's solver."""
    rates = learnt(400, (0.1, 0.12, 0.14, 0.16), correlation=0.1)
    row = rates.rows["even 3"]
    found = mix([rates], "even", 3, ALL)
    moments = dict(zip(PAIRS, row.moments, strict=True))
    mass = row.weights[0]
    prior = (0.12, 0.2, 0.25, 0.5)
    matrix = numpy.zeros((4, 4))
    for (i, j), seen in moments.items():
        before = prior[i] * prior[j] * (1.0 if i == j else 0.3)
        means = [mass * m / (mass + 2.5) for m in (row.middles[i], row.middles[j])]
        value = (mass * seen + 2.5 * before) / (mass + 2.5) - means[0] * means[1]
        matrix[i, j] = matrix[j, i] = value + (1e-4 if i == j else 0.0)
    solved = numpy.linalg.solve(matrix, numpy.ones(4))
    assert min(solved) > 0
    assert found.weights == pytest.approx(list(solved / solved.sum()), rel=1e-6)
    assert found.error == pytest.approx(1.0 / math.sqrt(solved.sum()), rel=1e-6)


def test_no_weight_is_negative_however_alike_the_sources_are():
    found = mix([learnt(200, (0.1, 0.25, 0.1, 0.4), correlation=0.95)], "even", 3, ALL)
    assert min(found.weights) >= 0.0
    assert sum(found.weights) == pytest.approx(1.0)


def test_old_builds_fade():
    rates = learnt(300, (0.3, 0.3, 0.03, 0.3))
    for error in range(120):
        rates.learn("even", 3, [0.02, 0.3, 0.5 if error % 2 else -0.5, 0.3], 1.0, 24.0)
    found = mix([rates], "even", 3, ALL)
    assert found.weights[0] > found.weights[2], "what was the best source is no longer"


def test_errors_are_bounded_and_rows_of_another_shape_are_left_out():
    assert errors_of([1e9, None, 1.0, 100.0], 100.0) == [0.6, None, -0.6, 0.0]
    good = learnt(3, (0.1, 0.1, 0.1, 0.1))
    state = json.loads(json.dumps(good.as_dict())) | {"even 1": [[1.0], [2.0], [3.0]]}
    assert list(Rates.from_dict(state).rows) == ["even 3"]
    assert isinstance(mix([Rates.from_dict(state)], "even", 3, (False, True, False, False)), Mix)
