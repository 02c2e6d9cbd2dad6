"""``farmwatch token``: tokens of programs that ask the API, made, listed and removed."""

import argparse
import json
from datetime import UTC, datetime

from farmwatch.cli import out, talk
from farmwatch.clock import SteadyClock
from farmwatch.settings import Settings
from farmwatch.web import tokens
from farmwatch.words.errors import FarmwatchError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("what", choices=("add", "list", "remove"))
    parser.add_argument("name", nargs="?", help="add, remove: of which program or person")
    parser.add_argument("--role", choices=tokens.ROLES, help="add: look reads; act also says what people say")
    parser.add_argument("--json", action="store_true", help="list: as JSON")


def run(settings: Settings, args: argparse.Namespace) -> int:
    """Carry it out; the exit code."""
    path = settings.data_path / tokens.FILE
    kept = tokens.load(path)
    if args.what == "list":
        _list(kept, as_json=args.json)
        return 0
    name = args.name or ""
    if not tokens.NAME.fullmatch(name):
        raise FarmwatchError("no name, or one that cannot be one", hint="at most 40 of letters, digits and . _ -")
    there = any(token.name == name for token in kept)
    if args.what == "remove":
        if not there:
            raise FarmwatchError(f'no token is called "{name}"', hint="farmwatch token list")
        tokens.save(path, [token for token in kept if token.name != name])
        talk(f'the token "{name}" is refused from now on')
        return 0
    if there:
        raise FarmwatchError(f'a token is called "{name}" already', hint=f"farmwatch token remove {name}")
    if args.role is None:
        raise FarmwatchError("which role?", hint="--role look reads; --role act also says what people say")
    if len(kept) >= tokens.MOST:
        raise FarmwatchError(f"there are {tokens.MOST} tokens", hint="remove those that nobody uses")
    token, text = tokens.make(name, args.role, SteadyClock().now_s())
    tokens.save(path, [*kept, token])
    talk("This is shown once; what is kept is a hash of it. Send it as: Authorization: Bearer TOKEN")
    out(text)
    return 0


def _list(kept: list[tokens.Token], *, as_json: bool) -> None:
    made = {token.name: datetime.fromtimestamp(token.made_s, UTC).isoformat(timespec="seconds") for token in kept}
    if as_json:
        out(json.dumps([{"name": token.name, "role": token.role, "made": made[token.name]} for token in kept]))
        return
    for token in kept:
        out(f"{token.name}: {token.role}, made {made[token.name]}")
    if not kept:
        talk("no tokens")
