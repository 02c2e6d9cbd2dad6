"""What goes into the engine, what passes between its rooms, and what comes out.

Four kinds of input, which are also the lines of a recording: `Raw`, `Link`, `Failed`, `Said`. The wire turns
`Raw` into `Observed`; the brain turns events into effects: `Keep` (a fact for the journal), `Note` (something
derived, a line of ``replay --json``), `Message` (words for a person), `Work` (a question that takes long; its
answer is an event). All times are UTC epoch seconds.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from farmwatch.words.rounds import RoundsPlan
from farmwatch.words.shop_plan import ShopPlan

Value = float | str | bool | None
"""A decoded value. None means: the source says that it does not know."""


# ---- inputs -------------------------------------------------------------------------------------------------


class Raw(NamedTuple):
    """A message exactly as received."""

    at_s: float
    via: str  # mqtt | http | push | ups | snmp
    address: str  # topic | URL | path | upsname@host:port | host:port
    body: bytes
    retained: bool = False


class Link(NamedTuple):
    """A connection came or went; `address` None means the transport's only peer (the broker)."""

    at_s: float
    via: str
    address: str | None
    connected: bool


class Failed(NamedTuple):
    """A request that failed; what the peer last said is no longer known to be true."""

    at_s: float
    via: str
    address: str
    error: str


class Said(NamedTuple):
    """What a person did: a command about a machine or an alarm.

    `fields` holds what belongs to the command: job, planned_min, material (started); value (valued);
    alarm (acknowledged, shelved, unshelved, reset); minutes, reason (shelved, out_of_service); once (shelved).
    """

    at_s: float
    command: str
    machine: str | None
    by: str
    fields: Mapping[str, Any] = {}


Input = Raw | Link | Failed | Said

COMMANDS: dict[str, str] = {
    # command: what it says
    "cleared": "the bed is clear",
    "uncleared": "the bed is not clear: what was said a moment ago is taken back",
    "started": "a build was started by hand (job, planned_min, material)",
    "failed": "the build failed",
    "cancelled": "the build was cancelled",
    "valued": "what the build in hand is worth saving in an outage (value; without: minutes and grams in it)",
    "not_over": "the build that the plug took to be over goes on: it was a pause",
    "plug_level": "what the machine draws in one state, in watts (level, value); without a value it is learnt again",
    "acknowledged": "somebody has taken charge of the alarm",
    "shelved": "be quiet about this alarm for some minutes",
    "unshelved": "the alarm may speak again",
    "reset": "the reason of a latched alarm was found",
    "out_of_service": "the machine is taken out of service",
    "in_service": "the machine is back in service",
    "pieces": "how many good pieces the last build gave (pieces)",
    "serviced": "a part of the machine was serviced (part, note)",
    "noted": "something worth remembering about the machine (note)",
    "trial": "the machine runs trials: engineering time, until trial_over",
    "trial_over": "the trials are over",
    "spool_added": "a spool was bought (spool, material, grams; price, empty_g, diameter_mm, machine)",
    "spool_weighed": "what is left on a spool (spool; grams of filament, or gross_g with the reel)",
    "spool_loaded": "a spool hangs on the machine now (spool)",
    "spool_stored": "a spool lies in its dry box (spool)",
    "spool_dried": "a spool comes from the dryer (spool)",
    "spool_empty": "a spool is used up, or gone (spool)",
    "checked": "the machine was looked over on a round",
    "round_began": "a round has begun",
    "round_ended": "the round is over",
    "wanted": "so many pieces of a job are wanted (job, pieces; due); 0 strikes it off",
    "load_next": "this job goes on the machine next (job); without a job nothing is settled",
}
SHOP_COMMANDS = frozenset(
    {"pieces", "serviced", "noted", "trial", "trial_over"} | {name for name in COMMANDS if name.startswith("spool_")}
)
"""Commands about the shop around the machines; those whose name begins with spool_ are about a spool."""
SEVERAL = "several"
"""Rows of a file, said at once: fields["rows"] are (command, machine, fields); all of them count, or none."""
IN_FILES: frozenset[str] = frozenset({"wanted", "spool_added", "spool_weighed", "spool_stored", "spool_loaded"})
"""Commands that a file's rows stand for."""
WORK_COMMANDS: frozenset[str] = frozenset({"wanted", "load_next"})
ROUND_COMMANDS: frozenset[str] = frozenset({"checked", "round_began", "round_ended"})


# ---- events between wire and brain ---------------------------------------------------------------------------


class Observed(NamedTuple):
    """Decoded values of one message, all about one subject.

    `subject` is the configured name of a machine, backup, circuit, load or room sensor; names are unique.
    `source` is the id of the configured source (one mapping applied to one subject). `retained` values are
    last known, never fresh. `source_at_s` is the device's own time where it sends one.
    """

    at_s: float
    subject: str
    source: str
    values: dict[str, Value]
    retained: bool = False
    source_at_s: float | None = None


