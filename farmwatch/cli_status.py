"""`farmwatch status`: what needs you, when next, and whether power is safe, as text in a terminal.

Exit codes for scripts: 0 nothing needs a person, 3 something does, 4 danger, 5 how things stand is not known; 69 the
daemon cannot be reached.
"""

import json
import math
import time
from collections.abc import Callable, Iterable
from datetime import tzinfo
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from farmwatch.cli_live import ask_daemon
from farmwatch.settings import Settings
from farmwatch.web.looks import ALARMS, BACKUPS, MACHINES, UNKNOWN
from farmwatch.web.markup import clip, energy, known, moment, percent, span, watts, zone
from farmwatch.words.errors import Refused
from farmwatch.words.view import BackupView, MachineView, PlaceView, View

CODES: dict[str, int] = {"calm": 0, "act": 3, "danger": 4, "unknown": 5}
MARKS: dict[str, str] = {"act": "■", "danger": "▲", "odd": "◆", "blind": "○", "plain": " "}
STYLES: dict[str, str] = {"act": "bold blue", "danger": "bold red", "odd": "yellow", "blind": "dim", "plain": ""}
LEVELS: dict[str, str] = {"danger": "danger", "act": "act", "unknown": "blind", "calm": "plain"}
EVERY_S = 2.0
BAR = 24
ORDER = ("waiting", "fault", "paused", "unknown", "cooling", "printing", "heating", "idle", "off", "out_of_service")


def status(settings: Settings, *, watch: bool, as_json: bool, chart: str = "", hours: float = 24.0) -> int:
    """Print how things stand; with `watch` until Ctrl-C."""
    if as_json:
        view = ask_daemon(settings, "/api/v1/view")
        print(json.dumps(view, ensure_ascii=False))  # noqa: T201 - a command prints
        return CODES.get(view["verdict"]["level"], 5)
    console = Console(highlight=False)
    if watch and console.is_terminal:
        return _watched(console, lambda: _look(settings, chart, hours))
    shown, code = _look(settings, chart, hours)
    console.print(shown)
    return code


def _look(settings: Settings, chart: str, hours: float) -> tuple[RenderableType, int]:
    view: View = ask_daemon(settings, "/api/v1/view")
    parts: list[RenderableType] = [now_view(view)]
    if chart:
        subject, _, quantity = chart.partition(".")
        start_s = view["at_s"] - hours * 3600.0
        known_here = [row["name"] for row in (*view["machines"], *view["circuits"], *view["backups"])]
        if subject not in known_here:
            raise Refused(f"nothing here is called {_plain(subject)}", hint=f"there are {', '.join(known_here)}")
        query = f"subject={_quoted(subject)}&quantity={_quoted(quantity or 'power_w')}&start={start_s:.3f}&points=400"
        found = ask_daemon(settings, f"/api/v1/series?{query}")
        parts.append(chart_of(found["rows"], chart, start_s, view["at_s"], zone(view["timezone"])))
    return Group(*parts), CODES.get(view["verdict"]["level"], 5)


def _quoted(words: str) -> str:
    from urllib.parse import quote  # noqa: PLC0415

    return quote(words, safe="")


def _watched(console: Console, look: Callable[[], tuple[RenderableType, int]]) -> int:
    """Again and again; a daemon that does not answer is said, and asked again."""
    from farmwatch.words.errors import FarmwatchError  # noqa: PLC0415

    shown, code = look()
    heard_s = time.monotonic()
    with Live(shown, console=console, screen=True, auto_refresh=False) as live:
        try:
            while True:
                time.sleep(EVERY_S)
                try:
                    shown, code = look()
                    heard_s = time.monotonic()
                    live.update(shown, refresh=True)
                except FarmwatchError as error:
                    lost = f"▲ No answer for {span(time.monotonic() - heard_s)}: what stands below is old. "
                    line = Text(lost + _plain(str(error)), STYLES["danger"])
                    live.update(Group(line, Text(), shown), refresh=True)
                    code = 5
        except KeyboardInterrupt:
            return code


# ---- the view as text -------------------------------------------------------------------------------------------


