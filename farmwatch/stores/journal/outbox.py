"""The outbox's rows: how a message joins it, waits, and leaves it. Functions over a connection in a transaction.

A message has one row a channel of its person, ranked in the person's order. The row of a later rank waits until
those before it have failed for long enough (the notifier's business); the first channel that takes the message
takes the others' rows out with it. `maybe` is set, durably, before each call and unset by a clear refusal: a row
that has it may have reached the phone already, and what is sent again says so.
"""

import dataclasses
import json
import sqlite3
from collections.abc import Sequence
from typing import Any

from farmwatch.ports import OutboxRow
from farmwatch.stores.journal import salvage
from farmwatch.stores.journal.schema import crc_of
from farmwatch.words.model import Message

MESSAGE_FIELDS = tuple(row.name for row in dataclasses.fields(Message))
DUE = (
    "SELECT o.id, m.doc, o.channel, o.attempts, o.next_try_s, o.created_s, o.rank, o.maybe FROM outbox o"
    " JOIN message m ON m.id = o.message WHERE o.next_try_s <= ? ORDER BY o.created_s, o.num LIMIT ?"
)
WAITING = (
    "SELECT o.id, m.doc, o.channel, o.attempts, o.next_try_s, o.created_s, o.error, o.rank FROM outbox o"
    " JOIN message m ON m.id = o.message ORDER BY o.created_s, o.num"
)
WAITING_NAMES = ("channel", "attempts", "next_try_s", "created_s", "error", "rank")


def row_of(found: tuple[Any, ...]) -> OutboxRow:
    """A row of `DUE`."""
    row, doc, channel, attempts, next_try_s, created_s, rank, maybe = found
    return OutboxRow(row, message_of(doc), channel, attempts, next_try_s, created_s, rank, bool(maybe))


def shown(found: tuple[Any, ...]) -> dict[str, Any]:
    """A row of `WAITING`."""
    row, doc, *rest = found
    message = message_of(doc)
    return {"id": row, "title": message.title, "to": message.to, **dict(zip(WAITING_NAMES, rest, strict=True))}


def queue(db: sqlite3.Connection, at_s: float, message: Message, channels: tuple[str, ...]) -> None:
    """A message joins: one row a channel, the first one first; known ones are left alone."""
    message_id = plain(message.id)
    doc = dump(dataclasses.asdict(message))
    known = db.execute(
        "INSERT OR IGNORE INTO message (id, at_s, doc, crc) VALUES (?, ?, ?, ?)",
        (message_id, at_s, doc, crc_of(message_id, doc)),
    )
    if known.rowcount < 1:
        return
    names = ("id", "to", "priority", "title", "text", "incident", "step")
    note(db, message.at_s, "message", {name: getattr(message, name) for name in names})
    for channel, rank in ranked(message, channels):
        db.execute(
            "INSERT OR IGNORE INTO outbox (id, message, channel, attempts, next_try_s, created_s, error, rank)"
            " VALUES (?, ?, ?, 0, ?, ?, '', ?)",
            (row_id(message_id, channel), message_id, plain(channel), at_s, at_s, rank),
        )
    if not channels:
        undelivered(db, at_s, message_id, "", f"{message.to} has no channel", untold=True)


def ranked(message: Message, channels: tuple[str, ...]) -> list[tuple[str, int]]:
    """The person's channels with their ranks: those that the message names are all first, the others follow.

    A message that names none, or only such as cannot be had, takes the person's own order.
    """
    named = [channel for channel in channels if channel in message.by]
    others = [channel for channel in channels if channel not in named]
    ranks = [(channel, 0) for channel in named]
    return ranks + [(channel, rank) for rank, channel in enumerate(others, start=1 if named else 0)]


def begun(db: sqlite3.Connection, rows: Sequence[str]) -> None:
    """A call begins."""
    db.executemany("UPDATE outbox SET maybe = 1 WHERE id = ?", [(row,) for row in rows])


