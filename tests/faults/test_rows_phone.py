"""Rows 22, 25 and 26, the way from the daemon to the phone: a proxy and a scripted receiver.

Outside reference: RFC 9110, section 10.2.3 (Retry-After). Waits in full are test_notify's; here is the whole daemon.
"""

import json
import time

import pytest
from faultshop import PANEL
from servers import Answer, wait_until
from whole import told

pytestmark = pytest.mark.real

QUICK = '[rules.machine_fault]\non_delay_s = 0\noff_delay_s = 0\npriority = "danger"\n'
NAMES = ("avocet", "bittern", "curlew", "dunlin")


def faults(devices, name):
    devices.say(name, "RUN", job=f"{name} job", percent=10, bed_now=60.0, bed_set=60)
    devices.say(name, "ERROR", job=f"{name} job", percent=40, bed_now=60.0, bed_set=60)


def test_row_22_and_25_and_26_the_way_to_the_phone(house, broker, devices, phone, proxy):
    """Refused for now, cut off after the service has it, away; in the end everything has come, copies say so."""
    between = proxy(phone.port)
    shop = house(broker_port=broker.port, machines=dict.fromkeys(NAMES, PANEL), extra=QUICK, phone=between)
    shop.messages = [phone]
    shop.start()
    for name in NAMES:
        shop.hears(devices, name)

    # 25: told to wait two seconds, then a plain failure
    phone.answer(Answer(429, headers={"Retry-After": "2"}), Answer(500, b"<html>no</html>"))
    faults(devices, "avocet")
    wait_until(lambda: len(phone.requests) >= 3, within_s=60, what="the third attempt")
    assert phone.requests[1].at_s - phone.requests[0].at_s >= 1.9, "Retry-After is heeded"
    assert shop.health()[0] == 200

    # 26: the service has it; its answer never comes
    before = len(phone.requests)
    between.answer_cut = True
    faults(devices, "bittern")
    def copies():
        docs = [json.loads(request.body) for request in list(phone.requests)[before:]]
        return [doc["message"] for doc in docs if doc["title"].startswith("bittern reports")]

    wait_until(copies, within_s=30, what="the service has it")
    time.sleep(0.5)
    between.answer_cut = False
    wait_until(lambda: len(copies()) > 1, within_s=60, what="it is sent once more")
    assert ["repeat" in text for text in copies()[:2]] == [False, True]

    # 22: nobody there; watching goes on, messages wait
    between.refuse()
    before = len(phone.requests)
    for name in ("curlew", "dunlin"):
        faults(devices, name)
        shop.reaches(name, "fault")
    wait_until(
        lambda: shop.journal("SELECT count(*) FROM outbox")[0][0] >= 1, within_s=60, what="it waits in the journal"
    )
    time.sleep(3)
    assert len(phone.requests) == before
    shop.kill()
    between.accept()
    shop.start()
    wait_until(
        lambda: all(name in " ".join(title + text for title, text in told(phone)) for name in NAMES),
        within_s=60, what="everything has come",
    )  # fmt: skip
    assert len(phone.requests) <= 14, "no storm after it is back"
