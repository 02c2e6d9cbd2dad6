"""The next rounds, live: the question as frozen data, its answer, and what is said about it.

The question is asked of the farm (`question_of`), answered beside the loop (`answer`), and put into words (`line`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from farmwatch.alarms.hours import spans
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import moment
from farmwatch.shop.rounds import MINUTE_S, Bed, RoundPlan, Window, free_at, plan_rounds

if TYPE_CHECKING:
    from farmwatch.farm import Farm

HOUR_S = 3600.0
EXTRA_STEP_S = 300.0
TENS_S = 600.0
NOW_S = 90.0
"""A visit within so many seconds is one at once."""


@dataclass(frozen=True, slots=True)
class RoundQuestion:
    """When to go. `unknown`: machines at work of whose end nothing can be said; `free`: clear beds that could work."""

    now_s: float
    horizon_s: float
    beds: tuple[Bed, ...]
    windows: tuple[Window, ...]
    trip_cost_s: float
    unknown: tuple[str, ...] = ()
    free: tuple[str, ...] = ()


class Extra(NamedTuple):
    """One more trip before the first visit: when it saves most, how much; and how much at once, machine-seconds."""

    at_s: float
    saves_s: float
    now_saves_s: float


@dataclass(frozen=True, slots=True)
class RoundAnswer:
    """The rounds that lose least; `fewer`: an earlier time in the first window, and how many beds there are then."""

    question: RoundQuestion
    plan: RoundPlan
    extra: Extra | None
    fewer: tuple[float, int] | None


def bed_of(farm: Farm, name: str, now_s: float) -> Bed | None:
    """When a machine's bed can be cleared; None where no bed will come, or nothing can be said."""
    machine = farm.machines[name]
    if machine.state == "waiting":
        since_s = machine.waiting_since_s if machine.waiting_since_s is not None else now_s
        return Bed(name, since_s, since_s, since_s)
    clear = machine.clearing(now_s, farm.estimate(name, now_s))
    return None if clear is None else _bed(name, (clear.p10_s, clear.p50_s, clear.p90_s), now_s)


def free_machines(farm: Farm) -> tuple[str, ...]:
    """Machines that stand clear and idle while work waits for them: they lose minutes until somebody loads them.

    Work waits for a machine where a job is settled or proposed for it; where there is no work list, where the owner
    says that work usually waits ([site] work_waits).
    """
    listed = bool(farm.work.book.wanted or farm.work.book.accepted)
    return tuple(
        name
        for name, machine in farm.machines.items()
        if machine.state == "idle"
        and not machine.bed_full
        and machine.build is None
        and (name in farm.rounds.loads if listed else farm.plan.work_waits)
    )


def _bed(name: str, points: tuple[float | None, ...], now_s: float) -> Bed | None:
    """A bed that is not free yet: nothing of its distribution lies before now. Without an interval, a sure time."""
    low_s, middle_s, high_s = points
    if middle_s is None:
        return None
    middle_s = max(middle_s, now_s)
    low_s = middle_s if low_s is None else low_s
    high_s = middle_s if high_s is None else high_s
    least_s = (now_s + middle_s / 4) / 1.25  # then `Bed.from_s` is now
    return Bed(name, min(max(low_s, least_s), middle_s), middle_s, max(high_s, middle_s))


def windows_of(farm: Farm, from_s: float, to_s: float) -> tuple[Window, ...]:
    """Stretches of time in which anybody can go."""
    hours = tuple(window for person in farm.plan.people.values() for window in person.rounds)
    return tuple(Window(*span) for span in spans(hours, from_s, to_s, farm.plan.timezone)) if hours else ()


def question_of(farm: Farm, now_s: float) -> RoundQuestion:
    """The question as things stand."""
    plan = farm.plan.rounds
    free = free_machines(farm)
    beds = {n: Bed(n, now_s, now_s, now_s) if n in free else bed_of(farm, n, now_s) for n in farm.machines}
    unknown = [name for name, bed in beds.items() if bed is None and farm.machines[name].build is not None]
    horizon_s = now_s + plan.horizon_h * HOUR_S
    return RoundQuestion(
        now_s, horizon_s, tuple(bed for bed in beds.values() if bed is not None), windows_of(farm, now_s, horizon_s),
        plan.trip_cost_min * MINUTE_S, tuple(unknown), free,
    )  # fmt: skip


def answer(question: RoundQuestion) -> RoundAnswer:
    """Visits, one more trip, and the earlier time to hold against the first visit."""
    asked = question
    plan = plan_rounds(asked.beds, asked.now_s, asked.horizon_s, asked.windows, asked.trip_cost_s)
    first_s = plan.visits_s[0] if plan.visits_s else asked.horizon_s
    return RoundAnswer(asked, plan, _extra(asked, first_s), _fewer(asked, plan))


def _extra(asked: RoundQuestion, until_s: float) -> Extra | None:
    """One more trip at t takes F(t) beds out of the idle ones until the first visit: it saves F(t) * (first - t)."""
    if not asked.beds or until_s - asked.now_s < NOW_S:
        return None

    def saves_s(at_s: float) -> float:
        return free_at(asked.beds, at_s) * (until_s - at_s)

    steps = int((until_s - asked.now_s) / EXTRA_STEP_S) + 1
    best_s = max((asked.now_s + i * EXTRA_STEP_S for i in range(steps)), key=saves_s)
    return Extra(best_s, saves_s(best_s), saves_s(asked.now_s))


def ready_at(asked: RoundQuestion, at_s: float) -> list[str]:
    """Beds that can more likely than not be cleared at a time; machines that stand clear already are none."""
    return [bed.name for bed in asked.beds if bed.name not in asked.free and bed.chance_by(at_s) >= 0.5]


def _fewer(asked: RoundQuestion, plan: RoundPlan) -> tuple[float, int] | None:
    """The last tens of minutes before the first visit, in its window, at which fewer beds are ready."""
    if not plan.visits_s:
        return None
    first_s = plan.visits_s[0]
    window = next((w for w in asked.windows if w.from_s <= first_s <= w.to_s), None)
    many = len(ready_at(asked, first_s))
    at_s = first_s // TENS_S * TENS_S
    while window is not None and at_s >= max(window.from_s, asked.now_s):
        found = len(ready_at(asked, at_s))
        if found < many:
            return at_s, found
        at_s -= TENS_S
    return None


def line(found: RoundAnswer, now_s: float, timezone: str) -> str:
    """One line: when to go, and what it gains. Empty where nothing is to be said."""
    asked, plan = found.question, found.plan
    if not plan.visits_s:
        return "" if not asked.windows else say("round_pays_not", at=moment(asked.horizon_s, now_s, timezone))
    first_s = plan.visits_s[0]
    beds, free = len(ready_at(asked, first_s)), len(asked.free)
    what = say("round_beds", number=beds) if beds or not free else ""
    if found.fewer is not None and first_s - now_s >= NOW_S:
        at_s, few = found.fewer
        what = say("round_fewer" if few else "round_none", what=what, at=moment(at_s, now_s, timezone), few=few)
    what = "; ".join(filter(None, (what, say("round_free", number=free) if free else "")))
    return say("round_now" if first_s - now_s < NOW_S else "round_go", at=moment(first_s, now_s, timezone), what=what)
