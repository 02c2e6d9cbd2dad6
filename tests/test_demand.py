"""Breakers, ratings, demand and its factors against the standards' figures; windows against numpy."""

import random

import numpy as np
import pytest

from farmwatch.power.breaker import (
    IEC_SIZES_A,
    NEC_SIZES_A,
    behaviour,
    conventional_s,
    needed_a,
    next_size_a,
    trip_bounds_a,
)
from farmwatch.power.demand import DAY_WINDOWS, DemandTrack, after_diversity, demand_factor, diversity_factor
from farmwatch.words.model import CircuitPlan

BANDS = [
    # (A, rating, curve, trips, within s): IEC 60898-1 conventional currents, as a maker's manual for that
    # standard prints them; B16: 18.08 A does not trip, 23.2 A within 1 h, 40.8 A within 60 s, 48 to 80 A at once
    (16.0, 16, "B", "no", None),
    (18.08, 16, "B", "no", None),
    (18.09, 16, "B", "may", None),
    (23.19, 16, "B", "may", None),
    (23.2, 16, "B", "will", 3600.0),
    (40.7, 16, "B", "will", 3600.0),
    (40.8, 16, "B", "will", 60.0),
    (47.9, 16, "B", "will", 60.0),
    (80.0, 16, "B", "will", 0.1),
    (81.0, 16, "C", "will", 60.0),
    (160.0, 16, "C", "will", 0.1),
    (160.0, 16, "D", "will", 60.0),
    (320.0, 16, "D", "will", 0.1),
    (80.0, 16, None, "will", 60.0),
    (102.0, 40, "C", "will", 120.0),
    (116.0, 80, "C", "will", 7200.0),
    (14.69, 13, "B", "no", None),
    (18.85, 13, "B", "will", 3600.0),
]


@pytest.mark.parametrize(("amps", "rating", "curve", "trips", "within_s"), BANDS)
def test_what_a_breaker_does_by_iec_60898(amps, rating, curve, trips, within_s):
    found = behaviour(amps, rating, curve)
    assert (found.trips, found.within_s) == (trips, within_s)
    assert found.words


def test_the_instantaneous_band_says_perhaps():
    assert "perhaps at once" in behaviour(60.0, 16, "B").words
    assert "perhaps" not in behaviour(60.0, 16, "C").words


def test_more_current_never_trips_later():
    for curve in ("B", "C", "D", None):
        times = [behaviour(16 * k / 100, 16, curve).within_s for k in range(1, 2500)]
        finite = [float("inf") if t is None else t for t in times]
        assert finite == sorted(finite, reverse=True)


@pytest.mark.parametrize(
    ("rating", "low", "high"), [(16, 18.08, 23.2), (13, 14.69, 18.85), (15, 16.95, 21.75), (20, 22.6, 29.0)]
)
def test_conventional_currents(rating, low, high):
    """1.13 and 1.45 times the rating (IEC 60898-1)."""
    assert trip_bounds_a(rating) == pytest.approx((low, high))


def test_conventional_times_and_sizes():
    """1 h up to 63 A, 2 h above; preferred ratings of IEC 60898-1; NEC 240.6 from memory."""
    assert (conventional_s(63), conventional_s(80)) == (3600, 7200)
    assert IEC_SIZES_A == (6, 10, 13, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125)
    assert NEC_SIZES_A[:3] == (15, 20, 25)
    assert next_size_a(126) is None


def test_the_continuous_load_rule():
    """NEC 210.19(A)(1), 210.20(A): 4 A and 10 A continuous want 16.5 A, so 20 A and not 15; 16 A want exactly 20."""
    assert needed_a(4, 10) == pytest.approx(16.5)
    assert next_size_a(needed_a(4, 10), NEC_SIZES_A) == 20
    assert next_size_a(needed_a(0, 16), NEC_SIZES_A) == 20
    assert [round(a * 0.8 * 120) for a in (15, 20)] == [1440, 1920]
    for rating, watts in ((10, 2300), (13, 2990), (16, 3680), (32, 7360)):  # 230 V
        assert CircuitPlan("x", rating, 230, 0.8).rating_w == watts
    assert CircuitPlan("x", 16, 230, 0.8).limit_w == pytest.approx(2944)


@pytest.mark.parametrize(("amps", "rating", "curve"), [(5, 0, None), (-1, 16, "B"), (5, 16, "Z")])
def test_no_such_breaker(amps, rating, curve):
    with pytest.raises(ValueError, match=r"no such thing|none of"):
        behaviour(amps, rating, curve)


def test_diversity():
    """Allowances of a wiring guide's table (TLC table 6.2): sockets, heating, cooker; factors by their definitions."""
    assert after_diversity(16 + 16 + 6, 16, 0.4) == pytest.approx(24.8)
    assert after_diversity(26, 10, 0.5) == pytest.approx(18)
    assert after_diversity(66, 10, 0.3) == pytest.approx(26.8)
    assert after_diversity(14_000, 10_000, 0.5) == pytest.approx(12_000)  # NEC 220.44, from memory
    factor = diversity_factor([280.0] * 6, 950.0)
    assert factor == pytest.approx(1.768, abs=5e-4)
    assert 1 / factor == pytest.approx(0.565, abs=5e-4)
    assert demand_factor(950.0, 1680.0) == pytest.approx(1 / factor)
    assert demand_factor(950.0, 0.0) is None


def test_windows_and_worst_minute_equal_numpy():
    """Reference: numpy means over the clock's quarters of the last day."""
    rng = random.Random(3)
    track = DemandTrack()
    start_s = 1764057600.0
    watts = np.array([rng.uniform(200, 3000) for _ in range(3 * 1440)])
    for index, value in enumerate(watts):
        track.minute(start_s + 60 * index, float(value))
    now_s = start_s + 60 * (len(watts) - 1)
    means = watts.reshape(-1, 15).mean(axis=1)[:-1]  # the last window is still in hand
    day = means[-DAY_WINDOWS:]
    demand, worst = track.demand(now_s), track.worst(now_s)
    assert demand.watts == pytest.approx(day.max())
    assert demand.at_s == start_s + 900 * (len(means) - DAY_WINDOWS + int(day.argmax()))
    assert worst.watts == pytest.approx(watts[-(DAY_WINDOWS + 1) * 15 :].max())
    assert track.highest().watts == pytest.approx(means.max())
    assert track.running_w() == pytest.approx(watts[-15:].mean())
    head = track.headroom(2944.0, 1000.0, now_s)
    assert head == pytest.approx((1944.0, 2944 - day.max(), 2944 - worst.watts))
    assert len(track._windows) == DAY_WINDOWS


def test_windows_say_what_they_do_not_know():
    track = DemandTrack()
    for minute in range(45):
        known = minute < 15 or minute % 15 < 5
        track.minute(60.0 * minute, 500.0 if known else None, partial=minute == 3)
    track.minute(45 * 60.0, None)
    assert track.demand(2700.0) == (500.0, 0.0, True)
    assert track.worst(2700.0).watts == 500
    assert [w.mean_w for w in track._windows] == [500.0, None, None]
    assert DemandTrack().demand(0.0) is None
    assert DemandTrack().headroom(100.0, None, 0.0) == (None, None, None)


def test_demand_survives_a_restart():
    track = DemandTrack()
    for minute in range(100):
        track.minute(60.0 * minute, 100.0 + minute)
    again = DemandTrack.from_dict(track.as_dict())
    assert again.demand(6000.0) == track.demand(6000.0)
    assert again.highest() == track.highest()
