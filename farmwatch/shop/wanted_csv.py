"""Wanted quantities as CSV, in and out: byte-order mark, semicolons, decimal commas, cells that are no formulas."""

import csv
from collections.abc import Iterable
from typing import NamedTuple

from farmwatch.words.rounds import WantedView

HEAD = ("job", "pieces", "due")
MEANT = {"job": "job", "name": "job", "part": "job", "pieces": "pieces", "quantity": "pieces", "qty": "pieces",
         "wanted": "pieces", "due": "due", "due date": "due"}  # fmt: skip
FORMULA = ("=", "+", "-", "@", "\t", "\r")
MOST_ROWS = 5_000


class _Sink:
    """Where a CSV writer can put its lines."""

    def __init__(self) -> None:
        self.parts: list[str] = []

    def write(self, text: str) -> None:
        """Take a line."""
        self.parts.append(text)


class Row(NamedTuple):
    """Pieces of a job by a date; `due` as it stands there, "" for none."""

    line: int
    job: str
    pieces: float
    due: str


def read(data: bytes) -> tuple[list[Row], list[str]]:
    """Rows, and what is wrong, each with its line. A file with anything wrong should not be taken at all.

    UTF-8 with or without a byte-order mark, else Windows-1252; comma, semicolon or tab, as the first line has them;
    decimal commas where the separator is none.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    first = text.partition("\n")[0]
    mark = max(";\t,", key=first.count)
    lines = csv.reader(text.splitlines(keepends=True), delimiter=mark)
    head = [MEANT.get(cell.strip().lower(), "") for cell in next(lines, [])]
    if "job" not in head or "pieces" not in head:
        return [], ["line 1: columns job and pieces are needed (and due, if there are dates)"]
    rows: list[Row] = []
    wrong: list[str] = []
    for cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        if len(rows) + len(wrong) >= MOST_ROWS:
            wrong.append(f"line {lines.line_num}: more than {MOST_ROWS} rows")
            break
        row = dict(zip(head, (cell.strip() for cell in cells), strict=False))
        found = _row(lines.line_num, row, commas=mark != ",")
        if isinstance(found, Row):
            rows.append(found)
        else:
            wrong.append(f"line {lines.line_num}: {found}")
    return rows, wrong


def _row(line: int, row: dict[str, str], *, commas: bool) -> Row | str:
    job, number = _bare(row.get("job", "")), row.get("pieces", "")
    if not job:
        return "no job"
    if job.startswith(FORMULA):
        return f"a job cannot be called {job[:20]!r}: it is a formula"
    if len(job) > 200:
        return "the job's name is longer than 200 characters"
    try:
        pieces = float(number.replace(",", ".") if commas else number)
    except ValueError:
        return f"{number[:20]!r} is no number of pieces"
    if not 0 <= pieces <= 1e6:
        return f"{number[:20]} pieces: from 0 to 1000000"
    return Row(line, job, pieces, row.get("due", ""))


def _bare(cell: str) -> str:
    """A cell without the apostrophe that keeps a spreadsheet from taking it for a formula."""
    return cell[1:] if cell.startswith("'") and not cell[1:].startswith(FORMULA) else cell


def write(wanted: Iterable[WantedView], due: dict[str, str]) -> str:
    """What is still wanted (RFC 4180). No cell is a formula to a spreadsheet.

    Args:
        wanted: the work list.
        due: dates by job, as they are to be written.
    """
    out = _Sink()
    table = csv.writer(out)
    table.writerow(HEAD)
    for row in wanted:
        job = f"'{row['job']}" if row["job"].startswith(FORMULA) else row["job"]
        table.writerow((job, f"{row['left']:g}", due.get(row["job"], "")))
    return "".join(out.parts)
