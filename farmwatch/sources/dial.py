"""Reaching a peer by TCP and TLS on the event loop: names, connections, and plain words for what went wrong.

The system's name look-up may hang for half a minute and cannot be cancelled. It runs in daemon threads of our
own, at most one a name and sixteen in all, so that it never delays another peer and never holds up the stop
(the loop's executor would be waited for).
"""

import asyncio
import contextlib
import errno
import ipaddress
import socket
import ssl
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from farmwatch.words.errors import PeerUnavailable

LOOKUPS = 16
LOOKUP_S = 5.0

WORDS: dict[int, str] = {
    errno.ECONNREFUSED: "connection refused: nothing listens there",
    errno.ECONNRESET: "the peer broke the connection off",
    errno.EPIPE: "the peer broke the connection off",
    errno.EHOSTUNREACH: "no route to the host",
    errno.ENETUNREACH: "the network is unreachable",
    errno.ENETDOWN: "the network is down",
    errno.ETIMEDOUT: "no answer",
    errno.EMFILE: "too many open files in this process",
}


def plain(error: BaseException) -> str:
    """An error of the system in words that hold no address, name or secret."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the certificate is not trusted: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: {(error.reason or 'unknown reason').lower().replace('_', ' ')}"
    if isinstance(error, socket.gaierror):
        return "the host name is not known"
    if isinstance(error, TimeoutError):
        return "no answer in time"
    if isinstance(error, OSError) and error.errno is not None:
        return WORDS.get(error.errno) or errno.errorcode.get(error.errno, "unknown error").lower()
    if isinstance(error, ConnectionError):
        return "the peer broke the connection off"
    return type(error).__name__


class Address(NamedTuple):
    """A resolved address."""

    family: socket.AddressFamily
    host: str
    port: int


def forbidden(host: str) -> str | None:
    """Why a numeric address is never polled: link-local (where clouds keep credentials), multicast, unspecified.

    RFC 3927 (169.254.0.0/16), RFC 4291 (fe80::/10, ff00::/8); fd00:ec2::254 from memory.
    """
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return None
    mapped = getattr(address, "ipv4_mapped", None)
    address = mapped if mapped is not None else address
    if address.is_link_local or address == ipaddress.ip_address("fd00:ec2::254"):
        return "a link-local address is never asked"
    if address.is_multicast or address.is_unspecified:
        return "not the address of a single host"
    return None


class Dialer:
    """Looks names up and connects, with deadlines; remembers the last good address of each name."""

    def __init__(self, *, lookup: Callable[..., list[tuple[object, ...]]] | None = None) -> None:
        self._lookup = lookup or socket.getaddrinfo
        self._running: dict[tuple[str, int], asyncio.Future[list[Address]]] = {}
        self._good: dict[tuple[str, int], list[Address]] = {}

    async def resolve(self, host: str, port: int, within_s: float = LOOKUP_S) -> list[Address]:
        """Addresses of a host; those that were good last time if the look-up fails now.

        Raises PeerUnavailable.
        """
        with contextlib.suppress(ValueError):
            kind = ipaddress.ip_address(host.partition("%")[0])
            return [Address(socket.AF_INET if kind.version == 4 else socket.AF_INET6, host, port)]
        key = (host, port)
        if key not in self._running:
            if len(self._running) >= LOOKUPS:
                if key in self._good:
                    return self._good[key]
                raise PeerUnavailable("name look-ups hang; too many of them to start another")
            self._running[key] = self._start(key)
        try:
            async with asyncio.timeout(within_s):
                self._good[key] = await asyncio.shield(self._running[key])
        except OSError as error:  # gaierror and TimeoutError are kinds of it
            if key not in self._good:
                hung = isinstance(error, TimeoutError)
                raise PeerUnavailable("the name look-up hangs" if hung else plain(error)) from None
        return self._good[key]

    def _start(self, key: tuple[str, int]) -> "asyncio.Future[list[Address]]":
        loop = asyncio.get_running_loop()
        future: asyncio.Future[list[Address]] = loop.create_future()

        def settle(found: list[Address] | None, error: OSError | None) -> None:
            self._running.pop(key, None)
            if future.done():
                return
            if error is not None:
                future.set_exception(error)
                future.exception()  # it may be that nobody waits any more
            else:
                future.set_result(found or [])

        def work() -> None:
            found, failure = None, None
            try:
                rows = self._lookup(*key, type=socket.SOCK_STREAM)
                found = [Address(row[0], row[4][0], key[1]) for row in rows]  # type: ignore[arg-type,index]
            except OSError as error:
                failure = error
            except UnicodeError:  # a label that IDNA cannot carry
                failure = socket.gaierror()
            with contextlib.suppress(RuntimeError):  # the loop is closed: we are stopping
                loop.call_soon_threadsafe(settle, found, failure)

        threading.Thread(target=work, name="name look-up", daemon=True).start()
        return future

    async def connect(self, host: str, port: int, within_s: float) -> socket.socket:
        """A connected, non-blocking TCP socket. Raises PeerUnavailable."""
        loop = asyncio.get_running_loop()
        failure: OSError = TimeoutError()
        addresses = await self.resolve(host, port, min(within_s, LOOKUP_S))
        for address in addresses:
            sock = socket.socket(address.family, socket.SOCK_STREAM)
            sock.setblocking(False)
            try:
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                async with asyncio.timeout(within_s / len(addresses)):
                    await loop.sock_connect(sock, (address.host, address.port))
            except OSError as error:
                sock.close()
                failure = error
            except BaseException:
                sock.close()
                raise
            else:
                return sock
        raise PeerUnavailable(plain(failure)) from None


async def secure(sock: socket.socket, context: ssl.SSLContext, host: str, within_s: float) -> ssl.SSLSocket:
    """Wrap a connected socket in TLS without blocking the loop. Closes it and raises PeerUnavailable on failure."""
    wrapped = sock
    try:
        wrapped = context.wrap_socket(sock, server_hostname=host, do_handshake_on_connect=False)
        async with asyncio.timeout(within_s):
            while True:
                try:
                    wrapped.do_handshake()
                except ssl.SSLWantReadError:
                    await _ready(wrapped.fileno(), writing=False)
                except ssl.SSLWantWriteError:
                    await _ready(wrapped.fileno(), writing=True)
                else:
                    return wrapped
    except OSError as error:
        wrapped.close()
        raise PeerUnavailable(plain(error)) from None
    except BaseException:
        wrapped.close()
        raise


async def _ready(descriptor: int, *, writing: bool) -> None:
    """Wait until a socket can be read or written."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[None] = loop.create_future()
    add, remove = (loop.add_writer, loop.remove_writer) if writing else (loop.add_reader, loop.remove_reader)
    add(descriptor, lambda: None if future.done() else future.set_result(None))
    try:
        await future
    finally:
        remove(descriptor)


