"""What piled up while a channel was away becomes one message; nothing of it is lost."""

import itertools
import random

from farmwatch.alarms.collapse import OLD_S, collapse
from farmwatch.alarms.texts import TEXTS, facts_of, say
from farmwatch.ports import OutboxRow
from farmwatch.words.model import Message

T0 = 1764057600.0  # 08:00 in London


def row(number, *, at=None, to="ann", channel="phone", priority="session", incident=None, step="opened", title=None,
        attempts=3):  # fmt: skip
    at = T0 + 60 * number if at is None else at
    message = Message(f"m{number}.{to}", at, to, priority, title or f"Thing {number}", "Text.",
                      incident or f"i{number}", step, (("acknowledged", f"a{number}"),))  # fmt: skip
    return OutboxRow(f"m{number}.{to}|{channel}", message, channel, attempts, at + 600, at)


def test_old_rows_of_one_person_and_channel_become_one_with_the_original_times():
    rows = [row(1), row(2, title="Knot reports a fault"), row(3)]
    (parcel,) = collapse(rows, T0 + 7200, "Europe/London")
    assert parcel.covers == tuple(r.id for r in rows)
    message = parcel.row.message
    assert message.title == "While you could not be reached: 3 things since 08:01"
    assert message.text == "08:01 Thing 1. 08:02 Knot reports a fault. 08:03 Thing 3."
    assert message.actions == (("acknowledged", "a1"), ("acknowledged", "a2"), ("acknowledged", "a3"))
    assert parcel.row.channel == "phone"


def test_what_is_over_is_one_line_with_both_times():
    rows = [row(1, incident="x", title="MQTT broker lost"), row(9, incident="x", step="clear", title="Broker back"),
            row(4, incident="y")]  # fmt: skip
    (parcel,) = collapse(rows, T0 + 7200, "Europe/London")
    assert parcel.row.message.text == "08:01-08:09 Broker back. 08:04 Thing 4."


def test_young_rows_a_single_row_and_a_danger_that_stands_are_left_alone():
    young = row(1, at=T0 + 7200 - OLD_S + 1, attempts=0)
    danger = row(2, priority="danger")
    single = row(3)
    assert [p.row for p in collapse([young, danger, single], T0 + 7200)] == [young, danger, single]
    over = [row(2, priority="danger", incident="x"), row(5, incident="x", step="clear")]
    (parcel,) = collapse(over, T0 + 7200)
    assert parcel.row.message.priority == "danger"


def test_nothing_is_lost_and_nobody_gets_another_s():
    """Property: each row is covered exactly once, by a parcel of its own person and channel, within the lengths."""
    rng = random.Random(5)
    for _ in range(300):
        rows = [
            row(n, at=T0 + rng.uniform(0, 7200), to=rng.choice(["ann", "bram"]), channel=rng.choice(["a", "b"]),
                priority=rng.choice(["danger", "session", "digest"]), incident=rng.choice(["x", "y", "z", f"i{n}"]),
                step=rng.choice(["opened", "more", "clear"]), title="w" * rng.randrange(1, 61),
                attempts=rng.randrange(3))
            for n in range(rng.randrange(12))
        ]  # fmt: skip
        parcels = collapse(rows, T0 + 7200)
        assert sorted(itertools.chain(*(p.covers for p in parcels))) == sorted(r.id for r in rows)
        by_id = {r.id: r for r in rows}
        for parcel in parcels:
            assert parcel.row.id in parcel.covers
            for covered in parcel.covers:
                assert by_id[covered].channel == parcel.row.channel
                assert by_id[covered].message.to == parcel.row.message.to
            assert len(parcel.row.message.title) <= 60
            assert len(parcel.row.message.title) + 1 + len(parcel.row.message.text) <= 240
            if len(parcel.covers) > 1:
                assert parcel.row.message.id not in {r.message.id for r in rows}


def test_the_same_pile_gives_the_same_message():
    """A second try after a crash has the same id, unless the pile has grown."""
    rows = [row(1), row(2)]
    first, again = collapse(rows, T0 + 7200)[0], collapse(rows, T0 + 7300)[0]
    assert first.row.message.id == again.row.message.id
    assert collapse([*rows, row(3)], T0 + 7300)[0].row.message.id != first.row.message.id


def test_every_template_can_be_filled():
    for key in TEXTS:
        for number in (0, 1, 7):
            facts = dict.fromkeys(facts_of(key), "x") | {"number": number}
            assert "{" not in say(key, **(facts | {"all": number, "done": 0}))
