"""A name server of our own (RFC 1035), and a daemon that asks it and no other: a mount namespace of its own holds its
resolv.conf (unshare(1), resolv.conf(5)). Where that may not be made, the daemon asks the system, which answers for
``localhost`` alone.
"""

import contextlib
import shutil
import socket
import struct
import subprocess
import tempfile
import threading
import time
from pathlib import Path

PORT = 53
HOST = "127.0.0.153"


class NameServer:
    """Answers for `names`, as `how` says: "true", "silent", "denies" (NXDOMAIN), or an address for everything."""

    def __init__(self, names: dict[str, str]) -> None:
        self.names, self.how, self.asked = names, "true", []
        self.problem = ""
        self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            self._sock.bind((HOST, PORT))
        except OSError as error:
            self.problem = f"port 53: {error.strerror}"
        self.folder = Path(tempfile.mkdtemp(prefix="names"))
        (self.folder / "resolv.conf").write_text(f"nameserver {HOST}\noptions timeout:2 attempts:2\n")
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while not self.problem:
                data, address = self._sock.recvfrom(512)
                if len(data) > 12 and (answer := self._answer(data)):
                    self._sock.sendto(answer, address)

    def _answer(self, data: bytes) -> bytes:
        labels, at = [], 12
        while data[at]:
            labels.append(data[at + 1 : at + 1 + data[at]].decode())
            at += 1 + data[at]
        kind = struct.unpack(">H", data[at + 1 : at + 3])[0]
        question, name = data[12 : at + 5], ".".join(labels).lower()
        self.asked.append((name, kind))
        if self.how == "silent":
            return b""
        address = self.names.get(name) if self.how == "true" else None if self.how == "denies" else self.how
        code = 0 if address else 3  # NXDOMAIN
        found = address if kind == 1 else None  # A; there is no AAAA
        head = data[:2] + struct.pack(">HHHHH", 0x8180 | code, 1, int(bool(found)), 0, 0)
        body = struct.pack(">HHHIH", 0xC00C, 1, 1, 0, 4) + socket.inet_aton(found) if found else b""
        return head + question + body

    def lookup(self, host: str, port: int, **_options: object) -> list[tuple[object, ...]]:
        """The same without a network, in the shape of socket.getaddrinfo."""
        if self.how == "silent":
            time.sleep(8)
        if self.how != "true" or host not in self.names:
            raise socket.gaierror
        return [(socket.AF_INET, socket.SOCK_STREAM, 0, "", (self.names[host], port))]

    def close(self) -> None:
        self._sock.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def wrapper(server: NameServer) -> tuple[list[str], str]:
    """Words to put before a daemon's command so that it asks this server, and by which means it does."""
    bind = f'mount --bind {server.folder}/resolv.conf "$(readlink -f /etc/resolv.conf)" && exec "$@"'
    words = ["unshare", "--mount", "sh", "-c", bind, "sh"]
    try:
        done = subprocess.run([*words, "true"], capture_output=True, text=True, timeout=20, check=False)
        problem = server.problem or done.stderr.strip()[:200]
    except OSError as error:
        problem = str(error)
    if problem:
        return [], f"the system's own resolver: {problem}"
    return words, "name server of our own below a mount namespace"
