"""``farmwatch work``: wanted quantities in and out, and the proposal for the next rounds."""

import argparse
import json
import sys
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from farmwatch.cli import out, talk
from farmwatch.cli_live import ask_daemon
from farmwatch.settings import Settings
from farmwatch.shop import wanted_csv
from farmwatch.shop.sheets import text_of
from farmwatch.words.errors import FarmwatchError

NOTHING_PLANNED = (
    "nothing is proposed: nothing is wanted that can be planned, of no machine is known when it is free, or nobody "
    "says when to come ([people.NAME] rounds)"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("what", choices=("import", "export", "plan"))
    parser.add_argument("file", nargs="?", default="-", help="CSV with job, pieces, due; - is standard input or output")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.add_argument("--by", default="", metavar="NAME", help="who says so")


def run(settings: Settings, args: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    zone = ZoneInfo(settings.site.timezone)
    if args.what == "import":
        return _take(settings, read_file(args.file, "a CSV file with the columns job, pieces, due"), args)
    work = ask_daemon(settings, "/api/v1/view")["work"]
    if args.what == "plan":
        out(json.dumps(work, ensure_ascii=False) if args.json else "\n".join(plan_lines(work, zone)))
        return 1 if work["short"] else 0
    if args.json:
        out(json.dumps(work["wanted"], ensure_ascii=False))
        return 0
    text = wanted_csv.write(work["wanted"], wanted_csv.dues(work["wanted"], settings.site.timezone))
    if args.file == "-":
        out(text.rstrip("\r\n"))
    else:
        Path(args.file).write_text(text, "utf-8", newline="")
    return 0


def _at(at_s: float, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(at_s, zone).replace(microsecond=0)


def read_file(name: str, hint: str) -> bytes:
    """A file, or standard input for "-"."""
    try:
        return sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
    except OSError as error:
        raise FarmwatchError(f"{name}: {error.strerror}", hint=hint) from None


def _take(settings: Settings, data: bytes, args: argparse.Namespace) -> int:
    """All rows or none: what is wrong is said by its line first."""
    _, wrong = wanted_csv.read(data, settings.site.timezone)
    if wrong:
        for line in wrong:
            talk(line)
        raise FarmwatchError(f"nothing was taken: {len(wrong)} of the lines cannot be read")
    return send_file(settings, "wanted", data, args)


def send_file(settings: Settings, what: str, data: bytes, args: argparse.Namespace) -> int:
    """Have the running Farmwatch take a file, whole or not at all."""
    by = {"by": args.by} if args.by else {}
    answer = ask_daemon(settings, "/api/v1/import", {"what": what, "csv": text_of(data), **by})
    out(json.dumps(answer) if args.json else f"{answer['taken']} taken")
    return 0


def plan_lines(work: dict[str, Any], zone: ZoneInfo) -> list[str]:
    """The proposal as text."""
    lines = [f"{row['job']}: {row['problem']}" for row in work["wanted"] if row["problem"]]
    for row in work["loads"]:
        mark = " (accepted)" if row["accepted"] else ""
        late = ", late" if row["late"] else ""
        lines.append(
            f"{_at(row['visit_s'], zone):%a %H:%M} {row['machine']}: {row['job']}, done "
            f"{_at(row['ends_s'], zone):%a %H:%M}{late}{mark}"
        )
    lines += [
        f"{row['job']}: {row['missing']:g} missing by {_at(row['due_s'], zone):%a %d %b %H:%M}; {row['why']}"
        for row in work["short"]
    ]
    if not work["loads"]:
        lines.append(NOTHING_PLANNED)
    elif work["exact"]:
        lines.append("proven to be worth most")
    else:
        lines.append(f"a better plan could be worth {work['gap']:.0%} more at most; it proposes, you decide")
    return lines
