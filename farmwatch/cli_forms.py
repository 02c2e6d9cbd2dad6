"""Readings as files: CSV, JSON Lines, line protocol, Parquet; written and read, a row a reading.

A row has a time (RFC 3339, UTC, milliseconds), a subject, a quantity and a value in the quantity's unit; without a
value the quantity was unknown from then on. Line protocol has nanoseconds, as its documentation has it; when it is
read, the size of a number tells its unit (seconds, milliseconds, microseconds or nanoseconds between 2001 and 2099).
"""

import csv
import importlib
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from farmwatch.wire.lines import Line, line, number_text, parse, series_key
from farmwatch.wire.times import parse as parse_time
from farmwatch.wire.times import rfc3339
from farmwatch.words.errors import BadPayload, FarmwatchError
from farmwatch.words.quantities import QUANTITIES, Kind

COLUMNS = ("time", "subject", "quantity", "value")
FORMS = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".lp": "line", ".line": "line", ".parquet": "parquet"}
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # OWASP's page on CSV injection lists these first characters
NUMBERS_IN, UNKNOWN_IN = "farmwatch", "farmwatch_unknown"
FIRST_S, LAST_S = 978_307_200.0, 4_102_444_800.0  # 2001 and 2100: outside, a clock was wrong


class Reading(NamedTuple):
    """One reading; a value of NaN is unknown."""

    at_s: float
    subject: str
    quantity: str
    value: float


class BadLine(NamedTuple):
    """A line that was not taken, and why."""

    number: int
    why: str


def form_of(path: str, asked: str = "") -> str:
    """The form of a file, by its name unless one is asked for."""
    form = asked or FORMS.get(Path(path).suffix.lower(), "")
    if not form:
        raise FarmwatchError(f"the name {path} does not say in which form it is",
                             hint="add --form csv, jsonl, line or parquet")  # fmt: skip
    return form


# ---- out -------------------------------------------------------------------------------------------------------


def writer(form: str, file: TextIO) -> Callable[[Iterable[Reading]], None]:
    """Writes readings in a form of text; the head of a CSV at once."""
    if form == "csv":
        rows = csv.writer(file, lineterminator="\r\n")  # RFC 4180
        rows.writerow(COLUMNS)
        return lambda readings: rows.writerows(
            (rfc3339(r.at_s).replace("+00:00", "Z"), harmless(r.subject), r.quantity, _number(r)) for r in readings
        )
    if form == "jsonl":
        return lambda readings: file.writelines(_json(r) for r in readings)
    return lambda readings: file.writelines(_line(r) for r in readings)


