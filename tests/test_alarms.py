import dataclasses
import json
import random

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from farmwatch.alarms.book import AlarmBook
from farmwatch.alarms.lifecycle import ASIDE, LEAVING, OWING, STATES, TABLE, TRIGGERS, Alarm, step
from farmwatch.alarms.rule import WORDS, Limit, Rule
from farmwatch.alarms.rules import RULES, as_markdown
from farmwatch.alarms.rules import TABLE as ALARMS
from farmwatch.words.errors import Refused
from farmwatch.words.model import Keep, Note, RuleChange
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
        ("out_of_service", "return", False, "normal"),
        ("acknowledged", "realarm", True, "unacknowledged"),
        # latched: clear goes to LUNAC or LACKD, an acknowledgement from there to LACKD, a reset to NORM
        ("unacknowledged", "latch", False, "latched"),
        ("acknowledged", "latch", False, "latched_acknowledged"),
        ("latched", "acknowledge", False, "latched_acknowledged"),
        ("latched_acknowledged", "reset", False, "normal"),
        ("latched", "reset", False, "latched"),
    ],
)
def test_lifecycle(state, trigger, true, after):
    assert step(state, trigger, true=true) == after


@pytest.mark.parametrize("state", [s for s in STATES if s != "normal"])
def test_any_state_can_be_put_aside_and_taken_out(state):
    """The same diagram: any to SHLVD, DSUPR, OOSRV, where it is not aside already."""
    assert step(state, "remove", true=True) == "out_of_service"
    if state not in ASIDE:
        assert step(state, "shelve", true=True) == "shelved"
        assert step(state, "suppress", true=True) == "suppressed"


def test_a_return_that_was_explained_meanwhile_is_still_owed():
    alarm = Alarm("source_silent", "knot", "session", "returned")
    for trigger, after in (("suppress", "suppressed"), ("remove", "out_of_service"), ("return", "returned")):
        alarm.move(trigger)
        assert alarm.state == after


def test_every_state_can_be_reached_and_left():
    edges = {(state, after) for (state, _), after in TABLE.items()}
    edges |= {(aside, after) for aside in LEAVING.values() for after in ("normal", "unacknowledged")}
    for start, goal in [("normal", state) for state in STATES] + [(state, "normal") for state in STATES]:
        found = {start}
        while more := {b for a, b in edges if a in found} - found:
            found |= more
        assert goal in found, (start, goal)


def test_the_table_uses_its_own_words():
    for (state, trigger), after in TABLE.items():
        assert state in STATES
        assert after in STATES
        assert trigger in TRIGGERS


def test_a_rule_without_a_response_is_refused():
    for name in WORDS:
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
    for minutes in (0, -5, 10_000, True, "an hour", float("nan"), float("inf"), 481):
        with pytest.raises(Refused, match="minutes"):
            alarms.shelve("bed_waiting:knot", minutes, 0.0, [])
    with pytest.raises(Refused, match="without end"):
        alarms.shelve("bed_waiting:knot", None, 0.0, [])
    with pytest.raises(Refused, match="reset"):
        alarms.reset("bed_waiting:knot", 0.0, [])


def test_a_one_shot_shelf_ends_when_the_condition_has_gone_once():
    """OPC 10000-9, ShelvedStateMachine: OneShotShelved ends with the alarm's return, or with its time."""
    alarms, timers = book()
    alarms.condition("machine_fault", "knot", 0.0, [], true=True)
    run(alarms, timers, 20.0)
    alarms.shelve("machine_fault:knot", 60, 30.0, [], once=True, reason="waiting for a part", by="ann")
    alarms.condition("machine_fault", "knot", 100.0, [], true=False)
    run(alarms, timers, 120.0)
    assert alarms.alarms["machine_fault:knot"].state == "normal"
    alarms.condition("machine_fault", "knot", 200.0, [], true=True)
    run(alarms, timers, 220.0)
    assert alarms.alarms["machine_fault:knot"].state == "unacknowledged"
    alarms.shelve("machine_fault:knot", 60, 230.0, [], reason="waiting for a part", by="ann")
    alarms.condition("machine_fault", "knot", 300.0, [], true=False)
    run(alarms, timers, 320.0)
    assert alarms.alarms["machine_fault:knot"].state == "shelved"
    alarms.condition("machine_fault", "knot", 400.0, [], true=True)
    run(alarms, timers, 230.0 + 3600.0)
    assert alarms.alarms["machine_fault:knot"].state == "unacknowledged"


