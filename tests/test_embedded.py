"""The embedded series store: bytes, blocks, rollups, disorder, retention, charts. Faults: test_embedded_faults.py.

Outside checks: numpy.trapezoid for areas; the energy meter of the power rooms, which shares no code with the store.
"""

import asyncio
import contextlib
import dataclasses
import itertools
import math
import random
import sqlite3
import tempfile
import threading
from array import array
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from farmwatch.power.energy import EnergyMeter
from farmwatch.stores.embedded import EmbeddedSeries, coding, maintenance, rollups
from farmwatch.stores.embedded import store as store_module
from farmwatch.stores.embedded.blocks import ABSENT, UNKNOWN, VALUES, Block, Frame, masked, pack, settled
from farmwatch.stores.embedded.coding import FROM_BASE, FROM_LAST, FROM_LINE, FROM_STEP, decode, encode
from farmwatch.words.model import Observed
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import LEVELS

DAY_S = 86_400.0
T0 = 20_000 * DAY_S
WAYS = (FROM_BASE, FROM_LAST, FROM_STEP, FROM_LINE)


def seen(at_s, subject="avocet", source="plug", **values):
    return Observed(at_s, subject, source, values)


@pytest.fixture(params=["plain", "numpy"])
def arithmetic(request):
    coding.use_numpy(request.param == "numpy")
    yield request.param
    coding.use_numpy(False)


async def rows_of(store, quantity="power_w", start_s=0.0, end_s=1e11, points=0, subject="avocet"):
    return list((await store.read(subject, quantity, start_s, end_s, points)).rows())


# ---- bytes -----------------------------------------------------------------------------------------------------------


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)  # a busy computer is no fault
@given(st.lists(st.integers(-(2**52), 2**52), min_size=1, max_size=80), st.sampled_from(WAYS), st.booleans())
def test_a_column_comes_back_and_numpy_writes_the_same_bytes(numbers, way, squeezed):
    column = array("q", numbers)
    data = encode(column, (way,), squeezed=squeezed)
    assert list(decode(data, len(numbers), squeezed=squeezed)) == numbers
    assert encode(column, WAYS) == encode(column, WAYS)
    coding.use_numpy()
    try:
        assert encode(column, (way,), squeezed=squeezed) == data
        assert list(decode(data, len(numbers), squeezed=squeezed)) == numbers
    finally:
        coding.use_numpy(False)


def test_a_few_numbers_are_the_same_bytes_by_the_short_way():
    """What the log holds of a minute: the reader of yesterday's log reads today's, and the other way round."""
    rng = random.Random(3)
    for _ in range(3000):
        most = rng.choice((0, 3, 127, 128, 129, 60_000, 2**40))
        numbers = [rng.choice((rng.randint(-most, most), UNKNOWN, ABSENT)) for _ in range(rng.randint(1, 20))]
        column = array("q", numbers)
        for way in (FROM_BASE, FROM_LAST):
            data = encode(column, (way,), squeezed=False)
            assert coding.encode_few(column, way) == data
            assert list(coding.decode_few(data, len(numbers))) == numbers
            with pytest.raises(ValueError, match="column"):
                coding.decode_few(data, len(numbers) + 1)


MARKED = st.one_of(st.sampled_from([UNKNOWN, ABSENT]), st.integers(-400, 10**10))


@given(st.data(), st.integers(1, 40))
def test_a_block_comes_back_with_its_marks_and_no_damage_goes_unseen(data, rows):
    times = array("q", sorted(data.draw(st.sets(st.integers(0, 4 * 10**12), min_size=rows, max_size=rows))))
    columns = {(n, VALUES): array("q", data.draw(st.lists(MARKED, min_size=rows, max_size=rows))) for n in (1, 2, 3)}
    packed = pack(times, columns)
    block = Block(packed)
    assert (block.rows, list(block.times())) == (rows, list(times))
    assert {key: list(block.column(*key)) for key in columns} == {key: list(c) for key, c in columns.items()}
    at = data.draw(st.integers(0, len(packed) - 1))
    bad = packed[:at] + bytes((packed[at] ^ data.draw(st.integers(1, 255)),)) + packed[at + 1 :]
    with pytest.raises(ValueError, match="checksum"):
        Block(bad)
    with pytest.raises(ValueError, match="checksum"):
        Block(packed[:at])


