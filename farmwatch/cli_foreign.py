"""A CSV from elsewhere: one column of times, one of values. Byte-order mark, semicolons, decimal commas are borne."""

import csv
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import TextIO
from zoneinfo import ZoneInfo

from farmwatch.cli_forms import BadLine, Reading, checked, seconds
from farmwatch.wire.times import parse as parse_time
from farmwatch.words.errors import BadPayload, FarmwatchError
from farmwatch.words.quantities import QUANTITIES, UNITS

DELIMITERS = ";\t,|"
TIME_FORMS = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%Y/%m/%d %H:%M:%S",
              "%Y-%m-%d %H:%M:%S.%f")  # fmt: skip
"""Forms that can be read one way alone; 03/04/2026 can not: say --time-format."""


@dataclass(frozen=True, slots=True)
class Mapping:
    """Which columns, and what their values mean."""

    subject: str
    time: str
    value: str
    quantity: str = "power_w"
    unit: str = ""
    timezone: str = "UTC"
    time_format: str = ""

    def scale(self) -> tuple[float, float]:
        """Factor and offset to the quantity's unit; raises FarmwatchError for names that are not known."""
        row = QUANTITIES.get(self.quantity)
        if row is None or row.unit not in UNITS or not row.unit:
            raise FarmwatchError(f'"{self.quantity}" is no quantity of numbers', hint="see the table of quantities")
        known = UNITS[row.unit]
        if self.unit and self.unit not in known:
            raise FarmwatchError(f"{self.quantity} cannot be given in {self.unit}", hint=f"one of {', '.join(known)}")
        return known[self.unit] if self.unit else (1.0, 0.0)


class LocalClock:
    """Local times to epoch seconds; of the two meanings of an hour in autumn the one that the rows before it allow.

    Rows go on in one direction, so a local time that would go back is of the second pass (the first where a file has
    its newest row first). Raises BadPayload for an hour that spring leaves out.
    """

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self._before_s = math.nan
        self._step_s = 0.0

    def seconds(self, at: datetime) -> float:
        """Epoch seconds of a time without a zone."""
        one, other = (at.replace(tzinfo=self._zone, fold=fold).timestamp() for fold in (0, 1))
        if one > other:
            raise BadPayload(f"{at:%Y-%m-%d %H:%M} is left out by the change to summer time in {self._zone.key}")
        found = one
        if one != other:
            if self._step_s < 0:
                found = other if other <= self._before_s else one
            elif one < self._before_s or (one == self._before_s and self._step_s >= other - one):
                found = other
        return found

    def passed(self, at_s: float) -> None:
        """A row has this time."""
        if at_s != self._before_s and not math.isnan(self._before_s):
            self._step_s = at_s - self._before_s
        self._before_s = at_s


def read_foreign(file: TextIO, mapping: Mapping) -> Iterator[Reading | BadLine]:
    """Readings of a CSV; raises FarmwatchError at once where a column is missing.

    Columns are told by their names in the head, two of a time as "Date+Time", or by their numbers from 1; by numbers a
    first line that is a reading already is one.
    """
    factor, offset = mapping.scale()
    head, lead = file.readline(), 1
    delimiter = max(DELIMITERS, key=head.count)
    if head.lower().startswith("sep=") and len(head.strip()) == len("sep=;"):  # as spreadsheets write it
        delimiter, head, lead = head[4], file.readline(), 2
    cells = next(csv.reader([head], delimiter=delimiter), [])
    if not any(cell.strip() for cell in cells):
        raise FarmwatchError("the file is empty" if not head else "the first line is empty: it should name the columns")
    names = [name.strip() for name in cells]
    time_at = _columns(mapping.time, names)
    (value_at,) = _columns(mapping.value, names, most=1)
    clock = LocalClock(ZoneInfo(mapping.timezone))

    def reading(cells: list[str], number: int) -> Reading | BadLine:
        try:
            at_s = moment(" ".join(cells[at].strip() for at in time_at), clock.seconds, mapping.time_format)
            clock.passed(at_s)
            text = cells[value_at].strip()
            value = _number(text, decimal_comma=delimiter != ",") * factor + offset if text else math.nan
            return checked(at_s, mapping.subject, mapping.quantity, value)
        except IndexError:
            return BadLine(number, f"{len(cells)} cells, fewer than the head has")
        except (BadPayload, ValueError) as error:
            return BadLine(number, str(error)[:200])

    if mapping.time not in names and "+" not in mapping.time:
        first = reading(cells, lead)
        if isinstance(first, Reading):
            yield first
    rows = csv.reader(file, delimiter=delimiter)
    for cells in rows:
        if cells:
            yield reading(cells, rows.line_num + lead)


def _columns(wanted: str, names: list[str], most: int = 9) -> list[int]:
    """Where a column is, or the parts of one; raises FarmwatchError where it is not."""
    if wanted in names:
        return [names.index(wanted)]
    parts = wanted.split("+")
    if len(parts) <= most and all(part in names for part in parts):
        return [names.index(part) for part in parts]
    if wanted.isascii() and wanted.isdigit() and 1 <= int(wanted) <= len(names):
        return [int(wanted) - 1]
    raise FarmwatchError(
        f'there is no column "{wanted}"',
        hint=f"there are: {', '.join(names)[:300]}; without a head say their numbers: --time 1 --value 2",
    )


def _number(text: str, *, decimal_comma: bool) -> float:
    if decimal_comma and "," in text:
        text = text.replace(".", "").replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise BadPayload(f'"{text[:40]}" is no number')
    return value


def moment(text: str, local: Callable[[datetime], float], form: str = "") -> float:
    """Epoch seconds of a time in one of the forms that are borne; `local` says what one without a zone means."""
    try:
        if form:
            at = datetime.strptime(text, form)  # noqa: DTZ007  (the zone follows)
            return at.timestamp() if at.tzinfo else local(at)
        if text.replace(".", "", 1).isdigit():
            return seconds(float(text))
        return parse_time(text)
    except ValueError:
        if form:
            raise BadPayload(f'"{text[:40]}" is no time of the form {form}') from None
    for known in TIME_FORMS:
        try:
            at = datetime.strptime(text.replace("T", " "), known)  # noqa: DTZ007  (the zone follows)
        except ValueError:
            continue
        return local(at)
    raise BadPayload(f'"{text[:40]}" is no time that can be read one way alone', hint="say --time-format %d/%m/%Y...")
