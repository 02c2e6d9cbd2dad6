"""Talks to a service manager by the sd_notify protocol: ready, alive, stopping. Silent where there is none.

And the form of what is written to its log, which stays short when the computer runs out of something.
"""

import asyncio
import errno
import logging
import os
import socket
import time
from typing import Any

log = logging.getLogger("farmwatch")

SCARCE = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM})
SAID_EVERY_S = 60.0


class Calm:
    """An event loop's exception handler: says once a minute what a loop without file handles says 128 times a second.

    Such a loop tries again by itself; all other errors are logged as ever.
    """

    def __init__(self) -> None:
        self.count = 0
        self._said_s = float("-inf")

    def __call__(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Take what the loop has to say."""
        error = context.get("exception")
        if not isinstance(error, OSError) or error.errno not in SCARCE:
            loop.default_exception_handler(context)
            return
        self.count += 1
        if time.monotonic() - self._said_s >= SAID_EVERY_S:
            self._said_s = time.monotonic()
            log.error("no connection can be taken: %s (%d times so far); it is tried again", error.strerror, self.count)


def plain_line(text: str) -> str:
    """`text` with what is not printable escaped: nothing from outside begins a line or speaks to a terminal."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class PlainLines(logging.Formatter):
    """One line a record, whatever names devices have (OWASP ASVS 5.0, 16.4.1); tracebacks follow on lines of theirs."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802  (the library's name)
        """The line without a traceback."""
        record.message = plain_line(record.message)
        return super().formatMessage(record)


class ServiceManager:
    """Datagrams to ``$NOTIFY_SOCKET`` (systemd's sd_notify(3)); every call is cheap and never raises."""

    def __init__(self) -> None:
        self._path = os.environ.get("NOTIFY_SOCKET", "")
        self._last_s = 0.0

    def _send(self, text: str) -> None:
        if not self._path:
            return
        address = "\0" + self._path[1:] if self._path.startswith("@") else self._path
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
                door.sendto(text.encode(), address)
        except OSError:
            return

    def ready(self, status: str) -> None:
        """Started."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Every task makes progress; told at most every five seconds."""
        now_s = time.monotonic()
        if now_s - self._last_s >= 5.0:
            self._last_s = now_s
            self._send("WATCHDOG=1")

    def stuck(self) -> None:
        """A task stands still: have the watchdog act at once rather than at its time (systemd 243 and later)."""
        self._send("WATCHDOG=trigger")

    def stopping(self) -> None:
        """An orderly stop has begun."""
        self._send("STOPPING=1")
