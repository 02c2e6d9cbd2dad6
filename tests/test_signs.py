"""Conditions that nobody reports: builds likely failed, plugs that went off, sources that contradict each other."""

import dataclasses

import pytest
from farm import T0, Driver, plan, solo

from farmwatch.machines.mishap import Mishap, Seen, Sign
from farmwatch.machines.trail import Trail
from farmwatch.words.model import Awoke, ClockHealth, Observed, RuleChange, SourcePlan

HOLD_S = 600.0


def follow(rows, step=60.0):
    """Signs of a build whose minutes are given as (times, what is seen)."""
    mishap, now, found = Mishap(), 0.0, []
    for times, seen in rows:
        for _ in range(times):
            found.append((now, mishap.look(seen, now, HOLD_S)))
            now += step
    return found


def signs(found):
    return [(at, sign) for at, sign in found if isinstance(sign, Sign)]


WELL = Seen(printing=True, nozzle_c=215.0, target_c=215.0, mean_w=120.0)


def test_a_nozzle_that_cools_while_it_prints():
    cold = dataclasses.replace(WELL, nozzle_c=150.0)
    found = follow([(40, WELL), (9, cold), (5, WELL), (30, cold)])
    at, sign = signs(found)[0]
    assert at == (40 + 9 + 5 + 10) * 60, "nine minutes are a filament change, ten are not"
    assert "65 °C too cold" in sign.why
    assert sign.since_s == at - 600


def test_a_nozzle_whose_target_went_with_its_heat_is_held_against_its_own_build():
    gone = dataclasses.replace(WELL, nozzle_c=40.0, target_c=0.0)
    assert signs(follow([(40, WELL), (15, gone)]))
    assert not signs(follow([(40, gone)])), "nobody knows what it should have"


@pytest.mark.parametrize(("mean_w", "failing"), [(110.0, False), (70.0, False), (50.0, False), (25.0, True)])
def test_power_far_below_the_builds_own_level(mean_w, failing):
    """A bed that is switched off on later layers halves the power, and is no failure."""
    well = dataclasses.replace(WELL, nozzle_c=None, target_c=None)
    weak = dataclasses.replace(well, mean_w=mean_w)
    assert bool(signs(follow([(60, well), (30, weak)]))) is failing


def test_progress_that_stands_still():
    rows = [(1, dataclasses.replace(WELL, progress=0.01 * i)) for i in range(20)]
    stuck = dataclasses.replace(WELL, progress=0.19)
    found = signs(follow([*rows, (60, stuck)]))
    assert found[0][0] == (19 + 45) * 60
    assert "19 %" in found[0][1].why
    long = dataclasses.replace(stuck, run_s=40 * 3600.0)
    assert not signs(follow([*rows, (60, long)])), "a percent of two days takes longer than that"
    ended = dataclasses.replace(WELL, progress=1.0)
    assert not signs(follow([*rows, (90, ended)])), "some stand at 100 % while they present the part"


def test_what_cannot_be_seen_says_nothing():
    blind = Seen(printing=True)
    assert {sign for _, sign in follow([(40, blind)])} == {None}
    cold = dataclasses.replace(WELL, nozzle_c=150.0, mean_w=None)
    found = follow([(5, WELL), (20, cold), (5, blind), (5, dataclasses.replace(WELL, mean_w=None))])
    assert isinstance(found[24][1], Sign)
    assert found[27][1] is None, "a sensor that is gone does not make it well again"
    assert found[34][1] is False
    paused = dataclasses.replace(cold, printing=False)
    assert not signs(follow([(5, WELL), (60, paused)])), "a pause may let it cool"


# ---- the farm -------------------------------------------------------------------------------------------------


def standing(day):
    return {alarm.id: alarm.state for alarm in day.brain.farm.book.standing()}


