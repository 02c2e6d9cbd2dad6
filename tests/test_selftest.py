"""Ways to phones that test themselves; what fails is an alarm, and what could not be told is shown."""

import asyncio

import web_sample
from farm import T0, Driver, plan

from farmwatch import selftest
from farmwatch.clock import SteadyClock
from farmwatch.notify import Notifier
from farmwatch.selftest import SelfTest
from farmwatch.stores.journal import SqliteJournal
from farmwatch.web.delivery import messages
from farmwatch.wire.intake import Button, Intake
from farmwatch.words.errors import PeerUnavailable
from farmwatch.words.model import ChannelHealth, Keep, Message, Raw, StoreHealth

WEEK_S = 7 * 86_400.0


class Clock:
    at_s = T0

    def now_s(self):
        return self.at_s


class Way:
    name = "pager"

    def __init__(self, *script):
        self.script, self.sent = list(script), []

    async def send(self, message, links, *, key="", repeat=False):
        self.sent.append(message)
        error = self.script.pop(0) if self.script else None
        if error == "hang":
            await asyncio.sleep(60)
        elif error is not None:
            raise error


def made(way, told, last_ok=lambda _: None, may=lambda _: True):
    return SelfTest({"pager": way}, {"pager": WEEK_S}, "Saltmarsh Works", Clock(), last_ok=last_ok, tested={},
                    tell=told.append, may=may)  # fmt: skip


async def test_a_way_that_was_idle_for_a_week_is_tested_silently():
    way, told = Way(), []
    test = made(way, told)
    assert test.due(T0 + WEEK_S - 1) == []
    assert test.due(T0 + WEEK_S) == ["pager"]
    assert made(way, told, last_ok=lambda _: T0 + 1000).due(T0 + WEEK_S) == [], "a message was test enough"
    assert made(way, told, may=lambda _: False).due(T0 + WEEK_S) == [], "not at night"
    result = await test.test("pager")
    assert (result.ok, result.tested, told) == (True, True, [result])
    (message,) = way.sent
    assert message.priority == "test"
    assert len(message.title) <= 60
    assert test.due(T0 + WEEK_S - 1) == []


async def test_three_failures_make_it_a_channel_that_fails_and_it_is_tried_again_soon(monkeypatch):
    monkeypatch.setattr(selftest, "BETWEEN_S", 0.01)
    monkeypatch.setattr(selftest, "DEADLINE_S", 0.05)
    no = PeerUnavailable("ann's pager: the service answered 401")
    told = []
    way = Way(no, "hang", None)
    assert (await made(way, told).test("pager")).ok, "the third try did it"
    for script, why in (
        ([no] * 3, "ann's pager: the service answered 401"),
        (["hang"] * 3, "no answer within 0.05 s"),
        ([RuntimeError("https://topsecret")] * 3, "failed inside (RuntimeError)"),
    ):
        test = made(Way(*script), told)
        assert (await test.test("pager"))[2:4] == (False, why)
        assert (test.due(T0 + 3_599), test.due(T0 + 3_601)) == ([], ["pager"])


def test_a_channel_that_fails_for_an_hour_is_an_alarm_until_it_works_and_the_test_is_kept():
    shop = Driver(plan(["avocet"]))
    shop.feed(ChannelHealth(T0, "pager", False, "the service answered 401"))
    shop.advance(T0 + 3_500)
    assert "channel_failing:pager" not in {a.id for a in shop.brain.farm.book.standing()}
    shop.advance(T0 + 3_601)
    assert "channel_failing:pager" in {a.id for a in shop.brain.farm.book.standing()}
    out = shop.feed(ChannelHealth(T0 + 4_000, "pager", True, "", tested=True))
    assert "channel_failing:pager" not in {a.id for a in shop.brain.farm.book.standing()}
    assert Keep("channel", "pager", {"tested_s": T0 + 4_000, "ok": True, "why": ""}) in out
    texts = [m.title + m.text for m in shop.messages() if "pager" in m.title]
    assert texts
    assert "401" not in texts[-1] or "answered" in texts[-1]


async def test_the_notifier_tells_when_a_channel_begins_to_fail_and_when_it_works_again():
    journal, heard, way = SqliteJournal.in_memory(), [], Way(PeerUnavailable("no"), None)
    clock = SteadyClock()
    notifier = Notifier(journal, {"pager": way}, clock)
    notifier.on_health = lambda *words: heard.append(words)
    for number in range(2):
        message = Message(f"m{number}", clock.now_s(), "ann", "session", "t", "x", f"i{number}", "opened")
        journal.commit(clock.now_s(), [message], {"ann": ("pager",)})
    lost = Message("m9", clock.now_s(), "nobody", "danger", "Mains off", "", "i", "opened")
    journal.commit(clock.now_s(), [lost], {})
    task = asyncio.create_task(notifier.run())
    async with asyncio.timeout(5):
        while len(heard) < 2 or journal.waiting():
            await asyncio.sleep(0.01)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert heard == [("pager", False, "no"), ("pager", True, "")]
    assert [(row["to"], row["title"]) for row in notifier.untold] == [("nobody", "Mains off")]


def test_the_page_shows_ways_and_what_could_not_be_told_as_text():
    view = web_sample.usual()
    assert messages(view) == ""
    at_s = view["at_s"]
    view["channels"] = [
        {"name": "pager", "label": "<b>ann", "waiting": 3, "failures": 4, "error": "the service answered 500",
         "last_ok_s": at_s - 60, "test": ""},
        {"name": "mail", "label": "mail", "waiting": 0, "failures": 0, "error": "", "last_ok_s": None,
         "test": "accepted"},
    ]  # fmt: skip
    view["untold"] = [{"at_s": at_s - 90, "to": "bram", "title": "Mains <i>off", "error": "given up"}]
    shown = messages(view)
    for words in ("fails", "3 waiting", "the service answered 500", "silent test: accepted", "could not tell", "bram"):
        assert words in shown
    assert "<b>ann" not in shown
    assert "<i>off" not in shown


def test_an_alarm_is_answered_by_mqtt_and_by_a_button_at_the_machines():
    """The command topic names the alarm; a mapped button takes charge of all that stands about its machine."""
    intake = Intake([], command_topic="farmwatch/command",
                    buttons=[Button("buttons/knot", None, "acknowledged", "journal")])  # fmt: skip
    for topic, body in (
        ("farmwatch/command", b'{"command": "acknowledged", "alarm": "store_degraded:journal", "by": "bram"}'),
        ("buttons/knot", b"1"),
    ):
        shop = Driver(plan(["avocet"]))
        shop.feed(StoreHealth(T0, "journal", False, "the disk is full"))
        assert shop.brain.farm.book.alarms["store_degraded:journal"].state == "unacknowledged"
        (said,) = intake.decode(Raw(T0 + 5, "mqtt", topic, body))
        shop.feed(said)
        assert shop.brain.farm.book.alarms["store_degraded:journal"].state == "acknowledged"
        assert not intake.decode(Raw(T0 + 6, "mqtt", topic, body, retained=True)), "kept by the broker: not said now"
