"""S8: from the publish of a fault to its message at a local receiver, while 1,000 machines report every 2 s.

By hand: ``python tests/bench/latency.py [--machines 1000] [--faults 120]``. The rule's delay is set to 0; the five
seconds for which an incident gathers the rest of its story are on purpose and shown apart. Target: p99 at most
250 ms beside that window.
"""

import argparse
import contextlib
import statistics
import tempfile
import time
from pathlib import Path

from bench import cpu_s, in_background, load, memory_mib, publish_farm
from servers import HttpReceiver, Mosquitto
from whole import Devices, Shop, told

from farmwatch.alarms.notices import GATHER_S


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--faults", type=int, default=120)
    parser.add_argument("--every", type=float, default=0.25)
    args = parser.parse_args()
    names = [f"m{number:04d}" for number in range(args.machines)]
    faulty = [f"f{number:04d}" for number in range(args.faults)]
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        broker = Mosquitto(folder / "broker", extra="max_queued_messages 0\n").start()
        stack.callback(broker.stop)
        phone = HttpReceiver()
        stack.callback(phone.close)
        shop = Shop(
            folder / "shop",
            channels={"phone": f"json://127.0.0.1:{phone.port}/"},
            broker_port=broker.port,
            machines=dict.fromkeys([*names, *faulty], 'uses = ["panel"]'),
            extra="[rules.machine_fault]\non_delay_s = 0\n[rules.source_silent]\noff = true\n"
            "[rules.bed_waiting]\noff = true",
        )
        stack.callback(shop.kill)
        shop.start(within_s=120)
        time.sleep(2)
        in_background(publish_farm, broker.port, names, False, 3600.0)
        time.sleep(6)
        devices, sent = Devices(broker.port), {}
        began, began_s = cpu_s(shop.pid), time.monotonic()
        for number, machine in enumerate(faulty):
            time.sleep(max(0.0, began_s + number * args.every - time.monotonic()))
            sent[machine] = time.monotonic()
            devices.say(machine, "ERROR")
        end_s = time.monotonic() + GATHER_S["fault"] + 20
        while len(phone.requests) < args.faults and time.monotonic() < end_s:
            time.sleep(0.1)
        share = (cpu_s(shop.pid) - began) / (time.monotonic() - began_s)
        at_s = {title.split()[0]: request.at_s for request, (title, _) in zip(phone.requests, told(phone), strict=True)}
        view = shop.view()
        good = sum(row["good"] for row in view["sources"])
        took = sorted(at_s[machine] - sent[machine] - GATHER_S["fault"] for machine in sent if machine in at_s)
        print(f"S8: {args.machines} machines at 2 s, {len(took)} of {args.faults} faults told, {good} payloads read")
        for what, share_of in (("p50", 0.5), ("p90", 0.9), ("p99", 0.99)):
            value = took[min(len(took) - 1, int(share_of * len(took)))]
            print(f"{what} {value * 1e3:8.0f} ms beside the window of {GATHER_S['fault']:g} s")
        print(f"max {took[-1] * 1e3:8.0f} ms, mean {statistics.mean(took) * 1e3:.0f} ms (target p99 250 ms)")
        print(f"processor {100 * share:.1f} % of a core, resident {memory_mib(shop.pid)['VmRSS']:.0f} MiB; {load()}")
        if "inbox full" in shop.log:
            print("the inbox was full")
        devices.close()
        shop.stop()


if __name__ == "__main__":
    main()