def test_deadband_and_delays_of_a_value():
    """High 70 °C, deadband 1 % of a span of 100: raised at 70 or more held for 60 s, clear below 69 held for 60 s
    (1 % and 60 s for temperatures: widely reprinted from ISA-18.2-2009 and EEMUA 191, from memory; arithmetic).
    """
    limit = Limit(70.0, "°C", "", 1.0, 0.0, 100.0)
    row = dataclasses.replace(RULES["humidity"], id="warm", limit=limit, on_delay_s=60.0, off_delay_s=60.0)
    alarms, timers = book()
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(RULES, "warm", row)
        seen = []
        seen_c = [(0, 69.9), (10, 70), (69, 70.5), (71, 70.2), (80, 69), (200, 69.5), (210, 68.9), (269, 68), (271, 68)]
        for at, value in seen_c:
            run(alarms, timers, at)
            alarms.measured("warm", "shed", value, at, [])
            seen.append((at, "warm:shed" in alarms.alarms and alarms.alarms["warm:shed"].true))
    assert [at for at, true in seen if true] == [71, 80, 200, 210, 269]


def test_a_value_that_is_unknown_opens_and_closes_nothing():
    alarms, timers = book()
    alarms.measured("humidity", "shed", 0.7, 0.0, [])
    alarms.measured("humidity", "shed", None, 10.0, [])
    run(alarms, timers, 1801.0)
    assert alarms.alarms["humidity:shed"].true
    alarms.measured("humidity", "shed", None, 4000.0, [])
    run(alarms, timers, 9000.0)
    assert alarms.alarms["humidity:shed"].true


def test_the_owner_changes_one_subject_of_a_rule():
    dry = RuleChange(limit=0.15, deadband=0.02, on_delay_s=60, priority="session", people=("bram",))
    alarms, timers = book(humidity=RuleChange(limit=0.5, subjects={"dry box": dry, "porch": RuleChange(off=True)}))
    for sensor in ("dry box", "porch", "shed"):
        alarms.measured("humidity", sensor, 0.55 if sensor != "dry box" else 0.16, 0.0, [])
    run(alarms, timers, 61.0)
    assert [a.id for a in alarms.standing()] == ["humidity:dry box"]
    assert alarms.alarms["humidity:dry box"].priority == "session"
    assert "humidity:porch" not in alarms.alarms
    run(alarms, timers, 1801.0)
    assert alarms.alarms["humidity:shed"].priority == "digest"
    named = {a.subject: alarms.recipients(a) for a in alarms.alarms.values()}
    assert (named["dry box"], named["shed"]) == (("bram",), None)


def flap(alarms, timers, name, times, every=120.0, start=0.0):
    effects = []
    for i in range(times):
        at = start + i * every
        effects += run(alarms, timers, at)
        alarms.condition(name, "knot", at, effects, true=True)
        effects += run(alarms, timers, at + every * 0.6)
        alarms.condition(name, "knot", at + every * 0.6, effects, true=False)
    return effects


def test_what_comes_and_goes_is_one_alarm():
    """Three times in ten minutes; nothing more is said of it until it has been quiet for ten."""
    alarms, timers = book()
    effects = flap(alarms, timers, "source_silent", 12)
    states = [(e.doc["alarm"], e.doc["state"]) for e in effects if isinstance(e, Note)]
    assert states.count(("unstable", "unacknowledged")) == 1
    assert states.count(("source_silent", "unacknowledged")) == 2
    alarm = alarms.alarms["unstable:source_silent:knot"]
    assert alarm.priority == "session"
    last = 11 * 120 + 60
    run(alarms, timers, last + 599)
    assert alarm.true
    run(alarms, timers, last + 601)
    assert alarm.state == "normal"


