"""Conformal ranks and quantiles against their tables, and coverage by simulation."""

import math
import random

import pytest

from farmwatch.machines import conformal

SCORES = (0.3, 0.5, 0.7, 0.8, 1.1, 1.2, 1.4, 1.9, 2.5)


# k = ceil((n + 1)(1 - alpha)); the formula is Vovk et al. 2005, the table computed from it by hand.
@pytest.mark.parametrize(
    ("n", "alpha", "k"),
    [(9, 0.1, 9), (19, 0.1, 18), (20, 0.1, 19), (50, 0.1, 46), (99, 0.05, 95), (100, 0.1, 91), (1000, 0.1, 901)],
)
def test_rank(n, alpha, k):
    assert conformal.rank(n, alpha) == k


def test_too_short_a_history_is_infinite():
    assert conformal.rank(8, 0.1) == 9
    assert math.isinf(conformal.upper(SCORES[:8], 0.1))
    assert conformal.lower(SCORES[:8], 0.1) == -math.inf
    assert conformal.fewest(0.1) == 9
    assert conformal.fewest(0.05) == 19
    assert conformal.fewest(0.2) == 4


@pytest.mark.parametrize(("alpha", "bound"), [(0.1, 2.5), (0.2, 1.9), (0.5, 1.1)])
def test_quantiles_of_nine_scores(alpha, bound):
    assert conformal.upper(SCORES, alpha) == bound


def test_conformalised_quantile_regression():
    # Romano, Patterson and Candes 2019, equation 6; numbers computed by hand.
    scores = conformal.quantile_scores([1, 2, 3, 4, 5], [3, 5, 6, 7, 9], [2, 5.5, 2.5, 6, 9.4])
    assert scores == pytest.approx([-1, -1, 0.4, 0.5, 0.5])
    assert conformal.upper(scores, 0.2) == pytest.approx(0.5)
    assert conformal.upper(scores, 0.4) == pytest.approx(0.5)


def test_adaptive_level():
    # Gibbs and Candes 2021 (arXiv 2106.00170), alpha' = alpha + gamma (goal - err); computed by hand.
    level = conformal.AdaptiveLevel(0.1, gamma=0.05)
    seen = []
    for err in (1, 0, 0, 1, 1, 0):
        level.learn(err)
        seen.append(level.alpha)
    assert seen == pytest.approx([0.055, 0.060, 0.065, 0.020, -0.025, -0.020])
    assert level.level == 0.0
    assert math.isinf(conformal.upper(SCORES, level.level))


@pytest.mark.parametrize("gamma", [0.005, 0.05])
def test_adaptive_level_keeps_its_bound_under_drift(gamma):
    # |mean err - goal| <= (max(alpha1, 1 - alpha1) + gamma) / (T gamma), Proposition 4.1 there.
    rng = random.Random(5)
    level, scores, misses, rounds = conformal.AdaptiveLevel(0.1, gamma), [], 0, 1000
    for t in range(rounds):
        score = abs(rng.gauss(0, 1.0 + 3.0 * t / rounds))
        err = score > conformal.upper(sorted(scores[-200:]), level.level)
        misses += err
        level.learn(err)
        scores.append(score)
    assert abs(misses / rounds - 0.1) <= (0.9 + gamma) / (rounds * gamma)


def test_exact_coverage_by_simulation():
    # Coverage is k/(n + 1) exactly for continuous scores: 19/21 at n = 20, alpha = 0.1.
    rng = random.Random(7)
    rounds = 20_000
    hits = sum(rng.random() <= conformal.upper(sorted(rng.random() for _ in range(20)), 0.1) for _ in range(rounds))
    spread = math.sqrt(0.904762 * 0.095238 / rounds)
    assert abs(hits / rounds - 0.904762) < 4 * spread


# Newcombe 1998, table I (from memory; equal to statsmodels' proportion_confint, method wilson).
@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (0, 20, 0.0, 0.161125),
        (1, 29, 0.006113, 0.171755),
        (10, 10, 0.722467, 1.0),
        (9, 10, 0.595850, 0.982124),
    ],
)
def test_wilson(hits, n, low, high):
    assert conformal.wilson(hits, n) == pytest.approx((low, high), abs=1e-6)


def test_interval_score_charges_misses():
    assert conformal.interval_score(2, 5, 4, 0.2) == 3
    assert conformal.interval_score(2, 5, 6, 0.2) == 13
    assert conformal.interval_score(2, 5, 1, 0.2) == 13
