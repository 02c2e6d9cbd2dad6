"""The live rescue plan: question, answer, words, when it is asked and told. Times are epoch seconds."""

import pickle
import time
from dataclasses import replace

import pytest
from farm import T0, Driver, plan

from farmwatch.engine import Engine
from farmwatch.power.battery import RuntimeTable, fallback_table, mean_rate
from farmwatch.power.questions import ANSWERS, answer
from farmwatch.power.rescue import plan_rescue
from farmwatch.power.rescue_advice import RescueQuestion, advise, spread_of, table_through, wave_share
from farmwatch.power.rescue_chance import Spread
from farmwatch.power.rescue_charge import RescueBackup, RescueMachine
from farmwatch.power.rescue_desk import EVERY_S, STEADY_S
from farmwatch.words.model import BackupPlan, LoadPlan, Observed, Work, Worked

TABLE = RuntimeTable(((50.0, 120.0), (100.0, 52.0), (200.0, 22.0), (300.0, 13.0), (600.0, 4.0)))


def ask(machines, *, charge=1.0, base_w=15.0, limit_w=600.0, wide=0.2, **more):
    spreads = tuple(
        Spread(m.remaining_min * (1 - wide), m.remaining_min, m.remaining_min * (1 + wide)) for m in machines
    )
    waves = more.pop("waves", tuple((m.power_w, m.power_w) for m in machines))
    return RescueQuestion(
        "one", T0, RescueBackup(TABLE, charge, 1.0, limit_w, base_w), tuple(machines), spreads, waves, (), "table",
        live=True, **more,
    )  # fmt: skip


GANNET, CURLEW = RescueMachine("gannet", 110, 90, 30, 0.0), RescueMachine("curlew", 110, 30, 300, 0.0)


def test_one_is_paused_so_that_the_other_finishes():
    found = advise(ask([GANNET, CURLEW]))
    decision = found.decision
    assert decision.pause == ("gannet",)
    assert decision.saves == ("curlew",)
    assert found.late == ("gannet",)
    # by hand: both draw 235 W until t, then 125 W until minute 30; the battery is empty at minute 30
    both, alone = TABLE.rate(235.0), TABLE.rate(125.0)
    by_min = (1.0 - 30.0 * alone) / (both - alone)
    assert decision.by_s == pytest.approx(T0 + 60 * by_min, abs=1.0)
    assert found.empty_s == pytest.approx(T0 + 60 / both, abs=1.0)


def test_without_spread_it_is_the_exact_plan():
    """Reference: plan_rescue, which equals brute force for small cases (tests/test_rescue.py)."""
    machines = [GANNET, CURLEW, RescueMachine("ibis", 90, 12, 100, 0.0)]
    found = advise(ask(machines, wide=0.0))
    exact = plan_rescue(ask(machines).battery, machines)
    assert found.plan.value == exact.value
    assert found.plan.finishes == exact.finishes
    assert found.plan.exact


def test_nothing_is_asked_where_all_finish_or_none_can():
    easy = advise(ask([replace(GANNET, remaining_min=5), replace(CURLEW, remaining_min=5)]))
    assert (easy.decision, easy.late) == (None, ())
    hopeless = advise(ask([GANNET, replace(CURLEW, remaining_min=500)]))
    assert (hopeless.decision, hopeless.late) == (None, ("gannet", "curlew"))


def test_pausing_is_preferred_where_its_hold_power_is_affordable_and_else_it_is_stopped():
    soon = replace(CURLEW, remaining_min=20)
    little = advise(ask([replace(GANNET, hold_w=10.0), soon]))
    assert (little.decision.pause, little.decision.stop) == (("gannet",), ())
    much = advise(ask([replace(GANNET, hold_w=100.0), replace(CURLEW, remaining_min=38)]))
    assert (much.decision.pause, much.decision.stop) == ((), ("gannet",))
    never = advise(ask([replace(GANNET, hold_w=None), soon]))
    assert (never.decision.pause, never.decision.stop) == ((), ("gannet",))


