"""From the outbox to the channels: at least once, each under a deadline of our own, none in another's way.

One attempt a channel at a time, so there are never more than there are channels. That a call begins is on record
before it does; whatever cuts it off, what is sent again says that it may be a repeat, and carries the same key. A
channel that does not answer within the deadline has failed as far as the outbox is concerned; the call is left to
linger for a while, because a success that comes late saves the second copy. What has failed is tried again after
5 s, 10 s and so on up to 10 minutes, with jitter, and not before the service wants to be asked again (Retry-After),
for 24 hours; then it is given up, which the journal keeps on record. While a channel fails, only one old message at
a time probes it, but a new one always tries at once; the first success sends all the rest.

A person's channels are an order of preference. The next one is tried when the one before has failed twice, and a
danger also when it has not been accepted after 60 s; the first to accept it takes it from the others.
"""

import asyncio
import contextlib
import logging
import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

from farmwatch.failpoints import pause
from farmwatch.ports import Channel, Clock, Journal, OutboxRow
from farmwatch.words.errors import FarmwatchError, PeerUnavailable, StoreError
from farmwatch.words.model import COMMANDS, Message

DEADLINE_S = 10.0  # of one attempt
LINGER_S = 20.0  # more, for a late answer, before the call is let go
FIRST_WAIT_S = 5.0
LONGEST_WAIT_S = 600.0
GIVE_UP_S = 86_400.0
LEAST_TRIES = 8  # also of a message that is old already because the collector was off
LOOK_EVERY_S = 5.0
LOOK_AHEAD_S = 86_400.0  # longer than any wait: a row that waits is seen too
FAILURES_BEFORE_NEXT = 2  # of a channel, before the person's next one is tried
DANGER_WAITS_S = 60.0  # for a channel, before the next one is tried as well
LONGEST_AFTER_S = 21_600.0  # that a service may ask to be left alone
UNTOLD_EVERY_S = 60.0
UNTOLD_SHOWN_S = 7 * 86_400.0
STOP_S = 2.0  # grace for calls in hand at an orderly stop
ROWS = 2_000

LinkFor = Callable[[Message, str, str], str | None]


class Parcel(Protocol):
    """What goes out as one message: the row to send, and the ids of all rows that it stands for."""

    @property
    def row(self) -> OutboxRow:
        """What to send."""
        ...

    @property
    def covers(self) -> tuple[str, ...]:
        """Its own id among them."""
        ...


class Gate(Protocol):
    """Whether this collector is the one that speaks, where another stands by."""

    def may(self) -> bool:
        """Whether it may send now."""
        ...

    def elsewhere(self, row: OutboxRow) -> bool:
        """Whether nothing is to be sent any more: the other has."""
        ...

    def sending(self, rows: Sequence[OutboxRow], *, done: bool) -> None:
        """These are about to be sent, or were accepted."""
        ...

    def busy(self, *, sending: bool) -> None:
        """Whether a call is in hand."""
        ...


Collapse = Callable[[Sequence[OutboxRow], float], Sequence[Parcel]]

T = TypeVar("T")
log = logging.getLogger(__name__)


@dataclass(slots=True)
class ChannelState:
    """How a channel does, as the page shows it."""

    failures: int = 0  # in a row
    error: str = ""
    last_ok_s: float | None = None
    last_took_s: float | None = None
    rest_until_s: float = float("-inf")  # nothing old before
    closed_until_s: float = float("-inf")  # nothing at all before: the service said so


