"""The round sheet on the page: words, forms without script, keys, hostile names, what a phone sends twice."""

import aiohttp
import pytest
import web_house
import web_sample

from farmwatch.web.round_page import page
from farmwatch.web.round_panel import NOBODY, NOT_YET, panel

NOW = web_sample.NOW_S
ASSETS = {name: f"/static/{name}" for name in ("page.css", "icon.svg", "page.webmanifest", "round.css", "round.js")}


def row(machine="bittern", **changed):
    return {
        "machine": machine, "state": "waiting", "clear_s": NOW - 1320, "off": {"job": "vent clip", "pieces": 12.0,
        "bag": "vent clip: 12"}, "checks": ["look at the machine"], "spool": "PLA-4, PLA, 310 g left",
        "start_s": NOW + 600, "ticks": [],
        "load": {"job": "hose-cradle", "accepted": False, "material": "PETG", "grams": 96.0, "hours": 5.2,
                 "ends_s": NOW + 18_720, "late": False},
    } | changed  # fmt: skip


def rounds(**changed):
    return {
        "as_of_s": NOW, "text": "Go at 18:10: 7 beds; at 18:00 only 5.", "visits": [{"at_s": NOW + 15_000, "beds": []}],
        "windows": [(NOW + 10_000, NOW + 20_000)], "idle_min": 310.0, "unvisited_min": 900.0,
        "curve": [(NOW + 10_000 + 500 * i, 310.0 + 4 * abs(10 - i)) for i in range(21)], "trip_cost_min": 20.0,
        "horizon_h": 24.0, "extra_s": NOW + 3600, "extra_saves_min": 190.0, "now_saves_min": 120.0, "extra_pays": True,
        "unknown": ["dunlin"], "free": [], "trip_min": (12.0, 18.0, 25.0), "open": None, "done": [
            {"id": "r", "began_s": NOW - 90_000, "ended_s": NOW - 89_000, "by": "ann", "beds": ["ibis"],
             "idle_min": 44.0, "took_min": 16.0}],
        "sheet": [row(), row("ibis", off=None, state="idle", ticks=["cleared"], load=None)],
    } | changed  # fmt: skip


def shown(**changed):
    view = web_sample.usual()
    view["trips"] = rounds(**changed)
    return view


def keys():
    count = iter(range(1000))
    return lambda: f"key{next(count)}"


def test_the_line_on_the_live_page():
    words = str(panel(shown()))
    assert "Go at 18:10: 7 beds; at 18:00 only 5." in words
    assert "One more trip now saves 120 machine-minutes; a trip counts as 20." in words
    assert 'href="/round"' in words
    assert NOT_YET in str(panel(web_sample.usual()))
    assert "under [people]" in NOBODY
    assert "One more trip" not in str(panel(shown(extra_pays=False)))


def test_the_sheet_says_what_comes_off_and_what_goes_on():
    html = page(shown(), ASSETS, web_house_footer(), keys())
    assert "vent clip: 12" in html
    assert "hose-cradle, in PETG, 96 g, done about 19:12, a proposal" in html
    assert "PLA-4, PLA, 310 g left" in html
    assert "from 14:10" in html
    assert "look at the machine" in html
    assert "☒ cleared  ☐ started  ☐ checked" in html
    assert "☐ good pieces ____" in html
    assert "<dt>bag</dt><dd><bdi>vent clip: 12</bdi></dd>" in html
    assert 'name="pieces" type="number"' in html
    assert 'value="12"' in html
    assert "their end is not known: dunlin" in html
    assert "about 18 min (12 to 25" in html
    assert "<polyline" in html


def test_every_form_works_without_script_and_has_its_own_key():
    html = page(shown(), ASSETS, web_house_footer(), keys())
    forms = html.split('<form class="tick"')[1:]
    assert len(forms) == 8  # begin; cleared, started, checked, failed, pieces of bittern; started and checked of ibis
    assert all('method="post" action="/round"' in form for form in forms)
    found = [form.split('name="key" value="')[1].split('"')[0] for form in forms]
    assert len(set(found)) == len(forms)


def test_hostile_names_stay_text():
    evil = web_sample.HOSTILE
    html = page(shown(sheet=[row(evil, off={"job": evil, "pieces": None, "bag": evil}, checks=[evil])], text=evil),
                ASSETS, web_house_footer(), keys())  # fmt: skip
    assert "<img" not in html


def web_house_footer():
    from farmwatch.web.markup import fill

    return fill("<footer></footer>")


@pytest.mark.asyncio
async def test_ticks_by_form_and_by_script():
    house = web_house.House()
    house.shown = shown()
    async with web_house.serving(house), aiohttp.ClientSession() as http:
        async with http.get(f"{house.url}/round") as answer:
            html = await answer.text()
            assert answer.status == 200
            assert "round.js" in html
        form = {"command": "cleared", "machine": "bittern", "key": "k1"}
        async with http.post(f"{house.url}/round", data=form, headers=origin(house), allow_redirects=False) as answer:
            assert answer.status == 303
            assert answer.headers["Location"] == "/round?said=cleared#m-bittern"
        headers = origin(house) | {"Accept": "application/json"}
        began = {"command": "round_began", "key": "k2"}
        async with http.post(f"{house.url}/round", data=began, headers=headers) as answer:
            assert answer.status == 200
            assert (await answer.json())["text"] == "round: a round has begun. Noted."
        async with http.post(f"{house.url}/round", data=form | {"machine": "dodo"}, headers=headers) as answer:
            assert answer.status == 409
        async with http.get(f"{house.url}/static/round.js") as answer:
            assert answer.status == 200
    assert [(said.command, said.machine, said.fields) for said in house.heard] == [
        ("cleared", "bittern", {"key": "k1"}), ("round_began", None, {"key": "k2"}),
    ]  # fmt: skip


def origin(house):
    return {"Origin": house.url}
