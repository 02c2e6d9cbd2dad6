"""``farmwatch init``: a first configuration, or mappings proposed from what a broker's devices say."""

import os
import sys
import threading
import time
from pathlib import Path

from farmwatch.cli_guess import Heard, propose
from farmwatch.words.errors import FarmwatchError, PeerUnavailable

MOST_MESSAGES = 50_000
MOST_BODY = 256 * 1024

TEMPLATE = """\
# Farmwatch's configuration. Check it with: farmwatch check        All keys: README.md, Configuration
# Schema for editors: farmwatch config schema > farmwatch.schema.json
#:schema ./farmwatch.schema.json
config_version = 1
data_dir = "farmwatch-data"        # databases; relative to this file
secrets_dir = "secrets"            # one secret a file, each 0600; never in this file

[site]
name = "My workshop"
timezone = "UTC"                   # such as "Europe/London"
voltage_v = 230                    # nominal mains voltage
continuous_share = 0.8             # share of a breaker's rating that you let flow for hours
blip_s = 5                         # a power blip shorter than this is logged, not sent

[web]
bind = "127.0.0.1"                 # "0.0.0.0" for the whole network: needs secrets/web_password
port = 8420
# base_url = "http://shop.local:8420"     # as phones reach it, for links in messages

# ---- who is told ----
# [channels.phone]                 # write the service URL into secrets/channel_phone
# label = "ann's phone"
# [people.ann]
# channels = ["phone"]
# quiet = ["22:00-07:00"]          # danger comes all the same; the rest waits for the morning

# ---- where power comes from ----
# [circuits]
# west = { rating_a = 16 }         # the breaker's rating
# [backups]                        # runtime_table: [[load in W, minutes], ...] from the data sheet
# one = { circuit = "west", rating_w = 600, uses = ["ups"], params = { ups = "one@127.0.0.1:3493" } }
# [banks]
# north = { backup = "one" }

# ---- the machines ----
# [machine_defaults]
# bank = "north"
# uses = ["panel", "plug"]
# [machines]
# avocet = { params = { host = "192.168.1.21" } }
# bittern = { params = { host = "192.168.1.22" }, material = "PETG" }

# ---- how devices speak: written once, used by any number of them ----
# [mqtt]
# host = "127.0.0.1"
# user = "farmwatch"               # password: secrets/mqtt_password
# [mappings.panel]
# via = "mqtt"
# address = "works/{machine}/status"
# interval_s = 2                   # seconds between messages; 0: on change only
# [mappings.panel.values]          # a string is a JSON Pointer (RFC 6901) to a value in SI units
# state = { pointer = "/state", words = { RUN = ["heating", "printing"], IDLE = "idle", END = "done" } }
# progress = { pointer = "/percent", unit = "%" }
# bed_c = "/bed"
# [mappings.plug]
# via = "http"
# address = "http://{host}/status"
# interval_s = 10
# [mappings.plug.values]
# power_w = "/power"
# [mappings.ups]
# via = "ups"                      # RFC 9271; knows its own values
# address = "{ups}"                # a network card of the backup: via = "snmp", address = "{host}:161"
"""

SECRETS_README = """\
One secret a file, each with mode 0600 (chmod 600 FILE):
  mqtt_password       password of [mqtt] user
  channel_<name>      service URL of [channels.<name>]
  web_password        password of the page
  look_password       a second one, with which one can look but say nothing
  push_token          token that pushing devices send
  http_<mapping>      Authorization header of a polled mapping
  ups_<backup>        user:password for a UPS server
  snmp_<backup>       community of an SNMP agent; for version 3 user:authentication:privacy
"""