def test_hold_power_makes_the_time_to_decide_earlier():
    soon = replace(CURLEW, remaining_min=20)
    free, warm = (advise(ask([replace(GANNET, hold_w=w), soon])).decision for w in (0.0, 20.0))
    assert warm.pause == free.pause == ("gannet",)
    # by hand: 235 W until t, then base 15 W, curlew 110 W and gannet held at 20 W until minute 20
    both, held = TABLE.rate(235.0), TABLE.rate(145.0)
    assert warm.by_s == pytest.approx(T0 + 60 * (1.0 - 20.0 * held) / (both - held), abs=1.0)
    assert warm.by_s < free.by_s


def test_what_is_paused_already_is_not_asked_for_again():
    decision = advise(ask([GANNET, CURLEW], paused=("gannet",))).decision
    assert decision.pause == ("gannet",)
    assert decision.to_pause == ()


def test_above_the_rating_something_must_go_at_once():
    found = advise(ask([GANNET, CURLEW], limit_w=200.0))
    assert found.decision.by_s == T0
    assert found.plan.run_everything.minutes == 0.0


def test_square_waves_empty_the_battery_sooner_than_their_mean():
    """The mean of the rates by direct sum; Jensen: never less than the rate at the mean for a convex rate."""
    share = wave_share(TABLE, 0.0, [155.0], [(50.0, 260.0)])
    expected = TABLE.rate(155.0) / mean_rate(TABLE, [(0.5, 50.0), (0.5, 260.0)])
    assert share == pytest.approx(expected)
    assert share < 0.95
    assert wave_share(TABLE, 20.0, [100.0, 90.0], [(100.0, 100.0), (90.0, 90.0)]) == 1.0


def test_a_unit_known_by_its_promise_alone():
    table = table_through(230.0, 17.5)
    assert table.runtime_min(230.0) == pytest.approx(17.5)
    # the shape is the datasheet's: the ratio of two runtimes is that of the fallback at proportional loads
    shape = fallback_table(1000.0)
    at = next(w / 10 for w in range(1, 200_000) if shape.runtime_min(w / 10) <= 17.5)
    assert table.runtime_min(115.0) == pytest.approx(shape.runtime_min(at / 2), rel=0.01)
    with pytest.raises(ValueError, match="0 W"):
        table_through(0.0, 10.0)


def test_an_overdue_build_still_takes_a_little():
    spread = spread_of(T0, T0 - 500, T0 - 100, T0 + 600)
    assert spread == Spread(0.5, 0.5, 10.0)


def test_without_an_interval_of_its_own_a_usual_one_stands_in():
    spread = spread_of(T0, None, T0 + 6000, None)
    assert (spread.p10, spread.p50, spread.p90) == pytest.approx((85.0, 100.0, 130.0))


def test_the_question_travels_and_the_answer_is_the_same_every_time():
    asked = ask([GANNET, CURLEW])
    again = pickle.loads(pickle.dumps(asked))  # noqa: S301  (our own)
    one, other = answer(Work("rescue:one", asked)), answer(Work("rescue:one", again))
    assert one.plan == other.plan
    assert one.decision == other.decision
    assert set(ANSWERS) >= {"rescue"}


# ---- through the brain ------------------------------------------------------------------------------------------


