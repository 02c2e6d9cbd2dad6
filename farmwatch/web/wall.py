"""The wall: five lines of at most sixteen characters, to be read from three metres, one picture for any screen.

ISO 9241 asks for letters of 20 to 22 minutes of arc: at 3 m capitals of 17.5 to 19.2 mm, on 10 inches of 1280 x 800
pixels 114 to 143. So the first line's capitals are 143 units of 800 high, the others' 114. A line that would be too
wide is set narrower, never lower, and never cut. Read from nearer or farther (`Manner.wall_m`) letters and lines are
in proportion: more lines, longer ones, or fewer. Pure.
"""

from datetime import datetime, tzinfo
from typing import NamedTuple

from farmwatch.web import looks
from farmwatch.web.manner import clock, current, number
from farmwatch.web.markup import Html, fill, join, known, span, text, zone
from farmwatch.words.view import BackupView, MachineView, View

MOST = 16  # characters of a line
WIDE, HIGH = 1280, 800
CAPITALS = 0.714  # of the font size: Liberation Sans, DejaVu Sans 0.729, Roboto 0.711 (their OS/2 tables)
FIRST, OTHER = 200, 160  # font sizes: capitals of 143 and 114
BASELINES = (152, 313, 464, 615, 766)
FROM_M = 3.0  # the distance that these are made for
LEFT, ROOM = 24, WIDE - 48
GLYPH = 150  # the first line's shape, with its space
NARROW, BROAD = "fijlrt.,:;!|'()[] I1-", "mwMW@%"
NIGHT = (21, 7)
"""Hours between which the wall is dark whatever the screen prefers."""
_BUSY = ("heating", "printing", "paused")


class Plan(NamedTuple):
    """The lines of a wall that is read from some distance."""

    scale: float  # of the letters, 1 at FROM_M
    rows: int  # lines
    most: int  # characters of a line


def plan(distance_m: float = FROM_M) -> Plan:
    """Letters in proportion to the distance, and as many lines as then fit.

    >>> plan(), plan(1.5).rows, plan(4.5).rows
    (Plan(scale=1.0, rows=5, most=16), 10, 3)
    """
    scale = distance_m / FROM_M
    pitch = BASELINES[2] - BASELINES[1]
    below = (HIGH / scale - 34 - BASELINES[1]) / pitch  # 34: descenders of the last line
    return Plan(scale, 2 + int(below + 1e-9), round(MOST / scale))


class Lines(NamedTuple):
    """What the wall says; `level` is that of the verdict, or "silent" when nothing is heard any more."""

    level: str
    lines: tuple[str, ...]


def wall(view: View) -> Html:
    """The whole picture, with the lines as text for those who hear it."""
    now_s, where = view["at_s"], zone(view["timezone"])
    at = plan(current().wall_m)
    said = lines_of(view, at)
    hour = datetime.fromtimestamp(now_s, where).hour
    dark = hour >= NIGHT[0] or hour < NIGHT[1]
    unanswered = any(a["priority"] == "danger" and a["state"] == "unacknowledged" for a in view["alarms"])
    level = "silent" if said.level == "silent" else looks.look(looks.VERDICTS, said.level).tone
    return fill(
        '<div class="wall {level}{dark}{calls}"><h1 class="unseen" aria-live="polite">{spoken}</h1>{picture}</div>',
        level=level, dark=" night" if dark else "", calls=" calls" if unanswered else "",
        spoken=". ".join(line for line in said.lines if line), picture=picture(said, at),
    )  # fmt: skip


def silence() -> Html:
    """What covers the wall when the server says nothing any more; it needs neither script nor server to appear."""
    at = plan(current().wall_m)
    lines = ("NO DATA", "for over 30 s", "This is old.", "Is Farmwatch up?", "Go and look.")
    return picture(Lines("silent", lines[: at.rows]), at)


def picture(said: Lines, at: Plan) -> Html:
    """The lines, drawn."""
    mark = looks.look(looks.VERDICTS, {"silent": "unknown"}.get(said.level, said.level))
    rows = [
        fill('<rect class="ground" width="1280" height="{band:.0f}"/><svg class="shape {tone}" x="24" y="{top:.0f}" '
             'width="{side:.0f}" height="{side:.0f}" viewBox="0 0 24 24">{shape}</svg>',
             band=182 * at.scale, top=28 * at.scale, side=126 * at.scale, tone=mark.tone,
             shape=looks.SHAPES[mark.shape])
    ]  # fmt: skip
    for row, line in enumerate(said.lines):
        left, size = (LEFT + GLYPH * at.scale, FIRST) if row == 0 else (LEFT, OTHER)
        y = BASELINES[0] if row == 0 else BASELINES[1] + (row - 1) * (BASELINES[2] - BASELINES[1])
        rows.append(_line(line, round(left), round(y * at.scale), round(size * at.scale),
                          "first" if row == 0 else "other"))  # fmt: skip
    return fill(
        '<svg class="lines" viewBox="0 0 1280 800" preserveAspectRatio="xMidYMid meet" aria-hidden="true" '
        'focusable="false">{rows}</svg>', rows=join(rows),
    )  # fmt: skip


def _line(words: str, left: int, y: int, size: int, kind: str) -> Html:
    room = WIDE - LEFT - left
    fitted = fill(' textLength="{room}" lengthAdjust="spacingAndGlyphs"', room=room)
    return fill(
        '<text class="{kind}" x="{left}" y="{y}" font-size="{size}"{fitted}>{words}</text>', kind=kind, left=left, y=y,
        size=size, fitted=fitted if width_of(words, size) > room else Html(), words=text(words),
    )  # fmt: skip


