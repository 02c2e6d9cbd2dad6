"""The comparison itself: an engine that knew the truth gets full marks, and every kind of mistake is noticed."""

import pytest
from truth import compare, perfect

from farmwatch.scenario.world import World

START_S = 1764057600.0
END_S = START_S + 50_000.0


@pytest.fixture(scope="module")
def truth():
    world = World(7, START_S, interval_s=600.0)
    world.play(END_S + 60.0)
    return world.truth


def verdict(notes, truth):
    return compare(notes, truth, START_S, END_S)


def test_full_marks_for_the_truth_itself(truth):
    found = verdict(perfect(truth, END_S), truth)
    assert found.f1 == 1.0
    assert len(found.matched) > 8
    assert set(found.state_share.values()) == {1.0}
    assert not found.wrong_results
    assert not found.wrong_jobs
    assert max(map(abs, found.end_errors_s)) == 0.0
    assert max(map(abs, found.energy_errors.values())) < 1e-9
    assert len(found.outages_found) >= 1
    assert not found.outages_missed
    assert not found.outages_false
    assert "F1 1.0" in found.summary()


def test_nothing_derived_is_nothing_found(truth):
    found = verdict([], truth)
    assert found.f1 == 0.0
    assert max(found.state_share.values()) == 0.0
    assert len(found.outages_missed) >= 1


@pytest.mark.parametrize("kind", ["state", "build", "energy", "outage"])
def test_every_kind_of_mistake_is_noticed(truth, kind):
    spoilt = []
    for at_s, found_kind, doc in perfect(truth, END_S):
        changed = dict(doc)
        if found_kind == kind:
            changed |= {
                "state": {"state": "fault"},
                "build": {"ended": (doc.get("ended") or 0) + 60.0, "result": "cancelled", "job": "other"},
                "energy": {"wh": doc.get("wh", 0.0) * 1.02},
                "outage": {"cause": "circuit", "place": "west"},
            }[kind]
        spoilt.append((at_s, found_kind, changed))
    found = verdict(spoilt, truth)
    noticed = {
        "state": max(found.state_share.values()) == 0.0,
        "build": bool(found.wrong_results and found.wrong_jobs and min(found.end_errors_s) == 60.0),
        "energy": min(found.energy_errors.values(), default=0.0) == pytest.approx(0.02),
        "outage": bool(found.outages_missed and found.outages_false),
    }
    assert noticed[kind]
    assert sum(noticed.values()) == 1


def test_a_build_too_many_and_one_too_few(truth):
    notes = perfect(truth, END_S)
    builds = [note for note in notes if note[1] == "build"]
    notes.remove(builds[3])
    at_s, _, doc = builds[5]
    ghost = {"id": "ghost", "started": START_S + 1.0, "ended": START_S + 2.0}
    notes.append((at_s, "build", doc | ghost))
    found = verdict(notes, truth)
    assert len(found.missed) == 1
    assert len(found.false) == 1
    assert found.f1 < 1.0
