"""The start sequence in words: which machines to start once their beds are clear, in which order, and from when."""

from collections.abc import Iterable

from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import moment, names, plain
from farmwatch.farm import Farm

Order = list[tuple[str, float | None]]


def order_if_clear(farm: Farm, machines: Iterable[str], now_s: float) -> Order:
    """(name, from when) in start-sequence order, as if these beds were clear now; None (not yet) comes last."""
    wanted = list(machines)
    if not wanted:
        return []
    starts = farm.starts_if_clear(wanted, now_s).starts
    at = {name: starts.get(name) for name in wanted}
    order = sorted(wanted, key=lambda name: (at[name] is None, at[name] or 0.0))
    return [(name, None if (minutes := at[name]) is None else now_s + 60.0 * minutes) for name in order]


def in_words(farm: Farm, order: Order, now_s: float) -> list[str]:
    """Name and time of each; without times where all may start at once."""
    if at_once(order, now_s):
        return [plain(name) for name, _ in order]
    found = []
    for name, at_s in order:
        if at_s is None:
            when = say("start_not_yet")
        else:
            when = say("start_now") if at_s <= now_s else moment(at_s, now_s, farm.plan.timezone)
        found.append(f"{plain(name)} {when}")
    return found


def at_once(order: Order, now_s: float) -> bool:
    """Whether all of them may start now."""
    return all(at_s is not None and at_s <= now_s for _, at_s in order)


def after_clearing(farm: Farm, machines: Iterable[str], now_s: float) -> str:
    """A sentence for a message about beds; "" where all may start as soon as they are clear."""
    order = order_if_clear(farm, machines, now_s)
    if at_once(order, now_s):
        return ""
    may = [row for row in order if row[1] is not None]
    later = [plain(name) for name, at_s in order if at_s is None]
    then = [say("start_then", names=names(in_words(farm, may, now_s), 4))] if may else []
    return " ".join([*then, *([say("start_later", names=names(later, 4))] if later else [])])
