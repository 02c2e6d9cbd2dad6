"""Fixtures of the fault rows: a daemon with a canary in every secret, whose invariants are checked at the end."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "real"))

from faultproxy import FaultProxy
from faultshop import BROKER_PASSWORD, FaultShop
from network import make_line
from servers import HttpDevice, HttpReceiver, Mosquitto, Upsd
from whole import Devices

FAILED = pytest.StashKey[bool]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    report = yield
    if report.when == "call":
        item.stash[FAILED] = report.failed
    return report


@pytest.fixture
def house(tmp_path, request):
    """Makes shops. At the end of a test each one's invariants are checked, unless the test has failed already."""
    made = []

    def make(**options):
        shop = FaultShop(tmp_path / f"shop{len(made)}", **options)
        made.append(shop)
        return shop

    try:
        yield make
        if not request.node.stash.get(FAILED, True):
            for shop in made:
                shop.keeps_its_promises()
    finally:
        for shop in made:
            shop.close()


@pytest.fixture
def broker(tmp_path):
    """A broker that asks for the canary; killed at the end."""
    made = Mosquitto(tmp_path / "broker", user="farmwatch", password=BROKER_PASSWORD).start()
    yield made
    made.stop()


@pytest.fixture
def devices(broker):
    """Devices on the broker."""
    them = Devices(broker.port, user="farmwatch", password=BROKER_PASSWORD)
    yield them
    them.close()


@pytest.fixture
def phone():
    """Takes what ann is told."""
    receiver = HttpReceiver()
    yield receiver
    receiver.close()


@pytest.fixture
def device():
    """A machine that is polled by HTTP."""
    made = HttpDevice()
    made.body = b'{"status": "ready", "bed": 22}'
    yield made
    made.close()


@pytest.fixture
def upsd(tmp_path):
    """A UPS server with the units "one" and "two"."""
    made = Upsd(tmp_path / "ups", ("one", "two"))
    made.start()
    yield made
    made.stop()


@pytest.fixture
def proxy():
    """Makes proxies: ``proxy(port)`` towards a port of this computer."""
    made = []

    def make(port, host="127.0.0.1"):
        made.append(FaultProxy(host, port))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def line(record_property):
    """Makes lines that can be cut, by the kernel where it lets us; which it was is told at the end of the run."""
    made = []

    def make():
        line, how = make_line()
        made.append(line)
        record_property("by means of", how)
        return line

    yield make
    for one in made:
        one.close()
