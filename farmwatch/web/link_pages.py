"""The pages behind the links in messages: what a link does, the button that does it, and that it was done already."""

import asyncio
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from aiohttp import web

from farmwatch.alarms.wording import moment
from farmwatch.ports import Ask, Clock
from farmwatch.web import links, pages, sessions
from farmwatch.web.api import History
from farmwatch.web.config import WebConfig
from farmwatch.web.queries import page
from farmwatch.words.model import Said
from farmwatch.words.view import View

MOST_HISTORY = 1_000
LINK_SHELVES_MIN = 120.0
NO_REFERRER = {"Referrer-Policy": "no-referrer"}
Used = Callable[[str], Mapping[str, Any] | None]


class Changed(Protocol):
    """Told that something is new."""

    def __call__(self, *, soon: bool = False) -> None:
        """Never blocks."""
        ...


class LinkPages:
    """The ways in.

    Args:
        config: the keys.
        view: the state of everything now.
        ask: carries out what a person says; raises Refused.
        history: notes, newest first.
        used: what is on record of a link's nonce, None if it has not been used.
        clock: the house's clock.
        assets: addresses of the static files.
        changed: told that something is new.
    """

    def __init__(
        self, config: WebConfig, view: Callable[[], View], ask: Ask, history: History, used: Used, clock: Clock,
        assets: Mapping[str, str], changed: Changed,
    ) -> None:  # fmt: skip
        self._view, self._ask, self._history, self._used = view, ask, history, used
        self._clock, self._assets, self._changed = clock, assets, changed
        self._keys = (config.link_key, *config.old_link_keys)
        self._one_link = asyncio.Lock()
        self.uses = sessions.Limiter(each=10, in_all=100)

    def routes(self) -> list[web.RouteDef]:
        """The ways in."""
        return [web.get("/a/{token}", self.get_link), web.post("/a/{token}", self.post_link)]

    async def get_link(self, request: web.Request) -> web.StreamResponse:
        """What the link does, and a button; looking does nothing, as previews look too."""
        grant = links.read(request.match_info["token"], self._clock.now_s(), keys=self._keys)
        done = await self._done(grant)
        html = pages.offer(grant, self._assets) if done is None else self._done_page(grant, done)
        return page(html, headers=NO_REFERRER)

    async def post_link(self, request: web.Request) -> web.StreamResponse:
        """The button was pressed."""
        address, now_s = request.remote or "", self._clock.now_s()
        if self.uses.wait_s(address, now_s) > 0:
            raise web.HTTPTooManyRequests
        self.uses.count(address, now_s)
        grant = links.read(request.match_info["token"], now_s, keys=self._keys)
        async with self._one_link:  # between looking and doing nobody else's link does the same
            done = await self._done(grant)
            if done is not None:
                return page(self._done_page(grant, done), 409, NO_REFERRER)
            alarm = grant.command in links.ALARM_COMMANDS
            fields: dict[str, Any] = {"alarm": grant.subject} if alarm else {}
            if grant.command == "shelved":
                fields |= {"minutes": LINK_SHELVES_MIN, "reason": "by a link in a message"}
            spoken = Said(now_s, grant.command, None if alarm else grant.subject, grant.person or "link", fields)
            await self._ask(spoken, (links.spent(grant, now_s),))
        self._changed(soon=True)
        return page(pages.outcome("Done", pages.grant_words(grant), self._assets), headers=NO_REFERRER)

    async def _done(self, grant: links.Grant) -> links.Done | None:
        """Whether the link has been used, or the same been said in another way since it was sent."""
        used = self._used(grant.nonce)
        if used is not None:
            return links.Done(str(used.get("by") or "somebody"), float(used["at_s"]))
        return links.done_since(grant, await self._history("said", grant.issued_s, MOST_HISTORY))

    def _done_page(self, grant: links.Grant, done: links.Done) -> str:
        when = moment(done.at_s, self._clock.now_s(), self._view()["timezone"])
        words = pages.done_words(grant, done.by, when)
        return pages.outcome("Already done", words, self._assets, hint="The page shows how things stand.")