def test_a_build_that_has_likely_failed_is_told_and_heard_of_again():
    day = solo("knot")
    progress = iter(i / 1000 for i in range(1000))

    def at_work(nozzle_c):
        return lambda d: d.panel(
            "knot", state="printing", job="vent", nozzle_c=nozzle_c, nozzle_target_c=215, progress=next(progress)
        )

    day.run(1800, step=20, each=at_work(215))
    assert not standing(day)
    day.run(900, step=20, each=at_work(90))
    assert standing(day) == {"build_failing:knot": "unacknowledged"}
    (message,) = day.messages()
    assert message.title == "knot: build likely failed"
    assert "125 °C too cold" in message.text
    assert "Look at it now" in message.text
    day.run(600, step=20, each=at_work(215))
    assert standing(day) == {"build_failing:knot": "returned"}


def busy_plug(**more):
    """knot at work, with panel and plug."""
    day = Driver(plan(["knot"], ups=False, **more))

    def work(d):
        d.panel("knot", state="printing", job="vent", progress=min(1.0, (d.now - T0) / 20_000))
        d.plug("knot", 120.0)

    day.run(300, step=10, each=work)
    return day


def test_a_plug_that_is_switched_off_under_a_build():
    day = busy_plug()
    day.run(200, step=10, each=lambda d: d.plug("knot", 0.0, relay=False))
    assert standing(day)["plug_off:knot"] == "unacknowledged"
    text = next(m.text for m in day.messages() if "lost power" in m.title)
    assert text.startswith("Its plug is switched off")
    assert "Find out who or what" in text
    day.run(120, step=10, each=lambda d: d.plug("knot", 8.0, relay=True))
    assert standing(day)["plug_off:knot"] == "returned"


def test_a_plug_that_is_switched_off_after_a_build_is_nobodys_business():
    day = busy_plug()
    day.run(60, step=10, each=lambda d: (d.panel("knot", state="done", progress=1.0), d.plug("knot", 8.0)))
    day.run(300, step=10, each=lambda d: d.plug("knot", 0.0, relay=False))
    assert "plug_off:knot" not in standing(day)


def test_a_machine_and_its_plug_that_contradict_each_other():
    """After five minutes a line of the digest, nothing before."""
    day = busy_plug()
    day.run(290, step=10, each=lambda d: (d.panel("knot", state="printing", job="vent"), d.plug("knot", 0.0)))
    assert "contradiction:knot" not in standing(day)
    day.run(120, step=10, each=lambda d: (d.panel("knot", state="printing", job="vent"), d.plug("knot", 0.0)))
    assert standing(day)["contradiction:knot"] == "unacknowledged"
    assert day.brain.farm.book.alarms["contradiction:knot"].priority == "digest"


def test_a_backup_and_the_plugs_behind_it_that_contradict_each_other():
    day = Driver(plan(["knot", "ibis"], panels=False))

    def dead_plugs(d):
        for name in ("knot", "ibis"):
            d.plug(name, 0.0)
        values = {"status": "OL", "charge": 1.0, "load": 0.4, "power_w": 240.0}
        d.feed(Observed(d.now, "one", "ups.one", values))

    day.run(600, step=10, each=dead_plugs)
    assert "contradiction:one" in standing(day)
    assert "no plug behind it gives any power" in day.brain.farm.book.alarms["contradiction:one"].facts["says"]


def test_air_too_damp_by_sensor():
    sources = {"air": SourcePlan("air", "shed", "mqtt", "air", 60.0, frozenset({"humidity"})),
               "box": SourcePlan("box", "box", "mqtt", "box", 60.0, frozenset({"humidity"}))}  # fmt: skip
    site = plan(["knot"], ups=False, plugs=False, sensors=("shed", "box"))
    change = RuleChange(subjects={"box": RuleChange(limit=0.2, deadband=0.02, people=("bram",))})
    site = dataclasses.replace(site, sources=sources, rules={"humidity": change})
    day = Driver(site)

    def air(d):
        d.feed(Observed(d.now, "shed", "air", {"humidity": 0.55}))
        d.feed(Observed(d.now, "box", "box", {"humidity": 0.25}))

    day.run(2100, step=60, each=air)
    assert standing(day) == {"humidity:box": "unacknowledged"}