def test_equal_columns_are_stored_once():
    times = array("q", range(0, 20_000, 2))
    noise = array("q", [random.Random(n).randrange(1000) for n in range(10_000)])
    one = len(pack(times, {(1, VALUES): noise}))
    assert len(pack(times, {(1, VALUES): noise, (2, VALUES): noise})) < one + 20


def test_rows_settle_and_the_later_of_two_values_stands():
    frame = Frame()
    for at, values in ((3, {"a": 1}), (1, {"a": 2, "b": 5}), (3, {"b": 7}), (3, {"a": 9}), (2, {"a": ABSENT + 500})):
        frame.add(at, values)
    found = settled(frame)
    assert list(found.times) == [1, 2, 3]
    assert list(found.columns["a"]) == [2, ABSENT + 500, 9]
    assert list(found.columns["b"]) == [5, ABSENT, 7]


# ---- any story -------------------------------------------------------------------------------------------------------

READING = st.tuples(
    st.sampled_from([0, 1, 2, 2, 2, 5, 30, 61, 900, -3, -200, -4000, -90_000]),  # seconds after the newest one
    st.integers(0, 999),
    st.one_of(st.none(), st.integers(0, 199_999)),
)
STEPS = st.lists(
    st.one_of(
        st.lists(READING, min_size=1, max_size=12),
        st.sampled_from(["flush", "seal", "night", "kill", "close", "compact"]),
        st.tuples(st.just("extend"), st.lists(READING, min_size=1, max_size=6)),
    ),
    max_size=14,
)


class Story:
    """The store, and what it must hold."""

    def __init__(self, path):
        self.path = path
        self.store = EmbeddedSeries(path)
        self.model, self.safe = {}, {}
        self.newest_ms = round(T0 * 1000)

    def times(self, readings):
        for step_s, ms, value in readings:
            at_ms = self.newest_ms + 1000 * step_s + (ms if step_s else 0)
            self.newest_ms = max(self.newest_ms, at_ms)
            yield at_ms, value

    async def do(self, step):
        store = self.store
        if isinstance(step, list):
            for at_ms, value in self.times(step):
                store.append([seen(at_ms / 1000, power_w=None if value is None else value / 10)])
                self.model[at_ms] = value
            return
        if isinstance(step, tuple):
            found = [*self.times(step[1])]
            values = array("d", [math.nan if v is None else v / 10 for _, v in found])
            # what is in memory comes later and stands; so it goes to the disk first, in its order
            await store.seal()
            await store.extend("avocet", "plug", array("d", [t / 1000 for t, _ in found]), {"power_w": values})
            self.model |= dict(found)
        elif step == "kill":
            store._writing.shutdown()
            store._reading.shutdown()
            store._disk.close()
            self.model = dict(self.safe)
            self.store = EmbeddedSeries(self.path)
            return
        elif step == "close":
            await store.close()
            self.store = EmbeddedSeries(self.path)
        else:
            await getattr(store, step)()
        if step not in ("night", "compact"):
            self.safe = dict(self.model)

    def expected(self):
        found = []
        for at_ms, value in sorted(self.model.items()):
            if value is None and found and math.isnan(found[-1][1]):
                continue
            found.append((at_ms / 1000, math.nan if value is None else value / 10))
        return found


def same(rows, expected):
    assert [t for t, _ in rows] == [t for t, _ in expected]
    assert np.array_equal([v for _, v in rows], [v for _, v in expected], equal_nan=True)


def metered(model):
    """Wh by the power rooms' meter."""
    meter = EnergyMeter()
    for at_ms, value in sorted(model.items()):
        if value is None:
            meter.lost()
        else:
            meter.observe(at_ms / 1000, value / 10)
    return meter.total_wh()


