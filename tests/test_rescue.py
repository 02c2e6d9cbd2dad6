"""The rescue plan against linear programmes by scipy, time grids, published structure, and simulation."""

import itertools
import math
import random
import time

import pytest

from farmwatch.power.battery import RuntimeTable
from farmwatch.power.rescue import plan_rescue, run_everything
from farmwatch.power.rescue_charge import Finishing, RescueBackup, RescueMachine, Work
from farmwatch.power.rescue_lp import Block, solve

ROWS = ((60, 115.0), (120, 47.0), (240, 18.5), (360, 9.8), (480, 6.1), (600, 4.0))


def machine(name, power_w, remaining_min, value, hold_w=0.0):
    return RescueMachine(name, float(power_w), float(remaining_min), float(value), hold_w)


def peukert(k, budget, base_w=0.0, limit_w=1e9):
    """A backup whose rate is (P / 100 W)^k of `budget` hours: the power law of the check instance."""
    table = RuntimeTable([(p, 60.0 * budget * (100.0 / p) ** k) for p in (10, 1000)])
    return RescueBackup(table, 1.0, 1.0, limit_w, base_w)


# Independent oracles ------------------------------------------------------------------------------------


def oracle_charge(backup, machines, members):
    """Least charge of a set by scipy's HiGHS: every merge of ends, phases written out one column at a time."""
    from scipy.optimize import linprog

    members = [i for i in members if machines[i].remaining_min > 0]
    if not members:
        return 0.0
    nulls = [i for i in members if machines[i].hold_w is None]
    held = [i for i in members if machines[i].hold_w]
    pausable = [i for i in members if machines[i].hold_w is not None]
    ends = sorted({machines[i].remaining_min for i in nulls})
    best = math.inf
    for order in set(itertools.permutations([*held, *(["end"] * len(ends))])):
        costs, columns, now, interval, unfinished = [], [], 0.0, 0, set(held)
        for event in [*order, None]:
            running_nulls = [i for i in nulls if machines[i].remaining_min > now]
            allowed = [i for i in pausable if i in unfinished or not machines[i].hold_w]
            for size in range(len(allowed) + 1):
                for run in itertools.combinations(allowed, size):
                    draw = backup.base_w + sum(machines[i].power_w for i in (*run, *running_nulls))
                    draw += sum(machines[i].hold_w for i in unfinished if i not in run)
                    if draw > backup.limit_w + 1e-9:
                        continue
                    column = [float(i in run) for i in pausable] + [0.0] * len(ends)
                    if interval < len(ends):
                        column[len(pausable) + interval] = 1.0
                    costs.append(1.0 / backup.table.runtime_min(draw) if draw else 0.0)
                    columns.append(column)
            if event == "end":
                now = ends[interval]
                interval += 1
            else:
                unfinished.discard(event)
        if not columns:
            continue
        lengths = [b - a for a, b in zip([0.0, *ends], ends, strict=False)]
        right = [machines[i].remaining_min for i in pausable] + lengths
        scale = 1e4 / max(backup.table.rate(m.power_w + backup.base_w) for m in machines)
        scaled = [cost * scale for cost in costs]  # the library's tolerances are absolute
        result = linprog(scaled, A_eq=[list(row) for row in zip(*columns, strict=True)], b_eq=right)
        if result.status == 0:
            best = min(best, result.fun / scale)
    return best


def oracle_plan(backup, machines):
    """Greatest value over all sets, then least charge, by the oracle's charges."""
    best = (-1.0, 0.0)
    for size in range(len(machines) + 1):
        for members in itertools.combinations(range(len(machines)), size):
            value = sum(machines[i].value for i in members)
            if value < best[0] - 1e-9:
                continue
            charge = oracle_charge(backup, machines, members)
            if charge <= backup.budget * (1 + 1e-9):
                better = value > best[0] + 1e-9 or charge < best[1]
                best = (value, charge) if better else best
    return best


