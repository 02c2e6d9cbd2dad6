"""The power desk as the view shows it: strain of a place, start advice, energy and cost."""

from farmwatch.alarms.wording import moment, names, percent, plain
from farmwatch.farm import Farm
from farmwatch.power.breaker import CONTINUOUS_H, behaviour, conventional_s, trip_bounds_a
from farmwatch.power.demand import demand_factor, diversity_factor
from farmwatch.power.load import SITE, Draw
from farmwatch.power.tariff import local_day
from farmwatch.words.view import CostView, StartsView, StrainView


def strain_view(farm: Farm, place: str, draw: Draw, now_s: float) -> StrainView:
    """Everything about a node's draw beside the watts."""
    desk = farm.power
    circuit, limit_w = farm.plan.circuits.get(place), desk.limit_w(place, draw)
    track = desk.demand.get(place)
    day, worst = (None, None) if track is None else (track.demand(now_s), track.worst(now_s))
    headroom = track.headroom(limit_w, draw.watts, now_s) if track is not None and limit_w is not None else None
    chance = farm.foresee(now_s).chances.get(place)
    ranged = draw.low_w is not None and draw.high_w is not None and draw.high_w > draw.low_w
    breaker = ""
    if circuit is not None and draw.amps is not None:
        breaker = behaviour(draw.amps, circuit.rating_a, desk.supply.curves.get(place)).words
    return {
        "va": draw.va,
        "va_known": draw.va_known,
        "amps": draw.amps,
        "volts_known": draw.volts_known,
        "range_w": [draw.low_w or 0.0, draw.high_w or 0.0] if ranged else None,
        "meter_minus_sum_w": draw.difference_w,
        "trip_a": None if circuit is None else _trips(circuit.rating_a),
        "breaker": breaker,
        "demand_w": day.watts if day is not None else None,
        "demand_at_s": day.at_s if day is not None else None,
        "worst_w": worst.watts if worst is not None else None,
        "worst_at_s": worst.at_s if worst is not None else None,
        "at_least": any(peak is not None and peak.partial for peak in (day, worst)),
        "headroom_w": headroom.now_w if headroom is not None else None,
        "headroom_day_w": headroom.day_w if headroom is not None else None,
        "headroom_worst_w": headroom.worst_w if headroom is not None else None,
        "over_chance": chance.chance if chance is not None else None,
        "over_chance_low": chance.low if chance is not None else None,
        "over_chance_high": chance.high if chance is not None else None,
    }


def _trips(rating_a: float) -> list[float]:
    """Conventional non-tripping and tripping current in A, and the conventional time in h."""
    held_a, trips_a = trip_bounds_a(rating_a)
    return [round(held_a, 2), round(trips_a, 2), conventional_s(rating_a) / 3600.0]


def kind_of(farm: Farm, place: str) -> str:
    """What a node is: site, circuit, plug, backup or bank."""
    if place in farm.plan.circuits:
        return "circuit"
    if place in farm.plan.backups:
        return "backup"
    return "plug" if place in farm.power.supply.plugs else "site" if place == SITE else "bank"


def policy(farm: Farm, place: str) -> str:
    """Where a place's limit comes from, in words."""
    circuit, backup = farm.plan.circuits.get(place), farm.plan.backups.get(place)
    if circuit is not None:
        share = circuit.continuous_share
        return (
            f"{percent(share)} of its breaker's {circuit.rating_a:g} A for loads of {CONTINUOUS_H:g} h and more, "
            "the site's own choice; local codes decide"
        )
    if backup is None or (backup.rating_w is None and backup.rating_va is None):
        return ""
    return "the lesser of its W and VA ratings, as its maker gives them"


def in_order(farm: Farm) -> list[tuple[str, int]]:
    """Every node of the tree with its depth, each before what it feeds."""
    found: list[tuple[str, int]] = []
    waiting = [(SITE, 0)]
    while waiting:
        place, depth = waiting.pop()
        found.append((place, depth))
        waiting += [(child, depth + 1) for child in reversed(farm.tree.direct[place]) if child in farm.tree.direct]
    return found


def heat_up_w(farm: Farm, place: str) -> float | None:
    """Further watts if the one machine of a place that would draw most more starts to heat; None if none can."""
    more = []
    for leaf in farm.tree.children[place]:
        machine = farm.machines.get(leaf)
        if machine is not None and machine.state not in ("heating", "printing", "paused"):
            more.append(max(farm.power.models[leaf].heat_w - (machine.number("power_w") or 0.0), 0.0))
    return max(more, default=None)


