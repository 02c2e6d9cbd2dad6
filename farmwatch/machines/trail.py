"""What was said of a build while it ran, so that it can be held against its end."""

import re
from typing import Any, NamedTuple

SHARES: tuple[float, ...] = (0.10, 0.25, 0.50, 0.75, 0.90)
MOST = 256


class Told(NamedTuple):
    """An estimate as it was given: finish times in epoch seconds, None where none was."""

    at_s: float
    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    basis: str


class Trail:
    """Estimates of one build in order of time, thinned evenly when they become many."""

    def __init__(self) -> None:
        self._rows: list[Told] = []
        self._apart_s = 0.0

    def add(self, said: Told) -> None:
        """Keep an estimate."""
        if self._rows and said.at_s - self._rows[-1].at_s < self._apart_s:
            return
        self._rows.append(said)
        if len(self._rows) > MOST:
            self._rows = self._rows[::2]
            self._apart_s = max(2 * self._apart_s, 110.0)

    def before(self, at_s: float) -> Told | None:
        """The last estimate that was given by then; None if there is none."""
        return next((row for row in reversed(self._rows) if row.at_s <= at_s), None)

    def picked(self, started_s: float, ended_s: float) -> list[dict[str, Any]]:
        """What was said at each of SHARES of the build's true length: the last estimate before that moment.

        A share before which nothing had been said is left out.
        """
        rows = []
        for share in SHARES:
            moment_s = started_s + share * (ended_s - started_s)
            before = [row for row in self._rows if row.at_s <= moment_s]
            if before:
                said = before[-1]
                rows.append({"share": share, **said._asdict()})
        return rows


def class_of(basis: str) -> str:
    """The class of a basis, without its numbers and names.

    >>> class_of("7 builds of pane-clip"), class_of("all 12 builds of the shop that ran so long: x")
    ("this job's history", 'all builds of the shop')
    >>> class_of("reported remaining time, corrected by 3 builds of vent-collar")
    'reported remaining time'
    """
    if basis[:1].isdigit():
        return "this job's history"
    if basis.startswith("all "):
        return "all builds of the shop"
    return re.split(r",|;| \(", basis, maxsplit=1)[0]