def test_what_comes_and_goes_and_then_stays_speaks_for_itself():
    alarms, timers = book()
    flap(alarms, timers, "source_silent", 4)
    alarms.condition("source_silent", "knot", 600.0, [], true=True)
    run(alarms, timers, 660.0)
    assert alarms.alarms["source_silent:knot"].state == "suppressed"
    run(alarms, timers, 660.0 + 600.0 + 180.0)
    assert alarms.alarms["source_silent:knot"].state == "unacknowledged"


def test_a_danger_is_never_hidden_by_its_coming_and_going():
    alarms, timers = book()
    effects = flap(alarms, timers, "mains_lost", 5, every=60.0)
    states = [(e.doc["alarm"], e.doc["state"]) for e in effects if isinstance(e, Note)]
    assert states.count(("mains_lost", "unacknowledged")) == 5
    assert "unstable:mains_lost:knot" not in alarms.alarms, "four backups would say of one supply that it flickers"


def test_out_of_service_is_silent_but_for_what_can_burn():
    alarms, timers = book()
    alarms.condition("machine_fault", "knot", 0.0, [], true=True)
    run(alarms, timers, 20.0)
    alarms.service("knot", 30.0, [], out=True)
    assert alarms.alarms["machine_fault:knot"].state == "out_of_service"
    alarms.condition("heater_without_job", "knot", 40.0, [], true=True)
    run(alarms, timers, 700.0)
    assert alarms.alarms["heater_without_job:knot"].state == "unacknowledged"
    alarms.service("knot", 800.0, [], out=False)
    assert alarms.alarms["machine_fault:knot"].state == "unacknowledged"


def test_an_acknowledged_danger_that_stands_asks_again():
    """OPC 10000-9, ReAlarmTime."""
    alarms, timers = book()
    alarms.condition("heater_without_job", "knot", 0.0, [], true=True)
    run(alarms, timers, 601.0)
    alarms.acknowledge("heater_without_job:knot", 700.0, [])
    run(alarms, timers, 700.0 + 1799)
    assert alarms.alarms["heater_without_job:knot"].state == "acknowledged"
    run(alarms, timers, 700.0 + 1801)
    assert alarms.alarms["heater_without_job:knot"].state == "unacknowledged"


def test_what_latches_stays_until_it_is_reset():
    alarms, timers = book()
    alarms.condition("heater_without_job", "knot", 0.0, [], true=True)
    run(alarms, timers, 601.0)
    alarms.condition("heater_without_job", "knot", 700.0, [], true=False)
    run(alarms, timers, 800.0)
    assert alarms.alarms["heater_without_job:knot"].state == "latched"
    alarms.acknowledge("heater_without_job:knot", 900.0, [])
    assert alarms.alarms["heater_without_job:knot"].state == "latched_acknowledged"
    alarms.reset("heater_without_job:knot", 1000.0, [])
    assert alarms.alarms["heater_without_job:knot"].state == "normal"


def test_a_deadline_that_passed_while_nobody_watched_counts_anew():
    """What was not seen for the whole of a delay has not held for it: a restart raises no old danger."""
    alarms, _ = book()
    effects = []
    alarms.condition("mains_lost", "one", 0.0, effects, true=True)
    rows = [e.doc for e in effects if isinstance(e, Keep)]
    again, timers = book()
    again.restore(rows, 600.0)
    run(again, timers, 604.0)
    assert not again.standing()
    again.condition("mains_lost", "one", 604.0, [], true=False)
    run(again, timers, 700.0)
    assert not again.standing()


RULES_TRIED = ("bed_waiting", "mains_lost", "source_silent", "broker_lost", "heater_without_job", "build_overdue")


