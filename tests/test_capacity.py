"""Adding and spreading machines: chances against closed forms, spreads against trying all of them."""

import itertools
import math
import random

import pytest

from farmwatch.power.battery import RuntimeTable
from farmwatch.power.capacity import Place, Shop
from farmwatch.power.chance import Draw, add, constant

TABLE = RuntimeTable([(60, 115), (120, 47), (240, 18.5), (360, 9.8), (480, 6.1), (600, 4.0)])
HOLDING = Draw(((260.0, 0.3), (50.0, 0.7)))


def shop(places=None, machines=12, risk=1e-3, draws=None):
    places = places or {
        "east": Place(2944.0),
        "west": Place(2944.0),
        "b1": Place(600.0, "east", constant(12.0), TABLE),
        "b2": Place(600.0, "east", constant(12.0), TABLE),
        "b3": Place(600.0, "west", constant(12.0), TABLE),
        "b4": Place(600.0, "west", constant(12.0), TABLE),
    }
    return Shop(places, draws or {f"m{i}": HOLDING for i in range(machines)}, risk)


def test_twelve_machines_on_a_16_a_circuit():
    """NEC-style share of 80 % of 16 A at 230 V = 2944 W: nine heating of twelve fit (1320 + n x 170, arithmetic)."""
    draw = Draw(((280.0, 0.25), (110.0, 0.75)))
    here = Shop({"east": Place(2944.0)}, {f"m{i}": draw for i in range(12)})
    report = here.spread(dict.fromkeys(here.draws, "east")).places["east"]
    closed = sum(math.comb(12, k) * 0.25**k * 0.75 ** (12 - k) for k in (10, 11, 12))
    assert report.chance == pytest.approx(closed, rel=1e-9)
    assert report.max_w == pytest.approx(12 * 280)
    assert report.mean_w == pytest.approx(12 * (0.25 * 280 + 0.75 * 110))


def test_can_three_machines_be_added():
    here = shop(machines=2)
    at = {"m0": "b1", "m1": "b1"}
    one = here.adding(at, "b1", [constant(50.0)])
    assert one.fits
    assert set(one.after) == {"b1", "east"}
    three = here.adding(at, "b1", [HOLDING] * 3)
    # five of them, three at 260 W + two at 50 W = 880 + 12 above 600; two at 260 = 682 too; one = 472 fits
    expected = 1 - 0.7**5 - 5 * 0.3 * 0.7**4
    assert three.after["b1"] == pytest.approx(expected)
    assert not three.fits
    # two high and one low = 582 W still fits, three high = 792 does not: 0.3^3 is above the risk
    assert three.room_for == 0
    assert three.before["b1"] == 0.0


def test_room_for_counts_one_after_another():
    here = shop(machines=0, draws={})
    room = here.adding({}, "east", [constant(110.0)]).room_for
    assert room == (2944 - 24) // 110


def test_equal_machines_are_spread_evenly_and_few_move():
    here = shop()
    present = {f"m{i}": "b1" if i < 8 else "b2" for i in range(12)}
    best = here.best_spread(present, ["b1", "b2", "b3", "b4"])
    assert best.exact
    counts = [list(best.best.at.values()).count(b) for b in ("b1", "b2", "b3", "b4")]
    assert counts == [3, 3, 3, 3]
    assert len(best.moves) == 6
    now = here.spread(present)
    assert best.best.chance < now.chance
    assert best.best.shortest_min > now.shortest_min
    assert best.best.longest_min == pytest.approx(best.best.shortest_min)


def test_spreads_equal_trying_all_of_them():
    rng = random.Random(1)
    for _ in range(6):
        draws = {f"m{i}": rng.choice([HOLDING, constant(110.0), Draw(((300.0, 0.1), (90.0, 0.9)))]) for i in range(6)}
        here = shop(draws=draws)
        present = {name: rng.choice(["b1", "b2", "b3"]) for name in draws}
        over = ["b1", "b2", "b3"]
        best = here.best_spread(present, over)
        every = [here.spread(dict(zip(draws, where, strict=True))) for where in itertools.product(over, repeat=6)]
        least = min(here.score(s, present)[:4] for s in every)
        assert here.score(best.best, present)[:4] == pytest.approx(least, rel=1e-9)
        assert best.exact


def test_unlike_machines_are_a_bounded_search_that_is_no_worse_than_now():
    rng = random.Random(2)
    draws = {f"m{i}": Draw(((rng.uniform(200, 320), 0.2), (rng.uniform(50, 120), 0.8))) for i in range(12)}
    here = shop(draws=draws)
    present = {name: rng.choice(["b1", "b2", "b3", "b4"]) for name in draws}
    best = here.best_spread(present, ["b1", "b2", "b3", "b4"])
    assert not best.exact
    assert here.score(best.best, present) <= here.score(here.spread(present), present)
    over = ["b1", "b2", "b3", "b4"]
    for _ in range(300):
        other = here.spread({name: rng.choice(over) for name in draws})
        assert here.score(best.best, present) <= here.score(other, present)


def test_runtime_averages_the_rate_not_the_watts():
    here = shop(machines=1)
    report = here.spread({"m0": "b1"}).places["b1"]
    rate = 0.3 / TABLE.runtime_min(272) + 0.7 / TABLE.runtime_min(62)
    assert report.runtime_min == pytest.approx(1 / rate)
    assert report.runtime_min < TABLE.runtime_min(12 + HOLDING.mean_w)
    assert here.spread({"m0": "b1"}).places["east"].runtime_min is None


def test_machines_elsewhere_stay():
    here = shop(machines=3)
    best = here.best_spread({"m0": "east", "m1": "b1", "m2": "b1"}, ["b1", "b2"])
    assert best.best.at["m0"] == "east"
    assert sorted(best.best.at.values()) == ["b1", "b2", "east"]


def test_a_circuit_sees_what_its_backups_feed():
    here = shop(machines=4)
    spread = here.spread({"m0": "b1", "m1": "b2", "m2": "b3", "m3": "east"})
    assert spread.places["east"].mean_w == pytest.approx(3 * HOLDING.mean_w + 24)
    assert spread.places["west"].max_w == pytest.approx(260 + 24)
    assert add([HOLDING]).max_w == 260
