"""MQTT against Debian's mosquitto: loss and return, retained, TLS, passwords, half-open links, a second client."""

import asyncio
import contextlib
import json
import logging
import os
import signal
import time

import pytest
from paho.mqtt import subscribe
from servers import free_port, peer, until

from farmwatch.clock import SteadyClock
from farmwatch.sources.backoff import Backoff
from farmwatch.sources.mqtt import MOST_BYTES, MqttConfig, MqttSource, TlsConfig
from farmwatch.words.errors import PeerUnavailable
from farmwatch.words.model import Failed, Link, Raw

pytestmark = pytest.mark.real
BOTH = pytest.mark.parametrize("protocol", [3, 5])


class Running:
    """A source, what it delivered, and its task."""

    def __init__(self, config, **options):
        self.got = []
        self.source = MqttSource(config, **options)
        self.task = asyncio.create_task(self.source.run(self.got.append, SteadyClock()))

    @property
    def raws(self):
        return [item for item in self.got if isinstance(item, Raw)]

    @property
    def links(self):
        return [item.connected for item in self.got if isinstance(item, Link)]

    @property
    def errors(self):
        return [item.error for item in self.got if isinstance(item, Failed)]

    async def up(self, within_s=5.0):
        took_s = await until(lambda: self.source.connected, within_s=within_s, what="the broker is connected")
        await asyncio.sleep(0.1)  # the subscription is granted
        return took_s

    async def stop(self):
        began_s = time.monotonic()
        self.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self.task
        return time.monotonic() - began_s


@contextlib.asynccontextmanager
async def running(broker, **options):
    """A source at a broker; stops within two seconds whatever the broker does."""
    backoff = options.pop("backoff", None)
    config = MqttConfig(**({"host": broker.host, "port": broker.port, "topics": ("works/+/status",)} | options))
    source = Running(config, backoff=backoff)
    try:
        yield source
    finally:
        assert await source.stop() < 2


@BOTH
async def test_message_arrives_as_sent(mosquitto, protocol):
    async with running(mosquitto, protocol=protocol, topics=("works/+/status", "deep/#", "exact")) as run:
        await run.up()
        body = b'{"state": "RUN"}\x00\xff'
        for topic in ("works/avocet/status", "deep/a/b/c", "exact"):
            mosquitto.publish(topic, body)
        mosquitto.publish("works/avocet/other", body)
        mosquitto.publish("exact/not", body)
        mosquitto.publish("exact", b"")
        await until(lambda: len(run.raws) >= 4, within_s=2, what="four messages")
        assert [item[1:] for item in run.raws] == [
            ("mqtt", "works/avocet/status", body, False),
            ("mqtt", "deep/a/b/c", body, False),
            ("mqtt", "exact", body, False),
            ("mqtt", "exact", b"", False),
        ]
        assert type(run.raws[0].body) is bytes
        assert type(run.raws[0].retained) is bool
        assert abs(run.raws[0].at_s - time.time()) < 5
        assert run.links == [True]
        assert run.errors == []


@BOTH
async def test_retained_message_is_marked_and_a_live_one_is_not(mosquitto, protocol):
    mosquitto.publish("works/avocet/status", "yesterday", retain=True)
    async with running(mosquitto, protocol=protocol) as run:
        await until(lambda: run.raws, within_s=3, what="the retained message")
        # Retained for those who come later, but live for us (MQTT 5.0, section 3.3.1.3).
        mosquitto.publish("works/avocet/status", "now", retain=True)
        await until(lambda: len(run.raws) == 2, within_s=2, what="the live message")
    assert [(item.body, item.retained) for item in run.raws] == [(b"yesterday", True), (b"now", False)]


@BOTH
async def test_broker_killed_and_started_again(mosquitto, protocol):
    async with running(mosquitto, protocol=protocol) as run:
        await run.up()
        mosquitto.kill()
        await until(lambda: run.errors, within_s=2, what="the loss is told")
        assert run.links == [True, False]
        assert "connection was lost" in run.errors[0]
        await asyncio.sleep(2.5)  # some tries against a closed port
        assert run.links == [True, False]
        assert len(run.errors) <= 2  # once for each change of words, not once a try
        mosquitto.start()
        await run.up(within_s=20)
        mosquitto.publish("works/avocet/status", "1")
        await until(lambda: run.raws, within_s=2, what="a message again: it has subscribed again")
        assert run.links == [True, False, True]