def put_off(db: sqlite3.Connection, row: str, next_try_s: float, error: str, *, maybe: bool) -> None:
    """A call failed and is to be tried again."""
    db.execute(
        "UPDATE outbox SET attempts = attempts + 1, next_try_s = ?, error = ?, maybe = ? WHERE id = ?",
        (next_try_s, error, int(maybe), row),
    )


def finish(db: sqlite3.Connection, row: str, at_s: float, took_s: float, *, ok: bool, error: str) -> None:
    """A row leaves: accepted, which takes the person's other channels with it, or given up."""
    sql = "DELETE FROM outbox WHERE id = ? RETURNING message, channel, attempts, rank"
    gone = db.execute(sql, (row,)).fetchone()
    if gone is None:
        if ok:
            sql = "UPDATE sent SET ok = 1, error = '', at_s = ?, took_s = ? WHERE id = ? AND ok = 0"
            db.execute(sql, (at_s, took_s, row))
        return
    message, channel, attempts, rank = gone
    salvage.fill(db, "sent", [(row, message, channel, at_s, took_s, attempts + 1, int(ok), plain(error))])
    if ok:
        _told(db, at_s, message, channel, rank)
    else:
        others = "SELECT 1 FROM outbox WHERE message = ?1 UNION ALL SELECT 1 FROM sent WHERE message = ?1 AND ok = 1"
        untold = db.execute(others, (message,)).fetchone() is None
        undelivered(db, at_s, message, channel, error, untold=untold)


def _told(db: sqlite3.Connection, at_s: float, message: str, channel: str, rank: int) -> None:
    """The person has been told: channels of other ranks need not; those that tried stay on record."""
    sql = "DELETE FROM outbox WHERE message = ? AND rank <> ? RETURNING id, channel, attempts, maybe"
    others = db.execute(sql, (message, rank)).fetchall()
    rows: list[tuple[Any, ...]] = [
        (row, message, other, at_s, 0.0, attempts, 0, f"told by {channel} instead")
        for row, other, attempts, maybe in others
        if attempts or maybe
    ]
    salvage.fill(db, "sent", rows)


def undelivered(
    db: sqlite3.Connection, at_s: float, message_id: str, channel: str, error: str, *, untold: bool
) -> None:
    """Put on record that a channel could not tell; `untold`: and that no other did or still may."""
    found = db.execute("SELECT doc FROM message WHERE id = ?", (message_id,)).fetchone()
    message = message_of(found[0]) if found is not None else None
    doc = {"message": message_id, "channel": channel, "title": message.title if message else "", "error": error}
    note(db, at_s, "undelivered", doc | {"to": message.to if message else "", "untold": untold})


def note(db: sqlite3.Connection, at_s: float, kind: str, doc: dict[str, Any]) -> None:
    """A line of history."""
    db.execute("INSERT INTO note (at_s, kind, doc) VALUES (?, ?, ?)", (at_s, kind, dump(doc)))


def row_id(message_id: str, channel: str) -> str:
    """Idempotence key of one message for one channel."""
    return plain(f"{message_id}|{channel}")


def plain(text: str) -> str:
    """Text that SQLite can hold: lone surrogates become question marks."""
    return text.encode("utf-8", "replace").decode("utf-8")


def dump(doc: dict[str, Any]) -> str:
    """A document as text."""
    return json.dumps(doc, separators=(",", ":"))


def doc_of(text: str) -> dict[str, Any]:
    """A note's document; what has rotted on the card shows as such and hides nothing else."""
    try:
        doc = json.loads(text)
    except ValueError:
        doc = None
    return doc if isinstance(doc, dict) else {"unreadable": text}


def message_of(doc: str) -> Message:
    """A message as it was queued; fields of other versions are left out."""
    values = json.loads(doc)
    known = {name: values[name] for name in MESSAGE_FIELDS if name in values}
    known["actions"] = tuple((str(a), str(b)) for a, b in known.get("actions", ()))
    known["rules"] = tuple(str(name) for name in known.get("rules", ()))
    known["by"] = tuple(str(name) for name in known.get("by", ()))
    return Message(**known)
