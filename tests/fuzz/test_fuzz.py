"""Every door on what is kept in the corpus, and on a fixed number of seeded mutations of it.

Minutes by hand, guided by coverage where atheris is there: tests/bench/fuzz.py. Limited by count, not by a clock, so
that a run is the same on every computer.
"""

import logging
import random
import struct

import doors
import pytest
from apidoor import WORDS as API_WORDS
from apidoor import ApiDoor
from doors import CORPUS, DOORS, corpus, mutated

from farmwatch.words.errors import BadPayload

COUNT = {"payload": 2000, "ups": 3000, "snmp": 6000, "configuration": 300, "recording": 8000, "address": 8000}
API_COUNT = 250


@pytest.mark.parametrize("door", DOORS)
def test_what_is_kept_in_the_corpus(door):
    inputs = corpus(door)
    assert len(inputs) >= 5
    for data in inputs:
        DOORS[door](data)


@pytest.mark.parametrize("door", DOORS)
def test_seeded_mutations(door):
    rng, seeds = random.Random(9271), corpus(door)
    for number in range(COUNT[door]):
        data = mutated(rng, seeds, doors.WORDS[door])
        try:
            DOORS[door](data)
        except Exception as error:
            pytest.fail(f"{door}, mutation {number}: {error!r}\nkeep it in tests/fuzz/corpus/{door}: {data!r}")


def test_the_corpus_is_small_and_every_part_of_it_has_a_door():
    files = [file for file in CORPUS.rglob("*") if file.is_file()]
    assert sum(file.stat().st_size for file in files) < 200_000
    assert {file.parent.name for file in files} == {*DOORS, "api"}


def test_a_mutation_is_the_same_for_the_same_seed():
    seeds = corpus("payload")
    first, second = ([mutated(random.Random(n), seeds, (b"x",)) for n in range(50)] for _ in "12")
    assert first == second
    assert len(set(first)) > 40


@pytest.mark.parametrize(
    ("door", "name", "broken"),
    [
        ("payload", "decode", lambda real: lambda spec, body: _noughts(real(spec, body))),
        ("payload", "decode", lambda real: lambda spec, body: _leaks(real, BadPayload, spec, body)),
        ("snmp", "upsmib.decode", lambda real: lambda objects: _noughts(real(objects))),
        ("recording", "recording.write", lambda real: lambda item: real(item).replace("ann", "bob")),
        ("ups", "upsproto.UpsClient.receive", lambda real: lambda self, data: real(self, data[:40])),
        ("configuration", "load", lambda real: lambda file, **options: struct.unpack(">I", b"")),
    ],
)  # fmt: skip
def test_a_broken_door_is_found(door, name, broken, monkeypatch):
    """The check of the checks: nought for bad, a foreign error, a changed word, lost bytes."""
    *path, last = name.split(".")
    holder = doors
    for part in path:
        holder = getattr(holder, part)
    monkeypatch.setattr(holder, last, broken(getattr(holder, last)))
    finds = 0
    for data in corpus(door):
        try:
            DOORS[door](data)
        except Exception:
            finds += 1
    assert finds


def _noughts(found):
    return found._replace(values={name: 0.0 if value is None else value for name, value in found.values.items()})


def _leaks(real, kind, *args):
    try:
        return real(*args)
    except kind as error:
        raise KeyError(str(error)) from None


def test_raw_requests_to_the_api(tmp_path, caplog):
    from test_api import Away

    away = Away(tmp_path)
    away.start()
    assert away.up.wait(30)
    try:
        door = ApiDoor(away.url)
        seeds = corpus("api")
        for data in seeds:
            door(data, 20.0)
        assert door.codes.get(200, 0) >= 3, f"good requests are answered: {door.codes}"
        rng = random.Random(9112)
        with caplog.at_level(logging.CRITICAL + 1, logger="aiohttp"):
            for number in range(API_COUNT):
                data = mutated(rng, seeds, API_WORDS)
                try:
                    door(data)
                except AssertionError as error:
                    pytest.fail(f"api, mutation {number}: {error}\nkeep it in tests/fuzz/corpus/api: {data!r}")
        assert door.codes.get(400), "what is none is refused"
        before = door.codes[200]
        door(next(data for data in seeds if data.startswith(b"GET /api/v1/report")), 20.0)
        assert door.codes[200] == before + 1, "it goes on"
    finally:
        away.loop.call_soon_threadsafe(away.end.set)
        away.join(10)