async def test_broker_that_says_why_it_ends_is_quoted():
    """MQTT 5.0, section 3.14.2.1: DISCONNECT with reason 0x8B. Debian's broker does not send one when it stops."""

    async def shut_down(reader, writer):
        await reader.read(1000)
        writer.write(b"\x20\x03\x00\x00\x00" + b"\xe0\x01\x8b")
        await writer.drain()
        await asyncio.sleep(5)

    async with peer(shut_down) as port:
        run = Running(MqttConfig("127.0.0.1", port, protocol=5))
        await until(lambda: run.errors, within_s=2, what="the loss is told")
        assert "it ended the connection: server shutting down" in run.errors[0]
        await run.stop()


async def test_broker_down_at_start_then_there(mosquitto_factory):
    broker = mosquitto_factory(started=False)
    async with running(broker) as run:
        await until(lambda: run.errors, within_s=2, what="a failure")
        assert run.links == [False]
        assert run.errors == [f"broker 127.0.0.1:{broker.port}: connection refused: nothing listens there"]
        broker.start()
        await run.up(within_s=65)
        assert run.links == [False, True]


@BOTH
async def test_wrong_password_in_clear_words(mosquitto_factory, protocol, caplog):
    broker = mosquitto_factory(user="farmwatch", password="right")
    async with running(broker, protocol=protocol, user="farmwatch", password="canary-91") as run:
        await until(lambda: run.errors, within_s=3, what="a refusal")
        assert 'refuses the connection as user "farmwatch": not authorized' in run.errors[0]
        assert "secret mqtt_password" in run.errors[0]
        assert run.links == [False]
        await asyncio.sleep(1)
        assert len(run.errors) == 1
        assert "canary" not in "".join(run.errors) + caplog.text
    async with running(broker, protocol=protocol, user="farmwatch", password="right") as run:
        await run.up()
        assert run.errors == []


def test_secret_is_not_shown():
    assert "canary" not in repr(MqttConfig(password="canary-91"))


async def test_refused_subscription_is_told_for_its_topic(caplog):
    """SUBACK with 0x80 (MQTT 3.1.1, section 3.9.3). Debian's broker grants all and filters when it delivers."""

    async def grant_one(reader, writer):
        await reader.read(1000)
        writer.write(b"\x20\x02\x00\x00")
        subscribe_packet = await reader.read(1000)
        mid = subscribe_packet[2:4]
        writer.write(b"\x90\x04" + mid + b"\x01\x80" + b"\x30\x04\x00\x01ax")
        await writer.drain()
        await asyncio.sleep(5)

    async with peer(grant_one) as port:
        run = Running(MqttConfig("127.0.0.1", port, protocol=3, topics=("a", "b/#")))
        await until(lambda: run.raws and run.errors, within_s=2, what="the refusal, and a message of the other")
        failed = next(item for item in run.got if isinstance(item, Failed))
        assert (failed.via, failed.address) == ("mqtt", "b/#")
        assert "refuses the subscription" in failed.error
        assert run.links == [True]
        await run.stop()


async def test_tls_with_an_authority_of_our_own(mosquitto_factory, tls_files):
    broker = mosquitto_factory(tls=tls_files)
    async with running(broker, tls=TlsConfig(ca_file=str(tls_files.ca))) as run:
        await run.up()
        broker.publish_many([("works/avocet/status", str(n) * 3000) for n in range(50)])
        await until(lambda: len(run.raws) == 50, within_s=3, what="messages over TLS")
        assert [item.body for item in run.raws] == [str(n).encode() * 3000 for n in range(50)]


