"""A running daemon, a real broker and a real receiver: alarms answered at the machines, silent tests."""

import contextlib
import json
import time
from datetime import UTC, datetime

import pytest
from servers import wait_until
from whole import Devices, Shop

from farmwatch.stores.journal import SqliteJournal
from farmwatch.words.model import Keep

pytestmark = pytest.mark.real

PANEL = 'uses = ["panel"]'
EXTRA = """
[rules.machine_fault]
on_delay_s = 0
[buttons.bench]
topic = "bench/button"
payload = "single"
command = "acknowledged"
machine = "bittern"
"""


@pytest.fixture
def shop(tmp_path, mosquitto, http_receiver):
    """Two machines, one phone that can be silent: the library's plain service turns `+X` options into headers."""
    made = Shop(
        tmp_path / "shop",
        channels={"phone": f"json://{http_receiver.host}:{http_receiver.port}/ann"},
        broker_port=mosquitto.port,
        machines={"avocet": PANEL, "bittern": PANEL},
        extra=EXTRA,
    )
    text = made.config.read_text()
    made.config.write_text(text.replace("[channels.phone]", '[channels.phone]\nquiet = "+X-Sound=none"'))
    yield made
    made.close()


@pytest.fixture
def devices(mosquitto):
    them = Devices(mosquitto.port)
    yield them
    them.close()


def titles(receiver):
    return [(json.loads(r.body)["title"], r.headers.get("X-Sound")) for r in receiver.requests]


def test_alarms_are_acknowledged_over_the_broker_by_command_and_by_a_button_at_the_machines(
    shop, devices, mosquitto, http_receiver
):
    mosquitto.publish("bench/button", "single", retain=True)
    shop.start()
    for name in ("avocet", "bittern"):
        shop.hears(devices, name)
        devices.say(name, "RUN", job="clip", percent=40, bed_now=60.0, bed_set=60)
        devices.say(name, "ERROR", job="clip", percent=40)
    both = {"machine_fault:avocet": "unacknowledged", "machine_fault:bittern": "unacknowledged"}
    wait_until(lambda: shop.standing() == both, within_s=15, what="both faults stand")
    wait_until(lambda: len(http_receiver.requests) >= 2, within_s=25, what="both are told")
    assert all(sound is None for _, sound in titles(http_receiver)), "a fault makes a sound"

    # Neither another press, nor words that are none, nor what the broker had kept from some other time.
    devices.publish("bench/button", "double")
    devices.publish("farmwatch/command", "{not json")
    devices.publish("farmwatch/command", json.dumps({"command": "acknowledged", "alarm": "machine_fault:dodo"}))
    time.sleep(1.0)
    assert shop.standing() == both
    assert not [note for note in shop.history("said") if note["by"] == "button"]

    words = {"command": "acknowledged", "alarm": "machine_fault:avocet", "by": "bram"}
    devices.publish("farmwatch/command", json.dumps(words))
    wait_until(lambda: shop.standing()["machine_fault:avocet"] == "acknowledged", within_s=5, what="it is acknowledged")
    assert shop.standing()["machine_fault:bittern"] == "unacknowledged"
    devices.publish("bench/button", "single")
    wait_until(lambda: shop.standing()["machine_fault:bittern"] == "acknowledged", within_s=5, what="it does")
    said = {(note["by"], note.get("machine")) for note in shop.history("said") if note["command"] == "acknowledged"}
    assert ("button", "bittern") in said
    assert any(by == "bram" for by, _ in said)


def test_the_weekly_test_of_a_running_daemon_makes_no_sound_and_is_on_record(shop, http_receiver):
    # It comes by day alone: somewhere it is about one o'clock now (POSIX: Etc/GMT-5 lies five hours ahead).
    zone = f"Etc/GMT{datetime.now(UTC).hour - 13:+d}"
    text, name = shop.config.read_text(), 'name = "Saltmarsh Works"'
    shop.config.write_text(text.replace(name, f'{name}\ntimezone = "{zone}"', 1))
    shop.start()
    shop.stop()
    assert not http_receiver.requests, "a channel that has just been set up is not tested"
    with contextlib.closing(SqliteJournal.open(shop.data / "journal.db")) as journal:
        week_ago_s = time.time() - 8 * 86_400
        doc = {"tested_s": week_ago_s, "ok": True, "why": ""}
        journal.commit(week_ago_s, [Keep("channel", "phone", doc)], {"ann": ("phone",)})
    shop.start()
    http_receiver.wait(1, within_s=20)
    assert titles(http_receiver) == [("Test: Saltmarsh Works", "none")]
    wait_until(lambda: "self-test of phone: accepted" in shop.log, within_s=10, what="it says so")
    shop.stop()
    with contextlib.closing(SqliteJournal.open(shop.data / "journal.db")) as journal:
        (kept,) = [doc for kind, key, doc in journal.facts() if (kind, key) == ("channel", "phone")]
    assert kept["ok"] is True
    assert time.time() - kept["tested_s"] < 600


def test_notify_test_says_how_long_each_channel_took_and_why_one_did_not(shop, http_receiver):
    text = shop.config.read_text()
    shop.config.write_text(text + '\n[channels.dead]\nlabel = "the dead one"\n')
    dead = shop.folder / "secrets" / "channel_dead"
    dead.write_text("json://127.0.0.1:9/top-secret")
    dead.chmod(0o600)
    done = shop.command("notify", "test")
    words = done.stdout + done.stderr
    assert done.returncode != 0
    assert "top-secret" not in words
    assert any("ann's phone" in line and " s" in line and any(c.isdigit() for c in line) for line in words.splitlines())
    assert any("the dead one" in line and "cannot be reached" in line for line in words.splitlines())
    assert len(http_receiver.requests) == 1
