"""The rescue plan as advice: what is asked of a backup's situation, what comes back, and until when to act.

`RescueQuestion` is plain frozen data about one moment; `advise` answers it and nothing else (some hundred
milliseconds), so that it can be asked away from the loop and asked again with the same answer. Machines that
hold a temperature draw a square wave: the battery is charged with the mean *rate of depletion* over their high
and low draws, not with the rate at their mean draw.

Farmwatch advises. Backups, wiring and hot machines are for local codes and people who are licensed for them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

from farmwatch.power.battery import RuntimeTable, fallback_table
from farmwatch.power.rescue import RescuePlan
from farmwatch.power.rescue_chance import Spread, plan_rescue_spread
from farmwatch.power.rescue_charge import RescueBackup, RescueMachine

SEARCH_STEPS = 20_000
MOST_WAVES = 8  # machines whose square waves are multiplied out: 256 combinations
WORTH = 1.05  # a plan that saves less than 5 % more than doing nothing is not worth an action
PAUSE_INSTEAD = 0.9  # pausing may save so much of what stopping saves and is still the better advice
UNSURE = (0.85, 1.3)
"""10th and 90th percentile of the remaining time over its median, while the shop has too few builds of its own:
reported times are rather too short than too long (common practice, no source)."""
LEAST_MIN = 0.5  # a build that should have ended is not over until somebody says so


@dataclass(frozen=True, slots=True)
class RescueQuestion:
    """One backup at one moment.

    Attributes:
        backup: its name.
        asked_s: the moment, epoch seconds; all minutes count from here.
        battery: table, charge, health, limit, base load.
        machines: builds behind it; `remaining_min` is the median.
        spreads: their remaining minutes as distributions, in the same order.
        waves: (low W, high W) between which each one's draw switches, in the same order.
        left_out: builds of which no end can be told; their draw is in the base load.
        basis: what the battery's runtime rests on, in words.
        live: whether it is on battery now; else a what-if.
    """

    backup: str
    asked_s: float
    battery: RescueBackup
    machines: tuple[RescueMachine, ...]
    spreads: tuple[Spread, ...]
    waves: tuple[tuple[float, float], ...]
    left_out: tuple[str, ...]
    basis: str
    live: bool
    paused: tuple[str, ...] = ()  # stand still already


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do, until when, and what for. `by_s` is epoch seconds; at or before the moment asked: now."""

    backup: str
    by_s: float
    pause: tuple[str, ...]
    stop: tuple[str, ...]
    saves: tuple[str, ...]
    done: tuple[str, ...] = ()  # of `pause`: paused already

    @property
    def deed(self) -> tuple[str, tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
        """The decision without its time, to see whether it is still the same."""
        return self.backup, self.pause, self.stop, self.saves

    @property
    def to_pause(self) -> tuple[str, ...]:
        """Machines that still have to be paused."""
        return tuple(name for name in self.pause if name not in self.done)


@dataclass(frozen=True, slots=True)
class RescueAdvice:
    """The answer.

    Attributes:
        question: what was asked.
        plan: the plan found.
        decision: None where nothing need be done, or nothing can be gained.
        empty_s: when the battery is empty if everything runs on, median; `inf` for never.
        late: builds that do not finish whatever is done (less than an even chance).
    """

    question: RescueQuestion
    plan: RescuePlan
    decision: Decision | None
    empty_s: float
    late: tuple[str, ...]


def spread_of(now_s: float, p10_s: float | None, p50_s: float, p90_s: float | None) -> Spread:
    """Remaining minutes from finish times; what is overdue still takes a little.

    Where no interval is known yet, `UNSURE` times the median stands in.
    """
    p50 = max((p50_s - now_s) / 60.0, LEAST_MIN)
    p10 = p50 * UNSURE[0] if p10_s is None else max((p10_s - now_s) / 60.0, LEAST_MIN)
    p90 = p50 * UNSURE[1] if p90_s is None else max((p90_s - now_s) / 60.0, LEAST_MIN)
    return Spread(min(p10, p50), p50, max(p50, p90))


def table_through(load_w: float, minutes: float) -> RuntimeTable:
    """A table for a unit of which only its own promise is known: a datasheet's shape through that point.

    Raises:
        ValueError: a load or a time not above 0.
    """
    if not (load_w > 0 and minutes > 0):
        raise ValueError(f"no runtime table through {load_w} W and {minutes} min")
    shape = fallback_table(100.0)
    low, high = math.log(1e-6), math.log(1e6)  # runtime falls with the load: bisection in its logarithm
    for _ in range(60):
        middle = (low + high) / 2
        if shape.runtime_min(math.exp(middle)) > minutes:
            low = middle
        else:
            high = middle
    scale = load_w / math.exp(low)
    return RuntimeTable((power_w * scale, time) for power_w, time in shape.rows)


def wave_share(
    table: RuntimeTable, base_w: float, means_w: Sequence[float], waves: Sequence[tuple[float, float]]
) -> float:
    """How much of the battery square waves leave compared with steady draws of the same mean; at most 1.

    The machines switch independently of each other; the share of time at the high draw follows from the mean.
    """
    steady_w = base_w + math.fsum(means_w)
    moving = [
        (low, high, (mean - low) / (high - low))
        for mean, (low, high) in zip(means_w, waves, strict=True)
        if low < mean < high
    ][:MOST_WAVES]
    rest_w = steady_w - math.fsum(low + share * (high - low) for low, high, share in moving)
    mean_rate = 0.0
    for up in product((False, True), repeat=len(moving)):
        chance = math.prod(row[2] if on else 1.0 - row[2] for row, on in zip(moving, up, strict=True))
        drawn_w = rest_w + math.fsum(row[1] if on else row[0] for row, on in zip(moving, up, strict=True))
        mean_rate += chance * table.rate(max(drawn_w, 0.0))
    steady_rate = table.rate(max(steady_w, 0.0))
    return min(steady_rate / mean_rate, 1.0) if mean_rate > 0 else 1.0


def advise(question: RescueQuestion) -> RescueAdvice:
    """The plan of greatest expected value that a bounded search finds, and what it asks of a person."""
    machines, spreads = question.machines, question.spreads
    battery = question.battery
    share = wave_share(battery.table, battery.base_w, [m.power_w for m in machines], question.waves)
    battery = replace(battery, charge=battery.charge * share)
    plan = plan_rescue_spread(battery, machines, spreads, search_steps=SEARCH_STEPS)
    gone = _given_up(machines, plan)
    pausable = [m for m in gone if m.hold_w is not None]
    verbs = {m.name: "stop" for m in gone}
    if pausable and _gains(plan):
        held = _held(battery, machines, spreads, {m.name for m in pausable})
        if held.value >= PAUSE_INSTEAD * plan.value and set(held.finishes) - set(held.run_everything.finishes):
            plan = replace(held, run_everything=plan.run_everything)
            verbs |= {m.name: "pause" for m in pausable}
    done = set(plan.finishes)
    return RescueAdvice(
        question,
        plan,
        _decision(question, plan, verbs),
        question.asked_s + plan.run_everything.minutes * 60.0,
        tuple(m.name for m in machines if m.name not in done),
    )


def _given_up(machines: Sequence[RescueMachine], plan: RescuePlan) -> list[RescueMachine]:
    kept = {name for step in plan.steps for name in (*step.running, *step.paused)} | set(plan.finishes)
    return [m for m in machines if m.name not in kept]


def _held(
    battery: RescueBackup, machines: Sequence[RescueMachine], spreads: Sequence[Spread], names: set[str]
) -> RescuePlan:
    """The plan if these are paused and stay so, drawing hold power to the end: a mains that returns saves them too."""
    hold_w = math.fsum(min(m.hold_w or 0.0, m.power_w) for m in machines if m.name in names)
    changed = [
        replace(m, power_w=m.power_w - min(m.hold_w or 0.0, m.power_w), value=0.0, hold_w=0.0) if m.name in names else m
        for m in machines
    ]
    return plan_rescue_spread(
        replace(battery, base_w=battery.base_w + hold_w), changed, spreads, search_steps=SEARCH_STEPS
    )


def _gains(plan: RescuePlan) -> bool:
    return bool(set(plan.finishes) - set(plan.run_everything.finishes)) and (
        plan.value > WORTH * plan.run_everything.value
    )


def _decision(question: RescueQuestion, plan: RescuePlan, verbs: dict[str, str]) -> Decision | None:
    due = {name: minutes for name, minutes in plan.decide_by_min.items() if minutes is not None}
    if not due or not _gains(plan):
        return None
    stop = tuple(name for name in due if verbs.get(name) == "stop")
    return Decision(
        question.backup,
        question.asked_s + min(due.values()) * 60.0,
        tuple(name for name in due if name not in stop),
        stop,
        tuple(name for name in plan.finishes if name not in plan.run_everything.finishes),
        tuple(name for name in due if name in question.paused),
    )
