"""Battery backups that speak SNMP and serve the UPS-MIB (RFC 1628): each polled on its own, one request at a time.

The body that is passed on is a JSON object of OID to value with all that one poll has found; null stands for what the
agent does not have. A poll that does not come to its end is a failure: half an answer would hide an alarm.
"""

import asyncio
import contextlib
import importlib.util
import logging
import socket
import time
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from pyasn1.type import univ
from pysnmp.error import PySnmpError
from pysnmp.hlapi.v3arch.asyncio import (
    USM_AUTH_HMAC96_SHA,
    USM_PRIV_CFB128_AES,
    CommunityData,
    ContextData,
    ObjectIdentity,
    ObjectType,
    SnmpEngine,
    Udp6TransportTarget,
    UdpTransportTarget,
    UsmUserData,
    bulk_cmd,
    get_cmd,
)
from pysnmp.proto.mpmod.rfc3412 import SnmpV3MessageProcessingModel
from pysnmp.proto.rfc1905 import EndOfMibView
from pysnmp.proto.secmod.rfc3414.service import SnmpUSMSecurityModel

from farmwatch.ports import Clock, Deliver
from farmwatch.sources.backoff import Backoff
from farmwatch.sources.dial import Dialer
from farmwatch.wire.upsmib import COLUMNS, MOST, SCALARS, UPTIME, Object, render
from farmwatch.words.errors import ConfigError, PeerUnavailable, ProtocolError
from farmwatch.words.model import Failed, Raw

log = logging.getLogger("farmwatch.snmp")

PORT = 161
INTERVAL_S = 10.0
ANSWER_S, RETRIES = 2.0, 2
POLL_S = 20.0
"""Longest time for a whole poll, of two or three requests when nothing is lost."""
LEAST_S = 0.1
MOST_VARBINDS = MOST - len(SCALARS)
IN_AN_ANSWER = 36
"""Rows asked for at once, over all columns: they fit into one packet."""
MOST_TEXT = 200
COMMUNITY = "public"
"""What is tried where there is no secret: customary, and no protection (common practice, no source)."""
LEAST_PASSPHRASE = 8  # RFC 3414, section 11.2
VERSIONS = ("2c", "3")
REFUSED = {6: "noAccess", 16: "authorizationError"}  # error-status (RFC 3416, section 3)

SILENCE = f"no answer in {1 + RETRIES} tries of {ANSWER_S:g} s"
WORDS: dict[str, str] = {
    # what the library calls it: what it means here. An agent does not answer a wrong community (RFC 3584, 5.2.1)
    "UnknownUserName": "the agent knows no such user; check the secret snmp_<backup>",
    "UnknownSecurityName": "the agent knows no such user; check the secret snmp_<backup>",
    "WrongDigest": "the agent refuses the authentication passphrase, or its protocol is not SHA; check snmp_<backup>",
    "AuthenticationFailure": "the agent refuses the authentication passphrase; check the secret snmp_<backup>",
    "DecryptionError": "the agent refuses the privacy passphrase, or its protocol is not AES; check snmp_<backup>",
    "UnsupportedSecurityLevel": "the agent does not let this user read with authentication and privacy",
    "NotInTimeWindow": "the agent's clock has started anew; it is asked again",
    "UnknownEngineID": "the agent has another engine identifier; it is asked again",
}


@dataclass(frozen=True, slots=True)
class SnmpPeer:
    """One device, ``host[:port]``.

    `secret` is the community for version "2c" (None: public), ``user:authentication:privacy`` for version "3", which
    is always used with authentication by SHA and privacy by AES (RFC 3414, RFC 3826).
    """

    address: str
    version: str = "2c"
    secret: str | None = field(default=None, repr=False)
    interval_s: float = INTERVAL_S


@dataclass(frozen=True, slots=True)
class SnmpConfig:
    """All devices."""

    peers: tuple[SnmpPeer, ...] = ()


class Place(NamedTuple):
    """Where a device listens."""

    host: str
    port: int


