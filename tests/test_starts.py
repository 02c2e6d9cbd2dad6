"""The start sequence against brute force; chances against the binomial closed form and scipy."""

import itertools
import math
import random
import time

import pytest

from farmwatch.power.chance import (
    Draw,
    LoadModel,
    add,
    admits_at_risk,
    chance_above,
    chance_within,
    constant,
    in_window,
)
from farmwatch.power.starts import StartMachine, plan_starts, plan_starts_by, unpeeled


def load_at(place, t, running, machines, starts):
    total = running.get(place, 0.0)
    for m in machines:
        if place in m.places and starts[m.name] <= t:
            total += m.peak_w if t < starts[m.name] + m.peak_min else m.hold_w
    return total


def check(limits, running, machines, plan):
    """No place passes its limit at any change, and the peaks are what is told."""
    for place, limit_w in limits.items():
        times = {0.0} | set(plan.starts.values())
        times |= {plan.starts[m.name] + m.peak_min for m in machines}
        loads = [load_at(place, t, running, machines, plan.starts) for t in times]
        assert max(loads) <= limit_w + 1e-6
        assert plan.peak_w[place] == pytest.approx(max(loads))


def brute_force(limits, running, machines):
    """Least last start over every integer start minute, by trying all; None where there is none.

    With whole heat-up minutes an optimum with whole starts exists: starts wait for ends, which are sums.
    """
    horizon = int(sum(m.peak_min for m in machines))
    lengths = range(horizon + int(max(m.peak_min for m in machines)) + 2)

    def place(index, loads, last, best):
        if index == len(machines):
            return last
        m = machines[index]
        for s in range(horizon + 1):
            if max(last, s) >= best:
                break
            new = {p: list(loads[p]) for p in loads}
            for p in m.places:
                for t in lengths:
                    if t >= s:
                        new[p][t] += m.peak_w if t < s + m.peak_min else m.hold_w
            if all(max(new[p]) <= limits[p] + 1e-9 for p in m.places):
                best = min(best, place(index + 1, new, max(last, s), best))
        return best

    loads = {p: [running.get(p, 0.0)] * len(lengths) for p in limits}
    if any(loads[p][0] > limits[p] for p in limits):
        return None
    best = place(0, loads, 0, math.inf)
    return None if best == math.inf else best


def random_case(rng, count, *, odd=False, tight=1.0):
    places = ["east", "west", "b1", "b2"]
    machines = []
    for index in range(count):
        where = tuple(rng.sample(places, rng.randint(1, 2)))
        peak_w = rng.choice([280, 360, rng.randint(150, 400)])
        hold_w = rng.randint(50, 450 if odd else peak_w)
        machines.append(StartMachine(f"m{index}", where, peak_w, rng.randint(1, 4), hold_w))
    running = {p: rng.choice([0, 110, 200]) for p in places}
    limits = {}
    for p in places:
        here = [m for m in machines if p in m.places]
        held = sum(m.hold_w for m in here)
        most = max((m.peak_w for m in here), default=0)
        limits[p] = running[p] + max(held, most) + rng.choice([0, 40, 150, 400]) * tight
    return limits, running, machines


def test_last_start_equals_brute_force():
    rng = random.Random(1)
    possible = waited = 0
    for _ in range(250):
        limits, running, machines = random_case(rng, rng.randint(1, 4))
        plan = plan_starts(limits, running, machines)
        expected = brute_force(limits, running, machines)
        if expected is None:
            assert plan.starts is None
            assert plan.impossible
            continue
        possible += 1
        waited += expected > 0
        assert plan.exact
        assert plan.last_start_min == expected
        assert max(plan.starts.values()) == plan.last_start_min
        check(limits, running, machines, plan)
    assert possible > 100
    assert waited > 40


def test_a_machine_that_holds_more_than_its_peak_is_searched_too():
    rng = random.Random(2)
    for _ in range(60):
        limits, running, machines = random_case(rng, rng.randint(2, 3), odd=True)
        plan = plan_starts(limits, running, machines)
        expected = brute_force(limits, running, machines)
        assert (plan.starts is None) == (expected is None)
        if expected is not None:
            assert plan.last_start_min == expected
            check(limits, running, machines, plan)


def test_eight_machines_equal_all_orders():
    """Every order of eight, each machine as early as those before it allow."""
    rng = random.Random(3)
    for _ in range(2):
        while True:
            limits, running, machines = random_case(rng, 8)
            plan = plan_starts(limits, running, machines)
            if plan.starts is not None and plan.last_start_min > 0:
                break
        best = math.inf
        for order in itertools.permutations(machines):
            best = min(best, serial(limits, running, order, best))
        assert plan.exact
        assert plan.last_start_min == best
        check(limits, running, machines, plan)


