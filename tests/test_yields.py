"""What the machines gave: periods, time, builds, OEE, cost, from notes; and `farmwatch report` over a journal."""

import csv
import io
import itertools
import json
import math
import time

import pytest

from farmwatch import cli, cli_report
from farmwatch.shop import yields
from farmwatch.shop.usage import Rates
from farmwatch.shop.yields import reckon, records_of, row_of, total
from farmwatch.stores.journal.disk import SqliteJournal
from farmwatch.words.errors import FarmwatchError
from farmwatch.words.model import Note

ZONE = "Europe/London"
DAY, HOUR = 86_400.0, 3600.0
T0 = yields.span_of("2025-11-24", "2025-11-24", ZONE)[0]
RATES = Rates(0.30, 0.50)


def state(at_s, word, machine="avocet"):
    return {"at_s": at_s, "kind": "state", "machine": machine, "state": word}


def use(number, from_h, to_h, result="done", machine="avocet", **more):
    doc = {
        "at_s": T0 + to_h * HOUR, "kind": "use", "build": f"{machine}-{number}", "machine": machine, "job": "latch",
        "material": "PLA", "started": T0 + from_h * HOUR, "ended": T0 + to_h * HOUR, "result": result, "grams": 50.0,
        "material_cost": 1.0, "energy_wh": 500.0, "energy_cost": None, "pieces": 4.0 if result == "done" else None,
        "usual_pieces": 4.0, "planned_s": None, "estimates": [],
    }  # fmt: skip
    return doc | more


def one_day():
    """Idle 6 h, builds 6 to 10 (waits 2 h), 12 to 15 (failed, fault 1 h), 16 to 20, off from 21."""
    words = [(0, "idle"), (6, "printing"), (10, "waiting"), (12, "printing"), (15, "fault"), (16, "printing"),
             (20, "cooling"), (20.5, "waiting"), (21, "off")]  # fmt: skip
    notes = [state(T0 + h * HOUR, word) for h, word in words]
    notes += [use(1, 6, 10), use(2, 12, 15, "failed"), use(3, 16, 20)]
    return sorted(notes, key=lambda note: note["at_s"])


def test_a_day_by_hand():
    found = total(records_of(one_day(), ["avocet"], T0 + DAY), T0, T0 + DAY, RATES)
    hours = {name: s / HOUR for name, s in found.times.seconds.items()}
    assert hours == {"productive": 11.5, "standby": 8.5, "engineering": 0, "scheduled_down": 0, "unscheduled_down": 1,
                     "nonscheduled": 3, "unseen": 0}  # fmt: skip
    assert found.times.waiting_s / HOUR == 2.5
    # Wilson, 2 of 3, by the formula of Newcombe 1998, method 3
    z, p, n = 1.959964, 2 / 3, 3
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    assert found.success == (pytest.approx(p), pytest.approx(middle - half), pytest.approx(middle + half))
    # ISO 22400-2 by hand: 11.5 h of 21 h; planned 4 + 4 + 3 h of 11.5 h; 8 of 12 pieces
    assert found.oee.availability == pytest.approx(11.5 / 21)
    assert found.oee.effectiveness == pytest.approx(11 / 11.5)
    assert found.oee.quality == pytest.approx(8 / 12)
    assert found.oee.oee == pytest.approx(11 / 21 * 8 / 12)
    # 3 x 0.5 kWh at 0.30, 3 x 1.00 of filament, 11 h at 0.50, all paid by 8 good pieces
    assert found.cost.total == pytest.approx(0.45 + 3.0 + 5.5)
    assert found.cost.each == pytest.approx(8.95 / 8)
    assert found.cost.of_failures == pytest.approx(0.15 + 1.0 + 1.5)
    assert (found.good, found.made, found.grams) == (8.0, 12.0, 150.0)


