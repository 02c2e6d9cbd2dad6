"""Whole days in simulated surroundings, in halves: two files, so that both cores work. FARMWATCH_SEEDS: how many."""

import os

from simulation.sim import simulate

SEEDS = range(101, 101 + int(os.environ.get("FARMWATCH_SEEDS", "50")))


def holds(seed, folder):
    """A day of this seed: every oracle is content, and the day was not an empty one."""
    found = simulate(seed, folder, hours=24)
    assert not found.faults, (found.chosen, found.faults)
    assert found.figures["readings"] > 4000
    assert found.figures["looks"] > 20
    assert found.figures["beds"] > 5
