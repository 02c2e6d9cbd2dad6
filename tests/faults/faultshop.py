"""The whole daemon for fault rows: a canary in every secret field, and what must hold whatever happens to it."""

import base64
import contextlib
import http.client
import json
import re
import urllib.error
import urllib.request
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urlencode

import pytest
from canary import CANARY, found
from servers import free_port
from whole import Shop

BROKER_PASSWORD = f"broker-{CANARY}"
BY_HAND = pytest.mark.by_hand
"""Takes long: collected with FARMWATCH_LONG=1 only (tests/conftest.py). Its row has shorter tests too."""
PANEL = 'uses = ["panel"]'
PLUG = 'uses = ["plug"]'
RISE_MIB = 64.0
"""By how much a fault may let the daemon grow; the base is what it has once its page answers."""

MORE_MAPPINGS = """
[mappings.pushed]
via = "push"
address = "/push/{machine}"
interval_s = 60
[mappings.pushed.values]
state = { pointer = "/status", words = { ready = "idle", printing = ["heating", "printing"], finished = "done" } }
"""

EVERYTHING = """
[mappings.card]
via = "snmp"
address = "{{host}}"

[influx]
url = "http://127.0.0.1:{influx}"
org = "saltmarsh"
bucket = "farm"

[actions.hold]
kind = "pause"
via = "http"
address = "http://127.0.0.1:{act}/{{machine}}/hold"
"""

BAD_WORDS = re.compile(
    r"Traceback|exception was never retrieved|never awaited|Unclosed|has failed|unhandled exception", re.IGNORECASE
)


