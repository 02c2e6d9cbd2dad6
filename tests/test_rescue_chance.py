"""Expected value saved: closed form, quadrature, simulation of the steps, and plans by brute force."""

import itertools
import random
import time

import pytest

from farmwatch.power.battery import RuntimeTable
from farmwatch.power.rescue import plan_rescue
from farmwatch.power.rescue_chance import FINE, Outlook, Spread, lattice, plan_rescue_spread
from farmwatch.power.rescue_charge import Finishing, RescueBackup, RescueMachine, Work

TABLE = RuntimeTable([(60, 115), (120, 47), (240, 18.5), (360, 9.8), (480, 6.1), (600, 4.0)])


def backup(charge=1.0, *, limit_w=600.0, base_w=12.0):
    return RescueBackup(TABLE, charge, 1.0, limit_w, base_w)


def random_case(rng, count):
    machines, spreads = [], []
    for index in range(count):
        p50 = rng.uniform(4, 40)
        spread = Spread(p50 * rng.uniform(0.5, 0.95), p50, p50 * rng.uniform(1.05, 1.8))
        hold_w = rng.choice([0.0, 0.0, None, 30.0])
        machines.append(RescueMachine(f"m{index}", rng.uniform(60, 150), p50, rng.uniform(5, 50), hold_w))
        spreads.append(spread)
    alone = sum(m.remaining_min * TABLE.rate(12 + m.power_w) for m in machines)
    limit_w = rng.choice([1e6, 12 + 0.7 * sum(m.power_w for m in machines) + 30])
    return backup(rng.uniform(0.3, 1.2) * alone, limit_w=limit_w), machines, spreads


def simulate(backup_, machines, spreads, steps, rounds, seed=1):
    """Mean value saved by following the steps to the letter, remaining times drawn at random."""
    rng = random.Random(seed)
    by_name = {m.name: m for m in machines}
    total = 0.0
    for _ in range(rounds):
        need = {m.name: s.quantile(rng.random()) for m, s in zip(machines, spreads, strict=True)}
        ran = dict.fromkeys(need, 0.0)
        done = {name for name, minutes in need.items() if minutes <= 0}
        left, empty = backup_.budget, False
        for step in steps:
            now = step.from_min
            while now < step.to_min - 1e-12 and not empty:
                running = [name for name in step.running if name not in done]
                length = min([step.to_min - now, *(need[name] - ran[name] for name in running)])
                drawn = backup_.base_w + sum(by_name[name].power_w for name in running)
                drawn += sum(by_name[name].hold_w for name in step.paused if name not in done)
                rate = TABLE.rate(drawn)
                if rate * length > left:
                    length, empty = left / rate, True
                left -= rate * length
                now += length
                for name in running:
                    ran[name] += length
                    if ran[name] >= need[name] - 1e-9:
                        done.add(name)
        total += sum(by_name[name].value for name in done)
    return total / rounds


def test_the_distribution_is_linear_through_its_points_and_prolonged():
    spread = Spread(10, 20, 40)
    assert [spread.chance_by(t) for t in (10, 20, 40)] == pytest.approx([0.1, 0.5, 0.9])
    assert spread.chance_by(15) == pytest.approx(0.3)
    # ends: 10 - 10/4 and 40 + 20/4
    assert (spread.chance_by(7.5), spread.chance_by(45)) == (pytest.approx(0), pytest.approx(1))
    assert (spread.chance_by(3), spread.chance_by(99), spread.most) == (0, 1, pytest.approx(45))
    for share in (0.01, 0.3, 0.5, 0.77, 0.99):
        assert spread.chance_by(spread.quantile(share)) == pytest.approx(share)
    # what lies below 0 is already done: 2 - 18/4 < 0
    assert Spread(2, 20, 40).quantile(0.02) == 0.0
    assert Spread(2, 20, 40).chance_by(0) == pytest.approx(0.5 - 0.4 * 20 / 18)


def test_one_machine_is_its_chance_to_outlast_nothing_but_itself():
    spread = Spread(30, 45, 70)
    machine = RescueMachine("avocet", 108, 45, 80, 0.0)
    plan = plan_rescue_spread(backup(), [machine], [spread])
    assert plan.value == pytest.approx(80 * spread.chance_by(47))  # 12 + 108 = 120 W lasts 47 min
    assert plan.run_everything.value == plan.value
    assert plan.exact


def test_running_two_together_equals_a_double_integral():
    """P(each done before empty) for two machines from minute 0, by a midpoint rule over both times."""
    spreads = [Spread(8, 12, 18), Spread(10, 16, 26)]
    machines = [RescueMachine("a", 110, 12, 10, 0.0), RescueMachine("b", 130, 16, 7, 0.0)]
    here = backup(0.9)
    both, only_a, only_b = (TABLE.rate(12 + w) for w in (240, 110, 130))
    total, n = 0.0, 400
    for i, j in itertools.product(range(n), repeat=2):
        a, b = spreads[0].quantile((i + 0.5) / n), spreads[1].quantile((j + 0.5) / n)
        first, rest = min(a, b), abs(a - b)
        alone = only_a if a > b else only_b
        values = (10, 7) if a < b else (7, 10)
        if both * first <= here.budget:
            total += values[0]
            total += values[1] if both * first + alone * rest <= here.budget else 0
    outlook = Outlook(here, machines, spreads)
    assert outlook.value(((60.0, 3),), FINE) == pytest.approx(total / n**2, rel=2e-3)


