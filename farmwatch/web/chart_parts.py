"""Parts of the pages with charts: builds, what was said of them, alarms, energy, events, the choice of series. Pure."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import tzinfo
from typing import Any

from farmwatch.alarms.wording import count
from farmwatch.web import looks
from farmwatch.web.markup import NOTHING, Html, clip, energy, fill, join, name, span, stamp
from farmwatch.web.svg_chart import Band, Mark, Span, time_words
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.view import SourceView, View

MOST_LISTED = 60
SAID_AT = 0.5
ROW, MIDDLE = 16.0, 360.0

Ends = tuple[float | None, float, float | None]
"""Least, likely and latest finish that was said, in seconds after the true end."""


def part(heading: str, inside: Html) -> Html:
    """A section of a page."""
    return fill('<section class="panel"><h2>{heading}</h2>{inside}</section>', heading=heading, inside=inside)


def facts(rows: Sequence[tuple[str, object]]) -> Html:
    """Name and value."""
    words = ((key, value if isinstance(value, Html) else clip(str(value), 400)) for key, value in rows)
    pairs = join(fill("<dt>{key}</dt><dd>{value}</dd>", key=key, value=value) for key, value in words)
    return fill('<section class="panel"><dl>{pairs}</dl></section>', pairs=pairs)


def mark_of(note: Mapping[str, Any]) -> Mark | None:
    """A note as a mark on the axis of time."""
    kind = note["kind"]
    if kind == "build":
        ended, job = note.get("ended") is not None, note.get("job") or "a build"
        words = f"{note.get('machine')}: {job} {note.get('result') if ended else 'began'}"
    elif kind == "alarm":
        if note.get("previous") not in ("normal", None, ""):
            return None
        words = f"alarm: {str(note.get('alarm', '')).replace('_', ' ')}, {note.get('subject')}"
    else:
        words = str(note.get("title") or f"outage: {note.get('cause', '')} {note.get('place', '')}")
    return Mark(note["at_s"], kind, words)


def events(marks: Sequence[Mark], reach: Span) -> Html:
    """What happened within the range, in words, the newest first."""
    if not marks:
        return NOTHING
    rows = join(
        fill("<li>{at} <bdi>{words}</bdi></li>", at=time_words(mark.at_s, reach.where), words=clip(mark.words))
        for mark in list(reversed(marks))[:MOST_LISTED]
    )  # fmt: skip
    left = len(marks) - MOST_LISTED
    more = fill("<p>{left} earlier ones are left out here: /api/v1/history.</p>", left=left) if left > 0 else NOTHING
    summary = "1 event in this range" if len(marks) == 1 else f"{len(marks)} events in this range"
    return fill('<details class="panel"><summary>{summary}</summary><ul class="events">{rows}</ul>{more}</details>',
                summary=summary, rows=rows, more=more)  # fmt: skip


def shares(bands: Sequence[Band]) -> str:
    """How long each state lasted, the longest first."""
    lasted: dict[str, float] = defaultdict(float)
    for band in bands:
        lasted[band.state] += band.end_s - band.start_s
    ordered = sorted(lasted.items(), key=lambda item: -item[1])
    return ", ".join(f"{looks.look(looks.MACHINES, state).word} {span(long_s)}" for state, long_s in ordered)


def builds(rows: Sequence[Mapping[str, Any]], now_s: float, where: tzinfo) -> Html:
    """The newest builds as a table."""
    if not rows:
        return fill("<p>No build has been seen yet.</p>")
    lines = join(
        fill(
            "<tr><td>{began}</td><td>{lasted}</td><td>{job}</td><td>{material}</td><td>{result}</td><td>{wh}</td></tr>",
            began=stamp(row["started_s"], now_s, where),
            lasted="goes on" if row["ended_s"] is None else span(row["ended_s"] - row["started_s"]),
            job=name(str(row["job"] or "not named")), material=name(str(row["material"] or "not known")),
            result=_result(row),
            wh=energy(row["energy_wh"]),
        )
        for row in rows
    )  # fmt: skip
    return fill(
        '<div class="scroll" tabindex="0" role="group" aria-label="Builds"><table><thead><tr><th>Began</th><th>Lasted'
        "</th><th>Job</th><th>Material</th><th>Result</th><th>Energy</th></tr></thead><tbody>{lines}</tbody></table>"
        "</div>", lines=lines,
    )  # fmt: skip


def _result(row: Mapping[str, Any]) -> str:
    if row["ended_s"] is None:
        return ""
    return f"{row['result']}, inferred" if "end" in row["inferred"] else str(row["result"])


def estimates(rows: Sequence[Mapping[str, Any]]) -> Html:
    """At half of each build: the finish that was said, with its 80 % range, against the true end."""
    found: list[tuple[str, Ends]] = []
    for row in rows:
        said = [e for e in row.get("estimates", ()) if e["share"] == SAID_AT and e["p50_s"] is not None]
        if row["ended_s"] is not None and said:
            low, mid, high = (said[0][key] for key in ("p10_s", "p50_s", "p90_s"))
            end_s = row["ended_s"]
            ends = (None if low is None else low - end_s, mid - end_s, None if high is None else high - end_s)
            found.append((str(row["job"] or "not named"), ends))
    if not found:
        return fill("<p>No finished build had an estimate at its half yet.</p>")
    most = max(60.0, *(abs(at) for _, ends in found for at in ends if at is not None))
    drawn = join(_row(n, ends, most) for n, (_, ends) in enumerate(found))
    high = ROW * len(found) + 4
    lines = join(
        fill("<li><bdi>{job}</bdi>: {words}</li>", job=clip(job, 80), words=_late(*ends)) for job, ends in found
    )
    return fill(
        '<svg class="drawing said" viewBox="0 0 720 {high:.0f}" aria-hidden="true"><path class="true" '
        'd="M360 0V{high:.0f}"/>{drawn}</svg><p class="span-words">Upright line: the true end. Left of it the finish '
        "was said too early, right of it too late; the drawing is {most} wide to either side.</p>"
        '<ol class="keys">{lines}</ol>',
        high=high, drawn=drawn, most=span(most), lines=lines,
    )  # fmt: skip


def _row(number: int, ends: Ends, most: float) -> Html:
    y = ROW * number + ROW / 2 + 2
    low, mid, high = (None if at is None else MIDDLE + (MIDDLE - 10) * at / most for at in ends)
    bar = NOTHING
    if low is not None and high is not None:
        bar = fill('<path class="range" d="M{low:.1f} {y:.1f}H{high:.1f}"/>', low=low, y=y, high=max(high, low + 1))
    dot = NOTHING if mid is None else fill('<circle class="guess" cx="{x:.1f}" cy="{y:.1f}" r="4"/>', x=mid, y=y)
    return join([bar, dot])


def _late(low: float | None, mid: float, high: float | None) -> str:
    words = f"at half, {span(abs(mid))} too {'late' if mid > 0 else 'early'}"
    if low is None or high is None:
        return words + ", no range was given"
    return words + (", the true end within its range" if low <= 0 <= high else ", the true end outside its range")


def alarms(view: View, subject: str) -> Html:
    """Alarms of a subject that are not normal."""
    found = [alarm for alarm in view["alarms"] if alarm["subject"].split(".")[0] == subject]
    if not found:
        return fill("<p>None.</p>")
    return join(fill("<p><strong>{title}</strong> ({state}): {text}</p>", title=clip(alarm["title"]),
                     state=looks.ALARM_STATES.get(alarm["state"], alarm["state"]), text=clip(alarm["response"], 300))
                for alarm in found)  # fmt: skip


def energy_of(view: View, subject: str) -> Html:
    """Energy of a subject by day."""
    accounts = view.get("accounts")
    days = [] if accounts is None else accounts["days"]
    rows = [(day["key"], {**day["places"], **day["by"]}.get(subject), day["unmeasured_s"]) for day in days]
    if all(wh is None for _, wh, _ in rows):
        return fill("<p>No energy of it has been measured yet.</p>")
    lines = join(fill("<tr><td>{day}</td><td>{wh}</td></tr>", day=day, wh=energy(wh)) for day, wh, _ in rows)
    return fill(
        '<div class="scroll" tabindex="0" role="group" aria-label="Energy"><table><thead><tr><th>Day</th>'
        "<th>Energy</th></tr></thead><tbody>{lines}</tbody></table></div>", lines=lines,
    )  # fmt: skip


def sources(rows: Sequence[SourceView], subject: str) -> Html:
    """Where what is known of a subject comes from, and how that behaves."""
    found = [row for row in rows if row["subject"] == subject]
    if not found:
        return fill("<p>No source speaks of it.</p>")
    return join(
        fill("<p><b>{id}</b> ({via}): {word}, {age}, {good}, {bad} that could not be read</p>",
             id=clip(row["id"]), via=row["via"], word=looks.look(looks.SOURCES, row["state"]).word,
             good=count(row["good"], "reading"), bad=row["bad"],
             age="nothing has come" if row["age_s"] is None else f"last {span(row['age_s'])} ago")
        for row in found
    )  # fmt: skip


def picker(held: Sequence[tuple[str, str]], chosen: Sequence[tuple[str, str]], span_key: str) -> Html:
    """Which series to show; a form that needs no script."""
    boxes: dict[str, list[Html]] = defaultdict(list)
    for subject, quantity in held:
        boxes[subject].append(fill(
            '<label><input type="checkbox" name="series" value="{value}"{on}><span><bdi>{subject}</bdi>, {about}'
            "</span></label>", value=f"{subject}/{quantity}", subject=clip(subject, 80),
            about=QUANTITIES[quantity].about, on=Html(" checked") if (subject, quantity) in chosen else NOTHING,
        ))  # fmt: skip
    if not boxes:
        return NOTHING
    groups = join(
        fill('<fieldset class="pick"><legend><h3>{subject}</h3></legend>{boxes}</fieldset>', subject=name(subject),
             boxes=join(found))
        for subject, found in boxes.items()
    )  # fmt: skip
    return fill(
        '<details class="panel"><summary>Choose what is drawn (at most eight)</summary><form method="get" '
        'action="/history"><input type="hidden" name="range" value="{span}">{groups}<p><button class="act">'
        "Draw</button></p></form></details>", span=span_key, groups=groups,
    )  # fmt: skip
