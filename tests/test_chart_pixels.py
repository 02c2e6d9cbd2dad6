"""Thinned series against whole ones, pixel by pixel: an integer rasteriser draws both.

That first, least, greatest and last of each column of pixels draw the same line is the theorem of Jugel, Jerzak,
Hackenbroich and Markl (M4, PVLDB 7(10), 2014, 797-808); lines by Bresenham's algorithm (IBM Systems Journal 4, 1965).
"""

import math
import random

import pytest

from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.words.model import Observed

T0 = 20_000 * 86_400.0
HIGH = 160


def line(lit, x, y, to_x, to_y):
    wide, tall = abs(to_x - x), -abs(to_y - y)
    step_x, step_y, error = (1 if x < to_x else -1), (1 if y < to_y else -1), wide + tall
    while True:
        lit.add((x, y))
        if (x, y) == (to_x, to_y):
            return
        twice = 2 * error
        if twice >= tall:
            error, x = error + tall, x + step_x
        if twice <= wide:
            error, y = error + wide, y + step_y


def drawn(rows, start_s, end_s, wide, low, high):
    """Pixels of the lines between neighbouring known rows."""
    lit, before = set(), None
    span_ms = round((end_s - start_s) * 1000) + 1
    for at_s, value in rows:
        if math.isnan(value):
            before = None
            continue
        x = round((at_s - start_s) * 1000) * wide // span_ms
        here = x, int((value - low) / (high - low) * (HIGH - 1))
        line(lit, *(before or here), *here)
        before = here
    return lit


def story(seed, kind):
    """Readings with peaks of a single sample, silences, and stretches in which the value was unknown."""
    dice, at_s, rows = random.Random(seed), T0, []
    while at_s < T0 + 40_000:
        value = 100 + 60 * math.sin(at_s / 900) + dice.gauss(0, 15)
        if kind == "steps":
            value = dice.choice((0.0, 6.0, 240.0))
        if dice.random() < 0.001:
            value = dice.choice((0.0, 400.0))
        unknown = kind == "holes" and dice.random() < 0.01
        rows.append((round(at_s, 3), None if unknown else value))
        at_s += dice.uniform(1.9, 2.1) if kind == "jitter" else 2.0
        if kind == "gaps" and dice.random() < 0.002:
            at_s += dice.uniform(70, 900)
    return rows


@pytest.mark.parametrize("kind", ["even", "jitter", "steps", "gaps", "holes"])
@pytest.mark.parametrize("wide", [64, 360, 1000])
async def test_no_pixel_differs(tmp_path, kind, wide):
    store = EmbeddedSeries(tmp_path / "history.db")
    store.append(Observed(at_s, "avocet", "plug", {"power_w": value}) for at_s, value in story(7, kind))
    for start_s, end_s in ((T0, T0 + 40_000), (T0 + 1_234.5, T0 + 30_001.2)):
        whole = list((await store.read("avocet", "power_w", start_s, end_s, 10**6)).rows())
        thin = list((await store.read("avocet", "power_w", start_s, end_s, 4 * wide)).rows())
        scale = start_s, end_s, wide, 0.0, 420.0
        one, other = drawn(whole, *scale), drawn(thin, *scale)
        assert len(thin) < len(whole) or wide == 1000
        assert one == other, f"{len(one ^ other)} of {len(one)} pixels differ"
        crude = drawn(whole[:: max(2, len(whole) // len(thin))], *scale)
        assert kind == "steps" or wide == 1000 or crude != one, "every n-th reading would be seen"
    await store.close()
