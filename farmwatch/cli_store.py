"""`farmwatch store`: look the history over, make it smaller, say what is in it."""

import argparse
import json
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from farmwatch.settings import load
from farmwatch.stores.embedded import maintenance
from farmwatch.stores.influx.spool import Spool, SpoolState
from farmwatch.words.quantities import QUANTITIES

WHAT = ("check", "compact", "stats", "spool")
SPOOL = "influx-spool"


def run(args: argparse.Namespace) -> int:
    """Exit code 0, or 1 where `check` has found damage."""
    settings = load(args.config, live=False)
    path = settings.data_path / "history.db"
    if args.what == "check":
        return _check(path, as_json=args.json)
    if args.what == "spool":
        state = spool_state(settings.data_path)
        _say(asdict(state), _spool_words(state), as_json=args.json)
        return 0
    if args.what == "compact":
        before, after = maintenance.compact(path, settings.keep_days())
        _say({"file": str(path), "bytes_before": before, "bytes_after": after},
             f"{path}: {before / 1e6:.1f} MB before, {after / 1e6:.1f} MB after", as_json=args.json)  # fmt: skip
        return 0
    return _stats(path, as_json=args.json)


def spool_state(data: Path) -> SpoolState:
    """What waits for the second place for readings, by the files alone."""
    return Spool(data / SPOOL, 1 << 62, float("inf")).look()


def _spool_words(state: SpoolState) -> str:
    waits = f"{state.lines} lines wait to be sent, {state.bytes / 1e6:.1f} MB"
    if state.oldest_s is not None:
        waits += f", since {datetime.fromtimestamp(state.oldest_s, UTC):%Y-%m-%d %H:%M} UTC"
    lost = f"{state.dropped} dropped for want of room, {state.refused} refused by the server (refused.txt)"
    return f"{SPOOL}: {waits}; {lost}, {state.damaged} batches damaged"


def _say(document: object, words: str, *, as_json: bool) -> None:
    print(json.dumps(document, indent=1, ensure_ascii=False) if as_json else words)  # noqa: T201


def _check(path: Path, *, as_json: bool) -> int:
    found = maintenance.check(path)
    document = {"blocks": found.blocks, "pages": found.pages, "rows": found.rows, "log_rows": found.log_rows,
                "set_aside": found.aside, "wrong": found.wrong}  # fmt: skip
    verdict = f"{len(found.wrong)} damaged" if found.wrong else "all well"
    counts = f"{found.blocks} blocks with {found.rows} rows, {found.pages} pages of rollups"
    words = [f"{path}: {counts}, {found.log_rows} rows in the log; {verdict}"]
    if found.aside:
        words.append(f"{found.aside} blocks were found damaged before and set aside")
    _say(document, "\n".join([*words, *found.wrong]), as_json=as_json)
    return 1 if found.wrong else 0


def _stats(path: Path, *, as_json: bool) -> int:
    rows = maintenance.stats(path)
    if as_json:
        _say([{name: getattr(row, name) for name in row.__slots__} for row in rows], "", as_json=True)
        return 0
    lines = [f"{'subject':14} {'quantity':16} {'source':24} {'rows':>10} {'bytes':>10} {'each':>6}  from        to"]
    for row in rows:
        first, last = (datetime.fromtimestamp(ms / 1000, UTC).date().isoformat() for ms in (row.first_ms, row.last_ms))
        unit = QUANTITIES[row.quantity].unit if row.quantity in QUANTITIES else ""
        lines.append(f"{row.subject:14} {row.quantity:16} {row.source:24} {row.rows:10} {row.bytes:10}"
                     f" {row.bytes / max(1, row.rows):6.2f}  {first}  {last}  {unit}".rstrip())  # fmt: skip
    size, count = path.stat().st_size, sum(row.rows for row in rows if row.bytes)
    each = f"{size / count:.2f} bytes a reading" if count else "all of it in the log yet, blocks come after six hours"
    lines.append(f"{path}: {size / 1e6:.1f} MB, times, rollups and all; {each}")
    lines += [_spool_words(spool_state(path.parent))] if (path.parent / SPOOL).is_dir() else []
    _say(None, "\n".join(lines), as_json=False)
    return 0
