"""Builds: one run of a machine from heat-up to its end."""

from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

NEARLY = 0.985
"""A build that stopped at this reported share without a word is taken as done."""
POWER_WENT = "the power went while it was building"
RESULTS: tuple[str, ...] = ("done", "failed", "cancelled", "unknown")


@dataclass(slots=True)
class Build:
    """A build, open while `ended_s` is None.

    `started_s` is the begin of the heat-up where that was seen. `inferred` lists what nobody reported but was
    concluded, such as "end" or "material". `progress` (0..1) and `remaining_s` are the last that were reported.
    """

    id: str
    machine: str
    started_s: float
    job: str | None = None
    material: str | None = None
    planned_s: float | None = None
    ended_s: float | None = None
    result: str = "unknown"
    because: str = ""
    progress: float | None = None
    progress_at_s: float | None = None
    own_progress: bool = False  # it was low once: not what the build before had left
    remaining_s: float | None = None
    energy_wh: float | None = None
    pieces: float | None = None  # as reported
    filament_mm: float | None = None  # as reported last while it ran
    filament_g: float | None = None
    value: float | None = None  # what a person says that it is worth saving in an outage
    from_wh: float | None = None  # the meter's total at the build's start
    inferred: tuple[str, ...] = ()
    estimates: list[dict[str, Any]] = field(default_factory=list)  # what was said of it while it ran

    def as_dict(self) -> dict[str, Any]:
        """All fields, JSON-able, for the journal."""
        doc = asdict(self)
        doc["inferred"] = list(self.inferred)
        return doc

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Build":
        """The reverse of `as_dict`; unknown fields of a later version are left out."""
        known = {name: doc[name] for name in cls.__slots__ if name in doc}
        known["inferred"] = tuple(known.get("inferred", ()))
        return cls(**known)

    def note(self) -> dict[str, Any]:
        """The document of a `build` note."""
        return {
            "id": self.id,
            "machine": self.machine,
            "job": self.job,
            "material": self.material,
            "started": self.started_s,
            "ended": self.ended_s,
            "result": self.result,  # of an open build: unknown
            "because": self.because,
            "inferred": list(self.inferred),
            "energy_wh": None if self.energy_wh is None else round(self.energy_wh, 1),
            **({"estimates": self.estimates} if self.estimates else {}),
        }


def build_id(machine: str, started_s: float) -> str:
    """A name for a build that is the same in every run over the same recording.

    >>> build_id("knot", 1764057600.25)
    'knot-20251125T080000'
    """
    return f"{machine}-{datetime.fromtimestamp(started_s, UTC):%Y%m%dT%H%M%S}"


def conclude(build: Build, now_s: float, *, off: bool, mains_lost: bool, blind: bool) -> tuple[str, str]:
    """Result and reason for a build whose machine stopped without saying how it ended.

    A build whose last report was near its end is taken as done; one that stopped early as unknown, or as
    failed where the power went. Nothing reported at all (a plug alone) counts as done: a plug cannot see a
    failed part, and the person can say otherwise.
    """
    if (off or blind) and mains_lost:  # also shortly before its end: the last word was that it builds
        return "failed", POWER_WENT
    at_s = build.progress_at_s
    if build.remaining_s is not None and at_s is not None and at_s + build.remaining_s <= now_s + 90:
        return "done", "stopped when its reported time was up"
    if build.progress is None:
        if off:
            return "unknown", "went off in mid-build"
        return "done", "stopped drawing building power" if not blind else "was over when it was seen again"
    if build.progress >= NEARLY:
        return "done", f"stopped at {build.progress:.0%}"
    return "unknown", f"stopped at {build.progress:.0%} without saying why"