async def rolled_up(story, slack_wh):
    """The rollups of every level are those of the readings."""
    known = [v / 10 for v in story.model.values() if v is not None]
    for level in LEVELS:
        found = await story.store.rollups("avocet", "power_w", level, 0, 4e9)
        assert sum(found.energy_wh) == pytest.approx(metered(story.model), abs=slack_wh), level
        assert sum(found.count) == len(known)
        if known:
            assert min(v for v in found.low if not math.isnan(v)) == min(known)
            assert max(v for v in found.high if not math.isnan(v)) == max(known)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(STEPS)
def test_any_story_comes_back_exactly_and_its_energy_is_that_of_its_readings(steps):
    async def play(folder):
        story = Story(Path(folder) / "history.db")
        for step in steps:
            await story.do(step)
        same(await rows_of(story.store), story.expected())
        for act in ("", "seal", "night"):  # what is late counts once at every moment
            if act and story.model:
                await getattr(story.store, act)()
            await rolled_up(story, slack_wh=(4 + 2 * len(steps)) * 1.0 / 3600)  # half a unit of 1 Ws a block
        same(await rows_of(story.store), story.expected())
        await story.store.close()
        assert maintenance.check(story.path).wrong == [] if story.path.exists() else True

    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(play(folder))


# ---- rollups and charts ----------------------------------------------------------------------------------------------


async def a_week(path, numpy=False):
    """A week at 10 s with a peak, a dip and two holes; the numbers too."""
    rng = np.random.default_rng(3)
    times = T0 + 10.0 * np.arange(60_480)
    watts = np.round(200 + 30 * np.sin(times / 3000) + rng.normal(0, 5, len(times)), 1)
    watts[31_234], watts[40_001] = 1999.0, 0.0
    keep = np.ones(len(times), bool)
    keep[20_000:20_100] = False
    times, watts = times[keep], watts[keep]
    store = EmbeddedSeries(path)
    for begin in range(0, len(times), 2160):
        part = slice(begin, begin + 2160)
        await store.extend("avocet", "plug", array("d", times[part]), {"power_w": array("d", watts[part])})
    await store.night()
    return store, times, watts


