"""The work list, live: what is wanted and made, the proposal, due dates, CSV, the exact answer by a child."""

import sys

import farm
import pytest
from test_trips import shop, waiting

from farmwatch.filler import filler, in_a_child, task_of, task_text
from farmwatch.power.questions import answer
from farmwatch.shop import wanted_csv
from farmwatch.shop.orders import due_of
from farmwatch.shop.work import Free, Job, Task, fill
from farmwatch.shop.work_exact import fill_exactly
from farmwatch.words.errors import Refused
from farmwatch.words.model import JobPlan, Work, Worked

T0 = farm.T0
H = 3600.0
JOBS = {"hinge": JobPlan("hinge", 12.0, hours=3.0), "cradle": JobPlan("cradle", 2.0, hours=9.0)}


def works(*names, **more):
    return shop(*names, rounds=("08:00-09:00", "17:00-19:00"), jobs=dict(JOBS), **more)


def tell(d, command, machine=None, **fields):
    """Say it, and answer every question that follows as the daemon would."""
    effects = d.say(command, machine, **fields)
    for work in [e for e in effects if isinstance(e, Work)]:
        d.feed(Worked(d.now, work.id, answer(work)))
    return effects


def build(d, name, job="hinge", hours=1.0):
    for share in (0.0, 0.5, 0.99):
        d.panel(name, state="printing", job=job, progress=share, remaining_s=(1 - share) * hours * H, bed_c=60.0)
        d.run(hours * H / 3, 300, lambda x: x.panel(name, state="printing", job=job))
    d.panel(name, state="done", progress=1.0, job=job, bed_c=60.0)


def test_what_is_made_comes_off_and_what_failed_goes_back_on():
    d = works("avocet")
    tell(d, "wanted", job="hinge", pieces=30.0, due="2025-11-28")
    build(d, "avocet")
    (row,) = d.brain.view(d.now)["work"]["wanted"]
    assert (row["made"], row["left"], row["builds"]) == (12.0, 18.0, 2)
    d.restart()
    assert d.brain.view(d.now)["work"]["wanted"][0]["left"] == 18.0
    d.say("pieces", "avocet", pieces=7.0)
    assert d.brain.view(d.now)["work"]["wanted"][0]["left"] == 23.0
    d.say("failed", "avocet")
    assert d.brain.view(d.now)["work"]["wanted"][0]["left"] == 30.0
    tell(d, "wanted", job="hinge", pieces=0.0)
    assert d.brain.view(d.now)["work"]["wanted"] == []


def test_a_proposal_reaches_the_sheet_and_a_person_decides():
    d = works("avocet", "bittern")
    waiting(d, "avocet")
    tell(d, "wanted", job="cradle", pieces=4.0)
    work = d.brain.view(d.now)["work"]
    assert {row["job"] for row in work["loads"]} == {"cradle"}
    assert work["way"] == "greedy"
    assert work["gap"] is not None
    tell(d, "round_began")
    rows = {row["machine"]: row for row in d.brain.view(d.now)["trips"]["sheet"]}
    assert rows["avocet"]["load"]["job"] == "cradle"
    assert not rows["avocet"]["load"]["accepted"]
    tell(d, "load_next", "avocet", job="hinge")
    row = next(r for r in d.brain.view(d.now)["trips"]["sheet"] if r["machine"] == "avocet")
    assert (row["load"]["job"], row["load"]["accepted"]) == ("hinge", True)
    d.panel("avocet", state="printing", job="hinge", progress=0.0, remaining_s=3 * H)
    assert d.brain.view(d.now)["work"]["accepted"] == {}


def test_a_due_date_that_cannot_be_met_is_said_at_once_and_taken_back():
    d = works("avocet")
    tell(d, "wanted", job="cradle", pieces=40.0, due="2025-11-26")
    (alarm,) = [a for a in d.brain.view(d.now)["alarms"] if a["rule"] == "due_date"]
    assert alarm["title"] == "cradle: due date at risk"
    assert "pieces will be missing by Thu 00:00" in alarm["text"]
    tell(d, "wanted", job="cradle", pieces=0.0)
    assert not [a for a in d.brain.view(d.now)["alarms"] if a["rule"] == "due_date"]


@pytest.mark.parametrize(
    ("fields", "what"),
    [
        ({"pieces": 3.0}, "which job"),
        ({"job": "hinge"}, "how many"),
        ({"job": "hinge", "pieces": -1.0}, "how many"),
        ({"job": "hinge", "pieces": 3.0, "due": "tomorrow"}, "no date"),
        ({"job": "hinge", "pieces": 3.0, "due": "2025-11-28T10:00:00"}, "no date"),
    ],
)
def test_wrong_wishes_are_refused(fields, what):
    with pytest.raises(Refused, match=what):
        works("avocet").say("wanted", **fields)


