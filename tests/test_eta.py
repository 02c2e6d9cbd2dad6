"""Finish times: learning, intervals that hold, and what a person sees with bad input."""

import json
import math
import random
import time
from statistics import median

import pytest

from farmwatch.machines.conformal import wilson
from farmwatch.machines.errors import drawn, stage_of
from farmwatch.machines.eta import Estimator


def build(est, name, job, run_s, *, start=0.0, machine="heron", result="done", reports=None, every=60.0):
    """One build; ``reports(share) -> (progress, remaining)``."""
    est.started(machine, name, job, start)
    if reports is not None:
        t = 0.0
        while t < run_s:
            est.progress(name, start + t, *reports(t / run_s))
            t += every
    est.ended(name, start + run_s, result)


def shop(seed, n, *, reports=True, jobs=6):
    """A shop's past and a list of (said, truth, share) at one random instant per build."""
    rng, est, asked, now = random.Random(seed), Estimator(), [], 0.0
    kinds = [(rng.uniform(3000, 20000), rng.uniform(0.6, 1.6), rng.uniform(0.8, 1.25)) for _ in range(jobs)]
    for b in range(n):
        j = rng.randrange(jobs)
        usual, bend, bias = kinds[j]
        run_s = usual * rng.lognormvariate(0, 0.025)
        at, name, t, done = rng.random() * run_s, f"b{b}", 0.0, False
        est.started(f"m{b % 4}", name, f"job-{j}", now)
        while t < run_s:
            if reports:
                est.progress(name, now + t, math.floor(100 * (t / run_s) ** bend) / 100, (run_s - t) * bias)
            if t >= at and not done:
                done = True
                asked.append((est.estimate(name, now + t), now + run_s, t / run_s, run_s))
            t += 60.0
        est.ended(name, now + run_s, "done")
        now += run_s + 900
    return est, asked


@pytest.fixture(scope="module")
def reported():
    return shop(3, 260)


@pytest.fixture(scope="module")
def plug_only():
    return shop(4, 260, reports=False)


@pytest.mark.parametrize("which", ["reported", "plug_only"])
def test_intervals_hold_as_often_as_they_say(which, request):
    _, asked = request.getfixturevalue(which)
    for level, low, high in ((0.8, "p10_s", "p90_s"), (0.95, "p025_s", "p975_s")):
        finite = [(getattr(e, low), getattr(e, high), end) for e, end, *_ in asked if e and getattr(e, low)]
        held = sum(a <= end <= b for a, b, end in finite)
        bounds = wilson(held, len(finite), z=3.2905)  # 99.9 %
        assert len(finite) > 150
        assert bounds[0] <= level <= bounds[1]


def test_known_jobs_are_estimated_closely(reported):
    _, asked = reported
    late = asked[100:]
    for low, high, limit in ((0.0, 0.3, 0.03), (0.3, 0.7, 0.02), (0.7, 1.0, 0.01)):
        errors = [abs(e.p50_s - end) / run for e, end, share, run in late if low <= share < high]
        assert median(errors) <= limit


def test_plug_only_known_jobs_within_their_spread(plug_only):
    _, asked = plug_only
    assert median(abs(e.p50_s - end) / run for e, end, _, run in asked[100:]) <= 0.03


def test_quantiles_are_in_order_and_never_past(reported, plug_only):
    est, _ = reported
    est.started("m1", "late", "job-1", 0.0)
    for now in (0.0, 100.0, 5_000.0, 15_000.0, 40_000.0):
        e = est.estimate("late", now)
        quants = [q for q in (e.p025_s, e.p10_s, e.p50_s, e.p90_s, e.p975_s) if q is not None]
        assert quants == sorted(quants)
        assert all(q >= now for q in quants)
    est.ended("late", 40_000.0, "cancelled")
    del plug_only


def test_first_build_has_no_interval_and_says_so():
    est = Estimator()
    est.started("heron", "b", "hive-latch", 0.0)
    e = est.estimate("b", 10.0)
    assert (e.p10_s, e.p50_s, e.p90_s) == (None, None, None)
    assert "nothing to go by" in e.basis
    est.progress("b", 600.0, 0.2, 2400.0)
    e = est.estimate("b", 600.0)
    assert e.p50_s == pytest.approx(3000, rel=0.05)
    assert e.p10_s is None
    assert "too few" in e.basis


