"""Proof on real parts: a UPS server goes to battery, machines print over MQTT, the phone gets the plan.

Outside reference: RFC 9271 table 4 (OL, OB, DISCHRG); the runtime of the battery by the datasheet's shape in
farmwatch/power/battery.py.
"""

import threading
import time

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from servers import Answer, free_port, wait_until
from whole import Devices, Shop, said, told, waits_for

from farmwatch.actuate_send import Broker, PeerSender
from farmwatch.machines.deeds import Command
from farmwatch.power.battery import fallback_table
from farmwatch.words.errors import PeerUnavailable

pytestmark = pytest.mark.real

LEFT_MIN = {"gannet": 200.0, "curlew": 20.0}
LOAD_W = 220.0


class Printing:
    """Machines that go on printing, their plugs measuring, until they are told otherwise."""

    def __init__(self, devices):
        self._devices, self._began_s = devices, time.monotonic()
        self.left_min = dict(LEFT_MIN)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go_on, daemon=True)
        self._thread.start()

    def _go_on(self):
        while not self._over.wait(0.5):
            gone = (time.monotonic() - self._began_s) / 60
            for name, left in self.left_min.items():
                values = {"job": f"{name}_part", "percent": 50, "left": round(left - gone, 3)}
                self._devices.publish(f"works/{name}/status", said("RUN", **values, bed_now=60.0, bed_set=60))
                self._devices.publish(f"plugs/{name}", '{"w": 110.0}')

    def close(self):
        self._over.set()
        self._thread.join(5)


@pytest.fixture
def shop(tmp_path, mosquitto, upsd, http_receiver):
    them = Shop(
        tmp_path / "shop",
        channels={"phone": f"json://{http_receiver.host}:{http_receiver.port}/ann"},
        broker_port=mosquitto.port,
        ups={"one": upsd.address("one")},
        machines=dict.fromkeys(LEFT_MIN, 'uses = ["panel", "plug"]'),
    ).start()
    yield them
    them.kill()


@pytest.fixture
def devices(mosquitto):
    them = Devices(mosquitto.port)
    yield them
    them.close()


def test_the_message_that_arrives_carries_the_plan_and_its_decide_by_time(shop, devices, upsd, http_receiver):
    battery = {"battery.charge": "100", "ups.realpower": f"{LOAD_W:.0f}"}
    for name in LEFT_MIN:
        shop.hears(devices, name)
    printing = Printing(devices)
    try:
        for name in LEFT_MIN:
            shop.reaches(name, "printing", within_s=15)
        began_s = time.time()
        upsd.set_status("one", "OB DISCHRG", battery)
        wait_until(
            lambda: shop.view()["backups"][0]["status"] == "on_battery", within_s=20,
            what="the backup is seen on battery",
        )  # fmt: skip
        slowest_s = 0.0
        deadline_s = time.monotonic() + 40
        while not told(http_receiver) and time.monotonic() < deadline_s:
            asked_s = time.monotonic()
            shop.get("/healthz")
            slowest_s = max(slowest_s, time.monotonic() - asked_s)
            time.sleep(0.05)
        title, text = waits_for(http_receiver, "Mains lost|on battery", within_s=5)
        arrived_s = time.time()
        print(f"after {arrived_s - began_s:.1f} s, slowest answer of the page {slowest_s:.2f} s: {title} | {text}")
        assert "gannet so that curlew can finish." in text
        assert len(title) + 1 + len(text) <= 240

        rescue = shop.view()["backups"][0]["rescue"]
        assert rescue["live"] is True
        assert rescue["saves"] == ["curlew"]
        assert rescue["stop"] + rescue["pause"] == ["gannet"]
        clocks = {time.strftime("%H:%M", time.gmtime(rescue["by_s"] + shift)) for shift in (-60, 0, 60)}
        assert any(f"not back by {clock} " in text for clock in clocks), (text, clocks)
        # with everything on the battery is empty before curlew is done, and the plan's time lies before that
        empty_s = began_s + fallback_table(180.0).runtime_min(LOAD_W) * 60
        assert began_s < rescue["by_s"] < empty_s < began_s + LEFT_MIN["curlew"] * 60
        assert abs(rescue["empty_s"] - empty_s) < 0.15 * (empty_s - began_s)
        assert arrived_s - began_s < 25

        upsd.set_status("one", "OL CHRG", battery)
        waits_for(http_receiver, "back|on line again", within_s=30)
        wait_until(
            lambda: not (shop.view()["backups"][0]["rescue"] or {}).get("live"), within_s=5, what="the plan is over"
        )
    finally:
        printing.close()
    code, _ = shop.stop()
    assert code == 0
    assert "Traceback" not in shop.log


# ---- sending what a person has confirmed (farmwatch/actuate.py) ----


async def test_a_command_arrives_over_mqtt_and_is_not_retained(mosquitto_factory):
    broker = mosquitto_factory(user="farmwatch", password="pw")
    heard = []
    device = paho.Client(CallbackAPIVersion.VERSION2)
    device.username_pw_set("farmwatch", "pw")
    device.on_message = lambda _client, _data, message: heard.append((message.topic, message.payload, message.retain))
    subscribed = threading.Event()
    device.on_subscribe = lambda *_: subscribed.set()
    device.connect("127.0.0.1", broker.port)
    device.loop_start()
    device.subscribe("works/gannet/do", qos=1)
    assert subscribed.wait(5)
    send = PeerSender(Broker("127.0.0.1", broker.port, "farmwatch", "pw"))
    await send(Command("mqtt", "POST", "works/gannet/do", "pause"))
    wait_until(lambda: heard, within_s=5, what="the command arrives")
    device.disconnect()
    device.loop_stop()
    assert heard == [("works/gannet/do", b"pause", False)]
    with pytest.raises(PeerUnavailable) as refused:
        await PeerSender(Broker("127.0.0.1", broker.port, "farmwatch", "wrong-pw"))(Command("mqtt", "POST", "t", "x"))
    assert "wrong-pw" not in str(refused.value)
    with pytest.raises(PeerUnavailable):
        await PeerSender(Broker("127.0.0.1", free_port()))(Command("mqtt", "POST", "t", "x"))
    with pytest.raises(PeerUnavailable, match="no broker"):
        await PeerSender()(Command("mqtt", "POST", "t", "x"))


async def test_a_command_arrives_over_http_and_a_refusal_or_redirect_is_none(http_receiver):
    send, url = PeerSender(), f"{http_receiver.url}/stop?key=hush"
    await send(Command("http", "PUT", url, '{"stop": true}'))
    request = http_receiver.requests[0]
    assert (request.method, request.body) == ("PUT", b'{"stop": true}')
    assert request.headers["Content-Type"] == "application/json"
    for status, headers in ((403, {}), (302, {"Location": "/elsewhere"})):
        http_receiver.answer(Answer(status=status, headers=headers))
        with pytest.raises(PeerUnavailable, match=str(status)) as refused:
            await send(Command("http", "POST", url, ""))
        assert "hush" not in str(refused.value)
    assert len(http_receiver.requests) == 3, "no redirect was followed"
    http_receiver.stop()
    with pytest.raises(PeerUnavailable, match="cannot be reached") as refused:
        await send(Command("http", "POST", url, ""))
    assert "hush" not in str(refused.value)
