"""Real servers for tests: started in a folder of the test's own, on loopback, ended by process id.

A broker (Debian's mosquitto), a UPS server (Debian's nut-server with dummy-ups), HTTP devices that behave and
misbehave, a receiver of HTTP notifications and one of mail. None of them needs the event loop of the test:
processes or threads serve, so that synchronous tests and tests of whole programs can use them too.
"""

import asyncio
import contextlib
import functools
import getpass
import gzip
import os
import shutil
import signal
import socket
import ssl
import subprocess
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine, Sequence
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default as mail_policy
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from aiohttp import web
from paho.mqtt.enums import CallbackAPIVersion

STARTS_S = 10.0


def free_port() -> int:
    """A TCP port on loopback that nobody listens on now."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def need(program: str, package: str) -> str:
    """Path of a program; without it the test fails (it never skips) and says what to type."""
    places = [program] if program.startswith("/") else [program, f"/usr/sbin/{program}", f"/sbin/{program}"]
    for place in places:
        if found := shutil.which(place):
            return found
    pytest.fail(f"{program} is missing; type: sudo apt-get install -y {package}", pytrace=False)


def patient(within_s: float) -> float:
    """A limit of waiting for a computer that does other things too: what passes in time passes either way."""
    return min(3.0 * within_s, max(within_s, 120.0))


def wait_until(true: Callable[[], object], *, within_s: float, what: str) -> None:
    """Poll `true` until it holds; fails with `what` when it does not in time."""
    within_s = patient(within_s)
    end_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() > end_s:
            pytest.fail(f"not within {within_s:g} s: {what}")
        time.sleep(0.02)


def reason_of(port: int, user: str, topic: str, body: str = "{}", *, ca: str | None = None) -> int:
    """The broker's reason code for a publish at QoS 1 by a user (password: secret), or for its connection."""
    codes: list[int] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.username_pw_set(user, "secret")
    if ca is not None:
        client.tls_set_context(ssl.create_default_context(cafile=ca))
    client.on_connect = lambda c, _d, _f, code, _p: (
        codes.append(code.value) if code.is_failure else c.publish(topic, body, qos=1)
    )
    client.on_publish = lambda _c, _d, _m, code, _p: codes.append(code.value)
    client.connect("127.0.0.1", port)
    for _ in range(600):
        client.loop(0.05)
        if codes:
            break
    client.disconnect()
    return codes[0]


async def until(true: Callable[[], object], *, within_s: float, what: str) -> float:
    """Like `wait_until`, for a test on the event loop; the seconds that it took."""
    within_s = patient(within_s)
    began_s = time.monotonic()
    while not true():
        if time.monotonic() - began_s > within_s:
            pytest.fail(f"not within {within_s:g} s: {what}")
        await asyncio.sleep(0.01)
    return time.monotonic() - began_s


def listens(host: str, port: int) -> bool:
    """Whether somebody accepts connections there."""
    try:
        with socket.create_connection((host, port), timeout=0.5):
            return True
    except OSError:
        return False


class Process:
    """A child process with its output in a file."""

    def __init__(self, arguments: Sequence[str], log: Path, environment: dict[str, str] | None = None) -> None:
        self._log = log
        with log.open("ab") as out:
            self.popen = subprocess.Popen(
                arguments, stdin=subprocess.DEVNULL, stdout=out, stderr=out, env={**os.environ, **(environment or {})}
            )

    def end(self, sign: int = signal.SIGTERM, within_s: float = 5.0) -> None:
        """Send `sign` and wait; SIGKILL when that does not help."""
        if self.popen.poll() is None:
            self.popen.send_signal(sign)
            try:
                self.popen.wait(within_s)
            except subprocess.TimeoutExpired:
                self.popen.kill()
                self.popen.wait()

    @property
    def output(self) -> str:
        """What it has said so far."""
        return self._log.read_text(errors="replace")


