"""Every route without and with each role; connections that are too many, too slow or too large; cookies over TLS.

Sources: OWASP ASVS 5.0 (github.com/OWASP/ASVS), RFC 9110 (401, 403), RFC 6585 (431), RFC 6265bis (`__Host-`).
"""

import ast
import asyncio
import contextlib
import re
from pathlib import Path

import aiohttp
import pytest
from web_house import KEY, serving

from farmwatch.web import doorkeeper, guard, links
from farmwatch.web.server import MOST_HEADER
from farmwatch.web.sessions import COOKIE

ROOT = Path(__file__).parents[1]
SAME = {"Sec-Fetch-Site": "same-origin"}
OPEN, READ, WRITE, OUT, IN = "open", "read", "write", "sign out", "a device's token"
ROUTES: dict[tuple[str, str], str] = {
    # a route that is not here fails the test: whoever adds one says here who may
    ("GET", "/static/{name}"): OPEN,
    ("GET", "/healthz"): OPEN,
    ("GET", "/readyz"): OPEN,
    ("GET", "/sign-in"): OPEN,
    ("POST", "/sign-in"): OPEN,
    ("GET", "/a/{token}"): OPEN,
    ("POST", "/a/{token}"): OPEN,
    ("POST", "/sign-out"): OUT,
    ("POST", "/{path}"): IN,
    **dict.fromkeys(
        [
            ("GET", path)
            for path in (
                "/", "/wall", "/outage", "/shop", "/report", "/machine/{name}", "/backup/{name}", "/circuit/{name}",
                "/history", "/events", "/panels", "/metrics", "/round", "/{path}", "/api/v1/view",
                "/api/v1/machines/{name}", "/api/v1/backups/{name}", "/api/v1/circuits/{name}", "/api/v1/builds",
                "/api/v1/alarms", "/api/v1/outages", "/api/v1/energy", "/api/v1/history", "/api/v1/series",
                "/api/v1/rollups", "/api/v1/held", "/api/v1/table.csv", "/api/v1/act/{id}", "/api/v1/openapi.json",
                "/work", "/work.csv", "/spools.csv", "/api/v1/rounds", "/api/v1/work", "/api/v1/work.csv",
                "/api/v1/shop", "/api/v1/spools.csv", "/api/v1/report", "/sites",
            )
        ],
        READ,
    ),
    **dict.fromkeys(
        [("POST", path) for path in (
            "/who", "/say", "/round", "/work", "/spools", "/act", "/act/sign-in", "/api/v1/say",
            "/api/v1/import", "/api/v1/act")],
        WRITE,
    ),
}  # fmt: skip
ROLES = ("nobody", "looks", "says", "forged", "token", "wrong token", "elsewhere")


def wanted(kind: str, role: str, method: str, path: str) -> set[int]:
    """Statuses that are right; an empty set stands for: anything but 401, 403 and a way to the sign-in."""
    api = path.startswith("/api/")
    if kind == IN:
        return {404, 401, 403, 421}
    if role in ("token", "wrong token") and not api and path != "/metrics":
        role = "nobody"  # only there a token counts
    if role == "wrong token":
        return {401, 303, 429} if kind != OPEN else set()
    if role == "elsewhere" and method == "POST" and not path.startswith("/a/"):
        return {403}
    if kind == OPEN:
        return set()
    if role in ("nobody", "forged"):
        return {401, 303}
    return {403} if role == "looks" and kind == WRITE else set()


async def asked(house, method, path, role, cookies):
    filled = path.replace("{name}", "avocet").replace("{token}", "no-such-link").replace("{id}", "x")
    filled = filled.replace("{path}", "nothing")
    headers = dict(SAME)
    if role == "elsewhere":
        headers = {"Sec-Fetch-Site": "cross-site", "Origin": "http://elsewhere.example"}
    if role in ("token", "wrong token"):
        headers["Authorization"] = "Bearer " + ("cli-token" if role == "token" else "cli-tokem")
    jar = aiohttp.CookieJar(unsafe=True)
    async with (
        aiohttp.ClientSession(cookie_jar=jar, cookies=cookies.get(role, {})) as session,
        session.request(
            method, house.url + filled, headers=headers, allow_redirects=False, data={} if method == "POST" else None
        ) as answer,
    ):
        return answer.status, answer.headers


def cookies_of(house):
    now_s = house.clock.now_s()
    roles_ = house.server._entry._roles
    body = roles_.open("act", now_s)
    return {
        "looks": {COOKIE: roles_.open("look", now_s)} if "look" in roles_._by_role else {},
        "says": {COOKIE: body},
        "elsewhere": {COOKIE: body},
        "forged": {COOKIE: body[:-2] + ("aa" if not body.endswith("aa") else "bb")},
    }


