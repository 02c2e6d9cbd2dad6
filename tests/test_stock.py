"""Filament: mass of a length, demand, reorder point, cover, enough for a build."""

import math
import random

import pytest

from farmwatch.shop.feedstock import FEEDSTOCKS, feedstock_of, grams_of, grams_per_metre
from farmwatch.shop.stock import DAY_S, Demand, Spool, cover, demand_of, reorder

# g/m of 1.75 mm filament: 2.405282 mm2 (fabbaloo.com: "2.405 cubic cm" a metre) times the density.
METRES = {"PLA": 2.9825, "PETG": 3.0547, "ABS": 2.5015, "ASA": 2.5737, "TPU": 2.9104, "PA6": 2.7420, "PA12": 2.4293,
          "PC": 2.8863, "HIPS": 2.5015, "PP": 2.1648, "PVB": 2.5977}  # fmt: skip


@pytest.mark.parametrize(("material", "grams"), METRES.items())
def test_grams_of_a_metre(material, grams):
    assert grams_per_metre(FEEDSTOCKS[material].density_g_cm3) == pytest.approx(grams, abs=5e-5)


def test_thicker_filament_and_its_tolerance():
    assert grams_per_metre(1.24, 2.85) == pytest.approx(7.9105, abs=5e-5)
    grams, sd = grams_of(335_280.0, 1.24)
    assert grams == pytest.approx(1000.0, abs=0.05)  # 335.28 m of PLA weigh a kilogram
    assert sd / grams == pytest.approx(0.058, abs=5e-4)  # 1.75 +- 0.05 mm


@pytest.mark.parametrize(
    ("word", "row"), [("PLA+", "PLA"), ("petg black", "PETG"), ("PA12-CF", "PA12"), ("pa", "PA"), ("PC", "PC")]
)
def test_a_name_finds_its_material(word, row):
    assert feedstock_of(word) is FEEDSTOCKS[row]


@pytest.mark.parametrize("word", [None, "", "wood", "XPLA"])
def test_an_unknown_material_stays_unknown(word):
    assert feedstock_of(word) is None


def test_reorder_point_of_the_textbook():
    # W. Stevenson, Operations Management, 14th ed., example 8 (p. 528): demand over the lead time 50, sd 5, risk 3 %.
    point = reorder(Demand(50, 5, 28), 1, service=0.97)
    assert point.safety_g == pytest.approx(9.40, abs=0.005)
    assert point.point_g == pytest.approx(59.40, abs=0.005)
    # example 9: 50 a week, sd 3, lead time 2 weeks, risk 10 %; there with z rounded to 1.28
    point = reorder(Demand(50, 3, 28), 2, service=0.90)
    assert point.point_g == pytest.approx(105.43, abs=0.01)


def test_reorder_point_with_a_lead_time_that_varies():
    # novacalculator.com: d 100, sd 20, L 7, sl 2, 95 %; sigma 206.9, safety stock 342 with z 1.65, reorder point 1042
    point = reorder(Demand(100, 20, 28), 7, 2)
    assert point.safety_g / 1.644854 == pytest.approx(206.9, abs=0.05)
    assert point.point_g == pytest.approx(1040.3, abs=0.1)
    # worked out apart from this project: kilograms of filament
    assert reorder(Demand(0.8, 0.3, 28), 5).point_g == pytest.approx(5.1034, abs=5e-5)
    assert reorder(Demand(0.8, 0.3, 28), 5, 1).point_g == pytest.approx(5.7173, abs=5e-5)


def test_demand_counts_days_without_use_and_needs_three_days():
    now = 100 * DAY_S
    uses = [(now - d * DAY_S - 60, 300.0) for d in range(0, 10, 2)]
    demand = demand_of(uses, now)
    assert demand is not None
    assert demand.days == 8
    assert demand.mean_g == pytest.approx(150.0)
    assert demand_of(uses[:1], now) is None
    assert demand_of([], now) is None
    assert demand_of([(now - 60 * DAY_S, 100.0)], now) is None


def test_cover_holds_in_eight_of_ten_cases():
    rng = random.Random(11)
    demand = Demand(800, 300, 28)
    found = cover(16_000, demand, 5103.0, 0.0)
    assert found is not None
    assert found.days == pytest.approx(20.0)
    assert found.order_by_s == pytest.approx((16_000 - 5103) / 800 * DAY_S)
    inside = 0
    for _ in range(4000):
        left, days = 16_000.0, 0.0
        while True:
            use = rng.gauss(800, 300)
            if use >= left:
                days += left / use
                break
            left -= use
            days += 1
        inside += found.low_days <= days <= found.high_days
    assert 0.76 <= inside / 4000 <= 0.84
    assert cover(1000, Demand(0.0, 0.0, 28), 0.0, 0.0) is None


def test_enough_on_the_spool():
    spool = Spool("red 1", "PLA", 200.0)
    assert spool.enough_for(200.0) == 1.0
    assert spool.enough_for(200.1) == 0.0
    after = spool.taken(150.0, 8.0)
    assert (after.left_g, after.left_sd_g) == (50.0, 8.0)
    assert after.enough_for(50.0) == pytest.approx(0.5)
    assert after.enough_for(40.0) == pytest.approx(0.5 + math.erf(10 / 8 / math.sqrt(2)) / 2)
    assert after.taken(500.0, 0.0).left_g == 0.0
