"""The nightly backup: when it is due, what is in it, which go; made by a real process from real databases."""

import asyncio
import contextlib
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from farmwatch import backups
from farmwatch.assemble import House
from farmwatch.backups import Nightly, Nights, kept, rotate, verify
from farmwatch.settings import load
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.journal import JournalGuard
from farmwatch.words.model import Keep, Observed

DAY_S = 86_400.0
T0 = datetime(2026, 11, 18, 12, tzinfo=UTC).timestamp()


class Clock:
    def __init__(self, now_s: float = T0) -> None:
        self.at_s = now_s

    def now_s(self) -> float:
        return self.at_s

    async def sleep_until(self, at_s: float) -> None:
        self.at_s = at_s


@pytest.fixture
async def data(tmp_path):
    folder = tmp_path / "data"
    folder.mkdir()
    journal = JournalGuard(folder / "journal.db")
    journal.commit(T0, [Keep("bed", "avocet", {"waiting": True})], {})
    series = EmbeddedSeries(folder / "history.db")
    series.append([Observed(T0 + n, "avocet", "plug", {"power_w": float(n)}, False) for n in range(300)])
    await series.flush()
    await series.seal()
    yield folder  # both are open, as they are while it runs
    await series.close()
    journal.close()


def nightly(data, clock, told, **given):
    nights = {"folder": data / "backups", "keep": 3, "hour": 3, "history_days": 7, "zone": ZoneInfo("Europe/London")}
    return Nightly(Nights(data, **(nights | given)), clock, tell=lambda ok, why: told.append((ok, why)))


def test_one_a_local_day_from_the_hour_on(tmp_path):
    clock = Clock()
    night = nightly(tmp_path, clock, [], zone=ZoneInfo("America/Los_Angeles"))
    # 12:00 UTC is 04:00 there (UTC-8, IANA tz database): past three o'clock
    assert night.due(T0).name == "night-2026-11-18"
    assert night.due(T0 - 2 * 3_600).name == "night-2026-11-17"
    (tmp_path / "backups/night-2026-11-18").mkdir(parents=True)
    assert night.due(T0) is not None, "what is not whole is none"
    (tmp_path / "backups/night-2026-11-18/backup.json").write_text("{}")
    assert night.due(T0) is None
    assert night.due(T0 + DAY_S).name == "night-2026-11-19"
    assert night.due(T0 - 30 * DAY_S) is None, "a clock that went back makes no second one"


async def test_a_week_of_nights_while_everything_is_open(data):
    """Real process, real databases: each is whole, opened and sound; the history comes once in three nights."""
    clock, told = Clock(), []
    night = nightly(data, clock, told, history_days=3)
    for _ in range(5):
        await night.look()
        await night.look()
        assert night.error == ""
        clock.at_s += DAY_S
    found = kept(data / "backups")
    assert [path.name for path in found] == ["night-2026-11-20", "night-2026-11-21", "night-2026-11-22"]
    assert [(path / "history.db").exists() for path in found] == [False, True, False]
    assert "300 rows of readings; opened and sound" in verify(found[1])
    assert all("journal.db" in verify(path) for path in found)
    assert told == [(True, "")]


def test_the_newest_with_a_history_stays_whatever_its_age(tmp_path):
    for day in range(10, 20):
        folder = tmp_path / f"night-2026-11-{day}"
        folder.mkdir()
        (folder / "backup.json").write_text("{}")
        if day in (10, 11):
            (folder / "history.db").write_text("")
    (tmp_path / "mine").mkdir()
    gone = rotate(tmp_path, 3)
    assert [path.name[-2:] for path in gone] == ["10", "12", "13", "14", "15", "16"]
    assert sorted(path.name[-2:] for path in tmp_path.iterdir()) == ["11", "17", "18", "19", "ne"]


async def test_a_damaged_database_makes_no_backup_and_removes_none(data):
    clock, told = Clock(), []
    night = nightly(data, clock, told, keep=1, history_days=1)
    await night.look()
    clock.at_s += DAY_S
    with contextlib.closing(sqlite3.connect(data / "history.db", isolation_level=None)) as db:
        whole = db.execute("SELECT id, data FROM block").fetchall()
        db.execute("UPDATE block SET data = zeroblob(200)")
    await night.look()
    assert "history.db: block 1" in night.error
    assert told[-1][0] is False
    assert [one.name for one in kept(data / "backups")] == ["night-2026-11-18"], "the good one stays"
    assert not list((data / "backups").glob("*.new"))
    await night.look()
    assert len(told) == 2, "it is not tried again within the hour"
    with contextlib.closing(sqlite3.connect(data / "history.db", isolation_level=None)) as db:
        db.executemany("UPDATE block SET data = ?2 WHERE id = ?1", whole)
    clock.at_s += backups.AGAIN_S
    await night.look()
    assert told[-1] == (True, "")
    assert [one.name for one in kept(data / "backups")] == ["night-2026-11-19"]


async def test_too_little_room_is_said_and_nothing_is_left(data, monkeypatch):
    usage = shutil.disk_usage(data)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=10))
    with pytest.raises(backups.StoreError, match=r"0 MB free and a backup needs"):
        backups.take(data, data / "backups/night-2026-11-18")
    assert not list((data / "backups").iterdir())


async def test_a_stop_ends_the_process_that_makes_one(data, monkeypatch, tmp_path):
    slow = tmp_path / "slow"
    slow.write_text("#!/bin/sh\necho $$ > " + str(tmp_path / "pid") + "\nexec sleep 60\n")
    slow.chmod(0o755)
    monkeypatch.setattr(backups.sys, "executable", str(slow))
    task = asyncio.create_task(nightly(data, Clock(), []).look())
    async with asyncio.timeout(20):
        while not (tmp_path / "pid").exists() or not (tmp_path / "pid").read_text().strip():
            await asyncio.sleep(0.02)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert not Path(f"/proc/{(tmp_path / 'pid').read_text().strip()}").exists()


async def test_a_process_that_cannot_be_started_is_told_and_stops_nothing(data, monkeypatch):
    monkeypatch.setattr(backups.sys, "executable", str(data / "missing"))
    clock, told = Clock(), []
    await nightly(data, clock, told).look()
    assert told == [(False, "its process could not be started: No such file or directory")]


async def test_the_process_sees_no_secret(data, monkeypatch):
    seen = {}

    async def spy(*words, env, **_):
        seen.update(words=words, env=env)
        raise asyncio.CancelledError

    monkeypatch.setenv("FARMWATCH__SECRETS__MQTT_PASSWORD", "canary")
    monkeypatch.setattr(asyncio, "create_subprocess_exec", spy)
    with pytest.raises(asyncio.CancelledError):
        await nightly(data, Clock(), []).look()
    assert "canary" not in repr(seen)


@pytest.mark.parametrize(("text", "there"), [("", True), ("nightly.keep = 0\n", False), ("[simulated]\n", False)])
def test_the_daemon_has_the_task_unless_it_is_turned_off_or_a_scenario(text, there, tmp_path):
    (tmp_path / "farmwatch.toml").write_text(text)
    house = House(load(tmp_path / "farmwatch.toml"))
    assert ("nightly" in house.daemon._p.beside) is there
    house.journal.close()