# ---- certificates ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TlsFiles:
    """A certificate authority of the test's own, a server certificate for localhost and 127.0.0.1, a client's."""

    ca: Path
    server_cert: Path
    server_key: Path
    client_cert: Path
    client_key: Path

    def server_context(self) -> ssl.SSLContext:
        """For a server of the test's own."""
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(self.server_cert, self.server_key)
        return context


def make_tls(folder: Path) -> TlsFiles:
    """Have OpenSSL make them; valid for two days."""
    openssl = need("openssl", "openssl")
    folder.mkdir(parents=True, exist_ok=True)

    def run(*arguments: str) -> None:
        subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes")
    run("req", "-x509", *curve, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=test authority",
        "-addext", "keyUsage=critical,keyCertSign,cRLSign")  # fmt: skip
    for name, extension in (
        ("server", "subjectAltName=DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n"),
        ("client", "extendedKeyUsage=clientAuth\n"),
    ):
        (folder / f"{name}.ext").write_text(extension)
        run("req", *curve, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        run("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", f"{name}.ext", "-out", f"{name}.pem")  # fmt: skip
    return TlsFiles(*(folder / name for name in ("ca.pem", "server.pem", "server.key", "client.pem", "client.key")))


# ---- the broker -------------------------------------------------------------------------------------------------


class Mosquitto:
    """Debian's broker. `start`, `kill`, `stop`, `restart`, `publish`; keeps its port over restarts."""

    def __init__(
        self,
        folder: Path,
        *,
        user: str = "",
        password: str = "",
        tls: TlsFiles | None = None,
        client_cert: bool = False,
        acl: str = "",
        extra: str = "",
        port: int | None = None,
    ) -> None:
        self.folder, self.host, self.port = folder, "127.0.0.1", port or free_port()
        self.user, self.password, self.tls = user, password, tls
        self._client_cert = client_cert
        self._process: Process | None = None
        folder.mkdir(parents=True, exist_ok=True)
        self._program = need("mosquitto", "mosquitto")
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {'false' if user else 'true'}",
            "persistence false",
            "log_type all" if os.environ.get("MOSQUITTO_LOG") else "log_type error",
            "log_dest stderr",
        ]
        if os.geteuid() == 0:
            lines.insert(0, "user root")  # so that it may read the test's folder
        if user:
            passwords = folder / "passwords"
            passwords.touch(mode=0o600)
            subprocess.run(
                [need("mosquitto_passwd", "mosquitto"), "-b", str(passwords), user, password],
                check=True, capture_output=True,
            )  # fmt: skip
            lines.append(f"password_file {passwords}")
        if acl:
            (folder / "acl").write_text(acl)
            lines.append(f"acl_file {folder / 'acl'}")
        if tls is not None:
            lines += [f"cafile {tls.ca}", f"certfile {tls.server_cert}", f"keyfile {tls.server_key}"]
            lines.append(f"require_certificate {'true' if client_cert else 'false'}")
        (folder / "mosquitto.conf").write_text("\n".join([*lines, extra, ""]))

    def start(self) -> "Mosquitto":
        """Start and wait until it listens."""
        self._process = Process([self._program, "-c", str(self.folder / "mosquitto.conf")], self.folder / "log")
        process = self._process
        wait_until(
            lambda: process.popen.poll() is not None or listens(self.host, self.port),
            within_s=STARTS_S, what=f"mosquitto listens on {self.port}",
        )  # fmt: skip
        if process.popen.poll() is not None:
            pytest.fail(f"mosquitto ended:\n{process.output}")
        return self

    def kill(self) -> None:
        """SIGKILL: gone without a word."""
        self.stop(signal.SIGKILL)

    def stop(self, sign: int = signal.SIGTERM) -> None:
        """An orderly end."""
        if self._process is not None:
            self._process.end(sign)
            self._process = None

    def restart(self) -> None:
        """Kill and start again, with an empty memory (retained messages are lost)."""
        self.kill()
        self.start()

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False, qos: int = 1) -> None:
        """Publish one message and wait until the broker has it (QoS 1)."""
        self.publish_many([(topic, payload)], retain=retain, qos=qos)

    def publish_many(self, messages: Sequence[tuple[str, str | bytes]], *, retain: bool = False, qos: int = 1) -> None:
        """Publish messages in order over one connection."""
        from paho.mqtt import publish

        tls: Any = None
        if self.tls is not None:
            tls = {"ca_certs": str(self.tls.ca)}
            if self._client_cert:
                tls |= {"certfile": str(self.tls.client_cert), "keyfile": str(self.tls.client_key)}
        publish.multiple(
            [{"topic": topic, "payload": payload, "qos": qos, "retain": retain} for topic, payload in messages],
            hostname=self.host,
            port=self.port,
            auth={"username": self.user, "password": self.password} if self.user else None,
            tls=tls,
        )

    @property
    def output(self) -> str:
        """What it logged."""
        return (self.folder / "log").read_text(errors="replace")


