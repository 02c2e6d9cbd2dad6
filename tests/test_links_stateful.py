"""Links in every order, by two people, with restarts in between: a state machine over real page, brain and journal.

Checked after each step against a plain model: no GET or HEAD ever does anything; a link does one thing at most once;
once anybody has said the same since it was sent it does nothing, and says who and when; forged ones are 403 and old
ones 410. FARMWATCH_LONG=1 tries 200 random courses.
"""

import asyncio
import contextlib
import os
import tempfile
from pathlib import Path
from types import SimpleNamespace

import aiohttp
from farm import T0, plan
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, rule
from web_house import HandClock

from farmwatch.alarms.wording import moment
from farmwatch.assemble import SpentLinks
from farmwatch.brain import Brain
from farmwatch.stores.journal import JournalGuard
from farmwatch.web import links
from farmwatch.web.config import WebConfig
from farmwatch.web.server import WebServer
from farmwatch.words.errors import Refused
from farmwatch.words.model import Said, StoreHealth

LONG = bool(os.environ.get("FARMWATCH_LONG"))
KEY = bytes(range(32))
ALARMS = ("store_degraded:journal", "store_degraded:series")
WORDS = {"acknowledged": "acknowledged", "shelved": "put aside", "cleared": "cleared"}
QUESTIONS = [("acknowledged", alarm) for alarm in ALARMS] + [("shelved", ALARMS[0]), ("cleared", "avocet")]


class Shop:
    """One life of the daemon's parts that matter here."""

    def __init__(self, folder, clock):
        self.clock = clock
        self.journal = JournalGuard(folder / "journal.db", reserve_bytes=0)
        self.brain = Brain(plan(["avocet"], people=("ann", "bram")))
        self.brain.restore(self.journal.facts(), clock.now_s())
        self.spent = SpentLinks(self.journal, clock)
        self.server = WebServer(
            WebConfig("127.0.0.1", 0, "", (), None, KEY, None, ("ann", "bram")), view=self.view, ask=self.ask,
            history=self.history, series=None, push=None, used=self.spent, clock=clock,
        )  # fmt: skip
        # Guessing at speed has a test of its own.
        self.server._links.uses = SimpleNamespace(wait_s=lambda *_: 0.0, count=lambda *_: None)

    def view(self):
        return self.brain.view(self.clock.now_s())

    async def ask(self, said, also=()):
        now_s = self.clock.now_s()
        effects = [*self.brain.advance(now_s), *self.brain.receive(said, now_s), *also]
        self.journal.commit(now_s, effects, {})
        self.spent.note(also)
        return effects

    async def history(self, kind, since_s, limit, **more):
        return self.journal.history(kind, since_s, limit)

    def tell(self, event):
        now_s = self.clock.now_s()
        self.journal.commit(now_s, [*self.brain.advance(now_s), *self.brain.receive(event, now_s)], {})


