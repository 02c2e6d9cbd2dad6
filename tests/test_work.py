"""Filling: equal to brute force on small cases, held to its limits, honest about due dates, quick on large ones."""

import itertools
import random
import time

import pytest

from farmwatch.shop import work_exact
from farmwatch.shop.work import HOUR_S, Free, Job, Room, Rules, Task, fill
from farmwatch.shop.work_exact import fill_exactly


def small(seed):
    rng = random.Random(seed)
    visits = [0.0]
    for _ in range(rng.randint(1, 3)):
        visits.append(visits[-1] + rng.choice([6, 10, 14]) * HOUR_S)
    machines = [
        Free(f"m{i}", rng.choice([-1.0, 3 * HOUR_S, visits[-1]]), rng.choice([(), ("west",)]), rng.choice([60.0, 90.0]))
        for i in range(rng.randint(1, 3))
    ]
    jobs = [
        Job(
            f"j{i}",
            rng.choice([2, 5, 9, 13, 30]),
            rng.choice([1, 4]),
            rng.choice([1, 4, 7]),
            rng.uniform(1, 20),
            rng.choice([None, "PLA", "PETG"]),
            rng.choice([100.0, 300.0]),
            rng.choice([None, None, visits[-1] / 2]),
            rng.choice([None, frozenset({"m0"})]),
        )
        for i in range(rng.randint(1, 3))
    ]
    limits = rng.choice([{}, {"west": 130.0}])
    return Task(jobs, machines, visits, {"PLA": rng.choice([150.0, 900.0])}, limits, Rules(rng.choice([0, 0.3]), 0.25))


def brute_force(task):
    """The greatest worth, by trying every way to load every machine at every visit."""
    last = len(task.visits_s) - 1

    def ways(machine, visit):
        if visit >= last:
            yield ()
            return
        yield from ways(machine, visit + 1)
        for job in task.jobs:
            if task.fits(job, machine):
                for rest in ways(machine, task.cleared_at(job, visit)):
                    yield ((job, visit), *rest)

    best = 0.0
    options = [list(ways(machine, task.first_visit(machine))) for machine in task.machines]
    for choice in itertools.product(*options):
        room, worth, fine = Room(task), 0.0, True
        for machine, loads in zip(task.machines, choice, strict=True):
            for job, visit in loads:
                if not room.has(job, machine, visit):
                    fine = False
                    break
                room.take(job, machine, visit)
                worth += task.worth(job, visit)
        if fine:
            best = max(best, worth)
    return best


def held(task, filling):
    """Whether a plan keeps to its limits, looked at row by row."""
    room = Room(task)
    by_name = {machine.name: machine for machine in task.machines}
    jobs = {job.name: job for job in task.jobs}
    busy_until = {machine.name: task.first_visit(machine) for machine in task.machines}
    for load in sorted(filling.loads):
        visit = list(task.visits_s).index(load.visit_s)
        job, machine = jobs[load.job], by_name[load.machine]
        assert busy_until[machine.name] <= visit
        assert task.fits(job, machine)
        assert room.has(job, machine, visit)
        room.take(job, machine, visit)
        busy_until[machine.name] = task.cleared_at(job, visit)
        assert load.cleared_s is None or load.cleared_s >= load.ends_s
    return True


@pytest.mark.parametrize("seed", range(120))
def test_the_exact_plan_equals_brute_force(seed):
    task = small(seed)
    exact, plain = fill_exactly(task), fill(task)
    best = brute_force(task)
    assert exact.exact
    assert exact.worth == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert exact.worth <= exact.bound + 1e-9
    assert 0 <= plain.worth <= best + 1e-6
    assert plain.bound >= best - 1e-6
    assert held(task, exact)
    assert held(task, plain)


def test_the_long_build_goes_over_night():
    visits = [8 * HOUR_S, 18 * HOUR_S, 32 * HOUR_S]
    jobs = [Job("short", 9, 1, 1, 9.0), Job("long", 13, 1, 1, 13.0)]
    task = Task(jobs, [Free("knot", 0.0)], visits)
    for plan in (fill_exactly(task), fill(task)):
        assert [(load.visit_s / HOUR_S, load.job) for load in plan.loads] == [(8, "short"), (18, "long")]


def test_a_due_date_that_cannot_be_met_is_said_with_what_it_needs():
    visits = [0.0, 10 * HOUR_S, 24 * HOUR_S]
    late = Job("late", 12, 5, 10, 5.0, due_s=20 * HOUR_S)
    plan = fill_exactly(Task([late], [Free("knot", 0.0)], visits))
    (short,) = plan.short
    assert (short.job, short.missing, short.builds) == ("late", 10, 2)
    assert "one more trip" in short.why
    scarce = Job("scarce", 5, 5, 10, 5.0, "PA", 400.0, due_s=24 * HOUR_S)
    (short,) = fill(Task([scarce], [Free("knot", 0.0)] * 2, visits, {"PA": 500.0})).short
    assert short.why == "PA is short: 800 g are needed"
    (short,) = fill(Task([Job("odd", 1, 1, 1, 1.0, due_s=9e9, fits=frozenset())], [Free("knot", 0.0)], visits)).short
    assert short.why == "it fits no machine"
    (short,) = fill(Task([Job("odd", 1, 1, 1, 1.0, due_s=9e9)], [], visits)).short
    assert short.why == "of no machine is known when it can be loaded"


def test_a_large_shop_within_ten_seconds():
    rng = random.Random(300)
    visits = [k * 12 * HOUR_S for k in range(5)]
    machines = [
        Free(f"m{i}", rng.choice([0.0, 1.0, 13 * HOUR_S]), (f"c{i % 30}",), rng.choice([60.0, 90.0]))
        for i in range(300)
    ]
    jobs = []
    for i in range(1000):
        material, due_s = rng.choice(["PLA", "PETG"]), rng.choice([None, 36 * HOUR_S])
        hours, wanted, value = rng.uniform(1, 40), rng.choice([4, 8, 20]), rng.uniform(1, 40)
        jobs.append(Job(f"j{i}", hours, 4, wanted, value, material, 150.0, due_s))
    task = Task(jobs, machines, visits, {"PLA": 60_000.0, "PETG": 40_000.0}, {f"c{i}": 800.0 for i in range(30)})
    plain = fill(task)
    began = time.process_time()
    plan = fill_exactly(task, within_s=20.0)
    took_s = time.process_time() - began
    print(f"{took_s:.1f} s of processor, gap {plan.gap:.2%}, greedy {plain.worth / plan.worth:.2%}")
    assert plan.worth >= plain.worth
    assert plan.gap < 0.05, "stock and circuits are in the bound"
    assert plain.bound >= plan.bound - 1e-6
    assert plain.gap < 0.25
    assert held(task, plan)


@pytest.mark.parametrize("seed", range(200, 240))
def test_the_way_for_large_questions_keeps_its_word_on_small_ones(seed, monkeypatch):
    monkeypatch.setattr(work_exact, "WHOLE", 0)
    monkeypatch.setattr(work_exact, "FIRST", 1)
    monkeypatch.setattr(work_exact, "MORE", 1)
    task = small(seed)
    plan, best = fill_exactly(task), brute_force(task)
    assert fill(task).worth - 1e-9 <= plan.worth <= best + 1e-6
    assert plan.bound >= best - 1e-6
    assert not plan.exact or plan.worth == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert plan.worth >= 0.7 * best
    assert held(task, plan)
