"""docs/security.md: every test that it names exists, and every item that was set is in it.

The items are those of OWASP ASVS 5.0 (github.com/OWASP/ASVS) that were chosen for this house.
"""

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs/security.md").read_text("utf-8")
NAMED = sorted(set(re.findall(r"`(tests/[\w/.]+\.py)(?:::(\w+))?`", PAGE)))
ITEMS = (
    "1.2.1", "1.2.2", "1.2.3", "1.2.4", "1.2.5", "1.2.10", "1.3.6", "1.5.1", "2.2.1", "2.2.2", "2.3.3", "2.4.1",
    "3.2.1", "3.2.2", "3.3.1", "3.3.2", "3.3.4", "3.4.1", "3.4.2", "3.4.3", "3.4.4", "3.4.5", "3.4.6", "3.5.1",
    "3.5.2", "3.5.3", "3.6.1", "13.1.3", "13.2.3", "13.2.4", "13.3.1", "13.4.2", "13.4.5", "15.1.2", "15.2.1",
    "15.3.2", "15.3.3", "15.4.1", "16.2.2", "16.2.5", "16.3.1", "16.3.2", "16.4.1", "16.5.1", "16.5.2", "16.5.3",
    "16.5.4",
)  # fmt: skip


@pytest.mark.parametrize(("file", "name"), NAMED)
def test_every_test_that_is_named_exists(file, name):
    tree = ast.parse((ROOT / file).read_text("utf-8"))
    tests = {n.name for n in tree.body if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)}
    assert not name or name in tests


@pytest.mark.parametrize("item", ITEMS)
def test_every_item_is_in_the_page(item):
    assert re.search(rf"(?<![\d.]){re.escape(item)}(?![\d.])", PAGE)


def test_every_row_names_a_test_or_says_why_not():
    rows = [row for row in PAGE.splitlines() if row.startswith("| ") and not row.startswith("| item")]
    assert len(rows) > 50
    for row in rows:
        last = row.rstrip("| ").rpartition("|")[2]
        assert "`tests/" in last or "no test: " in last or last.strip().startswith("rule "), row
