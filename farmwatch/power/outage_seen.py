"""What has been seen of supply and sight: what backups, meters, sources and links have said, and the incidents in hand.

The watch's two halves (`outage_supply`, `outage_sight`) read it, and enter what follows.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from farmwatch.power.cause import Thing
from farmwatch.power.outage_record import SUPPLY, Outage
from farmwatch.words.model import SitePlan, SourcePlan

ON_BATTERY = frozenset({"on_battery", "low"})
DEAD_SHARE = 0.1
"""Below this share of the nominal voltage there is no supply (IEEE 1159: an interruption is below 0.1 pu)."""
TOGETHER_S = 30.0
"""What falls silent within so long of each other may have one cause."""
TURN_S = 10.0
"""A loss begins with the last word of one source; others may have had their turn for so long after it."""
BROKER_BEFORE_S, BROKER_AFTER_S = 30.0, 120.0
"""A broker that goes so long before or after a loss of supply went with it."""
GRACE_S = 180.0
"""How long what was lost may take to come back after its cause is gone."""
MISSING_S = 20.0
GAP_S = 60.0
"""A collector that was away for less has missed nothing worth a line."""


class Heard(Protocol):
    """How a source has behaved; the farm's own record of it."""

    plan: SourcePlan
    state: str
    last_s: float | None
    silent_since_s: float | None


@dataclass(slots=True)
class Track:
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


class Seen:
    """Everything that tells of supply and sight; holds the incidents in hand."""

    def __init__(self, plan: SitePlan, sources: Mapping[str, Heard] | None = None) -> None:
        self.plan = plan
        self.sources: Mapping[str, Heard] = sources or {}
        self.tracks = {name: Track() for name in plan.backups}
        self.out: set[str] = set()  # backups on battery
        self.good: dict[str, float] = {}  # subject: last time its meter read a good voltage
        self.dead: dict[str, float] = {}  # subject: since when it reads none
        self.low_v: dict[str, float] = {}
        self.down_s: float | None = None
        self.up_s: float | None = None
        self.refused: dict[str, float] = {}
        self.aside: set[str] = set()  # machines out of service: their silence means nothing
        self.own: dict[str, int] = {}  # events of the site's own diary, by cause
        self.open: Outage | None = None
        self.last: Outage | None = None
        self.last_link: Outage | None = None
        self.others: dict[str, Outage] = {}

    # ---- what is told --------------------------------------------------------------------------------------

    def backup(self, name: str, status: str, now_s: float) -> bool:
        """A reading of a backup's status, or that it can no longer be seen; whether to look at once."""
        track = self.tracks[name]
        was, track.status = track.status, status
        if status in ON_BATTERY:
            self.out.add(name)
            if was not in ON_BATTERY and not (was == "unknown" and self._holds(name)):
                track.first_s, track.back_s = now_s, None
            track.last_s, track.known, track.unseen_s = now_s, True, None
            return was not in ON_BATTERY
        self.out.discard(name)
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
        if voltage_v >= DEAD_SHARE * self.plan.voltage_v:
            self.good[subject] = now_s
            return self.dead.pop(subject, None) is not None
        self.low_v[subject] = min(voltage_v, self.low_v.get(subject, voltage_v))
        if subject in self.dead:
            return False
        self.dead[subject] = now_s
        return True

    def link(self, via: str, *, connected: bool, now_s: float) -> None:
        """A transport's connection came or went."""
        if via != "mqtt":
            return
        if connected:
            if self.down_s is not None:
                self.up_s = now_s
            self.down_s = None
        elif self.down_s is None:
            self.down_s = now_s

    def failing(self, source: str, now_s: float) -> None:
        """A request to a source failed."""
        self.refused.setdefault(source, now_s)

    def heard(self, source: str) -> None:
        """A source that was silent speaks again."""
        self.refused.pop(source, None)

    def awoke(self, dark_since_s: float | None, now_s: float) -> Outage | None:
        """The collector runs again: the outage that its own absence was, if it was long enough to matter."""
        if dark_since_s is None or now_s - dark_since_s < GAP_S:
            return None
        found = self.new("collector", "collector", dark_since_s, now_s)
        found.ended_s = now_s
        found.least_s = found.likely_s = found.most_s = now_s - dark_since_s
        found.evidence = ["the collector itself was not running: nothing was seen, nothing is known of that time"]
        return found

    # ---- what an incident in hand explains -----------------------------------------------------------------

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
        plan = self.plan
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

    # ---- what is seen --------------------------------------------------------------------------------------

    def masked(self, source: Heard, now_s: float) -> bool:
        """Whether the broker's connection alone explains the silence."""
        if source.plan.via != "mqtt":
            return False
        return self.down_s is not None or (self.up_s is not None and now_s < self.up_s + 2 * TOGETHER_S)

    def things(self, onset_s: float, now_s: float, was_out: set[str]) -> list[Thing]:
        """Everything that has been looked at since `onset_s`; what has not been is left out, never guessed."""
        things = []
        for name, track in self.tracks.items():
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
        for name, source in self.sources.items():
            plan = source.plan
            if plan.subject in self.tracks or self.masked(source, now_s):
                continue
            look = self._look_of(source, onset_s)
            if look:
                things.append(Thing("source", name, look, plan.subject, plan.via, is_meter(plan)))
        if self.down_s is not None:
            if self.down_s >= onset_s - BROKER_AFTER_S:
                things.append(Thing("broker", "broker", "down", via="mqtt"))
        elif any(s.plan.via == "mqtt" for s in self.sources.values()):
            things.append(Thing("broker", "broker", "up", via="mqtt"))
        return things

    def _look_of(self, source: Heard, onset_s: float) -> str:
        heard_s = source.last_s
        if heard_s is None:
            return ""
        if source.state in ("silent", "failed"):
            return "silent" if heard_s >= onset_s - TOGETHER_S else ""
        if source.plan.subject in self.dead and is_meter(source.plan):
            return "dead"
        if source.plan.id in self.refused and heard_s <= onset_s + TURN_S:
            return "silent"
        return "live" if source.state == "fresh" and heard_s > onset_s else ""

    def new(self, cause: str, place: str, started_s: float, now_s: float) -> Outage:
        """A new incident with its id."""
        stem = "outage" if cause in SUPPLY else cause
        name = f"{stem}-{datetime.fromtimestamp(now_s, UTC):%Y%m%dT%H%M%S}"
        if cause in ("machine", "plug") or name in self.others:  # two within a second are two
            name += f"-{place}"
        return Outage(name, cause, place, started_s, bad_s=now_s if cause in SUPPLY else started_s)


def is_meter(plan: SourcePlan) -> bool:
    """Whether a source tells of power alone: a plug, a meter."""
    return "power_w" in plan.quantities and "state" not in plan.quantities