def follow(backup, machines, steps):
    """Follow the steps to the letter: what finishes, charge; limits, gaps and holds are checked on the way."""
    by_name = {m.name: m for m in machines}
    ran = dict.fromkeys(by_name, 0.0)
    gone = set()
    charge, now, empty = 0.0, 0.0, False
    finished = {m.name for m in machines if m.remaining_min == 0}
    for step in steps:
        assert step.from_min == now
        assert step.to_min > now
        present = set(step.running) | set(step.paused)
        assert not set(step.running) & set(step.paused)
        assert not present & gone
        gone |= set(by_name) - present - finished
        draw = backup.base_w + sum(by_name[n].power_w for n in step.running)
        for name in step.paused:
            assert by_name[name].hold_w is not None
            draw += by_name[name].hold_w
        assert draw <= backup.limit_w * (1 + 1e-9)
        minutes = step.to_min - step.from_min
        charge += minutes / backup.table.runtime_min(draw) if draw else 0.0
        empty = empty or charge > backup.budget * (1 + 1e-7)
        for name in step.running:
            ran[name] += minutes
            assert ran[name] <= by_name[name].remaining_min * (1 + 1e-7)
            if ran[name] >= by_name[name].remaining_min * (1 - 1e-7) and not empty:
                finished.add(name)
        now = step.to_min
    return finished, charge


def random_case(rng, count, *, hold="none", integer=False):
    def hold_w(power_w):
        if hold == "none":
            return 0.0
        return rng.choice([0.0, None, round(rng.uniform(0.1, 0.7) * power_w, 1), round(0.3 * power_w, 1)])

    rows = sorted(rng.sample(range(20, 700, 7), 5))
    minutes = sorted((rng.uniform(3, 150) for _ in rows), reverse=True)
    table = RuntimeTable(zip(rows, minutes, strict=True))
    machines = []
    for index in range(count):
        power_w = rng.choice([rng.uniform(40, 160), 100.0])
        left = rng.choice([rng.uniform(1, 60), 12.0]) if not integer else rng.randint(1, 5)
        machines.append(machine(f"m{index}", power_w, left, rng.choice([10, 20, rng.uniform(0, 50)]), hold_w(power_w)))
    total = sum(m.power_w for m in machines)
    limit_w = rng.choice([1e6, rng.uniform(0.4, 1.1) * total + 50])
    base_w = rng.choice([0.0, 12.0, rng.uniform(0, 60)])
    # a battery that is too small for all of it and good for some
    alone = sum(m.remaining_min / table.runtime_min(base_w + m.power_w) for m in machines)
    return RescueBackup(table, rng.uniform(0.2, 1.3) * alone, rng.uniform(0.5, 1.0), limit_w, base_w), machines


# Published and structural cases ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("base_w", "k", "value", "names", "charge", "nothing"),
    [
        (0.0, 1.0, 100, "123", 160.000, 55),
        (0.0, 1.2, 100, "123", 395.929, 25),
        (15.0, 1.2, 75, "34", 356.807, 25),
    ],
)
def test_check_instance(base_w, k, value, names, charge, nothing):
    # computed twice outside this project: a linear programme and a grid search that agree to 6 digits
    machines = [
        machine(str(n), p, 60 * r, v)
        for n, p, r, v in zip((1, 2, 3, 4), (100, 80, 120, 60), (0.5, 1.0, 0.25, 1.5), (30, 45, 25, 50), strict=True)
    ]
    plan = plan_rescue(peukert(k, 1.6, base_w), machines)
    assert plan.value == value
    assert "".join(plan.finishes) == names
    assert plan.charge * 1.6 * 100**k == pytest.approx(charge, abs=6e-4)
    assert plan.run_everything.value == nothing
    assert plan.exact


def test_without_base_load_and_linear_it_is_the_knapsack():
    # k = 1, b = 0: weights p r, order irrelevant (0/1 knapsack, e.g. Martello and Toth 1990)
    rng = random.Random(4)
    for _ in range(60):
        machines = [machine(str(i), rng.randint(40, 160), rng.randint(5, 60), rng.randint(1, 9)) for i in range(6)]
        backup = peukert(1.0, 1.6)
        best = max(
            sum(m.value for m in chosen)
            for size in range(7)
            for chosen in itertools.combinations(machines, size)
            if sum(m.power_w * m.remaining_min for m in chosen) <= 1.6 * 100 * 60 * (1 + 1e-9)
        )
        assert plan_rescue(backup, machines).value == best


