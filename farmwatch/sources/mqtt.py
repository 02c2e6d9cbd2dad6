"""MQTT 3.1.1 and 5: subscribes to topics of one broker. paho-mqtt on the event loop, without threads.

How it connects: `dial` looks the name up, connects and shakes hands without blocking the loop; the ready socket
is then handed to a fresh paho client (`_Client._create_socket`). The socket is wrapped (`_Wire`): paho asks for
a message in three or four reads and acknowledges each in a write of its own, which the wrapper turns into one
system call for many messages.

Bounds: there is no queue here. A message is delivered before the next one is parsed, at most `SLICE` in one go;
what is not yet read stays with the broker (TCP). Messages above `MOST_BYTES` are refused.

Sessions are clean: a broker that kept messages for us would send them later as if they were fresh.
"""

import asyncio
import contextlib
import json
import logging
import ssl
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from socket import socket as Socket  # noqa: N812  (the class, beside variables called socket)
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from farmwatch.ports import Clock, Deliver
from farmwatch.sources.backoff import Backoff
from farmwatch.sources.dial import Dialer, Wire, plain, secure
from farmwatch.words.errors import PeerUnavailable
from farmwatch.words.model import Failed, Link, Raw

log = logging.getLogger("farmwatch.mqtt")

MOST_BYTES = 256 * 1024
"""Largest payload that is passed on. An MQTT 5 broker is told and keeps larger ones to itself."""
HARD_BYTES = 8 * 1024 * 1024
"""Largest packet that is read at all (MQTT 3.1.1 has no way to tell the broker); beyond it the link is cut."""
SLICE = 256
"""Messages handled before the loop gets its turn: some milliseconds."""
TOPICS_A_PACKET = 200
CONNECT_S = 10.0
LOOK_S = 1.0  # a connection is looked after so often
ASLEEP_S = 4.0  # later than that: this process stood still
FAREWELL_S = 1.5
STEADY_S = 30.0
"""A connection that held so long was a good one: the next failure starts the waits from the beginning."""
PING_PONG = 3
PING_PONG_S = 120.0
"""So many quick losses within this time look like two clients that throw each other out."""
TAKEN = 'another client uses the client identifier "{}" (give each client a client_id of its own)'
SESSION_TAKEN_OVER = 0x8E  # MQTT 5.0, section 3.14.2.1
LOGIN_REFUSED = frozenset({0x86, 0x87})  # bad user name or password, not authorized (MQTT 5.0, section 3.2.2.2)


@dataclass(frozen=True, slots=True)
class TlsConfig:
    """TLS towards the broker; "" stands for none. `insecure` must be ``i_know`` to accept any certificate."""

    ca_file: str = ""
    cert_file: str = ""
    key_file: str = ""
    insecure: str = ""

    def context(self) -> ssl.SSLContext:
        """Raises PeerUnavailable when a file cannot be used."""
        try:
            context = ssl.create_default_context(cafile=self.ca_file or None)
            if self.cert_file:
                context.load_cert_chain(self.cert_file, self.key_file or None)
        except OSError as error:
            files = ", ".join(name for name in (self.ca_file, self.cert_file, self.key_file) if name)
            raise PeerUnavailable(f"cannot use the certificate files ({files}): {plain(error)}") from None
        if self.insecure == "i_know":
            context.check_hostname = False
            context.verify_mode = ssl.CERT_NONE
        return context


@dataclass(frozen=True, slots=True)
class MqttConfig:
    """One broker. `protocol` is 5 or 3 (3.1.1). "" for `will_topic` or `command_topic` means none."""

    host: str = "127.0.0.1"
    port: int = 1883
    protocol: int = 5
    user: str = ""
    password: str | None = field(default=None, repr=False)
    client_id: str = "farmwatch"
    keepalive_s: int = 30
    qos: int = 1
    topics: tuple[str, ...] = ()
    tls: TlsConfig | None = None
    will_topic: str = ""
    command_topic: str = ""

    @property
    def filters(self) -> tuple[str, ...]:
        """All topics to subscribe to, each once."""
        return tuple(dict.fromkeys([*self.topics, *([self.command_topic] if self.command_topic else [])]))


