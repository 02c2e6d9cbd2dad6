"""RFC 9271 against Debian's nut-server with scripted units, and against servers that hang, lie and switch to TLS."""

import asyncio
import contextlib
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
import trustme
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat, load_pem_private_key
from cryptography.x509 import load_pem_x509_certificate
from servers import free_port, peer, until

from farmwatch.clock import SteadyClock
from farmwatch.sources import ups as module
from farmwatch.sources.ups import UpsConfig, UpsPeer, UpsSource
from farmwatch.wire.upsproto import read_variables
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import Failed, Link, Raw

pytestmark = pytest.mark.real


class Running:
    def __init__(self, peers, interval_s):
        self.got = []
        self.source = UpsSource(UpsConfig(tuple(peers), interval_s))
        self.task = asyncio.create_task(self.source.run(self.got.append, SteadyClock()))

    def of(self, kind, address=None):
        return [item for item in self.got if isinstance(item, kind) and address in (None, item.address)]

    @property
    def statuses(self):
        """Statuses in order, repetitions left out."""
        seen = []
        for raw in self.of(Raw):
            status = read_variables(raw.body)["ups.status"]
            if seen[-1:] != [status]:
                seen.append(status)
        return seen


@contextlib.asynccontextmanager
async def running(*peers, interval_s=0.3):
    run = Running(peers, interval_s)
    try:
        yield run
    finally:
        began_s = time.monotonic()
        run.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await run.task
        assert time.monotonic() - began_s < 2


async def test_reply_is_passed_on_whole(upsd):
    address = upsd.address("one")
    async with running(UpsPeer(address)) as run:
        await until(lambda: len(run.of(Raw)) >= 2, within_s=3, what="two replies")
    assert run.got[0][1:] == ("ups", address, True)
    raw = run.of(Raw)[0]
    assert (raw.via, raw.address, raw.retained) == ("ups", address, False)
    lines = raw.body.decode().splitlines()
    assert lines[0] == "BEGIN LIST VAR one"
    assert lines[-1] == "END LIST VAR one"
    assert 'VAR one battery.runtime "1800"' in lines
    values = read_variables(raw.body, "one")
    assert (values["ups.status"], values["battery.charge"], values["input.voltage"]) == ("OL", "100", "231.4")


async def test_scripted_outage(upsd):
    async with running(UpsPeer(upsd.address("one"))) as run:
        await until(lambda: run.statuses == ["OL"], within_s=3, what="on line")
        upsd.sequence(
            "one",
            [
                (2, {"ups.status": "OB DISCHRG", "battery.charge": "60"}),
                (2, {"ups.status": "OB LB DISCHRG", "battery.charge": "18"}),
                (1, {"ups.status": "OL CHRG", "battery.charge": "19"}),
            ],
        )
        await until(lambda: len(run.statuses) >= 4, within_s=12, what="the outage and its end")
    assert run.statuses == ["OL", "OB DISCHRG", "OB LB DISCHRG", "OL CHRG"]
    assert run.of(Failed) == []
    low = next(raw for raw in run.of(Raw) if b"OB LB" in raw.body)
    assert read_variables(low.body)["battery.charge"] == "18"


async def test_stale_and_driver_gone_and_back(upsd):
    address = upsd.address("one")
    async with running(UpsPeer(address)) as run:
        await until(lambda: run.of(Raw), within_s=3, what="a reply")
        upsd.freeze_driver("one")
        await until(lambda: run.of(Failed), within_s=12, what="stale")
        assert run.of(Failed)[0].address == address
        assert run.of(Failed)[0].error.startswith("DATA-STALE: the server gets no fresh data")
        upsd.start_driver("one")
        count = len(run.of(Raw))
        await until(lambda: len(run.of(Raw)) > count, within_s=8, what="fresh again")
        upsd.kill_driver("one")
        await until(lambda: run.of(Failed)[-1].error.startswith("DRIVER-NOT-CONNECTED"), within_s=8, what="driver gone")
        assert [link.connected for link in run.of(Link)] == [True]  # the server itself was there all the time


