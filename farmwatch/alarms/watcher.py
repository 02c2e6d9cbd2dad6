"""Words about the watcher itself: that it was blind, what has changed meanwhile, and that it is about to go dark."""

from farmwatch.alarms.box import Box
from farmwatch.alarms.daily import SUPPLY, Standing, Tally, report, yesterday
from farmwatch.alarms.hours import local_day
from farmwatch.alarms.letters import Letter
from farmwatch.alarms.lifecycle import Alarm
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import clock, duration, moment, names, plain
from farmwatch.farm import Farm
from farmwatch.machines.state import BUSY
from farmwatch.power.show import pending

DARK_S = 300.0
"""So long before the battery of the collector's own backup is empty it says that it goes dark."""


def back(farm: Farm, since_s: float, until_s: float, now_s: float) -> tuple[str, str]:
    """Title and text after a time in which nothing was seen, from `since_s` to `until_s`."""
    zone = farm.plan.timezone
    title = say("awoke_title", lasted=duration(until_s - since_s))
    changes = []
    last = farm.outage.last
    supply = last is not None and last.cause in SUPPLY
    if supply and last is not None and since_s - 60.0 <= (last.ended_s or now_s) and last.started_s <= until_s:
        changes.append(say("awoke_lost"))
    for key, chosen in (
        ("awoke_fault", [n for n, m in farm.machines.items() if m.state == "fault"]),
        ("awoke_beds", [n for n, m in farm.machines.items() if m.state == "waiting"]),
        ("awoke_ended", _ended(farm, since_s)),
        ("awoke_unknown", _unheard(farm)),
    ):
        if chosen:
            changes.append(say(key, names=names(chosen, 4)))
    text = say(
        "awoke_text",
        since=moment(since_s, now_s, zone),
        until=moment(until_s, now_s, zone),
        changes=" ".join(changes) or say("awoke_nothing"),
    )
    return title, text


def _ended(farm: Farm, since_s: float) -> list[str]:
    """Machines whose last build ended since, as far as that is known."""
    found = []
    for name, machine in farm.machines.items():
        build = machine.last_build
        if build is not None and build.ended_s is not None and build.ended_s >= since_s:
            found.append(name)
    return found


def _unheard(farm: Farm) -> list[str]:
    """Subjects of which no source has been heard since the start."""
    return [
        subject
        for subject, plans in farm.by_subject.items()
        if all(farm.sources[plan.id].state in ("never", "last_known", "silent", "failed") for plan in plans)
    ]


# ---- before the end --------------------------------------------------------------------------------------------


def goes_dark(farm: Farm) -> bool | None:
    """Whether the collector's own backup is about to be empty; None if nobody can say."""
    name = farm.plan.collector_backup
    if name is None or name not in farm.backups:
        return None
    status = farm.backups[name].status
    if status == "unknown":
        return None
    if status != "on_battery":
        return status == "low"
    left_s = _left_s(farm)
    return None if left_s is None else left_s <= DARK_S


def _left_s(farm: Farm) -> float | None:
    name = farm.plan.collector_backup
    found = farm.runtime(name) if name in farm.backups and name is not None else None
    if found is None:
        return None
    return found.p10_s if found.p10_s is not None else found.p50_s


def dark(farm: Farm, alarm: Alarm, now_s: float) -> tuple[str, str]:
    """Title and text of the last message before the collector's own battery ends."""
    del alarm
    name = plain(farm.plan.collector_backup or say("own_backup"))
    left_s = _left_s(farm)
    title = say("dark_title_now")
    if left_s is not None and left_s >= 60.0:
        title = say("dark_title", at=clock(now_s + left_s, farm.plan.timezone))
    busy = [n for n, machine in farm.machines.items() if machine.state in BUSY]
    builds = say("dark_builds", names=names(busy, 3)) if busy else say("dark_no_builds")
    return title, say("dark_text", name=name, builds=builds)


# ---- every day -------------------------------------------------------------------------------------------------


def daily(farm: Farm, tally: Tally, box: Box, now_s: float) -> Letter:
    """The daily report of one person, from what the farm is and what has been counted."""
    zone = farm.plan.timezone
    account = farm.power.ledger.days.get(yesterday(now_s, zone))
    tariff = farm.power.supply.tariff
    cost = ""
    if account is not None and tariff is not None:
        cost = f", {sum(account.cost.values()):.2f} {tariff.currency}".rstrip()
    open_wh = sum(
        share.wh
        for wh, since_s in pending(farm).values()
        for share in farm.power.ledger.shares(wh, since_s, now_s)
        if share.day != local_day(now_s, zone).isoformat()
    )
    standing = [alarm for alarm in farm.book.standing() if alarm.speaks and alarm.rule != "bed_waiting"]
    found = Standing(
        energy_wh=None if account is None else sum(account.wh.values()) + open_wh,
        least=account is not None and sum(account.unmeasured_s.values()) > 60.0,
        cost=cost,
        waiting=sum(machine.state == "waiting" for machine in farm.machines.values()),
        needs=[alarm.id for alarm in standing if alarm.priority != "digest"],
        due=[_title(alarm) for alarm in standing if alarm.priority == "digest"],
        unseen=_unheard(farm),
        stores=[name for name, (ok, _) in farm.stores.items() if not ok],
        rates=farm.rates(),
        currency=tariff.currency if tariff is not None else "",
        round=farm.rounds.line(now_s),
    )
    return report(tally, box, found, now_s, zone)


def _title(alarm: Alarm) -> str:
    return f"{alarm.subject} {RULES[alarm.rule].response.split(';')[0]}"
