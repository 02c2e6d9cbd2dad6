"""Rows 42 and 43: nothing secret gets out, whatever is refused; what comes in as a name stays a name."""

import base64
import json
import re
import time
from urllib.parse import quote

import pytest
from canary import CANARY, FORMS, forms, found
from faultshop import PANEL
from servers import Answer, Mosquitto, wait_until
from whole import waits_for

pytestmark = pytest.mark.real


def test_row_42_the_search_finds_every_form_of_a_leak():
    """Otherwise it would find nothing for ever."""
    for text in (
        CANARY, f"GET /{quote(CANARY)}", f"token={quote(CANARY, safe='')}", json.dumps({"x": CANARY}),
        *(base64.b64encode(f"{'u' * n}:{CANARY}{tail}".encode()).decode()
          for n in range(4) for tail in ("", "x", "xy")),
        CANARY.encode().hex(),
    ):  # fmt: skip
        assert found("here", text), text
    assert not found("here", "cnry but not the whole")
    assert len({bytes(mark) for mark in FORMS.values()}) >= 8
    assert all(len(mark) >= 12 for mark in forms(CANARY).values()), "no form is so short that it is found by chance"


def test_row_42_no_secret_gets_out_whatever_is_refused(house, devices, phone, device, upsd, tmp_path):
    """Every secret is set and every peer refuses it: broker, device, UPS server, database, phone, heartbeat, page."""
    device.authorization = "another"
    other = Mosquitto(tmp_path / "other", user="farmwatch", password="another one").start()
    phone.always = Answer(401, f"bad path {CANARY}".encode())
    shop = house(
        phone=phone, heartbeat=phone, everything=True, broker_port=other.port,
        machines={
            "avocet": PANEL,
            "bittern": f'uses = ["port"], params = {{ host = "127.0.0.1:{device.port}/secret?" }}',
            "curlew": 'uses = ["pushed"]',
            "dunlin": 'uses = ["panel"], actions = ["hold"]',
        },
        ups={"one": upsd.address("one")},
        extra="[heartbeat]\nevery_s = 10\n[rules.broker_lost]\non_delay_s = 1\n",
    )  # fmt: skip
    shop.keep("ups_one", f"{upsd.user}:{CANARY}")
    text = shop.config.read_text()
    shop.config.write_text(
        text.replace("[backups]\n", '[backups]\ntwo = { uses = ["card"], params = { host = "127.0.0.1:9" } }\n', 1)
    )  # fmt: skip
    shop.keep("snmp_two", CANARY)
    kept = {path.name for path in (shop.folder / "secrets").iterdir()}
    assert kept >= {
        "mqtt_password", "push_token", "web_password", "look_password", "act_password", "heartbeat_url",
        "influx_token", "channel_phone", "http_port", "ups_one", "snmp_two", "act_hold",
    }, "one of every kind"  # fmt: skip
    try:
        shop.start()
        wait_until(lambda: "mqtt" in shop.log.lower(), within_s=15, what="the broker has refused us")
        wait_until(lambda: phone.requests, within_s=30, what="the phone or the heartbeat was asked")
        assert shop.post("/push/curlew", b"{}", {"Authorization": "Bearer wrong"})[0] in (401, 403)
        assert shop.post("/push/curlew", b"not json", {"Authorization": f"Bearer push_token-{CANARY}"})[0] < 500
        assert shop.post("/sign-in", b"password=wrong", {"Sec-Fetch-Site": "same-origin"})[0] in (401, 403)
        assert shop.post(f"/say?token={quote('guess')}", b"{}")[0] in (400, 401, 403)
        token = shop._headers() | {"Content-Type": "application/json"}
        status, words = shop.post("/api/v1/act", json.dumps({"machine": "dunlin", "action": "hold"}).encode(), token)
        outputs = [("the answer to an action", words)]
        for words in (("check",), ("config", "show"), ("status",), ("check", "--online", "--seconds", "3"),
                      ("notify", "test")):  # fmt: skip
            done = shop.command(*words)
            outputs.append((f"farmwatch {' '.join(words)}", done.stdout + done.stderr))
        time.sleep(3)
        leaks = [leak for where, what in outputs for leak in found(where, what)]
        assert not leaks, leaks
        assert status < 500
        shop.messages = []  # what this phone gets back is its own words
        shop.keeps_its_promises()
    finally:
        other.stop()


HOSTILE = (
    "<img src=x onerror=alert(1)>", "=HYPERLINK(1)", "\x1b]0;owned\x07\x1b[31m", "a\nERROR farmwatch forged line",
    "\u202egnp.exe", "x" * 10_000, "{0.__class__}", "%s%n", "'; DROP TABLE fact; --",
)  # fmt: skip


def test_row_43_hostile_names_in_log_page_table_and_message(house, broker, devices, phone):
    """As a job's name, and as words in payloads and topics that are told in the log."""
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL},
                 extra='[rules.machine_fault]\non_delay_s = 0\npriority = "danger"')  # fmt: skip
    shop.start()
    shop.hears(devices, "avocet")
    for name in HOSTILE:
        devices.say("avocet", "RUN", job=name, percent=10, bed_now=60.0, bed_set=60)
        devices.say("avocet", "ERROR", job=name, percent=40, bed_now=60.0, bed_set=60)
        devices.publish("works/bittern/status", name)
        devices.publish("farmwatch/command", json.dumps({"command": name, "machine": name, "by": name}))
        status = shop.press(command="started", machine=name[:100], job=name)
        assert status in (400, 409, 422), status
    waits_for(phone, "avocet reports a fault", within_s=20)
    shop.hears(devices, "bittern")
    log = shop.log
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e]", log), "no control character in the log"
    assert not re.search(r"^ERROR farmwatch forged", log, re.MULTILINE)
    assert max(map(len, log.splitlines())) < 4_000
    html = shop.get("/")
    assert "<img src=x" not in html
    assert "\x1b" not in html
    for request in phone.requests:
        doc = json.loads(request.body)
        assert len(doc["title"]) + len(doc["message"]) < 600
        assert "\x1b" not in doc["title"] + doc["message"]
    assert shop.journal("PRAGMA integrity_check") == [("ok",)]
