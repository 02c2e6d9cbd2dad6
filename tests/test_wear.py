"""Wear: due dates, mean time between failures, one machine against its sisters."""

import random

import pytest
from scipy import stats

from farmwatch.shop.wear import DAY_S, PARTS, Interval, Wear, against_sisters, due, mtbf


def test_the_first_limit_counts():
    interval = Interval(hours=600, builds=100)
    found = due(Wear(300, 80, 5), interval, Wear(10, 1, 1), 0.0)
    assert (found.unit, found.at_s, found.share) == ("builds", 20 * DAY_S, 0.8)
    assert due(Wear(601, 0, 0), interval, None, 7.0).at_s == 7.0
    assert due(Wear(300, 80, 5), interval, None, 0.0).at_s is None
    assert due(Wear(1, 1, 1), Interval(), Wear(1, 1, 1), 0.0) is None
    assert all(due(Wear(), limits, Wear(1, 1, 1), 0.0).share == 0.0 for limits in PARTS.values())


def test_mtbf_of_the_worked_example():
    # Worked out apart from this project: 10 machines, 720 h each, 6 failures, 30 h of repair.
    assert mtbf(7200 - 30, 6).value_h == pytest.approx(1195.0)
    # rule of three: no failure in 7200 h
    found = mtbf(7200, 0)
    assert found.low_h == pytest.approx(7200 / 2.9957, rel=1e-4)
    assert found.value_h is None


@pytest.mark.parametrize(("hours", "failures"), [(7170, 6), (100, 1), (5000, 40), (9, 300)])
def test_mtbf_interval_against_chi_square(hours, failures):
    # The usual chi-square form of the Poisson interval (Garwood 1936), by scipy.
    found = mtbf(hours, failures)
    assert found.low_h == pytest.approx(2 * hours / stats.chi2.ppf(0.975, 2 * failures + 2), rel=1e-9)
    assert found.high_h == pytest.approx(2 * hours / stats.chi2.ppf(0.025, 2 * failures), rel=1e-9)


def test_sisters_against_scipy():
    use = {"avocet": (700.0, 9), "bittern": (650.0, 2), "curlew": (720.0, 1), "dunlin": (80.0, 1)}
    found = against_sisters(use)
    share = 700 / 2150
    exact = stats.binomtest(9, 13, share, alternative="greater").pvalue
    assert found["avocet"].p_value == pytest.approx(exact, rel=1e-9)
    assert found["avocet"].corrected == pytest.approx(min(4 * exact, 1), rel=1e-9)
    assert found["avocet"].expected == pytest.approx(13 * share)
    reference = stats.false_discovery_control  # a different correction must not be stricter than Holm's
    assert all(
        found[name].corrected >= value - 1e-12
        for name, value in zip(use, reference([found[n].p_value for n in use]), strict=True)
    )


def test_equal_sisters_are_rarely_accused():
    rng = random.Random(5)
    accused = 0
    for _ in range(400):
        use = {f"m{i}": (700.0, sum(rng.random() < 0.02 for _ in range(100))) for i in range(12)}
        accused += any(s.corrected < 0.05 for s in against_sisters(use).values())
    assert accused / 400 <= 0.06


def test_nothing_to_compare():
    assert against_sisters({"knot": (10.0, 3)}) == {}
    assert against_sisters({"knot": (10.0, 0), "ibis": (10.0, 0)}) == {}
    assert against_sisters({}) == {}
