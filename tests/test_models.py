"""Load models learned from a plug; chances against scipy; the live start sequence on the shop's own numbers."""

import json
import random
from time import process_time

import numpy as np
import pytest
from farm import NAMES, T0, Driver, plan

from farmwatch.power.advice import MachineNow, advise, chance_of_passing
from farmwatch.power.chance import Draw, LoadModel, add, chance_above, constant
from farmwatch.power.models import GRID_W, MOST_BINS, MOST_LEVELS, USUAL_HEAT_W, LoadHistory, Spread, on_grid

HOLD = Draw(((260.0, 0.3), (50.0, 0.7)))
MODEL = LoadModel(constant(280.0), constant(110.0), 8.0, 6.0)


def taught(rounds=6, seed=1, heat_w=285.0, heat_min=5.0):
    """A history of builds: heat-up at `heat_w`, then a square wave 260/50 W, 30 % high, then rest at 9 W."""
    rng = random.Random(seed)
    history = LoadHistory()
    now = T0
    for _ in range(rounds):
        for state, seconds in (("idle", 1200), ("heating", heat_min * 60 * rng.uniform(0.9, 1.1)), ("printing", 5400)):
            end, high, left = now + seconds, True, 0.0
            while now < end:
                if left <= 0:
                    high, left = not high, rng.expovariate(1 / (18.0 if not high else 42.0)) + 5.0
                watts = {"idle": 9.0, "heating": heat_w}.get(state, 260.0 if high else 50.0) + rng.gauss(0, 2)
                history.observe(now, watts, state)
                now += 5.0
                left -= 5.0
    return history


def test_a_machines_heat_up_hold_and_rest_are_learned():
    history = taught()
    assert history.heat_w == pytest.approx(285, abs=6)
    assert 5.0 <= history.heat_min <= 6.3
    assert history.idle_w == pytest.approx(9, abs=0.5)
    model = history.model()
    seen = sum(row[1] for row in history.hold.bins.values()) / history.hold.total_s
    assert model.holding.mean_w == pytest.approx(seen, abs=GRID_W)
    assert model.holding.mean_w >= seen - 1e-9, "rounding goes up"
    assert model.holding.max_w == pytest.approx(265, abs=10)
    assert chance_above(200.0, model.holding) == pytest.approx(
        sum(s for w, s in history.hold.levels() if w > 200), abs=1e-9
    )
    assert history.basis == "its own history"
    assert history.heat_ups == 6


def test_the_learned_distribution_equals_numpys_histogram():
    rng = np.random.default_rng(2)
    watts = rng.choice([52.0, 61.0, 255.0, 263.0], p=[0.5, 0.2, 0.2, 0.1], size=4000)
    spread = Spread(1e9)
    for value in watts:
        spread.add(float(value), 5.0)
    counts, _ = np.histogram(watts, bins=np.arange(0, 310, 10))
    assert [share for _, share in spread.levels()] == pytest.approx((counts / counts.sum())[counts > 0])
    assert spread.quantile_w(0.95) == pytest.approx(np.quantile(watts, 0.95, method="inverted_cdf"), abs=10)
    assert spread.draw().mean_w == pytest.approx(watts.mean(), abs=GRID_W)


def test_before_anything_is_seen_usual_values_stand_in_and_it_says_so():
    history = LoadHistory()
    assert history.heat_w == USUAL_HEAT_W
    assert "usual values" in history.basis
    assert history.model().holding.mean_w == pytest.approx(113, abs=1)  # Hopkins et al. 2021: 113.5 W at 210/60 degC
    history.observe(T0, 280.0, "heating")
    history.observe(T0 + 5, 280.0, "printing")
    assert history.heat_ups == 0, "where it began was not seen"


def test_a_glimpse_or_a_silent_hour_is_no_heat_up():
    history = LoadHistory()
    for at, watts, state in (
        (0, 9.0, "idle"),
        (10, 280.0, "heating"),
        (3700, 280.0, "heating"),
        (3710, 90.0, "printing"),
    ):
        history.observe(T0 + at, watts, state)
    assert history.heat_ups == 0
    assert history.heat.total_s == 0, "an hour between two samples is not heating"
    history.observe(T0 + 3720, None, "printing")
    history.observe(T0 + 3725, 90.0, "printing")
    assert history.hold.total_s == 0


def test_state_is_small_bounded_and_survives_the_journal():
    history = taught()
    rng = random.Random(9)
    for index in range(3000):
        history.hold.add(rng.uniform(0, 3000), 5.0)
        assert len(history.hold.bins) <= MOST_BINS
        assert index or history.hold.total_s
    assert sum(row[0] for row in history.hold.bins.values()) == pytest.approx(history.hold.total_s)
    text = json.dumps(history.as_dict())
    assert len(text) < 4000
    again = LoadHistory.from_dict(json.loads(text))
    assert len(again.model().holding.levels) <= MOST_LEVELS
    assert again.heat_w == pytest.approx(history.heat_w, abs=0.1)
    assert again.heat_min == pytest.approx(history.heat_min, abs=0.01)
    assert again.cycle_min == pytest.approx(history.cycle_min, rel=0.01)


