"""The round sheet: in walking order, what comes off each machine, what to look at, what to load, when to start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from farmwatch.alarms.rules import RULES
from farmwatch.alarms.wording import moment
from farmwatch.words.rounds import LoadView, OffView, SheetRow

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from farmwatch.farm import Farm
    from farmwatch.shop.roundlog import Trip

SEEN_OTHERWISE = frozenset({"bed_waiting"})
FAR = 10_000


def walking_order(farm: Farm) -> list[str]:
    """All machines: those that the owner has put in order, then along the rows, there and back."""
    named = [name for name in farm.plan.rounds.walk if name in farm.machines]

    def place(name: str) -> tuple[int, int, str]:
        plan = farm.plan.machines[name]
        row, column = plan.row if plan.row is not None else FAR, plan.column if plan.column is not None else FAR
        return row, column if row % 2 else -column, name

    placed = any(plan.row is not None for plan in farm.plan.machines.values())
    others = [name for name in farm.machines if name not in named]
    return [*named, *(sorted(others, key=place) if placed else others)]


def sheet(
    farm: Farm, ready: Sequence[str], trip: Trip | None, loads: Mapping[str, LoadView], now_s: float
) -> list[SheetRow]:
    """The rows of a round.

    Args:
        farm: the farm.
        ready: machines whose beds can be cleared then.
        trip: the round in hand; its machines stay on the sheet.
        loads: what to load next, by machine.
        now_s: now.
    """
    done = set() if trip is None else {*trip.beds, *trip.ticks}
    shown = [name for name in walking_order(farm) if name in ready or name in done or name in loads]
    to_clear = [name for name in shown if farm.machines[name].state in ("waiting", "cooling") or name in ready]
    advice = farm.starts_if_clear(to_clear, now_s)
    rows: list[SheetRow] = []
    for name in shown:
        minutes = advice.starts.get(name)
        ticks = [] if trip is None else list(trip.ticks.get(name, ()))
        if trip is not None and name in trip.beds and "cleared" not in ticks:
            ticks.append("cleared")
        rows.append(
            {
                "machine": name,
                "state": farm.machines[name].state,
                "clear_s": farm.machines[name].clear_at_s(now_s, farm.estimate(name, now_s)),
                "off": off_of(farm, name, cleared=trip is not None and name in trip.beds),
                "checks": checks(farm, name, now_s),
                "load": loads.get(name),
                "spool": spool_of(farm, name),
                "start_s": None if minutes is None else now_s + minutes * 60,
                "ticks": ticks,
            }
        )
    return rows


def off_of(farm: Farm, name: str, *, cleared: bool = False) -> OffView | None:
    """What comes off: the build in hand, or the one that lies on the bed; None where the bed is clear.

    Where it was cleared on the round in hand, what came off then: its bag and its pieces are still to be seen to.
    """
    machine = farm.machines[name]
    build = machine.last_build if cleared else machine.build or (machine.last_build if machine.bed_full else None)
    if build is None:
        return None
    plan = farm.plan.jobs.get(build.job or "")
    pieces = build.pieces if build.pieces is not None else plan.pieces if plan is not None else None
    job = build.job or "unnamed build"
    return {"job": build.job, "pieces": pieces, "bag": job if pieces is None else f"{job}: {pieces:g}"}


def checks(farm: Farm, name: str, now_s: float) -> list[str]:
    """What to look at there: its alarms, an end that nobody reported, a bed that is still warm."""
    machine, zone = farm.machines[name], farm.plan.timezone
    found = [
        RULES[alarm.rule].response
        for alarm in farm.book.standing()
        if alarm.subject == name and alarm.true and alarm.rule not in SEEN_OTHERWISE and alarm.rule in RULES
    ]
    build = machine.last_build if machine.bed_full and machine.build is None else None
    if build is not None and build.result in ("failed", "cancelled", "unknown"):
        found.append(f"the build ended as {build.result}: {build.because}" if build.because else "how the build ended")
    elif build is not None and "end" in build.inferred:
        found.append("whether it is whole: its end was concluded, not reported")
    if machine.state == "cooling" and (at_s := machine.release(now_s).p50_s) is not None:
        found.append(f"the bed is warm until about {moment(at_s, now_s, zone)}")
    return list(dict.fromkeys(found))


def spool_of(farm: Farm, name: str) -> str:
    """What it is fed with now, as far as that is known."""
    spool = farm.shop.stock.on(name)
    if spool is None:
        return farm.plan.machines[name].material or ""
    return f"{spool.name}, {spool.material}, {spool.left_g:.0f} g left"
