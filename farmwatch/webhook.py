"""A way to a phone through a plain HTTP receiver of the owner's: one POST of JSON a message.

``webhook+https://host/path``; ``user:password@`` is sent as Basic authentication (RFC 7617), a name alone as a Bearer
token (RFC 6750). What an ordinary service library hides can be seen here: how long the receiver wants to be left alone
(Retry-After, RFC 9110 section 10.2.3), and an error in the body of an answer that says 200. Each copy of a message
carries the same ``Idempotency-Key`` (IETF draft httpapi-idempotency-key-header), so that a receiver can drop repeats.

The whole call has one deadline, however slowly the answer drips; no redirect is followed, so a token never goes to
another host; names are looked up on daemon threads, two at most, and the last good address is used while the name
service does not answer.
"""

import asyncio
import contextlib
import hashlib
import json
import socket
import ssl
import threading
import time
from base64 import b64encode
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import unquote, urlsplit, urlunsplit

import aiohttp
from aiohttp.abc import AbstractResolver, ResolveResult

from farmwatch.words.errors import ConfigError, PeerUnavailable
from farmwatch.words.model import Message

SCHEMES = ("webhook+http", "webhook+https")
TOTAL_S = 9.5  # of a whole call: below the outbox's own deadline, so that the reason can be told
MOST_BODY = 65_536
LOOKUPS = 2
LOOKUP_S = 4.0


class WebhookChannel:
    """`ports.Channel` by HTTP. `secret` gives the URL; `label` is what logs, pages and errors may say."""

    def __init__(self, name: str, label: str, secret: Callable[[], str], *, total_s: float = TOTAL_S) -> None:
        self.name = name
        self.label = label
        self._secret = secret
        self._total_s = total_s
        self._lookup = _Lookup()

    def check(self) -> None:
        """Look at the URL without sending; raises ConfigError with words that do not contain it."""
        self._target()

    def _target(self) -> tuple[str, dict[str, str]]:
        """The address, and the headers that its user part asks for."""
        hint = "write webhook+https://host/path into the secrets folder"
        try:
            parts = urlsplit(self._secret().strip())
            host, port = parts.hostname, parts.port
        except ValueError:
            raise ConfigError(f"{self.label}: its URL cannot be read", hint=hint) from None
        if parts.scheme not in SCHEMES or not host:
            raise ConfigError(f"{self.label}: its URL is no webhook", hint=hint)
        headers = {}
        if parts.password is not None:
            pair = f"{unquote(parts.username or '')}:{unquote(parts.password)}".encode()
            headers["Authorization"] = f"Basic {b64encode(pair).decode()}"
        elif parts.username:
            headers["Authorization"] = f"Bearer {unquote(parts.username)}"
        place = f"[{host}]" if ":" in host else host
        place += "" if port is None else f":{port}"
        return urlunsplit((parts.scheme.removeprefix("webhook+"), place, parts.path or "/", parts.query, "")), headers

    async def send(
        self, message: Message, links: Sequence[tuple[str, str]], *, key: str = "", repeat: bool = False
    ) -> None:
        """Hand over one message.

        Raises:
            PeerUnavailable: refused, not reached, or not in time; `after_s` as the receiver asks.
        """
        url, headers = self._target()
        token = hashlib.sha256((key or message.id).encode("utf-8", "replace")).hexdigest()[:32]
        headers |= {"Idempotency-Key": f'"{token}"', "User-Agent": "farmwatch", "Accept": "application/json"}
        connector = aiohttp.TCPConnector(resolver=self._lookup, use_dns_cache=False, force_close=True)
        try:
            async with (
                asyncio.timeout(self._total_s),
                aiohttp.ClientSession(connector=connector, auto_decompress=False, trust_env=False) as session,
                session.post(
                    url, json=document(message, links, token, repeat=repeat), headers=headers, allow_redirects=False
                ) as answer,
            ):
                body = await _read(answer.content)
                self._judge(answer.status, answer.headers.get("Retry-After"), body)
        except aiohttp.ClientConnectorCertificateError:
            raise PeerUnavailable(f"{self.label}: its certificate is not good") from None
        except (aiohttp.ClientConnectorError, ssl.SSLError):
            raise PeerUnavailable(f"{self.label}: the service cannot be reached") from None
        except TimeoutError:
            raise PeerUnavailable(f"{self.label}: no answer within {self._total_s:g} s", maybe=True) from None
        except (aiohttp.ClientError, OSError, ValueError):
            raise PeerUnavailable(f"{self.label}: the service broke off", maybe=True) from None

    def _judge(self, status: int, after: str | None, body: bytes) -> None:
        if status >= 300:
            moved = ", it has moved; write its new address" if status < 400 else ""
            raise PeerUnavailable(
                f"{self.label}: the service answered {status}{moved}", after_s=after_s(after), maybe=status >= 500
            )
        if says_no(body):
            raise PeerUnavailable(f"{self.label}: the service answered {status}, but with an error in it", maybe=True)


