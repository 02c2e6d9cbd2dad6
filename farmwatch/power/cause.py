"""Which one cause best explains what is seen: a naive Bayes over a few visible tables.

Every candidate (a cause and its place) does something to each thing that is looked at: takes its supply, makes
it unreachable, or leaves it alone. How likely each look of a thing is then, `SEEN` says. The candidate's score
is its prior and the sum of log ratios against "left alone"; scores over their sum are the posterior. What is
behind one backup shares one fate, so that its sources are mixed over "outlets dead" or not (`OUTLETS_DEAD`).

The figures are common practice, no source; only their order of magnitude matters. The priors move with the
site's own diary.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from farmwatch.alarms.wording import names
from farmwatch.words.model import SitePlan

SEEN: dict[str, dict[str, dict[str, float]]] = {
    # thing: what the candidate does to it: how likely each look is
    "backup": {
        "alone": {"on_battery": 0.002, "on_line": 0.70, "still_on_line": 0.28, "unseen": 0.018},
        "unpowered": {"on_battery": 0.929, "on_line": 0.01, "still_on_line": 0.001, "unseen": 0.06},
        "failed": {"on_battery": 0.55, "on_line": 0.04, "still_on_line": 0.01, "unseen": 0.40},
        "unreachable": {"on_battery": 0.002, "on_line": 0.05, "still_on_line": 0.008, "unseen": 0.94},
    },
    "source": {
        "alone": {"live": 0.985, "dead": 0.0005, "silent": 0.0145},
        "unpowered": {"live": 0.01, "dead": 0.14, "silent": 0.85},
        "unreachable": {"live": 0.15, "dead": 0.0005, "silent": 0.8495},
        "gone": {"live": 0.01, "dead": 0.01, "silent": 0.98},
        "perhaps": {"live": 0.5, "dead": 0.02, "silent": 0.48},
    },
    "broker": {
        "alone": {"up": 0.995, "down": 0.005},
        "unpowered": {"up": 0.5, "down": 0.5},
        "perhaps": {"up": 0.85, "down": 0.15},
        "unreachable": {"up": 0.1, "down": 0.9},
        "gone": {"up": 0.001, "down": 0.999},
    },
}
"""`still_on_line`: heard on line at least twice since it began. `dead`: a meter that reads next to no volts."""

OUTLETS_DEAD: dict[str, float] = {"held_up": 0.15, "failed": 0.4}
"""Chance that a backup's outlets are dead: its supply is lost but it holds up; it has failed itself."""

A_YEAR: dict[str, float] = {
    "site": 3.0, "circuit": 1.0, "backup": 1.0, "network": 4.0, "broker": 4.0, "machine": 8.0, "plug": 4.0,
}  # fmt: skip
"""Prior: events a year at the whole site, common practice, no source. Each counts once; own events are added."""

