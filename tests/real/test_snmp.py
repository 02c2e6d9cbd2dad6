"""SNMP v2c and v3 against Debian's snmpd serving the UPS-MIB (RFC 1628), and against agents that lose, lie and die."""

import asyncio
import contextlib
import json
import logging
import random
import shutil
import time

import pytest
from servers import until
from snmp_agent import ON_LINE, UPS, Snmpd, alarm

from farmwatch.assemble import build_intake, build_sources
from farmwatch.clock import SteadyClock
from farmwatch.settings import ConfigErrors, load
from farmwatch.sources import snmp as module
from farmwatch.sources.snmp import SnmpConfig, SnmpPeer, SnmpSource, parse_address
from farmwatch.wire import upsmib
from farmwatch.words.errors import ConfigError
from farmwatch.words.model import Failed, Observed, Raw

pytestmark = pytest.mark.real

VALUES = {
    "status": "OL", "charge": 1.0, "runtime_s": 1500.0, "load": 0.61, "power_w": 610.0, "apparent_va": 989.0,
    "voltage_v": 231.0, "battery_v": 54.7, "battery_c": 24.0,
    "self_test": "none", "self_test_age_s": None, "battery_date": None,
}  # fmt: skip
"""Of ON_LINE: 25 min are 1500 s, 547 are 54.7 V, 231 are 231 V (RFC 1628)."""


@pytest.fixture
def snmpd_factory(tmp_path):
    made = []

    def make(**options):
        agent = Snmpd(tmp_path / f"snmp{len(made)}", **options)
        made.append(agent)
        return agent.start()

    yield make
    for agent in made:
        agent.kill()


@pytest.fixture
def snmpd(snmpd_factory):
    return snmpd_factory()


@pytest.fixture
def quick(monkeypatch):
    """Silence is told after about a second; the library looks at its clock twice a second."""
    monkeypatch.setattr(module, "ANSWER_S", 0.3)
    monkeypatch.setattr(module, "RETRIES", 1)


class Running:
    def __init__(self, peers):
        self.got = []
        self.source = SnmpSource(SnmpConfig(tuple(peers)))
        self.task = asyncio.create_task(self.source.run(self.got.append, SteadyClock()))

    def of(self, kind, address=None):
        return [item for item in self.got if isinstance(item, kind) and address in (None, item.address)]

    @property
    def statuses(self):
        """Statuses in order, repetitions left out."""
        seen = []
        for raw in self.of(Raw):
            status = upsmib.decode(upsmib.parse(raw.body)).values["status"]
            if seen[-1:] != [status]:
                seen.append(status)
        return seen


@contextlib.asynccontextmanager
async def running(*peers):
    run = Running(peers)
    try:
        yield run
    finally:
        began_s = time.monotonic()
        run.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await run.task
        assert time.monotonic() - began_s < 2


def v2c(agent, **more):
    return SnmpPeer(agent.address, secret=agent.community, **({"interval_s": 0.3} | more))


def v3(agent, **more):
    return SnmpPeer(agent.address, "3", **({"secret": agent.secret3, "interval_s": 0.3} | more))


@pytest.mark.parametrize("version", [v2c, v3])
async def test_a_poll_brings_everything(snmpd, version):
    async with running(version(snmpd)) as run:
        await until(lambda: len(run.of(Raw)) >= 2, within_s=15, what="two answers")
    assert run.of(Failed) == []
    raw = run.of(Raw)[0]
    assert (raw.via, raw.address, raw.retained) == ("snmp", snmpd.address, False)
    found = json.loads(raw.body)
    assert raw.body == upsmib.render(found)  # compact, in the order of the OIDs
    walked = ("3.3.1.2.1", "4.4.1.4.1", "2.1.0", "7.3.0")
    assert {oid: found[UPS + oid] for oid in walked} == {oid: ON_LINE[oid][1] for oid in walked}
    assert found[upsmib.UPTIME] >= 0
    decoded = upsmib.decode(found)
    assert decoded.refused == ()
    assert decoded.values == pytest.approx(VALUES)


@pytest.mark.parametrize("version", [v2c, v3])
async def test_scripted_outage(snmpd, version):
    async with running(version(snmpd)) as run:
        await until(lambda: run.statuses == ["OL"], within_s=15, what="on line")
        snmpd.set(**{"4.1.0": ("integer", 5), "2.2.0": ("integer", 1), "3.3.1.3.1": ("integer", 0)}, **alarm(1, 2))
        await until(lambda: run.statuses[-1] == "OB", within_s=5, what="on battery")
        snmpd.set(**{"2.1.0": ("integer", 3), "2.3.0": ("integer", 2), "2.4.0": ("integer", 9)}, **alarm(2, 3))
        await until(lambda: run.statuses[-1] == "OB LB", within_s=5, what="low")
        low = upsmib.decode(upsmib.parse(run.of(Raw)[-1].body)).values
        snmpd.set(**{"4.1.0": ("integer", 3), "2.2.0": ("integer", 0), "2.1.0": ("integer", 2)},
                  **dict.fromkeys((*alarm(1, 2), *alarm(2, 3))))  # fmt: skip
        await until(lambda: run.statuses[-1] == "OL", within_s=5, what="mains back")
    assert run.statuses == ["OL", "OB", "OB LB", "OL"]
    assert run.of(Failed) == []
    assert (low["charge"], low["runtime_s"], low["voltage_v"]) == (0.09, 120.0, 0.0)


