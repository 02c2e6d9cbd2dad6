"""Time that is counted, not waited for: a clock, what happens outside the daemon by its time, and an event loop on it.

When the loop has nothing to do, time goes on to its next timer; on the way everything outside (devices, the network,
people, the nemesis) has its turn at its own time. What would run on a thread runs at once, and its result comes after
a drawn delay, in order a pool. So a run is a pure function of its seed.
"""

import asyncio
import contextlib
import heapq
from contextvars import copy_context
from itertools import count


class Killed(KeyboardInterrupt):
    """The process is no more: nothing of it runs on, no `finally` either."""


class Outside:
    """Monotonic seconds, the computer's wall clock beside them, and a heap of what happens when."""

    def __init__(self, wall_s):
        self.now = 1000.0
        self.true_offset = wall_s - self.now
        self.step_s = 0.0  # how far the computer's wall clock is off
        self.heap = []
        self._number = count()
        self.ready = lambda: True  # whether the loop has something to do

    def wall(self):
        return self.now + self.true_offset + self.step_s

    @property
    def true_s(self):
        """Epoch seconds as they really are."""
        return self.now + self.true_offset

    def at(self, when, act, *args):
        heapq.heappush(self.heap, (max(when, self.now), next(self._number), act, args))

    def at_true(self, true_s, act, *args):
        self.at(true_s - self.true_offset, act, *args)

    def after(self, delay_s, act, *args):
        self.at(self.now + delay_s, act, *args)

    def run_to(self, when):
        """Everything outside up to a time, with the daemon standing still."""
        while self.heap and self.heap[0][0] <= when:
            self._next()
        self.now = max(self.now, when)

    def _next(self):
        when, _, act, args = heapq.heappop(self.heap)
        self.now = max(self.now, when)
        act(*args)

    def select(self, timeout):
        """As the loop's selector: until something outside happens, or until the loop's next timer."""
        if timeout is not None and timeout <= 0:
            return []
        target = None if timeout is None else self.now + timeout
        while self.heap and (target is None or self.heap[0][0] <= target):
            self._next()
            if self.ready():
                return []
        if target is None:
            raise RuntimeError("everything waits for ever")
        self.now = max(self.now, target)
        return []

    def close(self):
        pass


class Turn:
    """A callback of the loop, as `asyncio.Handle` and `TimerHandle`."""

    __slots__ = ("args", "callback", "context", "gone", "when_s")

    def __init__(self, callback, args, context, when_s=None):
        self.callback, self.args, self.when_s = callback, args, when_s
        self.context = context if context is not None else copy_context()
        self.gone = False

    def cancel(self):
        self.gone = True
        self.callback = self.args = None

    def cancelled(self):
        return self.gone

    def when(self):
        return self.when_s


