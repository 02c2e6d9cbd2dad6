"""``farmwatch spools``: the spools as CSV, in and out."""

import argparse
import json
from pathlib import Path

from farmwatch.cli import out, talk
from farmwatch.cli_live import ask_daemon
from farmwatch.cli_work import read_file, send_file
from farmwatch.settings import Settings
from farmwatch.shop import spool_csv
from farmwatch.words.errors import FarmwatchError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("what", choices=("import", "export"))
    parser.add_argument("file", nargs="?", default="-", help="CSV with spool, material, full_g, left_g, price, machine")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.add_argument("--by", default="", metavar="NAME", help="who says so")


def run(settings: Settings, args: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    shop = ask_daemon(settings, "/api/v1/shop")
    if args.what == "export":
        text = json.dumps(shop["spools"], ensure_ascii=False) if args.json else spool_csv.write(shop["spools"])
        if args.file == "-":
            out(text.rstrip("\r\n"))
        else:
            Path(args.file).write_text(text, "utf-8", newline="")
        return 0
    spools = {spool["name"]: spool["machine"] for spool in shop["spools"]}
    data = read_file(args.file, "a CSV file with the columns spool, material, full_g")
    _, wrong = spool_csv.read(data, spools, list(settings.machines), settings.materials)
    if wrong:
        for line in wrong:
            talk(line)
        raise FarmwatchError(f"nothing was taken: {len(wrong)} of the lines cannot be read")
    return send_file(settings, "spools", data, args)