def width_of(words: str, size: float) -> float:
    """About how wide a bold sans-serif draws it, on the broad side."""
    ems = sum(0.36 if c in NARROW else 0.96 if c in BROAD else 0.74 if c.isupper() else 0.62 if ord(c) < 0x250 else 1.0
              for c in words)  # fmt: skip
    return ems * size


def cut(words: str, most: int = MOST) -> str:
    """At most so many characters, the last an ellipsis where something is missing; no control characters."""
    words = "".join(c if c.isprintable() and not 0x202A <= ord(c) <= 0x202E else " " for c in words).strip()
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def fitting(names: list[str], most: int = MOST) -> str:
    """As many names as fit, and how many more there are.

    >>> fitting(["bittern", "eider", "knot"]), fitting(["bittern"])
    ('bittern eider +1', 'bittern')
    """
    for count in range(len(names), 0, -1):
        more = f" +{len(names) - count}" if count < len(names) else ""
        line = " ".join(names[:count]) + more
        if len(line) <= most:
            return line
    more = f" +{len(names) - 1}" if names[1:] else ""
    return cut(names[0], most - len(more)) + more if names else ""


FAR = plan()


def lines_of(view: View, at: Plan = FAR) -> Lines:
    """What is, where, what comes next (more of it where there are more than five lines), power, and the time."""
    now_s, where = view["at_s"], zone(view["timezone"])
    if (heard := _unheard(view)) is not None:
        lines = ("NO DATA", heard, "from any source", *_foot(view, where, at.most)[1:], "Go and look.")
        return Lines("silent", lines[: at.rows])
    level = view["verdict"]["level"]
    first, second = _head(view, level, at.most)
    power, time = _foot(view, where, at.most)
    due = _next(view["machines"], now_s, where, at.most)[: max(1, at.rows - 4)]
    return Lines(level, (first, second, *due, power, time)[: at.rows])


def _unheard(view: View) -> str | None:
    """How long nothing has been heard of anything; None while something is fresh, or nothing is configured."""
    sources = view["sources"]
    if not sources or any(source["state"] in ("fresh", "degraded") for source in sources):
        return None
    ages = [age_s for source in sources if (age_s := known(source["age_s"])) is not None]
    return cut(f"for {span(min(ages))}") if ages else "since the start"


def _head(view: View, level: str, most: int) -> tuple[str, str]:
    machines = view["machines"]
    waiting = [machine["name"] for machine in machines if machine["state"] == "waiting"]
    faults = [machine["name"] for machine in machines if machine["state"] == "fault"]
    unknown = [machine["name"] for machine in machines if machine["state"] == "unknown"]
    battery = [backup["name"] for backup in view["backups"] if backup["status"] in ("on_battery", "low")]
    if level == "danger":
        if battery:
            return "ON BATTERY", _lasts(view["backups"], most)
        danger = next((a for a in view["alarms"] if a["priority"] == "danger"), None)
        return "DANGER", cut(danger["subject"] if danger is not None else view["verdict"]["title"], most)
    if waiting:
        return (f"CLEAR {len(waiting)} BEDS" if waiting[1:] else "CLEAR BED"), fitting(waiting, most)
    if faults:
        return "FAULT", fitting(faults, most)
    if level == "act":
        return "TO DO", cut(view["verdict"]["title"], most)
    if unknown:
        return f"{len(unknown)} NOT KNOWN" if unknown[1:] else "NOT KNOWN", fitting(unknown, most)
    busy = sum(machine["state"] in _BUSY for machine in machines)
    return ("ALL WELL", f"{busy} building") if busy else ("NO WORK", "nothing builds")


def _lasts(backups: list[BackupView], most: int) -> str:
    """The one that is empty first; said as least where another's runtime is not known."""
    left = [(known(b["runtime_s"]), b["name"]) for b in backups if b["status"] in ("on_battery", "low")]
    times = sorted((runtime_s, name) for runtime_s, name in left if runtime_s is not None)
    if not times:
        return "how long: ?"
    minutes = int(times[0][0] // 60)
    return cut(f"{minutes} min {times[0][1]}" if minutes < 600 else f"{minutes // 60} h {times[0][1]}", most)


def _next(machines: list[MachineView], now_s: float, where: tzinfo, most: int) -> list[str]:
    """What is due, the next first; one line that says so where nothing is."""
    due = sorted((at_s, machine["name"]) for machine in machines
                 if machine["state"] != "waiting" and (at_s := known(machine["clear_at_s"])) is not None)  # fmt: skip
    if not due:
        return ["next: not known" if any(machine["state"] in _BUSY for machine in machines) else "next: none"]
    return [_due(at_s, name, now_s, where, most) for at_s, name in due]


def _due(at_s: float, name: str, now_s: float, where: tzinfo, most: int) -> str:
    then = datetime.fromtimestamp(max(at_s, now_s), where)
    days = (then.date() - datetime.fromtimestamp(now_s, where).date()).days
    when = clock(then) if days == 0 else f"{then:%a} {clock(then)}"
    line = f"due {when} {name}"
    return line if len(line) <= most else cut(f"{when} {name}", most)


def _foot(view: View, where: tzinfo, most: int) -> tuple[str, str]:
    drawn_w = known(view["total"]["watts"])
    watts = "? W" if drawn_w is None else f"{number(drawn_w / 1_000, 1)} kW"
    if drawn_w is not None and view["total"]["missing"]:
        watts = f"≥ {watts}"
    status = {backup["status"] for backup in view["backups"]}
    mains = "battery" if status & {"on_battery", "low"} else "mains ?" if "unknown" in status else "mains"
    mains = mains if view["backups"] else "power"
    return cut(f"{mains} {watts}", most), f"at {clock(datetime.fromtimestamp(view['at_s'], where))}"
