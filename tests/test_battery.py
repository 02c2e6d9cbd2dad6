"""Runtime at a load against physics (recorded), datasheets, IEEE 485's fit and closed forms."""

import math
import random

import pytest

from farmwatch.power.battery import (
    Discharge,
    Health,
    RuntimeTable,
    capacity_share,
    cell_size_factor,
    estimate_runtime,
    fallback_table,
    health_seen,
    learn_health,
    mean_rate,
    promises_too_much,
    replace_by,
    table_faults,
    time_to_empty,
)
from farmwatch.words.errors import ConfigError

# PyBaMM, lead_acid.Full, parameter set Sulzer2019, 17 Ah cell, 294.85 K, constant power to 1.75 V a cell:
# (W a cell, minutes). Recorded from runs of that library with operating mode "power" and the IDAKLU solver.
PHYSICS = ((1.7, 1544.96), (3.4, 752.31), (6.8, 361.28), (10.2, 233.04), (17.0, 132.27), (34.0, 59.11), (68.0, 24.62))

# 12 V 7.5 Ah AGM datasheet, constant power to 1.75 V a cell, 25 °C: (6 x W a cell, minutes)
W_PER_CELL = (45.1, 29.5, 23.3, 14.2, 8.23, 4.85, 3.55, 2.39, 1.616, 1.334, 0.719)
SHEET = tuple(zip((6 * w for w in W_PER_CELL), (5, 10, 15, 30, 60, 120, 180, 300, 480, 600, 1200), strict=True))

# A second maker's 12 V 14 Ah sheet, W a battery to 10.5 V: (W, minutes); its 30 min figure looks high
SECOND_SHEET = ((540.2, 5), (343.0, 10), (253.8, 15), (168.0, 30), (88.4, 60), (53.4, 120))


@pytest.mark.parametrize(("power_w", "minutes"), [(60, 46.84), (100, 23.97), (150, 13.29), (200, 8.19)])
def test_log_log_interpolation_of_a_datasheet(power_w, minutes):
    # computed outside this project from the same sheet by log-log interpolation
    table = RuntimeTable(SHEET)
    assert table.runtime_min(power_w) == pytest.approx(minutes, abs=0.011)
    assert table.inside(power_w)


def test_two_blocks_in_series_are_twice_the_watts():
    table = RuntimeTable((2 * w, m) for w, m in SHEET)
    assert table.runtime_min(100) == pytest.approx(59.06, abs=0.011)
    assert table.runtime_min(200) == pytest.approx(23.97, abs=0.011)


def test_rows_are_met_exactly_and_endless_at_nothing():
    table = RuntimeTable(SHEET)
    for power_w, minutes in SHEET:
        assert table.runtime_min(power_w) == pytest.approx(minutes, rel=1e-12)
    assert table.runtime_min(0) == math.inf
    assert table.rate(0) == 0.0
    assert not table.inside(4.3)
    assert not table.inside(271)
    with pytest.raises(ValueError, match="no runtime"):
        table.runtime_min(-1)
    with pytest.raises(ValueError, match="no runtime"):
        table.runtime_min(math.nan)


def test_calibrated_on_neighbours_the_physics_between_is_within_three_percent():
    """Each inner point predicted from its two neighbours only; the worst error is the figure reported."""
    errors = {}
    for left, middle, right in zip(PHYSICS, PHYSICS[1:], PHYSICS[2:], strict=False):
        predicted = RuntimeTable((left, right)).runtime_min(middle[0])
        errors[middle[0]] = predicted / middle[1] - 1
    print({power_w: f"{error:+.2%}" for power_w, error in errors.items()})
    assert max(map(abs, errors.values())) < 0.045


def test_calibrated_on_two_points_the_whole_span_stays_within_the_promise():
    # figure: inside the table's span within 10 %: 3.4 and 34 W a cell, a decade apart, predict three between
    table = RuntimeTable((PHYSICS[1], PHYSICS[5]))
    errors = [table.runtime_min(w) / minutes - 1 for w, minutes in PHYSICS[2:5]]
    print([f"{error:+.2%}" for error in errors])
    assert max(map(abs, errors)) < 0.10


def test_extrapolation_errs_more_and_is_flagged():
    table = RuntimeTable((PHYSICS[0], PHYSICS[2]))
    power_w, minutes = PHYSICS[6]
    assert not table.inside(power_w)
    assert table.runtime_min(power_w) / minutes - 1 > 0.10
    assert not time_to_empty(table, [(1, power_w)]).inside_table


def test_runtime_falls_faster_than_watts_rise_and_ever_faster():
    # the exponent rises with power: 1.04 to 1.38 in the physics
    table = RuntimeTable(PHYSICS)
    exponents = [table.local_exponent(w) for w in (2, 5, 8, 12, 20, 50)]
    assert exponents == sorted(exponents)
    assert exponents[0] == pytest.approx(1.038, abs=0.002)
    assert exponents[-1] == pytest.approx(1.263, abs=0.002)


