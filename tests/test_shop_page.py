"""The pages /shop and /report, and the forms on them, over the real server."""

import re
from html.parser import HTMLParser

import pytest
import web_sample
from farm import T0
from test_shop import SPOOLS, build, shop
from test_web import SAME, fetch
from test_yields import T0 as REPORT_S
from test_yields import one_day
from web_house import House, serving

from farmwatch.shop import yields
from farmwatch.shop.show import shop_view
from farmwatch.shop.usage import Rates
from farmwatch.web import manner, report_page, shop_panels
from farmwatch.web.markup import NOTHING
from farmwatch.words.errors import Refused
from farmwatch.words.model import Observed

ASSETS = {name: f"/static/{name}" for name in ("page.css", "page.js", "icon.svg", "page.webmanifest")}


class Balance(HTMLParser):
    """Every tag that is opened is closed, in order."""

    VOID = frozenset({"meta", "link", "input", "br", "!doctype"})

    def __init__(self):
        super().__init__()
        self.open = []

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def sound(html):
    parser = Balance()
    parser.feed(html)
    assert parser.open == []
    assert "None" not in re.sub(r"<[^>]*>", " ", html).replace("None.", "")
    return html


@pytest.fixture
def viewed():
    d = shop(more={"sensors": ("shed", "loft")})
    # 23 °C, 40 %: dew point 8.69 °C, 8.2 g/m3 (ASHRAE by psychrolib, worked out apart from this project)
    d.feed(Observed(T0, "shed", "shed.air", {"air_c": 23.0, "humidity": 0.40}))
    build(d, minutes=10.0)
    d.say("serviced", "avocet", part="nozzle", note="hardened <b>")
    d.say("spool_added", spool="pa", material="PA12", grams=700, price=40)
    d.say("spool_loaded", "bittern", spool="pa")
    return d.brain.view(d.now)


def test_the_view_holds_air_spools_service_and_failures(viewed):
    found = viewed["shop"]
    shed, loft = found["air"]
    assert shed["dew_point_c"] == pytest.approx(8.688, abs=0.02)
    assert shed["water_g_m3"] == pytest.approx(8.225, rel=0.005)
    assert shed["dew_point_low_c"] < shed["dew_point_c"] < shed["dew_point_high_c"]
    assert shed["too_humid_for"] == ["PA12"]
    assert (loft["humidity"], loft["dew_point_c"], loft["too_humid_for"]) == (None, None, [])
    assert [spool["name"] for spool in found["spools"]] == ["black-1", "pa", "clear-1"]
    assert found["spools"][0]["left_g"] == pytest.approx(400.0)
    assert {row["name"]: row["stock_g"] for row in found["materials"]}["PA12"] == 700.0
    assert found["failures"][0]["mtbf_h"] is None, "no failure: a lower bound alone"


def test_the_shop_page_says_it_and_escapes_it(viewed):
    html = sound(shop_panels.page(viewed, ASSETS, NOTHING))
    for words in ("black-1", "400 g", "dew point 8.7 °C", "too humid for open PA12", "hardened &lt;b&gt;",
                  "maker's sheet", "nozzle", 'name="command" value="spool_added"'):  # fmt: skip
        assert words in html.replace("&#39;", "'").replace("&#x27;", "'"), words


@pytest.fixture
def written():
    """Write in some manner for one test."""
    yield lambda **how: manner.use(manner.Manner(**how))
    manner.use(manner.Manner())


def test_figures_and_degrees_follow_the_locale(viewed, written):
    written(locale="de-DE")
    assert "23,0 °C" in (german := shop_panels.page(viewed, ASSETS, NOTHING))
    assert "dew point 8,7 °C" in german
    assert "8,2 g of water" in german
    written(locale="en-US", us_units=True)
    american = shop_panels.page(viewed, ASSETS, NOTHING)
    assert "73.4 °F" in american  # 23 °C
    assert "dew point 47.6 °F" in american  # 8.69 °C
    assert "°C" not in american


def test_a_damp_spool_of_which_no_drying_is_known(viewed):
    spool = viewed["shop"]["spools"][0]
    spool |= {"humid_h": 200.0, "dry_after_h": 168.0, "dry_h": None, "dry_c": None}
    assert "dry it as its maker says" in sound(shop_panels.page(viewed, ASSETS, NOTHING)).replace("&#x27;", "'")
    spool |= {"dry_h": 6.0, "dry_c": 65.0}
    assert "dry it, usually 6 h at 65 °C" in shop_panels.page(viewed, ASSETS, NOTHING)


