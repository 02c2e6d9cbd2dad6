"""Doing it: the table of refusals, confirmation, audit, rate, follow-up; real peers stand in tests/real/test_act.py."""

import asyncio

import pytest
from farm import T0

from farmwatch.actuate import Actuator
from farmwatch.machines.deeds import (
    CONFIRM_S,
    COOL_C,
    DEEDS,
    LEAST_S,
    REFUSALS,
    Action,
    Attempt,
    Command,
    Facts,
    outcome,
    refusal,
)
from farmwatch.words.errors import PeerUnavailable, Refused, StoreError

PAUSE = Action("hold", "pause", "mqtt", "works/{machine}/do", '{"id": "{serial}"}')
RESUME = Action("go on", "resume", "mqtt", "works/{machine}/do", "resume")
STOP = Action("end", "stop", "http", "http://{host}/stop")
OFF = Action("cut", "off", "mqtt", "plugs/{machine}/set", "off")
CUT_STOP = Action("cut at once", "stop", "mqtt", "plugs/{machine}/set", "off", cuts_power=True)
COLD, WARM = Facts("idle", 24.0, 2.0), Facts("printing", 210.0, 2.0)

TABLE = [
    # action, turned on, facts, seconds since the last, words of the refusal ("": it is done)
    (PAUSE, True, WARM, None, ""),
    (PAUSE, False, WARM, None, "not turned this on"),
    (PAUSE, True, WARM, LEAST_S - 0.1, "only one action"),
    (PAUSE, True, WARM, LEAST_S, ""),
    (PAUSE, True, Facts("idle"), None, "is idle"),
    (PAUSE, True, Facts("paused"), None, "is paused"),
    (PAUSE, True, Facts("unknown"), None, "not known"),
    (RESUME, True, Facts("paused", 60.0, 1.0), None, ""),
    (RESUME, True, WARM, None, "is printing"),
    (STOP, True, WARM, None, ""),
    (STOP, True, Facts("waiting"), None, "is waiting"),
    (OFF, True, COLD, None, ""),
    (OFF, True, Facts("idle", COOL_C, 1.0), None, ""),
    (OFF, True, Facts("idle", COOL_C + 0.1, 1.0), None, "let it cool"),
    (OFF, True, Facts("cooling", 180.0, 1.0), None, "let it cool"),
    (OFF, True, Facts("idle", None, None), None, "not known"),
    (OFF, True, Facts("idle", 24.0, 31.0), None, "not known"),
    (OFF, True, Facts("idle", 24.0, None), None, "not known"),
    (OFF, True, Facts("idle", float("nan"), 1.0), None, "let it cool"),
    (OFF, True, Facts("printing", 24.0, 1.0), None, "is printing"),
    (OFF, True, Facts("unknown", 24.0, 1.0), None, "not known"),
    (CUT_STOP, True, WARM, None, "let it cool"),
    (CUT_STOP, True, Facts("paused", 30.0, 1.0), None, ""),
]


@pytest.mark.parametrize(("action", "on", "facts", "since_s", "words"), TABLE)
def test_what_is_refused(action, on, facts, since_s, words):
    found = refusal(Attempt(action, on, facts, since_s))
    assert (words in found) if words else found == ""


def test_every_rule_of_the_table_refuses_something():
    for rule in REFUSALS:
        assert any(rule(Attempt(a, on, facts, since)) for a, on, facts, since, _ in TABLE), rule.__name__


def test_no_state_of_a_hot_machine_lets_its_power_be_cut():
    for state in ("unknown", *{s for deed in DEEDS.values() for s in deed.sensible}):
        for action in (OFF, CUT_STOP):
            assert refusal(Attempt(action, True, Facts(state, 50.1, 0.0), None))
            assert refusal(Attempt(action, True, Facts(state, None, 0.0), None))


