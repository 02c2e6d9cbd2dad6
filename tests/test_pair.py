"""Two collectors and a broker between them, in a world of seconds: who leads, who may send."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.pair import Pair, key_of
from farmwatch.words.model import Message

FRESH_S = 10.0


class World:
    """A broker and two collectors, a step a second; each may be cut off or frozen."""

    def __init__(self, fresh_s: float = FRESH_S, *, step_s: float = 1.0, primaries: str = "a", late: str = "") -> None:
        self.now_s = 1000.0
        self.step_s = step_s
        self.retained: dict[str, dict] = {}
        self.pairs = {
            name: Pair(name, other, primary=name in primaries, fresh_s=fresh_s, began_s=self.now_s)
            for name, other in (("a", "b"), ("b", "a"))
        }
        self.cut: set[str] = set()
        self.frozen: set[str] = set()
        self.late: dict[str, list] = {"a": [], "b": []}
        for name in self.pairs:
            if name == late:
                self.cut.add(name)
            else:
                self.join(name)

    def join(self, name: str) -> None:
        self.cut.discard(name)
        self.pairs[name].link(self.now_s, up=True)
        for leaf, doc in self.retained.items():
            self.pairs[name].heard(leaf, doc, self.now_s, retained=True)

    def leave(self, name: str) -> None:
        self.cut.add(name)
        if name not in self.frozen:
            self.pairs[name].link(self.now_s, up=False)

    def thaw(self, name: str) -> None:
        self.frozen.discard(name)
        for leaf, doc in self.late[name]:
            self.pairs[name].heard(leaf, doc, self.now_s)
        self.late[name] = []

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / self.step_s)):
            self.now_s += self.step_s
            for name, pair in self.pairs.items():
                if name in self.frozen:
                    continue
                for leaf, doc, retain in pair.tick(self.now_s):
                    if name not in self.cut:
                        self.carry(leaf, doc, retain=retain)
            assert len(self.speaking()) <= 1, f"both speak at {self.now_s}"

    def carry(self, leaf: str, doc: dict, *, retain: bool) -> None:
        if retain:
            self.retained[leaf] = doc
        for name, pair in self.pairs.items():
            if name in self.cut:
                continue
            if name in self.frozen:
                self.late[name].append((leaf, doc))
            else:
                pair.heard(leaf, doc, self.now_s)

    def speaking(self) -> list[str]:
        return [n for n, pair in self.pairs.items() if n not in self.frozen and pair.may(self.now_s)]


@pytest.mark.parametrize("fresh_s", [2.0, 4.0, 10.0, 15.0, 300.0])
@pytest.mark.parametrize("late_s", [0.0, 0.4, 1.0, 1.6, 2.4, 7.0])
@pytest.mark.parametrize("late", ["a", "b"])
def test_the_primary_speaks_first(fresh_s: float, late_s: float, late: str) -> None:
    """However soon one follows the other: each hears the other's beats before anybody has spoken."""
    world = World(fresh_s, step_s=min(1.0, fresh_s / 10), late=late)
    world.run(late_s)
    world.join(late)
    world.run(2 * fresh_s + 6)
    assert world.speaking() == ["a"]


@pytest.mark.parametrize("primaries", ["", "ab"])
def test_two_of_one_role_agree_on_one(primaries: str) -> None:
    world = World(primaries=primaries)
    world.run(60)
    assert len(world.speaking()) == 1


def test_a_leader_of_another_name_is_nobody() -> None:
    """The retained topic of a collector that has been renamed."""
    world = World()
    for pair in world.pairs.values():
        pair.heard("leader", {"leader": "gone", "term": 7}, world.now_s, retained=True)
    world.run(20)
    assert world.speaking() == ["a"]


def test_a_frozen_primary_loses_the_word_and_gets_it_back() -> None:
    world = World()
    world.run(20)
    world.frozen.add("a")
    world.run(15)
    assert world.speaking() == ["b"]
    assert not world.pairs["a"].may(world.now_s), "its first act after the thaw would be to send"
    world.thaw("a")
    assert not world.pairs["a"].may(world.now_s)
    world.run(20)
    assert world.speaking() == ["a"]


def test_a_death_told_by_the_last_will_is_taken_at_once() -> None:
    world = World()
    world.run(20)
    world.leave("a")
    world.frozen.add("a")
    world.pairs["b"].will("lost")
    world.run(4)
    assert world.speaking() == ["b"]


def test_no_broker_at_all_silences_nobody_for_good() -> None:
    world = World()
    world.run(20)
    world.leave("a")
    world.leave("b")
    world.run(7 * int(FRESH_S))
    assert world.speaking() == []
    world.run(3 * int(FRESH_S))
    assert world.speaking() == ["a"]


def test_nothing_is_handed_over_in_the_middle_of_a_call() -> None:
    world = World()
    world.run(20)
    world.leave("a")
    world.run(20)
    world.pairs["b"].busy = True
    world.join("a")
    world.run(20)
    assert world.speaking() == ["b"]
    world.pairs["b"].busy = False
    world.run(10)
    assert world.speaking() == ["a"]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["cut", "join", "freeze", "thaw"]), st.sampled_from("ab"),
                          st.integers(1, 6)), max_size=12))  # fmt: skip
def test_never_two_at_once(deeds: list[tuple[str, str, int]]) -> None:
    """As long as no cut lasts eight times the patience: then whoever led last cannot know that it is not alone."""
    world = World()
    world.run(10)
    for deed, name, seconds in deeds:
        if deed == "cut" and name not in world.cut and not world.cut:
            world.leave(name)
        elif deed == "join" and name in world.cut and name not in world.frozen:
            world.join(name)
        elif deed == "freeze":
            world.frozen.add(name)
        elif deed == "thaw" and name in world.frozen:
            world.thaw(name)
        world.run(seconds)
    for name in ("a", "b"):
        world.thaw(name)
        if name in world.cut:
            world.join(name)
    world.run(60)
    assert world.speaking() == ["a"]


def letter(at: str, at_s: float, title: str = "Fault: avocet") -> Message:
    return Message(f"fault-{at}.opened.1.ann", at_s, "ann", "session", title, "", f"fault-{at}", "opened")


def test_each_sent_message_answers_for_one_of_the_others() -> None:
    a = Pair("a", "b", primary=True, fresh_s=FRESH_S, began_s=0.0)
    b = Pair("b", "a", primary=False, fresh_s=FRESH_S, began_s=0.0)
    first, same = letter("20261125T120000", 100.0), letter("20261125T120002", 102.0)
    assert key_of(first, "phone") == key_of(same, "phone") != key_of(same, "other")
    begun = a.sending(first, "phone", done=False)
    b.heard(begun.leaf, begun.doc, 1.0)
    assert not b.sent_elsewhere(same, "phone"), "begun is not sent"
    sent = a.sending(first, "phone", done=True)
    b.heard(sent.leaf, sent.doc, 1.0)
    assert not b.sent_elsewhere(letter("20261125T120002", 102.0, "Fault: heron"), "phone")
    assert not b.sent_elsewhere(letter("20261125T121000", 700.0), "phone"), "another incident, ten minutes later"
    assert b.sent_elsewhere(same, "phone")
    assert not b.sent_elsewhere(letter("20261125T120010", 110.0), "phone"), "the mark has been used"
