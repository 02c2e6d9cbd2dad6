"""The simulation itself: the same twice, a disk that loses what was not synced, and oracles that notice."""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path
from random import Random

import pytest
from simulation import oracles
from simulation.disk import Disk, shim
from simulation.sim import Simulation

from farmwatch.scenario.truth import TruthOutage
from farmwatch.words.model import Message, Note

TESTS = Path(__file__).parents[1]
CODE = """
import sys
from simulation.sim import simulate
found = simulate(11, sys.argv[1], hours=3)
print(found.trace, found.faults)
"""


@pytest.mark.timeout(900)
def test_the_same_seed_gives_the_same_run_in_another_process(tmp_path):
    """Other string hashes, another folder: not a byte differs of what was committed and told."""
    found = []
    for hashes in ("1", "2"):
        env = os.environ | {"PYTHONHASHSEED": hashes, "PYTHONPATH": f"{TESTS}:{TESTS.parent}"}
        done = subprocess.run([sys.executable, "-c", CODE, tmp_path / hashes], env=env, check=True, capture_output=True)
        found.append(done.stdout)
    assert found[0] == found[1]
    assert len(found[0]) > 60


@pytest.mark.parametrize("power", [False, True])
@pytest.mark.parametrize("synced", [False, True])
def test_a_power_cut_takes_what_was_not_synced_and_a_kill_nothing(tmp_path, power, synced):
    shim()
    disk = Disk(tmp_path / "0")
    db = sqlite3.connect(disk.folder / "x.db", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE t (x)")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.execute(f"PRAGMA synchronous = {'FULL' if synced else 'OFF'}")
    for n in range(40):
        db.execute("INSERT INTO t VALUES (?)", (n,))
    new = disk.crash(tmp_path / "1", Random(1), power=power)
    db.close()
    again = sqlite3.connect(new.folder / "x.db")
    assert again.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    count = again.execute("SELECT count(*) FROM t").fetchone()[0]
    again.close()
    assert (count == 40) == (synced or not power)


@pytest.mark.parametrize(
    ("mode", "code"),
    [("full", "SQLITE_FULL"), ("readonly", "SQLITE_READONLY"), ("io_error", "SQLITE_IOERR_WRITE"),
     ("fsync", "SQLITE_IOERR_FSYNC")],
)  # fmt: skip
def test_the_disk_refuses_as_a_real_one_does(tmp_path, mode, code):
    shim()
    disk = Disk(tmp_path / "0")
    db = sqlite3.connect(disk.folder / "x.db", isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("CREATE TABLE t (x)")
    db.execute("PRAGMA synchronous = FULL")
    disk.mode = mode
    with pytest.raises(sqlite3.Error) as caught:
        db.execute("INSERT INTO t VALUES (1)")
    assert caught.value.sqlite_errorname == code
    disk.mode = ""
    db.close()


@pytest.fixture
def quiet(tmp_path):
    """A run that has not begun: nothing happened, nothing was told."""
    sim = Simulation(1, tmp_path, 6)
    sim.settings = type("Settings", (), {"people": {}})()
    return sim


def message(at_s, step, priority="danger"):
    return Message(f"m-{at_s}-{step}", at_s, "ann", priority, "Mains lost", "two backups", "mains-1", step)


def test_the_oracles_notice(quiet):
    """Each kind of mistake by itself; without any there is no complaint."""
    start_s, outages = quiet.start_s, quiet.world.truth.outages
    oracles.judge(quiet)
    assert not quiet.found.faults
    outages.append(TruthOutage("site", "site", start_s + 3600.0, start_s + 4200.0))
    oracles.judge(quiet)
    assert "was not told" in quiet.found.faults.pop()
    quiet.mail.append((start_s + 3630.0, message(start_s, "opened"), False, 0))
    oracles.judge(quiet)
    assert "no all-clear" in quiet.found.faults.pop()
    quiet.mail.append((start_s + 4230.0, message(start_s, "clear"), False, 0))
    oracles.judge(quiet)
    assert not quiet.found.faults
    outages.clear()
    oracles.judge(quiet)
    assert "there was no loss" in quiet.found.faults.pop()
    quiet.mail.clear()
    quiet.mail.append((start_s, message(start_s, "note", "session"), True, 0))
    oracles.judge(quiet)
    assert "neither delivered nor waiting" in quiet.found.faults.pop()
    quiet.mail.clear()
    alarm = {"alarm": "broker_lost", "subject": "broker", "state": "unacknowledged", "previous": "normal"}
    quiet.notes.append((start_s + 60.0, "alarm", Note(0.0, "alarm", alarm).doc, 0))
    oracles.judge(quiet)
    assert "no reason" in quiet.found.faults.pop()
    quiet.notes.append((start_s + 90.0, "alarm", alarm | {"alarm": "bed_waiting", "subject": "heron"}, 0))
    quiet.notes.pop(0)
    quiet.world.truth.builds.clear()
    oracles.judge(quiet)
    assert "that was clear" in quiet.found.faults.pop()
