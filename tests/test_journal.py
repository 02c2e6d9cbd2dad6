"""The journal on bad days: damage, newer schema, full and read-only disks, torn logs, a second process.

Outside references: SQLite's file format (sqlite.org/fileformat2.html: page 1 header, WAL of 24 + 4096-byte frames
behind a 32-byte header) and its result codes (sqlite.org/rescode.html).
"""

import contextlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys

import pytest

from farmwatch.stores.journal import JournalGuard, SqliteJournal, Unusable, opening, salvage, schema
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Keep, Message, Note

PHONES = {"ann": ("pager",)}
MACHINES = ("avocet", "bittern", "curlew", "dunlin", "eider", "fulmar", "gannet", "heron", "ibis", "jackdaw")


def message(number, title="Clear bed: avocet"):
    return Message(f"bed-{number}.opened.1.ann", 5.0, "ann", "session", title, "Done.", f"bed-{number}", "opened")


def filled(path, *, rows=200, close=True):
    journal = SqliteJournal.open(path)
    rng = random.Random(3)
    for n in range(rows):
        machine = rng.choice(MACHINES)
        doc = {"state": "printing", "n": n, "padding": "x" * rng.randrange(600)}
        effects = [Keep("machine", machine, doc), Keep("build", f"b{n}", doc), Note(float(n), "state", doc)]
        if n % 10 == 0:
            effects.append(message(n))
        journal.commit(float(n), effects, PHONES)
        if n == rows // 2:
            journal._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    if close:
        journal.close()
    return journal


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    """A journal of some hundred pages, closed, and one as a kill leaves it (with its log)."""
    folder = tmp_path_factory.mktemp("sample")
    filled(folder / "closed.db")
    running = filled(folder / "killed.db", close=False)
    for part in ("", "-wal"):
        shutil.copy(folder / f"killed.db{part}", folder / f"torn.db{part}")
    running.close()
    return folder


def copy_of(sample, name, path):
    for part in ("", "-wal"):
        source = sample / f"{name}.db{part}"
        if source.exists():
            shutil.copy(source, path.with_name(path.name + part))
    return path


@contextlib.contextmanager
def mounted(folder, size):
    """A real, small file system; the test fails where mounting is not allowed in CI and is skipped elsewhere."""
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


# ---- versions and holders --------------------------------------------------------------------------------------


def test_a_newer_schema_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "journal.db"
    SqliteJournal.open(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 7")
    before = path.read_bytes()
    for opener in (SqliteJournal.open, JournalGuard):
        with pytest.raises(Unusable, match=r"newer Farmwatch \(schema 7, this one knows 2\)"):
            opener(path)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*corrupt*"))


def test_a_migration_runs_once_and_leaves_a_copy_of_the_old_file(tmp_path):
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path)
    journal.commit(1.0, [Keep("machine", "avocet", {"n": 1})], {})
    journal.close()
    scripts = (*schema.MIGRATIONS, "ALTER TABLE meta ADD COLUMN about TEXT NOT NULL DEFAULT ''")
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        schema.migrate(db, path, scripts)
        schema.migrate(db, path, scripts)
        assert schema.version_of(db) == schema.VERSION + 1
        assert db.execute("SELECT about FROM meta").fetchone() == ("",)
    with contextlib.closing(sqlite3.connect(tmp_path / f"journal.db.schema-{schema.VERSION}")) as db:
        assert schema.version_of(db) == schema.VERSION
        assert db.execute("SELECT key FROM fact").fetchall() == [("avocet",)]


def test_a_migration_that_fails_changes_nothing(tmp_path):
    path = tmp_path / "journal.db"
    SqliteJournal.open(path).close()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        with pytest.raises(sqlite3.OperationalError):
            schema.migrate(db, path, (*schema.MIGRATIONS, "CREATE TABLE more (a); CREATE TABLE more (a)"))
        assert schema.version_of(db) == schema.VERSION
        assert not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'more'").fetchall()


def test_a_second_process_is_refused_while_the_first_lives(tmp_path):
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path)
    code = "import sys, pathlib, farmwatch.stores.journal as j; j.SqliteJournal.open(pathlib.Path(sys.argv[1]))"
    second = subprocess.run([sys.executable, "-c", code, path], check=False, capture_output=True, text=True)
    assert "is in use by another Farmwatch" in second.stderr
    journal.close()
    subprocess.run([sys.executable, "-c", code, path], check=True)


