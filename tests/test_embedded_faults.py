"""The embedded series store on bad days: full, read-only, lying and damaged disks, kills, newer files."""

import asyncio
import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys

import pytest

from farmwatch.stores.embedded import EmbeddedSeries, maintenance
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Observed

DAY_S = 86_400.0
T0 = 20_000 * DAY_S


def seen(at_s, subject="avocet", **values):
    return Observed(at_s, subject, "plug", values)


async def rows_of(store, subject="avocet", quantity="power_w", start_s=0.0, end_s=4e9):
    return list((await store.read(subject, quantity, start_s, end_s)).rows())


def abandon(store):
    """As a kill would: nothing is written any more."""
    store._writing.shutdown()
    store._reading.shutdown()
    store._disk.close()


def need(done, what):
    if done.returncode:
        words = f"{what}: {done.stderr.decode().strip()}"
        if os.environ.get("CI"):
            pytest.fail(words)
        pytest.skip(words)


@contextlib.contextmanager
def mounted(folder, size="2m"):
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", folder]
    done = subprocess.run(command, check=False, capture_output=True)
    need(done, "a test file system could not be mounted (needs root)")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


async def test_a_full_disk_keeps_what_was_there_and_what_is_in_memory(tmp_path):
    with mounted(tmp_path / "disk") as folder:
        store = EmbeddedSeries(folder / "history.db", open_max=100_000)
        store.append(seen(T0 + n, power_w=1.0) for n in range(1000))
        await store.flush()
        with contextlib.suppress(OSError), (folder / "ballast").open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        rng = random.Random(1)
        for n in range(400_000 // 20):
            store.append(seen(T0 + 1000 + 20 * n + m, power_w=rng.randrange(150_000) / 10) for m in range(20))
            if n % 1000 == 999:
                with contextlib.suppress(StoreError):
                    await store.flush()
        with pytest.raises(StoreError, match="the disk is full"):
            await store.flush()
        assert store.dropped > 0, "400,000 readings of noise are more than it may hold"
        assert store._count <= 3 * 100_000
        rows = await rows_of(store)
        assert rows[-1][0] == T0 + 400_999
        held = len(rows)
        (folder / "ballast").unlink()
        assert held + store.dropped == 401_000
        abandon(store)


async def test_a_disk_that_fills_and_is_freed_again_loses_nothing(tmp_path):
    with mounted(tmp_path / "disk", "4m") as folder:
        store = EmbeddedSeries(folder / "history.db")
        store.append(seen(T0 + n, power_w=1.0) for n in range(1000))
        await store.seal()
        with contextlib.suppress(OSError), (folder / "ballast").open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        rng = random.Random(1)
        store.append(seen(T0 + 1000 + n, power_w=rng.randrange(150_000) / 10) for n in range(150_000))
        for act in (store.flush, store.seal):
            with contextlib.suppress(StoreError):
                await act()
        assert len(await rows_of(store)) == 151_000
        (folder / "ballast").unlink()
        await store.seal()
        await store.close()
        again = EmbeddedSeries(folder / "history.db")
        assert len(await rows_of(again)) == 151_000
        await again.close()
        assert maintenance.check(folder / "history.db").wrong == []


async def test_a_read_only_disk_is_said_and_still_read(tmp_path):
    with mounted(tmp_path / "disk", "8m") as folder:
        store = EmbeddedSeries(folder / "history.db")
        store.append(seen(T0 + n, power_w=1.0) for n in range(1000))
        await store.seal()
        await store.close()
        subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
        store = EmbeddedSeries(folder / "history.db")
        store.append([seen(T0 + 1000 + n, power_w=1.0) for n in range(10)])
        with pytest.raises(StoreError, match=r"cannot be written, only read|cannot be opened"):
            await store.flush()
        assert len(await rows_of(store)) == 1010
        subprocess.run(["mount", "-o", "remount,rw", folder], check=True)
        await store.flush()
        abandon(store)
        again = EmbeddedSeries(folder / "history.db")
        assert len(await rows_of(again)) == 1010
        await again.close()


CHILD = """
import asyncio, sys
from pathlib import Path
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Observed

async def run():
    store = EmbeddedSeries(Path(sys.argv[1]), open_max=2000)
    n, until, failed = int(sys.argv[2]), int(sys.argv[3]), 0
    while n < until:
        for m in range(n, n + 100):
            store.append([Observed(1728000000.0 + m, "avocet", "plug", {"power_w": float(m % 19000)})])
        n += 100
        try:
            await store.flush()
            print(n, flush=True)
        except StoreError:
            failed += 1
    print("failed", failed, flush=True)

asyncio.run(run())
"""


def acknowledged(path, last):
    """All that a flush has said to be written is there, and nothing else than what was sent."""

    async def look():
        store = EmbeddedSeries(path)
        rows = await rows_of(store)
        await store.close()
        return {round(t - T0): v for t, v in rows}

    rows = asyncio.run(look())
    assert set(range(last)) <= set(rows)
    assert all(v == n % 19000 for n, v in rows.items())


def test_a_kill_loses_only_what_was_not_flushed(tmp_path):
    path, flushed = tmp_path / "history.db", 0
    for turn in range(6):
        command = [sys.executable, "-c", CHILD, str(path), str(flushed), "100000000"]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        for _ in range(5 + 9 * turn):
            flushed = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read().split()
        flushed = int(rest[-1]) if rest else flushed
        child.wait()
        child.stdout.close()
        acknowledged(path, flushed)
    assert maintenance.check(path).wrong == []


@pytest.mark.parametrize(("point", "chance"), [("posix/io/rw/pwrite", 0.01), ("posix/io/sync/fdatasync", 0.1)])
def test_errors_of_the_disk_lose_nothing_that_was_said_to_be_written(tmp_path, point, chance):
    if shutil.which("fiu-run") is None:
        need(subprocess.run(["false"], check=False, stderr=subprocess.PIPE), "fiu-run is missing (Debian: fiu-utils)")
    path = tmp_path / "history.db"
    fault = f"enable_random name={point},probability={chance},failinfo=5"  # 5: EIO
    command = ["fiu-run", "-x", "-c", fault, sys.executable, "-c", CHILD, str(path), "0", "40000"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=100)
    words = done.stdout.split()
    assert int(words[-1]) > 0, "no fault has struck"
    good = [int(word) for word in words[:-2]]
    assert good, done.stderr[-500:]
    acknowledged(path, good[-1])
    assert maintenance.check(path).wrong == []


async def test_a_log_that_is_cut_or_garbled_anywhere_keeps_every_whole_record(tmp_path):
    path = tmp_path / "history.db"
    store = EmbeddedSeries(path)
    for minute in range(12):
        store.append(seen(T0 + 60 * minute + 2 * n, power_w=float(n)) for n in range(30))
        await store.flush()
    abandon(store)
    (log,) = [file for file in tmp_path.glob("*-log?") if file.stat().st_size]
    data = log.read_bytes()
    rng = random.Random(4)
    for turn in range(24):
        at = rng.randrange(12 * 4096)
        bad = data[:at] + bytes(len(data) - at) if turn % 2 else data[:at] + rng.randbytes(9) + data[at + 9 :]
        log.write_bytes(bad)
        again = EmbeddedSeries(path)
        rows = await rows_of(again)
        minutes = {int((t - T0) // 60) for t, _ in rows}
        lost = set(range(12)) - minutes
        assert lost <= ({*range(at // 4096, 12)} if turn % 2 else {at // 4096, (at + 8) // 4096})
        assert len(rows) == 30 * len(minutes)
        if lost and not turn % 2 and max(lost) < 11:
            assert "damaged and passed over" in again.notice
        abandon(again)


async def a_file(path):
    store = EmbeddedSeries(path)
    for day in range(4):
        for subject in ("avocet", "bittern"):
            store.append(seen(T0 + day * DAY_S + 20 * n, subject, power_w=float(n % 1999)) for n in range(3000))
        await store.seal()
    await store.close()


async def test_a_damaged_block_is_set_aside_and_the_rest_is_read(tmp_path):
    path = tmp_path / "history.db"
    await a_file(path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        block, data = db.execute(
            "SELECT block.id, data FROM block JOIN source ON source.id = block.source WHERE subject = 'avocet'"
            " ORDER BY first_ms LIMIT 1 OFFSET 1"
        ).fetchone()
        half = len(data) // 2
        bad = data[:half] + bytes((data[half] ^ 1,)) + data[half + 1 :]
        db.execute("UPDATE block SET data = ? WHERE id = ?", (bad, block))
        db.commit()
    assert maintenance.check(path).wrong == [f"block {block}: the checksum is wrong"]
    store = EmbeddedSeries(path)
    assert len(await rows_of(store)) == 9_000
    assert len(await rows_of(store, "bittern")) == 12_000
    await store.flush()
    assert "1 damaged blocks of history.db were set aside" in store.notice
    await store.close()
    found = maintenance.check(path)
    assert (found.wrong, found.aside) == ([], 1)
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT data FROM block WHERE id = ?", (block,)).fetchone()[0] == bad, "it is kept as it was"


@pytest.mark.parametrize("bad", ["garbage", "zeroed end"])
async def test_a_damaged_file_is_set_aside_and_what_can_be_read_taken_over(tmp_path, bad):
    path = tmp_path / "history.db"
    await a_file(path)
    data = path.read_bytes()
    half = len(data) // 2
    data = b"no database at all " * 999 if bad == "garbage" else data[:half] + bytes(len(data) - half)
    path.write_bytes(data)
    store = EmbeddedSeries(path)
    store.append([seen(T0 + 5 * DAY_S, power_w=5.0)])
    with contextlib.suppress(StoreError):
        await store.flush()
    with contextlib.suppress(StoreError):
        await store.seal()
    await store.seal()
    assert "was damaged and is kept as history.db.corrupt-" in store.notice
    (kept,) = [file for file in tmp_path.glob("history.db.corrupt-*") if not file.name.endswith(("-wal", "-shm"))]
    assert kept.read_bytes() == data
    rows = await rows_of(store)
    assert rows[-1] == (T0 + 5 * DAY_S, 5.0)
    if bad == "zeroed end":
        assert len(rows) > 1, "the first half could be read"
    await store.close()
    assert maintenance.check(path).wrong == []


async def test_a_newer_format_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "history.db"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 9")
    before = path.read_bytes()
    store = EmbeddedSeries(path)
    store.append([seen(T0, power_w=1.0)])
    for act in (store.flush, store.seal, store.close):
        with pytest.raises(StoreError, match="newer Farmwatch"):
            await act()
    assert path.read_bytes() == before
    with pytest.raises(StoreError, match="newer Farmwatch"):
        maintenance.check(path)


async def test_a_missing_folder_is_said_and_nothing_is_lost(tmp_path):
    store = EmbeddedSeries(tmp_path / "missing" / "history.db")
    store.append([seen(T0, power_w=1.0)])
    with pytest.raises(StoreError, match="cannot be opened"):
        await store.flush()
    (tmp_path / "missing").mkdir()
    await store.flush()
    assert await rows_of(store) == [(T0, 1.0)]
    await store.close()
