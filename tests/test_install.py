"""The installer on a root of its own: twice, over an owner's changes, away again. The unit's measure is systemd's."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from farmwatch.settings import load
from farmwatch.settings_check import memory_mib

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "deploy/install.sh"


def run(root, *words, code=0):
    command = [SCRIPT, *words, "--root", str(root), "--no-pip"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stderr
    return done.stderr


def tree(folder):
    """Every file with what is in it, and its permissions."""
    return {
        str(path.relative_to(folder)): (path.stat().st_mode & 0o777, path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def memory(root):
    text = (root / "etc/systemd/system/farmwatch.service.d/memory.conf").read_text()
    return int(re.search(r"^MemoryMax=(\d+)M$", text, re.MULTILINE)[1])


@pytest.fixture
def root(tmp_path):
    folder = tmp_path / "root"
    folder.mkdir()
    return folder


def test_installed_twice_is_the_same_as_once(root):
    assert "an example" in run(root, "install")
    first = tree(root)
    assert run(root, "install").count("an example") == 0
    assert tree(root) == first
    assert first["etc/systemd/system/farmwatch.service"][1] == (ROOT / "deploy/farmwatch.service").read_bytes()
    assert (root / "etc/farmwatch/secrets").stat().st_mode & 0o777 == 0o700
    for path in (ROOT / "farmwatch").rglob("*.py"):
        assert first[f"opt/farmwatch/{path.relative_to(ROOT)}"][1] == path.read_bytes()
    assert not [name for name in first if "__pycache__" in name or name.endswith(".new")]


def test_what_building_has_left_is_neither_installed_again_nor_left_behind(root):
    """setuptools copies into build/lib and takes what it finds there: a module that is no more would come back."""
    for verb in ("install", "uninstall"):
        run(root, "install")
        for left in ("build/lib/farmwatch/old.py", "farmwatch.egg-info/SOURCES.txt"):
            path = root / "opt/farmwatch" / left
            path.parent.mkdir(parents=True)
            path.write_text("old")
        run(root, verb)
        assert not (root / "opt/farmwatch/build").exists()
        assert not (root / "opt/farmwatch/farmwatch.egg-info").exists()
    assert not (root / "opt/farmwatch").exists()


def test_an_upgrade_keeps_what_is_the_owner_s_and_leaves_nothing_old(root):
    run(root, "install")
    mine = root / "etc/farmwatch/farmwatch.toml"
    mine.write_text('[site]\nname = "Saltmarsh Works"\n')
    secret = root / "etc/farmwatch/secrets/mqtt_password"
    secret.write_text("secret")
    secret.chmod(0o644)
    data = root / "var/lib/farmwatch/journal.db"
    data.parent.mkdir(parents=True)
    data.write_bytes(b"data")
    (root / "opt/farmwatch/farmwatch/gone_in_this_version.py").write_text("")
    (root / "opt/farmwatch/farmwatch/cli.py").write_text("old")
    run(root, "install")
    assert mine.read_text() == '[site]\nname = "Saltmarsh Works"\n'
    assert secret.read_text() == "secret"
    assert secret.stat().st_mode & 0o777 == 0o600, "closed to others"
    assert data.read_bytes() == b"data"
    assert not (root / "opt/farmwatch/farmwatch/gone_in_this_version.py").exists()
    assert (root / "opt/farmwatch/farmwatch/cli.py").read_bytes() == (ROOT / "farmwatch/cli.py").read_bytes()
    text = (root / "etc/systemd/system/farmwatch.service.d/credentials.conf").read_text()
    assert text.splitlines()[1:] == [
        "[Service]", "LoadCredential=", "LoadCredential=mqtt_password:/etc/farmwatch/secrets/mqtt_password",
    ]  # fmt: skip


def test_taken_away_and_put_back_loses_nothing(root):
    run(root, "install")
    for name in ("etc/farmwatch/secrets/act_password", "var/lib/farmwatch/history.db"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("mine")
        (root / name).chmod(0o600)
    before = {name: row for name, row in tree(root).items() if name.startswith(("etc/farmwatch", "var"))}
    assert "kept:" in run(root, "uninstall")
    run(root, "uninstall")
    assert tree(root) == before
    assert not (root / "opt/farmwatch").exists()
    run(root, "install")
    assert {name: row for name, row in tree(root).items() if name.startswith(("etc/farmwatch", "var"))} == before


@pytest.mark.parametrize(("machines", "mib"), [(0, 256), (12, 256), (300, 256 + 64 + 9), (10_000, 256 + 64 + 293)])
def test_the_memory_limit_follows_the_number_of_machines(root, machines, mib):
    """64 MiB and 30 KiB a machine above the base: 300 x 30 KiB is 8.8 MiB, 10,000 are 293 MiB."""
    run(root, "install")
    names = "".join(f"[machines.m{n}]\n" for n in range(machines))
    (root / "etc/farmwatch/farmwatch.toml").write_text(names)
    run(root, "memory")
    assert memory(root) == mib == memory_mib(machines)


def test_a_configuration_that_cannot_be_read_gives_the_base(root):
    run(root, "install")
    (root / "etc/farmwatch/farmwatch.toml").write_text("[machines\n")
    run(root, "memory")
    assert memory(root) == 256


def test_the_example_that_it_writes_is_right(root):
    run(root, "install")
    assert len(load(root / "etc/farmwatch/farmwatch.toml", live=False).machines) == 10


def test_wrong_words_change_nothing(root):
    for words in (("instal",), ("install", "--rot"), ()):
        done = subprocess.run([SCRIPT, *words], capture_output=True, text=True, check=False)
        assert done.returncode == 2, done.stderr
    assert tree(root) == {}


def test_the_unit_as_installed_is_understood_by_systemd(root):
    """systemd-analyze(1): what it prints of a unit is what it does not understand."""
    program = shutil.which("systemd-analyze")
    if program is None:
        assert not os.environ.get("CI"), "this test needs systemd-analyze (Debian package systemd)"
        pytest.skip("no systemd here")
    (root / "etc/farmwatch/secrets").mkdir(parents=True)
    (root / "etc/farmwatch/secrets/mqtt_password").write_text("secret")
    run(root, "install")
    service = root / "etc/systemd/system/farmwatch.service"
    folder = root / "etc/systemd/system/farmwatch.service.d"
    whole = root / "whole/farmwatch.service"  # unit and drop-ins as one file: offline, only files by name are read
    whole.parent.mkdir()
    parts = [service.read_text(), *(path.read_text() for path in sorted(folder.iterdir()))]
    whole.write_text("\n".join(parts).replace("ExecStart=/opt/farmwatch/.venv/bin/farmwatch", "ExecStart=/bin/true"))
    done = subprocess.run(
        [program, "security", "--offline=true", "--threshold=15", "--no-pager", str(whole)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-300:]
    assert "Unknown" not in done.stderr, done.stderr
    assert "Failed to parse" not in done.stderr, done.stderr
    assert "ignoring" not in done.stderr, done.stderr