class SnmpSource:
    """Polls each device in a task of its own.

    Raises ConfigError for an address that cannot be read, an unknown version, or a secret that is none of version 3.
    """

    name = "snmp"

    def __init__(self, config: SnmpConfig) -> None:
        self._peers = [(peer, parse_address(peer.address), credentials(peer)) for peer in config.peers]
        self._dialer = Dialer()

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Run until cancelled."""
        build = asyncio.Lock()
        async with asyncio.TaskGroup() as group:
            for peer, place, login in self._peers:
                agent = _Agent(place, login, self._dialer, build)
                group.create_task(_watch(peer, agent, deliver, clock), name="snmp agent")
            await asyncio.Future()


def parse_address(address: str) -> Place:
    """Host and port of ``host[:port]``, 161 where it is missing; an IPv6 address stands in brackets.

    Raises:
        ConfigError: it is no such address.

    >>> parse_address("192.0.2.9:1161"), parse_address("[2001:db8::9]")
    (Place(host='192.0.2.9', port=1161), Place(host='2001:db8::9', port=161))
    """
    host, colon, port = address.rpartition(":") if ":" in address.rpartition("]")[2] else (address, "", "")
    bare = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    number = int(port) if port.isascii() and port.isdigit() and len(port) < 6 else PORT if not colon else 0
    if not bare or (":" in bare and bare == host) or not 0 < number < 65_536 or any(c in bare for c in " /@[]"):
        raise ConfigError(f'"{address}" is no address of an SNMP agent', hint="write it like 192.168.1.20:161")
    return Place(bare, number)


def credentials(peer: SnmpPeer) -> Any:  # noqa: ANN401  (the library has no types)
    """What the library sends to be let in. Raises ConfigError, with no secret in its words."""
    if peer.version not in VERSIONS:
        raise ConfigError(f"{peer.address}: version is one of {', '.join(VERSIONS)}")
    if peer.version == "2c":
        return CommunityData(peer.secret or COMMUNITY)
    parts = (peer.secret or "").split(":", 2)
    if len(parts) != 3 or not parts[0] or any(len(word) < LEAST_PASSPHRASE for word in parts[1:]):
        raise ConfigError(
            f"{peer.address}: SNMP version 3 wants a user and two passphrases of {LEAST_PASSPHRASE} characters or more",
            hint="write user:authentication:privacy into the secret snmp_<backup>",
        )
    if importlib.util.find_spec("cryptography") is None:
        raise ConfigError("SNMP version 3 needs the package cryptography", hint="pip install 'farmwatch[snmp]'")
    user, authentication, privacy = parts
    return UsmUserData(user, authentication, privacy, USM_AUTH_HMAC96_SHA, USM_PRIV_CFB128_AES)


async def _watch(peer: SnmpPeer, agent: "_Agent", deliver: Deliver, clock: Clock) -> None:
    """One device: ask, tell, wait, again. What goes wrong costs this device alone."""
    said, backoff = "", Backoff()
    interval_s = peer.interval_s if peer.interval_s > 0 else INTERVAL_S
    try:
        while True:
            began_s, why, more_s = time.monotonic(), "", 0.0
            try:
                body = render(await agent.poll())
            except (PeerUnavailable, ProtocolError) as error:
                why = str(error)
            except Exception as error:
                log.exception("asking an SNMP agent failed in an unexpected way")
                why = f"unexpected error ({type(error).__name__}); see the log"
            if not why:
                deliver(Raw(clock.now_s(), "snmp", peer.address, body))
                backoff.reset()
            else:
                if why == SILENCE:
                    agent.forget()
                else:  # silence may be a lost packet; anything else is answered by starting over
                    agent.close()
                    more_s = backoff.next_s()
                deliver(Failed(clock.now_s(), "snmp", peer.address, why))
                if why != said:
                    log.warning("SNMP agent %s: %s", peer.address, why)
            said = why
            await asyncio.sleep(max(LEAST_S, more_s, interval_s - (time.monotonic() - began_s)))
    finally:
        agent.close()


class _Agent:
    """One device, and the library's engine for it: what one device breaks is no other's."""

    def __init__(self, place: Place, login: Any, dialer: Dialer, build: asyncio.Lock) -> None:  # noqa: ANN401
        self._place, self._login, self._dialer, self._build = place, login, dialer, build
        self._engine: Any = None
        self._target: Any = None
        self._asked = 0

    async def poll(self) -> dict[str, Object]:
        """All objects. Raises PeerUnavailable, ProtocolError."""
        try:
            async with asyncio.timeout(POLL_S):
                await self._open()
                self._asked = 0
                found = await self._get(SCALARS)
                if all(value is None for oid, value in found.items() if oid != UPTIME):
                    raise PeerUnavailable("it answers, but serves no UPS-MIB (RFC 1628)")
                return found | await self._walk(COLUMNS)
        except TimeoutError:
            raise PeerUnavailable(f"no whole answer within {POLL_S:g} s") from None
        except PySnmpError as error:
            raise PeerUnavailable(f"the SNMP library gave up ({type(error).__name__})") from None

    def forget(self) -> None:
        """Forget where the agent is, and the identifier and clock of its engine (RFC 3414, section 2.3).

        It may have started anew. The library would go on with the old ones for good, and be met with silence.
        """
        self._target = None
        if self._engine is not None:
            self._engine.security_models[3] = SnmpUSMSecurityModel()
            self._engine.message_processing_subsystems[3] = SnmpV3MessageProcessingModel()

    def close(self) -> None:
        """Forget the engine, with its requests in flight."""
        if self._engine is not None:
            with contextlib.suppress(Exception):
                self._engine.close_dispatcher()
        self._engine = self._target = None

    async def _open(self) -> None:
        if self._engine is None:
            async with self._build:  # half a second of work that would hold up everything else
                self._engine = await asyncio.to_thread(SnmpEngine)
        if self._target is None:
            address = (await self._dialer.resolve(*self._place))[0]
            kind = Udp6TransportTarget if address.family == socket.AF_INET6 else UdpTransportTarget
            self._target = await kind.create((address.host, address.port), timeout=ANSWER_S, retries=RETRIES)

    async def _get(self, oids: tuple[str, ...]) -> dict[str, Object]:
        """Scalars. An agent that stumbles over one of them, or over their number, is asked for fewer at once."""
        status, rows = self._answer(await get_cmd(*self._head(), *_names(oids), lookupMib=False))
        if status:
            if len(oids) == 1:
                return {oids[0]: None}
            middle = len(oids) // 2
            return await self._get(oids[:middle]) | await self._get(oids[middle:])
        found: dict[str, Object] = dict.fromkeys(oids)
        return found | {oid: plain(value) for oid, value in rows if oid in found}

    async def _walk(self, columns: tuple[str, ...]) -> dict[str, Object]:
        """Columns of tables, by GETBULK, until each has ended or `MOST_VARBINDS` have come."""
        found: dict[str, Object] = {}
        reached = {column: column for column in columns}
        while reached and self._asked < MOST_VARBINDS:
            open_ones = tuple(reached)
            repeat = max(1, min(IN_AN_ANSWER, MOST_VARBINDS - self._asked) // len(open_ones))
            answer = await bulk_cmd(*self._head(), 0, repeat, *_names(reached.values()), lookupMib=False)
            status, rows = self._answer(answer)
            if status and len(open_ones) > 1:
                middle = len(open_ones) // 2
                return found | await self._walk(open_ones[:middle]) | await self._walk(open_ones[middle:])
            if status or not rows:
                return found
            for index, (oid, value) in enumerate(rows[: MOST_VARBINDS - self._asked]):
                column = open_ones[index % len(open_ones)]
                if column in reached:
                    _step(column, oid, value, reached, found)
            self._asked += len(rows)
        return found

    def _head(self) -> tuple[Any, ...]:
        return self._engine, self._login, self._target, ContextData()

    @staticmethod
    def _answer(answer: tuple[Any, Any, Any, Any]) -> tuple[int, list[tuple[str, Any]]]:
        """Error status and rows. Raises PeerUnavailable."""
        trouble, status, _, rows = answer
        if trouble:
            name = type(trouble).__name__
            raise PeerUnavailable(SILENCE if name == "RequestTimedOut" else WORDS.get(name, f"SNMP failed ({name})"))
        number = int(status or 0)
        if number in REFUSED:
            raise PeerUnavailable(f"the agent lets us read nothing ({REFUSED[number]})")
        return number, [(str(name), value) for name, value in rows]


def _names(oids: Any) -> list[Any]:  # noqa: ANN401
    return [ObjectType(ObjectIdentity(oid)) for oid in oids]


def _step(column: str, oid: str, value: Any, reached: dict[str, str], found: dict[str, Object]) -> None:  # noqa: ANN401
    """Take the next row of a column, or see that it has ended. Raises ProtocolError."""
    if isinstance(value, EndOfMibView) or not oid.startswith(column + "."):
        del reached[column]
        return
    if _order(oid) <= _order(reached[column]):
        raise ProtocolError("the agent's table goes in circles")
    reached[column] = oid
    found[oid] = plain(value)


def _order(oid: str) -> tuple[int, ...]:
    return tuple(map(int, oid.split(".")))


def plain(value: Any) -> Object:  # noqa: ANN401
    """A value of SNMP as JSON can hold it; None for noSuchObject, noSuchInstance and what is no value at all."""
    if isinstance(value, univ.Null):  # noSuchObject and its like are kinds of it, and it is a kind of text
        return None
    if isinstance(value, univ.Integer):
        return int(value)
    if isinstance(value, univ.ObjectIdentifier):
        return ".".join(map(str, value.asTuple()))
    if isinstance(value, univ.OctetString):
        return bytes(value).decode("utf-8", "replace")[:MOST_TEXT]
    return None
