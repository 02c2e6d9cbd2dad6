"""Rows 27, 36 and 37: floods of notices, backups that go stale or talk nonsense; Debian's UPS server behind a proxy.

Outside reference: RFC 9271, section 4.2.12 (DATA-STALE, DRIVER-NOT-CONNECTED) and table 4 (OL, OB, LB).
"""

import time

import pytest
from faultshop import BY_HAND, PANEL
from servers import wait_until
from whole import NAMES, titles, waits_for

pytestmark = pytest.mark.real

QUICK = (
    "[rules.mains_lost]\non_delay_s = 1\noff_delay_s = 1\n[rules.backup_unseen]\non_delay_s = 3\n"
    "[rules.machine_fault]\non_delay_s = 0\noff_delay_s = 0\n"
)


def backup(shop, name):
    return next(row for row in shop.view()["backups"] if row["name"] == name)


def status_of(shop, name, status, within_s=15.0):
    wait_until(lambda: backup(shop, name)["status"] == status, within_s=within_s, what=f"{name} is {status}")


def test_row_27_flood_of_causes(house, broker, devices, phone, upsd):
    """All backups on battery and a machine that flaps forty times: one message, one all-clear, one word on the rest."""
    shop = house(
        phone=phone, broker_port=broker.port, machines=dict.fromkeys(NAMES, PANEL),
        ups={name: upsd.address(name) for name in upsd.names}, extra=QUICK,
    )  # fmt: skip
    shop.start()
    for name in upsd.names:
        status_of(shop, name, "on_line")
    for name in NAMES:
        devices.say(name, "RUN", job="clip", percent=10, bed_now=60.0, bed_set=60)
    shop.reaches("lapwing", "printing")
    for name in upsd.names:
        upsd.set_status(name, "OB DISCHRG", {"battery.runtime": "1200"})
    waits_for(phone, "lost|on battery", within_s=20)
    for name in upsd.names:
        upsd.set_status(name, "OL CHRG")
    waits_for(phone, "Power back after", within_s=20)
    assert len(titles(phone)) == 2, titles(phone)
    for _ in range(40):
        devices.say("avocet", "ERROR", job="clip", percent=10, bed_now=60.0, bed_set=60)
        devices.say("avocet", "RUN", job="clip", percent=10, bed_now=60.0, bed_set=60)
        time.sleep(0.05)
    time.sleep(8)
    assert len(titles(phone)) <= 5, titles(phone)
    raised = [note for note in shop.history("alarm") if note["alarm"] == "machine_fault"]
    assert len(raised) >= 3, "the flapping was seen"


def test_row_36_backup_goes_stale_during_an_outage(house, broker, phone, upsd):
    """Stale and gone are unknown, never on line; the loss stands; the end is told once it is seen."""
    shop = house(
        phone=phone, broker_port=broker.port, machines={"avocet": PANEL},
        ups={name: upsd.address(name) for name in upsd.names}, extra=QUICK,
    )  # fmt: skip
    shop.start()
    for name in upsd.names:
        status_of(shop, name, "on_line")
    upsd.set_status("one", "OB DISCHRG", {"battery.runtime": "1200"})
    waits_for(phone, "lost|on battery", within_s=20)
    upsd.freeze_driver("one")
    status_of(shop, "one", "unknown")
    row = backup(shop, "one")
    assert row["status"] == "unknown"
    assert not [title for title in titles(phone) if "again" in title], "nobody has seen it end"
    assert any(alarm.startswith("mains_lost:one") for alarm in shop.standing())
    assert backup(shop, "two")["status"] == "on_line"
    upsd.start_driver("one")
    upsd.set_status("one", "OL CHRG")
    waits_for(phone, "one on line again after", within_s=20)
    upsd.kill_driver("two")
    status_of(shop, "two", "unknown")
    wait_until(lambda: "backup_unseen:two" in shop.standing(), within_s=30, what="that it is not seen is an alarm")
    upsd.start_driver("two")
    status_of(shop, "two", "on_line")


@BY_HAND
def test_row_37_backup_talks_garbage(house, broker, phone, upsd, proxy):
    """Flipped bytes, single bytes, cuts and a line without end: never a false status, and the other unit goes on."""
    between = proxy(upsd.port)
    shop = house(
        phone=phone, broker_port=broker.port, machines={"avocet": PANEL},
        ups={"one": f"one@{between.host}:{between.port}", "two": upsd.address("two")}, extra=QUICK,
    )  # fmt: skip
    shop.start()
    for name in upsd.names:
        status_of(shop, name, "on_line")
    seen = set()
    for fault, value in (("corrupt", 3), ("corrupt", 11), ("corrupt", 37), ("drip", 300), ("answer_cut", True)):
        before = getattr(between, fault)
        setattr(between, fault, value)
        for _ in range(10):
            seen.add(backup(shop, "one")["status"])
            assert backup(shop, "two")["status"] == "on_line"
            time.sleep(0.2)
        setattr(between, fault, before)
        between.reset()
    assert seen <= {"on_line", "unknown"}, "a spoilt answer is no loss of mains"
    status_of(shop, "one", "on_line", within_s=40)
    assert not [title for title in titles(phone) if "lost" in title]
    upsd.set_status("one", "OL OB")
    status_of(shop, "one", "on_battery")
    upsd.set_status("one", "OL")
    status_of(shop, "one", "on_line")
