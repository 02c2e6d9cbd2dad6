"""A machine as a cell of the room's plan that opens to its details."""

import math
from datetime import datetime, tzinfo
from functools import lru_cache
from typing import Any
from urllib.parse import quote

from farmwatch.web import bars, forms, looks, plug_panel
from farmwatch.web.manner import current, degrees, number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, moment, name, percent, span, stamp, watts, zone
from farmwatch.web.phrases import age, clear_at, finish
from farmwatch.words.view import MachineView, View

MOST_COLUMNS = 8
_BUILDING = ("heating", "printing", "paused")


def in_rows(view: View) -> Html:
    """The machines where they stand, if all say where; else by name."""
    placed = all(machine["row"] is not None and machine["column"] is not None for machine in view["machines"])
    now_s, where = view["at_s"], zone(view["timezone"])
    ordered = sorted(view["machines"], key=_place)
    cells = join(cell(machine, now_s, where) for machine in ordered)
    columns = max((machine["column"] or 1 for machine in ordered), default=1) if placed else 0
    if not 2 <= columns <= MOST_COLUMNS:
        return fill('<div class="room">{cells}</div>', cells=cells)
    return fill('<div class="room of{columns}">{cells}</div>', columns=columns, cells=join(
        _rows(ordered, columns, now_s, where)))  # fmt: skip


def _place(machine: MachineView) -> tuple[int, int, str]:
    return (machine["row"] or 0, machine["column"] or 0, machine["name"])


def _rows(ordered: list[MachineView], columns: int, now_s: float, where: tzinfo) -> list[Html]:
    """Cells with the room's gaps between them, so that each stands in its column."""
    cells: list[Html] = []
    row, column = None, columns
    for machine in ordered:
        if machine["row"] != row:
            cells += [_gap()] * (columns - column)
            row, column = machine["row"], 0
        at = machine["column"] or 1
        cells += [_gap()] * max(0, at - 1 - column)
        cells.append(cell(machine, now_s, where))
        column = max(at, column + 1)
    return cells


def _gap() -> Html:
    return Html('<span class="aisle" aria-hidden="true"></span>')


class _Sight:
    """A machine as a cell shows it; equal to another that would look the same.

    Temperatures and times count as they are written. A power counts in steps of 3 %, or ten seconds: a plug's last watt
    flickers, and would have every cell drawn and sent anew every two seconds.
    """

    __slots__ = ("_key", "machine", "now_s", "opened", "where")

    def __init__(self, machine: MachineView, now_s: float, where: tzinfo, *, opened: bool) -> None:
        self.machine, self.now_s, self.where, self.opened = machine, now_s, where, opened
        day = datetime.fromtimestamp(now_s, where).date()
        self._key = (opened, where, day, current(), now_s // STEP_S, *(
            _coarse(key, value, machine, now_s) for key, value in machine.items() if key not in _UNSEEN))  # fmt: skip

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Sight) and self._key == other._key


STEP_S = 10.0
_UNSEEN = frozenset({"load_basis", "energy_today_wh", "cleared_at_s", "cleared_by"})


def _coarse(key: str, value: Any, machine: MachineView, now_s: float) -> object:  # noqa: ANN401  (any of a view's)
    """What of a value shows."""
    if isinstance(value, float):
        if key == "age_s":
            return span(value) if machine["silent"] else age(value, always=True)
        if key == "power_w":
            return round(math.log(value) / 0.03) if 1 < value < math.inf else watts(value)
        if key in ("bed_c", "nozzle_c", "value"):
            return number(value) if known(value) is not None else None
        if key == "progress":
            return percent(value), round(1_000 * value) if known(value) is not None else None
        if key == "start_from_s":
            return value > now_s, value // 60
        return value // 60 if key == "clear_at_s" else value
    if key == "finish" and value is not None:
        times = (value["p10_s"], value["p50_s"], value["p90_s"])
        late_s = known(value["overdue_s"])
        return (*(None if at_s is None else at_s // 60 for at_s in times), value["basis"], value["builds"],
                None if late_s is None else (late_s > 0, span(late_s)))  # fmt: skip
    if isinstance(value, list):
        return tuple(tuple(part.items()) if isinstance(part, dict) else part for part in value)
    return _rough(value)


def _rough(value: Any) -> object:  # noqa: ANN401  (any of a view's)
    """Two figures of every number: what a plug says by itself moves with each reading, and hardly ever shows."""
    if isinstance(value, dict):
        return tuple((key, _rough(part)) for key, part in value.items())
    if isinstance(value, list):
        return tuple(_rough(part) for part in value)
    return f"{value:.2g}" if isinstance(value, float) else value


def cell(machine: MachineView, now_s: float, where: tzinfo, *, opened: bool = False) -> Html:
    """State by shape and word, what comes next, age where it matters; details and forms when opened."""
    return _drawn(_Sight(machine, now_s, where, opened=opened))


@lru_cache(maxsize=2_048)
def _drawn(sight: _Sight) -> Html:
    machine, now_s, where, opened = sight.machine, sight.now_s, sight.where, sight.opened
    look = looks.look(looks.MACHINES, machine["state"])
    old = bool(machine["silent"]) or machine["age_s"] is None
    return fill(
        '<details class="machine {tone}{old}" name="machine" data-key="m-{key}"{opened}>'
        '<summary><span class="name">{name}</span>'
        '<span class="badge {tone}">{shape}<span class="word">{word}</span></span>'
        '<span class="brief">{brief}</span>{bar}</summary>'
        '<div class="inside">{inside}</div></details>',
        tone=look.tone, old=" old" if old else "", key=machine["name"], opened=Html(" open") if opened else NOTHING,
        shape=looks.shape(look), name=name(machine["name"]), word=look.word, brief=_brief(machine, now_s, where),
        bar=_progress(machine), inside=_inside(machine, now_s, where),
    )  # fmt: skip


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


def _inside(machine: MachineView, now_s: float, where: tzinfo) -> Html:
    rows = join(
        fill("<dt>{term}</dt><dd>{words}</dd>", term=term, words=words) for term, words in _facts(machine, now_s, where)
    )
    alone = fill('<a class="alone" href="/machine/{key}">This machine alone</a>', key=quote(machine["name"], safe=""))
    says = forms.machine(machine["name"], machine["state"])
    return fill("<dl>{rows}</dl>{says}{acts}{plug}{alone}", rows=rows, says=says, acts=_acts(machine),
                plug=plug_panel.panel(machine), alone=alone)  # fmt: skip


def _acts(machine: MachineView) -> Html:
    """Buttons only for what the owner has turned on and makes sense now; what became of the last one."""
    offers = [offer for offer in machine.get("actions", ()) if offer["fits"]]
    buttons = join(forms.ask(machine["name"], offer["name"], offer["kind"]) for offer in offers)
    told = machine.get("acted", "")
    acted = fill('<p class="acted">{words}</p>', words=clip(told)) if told else NOTHING
    row = fill('<div class="row acts">{buttons}</div>', buttons=buttons) if offers else NOTHING
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