class SourceFailed(NamedTuple):
    """A source's peer failed or refused: its values are unknown from now on."""

    at_s: float
    source: str
    error: str


class SourceDegraded(NamedTuple):
    """A source sent five bad payloads in a row (`degraded` true), or a good one again."""

    at_s: float
    source: str
    degraded: bool
    why: str


class LinkChanged(NamedTuple):
    """A transport's connection came or went, with the ids of the sources that hang on it."""

    at_s: float
    via: str
    address: str | None
    connected: bool
    sources: tuple[str, ...]


class StoreHealth(NamedTuple):
    """A store began to fail or works again."""

    at_s: float
    store: str
    ok: bool
    why: str


class Denied(NamedTuple):
    """Somebody who may not has tried to act at a machine; `noted`: that is on record already."""

    at_s: float
    why: str
    noted: bool = True


class ClockHealth(NamedTuple):
    """The computer's clock cannot be trusted, `why` says for which reason; or it can again (an empty text)."""

    at_s: float
    why: str


class ChannelHealth(NamedTuple):
    """A way to a phone began to fail or works again; `tested`: its own silent test says so."""

    at_s: float
    channel: str
    ok: bool
    why: str
    tested: bool = False


class Awoke(NamedTuple):
    """The collector runs again; `dark_since_s` is when it was last known to be awake, or None at first start."""

    at_s: float
    dark_since_s: float | None


class Worked(NamedTuple):
    """The answer to a `Work` has come; None where it could not be found."""

    at_s: float
    id: str
    answer: Any


Health = StoreHealth | ClockHealth | ChannelHealth
Event = Observed | SourceFailed | SourceDegraded | LinkChanged | Health | Denied | Awoke | Said | Worked


# ---- effects ---------------------------------------------------------------------------------------------------


class Keep(NamedTuple):
    """A fact for the journal: (kind, key) now has this document; None forgets it."""

    kind: str
    key: str
    doc: dict[str, Any] | None


class Note(NamedTuple):
    """Something derived: a line of ``replay --json``. Times in `doc` are epoch seconds."""

    at_s: float
    kind: str  # state build use estimate load energy backup alarm outage act
    doc: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Message:
    """Words for a person, to be delivered at least once.

    `id` is the idempotence key (incident and step), the same after a restart. `actions` are commands that the
    message may offer as links: (command, subject) pairs. `by` names the channels that it goes out on; none named:
    the person's, in their order, until one accepts it. `rules` are the alarm rules that it tells of. `silent`: it
    shall lie on the phone without a sound.
    """

    id: str
    at_s: float
    to: str
    priority: str  # danger | session | digest
    title: str
    text: str
    incident: str
    step: str  # opened | more | clear | escalated | note
    actions: tuple[tuple[str, str], ...] = ()
    by: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    silent: bool = False


class Work(NamedTuple):
    """A question that takes too long for the loop: frozen data; its answer comes back as `Worked`.

    `id` is the kind of question and what it is about, "rescue:one".
    """

    id: str
    question: Any


Effect = Keep | Note | Message | Work


# ---- the plan of the site: the configuration as the pure rooms see it -------------------------------------------


@dataclass(frozen=True, slots=True)
class SourcePlan:
    """One mapping applied to one subject."""

    id: str
    subject: str
    via: str
    address: str
    interval_s: float  # 0: sends on change only, silence means nothing
    quantities: frozenset[str]

    @property
    def stale_s(self) -> float:
        """Seconds after which a value is stale: max(3 intervals, 30 s); a backup 15 s (RFC 9271, section 5.2)."""
        if self.interval_s <= 0:
            return float("inf")
        return max(15.0, 3 * self.interval_s) if self.via == "ups" else max(30.0, 3 * self.interval_s)


@dataclass(frozen=True, slots=True)
class MachinePlan:
    """A machine and where it hangs."""

    name: str
    bank: str | None = None
    backup: str | None = None
    circuit: str | None = None
    material: str | None = None
    release_c: float | None = None
    cool_min: float | None = None
    row: int | None = None
    column: int | None = None
    release_of: Mapping[str, float] = field(default_factory=dict)  # by material in capitals: the owner's own
    plug_levels: tuple[tuple[str, float], ...] = ()  # (off_w, idle_w, hold_low_w, hold_high_w or heat_w; watts)


@dataclass(frozen=True, slots=True)
class BackupPlan:
    """A battery backup (UPS)."""

    name: str
    circuit: str | None = None
    rating_w: float | None = None
    rating_va: float | None = None
    battery_wh: float | None = None
    runtime_table: tuple[tuple[float, float], ...] = ()  # (W, minutes)
    battery_s: float | None = None  # when its battery was fitted, epoch seconds
    self_test_days: float | None = None  # how often it is to be tested; None: not watched


