"""Whole days in simulated surroundings, every other seed here. `bench/simulated_days.py`: more."""

import os

import pytest
from simulation.sim import simulate

SEEDS = range(101, 101 + int(os.environ.get("FARMWATCH_SEEDS", "50")))[1::2]


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("seed", SEEDS)
def test_all_holds(seed, tmp_path):
    found = simulate(seed, tmp_path, hours=24)
    assert not found.faults, (found.chosen, found.faults)
    assert found.figures["readings"] > 4000
    assert found.figures["looks"] > 20
    assert found.figures["beds"] > 5