def harmless(words: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{words}" if words[:1] in FORMULA else words


def _number(reading: Reading) -> str:
    return "" if math.isnan(reading.value) else number_text(QUANTITIES[reading.quantity], reading.value) or ""


def _json(reading: Reading) -> str:
    number = _number(reading)
    row = {"time": rfc3339(reading.at_s).replace("+00:00", "Z"), "subject": reading.subject,
           "quantity": reading.quantity, "value": float(number) if number else None}  # fmt: skip
    return json.dumps(row, ensure_ascii=False) + "\n"


def _line(reading: Reading) -> str:
    number = _number(reading)
    key = series_key(NUMBERS_IN if number else UNKNOWN_IN, [("subject", reading.subject)])
    return line(key, {reading.quantity: number or "1"}, round(reading.at_s * 1000) * 1_000_000) + "\n"


class Parquet:
    """Writes readings to a Parquet file, a row group a call; needs the extra `parquet`."""

    def __init__(self, path: str) -> None:
        self._arrow, self._parquet = _pyarrow()
        arrow = self._arrow
        self._schema = arrow.schema(
            [("time", arrow.timestamp("ms", tz="UTC")), ("subject", arrow.string()), ("quantity", arrow.string()),
             ("value", arrow.float64())]
        )  # fmt: skip
        self._file = self._parquet.ParquetWriter(path, self._schema, compression="zstd")

    def write(self, readings: Iterable[Reading]) -> None:
        """Add readings."""
        rows = list(readings)
        columns = {
            "time": [round(r.at_s * 1000) for r in rows], "subject": [r.subject for r in rows],
            "quantity": [r.quantity for r in rows], "value": [None if math.isnan(r.value) else r.value for r in rows],
        }  # fmt: skip
        self._file.write_table(self._arrow.table(columns, schema=self._schema))

    def close(self) -> None:
        """End the file."""
        self._file.close()


def _pyarrow() -> tuple[Any, Any]:
    try:
        arrow, parquet = importlib.import_module("pyarrow"), importlib.import_module("pyarrow.parquet")
    except ImportError:
        raise FarmwatchError("Parquet needs pyarrow, which is not installed",
                             hint="type: .venv/bin/python -m pip install 'pyarrow>=18'") from None  # fmt: skip
    return arrow, parquet


# ---- in --------------------------------------------------------------------------------------------------------


def checked(at_s: float, subject: str, quantity: str, value: float) -> Reading:
    """A reading that a store can keep; raises BadPayload with what is wrong."""
    row = QUANTITIES.get(quantity)
    if row is None or row.kind not in (Kind.NUMBER, Kind.FLAG):
        raise BadPayload(f'"{quantity[:40]}" is no quantity of numbers')
    if not subject:
        raise BadPayload("no subject")
    if not FIRST_S <= at_s < LAST_S:
        raise BadPayload(f"time {_day(at_s)} is before 2001 or after 2099: a clock was wrong")
    if not math.isnan(value) and number_text(row, value) is None:
        raise BadPayload(f"{quantity} {value:g} {row.unit} is outside {row.low:g} to {row.high:g}")
    return Reading(at_s, subject, quantity, value)


def _day(at_s: float) -> str:
    try:
        return datetime.fromtimestamp(at_s, UTC).isoformat()[:10]
    except (ValueError, OverflowError, OSError):
        return f"{at_s:g}"


def read_csv(file: TextIO) -> Iterator[Reading | BadLine]:
    """Our own CSV; raises FarmwatchError at once where the columns are others."""
    rows = csv.reader(file)
    head = next(rows, [])
    if tuple(name.strip().lower() for name in head) != COLUMNS:
        raise FarmwatchError(
            f"the columns are {', '.join(head)[:200] or 'none'}; wanted: {', '.join(COLUMNS)}",
            hint="for a CSV from elsewhere, say which columns: --subject avocet --time Time --value Power",
        )
    for cells in rows:
        try:
            at, subject, quantity, value = cells
            plain = subject[1:] if subject[:1] == "'" and subject[1:2] in FORMULA else subject
            yield checked(parse_time(at), plain, quantity, float(value) if value else math.nan)
        except (BadPayload, ValueError) as error:
            yield BadLine(rows.line_num, str(error) if len(cells) == len(COLUMNS) else f"{len(cells)} cells, not 4")


def read_json_lines(file: TextIO) -> Iterator[Reading | BadLine]:
    """JSON Lines."""
    for number, text in enumerate(file, 1):
        if not text.strip():
            continue
        try:
            row = json.loads(text)
            yield checked(parse_time(row["time"]), row["subject"], row["quantity"], _given(row["value"]))
        except (BadPayload, ValueError) as error:
            yield BadLine(number, str(error)[:200])
        except (KeyError, TypeError, AttributeError, RecursionError):
            yield BadLine(number, "wanted: an object with time, subject, quantity and value")


def read_lines(file: TextIO) -> Iterator[Reading | BadLine]:
    """Line protocol; words are passed over, as are measurements that are not ours."""
    for number, text in enumerate(file, 1):
        if not text.strip() or text.startswith("#"):
            continue
        try:
            found = parse(text.rstrip("\r\n"))
            if found.measurement in (NUMBERS_IN, UNKNOWN_IN):
                yield from _of_line(found)
        except BadPayload as error:
            yield BadLine(number, str(error)[:200])


def _given(value: object) -> float:
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadPayload("the value is no number")
    return float(value)


def _of_line(found: Line) -> list[Reading]:
    if found.time is None:
        raise BadPayload("no time")
    subject, gone = found.tags.get("machine") or found.tags.get("subject") or "", found.measurement == UNKNOWN_IN
    readings = []
    for name, value in found.fields.items():
        if isinstance(value, str):
            raise BadPayload(f"{name} is words, not a number")
        readings.append(checked(seconds(found.time), subject, name, math.nan if gone else float(value)))
    return readings


def seconds(number: float) -> float:
    """Epoch seconds of a number of seconds, milliseconds, microseconds or nanoseconds."""
    size = abs(number)
    return number / (1 if size < 1e11 else 1e3 if size < 1e14 else 1e6 if size < 1e17 else 1e9)


def read_parquet(path: str) -> Iterator[Reading | BadLine]:
    """Parquet with the columns of ours; "lines" are rows."""
    _, parquet = _pyarrow()
    file = parquet.ParquetFile(path)
    if not set(COLUMNS) <= set(file.schema_arrow.names):
        raise FarmwatchError(f"the columns are {', '.join(file.schema_arrow.names)}; wanted: {', '.join(COLUMNS)}")
    number = 0
    for batch in file.iter_batches(columns=list(COLUMNS)):
        columns: Sequence[Sequence[Any]] = [batch.column(name).to_pylist() for name in COLUMNS]
        for at, subject, quantity, value in zip(*columns, strict=True):
            number += 1
            try:
                at_s = at.timestamp() if isinstance(at, datetime) else float("nan")
                yield checked(at_s, subject, quantity, math.nan if value is None else float(value))
            except (BadPayload, ValueError, TypeError, AttributeError) as error:
                yield BadLine(number, str(error)[:200])
