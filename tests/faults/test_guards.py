"""The quick ones of the guards are taken out one by one, and each time the test of its row is seen to fail.

All of them by hand: tests/bench/guards.py.
"""

import importlib.util
from pathlib import Path

import pytest
from guards import GUARDS
from rows import ROWS

ROOT = Path(__file__).parents[2]
# A patch must be seen by the tests of its row; which of them are tried here is a matter of time.
IN_CI = tuple(guard for guard in GUARDS if guard.quick)[::5]


def bench():
    spec = importlib.util.spec_from_file_location("bench_guards", ROOT / "tests/bench/guards.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def tree(tmp_path_factory):
    return bench().copy_tree(tmp_path_factory.mktemp("tree"))


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: f"{guard.row:02d}-{guard.test.rpartition('::')[2]}")
def test_every_guard_stands_where_it_is_said_to(guard):
    assert (ROOT / guard.file).read_text("utf-8").count(guard.old) == 1
    assert guard.old != guard.new
    file, _, name = guard.test.partition("::")
    assert f"def {name}(" in (ROOT / file).read_text("utf-8")


def test_guards_belong_to_rows():
    assert {guard.row for guard in GUARDS} <= {row.number for row in ROWS}
    assert {guard.row for guard in GUARDS} == set(range(1, 49)), "every row has one"


@pytest.mark.timeout(300)
@pytest.mark.parametrize("guard", IN_CI, ids=lambda guard: f"{guard.row:02d}-{guard.what.replace(' ', '-')}")
def test_without_its_guard_a_row_s_test_fails(guard, tree):
    failed, last = bench().seen_to_fail(tree, guard)
    assert failed, f"{guard.test} does not notice that this is gone: {guard.what}: {last}"
