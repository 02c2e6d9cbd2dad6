"""What failed and where: one cause from many symptoms, followed from its first evidence to its end.

`OutageWatch` is told what backups, meters, sources and links do, and asked to `look` when something may follow
from it. At most one loss of supply is in hand (`open`: site, circuit or backup); beside it stand losses of sight
(`others`: broker, network, machine, plug). What a cause in hand explains makes no cause of its own. A cause may
be revised while it is open: the id stays, the later note replaces the earlier one.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any, Protocol

from farmwatch.power.cause import Candidate, Finding, Thing, effect, feeds, headline, infer, words
from farmwatch.words.model import SitePlan, SourcePlan

ON_BATTERY = frozenset({"on_battery", "low"})
SUPPLY = frozenset({"site", "circuit", "backup", "blip"})
CAUSES: dict[str, str] = {
    "site": "the mains of the whole site",
    "circuit": "one circuit: its breaker or its wiring",
    "backup": "one backup: its own supply, or itself",
    "blip": "supply, for less than the site's blip time",
    "broker": "the connection to the MQTT broker",
    "network": "at least half of what one transport, or the whole network, brings",
    "machine": "one machine",
    "plug": "one plug",
    "collector": "the computer that watches",
}
DEAD_SHARE = 0.1
"""Below this share of the nominal voltage there is no supply (IEEE 1159: an interruption is below 0.1 pu)."""
TOGETHER_S = 30.0
"""What falls silent within so long of each other may have one cause."""
LOOKS_S: tuple[float, ...] = (3.0, 10.0, 30.0, 60.0)
"""How long after an outage has begun its cause is thought over again though nothing else happens."""
SETTLE_S = 6.0
"""A loss of sight is judged after so long: every backup has been asked once more by then."""
AGAIN_S = 1.0
LATER_S = 25.0
"""A lost broker is judged once more, before it is told: by then every polled device has failed or answered."""
BROKER_BEFORE_S, BROKER_AFTER_S = 30.0, 120.0
"""A broker that goes so long before or after a loss of supply went with it."""
GRACE_S = 180.0
"""How long what was lost may take to come back after its cause is gone."""
RETURN_S = 5.0
"""Backups wait some seconds before they trust the mains again (common practice, no source)."""
MISSING_S = 20.0
GIVEN_UP_S = 600.0
"""A backup that stays unseen for so long after the others are back does not hold an outage open."""
KNOWN_S = 60.0
"""A last good reading older than this says nothing about when it began."""
GAP_S = 60.0
"""A collector that was away for less has missed nothing worth a line."""


class Heard(Protocol):
    """How a source has behaved; the farm's own record of it."""

    plan: SourcePlan
    state: str
    last_s: float | None
    silent_since_s: float | None


