"""The spool that stands between readings and a server elsewhere: order, crashes, room, damage, a full disk."""

import errno
import os
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from farmwatch.stores.influx.spool import HEAD, Spool
from farmwatch.words.errors import StoreError

DAY_S = 86_400.0
NOW_S = 1_795_000_000.0


def spool(folder, *, mb=10.0, days=30.0):
    return Spool(folder / "spool", round(mb * 1e6), days * DAY_S)


def lines(n, width=1):
    return [f"farmwatch,machine=avocet power_w={k} {n * 1000 + k}" for k in range(width)]


def drain(store):
    found = []
    while (record := store.peek()) is not None:
        found += [one.decode() for one in record.text()]
        store.done(record)
    return found


def test_what_goes_in_comes_out_in_order_after_a_restart_and_only_what_was_not_sent(tmp_path):
    one = spool(tmp_path)
    for n in range(10):
        one.append(lines(n, 3), NOW_S + n)
    assert (one.state.lines, one.state.oldest_s, one.state.dropped) == (30, None, 0)
    for n in range(4):
        record = one.peek()
        assert record.at_s == NOW_S + n
        one.done(record)
    one.close()
    again = spool(tmp_path)
    again.append(lines(10, 3), NOW_S + 10)
    assert again.state.lines == 21
    assert drain(again) == [text for n in range(4, 11) for text in lines(n, 3)]
    assert again.state.lines == again.state.bytes == 0
    again.close()
    assert drain(spool(tmp_path)) == []


def test_who_only_looks_sees_the_same_and_changes_nothing(tmp_path):
    one = spool(tmp_path)
    for n in range(5):
        one.append(lines(n, 2), NOW_S + n)
    one.done(one.peek())
    one.peek()
    before = {path: path.read_bytes() for path in (tmp_path / "spool").iterdir()}
    assert spool(tmp_path).look() == one.state
    assert (one.state.lines, one.state.oldest_s) == (8, NOW_S + 1)
    assert {path: path.read_bytes() for path in (tmp_path / "spool").iterdir()} == before
    assert spool(tmp_path / "none").look().lines == 0
    assert not (tmp_path / "none").exists()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.sampled_from(["put", "send", "lost", "crash", "torn"]), max_size=40), seed=st.integers(0, 99))
def test_any_story_sends_everything_in_order_and_nothing_changed(tmp_path_factory, steps, seed):
    """A crash may have a batch sent again, never another; "lost": taken by the server, but the answer never came."""
    folder, rng = tmp_path_factory.mktemp("story"), random.Random(seed)
    store, got = spool(folder, mb=0.002), []
    store._max_bytes = 1 << 40  # small segments, all room
    for n, step in enumerate(steps):
        if step == "put":
            store.append(lines(n, rng.randint(1, 5)), NOW_S + n)
        elif step in ("send", "lost"):
            record = store.peek()
            if record is not None:
                got.append([one.decode() for one in record.text()])
                if step == "send":
                    store.done(record)
        else:
            if step == "torn":
                newest = max((folder / "spool").glob("*.spool"), default=None)
                if newest is not None:
                    with newest.open("ab") as file:
                        file.write(HEAD.pack(b"FWsp", 500, 1, 9, NOW_S)[: rng.randint(1, 24)])
            store = spool(folder, mb=0.002)
            store._max_bytes = 1 << 40
    while (record := store.peek()) is not None:
        got.append([one.decode() for one in record.text()])
        store.done(record)
    first_seen = list(dict.fromkeys(map(tuple, got)))
    assert first_seen == sorted(first_seen, key=lambda batch: int(batch[0].rsplit(" ", 1)[1]))
    assert len(first_seen) == steps.count("put"), "nothing is lost"


def test_when_there_is_no_more_room_the_oldest_goes_and_is_counted(tmp_path):
    store = spool(tmp_path, mb=0.05)
    rng = random.Random(1)
    for n in range(400):
        store.append([f"m,r={rng.random()} power_w=1 {n}" for _ in range(10)], NOW_S + n)
    state = store.state
    size = sum(path.stat().st_size for path in (tmp_path / "spool").glob("*.spool"))
    assert size <= 60_000
    assert state.dropped > 1000
    assert state.dropped + state.lines == 4000
    left = drain(store)
    assert len(left) == state.lines
    assert left[-1].endswith(" 399"), "the newest stay"
    store.close()
    assert spool(tmp_path).look().dropped == state.dropped, "the count outlives a restart"


def test_what_is_too_old_is_not_sent_any_more(tmp_path):
    store = spool(tmp_path, mb=0.01, days=2)
    for day in range(5):
        for n in range(30):
            store.append(lines(n, 5), NOW_S + day * DAY_S + n)
    assert store.state.dropped >= 2 * 150
    assert store.peek().at_s >= NOW_S + 2 * DAY_S


def test_damage_costs_the_damaged_batches_alone(tmp_path):
    store = spool(tmp_path)
    for n in range(20):
        store.append(lines(n, 10), NOW_S + n)
    store.close()
    path = next((tmp_path / "spool").glob("*.spool"))
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3] = b"\xff\xff\xff"
    path.write_bytes(data)
    again = spool(tmp_path)
    found = drain(again)
    assert len(found) in (180, 190)
    assert again.state.damaged >= 1
    assert set(found) <= {text for n in range(20) for text in lines(n, 10)}


def test_a_disk_that_refuses_keeps_the_batch_in_memory_and_writes_it_later_in_order(tmp_path, monkeypatch):
    store = spool(tmp_path)
    store.append(lines(0), NOW_S)
    real = os.write

    def full(descriptor, data):
        real(descriptor, bytes(data)[:7])  # some of it fits
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("farmwatch.stores.influx.spool.os.write", full)
    for n in (1, 2):
        with pytest.raises(StoreError, match="the disk is full"):
            store.append(lines(n), NOW_S + n)
    assert store.state.lines == 3
    record = store.peek()
    store.done(record)
    assert store.peek().text() == [text.encode() for text in lines(1)], "can be sent from memory"
    monkeypatch.undo()
    store.retry(NOW_S + 3)
    store.append(lines(3), NOW_S + 3)
    store.close()
    assert drain(spool(tmp_path)) == [text for n in (1, 2, 3) for text in lines(n)]


def test_refused_lines_are_kept_with_their_reason_and_bounded(tmp_path):
    store = spool(tmp_path)
    store.append(lines(0), NOW_S)
    store.refuse([b"bad line 1"], "400: unable to parse")
    assert (tmp_path / "spool/refused.txt").read_text() == "# 400: unable to parse\nbad line 1\n"
    for _ in range(300):
        store.refuse([b"x" * 10_000], "400")
    assert store.state.refused == 301
    assert sum(p.stat().st_size for p in (tmp_path / "spool").glob("refused*")) < 2_200_000
