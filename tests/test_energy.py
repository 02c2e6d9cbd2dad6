import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.power.energy import EnergyMeter


def test_watts_are_integrated_by_the_trapezoid_rule():
    """Reference: numpy.trapezoid on the same irregular samples."""
    rng = random.Random(5)
    times = np.cumsum([rng.uniform(1, 40) for _ in range(500)])
    watts = [rng.uniform(5, 280) for _ in times]
    meter = EnergyMeter(max_gap_s=60)
    for at_s, power_w in zip(times, watts, strict=True):
        meter.observe(float(at_s), power_w)
    assert meter.total_wh() == pytest.approx(float(np.trapezoid(watts, times)) / 3600, rel=1e-9)


def test_a_gap_is_not_invented_without_a_counter_and_is_covered_with_one():
    plain, counted = EnergyMeter(), EnergyMeter()
    for at_s, power_w, counter in ((0, 100.0, 1000.0), (30, 100.0, 1000.9), (3630, 100.0, 1101.0)):
        plain.observe(at_s, power_w)
        counted.observe(at_s, power_w, counter)
    assert plain.total_wh() == pytest.approx(100 * 30 / 3600)
    assert counted.total_wh() == pytest.approx(101.0)


def test_a_counter_that_starts_again_at_0_loses_nothing_but_the_gap():
    meter = EnergyMeter()
    counter = 5000.0
    truth = 0.0
    for second in range(0, 7200, 10):
        if second == 3600:
            counter = 0.0
        meter.observe(float(second), 180.0, counter)
        counter += 0.5
        truth += 0.5
    assert meter.total_wh() == pytest.approx(truth - 0.5, abs=0.6)


def test_a_coarse_counter_gives_way_to_the_watts_between_its_steps():
    meter = EnergyMeter()
    for second in range(0, 3601, 10):
        meter.observe(float(second), 120.0, float(int(120 * second / 3600 / 100) * 100))
    assert meter.total_wh() == pytest.approx(120, abs=1)


@given(
    st.lists(
        st.tuples(st.floats(1, 50), st.floats(0, 300), st.one_of(st.none(), st.floats(0, 5))), min_size=3, max_size=60
    ),
    st.integers(1, 7),
)
def test_the_parts_never_overlap_and_add_up(steps, every):
    meter = EnergyMeter()
    now, counter = 0.0, 100.0
    parts = []
    for index, (dt, watts, more) in enumerate(steps):
        now += dt
        if more is not None:
            counter += more
        meter.observe(now, watts, None if more is None else counter)
        if index % every == 0 and (part := meter.cut(now)) is not None:
            parts.append(part)
    for _ in range(2):
        now += 1
        if (part := meter.cut(now)) is not None:
            parts.append(part)
    assert all(wh >= 0 for wh, _, _ in parts)
    assert all(before[2] == after[1] for before, after in pairwise(parts))
    assert sum(wh for wh, _, _ in parts) >= meter.total_wh() - 1e-6


def test_energy_at_a_time_within_the_last_hour():
    meter = EnergyMeter()
    for second in range(0, 3600, 5):
        meter.observe(float(second), 200.0)
    assert meter.wh_at(1800.0) == pytest.approx(100, rel=0.01)
    assert EnergyMeter().wh_at(5.0) is None


def test_it_goes_on_after_a_restart():
    meter = EnergyMeter()
    for second in range(0, 600, 10):
        meter.observe(float(second), 100.0, 50 + second / 36)
    meter.cut(595.0)
    later = EnergyMeter()
    later.restore(meter.as_dict())
    later.observe(1200.0, 100.0, 50 + 1200 / 36)
    part = later.cut(1200.0)
    assert part is not None
    assert part[1] == 595.0
    assert part[0] == pytest.approx(1200 / 36 - 590 / 36, abs=0.5)


