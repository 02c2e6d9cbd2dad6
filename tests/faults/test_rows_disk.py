"""Rows 16 and 18: a disk that reports errors below the whole daemon (libfiu), and a journal damaged before a start."""

import random
import shutil
import subprocess
import time
from pathlib import Path

import pytest
from faultshop import BY_HAND, PANEL
from servers import need, wait_until
from whole import waits_for

pytestmark = pytest.mark.real

QUICK = '[rules.machine_fault]\non_delay_s = 0\noff_delay_s = 0\npriority = "danger"\n'


CONTROL = "/tmp/fiu-farmwatch"


def sound_again(pid, point):
    """The disk fails no more."""
    program = need("fiu-ctrl", "fiu-utils")
    subprocess.run([program, "-f", CONTROL, "-c", f"disable name={point}", str(pid)], check=True, timeout=20)


def fiu(point, chance):
    """Environment below which a call of the C library fails now and then; 5 is EIO (errno(3))."""
    program = Path(need("fiu-run", "fiu-utils"))
    libraries = [found for found in program.parents[1].glob("lib/**/fiu_*_preload.so") if "run" in found.name]
    folder = libraries[0].parent
    return {
        "LD_PRELOAD": f"{folder}/fiu_run_preload.so {folder}/fiu_posix_preload.so",
        "FIU_CTRL_FIFO": CONTROL,
        "FIU_ENABLE": f"enable_random name={point},probability={chance},failinfo=5\n",
    }


@pytest.mark.parametrize(
    ("point", "chance"),
    [("posix/io/sync/fdatasync", 0.3), pytest.param("posix/io/rw/pwrite", 0.05, marks=BY_HAND)],
)
def test_row_16_errors_of_the_disk(point, chance, house, broker, devices, phone):
    """Every alarm is told all the same, and after a kill below a sound disk everything stands as it was said."""
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL}, extra=QUICK)
    shop.start(**fiu(point, chance))
    shop.hears(devices, "avocet")
    for turn in range(12):
        for name in ("avocet", "bittern"):
            devices.say(name, "RUN", job=f"clip {turn}", percent=10, bed_now=60.0, bed_set=60)
            time.sleep(0.15)
    devices.say("avocet", "ERROR", job="clip 11", percent=40, bed_now=60.0, bed_set=60)
    waits_for(phone, "avocet reports a fault", within_s=30)
    wait_until(lambda: "an error" in shop.log, within_s=20, what="a fault of the disk has struck")
    sound_again(shop.pid, point)
    wait_until(lambda: all(row["ok"] for row in shop.view()["stores"] if row["name"] == "journal"), within_s=30,
               what="the journal is reopened and whole again")  # fmt: skip
    standing = shop.standing()
    shop.kill()
    shop.start()
    assert "machine_fault:avocet" in shop.standing()
    assert {alarm for alarm in standing if alarm.startswith("machine_fault")} <= set(shop.standing())
    assert shop.machine("avocet")["state"] in ("fault", "unknown")
    assert shop.journal("PRAGMA integrity_check") == [("ok",)]


def damage(path, how, rng):
    wal = path.with_name(path.name + "-wal")
    data = bytearray(path.read_bytes())
    if how == "bits":
        for _ in range(60):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif how == "page 1":
        data[:4096] = bytes(4096)
    elif how == "cut":
        del data[len(data) // 2 :]
    if how == "a foreign log":
        wal.write_bytes(rng.randbytes(20_000))
    else:
        wal.unlink(missing_ok=True)
    path.write_bytes(data)


def test_row_18_journal_damaged_before_the_start(house, broker, devices, phone):
    """It starts, however the file was spoilt; the spoilt file is set aside; a loud word; what could be read stands."""
    shop = house(phone=phone, broker_port=broker.port, machines={"avocet": PANEL, "bittern": PANEL}, extra=QUICK)
    shop.start()
    shop.hears(devices, "avocet")
    devices.say("avocet", "ERROR", job="clip", percent=40, bed_now=60.0, bed_set=60)
    waits_for(phone, "avocet reports a fault", within_s=20)
    assert shop.stop()[0] == 0
    sound = shop.folder / "sound"
    shutil.copytree(shop.data, sound)
    rng = random.Random(18)
    for how in ("bits", "page 1", "cut", "a foreign log"):
        shutil.rmtree(shop.data)
        shutil.copytree(sound, shop.data)
        damage(shop.data / "journal.db", how, rng)
        shop.start()
        shop.hears(devices, "bittern")
        aside = [path.name for path in shop.data.iterdir() if "corrupt" in path.name or "damaged" in path.name]
        if how == "a foreign log":
            assert "machine_fault:avocet" in shop.standing(), "the file itself is sound"
        elif how != "bits":  # of those some fall into room that is free
            assert aside, (how, sorted(path.name for path in shop.data.iterdir()))
            assert "journal" in shop.log
        assert shop.press(command="started", machine="bittern", job="after") == 200
        assert shop.journal("PRAGMA integrity_check") == [("ok",)]
        if how != "a foreign log":
            shop.kill()
