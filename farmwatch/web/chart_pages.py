"""Pages with charts: a machine, a backup, a circuit, and any series over any range. Readable without script."""

import asyncio
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote, urlencode

from aiohttp import web

from farmwatch.web import chart_parts, svg_chart
from farmwatch.web.api import Api, Sources, builds_of, shown
from farmwatch.web.api_table import MOST_SERIES, NUMBERS
from farmwatch.web.backup_notes import notes as backup_notes
from farmwatch.web.machine_cell import cell
from farmwatch.web.manner import current
from farmwatch.web.markup import NOTHING, Html, clip, fill, join, name, percent, span, watts, zone
from farmwatch.web.pages import document, home
from farmwatch.web.panels import as_of
from farmwatch.web.queries import moment_s
from farmwatch.web.said import BadWords
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.view import MachineView, View

POINTS = 480
"""Four a column of pixels: what the drawing without script shows."""
RANGES: dict[str, tuple[str, float]] = {
    "6h": ("6 hours", 21_600.0), "1d": ("Day", 86_400.0), "7d": ("Week", 7 * 86_400.0),
    "30d": ("Month", 30 * 86_400.0), "1y": ("Year", 366 * 86_400.0),
}  # fmt: skip
LONGEST_S = 367 * 86_400.0
OF_MACHINE = (("power_w",), ("bed_c", "bed_target_c", "nozzle_c", "nozzle_target_c"), ("progress",))
OF_BACKUP = (("charge",), ("load", "power_w"), ("runtime_s",), ("battery_v", "voltage_v"), ("battery_c",))
EVENTS = ("build", "alarm", "outage")
MOST_EVENTS = 300
BUILDS_SHOWN = 25
HELD_S = 60.0


@dataclass(frozen=True)
class Shell:
    """What every page has around it.

    Attributes:
        html: makes an answer of a document.
        footer: of a request.
        kind: class of the document, by what the request may.
        assets: addresses of static files.
    """

    html: Callable[[str], web.Response]
    footer: Callable[[web.Request], Html]
    kind: Callable[[web.Request], str]
    assets: Mapping[str, str]