class Notifier:
    """Takes rows from the outbox and hands them to the channels.

    `link_for` gives the address that carries out (message, command, subject), or None where there is none;
    `collapse` says what of a channel's rows goes out as one message (rows, now_s).
    Journal calls block for a disk's sync and therefore run on a thread.
    """

    def __init__(
        self,
        journal: Journal,
        channels: dict[str, Channel],
        clock: Clock,
        link_for: LinkFor | None = None,
        *,
        collapse: Collapse | None = None,
        deadline_s: float = DEADLINE_S,
        linger_s: float = LINGER_S,
        rng: random.Random | None = None,
    ) -> None:
        self.state = {name: ChannelState() for name in channels}
        self._journal = journal
        self._channels = channels
        self._clock = clock
        self._link_for = link_for
        self._collapse = collapse
        self._deadline_s = deadline_s
        self._linger_s = linger_s
        self._rng = rng or random.SystemRandom()
        self.beat: Callable[[], None] = lambda: None  # told after each look at the outbox
        self.on_health: Callable[[str, bool, str], None] = lambda *_: None  # channel, works, why not
        self.waiting: dict[str, int] = {}  # rows by channel
        self.untold: list[dict[str, Any]] = []  # what nobody could be told lately, newest first
        self.gate: Gate | None = None  # None: nobody else could speak
        self._untold_looked_s = float("-inf")
        self._woken = asyncio.Event()
        self._busy: dict[str, asyncio.Task[None]] = {}
        self._began_s = clock.now_s()
        self._tried: dict[str, float] = {}  # row: when it last failed
        self._done: dict[str, tuple[float, float]] = {}  # accepted, but not on record yet: (at_s, took_s)

    def wake(self) -> None:
        """There is something new in the outbox."""
        self._woken.set()

    async def run(self) -> None:
        """Deliver until cancelled; then calls in hand get a moment to end."""
        try:
            while True:
                self._woken.clear()
                await pause("notify.round")
                await self._round()
                self.beat()
                with contextlib.suppress(TimeoutError):
                    # Not wait_for: before Python 3.12 it can swallow a cancellation.
                    async with asyncio.timeout(LOOK_EVERY_S):
                        await self._woken.wait()
        finally:
            tasks = list(self._busy.values())
            if tasks:
                _, late = await asyncio.wait(tasks, timeout=STOP_S)
                for task in late:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)

    # ---- what goes next -------------------------------------------------------------------------------------------

    async def _round(self) -> None:
        """Start one attempt on every free channel that has something due."""
        await self._record_done()
        now_s = self._clock.now_s()
        try:
            # All of them: a channel that works again sends at once what waits for a later try.
            rows = await asyncio.to_thread(self._journal.due, now_s + LOOK_AHEAD_S, ROWS)
        except StoreError as error:
            log.error("outbox: %s", error)  # noqa: TRY400  (the words say it all)
            return
        if self.gate is not None:
            rows = await self._gated(self.gate, rows, now_s)
        self.waiting = dict(Counter(row.channel for row in rows))
        await self._look_for_untold(now_s)
        free = {name: found for name, found in self._released(rows, now_s).items() if name not in self._busy}
        for name, waiting in free.items():
            chosen = self._next(name, waiting, now_s)
            if chosen is not None:
                if self.gate is not None:
                    self.gate.busy(sending=True)
                self._busy[name] = asyncio.create_task(self._deliver(name, *chosen), name=f"notify {name}")

    async def _gated(self, gate: Gate, rows: Sequence[OutboxRow], now_s: float) -> list[OutboxRow]:
        """What is still to be sent, by us; nothing while another leads. What the other has sent is done here too."""
        gate.busy(sending=bool(self._busy))
        left = []
        for row in rows:
            if row.channel not in self._busy and gate.elsewhere(row):
                log.info("message %s: the other collector has sent it", row.message.id)
                with contextlib.suppress(StoreError):
                    await asyncio.to_thread(self._journal.delivered, row.id, now_s, 0.0)
                continue
            left.append(row)
        return left if gate.may() else []

    async def _look_for_untold(self, now_s: float) -> None:
        """Once a minute: what has been given up, for the page."""
        if now_s - self._untold_looked_s < UNTOLD_EVERY_S:
            return
        self._untold_looked_s = now_s
        with contextlib.suppress(StoreError):
            notes = await asyncio.to_thread(self._journal.history, "undelivered", now_s - UNTOLD_SHOWN_S, 50)
            self.untold = [note for note in notes if note.get("untold", True)]

    def _next(self, name: str, waiting: list[OutboxRow], now_s: float) -> tuple[OutboxRow, list[OutboxRow]] | None:
        """What to send now, and the rows that it stands for; None if all must wait.

        While a channel fails, its probes are by turns all that has piled up, as one message, and the one row that is
        due: something in the pile that is refused for ever must not hold up the rest.
        """
        state = self.state.get(name, ChannelState())
        ready = [row for row in waiting if self._may_go(row, state, now_s)]
        if not ready:
            return None
        best = min(ready, key=_order)
        if state.failures % 2 or self._collapse is None:
            return best, [best]
        parcels = self._collapse(waiting if state.failures else ready, now_s)
        parcel = next(parcel for parcel in parcels if best.id in parcel.covers)
        return parcel.row, [row for row in waiting if row.id in parcel.covers]

    def _released(self, rows: Sequence[OutboxRow], now_s: float) -> dict[str, list[OutboxRow]]:
        """Rows whose channel it is to tell, by channel, due or not."""
        copies: dict[str, list[OutboxRow]] = {}
        for row in rows:
            copies.setdefault(row.message.id, []).append(row)
        found: dict[str, list[OutboxRow]] = {}
        for row in rows:
            others = copies[row.message.id]
            if row.id in self._done or any(other.id in self._done and other.rank != row.rank for other in others):
                continue
            if all(self._has_failed(other, row, now_s) for other in others if other.rank < row.rank):
                found.setdefault(row.channel, []).append(row)
        return found

    def _has_failed(self, first: OutboxRow, row: OutboxRow, now_s: float) -> bool:
        """Whether the channel of `first`, which the person likes better, has had its chance."""
        state = self.state.get(first.channel)
        if state is None or first.attempts >= FAILURES_BEFORE_NEXT:
            return True
        if first.attempts and state.failures >= FAILURES_BEFORE_NEXT:
            return True
        if row.message.priority != "danger":
            return False
        waits_s = DANGER_WAITS_S * (row.rank - first.rank)
        return now_s - max(first.created_s, self._began_s) >= waits_s or state.closed_until_s > now_s

    def _may_go(self, row: OutboxRow, state: ChannelState, now_s: float) -> bool:
        due = row.next_try_s <= now_s
        if state.closed_until_s > now_s:
            return False
        if row.attempts == 0:
            return due
        if state.failures:
            return due and state.rest_until_s <= now_s
        # The channel works. What failed before it did goes now; what it refused meanwhile waits for its time.
        return due or (state.last_ok_s or float("-inf")) >= self._tried.get(row.id, float("-inf"))

    # ---- one attempt ----------------------------------------------------------------------------------------------

    async def _deliver(self, name: str, row: OutboxRow, covers: Sequence[OutboxRow]) -> None:
        try:
            channel = self._channels.get(name)
            if channel is None:
                error = PeerUnavailable(f"there is no channel {name!r} in the configuration", after_s=LONGEST_WAIT_S)
                await self._failed(name, covers, error, closes=False)
            else:
                await pause("outbox.chosen")
                await self._attempt(name, channel, row, covers)
        finally:
            self._busy.pop(name, None)
            self._woken.set()

    async def _attempt(self, name: str, channel: Channel, row: OutboxRow, covers: Sequence[OutboxRow]) -> None:
        with contextlib.suppress(StoreError):
            await asyncio.to_thread(self._journal.begun, [one.id for one in covers])
        await pause("outbox.begun")
        if self.gate is not None:
            if not self.gate.may():
                return
            self.gate.sending(covers, done=False)
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        key = row.id if len(covers) == 1 else f"{row.message.id}|{name}"
        repeat = any(one.maybe for one in covers)
        sending = channel.send(row.message, self._links(row.message), key=key, repeat=repeat)
        call = loop.create_task(sending, name=f"send {name}")
        try:
            await asyncio.wait({call}, timeout=self._deadline_s)
            if not call.done():
                late = PeerUnavailable(f"no answer within {self._deadline_s:.0f} s", maybe=True)
                await self._failed(name, covers, late)
                await asyncio.wait({call}, timeout=self._linger_s)
            if not call.done():
                return
            error = call.exception() if not call.cancelled() else asyncio.CancelledError()
            took_s = loop.time() - began_s
            await pause("outbox.answered")
            if error is None:
                await self._delivered(name, covers, took_s)
            elif took_s <= self._deadline_s:
                await self._failed(name, covers, error)
        finally:
            if not call.done():
                call.cancel()
                call.add_done_callback(_look_away)

    def _links(self, message: Message) -> list[tuple[str, str]]:
        links: list[tuple[str, str]] = []
        for command, subject in message.actions:
            address = self._link_for(message, command, subject) if self._link_for is not None else None
            if address is not None:
                links.append((f"{subject}: {COMMANDS.get(command, command)}", address))
        return links

    async def _delivered(self, name: str, covers: Sequence[OutboxRow], took_s: float) -> None:
        now_s = self._clock.now_s()
        before = self.state.get(name)
        self.state[name] = ChannelState(last_ok_s=now_s, last_took_s=took_s)
        if before is None or before.failures or before.last_ok_s is None:
            self.on_health(name, True, "")
        if self.gate is not None:
            self.gate.sending(covers, done=True)
        for row in covers:
            self._done[row.id] = (now_s, took_s)
            self._tried.pop(row.id, None)
            log.info("message %s went out by %s in %.1f s", row.message.id, name, took_s)
        await self._record_done()

    async def _record_done(self) -> None:
        """Put on record what was accepted; what cannot be recorded is not sent again by this process."""
        for row_id, (at_s, took_s) in list(self._done.items()):
            try:
                await asyncio.to_thread(self._journal.delivered, row_id, at_s, took_s)
            except StoreError as error:
                log.error("outbox: %s", error)  # noqa: TRY400  (the words say it all)
                return
            self._done.pop(row_id, None)
            await pause("outbox.delivered")

    async def _failed(
        self, name: str, covers: Sequence[OutboxRow], error: BaseException, *, closes: bool = True
    ) -> None:
        now_s = self._clock.now_s()
        after_s = min((getattr(error, "after_s", None) or 0.0), LONGEST_AFTER_S)
        state = self.state.setdefault(name, ChannelState())
        state.failures += 1
        state.error = words_of(error)
        if state.failures == 1:
            self.on_health(name, False, state.error)
        state.rest_until_s = now_s + wait_s(state.failures) * self._rng.uniform(0.8, 1.2)
        if closes and after_s:
            state.closed_until_s = now_s + after_s
        for row in covers:
            await self._put_off(name, row, error, now_s, after_s)
        await pause("outbox.failed")

    async def _put_off(self, name: str, row: OutboxRow, error: BaseException, now_s: float, after_s: float) -> None:
        """Until a later try, or for good."""
        words = words_of(error)
        pause_s = max(after_s, wait_s(row.attempts + 1) * self._rng.uniform(0.8, 1.2))
        gives_up = row.attempts + 1 >= LEAST_TRIES and now_s + pause_s - row.created_s > GIVE_UP_S
        if gives_up:
            log.error("message %s could not be told by %s, given up: %s", row.message.id, name, words)
            self._tried.pop(row.id, None)
        else:
            log.warning("message %s by %s, try %d: %s", row.message.id, name, row.attempts + 1, words)
            self._tried[row.id] = now_s
        next_s = None if gives_up else now_s + pause_s
        # A foreign error says nothing about what had been sent before it.
        maybe = row.maybe or not isinstance(error, FarmwatchError) or bool(getattr(error, "maybe", False))
        try:
            await asyncio.to_thread(self._journal.failed, row.id, now_s, next_s, words, maybe=maybe)
        except StoreError as trouble:
            log.error("outbox: %s", trouble)  # noqa: TRY400  (the words say it all)


def _order(row: OutboxRow) -> tuple[bool, int, float]:
    """Danger before the rest, seldom tried before often, old before young."""
    return (row.message.priority != "danger", row.attempts, row.created_s)


def wait_s(attempts: int) -> float:
    """Seconds before the next try after so many: 5, 10, 20 and so on up to 600."""
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(max(attempts - 1, 0), 20))


def words_of(error: BaseException) -> str:
    """Words for the log and the page. Only our own errors may speak: others hold addresses, tokens and all."""
    return str(error) if isinstance(error, FarmwatchError) else f"failed inside ({type(error).__name__})"


def _look_away(call: "asyncio.Task[None]") -> None:
    """Take the result of a call that was let go, so that nobody complains that it was never taken."""
    if not call.cancelled():
        call.exception()