class Wire:
    """A connected, non-blocking socket with a buffer each way; `recv` refuses to be asked for more than `most`."""

    def __init__(self, sock: socket.socket, most: int) -> None:
        self._sock = sock
        self._most = most
        self._in = b""
        self._at = 0
        self._out = bytearray()
        self.heard_s = time.monotonic()
        self.too_large = 0

    def recv(self, size: int) -> bytes:
        """At most `size` bytes; raises BlockingIOError when there are none yet."""
        if size > self._most:
            self.too_large = size
            raise ConnectionError
        if self._at == len(self._in):
            self._in, self._at = self._sock.recv(65_536), 0
            self.heard_s = time.monotonic()
        start = self._at
        self._at = min(start + size, len(self._in))
        return self._in[start : self._at]

    def pending(self) -> bool:
        """Whether there are bytes that the loop cannot see, because they have left the socket."""
        return self._at < len(self._in) or (isinstance(self._sock, ssl.SSLSocket) and self._sock.pending() > 0)

    def send(self, data: bytes | bytearray) -> int:
        """Take all of it; `flush` sends it."""
        self._out += data
        return len(data)

    def flush(self) -> bool:
        """Write what the socket takes; whether all is gone. A broken socket shows at the next read."""
        try:
            while self._out:
                del self._out[: self._sock.send(self._out)]
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return False
        except OSError:
            self._out.clear()
        return True

    def close(self) -> None:
        """Send what can be sent at once and close."""
        with contextlib.suppress(OSError):
            self.flush()
        self._sock.close()

    def fileno(self) -> int:
        """The socket's number."""
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        """Nothing to do: it never blocks."""
