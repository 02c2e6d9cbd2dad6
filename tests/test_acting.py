"""Actions by page and API: every way in, without and with each role, private and not; buttons only where turned on."""

import re

import aiohttp
import pytest
import web_sample
from web_house import House, serving

from farmwatch.actuate import Actuator
from farmwatch.machines.deeds import Action, Facts
from farmwatch.web.sessions import ACT_COOKIE, ACT_LASTS_S
from farmwatch.words.errors import PeerUnavailable, StoreError

SAME = {"Sec-Fetch-Site": "same-origin"}
JSON = {"Accept": "application/json"}
API = {"Authorization": "Bearer cli-token"}
ASK = {"machine": "avocet", "action": "hold"}
ACTIONS = {"hold": Action("hold", "pause", "mqtt", "works/{machine}/do", "hold")}


class ActingHouse(House):
    """A house where avocet may be paused."""

    def __init__(self):
        super().__init__()
        self.sent, self.noted, self.refused, self.fails = [], [], [], None
        self.state = "printing"
        self.actuator = Actuator(
            ACTIONS, {"avocet": ("hold",)}, {}, look=lambda _m: Facts(self.state), send=self.send, audit=self.audit,
            clock=self.clock,
        )  # fmt: skip

    async def send(self, command):
        if isinstance(self.fails, PeerUnavailable):
            raise self.fails
        self.sent.append(command)
        self.state = "paused"  # the machine obeys

    async def audit(self, note):
        if isinstance(self.fails, StoreError):
            raise self.fails
        self.noted.append(note)

    async def denied(self, words):
        self.refused.append(words)


def acting(**changed):
    house = ActingHouse()
    return serving(house, acts=house.actuator, denied=house.denied, **{"act_password": "open sesame"} | changed)


async def post(house, path, data, headers, cookies=None, **more):
    options = {"json": data} if path.startswith("/api/") else {"data": data}
    options |= {"headers": headers, "cookies": cookies or {}, "allow_redirects": False} | more
    jar = aiohttp.CookieJar(unsafe=True)
    async with aiohttp.ClientSession(cookie_jar=jar) as session:
        answer = await session.post(house.url + path, **options)
        return answer.status, await answer.text(), answer


async def right(house, **more):
    """The cookie of somebody who has given the password for actions."""
    status, _, answer = await post(house, "/act/sign-in", {"password": "open sesame"}, SAME, **more)
    assert status == 200
    return {ACT_COOKIE: answer.cookies[ACT_COOKIE].value}


WAYS = [
    # path, who, status; who: nobody, the page's session alone, the right to act, the command line's token, a wrong one
    ("/act", "nobody", 401),
    ("/act", "page", 401),
    ("/act", "act", 200),
    ("/act", "token", 403),
    ("/act", "forged", 401),
    ("/act", "elsewhere", 403),
    ("/api/v1/act", "nobody", 401),
    ("/api/v1/act", "page", 401),
    ("/api/v1/act", "act", 200),
    ("/api/v1/act", "token", 200),
    ("/api/v1/act", "forged", 401),
    ("/api/v1/act", "wrong token", 401),
    ("/api/v1/act", "elsewhere", 403),
    ("/act/sign-in", "page", 403),
    ("/act/sign-in", "elsewhere", 403),
]


@pytest.mark.parametrize(("path", "who", "status"), WAYS)
async def test_who_may_act(path, who, status):
    async with acting(password="look only") as house:
        _, _, signed = await post(house, "/sign-in", {"password": "look only"}, SAME)
        page = {name: morsel.value for name, morsel in signed.cookies.items()}
        assert page
        headers, cookies = dict(SAME), page
        if who == "nobody":
            cookies = {}
        elif who == "act":
            cookies = page | await right(house, cookies=page)
        elif who == "forged":
            cookies = page | {ACT_COOKIE: next(iter(page.values()))}  # signed, but for another role
        elif who in ("token", "wrong token"):
            headers, cookies = {"Authorization": f"Bearer {'cli-token' if who == 'token' else 'guess'}"}, {}
        elif who == "elsewhere":
            headers, cookies = {"Sec-Fetch-Site": "cross-site"}, page | await right(house, cookies=page)
        got, text, answer = await post(house, path, {"password": "x"} if path.endswith("in") else ASK, headers, cookies)
    assert got == status, text
    assert house.sent == [], "asking alone does nothing"
    if path.startswith("/api/") and status >= 400:
        assert answer.content_type == "application/problem+json"


