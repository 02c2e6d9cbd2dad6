"""The page /work: what goes on which machine next, what is wanted, which dates cannot be met, CSV in and out. Pure."""

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from itertools import groupby

from farmwatch.web import pages, shop_panels
from farmwatch.web.manner import figures, number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, name, stamp, zone
from farmwatch.web.shop_panels import grams, table
from farmwatch.words.rounds import LoadRow, ShortView, WantedView, WorkView
from farmwatch.words.view import View

VISITS_SHOWN = 6
NOTHING_PLANNED = (
    "Nothing is proposed: nothing is wanted that can be planned, of no machine is known when it is "
    'free, or nobody says when to come (rounds = ["mon-fri 07:30-09:00"] under [people]).'
)


def page(view: View, assets: Mapping[str, str], footer: Html, notice: str = "", wrong: Sequence[str] = ()) -> str:
    """The whole page; `wrong` is what stands in the way of a file that was not taken."""
    work, where, now_s = view.get("work"), zone(view["timezone"]), view["at_s"]
    machines = [machine["name"] for machine in view["machines"]]
    sections = NOTHING if work is None else join(
        fill('<section class="panel" id="{key}"><h2>{title}</h2>{inside}</section>', key=key, title=title, inside=html)
        for key, title, html in (
            ("wrong", "Not taken: mend these lines and send the file again", shop_panels.wrong_lines(wrong)),
            ("short", "Dates that will not be met", _short(work, where, now_s)),
            ("next", "Which build on which machine", _proposal(work, where, now_s)),
            ("wanted", "Wanted", _wanted(work, where, now_s)),
            ("say", "Say what is wanted", _forms(work, machines)),
        )
        if html
    )  # fmt: skip
    body = fill(
        '<header><div class="site">{home} <b>{site}</b></div></header>'
        '<p id="notice" role="status">{notice}</p><main class="single wider"><h1>Work</h1>{sections}'
        "</main>{footer}", home=pages.home("/work"), site=name(view["site"]), notice=notice, sections=sections,
        footer=footer,
    )  # fmt: skip
    return pages.document(f"Work - {clip(view['site'], 40)}", body, assets)


def _short(work: WorkView, where: tzinfo, now_s: float) -> Html:
    if not work["short"]:
        return NOTHING
    rows = join(_missed(row, where, now_s) for row in work["short"])
    return fill('<ul class="plain">{rows}</ul>', rows=rows)


def _missed(row: ShortView, where: tzinfo, now_s: float) -> Html:
    made = NOTHING
    if row["made_by_s"] is not None:
        made = fill("; as planned they are done by {at}", at=stamp(row["made_by_s"], now_s, where))
    return fill(
        "<li><b>{job}</b>: {missing} will be missing {at}, {builds} more {noun} needed. {why}{made}.</li>",
        job=name(row["job"]), missing=figures(row["missing"], 9), at=stamp(row["due_s"], now_s, where),
        builds=row["builds"],
        noun="build is" if row["builds"] == 1 else "builds are", why=_sentence(row["why"]), made=made,
    )  # fmt: skip


def _sentence(words: str) -> str:
    words = clip(words, 200)
    return words[:1].upper() + words[1:]


# ---- the proposal -----------------------------------------------------------------------------------------------


def _proposal(work: WorkView, where: tzinfo, now_s: float) -> Html:
    if not work["loads"] and not work["accepted"]:
        return fill("<p>{words}</p>", words=NOTHING_PLANNED)
    visits = [(at_s, list(rows)) for at_s, rows in groupby(work["loads"], key=lambda row: row["visit_s"])]
    parts = [_visit(at_s, rows, where, now_s, first=n == 0) for n, (at_s, rows) in enumerate(visits[:VISITS_SHOWN])]
    settled = [
        (machine, job) for machine, job in work["accepted"].items()
        if not any(row["machine"] == machine and row["accepted"] for row in work["loads"])
    ]  # fmt: skip
    if settled:
        parts.append(fill("<h3>Settled, whatever is proposed</h3><ul class=plain>{rows}</ul>",
                          rows=join(_settled(machine, job) for machine, job in settled)))  # fmt: skip
    parts.append(fill("<small>{words} It proposes; you decide.</small>", words=_how_good(work)))
    return join(parts)


def _how_good(work: WorkView) -> str:
    if work["exact"]:
        return "No plan is worth more."
    if work["gap"] is None:
        return ""
    way = "by rule of thumb" if work["way"] == "greedy" else "in the time given"
    return f"Found {way}; a better plan could be worth {work['gap']:.0%} more at most."


def _visit(at_s: float, rows: Sequence[LoadRow], where: tzinfo, now_s: float, *, first: bool) -> Html:
    lines = join(_load(row, where, now_s, first=first) for row in rows)
    head = fill("<h3>{word} {at}</h3>", word="Next round," if first else "Round", at=stamp(at_s, now_s, where))
    return fill('{head}<ul class="plain loads">{lines}</ul>', head=head, lines=lines)