# ---- the UPS server ---------------------------------------------------------------------------------------------

ON_LINE: dict[str, str] = {
    "ups.status": "OL",
    "battery.charge": "100",
    "battery.runtime": "1800",
    "ups.load": "25",
    "ups.realpower": "150",
    "input.voltage": "231.4",
}


class Upsd:
    """Debian's nut-server with one dummy-ups driver a name.

    `set_status("one", "OB DISCHRG", {"battery.charge": "80"})` changes what a driver says within about a second;
    `sequence("one", [(2, {"ups.status": "OL"}), (2, {"ups.status": "OB"})])` has it play a script once, each
    step for its whole seconds. `freeze_driver` gives `ERR DATA-STALE` after MAXAGE (2 s here), `kill_driver`
    `ERR DRIVER-NOT-CONNECTED`; `start_driver` mends both.
    """

    user, password = "watch", "secret-pw"

    def __init__(self, folder: Path, names: Sequence[str] = ("one",)) -> None:
        self.folder, self.host, self.port, self.names = folder, "127.0.0.1", free_port(), tuple(names)
        self._upsd = need("/lib/nut/upsd", "nut-server")
        self._driver = need("/lib/nut/dummy-ups", "nut-server")
        self._server: Process | None = None
        self._drivers: dict[str, Process] = {}
        self._values = {name: dict(ON_LINE) for name in names}
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)
        devices = "".join(
            f"[{name}]\n  driver = dummy-ups\n  port = {name}.dev\n  mode = dummy-once\n" for name in names
        )
        for file, text in (
            ("ups.conf", f"maxretry = 3\npollinterval = 1\n{devices}"),
            ("upsd.conf", f"LISTEN {self.host} {self.port}\nMAXAGE 2\n"),
            ("upsd.users", f"[{self.user}]\n  password = {self.password}\n  upsmon secondary\n"),
        ):
            (folder / file).write_text(text)
            (folder / file).chmod(0o600)
        for name in names:
            self._write(name, [(0, self._values[name])])

    def address(self, name: str) -> str:
        """``name@host:port``."""
        return f"{name}@{self.host}:{self.port}"

    def start(self) -> "Upsd":
        """Start the drivers that do not run, and the server."""
        for name in self.names:
            if name not in self._drivers:
                self.start_driver(name)
        self._server = self._run([self._upsd, "-u", getpass.getuser(), "-F"], "upsd.log")
        server = self._server
        wait_until(
            lambda: server.popen.poll() is not None or listens(self.host, self.port),
            within_s=STARTS_S, what=f"upsd listens on {self.port}",
        )  # fmt: skip
        if server.popen.poll() is not None:
            pytest.fail(f"upsd ended:\n{server.output}")
        for name in self.names:
            wait_until(lambda n=name: "OL" in self.ask(f"GET VAR {n} ups.status"), within_s=STARTS_S, what=f"{name} on")
        return self

    def ask(self, line: str) -> str:
        """The server's answer to one command, for the fixture's own use."""
        with socket.create_connection((self.host, self.port), timeout=2) as sock:
            sock.sendall(f"{line}\n".encode())
            return sock.recv(4096).decode()

    def set_status(self, name: str, status: str, values: dict[str, str] | None = None) -> None:
        """What the UPS says from now on (seen by the server within about a second)."""
        self._values[name] |= {"ups.status": status, **(values or {})}
        self._write(name, [(0, self._values[name])])

    def sequence(self, name: str, steps: Sequence[tuple[int, dict[str, str]]]) -> None:
        """Play steps of (whole seconds, values) once; the last one stays."""
        for _, values in steps:
            self._values[name] |= values
        self._write(name, steps)

    def start_driver(self, name: str) -> None:
        """Start one driver, or thaw it."""
        if name in self._drivers:
            self._drivers[name].popen.send_signal(signal.SIGCONT)
            return
        run = [self._driver, "-a", name, "-u", getpass.getuser(), "-F"]
        self._drivers[name] = self._run(run, f"{name}.log")
        wait_until((self.folder / f"dummy-ups-{name}").exists, within_s=STARTS_S, what=f"driver {name} is up")

    def freeze_driver(self, name: str) -> None:
        """SIGSTOP one driver: it lives and says nothing."""
        self._drivers[name].popen.send_signal(signal.SIGSTOP)

    def kill_driver(self, name: str) -> None:
        """SIGKILL one driver."""
        self._drivers.pop(name).end(signal.SIGKILL)
        (self.folder / f"dummy-ups-{name}").unlink(missing_ok=True)

    def kill(self) -> None:
        """SIGKILL the server; the drivers stay."""
        if self._server is not None:
            self._server.end(signal.SIGKILL)
            self._server = None

    def restart(self) -> None:
        """Kill the server and start it again."""
        self.kill()
        self.start()

    def stop(self) -> None:
        """End all."""
        self.kill()
        for name in list(self._drivers):
            self.kill_driver(name)

    def _run(self, arguments: Sequence[str], log: str) -> Process:
        folder = str(self.folder)
        names = ("NUT_CONFPATH", "NUT_STATEPATH", "NUT_ALTPIDPATH")
        return Process(arguments, self.folder / log, dict.fromkeys(names, folder))

    def _write(self, name: str, steps: Sequence[tuple[int, dict[str, str]]]) -> None:
        lines: list[str] = []
        for seconds, values in steps:
            lines += [f"{key}: {value}" for key, value in values.items()]
            if seconds:
                lines.append(f"TIMER {seconds}")
        new = self.folder / f"{name}.new"
        new.write_text("\n".join([*lines, ""]))
        new.replace(self.folder / f"{name}.dev")