def test_every_route_that_acts_is_in_the_table():
    """A new way in must come with its rows above."""
    from farmwatch.web.acting import Acting, Door
    from farmwatch.web.api_table import ROUTES

    routes = Acting(Door(None, None, "", None, None), {}, None).routes()
    by_api = {row.path for row in ROUTES if row.name == "act"}
    assert {route.path for route in routes} | by_api == {path for path, _, _ in WAYS}
    assert {row.path for row in ROUTES if row.method == "POST"} == by_api | {"/api/v1/say", "/api/v1/import"}


async def test_no_other_route_acts():
    """Every POST of the page, with the fields of an action, as the command line and as somebody who may act."""
    async with acting() as house:
        cookies = await right(house)
        posts = sorted({route.resource.canonical for route in house.server._application().router.routes()
                        if route.method == "POST"} - {"/act", "/api/v1/act", "/act/sign-in"})  # fmt: skip
        assert "/say" in posts
        for path in posts:
            for fields in (ASK, {"command": "pause", "machine": "avocet"}, {"command": "act", "machine": "avocet"}):
                for headers in (SAME, API, SAME | JSON):
                    way = path.replace("{path}", "x").replace("{token}", "x")
                    await post(house, way, fields, headers, cookies)
    assert house.sent == []
    assert house.heard == []


@pytest.mark.parametrize(
    ("headers", "base_url", "status"),
    [
        ({}, "", 200),
        ({"X-Forwarded-For": "10.0.0.9"}, "", 403),
        ({"Forwarded": "for=10.0.0.9"}, "", 403),
        ({"Via": "1.1 proxy"}, "", 403),
        ({"Host": "shop.example"}, "https://shop.example", 200),  # a proxy that ends TLS
        ({"Host": "shop.example", "X-Forwarded-Proto": "https", "Via": "x"}, "https://shop.example", 200),
        ({"Host": "shop.example", "X-Forwarded-Proto": "http"}, "https://shop.example", 403),
        ({"Host": "shop.example:8420"}, "https://shop.example", 403),  # past the proxy, in the clear
        ({"Host": "shop.example"}, "http://shop.example", 403),
    ],
)  # fmt: skip
async def test_only_over_tls_or_within_this_computer(headers, base_url, status):
    async with acting(base_url=base_url) as house:
        got, text, _ = await post(house, "/api/v1/act", ASK, API | headers)
    assert got == status, text
    assert len(house.refused) == (status == 403)


async def test_from_another_computer_in_the_clear_it_is_refused(monkeypatch):
    async with acting() as house:
        monkeypatch.setattr("aiohttp.web.BaseRequest.remote", "10.0.0.9")
        got, text, _ = await post(house, "/api/v1/act", ASK, API)
    assert got == 403
    assert "TLS" in text


async def test_asked_and_confirmed_by_the_api():
    async with acting() as house:
        _, _, answer = await post(house, "/api/v1/act", ASK | {"by": "ann"}, API)
        asked = await answer.json()
        assert asked["text"] == "Pause avocet? It is printing now."
        got, _, _ = await post(house, "/api/v1/act", {"token": asked["token"], "by": "bram"}, API)
        assert (got, house.sent) == (409, [])
        _, _, answer = await post(house, "/api/v1/act", ASK | {"by": "ann"}, API)
        got, _, answer = await post(house, "/api/v1/act", {"token": (await answer.json())["token"], "by": "ann"}, API)
        done = await answer.json()
        assert (got, done["sent"], done["machine"]) == (200, True, "avocet")
        assert [command.address for command in house.sent] == ["works/avocet/do"]
        async with aiohttp.ClientSession(headers=API) as session:
            found = await (await session.get(f"{house.url}/api/v1/act/{done['id']}")).json()
            assert (await session.get(house.url + "/api/v1/act/none")).status == 404
        assert found["shown"] is True
    assert [note.doc["step"] for note in house.noted] == ["before", "after", "outcome"]


