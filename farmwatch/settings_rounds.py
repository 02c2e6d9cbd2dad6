"""How rounds are chosen: the configuration's part, and what is wrong between it and the rest."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from pydantic import Field

from farmwatch.settings_fields import Number, Part
from farmwatch.words.rounds import RoundsPlan

if TYPE_CHECKING:
    from farmwatch.settings_model import Settings


class Rounds(Part):
    """Rounds to the machines. When people can go stands under [people]."""

    trip_cost_min: Number = Field(
        default=20.0, ge=0, le=10_000, description="What one trip is worth in idle machine-minutes."
    )
    horizon_h: Number = Field(default=24.0, gt=0, le=168, description="Idle time counts up to so many hours from now.")
    walk: list[str] = Field(
        default=[], description="Machines in walking order; none: along the rows of the map, there and back."
    )

    def plan(self) -> RoundsPlan:
        """As the pure rooms see it."""
        return RoundsPlan(self.trip_cost_min, self.horizon_h, tuple(self.walk))


def mistakes(settings: "Settings", machines: list[str]) -> Iterator[tuple[tuple[str, ...], str, str]]:
    """(path, what, suggestion) of what is wrong."""
    for job, entry in settings.jobs.items():
        for name in entry.machines:
            if name not in machines:
                yield ("jobs", job, "machines"), f'no machine is called "{name}"', "use names of [machines]"
    seen: set[str] = set()
    for name in settings.rounds.walk:
        if name not in machines:
            yield ("rounds", "walk"), f'no machine is called "{name}"', "use names of [machines]"
        elif name in seen:
            yield ("rounds", "walk"), f'"{name}" stands in it twice', "name each machine once"
        seen.add(name)