async def test_tls_that_cannot_be_trusted(mosquitto_factory, tls_files):
    broker = mosquitto_factory(tls=tls_files)
    async with running(broker, tls=TlsConfig()) as run:
        await until(lambda: run.errors, within_s=3, what="a refusal")
        assert "certificate is not trusted" in run.errors[0]
    async with running(broker, tls=TlsConfig(insecure="i_know")) as run:
        await run.up()
    async with running(broker, tls=TlsConfig(ca_file="/nowhere/ca.pem")) as run:
        await until(lambda: run.errors, within_s=3, what="a refusal")
        assert "cannot use the certificate files (/nowhere/ca.pem)" in run.errors[0]


async def test_tls_with_a_client_certificate(mosquitto_factory, tls_files):
    broker = mosquitto_factory(tls=tls_files, client_cert=True)
    ca, cert, key = str(tls_files.ca), str(tls_files.client_cert), str(tls_files.client_key)
    async with running(broker, tls=TlsConfig(ca, cert, key)) as run:
        await run.up()
    async with running(broker, tls=TlsConfig(ca)) as run:
        await until(lambda: run.errors, within_s=3, what="a refusal")
        assert run.links[-1] is False


async def test_plain_towards_tls_and_tls_towards_plain(mosquitto_factory, tls_files, mosquitto):
    async with running(mosquitto_factory(tls=tls_files)) as run:
        await until(lambda: run.errors, within_s=12, what="a failure")
    async with running(mosquitto, tls=TlsConfig(insecure="i_know")) as run:
        await until(lambda: run.errors, within_s=12, what="a failure")


def last_word(broker, topic="farmwatch/status"):
    got = subscribe.simple(topic, hostname=broker.host, port=broker.port)
    assert got.retain
    return json.loads(got.payload)


@BOTH
async def test_will_online_offline_and_lost(mosquitto, protocol):
    async with running(mosquitto, protocol=protocol, will_topic="farmwatch/status") as run:
        await run.up()
        online = await asyncio.to_thread(last_word, mosquitto)
        assert online["state"] == "online"
        assert online["since"] == online["connected"]
        assert online["since"].endswith("+00:00")
    offline = await asyncio.to_thread(last_word, mosquitto)
    assert offline["state"] == "offline"
    assert offline["since"] >= offline["connected"]


async def test_will_when_the_process_is_killed(mosquitto):
    child = os.fork()
    if child == 0:  # pragma: no cover - another process
        with contextlib.suppress(BaseException):
            config = MqttConfig(mosquitto.host, mosquitto.port, will_topic="farmwatch/status")
            asyncio.Runner().run(MqttSource(config).run(lambda _item: None, SteadyClock()))
        os._exit(0)
    try:
        async with running(mosquitto, client_id="watcher", topics=("farmwatch/status",)) as run:
            await until(lambda: run.raws and b"online" in run.raws[-1].body, within_s=5, what="the child is online")
            os.kill(child, signal.SIGKILL)
            await until(lambda: b"lost" in run.raws[-1].body, within_s=5, what="its last will")
            assert json.loads(run.raws[-1].body)["since"] is None
    finally:
        with contextlib.suppress(OSError):
            os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


@BOTH
async def test_second_client_with_our_name_is_told(mosquitto, protocol):
    quick = [Backoff(first_s=0.2, most_s=0.2) for _ in range(2)]
    async with (
        running(mosquitto, protocol=protocol, client_id="twin", backoff=quick[0]) as one,
        running(mosquitto, protocol=protocol, client_id="twin", backoff=quick[1]) as two,
    ):
        await until(
            lambda: any("another client" in error for error in one.errors + two.errors), within_s=8, what="told"
        )
        words = next(error for error in one.errors + two.errors if "another client" in error)
        assert 'client identifier "twin"' in words


async def test_twins_slow_down(mosquitto):
    """Quick losses do not start the waits afresh: the fight gets slower."""
    async with running(mosquitto, client_id="twin") as one, running(mosquitto, client_id="twin") as two:
        await asyncio.sleep(8)
        assert one.source._backoff.failures + two.source._backoff.failures >= 3
        assert one.links.count(True) + two.links.count(True) < 14


