"""Single mishaps of the scenario's world through the full engine: what is written down and what is told.

Each world is played for some minutes around one mishap, with the devices' own rhythm and bytes.
"""

import re
from importlib.resources import files
from random import Random

import pytest

from farmwatch.assemble import build_engine
from farmwatch.replay import replayed
from farmwatch.scenario.script import Fault
from farmwatch.scenario.trouble import HANDLERS
from farmwatch.scenario.world import World
from farmwatch.settings import load
from farmwatch.words.model import Message, Note

START_S = 1_772_445_600.0  # 2026-03-02 10:00 UTC
AT_S = START_S + 240.0
BLIP_S = 5.0


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    """The demo's settings, with the default blip time."""
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text("utf-8")
    path = tmp_path_factory.mktemp("demo") / "farmwatch.toml"
    path.write_text(re.sub(r"(?m)^blip_s = \d+", f"blip_s = {BLIP_S:g}", text), "utf-8")
    found = load(str(path), live=False)
    assert found.site.blip_s == BLIP_S
    return found


def played(settings, seed, kind, place, lasts_s, more_s=330.0, people=("ann",)):
    """World, outage notes by id, and these people's messages about anything but beds."""
    world = World(seed, START_S, sample_s=0)
    fault = Fault(0.0, kind, place, lasts_s)
    world.at(AT_S, lambda at_s: HANDLERS[kind](world, fault, Random(seed), at_s))
    effects = list(replayed(build_engine(settings), world.inputs(START_S, AT_S + lasts_s + more_s)))
    notes = {e.doc["id"]: e.doc for e in effects if isinstance(e, Note) and e.kind == "outage"}
    whole = [doc for doc in notes.values() if doc["part_of"] is None]
    told = [e for e in effects if isinstance(e, Message) and e.to in people and not e.title.startswith("Clear")]
    return world, whole, told


@pytest.mark.parametrize(
    ("kind", "place", "lasts_s", "title"),
    [("site", "", 300.0, "Mains lost: 4 backups on battery"), ("circuit", "east", 240.0, "Circuit east lost")],
)
@pytest.mark.parametrize("seed", [71, 72])
def test_a_loss_of_supply(settings, seed, kind, place, lasts_s, title):
    world, notes, told = played(settings, seed, kind, place, lasts_s)
    truth = world.truth.outages[0]
    assert [(doc["cause"], doc["place"]) for doc in notes] == [(truth.cause, truth.place)]
    doc = notes[0]
    assert -5.5 <= doc["started"] - truth.started_s <= 0.1  # set back to the last poll before it
    assert 0.0 <= doc["ended"] - truth.ended_s <= 10.5  # the backups' own wait, and a poll
    low, likely, high = doc["lasted_s"]
    assert low <= truth.ended_s - truth.started_s <= high
    assert abs(likely - (truth.ended_s - truth.started_s)) <= 8.0
    assert doc["class"] == "sustained"
    assert told[0].title.startswith(title)
    assert [m.step for m in told if m.step != "more"] == ["opened", "clear"]
    assert told[0].at_s - truth.started_s <= 18.5  # a poll, the blip time and what backups linger, the gathering
    for bench in world.benches.values():  # whoever lost power in mid-build is named as stopped
        stopped = [b for b in world.truth.builds if b.machine == bench.spec.name and b.result == "failed"]
        lost = any(truth.started_s < b.ended_s <= truth.ended_s for b in stopped)
        assert (doc["fates"].get(bench.spec.name) == "stopped") == lost, bench.spec.name


@pytest.mark.parametrize("seed", [73, 74, 75])
def test_a_blip_is_written_down_and_not_sent(settings, seed):
    _, notes, told = played(settings, seed, "blip", "", 2.0, more_s=90.0)
    assert [doc["cause"] for doc in notes] == ["blip"]
    assert notes[0]["lasted_s"][0] <= 2.0 <= notes[0]["lasted_s"][2]
    assert not told


@pytest.mark.parametrize(
    ("kind", "lasts_s", "cause", "title"),
    [("broker", 100.0, "broker", "MQTT broker lost"), ("network", 150.0, "network", "Network lost")],
)
def test_a_loss_of_sight(settings, kind, lasts_s, cause, title):
    world, notes, told = played(settings, 76, kind, "", lasts_s, more_s=150.0)
    truth = world.truth.outages[0]
    assert [doc["cause"] for doc in notes] == [cause]
    assert abs(notes[0]["started"] - truth.started_s) <= 10.0
    assert abs(notes[0]["ended"] - truth.ended_s) <= 2.1
    assert [m.step for m in told] == ["opened", "clear"]
    assert told[0].title == title


@pytest.mark.parametrize(("seed", "lasts_s", "steps"), [(77, 1500.0, []), (78, 2040.0, ["opened", "clear"])])
def test_a_silent_plug(settings, seed, lasts_s, steps):
    """One that comes back by itself within half an hour is told nobody."""
    world, notes, told = played(settings, seed, "plug_silent", "", lasts_s, more_s=60.0, people=("ann", "bram"))
    truth = world.truth.outages[0]
    assert [(doc["cause"], doc["place"]) for doc in notes] == [("plug", truth.place)]
    assert abs(notes[0]["started"] - truth.started_s) <= 2.5
    assert abs(notes[0]["ended"] - truth.ended_s) <= 2.5
    assert [m.step for m in told] == steps