@dataclass(frozen=True, slots=True)
class CircuitPlan:
    """A circuit behind one breaker."""

    name: str
    rating_a: float
    voltage_v: float
    continuous_share: float

    @property
    def rating_w(self) -> float:
        """Power at the breaker's rated current and the site's nominal voltage, power factor 1."""
        return self.rating_a * self.voltage_v

    @property
    def limit_w(self) -> float:
        """Power that the site's own policy allows for hours."""
        return self.rating_w * self.continuous_share


@dataclass(frozen=True, slots=True)
class LoadPlan:
    """Something else that draws power: a dryer, fans, the router."""

    name: str
    circuit: str | None = None
    backup: str | None = None
    constant_w: float | None = None


@dataclass(frozen=True, slots=True)
class HoursPlan:
    """A window of hours: minutes of the local day, and the weekdays on which it begins (Monday 0; none: every day)."""

    start: int
    end: int  # at or before `start`: on the next day
    days: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class JobPlan:
    """A job that is built again and again."""

    name: str
    pieces: float | None = None  # good pieces of one build that is done
    grams: float | None = None  # feedstock of one build
    hours: float | None = None  # of one build, until it is learnt
    material: str | None = None
    machines: tuple[str, ...] = ()  # that can make it; none: all that are fed with its material
    value: float | None = None  # of one build, in any unit; None: its hours


@dataclass(frozen=True, slots=True)
class PersonPlan:
    """Who is told, by which channels, and when.

    Attributes:
        name: as configured.
        channels: the first one first; the second is for what is not answered or cannot be delivered.
        duty: when messages for this session may come; none: at any time.
        quiet: when nothing but danger may come.
        digests: minutes of the day at which what can wait is told; none: at once.
        daily: minute of the day of the daily report; None: there is none.
        a_day: messages a day that may interrupt, in the long run; danger is not counted. None: any number.
        at_once: told of danger at once, and not only when whoever is first has not answered.
        rounds: when they can go to the machines; none: not known.
        silent: whether beds beyond `a_day` less one may come at once without a sound; else they wait.
    """

    name: str
    channels: tuple[str, ...]
    duty: tuple[HoursPlan, ...] = ()
    quiet: tuple[HoursPlan, ...] = ()
    digests: tuple[int, ...] = ()
    daily: int | None = None
    a_day: float | None = None
    at_once: bool = True
    rounds: tuple[HoursPlan, ...] = ()
    silent: bool = False


@dataclass(frozen=True, slots=True)
class RuleChange:
    """What the owner changed in a row of the alarm table, and for single subjects of it. None: as it is."""

    on_delay_s: float | None = None
    off_delay_s: float | None = None
    priority: str | None = None
    off: bool | None = None
    limit: float | None = None
    deadband: float | None = None
    realarm_s: float | None = None
    people: tuple[str, ...] = ()  # who is told; none: everybody
    subjects: Mapping[str, "RuleChange"] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SitePlan:
    """The whole site."""

    name: str
    timezone: str
    voltage_v: float
    machines: dict[str, MachinePlan]
    backups: dict[str, BackupPlan] = field(default_factory=dict)
    circuits: dict[str, CircuitPlan] = field(default_factory=dict)
    loads: dict[str, LoadPlan] = field(default_factory=dict)
    sensors: tuple[str, ...] = ()
    sources: dict[str, SourcePlan] = field(default_factory=dict)
    people: dict[str, PersonPlan] = field(default_factory=dict)
    rules: dict[str, RuleChange] = field(default_factory=dict)
    jobs: dict[str, JobPlan] = field(default_factory=dict)
    blip_s: float = 5.0
    release_default_c: float = 40.0
    collector_backup: str | None = None
    rounds: RoundsPlan = field(default_factory=RoundsPlan)
    work_waits: bool = True  # whether a free machine usually has something to build
    shop: ShopPlan = field(default_factory=ShopPlan)
    closed: tuple[HoursPlan, ...] = ()  # nobody plans to run then: nonscheduled time (SEMI E10)

    def backup_of(self, machine: str) -> str | None:
        """Name of the backup that feeds the machine, or None."""
        return self.machines[machine].backup

    def circuit_of(self, name: str) -> str | None:
        """Name of the circuit that feeds a machine, load or backup, directly or through its backup."""
        plan = self.machines.get(name) or self.loads.get(name) or self.backups.get(name)
        if plan is None:
            return name if name in self.circuits else None
        if plan.circuit is not None:
            return plan.circuit
        backup = getattr(plan, "backup", None)
        return self.backups[backup].circuit if backup in self.backups else None
