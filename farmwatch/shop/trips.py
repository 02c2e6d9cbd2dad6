"""The rounds desk: asks when to go, keeps the answer, the log of rounds, and what has been ticked off already."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from farmwatch.shop.roundlog import RoundLog
from farmwatch.shop.sheet import sheet
from farmwatch.shop.visits import RoundAnswer, line, question_of, ready_at
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Keep, Said, Work, Worked
from farmwatch.words.rounds import LoadView, RoundsView

if TYPE_CHECKING:
    from collections.abc import Mapping

    from farmwatch.farm import Farm
    from farmwatch.machines.tracker import MachineTrack

WORK_ID = "rounds:next"
LOOKED_S = 120.0
SELDOM_S = 600.0
"""How often the question is asked while nobody looks."""
SHEET_S = 20.0
KEYS_S = 3 * 86_400.0
TICKS = frozenset({"cleared", "started", "failed", "cancelled", "checked", "pieces"})


class RoundDesk:
    """Everything about rounds that has a memory."""

    def __init__(self, farm: Farm) -> None:
        self._farm = farm
        self.log = RoundLog()
        self.found: RoundAnswer | None = None
        self.loads: Mapping[str, LoadView] = {}
        self._asked_s = float("-inf")
        self._looked_s = float("-inf")
        self._waiting: dict[str, float] = {}
        self._keys: dict[str, float] = {}
        self._shown: tuple[Any, RoundsView] | None = None

    # ---- what happens -------------------------------------------------------------------------------------------

    def looked(self, now_s: float) -> None:
        """Somebody looks: the answer is renewed every minute."""
        self._looked_s = now_s

    def minute(self, now_s: float, effects: list[Effect]) -> None:
        """Ask again where it is time; end a round of which nothing more is heard."""
        self.log.minute(now_s, effects)
        often = now_s - self._looked_s <= LOOKED_S
        anybody = any(person.rounds for person in self._farm.plan.people.values())
        if often or (anybody and now_s - self._asked_s >= SELDOM_S):
            self.ask(now_s, effects)

    def ask(self, now_s: float, effects: list[Effect]) -> None:
        """Put the question; without windows nobody can go, and only what stands now is shown."""
        self._asked_s = now_s
        effects.append(Work(WORK_ID, question_of(self._farm, now_s)))

    def load(self, loads: Mapping[str, LoadView]) -> None:
        """What is to be loaded next, by machine."""
        self.loads, self._shown = loads, None

    def answered(self, event: Worked) -> None:
        """The answer has come."""
        if isinstance(event.answer, RoundAnswer):
            self.found, self._shown = event.answer, None

    def moved(self, machine: MachineTrack, now_s: float, effects: list[Effect]) -> None:
        """A machine's state has changed: a bed waits, or has been cleared."""
        name = machine.name
        if machine.state == "waiting":
            since_s = machine.waiting_since_s
            self._waiting[name] = now_s if since_s is None else since_s
        elif (since_s := self._waiting.pop(name, None)) is not None and (
            machine.build is not None or not machine.bed_full
        ):
            self.log.cleared(name, now_s - since_s, now_s, effects)
        self._shown = None

    # ---- people -------------------------------------------------------------------------------------------------

    def known(self, said: Said) -> bool:
        """Whether this very thing has been said already: a phone that got no answer says it again."""
        return str(said.fields.get("key") or "") in self._keys

    def heard(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        """Something was said and done: remember its key, tick it off."""
        key = str(said.fields.get("key") or "")
        if key:
            for old in [k for k, at_s in self._keys.items() if at_s < now_s - KEYS_S]:
                del self._keys[old]
                effects.append(Keep("tick", old, None))
            self._keys[key] = now_s
            effects.append(Keep("tick", key, {"at_s": now_s}))
        if said.machine is not None and said.command in TICKS and (key or self.log.open is not None):
            self.log.tick(said.machine, said.command, said.by, now_s, effects)
        self._shown = None

    def said(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        """A command of `words.model.ROUND_COMMANDS`; raises Refused with the reason."""
        if said.command == "round_began":
            self.log.begin(said.by, now_s, effects)
        elif said.command == "round_ended":
            if self.log.open is None:
                raise Refused("no round is in hand", hint="it ends by itself half an hour after the last bed")
            self.log.end(now_s, effects)
        elif said.machine not in self._farm.machines:
            raise Refused(f"no machine {said.machine!r}", hint=f"machines: {', '.join(self._farm.machines)}")
        self.ask(now_s, effects)

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]]) -> None:
        """Take up where the journal left off."""
        self.log.restore(kept.get("round", {}))
        self._keys = {key: doc["at_s"] for key, doc in kept.get("tick", {}).items()}
        for name, machine in self._farm.machines.items():
            if machine.state == "waiting" and machine.waiting_since_s is not None:
                self._waiting[name] = machine.waiting_since_s

    # ---- looking ------------------------------------------------------------------------------------------------

    def line(self, now_s: float) -> str:
        """When to go, in one line; "" where nothing is known, or what was known is too old."""
        found = self.found
        if found is None or now_s - found.question.now_s > 2 * SELDOM_S:
            return ""
        return line(found, now_s, self._farm.plan.timezone)

    def view(self, now_s: float) -> RoundsView | None:
        """When to go, and the sheet; None before the first answer."""
        found = self.found
        if found is None:
            return None
        states = tuple((machine.state, machine.bed_full) for machine in self._farm.machines.values())
        key = (now_s // SHEET_S, states, id(found))
        if self._shown is None or self._shown[0] != key:
            self._shown = (key, self._view(found, now_s))
        return self._shown[1]

    def _view(self, found: RoundAnswer, now_s: float) -> RoundsView:
        asked, plan, extra = found.question, found.plan, found.extra
        first_s = plan.visits_s[0] if plan.visits_s else now_s
        ready = ready_at(asked, max(first_s, now_s))
        took = self.log.expected_min(len(ready))
        return {
            "as_of_s": asked.now_s,
            "text": line(found, now_s, self._farm.plan.timezone),
            "visits": [{"at_s": at_s, "beds": [name for name in plan.beds[at_s] if name not in asked.free]}
                       for at_s in plan.visits_s],
            "windows": [(window.from_s, window.to_s) for window in asked.windows],
            "idle_min": plan.idle_s / 60,
            "unvisited_min": plan.unvisited_s / 60,
            "curve": [(at_s, idle_s / 60) for at_s, idle_s in plan.curve],
            "trip_cost_min": asked.trip_cost_s / 60,
            "horizon_h": (asked.horizon_s - asked.now_s) / 3600,
            "extra_s": None if extra is None else extra.at_s,
            "extra_saves_min": None if extra is None else extra.saves_s / 60,
            "now_saves_min": 0.0 if extra is None else extra.now_saves_s / 60,
            "extra_pays": extra is not None and extra.now_saves_s > asked.trip_cost_s,
            "unknown": list(asked.unknown),
            "free": list(asked.free),
            "trip_min": took,
            "open": self.log.open_view(),
            "done": self.log.done_view(),
            "sheet": sheet(self._farm, [*ready, *asked.free], self.log.open, self.loads, now_s),
        }
