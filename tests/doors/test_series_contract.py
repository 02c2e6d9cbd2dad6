"""The contract of ports.SeriesStore, over every adapter. A new store adds a fixture."""

import math
import random
from array import array

import pytest
from metrics_server import FluxFront, Metrics
from real.servers import until

from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.influx import InfluxConfig, InfluxSeries
from farmwatch.words.model import Observed

DAY_S = 86_400.0
T0 = 20_000 * DAY_S  # a UTC midnight


class Arrived(InfluxSeries):
    """What waits is sent before anything is asked: the store's own reads see what the server has, nothing else."""

    async def arrive(self):
        await self.flush()
        await until(lambda: not self.spool.state.lines, within_s=20, what="everything sent")

    async def read(self, *args):
        await self.arrive()
        return await super().read(*args)

    async def rollups(self, *args):
        await self.arrive()
        return await super().rollups(*args)

    async def held(self):
        await self.arrive()
        return await super().held()


@pytest.fixture
def embedded(tmp_path):
    return lambda: EmbeddedSeries(tmp_path / "history.db")


@pytest.fixture
def influx(tmp_path):
    """Lines through the spool to victoria-metrics, and back by Flux, which is played in front of it."""
    metrics = Metrics(tmp_path / "metrics").start()
    front = FluxFront(metrics)
    config = InfluxConfig(front.url, "saltmarsh", "farm", lambda: "token")
    yield lambda: Arrived(config, tmp_path / "spool", {"avocet": (("machine", "avocet"), ("bank", "north"))})
    front.close()
    metrics.stop()


@pytest.fixture(params=["embedded", pytest.param("influx", marks=pytest.mark.real)])
def make(request):
    return request.getfixturevalue(request.param)


def seen(at_s, subject="avocet", retained=False, **values):
    return Observed(at_s, subject, "plug", values, retained)


async def whole(store, subject="avocet", quantity="power_w", start_s=0.0, end_s=1e11, points=0):
    rows = list((await store.read(subject, quantity, start_s, end_s, points)).rows())
    assert [t for t, _ in rows] == sorted(t for t, _ in rows)
    return rows


def same(rows, expected):
    assert len(rows) == len(expected)
    for (t, v), (want_t, want_v) in zip(rows, expected, strict=True):
        assert t == pytest.approx(want_t, abs=5e-4)
        assert (math.isnan(v) and math.isnan(want_v)) or v == pytest.approx(want_v, abs=1e-9)


async def test_what_goes_in_comes_out_before_and_after_the_flush_and_after_a_restart(make):
    store = make()
    expected = [(T0 + n * 2.0, n * 0.1) for n in range(100)]
    store.append(seen(t, power_w=v, bed_c=60.0) for t, v in expected)
    same(await whole(store), expected)
    await store.flush()
    same(await whole(store), expected)
    store.append([seen(T0 + 300, power_w=7.0)])
    same(await whole(store), [*expected, (T0 + 300, 7.0)])
    await store.close()
    again = make()
    same(await whole(again), [*expected, (T0 + 300, 7.0)])
    assert len(await whole(again, quantity="bed_c")) == 100
    assert await whole(again, subject="bittern") == []
    assert await whole(again, quantity="voltage_v") == []
    await again.close()


async def test_ranges_include_both_ends_and_cross_midnight(make):
    store = make()
    for part in range(3):
        store.append(seen(T0 - 100 + 100 * part + n, power_w=float(100 * part + n)) for n in range(100))
        if part < 2:
            await store.flush()
    same(await whole(store, start_s=T0 - 3, end_s=T0 + 2), [(T0 + n, 100.0 + n) for n in range(-3, 3)])
    assert len(await whole(store)) == 300
    await store.close()
    again = make()
    same(await whole(again, start_s=T0 - 3, end_s=T0 + 2), [(T0 + n, 100.0 + n) for n in range(-3, 3)])
    await again.close()


async def test_unknown_is_a_gap_zero_is_a_value_and_words_are_no_readings(make):
    store = make()
    store.append([seen(T0, power_w=0.0, relay=True, state="printing", job="hook")])
    store.append([seen(T0 + 2, power_w=None), seen(T0 + 4, power_w=None), seen(T0 + 6, power_w=5.5, relay=False)])
    store.append([seen(T0 + 8, power_w=99.0, retained=True)])
    expected = [(T0, 0.0), (T0 + 2, math.nan), (T0 + 6, 5.5)]
    same(await whole(store), expected)
    await store.flush()
    store.append([seen(T0 + 10, power_w=None)])
    await store.close()
    again = make()
    same(await whole(again), [*expected, (T0 + 10, math.nan)])
    same(await whole(again, quantity="relay"), [(T0, 1.0), (T0 + 6, 0.0)])
    assert await whole(again, quantity="state") == []
    await again.close()


async def test_values_keep_their_quantity_s_resolution(make):
    store = make()
    odd = {"current_a": 1.2344, "charge": 0.9996, "energy_wh": 987_654_321.26, "progress": 0.33333, "bed_c": -12.34}
    store.append([seen(T0, **odd)])
    await store.close()
    again = make()
    kept = {name: (await whole(again, quantity=name))[0][1] for name in odd}
    assert kept == pytest.approx({"current_a": 1.234, "charge": 1.0, "energy_wh": 987_654_321.3, "progress": 0.3333,
                                  "bed_c": -12.3}, abs=1e-9)  # fmt: skip
    await again.close()


async def test_late_readings_are_kept_and_sorted(make):
    store = make()
    times = [T0 + n for n in range(60)]
    random.Random(1).shuffle(times)
    for n in range(0, 60, 20):
        store.append(seen(t, power_w=t - T0) for t in times[n : n + 20])
        await store.flush()
    expected = [(T0 + n, float(n)) for n in range(60)]
    same(await whole(store), expected)
    await store.close()
    again = make()
    same(await whole(again), expected)
    await again.close()


