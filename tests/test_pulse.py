"""Who watches the watcher: every task that stands still is noticed, named and shown, and nothing is fed meanwhile."""

import asyncio

import pytest
from farm import plan

from farmwatch import daemon as daemon_module
from farmwatch import failpoints, notify
from farmwatch.brain import Brain
from farmwatch.clock import SteadyClock
from farmwatch.daemon import Daemon, Parts
from farmwatch.engine import Engine
from farmwatch.notify import Notifier
from farmwatch.pulse import Pulse
from farmwatch.stores.journal import SqliteJournal
from farmwatch.wire.intake import Intake
from farmwatch.words.errors import Refused
from farmwatch.words.model import Keep, Said


def test_a_pause_of_everything_is_nobody_s_fault():
    pulse = Pulse()
    pulse.expect("brain", 20.0, 0.0)
    pulse.expect("postman", 60.0, 0.0)
    assert [pulse.late(at_s) for at_s in range(0, 20, 2)] == [[]] * 10
    pulse.beat("postman", 19.0)
    assert pulse.late(20.0) == []
    assert pulse.late(20.5) == ["brain"]
    assert pulse.late(200.0) == [], "the computer was suspended"
    assert [pulse.late(202.0 + n) for n in range(18)] == [[]] * 18
    assert pulse.late(220.5) == ["brain"]


class Series:
    name = "series"
    notice = ""

    def append(self, readings):
        pass

    async def flush(self):
        pass

    async def close(self):
        pass


@pytest.fixture
def brisk(monkeypatch):
    """All waits short."""
    for name, value in {"BRAIN_S": 0.3, "SLOW_S": 0.3, "FLUSH_S": 0.05, "AWAKE_S": 0.05, "LOOK_S": 0.02}.items():
        monkeypatch.setattr(daemon_module, name, value)
    monkeypatch.setattr(notify, "LOOK_EVERY_S", 0.05)


class Watched:
    """A daemon with a real journal and a real postman."""

    def __init__(self):
        self.fed, self.stuck = 0, []
        self.journal, clock = SqliteJournal.in_memory(), SteadyClock()
        self.journal.trouble = ""
        postman = Notifier(self.journal, {}, clock)
        self.daemon = Daemon(
            Parts(
                engine=Engine(Intake([]), Brain(plan(["avocet"]))), clock=clock, sources=(), journal=self.journal,
                series=(Series(),), channels={}, postman=postman, awake=self.journal.mark_awake, tick=self.tick,
                stuck=self.stuck.append, watched={"postman": 0.4},
            )
        )  # fmt: skip
        postman.beat = lambda: self.daemon.beat("postman")

    def tick(self):
        self.fed += 1

    async def __aenter__(self):
        self.task = asyncio.create_task(self.daemon.run())
        return self

    async def __aexit__(self, *exc):
        self.daemon.stop()
        async with asyncio.timeout(10):
            await self.task


async def test_while_all_goes_on_the_watchdog_is_fed(brisk, monkeypatch):
    monkeypatch.setattr(daemon_module, "BRAIN_S", 8.0)  # the brain's own round is up to five seconds
    async with Watched() as house:
        await asyncio.sleep(1.0)
        assert (house.stuck, house.daemon.late) == ([], [])
        assert house.fed > 20


@pytest.mark.parametrize(("place", "task"), [
    ("daemon.think", "brain"), ("daemon.flush", "series"), ("daemon.awake", "awake"), ("notify.round", "postman"),
])  # fmt: skip
async def test_a_task_that_stands_still_stops_the_feeding_and_is_shown(brisk, monkeypatch, caplog, place, task):
    if task != "brain":
        monkeypatch.setattr(daemon_module, "BRAIN_S", 8.0)
    async with Watched() as house:
        await asyncio.sleep(0.1)
        monkeypatch.setattr(failpoints, "_NAME", place)
        monkeypatch.setattr(failpoints, "_KIND", "stall")
        house.daemon.inbox.wake.set()  # the brain begins another round
        async with asyncio.timeout(3.0):
            while not house.stuck:
                await asyncio.sleep(0.02)
        fed = house.fed
        await asyncio.sleep(0.2)
        assert house.fed == fed
        assert house.stuck == [[task]]
        assert house.daemon.late == [task]
    assert f"no progress: {task}" in caplog.text
    if task != "postman":  # another's task stands in its own file
        assert f"<Task pending name='{task}'" in caplog.text


async def test_what_goes_with_a_command_is_kept_with_it_or_not_at_all():
    """A link's mark is in the transaction of what it does; a refused command leaves it unused."""
    async with Watched() as house:
        now_s = SteadyClock().now_s()
        mark = (Keep("link", "n", {"by": "ann"}),)
        await house.daemon.ask(Said(now_s, "out_of_service", "avocet", "ann", {"reason": "belt"}), mark)
        with pytest.raises(Refused):
            await house.daemon.ask(Said(now_s, "cleared", "dodo", "ann"), (Keep("link", "other", {}),))
        links = [(key, doc) for kind, key, doc in house.journal.facts() if kind == "link"]
        assert links == [("n", {"by": "ann"})]
        assert house.journal.history("said")[0]["command"] == "out_of_service"
