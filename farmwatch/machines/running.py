"""What is kept of a build while it runs, and what was said of it meanwhile."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from farmwatch.machines.curve import Crossings
from farmwatch.machines.pace import Pace


class Estimate(NamedTuple):
    """Finish times in epoch seconds, None where no interval can honestly be given.

    ``basis`` says in words what it rests on, ``builds`` on how many; ``overdue_s`` how far a build runs
    beyond what was expected of it, None while it does not.
    """

    p025_s: float | None
    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    p975_s: float | None
    basis: str
    builds: int
    overdue_s: float | None


def later(found: Estimate, by_s: float) -> Estimate:
    """The same, so many seconds later."""
    low95, low80, middle, high80, high95 = found[:5]
    return found._replace(
        p025_s=None if low95 is None else low95 + by_s,
        p10_s=None if low80 is None else low80 + by_s,
        p50_s=None if middle is None else middle + by_s,
        p90_s=None if high80 is None else high80 + by_s,
        p975_s=None if high95 is None else high95 + by_s,
    )


@dataclass(slots=True)
class Shot:
    """What was said at one instant of a running build: kept until its end shows how right it was.

    ``run_s`` is the run time at that instant, or at that of the reported remaining time where there is one.
    """

    stage: int
    at_s: float
    run_s: float
    said: dict[str, float]
    reported_s: float | None
    finish_s: float
    scale_s: float
    kind: str
    bounds: list[float | None]


@dataclass(slots=True)
class View:
    """The same as if the job were new: what each rate said, and what came of them together."""

    stage: int
    even: str
    run_s: float
    said: list[float | None]
    left_s: float
    scale_s: float


@dataclass(slots=True)
class Running:
    """One running build."""

    machine: str
    key: str | None
    name: str
    start_s: float
    planned_s: float | None
    paused_s: float = 0.0
    pause_from_s: float | None = None
    last_s: float = 0.0
    step: float = 0.0
    crossings: Crossings = field(default_factory=Crossings)
    pace: Pace = field(default_factory=Pace)
    claim: float | None = None
    claim_at_s: float = 0.0
    remaining_s: float | None = None
    remaining_at_s: float = 0.0
    remaining_run_s: float = 0.0
    shots: dict[int, Shot] = field(default_factory=dict)
    views: dict[int, View] = field(default_factory=dict)
    next_shot_s: float = 0.0
    fitted: list[float] | None = None
    cached: Estimate | None = None
    cached_at_s: float = -math.inf
    cached_version: int = -1
    fresh_s: float = 0.0
    kept: dict[Any, Any] = field(default_factory=dict)  # what was looked up; void once anything was learnt
    version: int = -1
    look_s: float = -math.inf

    def run_s(self, now_s: float) -> float:
        """Seconds run so far, pauses taken out; never negative."""
        pause_s = self.pause_from_s
        end_s = now_s if pause_s is None or now_s < pause_s else pause_s
        run_s = end_s - self.start_s - self.paused_s
        return max(0.0, run_s)

    def set_back(self, by_s: float) -> None:
        """The clock stood ahead and has been set back: all that was so far lies so much earlier."""
        self.start_s -= by_s
        self.last_s -= by_s
        self.claim_at_s -= by_s
        self.remaining_at_s -= by_s
        self.next_shot_s -= by_s
        self.pause_from_s = None if self.pause_from_s is None else self.pause_from_s - by_s
        for shot in self.shots.values():
            shot.at_s -= by_s
            shot.finish_s -= by_s
        self.cached, self.look_s = None, -math.inf

    @property
    def reported(self) -> bool:
        """Whether the machine has said anything of the build."""
        return self.claim is not None or self.remaining_s is not None

    def said(self) -> tuple[float | None, ...]:
        """What the reports so far come to: while the build stands still an estimate changes with nothing else."""
        pace = self.pace
        return self.claim, self.step, self.remaining_s, self.remaining_run_s, pace.seen_s, pace.top, pace.gap_s


PLAIN = (
    "machine", "key", "name", "start_s", "planned_s", "paused_s", "pause_from_s", "last_s", "step", "claim",
    "claim_at_s", "remaining_s", "remaining_at_s", "remaining_run_s", "next_shot_s",
)  # fmt: skip


def running_to(running: Running) -> dict[str, Any]:
    """A running build as a journal row."""
    c = running.crossings
    row: dict[str, Any] = {name: getattr(running, name) for name in PLAIN}
    row["crossings"] = [c.reached, c.next_knot, c.top, c.top_at_s, c.seen_at_s]
    row["pace"] = running.pace.as_list()
    row["shots"] = [
        [s.stage, s.at_s, s.run_s, s.said, s.reported_s, s.finish_s, s.scale_s, s.kind, s.bounds]
        for s in running.shots.values()
    ]
    row["views"] = [[v.stage, v.even, v.run_s, v.said, v.left_s, v.scale_s] for v in running.views.values()]
    return row


def running_from(row: Mapping[str, Any]) -> Running:
    """A running build from its journal row."""
    running = Running(row["machine"], row["key"], row["name"], row["start_s"], row["planned_s"])
    for name in PLAIN[5:]:
        setattr(running, name, row[name])
    running.crossings = Crossings(*row["crossings"])
    if "pace" in row:
        running.pace = Pace.from_list(row["pace"])
    running.shots = {shot[0]: Shot(*shot) for shot in row["shots"]}
    running.views = {view[0]: View(*view) for view in row.get("views", ())}
    return running