async def test_server_killed_and_started_again(upsd_factory):
    upsd = upsd_factory(names=("one", "two"))
    one, two = upsd.address("one"), upsd.address("two")
    async with running(UpsPeer(one), UpsPeer(two)) as run:
        await until(lambda: run.of(Raw, two), within_s=3, what="both")
        upsd.kill()
        await until(lambda: run.of(Failed, one) and run.of(Failed, two), within_s=2, what="both failed")
        assert "closed the connection" in run.of(Failed)[0].error
        assert [link.connected for link in run.of(Link, two)] == [True, False]
        first_s = run.of(Failed, one)[0].at_s
        await until(lambda: run.of(Failed, one)[-1].at_s > first_s, within_s=2.5, what="R6: a retry within 2 s")
        assert "refused" in run.of(Failed, one)[-1].error
        upsd.start()
        count = len(run.of(Raw, two))
        await until(lambda: len(run.of(Raw, two)) > count, within_s=20, what="back")
        assert [link.connected for link in run.of(Link, one)] == [True, False, True]


async def test_units_of_a_server_share_a_connection(upsd_factory):
    upsd = upsd_factory(names=("one", "two", "three"))
    peers = [UpsPeer(upsd.address(name)) for name in upsd.names]
    peers.append(UpsPeer(upsd.address("nobody")))
    async with running(*peers) as run:
        await until(lambda: len(run.of(Failed)) >= 2, within_s=4, what="the unknown one, twice")
        assert len(run.source._servers) == 1
        for name in upsd.names:
            assert f'VAR {name} ups.status "OL"'.encode() in run.of(Raw, upsd.address(name))[0].body
        assert {item.address for item in run.of(Failed)} == {upsd.address("nobody")}
        assert run.of(Failed)[0].error == "UNKNOWN-UPS: the server knows no unit of this name"


async def test_login(upsd):
    address = upsd.address("one")
    async with running(UpsPeer(address, upsd.user, upsd.password)) as run:
        await until(lambda: run.of(Raw), within_s=3, what="a reply after the login")
    assert "canary" not in repr(UpsPeer(address, "u", "canary-5"))
    assert "canary" not in repr(UpsSource(UpsConfig((UpsPeer(address, "u", "canary-5"),)))._servers)


async def test_starttls_that_the_server_cannot_do(upsd):
    """Debian's server without a certificate: FEATURE-NOT-CONFIGURED (RFC 9271, section 4.2.12)."""
    async with running(UpsPeer(upsd.address("one"), starttls="verified")) as run:
        await until(lambda: run.of(Failed), within_s=3, what="a failure")
    assert run.of(Failed)[0].error.startswith("FEATURE-NOT-CONFIGURED")
    assert run.of(Raw) == []


# ---- servers of our own --------------------------------------------------------------------------------------------

LIST = b'BEGIN LIST VAR one\nVAR one ups.status "OL"\nEND LIST VAR one\n'


def scripted(answers):
    """Answers each command line by pattern; what has no answer is never answered."""

    async def talk(reader, writer):
        while line := await reader.readline():
            for pattern, answer in answers.items():
                if re.fullmatch(pattern, line.decode().strip()):
                    writer.write(answer)
                    await writer.drain()

    return talk


