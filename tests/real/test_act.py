"""Actions at machines against real peers: a broker, an HTTP device, the whole daemon and the command line."""

import asyncio
import contextlib
import json
import threading
import time

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from servers import Answer, free_port, peer, wait_until
from whole import Devices, Shop

from farmwatch.actuate_send import Broker, PeerSender
from farmwatch.machines.deeds import Command
from farmwatch.sources.mqtt import TlsConfig
from farmwatch.words.errors import PeerUnavailable

pytestmark = pytest.mark.real
HOLD = Command("mqtt", "POST", "works/gannet/do", '{"do": "hold"}', "hold")
SECRET = "canary-51d0"


class Listener:
    """Hears every message of a broker."""

    def __init__(self, port: int, **login: str) -> None:
        self.got: list[tuple[str, bytes, bool]] = []
        self.on = lambda _topic, _body: None
        ready = threading.Event()
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        if login:
            self.client.username_pw_set(login["user"], login["password"])
        self.client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._take
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert ready.wait(5)

    def _take(self, _client, _data, message) -> None:
        self.got.append((message.topic, message.payload, message.retain))
        self.on(message.topic, message.payload)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.mark.parametrize("protocol", [3, 5])
async def test_published_once_and_not_retained(mosquitto, protocol):
    with contextlib.closing(Listener(mosquitto.port)) as heard:
        await PeerSender(Broker("127.0.0.1", mosquitto.port, protocol=protocol))(HOLD)
        wait_until(lambda: heard.got, within_s=5, what="the message arrives")
    with contextlib.closing(Listener(mosquitto.port)) as later:
        await asyncio.sleep(0.2)
    assert heard.got == [("works/gannet/do", b'{"do": "hold"}', False)]
    assert later.got == [], "nothing waits for whoever comes later"


async def test_published_over_tls_with_a_login(mosquitto_factory, tls_files):
    broker = mosquitto_factory(tls=tls_files, user="farm", password=SECRET)
    tls = TlsConfig(str(tls_files.ca), "", "", "")
    await PeerSender(Broker("127.0.0.1", broker.port, "farm", SECRET, tls.context))(HOLD)
    with pytest.raises(PeerUnavailable) as found:
        await PeerSender(Broker("127.0.0.1", broker.port, "farm", SECRET + "x", tls.context))(HOLD)
    assert "refuses the connection" in str(found.value)
    assert SECRET not in str(found.value)
    with pytest.raises(PeerUnavailable):
        await PeerSender(Broker("127.0.0.1", broker.port, "farm", SECRET))(HOLD)


async def test_a_broker_that_lets_us_write_nothing_there_says_so(mosquitto_factory):
    broker = mosquitto_factory(user="farm", password=SECRET, acl="user farm\ntopic read #\n")
    with pytest.raises(PeerUnavailable, match="refuses the message"):
        await PeerSender(Broker("127.0.0.1", broker.port, "farm", SECRET))(HOLD)


async def test_a_broker_that_is_not_there_or_says_nothing(monkeypatch):
    monkeypatch.setattr("farmwatch.actuate_send.SEND_S", 2.0)
    with pytest.raises(PeerUnavailable, match="ConnectionRefused"):
        await PeerSender(Broker("127.0.0.1", free_port()))(HOLD)
    with pytest.raises(PeerUnavailable, match="no broker"):
        await PeerSender()(HOLD)

    async def silent(reader, _writer):
        await reader.read(1 << 16)
        await asyncio.sleep(30)

    async with peer(silent) as port:
        began_s = time.monotonic()
        with pytest.raises(PeerUnavailable, match="did not confirm"):
            await PeerSender(Broker("127.0.0.1", port))(HOLD)
        assert time.monotonic() - began_s < 3


@pytest.mark.parametrize("method", ["POST", "PUT", "GET"])
async def test_requested_with_its_own_authorization(http_receiver, method):
    command = Command("http", method, f"{http_receiver.url}/do?x=1", '{"do": "hold"}', "hold")
    await PeerSender(None, {"hold": f"Bearer {SECRET}", "other": "no"})(command)
    [request] = http_receiver.wait(1)
    assert (request.method, request.path) == (method, "/do?x=1")
    assert request.headers["Authorization"] == f"Bearer {SECRET}"
    assert request.body == (b"" if method == "GET" else b'{"do": "hold"}')


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer(500), "answered 500"),
        (Answer(302, headers={"Location": "http://127.0.0.1:1/"}), "answered 302"),
        (Answer(0), "cannot be reached"),
    ],
)
async def test_a_device_that_does_not_take_it(http_receiver, answer, words):
    http_receiver.answer(answer)
    command = Command("http", "POST", f"{http_receiver.url}/do?key={SECRET}", "", "hold")
    with pytest.raises(PeerUnavailable, match=words) as found:
        await PeerSender()(command)
    assert SECRET not in str(found.value)
    assert len(http_receiver.requests) == 1, "neither followed nor tried again"


