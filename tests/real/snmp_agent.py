"""A real SNMP agent that serves the UPS-MIB: Debian's snmpd, with a script of ours behind its pass_persist."""

import json
import signal
import socket
import sys
from pathlib import Path

import pytest
from servers import STARTS_S, Process, need, wait_until

UPS = "1.3.6.1.2.1.33.1."

SERVE = """
import json, sys

TREE = "1.3.6.1.2.1.33"

def key(oid):
    return tuple(int(part) for part in oid.strip(".").split("."))

def rows():
    with open(sys.argv[1]) as file:
        return {key(oid): row for oid, row in json.load(file).items()}

def answer(verb, oid):
    found = rows()
    wanted = key(oid)
    if verb == "getnext":
        later = sorted(name for name in found if name > wanted)
        wanted = later[0] if later else None
    if wanted not in found:
        return "NONE"
    kind, value = found[wanted]
    return "\\n".join(("." + ".".join(map(str, wanted)), kind, str(value)))

while line := sys.stdin.readline():
    verb = line.strip()
    print("PONG" if verb == "PING" else answer(verb, sys.stdin.readline()), flush=True)
"""

ON_LINE: dict[str, tuple[str, int | str]] = {
    "1.1.0": ("string", "Example Mfg"),
    "2.1.0": ("integer", 2), "2.2.0": ("integer", 0), "2.3.0": ("integer", 25), "2.4.0": ("integer", 100),
    "2.5.0": ("integer", 547), "2.6.0": ("integer", -12), "2.7.0": ("integer", 24),
    "3.1.0": ("counter", 3), "3.2.0": ("integer", 1),
    "3.3.1.2.1": ("integer", 499), "3.3.1.3.1": ("integer", 231), "3.3.1.4.1": ("integer", 9),
    "3.3.1.5.1": ("integer", 190),
    "4.1.0": ("integer", 3), "4.2.0": ("integer", 500), "4.3.0": ("integer", 1),
    "4.4.1.2.1": ("integer", 230), "4.4.1.3.1": ("integer", 43), "4.4.1.4.1": ("integer", 610),
    "4.4.1.5.1": ("integer", 61),
    "6.1.0": ("gauge", 0), "7.3.0": ("integer", 6),
    "9.5.0": ("integer", 1600), "9.6.0": ("integer", 1000),
}  # fmt: skip


def alarm(row: int, number: int) -> dict[str, tuple[str, int | str]]:
    """A row of upsAlarmTable: a well-known alarm."""
    return {f"6.2.1.2.{row}": ("objectid", f".{UPS}6.3.{number}"), f"6.2.1.3.{row}": ("timeticks", 100 * row)}


class Snmpd:
    """`objects` maps OIDs below upsObjects to (type, value); `set` changes some, None takes one away.

    Reads with the community `community` and as the user `user` (version 3, SHA and AES).
    """

    community = "lookout"
    user, authentication, privacy = "onlooker", "authentic-words", "private-words"

    def __init__(self, folder: Path, *, serves: bool = True, host: str = "127.0.0.1") -> None:
        self.folder, self.host = folder, host
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind((host, 0))
            self.port = int(free.getsockname()[1])
        self._program = need("snmpd", "snmpd")
        self._process: Process | None = None
        self.objects = dict(ON_LINE)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "serve.py").write_text(SERVE)
        self._write()
        served = f"pass_persist .1.3.6.1.2.1.33 {sys.executable} {folder / 'serve.py'} {folder / 'objects.json'}"
        lines = [
            f"rocommunity {self.community}",
            f'createUser {self.user} SHA "{self.authentication}" AES "{self.privacy}"',
            f"rouser {self.user} priv",
            *([served] if serves else []),
        ]
        (folder / "snmpd.conf").write_text("\n".join([*lines, ""]))

    @property
    def address(self) -> str:
        """``host:port``."""
        return f"{self.host}:{self.port}"

    @property
    def secret3(self) -> str:
        """``user:authentication:privacy``."""
        return f"{self.user}:{self.authentication}:{self.privacy}"

    def set(self, **changed: tuple[str, int | str] | None) -> None:
        """``set(**{"4.1.0": ("integer", 5)})``, at once."""
        for oid, row in changed.items():
            if row is None:
                self.objects.pop(oid, None)
            else:
                self.objects[oid] = row
        self._write()

    def start(self) -> "Snmpd":
        """Start and wait until it listens."""
        log = self.folder / "log"
        log.unlink(missing_ok=True)
        words = [self._program, "-f", "-Lo", "-C", "-c", str(self.folder / "snmpd.conf"), f"udp:{self.address}"]
        # its identifier and the number of its starts live in this folder
        self._process = process = Process(
            words,
            log,
            {"SNMP_PERSISTENT_DIR": str(self.folder / "state"), "MIBS": "", "SNMPCONFPATH": str(self.folder)},
        )
        wait_until(
            lambda: process.popen.poll() is not None or "NET-SNMP version" in process.output,
            within_s=STARTS_S, what=f"snmpd listens on {self.port}",
        )  # fmt: skip
        if process.popen.poll() is not None:
            pytest.fail(f"snmpd ended:\n{process.output}")
        return self

    def kill(self) -> None:
        """SIGKILL."""
        if self._process is not None:
            self._process.end(signal.SIGKILL)
            self._process = None

    def _write(self) -> None:
        new = self.folder / "objects.new"
        new.write_text(json.dumps({UPS + oid: row for oid, row in self.objects.items()}))
        new.replace(self.folder / "objects.json")
