"""Readings to files and back, a CSV from elsewhere, backup and restore; by the command line as a person would."""

import asyncio
import csv
import hashlib
import json
import math
import random
import re
import sqlite3
import subprocess
import threading
from array import array

import pytest

from farmwatch.cli import main
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.journal import JournalGuard
from farmwatch.wire.times import rfc3339
from farmwatch.words.model import Keep, Observed

T0 = 1_795_003_200.0  # a whole hour


@pytest.fixture
def shop(tmp_path):
    def make(name):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "farmwatch.toml").write_text('[site]\nname = "Saltmarsh Works"\ntimezone = "Europe/London"\n')
        return folder

    return make


def run(folder, *words):
    return main([words[0], "--config", str(folder / "farmwatch.toml"), *map(str, words[1:])])


async def fill(folder, rows=300):
    (folder / "farmwatch-data").mkdir(exist_ok=True)
    store = EmbeddedSeries(folder / "farmwatch-data/history.db")
    times = array("d", [T0 + n * 2 for n in range(rows)])
    watts = array("d", [n % 300 / 10 for n in range(rows)])
    watts[7], watts[9] = math.nan, 0.0
    await store.extend("avocet", "plug", times, {"power_w": watts, "voltage_v": array("d", [230.1] * rows)})
    store.append([Observed(T0 + rows * 2, "=knot", "p", {"bed_c": -12.3, "relay": True}, False)])
    await store.close()


async def test_a_shop_of_a_few_minutes_has_a_history_for_every_command(shop, tmp_path, capsys):
    """The first blocks come after six hours; what the log holds is read before that too, while it runs and after."""
    folder = shop("new")
    (folder / "farmwatch-data").mkdir()
    store = EmbeddedSeries(folder / "farmwatch-data/history.db")
    for n in range(3):
        store.append([Observed(T0 + n * 2, "knot", "p", {"power_w": 40.0 + n, "bed_c": 20.0}, False)])
    await store.flush()

    def story():
        assert run(folder, "export", tmp_path / "new.csv") == 0
        assert run(folder, "export", tmp_path / "all.csv", "--from", "0001-01-01", "--to", "9999-12-31") == 0
        assert (tmp_path / "all.csv").read_text() == (tmp_path / "new.csv").read_text()
        capsys.readouterr()
        assert run(folder, "store", "stats", "--json") == 0
        rows = json.loads(capsys.readouterr().out)
        assert [(row["quantity"], row["rows"]) for row in rows] == [("bed_c", 3), ("power_w", 3)]
        assert (rows[0]["first_ms"], rows[0]["last_ms"]) == (T0 * 1000, (T0 + 4) * 1000)
        assert run(folder, "store", "stats") == 0
        assert "blocks come after six hours" in capsys.readouterr().out
        assert run(folder, "store", "check") == 0
        assert "3 rows in the log; all well" in capsys.readouterr().out

    for _ in ("at work", "stopped"):
        thread = threading.Thread(target=story)
        thread.start()
        thread.join()
        assert len((tmp_path / "new.csv").read_text().splitlines()) == 1 + 6
        (tmp_path / "new.csv").unlink()
        if store is not None:
            await store.close()
            store = None
    again = EmbeddedSeries(folder / "farmwatch-data/history.db")
    assert list((await again.read("knot", "power_w", 0, 4e9)).values) == [40.0, 41.0, 42.0]
    await again.close()


@pytest.mark.parametrize("form", ["csv", "jsonl", "lp", "parquet"])
async def test_what_goes_out_comes_in_again_equal(shop, tmp_path, form):
    one, other = shop("one"), shop("other")
    await fill(one)

    def story():
        assert run(one, "export", tmp_path / f"a.{form}") == 0
        assert run(other, "import", tmp_path / f"a.{form}") == 0
        assert run(one, "export", tmp_path / "one.csv") == 0
        assert run(other, "export", tmp_path / "other.csv") == 0

    thread = threading.Thread(target=story)  # the verbs run loops of their own
    thread.start()
    thread.join()
    text = (tmp_path / "one.csv").read_text()
    assert text == (tmp_path / "other.csv").read_text()
    rows = list(csv.reader(text.splitlines()))
    assert rows[0] == ["time", "subject", "quantity", "value"]
    assert len(rows) == 1 + 600 + 2
    assert {row[1] for row in rows[1:]} == {"avocet", "'=knot"}, "no cell is a formula"
    watts = [row[3] for row in rows if row[1:3] == ["avocet", "power_w"]]
    assert (watts[7], watts[9], watts[8]) == ("", "0", "0.8")


@pytest.fixture
def filled(shop):
    folder = shop("filled")
    asyncio.run(fill(folder))
    return folder


