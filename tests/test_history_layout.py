"""docs/history.md: the reader that stands there, of the standard library alone, reads what the store has written."""

import math
import random
import re
from array import array
from pathlib import Path

import pytest

from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.words.model import Observed

PAGE = Path(__file__).parents[1] / "docs/history.md"
T0 = 1_795_003_200.0


def reader():
    code = re.search(r"```python\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)[1]
    names = {}
    exec(code, names)  # noqa: S102  (the document's own code is what is tried)
    return names["readings"]


@pytest.mark.parametrize("seed", range(4))
async def test_the_documented_reader_gives_the_same_as_the_store(tmp_path, seed):
    rng = random.Random(seed)
    store = EmbeddedSeries(tmp_path / "history.db")
    t = T0
    for n in range(3000):
        t += 2.0 if seed < 2 else rng.choice([1.9, 2.0, 2.137, 60.0])
        values = {"power_w": round(rng.gauss(300, 90) if seed else n % 50, 1), "bed_c": 60.0, "energy_wh": 7e8 + n / 10}
        if rng.random() < 0.05:
            values["bed_c"] = None
        if rng.random() < 0.1:
            del values["energy_wh"]
        values["power_w"] = max(0.0, values["power_w"])
        store.append([Observed(t, "avocet", "plug", values, False)])
    times = array("d", [T0 - 90_000 + 10 * n for n in range(500)])
    await store.extend("avocet", "import", times, {"power_w": array("d", [float(n) for n in range(500)])})
    await store.seal()
    read = reader()
    for quantity in ("power_w", "bed_c", "energy_wh"):
        rows = [(t, v) for t, v in (await store.read("avocet", quantity, 0, 4e9)).rows() if not math.isnan(v)]
        found = [(t / 1000, v) for t, v in read(tmp_path / "history.db", "avocet", quantity) if v is not None]
        assert sorted(found) == rows
        assert rows
    assert not list(read(tmp_path / "history.db", "bittern", "power_w"))
    assert any(v is None for _, v in read(tmp_path / "history.db", "avocet", "bed_c"))
    await store.close()