async def test_every_route_without_and_with_each_role():
    async with serving(password="web", look_password="look", metrics="token") as house:
        found = {
            (route.method, route.resource.canonical)
            for route in house.server._application().router.routes()
            if route.method not in ("HEAD", "*")
        }
        assert found == set(ROUTES)
        for (method, path), kind in ROUTES.items():
            for role in ROLES:
                status, headers = await asked(house, method, path, role, cookies_of(house))
                right = wanted(kind, role, method, path)
                where = f"{method} {path} as {role}: {status}"
                if right:
                    assert status in right, where
                    assert status != 303 or headers["Location"] == "/sign-in", where
                elif path not in ("/a/{token}", "/sign-in"):  # no such link, no such password: 403 of their own
                    assert status not in (401, 403), where
                    assert status != 303 or headers.get("Location") != "/sign-in" or kind in (OPEN, OUT), where
        assert house.heard == [], "an empty form says nothing, whoever sends it"


async def test_without_actions_turned_on_no_role_finds_any():
    async with serving(password="web", look_password="look") as house:
        cookies = cookies_of(house)
        for role in ("says", "token"):
            for method, path in (("POST", "/api/v1/act"), ("GET", "/api/v1/act/x")):
                assert (await asked(house, method, path, role, cookies))[0] == 404
        assert (await asked(house, "POST", "/act", "says", cookies))[0] == 404


async def test_no_reading_changes_anything():
    """RFC 9110, section 9.2.1: GET is safe; the door to what people say is never gone through."""
    async with serving(password="web", metrics="open") as house:
        cookies = cookies_of(house)
        token = links.issue("cleared", "avocet", "ann", house.clock.now_s(), key=KEY, unique="m1")
        for method, path in (*ROUTES, ("GET", f"/a/{token}")):
            if method == "GET" and path != "/events":
                await asked(house, "GET", path, "says", cookies)
                await asked(house, "HEAD", path, "says", cookies)
        assert house.heard == []
        assert house.spent == {}


# ---- limits ------------------------------------------------------------------------------------------------------


@contextlib.asynccontextmanager
async def connecting(house):
    """Makes connections, and ends them all."""
    host, port = re.match(r"http://([^:/]+):(\d+)", house.url).groups()
    made = []

    async def connect():
        made.append(await asyncio.open_connection(host, int(port)))
        return made[-1]

    try:
        yield connect
    finally:
        for _, writer in made:
            writer.close()
        for _, writer in made:
            with contextlib.suppress(OSError):
                await writer.wait_closed()


async def until(true, within_s=15.0):
    async with asyncio.timeout(within_s):
        while not true():
            await asyncio.sleep(0.01)


