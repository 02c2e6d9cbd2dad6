"""Two collectors of one site with a real broker: killed, frozen, cut off. One message an incident."""

import contextlib
import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from servers import HttpReceiver, Mosquitto, free_port, wait_until
from whole import Devices, Shop, titles

pytestmark = pytest.mark.real

FAULTS = ("avocet", "bittern", "curlew")


class Proxy:
    """A TCP proxy that can be cut: nothing passes until it is joined again; what was on its way comes then."""

    def __init__(self, port: int) -> None:
        self.port, self._to = free_port(), port
        self.cut = threading.Event()
        self._server = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._server.accept()
                threading.Thread(target=self._join, args=(near,), daemon=True).start()

    def _join(self, near: socket.socket) -> None:
        with near, contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self._to)) as far:
            back = threading.Thread(target=self._carry, args=(far, near), daemon=True)
            back.start()
            self._carry(near, far)
            back.join()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(65_536):
                while self.cut.is_set():
                    time.sleep(0.05)
                other.sendall(data)
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._server.close()


class Two:
    """A primary behind the proxy, a standby, a phone, and who speaks as the broker has it."""

    def __init__(self, folder: Path, stack: contextlib.ExitStack) -> None:
        self.broker = Mosquitto(folder / "broker").start()
        stack.callback(self.broker.stop)
        self.phone = HttpReceiver()
        stack.callback(self.phone.close)
        self.proxy = Proxy(self.broker.port)
        stack.callback(self.proxy.close)
        self.first = self._shop(folder / "first", "one", "two", "primary", self.proxy.port)
        self.second = self._shop(folder / "second", "two", "one", "standby", self.broker.port)
        for shop in (self.first, self.second):
            stack.callback(shop.close)
            shop.start()
        self.devices = Devices(self.broker.port)
        stack.callback(self.devices.close)
        self.speaks("one")

    def _shop(self, folder: Path, me: str, peer: str, role: str, port: int) -> Shop:
        shop = Shop(
            folder,
            channels={"phone": f"json://127.0.0.1:{self.phone.port}/"},
            broker_port=port,
            machines=dict.fromkeys(FAULTS, 'uses = ["panel"]'),
            extra=f'[pair]\nrole = "{role}"\npeer = "{peer}"\nfresh_s = 4\n[rules.machine_fault]\non_delay_s = 0\n'
            "[rules.source_silent]\noff = true\n[rules.broker_lost]\noff = true\n"
            "[rules.collector_restarted]\noff = true",
        )
        text = shop.config.read_text()
        text = text.replace("[mqtt]", f'[mqtt]\nclient_id = "{me}"\nkeepalive_s = 5')
        shop.config.write_text(text.replace("[web]", '[web]\nsites = ["one", "two"]'))
        return shop

    def speaks(self, who: str) -> None:
        """Wait until both, or whichever can know, have heard that it speaks."""
        shop = self.second
        wait_until(
            lambda: [line for line in shop.log.splitlines() if "speaks now" in line][-1:]
            and f": {who} speaks now" in [line for line in shop.log.splitlines() if "speaks now" in line][-1],
            within_s=40, what=f"{who} speaks",
        )  # fmt: skip

    def fault(self, machine: str) -> None:
        self.devices.say(machine, "ERROR")

    def faults(self) -> list[str]:
        return [title for title in titles(self.phone) if any(name in title.lower() for name in FAULTS)]

    def told_once(self, machine: str, *, within_s: float = 40.0) -> None:
        wait_until(lambda: any(machine in t.lower() for t in self.faults()), within_s=within_s, what=f"{machine} told")


@pytest.fixture
def two(tmp_path: Path) -> Iterator[Two]:
    with contextlib.ExitStack() as stack:
        yield Two(tmp_path, stack)


def once(two: Two, *machines: str) -> None:
    """Each of these was told once, and nothing waits that would be told again."""
    for shop in (two.first, two.second):
        if shop.alive():
            wait_until(
                lambda shop=shop: not shop.journal("SELECT 1 FROM outbox LIMIT 1"), within_s=40, what="nothing waits"
            )
    for machine in machines:
        found = [title for title in two.faults() if machine in title.lower()]
        assert len(found) == 1, f"{machine}: {titles(two.phone)}\n{two.first.log[-1500:]}\n{two.second.log[-1500:]}"


def test_killed_and_back(two: Two) -> None:
    two.fault("avocet")
    two.told_once("avocet")
    once(two, "avocet")
    two.first.kill()
    two.fault("bittern")
    two.speaks("two")
    two.told_once("bittern")
    wait_until(lambda: "two (online)" in two.second.get("/sites"), within_s=30, what="the page of sites")
    two.first.start()
    two.speaks("one")
    two.fault("curlew")
    two.told_once("curlew")
    once(two, *FAULTS)


def test_frozen_and_thawed(two: Two) -> None:
    os.kill(two.first.pid, signal.SIGSTOP)
    two.fault("avocet")
    two.speaks("two")
    two.told_once("avocet")
    os.kill(two.first.pid, signal.SIGCONT)
    two.speaks("one")
    once(two, "avocet")
    two.fault("bittern")
    two.told_once("bittern")
    once(two, "avocet", "bittern")


def test_cut_off_and_back(two: Two) -> None:
    two.proxy.cut.set()
    two.speaks("two")
    two.fault("avocet")
    two.told_once("avocet")
    two.proxy.cut.clear()
    two.speaks("one")
    two.fault("bittern")
    two.told_once("bittern")
    once(two, "avocet", "bittern")