def serial(limits, running, order, stop):
    drawn = {p: running.get(p, 0.0) for p in limits}
    ends, now = [], 0.0
    for m in order:
        while any(drawn[p] + m.peak_w > limits[p] + 1e-9 for p in m.places):
            if not ends:
                return math.inf
            ends.sort(key=lambda item: item[0])
            now, done = ends.pop(0)
            for p in done.places:
                drawn[p] += done.hold_w - done.peak_w
        if now >= stop:
            return math.inf
        for p in m.places:
            drawn[p] += m.peak_w
        ends.append((now + m.peak_min, m))
    return now


def test_the_strong_ones_first_where_holds_would_shut_them_out():
    # avocet's 480 W fits only while bittern's 300 W are not there yet
    machines = [StartMachine("bittern", ("east",), 300, 5, 300), StartMachine("avocet", ("east",), 480, 7, 100)]
    plan = plan_starts({"east": 500}, {}, machines)
    assert plan.starts == {"bittern": 7, "avocet": 0}
    assert plan.peak_w == {"east": 480}


def test_published_style_example_two_heat_at_once():
    # 600 W backup, 3 machines, 280 W heating and 110 W printing: two heating 560, all three 840 (arithmetic)
    machines = [StartMachine(n, ("backup 1",), 280, 6, 110) for n in ("avocet", "bittern", "curlew")]
    plan = plan_starts({"backup 1": 600}, {}, machines)
    assert sorted(plan.starts.values()) == [0, 0, 6]
    assert plan.peak_w == {"backup 1": 560}


@pytest.mark.parametrize(
    ("limits", "running", "machines", "place", "names"),
    [
        ({"east": 500}, {"east": 510}, [], "east", ()),
        ({"east": 500}, {"east": 300}, [("avocet", 280, 100)], "east", ("avocet",)),
        ({"east": 500}, {}, [("avocet", 280, 260), ("knot", 280, 260)], "east", ("avocet", "knot")),
        ({"east": 400}, {}, [("avocet", 300, 190), ("knot", 300, 190)], "east", ("avocet",)),
    ],
)
def test_what_cannot_be_is_named(limits, running, machines, place, names):
    machines = [StartMachine(name, ("east",), peak_w, 5, hold_w) for name, peak_w, hold_w in machines]
    plan = plan_starts(limits, running, machines)
    assert plan.starts is None
    assert (plan.impossible[0].place, plan.impossible[0].machines) == (place, names)
    assert all(name in plan.impossible[0].why for name in names[:1] if len(names) == 1)


def test_peeling_from_the_back_decides_whether_any_order_exists():
    rng = random.Random(4)
    answers = set()
    for _ in range(300):
        limits, running, machines = random_case(rng, 4, tight=0.5)
        stuck = bool(unpeeled(limits, running, machines))
        any_order = any(
            serial(limits, running, order, math.inf) < math.inf for order in itertools.permutations(machines)
        )
        assert stuck != any_order
        answers.add(stuck)
    assert answers == {True, False}


def test_three_hundred_machines_have_a_plan():
    rng = random.Random(5)
    limits = {f"circuit {c}": 3680.0 * 4 for c in range(10)} | {f"backup {b}": 1500.0 for b in range(60)}
    machines = [
        StartMachine(
            f"m{i}", (f"circuit {i % 10}", f"backup {i % 60}"), rng.uniform(250, 400), rng.uniform(3, 9), 110.0
        )
        for i in range(300)
    ]
    started = time.process_time()
    plan = plan_starts(limits, {}, machines)
    took = time.process_time() - started
    check(limits, {}, machines, plan)
    assert 0 < plan.last_start_min < 25
    assert took < 10.0  # the second itself is measured by the bench


def test_three_hundred_machines_on_circuits_that_are_nearly_full():
    """Each backup can hold all five behind it, and start but a few at once: some must not be left until the end."""
    rng = random.Random(3)
    limits = {f"circuit {c}": 2944.0 for c in range(20)} | {f"backup {b}": 900.0 for b in range(60)}
    machines = [
        StartMachine(
            f"m{i}", (f"circuit {i % 20}", f"backup {i % 60}"), rng.choice([280, 360, 400]), rng.randint(3, 8),
            rng.choice([90, 120, 150]),
        )
        for i in range(300)
    ]  # fmt: skip
    started = time.process_time()
    plan = plan_starts(limits, {}, machines)
    took = time.process_time() - started
    check(limits, {}, machines, plan)
    assert took < 10.0  # a tenth of it on a quiet computer: the limit is for one that has other work


def test_a_heat_up_of_no_length_is_never_drawn():
    """By the form: `peak_w` over [s, s + `peak_min`), an empty interval."""
    flash = StartMachine("avocet", ("west",), 300, 0, 50)
    plan = plan_starts({"west": 100}, {"west": 50}, [flash])
    assert plan.starts == {"avocet": 0}
    assert plan.peak_w == {"west": 100}
    assert plan_starts({"west": 100}, {"west": 60}, [flash]).impossible[0].place == "west"


