"""Tables that come from a spreadsheet, or go to one: dialects of CSV, numbers in them, cells that are no formulas."""

import csv
import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TypeVar

FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What makes a cell a formula (OWASP, "CSV Injection", from memory)."""
MOST_ROWS = 5_000
Taken = TypeVar("Taken")
GROUPED = re.compile(r"\d{1,3}([.\s']\d{3})+(,\d+)?|\d{1,3}(,\d{3})+(\.\d+)?")


def text_of(data: bytes) -> str:
    """The text of a file: UTF-8 with or without a byte-order mark, else Windows-1252."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")


class Sheet:
    """A table as it was read.

    UTF-8 with or without a byte-order mark, else Windows-1252; comma, semicolon or tab, whichever the first line has
    most of; decimal commas where the separator is none.

    Args:
        data: the file.
        meant: column by heading in lower case.
    """

    def __init__(self, data: bytes, meant: Mapping[str, str]) -> None:
        text = text_of(data)
        first = text.partition("\n")[0]
        self._mark = max(";\t,", key=first.count)
        self._lines = csv.reader(text.splitlines(keepends=True), delimiter=self._mark)
        try:
            self.head = [meant.get(cell.strip().lower(), "") for cell in next(self._lines, [])]
        except csv.Error:
            self.head = []

    def each(self, take: Callable[[int, dict[str, str]], Taken]) -> tuple[list[Taken], list[str]]:
        """What `take` makes of every row that is not blank, by line number and cells; and what is wrong, by line.

        `take` raises ValueError with what is wrong.
        """
        found: list[Taken] = []
        wrong: list[str] = []
        try:
            for cells in self._lines:
                if not any(cell.strip() for cell in cells):
                    continue
                line = self._lines.line_num
                if len(found) + len(wrong) >= MOST_ROWS:
                    wrong.append(f"line {line}: more than {MOST_ROWS} rows")
                    break
                try:
                    found.append(take(line, dict(zip(self.head, (cell.strip() for cell in cells), strict=False))))
                except ValueError as error:
                    wrong.append(f"line {line}: {error}")
        except csv.Error as error:
            wrong.append(f"line {self._lines.line_num}: {error}")
        return found, wrong

    def number(self, cell: str) -> float:
        """A number; ValueError says what is wrong with it. A figure in groups of three is not guessed at."""
        if GROUPED.fullmatch(cell):
            raise ValueError(f"{cell[:20]!r} can be read in two ways: write it without marks between thousands")
        try:
            found = float(cell.replace(",", ".") if self._mark != "," else cell)
        except ValueError:
            found = math.nan
        if not math.isfinite(found):
            raise ValueError(f"{cell[:20]!r} is no number")
        return found


def bare(cell: str, what: str) -> str:
    """A cell's words, without the apostrophe that keeps a spreadsheet from taking it for a formula.

    ValueError for a formula.
    """
    if cell.startswith("'") and cell[1:].startswith(FORMULA):
        cell = cell[1:]
    elif cell.startswith(FORMULA):
        raise ValueError(f"{what} cannot be called {cell[:20]!r}: it is a formula")
    return cell


def harmless(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{cell}" if cell.startswith(FORMULA) else cell


class _Sink:
    """Where a CSV writer can put its lines."""

    def __init__(self) -> None:
        self.parts: list[str] = []

    def write(self, text: str) -> None:
        """Take a line."""
        self.parts.append(text)


def written(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table as CSV (RFC 4180); None is an empty cell."""
    out = _Sink()
    table = csv.writer(out)
    table.writerow(head)
    for row in rows:
        table.writerow(
            ["" if c is None else f"{c:.10g}" if isinstance(c, int | float) else harmless(str(c)) for c in row]
        )
    return "".join(out.parts)
