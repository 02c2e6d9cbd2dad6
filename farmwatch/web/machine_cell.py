"""A machine as a cell of the room's plan that opens to its details."""

import re
from datetime import tzinfo
from functools import lru_cache
from typing import NamedTuple
from urllib.parse import quote

from farmwatch.web import bars, forms, looks, plug_panel
from farmwatch.web.latest import Latest
from farmwatch.web.manner import current, degrees, number
from farmwatch.web.markup import (
    NOTHING,
    Html,
    Parts,
    clip,
    fill,
    join,
    known,
    moment,
    name,
    percent,
    span,
    stamp,
    watts,
    zone,
)
from farmwatch.web.phrases import age, clear_at, finish
from farmwatch.words.view import ClearView, FinishView, MachineView, View

MOST_COLUMNS = 8
_BUILDING = ("heating", "printing", "paused")


def in_rows(view: View) -> Html:
    """The machines where they stand, if all say where; else by name. Each cell is a part of its own."""
    placed = all(machine["row"] is not None and machine["column"] is not None for machine in view["machines"])
    now_s, where = view["at_s"], zone(view["timezone"])
    ordered = sorted(view["machines"], key=_place)
    cells: list[Html] = [cell(machine, now_s, where) for machine in ordered]
    parts = {f"m-{machine['name']}": html for machine, html in zip(ordered, cells, strict=True)}
    columns = max((machine["column"] or 1 for machine in ordered), default=1) if placed else 0
    if not 2 <= columns <= MOST_COLUMNS:
        return Parts.of(fill('<div class="room">{cells}</div>', cells=join(cells)), parts)
    places = tuple((machine["row"], machine["column"]) for machine in ordered)
    html = fill('<div class="room of{columns}">{cells}</div>', columns=columns, cells=join(
        _rows(ordered, cells, columns)))  # fmt: skip
    return Parts.of(html, parts, places)


def _place(machine: MachineView) -> tuple[object, ...]:
    return (machine["row"] or 0, machine["column"] or 0, _natural(machine["name"]), machine["name"])


@lru_cache(maxsize=1_024)
def _natural(words: str) -> tuple[tuple[bool, int, str], ...]:
    """Order in which people count: 2 before 12.

    >>> sorted(["knot-12", "knot-2", "ibis"], key=_natural)
    ['ibis', 'knot-2', 'knot-12']
    """
    parts = re.findall(r"[0-9]{1,18}|[^0-9]+", words)
    return tuple((part[0] not in "0123456789", int(part) if part[0] in "0123456789" else 0, part) for part in parts)


def _rows(ordered: list[MachineView], drawn: list[Html], columns: int) -> list[Html]:
    """Cells with the room's gaps between them, so that each stands in its column."""
    cells: list[Html] = []
    row, column = None, columns
    for machine, html in zip(ordered, drawn, strict=True):
        if machine["row"] != row:
            cells += [_gap()] * (columns - column)
            row, column = machine["row"], 0
        at = machine["column"] or 1
        cells += [_gap()] * max(0, at - 1 - column)
        cells.append(html)
        column = max(at, column + 1)
    return cells


def _gap() -> Html:
    return Html('<span class="aisle" aria-hidden="true"></span>')


class _Sight(NamedTuple):
    """What a cell is drawn of."""

    machine: MachineView
    now_s: float
    where: tzinfo
    opened: bool


STEP_S = 60.0
"""No cell is older than this, whatever its key misses; whatever changes a word or a number is drawn at once."""


def cell(machine: MachineView, now_s: float, where: tzinfo, *, opened: bool = False) -> Html:
    """State by shape and word, what comes next, age where it matters; details and forms when opened."""
    key = _key(machine, now_s, where, opened=opened)
    return drawings((machine["name"], opened), key, _Sight(machine, now_s, where, opened))


