"""What piled up while a channel could not be reached: one message with the original times.

`collapse` looks at the rows of the outbox and says which may go together. It changes nothing: who delivers a
`Parcel` marks every row that it covers as delivered, or every one as failed.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple, Protocol

from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import TITLE_MAX, TOTAL_MAX, clock, fit
from farmwatch.ports import OutboxRow

OLD_S = 60.0
"""What is younger than this has not piled up: it goes as it is."""
RANK = {"digest": 0, "session": 1, "danger": 2}


class Parcel(NamedTuple):
    """A row to deliver, and the ids of all rows that it stands for (its own among them)."""

    row: OutboxRow
    covers: tuple[str, ...]


def collapse(rows: Sequence[OutboxRow], now_s: float, timezone: str = "UTC") -> list[Parcel]:
    """Rows of any channels and people as parcels, in the order of their first rows.

    Two or more old rows of one person on one channel become one message; a single one stays as it is, and so does a
    danger that is not over: its words are needed whole. Of an incident that opened and closed meanwhile one line stays.
    Rows whose attempts are 0 and that are younger than a minute are never touched.
    """
    piles: dict[tuple[str, str], list[OutboxRow]] = {}
    order: list[tuple[str, str] | OutboxRow] = []
    closed = {(row.channel, row.message.to, row.message.incident) for row in rows if row.message.step == "clear"}
    for row in rows:
        message, pile = row.message, (row.channel, row.message.to)
        standing = message.priority == "danger" and (*pile, message.incident) not in closed
        if standing or now_s - row.created_s < OLD_S:
            order.append(row)
            continue
        if pile not in piles:
            piles[pile] = []
            order.append(pile)
        piles[pile].append(row)
    found = []
    for item in order:
        if isinstance(item, OutboxRow):
            found.append(Parcel(item, (item.id,)))
        elif len(piles[item]) == 1:
            found.append(Parcel(piles[item][0], (piles[item][0].id,)))
        else:
            found.append(_one(piles[item], now_s, timezone))
    return found


def _one(rows: list[OutboxRow], now_s: float, timezone: str) -> Parcel:
    rows = sorted(rows, key=lambda row: row.created_s)
    lines = story([row.message for row in rows], timezone)
    first, last = rows[0], rows[-1]
    title = fit(say("piled_title", number=len(lines), since=clock(first.message.at_s, timezone)), TITLE_MAX)
    actions = [action for row in rows for action in row.message.actions]
    message = replace(
        last.message,
        id=f"{last.message.id}+{len(rows) - 1}",
        at_s=now_s,
        priority=max((row.message.priority for row in rows), key=RANK.__getitem__),
        title=title,
        text=enumerate_lines(lines, TOTAL_MAX - len(title) - 1),
        step="note",
        actions=tuple(dict.fromkeys(actions))[:3],
    )
    row = last._replace(message=message, attempts=min(row.attempts for row in rows), created_s=first.created_s)
    return Parcel(row, tuple(row.id for row in rows))


class Told(Protocol):
    """What a line can be made of: a message, or a letter that is not one yet."""

    @property
    def at_s(self) -> float:
        """When it was written."""
        ...

    @property
    def incident(self) -> str:
        """What it belongs to."""
        ...

    @property
    def step(self) -> str:
        """Which word of it."""
        ...

    @property
    def title(self) -> str:
        """What and where."""
        ...


def story(messages: Sequence[Told], timezone: str) -> list[str]:
    """A line for each incident: when and what; of one that is over, its last word, with the time of its first."""
    last: dict[str, Told] = {}
    began: dict[str, float] = {}
    for message in sorted(messages, key=lambda m: m.at_s):
        began.setdefault(message.incident, message.at_s)
        last[message.incident] = message
    return [
        f"{clock(began[incident], timezone)} {message.title}"
        if message.step != "clear" or began[incident] == message.at_s
        else f"{clock(began[incident], timezone)}-{clock(message.at_s, timezone)} {message.title}"
        for incident, message in sorted(last.items(), key=lambda item: began[item[0]])
    ]


def enumerate_lines(lines: Sequence[str], limit: int) -> str:
    """As many lines as fit, each cut to what is fair; what is left out is counted.

    >>> enumerate_lines(["08:00 a", "09:00 b"], 40), enumerate_lines(["x" * 30] * 9, 80)
    ('08:00 a. 09:00 b.', 'xxxxxxxxxxxxxxxxxxxxxxxxxxxxxx. xxxxxxxxxxxxxxxxxxxxxxxxxxxxxx. And 7 more.')
    """
    whole = " ".join(f"{line.rstrip('.')}." for line in lines)
    if len(whole) <= limit:
        return whole
    room = limit - len(say("and_more", number=len(lines))) - 1
    taken: list[str] = []
    for line in lines:
        part = f"{fit(line.rstrip('.'), 60)}."
        if sum(len(p) + 1 for p in taken) + len(part) > room:
            break
        taken.append(part)
    return " ".join([*taken, say("and_more", number=len(lines) - len(taken))])
