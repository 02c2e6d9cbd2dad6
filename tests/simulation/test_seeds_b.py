"""Every other simulated day; `bench/simulated_days.py`: more of them."""

import pytest
from simulation.days import SEEDS, holds


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("seed", SEEDS[1::2])
def test_all_holds(seed, tmp_path):
    holds(seed, tmp_path)