def test_without_base_load_and_steeper_than_linear_one_runs_at_a_time():
    machines = [machine(str(i), 70 + 10 * i, 10 + i, 5) for i in range(5)]
    plan = plan_rescue(peukert(1.2, 2.0), machines)
    assert len(plan.finishes) == 5
    assert all(len(step.running) == 1 for step in plan.steps)
    expected = sum(m.power_w**1.2 * m.remaining_min / 60 for m in machines) / (2.0 * 100**1.2)
    assert plan.charge == pytest.approx(expected, rel=1e-9)


def test_linear_with_base_load_nothing_waits():
    machines = [machine(str(i), 60 + 10 * i, 10 + 5 * i, 5) for i in range(4)]
    plan = plan_rescue(peukert(1.0, 3.0, base_w=20), machines)
    # k = 1: charge = b max r + sum p r, reached only if the longest build never waits
    expected = 20 * max(m.remaining_min for m in machines) + sum(m.power_w * m.remaining_min for m in machines)
    assert plan.charge * 3.0 * 100 * 60 == pytest.approx(expected, rel=1e-9)
    assert plan.steps[-1].to_min == pytest.approx(25)


@pytest.mark.parametrize("k", [1.05, 1.10, 1.15, 1.20, 1.25, 1.30])
def test_two_equal_machines_change_from_one_by_one_to_side_by_side(k):
    # b/p above (2 - 2^(1/k)) / (2^(1/k) - 1): .0694 .1391 .2090 .2791 .3493 .4197
    root = 2 ** (1 / k)
    edge = (2 - root) / (root - 1)
    machines = [machine("a", 100, 20, 1), machine("b", 100, 20, 1)]
    below = plan_rescue(peukert(k, 9.0, base_w=100 * edge * 0.98), machines)
    above = plan_rescue(peukert(k, 9.0, base_w=100 * edge * 1.02), machines)
    assert [len(s.running) for s in below.steps] == [1, 1]
    assert [len(s.running) for s in above.steps] == [2]


def test_hold_power_one_at_a_time_follows_smiths_rule():
    # Smith 1956: weighted completion times are least by r/h ascending (linear battery, room for one machine)
    rng = random.Random(8)
    for _ in range(10):
        machines = [machine(str(i), 100, rng.uniform(5, 25), 1, rng.uniform(2, 9)) for i in range(4)]
        plan = plan_rescue(peukert(1.0, 9.0, limit_w=100 + 9 * 3), machines)
        order = [step.running[0] for step in plan.steps]
        assert order == [m.name for m in sorted(machines, key=lambda m: m.remaining_min / m.hold_w)]


def test_least_charge_programme_equals_scipy():
    rng = random.Random(2)
    for _ in range(150):
        backup, machines = random_case(rng, rng.randint(1, 5))
        members = range(len(machines))
        expected = oracle_charge(backup, machines, members)
        remaining = {i: machines[i].remaining_min for i in members}
        found = Finishing(backup, machines, remaining, Work()).least()
        assert (math.inf if found is None else found.charge) == pytest.approx(expected, rel=1e-8)


def test_plans_equal_brute_force():
    rng = random.Random(3)
    for _ in range(60):
        backup, machines = random_case(rng, rng.randint(1, 4))
        plan = plan_rescue(backup, machines)
        value, charge = oracle_plan(backup, machines)
        assert plan.value == pytest.approx(value)
        assert plan.charge == pytest.approx(charge, rel=1e-7, abs=1e-12)
        assert plan.exact


def test_plans_with_hold_power_and_machines_that_cannot_pause_equal_brute_force():
    rng = random.Random(5)
    for _ in range(40):
        backup, machines = random_case(rng, rng.randint(2, 4), hold="mixed")
        plan = plan_rescue(backup, machines)
        value, charge = oracle_plan(backup, machines)
        assert plan.value == pytest.approx(value)
        assert plan.charge == pytest.approx(charge, rel=1e-7, abs=1e-12)


