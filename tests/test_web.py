"""The page's server: gates, what people say, links, the API, live news, limits, and an orderly stop."""

import asyncio
import gzip
import hashlib
import json
import re
import time
from base64 import b64encode
from contextlib import asynccontextmanager

import aiohttp
import pytest
import web_sample
from aiohttp import web
from web_house import KEY, House, serving
from yarl import URL

from farmwatch.alarms.wording import moment
from farmwatch.web import guard, links, sessions
from farmwatch.web.broadcast import QUEUE, Reader
from farmwatch.words.errors import ConfigError, StoreError

SAME = {"Sec-Fetch-Site": "same-origin"}
JSON = {"Accept": "application/json"}


async def fetch(house, path, method="GET", **options):
    options.setdefault("allow_redirects", False)
    jar = aiohttp.DummyCookieJar()
    async with aiohttp.ClientSession(cookie_jar=jar) as session, session.request(
        method, house.url + path, **options
    ) as answer:  # fmt: skip
        return answer.status, await answer.text(), answer


# ---- pages and headers ----------------------------------------------------------------------------------------


async def test_the_page_answers_with_the_verdict_and_the_headers():
    async with serving() as house:
        status, text, answer = await fetch(house, "/")
    assert status == 200
    assert '<h1 aria-live="polite">Clear bittern</h1>' in text
    assert '<meta http-equiv="refresh" content="30">' in text
    for header, value in guard.SECURITY_HEADERS.items():
        assert answer.headers[header] == value
    assert "unsafe" not in answer.headers["Content-Security-Policy"]
    assert "Server" not in answer.headers or "aiohttp" not in answer.headers["Server"]


async def test_errors_carry_the_headers_too():
    async with serving() as house:
        status, _, answer = await fetch(house, "/nowhere")
        assert status == 404
        assert "frame-ancestors 'none'" in answer.headers["Content-Security-Policy"]


async def test_first_load_weighs_at_most_what_w1_promises():
    async with serving() as house:
        weight = {}
        _, text, _ = await fetch(house, "/")
        weight["/"] = len(gzip.compress(text.encode(), 6))
        for path in re.findall(r'(?:src|href)="(/static/[^"]*)"', text):
            status, body, answer = await fetch(house, path)
            assert status == 200
            assert "immutable" in answer.headers["Cache-Control"]
            weight[path] = len(gzip.compress(body.encode(), 9))
    assert sum(weight.values()) <= 100_000
    assert sum(size for path, size in weight.items() if "page.js" in path) <= 60_000


async def test_the_page_is_sent_compressed():
    async with serving() as house, aiohttp.ClientSession(auto_decompress=False) as session:
        answer = await session.get(house.url + "/", headers={"Accept-Encoding": "gzip"})
        assert answer.headers["Content-Encoding"] == "gzip"
        assert b"Clear bittern" in gzip.decompress(await answer.read())


@pytest.mark.parametrize("path", ["/static/../server.py", "/static/%2e%2e/server.py", "/static/..%2fserver.py",
                                  "/static/page.css%00", "/machine/nobody", "/static/"])  # fmt: skip
async def test_names_are_no_paths(path):
    async with serving() as house, aiohttp.ClientSession() as session:
        answer = await session.get(URL(house.url + path, encoded=True))
        assert answer.status in (400, 404)


async def test_static_files_have_tags():
    async with serving() as house:
        _, _, answer = await fetch(house, "/static/page.css")
        status, _, _ = await fetch(house, "/static/page.css", headers={"If-None-Match": answer.headers["ETag"]})
    assert status == 304


async def test_one_machine_alone_does_not_refresh():
    async with serving() as house:
        status, text, _ = await fetch(house, "/machine/avocet")
    assert status == 200
    assert "http-equiv" not in text
    assert "hinge block" in text
    assert 'name="planned_min"' in text


