"""Containers without an engine: the compose file against its specification's schema, the image's recipe by its text.

tests/vendor/compose-spec-2.40.3.json.gz is schema/compose-spec.json of the Compose Specification
(github.com/compose-spec/compose-spec, Apache-2.0, licence beside it) as Docker Compose 2.40.3 carries it.
Rules about recipes: numbers DL.... are those of the linter hadolint; the image's setup script by the text of the
image's own page (files *.sh in /docker-entrypoint-initdb.d run once after setup).
"""

import copy
import gzip
import hashlib
import json
import re
import subprocess
from fnmatch import fnmatch
from pathlib import Path

import jsonschema
import pytest
import yaml

ROOT = Path(__file__).parents[1]
SCHEMA = gzip.decompress((ROOT / "tests/vendor/compose-spec-2.40.3.json.gz").read_bytes())
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text("utf-8"))
RECIPE = (ROOT / "deploy/Dockerfile").read_text("utf-8")


def mistakes(compose):
    jsonschema.Draft7Validator.check_schema(json.loads(SCHEMA))
    return [error.message for error in jsonschema.Draft7Validator(json.loads(SCHEMA)).iter_errors(compose)]


def test_the_schema_is_unchanged():
    assert hashlib.sha256(SCHEMA).hexdigest() == "89f4bdc4ba651ff024118917a7cdb67d9d78c1af4bab9b12ec2fc85f5b7d90d3"


def test_the_compose_file_is_one():
    assert mistakes(COMPOSE) == []


@pytest.mark.parametrize(
    "break_", [
        lambda c: c["services"]["farmwatch"].update(ports=8420),
        lambda c: c["services"]["farmwatch"].update(memory="256m"),
        lambda c: c["services"]["demo"].update(profiles="demo"),
        lambda c: c["services"]["demo"].update(healthcheck={"off": True}),
        lambda c: c.update(service={}),
    ],
)  # fmt: skip
def test_the_schema_finds_what_is_wrong(break_):
    broken = copy.deepcopy(COMPOSE)
    break_(broken)
    assert mistakes(broken)


def test_only_the_broker_is_open_to_the_network_and_nobody_gains_rights():
    open_to_all = [
        name for name, service in COMPOSE["services"].items()
        for port in service.get("ports", []) if not port.startswith("127.0.0.1:")
    ]  # fmt: skip
    assert open_to_all == ["broker"]
    for service in COMPOSE["services"].values():
        assert service["security_opt"] == ["no-new-privileges:true"]
        assert "privileged" not in service
        assert "build" in service or not service["image"].endswith(":latest")
    for name in ("demo", "farmwatch"):
        assert COMPOSE["services"][name]["read_only"] is True
        assert COMPOSE["services"][name]["cap_drop"] == ["ALL"]


def test_what_is_mounted_from_the_project_is_there():
    mounted = [
        volume.split(":")[0] for service in COMPOSE["services"].values() for volume in service.get("volumes", [])
        if volume.startswith("./deploy/")
    ]  # fmt: skip
    assert len(mounted) == 2
    for path in mounted:
        assert (ROOT / path).is_dir()


# ---- the dashboard -----------------------------------------------------------------------------------------------


