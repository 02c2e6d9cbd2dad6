"""Row 17: the power goes in the middle of a write, at hundreds of places chosen by seed; the real stores.

Below both stores lies `simulation.disk`: what was written since a file's last sync is lost, kept or torn, piece by
piece, in any order (sqlite.org/atomiccommit.html, 2 and 9.6: so a disk without power may behave). Fifty places in CI,
five hundred by hand (FARMWATCH_LONG=1).
"""

import asyncio
import contextlib
import os
import random
import sqlite3
import sys
from pathlib import Path
from unittest import mock

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from simulation.disk import Disk, LogOs

from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.embedded import log as append_log
from farmwatch.stores.journal import JournalGuard
from farmwatch.words.errors import FarmwatchError
from farmwatch.words.model import Keep, Message, Note, Observed

POINTS = 500 if os.environ.get("FARMWATCH_LONG") else 50
T0 = 1_750_000_000.0
FIRST = int(os.environ.get("FARMWATCH_SEED", "0"))
STEPS = 60
PHONES = {"ann": ("phone",)}


class Model:
    """What must be found: everything that was said to be written, and of what was being written all or nothing."""

    def __init__(self):
        self.facts, self.messages, self.delivered = {}, set(), set()
        self.maybe = None
        self.synced, self.appended = 0, 0

    def commit(self, facts, messages):
        self.facts, self.messages, self.maybe = facts, messages, None


def one_commit(guard, rng, step, model):
    """A transaction of facts, a note and sometimes a message; false when it was not durable."""
    facts, messages, effects = dict(model.facts), set(model.messages), [Note(T0 + step, "state", {"step": step})]
    for _ in range(rng.randrange(1, 5)):
        key = f"m{rng.randrange(8)}"
        doc = None if rng.random() < 0.15 else {"step": step, "pad": "x" * rng.choice((10, 300, 6000))}
        effects.append(Keep("machine", key, doc))
        facts.pop(key, None) if doc is None else facts.__setitem__(key, doc)
    if rng.random() < 0.4:
        found = Message(f"bed-{step}.opened.1.ann", T0 + step, "ann", "session", "Clear", "Done.", "bed", "opened")
        effects.append(found)
        messages.add(found.id)
    model.maybe = (facts, messages)
    guard.commit(T0 + step, effects, PHONES)
    if guard.ok:
        model.commit(facts, messages)
    return guard.ok


async def live(disk, rng, model):
    """Until the power goes, or for so many steps."""
    guard = JournalGuard(disk.folder / "journal.db", reserve_bytes=0)
    store = EmbeddedSeries(disk.folder / "history.db", open_max=200)
    try:
        for step in range(STEPS):
            if not one_commit(guard, rng, step, model):
                return
            if model.messages - model.delivered and rng.random() < 0.3:
                rows = guard.due(T0 + step)
                if rows:
                    model.delivered.add(rows[0].message.id)  # from here on it may be gone from the outbox
                    guard.delivered(rows[0].id, T0 + step, 0.1)
            count = rng.randrange(1, 60)
            store.append(Observed(T0 + n, "avocet", "plug", {"power_w": float(n)})
                         for n in range(model.appended, model.appended + count))  # fmt: skip
            model.appended += count
            with contextlib.suppress(Exception):
                await store.flush()
                model.synced = model.appended
            if disk.dying or not guard.ok:
                return
    finally:
        disk.mode = "dead"
        store._writing.shutdown()
        store._reading.shutdown()
        store._disk.close()
        if guard._disk is not None:
            guard._disk.abandon()
        guard._memory.abandon()


def journal_is_whole(disk, model):
    guard = JournalGuard(disk.folder / "journal.db", reserve_bytes=0)
    try:
        assert guard.ok, guard.trouble
        # Half a file that never held anything may be set aside; one that did is sound as it is.
        assert not guard.notice or not (model.facts or model.messages), guard.notice
        facts = {key: doc for _, key, doc in guard.facts()}
        waiting = {row.message.id for row in guard.due(T0 + 1e6, 1000)}
        known = [(model.facts, model.messages), *([model.maybe] if model.maybe else [])]
        fits = [m for f, m in known if f == facts and m - model.delivered <= waiting <= m]
        assert fits, "neither as it was before the last transaction nor as after it"
        with contextlib.closing(sqlite3.connect(disk.folder / "journal.db")) as db:
            assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        guard.commit(T0 + 1e5, [Keep("machine", "after", {})], {})
        assert guard.ok, "it can be written again"
    finally:
        guard.close()


async def readings_are_whole(disk, model):
    store = EmbeddedSeries(disk.folder / "history.db")
    try:
        found = list((await store.read("avocet", "power_w", 0.0, 4e9)).rows())
    finally:
        await store.close()
    values = [int(value) for _, value in found]
    assert values == list(range(len(values))), "in order, none twice, none made up"
    assert all(at_s == T0 + value for at_s, value in found)
    assert model.synced <= len(values) <= model.appended, (model.synced, len(values), model.appended)


@pytest.mark.timeout(1800)
def test_row_17_power_lost_in_mid_write(tmp_path, record_property):
    """At every place both stores open as they are, hold all that was said to be written, and nothing else."""
    died, pieces = 0, 0
    with mock.patch.object(append_log, "os", LogOs()):
        for seed in range(FIRST, FIRST + POINTS):
            rng, model = random.Random(seed), Model()
            disk = Disk(tmp_path / f"{seed}a")
            disk.die_in = rng.randrange(1, 900)
            asyncio.run(live(disk, rng, model))
            died += disk.dying
            pieces += sum(map(len, disk._pending.values()))
            found = disk.crash(tmp_path / f"{seed}b", rng, power=True)
            try:
                journal_is_whole(found, model)
                asyncio.run(readings_are_whole(found, model))
            except (AssertionError, FarmwatchError) as error:
                pytest.fail(f"seed {seed}: {error}")
            disk.discard()
            found.discard()
    assert died >= 0.8 * POINTS, "most of them died in a write"
    record_property("by means of", f"{POINTS} power cuts, {died} in a write; {pieces} unsynced pieces lost or torn")