COINCIDENCE = 1e-3
"""Two independent faults at the same moment, against one (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Thing:
    """Something that was looked at since it began: `look` is one of those of `SEEN[kind]`."""

    kind: str  # backup | source | broker
    name: str
    look: str
    subject: str = ""  # of a source: machine, load, circuit
    via: str = ""
    power: bool = False  # of a source: it is the subject's plug or meter, and tells nothing else


@dataclass(frozen=True, slots=True)
class Candidate:
    """A cause and where; `places` are several where two independent faults are meant."""

    cause: str
    places: tuple[str, ...]

    @property
    def place(self) -> str:
        """The places as one text."""
        return ", ".join(self.places)


@dataclass(slots=True)
class Finding:
    """The best candidate, what speaks for and against it, and the posterior of all ("circuit west": 0.93)."""

    best: Candidate
    odds: dict[str, float]
    pro: list[Thing] = field(default_factory=list)
    con: list[Thing] = field(default_factory=list)


def feeds(plan: SitePlan, subject: str) -> tuple[str | None, str | None]:
    """The circuit that feeds a subject directly, and the backup that does; at most one is not None."""
    part = plan.machines.get(subject) or plan.loads.get(subject)
    if part is None:
        return (subject if subject in plan.circuits else None), None
    if part.backup is not None:
        return None, part.backup
    return part.circuit, None


def effect(candidate: Candidate, thing: Thing, plan: SitePlan) -> str:
    """What a candidate does to a thing (a key of `SEEN[thing.kind]`); outlets are mixed in apart from this."""
    return _EFFECTS[thing.kind](candidate, thing, plan)


def _on_backup(candidate: Candidate, thing: Thing, plan: SitePlan) -> str:
    cause = candidate.cause
    if cause == "site" or (cause == "circuit" and plan.circuit_of(thing.name) in candidate.places):
        return "unpowered"
    if cause == "backup" and thing.name in candidate.places:
        return "failed"
    return "unreachable" if cause == "network" and thing.via in candidate.places else "alone"


def _on_source(candidate: Candidate, thing: Thing, plan: SitePlan) -> str:
    cause, places = candidate.cause, candidate.places
    circuit, backup = feeds(plan, thing.subject)
    if backup is None and (cause == "site" or (cause == "circuit" and circuit in places)):
        return "unpowered"
    if cause == "network" and (thing.via in places or ("site" in places and thing.via in ("http", "push", "snmp"))):
        return "unreachable"
    if thing.subject in places and cause in ("machine", "plug"):
        if thing.power == (cause == "plug"):
            return "gone"
        return "perhaps" if thing.power else "alone"
    return "alone"


def _on_broker(candidate: Candidate, _thing: Thing, _plan: SitePlan) -> str:
    cause = candidate.cause
    if cause == "network":
        return "unreachable" if {"mqtt", "site"} & set(candidate.places) else "alone"
    return {"site": "unpowered", "circuit": "perhaps", "backup": "perhaps", "broker": "gone"}.get(cause, "alone")


_EFFECTS = {"backup": _on_backup, "source": _on_source, "broker": _on_broker}


def weigh(candidate: Candidate, things: Iterable[Thing], plan: SitePlan) -> dict[Thing, float]:
    """Log ratio of each thing's look under the candidate against "left alone"; what is left alone is left out."""
    found: dict[Thing, float] = {}
    behind: dict[str, list[Thing]] = {}
    for thing in things:
        done = effect(candidate, thing, plan)
        table = SEEN[thing.kind]
        if done != "alone":
            found[thing] = math.log(table[done][thing.look] / table["alone"][thing.look])
        elif thing.kind == "source" and (backup := feeds(plan, thing.subject)[1]) is not None:
            behind.setdefault(backup, []).append(thing)
    table = SEEN["source"]
    for backup, sources in behind.items():
        dead = OUTLETS_DEAD.get(_outlets(candidate, backup, plan), 0.0)
        if not dead:
            continue
        ratio = sum(math.log(table["unpowered"][s.look] / table["alone"][s.look]) for s in sources)
        # log(dead * e^ratio + 1 - dead), without overflow
        top = max(ratio, 0.0)
        mixed = top + math.log(dead * math.exp(ratio - top) + (1.0 - dead) * math.exp(-top))
        for source in sources:
            found[source] = mixed / len(sources)
    return found


def _outlets(candidate: Candidate, backup: str, plan: SitePlan) -> str:
    if candidate.cause == "backup":
        return "failed" if backup in candidate.places else ""
    lost = candidate.cause == "site" or (candidate.cause == "circuit" and plan.circuit_of(backup) in candidate.places)
    return "held_up" if lost else ""


def prior(candidate: Candidate, plan: SitePlan, own: Mapping[str, int]) -> float:
    """Log of the prior weight: events a year, this site's own added, shared among the cause's places."""
    cause = candidate.cause
    places = {
        "circuit": len(plan.circuits), "backup": len(plan.backups), "machine": len(plan.machines),
        "plug": len(plan.machines), "network": 3,
    }.get(cause, 1)  # fmt: skip
    weight = (A_YEAR[cause] + own.get(cause, 0)) / max(places, 1)
    return math.log(weight) + (len(candidate.places) - 1) * math.log(COINCIDENCE)