def _load(row: LoadRow, where: tzinfo, now_s: float, *, first: bool) -> Html:
    cleared = NOTHING
    if row["cleared_s"] is not None:
        cleared = fill(", off at {at}", at=stamp(row["cleared_s"], now_s, where))
    ask = NOTHING
    if first:
        ask = _undo(row["machine"]) if row["accepted"] else _accept(row["machine"], row["job"])
    return fill(
        '<li class="line"><span class="grow"><b>{machine}</b>: {job}, done {ends}{cleared}{late}{mark}</span>{ask}'
        "</li>",
        machine=name(row["machine"]), job=name(row["job"]), ends=stamp(row["ends_s"], now_s, where), cleared=cleared,
        late=", late for its date" if row["late"] else "", mark=", settled" if row["accepted"] else "", ask=ask,
    )  # fmt: skip


def _settled(machine: str, job: str) -> Html:
    return fill('<li class="line"><span class="grow"><b>{machine}</b>: {job}</span>{undo}</li>',
                machine=name(machine), job=name(job), undo=_undo(machine))  # fmt: skip


def _accept(machine: str, job: str) -> Html:
    return _quiet("load_next", {"machine": machine, "job": job}, "So be it", machine)


def _undo(machine: str) -> Html:
    return _quiet("load_next", {"machine": machine}, "Not settled", machine)


def _quiet(command: str, fields: Mapping[str, str], button: str, about: str) -> Html:
    inside = join(fill('<input type="hidden" name="{key}" value="{value}">', key=key, value=value)
                  for key, value in {"command": command, "back": "/work", **fields}.items())  # fmt: skip
    return fill('<form class="say" method="post" action="/say">{inside}<button>{button}<span class="unseen">: {about}'
                "</span></button></form>", inside=inside, button=button, about=about)  # fmt: skip


# ---- what is wanted ---------------------------------------------------------------------------------------------


def _wanted(work: WorkView, where: tzinfo, now_s: float) -> Html:
    if not work["wanted"]:
        return fill("<p>Nothing is wanted yet.</p>")
    heads = ("Job", "still", "of", "builds", "hours each", "filament each", "due", "")
    rows = [_row(row, where, now_s) for row in work["wanted"]]
    problems = join(
        fill("<li><b>{job}</b> cannot be planned: {why}</li>", job=name(row["job"]), why=clip(row["problem"], 200))
        for row in work["wanted"] if row["problem"]
    )  # fmt: skip
    return fill('<div class="scroll">{table}</div>{problems}<p><a class="button" href="/work.csv">As CSV</a></p>',
                table=table(heads, rows, "Wanted"),
                problems=fill('<ul class="plain">{rows}</ul>', rows=problems) if problems else NOTHING)  # fmt: skip


def _row(row: WantedView, where: tzinfo, now_s: float) -> list[object]:
    hours, due_s = known(row["hours"]), row["due_s"]
    length = "?" if hours is None else f"{number(hours, 1)} ({clip(row['hours_basis'], 40)})"
    feed = "?" if row["grams"] is None else f"{grams(row['grams'])} {clip(row['material'] or '', 40)}".strip()
    return [
        name(row["job"]), figures(row["left"], 9), figures(row["wanted"], 9),
        "?" if row["builds"] is None else row["builds"],
        length, feed, "" if due_s is None else stamp(due_s, now_s, where),
        _quiet("wanted", {"job": row["job"], "pieces": "0"}, "Strike off", row["job"]),
    ]  # fmt: skip


def _forms(work: WorkView, machines: Sequence[str]) -> Html:
    names = list(dict.fromkeys([*work.get("jobs", ()), *(row["job"] for row in work["wanted"])]))
    jobs = join(fill('<option value="{job}"></option>', job=job) for job in names)
    options = join(fill("<option>{machine}</option>", machine=machine) for machine in machines)
    job = fill('<label>Job <input name="job" list="jobs" maxlength="200" required autocomplete="off"></label>')
    return fill(
        '<datalist id="jobs">{jobs}</datalist><form class="say wide" method="post" action="/say">'
        '<input type="hidden" name="command" value="wanted"><input type="hidden" name="back" value="/work">{job}'
        '<label>Pieces (0: strike it off) <input name="pieces" type="number" min="0" max="1000000" step="any" required>'
        '</label><label>Due <input name="due" type="date"></label><button class="act">Wanted</button></form>'
        '<form class="say wide" method="post" action="/say"><input type="hidden" name="command" value="load_next">'
        '<input type="hidden" name="back" value="/work"><label>Machine <select name="machine">{options}</select>'
        "</label>{job}<button>Goes on next</button></form>"
        '<form class="say wide" method="post" action="/work" enctype="multipart/form-data">'
        '<label>Many at once: a CSV with job, pieces, due <input name="file" type="file" accept=".csv,text/csv" '
        "required></label><button>Take it</button></form>"
        "<small>A line on a job that is on the list sets it anew, and counting begins anew. Of a file with anything "
        "wrong in it nothing is taken.</small>",
        jobs=jobs, options=options, job=job,
    )  # fmt: skip