# ---- host names and origins -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "status"),
    [("localhost:1", 200), ("127.0.0.1", 200), ("[::1]:80", 200), ("farm.lan:8420", 200), ("phone.example", 200),
     ("evil.example", 421), ("localhost.evil.example", 421), ("", 421), ("localhost@evil.example", 421), ("a/b", 421),
     ("LOCALHOST", 200), ("10.9.8.7", 421)],
)  # fmt: skip
async def test_only_known_host_names_are_answered(host, status):
    async with serving(hosts=("farm.lan",), base_url="https://phone.example/x") as house:
        for path, good in (("/", 200), ("/panels", 200), ("/api/v1/view", 200), ("/a/v1.x.y", 403)):
            got, _, _ = await fetch(house, path, headers={"Host": host} | JSON)
            assert got == (good if status == 200 else 421), path


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        (SAME, 200),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({"Sec-Fetch-Site": "cross-site", "Origin": "http://127.0.0.1"}, 403),
        ({"Origin": "http://localhost:8420", "Host": "localhost:8420"}, 200),
        ({"Origin": "http://localhost:8421", "Host": "localhost:8420"}, 403),
        ({"Origin": "null", "Host": "localhost:8420"}, 403),
        ({"Origin": "http://evil.example", "Host": "localhost:8420"}, 403),
        ({}, 403),
        ({"Authorization": "Bearer cli-token"}, 403),  # a token is for the API, and does not open the page's door
    ],
)
async def test_another_site_cannot_speak_for_you(headers, status):
    async with serving() as house:
        got, _, _ = await fetch(house, "/say", "POST", data={"command": "cleared", "machine": "bittern"},
                                headers=headers | JSON)  # fmt: skip
    assert got == status
    assert len(house.heard) == (status == 200)


async def test_every_writing_route_refuses_other_sites():
    async with serving(password="tide") as house:
        for route in house.server._runner.app.router.routes():
            if route.method != "POST" or route.handler in (house.server._post_push, house.server._links.post_link):
                continue
            status, _, _ = await fetch(house, route.resource.canonical, "POST", headers={"Origin": "http://evil.example"})
            assert status == 403, route


# ---- saying ---------------------------------------------------------------------------------------------------


async def test_a_form_without_script_is_heard_and_leads_back():
    async with serving() as house:
        status, _, answer = await fetch(house, "/say", "POST", data={"command": "cleared", "machine": "bittern"},
                                        headers=SAME)  # fmt: skip
        assert (status, answer.headers["Location"]) == (303, "/?said=cleared")
        _, text, _ = await fetch(house, answer.headers["Location"])
    assert "Noted: the bed is clear." in text
    assert house.heard == [(web_sample.NOW_S, "cleared", "bittern", "page", {})]


async def test_a_notice_shows_only_our_own_words():
    async with serving() as house:
        _, text, _ = await fetch(house, "/?said=<script>alert(1)</script>")
    assert "alert(1)" not in text


async def test_json_says_the_same():
    async with serving() as house:
        body = {"command": "started", "machine": "gannet", "job": "hinge", "planned_min": 90, "by": "bram"}
        status, text, _ = await fetch(house, "/say", "POST", json=body, headers=SAME)
    assert status == 200
    assert json.loads(text)["text"] == "gannet: a build was started by hand. Noted."
    assert house.heard[0][1:] == ("started", "gannet", "bram", {"job": "hinge", "planned_min": 90.0})


async def test_who_speaks_is_remembered():
    async with serving() as house:
        _, _, answer = await fetch(house, "/who", "POST", data={"by": "ann"}, headers=SAME)
        cookie = answer.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        cookies = {"Cookie": cookie.split(";")[0]}
        await fetch(house, "/say", "POST", data={"command": "failed", "machine": "avocet"}, headers=SAME | cookies)
        _, _, answer = await fetch(house, "/who", "POST", data={"by": "mallory"}, headers=SAME | cookies)
        assert 'farmwatch_who=""' in answer.headers["Set-Cookie"]
    assert house.heard[0].by == "ann"


async def test_a_refusal_says_why_as_page_and_as_problem():
    """RFC 9457: application/problem+json with type, title, status, detail."""
    async with serving() as house:
        fields = {"command": "cleared", "machine": "dodo"}
        status, text, answer = await fetch(house, "/say", "POST", data=fields, headers=SAME | JSON)
        assert status == 409
        assert answer.headers["Content-Type"].startswith("application/problem+json")
        assert json.loads(text) == {"type": "about:blank", "title": "Not done", "status": 409,
                                    "detail": "There is no machine 'dodo'", "hint": "avocet to lapwing"}  # fmt: skip
        status, text, _ = await fetch(house, "/say", "POST", data=fields, headers=SAME)
        assert status == 409
        assert "There is no machine &#x27;dodo&#x27;" in text