def test_steps_save_the_value_that_is_told():
    rng = random.Random(2)
    for _ in range(12):
        here, machines, spreads = random_case(rng, rng.randint(1, 4))
        plan = plan_rescue_spread(here, machines, spreads, search_steps=30_000)
        mean = simulate(here, machines, spreads, plan.steps, 1500)
        full = sum(m.value for m in machines)
        assert mean == pytest.approx(plan.value, abs=0.04 * full)  # 3 standard errors at most
        assert plan.value >= plan.run_everything.value - 1e-9
        for step in plan.steps:
            drawn = here.base_w + sum(m.power_w for m in machines if m.name in step.running)
            drawn += sum(m.hold_w for m in machines if m.name in step.paused)
            assert drawn <= here.limit_w * (1 + 1e-9)


def test_no_timetable_of_three_steps_is_better():
    rng = random.Random(3)
    for _ in range(4):
        here, machines, spreads = random_case(rng, 2)
        plan = plan_rescue_spread(here, machines, spreads)
        outlook = Outlook(here, machines, spreads)
        span = sum(s.most for s in spreads)
        best = 0.0
        for order in itertools.product((1, 2, 3), repeat=3):
            for first, second in itertools.product(range(9), repeat=2):
                rows = ((span * first / 10, order[0]), (span * second / 10, order[1]), (span, order[2]))
                table = tuple(row for row in rows if row[0] > 0)
                if outlook.allowed(table):
                    best = max(best, outlook.value(table))
        assert plan.value >= best - 0.005 * sum(m.value for m in machines)


def test_no_fixed_allotment_of_minutes_is_better():
    """Choose how long each may run so that the battery surely lasts: least charge by its programme."""
    rng = random.Random(4)
    for _ in range(6):
        here, machines, spreads = random_case(rng, 3)
        plan = plan_rescue_spread(here, machines, spreads)
        best = 0.0
        for shares in itertools.product((0.0, 0.3, 0.5, 0.7, 0.9, 1.0), repeat=3):
            remaining = {i: s.quantile(q) for i, (s, q) in enumerate(zip(spreads, shares, strict=True)) if q > 0}
            value = sum(machines[i].value * shares[i] for i in remaining)
            if value <= best:
                continue
            least = Finishing(here, machines, remaining, Work()).least() if remaining else None
            if least is not None and least.charge <= here.budget:
                best = value
        assert plan.value >= best - 0.005 * sum(m.value for m in machines)


def test_narrow_distributions_give_the_plain_answer():
    rng = random.Random(5)
    for _ in range(5):
        here, machines, _ = random_case(rng, 3)
        plain = plan_rescue(here, machines)
        narrow = [Spread(m.remaining_min * 0.99999, m.remaining_min, m.remaining_min * 1.00001) for m in machines]
        certain = [Spread(m.remaining_min, m.remaining_min, m.remaining_min) for m in machines]
        assert plan_rescue_spread(here, machines, certain) == plain
        assert plan_rescue_spread(here, machines, narrow).value == pytest.approx(plain.value, rel=0.01)


def test_numbers_and_distributions_mix():
    machines = [RescueMachine("a", 100, 10, 9, 0.0), RescueMachine("b", 100, 10, 5, 0.0)]
    plan = plan_rescue_spread(backup(), machines, [Spread(10, 10, 10), Spread(5, 10, 20)])
    assert plan.finishes == ("a", "b")
    assert 9 < plan.value <= 14
    assert set(plan.decide_by_min) == {"a", "b"}


def test_nothing_can_be_saved():
    machines = [RescueMachine("a", 100, 10, 9, 0.0), RescueMachine("b", 100, 10, 5, 0.0)]
    plan = plan_rescue_spread(backup(0.01), machines, [Spread(9, 10, 11)] * 2)
    assert (plan.finishes, plan.value, plan.steps) == ((), 0.0, ())


def test_a_live_plan_is_quick():
    rng = random.Random(6)
    took = []
    for _ in range(5):
        case = random_case(rng, 3)
        started = time.process_time()
        plan_rescue_spread(*case, search_steps=20_000)
        took.append(time.process_time() - started)
    assert sorted(took)[2] < 4.0  # some 200 ms: the bench measures it, this tells a search without end


def test_each_coordinate_of_the_lattice_is_even():
    for d in range(4):
        values = sorted(row[d] for row in lattice(FINE, 4))
        assert values == pytest.approx([(k + 0.5) / FINE for k in range(FINE)])