@dataclass(slots=True)
class Outage:
    """One incident, open while `ended_s` is None. Times are epoch seconds.

    `started_s` is the last moment at which all was still well, as far as known; it began after that and not
    after `bad_s`. `least_s`, `likely_s`, `most_s` are its duration once it is over: polls leave it uncertain.
    """

    id: str
    cause: str  # one of CAUSES
    place: str
    started_s: float
    ended_s: float | None = None
    backups: list[str] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)
    against: list[str] = field(default_factory=list)
    odds: dict[str, float] = field(default_factory=dict)
    bad_s: float = 0.0
    least_s: float | None = None
    likely_s: float | None = None
    most_s: float | None = None
    low_v: float | None = None  # least voltage seen where supply was lost
    machines: list[str] = field(default_factory=list)
    builds: dict[str, str] = field(default_factory=dict)  # machine: build in hand when it began
    dark: dict[str, float] = field(default_factory=dict)  # machine: since when it had no supply
    fates: dict[str, str] = field(default_factory=dict)
    stopped_at: dict[str, float | None] = field(default_factory=dict)  # machine: progress where it stopped
    class_: str | None = None
    told: bool = False
    sources: list[str] = field(default_factory=list)
    subjects: list[str] = field(default_factory=list)  # direct loads whose supply was seen to be gone
    link: bool = False  # the broker's connection is part of it
    part_of: str | None = None

    def note(self) -> dict[str, Any]:
        """The document of an `outage` note."""
        lasted = (self.least_s, self.likely_s, self.most_s)
        return {
            "id": self.id,
            "cause": self.cause,
            "place": self.place,
            "started": self.started_s,
            "ended": self.ended_s,
            "backups": list(self.backups),
            "evidence": list(self.evidence),
            "against": list(self.against),
            "odds": dict(self.odds),
            "class": self.class_,
            "lasted_s": None if self.likely_s is None else [None if s is None else round(s, 1) for s in lasted],
            "low_v": self.low_v,
            "machines": list(self.machines),
            "builds": sorted(self.builds.values()),
            "fates": dict(self.fates),
            "part_of": self.part_of,
        }

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Outage":
        """The reverse of `as_dict`; takes the shorter form of an earlier version too."""
        known = {name: doc[name] for name in cls.__slots__ if name in doc}
        if "started_s" not in known:
            known |= {"started_s": doc["started"], "ended_s": doc["ended"]}
        known.setdefault("bad_s", known["started_s"])
        return cls(**known)


@dataclass(slots=True)
class _Track:
    """What one backup has said."""

    status: str = "unknown"
    line_s: float | None = None  # last heard on line
    first_s: float | None = None  # first and last heard on battery in this stretch
    last_s: float | None = None
    back_s: float | None = None  # first heard on line after it
    lines: int = 0  # heard on line so often since the outage in hand began
    known: bool = False
    missing: bool = False  # unseen for long during the outage in hand
    unseen_s: float | None = None


