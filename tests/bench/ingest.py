"""S6, the source's part: messages a second through `MqttSource` against a bare paho-mqtt subscriber with json.

Both receive the same messages from the same broker in the same run; the floor parses each payload with
json.loads, the source hands each to a counting `deliver`. By hand: ``python tests/bench/ingest.py [count]``.
"""

import asyncio
import json
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

sys.path.insert(0, str(Path(__file__).parent.parent / "real"))
from servers import Mosquitto

from farmwatch.clock import SteadyClock
from farmwatch.sources.mqtt import MqttConfig, MqttSource

COUNT = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
MACHINES = 12
# One generous inflight window and queue, so that the broker drops nothing of a burst.
BROKER = "max_inflight_messages 0\nmax_queued_messages 0\n"


def payload(number: int) -> bytes:
    return json.dumps(
        {"ts": 1.7e9 + number, "state": "RUN", "pct": 41.5, "bed": {"now": 60.1, "set": 60}, "nozzle": 215.3, "w": 118}
    ).encode()


def flood(broker: Mosquitto, qos: int) -> None:
    """Publish `COUNT` messages as fast as the broker takes them."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
    client.max_inflight_messages_set(1000)
    client.max_queued_messages_set(0)
    client.connect(broker.host, broker.port)
    client.loop_start()
    infos = [client.publish(f"works/m{n % MACHINES}/status", payload(n), qos=qos) for n in range(COUNT)]
    infos[-1].wait_for_publish()
    client.disconnect()
    client.loop_stop()


def bare(broker: Mosquitto, protocol: int, qos: int) -> float:
    """CPU seconds a message of this process's subscriber: paho's own loop, json.loads."""
    got = 0
    version = MQTTProtocolVersion.MQTTv5 if protocol == 5 else MQTTProtocolVersion.MQTTv311
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=version)

    def message(_c, _u, item):
        nonlocal got
        json.loads(item.payload)
        got += 1

    ready = threading.Event()
    client.on_message = message
    client.on_subscribe = lambda *_: ready.set()
    client.connect(broker.host, broker.port)
    client.subscribe("works/+/status", qos=qos)
    while not ready.is_set():
        client.loop(0.1)
    feeder = feed(broker, qos)
    spent_s = time.process_time()
    while got < COUNT:
        client.loop(0.1)
    spent_s = time.process_time() - spent_s
    client.disconnect()
    feeder.join()
    return spent_s / COUNT


def ours(broker: Mosquitto, protocol: int, qos: int) -> float:
    """CPU seconds a message of MqttSource with a counting deliver."""

    async def measure() -> float:
        got, done = 0, asyncio.Event()

        def deliver(item):
            nonlocal got
            got += len(item) == 5
            if got == COUNT:
                done.set()

        source = MqttSource(MqttConfig(broker.host, broker.port, protocol, qos=qos, topics=("works/+/status",)))
        task = asyncio.create_task(source.run(deliver, SteadyClock()))
        while not source.connected:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.2)
        feeder = feed(broker, qos)
        spent_s = time.process_time()
        await done.wait()
        spent_s = time.process_time() - spent_s
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        feeder.join()
        return spent_s / COUNT

    return asyncio.run(measure())


def feed(broker: Mosquitto, qos: int):
    import multiprocessing

    process = multiprocessing.get_context("fork").Process(target=flood, args=(broker, qos))
    process.start()
    return process


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), extra=BROKER).start()
        try:
            print(f"{COUNT} messages of {len(payload(0))} bytes; CPU of the subscriber, median of 3")
            print("protocol qos   bare+json   MqttSource   rate against bare")
            for protocol in (3, 5):
                for qos in (0, 1):
                    floor = statistics.median(bare(broker, protocol, qos) for _ in range(3))
                    source = statistics.median(ours(broker, protocol, qos) for _ in range(3))
                    print(f"{protocol:>8} {qos:>3} {floor * 1e6:8.1f} us {source * 1e6:9.1f} us {floor / source:14.2f}")
        finally:
            broker.stop()


if __name__ == "__main__":
    main()