class MqttSource:
    """Brings the messages of one broker in, whatever becomes of it."""

    name = "mqtt"

    def __init__(self, config: MqttConfig, *, backoff: Backoff | None = None) -> None:
        self.config = config
        self._backoff = backoff or Backoff()
        self._dialer = Dialer()
        self._session: _Session | None = None
        self._said_up: bool | None = None
        self._said = ""
        self._quick_losses: deque[float] = deque(maxlen=PING_PONG)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted us."""
        return self._session is not None and self._session.accepted

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Run until cancelled: connect, deliver, connect again. A cancelled run says good-bye in 1.5 s at most."""
        self._said_up, self._said = None, ""
        while True:
            began_s = time.monotonic()
            try:
                why = await self._live(deliver, clock)
            except PeerUnavailable as error:
                why = str(error)
                self._quick_losses.clear()
            self._down(why, deliver, clock)
            if time.monotonic() - began_s >= STEADY_S:
                self._backoff.reset()
            await asyncio.sleep(self._backoff.next_s())

    def publish(self, topic: str, payload: bytes | str, *, retain: bool = False, qos: int = 0) -> None:
        """Hand a message to the broker; raises PeerUnavailable while there is none, or its queue is full."""
        session = self._session
        if session is None or not session.accepted:
            raise PeerUnavailable("the broker is not connected")
        session.publish(topic, payload, retain=retain, qos=qos)

    async def _live(self, deliver: Deliver, clock: Clock) -> str:
        """One connection from beginning to end; why it ended. Raises PeerUnavailable when it never stood."""
        config = self.config
        context = config.tls.context() if config.tls is not None else None
        sock = await self._dialer.connect(config.host, config.port, CONNECT_S)
        if context is not None:
            sock = await secure(sock, context, config.host, CONNECT_S)

        def accepted() -> None:
            self._said_up, self._said = True, ""
            deliver(Link(clock.now_s(), "mqtt", None, connected=True))

        session = self._session = _Session(config, sock, deliver, clock, accepted)
        try:
            why = await session.live()
        except asyncio.CancelledError:
            await session.farewell()
            raise
        finally:
            self._session = None
            session.close()
        return self._judge(session, why)

    def _judge(self, session: "_Session", why: str) -> str:
        """Tell a broker that goes away from a second client of our name, which makes it throw us out."""
        if session.taken_over:
            return TAKEN.format(self.config.client_id)
        if not session.accepted:
            raise PeerUnavailable(why)
        losses = self._quick_losses
        if session.ended_by_peer and session.age_s() < STEADY_S:
            losses.append(time.monotonic())
        else:
            losses.clear()
        if len(losses) == PING_PONG and losses[-1] - losses[0] < PING_PONG_S:
            return f"it ends each connection soon after it stands; {TAKEN.format(self.config.client_id)}"
        return why

    def _down(self, why: str, deliver: Deliver, clock: Clock) -> None:
        """Say that the broker is gone, and why, once for each change of words."""
        now_s = clock.now_s()
        if self._said_up is not False:
            self._said_up = False
            deliver(Link(now_s, "mqtt", None, connected=False))
        words = f"broker {self.config.host}:{self.config.port}: {why}"
        if words != self._said:
            self._said = words
            log.warning("%s", words)
            deliver(Failed(now_s, "mqtt", "", words))


