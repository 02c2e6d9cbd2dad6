"""The hidden Markov functions against hmmlearn on the same parameters, the live filter included."""

import math
import random
from itertools import pairwise

import numpy as np
import pytest

from farmwatch.machines import hmm, plugmodel
from farmwatch.machines.plugfilter import PlugFilter
from farmwatch.machines.plugruns import PlugRuns
from farmwatch.machines.signature import PowerSense


def random_model(rng, n):
    rows = [[rng.random() + 0.05 for _ in range(n)] for _ in range(n)]
    matrix = tuple(tuple(v / sum(row) for v in row) for row in rows)
    start = [rng.random() + 0.1 for _ in range(n)]
    start = [v / sum(start) for v in start]
    return start, matrix, [rng.uniform(-3, 3) for _ in range(n)], [rng.uniform(0.3, 1.5) for _ in range(n)]


def reference(start, matrix, means, sds):
    from hmmlearn.hmm import GaussianHMM

    model = GaussianHMM(n_components=len(start), covariance_type="diag", init_params="", params="")
    model.startprob_, model.transmat_ = np.array(start), np.array(matrix)
    model.means_ = np.array(means)[:, None]
    model.covars_ = np.array(sds)[:, None] ** 2
    return model


@pytest.mark.parametrize("seed", range(8))
def test_forward_smooth_and_best_path_against_hmmlearn(seed):
    """hmmlearn 0.3 GaussianHMM: score, predict_proba (forward-backward) and decode (Viterbi)."""
    rng = random.Random(seed)
    start, matrix, means, sds = random_model(rng, rng.randint(2, 8))
    xs = [rng.uniform(-4, 4) for _ in range(60)]
    likelihoods = [[hmm.gaussian(x, m, s) for m, s in zip(means, sds, strict=True)] for x in xs]
    steps = [hmm.columns(matrix)] * 59
    model = reference(start, matrix, means, sds)
    data = np.array(xs)[:, None]

    beliefs, loglik = hmm.forward(start, steps, likelihoods)
    assert loglik == pytest.approx(model.score(data), abs=1e-8)
    assert np.allclose(hmm.smooth(beliefs, steps, likelihoods), model.predict_proba(data), atol=1e-9)
    # The filtered belief at t is the smoothed one of the sequence cut after t.
    for t in (0, 10, 59):
        assert np.allclose(beliefs[t], model.predict_proba(data[: t + 1])[-1], atol=1e-9)
    assert hmm.best_path(start, steps, likelihoods) == model.decode(data)[1].tolist()


def test_live_filter_is_the_reference_filter(monkeypatch):
    """`PowerSense.observe`, with its own emissions and transitions, against hmmlearn's GMMHMM.

    An emission is a normal density and a 2 % broad one: a mixture of two, which GMMHMM knows.  Learning is
    switched off so that the parameters stay the same, and every reading is taken: alive, a reading that only
    repeats what is all but certain makes no step, and the next step spans the longer time.
    """
    from hmmlearn.hmm import GMMHMM

    sense = PowerSense()
    monkeypatch.setattr(PlugFilter, "_learn_state", lambda *_: None)
    monkeypatch.setattr(PlugFilter, "_foreseen", lambda *_: False)
    monkeypatch.setattr(PlugRuns, "follow", lambda *_: None)
    rng = random.Random(3)
    watts = [9.0] * 12 + [281.0] * 25 + [rng.choice([52.0, 55.0, 250.0]) for _ in range(60)] + [9.0] * 10
    beliefs = []
    for i, w in enumerate(watts):
        sense.observe(1000.0 + 10.0 * i, w)
        beliefs.append(list(sense.belief))

    n = plugmodel.STATES
    model = GMMHMM(n_components=n, n_mix=2, covariance_type="diag", init_params="", params="")
    model.startprob_ = np.array(plugmodel.START)
    model.transmat_ = np.array(hmm.columns(plugmodel.across(10)))
    model.transmat_ /= model.transmat_.sum(axis=1, keepdims=True)
    share = plugmodel.OUTLIER_SHARE
    model.weights_ = np.array([[1 - share, share]] * n)
    emissions = sense.emissions()
    model.means_ = np.array([[[m], [plugmodel.OUTLIER_MEAN]] for m, _ in emissions])
    model.covars_ = np.array([[[s**2], [plugmodel.OUTLIER_SD**2]] for _, s in emissions])
    model.n_features = 1
    data = np.array([[math.log1p(w)] for w in watts])
    for t in (0, 11, 14, 36, 60, 96, len(watts) - 1):
        assert np.allclose(beliefs[t], model.predict_proba(data[: t + 1])[-1], atol=1e-6)


def test_power_and_rates():
    matrix = hmm.from_rates([[0, 0.1], [0.02, 0]], 1.0)
    assert np.allclose(hmm.power(matrix, 37), np.linalg.matrix_power(np.array(matrix), 37))
    with pytest.raises(ValueError, match="too fast"):
        hmm.from_rates([[0, 2.0], [0, 0]])
    with pytest.raises(ValueError, match="exponent"):
        hmm.power(matrix, 0)


@pytest.mark.parametrize("dt", [1, 2, 10, 30, 60, 600])
def test_every_step_length_is_a_stochastic_matrix(dt):
    rows = hmm.columns(plugmodel.across(dt))
    assert all(min(row) >= 0.0 and sum(row) == pytest.approx(1.0) for row in rows)


def test_what_no_state_explains_changes_only_the_prediction():
    across = hmm.columns(((0.9, 0.1), (0.2, 0.8)))
    belief, evidence = hmm.step([0.5, 0.5], across, [0.0, 0.0])
    assert evidence == 0.0
    assert belief == pytest.approx(hmm.predict([0.5, 0.5], across))
    assert all(b >= a for a, b in pairwise([0.0, *belief]) if a == 0.0)
