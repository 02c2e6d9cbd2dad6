"""Documents and deployment: commands exist, examples load, tables are the code's, the broker's rules hold."""

import contextlib
import importlib.util
import os
import re
import shlex
import shutil
import socket
import subprocess
import time
import tomllib
from pathlib import Path

import pytest
import yaml

from farmwatch.cli import build_parser
from farmwatch.settings import load

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
SCRIPT = (ROOT / "deploy/dev.sh").read_text("utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.DOTALL | re.MULTILINE)


def commands(text: str) -> list[str]:
    """Every command line in a shell block, and every `farmwatch ...` in the text."""
    found = [line.partition("  #")[0].strip() for block in blocks(text, "sh") for line in block.splitlines()]
    found += re.findall(r"`(farmwatch [^`]+)`", text)
    return [line for line in dict.fromkeys(found) if line]


def documents_tool():
    spec = importlib.util.spec_from_file_location("documents", ROOT / "deploy/documents.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("line", commands(README) + commands(DEVELOPERS))
def test_every_command_in_the_documents_exists(line):
    words = shlex.split(line)
    program = words[0]
    if program.endswith("farmwatch"):
        if {"--help", "-h"} & set(words) or words[1] == "whatif":
            assert words[1] in build_parser().format_help()
        else:
            build_parser(words[1:]).parse_args(words[1:])
    elif program == "deploy/dev.sh":
        assert re.search(rf"^  {words[1]}\)$", SCRIPT, re.MULTILINE)
        assert os.access(ROOT / program, os.X_OK)
    elif program == ".venv/bin/python":
        path = next((word for word in words[1:] if "/" in word), None)
        assert path is None or "NAME" in path or (ROOT / path).exists(), path
    else:
        pytest.fail(f"unknown program in the documents: {program}")


def test_the_documents_name_the_two_commands_and_ci_calls_the_second():
    assert [block.strip() for block in blocks(README, "sh")][:2] == ["deploy/dev.sh demo", "deploy/dev.sh test"]
    assert "deploy/dev.sh test" in (ROOT / ".ci/run").read_text()
    assert "CI=true" in (ROOT / ".ci/run").read_text()


@pytest.mark.parametrize("script", ["deploy/dev.sh", "deploy/install.sh", ".ci/run"])
def test_scripts_are_sound_and_strict(script):
    text = (ROOT / script).read_text()
    assert "set -euo pipefail" in text
    assert subprocess.run(["bash", "-n", str(ROOT / script)], check=False).returncode == 0
    assert os.access(ROOT / script, os.X_OK)


@pytest.mark.parametrize("text", blocks(README, "toml"), ids=lambda text: text.strip().splitlines()[0])
def test_every_example_in_the_readme_is_a_right_configuration(tmp_path, text):
    path = tmp_path / "farmwatch.toml"
    path.write_text(text)
    load(path, live=False)


def test_there_are_the_five_worked_examples():
    assert len(blocks(README, "toml")) >= 5
    text = "\n".join(blocks(README, "toml"))
    for via in ("mqtt", "http", "ups"):
        assert f'via = "{via}"' in text
    assert "[channels." in text
    assert "farmwatch notify test" in README


def test_the_tables_are_the_codes():
    """Write them anew with deploy/documents.py."""
    assert documents_tool().filled(README) == README


def test_pages_are_the_codes():
    """Write them anew with deploy/documents.py."""
    for path, write in documents_tool().PAGES.items():
        text = path.read_text("utf-8")
        assert text == write()
        assert len(text) > 5_000


def test_the_tables_do_not_pass_by_being_empty():
    broken = README.replace("| `site.timezone` |", "| `site.time_zone` |", 1)
    assert broken != README
    assert documents_tool().filled(broken) == README
    for mark in ("| `power_w` |", "| `bed_waiting` |", "| `mappings.<name>.values.<quantity>.pointer` |"):
        assert mark in README


def test_links_in_the_documents_lead_somewhere():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (ROOT / target).exists(), target


def test_cautions_and_limits_are_there():
    for word in (
        "Mains",
        "electrician",
        "local electrical codes",
        "batteries",
        "fumes",
        "smoke alarm",
        "switches nothing",
    ):
        assert word.lower() in README.lower(), word


def test_the_changelog_knows_this_version():
    version = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert f"### {version}" in README


# ---- deployment ----


def test_the_example_holds_ten_machines_three_backups_and_two_circuits_in_60_lines():
    path = ROOT / "deploy/farmwatch.toml"
    plan = load(path, live=False).plan()
    assert (len(plan.machines), len(plan.backups), len(plan.circuits)) == (10, 3, 2)
    assert len(path.read_text().splitlines()) <= 60
    assert all(plan.circuit_of(name) for name in plan.machines)
    assert {source.via for source in plan.sources.values()} == {"mqtt", "http", "ups"}
    assert plan.people


def test_the_demonstration_is_a_right_configuration():
    settings = load(ROOT / "farmwatch/scenario/demo.toml")
    assert len(settings.machines) == 12
    assert settings.simulated is not None


def test_the_unit_leaves_little_exposed():
    """systemd-analyze security: 0 to 10, the unit without any of it 9.6. The measure is systemd's own."""
    if shutil.which("systemd-analyze") is None:
        assert not os.environ.get("CI"), "this test needs systemd-analyze (Debian package systemd)"
        pytest.skip("no systemd here: the unit cannot be used here either")
    unit = ROOT / "deploy/farmwatch.service"
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=15", "--no-pager", str(unit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-300:]
    text = unit.read_text()
    for words in re.findall(r"^ExecStart=/opt/farmwatch/.venv/bin/farmwatch (.*)$", text, re.MULTILINE):
        build_parser(words.split()).parse_args(words.split())
    assert "RestartPreventExitStatus=2" in text, "a configuration error stops the start"


def test_containers_pin_what_they_build_on():
    compose = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    assert {name: entry["profiles"] for name, entry in compose["services"].items()} == {
        "demo": ["demo"], "farmwatch": ["shop"], "broker": ["shop"], "influxdb": ["influx"]
    }  # fmt: skip
    assert set(compose["services"]["influxdb"]["secrets"]) == set(compose["secrets"])
    used = {volume.partition(":")[0] for entry in compose["services"].values() for volume in entry.get("volumes", [])}
    assert {name for name in used if not name.startswith(".")} == set(compose["volumes"])
    assert re.fullmatch(r"[\w./-]+:\d[\w.]*", compose["services"]["broker"]["image"])
    assert compose["services"]["farmwatch"]["ports"] == ["127.0.0.1:8420:8420"]
    docker = (ROOT / "deploy/Dockerfile").read_text()
    assert re.search(r"^FROM \S+:\d\S+$", docker, re.MULTILINE)
    assert "--require-hashes" in docker
    assert re.search(r"^USER farmwatch$", docker, re.MULTILINE)
    for source in re.findall(r"^COPY (?!--from)((?:\S+ )+)\S+$", docker, re.MULTILINE):
        for name in source.split():
            assert (ROOT / name).exists(), name


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-test.lock"])
def test_every_locked_package_has_hashes(name):
    text = (ROOT / "deploy" / name).read_text()
    packages = re.split(r"^(?=[a-z0-9])", text, flags=re.MULTILINE)[1:]
    assert len(packages) > 20
    for package in packages:
        assert re.match(r"[\w.-]+==[\w.+]+", package), package[:60]
        assert "--hash=sha256:" in package, package[:60]


def test_the_locks_hold_every_dependency():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    names = lambda rows: {re.match(r"[\w.-]+", row)[0].lower() for row in rows}  # noqa: E731
    locked = lambda name: names(re.findall(r"^[a-z0-9][\w.-]*", (ROOT / "deploy" / name).read_text(), re.MULTILINE))  # noqa: E731
    assert names(project["dependencies"]) <= locked("requirements.lock")
    extras = {name for rows in project["optional-dependencies"].values() for name in names(rows)}
    assert extras | names(project["dependencies"]) <= locked("requirements-test.lock")
    assert len(locked("requirements.lock")) <= 36, "at most 35 packages at run time, and what builds our own"


# ---- the broker's rules, asked of a real broker ----


@pytest.fixture
def broker(tmp_path):
    path = os.environ["PATH"] + ":/usr/sbin"
    program, passwd = shutil.which("mosquitto", path=path), shutil.which("mosquitto_passwd", path=path)
    if program is None or passwd is None:
        assert not os.environ.get("CI"), "this test needs mosquitto"
        pytest.skip("mosquitto is not installed")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    passwords = tmp_path / "passwords"
    for index, user in enumerate(("farmwatch", "avocet", "people")):
        first = ["-c"] if not index else []
        subprocess.run([passwd, *first, "-b", str(passwords), user, "secret"], check=True, capture_output=True)
    (tmp_path / "acl").write_text((ROOT / "deploy/broker/acl").read_text())
    text = (ROOT / "deploy/broker/mosquitto.conf").read_text()
    text = text.replace("listener 1883", f"listener {port} 127.0.0.1").replace("/var/lib/mosquitto/", f"{tmp_path}/")
    text = text.replace("/etc/mosquitto/", f"{tmp_path}/") + "user root\n"
    (tmp_path / "broker.conf").write_text(text)
    process = subprocess.Popen([program, "-c", str(tmp_path / "broker.conf")], stderr=subprocess.PIPE)
    for _ in range(100):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            break
        time.sleep(0.05)
    yield port
    process.kill()
    process.communicate()


def publishes(port, user, topic, password="secret"):  # noqa: S107  (a test's own broker)
    """The broker's MQTT 5 reason code for a publish: 0 taken, 16 taken but nobody listens, 135 not authorised."""
    from paho.mqtt import client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    codes: list[int] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.username_pw_set(user, password)
    client.on_connect = lambda c, d, f, code, p: (
        c.publish(topic, "x", qos=1) if not code.is_failure else codes.append(code.value)
    )
    client.on_publish = lambda c, d, mid, code, p: codes.append(code.value)
    client.connect("127.0.0.1", port)
    client.loop_start()
    deadline = time.monotonic() + 10
    while not codes and time.monotonic() < deadline:
        time.sleep(0.02)
    client.disconnect()
    client.loop_stop()
    return codes[0]


@pytest.mark.real
def test_every_device_writes_only_about_itself(broker):
    """Reason codes: MQTT 5.0, section 3.4.2.1 (0x87 not authorised, 0x10 no matching subscribers) and 3.2.2.2."""
    taken, refused = {0, 16}, 135
    assert publishes(broker, "avocet", "works/avocet/status") in taken
    assert publishes(broker, "avocet", "works/bittern/status") == refused
    assert publishes(broker, "avocet", "farmwatch/command") == refused
    assert publishes(broker, "people", "farmwatch/command") in taken
    assert publishes(broker, "farmwatch", "farmwatch/alive") in taken
    assert publishes(broker, "farmwatch", "works/avocet/status") == refused
    assert publishes(broker, "avocet", "works/avocet/status", "wrong") in {134, 135}