def test_ranges_quantities_and_means(filled, tmp_path, capsys):
    file = tmp_path / "a.jsonl"
    assert run(filled, "export", file, "--quantity", "power_w", "--from", "2026-11-18T12:00:10Z",
               "--to", "2026-11-18T12:00:14Z") == 0  # fmt: skip
    rows = [json.loads(text) for text in file.read_text().splitlines()]
    assert [(row["time"][11:19], row["value"]) for row in rows] == [("12:00:10", 0.5), ("12:00:12", 0.6),
                                                                     ("12:00:14", None)]  # fmt: skip
    assert run(filled, "export", "-", "--form", "csv", "--quantity", "voltage_v", "--every", "60") == 0
    rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    assert len(rows) == 10
    assert {row["value"] for row in rows} == {"230.1"}
    assert [row["time"] for row in rows[:2]] == ["2026-11-18T12:00:00.000Z", "2026-11-18T12:01:00.000Z"]


def test_a_csv_from_elsewhere(filled, tmp_path, capsys):
    """Byte-order mark, semicolons, decimal commas, local times; lines that are wrong are named and the rest is kept."""
    file = tmp_path / "plug.csv"
    lines = ["Zeit;Leistung (kW);Note", "01.07.2026 12:00:00;0,1205;ok", "01.07.2026 12:00:10;1.000,5;too much",
             "01.07.1970 12:00:20;0,1;old", "01.07.2026 12:00:30;;unknown", "soon;0,1;", "01.07.2026 12:00:40;abc;",
             "01.07.2026 12:00:50", "01.07.2026 12:01:00;0;"]  # fmt: skip
    file.write_bytes(b"\xef\xbb\xbf" + "\r\n".join(lines).encode())
    words = ["import", file, "--subject", "curlew", "--time", "Zeit", "--value", "Leistung (kW)", "--unit", "kW"]
    assert run(filled, *words, "--check") == 1
    assert run(filled, "export", "-", "--form", "csv", "--subject", "curlew") == 0
    assert len(capsys.readouterr().out.splitlines()) == 1, "--check keeps nothing"
    assert run(filled, *words) == 1
    said = capsys.readouterr().err
    for number, why in ((3, "outside 0 to 20000"), (4, "before 2001"), (6, '"soon"'), (7, '"abc" is no number'),
                        (8, "fewer")):  # fmt: skip
        assert any(f"plug.csv:{number}: " in text and why in text for text in said.splitlines()), (number, why, said)
    assert "3 readings taken, 5 lines not" in said
    run(filled, "export", "-", "--form", "csv", "--subject", "curlew")
    rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    # July in London is an hour ahead of UTC
    assert [(row["time"][11:19], row["value"]) for row in rows] == [("11:00:00", "120.5"), ("11:00:30", ""),
                                                                     ("11:01:00", "0")]  # fmt: skip
    run(filled, "export", "-", "--form", "csv", "--subject", "avocet")
    assert len(capsys.readouterr().out.splitlines()) == 601, "what was kept before is there"


@pytest.mark.parametrize(
    ("text", "words", "said"),
    [
        ("a,b\n1,2\n", [], "wanted: time, subject, quantity, value"),
        ("a,b\n1,2\n", ["--subject", "x", "--time", "Time", "--value", "b"], 'no column "Time"'),
        ("a,b\n1,2\n", ["--subject", "x"], "all three"),
        ("a,b\n1,2\n", ["--subject", "x", "--time", "a", "--value", "b", "--unit", "°C"], "cannot be given in °C"),
        ("a,b\n1,2\n", ["--subject", "x", "--time", "a", "--value", "b", "--quantity", "pwr"], "no quantity"),
    ],
)
def test_wrong_columns_are_told_and_nothing_is_kept(filled, tmp_path, capsys, text, words, said):
    file = tmp_path / "x.csv"
    file.write_text(text)
    before = (filled / "farmwatch-data/history.db").read_bytes()
    assert run(filled, "import", file, *words) == 1
    assert said in capsys.readouterr().err
    assert (filled / "farmwatch-data/history.db").read_bytes() == before


def test_lines_that_are_wrong_in_each_form(filled, tmp_path, capsys):
    good = '{"time": "2026-11-18T12:00:00Z", "subject": "eider", "quantity": "power_w", "value": 5}'
    (tmp_path / "a.jsonl").write_text(f"{good}\n[]\n{good.replace('5}', '1e9}')}\n{good.replace('2026', '2100')}\nx\n")
    assert run(filled, "import", tmp_path / "a.jsonl") == 1
    said = capsys.readouterr().err
    assert all(f"a.jsonl:{n}:" in said for n in (2, 3, 4, 5))
    assert "1 readings taken, 4 lines not" in said
    (tmp_path / "a.lp").write_text("farmwatch,machine=eider power_w=6 1795003202\nother x=1 5\nfarmwatch power_w=1 1\n"
                                   'farmwatch,machine=eider power_w="6" 1795003202000\nnonsense\n')  # fmt: skip
    assert run(filled, "import", tmp_path / "a.lp") == 1
    said = capsys.readouterr().err
    assert all(f"a.lp:{n}:" in said for n in (3, 4, 5))


