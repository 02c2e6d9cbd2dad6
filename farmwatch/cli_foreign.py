"""A CSV from elsewhere: one column of times, one of values. Byte-order mark, semicolons, decimal commas are borne."""

import csv
import math
from collections.abc import Iterator
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


def read_foreign(file: TextIO, mapping: Mapping) -> Iterator[Reading | BadLine]:
    """Readings of a CSV with a head; raises FarmwatchError at once where a column is missing."""
    factor, offset = mapping.scale()
    head = file.readline()
    delimiter = max(DELIMITERS, key=head.count)
    names = [name.strip() for name in next(csv.reader([head], delimiter=delimiter), [])]
    for name in (mapping.time, mapping.value):
        if name not in names:
            raise FarmwatchError(f'there is no column "{name}"', hint=f"there are: {', '.join(names)[:300]}")
    time_at, value_at = names.index(mapping.time), names.index(mapping.value)
    zone = ZoneInfo(mapping.timezone)
    rows = csv.reader(file, delimiter=delimiter)
    for cells in rows:
        if not cells:
            continue
        number = rows.line_num + 1
        try:
            at_s = moment(cells[time_at].strip(), zone, mapping.time_format)
            text = cells[value_at].strip()
            value = _number(text, decimal_comma=delimiter != ",") * factor + offset if text else math.nan
            yield checked(at_s, mapping.subject, mapping.quantity, value)
        except IndexError:
            yield BadLine(number, f"{len(cells)} cells, fewer than the head has")
        except (BadPayload, ValueError) as error:
            yield BadLine(number, str(error)[:200])


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


def moment(text: str, zone: ZoneInfo, form: str = "") -> float:
    """Epoch seconds of a time in one of the forms that are borne; local times by `zone`."""
    try:
        if form:
            at = datetime.strptime(text, form)  # noqa: DTZ007  (the zone follows)
            return (at if at.tzinfo else at.replace(tzinfo=zone)).timestamp()
        if text.replace(".", "", 1).isdigit():
            return seconds(float(text))
        return parse_time(text)
    except ValueError:
        if form:
            raise BadPayload(f'"{text[:40]}" is no time of the form {form}') from None
    for known in TIME_FORMS:
        try:
            return datetime.strptime(text.replace("T", " "), known).replace(tzinfo=zone).timestamp()
        except ValueError:
            continue
    raise BadPayload(f'"{text[:40]}" is no time that can be read one way alone', hint="say --time-format %d/%m/%Y...")