@pytest.mark.parametrize(
    ("options", "status"),
    [
        ({"data": b"x=" + b"y" * 70_000, "headers": {"Content-Type": "application/x-www-form-urlencoded"}}, 413),
        ({"data": b"{", "headers": {"Content-Type": "application/json"}}, 400),
        ({"data": b"[" * 60_000, "headers": {"Content-Type": "application/json"}}, 400),
        ({"data": b"[]", "headers": {"Content-Type": "application/json"}}, 400),
        ({"data": b"\xff\xfe", "headers": {"Content-Type": "application/json"}}, 400),
        ({"data": b"<x/>", "headers": {"Content-Type": "text/xml"}}, 415),
        ({"data": b"a=b", "headers": {"Content-Type": "multipart/form-data; boundary=x"}}, 415),
        ({"data": b"command=cleared&machine=%ff", "headers": {
            "Content-Type": "application/x-www-form-urlencoded; charset=nonsense"}}, 400),
        ({"data": b"", "headers": {}}, 415),
        ({"data": b"{}", "headers": {"Content-Type": "application/json", "X-Long": "y" * 9_000}}, 400),
    ],
)  # fmt: skip
async def test_bad_bodies_are_refused(options, status):
    options = options | {"headers": options["headers"] | SAME}
    async with serving() as house:
        got, text, _ = await fetch(house, "/say", "POST", **options)
        assert got == status
        assert "Traceback" not in text
        assert (await fetch(house, "/"))[0] == 200
    assert house.heard == []


async def test_what_breaks_inside_is_logged_and_not_told(caplog):
    async with serving() as house:
        house.breaks = RuntimeError("secret path /etc/x")
        body = {"command": "cleared", "machine": "ibis"}
        status, text, _ = await fetch(house, "/say", "POST", json=body, headers=SAME)
        assert (status, "secret" in text) == (500, False)
        assert "secret path" in caplog.text
        assert (await fetch(house, "/healthz"))[0] == 500, "health tells the truth"
        house.breaks = StoreError("disk full")
        status, _, _ = await fetch(house, "/say", "POST", json=body, headers=SAME)
        assert status == 503
        house.breaks = None
        assert (await fetch(house, "/healthz"))[0] == 200


# ---- sign-in --------------------------------------------------------------------------------------------------


async def sign_in(house, password, **options):
    return await fetch(house, "/sign-in", "POST", data={"username": "farmwatch", "password": password},
                       headers=SAME | options)  # fmt: skip


async def test_with_a_password_nothing_is_shown_or_done_before_signing_in():
    async with serving(password="tide and time") as house:
        status, _, answer = await fetch(house, "/")
        assert (status, answer.headers["Location"]) == (303, "/sign-in")
        for path in ("/panels", "/events", "/api/v1/view", "/api/v1/history", "/api/v1/series?subject=a&quantity=b"):
            assert (await fetch(house, path))[0] == 401, path
        assert (await fetch(house, "/machine/avocet"))[0] == 303
        for path in ("/say", "/api/v1/say", "/who", "/sign-out"):
            got, _, _ = await fetch(house, path, "POST", data={"command": "cleared", "machine": "ibis"}, headers=SAME)
            assert got == 401, path
        assert (await sign_in(house, "tide"))[0] == 403
        assert (await sign_in(house, ""))[0] == 403
        status, _, answer = await sign_in(house, "tide and time")
        assert status == 303
        cookie = answer.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        signed = {"Cookie": cookie.split(";")[0]}
        assert (await fetch(house, "/", headers=signed))[0] == 200
        changed = {"Cookie": signed["Cookie"][:-1] + ("a" if signed["Cookie"][-1] != "a" else "b")}
        assert (await fetch(house, "/panels", headers=changed))[0] == 401
        house.clock.at_s += sessions.LASTS_S
        assert (await fetch(house, "/panels", headers=signed))[0] == 401, "a session ends"
        house.clock.at_s -= sessions.LASTS_S
        assert (await fetch(house, "/sign-out", "POST", headers=SAME | signed))[0] == 303
        assert (await fetch(house, "/panels", headers=signed))[0] == 401
    assert house.heard == []


async def test_sessions_outlive_a_restart_but_not_a_new_password():
    cookie = sessions.Sessions("tide", KEY).open(1_000.0)
    assert sessions.Sessions("tide", KEY).valid(cookie, 2_000.0)
    assert not sessions.Sessions("ebb", KEY).valid(cookie, 2_000.0)
    assert not sessions.Sessions("tide", b"x" * 32).valid(cookie, 2_000.0)


