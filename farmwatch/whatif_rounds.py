"""The rounds question: when to go, what is lost by going earlier or later, and whether a trip pays."""

import itertools
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any, NamedTuple

from farmwatch.shop.rounds import MINUTE_S, Bed, RoundPlan, Window, plan_rounds
from farmwatch.whatif_check import Answer, Checker
from farmwatch.wire.times import parse

EPOCH_FROM = 1e8
MOST_HOURS = 24.0 * 366
NO_WINDOW = "No window begins between now and the horizon (numbers below 10^8 are minutes)."


class _Form(NamedTuple):
    """How the file writes times: read to seconds, written back."""

    read: Callable[[Checker, object, str], float]
    write: Callable[[float], Any]
    say: Callable[[float], str]


def answer_rounds(question: object) -> Answer:
    """When to go to the machines.

    The form: `{"now", "windows": [[from, to]...], "machines": [{"name", "finish": {"p10", "p50", "p90"} | "free_since",
    "cool_min"?}], "trip_cost_min"?, "horizon_h"?}`. Times are RFC 3339 with an offset, or all numbers: minutes of any
    origin, or seconds since 1970 where `now` is above 10^8; the answer writes them the same way. `finish` is linear
    through its three points, the ends prolonged; what it puts before `now` is over already. A bed can be cleared
    `cool_min` (0) after its finish, or has been waiting since `free_since` (plus `cool_min`). `trip_cost_min` (0): what
    one visit is worth in idle machine-minutes. `horizon_h` (24): idle time counts up to there.

    The answer: `visits`, at most one a window, none where it does not pay; `expected_idle_min` of all machines from now
    to the horizon under them, the trips' cost not in it; `curve`: the same with the first visit elsewhere; `beds`: for
    each visit which beds can more likely than not be cleared then.

    Raises:
        WrongFile: with everything that is wrong.
    """
    check = Checker()
    top = check.record(question, "", ("now", "windows", "machines"), ("trip_cost_min", "horizon_h"))
    form = _form(top.get("now"))
    now_s = form.read(check, top["now"], "/now") if "now" in top else 0.0
    horizon_h = check.number(top.get("horizon_h", 24.0), "/horizon_h", 0.0, MOST_HOURS, above=True)
    trip_min = check.number(top.get("trip_cost_min", 0.0), "/trip_cost_min")
    windows = _windows(check, top.get("windows", []), form)
    taken: set[str] = set()
    beds = [
        _bed(check, entry, f"/machines/{i}", taken, form)
        for i, entry in enumerate(check.listing(top.get("machines", []), "/machines"))
    ]
    check.done()
    plan = plan_rounds(beds, now_s, now_s + horizon_h * 3600, windows, trip_min * MINUTE_S)
    answer: dict[str, Any] = {
        "visits": [form.write(at) for at in plan.visits_s],
        "expected_idle_min": plan.idle_s / MINUTE_S,
        "curve": [[form.write(at), idle / MINUTE_S] for at, idle in plan.curve],
        "beds": {str(form.write(at)): list(names) for at, names in plan.beds.items()},
    }
    return Answer(answer, _lines(plan, form, trip_min), 0, lambda axes: _draw(axes, plan, now_s))


# Reading ----------------------------------------------------------------------------------------------------


def _form(now: object) -> _Form:
    if isinstance(now, str):
        try:
            zone = datetime.fromisoformat(now.upper()).tzinfo or UTC
        except ValueError:
            zone = UTC
        return _Form(_read_text, lambda at: _text(at, zone), lambda at: _clock(at, zone))
    number = float(now) if isinstance(now, int | float) and not isinstance(now, bool) else 0.0
    unit_s = 1.0 if number >= EPOCH_FROM else MINUTE_S

    def read(check: Checker, value: object, pointer: str) -> float:
        if isinstance(value, str):
            check.wrong(pointer, "a number is needed, as `now` is one; or write all times as RFC 3339")
            return 0.0
        return check.number(value, pointer, -1e12) * unit_s

    def write(at_s: float) -> float:
        value = round(at_s / unit_s, 6)
        return int(value) if value == int(value) else value

    return _Form(read, write, lambda at: f"{write(at):g}" if unit_s == MINUTE_S else _clock(at, UTC))


def _read_text(check: Checker, value: object, pointer: str) -> float:
    if not isinstance(value, str):
        check.wrong(pointer, "a time as RFC 3339 is needed, as `now` is one")
        return 0.0
    try:
        return parse(value)
    except ValueError as error:
        check.wrong(pointer, str(error))
        return 0.0


