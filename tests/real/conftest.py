"""Fixtures that start real servers. A server that is not installed fails the test and says what to type."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from servers import HttpDevice, HttpReceiver, Mosquitto, SmtpReceiver, TlsFiles, Upsd, make_tls


@pytest.fixture(scope="session")
def tls_files(tmp_path_factory: pytest.TempPathFactory) -> TlsFiles:
    """A certificate authority, a server's and a client's certificate."""
    return make_tls(tmp_path_factory.mktemp("tls"))


@pytest.fixture
def mosquitto_factory(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers: ``mosquitto_factory(user=, password=, tls=, client_cert=, acl=, extra=, started=True)``."""
    made: list[Mosquitto] = []

    def make(*, started: bool = True, **options: Any) -> Mosquitto:
        broker = Mosquitto(tmp_path / f"broker{len(made)}", **options)
        made.append(broker)
        return broker.start() if started else broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def mosquitto(mosquitto_factory: Callable[..., Mosquitto]) -> Mosquitto:
    """A broker without passwords, running."""
    return mosquitto_factory()


@pytest.fixture
def upsd_factory(tmp_path: Path) -> Iterator[Callable[..., Upsd]]:
    """Makes UPS servers: ``upsd_factory(names=("one", "two"), started=True)``."""
    made: list[Upsd] = []

    def make(*, started: bool = True, **options: Any) -> Upsd:
        server = Upsd(tmp_path / f"ups{len(made)}", **options)
        made.append(server)
        return server.start() if started else server

    yield make
    for server in made:
        server.stop()


@pytest.fixture
def upsd(upsd_factory: Callable[..., Upsd]) -> Upsd:
    """A UPS server with the UPS "one", running, on line."""
    return upsd_factory()


@pytest.fixture
def http_receiver() -> Iterator[HttpReceiver]:
    """Takes notifications by HTTP."""
    receiver = HttpReceiver()
    yield receiver
    receiver.close()


@pytest.fixture
def smtp_receiver() -> Iterator[SmtpReceiver]:
    """Takes mail."""
    receiver = SmtpReceiver()
    yield receiver
    receiver.close()


@pytest.fixture
def http_device() -> Iterator[HttpDevice]:
    """A device that is polled."""
    device = HttpDevice()
    yield device
    device.close()
