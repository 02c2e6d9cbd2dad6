"""Readings at the machine's usual voltage: what a sag changes, and what it must not look like."""

import json
import random

import pytest

from farmwatch.machines.levels import Levels
from farmwatch.machines.sag import Supply
from farmwatch.machines.signature import PowerSense


def feed(sense, at_s, seconds, watts, volts, *, exponent, rng):
    """A machine of 8 W of electronics whose every other watt follows the voltage by the exponent."""
    until_s = at_s + seconds
    while at_s < until_s:
        v = volts(at_s) + rng.gauss(0, 0.3)
        w = 8.0 + (watts(at_s) - 8.0) * (v / 230.0) ** exponent
        sense.observe(at_s, w + rng.gauss(0, 0.3), v)
        sense.judge(at_s)
        at_s += 10.0
    return at_s


def square(at_s):
    return 262.0 if at_s % 95 < 30 else 52.0


def daily(at_s):
    """Mains wander by some volts over the hours (EN 50160 allows 10 %)."""
    return 230.0 + 4.0 * ((at_s / 1800.0) % 2.0 - 1.0)


def days(exponent, builds=3):
    rng, sense, at_s = random.Random(5), PowerSense(), 0.0
    for _ in range(builds):
        at_s = feed(sense, at_s, 2400, lambda _: 8.0, daily, exponent=exponent, rng=rng)
        at_s = feed(sense, at_s, 300, lambda _: 285.0, daily, exponent=exponent, rng=rng)
        at_s = feed(sense, at_s, 5400, square, daily, exponent=exponent, rng=rng)
    return sense, at_s, rng


@pytest.mark.parametrize("exponent", [0.0, 2.0])
def test_a_sag_of_ten_percent_does_not_look_like_another_state(exponent):
    """Heaters on the mains lose 19 % of their power, some 9 W of the low level here; a switched supply loses none."""
    sense, at_s, rng = days(exponent)
    start_s = sense.build.start_s
    said = set()
    for _ in range(20):
        at_s = feed(sense, at_s, 60, square, lambda _: 207.0, exponent=exponent, rng=rng)
        said.add(sense.judge(at_s).activity)
    assert said == {"printing"}
    at_s = feed(sense, at_s, 1200, square, daily, exponent=exponent, rng=rng)
    assert (sense.build.start_s, sense.build.end_s) == (start_s, None)
    assert feed(sense, at_s, 600, lambda _: 8.0, daily, exponent=exponent, rng=rng)
    assert sense.build.end_s == pytest.approx(at_s, abs=15)
    assert not sense.build.held


def test_the_law_of_the_heater_and_that_of_a_switched_supply_are_told_apart():
    def learnt(exponent):
        rng, supply = random.Random(2), Supply()
        for _ in range(4000):
            v = rng.gauss(230.0, 6.0)
            supply.at_usual(8.0, v, 8.0)
            w = 8.0 + 250.0 * (v / 230.0) ** exponent * (1 + rng.gauss(0, 0.03))
            supply.learn(w, v, 8.0, 258.0)
        return supply.exponent

    assert learnt(2.0) == pytest.approx(2.0, abs=0.15)
    assert learnt(1.0) == pytest.approx(1.0, abs=0.25)
    assert learnt(0.0) == pytest.approx(0.0, abs=0.3)


def test_joules_law_in_figures():
    """230 V and 19 ohm, less 10 %: 2784 W become 2255 W (P = V^2/R)."""
    supply = Supply(230.0, 5000.0)
    assert supply.at_usual(207.0**2 / 19.0, 207.0, 0.0) == pytest.approx(230.0**2 / 19.0, rel=1e-3)


def test_no_voltage_or_no_plausible_one_changes_nothing():
    supply = Supply(230.0, 100.0)
    for volts in (None, 0.0, -230.0, 23.0, 2300.0, float("nan"), float("inf")):
        assert supply.at_usual(200.0, volts, 8.0) == 200.0
    assert supply.usual_v == 230.0
    assert supply.at_usual(5.0, 207.0, 8.0) == 5.0  # below idle nothing follows the voltage


def test_what_was_learnt_is_kept():
    sense, _, _ = days(2.0, builds=1)
    kept = json.loads(json.dumps(sense.levels.as_dict()))
    assert Levels.from_dict(kept).as_dict() == sense.levels.as_dict()
    assert Levels.from_dict(kept).supply.usual_v == pytest.approx(230.0, abs=3)
