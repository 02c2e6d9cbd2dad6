"""The daemon's life: one inbox, supervised sources, effects performed in their order, an orderly stop.

Three lanes leave the brain. Journal: durable and awaited before the phone and before a person is answered.
Series: buffered and bounded, drops are counted. Page: the latest wins. A slow database never delays an alarm
that does not need it.
"""

import asyncio
import contextlib
import io
import logging
import time
from collections import deque
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any, Protocol

from farmwatch.engine import Engine
from farmwatch.failpoints import pause
from farmwatch.ports import Clock, Journal, SeriesStore, Source
from farmwatch.pulse import Pulse
from farmwatch.words.errors import FarmwatchError, Refused, StoreError
from farmwatch.words.model import (
    Awoke,
    ClockHealth,
    Effect,
    Event,
    Input,
    Keep,
    Message,
    Note,
    Observed,
    Raw,
    Said,
    StoreHealth,
    Work,
    Worked,
)

log = logging.getLogger("farmwatch")

INBOX_LIMIT = 20_000
SLICE = 256
AWAY_S = 15.0  # more than a round of thinking ever waits
"""Inputs handled in one go, so that the loop is never held for more than some milliseconds."""
FLUSH_S = 55.0
"""A crash loses at most a minute of readings, the time of writing included."""
AWAKE_S = 30.0
THINK_S = 5.0  # a round of thinking comes at least so often
LOOK_S = 2.0
BRAIN_S = 20.0
SLOW_S = 120.0
"""Longest silences: of the brain, and of tasks that wait for a disk."""
STOP_S = 3.0
DRAIN_S = 2.0
"""The stop as a whole stays within ten seconds, whatever the peers and the disks do."""
SETTLED_S = 2.0
"""The page waits so long, at most, for a commit that is under way."""
JOURNALLED = frozenset({"state", "build", "use", "alarm", "outage", "energy", "said", "round", "awoke"})


class Page(Protocol):
    """What the daemon needs of the web server."""

    def changed(self, *, soon: bool = False) -> None:
        """Something is new; `soon`: a state or an alarm, not only a reading."""
        ...

    async def start(self) -> str:
        """Serve; the page's address."""
        ...

    async def stop(self) -> None:
        """Stop serving within two seconds."""
        ...


class Postman(Protocol):
    """What the daemon needs of the notifier."""

    def wake(self) -> None:
        """There is something in the outbox."""
        ...

    async def run(self) -> None:
        """Deliver until cancelled."""
        ...


@dataclass
class Parts:
    """What the daemon is put together from."""

    engine: Engine
    clock: Clock
    sources: Sequence[Source]
    journal: Journal
    series: Sequence[SeriesStore]
    channels: dict[str, tuple[str, ...]]
    postman: Postman | None = None
    page: Page | None = None
    journal_thread: ThreadPoolExecutor = field(
        default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="journal")
    )
    answer: Callable[[Work], Any] | None = None  # what takes long, on a thread; None leaves it unanswered
    awake: Callable[[float], None] | None = None
    dark_since_s: float | None = None
    clock_doubt: Callable[[], str] | None = None  # why the computer's clock cannot be trusted, "" if it can
    tick: Callable[[], None] | None = None  # told every two seconds while every task makes progress
    stuck: Callable[[list[str]], None] | None = None  # told once when some do not
    watched: dict[str, float] = field(default_factory=dict)  # others that call `beat`: their longest silence in s
    beside: dict[str, Callable[[], Coroutine[Any, Any, None]]] = field(default_factory=dict)  # more tasks, by name
    stopping: Callable[[], None] | None = None
    warm_up: Callable[[], None] | None = None  # slow imports, done on a thread once the page is there


class Inbox:
    """Inputs in order, bounded: when it is full, only the newest message of each address stays.

    What people say, links and failures are never dropped.
    """

    def __init__(self, limit: int = INBOX_LIMIT) -> None:
        self.items: deque[Input | Worked] = deque()
        self.dropped = 0
        self.wake = asyncio.Event()
        self._limit = limit

    def deliver(self, item: Input | Worked) -> None:
        """Take an input; never blocks."""
        self.items.append(item)
        if not self.wake.is_set():
            self.wake.set()
        if len(self.items) > self._limit:
            self._thin()

    def _thin(self) -> None:
        kept: deque[Input | Worked] = deque()
        seen: set[tuple[str, str]] = set()
        for item in reversed(self.items):
            if isinstance(item, Raw):
                key = (item.via, item.address)
                if key in seen:
                    continue
                seen.add(key)
            kept.appendleft(item)
        self.dropped += len(self.items) - len(kept)
        self.items = kept
        log.warning("inbox full: dropped %d older messages in all; the newest of each address stays", self.dropped)


