"""HTTP polling: each device asked in a task of its own, so that a slow one delays nobody else.

An answer is read under a deadline and a limit; no redirect is followed (OWASP ASVS 5.0, 15.3.2); link-local addresses
are never asked, whatever a name resolves to. What a failure is called holds neither
address nor secret.
"""

import asyncio
import logging
import socket
import time
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from secrets import SystemRandom

import aiohttp
from aiohttp.abc import AbstractResolver, ResolveResult
from yarl import URL

from farmwatch.ports import Clock, Deliver
from farmwatch.sources.backoff import Backoff
from farmwatch.sources.dial import Dialer, forbidden, plain
from farmwatch.words.errors import ConfigError, PeerUnavailable
from farmwatch.words.model import Failed, Raw

log = logging.getLogger("farmwatch.http")

MOST_BYTES = 1024 * 1024
"""Largest body, as sent and as unpacked."""
PHASE_S = 2.0
"""The first polls are spread over this time, so that not all devices are asked at once."""
CHUNK = 16_384
DEFAULT_INTERVAL_S = 10.0


@dataclass(frozen=True, slots=True)
class HttpPoll:
    """One address asked every `interval_s`.

    `timeout_s` bounds the wait for the connection and for each next piece of the answer, `deadline_s` the whole
    request. `authorization` is the value of the header of that name.
    """

    address: str
    interval_s: float = DEFAULT_INTERVAL_S
    timeout_s: float = 4.0
    deadline_s: float = 10.0
    authorization: str | None = field(default=None, repr=False)


@dataclass(frozen=True, slots=True)
class HttpConfig:
    """All addresses to poll."""

    polls: tuple[HttpPoll, ...] = ()