@pytest.mark.parametrize("flushed", [False, True])
async def test_a_thinned_chart_loses_no_extreme_and_no_gap(make, flushed):
    store = make()
    rng = random.Random(2)
    values = [rng.gauss(200, 20) for _ in range(20_000)]
    values[7_777], values[12_345] = 1999.0, 0.0
    rows = [(T0 + 2 * n, round(v, 1)) for n, v in enumerate(values) if not 5_000 <= n < 6_000]
    store.append(seen(t, power_w=v) for t, v in rows)
    store.append([seen(T0 + 2 * 20_000, power_w=None)])
    if flushed:
        await store.flush()
        await store.close()
        store = make()
    got = await whole(store, start_s=T0, end_s=T0 + 40_000, points=400)
    assert len(got) <= 440
    numbers = [v for _, v in got if not math.isnan(v)]
    assert max(numbers) == pytest.approx(1999.0)
    assert min(numbers) == pytest.approx(0.0)
    assert math.isnan(got[-1][1])
    exact = {round(t, 3): v for t, v in rows}
    assert all(v == pytest.approx(exact[round(t, 3)]) for t, v in got if not math.isnan(v)), "no value is invented"
    assert not [t for t, _ in got if T0 + 10_000 <= t < T0 + 12_000]
    assert [t for t, v in got if math.isnan(v) and T0 + 9_998 < t < T0 + 12_000], "a gap is no line"
    assert got[0][0] == T0
    known = [t for t, v in got if not math.isnan(v)]
    before, after = max(t for t in known if t < T0 + 10_000), min(t for t in known if t >= T0 + 12_000)
    assert (before, after) == (T0 + 9_998, T0 + 12_000), "the edges of the gap are drawn where they are"
    await store.close()


async def test_an_empty_store_closes_and_opens(make):
    store = make()
    await store.flush()
    assert await whole(store) == []
    await store.close()
    again = make()
    assert await whole(again) == []
    await again.close()


async def test_rollups_say_least_greatest_mean_last_count_and_energy(make):
    store = make()
    watts = [100.0, 120.0, 80.0, 100.0, 0.0, 300.0]
    store.append(seen(T0 + 20 * n, power_w=v, bed_c=v / 10) for n, v in enumerate(watts))
    store.append([seen(T0 + 3600, power_w=50.0), seen(T0 + 3620, power_w=None), seen(T0 + 3640, power_w=70.0)])
    for _ in range(2):  # before and after it is written
        found = await store.rollups("avocet", "power_w", "1min", T0, T0 + 7200)
        assert list(found.start_s) == [T0, T0 + 60, T0 + 3600]
        assert list(found.low) == [80.0, 0.0, 50.0]
        assert list(found.high) == [120.0, 300.0, 70.0]
        assert list(found.last) == [80.0, 300.0, 70.0]
        assert list(found.count) == [3, 3, 2]
        assert list(found.covered_s) == pytest.approx([60.0, 40.0, 0.0], abs=1e-9)
        assert list(found.gaps) == [0, 0, 1]
        # trapezoids by hand: (110 + 100 + 90) * 20; (50 + 150) * 20
        assert list(found.energy_wh) == pytest.approx([6000 / 3600, 4000 / 3600, 0.0], abs=1e-3)
        assert list(found.mean) == pytest.approx([100.0, 100.0, 70.0], abs=0.05)
        await store.flush()
    days = await store.rollups("avocet", "power_w", "1d", T0 - DAY_S, T0 + DAY_S)
    assert (list(days.start_s), list(days.count), list(days.high)) == ([T0], [8], [300.0])
    assert days.energy_wh[0] == pytest.approx(10_000 / 3600, abs=1e-3)
    beds = await store.rollups("avocet", "bed_c", "15min", T0, T0 + DAY_S)
    assert math.isnan(beds.energy_wh[0])
    assert beds.mean[0] == pytest.approx(10.0, abs=0.05)
    await store.close()


@pytest.mark.parametrize("restart", [False, True])
async def test_a_block_from_elsewhere_is_taken_whole_and_twice_changes_nothing(make, restart):
    store = make()
    times = array("d", [T0 - 86_400 * 20 + 10 * n for n in range(2000)])
    values = {"power_w": array("d", [float(n % 300) for n in range(2000)]), "voltage_v": array("d", [230.1] * 2000)}
    values["power_w"][77] = math.nan
    for _ in range(2):
        assert await store.extend("avocet", "import", times, values) == 4000
    if restart:
        await store.close()
        store = make()
    same(await whole(store), list(zip(times, values["power_w"], strict=True)))
    same(await whole(store, quantity="voltage_v"), [(t, 230.1) for t in times])
    if not restart:
        assert [(h.subject, h.quantity) for h in await store.held()] == [("avocet", "power_w"), ("avocet", "voltage_v")]
        assert (await store.held())[0][2:] == pytest.approx((times[0], times[-1]), abs=1e-3)
    await store.close()


async def test_of_two_values_for_one_moment_the_later_one_stands(embedded):
    """Of an InfluxDB its own manual promises it; the server of these tests keeps both and answers with either."""
    store = embedded()
    store.append([seen(T0, power_w=1.0), seen(T0, power_w=2.0), seen(T0 + 1, power_w=3.0)])
    await store.flush()
    store.append([seen(T0 + 1, power_w=4.0), seen(T0 + 1, power_w=4.0)])
    same(await whole(store), [(T0, 2.0), (T0 + 1, 4.0)])
    await store.close()
    again = embedded()
    same(await whole(again), [(T0, 2.0), (T0 + 1, 4.0)])
    await again.close()