def document(message: Message, links: Sequence[tuple[str, str]], key: str, *, repeat: bool) -> dict[str, Any]:
    """What is posted."""
    return {
        "key": key,
        "repeat": repeat,
        "id": message.id,
        "incident": message.incident,
        "step": message.step,
        "to": message.to,
        "at": datetime.fromtimestamp(message.at_s, UTC).isoformat(timespec="seconds"),
        "priority": message.priority,
        "silent": message.silent or message.priority == "test",
        "title": message.title,
        "text": message.text,
        "links": [{"label": label, "url": address} for label, address in links],
    }


def after_s(words: str | None, now_s: float | None = None) -> float | None:
    """Seconds of a Retry-After header: a number of them, or a date (RFC 9110, section 10.2.3); None if neither.

    >>> after_s("120"), after_s("soon"), after_s("Wed, 21 Oct 2015 07:28:00 GMT", 1445412450.0)
    (120.0, None, 30.0)
    """
    if words is None:
        return None
    if words.strip().isdecimal() and len(words) < 10:
        return float(words)
    try:
        until_s = parsedate_to_datetime(words).timestamp()
    except (ValueError, TypeError, OverflowError):
        return None
    return max(0.0, until_s - (time.time() if now_s is None else now_s))


def says_no(body: bytes) -> bool:
    """Whether a JSON answer denies what its status claims: a true `error`, or `ok` or `success` that is false.

    >>> says_no(b'{"ok": false}'), says_no(b'{"ok": true}'), says_no(b'accepted'), says_no(b'{"error": "no such user"}')
    (True, False, False, True)
    """
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        return False
    return isinstance(found, dict) and (
        bool(found.get("error")) or found.get("ok") is False or found.get("success") is False
    )


async def _read(content: aiohttp.StreamReader) -> bytes:
    body = bytearray()
    async for chunk in content.iter_chunked(8_192):
        body += chunk
        if len(body) > MOST_BODY:
            break
    return bytes(body)


class _Lookup(AbstractResolver):
    """Names to addresses, never on a thread that anybody waits for at the end."""

    def __init__(self) -> None:
        self._alive = 0
        self._good: dict[tuple[str, int], list[ResolveResult]] = {}

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_INET
    ) -> list[ResolveResult]:
        """Addresses of a name; those that were good last while there is no answer."""
        known = self._good.get((host, port))
        try:
            async with asyncio.timeout(LOOKUP_S):
                found = await self._ask(host, port, family)
        except OSError:  # TimeoutError is one
            if known is None:
                raise
            return known
        self._good[host, port] = found
        return found

    async def _ask(self, host: str, port: int, family: socket.AddressFamily) -> list[ResolveResult]:
        if self._alive >= LOOKUPS:
            raise OSError("earlier look-ups still hang")
        loop = asyncio.get_running_loop()
        result: asyncio.Future[list[ResolveResult]] = loop.create_future()

        def finish(found: list[ResolveResult] | OSError) -> None:
            self._alive -= 1
            if result.done():
                return
            if isinstance(found, OSError):
                result.set_exception(found)
            else:
                result.set_result(found)

        def work() -> None:
            try:
                rows = socket.getaddrinfo(host, port, family, socket.SOCK_STREAM)
                found: list[ResolveResult] | OSError = [
                    {"hostname": host, "host": str(row[4][0]), "port": port, "family": row[0], "proto": row[2],
                     "flags": socket.AI_NUMERICHOST}
                    for row in rows
                ]  # fmt: skip
            except OSError as error:
                found = error
            except UnicodeError:
                found = OSError("no name of a host")
            with contextlib.suppress(RuntimeError):  # the loop is closed; nobody waits any more
                loop.call_soon_threadsafe(finish, found)

        self._alive += 1
        threading.Thread(target=work, name="look up a receiver", daemon=True).start()
        return await result

    async def close(self) -> None:
        """Nothing to close."""
