"""Rows 20, 21 and 48: memory, file handles and slow readers at their limits, set by the kernel (prlimit(2))."""

import contextlib
import http.client
import re
import resource
import socket
import time
from collections import Counter

import pytest
from faultshop import PANEL
from servers import wait_until
from whole import waits_for

pytestmark = pytest.mark.real

QUICK = '[rules.machine_fault]\non_delay_s = 0\noff_delay_s = 0\npriority = "danger"\n'
MIB = 1024 * 1024


def virtual(pid):
    with open(f"/proc/{pid}/statm") as file:  # noqa: PTH123  (a file of the kernel's)
        return int(file.read().split()[0]) * resource.getpagesize()


def test_row_20_memory_at_its_limit(house, broker, devices, phone):
    """Address space for 48 MiB more, and megabytes that nobody can read: it goes on, or stands where it stood."""
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL}, extra=QUICK)
    shop.start()
    shop.hears(devices, "avocet")
    devices.say("avocet", "ERROR", job="clip", percent=40, bed_now=60.0, bed_set=60)
    waits_for(phone, "avocet reports a fault", within_s=20)
    limit = virtual(shop.pid) + 48 * MIB
    resource.prlimit(shop.pid, resource.RLIMIT_AS, (limit, limit))
    for size in (100_000, 250_000, 1_000_000, 3_000_000):
        for _ in range(6):
            devices.publish("works/bittern/status", b"[" * size)
            devices.publish(f"works/nobody{size}/status", b"x" * size)
    devices.say("avocet", "HOLD", job="clip", percent=40, bed_now=60.0, bed_set=60)
    shop.excused = re.compile("MemoryError")
    time.sleep(2)
    if not shop.alive():  # as a supervisor would
        shop.start()
    assert shop.health()[0] == 200
    devices.say("avocet", "ERROR", job="clip", percent=40, bed_now=60.0, bed_set=60)
    wait_until(lambda: "machine_fault:avocet" in shop.standing(), within_s=15, what="the alarm stands")


def test_row_21_out_of_file_handles(house, broker, devices):
    """64 handles and 300 idle connections: what it watches goes on, and the page is back once they let go."""
    shop = house(broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL})
    shop.start()
    shop.hears(devices, "avocet")
    resource.prlimit(shop.pid, resource.RLIMIT_NOFILE, (64, 64))
    idle = []
    for _ in range(300):
        with contextlib.suppress(OSError):
            idle.append(socket.create_connection(("127.0.0.1", shop.port), timeout=0.2))
    devices.say("avocet", "RUN", job="clip", percent=10, bed_now=60.0, bed_set=60)
    time.sleep(2)
    assert shop.alive()
    for sock in idle:
        sock.close()
    wait_until(lambda: shop.health()[0] == 200, within_s=20, what="the page answers again")
    shop.reaches("avocet", "printing")
    devices.say("bittern", "RUN", job="clip", percent=10, bed_now=60.0, bed_set=60)
    shop.reaches("bittern", "printing")
    log_lines = shop.log.count("\n")
    assert log_lines < 400, f"{log_lines} lines: an accept that fails must not fill the log"
    shop.excused = re.compile("Too many open files|accept|Traceback")


def test_row_48_two_hundred_readers_that_never_read(house, broker, devices):
    """Each asks for the news and takes nothing: memory stays, the rest is served, the bound is said."""
    shop = house(broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL})
    shop.start()
    shop.hears(devices, "avocet")
    headers = "".join(f"{key}: {value}\r\n" for key, value in shop._headers().items())
    asked = f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{shop.port}\r\n{headers}\r\n".encode()
    readers = []
    for _ in range(200):
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2_048)
        sock.settimeout(5)
        sock.bind(("127.0.0.2", 0))  # another computer than whoever looks meanwhile
        with contextlib.suppress(ConnectionError):
            sock.connect(("127.0.0.1", shop.port))
            sock.sendall(asked)
        readers.append(sock)
    for percent in range(60):
        devices.say("avocet", "RUN", job=f"clip {percent}", percent=percent, bed_now=60.0, bed_set=60)
        time.sleep(0.05)
    shop.reaches("avocet", "printing")
    answers = Counter()
    for sock in readers:
        try:
            answers[sock.recv(12).decode()] += 1
        except OSError as error:
            answers[type(error).__name__] += 1
    assert answers["HTTP/1.1 200"] >= 1, answers
    assert answers.total() - answers["HTTP/1.1 200"] >= 190, answers  # told to ask instead, or not let in at all
    assert shop.health()[0] == 200
    assert shop.rss_mib() - shop.base_mib < 48
    for sock in readers:
        sock.close()
    for _ in range(3):
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", shop.port, timeout=5)) as page:
            page.request("GET", "/healthz")
            assert page.getresponse().status == 200
