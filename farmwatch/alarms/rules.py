"""The alarm table: every alarm there is, and nothing that needs no response.

A row without consequence and response is refused at import. The words of its messages are made in `phrases`, from
what is known of the farm: a title of at most 60 characters that says what and where; then what it means and by when,
then what to do; 240 characters in all.
"""

from dataclasses import dataclass

PRIORITIES: tuple[str, ...] = ("danger", "session", "digest")
GROUPS: dict[str, str] = {
    "bed": "beds that wait, gathered for five minutes",
    "mains": "supply of the site, its circuits and backups",
    "broker": "the MQTT broker",
    "silent": "sources that say nothing",
    "fault": "one machine, or one circuit",
    "heat": "one machine's heaters",
    "store": "the collector's own disk",
    "care": "a backup's battery",
    "acts": "attempts to act at machines",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """One row.

    Attributes:
        id: name in configuration, recordings and messages.
        condition: when it is true, in words.
        subject: what it is about: machine, backup, circuit, site, source, broker, store.
        cause: what is usually behind it.
        consequence: what happens if nobody responds.
        response: what to do.
        within: time to respond, in words.
        priority: danger interrupts always, session is for this session, digest can wait.
        on_delay_s: how long the condition must hold before the alarm is raised.
        off_delay_s: how long it must be gone before the alarm returns to normal.
        deadband: how far a value must come back, in words; "" for conditions that are yes or no.
        parents: rules whose alarm explains this one, so that it is not raised beside them.
        group: which messages it shares.
    """

    id: str
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

    def __post_init__(self) -> None:
        for name in ("condition", "subject", "cause", "consequence", "response", "within"):
            if not getattr(self, name):
                msg = f"alarm rule {self.id!r} has no {name}: an alarm that asks for nothing is no alarm"
                raise ValueError(msg)
        if self.priority not in PRIORITIES or self.group not in GROUPS:
            msg = f"alarm rule {self.id!r}: priority {self.priority!r}, group {self.group!r}"
            raise ValueError(msg)


TABLE: tuple[Rule, ...] = (
    Rule(
        "bed_waiting", "a build is over and the bed is below its release temperature", "machine",
        "a build has ended", "the machine earns nothing until somebody clears it",
        "clear the bed and start the next build", "this session", "session", 0.0, 0.0, "", (), "bed",
    ),
    Rule(
        "mains_lost", "a backup runs on battery for longer than the site's blip time", "backup",
        "mains, breaker or plug gone", "the machines behind it stop when its battery is empty",
        "see what can finish; find out what has lost its supply", "minutes", "danger", 5.0, 5.0, "", (),
        "mains",
    ),
    Rule(
        "battery_low", "a backup on battery says that it is low", "backup",
        "the battery is nearly empty", "the machines behind it are about to stop",
        "pause what can be paused, or let it go", "at once", "danger", 0.0, 5.0, "", (),
        "mains",
    ),
    Rule(
        "backup_unseen", "a backup's source is silent or failed while its server can be asked", "backup",
        "cable, driver or server gone", "a power loss there would not be seen",
        "check the cable and the server of this backup", "this session", "session", 60.0, 0.0, "",
        ("mains_lost",), "silent",
    ),
    Rule(
        "overload", "a backup says overload, or its load is above its rating", "backup",
        "too many heaters at once behind it", "it may switch off and stop everything behind it",
        "pause a build behind it or move a machine", "minutes", "danger", 10.0, 30.0, "", (),
        "mains",
    ),
    Rule(
        "circuit_overload", "a circuit draws more than its breaker's conventional tripping current (1.45 In)",
        "circuit",
        "too many heaters at once", "the breaker will trip, and everything on this circuit stops",
        "pause what heats; start nothing more there", "minutes", "danger", 60.0, 60.0, "3 % of that current",
        ("mains_lost",), "fault",
    ),
    Rule(
        "load_near_limit", "a circuit draws more than its share for hours (continuous_share)", "circuit",
        "more machines at once than the circuit is meant for", "breaker and wiring run warm; the breaker may trip",
        "start nothing more there; spread machines over the circuits", "this session", "session", 900.0, 300.0,
        "5 % of that share", ("circuit_overload", "mains_lost"), "fault",
    ),
    Rule(
        "machine_fault", "the machine says that it cannot go on", "machine",
        "the machine's own checks", "the build stands still or is lost",
        "look at the machine", "this session", "session", 15.0, 15.0, "", (), "fault",
    ),
    Rule(
        "heater_without_job", "the machine says that it does nothing, and its plug says that a heater is on", "machine",
        "a heater left on, or a relay or transistor that has failed closed", "heat that nobody watches: fire",
        "look at it; if you cannot tell why, switch it off at its plug", "minutes", "danger", 600.0, 30.0, "", (),
        "heat",
    ),
    Rule(
        "unit_suspect", "a plug's watts have lastingly stepped by about a thousand", "machine",
        "a changed mapping or firmware: W and kW", "its energy and its state are wrong",
        "check the unit in the mapping", "days", "digest", 0.0, 0.0, "", (), "silent",
    ),
    Rule(
        "source_silent", "a source has said nothing for longer than its stale time and a minute more", "source",
        "plug, network or machine off", "what happens there is not seen",
        "check the plug, its network and the machine", "this session", "session", 60.0, 0.0, "",
        ("broker_lost", "mains_lost"), "silent",
    ),
    Rule(
        "broker_lost", "there is no connection to the MQTT broker", "broker",
        "broker, its computer or the network gone", "nothing that reports over MQTT is seen",
        "check the broker and its computer", "this session", "session", 30.0, 5.0, "", ("mains_lost",),
        "broker",
    ),
    Rule(
        "source_degraded", "five payloads in a row could not be read", "source",
        "mapping or firmware changed", "its values are unknown",
        "look at the payload on the page and mend the mapping", "days", "digest", 0.0, 0.0, "", (),
        "silent",
    ),
    Rule(
        "store_degraded", "a database cannot be written", "store",
        "disk full, read-only or broken", "history is lost while this lasts; after a restart more",
        "free space or replace the card", "this session", "session", 0.0, 30.0, "", (),
        "store",
    ),
    Rule(
        "runtime_promise", "a backup's promise and its last two deep discharges differ by 1.3 times or more", "backup",
        "its battery has aged, or it has never been calibrated", "builds stop sooner than the unit says they will",
        "count on the shorter time; have the battery tested", "days", "digest", 0.0, 0.0,
        "until a discharge fits the promise", (), "care",
    ),
    Rule(
        "battery_worn", "the unit asks for a new battery, its discharges show less than 80 % of a new one, or its "
        "usual life is over", "backup", "lead-acid batteries last three to five years, less in the warmth",
        "it gives out in the first minutes of an outage", "have it replaced by somebody qualified", "weeks",
        "digest", 0.0, 0.0, "", (), "care",
    ),
    Rule(
        "self_test_overdue", "no self-test and no real discharge for longer than self_test_days", "backup",
        "nobody has started one", "nobody knows whether its battery holds",
        "let it test itself while nothing is built", "days", "digest", 0.0, 0.0, "", (), "care",
    ),
    Rule(
        "battery_warm", "a backup's battery is above 30 °C for an hour", "backup",
        "a warm room, a full shelf, a fan that stands still", "it ages about twice as fast with each 10 °C",
        "give it air, or move it away from heat", "days", "digest", 3600.0, 3600.0, "below 28 °C", (), "care",
    ),
    Rule(
        "act_denied", "three attempts within ten minutes to act at a machine by somebody who may not", "site",
        "a forgotten password, or somebody who should not be there", "somebody may go on guessing",
        "find out who it was; change the password for actions if it was none of you", "days", "digest", 0.0, 0.0,
        "ten minutes without another", (), "acts",
    ),
)  # fmt: skip

RULES: dict[str, Rule] = {rule.id: rule for rule in TABLE}


def as_markdown() -> str:
    """The table for the documentation."""
    head = "| rule | priority | raised when | on / off delay | consequence | what to do | within | explained by |"
    lines = [head, "|---" * 8 + "|"]
    for rule in TABLE:
        delays = f"{rule.on_delay_s:g} s / {rule.off_delay_s:g} s"
        parents = ", ".join(rule.parents) or "-"
        lines.append(
            f"| `{rule.id}` | {rule.priority} | {rule.condition} | {delays} | {rule.consequence} "
            f"| {rule.response} | {rule.within} | {parents} |"
        )
    return "\n".join(lines)
