"""Broker, UPS server, polled devices and phone services, over connections in memory. Their faults are switches."""

import asyncio
import errno
from itertools import count

from farmwatch.sources.dial import plain
from farmwatch.words.errors import PeerUnavailable

_numbers = count(1_000_000)


class Sock:
    """The daemon's end of a connection; also its peer's handle on it."""

    def __init__(self, net, peer):
        self._net, self._peer = net, peer
        self._number = net.number()
        self._in = bytearray()
        self._eof = self._closed = self._reset = False
        self.transport = None
        self.cut = False  # half open: nothing passes any more, and nobody says so
        self.state = {}
        self._after = 0.0

    # the daemon's side

    def fileno(self):
        return self._number

    def send(self, data):
        if self._closed or self._reset:
            raise ConnectionResetError(errno.ECONNRESET, "reset")
        if not self.cut:
            self._peer.received(self, bytes(data))
        return len(data)

    def recv(self, size):
        if self._in:
            data = bytes(self._in[:size])
            del self._in[:size]
            if self._in:
                self._net.loop.readable(self._number)
            return data
        if self._reset:
            raise ConnectionResetError(errno.ECONNRESET, "reset")
        if self._eof:
            return b""
        raise BlockingIOError

    def close(self):
        if not self._closed:
            self._closed = True
            self._peer.left(self)

    # the peer's side

    def deliver(self, data, more_s=0.0):
        """Some milliseconds later, in order."""
        when = max(self._after, self._net.outside.now + self._net.latency()) + more_s
        self._after = when + 1e-6
        self._net.outside.at(when, self._arrive, data)

    def _arrive(self, data):
        if self._closed or self.cut:
            return
        if self.transport is not None:
            self.transport.feed(data)
            return
        if data:
            self._in += data
        else:
            self._eof = True
        self._net.loop.readable(self._number)

    def hang_up(self, *, reset=False):
        self._reset = self._reset or reset
        self.deliver(b"")


class Net:
    """Who can be reached."""

    def __init__(self, outside, rng):
        self.outside, self.rng = outside, rng
        self.loop = None
        self.peers = {}  # (host, port): peer
        self.down = False
        self._next = count(1_000_000)

    def number(self):
        return next(self._next)

    def latency(self):
        return self.rng.uniform(0.0005, 0.004)

    async def connect(self, host, port, within_s):
        """As `Dialer.connect`."""
        await asyncio.sleep(self.latency())
        peer = self.peers[host, port]
        if self.down or peer.mode == "hang_connect":
            await asyncio.sleep(within_s)
            raise PeerUnavailable(plain(TimeoutError()))
        if peer.mode == "down":
            raise PeerUnavailable(plain(ConnectionRefusedError(errno.ECONNREFUSED, "")))
        return Sock(self, peer)


def met(peer):
    """The daemon has come back to a peer."""
    if peer.back_s is not None:
        peer.came.append(peer.net.outside.now - peer.back_s)
        peer.back_s = None


# ---- the broker -------------------------------------------------------------------------------------------------


def _varint(number):
    out = bytearray()
    while True:
        number, byte = divmod(number, 128)
        out.append(byte | (0x80 if number else 0))
        if not number:
            return bytes(out)