def _text(at_s: float, zone: tzinfo) -> str:
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=round(at_s, 3))
    return moment.astimezone(zone).isoformat(timespec="milliseconds" if moment.microsecond else "seconds")


def _clock(at_s: float, zone: tzinfo) -> str:
    offset = datetime.fromtimestamp(at_s, zone).utcoffset() or timedelta()
    return datetime.fromtimestamp(at_s, timezone(offset)).strftime("%a %H:%M")


def _windows(check: Checker, value: object, form: _Form) -> list[Window]:
    windows: list[tuple[Window, int]] = []
    for i, (start, end) in enumerate(check.pairs(value, "/windows", 0)):
        count = len(check.faults)
        window = Window(form.read(check, start, f"/windows/{i}/0"), form.read(check, end, f"/windows/{i}/1"))
        if len(check.faults) > count:
            continue
        if window.to_s < window.from_s:
            check.wrong(f"/windows/{i}", "ends before it starts")
        elif window.to_s - window.from_s > MOST_HOURS * 3600:
            check.wrong(f"/windows/{i}", "is longer than a year")
        else:
            windows.append((window, i))
    windows.sort()
    for (before, at), (after, i) in itertools.pairwise(windows):
        if after.from_s < before.to_s:
            check.wrong(f"/windows/{i}", f"overlaps with /windows/{at}")
    return [window for window, _ in windows]


def _bed(check: Checker, entry: object, pointer: str, taken: set[str], form: _Form) -> Bed:
    record = check.record(entry, pointer, ("name",), ("finish", "free_since", "cool_min"))
    name = check.name(record["name"], f"{pointer}/name", taken) if "name" in record else pointer
    cool_s = check.number(record.get("cool_min", 0.0), f"{pointer}/cool_min", 0.0, 1e5) * MINUTE_S
    if ("finish" in record) == ("free_since" in record):
        check.wrong(pointer, "needs either `finish` or `free_since`")
        return Bed(name, 0.0, 0.0, 0.0)
    if "free_since" in record:
        points = [form.read(check, record["free_since"], f"{pointer}/free_since")] * 3
    else:
        names = ("p10", "p50", "p90")
        finish = check.record(record["finish"], f"{pointer}/finish", names)
        points = [form.read(check, finish[n], f"{pointer}/finish/{n}") for n in names if n in finish]
        if len(points) < 3:
            return Bed(name, 0.0, 0.0, 0.0)
        if not points[0] <= points[1] <= points[2]:
            check.wrong(f"{pointer}/finish", "p10, p50 and p90 must not fall")
    return Bed(name, *(point + cool_s for point in points))


# Saying -----------------------------------------------------------------------------------------------------


def _lines(plan: RoundPlan, form: _Form, trip_min: float) -> list[str]:
    nobody = f"If nobody goes, {plan.unvisited_s / MINUTE_S:.0f} machine-minutes are idle."
    if not plan.visits_s:
        return ["No trip pays before the horizon." if plan.curve else NO_WINDOW, nobody]
    lines = []
    for at in plan.visits_s:
        names = plan.beds[at]
        beds = f"{len(names)} bed{'' if len(names) == 1 else 's'}"
        lines.append(f"Go at {form.say(at)}: {beds}{': ' if names else ''}{', '.join(names)}")
    cost = f", a trip counted as {trip_min:g}" if trip_min else ""
    lines.append(f"Expected to be idle: {plan.idle_s / MINUTE_S:.0f} machine-minutes{cost}.")
    lines.append(nobody)
    first = plan.visits_s[0]
    others = [(at, idle) for at, idle in plan.curve if at != first]
    for word, group in (
        ("earlier", [o for o in others if o[0] < first]),
        ("later", [o for o in others if o[0] > first]),
    ):
        if group:
            at, idle = group[len(group) // 2]
            more = (idle - plan.idle_s) / MINUTE_S
            lines.append(f"Going {word}, at {form.say(at)}: {more:.0f} machine-minutes more are idle.")
    return lines


def _draw(axes: Any, plan: RoundPlan, now_s: float) -> None:  # noqa: ANN401
    if plan.curve:
        hours = [(at - now_s) / 3600 for at, _ in plan.curve]
        axes.plot(hours, [idle / MINUTE_S for _, idle in plan.curve], ".", markersize=3)
    for at in plan.visits_s:
        axes.axvline((at - now_s) / 3600, linestyle="--")
    axes.set(
        xlabel="first visit, hours from now", ylabel="expected idle machine-minutes", title="Going earlier or later"
    )