class FaultShop(Shop):
    """A `Shop` with secrets. `everything`: every kind of secret there is, SNMP, the database and actions included.

    Attributes:
        over: the test has ended it on purpose; only what is left behind is checked.
        sick: /healthz is right to say that all is not well.
        messages: receivers of what the shop sends; searched for the canary as well.
    """

    def __init__(self, folder, *, phone=None, heartbeat=None, everything=False, extra="", machines=None, **options):
        self.over = self.sick = False
        self.excused = re.compile(r"(?!)")
        self.base_mib, self._cookie = 0.0, ""
        self.messages = [phone] if phone is not None else []
        channels = None
        if phone is not None:
            channels = {"phone": f"json://{phone.host}:{phone.port}/{CANARY}"}
        more = EVERYTHING.format(influx=free_port(), act=free_port()) if everything else ""
        super().__init__(
            folder, channels=channels, machines=machines, extra=f"{MORE_MAPPINGS}\n{more}\n{extra}", **options
        )
        text = self.config.read_text()
        self.config.write_text(text.replace("[mqtt]\n", '[mqtt]\nuser = "farmwatch"\n', 1))
        kept = {"mqtt_password": BROKER_PASSWORD, "act_password": f"act-{CANARY}"}
        kept |= {name: f"{name}-{CANARY}" for name in ("push_token", "web_password", "look_password")}
        kept["http_port"] = "Basic " + base64.b64encode(f"u:{CANARY}".encode()).decode()
        if everything:
            kept |= {"influx_token": f"influx-{CANARY}", "act_hold": f"Bearer act-{CANARY}"}
        if heartbeat is not None:
            kept["heartbeat_url"] = f"{heartbeat.url}/beat/{CANARY}"
        if "[mqtt]" not in text:
            del kept["mqtt_password"]
        for name, secret in kept.items():
            self.keep(name, secret)

    def keep(self, name: str, secret: str) -> None:
        """Write a secret."""
        file = self.folder / "secrets" / name
        file.write_text(secret)
        file.chmod(0o600)

    def start(self, **options):
        super().start(**options)
        self._cookie = self._cookie or self._sign_in()
        self.base_mib = self.rss_mib()
        return self

    # ---- asking, with the token of the command line, for the page has a password ----

    def _headers(self) -> dict[str, str]:
        """The command line's token, and the cookie of whoever has signed in to the page."""
        with contextlib.suppress(OSError):
            return {"Authorization": f"Bearer {(self.data / 'api_token').read_text().strip()}", "Cookie": self._cookie}
        return {}

    def _sign_in(self) -> str:
        form = urlencode({"password": f"web_password-{CANARY}"}).encode()
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        with contextlib.closing(connection):
            kind = {"Content-Type": "application/x-www-form-urlencoded", "Sec-Fetch-Site": "same-origin"}
            connection.request("POST", "/sign-in", form, kind)
            answer = connection.getresponse()
            assert answer.status == HTTPStatus.SEE_OTHER, (answer.status, answer.read())
            return answer.headers["Set-Cookie"].partition(";")[0]

    def get(self, path: str) -> str:
        request = urllib.request.Request(self.url + path, headers=self._headers())  # noqa: S310  (our own page)
        with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310  (same)
            return answer.read().decode()

    def post(self, path: str, body: bytes, headers: dict[str, str] | None = None) -> tuple[int, str]:
        """Status and body of a POST; errors are answers."""
        request = urllib.request.Request(self.url + path, data=body, headers=headers or {})  # noqa: S310  (same)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310  (same)
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()

    def press(self, **fields: str) -> int:
        headers = self._headers() | {"Content-Type": "application/json"}
        return self.post("/api/v1/say", json.dumps(fields).encode(), headers)[0]

    def health(self) -> tuple[int, str]:
        """Status and words of /healthz; (0, why) where nobody answers."""
        request = urllib.request.Request(self.url + "/healthz")  # noqa: S310  (same)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310  (same)
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()
        except OSError as error:
            return 0, str(error)

    def rss_mib(self) -> float:
        """Memory of the daemon, now."""
        text = Path(f"/proc/{self.pid}/status").read_text()
        return int(re.search(r"^VmRSS:\s+(\d+)", text, re.MULTILINE)[1]) / 1024

    def titles(self) -> list[str]:
        """Titles of every message that the brain has written."""
        rows = self.journal("SELECT doc FROM message ORDER BY rowid")
        return [json.loads(doc)["title"] for (doc,) in rows]

    # ---- what must hold ----

    def outputs(self):
        """(where, what) of everything that this daemon has put out."""
        yield "log", self.log
        for receiver in self.messages:
            for request in list(receiver.requests):
                yield "a message", request.body
        for path in sorted(self.data.rglob("*")):
            if path.is_file():
                yield path.name, path.read_bytes()
        if not self.alive():
            return
        yield "the command line", Path(f"/proc/{self.pid}/cmdline").read_bytes()
        for path in ("/", "/api/v1/view", "/metrics", "/healthz", "/readyz", "/api/v1/history?limit=1000", "/alarms",
                     "/wall", "/shop", "/openapi.json", "/sign-in"):  # fmt: skip
            request = urllib.request.Request(self.url + path, headers=self._headers())  # noqa: S310  (our own page)
            answered = _asked(request)
            assert answered[0] in (HTTPStatus.OK, HTTPStatus.NOT_FOUND) or self.sick, (path, answered)
            yield path, answered[1]

    def keeps_its_promises(self) -> None:
        """Alive, nothing unhandled, nothing secret out, healthy as it says, not swollen. Then it stops in order."""
        leaks = [leak for where, what in self.outputs() for leak in found(where, what)]
        assert not leaks, "\n".join(leaks)
        bad = [line for line in self.log.splitlines() if BAD_WORDS.search(line) and not self.excused.search(line)]
        assert not bad, "\n".join([*bad, self.log[-3000:]])
        if self.over or self._process is None:
            return
        assert self.alive(), self.log[-2000:]
        status, words = self.health()
        if not self.sick:
            assert status == HTTPStatus.OK, words
            assert json.loads(words)["status"] == "ok"
        rise = self.rss_mib() - self.base_mib
        assert rise <= RISE_MIB, f"{rise:.0f} MiB more than at the start"
        assert self.stop()[0] == 0, self.log[-2000:]
        assert not found("log", self.log)


def _asked(request: urllib.request.Request) -> tuple[int, bytes]:
    try:
        with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310  (our own page)
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read()


__all__ = ["BROKER_PASSWORD", "BY_HAND", "CANARY", "PANEL", "PLUG", "FaultShop"]
