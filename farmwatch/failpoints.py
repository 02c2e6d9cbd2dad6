"""Named places at which a test can have this process die or stand still. In the product's hands they do nothing.

``FARMWATCH_FAILPOINT=name=kill`` ends the process there with SIGKILL, ``name=kill:3`` at the third visit,
``name=stall`` makes that task wait for ever, ``name=block:40`` holds the whole event loop for 40 s. It is heeded only
below a running pytest (which sets PYTEST_CURRENT_TEST): nobody switches it on by mistake.
"""

import asyncio
import os
import signal
import time

NAMES: dict[str, str] = {
    # name: where it is
    "outbox.queued": "a message's rows are written, nothing is committed",
    "outbox.commit": "a step is written whole, not yet committed",
    "outbox.committed": "the step is durable; the notifier has not been woken",
    "outbox.chosen": "a row has been chosen for its channel",
    "outbox.begun.commit": "the mark of a call is written, not yet committed",
    "outbox.begun": "the mark is durable, the call has not been made",
    "outbox.answered": "the service has answered; nothing of it is on record",
    "outbox.delivered.commit": "the success is written, not yet committed",
    "outbox.delivered": "the success is durable",
    "outbox.failed.commit": "the failure is written, not yet committed",
    "outbox.failed": "the failure is durable",
    "daemon.think": "the brain's task begins a round",
    "daemon.flush": "the readings are about to be written",
    "daemon.awake": "the mark that we live is about to be written",
    "notify.round": "the notifier begins a round",
}

_SET = os.environ.get("FARMWATCH_FAILPOINT", "") if "PYTEST_CURRENT_TEST" in os.environ else ""
_NAME, _, _WHAT = _SET.partition("=")
_KIND, _, _NUMBER = _WHAT.partition(":")
if _SET and (_NAME not in NAMES or _KIND not in ("kill", "stall", "block")):
    raise SystemExit(f"FARMWATCH_FAILPOINT={_SET!r}: no such place or deed")
_visits = 0


def _due(name: str) -> bool:
    global _visits  # noqa: PLW0603  (a process dies once)
    if name != _NAME or name not in NAMES:
        return False
    _visits += 1
    return _KIND != "kill" or _visits >= float(_NUMBER or 1)


def hit(name: str) -> None:
    """Pass a place of `NAMES`."""
    if not _NAME or not _due(name):
        return
    if _KIND == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    elif _KIND == "block":
        time.sleep(float(_NUMBER or 60))


async def pause(name: str) -> None:
    """Pass a place of `NAMES` on the event loop, where a task can also be made to wait for ever."""
    if not _NAME:
        return
    if _KIND == "stall" and _due(name):
        await asyncio.Event().wait()
    hit(name)
