"""Days of twelve machines: visits chosen by us in two windows against fixed ones at 08:30 and 18:00."""

import random

from farmwatch.shop.rounds import Bed, Window, plan_rounds

H = 3600.0
DAYS, MACHINES = 14, 12
SPREAD = 0.04  # a tenth of the builds end earlier than 4 % of their length before the middle, a tenth later


def idle_h(seed, choose):
    """Idle machine-hours of free beds; every visit clears what is free and loads it anew. Lengths do not hang on us."""
    rng = [random.Random(f"{seed} {m}") for m in range(MACHINES)]

    def loaded(machine, at_s):
        middle = at_s + rng[machine].uniform(3, 14) * H
        off = SPREAD * (middle - at_s)
        return Bed(str(machine), middle - off, middle, middle + off), middle + rng[machine].gauss(0, off / 1.2816)

    beds = [loaded(m, 0.0) for m in range(MACHINES)]
    lost_s, now_s = 0.0, 0.0
    for visit in range(2 * DAYS):
        at_s = choose([bed for bed, _ in beds], now_s, visit)
        for m, (_, ends_s) in enumerate(beds):
            if ends_s <= at_s:
                lost_s += at_s - ends_s
                beds[m] = loaded(m, at_s)
        now_s = at_s
    return (lost_s + sum(max(now_s - ends_s, 0.0) for _, ends_s in beds)) / H


def windows(visit):
    day, late = divmod(visit, 2)
    return Window((24 * day + (17 if late else 7.5)) * H, (24 * day + (19 if late else 9.5)) * H)


def fixed(_beds, _now_s, visit):
    day, late = divmod(visit, 2)
    return (24 * day + (18 if late else 8.5)) * H


def ours(beds, now_s, visit):
    ahead = [windows(visit), windows(visit + 1)]
    plan = plan_rounds(beds, now_s, ahead[1].to_s, ahead)
    inside = [at_s for at_s in plan.visits_s if ahead[0].from_s <= at_s <= ahead[0].to_s]
    return inside[0] if inside else ahead[0].to_s


def test_chosen_visits_lose_no_more_than_fixed_ones():
    pairs = [(idle_h(seed, ours), idle_h(seed, fixed)) for seed in range(6)]
    chosen, usual = (sum(column) for column in zip(*pairs, strict=True))
    assert chosen <= usual, pairs