class Shop:
    """An actuator whose clock, facts, sending and journal are in the test's hand."""

    def __init__(self, *, fails=None, audit_fails=False, allowed=None, state="printing", nozzle_c=210.0):
        self.order, self.fails, self.audit_fails, self.at_s = [], fails, audit_fails, T0
        self.facts = Facts(state, nozzle_c, 2.0)
        self.actuator = Actuator(
            {a.name: a for a in (PAUSE, RESUME, STOP, OFF)},
            {"gannet": ("hold", "cut")} if allowed is None else allowed,
            {"gannet": {"serial": "0042"}},
            look=lambda _machine: self.facts,
            send=self.send,
            audit=self.audit,
            clock=self,
        )

    def now_s(self):
        return self.at_s

    async def sleep_until(self, at_s):
        self.at_s = max(self.at_s, at_s)
        await asyncio.sleep(0)

    async def send(self, command):
        self.order.append(command)
        if self.fails is not None:
            raise self.fails

    async def audit(self, note):
        if self.audit_fails:
            raise StoreError("disk full")
        self.order.append(note)

    async def settled(self):
        while self.actuator._tasks:
            await asyncio.sleep(0)


async def test_asked_confirmed_written_down_sent_and_written_down():
    shop = Shop()
    proposal = shop.actuator.propose("hold", "gannet", "ann")
    assert proposal.text == "Pause gannet? It is printing now."
    assert proposal.token not in repr(proposal)
    assert shop.order == [], "nothing happens before it is confirmed"
    shop.at_s += 5
    receipt = await shop.actuator.confirm(proposal.token, "ann")
    before, command, after = shop.order[:3]
    assert before.kind == after.kind == "act"
    told = ("step", "by", "machine", "action", "deed", "id")
    assert [before.doc[key] for key in told] == ["before", "ann", "gannet", "hold", "pause", receipt.id]
    assert command == Command("mqtt", "POST", "works/gannet/do", '{"id": "0042"}', "hold")
    assert (after.doc["step"], after.doc["sent"], after.doc["error"]) == ("after", True, "")
    await shop.actuator.close()


async def test_the_machine_s_own_reports_say_whether_it_was_done():
    shop = Shop()
    receipt = await shop.actuator.confirm(shop.actuator.propose("hold", "gannet", "ann").token, "ann")
    assert receipt.shown is None
    await asyncio.sleep(0)
    assert receipt.text == "sent; gannet still reports printing"
    shop.facts = Facts("paused", 180.0, 1.0)
    await shop.settled()
    assert receipt.shown is True
    assert "gannet reports paused" in receipt.text
    assert shop.order[-1].doc["step"] == "outcome"
    assert shop.order[-1].doc["shown"] is True
    assert shop.actuator.receipt(receipt.id) is receipt is shop.actuator.last("gannet")


@pytest.mark.parametrize(("state", "words"), [("printing", "still reports printing"), ("unknown", "is not known")])
async def test_a_machine_that_does_not_do_it_is_told_of(state, words, caplog):
    shop = Shop()
    receipt = await shop.actuator.confirm(shop.actuator.propose("hold", "gannet", "ann").token, "ann")
    shop.facts = Facts(state)
    await shop.settled()
    assert receipt.shown is False
    assert words in receipt.text
    assert "go and look" in receipt.text
    assert receipt.text in caplog.text
    assert shop.order[-1].doc["shown"] is False
    assert 60.0 <= shop.at_s - T0 < 63.0, "it was given its time"


def test_what_shows_a_deed_is_no_state_in_which_it_is_asked_for():
    for name, deed in DEEDS.items():
        if name != "off":  # a machine that is off already may have its plug opened
            assert not deed.sensible & deed.shown, name
        assert outcome(name, "gannet", next(iter(deed.shown)), 0.0, 60.0)[0] is True


async def test_a_token_works_once_in_time_and_for_its_person():
    shop = Shop()
    token = shop.actuator.propose("hold", "gannet", "ann").token
    with pytest.raises(Refused, match="somebody else"):
        await shop.actuator.confirm(token, "bram")
    token = shop.actuator.propose("hold", "gannet", "ann").token
    shop.at_s = T0 + CONFIRM_S
    with pytest.raises(Refused, match="too late"):
        await shop.actuator.confirm(token, "ann")
    token = shop.actuator.propose("hold", "gannet", "ann").token
    await shop.actuator.confirm(token, "ann")
    shop.at_s += 20
    for used in (token, "guess", ""):
        with pytest.raises(Refused, match="used"):
            await shop.actuator.confirm(used, "ann")
    assert sum(isinstance(item, Command) for item in shop.order) == 1
    await shop.actuator.close()


