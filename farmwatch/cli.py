"""The command line. What a command needs is imported when it runs, so that --help is quick.

Data goes to standard output, talk to standard error. Exit codes: 0 well; 1 it could not be done; 2 wrong usage or
configuration; 69 a peer is unavailable; 75 try again later (the numbers of sysexits.h).
"""

import argparse
import json
import os
import signal
import sys
from collections.abc import Callable, Sequence
from typing import Any

from farmwatch import __version__

FAILED, USAGE, UNAVAILABLE, TRY_AGAIN = 1, 2, 69, 75
CONFIG = "farmwatch.toml"
BOLD, PLAIN = "\033[1m", "\033[0m"

EXAMPLES = """\
examples:
  farmwatch demo                     a simulated shop on http://127.0.0.1:8420/
  farmwatch init                     write farmwatch.toml and a folder for secrets
  farmwatch init --listen broker     propose mappings from what the broker's devices say
  farmwatch check --online           every mistake; then the last value that each mapping yields
  farmwatch run                      watch
  farmwatch say cleared avocet       the bed of avocet is clear

exit codes: 0 well, 1 not done, 2 usage or configuration, 69 a peer is unavailable, 75 try again later;
of status: 0 nothing needs a person, 3 something does, 4 danger, 5 not known
"""

SHOP_WORDS = {
    "spool": "spool_added, spool_weighed and so on: which spool",
    "part": "serviced: nozzle, belts and so on",
    "note": "serviced, noted: what is worth remembering",
}
SHOP_NUMBERS = {
    "pieces": "pieces: good pieces of the last build; wanted: how many",
    "grams": "spool_added, spool_weighed: grams of filament",
    "gross_g": "spool_weighed: grams with the reel",
    "empty_g": "spool_added: grams of the empty reel",
    "diameter_mm": "spool_added: diameter of the filament",
    "price": "spool_added: what it has cost",
}

Verb = Callable[[argparse.Namespace], int]


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command; its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    args = build_parser(words).parse_args(words)
    try:
        return _guarded(args)
    except BrokenPipeError:  # the reader of our output has gone, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 128 + signal.SIGINT


def _guarded(args: argparse.Namespace) -> int:
    from farmwatch.words.errors import ConfigError, FarmwatchError, PeerUnavailable

    verb: Verb = args.verb
    try:
        return verb(args)
    except ConfigError as error:
        talk(str(error))
        talk(f"{_mistakes(error)}; nothing was started")
        return USAGE
    except PeerUnavailable as error:
        talk(f"unavailable: {error}")
        return UNAVAILABLE
    except FarmwatchError as error:
        talk(str(error))
        return FAILED


def _mistakes(error: Exception) -> str:
    count = len(getattr(error, "problems", ())) or 1
    return "1 mistake in the configuration" if count == 1 else f"{count} mistakes in the configuration"


# ---- the parser ------------------------------------------------------------------------------------------------


