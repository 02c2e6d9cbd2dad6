"""The views' own parts: the wall's lines, the strip of time, what can be taken back, how figures are written, roles."""

import math
import re
from datetime import UTC, datetime
from itertools import combinations

import aiohttp
import pytest
import web_sample
from farm import solo
from hypothesis import given
from hypothesis import strategies as st
from test_panels import CSS, contrast, palettes, words
from web_house import serving

from farmwatch.web import beds_panel, looks, machine_cell, manner, markup, roles, sessions, strip, wall
from farmwatch.web.outage_page import page
from farmwatch.words.errors import Refused
from farmwatch.words.model import COMMANDS

LONDON = markup.zone("Europe/London")

# ---- taking "cleared" back ------------------------------------------------------------------------------------------


def waiting_bed():
    day = solo("avocet")
    day.panel("avocet", state="printing", progress=0.9, bed_c=60)
    day.run(600, each=lambda d: d.panel("avocet", state="printing", progress=0.95, bed_c=60))
    day.panel("avocet", state="done", bed_c=60)
    day.run(60, each=lambda d: d.panel("avocet", state="idle", bed_c=22))
    assert day.machine("avocet").state == "waiting"
    return day


def test_cleared_can_be_taken_back_and_the_bed_waits_as_long_as_it_did():
    day = waiting_bed()
    before = day.machine("avocet").as_dict()
    day.say("cleared", "avocet")
    assert day.machine("avocet").state == "idle"
    day.run(8, each=lambda d: d.panel("avocet", state="idle", bed_c=22))
    day.say("uncleared", "avocet")
    after = day.machine("avocet").as_dict()
    for key in ("state", "since_s", "waiting_since_s", "bed_full", "because"):
        assert after[key] == before[key], key
    day.run(60, each=lambda d: d.panel("avocet", state="idle", bed_c=22))
    assert day.machine("avocet").state == "waiting", "reports do not undo the undoing"
    with pytest.raises(Refused, match="not just now"):
        day.say("uncleared", "avocet")


def test_cleared_stands_when_it_is_not_taken_back_in_time_or_the_next_build_has_begun():
    day = waiting_bed()
    day.say("cleared", "avocet")
    day.run(40, each=lambda d: d.panel("avocet", state="idle", bed_c=22))
    with pytest.raises(Refused, match="not just now"):
        day.say("uncleared", "avocet")
    day = waiting_bed()
    day.say("cleared", "avocet")
    day.panel("avocet", state="printing", progress=0.0, bed_c=60)
    with pytest.raises(Refused, match="next build"):
        day.say("uncleared", "avocet")
    with pytest.raises(Refused):
        waiting_bed().say("uncleared", "avocet")


def test_taking_back_outlives_a_restart_and_an_early_clearing_cools_on():
    day = waiting_bed()
    day.say("cleared", "avocet")
    day.restart(after=3.0)
    day.say("uncleared", "avocet")
    assert day.machine("avocet").bed_full
    day = solo("avocet")
    day.panel("avocet", state="printing", progress=0.9, bed_c=60)
    day.run(600, each=lambda d: d.panel("avocet", state="printing", progress=0.95, bed_c=60))
    day.panel("avocet", state="done", bed_c=60)
    day.say("cleared", "avocet")
    assert day.machine("avocet").state == "idle"
    day.say("uncleared", "avocet")
    assert day.machine("avocet").state == "cooling"


def test_the_page_offers_it_for_ten_seconds():
    day = waiting_bed()
    day.say("cleared", "avocet", by="bram")
    html = beds_panel.beds(day.brain.view(day.now))
    assert 'value="uncleared"' in html
    assert "said by bram just now" in words(html)
    assert 'value="uncleared"' not in beds_panel.beds(day.brain.view(day.now + beds_panel.UNDO_S))
    assert "uncleared" in COMMANDS


# ---- the wall ----------------------------------------------------------------------------------------------------

