"""One row of the alarm table: what it must hold, or it is refused."""

from dataclasses import dataclass
from typing import NamedTuple

from farmwatch.alarms.lifecycle import CLEARING

PRIORITIES: tuple[str, ...] = ("danger", "session", "digest")
RANK: dict[str, int] = {name: number for number, name in enumerate(PRIORITIES)}
GROUPS: dict[str, str] = {
    "bed": "beds that wait, gathered for five minutes",
    "mains": "supply of the site, its circuits and backups",
    "broker": "the MQTT broker",
    "silent": "sources that say nothing",
    "fault": "one machine, or one circuit",
    "heat": "one machine's heaters",
    "store": "the collector's own disk",
    "dark": "the collector's own supply",
    "acts": "attempts to act at machines",
    "care": "one thing that needs care: a battery, a spool, a part, the air, the clock",
}
WORDS = ("condition", "subject", "cause", "consequence", "response", "within", "deadband", "title", "over")


class Limit(NamedTuple):
    """A threshold that the owner may change: raised at `value` or beyond, clear `deadband` within it."""

    value: float
    unit: str
    about: str
    deadband: float
    low: float
    high: float
    above: bool = True

    def holds(self, value: float, limit: float, deadband: float, *, was: bool) -> bool:
        """Whether the condition is true for a value; `was` is whether it has been (OPC 10000-9, annex B.1.5).

        >>> warm = Limit(70, "°C", "temperature", 1, 0, 100)
        >>> [warm.holds(v, 70, 1, was=was) for v, was in ((69.9, False), (70, False), (69, True), (68.9, True))]
        [False, True, True, False]
        """
        if not self.above:
            value, limit = -value, -limit
        return value >= (limit - deadband if was else limit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row. A row that lacks anything is refused: an alarm that asks for nothing is no alarm.

    Attributes:
        id: name in configuration, recordings and messages.
        title: what and where, with {subject}; first line of a message.
        over: the same when it is over.
        condition: when it is true, in words.
        subject: what it is about: machine, backup, circuit, sensor, source, broker, store, collector, alarm.
        cause: what is usually behind it.
        consequence: what happens if nobody responds.
        response: what to do.
        within: time to respond, in words.
        priority: danger interrupts always, session is for this session, digest can wait.
        on_delay_s: how long the condition must hold before the alarm is raised.
        off_delay_s: how long it must be gone before the alarm returns to normal.
        deadband: how far a value must come back, in words; or why there is none.
        parents: rules whose alarm explains this one, so that it is not raised beside them.
        group: which messages it shares.
        clearing: what its clearing means: ask (it waits for an acknowledgement), answered (it was the response),
            latch (it stays until somebody has found the reason and resets it).
        limit: the threshold in numbers, where it has one.
        realarm_s: an acknowledged alarm that still stands asks again after so long; None: never.
        remind_s: how long after its first message one reminder may come; None: none. Read by the messages.
        remind_if: and only if this holds.
        while_out: whether it speaks although its subject is out of service.
    """

    id: str
    title: str
    over: str
    condition: str
    subject: str
    cause: str
    consequence: str
    response: str
    within: str
    priority: str
    on_delay_s: float
    off_delay_s: float
    deadband: str
    parents: tuple[str, ...]
    group: str
    clearing: str = "ask"
    limit: Limit | None = None
    realarm_s: float | None = None
    remind_s: float | None = None
    remind_if: str = ""
    while_out: bool = False

    def __post_init__(self) -> None:
        for name in WORDS:
            if not str(getattr(self, name)).strip():
                msg = f"alarm rule {self.id!r} has no {name}: an alarm that asks for nothing is no alarm"
                raise ValueError(msg)
        if self.priority not in PRIORITIES or self.group not in GROUPS or self.clearing not in CLEARING:
            msg = (
                f"alarm rule {self.id!r}: priority {self.priority!r}, group {self.group!r}, clearing {self.clearing!r}"
            )
            raise ValueError(msg)
        if min(self.on_delay_s, self.off_delay_s) < 0 or "{subject}" not in self.title + self.over:
            msg = f"alarm rule {self.id!r}: delays below 0, or a title that does not say where ({{subject}})"
            raise ValueError(msg)
        if (self.remind_s is None) != (not self.remind_if):
            msg = f"alarm rule {self.id!r}: a reminder needs both a time and a condition"
            raise ValueError(msg)