class Broker:
    """As much of an MQTT 5 broker as the daemon's client needs (MQTT 5.0, OASIS, section 3)."""

    def __init__(self, net, rng):
        self.net, self.rng = net, rng
        self.mode = ""  # "" | down
        self.retained = {}
        self.clients = []
        self.doubles = self.shuffles = 0.0  # chances
        self._held = None
        self.sent = 0
        self.log = None
        self.back_s = None  # since when it, or the way to it, is there again and nobody came; None: nobody is missed
        self.came = []  # seconds until somebody did

    def received(self, sock, data):
        buffer = sock.state.setdefault("buffer", bytearray())
        buffer += data
        while len(buffer) >= 2:
            length, at = 0, 1
            while True:
                if at >= len(buffer):
                    return
                length += (buffer[at] & 127) << 7 * (at - 1)
                at += 1
                if buffer[at - 1] < 128:
                    break
            if len(buffer) < at + length:
                return
            kind, body = buffer[0], bytes(buffer[at : at + length])
            del buffer[: at + length]
            self._packet(sock, kind, body)

    def _packet(self, sock, kind, body):
        what = kind >> 4
        if what == 1:
            met(self)
            sock.deliver(b"\x20\x03\x00\x00\x00")
            sock.state["topics"] = set()
            self.clients.append(sock)
        elif what == 8:
            self._subscribe(sock, body)
        elif what == 12:
            sock.deliver(b"\xd0\x00")
        elif what == 3 and kind & 6:
            size = int.from_bytes(body[:2], "big")
            sock.deliver(b"\x40\x02" + body[2 + size : 4 + size])
        elif what == 14:
            self.left(sock)
            sock.hang_up()

    def _subscribe(self, sock, body):
        at = 3 + body[2]  # properties are short here
        topics = []
        while at < len(body):
            size = int.from_bytes(body[at : at + 2], "big")
            topics.append(body[at + 2 : at + 2 + size].decode())
            at += 3 + size
        reasons = b"\x01" * len(topics)
        sock.deliver(b"\x90" + _varint(3 + len(topics)) + body[:2] + b"\x00" + reasons)
        sock.state["topics"] |= set(topics)
        for topic in topics:
            if topic in self.retained:
                self._send(sock, topic, self.retained[topic], retain=True)

    def _send(self, sock, topic, payload, *, retain=False, dup=False):
        number = sock.state["pid"] = sock.state.get("pid", 0) % 60_000 + 1
        name = topic.encode()
        rest = len(name).to_bytes(2, "big") + name + number.to_bytes(2, "big") + b"\x00" + payload
        sock.deliver(bytes((0x32 | retain | dup << 3,)) + _varint(len(rest)) + rest)

    def publish(self, topic, payload, *, retain=False):
        """What a device says; duplicated or held back if the nemesis wants it."""
        if self.mode == "down":
            return
        self.sent += 1
        if retain:
            self.retained[topic] = payload
        held, self._held = self._held, None
        if held is None and self.shuffles and self.rng.random() < self.shuffles:
            self._held = topic, payload
        else:
            self._out(topic, payload)
        if held is not None:
            self._out(*held)

    def _out(self, topic, payload):
        for sock in self.clients:
            if topic in sock.state["topics"]:
                self._send(sock, topic, payload)
                if self.doubles and self.rng.random() < self.doubles:
                    self._send(sock, topic, payload, dup=True)

    def left(self, sock):
        if sock in self.clients:
            self.clients.remove(sock)

    def stop(self, *, forget=False):
        self.mode = "down"
        clients, self.clients = self.clients, []
        for sock in clients:
            sock.hang_up(reset=True)
        if forget:
            self.retained = {}

    def start(self):
        if self.mode:
            self.back_s = self.net.outside.now
        self.mode = ""


# ---- the UPS server ---------------------------------------------------------------------------------------------


