"""Rows 7, 22, 23, 24 and 39: a network that is silent, gone, without the world, without names, or loses packets.

The cuts are the kernel's where it lets us (`network.KernelLine`), else our own proxies; the run says which. Outside
reference: MQTT 3.1.1, 3.1.2.10 (one and a half keep-alives); RFC 1035 (names); RFC 3416 (SNMP).
"""

import asyncio
import re
import time

import pytest
from faultshop import PANEL
from names import NameServer, wrapper
from servers import HttpDevice, until, wait_until
from snmp_agent import Snmpd
from whole import titles, told, waits_for

from farmwatch.clock import SteadyClock
from farmwatch.sources import snmp as module
from farmwatch.sources.dial import Dialer
from farmwatch.sources.http import HttpConfig, HttpPoll, HttpSource
from farmwatch.sources.snmp import SnmpConfig, SnmpPeer, SnmpSource
from farmwatch.words.model import Failed, Raw

pytestmark = pytest.mark.real

LINK_LOCAL = "169.254.169.254"
QUICK = "[rules.broker_lost]\non_delay_s = 1\noff_delay_s = 1\n"
SOON = "[rules.machine_fault]\non_delay_s = 0\noff_delay_s = 0\n"


def behind(shop, door):
    """The broker is reached by this door, and silence is found within seven seconds and a half."""
    text = shop.config.read_text().replace("[mqtt]\n", f'[mqtt]\nhost = "{door[0]}"\nkeepalive_s = 5\n', 1)
    shop.config.write_text(text)


def test_row_07_half_open_connection(house, broker, devices, line, phone):
    """No FIN, no RST, nothing passes: found within one and a half keep-alives, here of 5 s, and mended by itself."""
    way = line()
    door = way.door(broker.port)
    shop = house(phone=phone, broker_port=door[1], machines={"avocet": PANEL}, extra=QUICK)
    behind(shop, door)
    shop.start()
    shop.hears(devices, "avocet")
    way.silence()
    waits_for(phone, "^MQTT broker lost", within_s=30)
    assert "no sign of life" in shop.log
    way.mend()
    waits_for(phone, "^MQTT broker back", within_s=75)
    shop.hears(devices, "avocet")


def test_row_22_the_house_is_there_and_the_world_is_not(house, broker, devices, line, phone):
    """Packets to the service vanish: what is watched goes on, and afterwards one message holds all that was."""
    names = ("avocet", "bittern", "curlew")
    way = line()
    host, port = way.door(phone.port)
    world = type("World", (), {"host": host, "port": port})()
    shop = house(phone=world, broker_port=broker.port, machines=dict.fromkeys(names, PANEL), extra=SOON)
    shop.messages = [phone]
    shop.start()
    for name in names:
        shop.hears(devices, name)
    way.silence()
    for name in names:
        devices.say(name, "RUN", job=f"{name} job", percent=10, bed_now=60.0, bed_set=60)
        devices.say(name, "ERROR", job=f"{name} job", percent=40, bed_now=60.0, bed_set=60)
        shop.reaches(name, "fault")
        time.sleep(0.5)
    wait_until(lambda: shop.journal("SELECT count(*) FROM outbox WHERE attempts > 0")[0][0] >= 1, within_s=60,
               what="it has been tried in vain")  # fmt: skip
    time.sleep(62)  # what is younger than a minute has not piled up
    assert phone.requests == []
    assert shop.health()[0] == 200
    assert len(shop.titles()) >= 2
    way.mend()
    wait_until(lambda: all(name in " ".join(title + text for title, text in told(phone)) for name in names),
               within_s=90, what="everything has come")  # fmt: skip
    time.sleep(2)
    assert len(phone.requests) <= 2, titles(phone)  # the one that was under way, and one for all the others


def test_row_23_collector_alone(house, broker, devices, line, phone, upsd):
    """The collector's own cable is out: one cause for broker, devices and backups, and one all-clear."""
    way = line()
    door = way.door(broker.port)
    polled = [HttpDevice() for _ in range(3)]
    try:
        machines = dict.fromkeys(("avocet", "bittern", "curlew"), PANEL)
        for name, device in zip(("dunlin", "eider", "fulmar"), polled, strict=True):
            device.body = b'{"status": "ready", "bed": 22}'
            there = way.door(device.port)
            machines[name] = f'uses = ["port"], params = {{ host = "{there[0]}:{there[1]}" }}'
        there = way.door(upsd.port)
        ups = {name: f"{name}@{there[0]}:{there[1]}" for name in upsd.names}
        shop = house(phone=phone, broker_port=door[1], machines=machines, ups=ups)
        behind(shop, door)
        shop.start()

        def everybody():
            for name in ("avocet", "bittern", "curlew"):
                devices.say(name, "IDLE", bed_now=22.0)
            return {row["state"] for row in shop.view()["machines"]} == {"idle"}

        wait_until(everybody, within_s=30, what="all are heard")
        way.unplug()
        waits_for(phone, "^Network", within_s=120)
        time.sleep(5)
        assert {row["state"] for row in shop.view()["machines"]} == {"unknown"}
        assert {row["status"] for row in shop.view()["backups"]} == {"unknown"}
        assert len(titles(phone)) == 1, titles(phone)
        way.mend()
        wait_until(lambda: everybody() and len(titles(phone)) >= 2, within_s=120, what="it is over and told")
        assert len(titles(phone)) == 2, titles(phone)
    finally:
        for device in polled:
            device.close()