def now_view(view: View) -> RenderableType:
    """The verdict, then machines, power, alarms."""
    where, now_s = zone(view["timezone"]), view["at_s"]
    verdict = view["verdict"]
    tone = LEVELS.get(verdict["level"], "blind")
    head = Text(f"{MARKS[tone]} {_plain(verdict['title'])}".strip(), style=STYLES[tone] or "bold")
    about = f"{_plain(view['site'])}, {moment(now_s, now_s, where, seconds=True)}"
    parts: list[RenderableType] = [head, Text(_plain(verdict["text"])), Text(about, "dim"), Text()]
    parts += [_alarms(view, where), _machines(view, where), Text(), _power(view, where)]
    return Group(*parts, *_stores(view))


def _alarms(view: View, where: tzinfo) -> RenderableType:
    """What stands; beds to clear are among the machines, and what is over is a line that says how many."""
    rows = [a for a in view["alarms"] if a["state"] not in ("normal", "suppressed", "shelved", "out_of_service")
            and a["rule"] != "bed_waiting"]  # fmt: skip
    over = [a for a in rows if a["state"] not in ("unacknowledged", "acknowledged")]
    if not rows:
        return Group()
    table = _table()
    for alarm in (row for row in rows if row not in over):
        look = ALARMS.get(alarm["priority"], UNKNOWN)
        mark = Text(MARKS[look.tone], STYLES[look.tone])
        since = f"since {moment(alarm['since_s'], view['at_s'], where)}"
        table.add_row(mark, Text(look.word), Text(_plain(alarm["title"])), Text(since))
    few = f"{len(over)} {'is' if len(over) == 1 else 'are'} over, and nobody has answered"
    said = [Text(few, "dim")] if over else []
    return Group(*([table] if table.row_count else []), *said, Text())


def _machines(view: View, where: tzinfo) -> RenderableType:
    def rank(machine: MachineView) -> tuple[int, float, str]:
        finish = machine["finish"]
        ends_s = known(finish["p50_s"]) if finish is not None else None
        state = ORDER.index(machine["state"]) if machine["state"] in ORDER else 3
        return state, math.inf if ends_s is None else ends_s, machine["name"]

    table = _table()
    for machine in sorted(view["machines"], key=rank):
        look = MACHINES.get(machine["state"], UNKNOWN)
        table.add_row(
            Text(MARKS[look.tone], STYLES[look.tone]),
            Text(_plain(machine["name"])),
            Text(look.word, STYLES[look.tone]),
            Text(_plain(machine["job"] or "")),
            Text(_when(machine, view["at_s"], where)),
            Text(watts(machine["power_w"]), "" if machine["power_w"] is not None else "dim", justify="right"),
        )
    return table


def _when(machine: MachineView, now_s: float, where: tzinfo) -> str:
    finish = machine["finish"]
    if machine["state"] == "waiting" and machine["clear_at_s"] is not None:
        return f"can be cleared since {moment(machine['clear_at_s'], now_s, where)}"
    if machine["state"] == "cooling" and machine["clear_at_s"] is not None:
        clear = machine["clear"]
        sure = "" if clear is None else _sure(clear["p10_s"], clear["p90_s"], now_s, where)
        return f"can be cleared about {moment(machine['clear_at_s'], now_s, where)}{sure}"
    if finish is not None and (ends_s := known(finish["p50_s"])) is not None:
        late = f", overdue by {span(finish['overdue_s'])}" if finish["overdue_s"] else ""
        sure = _sure(finish["p10_s"], finish["p90_s"], now_s, where)
        return f"about {moment(ends_s, now_s, where)}{sure}{late}"
    if machine["state"] in ("printing", "heating", "paused"):
        return "end not known"
    age_s = machine["age_s"]
    return "never heard" if age_s is None else f"last heard {span(age_s)} ago" if age_s > 60 else ""


def _sure(low_s: float | None, high_s: float | None, now_s: float, where: tzinfo) -> str:
    low_s, high_s = known(low_s), known(high_s)
    if low_s is None or high_s is None:
        return ", range not known"
    return f", {moment(low_s, now_s, where)} to {moment(high_s, now_s, where)}"


def _power(view: View, where: tzinfo) -> RenderableType:
    table = _table()
    for kind, places in (("site", [view["total"]]), ("circuit", view["circuits"])):
        for place in places:
            named = kind if kind == "site" else f"{kind} {_plain(place['name'])}"
            table.add_row(Text(named), _bar(place), Text(_load(place)))
    for backup in view["backups"]:
        look = BACKUPS.get(backup["status"], UNKNOWN)
        mark = f"{MARKS[look.tone]} {look.word}".strip()
        table.add_row(
            Text(f"backup {_plain(backup['name'])}"), Text(mark, STYLES[look.tone]), Text(_lasts(backup, view, where))
        )
    today = view["energy_today_wh"]
    return Group(table, Text(f"Energy today: {energy(today)}", "dim"))