def test_every_commit_is_synced(tmp_path):
    journal = SqliteJournal.open(tmp_path / "journal.db")
    for _ in range(2):  # from the start, and after a mark that may be lost
        assert journal._db.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 = FULL, sqlite.org/pragma.html
        journal.mark_awake(1000.0)
    assert journal._db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    journal.close()


# ---- awake and stopped -------------------------------------------------------------------------------------------


def test_last_awake_and_clean_stop(tmp_path):
    path = tmp_path / "journal.db"
    first = JournalGuard(path)
    assert (first.last_awake(), first.clean_stop) == (None, False)
    first.mark_awake(1000.0)
    first.mark_awake(1030.0)  # within the minute: not written
    first.close()
    second = JournalGuard(path)
    assert (second.last_awake(), second.clean_stop) == (1000.0, True)
    second.commit(1234.0, [Keep("machine", "avocet", {})], {})
    second._disk.abandon()  # as a kill would
    third = JournalGuard(path)
    assert (third.last_awake(), third.clean_stop) == (1234.0, False)
    third.close()


def test_a_collector_that_has_had_nothing_to_write_down_for_days_was_awake_all_the_same(tmp_path):
    path = tmp_path / "journal.db"
    journal = JournalGuard(path)
    for number in range(5):
        journal.commit(1000.0 + number, [Keep("machine", f"m{number}", {}), Note(1000.0 + number, "use", {})], {})
    journal.mark_awake(1000.0 + 9 * 86_400.0)
    journal.close()
    again = JournalGuard(path)
    assert again.last_awake() == 1000.0 + 9 * 86_400.0
    again.close()


@pytest.mark.parametrize(
    "turned",
    [
        "UPDATE fact SET at_s = 2040853250.02 WHERE rowid = (SELECT max(rowid) FROM fact)",
        "UPDATE note SET at_s = 2040853250.02 WHERE rowid = (SELECT max(rowid) FROM note)",
        "UPDATE meta SET value = 2040853250.02 WHERE name = 'awake_s'",
    ],
)
def test_one_damaged_time_is_not_when_the_collector_was_last_awake(tmp_path, turned):
    """A damaged bit of one row sets its time years ahead; found by simulation seed 121."""
    path = tmp_path / "journal.db"
    journal = JournalGuard(path)
    for number in range(5):
        at_s = 1_772_435_000.0 + 60 * number
        journal.commit(at_s, [Keep("machine", f"m{number}", {}), Note(at_s, "use", {})], {})
    journal.mark_awake(1_772_435_250.0)
    journal.close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute(turned).rowcount == 1
        db.commit()
    again = JournalGuard(path)
    assert 1_772_435_180.0 <= again.last_awake() <= 1_772_435_250.0
    again.close()


def test_pruning_keeps_the_newest_and_never_a_message_that_waits(tmp_path, monkeypatch):
    monkeypatch.setitem(schema.KEEP_NOTES, "state", 5)
    monkeypatch.setattr("farmwatch.stores.journal.disk.KEEP_SENT", 3)
    journal = SqliteJournal.open(tmp_path / "journal.db")
    journal.commit(1.0, [Note(float(n), "state", {"n": n}) for n in range(20)], {})
    journal.commit(1.0, [Note(1.0, "outage", {})], {})
    journal.commit(2.0, [message(n) for n in range(10)], PHONES)
    for row in journal.due(10.0)[1:]:
        journal.delivered(row.id, 3.0, 0.1)
    journal.prune()
    assert [row["n"] for row in journal.history("state")] == [19, 18, 17, 16, 15]
    assert len(journal.history("outage")) == 1
    assert [row.message.id for row in journal.due(10.0)] == [message(0).id]
    assert len(journal.sent()) == 3
    journal.close()


# ---- damage ------------------------------------------------------------------------------------------------------


def flip(rng, path):
    data = bytearray(path.read_bytes())
    for _ in range(rng.randrange(1, 100)):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)


def cut(rng, path):
    os.truncate(path, rng.randrange(1, path.stat().st_size))


def zero_first(rng, path):
    data = bytearray(path.read_bytes())
    data[:4096] = bytes(4096)
    path.write_bytes(data)