def test_a_backup_while_it_runs_is_sound_and_comes_back(filled, tmp_path, capsys):
    data = filled / "farmwatch-data"
    running = JournalGuard(data / "journal.db")
    running.commit(T0, [Keep("bed", "avocet", {"waiting": True})], {})
    assert run(filled, "backup", tmp_path / "b") == 0
    assert "opened and sound" in capsys.readouterr().out
    assert run(filled, "backup", tmp_path / "b") == 1, "nothing is written over"
    running.commit(T0 + 1, [Keep("bed", "avocet", None)], {})
    assert run(filled, "restore", tmp_path / "b") == 1
    assert "in use by another Farmwatch" in capsys.readouterr().err
    assert run(filled, "import", tmp_path / "none.csv") == 1
    assert "in use by another Farmwatch" in capsys.readouterr().err
    running.close()
    (data / "history.db").write_bytes(b"gone")
    assert run(filled, "restore", tmp_path / "b") == 0
    again = JournalGuard(data / "journal.db")
    assert again.facts() == [("bed", "avocet", {"waiting": True})]
    again.close()
    capsys.readouterr()
    run(filled, "export", "-", "--form", "csv")
    assert len(capsys.readouterr().out.splitlines()) == 1 + 602
    aside = next(data.glob("before-restore-*"))
    assert (aside / "history.db").read_bytes() == b"gone", "what was there is kept"


@pytest.mark.parametrize("harm", ["cut", "byte", "missing", "list", "foreign"])
def test_a_backup_that_is_not_whole_is_refused_and_nothing_is_touched(filled, tmp_path, capsys, harm):
    folder, data = tmp_path / "b", filled / "farmwatch-data"
    assert run(filled, "backup", folder) == 0
    file = folder / "history.db"
    if harm == "cut":
        file.write_bytes(file.read_bytes()[:-512])
    elif harm == "byte":
        text = bytearray(file.read_bytes())
        text[len(text) // 2] ^= 1
        file.write_bytes(text)
    elif harm == "missing":
        file.unlink()
    elif harm == "list":
        (folder / "backup.json").unlink()
    else:
        outside = tmp_path / "api_token"  # a file that is there, with its true digest: its place alone forbids it
        outside.write_text("outside")
        about = {"../api_token": {"sha256": hashlib.sha256(outside.read_bytes()).hexdigest()}}
        (folder / "backup.json").write_text(json.dumps({"files": about}))
    before = (data / "history.db").read_bytes()
    assert run(filled, "restore", folder) == 1
    assert str(folder) in capsys.readouterr().err
    assert (data / "history.db").read_bytes() == before
    assert not list(data.glob("before-restore-*"))


def test_a_damaged_database_is_no_sound_backup(filled, tmp_path, capsys):
    path = filled / "farmwatch-data/history.db"
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("UPDATE block SET data = zeroblob(200)")
    db.close()
    assert run(filled, "backup", tmp_path / "b") == 1
    assert "block 1" in capsys.readouterr().err
    assert not (tmp_path / "b").exists()


def test_a_disk_that_is_full_in_the_middle_of_an_import_says_what_is_kept(tmp_path, capsys, monkeypatch):
    """A file system of its own (tmpfs); needs root, as the other tests with mounts do."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "none", folder], check=True)
    monkeypatch.setattr("farmwatch.cli_exchange.BLOCK", 2_000)
    try:
        (folder / "farmwatch.toml").write_text('[site]\nname = "Saltmarsh Works"\n')
        rng, file = random.Random(1), tmp_path / "big.jsonl"
        file.write_text("".join(
            json.dumps({"time": rfc3339(T0 + 2 * n), "subject": "avocet", "quantity": "power_w",
                        "value": rng.randrange(150_000) / 10}) + "\n" for n in range(30_000)
        ))  # fmt: skip
        assert run(folder, "import", file) == 1
        said = capsys.readouterr().err
        assert "import the same file again" in said
        kept = int(re.search(r"the disk is full; (\d+) readings of", said)[1])
        assert 0 < kept < 30_000
        subprocess.run(["mount", "-o", "remount,size=64m", folder], check=True)
        for wanted in (kept, 30_000):
            run(folder, "export", "-", "--form", "csv")
            assert len(capsys.readouterr().out.splitlines()) == 1 + wanted
            assert run(folder, "import", file) == 0
    finally:
        subprocess.run(["umount", "-l", folder], check=True)
