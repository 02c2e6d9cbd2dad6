"""The bytes that the shop's devices send, each device with its own rhythm.

Three ways of speaking for machines (JSON by MQTT, another JSON by HTTP, nothing at all) and four for plugs and
backups; demo.toml maps every one of them. The words and layouts are made up for the scenario.
"""

from collections.abc import Callable
from random import Random

from farmwatch.scenario.bench import BOOT, HEAT, HOLD, NOISE, OFF, PAUSE, PRINT, REST, Bench
from farmwatch.scenario.mains import Backup
from farmwatch.scenario.site import AIR_TOPIC, MATERIALS, link_topic, panel_address, plug_addresses, ups_address

PANEL_WORDS = {OFF: "IDLE", BOOT: "IDLE", REST: "IDLE", HEAT: "WARM", PRINT: "RUN", PAUSE: "HOLD", HOLD: "END"}
PANEL_ENDS = {"": "IDLE", "done": "END", "failed": "FAULT", "cancelled": "STOP"}
POLLED_WORDS = {
    OFF: "ready",
    BOOT: "ready",
    REST: "ready",
    HEAT: "work",
    PRINT: "work",
    PAUSE: "wait",
    HOLD: "complete",
}
POLLED_ENDS = {"": "ready", "done": "complete", "failed": "alarm", "cancelled": "halted"}

_jitter = Random("farmwatch jitter")
JITTER = tuple(_jitter.randrange(1024) for _ in range(1021))
"""Shares of the spread in 1/1024, the same for every world."""

GARBAGE: tuple[bytes, ...] = (
    b"",
    b'{"ts":17',
    b"\xff\xfe\x00\x01panel",
    b"<html><body>502</body></html>",
    b'{"state":"RUN","pct":NaN',
    b"[[[[[[",
    b"\x00\x00\x00\x00",
    b'{"bed":{"now":}}',
)


class Room:
    """What is the same for all devices within a step."""

    __slots__ = ("air_c", "broker", "humidity", "network", "now_s", "step", "voltage_v")

    def __init__(self) -> None:
        self.now_s, self.step = 0.0, 0
        self.air_c, self.humidity, self.voltage_v = 18.0, 0.6, 230.0
        self.broker = self.network = True


class Feed:
    """One address that a device speaks at.

    `make(at_s)` renders the bytes for a time within the present step; b"" means that there is nothing to say
    (a polled device then fails with `error`). Times are whole milliseconds, so that a recording holds them
    exactly.
    """

    __slots__ = (
        "_base_ms", "_every_ms", "_number", "_spread_ms", "address", "at_ms", "base_wh", "bench", "error", "garbage",
        "kind", "last", "make", "retained", "silent", "via",
    )  # fmt: skip

    def __init__(self, kind: str, via: str, address: str, every_s: float, bench: Bench | None = None) -> None:
        self.kind, self.via, self.address, self.bench = kind, via, address, bench
        self._every_ms, self._spread_ms = round(every_s * 1000), round(every_s * 150)
        self._base_ms = self._number = self.at_ms = 0
        self.make: Callable[[float], bytes] = lambda _at_s: b""
        self.error = "no answer within 4 s"
        self.garbage: list[bytes] = []
        self.silent = self.retained = False
        self.last = b""
        self.base_wh = 0.0

    def begin(self, start_ms: int, rng: Random) -> None:
        """The first message comes at a time of its own within the first interval."""
        self._number = rng.randrange(1021)
        self._base_ms = start_ms + rng.randrange(max(1, self._every_ms - self._spread_ms))
        self.at_ms = self._base_ms

    def advance(self) -> None:
        """On to the next message."""
        self._base_ms += self._every_ms
        self._number += 1
        self.at_ms = self._base_ms + (JITTER[self._number % 1021] * self._spread_ms >> 10)

    @property
    def alive(self) -> bool:
        """Whether the device has power and runs, by its machine's mode."""
        bench = self.bench
        if bench is None:
            return not self.silent
        return not self.silent and bench.mode != OFF and (self.kind != "panel" or bench.mode != BOOT)


def panel(bench: Bench, room: Room, every_s: float, polled_s: float) -> list[Feed]:
    """How the machine itself reports."""
    spec = bench.spec
    if spec.panel == "mqtt":
        feed = Feed("panel", "mqtt", panel_address(spec.name, "mqtt"), every_s, bench)
        feed.make, feed.retained = _panel_json(bench, room), True
        link = Feed("link", "mqtt", link_topic(spec.name), 0.0, bench)
        link.at_ms, link.retained, link.last = 1 << 62, True, b"up"
        return [feed, link]
    if spec.panel == "http":
        feed = Feed("panel", "http", panel_address(spec.name, "http"), polled_s, bench)
        feed.make = _polled_json(bench, room)
        return [feed]
    return []


