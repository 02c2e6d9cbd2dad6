"""Bars as pictures without script or inline style: a load against its limit, a charge, a finish time's interval.

Each is an SVG of 1000 units across that stretches to its place; what it shows is also said in words beside it.
"""

from farmwatch.web.markup import NOTHING, Html, fill, join, known

_WIDE = 1_000.0


def _bar(parts: list[Html], words: str, kind: str = "") -> Html:
    return fill(
        '<svg class="bar {kind}" viewBox="0 0 1000 20" preserveAspectRatio="none" role="img" aria-label="{words}">'
        '<rect class="ground" width="1000" height="20"/>{parts}</svg>',
        parts=join(parts), words=words, kind=kind,
    )  # fmt: skip


def _rect(kind: str, start: float, end: float) -> Html:
    start, end = max(0.0, min(_WIDE, start)), max(0.0, min(_WIDE, end))
    return fill(
        '<rect class="{kind}" x="{x:.0f}" width="{width:.0f}" height="20"/>', kind=kind, x=start, width=end - start
    )


def load(
    watts: float | None, limit_w: float | None, rating_w: float | None, heat_up_w: float | None, words: str
) -> Html:
    """What is drawn, then what one more heat-up would add, against the limit (a mark) and the rating (the end)."""
    watts, limit_w, rating_w = known(watts), known(limit_w), known(rating_w)
    scale = rating_w or limit_w
    if not scale or scale <= 0:
        return NOTHING
    if watts is None:
        return _bar([], words, "blind")
    drawn = _WIDE * watts / scale
    parts = [_rect("drawn" + _tone(watts, limit_w, rating_w), 0, drawn)]
    if heat_up_w is not None and known(heat_up_w) is not None:
        parts.append(_rect("reserve", drawn, drawn + _WIDE * max(heat_up_w, 0.0) / scale))
    if limit_w is not None:
        parts.append(_rect("mark", _WIDE * limit_w / scale - 4, _WIDE * limit_w / scale + 4))
    return _bar(parts, words)


def _tone(watts: float, limit_w: float | None, rating_w: float | None) -> str:
    if rating_w is not None and watts > rating_w:
        return " danger"
    return " odd" if limit_w is not None and watts > limit_w else ""


def share(value: float | None, words: str, tone: str = "") -> Html:
    """A share of 1: a charge, a progress."""
    value = known(value)
    if value is None:
        return _bar([], words, "blind")
    return _bar([_rect(f"drawn {tone}".strip(), 0, _WIDE * value)], words)


def interval(p10_s: float, p50_s: float, p90_s: float, now_s: float, end_s: float, words: str) -> Html:
    """A finish time on an axis from now to `end_s`: a band from p10 to p90 and a mark at p50."""
    across = max(end_s - now_s, 1.0)
    low, middle, high = (_WIDE * (at_s - now_s) / across for at_s in (p10_s, p50_s, p90_s))
    return _bar([_rect("band", min(low, high - 6), high), _rect("mark", middle - 4, middle + 4)], words, "strip")