class ChartPages:
    """The handlers."""

    def __init__(self, sources: Sources, api: Api, shell: Shell) -> None:
        self._from, self._api, self._shell = sources, api, shell
        self._held: tuple[float, list[tuple[str, str]]] = (-math.inf, [])

    def routes(self) -> list[web.AbstractRouteDef]:
        """Where they stand."""
        return [
            web.get("/machine/{name}", self._machine),
            web.get("/backup/{name}", self._backup),
            web.get("/circuit/{name}", self._circuit),
            web.get("/history", self._history),
        ]

    # ---- pages -------------------------------------------------------------------------------------------------------

    async def _machine(self, request: web.Request) -> web.StreamResponse:
        view = await self._view()
        found = _one(view["machines"], request)
        reach = _reach(request, view)
        charts = await self._figures(found["name"], await self._groups(found["name"], OF_MACHINE), reach, states=True)
        builds = await self._builds(found["name"])
        where, now_s = reach.where, view["at_s"]
        body = join([
            fill('<div class="alone-cell" data-panel="machines" data-only="m-{key}">{cell}</div>', key=found["name"],
                 cell=cell(found, now_s, where, opened=True)),
            _around(found), _ranges(request), charts,
            chart_parts.part("Builds", chart_parts.builds(builds, now_s, where)),
            chart_parts.part("What was said of the finish, and the true end", chart_parts.estimates(builds)),
            chart_parts.part("Alarms", chart_parts.alarms(view, found["name"])),
            chart_parts.part("Energy", chart_parts.energy_of(view, found["name"])),
            chart_parts.part("Sources", chart_parts.sources(shown(view)["sources"], found["name"])),
        ])  # fmt: skip
        return self._page(request, view, found["name"], body)

    async def _backup(self, request: web.Request) -> web.StreamResponse:
        view = await self._view()
        found = _one(view["backups"], request)
        reach = _reach(request, view)
        charts = await self._figures(found["name"], await self._groups(found["name"], OF_BACKUP), reach)
        runtime = "not known" if found["runtime_s"] is None else f"about {span(found['runtime_s'])} at this load"
        facts: list[tuple[str, object]] = [
                 ("Status", found["status"].replace("_", " ")), ("Charge", percent(found["charge"])),
                 ("Load", watts(found["load_w"])), ("Runtime", f"{runtime} ({found['runtime_basis']})"),
                 ("Feeds", _links("machine", found["machines"]) or "no machine")]  # fmt: skip
        if found["circuit"]:
            facts.append(("Hangs on", fill("circuit {one}", one=_links("circuit", [found["circuit"]]))))
        body = join([
            chart_parts.facts(facts), backup_notes(found, view["at_s"], reach.where), _ranges(request), charts,
            chart_parts.part("Alarms", chart_parts.alarms(view, found["name"])),
            chart_parts.part("Energy", chart_parts.energy_of(view, found["name"])),
            chart_parts.part("Sources", chart_parts.sources(shown(view)["sources"], found["name"])),
        ])  # fmt: skip
        return self._page(request, view, found["name"], body)

    async def _circuit(self, request: web.Request) -> web.StreamResponse:
        view = await self._view()
        found = _one(view["circuits"], request)
        reach = _reach(request, view)
        own = [(found["name"], q) for q in ("power_w", "current_a") if (found["name"], q) in await self._held_now()]
        on_it = [row["name"] for row in (*view["machines"], *view["backups"]) if row["circuit"] == found["name"]]
        parts = [(one, "power_w") for one in on_it if (one, "power_w") in await self._held_now()][:MOST_SERIES]
        groups = [*([one] for one in own), *([parts] if parts else [])] or [[(found["name"], "power_w")]]
        charts = await self._figures(found["name"], groups, reach)
        machines, backups = {row["name"] for row in view["machines"]}, {row["name"] for row in view["backups"]}
        hangs = [_links("machine", [one]) if one in machines else _links("backup", [one]) for one in on_it
                 if one in machines | backups]  # fmt: skip
        facts: list[tuple[str, object]] = [("Now", watts(found["watts"])), ("Policy allows", watts(found["limit_w"])),
                 ("Rated", watts(found["rating_w"])), ("Not counted", ", ".join(found["missing"]) or "nothing"),
                 ("On it", join(hangs, ", ") or "nothing")]  # fmt: skip
        words = "" if own else "This circuit has no meter of its own: what hangs on it is drawn, each by its own meter."
        body = join([
            chart_parts.facts(facts), _ranges(request), fill("<p>{words}</p>", words=words) if words else NOTHING,
            charts, chart_parts.part("Alarms", chart_parts.alarms(view, found["name"])),
            chart_parts.part("Energy", chart_parts.energy_of(view, found["name"])),
        ])  # fmt: skip
        return self._page(request, view, found["name"], body)

    async def _history(self, request: web.Request) -> web.StreamResponse:
        view = await self._view()
        reach = _reach(request, view)
        held = await self._held_now()
        asked = [tuple(words.rpartition("/")[::2]) for words in request.query.getall("series", [])][:MOST_SERIES]
        wanted = [(str(one), str(q)) for one, q in asked if q in NUMBERS] or [s for s in held if s[1] == "power_w"][:3]
        groups: dict[str, list[tuple[str, str]]] = {}
        for one in wanted:
            groups.setdefault(_unit(one[1]), []).append(one)
        charts = await self._figures(None, list(groups.values()), reach)
        query = [("series", f"{one}/{q}") for one, q in wanted]
        query += [("start", f"{reach.start_s:.0f}"), ("end", f"{reach.end_s:.0f}")]
        body = join([
            _ranges(request), charts or fill("<p>No readings have been recorded yet.</p>"),
            fill('<p><a class="button" href="/api/v1/table.csv?{query}" download>These readings as CSV</a></p>',
                 query=urlencode(query)),
            chart_parts.picker(held, wanted, request.query.get("range", "1d")),
        ])  # fmt: skip
        return self._page(request, view, "History", body)

    # ---- what they are made of ---------------------------------------------------------------------------------------

    async def _view(self) -> View:
        await self._from.settled()
        return self._from.view()

    async def _held_now(self) -> list[tuple[str, str]]:
        now_s = asyncio.get_running_loop().time()
        if now_s - self._held[0] > HELD_S:
            self._held = now_s, [(row.subject, row.quantity) for row in await self._from.series.held()]
        return self._held[1]

    async def _groups(self, subject: str, groups: Sequence[Sequence[str]]) -> list[list[tuple[str, str]]]:
        """Series of a subject, a group a chart; of a group that has none yet the first, so that it says so."""
        held = await self._held_now()
        return [[(subject, q) for q in group if (subject, q) in held] or [(subject, group[0])] for group in groups]

    async def _builds(self, machine: str) -> list[dict[str, Any]]:
        notes = await self._from.history("build", 0.0, 4 * BUILDS_SHOWN, about=machine)
        return builds_of(notes, first_page=True)[:BUILDS_SHOWN]

    async def _figures(
        self, about: str | None, groups: Sequence[Sequence[tuple[str, str]]], reach: svg_chart.Span,
        *, states: bool = False,
    ) -> Html:  # fmt: skip
        marks = await self._marks(about, reach)
        bands = await self._bands(about, reach) if states and about is not None else []
        found: list[Html] = []
        for group in groups:
            curves = [await self._curve(one, q, reach, with_name=about != one) for one, q in group]
            found.append(_figure(group, curves, reach, marks, bands))
        return join([*found, chart_parts.events(marks, reach)]) if found else NOTHING

    async def _curve(self, subject: str, quantity: str, reach: svg_chart.Span, *, with_name: bool) -> svg_chart.Curve:
        columns, why = await self._api.read(subject, quantity, reach.start_s, reach.end_s, POINTS)
        about = QUANTITIES[quantity].about
        return svg_chart.Curve(f"{subject}, {about}" if with_name else about, columns, why)

    async def _marks(self, about: str | None, reach: svg_chart.Span) -> list[svg_chart.Mark]:
        rows = await asyncio.gather(*(
            self._from.history(kind, reach.start_s, MOST_EVENTS // len(EVENTS), until_s=reach.end_s,
                               about=None if kind == "outage" else about)
            for kind in EVENTS
        ))  # fmt: skip
        marks = [mark for notes in rows for mark in map(chart_parts.mark_of, notes) if mark is not None]
        return sorted(marks, key=lambda mark: mark.at_s)

    async def _bands(self, machine: str, reach: svg_chart.Span) -> list[svg_chart.Band]:
        notes = await self._from.history("state", reach.start_s, 1_000, until_s=reach.end_s, about=machine)
        before = await self._from.history("state", 0.0, 1, until_s=reach.start_s, about=machine)
        first = str(before[0].get("state", "")) if before else ""
        return svg_chart.bands_of([(n["at_s"], str(n.get("state"))) for n in reversed(notes)], first, reach)

    def _page(self, request: web.Request, view: View, title: str, body: Html) -> web.Response:
        assets = self._shell.assets
        head = fill(
            '<link rel="stylesheet" href="{css}"><script src="{chart}" data-plot="{plot}" data-look="{look}" defer>'
            "</script>", css=assets["chart.css"], chart=assets["chart.js"], plot=assets["uplot.js"],
            look=assets["uplot.css"],
        )  # fmt: skip
        whole = fill(
            '<header><div class="site">{home} '
            '<span data-panel="as_of">{as_of}</span></div><p id="lost" role="alert" hidden></p></header>'
            '<p id="notice" role="status"></p><main class="wide-page"><h1>{title}</h1>{body}</main>{footer}',
            home=home(request.path), as_of=as_of(view), title=name(title), body=body,
            footer=self._shell.footer(request),
        )  # fmt: skip
        title = f"{clip(title, 80)} - {clip(view['site'], 40)}"
        return self._shell.html(document(title, whole, assets, head=head, script=True, kind=self._shell.kind(request)))