def start_from_s(farm: Farm, name: str, now_s: float) -> float | None:
    """When an idle machine may start; None where it is not idle or no time can be foreseen."""
    seen = farm.foresee(now_s)
    minutes = seen.advice.starts.get(name)
    if minutes is None:
        return None
    return now_s if minutes <= 0 else max(seen.at_s + minutes * 60.0, now_s)


def starts_view(farm: Farm, now_s: float) -> StartsView:
    """The start sequence, in lists and as a short text."""
    seen = farm.foresee(now_s)
    advice = seen.advice
    at = {name: start_from_s(farm, name, now_s) for name in advice.starts}
    now = [name for name, at_s in at.items() if at_s is not None and at_s <= now_s]
    later = sorted(((at_s, name) for name, at_s in at.items() if at_s is not None and at_s > now_s))
    never = [name for name, at_s in at.items() if at_s is None]
    return {
        "text": _text(farm, now, later, never, advice.guessed, now_s),
        "now": now,
        "later": [(name, at_s) for at_s, name in later],
        "never": never,
        "guessed": list(advice.guessed),
        "risk": advice.risk,
    }


def _text(
    farm: Farm, now: list[str], later: list[tuple[float, str]], never: list[str], guessed: tuple[str, ...], now_s: float
) -> str:
    if not now and not later and not never:
        return ""
    advice, zone = farm.foresee(now_s).advice, farm.plan.timezone
    parts = [f"May start now: {names(now, 12)}."] if now else ["None may start now."]
    if later:
        when = [f"{plain(name)} from {moment(at_s, now_s, zone)}" for at_s, name in later]
        parts.append(f"Later: {names(when, 6)}.")
    if never:
        places = names(list(dict.fromkeys(advice.tight[n] for n in never if n in advice.tight)), 3)
        parts.append(f"Not as things are: {names(never, 6)}{f' ({places} is full)' if places else ''}.")
    elif later:
        tight = list(dict.fromkeys(advice.tight[name] for _, name in later if name in advice.tight))
        parts.append(f"Then {names(tight, 3)} stays below its limit in all but {percent(advice.risk)} of the time.")
    if guessed:
        parts.append(f"Counted as building, draw not known: {names(list(guessed), 4)}.")
    return " ".join(parts)


def pending(farm: Farm) -> dict[str, tuple[float, float]]:
    """What each meter has measured since its last booking: machine: (Wh, since)."""
    found = {name: meter.pending() for name, meter in farm.meters.items() if name in farm.tree.leaf}
    return {name: part for name, part in found.items() if part is not None}


def cost_view(farm: Farm, now_s: float, *, month: bool = False) -> CostView:
    """Energy and cost of the day or month so far."""
    spent = farm.power.spent(now_s, pending(farm), month=month)
    return {"wh": spent.wh, "cost": spent.cost, "unmeasured_s": spent.unmeasured_s}


def energy_today_wh(farm: Farm, name: str, now_s: float) -> float | None:
    """Energy of one machine since local midnight; None where its meter has said nothing."""
    today = local_day(now_s, farm.plan.timezone)
    account = farm.power.ledger.days.get(today)
    booked = account.wh.get(name) if account is not None else None
    part = farm.meters[name].pending()
    if part is None:
        return booked
    fresh = sum(s.wh for s in farm.power.ledger.shares(part[0], part[1], now_s) if s.day == today)
    return (booked or 0.0) + fresh


def factors(farm: Farm, now_s: float) -> tuple[float | None, float | None]:
    """(demand factor, diversity factor) of the last day; None where the day's demand is not known."""
    found = farm.power.diversity(now_s)
    if found is None:
        return None, None
    own_w, together_w = found
    connected_w = sum(model.heat_w for model in farm.power.models.values())
    for leaf in farm.plan.loads:
        peak = farm.power.demand[leaf].worst(now_s)
        constant = farm.tree.constant_w(leaf)
        connected_w += constant[2] if constant is not None else peak.watts if peak is not None else 0.0
    diversity = diversity_factor([own_w], together_w)
    if diversity is not None and diversity < 1.0:  # a meter before the parts sees more than they say: losses, others
        diversity = None
    return demand_factor(together_w, connected_w), diversity