def test_the_dashboard_is_put_in_by_the_image_s_own_way(tmp_path):
    """The script, run with a stand-in for the client that writes down what it was asked."""
    service = COMPOSE["services"]["influxdb"]
    places = dict(volume.split(":")[:2][::-1] for volume in service["volumes"])
    folder = ROOT / places["/docker-entrypoint-initdb.d"]
    scripts = sorted(folder.glob("*.sh"))
    assert [path.name for path in scripts] == ["dashboard.sh"]
    client = tmp_path / "influx"
    client.write_text('#!/bin/sh\nprintf "%s\\n" "$@" > "$0.asked"\n')
    client.chmod(0o755)
    environment = service["environment"]
    done = subprocess.run(
        ["sh", str(scripts[0])], check=False, capture_output=True, text=True,
        env={"PATH": f"{tmp_path}:/usr/bin:/bin", "DOCKER_INFLUXDB_INIT_ORG": environment["DOCKER_INFLUXDB_INIT_ORG"]},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    words = (tmp_path / "influx.asked").read_text().split()
    assert words[0] == "apply"
    asked = dict(zip(words[1::2], words[2::2], strict=True))
    assert asked["--org"] == "saltmarsh"
    assert asked["--force"] == "yes"
    inside = Path(asked["--file"])
    assert (ROOT / places[str(inside.parent)] / inside.name).is_file()
    assert f'from(bucket: "{environment["DOCKER_INFLUXDB_INIT_BUCKET"]}")' in (
        ROOT / "deploy/influxdb/dashboard.yml").read_text("utf-8")  # fmt: skip


def test_without_an_organisation_the_script_stops():
    script = ROOT / "deploy/influxdb/init/dashboard.sh"
    assert subprocess.run(["sh", str(script)], check=False, capture_output=True, env={"PATH": "/bin"}).returncode


# ---- the recipe --------------------------------------------------------------------------------------------------


def lines(text):
    """(instruction, words) of each, continued lines joined."""
    joined = re.sub(r"\\\n", " ", text)
    rows = [row for row in joined.splitlines() if row.strip() and not row.startswith("#")]
    return [(row.split(None, 1)[0], row.split(None, 1)[1].strip()) for row in rows]


def smells(text):
    """What a linter would say."""
    rows, found = lines(text), []
    stages = {words.split()[2] for kind, words in rows if kind == "FROM" and " AS " in words}
    for kind, words in rows:
        image = words.split()[0]
        if kind == "FROM" and image not in stages and not re.search(r":\d[\w.-]+$", image):
            found.append("DL3006 image without a version")
        if kind == "ADD":
            found.append("DL3020 ADD where COPY does")
        if kind == "WORKDIR" and not words.startswith("/"):
            found.append("DL3000 relative WORKDIR")
        if kind in ("CMD", "ENTRYPOINT") and not words.startswith("["):
            found.append("DL3025 CMD by a shell")
        if kind == "RUN" and "pip install" in words and "--no-cache-dir" not in words:
            found.append("DL3042 pip's cache is kept")
        if kind == "RUN" and re.search(r"\b(sudo|curl|wget)\b", words):
            found.append("DL3004 something from elsewhere, or sudo")
    last = text[text.rindex("\nFROM ") :] if "\nFROM " in text else text
    users = [words for kind, words in lines(last) if kind == "USER"]
    if not users or users[-1] in ("root", "0"):
        found.append("DL3002 runs as root")
    if sum(kind == "HEALTHCHECK" for kind, _ in lines(last)) != 1:
        found.append("DL3057 no health check")
    return found


def test_the_recipe_has_nothing_that_a_linter_would_find():
    assert smells(RECIPE) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [(":3.11-slim-bookworm", ""), ("COPY pyproject", "ADD pyproject"), ("USER farmwatch", "USER root"),
     ("--no-cache-dir ", ""), ('ENTRYPOINT ["farmwatch"]', "ENTRYPOINT farmwatch"), ("HEALTHCHECK ", "LABEL ")],
)  # fmt: skip
def test_each_fault_of_a_recipe_is_found(old, new):
    assert old in RECIPE
    assert smells(RECIPE.replace(old, new))


def test_the_image_is_built_from_what_is_copied_and_nothing_else():
    """What .dockerignore lets through is exactly what COPY takes from the project: no secret can get in."""
    taken = {
        name for kind, words in lines(RECIPE) if kind == "COPY" and "--from" not in words
        for name in words.split()[:-1]
    }  # fmt: skip
    rules = [row for row in (ROOT / ".dockerignore").read_text().splitlines() if row and not row.startswith("#")]
    assert rules[0] == "*"
    assert {row[1:] for row in rules if row.startswith("!")} == taken
    assert any(fnmatch("farmwatch/web/__pycache__", row) for row in rules[1:] if not row.startswith("!"))
    for name in taken:
        assert (ROOT / name).exists()


def test_what_runs_is_not_what_builds():
    """Two stages: pip and its cache stay behind, and nothing of what runs can be written by the user it runs as."""
    last = lines(RECIPE[RECIPE.rindex("\nFROM ") :])
    assert not any("pip" in words for kind, words in last if kind == "RUN")
    assert not any("--chown" in words for _, words in last)
