"""The what-if files: forms, faults with their pointers, exit codes; answers are tested with their own modules."""

import importlib.util
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from farmwatch import whatif
from farmwatch.whatif_check import WrongFile

TABLE = [[60, 115], [120, 47], [240, 18.5], [360, 9.8], [480, 6.1], [600, 4.0]]

RUNTIME = {"runtime_table": TABLE, "profile": [[10, 120], [5, 240]]}
OUTAGE = {
    "backup": {"runtime_table": TABLE, "charge": 1, "health": 0.8, "limit_w": 600, "base_w": 12},
    "machines": [
        {"name": "gannet", "power_w": 110, "remaining_min": 25, "value": 50, "hold_w": 0},
        {"name": "curlew", "power_w": 120, "remaining_min": 14, "value": 240, "hold_w": 0},
        {"name": "knot", "power_w": 90, "remaining_min": 30, "value": 100, "hold_w": None},
    ],
}
STARTS = {
    "limits": {"east": 3680, "backup 1": 600},
    "running": {"east": 400},
    "machines": [
        {"name": n, "places": ["east", "backup 1"], "peak_w": 280, "peak_min": 6, "hold_w": 110}
        for n in ("avocet", "bittern", "curlew")
    ],
}
CAPACITY = {
    "places": {
        "east": {"limit_w": 2944},
        "b1": {"limit_w": 600, "in": "east", "running": 12, "runtime_table": TABLE, "health": 0.9},
        "b2": {"limit_w": 600, "in": "east", "running": 12, "runtime_table": TABLE},
    },
    "machines": [{"name": f"m{i}", "at": "b1", "draw": [[260, 0.3], [50, 0.7]]} for i in range(4)],
    "add": {"at": "b2", "machines": [{"name": "lapwing", "draw": 120}]},
    "spread": {"over": ["b1", "b2"]},
}
FORMS = {"runtime": RUNTIME, "outage": OUTAGE, "starts": STARTS, "capacity": CAPACITY}


@pytest.fixture
def ask(tmp_path, capsys):
    def run(question, content, *options):
        path = tmp_path / "question.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
        code = whatif.main([question, str(path), *options])
        out, err = capsys.readouterr()
        return code, out, err

    return run


def change(form, pointer, value):
    """A copy of a form with one member replaced (or removed, for ...)."""
    copy = json.loads(json.dumps(form))
    *way, last = pointer.strip("/").split("/")
    node = copy
    for step in way:
        node = node[int(step)] if isinstance(node, list) else node[step]
    key = int(last) if isinstance(node, list) else last
    if value is ...:
        del node[key]
    else:
        node[key] = value
    return copy


# Forms ------------------------------------------------------------------------------------------------------


def test_runtime_form(ask):
    code, out, err = ask("runtime", RUNTIME, "--json")
    answer = json.loads(out)
    # 10/47 used, then (1 - 10/47) x 18.5 at 240 W (the last load goes on): arithmetic on rows of the table
    assert answer == {"minutes": pytest.approx(10 + (1 - 10 / 47) * 18.5), "inside_table": True}
    assert (code, err) == (0, "")


def test_runtime_endless_is_null(ask):
    answer = json.loads(ask("runtime", change(RUNTIME, "/profile/1/1", 0), "--json")[1])
    assert answer == {"minutes": None, "inside_table": False}
    assert "does not end" in ask("runtime", change(RUNTIME, "/profile/1/1", 0))[1]


def test_runtime_charge_and_health(ask):
    form = {**RUNTIME, "profile": [[0, 240]], "charge": 0.5, "health": 0.8}
    assert json.loads(ask("runtime", form, "--json")[1])["minutes"] == pytest.approx(0.4 * 18.5)
    outside = json.loads(ask("runtime", {**form, "profile": [[1, 900]]}, "--json")[1])
    assert outside["inside_table"] is False
    assert "extrapolated" in ask("runtime", {**form, "profile": [[1, 900]]})[1]


