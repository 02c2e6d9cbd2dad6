"""Every place of the load tree in figures: draw in W, VA and A, limit, headroom, demand, its meter beside the sum."""

from datetime import tzinfo

from farmwatch.web.latest import Latest
from farmwatch.web.manner import current, figures, number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, moment, name, watts
from farmwatch.words.view import PlaceView, StrainView, View

CAUTION = "Currents at which breakers trip: IEC 60898, 30 °C, from cold. Local codes and a licensed electrician decide."

STEP_S = 10.0
"""The table is written anew so often, and at once where something of it is no longer known."""


def places(view: View, where: tzinfo) -> Html:
    """All places from the supply down, folded; nothing where the view has none."""
    tree = view.get("tree")
    if not tree:
        return NOTHING
    blind = tuple((place["name"], known(place["watts"]) is None, tuple(place["missing"])) for place in tree)
    return _kept("", (blind, view["at_s"] // STEP_S, where, current()), (view, where))


def _places(of: tuple[View, tzinfo]) -> Html:
    view, where = of
    tree = view.get("tree", ())
    rows = join(_place(place, where) for place in tree)
    return fill(
        '<details data-key="places"><summary>Every place in figures</summary>{factors}<dl class="places">{rows}</dl>'
        "<small>{caution}</small></details>",
        factors=_factors(view), rows=rows, caution=CAUTION,
    )  # fmt: skip


_kept = Latest(_places, 1)


def _factors(view: View) -> Html:
    demand, diversity = known(view.get("demand_factor")), known(view.get("diversity_factor"))
    if demand is None:
        return fill("<p>Demand and diversity factor are not known yet: a whole quarter of an hour is needed.</p>")
    apart = "the diversity factor is not known: meters before the parts see more than the parts say"
    if diversity is not None:
        apart = f"the parts' own highest add up to {number(diversity, 2)} times the highest together (diversity factor)"
    return fill(
        "<p>The last day's highest quarter of an hour was {demand} of all that is connected (demand factor); {apart}."
        "</p>", demand=number(demand, 2), apart=apart,
    )  # fmt: skip


def _place(place: PlaceView, where: tzinfo) -> Html:
    kind, strain = place.get("kind", ""), place.get("strain")
    title = fill("{kind} {name}", kind=kind, name=name(place["name"])) if kind != "site" else fill("the whole site")
    words = [_draw(place, strain)]
    limit_w = known(place["limit_w"])
    if limit_w is not None:
        policy = place.get("policy", "")
        words.append(f"may draw {watts(limit_w)}{f' ({policy})' if policy else ''}")
    if strain is not None:
        words += _day(strain, where)
    return fill("<dt>{deep}{title}</dt><dd>{words}.</dd>", deep="· " * min(place.get("depth", 0), 8), title=title,
                words=clip("; ".join(words), 900))  # fmt: skip


def _draw(place: PlaceView, strain: StrainView | None) -> str:
    """W, VA and A, each with what is not known of it."""
    drawn_w = known(place["watts"])
    if drawn_w is None:
        return "draw not known"
    words = [f"{'at least ' if place['missing'] else ''}{watts(drawn_w)}"]
    if strain is None:
        return words[0]
    least = "" if strain["va_known"] else "at least "
    if (va := known(strain["va"])) is not None:
        words.append(f"{least}{number(va)} VA")
    if (amps := known(strain["amps"])) is not None:
        words.append(f"{least}{number(amps, 1)} A{'' if strain['volts_known'] else ' at nominal voltage'}")
    if strain["range_w"] is not None:
        low_w, high_w = strain["range_w"]
        words.append(f"between {watts(low_w)} and {watts(high_w)} by what is configured, not measured")
    return ", ".join(words)


def _day(strain: StrainView, where: tzinfo) -> list[str]:
    """Headroom now, of the day and at the worst minute; demand; the meter; the breaker."""
    words = []
    left = [
        f"{said} {watts(value)}"
        for said, value in (
            ("now", known(strain["headroom_w"])), ("of the day", known(strain["headroom_day_w"])),
            ("at the worst minute", known(strain["headroom_worst_w"])),
        )
        if value is not None
    ]  # fmt: skip
    if left:
        words.append(f"left {', '.join(left)}")
    least = "at least " if strain["at_least"] else ""
    for said, peak_w, at_s in (
        ("highest 15 min", known(strain["demand_w"]), strain["demand_at_s"]),
        ("worst minute", known(strain["worst_w"]), strain["worst_at_s"]),
    ):
        if peak_w is not None and at_s is not None:
            words.append(f"{said} of the day {least}{watts(peak_w)} at {moment(at_s, at_s, where)}")
    if (apart_w := known(strain["meter_minus_sum_w"])) is not None:
        words.append(f"its meter shows {number(apart_w, signed=True)} W beside the sum of what it feeds")
    if (trip_a := strain.get("trip_a")) is not None:
        held_a, trips_a, hours = trip_a
        held, trips, long = figures(held_a, 4), figures(trips_a, 4), figures(hours, 3)
        words.append(f"its breaker carries {held} A for {long} h and has tripped within that at {trips} A")
    if strain["breaker"]:
        words.append(f"now: {strain['breaker']}")
    return words