def test_scrypt_is_that_of_rfc_7914():
    """RFC 7914, section 12, second vector: our stored hash is this function."""
    found = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=64)
    assert found.hex().startswith("fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162")
    kept = sessions.Sessions("tide", KEY)
    assert kept._hash == hashlib.scrypt(b"tide", salt=kept._salt, n=2**14, r=8, p=1)
    assert kept.right("tide")
    assert not kept.right("tide ")


async def test_guessing_is_slowed_down():
    async with serving(password="tide") as house:
        codes = [(await sign_in(house, f"guess {at}"))[0] for at in range(7)]
        assert codes == [403] * 5 + [429] * 2
        status, _, answer = await sign_in(house, "tide")
        assert status == 429, "even the right one has to wait"
        assert 0 < int(answer.headers["Retry-After"]) <= 60
        house.clock.at_s += 61
        assert (await sign_in(house, "tide"))[0] == 303


async def test_guesses_at_once_do_not_slip_through():
    async with serving(password="tide") as house:
        codes = await asyncio.gather(*(sign_in(house, "guess") for _ in range(12)))
    assert sorted(code for code, _, _ in codes) == [403] * 5 + [429] * 7


async def test_without_a_password_only_this_computer_is_served():
    for bind in ("0.0.0.0", "192.168.7.7", "::", "shed.lan"):
        with pytest.raises(ConfigError, match="web_password"):
            async with serving(bind=bind):
                pass
    async with serving(bind="0.0.0.0", password="tide") as house:
        assert house.url.startswith("http://127.0.0.1:")


async def test_a_port_in_use_is_an_error_of_the_configuration():
    async with serving() as house:
        port = int(house.url.rsplit(":", 1)[1])
        with pytest.raises(ConfigError, match=f"port {port}"):
            async with serving(port=port):
                pass


def test_secrets_do_not_show_in_the_configuration():
    shown = repr(__import__("farmwatch.web.server", fromlist=["x"]).WebConfig(
        "127.0.0.1", 1, "", (), "canary-p", b"canary-k" * 4, "canary-t"))  # fmt: skip
    assert "canary" not in shown


# ---- API ------------------------------------------------------------------------------------------------------


async def test_the_api_gives_the_view_without_secrets_and_without_nan():
    async with serving() as house:
        house.shown["total"]["watts"] = float("inf")
        status, text, _ = await fetch(house, "/api/v1/view")
    assert status == 200
    view = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} is no JSON (RFC 8259)"))
    assert view["total"]["watts"] is None
    assert "s3cret" not in text
    assert [row["name"] for row in view["machines"]] == list(web_sample.NAMES)


async def test_the_command_line_s_token_works_and_others_do_not():
    async with serving(password="tide") as house:
        body = {"command": "cleared", "machine": "bittern", "by": "ann"}
        for token, status in (("cli-token", 200), ("cli-tokem", 401), ("", 403), ("cli-token2", 401)):
            headers = {"Authorization": f"Bearer {token}"}
            assert (await fetch(house, "/api/v1/say", "POST", json=body, headers=headers))[0] == status
        assert (await fetch(house, "/api/v1/view", headers={"Authorization": "Bearer cli-token"}))[0] == 200
    assert len(house.heard) == 1
    async with serving(api_token=None) as house:
        headers = {"Authorization": "Bearer None"}
        assert (await fetch(house, "/api/v1/say", "POST", json=body, headers=headers))[0] == 401


async def test_history_and_series_hand_their_questions_on():
    async with serving() as house:
        await fetch(house, "/api/v1/history")
        await fetch(house, "/api/v1/history?kind=alarm&since=2025-06-26T14:00:00%2B01:00&limit=5")
        status, text, _ = await fetch(house, "/api/v1/series?subject=avocet&quantity=power_w&start=10&end=20&points=3")
        await fetch(house, "/api/v1/series?subject=avocet&quantity=bed_c")
    assert house.asked_history == [(None, 0.0, 201), ("alarm", web_sample.NOW_S, 6)]
    assert house.asked_series[0] == ("avocet", "power_w", 10.0, 20.0, 3)
    assert house.asked_series[1] == ("avocet", "bed_c", web_sample.NOW_S - 86_400, web_sample.NOW_S, 800)
    assert status == 200
    assert json.loads(text)["rows"] == [[web_sample.NOW_S - 60, 1.0], [web_sample.NOW_S, None]]


