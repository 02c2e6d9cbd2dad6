import dataclasses
import random

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from farmwatch.alarms.book import AlarmBook
from farmwatch.alarms.lifecycle import STATES, TABLE, TRIGGERS, Alarm, step
from farmwatch.alarms.rules import RULES, Rule, as_markdown
from farmwatch.alarms.rules import TABLE as ALARMS
from farmwatch.words.errors import Refused
from farmwatch.words.model import Note, RuleChange
from farmwatch.words.timers import Timers


@pytest.mark.parametrize(
    ("state", "trigger", "true", "after"),
    [
        # ANSI/ISA-18.2-2016, state diagram, from memory; the words unacknowledged and returned are its UNACK, RTNUN.
        ("normal", "active", True, "unacknowledged"),
        ("unacknowledged", "acknowledge", True, "acknowledged"),
        ("unacknowledged", "clear", False, "returned"),
        ("acknowledged", "clear", False, "normal"),
        ("returned", "acknowledge", False, "normal"),
        ("returned", "active", True, "unacknowledged"),
        ("unacknowledged", "shelve", True, "shelved"),
        ("shelved", "unshelve", True, "unacknowledged"),
        ("shelved", "unshelve", False, "normal"),
        ("unacknowledged", "suppress", True, "suppressed"),
        ("suppressed", "unsuppress", True, "unacknowledged"),
        ("suppressed", "unsuppress", False, "normal"),
        ("acknowledged", "remove", True, "out_of_service"),
        ("out_of_service", "return", True, "unacknowledged"),
    ],
)
def test_lifecycle(state, trigger, true, after):
    assert step(state, trigger, true=true) == after


def test_the_table_uses_its_own_words():
    for (state, trigger), after in TABLE.items():
        assert state in STATES
        assert after in STATES
        assert trigger in TRIGGERS


def test_a_rule_without_a_response_is_refused():
    for name in ("consequence", "response", "cause", "within"):
        with pytest.raises(ValueError, match=name):
            dataclasses.replace(ALARMS[0], **{name: ""})
    with pytest.raises(ValueError, match="priority"):
        dataclasses.replace(ALARMS[0], priority="urgent")


def test_the_table_is_whole():
    assert len({row.id for row in ALARMS}) == len(ALARMS)
    for row in ALARMS:
        assert isinstance(row, Rule)
        assert set(row.parents) <= set(RULES)
        assert f"`{row.id}`" in as_markdown()


def book(**changes):
    timers = Timers()
    return AlarmBook(timers, changes), timers


def run(alarms, timers, until):
    effects = []
    while (due := timers.pop(until)) is not None:
        (what, key), at = due
        alarms.timer(what, key, at, effects)
    return effects


def test_on_delay_and_off_delay():
    """OPC 10000-9 annex B.1.5: the condition must hold for the whole on-delay; the off-delay bridges short dips."""
    alarms, timers = book()
    effects = []
    alarms.condition("mains_lost", "one", 0.0, effects, true=True)
    alarms.condition("mains_lost", "one", 4.0, effects, true=False)
    run(alarms, timers, 60.0)
    assert alarms.alarms["mains_lost:one"].state == "normal"
    alarms.condition("mains_lost", "one", 100.0, effects, true=True)
    run(alarms, timers, 104.9)
    assert alarms.alarms["mains_lost:one"].state == "normal"
    run(alarms, timers, 105.0)
    assert alarms.alarms["mains_lost:one"].state == "unacknowledged"
    assert alarms.alarms["mains_lost:one"].since_s == 100.0
    alarms.condition("mains_lost", "one", 110.0, effects, true=False)
    alarms.condition("mains_lost", "one", 112.0, effects, true=True)
    run(alarms, timers, 130.0)
    assert alarms.alarms["mains_lost:one"].state == "unacknowledged"


def test_the_owner_changes_delays_and_priority_and_switches_a_rule_off():
    alarms, timers = book(mains_lost=RuleChange(on_delay_s=30, priority="session"), machine_fault=RuleChange(off=True))
    alarms.condition("mains_lost", "one", 0.0, [], true=True)
    alarms.condition("machine_fault", "knot", 0.0, [], true=True)
    run(alarms, timers, 29.0)
    assert alarms.alarms["mains_lost:one"].state == "normal"
    run(alarms, timers, 31.0)
    assert alarms.alarms["mains_lost:one"].priority == "session"
    assert "machine_fault:knot" not in alarms.alarms


