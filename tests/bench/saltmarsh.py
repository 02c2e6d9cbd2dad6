"""A day of Saltmarsh Works from the scenario as columns, and as many more days as wanted, cheaply.

Further days repeat the first one with every value shaken by a step of its resolution at random places and the times
moved on, so that no two days are the same bytes.
"""

import random
from array import array
from importlib.resources import files
from itertools import compress
from pathlib import Path

import numpy as np

from farmwatch.assemble import build_intake
from farmwatch.scenario.world import World
from farmwatch.settings import load
from farmwatch.stores.embedded.blocks import Frame, settled
from farmwatch.stores.embedded.coding import scale
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES, Kind

DAY_MS = 86_400_000
START_S = 1_789_948_800.0  # a UTC midnight
FOUR = ("power_w", "bed_c", "nozzle_c", "progress")
"""What the figures that others have published of such days speak of: four quantities a machine."""

Day = dict[tuple[str, str], Frame]


def one_day(folder: Path, seed: int = 7) -> Day:
    """What the shop's devices send in a day, through the real mappings."""
    with_folders = {"data_dir": str(folder), "secrets_dir": str(folder / "secrets")}
    intake = build_intake(load(str(files("farmwatch.scenario").joinpath("demo.toml")), with_folders))
    world = World(seed, START_S)
    day: Day = {}
    for item in world.inputs(START_S, START_S + 86_400):
        for event in intake.decode(item):
            if isinstance(event, Observed) and not event.retained:
                row = {}
                for name, value in event.values.items():
                    if QUANTITIES[name].kind in (Kind.NUMBER, Kind.FLAG):
                        number = scale(QUANTITIES[name], value)
                        if number is not None:
                            row[name] = number
                if row:
                    day.setdefault((event.subject, event.source), Frame()).add(round(event.at_s * 1000), row)
    return {key: settled(frame) for key, frame in day.items()}


def only(day: Day, quantities: tuple[str, ...]) -> Day:
    """Some quantities alone."""
    found = {}
    for key, frame in day.items():
        columns = {name: column for name, column in frame.columns.items() if name in quantities}
        if columns:
            found[key] = Frame(frame.times, columns)
    return found


def regular(day: Day) -> Day:
    """Times on the source's own grid."""
    found = {}
    for key, frame in day.items():
        steps = sorted(b - a for a, b in zip(frame.times, frame.times[1:], strict=False))
        step = max(1, round(steps[len(steps) // 2] / 100) * 100)
        times = array("q", (round(t / step) * step for t in frame.times))
        found[key] = settled(Frame(times, frame.columns))
    return found


def jittered(day: Day, sigma_ms: float = 20.0, seed: int = 1) -> Day:
    """Times as a busy network brings them."""
    rng = random.Random(seed)
    return {
        key: settled(Frame(array("q", (t + round(rng.gauss(0, sigma_ms)) for t in frame.times)), frame.columns))
        for key, frame in day.items()
    }


def another(day: Day, number: int) -> Day:
    """The day again, `number` days later, not the same."""
    rng = np.random.default_rng(number)
    found = {}
    for key, frame in day.items():
        columns = {}
        for name, column in frame.columns.items():
            shaken = np.array(column)
            if len(np.unique(shaken[:500])) > 4 or len(np.unique(shaken)) > 50:  # not targets and flags
                where = rng.choice(len(shaken), len(shaken) // 8, replace=False)
                where = where[shaken[where] > 1]
                shaken[where] += rng.choice((-1, 1), len(where)).astype(shaken.dtype)
            columns[name] = array(column.typecode, shaken.tobytes())
        times = np.array(frame.times) + number * DAY_MS
        found[key] = Frame(array("q", times.tobytes()), columns)
    return found


def rows(day: Day):
    """(series number, subject, source, quantity, resolution, times, scaled values) a series, without absent rows."""
    number = 0
    for (subject, source), frame in sorted(day.items()):
        for name, column in frame.columns.items():
            there = [value > -(2**31) + 1 for value in column]
            number += 1
            yield (number, subject, source, name, QUANTITIES[name].resolution, array("q", compress(frame.times, there)),
                   array("q", compress(column, there)))  # fmt: skip


def count(day: Day) -> int:
    """Readings of a day."""
    return sum(frame.values() for frame in day.values())
