"""What the end of a build teaches: errors, residuals, factors, changed jobs."""

import json
import math

import pytest
from test_eta import build

from farmwatch.machines.conformal import lower, upper
from farmwatch.machines.errors import Errors, shrunk
from farmwatch.machines.eta import Estimator
from farmwatch.machines.history import Factors
from farmwatch.machines.learned import SHOP_KEPT
from farmwatch.machines.residuals import KEPT, Residuals

DAY_S = 86_400.0


def many(est, n, job="vent", run_s=6000.0, machine="heron", first=0, **more):
    for i in range(first, first + n):
        build(
            est,
            f"{job}-{machine}-{i}",
            job,
            run_s * (1 + 0.004 * (i % 5 - 2)),
            start=i * DAY_S,
            machine=machine,
            **more,
        )


def test_the_weight_moves_to_the_source_that_errs_less():
    """One machine's remaining time is true, another's wild: the same job leans on it here and not there."""
    est = Estimator()
    for i in range(10):
        build(est, f"a{i}", "vent", 6000.0 + 20 * (i % 3), start=2 * i * DAY_S, machine="good",
              reports=lambda s: (None, 6000.0 * (1 - s)))  # fmt: skip
        build(est, f"b{i}", "vent", 6000.0 + 20 * (i % 3), start=(2 * i + 1) * DAY_S, machine="wild",
              reports=lambda s, i=i: (None, 6000.0 * (1 - s) * (0.3 if i % 2 else 2.5)))  # fmt: skip
    good, wild = (est.learned.machine(name).errors.get("remaining elsewhere", 4)[0] for name in ("good", "wild"))
    assert wild > 20 * good
    est.started("wild", "w", "vent", 100 * DAY_S)
    est.progress("w", 100 * DAY_S + 3000, None, 9000.0)
    assert est.estimate("w", 100 * DAY_S + 3000).p50_s == pytest.approx(100 * DAY_S + 6000, abs=600)


def test_the_bias_of_reported_remaining_time_is_learnt_by_job_and_machine():
    est = Estimator()
    for i in range(10):
        for machine, bias in (("knot", 0.7), ("ibis", 1.3)):
            build(est, f"{machine}{i}", "vent", 6000.0, start=i * DAY_S, machine=machine,
                  reports=lambda s, bias=bias: (None, bias * 6000.0 * (1 - s)))  # fmt: skip
    job = est.learned.job("vent")
    assert job.errors.get("ratio knot", 4)[0] == pytest.approx(-math.log(0.7), abs=0.03)
    assert job.errors.get("ratio ibis", 4)[0] == pytest.approx(-math.log(1.3), abs=0.03)
    for machine, bias in (("knot", 0.7), ("ibis", 1.3)):
        est.started(machine, machine, "vent", 1e8)
        est.progress(machine, 1e8 + 3000, None, bias * 3000)
        assert est.estimate(machine, 1e8 + 3000).p50_s == pytest.approx(1e8 + 6000, abs=120)


def test_a_slow_machine_has_its_factor():
    est = Estimator()
    for i in range(14):
        for machine, factor in (("quick", 0.95), ("slow", 1.05)):
            build(est, f"{machine}{i}", f"job{i % 2}", 6000.0 * factor, start=i * DAY_S, machine=machine)
    assert est.learned.factors.of("slow") - est.learned.factors.of("quick") > 0.05
    est.started("slow", "x", "job0", 1e8)
    est.started("quick", "y", "job0", 1e8)
    assert est.estimate("x", 1e8).p50_s > est.estimate("y", 1e8).p50_s + 200
    assert Factors().of("nobody") == 0.0


def test_a_changed_job_is_noticed_within_three_builds():
    est = Estimator()
    many(est, 10)
    for count in range(1, 4):
        many(est, 1, run_s=9000.0, first=20 + count)
        if est.learned.job("vent").history.changed_s is not None:
            break
    assert count <= 3
    est.started("heron", "x", "vent", 1e8)
    assert est.estimate("x", 1e8).p50_s == pytest.approx(1e8 + 9000, rel=0.03)


def test_one_odd_build_changes_no_job():
    est = Estimator()
    many(est, 10)
    many(est, 1, run_s=9000.0, first=20)
    many(est, 2, first=21)
    assert est.learned.job("vent").history.changed_s is None
    est.started("heron", "x", "vent", 1e8)
    assert est.estimate("x", 1e8).p50_s == pytest.approx(1e8 + 6000, rel=0.03)


