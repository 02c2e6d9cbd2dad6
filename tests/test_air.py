"""Air: against psychrolib (ASHRAE) and printed tables; exposure of open spools."""

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch.shop.air import Exposure, absolute_humidity_g_m3, dew_point_c, dew_point_spread, saturation_pa
from farmwatch.shop.feedstock import FEEDSTOCKS

psychrolib.SetUnitSystem(psychrolib.SI)


# Worked out with psychrolib apart from this project: °C, RH, saturation Pa, dew point °C, g/m3.
@pytest.mark.parametrize(
    ("air_c", "humidity", "pa", "dew_c", "grams"),
    [
        (23, 0.40, 2810.44, 8.688, 8.225),
        (20, 0.50, 2338.80, 9.272, 8.644),
        (25, 0.60, 3169.22, 16.701, 13.820),
        (30, 0.70, 4246.03, 23.928, 21.245),
        (10, 0.80, 1228.00, 6.713, 7.518),
        (35, 0.20, 5627.82, 8.707, 7.915),
        (23, 0.15, 2810.44, -4.436, 3.084),
    ],
)
def test_against_the_table(air_c, humidity, pa, dew_c, grams):
    assert saturation_pa(air_c) == pytest.approx(pa, abs=0.01)
    assert dew_point_c(air_c, humidity) == pytest.approx(dew_c, abs=0.002)
    assert absolute_humidity_g_m3(air_c, humidity) == pytest.approx(grams, rel=5e-4)


@given(st.floats(-20, 60), st.floats(0.02, 1.0))
def test_against_psychrolib(air_c, humidity):
    assert saturation_pa(air_c) == pytest.approx(psychrolib.GetSatVapPres(air_c), rel=1e-6)
    dew_c = dew_point_c(air_c, humidity)
    assert dew_c == pytest.approx(psychrolib.GetTDewPointFromRelHum(air_c, humidity), abs=0.02)
    assert dew_c <= air_c + 1e-6


def test_dry_air_has_no_dew_point():
    assert dew_point_c(20.0, 0.0) is None


def test_the_sensor_tolerance_goes_into_the_bounds():
    low, value, high = dew_point_spread(20.0, 0.5, 0.5, 0.03)
    assert low < value < high
    assert high - low == pytest.approx(2.7, abs=0.3)


def test_exposure_counts_only_what_was_seen():
    exposure = Exposure(limit_rh=0.2)
    exposure.observe(0.5, 0.0)
    exposure.observe(0.5, 1800.0)
    exposure.observe(0.1, 3600.0)
    exposure.observe(None, 5400.0)
    exposure.observe(0.6, 9000.0)
    exposure.observe(0.6, 90_000.0)
    assert (exposure.humid_s, exposure.dry_s, exposure.unseen_s) == (3600.0, 1800.0, 84_600.0)
    assert not exposure.needs_drying(FEEDSTOCKS["PA"])
    for hour in range(26, 60):
        exposure.observe(0.6, hour * 3600.0)
    assert exposure.needs_drying(FEEDSTOCKS["PA"])
    assert not exposure.needs_drying(FEEDSTOCKS["PLA"])
    exposure.dried()
    assert exposure.humid_s == 0.0
