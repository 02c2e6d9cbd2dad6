"""The contract of ports.Journal, over every adapter: on disk, in memory, guarded, and guarded with a dead disk."""

import random

import pytest

from farmwatch.stores.journal import JournalGuard, SqliteJournal
from farmwatch.words.model import Keep, Message, Note

PHONES = {"ann": ("pager", "mail"), "bram": ("pager",)}


def message(number, to="ann", **changes):
    fields = {
        "id": f"bed-{number}.opened.1.{to}",
        "at_s": 1000.0 + number,
        "to": to,
        "priority": "session",
        "title": f"Clear bed: avocet ({number})",
        "text": "Done 13:58.",
        "incident": f"bed-{number}",
        "step": "opened",
        "actions": (("cleared", "avocet"),),
    }
    return Message(**{**fields, **changes})


def dead_disk(folder):
    (folder / "file").write_text("a file where the folder should be")
    return JournalGuard(folder / "file" / "journal.db")


ADAPTERS = {
    "disk": lambda folder: SqliteJournal.open(folder / "journal.db"),
    "memory": lambda folder: SqliteJournal.in_memory(),
    "guard": lambda folder: JournalGuard(folder / "journal.db", reserve_bytes=4096),
    "guard without a disk": dead_disk,
}


@pytest.fixture(params=ADAPTERS)
def journal(request, tmp_path):
    made = ADAPTERS[request.param](tmp_path)
    yield made
    made.close()


def test_a_new_journal_is_empty(journal):
    assert journal.facts() == []
    assert journal.due(1e12) == []
    assert journal.history() == []


def test_facts_are_kept_replaced_and_forgotten(journal):
    doc = {"state": "printing", "since_s": 12.5, "zero": 0, "none": None, "words": ["ä", "\ud800"]}
    journal.commit(1.0, [Keep("machine", "avocet", {"state": "idle"}), Keep("machine", "bittern", {})], {})
    journal.commit(2.0, [Keep("machine", "avocet", doc)], {})
    assert journal.facts() == [("machine", "avocet", doc), ("machine", "bittern", {})]
    journal.commit(3.0, [Keep("machine", "bittern", None), Keep("machine", "nobody", None)], {})
    assert journal.facts() == [("machine", "avocet", doc)]


def test_one_outbox_row_a_channel_and_the_message_comes_back_whole(journal):
    sent = message(1)
    journal.commit(1000.0, [sent, message(2, to="bram")], PHONES)
    rows = journal.due(1000.0)
    assert [(row.message, row.channel, row.attempts) for row in rows] == [
        (sent, "pager", 0),
        (sent, "mail", 0),
        (message(2, to="bram"), "pager", 0),
    ]
    assert len({row.id for row in rows}) == 3
    assert journal.due(999.9) == []
    assert len(journal.due(1000.0, limit=2)) == 2


def test_a_known_message_is_not_queued_again_even_when_delivered(journal):
    journal.commit(1000.0, [message(1, to="bram")], PHONES)
    journal.commit(1001.0, [message(1, to="bram")], PHONES)
    (row,) = journal.due(2000.0)
    journal.delivered(row.id, 1002.0, 0.5)
    journal.commit(1003.0, [message(1, to="bram")], PHONES)
    assert journal.due(1e12) == []
    assert len(journal.history("message")) == 1


def test_a_failure_is_tried_again_later_and_at_last_given_up_on_record(journal):
    journal.commit(1000.0, [message(1, to="bram")], PHONES)
    (row,) = journal.due(1000.0)
    journal.failed(row.id, 1001.0, 1010.0, "the service answered 500")
    assert journal.due(1009.9) == []
    (row,) = journal.due(1010.0)
    assert (row.attempts, row.created_s, row.next_try_s) == (1, 1000.0, 1010.0)
    assert journal.waiting()[0]["error"] == "the service answered 500"
    journal.failed(row.id, 90_000.0, None, "no answer for 24 hours")
    assert journal.due(1e12) == []
    (note,) = journal.history("undelivered")
    assert (note["channel"], note["title"], note["error"]) == ("pager", message(1).title, "no answer for 24 hours")


