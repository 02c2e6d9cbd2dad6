"""The live page's news: renders when something changed and tells every open page.

At most about once a second; half as often where only readings changed. Only what an open page shows is rendered, and
only what changed is sent: a panel, or of a panel that consists of parts those alone.
Each open page has a bounded queue; when it is full, what it holds is dropped and a full snapshot takes its
place. Messages are numbered; a page that sees a gap asks again.
"""

import asyncio
import contextlib
import json
import logging
from collections.abc import Awaitable, Callable, Iterable, Mapping

from farmwatch.web.manner import Manner, use
from farmwatch.web.markup import Html, Parts
from farmwatch.web.pages import page_title
from farmwatch.web.panels import EVERY, SLOW, render
from farmwatch.words.view import View

LOG = logging.getLogger(__name__)
LEAST_S = 0.9  # between two renderings
CALM_S = 1.7  # and where only readings have changed
COSTLY_S, SHARE = 0.25, 0.2
"""A rendering that takes longer than the first (more than a thousand machines) takes at most this share of the time."""
SLOW_S = 10.0  # the same of panels.SLOW
TICK_S = 5.0  # ages and clock times move on although nothing comes
QUEUE = 64


class Reader:
    """One open page, and the panels that it shows."""

    def __init__(self, of: frozenset[str] = EVERY) -> None:
        self._queue: asyncio.Queue[bytes | None] = asyncio.Queue(QUEUE)
        self.of = of
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
        self._ask, self._settled, self._manner = view, settled, manner or Manner()
        self._changed, self._soon = asyncio.Event(), asyncio.Event()
        self.beat: Callable[[], None] = lambda: None  # told at each round
        self._readers: set[Reader] = set()
        self._view: View | None = None  # of this round
        self._panels: dict[str, Html] = {}
        self._drawn: set[str] = set()  # in this round
        self._title = ""
        self._seq = 0
        self._rendered_s = self._slow_s = float("-inf")
        self._took_s = 0.0

    def changed(self, *, soon: bool = False) -> None:
        """Something changed, `soon` where it is more than a reading; never blocks."""
        self._changed.set()
        if soon:
            self._soon.set()

    def add(self, of: frozenset[str] = EVERY) -> tuple[Reader, bytes]:
        """A page was opened: its queue, and the snapshot after which the queue's messages follow."""
        first = event(self.snapshot(of))
        reader = Reader(of)
        self._readers.add(reader)
        return reader, first

    def remove(self, reader: Reader) -> None:
        """A page was closed."""
        self._readers.discard(reader)

    def snapshot(self, of: Iterable[str] = EVERY) -> dict[str, object]:
        """Everything as it is now, for a page that opens or has lost its place."""
        panels = self.panels(of)
        return {"seq": self._seq, "full": True, "title": self._title, "panels": panels}

    def view(self) -> View:
        """The view that the panels of this round show."""
        self.refresh()
        assert self._view is not None  # noqa: S101  (refresh has seen to it)
        return self._view

    def panels(self, of: Iterable[str] = EVERY) -> Mapping[str, Html]:
        """Rendered panels; what no open page shows is rendered now, of the same view as the others."""
        view, wanted = self.view(), [key for key in of if key in EVERY]
        late = [key for key in wanted if key not in self._drawn]
        self._panels |= render(view, of=late)
        self._drawn.update(late)
        return {key: self._panels[key] for key in wanted}

    def refresh(self) -> None:
        """Render what has changed since, and tell the open pages."""
        loop = asyncio.get_running_loop()
        now_s = loop.time()
        if self._view is not None and not self._soon.is_set() and now_s < self._rendered_s + self._rest_s():
            return
        if self._view is not None and not self._changed.is_set() and now_s - self._rendered_s < LEAST_S:
            return
        soon = self._soon.is_set()
        self._changed.clear()
        self._soon.clear()
        self._rendered_s = now_s
        use(self._manner)
        self._view = self._ask()
        self._title = page_title(self._view)
        slow = soon or now_s - self._slow_s >= SLOW_S
        self._slow_s = now_s if slow else self._slow_s
        self._drawn = set() if slow else self._drawn & SLOW
        wanted = frozenset().union(*(reader.of for reader in self._readers)) - self._drawn
        had, new = self._panels, render(self._view, of=wanted)
        self._panels = had | new
        self._drawn |= wanted
        self._took_s = loop.time() - now_s
        panels, parts = changes(had, new)
        if not panels and not parts:
            return
        self._seq += 1
        message: dict[str, object] = {"seq": self._seq, "title": self._title, "panels": panels}
        said = event(message | {"parts": parts} if parts else message)
        for reader in self._readers:
            reader.put(said)

    def _rest_s(self) -> float:
        """How long what was rendered stands, whatever changes: of a large farm the page costs much (see `SHARE`)."""
        return self._took_s / SHARE if self._took_s > COSTLY_S else 0.0

    async def run(self) -> None:
        """Until cancelled."""
        loop = asyncio.get_running_loop()
        while True:
            self.beat()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), TICK_S)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._soon.wait(), max(0.0, self._rendered_s + CALM_S - loop.time()))
            await asyncio.sleep(max(0.0, self._rendered_s + max(LEAST_S, self._rest_s()) - loop.time()))
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


def changes(had: Mapping[str, Html], new: Mapping[str, Html]) -> tuple[dict[str, Html], dict[str, dict[str, Html]]]:
    """(whole panels, parts of panels by their key) of `new` that differ from what was there."""
    panels: dict[str, Html] = {}
    parts: dict[str, dict[str, Html]] = {}
    for name, html in new.items():
        old = had.get(name)
        if old == html:
            continue
        if isinstance(html, Parts) and isinstance(old, Parts) and old.frame == html.frame:
            parts[name] = _parts(old, html)
        else:
            panels[name] = html
    return panels, parts


def _parts(old: Parts, new: Parts) -> dict[str, Html]:
    """The smallest parts of two in the same frame that differ."""
    found: dict[str, Html] = {}
    for key, part in new.parts.items():
        had = old.parts[key]
        if part == had:
            continue
        if isinstance(part, Parts) and isinstance(had, Parts) and part.frame == had.frame:
            found |= _parts(had, part)
        else:
            found[key] = part
    return found


def event(message: Mapping[str, object]) -> bytes:
    """A server-sent event (HTML standard, section 9.2): JSON has no line breaks, so one data line holds it."""
    return f"id: {message['seq']}\ndata: {json.dumps(message, ensure_ascii=False)}\n\n".encode()
