"""Where a level fell for good: the search against scipy's Gamma function, and against machines that beat."""

import math
import random

import pytest
from scipy.special import gammaln

from farmwatch.machines import falls
from farmwatch.machines.signature import PowerSense

HABIT = (20.0, 11.0)


def log_evidence(bins, most):
    """Logarithm of the Dirichlet-multinomial likelihood of readings in their order, but for a constant."""
    counts = [0] * (most + 1)
    for b in bins:
        counts[b] += 1
    return sum(gammaln(count + falls.PRIOR) for count in counts)


@pytest.mark.parametrize("seed", range(20))
def test_every_place_and_shift_is_weighed_as_the_gamma_function_says(seed):
    rng = random.Random(seed)
    n, place = rng.randint(20, 120), rng.randint(6, 14)
    bins = [rng.choice((8, 9, 9, 20, 35)) - 4 * (i >= place) + rng.randint(0, 1) for i in range(n)]
    first, last, lowest, inflation = 3, n - 3, 2, 2.5
    most = max(bins) + 10
    before = log_evidence(bins, most)
    odds = {}
    for steps in range(2, 10):  # 4 bins, and 2.5 times 2.2 bins, to either side
        for k in range(first, last + 1):
            after = log_evidence(bins[:k] + [b + steps for b in bins[k:]], most)
            odds[k, steps] = (after - before) / inflation - 0.5 * ((steps - 4.0) / 2.2) ** 2
    k, steps, gained, unlike = falls._best(bins, (first, last), (4.0, 2.2), lowest, inflation)
    found = gained / inflation - unlike
    assert found == pytest.approx(max(odds.values()), abs=1e-9)
    assert odds[k, steps] == pytest.approx(found, abs=1e-9)


class Beating:
    """A bed switched in windows of ten seconds behind a plug that averages, read every ten seconds."""

    def __init__(self, seed, window_s, every_s=10.0):
        self.rng = random.Random(seed)
        self.every_s, self.window_s = every_s, window_s
        self.t = self.meter = self.wander = 0.0
        self.next_s = 0.0
        self.rows = []

    def run(self, seconds, *, motion_w, moving, bed_w=190.0, base_w=30.0):
        end = self.t + seconds
        share = 0.28
        while self.t < end:
            self.t += 2.0
            if self.t % self.window_s == 0.0:  # the control dithers about what the bed needs
                share = min(0.6, max(0.1, 0.28 + self.rng.gauss(0.0, 0.1)))
            bed = bed_w if self.t % self.window_s < share * self.window_s else 0.0
            self.wander += -0.02 * self.wander + self.rng.gauss(0.0, 0.03)
            watts = base_w + bed + motion_w * (1.0 + self.wander * moving)
            self.meter += 0.5 * (watts - self.meter)
            if self.t >= self.next_s:
                self.next_s += self.every_s * self.rng.uniform(0.9, 1.1)
                self.rows.append((self.t, self.meter * (1.0 + self.rng.gauss(0.0, 0.01))))
        return self.t


def found(machine, since=-math.inf):
    return falls.find([row for row in machine.rows if row[0] > since], machine.t, 300.0, 2700.0, HABIT)


@pytest.mark.parametrize(("window_s", "least"), [(10.0, 21), (30.0, 28)])
def test_a_fall_is_found_where_readings_beat_with_the_bed(window_s, least):
    right = wrong = 0
    for seed in range(30):
        machine = Beating(seed, window_s)
        end = machine.run(1500.0, motion_w=28.0, moving=True)
        machine.run(1400.0, motion_w=8.0, moving=False)
        fall = found(machine)
        if fall is not None and fall.log_odds > 0.0:
            right += fall.at_s == pytest.approx(end, abs=120.0)
            wrong += fall.at_s != pytest.approx(end, abs=120.0)
    assert right >= least
    assert wrong <= 5


@pytest.mark.parametrize("window_s", [10.0, 30.0])
def test_nothing_falls_where_printing_goes_on(window_s):
    seen = 0
    for seed in range(30):
        machine = Beating(100 + seed, window_s)
        machine.run(3000.0, motion_w=28.0, moving=True)
        fall = found(machine)
        seen += fall is not None and fall.log_odds > 0.0
    assert seen <= 2


def test_a_level_that_is_one_bin_throughout_has_no_fall():
    rows = [(10.0 * i, 61.0) for i in range(200)]
    fall = falls.find(rows, 2000.0, 300.0, 2700.0, HABIT)
    assert fall is None or fall.log_odds < 0.0
    assert falls.find(rows[:7], 2000.0, 300.0, 2700.0, HABIT) is None
    assert falls.find(rows, 200.0, 300.0, 2700.0, HABIT) is None  # no place is early enough


def test_a_pause_before_the_end_is_not_the_end():
    right = 0
    for seed in range(12):
        machine = Beating(200 + seed, 30.0)
        machine.run(900.0, motion_w=28.0, moving=True)
        machine.run(600.0, motion_w=8.0, moving=False)
        end = machine.run(700.0, motion_w=28.0, moving=True)
        machine.run(900.0, motion_w=8.0, moving=False)
        fall = found(machine)
        assert fall is not None
        right += fall.at_s == pytest.approx(end, abs=120.0)
    assert right >= 10


@pytest.mark.parametrize("seed", range(3))
def test_a_nozzle_let_go_while_the_bed_is_held_looks_like_rest_between_bursts_and_is_set_back(seed):
    """Held motors alone, and a burst of the bed every eleven minutes: each is no new heating up."""
    rng = random.Random(seed)
    sense = PowerSense()
    t = 0.0

    def run(seconds, watts):
        nonlocal t
        end = t + seconds
        while t < end:
            sense.observe(t, max(0.0, watts(t) * (1.0 + rng.gauss(0.0, 0.01))))
            t += 60.0 * rng.uniform(0.95, 1.05)
        return t

    ends, found_ends = [], []
    for _ in range(3):
        run(2400.0, lambda _: 12.0)
        run(300.0, lambda _: 370.0)
        ends.append(run(5400.0, lambda s: 67.0 + rng.gauss(0.0, 3.0) + (310.0 if s % 600.0 < 110.0 else 0.0)))
        run(1900.0, lambda s: 23.0 + (310.0 if s % 700.0 < 65.0 else 0.0))
        run(1500.0, lambda _: 12.0)
        assert sense.build is not None
        assert sense.build.held
        found_ends.append(sense.build.end_s)
    assert found_ends == pytest.approx(ends, abs=150.0)


def test_the_level_of_an_averaged_bed_is_not_taken_from_the_idling_before_it():
    """Read once a minute, a first run that never shows a low level: its end is an end, not its low half."""
    rng = random.Random(5)
    sense = PowerSense()
    t, ends = 0.0, []
    day = ((2100.0, 6.0), (900.0, 392.0), (7200.0, 283.0), (740.0, 6.0), (900.0, 392.0), (600.0, 283.0))
    for seconds, watts in day:
        end = t + seconds
        while t < end:
            sense.observe(t, float(round(watts * (1.0 + rng.gauss(0.0, 0.01)))))
            if sense.build is not None and sense.build.end_s is not None and sense.build.end_s not in ends:
                ends.append(sense.build.end_s)
            t += 60.0 * rng.uniform(0.95, 1.05)
    assert ends == pytest.approx([10200.0], abs=150.0)
