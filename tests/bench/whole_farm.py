"""The whole daemon with a real broker and thousands of machines: processor, memory, lag, start, restart.

By hand: ``python tests/bench/whole_farm.py [--machines 10000] [--every 10] [--seconds 90] [--page]``. Every machine's
panel with plug values once in so many seconds, eight machines a circuit. The publisher sends packets that were made
before, so that it costs next to nothing. The lag is how long ``/healthz`` takes to answer, asked twenty times a second:
the loop is held for no longer. Targets: lag p99 50 ms, at most 250 ms; the memory that ``farmwatch config memory``
allows; a restart within 10 s. ``--page`` keeps a page open meanwhile.
"""

import argparse
import contextlib
import socket
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

from bench import cpu_s, in_background, load, memory_mib
from scale import config, message
from servers import Mosquitto, free_port, wait_until
from whole import Shop

from farmwatch.settings_check import memory_mib as allowed_mib

BATCHES = 100
KINDS = 20
"""So many rounds of messages are made before; they follow each other again and again."""


def packets(machines: int, every_s: float) -> list[list[bytes]]:
    """round, batch: PUBLISH packets of QoS 0 (MQTT 3.1.1, section 3.3)."""
    rounds = []
    for step in range(KINDS):
        batches = [bytearray() for _ in range(BATCHES)]
        for number in range(machines):
            at_s = 1_764_000_000.0 + step * every_s
            batches[number % BATCHES] += quiet(f"works/m{number:05d}/status", message(number, at_s))
        rounds.append([bytes(batch) for batch in batches])
    return rounds


def quiet(topic: str, payload: bytes) -> bytes:
    """A PUBLISH of QoS 0."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + payload
    rest, head = len(body), bytearray([0x30])
    while True:
        rest, low = divmod(rest, 128)
        head.append(low | (0x80 if rest else 0))
        if not rest:
            return bytes(head) + body


def publish(port: int, rounds: list[list[bytes]], every_s: float) -> None:
    """For ever."""
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(bytes.fromhex("100d00044d515454040200000001") + b"f")  # CONNECT, clean session, no keep-alive
        sock.recv(4)
        began_s, count = time.monotonic(), 0
        while True:
            sock.sendall(rounds[count // BATCHES % KINDS][count % BATCHES])
            count += 1
            time.sleep(max(0.0, began_s + count * every_s / BATCHES - time.monotonic()))


def lags(url: str, seconds: float) -> list[float]:
    """How long the daemon's simplest answer took, in order of size."""
    found, end_s = [], time.monotonic() + seconds
    while time.monotonic() < end_s:
        began_s = time.monotonic()
        with urllib.request.urlopen(f"{url}/healthz", timeout=60) as answer:  # noqa: S310  (loopback)
            answer.read()
        found.append(time.monotonic() - began_s)
        time.sleep(max(0.0, 0.05 - found[-1]))
    return sorted(found)


def a_shop(folder: Path, broker: Mosquitto, machines: int, every_s: float) -> Shop:
    """The bench's own configuration in the place of the shop's."""
    shop = Shop(folder / "shop", broker_port=broker.port, machines={"none": "uses = []"})
    shop.port = free_port()
    text = config(folder / "shop", machines).read_text().replace("interval_s = 2", f"interval_s = {every_s:g}")
    text = text.replace("[mqtt]", f"[web]\nport = {shop.port}\n[mqtt]\nport = {broker.port}")
    shop.config.write_text(text)
    return shop


def look(url: str, stop: threading.Event) -> None:
    """An open page."""
    with contextlib.suppress(OSError), urllib.request.urlopen(f"{url}/events", timeout=120) as news:  # noqa: S310
        while not stop.is_set():
            news.readline()


def measure(shop: Shop, args: argparse.Namespace) -> None:
    """While they report."""
    stop = threading.Event()
    if args.page:
        threading.Thread(target=look, args=(shop.url, stop), daemon=True).start()
        time.sleep(5)
    began, began_s = cpu_s(shop.pid), time.monotonic()
    found = lags(shop.url, args.seconds)
    share = (cpu_s(shop.pid) - began) / (time.monotonic() - began_s)
    stop.set()
    p99 = found[min(len(found) - 1, int(0.99 * len(found)))]
    memory = memory_mib(shop.pid)
    print(f"{args.machines} machines every {args.every:g} s{', a page open' if args.page else ''}, {args.seconds:g} s")
    print(f"processor {100 * share:.1f} % of a core, {1e6 * share * args.every / args.machines:.0f} us a message")
    print(f"resident {memory['VmRSS']:.0f} MiB, highest {memory['VmHWM']:.0f} (allowed {allowed_mib(args.machines)})")
    print(
        f"lag p50 {1e3 * found[len(found) // 2]:.0f} ms, p99 {1e3 * p99:.0f}, longest {1e3 * found[-1]:.0f} (50, 250)"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--machines", type=int, default=10_000)
    parser.add_argument("--every", type=float, default=10.0)
    parser.add_argument("--seconds", type=float, default=90.0)
    parser.add_argument("--page", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        broker = Mosquitto(folder / "broker", extra="max_queued_messages 0\n").start()
        stack.callback(broker.stop)
        shop = a_shop(folder, broker, args.machines, args.every)
        stack.callback(shop.kill)
        rounds = packets(args.machines, args.every)
        began_s = time.monotonic()
        shop.start(within_s=300)
        print(f"first start {time.monotonic() - began_s:.1f} s, processor {cpu_s(shop.pid):.1f} s")
        process = in_background(publish, broker.port, rounds, args.every)
        wait_until(lambda: len(shop.journal("SELECT 1 FROM fact LIMIT 100")) > 0, within_s=60, what="facts")
        time.sleep(3 * args.every)
        print(load())
        measure(shop, args)
        print(f"{'the inbox was full; ' if 'inbox full' in shop.log else ''}{load()}")
        code, took_s = shop.stop(within_s=60)
        print(f"stop {took_s:.1f} s, code {code}")
        began_s = time.monotonic()
        shop.start(within_s=300)
        print(f"restart {time.monotonic() - began_s:.1f} s, processor {cpu_s(shop.pid):.1f} s (10 s); {load()}")
        process.terminate()


if __name__ == "__main__":
    main()
