"""PURE: two collectors of one site, of which one speaks. Who leads, who may send, what the other has sent.

No protocol of our own: a retained topic names the leader and a term that only grows, beats come back through the
broker, the broker's last will tells of a death, and each publishes what it has sent. Whoever leads may send only while
its own beats come back (a lease shorter than the other's patience), so that one that was frozen or cut off holds its
messages until it knows better. `now_s` is a steady clock's; it must go on while the process is stopped.
"""

import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from farmwatch.words.model import Message

SETTLE_S = 2.0
"""After a connection stands: time for the retained topics to come."""
BEATS = 5
LEASE = 0.6
"""Beats in the other's patience; share of it for which an echo lets us send."""
ALONE = 8.0
"""So many times the patience without any broker, whoever led last speaks again: nobody else could be heard either."""
NOBODY = 3.0
"""So many times the patience a standby leaves a primary that is there to speak first."""
SAME_S = 180.0
"""Two collectors open one incident within this time of each other, or it is not the same."""
LEFT_S = 3600.0
"""What the leader has not sent by then it has decided against; danger excepted."""
KEPT = 200
STAMP = re.compile(r"-(\d{8}T\d{6})(?=\.|$)|\.(\d{9,11})(?=\.|$)")


class Publish(NamedTuple):
    """What the pair wants published below its topic."""

    leaf: str
    doc: dict[str, Any]
    retain: bool


@dataclass(slots=True)
class Mark:
    """One message that a collector has begun to send, or sent. `at_s` is the message's own time, epoch seconds."""

    key: str
    at_s: float
    done: bool


def key_of(message: Message, channel: str) -> str:
    """What is the same of one message at both collectors: all but the moment at which it was written."""
    name = STAMP.sub("", message.id)
    words = re.sub(r"\d+", "#", message.title)
    return f"{name}|{channel}|{zlib.crc32(words.encode()):08x}"