def test_what_cannot_be_planned_says_why():
    d = works("avocet")
    tell(d, "wanted", job="mystery", pieces=3.0)
    (row,) = d.brain.view(d.now)["work"]["wanted"]
    assert "pieces of one build are not known" in row["problem"]


def test_the_child_gives_the_exact_answer():
    jobs = [Job("a", 3.0, 1.0, 4.0, 3.0, due_s=T0 + 30 * H), Job("b", 9.0, 1.0, 3.0, 9.0, fits=frozenset({"m1"}))]
    machines = [Free("m1", T0, ("west",), 100.0), Free("m2", T0 + 5 * H, ("west",), 100.0)]
    task = Task(jobs, machines, [T0 + h * H for h in (0, 10, 24, 34, 48)], {}, {"west": 200.0})
    assert task_of(task_text(task)) == task
    found = in_a_child(task)
    here = fill_exactly(task)
    assert found.exact
    assert found.worth == pytest.approx(here.worth)
    assert found.worth >= fill(task).worth - 1e-9


def test_other_questions_and_broken_children_get_the_plain_answer(monkeypatch):
    d = works("avocet")
    effects = d.say("wanted", job="hinge", pieces=30.0)
    (work,) = (e for e in effects if isinstance(e, Work))
    assert filler(answer)(work).way == "exact"
    monkeypatch.setattr("farmwatch.filler.in_a_child", lambda _task: (_ for _ in ()).throw(OSError("no room")))
    assert filler(answer)(work).way == "greedy"


def test_without_the_extra_the_rule_of_thumb_says_that_it_is_one(monkeypatch):
    monkeypatch.setitem(sys.modules, "scipy", None)
    d = works("avocet")
    d.panel("avocet", state="idle", bed_c=20.0)
    effects = d.say("wanted", job="hinge", pieces=30.0)
    (work,) = (e for e in effects if isinstance(e, Work))
    found = filler(answer)(work)
    assert (found.way, found.filling.exact) == ("greedy", False)
    assert found.filling.loads


@pytest.mark.parametrize(
    "data",
    [
        b"job,pieces,due\r\nhinge,12.5,2026-11-27\r\n",
        b"\xef\xbb\xbfjob;pieces;due\nhinge;12,5;2026-11-27\n",
        b"Due\tQuantity\tPart\n2026-11-27\t12,5\thinge\n\n",
    ],
    ids=["rfc 4180", "mark and semicolons", "tabs, other order"],
)
def test_csv_in_its_usual_dialects(data):
    rows, wrong = wanted_csv.read(data)
    assert wrong == []
    assert [(row.job, row.pieces, row.due) for row in rows] == [("hinge", 12.5, "2026-11-27")]


def test_wrong_rows_are_named_by_their_line():
    data = b"job;pieces\nhinge;3\n;4\n=cmd|'/c calc'!A1;2\nlatch;many\nlatch;-1\n"
    rows, wrong = wanted_csv.read(data)
    assert [row.job for row in rows] == ["hinge"]
    assert [line.partition(":")[0] for line in wrong] == ["line 3", "line 4", "line 5", "line 6"]
    assert wanted_csv.read(b"a,b\n1,2\n")[1][0].startswith("line 1: columns job and pieces are needed")


def test_no_cell_that_goes_out_is_a_formula():
    # Source: OWASP, "CSV Injection": cells that begin with = + - @ tab or carriage return (from memory).
    names = ["=1+1", "+1", "-1", "@x", "\tx", "hinge, large", 'a "b"']
    rows = [{"job": name, "left": 2.0} for name in names]
    text = wanted_csv.write(rows, {"hinge, large": "2026-11-27"})
    assert '"hinge, large",2,2026-11-27\r\n' in text
    assert not any(line.lstrip('"').startswith(("=", "+", "-", "@", "\t")) for line in text.split("\r\n"))


@pytest.mark.parametrize("due", ["9999-12-31", "0001-01-01", "9999-12-31T23:59:59-12:00", "0001-01-01T00:00:00+14:00"])
def test_a_date_at_the_end_of_all_calendars_is_refused(due):
    """It would be read as a date and then lie beyond what a clock can say, within the one thing that must go on."""
    with pytest.raises(Refused, match="no date that can be met"):
        due_of(due, "Europe/London")
    _, wrong = wanted_csv.read(f"job,pieces,due\nhinge,2,{due}\n".encode(), "Europe/London")
    assert len(wrong) == 1
    assert wrong[0].startswith("line 2: no date that can be met")
