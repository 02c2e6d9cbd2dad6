"""Every node of the load tree in the view and on the page: W, VA, A, headroom, demand, meter beside sum, policy."""

from dataclasses import replace

import pytest
from farm import T0, Driver
from test_accounts import meter, works

from farmwatch.settings import load
from farmwatch.web.markup import zone
from farmwatch.web.place_panels import CAUTION, places


@pytest.fixture(scope="module")
def view():
    """Forty minutes; circuit west's own meter shows 30 W more than what it feeds; a router is a configured constant."""
    site = works()
    supply = replace(site.supply, ranges_w={"router": (8.0, 14.0)})
    router = replace(site.loads["dryer"], name="router", circuit=None, backup="one", constant_w=10.0)
    day = Driver(replace(site, supply=supply, loads={**site.loads, "router": router}))

    def each(d):
        high = T0 + 1200.0 <= d.now < T0 + 1260.0
        for name, watts in (("avocet", 100.0), ("bittern", 100.0), ("dryer", 200.0), ("strip", 230.0)):
            meter(d, name, 400.0 if name == "dryer" and high else watts)
        meter(d, "west", 660.0 if high else 460.0, current_a=2.1, voltage_v=231.0, apparent_va=485.0)

    day.run(2400.0, 10.0, each)
    return day.brain.view(day.now)


def node(view, name):
    return next(row for row in view["tree"] if row["name"] == name)


def test_the_tree_is_there_at_any_depth_each_node_before_what_it_feeds(view):
    names = [row["name"] for row in view["tree"]]
    assert names[0] == "site"
    for row in view["tree"][1:]:
        assert names.index(row["parent"]) < names.index(row["name"])
        assert row["depth"] == node(view, row["parent"])["depth"] + 1
    one = node(view, "one")
    assert (one["parent"], one["depth"], one["kind"]) == ("strip", 3, "backup")


def test_watts_va_and_amps_and_the_meter_beside_the_sum(view):
    west = node(view, "west")
    strain = west["strain"]
    assert (west["watts"], strain["va"], strain["amps"]) == (460.0, 485.0, 2.1)
    assert strain["meter_minus_sum_w"] == pytest.approx(460.0 - 430.0)
    inside = node(view, "one")["strain"]
    assert inside["range_w"] == [208.0, 214.0]
    assert node(view, "one")["watts"] == 210.0


def test_headroom_now_of_the_day_and_at_the_worst_minute(view):
    west = node(view, "west")
    limit_w = 16 * 230 * 0.8
    strain = west["strain"]
    assert west["limit_w"] == pytest.approx(limit_w)
    assert strain["headroom_w"] == pytest.approx(limit_w - 460.0)
    assert strain["headroom_worst_w"] == pytest.approx(limit_w - 660.0, abs=20.0)
    mean_w = (14 * 460.0 + 660.0) / 15  # one minute of fifteen: the demand of that quarter of an hour
    assert strain["demand_w"] == pytest.approx(mean_w, abs=2.0)
    assert strain["headroom_day_w"] == pytest.approx(limit_w - strain["demand_w"])
    assert 0.0 < view["demand_factor"] < 1.0
    assert view["diversity_factor"] is None, "the meters before the parts see 30 W more than all parts together"


def test_what_a_breaker_does_and_where_the_limit_comes_from(view):
    """IEC 60898-1: 1.13 and 1.45 times the rated current, conventional time 1 h up to 63 A."""
    west = node(view, "west")
    assert west["strain"]["trip_a"] == [18.08, 23.2, 1.0]
    assert "80 % of its breaker's 16 A for loads of 3 h and more" in west["policy"]
    html = places(view, zone("UTC"))
    for words in (CAUTION, "18.08 A for 1 h", "local codes", "by what is configured", "beside the sum", "at the worst"):
        assert words in html


def test_a_circuit_may_have_a_policy_of_its_own(tmp_path):
    path = tmp_path / "farmwatch.toml"
    path.write_text(
        "[site]\ncontinuous_share = 0.9\n[circuits]\nwest = { rating_a = 16, continuous_share = 0.7 }\n"
        "east = { rating_a = 16 }\n", "utf-8",
    )  # fmt: skip
    plan = load(str(path), live=False).plan()
    assert [plan.circuits[name].continuous_share for name in ("west", "east")] == [0.7, 0.9]


def test_a_view_without_a_tree_shows_nothing():
    assert places({}, zone("UTC")) == ""
