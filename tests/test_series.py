"""The SQLite series store: packing, bounds, damage, full disks, kills."""

import asyncio
import contextlib
import math
import os
import signal
import sqlite3
import subprocess
import sys
from array import array

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.stores.series import SqliteSeries
from farmwatch.stores.series.coding import UNKNOWN, decode, encode, pack, scale, thin, unpack
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES

DAY_S = 86_400.0
T0 = 20_000 * DAY_S


def seen(at_s, subject="avocet", **values):
    return Observed(at_s, subject, "plug", values)


# ---- numbers and bytes ---------------------------------------------------------------------------------------------


@given(st.lists(st.integers(-(2**63), 2**63 - 1), min_size=1, max_size=50))
def test_pack_gives_back_every_integer(numbers):
    assert list(unpack(pack(numbers))) == numbers


@given(
    st.lists(
        st.tuples(st.integers(0, 4 * 10**12), st.one_of(st.just(UNKNOWN), st.integers(-(10**12), 10**12))),
        min_size=1,
        max_size=60,
    )
)
def test_a_row_gives_back_its_readings(readings):
    times, values = array("q", [t for t, _ in readings]), array("q", [v for _, v in readings])
    assert decode(*encode(times, values)) == readings


@pytest.mark.parametrize("blob", [b"", b"x123", b"h1", b"\xff"])
def test_foreign_bytes_are_refused(blob):
    with pytest.raises(ValueError, match=r"typecode|multiple|decode"):
        unpack(blob)


def test_narrow_integers_are_used():
    times = array("q", [int(T0) * 1000 + 2000 * n for n in range(30)])
    values = array("q", [1_203 + n for n in range(30)])
    assert sum(len(column) for column in encode(times, values) if isinstance(column, bytes)) == 30 * (4 + 1) + 2


@pytest.mark.parametrize(
    ("name", "value", "scaled"),
    [
        ("power_w", 0.0, 0), ("power_w", 123.46, 1235), ("power_w", None, UNKNOWN), ("power_w", math.nan, None),
        ("power_w", math.inf, None), ("power_w", True, None), ("power_w", "12", None), ("relay", False, 0),
        ("relay", True, 1), ("relay", 1.0, None), ("power_w", 1e300, None),
    ],
)  # fmt: skip
def test_what_is_a_value(name, value, scaled):
    assert scale(QUANTITIES[name], value) == scaled