def test_a_machine_whose_network_is_away_still_gets_an_honest_interval(reported):
    est, _ = reported
    est.started("m1", "silent", "job-1", 2e9)
    e = est.estimate("silent", 2e9 + 1000)
    assert e.p10_s < e.p50_s < e.p90_s
    assert "builds of job-1" in e.basis
    est.ended("silent", 2e9 + 1200, "cancelled")


def test_reports_after_a_clock_that_stood_ahead_are_heard():
    """The build began in a future that is none any more; its machine goes on saying how long it takes."""
    est, ahead_s = Estimator(), 40 * 86_400.0
    est.started("heron", "b", "hive-latch", ahead_s)
    for at_s in range(60, 660, 60):
        est.progress("b", ahead_s + at_s, at_s / 3600, 3600.0 - at_s)
    est.progress("b", ahead_s + 300.0, 0.9, 10.0)  # late: not heard
    assert est.estimate("b", ahead_s + 601.0).p50_s == pytest.approx(ahead_s + 3600, rel=0.001)
    for at_s in range(660, 1260, 60):
        est.progress("b", float(at_s), at_s / 3600, 3600.0 - at_s)
    assert est.estimate("b", 1201.0).p50_s == pytest.approx(3600.0, abs=120.0)
    est.ended("b", 3600.0, "done")


def test_not_running_is_none():
    assert Estimator().estimate("nobody", 0.0) is None


def test_a_pause_moves_the_finish():
    est = Estimator()
    for i in range(6):
        build(est, f"p{i}", "vent-arm", 6000.0, start=i * 1e4)
    est.started("heron", "b", "vent-arm", 1e6)
    before = est.estimate("b", 1e6 + 1000).p50_s
    est.paused("b", 1e6 + 1000)
    assert est.estimate("b", 1e6 + 1600).p50_s == pytest.approx(before + 600, abs=60)
    assert "paused" in est.estimate("b", 1e6 + 1600).basis
    est.resumed("b", 1e6 + 1600)
    assert est.estimate("b", 1e6 + 1700).p50_s == pytest.approx(before + 600, abs=60)


def test_overdue_says_by_how_much_and_widens(plug_only):
    est, _ = plug_only
    now = 1e9
    est.started("m1", "o", "job-2", now)
    usual = est.estimate("o", now + 60)
    width = usual.p90_s - usual.p10_s
    late = est.estimate("o", usual.p50_s + 1200)
    assert late.overdue_s == pytest.approx(1200, abs=0.05 * (usual.p50_s - now))
    assert usual.overdue_s is None
    assert late.p90_s is None or late.p90_s - late.p10_s > 0
    assert late.p10_s is None or late.p90_s - (usual.p50_s + 1200) > 0.2 * width
    est.ended("o", usual.p50_s + 1300, "cancelled")


def test_censored_builds_do_not_shorten():
    est = Estimator()
    for i in range(6):
        build(est, f"g{i}", "drip-tray", 7200.0 + 20 * i, start=i * 1e4)
        build(est, f"x{i}", "drip-tray", 600.0, start=i * 1e4, machine="ibis", result="failed")
    est.started("heron", "b", "drip-tray", 1e6)
    assert est.estimate("b", 1e6 + 60).p50_s == pytest.approx(1e6 + 7250, abs=150)


def test_an_unknown_end_far_from_any_known_duration_is_censored():
    est = Estimator()
    for i in range(5):
        build(est, f"g{i}", "drip-tray", 7200.0, start=i * 1e4)
    build(est, "u1", "drip-tray", 1200.0, start=1e5, result="unknown")
    build(est, "u2", "drip-tray", 7260.0, start=2e5, result="unknown")
    runs = est.learned.job("drip-tray").history.runs
    assert [r.observed for r in runs][-2:] == [False, True]


def test_the_person_may_revise():
    est = Estimator()
    build(est, "a", "drip-tray", 7200.0)
    est.revise("a", "failed")
    assert est.learned.job("drip-tray").history.finished == 0