VIEWS = ("usual", "calm", "outage", "blank", "empty", "hostile")


@pytest.mark.parametrize("name", VIEWS)
def test_the_wall_has_five_lines_of_at_most_sixteen_characters(name):
    said = wall.lines_of(getattr(web_sample, name)())
    assert len(said.lines) == 5
    assert all(0 < len(line) <= wall.MOST for line in said.lines), said.lines
    assert said.level in {*looks.VERDICTS, "silent"} or name == "hostile"


@given(st.lists(st.text(min_size=1, max_size=60), max_size=300))
def test_names_of_any_length_fit(names):
    line = wall.fitting(names)
    assert len(line) <= wall.MOST
    assert bool(line) == bool(names) or not names[0].strip()


def test_the_wall_s_letters_are_large_enough_for_three_metres():
    """ISO 9241 (by its printed extracts): 16 minutes of arc at least, 20 to 22 preferred. At 3 m on 10 inches of 1280 x
    800 pixels (149.4 a unit of 25.4 mm) that is 14.0, 17.5 mm: 82 and 103 pixels of capitals; ours keep 114 and 143."""
    pixel_mm = 25.4 * 10.1 / math.hypot(1280, 800)
    for size, least in ((wall.FIRST, 142), (wall.OTHER, 114)):
        capitals = size * wall.CAPITALS
        assert capitals >= least
        arc_min = math.degrees(2 * math.atan(capitals * pixel_mm / 2 / 3_000)) * 60
        assert arc_min >= 20
    tops = [y - wall.CAPITALS * (wall.FIRST if at == 0 else wall.OTHER) for at, y in enumerate(wall.BASELINES)]
    assert tops[0] >= 0
    assert all(top > below for below, top in zip(wall.BASELINES, tops[1:], strict=False)), "lines do not touch"
    assert wall.BASELINES[-1] + 0.212 * wall.OTHER <= wall.HIGH, "descenders (Liberation Sans 0.212 em) stay in sight"


def test_the_wall_says_what_is_and_what_is_not_known():
    assert wall.lines_of(web_sample.usual()).lines == ("CLEAR BED", "bittern", "due 14:09 fulmar", "mains ? ≥ 1.5 kW",
                                                       "at 14:00")  # fmt: skip
    outage = wall.lines_of(web_sample.outage())
    assert outage.lines[:2] == ("ON BATTERY", "2 min two")
    assert wall.lines_of(web_sample.blank()).lines[0] == "NO DATA"
    silent = web_sample.usual()
    for source in silent["sources"]:
        source.update(state="silent", age_s=45.0)
    assert wall.lines_of(silent).lines[:2] == ("NO DATA", "for 40 s")
    calm = web_sample.calm()
    assert wall.lines_of(calm).lines[0] == "ALL WELL"
    calm["machines"][0].update(state="unknown")
    assert wall.lines_of(calm).lines[:2] == ("NOT KNOWN", "avocet"), "all is not well while one is not known"
    calm["total"]["watts"] = None
    assert "? W" in wall.lines_of(calm).lines[3]


def test_the_wall_is_dark_at_night_and_calls_only_for_danger_that_nobody_answers():
    view = web_sample.outage()
    assert 'class="wall danger calls"' in wall.wall(view)
    for alarm in view["alarms"]:
        alarm["state"] = "acknowledged"
    assert "calls" not in wall.wall(view)
    view["at_s"] += 9 * 3_600
    assert "night" in wall.wall(view)
    assert "prefers-reduced-motion: reduce) { .wall.calls .shape { animation: none; }" in CSS


def test_the_wall_s_contrast_is_at_least_seven():
    blocks = re.findall(r"\.wall[.\w]* \{([^}]*)\}", CSS)
    seen = 0
    for block in blocks:
        found = dict(re.findall(r"--w-([a-z]+): (#[0-9a-f]{6})", block))
        for over, under in (("text", "ground"), ("on", "band")):
            if over in found and under in found:
                seen += 1
                assert contrast(found[over], found[under]) >= 7, block
    assert seen >= 9


