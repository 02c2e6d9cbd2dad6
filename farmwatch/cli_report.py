"""``farmwatch report``: what the machines gave, as text, JSON, CSV, Parquet, PDF or a picture."""

import argparse
import contextlib
import csv
import io
import json
import sqlite3
import sys
import time
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from farmwatch.cli import out, talk
from farmwatch.power.tariff import local_day
from farmwatch.settings import Settings, load
from farmwatch.shop import yields
from farmwatch.shop.usage import Rates
from farmwatch.shop.yields import Records, Yield, row_of
from farmwatch.sqlitefile import connect_read_only, store_error
from farmwatch.words.errors import FarmwatchError

USAGE = 2
DAYS = 7
COLUMNS: tuple[tuple[str, str, str], ...] = (
    # heading, key of a row, form
    ("", "key", "s"), ("builds", "builds", "n"), ("done", "builds_done", "n"), ("success", "success", "%"),
    ("good", "pieces_good", "n"), ("use", "utilisation", "%"), ("waiting", "waiting_for_clearing_h", "h"),
    ("unseen", "unseen_h", "h"), ("avail.", "availability", "%"), ("effect.", "effectiveness", "%"),
    ("quality", "quality", "%"), ("OEE", "oee", "%"), ("kWh", "energy_wh", "k"), ("kg", "material_g", "k"),
    ("cost", "cost_total", "m"), ("a part", "cost_each_good", "m"),
)  # fmt: skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The words of ``farmwatch report``."""
    parser.add_argument("--from", dest="first", metavar="DAY", help="first day, 2025-11-03 (default: seven days)")
    parser.add_argument("--to", dest="last", metavar="DAY", help="last day, in it (default: yesterday)")
    parser.add_argument("--by", choices=yields.SCOPES, default="machine", help="a row for each (default machine)")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.add_argument("--csv", metavar="FILE", help='as CSV; "-" is standard output')
    parser.add_argument("--parquet", metavar="FILE", help="as Parquet (needs pyarrow)")
    parser.add_argument("--pdf", metavar="FILE", help="as a PDF page (needs fpdf2)")
    parser.add_argument("--plot", metavar="FILE", help="as a picture (needs matplotlib)")


def run(args: argparse.Namespace) -> int:
    """Do it."""
    settings = load(args.config, live=False)
    zone, now_s = settings.site.timezone, time.time()
    try:
        first, last = days_of(args.first, args.last, local_day(now_s, zone))
    except ValueError as error:
        talk(str(error))
        return USAGE
    from_s, to_s = yields.span_of(first, last, zone)
    to_s = min(to_s, now_s)
    records = read(settings, from_s, now_s)
    rates = rates_of(settings)
    rows = yields.reckon(records, args.by, from_s, to_s, rates, zone)
    whole = yields.total(records, from_s, to_s, rates)
    title = f"{settings.site.name}: {first} to {last}, by {args.by}"
    if args.plot:
        plot(records, rows, whole, args.plot, title)
    if args.pdf:
        pdf([*rows, whole], args.pdf, title, notes_on(whole, settings))
    if args.parquet:
        parquet([row_of(one) for one in rows], args.parquet)
    if args.csv:
        _csv([row_of(one) for one in rows], args.csv)
    if args.json:
        out(json.dumps({"from": first, "to": last, "by": args.by, "currency": currency(settings),
                        "rows": [row_of(one) for one in rows], "all": row_of(whole)}, indent=1))  # fmt: skip
    elif not (args.plot or args.pdf or args.parquet or args.csv):
        out(text([*rows, whole], title, notes_on(whole, settings)))
    return 0


def days_of(first: str | None, last: str | None, today: str) -> tuple[str, str]:
    """First and last local date; ValueError says what is wrong."""
    try:
        end = date.fromisoformat(last) if last else date.fromisoformat(today) - timedelta(days=1)
        begin = date.fromisoformat(first) if first else end - timedelta(days=DAYS - 1)
    except ValueError:
        raise ValueError("a day is written as 2025-11-03") from None
    if begin > end:
        raise ValueError(f"--from {begin} is after --to {end}")
    if begin > date.fromisoformat(today):
        raise ValueError(f"--from {begin} has not come yet")
    if (end - begin).days > 800:
        raise ValueError("at most 800 days in one report")
    return begin.isoformat(), end.isoformat()