class Daemon:
    """Runs the parts until it is stopped."""

    def __init__(self, parts: Parts) -> None:
        self._p = parts
        self.inbox = Inbox()
        self._asked: deque[tuple[Said, Sequence[Effect], asyncio.Future[list[Effect]]]] = deque()
        self._tasks: list[asyncio.Task[None]] = []
        self._unwritten: list[Effect] = []
        self._extra: list[Effect] = []
        self._thought: tuple[float, float] | None = None  # (monotonic, now_s) of the last round of thinking
        self._store_told: dict[str, tuple[bool, str]] = {}
        self._clock_doubted: bool | None = None  # None: what the last life has told may stand
        self._durable = asyncio.Event()
        self._durable.set()
        self._works: set[asyncio.Task[None]] = set()
        self._work_thread = ThreadPoolExecutor(2, thread_name_prefix="work")
        self.address = ""
        self.failure: BaseException | None = None
        self.started = False
        self._done = asyncio.Event()
        self._pulse = Pulse()
        self.late: list[str] = []

    def beat(self, task: str) -> None:
        """A task has made progress."""
        self._pulse.beat(task, time.monotonic())

    # ---- life -------------------------------------------------------------------------------------------------

    async def run(self, ready: Callable[[str], None] | None = None) -> None:
        """Run until `stop` is called or the brain fails; the brain's failure is raised."""
        try:
            await self._start()
            if ready is not None:
                ready(self.address)
            await self._done.wait()
        finally:
            await self._stop()
        if self.failure is not None:
            raise self.failure

    def stop(self) -> None:
        """Ask for an orderly stop."""
        self._done.set()

    async def _start(self) -> None:
        parts = self._p
        now_s = parts.clock.now_s()
        effects = parts.engine.brain.receive(Awoke(now_s, parts.dark_since_s), now_s)
        await self._perform([], effects, now_s)
        self._spawn("brain", self._think(), BRAIN_S)
        self._spawn("series", self._flush_often(), FLUSH_S + SLOW_S)
        if parts.awake is not None:
            self._spawn("awake", self._stay_awake(parts.awake), AWAKE_S + SLOW_S)
        if parts.postman is not None:
            self._spawn("postman", parts.postman.run())
        if parts.page is not None:
            self.address = await parts.page.start()
        if parts.warm_up is not None:
            self._warming = asyncio.get_running_loop().run_in_executor(None, parts.warm_up)
        for name, work in parts.beside.items():
            self._spawn(name, work())
        for name, within_s in parts.watched.items():
            self._pulse.expect(name, within_s, time.monotonic())
        self._spawn("watch", self._watch())
        for source in parts.sources:
            self._spawn(f"source {source.name}", self._supervise(source))
        self.started = True

    def _spawn(self, name: str, work: "asyncio._CoroutineLike[None]", within_s: float | None = None) -> None:
        if within_s is not None:
            self._pulse.expect(name, within_s, time.monotonic())
        task = asyncio.create_task(work, name=name)
        task.add_done_callback(self._ended)
        self._tasks.append(task)

    def _ended(self, task: "asyncio.Task[None]") -> None:
        if task.cancelled() or task.exception() is None:
            return
        log.error("%s has failed", task.get_name(), exc_info=task.exception())
        if self.failure is None:
            self.failure = task.exception()
        self._done.set()

    async def _supervise(self, source: Source) -> None:
        """A source that fails is started again; it never takes the others with it."""
        pause_s = 1.0
        while True:
            try:
                await source.run(self.inbox.deliver, self._p.clock)
            except asyncio.CancelledError:
                raise
            except Exception:
                log.exception("source %s failed; it is started again in %.0f s", source.name, pause_s)
            else:
                log.warning("source %s ended; it is started again in %.0f s", source.name, pause_s)
            await asyncio.sleep(pause_s)
            pause_s = min(pause_s * 2, 60.0)

    async def _stop(self) -> None:
        parts = self._p
        if parts.stopping is not None:
            parts.stopping()
        if parts.page is not None:
            with contextlib.suppress(TimeoutError, OSError):
                async with asyncio.timeout(2.5):
                    await parts.page.stop()
        for task in self._tasks:
            task.cancel()
        await asyncio.wait([*self._tasks], timeout=STOP_S) if self._tasks else None
        if self.failure is None:
            with contextlib.suppress(FarmwatchError):
                await self._drain()
        for store in parts.series:
            try:
                async with asyncio.timeout(2.0):
                    await store.close()
            except (StoreError, TimeoutError) as error:
                log.error("%s: readings not written: %s", store.name, error)  # noqa: TRY400
        for work in list(self._works):
            work.cancel()
        self._work_thread.shutdown(wait=False, cancel_futures=True)
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(parts.journal_thread, parts.journal.close)
        parts.journal_thread.shutdown(wait=False)

    async def _drain(self) -> None:
        """What has come in before the stop is still thought about."""
        until = time.monotonic() + DRAIN_S
        while self.inbox.items and time.monotonic() < until:
            await self._slice(self._p.clock.now_s())
        if self.inbox.items:
            log.warning("stopped with %d messages unread", len(self.inbox.items))

    # ---- thinking ----------------------------------------------------------------------------------------------

    async def _think(self) -> None:
        inbox, clock, brain = self.inbox, self._p.clock, self._p.engine.brain
        sleeper, sleeps_to_s = None, 0.0
        try:
            while True:
                await pause("daemon.think")
                now_s = clock.now_s()
                self._notice_sleep(now_s)
                await self._slice(now_s)
                self.beat("brain")
                if inbox.items or self._asked:
                    await asyncio.sleep(0)
                    continue
                inbox.wake.clear()
                due_s = min(brain.next_due_s(), clock.now_s() + THINK_S)
                if sleeper is None or sleeper.done() or due_s < sleeps_to_s:
                    if sleeper is not None:
                        sleeper.cancel()
                    sleeper, sleeps_to_s = asyncio.create_task(self._wake_at(due_s), name="alarm clock"), due_s
                await inbox.wake.wait()
        finally:
            if sleeper is not None:
                sleeper.cancel()

    async def _wake_at(self, due_s: float) -> None:
        """One for many rounds: where messages come often, none of them needs a timer of its own."""
        await self._p.clock.sleep_until(due_s)
        self.inbox.wake.set()

    def _notice_sleep(self, now_s: float) -> None:
        """This process stood still (stopped, starved, a paused computer): what came meanwhile was not seen."""
        before, self._thought = self._thought, (time.monotonic(), now_s)
        if before is None or self._thought[0] - before[0] < AWAY_S or now_s - before[1] < AWAY_S:
            return
        log.warning("stood still for %.0f s", now_s - before[1])
        self._extra += self._p.engine.brain.receive(Awoke(now_s, before[1]), now_s)

    async def _slice(self, now_s: float) -> None:
        """Some inputs, all that people have asked, and the timers that are due; then their effects."""
        engine = self._p.engine
        observed: list[Observed] = []
        effects, self._extra = self._extra, []
        items = self.inbox.items
        for _ in range(min(len(items), SLICE)):
            item = items.popleft()
            effects += engine.advance(item.at_s)  # first: a refusal must not take them with it
            try:
                step = engine.feed(item)
            except Refused as refusal:
                log.warning("refused: %s", refusal)
                continue
            observed += step.observed
            effects += step.effects
        if not items:
            effects += engine.advance(now_s)
        answers = self._answer(now_s, effects)
        await self._perform(observed, effects, now_s)
        for future, result in answers:
            if future.done():
                continue
            if isinstance(result, Refused):
                future.set_exception(result)
            else:
                future.set_result(result)

    def _answer(
        self, now_s: float, effects: list[Effect]
    ) -> "list[tuple[asyncio.Future[list[Effect]], list[Effect] | Refused]]":
        answers: list[tuple[asyncio.Future[list[Effect]], list[Effect] | Refused]] = []
        while self._asked:
            said, also, future = self._asked.popleft()
            try:
                result = [*self._p.engine.feed(said._replace(at_s=now_s)).effects, *also]
            except Refused as refusal:
                answers.append((future, refusal))
                continue
            effects += result
            answers.append((future, result))
        return answers

    async def ask(self, said: Said, also: Sequence[Effect] = ()) -> list[Effect]:
        """What a person says: the effects, and `also`, once they are durable together; raises Refused."""
        future: asyncio.Future[list[Effect]] = asyncio.get_running_loop().create_future()
        self._asked.append((said, also, future))
        self.inbox.wake.set()
        return await future

    def tell(self, event: Event) -> None:
        """Something that the brain must know and that no source brings; its effects go with the next step."""
        self._extra += self._p.engine.brain.receive(event, event.at_s)
        self.inbox.wake.set()

    # ---- effects -----------------------------------------------------------------------------------------------

    async def _perform(self, observed: list[Observed], effects: list[Effect], now_s: float) -> None:
        if observed:
            for store in self._p.series:
                store.append(observed)
        if self._p.answer is not None and not self._done.is_set():
            for effect in effects:
                if isinstance(effect, Work):
                    task = asyncio.create_task(self._work(effect, self._p.answer), name=f"work {effect.id}")
                    self._works.add(task)
                    task.add_done_callback(self._works.discard)
        durable: list[Effect] = [
            effect
            for effect in effects
            if not isinstance(effect, Work) and (not isinstance(effect, Note) or effect.kind in JOURNALLED)
        ]
        if durable or self._unwritten:
            await self._write(durable, now_s)
        if self._p.postman is not None and any(isinstance(effect, Message) for effect in durable):
            self._p.postman.wake()
        if self._p.page is not None and (observed or effects):
            self._p.page.changed(soon=any(isinstance(effect, Note | Message) for effect in durable))

    async def _work(self, work: Work, answer: Callable[[Work], Any]) -> None:
        """Have a question answered beside the loop; its answer comes in by the inbox, None if it failed."""
        found: Any = None
        try:
            found = await asyncio.get_running_loop().run_in_executor(self._work_thread, answer, work)
        except Exception:
            log.exception("%s has no answer", work.id)
        self.inbox.deliver(Worked(self._p.clock.now_s(), work.id, found))

    async def _write(self, durable: list[Effect], now_s: float) -> None:
        """Commit to the journal; what cannot be written now is kept and tried again with the next step."""
        self._unwritten = latest_facts([*self._unwritten, *durable])
        self._durable.clear()
        try:
            await asyncio.get_running_loop().run_in_executor(
                self._p.journal_thread, self._p.journal.commit, now_s, tuple(self._unwritten), self._p.channels
            )
        except StoreError as error:
            log.error("journal cannot be written: %s", error)  # noqa: TRY400
            self._health("journal", now_s, why=str(error))
        else:
            await pause("outbox.committed")
            self._unwritten = []
            self._health("journal", now_s, why=self._p.journal.trouble, notice=self._p.journal.notice)
        finally:
            self._durable.set()

    async def settled(self) -> None:
        """Return when all that the view shows is durable; or cannot be made so: a disk that hangs hides no page."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(SETTLED_S):
                await self._durable.wait()

    def _health(self, store: str, now_s: float, *, why: str = "", notice: str = "") -> None:
        """Tell the brain when a store begins to fail, works again, or has found something that a person should know."""
        ok, why = not why, why or notice
        before = self._store_told.get(store)
        if before == (ok, why):
            return
        self._store_told[store] = (ok, why)
        effects = self._p.engine.brain.receive(StoreHealth(now_s, store, ok, why), now_s)
        self._extra += effects
        self.inbox.wake.set()

    async def _flush_often(self) -> None:
        """Write readings once a minute of real time; a store that fails is told and tried again."""
        while True:
            await asyncio.sleep(FLUSH_S)
            await pause("daemon.flush")
            for store in self._p.series:
                now_s = self._p.clock.now_s()
                try:
                    await store.flush()
                except StoreError as error:
                    self._health(store.name, now_s, why=str(error))
                else:
                    self._health(store.name, now_s, notice=store.notice)
            self.beat("series")

    async def _watch(self) -> None:
        """Feed the watchdog while every task makes progress. One that does not is shown where it stands, and told."""
        while True:
            late = self._pulse.late(time.monotonic())
            news = [name for name in late if name not in self.late]
            self.late = late
            if not late and self._p.tick is not None:
                self._p.tick()
            if news:
                log.critical("no progress: %s; the watchdog is not fed any more", ", ".join(late))
                for task in self._tasks:
                    if task.get_name() in news:
                        stack = io.StringIO()
                        task.print_stack(file=stack)
                        log.critical("%s", stack.getvalue().rstrip())
                if self._p.stuck is not None:
                    self._p.stuck(late)
            self._trust()
            await asyncio.sleep(LOOK_S)

    def _trust(self) -> None:
        """Tell the brain when the computer's clock can no longer be trusted, or can again."""
        why = self._p.clock_doubt() if self._p.clock_doubt is not None else ""
        if bool(why) != self._clock_doubted:
            self._clock_doubted = bool(why)
            now_s = self._p.clock.now_s()
            self._extra += self._p.engine.brain.receive(ClockHealth(now_s, why), now_s)
            self.inbox.wake.set()

    async def _stay_awake(self, awake: Callable[[float], None]) -> None:
        """Write down now and then that we are awake, so that a restart can say how long we were not."""
        loop = asyncio.get_running_loop()
        while True:
            await pause("daemon.awake")
            with contextlib.suppress(StoreError):
                await loop.run_in_executor(self._p.journal_thread, awake, self._p.clock.now_s())
            self.beat("awake")
            await asyncio.sleep(AWAKE_S)


def latest_facts(effects: list[Effect]) -> list[Effect]:
    """Effects without facts that a later one of the same key replaces; notes and messages all stay."""
    last: dict[tuple[str, str], int] = {}
    for index, effect in enumerate(effects):
        if isinstance(effect, Keep):
            last[effect.kind, effect.key] = index
    return [
        effect
        for index, effect in enumerate(effects)
        if not isinstance(effect, Keep) or last[effect.kind, effect.key] == index
    ]
