"""Who is there: signing in and out, and the name somebody has given."""

import asyncio
import logging
import math
from collections.abc import Mapping

from aiohttp import web

from farmwatch.ports import Clock
from farmwatch.web import guard, pages, roles, sessions
from farmwatch.web.config import WebConfig
from farmwatch.web.queries import fields, page

LOG = logging.getLogger(__name__)
WHO_COOKIE = "farmwatch_who"
WHO_S = 365 * 86_400


class Entry:
    """The ways in and out.

    Args:
        config: passwords, people and address.
        assets: addresses of the static files.
        clock: the house's clock.
    """

    def __init__(self, config: WebConfig, assets: Mapping[str, str], clock: Clock) -> None:
        self._people, self._base_url, self._assets, self._clock = config.people, config.base_url, assets, clock
        self._roles = roles.Roles(config.password, config.look_password, config.link_key)
        self._guesses = sessions.Limiter()

    @property
    def needed(self) -> bool:
        """Whether anybody has to sign in."""
        return self._roles.needed

    def routes(self) -> list[web.RouteDef]:
        """The ways in."""
        return [
            web.get("/sign-in", self._get_sign_in),
            web.post("/sign-in", self._post_sign_in),
            web.post("/sign-out", self._post_sign_out),
            web.post("/who", self._post_who),
        ]

    def role(self, request: web.Request) -> str | None:
        """What the request may, None where it must sign in first."""
        return self._roles.role(request.cookies.get(self._named(request, sessions.COOKIE)), self._clock.now_s())

    async def _post_who(self, request: web.Request) -> web.StreamResponse:
        who = str((await fields(request)).get("by", ""))
        response = web.HTTPSeeOther("/")
        if who in self._people:
            self._cookie(request, response, WHO_COOKIE, who, WHO_S)
        else:
            self._forget(request, response, WHO_COOKIE)
        raise response

    def _cookie(
        self, request: web.Request, response: web.StreamResponse, name: str, value: str, lasts_s: float
    ) -> None:
        response.set_cookie(
            self._named(request, name), value, max_age=int(lasts_s), httponly=True, samesite="Strict",
            secure=self.encrypted(request),
        )  # fmt: skip

    def _forget(self, request: web.Request, response: web.StreamResponse, name: str) -> None:
        response.del_cookie(self._named(request, name), secure=self.encrypted(request), httponly=True)

    def _named(self, request: web.Request, name: str) -> str:
        return guard.cookie_name(name, encrypted=self.encrypted(request))

    async def _get_sign_in(self, request: web.Request) -> web.StreamResponse:
        if self.role(request) is not None:
            raise web.HTTPSeeOther("/")
        return page(pages.sign_in(self._assets))

    async def _post_sign_in(self, request: web.Request) -> web.StreamResponse:
        if not self._roles.needed:
            raise web.HTTPSeeOther("/")
        address, now_s = request.remote or "", self._clock.now_s()
        wait_s = self._guesses.wait_s(address, now_s)
        if wait_s > 0:
            wrong = f"Too many wrong passwords. Try again in {math.ceil(wait_s)} s."
            return page(pages.sign_in(self._assets, wrong=wrong), 429, {"Retry-After": str(math.ceil(wait_s))})
        self._guesses.count(address, now_s)  # before the slow check, so that many at once cannot slip through
        attempt = str((await fields(request)).get("password", ""))
        role = await asyncio.to_thread(self._roles.right, attempt)
        if role is None:
            LOG.warning("wrong password at the page from %s", address)
            return page(pages.sign_in(self._assets, wrong="This is not the password."), 403)
        self._guesses.forgive(address)
        response = web.HTTPSeeOther("/")
        self._cookie(request, response, sessions.COOKIE, self._roles.open(role, now_s), sessions.LASTS_S)
        raise response

    async def _post_sign_out(self, request: web.Request) -> web.StreamResponse:
        self._roles.close(request.cookies.get(self._named(request, sessions.COOKIE)), self._clock.now_s())
        response = web.HTTPSeeOther("/sign-in")
        self._forget(request, response, sessions.COOKIE)
        raise response

    def encrypted(self, request: web.Request) -> bool:
        """Whether the browser came by the configured https address (a proxy ends its encryption before us)."""
        return guard.encrypted(request, self._base_url)

    def who(self, request: web.Request) -> str:
        """Name of whoever speaks; "" where nobody has said."""
        who = request.cookies.get(self._named(request, WHO_COOKIE), "")
        return who if who in self._people else ""
