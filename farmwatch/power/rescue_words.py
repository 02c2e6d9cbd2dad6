"""What the rescue plans and the care for batteries say to people: message texts and rows of the view."""

import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from farmwatch.alarms.rules import RULES
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import clock, duration, names, percent, plain
from farmwatch.alarms.wording import zone as at_site
from farmwatch.power.rescue_advice import Decision, RescueAdvice
from farmwatch.words.view import CareView, RescueView

if TYPE_CHECKING:
    from farmwatch.farm import Farm

NOW_S = 60.0  # a time to act that is nearer than this is now


def plan_text(farm: "Farm", now_s: float, room: int) -> str:
    """What a mains message says of the plans, most urgent first, in whole sentences of at most `room` characters.

    Empty where no backup on battery has a plan.
    """
    desk = farm.rescue
    live = [advice for name, advice in desk.advice.items() if desk.live(name)]
    if not live:
        return ""
    decisions = desk.decisions()
    outage = farm.outage.open
    what = say("supply_mains" if outage is None or outage.cause in ("site", "blip") else "supply_power")
    zone = farm.plan.timezone
    parts = [_decision(decision, now_s, zone, what, first=index == 0) for index, decision in enumerate(decisions)]
    parts.insert(1, _empty(live, now_s, zone))
    acted = {name for decision in decisions for name in (*decision.pause, *decision.stop)}
    late = [name for advice in live for name in (*advice.late, *advice.question.left_out) if name not in acted]
    if late:
        parts.append(say("plan_late", names=names(late, 3)))
    elif not decisions and not _unplanned(farm):
        builds = sum(len(advice.question.machines) for advice in live)
        parts.append(say("plan_all", number=builds) if builds > 1 else say("plan_one"))
    if decisions and (chance := needed(farm, decisions[0].by_s, now_s)) is not None:
        parts.append(say("plan_chance", share=percent(chance)))
    if unplanned := _unplanned(farm):
        parts.append(say("plan_none_yet", names=names(unplanned, 2)))
    parts.append(say("plan_wiring"))
    return within(parts, room)


def within(parts: list[str], room: int) -> str:
    """As many of the sentences as have room, in their order."""
    text = ""
    for part in parts:
        if part and len(text) + len(part) + 1 <= room:
            text = f"{text} {part}".strip()
    return text


def _decision(decision: Decision, now_s: float, zone: str, what: str, *, first: bool) -> str:
    deeds = [
        say(key, names=names(machines, 3))
        for key, machines in (("plan_pause", decision.to_pause), ("plan_stop", decision.stop))
        if machines
    ]
    deed = say("plan_both", first=deeds[0], then=deeds[1]) if len(deeds) > 1 else "".join(deeds)
    saved = names(decision.saves, 3)
    if decision.by_s < now_s + NOW_S:
        return say("plan_now", deed=f"{deed[:1].upper()}{deed[1:]}", saved=saved)
    if first:
        return say("plan_by", what=what, at=clock(decision.by_s, zone), deed=deed, saved=saved)
    return say("plan_then_by", at=clock(decision.by_s, zone), deed=deed, saved=saved)


def _empty(live: list[RescueAdvice], now_s: float, zone: str) -> str:
    first = min(live, key=lambda advice: advice.empty_s)
    if not math.isfinite(first.empty_s):
        return ""
    name, at, left = plain(first.question.backup), clock(first.empty_s, zone), duration(first.empty_s - now_s)
    return say("plan_empty", name=name, at=at, left=left)


def _unplanned(farm: "Farm") -> list[str]:
    """Backups on battery with builds behind them for which there is no plan."""
    return [
        name
        for name in farm.backups
        if farm.rescue.live(name)
        and name not in farm.rescue.advice
        and any(farm.machines[machine].build is not None for machine in farm.behind(name))
    ]


def needed(farm: "Farm", by_s: float, now_s: float) -> float | None:
    """The chance that the outage in hand lasts beyond a time; None where none is, or the time is past."""
    outage = farm.outage.open
    if outage is None or by_s <= now_s:
        return None
    return farm.diary.lasts_longer(by_s - outage.started_s, max(now_s - outage.started_s, 0.0)).p