def test_the_six_states_and_unseen_sum_to_the_calendar_whatever_the_notes():
    notes = one_day()
    notes.append({"at_s": T0 + 9 * HOUR, "kind": "awoke", "dark_since": T0 + 8 * HOUR})
    notes += [state(T0 + 3 * HOUR, "printing", "bittern"), state(T0 + 5 * HOUR, "unknown", "bittern")]
    notes.append({"at_s": T0 + 7 * HOUR, "kind": "said", "command": "trial", "machine": "avocet"})
    notes.sort(key=lambda note: note["at_s"])
    records = records_of(notes, ["avocet", "bittern"], T0 + DAY)
    for one in reckon(records, "machine", T0, T0 + DAY, RATES, ZONE):
        assert one.times.calendar_s == pytest.approx(DAY, abs=1e-6)
    avocet, bittern = reckon(records, "machine", T0, T0 + DAY, RATES, ZONE)
    assert avocet.times.seconds["unseen"] == HOUR, "the collector was dark"
    assert avocet.times.seconds["engineering"] == pytest.approx(16 * HOUR), "from 7 on, but for the dark hour"
    assert bittern.times.seconds["unseen"] == 22 * HOUR
    assert bittern.times.seconds["productive"] == 2 * HOUR


@pytest.mark.parametrize(("day", "hours"), [("2025-03-30", 23.0), ("2025-10-26", 25.0), ("2025-11-24", 24.0)])
def test_days_on_which_the_clock_is_changed(day, hours):
    from_s, to_s = yields.span_of(day, day, ZONE)
    (found,) = reckon(records_of([state(from_s - 10, "idle")], ["avocet"], to_s), "day", from_s, to_s, RATES, ZONE)
    assert (found.key, found.times.calendar_s / HOUR, found.times.seconds["standby"] / HOUR) == (day, hours, hours)


def test_weeks_are_those_of_iso_8601_and_months_are_cut_at_the_ends():
    from_s, to_s = yields.span_of("2025-12-27", "2026-01-05", ZONE)
    weeks = yields.periods("week", from_s, to_s, ZONE)
    assert [w.key for w in weeks] == ["2025-W52", "2026-W01", "2026-W02"]  # ISO 8601: 29 December begins week 1
    assert [m.key for m in yields.periods("month", from_s, to_s, ZONE)] == ["2025-12", "2026-01"]
    for scope in ("day", "week", "month"):
        found = yields.periods(scope, from_s, to_s, ZONE)
        assert (found[0].from_s, found[-1].to_s) == (from_s, to_s)
        assert all(a.to_s == b.from_s for a, b in itertools.pairwise(found))


def test_rows_by_job_and_by_day_add_up_to_the_whole():
    notes = [state(T0, "printing"), *(use(i, i * 5, i * 5 + 4, job="a" if i % 2 else "b") for i in range(9))]
    for at_s in (T0 + i * HOUR for i in range(1, 49)):
        doc = {"machine": "avocet", "wh": 120.0, "started": at_s - HOUR, "ended": at_s}
        notes.append({"at_s": at_s, "kind": "energy", **doc})
    records = records_of(sorted(notes, key=lambda n: n["at_s"]), ["avocet"], T0 + 2 * DAY)
    whole = total(records, T0, T0 + 2 * DAY, RATES)
    for scope in yields.SCOPES:
        rows = reckon(records, scope, T0, T0 + 2 * DAY, RATES, ZONE)
        assert sum(sum(r.results.values()) for r in rows) == 9
        assert sum(r.cost.total for r in rows) == pytest.approx(whole.cost.total)
        if scope != "job":
            assert sum(r.energy_wh for r in rows) == pytest.approx(48 * 120.0)


def test_what_is_not_known_is_no_zero():
    notes = [use(1, 0, 1, grams=None, material_cost=None, pieces=None, usual_pieces=None, energy_wh=None)]
    row = row_of(total(records_of(notes, ["avocet"], T0 + DAY), T0, T0 + DAY, RATES))
    assert (row["material_g"], row["energy_wh"], row["pieces_good"], row["cost_each_good"]) == (None,) * 4
    assert (row["builds_material_unknown"], row["cost_missing"], row["unseen_h"]) == (1, 3, 24.0)


