"""The UPS server's configuration: written from a scan, looked over, and started by Debian's nut-server.

Forms: ups.conf(5), upsd.conf(5), upsd.users(5), nut-scanner(8), as Debian 12 has them.
"""

import os
import shutil
import socket
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch import cli_ups
from farmwatch.cli import main
from farmwatch.cli_ups import Unit, mistakes, named, sections, texts
from farmwatch.words.errors import FarmwatchError

SCAN = """\
[nutdev1]
\tdriver = "usbhid-ups"
\tport = "auto"
\tvendorid = "1D6B"
\tproductid = "0104"
\tproduct = "Line interactive 600"
\tserial = "00A100"
\tbus = "001"
[nutdev2]
\tdriver = "usbhid-ups"
\tport = "auto"
\tvendorid = "1D6B"
\tproductid = "0104"
\tserial = "00A101"
\tbus = "001"
\tdevice = "007"
"""


def farmwatch(*words):
    return main(["ups", *map(str, words)])


def test_equal_units_are_told_apart_by_serial_number_alone(tmp_path, capsys):
    (tmp_path / "scan").write_text(SCAN)
    assert farmwatch("write", "one", "two", "--scan", tmp_path / "scan", "--folder", tmp_path) == 0
    said = capsys.readouterr().out
    assert 'one: 00A100; in farmwatch.toml: params = { ups = "one@127.0.0.1:3493" }' in said
    units = sections((tmp_path / "ups.conf").read_text(), "ups.conf")
    assert [(unit.name, unit.keys["serial"]) for unit in units] == [("one", "00A100"), ("two", "00A101")]
    assert not {"bus", "device"} & {key for unit in units for key in unit.keys}
    assert all((tmp_path / name).stat().st_mode & 0o007 == 0 for name in cli_ups.FILES)
    password = (tmp_path / "upsd.users").read_text().partition('password = "')[2].partition('"')[0]
    assert len(password) == 32
    assert password not in said
    assert farmwatch("check", "--folder", tmp_path) == 0
    before = (tmp_path / "ups.conf").read_bytes()
    assert farmwatch("write", "one", "two", "--scan", tmp_path / "scan", "--folder", tmp_path) == 1
    assert "nothing is written over" in capsys.readouterr().err
    assert (tmp_path / "ups.conf").read_bytes() == before


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('\tserial = "00A101"\n', "", "[two] is the same kind as [one] and has no serial number"),
        ('"00A101"', '"000000"', "has no serial number"),
        ('"00A101"', '"00A100"', "has the same serial number as another"),
        ('\tdriver = "usbhid-ups"\n', "", "has no driver"),
    ],
)
def test_what_cannot_be_told_apart_is_refused(old, new, words, tmp_path, capsys):
    (tmp_path / "scan").write_text(SCAN.replace(old, new))
    assert farmwatch("write", "one", "two", "--scan", tmp_path / "scan", "--folder", tmp_path) == 1
    assert words in capsys.readouterr().err
    assert not (tmp_path / "ups.conf").exists()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SCAN, "told apart"),
        (SCAN.replace("nutdev2", "nutdev1"), "[nutdev1] stands twice"),
        (SCAN.replace('\tserial = "00A100"\n', ""), "no serial number"),
        (SCAN.replace('port = "auto"', ""), "has no port"),
        ("maxretry = 3\n[one]\ndriver = x\nport = 10.0.0.5\n[two]\ndriver=x\nport=10.0.0.6 # shelf\n", "told apart"),
    ],
)
def test_what_is_there_is_looked_over(text, words, tmp_path, capsys):
    (tmp_path / "ups.conf").write_text(text)
    assert farmwatch("check", "--folder", tmp_path) == (0 if words == "told apart" else 1)
    assert words in capsys.readouterr().out


def test_users_that_everyone_can_read(tmp_path, capsys):
    (tmp_path / "ups.conf").write_text(SCAN)
    (tmp_path / "upsd.users").write_text("")
    (tmp_path / "upsd.users").chmod(0o644)
    assert farmwatch("check", "--folder", tmp_path) == 1
    assert "chmod 640" in capsys.readouterr().out


def test_lines_names_and_files_that_are_wrong(tmp_path, capsys):
    for text, words in ((SCAN + "???\n", ":17: neither"), ("", "0 units are in the list")):
        (tmp_path / "scan").write_text(text)
        assert farmwatch("write", "one", "--scan", tmp_path / "scan", "--folder", tmp_path) == 1
        assert words in capsys.readouterr().err
    (tmp_path / "scan").write_text(SCAN)
    for names in (("one",), ("one", "o ne"), ("one", "one")):
        assert farmwatch("write", *names, "--scan", tmp_path / "scan", "--folder", tmp_path) == 1
    assert farmwatch("check", "--folder", tmp_path / "nowhere") == 1


@given(st.text(min_size=1, max_size=40).filter(str.isprintable))
def test_any_value_comes_back(value):
    unit = Unit("one", {"driver": "usbhid-ups", "port": "auto", "serial": value})
    (again,) = sections(texts([unit], "x")["ups.conf"].partition("\n\n")[2], "x")
    assert again.keys["serial"] == value
    assert mistakes([again]) == []


def test_a_value_that_no_file_can_hold():
    with pytest.raises(FarmwatchError, match="no configuration can"):
        texts([Unit("one", {"driver": "x", "port": "auto", "serial": "a\nb"})], "x")


@pytest.mark.real
def test_debian_s_server_starts_with_what_is_written(upsd_factory):
    """Two units of one kind, served under the owner's names, and a login that may look (RFC 9271, section 4.2)."""
    server = upsd_factory(names=("one", "two"), started=False)
    server.stop()
    scan = '[nutdev1]\ndriver = "dummy-ups"\nport = "one.dev"\n[nutdev2]\ndriver = "dummy-ups"\nport = "two.dev"\n'
    units = named(sections(scan, "scan"), ("one", "two"))
    assert mistakes(units) == []
    for name, text in texts(units, 'pass word"1\\', port=server.port).items():
        (server.folder / name).write_text(text)
    server.start()
    assert "UPS one" in server.ask("LIST UPS")
    with socket.create_connection((server.host, server.port), timeout=10) as sock:
        lines = sock.makefile("rw", newline="\n")
        for line in (f"USERNAME {cli_ups.USER}", 'PASSWORD "pass word\\"1\\\\"', "LOGIN two"):
            lines.write(line + "\n")
            lines.flush()
            assert lines.readline().startswith("OK"), line
        lines.write("FSD two\n")
        lines.flush()
        assert "ERR ACCESS-DENIED" in lines.readline(), "it may look only"
        lines.close()


@pytest.mark.real
def test_debian_s_own_controller_reads_units_on_usb(tmp_path):
    """upsdrvctl(8) -t reads ups.conf and says what it would start."""
    program = shutil.which("upsdrvctl", path=os.environ["PATH"] + ":/sbin:/usr/sbin")
    if program is None:
        assert not os.environ.get("CI"), "this test needs nut-server"
        pytest.skip("nut-server is not installed")
    for name, text in texts(named(sections(SCAN, "scan"), ("one", "two")), "x").items():
        (tmp_path / name).write_text(text)
    done = subprocess.run(
        [program, "-t", "start"], capture_output=True, text=True, check=False, timeout=60,
        env=os.environ | {"NUT_CONFPATH": str(tmp_path), "NUT_STATEPATH": str(tmp_path)},
    )  # fmt: skip
    said = done.stdout + done.stderr
    assert done.returncode == 0, said
    assert "usbhid-ups -a one" in said
    assert "usbhid-ups -a two" in said
