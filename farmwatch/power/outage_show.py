"""Outages as the view shows them: what is in hand, the last one's report, what is to be decided, diary and years.

A machine that an outage stopped is started again only when somebody has looked at its bed; the restart list says
in which order and from when, as if those beds were clear now.
"""

from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import names
from farmwatch.farm import Farm
from farmwatch.power.diary import by_fate_of, class_of, lines, title_of
from farmwatch.power.outage_record import SUPPLY, Outage
from farmwatch.power.rescue_words import needed
from farmwatch.power.start_words import Order, in_words, order_if_clear
from farmwatch.words.power_view import (
    DecisionView,
    DiaryLineView,
    IncidentView,
    OutagesView,
    RestartView,
    YearView,
)

SHOWN_LINES, SHOWN_YEARS = 20, 3


def restart_order(farm: Farm, outage: Outage, now_s: float) -> Order:
    """What it stopped and nobody has started since: (name, from when), in start-sequence order; None comes last."""
    return order_if_clear(
        farm, [name for name in by_fate_of(outage)["stopped"] if _untouched(farm, outage, name)], now_s
    )


def _untouched(farm: Farm, outage: Outage, name: str) -> bool:
    """Whether a machine has had no build since the one that it was stopped in."""
    machine = farm.machines.get(name)
    if machine is None or machine.state == "out_of_service":
        return False
    build = machine.build if machine.build is not None else machine.last_build
    return build is None or build.id == outage.builds.get(name)


def restart_words(farm: Farm, outage: Outage, now_s: float) -> str:
    """The restart list as a sentence for a message; "" where there is nothing to start again."""
    order = restart_order(farm, outage, now_s)
    if not order:
        return ""
    return say("start_then", names=names(in_words(farm, order, now_s), 6))


def incident_view(farm: Farm, outage: Outage, now_s: float) -> IncidentView:
    """One incident."""
    by_fate, lasted = by_fate_of(outage), (outage.least_s, outage.likely_s, outage.most_s)
    order = restart_order(farm, outage, now_s) if outage.ended_s is not None else []
    return {
        "id": outage.id,
        "cause": outage.cause,
        "place": outage.place,
        "title": title_of(outage.cause, outage.place),
        "since_s": outage.started_s,
        "ended_s": outage.ended_s,
        "lasted_s": None if outage.likely_s is None else [s for s in lasted if s is not None],
        "class_": outage.class_,
        "low_v": outage.low_v,
        "why": outage.evidence[0] if outage.evidence else "",
        "pro": outage.evidence[1:],
        "con": list(outage.against),
        "odds": dict(outage.odds),
        "went_on": by_fate["went_on"],
        "finished": by_fate["finished"],
        "unseen": by_fate["unseen"],
        "stopped": [{"machine": n, "progress": outage.stopped_at.get(n)} for n in by_fate["stopped"]],
        "dark_s": dict(outage.dark),
        "check": [n for n in by_fate["stopped"] if _untouched(farm, outage, n) and _full(farm, n)],
        "restart": [_restart(name, at_s) for name, at_s in order],
        "lines": lines(outage, farm.plan.timezone, in_words(farm, order, now_s)),
    }


def _full(farm: Farm, name: str) -> bool:
    """Whether a bed may still hold what was stopped on it."""
    machine = farm.machines[name]
    return machine.bed_full or not machine.bed_known or machine.build is not None


def _restart(name: str, at_s: float | None) -> RestartView:
    return {"machine": name, "at_s": at_s}


def outages_view(farm: Farm, now_s: float) -> OutagesView:
    """Everything about outages."""
    watch = farm.outage
    open_ = [watch.open] if watch.open is not None else []
    open_ += sorted(watch.others.values(), key=lambda outage: outage.started_s)
    return {
        "open": [incident_view(farm, outage, now_s) for outage in open_],
        "decisions": _decisions(farm, now_s),
        "last": incident_view(farm, watch.last, now_s) if watch.last is not None else None,
        "diary": _diary(farm),
        "years": [_year(farm, y) for y in farm.diary.years(farm.plan.timezone)[:SHOWN_YEARS] if farm.machines],
    }


def _decisions(farm: Farm, now_s: float) -> list[DecisionView]:
    return [
        {
            "backup": found.backup,
            "by_s": found.by_s,
            "pause": list(found.to_pause),
            "stop": list(found.stop),
            "saves": list(found.saves),
            "needed": needed(farm, found.by_s, now_s),
        }
        for found in farm.rescue.decisions()
    ]


def _diary(farm: Farm) -> list[DiaryLineView]:
    rows = sorted(farm.diary.rows.values(), key=lambda row: -row.started_s)[:SHOWN_LINES]
    return [
        {
            "id": row.id,
            "cause": row.cause,
            "place": row.place,
            "title": title_of(row.cause, row.place),
            "started_s": row.started_s,
            "ended_s": row.ended_s,
            "likely_s": row.likely_s,
            "class_": class_of(row.likely_s) if row.cause in SUPPLY else None,
            "interrupted_s": dict(row.interrupted_s),
            "stopped": list(row.stopped),
        }
        for row in rows
    ]


def _year(farm: Farm, year: int) -> YearView:
    found, zone = farm.diary.year(year, farm.plan.timezone), farm.plan.timezone
    return {
        "year": year,
        "machines": found.machines,
        "saifi": found.saifi,
        "saidi_min": found.saidi_min,
        "caidi_min": found.caidi_min,
        "short": farm.diary.short(year, zone),
    }
