"""Connections to the page: at most so many of one address, and none that says nothing for long.

The server library bounds a request's head, body and the wait between two requests, but neither how many connections
an address has nor how long a head may take. A connection that has not asked for anything whole in time is cut.
"""

import asyncio
from collections.abc import Callable

from aiohttp import web

MOST_EACH = 64
MOST_IN_ALL = 512
HEAD_S = 10.0
"""A request's head must be there within this time of connecting."""
NEXT_S = 40.0
"""The same after an answer: the server's own idle time of 30 s, and a request's 10 s."""


class Doorkeeper(asyncio.Protocol):
    """Stands before the server's own protocol for one connection, and hands it over or cuts it."""

    def __init__(self, room: "Room", inner: Callable[[], asyncio.BaseProtocol]) -> None:
        self._room, self._inner = room, inner

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Let it in, or cut it."""
        if not isinstance(transport, asyncio.Transport) or not self._room.enter(transport):
            if isinstance(transport, asyncio.Transport):
                transport.abort()
            return
        protocol = self._inner()
        transport.set_protocol(protocol)
        protocol.connection_made(transport)


class Room:
    """The connections that are open.

    Attributes:
        refused: how many were cut because there were too many.
        cut: how many said nothing whole in time.
    """

    def __init__(
        self, *, each: int = MOST_EACH, in_all: int = MOST_IN_ALL, head_s: float = HEAD_S, next_s: float = NEXT_S
    ) -> None:
        self.refused = self.cut = 0
        self._each, self._in_all, self._head_s, self._next_s = each, in_all, head_s, next_s
        self._open: dict[asyncio.Transport, tuple[str, asyncio.TimerHandle | None]] = {}

    def protocol(self, inner: Callable[[], asyncio.BaseProtocol]) -> Callable[[], asyncio.Protocol]:
        """A factory of protocols for `create_server`."""
        return lambda: Doorkeeper(self, inner)

    def enter(self, transport: asyncio.Transport) -> bool:
        """Whether there is room; then a request must come in time."""
        for known in [one for one in self._open if one.is_closing()]:
            self._leave(known)
        address = str((transport.get_extra_info("peername") or ("",))[0])
        mine = sum(1 for other, _ in self._open.values() if other == address)
        if mine >= self._each or len(self._open) >= self._in_all:
            self.refused += 1
            return False
        self._open[transport] = (address, self._timer(transport, self._head_s))
        return True

    def began(self, request: web.Request) -> None:
        """A request's head is whole: what it does now has limits of its own."""
        if isinstance(request.transport, asyncio.Transport) and request.transport in self._open:
            address, timer = self._open[request.transport]
            if timer is not None:
                timer.cancel()
            self._open[request.transport] = (address, None)

    def ended(self, request: web.Request) -> None:
        """It was answered: the next must come in time."""
        if isinstance(request.transport, asyncio.Transport) and request.transport in self._open:
            address, _ = self._open[request.transport]
            self._open[request.transport] = (address, self._timer(request.transport, self._next_s))

    def close(self) -> None:
        """No timer is left."""
        for transport in list(self._open):
            self._leave(transport)

    def _timer(self, transport: asyncio.Transport, within_s: float) -> asyncio.TimerHandle:
        return asyncio.get_running_loop().call_later(within_s, self._late, transport)

    def _late(self, transport: asyncio.Transport) -> None:
        self._leave(transport)
        if not transport.is_closing():
            self.cut += 1
            transport.abort()

    def _leave(self, transport: asyncio.Transport) -> None:
        _, timer = self._open.pop(transport, ("", None))
        if timer is not None:
            timer.cancel()


def head_bytes(request: web.Request) -> int:
    """Length of a request's line and header fields."""
    return len(request.path_qs) + sum(len(name) + len(value) + 4 for name, value in request.raw_headers)
