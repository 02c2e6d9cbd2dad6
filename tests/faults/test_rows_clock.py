"""Rows 9, 10 and 13, the clock: libfaketime below the real daemon, and a daemon that is stopped by a signal.

The wall clock is faked, the monotonic one is not, as it is on a computer whose clock is set (clock_gettime(2)).
"""

import json
import os
import re
import signal
import time
from pathlib import Path

import pytest
from faultshop import BY_HAND, PANEL
from servers import need, wait_until
from whole import titles, waits_for

pytestmark = pytest.mark.real

QUICK = "[rules.clock_untrusted]\non_delay_s = 1\noff_delay_s = 1"
DAY_S = 86_400


def faketime(path, words):
    """Environment below which the wall clock is what `path` says, `words` at first."""
    program = need("faketime", "faketime")
    found = sorted(Path(program).parents[1].glob("lib/*/faketime/libfaketimeMT.so.1"))
    assert found, "libfaketime is missing; type: sudo apt-get install -y faketime"
    path.write_text(words)
    return {
        "LD_PRELOAD": str(found[0]), "FAKETIME_TIMESTAMP_FILE": str(path), "FAKETIME_CACHE_DURATION": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip


def step(path, words):
    new = path.with_suffix(".new")
    new.write_text(words)
    new.replace(path)


def times(view):
    """Every number of the view that is a span and must not be negative."""
    found = []

    def walk(value, name=""):
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(inner, key)
        elif isinstance(value, list):
            for inner in value:
                walk(inner, name)
        elif isinstance(value, int | float) and re.search(r"(age|left|remaining|runtime|took|for)_s$", name):
            found.append((name, value))

    walk(view)
    return found


def test_row_09_clock_boots_in_1970(house, broker, devices, phone, tmp_path):
    """Watching and telling go on, the doubt is told; after the right start nobody reads of 56 years."""
    clock = tmp_path / "clock"
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL}, extra=QUICK)
    shop.start(**faketime(clock, "@1970-01-01 00:10:00"))
    assert shop.view()["at_s"] < DAY_S
    waits_for(phone, "clock cannot be trusted", within_s=20)
    shop.hears(devices, "avocet")
    devices.say("avocet", "RUN", job="clip", percent=99, bed_now=60.0, bed_set=60)
    shop.reaches("avocet", "printing")
    devices.say("avocet", "END", job="clip", percent=100, bed_now=30.0, bed_set=0)
    shop.reaches("avocet", "waiting")
    waits_for(phone, "^Clear bed: avocet", within_s=25)
    assert not [pair for pair in times(shop.view()) if pair[1] < 0]
    shop.kill()

    before = len(titles(phone))
    shop.start()  # the clock is right now
    assert abs(shop.view()["at_s"] - time.time()) < 60
    assert shop.machine("avocet")["state"] == "waiting", "what was known is still known"
    shop.hears(devices, "bittern")
    wait_until(lambda: not [a for a in shop.standing() if a.startswith("clock")], within_s=10, what="no doubt any more")
    time.sleep(3)
    new = titles(phone)[before:]
    assert not [title for title in new if re.search(r"\d{3,} (days|h)|19[67]\d", title)], new
    assert not [pair for pair in times(shop.view()) if pair[1] < 0]


def test_row_10_clock_is_set_while_running(house, broker, devices, phone, tmp_path):
    """Two and a half years forward, then an hour back: no alarm but that of the clock, no span below zero."""
    clock = tmp_path / "clock"
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL}, extra=QUICK)
    shop.start(**faketime(clock, "+0"))
    shop.hears(devices, "avocet")
    shop.hears(devices, "bittern")
    devices.say("avocet", "RUN", job="clip", percent=30, remaining_s=60, left=60, bed_now=60.0, bed_set=60)
    shop.reaches("avocet", "printing")
    for words in ("+913d", "-3600"):
        step(clock, words)
        devices.say("avocet", "RUN", job="clip", percent=31, left=59, bed_now=60.0, bed_set=60)
        wait_until(
            lambda: [alarm for alarm in shop.standing() if alarm.startswith("clock_untrusted")],
            within_s=45, what="the step is seen",
        )  # fmt: skip
        assert {alarm.split(":")[0] for alarm in shop.standing()} == {"clock_untrusted"}
        assert shop.machine("avocet")["state"] == "printing"
        assert not [pair for pair in times(shop.view()) if pair[1] < 0]
    assert len(titles(phone)) <= 1
    assert json.loads(shop.health()[1])["status"] == "ok"
    step(clock, "+0")
    wait_until(lambda: not shop.standing(), within_s=45, what="the clock is right again")


@BY_HAND
@pytest.mark.timeout(400)
def test_row_13_stopped_for_two_minutes(house, broker, devices, phone):
    """SIGSTOP, then SIGCONT: a pause of ours, not a silence of twelve sources."""
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL})
    shop.start()
    shop.hears(devices, "avocet")
    shop.hears(devices, "bittern")
    os.kill(shop.pid, signal.SIGSTOP)
    time.sleep(120)
    os.kill(shop.pid, signal.SIGCONT)
    wait_until(lambda: "stood still for" in shop.log, within_s=15, what="it notices that it stood still")
    for _ in range(20):
        devices.say("avocet", "IDLE")
        devices.say("bittern", "IDLE")
        time.sleep(1)
    assert not [alarm for alarm in shop.standing() if alarm.startswith(("source_silent", "broker_lost"))]
    assert not [title for title in titles(phone) if "No word" in title]