def build_parser(words: Sequence[str] = ()) -> argparse.ArgumentParser:
    """The parser; of verbs with options of their own module, only the one that is asked for is filled in."""
    parser = argparse.ArgumentParser(
        prog="farmwatch",
        description="Watches a bank of filament printers and tells your phone what needs a person.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"farmwatch {__version__}")
    verbs = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def verb(name: str, run: Verb, about: str, *, config: bool = True) -> argparse.ArgumentParser:
        sub = verbs.add_parser(name, help=about, description=about[:1].upper() + about[1:] + ".")
        sub.set_defaults(verb=run)
        if config:
            sub.add_argument("--config", "-c", default=CONFIG, metavar="FILE", help=f"configuration (default {CONFIG})")
        return sub

    _add_running(verb)
    _add_setting_up(verb)
    _add_recordings(verb)
    _add_telling(verb, words)
    _add_showing(verb, words)
    whatif = verb(
        "whatif",
        whatif_verb,
        "work out on paper: runtime of a backup, an outage, starts, room for more machines",
        config=False,
    )
    if "whatif" in words:
        from farmwatch.whatif import add_arguments

        add_arguments(whatif)
    return parser


Add = Callable[..., argparse.ArgumentParser]


def _add_running(verb: Add) -> None:
    demo = verb("demo", demo_verb, "show a simulated shop, with nothing to set up", config=False)
    demo.add_argument("--speed", type=float, metavar="N", help="times real time until the present is met")
    demo.add_argument("--seed", type=int, metavar="N", help="other days with another seed")
    demo.add_argument("--port", type=int, metavar="PORT", help="port of the page; 0 takes a free one")
    demo.add_argument("--keep", metavar="FOLDER", help="configuration and data stay in this new folder when it ends")
    run = verb("run", run_verb, "watch the shop until stopped")
    run.add_argument("--port", type=int, metavar="PORT", help="port of the page")
    run.add_argument("--bind", metavar="ADDRESS", help="address of the page")
    run.add_argument("--data-dir", metavar="FOLDER", help="databases")
    run.add_argument("--record", metavar="FILE", help="write all that comes in and all that people say to its end")


def _add_setting_up(verb: Add) -> None:
    init = verb("init", init_verb, "write a commented configuration and a folder for secrets, or propose mappings")
    init.add_argument("--listen", metavar="HOST[:PORT]", help="listen to a broker and print mappings for what it says")
    init.add_argument("--seconds", type=float, default=30.0, metavar="N", help="how long to listen (default 30)")
    init.add_argument("--topic", default="#", metavar="FILTER", help="topics to listen to (default all)")
    init.add_argument("--user", default="", metavar="NAME", help="broker's user; password: secrets/mqtt_password")
    check = verb("check", check_verb, "list every mistake in the configuration")
    check.add_argument("--online", action="store_true", help="ask every peer, and print what each mapping yields")
    check.add_argument("--seconds", type=float, default=10.0, metavar="N", help="how long to wait online (default 10)")
    check.add_argument("--json", action="store_true", help="as JSON")
    about = "print the configuration's schema, its values, the table of its keys, or the memory to allow"
    config = verb("config", config_verb, about)
    config.add_argument("what", choices=("show", "schema", "reference", "memory"))


def _add_recordings(verb: Add) -> None:
    record = verb("record", record_verb, "write every raw message as received")
    record.add_argument("--seconds", type=float, default=0.0, metavar="N", help="stop after this (default: Ctrl-C)")
    record.add_argument("--output", "-o", default="-", metavar="FILE", help="recording (default standard output)")
    replay = verb("replay", replay_verb, "feed a recording through everything, in virtual time")
    replay.add_argument("recording", help='JSON Lines, or "-" for standard input')
    replay.add_argument("--json", action="store_true", help="as JSON Lines")
    score = verb("score", score_verb, "how good the finish times were, held against builds that are over")
    score.add_argument("recording", nargs="?", help="a recording; or --history for the builds of the journal")
    score.add_argument("--history", action="store_true", help="the builds that this configuration has watched")
    score.add_argument("--json", action="store_true", help="as JSON")
    score.add_argument("--plot", metavar="FILE", help="draw a picture as well")


def _add_telling(verb: Add, words: Sequence[str]) -> None:
    say = verb("say", say_verb, "tell the running Farmwatch what you did")
    commands: dict[str, str] = {}
    if "say" in words:
        from farmwatch.words.model import COMMANDS as commands  # noqa: N811  (a table, used as a variable)
    say.add_argument("command", choices=list(commands) or None, metavar="WHAT", help=", ".join(commands))
    say.add_argument("machine", nargs="?", help="about which machine")
    say.add_argument("--by", default=os.environ.get("USER", ""), metavar="NAME", help="who says so")
    say.add_argument("--job", help="started: name of the job")
    say.add_argument("--material", help="started, spool_added: feedstock")
    say.add_argument("--planned-min", type=float, metavar="MIN", help="started: how long it should take")
    say.add_argument("--value", type=float, metavar="N", help="valued: what saving the build is worth; 0: nothing")
    say.add_argument("--due", metavar="DATE", help="wanted: by when, such as 2026-11-27")
    say.add_argument("--alarm", metavar="ID", help="acknowledged, shelved, unshelved: which alarm")
    say.add_argument("--minutes", type=float, metavar="MIN", help="shelved, out_of_service: how long")
    say.add_argument("--level", metavar="LEVEL", help="plug_level: off_w, idle_w, hold_low_w, hold_high_w or heat_w")
    for name, about in SHOP_WORDS.items():
        say.add_argument(f"--{name.replace('_', '-')}", metavar="TEXT", help=about)
    for name, about in SHOP_NUMBERS.items():
        say.add_argument(f"--{name.replace('_', '-')}", type=float, metavar="N", help=about)
    say.add_argument("--reason", help="shelved, out_of_service: why")
    act = verb("act", act_verb, "have something done at a machine, if its owner has turned that on; asks first")
    act.add_argument("machine", help="at which machine")
    act.add_argument("action", help="name of the action, or pause, resume, stop, off")
    act.add_argument("--by", default=os.environ.get("USER", ""), metavar="NAME", help="who asks")
    act.add_argument("--yes", action="store_true", help="do not ask again (it must be turned on all the same)")
    act.add_argument("--json", action="store_true", help="what became of it, as JSON")
    notify = verb("notify", notify_verb, "test: a message through each channel; status: what waits, what was not told")
    notify.add_argument("what", choices=("test", "status"))
    notify.add_argument("channel", nargs="*", help="only these channels")


def _add_showing(verb: Add, words: Sequence[str]) -> None:
    alarms = verb("alarms", alarms_verb, "list, acknowledge, shelve; how good the alarms are (alarms report)")
    if "alarms" in words:
        from farmwatch.cli_alarms import add_arguments

        add_arguments(alarms)
    status = verb("status", status_verb, "show what needs you, when next, and whether power is safe")
    status.add_argument("--watch", "-w", action="store_true", help="again every two seconds, until Ctrl-C")
    status.add_argument("--json", action="store_true", help="the whole view as JSON")
    status.add_argument("--chart", default="", metavar="NAME[.QUANTITY]", help="draw a quantity too (default power_w)")
    status.add_argument("--hours", type=float, default=24.0, metavar="N", help="of the chart (default 24)")
    report = verb("report", report_verb, "what the machines gave: builds, time, energy, filament, cost of a part")
    work = verb("work", work_verb, "import and export wanted quantities; the proposal for the next rounds (work plan)")
    if "work" in words:
        from farmwatch.cli_work import add_arguments as add_work

        add_work(work)
    spools = verb("spools", spools_verb, "import and export spools as CSV")
    if "spools" in words:
        from farmwatch.cli_spools import add_arguments as add_spools

        add_spools(spools)
    token = verb("token", token_verb, "make, list and remove tokens of programs that ask the API")
    if "token" in words:
        from farmwatch.cli_token import add_arguments as add_token

        add_token(token)
    if "report" in words:
        from farmwatch.cli_report import add_arguments as add_report

        add_report(report)
    rules = verb("rules", rules_verb, "print the alarm table", config=False)
    rules.add_argument("--json", action="store_true", help="as JSON")
    version = verb("version", version_verb, "print the version", config=False)
    version.add_argument("--json", action="store_true", help="with Python, SQLite and libraries, as JSON")
    store = verb("store", store_verb, "look the history over, make it smaller, or say what is in it")
    store.add_argument("what", choices=("check", "compact", "stats", "spool"))
    store.add_argument("--json", action="store_true", help="as JSON")
    _add_files(verb, words)
    ups = verb("ups", ups_verb, "write or look over the UPS server's configuration for units on USB", config=False)
    if "ups" in words:
        from farmwatch.cli_ups import add_arguments as add_ups

        add_ups(ups)
    verb("healthcheck", health_verb, "ask the running Farmwatch whether it is well (for containers)")


def _add_files(verb: Add, words: Sequence[str]) -> None:
    export = verb("export", export_verb, "write readings to a file: CSV, JSON Lines, line protocol, Parquet")
    take = verb("import", import_verb, "take readings from such a file, or from a CSV from elsewhere")
    if "export" in words or "import" in words:
        from farmwatch.cli_exchange import add_export, add_import

        add_export(export)
        add_import(take)
    backup = verb("backup", backup_verb, "copy the databases while it runs, and look the copy over")
    backup.add_argument("folder", nargs="?", help="new folder (default farmwatch-backup-<time>)")
    restore = verb("restore", restore_verb, "put a backup in place; what is there is moved aside")
    restore.add_argument("folder", help="a folder that backup has written")


# ---- words out --------------------------------------------------------------------------------------------------


def out(text: str) -> None:
    """Data."""
    print(text)


def talk(text: str) -> None:
    """Talk."""
    print(text, file=sys.stderr, flush=True)


def bold(text: str) -> str:
    """Bold on a terminal that has not asked for plain text (no-color.org)."""
    return f"{BOLD}{text}{PLAIN}" if sys.stdout.isatty() and not os.environ.get("NO_COLOR") else text


# ---- the verbs --------------------------------------------------------------------------------------------------


def demo_verb(args: argparse.Namespace) -> int:
    """Run the embedded demonstration."""
    from farmwatch import cli_demo

    return cli_demo.run(args)


def run_verb(args: argparse.Namespace) -> int:
    """Watch."""
    from farmwatch.assemble import run_daemon
    from farmwatch.settings import load

    overrides: dict[str, Any] = {}
    web = {key: getattr(args, key) for key in ("port", "bind") if getattr(args, key) is not None}
    if web:
        overrides["web"] = web
    if args.data_dir is not None:
        overrides["data_dir"] = os.path.abspath(args.data_dir)  # noqa: PTH100  (relative to here, not to the configuration)
    return run_daemon(load(args.config, overrides), record=args.record)


def init_verb(args: argparse.Namespace) -> int:
    """Write a configuration, or propose mappings."""
    from farmwatch import cli_init

    if args.listen:
        return cli_init.listen(args.listen, args.seconds, args.topic, args.user, args.config)
    return cli_init.write(args.config)


def check_verb(args: argparse.Namespace) -> int:
    """List mistakes, all of them; with --online also ask the peers."""
    from farmwatch import cli_live
    from farmwatch.settings import ConfigErrors, load
    from farmwatch.settings_people import remarks

    try:
        settings = load(args.config)
        cli_live.check_channels(settings)
    except ConfigErrors as error:
        if args.json:
            fields = ("file", "line", "key", "what", "suggestion")
            out(json.dumps([{name: getattr(p, name) for name in fields} for p in error.problems], indent=1))
        else:
            out("\n".join(map(str, error.problems)))
        talk(_mistakes(error))
        return USAGE
    if args.online:
        return cli_live.check_online(settings, args.seconds, as_json=args.json)
    if args.json:
        out("[]")
    plan = settings.plan()
    parts = ("machines", "backups", "circuits", "sources", "people")
    counts = ", ".join(f"{len(getattr(plan, part))} {part}" for part in parts)
    talk(f"{args.config} is right: {counts}")
    for remark in remarks(settings):
        talk(f"note: {remark}")
    if not plan.machines:
        talk("no machine yet: uncomment the examples in it, then check again")
    return 0


def ups_verb(args: argparse.Namespace) -> int:
    """The UPS server's configuration."""
    from farmwatch import cli_ups

    return cli_ups.run(args)


def config_verb(args: argparse.Namespace) -> int:
    """Print schema, values or keys."""
    from farmwatch import settings

    if args.what == "schema":
        out(json.dumps(settings.json_schema(), indent=1, ensure_ascii=False))
    elif args.what == "reference":
        out(settings.reference().rstrip("\n"))
    elif args.what == "memory":
        from farmwatch.settings_check import memory_mib

        out(f"{memory_mib(len(settings.load(args.config, live=False).machines))}M")
    else:
        for key, value, origin in settings.shown(settings.load(args.config)):
            out(f"{bold(key)} = {value}  # {origin}")
    return 0


def record_verb(args: argparse.Namespace) -> int:
    """Write a recording."""
    from farmwatch import cli_live
    from farmwatch.settings import load

    return cli_live.record(load(args.config), args.output, args.seconds)


def score_verb(args: argparse.Namespace) -> int:
    """How good the finish times were."""
    from farmwatch import score

    return score.run(args)


def replay_verb(args: argparse.Namespace) -> int:
    """Replay a recording."""
    from farmwatch import replay

    return replay.run(args)


def say_verb(args: argparse.Namespace) -> int:
    """Post what somebody did to the running daemon."""
    from farmwatch import cli_live
    from farmwatch.settings import load

    names = (
        "command", "machine", "by", "job", "material", "planned_min", "alarm", "minutes", "value", "level", "reason",
        "due", *SHOP_WORDS, *SHOP_NUMBERS,
    )  # fmt: skip
    fields = {name: getattr(args, name) for name in names if getattr(args, name) not in (None, "")}
    return cli_live.say(load(args.config, live=False), fields)


def act_verb(args: argparse.Namespace) -> int:
    """Have something done at a machine."""
    from farmwatch import cli_act
    from farmwatch.settings import load

    settings = load(args.config, live=False)
    return cli_act.act(settings, args.machine, args.action, by=args.by, yes=args.yes, as_json=args.json)


def notify_verb(args: argparse.Namespace) -> int:
    """Try the channels."""
    from farmwatch import cli_live
    from farmwatch.settings import load

    if args.what == "status":
        return cli_live.notify_status(load(args.config))
    return cli_live.notify_test(load(args.config), args.channel)


def health_verb(args: argparse.Namespace) -> int:
    """Ask the running daemon."""
    from farmwatch import cli_live
    from farmwatch.settings import load

    return cli_live.health(load(args.config, live=False))


def alarms_verb(args: argparse.Namespace) -> int:
    """List alarms, say something of one, or report on all."""
    from farmwatch import cli_alarms

    return cli_alarms.run(args)


def status_verb(args: argparse.Namespace) -> int:
    """How things stand, as text."""
    from farmwatch.cli_status import status
    from farmwatch.settings import load

    if not 0 < args.hours <= 24 * 366:
        talk("--hours must be above 0 and at most 8784, a year")
        return USAGE
    settings = load(args.config, live=False)
    return status(settings, watch=args.watch, as_json=args.json, chart=args.chart, hours=args.hours)


def spools_verb(args: argparse.Namespace) -> int:
    """Spools in and out."""
    from farmwatch import cli_spools
    from farmwatch.settings import load

    return cli_spools.run(load(args.config, live=False), args)


def token_verb(args: argparse.Namespace) -> int:
    """Tokens of programs."""
    from farmwatch import cli_token
    from farmwatch.settings import load

    return cli_token.run(load(args.config, live=False), args)


def work_verb(args: argparse.Namespace) -> int:
    """Wanted quantities, and what goes where."""
    from farmwatch import cli_work
    from farmwatch.settings import load

    return cli_work.run(load(args.config, live=False), args)


def report_verb(args: argparse.Namespace) -> int:
    """What the machines gave."""
    from farmwatch import cli_report

    return cli_report.run(args)


def store_verb(args: argparse.Namespace) -> int:
    """The history's file."""
    from farmwatch import cli_store

    return cli_store.run(args)


def export_verb(args: argparse.Namespace) -> int:
    """Readings to a file."""
    from farmwatch import cli_exchange

    return cli_exchange.run_export(args)


def import_verb(args: argparse.Namespace) -> int:
    """Readings from a file."""
    from farmwatch import cli_exchange

    return cli_exchange.run_import(args)


def backup_verb(args: argparse.Namespace) -> int:
    """Copy the databases."""
    from farmwatch import cli_backup

    return cli_backup.run_backup(args)


def restore_verb(args: argparse.Namespace) -> int:
    """Put a backup in place."""
    from farmwatch import cli_backup

    return cli_backup.run_restore(args)


def rules_verb(args: argparse.Namespace) -> int:
    """Print the alarm table."""
    from farmwatch.cli_tables import alarm_rows, alarm_table

    out(json.dumps(alarm_rows(), indent=1, ensure_ascii=False) if args.json else alarm_table().rstrip("\n"))
    return 0


def version_verb(args: argparse.Namespace) -> int:
    """Print versions."""
    if not args.json:
        out(__version__)
        return 0
    import platform
    import sqlite3
    from importlib.metadata import PackageNotFoundError, version

    names = ("aiohttp", "apprise", "paho-mqtt", "pydantic", "pydantic-settings")
    libraries: dict[str, str | None] = {}
    for name in names:
        try:
            libraries[name] = version(name)
        except PackageNotFoundError:
            libraries[name] = None
    about = {"farmwatch": __version__, "python": platform.python_version(), "sqlite": sqlite3.sqlite_version}
    out(json.dumps(about | {"libraries": libraries}, indent=1))
    return 0


def whatif_verb(args: argparse.Namespace) -> int:
    """Try a change on paper."""
    from farmwatch import whatif

    return whatif.run(args)