async def test_half_open_connection_is_found(mosquitto):
    """The broker's process is stopped: the connection stands, nothing comes. Keep-alive 5 s, so at most 8.5 s."""
    async with running(mosquitto, keepalive_s=5) as run:
        await run.up()
        process = mosquitto._process.popen
        process.send_signal(signal.SIGSTOP)
        try:
            took_s = await until(lambda: run.errors, within_s=12, what="the dead connection is noticed")
        finally:
            process.send_signal(signal.SIGCONT)
        assert took_s < 1.5 * 5 + 1.5
        assert "no sign of life" in run.errors[0]
        await run.up(within_s=10)


async def test_idle_connection_is_kept(mosquitto):
    async with running(mosquitto, keepalive_s=5) as run:
        await run.up()
        await asyncio.sleep(12)
        assert run.links == [True]
        assert run.errors == []


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\x20\x02\x00",
        bytes(range(256)) * 9,
        b"\x20\x02\x00\x00\x30\xff\xff\xff\xff\xff",
        b"\x20\x02\x00\x00\x30\x01\x00",
    ],
)
async def test_something_that_is_no_broker(answer):
    """Garbage ends the connection, nothing else; it is tried again."""
    links = []

    async def rubbish(reader, writer):
        links.append(1)
        await reader.read(100)
        writer.write(answer)
        await writer.drain()

    async with peer(rubbish) as port:
        run = Running(MqttConfig("127.0.0.1", port, protocol=3), backoff=Backoff(0.1, 0.1))
        await until(lambda: len(links) >= 2, within_s=5, what="a second try")
        assert not run.task.done()
        assert run.errors
        assert await run.stop() < 2


async def test_silent_peer_and_peer_that_never_reads_do_not_hold_the_stop():
    async def silent(_reader, _writer):
        await asyncio.sleep(3600)

    async with peer(silent) as port:
        run = Running(MqttConfig("127.0.0.1", port))
        await asyncio.sleep(0.5)
        assert await run.stop() < 2


async def test_stop_while_the_broker_hangs(mosquitto):
    async with running(mosquitto, will_topic="farmwatch/status") as run:
        await run.up()
        process = mosquitto._process.popen
        process.send_signal(signal.SIGSTOP)
        try:
            assert await run.stop() < 2
        finally:
            process.send_signal(signal.SIGCONT)


@BOTH
async def test_large_messages(mosquitto, protocol):
    """Up to the limit they arrive; above it MQTT 5 keeps them at the broker, and 3.1.1 has them refused by name."""
    async with running(mosquitto, protocol=protocol) as run:
        await run.up()
        mosquitto.publish("works/a/status", b"x" * MOST_BYTES)
        mosquitto.publish("works/b/status", b"x" * (MOST_BYTES + 100_000))
        mosquitto.publish("works/c/status", b"1")
        await until(lambda: len(run.raws) >= 2, within_s=5, what="both good messages")
        assert [len(item.body) for item in run.raws] == [MOST_BYTES, 1]
        assert run.links == [True]
        if protocol == 3:
            assert "refused" in run.errors[0]
            assert [item.address for item in run.got if isinstance(item, Failed)] == ["works/b/status"]
        else:
            assert run.errors == []


async def test_packet_beyond_all_measure_is_not_read(mosquitto):
    async with running(mosquitto, protocol=3) as run:
        await run.up()
        mosquitto.publish("works/a/status", bytes(9 * 1024 * 1024))
        await until(lambda: run.errors, within_s=5, what="the refusal")
        assert "too large" in run.errors[0]
        await run.up(within_s=10)
        mosquitto.publish("works/a/status", b"1")
        await until(lambda: run.raws, within_s=2, what="a message after that")


async def test_burst_is_taken_whole_and_in_order(mosquitto):
    async with running(mosquitto, qos=1) as run:
        await run.up()
        lag_s = 0.0

        async def feel():
            nonlocal lag_s
            while True:
                began_s = time.monotonic()
                await asyncio.sleep(0.005)
                lag_s = max(lag_s, time.monotonic() - began_s - 0.005)

        feeler = asyncio.create_task(feel())
        messages = [("works/a/status", str(n)) for n in range(5000)]
        await asyncio.to_thread(mosquitto.publish_many, messages)
        await until(lambda: len(run.raws) == 5000, within_s=10, what="all 5,000")
        feeler.cancel()
        assert [int(item.body) for item in run.raws] == list(range(5000))
        assert lag_s < 0.25  # R5


