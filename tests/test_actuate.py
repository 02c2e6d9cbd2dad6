"""Doing it: the table of refusals, confirmation, audit, rate; and sending to real peers in tests/real."""

import pytest
from farm import T0

from farmwatch.actuate import (
    CONFIRM_S,
    COOL_C,
    DEEDS,
    LEAST_S,
    REFUSALS,
    Action,
    Actuator,
    Attempt,
    Command,
    Facts,
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
    for state in ("unknown", *{s for states in DEEDS.values() for s in states}):
        for action in (OFF, CUT_STOP):
            assert refusal(Attempt(action, True, Facts(state, 50.1, 0.0), None))
            assert refusal(Attempt(action, True, Facts(state, None, 0.0), None))


class Shop:
    def __init__(self, *, fails=None, audit_fails=False, allowed=None):
        self.order, self.fails, self.audit_fails = [], fails, audit_fails
        self.actuator = Actuator(
            {a.name: a for a in (PAUSE, RESUME, STOP, OFF)},
            {"gannet": ("hold", "cut")} if allowed is None else allowed,
            {"gannet": {"serial": "0042"}},
            self.send,
            self.audit,
        )

    async def send(self, command):
        self.order.append(command)
        if self.fails is not None:
            raise self.fails

    async def audit(self, note):
        if self.audit_fails:
            raise StoreError("disk full")
        self.order.append(note)


async def test_asked_confirmed_written_down_sent_and_written_down():
    shop = Shop()
    proposal = shop.actuator.propose("hold", "gannet", "ann", WARM, T0)
    assert "Pause gannet?" in proposal.text
    assert proposal.token not in repr(proposal)
    assert shop.order == [], "nothing happens before it is confirmed"
    await shop.actuator.confirm(proposal.token, "ann", WARM, T0 + 5)
    before, command, after = shop.order
    assert (before.kind, before.doc["by"], before.doc["machine"], before.doc["deed"]) == (
        "said",
        "ann",
        "gannet",
        "pause",
    )
    assert command == Command("mqtt", "POST", "works/gannet/do", '{"id": "0042"}')
    assert (after.kind, after.doc["sent"], after.doc["error"]) == ("done", True, "")


async def test_a_token_works_once_in_time_and_for_its_person():
    shop = Shop()
    token = shop.actuator.propose("hold", "gannet", "ann", WARM, T0).token
    with pytest.raises(Refused, match="somebody else"):
        await shop.actuator.confirm(token, "bram", WARM, T0 + 1)
    token = shop.actuator.propose("hold", "gannet", "ann", WARM, T0).token
    with pytest.raises(Refused, match="too late"):
        await shop.actuator.confirm(token, "ann", WARM, T0 + CONFIRM_S)
    token = shop.actuator.propose("hold", "gannet", "ann", WARM, T0).token
    await shop.actuator.confirm(token, "ann", WARM, T0 + 1)
    with pytest.raises(Refused, match="used"):
        await shop.actuator.confirm(token, "ann", WARM, T0 + 20)
    with pytest.raises(Refused):
        await shop.actuator.confirm("guess", "ann", WARM, T0 + 20)
    assert sum(isinstance(item, Command) for item in shop.order) == 1


async def test_what_has_changed_between_asking_and_confirming_counts():
    shop = Shop()
    token = shop.actuator.propose("cut", "gannet", "ann", COLD, T0).token
    with pytest.raises(Refused, match="let it cool"):
        await shop.actuator.confirm(token, "ann", Facts("idle", 190.0, 1.0), T0 + 5)
    assert shop.order == []


async def test_two_confirmations_at_once_are_one_action():
    shop = Shop()
    one = shop.actuator.propose("hold", "gannet", "ann", WARM, T0).token
    two = shop.actuator.propose("hold", "gannet", "bram", WARM, T0).token
    await shop.actuator.confirm(one, "ann", WARM, T0 + 1)
    with pytest.raises(Refused, match="only one action"):
        await shop.actuator.confirm(two, "bram", WARM, T0 + 2)


async def test_what_cannot_be_written_down_is_not_done():
    shop = Shop(audit_fails=True)
    token = shop.actuator.propose("hold", "gannet", "ann", WARM, T0).token
    with pytest.raises(StoreError):
        await shop.actuator.confirm(token, "ann", WARM, T0 + 1)
    assert shop.order == []


@pytest.mark.parametrize(
    ("error", "words"), [(PeerUnavailable("no answer"), "no answer"), (OSError("x"), "not known whether")]
)
async def test_what_failed_is_written_down_too(error, words):
    shop = Shop(fails=error)
    token = shop.actuator.propose("hold", "gannet", "ann", WARM, T0).token
    with pytest.raises(type(error)):
        await shop.actuator.confirm(token, "ann", WARM, T0 + 1)
    assert shop.order[-1].doc["sent"] is False
    assert words in shop.order[-1].doc["error"]


def test_off_unless_turned_on():
    shop = Shop(allowed={})
    for action in ("hold", "go on", "end", "cut"):
        for state in ("printing", "paused", "idle"):
            with pytest.raises(Refused, match="not turned this on"):
                shop.actuator.propose(action, "gannet", "ann", Facts(state, 20.0, 1.0), T0)
    with pytest.raises(Refused, match="no action"):
        shop.actuator.propose("explode", "gannet", "ann", WARM, T0)


def test_a_template_without_its_parameter_is_refused_before_anything_is_asked():
    shop = Shop(allowed={"curlew": ("hold",)})
    with pytest.raises(Refused, match="serial"):
        shop.actuator.propose("hold", "curlew", "ann", WARM, T0)


@pytest.mark.parametrize("wrong", [{"deed": "dance"}, {"via": "shout"}, {"method": "DELETE"}])
def test_a_template_that_makes_no_sense(wrong):
    good = {"name": "x", "deed": "pause", "via": "http", "address": "http://127.0.0.1/"}
    with pytest.raises(ValueError, match="action 'x'"):
        Action(**good | wrong)


def test_nobody_but_a_person_can_start_it():
    """The pure rooms and the daemon do not know of it: no rule, timer or alarm can act."""
    from test_house import imports, modules

    knows = {name for name, text in modules().items() for other, _ in imports(name, text) if "actuate" in other}
    assert knows <= {"assemble", "cli", "web.server"}
