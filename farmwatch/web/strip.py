"""What finishes next, as a strip of time: every build a lane, its uncertainty a fading band, the rounds as lines.

Widths are shares of the strip, so the picture fits any screen without script or inline style, and its text keeps its
size. What a lane shows is also said in words. Pure.
"""

import math
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from typing import NamedTuple

from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, moment, name, stamp
from farmwatch.web.phrases import finish_at, finish_sure
from farmwatch.words.view import FinishView, MachineView, View

LEAST_S, MOST_S = 2 * 3_600.0, 36 * 3_600.0
MARGIN_S = 1_200.0
ROUNDS_SHOWN = 2
APART = 30.0  # percent of the strip below which two of its labels would touch on a phone

FADES = Html(
    '<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>'
    '<linearGradient id="fade-in"><stop class="thin" offset="0"/><stop class="full" offset="1"/></linearGradient>'
    '<linearGradient id="fade-out"><stop class="full" offset="0"/><stop class="thin" offset="1"/></linearGradient>'
    "</defs></svg>"
)
"""Must stand once on the page."""


TICKS_S = (3_600.0, 3 * 3_600.0, 8 * 3_600.0, 16 * 3_600.0, 24 * 3_600.0)


class Axis(NamedTuple):
    """From now to `end_s`, with the next rounds in it (epoch seconds)."""

    now_s: float
    end_s: float
    rounds: tuple[float, ...]

    def at(self, at_s: float) -> float:
        """Where a time stands, percent of the strip, held within it.

        By the square root of the time from now: what comes soon gets more room, and a build of a day still fits.
        """
        return 100.0 * math.sqrt(min(1.0, max(0.0, (at_s - self.now_s) / (self.end_s - self.now_s))))

    def ticks(self) -> list[float]:
        """Whole hours about an hour, three, eight, sixteen and a day ahead."""
        times = [math.ceil((self.now_s + ahead_s) / 3_600.0) * 3_600.0 for ahead_s in TICKS_S]
        return [at_s for at_s in times if at_s <= self.end_s]


def rounds_ahead(clocks: Sequence[str], now_s: float, where: tzinfo, most: int = ROUNDS_SHOWN) -> list[float]:
    """The next rounds after now, from their local clock times ("HH:MM")."""
    today = datetime.fromtimestamp(now_s, where).date()
    found = []
    for day in range(3):
        for clock in clocks:
            hour, minute = (int(part) for part in clock.split(":")[:2])
            then = datetime(today.year, today.month, today.day, hour, minute, tzinfo=where)
            found.append((then + timedelta(days=day)).timestamp())
    return sorted(at_s for at_s in set(found) if at_s > now_s)[:most]


def axis_of(machines: Sequence[MachineView], rounds: Sequence[float], now_s: float) -> Axis:
    """Far enough for the next rounds and, within a day and a half, for every build."""
    ends = [now_s + LEAST_S, *(at_s + MARGIN_S for at_s in rounds)]
    for machine in machines:
        found = machine["finish"]
        if found is not None:
            end_s = known(found["p90_s"]) or known(found["p50_s"])
            ends += [] if end_s is None else [end_s + MARGIN_S]
    return Axis(now_s, now_s + min(MOST_S, max(ends) - now_s), tuple(rounds))


def strip(machines: Sequence[MachineView], view: View, where: tzinfo) -> Html:
    """Lanes over one common axis, and what each round will find."""
    now_s = view["at_s"]
    trips = view.get("trips")
    planned = [visit["at_s"] for visit in trips["visits"] if visit["at_s"] > now_s] if trips else []
    rounds = planned[:ROUNDS_SHOWN] or rounds_ahead(view.get("rounds", ()), now_s, where)
    axis = axis_of(machines, rounds, now_s)
    lines = _lines(axis)
    lanes = join(_lane(machine, axis, lines, where) for machine in machines)
    found = join(_found(at_s, machines, now_s, where) for at_s in rounds)
    return fill('{fades}<div class="strip"><ul class="lanes">{lanes}</ul>{labels}</div>{found}',
                fades=FADES, lanes=lanes, labels=_labels(axis, where), found=found)  # fmt: skip


