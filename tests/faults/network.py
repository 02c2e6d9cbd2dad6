"""A line between the daemon and its peers that can be cut as a real one is.

Where the kernel lets us: a network namespace of our own, joined to this one by a pair of virtual cables, with nftables
on the far side (ip-netns(8), veth(4), nft(8)). Nothing outside the namespace is filtered. Where it does not: our own
proxies. `Line.how` says which of the two it was; `tests/conftest.py` prints that at the end of a run.
"""

import asyncio
import contextlib
import ctypes
import itertools
import os
import random
import shutil
import socket
import subprocess
import threading
from pathlib import Path

from faultproxy import FaultProxy
from servers import LoopThread

NUMBERS = itertools.count()
CLONE_NEWNET = 0x4000_0000  # <linux/sched.h>
KERNEL = "network namespace with nftables"
PROXY = "own proxy"


def run(*words: str) -> str:
    """Output of a system command; raises OSError with what it says."""
    program = shutil.which(words[0], path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    if program is None:
        raise OSError(f"{words[0]} is not installed")
    done = subprocess.run([program, *words[1:]], capture_output=True, text=True, timeout=20, check=False)
    if done.returncode:
        raise OSError(f"{' '.join(words[:3])}: {done.stderr.strip()[:200]}")
    return done.stdout


def inside(name: str, kind: socket.SocketKind, address: str) -> socket.socket:
    """A socket of a namespace, made by a thread that has entered it (setns(2)); it stays there wherever it is used."""
    made: list[socket.socket] = []

    def work() -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        with Path(f"/run/netns/{name}").open() as file:
            if libc.setns(file.fileno(), CLONE_NEWNET):
                return
        sock = socket.socket(socket.AF_INET, kind)
        sock.bind((address, 0))
        if kind == socket.SOCK_STREAM:
            sock.listen(64)
        sock.setblocking(False)
        made.append(sock)

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(10)
    if not made:
        raise OSError(f"no socket in the namespace {name}")
    return made[0]


class Datagrams(asyncio.DatagramProtocol):
    """Passes datagrams on between one client and a port of ours; of each hundred `lost` are dropped."""

    def __init__(self, port: int) -> None:
        self.to, self.lost, self.client, self.dropped = ("127.0.0.1", port), 0, None, 0
        self._random = random.Random(39)
        self.near: asyncio.DatagramTransport
        self.far: asyncio.DatagramTransport

    def connection_made(self, transport):
        self.near = transport

    def datagram_received(self, data, address):
        self.client = address
        if not self._drop():
            self.far.sendto(data)

    def answered(self, data):
        if self.client is not None and not self._drop():
            self.near.sendto(data, self.client)

    def _drop(self):
        drop = self._random.randrange(100) < self.lost
        self.dropped += drop
        return drop


class _Back(asyncio.DatagramProtocol):
    def __init__(self, front):
        self.front = front

    def datagram_received(self, data, address):
        self.front.answered(data)


class Line:
    """Doors to servers on this computer's loopback, and what can be done to all of them at once.

    `silence`: nothing passes and nobody is told. `unplug`: the link is down. `refuse`: every connection is reset.
    `lossy`: so many of a hundred packets are lost. `mend`: all is well again.
    """

    how = PROXY

    def __init__(self) -> None:
        self.proxies: list[FaultProxy] = []
        self.relays: list[Datagrams] = []
        self._loop = LoopThread()

    def door(self, port: int) -> tuple[str, int]:
        """Where the daemon reaches a TCP server of ours."""
        self.proxies.append(FaultProxy("127.0.0.1", port))
        return self.proxies[-1].host, self.proxies[-1].port

    def datagram_door(self, port: int) -> tuple[str, int]:
        """The same for UDP."""
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.bind(("127.0.0.1", 0))
        return self._relay(sock, port)

    def _relay(self, sock: socket.socket, port: int) -> tuple[str, int]:
        relay = Datagrams(port)

        async def open_both() -> None:
            loop = asyncio.get_running_loop()
            await loop.create_datagram_endpoint(lambda: relay, sock=sock)
            relay.far, _ = await loop.create_datagram_endpoint(lambda: _Back(relay), remote_addr=relay.to)

        self._loop.call(open_both())
        self.relays.append(relay)
        return sock.getsockname()

    def silence(self) -> None:
        for proxy in self.proxies:
            proxy.half_open = True
        self.lossy(100)

    unplug = silence

    def refuse(self) -> None:
        for proxy in self.proxies:
            proxy.refuse()

    def lossy(self, percent: int) -> None:
        for relay in self.relays:
            relay.lost = percent

    def mend(self) -> None:
        for proxy in self.proxies:
            proxy.half_open = False
            proxy.accept()
        self.lossy(0)

    def lost(self) -> int:
        """Packets, or datagrams, that were thrown away."""
        return sum(relay.dropped for relay in self.relays)

    def close(self) -> None:
        for proxy in self.proxies:
            proxy.close()
        for relay in self.relays:
            relay.near.close()
            relay.far.close()
        self._loop.close()


class KernelLine(Line):
    """Through a namespace of our own. Addresses of RFC 2544's network for such tests, 198.18.0.0/15."""

    how = KERNEL

    def __init__(self) -> None:
        number = next(NUMBERS)
        self.name = f"fw{os.getpid()}x{number}"
        net = (os.getpid() * 7 + number) % 8192
        host, self.address = (f"198.18.{net // 64 % 256}.{net % 64 * 4 + end}" for end in (1, 2))
        self.ours, self.theirs = f"fa{os.getpid()}x{number}"[:15], f"fb{os.getpid()}x{number}"[:15]
        run("ip", "netns", "add", self.name)
        try:
            run("ip", "link", "add", self.ours, "type", "veth", "peer", "name", self.theirs, "netns", self.name)
            run("ip", "address", "add", f"{host}/30", "dev", self.ours)
            run("ip", "link", "set", self.ours, "up")
            self._in("ip", "address", "add", f"{self.address}/30", "dev", self.theirs)
            self._in("ip", "link", "set", self.theirs, "up")
            self._in("nft", "add", "table", "inet", "faults")
            for hook in ("input", "output"):
                chain = f"{{ type filter hook {hook} priority 0; policy accept; }}"
                self._in("nft", "add", "chain", "inet", "faults", hook, chain)
            self._rules("counter drop")  # what will be asked of it is tried before it is relied upon
            self.mend()
            super().__init__()
        except BaseException:
            self._away()
            raise

    def _in(self, *words: str) -> str:
        return run("ip", "netns", "exec", self.name, *words)

    def _rules(self, what: str, hooks: tuple[str, ...] = ("input", "output")) -> None:
        for hook in hooks:
            self._in("nft", "add", "rule", "inet", "faults", hook, *what.split())

    def door(self, port: int) -> tuple[str, int]:
        sock = inside(self.name, socket.SOCK_STREAM, self.address)
        self.proxies.append(FaultProxy("127.0.0.1", port, sock))
        return sock.getsockname()

    def datagram_door(self, port: int) -> tuple[str, int]:
        return self._relay(inside(self.name, socket.SOCK_DGRAM, self.address), port)

    def silence(self) -> None:
        self._rules("counter drop")

    def unplug(self) -> None:
        self._in("ip", "link", "set", self.theirs, "down")

    def refuse(self) -> None:
        self._rules("meta l4proto tcp counter reject with tcp reset", ("input",))

    def lossy(self, percent: int) -> None:
        self._rules(f"meta l4proto udp numgen random mod 100 < {percent} counter drop")

    def lost(self) -> int:
        words = self._in("nft", "list", "table", "inet", "faults").split()
        return sum(int(words[at + 1]) for at, word in enumerate(words) if word == "packets")

    def mend(self) -> None:
        self._in("nft", "flush", "table", "inet", "faults")
        self._in("ip", "link", "set", self.theirs, "up")

    def close(self) -> None:
        super().close()
        self._away()

    def _away(self) -> None:
        for words in (("ip", "link", "del", self.ours), ("ip", "netns", "del", self.name)):
            with contextlib.suppress(OSError):
                run(*words)


def make_line() -> tuple[Line, str]:
    """A line, and by which means: with the reason where it is not the kernel's."""
    if os.environ.get("FARMWATCH_NETWORK") == "proxy":
        return Line(), f"{PROXY}: FARMWATCH_NETWORK says so"
    try:
        line = KernelLine()
    except OSError as error:
        return Line(), f"{PROXY}: {error}"
    return line, line.how
