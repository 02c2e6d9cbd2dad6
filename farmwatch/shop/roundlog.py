"""Rounds that are made: which beds, how long they had waited, how long it took; and what the next one will take.

A round begins with the first bed that is cleared, or when somebody says so; it is over when somebody says so, or at the
last thing that was done on it once nothing more has been done for half an hour.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from statistics import fmean, median
from typing import TYPE_CHECKING, Any

from farmwatch.words.model import Effect, Keep, Note

if TYPE_CHECKING:
    from collections.abc import Mapping

    from farmwatch.words.rounds import DoneRoundView, OpenRoundView

QUIET_S = 1800.0
KEPT = 50
LEAST_TOOK_S = 60.0
"""A shorter round was one click: nothing is learnt from it."""
FIT_FROM = 5


@dataclass(slots=True)
class Trip:
    """A round. `beds`: machine: seconds that it had waited. `ticks`: machine: what was said of it."""

    id: str
    began_s: float
    last_s: float
    by: str = ""
    ended_s: float | None = None
    beds: dict[str, float] = field(default_factory=dict)
    ticks: dict[str, list[str]] = field(default_factory=dict)

    @property
    def took_s(self) -> float:
        """From its beginning to its end."""
        return (self.last_s if self.ended_s is None else self.ended_s) - self.began_s

    def doc(self) -> dict[str, Any]:
        """The document of a `round` note."""
        return {
            "id": self.id, "began": self.began_s, "ended": self.ended_s, "by": self.by, "beds": list(self.beds),
            "idle_before_s": round(sum(self.beds.values()), 1), "took_s": round(self.took_s, 1),
        }  # fmt: skip


class RoundLog:
    """The round in hand and those that are over."""

    def __init__(self) -> None:
        self.open: Trip | None = None
        self.done: list[Trip] = []

    def begin(self, by: str, now_s: float, effects: list[Effect]) -> Trip:
        """The round in hand; a new one where there is none, or the last has gone quiet."""
        if self.open is not None and now_s - self.open.last_s > QUIET_S:
            self.end(self.open.last_s, effects)
        if self.open is None:
            self.open = Trip(f"round-{now_s:.0f}", now_s, now_s, by)
        trip = self.open
        trip.last_s, trip.by = max(trip.last_s, now_s), trip.by or by
        self._keep(effects)
        return trip

    def cleared(self, machine: str, idle_s: float, now_s: float, effects: list[Effect]) -> None:
        """A bed was cleared."""
        trip = self.begin("", now_s, effects)
        trip.beds[machine] = trip.beds.get(machine, 0.0) + max(idle_s, 0.0)
        self._keep(effects)

    def tick(self, machine: str, what: str, by: str, now_s: float, effects: list[Effect]) -> None:
        """Something was said of a machine on a round."""
        trip = self.begin(by, now_s, effects)
        said = trip.ticks.setdefault(machine, [])
        if what not in said:
            said.append(what)
        self._keep(effects)

    def end(self, at_s: float, effects: list[Effect]) -> None:
        """The round in hand is over; one in which nothing was done leaves no trace."""
        trip, self.open = self.open, None
        effects.append(Keep("round", "open", None))
        if trip is None or not (trip.beds or trip.ticks):
            return
        trip.ended_s = max(at_s, trip.last_s)
        self.done = [*self.done, trip][-KEPT:]
        effects.append(Note(at_s, "round", trip.doc()))
        effects.append(Keep("round", "done", {"rows": [asdict(row) for row in self.done]}))

    def minute(self, now_s: float, effects: list[Effect]) -> None:
        """A round of which nothing more was heard is over."""
        if self.open is not None and now_s - self.open.last_s > QUIET_S:
            self.end(self.open.last_s, effects)

    def expected_min(self, beds: int) -> tuple[float, float, float] | None:
        """How long a round with so many beds takes: low, middle, high (of those that were made); None: not known.

        Least squares of the time over the beds from five rounds on, else the median.
        """
        rows = [(float(len(trip.beds)), trip.took_s / 60) for trip in self.done if trip.took_s >= LEAST_TOOK_S]
        if not rows:
            return None
        mean_x, mean_y = fmean(x for x, _ in rows), fmean(y for _, y in rows)
        spread = sum((x - mean_x) ** 2 for x, _ in rows)
        slope = 0.0
        if len(rows) >= FIT_FROM and spread > 0:
            slope = max(sum((x - mean_x) * (y - mean_y) for x, y in rows) / spread, 0.0)
        base = mean_y - slope * mean_x if slope > 0 else median(y for _, y in rows)
        off = sorted(y - base - slope * x for x, y in rows)
        middle = max(base + slope * beds, 0.0)
        return max(middle + off[0], 0.0), middle, middle + off[-1]

    def _keep(self, effects: list[Effect]) -> None:
        if self.open is not None:
            effects.append(Keep("round", "open", asdict(self.open)))

    def restore(self, kept: Mapping[str, dict[str, Any]]) -> None:
        """Take up where the journal left off."""
        if (doc := kept.get("open")) is not None:
            self.open = Trip(**doc)
        self.done = [Trip(**row) for row in kept.get("done", {}).get("rows", ())]

    # ---- looking ------------------------------------------------------------------------------------------------

    def open_view(self) -> OpenRoundView | None:
        """The round in hand."""
        trip = self.open
        if trip is None:
            return None
        return {"id": trip.id, "began_s": trip.began_s, "by": trip.by, "beds": list(trip.beds)}

    def done_view(self, most: int = 10) -> list[DoneRoundView]:
        """The newest rounds that are over, newest first."""
        return [
            {"id": trip.id, "began_s": trip.began_s, "ended_s": trip.began_s + trip.took_s, "by": trip.by,
             "beds": list(trip.beds), "idle_min": sum(trip.beds.values()) / 60, "took_min": trip.took_s / 60}
            for trip in reversed(self.done[-most:])
        ]  # fmt: skip
