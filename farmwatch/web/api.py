"""The API's handlers: what the page shows and does, for programs. Its routes are the rows of `api_table.ROUTES`."""

import asyncio
import csv
import hashlib
import io
import json
import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from aiohttp import web

import farmwatch
from farmwatch.ports import Clock
from farmwatch.web.api_query import Query, checked
from farmwatch.web.api_table import ROUTES
from farmwatch.web.openapi import Route, describe
from farmwatch.web.panels import masked
from farmwatch.web.queries import json_text
from farmwatch.web.said import BadWords
from farmwatch.web.work import spools_csv, work_csv
from farmwatch.words.quantities import QUANTITIES
from farmwatch.words.series import LEVELS, Columns, Holding, Rollups
from farmwatch.words.view import View

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
DAY_S = 86_400.0
READS_AT_ONCE = 4
MOST_BUCKETS = 50_000


class History(Protocol):
    """Reads notes, newest first."""

    async def __call__(
        self, kind: str | None, since_s: float, limit: int, /, *, until_s: float = math.inf, about: str | None = None
    ) -> list[dict[str, Any]]:
        """Each with `at_s` and `kind`."""
        ...


class SeriesReader(Protocol):
    """What the page needs of `ports.SeriesStore`."""

    async def read(self, subject: str, quantity: str, start_s: float, end_s: float, points: int = 0) -> Columns:
        """Readings in time order."""
        ...

    async def rollups(self, subject: str, quantity: str, level: str, start_s: float, end_s: float) -> Rollups:
        """Buckets in time order."""
        ...

    async def held(self) -> list[Holding]:
        """Every series."""
        ...


@dataclass(frozen=True)
class Sources:
    """Where the API's answers come from.

    Attributes:
        view: the state of everything now.
        settled: returns when what the view shows is durable.
        history: notes.
        series: readings.
        clock: the house's.
        report: what the machines gave, by the words of a query; None where no journal is kept.
    """

    view: Callable[[], View]
    settled: Callable[[], Awaitable[None]]
    history: History
    series: SeriesReader
    clock: Clock
    report: Callable[[Mapping[str, str]], Awaitable[Mapping[str, Any]]] | None = None


def shown(view: View) -> dict[str, Any]:
    """The view as strangers to the configuration may see it: no secret of an address in it."""
    return {**view, "sources": [source | {"address": masked(source["address"])} for source in view["sources"]]}