def _key(machine: MachineView, now_s: float, where: tzinfo, *, opened: bool) -> tuple[object, ...]:
    """All that shows, as coarse as it is written; equal for two machines that look the same."""
    age_s, from_s = machine["age_s"], known(machine.get("start_from_s"))
    return (
        machine["name"], machine["state"], machine["since_s"], machine["because"], machine["job"],
        machine["material"], machine["material_inferred"], machine["bank"], machine["backup"], machine["circuit"],
        (*machine["silent"],), None if age_s is None else span(age_s) if machine["silent"] else age(age_s, always=True),
        watts(machine["power_w"]),
        _whole(machine["bed_c"]), _whole(machine["nozzle_c"]), _whole(machine["progress"], 1_000),
        times(machine["finish"]), _minute(machine["clear_at_s"]), times(machine["clear"]),
        None if from_s is None else (from_s > now_s, from_s // 60),
        _whole(machine.get("value")), machine.get("value_said"), _offers(machine), machine.get("acted"),
        plug_panel.key(machine.get("plug")), opened, where, now_s // STEP_S, current(),
    )  # fmt: skip


def _whole(value: float | None, times: float = 1.0) -> int | None:
    value = known(value)
    return None if value is None else round(value * times)


def _minute(at_s: float | None) -> float | None:
    at_s = known(at_s)
    return None if at_s is None else at_s // 60


def times(found: FinishView | ClearView | None) -> tuple[object, ...] | None:
    """An interval to the minute, and what it rests on: what shows of it."""
    if found is None:
        return None
    late_s = known(found.get("overdue_s"))  # type: ignore[arg-type]  # of a finish only
    return (
        _minute(found["p10_s"]), _minute(found["p50_s"]), _minute(found["p90_s"]), found["basis"], found.get("builds"),
        None if late_s is None or late_s <= 0 else span(late_s),
    )  # fmt: skip


def _drawn(sight: _Sight) -> Parts:
    """In three parts, so that a degree more does not send the forms again."""
    machine, now_s, where, opened = sight
    look = looks.look(looks.MACHINES, machine["state"])
    old = bool(machine["silent"]) or machine["age_s"] is None
    at = machine["name"]
    head = fill(
        '<summary data-key="s-{key}"><span class="name">{name}</span>'
        '<span class="badge {tone}">{shape}<span class="word">{word}</span></span>'
        '<span class="brief">{brief}</span>{bar}</summary>',
        key=at, tone=look.tone, shape=looks.shape(look), name=name(at), word=look.word,
        brief=_brief(machine, now_s, where), bar=_progress(machine),
    )  # fmt: skip
    facts = fill('<dl data-key="f-{key}">{rows}</dl>', key=at, rows=join(
        fill("<dt>{term}</dt><dd>{words}</dd>", term=term, words=words)
        for term, words in _facts(machine, now_s, where)))  # fmt: skip
    seen = (machine["state"], _offers(machine), machine.get("acted"), plug_panel.key(machine.get("plug")))
    says = sayings((at, opened), (*seen, now_s // STEP_S, current()), sight)
    html = fill(
        '<details class="machine {tone}{old}" name="machine" data-key="m-{key}"{opened}>{head}'
        '<div class="inside">{facts}{says}</div></details>',
        tone=look.tone, old=" old" if old else "", key=at, opened=Html(" open") if opened else NOTHING,
        head=head, facts=facts, says=says,
    )  # fmt: skip
    return Parts.of(html, {f"s-{at}": head, f"f-{at}": facts, f"a-{at}": says}, (look.tone, old, opened))


def _progress(machine: MachineView) -> Html:
    if machine["state"] not in _BUILDING or known(machine["progress"]) is None:
        return NOTHING
    return bars.share(machine["progress"], f"{percent(machine['progress'])} built")


def _brief(machine: MachineView, now_s: float, where: tzinfo) -> str:
    """The one thing worth knowing at a glance."""
    if machine["age_s"] is None:
        return "never heard"
    if machine["silent"]:
        return f"silent {span(machine['age_s'])}"
    if machine["state"] in _BUILDING:
        found = machine["finish"]
        p50_s = known(found["p50_s"]) if found is not None else None
        end = moment(p50_s, now_s, where) if p50_s is not None else "end not known"
        return end if known(machine["progress"]) is None else f"{percent(machine['progress'])}, {end}"
    at_s = known(machine["clear_at_s"])
    if machine["state"] == "cooling":
        return f"clear {moment(at_s, now_s, where)}" if at_s is not None else "clear when cool"
    if machine["state"] == "idle" and (from_s := known(machine.get("start_from_s"))) is not None and from_s > now_s:
        return f"start from {moment(from_s, now_s, where)}"
    if machine["state"] == "waiting" and at_s is not None:
        return f"since {moment(at_s, now_s, where)}"
    return ""


def _says(sight: _Sight) -> Html:
    """What can be said and done there, and what its plug says."""
    machine, _, _, alone = sight
    more = NOTHING if alone else fill('<a class="alone" href="/machine/{key}">Charts and history of {name}</a>',
                                      key=quote(machine["name"], safe=""), name=name(machine["name"]))  # fmt: skip
    return fill('<div data-key="a-{key}">{more}{says}{acts}{plug}</div>', key=machine["name"], more=more,
                says=forms.machine(machine["name"], machine["state"]), acts=_acts(machine),
                plug=plug_panel.panel(machine))  # fmt: skip


MOST_KEPT = 2_048
drawings, sayings = Latest(_drawn, MOST_KEPT), Latest(_says, MOST_KEPT)
"""By machine and whether it is opened: what an open page shows, and nothing of what it has shown."""


def _offers(machine: MachineView) -> tuple[tuple[str, str], ...]:
    return tuple((offer["name"], offer["kind"]) for offer in machine.get("actions", ()) if offer["fits"])


def _acts(machine: MachineView) -> Html:
    """Buttons only for what the owner has turned on and makes sense now; what became of the last one."""
    buttons = join(forms.ask(machine["name"], action, kind) for action, kind in _offers(machine))
    told = machine.get("acted", "")
    acted = fill('<p class="acted">{words}</p>', words=clip(told)) if told else NOTHING
    row = fill('<div class="row acts">{buttons}</div>', buttons=buttons) if buttons else NOTHING
    return fill("{row}{acted}", row=row, acted=acted)


def _facts(machine: MachineView, now_s: float, where: tzinfo) -> list[tuple[str, object]]:
    """Terms and words; what is not known is said so where it would be expected."""
    facts: list[tuple[str, object]] = []
    if machine["since_s"] is not None:
        because = f" ({clip(machine['because'])})" if machine["because"] else ""
        facts.append(("since", fill("{at}{because}", at=stamp(machine["since_s"], now_s, where), because=because)))
    facts.append(("job", name(machine["job"]) if machine["job"] else "not known"))
    facts.append(("material", _material(machine)))
    if machine["state"] in _BUILDING:
        facts.append(("finish", finish(machine["finish"], now_s, where)))
    if machine["state"] != "waiting" and (clear := clear_at(machine, now_s, where)) is not None:
        facts.append(("bed can be cleared", clear))
    if (value := known(machine.get("value"))) is not None:
        why = "as said" if machine.get("value_said") else "minutes and grams already in it"
        facts.append(("worth saving in an outage", f"{number(value)} ({why})"))
    if machine["state"] == "idle" and (from_s := known(machine.get("start_from_s"))) is not None:
        facts.append(("may start", "now" if from_s <= now_s else fill("from {at}", at=stamp(from_s, now_s, where))))
    facts += [("bed", _degrees(machine["bed_c"])), ("nozzle", _degrees(machine["nozzle_c"]))]
    facts.append(("power", watts(machine["power_w"])))
    above = (("bank", machine["bank"]), ("backup", machine["backup"]), ("circuit", machine["circuit"]))
    feeds = [f"{kind} {part}" for kind, part in above if part]
    facts.append(("hangs on", clip(", ".join(feeds)) or "not configured"))
    heard = age(machine["age_s"], always=True)
    if machine["silent"]:
        heard += "Silent: " + ", ".join(machine["silent"])
    facts.append(("data", clip(heard)))
    return facts


def _material(machine: MachineView) -> object:
    if not machine["material"]:
        return "not known"
    return fill("{material}{inferred}", material=name(machine["material"]),
                inferred=", inferred from the bed" if machine["material_inferred"] else "")  # fmt: skip


def _degrees(value: float | None) -> str:
    value = known(value)
    return "not known" if value is None else degrees(value)
