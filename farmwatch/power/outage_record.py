"""One incident of supply or sight, as it is followed, kept and told."""

from dataclasses import asdict, dataclass, field
from typing import Any

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