def wave(seed, days=7):
    """A machine's watts at every second: rest, heat-up, a square wave that holds the bed, printing at 110 W mean."""
    rng = random.Random(seed)
    watts = np.empty(days * 86_400)
    at = 0
    while at < len(watts):
        for kind, seconds in (("rest", rng.uniform(600, 9000)), ("heat", rng.uniform(180, 400)),
                              ("hold", rng.uniform(3600, 30_000))):  # fmt: skip
            end = min(at + int(seconds), len(watts))
            if kind != "hold":
                watts[at:end] = 9.0 if kind == "rest" else 285.0
                at = end
                continue
            while at < end:
                for level, mean_s in ((262.0, 18.0), (52.0, 42.0)):
                    stop = min(at + max(int(rng.expovariate(1 / mean_s)), 4), end)
                    watts[at:stop] = level
                    at = stop
    return watts


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("counter", [False, True], ids=["watts", "counter"])
def test_seven_days_at_ten_seconds_with_one_in_twenty_missing(seed, counter):
    """The promise: within 0.5 % of the true energy. Reference: numpy's sum of the process at every second."""
    watts, rng = wave(seed), random.Random(100 + seed)
    true_wh = np.concatenate([[0.0], np.cumsum(watts) / 3600])
    meter = EnergyMeter()
    phase = rng.randrange(10)
    heard = [s for s in range(phase, len(watts), 10) if rng.random() >= 0.05]
    for second in heard:
        # a counter in steps of 1 Wh, as cheap plugs have it
        total = float(int(true_wh[second])) if counter else None
        meter.observe(float(second), float(watts[second]) + rng.gauss(0, 0.5), total)
    truth = true_wh[heard[-1]] - true_wh[heard[0]]
    assert meter.total_wh() == pytest.approx(truth, rel=0.005)


def test_a_register_that_turns_over_is_no_reset():
    """A 24-bit register of watt-minutes turns over at 2^24 / 60 Wh (arithmetic)."""
    full = 2**24 / 60
    meter, start = EnergyMeter(), full - 50.0
    for second in range(0, 7201, 10):
        meter.observe(float(second), 90.0, (start + 90 * second / 3600) % full)
    assert meter.total_wh() == pytest.approx(180, abs=0.3)
    assert meter.unmeasured_s() == 0


def test_time_that_nothing_covers_is_counted_and_a_counter_covers_it():
    plain, counted = EnergyMeter(), EnergyMeter()
    for at_s, counter in ((0, 0.0), (30, 1.0), (3630, 101.0), (3660, 102.0)):
        plain.observe(float(at_s), 100.0)
        counted.observe(float(at_s), 100.0, counter)
    assert plain.unmeasured_s() == 3600
    assert counted.unmeasured_s() == 0
    plain.lost()
    again = EnergyMeter()
    plain.cut(3660.0)
    again.restore(plain.as_dict())
    again.observe(5000.0, 100.0)
    assert again.unmeasured_s() == 3600 + (5000 - 3660)
    reset = EnergyMeter()
    for at_s, counter in ((0, 500.0), (30, 501.0), (3630, 3.0), (3660, 4.0)):
        reset.observe(float(at_s), 100.0, counter)
    assert reset.unmeasured_s() == 3600, "a reset in a gap leaves the gap unknown"
    assert reset.total_wh() == pytest.approx(1 + 1 + 0.83, abs=1.0)


def test_what_is_pending_is_what_the_next_cut_will_be():
    meter = EnergyMeter()
    assert meter.pending() is None
    for second in range(0, 601, 10):
        meter.observe(float(second), 120.0)
    assert meter.pending() == pytest.approx((20.0, 0.0))
    assert meter.cut(600.0) == pytest.approx((20.0, 0.0, 600.0))
    assert meter.pending() == pytest.approx((0.0, 600.0))


def test_a_clock_that_stood_ahead_does_not_stop_the_count_until_then():
    """Set back by two days: what lay between is not known, what comes after counts; late readings stay late."""
    meter, ahead_s = EnergyMeter(), 2 * 86_400.0
    for second in range(0, 600, 10):
        meter.observe(ahead_s + second, 360.0)
    before_wh = meter.total_wh()
    meter.observe(ahead_s + 560.0, 360.0)  # late
    assert meter.total_wh() == before_wh
    for second in range(0, 3610, 10):
        meter.observe(1000.0 + second, 360.0)
    assert meter.total_wh() - before_wh == pytest.approx(360.0)
    assert meter.wh_at(1000.0) == pytest.approx(before_wh, abs=1.1)
    assert meter.unmeasured_s() == 0.0