# ---- the strip of time ----------------------------------------------------------------------------------------------


def test_rounds_ahead_are_local_clock_times_also_over_a_change_of_the_clock():
    """Europe/London went back at 2025-10-26 01:00 UTC (IANA time zone database): the next 08:30 is a UTC 08:30."""
    now_s = 1_761_418_800.0  # 2025-10-25 19:00 UTC, 20:00 BST
    first, second = strip.rounds_ahead(["08:30", "18:00"], now_s, LONDON)
    assert first == 1_761_467_400.0  # 2025-10-26 08:30 UTC
    assert second == 1_761_501_600.0  # 18:00 UTC
    assert strip.rounds_ahead([], now_s, LONDON) == []


def test_a_build_is_a_band_from_p10_to_p90_with_its_middle_and_words_beside_it():
    view = web_sample.usual()
    view["rounds"] = ["08:30", "18:00"]
    busy = [machine for machine in view["machines"] if machine["state"] == "printing"]
    html = strip.strip(busy, view, LONDON)
    axis = strip.axis_of(busy, strip.rounds_ahead(view["rounds"], view["at_s"], LONDON), view["at_s"])
    now_s = view["at_s"]
    assert axis.end_s >= axis.rounds[1]
    low, middle, high = (axis.at(now_s + 60 * minutes) for minutes in (32, 40, 55))
    lane = html[html.index('data-key="next-avocet"') : html.index("</li>", html.index('data-key="next-avocet"'))]
    assert f'class="sure" width="{low:.1f}%"' in lane
    assert f'class="in" x="{low:.1f}%" y="12" width="{middle - low:.1f}%"' in lane
    assert f'class="out" x="{middle:.1f}%" y="12" width="{high - middle:.1f}%"' in lane
    assert "between 14:32 and 14:55 in 8 of 10 cases" in lane
    text = words(html)
    assert "Round at 18:00 finds finished:" in text
    assert "cannot be said: lapwing" in text, "a build without an interval is not promised to anybody"


@given(st.floats(-1e6, 1e6), st.floats(1, 1e6))
def test_the_axis_keeps_order_and_stays_within_the_strip(at_s, wide_s):
    axis = strip.Axis(0.0, wide_s, ())
    assert 0.0 <= axis.at(at_s) <= 100.0
    assert axis.at(at_s) <= axis.at(at_s + 60.0)


# ---- the outage view ------------------------------------------------------------------------------------------------


def test_the_outage_view_puts_the_first_time_first_and_says_what_is_not_known():
    view = web_sample.outage()
    now_s = view["at_s"]
    view["outages"] = {
        "open": [], "last": None, "diary": [], "years": [],
        "decisions": [{"backup": "two", "by_s": now_s + 60, "pause": ["dunlin"], "stop": ["fulmar"], "saves": ["eider"],
                       "needed": 0.4}],
    }  # fmt: skip
    text = words(page(view))
    assert "by 14:01 pause dunlin and stop fulmar" in text
    assert "in 1 min; backup two ; saves eider; chance that it is needed: 40 %" in text
    assert text.index("two battery low") < text.index("one on battery") < text.index("four on battery")
    assert "runtime not known" in text


# ---- how figures are written ----------------------------------------------------------------------------------------


@pytest.fixture
def in_manner():
    before = manner._MANNER.get()
    yield manner.use
    manner.use(before)