class Life(RuleBasedStateMachine):
    """Conditions, people, time and restarts in any order, on two books: one lives on, one is restarted again and again.

    An unacknowledged return never vanishes without an answer; every state gets back to normal; the book that was
    restarted stands where the other does.
    """

    def __init__(self):
        super().__init__()
        self.now = 0.0
        self.steady, self.steady_timers = book()
        self.shaken, self.shaken_timers = book()
        self.rows = {}
        self.answering = False

    def _both(self, act):
        """The same on both books; what it keeps of the second becomes its journal's rows."""
        refusals = []
        for alarms, timers in ((self.steady, self.steady_timers), (self.shaken, self.shaken_timers)):
            effects = []
            try:
                act(alarms, timers, effects)
            except Refused as refusal:
                refusals.append(str(refusal))
            self._after(effects)
            if alarms is self.shaken:
                for effect in effects:
                    if isinstance(effect, Keep):
                        self.rows[effect.key] = json.loads(json.dumps(effect.doc))
        assert len(refusals) in (0, 2)

    def _after(self, effects):
        for effect in effects:
            if isinstance(effect, Note) and effect.doc["previous"] in OWING and effect.doc["state"] == "normal":
                assert self.answering, f"a return vanished by itself: {effect.doc}"

    @rule(true=st.booleans(), name=st.sampled_from(RULES_TRIED), machine=st.sampled_from(["knot", "ibis"]))
    def condition(self, true, name, machine):
        self._both(lambda alarms, _, effects: alarms.condition(name, machine, self.now, effects, true=true))

    @rule(seconds=st.one_of(st.floats(0.1, 30), st.floats(30, 2000)))
    def wait(self, seconds):
        self.now += seconds
        self._both(lambda alarms, timers, effects: effects.extend(run(alarms, timers, self.now)))

    @rule(
        name=st.sampled_from(RULES_TRIED),
        machine=st.sampled_from(["knot", "ibis"]),
        act=st.sampled_from(["acknowledge", "reset", "shelve", "once", "unshelve"]),
    )
    def person(self, name, machine, act):
        self.answering = act in ("acknowledge", "reset")
        key = f"{name}:{machine}"

        def do(alarms, _timers, effects):
            if act in ("shelve", "once"):
                alarms.shelve(key, 30, self.now, effects, once=act == "once", reason="being mended", by="ann")
            else:
                getattr(alarms, act)(key, self.now, effects)

        self._both(do)
        self.answering = False

    @rule(out=st.booleans(), machine=st.sampled_from(["knot", "ibis"]))
    def service(self, out, machine):
        self._both(lambda alarms, _, effects: alarms.service(machine, self.now, effects, out=out))

    @rule()
    def restart(self):
        self.rows = {key: doc for key, doc in self.rows.items() if doc is not None}
        again, self.shaken_timers = book()
        again.restore(self.rows.values(), self.now, self.shaken.out)
        self.shaken = again

    @invariant()
    def both_stand_at_the_same(self):
        def shown(alarms):
            return {a.id: (a.state, a.true, a.due, a.owed, a.shelf, a.raised_s) for a in alarms.standing()}

        assert shown(self.shaken) == shown(self.steady)

    def teardown(self):
        for machine in ("knot", "ibis"):
            self._both(lambda alarms, _, effects, m=machine: alarms.service(m, self.now, effects, out=False))
            for name in RULES_TRIED:
                self._both(lambda alarms, _, e, n=name, m=machine: alarms.condition(n, m, self.now, e, true=False))
        self.now += 100_000
        self._both(lambda alarms, timers, effects: effects.extend(run(alarms, timers, self.now)))
        self.answering = True
        for key in [alarm.id for alarm in self.steady.standing()]:
            self._both(lambda alarms, _, effects, k=key: alarms.acknowledge(k, self.now, effects))
            if key in {alarm.id for alarm in self.steady.standing()}:
                self._both(lambda alarms, _, effects, k=key: alarms.reset(k, self.now, effects))
        assert not self.steady.standing()
        assert not [doc for doc in self.rows.values() if doc is not None], "what is normal is not remembered for ever"


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=200, stateful_step_count=50, deadline=None)


def test_alarm_round_trip():
    rng = random.Random(1)
    alarm = Alarm("mains_lost", "one", "danger", "acknowledged", true=True, since_s=rng.random(), facts={"a": [1]})
    assert Alarm.from_dict(alarm.as_dict()) == alarm
