"""What a store of history finds wrong reaches a person: the page, the terminal, the API, and the alarm if it fails."""

import asyncio
import contextlib
import sqlite3
import subprocess

import pytest
import web_sample
from farm import Driver, plan
from rich.console import Console

from farmwatch import daemon as daemon_module
from farmwatch.brain import Brain
from farmwatch.cli_status import now_view
from farmwatch.clock import SteadyClock
from farmwatch.daemon import Daemon, Parts
from farmwatch.engine import Engine
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.journal import SqliteJournal
from farmwatch.web import panels
from farmwatch.wire.intake import Intake
from farmwatch.words.model import Observed, StoreHealth

T0 = 1_795_003_200.0


@pytest.fixture
def brisk(monkeypatch):
    monkeypatch.setattr(daemon_module, "FLUSH_S", 0.05)


@contextlib.asynccontextmanager
async def running(*stores):
    """A daemon with these stores, a real journal and the brain of one machine."""
    brain, clock = Brain(plan(["avocet"])), SteadyClock()
    journal = SqliteJournal.in_memory()
    journal.trouble = ""
    parts = Parts(engine=Engine(Intake([]), brain), clock=clock, sources=(), journal=journal, series=stores,
                  channels={}, awake=journal.mark_awake)  # fmt: skip
    daemon = Daemon(parts)
    task = asyncio.create_task(daemon.run())
    try:
        yield lambda: brain.view(clock.now_s())
    finally:
        daemon.stop()
        async with asyncio.timeout(10):
            await task


async def until(view, wanted):
    async with asyncio.timeout(10):
        while True:
            found = {store["name"]: store for store in view()["stores"]}.get("series")
            if found is not None and wanted(found):
                return found
            await asyncio.sleep(0.02)


def in_a_terminal(stores):
    view = web_sample.usual()
    view["stores"] = stores
    console = Console(width=400, force_terminal=False, highlight=False)
    with console.capture() as capture:
        console.print(now_view(view))
    return capture.get(), str(panels.health(view))


async def filled(path):
    store = EmbeddedSeries(path)
    for day in range(3):
        store.append([Observed(T0 + day * 86_400 + 20 * n, "avocet", "plug", {"power_w": 5.0}) for n in range(2500)])
        await store.seal()
    await store.close()


async def test_a_damaged_block_is_told_while_the_rest_is_written(tmp_path, brisk):
    path = tmp_path / "history.db"
    await filled(path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE block SET data = zeroblob(200) WHERE id = 2")
        db.commit()
    store = EmbeddedSeries(path)
    async with running(store) as view:
        assert (await until(view, lambda row: row["ok"]))["why"] == ""
        assert len(await store.read("avocet", "power_w", 0, 4e9)) == 5000
        found = await until(view, lambda row: row["why"])
        assert found["ok"], "what comes now is written"
        assert found["why"] == "1 damaged blocks of history.db were set aside; the rest is read"
        (alarm,) = [alarm for alarm in view()["alarms"] if alarm["id"].startswith("store_")]
        assert (alarm["id"], alarm["priority"]) == ("store_damaged:series", "session")
        for shown in in_a_terminal(view()["stores"]):
            assert found["why"] in shown


async def test_readings_of_a_wrong_clock_are_told(tmp_path, brisk):
    store = EmbeddedSeries(tmp_path / "history.db")
    async with running(store) as view:
        store.append([Observed(12.0, "avocet", "plug", {"power_w": 5.0})])
        assert "Set this computer's clock" in (await until(view, lambda row: row["why"]))["why"]


async def test_a_full_disk_is_an_alarm_and_over_when_there_is_room(tmp_path, brisk):
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "none", folder], check=True)  # needs root, as in CI
    try:
        with contextlib.suppress(OSError), (folder / "ballast").open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        store = EmbeddedSeries(folder / "history.db")
        async with running(store) as view:
            store.append([Observed(T0 + n, "avocet", "plug", {"power_w": 5.0}) for n in range(3000)])
            found = await until(view, lambda row: not row["ok"])
            assert "the disk is full" in found["why"]
            (alarm,) = [alarm for alarm in view()["alarms"] if alarm["id"] == "store_degraded:series"]
            assert alarm["state"] == "unacknowledged"
            for shown in in_a_terminal(view()["stores"]):
                assert "not written" in shown
                assert "the disk is full" in shown
            (folder / "ballast").unlink()
            assert (await until(view, lambda row: row["ok"]))["why"] == ""
            assert len(await store.read("avocet", "power_w", 0, 4e9)) == 3000
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def test_damage_reaches_the_phone_once_and_is_over_when_the_next_start_finds_none():
    day = Driver(plan(["avocet"]))
    for n in range(5):
        day.feed(StoreHealth(day.now, "series", ok=True, why=f"{n + 1} damaged blocks of history.db were set aside"))
        day.advance(day.now + 60.0)
    (message,) = [m for m in day.messages() if "store_damaged" in m.rules]
    assert (message.priority, message.title) == ("session", "Collector's series is damaged")
    assert message.text.startswith("1 damaged blocks of history.db were set aside. ")
    assert "backup" in message.text
    day.feed(StoreHealth(day.now, "series", ok=False, why="the disk is full"))
    assert day.brain.farm.book.alarms["store_damaged:series"].true, "a disk that fails now does not mend what is lost"
    day.feed(StoreHealth(day.now, "series", ok=True, why=""))
    assert not day.brain.farm.book.alarms["store_damaged:series"].true