def test_figures_follow_the_locale_the_clock_and_the_units(in_manner):
    in_manner(manner.Manner("de-DE", us_units=False))
    assert markup.watts(2944) == "2,94 kW"
    assert manner.number(12_345.6, 1) == "12.345,6"
    assert markup.moment(web_sample.NOW_S, web_sample.NOW_S, LONDON) == "14:00"
    in_manner(manner.Manner("en-US", us_units=True))
    assert markup.moment(web_sample.NOW_S, web_sample.NOW_S, LONDON) == "2:00\u00a0pm"
    assert markup.moment(web_sample.NOW_S - 20 * 86_400, web_sample.NOW_S, LONDON) == "Jun 6 2:00\u00a0pm"
    assert manner.degrees(60.0) == "140 °F"
    assert machine_cell._degrees(-40.0) == "-40 °F", "the two scales meet at -40"
    in_manner(manner.Manner("en-US", clock=24))
    assert markup.moment(web_sample.NOW_S, web_sample.NOW_S, LONDON) == "14:00"
    assert manner.degrees(60.4) == "60 °C"


@pytest.mark.parametrize(("hour", "said"), [(0, "12:05 am"), (11, "11:05 am"), (12, "12:05 pm"), (23, "11:05 pm")])
def test_midnight_and_noon_of_a_twelve_hour_clock(hour, said, in_manner):
    """Twelve is the first hour of each half (common practice, CLDR's pattern h:mm a)."""
    in_manner(manner.Manner(clock=12))
    assert manner.clock(datetime(2025, 6, 26, hour, 5, tzinfo=UTC)).replace("\u00a0", " ") == said


async def test_the_page_is_written_in_the_configured_manner():
    async with (
        serving(manner=manner.Manner("de-DE", clock=12, us_units=True)) as house, aiohttp.ClientSession() as session,
        session.get(house.url + "/") as answer,
    ):  # fmt: skip
        text = words(await answer.text())
    assert "2,71 kW" in text
    assert "140 °F" in text
    assert "2:40 pm" in text
    assert "°C" not in text


# ---- roles ----------------------------------------------------------------------------------------------------

ROUTES = (
    # method, path, nobody, look, act: the status with no cookie, the looking password's and the acting one's
    ("GET", "/", 303, 200, 200),
    ("GET", "/wall", 303, 200, 200),
    ("GET", "/outage", 303, 200, 200),
    ("GET", "/machine/avocet", 303, 200, 200),
    ("GET", "/round", 303, 200, 200),
    ("GET", "/shop", 303, 200, 200),
    ("GET", "/work", 303, 200, 200),
    ("GET", "/report", 303, 404, 404),  # no journal is kept here
    ("GET", "/panels", 401, 200, 200),
    ("GET", "/api/v1/view", 401, 200, 200),
    ("GET", "/api/v1/history", 401, 200, 200),
    ("GET", "/api/v1/series?subject=avocet&quantity=power_w", 401, 200, 200),
    ("GET", "/sign-in", 200, 303, 303),
    ("GET", "/healthz", 200, 200, 200),
    ("POST", "/sign-in", 403, 403, 403),  # a wrong password
    ("POST", "/say", 401, 403, 303),
    ("POST", "/api/v1/say", 401, 403, 200),
    ("POST", "/api/v1/import", 401, 403, 400),
    ("POST", "/round", 401, 403, 303),
    ("POST", "/work", 401, 403, 415),  # a file is wanted
    ("POST", "/spools", 401, 403, 415),
    ("POST", "/who", 401, 403, 303),
    ("POST", "/act", 401, 403, 404),
    ("POST", "/act/sign-in", 401, 403, 404),
    ("POST", "/api/v1/act", 401, 403, 404),
    ("POST", "/sign-out", 401, 303, 303),
)