class OutageWatch:
    """Follows everything that tells of supply and sight; holds the incidents in hand."""

    def __init__(self, plan: SitePlan, sources: Mapping[str, Heard] | None = None) -> None:
        self._plan = plan
        self._sources: Mapping[str, Heard] = sources or {}
        self._tracks = {name: _Track() for name in plan.backups}
        self._out: set[str] = set()  # backups on battery
        self._good: dict[str, float] = {}  # subject: last time its meter read a good voltage
        self._dead: dict[str, float] = {}  # subject: since when it reads none
        self._low_v: dict[str, float] = {}
        self._down_s: float | None = None
        self._up_s: float | None = None
        self._failing: dict[str, float] = {}
        self._waits_s: float | None = None
        self._late: set[str] = set()  # sources of a network that is back, which may still be on their way
        self._late_until_s = 0.0
        self.aside: set[str] = set()  # machines out of service: their silence means nothing
        self.own: dict[str, int] = {}  # events of the site's own diary, by cause
        self.open: Outage | None = None
        self.last: Outage | None = None
        self.last_link: Outage | None = None
        self.others: dict[str, Outage] = {}

    # ---- what is told --------------------------------------------------------------------------------------

    def backup(self, name: str, status: str, now_s: float) -> bool:
        """A reading of a backup's status, or that it can no longer be seen; whether to look at once."""
        track = self._tracks[name]
        was, track.status = track.status, status
        if status in ON_BATTERY:
            self._out.add(name)
            if was not in ON_BATTERY and not (was == "unknown" and self._holds(name)):
                track.first_s, track.back_s = now_s, None
            track.last_s, track.known, track.unseen_s = now_s, True, None
            return was not in ON_BATTERY
        self._out.discard(name)
        if status == "on_line":
            if self._holds(name) and track.back_s is None:
                track.back_s = now_s
            if self.open is not None and track.unseen_s is not None and now_s > track.unseen_s + MISSING_S:
                track.missing = True  # its being back tells of the end, not of the cause
            track.line_s, track.known, track.unseen_s = now_s, True, None
            track.lines += 1
            return was != "on_line" or (self.open is not None and track.lines <= 2)
        if was != "unknown":
            track.unseen_s = now_s
        return was != "unknown"

    def _holds(self, name: str) -> bool:
        return self.open is not None and name in self.open.backups

    def volts(self, subject: str, voltage_v: float, now_s: float) -> bool:
        """A reading of a voltage; whether to look."""
        if voltage_v >= DEAD_SHARE * self._plan.voltage_v:
            self._good[subject] = now_s
            return self._dead.pop(subject, None) is not None
        self._low_v[subject] = min(voltage_v, self._low_v.get(subject, voltage_v))
        if subject in self._dead:
            return False
        self._dead[subject] = now_s
        return True

    def link(self, via: str, *, connected: bool, now_s: float) -> None:
        """A transport's connection came or went."""
        if via != "mqtt":
            return
        if connected:
            if self._down_s is not None:
                self._up_s = now_s
            self._down_s = None
        elif self._down_s is None:
            self._down_s = now_s

    def failing(self, source: str, now_s: float) -> None:
        """A request to a source failed."""
        self._failing.setdefault(source, now_s)

    def heard(self, source: str) -> None:
        """A source that was silent speaks again."""
        self._failing.pop(source, None)

    def awoke(self, dark_since_s: float | None, now_s: float) -> Outage | None:
        """The collector runs again: the outage that its own absence was, if it was long enough to matter."""
        if dark_since_s is None or now_s - dark_since_s < GAP_S:
            return None
        found = self._new("collector", "collector", dark_since_s, now_s)
        found.ended_s = now_s
        found.least_s = found.likely_s = found.most_s = now_s - dark_since_s
        found.evidence = ["the collector itself was not running: nothing was seen, nothing is known of that time"]
        return found

    # ---- what follows --------------------------------------------------------------------------------------

    def look(self, now_s: float) -> list[Outage]:
        """The incidents that have begun, changed or ended."""
        changed: list[Outage] = []
        self._look_supply(now_s, changed)
        self._look_sight(now_s, changed)
        return changed

    def next_look_s(self, now_s: float) -> float | None:
        """When to look again though nothing more is told; None for never."""
        due = [o.started_s + LATER_S for o in self.others.values() if o.cause == "broker" and o.link]
        due = [due_s for due_s in due if due_s > now_s]
        if self._waits_s is not None:
            due.append(max(self._waits_s + SETTLE_S, now_s + AGAIN_S))
        if self.open is not None:  # what is heard after it began tells where it stops
            due += [due_s for late_s in LOOKS_S if (due_s := self.open.bad_s + late_s) > now_s][:1]
        return min(due, default=None)

    def all_back(self) -> bool:
        """Whether no backup is on battery."""
        return not self._out

    def back_with(self, name: str) -> list[str]:
        """Backups last heard on battery before `name` was on line again, on a supply that this shows to be back."""
        outage, track = self.open, self._tracks[name]
        if outage is None or track.back_s is None or track.back_s != track.line_s:  # not just now
            return []
        circuit = self._plan.circuit_of(name)
        return [
            mate
            for mate in outage.backups
            if mate in self._out
            and (outage.cause == "site" or (outage.cause == "circuit" and self._plan.circuit_of(mate) == circuit))
            and (self._tracks[mate].last_s or 0.0) < track.back_s
        ]

    def recovering(self, subject: str, now_s: float) -> bool:
        """Whether what was lost here may still be on its way back."""
        last = self.last
        return last is not None and now_s < (last.ended_s or 0.0) + GRACE_S and self.covers(subject, last)

    def covers(self, subject: str, outage: Outage | None = None) -> bool:
        """Whether the loss of supply in hand (or the one given) explains what happens at this subject."""
        outage = outage if outage is not None else self.open
        if outage is None:
            return False
        if outage.cause == "site" or (outage.cause == "blip" and outage.place == "site"):
            return True
        plan = self._plan
        places = outage.place.split(", ")
        if plan.circuit_of(subject) in places:
            return True
        part = plan.machines.get(subject) or plan.loads.get(subject)
        backup = part.backup if part is not None else subject
        return backup in places or (outage.cause != "circuit" and backup in outage.backups)

    def covers_broker(self, lost_s: float) -> bool:
        """Whether the loss of supply in hand explains that the broker went at this time."""
        outage = self.open
        if outage is None:
            return False
        near = outage.started_s - BROKER_BEFORE_S <= lost_s <= outage.bad_s + BROKER_AFTER_S
        return near or (outage.cause == "site" and lost_s >= outage.started_s)

    def network_lost(self, within_s: float = 0.0, now_s: float = 0.0) -> bool:
        """Whether the whole network is gone, or came back less than `within_s` before `now_s`."""
        if any(o.cause == "network" and o.link for o in self.others.values()):
            return True
        last = self.last_link
        return last is not None and last.cause == "network" and now_s - (last.ended_s or 0.0) <= within_s

    def restore(self, docs: Iterable[dict[str, Any]]) -> None:
        """Take up the incidents that were open."""
        for doc in docs:
            outage = Outage.from_dict(doc)
            if outage.cause in SUPPLY:
                self.open = outage
            else:
                self.others[outage.id] = outage

    # ---- supply --------------------------------------------------------------------------------------------

    def _look_supply(self, now_s: float, changed: list[Outage]) -> None:
        out = sorted(self._out)
        dead = [name for name in self._dead if feeds(self._plan, name)[0] is not None]
        outage = self.open
        if outage is None:
            if not out and not dead:
                return
            outage = self.open = self._take_over(out, dead, now_s)
            changed.append(outage)
        elif not out and not dead and self._is_over(outage, now_s):
            self._close(outage)
            changed.append(outage)
            return
        before = outage.as_dict()
        outage.backups = sorted({*outage.backups, *out})
        outage.subjects = sorted({*outage.subjects, *dead})
        if out or dead:
            self._judge(outage, now_s)
        self._mark_dark(outage, now_s)
        if outage not in changed and outage.as_dict() != before:
            changed.append(outage)

    def _take_over(self, out: list[str], dead: list[str], now_s: float) -> Outage:
        """A new outage, or a loss of sight of a moment ago that now turns out to be one."""
        first_s = min(
            [*(s for n in out if (s := self._tracks[n].first_s) is not None), *(self._dead[n] for n in dead)],
            default=now_s,
        )
        for track in self._tracks.values():
            track.lines, track.missing = 0, False
        near = [o for o in self.others.values() if o.started_s >= first_s - TOGETHER_S and o.cause != "plug"]
        found = None
        for other in sorted(near, key=lambda o: o.started_s):
            if other.cause in ("broker", "network"):
                found = found or other
        if found is None:
            return self._new("site", "site", first_s, now_s)
        del self.others[found.id]
        found.sources, found.link, found.cause, found.place = [], False, "site", "site"
        found.bad_s = first_s
        return found

    def _judge(self, outage: Outage, now_s: float) -> None:
        """Cause, place, start and evidence by everything seen so far; what was once on battery still counts."""
        plan = self._plan
        firsts = [s for n in outage.backups if (s := self._tracks[n].first_s) is not None]
        firsts += [self._dead[n] for n in outage.subjects if n in self._dead]
        outage.bad_s = min([outage.bad_s, *firsts])
        things = self._things(outage.bad_s, now_s, set(outage.backups))
        out = tuple(outage.backups)
        circuits = {plan.circuit_of(n) for n in out} | {feeds(plan, n)[0] for n in outage.subjects}
        lost = tuple(sorted(c for c in circuits if c is not None))
        candidates = [Candidate("site", ("site",))]
        if len(lost) <= 8:
            candidates += [Candidate("circuit", (name,)) for name in lost]
        if 1 < len(lost) < len(plan.circuits):
            candidates.append(Candidate("circuit", lost))
        if len(out) <= 4:
            candidates += [Candidate("backup", (name,)) for name in out]
            candidates += [Candidate("backup", out)] if len(out) > 1 else []
        found = infer(candidates, things, plan, self.own)
        outage.cause, outage.place, outage.odds = found.best.cause, found.best.place, found.odds
        outage.evidence = [headline(found.best, things, plan), *words(found.pro)]
        outage.against = words(found.con)
        goods = [s for n in out if (s := self._tracks[n].line_s) is not None and s <= outage.bad_s]
        goods += [self._good[n] for n in outage.subjects if self._good.get(n, outage.bad_s + 1) <= outage.bad_s]
        start_s = max((s for s in goods if s >= outage.bad_s - KNOWN_S), default=outage.bad_s)
        outage.started_s = start_s
        volts = [self._low_v[n] for n in outage.subjects if n in self._low_v]
        outage.low_v = min(volts, default=outage.low_v)
        outage.machines = [name for name in plan.machines if self.covers(name, outage)]

    def _is_over(self, outage: Outage, now_s: float) -> bool:
        """All that lost its supply has it again, as far as can be seen."""
        unseen = [name for name in outage.backups if self._tracks[name].status == "unknown"]
        back = [s for name in outage.backups if (s := self._tracks[name].back_s) is not None]
        if unseen:
            return bool(back) and len(unseen) < len(outage.backups) and now_s - max(back) > GIVEN_UP_S
        if outage.backups:
            return True
        return all(self._again_s(name) is not None for name in (outage.subjects or outage.sources))

    def _again_s(self, subject: str) -> float | None:
        """When a direct load, or a source of it, was last heard with good supply; None while it is not."""
        if subject in self._sources:
            source = self._sources[subject]
            return source.last_s if source.state == "fresh" else None
        return self._good.get(subject) if subject not in self._dead else None

    def _close(self, outage: Outage) -> None:
        """The end: the first of a supply that is back tells it for all on the same supply."""
        groups: dict[object, list[float]] = {}
        for name in outage.backups:
            back_s = self._tracks[name].back_s
            if back_s is not None:
                groups.setdefault(name if outage.cause == "backup" else self._plan.circuit_of(name), []).append(back_s)
        ends = [min(times) for times in groups.values()]
        ends += [s for n in (outage.subjects or outage.sources) if (s := self._again_s(n)) is not None and not groups]
        ended_s = max([max(ends, default=outage.bad_s), outage.bad_s])
        bads = [s for n in outage.backups if (s := self._tracks[n].last_s) is not None and s <= ended_s]
        still_s = max(outage.bad_s, max(bads, default=outage.bad_s) - RETURN_S)
        outage.ended_s = ended_s
        outage.least_s = max(0.0, still_s - outage.bad_s)
        outage.most_s = ended_s - outage.started_s
        outage.likely_s = max(0.0, (still_s + ended_s - outage.started_s - outage.bad_s) / 2)
        if not outage.told and outage.least_s < self._plan.blip_s and outage.likely_s < 3 * self._plan.blip_s:
            outage.cause = "blip"
        for name in outage.backups:
            track = self._tracks[name]
            track.first_s = track.last_s = None
        self.open, self.last = None, outage

    def _mark_dark(self, outage: Outage, now_s: float) -> None:
        """Machines that have lost their supply: direct ones, and those behind a backup that has given out."""
        for name in outage.machines:
            if name in outage.dark:
                continue
            circuit, backup = feeds(self._plan, name)
            if circuit is not None or (backup is None and outage.cause == "site"):
                outage.dark[name] = outage.bad_s
                continue
            mine = [s for s in self._sources.values() if s.plan.subject == name]
            silent = [s for s in mine if s.state in ("silent", "failed")]
            if not mine or len(silent) < len(mine):
                continue
            track = self._tracks.get(backup or "")
            gone = track is not None and track.status == "unknown" and track.known
            if gone or all(not self._masked(s, now_s) for s in silent):
                unseen_s = track.unseen_s if track is not None and gone else None
                heard = [s.last_s for s in mine if s.last_s is not None]
                outage.dark[name] = max([outage.bad_s, *heard, *([unseen_s] if unseen_s is not None else [])])

    # ---- sight ---------------------------------------------------------------------------------------------

    def _look_sight(self, now_s: float, changed: list[Outage]) -> None:
        for other in list(self.others.values()):
            if self._seen_again(other, now_s):
                del self.others[other.id]
                changed.append(other)
            elif other.cause == "broker" and now_s <= other.started_s + TOGETHER_S:
                changed += self._rethink(other, now_s)
        quiet, down = self._unexplained(now_s)
        if not quiet and not down:
            self._waits_s = None
            return
        if self._waits_s is None:
            self._waits_s = now_s
        if now_s < self._waits_s + SETTLE_S:
            return
        self._waits_s = None
        while quiet or down:
            found = self._sight(quiet, now_s, down=down)
            changed += found
            quiet_now, down_now = self._unexplained(now_s)
            if len(quiet_now) + down_now >= len(quiet) + down:
                return  # nothing more is explained: what is left waits for the next look
            quiet, down = quiet_now, down_now

    def _rethink(self, other: Outage, now_s: float) -> list[Outage]:
        """Whether requests that fail meanwhile make a lost network of a lost broker."""
        explained = self._explain(set(other.sources), other.started_s, now_s, link=True)
        if explained is None or explained[0].best != Candidate("network", ("site",)):
            return []
        found, things = explained
        mine = {t.name for t in things if self._part(found.best, t) and t.look == "silent"}
        return self._enter(found, things, mine, [other], now_s, link=True)

    def _masked(self, source: Heard, now_s: float) -> bool:
        """Whether the broker's connection alone explains the silence."""
        if source.plan.via != "mqtt":
            return False
        return self._down_s is not None or (self._up_s is not None and now_s < self._up_s + 2 * TOGETHER_S)

    def _unexplained(self, now_s: float) -> tuple[list[Heard], bool]:
        """Silent sources that no incident in hand explains, the oldest first; and whether the broker's loss is so."""
        taken = {name for other in self.others.values() for name in other.sources}
        if self.open is not None:
            taken.update(self.open.sources)
        quiet = [
            source
            for name, source in self._sources.items()
            if source.state in ("silent", "failed")
            and source.last_s is not None
            and name not in taken
            and source.plan.subject not in self.aside
            and source.plan.subject != "site"
            and not self._masked(source, now_s)
            and not self.covers(source.plan.subject)
            and not self.recovering(source.plan.subject, now_s)
        ]
        down_s = self._down_s
        down = down_s is not None and not any(o.link for o in self.others.values()) and not self.covers_broker(down_s)
        if down and down_s is not None and self.last is not None:
            down = not (self.last.started_s - BROKER_BEFORE_S <= down_s <= (self.last.ended_s or 0.0))
        if now_s < self._late_until_s:
            quiet = [source for source in quiet if source.plan.id not in self._late]
        backups = [source for source in quiet if source.plan.subject in self._tracks]
        if len(backups) < 2 or 2 * len(backups) < len(self._tracks):  # fewer tell nothing of the transport
            quiet = [source for source in quiet if source not in backups]
        return sorted(quiet, key=lambda s: s.silent_since_s or 0.0), down

    def _sight(self, quiet: list[Heard], now_s: float, *, down: bool) -> list[Outage]:
        """The incident behind the oldest of what is unexplained."""
        times = [s.silent_since_s for s in quiet if s.silent_since_s is not None]
        times += [self._down_s] if down and self._down_s is not None else []
        onset_s = min(times)
        near = [o for o in self.others.values() if abs(o.started_s - onset_s) <= TOGETHER_S]
        group = {s.plan.id for s in quiet if (s.silent_since_s or 0.0) <= onset_s + TOGETHER_S}
        pooled = group | {name for o in near for name in o.sources}
        from_s = min([onset_s, *(o.started_s for o in near)])
        linked = down or any(o.link for o in near)
        for names_, bound, link in ((pooled, near, linked), (group, [], down)):
            explained = self._explain(names_, from_s if bound else onset_s, now_s, link=link)
            if explained is None:
                continue
            found, things = explained
            mine = {t.name for t in things if self._part(found.best, t) and t.look in ("silent", "dead")}
            takes_link = link and found.best.cause in ("broker", "network")
            held = [o for o in bound if set(o.sources) <= mine and (not o.link or takes_link)]
            if bound and not (held and ((mine & group) or (down and takes_link))):
                continue
            return self._enter(found, things, mine & names_, held, now_s, link=takes_link)
        return []

    def _part(self, candidate: Candidate, thing: Thing) -> bool:
        """Whether a thing's silence belongs to a candidate."""
        if effect(candidate, thing, self._plan) != "alone":
            return True
        backup = feeds(self._plan, thing.subject)[1] if thing.kind == "source" else None
        return candidate.cause == "backup" and backup in candidate.places

    def _explain(
        self, group: set[str], onset_s: float, now_s: float, *, link: bool
    ) -> tuple[Finding, list[Thing]] | None:
        things = [
            t
            for t in self._things(onset_s, now_s, set())
            if (t.kind != "source" or t.look == "live" or t.name in group or t.name in self._failing)
            and (t.kind != "broker" or link or t.look == "up")
        ]
        suspects = self._suspects(group, things, link=link)
        return (infer(suspects, things, self._plan, self.own), things) if suspects else None

    def _suspects(self, group: set[str], things: list[Thing], *, link: bool) -> list[Candidate]:
        """What may be behind a group of silent sources."""
        plan, seen = self._plan, self._sources
        found = [Candidate("broker", ("broker",)), Candidate("network", ("site",))] if link else []
        subjects = list(dict.fromkeys(seen[name].plan.subject for name in group))
        vias = dict.fromkeys(seen[name].plan.via for name in group)
        for via in vias:
            mine = [t for t in things if t.via == via and t.kind in ("source", "backup")]
            silent = [t for t in mine if t.look in ("silent", "unseen")]
            alive = any(t.look in ("live", "on_line", "still_on_line", "on_battery") for t in things)
            if len(silent) >= 2 and 2 * len(silent) >= len(mine) and alive:
                found.append(Candidate("network", (via,)))
        if len(subjects) > 1 and not link:
            found.append(Candidate("network", ("site",)))
        if len(subjects) > 1:
            circuits = dict.fromkeys(c for s in subjects if (c := feeds(plan, s)[0]) is not None)
            backups = dict.fromkeys(b for s in subjects if (b := feeds(plan, s)[1]) is not None)
            found += [Candidate("circuit", (c,)) for c in list(circuits)[:8]]
            found += [Candidate("backup", (b,)) for b in list(backups)[:8]]
        for subject in [name for name in subjects if name not in self._tracks][:8]:
            own = [s.plan.id for s in seen.values() if s.plan.subject == subject]
            quiet = [name for name in own if name in group]
            if all(_is_meter(seen[name].plan) for name in quiet):
                found.append(Candidate("plug", (subject,)))
            if not all(_is_meter(seen[name].plan) for name in own):
                found.append(Candidate("machine", (subject,)))
        return found

    def _enter(
        self, found: Finding, things: list[Thing], sources: set[str], held: list[Outage], now_s: float, *, link: bool
    ) -> list[Outage]:
        """Write down a loss of sight: a new one, or a better name for those that it explains."""
        heard = [self._sources[name].silent_since_s or now_s for name in sources]
        heard += [self._down_s] if link and self._down_s is not None else []
        started_s = min([*heard, *(o.started_s for o in held)], default=now_s)
        held.sort(key=lambda o: o.started_s)
        outage = held[0] if held else self._new(found.best.cause, found.best.place, started_s, now_s)
        for other in held[1:]:
            del self.others[other.id]
            other.ended_s, other.part_of = other.started_s, outage.id
        outage.cause, outage.place, outage.odds = found.best.cause, found.best.place, found.odds
        outage.started_s, outage.link = started_s, link
        outage.sources = sorted(sources | set(outage.sources))
        outage.evidence = [headline(found.best, things, self._plan), *words(found.pro)]
        outage.against = words(found.con)
        if outage.cause in SUPPLY and self.open is None:
            self.open = outage
            outage.machines = [name for name in self._plan.machines if self.covers(name, outage)]
            outage.subjects = []
        else:
            self.others[outage.id] = outage
        return [outage, *held[1:]]

    def _seen_again(self, other: Outage, now_s: float) -> bool:
        """Close a loss of sight that is over."""
        if other.link and self._down_s is not None:
            return False
        back = [self._sources[n] for n in other.sources if n in self._sources]
        fresh = [s.last_s for s in back if s.state == "fresh" and s.last_s is not None]
        need = len(back) / 2 if other.cause == "network" else len(back)
        if len(fresh) < need:
            return False
        times = [self._up_s] if other.link and self._up_s is not None else fresh
        end_s = (min if other.cause == "network" else max)(times, default=other.started_s)
        other.ended_s = end_s if end_s > other.started_s else now_s
        if other.link:
            self.last_link = other
        self._late = {s.plan.id for s in back if s.state != "fresh"}
        self._late_until_s = now_s + 2 * TOGETHER_S
        other.least_s = other.likely_s = other.most_s = other.ended_s - other.started_s
        return True

    # ---- what is seen --------------------------------------------------------------------------------------

    def _things(self, onset_s: float, now_s: float, was_out: set[str]) -> list[Thing]:
        """Everything that has been looked at since `onset_s`; what has not been is left out, never guessed."""
        things = []
        for name, track in self._tracks.items():
            if name in was_out or track.status in ON_BATTERY:
                things.append(Thing("backup", name, "on_battery", name, "ups"))
            elif track.missing:
                things.append(Thing("backup", name, "unseen", name, "ups"))
            elif track.status == "unknown":
                if track.known:
                    things.append(Thing("backup", name, "unseen", name, "ups"))
            elif track.line_s is not None and track.line_s > onset_s:
                look = "on_line" if track.lines < 2 else "still_on_line"
                things.append(Thing("backup", name, look, name, "ups"))
        for name, source in self._sources.items():
            plan = source.plan
            if plan.subject in self._tracks or self._masked(source, now_s):
                continue
            look = self._look_of(source, onset_s)
            if look:
                things.append(Thing("source", name, look, plan.subject, plan.via, _is_meter(plan)))
        if self._down_s is not None:
            if self._down_s >= onset_s - BROKER_AFTER_S:
                things.append(Thing("broker", "broker", "down", via="mqtt"))
        elif any(s.plan.via == "mqtt" for s in self._sources.values()):
            things.append(Thing("broker", "broker", "up", via="mqtt"))
        return things

    def _look_of(self, source: Heard, onset_s: float) -> str:
        heard_s = source.last_s
        if heard_s is None:
            return ""
        if source.state in ("silent", "failed"):
            return "silent" if heard_s >= onset_s - TOGETHER_S else ""
        if source.plan.subject in self._dead and _is_meter(source.plan):
            return "dead"
        if source.plan.id in self._failing and heard_s <= onset_s:
            return "silent"
        return "live" if source.state == "fresh" and heard_s > onset_s else ""

    def _new(self, cause: str, place: str, started_s: float, now_s: float) -> Outage:
        stem = "outage" if cause in SUPPLY else cause
        name = f"{stem}-{datetime.fromtimestamp(now_s, UTC):%Y%m%dT%H%M%S}"
        if cause in ("machine", "plug"):
            name += f"-{place}"
        return Outage(name, cause, place, started_s, bad_s=now_s if cause in SUPPLY else started_s)


def _is_meter(plan: SourcePlan) -> bool:
    """Whether a source tells of power alone: a plug, a meter."""
    return "power_w" in plan.quantities and "state" not in plan.quantities