class Api:
    """The handlers.

    Args:
        sources: where answers come from.
        elsewhere: handlers of rows that the page has too, by the row's name: say, act, receipt.
    """

    def __init__(self, sources: Sources, elsewhere: Mapping[str, Handler]) -> None:
        self._from = sources
        self._elsewhere = elsewhere
        self._reading = asyncio.Semaphore(READS_AT_ONCE)
        self._described = ""

    def routes(self) -> list[web.AbstractRouteDef]:
        """A route a row; any other method of these paths is answered 405."""
        rows = [web.route(row.method, row.path, self._handler(row)) for row in ROUTES]
        methods: dict[str, list[str]] = {}
        for row in ROUTES:
            methods.setdefault(row.path, []).append(row.method)
        return [*rows, *(web.route("*", path, _wrong_method(allowed)) for path, allowed in methods.items())]

    def _handler(self, row: Route) -> Handler:
        if row.name in self._elsewhere:
            return self._elsewhere[row.name]
        answer: Callable[[Query], Awaitable[Any]] = getattr(self, row.name)

        async def handle(request: web.Request) -> web.StreamResponse:
            body = await answer(checked(request, row))
            text = body if isinstance(body, str) else json_text(body)
            return _tagged(request, text, row.media)

        return handle

    # ---- now -------------------------------------------------------------------------------------------------

    async def _view(self) -> View:
        await self._from.settled()
        return self._from.view()

    async def view(self, _query: Query) -> Any:  # noqa: ANN401  (as the table says)
        """Everything."""
        return shown(await self._view())

    async def machine(self, query: Query) -> Any:  # noqa: ANN401
        """A machine."""
        return _one((await self._view())["machines"], query.path["name"])

    async def backup(self, query: Query) -> Any:  # noqa: ANN401
        """A backup."""
        return _one((await self._view())["backups"], query.path["name"])

    async def circuit(self, query: Query) -> Any:  # noqa: ANN401
        """A circuit."""
        view = await self._view()
        place = _one(view["circuits"], query.path["name"])
        hangs = {
            group: [row["name"] for row in view[group] if row["circuit"] == place["name"]]
            for group in ("machines", "backups")
        }
        return {"place": place, **hangs}

    async def alarms(self, _query: Query) -> Any:  # noqa: ANN401
        """Alarms."""
        return {"items": (await self._view())["alarms"]}

    async def outages(self, _query: Query) -> Any:  # noqa: ANN401
        """Outages."""
        found = (await self._view()).get("outages")
        if found is None:
            raise web.HTTPNotFound(reason="Nothing is known of outages here")
        return found

    async def energy(self, _query: Query) -> Any:  # noqa: ANN401
        """Energy."""
        view = await self._view()
        parts = {key: view.get(key) for key in ("today", "month", "accounts")}
        return {"energy_today_wh": view["energy_today_wh"], **parts}

    # ---- the shop around the machines ------------------------------------------------------------------------

    async def rounds(self, _query: Query) -> Any:  # noqa: ANN401
        """The next rounds, and the sheet."""
        return self._there((await self._view()).get("trips"), "When to go is not known yet")

    async def work(self, _query: Query) -> Any:  # noqa: ANN401
        """The work list, and the proposal."""
        return self._there((await self._view()).get("work"), "There is no work list here")

    async def shop(self, _query: Query) -> Any:  # noqa: ANN401
        """Stock, air, wear."""
        return self._there((await self._view()).get("shop"), "There is no shop here")

    async def wanted_table(self, _query: Query) -> str:
        """What is wanted, as CSV."""
        return work_csv(await self._view())

    async def spool_table(self, _query: Query) -> str:
        """Spools, as CSV."""
        return spools_csv(await self._view())

    async def report(self, query: Query) -> Any:  # noqa: ANN401
        """What the machines gave."""
        if self._from.report is None:
            raise web.HTTPNotFound(reason="No journal is kept here")
        names = ("from", "to", "days", "by")
        return await self._from.report({name: words for name in names if (words := query.text(name)) is not None})

    @staticmethod
    def _there(found: Any, otherwise: str) -> Any:  # noqa: ANN401
        if found is None:
            raise web.HTTPNotFound(reason=otherwise)
        return found

    # ---- what happened ---------------------------------------------------------------------------------------

    async def history(self, query: Query) -> Any:  # noqa: ANN401
        """Notes, a page."""
        items, after = await self._notes(query, query.text("kind"), query.text("about"))
        return {"items": items, "next": after}

    async def builds(self, query: Query) -> Any:  # noqa: ANN401
        """Builds, a page."""
        notes, after = await self._notes(query, "build", query.text("machine"))
        return {"items": builds_of(notes, first_page=query.text("cursor") is None), "next": after}

    async def _notes(
        self, query: Query, kind: str | None, about: str | None
    ) -> tuple[list[dict[str, Any]], str | None]:
        since_s, limit = query.moment_s("since", 0.0), query.number("limit")
        until_s, skip = query.cursor()
        rows = await self._from.history(kind, since_s, limit + skip + 1, until_s=until_s, about=about)
        rows = rows[skip:]
        if len(rows) <= limit:
            return rows, None
        last_s = rows[limit]["at_s"]
        again = sum(row["at_s"] == last_s for row in rows[:limit]) + (skip if last_s == until_s else 0)
        return rows[:limit], f"{last_s!r}-{again}"

    # ---- over time -------------------------------------------------------------------------------------------

    async def series(self, query: Query) -> Any:  # noqa: ANN401
        """A series."""
        start_s, end_s = self._range(query)
        subject, quantity = query.text("subject") or "", query.text("quantity") or ""
        found, why = await self.read(subject, quantity, start_s, end_s, query.number("points"))
        return {
            "subject": subject, "quantity": quantity, "unit": QUANTITIES[quantity].unit, "start": start_s,
            "end": end_s, "rows": list(found.rows()), "step_s": found.step_s, "why": why,
        }  # fmt: skip

    async def read(
        self, subject: str, quantity: str, start_s: float, end_s: float, points: int
    ) -> tuple[Columns, str]:
        """A series, and why there is nothing to be seen of it."""
        async with self._reading:
            found = await self._from.series.read(subject, quantity, start_s, end_s, points)
            if any(not math.isnan(value) for value in found.values):
                return found, ""
            held = [row for row in await self._from.series.held() if row[:2] == (subject, quantity)]
        if len(found):
            return found, "It was unknown all that time."
        if not held:
            return found, "Nothing of the kind has ever been recorded."
        first, last = (_stamp(at_s) for at_s in (held[0].first_s, held[0].last_s))
        return found, f"Nothing was recorded then; there are records from {first} to {last}."

    async def rollups(self, query: Query) -> Any:  # noqa: ANN401
        """Buckets, a page."""
        start_s, end_s = self._range(query)
        level, limit = query.text("level") or "", query.number("limit")
        after_s, _ = query.cursor()
        begin_s = max(start_s, after_s) if after_s < math.inf else start_s
        if end_s - begin_s > MOST_BUCKETS * LEVELS[level]:
            raise BadWords("So long a range has too many buckets", hint="ask for a shorter one, or a coarser level")
        subject, quantity = query.text("subject") or "", query.text("quantity") or ""
        async with self._reading:
            found = await self._from.series.rollups(subject, quantity, level, begin_s, end_s)
        return {
            "subject": subject, "quantity": quantity, "unit": QUANTITIES[quantity].unit, "level": level,
            "items": buckets_of(found, limit), "next": f"{found.start_s[limit]!r}-0" if len(found) > limit else None,
        }  # fmt: skip

    async def held(self, _query: Query) -> Any:  # noqa: ANN401
        """Every series."""
        rows = await self._from.series.held()
        return {"items": [{**row._asdict(), "unit": QUANTITIES[row.quantity].unit} for row in rows]}

    async def table(self, query: Query) -> str:
        """What a chart shows, as CSV: a row a moment, a column a series; empty where nothing was read then."""
        start_s, end_s = self._range(query)
        names = query.many("series")
        columns = []
        for name in names:
            subject, _, quantity = name.rpartition("/")
            columns.append((await self.read(subject, quantity, start_s, end_s, query.number("points")))[0])
        return csv_of(names, columns)

    def _range(self, query: Query) -> tuple[float, float]:
        end_s = query.moment_s("end", self._from.clock.now_s())
        start_s = query.moment_s("start", max(0.0, end_s - DAY_S))
        if start_s > end_s:
            raise BadWords("start is after end")
        return start_s, end_s

    # ---- itself ----------------------------------------------------------------------------------------------

    async def description(self, _query: Query) -> str:
        """OpenAPI."""
        if not self._described:
            self._described = json.dumps(describe(ROUTES, farmwatch.__version__))
        return self._described