async def test_deliver_that_raises_does_not_end_it(mosquitto, caplog):
    got = []

    def deliver(item):
        got.append(item)
        if isinstance(item, Raw) and item.body == b"bad":
            raise ZeroDivisionError

    caplog.set_level(logging.ERROR)
    source = MqttSource(MqttConfig(mosquitto.host, mosquitto.port, topics=("a",)))
    task = asyncio.create_task(source.run(deliver, SteadyClock()))
    await until(lambda: source.connected, within_s=5, what="connected")
    await asyncio.sleep(0.1)
    mosquitto.publish_many([("a", "bad"), ("a", "bad"), ("a", "good")])
    await until(lambda: got[-1:] and isinstance(got[-1], Raw) and got[-1].body == b"good", within_s=2, what="the rest")
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert [type(item) for item in got] == [Link, Raw, Raw, Raw]
    assert caplog.text.count("could not be delivered") == 1


async def test_publish(mosquitto):
    async with running(mosquitto) as run:
        with pytest.raises(PeerUnavailable):
            run.source.publish("x", "1")
        await run.up()
        run.source.publish("farmwatch/x", b"1", retain=True, qos=1)
        run.source.publish("works/self/status", "2")
        await until(lambda: run.raws, within_s=2, what="our own message back")
        got = await asyncio.to_thread(subscribe.simple, "farmwatch/x", hostname=mosquitto.host, port=mosquitto.port)
        assert (got.payload, got.retain) == (b"1", True)


async def test_many_topics_and_commands(mosquitto):
    topics = tuple(f"works/m{n}/status" for n in range(1000))
    async with running(mosquitto, topics=topics, command_topic="farmwatch/command") as run:
        await run.up()
        await asyncio.sleep(0.3)
        mosquitto.publish_many([("works/m0/status", "a"), ("works/m999/status", "b"), ("farmwatch/command", "c")])
        await until(lambda: len(run.raws) == 3, within_s=3, what="all three")


@BOTH
async def test_topic_that_is_none_is_told_and_left_out(mosquitto, protocol):
    async with running(mosquitto, protocol=protocol, topics=("good", "b#d", "also/good")) as run:
        await run.up()
        mosquitto.publish_many([("good", "1"), ("also/good", "2")])
        await until(lambda: len(run.raws) == 2, within_s=3, what="both good ones")
        assert [item.address for item in run.got if isinstance(item, Failed)] == ["b#d"]
        assert run.links == [True]


async def test_messages_byte_by_byte():
    """A broker whose bytes drip in: each message arrives once and whole."""
    publish = b"\x30\x06\x00\x01tbob"
    script = b"\x20\x02\x00\x00" + publish * 3

    async def drip(reader, writer):
        await reader.read(100)
        for byte in script:
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0.002)
        await asyncio.sleep(5)

    async with peer(drip) as port:
        run = Running(MqttConfig("127.0.0.1", port, protocol=3))
        await until(lambda: len(run.raws) == 3, within_s=3, what="three messages")
        assert {item.body for item in run.raws} == {b"bob"}
        assert await run.stop() < 2


def test_waits_double_with_full_jitter():
    """R6: at most 2 s first, doubling, at most 60 s, never a tight loop."""
    longest = Backoff(uniform=lambda _low, high: high)
    assert [longest.next_s() for _ in range(8)] == [2, 4, 8, 16, 32, 60, 60, 60]
    longest.reset()
    assert longest.next_s() == 2
    assert Backoff(uniform=lambda low, _high: low).next_s() == 0.1
    drawn = [Backoff().next_s() for _ in range(200)]
    assert min(drawn) < 0.5
    assert 1.5 < max(drawn) <= 2


async def test_unknown_host_is_told():
    run = Running(MqttConfig("no-such-broker.invalid", free_port()))
    await until(lambda: run.errors, within_s=8, what="a failure")
    assert "name" in run.errors[0]
    assert await run.stop() < 2
