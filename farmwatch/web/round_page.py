"""The round: when to go and what it gains, and the sheet to tick off, machine by machine. Pure."""

from collections.abc import Callable, Mapping
from datetime import tzinfo

from farmwatch.web import pages
from farmwatch.web.manner import figures, number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, moment, name, span, stamp, zone
from farmwatch.web.round_panel import extra, line
from farmwatch.words.rounds import LoadView, RoundsView, SheetRow
from farmwatch.words.view import View

WIDE, HIGH = 1000.0, 160.0
PAPER = {"pieces": "good pieces ____"}
Key = Callable[[], str]


def page(view: View, assets: Mapping[str, str], footer: Html, key: Key, notice: str = "") -> str:
    """The whole page. `key` gives a new key for each form, so that what is sent twice counts once."""
    rounds, where, now_s = view.get("trips"), zone(view["timezone"]), view["at_s"]
    body = fill(
        '<header><div class="site">{home} <span>as of {at}</span></div></header>'
        '<main class="single round"><h1>{words}</h1><p id="notice" role="status">{notice}</p>'
        '<p id="unsent" role="alert" hidden></p>{more}</main>{footer}',
        home=pages.home("/round"), at=stamp(now_s, now_s, where), words=line(rounds), notice=notice, footer=footer,
        more=NOTHING if rounds is None else _more(rounds, now_s, where, key),
    )  # fmt: skip
    head = fill(
        '<link rel="stylesheet" href="{css}"><script src="{js}" defer></script>',
        css=assets["round.css"], js=assets["round.js"],
    )  # fmt: skip
    return pages.document(f"Round - {clip(view['site'], 40)}", body, assets, head=head)


def _more(rounds: RoundsView, now_s: float, where: tzinfo, key: Key) -> Html:
    rows = join(_row(row, now_s, where, key) for row in rounds["sheet"])
    return fill(
        '{extra}{took}{unknown}{open}<ol class="sheet">{rows}</ol>{none}{curve}{done}',
        extra=extra(rounds, now_s, where), took=_took(rounds), unknown=_unknown(rounds), open=_open(rounds, key),
        rows=rows, none=NOTHING if rounds["sheet"] else fill("<p>No bed will be ready then.</p>"),
        curve=_curve(rounds, now_s, where), done=_done(rounds, now_s, where),
    )  # fmt: skip


def _took(rounds: RoundsView) -> Html:
    if rounds["trip_min"] is None:
        return NOTHING
    low, middle, high = rounds["trip_min"]
    return fill("<p>Takes about {middle:.0f} min ({low:.0f} to {high:.0f} in the rounds so far).</p>",
                low=low, middle=middle, high=high)  # fmt: skip


def _unknown(rounds: RoundsView) -> Html:
    if not rounds["unknown"]:
        return NOTHING
    return fill("<p>Not reckoned with, their end is not known: {names}.</p>", names=", ".join(rounds["unknown"]))


def _open(rounds: RoundsView, key: Key) -> Html:
    if rounds["open"] is None:
        return _form("round_began", "", "Begin the round", key, kind="act")
    return _form("round_ended", "", "The round is over", key)


def _form(command: str, machine: str, button: str, key: Key, *, more: Html = NOTHING, kind: str = "") -> Html:
    about = fill('<input type="hidden" name="machine" value="{machine}">', machine=machine) if machine else NOTHING
    return fill(
        '<form class="tick" method="post" action="/round"><input type="hidden" name="command" value="{command}">'
        '<input type="hidden" name="key" value="{key}">{about}{more}<button class="{kind}">{button}'
        '<span class="unseen"> {machine}</span></button></form>',
        command=command, key=key(), about=about, more=more, button=button, machine=machine, kind=kind,
    )  # fmt: skip


def _row(row: SheetRow, now_s: float, where: tzinfo, key: Key) -> Html:
    off, load = row["off"], row["load"]
    lines = []
    if off is not None:
        made = off["pieces"]
        pieces = "pieces not known" if made is None else "1 piece" if made == 1 else f"{figures(made, 6)} pieces"
        lines.append(fill("<dt>off</dt><dd>{job}, {pieces}</dd><dt>bag</dt><dd>{bag}</dd>",
                          job=name(off["job"] or "unnamed build"), pieces=pieces, bag=name(off["bag"])))  # fmt: skip
    lines += [fill("<dt>check</dt><dd>{words}</dd>", words=clip(words)) for words in row["checks"]]
    if load is not None:
        lines.append(fill("<dt>load</dt><dd>{words}</dd>", words=_load(load, now_s, where)))
    if row["spool"]:
        lines.append(fill("<dt>spool</dt><dd>{spool}</dd>", spool=name(row["spool"])))
    if row["start_s"] is not None:
        when = "at once" if row["start_s"] - now_s < 60 else f"from {moment(row['start_s'], now_s, where)}"
        lines.append(fill("<dt>start</dt><dd>{when}</dd>", when=when))
    clear_s = row["clear_s"]
    free = NOTHING
    if clear_s is not None:
        words = "bed free since" if clear_s <= now_s else "bed free about"
        free = fill(" <small>{words} {at}</small>", words=words, at=stamp(clear_s, now_s, where))
    return fill(
        '<li id="m-{machine}" class="card"><div class="grow"><strong class="who">{name}</strong>{free}'
        '<dl>{lines}</dl><p class="boxes">{boxes}</p><div class="row">{ticks}</div><p class="sent"></p></div></li>',
        machine=row["machine"], name=name(row["machine"]), free=free, lines=join(lines), boxes=_boxes(row),
        ticks=_ticks(row, load, key),
    )  # fmt: skip