# ---- the view ------------------------------------------------------------------------------------------------------


def rescue_view(farm: "Farm", name: str, now_s: float) -> RescueView | None:
    """The plan of one backup; None where there is none."""
    advice = farm.rescue.advice.get(name)
    if advice is None:
        return None
    asked, plan, decision = advice.question, advice.plan, advice.decision
    began_s = asked.asked_s
    if asked.live and farm.outage.open is not None:
        began_s = min(farm.outage.open.started_s, asked.asked_s)
    ends_s = decision.by_s if decision is not None else advice.empty_s
    so_far_s = max(now_s - began_s, 0.0) if asked.live else 0.0
    chance = farm.diary.lasts_longer(ends_s - began_s, so_far_s) if math.isfinite(ends_s) else None
    return {
        "at_s": asked.asked_s,
        "live": asked.live,
        "finishes": list(plan.finishes),
        "late": list(advice.late),
        "left_out": list(asked.left_out),
        "run_everything": list(plan.run_everything.finishes),
        "empty_s": advice.empty_s if math.isfinite(advice.empty_s) else None,
        "pause": list(decision.to_pause) if decision is not None else [],
        "stop": list(decision.stop) if decision is not None else [],
        "saves": list(decision.saves) if decision is not None else [],
        "by_s": decision.by_s if decision is not None else None,
        "needed": chance.p if chance is not None else None,
        "needed_sd": chance.sd if chance is not None else None,
        "outages": chance.outages if chance is not None else 0,
        "value": plan.value,
        "value_if_nothing": plan.run_everything.value,
        "exact": plan.exact,
        "basis": asked.basis,
    }


def care_view(farm: "Farm", name: str) -> CareView:
    """What is known of one backup's battery."""
    care, backup = farm.care[name], farm.backups[name]
    taught = care.belief.discharges > 0
    low, high = care.belief.interval()
    found = care.replace_by()
    dates = found[0] if found is not None else None
    apart = care.disagrees()
    return {
        "health": care.belief.factor if taught else None,
        "health_p10": low if taught else None,
        "health_p90": high if taught else None,
        "discharges": care.belief.discharges,
        "battery_c": backup.number("battery_c"),
        "fitted_s": care.fitted_s,
        "self_test": care.test,
        "testing": backup.testing(),
        "charge_doubted": backup.doubted[0] if backup.doubted is not None else None,
        "tested_s": care.tested_s,
        "replace_by_s": dates.expected_s if dates is not None else None,
        "replace_from_s": dates.earliest_s if dates is not None else None,
        "replace_until_s": dates.latest_s if dates is not None and math.isfinite(dates.latest_s) else None,
        "replace_basis": found[1] if found is not None else "",
        "reported_runtime_s": backup.reported_runtime_s(),
        "promised_min": apart[0] if apart is not None else None,
        "shown_min": apart[1] if apart is not None else None,
    }


# ---- alarms about batteries ------------------------------------------------------------------------------------------


def care_words(rule: str, subject: str, facts: dict[str, Any], now_s: float, zone: str) -> tuple[str, str]:
    """Title and text of an alarm about one battery."""
    title = RULES[rule].title.format(subject=plain(subject))
    if rule == "runtime_promise":
        said, shown = (f"{facts[key]:.0f}" for key in ("promised_min", "shown_min"))
        return title, say("promise", said=said, shown=shown)
    if rule == "battery_worn":
        by_s = facts.get("replace_s")
        when = ""
        if by_s is not None and by_s > now_s:
            when = say("worn_by", month=f"{datetime.fromtimestamp(by_s, UTC).astimezone(at_site(zone)):%B %Y}")
        why = str(facts.get("why") or "")
        return title, say("worn", why=f"{why[:1].upper()}{why[1:]}", when=when)
    if rule == "self_test_overdue":
        days = facts.get("days") or 0.0
        return title, say("untested", number=round(days))
    warmth = facts.get("battery_c")
    return title, say("warm", degrees="" if warmth is None else f"{warmth:.0f} °C: ")