async def test_asked_and_confirmed_by_the_page():
    async with acting() as house:
        status, text, answer = await post(house, "/act", ASK, SAME)
        assert (status, "Password for actions" in text) == (401, True)
        status, text, _ = await post(house, "/act/sign-in", ASK | {"password": "guess"}, SAME)
        assert (status, "not the password" in text) == (403, True)
        status, text, answer = await post(house, "/act/sign-in", ASK | {"password": "open sesame"}, SAME)
        assert (status, "Pause avocet?" in text) == (200, True)
        cookie = answer.cookies[ACT_COOKIE]
        assert (cookie["httponly"], cookie["samesite"], cookie["max-age"]) == (True, "Strict", "900")
        token = re.search(r'name="token" value="([^"]+)"', text)[1]
        status, text, _ = await post(house, "/act", {"token": token}, SAME, {ACT_COOKIE: cookie.value})
        assert (status, len(house.sent)) == (200, 1)
        house.clock.at_s += ACT_LASTS_S
        status, _, _ = await post(house, "/act", ASK, SAME, {ACT_COOKIE: cookie.value})
        assert status == 401, "the right to act ends"
    assert house.refused == ["from 127.0.0.1, with a wrong password"]


async def test_guessing_is_slowed_down():
    async with acting() as house:
        got = [(await post(house, "/act/sign-in", {"password": str(n)}, SAME))[0] for n in range(7)]
    assert got == [403] * 5 + [429] * 2


@pytest.mark.parametrize(
    ("fails", "status"), [(PeerUnavailable("the device answered 500"), 502), (StoreError("full"), 503)]
)
async def test_what_could_not_be_done_is_said(fails, status):
    async with acting() as house:
        _, _, answer = await post(house, "/api/v1/act", ASK, API)
        house.fails = fails
        got, text, answer = await post(house, "/api/v1/act", {"token": (await answer.json())["token"]}, API)
    assert (got, answer.content_type) == (status, "application/problem+json")
    assert house.sent == []
    assert "answered 500" in text or status == 503


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"machine": "dodo", "action": "hold"}, 409),
        ({"machine": "avocet", "action": "explode"}, 409),
        ({"machine": "avocet"}, 400),
        ({}, 400),
        ({"machine": "avocet", "action": "hold", "yes": "1"}, 400),
        ({"machine": 7, "action": "hold"}, 400),
        ({"token": "x" * 500}, 400),
        ({"token": "guess"}, 409),
    ],
)
async def test_what_cannot_be_asked_for(fields, status):
    async with acting() as house:
        got, _, answer = await post(house, "/api/v1/act", fields, API)
    assert (got, answer.content_type) == (status, "application/problem+json")
    assert house.sent == []


async def test_without_anything_turned_on_there_is_nothing_to_find():
    async with serving() as house:
        for path in ("/act", "/api/v1/act", "/act/sign-in"):
            got, _, _ = await post(house, path, ASK, API if "api" in path else SAME)
            assert got == 404
        async with aiohttp.ClientSession() as session:
            text = await (await session.get(house.url + "/")).text()
    assert 'action="/act"' not in text
    assert "it switches nothing" in text


async def test_buttons_stand_only_where_they_are_turned_on_and_make_sense():
    async with acting() as house:
        house.shown = web_sample.usual()
        for machine in house.shown["machines"]:
            if machine["name"] in ("avocet", "curlew"):
                fits = machine["name"] == "avocet"
                machine["actions"] = [{"name": "hold", "kind": "pause", "fits": fits}]
                machine["acted"] = "pause, asked by ann: avocet reports paused, 4 s after" if fits else ""
        async with aiohttp.ClientSession() as session:
            text = await (await session.get(house.url + "/")).text()
    assert text.count('action="/act"') == 1
    assert "Pause (hold)…" in text
    assert "asked by ann: avocet reports paused" in text
    assert "only when a person asks and confirms" in text
