"""What machines yield: SEMI E10 times, ISO 22400-2 figures, cost of a part."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.machines.state import STATES as MACHINE_STATES
from farmwatch.shop.usage import STATES, TIME_OF, UNSEEN, Rates, Run, Times, cost_of, oee, times_between

H = 3600.0


def test_every_machine_state_has_its_time():
    assert set(TIME_OF) == set(MACHINE_STATES)
    assert set(TIME_OF.values()) <= {*STATES, UNSEEN}


def test_semi_e10_worked_week():
    # Worked out apart from this project by the definitions of SEMI E10 (as given in OPC 40100-1): a week of 168 h.
    times = Times()
    for category, hours in zip(STATES, (90, 40, 4, 6, 8, 20), strict=True):
        times.add(category, hours * H)
    assert times.calendar_s == 168 * H
    assert times.operations_s == 148 * H
    assert times.uptime_s == 134 * H
    assert times.operational_uptime() == pytest.approx(0.9054, abs=5e-5)
    assert times.total_utilisation() == pytest.approx(0.5357, abs=5e-5)
    assert times.operational_utilisation() == pytest.approx(0.6081, abs=5e-5)


def test_nothing_seen_has_no_ratio():
    times = times_between([], 0.0, 10.0)
    assert times.seconds[UNSEEN] == 10.0
    assert times.total_utilisation() is None
    assert times.operational_uptime() is None


@given(
    st.lists(st.tuples(st.integers(0, 10**6), st.sampled_from(sorted(TIME_OF))), unique_by=lambda c: c[0]).map(sorted),
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 10**5)).map(lambda p: (p[0], p[0] + p[1])), max_size=5),
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(0, 10**5)).map(lambda p: (p[0], p[0] + p[1])), max_size=3),
    st.integers(0, 10**6),
    st.integers(0, 10**6),
)
def test_the_times_sum_to_the_calendar(changes, closed, trials, from_s, length_s):
    times = times_between(changes, from_s, from_s + length_s, closed, trials)
    assert times.calendar_s == length_s
    assert min(times.seconds.values()) >= 0
    assert times.waiting_s + times.paused_s <= times.seconds["standby"]


def test_closed_hours_do_not_take_production_away():
    changes = [(0.0, "printing"), (5 * H, "waiting"), (9 * H, "printing"), (12 * H, "unknown")]
    times = times_between(changes, 0.0, 14 * H, closed=[(6 * H, 10 * H)])
    assert times.seconds["productive"] == 8 * H
    assert times.seconds["nonscheduled"] == 3 * H
    assert times.waiting_s == times.seconds["standby"] == 1 * H
    assert times.seconds[UNSEEN] == 2 * H


def test_oee_of_the_published_shifts():
    # A widely reprinted shift (pranavwrite.medium.com): 420 planned minutes, 373 run, 1.0 s a piece, 18,848 good.
    shift = oee(373 * 60, 420 * 60, 1.0, 19_271, 18_848)
    assert shift.availability == pytest.approx(0.888095, abs=5e-7)
    assert shift.effectiveness == pytest.approx(0.861081, abs=5e-7)
    assert shift.quality == pytest.approx(0.978050, abs=5e-7)
    assert shift.oee == pytest.approx(0.747937, abs=5e-7)
    assert shift.oee == pytest.approx(18_848 * 1.0 / (420 * 60), rel=1e-9)
    # waycalculator: 420/480, 400 * 1/420, 380/400
    other = oee(420, 480, 1, 400, 380)
    assert other[:3] == pytest.approx((0.875, 0.952381, 0.95), abs=5e-7)
    assert other.oee == pytest.approx(0.791667, abs=5e-7)


def test_oee_without_a_plan_has_no_value():
    assert oee(0, 0, 1, 0, 0) == (None, None, None, None)
    assert oee(10, 20, 1, 0, 0).oee is None


def run(result="done", **changes):
    fields = {"machine": "knot", "job": "clip", "hours": 2.0, "energy_wh": 200.0, "material_g": 50.0,
              "material_cost": 1.0, "pieces": 10.0}  # fmt: skip
    return Run(result=result, **{**fields, **changes})


def test_failures_are_paid_by_the_good_pieces():
    rates = Rates(kwh=0.30, machine_hour=0.50)
    one = 0.06 + 1.0 + 1.0
    cost = cost_of([run(), run(), run("failed", hours=1.0)], rates)
    failed = one - 0.5
    assert cost.total == pytest.approx(2 * one + failed)
    assert cost.of_failures == pytest.approx(failed)
    assert cost.each == pytest.approx((2 * one + failed) / 20)
    assert cost.missing == {}


def test_what_is_unknown_is_named_and_not_taken_as_nothing():
    cost = cost_of([run(energy_wh=None), run(pieces=None)], Rates(0.3, 0.5))
    assert cost.missing == {"energy": 1, "pieces": 1}
    assert cost.each is None
    assert math.isfinite(cost.total)
    assert cost_of([], Rates(0.3, 0.5)).each is None
