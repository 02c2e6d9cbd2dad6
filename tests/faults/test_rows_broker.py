"""Rows 1 to 6 and 8, the broker and its connection: a real broker, our own proxy between it and the whole daemon.

Outside reference: MQTT 3.1.1 (OASIS), 3.3.1.1 for DUP, 3.3.1.3 for retained messages, 4.6 for order, 3.1.2.10 for
keep-alive: a peer gives up after one and a half times of it.
"""

import json
import time

import pytest
from faultshop import BROKER_PASSWORD, BY_HAND, PANEL
from servers import Mosquitto, free_port, wait_until
from whole import NAMES, Devices, said, titles, waits_for

pytestmark = pytest.mark.real

QUICK = "[rules.broker_lost]\non_delay_s = 1\noff_delay_s = 1"


def runs(devices, name, percent=10):
    devices.say(name, "RUN", job=f"{name} clips", percent=percent, bed_now=60.0, bed_set=60)


def ends(shop, kind="build"):
    return [note for note in shop.history(kind) if note.get("ended") is not None]


def test_row_01_broker_down_at_start(house, phone, tmp_path):
    port = free_port()
    shop = house(phone=phone, broker_port=port, machines=dict.fromkeys(NAMES, PANEL), extra=QUICK)
    shop.start()
    assert {row["state"] for row in shop.view()["machines"]} == {"unknown"}
    waits_for(phone, "^MQTT broker lost", within_s=20)
    assert list(shop.standing()) == ["broker_lost:broker"], "one alarm, none for each machine"
    broker = Mosquitto(tmp_path / "late", port=port, user="farmwatch", password=BROKER_PASSWORD).start()
    try:
        waits_for(phone, "^MQTT broker back", within_s=75)
        them = Devices(port, user="farmwatch", password=BROKER_PASSWORD)
        shop.hears(them, "lapwing")
        them.close()
        assert len(titles(phone)) == 2
        shop.keeps_its_promises()
    finally:
        broker.stop()


def test_row_02_and_03_broker_dies_and_comes_back_without_memory(house, broker, devices, phone):
    """Its retained messages are lost with it: silence, not "idle"; and one message, one all-clear."""
    quick = f"{QUICK}\n[rules.source_silent]\non_delay_s = 1\n"
    shop = house(phone=phone, broker_port=broker.port, machines=dict.fromkeys(NAMES, PANEL), extra=quick)
    shop.start()
    for name in NAMES:
        devices.publish(f"works/{name}/status", said("RUN", job="clips", percent=10, bed_now=60.0), retain=True)
    shop.reaches("lapwing", "printing")
    before = len(shop.history("state"))
    broker.kill()
    wait_until(lambda: {row["state"] for row in shop.view()["machines"]} == {"unknown"}, within_s=60,
               what="what is not heard is unknown")  # fmt: skip
    time.sleep(3)  # long enough for each of them to be told of, were the broker not the cause
    broker.start()
    waits_for(phone, "MQTT broker back after", within_s=75)
    time.sleep(2)
    states = [note["state"] for note in shop.history("state")[: len(shop.history("state")) - before]]
    assert not {"idle", "cooling", "waiting"} & set(states), states
    assert ends(shop) == []
    for name in NAMES:
        runs(devices, name)
    shop.reaches("lapwing", "printing", within_s=20)
    assert [title.split(" after")[0] for title in titles(phone)] == ["MQTT broker lost", "MQTT broker back"]


def test_row_04_retained_message_of_yesterday(house, broker, devices, phone):
    for name, state in (("avocet", "RUN"), ("bittern", "END"), ("curlew", "ERROR")):
        devices.publish(f"works/{name}/status", said(state, job="old", percent=42, bed_now=20.0), retain=True)
    command = json.dumps({"command": "cleared", "machine": "bittern", "by": "ann"})
    devices.publish("farmwatch/command", command, retain=True)
    shop = house(phone=phone, broker_port=broker.port, machines=dict.fromkeys(NAMES[:3], PANEL))
    shop.start()
    wait_until(lambda: shop.source("works/curlew/status")["state"] == "last_known", within_s=10, what="it is kept")
    time.sleep(2)
    assert {row["state"] for row in shop.view()["machines"]} == {"unknown"}
    assert shop.history("state") == shop.history("build") == shop.history("said") == []
    assert shop.standing() == {}
    assert titles(phone) == []


def test_row_05_and_06_duplicate_and_out_of_order(house, broker, devices, proxy, phone):
    """Every message twice, then every pair the wrong way round: one build, one end, one request to clear."""
    between = proxy(broker.port)
    shop = house(phone=phone, broker_port=between.port, machines={"avocet": PANEL, "bittern": PANEL})
    shop.start()
    for name, fault in (("avocet", "duplicate"), ("bittern", "reorder")):
        shop.hears(devices, name)
        setattr(between, fault, True)
        for percent in (10, 30, 31, 60, 61, 98):
            runs(devices, name, percent)
        shop.reaches(name, "printing")
        for bed_c in (55.0, 45.0, 35.0, 30.0):
            devices.say(name, "END", job=f"{name} clips", percent=100, bed_now=bed_c, bed_set=0)
        wait_until(
            lambda: between.doubled >= 10 and (fault == "duplicate" or between.swapped >= 4),  # noqa: B023  (at once)
            within_s=30, what=f"all have passed the proxy: {fault}",
        )  # fmt: skip
        setattr(between, fault, False)
        devices.say(name, "END", job=f"{name} clips", percent=100, bed_now=30.0, bed_set=0)
    for name in ("avocet", "bittern"):
        shop.reaches(name, "waiting", within_s=15)
    waits_for(phone, "^Clear 2 beds", within_s=25)
    time.sleep(2)
    assert sorted(note["machine"] for note in ends(shop)) == ["avocet", "bittern"]
    assert len(titles(phone)) == 1


@BY_HAND
def test_row_08_two_with_the_same_name(house, broker, devices):
    """A second daemon under the same client id: both say so, neither dies, and the fight gets slower."""
    shops = [house(broker_port=broker.port, machines={"avocet": PANEL}) for _ in range(2)]
    for shop in shops:
        shop.config.write_text(shop.config.read_text().replace("[mqtt]\n", '[mqtt]\nclient_id = "one"\n', 1))
        shop.start()
    wait_until(
        lambda: any("another client" in shop.log for shop in shops), within_s=30, what="one of them says what it is"
    )
    assert "another client" in "".join(shop.log for shop in shops)


@BY_HAND
def test_row_02_the_broker_s_connection_is_corrupt_dripping_and_reset(house, broker, devices, proxy):
    """Of row 2: what a bad cable does costs the connection, never the process; then it is as it was."""
    between = proxy(broker.port)
    shop = house(broker_port=between.port, machines={"avocet": PANEL, "bittern": PANEL})
    shop.start()
    shop.hears(devices, "avocet")
    between.corrupt = 13
    for percent in range(20):
        runs(devices, "avocet", percent)
    time.sleep(1)
    between.corrupt = 0
    between.reset()
    between.drip = 400
    shop.hears(devices, "bittern")
    between.drip = 0
    between.reset()
    shop.hears(devices, "bittern")
    assert between.seen >= 3
