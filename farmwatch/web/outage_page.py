"""The outage view: what is lost, what to do and by when, how long each backup lasts, then report and diary. Pure."""

from datetime import tzinfo
from urllib.parse import quote

from farmwatch.web import bars, looks
from farmwatch.web.backup_notes import notes
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, minute, name, percent, span, stamp, zone
from farmwatch.web.outage_panels import outages
from farmwatch.words.power_view import DecisionView
from farmwatch.words.view import BackupView, View

_ON = ("on_battery", "low")


def brief(view: View) -> Html:
    """For the first page: what is in hand, else one line, and the way to the rest."""
    found = view.get("outages")
    if found is not None and (found["open"] or found["decisions"]):
        return fill('{rows}<p><a class="button" href="/outage">Plan and report</a></p>', rows=outages(view, brief=True))
    last = found["last"] if found is not None else None
    words = fill("<p>Nothing is lost, as far as can be seen.</p>" if found is not None
                 else "<p>Nothing is known of outages.</p>")  # fmt: skip
    if last is not None:
        words = fill("{words}<p>The last one: {title}, {at}.{check}</p>", words=words, title=clip(last["title"]),
                     at=stamp(last["since_s"], view["at_s"], zone(view["timezone"])),
                     check=fill(" <strong>Beds to check: {few}.</strong>", few=clip(", ".join(last["check"]), 300))
                     if last["check"] else NOTHING)  # fmt: skip
    return fill('{words}<p><a class="button" href="/outage">Outages and diary</a></p>', words=words)


def page(view: View) -> Html:
    """The whole view: deeds in the order of their times, then the backups, then what is past."""
    now_s, where = view["at_s"], zone(view["timezone"])
    found = view.get("outages")
    decisions = found["decisions"] if found is not None else []
    first = [backup for backup in view["backups"] if backup["status"] in _ON]
    ordered = sorted(view["backups"], key=lambda b: (b["status"] not in _ON, known(b["runtime_s"]) or 1e12, b["name"]))
    cards = join(_backup(backup, now_s, where) for backup in ordered)
    return fill(
        '<section class="panel"><h2>What to do</h2>{deeds}</section>'
        '<section class="panel"><h2>{head}</h2><ul class="cards">{cards}</ul>{none}</section>'
        '<section class="panel"><h2>Report and diary</h2>{rest}</section>',
        deeds=_deeds(decisions, now_s, where, lost=bool(first)), cards=cards, rest=outages(view),
        head="How long the batteries last" if first else "If the mains went now",
        none=NOTHING if ordered else fill("<p>No backup is configured.</p>"),
    )  # fmt: skip


def _deeds(decisions: list[DecisionView], now_s: float, where: tzinfo, *, lost: bool) -> Html:
    """Each with its latest time, large, in order."""
    if not decisions:
        return fill("<p>Nothing need be decided as things stand.</p>" if lost else "<p>No supply is lost.</p>")
    rows = []
    for decision in decisions:
        by_s, needed = decision["by_s"], known(decision["needed"])
        deeds = [f"{verb} {clip(', '.join(decision[verb]))}" for verb in ("pause", "stop") if decision[verb]]
        rows.append(fill(
            '<li class="card odd" data-key="deed-{backup}">{shape}<div class="grow"><b class="by">{at}</b> '
            "<b>{deeds}</b><small>{left}backup {name}; saves {saves}{chance}</small></div></li>",
            backup=decision["backup"], shape=looks.shape(looks.ALARMS["session"]), deeds=" and ".join(deeds),
            at=fill("now") if by_s <= now_s else fill("by {at}", at=stamp(by_s, now_s, where)),
            left=fill("in {span}; ", span=span(by_s - now_s)) if by_s > now_s else NOTHING,
            name=name(decision["backup"]), saves=clip(", ".join(decision["saves"])) or "nothing",
            chance=f"; chance that it is needed: {percent(needed)}" if needed is not None else "",
        ))  # fmt: skip
    return fill('<p>If supply is not back by then:</p><ol class="cards">{rows}</ol>', rows=join(rows))


def _backup(backup: BackupView, now_s: float, where: tzinfo) -> Html:
    look = looks.look(looks.BACKUPS, backup["status"])
    runtime_s, low_s = known(backup["runtime_s"]), known(backup["runtime_p10_s"])
    until, sure = fill("runtime not known"), ""
    if runtime_s is not None:
        until = fill("until {at}", at=stamp(minute(now_s + runtime_s), now_s, where))
        least = f"in 9 of 10 cases at least {span(low_s)}" if low_s is not None else "how sure is not known"
        sure = f"{span(runtime_s)}, {least}. "
    charge = f"charge {percent(backup['charge'])}"
    return fill(
        '<li class="card {tone}" data-key="outage-backup-{key}"><div class="grow"><div class="line"><span class="grow">'
        '<strong><a href="/backup/{at}">{name}</a></strong> {badge}</span> <b class="key">{until}</b></div>'
        "{bar}<small>{sure}{charge}; "
        "feeds {feeds}.</small>{notes}</div></li>",
        tone=look.tone if look.tone != "plain" else "", key=backup["name"], name=name(backup["name"]),
        at=quote(backup["name"], safe=""), badge=looks.badge(look), until=until,
        bar=bars.share(backup["charge"], charge, look.tone), sure=sure,
        charge=f"{charge[:1].upper()}{charge[1:]}",
        feeds=clip(", ".join(backup["machines"]) or "nothing that is watched"),
        notes=notes(backup, now_s, where),
    )  # fmt: skip
