"""``farmwatch act``: have something done at a machine, in two steps, and see whether it did it."""

import json
import sys
import time
from collections.abc import Callable
from typing import Any

from farmwatch.cli import out, talk
from farmwatch.cli_live import ask_daemon, known_machine
from farmwatch.settings import Settings
from farmwatch.words.errors import FarmwatchError

POLL_S = 1.0
SLACK_S = 15.0
"""Beyond the action's own time, before no answer is taken for one."""


def act(
    settings: Settings,
    machine: str,
    action: str,
    *,
    by: str,
    yes: bool,
    as_json: bool,
    read: Callable[[str], str] = input,
    sleep: Callable[[float], None] = time.sleep,
) -> int:
    """Ask, have it confirmed, do it, follow it up. Exit code 1 where the machine does not show it."""
    known_machine(settings, machine)
    named = {"by": by} if by else {}
    proposal = _post(settings, {"machine": machine, "action": action} | named)
    if not yes:
        talk(str(proposal["text"]))
        if not sys.stdin.isatty() and read is input:
            raise FarmwatchError("nothing was done: there is nobody to confirm it", hint="use a terminal, or --yes")
        try:
            typed = read(f"Type {machine} to do it, anything else to leave it: ")
        except (EOFError, KeyboardInterrupt):
            typed = ""
        if typed.strip() != machine:
            talk("nothing was done")
            return 1
    done = _post(settings, {"token": proposal["token"]} | named)
    if not as_json:
        talk(str(done["text"]))
    longest_s = max((a.answer_s for a in settings.actions.values()), default=60.0) + SLACK_S
    waited_s = 0.0
    while done["shown"] is None and waited_s < longest_s:
        sleep(POLL_S)
        waited_s += POLL_S
        done = ask_daemon(settings, f"/api/v1/act/{done['id']}")
    out(json.dumps(done, ensure_ascii=False) if as_json else str(done["text"]))
    return 0 if done["shown"] else 1


def _post(settings: Settings, fields: dict[str, str]) -> dict[str, Any]:
    found = ask_daemon(settings, "/api/v1/act", fields)
    if not isinstance(found, dict):
        raise FarmwatchError("the running Farmwatch gave no answer that can be read", hint="is it the same version?")
    return found