@pytest.mark.parametrize(
    "query",
    ["history?limit=0", "history?limit=1001", "history?limit=x", "history?since=yesterday", "history?since=inf",
     "history?since=2025-06-26T14:00:00", "history?kind=rumour", "history?sinse=1",
     "history?limit=1&limit=2", "series", "series?subject=a", "series?subject=a&quantity=b",
     "series?subject=a&quantity=bed_c&start=9&end=1", "series?subject=a&quantity=bed_c&points=99999",
     "history?limit=99999999999999999999", "history?limit=²"],
)  # fmt: skip
async def test_bad_questions_are_answered_400(query):
    async with serving() as house:
        status, text, _ = await fetch(house, f"/api/v1/{query}")
    assert status == 400
    assert json.loads(text)["status"] == 400


# ---- devices that post ----------------------------------------------------------------------------------------


async def test_devices_post_with_their_token_under_any_name_of_this_computer():
    async with serving(password="tide") as house:
        good = {"Authorization": "Bearer plug-secret", "Host": "10.1.2.3"}
        assert (await fetch(house, "/push/plug7", "POST", data=b"\x00raw", headers=good))[0] == 204
        basic = {"Authorization": "Basic " + b64encode(b"plug:plug-secret").decode()}
        assert (await fetch(house, "/push/plug7", "POST", data=b"2", headers=basic))[0] == 204
        assert (await fetch(house, "/push/plug7?token=plug-secret", "POST", data=b"3"))[0] == 204
        assert (await fetch(house, "/push/plug7", "POST", data=b"4"))[0] == 401
        assert (await fetch(house, "/push/other", "POST", data=b"5", headers=good))[0] == 404
        assert (await fetch(house, "/push/plug7", "POST", data=b"6" * 70_000, headers=good))[0] == 413
    assert house.pushed == [b"\x00raw", b"2", b"3"]


# ---- links ----------------------------------------------------------------------------------------------------


def link(command="cleared", subject="bittern", person="ann", unique="m1"):
    return "/a/" + links.issue(command, subject, person, web_sample.NOW_S, key=KEY, unique=unique)


async def test_opening_a_link_does_nothing_and_its_button_acts_once():
    """RFC 9110, section 9.2.1: GET and HEAD are safe; programs that preview messages fetch links."""
    async with serving(password="tide") as house:
        for method in ("GET", "HEAD", "GET"):
            status, text, answer = await fetch(house, link(), method)
            assert status == 200
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["Cache-Control"] == "no-store"
        assert "bittern" in text
        assert "the bed is clear" in text
        assert (house.heard, house.spent) == ([], {})
        status, text, _ = await fetch(house, link(), "POST")
        assert (status, "Done" in text) == (200, True)
        status, text, _ = await fetch(house, link(), "POST")
        assert (status, "already cleared by <bdi>ann</bdi> at" in text) == (409, True)
        again = await asyncio.gather(*(fetch(house, link(unique="m2"), "POST") for _ in range(5)))
        assert sorted(status for status, _, _ in again) == [200, 409, 409, 409, 409]
    assert [said[1:4] for said in house.heard] == [("cleared", "bittern", "ann")] * 2


async def test_links_about_alarms():
    async with serving() as house:
        await fetch(house, link("acknowledged", "mains_lost:one"), "POST")
        await fetch(house, link("shelved", "mains_lost:one"), "POST")
    assert house.heard[0][1:] == ("acknowledged", None, "ann", {"alarm": "mains_lost:one"})
    assert house.heard[1].fields == {
        "alarm": "mains_lost:one", "minutes": 120.0, "reason": "by a link in a message",
    }  # fmt: skip


