"""The collector itself stood still: what was not seen meanwhile is no silence of the sources."""

import asyncio
import time

from farm import NAMES, T0, Driver, plan
from test_pulse import Watched

from farmwatch import daemon
from farmwatch.alarms.notices import ALONE_AT_WORK_S
from farmwatch.words.model import Awoke


def talk(d, names=NAMES):
    d.all_ups("OL")
    for name in names:
        d.panel(name, state="printing", job="latch", progress=0.3, remaining_s=7200.0)
        d.plug(name, 110.0)


def asleep(seconds, *, after=NAMES, then_s=400.0):
    """Everything talks for two minutes, nobody listens for so long, then these machines are heard."""
    day = Driver(plan())
    day.broker(True, T0)
    day.run(120.0, 5.0, talk)
    slept_s = day.now
    day.now += seconds
    day.effects += day.brain.receive(Awoke(day.now, slept_s), day.now)  # before any timer, as the daemon does
    day.run(then_s, 5.0, lambda d: talk(d, after))
    return day


def test_it_is_one_line_of_the_diary_and_no_message():
    day = asleep(240.0)
    causes = {n.doc["id"]: n.doc["cause"] for n in day.notes("outage")}
    assert list(causes.values()) == ["collector"]
    assert [m for m in day.messages() if m.priority != "digest"] == []
    assert day.machine("avocet").state == "printing"


def test_what_stays_silent_afterwards_is_told():
    day = asleep(240.0, after=[name for name in NAMES if name != "avocet"], then_s=ALONE_AT_WORK_S + 300.0)
    assert any("avocet" in m.title for m in day.messages())


def test_a_short_stop_leaves_no_trace():
    day = asleep(20.0)
    assert day.notes("outage") == []
    assert day.messages() == []


async def test_the_daemon_notices_that_it_stood_still(monkeypatch):
    """A blocked process is what SIGSTOP, a paused virtual machine and starvation look like from within."""
    monkeypatch.setattr(daemon, "AWAY_S", 0.4)
    seen = []
    async with Watched() as watched:
        brain = watched.daemon._p.engine.brain
        inner = brain.receive
        monkeypatch.setattr(brain, "receive", lambda event, now_s: (seen.append(event), inner(event, now_s))[1])
        await asyncio.sleep(0.05)
        watched.daemon.inbox.wake.set()
        await asyncio.sleep(0.05)
        time.sleep(0.8)
        watched.daemon.inbox.wake.set()
        await asyncio.sleep(0.2)
    (awoke,) = [event for event in seen if isinstance(event, Awoke) and event.dark_since_s is not None]
    assert 0.7 <= awoke.at_s - awoke.dark_since_s <= 3.0