async def test_rollups_are_what_numpy_says(tmp_path, arithmetic):
    store, times, watts = await a_week(tmp_path / "history.db")
    found = await store.rollups("avocet", "power_w", "15min", T0, T0 + 7 * DAY_S)
    at = (times // 900 * 900).astype(float)
    assert list(found.start_s) == sorted(set(at))
    for n in (0, 1, 17, 300, len(found) - 1):
        inside = at == found.start_s[n]
        assert (found.low[n], found.high[n], found.last[n], found.count[n]) == (
            watts[inside].min(), watts[inside].max(), watts[inside][-1], inside.sum()
        )  # fmt: skip
    joined = np.diff(times) <= 60
    area = np.sum(((watts[1:] + watts[:-1]) / 2 * np.diff(times))[joined])
    assert sum(found.energy_wh) == pytest.approx(area / 3600, abs=0.02)
    assert area / 3600 == pytest.approx(
        (np.trapezoid(watts[:20_000], times[:20_000]) + np.trapezoid(watts[20_000:], times[20_000:])) / 3600
    )
    assert sum(found.gaps) == 1
    await store.close()


async def test_a_long_chart_is_made_from_rollups_and_loses_no_extreme_and_no_gap(tmp_path, arithmetic):
    store, times, watts = await a_week(tmp_path / "history.db")
    raw = await rows_of(store, start_s=T0, end_s=T0 + 7 * DAY_S, points=800)
    limit = store_module.Reader.read.__globals__["RAW_ROWS"]
    assert len(times) > limit, "this week must be too long for a chart of its readings"
    assert len(raw) <= 900
    known = [v for _, v in raw if not math.isnan(v)]
    assert (max(known), min(known)) == (1999.0, 0.0)
    peak = next(t for t, v in raw if v == 1999.0)
    assert abs(peak - times[watts == 1999.0][0]) <= 60
    hole = T0 + 200_000, T0 + 201_000
    assert [t for t, v in raw if math.isnan(v) and hole[0] - 120 <= t <= hole[1] + 120]
    assert set(known) <= set(watts), "no value is invented"
    day = await rows_of(store, start_s=T0 + 2 * DAY_S, end_s=T0 + 3 * DAY_S, points=800)
    assert {(t, v) for t, v in day if not math.isnan(v)} <= set(zip(times, watts, strict=True))
    await store.close()


def columns_of(rng, times):
    """Two series: absent and unknown values among them, some far too large for numpy's way."""
    found = {}
    for series in (1, 2):
        most, kind = rng.choice((100, 100_000, 2**26, 2**40)), rng.random()
        marks = {ABSENT: 0.2, UNKNOWN: 0.1} if kind < 0.3 else {ABSENT: 1.0} if kind > 0.97 else {}
        column = array("q", (rng.randrange(-most, most) for _ in times))
        for mark, share in marks.items():
            column = array("q", (mark if rng.random() < share else value for value in column))
        found[series] = column
    return found


def test_coarser_rollups_and_those_of_numpy_are_what_the_readings_give():
    """Each level straight from the readings by the plain way, against level from level and against numpy."""
    rng = random.Random(7)
    for _ in range(400):
        steps = [rng.choice((1, 2000, 2000, 2000, 9_999, 60_000, 60_001, 59_000, 4_000_000, 90_000_000))
                 for _ in range(rng.randrange(1, 200))]  # fmt: skip
        times = array("q", itertools.accumulate(steps, initial=int(T0 * 1000) + rng.randrange(10**9)))
        columns = columns_of(rng, times)
        before = {series: (times[0] - rng.choice((1, 59_000, 60_000, 60_001, 10**7)), rng.choice((5, UNKNOWN)))
                  for series in columns if rng.random() < 0.5}  # fmt: skip
        straight = {}
        for level, width_ms in rollups.WIDTHS_MS.items():
            page = rollups.Page()
            for series, column in columns.items():
                starts, found = rollups.Line(times, column, before.get(series)).buckets(width_ms)
                more = rollups.Page(starts, {(series, kind): part for kind, part in found.items()})
                page = rollups.combine(page, more)
            straight[level] = page
        assert rollups.roll_up(times, columns, before) == straight
        coding.use_numpy()
        try:
            assert rollups.roll_up(times, columns, before) == straight
            assert [masked(column) for column in columns.values()] == plain_masks(columns)
        finally:
            coding.use_numpy(False)


def plain_masks(columns):
    coding.use_numpy(False)
    found = [masked(column) for column in columns.values()]
    coding.use_numpy()
    return found


async def test_charts_are_the_same_with_numpy(tmp_path):
    store, _, _ = await a_week(tmp_path / "history.db")
    plain = [await rows_of(store, points=n, end_s=T0 + d * DAY_S) for n, d in ((800, 7), (400, 1), (0, 1))]
    coding.use_numpy()
    try:
        fast = [await rows_of(store, points=n, end_s=T0 + d * DAY_S) for n, d in ((800, 7), (400, 1), (0, 1))]
    finally:
        coding.use_numpy(False)
    for one, other in zip(plain, fast, strict=True):
        same(one, other)
    await store.close()


# ---- late, old, wrong ------------------------------------------------------------------------------------------------


async def test_late_readings_are_kept_apart_and_merged_at_night(tmp_path):
    path = tmp_path / "history.db"
    store = EmbeddedSeries(path)
    store.append(seen(T0 + 10 * n, power_w=100.0) for n in range(3 * 8640))
    await store.seal()
    store.append([seen(T0 + 105, power_w=900.0), seen(T0 + 2 * DAY_S + 105, power_w=300.0)])
    await store.seal()
    states = "SELECT state, count(*) FROM block GROUP BY state ORDER BY state"
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert [state for state, _ in db.execute(states)] == [0, 1]
    for _ in range(2):
        assert (T0 + 105, 900.0) in await rows_of(store, end_s=T0 + 200)
        assert (await store.rollups("avocet", "power_w", "1min", T0, T0 + 180)).high[1] == 900.0
        done = await store.night()
    assert done.merged == 0
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert [state for state, _ in db.execute(states)] == [0]
    assert len(await rows_of(store)) == 3 * 8640 + 2
    minute = await store.rollups("avocet", "power_w", "1min", T0 + 60, T0 + 120)
    # by hand: 100 W but for a triangle of 800 W over 10 s
    assert minute.energy_wh[0] == pytest.approx((100 * 60 + 800 * 10 / 2) / 3600, abs=1e-3)
    await store.close()


async def test_retention_is_by_quantity_and_level_and_by_days_that_have_readings(tmp_path):
    path = tmp_path / "history.db"
    rule = {"raw": {"": 3, "voltage_v": 1, "energy_wh": 0}, "1min": {"": 2}}
    store = EmbeddedSeries(path, keep_days=rule)
    for day in (0, 1, 2, 3, 4, 30_000 - 20_000):  # the last one by a clock that is wrong
        store.append(
            seen(T0 + day * DAY_S + 60 * n, power_w=float(day), voltage_v=230.0, energy_wh=1.0) for n in range(100)
        )
        await store.seal()
    size = path.stat().st_size
    done = await store.night()
    assert done.pruned > 0
    assert sorted({v for _, v in await rows_of(store)}) == [3.0, 4.0, 10_000.0]
    assert len(await rows_of(store, "voltage_v")) == 100
    assert len(await rows_of(store, "energy_wh")) == 600
    assert len((await store.rollups("avocet", "power_w", "1min", 0, 4e9)).start_s) == 200
    assert len((await store.rollups("avocet", "power_w", "1d", 0, 4e9)).start_s) == 6
    chart = await rows_of(store, start_s=T0, end_s=T0 + 6 * DAY_S, points=400)
    assert {v for _, v in chart if not math.isnan(v)} >= {0.0, 1.0, 2.0, 3.0, 4.0}, "the rollups still say"
    assert path.stat().st_size <= size + 20 * 512, "nothing was written anew"
    await store.close()


async def test_a_time_that_cannot_be_and_a_value_out_of_range_are_told(tmp_path):
    store = EmbeddedSeries(tmp_path / "history.db")
    store.append([seen(T0, power_w=5.0), seen(12.0, power_w=1.0), seen(4.2e9, power_w=1.0), seen(T0 + 1, power_w=1e9)])
    store.append([seen(T0 + 2, power_w=math.inf, voltage_v=230.0)])
    assert store.refused == 4
    assert "Set this computer's clock" in store.notice
    await store.flush()
    assert await rows_of(store) == [(T0, 5.0)]
    assert await store.extend("avocet", "file", array("d", [1.0, T0 + 5]), {"power_w": array("d", [1.0, 2.0])}) == 1
    assert await rows_of(store) == [(T0, 5.0), (T0 + 5, 2.0)]
    await store.close()


async def test_a_quantity_that_changes_its_resolution(tmp_path, monkeypatch):
    store = EmbeddedSeries(tmp_path / "history.db")
    store.append(seen(T0 + n, current_a=n / 1000) for n in range(100))
    await store.seal()
    finer = dataclasses.replace(QUANTITIES["current_a"], resolution=0.0001)
    for table in (QUANTITIES, store_module.NUMBERS):
        monkeypatch.setitem(table, "current_a", finer)
    store.append(seen(T0 + 100 + n, current_a=0.1 + n / 10_000) for n in range(100))
    await store.seal()
    rows = await rows_of(store, "current_a")
    assert rows == [(T0 + n, n / 1000) for n in range(100)] + [(T0 + 100 + n, (1000 + n) / 10_000) for n in range(100)]
    found = await store.rollups("avocet", "current_a", "1d", T0, T0 + DAY_S)
    assert (found.count[0], found.high[0]) == (200, 0.1099)
    await store.close()


async def test_memory_and_the_log_stay_small_and_a_young_frame_stays_in_the_log(tmp_path):
    path = tmp_path / "history.db"
    store = EmbeddedSeries(path, open_max=50_000)
    for minute in range(8 * 60):
        at_s = T0 + 60 * minute
        store.append(seen(at_s + 2 * n, subject="avocet", power_w=float(n)) for n in range(30))
        store.append([seen(at_s, subject="shed", source="air", air_c=20.0)])
        await store.flush()
    with contextlib.closing(sqlite3.connect(path)) as db:
        sql = "SELECT DISTINCT subject FROM block JOIN source ON source.id = block.source"
        subjects = [subject for (subject,) in db.execute(sql)]
    assert subjects == ["avocet"], "480 readings of the air make no block of their own yet"
    assert store._count < 5_000
    assert sum(file.stat().st_size for file in tmp_path.glob("*-log?")) <= 8 << 20
    store._writing.shutdown()
    store._disk.close()
    again = EmbeddedSeries(path)
    assert len(await rows_of(again, "air_c", subject="shed")) == 480
    assert len(await rows_of(again)) == 8 * 60 * 30
    await again.close()


async def test_reading_during_a_seal_sees_everything_once(tmp_path, monkeypatch):
    store = EmbeddedSeries(tmp_path / "history.db")
    seal, before, after = store._disk.seal, threading.Event(), threading.Event()

    def held(frames, again):
        assert before.wait(60.0), "reading waits for the seal"
        seal(frames, again)
        assert after.wait(60.0), "reading waits for the seal"

    monkeypatch.setattr(store._disk, "seal", held)
    store.append(seen(T0 + 2 * n, power_w=1.0) for n in range(5000))
    await store.flush()
    sealing = asyncio.create_task(store.seal())
    count = 5000
    for gate in (before, after):
        for _ in range(3):
            await asyncio.sleep(0)
            assert not sealing.done()
            store.append([seen(T0 + 2 * count, power_w=1.0)])
            count += 1
            assert len(await rows_of(store)) == count
            found = await store.rollups("avocet", "power_w", "1d", T0, T0 + DAY_S)
            assert sum(found.count) == count
        gate.set()
    await sealing
    assert len(await rows_of(store)) == count
    await store.close()


async def test_who_reads_beside_the_program_that_writes_sees_what_became_blocks_meanwhile(tmp_path):
    path = tmp_path / "history.db"
    writer, reader = EmbeddedSeries(path), EmbeddedSeries(path)
    writer.append(seen(T0 + n, power_w=1.0) for n in range(100))
    await writer.flush()
    assert len(await rows_of(reader)) == 100
    for turn in range(1, 4):
        writer.append(seen(T0 + 100 * turn + n, power_w=1.0) for n in range(100))
        await writer.seal()
        writer.append([seen(T0 + 100 * turn + 99.5, power_w=2.0)])
        await writer.flush()
        async with asyncio.timeout(20):
            assert len(await rows_of(reader)) == 100 + 101 * turn
    logs = {file.name: file.read_bytes() for file in tmp_path.glob("*-log?")}
    await reader.close()
    assert {file.name: file.read_bytes() for file in tmp_path.glob("*-log?")} == logs, "it writes nothing"
    await writer.close()


async def test_the_command_looks_the_file_over(tmp_path, capsys):
    from farmwatch.cli import main

    config = tmp_path / "farmwatch.toml"
    config.write_text('config_version = 1\ndata_dir = "."\n[history]\nkeep_days = { raw = 1 }\n')
    path = tmp_path / "history.db"
    assert await asyncio.to_thread(main, ["store", "check", "-c", str(config)]) == 1
    assert "there is no history" in capsys.readouterr().err
    store = EmbeddedSeries(path)
    for day in range(3):
        store.append(seen(T0 + day * DAY_S + 2 * n, power_w=float(n % 997)) for n in range(20_000))
        await store.seal()
    await store.close()
    assert await asyncio.to_thread(main, ["store", "check", "-c", str(config)]) == 0
    assert "3 blocks with 60000 rows" in capsys.readouterr().out
    before = path.stat().st_size
    assert await asyncio.to_thread(main, ["store", "compact", "-c", str(config)]) == 0
    assert path.stat().st_size < before
    capsys.readouterr()
    assert await asyncio.to_thread(main, ["store", "stats", "--json", "-c", str(config)]) == 0
    assert '"rows": 20000' in capsys.readouterr().out
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE block SET data = zeroblob(50)")
        db.commit()
    assert await asyncio.to_thread(main, ["store", "check", "-c", str(config)]) == 1
    assert "the checksum is wrong" in capsys.readouterr().out