async def test_what_somebody_else_has_said_since_is_not_said_again_and_the_link_says_who_and_when():
    """The link was made at NOW_S; the page's clock there is 2025, Saltmarsh Works is in Europe/London."""
    made = web_sample.NOW_S
    async with serving() as house:
        house.clock.at_s = made + 600
        when = moment(made + 300, made + 600, house.shown["timezone"])
        house.said = [{"at_s": made + 300, "command": "cleared", "machine": "bittern", "by": "bram", "fields": {}}]
        status, text, _ = await fetch(house, link())
        assert (status, f"already cleared by <bdi>bram</bdi> at {when}" in text, "<form" in text) == (200, True, False)
        status, text, _ = await fetch(house, link(), "POST")
        assert (status, f"already cleared by <bdi>bram</bdi> at {when}" in text) == (409, True)
        assert (house.heard, house.spent) == ([], {})
        for note in (
            {"at_s": made - 1, "command": "cleared", "machine": "bittern", "by": "bram", "fields": {}},  # before it
            {"at_s": made + 1, "command": "cleared", "machine": "avocet", "by": "bram", "fields": {}},
            {"at_s": made + 1, "command": "failed", "machine": "bittern", "by": "bram", "fields": {}},
        ):
            house.said = [note]
            assert "Say it?" in (await fetch(house, link()))[1]
        # An alarm by its own name, or by a button about all of a machine's alarms.
        about = {"command": "acknowledged", "by": "button"}
        for more in ({"machine": None, "fields": {"alarm": "machine_fault:knot"}}, {"machine": "knot", "fields": {}}):
            house.said = [{"at_s": made + 1} | about | more]
            assert "already acknowledged by" in (await fetch(house, link("acknowledged", "machine_fault:knot")))[1]


async def test_a_refused_command_leaves_its_link_unused():
    async with serving() as house:
        status, text, _ = await fetch(house, link(subject="dodo"), "POST")
        assert (status, "no machine" in text) == (409, True)
        house.breaks = StoreError("the journal does not work")
        assert (await fetch(house, link(), "POST"))[0] == 503
        house.breaks = None
        assert (house.heard, house.spent) == ([], {})
        assert (await fetch(house, link(), "POST"))[0] == 200


async def test_names_in_links_are_text_and_nothing_else():
    nasty = '<img src=x onerror="alert(1)">\x1b[31m\u202e&quot;'
    async with serving() as house:
        for method in ("GET", "POST", "POST"):
            _, text, _ = await fetch(house, link(subject=nasty, person="<b>ann"), method)
            assert "<img" not in text
            assert "<b>ann" not in text
            assert not {"\x1b", "\u202e"} & set(text)
    assert house.heard[0].machine == nasty


async def test_while_the_key_is_changed_links_under_the_last_one_still_work():
    async with serving(link_key=b"n" * 32, old_link_keys=(KEY,)) as house:
        assert (await fetch(house, link(), "POST"))[0] == 200
    async with serving(link_key=b"n" * 32) as house:
        assert (await fetch(house, link()))[0] == 403


async def test_links_work_behind_the_owner_s_own_address():
    """A proxy passes its own name on; the links carry the configured address, never the Host that somebody sends."""
    async with serving(base_url="https://shed.saltmarsh.example") as house:
        for host, wanted in (("shed.saltmarsh.example", 200), ("evil.example", 421)):
            assert (await fetch(house, link(), headers={"Host": host}))[0] == wanted


async def test_forged_and_expired_links_are_refused_clearly():
    async with serving() as house:
        made = link()
        for method in ("GET", "POST"):
            status, text, _ = await fetch(house, made[:-2] + "zz", method)
            assert (status, "not made here" in text) == (403, True)
        house.clock.at_s += 86_400
        for method in ("GET", "POST"):
            status, text, _ = await fetch(house, made, method)
            assert (status, "too old" in text) == (410, True)
    assert (house.heard, house.spent) == ([], {})


async def test_links_cannot_be_guessed_at_speed():
    async with serving() as house:
        codes = [(await fetch(house, "/a/v1.x.y", "POST"))[0] for _ in range(12)]
    assert codes == [403] * 10 + [429] * 2


# ---- live news ------------------------------------------------------------------------------------------------


class Listener:
    """A page that listens."""

    def __init__(self, answer):
        self.answer = answer

    async def next(self, within_s=3.0):
        async with asyncio.timeout(within_s):
            data, kind = None, "message"
            while True:
                line = (await self.answer.content.readline()).decode()
                if not line:
                    return None
                if line.startswith("data: "):
                    data = line[6:]
                if line.startswith("event: "):
                    kind = line[7:].strip()
                if line == "\n" and data is not None:
                    return kind if kind != "message" else json.loads(data)


@asynccontextmanager
async def listening():
    async with (
        serving() as house,
        aiohttp.ClientSession(read_bufsize=2**20) as session,
        session.get(house.url + "/events") as answer,
    ):
        yield house, Listener(answer)