def _panel_json(bench: Bench, room: Room) -> Callable[[float], bytes]:
    form = (
        '{"ts":%.3f,"state":"%s","job":%s,"pct":%.1f,"left_min":%s,"bed":{"now":%.1f,"set":%d},'
        '"nozzle":{"now":%.1f,"set":%d}}'
    )
    shift = bench.index * 71

    def make(at_s: float) -> bytes:
        mode, job = bench.mode, bench.job
        word = PANEL_ENDS[bench.word] if mode == REST else PANEL_WORDS[mode]
        noise = 0.06 * NOISE[(room.step + shift) % 4093]
        if job is None:
            name, pct, left = "null", 0.0, "null"
        else:
            name, pct = f'"{job.name}"', 100.0 * bench.progress()
            left = str(int(bench.remaining_s() / 60.0 + 0.5))
        bed_c, nozzle_c = bench.bed_c + noise, bench.nozzle_c - noise
        return (form % (at_s, word, name, pct, left, bed_c, bench.bed_set_c, nozzle_c, bench.nozzle_set_c)).encode()

    return make


def _polled_json(bench: Bench, room: Room) -> Callable[[float], bytes]:
    form = '{"mode":"%s","task":%s,"heat":[{"at":%.2f,"want":%d},{"at":%.2f,"want":%d}],"up_s":%d}'
    shift = bench.index * 71

    def make(at_s: float) -> bytes:
        mode, job = bench.mode, bench.job
        word = POLLED_ENDS[bench.word] if mode == REST else POLLED_WORDS[mode]
        noise = 0.04 * NOISE[(room.step + shift) % 4093]
        if job is None:
            task = "null"
        else:
            done = bench.progress()
            fed_m = done * job.grams / MATERIALS[job.material].metre_g
            task = f'{{"name":"{job.name}","done":{done:.4f},"left_s":{bench.remaining_s():.0f},"fed_m":{fed_m:.2f}}}'
        return (
            form
            % (word, task, bench.bed_c + noise, bench.bed_set_c, bench.nozzle_c, bench.nozzle_set_c, at_s % 864_000)
        ).encode()

    return make


def plug(bench: Bench, room: Room, every_s: float, polled_s: float) -> list[Feed]:
    """How the machine's plug reports."""
    spec = bench.spec
    via = "http" if spec.plug == "http" else "mqtt"
    feeds = [
        Feed("plug", via, address, polled_s if via == "http" else every_s, bench)
        for address in plug_addresses(spec.name, spec.plug)
    ]
    makers = {"json": (_plug_json,), "text": (_plug_watts, _plug_kwh), "http": (_plug_polled,)}[spec.plug]
    for feed, maker in zip(feeds, makers, strict=True):
        feed.make = maker(bench, room, feed)
    return feeds


def _plug_json(bench: Bench, room: Room, feed: Feed) -> Callable[[float], bytes]:
    form = '{"on":true,"w":%.1f,"v":%.1f,"a":%.3f,"wh":%.2f}'

    def make(at_s: float) -> bytes:
        watts, volts = bench.watts, room.voltage_v
        wh = feed.base_wh + bench.energy_wh + watts * (at_s - room.now_s) / 3600.0
        return (form % (watts, volts, watts / (0.96 * volts), wh)).encode()

    return make


def _plug_watts(bench: Bench, room: Room, feed: Feed) -> Callable[[float], bytes]:
    del room, feed
    return lambda _at_s: b"%.1f" % bench.watts


def _plug_kwh(bench: Bench, room: Room, feed: Feed) -> Callable[[float], bytes]:
    def make(at_s: float) -> bytes:
        return b"%.5f" % ((feed.base_wh + bench.energy_wh + bench.watts * (at_s - room.now_s) / 3600.0) / 1000.0)

    return make


def _plug_polled(bench: Bench, room: Room, feed: Feed) -> Callable[[float], bytes]:
    form = '{"meter":{"power_mw":%d,"total_kwh":%.5f},"relay":1,"mains_dv":%d}'

    def make(at_s: float) -> bytes:
        wh = feed.base_wh + bench.energy_wh + bench.watts * (at_s - room.now_s) / 3600.0
        return (form % (bench.watts * 1000.0, wh / 1000.0, room.voltage_v * 10.0)).encode()

    return make


def backup(source: Backup, room: Room, every_s: float) -> Feed:
    """What the UPS server says of a backup."""
    feed = Feed("ups", "ups", ups_address(source.spec.name), every_s)
    feed.make = lambda _at_s: source.variables(room.voltage_v).encode()
    feed.error = "ERR DATA-STALE"
    return feed


def air(room: Room, every_s: float) -> Feed:
    """The air sensor."""
    feed = Feed("air", "mqtt", AIR_TOPIC, every_s)
    feed.make = lambda _at_s: b'{"t":%.2f,"rh":%.1f}' % (room.air_c, 100.0 * room.humidity)
    return feed