def infer(candidates: Iterable[Candidate], things: list[Thing], plan: SitePlan, own: Mapping[str, int]) -> Finding:
    """The best of at least one candidate. A thing speaks for it if it favours it over the next best."""
    rows = []
    for candidate in candidates:
        weights = weigh(candidate, things, plan)
        rows.append((prior(candidate, plan, own) + sum(weights.values()), candidate, weights))
    rows.sort(key=lambda row: (-row[0], row[1].cause, row[1].places))
    top, best, mine = rows[0]
    total = sum(math.exp(score - top) for score, _, _ in rows)
    odds = {
        f"{c.cause} {c.place}": round(math.exp(score - top) / total, 4)
        for score, c, _ in rows[:4]
        if math.exp(score - top) / total >= 0.0005
    }
    other = rows[1][2] if len(rows) > 1 else {}
    finding = Finding(best, odds)
    for thing in things:
        own_s, lead_s = mine.get(thing, 0.0), mine.get(thing, 0.0) - other.get(thing, 0.0)
        if own_s < -0.3 or (abs(own_s) <= 0.3 and lead_s < -0.3):
            finding.con.append(thing)
        elif own_s > 0.3 or lead_s > 0.3:
            finding.pro.append(thing)
    return finding


# ---- words -----------------------------------------------------------------------------------------------------

_SAID: dict[tuple[str, str], str] = {
    ("backup", "on_battery"): "{} on battery",
    ("backup", "on_line"): "{} on line",
    ("backup", "still_on_line"): "{} still on line",
    ("backup", "unseen"): "{} unseen",
    ("source", "live"): "{} still heard",
    ("source", "dead"): "{} without voltage",
    ("source", "silent"): "{} silent",
    ("broker", "up"): "MQTT broker connected",
    ("broker", "down"): "MQTT broker gone",
}


def words(things: Iterable[Thing]) -> list[str]:
    """What was seen, one line for each kind of look."""
    groups: dict[tuple[str, str], list[str]] = {}
    for thing in things:
        said = thing.subject or thing.name
        if thing.kind == "source" and thing.power:
            said = f"plug of {said}"
        rows = groups.setdefault((thing.kind, thing.look), [])
        if said not in rows:
            rows.append(said)
    return [_SAID[key].format(names(rows, 6)) for key, rows in groups.items()]


def headline(best: Candidate, things: list[Thing], plan: SitePlan) -> str:
    """The reason in one line.

    "all 4 backups on battery, both circuits: mains"
    """
    out = [t.name for t in things if t.kind == "backup" and t.look == "on_battery"]
    seen = [t.name for t in things if t.kind == "backup" and t.look != "unseen"]
    silent = [t for t in things if t.kind == "source" and t.look in ("silent", "dead")]
    if best.cause == "site":
        of = f"all {len(out)} backups" if len(out) > 1 and len(out) == len(plan.backups) else f"{names(out, 4)}"
        if out and len(out) == len(seen) < len(plan.backups):
            of = f"all {len(out)} backups that can be seen" if len(out) > 1 else of
        circuits = {plan.circuit_of(name) for name in out} - {None}
        on = {0: "", 1: "", 2: ", both circuits"}.get(len(circuits), f", {len(circuits)} circuits")
        return f"{of} on battery{on}: mains" if out else f"{len(silent)} meters without supply: mains"
    if best.cause == "circuit":
        mine = [name for name in out if plan.circuit_of(name) in best.places]
        rest = [name for name in seen if plan.circuit_of(name) not in best.places and name not in out]
        other = f", {names(rest, 3)} on another circuit on line" if rest else ""
        head = f"{names(mine, 4)} on battery" if mine else f"{len(silent)} sources there without supply"
        return f"{head}{other}: circuit {best.place}"
    if best.cause == "backup":
        mates = [n for n in seen if n not in out and plan.circuit_of(n) in {plan.circuit_of(p) for p in best.places}]
        while_ = f" while {names(mates, 3)} on the same circuit on line" if mates else ""
        return f"{names(list(best.places), 4)} alone{while_}: the backup or its plug"
    if best.cause == "broker":
        return "connection to the MQTT broker gone, what comes another way is still heard: broker"
    if best.cause == "network":
        via = "" if best.place == "site" else f" over {best.place}"
        return f"{len(silent)} sources{via} silent together while others are heard: network"
    part = "its plug" if best.cause == "plug" else "the machine"
    return f"{best.place} alone silent: {part}"