def zero_middle(rng, path):
    data = bytearray(path.read_bytes())
    at = 4096 * rng.randrange(1, len(data) // 4096)
    data[at : at + 4096] = bytes(4096)
    path.write_bytes(data)


def garbage(rng, path):
    path.write_bytes(rng.randbytes(50_000))


@pytest.mark.parametrize("name", ["closed", "torn"])
@pytest.mark.parametrize("damage", [flip, cut, zero_first, zero_middle, garbage])
@pytest.mark.parametrize("seed", range(4))
def test_a_damaged_journal_opens_keeps_the_old_file_and_believes_nothing_false(sample, tmp_path, name, damage, seed):
    path = copy_of(sample, name, tmp_path / "journal.db")
    damage(random.Random(seed), path)
    old = {part: path.with_name(path.name + part).read_bytes() for part in ("", "-wal") if part == "" or name == "torn"}
    truth = {}
    whole = copy_of(sample, name, tmp_path / "whole.db")
    with contextlib.closing(sqlite3.connect(whole)) as db:
        truth = {(k, n): json.loads(d) for k, n, d in db.execute("SELECT kind, key, doc FROM fact")}
    guard = JournalGuard(path, reserve_bytes=0)
    aside = [p for p in tmp_path.glob("journal.db.corrupt-*") if not p.name.endswith(("-wal", "-shm"))]
    facts = {(kind, key): doc for kind, key, doc in guard.facts()}
    assert all(truth[key] == doc for key, doc in facts.items())
    if aside:
        assert "was damaged and is kept as journal.db.corrupt-" in guard.notice
        assert {part: aside[0].with_name(aside[0].name + part).read_bytes() for part in old} == old
    else:
        assert facts.keys() == truth.keys()  # flipped bits in free space or in notes that SQLite cannot check
    if damage is zero_first:
        assert len(facts) == len(truth)
        assert len(guard.due(1e12, 1000)) == 20
    if damage is zero_middle and aside:
        assert len(facts) > 0.5 * len(truth)
    guard.commit(1e6, [Keep("machine", "avocet", {"new": True}), message(100_000)], PHONES)
    guard.close()
    again = SqliteJournal.open(path)
    assert again.notice == ""
    assert ("machine", "avocet", {"new": True}) in again.facts()
    again.close()


def test_one_flipped_bit_in_a_fact_is_seen_by_its_checksum(tmp_path):
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path)
    journal.commit(1.0, [Keep("build", "one", {"ended_s": 1234567}), Keep("build", "two", {"ended_s": 7654321})], {})
    journal.close()
    data = path.read_bytes()
    path.write_bytes(data.replace(b"1234567", b"1234566"))
    guard = JournalGuard(path)
    assert guard.facts() == [("build", "two", {"ended_s": 7654321})]
    assert "1 facts and 0 waiting messages were taken over, 1 damaged rows could not be used" in guard.notice
    guard.close()


def test_a_note_that_has_rotted_hides_no_other(tmp_path):
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path)
    journal.commit(1.0, [Note(1.0, "state", {"n": 1234567}), Note(2.0, "state", {"n": 2})], {})
    journal.close()
    path.write_bytes(path.read_bytes().replace(b":1234567}", b":12\xff4567)"))
    with contextlib.closing(SqliteJournal.open(path)) as again:
        assert [row.get("n") for row in again.history()] == [2, None]


def test_the_log_of_another_database_is_not_believed(sample, tmp_path):
    path = copy_of(sample, "closed", tmp_path / "journal.db")
    other = sqlite3.connect(tmp_path / "other.db", isolation_level=None)
    other.executescript("PRAGMA journal_mode = WAL; CREATE TABLE a (b); INSERT INTO a VALUES (zeroblob(100000));")
    shutil.copy(tmp_path / "other.db-wal", tmp_path / "journal.db-wal")
    other.close()
    guard = JournalGuard(path)
    assert len(guard.facts()) == 210
    assert "210 facts and 20 waiting messages were taken over" in guard.notice
    guard.close()


def test_an_emptied_file_does_not_cost_the_log(sample, tmp_path):
    path = copy_of(sample, "torn", tmp_path / "journal.db")
    os.truncate(path, 0)
    log = (tmp_path / "journal.db-wal").read_bytes()
    guard = JournalGuard(path)
    guard.close()
    (kept,) = tmp_path.glob("journal.db.corrupt-*-wal")
    assert kept.read_bytes() == log