class Pair:
    """One of the two; `me` and `peer` are their MQTT client identifiers."""

    def __init__(self, me: str, peer: str, *, primary: bool, fresh_s: float, began_s: float) -> None:
        self.me, self.peer, self.primary, self.fresh_s = me, peer, primary, fresh_s
        self.leader = ""
        self.term = 0
        self.busy = False  # a message is being sent: no handing over meanwhile
        self._down_s: float | None = began_s
        self._up_s = began_s
        self._echo_s: float | None = None
        self._peer_s: float | None = None
        self._peer_since_s = began_s
        self._beat_s = self._claim_s = float("-inf")
        self._tick_s = began_s
        self._gone = False
        self._beat_n = 0
        self._mine: list[Mark] = []
        self._theirs: list[Mark] = []
        self._used: set[tuple[str, float]] = set()

    # ---- what is heard ---------------------------------------------------------------------------------------

    def link(self, now_s: float, *, up: bool) -> None:
        """The broker has accepted us, or is gone."""
        self._echo_s = None
        if up:
            self._up_s, self._down_s, self._peer_s = now_s, None, None
        elif self._down_s is None:
            self._down_s = now_s

    def will(self, state: str) -> None:
        """The peer's status topic: the broker says `lost`, the peer itself `offline`."""
        if state in ("lost", "offline"):
            self._peer_s = None
            self._gone = True

    def heard(self, leaf: str, doc: Mapping[str, Any], now_s: float, *, retained: bool = False) -> None:
        """A message below our topic; what is no such message changes nothing."""
        self._awake(now_s)
        if leaf == "leader":
            term, leader = doc.get("term"), doc.get("leader")
            if isinstance(term, int) and isinstance(leader, str) and term > self.term:
                self.term, self.leader = term, leader
        elif leaf == f"beat/{self.me}" and not retained:
            if doc.get("n") == self._beat_n:  # an echo of long ago proves nothing
                self._echo_s = self._beat_s
        elif leaf == f"beat/{self.peer}" and not retained:
            if self._peer_s is None or now_s - self._peer_s > self.fresh_s:
                self._peer_since_s = now_s
            self._peer_s, self._gone = now_s, False
        elif leaf == f"sent/{self.peer}":
            self._theirs = _marks(doc)
        elif leaf == f"sent/{self.me}" and retained and not self._mine:
            self._mine = _marks(doc)

    # ---- time ------------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> list[Publish]:
        """What to publish now; to be called every second or so."""
        self._awake(now_s)
        if self._down_s is not None:
            return []
        found: list[Publish] = []
        if now_s - self._beat_s >= self.fresh_s / BEATS:
            self._beat_s = now_s
            self._beat_n += 1
            found.append(Publish(f"beat/{self.me}", {"n": self._beat_n, "term": self.term}, retain=False))
        if now_s - self._up_s < SETTLE_S:
            return found
        if self._should_claim(now_s) and now_s - self._claim_s >= self.fresh_s / BEATS:
            self._claim_s = now_s
            found.append(self._leads(self.me))
        elif self.leader == self.me and not self.primary and not self.busy and self._peer_back(now_s):
            found.append(self._leads(self.peer))
            self.leader, self.term = self.peer, self.term + 1
        return found

    def _leads(self, who: str) -> Publish:
        return Publish("leader", {"leader": who, "term": self.term + 1}, retain=True)

    def _awake(self, now_s: float) -> None:
        """After a standstill of our own: nothing that was known of the others holds."""
        if now_s - self._tick_s > self.fresh_s * LEASE:
            self._echo_s = None
            if self._down_s is None:
                self._up_s, self._peer_s = now_s, None
        self._tick_s = now_s

    def _should_claim(self, now_s: float) -> bool:
        if self.leader == self.me:
            return False
        if self._peer_s is not None and now_s - self._peer_s < self.fresh_s and self.leader == self.peer:
            return False
        if self.leader not in (self.me, self.peer):
            # nobody speaks yet: the beats of the other are no reason to wait, it waits as we do
            heard = self._peer_s is not None and now_s - self._peer_s < self.fresh_s
            patience_s = SETTLE_S if self.primary else self.fresh_s * (NOBODY if heard else 1.0)
            return now_s - self._up_s >= patience_s
        patience_s = SETTLE_S if self._gone else self.fresh_s
        since_s = max(self._up_s, self._peer_s if self._peer_s is not None else self._up_s)
        return now_s - since_s >= patience_s

    def _peer_back(self, now_s: float) -> bool:
        fresh = self._peer_s is not None and now_s - self._peer_s < self.fresh_s * LEASE
        return fresh and now_s - self._peer_since_s >= self.fresh_s / 3

    def may(self, now_s: float) -> bool:
        """Whether we may send now."""
        if self._down_s is not None:
            last = self.leader == self.me or (not self.leader and self.primary)
            awake = now_s - self._tick_s <= self.fresh_s * LEASE
            return last and awake and now_s - self._down_s >= ALONE * self.fresh_s
        lease = self._echo_s is not None and now_s - self._echo_s < LEASE * self.fresh_s
        return self.leader == self.me and lease and now_s - self._up_s >= SETTLE_S

    # ---- what was sent ---------------------------------------------------------------------------------------

    def sending(self, message: Message, channel: str, *, done: bool) -> Publish:
        """We begin to send, or have sent: what to publish."""
        key = key_of(message, channel)
        self._mine = [m for m in self._mine if (m.key, m.at_s) != (key, message.at_s)]
        self._mine = [*self._mine, Mark(key, message.at_s, done)][-KEPT:]
        rows = [[m.key, m.at_s, m.done] for m in self._mine]
        return Publish(f"sent/{self.me}", {"rows": rows}, retain=True)

    def sent_elsewhere(self, message: Message, channel: str) -> bool:
        """Whether the peer has sent this; each of its messages answers for one of ours."""
        key = key_of(message, channel)
        near = [
            m
            for m in self._theirs
            if m.done and m.key == key and abs(m.at_s - message.at_s) <= SAME_S and (key, m.at_s) not in self._used
        ]
        if not near:
            return False
        best = min(near, key=lambda m: abs(m.at_s - message.at_s))
        self._used.add((key, best.at_s))
        return True


def _marks(doc: Mapping[str, Any]) -> list[Mark]:
    rows = doc.get("rows")
    return [
        Mark(row[0], float(row[1]), bool(row[2]))
        for row in (rows if isinstance(rows, list) else [])[-KEPT:]
        if isinstance(row, list) and len(row) == 3 and isinstance(row[0], str) and isinstance(row[1], int | float)
    ]