# ---- servers in a thread ------------------------------------------------------------------------------------------


class LoopThread:
    """An event loop in a thread, for servers of the test's own."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="test servers", daemon=True)
        self._thread.start()

    def call(self, work: Coroutine[Any, Any, Any]) -> Any:
        """Run a coroutine there and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(STARTS_S)

    def close(self) -> None:
        """Cancel what runs there and end it."""
        with contextlib.suppress(Exception):
            self.call(self._cancel_all())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()

    async def _cancel_all(self) -> None:
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)


class WebThread:
    """An aiohttp application on a free port of loopback."""

    def __init__(self, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]) -> None:
        self.host, self.port = "127.0.0.1", free_port()
        self._handler = handler
        self._loop = LoopThread()
        self._runner: web.ServerRunner | None = None
        self.start()

    @property
    def url(self) -> str:
        """Without a slash at the end."""
        return f"http://{self.host}:{self.port}"

    def start(self) -> None:
        """Listen, on the same port after a `stop`."""
        self._loop.call(self._start())

    def stop(self) -> None:
        """Listen no more; connections are closed."""
        self._loop.call(self._stop())

    def close(self) -> None:
        """End for good."""
        self.stop()
        self._loop.close()

    async def _start(self) -> None:
        self._runner = web.ServerRunner(web.Server(self._handler, handler_cancellation=True), shutdown_timeout=0.1)
        await self._runner.setup()
        await web.TCPSite(self._runner, self.host, self.port, reuse_address=True).start()

    async def _stop(self) -> None:
        if self._runner is not None:
            await self._runner.cleanup()
            self._runner = None