async def test_the_sixty_fifth_connection_of_an_address_is_cut_and_the_others_go_on():
    async with serving() as house, connecting(house) as connect:
        pairs = [await connect() for _ in range(doorkeeper.MOST_EACH)]
        await until(lambda: len(house.server._room._open) == doorkeeper.MOST_EACH)
        reader, writer = await connect()
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        assert house.server._room.refused == 1
        pairs[0][1].write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert (await pairs[0][0].readline()).startswith(b"HTTP/1.1 200")
        pairs.pop()[1].close()
        async with asyncio.timeout(15):  # room again, once the server has seen that one has gone
            while True:
                reader, writer = await connect()
                writer.write(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
                with contextlib.suppress(ConnectionError):
                    if (await reader.readline()).startswith(b"HTTP/1.1 200"):
                        break


async def test_a_head_that_drips_and_a_connection_that_is_silent_are_cut():
    async with serving() as house, connecting(house) as connect:
        house.server._room._head_s = 0.3
        await connect()
        reader, drip = await connect()
        cut = asyncio.ensure_future(reader.read())
        for byte in b"GET /healthz HTTP/1.1\r\nHost: local" * 20:
            drip.write(bytes((byte,)))
            await asyncio.sleep(0.02)
            if cut.done():
                break
        with contextlib.suppress(ConnectionError):
            await asyncio.wait_for(cut, 15)
        await until(lambda: house.server._room.cut == 2)


async def test_what_is_answered_slowly_or_stays_open_is_not_cut():
    """Live news stay open for hours: the time for a head counts until it is there, and again after the answer."""
    async with serving() as house, connecting(house) as connect:
        house.server._room._head_s = 0.2
        reader, writer = await connect()
        writer.write(b"GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert (await reader.readline()).startswith(b"HTTP/1.1 200")
        await asyncio.sleep(0.6)
        assert house.server._room.cut == 0
        assert not reader.at_eof()


async def test_a_head_of_more_than_8_kib_is_refused():
    async with serving() as house, aiohttp.ClientSession() as session:
        many = {f"X-{n}": "x" * 900 for n in range(9)}
        assert sum(map(len, many.values())) > MOST_HEADER - 200
        many["X-more"] = "x" * 300
        async with session.get(house.url + "/healthz", headers=many) as answer:
            assert answer.status == 431
            assert answer.headers["Content-Security-Policy"]
        async with session.get(house.url + "/healthz", headers={"X-one": "x" * 9_000}) as answer:
            assert answer.status == 400


async def test_a_body_of_more_than_64_kib_is_refused():
    async with serving() as house, aiohttp.ClientSession() as session:
        form = {"command": "cleared", "machine": "x" * 70_000}
        async with session.post(house.url + "/say", data=form, headers=SAME) as answer:
            assert answer.status == 413
        assert house.heard == []


# ---- what browsers are told --------------------------------------------------------------------------------------


async def test_the_policy_is_exactly_this():
    """The text is written out: a change of it is a change of a promise (W3C CSP 3; ASVS 3.4.3 to 3.4.6)."""
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "font-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; object-src 'none'; "
        "form-action 'self'; frame-ancestors 'none'"
    )
    async with serving() as house, aiohttp.ClientSession() as session:
        for path in ("/", "/nothing", "/api/v1/view", "/static/page.js", "/metrics", "/healthz"):
            async with session.get(house.url + path) as answer:
                assert answer.headers.getall("Content-Security-Policy") == [policy], path
                assert answer.headers["X-Content-Type-Options"] == "nosniff"
                assert answer.headers["Cross-Origin-Opener-Policy"] == "same-origin"
                assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
                assert "camera=()" in answer.headers["Permissions-Policy"]
                assert "Access-Control-Allow-Origin" not in answer.headers
                assert "Server" not in answer.headers


@pytest.mark.parametrize("encrypted", [False, True])
async def test_cookies_are_for_this_host_alone_and_over_tls_carry_the_prefix(encrypted):
    base = "https://farm.example" if encrypted else ""
    headers = {**SAME, **({"Host": "farm.example"} if encrypted else {})}
    async with serving(password="web", base_url=base) as house, aiohttp.ClientSession() as session:
        form = {"password": "web"}
        async with session.post(house.url + "/sign-in", data=form, headers=headers, allow_redirects=False) as answer:
            assert answer.status == 303
            words = answer.headers["Set-Cookie"]
        name, _, value = words.partition(";")[0].partition("=")
        assert name == ("__Host-" if encrypted else "") + COOKIE
        assert "HttpOnly" in words
        assert "SameSite=Strict" in words
        assert "Path=/" in words
        assert "Domain" not in words
        assert ("Secure" in words) is encrypted
        for cookie, good in ((name, True), (COOKIE if encrypted else "__Host-" + COOKIE, False)):
            headers["Cookie"] = f"{cookie}={value}"
            async with session.get(house.url + "/api/v1/view", headers=headers) as answer:
                assert (answer.status == 200) is good, "a cookie without the prefix may be another site's"


def test_nothing_of_the_page_s_own_comes_from_elsewhere():
    """No address but those of name spaces stands in what the browser gets (ASVS 3.6.1)."""
    for path in (ROOT / "farmwatch/web/static").iterdir():
        for address in re.findall(r"https?://[\w./-]+", path.read_text("utf-8", errors="replace")):
            assert address.startswith(("http://www.w3.org/", "https://github.com/leeoniya/uPlot")), (path, address)


def test_no_code_is_read_from_data():
    """JSON and TOML only: no pickle, no marshal, no YAML, no eval, no shell (ASVS 1.2.5, 1.5.x)."""
    for path in (ROOT / "farmwatch").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            assert not {"pickle", "marshal", "yaml", "shelve"} & {name.partition(".")[0] for name in names}, path
            if isinstance(node, ast.Call):
                called = getattr(node.func, "id", "") or getattr(node.func, "attr", "")
                assert called not in ("eval", "exec", "system", "popen"), (path, called)
                assert "shell" not in {keyword.arg for keyword in node.keywords}, path


def test_tokens_are_compared_in_constant_time():
    assert guard.same_secret("abc", "abc")
    assert not guard.same_secret("abd", "abc")
    assert not guard.same_secret("", "")
    assert not guard.same_secret("", None)
