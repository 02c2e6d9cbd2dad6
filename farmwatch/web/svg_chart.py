"""A chart as SVG: lines of readings, gaps as gaps, bands of state, marks of what happened. Pure.

It reads without script; where there is script, `static/chart.js` puts a chart in its place that can be moved.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from itertools import pairwise

from farmwatch.web.manner import clock, current, date, figures
from farmwatch.web.markup import NOTHING, Html, clip, fill, join
from farmwatch.words.series import Columns

WIDE, HIGH, LEFT, BELOW, ABOVE = 720.0, 190.0, 46.0, 22.0, 6.0
BAND = 9.0
LETTERS = "ABCDEFGH"
STEPS_S: tuple[float, ...] = (
    60, 300, 900, 1_800, 3_600, 7_200, 10_800, 21_600, 43_200, 86_400, 2 * 86_400, 7 * 86_400, 14 * 86_400, 30 * 86_400,
    61 * 86_400, 122 * 86_400,
)  # fmt: skip
MOST_TICKS = 7


@dataclass(frozen=True, slots=True)
class Span:
    """A range of time in epoch seconds, and the zone that its clock times are written in."""

    start_s: float
    end_s: float
    where: tzinfo


@dataclass(frozen=True, slots=True)
class Curve:
    """One line: its name, what is known of it, and why there is nothing to be seen if there is nothing."""

    name: str
    columns: Columns
    why: str = ""

    def known(self) -> list[float]:
        """The values that are known."""
        return [value for value in self.columns.values if not math.isnan(value)]


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened: when, of which kind (build, alarm, outage), in words."""

    at_s: float
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of one state."""

    start_s: float
    end_s: float
    state: str


def nice_step(width: float, most: int) -> float:
    """The least of 1, 2, 5 times a power of ten that cuts `width` into at most `most` parts.

    >>> nice_step(310.0, 4), nice_step(1.0, 4), nice_step(0.0, 4)
    (100.0, 0.5, 1.0)
    """
    if not width > 0:
        return 1.0
    ten = 10.0 ** math.floor(math.log10(width / most))
    return next(step * ten for step in (1.0, 2.0, 5.0, 10.0) if width / (step * ten) <= most * (1 + 1e-9))


def scale_of(curves: Iterable[Curve], unit: str = "") -> tuple[float, float, float]:
    """Bottom, top and step of the upright axis; 0 is on it wherever values are not far from 0.

    Seconds are stepped by whole minutes, as they are written.
    """
    values = [value for curve in curves for value in curve.known()]
    low, high = min(values, default=0.0), max(values, default=1.0)
    if 0 <= low <= 0.7 * high:
        low = 0.0
    each = 60.0 if unit == "s" else 1.0
    step = each * nice_step((high - low if high > low else abs(high) or 1.0) / each, 4)
    bottom, top = math.floor(low / step) * step, math.ceil(high / step) * step
    return bottom, top if top > bottom else bottom + step, step


def time_ticks(span: Span) -> list[tuple[float, str]]:
    """Moments for the level axis, on whole local hours or days, and what is written there."""
    width = max(1.0, span.end_s - span.start_s)
    step = next((s for s in STEPS_S if width / s <= MOST_TICKS), STEPS_S[-1])
    away = datetime.fromtimestamp(span.start_s, span.where).utcoffset()
    offset = away.total_seconds() if away is not None else 0.0
    ticks, at_s = [], math.ceil((span.start_s + offset) / step) * step - offset
    while at_s <= span.end_s:
        then = datetime.fromtimestamp(at_s, span.where)
        ticks.append((at_s, clock(then) if step < 86_400 else date(then)))
        at_s += step
    return ticks


def time_words(at_s: float, where: tzinfo) -> str:
    """Day and clock time, the year too, for ranges that may lie anywhere."""
    then = datetime.fromtimestamp(at_s, where)
    return f"{date(then)} {then.year}, {clock(then)}"


def figure_text(value: float, unit: str) -> str:
    """A value with its unit; shares of 1 as percent.

    >>> figure_text(0.47, "share"), figure_text(92.04, "W"), figure_text(5400, "s")
    ('47 %', '92 W', '90 min')
    """
    if unit == "share":
        return f"{figures(value * 100, 3)} %"
    if unit == "s":
        return f"{figures(value / 60, 4)} min"
    if unit == "°C" and current().us_units:
        return f"{figures(value * 1.8 + 32, 4)} °F"
    return f"{figures(value, 4)} {unit}".strip()


class _Plane:
    """From time and value to the drawing's coordinates."""

    def __init__(self, span: Span, bottom: float, top: float) -> None:
        self.span, self.bottom, self.top = span, bottom, top

    def x(self, at_s: float) -> float:
        width = max(1e-3, self.span.end_s - self.span.start_s)
        share = (at_s - self.span.start_s) / width
        return LEFT + min(max(share, 0.0), 1.0) * (WIDE - LEFT - 2)

    def y(self, value: float) -> float:
        share = (value - self.bottom) / (self.top - self.bottom)
        return HIGH - BELOW - min(max(share, 0.0), 1.0) * (HIGH - BELOW - ABOVE)