def test_a_correction_counts_once():
    notes = [use(1, 0, 1), use(1, 0, 1, "failed")]
    assert total(records_of(notes, ["avocet"], T0 + DAY), T0, T0 + DAY, RATES).results["failed"] == 1


def test_notes_that_have_rotted_hide_nothing_else():
    notes = [{"kind": "use", "at_s": T0}, {"kind": "state", "at_s": "x", "machine": "avocet"}, *one_day()]
    assert sum(total(records_of(notes, ["avocet"], T0 + DAY), T0, T0 + DAY, RATES).results.values()) == 3


# ---- the command ---------------------------------------------------------------------------------------------------


@pytest.fixture
def shop(tmp_path):
    """A configuration whose journal holds the last two weeks."""
    config = tmp_path / "farmwatch.toml"
    config.write_text(
        'config_version = 1\ndata_dir = "data"\n[site]\nname = "Saltmarsh Works"\ntimezone = "Europe/London"\n'
        '[machines]\navocet = {}\nbittern = {}\n[tariff]\nper_kwh = 0.30\ncurrency = "GBP"\n'
    )
    (tmp_path / "data").mkdir()
    journal = SqliteJournal.open(tmp_path / "data" / "journal.db")
    now_s = time.time()
    try:
        for day in range(14, 0, -1):
            at_s = now_s - day * DAY
            doc = use(day, 0, 3, job="=latch") | {"started": at_s, "ended": at_s + 3 * HOUR, "estimates": [
                {"share": 0.5, "p50_s": at_s + 2.9 * HOUR}]}  # fmt: skip
            notes = [
                Note(at_s, "state", {"machine": "avocet", "state": "printing"}),
                Note(at_s + 3 * HOUR, "state", {"machine": "avocet", "state": "waiting"}),
                Note(at_s + 3 * HOUR, "use", {k: v for k, v in doc.items() if k not in ("at_s", "kind")}),
            ]
            journal.commit(at_s + 3 * HOUR, notes, {})
    finally:
        journal.close()
    return config


def test_report_in_every_form(shop, tmp_path, capsys):
    at = ["report", "-c", str(shop)]
    assert cli.main(at) == 0
    words = capsys.readouterr().out
    assert "Saltmarsh Works" in words
    assert "avocet" in words
    assert "SEMI E10" in words
    assert cli.main([*at, "--by", "job", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [row["key"] for row in found["rows"]] == ["=latch"]
    assert found["all"]["builds_done"] in (6, 7, 8)
    assert cli.main([*at, "--by", "job", "--csv", "-"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert rows[0]["key"] == "'=latch", "no formula"
    files = [tmp_path / name for name in ("a.parquet", "a.pdf", "a.png")]
    assert cli.main([*at, "--parquet", str(files[0]), "--pdf", str(files[1]), "--plot", str(files[2])]) == 0
    assert files[1].read_bytes().startswith(b"%PDF-")
    assert files[2].read_bytes().startswith(b"\x89PNG")
    from pyarrow import parquet

    table = parquet.read_table(files[0])
    assert table.column("key").to_pylist() == ["avocet", "bittern"]
    assert table.column("unseen_h").to_pylist()[1] == pytest.approx(table.column("calendar_h").to_pylist()[1])


@pytest.mark.parametrize(
    ("words", "says"),
    [(["--from", "3.11.2025"], "written as 2025"), (["--from", "2999-01-01", "--to", "2999-02-01"], "not come"),
     (["--from", "2025-02-01", "--to", "2025-01-01"], "is after"), (["--from", "2000-01-01"], "at most 800")],
)  # fmt: skip
def test_days_that_cannot_be(shop, words, says, capsys):
    assert cli.main(["report", "-c", str(shop), *words]) == 2
    assert says in capsys.readouterr().err


def test_a_file_that_cannot_be_written_is_named(shop, capsys):
    assert cli.main(["report", "-c", str(shop), "--csv", "/nowhere/at/all.csv"]) == 1
    assert "/nowhere/at/all.csv" in capsys.readouterr().err
    with pytest.raises(FarmwatchError, match=r"nowhere"):
        cli_report.parquet([{"key": "a"}], "/nowhere/a.parquet")