def test_no_schedule_on_a_time_grid_does_better():
    """Another brute force, without any programme: every schedule in slots of a minute, by recursion."""
    rng = random.Random(6)
    for _ in range(25):
        backup, machines = random_case(rng, 3, hold="mixed", integer=True)
        plan = plan_rescue(backup, machines)
        best = 0.0
        for size in range(4):
            for members in itertools.combinations(range(3), size):
                if grid_charge(backup, machines, members) <= backup.budget * (1 + 1e-9):
                    best = max(best, sum(machines[i].value for i in members))
        assert plan.value >= best - 1e-9


def grid_charge(backup, machines, members):
    seen = {}

    def least(left):
        if not any(left.values()):
            return 0.0
        key = tuple(sorted(left.items()))
        if key not in seen:
            unfinished = [i for i in members if left[i] > 0]
            result = math.inf
            for size in range(1, len(unfinished) + 1):
                for run in itertools.combinations(unfinished, size):
                    idle = [i for i in unfinished if i not in run]
                    if any(machines[i].hold_w is None for i in idle):
                        continue
                    draw = backup.base_w + sum(machines[i].power_w for i in run)
                    draw += sum(machines[i].hold_w for i in idle)
                    if draw <= backup.limit_w:
                        after = {i: left[i] - (i in run) for i in members}
                        result = min(result, 1.0 / backup.table.runtime_min(draw) + least(after))
            seen[key] = result
        return seen[key]

    return least({i: int(machines[i].remaining_min) for i in members})


def test_steps_do_what_they_say_and_nothing_is_worse_than_doing_nothing():
    rng = random.Random(7)
    for round_ in range(250):
        backup, machines = random_case(rng, rng.randint(1, 6), hold="mixed" if round_ % 5 == 0 else "none")
        plan = plan_rescue(backup, machines)
        finished, charge = follow(backup, machines, plan.steps)
        assert finished >= set(plan.finishes)
        assert charge == pytest.approx(plan.charge, rel=1e-7, abs=1e-12)
        assert plan.value >= plan.run_everything.value - 1e-9
        assert not any(m.value == 0 and m.name in plan.finishes for m in machines)


def test_decide_by_is_the_latest_minute():
    rng = random.Random(9)
    checked = 0
    for _ in range(200):
        backup, machines = random_case(rng, rng.randint(2, 4), hold=rng.choice(["none", "mixed"]))
        plan = plan_rescue(backup, machines)
        times = set(plan.decide_by_min.values()) - {None}
        assert len(times) <= 1
        if not times or backup.base_w + sum(m.power_w for m in machines) > backup.limit_w:
            assert times <= {0.0}
            continue
        checked += 1
        latest = times.pop()
        for t, fits in ((latest * (1 - 1e-6), True), (latest * (1 + 1e-6) + 1e-6, False)):
            assert charge_if_late(backup, machines, plan.finishes, t) <= backup.budget * (1 + 1e-9) or not fits
            assert charge_if_late(backup, machines, plan.finishes, t) > backup.budget or fits
    assert checked > 20


def charge_if_late(backup, machines, names, t):
    used, now = 0.0, 0.0
    for end in sorted({min(t, m.remaining_min) for m in machines} | {t}):
        if end > now:
            draw = backup.base_w + sum(m.power_w for m in machines if m.remaining_min > now)
            used += (end - now) / backup.table.runtime_min(draw)
            now = end
    left = [machine(m.name, m.power_w, max(m.remaining_min - t, 0.0), m.value, m.hold_w) for m in machines]
    return used + oracle_charge(backup, left, [i for i, m in enumerate(left) if m.name in names])


def test_null_in_decide_by_means_that_nothing_need_be_done():
    machines = [machine("avocet", 100, 10, 5), machine("curlew", 100, 12, 5)]
    plan = plan_rescue(peukert(1.2, 9.0, base_w=5), machines)
    assert plan.run_everything.finishes == ("avocet", "curlew")
    assert plan.decide_by_min == {"avocet": None, "curlew": None}


