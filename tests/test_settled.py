"""No page shows what a power cut could take back: it waits for the commit that is under way."""

import asyncio

import aiohttp
import pytest
from web_house import serving

from farmwatch import daemon as daemon_module
from farmwatch.daemon import Daemon
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Keep


class SlowJournal:
    """A journal whose disk takes its time."""

    trouble = notice = ""

    def __init__(self, seconds, error=None):
        self.seconds, self.error, self.written = seconds, error, False

    def commit(self, _at_s, _effects, _channels):
        import time

        time.sleep(self.seconds)
        if self.error is not None:
            raise self.error
        self.written = True


def house(journal):
    """A daemon of which only the journal's side is used."""
    from concurrent.futures import ThreadPoolExecutor
    from types import SimpleNamespace

    found = Daemon(SimpleNamespace(journal=journal, channels={}, journal_thread=ThreadPoolExecutor(1)))
    found._health = lambda *_args, **_kwargs: None
    return found


async def test_the_page_waits_for_a_commit():
    journal = SlowJournal(0.2)
    found = house(journal)
    await found.settled()
    writing = asyncio.create_task(found._write([Keep("alarm", "a", {})], 0.0))
    await asyncio.sleep(0.02)
    assert not journal.written
    await found.settled()
    assert journal.written
    await writing


async def test_a_disk_that_fails_or_hangs_hides_no_page(monkeypatch):
    found = house(SlowJournal(0.0, StoreError("disk full")))
    await found._write([Keep("alarm", "a", {})], 0.0)
    await asyncio.wait_for(found.settled(), 0.1)
    monkeypatch.setattr(daemon_module, "SETTLED_S", 0.05)
    found = house(SlowJournal(0.5))
    writing = asyncio.create_task(found._write([Keep("alarm", "a", {})], 0.0))
    await asyncio.sleep(0.02)
    await asyncio.wait_for(found.settled(), 0.2)
    assert not writing.done()
    await writing


@pytest.mark.parametrize("path", ["/", "/api/v1/view", "/machine/avocet"])
async def test_pages_ask_before_they_look(path):
    asked = []

    async def settled():
        asked.append(path)

    async with serving(wiring={"settled": settled}) as house:
        auth = {"Authorization": "Bearer cli-token"}
        async with aiohttp.ClientSession() as session, session.get(house.url + path, headers=auth) as answer:
            await answer.read()
    assert asked == [path]
