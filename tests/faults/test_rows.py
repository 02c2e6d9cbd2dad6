"""The registry of fault rows is whole: every row has its tests, every test exists, no row is missing."""

import ast
import functools
import json
import re
from pathlib import Path

import pytest
from rows import ROWS

ROOT = Path(__file__).parents[2]


@functools.cache
def collected(file):
    """Names of the tests that pytest collects from a file, those of generated classes included."""
    found = set()
    for node in ast.parse((ROOT / file).read_text("utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_"):
            found.add(node.name)
        elif isinstance(node, ast.ClassDef) and node.name.startswith("Test"):
            found |= {f"{node.name}::{part.name}" for part in node.body if isinstance(part, ast.FunctionDef)}
        elif isinstance(node, ast.Assign) and ast.unparse(node.value).endswith(".TestCase"):
            found |= {f"{ast.unparse(target)}::runTest" for target in node.targets}
    return found


def test_there_are_forty_eight_rows_each_once():
    assert [row.number for row in ROWS] == list(range(1, 49))
    assert len({row.name for row in ROWS}) == 48
    assert all(re.fullmatch(r"[a-z0-9_]+", row.name) for row in ROWS)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.number:02d}-{row.name}")
def test_row(row):
    """Its tests exist where the registry says, and it is described."""
    assert row.tests
    assert len(set(row.tests)) == len(row.tests)
    for test in row.tests:
        file, _, name = test.partition("::")
        assert name in collected(file), f"row {row.number}: {test} does not exist"
    for words in (row.fault, row.expected, row.how):
        assert len(words) > 3


def test_every_test_that_is_named_after_a_row_is_in_that_row():
    for path in sorted((ROOT / "tests/faults").glob("test_rows_*.py")):
        for name in collected(path.relative_to(ROOT)):
            numbers = [int(number) for number in re.findall(r"(?:row|and)_(\d\d)_", f"{name}_")]
            assert numbers, name
            for number in numbers:
                test = f"{path.relative_to(ROOT)}::{name}"
                assert test in ROWS[number - 1].tests, f"{test} is not in row {number}"


def test_every_test_by_hand_has_the_day_on_which_it_last_passed_or_says_that_it_has_none():
    marked = set()
    for path in (ROOT / "tests").rglob("test_*.py"):
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and "BY_HAND" in " ".join(map(ast.unparse, node.decorator_list)):
                marked.add(f"{path.relative_to(ROOT)}::{node.name}")
    days = json.loads((ROOT / "tests/faults/by_hand.json").read_text("utf-8"))
    assert days.keys() == marked
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\d|not yet", day) for day in days.values())


def test_marks_are_set(request, pytestconfig):
    """tests/conftest.py marks what is collected; this very session holds at least this file."""
    marked = [item for item in request.session.items if item.get_closest_marker("row")]
    ours = {item.nodeid.partition("[")[0] for item in request.session.items}
    wanted = {test for row in ROWS for test in row.tests}
    assert {item.nodeid.partition("[")[0] for item in marked} == ours & wanted
