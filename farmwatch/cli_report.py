"""``farmwatch report``: what the machines gave, as text, JSON, CSV, Parquet, PDF or a picture."""

import argparse
import csv
import io
import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from farmwatch.assemble_report import report_of
from farmwatch.cli import out, talk
from farmwatch.settings import Settings, load
from farmwatch.shop import yields
from farmwatch.shop.yields import Records, Yield, row_of
from farmwatch.words.errors import FarmwatchError, Refused

USAGE = 2
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
    query = {"from": args.first, "to": args.last, "by": args.by}
    try:
        found = report_of(settings, {key: value for key, value in query.items() if value}, time.time())
    except Refused as error:
        talk(str(error))
        return USAGE
    rows, whole = found.rows, found.whole
    title = f"{settings.site.name}: {found.first} to {found.last}, by {found.by}"
    flat = [row_of(one) for one in rows]
    if args.plot:
        plot(found.records, rows, whole, args.plot, title)
    if args.pdf:
        pdf([*rows, whole], args.pdf, title, notes_on(whole, settings))
    if args.parquet:
        parquet(flat, args.parquet)
    if args.csv:
        _csv(flat, args.csv)
    if args.json:
        out(json.dumps(found.as_dict(), indent=1))
    elif not (args.plot or args.pdf or args.parquet or args.csv):
        out(text([*rows, whole], title, notes_on(whole, settings)))
    return 0


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


def text(rows: Sequence[Yield], title: str, remarks: Sequence[str]) -> str:
    """The report to be read in a terminal."""
    lines = grid(rows)
    widths = [max(len(line[i]) for line in lines) for i in range(len(lines[0]))]
    table = [
        "  ".join([line[0].ljust(widths[0]), *(c.rjust(w) for c, w in zip(line[1:], widths[1:], strict=True))])
        for line in lines
    ]
    return "\n".join([title, "", *(line.rstrip() for line in table), "", *remarks])


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


def pdf(rows: Sequence[Yield], path: str, title: str, remarks: Sequence[str]) -> None:
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
    for note in remarks:
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
        _bars(axes, names, [None if row.get(key) is None else row[key] * scale for row in flat], label)
    points = [
        (100 * share, (p50_s - ended_s) / (ended_s - m.started_s) * 100)
        for m in records.made.values()
        if whole.from_s <= m.ended_s < whole.to_s and m.run.result == "done" and m.ended_s > m.started_s
        for share, p50_s, ended_s in m.estimates
    ]
    told.scatter([x for x, _ in points], [y for _, y in points], s=8, color="#6b7280")
    told.axhline(0, color="0.3", linewidth=1)
    told.set_xlim(0, 100)
    if not points:
        told.text(50, 0, "no estimate of a build that is over", ha="center", va="bottom", color="0.3")
    told.set_xlabel("told at, % of the build")
    told.set_ylabel("told end minus end, % of the build")
    try:
        figure.savefig(path, dpi=130)
    except (OSError, ValueError) as error:
        raise FarmwatchError(f"{path}: {error}", hint="end it in .png, .svg or .pdf") from error
    finally:
        plt.close(figure)


def _bars(axes: Any, names: Sequence[str], values: Sequence[float | None], label: str) -> None:  # noqa: ANN401
    """A bar a row, from 0; what is not known is said and is no bar of nothing."""
    rows = range(len(names))
    axes.barh(rows, [value or 0.0 for value in values], color="#6b7280")
    axes.set_xlim(0, max((value for value in values if value is not None), default=0.0) * 1.05 or 1.0)
    for row, value in zip(rows, values, strict=True):
        if value is None:
            axes.text(0, row, " not known", va="center", color="0.3")
    axes.set_yticks(rows, names)
    axes.invert_yaxis()
    axes.set_xlabel(label)
