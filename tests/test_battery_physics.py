"""Runtime by table against independent physics: PyBaMM's lead-acid model, calibrated on two points.

Source: PyBaMM, `lead_acid.Full` with the parameters of V. Sulzer et al., J. Electrochem. Soc. 166 (2019), A2363 and
A2372: one cell of 17 Ah at constant power to 1.75 V. It is no battery of a small backup and knows no temperature; what
it checks is the shape: how runtime falls with power, and that loads which change add up by their rate of depletion.
"""

import os
from functools import cache

import numpy as np
import pytest

from farmwatch.power.battery import INSIDE_TOLERANCE, OUTSIDE_TOLERANCE, RuntimeTable, time_to_empty

LOW_W, HIGH_W = 17.0, 68.0  # half an hour's and two hours' rate of a cell of 34 W (2 V times 17 Ah an hour)
MEAN_W, SWING_W = (LOW_W + HIGH_W) / 2, (HIGH_W - LOW_W) / 2


@cache
def physics_min(low_w, high_w=None, period_min=0.0):
    """Minutes until 1.75 V at a constant power, or at a square wave that begins high (its edges softened a little)."""
    os.environ.setdefault("PYBAMM_DISABLE_TELEMETRY", "true")
    import pybamm  # ten seconds to load

    power = low_w
    if high_w is not None:
        mean_w, swing_w = (low_w + high_w) / 2, (high_w - low_w) / 2

        def power(t):
            return mean_w + swing_w * pybamm.tanh(20 * pybamm.sin(2 * np.pi * t / (period_min * 60)))

    values = pybamm.ParameterValues("Sulzer2019")
    values.update({"Power function [W]": power}, check_already_exists=False)
    model = pybamm.lead_acid.Full(options={"operating mode": "power"})
    end_s = 3600 * 34 / low_w * 2.2
    solution = pybamm.Simulation(model, parameter_values=values, solver=pybamm.IDAKLUSolver()).solve(
        np.linspace(0, end_s, 1500)
    )
    assert solution.termination == "event: Minimum voltage [V]"
    return float(solution["Time [h]"].entries[-1]) * 60


@pytest.fixture(scope="module")
def table():
    """Ours, knowing no more than two points."""
    return RuntimeTable([(LOW_W, physics_min(LOW_W)), (HIGH_W, physics_min(HIGH_W))])


def test_the_model_is_the_one_of_the_paper_s_table():
    """Computed with PyBaMM 25: 132.27 and 24.62 min; another answer means another model."""
    assert physics_min(LOW_W) == pytest.approx(132.27, rel=0.005)
    assert physics_min(HIGH_W) == pytest.approx(24.62, rel=0.005)


@pytest.mark.parametrize(
    ("power_w", "inside", "most"),
    [(34.0, True, 0.04), (10.2, False, 0.06), (100.0, False, 0.08)],  # measured: -3.5 %, +5.5 %, +6.6 %
)
def test_constant_power_between_and_beyond_the_two_points(table, power_w, inside, most, record_property):
    life, truth = time_to_empty(table, [(1.0, power_w)]), physics_min(power_w)
    error = life.minutes / truth - 1.0
    record_property("error", f"{power_w:g} W: {life.minutes:.1f} min, physics {truth:.1f} min, {error:+.1%}")
    assert life.inside_table is inside
    assert abs(error) < most
    assert most < (INSIDE_TOLERANCE if inside else OUTSIDE_TOLERANCE), "what we promise is wider"


@pytest.mark.parametrize("period_min", [10.0, 30.0])
def test_a_square_wave_by_its_rate_of_depletion(table, period_min, record_property):
    """Measured: -0.7 % and +0.2 %, where the mean of the watts errs by +5.7 % and +18.4 %."""
    wave = [(period_min / 2, HIGH_W), (period_min / 2, LOW_W)] * 20
    ours, truth = time_to_empty(table, wave), physics_min(LOW_W, HIGH_W, period_min)
    by_mean = time_to_empty(table, [(1.0, MEAN_W)]).minutes
    error, mean_error = ours.minutes / truth - 1.0, by_mean / truth - 1.0
    record_property("error", f"{period_min:g} min: {error:+.1%}, by mean watts {mean_error:+.1%}")
    assert ours.inside_table
    assert abs(error) < 0.02
    assert mean_error > abs(error) + 0.02, "and the mean of the watts promises too much"
