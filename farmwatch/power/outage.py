"""What failed and where: one cause from many symptoms, followed from its first evidence to its end.

`OutageWatch` is told what backups, meters, sources and links do, and asked to `look` when something may follow
from it. At most one loss of supply is in hand (`open`: site, circuit or backup); beside it stand losses of sight
(`others`: broker, network, machine, plug). What a cause in hand explains makes no cause of its own. A cause may
be revised while it is open: the id stays, the later note replaces the earlier one.
"""


from collections.abc import Iterable, Mapping
from typing import Any

from farmwatch.power.outage_record import SUPPLY, Outage
from farmwatch.power.outage_seen import Heard, Seen
from farmwatch.power.outage_sight import SETTLE_S, SightLook
from farmwatch.power.outage_supply import SupplyLook
from farmwatch.words.model import SitePlan

LOOKS_S: tuple[float, ...] = (3.0, 10.0, 30.0, 60.0)
"""How long after an outage has begun its cause is thought over again though nothing else happens."""
AGAIN_S = 1.0
LATER_S = 25.0
"""A lost broker is judged once more, before it is told: by then every polled device has failed or answered."""


class OutageWatch(Seen):
    """Follows everything that tells of supply and sight; holds the incidents in hand."""

    def __init__(self, plan: SitePlan, sources: Mapping[str, Heard] | None = None) -> None:
        super().__init__(plan, sources)
        self._supply = SupplyLook(self)
        self._sight = SightLook(self)

    def look(self, now_s: float) -> list[Outage]:
        """The incidents that have begun, changed or ended."""
        changed: list[Outage] = []
        self._supply.look(now_s, changed)
        self._sight.look(now_s, changed)
        return changed

    def next_look_s(self, now_s: float) -> float | None:
        """When to look again though nothing more is told; None for never."""
        due = [o.started_s + LATER_S for o in self.others.values() if o.cause == "broker" and o.link]
        due = [due_s for due_s in due if due_s > now_s]
        if self._sight.waits_s is not None:
            due.append(max(self._sight.waits_s + SETTLE_S, now_s + AGAIN_S))
        if self.open is not None:  # what is heard after it began tells where it stops
            due += [due_s for late_s in LOOKS_S if (due_s := self.open.bad_s + late_s) > now_s][:1]
            given_up_s = self._supply.given_up_s(self.open)
            if given_up_s is not None and given_up_s > now_s:
                due.append(given_up_s)
        return min(due, default=None)

    def all_back(self) -> bool:
        """Whether no backup is on battery."""
        return not self.out

    def back_with(self, name: str) -> list[str]:
        """Backups last heard on battery before `name` was on line again, on a supply that this shows to be back."""
        outage, track = self.open, self.tracks[name]
        if outage is None or track.back_s is None or track.back_s != track.line_s:  # not just now
            return []
        circuit = self.plan.circuit_of(name)
        return [
            mate
            for mate in outage.backups
            if mate in self.out
            and (outage.cause == "site" or (outage.cause == "circuit" and self.plan.circuit_of(mate) == circuit))
            and (self.tracks[mate].last_s or 0.0) < track.back_s
        ]

    def network_lost(self, within_s: float = 0.0, now_s: float = 0.0) -> bool:
        """Whether the whole network is gone, or came back less than `within_s` before `now_s`."""
        if any(o.cause == "network" and o.link for o in self.others.values()):
            return True
        last = self.last_link
        return last is not None and last.cause == "network" and now_s - (last.ended_s or 0.0) <= within_s

    def restore(self, docs: Iterable[dict[str, Any]], last: dict[str, Any] | None = None) -> None:
        """Take up the incidents that were open, and the last loss of supply that was over."""
        self.last = None if last is None else Outage.from_dict(last)
        for doc in docs:
            outage = Outage.from_dict(doc)
            if outage.cause in SUPPLY:
                self.open = outage
            else:
                self.others[outage.id] = outage