class UpsServer:
    """Speaks RFC 9271 for the backups of the world."""

    def __init__(self, net, rng, world):
        self.net, self.rng, self.world = net, rng, world
        self.mode = ""  # "" | down | hang | cut
        self.units = {}  # name: "" | stale | driver | garbage | odd
        self.socks = []
        self.back_s, self.came = None, []  # as of the broker

    def received(self, sock, data):
        if sock not in self.socks:
            self.socks.append(sock)
            if not self.mode:
                met(self)
        for line in data.decode().splitlines():
            self._answer(sock, line.split())

    def _answer(self, sock, words):
        if self.mode == "hang":
            return
        if self.mode == "cut":
            sock.deliver(b"BEGIN LIST VAR ")
            sock.hang_up()
            return
        if words[:1] == ["LOGOUT"]:
            sock.deliver(b"OK Goodbye\n")
            sock.hang_up()
            return
        name = words[-1]
        mode = self.units.get(name, "")
        if mode in ("stale", "driver"):
            sock.deliver(b"ERR DATA-STALE\n" if mode == "stale" else b"ERR DRIVER-NOT-CONNECTED\n")
            return
        feed = self.world.ups_feed(name)
        body = feed.make(self.world.room.now_s) if not feed.silent else b""
        if not body:
            sock.deliver(b"ERR DATA-STALE\n")
        elif mode == "garbage":
            rows = (b'VAR x "\n', b"\xff\xfe\n", b"VAR " * 2000 + b"\n", b"END LIST VAR other\n", b"BEGIN\n")
            sock.deliver(self.rng.choice(rows))
        elif mode == "odd":
            value = self.rng.choice((b"-1", b"0", b"999999", b""))
            rows = [row if b"battery.runtime" not in row else row.split(b'"')[0] + b'"' + value + b'"'
                    for row in body.split(b"\n")]  # fmt: skip
            sock.deliver(b"\n".join(rows))
        else:
            half = self.rng.randrange(len(body)) if self.rng.random() < 0.1 else len(body)
            sock.deliver(body[:half])
            if body[half:]:  # in two pieces, as TCP may
                sock.deliver(body[half:], 0.001)

    def left(self, sock):
        if sock in self.socks:
            self.socks.remove(sock)

    def stop(self, mode="down"):
        self.mode = mode
        for sock in self.socks[:]:
            if mode == "down":
                sock.hang_up(reset=True)

    def start(self):
        if self.mode:
            self.back_s = self.net.outside.now
        self.mode = ""


# ---- polled devices ---------------------------------------------------------------------------------------------


class Devices:
    """What is polled over HTTP; stands in for `sources.http.fetch`."""

    def __init__(self, net, world):
        self.net, self.world = net, world
        self.modes = {}  # address: "" | hang | status | garbage

    async def fetch(self, _session, poll):
        await asyncio.sleep(self.net.latency())
        mode = self.modes.get(poll.address, "")
        feed = self.world.http_feed(poll.address)
        body = feed.make(self.world.room.now_s) if feed.alive else b""
        if mode == "hang" or self.net.down or not body:
            await asyncio.sleep(poll.timeout_s)
            raise PeerUnavailable(f"no answer within {poll.timeout_s:g} s")
        if mode == "status":
            raise PeerUnavailable("the device answers 503 (service unavailable)")
        await asyncio.sleep(self.net.latency())
        return b'{"mode":"work"' if mode == "garbage" else body


# ---- the phone services -----------------------------------------------------------------------------------------


class Service:
    """A way to a phone (`ports.Channel`) whose service fails as such services do."""

    def __init__(self, name, outside, rng, phone):
        self.name = name
        self._outside, self._rng, self._phone = outside, rng, phone
        self.mode = ""  # "" | busy | error | hang | lost | slow | refused | cut
        self.calls = 0

    def check(self):
        pass

    async def send(self, message, links, *, key="", repeat=False):
        self.calls += 1
        await asyncio.sleep(self._rng.uniform(0.05, 0.8))
        mode = self.mode
        if mode == "busy":
            raise PeerUnavailable("too many requests (429)", after_s=self._rng.choice((None, 30.0, 300.0)))
        if mode == "error":
            raise PeerUnavailable("the service answers 500")
        if mode == "cut":
            await asyncio.sleep(4.0)
            raise PeerUnavailable("no answer in time")
        if mode == "hang":
            await asyncio.Event().wait()
        if mode == "slow":
            await asyncio.sleep(self._rng.uniform(5.0, 28.0))
        self._phone(self.name, message, key, repeat)
        if mode == "lost":
            raise PeerUnavailable("the connection broke after the request", maybe=True)
