"""The round's own ways in: its sheet, and what is ticked off on it."""

import secrets
from collections.abc import Callable, Mapping

from aiohttp import web

from farmwatch.ports import Ask, Clock
from farmwatch.web import guard, round_page
from farmwatch.web.markup import Html
from farmwatch.web.queries import fields
from farmwatch.web.said import said
from farmwatch.words.model import COMMANDS
from farmwatch.words.view import View

KEY_BYTES = 9


class Rounds:
    """The sheet and its ticks.

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
        return [web.get("/round", self._get), web.post("/round", self._post)]

    async def _get(self, request: web.Request) -> web.StreamResponse:
        words = COMMANDS.get(request.query.get("said", ""), "")
        notice = f"Noted: {words.partition(' (')[0]}." if words else ""
        html = round_page.page(
            self._view(), self._assets, self._footer(request), lambda: secrets.token_urlsafe(KEY_BYTES), notice
        )
        return web.Response(text=html, content_type="text/html", headers={"Cache-Control": "no-store"})

    async def _post(self, request: web.Request) -> web.StreamResponse:
        """One tick. Said again with the same key it is answered the same, and nothing more happens."""
        spoken = said(await fields(request), self._clock.now_s(), by=self._who(request) or "page")
        await self._ask(spoken)
        self._changed()
        about = spoken.machine or "round"
        if guard.wants_json(request):
            words = COMMANDS[spoken.command].partition(" (")[0]
            return web.json_response({"command": spoken.command, "about": about, "text": f"{about}: {words}. Noted."})
        place = f"#m-{spoken.machine}" if spoken.machine else ""
        raise web.HTTPSeeOther(f"/round?said={spoken.command}{place}")
