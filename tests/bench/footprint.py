"""S1: resident memory. S2: processor. S3: start to the page, --help.

By hand: ``python tests/bench/footprint.py [--seconds 60]``. Twelve machines with panel and plug over MQTT and four
backups at 2 s, one machine polled over HTTP, one open page, one message sent. Targets: 85 MiB; 2 % of a core;
1.5 s and 150 ms.
"""

import argparse
import contextlib
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections import Counter
from pathlib import Path

from bench import cpu_s, in_background, load, memory_mib, publish_farm
from servers import HttpDevice, HttpReceiver, Mosquitto, Upsd
from whole import NAMES, Shop, environment

UNITS = ("one", "two", "three", "four")


def a_farm(folder: Path, broker: Mosquitto, upsd: Upsd, device: HttpDevice, phone: HttpReceiver) -> Shop:
    """The configuration."""
    machines = dict.fromkeys(NAMES, 'uses = ["panel", "plug"]')
    machines["lapwing"] = f'uses = ["panel", "plug", "port"], params = {{ host = "127.0.0.1:{device.port}" }}'
    shop = Shop(
        folder,
        channels={"phone": f"json://127.0.0.1:{phone.port}/"},
        broker_port=broker.port,
        ups={name: upsd.address(name) for name in UNITS},
        machines=machines,
    )
    shop.config.write_text(shop.config.read_text().replace("interval_s = 1\n", "interval_s = 2\n"))
    return shop


def steady(shop: Shop, phone: HttpReceiver, upsd: Upsd, broker: Mosquitto, seconds: float) -> None:
    """Memory and processor, without and with an open page."""
    rows: list[tuple[str, float, float]] = []

    def over(what: str) -> None:
        began, began_s = cpu_s(shop.pid), time.monotonic()
        time.sleep(seconds)
        share = (cpu_s(shop.pid) - began) / (time.monotonic() - began_s)
        rows.append((what, 100 * share, memory_mib(shop.pid)["VmRSS"]))

    in_background(publish_farm, broker.port, list(NAMES), True, 3 * seconds + 60)
    print(f"S1 at the start: {memory_mib(shop.pid)['VmRSS']:.1f} MiB")
    upsd.set_status("four", "OB DISCHRG")
    phone.wait(1, within_s=40)
    upsd.set_status("four", "OL")
    time.sleep(10)
    over("no page open")
    stop = threading.Event()

    def look() -> None:
        with contextlib.suppress(OSError), urllib.request.urlopen(shop.url + "/events", timeout=20) as news:  # noqa: S310
            while not stop.is_set():
                news.readline()

    threading.Thread(target=look, daemon=True).start()
    time.sleep(2)
    over("one page open")
    stop.set()
    view = shop.view()
    good = Counter()
    for row in view["sources"]:
        good[row["via"]] += row["good"]
    print(f"S1, S2 over {seconds:g} s each: readable payloads {dict(good)}, {len(phone.requests)} messages sent")
    print("                 processor     resident   (targets 2 %, 85 MiB)")
    for what, share, rss in rows:
        print(f"{what:<14} {share:8.2f} % {rss:10.1f} MiB")
    print(f"highest resident {memory_mib(shop.pid)['VmHWM']:.1f} MiB")


def starts(shop: Shop, count: int) -> None:
    """S3."""

    def seconds(*command: str) -> float:
        began_s = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env=environment())
        return time.perf_counter() - began_s

    pages, helps, bares, spent = [], [], [], []
    for _ in range(count):
        bares.append(seconds(sys.executable, "-c", "pass"))
        helps.append(seconds(sys.executable, "-m", "farmwatch", "--help"))
        began_s = time.perf_counter()
        shop.start()
        pages.append(time.perf_counter() - began_s)
        spent.append(cpu_s(shop.pid))
        shop.stop()
    bare = statistics.median(bares)
    print(f"S3, {count} times:     median      best   times a bare python   target")
    for what, rows, target in (("bare python", bares, "-"), ("--help", helps, "150 ms"), ("page", pages, "1.5 s"),
                               ("of processor", spent, "-")):  # fmt: skip
        middle = statistics.median(rows)
        print(f"{what:<14} {middle * 1e3:9.0f} ms {min(rows) * 1e3:6.0f} ms {middle / bare:12.1f} {target:>15}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--starts", type=int, default=7)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        broker = Mosquitto(folder / "broker").start()
        stack.callback(broker.stop)
        upsd = Upsd(folder / "ups", names=UNITS).start()
        stack.callback(upsd.stop)
        device, phone = HttpDevice(), HttpReceiver()
        stack.callback(device.close)
        stack.callback(phone.close)
        device.body = b'{"status": "printing", "bed": 60}'
        shop = a_farm(folder / "shop", broker, upsd, device, phone)
        stack.callback(shop.kill)
        starts(shop, args.starts)
        print(load())
        shop.start()
        steady(shop, phone, upsd, broker, args.seconds)
        print(load())
        shop.stop()


if __name__ == "__main__":
    main()