def test_a_child_is_folded_into_its_cause_and_speaks_if_it_does_not_come_back():
    alarms, timers = book()
    effects = []
    alarms.condition("broker_lost", "broker", 0.0, effects, true=True)
    run(alarms, timers, 30.0)
    alarms.condition("source_silent", "knot", 31.0, effects, true=True)
    alarms.condition("source_silent", "ibis", 31.0, effects, true=True)
    run(alarms, timers, 100.0)
    assert alarms.alarms["source_silent:knot"].state == "suppressed"
    alarms.condition("broker_lost", "broker", 110.0, effects, true=False)
    alarms.condition("source_silent", "ibis", 120.0, effects, true=False)
    run(alarms, timers, 200.0)
    assert alarms.alarms["source_silent:ibis"].state == "normal"
    assert alarms.alarms["source_silent:knot"].state == "suppressed"
    run(alarms, timers, 400.0)
    assert alarms.alarms["source_silent:knot"].state == "unacknowledged"


def test_a_child_speaks_though_its_cause_explains_nothing_any_more():
    alarms, timers = book()
    lost = [True]
    alarms.explains = lambda _parent, _child: lost[0]
    alarms.condition("mains_lost", "one", 0.0, [], true=True)
    run(alarms, timers, 30.0)
    alarms.condition("source_silent", "knot", 31.0, [], true=True)
    run(alarms, timers, 100.0)
    assert alarms.alarms["source_silent:knot"].state == "suppressed"
    lost[0] = False  # the outage ends before its alarm is clear
    alarms.condition("mains_lost", "one", 110.0, [], true=False)
    run(alarms, timers, 400.0)
    assert alarms.alarms["source_silent:knot"].state == "unacknowledged"


def test_what_a_person_may_not_say():
    alarms, _ = book()
    with pytest.raises(Refused, match="no alarm"):
        alarms.acknowledge("mains_lost:one", 0.0, [])
    alarms.condition("bed_waiting", "knot", 0.0, [], true=True)
    for minutes in (0, -5, 10_000, True, "an hour"):
        with pytest.raises(Refused, match="minutes"):
            alarms.shelve("bed_waiting:knot", minutes, 0.0, [])


class Life(RuleBasedStateMachine):
    """An unacknowledged return never vanishes without an acknowledgement; every state gets back to normal."""

    def __init__(self):
        super().__init__()
        self.alarms, self.timers = book()
        self.now = 0.0
        self.waiting_for_ack = False

    def _after(self, effects):
        for effect in effects:
            if isinstance(effect, Note):
                doc = effect.doc
                if doc["previous"] == "returned" and doc["state"] == "normal":
                    assert self.acknowledging, "a return vanished by itself"

    acknowledging = False

    @rule(true=st.booleans(), name=st.sampled_from(["bed_waiting", "mains_lost", "source_silent"]))
    def condition(self, true, name):
        effects = []
        self.alarms.condition(name, "knot", self.now, effects, true=true)
        self._after(effects)

    @rule(seconds=st.floats(0.1, 400))
    def wait(self, seconds):
        self.now += seconds
        self._after(run(self.alarms, self.timers, self.now))

    @rule(name=st.sampled_from(["bed_waiting", "mains_lost", "source_silent"]), act=st.sampled_from(["ack", "shelve"]))
    def person(self, name, act):
        effects = []
        self.acknowledging = act == "ack"
        try:
            if act == "ack":
                self.alarms.acknowledge(f"{name}:knot", self.now, effects)
            else:
                self.alarms.shelve(f"{name}:knot", 30, self.now, effects)
        except Refused:
            pass
        self._after(effects)
        self.acknowledging = False

    @invariant()
    def survives_a_restart(self):
        again, _ = book()
        again.restore([a.as_dict() for a in self.alarms.alarms.values() if a.state != "normal"], self.now)
        assert {a.id: a.state for a in again.alarms.values()} == {
            a.id: a.state for a in self.alarms.alarms.values() if a.state != "normal"
        }

    def teardown(self):
        for name in ("bed_waiting", "mains_lost", "source_silent"):
            self.alarms.condition(name, "knot", self.now, [], true=False)
        self.now += 100_000
        run(self.alarms, self.timers, self.now)
        for alarm in list(self.alarms.alarms.values()):
            if alarm.state != "normal":
                self.alarms.acknowledge(alarm.id, self.now, [])
            assert alarm.state == "normal"


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


def test_alarm_round_trip():
    rng = random.Random(1)
    alarm = Alarm("mains_lost", "one", "danger", "acknowledged", true=True, since_s=rng.random(), facts={"a": [1]})
    assert Alarm.from_dict(alarm.as_dict()) == alarm
