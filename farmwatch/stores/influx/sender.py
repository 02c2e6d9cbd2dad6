"""From the spool to the server, on a thread of its own: nothing else ever waits for it."""

import logging
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from farmwatch.stores.influx.peer import Later, TooLarge, Unfit
from farmwatch.stores.influx.spool import Record, Spool

FIRST_PAUSE_S, LONGEST_PAUSE_S, LASTING_PAUSE_S = 1.0, 60.0, 300.0
IDLE_S = 5.0
SPLITS = 64
"""Requests that are spent on finding bad lines within one batch; the rest of it is set aside as a whole."""
log = logging.getLogger(__name__)


class Takes(Protocol):
    """A server that takes lines."""

    def send(self, body: bytes) -> None:
        """Take them, or raise Later, Unfit or TooLarge."""
        ...

    def close(self) -> None:
        """Close."""
        ...


@dataclass(frozen=True, slots=True)
class Delivery:
    """How sending goes. Replaced as a whole, so that it can be read from any thread. Times are of time.monotonic()."""

    sent: int = 0  # lines
    last_ok_s: float | None = None
    failing_since_s: float | None = None
    why: str = ""
    lasting: bool = False


class Sender:
    """Sends batches in order, each until it is taken; see the module."""

    def __init__(self, spool: Spool, peer: Takes, *, first_pause_s: float = FIRST_PAUSE_S,
                 chance: Callable[[], float] = random.random) -> None:  # fmt: skip
        self.delivery = Delivery()
        self._spool, self._peer = spool, peer
        self._first_pause_s, self._chance = first_pause_s, chance
        self._stop, self._wake = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None
        self._failures = 0

    def start(self) -> None:
        """Begin; once."""
        if self._thread is None:
            # A daemon thread: a server that hangs does not hold the end of the program up.
            self._thread = threading.Thread(target=self._run, name="influx-send", daemon=True)
            self._thread.start()

    def wake(self) -> None:
        """There is something to send."""
        self._wake.set()

    def stop(self, within_s: float) -> None:
        """Ask for the end and wait a little for it; what is not sent stays in the spool."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(within_s)

    def _run(self) -> None:
        while not self._stop.is_set():
            pause_s = 0.0
            try:
                record = self._spool.peek()
                if record is None:
                    self._wake.wait(IDLE_S)
                    self._wake.clear()
                    continue
                self._deliver(record)
            except Later as error:
                pause_s = self._failed(error)
            except Exception:
                log.exception("influx: sending failed; it is tried again")
                pause_s = LONGEST_PAUSE_S
            if pause_s:
                self._stop.wait(pause_s)
        self._peer.close()

    def _failed(self, error: Later) -> float:
        """Note it; the seconds to wait: what the server asks for, or doubling with full jitter."""
        before = self.delivery
        if before.why != str(error):
            log.warning("influx: %s; what waits is kept and sent later", error)
        since_s = time.monotonic() if before.failing_since_s is None else before.failing_since_s
        self.delivery = Delivery(before.sent, before.last_ok_s, since_s, str(error), error.lasting)
        self._failures += 1
        if error.after_s is not None:
            return max(error.after_s, 0.05)
        longest_s = LASTING_PAUSE_S if error.lasting else LONGEST_PAUSE_S
        span_s = min(longest_s, self._first_pause_s * 2.0 ** min(self._failures - 1, 16))
        return span_s / 2 + self._chance() * span_s / 2

    def _deliver(self, record: Record) -> None:
        """Send one batch; lines that are refused are set aside once the rest of it is taken."""
        refused: list[tuple[Sequence[bytes], str]] = []
        self._send(record.text(), refused, [SPLITS])
        for lines, why in refused:
            self._spool.refuse(lines, why)
            log.error("influx: %d lines were refused and set aside in refused.txt: %s", len(lines), why)
        self._spool.done(record)
        if self.delivery.why:
            log.info("influx: lines are taken again")
        self._failures = 0
        lost = sum(len(lines) for lines, _ in refused)
        self.delivery = Delivery(self.delivery.sent + record.lines - lost, time.monotonic())

    def _send(self, lines: list[bytes], refused: list[tuple[Sequence[bytes], str]], left: list[int]) -> None:
        try:
            self._peer.send(b"\n".join(lines))
        except TooLarge:
            if len(lines) == 1:
                refused.append((lines, "413: this line alone is too large"))
                return
        except Unfit as error:
            left[0] -= 1
            if len(lines) == 1 or left[0] <= 0:
                refused.append((lines, str(error)))
                return
        else:
            return
        half = len(lines) // 2
        self._send(lines[:half], refused, left)
        self._send(lines[half:], refused, left)
