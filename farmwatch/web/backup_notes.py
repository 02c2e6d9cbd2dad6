"""What a backup's card says beyond its figures: what can still be saved, and how its battery is."""

from datetime import UTC, datetime, tzinfo

from farmwatch.alarms.wording import count
from farmwatch.web.manner import degrees, number
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, known, percent, span, stamp
from farmwatch.words.view import BackupView, CareView, RescueView


def notes(backup: BackupView, now_s: float, where: tzinfo) -> Html:
    """Plan and battery of one backup; nothing where the view has neither."""
    rescue, care = backup.get("rescue"), backup.get("care")
    plan = NOTHING if rescue is None else _plan(rescue, backup["name"], now_s, where)
    apart = known(backup.get("meter_minus_sum_w"))
    meter = NOTHING
    if apart is not None:
        words = f"Its meter shows {number(apart, signed=True)} W beside the sum of what hangs on it."
        meter = fill("<small>{words}</small>", words=words)
    cared = NOTHING if care is None else _care(care, now_s, own=backup["runtime_p10_s"] is not None)
    return join([plan, cared, meter])


TESTS: dict[str, str] = {
    "passed": "its self-test passed",
    "warning": "its self-test ended with a warning",
    "failed": "its self-test FAILED",
    "aborted": "its self-test was broken off",
}


def _few(names: list[str], most: int = 6) -> str:
    return clip(", ".join(names[:most]) + (f" and {len(names) - most} more" if names[most:] else "")) or "nothing"


def _plan(rescue: RescueView, backup: str, now_s: float, where: tzinfo) -> Html:
    """The plan; in the open while the backup is on battery, folded as a what-if."""
    parts = [_act(rescue, now_s, where), _nothing_done(rescue, now_s, where)]
    late = [name for name in rescue["late"] if name not in (*rescue["pause"], *rescue["stop"])]
    if late:
        parts.append(fill("<p>Not done by then, whatever is done: {few}.</p>", few=_few(late)))
    if rescue["left_out"]:
        parts.append(fill("<p>Nobody knows when these end: {few}.</p>", few=_few(rescue["left_out"])))
    parts.append(
        fill(
            "<small>By {basis}; {search}, made at {at}. Worth: minutes and grams already in the build, {value} saved "
            "instead of {nothing}. Leave breakers and wiring to an electrician.</small>",
            basis=rescue["basis"],
            search="exact" if rescue["exact"] else "the best that a bounded search found",
            at=stamp(rescue["at_s"], now_s, where),
            value=number(rescue["value"]),
            nothing=number(rescue["value_if_nothing"]),
        )
    )
    if rescue["live"]:
        return fill('<div data-key="plan-{key}">{parts}</div>', key=backup, parts=join(parts))
    return fill(
        '<details data-key="plan-{key}"><summary>If the mains went now</summary>{parts}</details>',
        key=backup, parts=join(parts),
    )  # fmt: skip


def _act(rescue: RescueView, now_s: float, where: tzinfo) -> Html:
    by_s = known(rescue["by_s"])
    deeds = [f"{verb} {_few(names)}" for verb, names in (("pause", rescue["pause"]), ("stop", rescue["stop"])) if names]
    if by_s is None or not deeds:
        few = _few(rescue["finishes"])
        return fill("<p>Nothing need be done: {few} can finish.</p>" if rescue["finishes"] else "<p>{few} can finish, "
                    "whatever is done.</p>", few=few if rescue["finishes"] else "No build")  # fmt: skip
    until = fill("now") if by_s <= now_s else fill("by {at}", at=stamp(by_s, now_s, where))
    return fill(
        "<p><strong>{deeds} {until}</strong> so that {saves} can finish{chance}.</p>",
        deeds=" and ".join(deeds).capitalize(), until=until, saves=_few(rescue["saves"]), chance=_chance(rescue),
    )  # fmt: skip


def _chance(rescue: RescueView) -> str:
    needed = known(rescue["needed"])
    if needed is None:
        return ""
    sd = known(rescue["needed_sd"])
    own = rescue["outages"]
    basis = f"{own} outages here" if own else "what is usual; none here yet"
    return (
        f" (chance that it lasts so long: {percent(needed)}{f' ± {percent(sd)}' if sd is not None else ''}, by {basis})"
    )


def _nothing_done(rescue: RescueView, now_s: float, where: tzinfo) -> Html:
    empty_s = known(rescue["empty_s"])
    if empty_s is None:
        return fill("<p>If everything runs on: {few} finishes before the battery is empty.</p>",
                    few=_few(rescue["run_everything"]))  # fmt: skip
    return fill(
        "<p>If everything runs on: empty about {at}, {few} finishes.</p>",
        at=stamp(empty_s, now_s, where), few=_few(rescue["run_everything"]),
    )  # fmt: skip


def _care(care: CareView, now_s: float, *, own: bool) -> Html:
    """Its battery; the unit's promise only where a runtime of ours (`own`) stands beside it."""
    words: list[str] = []
    if care.get("testing"):
        words.append("tests its battery now; the mains is there")
    if (doubted := known(care.get("charge_doubted"))) is not None:
        words.append(f"its charge has jumped to {percent(doubted)}: until that is sure, the lower one counts")
    health = known(care["health"])
    if health is not None:
        low, high = percent(care["health_p10"]), percent(care["health_p90"])
        few = count(care["discharges"], "discharge")
        words.append(f"battery {percent(health)} of a new one ({low} to {high}) by {few}")
    promised_s = known(care["reported_runtime_s"])
    if own and promised_s is not None:
        words.append(f"it promises {span(promised_s)} itself")
    if care["promised_min"] is not None and care["shown_min"] is not None:
        words.append(f"at its last discharge it promised {number(care['promised_min'])} min and its last two say "
                     f"{number(care['shown_min'])} min")  # fmt: skip
    if (expected_s := known(care["replace_by_s"])) is not None:
        range_ = [known(care["replace_from_s"]), known(care["replace_until_s"])]
        ends = " to ".join(_month(at_s) if at_s is not None else "not in sight" for at_s in range_)
        words.append(f"replace about {_month(expected_s)} ({ends}), by {care['replace_basis']}")
    if (tested_s := known(care["tested_s"])) is not None:
        words.append(f"tested {span(now_s - tested_s)} ago")
    if (result := TESTS.get(care.get("self_test") or "")) is not None:
        words.append(result)
    if (fitted_s := known(care["fitted_s"])) is not None:
        words.append(f"battery of {_month(fitted_s)}")
    if (battery_c := known(care["battery_c"])) is not None:
        words.append(degrees(battery_c))
    if not words:
        return NOTHING
    said = "; ".join(words)
    return fill("<small>{said}.</small>", said=clip(f"{said[:1].upper()}{said[1:]}", 500))


def _month(at_s: float) -> str:
    try:
        return f"{datetime.fromtimestamp(at_s, UTC):%b %Y}"
    except (ValueError, OverflowError, OSError):
        return "an impossible time"
