"""S10: replay against real time. S6: broker to stored and alarm-checked, against a bare paho-mqtt subscriber.

By hand: ``python tests/bench/engine.py [replay] [path] [--hours 6] [--count 16000]``. Targets: S10 at least 2,000
times real time; S6 at least half the rate of the bare subscriber that parses the same messages in the same run.
"""

import argparse
import gc
import io
import json
import socket
import statistics
import tempfile
import threading
import time
from collections import deque
from pathlib import Path

from bench import cpu_s, in_background, load, panel, plug
from servers import Mosquitto, wait_until
from whole import NAMES, Shop

from farmwatch import replay
from farmwatch.assemble import build_engine, build_intake
from farmwatch.settings import load as load_settings
from farmwatch.wire import recording
from farmwatch.words.model import Observed, Raw

START_S = 1_764_000_000.0
BOTH = 'uses = ["panel", "plug"]'


def farm_inputs(hours: float):
    """12 panels and 12 plugs at 2 s: 24 messages every 2 s, in time order."""
    for step in range(int(hours * 1800)):
        for number, name in enumerate(NAMES):
            at_s = START_S + step * 2.0 + number * 0.16
            yield Raw(at_s, "mqtt", f"works/{name}/status", panel(number, at_s))
            yield Raw(at_s + 0.08, "mqtt", f"plugs/{name}", plug(number, at_s))


def world_inputs(hours: float):
    """Saltmarsh Works itself, with people and troubles."""
    from farmwatch.scenario.world import World

    yield from World(7, START_S, sample_s=0.0).inputs(START_S, START_S + hours * 3600)


def timed(work) -> tuple[float, object]:
    """Processor seconds of a call, and its result."""
    began_s = time.process_time()
    result = work()
    return time.process_time() - began_s, result


def replays(settings, items: list, hours: float, name: str) -> None:
    """One row of the table, each part timed in turn over the same messages."""
    lines = [recording.write(item) + "\n" for item in items]
    bodies = [item.body for item in items if isinstance(item, Raw)]
    inputs = list(recording.read(lines))
    counter = build_intake(settings)
    observed = sum(type(event) is Observed for item in inputs for event in counter.decode(item))
    gc.collect()
    gc.freeze()
    floor_s, _ = timed(lambda: [_parsed(body) and None for body in bodies])
    read_s, _ = timed(lambda: deque(recording.read(lines), 0))
    intake = build_intake(settings)
    decode_s, _ = timed(lambda: [intake.decode(item) and None for item in inputs])
    engine = build_engine(settings)
    think_s, _ = timed(lambda: deque(replay.replayed(engine, inputs), 0))
    whole_s, _ = timed(
        lambda: replay.write(
            replay.replayed(build_engine(settings), recording.read(lines)), io.StringIO(), as_json=True, timezone="UTC"
        )
    )
    gc.unfreeze()
    each = 1e6 / len(items)
    print(
        f"{name:<10} {len(items):>8} {observed:>8} {floor_s * each:>6.1f} {read_s * each:>7.1f} "
        f"{decode_s * each:>7.1f} {(think_s - decode_s) * each:>7.1f} {whole_s * each:>7.1f} "
        f"{hours * 3600 / think_s:>8.0f} {hours * 3600 / whole_s:>8.0f}"
    )


def _parsed(body: bytes) -> object:
    """The floor: json.loads, as far as the payload is JSON."""
    try:
        return json.loads(body)
    except ValueError:
        return None


def s10(hours: float) -> None:
    """The table of S10."""
    from importlib.resources import as_file, files

    print(f"S10: {hours:g} h, processor time, us a message; times real time of the engine and of the whole replay")
    print("input      messages observed  floor    read  decode   brain   whole   engine   replay   (floor: json.loads)")
    with tempfile.TemporaryDirectory() as folder:
        shop = Shop(Path(folder), broker_port=1, machines=dict.fromkeys(NAMES, BOTH))
        replays(load_settings(shop.config, live=False), list(farm_inputs(hours)), hours, "24 by 2 s")
    with as_file(files("farmwatch.scenario").joinpath("demo.toml")) as file:
        replays(load_settings(file, live=False), list(world_inputs(hours)), hours, "scenario")
    print(load())


# ---- the whole path -----------------------------------------------------------------------------------------------