def test_changed_job_follows():
    est, rng = Estimator(), random.Random(1)
    for i in range(10):
        build(est, f"a{i}", "gutter-clip", 7200 * rng.lognormvariate(0, 0.02), start=i * 1e5)
    for i in range(3):
        build(est, f"c{i}", "gutter-clip", 9600 * rng.lognormvariate(0, 0.02), start=2e6 + i * 1e5)
    est.started("heron", "b", "gutter-clip", 1e7)
    assert est.estimate("b", 1e7).p50_s - 1e7 == pytest.approx(9600, rel=0.05)


def test_changed_plan_shows_before_it_has_run():
    est = Estimator()
    for i in range(6):
        est.started("heron", f"a{i}", "gutter-clip", i * 1e5, 7000.0)
        est.ended(f"a{i}", i * 1e5 + 7350.0, "done")
    est.started("heron", "b", "gutter-clip", 1e7, 14000.0)
    assert est.estimate("b", 1e7).p50_s - 1e7 == pytest.approx(14700, rel=0.03)


def known(n=8):
    est = Estimator()
    for i in range(n):
        build(est, f"k{i}", "hive-latch", 6000.0 + 30 * (i % 3), start=i * 1e4, reports=lambda s: (s, 6000 * (1 - s)))
    est.started("heron", "b", "hive-latch", 1e6)
    return est


# Bad input, and what the person sees: an estimate near the truth, or a wide one; never nonsense.
BAD = {
    "progress backwards": [(600, 0.10, None), (1200, 0.05, None), (1800, 0.30, None)],
    "100 % at the start": [(10, 1.0, None), (600, 1.0, None), (3000, 1.0, None)],
    "stays at 99 %": [(600, 0.1, None), (1200, 0.99, None), (3000, 0.99, None)],
    "remaining 0": [(600, 0.1, 0.0), (3000, 0.5, 0.0)],
    "remaining 1e9": [(600, 0.1, 1e9), (3000, 0.5, 1e9)],
    "remaining negative, NaN": [(600, 0.1, -5.0), (3000, 0.5, math.nan)],
    "progress out of range": [(600, 42.0, None), (3000, math.nan, None), (3001, -1.0, None)],
    "clock back": [(3000, 0.5, 3000.0), (100, 0.9, 10.0)],
}


@pytest.mark.parametrize("name", BAD)
def test_bad_reports_do_not_spoil_a_known_job(name):
    est = known()
    for t, progress, remaining in BAD[name]:
        est.progress("b", 1e6 + t, progress, remaining)
    e = est.estimate("b", 1e6 + 3000)
    assert 1e6 + 3000 <= e.p50_s <= 1e6 + 9000
    assert all(q is None or math.isfinite(q) for q in (e.p025_s, e.p10_s, e.p90_s, e.p975_s))
    json.dumps(est.as_dict(), allow_nan=False)


@pytest.mark.parametrize("job", [None, "", "   ", "x" * 10_000, "<img src=x onerror=1>\x1b[0m"])
def test_odd_job_names(job):
    est = Estimator()
    build(est, "a", job, 5000.0)
    est.started("heron", "b", job, 1e5)
    e = est.estimate("b", 1e5 + 100)
    assert e.p50_s == pytest.approx(1e5 + 5000, rel=0.01)
    assert len(e.basis) < 300
    assert "\x1b" not in e.basis


def test_name_learnt_in_mid_build():
    est = known()
    est.started("ibis", "n", None, 2e6)
    est.renamed("n", "hive-latch")
    assert est.estimate("n", 2e6 + 600).p50_s == pytest.approx(2e6 + 6030, abs=120)
    assert "hive-latch" in est.estimate("n", 2e6 + 600).basis


def test_repeated_and_unknown_messages_change_nothing():
    est = known()
    est.started("heron", "b", "other", 5e6)
    assert est.running["b"].name == "hive-latch"
    for call in (est.paused, est.resumed):
        call("nobody", 1.0)
    est.ended("nobody", 1.0, "done")
    est.progress("nobody", 1.0, 0.5, 1.0)


