"""A page server with providers that remember what they were asked, on a free port of loopback."""

import asyncio
from array import array
from contextlib import asynccontextmanager

import web_sample

from farmwatch.web.config import WebConfig
from farmwatch.web.server import WebServer
from farmwatch.words.errors import Refused
from farmwatch.words.series import Columns, Rollups

KEY = bytes(range(32))


class HandClock:
    """Stands still until it is moved."""

    def __init__(self, at_s=web_sample.NOW_S):
        self.at_s = at_s

    def now_s(self):
        return self.at_s

    async def sleep_until(self, at_s):
        self.at_s = max(self.at_s, at_s)


class House:
    """What the daemon gives to the page."""

    def __init__(self):
        self.clock = HandClock()
        self.shown = web_sample.usual()
        self.heard, self.pushed, self.asked_history, self.asked_series = [], [], [], []
        self.spent = {}
        self.rows = [(web_sample.NOW_S - 60, 1.0), (web_sample.NOW_S, float("nan"))]
        self.said = []  # notes of what people have said, newest first
        self.breaks = None
        self.url = ""
        self.server = None

    def view(self):
        if self.breaks is not None:
            raise self.breaks
        return self.shown

    async def ask(self, said, also=()):
        if self.breaks is not None:
            raise self.breaks
        if said.machine == "dodo":
            raise Refused("There is no machine 'dodo'", hint="avocet to lapwing")
        self.heard.append(said)
        self.spent |= {effect.key: effect.doc for effect in also}
        return []

    async def history(self, kind, since_s, limit, **more):
        self.asked_history.append((kind, since_s, limit))
        if kind == "said":
            return self.said
        return [{"at_s": web_sample.NOW_S, "kind": kind or "state"}]

    async def rollups(self, subject, quantity, level, start_s, end_s):
        return Rollups()

    async def held(self):
        return []

    async def read(self, subject, quantity, start_s, end_s, points):
        self.asked_series.append((subject, quantity, start_s, end_s, points))
        return Columns(array("d", [t for t, _ in self.rows]), array("d", [v for _, v in self.rows]))

    async def push(self, path, token, body):
        if path != "/push/plug7":
            return 404
        if token != "plug-secret":
            return 401
        self.pushed.append(body)
        return 204

    def used(self, nonce):
        return self.spent.get(nonce)


@asynccontextmanager
async def serving(house=None, *, stop_s=2.0, acts=None, denied=None, wiring=None, **changed):
    """The house with its page; `changed` are fields of the configuration, `wiring` further arguments."""
    house = house or House()
    fields = {
        "bind": "127.0.0.1", "port": 0, "base_url": "", "hosts": (), "password": None, "link_key": KEY,
        "api_token": "cli-token", "people": ("ann", "bram"),
    } | changed  # fmt: skip
    house.server = WebServer(
        WebConfig(**fields), view=house.view, ask=house.ask, history=house.history, series=house, push=house.push,
        used=house.used, clock=house.clock, acts=acts, **({"denied": denied} if denied is not None else {}),
        **(wiring or {}),
    )  # fmt: skip
    house.url = (await house.server.start()).rstrip("/")
    try:
        yield house
    finally:
        async with asyncio.timeout(stop_s):
            await house.server.stop()
