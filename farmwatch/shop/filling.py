"""The filling question, live: jobs that can be planned, machines that can be loaded, visits, stock and limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from farmwatch.alarms.wording import count
from farmwatch.machines import cooling
from farmwatch.machines.history import job_key
from farmwatch.shop.visits import bed_of, windows_of
from farmwatch.shop.work import Filling, Free, Job, Rules, Task, fill

if TYPE_CHECKING:
    from collections.abc import Sequence

    from farmwatch.farm import Farm
    from farmwatch.shop.orders import OrderBook, Wanted
    from farmwatch.words.model import JobPlan

HOUR_S = 3600.0
AHEAD_H = 72.0
APART = frozenset({"out_of_service", "fault", "unknown"})
USUAL_VALUE_AN_HOUR = 1.0
PLAIN, EXACT = "greedy", "exact"


@dataclass(frozen=True, slots=True)
class FillQuestion:
    """What goes where at the next visits."""

    task: Task


@dataclass(frozen=True, slots=True)
class FillAnswer:
    """The proposal and the way it was found."""

    task: Task
    filling: Filling
    way: str


def answer(question: FillQuestion) -> FillAnswer:
    """The plain way, which needs nothing."""
    return FillAnswer(question.task, fill(question.task), PLAIN)


def hours_of(farm: Farm, job: str, plan: JobPlan | None, material: str | None) -> tuple[float | None, str]:
    """How long a build of a job blocks a machine, cooling included, and where that comes from."""
    known = farm.estimator.learned.known(job_key(job))
    middle_s = known.history.middle(farm.estimator.learned.factors) if known is not None else None
    cool_s = (cooling.default_release(0.0, material).p50_s or 0.0) if material is not None else 0.0
    if middle_s is not None and known is not None:
        return (middle_s + cool_s) / HOUR_S, f"{count(known.history.finished, 'build')} of it"
    if plan is not None and plan.hours is not None:
        return plan.hours + cool_s / HOUR_S, "as planned"
    return None, ""


def job_of(farm: Farm, entry: Wanted) -> tuple[Job | None, str]:
    """The job as the filling reckons with it; else what is missing."""
    plan = farm.plan.jobs.get(entry.job)
    if plan is None or plan.pieces is None:
        return None, f'pieces of one build are not known: [jobs."{entry.job}"] pieces'
    hours, _ = hours_of(farm, entry.job, plan, plan.material)
    if hours is None:
        return None, f'no build of it has been seen: [jobs."{entry.job}"] hours'
    grams = farm.shop.stock.job_grams(entry.job)
    value = plan.value if plan.value is not None else USUAL_VALUE_AN_HOUR * hours
    material = farm.shop.stock.key_of(plan.material)
    fits = frozenset(plan.machines) if plan.machines else None
    if fits is None and plan.material is not None:
        fits = _fed_with(farm, material)
    return Job(entry.job, hours, plan.pieces, entry.left, value, material, grams[0] if grams is not None else 0.0,
               entry.due_s, fits), ""  # fmt: skip


def _fed_with(farm: Farm, material: str | None) -> frozenset[str] | None:
    """Machines that are fed with a material; None (any) where none says what it is fed with."""
    key = farm.shop.stock.key_of
    said = {name: plan.material for name, plan in farm.plan.machines.items() if plan.material is not None}
    found = {name for name in farm.plan.machines if name not in said or key(said[name]) == material}
    return frozenset(found) if said else None


def visits_of(farm: Farm, now_s: float) -> tuple[float, ...]:
    """A visit a window over the next days: where the rounds desk has planned one, that, else the window's middle."""
    found = farm.rounds.found
    planned = found.plan.visits_s if found is not None else ()
    visits = []
    for window in windows_of(farm, now_s, now_s + AHEAD_H * HOUR_S):
        inside = [at_s for at_s in planned if window.from_s <= at_s <= window.to_s]
        visits.append(inside[0] if inside else (window.from_s + window.to_s) / 2)
    return tuple(visits)


def question_of(farm: Farm, book: OrderBook, now_s: float) -> FillQuestion | None:
    """The question as things stand; None where nothing is wanted, or nobody comes."""
    jobs = [job for entry in book.wanted.values() if entry.left > 0 and (job := job_of(farm, entry)[0]) is not None]
    visits = visits_of(farm, now_s)
    if not jobs or len(visits) < 2:
        return None
    limits = {place: limit for place in farm.tree.nodes if (limit := farm.power.limit_w(place)) is not None}
    stock = {job.material: farm.shop.stock.stock_g(job.material) for job in jobs if job.material is not None}
    spools = {farm.shop.stock.key_of(spool.material) for spool in farm.shop.stock.spools.values()}
    tracked = {material: grams for material, grams in stock.items() if material in spools}
    return FillQuestion(
        Task(tuple(jobs), _machines(farm, tuple(limits), now_s), visits, tracked, limits, Rules(idle_an_hour=0.05))
    )


def _machines(farm: Farm, places: Sequence[str], now_s: float) -> tuple[Free, ...]:
    found = []
    for name, machine in farm.machines.items():
        bed = bed_of(farm, name, now_s)
        if machine.state in APART or (bed is None and machine.build is not None):
            continue
        free_s = now_s if bed is None else bed.p50_s
        above = tuple(place for place in farm.tree.above(name) if place in places)
        found.append(Free(name, free_s, above, farm.power.models[name].model().holding.mean_w))
    return tuple(found)
