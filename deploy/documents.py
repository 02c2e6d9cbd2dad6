"""Writes the README's tables anew from the code: keys, quantities, alarms. Run: python deploy/documents.py."""

# ruff: noqa: INP001  (a tool beside the package, no part of it)

import re
import sys
from collections.abc import Callable
from pathlib import Path

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


PAGES: dict[Path, Callable[[], str]] = {README.parent / "docs" / "alarms.md": page}
"""Pages that are written whole."""

if __name__ == "__main__":
    before = README.read_text("utf-8")
    README.write_text(filled(before), "utf-8")
    sys.stderr.write("README.md " + ("is as it was\n" if filled(before) == before else "written anew\n"))
    for path, write in PAGES.items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(write(), "utf-8")