def test_outage_form(ask):
    code, out, _ = ask("outage", OUTAGE, "--json")
    answer = json.loads(out)
    assert code == 0
    assert list(answer) == ["finishes", "value", "run_everything", "steps", "decide_by_min"]
    assert list(answer["run_everything"]) == ["finishes", "value", "minutes"]
    assert answer["finishes"] == ["curlew"]
    assert answer["value"] == 240
    assert answer["steps"] == [{"from_min": 0, "to_min": 14, "running": ["curlew"], "paused": []}]
    assert answer["decide_by_min"]["curlew"] is None
    assert 0 < answer["decide_by_min"]["gannet"] == answer["decide_by_min"]["knot"] < 14


def test_outage_text_says_what_to_do_and_until_when(ask):
    code, out, _ = ask("outage", OUTAGE)
    assert code == 0
    assert out.startswith("Finishes: curlew (value 240 of 390)\n")
    assert "Give up: gannet, knot" in out
    assert "Decide by minute 7.0: gannet" in out
    assert "licensed electrician" in out


def test_outage_with_a_distribution_gives_expected_value(ask):
    form = change(OUTAGE, "/machines/0/remaining_min", {"p10": 20, "p50": 25, "p90": 32})
    answer = json.loads(ask("outage", form, "--json")[1])
    assert answer["value"] > 240
    assert answer["bounded_search"] is True
    assert "expected value" in ask("outage", form)[1]


def test_a_distribution_of_one_number_is_the_number(ask):
    form = change(OUTAGE, "/machines/0/remaining_min", {"p10": 25, "p50": 25, "p90": 25})
    assert ask("outage", form, "--json")[1] == ask("outage", OUTAGE, "--json")[1]


def test_starts_form(ask):
    code, out, _ = ask("starts", STARTS, "--json")
    answer = json.loads(out)
    assert code == 0
    assert list(answer) == ["starts", "last_start_min", "peak_w"]
    assert sorted(answer["starts"].values()) == [0, 0, 6]
    assert answer["last_start_min"] == 6
    assert answer["peak_w"] == {"east": 960, "backup 1": 560}
    assert "in 6.0 min" in ask("starts", STARTS)[1]


def test_starts_that_cannot_be(ask):
    code, out, _ = ask("starts", change(STARTS, "/machines/1/hold_w", 400), "--json")
    answer = json.loads(out)
    assert code == 1
    assert list(answer) == ["starts", "impossible"]
    assert answer["starts"] is None
    assert [list(entry) for entry in answer["impossible"]] == [["place", "why"]]
    assert answer["impossible"][0]["place"] == "backup 1"
    alone = json.loads(ask("starts", change(STARTS, "/machines/1/peak_w", 700), "--json")[1])
    assert "bittern" in alone["impossible"][0]["why"]
    code, out, _ = ask("starts", change(STARTS, "/machines/1/peak_w", 700))
    assert code == 1
    assert out.startswith("No start sequence exists:\n")


def test_capacity_form(ask):
    code, out, _ = ask("capacity", CAPACITY, "--json")
    answer = json.loads(out)
    assert code == 0
    assert list(answer) == ["present", "add", "spread"]
    assert answer["add"]["fits"] is True
    assert set(answer["add"]["chance"]) == {"b2", "east"}
    assert sorted(answer["spread"]["at"].values()) == ["b1", "b1", "b2", "b2"]
    assert len(answer["spread"]["moves"]) == 2
    assert answer["spread"]["chance"] < answer["present"]["chance"]
    assert answer["spread"]["shortest_min"] > answer["present"]["shortest_min"]
    text = ask("capacity", CAPACITY)[1]
    assert "Add 1 at b2: yes" in text
    assert "Move: " in text


