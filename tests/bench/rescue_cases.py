"""Fresh random outages against brute force: ``python tests/bench/rescue_cases.py [300] [first seed]``.

Odd cases are mixed in: nothing left to run, equal values (least charge decides), no watt limit, machines that cannot
pause, hold power, equal percentiles. The oracle is scipy's linear programme over every set (tests/test_rescue.py).
"""

import random
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from test_rescue import follow, oracle_plan, random_case

from farmwatch.power.rescue import plan_rescue, run_everything
from farmwatch.power.rescue_chance import Spread, plan_rescue_spread
from farmwatch.power.rescue_charge import RescueBackup, RescueMachine


def odd(rng, backup, machines):
    """The case with some of what is odd put in."""
    values = rng.choice([None, 10.0])
    found = []
    for m in machines:
        left = 0.0 if rng.random() < 0.1 else m.remaining_min
        found.append(RescueMachine(m.name, m.power_w, left, m.value if values is None else values, m.hold_w))
    limit_w = rng.choice([backup.limit_w, 1e12])
    return RescueBackup(backup.table, backup.charge, backup.health, limit_w, backup.base_w), found


def main(number=300, first=0):
    wrong, late, took, spread_took = [], [], [], []
    for index in range(first, first + number):
        rng = random.Random(f"rescue {index}")
        count = rng.choice((1, 2, 3, 4, 4, 5)) if index % 20 else 6
        hold = "mixed" if count <= 4 and rng.random() < 0.6 else "none"
        backup, machines = odd(rng, *random_case(rng, count, hold=hold))
        plan = plan_rescue(backup, machines)
        value, charge = oracle_plan(backup, machines)
        same = abs(plan.value - value) <= 1e-6 * max(value, 1) and abs(plan.charge - charge) <= 1e-6 * max(charge, 1e-6)
        finished, _ = follow(backup, machines, plan.steps)
        nothing = run_everything(backup, machines)
        equal = plan_rescue_spread(backup, machines, [Spread(*[m.remaining_min] * 3) for m in machines])
        spreads = [Spread(m.remaining_min * 0.8, m.remaining_min, m.remaining_min * 1.3) for m in machines]
        chance = plan_rescue_spread(backup, machines, spreads)
        good = (
            same and plan.exact and set(plan.finishes) <= finished and plan.value >= nothing.value - 1e-9
            and abs(equal.value - value) <= 1e-6 * max(value, 1)
            and chance.value >= chance.run_everything.value - 1e-6
        )  # fmt: skip
        if not good:
            wrong.append(index)
            print(f"wrong: {index}: {plan.value} for {value}, charge {plan.charge} for {charge}, equal {equal.value}, "
                  f"chance {chance.value} beside {chance.run_everything.value}")  # fmt: skip
    for index in range(first, first + 40):
        rng = random.Random(f"twelve {index}")
        backup, machines = random_case(rng, rng.randint(8, 12))
        began = time.perf_counter()
        plan = plan_rescue(backup, machines)
        took.append(1e3 * (time.perf_counter() - began))
        if plan.value < run_everything(backup, machines).value - 1e-9:
            late.append(index)
        spreads = [Spread(m.remaining_min * 0.8, m.remaining_min, m.remaining_min * 1.3) for m in machines]
        began = time.perf_counter()
        plan_rescue_spread(backup, machines, spreads, search_steps=40)
        spread_took.append(1e3 * (time.perf_counter() - began))
    print(f"{number - len(wrong)} of {number} equal to brute force; never worse than doing nothing: {not late}")
    for what, times in (("8 to 12 machines", took), ("the same with distributions", spread_took)):
        print(f"{what}: median {statistics.median(times):.0f} ms, worst {max(times):.0f} ms")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