def test_journal_in_rows_restores_everything(reported):
    est, _ = reported
    est.started("m1", "open", "job-1", 1e9)
    est.progress("open", 1e9 + 600, 0.1, 4000.0)
    again = Estimator.from_dict(json.loads(json.dumps(est.as_dict())))
    one, two = est.estimate("open", 1e9 + 700), again.estimate("open", 1e9 + 700)
    assert two.p50_s == pytest.approx(one.p50_s, abs=1.0)
    assert two.p90_s == pytest.approx(one.p90_s, abs=5.0)
    assert two.basis == one.basis


def test_changed_rows_alone_rebuild_the_state():
    est, rows = Estimator(), {}
    for i in range(30):
        build(est, f"b{i}", f"job-{i % 3}", 5000.0 + i, start=i * 1e4, reports=lambda s: (s, None))
        for key, row in est.take_changed().items():
            rows[key] = row
            if row is None:
                del rows[key]
    assert json.loads(json.dumps(rows)) == json.loads(json.dumps(est.as_dict()["rows"]))
    assert est.take_changed() == {}


def test_ten_thousand_builds_load_at_once():
    """Six hundred builds that were watched, their jobs' rows copied until there are ten thousand runs."""
    est = Estimator()
    for i in range(600):
        est.started(f"m{i % 12}", f"b{i}", f"job-{i % 20}", i * 100.0)
        est.ended(f"b{i}", i * 100.0 + 4000 + i % 50, "done")
    rows = est.rows()
    jobs = {key: row for key, row in rows.items() if key.startswith("job:")}
    rows |= {f"{key}-{copy}": row for copy in range(1, 17) for key, row in jobs.items()}
    state = json.loads(json.dumps({"rows": rows}))
    begin = time.process_time()
    again = Estimator.from_dict(state)
    assert time.process_time() - begin < 2.0  # the 0.2 s are measured by the bench
    assert sum(len(job.history.runs) for _, job in again.learned.jobs()) >= 10_000


def test_a_running_build_is_small():
    est = known()
    for i in range(500):
        est.progress("b", 1e6 + 10 * i, i / 600, 6000.0 - 10 * i)
    assert len(json.dumps(est.rows(["build:b"]))) < 8 * 1024


def test_stages_and_instants():
    assert [stage_of(s) for s in (0.0, 0.049, 0.05, 0.5, 0.95, 1.0, 3.0)] == [0, 0, 1, 4, 7, 7, 7]
    draws = [drawn(f"b{i}", 3) for i in range(2000)]
    assert min(draws) >= 0.3
    assert max(draws) <= 0.5
    assert sum(draws) / len(draws) == pytest.approx(0.4, abs=0.01)


def test_the_first_report_is_heard_although_there_was_nothing_to_go_by_when_the_build_began():
    estimator = Estimator()
    estimator.started("avocet", "b1", "clip", 1000.0)
    estimator.progress("b1", 1000.0, 0.5, 1200.0)
    assert estimator.estimate("b1", 1000.0).p50_s is None
    estimator.progress("b1", 1004.0, 0.5, 1196.0)
    assert estimator.estimate("b1", 1004.0).p50_s == pytest.approx(2200.0, abs=1.0)


def test_a_job_that_changed_is_noticed_by_the_third_end_that_nobody_reported():
    """A plug alone: each end is far from any known duration, but near to the two before it."""
    est, rng = Estimator(), random.Random(1)
    lengths = [7200.0] * 8 + [3600.0] * 3
    for i, length in enumerate(lengths):
        est.started("heron", f"a{i}", "gutter-clip", i * 1e5)
        est.ended(f"a{i}", i * 1e5 + length * rng.lognormvariate(0, 0.02), "unknown")
    est.started("heron", "b", "gutter-clip", 2e6)
    assert est.estimate("b", 2e6).p50_s - 2e6 == pytest.approx(3600, rel=0.05)


def test_ends_that_nobody_reported_at_odd_lengths_change_no_job():
    est, rng = Estimator(), random.Random(1)
    lengths = [7200.0] * 8 + [3600.0, 1200.0, 2400.0]
    for i, length in enumerate(lengths):
        est.started("heron", f"a{i}", "gutter-clip", i * 1e5)
        est.ended(f"a{i}", i * 1e5 + length * rng.lognormvariate(0, 0.02), "unknown")
    est.started("heron", "b", "gutter-clip", 2e6)
    assert est.estimate("b", 2e6).p50_s - 2e6 == pytest.approx(7200, rel=0.05)


