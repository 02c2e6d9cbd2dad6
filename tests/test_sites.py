"""The page of sites: the newest word of each, unknown where it is old or the collector's last will has spoken."""

import json
from pathlib import Path

from farmwatch.assemble_pair import SUMMARY_S, Several, slug
from farmwatch.settings import load
from farmwatch.sources.mqtt import MqttConfig, MqttSource
from farmwatch.web.markup import Html
from farmwatch.web.sites_page import page
from farmwatch.words.model import Raw

TOML = """
[site]
name = "Saltmarsh Works"
[mqtt]
client_id = "shed"
[web]
sites = ["shed", "barn"]
"""
ASSETS = dict.fromkeys(("page.css", "page.js", "icon.svg", "page.webmanifest"), "/x")
NOW_S = 1_764_000_000.0


def several(folder: Path) -> Several:
    (folder / "farmwatch.toml").write_text(TOML)
    settings = load(folder / "farmwatch.toml", live=False)
    assert set(Several.topics(settings)) == {
        "farmwatch/+/summary/shed", "farmwatch/+/summary/barn", "shed/status", "barn/status",
    }  # fmt: skip
    return Several(MqttSource(MqttConfig()), settings, dict)


def says(one: Several, topic: str, doc: object) -> None:
    assert one._ours(Raw(NOW_S, "mqtt", topic, json.dumps(doc).encode(), retained=True))


def word(client: str, at_s: float, title: str = "No bed waits", site: str = "Saltmarsh Works") -> dict:
    return {"site": site, "at_s": at_s, "client": client, "level": "calm", "title": title, "text": ""}


def test_a_row_a_site_and_the_newest_of_its_collectors(tmp_path: Path) -> None:
    one = several(tmp_path)
    says(one, "farmwatch/saltmarsh-works/summary/shed", word("shed", NOW_S - 300, "Old word"))
    says(one, "farmwatch/saltmarsh-works/summary/barn", word("barn", NOW_S - 5))
    says(one, "farmwatch/east/summary/east", word("east", NOW_S - 5, site="East"))
    rows = {row["site"]: row for row in one.sites(NOW_S)}
    assert (rows["Saltmarsh Works"]["level"], rows["Saltmarsh Works"]["collector"]) == ("calm", "barn")
    assert rows["East"]["level"] == "calm"


def test_old_words_and_last_wills_are_unknown(tmp_path: Path) -> None:
    one = several(tmp_path)
    says(one, "farmwatch/saltmarsh-works/summary/shed", word("shed", NOW_S))
    assert not one.sites(NOW_S + 6 * SUMMARY_S)[0]["stale"]
    assert one.sites(NOW_S + 6 * SUMMARY_S + 1)[0]["level"] == "unknown"
    says(one, "shed/status", {"state": "lost"})
    assert one.sites(NOW_S + 1)[0]["level"] == "unknown"
    says(one, "shed/status", {"state": "online"})
    assert one.sites(NOW_S + 1)[0]["level"] == "calm"


def test_what_is_no_summary_changes_nothing_and_markup_is_text(tmp_path: Path) -> None:
    one = several(tmp_path)
    for doc in ([], {"site": 3}, {"site": "x", "at_s": "now"}, "<b>"):
        says(one, "farmwatch/x/summary/shed", doc)
    assert one.sites(NOW_S) == []
    says(one, "farmwatch/x/summary/shed", word("shed", NOW_S, "<script>alert(1)</script>"))
    assert not one._ours(Raw(NOW_S, "mqtt", "works/avocet/status", b"{}", retained=False))
    html = page("Saltmarsh Works", one.sites(NOW_S), ASSETS, Html(""))
    assert "<script>alert" not in html
    assert "&lt;script&gt;" in html


def test_a_site_is_a_level_of_a_topic() -> None:
    assert slug("Saltmarsh Works / +#") == "saltmarsh-works"
    assert slug("++") == "site"