def test_a_kill_between_any_two_steps_of_a_rebuild_loses_nothing(sample, tmp_path, monkeypatch):
    steps = 0
    real = {name: getattr(type(tmp_path), name) for name in ("rename", "unlink")}

    class Killed(BaseException):
        pass

    def dying(name, limit):
        def act(self, *args, **kwargs):
            nonlocal steps
            steps += 1
            if steps > limit:
                raise Killed
            return real[name](self, *args, **kwargs)

        return act

    for limit in range(12):
        folder = tmp_path / str(limit)
        folder.mkdir()
        path = copy_of(sample, "closed", folder / "journal.db")
        zero_first(None, path)
        steps = 0
        with monkeypatch.context() as patch:
            for name in real:
                patch.setattr(type(tmp_path), name, dying(name, limit))
            with contextlib.suppress(Killed):
                SqliteJournal.open(path).close()
                break
        journal = SqliteJournal.open(path)
        assert len(journal.facts()) == 210, f"killed after {limit} steps"
        assert len(journal.due(1e12, 100)) == 20
        journal.close()
        assert list(folder.glob("journal.db.corrupt-*")), f"killed after {limit} steps"
    assert 3 < limit < 11


def test_damage_while_running_is_noticed_and_all_facts_are_written_again(tmp_path):
    path = tmp_path / "journal.db"
    guard = JournalGuard(path)
    for n in range(200):
        guard.commit(float(n), [Keep("build", f"b{n}", {"n": n, "padding": "x" * 300})], {})
    guard._disk._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    guard._disk._db.execute("PRAGMA cache_size = 1")
    data = bytearray(path.read_bytes())
    data[4096:] = bytes(len(data) - 4096)
    path.write_bytes(data)
    for n in range(20):
        guard.commit(1000.0 + 10 * n, [Keep("machine", "avocet", {"n": n}), message(n)], PHONES)
    assert guard.ok
    assert "was damaged" in guard.notice
    guard.close()
    again = SqliteJournal.open(path)
    assert len(again.facts()) == 201
    assert len(again.due(1e12)) == 20
    again.close()


def test_any_cut_of_the_log_keeps_what_was_synced_before_the_cut(tmp_path):
    """A power cut loses the end of the log at most; a commit that was accepted lies before it."""
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path)
    accepted = []
    for n in range(60):
        journal.commit(float(n), [Keep("build", f"b{n}", {"n": n}), message(n)], PHONES)
        accepted.append((path.with_name("journal.db-wal").stat().st_size, n + 1))
    rng = random.Random(5)
    for turn in range(40):
        at = rng.randrange(32, accepted[-1][0])
        copy = tmp_path / f"cut-{turn}.db"
        shutil.copy(path, copy)
        log = path.with_name("journal.db-wal").read_bytes()[:at] + rng.randbytes(rng.randrange(2000))
        copy.with_name(copy.name + "-wal").write_bytes(log)
        with contextlib.closing(SqliteJournal.open(copy)) as after:
            assert (
                len(after.facts())
                == len(after.due(1e12, 100))
                == max([k for size, k in accepted if size <= at], default=0)
            )
            assert after.notice == ""
    journal.close()


# ---- full and read-only disks --------------------------------------------------------------------------------------


def fill_up(folder):
    with contextlib.suppress(OSError), (folder / "ballast").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def test_a_full_disk_refuses_with_words(tmp_path):
    with mounted(tmp_path / "disk", "2m") as folder:
        journal = SqliteJournal.open(folder / "journal.db")
        fill_up(folder)
        words = ""
        for n in range(500):
            try:
                journal.commit(1.0, [Keep("build", f"b{n}", {"padding": "x" * 4000})], {})
            except StoreError as error:
                words = str(error)
                break
        assert "journal.db could not be written: the disk is full" in words
        assert len(journal.facts()) == n
        (folder / "ballast").unlink()
        journal.commit(2.0, [Keep("build", "after", {})], {})
        journal.close()
        with contextlib.closing(SqliteJournal.open(folder / "journal.db")) as again:
            assert len(again.facts()) == n + 1


