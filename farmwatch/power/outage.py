"""What failed and where: one cause from many symptoms, and the diary of outages.

This first form reasons from the backups alone: those on battery at the same time tell whether the site, a
circuit or a single backup has lost its supply.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from farmwatch.words.model import SitePlan

ON_BATTERY = frozenset({"on_battery", "low"})


@dataclass(slots=True)
class Outage:
    """One loss of supply, open while `ended_s` is None."""

    id: str
    cause: str  # site | circuit | backup | blip
    place: str
    started_s: float
    ended_s: float | None = None
    backups: list[str] = field(default_factory=list)
    evidence: list[str] = field(default_factory=list)

    def note(self) -> dict[str, Any]:
        """The document of an `outage` note."""
        return {
            "id": self.id,
            "cause": self.cause,
            "place": self.place,
            "started": self.started_s,
            "ended": self.ended_s,
            "backups": list(self.backups),
            "evidence": list(self.evidence),
        }


def place_of(statuses: dict[str, str], plan: SitePlan) -> tuple[str, str, list[str]]:
    """Cause, place and evidence for the backups' present statuses (at least one of them on battery).

    All backups that can be seen on battery, of more than one circuit or of a site with one: the site's mains.
    All that can be seen of one circuit, while another circuit's backup is on line: that circuit. Else the
    backup alone.
    """
    out = sorted(name for name, status in statuses.items() if status in ON_BATTERY)
    live = sorted(name for name, status in statuses.items() if status == "on_line")
    evidence = [f"{name} {status.replace('_', ' ')}" for name, status in sorted(statuses.items())]
    circuits_out = {plan.circuit_of(name) for name in out}
    circuits_live = {plan.circuit_of(name) for name in live}
    if not live and (len(circuits_out) > 1 or len(plan.circuits) <= 1 or None in circuits_out):
        return "site", "site", evidence
    dark = circuits_out - circuits_live - {None}
    if len(dark) > 1 and not live:
        return "site", "site", evidence
    if dark and circuits_out == dark:
        siblings = [name for name in statuses if plan.circuit_of(name) in dark]
        if len(siblings) > 1 or not live or circuits_live:
            return "circuit", ", ".join(sorted(str(name) for name in dark)), evidence
    return "backup", ", ".join(out), evidence


class OutageWatch:
    """Follows the backups' statuses; holds the outage in hand."""

    def __init__(self, plan: SitePlan) -> None:
        self._plan = plan
        self.open: Outage | None = None

    def update(self, statuses: dict[str, str], now_s: float) -> Outage | None:
        """The outage that has begun, changed or ended with these statuses, else None."""
        out = [name for name, status in statuses.items() if status in ON_BATTERY]
        if self.open is None:
            if not out:
                return None
            cause, place, evidence = place_of(statuses, self._plan)
            name = f"outage-{datetime.fromtimestamp(now_s, UTC):%Y%m%dT%H%M%S}"
            self.open = Outage(name, cause, place, now_s, None, sorted(out), evidence)
            return self.open
        outage = self.open
        if out:
            new = sorted({*outage.backups, *out})
            if new == outage.backups:
                return None
            outage.backups = new
            seen = {name: "on_battery" if name in new else status for name, status in statuses.items()}
            outage.cause, outage.place, outage.evidence = place_of(seen, self._plan)
            return outage
        if any(statuses.get(name) == "unknown" for name in outage.backups):
            return None
        outage.ended_s = now_s
        if now_s - outage.started_s < self._plan.blip_s:
            outage.cause = "blip"
        self.open = None
        return outage
