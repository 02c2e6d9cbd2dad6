"""The capacity question: may these machines be added, how should machines be spread."""

import math
from collections.abc import Mapping
from typing import Any

from farmwatch.power.capacity import Added, BestSpread, Place, Shop, Spread
from farmwatch.power.chance import Draw, constant
from farmwatch.whatif_check import CAUTION, Answer, Checker, charge_and_health, escape, or_null


def answer_capacity(question: object) -> Answer:
    """Whether machines may be added, and how to spread them.

    The form: `{"places": {name: {"limit_w", "in"?, "running"?, "runtime_table"?, "charge"?, "health"?}},
    "machines": [{"name", "at", "draw"}], "add"?: {"at", "machines": [{"name", "draw"}]},
    "spread"?: {"over": [places]}, "risk"?: share of time, 0.001}`; a draw is W, or `[[W, share of time]...]`
    with the heat-ups in it. `in` is the place that feeds a place. At least one of `add` and `spread`.

    Raises:
        WrongFile: with everything that is wrong.
    """
    check = Checker()
    top = check.record(question, "", ("places", "machines"), ("add", "spread", "risk"))
    places = _places(check, top.get("places", {}))
    taken: set[str] = set()
    draws, at = {}, {}
    for i, entry in enumerate(check.listing(top.get("machines", []), "/machines")):
        record = check.record(entry, f"/machines/{i}", ("name", "at", "draw"))
        name, draw = _drawing(check, record, f"/machines/{i}", taken)
        where = _place_named(check, record.get("at"), f"/machines/{i}/at", places) if "at" in record else ""
        draws[name], at[name] = draw, where
    new_at, new = _new_machines(check, top["add"], places, taken) if "add" in top else ("", [])
    over = _over(check, top["spread"], places) if "spread" in top else []
    risk = check.number(top.get("risk", 1e-3), "/risk", 0.0, 1.0)
    if not {"add", "spread"} & set(top) and top:
        check.wrong("", "asks nothing: give `add` or `spread` or both")
    check.done()
    shop = Shop(places, draws, risk)
    added = shop.adding(at, new_at, new) if "add" in top else None
    best = shop.best_spread(at, over) if "spread" in top else None
    present = shop.spread(at)
    form: dict[str, Any] = {"present": _spread_form(present)}
    if added is not None:
        chances = {p: {"before": added.before[p], "after": added.after[p]} for p in added.before}
        form["add"] = {"fits": added.fits, "chance": chances, "room_for": added.room_for}
    if best is not None:
        moves = [{"name": name, "from": old, "to": where} for name, old, where in best.moves]
        form["spread"] = {**_spread_form(best.best), "moves": moves, "exact": best.exact}
    lines = _capacity_lines(present, added, new_at, len(new), best, risk)
    shown = best.best if best is not None else present
    return Answer(form, lines, 0, lambda axes: _draw_capacity(axes, shop, present, shown))


def _places(check: Checker, value: object) -> dict[str, Place]:
    places: dict[str, Place] = {}
    records = check.mapping(value, "/places")
    optional = ("in", "running", "runtime_table", "charge", "health")
    for name, entry in records.items():
        pointer = f"/places/{escape(name)}"
        record = check.record(entry, pointer, ("limit_w",), optional)
        table = check.table(record["runtime_table"], f"{pointer}/runtime_table") if "runtime_table" in record else None
        charge, health = charge_and_health(check, record, pointer)
        inside = record.get("in")
        if inside is not None:
            inside = _place_named(check, inside, f"{pointer}/in", records)
        running = _draw(check, record.get("running", 0.0), f"{pointer}/running")
        limit_w = check.number(record.get("limit_w", 1.0), f"{pointer}/limit_w", above=True)
        places[name] = Place(limit_w, inside, running, table, charge * health)
    for name, place in places.items():
        seen, above = {name}, place.inside
        while above in places and above not in seen:
            seen.add(above)
            above = places[above].inside
        if above == name:
            check.wrong(f"/places/{escape(name)}/in", "feeds itself: the places form a circle")
    return places


def _place_named(check: Checker, value: object, pointer: str, places: Mapping[str, object]) -> str:
    if isinstance(value, str) and value in places:
        return value
    check.wrong(pointer, f"is not one of the places {', '.join(places) or '(none)'}")
    return ""