def write(config: str) -> int:
    """Write a commented configuration and a folder for secrets. Nothing is ever overwritten."""
    path = Path(config)
    secrets = path.parent / "secrets"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(TEMPLATE)
        secrets.mkdir(mode=0o700, exist_ok=True)
        secrets.chmod(0o700)
        for name, text in ((".README", SECRETS_README), (".gitignore", "*\n")):
            if not (secrets / name).exists():
                (secrets / name).write_text(text, encoding="utf-8")
    except FileExistsError:
        sys.stderr.write(f"{path} is there already and stays as it is; choose another name with --config\n")
        return 2
    except OSError as error:
        raise FarmwatchError(
            f"{error.filename}: {error.strerror}", hint="choose another folder with --config"
        ) from None
    sys.stderr.write(f"wrote {path} and {secrets}/ (what goes there: {secrets}/.README)\n")
    sys.stderr.write("next: edit it, then: farmwatch check\n")
    return 0


def listen(broker: str, seconds: float, topic: str, user: str, config: str) -> int:
    """Listen to a broker and print mappings for what its devices say."""
    host, port = split(broker)
    password = _password(Path(config).parent / "secrets" / "mqtt_password")
    sys.stderr.write(f"listening to {topic} on {host}:{port} for {seconds:g} s\n")
    heard = _listen(host, port, topic, seconds, user, password)
    if not heard:
        sys.stderr.write(
            "nothing was said; listen longer with --seconds, or look at --topic and the broker's access list\n"
        )
        return 75
    sys.stdout.write(propose(heard, host, port, user))
    sys.stderr.write(
        f"{len(heard)} messages; what is marked guess wants your eye. Put it into {config}, then check it\n"
    )
    return 0


def split(broker: str) -> tuple[str, int]:
    """(host, port) of HOST, HOST:PORT or [IPv6]:PORT.

    >>> split("shop"), split("shop:1884"), split("[::1]:1885")
    (('shop', 1883), ('shop', 1884), ('::1', 1885))
    """
    host, colon, port = broker.rpartition(":")
    if not colon or broker.endswith("]") or (":" in host and not host.startswith("[")):
        host, port = broker, "1883"
    if not port.isdigit() or not 0 < int(port) < 65_536:
        raise FarmwatchError(f"{broker!r} is no HOST[:PORT]", hint="for example shop.local:1883")
    return host.strip("[]"), int(port)


def _password(file: Path) -> str | None:
    if given := os.environ.get("FARMWATCH__SECRETS__MQTT_PASSWORD"):
        return given
    try:
        return file.read_text("utf-8").strip()
    except OSError:
        return None


def _listen(host: str, port: int, topic: str, seconds: float, user: str, password: str | None) -> list[Heard]:
    from paho.mqtt import client as mqtt  # noqa: PLC0415  (init without --listen does without it)
    from paho.mqtt.enums import CallbackAPIVersion  # noqa: PLC0415

    heard: list[Heard] = []
    refused: list[str] = []
    ended = threading.Event()

    def connected(client: mqtt.Client, _data: object, _flags: object, code: object, _properties: object) -> None:
        if getattr(code, "is_failure", False):
            refused.append(str(code))
            ended.set()
        else:
            client.subscribe(topic, qos=0)

    def message(_client: object, _data: object, received: mqtt.MQTTMessage) -> None:
        if len(heard) < MOST_MESSAGES and len(received.payload) <= MOST_BODY:
            heard.append(Heard(received.topic, bytes(received.payload), time.monotonic(), received.retain))

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", protocol=mqtt.MQTTv5)
    client.on_connect, client.on_message = connected, message
    if user:
        client.username_pw_set(user, password)
    try:
        client.connect(host, port)
    except OSError as error:
        raise PeerUnavailable(f"broker {host}:{port}: {error.strerror or error}", hint="is it running?") from None
    client.loop_start()
    try:
        ended.wait(seconds)
    finally:
        client.disconnect()
        client.loop_stop()
    if refused:
        raise PeerUnavailable(f"broker {host}:{port}: {refused[0]}", hint="give --user, and secrets/mqtt_password")
    return heard
