"""What earlier runs of a job say."""

import math
import random

import pytest

from farmwatch.machines.history import KEY_LENGTH, Factors, JobHistory, Run, job_key, shown


def add(history, run_s, *, observed=True, machine="heron", factors=None):
    run = Run(f"b{history.total}", machine, 1e6 + history.total, run_s, observed, None)
    return history.add(run, factors or Factors())


def test_censored_runs_are_not_short_successes():
    clean, censored, naive = JobHistory(), JobHistory(), JobHistory()
    for run_s in (3600, 3630, 3590, 3610):
        for history in (clean, censored, naive):
            add(history, run_s)
    add(censored, 900, observed=False)
    add(naive, 900)
    factors = Factors()
    assert censored.middle(factors) == pytest.approx(clean.middle(factors), rel=0.001)
    assert censored.finished == 4
    assert naive.survival(factors).at(1000) < 1.0
    assert censored.survival(factors).at(1000) == 1.0


def test_a_changed_job_is_noticed_within_three_builds():
    history, rng = JobHistory(), random.Random(2)
    for _ in range(12):
        assert not add(history, 7200 * rng.lognormvariate(0, 0.02))
    noticed = [add(history, 9000 * rng.lognormvariate(0, 0.02)) for _ in range(3)]
    assert any(noticed)
    assert history.middle(Factors()) == pytest.approx(9000, rel=0.05)


def test_ordinary_spread_is_no_change():
    changes = 0
    for seed in range(40):
        history, rng = JobHistory(), random.Random(seed)
        changes += sum(add(history, 7200 * rng.lognormvariate(0, 0.03)) for _ in range(25))
    assert changes <= 2


def test_one_odd_run_is_no_change():
    history = JobHistory()
    for run_s in (3600, 3620, 3580, 3610, 5400, 3600, 3590):
        assert not add(history, run_s)
    assert history.middle(Factors()) == pytest.approx(3600, rel=0.02)


def test_machine_factors_are_learnt_and_shrunk():
    factors = Factors()
    assert factors.of("lapwing") == 0.0
    for _ in range(30):
        factors.learn("lapwing", 0.05)
    assert 0.03 < factors.of("lapwing") < 0.05


def test_names_empty_long_and_odd():
    assert job_key(None) is None
    assert job_key("  ") is None
    assert job_key(" hive-latch ") == "hive-latch"
    one, two = job_key("x" * 10_000), job_key("x" * 9_999 + "y")
    assert one != two
    assert len(one) <= KEY_LENGTH + 16
    assert job_key("\ud800" * 200) is not None
    assert "\x1b" not in shown("a\x1b]0;b\nc")
    assert len(shown("y" * 10_000)) <= 40


def test_round_trip_and_bounds():
    history = JobHistory()
    for i in range(100):
        add(history, 3600 + i, observed=i % 7 != 0)
    again = JobHistory.from_dict(history.as_dict())
    assert again.total == 100
    assert len(again.runs) == 30
    assert again.middle(Factors()) == pytest.approx(history.middle(Factors()))
    assert math.isfinite(again.spread(Factors()))


def test_a_run_can_be_taken_out():
    history = JobHistory()
    add(history, 3600)
    assert history.forget("b0").run_s == 3600
    assert history.forget("b0") is None
    assert history.middle(Factors()) is None