def test_old_time_fades():
    spread = Spread(3600.0)
    for _ in range(2000):
        spread.add(100.0, 10.0)
    for _ in range(2000):
        spread.add(200.0, 10.0)
    assert spread.total_s < 1.25 * 3600 + 10
    assert spread.levels()[-1][1] > 0.95
    assert spread.levels()[-1][0] == pytest.approx(200.0)


# ---- chance ----------------------------------------------------------------------------------------------------


def now(name, state="printing", places=("west",), model=MODEL, watts=110.0, **more):
    return MachineNow(name, places, state, state == "idle", watts, None, model, **more)


def test_chance_of_passing_equals_scipys_binomial():
    from scipy.stats import binom

    model = LoadModel(constant(280.0), Draw(((280.0, 0.2), (110.0, 0.8))), 8.0, 6.0)
    machines = [now(f"m{i}", model=model) for i in range(12)]
    found = chance_of_passing("west", machines, {"west": constant(200.0)}, 200 + 12 * 110 + 170 * 4, 0.0)
    assert found.low == pytest.approx(binom.sf(4, 12, 0.2), rel=1e-9)
    hour = chance_of_passing("west", machines, {}, 12 * 110 + 170 * 6, 60.0)
    assert hour.low == pytest.approx(binom.sf(6, 12, 0.2), rel=1e-9)
    assert hour.low < hour.chance <= hour.high


def test_a_machine_of_which_nothing_is_known_counts_as_building():
    base = [now("a")]
    unknown = [*base, now("b", "unknown", watts=None)]
    assert chance_of_passing("west", base, {}, 150.0, 0.0).low == 0
    assert chance_of_passing("west", unknown, {}, 150.0, 0.0).low == 1
    assert advise([*unknown, now("c", "idle", watts=8.0)], {}, {"west": 3000.0}, 0.01).guessed == ("b",)


def test_learned_machines_against_a_simulation_of_their_sum():
    """Convolution of learned models against numpy's sampled sum of the processes they were learned from."""
    rng = np.random.default_rng(4)
    histories = [taught(3, seed) for seed in range(6)]
    total = add([h.model().holding for h in histories])
    high = [sum(s for w, s in h.hold.levels() if w > 150) for h in histories]
    samples = sum(np.where(rng.random(200_000) < q, 260.0, 50.0) + rng.normal(0, 2, 200_000) for q in high)
    for limit_w in (450.0, 660.0, 870.0):  # between the steps of 210 W
        assert chance_above(limit_w, total) == pytest.approx(float((samples > limit_w).mean()), abs=0.02)