async def test_what_has_changed_between_asking_and_confirming_counts():
    shop = Shop(state="idle", nozzle_c=24.0)
    token = shop.actuator.propose("cut", "gannet", "ann").token
    shop.facts = Facts("idle", 190.0, 1.0)
    with pytest.raises(Refused, match="let it cool"):
        await shop.actuator.confirm(token, "ann")
    assert shop.order == []


async def test_two_confirmations_at_once_are_one_action():
    shop = Shop()
    tokens = [(shop.actuator.propose("hold", "gannet", by).token, by) for by in ("ann", "bram")]
    found = await asyncio.gather(*(shop.actuator.confirm(*pair) for pair in tokens), return_exceptions=True)
    assert sum(isinstance(one, Refused) for one in found) == 1
    assert sum(isinstance(item, Command) for item in shop.order) == 1
    await shop.actuator.close()


async def test_what_cannot_be_written_down_is_not_done():
    shop = Shop(audit_fails=True)
    with pytest.raises(StoreError):
        await shop.actuator.confirm(shop.actuator.propose("hold", "gannet", "ann").token, "ann")
    assert shop.order == []
    assert shop.actuator.last("gannet") is None


@pytest.mark.parametrize(
    ("error", "sent", "words"),
    [(PeerUnavailable("no answer"), False, "no answer"), (OSError("x"), None, "not known whether")],
)
async def test_what_failed_is_written_down_too(error, sent, words):
    shop = Shop(fails=error)
    with pytest.raises(type(error)):
        await shop.actuator.confirm(shop.actuator.propose("hold", "gannet", "ann").token, "ann")
    assert shop.order[-1].doc["sent"] is sent
    assert words in shop.order[-1].doc["error"]


def test_off_unless_turned_on():
    shop = Shop(allowed={})
    for action in ("hold", "go on", "end", "cut", *DEEDS):
        for state in ("printing", "paused", "idle"):
            shop.facts = Facts(state, 20.0, 1.0)
            with pytest.raises(Refused, match="not turned this on"):
                shop.actuator.propose(action, "gannet", "ann")
            with pytest.raises(Refused, match="not turned this on"):
                shop.actuator.propose(action, "dodo", "ann")
    with pytest.raises(Refused, match="no action"):
        shop.actuator.propose("explode", "gannet", "ann")


def test_a_deed_stands_for_the_one_action_that_does_it():
    shop = Shop()
    assert shop.actuator.propose("pause", "gannet", "ann").text.startswith("Pause gannet?")
    with pytest.raises(Refused, match="not turned this on"):
        shop.actuator.propose("resume", "gannet", "ann")


def test_a_template_without_its_parameter_is_refused_before_anything_is_asked():
    shop = Shop(allowed={"curlew": ("hold",)})
    with pytest.raises(Refused, match="serial"):
        shop.actuator.propose("hold", "curlew", "ann")


def test_proposals_are_bounded():
    shop = Shop()
    for _ in range(500):
        shop.actuator.propose("hold", "gannet", "ann")
    assert len(shop.actuator._waiting) <= 100


@pytest.mark.parametrize("wrong", [{"deed": "dance"}, {"via": "shout"}, {"method": "DELETE"}])
def test_a_template_that_makes_no_sense(wrong):
    good = {"name": "x", "deed": "pause", "via": "http", "address": "http://127.0.0.1/"}
    with pytest.raises(ValueError, match="action 'x'"):
        Action(**good | wrong)


def test_nobody_but_a_person_can_start_it():
    """The pure rooms and the daemon do not know of it: no rule, timer or alarm can act."""
    from test_house import imports, modules

    knows = {name for name, text in modules().items() for other, _ in imports(name, text) if "actuate" in other}
    assert knows <= {"assemble"}