@dataclass(frozen=True)
class Received:
    """A request that came in."""

    at_s: float  # time.monotonic()
    method: str
    path: str  # with the query
    headers: dict[str, str]
    body: bytes


@dataclass
class Answer:
    """What a receiver answers; a `status` of 0 closes the connection without a word."""

    status: int = 200
    body: bytes = b"ok"
    headers: dict[str, str] = field(default_factory=dict)
    delay_s: float = 0.0


class HttpReceiver:
    """Takes notifications by HTTP. `requests` lists them; `script` holds answers to come, `always` the rest."""

    def __init__(self) -> None:
        self.requests: list[Received] = []
        self.script: deque[Answer] = deque()
        self.always = Answer()
        self._server = WebThread(self._take)
        self.host, self.port, self.url = self._server.host, self._server.port, self._server.url
        self.start, self.stop, self.close = self._server.start, self._server.stop, self._server.close

    def answer(self, *answers: Answer) -> None:
        """Answer the next requests so, in this order."""
        self.script.extend(answers)

    def wait(self, count: int, *, within_s: float = 5.0) -> list[Received]:
        """Wait until `count` requests have come."""
        wait_until(lambda: len(self.requests) >= count, within_s=within_s, what=f"{count} requests received")
        return self.requests

    async def _take(self, request: web.BaseRequest) -> web.StreamResponse:
        body = await request.read()
        answer = self.script.popleft() if self.script else self.always
        self.requests.append(Received(time.monotonic(), request.method, request.path_qs, dict(request.headers), body))
        await asyncio.sleep(answer.delay_s)
        if answer.status == 0:
            if request.transport is not None:
                request.transport.abort()
            return web.Response()
        return web.Response(status=answer.status, body=answer.body, headers=answer.headers)


class SmtpReceiver:
    """Takes mail. `mails` lists parsed messages; `refuse` makes the next ones fail with that reply."""

    def __init__(self) -> None:
        from aiosmtpd.controller import Controller

        self.mails: list[EmailMessage] = []
        self.refuse: deque[str] = deque()
        self.host, self.port = "127.0.0.1", free_port()
        self._controller = Controller(self, hostname=self.host, port=self.port)
        self._controller.start()

    async def handle_DATA(self, server: object, session: object, envelope: Any) -> str:  # noqa: N802  (aiosmtpd's name)
        """A mail has come."""
        if self.refuse:
            return self.refuse.popleft()
        content = envelope.content if isinstance(envelope.content, bytes) else envelope.content.encode()
        mail = BytesParser(policy=mail_policy).parsebytes(content)
        self.mails.append(mail)  # type: ignore[arg-type]
        return "250 OK"

    def wait(self, count: int, *, within_s: float = 5.0) -> list[EmailMessage]:
        """Wait until `count` mails have come."""
        wait_until(lambda: len(self.mails) >= count, within_s=within_s, what=f"{count} mails received")
        return self.mails

    def close(self) -> None:
        """End it."""
        self._controller.stop()


@contextlib.asynccontextmanager
async def peer(
    talk: Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]], **options: Any
) -> AsyncIterator[int]:
    """A TCP server on the test's own loop that speaks as `talk` does; its port. All is closed at the end."""
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        with contextlib.suppress(OSError, asyncio.CancelledError):
            await talk(reader, writer)
        writer.transport.abort()
        tasks.discard(task)

    server = await asyncio.start_server(serve, "127.0.0.1", 0, **options)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks)


