"""Writes the README's tables anew from the code: keys, quantities, alarms. Run: python deploy/documents.py."""

# ruff: noqa: INP001  (a tool beside the package, no part of it)

import importlib.util
import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from farmwatch.cli_tables import alarm_table
from farmwatch.cli_wordings import page
from farmwatch.settings import reference
from farmwatch.words.quantities import TABLE, UNITS, Kind

README = Path(__file__).parents[1] / "README.md"


def quantities() -> str:
    """Every quantity, what it is, its unit and the units that a mapping may give."""
    lines = ["| quantity | what | units of a mapping, the first is assumed |", "|---|---|---|"]
    for row in TABLE:
        known = [row.unit, *(unit for unit in UNITS[row.unit] if unit != row.unit)] if row.unit else []
        what = {Kind.WORD: "word", Kind.TEXT: "text", Kind.FLAG: "true or false"}.get(row.kind, "")
        lines.append(f"| `{row.name}` | {row.about} | {', '.join(f'`{unit}`' for unit in known) or what} |")
    return "\n".join(lines) + "\n"


TABLES: dict[str, Callable[[], str]] = {"keys": reference, "quantities": quantities, "alarms": alarm_table}


def filled(text: str) -> str:
    """The text with every table between its marks written anew."""
    for name, table in TABLES.items():
        start, end = f"<!-- {name} -->\n", f"<!-- /{name} -->"
        if start not in text or end not in text:
            raise SystemExit(f"README.md has no place for {name}: {start.strip()} ... {end}")
        text = re.sub(re.escape(start) + ".*?" + re.escape(end), lambda _: start + table() + end, text, flags=re.DOTALL)  # noqa: B023  (called at once)
    return text


FAULTS = README.parent / "tests" / "faults"
FAULTS_HEAD = """# Faults: what can go wrong, and which test shows what happens then

Made by `deploy/documents.py` from `tests/faults/rows.py`; do not edit. `pytest -m "row(number=7)"` runs the tests of
row 7. In each: the process lives or is started again, no task fails unseen, no secret gets out, `/healthz` is true,
memory stays bounded. CI runs all tests but those said to be by hand (`FARMWATCH_LONG=1`), which have the day on which
they last passed; so a row's result is that of the last run of `.ci/run`, and a row whose test is gone fails there.

**Seen to fail**: `tests/bench/guards.py` takes the guard out of a copy of the tree and runs the test, which must fail.
The date is that of the last time this was seen; `test_guards.py` tries a part of them at every run.

**By what means**: rows 7, 22, 23, 24 and 39 cut the network with the kernel where it lets us: a network namespace of
the test's own joined by a pair of virtual cables, nftables on its far side (drop, reset, a share of the packets), the
link taken down; a mount namespace whose names come from a server of ours. That wants root with CAP_NET_ADMIN and
CAP_SYS_ADMIN, `ip` and `nft` (Debian: iproute2, nftables). Where it may not be, the same tests run through our own
proxies, never skipped, and the end of each run says for each which of the two it was, and why;
`FARMWATCH_NETWORK=proxy` chooses the proxies. Tried on 2026-11-25 on Debian 12, where the kernel lets us.

**Power cuts** (row 17): the real journal and the real history store on a disk that keeps, loses or tears each piece
that was not synced: 50 places in CI, 500 by hand, at each both open as they are, hold all that was said to be written,
and nothing else. On 2026-11-25: 500 of 500, all in a write, 4,050 unsynced pieces lost or torn.

| row | fault | what must happen | by what means | tests |
|---|---|---|---|---|
"""


def _from_tests(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, FAULTS / f"{name}.py")
    if spec is None or spec.loader is None:
        raise SystemExit(f"{FAULTS / name}.py is not there")
    module = importlib.util.module_from_spec(spec)
    sys.modules.setdefault(name, module)
    spec.loader.exec_module(module)
    return module


def faults() -> str:
    """Every fault row with its tests, and every guard with the day on which its test was seen to fail without it."""
    lines = []
    by_hand = json.loads((FAULTS / "by_hand.json").read_text("utf-8"))
    for row in _from_tests("rows").ROWS:
        files: dict[str, list[str]] = {}
        for test in row.tests:
            file, _, name = test.partition("::")
            when = f" (by hand: {by_hand[test]})" if test in by_hand else ""
            files.setdefault(file.removeprefix("tests/"), []).append(name + when)
        shown = "; ".join(f"`{file}`: {', '.join(names)}" for file, names in files.items())
        lines.append(f"| {row.number} | {row.fault} | {row.expected} | {row.how} | {shown} |")
    lines += ["", "| row | guard that is taken out | test that fails then | seen |", "|---|---|---|---|"]
    seen = json.loads((FAULTS / "seen.json").read_text("utf-8"))
    for guard in _from_tests("guards").GUARDS:
        day = seen.get(f"{guard.test} | {guard.what}", "not yet")
        lines.append(f"| {guard.row} | {guard.what} | `{guard.test.removeprefix('tests/')}` | {day} |")
    return FAULTS_HEAD + "\n".join(lines) + "\n"


PAGES: dict[Path, Callable[[], str]] = {
    README.parent / "docs" / "alarms.md": page, README.parent / "docs" / "faults.md": faults
}  # fmt: skip
"""Pages that are written whole."""

if __name__ == "__main__":
    before = README.read_text("utf-8")
    README.write_text(filled(before), "utf-8")
    sys.stderr.write("README.md " + ("is as it was\n" if filled(before) == before else "written anew\n"))
    for path, write in PAGES.items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(write(), "utf-8")
