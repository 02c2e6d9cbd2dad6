"""A CSV from elsewhere as spreadsheets, loggers and clocks really write it; by the command line as a person would.

The hour that Berlin has twice: 25 October 2026, 03:00 CEST is 02:00 CET (Directive 2000/84/EC: the last Sunday of
October, 01:00 UTC). The one that it lacks: 29 March 2026, 02:00 to 03:00.
"""

import csv

import pytest

from farmwatch.cli import main

OCTOBER = [("01:59:00", "23:59:00", 1), ("02:30:00", "00:30:00", 2), ("02:59:50", "00:59:50", 3),
           ("02:00:00", "01:00:00", 4), ("02:30:00", "01:30:00", 5), ("03:00:00", "02:00:00", 6)]  # fmt: skip


@pytest.fixture
def shop(tmp_path, capsys):
    (tmp_path / "farmwatch.toml").write_text('[site]\nname = "Saltmarsh Works"\ntimezone = "Europe/Berlin"\n')

    def take(content, *words, name="plug.csv"):
        """(exit code, [(time, value)] that were kept, what was said)."""
        (tmp_path / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        config = ["--config", str(tmp_path / "farmwatch.toml")]
        code = main(["import", *config, str(tmp_path / name), "--subject", "curlew", *words])
        said = capsys.readouterr().err
        main(["export", *config, "-", "--form", "csv"]) if (tmp_path / "farmwatch-data/history.db").exists() else None
        rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
        return code, [(row["time"][11:19], float(row["value"])) for row in rows], said

    return take


TWO = ("--time", "time", "--value", "W")


@pytest.mark.parametrize("newest_first", [False, True])
def test_the_hour_that_autumn_has_twice_is_read_by_the_order_of_rows(shop, newest_first):
    lines = [f"25.10.2026 {local};{value}" for local, _, value in OCTOBER]
    code, rows, _ = shop("\r\n".join(["time;W", *(lines[::-1] if newest_first else lines)]), *TWO)
    assert (code, rows) == (0, [(utc, value) for _, utc, value in OCTOBER])


def test_hourly_rows_have_it_twice_as_well(shop):
    text = "time,W\n" + "".join(f"2026-10-25 {hour}:00,{n}\n" for n, hour in enumerate(("00", "01", "02", "02", "03")))
    assert shop(text, *TWO)[1] == [(f"{utc}:00:00", n) for n, utc in enumerate(("22", "23", "00", "01", "02"))]


def test_the_hour_that_spring_leaves_out_is_no_time_but_is_one_by_utc(shop):
    text = "time,W\n2026-03-29 01:59:00,1\n2026-03-29 02:30:00,2\n2026-03-29 03:00:00,3\n"
    code, rows, said = shop(text, *TWO)
    assert (code, rows) == (1, [("00:59:00", 1), ("01:00:00", 3)])
    assert "plug.csv:3: 2026-03-29 02:30 is left out by the change to summer time in Europe/Berlin" in said
    assert ("02:30:00", 2) in shop(text, *TWO, "--timezone", "UTC")[1]
    assert 'no time zone "Europe/Nowhere"' in shop(text, *TWO, "--timezone", "Europe/Nowhere")[2]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("2026-07-01 12:00:00,5.5\n2026-07-01 12:00:10,6\n", ("--time", "1", "--value", "2")),
        ("when,W\n2026-07-01 12:00:00,5.5\n2026-07-01 12:00:10,6\n", ("--time", "1", "--value", "2")),
        ("Date;Time;W\n01.07.2026;12:00:00;5,5\n01.07.2026;12:00:10;6\n", ("--time", "Date+Time", "--value", "W")),
        ("sep=;\r\ntime;W\r\n01.07.2026 12:00:00;5,5\r\n01.07.2026 12:00:10;6\r\n", TWO),
        ("time;W\n01.07.2026 12:00:00;5,5\n01.07.2026 12:00:10;6\n".encode("utf-16"), TWO),
        ("time;größte W\n01.07.2026 12:00:00;5,5\n01.07.2026 12:00:10;6\n".encode("cp1252"),
         ("--time", "time", "--value", "größte W")),
        ("time\tW\n1782900000\t5.5\n1782900010000\t6\n", TWO),
        ('"time","W"\n"2026-07-01T12:00:00+02:00","5.5"\n"2026-07-01T10:00:10Z","6"\n', TWO),
        ("time,W\n07/01/2026 12:00:00 PM,5.5\n07/01/2026 12:00:10 PM,6\n",
         (*TWO, "--time-format", "%m/%d/%Y %I:%M:%S %p")),
    ],
    ids=["no head", "numbers", "date and time", "sep", "utf-16", "cp1252", "epoch", "quoted", "am pm"],
)  # fmt: skip
def test_odd_files_give_the_same_readings(shop, content, words):
    code, rows, said = shop(content, *words)
    assert (code, rows) == (0, [("10:00:00", 5.5), ("10:00:10", 6.0)]), said


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "the file is empty"), ("\n\n", "the first line is empty"),
        ("a,b\n", 'no column "time" (there are: a, b; without a head say their numbers'),
        ("time,W\n07/01/2026 12:00,5\n", 'plug.csv:2: "07/01/2026 12:00" is no time that can be read one way alone'),
        ("time,W\n2026-07-01T12:00:00Z,5 W\n", '"5 W" is no number'),
        ("time,W\n2100-07-01T12:00:00Z,5\n", "after 2099: a clock was wrong"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_named_and_nothing_is_kept(shop, content, said):
    code, rows, words = shop(content, *TWO)
    assert (code, rows) == (1, [])
    assert said in words