def _load(load: LoadView, now_s: float, where: tzinfo) -> str:
    parts = [load["job"]]
    if load["material"]:
        parts.append(f"in {load['material']}")
    if load["grams"] is not None:
        parts.append(f"{number(load['grams'])} g")
    if load["ends_s"] is not None:
        parts.append(f"done about {moment(load['ends_s'], now_s, where)}")
    if load["late"]:
        parts.append("late for its date")
    if not load["accepted"]:
        parts.append("a proposal")
    return ", ".join(parts)


def _boxes(row: SheetRow) -> str:
    """Boxes for a printed sheet; what is done already is crossed."""
    wanted = [*(["cleared"] if row["off"] is not None or "cleared" in row["ticks"] else []), "started", "checked"]
    if row["off"] is not None:
        wanted.append("pieces")
    return "  ".join(f"{'☒' if what in row['ticks'] else '☐'} {PAPER.get(what, what)}" for what in wanted)


def _ticks(row: SheetRow, load: LoadView | None, key: Key) -> Html:
    machine, done = row["machine"], set(row["ticks"])
    forms = []
    if row["off"] is not None and "cleared" not in done:
        forms.append(_form("cleared", machine, "Cleared", key, kind="act"))
    if "started" not in done and row["state"] not in ("heating", "printing", "paused"):
        forms.append(_form("started", machine, "Started", key, more=_job(load)))
    if "checked" not in done:
        forms.append(_form("checked", machine, "Checked", key))
    if row["off"] is not None and "failed" not in done and row["state"] in ("waiting", "cooling"):
        forms.append(_form("failed", machine, "It failed", key))
    over = row["state"] in ("waiting", "cooling") or "cleared" in done
    if row["off"] is not None and over and "pieces" not in done:
        forms.append(_form("pieces", machine, "Good pieces", key, more=_pieces(row["off"]["pieces"])))
    return join(forms)


def _pieces(usual: float | None) -> Html:
    """How many came off well; what is usual stands there already."""
    return fill(
        '<label class="count">Good pieces <input name="pieces" type="number" min="0" max="10000" step="any" required '
        'inputmode="decimal" value="{usual}"></label>', usual="" if usual is None else f"{usual:g}",
    )  # fmt: skip


def _job(load: LoadView | None) -> Html:
    """What is started: the job that was to be loaded goes along."""
    if load is None:
        return NOTHING
    more = [fill('<input type="hidden" name="job" value="{job}">', job=load["job"])]
    if load["material"]:
        more.append(fill('<input type="hidden" name="material" value="{words}">', words=load["material"][:40]))
    if load["hours"] is not None:
        more.append(fill('<input type="hidden" name="planned_min" value="{min:.0f}">', min=max(load["hours"] * 60, 1)))
    return join(more)


def _curve(rounds: RoundsView, now_s: float, where: tzinfo) -> Html:
    """Expected idle time against the time of the first visit."""
    curve = rounds["curve"]
    if len(curve) < 2 or not rounds["visits"]:
        return NOTHING
    first_s, end_s = curve[0][0], curve[-1][0]
    least, most = min(idle for _, idle in curve), max(idle for _, idle in curve)
    room = max(most - least, 1.0)

    def place(at_s: float, idle: float) -> tuple[float, float]:
        return WIDE * (at_s - first_s) / (end_s - first_s), HIGH * (1 - 0.9 * (idle - least) / room) - 4

    points = " ".join(f"{x:.0f},{y:.0f}" for x, y in (place(*point) for point in curve))
    best_s = rounds["visits"][0]["at_s"]
    x = place(best_s, least)[0]
    words = f"Least idle time by going at {moment(best_s, now_s, where)}; {_worse(curve, best_s, least, now_s, where)}"
    return fill(
        '<h2>Earlier or later</h2><svg class="curve" viewBox="0 0 1000 160" preserveAspectRatio="none" role="img" '
        'aria-label="{words}"><polyline points="{points}"/><line x1="{x:.0f}" x2="{x:.0f}" y1="0" y2="160"/></svg>'
        '<p class="line"><small class="grow">{left}</small><small>{right}</small></p><p>{words}</p>'
        "<p><small>Expected to be idle in the next {hours} h: {idle} machine-minutes; {nobody} if nobody "
        "goes.</small></p>",
        words=words, points=points, x=x, left=moment(first_s, now_s, where), right=moment(end_s, now_s, where),
        hours=number(rounds["horizon_h"]), idle=number(rounds["idle_min"]), nobody=number(rounds["unvisited_min"]),
    )  # fmt: skip


def _worse(
    curve: list[tuple[float, float]], best_s: float, least: float, now_s: float, where: tzinfo
) -> str:  # fmt: skip
    found = []
    for group in ([p for p in curve if p[0] < best_s - 60], [p for p in curve if p[0] > best_s + 60]):
        if group:
            at_s, idle = group[len(group) // 2]
            found.append(f"{moment(at_s, now_s, where)} costs {number(idle - least)} machine-minutes more")
    return ", ".join(found) + "." if found else "there is no other time in reach."


def _done(rounds: RoundsView, now_s: float, where: tzinfo) -> Html:
    if not rounds["done"]:
        return NOTHING
    rows = join(
        fill("<li>{at}{by}: {beds}, {idle} of waiting, {took}</li>", at=stamp(row["began_s"], now_s, where),
             by=fill(" {by}", by=name(row["by"])) if row["by"] else NOTHING,
             beds=f"{len(row['beds'])} bed{'' if len(row['beds']) == 1 else 's'}", idle=span(row["idle_min"] * 60),
             took=f"took {span(row['took_min'] * 60)}")
        for row in rounds["done"]
    )  # fmt: skip
    return fill('<details class="past"><summary>Rounds made</summary><ul>{rows}</ul></details>', rows=rows)
