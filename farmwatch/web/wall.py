"""The wall: five lines of at most sixteen characters, to be read from three metres, one picture for any screen.

ISO 9241 asks for letters of 20 to 22 minutes of arc: at 3 m capitals of 17.5 to 19.2 mm, on 10 inches of 1280 x 800
pixels 114 to 143. So the first line's capitals are 143 units of 800 high, the others' 114. A line that would be too
wide is set narrower, never lower, and never cut. Pure.
"""

from datetime import datetime, tzinfo
from typing import NamedTuple

from farmwatch.web import looks
from farmwatch.web.manner import clock, number
from farmwatch.web.markup import Html, fill, join, known, span, text, zone
from farmwatch.words.view import BackupView, MachineView, View

MOST = 16  # characters of a line
WIDE, HIGH = 1280, 800
CAPITALS = 0.714  # of the font size: Liberation Sans, DejaVu Sans 0.729, Roboto 0.711 (their OS/2 tables)
FIRST, OTHER = 200, 160  # font sizes: capitals of 143 and 114
BASELINES = (152, 313, 464, 615, 766)
LEFT, ROOM = 24, WIDE - 48
GLYPH = 150  # the first line's shape, with its space
NARROW, BROAD = "fijlrt.,:;!|'()[] I1-", "mwMW@%"
NIGHT = (21, 7)
"""Hours between which the wall is dark whatever the screen prefers."""
_BUSY = ("heating", "printing", "paused")


class Lines(NamedTuple):
    """What the wall says; `level` is that of the verdict, or "silent" when nothing is heard any more."""

    level: str
    lines: tuple[str, ...]


def wall(view: View) -> Html:
    """The whole picture, with the lines as text for those who hear it."""
    now_s, where = view["at_s"], zone(view["timezone"])
    said = lines_of(view)
    hour = datetime.fromtimestamp(now_s, where).hour
    dark = hour >= NIGHT[0] or hour < NIGHT[1]
    unanswered = any(a["priority"] == "danger" and a["state"] == "unacknowledged" for a in view["alarms"])
    level = "silent" if said.level == "silent" else looks.look(looks.VERDICTS, said.level).tone
    return fill(
        '<div class="wall {level}{dark}{calls}"><h1 class="unseen" aria-live="polite">{spoken}</h1>{picture}</div>',
        level=level, dark=" night" if dark else "", calls=" calls" if unanswered else "",
        spoken=". ".join(line for line in said.lines if line), picture=picture(said),
    )  # fmt: skip


def silence() -> Html:
    """What covers the wall when the server says nothing any more; it needs neither script nor server to appear."""
    return picture(Lines("silent", ("NO DATA", "for over 30 s", "This is old.", "Is Farmwatch up?", "Go and look.")))


def picture(said: Lines) -> Html:
    """The lines, drawn."""
    mark = looks.look(looks.VERDICTS, {"silent": "unknown"}.get(said.level, said.level))
    rows = [
        fill('<rect class="ground" width="1280" height="182"/>'
             '<svg class="shape {tone}" x="24" y="28" width="126" height="126" viewBox="0 0 24 24">{shape}</svg>',
             tone=mark.tone, shape=looks.SHAPES[mark.shape])
    ]  # fmt: skip
    for at, line in enumerate(said.lines):
        left, size = (LEFT + GLYPH, FIRST) if at == 0 else (LEFT, OTHER)
        rows.append(_line(line, left, BASELINES[at], size, "first" if at == 0 else "other"))
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


def lines_of(view: View) -> Lines:
    """The five lines: what is, where, what comes next, power, and the time."""
    now_s, where = view["at_s"], zone(view["timezone"])
    if (heard := _unheard(view)) is not None:
        return Lines("silent", ("NO DATA", heard, "from any source", *_foot(view, where)[1:], "Go and look."))
    level = view["verdict"]["level"]
    first, second = _head(view, level)
    power, at = _foot(view, where)
    return Lines(level, (first, second, _next(view["machines"], now_s, where), power, at))


def _unheard(view: View) -> str | None:
    """How long nothing has been heard of anything; None while something is fresh, or nothing is configured."""
    sources = view["sources"]
    if not sources or any(source["state"] in ("fresh", "degraded") for source in sources):
        return None
    ages = [age_s for source in sources if (age_s := known(source["age_s"])) is not None]
    return cut(f"for {span(min(ages))}") if ages else "since the start"


def _head(view: View, level: str) -> tuple[str, str]:
    machines = view["machines"]
    waiting = [machine["name"] for machine in machines if machine["state"] == "waiting"]
    faults = [machine["name"] for machine in machines if machine["state"] == "fault"]
    unknown = [machine["name"] for machine in machines if machine["state"] == "unknown"]
    battery = [backup["name"] for backup in view["backups"] if backup["status"] in ("on_battery", "low")]
    if level == "danger":
        if battery:
            return "ON BATTERY", _lasts(view["backups"])
        danger = next((a for a in view["alarms"] if a["priority"] == "danger"), None)
        return "DANGER", cut(danger["subject"] if danger is not None else view["verdict"]["title"])
    if waiting:
        return (f"CLEAR {len(waiting)} BEDS" if waiting[1:] else "CLEAR BED"), fitting(waiting)
    if faults:
        return "FAULT", fitting(faults)
    if level == "act":
        return "TO DO", cut(view["verdict"]["title"])
    if unknown:
        return f"{len(unknown)} NOT KNOWN" if unknown[1:] else "NOT KNOWN", fitting(unknown)
    busy = sum(machine["state"] in _BUSY for machine in machines)
    return ("ALL WELL", f"{busy} building") if busy else ("NO WORK", "nothing builds")


def _lasts(backups: list[BackupView]) -> str:
    """The one that is empty first; said as least where another's runtime is not known."""
    left = [(known(b["runtime_s"]), b["name"]) for b in backups if b["status"] in ("on_battery", "low")]
    times = sorted((runtime_s, name) for runtime_s, name in left if runtime_s is not None)
    if not times:
        return "how long: ?"
    minutes = int(times[0][0] // 60)
    return cut(f"{minutes} min {times[0][1]}" if minutes < 600 else f"{minutes // 60} h {times[0][1]}")


def _next(machines: list[MachineView], now_s: float, where: tzinfo) -> str:
    due = sorted((at_s, machine["name"]) for machine in machines
                 if machine["state"] != "waiting" and (at_s := known(machine["clear_at_s"])) is not None)  # fmt: skip
    if not due:
        return "next: not known" if any(machine["state"] in _BUSY for machine in machines) else "next: none"
    at_s, name = due[0]
    then = datetime.fromtimestamp(max(at_s, now_s), where)
    days = (then.date() - datetime.fromtimestamp(now_s, where).date()).days
    when = clock(then) if days == 0 else f"{then:%a} {clock(then)}"
    line = f"due {when} {name}"
    return line if len(line) <= MOST else cut(f"{when} {name}")


def _foot(view: View, where: tzinfo) -> tuple[str, str]:
    drawn_w = known(view["total"]["watts"])
    watts = "? W" if drawn_w is None else f"{number(drawn_w / 1_000, 1)} kW"
    if drawn_w is not None and view["total"]["missing"]:
        watts = f"≥ {watts}"
    status = {backup["status"] for backup in view["backups"]}
    mains = "battery" if status & {"on_battery", "low"} else "mains ?" if "unknown" in status else "mains"
    mains = mains if view["backups"] else "power"
    return cut(f"{mains} {watts}"), f"at {clock(datetime.fromtimestamp(view['at_s'], where))}"
