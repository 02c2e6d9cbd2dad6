"""Actions at machines by page and API: two steps, a password of their own, TLS or this computer alone.

What may be done and what is refused is not decided here: `Acts` is the door to that.
"""

import asyncio
import logging
import math
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from aiohttp import web

from farmwatch.ports import Clock
from farmwatch.web import guard, pages, sessions, tokens
from farmwatch.web.queries import fields, json_answer
from farmwatch.web.said import BadWords
from farmwatch.words.errors import PeerUnavailable, Refused

LOG = logging.getLogger(__name__)
WORDS: dict[str, int] = {"machine": 80, "action": 40, "token": 80, "by": 40}
"""Fields of a request and their longest text."""
ACT_PATHS = ("/act", "/act/sign-in", "/api/v1/act")


class Asked(Protocol):
    """An action that waits to be confirmed."""

    @property
    def token(self) -> str:
        """Confirms it, once."""
        ...

    @property
    def text(self) -> str:
        """What is to be confirmed."""
        ...

    @property
    def expires_s(self) -> float:
        """Until when."""
        ...


class Done(Protocol):
    """An action that was sent."""

    id: str
    machine: str
    shown: bool | None
    text: str


class Acts(Protocol):
    """What the page needs of the actuator."""

    def propose(self, action: str, machine: str, by: str) -> Asked:
        """Ask; Refused with the reason."""
        ...

    async def confirm(self, token: str, by: str) -> Done:
        """Do it; Refused, StoreError, PeerUnavailable."""
        ...

    def receipt(self, key: str) -> Done | None:
        """What became of it."""
        ...

    async def close(self) -> None:
        """Stop following things up."""
        ...


@dataclass(frozen=True)
class Door:
    """How the page decides who may act.

    Attributes:
        acts: None where nothing is turned on.
        sessions: None where there is no password for actions: then only the command line's token may.
        base_url: address as phones reach the page.
        clock: the house's.
        denied: told of an attempt by somebody who may not, with the words for it.
    """

    acts: Acts | None
    sessions: sessions.Sessions | None
    base_url: str
    clock: Clock
    denied: Callable[[str], Awaitable[None]]