def test_peukert_is_the_table_of_two_points():
    # t = H (C / (I H))^k with 100 Ah at 20 h and k = 1.2: 8.7055 h at 10 A, 3.7893 at 20, 1.2619 at 50
    table = RuntimeTable([(5, 20 * 60), (50, 1.2619146889603865 * 60)])
    assert table.runtime_min(10) / 60 == pytest.approx(8.7055, abs=5e-4)
    assert table.runtime_min(20) / 60 == pytest.approx(3.7893, abs=5e-4)


def test_a_square_wave_empties_a_battery_sooner_than_its_mean():
    table = RuntimeTable(SHEET)
    wave = [(1.0, 50.0), (1.0, 260.0)] * 40
    life = time_to_empty(table, wave)
    at_mean = table.runtime_min(155.0)
    assert life.minutes < 0.85 * at_mean
    # in the limit of short periods: the mean of the rates of depletion (arithmetic)
    fine = time_to_empty(table, [(0.001, 50.0), (0.001, 260.0)] * 20_000)
    expected = 2 / (1 / table.runtime_min(50) + 1 / table.runtime_min(260))
    assert fine.minutes == pytest.approx(expected, rel=2e-4)
    assert 1 / mean_rate(table, [(1, 50), (1, 260)]) == pytest.approx(expected)


def test_profiles_equal_a_small_step_integral():
    rng = random.Random(1)
    table = RuntimeTable(SHEET)
    for _ in range(20):
        profile = [(rng.uniform(0, 8), rng.choice([0.0, rng.uniform(2, 300)])) for _ in range(rng.randint(1, 6))]
        charge, health = rng.uniform(0.2, 1), rng.uniform(0.5, 1)
        life = time_to_empty(table, profile, charge=charge, health=health)
        step, now, used = 5e-3, 0.0, 0.0
        while used < charge * health and now < 200:
            used += step / table.runtime_min(load_at(profile, now))
            now += step
        if now < 200:
            assert life.minutes == pytest.approx(now, abs=0.03)
        else:
            assert life.minutes > 199


def load_at(profile, now):
    for minutes, power_w in profile:
        if now < minutes:
            return power_w
        now -= minutes
    return profile[-1][1]


def test_inside_looks_only_at_loads_met_before_empty():
    table = RuntimeTable([(100, 30), (200, 12)])
    assert time_to_empty(table, [(60, 150), (5, 500)]).inside_table
    assert not time_to_empty(table, [(5, 150), (5, 500)]).inside_table
    assert time_to_empty(table, [(0, 900), (5, 150)]).inside_table
    assert time_to_empty(table, [(30, 100), (5, 500)]) == (30, True)
    assert time_to_empty(table, [(5, 500)], charge=0) == (0, True)
    assert time_to_empty(table, [(5, 150), (5, 0)]).minutes == math.inf


@pytest.mark.parametrize(
    ("rows", "row", "words"),
    [
        ([(100, 30)], None, "at least two rows"),
        ([(100, 30), (200, 31)], 1, "row 2"),
        ([(100, 30), (200, 30)], 1, "runtime must fall"),
        ([(100, 30), (100, 20)], 1, "there twice"),
        ([(200, 12), (100, 30), (300, 13)], 2, "row 3: 13 min at 300 W"),
        ([(0, 30), (100, 20)], 0, "row 1: watts"),
        ([(100, 30), (200, -1)], 1, "row 2: minutes"),
        ([(100, 30), (math.nan, 10)], 1, "row 2: watts"),
    ],
)
def test_a_table_that_is_none_is_refused_with_the_row_named(rows, row, words):
    assert table_faults(rows)[0].row == row
    with pytest.raises(ConfigError, match=words):
        RuntimeTable(rows)


def test_rows_may_come_in_any_order():
    assert RuntimeTable(reversed(SHEET)).rows == RuntimeTable(SHEET).rows


def test_energy_alone_predicts_another_makers_sheet_within_its_bounds():
    """Shape from the 7.5 Ah sheet, scaled to 168 Wh: the 14 Ah sheet lies within the tolerance told."""
    table = fallback_table(168.0, efficiency=1.0)
    errors = [table.runtime_min(w) / minutes - 1 for w, minutes in SECOND_SHEET]
    print([f"{error:+.0%}" for error in errors])
    assert max(map(abs, errors)) < 0.25
    estimate = estimate_runtime(table, [(1, 253.8)], charge=1.0, basis="energy")
    assert estimate.low_min < 15 < estimate.high_min
    assert estimate.high_min / estimate.low_min > 2
    with pytest.raises(ConfigError):
        fallback_table(0.0)


# Temperature --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("battery_c", "factor"),
    [
        (0, 1.405),
        (5, 1.290),
        (10, 1.195),
        (15.6, 1.107),
        (20, 1.051),
        (25, 1.000),
        (30, 0.958),
        (35, 0.925),
        (40, 0.898),
    ],
)
def test_cell_size_factor(battery_c, factor):
    # polynomial fit to IEEE 485, table 1, as a sizing program's notes print it (secondary source)
    assert cell_size_factor(battery_c) == pytest.approx(factor, abs=1.5e-3)


def test_capacity_by_temperature():
    assert capacity_share(10) == pytest.approx(0.837, abs=1e-3)
    assert capacity_share(35) == 1.0
    assert capacity_share(-40) == capacity_share(0)