class Answering(Driver):
    """A driver whose questions are answered at once, as a replay's are; `questions` lists them."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.questions = []

    def _answer(self, effects):
        for work in [e for e in effects if isinstance(e, Work)]:
            if work.id.startswith("rescue:"):  # other questions are none of these tests' business
                self.questions.append(work)
            self.effects += self.brain.receive(Worked(self.now, work.id, answer(work)), self.now)

    def feed(self, event, at=None):
        out = super().feed(event, at)
        self._answer(out)
        return out

    def advance(self, until):
        while (due := self.brain.next_due_s()) <= until:
            out = self.brain.advance(due)
            self.effects += out
            self.now = max(self.now, due)
            self._answer(out)
        self.now = max(self.now, until)

    def text(self, step="opened"):
        return next(m.text for m in self.messages() if m.step == step)


def shop(**more):
    site = plan(["gannet", "curlew"], **more)
    tables = {"one": BackupPlan("one", "west", 600, 1000, runtime_table=TABLE.rows)}
    machines = {name: replace(m, backup="one") for name, m in site.machines.items()}
    return replace(site, backups=site.backups | tables, machines=machines)


def printing(d, name, left_min, watts=110.0):
    d.panel(name, state="printing", progress=0.5, remaining_s=left_min * 60.0)
    d.plug(name, watts)


def under_way(d, minutes=30, gannet=150, curlew=60):
    """Both print for some minutes; then so much is left."""
    for name in ("gannet", "curlew"):
        d.panel(name, state="idle", remaining_s=None)
        d.plug(name, 8.0)
    start = d.now

    def each(d):
        gone = (d.now - start) / 60
        printing(d, "gannet", gannet + minutes - gone)
        printing(d, "curlew", curlew + minutes - gone)
        for backup in ("one", "two", "three", "four"):
            d.ups(backup, "OL")

    d.run(minutes * 60, step=10.0, each=each)


def outage(d, seconds, *, start_charge=1.0, gannet=150, curlew=30, status="OB DISCHRG", names=("one",), paused=()):
    start = d.now

    def each(d):
        gone = (d.now - start) / 60
        for name, left in (("gannet", gannet), ("curlew", curlew)):
            if name in paused:
                d.panel(name, state="paused", progress=0.5, remaining_s=left * 60.0)
                d.plug(name, 20.0)
            elif left > gone:
                printing(d, name, left - gone)
        for backup in ("one", "two", "three", "four"):
            on = backup in names
            charge = max(start_charge - gone * TABLE.rate(220.0), 0.0) if on else 1.0
            d.ups(backup, status if on else "OL", charge=charge)

    d.run(seconds, step=2.0, each=each)


def test_the_message_says_what_to_pause_until_when_and_what_for():
    d = Answering(shop())
    under_way(d, curlew=30)
    outage(d, 20)
    (message,) = [m for m in d.messages() if m.step == "opened"]
    assert "pause gannet so that curlew can finish." in message.text or "stop gannet" in message.text
    assert message.text.startswith("If ")
    assert "Backup one empty about" in message.text
    assert len(message.title) + 1 + len(message.text) <= 240
    decision = d.brain.farm.rescue.advice["one"].decision
    clock = time.strftime("%H:%M", time.gmtime(decision.by_s))  # London in November is UTC
    assert f"not back by {clock} " in message.text
    assert d.now < decision.by_s < d.now + 30 * 60


def test_a_blip_asks_nothing():
    d = Answering(shop(blip_s=30.0))
    under_way(d, 5)
    outage(d, 10)
    outage(d, 60, names=())
    assert d.questions == []


def test_a_plan_that_still_fits_is_not_asked_for_again_and_a_finish_asks_anew():
    d = Answering(shop())
    under_way(d, curlew=30)
    outage(d, 240)
    asked = len(d.questions)
    assert 1 <= asked <= 3, "once, and again only where what was seen did not fit"
    d.panel("curlew", state="done", remaining_s=0.0)
    d.plug("curlew", 8.0)
    d.advance(d.now + 10)
    assert len(d.questions) == asked + 1
    assert [m.name for m in d.questions[-1].question.machines] == ["gannet"]


def test_it_is_looked_at_at_least_once_a_minute():
    d = Answering(shop())
    under_way(d)
    outage(d, 30)
    asked = len(d.questions)
    outage(d, EVERY_S + 5, start_charge=0.4)  # the battery is emptier than it was thought to be
    assert len(d.questions) > asked


def test_a_changed_decision_is_told_once_more_and_never_a_third_time():
    d = Answering(shop())
    under_way(d, curlew=10)
    outage(d, 30, curlew=10)
    assert [m.step for m in d.messages()] == ["opened"]
    assert "so that" not in d.text()
    outage(d, 2 * EVERY_S + 2 * STEADY_S, curlew=32, gannet=200)  # curlew turns out to take longer
    steps = [m.step for m in d.messages()]
    assert steps == ["opened", "more"]
    assert "gannet so that curlew can finish" in d.text("more")
    outage(d, 2 * EVERY_S + 2 * STEADY_S, curlew=9, gannet=200, start_charge=0.8)
    assert [m.step for m in d.messages()] == ["opened", "more"]
    outage(d, 30, names=())
    assert [m.step for m in d.messages()] == ["opened", "more", "clear"]
    assert d.brain.farm.rescue.told is None


def test_without_an_answer_the_message_goes_out_as_it_is():
    d = Driver(shop())  # nobody answers
    under_way(d, 5)
    outage(d, 20)
    (message,) = [m for m in d.messages() if m.step == "opened"]
    assert message.title == "Backup one on battery"
    assert message.text
    view = d.brain.view(d.now)
    assert next(b for b in view["backups"] if b["name"] == "one")["rescue"] is None


def test_an_answer_that_failed_does_not_stop_the_next_question():
    d = Driver(shop())
    under_way(d, 5)
    outage(d, 20)
    works = [e for e in d.effects if isinstance(e, Work)]
    assert len(works) == 1
    d.feed(Worked(d.now, works[0].id, None))
    outage(d, EVERY_S + 10)
    assert len([e for e in d.effects if isinstance(e, Work)]) == 2


def test_the_view_shows_the_plan_and_a_what_if_only_while_somebody_looks():
    d = Answering(shop())
    under_way(d, 10)
    assert d.questions == []
    d.brain.looked(d.now)
    outage(d, 62, names=())
    rescue = next(b["rescue"] for b in d.brain.view(d.now)["backups"] if b["name"] == "one")
    assert rescue["live"] is False
    assert rescue["finishes"] or rescue["late"]
    assert 0 < rescue["needed"] < 1
    assert rescue["exact"] is False
    count = len(d.questions)
    outage(d, 200, names=())
    assert len(d.questions) == count, "at most every five minutes"


def test_how_likely_it_is_that_the_decision_is_needed():
    """Diary of the site: most outages are over in two minutes, so a decision in 15 min is seldom needed."""
    d = Answering(shop())
    under_way(d, curlew=30)
    outage(d, 20)
    rescue = next(b["rescue"] for b in d.brain.view(d.now)["backups"] if b["name"] == "one")
    began = d.brain.farm.outage.open.started_s
    expected = d.brain.farm.diary.lasts_longer(rescue["by_s"] - began, d.now - began)
    assert rescue["needed"] == pytest.approx(expected.p)
    assert rescue["outages"] == 0


def test_loads_and_unexplained_draw_are_in_the_base_load_and_a_reserve_is_kept():
    site = shop(loads={"router": LoadPlan("router", backup="one", constant_w=12.0)})
    d = Answering(site)
    under_way(d, 10)
    outage(d, 20)
    battery = d.questions[0].question.battery
    assert battery.base_w == pytest.approx(12.0)
    charge = d.brain.farm.backups["one"].number("charge")
    assert battery.charge == pytest.approx(charge - 0.05, abs=0.02)


def test_the_engine_answers_in_place_and_twice_the_same():
    class Decoder:
        def decode(self, item):
            return [item]

    def played():
        d = Driver(shop())
        engine = Engine(Decoder(), d.brain, answer)
        under_way(d, 5)
        effects = []
        for _ in range(6):
            d.now += 5
            effects += engine.advance(d.now)
            effects += d.brain.receive(d_ups(d), d.now)
        return [e for e in effects if not isinstance(e, Work)], effects

    def d_ups(d):
        return Observed(d.now, "one", "ups.one", {"status": "OB", "charge": 0.9, "runtime_s": 900.0})

    one, effects = played()
    other, _ = played()
    assert one == other
    assert not any(isinstance(e, Work) for e in effects), "none is left to answer"


def test_what_was_told_survives_a_restart():
    d = Answering(shop())
    under_way(d, curlew=30)
    outage(d, 20)
    told = d.brain.farm.rescue.told
    assert told
    d.restart()
    assert [t.deed for t in d.brain.farm.rescue.told] == [t.deed for t in told]
    outage(d, 200)
    assert [m.step for m in d.messages()].count("opened") == 1