def _one(rows: Sequence[Any], request: web.Request) -> Any:  # noqa: ANN401  (a row of the view)
    found = next((row for row in rows if row["name"] == request.match_info["name"]), None)
    if found is None:
        raise web.HTTPNotFound
    return found


def _links(kind: str, names: Sequence[str]) -> Html:
    """Names as links to their pages."""
    return join(
        (fill('<a href="/{kind}/{key}">{name}</a>', kind=kind, key=quote(one, safe=""), name=name(one))
         for one in names), ", ",
    )  # fmt: skip


def _around(machine: MachineView) -> Html:
    """Where a machine hangs, as links."""
    found = [fill("{kind} {one}", kind=kind, one=_links(kind, [one]))
             for kind, one in (("backup", machine["backup"]), ("circuit", machine["circuit"])) if one]  # fmt: skip
    return fill("<p>Hangs on {parts}.</p>", parts=join(found, ", ")) if found else NOTHING


def _unit(quantity: str) -> str:
    row = QUANTITIES[quantity]
    return "share" if row.unit == "1" and row.high <= 2 else row.unit


def _reach(request: web.Request, view: View) -> svg_chart.Span:
    """The range asked for; BadWords where it is none."""
    end_s = moment_s(request.query.get("end"), view["at_s"])
    width = RANGES.get(request.query.get("range", ""), RANGES["1d"])[1]
    start_s = moment_s(request.query.get("start"), end_s - width)
    if not 0 <= start_s < end_s <= 4e9 or end_s - start_s > LONGEST_S:
        raise BadWords("A range must begin before it ends and be no longer than a year")
    return svg_chart.Span(start_s, end_s, zone(view["timezone"]))


