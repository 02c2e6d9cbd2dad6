"""Live news for open pages: server-sent events, and the same asked for by a page that may not listen."""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable

from aiohttp import web

from farmwatch.web import guard
from farmwatch.web.broadcast import Broadcast, Reader, event
from farmwatch.web.panels import EVERY

BEAT_S = 5.0  # a page that hears nothing for longer than that says so
WRITE_S = 20.0
READERS_EACH = 4  # a browser opens at most six connections to a host
READERS_IN_ALL = 64


class Live:
    """The ways in.

    Args:
        news: what there is to tell.
        settled: returns when what the view shows is durable.
        may_look: whether a request's sign-in still holds.
    """

    def __init__(self, news: Broadcast, settled: Callable[[], Awaitable[None]],
                 may_look: Callable[[web.Request], bool]) -> None:  # fmt: skip
        self._news, self._settled, self._may_look = news, settled, may_look
        self._readers: dict[str, int] = {}
        self._stopping = asyncio.Event()

    @property
    def readers(self) -> int:
        """Open pages."""
        return sum(self._readers.values())

    def stop(self) -> None:
        """Let every open page go."""
        self._stopping.set()

    def routes(self) -> list[web.RouteDef]:
        """The ways in."""
        return [web.get("/events", self.get_events, allow_head=False), web.get("/panels", self.get_panels)]

    async def get_panels(self, request: web.Request) -> web.StreamResponse:
        """The panels that a page asks for, as they are now."""
        response = web.json_response(self._news.snapshot(_shown(request)))
        response.enable_compression()
        return response

    async def get_events(self, request: web.Request) -> web.StreamResponse:
        """Server-sent events until the page goes."""
        await self._settled()
        address = request.remote or ""
        if self._readers.get(address, 0) >= READERS_EACH or self.readers >= READERS_IN_ALL:
            return guard.problem(503, "Too many open pages", "This one asks again every few seconds instead.")
        reader, first = self._news.add(_shown(request))
        self._readers[address] = self._readers.get(address, 0) + 1
        try:
            response = web.StreamResponse(headers={"Content-Type": "text/event-stream", "X-Accel-Buffering": "no"})
            with contextlib.suppress(ConnectionError, TimeoutError):
                await response.prepare(request)
                await self._tell(request, response, first, reader)
            return response
        finally:
            self._news.remove(reader)
            self._readers[address] -= 1
            if not self._readers[address]:
                del self._readers[address]

    async def _tell(
        self, request: web.Request, response: web.StreamResponse, first: bytes, reader: Reader
    ) -> None:
        """Write to one open page until it goes, its sign-in ends, or we stop."""
        message: bytes | None = b"retry: 2000\n\n" + first
        stopping = asyncio.ensure_future(self._stopping.wait())
        getting: asyncio.Future[bytes | None] | None = None
        try:
            while not self._stopping.is_set() and self._may_look(request):
                async with asyncio.timeout(WRITE_S):
                    await response.write(event(self._news.snapshot(reader.of)) if message is None else message)
                getting = getting or asyncio.ensure_future(reader.get())
                await asyncio.wait((getting, stopping), timeout=BEAT_S, return_when=asyncio.FIRST_COMPLETED)
                message = b": beat\nevent: beat\ndata: 1\n\n"
                if getting.done():
                    message, getting = getting.result(), None
        finally:
            stopping.cancel()
            if getting is not None:
                getting.cancel()


def _shown(request: web.Request) -> frozenset[str]:
    """The panels that a page asks for; all where it does not say."""
    asked = EVERY & set(request.query.get("of", "").split(","))
    return asked or EVERY