def test_a_success_after_giving_up_corrects_the_record(journal):
    journal.commit(1000.0, [message(1, to="bram")], PHONES)
    (row,) = journal.due(1000.0)
    journal.failed(row.id, 1001.0, None, "given up")
    journal.delivered(row.id, 1002.0, 11.0)
    journal.delivered("no such row", 1002.0, 11.0)
    assert [(s["id"], s["ok"]) for s in journal.sent()] == [(row.id, True)]


def test_a_person_without_a_channel_is_on_record(journal):
    journal.commit(1000.0, [message(1, to="nobody")], PHONES)
    assert journal.due(1e12) == []
    (note,) = journal.history("undelivered")
    assert "nobody has no channel" in note["error"]


def test_history_newest_first_by_kind_since_and_limit(journal):
    notes = [Note(float(n), "state" if n % 2 else "alarm", {"n": n}) for n in range(10)]
    journal.commit(10.0, notes, {})
    assert [row["n"] for row in journal.history()] == list(range(9, -1, -1))
    assert [row["n"] for row in journal.history("state", since_s=3.0)] == [9, 7, 5, 3]
    assert [row["n"] for row in journal.history("alarm", limit=2)] == [8, 6]
    assert journal.history("alarm", limit=1) == [{"n": 8, "kind": "alarm", "at_s": 8.0}]
    assert [row["n"] for row in journal.history(since_s=2.0, until_s=4.0)] == [4, 3, 2]
    assert [row["n"] for row in journal.history("state", until_s=6.5, limit=2)] == [5, 3]


def test_history_of_one_machine_subject_or_place(journal):
    about = [("state", "machine"), ("alarm", "subject"), ("outage", "place")]
    notes = [Note(float(n), *((kind, {key: name, "n": n}))) for n, ((kind, key), name) in enumerate(
        (pair, name) for name in ("knot", "heron") for pair in about)]  # fmt: skip
    journal.commit(10.0, notes, {})
    assert [row["n"] for row in journal.history(about="heron")] == [5, 4, 3]
    assert [row["n"] for row in journal.history("alarm", about="knot")] == [1]
    assert journal.history(about="' OR 1 --") == []


def test_what_comes_every_minute_is_not_kept_in_the_journal(journal):
    journal.commit(1.0, [Note(1.0, kind, {}) for kind in ("load", "estimate", "backup", "energy")], {})
    assert [row["kind"] for row in journal.history()] == ["energy"]


def test_a_step_that_cannot_be_written_whole_leaves_nothing(journal):
    with pytest.raises(TypeError):
        journal.commit(1.0, [Keep("machine", "avocet", {}), Keep("machine", "bittern", {"bad": {1j}})], {})
    assert journal.facts() == []
    journal.commit(2.0, [Keep("machine", "curlew", {})], {})
    assert len(journal.facts()) == 1


def test_any_order_of_calls_equals_a_plain_model(journal):
    rng = random.Random(7)
    facts, waiting = {}, {}
    for step in range(150):
        now_s = 1000.0 + step
        if rng.random() < 0.6:
            key, value = rng.choice("abc"), rng.choice([None, {"v": step}])
            effects = [Keep("machine", key, value)]
            facts.pop(key, None) if value is None else facts.update({key: value})
            number = rng.randrange(60)
            effects.append(message(number, to="bram", at_s=5.0))
            journal.commit(now_s, effects, PHONES)
            waiting.setdefault(number, 0)
        else:
            for row in journal.due(now_s, limit=3):
                number = int(row.message.incident.split("-")[1])
                assert row.attempts == waiting[number]
                if rng.random() < 0.5:
                    journal.delivered(row.id, now_s, 0.1)
                    waiting[number] = -1
                else:
                    journal.failed(row.id, now_s, now_s + 5, "no")
                    waiting[number] += 1
        assert {k: d for _, k, d in journal.facts()} == facts
    left = {int(r.message.incident.split("-")[1]): r.attempts for r in journal.due(1e12, limit=1000)}
    assert left == {n: a for n, a in waiting.items() if a >= 0}