def _lane(machine: MachineView, axis: Axis, lines: Html, where: tzinfo) -> Html:
    found = machine["finish"]
    sure = finish_sure(found, axis.now_s, where)
    job = fill("<small>{job}</small>", job=name(machine["job"])) if machine["job"] else NOTHING
    return fill(
        '<li class="lane" data-key="next-{key}"><span class="of"><b>{machine}</b>{job}</span>'
        '<svg class="time" height="40" role="img" aria-label="{sure}">{drawing}{lines}</svg>'
        '<b class="key">{at}</b></li>',
        key=machine["name"], machine=name(machine["name"]), job=job, sure=clip(sure, 300), drawing=_band(found, axis),
        lines=lines, at=_end(found, axis.now_s, where),
    )  # fmt: skip


def _end(found: FinishView | None, now_s: float, where: tzinfo) -> Html:
    known_end = found is not None and known(found["p50_s"]) is not None
    return finish_at(found, now_s, where) if known_end else fill("<small>not known</small>")


def _band(found: FinishView | None, axis: Axis) -> Html:
    """Sure to build up to p10, fading in to p50 and out to p90; a mark at p50."""
    p50_s = known(found["p50_s"]) if found is not None else None
    if found is None or p50_s is None:
        return Html('<line class="blind" x1="0" x2="100%" y1="20" y2="20"/>')
    p10_s, p90_s = known(found["p10_s"]), known(found["p90_s"])
    middle = axis.at(p50_s)
    mark = fill('<rect class="mark" x="{x:.1f}%" y="8" width="3" height="24"/>', x=min(middle, 99.0))
    if p10_s is None or p90_s is None:  # how sure is not known: a line, no band
        return fill('<line class="blind" x1="0" x2="{x:.1f}%" y1="20" y2="20"/>{mark}', x=middle, mark=mark)
    low, high = axis.at(p10_s), axis.at(p90_s)
    return fill(
        '<rect class="sure" width="{low:.1f}%" y="17" height="6"/>'
        '<rect class="in" x="{low:.1f}%" y="12" width="{rise:.1f}%" height="16"/>'
        '<rect class="out" x="{middle:.1f}%" y="12" width="{fall:.1f}%" height="16"/>{mark}',
        low=low, rise=max(middle - low, 0.0), middle=middle, fall=max(high - middle, 0.0), mark=mark,
    )  # fmt: skip


def _lines(axis: Axis) -> Html:
    return join(
        fill('<line class="{kind}" x1="{x:.1f}%" x2="{x:.1f}%" y1="0" y2="40"/>', kind=kind, x=axis.at(at_s))
        for kind, times in (("hour", axis.ticks()), ("round", axis.rounds))
        for at_s in times
    )


def _labels(axis: Axis, where: tzinfo) -> Html:
    """Clock times under the lanes, left out where two would touch."""
    marks = [(0.0, "now", "start")]
    for at_s in (*axis.rounds, *axis.ticks()):  # rounds first: a tick gives way to them
        x = axis.at(at_s)
        if all(abs(x - other) >= (APART if other else APART * 0.9) for other, _, _ in marks):
            anchor = "end" if x > 100 - APART / 2 else "middle"
            marks.append((x, moment(at_s, at_s, where), anchor))
    texts = join(
        fill('<text x="{x:.1f}%" y="13" text-anchor="{anchor}">{words}</text>', x=x, anchor=anchor, words=words)
        for x, words, anchor in marks
    )
    return fill('<svg class="time labels" height="18" aria-hidden="true" focusable="false">{texts}</svg>', texts=texts)


def _found(at_s: float, machines: Sequence[MachineView], now_s: float, where: tzinfo) -> Html:
    """What somebody who comes by at `at_s` will find, by the 80 % intervals."""
    done, perhaps, blind = [], [], []
    for machine in machines:
        found = machine["finish"]
        low_s = known(found["p10_s"]) if found is not None else None
        high_s = known(found["p90_s"]) if found is not None else None
        if low_s is None or high_s is None:
            blind.append(machine["name"])
        elif high_s <= at_s:
            done.append(machine["name"])
        elif low_s <= at_s:
            perhaps.append(machine["name"])
    words = [f"{said} {_few(names)}" for said, names in (("finished:", done), ("perhaps:", perhaps)) if names]
    words = words or ["nothing finished that runs now"]
    words += [f"cannot be said: {_few(blind)}"] if blind else []
    return fill('<p class="soon"><b>Round at {at}</b> finds {words}.</p>', at=stamp(at_s, now_s, where),
                words=clip("; ".join(words), 300))  # fmt: skip


def _few(names: list[str], most: int = 6) -> str:
    more = f" and {len(names) - most} more" if names[most:] else ""
    return ", ".join(clip(words, 24) for words in names[:most]) + more