# ---- HTTP devices ---------------------------------------------------------------------------------------------

MIB = 1024 * 1024


@functools.cache
def bomb() -> bytes:
    """50 MiB of nothing in 50 kB of gzip."""
    return gzip.compress(bytes(50 * MIB))


class HttpDevice:
    """A device that is polled, well or badly behaved by path.

    ``/status`` answers `body`; ``/hang`` never; ``/drip`` a byte now and then; ``/huge`` 100 MiB with its length;
    ``/endless`` without; ``/bomb`` 50 kB of gzip that are 50 MiB; ``/gzip`` `body` compressed; ``/again/N``
    redirects N times, then ``/status``; ``/loop`` for ever; ``/to?URL`` to anywhere; ``/code/N`` status N;
    ``/abort`` closes in mid-answer; ``/secret`` wants `authorization`.
    """

    def __init__(self) -> None:
        self.body: bytes = b'{"power_w": 42.0}'
        self.authorization = "Bearer let-me-in"
        bomb()  # made before anybody waits for it
        self.requests: list[Received] = []
        self.most_at_once: dict[str, int] = {}
        self._in_flight: dict[str, int] = {}
        self._server = WebThread(self._serve)
        self.host, self.port, self.url = self._server.host, self._server.port, self._server.url
        self.start, self.stop, self.close = self._server.start, self._server.stop, self._server.close

    def count(self, path: str) -> int:
        """How many requests this path has had."""
        return sum(1 for request in list(self.requests) if request.path.split("?")[0] == path)

    async def _serve(self, request: web.BaseRequest) -> web.StreamResponse:
        path = request.path
        self.requests.append(Received(time.monotonic(), request.method, request.path_qs, dict(request.headers), b""))
        self._in_flight[path] = self._in_flight.get(path, 0) + 1
        self.most_at_once[path] = max(self.most_at_once.get(path, 0), self._in_flight[path])
        try:
            return await self._answer(request, path.strip("/").split("/"))
        finally:
            self._in_flight[path] -= 1

    async def _answer(self, request: web.BaseRequest, words: list[str]) -> web.StreamResponse:
        match words:
            case ["hang"]:
                await asyncio.sleep(3600)
            case ["drip"]:
                return await self._stream(request, b" ", 100_000, pause_s=0.1)
            case ["endless"]:
                return await self._stream(request, b" " * 65_536, 1_600)
            case ["huge"]:
                return await self._stream(request, b" " * 65_536, 1_600, {"Content-Length": str(100 * MIB)})
            case ["bomb"]:
                return web.Response(body=bomb(), headers={"Content-Encoding": "gzip"})
            case ["gzip"]:
                return web.Response(body=gzip.compress(self.body), headers={"Content-Encoding": "gzip"})
            case ["again", count]:
                raise web.HTTPFound(f"/again/{int(count) - 1}" if int(count) > 1 else "/status")
            case ["loop"]:
                raise web.HTTPFound("/loop")
            case ["to"]:
                raise web.HTTPFound(request.query_string)
            case ["code", status]:
                return web.Response(status=int(status), reason="<script>")
            case ["abort"]:
                await self._stream(request, b"x", 1, {"Content-Length": "100"})
            case ["secret"] if request.headers.get("Authorization") != self.authorization:
                return web.Response(status=401)
            case _:
                pass
        return web.Response(body=self.body, content_type="application/json")

    async def _stream(
        self,
        request: web.BaseRequest,
        piece: bytes,
        count: int,
        headers: dict[str, str] | None = None,
        pause_s: float = 0.0,
    ) -> web.StreamResponse:
        answer = web.StreamResponse(headers=headers)
        await answer.prepare(request)
        with contextlib.suppress(ConnectionError):
            for _ in range(count):
                await answer.write(piece)
                if pause_s:
                    await asyncio.sleep(pause_s)
        if headers is not None and request.transport is not None:
            request.transport.close()
        return answer