def seasoned():
    """A shop that knows sixty builds, none of the job to come."""
    est, rng, at = Estimator(), random.Random(3), 0.0
    for i in range(60):
        length = rng.lognormvariate(math.log(7000.0), 0.6)
        est.started("heron", f"s{i}", f"part-{i % 20}", at)
        for k in range(1, 100):
            est.progress(f"s{i}", at + length * k / 100, k / 100, 1.05 * length * (1 - k / 100))
        est.ended(f"s{i}", at + length, "done")
        at += length + 600.0
    est.started("heron", "b", "never-seen", at)
    return est, at


STUCK = {"100 % at the start": (1.0, None), "99 %": (0.99, None), "100 % and 0 s": (1.0, 0.0), "half": (0.5, None)}


@pytest.mark.parametrize("name", STUCK)
def test_a_new_job_whose_report_stands_still_is_given_more_time_and_a_wider_range(name):
    est, at = seasoned()
    claim, remaining = STUCK[name]
    widths, lefts = [], []
    for t in range(60, 9060, 60):
        est.progress("b", at + t, claim if t > 600 or claim == 1.0 else claim * t / 660, remaining)
        if t in {3000, 9000}:
            e = est.estimate("b", at + t)
            lefts.append(e.p50_s - at - t)
            widths.append(e.p90_s - e.p10_s)
    assert lefts[0] > 300.0, "not: in ten seconds, for hours"
    assert lefts[1] > 1.5 * lefts[0]
    assert widths[1] > 1.5 * widths[0]


def test_progress_that_the_build_before_left_is_forgotten_once_it_falls():
    est, at = seasoned()
    est.progress("b", at + 10, 1.0, None)
    for k in range(1, 60):
        est.progress("b", at + 60 * k, k / 100, None)
    assert est.estimate("b", at + 3600).p50_s == pytest.approx(at + 6000, rel=0.01)


def counted(est):
    """How often an estimate was made anew; grows."""
    made, anew = [], est._estimate
    est._estimate = lambda running, now_s: made.append(now_s) or anew(running, now_s)
    return made


def test_while_a_build_stands_still_its_estimate_is_moved_and_not_made_anew():
    reports = lambda share: (math.floor(100 * share) / 100, round(7200 * (1 - share)))  # noqa: E731
    est = Estimator()
    for i in range(14):
        build(est, f"b{i}", "hinge", 7200.0 * (1 + 0.01 * (i % 3)), start=9000.0 * i, reports=reports)
    est.started("heron", "now", "hinge", 200_000.0)
    for t in range(0, 3000, 60):
        est.progress("now", 200_000.0 + t, *reports(t / 7200))
    est.paused("now", 203_000.0)
    made = counted(est)
    first = est.estimate("now", 203_010.0)
    moved = [est.estimate("now", 203_010.0 + 60.0 * k) for k in range(1, 15)]
    assert len(made) == 1
    for k, found in enumerate(moved, 1):
        anew = Estimator.from_dict(est.as_dict()).estimate("now", 203_010.0 + 60.0 * k)
        assert found[:5] == pytest.approx(anew[:5])
        assert found[:5] == pytest.approx([at_s + 60.0 * k for at_s in first[:5]])
        assert found[5:] == anew[5:] == first[5:]
    est.progress("now", 203_900.0, 0.9, 60.0)  # what it says is another: that counts at once
    assert est.estimate("now", 203_900.0).p50_s != pytest.approx(first.p50_s + 890.0, abs=60)
    assert len(made) == 2


def test_of_a_build_of_which_nothing_is_known_nothing_is_worked_out_until_a_word_comes():
    est = Estimator()
    est.started("heron", "now", "hinge", 0.0)
    made = counted(est)
    assert all(est.estimate("now", 60.0 * k).p50_s is None for k in range(1, 60))
    assert len(made) == 1
    est.progress("now", 3600.0, 0.4, None)
    assert est.estimate("now", 3600.0).p50_s == pytest.approx(9000.0, rel=0.2)
