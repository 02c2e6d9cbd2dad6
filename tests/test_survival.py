"""Survival against published values, lifelines, and its own invariants."""

import math
import os
import random

import pytest

from farmwatch.machines.survival import Survival, kaplan_meier

# Computed with lifelines 0.30 on ten runs, in minutes; + is censored: 62 65 65+ 70 71 74 74+ 80 83+ 90.
TIMES = (62, 65, 65, 70, 71, 74, 74, 80, 83, 90)
SEEN = (True, True, False, True, True, True, False, True, False, True)

# 6-MP arm of Freireich et al., Blood 21 (1963), as in standard texts (data from memory, values recomputed).
MP_TIMES = (6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35)
MP_CENSORED = {3, 5, 7, 8, 11, 12, 13, 16, 17, 18, 19, 20}

CASES = 10_000 if os.environ.get("FARMWATCH_LONG") else 120


@pytest.fixture
def ten() -> Survival:
    return kaplan_meier(TIMES, SEEN)


@pytest.mark.parametrize(
    ("t", "share"),
    [(62, 0.9), (65, 0.8), (70, 0.685714), (71, 0.571429), (74, 0.457143), (80, 0.304762), (83, 0.304762), (90, 0)],
)
def test_survival_of_ten_runs(ten, t, share):
    assert ten.at(t) == pytest.approx(share, abs=1e-6)


def test_confidence_interval_of_ten_runs(ten):
    assert ten.interval(70) == pytest.approx((0.304585, 0.887148), abs=1e-6)
    assert ten.interval(80) == pytest.approx((0.053534, 0.617368), abs=1e-6)
    assert ten.interval(60) is None
    assert ten.interval(90) is None


@pytest.mark.parametrize(("given", "share"), [(70, 0.444444), (72, 0.533333), (75, 0.666667)])
def test_conditional(ten, given, share):
    assert ten.conditional(80, given) == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize(("given", "half", "nine_tenths"), [(60, 14, 30), (70, 10, 20), (72, 18, 18), (75, 15, 15)])
def test_remaining_time_may_rise(ten, given, half, nine_tenths):
    assert ten.median_remaining(given) == half
    assert ten.quantile(0.9, given) - given == nine_tenths


@pytest.mark.parametrize(("given", "mean"), [(60, 16.890476), (70, 11.944444), (72, 12.133333), (75, 11.666667)])
def test_restricted_mean_remaining(ten, given, mean):
    assert ten.mean_remaining(given, 90) == pytest.approx(mean, abs=1e-6)


def test_published_remission_times():
    s = kaplan_meier(MP_TIMES, [i not in MP_CENSORED for i in range(21)])
    table = {6: 0.857143, 7: 0.806723, 10: 0.752941, 13: 0.690196, 16: 0.627451, 22: 0.537815, 23: 0.448179}
    for t, share in table.items():
        assert s.at(t) == pytest.approx(share, abs=1e-6)
    assert s.quantile(0.5) == 23
    assert s.conditional(16, 10) == pytest.approx(0.833333, abs=1e-6)


def test_unknown_is_none_and_not_zero():
    censored = kaplan_meier([5.0, 6.0], [False, False])
    assert censored.at(7) == 1.0
    assert censored.quantile(0.5) is None
    assert kaplan_meier([], []).median_remaining(0) is None
    done = kaplan_meier([5.0], [True])
    assert done.median_remaining(6.0) is None
    assert done.conditional(9.0, 6.0) is None


@pytest.mark.parametrize(
    ("durations", "seen", "weights"),
    [([1.0], [True, False], None), ([-1.0], [True], None), ([math.nan], [True], None), ([1.0], [True], [0.0])],
)
def test_bad_input_is_refused(durations, seen, weights):
    with pytest.raises(ValueError, match="must"):
        kaplan_meier(durations, seen, weights)


def test_equal_weights_change_nothing(ten):
    assert kaplan_meier(TIMES, SEEN, [0.3] * 10).values == pytest.approx(ten.values)


@pytest.mark.filterwarnings("ignore")
def test_random_censored_data_against_lifelines():
    """Against lifelines' KaplanMeierFitter (C. Davidson-Pilon); FARMWATCH_LONG=1 runs 10,000 cases."""
    from lifelines import KaplanMeierFitter

    rng = random.Random(31)
    for _ in range(CASES):
        n = rng.randint(2, 40)
        whole = rng.random() < 0.5  # whole minutes make ties
        times = [float(rng.randint(1, 30)) if whole else rng.expovariate(0.05) for _ in range(n)]
        seen = [rng.random() < 0.7 for _ in range(n)]
        weights = [rng.randint(1, 8) / 4 for _ in range(n)] if rng.random() < 0.3 else None
        ours = kaplan_meier(times, seen, weights)
        theirs = KaplanMeierFitter().fit(times, seen, weights=weights)
        for t in [rng.uniform(0, max(times) * 1.1) for _ in range(5)]:
            assert ours.at(t) == pytest.approx(float(theirs.predict(t)), abs=1e-9)
        median = theirs.median_survival_time_
        if not any(abs(value - 0.5) < 1e-9 for value in ours.values):  # one half: rounding decides there
            assert ours.quantile(0.5) == (None if math.isinf(median) else pytest.approx(median))
        if weights is None and rng.random() < 0.15:  # pandas makes this one slow
            remaining = theirs.conditional_time_to_event_
            for t, left in remaining.iloc[:, 0].items():
                mine = ours.median_remaining(t)
                end = ours.quantile(0.5, t)  # not t + mine, which rounding may put before the step
                tie = end is not None and abs(ours.conditional(end, t) - 0.5) < 1e-9
                if ours.at(t) > 1e-9 and t > 0 and not tie:  # exactly one half: rounding decides there
                    assert (math.inf if mine is None else mine) == pytest.approx(left)