def chart(
    curves: Sequence[Curve], unit: str, span: Span, *, marks: Sequence[Mark] = (), bands: Sequence[Band] = ()
) -> Html:
    """The drawing; what it says stands beside it in words, so it is hidden from screen readers."""
    bottom, top, step = scale_of(curves, unit)
    plane = _Plane(span, bottom, top)
    inside = [*_bands(plane, bands), *_grid(plane, unit, step), *_marks(plane, marks)]
    inside += [_line(plane, curve, at) for at, curve in enumerate(curves)]
    return fill(
        '<svg viewBox="0 0 {wide:.0f} {high:.0f}" class="drawing" aria-hidden="true" focusable="false">{inside}</svg>',
        wide=WIDE, high=HIGH, inside=join(inside),
    )  # fmt: skip


def _grid(plane: _Plane, unit: str, step: float) -> list[Html]:
    parts, value = [], plane.bottom
    while value <= plane.top + step / 1e6:
        parts.append(fill(
            '<path class="rule" d="M{left:.0f} {y:.1f}H{wide:.0f}"/><text class="up" x="{at:.0f}" y="{below:.1f}">'
            "{words}</text>", left=LEFT, y=plane.y(value), wide=WIDE - 2, at=LEFT - 4, below=plane.y(value) + 4,
            words=figure_text(value, unit),
        ))  # fmt: skip
        value += step
    parts += [
        fill('<path class="rule" d="M{x:.1f} {y:.0f}v4"/><text class="along" x="{x:.1f}" y="{low:.0f}">{words}</text>',
             x=plane.x(at_s), y=HIGH - BELOW, low=HIGH - 5, words=words)
        for at_s, words in time_ticks(plane.span)
    ]  # fmt: skip
    return parts


def _bands(plane: _Plane, bands: Sequence[Band]) -> list[Html]:
    return [
        fill('<rect class="band {state}" x="{x:.1f}" y="{y:.0f}" width="{w:.1f}" height="{h:.0f}"/>', state=band.state,
             x=plane.x(band.start_s), y=HIGH - BELOW - BAND, w=max(0.5, plane.x(band.end_s) - plane.x(band.start_s)),
             h=BAND)
        for band in bands
    ]  # fmt: skip


def _marks(plane: _Plane, marks: Sequence[Mark]) -> list[Html]:
    return [
        fill('<path class="mark {kind}" d="M{x:.1f} {top:.0f}V{low:.0f}"><title>{words}</title></path>', kind=mark.kind,
             x=plane.x(mark.at_s), top=ABOVE, low=HIGH - BELOW, words=clip(mark.words))
        for mark in marks if plane.span.start_s <= mark.at_s <= plane.span.end_s
    ]  # fmt: skip


def _line(plane: _Plane, curve: Curve, at: int) -> Html:
    """One path; a gap begins a new piece, and a reading alone between gaps is a dot."""
    rows = list(curve.columns.rows())
    pieces: list[list[str]] = [[]]
    for at_s, value in rows:
        if math.isnan(value):
            pieces.append([])
        else:
            pieces[-1].append(f"{plane.x(at_s):.1f} {plane.y(value):.1f}")
    path = "".join("M" + "L".join(p if len(p) > 1 else [*p, p[0]]) for p in pieces if p)
    return fill('<path class="curve c{at}" d="{path}"/>', at=at, path=path) if path else NOTHING


def keys(curves: Sequence[Curve], unit: str) -> Html:
    """What the lines are, in words: letter, name, least, greatest, newest, or why there is nothing."""
    rows = []
    for letter, curve in zip(LETTERS, curves, strict=False):
        known = curve.known()
        words = curve.why or "Nothing was recorded then."
        if known:
            words = (f"least {figure_text(min(known), unit)}, greatest {figure_text(max(known), unit)}, "
                     f"newest {figure_text(known[-1], unit)}")  # fmt: skip
            if curve.columns.step_s:
                words += f"; drawn from summaries of {curve.columns.step_s / 60:.0f} min"
        rows.append(fill(
            '<li><svg class="key" viewBox="0 0 28 8" aria-hidden="true"><path class="curve c{at}" d="M0 4H28"/></svg>'
            "<b>{letter}</b> <bdi>{name}</bdi>: {words}</li>",
            at=LETTERS.index(letter), letter=letter, name=clip(curve.name, 80), words=words,
        ))  # fmt: skip
    return fill('<ul class="keys">{rows}</ul>', rows=join(rows))


def bands_of(notes: Sequence[tuple[float, str]], first: str, span: Span) -> list[Band]:
    """Bands of (time, state) in time order; `first` is the state before the first, "" where it is not known."""
    edges = [(span.start_s, first), *((at_s, state) for at_s, state in notes if span.start_s < at_s < span.end_s)]
    ends = [*edges, (span.end_s, "")]
    return [Band(begin[0], end[0], begin[1]) for begin, end in pairwise(ends) if begin[1]]