def test_capacity_acts_with_the_tables_own_exponent():
    # 24 min x (0.8 / 1.107)^1.4 = 15.2 min; the linear shortcut says 17.3 (arithmetic)
    table = RuntimeTable([(50, 24 * 4**1.4), (200, 24.0), (800, 24 * 0.25**1.4)])
    assert table.at_capacity(0.8 / 1.107).runtime_min(200) == pytest.approx(15.2, abs=0.05)


# Health -------------------------------------------------------------------------------------------------------


def discharge_of(true_health, table, loads, before=1.0):
    """What a backup whose table runtime is `true_health` of the maker's would report."""
    taken = sum(minutes * table.rate(power_w) for minutes, power_w in loads)
    return Discharge(tuple(loads), before, before - taken / true_health)


@pytest.mark.parametrize("true_health", [0.35, 0.5, 0.61, 0.8, 1.0])
def test_one_discharge_teaches_a_worn_battery_to_ten_percent(true_health):
    # figure: learns a worn battery from one discharge to within 10 %
    rng = random.Random(int(true_health * 100))
    table = RuntimeTable(SHEET)
    for _ in range(40):
        minutes = 0.6 * true_health / mean_rate(table, [(1, 60), (1, 200)])
        loads = [(minutes / 20, power_w) for power_w in (60, 200)] * 10
        seen = discharge_of(true_health, table, loads)
        noisy = Discharge(seen.loads, 1.0, round(seen.charge_after + rng.uniform(-0.01, 0.01), 2))
        learned = learn_health(Health(), table, noisy)
        assert learned.factor == pytest.approx(true_health, rel=0.10)
        assert learned.log_sd < 0.08


def test_many_discharges_are_weighed_by_their_depth():
    table = RuntimeTable(SHEET)
    deep = discharge_of(0.6, table, [(0.5 * 0.6 * table.runtime_min(100), 100)])
    shallow = discharge_of(0.9, table, [(0.12 * 0.9 * table.runtime_min(100), 100)])
    belief = learn_health(learn_health(Health(), table, deep), table, shallow)
    assert 0.6 < belief.factor < 0.65
    assert belief.discharges == 2
    low, high = belief.interval()
    assert low < belief.factor < high


def test_inverse_variance_weights():
    # two normal means: (m1/s1^2 + m2/s2^2) / (1/s1^2 + 1/s2^2), any textbook
    belief = Health(math.log(0.9), 0.2).learn(0.7, 0.1)
    expected = (math.log(0.9) / 0.04 + math.log(0.7) / 0.01) / (1 / 0.04 + 1 / 0.01)
    assert belief.log_mean == pytest.approx(expected)
    assert belief.log_sd == pytest.approx((1 / 0.04 + 1 / 0.01) ** -0.5)


def test_a_shallow_discharge_teaches_nothing_and_time_makes_less_sure():
    table = RuntimeTable(SHEET)
    assert health_seen(table, Discharge(((1.0, 60.0),), 1.0, 0.97)) is None
    belief = Health(math.log(0.8), 0.06, 3)
    assert learn_health(belief, table, Discharge(((1.0, 60.0),), 1.0, 0.97)) is belief
    assert belief.aged(365.25).log_sd == pytest.approx(math.hypot(0.06, 0.10))
    assert belief.aged(0) == belief


def test_an_estimate_has_a_range_that_widens():
    table = RuntimeTable(SHEET)
    known = estimate_runtime(table, [(1, 100)], charge=1.0, health=Health(math.log(0.8), 0.05))
    unknown = estimate_runtime(table, [(1, 100)], charge=1.0)
    outside = estimate_runtime(table, [(1, 400)], charge=1.0, health=Health(0.0, 0.05))
    cold = estimate_runtime(table, [(1, 100)], charge=1.0, health=Health(math.log(0.8), 0.05), battery_c=5)
    assert known.minutes == pytest.approx(0.8 * table.runtime_min(100))
    assert known.low_min < known.minutes < known.high_min
    assert unknown.high_min / unknown.low_min > known.high_min / known.low_min
    assert not outside.inside_table
    assert cold.minutes < known.minutes


def test_a_unit_that_promises_too_much_is_noticed_when_it_lasts():
    assert promises_too_much([31, 31], [19, 19])
    assert not promises_too_much([31, 20], [19, 19])
    assert not promises_too_much([31], [19])
    assert promises_too_much([10, 10], [19, 19])


def test_replacement_date_from_the_trend():
    year = 365.25 * 86_400
    seen = [(year * k / 4, 1.0 * math.exp(-0.1 * k / 4), 0.03) for k in range(6)]
    due = replace_by(seen)
    # ln(0.8) / -0.1 a year = 2.23 years (arithmetic)
    assert due.expected_s / year == pytest.approx(-math.log(0.8) / 0.1, rel=1e-6)
    assert due.earliest_s < due.expected_s < due.latest_s
    assert replace_by(seen[:2]) is None
    assert replace_by([(year * k / 4, 0.9 + 0.01 * k, 0.03) for k in range(6)]).expected_s == math.inf
