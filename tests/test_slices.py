"""A large site in slices: everything as often as in a small one, in turns that stay short. Steps are counted."""

from collections import Counter
from itertools import pairwise

import pytest
from farm import T0

from farmwatch.brain import Brain
from farmwatch.power import slices
from farmwatch.power.load import SITE, LoadTree
from farmwatch.power.slices import slices_of
from farmwatch.words.model import BackupPlan, CircuitPlan, Keep, MachinePlan, Note, Observed, SitePlan, SourcePlan

PLUG = frozenset({"state", "power_w", "energy_wh"})
MANY = [f"m{number:03d}" for number in range(80)]


def site(names=MANY, a_circuit=8):
    """Eight machines a circuit, every third circuit's behind a backup, banks that lie across circuits."""
    circuits = {f"c{n // a_circuit}": None for n in range(0, len(names), a_circuit)}
    backups = {f"b{name}": BackupPlan(f"b{name}", name, rating_w=3000) for name in list(circuits)[::3]}
    machines = {}
    for number, name in enumerate(names):
        circuit = f"c{number // a_circuit}"
        backup = f"b{circuit}" if f"b{circuit}" in backups else None
        machines[name] = MachinePlan(name, bank=f"bank-{number % 5}", backup=backup, circuit=circuit)
    sources = {f"s.{name}": SourcePlan(f"s.{name}", name, "mqtt", name, 60.0, PLUG) for name in names}
    plans = {name: CircuitPlan(name, 16, 230, 0.8) for name in circuits}
    return SitePlan("Saltmarsh Works", "UTC", 230, machines, backups, plans, sources=sources)


def watts(number):
    """Machines of circuit 4 draw far too much together."""
    return 850.0 if 32 <= number < 40 else 100.0 + number


def hours(plan, minutes=76):
    """Steady readings each minute, an hour's mark after ten; the brain, the effects of each turn, in order."""
    brain, turns = Brain(plan), []
    names = list(plan.machines)
    for minute in range(minutes):
        for number, name in enumerate(names):
            at_s = T0 - 600.0 + 60.0 * minute + number * 60.0 / len(names)
            while (due_s := brain.next_due_s()) <= at_s:
                turns.append((due_s, brain.advance(due_s)))
            ends = {"state": "printing" if minute % 20 < 15 else "done"}
            values = {"power_w": watts(number), "energy_wh": watts(number) * (minute / 60.0)} | ends
            turns.append((at_s, brain.receive(Observed(at_s, name, f"s.{name}", values), at_s)))
    return brain, turns


def facts(turns):
    """(kind, key) of all that was kept."""
    return {(e.kind, e.key) for _, out in turns for e in out if isinstance(e, Keep)}


def alarms(turns):
    """(alarm, step) of all that was noted."""
    notes = [e.doc for _, out in turns for e in out if isinstance(e, Note) and e.kind == "alarm"]
    return {(doc.get("alarm"), doc.get("step")) for doc in notes}


@pytest.mark.parametrize("count", [1, 12, 64, 65, 150, 1000])
def test_every_place_is_in_one_slice_and_after_what_it_is_the_sum_of(count):
    plan = site([f"m{number:03d}" for number in range(count)])
    tree = LoadTree(plan)
    rows = slices_of(tree, frozenset(plan.machines), frozenset(plan.circuits))
    everything = [SITE, *(name for name in tree.children if name != SITE), *tree.leaves]
    assert Counter(name for row in rows for name in row.places) == Counter(everything)
    assert Counter(name for row in rows for name in row.machines) == Counter(list(plan.machines))
    assert Counter(name for row in rows for name in row.circuits) == Counter(list(plan.circuits))
    assert len(rows) == -(-count // 64)
    assert all(len(row.machines) <= 64 for row in rows)
    assert [row.last for row in rows] == [False] * (len(rows) - 1) + [True]
    if len(rows) == 1:
        assert list(rows[0].places) == everything, "a small site goes on as it was"
        return
    order = {name: at for at, name in enumerate(name for row in rows for name in row.places)}
    for name, above in tree.parent.items():
        assert order[name] < order[above]
    for row in rows:  # what nobody asks for later may be forgotten
        later = {name for other in rows[row.number + 1 :] for name in other.places}
        for name in row.passing:
            assert tree.parent[name] not in later
            assert not any(name in members for bank, members in tree.banks.items() if bank in later)


def test_a_site_in_slices_finds_what_it_finds_in_one_go(monkeypatch):
    sliced, many_turns = hours(site())
    monkeypatch.setattr(slices, "AT_ONCE", 100_000)
    whole, few_turns = hours(site())
    assert (len(sliced.farm.slices), len(whole.farm.slices)) == (2, 1)
    for what in (facts, alarms):
        assert what(many_turns) == what(few_turns)
    assert sliced.farm.book.alarms["circuit_overload:c4"].true
    now_s = T0 + 3900.0
    for name, track in whole.farm.power.demand.items():
        one, other = track.demand(now_s), sliced.farm.power.demand[name].demand(now_s)
        assert (one.at_s, one.partial) == (other.at_s, other.partial), name
        assert one.watts == pytest.approx(other.watts, rel=1e-6), name
    for day, account in whole.farm.power.ledger.days.items():
        other = sliced.farm.power.ledger.days[day]
        for name in MANY:  # booked up to the hour, a slice up to a minute later
            assert account.wh[name] == pytest.approx(other.wh[name], abs=2 * watts(int(name[1:])) / 60.0 + 1.0)


def test_no_turn_looks_at_more_than_a_slice_and_every_machine_is_looked_at_each_minute(monkeypatch):
    looked = []
    monkeypatch.setattr(
        "farmwatch.alarms.signs.Signs.machines", lambda _, names, now_s, __: looked.append((now_s, tuple(names)))
    )
    hours(site(), minutes=20)
    assert max(len(names) for _, names in looked) <= 64
    for name in MANY:
        times = [at_s for at_s, names in looked if name in names]
        assert len(times) >= 18
        assert {round(b - a, 6) for a, b in pairwise(times)} == {60.0}


def test_accounts_and_the_meters_booked_into_them_are_kept_in_one_turn():
    _, turns = hours(site())
    accounts = [(at_s, out) for at_s, out in turns if any(isinstance(e, Keep) and e.kind == "account" for e in out)]
    assert len(accounts) == 2, "with the hour, and not with every build that ends"
    assert sum(isinstance(e, Note) and e.kind == "energy" for _, out in turns for e in out) > 3 * len(MANY)
    for _, out in accounts:
        assert {e.key for e in out if isinstance(e, Keep) and e.kind == "energy"} == set(MANY)
    others = [e for _, out in turns for e in out if isinstance(e, Keep) and e.kind == "energy"]
    assert len(others) == len(accounts) * len(MANY)