async def test_news_start_with_everything_and_go_on_with_what_changed():
    async with listening() as (house, page):
        assert page.answer.headers["Content-Type"] == "text/event-stream"
        first = await page.next()
        assert first["full"]
        assert set(first["panels"]) >= {"verdict", "beds", "machines", "power"}
        house.shown = web_sample.calm()
        began = time.monotonic()
        house.server.changed()
        news = await page.next()
        assert time.monotonic() - began < 2.0, "W3: 2 s to the screen, also of a mere reading"
        assert news["seq"] == first["seq"] + 1
        assert "No bed waits; 3 machines building" in news["panels"]["verdict"]
        assert "as_of" not in news["panels"], "what is as it was is not sent again"


async def test_a_page_that_goes_before_it_is_answered_is_no_error(monkeypatch, caplog):
    async def gone(*_):
        raise ConnectionResetError

    patience = aiohttp.ClientTimeout(total=20)
    async with serving() as house, aiohttp.ClientSession(timeout=patience) as session:
        with monkeypatch.context() as patched:
            patched.setattr(web.StreamResponse, "prepare", gone)
            for path in ("/events", "/wall"):
                with pytest.raises(aiohttp.ClientError):
                    await session.get(house.url + path)
        assert (await session.get(house.url + "/wall")).status == 200
    assert not [record for record in caplog.records if record.levelname == "ERROR"]


async def test_many_changes_are_one_rendering_a_second():
    async with listening() as (house, page):
        await page.next()
        got = 0
        for at in range(40):
            house.shown["verdict"]["title"] = f"step {at}"
            house.server.changed()
            await asyncio.sleep(0.05)
        last = None
        while last is None or "step 39" not in last["panels"]["verdict"]:
            last = await page.next()
            got += 1
    assert got <= 4


async def test_a_quiet_page_hears_a_beat():
    async with listening() as (_, page):
        await page.next()
        assert await page.next(within_s=7.0) == "beat"


def test_a_slow_page_s_queue_is_bounded_and_ends_in_a_snapshot():
    reader = Reader()
    for at in range(QUEUE + 3):
        reader.put(b"%d" % at)
    held = [reader._queue.get_nowait() for _ in range(reader._queue.qsize())]
    assert held == [None, b"%d" % (QUEUE + 1), b"%d" % (QUEUE + 2)], "the snapshot comes before what follows it"
    assert reader.dropped == QUEUE
    for _ in range(100 * QUEUE):
        reader.put(b"x")
    assert reader._queue.qsize() <= QUEUE


async def test_too_many_pages_of_one_browser_are_told_to_ask_instead():
    async with serving() as house, aiohttp.ClientSession() as session:
        open_ = [await session.get(house.url + "/events") for _ in range(4)]
        fifth = await session.get(house.url + "/events")
        assert fifth.status == 503
        status, text, _ = await fetch(house, "/panels")
        assert status == 200
        assert json.loads(text)["full"]
        for answer in (*open_, fifth):
            answer.close()


async def test_a_view_that_fails_once_does_not_end_the_news(caplog):
    async with listening() as (house, page):
        await page.next()
        house.breaks = RuntimeError("no view")
        house.server.changed(soon=True)
        await asyncio.sleep(1.3)
        house.breaks = None
        house.shown["verdict"]["title"] = "and on"
        house.server.changed()
        news = await page.next()
        assert "and on" in news["panels"]["verdict"]
    assert "could not be rendered" in caplog.text


async def test_a_session_that_ends_ends_the_news():
    async with serving(password="tide") as house, aiohttp.ClientSession(read_bufsize=2**20) as session:
        _, _, signed = await sign_in(house, "tide")
        cookie = {"Cookie": signed.headers["Set-Cookie"].split(";")[0]}
        page = Listener(await session.get(house.url + "/events", headers=cookie))
        await page.next()
        await fetch(house, "/sign-out", "POST", headers=SAME | cookie)
        house.shown["verdict"]["title"] = "secret"
        house.server.changed()
        assert await page.next(within_s=7.0) is None


async def test_stopping_takes_less_than_two_seconds_with_pages_open():
    async with aiohttp.ClientSession() as session:
        async with serving(House(), stop_s=2.0) as house:
            answers = [await session.get(house.url + "/events") for _ in range(3)]
            began = time.monotonic()
        assert time.monotonic() - began < 2.0
        for answer in answers:
            answer.close()


async def test_the_server_starts_again_after_a_stop():
    for _ in range(2):
        async with serving() as house:
            assert (await fetch(house, "/healthz"))[0] == 200
