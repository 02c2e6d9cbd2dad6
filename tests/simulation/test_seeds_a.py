"""Runs of six hours in simulated surroundings. More seeds: FARMWATCH_SEEDS=25, or `bench/simulated_days.py`."""

import os

import pytest
from simulation.sim import simulate

FIRST = 1
COUNT = int(os.environ.get("FARMWATCH_SEEDS", "2"))


@pytest.mark.timeout(900)
@pytest.mark.parametrize("seed", range(FIRST, FIRST + COUNT))
def test_all_holds(seed, tmp_path):
    found = simulate(seed, tmp_path, hours=6)
    assert not found.faults, (found.chosen, found.faults)
    assert found.figures["readings"] > 500
    assert found.figures["looks"] > 3
