"""What other delays and deadbands would have done to the worst alarms, by their own history.

Delays are tried on the recorded intervals. A deadband is tried on how far the value had come back within its limit
before the alarm was raised again: where that was less than the deadband, the two would have been one. For a value that
wavers about its limit a deadband is the right remedy, for one that is gone for a moment a delay (OPC 10000-9, annex
B.1.5); so a deadband is looked for first, and proposed where it need not be wider than a fifth of the limit.

On-delay: an alarm that came and went again within it would not have been raised, and each that would still have been
comes that much later. Off-delay: two that lie closer together than it would have been one. Which of the two: if a
person acted upon short ones, their being short matters not and an off-delay keeps them; if nobody did, an on-delay
(a rule of thumb of the trade, from a secondary text). A danger is never put off by an on-delay.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

from farmwatch.alarms.report import Episode
from farmwatch.alarms.rules import RULES, UNSTABLE

TRIED_S: tuple[float, ...] = (15, 30, 60, 120, 300, 600, 900, 1800, 3600)
WORST = 5
LEAST = 5
"""Fewer in the whole time are no habit."""
ENOUGH = 0.5
"""A delay must spare that share of them to be proposed."""
WIDEST = 0.2
"""Share of the limit that a proposed deadband may be."""
BEYOND = 1.1
"""A deadband is proposed so much wider than what would just have done."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A delay or deadband that would have spared most of them, and all that it would have done.

    Attributes:
        rule: row of the alarm table.
        subject: of which subject.
        key: on_delay_s, off_delay_s or deadband.
        now_s: the delay as it is; of a deadband its width, in the unit of the limit.
        then_s: as proposed.
        raised: how often it was raised.
        would_be: how often it would have been.
        longest_hidden_s: the longest that would not have been told (on-delay).
        later_s: how much later each remaining one would have been told (on-delay) or called over (off-delay).
    """

    rule: str
    subject: str
    key: str
    now_s: float
    then_s: float
    raised: int
    would_be: int
    longest_hidden_s: float
    later_s: float

    def as_dict(self) -> dict[str, Any]:
        """All fields."""
        return asdict(self)

    def as_toml(self) -> str:
        """Lines for the configuration."""
        return f'[rules.{self.rule}.subjects."{self.subject}"]\n{self.key} = {self.then_s:g}\n'


def proposals(
    found: Sequence[Episode],
    delay_s: Callable[[str, str, str], float],
    at_most: int = WORST,
    deadband: Callable[[str, str], float] | None = None,
) -> list[Proposal]:
    """For the alarms that were raised most often: the smallest deadband or delay that spares at least half of them."""
    by_key: dict[tuple[str, str], list[Episode]] = defaultdict(list)
    for episode in found:
        # What was explained by its own coming and going counts too: that is what a delay would mend.
        if episode.rule != UNSTABLE and episode.ended_s is not None:
            by_key[episode.rule, episode.subject].append(episode)
    worst = sorted(by_key.items(), key=lambda item: (-len(item[1]), item[0]))
    rows_of = [rows for _, rows in worst if len(rows) >= LEAST]
    made = [(wider(rows, deadband) if deadband is not None else None) or proposal(rows, delay_s) for rows in rows_of]
    return [one for one in made if one is not None][:at_most]


def wider(rows: Sequence[Episode], deadband: Callable[[str, str], float]) -> Proposal | None:
    """The smallest deadband that makes half of one alarm's episodes one with the episode before; None if none does."""
    rule, subject = rows[0].rule, rows[0].subject
    limit = RULES[rule].limit if rule in RULES else None
    if limit is None:
        return None
    now = deadband(rule, subject)
    back = sorted(e.back for e in rows if e.back is not None)
    needed = math.ceil(ENOUGH * len(rows))
    if len(back) < needed:
        return None
    then = float(f"{BEYOND * back[needed - 1]:.2g}")
    if not now < then <= WIDEST * limit.value:
        return None
    left = len(rows) - sum(value < then for value in back)
    return Proposal(rule, subject, "deadband", now, then, len(rows), left, 0.0, 0.0)


def proposal(rows: Sequence[Episode], delay_s: Callable[[str, str, str], float]) -> Proposal | None:
    """The smallest delay that spares half of one alarm's episodes; None if none of those tried does."""
    rows = sorted(rows, key=lambda e: e.began_s)
    by_hand = any(e.acknowledged for e in rows)
    keys = ("off_delay_s",) if by_hand or rows[0].priority == "danger" else ("on_delay_s", "off_delay_s")
    for more_s in TRIED_S:
        for key in keys:
            found = tried(rows, key, more_s, delay_s(rows[0].rule, rows[0].subject, key))
            if found.would_be <= (1 - ENOUGH) * found.raised:
                return found
    return None


def tried(rows: Sequence[Episode], key: str, more_s: float, now_s: float) -> Proposal:
    """What `more_s` more of one delay, which is `now_s` now, would have done."""
    spans = [(e.began_s, e.ended_s if e.ended_s is not None else float("inf")) for e in rows]
    hidden: list[float] = []
    if key == "on_delay_s":
        hidden = [until_s - began_s for began_s, until_s in spans if until_s - began_s < more_s]
        left = len(spans) - len(hidden)
    else:
        left = 1 + sum(began_s - until_s > more_s for (_, until_s), (began_s, _) in pairwise(spans))
    return Proposal(
        rows[0].rule, rows[0].subject, key, now_s, now_s + more_s, len(rows), left,
        max(hidden, default=0.0), more_s,
    )  # fmt: skip