def _ranges(request: web.Request) -> Html:
    """Links to other ranges, which work without script."""
    kept = [("series", words) for words in request.query.getall("series", [])[:MOST_SERIES]]
    chosen = "" if "start" in request.query else request.query.get("range", "1d")
    links = join(
        fill('<a href="?{query}"{current}>{words}</a>', query=urlencode([*kept, ("range", key)]), words=words,
             current=Html(' aria-current="true"') if key == chosen else NOTHING)
        for key, (words, _) in RANGES.items()
    )  # fmt: skip
    return fill('<nav class="ranges" aria-label="Range">{links}</nav>', links=links)


def _figure(
    group: Sequence[tuple[str, str]], curves: Sequence[svg_chart.Curve], reach: svg_chart.Span,
    marks: Sequence[svg_chart.Mark], bands: Sequence[svg_chart.Band],
) -> Html:  # fmt: skip
    unit = _unit(group[0][1])
    told = {
        "series": group, "start": reach.start_s, "end": reach.end_s, "unit": unit,
        "zone": str(reach.where), "locale": current().locale,
        "clock": 12 if current().twelve else 24, "us": current().us_units,
        "marks": [(mark.at_s, mark.kind) for mark in marks],
        "bands": [(band.start_s, band.end_s, band.state) for band in bands],
    }  # fmt: skip
    title = ", ".join(dict.fromkeys(QUANTITIES[q].about for _, q in group))
    first, last = (svg_chart.time_words(at_s, reach.where) for at_s in (reach.start_s, reach.end_s))
    states = fill('<p class="span-words">Below the line: {words}</p>', words=chart_parts.shares(bands)) if bands else ""
    return fill(
        '<figure class="chart{bare}" tabindex="0" aria-label="{title}" data-chart="{told}"><figcaption>{title}, '
        '{unit} <span class="span-words">{first} to {last}</span></figcaption><div class="plot">{drawing}</div>{keys}'
        "{states}</figure>",
        bare=NOTHING if any(curve.known() for curve in curves) else " bare",
        title=clip(title[:1].upper() + title[1:]), told=json.dumps(told),
        unit={"share": "%", "s": "min"}.get(unit, unit), first=first, last=last,
        drawing=svg_chart.chart(curves, unit, reach, marks=marks, bands=bands),
        keys=svg_chart.keys(curves, unit), states=states or NOTHING,
    )  # fmt: skip