async def test_a_self_test_that_is_over_has_a_result_and_an_age(snmpd):
    """RFC 1628, upsTest group; the agent's sysUpTime is its own, so the test began some hundredths after its start."""
    snmpd.set(**{"7.3.0": ("integer", 3), "7.5.0": ("timeticks", 1)})
    async with running(v2c(snmpd)) as run:
        await until(lambda: run.of(Raw), within_s=15, what="an answer")
    objects = upsmib.parse(run.of(Raw)[0].body)
    values = upsmib.decode(objects).values
    assert values["self_test"] == "failed"
    assert values["self_test_age_s"] == pytest.approx((objects[upsmib.UPTIME] - 1) / 100)


async def test_no_such_instance_and_wrong_types_are_unknown(snmpd):
    snmpd.set(**dict.fromkeys(("2.4.0", "2.7.0", "4.4.1.5.1", "3.3.1.3.1", "2.2.0")), **{"2.3.0": ("string", "25")})
    async with running(v2c(snmpd)) as run:
        await until(lambda: run.of(Raw), within_s=15, what="an answer")
    found = json.loads(run.of(Raw)[0].body)
    assert found[UPS + "2.4.0"] is None
    assert UPS + "4.4.1.5.1" not in found
    decoded = upsmib.decode(found)
    unknown = ("charge", "battery_c", "load", "voltage_v", "runtime_s")
    assert decoded.values == pytest.approx(VALUES | dict.fromkeys(unknown))
    assert len(decoded.refused) == 1
    assert decoded.refused[0].startswith("runtime_s: ")


async def test_agent_killed_and_started_again_in_true_time(snmpd):
    async with running(v2c(snmpd)) as run:
        await until(lambda: run.of(Raw), within_s=15, what="an answer")
        snmpd.kill()
        took_s = await until(lambda: run.of(Failed), within_s=12, what="silence")
        assert took_s > 4  # three tries of 2 s: a lost packet is no failure
        assert run.of(Failed)[0].error == "no answer in 3 tries of 2 s"
        snmpd.start()
        count = len(run.of(Raw))
        await until(lambda: len(run.of(Raw)) > count, within_s=10, what="back")


@pytest.mark.parametrize("forgets", [False, True])
async def test_a_v3_agent_starts_anew_with_its_clock_at_zero_and_another_identifier(snmpd, quick, forgets):
    async with running(v3(snmpd)) as run:
        await until(lambda: run.of(Raw), within_s=15, what="an answer")
        snmpd.kill()
        await until(lambda: run.of(Failed), within_s=8, what="silence")
        if forgets:
            shutil.rmtree(snmpd.folder / "state")
        snmpd.start()
        count = len(run.of(Raw))
        await until(lambda: len(run.of(Raw)) > count, within_s=20, what="back")


async def test_wrong_community_is_silence(snmpd, quick):
    async with running(SnmpPeer(snmpd.address, secret="guess", interval_s=0.3)) as run:
        await until(lambda: len(run.of(Failed)) >= 2, within_s=15, what="failed twice")
    assert run.of(Raw) == []
    assert {item.error for item in run.of(Failed)} == {module.SILENCE}


@pytest.mark.parametrize(
    ("secret", "words"),
    [
        ("nobody:authentic-words:private-words", "knows no such user"),
        ("onlooker:another-guess:private-words", "refuses the authentication passphrase"),
        ("onlooker:authentic-words:another-guess", None),  # some agents say nothing at all then
    ],
)
async def test_wrong_v3_secrets(snmpd, quick, caplog, secret, words):
    caplog.set_level(logging.DEBUG)
    async with running(v3(snmpd, secret=secret)) as run:
        await until(lambda: run.of(Failed), within_s=15, what="failed")
    assert run.of(Raw) == []
    error = run.of(Failed)[0].error
    assert words is None or words in error
    for word in (*secret.split(":"), snmpd.authentication, snmpd.privacy):
        assert word not in error
        assert word not in caplog.text
        assert word not in repr(run.source._peers[0][0])


