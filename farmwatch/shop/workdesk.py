"""The work desk: what is wanted, the proposal for the next rounds, due dates that it does not meet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from farmwatch.shop.filling import FillAnswer, hours_of, job_of, question_of
from farmwatch.shop.orders import OrderBook, Wanted
from farmwatch.words.errors import Refused
from farmwatch.words.model import Effect, Said, Work, Worked
from farmwatch.words.rounds import LoadView, WantedView, WorkView

if TYPE_CHECKING:
    from collections.abc import Mapping

    from farmwatch.farm import Farm
    from farmwatch.machines.builds import Build
    from farmwatch.machines.tracker import MachineTrack

WORK_ID = "filling:next"
EVERY_S = 900.0
ALARM = "due_date"


class WorkDesk:
    """Everything about the work list that has a memory."""

    def __init__(self, farm: Farm) -> None:
        self._farm = farm
        self.book = OrderBook(farm.plan.jobs, farm.plan.timezone)
        self.found: FillAnswer | None = None
        self._asked_s = float("-inf")
        self._alarms: set[str] = set()

    # ---- what happens -------------------------------------------------------------------------------------------

    def moved(self, machine: MachineTrack, build: Build | None, now_s: float, effects: list[Effect]) -> None:
        """A machine's build has begun or ended."""
        if machine.build is build:
            return
        if machine.build is not None:
            self.book.started(machine.name, effects)
        if build is not None:
            self.built(build, now_s, effects)

    def built(self, build: Build, now_s: float, effects: list[Effect]) -> None:
        """A build is over, or what is known of its end has changed."""
        if self.book.built(build, effects):
            self.ask(now_s, effects)

    def minute(self, now_s: float, effects: list[Effect]) -> None:
        """Propose anew now and then: finishes and visits move."""
        if self.book.wanted and now_s - self._asked_s >= EVERY_S:
            self.ask(now_s, effects)

    def ask(self, now_s: float, effects: list[Effect]) -> None:
        """Put the question; where nothing can be planned, nothing is proposed."""
        self._asked_s = now_s
        question = question_of(self._farm, self.book, now_s)
        if question is not None:
            effects.append(Work(WORK_ID, question))
            return
        self.found = None
        self._loads()
        self._due(now_s, effects)

    def answered(self, event: Worked, now_s: float, effects: list[Effect]) -> None:
        """The proposal has come."""
        if isinstance(event.answer, FillAnswer):
            self.found = event.answer
            self._loads()
            self._due(now_s, effects)

    def _due(self, now_s: float, effects: list[Effect]) -> None:
        """Due dates that the proposal does not meet are said; those that have passed unmet stay said."""
        short = {row.job: row for row in self.found.filling.short} if self.found is not None else {}
        still = set()
        for entry in self.book.wanted.values():
            row = short.get(entry.job)
            late = entry.due_s is not None and entry.left > 0 and entry.due_s <= now_s
            if row is None and not late:
                continue
            still.add(entry.job)
            why = row.why if row is not None else "the date has passed"
            missing = row.missing if row is not None else entry.left
            facts = {"due_s": entry.due_s, "missing": missing, "why": why,
                     "made_by_s": row.made_by_s if row is not None else None}  # fmt: skip
            self._farm.book.condition(ALARM, entry.job, now_s, effects, true=True, **facts)
        for job in self._alarms - still:
            self._farm.book.condition(ALARM, job, now_s, effects, true=False)
        self._alarms = still

    # ---- people -------------------------------------------------------------------------------------------------

    def said(self, said: Said, now_s: float, effects: list[Effect]) -> None:
        """A command of `words.model.WORK_COMMANDS`; raises Refused with the reason."""
        if said.command == "wanted":
            self.book.want(said, effects)
        else:
            if said.machine not in self._farm.machines:
                raise Refused(f"no machine {said.machine!r}", hint=f"machines: {', '.join(self._farm.machines)}")
            self.book.load_next(said, effects)
        self.ask(now_s, effects)
        self._loads()

    def restore(self, kept: Mapping[str, Mapping[str, dict[str, Any]]]) -> None:
        """Take up where the journal left off."""
        self.book.restore(kept)
        self._alarms = {alarm.subject for alarm in self._farm.book.standing() if alarm.rule == ALARM}
        self._loads()

    # ---- looking ------------------------------------------------------------------------------------------------

    def _loads(self) -> None:
        """What the round sheet says to load: what was accepted, else the proposal for the next visit."""
        loads: dict[str, LoadView] = {}
        found = self.found
        if found is not None:
            first_s = found.task.visits_s[0]
            for row in found.filling.loads:
                if row.visit_s == first_s:
                    loads[row.machine] = self._load(row.job, row.ends_s, accepted=False, late=row.late)
        for machine, job in self.book.accepted.items():
            ends_s = loads[machine]["ends_s"] if machine in loads and loads[machine]["job"] == job else None
            loads[machine] = self._load(job, ends_s, accepted=True, late=False)
        self._farm.rounds.load(loads)

    def _load(self, job: str, ends_s: float | None, *, accepted: bool, late: bool) -> LoadView:
        plan = self._farm.plan.jobs.get(job)
        material = plan.material if plan is not None else None
        grams = self._farm.shop.stock.job_grams(job)
        hours, _ = hours_of(self._farm, job, plan, None)
        return {
            "job": job, "accepted": accepted, "material": material, "grams": grams[0] if grams is not None else None,
            "hours": hours, "ends_s": ends_s, "late": late,
        }  # fmt: skip

    def view(self) -> WorkView:
        """The list and the proposal."""
        found = self.found
        filling = found.filling if found is not None else None
        accepted = self.book.accepted
        return {
            "wanted": [self._wanted(entry) for entry in self.book.wanted.values()],
            "loads": [
                {"visit_s": row.visit_s, "machine": row.machine, "job": row.job, "ends_s": row.ends_s,
                 "cleared_s": row.cleared_s, "late": row.late, "accepted": accepted.get(row.machine) == row.job}
                for row in (filling.loads if filling is not None else ())
            ],
            "short": [
                {"job": row.job, "due_s": row.due_s, "missing": row.missing, "builds": row.builds,
                 "made_by_s": row.made_by_s, "why": row.why}
                for row in (filling.short if filling is not None else ())
            ],
            "visits": list(found.task.visits_s) if found is not None else [],
            "worth": filling.worth if filling is not None else None,
            "gap": filling.gap if filling is not None else None,
            "exact": filling is not None and filling.exact,
            "way": found.way if found is not None else "",
            "as_of_s": self._asked_s if self._asked_s > 0 else None,
            "accepted": dict(accepted),
            "jobs": list(self._farm.plan.jobs),
        }  # fmt: skip

    def _wanted(self, entry: Wanted) -> WantedView:
        farm, plan = self._farm, self._farm.plan.jobs.get(entry.job)
        job, problem = job_of(farm, entry)
        hours, basis = hours_of(farm, entry.job, plan, plan.material if plan is not None else None)
        return {
            "job": entry.job, "wanted": entry.pieces, "made": sum(entry.made.values()), "left": entry.left,
            "builds": job.builds if job is not None else None, "due_s": entry.due_s, "hours": hours,
            "hours_basis": basis, "material": plan.material if plan is not None else None,
            "grams": job.grams or None if job is not None else None, "value": job.value if job is not None else 0.0,
            "problem": problem,
        }  # fmt: skip