# Faults -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("question", "pointer", "value", "named"),
    [
        ("runtime", "/runtime_table", ..., "/runtime_table"),
        ("runtime", "/runtime_table", [[100, 10]], "/runtime_table"),
        ("runtime", "/runtime_table/1/1", 130, "/runtime_table/1/1"),
        ("runtime", "/runtime_table/1", [120], "/runtime_table/1"),
        ("runtime", "/runtime_table/0/0", 0, "/runtime_table/0/0"),
        ("runtime", "/runtime_table/0/0", True, "/runtime_table/0/0"),
        ("runtime", "/profile", [], "/profile"),
        ("runtime", "/profile/0/1", -5, "/profile/0/1"),
        ("runtime", "/profile/0/1", "120", "/profile/0/1"),
        ("runtime", "/charge", 85, "/charge"),
        ("runtime", "/health", -0.1, "/health"),
        ("runtime", "/helth", 0.8, "/helth"),
        ("runtime", "/a~b", 0.8, "/a~0b"),
        ("outage", "/backup/limit_w", ..., "/backup/limit_w"),
        ("outage", "/backup", 7, "/backup"),
        ("outage", "/machines", {}, "/machines"),
        ("outage", "/machines/1/name", "gannet", "/machines/1/name"),
        ("outage", "/machines/1/name", "", "/machines/1/name"),
        ("outage", "/machines/1/hold_w", ..., "/machines/1/hold_w"),
        ("outage", "/machines/1/remaining_min", {"p10": 3, "p50": 2, "p90": 5}, "/machines/1/remaining_min"),
        ("outage", "/machines/1/remaining_min", {"p10": 3, "p50": 4}, "/machines/1/remaining_min/p90"),
        ("outage", "/machines/2/value", None, "/machines/2/value"),
        ("outage", "/machines/2/power_w", 1e300, "/machines/2/power_w"),
        ("starts", "/limits/east", None, "/limits/east"),
        ("starts", "/running/west", 3, "/running/west"),
        ("starts", "/machines/0/places/1", "backup 9", "/machines/0/places/1"),
        ("starts", "/machines/0/places/1", "east", "/machines/0/places/1"),
        ("starts", "/machines/0/places/1", 4, "/machines/0/places/1"),
        ("starts", "/machines/0/peak_min", -1, "/machines/0/peak_min"),
        ("capacity", "/places/b1/in", "west", "/places/b1/in"),
        ("capacity", "/places/east/in", "b1", "/places/east/in"),
        ("capacity", "/machines/0/draw/0/1", 0.5, "/machines/0/draw"),
        ("capacity", "/machines/0/at", "roof", "/machines/0/at"),
        ("capacity", "/add/machines", [], "/add/machines"),
        ("capacity", "/spread/over/1", "b1", "/spread/over/1"),
        ("capacity", "/risk", 2, "/risk"),
    ],
)
def test_a_fault_is_named_by_its_pointer(ask, question, pointer, value, named):
    code, out, err = ask(question, change(FORMS[question], pointer, value), "--json")
    assert code == 2
    assert out == ""
    assert any(f": {named}: " in line for line in err.splitlines())


def test_every_fault_is_told_at_once(ask):
    form = change(change(change(OUTAGE, "/backup/charge", 2), "/machines/0/value", -1), "/machines/2/power_w", "x")
    code, _, err = ask("outage", form)
    assert code == 2
    assert [line.split(": ")[1] for line in err.splitlines()] == [
        "/backup/charge",
        "/machines/0/value",
        "/machines/2/power_w",
    ]


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "[1, 2",
        "NaN",
        '{"profile": NaN}',
        "[" * 100_000,
        '{"charge": 1, "charge": 2}',
        "null",
        "3",
        "[]",
        '"x"',
    ],
)
def test_what_is_no_question(ask, content):
    for question in FORMS:
        code, out, err = ask(question, content, "--json")
        assert code == 2
        assert out == ""
        assert "(whole file)" in err or "is missing" in err


def test_bytes_that_are_no_text_and_files_that_are_not_there(tmp_path, capsys):
    path = tmp_path / "bytes"
    path.write_bytes(b"\xff\xfe{}")
    assert whatif.main(["runtime", str(path)]) == 2
    assert whatif.main(["runtime", str(tmp_path / "gone.json")]) == 2
    assert whatif.main(["runtime", str(tmp_path)]) == 2
    assert capsys.readouterr().out == ""


