"""Whole simulated days through the full engine, held against the scenario's truth.

The seeds are ones on which nothing was tuned. The world's devices speak every 10 s here, which the demo's
mappings (2 s; stale after 30 s) allow, so that a day takes seconds.
"""

import statistics
from importlib.resources import files

import pytest
from truth import compare

from farmwatch.assemble import build_engine
from farmwatch.replay import replayed
from farmwatch.scenario.world import World
from farmwatch.settings import load
from farmwatch.words.model import Message, Note

DAY_S = 86_400.0
START_S = 1_772_409_600.0  # 2026-03-02 00:00 UTC


@pytest.fixture(scope="module", params=[4021, 4022])
def day(request):
    world = World(request.param, START_S, interval_s=10.0)
    engine = build_engine(load(str(files("farmwatch.scenario").joinpath("demo.toml")), live=False))
    effects = list(replayed(engine, world.inputs(START_S, START_S + DAY_S)))
    notes = [effect for effect in effects if isinstance(effect, Note)]
    told = [effect for effect in effects if isinstance(effect, Message)]
    messages = [message for message in told if message.to == "ann"]
    return world, notes, messages, compare(notes, world.truth, START_S, START_S + DAY_S), told


def test_states_are_right_nearly_all_the_time(day):
    shares = day[3].state_share
    # A bed that was full before anybody looked cannot be known, nor a build that the outage ended while it heated.
    assert statistics.median(shares.values()) > 0.99, day[3].summary()
    assert sum(shares.values()) / len(shares) > 0.9, day[3].summary()


def test_builds_are_found_and_none_is_invented(day):
    verdict = day[3]
    assert verdict.f1 >= 0.95, verdict.summary()
    named = [pair for pair in verdict.wrong_jobs if pair[0].machine not in PLUG_ONLY]
    assert not named, verdict.summary()


def test_energy_is_right(day):
    for name, error in day[3].energy_errors.items():
        assert abs(error) < 0.005, (name, day[3].summary())


def test_every_outage_is_found_and_none_is_invented(day):
    verdict = day[3]
    assert verdict.outages_found, verdict.summary()
    assert not verdict.outages_missed, verdict.summary()
    assert not verdict.outages_false, verdict.summary()


def test_each_bed_is_told_within_a_minute_of_its_release(day):
    """Promise P4, for builds whose release the world knows and whose machine could be seen then.

    In quiet hours nothing is told, and while a request is unanswered further beds join it without a word: P2.
    """
    world, notes, _, verdict, messages = day
    acts = [n.at_s for n in notes if n.kind == "alarm" and n.doc["alarm"] == "bed_waiting"
            and n.doc["previous"] == "unacknowledged"]  # fmt: skip
    asked = [m.at_s for m in messages if m.incident.startswith("bed") and m.step == "opened"]
    late, on_time, joined = [], 0, 0
    for true, derived in verdict.matched:
        released_s = true.released_s
        if released_s is None or released_s > START_S + DAY_S - 120 or derived["machine"] in PLUG_ONLY:
            continue
        if any(o.started_s - 120 <= released_s <= (o.ended_s or released_s) + 600 for o in world.truth.outages):
            continue
        if not 7 * 3600 < released_s - START_S < 22 * 3600 - 60:  # London in March: UTC
            continue
        told = [m for m in messages if derived["machine"] in f"{m.title} {m.text}" and m.at_s >= released_s - 330]
        before = max((at_s for at_s in asked if at_s < released_s), default=None)
        gathered = before is not None and released_s - before < 300
        # A minute, and the ten seconds between two messages; a bed of a window that is open waits for its end.
        if told and told[0].at_s <= released_s + (330 if gathered else 75):
            on_time += 1
        elif before is not None and not any(before < at_s < released_s for at_s in acts):
            joined += 1
        else:
            late.append((true.machine, released_s, told[0].at_s if told else None))
    assert not late, late
    assert on_time
    # the day of 4021 has few that qualify: an outage falls upon its busiest hour
    assert on_time + joined > {4021: 2, 4022: 8}[world.seed]


def test_one_message_and_one_all_clear_for_each_loss_of_mains(day):
    world, _, messages, _, _ = day
    blip_s = 5.0
    real = [o for o in world.truth.outages if o.cause in ("site", "circuit") and o.ended_s - o.started_s > blip_s + 10]
    dangers = [m for m in messages if m.incident.startswith("mains") and m.step == "opened"]
    assert len(dangers) == len(real)
    assert len([m for m in messages if m.incident.startswith("mains") and m.step == "clear"]) == len(real)


def test_messages_keep_to_their_length(day):
    for message in day[2]:
        assert 0 < len(message.title) <= 60
        assert len(message.title) + len(message.text) <= 240
        assert message.text


PLUG_ONLY = {"curlew", "ibis", "lapwing"}