def _stores(view: View) -> list[RenderableType]:
    """What the stores of history have to say; nothing while all is well."""
    return [
        Text(f"{MARKS['odd']} store {_plain(store['name'])}: {'' if store['ok'] else 'not written: '}"
             f"{_plain(store['why'], 300)}", STYLES["odd"])
        for store in view["stores"] if store["why"]
    ]  # fmt: skip


def _bar(place: PlaceView) -> Text:
    """The draw against the limit; the part that a further heat-up would take is drawn lighter."""
    drawn, limit = known(place["watts"]), known(place["limit_w"])
    if drawn is None or not limit:
        return Text()
    filled = min(round(drawn / limit * BAR), BAR)
    heat = min(round((place["heat_up_w"] or 0.0) / limit * BAR), BAR - filled)
    over = drawn > limit
    style = STYLES["danger"] if over else STYLES["odd"] if filled + heat >= BAR else ""
    return Text("█" * filled + "▒" * heat + "·" * (BAR - filled - heat), style)


def _load(place: PlaceView) -> str:
    words = watts(place["watts"])
    if known(place["limit_w"]) is not None:
        words += f" of {watts(place['limit_w'])}"
    if place["missing"]:
        words += f", without {', '.join(_plain(name) for name in place['missing'][:6])}: not known"
    return words


def _lasts(backup: BackupView, view: View, where: tzinfo) -> str:
    words = [f"load {watts(backup['load_w'])}"]
    if backup["charge"] is not None:
        words.append(f"charge {percent(backup['charge'])}")
    runtime_s = known(backup["runtime_s"])
    if runtime_s is None:
        words.append("how long it lasts is not known")
    elif backup["status"] in ("on_battery", "low"):
        words.append(f"empty about {moment(view['at_s'] + runtime_s, view['at_s'], where)}, in {span(runtime_s)}")
    else:
        words.append(f"would last about {span(runtime_s)}")
    return ", ".join(words)


def _table() -> Table:
    return Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))


def _plain(words: str, most: int = 80) -> str:
    """Words from outside: no control characters, not too long."""
    return clip("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in words), most)


# ---- charts -----------------------------------------------------------------------------------------------------

ROWS, COLUMNS = 10, 70  # with the labels one less than a terminal's 80
EIGHTHS = " ▁▂▃▄▅▆▇█"


def chart_of(rows: Iterable[Any], title: str, start_s: float, end_s: float, where: tzinfo) -> Text:
    """The highest value of each column as bars; a column without readings stays empty and is marked beneath."""
    highest: list[float | None] = [None] * COLUMNS
    for at_s, value, *_ in rows:
        if value is None or not start_s <= at_s <= end_s:
            continue
        column = min(int((at_s - start_s) / (end_s - start_s) * COLUMNS), COLUMNS - 1)
        highest[column] = value if highest[column] is None else max(highest[column] or value, value)
    seen = [value for value in highest if value is not None]
    if not seen:
        return Text(f"\n{_plain(title)}: nothing was recorded between {moment(start_s, end_s, where)} and now.")
    top = max(*seen, 0.0) or 1.0
    lines = []
    for row in range(ROWS, 0, -1):
        cells = ((max(value or 0.0, 0.0) / top * ROWS - (row - 1)) if value is not None else 0.0 for value in highest)
        label = f"{top:8.4g}" if row == ROWS else f"{0:8}" if row == 1 else " " * 8
        lines.append(f"{label} {''.join(EIGHTHS[min(max(round(cell * 8), 0), 8)] for cell in cells)}")
    gaps = "".join("x" if value is None else " " for value in highest)
    if "x" in gaps:
        lines.append(f"{'no data':>8} {gaps}")
    ends = f"{moment(start_s, end_s, where):<{COLUMNS - 5}}{moment(end_s, end_s, where):>5}"
    return Text("\n".join(["", f"{_plain(title)}, highest of each column", *lines, f"{'':8} {ends}"]))
