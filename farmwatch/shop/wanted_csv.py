"""Wanted quantities as CSV, in and out."""

import re
from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from farmwatch.shop.orders import due_of
from farmwatch.shop.sheets import Sheet, bare, written
from farmwatch.words.errors import Refused
from farmwatch.words.rounds import WantedView

HEAD = ("job", "pieces", "due")
MEANT = {"job": "job", "name": "job", "part": "job", "pieces": "pieces", "quantity": "pieces", "qty": "pieces",
         "wanted": "pieces", "due": "due", "due date": "due"}  # fmt: skip
DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})")


class Row(NamedTuple):
    """Pieces of a job by a date; `due` in a form that `orders.due_of` reads, "" for none."""

    line: int
    job: str
    pieces: float
    due: str


def read(data: bytes, timezone: str = "UTC") -> tuple[list[Row], list[str]]:
    """Rows, and what is wrong, each with its line. A file with anything wrong should not be taken at all.

    Dates are 2026-11-27, 27.11.2026 or RFC 3339 with offset; with strokes they could be read in two ways.
    """
    table = Sheet(data, MEANT)
    if "job" not in table.head or "pieces" not in table.head:
        return [], ["line 1: columns job and pieces are needed (and due, if there are dates)"]
    lines: dict[str, int] = {}
    return table.each(lambda line, cells: _row(table, line, cells, timezone, lines))


def _row(table: Sheet, line: int, cells: dict[str, str], timezone: str, lines: dict[str, int]) -> Row:
    job = bare(cells.get("job", ""), "a job")
    if not job:
        raise ValueError("no job")
    if job in lines:
        raise ValueError(f"{job[:40]!r} stands on line {lines[job]} already")
    if len(job) > 200:
        raise ValueError("the job's name is longer than 200 characters")
    number = cells.get("pieces", "")
    try:
        pieces = table.number(number)
    except ValueError as error:
        raise ValueError(f"{error}: how many pieces?") from None
    if not 0 <= pieces <= 1e6:
        raise ValueError(f"{number[:20]} pieces: from 0 to 1000000")
    due = cells.get("due", "")
    if (dotted := DOTTED.fullmatch(due)) is not None:
        due = f"{dotted[3]}-{dotted[2]:0>2}-{dotted[1]:0>2}"
    if due:
        try:
            due_of(due, timezone)
        except Refused as error:
            raise ValueError(f"{error.args[0]}; {error.hint}") from None
    lines[job] = line
    return Row(line, job, pieces, due)


def write(wanted: Iterable[WantedView], due: dict[str, str]) -> str:
    """What is still wanted (RFC 4180). No cell is a formula to a spreadsheet.

    Args:
        wanted: the work list.
        due: dates by job, as they are to be written.
    """
    return written(HEAD, ((row["job"], row["left"], due.get(row["job"], "")) for row in wanted))


def dues(wanted: Iterable[WantedView], timezone: str) -> dict[str, str]:
    """Due dates by job: the day where it is the end of one on the site's clock, else RFC 3339."""
    zone = ZoneInfo(timezone)
    return {row["job"]: _due(row["due_s"], zone) for row in wanted if row["due_s"] is not None}


def _due(due_s: float, zone: ZoneInfo) -> str:
    at = datetime.fromtimestamp(due_s, UTC).astimezone(zone)
    if at.time() == time(0):
        return (at.date() - timedelta(days=1)).isoformat()
    return at.isoformat(timespec="seconds")
