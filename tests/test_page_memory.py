"""What the page keeps of its drawings depends on the farm, not on how long it has been open."""

import gc
import sys
import weakref
from functools import _lru_cache_wrapper

import pytest
import web_sample
from web_sample import NAMES

from farmwatch.web import machine_cell
from farmwatch.web.latest import Latest
from farmwatch.web.panels import render

ROUNDS = 40


class Row(dict):
    """A dict of which one can ask whether it is still there."""


def later(view, number):
    """The same shop so many minutes on: every machine a little warmer."""
    now_s = view["at_s"] + 60.0 * number
    machines = [Row(m | {"bed_c": 22.0 + number, "since_s": now_s - 60.0}) for m in view["machines"]]
    return Row(view | {"at_s": now_s, "machines": machines})


@pytest.mark.parametrize("sample", [web_sample.usual, web_sample.outage, web_sample.blank])
def test_an_open_page_holds_nothing_of_earlier_views(sample):
    begin = sample()
    drawn = []
    for number in range(ROUNDS):
        view = later(begin, number)
        drawn.append([weakref.ref(view), *map(weakref.ref, view["machines"])])
        render(view)
    del view
    gc.collect()
    left = [number for number, rows in enumerate(drawn) for row in rows if row() is not None]
    assert set(left) <= {ROUNDS - 1}, f"views of these rounds are still held: {sorted(set(left))}"
    cells = len(machine_cell.drawings), len(machine_cell.sayings)
    assert max(cells) <= len(NAMES) * 2 + 10, cells


def test_the_last_drawing_of_a_subject_is_kept_while_its_key_stays():
    drawn = []

    def draw(what):
        drawn.append(what)
        return f"drawing of {what}"

    kept = Latest(draw, 2)
    assert [kept("ibis", 1, "a"), kept("ibis", 1, "b"), kept("ibis", 2, "c"), kept("ibis", 1, "d")] == [
        "drawing of a", "drawing of a", "drawing of c", "drawing of d"]  # fmt: skip
    assert drawn == ["a", "c", "d"]
    assert len(kept) == 1
    kept("knot", 1, "e")
    kept("heron", 1, "f")  # the third of two: the first gives way
    assert len(kept) == 2
    assert kept("knot", 1, "g") == "drawing of e"
    assert kept("ibis", 1, "h") == "drawing of h"


def test_every_cache_of_calls_has_a_bound():
    found = {
        f"{name}.{key}": one.cache_parameters()["maxsize"]
        for name, module in list(sys.modules.items()) if name.startswith("farmwatch.")
        for key, one in vars(module).items() if isinstance(one, _lru_cache_wrapper)
    }  # fmt: skip
    assert found
    assert not [name for name, most in found.items() if most is None]