def test_a_collector_that_was_blind_for_long_says_so_once():
    day = Driver(plan(["knot"], ups=False, plugs=False))
    day.feed(Awoke(T0, T0 - 3600.0))
    day.run(120, step=10, each=lambda d: d.panel("knot", state="idle"))
    (message,) = [m for m in day.messages() if "blind" in m.title]
    assert "1 h" in message.title
    day.run(700, step=10, each=lambda d: d.panel("knot", state="idle"))
    assert not standing(day)
    again = Driver(plan(["knot"], ups=False, plugs=False))
    again.feed(Awoke(T0, T0 - 100.0))
    again.run(120, step=10, each=lambda d: d.panel("knot", state="idle"))
    assert not again.messages()


def test_a_clock_that_cannot_be_trusted():
    day = Driver(plan(["knot"], ups=False, plugs=False))
    day.feed(ClockHealth(T0, "the computer's clock has been set 2 days forward"))
    day.run(200, step=10, each=lambda d: d.panel("knot", state="idle"))
    (message,) = day.messages()
    assert message.title == "Collector's clock cannot be trusted"
    assert message.text.startswith("The computer's clock has been set 2 days forward.")
    day.feed(ClockHealth(day.now, ""))
    day.run(100, step=10, each=lambda d: d.panel("knot", state="idle"))
    assert standing(day) == {"clock_untrusted:Collector": "returned"}


def test_a_build_that_runs_longer_than_its_job_ever_did():
    day = solo("knot")

    def build(seconds):
        day.run(seconds, step=30, each=lambda d: d.panel("knot", state="printing", job="vent"))

    def between():
        day.run(60, step=30, each=lambda d: d.panel("knot", state="done"))
        day.say("cleared", "knot")
        day.run(60, step=30, each=lambda d: d.panel("knot", state="idle"))

    for _ in range(4):
        build(3600)
        between()
    assert not [key for key in standing(day) if "overdue" in key]
    build(3600 + 1500)
    assert not [key for key in standing(day) if "overdue" in key]
    build(900)
    assert standing(day)["build_overdue:knot"] == "unacknowledged"
    between()
    assert "build_overdue:knot" not in standing(day), "its end is the answer"


def test_what_runs_within_the_interval_it_was_told_with_is_not_overdue_yet(monkeypatch):
    """Half an hour late is no news for a job whose runs differ by hours; twice its usual run always is."""
    day = solo("knot")

    def build(seconds):
        day.run(seconds, step=30, each=lambda d: d.panel("knot", state="printing", job="vent"))

    for _ in range(4):
        build(7200)
        day.run(60, step=30, each=lambda d: d.panel("knot", state="done"))
        day.say("cleared", "knot")
        day.run(60, step=30, each=lambda d: d.panel("knot", state="idle"))
    before = Trail.before

    def wide(trail, at_s):
        said = before(trail, at_s)
        return said._replace(p90_s=said.p50_s + spread_s)

    monkeypatch.setattr(Trail, "before", wide)
    spread_s = 2400.0
    build(7200 + 3900)  # half an hour, and a sixth of its run, and still within 1.53 times the spread and ten minutes
    assert "build_overdue:knot" not in standing(day)
    build(900)
    assert standing(day)["build_overdue:knot"] == "unacknowledged"
    day.run(60, step=30, each=lambda d: d.panel("knot", state="done"))
    day.say("cleared", "knot")
    day.run(60, step=30, each=lambda d: d.panel("knot", state="idle"))
    spread_s = 86_400.0
    build(2 * 7200 - 600)
    assert "build_overdue:knot" not in standing(day)
    build(4200)  # its usual run has become longer by then
    assert standing(day)["build_overdue:knot"] == "unacknowledged"