def test_the_limit_makes_running_everything_finish_nothing():
    machines = [machine("avocet", 200, 10, 5), machine("curlew", 200, 10, 5)]
    plan = plan_rescue(peukert(1.2, 9.0, base_w=5, limit_w=300), machines)
    assert plan.run_everything == ((), 0.0, 0.0)
    assert plan.finishes == ("avocet", "curlew")
    assert set(plan.decide_by_min.values()) == {None, 0.0}


def test_a_machine_that_cannot_pause_runs_from_the_start_or_not_at_all():
    machines = [machine("avocet", 100, 30, 5, None), machine("curlew", 100, 30, 9)]
    plan = plan_rescue(peukert(1.2, 1.0, base_w=5), machines)
    first = {name for step in plan.steps[:1] for name in step.running}
    assert ("avocet" in plan.finishes) == ("avocet" in first)
    assert all("avocet" not in step.paused for step in plan.steps)


def test_run_everything_counts_the_minutes_until_empty():
    backup = RescueBackup(RuntimeTable(ROWS), 1.0, 1.0, 600.0, 0.0)
    assert run_everything(backup, [machine("a", 240, 30, 1)]) == ((), 0.0, pytest.approx(18.5))
    assert run_everything(backup, [machine("a", 240, 5, 1)]).minutes == math.inf
    with_base = RescueBackup(RuntimeTable(ROWS), 1.0, 1.0, 600.0, 60.0)
    done = run_everything(with_base, [machine("a", 180, 9.25, 1)])
    assert done == (("a",), 1.0, pytest.approx(9.25 + 0.5 * 115))


def test_value_grows_with_charge_and_scale_changes_nothing():
    rng = random.Random(10)
    for _ in range(20):
        backup, machines = random_case(rng, 5)
        values = [
            plan_rescue(RescueBackup(backup.table, c, 1.0, backup.limit_w, backup.base_w), machines).value
            for c in (0.1, 0.3, 0.6, 1.0)
        ]
        assert values == sorted(values)
        scaled = RescueBackup(
            RuntimeTable([(3 * w, m) for w, m in backup.table.rows]), 0.6, 1.0, 3 * backup.limit_w, 3 * backup.base_w
        )
        bigger = [machine(m.name, 3 * m.power_w, m.remaining_min, m.value) for m in machines]
        assert plan_rescue(scaled, bigger).value == pytest.approx(values[2])


def test_nothing_left_to_run_is_finished_at_once():
    backup = RescueBackup(RuntimeTable(ROWS), 0.0, 1.0, 600.0, 10.0)
    plan = plan_rescue(backup, [machine("a", 100, 0, 3), machine("b", 100, 5, 3)])
    assert plan.finishes == ("a",)
    assert plan.steps == ()
    assert plan_rescue(backup, []).value == 0


def test_twelve_machines_within_the_promise():
    # figure: 200 ms for typical cases of up to 12 machines (processor time: the computer may be busy)
    rng = random.Random(12)
    worst = []
    for _ in range(5):
        machines = [
            machine(f"m{i}", rng.uniform(60, 160), rng.uniform(5, 200), rng.uniform(10, 400)) for i in range(12)
        ]
        table = RuntimeTable([(3 * w, m) for w, m in ROWS])
        started = time.process_time()
        plan = plan_rescue(RescueBackup(table, 1.0, 0.9, 1500.0, 12.0), machines)
        worst.append(time.process_time() - started)
        assert plan.exact
    assert sorted(worst)[2] < 0.2


def test_more_machines_is_a_bounded_search_that_says_so():
    rng = random.Random(13)
    machines = [machine(f"m{i}", rng.uniform(60, 160), rng.uniform(5, 90), rng.uniform(10, 400)) for i in range(16)]
    backup = RescueBackup(RuntimeTable([(4 * w, m) for w, m in ROWS]), 1.0, 1.0, 2500.0, 12.0)
    plan = plan_rescue(backup, machines)
    assert not plan.exact
    assert plan.value >= plan.run_everything.value
    assert follow(backup, machines, plan.steps)[0] >= set(plan.finishes)


def test_equality_programme_with_no_solution_says_none():
    assert solve([Block((0,), [0.0, math.inf])], [5.0]) is None
