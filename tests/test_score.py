import doctest
import json
import random

import pytest
from farm import T0, solo
from test_brain import build, cool

from farmwatch import cli, score
from farmwatch.assemble import open_journal
from farmwatch.machines import trail
from farmwatch.machines.conformal import wilson
from farmwatch.machines.trail import MOST, Told, Trail
from farmwatch.settings import load


def test_examples_in_the_documentation():
    assert doctest.testmod(trail).failed == 0


def test_a_trail_gives_the_last_word_before_each_share():
    path = Trail()
    for minute in range(600):
        path.add(Told(T0 + 60 * minute, None, T0 + 60 * minute + 1, None, "x"))
    assert len(path._rows) <= MOST + 1
    for row in path.picked(T0, T0 + 36_000):
        moment = T0 + row["share"] * 36_000
        assert moment - 260 <= row["at_s"] <= moment
    assert Trail().picked(T0, T0 + 10) == []


def test_scores_of_known_errors():
    builds = [
        {
            "id": str(i),
            "result": "done",
            "started_s": 0.0,
            "ended_s": 6000.0,
            "estimates": [
                {"share": 0.5, "p10_s": 5900.0, "p50_s": 6000.0 + 60 * i, "p90_s": 6100.0, "basis": "7 builds of x"},
                {"share": 0.9, "p10_s": None, "p50_s": 6060.0, "p90_s": None, "basis": "reported remaining time, x"},
            ],
        }
        for i in range(5)
    ]  # fmt: skip
    builds.append({**builds[0], "id": "cut short", "result": "failed"})
    found = {(row["basis"], row["share"]): row for row in score.table(score.rows_of(builds))}
    mine = found["this job's history", 0.5]
    assert mine["builds"] == 5
    assert mine["median_abs_error_min"] == 2
    assert mine["coverage"] == 1.0
    assert mine["coverage_low"] == pytest.approx(wilson(5, 5)[0])
    late = found["reported remaining time", 0.9]
    assert late["coverage"] is None
    assert late["median_abs_error_share"] == pytest.approx(0.01)
    text = score.text(list(found.values()), 5)
    assert "no interval was given" in text
    assert "100% of 5 (57% to 100%)" in text


def test_what_was_said_of_a_build_is_kept_with_it():
    day = solo("avocet")
    for _ in range(3):
        build(day, "avocet", 40)
        cool(day, "avocet")
    kept = [doc for kind, _, doc in day.facts() if kind == "build"]
    assert len(kept) == 3
    assert [row["share"] for row in kept[-1]["estimates"]] == [0.1, 0.25, 0.5, 0.75, 0.9]
    rows = score.rows_of(kept)
    assert all(abs(row["error_s"]) < 0.2 * row["length_s"] for row in rows if row["share"] >= 0.5)
    assert score.text([], 0) == "Nothing to score yet: no build was seen.\n"


# ---- the command ----------------------------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path, monkeypatch):
    """A folder with the demo's configuration, in which commands are run."""
    from importlib.resources import files

    monkeypatch.chdir(tmp_path)
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text()
    (tmp_path / "farmwatch.toml").write_text(text)
    return tmp_path


def asked(capsys, *words):
    code = cli.main(["score", *words, "--config", "farmwatch.toml"])
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    return code, said.out, said.err


BROKEN = {
    "garbage": (b"not json\n", "line 1: no JSON"),
    "no text": (random.Random(3).randbytes(2000), "no UTF-8"),
    "another kind of file": (b'{"at": "2026-03-02T00:00:00Z", "via": "pigeon", "body": ""}\n', '"via" is "pigeon"'),
    "cut in the middle": (b'{"at": "2026-03-02T00:00:00Z", "via": "mq', "line 1: no JSON"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_what_is_no_recording_is_said_with_file_and_line(here, capsys, name):
    body, words = BROKEN[name]
    (here / "x.jsonl").write_bytes(body)
    code, out, err = asked(capsys, "x.jsonl")
    assert (code, out) == (2, "")
    assert err.startswith("score: x.jsonl: ")
    assert words in err


def test_files_that_are_not_there_and_questions_that_are_none(here, capsys):
    assert asked(capsys, "none.jsonl") == (2, "", "score: none.jsonl: No such file or directory\n")
    assert asked(capsys, ".")[0] == 2
    assert "give a recording, or --history" in asked(capsys)[2]
    assert asked(capsys, "x.jsonl", "--history")[0] == 2
    code, _, err = asked(capsys, "--history")
    assert code == 2
    assert "no journal here yet" in err
    assert sorted(path.name for path in here.iterdir()) == ["farmwatch.toml"], "looking leaves nothing behind"


def test_no_build_over_is_no_mistake_but_no_picture(here, capsys):
    (here / "x.jsonl").write_text("\n\n")
    assert asked(capsys, "x.jsonl") == (0, "Nothing to score yet: no build was seen.\n", "")
    code, out, _ = asked(capsys, "x.jsonl", "--json")
    assert (code, json.loads(out)) == (0, {"seen": 0, "builds": 0, "rows": []})
    code, _, err = asked(capsys, "x.jsonl", "--plot", "x.png")
    assert code == 1
    assert "x.png is not drawn" in err
    assert not (here / "x.png").exists()


def past(here):
    """A journal with builds that are over, one of them cut short."""
    day = solo("knot")
    for _ in range(3):
        build(day, "knot", 20)
        cool(day, "knot")
    build(day, "knot", 5, done="failed")
    journal = open_journal(load("farmwatch.toml", live=False))
    facts = [(kind, key, doc) for kind, key, doc in day.facts() if kind == "build"]
    keep = [effect for effect in day.effects if getattr(effect, "kind", "") == "build" and hasattr(effect, "key")]
    return journal, facts, keep


def test_history_as_text_as_json_and_as_a_picture(here, capsys):
    journal, facts, keep = past(here)
    journal.commit(T0, keep, {})
    journal.close()
    assert len(facts) == 4
    code, out, err = asked(capsys, "--history")
    assert (code, err) == (0, "")
    assert "against 3 builds that ended as done" in out
    code, out, _ = asked(capsys, "--history", "--json", "--plot", "errors.png")
    found = json.loads(out)
    assert (code, found["seen"], found["builds"]) == (0, 4, 3)
    assert {row["share"] for row in found["rows"]} == {0.1, 0.25, 0.5, 0.75, 0.9}
    assert (here / "errors.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"  # PNG specification, section 5.2
    for path, words in (("none/x.png", "No such file"), ("x.foo", "not supported")):
        code, out, err = asked(capsys, "--history", "--plot", path)
        assert code == 1
        assert out, "the table is there all the same"
        assert words in err