def test_the_wall_from_nearer_and_farther():
    """Letters in proportion to the distance: 20 minutes of arc (ISO 9241) at any; what does not fit is left out."""
    for metres, count in ((1, 15), (2, 7), (3, 5), (4, 3), (5, 2)):
        at = wall.plan(metres)
        assert at.rows == count
        last = (wall.BASELINES[1] + (at.rows - 2) * 151 + 34) * at.scale
        assert last <= wall.HIGH < last + 151 * at.scale, "as many lines as fit, and not one more"
        for view in ("usual", "outage", "blank", "longest"):
            said = wall.lines_of(getattr(web_sample, view)(), at)
            assert len(said.lines) <= at.rows
            assert all(0 < len(line) <= max(at.most, wall.MOST) for line in said.lines), said.lines
    near = wall.lines_of(web_sample.usual(), wall.plan(1)).lines
    assert sum(line.startswith("due ") for line in near) > 1
    assert near[-1] == "at 14:00"
    manner.use(manner.Manner(wall_m=1.5))
    assert 'font-size="100"' in wall.wall(web_sample.usual())
    manner.use(manner.Manner())


async def test_every_route_by_every_role():
    same = {"Sec-Fetch-Site": "same-origin"}
    async with serving(password="tide and time", look_password="only looking") as house:
        jar = aiohttp.DummyCookieJar()
        async with aiohttp.ClientSession(cookie_jar=jar) as session:
            cookies = {"nobody": {}}
            for role, password in (("look", "only looking"), ("act", "tide and time")):
                async with session.post(house.url + "/sign-in", data={"password": password}, headers=same,
                                        allow_redirects=False) as answer:  # fmt: skip
                    assert answer.status == 303
                    cookies[role] = {"Cookie": answer.headers["Set-Cookie"].split(";")[0]}
            for method, path, *wanted in ROUTES:
                for role, status in zip(cookies, wanted, strict=True):
                    async with session.request(
                        method, house.url + path, headers=same | cookies[role], allow_redirects=False,
                        data={"command": "cleared", "machine": "ibis"} if method == "POST" else None,
                    ) as answer:  # fmt: skip
                        assert answer.status == status, (method, path, role)
            heard = len(house.heard)
            known = {(method, path.partition("?")[0].replace("avocet", "{name}")) for method, path, *_ in ROUTES}
            written = {("POST", route.resource.canonical) for route in house.server._runner.app.router.routes()
                       if route.method == "POST" and "{" not in route.resource.canonical}  # fmt: skip
            assert written <= known, "a new route that writes belongs into this table"
    assert heard == 3, "nobody but the acting role was heard"


def test_passwords_of_the_roles_are_told_apart_and_one_cookie_is_not_the_other():
    door = roles.Roles("tide", "ebb", b"k" * 32)
    assert (door.right("tide"), door.right("ebb"), door.right("flow")) == ("act", "look", None)
    assert door.role(door.open("look", 0.0), 1.0) == "look"
    assert door.role(door.open("act", 0.0), 1.0) == "act"
    assert door.role(sessions.Sessions("ebb", b"k" * 32).open(0.0), 1.0) is None, "a cookie of another key"
    cookie = door.open("look", 0.0)
    door.close(cookie, 1.0)
    assert door.role(cookie, 2.0) is None
    assert roles.Roles(None, "ebb", b"k" * 32).role(None, 0.0) == "act", "no password: this computer alone"
    same = roles.Roles("tide", "tide", b"k" * 32)
    assert same.right("tide") == "act"


async def test_who_may_only_look_sees_no_button_that_says_something():
    same = {"Sec-Fetch-Site": "same-origin"}
    async with (
        serving(password="tide and time", look_password="only looking") as house,
        aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as session,
    ):  # fmt: skip
        await session.post(house.url + "/sign-in", data={"password": "only looking"}, headers=same)
        async with session.get(house.url + "/") as answer:
            assert '<body class="looks">' in await answer.text()
    assert '.looks form.say, .looks form[action="/act"] { display: none; }' in CSS


# ---- colours ----------------------------------------------------------------------------------------------------


