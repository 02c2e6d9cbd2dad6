"""The doors of the house as Protocols. Adapters implement them; the daemon knows nothing else."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple, Protocol, runtime_checkable

from farmwatch.words.model import Effect, Event, Input, Message, Observed, Said
from farmwatch.words.series import Columns, Floats, Holding, Rollups


class Clock(Protocol):
    """Time as a port: it never jumps while the process runs."""

    def now_s(self) -> float:
        """UTC epoch seconds, steady: wall time at start plus what the monotonic clock has counted since."""
        ...

    async def sleep_until(self, at_s: float) -> None:
        """Return at `at_s` of this clock, or at once if that is past."""
        ...


@runtime_checkable
class DrivenClock(Clock, Protocol):
    """A clock that a source moves: see `farmwatch.clock.WarpClock`."""

    def ahead_s(self) -> float:
        """How far time may go now."""
        ...

    def reach(self, at_s: float) -> None:
        """All that happened until `at_s` has been handed over."""
        ...


class Deliver(Protocol):
    """What a source calls with each input; never blocks, never raises."""

    def __call__(self, item: Input) -> None:
        """Take an input."""
        ...


class Source(Protocol):
    """A transport: brings raw messages in until it is cancelled. Reconnecting is its own business."""

    name: str

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Run until cancelled. An exception that leaves it is logged, and it is started again."""
        ...


class Decoder(Protocol):
    """The wire's side of the engine: inputs to events."""

    def decode(self, item: Input) -> list[Event]:
        """Events of one input; a bad payload gives none, or `SourceDegraded`, and is counted."""
        ...


class Thinker(Protocol):
    """The brain's side of the engine: events to effects."""

    def receive(self, event: Event, now_s: float) -> list[Effect]:
        """Effects of one event."""
        ...

    def advance(self, now_s: float) -> list[Effect]:
        """Effects of the timers that are due at `now_s`."""
        ...

    def next_due_s(self) -> float:
        """When `advance` has work next; infinity if never."""
        ...


class OutboxRow(NamedTuple):
    """A message that waits for a channel."""

    id: str  # message id and channel
    message: Message
    channel: str
    attempts: int
    next_try_s: float
    created_s: float
    rank: int = 0  # place of the channel in the person's order
    maybe: bool = False  # an earlier call may have delivered it


class Journal(Protocol):
    """Durable facts, their history, and the outbox. One writer. Every call is one durable transaction.

    `trouble` says why nothing is durable at the moment; it is empty while all is well. `notice` says what was found
    wrong and what was done about it; empty if all was well.
    """

    trouble: str
    notice: str

    def facts(self) -> list[tuple[str, str, dict[str, Any]]]:
        """All (kind, key, document) that stand."""
        ...

    def commit(self, at_s: float, effects: Sequence[Effect], channels: dict[str, tuple[str, ...]]) -> None:
        """Write all effects of one step, and one outbox row a channel for each message, in one transaction.

        A message whose id is already known is not queued twice. `channels` maps a person to channel names.
        """
        ...

    def due(self, now_s: float, limit: int = 50) -> list[OutboxRow]:
        """Outbox rows whose next try has come, oldest first."""
        ...

    def begun(self, row_ids: Sequence[str]) -> None:
        """A call is about to be made: should nothing more be heard of it, these rows may have arrived."""
        ...

    def delivered(self, row_id: str, at_s: float, took_s: float) -> None:
        """The channel's service has accepted it; the person's other channels need not take it any more."""
        ...

    def failed(
        self, row_id: str, at_s: float, next_try_s: float | None, error: str, *, maybe: bool = False
    ) -> None:
        """An attempt failed; `next_try_s` None gives up, which stays on record; `maybe`: it may have arrived."""
        ...

    def history(
        self, kind: str | None = None, since_s: float = 0.0, limit: int = 200, *, until_s: float = math.inf,
        about: str | None = None,
    ) -> list[dict[str, Any]]:  # fmt: skip
        """Notes on record, newest first, each with `at_s` and `kind`, from `since_s` to `until_s`, both included.

        `about` names a machine, a subject or a place; None takes all.
        """
        ...

    def close(self) -> None:
        """Checkpoint and close."""
        ...


class SeriesStore(Protocol):
    """Readings over time. `append` buffers; `flush` writes; a failing store loses readings, never alarms.

    Numbers and flags are kept, each as a multiple of its quantity's resolution, its time to the millisecond. The
    same subject, quantity and time twice: the later one stands.

    Attributes:
        name: what the store is called where its health is told.
        notice: what was found wrong and what was done about it; empty while all is well.
    """

    name: str
    notice: str

    def append(self, readings: Iterable[Observed]) -> None:
        """Take readings into the bounded buffer; the oldest are dropped and counted when it is full."""
        ...

    async def extend(self, subject: str, source: str, times_s: Floats, values: Mapping[str, Floats]) -> int:
        """Take a block of readings from elsewhere, such as an import; NaN is unknown. How many were taken.

        `values` has a column a quantity, each as long as `times_s`, in any order of time. Written before it returns;
        raises StoreError if that fails, and then it may be given again.
        """
        ...

    async def flush(self) -> None:
        """Write the buffer; raises StoreError, keeping the buffer."""
        ...

    async def read(self, subject: str, quantity: str, start_s: float, end_s: float, points: int = 0) -> Columns:
        """Readings from `start_s` to `end_s`, both included, in time order, the buffer included.

        With `points` above 0 at most about so many rows come, chosen so that no extreme and no gap is lost.
        """
        ...

    async def rollups(self, subject: str, quantity: str, level: str, start_s: float, end_s: float) -> Rollups:
        """Buckets of a level of `words.series.LEVELS` that begin at start_s <= t < end_s, the buffer included."""
        ...

    async def held(self) -> list[Holding]:
        """Every series that is held, by subject and quantity."""
        ...

    async def close(self) -> None:
        """Flush and close."""
        ...


class Channel(Protocol):
    """A way to a person's phone."""

    name: str

    def check(self) -> None:
        """Make ready; raises a FarmwatchError if no message can go this way as it is configured. May take seconds."""
        ...

    async def send(
        self, message: Message, links: Sequence[tuple[str, str]], *, key: str = "", repeat: bool = False
    ) -> None:
        """Hand over one message; raises PeerUnavailable with words that hold no secret.

        `key` is the same for every copy of the message on this channel, so that a receiver can drop repeats;
        `repeat` says that an earlier copy may have arrived.
        """
        ...


class Ask(Protocol):
    """What the page calls when a person says something: the effects, or Refused."""

    async def __call__(self, said: Said, also: Sequence[Effect] = ()) -> list[Effect]:
        """Have it done; `also` is kept in the same transaction, and not at all if it is refused."""
        ...