def publish_packet(topic: str, payload: bytes, number: int) -> bytes:
    """A PUBLISH of QoS 1 (MQTT 3.1.1, section 3.3), made here so that the publisher is not what is measured."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + number.to_bytes(2, "big") + payload
    length, head = len(body), bytearray([0x32])
    while True:
        length, low = divmod(length, 128)
        head.append(low | (0x80 if length else 0))
        if not length:
            return bytes(head) + body


def flood(port: int, count: int) -> None:
    """`count` messages of the farm as fast as the broker takes them; at most 65,535."""
    packets = bytearray()
    for number in range(count):
        item = number // 2
        name, at_s = NAMES[item % 12], START_S + item / 6
        topic, make = (f"works/{name}/status", panel) if number % 2 == 0 else (f"plugs/{name}", plug)
        packets += publish_packet(topic, make(item % 12, at_s), number + 1)
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(bytes.fromhex("100d00044d515454040200000001") + b"f")  # CONNECT, clean session, client id "f"
        sock.recv(4)
        sender = threading.Thread(target=sock.sendall, args=(packets,), daemon=True)
        sender.start()
        acknowledged = 0
        while acknowledged < 4 * count:
            acknowledged += len(sock.recv(65_536))
        sender.join()


def bare(port: int, count: int) -> tuple[float, float]:
    """Processor and wall seconds of a paho-mqtt subscriber that parses each message."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    got, first_s, ready = 0, 0.0, threading.Event()

    def message(_client, _userdata, item):
        nonlocal got, first_s
        json.loads(item.payload)
        if not got:
            first_s = time.monotonic()
        got += 1

    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message, client.on_subscribe = message, lambda *_: ready.set()
    client.connect("127.0.0.1", port)
    client.subscribe([("works/+/status", 1), ("plugs/+", 1)])
    while not ready.is_set():
        client.loop(0.1)
    process = in_background(flood, port, count)
    began = time.process_time()
    while got < count:
        client.loop(0.1)
    spent = time.process_time() - began, time.monotonic() - first_s
    client.disconnect()
    process.join()
    return spent


def whole(port: int, count: int, folder: Path) -> tuple[float, float]:
    """The same of the daemon, page and journal and all; the series' write at the stop counts too."""
    shop = Shop(folder, broker_port=port, machines=dict.fromkeys(NAMES, BOTH)).start()

    def good() -> int:
        return sum(row["good"] for row in shop.view()["sources"])

    try:
        time.sleep(3)
        began = cpu_s(shop.pid)
        process = in_background(flood, port, count)
        wait_until(good, within_s=20, what="the first message")
        first_s = time.monotonic()
        while (have := good()) < count:
            if time.monotonic() - first_s > 120:
                raise TimeoutError(f"{have} of {count}: {shop.log[-500:]}")
            time.sleep(0.2)
        wall_s, spent_s = time.monotonic() - first_s, cpu_s(shop.pid) - began
        process.join()
        if "inbox full" in shop.log:
            print("  messages were dropped: take a smaller --count")
        return spent_s, wall_s
    finally:
        shop.stop()


def s6(count: int, rounds: int) -> None:
    """The table of S6."""
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder) / "broker", extra="max_inflight_messages 0\nmax_queued_messages 0\n").start()
        try:
            floor = [bare(broker.port, count) for _ in range(rounds)]
            ours = [whole(broker.port, count, Path(folder) / f"shop{n}") for n in range(rounds)]
        finally:
            broker.stop()
    print(f"S6: {count} messages, QoS 1, protocol 5 against paho's own loop; medians of {rounds}")
    print("               bare     whole   rate against bare (target 0.5)")
    for number, what in enumerate(("processor", "wall clock")):
        low, high = (statistics.median(row[number] for row in rows) / count for rows in (floor, ours))
        print(f"{what:<10} {low * 1e6:6.1f} us {high * 1e6:6.1f} us {low / high:8.2f}     {1 / high:6.0f} a second")
    print(load())


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", nargs="*", default=["replay", "path"])
    parser.add_argument("--hours", type=float, default=6.0)
    parser.add_argument("--count", type=int, default=16_000)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    if "replay" in args.what:
        s10(args.hours)
    if "path" in args.what:
        s6(args.count, args.rounds)


if __name__ == "__main__":
    main()
