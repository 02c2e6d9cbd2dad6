"""Databases that earlier versions wrote (tests/fixtures, made by checking those versions out) open and lose nothing.

The oracle is what was put in when they were made: it stands here in full. No source outside.
"""

import contextlib
import gzip
import sqlite3
from pathlib import Path

import pytest

from farmwatch.stores.embedded import EmbeddedSeries, format1, maintenance
from farmwatch.stores.embedded.schema import FORMAT
from farmwatch.stores.journal import JournalGuard, schema
from farmwatch.words.errors import StoreError

FIXTURES = Path(__file__).parent / "fixtures"
JOURNALS = sorted(path.name for path in FIXTURES.glob("journal-schema-*.db.gz"))
HISTORIES = sorted(path.name for path in FIXTURES.glob("history-format-*.db.gz"))
J0 = 1_795_003_200.0
H0 = 1_795_046_400.0 - 1_800.0  # half an hour before midnight, UTC


def laid_out(name: str, path: Path) -> Path:
    path.write_bytes(gzip.decompress((FIXTURES / name).read_bytes()))
    return path


def number(path: Path) -> int:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def test_there_is_a_fixture_of_every_version():
    assert [f"journal-schema-{n}.db.gz" for n in range(1, schema.VERSION + 1)] == JOURNALS
    assert {name.split("-")[2].partition(".")[0] for name in HISTORIES} == {str(n) for n in range(1, FORMAT + 1)}


@pytest.mark.parametrize("name", JOURNALS)
def test_a_journal_of_every_schema_keeps_facts_notes_and_what_waits(name, tmp_path):
    path = laid_out(name, tmp_path / "journal.db")
    assert number(path) == int(name.split("-")[2].partition(".")[0])
    journal = JournalGuard(path)
    assert journal.notice == ""
    assert journal.facts() == [
        ("machine", "avocet", {"state": "printing", "job": "hive_clip", "since_s": J0}),
        ("bed", "bittern", {"waiting": True}),
    ]
    assert [(n["kind"], n["at_s"], n["machine"]) for n in journal.history() if n["kind"] != "message"] == [
        ("said", J0 + 60, "bittern"), ("state", J0, "avocet"),
    ]  # fmt: skip
    # schema 1 queued a message on all of a person's channels, schema 2 on the first
    left = {"ann_b", "bram_a"} if "schema-1" in name else {"bram_a"}
    assert {row["channel"] for row in journal.waiting()} == left
    assert [(row["channel"], row["ok"]) for row in journal.sent()] == [("ann_a", True)]
    journal.commit(J0 + 600, [], {})
    rows = journal.due(J0 + 200)
    assert {row.channel for row in rows} == left
    journal.delivered(rows[0].id, J0 + 201, 0.1)
    journal.close()
    assert number(path) == schema.VERSION
    old = path.with_name(f"journal.db.schema-{number(laid_out(name, tmp_path / 'again.db'))}")
    assert old.exists() == (number(tmp_path / "again.db") != schema.VERSION), "a copy of the old one is left"


def wanted() -> list[float | None]:
    return [None if n in (100, 200) else round(100 + n % 7 * 1.5, 1) for n in range(360)]


@pytest.mark.parametrize("name", HISTORIES)
async def test_a_history_of_every_format_gives_the_same_readings(name, tmp_path):
    path = laid_out(name, tmp_path / "history.db")
    before = path.read_bytes()
    store = EmbeddedSeries(path)
    found = await store.read("avocet", "power_w", H0 - 1, H0 + 4_000)
    values = [None if value != value else round(value, 1) for value in found.values]  # noqa: PLR0124  (NaN)
    assert list(zip(found.times_s, values, strict=True)) == [
        (H0 + 10 * n, value) for n, value in enumerate(wanted())
    ]  # fmt: skip
    bed = await store.read("avocet", "bed_c", H0, H0 + 3_600)
    assert list(bed.values) == [60.0 + n % 3 for n in range(360) if n not in (100, 200)]
    assert len((await store.read("one", "charge", H0, H0 + 3_600)).values) == 72
    hour = await store.rollups("avocet", "power_w", "15min", H0, H0 + 3_600)
    assert sum(hour.count) >= 350
    await store.seal()
    await store.night()
    await store.close()
    assert number(path) == FORMAT
    assert maintenance.check(path).wrong == []
    kept = path.with_name("history.db.format-1")
    if "format-1" in name:
        assert "format 1: 862 readings" in store.notice
        with contextlib.closing(sqlite3.connect(kept)) as db:
            assert db.execute("PRAGMA user_version").fetchone() == (1,)
            assert db.execute("SELECT count(*) FROM sqlite_master WHERE name GLOB 'day_*'").fetchone() == (2,)
    else:
        assert not kept.exists()
        assert before[:16] == path.read_bytes()[:16]


@pytest.mark.parametrize("step", ["link", "replace"])
async def test_an_upgrade_that_is_cut_short_begins_again_and_loses_nothing(step, tmp_path, monkeypatch):
    path = laid_out("history-format-1.db.gz", tmp_path / "history.db")

    def cut(*_: object, **__: object) -> None:
        raise OSError(5, "cut short")

    with monkeypatch.context() as patch:
        if step == "link":
            patch.setattr(format1, "_keep", cut)
        else:
            patch.setattr(Path, "replace", cut)
        store = EmbeddedSeries(path)
        with pytest.raises(StoreError):
            await store.flush()
        await store.close()
    assert number(path) == 1
    store = EmbeddedSeries(path)
    assert len((await store.read("avocet", "power_w", H0, H0 + 3_600)).values) == 360
    await store.close()
    assert not list(tmp_path.glob("*.new*"))


async def test_a_damaged_batch_costs_itself_alone(tmp_path):
    path = laid_out("history-format-1.db.gz", tmp_path / "history.db")
    with contextlib.closing(sqlite3.connect(path)) as db:
        day = db.execute("SELECT name FROM sqlite_master WHERE name GLOB 'day_*' ORDER BY name").fetchone()[0]
        db.execute(f"UPDATE {day} SET vals = x'7a' WHERE rowid = 1")  # noqa: S608
        db.commit()
    store = EmbeddedSeries(path)
    found = await store.read("avocet", "bed_c", H0, H0 + 3_600)
    both = len(found.values) + len((await store.read("avocet", "power_w", H0, H0 + 3_600)).values)
    assert 600 < both < 360 + 358
    assert "1 batches could not be read" in store.notice
    await store.close()


def as_of_version_99(name: str, path: Path) -> bytes:
    laid_out(name, path)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    return path.read_bytes()


def test_a_newer_journal_is_refused_with_the_reason_and_what_to_do(tmp_path):
    """What a newer version wrote is left alone, byte for byte."""
    path = tmp_path / "journal.db"
    before = as_of_version_99(JOURNALS[-1], path)
    with pytest.raises(StoreError, match=r"newer Farmwatch \(schema 99(.|\n)*install that version again"):
        JournalGuard(path)
    assert path.read_bytes() == before


async def test_a_newer_history_is_refused_with_the_reason_and_what_to_do(tmp_path):
    path = tmp_path / "history.db"
    before = as_of_version_99(HISTORIES[-1], path)
    store = EmbeddedSeries(path)
    with pytest.raises(StoreError, match=r"newer Farmwatch \(format 99(.|\n)*install that version again"):
        await store.flush()
    assert path.read_bytes() == before