async def test_starttls(tls_files):
    """A server of our own, which sees what is said inside."""
    seen = []

    async def talk(reader, writer):
        seen.append(await reader.readline())
        writer.write(b"OK STARTTLS\n")
        await writer.start_tls(tls_files.server_context())
        for answer in (b"OK\n", b"OK\n"):
            seen.append(await reader.readline())
            writer.write(answer)
        while line := await reader.readline():
            seen.append(line)
            writer.write(LIST)

    async with peer(talk) as port:
        address = f"one@localhost:{port}"
        options = {"user": "watch", "password": "pw", "starttls": "verified"}
        async with running(UpsPeer(address, ca_file=str(tls_files.ca), **options)) as run:
            await until(lambda: len(run.of(Raw)) >= 2, within_s=4, what="replies inside TLS")
        assert seen[:4] == [b"STARTTLS\n", b"USERNAME watch\n", b"PASSWORD pw\n", b"LIST VAR one\n"]
        async with running(UpsPeer(address, **options)) as run:
            await until(lambda: run.of(Failed), within_s=4, what="a failure")
        assert "certificate is not trusted" in run.of(Failed)[0].error
        async with running(UpsPeer(address, **(options | {"starttls": "i_know"}))) as run:
            await until(lambda: run.of(Raw), within_s=4, what="a reply")


@pytest.fixture
def tls_upsd(upsd_factory, tmp_path):
    """Debian's server with a certificate, and the file of its authority. It is built on NSS and wants a database."""
    authority = trustme.CA(key_type=trustme.KeyType.RSA)
    issued = authority.issue_cert("localhost", key_type=trustme.KeyType.RSA)
    key = load_pem_private_key(issued.private_key_pem.bytes(), None)
    cert = load_pem_x509_certificate(issued.cert_chain_pems[0].bytes())
    modulus = key.public_key().public_numbers().n
    parts = {
        "key.der": key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption()),
        "cert.der": cert.public_bytes(Encoding.DER),
        "public.der": modulus.to_bytes((modulus.bit_length() + 7) // 8, "big"),
    }
    for name, data in parts.items():
        (tmp_path / name).write_bytes(data)
    database = tmp_path / "nss"
    database.mkdir(mode=0o700)
    tool = Path(__file__).with_name("nss.py")
    files = [str(tmp_path / name) for name in parts]
    subprocess.run([sys.executable, tool, database, "upsd", "nss-pw", *files], check=True, timeout=20)
    server = upsd_factory(started=False)
    with (server.folder / "upsd.conf").open("a") as file:
        file.write(f'CERTPATH {database}\nCERTIDENT "upsd" "nss-pw"\n')
    server.start()
    authority.cert_pem.write_to_path(str(tmp_path / "authority.pem"))
    return server, str(tmp_path / "authority.pem")


async def test_starttls_with_debian_s_server(tls_upsd):
    server, ca_file = tls_upsd
    address = f"one@localhost:{server.port}"
    login = {"user": server.user, "password": server.password}
    async with running(UpsPeer(address, starttls="verified", ca_file=ca_file, **login)) as run:
        await until(lambda: len(run.of(Raw)) >= 2, within_s=6, what="replies inside TLS")
        server.set_status("one", "OB DISCHRG", {"battery.charge": "80"})
        await until(lambda: run.statuses[-1] == "OB DISCHRG", within_s=6, what="on battery")
    assert not run.of(Failed)
    async with running(UpsPeer(address, starttls="verified")) as run:
        await until(lambda: run.of(Failed), within_s=4, what="a failure")
    assert "certificate is not trusted" in run.of(Failed)[0].error
    async with running(UpsPeer(address, starttls="i_know")) as run:
        await until(lambda: run.of(Raw), within_s=4, what="a reply")


async def test_plain_text_slipped_in_before_tls_is_refused():
    async def talk(reader, writer):
        await reader.readline()
        writer.write(b"OK STARTTLS\n" + LIST)
        await asyncio.sleep(5)

    async with peer(talk) as port, running(UpsPeer(f"one@127.0.0.1:{port}", starttls="i_know")) as run:
        await until(lambda: run.of(Failed), within_s=4, what="a failure")
        assert "plain text after the switch to TLS" in run.of(Failed)[0].error


