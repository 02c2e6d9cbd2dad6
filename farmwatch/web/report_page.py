"""The page /report: what the machines gave over a week, a month or any days, a row each."""

from collections.abc import Mapping, Sequence
from typing import Any

from farmwatch.web import pages
from farmwatch.web.manner import number
from farmwatch.web.markup import NOTHING, Html, clip, energy, fill, join, known, name, percent
from farmwatch.web.shop_panels import grams, table
from farmwatch.words.view import View

SCOPES = ("machine", "job", "day", "week", "month")
STATES = ("productive", "standby", "engineering", "scheduled_down", "unscheduled_down", "nonscheduled", "unseen")


def page(view: View, found: Mapping[str, Any], assets: Mapping[str, str], footer: Html) -> str:
    """The whole page; `found` has first, last, by, rows, all (as `shop.yields.row_of` gives them), currency."""
    body = fill(
        '<header><div class="site">{home} <b>{site}</b></div></header>'
        '<main class="single wider"><h1>What it yields <small>{first} to {last}</small>'
        '</h1>{choose}{blind}<section class="panel"><h2>Builds and parts</h2>{made}'
        '</section><section class="panel"><h2>Time</h2>{times}</section><section class="panel">'
        "<h2>Effectiveness</h2>{oee}</section></main>{footer}",
        home=pages.home("/report"), site=name(view["site"]),
        first=found["first"], last=found["last"], choose=_choose(found), footer=footer,
        blind=_blind(found), made=_made(found), times=_times(found), oee=_oee(found),
    )  # fmt: skip
    return pages.document(f"What it yields - {clip(view['site'], 40)}", body, assets)


def _blind(found: Mapping[str, Any]) -> Html:
    """Said where nothing was seen in all of the time, so that nobody takes the noughts for rest."""
    whole = found["all"]
    if whole["unseen_h"] < whole["calendar_h"] - 1e-6 or whole["builds"]:
        return NOTHING
    return fill("<p><b>Nothing was watched in these days.</b> Every figure below is of no time at all.</p>")


def _choose(found: Mapping[str, Any]) -> Html:
    options = join(
        fill("<option{chosen}>{one}</option>", one=one, chosen=Html(" selected" if one == found["by"] else ""))
        for one in SCOPES
    )
    return fill(
        '<form class="wide" method="get" action="/report"><label>From <input type="date" name="from" value="{first}">'
        '</label><label>To <input type="date" name="to" value="{last}"></label>'
        '<label>A row for each <select name="by">{options}</select></label><button>Show</button></form>'
        '<p class="row"><a class="button" href="/report?days=7">Last week</a> '
        '<a class="button" href="/report?days=30">Last 30 days</a></p>',
        first=found["first"], last=found["last"], options=options,
    )  # fmt: skip


def _rows(found: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    return [*found["rows"], {**found["all"], "key": "all"}]


def _figure(value: float | None, digits: int = 0, unit: str = "") -> str:
    value = known(value)
    return "?" if value is None else f"{number(value, digits)}{unit}"


def _share(value: float | None) -> str:
    return "?" if known(value) is None else percent(value)


def _success(row: Mapping[str, Any]) -> str:
    """With its interval; without a build that went well or failed there is neither."""
    if known(row["success"]) is None:
        return "?"
    return f"{_share(row['success'])} ({_share(row['success_low'])} to {_share(row['success_high'])})"


def _made(found: Mapping[str, Any]) -> Html:
    heads = (found["by"], "builds", "done", "success (95 %)", "good parts", "energy", "filament", "cost", "a good part")
    rows = [
        [clip(row["key"], 40), row["builds"], row["builds_done"],
         _success(row),
         _figure(row["pieces_good"]), energy(row["energy_wh"]),
         f"{'at least ' if row['builds_material_unknown'] else ''}{grams(row['material_g'])}",
         f"{'at least ' if row['cost_missing'] else ''}{_figure(row['cost_total'], 2)}",
         _figure(row["cost_each_good"], 3)]
        for row in _rows(found)
    ]  # fmt: skip
    words = "Success: of builds that went well or failed (Wilson). Failures are paid by the good parts. ?: not known."
    money = f" Costs in {clip(found['currency'], 8)}." if found["currency"] else ""
    made = table(heads, rows, "Builds and parts")
    return join((made, fill("<small>{words}{money}</small>", words=words, money=money)))


def _times(found: Mapping[str, Any]) -> Html:
    rows = [
        [clip(row["key"], 40), *(_figure(row[f"{state}_h"], 1) for state in STATES),
         _figure(row["waiting_for_clearing_h"], 1), _figure(row["calendar_h"], 1)]
        for row in _rows(found) if "calendar_h" in row
    ]  # fmt: skip
    heads = ("hours", *(state.replace("_", " ") for state in STATES), "of standby: bed waits", "calendar")
    words = (
        "The six states of SEMI E10 and what nobody saw sum to the calendar. That a bed waits is yours to win."
    )
    return join((table(heads, rows, "Time"), fill("<small>{words}</small>", words=words)))


def _oee(found: Mapping[str, Any]) -> Html:
    keys = ("utilisation", "operational_uptime", "availability", "effectiveness", "quality", "oee")
    rows = [[clip(row["key"], 40), *(_share(row.get(key)) for key in keys)] for row in _rows(found)]
    heads = (found["by"], "utilisation", "uptime", "availability", "effectiveness", "quality", "OEE")
    words = (
        "After ISO 22400-2. Planned run time of a job is the median of its builds that went well; 100 % of "
        "effectiveness is the shop's own usual."
    )
    return join((table(heads, rows, "Effectiveness"), fill("<small>{words}</small>", words=words)))