def test_row_24_names_are_not_answered_or_wrongly(house, device, record_property):
    """A name server of our own below the whole daemon: it answers, then is silent, denies, lies, and answers again."""
    other = HttpDevice()
    other.body = b'{"status": "ready", "bed": 22}'
    server = NameServer({"avocet.shed.test": "127.0.0.1"})
    below, how = wrapper(server)
    record_property("by means of", how)
    try:
        if not below:
            asyncio.run(asked_in_this_process(server, device))
            return
        shop = house(machines={
            "avocet": f'uses = ["port"], params = {{ host = "avocet.shed.test:{device.port}" }}',
            "bittern": f'uses = ["port"], params = {{ host = "127.0.0.1:{other.port}" }}',
        })  # fmt: skip
        shop.config.write_text(re.sub(r"(?ms)^\[mappings\.(panel|plug)\].*?(?=^\[mappings\.(plug|port)\])", "",
                                      shop.config.read_text()))  # fmt: skip
        shop.start(wrapper=below)
        wait_until(lambda: server.asked, within_s=30, what="the name server is asked")

        def polled(least):
            before = device.count("/status"), other.count("/status")
            wait_until(
                lambda: device.count("/status") >= before[0] + least and other.count("/status") >= before[1] + least,
                within_s=45, what="both are asked on",
            )  # fmt: skip

        polled(2)
        for how in ("silent", "denies"):
            server.how = how
            device.stop()  # the connection is made anew, so that the name is looked up
            wait_until(lambda: shop.machine("avocet")["state"] == "unknown", within_s=30, what="the device is away")
            device.start()
            polled(3)
            assert shop.health()[0] == 200
        wait_until(lambda: shop.machine("avocet")["state"] == "idle", within_s=30, what="the last good address serves")
        server.how = LINK_LOCAL
        device.stop()
        wait_until(lambda: shop.machine("avocet")["state"] == "unknown", within_s=30, what="the device is away")
        device.start()
        before = len(server.asked)
        wait_until(lambda: len(server.asked) > before, within_s=45, what="the lie is told")
        assert shop.machine("bittern")["state"] == "idle"
        server.how = "true"
        wait_until(lambda: shop.machine("avocet")["state"] == "idle", within_s=90, what="the true name serves again")
        assert shop.machine("bittern")["state"] == "idle"
    finally:
        server.close()
        other.close()


async def asked_in_this_process(server, device):
    """The next best: the same answers by the look-up of our own source, without a daemon around it."""
    came = []
    source = HttpSource(HttpConfig((HttpPoll(f"http://avocet.shed.test:{device.port}/status", 0.2),)))
    source._dialer = Dialer(lookup=server.lookup)
    task = asyncio.create_task(source.run(came.append, SteadyClock()))
    try:
        for how in ("true", "silent", "denies"):
            server.how, before = how, len(came)
            device.stop()
            await until(lambda at=before: any(isinstance(one, Failed) for one in came[at:]), within_s=20, what="away")
            device.start()
            before = device.count("/status")
            await until(lambda at=before: device.count("/status") >= at + 2, within_s=45, what="asked on")
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_row_39_a_fifth_of_the_packets_lost(line, tmp_path, monkeypatch):
    """Debian's agent behind a line that loses every fifth packet each way: tried again, whole or not at all."""
    monkeypatch.setattr(module, "ANSWER_S", 0.3)
    monkeypatch.setattr(module, "RETRIES", 5)
    agent = Snmpd(tmp_path / "agent").start()
    way = line()
    try:
        host, port = way.datagram_door(agent.port)
        way.lossy(20)
        came = []
        source = SnmpSource(SnmpConfig((SnmpPeer(f"{host}:{port}", "2c", agent.community, 0.05),)))
        task = asyncio.create_task(source.run(came.append, SteadyClock()))
        await until(lambda: sum(isinstance(one, Raw) for one in came) >= 12, within_s=120, what="twelve answers")
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert way.lost() >= 3, "packets were lost"
        failed = [one for one in came if isinstance(one, Failed)]
        assert len(failed) <= 4, "a lost packet is asked for again"
    finally:
        agent.kill()
