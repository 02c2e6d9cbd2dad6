"""Battery backups behind servers that speak RFC 9271: asked every 5 s over one connection a server.

The body that is passed on is the server's whole reply to ``LIST VAR``. A refusal (``ERR DATA-STALE``), a silent
server or a lost connection is a failure of each unit behind it: what it last said is no longer known to be true.
"""

import asyncio
import contextlib
import logging
import socket
import ssl
import time
from dataclasses import dataclass, field

from farmwatch.ports import Clock, Deliver
from farmwatch.sources.backoff import Backoff
from farmwatch.sources.dial import Dialer, plain
from farmwatch.wire.upsproto import Reply, UpsClient, parse_address
from farmwatch.words.errors import ConfigError, PeerUnavailable, ProtocolError
from farmwatch.words.model import Failed, Link, Raw

log = logging.getLogger("farmwatch.ups")

INTERVAL_S = 5.0
ANSWER_S = 15.0
"""Data older than this is stale (RFC 9271, section 5.2), so a longer wait has no use."""
CONNECT_S = 10.0
FAREWELL_S = 0.5
READ = 65_536

WORDS: dict[str, str] = {
    # error (RFC 9271, table 3): what it means here
    "DATA-STALE": "the server gets no fresh data from the unit; check its cable",
    "DRIVER-NOT-CONNECTED": "the unit's driver does not run; start it again",
    "UNKNOWN-UPS": "the server knows no unit of this name",
    "ACCESS-DENIED": "the server lets this computer or this login read nothing",
    "USERNAME-REQUIRED": "the server wants a login; write the secret ups_<backup>",
    "PASSWORD-REQUIRED": "the server wants a login; write the secret ups_<backup>",
    "INVALID-USERNAME": "the server refuses the login; check the secret ups_<backup>",
    "INVALID-PASSWORD": "the server refuses the login; check the secret ups_<backup>",
    "FEATURE-NOT-CONFIGURED": "the server has no certificate; TLS cannot be had",
    "FEATURE-NOT-SUPPORTED": "the server cannot do TLS",
}
STARTTLS = ("never", "verified", "i_know")


@dataclass(frozen=True, slots=True)
class UpsPeer:
    """One unit, ``name@host:port``. Reading needs no login on most servers.

    `starttls` is "never", "verified" (against `ca_file` or the system's authorities) or "i_know" (any
    certificate, which anybody on the network can forge).
    """

    address: str
    user: str = ""
    password: str | None = field(default=None, repr=False)
    starttls: str = "never"
    ca_file: str = ""


@dataclass(frozen=True, slots=True)
class UpsConfig:
    """All units."""

    peers: tuple[UpsPeer, ...] = ()
    interval_s: float = INTERVAL_S