def test_old_builds_fade():
    """A slow drift of 1 % a build, never a jump: the middle stays near the last builds."""
    est = Estimator()
    for i in range(25):
        build(est, f"d{i}", "vent", 6000.0 * 1.01**i, start=i * DAY_S)
    est.started("heron", "x", "vent", 1e8)
    middle = est.estimate("x", 1e8).p50_s - 1e8
    everything = 6000.0 * sum(1.01**i for i in range(25)) / 25
    assert middle > everything * 1.01


def test_the_median_that_remains_may_rise():
    """Kaplan-Meier given that it still runs: beyond the short kind only the long kind is left."""
    est = Estimator()
    for i in range(20):
        build(est, f"k{i}", "two kinds", 3000.0 if i % 4 else 9000.0, start=i * DAY_S)
    est.started("heron", "x", "two kinds", 1e8)
    early, late = est.estimate("x", 1e8 + 600), est.estimate("x", 1e8 + 4500)
    assert late.p50_s - (1e8 + 4500) > early.p50_s - (1e8 + 600)


def test_shrinking_goes_from_shop_to_machine_to_job():
    shop, job = Errors(), Errors()
    for _ in range(12):
        shop.ratio("ratio", 0, 0.2)
    assert shrunk((shop,), "ratio", 0, 0.0) == pytest.approx(0.2 * 12 / 14.5)
    for _ in range(3):
        job.ratio("ratio", 0, -0.1)
    up = shrunk((shop,), "ratio", 0, 0.0)
    assert shrunk((shop, job), "ratio", 0, 0.0) == pytest.approx((-0.1 * 3 + up * 2.5) / 5.5)


# ---- residuals --------------------------------------------------------------------------------------------------


def test_bounds_are_the_conformal_quantiles_and_infinite_while_too_few():
    found = Residuals()
    for i in range(8):
        found.add(f"b{i}", "known", [(3, (i - 4) / 2)])
    (low80, _), (low95, high95), _ = found.told("known", 3, -math.inf)
    assert math.isfinite(low80)
    assert (low95, high95) == (-math.inf, math.inf), "19 residuals are the least for 95 %"
    for i in range(8, 60):
        found.add(f"b{i}", "known", [(3, math.sin(i))])
    scores = sorted(s for rows in found.builds.values() for _, s in rows["known"])
    (low80, high80), _, middle = found.told("known", 3, -math.inf)
    assert (low80, high80) == (lower(scores, 0.1), upper(scores, 0.1))
    assert scores[28] <= middle <= scores[31]


def test_what_is_ruled_out_because_it_still_runs_is_left_out():
    found = Residuals()
    for i in range(100):
        found.add(f"b{i}", "known", [(3, i / 50 - 1)])
    (low, _), _, middle = found.told("known", 3, 0.5)
    assert low > 0.5
    assert middle > 0.5


def test_the_oldest_builds_go_and_leave_nothing_behind():
    found = Residuals()
    changed = set()
    for i in range(KEPT + 5):
        changed |= found.add(f"b{i}", "known", [(3, 100.0 if i < 5 else 0.01 * (i % 7)), (4, 0.0)])
    assert len(found.builds) == KEPT
    assert "b0" in changed
    assert "b0" not in found.builds
    assert found.told("known", 3, -math.inf)[0][1] < 1.0, "the old wide residuals no longer count"
    assert found.add("none", "known", []) == set()


def test_the_levels_follow_the_misses():
    found = Residuals()
    for _ in range(30):
        found.learn(0.2, 1.0)
    assert found.levels[0.2].level < 0.2


# ---- rows -------------------------------------------------------------------------------------------------------


def test_rows_give_back_the_same_and_the_oldest_runs_go():
    est = Estimator()
    for i in range(SHOP_KEPT + 30):
        est.started(f"m{i % 3}", f"b{i}", f"job{i % 20}", i * 1e4)
        est.ended(f"b{i}", i * 1e4 + 5000 + i, "done" if i % 9 else "failed")
    assert len(est.learned.runs) == SHOP_KEPT
    again = Estimator.from_dict(json.loads(json.dumps(est.as_dict())))
    assert json.dumps(again.as_dict(), sort_keys=True) == json.dumps(est.as_dict(), sort_keys=True)
    for now in (est, again):
        now.started("m1", "x", "job3", 1e8)
    there, here = again.estimate("x", 1e8 + 100), est.estimate("x", 1e8 + 100)
    assert (there.p10_s, there.p50_s, there.p90_s) == pytest.approx((here.p10_s, here.p50_s, here.p90_s), abs=2.0)
    assert est.learned.known("never") is None