def _one(rows: Sequence[Any], wanted: str) -> Any:  # noqa: ANN401
    for row in rows:
        if row["name"] == wanted:
            return row
    raise web.HTTPNotFound(reason="There is nothing of that name")


def builds_of(notes: Sequence[Mapping[str, Any]], *, first_page: bool) -> list[dict[str, Any]]:
    """Builds of `build` notes, newest first; of several notes of one the newest; running ones on the first page."""
    found: dict[str, dict[str, Any]] = {}
    for note in notes:
        if note.get("id") in found or not isinstance(note.get("started"), int | float):
            continue
        if note.get("ended") is None and not first_page:
            continue
        row = {key: note.get(key) for key in ("id", "machine", "job", "material", "result", "because", "energy_wh")}
        row |= {"started_s": note["started"], "ended_s": note.get("ended"), "inferred": list(note.get("inferred", ()))}
        if note.get("estimates"):
            row["estimates"] = note["estimates"]
        found[str(note["id"])] = row
    return list(found.values())


def buckets_of(found: Rollups, most: int) -> list[dict[str, Any]]:
    """The first rollups as rows."""
    names = ("start_s", "low", "high", "mean", "last", "count", "energy_wh", "covered_s", "gaps")
    columns = [getattr(found, name)[:most] for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def csv_of(names: Sequence[str], columns: Sequence[Columns]) -> str:
    r"""CSV (RFC 4180) of several series; a cell that a spreadsheet would take for a formula begins with an apostrophe.

    >>> from array import array
    >>> csv_of(["=a/power_w"], [Columns(array("d", [0.5]), array("d", [7.0]))])
    "time,'=a/power_w\r\n1970-01-01T00:00:00.500Z,7\r\n"
    """
    rows: dict[float, list[str]] = {}
    for at, column in enumerate(columns):
        for at_s, value in column.rows():
            cells = rows.setdefault(at_s, [""] * len(columns))
            cells[at] = "" if math.isnan(value) else f"{value:.10g}"
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(["time", *map(_harmless, names)])
    writer.writerows([_stamp(at_s, "milliseconds"), *rows[at_s]] for at_s in sorted(rows))
    return text.getvalue()


def _harmless(words: str) -> str:
    # OWASP's page on CSV injection lists these first characters.
    return f"'{words}" if words[:1] in ("=", "+", "-", "@", "\t", "\r") else words


def _stamp(at_s: float, spec: str = "minutes") -> str:
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec=spec).replace("+00:00", "Z")


def _wrong_method(allowed: Sequence[str]) -> Handler:
    async def refuse(request: web.Request) -> web.StreamResponse:
        raise web.HTTPMethodNotAllowed(request.method, allowed)

    return refuse


def _tagged(request: web.Request, text: str, media: str) -> web.Response:
    """The answer with its ETag, or 304 (RFC 9110, section 13.1.2) where the asker has it already."""
    tag = f'W/"{hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()[:24]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Accept-Encoding"}
    if tag in request.headers.get("If-None-Match", ""):
        return web.Response(status=304, headers=headers)
    if media == "text/csv":
        headers["Content-Disposition"] = 'attachment; filename="farmwatch.csv"'
    response = web.Response(text=text, content_type=media, charset="utf-8", headers=headers)
    response.enable_compression()
    return response
