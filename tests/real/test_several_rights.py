"""Several collectors on shared servers: the shipped broker's rules for a pair, and one store for all their points."""

import contextlib
import subprocess
from pathlib import Path

import pytest
from metrics_server import FluxFront, Metrics
from servers import HttpReceiver, Mosquitto, need, reason_of, until, wait_until
from whole import Devices, Shop, titles

from farmwatch.stores.influx import InfluxConfig, InfluxSeries
from farmwatch.words.model import Observed

pytestmark = pytest.mark.real
ACL = Path(__file__).parents[2] / "deploy" / "broker" / "acl"
PAIR = ("farmwatch-a", "farmwatch-b")
BELOW = "farmwatch/saltmarsh-works"
REFUSED = 135  # not authorised (MQTT 5.0, section 3.4.2.1)
T0 = 1_795_000_000.0


@pytest.fixture
def broker(tmp_path):
    """Debian's broker with the shipped rules; every user's password is "secret"."""
    server = Mosquitto(tmp_path / "broker", user="avocet", password="secret", acl=ACL.read_text())
    for user in (*PAIR, "bittern"):
        words = [need("mosquitto_passwd", "mosquitto"), "-b", str(tmp_path / "broker" / "passwords"), user, "secret"]
        subprocess.run(words, check=True, capture_output=True)
    yield server.start()
    server.stop()


def own(me: str) -> list[str]:
    """What one collector alone may write."""
    return [*(f"{BELOW}/{word}/{me}" for word in ("beat", "sent", "summary")), f"{me}/status"]


def test_each_of_a_pair_writes_as_itself_alone(broker):
    for me, other in (PAIR, PAIR[::-1]):
        for topic in (
            f"{BELOW}/leader",
            *(f"{BELOW}/{word}/{me}" for word in ("beat", "sent", "summary")),
            f"{me}/status",
        ):
            assert reason_of(broker.port, me, topic) in (0, 16), topic
        for topic in (*(f"{BELOW}/{word}/{other}" for word in ("beat", "sent", "summary")), f"{other}/status"):
            assert reason_of(broker.port, me, topic) == REFUSED, topic
        assert reason_of(broker.port, me, "works/avocet/status") == REFUSED
    for topic in (f"{BELOW}/leader", f"{BELOW}/beat/farmwatch-a", "farmwatch-a/status"):
        assert reason_of(broker.port, "avocet", topic) == REFUSED, topic


def test_a_pair_works_with_the_shipped_rules(broker, tmp_path):
    with contextlib.ExitStack() as stack:
        phone = HttpReceiver()
        stack.callback(phone.close)
        shops = []
        for me, other, role in ((*PAIR, "primary"), (*PAIR[::-1], "standby")):
            shop = Shop(
                tmp_path / me,
                channels={"phone": f"json://127.0.0.1:{phone.port}/"},
                broker_port=broker.port,
                machines=dict.fromkeys(("avocet", "bittern"), 'uses = ["panel"]'),
                extra=f'[pair]\nrole = "{role}"\npeer = "{other}"\nfresh_s = 4\n[rules.machine_fault]\non_delay_s = 0\n'
                "[rules.source_silent]\noff = true\n[rules.collector_restarted]\noff = true",
            )
            text = shop.config.read_text().replace(
                "[mqtt]", f'[mqtt]\nclient_id = "{me}"\nuser = "{me}"\nkeepalive_s = 5'
            )
            shop.config.write_text(text)
            (shop.folder / "secrets" / "mqtt_password").write_text("secret")
            (shop.folder / "secrets" / "mqtt_password").chmod(0o600)
            stack.callback(shop.close)
            shops.append(shop.start())
        first, second = shops

        def last_word() -> str:
            return ([line for line in second.log.splitlines() if "speaks now" in line] or [""])[-1]

        def told(machine: str) -> list[str]:
            return [title for title in titles(phone) if machine in title.lower()]

        wait_until(lambda: "farmwatch-a speaks now" in last_word(), within_s=40, what="the standby hears the primary")
        for machine, before in (("avocet", lambda: None), ("bittern", first.kill)):
            before()
            devices = Devices(broker.port, user=machine, password="secret")
            stack.callback(devices.close)
            devices.say(machine, "ERROR")
            wait_until(lambda machine=machine: told(machine), within_s=60, what=f"{machine} told: {second.log[-1500:]}")
            for shop in (shop for shop in shops if shop.alive()):  # a kill before the other knows may tell it twice
                empty = lambda shop=shop: not shop.journal("SELECT 1 FROM outbox LIMIT 1")  # noqa: E731
                wait_until(empty, within_s=40, what="nothing waits")
        assert "farmwatch-b speaks now" in last_word(), "it has heard the primary's last will, or its silence"
        assert [len(told(machine)) for machine in ("avocet", "bittern")] == [1, 1]


async def test_points_of_several_collectors_stay_apart_in_one_store(tmp_path):
    """Two collectors of one site with a machine each, one of another site with a machine of the same name."""
    metrics = Metrics(tmp_path / "metrics").start()
    front = FluxFront(metrics)
    stores = {}
    try:
        owners = (("a", "Saltmarsh Works", "avocet"), ("b", "Saltmarsh Works", "bittern"), ("c", "Tide Mill", "avocet"))
        for number, (me, site, machine) in enumerate(owners):
            config = InfluxConfig(front.url, "saltmarsh", "farm", lambda: "t", site=site, timeout_s=10.0)
            stores[me] = InfluxSeries(config, tmp_path / me, {machine: (("machine", machine),)})
            # the same times, quantities and source at all three; the values say whose they are
            values = [100.0 * (number + 1) + n for n in range(50)]
            stores[me].append(
                [Observed(T0 + 2 * n, machine, "plug", {"power_w": value}) for n, value in enumerate(values)]
            )
            await stores[me].flush()
        for me, store in stores.items():
            await until(lambda store=store: not store.spool.state.lines, within_s=20, what=f"all of {me} sent")
        held = {
            (metric["site"], metric["machine"]): [value for _, value in rows]
            for metric, rows in metrics.exported('{__name__="farmwatch_power_w"}')
        }
        assert held == {
            (site, machine): [100.0 * (number + 1) + n for n in range(50)]
            for number, (_, site, machine) in enumerate(owners)
        }
        for number, (me, _, machine) in enumerate(owners):
            rows = list((await stores[me].read(machine, "power_w", T0, T0 + 200)).rows())
            assert [value for _, value in rows] == [100.0 * (number + 1) + n for n in range(50)], me
        assert [row.subject for row in await stores["c"].held()] == ["avocet"]
        assert [row.subject for row in await stores["a"].held()] == ["avocet", "bittern"], "one site, two collectors"
    finally:
        for store in stores.values():
            await store.close()
        front.close()
        metrics.stop()
