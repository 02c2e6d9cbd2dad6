"""The whole daemon as a process of its own, with a generated configuration, driven from outside as devices do."""

import contextlib
import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from servers import free_port, wait_until

REPOSITORY = Path(__file__).resolve().parents[2]
NAMES = (
    "avocet", "bittern", "curlew", "dunlin", "eider", "fulmar",
    "gannet", "heron", "ibis", "jackdaw", "knot", "lapwing",
)  # fmt: skip

MAPPINGS = """
[mappings.panel]
via = "mqtt"
address = "works/{machine}/status"
interval_s = 2
[mappings.panel.values]
job = "/job"
progress = { pointer = "/percent", unit = "%" }
remaining_s = { pointer = "/left", unit = "min" }
bed_c = "/bed/now"
bed_target_c = "/bed/set"
[mappings.panel.values.state]
pointer = "/state"
words = { IDLE = "idle", RUN = ["heating", "printing"], HOLD = "paused", END = "done", ERROR = "fault" }

[mappings.plug]
via = "mqtt"
address = "plugs/{machine}"
interval_s = 2
[mappings.plug.values]
power_w = "/w"
energy_wh = "/wh"

[mappings.port]
via = "http"
address = "http://{host}/status"
interval_s = 1
[mappings.port.values]
state = { pointer = "/status", words = { ready = "idle", printing = ["heating", "printing"], finished = "done" } }
bed_c = "/bed"

[mappings.ups]
via = "ups"
address = "{ups}"
interval_s = 1
"""


def said(state: str, **values: object) -> str:
    """What a machine's panel publishes."""
    bed = {name: values.pop(f"bed_{name}") for name in ("now", "set") if f"bed_{name}" in values}
    return json.dumps({"state": state, **values, **({"bed": bed} if bed else {})})