class VirtualLoop(asyncio.BaseEventLoop):
    """One incarnation of the daemon."""

    def __init__(self, outside, rng, disk):
        super().__init__()
        self._selector = self.outside = outside
        self._clock_resolution = 1e-6
        outside.ready = self._ready.__len__
        self.rng, self.disk = rng, disk
        self.dead = False
        self.steps = 0
        self.readers = {}
        self.tasks = []
        self.failures = []
        self._free = {}
        self._number = count()
        self.set_task_factory(self._task)
        self.set_exception_handler(self._failed)

    def _task(self, loop, coro, **keys):
        task = asyncio.Task(coro, loop=loop, **keys)
        if len(self.tasks) > 2000:
            self.tasks = [one for one in self.tasks if not one.done()]
        self.tasks.append(task)
        return task

    def _failed(self, _loop, context):
        if not self.dead:
            self.failures.append(f"{context.get('message')}: {context.get('exception')!r}")

    def time(self):
        return self.outside.now

    get_debug = staticmethod(bool)  # False, and asked for each future

    # asyncio's own turn without what a debugger, threads and real selectors need: half of the time that it took

    def call_soon(self, callback, *args, context=None):
        turn = Turn(callback, args, context)
        self._ready.append(turn)
        return turn

    call_soon_threadsafe = call_soon

    def call_at(self, when, callback, *args, context=None):
        turn = Turn(callback, args, context, when)
        heapq.heappush(self._scheduled, (when, next(self._number), turn))
        return turn

    def call_later(self, delay, callback, *args, context=None):
        return self.call_at(self.outside.now + delay, callback, *args, context=context)

    def _run_once(self):
        ready, scheduled = self._ready, self._scheduled
        while scheduled and scheduled[0][2].gone:
            heapq.heappop(scheduled)
        if not ready and not self._stopping:
            self.outside.select(scheduled[0][0] - self.outside.now if scheduled else None)
        due_s = self.outside.now + self._clock_resolution
        while scheduled and scheduled[0][0] < due_s:
            ready.append(heapq.heappop(scheduled)[2])
        for _ in range(len(ready)):
            turn = ready.popleft()
            if not turn.gone:
                try:
                    turn.context.run(turn.callback, *turn.args)
                except Exception as error:
                    self.call_exception_handler({"message": f"in {turn.callback!r}", "exception": error})

    def _process_events(self, events):
        pass

    def _write_to_self(self):
        pass

    def run_in_executor(self, executor, func, *args):
        """At once; the answer comes as soon as a thread and a disk would have it."""
        future = self.create_future()
        if self.dead:
            return future
        result = error = None
        try:
            result = func(*args)
        except Exception as caught:
            error = caught
        if self.disk.dying:
            raise Killed
        delay_s = self.rng.expovariate(1.0 / self.disk.slow_s)
        key = id(executor) if executor is not None else next_thread(self.rng)
        when = self._free[key] = max(self._free.get(key, 0.0), self.time()) + delay_s
        self.call_at(when, _settle, future, result, error)
        return future

    # ---- sockets ----------------------------------------------------------------------------------------------

    def add_reader(self, number, callback, *args):
        self.readers[number] = (callback, args)

    def remove_reader(self, number):
        return self.readers.pop(number, None) is not None

    def add_writer(self, number, callback, *args):
        self.call_soon(callback, *args)

    def remove_writer(self, number):
        return False

    def readable(self, number):
        """A socket has something to read."""
        if not self.dead and number in self.readers:
            callback, args = self.readers[number]
            self.call_soon(callback, *args)

    async def create_connection(self, factory, *_, sock=None, **__):
        protocol = factory()
        transport = Transport(self, protocol, sock)
        protocol.connection_made(transport)
        return transport, protocol

    def __del__(self):
        """Nothing to close: no selector, no threads, and the dead say nothing."""

    def bury(self):
        """Throw away what the dead process left in memory, without a word of it reaching anything."""
        self.dead = True
        for task in self.tasks:
            task._log_destroy_pending = False
            tries = 0 if task.done() else 30  # what catches the end and waits again is ended again
            while tries:
                tries -= 1
                with contextlib.suppress(BaseException):
                    task.get_coro().close()
                    tries = 0
        self._ready.clear()
        self._scheduled.clear()
        self.tasks.clear()
        self._closed = True  # a process that was killed closes nothing; only so that no loop is missed as unclosed


def next_thread(rng):
    """The default pool has several threads."""
    return rng.randrange(4)


def _settle(future, result, error):
    if future.done():
        return
    if error is not None:
        future.set_exception(error)
    else:
        future.set_result(result)


class Transport(asyncio.Transport):
    """asyncio's side of a simulated connection."""

    def __init__(self, loop, protocol, sock):
        super().__init__()
        self._loop, self._protocol, self._sock = loop, protocol, sock
        self._closing = False
        sock.transport = self

    def write(self, data):
        if not self._closing:
            self._sock.send(bytes(data))

    def feed(self, data):
        if self._closing or self._loop.dead:
            return
        if data:
            self._protocol.data_received(data)
        elif not self._protocol.eof_received():
            self.close()

    def is_closing(self):
        return self._closing

    def close(self):
        if not self._closing:
            self._closing = True
            self._sock.close()
            self._loop.call_soon(self._protocol.connection_lost, None)

    abort = close

    def pause_reading(self):
        pass

    def resume_reading(self):
        pass

    def set_write_buffer_limits(self, high=None, low=None):
        pass