def test_a_huge_whole_number_is_a_fault_not_a_crash(ask):
    assert ask("runtime", '{"runtime_table": [[1, 2], [3, 1' + "0" * 4000 + ']], "profile": [[1, 1]]}')[0] == 2


def test_capacity_asks_something(ask):
    form = {key: CAPACITY[key] for key in ("places", "machines")}
    code, _, err = ask("capacity", form)
    assert code == 2
    assert "asks nothing" in err


def test_standard_input(monkeypatch, capsys):
    class Stdin:
        buffer = io.BytesIO(json.dumps(RUNTIME).encode())

    monkeypatch.setattr(sys, "stdin", Stdin())
    assert whatif.main(["runtime", "-", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["inside_table"] is True


def test_faults_are_an_error_of_ours_with_all_of_them():
    with pytest.raises(WrongFile, match="/profile") as caught:
        whatif.answer_runtime({"charge": 3})
    assert [fault.pointer for fault in caught.value.faults] == ["/runtime_table", "/profile", "/charge"]


@pytest.mark.parametrize("question", sorted(FORMS))
def test_a_picture(ask, tmp_path, question):
    if importlib.util.find_spec("matplotlib") is None:
        assert "CI" not in os.environ, "CI installs the extra `plot`"
        pytest.skip("the extra `plot` is not installed")
    picture = tmp_path / "answer.png"
    code, out, _ = ask(question, FORMS[question], "--json", "--plot", str(picture))
    assert code == 0
    assert json.loads(out)
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_the_base_install_is_enough():
    """No numeric or drawing library is loaded for an answer."""
    script = (
        "import sys, json; from farmwatch import whatif;"
        f"[getattr(whatif, 'answer_' + q)(f) for q, f in json.loads({json.dumps(json.dumps(FORMS))}).items()];"
        "print([m for m in ('numpy', 'scipy', 'matplotlib', 'aiohttp', 'pydantic') if m in sys.modules])"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


# ---- the README's own questions ----

README = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
ASKED = re.findall(r"^```json whatif (\w+)\n(.*?)^```", README, re.DOTALL | re.MULTILINE)


def test_the_readme_asks_all_four_questions():
    assert [name for name, _ in ASKED] == ["runtime", "outage", "starts", "capacity"]


@pytest.mark.parametrize(("name", "text"), ASKED, ids=[name for name, _ in ASKED])
def test_the_readme_s_questions_are_answered(name, text, tmp_path, capsys):
    from farmwatch.whatif import main

    file, picture = tmp_path / "question.json", tmp_path / "picture.png"
    file.write_text(text)
    assert main([name, str(file), "--json", "--plot", str(picture)]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert picture.read_bytes().startswith(b"\x89PNG")
    keys = {
        "runtime": {"minutes", "inside_table"},
        "outage": {"finishes", "value", "run_everything", "steps", "decide_by_min", "bounded_search"},
        "starts": {"starts", "last_start_min", "peak_w"},
        "capacity": {"present", "add", "spread"},
    }
    assert answer.keys() == keys[name]


def test_one_wrong_row_hides_no_other():
    from farmwatch.whatif import answer_runtime
    from farmwatch.whatif_check import WrongFile

    rows = [[50, 120], ["x", 4], [100, 130], [1, 2, 3], [200, 130]]
    with pytest.raises(WrongFile) as caught:
        answer_runtime({"runtime_table": rows, "profile": [[1, 60]]})
    assert {fault.pointer for fault in caught.value.faults} == {
        "/runtime_table/1/0", "/runtime_table/2/1", "/runtime_table/3", "/runtime_table/4/1"
    }  # fmt: skip
    assert any("row 3: 130 min at 100 W" in fault.what and "(row 1)" in fault.what for fault in caught.value.faults)