def test_nothing_to_start():
    plan = plan_starts({"east": 500}, {"east": 100}, [])
    assert (plan.starts, plan.last_start_min, plan.peak_w) == ({}, 0.0, {"east": 100})


# Chances ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "q", "most"), [(12, 0.1, 3), (12, 0.35, 9), (40, 0.2, 12), (3, 0.5, 2)])
def test_equal_machines_are_binomial(n, q, most):
    from scipy.stats import binom

    total = add([Draw(((280.0, q), (110.0, 1 - q)))] * n)
    limit_w = 110.0 * n + 170.0 * most  # arithmetic: each heating one draws 170 W more
    closed = sum(math.comb(n, k) * q**k * (1 - q) ** (n - k) for k in range(most + 1, n + 1))
    assert chance_above(limit_w, total) == pytest.approx(closed, rel=1e-9)
    assert chance_above(limit_w, total) == pytest.approx(binom.sf(most, n, q), rel=1e-9)
    assert chance_above(limit_w - 0.5, total) == pytest.approx(binom.sf(most - 1, n, q), rel=1e-9)


def test_unlike_machines_equal_convolution_by_numpy():
    import numpy as np

    rng = np.random.default_rng(6)
    draws, density = [], np.array([1.0])
    for _ in range(9):
        levels = rng.choice(np.arange(20, 400), size=4, replace=False)
        shares = rng.dirichlet(np.ones(4))
        draws.append(Draw(tuple(zip(levels.astype(float), shares, strict=True))))
        one = np.zeros(401)
        one[levels] = shares
        density = np.convolve(density, one)
    total = add(draws)
    for limit_w in (600, 1000, 1400, 2000):
        assert chance_above(limit_w, total) == pytest.approx(density[limit_w + 1 :].sum(), abs=1e-9)


def test_many_levels_are_gathered_upwards():
    rng = random.Random(7)
    draws = [Draw(tuple((rng.uniform(20, 400), 0.25) for _ in range(4))) for _ in range(10)]
    total = add(draws)
    samples = [sum(rng.choice(d.levels)[0] for d in draws) for _ in range(20_000)]
    exact_mean = sum(d.mean_w for d in draws)
    assert exact_mean <= total.mean_w <= exact_mean * 1.01
    for limit_w in (1800, 2100, 2400):
        seen = sum(s > limit_w for s in samples) / len(samples)
        assert chance_above(limit_w, total) == pytest.approx(seen, abs=0.015)


def test_a_longer_window_offers_more_chances():
    draws = [Draw(((280.0, 0.2), (110.0, 0.8)))] * 6
    now = chance_within(1000, draws, minutes=0, redraw_min=5)
    later = chance_within(1000, draws, minutes=30, redraw_min=5)
    assert now.chance == pytest.approx(now.low)
    assert now.chance < later.chance <= later.high
    assert later.chance == pytest.approx(1 - (1 - now.low) ** 7)
    assert chance_within(100, draws, minutes=1, redraw_min=5).chance == 1.0


def test_a_window_in_which_a_machine_may_start():
    model = LoadModel(constant(280.0), Draw(((260.0, 0.3), (50.0, 0.7))), 8.0, 6.0)
    assert in_window(model, start_chance=0.0) == constant(8.0)
    assert in_window(model, start_chance=1.0) == constant(280.0)
    assert in_window(model, start_chance=0.25).mean_w == pytest.approx(0.25 * 280 + 0.75 * 8)


def test_more_risk_starts_sooner():
    model = LoadModel(Draw(((300.0, 0.5), (200.0, 0.5))), Draw(((260.0, 0.3), (50.0, 0.7))), 8.0, 6.0)
    machines = [StartMachine(f"m{i}", ("east",), 300, 6, 113) for i in range(6)]
    models = {m.name: model for m in machines}
    last = {}
    for risk in (1e-9, 0.05, 0.3):
        starts, never = plan_starts_by(admits_at_risk({"east": 1600.0}, {}, models, risk), machines)
        assert never == ()
        last[risk] = max(starts.values())
    assert last[0.3] < last[1e-9]
    assert last[0.05] <= last[1e-9]
    starts, never = plan_starts_by(admits_at_risk({"east": 1000.0}, {}, models, 1e-9), machines)
    assert set(starts) | set(never) == set(models)
    assert never


@pytest.mark.parametrize("levels", [(), ((100.0, 0.5),), ((100.0, 1.5), (50.0, -0.5))])
def test_shares_that_are_none_are_refused(levels):
    with pytest.raises(ValueError, match="shares of time"):
        Draw(levels)