def rates_of(settings: Settings) -> Rates:
    """What a kWh and a machine hour cost; builds know the cost of their own energy where there is a tariff."""
    tariff = settings.tariff
    return Rates(tariff.per_kwh if tariff is not None else None, settings.stock.machine_hour or 0.0)


def currency(settings: Settings) -> str:
    """As the tariff says."""
    return settings.tariff.currency if settings.tariff is not None else ""


def read(settings: Settings, from_s: float, now_s: float) -> Records:
    """The journal's notes, which may be in use meanwhile; FarmwatchError if there is none or it cannot be read."""
    path = settings.data_path / "journal.db"
    if not path.is_file():
        raise FarmwatchError(f"{path}: no journal yet", hint="it is written while farmwatch run is at work")
    return yields.records_of(_notes(path, from_s - yields.LOOK_BACK_S), settings.machines, now_s)


def _notes(path: Path, since_s: float) -> Iterator[dict[str, Any]]:
    marks = ", ".join("?" for _ in yields.KINDS)
    sql = f"SELECT at_s, kind, doc FROM note WHERE kind IN ({marks}) AND at_s >= ? ORDER BY at_s, id"  # noqa: S608
    try:
        with contextlib.closing(connect_read_only(path)) as db:
            for at_s, kind, doc in db.execute(sql, (*yields.KINDS, since_s)):
                with contextlib.suppress(ValueError):  # a line that has rotted hides nothing else
                    yield json.loads(doc) | {"at_s": at_s, "kind": kind}
    except sqlite3.Error as error:
        raise store_error(path, "read", error) from error


# ---- forms -------------------------------------------------------------------------------------------------------


def cell(value: Any, form: str) -> str:  # noqa: ANN401  (whatever a row holds)
    """One value for a table to be read; "?" is unknown."""
    if value is None:
        return "?"
    if form == "s":
        return str(value)[:24]
    scale, digits = {"%": (100.0, 0), "h": (1.0, 1), "k": (1e-3, 1), "m": (1.0, 2), "n": (1.0, 0)}[form]
    return f"{value * scale:.{digits}f}{' %' if form == '%' else ''}"


def grid(rows: Sequence[Yield]) -> list[list[str]]:
    """Headings and cells; columns that no row has are left out."""
    flat = [row_of(one) for one in rows]
    columns = [column for column in COLUMNS if any(column[1] in row for row in flat)]
    return [[name for name, _, _ in columns]] + [[cell(row.get(key), form) for _, key, form in columns] for row in flat]


def text(rows: Sequence[Yield], title: str, notes: Sequence[str]) -> str:
    """The report to be read in a terminal."""
    lines = grid(rows)
    widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    table = [
        "  ".join([line[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(line[1:], widths[1:], strict=True))])
        for line in lines
    ]
    return "\n".join([title, "", *(line.rstrip() for line in table), "", *notes])


def notes_on(whole: Yield, settings: Settings) -> list[str]:
    """What stands behind the figures, and what is missing from them."""
    low, high = (f"{value:.0%}" for value in whole.success[1:])
    found = [f"Success is of builds that went well or failed; 95 % interval of all together {low} to {high} (Wilson)."]
    if whole.times is not None:
        six = ", ".join(f"{name.replace('_', ' ')} {s / 3600:.1f} h" for name, s in whole.times.seconds.items())
        found.append(f"Time (SEMI E10, unseen apart): {six}; sum {whole.times.calendar_s / 3600:.1f} h.")
        found.append(f"Of standby, beds waited to be cleared for {whole.times.waiting_s / 3600:.1f} h: yours to win.")
    if whole.cost.missing:
        what = ", ".join(f"{name} of {n} builds" for name, n in whole.cost.missing.items())
        found.append(f"Not known: {what}. Costs are lower bounds.")
    if settings.stock.machine_hour is None:
        found.append("Machine hours cost nothing here: set [stock] machine_hour.")
    if whole.planned_unknown:
        found.append(f"{whole.planned_unknown} builds of jobs that never went well count with their own run time.")
    return found