async def test_an_agent_without_the_mib(snmpd_factory):
    agent = snmpd_factory(serves=False)
    async with running(v2c(agent)) as run:
        await until(lambda: run.of(Failed), within_s=15, what="failed")
    assert run.of(Failed)[0].error == "it answers, but serves no UPS-MIB (RFC 1628)"
    assert run.of(Raw) == []


async def test_a_great_table_is_read_to_a_bound(snmpd):
    snmpd.set(**{oid: row for n in range(1, 701) for oid, row in alarm(n, 8).items() if oid.startswith("6.2.1.2")})
    async with running(v2c(snmpd, interval_s=30)) as run:
        await until(lambda: run.of(Raw), within_s=30, what="an answer")
    found = upsmib.parse(run.of(Raw)[0].body)  # at most 500
    assert len(found) > 400
    assert upsmib.decode(found).values == pytest.approx(VALUES | {"status": "OL OVER"})


async def test_one_dead_device_costs_no_other(snmpd, quick):
    dead = SnmpPeer("127.0.0.1:9", secret="x", interval_s=0.3)
    async with running(dead, v2c(snmpd)) as run:
        await until(lambda: len(run.of(Raw)) >= 5 and run.of(Failed), within_s=15, what="five answers")
    assert {item.address for item in run.of(Raw)} == {snmpd.address}
    assert {item.address for item in run.of(Failed)} == {"127.0.0.1:9"}


# ---- the way there ----


class Lossy(asyncio.DatagramProtocol):
    """Passes datagrams on, but not those for which `lost(number)` holds; counts the requests that are under way."""

    def __init__(self, port, lost):
        self.to, self.lost, self.number, self.seen = ("127.0.0.1", port), lost, 0, 0
        self.client, self.under_way, self.most = None, 0, 0

    def connection_made(self, transport):
        self.transport = transport

    def datagram_received(self, data, address):
        self.number += 1
        if self.lost(self.number):
            self.seen += 1
            return
        if address == self.to:
            self.under_way -= 1
            self.transport.sendto(data, self.client)
        else:
            self.under_way += 1
            self.most = max(self.most, self.under_way)
            self.client = address
            self.transport.sendto(data, self.to)


@contextlib.asynccontextmanager
async def between(make):
    transport, protocol = await asyncio.get_running_loop().create_datagram_endpoint(make, local_addr=("127.0.0.1", 0))
    try:
        yield "{}:{}".format(*transport.get_extra_info("sockname")), protocol
    finally:
        transport.close()


@pytest.mark.parametrize("version", [v2c, v3])
async def test_a_fifth_of_the_packets_lost(snmpd, monkeypatch, version):
    monkeypatch.setattr(module, "ANSWER_S", 0.3)
    monkeypatch.setattr(module, "RETRIES", 4)
    rng = random.Random(1)
    async with between(lambda: Lossy(snmpd.port, lambda _: rng.random() < 0.2)) as (address, proxy):
        snmpd_peer = version(snmpd)
        peer = SnmpPeer(address, snmpd_peer.version, snmpd_peer.secret, 0.05)
        async with running(peer) as run:
            await until(lambda: len(run.of(Raw)) >= 10, within_s=60, what="ten answers")
    assert proxy.seen > 3
    for raw in run.of(Raw):  # whole or not at all
        assert upsmib.decode(upsmib.parse(raw.body)).values == pytest.approx(VALUES)


async def test_one_request_at_a_time(snmpd):
    async with (
        between(lambda: Lossy(snmpd.port, lambda _: False)) as (address, proxy),
        running(SnmpPeer(address, secret=snmpd.community, interval_s=0.01)) as run,
    ):
        await until(lambda: len(run.of(Raw)) >= 5, within_s=15, what="five answers")
    assert proxy.most == 1
    assert proxy.number <= 4 * (len(run.of(Raw)) + 1)  # a poll is one GET and one GETBULK, there and back