class Links(RuleBasedStateMachine):
    made = Bundle("made")

    def __init__(self):
        super().__init__()
        self.runner = asyncio.Runner()
        self.folder = tempfile.TemporaryDirectory()
        self.clock = HandClock(T0)
        self.number = 0
        self.said = []  # (at_s, by, command, subject) of all that was accepted
        self.used = {}  # nonce: how often its link acted
        self.begin()
        for alarm in ALARMS:
            self.shop.tell(StoreHealth(self.clock.now_s(), alarm.partition(":")[2], False, "full"))

    def begin(self):
        self.shop = Shop(Path(self.folder.name), self.clock)
        self.url = self.runner.run(self.shop.server.start()).rstrip("/")

    def end(self):
        self.runner.run(self.shop.server.stop())
        self.shop.journal.close()

    def teardown(self):
        self.end()
        self.runner.close()
        self.folder.cleanup()

    def call(self, token, method):
        async def fetch():
            async with aiohttp.ClientSession() as session, session.request(method, f"{self.url}/a/{token}") as answer:
                return answer.status, await answer.text()

        return self.runner.run(fetch())

    def earlier(self, grant):
        """By whom and when the link's word has been said since it was sent; the first of them if its own."""
        own = [row for row in self.said if row[4] == grant.nonce]
        since = [row for row in self.said if row[0] >= grant.issued_s and row[2:4] == grant[:2]]
        return own[0] if own else since[-1] if since else None

    # ---- what happens -----------------------------------------------------------------------------------------

    @rule(target=made, question=st.sampled_from(QUESTIONS), person=st.sampled_from(["ann", "bram"]))
    def a_message_goes_out(self, question, person):
        self.number += 1
        return links.issue(*question, person, self.clock.now_s(), key=KEY, unique=f"m{self.number}.{person}")

    @rule(token=made, method=st.sampled_from(["GET", "HEAD"]))
    def somebody_or_a_preview_opens_it(self, token, method):
        before = len(self.shop.journal.history("said", limit=10_000))
        status, text = self.call(token, method)
        assert len(self.shop.journal.history("said", limit=10_000)) == before, "opening does nothing"
        with contextlib.suppress(links.ExpiredLink):
            grant = links.read(token, self.clock.now_s(), keys=(KEY,))
            assert status == 200
            if method == "GET":
                assert ("<form" in text) == (self.earlier(grant) is None)
            return
        assert status == 410

    @rule(token=made)
    def its_button_is_pressed(self, token):
        status, text = self.call(token, "POST")
        now_s = self.clock.now_s()
        try:
            grant = links.read(token, now_s, keys=(KEY,))
        except links.ExpiredLink:
            assert (status, "too old" in text) == (410, True)
            return
        earlier = self.earlier(grant)
        if earlier is not None:
            at_s, by = earlier[:2]
            words = f"already {WORDS[grant.command]} by <bdi>{by}</bdi> at {moment(at_s, now_s, 'Europe/London')}"
            assert (status, words in text) == (409, True)
        elif status == 200:
            self.used[grant.nonce] = self.used.get(grant.nonce, 0) + 1
            self.said.append((now_s, grant.person, *grant[:2], grant.nonce))
        else:
            assert status == 409, "refused by the brain: nothing stands, or no bed waits; the link stays good"
            assert "already" not in text or "Already done" not in text

    @rule(token=made, at=st.integers(3, 400), method=st.sampled_from(["GET", "POST"]))
    def somebody_changes_a_link(self, token, at, method):
        at %= len(token)
        other = "A" if token[at] != "A" else "B"
        assert self.call(token[:at] + other + token[at + 1 :], method)[0] in (403, 404)

    @rule(question=st.sampled_from(QUESTIONS), person=st.sampled_from(["ann", "bram"]))
    def somebody_says_it_at_the_page(self, question, person):
        command, subject = question
        fields = {} if command == "cleared" else {"alarm": subject}
        fields |= {"minutes": 30, "reason": "seen"} if command == "shelved" else {}
        said = Said(self.clock.now_s(), command, subject if command == "cleared" else None, person, fields)
        with contextlib.suppress(Refused):
            self.runner.run(self.shop.ask(said))
            self.said.append((self.clock.now_s(), person, *question, None))

    @rule(name=st.sampled_from(["journal", "series"]), ok=st.booleans())
    def an_alarm_comes_or_goes(self, name, ok):
        self.shop.tell(StoreHealth(self.clock.now_s(), name, ok, "" if ok else "full"))

    @rule(seconds=st.sampled_from([1, 40, 1_000, 40_000, 90_000]))
    def time_passes(self, seconds):
        self.clock.at_s += seconds

    @rule()
    def it_is_started_again(self):
        self.end()
        self.begin()

    @invariant()
    def every_link_acted_at_most_once_and_all_is_on_record(self):
        assert all(count == 1 for count in self.used.values())
        noted = [(n["at_s"], n["by"], n["command"]) for n in self.shop.journal.history("said", limit=10_000)]
        assert noted[::-1] == [row[:3] for row in self.said]
        kept = {key: doc["by"] for kind, key, doc in self.shop.journal.facts() if kind == "link"}
        assert set(self.used) >= set(kept)


TestLinks = Links.TestCase
TestLinks.settings = settings(
    max_examples=200 if LONG else 8, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck),
    derandomize=not LONG, database=None,
)
