"""Each oracle is seen to complain when the daemon's guard behind it is taken away: the same three hours, one mistake.

The plan is fixed, so that each guard is needed: a loss of supply, a UPS server that goes away, a power cut.
"""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from simulation import nemesis
from simulation.sim import simulate

from farmwatch.brain import Brain
from farmwatch.daemon import Daemon
from farmwatch.stores.journal.disk import SqliteJournal
from farmwatch.words.model import Message

SEED = 21


def plan(sim, _seed, start_s, _hours):
    """What happens in these hours, instead of what the seed draws."""
    sim.world.at(start_s + 2400.0, lambda now_s: sim.world.dark(["west", "east"], 400.0, now_s))
    drawn = SimpleNamespace(choice=lambda _rows: "down", uniform=lambda _low, _high: 2400.0)
    nemesis.ups_server(sim, drawn, start_s + 5000.0)
    sim.window("down", start_s + 8400.0, start_s + 8430.0)
    sim.outside.at_true(start_s + 8400.0, sim.kill, 30.0, True)


def nothing(_monkeypatch):
    """All guards in place."""


def no_outbox_row(monkeypatch):
    """R1, R8: the journal forgets the message."""
    real = SqliteJournal.commit

    def commit(self, at_s, effects, channels):
        real(self, at_s, [effect for effect in effects if not isinstance(effect, Message)], channels)

    monkeypatch.setattr(SqliteJournal, "commit", commit)


def written(monkeypatch, change):
    real = Daemon._write

    async def _write(self, durable, now_s):
        await real(self, change(durable), now_s)

    monkeypatch.setattr(Daemon, "_write", _write)


def no_all_clear(monkeypatch):
    """P1: nobody is told that the supply is back."""
    written(monkeypatch, lambda durable: [e for e in durable if not isinstance(e, Message) or e.step != "clear"])


def twice(monkeypatch):
    """P1: each message goes out under a second id too."""
    written(monkeypatch, lambda durable: [
        *durable, *(replace(e, id=f"{e.id}-b") for e in durable if isinstance(e, Message))
    ])  # fmt: skip


def not_synced(monkeypatch):
    """R1: the journal leaves its writes to the system."""
    real = SqliteJournal.commit

    def commit(self, at_s, effects, channels):
        self._execute("PRAGMA synchronous = OFF")
        real(self, at_s, effects, channels)

    monkeypatch.setattr(SqliteJournal, "commit", commit)


def never_stale(monkeypatch):
    """R7: what is silent, or says that it has failed, is taken to be as it was."""
    monkeypatch.setattr(Brain, "_lost", lambda *_: None)


GUARDS = (
    (nothing, None),
    (no_outbox_row, "neither delivered nor waiting"),
    (no_all_clear, "no all-clear"),
    (twice, "was told twice"),
    (not_synced, "facts lost by a kill"),
    (never_stale, "shown on line, unheard"),
)


@pytest.mark.timeout(900)
@pytest.mark.parametrize(("guard", "complaint"), GUARDS, ids=[guard.__name__ for guard, _ in GUARDS])
def test_an_oracle_complains_when_a_guard_is_gone(guard, complaint, monkeypatch, tmp_path):
    monkeypatch.setattr(nemesis, "plan", plan)
    guard(monkeypatch)
    faults = simulate(SEED, tmp_path, hours=3).faults
    if complaint is None:
        assert not faults
    else:
        assert any(complaint in fault for fault in faults), faults
