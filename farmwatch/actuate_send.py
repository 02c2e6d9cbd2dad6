"""Sends a confirmed command: over MQTT (QoS 1, never retained) or HTTP (no redirects), each under a deadline."""

import asyncio
import ssl
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from farmwatch.machines.deeds import Command
from farmwatch.words.errors import PeerUnavailable

SEND_S = 8.0
EXPIRES_S = 15


@dataclass(frozen=True, slots=True)
class Broker:
    """Where MQTT commands go. `tls` makes the context, where TLS is used."""

    host: str
    port: int
    user: str = ""
    password: str | None = field(default=None, repr=False)
    tls: Callable[[], ssl.SSLContext] | None = None
    protocol: int = 5  # 5, or 3 for MQTT 3.1.1


class PeerSender:
    """Sends.

    Args:
        broker: where MQTT commands go; None where there is none.
        authorization: action: value of the Authorization header of its requests.
    """

    def __init__(self, broker: Broker | None = None, authorization: Mapping[str, str] | None = None) -> None:
        self._broker, self._authorization = broker, authorization or {}

    async def __call__(self, command: Command) -> None:
        """Send it; PeerUnavailable in words that hold neither address nor secret."""
        try:
            async with asyncio.timeout(SEND_S):
                await (self._http(command) if command.via == "http" else self._mqtt(command))
        except TimeoutError:
            raise PeerUnavailable(f"no answer within {SEND_S:.0f} s; it may have arrived all the same") from None

    async def _mqtt(self, command: Command) -> None:
        if self._broker is None:
            raise PeerUnavailable("no broker is configured", hint="add [mqtt]")
        delivery = _Delivery(self._broker, command)
        try:
            await asyncio.to_thread(delivery.run)
        except (OSError, ValueError) as error:
            raise PeerUnavailable(f"the broker cannot be reached: {type(error).__name__}") from None
        finally:
            delivery.over.set()

    async def _http(self, command: Command) -> None:
        import aiohttp  # noqa: PLC0415

        body = command.payload.encode() if command.payload and command.method != "GET" else None
        headers = {"Content-Type": "application/json"} if command.payload.startswith(("{", "[")) else {}
        if command.action in self._authorization:
            headers["Authorization"] = self._authorization[command.action]
        try:
            async with (
                aiohttp.ClientSession() as session,
                session.request(
                    command.method, command.address, data=body, headers=headers, allow_redirects=False
                ) as answer,
            ):
                if not 200 <= answer.status < 300:
                    raise PeerUnavailable(f"the device answered {answer.status}")
        except (aiohttp.ClientError, ValueError) as error:
            raise PeerUnavailable(f"the device cannot be reached: {type(error).__name__}") from None


class _Delivery:
    """One message to the broker over a connection of its own; never sent once its time is over."""

    def __init__(self, broker: Broker, command: Command) -> None:
        self._broker, self._command = broker, command
        self._until_s = time.monotonic() + SEND_S - 1.0
        self.over = threading.Event()
        self._failure = ""

    def run(self) -> None:
        """Blocks, at most about `SEND_S` and a look-up of the name. Raises PeerUnavailable, OSError, ValueError."""
        import paho.mqtt.client as mqtt  # noqa: PLC0415  (only where it is used)
        from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion  # noqa: PLC0415

        broker = self._broker
        protocol = MQTTProtocolVersion.MQTTv5 if broker.protocol == 5 else MQTTProtocolVersion.MQTTv311
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol, reconnect_on_failure=False)
        client.connect_timeout = SEND_S / 2
        client.on_connect, client.on_publish = self._connected, self._published
        if broker.user:
            client.username_pw_set(broker.user, broker.password)
        if broker.tls is not None:
            client.tls_set_context(broker.tls())
        client.connect(broker.host, broker.port)
        try:
            while not self.over.is_set() and time.monotonic() < self._until_s:
                if client.loop(timeout=0.2) != MQTTErrorCode.MQTT_ERR_SUCCESS and not self.over.is_set():
                    raise PeerUnavailable(self._failure or "the broker broke the connection off")
        finally:
            client.disconnect()
        if self._failure:
            raise PeerUnavailable(self._failure)
        if not self.over.is_set():
            raise PeerUnavailable("the broker did not confirm it; it may have arrived all the same")

    def _connected(self, client: Any, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:  # noqa: ANN401  (paho's)
        if reason.is_failure:
            self._failure = f"the broker refuses the connection: {reason}"
            self.over.set()
        elif not self.over.is_set() and time.monotonic() < self._until_s:
            client.publish(self._command.address, self._command.payload, qos=1, retain=False, properties=self._expiry())

    def _expiry(self) -> Any:  # noqa: ANN401  (paho's)
        """A device that comes back later must not find it waiting (MQTT 5.0, section 3.3.2.3.3)."""
        if self._broker.protocol != 5:
            return None
        from paho.mqtt.packettypes import PacketTypes  # noqa: PLC0415
        from paho.mqtt.properties import Properties  # noqa: PLC0415

        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.MessageExpiryInterval = EXPIRES_S
        return properties

    def _published(self, _client: Any, _data: Any, _mid: int, reason: Any, _more: Any) -> None:  # noqa: ANN401  (paho's)
        if reason.is_failure:
            self._failure = f"the broker refuses the message: {reason}"
        self.over.set()