def test_the_guard_goes_on_while_the_disk_is_full_and_catches_up(tmp_path):
    with mounted(tmp_path / "disk", "6m") as folder:
        path = folder / "journal.db"
        guard = JournalGuard(path, reserve_bytes=512 * 1024)
        guard.commit(
            1.0, [Keep("machine", "avocet", {"n": 0}), Keep("machine", "bittern", {"n": 0}), message(0)], PHONES
        )
        assert (folder / "journal.db.reserve").stat().st_size == 512 * 1024
        fill_up(folder)
        durable = 0
        for n in range(1, 200):
            guard.commit(1.0 + n / 100, [Keep("machine", "avocet", {"n": n, "x": "x" * 3000}), message(n)], PHONES)
            durable += guard.ok
        assert durable > 10, "the reserve kept the first transactions durable"
        assert not (folder / "journal.db.reserve").exists()
        assert "the disk is full" in guard.trouble
        guard.commit(3.5, [Keep("machine", "bittern", None), Note(3.5, "outage", {"id": "o1"})], {})
        rows = guard.due(4.0, limit=1000)
        assert len(rows) == 200, "messages still go out"
        for row in rows[:150]:
            guard.delivered(row.id, 4.0, 0.1)
        guard.failed(rows[150].id, 4.0, 99.0, "no")
        assert guard.history("outage")[0]["id"] == "o1"
        with contextlib.closing(sqlite3.connect(path)) as db:
            assert db.execute("SELECT count(*) FROM fact").fetchone() == (2,)
        (folder / "ballast").unlink()
        assert guard.retry(1000.0)
        assert guard.ok
        assert len(guard.due(1000.0, 1000)) == 50
        guard.retry(1001.0)
        assert (folder / "journal.db.reserve").exists()
        guard.close()
        with contextlib.closing(SqliteJournal.open(path)) as again:
            assert again.facts() == [("machine", "avocet", {"n": 199, "x": "x" * 3000})]
            assert len(again.due(1000.0, 1000)) == 50
            assert len(again.history("message", limit=1000)) == 200
            assert len(again.history("outage")) == 1


def test_a_read_only_disk_at_the_start_and_during_the_run(sample, tmp_path):
    with mounted(tmp_path / "disk", "8m") as folder:
        path = copy_of(sample, "torn", folder / "journal.db")
        subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
        guard = JournalGuard(path)
        assert "could not be" in guard.trouble
        assert len(guard.facts()) == 210
        assert len(guard.due(1e9, 100)) == 20
        assert len(guard.history("state", limit=1000)) == 200
        guard.commit(1e9, [Keep("build", "b3", None), Keep("build", "new", {}), message(777)], PHONES)
        row = guard.due(1e9)[0]
        guard.delivered(row.id, 1e9, 0.1)
        assert not guard.retry(1e9 + 10)
        subprocess.run(["mount", "-o", "remount,rw", folder], check=True)
        assert guard.retry(1e9 + 20)
        guard.close()
        with contextlib.closing(SqliteJournal.open(path)) as again:
            keys = {key for _, key, _ in again.facts()}
            assert "new" in keys
            assert "b3" not in keys
            assert "b4" in keys
            assert {r.message.id for r in again.due(2e9, 100)} == {message(n).id for n in (*range(10, 200, 10), 777)}


def test_a_guard_without_a_folder_watches_on_and_says_why(tmp_path):
    guard = JournalGuard(tmp_path / "missing" / "journal.db")
    assert "journal.db could not be opened" in guard.trouble
    guard.commit(1.0, [Keep("machine", "avocet", {}), message(1)], PHONES)
    assert len(guard.due(1.0)) == 1
    (tmp_path / "missing").mkdir()
    assert guard.retry(100.0)
    guard.close()
    with contextlib.closing(SqliteJournal.open(tmp_path / "missing" / "journal.db")) as again:
        assert len(again.due(1.0)) == 1
        assert again.clean_stop


def test_a_disk_that_fails_the_copy_as_well_does_not_stop_the_start(tmp_path, monkeypatch):
    """A card that fails fails everywhere: also where the copy is made by which an unreadable journal is read."""
    path = tmp_path / "journal.db"
    with contextlib.closing(SqliteJournal.open(path)) as journal:
        journal.commit(1.0, [Keep("machine", "avocet", {})], PHONES)

    def broken(*_):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(opening, "version_of", broken)
    monkeypatch.setattr(salvage, "read", broken)
    guard = JournalGuard(path)
    assert "journal.db could not be opened" in guard.trouble
    guard.commit(2.0, [message(1)], PHONES)
    assert len(guard.due(2.0)) == 1
    monkeypatch.undo()
    assert guard.retry(100.0)
    assert ("machine", "avocet", {}) in guard.facts(), "what could not be read then is there again"
    guard.close()


def test_salvage_says_what_it_could_not_use(tmp_path):
    path = tmp_path / "journal.db"
    journal = SqliteJournal.open(path)
    journal.commit(1.0, [message(1), message(2, title="Mains off")], PHONES)
    journal.close()
    path.write_bytes(path.read_bytes().replace(b"Mains off", b"Mains owf"))
    rows, bad = salvage.read(path)
    assert [row[0] for row in rows["outbox"]] == [f"{message(1).id}|pager"]
    assert bad == 2
