"""The page's part on energy and cost: days, months, machines, places with a meter, good parts."""

from collections.abc import Mapping

from farmwatch.alarms.wording import count
from farmwatch.web.manner import figures, number
from farmwatch.web.markup import NOTHING, Html, clip, energy, fill, join, known, name, span
from farmwatch.words.power_view import AccountView, PartView
from farmwatch.words.view import View

DAYS_SHOWN = 7
GAP_S = 600.0
"""Unmeasured time below this is not worth a word."""


def energy_use(view: View) -> Html:
    """Energy and cost by day, month, machine, place and good part."""
    found = view.get("accounts")
    if found is None or not (found["days"] or found["parts"]):
        return fill("<p>No energy has been measured yet.</p>")
    currency = found["currency"]
    parts = [_table("Day", found["days"][:DAYS_SHOWN], currency)]
    if found["days"]:
        parts.append(_today(found["days"][0], currency))
    parts.append(_fold("months", "Months", _table("Month", found["months"], currency)))
    if found["parts"]:
        parts.append(_fold("parts", "Each good part", _parts(found["parts"], currency)))
    return join(parts)


def _fold(key: str, summary: str, inside: Html) -> Html:
    return fill('<details data-key="energy-{key}"><summary>{summary}</summary>{inside}</details>',
                key=key, summary=summary, inside=inside)  # fmt: skip


def _money(cost: float | None, currency: str) -> str:
    cost = known(cost)
    return "" if cost is None else f"{number(cost, 2)} {clip(currency, 8)}".strip()


def _table(head: str, rows: list[AccountView], currency: str) -> Html:
    if not rows:
        return NOTHING
    lines = join(
        fill("<tr><th scope=row>{key}{long}</th><td>{wh}</td><td>{cost}</td><td>{gaps}</td></tr>",
             key=clip(row["key"], 20), long=_odd(row), wh=energy(row["wh"]), cost=_money(row["cost"], currency),
             gaps=f"{span(row['unmeasured_s'])} unmeasured" if row["unmeasured_s"] >= GAP_S else "")
        for row in rows
    )  # fmt: skip
    return fill('<div class="scroll"><table class="sums"><thead><tr><th scope=col>{head}</th><th scope=col>energy</th>'
                '<th scope=col>cost</th><th scope=col><span class="unseen">gaps</span></th></tr></thead>'
                "<tbody>{lines}</tbody></table></div>", head=head, lines=lines)  # fmt: skip


def _odd(row: AccountView) -> str:
    """A day on which the clock is changed says how long it is."""
    if len(row["key"]) != 10 or row["hours"] == 24.0:
        return ""
    return f" ({figures(row['hours'], 4)} h)"


def _today(day: AccountView, currency: str) -> Html:
    """The newest day by machine and by place."""
    by, cost = day["by"], day["by_cost"]
    rows = [f"{clip(who, 40)} {energy(wh)}{_paid(cost, who, currency)}" for who, wh in _most(by)]
    places = [f"{clip(place, 40)} {energy(wh)}" for place, wh in _most(day["places"])]
    inside = [fill("<p>{rows}.</p>", rows="; ".join(rows) or "Nothing was measured")]
    if places:
        inside.append(fill("<p>By meters before them: {places}.</p>", places="; ".join(places)))
    return _fold("today", f"{day['key']} by machine", join(inside))


def _most(values: Mapping[str, float]) -> list[tuple[str, float]]:
    return sorted(values.items(), key=lambda item: (-item[1], item[0]))[:60]


def _paid(cost: Mapping[str, float], who: str, currency: str) -> str:
    words = _money(cost.get(who), currency)
    return f", {words}" if words else ""


def _parts(rows: list[PartView], currency: str) -> Html:
    return fill('<ul class="plain">{rows}</ul>', rows=join(_part(row, currency) for row in rows))


def _made_of(row: PartView) -> str:
    """What a part's cost is made of, where there is more than one figure."""
    pieces = row["pieces"] or 0.0
    found = [
        f"{what} {number(value / pieces, 3)}"
        for what, value in (
            ("energy", known(row["energy_cost"])), ("filament", known(row["material_cost"])),
            ("machine", known(row["machine_cost"])),
        )
        if value is not None and pieces > 0
    ]  # fmt: skip
    return f" ({', '.join(found)})" if len(found) > 1 else ""


def _part(row: PartView, currency: str) -> Html:
    each = known(row["wh_each"])
    words = "a part not known: no number of pieces" if row["pieces"] is None else "no good part yet"
    if each is not None:
        cost = known(row["cost_each"])
        least = "at least " if row["missing"] else ""
        paid = f", {least}{number(cost, 3)} {clip(currency, 8)}".rstrip() if cost is not None else ""
        words = f"{'at least ' if row['unknown'] else ''}{energy(each)}{paid}{_made_of(row)} a part"
    return fill(
        "<li>{job}: {words}; {builds}, {good} good, {wh} in all{unknown}.</li>",
        job=name(row["job"]), words=words, builds=count(row["builds"], "build"), good=row["good_builds"],
        wh=energy(row["wh"]),
        unknown=f", {row['unknown']} not measured" if row["unknown"] else "",
    )  # fmt: skip