async def test_wrong_login_in_clear_words():
    answers = {"USERNAME .*": b"OK\n", "PASSWORD .*": b"ERR INVALID-PASSWORD\n"}
    async with peer(scripted(answers)) as port:
        async with running(UpsPeer(f"one@127.0.0.1:{port}", "watch", "canary-8")) as run:
            await until(lambda: run.of(Failed), within_s=4, what="a failure")
        assert run.of(Failed)[0].error == (
            "INVALID-PASSWORD: the server refuses the login; check the secret ups_<backup>"
        )


async def test_silent_server(monkeypatch):
    monkeypatch.setattr(module, "ANSWER_S", 0.5)
    async with peer(scripted({})) as port, running(UpsPeer(f"one@127.0.0.1:{port}")) as run:
        await until(lambda: len(run.of(Failed)) >= 2, within_s=6, what="two failures")
        assert run.of(Failed)[0].error == "no answer from the server within 0.5 s"
        assert [link.connected for link in run.of(Link)] == [True, False, True, False]


async def test_garbage_costs_the_connection_and_nothing_else():
    talks = []

    async def talk(reader, writer):
        talks.append(1)
        await reader.readline()
        writer.write(b"x" * 1_000_000 if len(talks) == 1 else b"\x00\xff garbage\n" if len(talks) == 2 else LIST)
        await writer.drain()
        await asyncio.sleep(5)

    async with peer(talk) as port, running(UpsPeer(f"one@127.0.0.1:{port}")) as run:
        await until(lambda: run.of(Raw), within_s=9, what="a good reply in the end")
        assert len(run.of(Failed)) == 2
        assert "4096" in run.of(Failed)[0].error


async def test_one_unit_that_talks_garbage_does_not_silence_the_others():
    answers = {"LIST VAR one": LIST, "LIST VAR bad": b'VAR "\n', "LIST VAR two": LIST.replace(b"one", b"two")}
    async with peer(scripted(answers)) as port:
        places = [f"{name}@127.0.0.1:{port}" for name in ("one", "bad", "two")]
        async with running(*map(UpsPeer, places), interval_s=0.2) as run:
            await until(lambda: len(run.of(Raw, places[2])) >= 4, within_s=6, what="the one after the bad one")
            assert len(run.of(Raw, places[0])) >= 4
            assert {item.address for item in run.of(Failed)} == {places[1]}
            assert [link.connected for link in run.of(Link, places[0])] == [True]


async def test_reply_byte_by_byte():
    async def talk(reader, writer):
        await reader.readline()
        for byte in LIST.replace(b"\n", b"\r\n"):
            writer.write(bytes([byte]))
            await writer.drain()
            await asyncio.sleep(0.001)
        await asyncio.sleep(5)

    async with peer(talk) as port, running(UpsPeer(f"one@127.0.0.1:{port}")) as run:
        await until(lambda: run.of(Raw), within_s=4, what="a reply")
        assert read_variables(run.of(Raw)[0].body) == {"ups.status": "OL"}


async def test_one_server_that_hangs_does_not_delay_another(upsd):
    async with peer(scripted({})) as port:
        bad = [
            UpsPeer(f"one@127.0.0.1:{port}"),
            UpsPeer(f"one@127.0.0.1:{free_port()}"),
            UpsPeer("one@nowhere.invalid"),
        ]
        async with running(UpsPeer(upsd.address("one")), *bad, interval_s=0.2) as run:
            await asyncio.sleep(3)
            assert len(run.of(Raw)) >= 12


@pytest.mark.parametrize("address", ["", "@host", "one@host:0", "one@host:99999", "one two@host", "one@host:x"])
def test_address_that_cannot_be_read(address):
    with pytest.raises(ConfigError, match="address of a UPS"):
        UpsSource(UpsConfig((UpsPeer(address),)))


def test_unknown_starttls_mode():
    with pytest.raises(ConfigError, match="starttls is one of"):
        UpsSource(UpsConfig((UpsPeer("one@h:1", starttls="maybe"),)))
