"""The live page's news: renders when something changed and tells every open page.

At most about once a second; half as often where only readings changed.
Each open page has a bounded queue; when it is full, what it holds is dropped and a full snapshot takes its
place. Messages are numbered; a page that sees a gap asks again.
"""

import asyncio
import contextlib
import json
import logging
from collections.abc import Awaitable, Callable

from farmwatch.web.manner import Manner, use
from farmwatch.web.pages import page_title
from farmwatch.web.panels import render
from farmwatch.words.view import View

LOG = logging.getLogger(__name__)
LEAST_S = 0.9  # between two renderings
CALM_S = 1.7  # and where only readings have changed
SLOW_S = 10.0  # the same of panels.SLOW
TICK_S = 5.0  # ages and clock times move on although nothing comes
QUEUE = 64


class Reader:
    """One open page."""

    def __init__(self) -> None:
        self._queue: asyncio.Queue[bytes | None] = asyncio.Queue(QUEUE)
        self.dropped = 0

    def put(self, message: bytes) -> None:
        """Add a message; if there is no room, replace it and all that wait by a call for a snapshot."""
        if not self._queue.full():
            self._queue.put_nowait(message)
            return
        while not self._queue.empty():
            self._queue.get_nowait()
            self.dropped += 1
        self._queue.put_nowait(None)

    async def get(self) -> bytes | None:
        """The next message; None asks for a snapshot."""
        return await self._queue.get()


class Broadcast:
    """Renders the view and hands out what changed."""

    def __init__(self, view: Callable[[], View], settled: Callable[[], Awaitable[None]],
                 manner: Manner | None = None) -> None:  # fmt: skip
        self._view, self._settled, self._manner = view, settled, manner or Manner()
        self._changed, self._soon = asyncio.Event(), asyncio.Event()
        self.beat: Callable[[], None] = lambda: None  # told at each round
        self._readers: set[Reader] = set()
        self._panels: dict[str, str] = {}
        self._title = ""
        self._seq = 0
        self._rendered_s = self._slow_s = float("-inf")

    def changed(self, *, soon: bool = False) -> None:
        """Something changed, `soon` where it is more than a reading; never blocks."""
        self._changed.set()
        if soon:
            self._soon.set()

    def add(self) -> tuple[Reader, bytes]:
        """A page was opened: its queue, and the snapshot after which the queue's messages follow."""
        first = event(self.snapshot())
        reader = Reader()
        self._readers.add(reader)
        return reader, first

    def remove(self, reader: Reader) -> None:
        """A page was closed."""
        self._readers.discard(reader)

    def snapshot(self) -> dict[str, object]:
        """Everything as it is now, for a page that opens or has lost its place."""
        self.refresh()
        return {"seq": self._seq, "full": True, "title": self._title, "panels": self._panels}

    def panels(self) -> dict[str, str]:
        """The rendered panels."""
        self.refresh()
        return self._panels

    def refresh(self) -> None:
        """Render what has changed since, and tell the open pages."""
        now_s = asyncio.get_running_loop().time()
        if not self._changed.is_set() and now_s - self._rendered_s < LEAST_S:
            return
        soon = self._soon.is_set()
        self._changed.clear()
        self._soon.clear()
        self._rendered_s = now_s
        use(self._manner)
        view = self._view()
        slow = soon or now_s - self._slow_s >= SLOW_S or not self._panels
        self._slow_s = now_s if slow else self._slow_s
        panels, self._title = self._panels | render(view, slow=slow), page_title(view)
        news = {key: html for key, html in panels.items() if self._panels.get(key) != html}
        self._panels = panels
        if not news:
            return
        self._seq += 1
        message = event({"seq": self._seq, "title": self._title, "panels": news})
        for reader in self._readers:
            reader.put(message)

    async def run(self) -> None:
        """Until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            self.beat()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), TICK_S)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._soon.wait(), max(0.0, self._rendered_s + CALM_S - loop.time()))
            await asyncio.sleep(max(0.0, self._rendered_s + LEAST_S - loop.time()))
            if not self._readers:
                self._changed.clear()
                self._rendered_s = self._slow_s = float("-inf")  # the next page that opens gets a fresh one
                continue
            await self._settled()  # no alarm is shown that a power cut could take back
            try:
                self.refresh()
            except Exception:
                # The page falls silent and says so by itself; watching and messages must not end with it.
                LOG.exception("the page could not be rendered")


def event(message: dict[str, object]) -> bytes:
    """A server-sent event (HTML standard, section 9.2): JSON has no line breaks, so one data line holds it."""
    return f"id: {message['seq']}\ndata: {json.dumps(message, ensure_ascii=False)}\n\n".encode()
