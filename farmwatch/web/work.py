"""Ways in that take and give tables: the page /work and its CSV, spools as CSV."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from aiohttp import BodyPartReader, web

from farmwatch.ports import Ask, Clock
from farmwatch.shop import spool_csv, wanted_csv
from farmwatch.web import shop_panels, tokens, work_page
from farmwatch.web.markup import Html
from farmwatch.web.queries import BODY_S, fields
from farmwatch.web.said import BadWords
from farmwatch.words.model import COMMANDS, SEVERAL, Said
from farmwatch.words.view import View

MOST_FILE = 48 * 1024


class WorkPages:
    """The work list, and files of it and of spools.

    Args:
        view: the state of everything now.
        ask: carries out what a person says; raises Refused.
        clock: the house's clock.
        assets: addresses of the static files.
        who: name of whoever speaks, from the request.
        footer: the page's footer for a request.
        changed: told that something is new.
    """

    def __init__(
        self,
        view: Callable[[], View],
        ask: Ask,
        clock: Clock,
        assets: Mapping[str, str],
        who: Callable[[web.Request], str],
        footer: Callable[[web.Request], Html],
        changed: Callable[[], None],
    ) -> None:
        self._view, self._ask, self._clock, self._assets = view, ask, clock, assets
        self._who, self._footer, self._changed = who, footer, changed

    def routes(self) -> list[web.RouteDef]:
        """The ways in."""
        return [
            web.get("/work", self._get), web.post("/work", self._post), web.get("/work.csv", self._get_csv),
            web.get("/spools.csv", self._get_spools), web.post("/spools", self._post_spools),
        ]  # fmt: skip

    async def _get(self, request: web.Request) -> web.StreamResponse:
        return self._html(work_page.page(self._view(), self._assets, self._footer(request), notice_of(request)))

    async def _get_csv(self, _request: web.Request) -> web.StreamResponse:
        return _file(work_csv(self._view()), "wanted.csv")

    async def _get_spools(self, _request: web.Request) -> web.StreamResponse:
        return _file(spools_csv(self._view()), "spools.csv")

    async def _post(self, request: web.Request) -> web.StreamResponse:
        """A file of wanted pieces: all of it or nothing."""
        view = self._view()
        rows, wrong = wanted_csv.read(await uploaded(request), view["timezone"])
        if wrong:
            return self._html(work_page.page(view, self._assets, self._footer(request), wrong=wrong), 400)
        await self._take(wanted_said(rows), self._who(request) or "page")
        raise web.HTTPSeeOther(f"/work?taken={len(rows)}")

    async def _post_spools(self, request: web.Request) -> web.StreamResponse:
        """A file of spools: all of it or nothing."""
        view = self._view()
        found, wrong = read_spools(view, await uploaded(request))
        if wrong:
            html = shop_panels.page(view, self._assets, self._footer(request), "", wrong)
            return self._html(html, 400)
        await self._take(spools_said(found), self._who(request) or "page")
        raise web.HTTPSeeOther(f"/shop?taken={len(found)}")

    async def post_import(self, request: web.Request) -> web.StreamResponse:
        """A file as a program sends it: {"what": "wanted" or "spools", "csv": its text}. All of it or nothing."""
        given, view = await fields(request), self._view()
        if unknown := sorted(set(given) - {"what", "csv", "by"}):
            raise BadWords(f"Unknown field {unknown[0][:40]!r}", hint="known: what, csv, by")
        what, text, by = given.get("what"), given.get("csv"), given.get("by", "")
        read = MEANT.get(what) if isinstance(what, str) else None
        if read is None or not isinstance(text, str) or not isinstance(by, str) or len(by) > 40:
            raise BadWords("A file has two fields, what and csv", hint=f"what: {' or '.join(MEANT)}; csv: its text")
        data = text.encode("utf-8", "replace")
        if len(data) > MOST_FILE:
            raise BadWords("The file is too large", hint="48 kB are the most: send it in pieces")
        rows, count, wrong = read(view, data)
        if wrong:
            raise BadWords(f"Nothing was taken: {wrong[0][:200]}", hint="; ".join(wrong[1:6])[:500])
        token = request.get(tokens.KEY, tokens.OWN)  # on record under its own name, whatever it says
        await self._take(rows, token.name or by.strip() or self._who(request) or "api")
        return web.json_response({"taken": count})

    async def _take(self, rows: Sequence[Mapping[str, Any]], by: str) -> None:
        """Rows of a file in one go, written down together or refused together."""
        if rows:
            await self._ask(Said(self._clock.now_s(), SEVERAL, None, by, {"rows": rows}))
            self._changed()

    def _html(self, html: str, status: int = 200) -> web.Response:
        response = web.Response(text=html, status=status, content_type="text/html")
        response.enable_compression()
        return response


def work_csv(view: View) -> str:
    """What is wanted, as a file."""
    wanted = view["work"]["wanted"] if "work" in view else []
    return wanted_csv.write(wanted, wanted_csv.dues(wanted, view["timezone"]))


def spools_csv(view: View) -> str:
    """The spools, as a file."""
    return spool_csv.write(view["shop"]["spools"] if "shop" in view else [])


def read_spools(view: View, data: bytes) -> tuple[Sequence[spool_csv.Words], Sequence[str]]:
    """What a file says of spools, held against those that there are."""
    shop = view.get("shop")
    spools = {spool["name"]: spool["machine"] for spool in shop["spools"]} if shop is not None else {}
    materials = [row["name"] for row in shop["materials"] if row["known"]] if shop is not None else []
    return spool_csv.read(data, spools, [machine["name"] for machine in view["machines"]], materials)


def wanted_said(rows: Sequence[wanted_csv.Row]) -> list[dict[str, Any]]:
    """What rows of a file of wanted pieces say."""
    return [
        {"line": row.line, "command": "wanted", "machine": None,
         "fields": {"job": row.job, "pieces": row.pieces} | ({"due": row.due} if row.due else {})}
        for row in rows
    ]  # fmt: skip


def spools_said(rows: Sequence[spool_csv.Words]) -> list[dict[str, Any]]:
    """What rows of a file of spools say."""
    return [
        {"line": row.line, "command": command, "machine": machine, "fields": fields}
        for row in rows
        for command, machine, fields in row.said
    ]


def _wanted_of(view: View, data: bytes) -> tuple[list[dict[str, Any]], int, Sequence[str]]:
    rows, wrong = wanted_csv.read(data, view["timezone"])
    return wanted_said(rows), len(rows), wrong


def _spools_of(view: View, data: bytes) -> tuple[list[dict[str, Any]], int, Sequence[str]]:
    rows, wrong = read_spools(view, data)
    return spools_said(rows), len(rows), wrong


MEANT: Mapping[str, Callable[[View, bytes], tuple[list[dict[str, Any]], int, Sequence[str]]]] = {
    "wanted": _wanted_of, "spools": _spools_of,
}  # fmt: skip
"""What a file can be of, and how it is read."""


async def uploaded(request: web.Request) -> bytes:
    """The file of a form; BadWords where there is none, or it is too large."""
    if request.content_type != "multipart/form-data":
        raise web.HTTPUnsupportedMediaType
    async with asyncio.timeout(BODY_S):
        try:
            reader = await request.multipart()
            while (part := await reader.next()) is not None:
                if isinstance(part, BodyPartReader) and part.name == "file":
                    data = bytearray()
                    while chunk := await part.read_chunk():
                        data += chunk
                        if len(data) > MOST_FILE:
                            raise BadWords("The file is too large", hint="48 kB are the most: send it in pieces")
                    if data.strip():
                        return bytes(data)
                    break
        except (ValueError, AssertionError) as error:
            raise BadWords("The form cannot be read") from error
    raise BadWords("Which file?", hint="choose one, in CSV")


def notice_of(request: web.Request) -> str:
    """What was just done, after a form came back; only our own words are shown."""
    taken = request.query.get("taken", "")
    if taken.isdecimal() and len(taken) < 6:
        return f"Noted: {taken} taken from the file."
    words = COMMANDS.get(request.query.get("said", ""))
    return f"Noted: {words.partition(' (')[0]}." if words else ""


def _file(text: str, name: str) -> web.Response:
    return web.Response(
        text=text, content_type="text/csv", charset="utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"},
    )  # fmt: skip