class UpsSource:
    """Asks each server in a task of its own for all its units. Raises ConfigError for an address it cannot read."""

    name = "ups"

    def __init__(self, config: UpsConfig) -> None:
        self._interval_s = config.interval_s if config.interval_s > 0 else INTERVAL_S
        self._servers: dict[_Place, dict[str, str]] = {}  # place: address: name of the unit
        for peer in config.peers:
            name, host, port = parse_address(peer.address)
            if peer.starttls not in STARTTLS:
                raise ConfigError(f"{peer.address}: starttls is one of {', '.join(STARTTLS)}")
            place = _Place(host, port, peer.user, peer.password or "", peer.starttls, peer.ca_file)
            self._servers.setdefault(place, {})[peer.address] = name
        self._dialer = Dialer()

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Run until cancelled."""
        async with asyncio.TaskGroup() as group:
            for place, units in self._servers.items():
                watch = _Watch(place, units, self._interval_s, self._dialer, deliver, clock)
                group.create_task(watch.run(), name="ups server")
            await asyncio.Future()


@dataclass(frozen=True, slots=True)
class _Place:
    """A server, and how we speak to it: units that have all this in common share a connection."""

    host: str
    port: int
    user: str
    password: str = field(repr=False)
    starttls: str
    ca_file: str


class _Watch:
    """One server: connect, ask for each unit in turn, connect again."""

    def __init__(
        self,
        place: _Place,
        units: dict[str, str],
        interval_s: float,
        dialer: Dialer,
        deliver: Deliver,
        clock: Clock,
    ) -> None:
        self._place, self._units, self._interval_s = place, units, interval_s
        self._dialer, self._deliver, self._clock = dialer, deliver, clock
        self._backoff = Backoff()
        self._said_up: bool | None = None
        self._said = ""
        self._order = list(units)
        self._asking = ""
        self._answered: set[str] = set()

    async def run(self) -> None:
        while True:
            self._asking = ""
            self._answered.clear()
            try:
                async with contextlib.aclosing(await _Talk.open(self._place, self._dialer)) as talk:
                    self._say_up(connected=True)
                    await self._ask_often(talk)
            except ProtocolError as error:
                if self._put_last(error):
                    await asyncio.sleep(self._interval_s)
                    continue
                self._lost(str(error))
            except PeerUnavailable as error:
                self._lost(str(error))
            except Exception as error:  # costs this server alone
                log.exception("asking a UPS server failed in an unexpected way")
                self._lost(f"unexpected error ({type(error).__name__}); see the log")
            await asyncio.sleep(self._backoff.next_s())

    async def _ask_often(self, talk: "_Talk") -> None:
        while True:
            began_s = time.monotonic()
            for address in tuple(self._order):
                self._asking = address
                reply = await talk.list_var(self._units[address])
                if reply.kind == "error":
                    self._deliver(Failed(self._clock.now_s(), "ups", address, _meaning(reply.text)))
                else:
                    self._deliver(Raw(self._clock.now_s(), "ups", address, reply.raw))
                self._answered.add(address)
            self._backoff.reset()
            late_s = time.monotonic() - began_s
            await asyncio.sleep(self._interval_s - late_s % self._interval_s)

    def _put_last(self, error: ProtocolError) -> bool:
        """One unit whose answer is garbage costs the connection; the others are asked before it from now on."""
        address = self._asking
        if not self._answered - {address}:
            return False
        self._order.remove(address)
        self._order.append(address)
        self._deliver(Failed(self._clock.now_s(), "ups", address, str(error)))
        return True

    def _say_up(self, *, connected: bool) -> None:
        if self._said_up is connected:
            return
        self._said_up = connected
        for address in self._units:
            self._deliver(Link(self._clock.now_s(), "ups", address, connected=connected))
        if connected:
            self._said = ""

    def _lost(self, why: str) -> None:
        self._say_up(connected=False)
        if why != self._said:
            self._said = why
            log.warning("UPS server %s:%d: %s", self._place.host, self._place.port, why)
        for address in self._units:
            self._deliver(Failed(self._clock.now_s(), "ups", address, why))


class _Talk:
    """One connection to a server, after TLS and login."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._client = UpsClient()

    @classmethod
    async def open(cls, place: _Place, dialer: Dialer) -> "_Talk":
        """Connect, switch to TLS and log in, as far as configured. Raises PeerUnavailable, ProtocolError."""
        context = None if place.starttls == "never" else _context(place)
        sock = await dialer.connect(place.host, place.port, CONNECT_S)
        try:
            async with asyncio.timeout(CONNECT_S):
                if context is None:
                    reader, writer = await asyncio.open_connection(sock=sock)
                else:
                    await _starttls(sock)
                    reader, writer = await asyncio.open_connection(
                        sock=sock, ssl=context, server_hostname=place.host, ssl_handshake_timeout=CONNECT_S
                    )
        except OSError as error:
            sock.close()
            raise PeerUnavailable(plain(error)) from None
        except BaseException:
            sock.close()
            raise
        talk = cls(reader, writer)
        try:
            await talk._login(place)
        except BaseException:
            await talk.aclose()
            raise
        return talk

    async def list_var(self, name: str) -> Reply:
        """The reply to LIST VAR. Raises PeerUnavailable, ProtocolError."""
        return await self._ask(self._client.list_var(name))

    async def aclose(self) -> None:
        """Take leave, without waiting for a server that does not answer."""
        with contextlib.suppress(Exception):
            if self._client.error is None and not self._client.pending:
                self._writer.write(self._client.logout())
        self._writer.close()
        with contextlib.suppress(OSError):
            async with asyncio.timeout(FAREWELL_S):
                await self._writer.wait_closed()
        self._writer.transport.abort()

    async def _login(self, place: _Place) -> None:
        if not place.user:
            return
        for command in (self._client.username(place.user), self._client.password(place.password)):
            reply = await self._ask(command)
            if reply.kind == "error":
                raise PeerUnavailable(_meaning(reply.text))

    async def _ask(self, command: bytes) -> Reply:
        """Send one command and wait for its reply."""
        try:
            async with asyncio.timeout(ANSWER_S):
                self._writer.write(command)
                await self._writer.drain()
                while True:
                    data = await self._reader.read(READ)
                    if not data:
                        raise PeerUnavailable("the server closed the connection")
                    for reply in self._client.receive(data):
                        return reply
        except TimeoutError:
            raise PeerUnavailable(f"no answer from the server within {ANSWER_S:g} s") from None
        except OSError as error:
            raise PeerUnavailable(plain(error)) from None


async def _starttls(sock: socket.socket) -> None:
    """The talk in the clear before TLS. Straight on the socket: no byte of it may be left over in a buffer."""
    loop, client = asyncio.get_running_loop(), UpsClient()
    await loop.sock_sendall(sock, client.starttls())
    replies: list[Reply] = []
    while not replies:
        data = await loop.sock_recv(sock, READ)
        if not data:
            raise PeerUnavailable("the server closed the connection")
        replies = client.receive(data)
    if client.error is not None:
        raise client.error
    if replies[0].kind != "ok":
        raise PeerUnavailable(_meaning(replies[0].text))


def _context(place: _Place) -> ssl.SSLContext:
    """Raises PeerUnavailable when the file cannot be used."""
    try:
        context = ssl.create_default_context(cafile=place.ca_file or None)
    except OSError as error:
        raise PeerUnavailable(f"cannot use the certificate file {place.ca_file}: {plain(error)}") from None
    if place.starttls == "i_know":
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


def _meaning(error: str) -> str:
    """An ERR reply: its name, and what it means."""
    words = WORDS.get(error.partition(" ")[0])
    return f"{error}: {words}" if words else error
