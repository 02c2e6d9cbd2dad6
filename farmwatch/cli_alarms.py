"""``farmwatch alarms``: what stands, what is said of it, and how good the alarms themselves are."""

import argparse
import contextlib
import json
import sqlite3
import time
from pathlib import Path
from typing import Any

from farmwatch.alarms import report, tuning
from farmwatch.alarms.book import AlarmBook
from farmwatch.alarms.report import Change, Told
from farmwatch.alarms.tuning import Proposal
from farmwatch.alarms.wording import clock, duration, moment
from farmwatch.cli import out, talk
from farmwatch.settings import Settings, load
from farmwatch.sqlitefile import connect_read_only, store_error
from farmwatch.words.errors import FarmwatchError
from farmwatch.words.timers import Timers

WORDS: dict[str, str] = {
    # word of the command line: what is said to the daemon
    "ack": "acknowledged", "shelve": "shelved", "unshelve": "unshelved", "reset": "reset",
}  # fmt: skip


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The words of ``farmwatch alarms``."""
    parser.add_argument("what", choices=("list", "report", *WORDS), help="list, report, ack, shelve, unshelve, reset")
    parser.add_argument("alarm", nargs="?", help="which alarm, as the list names it")
    parser.add_argument("--by", default="", metavar="NAME", help="who says so")
    parser.add_argument("--minutes", type=float, metavar="MIN", help="shelve: how long, at most 480")
    parser.add_argument("--reason", default="", metavar="WHY", help="shelve: why")
    parser.add_argument("--once", action="store_true", help="shelve: or until it has cleared once, if that is sooner")
    parser.add_argument("--days", type=float, default=30.0, metavar="N", help="report: over how long (default 30)")
    parser.add_argument("--json", action="store_true", help="list, report: as JSON")
    parser.add_argument("--plot", metavar="FILE", help="report: draw a picture as well")


def run(args: argparse.Namespace) -> int:
    """Do it."""
    settings = load(args.config, live=False)
    if args.what == "report":
        return _report(settings, args)
    from farmwatch import cli_live  # noqa: PLC0415

    if args.what == "list":
        view = cli_live.ask_daemon(settings, "/api/v1/view")
        rows = view["alarms"]
        if args.json:
            out(json.dumps(rows, indent=1, ensure_ascii=False))
        else:
            out("\n".join(_line(row, view["at_s"], view["timezone"]) for row in rows) or "No alarm stands.")
        return 0
    if not args.alarm:
        raise FarmwatchError(f"alarms {args.what}: which alarm?", hint="farmwatch alarms list names them")
    if args.what == "shelve" and (args.minutes is None or not args.reason):
        missing = "--minutes: a shelf without end hides it for ever" if args.minutes is None else "--reason"
        raise FarmwatchError(f"alarms shelve needs {missing}", hint='--minutes 60 --reason "waiting for a part"')
    fields = {"command": WORDS[args.what], "alarm": args.alarm}
    given = {"by": args.by, "minutes": args.minutes, "reason": args.reason, "once": args.once}
    return cli_live.say(settings, fields | {key: value for key, value in given.items() if value})


def _line(row: dict[str, Any], now_s: float, timezone: str) -> str:
    since = f"since {moment(row['since_s'], now_s, timezone)}, {duration(now_s - row['since_s'])}"
    return f"{row['priority']:<8} {row['state']:<15} {row['id']:<32} {row['title']} ({since})"


# ---- the report -----------------------------------------------------------------------------------------------


def read(path: Path, since_s: float) -> tuple[list[Change], list[Told]]:
    """Alarms and messages of a journal, which may be in use meanwhile.

    Raises:
        FarmwatchError: there is no journal, or it cannot be read.
    """
    if not path.is_file():
        raise FarmwatchError(f"{path}: no journal yet", hint="it is written while farmwatch run is at work")
    try:
        with contextlib.closing(connect_read_only(path)) as db:
            notes = db.execute("SELECT at_s, doc FROM note WHERE kind = 'alarm' ORDER BY at_s, id").fetchall()
            sql = (
                "SELECT m.doc, (SELECT min(s.at_s) FROM sent s WHERE s.message = m.id AND s.ok = 1) FROM message m"
                " WHERE m.at_s >= ? ORDER BY m.num"
            )
            rows = db.execute(sql, (since_s,)).fetchall()
    except sqlite3.Error as error:
        raise store_error(path, "read", error) from error
    changes = []
    for at_s, text in notes:
        with contextlib.suppress(ValueError, KeyError):  # a line that has rotted hides nothing else
            changes.append(report.change_of(json.loads(text) | {"at_s": at_s}))
    told = []
    for text, told_s in rows:
        with contextlib.suppress(ValueError, KeyError):
            doc = json.loads(text)
            took_s = None if told_s is None else max(0.0, told_s - doc["at_s"])
            rules, silent = tuple(doc.get("rules", ())), bool(doc.get("silent"))
            told.append(Told(doc["at_s"], doc["to"], doc["priority"], doc["step"], rules, took_s, silent))
    return changes, told


def reckon(
    changes: list[Change], told: list[Told], start_s: float, end_s: float, settings: Settings
) -> tuple[dict[str, Any], list[Proposal]]:
    """The report, and what to change."""
    found = report.report(changes, told, start_s, end_s, settings.site.timezone)
    book = AlarmBook(Timers(), settings.plan().rules)
    rows = [e for e in report.episodes(changes) if start_s <= e.began_s < end_s]
    return found, tuning.proposals(rows, book.delay_s, deadband=book.deadband)


def _report(settings: Settings, args: argparse.Namespace) -> int:
    if not 0 < args.days <= 3660:
        raise FarmwatchError(f"--days {args.days:g} is no time to report on", hint="1 to 3660")
    end_s = time.time()
    changes, told = read(settings.data_path / "journal.db", end_s - args.days * 86_400)
    # Not from before there was anything: a new installation is not a quiet one.
    first_s = min((c.at_s for c in changes), default=end_s - 86_400)
    start_s = max(end_s - args.days * 86_400, first_s)
    found, proposed = reckon(changes, told, start_s, end_s, settings)
    if args.json:
        out(json.dumps(found | {"proposals": [one.as_dict() for one in proposed]}, indent=1, ensure_ascii=False))
    else:
        out(text(found, proposed, settings.site.timezone).rstrip("\n"))
    if args.plot:
        try:
            plot(found, changes, args.plot, settings.site.timezone)
        except ImportError:
            talk("alarms: a plot needs the extra: pip install 'farmwatch[plot]'")
            return 1
    return 0


def rows_of(found: dict[str, Any]) -> list[tuple[str, str, str]]:
    """Measure, what it is here, and the target; targets of the standards are for a seated operator."""
    told = found["messages"]
    busiest = max(told["a_person_and_day"].values(), key=lambda row: row["median"] or 0, default=None)
    split = " / ".join(_percent(found["priorities"][name]) for name in ("danger", "session", "digest"))
    chatter = f"{len(found['chattering_10_min'])} / {len(found['chattering_1_min'])}"
    slow = {name: row["p95"] for name, row in told["took_s"].items()}
    here = "nobody yet" if busiest is None else f"{busiest['median']} median, {busiest['most']} most"
    return [
        ("alarms a day", f"{found['alarms_a_day']:.1f}", "about 150, at most 300; a person at a bench about 5"),
        ("alarms an hour", f"{found['alarms_an_hour']:.2f}", "about 6, at most 12"),
        ("alarms in ten minutes, mean", f"{found['alarms_in_10_min']:.3f}", "about 1, at most 2"),
        ("alarms in ten minutes, most", str(found["most_in_10_min"]), "at most 10"),
        ("ten minutes with more than 10", _percent(found["share_of_10_min_above_10"]), "less than 1 %"),
        ("floods; time in them", f"{len(found['floods'])}; {_percent(found['share_in_flood'])}", "less than 1 %"),
        ("ten most frequent, of all", _percent(found["top_share"]), "1 to 5 % (where there are hundreds of alarms)"),
        ("chattering, 3 in 10 min / 1 min", chatter, "0"),
        ("stale, over 24 h, most on a day", str(found["stale_most"]), "less than 5"),
        ("danger / session / digest", split, "5 / 15 / 80 %"),
        ("acknowledged", _percent(found["acknowledged"]), ""),
        ("answered before they were over", _percent(found["answered"]), "at least 90 %"),
        ("cleared by themselves", _percent(found["cleared_by_themselves"]), "at most 5 %"),
        ("explained by another, not told", str(found["explained"]), ""),
        ("interrupting messages a person and day", here, "median at most 5, never above 10 but for danger"),
        ("until accepted, 95 of 100: danger", _seconds(slow["danger"]), "15 s"),
        ("until accepted, 95 of 100: session", _seconds(slow["session"]), "2 min"),
        ("messages that could not be delivered yet", str(told["not_delivered"]), "0"),
    ]  # fmt: skip


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{value * 100:.0f} %"


def _seconds(value: float | None) -> str:
    return "-" if value is None else duration(value)


def text(found: dict[str, Any], proposed: list[Proposal], timezone: str) -> str:
    """The report to be read."""
    lines = [f"{found['alarms']} alarms and {found['messages']['all']} messages in {found['days']:.1f} days", ""]
    if not found["enough"]:
        lines[0] += " (thirty are needed before the figures mean much)"
    lines.append(f"{'measure':<42} {'here':<22} target (ANSI/ISA-18.2, EEMUA 191; P2, P3, R8 of ours)")
    lines += [f"{what:<42} {here:<22} {target}".rstrip() for what, here, target in rows_of(found)]
    lines += ["", "most frequent:"]
    lines += [f"{number:>6}  {key}" for key, number in found["top"]] or ["  none"]
    lines += ["", "messages by rule:"]
    lines += [f"{number:>6}  {rule}" for rule, number in found["messages"]["by_rule"].items()] or ["  none"]
    for name, keys in (("chattering", found["chattering_10_min"]), ("stale now", found["stale_now"])):
        if keys:
            lines += ["", f"{name}: {', '.join(keys)}"]
    if found["floods"]:
        spans = [f"{clock(a, timezone)} to {clock(b, timezone)}" for a, b in found["floods"][-5:]]
        lines += ["", f"last floods: {', '.join(spans)}"]
    if proposed:
        lines += ["", "what other delays and deadbands would have done, tried on what is on record:"]
    for one in proposed:
        lines.append(
            f"  {one.rule}:{one.subject} was raised {one.raised} times, and would have been {one.would_be} times"
        )
        if one.key == "on_delay_s":
            hidden = f"the longest not told lasted {duration(one.longest_hidden_s)}"
            lines.append(f"  ({hidden}; the others come {duration(one.later_s)} later):")
        elif one.key == "deadband":
            lines.append(f"  (what came back by less is one; it is called over {one.then_s:g} within its limit):")
        else:
            lines.append(f"  (what lies closer together is one; it is called over {duration(one.later_s)} later):")
        lines += [f"    {line}" for line in one.as_toml().splitlines()]
    return "\n".join(lines) + "\n"


def plot(found: dict[str, Any], changes: list[Change], path: str, timezone: str) -> None:
    """Alarms by day and priority, and the ten most frequent, as a picture."""
    import matplotlib as mpl  # noqa: PLC0415

    mpl.use("Agg")
    from matplotlib import pyplot as plt  # noqa: PLC0415

    from farmwatch.alarms.report import BIN_S, bins, episodes  # noqa: PLC0415

    figure, (upper, lower) = plt.subplots(2, 1, figsize=(8, 7), layout="constrained")
    raised = [e for e in episodes(changes) if e.raised_s is not None and found["from_s"] <= e.raised_s < found["to_s"]]
    days = max(1, -int(-found["days"] // 1))
    below = [0] * days
    for name, colour in (("danger", "#b3261e"), ("session", "#c77700"), ("digest", "#6b7280")):
        at = [e.raised_s for e in raised if e.priority == name and e.raised_s is not None]
        ten = bins(at, found["from_s"], found["from_s"] + days * 86_400)
        per_day = int(86_400 / BIN_S)
        counts = [sum(ten[d * per_day : (d + 1) * per_day]) for d in range(days)]
        upper.bar(range(days), counts, bottom=below, color=colour, label=name, width=0.9)
        below = [a + b for a, b in zip(below, counts, strict=True)]
    upper.axhline(5, color="0.3", linewidth=1, linestyle="--", label="5 a day")
    first = moment(found["from_s"], found["to_s"], timezone)
    upper.set_xlabel(f"days since {first}")
    upper.set_ylabel("alarms a day")
    upper.legend(frameon=False)
    top = found["top"][::-1]
    lower.barh([key for key, _ in top], [number for _, number in top], color="#6b7280")
    lower.set_xlabel("times raised")
    figure.savefig(path, dpi=150)
    plt.close(figure)