# ---- starting --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("limit_w", "together"), [(2944.0, 9), (3680.0, 12), (1490.0, 1)])
def test_how_many_may_heat_at_once(limit_w, together):
    """16 A at 230 V, twelve machines holding at 110 W: 1320 + 170 n <= 2944 lets nine heat at once (arithmetic)."""
    machines = [
        now(n, "idle", watts=110.0, model=LoadModel(constant(280.0), constant(110.0), 110.0, 6.0)) for n in NAMES
    ]
    found = advise(machines, {}, {"west": limit_w}, 0.01)
    at = sorted(found.starts.values())
    assert sum(minutes == 0 for minutes in at) == together
    assert at[-1] == pytest.approx(6.0 * (-(-12 // together) - 1))
    assert set(found.tight) == {n for n, minutes in found.starts.items() if minutes}


def test_three_on_a_backup_of_600_w():
    """Two building (220 W) and one heating (280 W) fit 600 W; all three heating (840 W) do not (arithmetic)."""
    limits = {"one": 600.0, "west": 2944.0}
    places = ("one", "west")
    two = [now("a", places=places), now("b", places=places)]
    assert advise([*two, now("c", "idle", places, watts=8.0)], {}, limits, 0.01).starts == {"c": 0.0}
    found = advise([now(n, "idle", places, watts=8.0) for n in "abc"], {}, limits, 0.01)
    assert sorted(found.starts.values()) == [0.0, 0.0, 6.0]
    assert set(found.tight.values()) == {"one"}


def test_who_heats_already_is_waited_for_only_as_long_as_it_heats():
    heating = MachineNow("a", ("one",), "heating", ready=False, watts=280.0, heating_min=4.0, model=MODEL)
    found = advise([heating, now("b", "idle", ("one",), watts=8.0)], {}, {"one": 500.0}, 0.01)
    assert found.starts == {"b": 2.0}
    found = advise([now("b", "idle", ("one",), watts=8.0)], {"one": constant(450.0)}, {"one": 500.0}, 0.01)
    assert found.starts == {"b": None}
    assert found.tight == {"b": "one"}


@pytest.mark.parametrize("risk", [0.001, 0.01, 0.1])
def test_no_place_passes_its_limit_more_often_than_the_risk(risk):
    """The advice replayed minute by minute, sums by an own convolution (numpy) at every step."""
    rng = random.Random(5)
    model = LoadModel(Draw(((300.0, 0.8), (200.0, 0.2))), on_grid(HOLD), 8.0, 6.0)
    for _ in range(6):
        limits = {"west": rng.uniform(900, 1800), "one": rng.uniform(500, 900), "two": rng.uniform(500, 900)}
        machines = [
            now(f"m{i}", rng.choice(["idle", "idle", "printing"]), ("one" if i < 4 else "two", "west"), model, 8.0)
            for i in range(8)
        ]
        found = advise(machines, {}, limits, risk)
        for minute in range(40):
            for place, limit_w in limits.items():
                density = np.zeros(4000)
                density[0] = 1.0
                started = False
                for m in machines:
                    if place not in m.places:
                        continue
                    at = found.starts.get(m.name) if m.ready else None
                    draw = constant(10.0) if m.ready else m.model.holding
                    if at is not None and at <= minute:
                        started = True
                        draw = m.model.heating if minute < at + 6 else m.model.holding
                    grown = np.zeros_like(density)
                    for watts, share in draw.levels:
                        step = int(watts)
                        grown[step:] += share * density[: len(density) - step]
                    density = grown
                if started and any(found.starts[m.name] == minute for m in machines if m.ready and place in m.places):
                    assert density[int(limit_w) + 1 :].sum() <= risk + 1e-9, (minute, place)


def test_advice_for_a_full_shop_is_quick():
    """No source: worked out once in 30 s, it takes a tenth of a second; the bound only tells a search without end."""
    model = taught(2).model()
    machines = [now(n, "idle", ("one" if i % 2 else "two", "west"), model, 9.0) for i, n in enumerate(NAMES)]
    began = process_time()
    found = advise(machines, {}, {"west": 2700.0, "one": 1600.0, "two": 1600.0}, 0.01)
    took = process_time() - began
    assert None not in found.starts.values()
    assert max(found.starts.values()) > 0
    assert took < 5.0, took


def test_the_brain_learns_and_says_who_may_start():
    names = ["avocet", "bittern", "curlew"]
    day = Driver(plan(names))
    for backup in ("two", "three", "four"):
        del day.site.backups[backup]
    day = Driver(day.site)
    rest = {"state": "idle", "bed_c": 24, "bed_target_c": 0, "nozzle_c": 24, "nozzle_target_c": 0}
    heat = {"state": "heating", "bed_c": 40, "bed_target_c": 60, "nozzle_c": 90, "nozzle_target_c": 210}
    hold = {"state": "printing", "bed_c": 60, "bed_target_c": 60, "nozzle_c": 210, "nozzle_target_c": 210}

    def talk(watts, values):
        def each(d):
            for name in names:
                d.panel(name, **values)
                d.plug(name, watts)

        return each

    for _ in range(2):
        for watts, values, seconds in ((9, rest, 400), (270, heat, 300), (110, hold, 1800)):
            talk(watts, values)(day)
            day.run(seconds, 10, talk(watts, values))
        talk(9, hold | {"state": "done"})(day)
        for name in names:
            day.say("cleared", name)
        talk(9, rest)(day)
    view = day.brain.view(day.now)
    assert {m["state"] for m in view["machines"]} == {"idle"}
    assert day.brain.farm.power.models["avocet"].heat_w == pytest.approx(270, abs=5)
    west = next(c for c in view["circuits"] if c["name"] == "west")
    assert west["heat_up_w"] == pytest.approx(270 - 9, abs=5), "the machine's own, not a constant"
    # a backup of 600 W: two heating (540 W) beside one at rest fit, three do not
    starts = view["starts"]
    assert len(starts["now"]) == 2
    assert len(starts["later"]) == 1
    assert starts["text"].startswith("May start now: ")
    assert "Later: " in starts["text"]
    assert " from " in starts["text"]
    later, at_s = starts["later"][0]
    assert 4 * 60 <= at_s - day.now <= 8 * 60
    row = next(m for m in view["machines"] if m["name"] == later)
    assert row["start_from_s"] == pytest.approx(at_s)
    day.advance(day.now + 3600)
    assert ("load_model", "avocet") in {(kind, key) for kind, key, _ in day.facts()}
    day.restart()
    assert day.brain.farm.power.models["avocet"].heat_w == pytest.approx(270, abs=5)
