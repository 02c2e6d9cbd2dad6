"""What was freed goes back to the system, and after the work that frees most."""

import ctypes
from pathlib import Path

from farmwatch import heap
from farmwatch.stores.embedded import EmbeddedSeries, disk
from farmwatch.words.model import Observed

MIB = 2.0**20
T0_S = 1_750_942_800.0


def resident_mib():
    """proc(5), statm: the second number is resident pages, the third those of files among them."""
    pages = [int(word) for word in Path("/proc/self/statm").read_text().split()]
    return (pages[1] - pages[2]) * 4096 / MIB


def test_free_pages_between_used_blocks_go_back():
    blocks = [bytes(700) for _ in range(60_000)]  # above 512 bytes the C library's malloc serves them; 40 MiB
    kept = blocks[::200]  # one in 34 pages stays, the last among them: the heap's end cannot shrink
    kept.append(blocks[-1])
    del blocks
    before = resident_mib()
    told = heap.give_back()
    if hasattr(ctypes.CDLL(None), "malloc_trim"):
        assert told
        assert before - resident_mib() > 20.0
    else:
        assert not told
    assert len(kept) == 301


async def test_the_store_gives_back_after_sealing_and_after_the_night_s_work(tmp_path, monkeypatch):
    given = []
    monkeypatch.setattr(disk, "give_back", lambda: given.append(1))
    store = EmbeddedSeries(tmp_path / "history.db")
    store.append(Observed(T0_S + n, "ibis", "ibis.plug", {"power_w": 90.0 + n % 7}) for n in range(3_000))
    await store.flush()
    assert not given  # a minute's log is no such work
    await store.seal()
    assert len(given) == 1
    await store.night()
    assert len(given) == 2
    await store.close()


def test_another_c_library_has_no_such_call(monkeypatch):
    monkeypatch.setattr(heap, "_trim", lambda: None)
    assert heap.give_back() is False