@given(
    st.lists(st.tuples(st.integers(0, 10_000), st.one_of(st.just(math.nan), st.integers(-50, 50))), min_size=1),
    st.integers(1, 60),
)
def test_thinning_keeps_first_last_least_and_greatest_of_each_span(rows, points):
    rows.sort(key=lambda row: row[0])
    got = thin(rows, 0, 10_000, points)
    spans = max(1, points // 4)
    assert len(got) <= 5 * spans

    def by_span(some):
        found = {}
        for t, v in some:
            found.setdefault(t * spans // 10_001, []).append((t, v))
        return found

    full, kept = by_span(rows), by_span(got)
    assert full.keys() == kept.keys()
    for span, before in full.items():
        after = kept[span]
        assert (before[0][0], before[-1][0]) == (after[0][0], after[-1][0])
        numbers = [v for _, v in before if not math.isnan(v)]
        if numbers:
            assert min(numbers) == min(v for _, v in after if not math.isnan(v))
            assert max(numbers) == max(v for _, v in after if not math.isnan(v))
        assert any(math.isnan(v) for _, v in before) == any(math.isnan(v) for _, v in after)


@settings(max_examples=12, deadline=None)
@given(st.lists(st.one_of(
    st.tuples(st.floats(0, 3 * DAY_S), st.one_of(st.none(), st.floats(0, 19_999))), st.just("flush"), st.just("reopen"),
), max_size=20))  # fmt: skip
def test_any_order_of_readings_flushes_and_restarts_comes_back(tmp_path_factory, steps):
    path = tmp_path_factory.mktemp("any") / "series.db"

    async def story():
        store = SqliteSeries(path, recent_s=100.0)
        model = []
        for step in steps:
            if step == "flush":
                await store.flush()
            elif step == "reopen":
                await store.close()
                store = SqliteSeries(path, recent_s=100.0)
            else:
                at_s, value = step
                store.append([seen(T0 + at_s, power_w=value)])
                if value is not None:
                    model.append((round((T0 + at_s) * 1000), round(value / 0.1)))
        rows = list((await store.read("avocet", "power_w", 0.0, 1e11)).rows())
        await store.close()
        numbers = [(round(t * 1000), round(v / 0.1)) for t, v in rows if not math.isnan(v)]
        assert numbers == sorted(set(model))

    asyncio.run(story())


# ---- bounds ----------------------------------------------------------------------------------------------------------


async def test_a_full_buffer_drops_the_oldest_and_counts_them(tmp_path):
    store = SqliteSeries(tmp_path / "missing" / "series.db", pending_max=1000)
    for n in range(2500):
        store.append([seen(T0 + n, power_w=float(n), voltage_v=230.0)])
    with pytest.raises(StoreError, match=r"series\.db could not be written: it cannot be opened"):
        await store.flush()
    assert store._pending <= 1000
    assert store.dropped + store._pending == 5000
    (tmp_path / "missing").mkdir()
    await store.flush()
    rows = list((await store.read("avocet", "power_w", 0.0, 1e11)).rows())
    assert rows[-1] == (T0 + 2499, 2499.0)
    assert 400 < len(rows) <= 500
    await store.close()


async def test_memory_is_bounded_however_many_machines_there_are(tmp_path):
    store = SqliteSeries(tmp_path / "series.db", recent_max=5_000)
    for minute in range(30):
        for machine in range(200):
            store.append([seen(T0 + 60 * minute + machine / 10, subject=f"m{machine}", power_w=1.0, bed_c=20.0)])
        await store.flush()
    assert store._held <= 5_400
    assert len(list((await store.read("m7", "power_w", T0, T0 + 1e6)).rows())) == 30
    await store.close()


async def test_a_recent_range_is_read_without_the_disk(tmp_path):
    store = SqliteSeries(tmp_path / "series.db")
    store.append(seen(T0 + n, power_w=1.0) for n in range(4000))
    await store.flush()
    store.append([seen(T0 + 4000, power_w=1.0)])
    store._reading.shutdown()
    assert len(list((await store.read("avocet", "power_w", T0 + 1000, T0 + 4000)).rows())) == 3001
    with pytest.raises(RuntimeError):
        list((await store.read("avocet", "power_w", T0, T0 + 4000)).rows())
    await store.close()


async def test_old_days_are_dropped_by_number_not_by_the_clock(tmp_path):
    store = SqliteSeries(tmp_path / "series.db", keep_days=3)
    for day in (0, 1, 2, 3, 4, 30_000):  # the last one by a clock that is wrong
        store.append([seen(T0 + day * DAY_S, power_w=float(day))])
        await store.flush()
    await store.close()
    again = SqliteSeries(tmp_path / "series.db")
    assert [v for _, v in list((await again.read("avocet", "power_w", 0, 1e11)).rows())] == [3.0, 4.0, 30_000.0]
    await again.close()


async def test_a_slow_disk_does_not_hold_up_the_loop(tmp_path, monkeypatch):
    store = SqliteSeries(tmp_path / "series.db")
    write = store._disk.write
    monkeypatch.setattr(store._disk, "write", lambda batch: (__import__("time").sleep(0.5), write(batch)))
    store.append([seen(T0, power_w=1.0)])
    flushing = asyncio.create_task(store.flush())
    loop = asyncio.get_running_loop()
    worst = 0.0
    for n in range(40):
        began = loop.time()
        store.append([seen(T0 + 1 + n, power_w=1.0)])
        assert len(list((await store.read("avocet", "power_w", T0, T0 + 99)).rows())) == n + 2
        await asyncio.sleep(0.01)
        worst = max(worst, loop.time() - began)
    await flushing
    assert worst < 0.25
    await store.close()
    again = SqliteSeries(tmp_path / "series.db")
    assert len(list((await again.read("avocet", "power_w", T0, T0 + 99)).rows())) == 41
    await again.close()


# ---- bad days --------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def mounted(folder, size):
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", folder], check=False, capture_output=True
    )
    if done.returncode:
        words = f"a test file system could not be mounted (needs root): {done.stderr.decode().strip()}"
        if os.environ.get("CI"):
            pytest.fail(words)
        pytest.skip(words)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


async def test_a_full_disk_keeps_the_buffer_and_what_was_there_before(tmp_path):
    with mounted(tmp_path / "disk", "1m") as folder:
        store = SqliteSeries(folder / "series.db")
        store.append(seen(T0 + n, power_w=1.0) for n in range(1000))
        await store.flush()
        with contextlib.suppress(OSError), (folder / "ballast").open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        for n in range(20_000):
            store.append([seen(T0 + 1000 + n, power_w=float(n % 5000))])
        with pytest.raises(StoreError, match="the disk is full"):
            await store.flush()
        assert len(list((await store.read("avocet", "power_w", T0, T0 + 1e6)).rows())) == 21_000
        (folder / "ballast").unlink()
        await store.flush()
        await store.close()
        again = SqliteSeries(folder / "series.db")
        assert len(list((await again.read("avocet", "power_w", T0, T0 + 1e6)).rows())) == 21_000
        await again.close()


@pytest.mark.parametrize("bad", ["garbage", "zeroed middle"])
async def test_a_damaged_file_is_set_aside_and_a_new_one_begun(tmp_path, bad):
    path = tmp_path / "series.db"
    store = SqliteSeries(path)
    for day in range(3):
        store.append(seen(T0 + day * DAY_S + 2 * n, power_w=float(n % 1999)) for n in range(5_000))
        await store.flush()
    await store.close()
    data = bytearray(path.read_bytes())
    data = b"no database at all " * 999 if bad == "garbage" else data[:4096] + bytes(len(data) - 4096)
    path.write_bytes(data)
    store = SqliteSeries(path)
    store.append([seen(T0 + 5 * DAY_S, power_w=5.0)])
    await store.flush()
    assert "was damaged and is kept as series.db.corrupt-" in store.notice
    (kept,) = tmp_path.glob("series.db.corrupt-*")
    assert kept.read_bytes() == data
    assert list((await store.read("avocet", "power_w", 0, 1e11)).rows()) == [(T0 + 5 * DAY_S, 5.0)]
    await store.close()


async def test_a_damaged_day_is_said_and_the_others_are_read(tmp_path):
    path = tmp_path / "series.db"
    store = SqliteSeries(path)
    for day in range(3):
        store.append(seen(T0 + day * DAY_S + 2 * n, power_w=float(n % 1999)) for n in range(5_000))
        await store.flush()
    await store.close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        days = db.execute("SELECT rootpage FROM sqlite_master WHERE name GLOB 'day_*' ORDER BY name").fetchall()
    root = days[1][0]
    data = bytearray(path.read_bytes())
    data[4096 * (root - 1) : 4096 * root] = bytes(4096)
    path.write_bytes(data)
    store = SqliteSeries(path)
    rows = list((await store.read("avocet", "power_w", 0, 1e11)).rows())
    assert len(rows) == 10_000
    assert "can be read only in part" in store._disk.notice
    await store.close()


async def test_a_newer_format_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "series.db"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 9")
    store = SqliteSeries(path)
    store.append([seen(T0, power_w=1.0)])
    with pytest.raises(StoreError, match="newer Farmwatch"):
        await store.flush()
    with pytest.raises(StoreError, match="newer Farmwatch"):
        await store.close()


CHILD = """
import asyncio, sys
from pathlib import Path
from farmwatch.stores.series import SqliteSeries
from farmwatch.words.model import Observed

async def run():
    store = SqliteSeries(Path(sys.argv[1]))
    n = int(sys.argv[2])
    while True:
        for _ in range(20):
            store.append([Observed(1728000000.0 + n, "avocet", "plug", {"power_w": float(n % 19000)})])
            n += 1
        await store.flush()
        print(n, flush=True)

asyncio.run(run())
"""


def test_a_kill_loses_only_what_was_not_flushed(tmp_path):
    path = tmp_path / "series.db"
    flushed = 0
    for turn in range(6):
        command = [sys.executable, "-c", CHILD, str(path), str(flushed)]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        for _ in range(5 + 7 * turn):
            flushed = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read().split()
        flushed = int(rest[-1]) if rest else flushed
        child.wait()
        child.stdout.close()

        async def count():
            store = SqliteSeries(path)
            rows = list((await store.read("avocet", "power_w", 0, 1e11)).rows())
            await store.close()
            return {round(t - T0): v for t, v in rows}

        rows = asyncio.run(count())
        assert set(range(flushed)) <= set(rows)
        assert all(v == n % 19000 for n, v in rows.items())