ACTIONS = """
[actions.hold]
kind = "pause"
via = "mqtt"
address = "works/{machine}/do"
payload = '{"do": "hold", "serial": "{serial}"}'
answer_s = 5

[actions.end]
kind = "stop"
via = "http"
address = "http://127.0.0.1:%d/{machine}/stop"
answer_s = 2

[actions.cut]
kind = "off"
via = "mqtt"
address = "plugs/{machine}/set"
payload = "off"
"""


@pytest.fixture
def shop(tmp_path, mosquitto, http_receiver):
    """A daemon with gannet and heron; what can be done at gannet is turned on."""
    gannet = 'uses = ["panel", "plug"], actions = ["hold", "end", "cut"], params = { serial = "0042" }'
    heron = 'uses = ["panel"], actions = "end"'
    made = Shop(
        tmp_path / "shop", broker_port=mosquitto.port, machines={"gannet": gannet, "heron": heron},
        extra=ACTIONS % http_receiver.port,
    )  # fmt: skip
    for name, text in (("act_password", "open sesame"), ("act_end", f"Bearer {SECRET}")):
        (tmp_path / "shop" / "secrets" / name).write_text(text)
        (tmp_path / "shop" / "secrets" / name).chmod(0o600)
    made.start()
    yield made
    made.close()


def test_from_the_terminal_to_the_machine_and_back(shop, mosquitto, http_receiver):
    devices, heard = Devices(mosquitto.port), Listener(mosquitto.port)

    def obey(topic, _body):
        if topic == "works/gannet/do":
            threading.Thread(target=devices.say, args=("gannet", "HOLD"), kwargs={"percent": 40.0}).start()

    heard.on = obey
    try:
        for name in ("gannet", "heron"):
            shop.hears(devices, name)
            devices.say(name, "RUN", percent=40.0, left=60.0, bed_now=60.0, bed_set=60.0)
            shop.reaches(name, "printing")
        commands = lambda: [row for row in heard.got if row[0] in ("works/gannet/do", "plugs/gannet/set")]  # noqa: E731

        asked = shop.command("act", "gannet", "pause", "--by", "ann")  # no terminal: nobody can confirm
        assert asked.returncode == 1
        assert "Pause gannet? It is printing now." in asked.stderr
        assert "nothing was done" in asked.stderr
        other = shop.command("act", "heron", "pause", "--yes")
        assert other.returncode == 1
        assert "not turned this on" in other.stderr
        hot = shop.command("act", "gannet", "off", "--yes")
        assert hot.returncode == 1
        assert "is printing" in hot.stderr
        heard.client.publish("farmwatch/command", json.dumps({"command": "pause", "machine": "gannet"}), 1)
        wait_until(lambda: any(row[0] == "farmwatch/command" for row in heard.got), within_s=5, what="it is said")
        time.sleep(0.3)
        assert commands() == []
        assert shop.history("act") == []

        done = shop.command("act", "gannet", "pause", "--by", "ann", "--yes", "--json")
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)
        assert (found["sent"], found["shown"]) == (True, True)
        assert "gannet reports paused" in found["text"]
        assert [(topic, json.loads(body), kept) for topic, body, kept in commands()] == [
            ("works/gannet/do", {"do": "hold", "serial": "0042"}, False)
        ]
        assert "gannet reports paused" in shop.machine("gannet")["acted"]

        soon = shop.command("act", "gannet", "stop", "--by", "ann", "--yes")
        assert "only one action each 10 s" in soon.stderr
        stopped = shop.command("act", "heron", "stop", "--by", "bram", "--yes")
        assert stopped.returncode == 1, "the device took it and did nothing"
        assert "heron still reports printing" in stopped.stdout
        assert "go and look" in stopped.stdout
        [request] = http_receiver.requests
        assert (request.path, request.headers["Authorization"]) == ("/heron/stop", f"Bearer {SECRET}")
        steps = [(row["step"], row["action"], row["by"]) for row in reversed(shop.history("act"))]
        assert steps == [(step, *who) for who in (("hold", "ann"), ("end", "bram"))
                         for step in ("before", "after", "outcome")]  # fmt: skip
        assert SECRET not in shop.log + shop.get("/") + shop.get("/api/v1/view") + shop.get("/api/v1/history")
    finally:
        heard.close()
        devices.close()
