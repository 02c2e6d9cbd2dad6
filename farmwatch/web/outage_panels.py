"""The page's part on outages: what is in hand, what is to be decided, the last one's report, diary and years."""

from datetime import tzinfo

from farmwatch.alarms.wording import count
from farmwatch.web.manner import number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, name, percent, span, stamp, zone
from farmwatch.words.power_view import DecisionView, DiaryLineView, IncidentView, YearView
from farmwatch.words.view import View

LAST_S = 86_400.0
"""So long the last outage's report stands in the open."""
_SUPPLY = ("site", "circuit", "backup", "blip")


def outages(view: View, *, brief: bool = False) -> Html:
    """Everything about outages, or (`brief`) only what is in hand and what is to be decided."""
    found = view.get("outages")
    if found is None:
        return fill("<p>Nothing is known of outages.</p>")
    now_s, where = view["at_s"], zone(view["timezone"])
    parts = [_open(incident, now_s, where) for incident in found["open"]]
    parts += [_decisions(found["decisions"], now_s, where)]
    if not found["open"]:
        parts.append(fill("<p>Nothing is lost, as far as can be seen.</p>"))
    last = found["last"]
    if brief:
        return join(parts)
    if last is not None:
        parts.append(_last(last, now_s, where))
    if found["diary"]:
        parts.append(_diary(found["diary"], found["years"], now_s, where))
    return join(parts)


def _report(incident: IncidentView) -> Html:
    return join(fill("<p>{line}</p>", line=clip(line, 400)) for line in incident["lines"][1:])


def _open(incident: IncidentView, now_s: float, where: tzinfo) -> Html:
    tone = "danger" if incident["cause"] in _SUPPLY else "odd"
    return fill(
        '<div class="card {tone}" data-key="outage-{key}"><div class="grow"><strong>{title}</strong> since {at}, '
        "{span}.{report}</div></div>",
        tone=tone, key=incident["id"], title=clip(incident["title"]), at=stamp(incident["since_s"], now_s, where),
        span=span(now_s - incident["since_s"]), report=_report(incident),
    )  # fmt: skip


def _decisions(decisions: list[DecisionView], now_s: float, where: tzinfo) -> Html:
    """What to do, in order of its time."""
    if not decisions:
        return NOTHING
    rows = join(_decision(decision, now_s, where) for decision in decisions)
    return fill("<p>If supply is not back by then:</p><ol>{rows}</ol>", rows=rows)


def _decision(decision: DecisionView, now_s: float, where: tzinfo) -> Html:
    deeds = [f"{verb} {clip(', '.join(decision[verb]))}" for verb in ("pause", "stop") if decision[verb]]
    by_s, needed = decision["by_s"], known(decision["needed"])
    chance = f" (chance that it is needed: {percent(needed)})" if needed is not None else ""
    return fill(
        "<li>{at}: {deeds}, so that {saves} can finish on backup {backup}{chance}.</li>",
        at=fill("now") if by_s <= now_s else fill("by {at}", at=stamp(by_s, now_s, where)), deeds=" and ".join(deeds),
        saves=clip(", ".join(decision["saves"])) or "nothing", backup=name(decision["backup"]), chance=chance,
    )  # fmt: skip


def _last(incident: IncidentView, now_s: float, where: tzinfo) -> Html:
    ended_s = incident["ended_s"] if incident["ended_s"] is not None else now_s
    inside = fill(
        "<p>{head}</p>{report}{check}", head=clip(incident["lines"][0], 400) if incident["lines"] else "",
        report=_report(incident), check=_check(incident),
    )  # fmt: skip
    fresh = bool(incident["check"]) or now_s - ended_s < LAST_S
    return fill(
        '<details data-key="outage-last"{opened}><summary>The last one: {title}, {at}</summary>{inside}</details>',
        opened=Html(" open") if fresh else NOTHING, title=clip(incident["title"]),
        at=stamp(incident["since_s"], now_s, where), inside=inside,
    )  # fmt: skip


def _check(incident: IncidentView) -> Html:
    if not incident["check"]:
        return NOTHING
    return fill("<p><strong>Beds to check: {few}.</strong></p>", few=clip(", ".join(incident["check"]), 300))


def _diary(rows: list[DiaryLineView], years: list[YearView], now_s: float, where: tzinfo) -> Html:
    listed = join(
        fill("<li>{at}: {title}, {lasted}{class_}{stopped}.</li>", at=stamp(row["started_s"], now_s, where),
             title=clip(row["title"]), lasted=span(row["likely_s"]),
             class_=f" ({row['class_']})" if row["class_"] else "", stopped=_stopped(row))
        for row in rows
    )  # fmt: skip
    return fill(
        '<details data-key="diary"><summary>Diary: {count}</summary><ul class="plain">{listed}</ul>{years}'
        "</details>",
        count=count(len(rows), "outage"), listed=listed, years=join(_year(year) for year in years),
    )  # fmt: skip


def _stopped(row: DiaryLineView) -> str:
    return f"; stopped {clip(', '.join(row['stopped']))}" if row["stopped"] else ""


def _year(year: YearView) -> Html:
    each = known(year["caidi_min"])
    return fill(
        "<p>{year}: {often} interruptions above 5 min a machine (SAIFI), {minutes} min without supply a machine "
        "(SAIDI), {each} an interruption (CAIDI); {short} shorter.</p>",
        year=year["year"], often=number(year["saifi"], 2), minutes=number(year["saidi_min"]),
        each=f"{number(each)} min" if each is not None else "none counted for", short=year["short"],
    )  # fmt: skip