def test_one_is_one_and_what_is_due_later_is_there_too(viewed):
    shop = viewed["shop"]
    shop["spools"][0] |= {"unknown_builds": 1, "days": 1.2}
    part = dict(shop["service"][0]) | {"used": 1.0, "unit": "builds", "every": 200.0}
    shop["service"] = [part | {"machine": f"m{n}"} for n in range(17)]
    html = sound(shop_panels.page(viewed, ASSETS, NOTHING))
    later = "3 parts that are due later"
    for words in ("what 1 build took", "about 1 day at", "1 build<", "200 builds", later, "m16,"):
        assert words in html.replace("&#39;", "'"), words


def test_a_shop_of_which_nothing_is_known_has_a_page_too():
    d = shop(spools={})
    html = sound(shop_panels.page(d.brain.view(T0), ASSETS, NOTHING))
    assert "No spool is known yet" in html
    assert "No sensor" in html


def test_hostile_names_stay_words():
    hostile = web_sample.HOSTILE
    d = shop(spools={hostile: SPOOLS["black-1"].__class__(hostile, hostile, machine="avocet")})
    html = sound(shop_panels.page(d.brain.view(T0), ASSETS, NOTHING))
    assert "<img" not in html


def test_what_a_person_says_shows_at_once():
    d = shop()
    assert shop_view(d.brain.farm, T0)["spools"][0]["left_g"] == 500.0
    d.say("spool_weighed", spool="black-1", grams=123)
    assert shop_view(d.brain.farm, T0)["spools"][0]["left_g"] == 123.0


async def test_the_form_says_it_and_leads_back():
    house = House()
    house.shown["shop"] = shop().brain.view(T0)["shop"]
    async with serving(house):
        status, text, _ = await fetch(house, "/shop?said=spool_dried")
        assert (status, "black-1" in text, "Noted: a spool comes from the dryer." in text) == (200, True, True)
        fields = {"command": "spool_weighed", "spool": "black-1", "grams": "321", "machine": "", "back": "/shop"}
        status, _, answer = await fetch(house, "/say", "POST", data=fields, headers=SAME)
        assert (status, answer.headers["Location"]) == (303, "/shop?said=spool_weighed")
        assert house.heard[-1][1:] == ("spool_weighed", None, "page", {"spool": "black-1", "grams": 321.0})
        away = fields | {"back": "https://example.org/"}
        _, _, answer = await fetch(house, "/say", "POST", data=away, headers=SAME)
        assert answer.headers["Location"] == "/?said=spool_weighed", "it leads nowhere else"
        assert (await fetch(house, "/say", "POST", data=fields | {"grams": "-4"}, headers=SAME))[0] == 400
        assert (await fetch(house, "/say", "POST", data=fields | {"spool": ""}, headers=SAME))[0] == 400
        assert (await fetch(house, "/report"))[0] == 404, "nobody reads a journal here"


async def test_the_report_page_has_what_the_command_has():
    records = yields.records_of(one_day(), ["avocet"], REPORT_S + 86_400)
    span = (REPORT_S, REPORT_S + 86_400, Rates(0.30, 0.50))
    rows = yields.reckon(records, "machine", *span, "Europe/London")
    found = {"first": "2025-11-24", "last": "2025-11-24", "by": "machine", "currency": "GBP"}
    found |= {"rows": [yields.row_of(row) for row in rows], "all": yields.row_of(yields.total(records, *span))}
    asked = []

    async def report(query):
        asked.append(dict(query))
        if "from" in query and query["from"] == "x":
            raise Refused("no such day")
        return found

    async with serving(wiring={"report": report}) as house:
        status, text, _ = await fetch(house, "/report?by=machine&days=1")
        assert (status, asked) == (200, [{"by": "machine", "days": "1"}])
        for words in ("avocet", "11.5", "24.0", "8.95", "1.119", "66 %", "34 %", "GBP"):
            assert words in sound(text), words
        assert (await fetch(house, "/report?from=x"))[0] == 409


def test_the_report_follows_the_locale_and_says_when_nothing_was_watched(written):
    written(locale="fr-FR")
    span = (REPORT_S, REPORT_S + 86_400, Rates(0.30, 0.50))

    def page_of(records):
        rows = [yields.row_of(row) for row in yields.reckon(records, "machine", *span, "Europe/London")]
        found = {"first": "2025-11-24", "last": "2025-11-24", "by": "machine", "currency": "EUR", "rows": rows}
        return sound(report_page.page(web_sample.calm(), found | {"all": yields.row_of(yields.total(records, *span))},
                                      ASSETS, NOTHING))  # fmt: skip

    seen = page_of(yields.records_of(one_day(), ["avocet"], REPORT_S + 86_400))
    assert "11,5" in seen
    assert "1,119" in seen
    assert "Nothing was watched" not in seen
    blind = page_of(yields.records_of([], ["avocet"], REPORT_S + 86_400))
    assert "Nothing was watched in these days" in blind
    assert "0 % to 100 %" not in blind
