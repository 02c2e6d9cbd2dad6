"""The real daemon under a service manager of the test's own: a datagram socket, as sd_notify(3) describes it."""

import http.client
import os
import re
import socket
import time
import urllib.error
import urllib.request

import pytest
from servers import HttpReceiver, wait_until
from whole import Shop

pytestmark = pytest.mark.real


class Manager:
    """What a service manager hears; an abstract socket, so that no path is too long."""

    def __init__(self, name):
        self.door = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.path = f"@farmwatch-{os.getpid()}-{name}"
        self.door.bind("\0" + self.path[1:])
        self.door.setblocking(False)
        self.heard = []

    def listen(self):
        while True:
            try:
                words = self.door.recv(4096).decode()
            except BlockingIOError:
                return self.heard
            self.heard.append((time.monotonic(), words))

    def last(self, words):
        return max((at_s for at_s, said in self.listen() if said == words), default=0.0)


def health(shop):
    try:
        with urllib.request.urlopen(f"{shop.url}/healthz", timeout=2) as answer:  # noqa: S310  (our own page)
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()
    except (OSError, http.client.HTTPException) as error:
        return 0, str(error)


def test_a_brain_that_stands_still_and_a_loop_that_is_held_are_noticed_and_nothing_is_fed(tmp_path):
    """Both at once, since each takes its time: the stack in the log, no word to the watchdog, no heartbeat."""
    receiver = HttpReceiver()
    managers, shops = {}, {}
    try:
        for name in ("well", "stalled", "held"):
            shop = shops[name] = Shop(tmp_path / name, broker_port=1, extra="[heartbeat]\nevery_s = 10")
            (shop.folder / "secrets" / "heartbeat_url").write_text(f"{receiver.url}/{name}/secret-7f3a")
            (shop.folder / "secrets" / "heartbeat_url").chmod(0o600)
            managers[name] = Manager(name)
        # Held: the whole loop; no task of it can say anything.
        with pytest.raises(BaseException, match="not within"):
            shops["held"].start(NOTIFY_SOCKET=managers["held"].path, FARMWATCH_FAILPOINT="daemon.awake=block:40",
                                within_s=3.0)  # fmt: skip
        shops["well"].start(NOTIFY_SOCKET=managers["well"].path)
        shops["stalled"].start(NOTIFY_SOCKET=managers["stalled"].path, FARMWATCH_FAILPOINT="daemon.think=stall")
        assert health(shops["stalled"])[0] == 200
        began_s = time.monotonic()
        wait_until(lambda: managers["stalled"].last("WATCHDOG=trigger"), within_s=30, what="the watchdog is to act")
        took_s = time.monotonic() - began_s
        assert took_s < 25, "within 30 s of the standstill, with what a restart takes"
        status, words = health(shops["stalled"])
        assert (status, "brain" in words) == (503, True)
        assert "no progress: brain" in shops["stalled"].log
        assert re.search(r"File .*daemon.py.* in _think", shops["stalled"].log), "where it stands"
        fed_s = managers["stalled"].last("WATCHDOG=1")
        beats = len([r for r in receiver.requests if r.path.startswith("/stalled")])
        assert beats >= 1, "it was well at first"

        wait_until(lambda: "in _stay_awake" in shops["held"].log, within_s=30, what="the stack of the held loop")
        assert not [words for _, words in managers["held"].listen() if words == "WATCHDOG=1"][1:]

        assert managers["stalled"].last("WATCHDOG=1") == fed_s, "it is not fed any more"
        assert len([r for r in receiver.requests if r.path.startswith("/stalled")]) == beats
        assert health(shops["well"])[0] == 200
        assert time.monotonic() - managers["well"].last("WATCHDOG=1") < 10
        assert len([r for r in receiver.requests if r.path.startswith("/well")]) >= 3
        assert {r.method for r in receiver.requests} == {"GET"}
        assert not [shop for shop in shops.values() if "secret-7f3a" in shop.log]
        print(f"standstill to trigger: {took_s:.1f} s")
    finally:
        receiver.close()
        for name, shop in shops.items():
            shop.close()
            managers[name].door.close()
