"""Marks every test that shows a fault row with the row's number: pytest -m "row(number=7)"."""

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "faults"))

from rows import ROWS


def pytest_configure(config):
    config.addinivalue_line("markers", "row(number): shows what is done about a fault; the table: tests/faults/rows.py")
    config.addinivalue_line("markers", "by_hand: takes long; collected with FARMWATCH_LONG=1 only, never skipped")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    if not os.environ.get("FARMWATCH_LONG"):
        later = [item for item in items if item.get_closest_marker("by_hand")]
        if later:
            config.hook.pytest_deselected(items=later)
            items[:] = [item for item in items if item not in later]
    numbers: dict[str, list[int]] = {}
    for row in ROWS:
        for test in row.tests:
            numbers.setdefault(test, []).append(row.number)
    for item in items:
        for number in numbers.get(item.nodeid.partition("[")[0], ()):
            item.add_marker(pytest.mark.row(number=number))


def pytest_terminal_summary(terminalreporter):
    """By which means a fault was made, where there is a choice."""
    rows = {
        (report.nodeid, words)
        for report in terminalreporter.getreports("passed") + terminalreporter.getreports("failed")
        for key, words in report.user_properties
        if key == "by means of"
    }
    for test, words in sorted(rows):
        terminalreporter.write_line(f"{test}: {words}")