class Garbage(asyncio.DatagramProtocol):
    """Answers each request with noise, or with the request itself, or with a piece of it."""

    def __init__(self):
        self.rng, self.number = random.Random(3), 0

    def connection_made(self, transport):
        self.transport = transport

    def datagram_received(self, data, address):
        self.number += 1
        noise = bytearray(data)
        noise[self.rng.randrange(len(noise))] ^= 1 << self.rng.randrange(8)
        for answer in (self.rng.randbytes(60), data, data[: len(data) // 2], bytes(noise), b"\x30\x80" * 500, b""):
            self.transport.sendto(answer, address)


@pytest.mark.parametrize("version", ["2c", "3"])
async def test_noise_is_a_failure_of_this_device_alone(snmpd, quick, version):
    asyncio.get_running_loop().set_exception_handler(lambda loop, context: None)  # what the library lets fall
    async with between(Garbage) as (address, noisy):
        peer = SnmpPeer(address, version, snmpd.secret3 if version == "3" else "x", 0.3)
        async with running(peer, v2c(snmpd)) as run:
            await until(lambda: len(run.of(Failed)) >= 2, within_s=50, what="failed twice")
            count = len(run.of(Raw))
            await until(lambda: len(run.of(Raw)) > count, within_s=5, what="the other goes on")
    assert noisy.number > 1
    assert {item.address for item in run.of(Failed)} == {address}
    assert {item.address for item in run.of(Raw)} == {snmpd.address}


# ---- from the configuration to the values ----

FILE = """
[backups]
one = {{ uses = ["card"], params = {{ host = "{old}" }} }}
two = {{ uses = ["card3"], params = {{ host = "{new}" }} }}

[mappings.card]
via = "snmp"
address = "{{host}}"

[mappings.card3]
via = "snmp"
version = "3"
address = "{{host}}"
"""


async def test_from_the_configuration_to_the_values(snmpd_factory, tmp_path):
    old, new = snmpd_factory(), snmpd_factory()
    path = tmp_path / "farmwatch.toml"
    path.write_text(FILE.format(old=old.address, new=new.address))
    (tmp_path / "secrets").mkdir(mode=0o700)
    for name, secret in (("snmp_one", old.community), ("snmp_two", new.secret3)):
        (tmp_path / "secrets" / name).write_text(secret)
        (tmp_path / "secrets" / name).chmod(0o600)
    settings = load(path)
    assert {source.interval_s for source in settings.plan().sources.values()} == {10.0}
    assert {source.stale_s for source in settings.plan().sources.values()} == {30.0}
    [source] = build_sources(settings)
    intake, events = build_intake(settings), []
    new.set(**alarm(1, 20))  # the agent of the second has lost its unit
    task = asyncio.create_task(source.run(lambda item: events.extend(intake.decode(item)), SteadyClock()))
    try:
        await until(lambda: len(events) >= 2, within_s=20, what="both")
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    [seen] = [event for event in events if isinstance(event, Observed)]
    assert (seen.subject, seen.source) == ("one", "one.card")
    assert seen.values == pytest.approx(VALUES)
    [lost] = [event for event in events if not isinstance(event, Observed)]
    assert (lost.source, lost.error) == ("two.card3", "the agent has lost contact with the unit")


# ---- what cannot be ----


@pytest.mark.parametrize(
    ("text", "key", "what"),
    [
        ('via = "snmp"\naddress = "{host}:x1"', "mappings.card.address", "no address of an SNMP agent"),
        ('via = "snmp"\naddress = "a@{host}"', "mappings.card.address", "no address of an SNMP agent"),
        ('via = "snmp"\nversion = "1"\naddress = "{host}"', "mappings.card.version", "2c"),
        ('via = "snmp"\ninterval_s = 0\naddress = "{host}"', "mappings.card.interval_s", "needs an interval"),
        ('via = "snmp"\naddress = "{host}"\nvalues = { load = "/x" }', "mappings.card.values", "UPS-MIB"),
        ('via = "snmp"\nversion = "3"\naddress = "{host}"', "backups.one", "user and two passphrases"),
    ],
)
def test_configurations_that_cannot_be(tmp_path, text, key, what):
    path = tmp_path / "farmwatch.toml"
    head = '[backups]\none = { uses = ["card"], params = { host = "192.0.2.9" } }\n[mappings.card]\n'
    path.write_text(head + text)
    with pytest.raises(ConfigErrors) as caught:
        load(path)
    assert [(problem.key, what in str(problem)) for problem in caught.value.problems] == [(key, True)]


def test_a_secret_of_nobody_is_named(tmp_path):
    (tmp_path / "farmwatch.toml").write_text("")
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets/snmp_nobody").write_text("x")
    (tmp_path / "secrets/snmp_nobody").chmod(0o600)
    with pytest.raises(ConfigErrors, match="snmp_nobody"):
        load(tmp_path / "farmwatch.toml")


@pytest.mark.parametrize(
    "address", ["", ":161", "h:0", "h:65536", "h:x", "a@h:161", "::1", "[::1", "h h:1", "h/x", "h:"]
)
def test_addresses_that_are_none(address):
    with pytest.raises(ConfigError, match="no address of an SNMP agent"):
        parse_address(address)


@pytest.mark.parametrize("secret", [None, "", "watch", "watch:longenough", ":longenough:longenough",
                                    "watch:short12:longenough",
                                    "watch:longenough:short12"])  # fmt: skip
def test_v3_secrets_that_are_none(secret):
    with pytest.raises(ConfigError, match="user and two passphrases") as caught:
        SnmpSource(SnmpConfig((SnmpPeer("127.0.0.1:161", "3", secret),)))
    assert "longenough" not in str(caught.value)


def test_unknown_version():
    with pytest.raises(ConfigError, match="version is one of 2c, 3"):
        SnmpSource(SnmpConfig((SnmpPeer("127.0.0.1:161", "1"),)))
