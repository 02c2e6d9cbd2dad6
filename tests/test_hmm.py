"""The filter's step against hmmlearn on the same parameters: with models drawn by chance, and alive."""

import math
import random

import numpy as np
import pytest

from farmwatch.machines import hmm, plugmodel
from farmwatch.machines.plugfilter import PlugFilter
from farmwatch.machines.plugruns import PlugRuns
from farmwatch.machines.signature import PowerSense


def reference(start, matrix, emissions):
    """hmmlearn 0.3 GMMHMM: an emission is a normal density and a 2 % broad one, a mixture of two."""
    from hmmlearn.hmm import GMMHMM

    n, share = len(start), plugmodel.OUTLIER_SHARE
    model = GMMHMM(n_components=n, n_mix=2, covariance_type="diag", init_params="", params="")
    model.startprob_, model.transmat_ = np.array(start), np.array(matrix)
    model.transmat_ /= model.transmat_.sum(axis=1, keepdims=True)
    model.weights_ = np.array([[1 - share, share]] * n)
    model.means_ = np.array([[[m], [plugmodel.OUTLIER_MEAN]] for m, _ in emissions])
    model.covars_ = np.array([[[s**2], [plugmodel.OUTLIER_SD**2]] for _, s in emissions])
    model.n_features = 1
    return model


@pytest.mark.parametrize("seed", range(8))
def test_forward_against_hmmlearn(seed):
    """Its score (log-likelihood), and predict_proba of the sequence cut after t, which is the filtered belief."""
    rng = random.Random(seed)
    rows = [[rng.random() ** 3 + 1e-4 for _ in range(plugmodel.STATES)] for _ in range(plugmodel.STATES)]
    matrix = tuple(tuple(v / sum(row) for v in row) for row in rows)
    emissions = [(rng.uniform(0, 6), rng.uniform(0.05, 0.6)) for _ in range(plugmodel.STATES)]
    ys = [rng.uniform(0, 7) for _ in range(60)]
    model = reference(plugmodel.START, matrix, emissions)
    data = np.array(ys)[:, None]

    across, table = hmm.columns(matrix), plugmodel.table(emissions)
    belief, evidence = plugmodel.forward(plugmodel.START, plugmodel.NOWHERE, ys[0], table)
    total = math.log(evidence)
    for t in range(1, len(ys)):
        belief, evidence = plugmodel.forward(belief, across, ys[t], table)
        total += math.log(evidence)
        if t in {1, 10, 59}:
            assert np.allclose(belief, model.predict_proba(data[: t + 1])[-1], atol=1e-9)
    assert total == pytest.approx(model.score(data), abs=1e-8)


def test_live_filter_is_the_reference_filter(monkeypatch):
    """`PowerSense.observe`, with its own emissions and transitions.

    Learning is switched off so that the parameters stay the same, and every reading is taken: alive, a reading
    that only repeats what is all but certain makes no step, and the next step spans the longer time.
    """
    sense = PowerSense()
    monkeypatch.setattr(PlugFilter, "_learn_state", lambda *_: None)
    monkeypatch.setattr(PlugRuns, "follow", lambda *_: None)
    monkeypatch.setattr("farmwatch.machines.plugfilter.CALM", 2.0)
    rng = random.Random(3)
    watts = [9.0] * 12 + [281.0] * 25 + [rng.choice([52.0, 55.0, 250.0]) for _ in range(60)] + [9.0] * 10
    beliefs = []
    for i, w in enumerate(watts):
        sense.observe(1000.0 + 10.0 * i, w)
        beliefs.append(list(sense.belief))

    model = reference(plugmodel.START, hmm.columns(plugmodel.across(10)), sense.emissions())
    data = np.array([[math.log1p(w)] for w in watts])
    for t in (0, 11, 14, 36, 60, 96, len(watts) - 1):
        assert np.allclose(beliefs[t], model.predict_proba(data[: t + 1])[-1], atol=1e-6)


def test_a_calm_that_makes_no_steps_leaves_the_belief_where_every_step_would(monkeypatch):
    """Ten minutes at rest are one step in the end; what comes after is believed as by steps of each, to within 0.02."""
    monkeypatch.setattr(PlugFilter, "_learn_state", lambda *_: None)
    monkeypatch.setattr(PlugRuns, "follow", lambda *_: None)

    def beliefs(every_s):
        sense, steps, after = PowerSense(), set(), []
        for i in range(2 * 600 // every_s):
            sense.observe(1000.0 + every_s * i, 8.0)
            steps.add(sense._filter.step_s)
        for k, watts in enumerate((280.0, 281.0, 9.0, 280.0, 60.0)):
            sense.observe(1000.0 + every_s * (i + 1 + k), watts)
            after.append(list(sense.belief))
        return after, len(steps)

    for every_s in (10, 60):
        quick, few = beliefs(every_s)
        with monkeypatch.context() as each:
            each.setattr("farmwatch.machines.plugfilter.CALM", 2.0)
            full, all_of_them = beliefs(every_s)
        assert all_of_them == 1200 // every_s
        assert few <= 8
        assert np.allclose(quick, full, atol=0.02)


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


def test_a_reading_that_no_state_explains_changes_only_the_prediction():
    table = plugmodel.table([(2.0 + 0.1 * i, 0.1) for i in range(plugmodel.STATES)])
    across = plugmodel.across(600)
    belief, _ = plugmodel.forward(plugmodel.START, across, 8.5, table)
    expected = np.array(plugmodel.START) @ np.array(hmm.columns(across))
    assert np.allclose(belief, expected, atol=1e-9)
