"""What is wanted: pieces of jobs, by when, what has been made of them, and which job goes on which machine next."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from farmwatch.alarms.hours import DAY_MIN, at_minute
from farmwatch.machines.history import job_key
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, Said

if TYPE_CHECKING:
    from collections.abc import Mapping

    from farmwatch.machines.builds import Build
    from farmwatch.words.model import JobPlan

MOST = 1e6


YEARS = (2001, 2099)


@dataclass(slots=True)
class Wanted:
    """Pieces of a job. `made`: good pieces by build, of builds that ended after it was asked for."""

    job: str
    pieces: float
    asked_s: float
    due_s: float | None = None
    made: dict[str, float] = field(default_factory=dict)

    @property
    def left(self) -> float:
        """Pieces still to be made."""
        return max(self.pieces - sum(self.made.values()), 0.0)


def due_of(text: str, timezone: str) -> float:
    """Epoch seconds of RFC 3339 with its offset, or of the end of a day on the wall's clock; raises Refused.

    >>> due_of("2026-11-27", "UTC") - due_of("2026-11-27T23:00:00Z", "UTC")
    3600.0
    """
    try:
        day = date.fromisoformat(text) if len(text) == 10 else None
        found = datetime.fromisoformat(text) if day is None else None
    except ValueError:
        day = found = None
    year = (day or found or date.min).year
    if (day or found) and not YEARS[0] <= year <= YEARS[1]:  # beyond these neither clock nor calendar holds
        raise Refused(f"no date that can be met: {text!r}", hint=f"a year from {YEARS[0]} to {YEARS[1]}")
    if day is not None:
        return at_minute(day, DAY_MIN, timezone)
    if found is None or found.tzinfo is None:
        raise Refused(f"no date: {text!r}", hint="write 2026-11-27, or 2026-11-27T12:00:00+00:00")
    return found.timestamp()


class OrderBook:
    """Wanted pieces and accepted loads."""

    def __init__(self, jobs: Mapping[str, JobPlan], timezone: str) -> None:
        self._jobs, self._zone = jobs, timezone
        self.wanted: dict[str, Wanted] = {}
        self.accepted: dict[str, str] = {}  # machine: job

    def pieces_of(self, build: Build) -> float | None:
        """Good pieces of a build that is done; None where nobody has said how many such a build gives."""
        if build.result != "done":
            return 0.0
        plan = self._jobs.get(build.job or "")
        return build.pieces if build.pieces is not None else plan.pieces if plan is not None else None

    def built(self, build: Build, effects: list[Effect]) -> bool:
        """A build is over, or its end was corrected; True where something wanted was made or lost."""
        entry = self.wanted.get(job_key(build.job) or "")
        if entry is None or build.ended_s is None or build.ended_s < entry.asked_s:
            return False
        pieces = self.pieces_of(build)
        if pieces is None or entry.made.get(build.id, 0.0) == pieces:
            return False
        entry.made[build.id] = pieces
        self._keep(entry, effects)
        return True

    def want(self, said: Said, effects: list[Effect]) -> None:
        """Pieces of a job are wanted from now on; 0 strikes it off."""
        job, pieces = str(said.fields.get("job") or "").strip(), said.fields.get("pieces")
        key = job_key(job)
        if key is None:
            raise Refused("pieces of which job?", hint="give the field 'job'")
        if not isinstance(pieces, int | float) or isinstance(pieces, bool) or not 0 <= pieces <= MOST:
            raise Refused(f"how many pieces of {job}?", hint="give the field 'pieces', from 0")
        if pieces == 0:
            self.wanted.pop(key, None)
            effects.append(Keep("wanted", key, None))
            return
        due = str(said.fields.get("due") or "").strip()
        entry = Wanted(job, float(pieces), said.at_s, due_of(due, self._zone) if due else None)
        self.wanted[key] = entry
        self._keep(entry, effects)

    def load_next(self, said: Said, effects: list[Effect]) -> None:
        """This job goes on the machine next; none: nothing is settled."""
        machine, job = str(said.machine), str(said.fields.get("job") or "").strip()
        if job:
            self.accepted[machine] = job
        else:
            self.accepted.pop(machine, None)
        effects.append(Keep("load_next", machine, {"job": job} if job else None))

    def started(self, machine: str, effects: list[Effect]) -> None:
        """Something was started there: what was settled is done, or no longer holds."""
        if self.accepted.pop(machine, None) is not None:
            effects.append(Keep("load_next", machine, None))

    def _keep(self, entry: Wanted, effects: list[Effect]) -> None:
        effects.append(Keep("wanted", job_key(entry.job) or "", asdict(entry)))

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]]) -> None:
        """Take up where the journal left off."""
        self.wanted = {key: Wanted(**doc) for key, doc in kept.get("wanted", {}).items()}
        self.accepted = {machine: doc["job"] for machine, doc in kept.get("load_next", {}).items()}