def lab(rgb):
    """CIE L*a*b* of linear sRGB, D65 white (IEC 61966-2-1, CIE 15)."""
    red, green, blue = rgb
    xyz = (
        (0.4124564 * red + 0.3575761 * green + 0.1804375 * blue) / 0.95047,
        0.2126729 * red + 0.7151522 * green + 0.0721750 * blue,
        (0.0193339 * red + 0.1191920 * green + 0.9503041 * blue) / 1.08883,
    )
    x, y, z = (t ** (1 / 3) if t > 216 / 24389 else (24389 / 27 * t + 16) / 116 for t in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def linear(colour):
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def delta_e(one, other):
    """CIEDE2000 as Sharma, Wu and Dalal write it (Color Research and Application 30, 2005)."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean = (math.hypot(a1, b1) + math.hypot(a2, b2)) / 2
    g = 0.5 * (1 - math.sqrt(mean**7 / (mean**7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = math.hypot(a1, b1), math.hypot(a2, b2)
    h1, h2 = (math.degrees(math.atan2(b, a)) % 360 if (a or b) else 0.0 for a, b in ((a1, b1), (a2, b2)))
    dh = h2 - h1 if c1 * c2 else 0.0
    dh -= 360 if dh > 180 else -360 if dh < -180 else 0
    big_h = 2 * math.sqrt(c1 * c2) * math.sin(math.radians(dh / 2))
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2
    h_mean = h1 + h2
    if c1 * c2:
        h_mean = h_mean / 2 if abs(h1 - h2) <= 180 else (h_mean + 360) / 2 if h_mean < 360 else (h_mean - 360) / 2
    t = (1 - 0.17 * cosd(h_mean - 30) + 0.24 * cosd(2 * h_mean) + 0.32 * cosd(3 * h_mean + 6)
         - 0.20 * cosd(4 * h_mean - 63))  # fmt: skip
    turn = 30 * math.exp(-(((h_mean - 275) / 25) ** 2))
    r_c = 2 * math.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / math.sqrt(20 + (l_mean - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t
    dl, dc, dh = (l2 - l1) / s_l, (c2 - c1) / s_c, big_h / s_h
    return math.sqrt(dl**2 + dc**2 + dh**2 - math.sin(math.radians(2 * turn)) * r_c * dc * dh)


def cosd(degrees):
    return math.cos(math.radians(degrees))


@pytest.mark.parametrize(("one", "other", "wanted"), [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.4900, -0.0010), (50, -2.4900, 0.0009), 7.1792),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (61, -5, 29), 22.8977),
    ((50, 2.5, 0), (56, -27, -3), 31.9030),
    ((50, 2.5, 0), (58, 24, 15), 19.4535),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
])  # fmt: skip
def test_the_colour_difference_is_the_published_one(one, other, wanted):
    """Pairs of Sharma, Wu and Dalal 2005, table 1 (typed from memory; each agrees to its four figures)."""
    assert delta_e(one, other) == pytest.approx(wanted, abs=5e-5)
    assert delta_e(other, one) == pytest.approx(wanted, abs=5e-5)


SEEN_BY = {
    # Machado, Oliveira and Fernandes 2009, severity 1.0, on linear RGB (from memory; every row sums to 1)
    "all": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


@pytest.mark.parametrize("eyes", SEEN_BY)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_colours_of_the_states_differ_for_every_kind_of_eye(scheme, eyes):
    assert all(sum(row) == pytest.approx(1.0, abs=2e-6) for row in SEEN_BY[eyes])
    colour = palettes()[scheme]
    seen = {}
    for tone in ("act", "danger", "odd", "quiet"):  # quiet: the grey of what is normal
        rgb = linear(colour[tone])
        mixed = [min(1.0, max(0.0, sum(k * part for k, part in zip(row, rgb, strict=True)))) for row in SEEN_BY[eyes]]
        seen[tone] = lab(mixed)
    for one, other in combinations(seen, 2):
        assert delta_e(seen[one], seen[other]) >= 20, (one, other, delta_e(seen[one], seen[other]))