def safe(value: Any) -> Any:  # noqa: ANN401
    """A cell that no spreadsheet takes for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _csv(rows: Sequence[dict[str, Any]], path: str) -> None:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer.writerow(names)
    writer.writerows([safe(row.get(name)) for name in names] for row in rows)
    if path == "-":
        sys.stdout.write(buffer.getvalue())
    else:
        _write(path, buffer.getvalue().encode())


def _write(path: str, body: bytes) -> None:
    try:
        Path(path).write_bytes(body)
    except OSError as error:
        raise FarmwatchError(f"{path}: {error.strerror}", hint="name a file in a folder that exists") from error


def parquet(rows: Sequence[dict[str, Any]], path: str) -> None:
    """Rows as a Parquet file."""
    try:
        import pyarrow as pa  # type: ignore[import-untyped]  # noqa: PLC0415
        from pyarrow import parquet as pq  # noqa: PLC0415
    except ImportError:
        raise FarmwatchError("--parquet needs pyarrow", hint="pip install 'farmwatch[parquet]'") from None
    names = list(dict.fromkeys(name for row in rows for name in row))
    columns = {
        name: pa.array([str(row[name]) for row in rows], pa.string())
        if name == "key"
        else pa.array([None if row.get(name) is None else float(row[name]) for row in rows], pa.float64())
        for name in names
    }
    sink = pa.BufferOutputStream()
    pq.write_table(pa.table(columns), sink)
    _write(path, sink.getvalue().to_pybytes())


def pdf(rows: Sequence[Yield], path: str, title: str, notes: Sequence[str]) -> None:
    """A landscape page."""
    try:
        from fpdf import FPDF  # noqa: PLC0415
    except ImportError:
        raise FarmwatchError("--pdf needs fpdf2", hint="pip install 'farmwatch[report]'") from None
    page = FPDF(orientation="landscape", format="A4")
    page.set_title(_latin(title))
    page.add_page()
    page.set_font("Helvetica", "B", 14)
    page.cell(0, 10, _latin(title), new_x="LMARGIN", new_y="NEXT")
    page.set_font("Helvetica", size=8)
    lines = grid(rows)
    with page.table(col_widths=[3, *[2] * (len(lines[0]) - 1)], line_height=5) as table:
        for line in lines:
            row = table.row()
            for one in line:
                row.cell(_latin(one))
    page.ln(4)
    for note in notes:
        page.multi_cell(0, 4.5, _latin(note), new_x="LMARGIN", new_y="NEXT")
    _write(path, bytes(page.output()))


def _latin(words: str) -> str:
    """The page's built-in fonts know Latin-1 alone; another letter becomes a question mark."""
    return words.encode("latin-1", "replace").decode("latin-1")


def plot(records: Records, rows: Sequence[Yield], whole: Yield, path: str, title: str) -> None:
    """Utilisation, waiting time, energy, and estimates against outcomes."""
    try:
        import matplotlib as mpl  # noqa: PLC0415
    except ImportError:
        raise FarmwatchError("--plot needs matplotlib", hint="pip install 'farmwatch[plot]'") from None
    mpl.use("Agg")
    from matplotlib import pyplot as plt  # noqa: PLC0415

    figure, ((use, wait), (energy, told)) = plt.subplots(2, 2, figsize=(11, 8), layout="constrained")
    figure.suptitle(title)
    flat = [row_of(one) for one in rows]
    names = [str(row["key"])[:20] for row in flat]
    for axes, key, scale, label in (
        (use, "utilisation", 100.0, "productive, % of seen time"),
        (wait, "waiting_for_clearing_h", 1.0, "beds waited to be cleared, h"),
        (energy, "energy_wh", 1e-3, "energy, kWh"),
    ):
        values = [float("nan") if row.get(key) is None else row[key] * scale for row in flat]
        axes.barh(names, values, color="#6b7280")
        axes.invert_yaxis()
        axes.set_xlabel(label)
    points = [
        (100 * share, (p50_s - ended_s) / (ended_s - m.started_s) * 100)
        for m in records.made.values()
        if whole.from_s <= m.ended_s < whole.to_s and m.run.result == "done" and m.ended_s > m.started_s
        for share, p50_s, ended_s in m.estimates
    ]
    told.scatter([x for x, _ in points], [y for _, y in points], s=8, color="#6b7280")
    told.axhline(0, color="0.3", linewidth=1)
    told.set_xlabel("told at, % of the build")
    told.set_ylabel("told end minus end, % of the build")
    try:
        figure.savefig(path, dpi=130)
    except (OSError, ValueError) as error:
        raise FarmwatchError(f"{path}: {error}", hint="end it in .png, .svg or .pdf") from error
    finally:
        plt.close(figure)