def _draw(check: Checker, value: object, pointer: str) -> Draw:
    if not isinstance(value, list):
        return constant(check.number(value, pointer))
    count = len(check.faults)
    levels = [
        (check.number(power_w, f"{pointer}/{i}/0"), check.number(share, f"{pointer}/{i}/1", 0.0, 1.0, above=True))
        for i, (power_w, share) in enumerate(check.pairs(value, pointer, 1))
    ]
    total = math.fsum(share for _, share in levels)
    if len(check.faults) == count and abs(total - 1.0) > 1e-6:
        check.wrong(pointer, f"the shares of time add up to {total:g}, not 1")
    return Draw(tuple(levels)) if len(check.faults) == count else constant(0.0)


def _drawing(check: Checker, record: Mapping[str, Any], pointer: str, taken: set[str]) -> tuple[str, Draw]:
    name = check.name(record["name"], f"{pointer}/name", taken) if "name" in record else pointer
    return name, _draw(check, record.get("draw", 0.0), f"{pointer}/draw")


def _new_machines(
    check: Checker, value: object, places: Mapping[str, Place], taken: set[str]
) -> tuple[str, list[Draw]]:
    record = check.record(value, "/add", ("at", "machines"))
    where = _place_named(check, record["at"], "/add/at", places) if "at" in record else ""
    draws = []
    for i, entry in enumerate(check.listing(record.get("machines", [None]), "/add/machines", 1)):
        pointer = f"/add/machines/{i}"
        if "machines" in record:
            draws.append(_drawing(check, check.record(entry, pointer, ("name", "draw")), pointer, taken)[1])
    return where, draws


def _over(check: Checker, value: object, places: Mapping[str, Place]) -> list[str]:
    record = check.record(value, "/spread", ("over",))
    over: list[str] = []
    for i, entry in enumerate(check.listing(record.get("over", [None]), "/spread/over", 1)):
        if "over" in record:
            place = _place_named(check, entry, f"/spread/over/{i}", places)
            if place in over:
                check.wrong(f"/spread/over/{i}", f"{place!r} is there twice")
            over.append(place)
    return over


def _spread_form(spread: Spread) -> dict[str, Any]:
    return {
        "at": spread.at,
        "chance": spread.chance,
        "places": {
            name: {
                "chance": r.chance,
                "mean_w": r.mean_w,
                "max_w": r.max_w,
                "runtime_min": None if r.runtime_min is None else or_null(r.runtime_min),
            }
            for name, r in spread.places.items()
        },
        "shortest_min": None if spread.shortest_min is None else or_null(spread.shortest_min),
        "longest_min": None if spread.longest_min is None else or_null(spread.longest_min),
    }


def _percent(chance: float) -> str:
    return "0 %" if chance == 0 else f"{100 * chance:.2g} %"


def _spread_lines(title: str, spread: Spread) -> list[str]:
    lines = [f"{title}: above a limit at most {_percent(spread.chance)} of the time"]
    for place, r in spread.places.items():
        who = ", ".join(name for name, where in spread.at.items() if where == place) or "no machine"
        runtime = ""
        if r.runtime_min is not None:
            runtime = ", runtime endless" if math.isinf(r.runtime_min) else f", runtime {r.runtime_min:.0f} min"
        lines.append(
            f"  {place}: {who}; mean {r.mean_w:.0f} W, most {r.max_w:.0f} W, above {_percent(r.chance)}{runtime}"
        )
    return lines


def _capacity_lines(
    present: Spread, added: Added | None, where: str, count: int, best: BestSpread | None, risk: float
) -> list[str]:
    lines = _spread_lines("Present", present)
    if added is not None:
        verdict = "yes" if added.fits else "no"
        lines.append(f"Add {count} at {where}: {verdict} (accepted: {_percent(risk)} of the time above a limit)")
        lines += [f"  {p}: {_percent(added.before[p])} before, {_percent(added.after[p])} after" for p in added.before]
        lines.append(f"  room for {added.room_for} like the first")
    if best is not None:
        lines += _spread_lines("Best spread", best.best)
        moves = [f"{name} from {old} to {new}" for name, old, new in best.moves]
        lines.append(f"Move: {'; '.join(moves) if moves else 'nothing'}")
        if not best.exact:
            lines.append("This is a bounded search: a better spread may exist.")
    return [*lines, CAUTION]


def _draw_capacity(axes: Any, shop: Shop, present: Spread, best: Spread) -> None:  # noqa: ANN401
    names = list(shop.places)
    for offset, (label, spread) in enumerate((("present", present), ("best", best))):
        loads = [spread.places[name].mean_w / shop.places[name].limit_w for name in names]
        axes.bar([i + 0.4 * offset for i in range(len(names))], loads, width=0.4, label=label)
    axes.set_xticks([i + 0.2 for i in range(len(names))], names)
    axes.set(ylabel="mean draw, share of limit", title="Load by place")
    axes.legend()
