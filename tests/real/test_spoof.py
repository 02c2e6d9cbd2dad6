"""Messages of somebody who may not: the shipped broker's rules over TLS, and what we make of the rest.

MQTT 5.0: reason codes in 3.4.2.1 (0x87, 135: not authorised). mosquitto.conf(5) for the broker.
"""

import asyncio
import json
import re
import subprocess
from pathlib import Path

import pytest
from servers import free_port, reason_of, until

from farmwatch.brain import Brain
from farmwatch.clock import SteadyClock
from farmwatch.sources.mqtt import MqttConfig, MqttSource, TlsConfig
from farmwatch.wire.intake import Intake
from farmwatch.words.model import Denied, Keep, MachinePlan, Note, Raw, Said, SitePlan

pytestmark = pytest.mark.real
ROOT = Path(__file__).parents[2]


@pytest.fixture
def shipped(tmp_path, tls_files, mosquitto):
    """A broker with the files of deploy/broker, its TLS lines in use."""
    port = free_port()
    text = (ROOT / "deploy/broker/mosquitto.conf").read_text()
    text = re.sub(r"^listener 1883$", "", text, flags=re.MULTILINE)
    text = re.sub(r"^#(listener|certfile|keyfile|tls_version) ", r"\1 ", text, flags=re.MULTILINE)
    assert text.count("\nlistener ") == 1
    text = text.replace("listener 8883", f"listener {port} 127.0.0.1").replace("/var/lib/mosquitto/", f"{tmp_path}/")
    text = text.replace("/etc/mosquitto/server.crt", str(tls_files.server_cert))
    text = text.replace("/etc/mosquitto/server.key", str(tls_files.server_key))
    (tmp_path / "broker.conf").write_text(text.replace("/etc/mosquitto/", f"{tmp_path}/") + "user root\n")
    (tmp_path / "acl").write_text((ROOT / "deploy/broker/acl").read_text())
    for user in ("farmwatch", "avocet", "people"):
        first = [] if (tmp_path / "passwords").exists() else ["-c"]
        subprocess.run(["/usr/bin/mosquitto_passwd", *first, "-b", str(tmp_path / "passwords"), user, "secret"],
                       check=True, capture_output=True)  # fmt: skip
    with (tmp_path / "broker.log").open("wb") as log:
        process = subprocess.Popen(["/usr/sbin/mosquitto", "-c", str(tmp_path / "broker.conf")], stderr=log)
    yield port, str(tls_files.ca)
    process.kill()
    process.wait()


async def test_a_device_s_command_is_refused_and_people_s_acts_are_put_on_record(shipped):
    port, ca = shipped
    config = MqttConfig(
        "127.0.0.1", port, user="farmwatch", password="secret", topics=("works/+/status",), tls=TlsConfig(ca),
        command_topic="farmwatch/command",
    )  # fmt: skip
    got, source = [], MqttSource(config)
    task = asyncio.create_task(source.run(got.append, SteadyClock()))
    await until(lambda: source.connected, within_s=20, what="connected over TLS with a pinned authority")
    await asyncio.sleep(0.2)
    said = json.dumps({"command": "cleared", "machine": "avocet", "by": "ann"})
    act = json.dumps({"command": "pause", "machine": "avocet", "by": "ann"})
    send = lambda user, topic, body: asyncio.to_thread(reason_of, port, user, topic, body, ca=ca)  # noqa: E731
    assert await send("avocet", "farmwatch/command", said) == 135
    assert await send("avocet", "farmwatch/status", "offline") == 135
    assert await send("avocet", "works/bittern/status", "{}") == 135
    assert await send("bittern", "farmwatch/command", said) in (134, 135), "no such user"
    assert await send("people", "farmwatch/command", said) in (0, 16)
    for _ in range(3):
        assert await send("people", "farmwatch/command", act) in (0, 16)
    messages = lambda: [item for item in got if isinstance(item, Raw) and item.address == "farmwatch/command"]  # noqa: E731
    await until(lambda: len(messages()) >= 4, within_s=20, what="what people may send")
    task.cancel()
    assert [json.loads(item.body)["command"] for item in messages()] == ["cleared", "pause", "pause", "pause"]

    intake = Intake((), command_topic="farmwatch/command")
    brain = Brain(SitePlan("Saltmarsh Works", "UTC", 230.0, {"avocet": MachinePlan("avocet")}))
    events = [event for item in messages() for event in intake.decode(item)]
    assert [type(event) for event in events] == [Said, Denied, Denied, Denied]
    effects = [effect for event in events[1:] for effect in brain.receive(event, event.at_s)]
    notes = [effect for effect in effects if isinstance(effect, Note) and effect.kind == "act"]
    assert [note.doc for note in notes] == [{"step": "denied", "why": "by MQTT, pause"}] * 3
    alarms = [effect for effect in effects if isinstance(effect, Keep) and "act_denied" in str(effect)]
    assert alarms, "three attempts are an alarm"