class Shop:
    """A configuration in a folder, and the daemon that runs with it.

    `channels`: name: service URL; person `ann` has the first, `bram` the second. `machines`: name: what it uses.
    `extra` is appended to the configuration. The page takes the same port at every start.
    """

    def __init__(
        self,
        folder: Path,
        *,
        channels: dict[str, str] | None = None,
        broker_port: int | None = None,
        ups: dict[str, str] | None = None,
        machines: dict[str, str] | None = None,
        extra: str = "",
        data: Path | None = None,
    ) -> None:
        self.folder, self.port = folder, free_port()
        self.data = data or folder / "data"
        self.config = folder / "farmwatch.toml"
        self._log = folder / "log"
        self._process: subprocess.Popen[bytes] | None = None
        self._beside: list[subprocess.Popen[str]] = []
        folder.mkdir(parents=True, exist_ok=True)
        lines = [f'data_dir = "{self.data}"', '[site]\nname = "Saltmarsh Works"', f"[web]\nport = {self.port}"]
        if broker_port is not None:
            lines.append(f"[mqtt]\nport = {broker_port}")
        lines += ["[circuits]\nwest = { rating_a = 16 }", "[backups]"]
        lines += [
            f'{name} = {{ circuit = "west", rating_w = 600, battery_wh = 180, uses = ["ups"], '
            f'params = {{ ups = "{at}" }} }}'
            for name, at in (ups or {}).items()
        ]
        lines.append("[machines]")
        feed = f', backup = "{next(iter(ups))}"' if ups else ', circuit = "west"'
        lines += [f"{name} = {{ {uses}{feed} }}" for name, uses in (machines or {}).items()]
        for person, name in zip(("ann", "bram"), channels or {}, strict=False):
            lines += [f"[channels.{name}]", f'label = "{person}\'s {name}"', f"[people.{person}]"]
            lines += [f'channels = ["{name}"]', "quiet = []", "at_once = true"]  # a test may run at night
        self.config.write_text("\n".join([*lines, MAPPINGS, extra, ""]))
        secrets = folder / "secrets"
        secrets.mkdir(mode=0o700, exist_ok=True)
        for name, url in (channels or {}).items():
            (secrets / f"channel_{name}").write_text(url)
            (secrets / f"channel_{name}").chmod(0o600)

    # ---- life -----------------------------------------------------------------------------------------------------

    def start(self, *, within_s: float = 30.0, wrapper: Sequence[str] = (), **more: str) -> "Shop":
        """Start, below `wrapper` and with `more` in its environment, and wait until the page answers."""
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [*wrapper, sys.executable, "-m", "farmwatch", "run", "--config", str(self.config)],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment() | more,
            )  # fmt: skip
        process = self._process
        wait_until(lambda: process.poll() is not None or self.answers(), within_s=within_s, what="the page answers")
        assert process.poll() is None, f"the daemon ended with {process.returncode}:\n{self.log}"
        return self

    @property
    def pid(self) -> int:
        """Of the daemon that runs."""
        assert self._process is not None
        return self._process.pid

    def alive(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    def kill(self) -> None:
        """SIGKILL, in the middle of whatever it does."""
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait()
            self._process = None

    def stop(self, *, within_s: float = 12.0) -> tuple[int, float]:
        """SIGTERM: exit code and the seconds that it took."""
        assert self._process is not None
        began_s = time.monotonic()
        self._process.send_signal(signal.SIGTERM)
        code = self._process.wait(within_s)
        self._process = None
        return code, time.monotonic() - began_s

    @property
    def log(self) -> str:
        """What it has said so far, all its lives together."""
        return self._log.read_text(errors="replace")

    # ---- asking and saying ----------------------------------------------------------------------------------------

    @property
    def url(self) -> str:
        """Of the page, without a slash at the end."""
        return f"http://127.0.0.1:{self.port}"

    def answers(self) -> bool:
        """Whether the page is there."""
        with contextlib.suppress(OSError):
            return bool(self.get("/healthz"))
        return False

    def get(self, path: str) -> str:
        """Body of a GET."""
        with urllib.request.urlopen(self.url + path, timeout=5) as answer:  # noqa: S310  (the daemon's own page)
            return answer.read().decode()

    def view(self) -> dict:
        """The state of everything."""
        return json.loads(self.get("/api/v1/view"))

    def history(self, kind: str) -> list[dict]:
        """Notes of a kind, newest first."""
        return json.loads(self.get(f"/api/v1/history?kind={kind}&limit=1000"))["items"]

    def machine(self, name: str) -> dict:
        """One machine of the view."""
        return next(row for row in self.view()["machines"] if row["name"] == name)

    def source(self, name: str) -> dict:
        """One source of the view, by the end of its id or its address."""
        rows = self.view()["sources"]
        return next(row for row in rows if name in (row["id"], row["address"]))

    def standing(self) -> dict[str, str]:
        """Alarms by id with their state, but for those that have returned and only want to be seen."""
        return {alarm["id"]: alarm["state"] for alarm in self.view()["alarms"] if alarm["state"] != "returned"}

    def hears(self, devices: "Devices", machine: str) -> None:
        """Wait until what a machine publishes arrives; it publishes that it is idle."""

        def heard() -> bool:
            devices.say(machine, "IDLE")
            time.sleep(0.1)
            return self.machine(machine)["state"] != "unknown"

        wait_until(heard, within_s=15, what=f"{machine} is heard")

    def reaches(self, machine: str, state: str, *, within_s: float = 8.0) -> None:
        """Wait until a machine is in a state."""
        wait_until(
            lambda: self.machine(machine)["state"] == state, within_s=within_s, what=f"{machine} is {state}"
        )  # fmt: skip

    def press(self, **fields: str) -> int:
        """Send the page's form as a browser does; the status."""
        body = "&".join(f"{key}={value}" for key, value in fields.items()).encode()
        headers = {"Sec-Fetch-Site": "same-origin"}
        request = urllib.request.Request(f"{self.url}/say", data=body, headers=headers)  # noqa: S310  (same)
        opener = urllib.request.build_opener(_Stays)
        try:
            with opener.open(request, timeout=10) as answer:
                return answer.status
        except urllib.error.HTTPError as error:
            with error:
                return error.code

    def command(self, *words: str, timeout: float = 60.0) -> subprocess.CompletedProcess[str]:
        """A command of the command line with this configuration."""
        return subprocess.run(
            [sys.executable, "-m", "farmwatch", words[0], "--config", str(self.config), *words[1:]],
            capture_output=True, text=True, timeout=timeout, check=False, env=environment(),
        )  # fmt: skip

    def begin(self, *words: str) -> subprocess.Popen[str]:
        """A command that goes on in the background, at the longest until `close`."""
        process = subprocess.Popen(
            [sys.executable, "-m", "farmwatch", words[0], "--config", str(self.config), *words[1:]],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment(),
        )  # fmt: skip
        self._beside.append(process)
        return process

    def close(self) -> None:
        """Kill what still runs."""
        self.kill()
        for process in self._beside:
            process.kill()
            process.communicate()

    def journal(self, sql: str) -> list[tuple]:
        """Rows of the journal, read beside the daemon."""
        with contextlib.closing(sqlite3.connect(f"file:{self.data / 'journal.db'}?mode=ro", uri=True)) as db:
            return db.execute(sql).fetchall()


class _Stays(urllib.request.HTTPRedirectHandler):
    """Follows no redirect: a 303 is the answer."""

    def redirect_request(self, *_: object) -> None:
        return None


def environment() -> dict[str, str]:
    """Ours without any setting of Farmwatch."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("FARMWATCH")}
    kept.pop("PYTHONDONTWRITEBYTECODE", None)  # whoever sets it would measure the compiler at every start
    return kept | {"PYTHONPATH": str(REPOSITORY)}


class Devices:
    """One connection by which all devices publish."""

    def __init__(self, port: int, *, user: str = "", password: str = "") -> None:
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(1, 2)
        if user:
            self._client.username_pw_set(user, password)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def say(self, machine: str, state: str, **values: object) -> None:
        """A machine's panel publishes; at the broker when this returns."""
        self.publish(f"works/{machine}/status", said(state, **values))

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        """Any message."""
        wait_until(self._client.is_connected, within_s=30, what="the devices are connected (anew)")
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5)

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


def told(receiver) -> list[tuple[str, str]]:
    """(title, text) of every message that an HTTP receiver has taken."""
    docs = [json.loads(request.body) for request in list(receiver.requests)]
    return [(doc["title"], doc["message"]) for doc in docs]


def titles(receiver) -> list[str]:
    """Titles of every message that an HTTP receiver has taken."""
    return [title for title, _ in told(receiver)]


def waits_for(receiver, pattern: str, *, within_s: float) -> tuple[str, str]:
    """The message whose title matches, once it has come."""
    wait_until(
        lambda: any(re.search(pattern, title) for title in titles(receiver)),
        within_s=within_s, what=f"a message {pattern!r} among {titles(receiver)}",
    )  # fmt: skip
    return next(item for item in told(receiver) if re.search(pattern, item[0]))
