"""Progress curves: monotone fit against scikit-learn's definition, learning, and bad progress."""

import random

import numpy as np
import pytest

from farmwatch.machines.curve import KNOTS, Crossings, Curve, interpolate, isotonic


def test_isotonic_is_the_least_squares_monotone_fit():
    """Optimality (Barlow et al. 1972): scipy.optimize.isotonic_regression gives the same fit."""
    from scipy.optimize import isotonic_regression

    rng = random.Random(1)
    for _ in range(50):
        ys = [rng.uniform(0, 1) for _ in range(20)]
        ws = [rng.uniform(0.1, 3) for _ in range(20)]
        assert np.allclose(isotonic(ys, ws), isotonic_regression(ys, weights=ws).x)


def test_interpolate_against_numpy():
    xs, ys = [0.0, 0.3, 1.0], [0.0, 0.5, 1.0]
    for at in (-1.0, 0.0, 0.1, 0.3, 0.9, 1.0, 2.0):
        assert interpolate(xs, ys, at) == pytest.approx(float(np.interp(at, xs, ys)))


def follow(claims, total_s=1000.0):
    crossings = Crossings()
    for i, claim in enumerate(claims):
        crossings.observe(total_s * i / (len(claims) - 1), claim)
    return crossings


def test_a_curve_is_learnt():
    curve = Curve()
    for _ in range(6):
        curve.learn(follow([(i / 200) ** 2 for i in range(201)]).shares(1000.0))
    fitted = curve.fitted(KNOTS, 0.5)
    assert fitted == sorted(fitted)
    assert interpolate(KNOTS, fitted, 0.25) == pytest.approx(0.5, abs=0.05)


def test_progress_backwards_counts_nothing():
    crossings = Crossings()
    for run_s, claim in ((0, 0.0), (100, 0.1), (200, 0.05), (300, 0.2)):
        crossings.observe(run_s, claim)
    assert crossings.top == 0.2
    assert crossings.reached[KNOTS.index(0.1)] == 100


def test_a_jump_leaves_the_knots_between_unknown():
    crossings = Crossings()
    crossings.observe(0, 0.0)
    crossings.observe(10, 1.0)
    shares = crossings.shares(1000.0)
    assert shares[KNOTS.index(0.5)] is None
    assert shares[0] == 0.0
    assert shares[-1] == 1.0


def test_watching_from_the_middle_leaves_the_beginning_unknown():
    crossings = Crossings()
    crossings.observe(500, 0.52)
    crossings.observe(560, 0.56)
    assert crossings.reached[KNOTS.index(0.3)] is None
    assert crossings.reached[KNOTS.index(0.55)] == pytest.approx(545)


def test_round_trip():
    curve = Curve()
    curve.learn([k * k for k in KNOTS])
    again = Curve.from_list(curve.as_list())
    assert again.fitted() == pytest.approx(curve.fitted(), abs=1e-4)
    with pytest.raises(ValueError, match="knots"):
        Curve.from_list([[0.0], [0.0]])