class Acting:
    """The handlers.

    Args:
        door: who may.
        assets: addresses of static files.
        who: the person that the browser says it is.
    """

    def __init__(self, door: Door, assets: Mapping[str, str], who: Callable[[web.Request], str]) -> None:
        self._door, self._assets, self._who = door, assets, who
        self._guesses = sessions.Limiter()

    def routes(self) -> list[web.AbstractRouteDef]:
        """Where the page has them; the API's rows stand in its table."""
        return [
            web.post("/act", self.post_act),
            web.post("/act/sign-in", self._post_sign_in),
        ]

    async def close(self) -> None:
        """Stop."""
        if self._door.acts is not None:
            await self._door.acts.close()

    def _cookie(self, request: web.Request) -> str:
        encrypted = guard.encrypted(request, self._door.base_url)
        return guard.cookie_name(sessions.ACT_COOKIE, encrypted=encrypted)

    def _acts(self) -> Acts:
        if self._door.acts is None:
            raise web.HTTPNotFound(reason="No action is turned on here")
        return self._door.acts

    async def _check(self, request: web.Request) -> web.Response | None:
        """The answer to somebody who may not act; None if they may."""
        self._acts()
        if not guard.private(request, self._door.base_url):
            await self._deny(request, "not over TLS")
            detail = "Actions are taken only over TLS, or at this computer itself."
            return self._refusal(request, 403, "Not private", detail, "see the README, Doing it")
        api = request.path.startswith("/api/")
        if api and request.get(tokens.KEY) is tokens.OWN:
            return None  # the gate has checked it; a program's token says things, and acts at no machine
        cookie, now_s = request.cookies.get(self._cookie(request)), self._door.clock.now_s()
        if self._door.sessions is not None and self._door.sessions.valid(cookie, now_s):
            return None
        if not guard.wants_json(request) and self._door.sessions is not None:
            asked = await _asked(request)
            html = pages.act_sign_in(self._assets, asked.get("machine", ""), asked.get("action", ""))
            return web.Response(text=html, status=401, content_type="text/html")
        await self._deny(request, "without the password for actions")
        return self._refusal(request, 401, "Not allowed to act", "This needs the password for actions.")

    def _refusal(self, request: web.Request, status: int, title: str, detail: str, hint: str = "") -> web.Response:
        if guard.wants_json(request):
            return guard.problem(status, title, detail, hint)
        html = pages.outcome(title, detail, self._assets, tone="unknown", hint=hint)
        return web.Response(text=html, status=status, content_type="text/html")

    async def turned_away(self, request: web.Request, status: int) -> None:
        """The server's gate has refused a request: if it was one to act, it counts as an attempt."""
        if self._door.acts is not None and request.method == "POST" and request.path in ACT_PATHS:
            await self._deny(request, f"and turned away with {status}")

    async def _deny(self, request: web.Request, why: str) -> None:
        LOG.warning("an action was asked for %s, from %s", why, request.remote)
        await self._door.denied(f"from {request.remote}, {why}")

    # ---- asking and confirming ---------------------------------------------------------------------------------

    async def post_act(self, request: web.Request) -> web.StreamResponse:
        """Ask, or confirm."""
        if (refused := await self._check(request)) is not None:
            return refused
        asked, acts = await _asked(request), self._acts()
        api = request.path.startswith("/api/")
        by = (asked.get("by") if api else None) or self._who(request) or ("api" if api else "page")
        if "token" in asked:
            return await self._confirm(request, acts, asked["token"], by)
        if not asked.get("machine") or not asked.get("action"):
            raise BadWords("Which action, and where?", hint="give machine and action, or the token of a proposal")
        proposal = acts.propose(asked["action"], asked["machine"], by)
        if guard.wants_json(request):
            return json_answer({"token": proposal.token, "text": proposal.text, "expires": proposal.expires_s})
        return web.Response(
            text=pages.confirm_act(proposal.text, proposal.token, self._assets), content_type="text/html"
        )

    async def _confirm(self, request: web.Request, acts: Acts, token: str, by: str) -> web.StreamResponse:
        # Shielded: a browser that goes away in the middle must not leave it half written down.
        task = asyncio.ensure_future(acts.confirm(token, by))
        try:
            done = await asyncio.shield(task)
        except PeerUnavailable as error:
            return self._refusal(request, 502, "Not sent", error.args[0], error.hint or "go and look")
        if guard.wants_json(request):
            return json_answer(_doc(done))
        return web.Response(
            text=pages.outcome("Sent", f"{done.text}. Whether it does so shows on the page.", self._assets),
            content_type="text/html",
        )

    async def get_act(self, request: web.Request) -> web.StreamResponse:
        """What became of it."""
        done = self._acts().receipt(request.match_info["id"])
        if done is None:
            raise web.HTTPNotFound
        return json_answer(_doc(done))

    # ---- the right to -------------------------------------------------------------------------------------------

    async def _post_sign_in(self, request: web.Request) -> web.StreamResponse:
        door = self._door
        self._acts()
        if door.sessions is None or not guard.private(request, door.base_url):
            raise Refused("actions are taken only over TLS, or at this computer itself")
        address, now_s = request.remote or "", door.clock.now_s()
        asked = await _asked(request, also=("password", "username"))
        wait_s = self._guesses.wait_s(address, now_s)
        if wait_s > 0:
            return self._again(asked, f"Too many wrong passwords. Try again in {math.ceil(wait_s)} s.", 429)
        self._guesses.count(address, now_s)
        if not await asyncio.to_thread(door.sessions.right, asked.get("password", "")):
            await self._deny(request, "with a wrong password")
            return self._again(asked, "This is not the password for actions.", 403)
        self._guesses.forgive(address)
        cookie = door.sessions.open(now_s)
        response = self._after_sign_in(request, asked)
        response.set_cookie(
            self._cookie(request), cookie, max_age=int(door.sessions.lasts_s), httponly=True, samesite="Strict",
            secure=guard.encrypted(request, door.base_url),
        )  # fmt: skip
        return response

    def _after_sign_in(self, request: web.Request, asked: Mapping[str, str]) -> web.Response:
        """Straight on to the question that was asked, if there was one."""
        if not asked.get("machine") or not asked.get("action"):
            return web.Response(
                text=pages.outcome("You may act", "For a quarter of an hour.", self._assets), content_type="text/html"
            )
        try:
            proposal = self._acts().propose(asked["action"], asked["machine"], self._who(request) or "page")
        except Refused as error:
            return self._refusal(request, 409, "Not done", error.args[0], error.hint)
        return web.Response(
            text=pages.confirm_act(proposal.text, proposal.token, self._assets), content_type="text/html"
        )

    def _again(self, asked: Mapping[str, str], wrong: str, status: int) -> web.Response:
        html = pages.act_sign_in(self._assets, asked.get("machine", ""), asked.get("action", ""), wrong=wrong)
        return web.Response(text=html, status=status, content_type="text/html")


def _doc(done: Done) -> dict[str, Any]:
    return {"id": done.id, "machine": done.machine, "sent": True, "shown": done.shown, "text": done.text}


async def _asked(request: web.Request, also: tuple[str, ...] = ()) -> dict[str, str]:
    """The fields, all of them text; BadWords otherwise."""
    found = await fields(request)
    unknown = sorted(set(found) - set(WORDS) - set(also))
    if unknown:
        raise BadWords(f"Unknown field {unknown[0][:40]!r}", hint=f"known: {', '.join(WORDS)}")
    for key, value in found.items():
        if not isinstance(value, str) or len(value) > WORDS.get(key, 1_024):
            raise BadWords(f"Field {key!r} must be text of at most {WORDS.get(key, 1_024)} characters")
    return {key: "".join(c if c.isprintable() else " " for c in value).strip() for key, value in found.items() if value}