class HttpSource:
    """Polls devices over HTTP, one request in flight for each address. Addresses named twice are asked once."""

    name = "http"

    def __init__(self, config: HttpConfig) -> None:
        self.polls = tuple(_merged(config.polls))
        for poll in self.polls:
            _check(poll.address)
        self._dialer = Dialer()
        self._random = SystemRandom()

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Run until cancelled; requests in flight are dropped at once then."""
        connector = aiohttp.TCPConnector(limit=0, resolver=_Resolver(self._dialer))  # one request an address: bounded
        async with (
            aiohttp.ClientSession(
                connector=connector,
                auto_decompress=False,
                cookie_jar=aiohttp.DummyCookieJar(),
                headers={"User-Agent": "farmwatch", "Accept-Encoding": "identity"},
            ) as session,
            asyncio.TaskGroup() as group,
        ):
            for poll in self.polls:
                group.create_task(self._watch(session, poll, deliver, clock), name="http poll")
            await asyncio.Future()  # without polls, too, run until cancelled

    async def _watch(self, session: aiohttp.ClientSession, poll: HttpPoll, deliver: Deliver, clock: Clock) -> None:
        """Ask one address in its rhythm; more slowly while it fails, yet once a minute."""
        backoff = Backoff(most_s=60.0)
        await asyncio.sleep(self._random.uniform(0.0, min(poll.interval_s, PHASE_S)))
        while True:
            began_s = time.monotonic()
            try:
                body = await fetch(session, poll)
            except PeerUnavailable as error:
                deliver(Failed(clock.now_s(), "http", poll.address, str(error)))
            except Exception as error:  # whatever a device makes the library raise costs this device alone
                log.exception("polling one device failed in an unexpected way")
                why = f"unexpected error ({type(error).__name__}); see the log"
                deliver(Failed(clock.now_s(), "http", poll.address, why))
            else:
                backoff.reset()
                deliver(Raw(clock.now_s(), "http", poll.address, body))
                # The next turn of this poll's own rhythm; turns that a slow answer has missed are left out.
                late_s = time.monotonic() - began_s
                await asyncio.sleep(poll.interval_s - late_s % poll.interval_s)
                continue
            await asyncio.sleep(max(min(poll.interval_s, 1.0), backoff.next_s()))


async def fetch(session: aiohttp.ClientSession, poll: HttpPoll) -> bytes:
    """The body of one answer with status 2xx. Raises PeerUnavailable with words that hold no secret."""
    try:
        async with asyncio.timeout(poll.deadline_s):
            return await _ask(session, poll)
    except TimeoutError as error:
        if isinstance(error, aiohttp.ServerTimeoutError):
            raise PeerUnavailable(f"no answer within {poll.timeout_s:g} s") from None
        raise PeerUnavailable(f"the answer was not complete within {poll.deadline_s:g} s") from None
    except aiohttp.ClientConnectorCertificateError as error:
        raise PeerUnavailable(plain(error.certificate_error)) from None
    except aiohttp.ClientConnectorDNSError as error:
        raise PeerUnavailable(error.os_error.strerror or "the host name is not known") from None
    except aiohttp.ClientOSError as error:
        cause = getattr(error, "os_error", None) or error
        raise PeerUnavailable(plain(cause)) from None
    except aiohttp.ServerDisconnectedError:
        raise PeerUnavailable("the device closed the connection without an answer") from None
    except aiohttp.ClientPayloadError:
        raise PeerUnavailable("the answer broke off") from None
    except aiohttp.ClientError as error:
        raise PeerUnavailable(f"not a usable HTTP answer ({type(error).__name__})") from None
    except (ValueError, UnicodeError):
        raise PeerUnavailable("not a usable HTTP answer") from None


async def _ask(session: aiohttp.ClientSession, poll: HttpPoll) -> bytes:
    url = URL(poll.address)
    if why := forbidden(url.host or ""):
        raise PeerUnavailable(why)
    timeout = aiohttp.ClientTimeout(total=None, sock_connect=poll.timeout_s, sock_read=poll.timeout_s)
    headers = {"Authorization": poll.authorization} if poll.authorization else {}
    async with session.get(url, headers=headers, timeout=timeout, allow_redirects=False) as answer:
        if not 200 <= answer.status < 300:
            raise PeerUnavailable(_status(answer.status))
        return await _body(answer)


def _status(status: int) -> str:
    """Status in words of the standard's, not the device's."""
    try:
        phrase = HTTPStatus(status).phrase.lower()
    except ValueError:
        phrase = "not a registered status"
    hint = "; check the secret http_<mapping>" if status in (401, 403) else ""
    if 300 <= status < 400 and status != 304:
        hint = "; no redirect is followed: write the address where it leads into the mapping"
    return f"the device answers {status} ({phrase}){hint}"


async def _body(answer: aiohttp.ClientResponse) -> bytes:
    """The body, unpacked, neither form above the limit; a connection with more on it is closed."""
    too_large = f"the answer is larger than {MOST_BYTES // 1024} KiB"
    if answer.content_length is not None and answer.content_length > MOST_BYTES:
        answer.close()
        raise PeerUnavailable(too_large)
    body = bytearray()
    async for chunk in answer.content.iter_chunked(CHUNK):
        body += chunk
        if len(body) > MOST_BYTES:
            answer.close()
            raise PeerUnavailable(too_large)
    coding = answer.headers.get("Content-Encoding", "identity").strip().lower()
    if coding in ("", "identity"):
        return bytes(body)
    if coding not in ("gzip", "x-gzip", "deflate"):
        raise PeerUnavailable("the answer is packed in a way that we did not ask for")
    unpacked = _unpack(bytes(body))
    if unpacked is None:
        raise PeerUnavailable("the answer cannot be unpacked")
    if len(unpacked) > MOST_BYTES:
        raise PeerUnavailable(f"unpacked, {too_large}")
    return unpacked


def _unpack(packed: bytes) -> bytes | None:
    """Unpack gzip (RFC 1952) or zlib (RFC 1950), stopping beyond the limit; None when it is broken."""
    out = b""
    try:
        while packed and len(out) <= MOST_BYTES:
            unpacker = zlib.decompressobj(zlib.MAX_WBITS | 32)  # 32: tells the two apart by their header
            out += unpacker.decompress(packed, MOST_BYTES + 1 - len(out))
            if not unpacker.eof and len(out) <= MOST_BYTES:
                return None
            packed = unpacker.unused_data
    except zlib.error:
        return None
    return out


def _check(address: str) -> None:
    """Refuse what must never be polled, at the start. Raises ConfigError, without the address's secrets."""
    try:
        url = URL(address)
    except ValueError:
        raise ConfigError("an HTTP address cannot be read", hint="write http://host/path") from None
    where = f"{url.scheme}://{url.host}"
    if url.scheme not in ("http", "https") or not url.host:
        raise ConfigError(f"{where}: only http and https are polled", hint="write http://host/path")
    if url.user is not None or url.password is not None:
        raise ConfigError(f"{where}: holds a login", hint="put the Authorization header into the secret http_<mapping>")
    if why := forbidden(url.host):
        raise ConfigError(f"{where}: {why}")


def _merged(polls: tuple[HttpPoll, ...]) -> Iterable[HttpPoll]:
    """Each address once, in the quickest of its rhythms; the first one's secret stands."""
    merged: dict[str, HttpPoll] = {}
    for poll in polls:
        if poll.interval_s <= 0:  # "on change only" has no meaning for a device that must be asked
            poll = replace(poll, interval_s=DEFAULT_INTERVAL_S)
        known = merged.get(poll.address)
        if known is None:
            merged[poll.address] = poll
        else:
            merged[poll.address] = replace(
                known,
                interval_s=min(known.interval_s, poll.interval_s),
                authorization=known.authorization if known.authorization is not None else poll.authorization,
            )
    return merged.values()


class _Resolver(AbstractResolver):
    """aiohttp's look-ups through ours; a name that leads to a forbidden address leads nowhere."""

    def __init__(self, dialer: Dialer) -> None:
        self._dialer = dialer

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_INET
    ) -> list[ResolveResult]:
        """Addresses that may be asked; raises OSError with words."""
        try:
            found = await self._dialer.resolve(host, port)
        except PeerUnavailable as error:
            raise OSError(None, str(error)) from None
        for address in found:
            if why := forbidden(address.host):
                raise OSError(None, why)
        return [
            ResolveResult(hostname=host, host=a.host, port=port, family=a.family, proto=0, flags=socket.AI_NUMERICHOST)
            for a in found
            if family in (socket.AF_UNSPEC, a.family)
        ]

    async def close(self) -> None:
        """Nothing is held."""