class _Session:
    """One connection to the broker, with the paho client that speaks for it."""

    def __init__(
        self, config: MqttConfig, sock: Socket, deliver: Deliver, clock: Clock, accepted: Callable[[], None]
    ) -> None:
        self._config, self._deliver, self._clock = config, deliver, clock
        self._on_accepted = accepted
        self._loop = asyncio.get_running_loop()
        self._wire = Wire(sock, HARD_BYTES)
        self._number = sock.fileno()
        self._ended: asyncio.Future[str] = self._loop.create_future()
        self._farewell: tuple[int, asyncio.Future[None]] | None = None
        self._topics: dict[int, list[str]] = {}
        self._reading_again = self._writing_soon = self._open = False
        self._bad_messages = 0
        self._connected_at = _rfc3339(clock.now_s())
        self._accepted_s = 0.0
        self.accepted = self.taken_over = self.ended_by_peer = False
        self._client = self._make_client()

    def age_s(self) -> float:
        """Seconds since the broker accepted us."""
        return time.monotonic() - self._accepted_s

    async def live(self) -> str:
        """Until the connection ends; why it did."""
        properties = None
        if self._config.protocol == 5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = MOST_BYTES + 65_536  # a topic and properties stand before the payload
        # A clean start every time: what a broker kept for us would come late and look fresh.
        clean: bool | int = True if self._config.protocol == 5 else mqtt.MQTT_CLEAN_START_FIRST_ONLY
        self._client.connect(
            self._config.host,
            self._config.port,
            self._config.keepalive_s,
            clean_start=clean,  # type: ignore[arg-type]  # paho takes a bool here, says its documentation
            properties=properties,
        )
        began_s = checked_s = time.monotonic()
        while not self._ended.done():
            await asyncio.wait((self._ended,), timeout=LOOK_S)
            now_s = time.monotonic()
            if now_s - checked_s > LOOK_S + ASLEEP_S:  # the process was asleep, not the broker
                began_s, self._wire.heard_s = now_s, now_s
            checked_s = now_s
            if not self.accepted and now_s - began_s > CONNECT_S:
                self._end("connected, but it does not answer as an MQTT broker does")
            elif now_s - self._wire.heard_s > 1.5 * self._client.keepalive:
                self._end("no sign of life: the connection is dead")
            else:
                self._guarded(self._client.loop_misc)
        return self._ended.result()

    def publish(self, topic: str, payload: bytes | str, *, retain: bool, qos: int) -> int:
        """Queue a message; its packet id. Raises PeerUnavailable."""
        info = self._client.publish(topic, payload, qos=qos, retain=retain)
        if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise PeerUnavailable(f"the broker takes no messages: {mqtt.error_string(info.rc)}")
        return info.mid

    async def farewell(self) -> None:
        """Say that we go, wait until the broker has it, and go: 1.5 s at most."""
        if not self.accepted or self._ended.done():
            return
        with contextlib.suppress(PeerUnavailable, TimeoutError):
            async with asyncio.timeout(FAREWELL_S):
                if self._config.will_topic:
                    heard: asyncio.Future[None] = self._loop.create_future()
                    words = self._words("offline", _rfc3339(self._clock.now_s()))
                    self._farewell = (self.publish(self._config.will_topic, words, retain=True, qos=1), heard)
                    await asyncio.wait((heard, self._ended), return_when=asyncio.FIRST_COMPLETED)
                self._client.disconnect()
                await self._ended

    def close(self) -> None:
        """Take the socket from the loop and close it."""
        if self._open:
            self._open = False
            self._loop.remove_reader(self._number)
            self._loop.remove_writer(self._number)
        self._wire.close()

    # ---- what paho calls ----------------------------------------------------------------------------------------

    def _make_client(self) -> "_Client":
        config = self._config
        five = config.protocol == 5
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=config.client_id,
            clean_session=None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        client.wire = self._wire
        if config.user:
            client.username_pw_set(config.user, config.password)
        if config.will_topic:
            client.will_set(config.will_topic, self._words("lost", None), qos=1, retain=True)
        client.max_queued_messages_set(1000)
        client.on_socket_open = self._socket_open
        client.on_socket_close = self._socket_close
        client.on_socket_register_write = self._wants_to_write
        client.on_connect = self._connack
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._suback
        client.on_publish = self._puback
        client.on_message = self._message
        return client

    def _words(self, state: str, since: str | None) -> str:
        """Will and greeting. The moment of a loss is known to nobody: `since` is null then."""
        return json.dumps({"state": state, "since": since, "connected": self._connected_at})

    def _socket_open(self, *_: object) -> None:
        self._open = True
        self._loop.add_reader(self._number, self._readable)

    def _socket_close(self, *_: object) -> None:
        self.close()

    def _wants_to_write(self, *_: object) -> None:
        if not self._writing_soon:
            self._writing_soon = True
            self._loop.call_soon(self._write)

    def _message(self, _client: object, _userdata: object, message: mqtt.MQTTMessage) -> None:
        payload = message.payload
        try:
            if len(payload) > MOST_BYTES:
                why = f"a message of {len(payload)} bytes is refused: at most {MOST_BYTES}"
                self._deliver(Failed(self._clock.now_s(), "mqtt", message.topic, why))
                return
            self._deliver(Raw(self._clock.now_s(), "mqtt", message.topic, bytes(payload), message.retain))
        except Exception:
            self._bad_messages += 1
            if self._bad_messages == 1:
                log.exception("a message could not be delivered; further ones of this connection are not logged")

    def _connack(self, _c: object, _u: object, _flags: object, reason: ReasonCode, _p: object) -> None:
        config = self._config
        if reason.is_failure:
            login = f' as user "{config.user}"' if config.user else " without a user"
            hint = "; check the user and the secret mqtt_password" if reason.value in LOGIN_REFUSED else ""
            self._end(f"it refuses the connection{login}: {str(reason).lower()}{hint}")
            return
        self.accepted, self._accepted_s = True, time.monotonic()
        self._on_accepted()
        if config.will_topic:
            self._client.publish(config.will_topic, self._words("online", self._connected_at), qos=1, retain=True)
        topics = config.filters
        for start in range(0, len(topics), TOPICS_A_PACKET):
            self._subscribe(topics[start : start + TOPICS_A_PACKET])

    def _subscribe(self, topics: Sequence[str]) -> None:
        """Ask for topics; one that is no topic filter is told and left out."""
        qos = self._config.qos
        five = self._config.protocol == 5
        wanted: Any = [(topic, SubscribeOptions(qos=qos) if five else qos) for topic in topics]
        try:
            _, mid = self._client.subscribe(wanted)
        except ValueError:
            if len(topics) > 1:
                for topic in topics:
                    self._subscribe([topic])
                return
            why = "not a topic filter (MQTT 5.0, section 4.7)"
            self._deliver(Failed(self._clock.now_s(), "mqtt", topics[0], why))
        else:
            if mid is not None:
                self._topics[mid] = list(topics)

    def _suback(self, _c: object, _u: object, mid: int, reasons: list[ReasonCode], _p: object) -> None:
        for topic, reason in zip(self._topics.pop(mid, []), reasons, strict=False):
            if reason.is_failure:
                why = f"the broker refuses the subscription: {str(reason).lower()}; check its access list"
                log.warning("%s: %s", topic, why)
                self._deliver(Failed(self._clock.now_s(), "mqtt", topic, why))

    def _puback(self, _c: object, _u: object, mid: int, _reason: object, _p: object) -> None:
        if self._farewell is not None and self._farewell[0] == mid and not self._farewell[1].done():
            self._farewell[1].set_result(None)

    def _disconnected(
        self, _c: object, _u: object, flags: mqtt.DisconnectFlags, reason: ReasonCode, _p: object
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self.taken_over = reason.value == SESSION_TAKEN_OVER
            self._end(f"it ended the connection: {str(reason).lower()}")
        elif self._wire.too_large:
            self._end(
                f"a packet of {self._wire.too_large} bytes is too large; use protocol 5, or limit it at the broker"
            )
        else:
            self.ended_by_peer = True
            self._end("the connection was lost")

    # ---- what the loop calls --------------------------------------------------------------------------------------

    def _end(self, why: str) -> None:
        if not self._ended.done():
            self._ended.set_result(why)

    def _guarded(self, work: Callable[[], object]) -> None:
        """A broker that sends nonsense ends its connection, nothing else."""
        try:
            work()
        except Exception:
            log.exception("the broker sent something that cannot be read")
            self._end("it broke the protocol")
            self.close()

    def _readable(self) -> None:
        self._guarded(self._read)

    def _read(self) -> None:
        client, wire = self._client, self._wire
        for _ in range(SLICE):
            client.loop_read()
            if not self._open or not wire.pending():
                return
        if not self._reading_again:
            self._reading_again = True
            self._loop.call_soon(self._continue)

    def _continue(self) -> None:
        self._reading_again = False
        if self._open:
            self._guarded(self._read)

    def _write(self) -> None:
        """Let paho write into the wire, the wire into the socket, and wait for room if there is none."""
        self._writing_soon = False
        if not self._open:
            return
        self._guarded(self._flush)

    def _flush(self) -> None:
        self._client.loop_write()
        gone = self._wire.flush()
        if self._open:  # paho closes after a DISCONNECT
            if gone:
                self._loop.remove_writer(self._number)
            else:
                self._loop.add_writer(self._number, self._write)


class _Client(mqtt.Client):
    """paho's client on a socket that is already connected."""

    wire: Wire

    def _create_socket(self) -> Wire:
        return self.wire


def _rfc3339(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")
