"""The page's news: only what is open is rendered, only what changed is sent, nothing that shows is kept too long."""

import asyncio
import json
from copy import deepcopy

import pytest
import web_sample

from farmwatch.web import machine_cell, panels, plug_panel
from farmwatch.web.broadcast import Broadcast, changes
from farmwatch.web.markup import Parts, zone

LONDON = zone("Europe/London")
PLUG = {
    "activity": "printing", "probability": 0.97, "because": "92 W", "posterior": {"idle": 0.03, "printing": 0.97},
    "maybe_over": False, "levels": {key: {"watts": 8.0, "minutes": 30.0, "set": False} for key in plug_panel.LEVELS},
    "learned": True, "unit_suspect": None, "may_reopen": False,
}  # fmt: skip


def told(message):
    return json.loads(message.decode().split("data: ", 1)[1])


async def settled():
    """There is nothing to wait for."""


class Heard:
    """A view that can be changed, and how often each panel was drawn."""

    def __init__(self, monkeypatch):
        self.shown, self.drawn = web_sample.usual(), []
        for name, panel in list(panels._ALL.items()):
            monkeypatch.setitem(panels._ALL, name, lambda view, n=name, p=panel: (self.drawn.append(n), p(view))[1])
        self.news = Broadcast(lambda: deepcopy(self.shown), settled)

    def again(self):
        self.drawn.clear()
        self.news.changed(soon=True)
        self.news.refresh()


async def test_a_degree_more_sends_that_machine_s_figures_alone(monkeypatch):
    heard = Heard(monkeypatch)
    reader, _ = heard.news.add()
    heard.shown["machines"][0]["bed_c"] += 3
    heard.again()
    said = told(await asyncio.wait_for(reader.get(), 1))
    assert said["panels"] == {}
    assert list(said["parts"]) == ["machines"]
    assert list(said["parts"]["machines"]) == ["f-avocet"]
    assert "63 °C" in said["parts"]["machines"]["f-avocet"]
    assert len(json.dumps(said)) < 1_500


async def test_a_state_s_change_sends_its_cell_and_a_moved_machine_the_room(monkeypatch):
    heard = Heard(monkeypatch)
    reader, _ = heard.news.add(frozenset({"machines"}))
    heard.shown["machines"][6].update(state="waiting", clear_at_s=web_sample.NOW_S)
    heard.again()
    assert list(told(await reader.get())["parts"]["machines"]) == ["m-gannet"]
    heard.shown["machines"][6]["column"] = 7
    heard.again()
    assert list(told(await reader.get())["panels"]) == ["machines"]


async def test_only_what_an_open_page_shows_is_rendered(monkeypatch):
    heard = Heard(monkeypatch)
    heard.again()
    assert heard.drawn == []
    wall, first = heard.news.add(frozenset({"wall"}))
    assert set(told(first)["panels"]) == {"wall"}
    heard.again()
    assert heard.drawn == ["wall"]
    heard.drawn.clear()
    assert set(heard.news.panels({"verdict", "wall", "nothing"})) == {"verdict", "wall"}
    assert heard.drawn == ["verdict"], "the other is of this round already"
    assert heard.news.snapshot()["panels"]["machines"] == panels.render(heard.shown)["machines"]
    heard.news.remove(wall)
    heard.again()
    assert heard.drawn == []


async def test_a_page_that_opens_between_two_rounds_sees_what_comes_after(monkeypatch):
    heard = Heard(monkeypatch)
    heard.news.add(frozenset({"wall"}))
    heard.again()
    late, first = heard.news.add(frozenset({"verdict"}))
    heard.shown["verdict"]["title"] = "Clear knot"
    heard.again()
    said = told(await late.get())
    assert said["seq"] == told(first)["seq"] + 1
    assert "Clear knot" in said["panels"]["verdict"]


def test_parts_hold_all_that_changes():
    """Whatever changes of the view, old panel plus parts is the new panel."""
    old, view = panels.render(web_sample.usual()), web_sample.usual()
    for row in view["machines"]:
        row.update(bed_c=99.0, nozzle_c=None, power_w=1_234.0, because="else")
    view["total"]["watts"] = 4_321.0
    view["backups"][0]["charge"] = 0.5
    new = panels.render(view)
    whole, parts = changes(old, new)
    assert set(parts) == {"machines", "power"}
    for name, changed in parts.items():
        html = str(old[name])
        for key, part in changed.items():
            had = _part(old[name], key)
            assert html.count(had) == 1
            html = html.replace(had, part)
        assert html == new[name]
    assert "machines" not in whole


def _part(html, key):
    if key in html.parts:
        return html.parts[key]
    return next(part.parts[key] for part in html.parts.values() if isinstance(part, Parts) and key in part.parts)


SHOWN = {
    "name": "dunnock", "state": "paused", "since_s": web_sample.NOW_S - 7_200, "because": "else", "job": "tray",
    "material": "ASA", "material_inferred": True, "progress": 0.7, "finish": web_sample.finish(99, 80, 120),
    "clear_at_s": web_sample.NOW_S + 9_999, "power_w": 250.0, "bed_c": 80.0, "nozzle_c": None, "age_s": 600.0,
    "silent": ["avocet.panel"], "bank": "far", "backup": "nine", "circuit": "other", "value": 44.0,
    "value_said": True, "plug": PLUG, "actions": [{"name": "hold", "kind": "pause", "fits": True}], "acted": "Sent.",
    "clear": {"p10_s": web_sample.NOW_S, "p50_s": web_sample.NOW_S, "p90_s": web_sample.NOW_S, "release_c": 40.0,
              "basis": "else"},
}  # fmt: skip


@pytest.mark.parametrize("field", SHOWN)
def test_no_field_that_shows_is_missing_from_the_key(field):
    """The same cell drawn without its memory: what has not changed its key must not have changed its looks."""
    base = web_sample.machines()[0] | {"value": 3.0, "value_said": False}
    other = base | {field: SHOWN[field]}
    keys = [machine_cell._key(row, web_sample.NOW_S, LONDON, opened=False) for row in (base, other)]
    assert keys[0] != keys[1]
    assert machine_cell.cell(base, web_sample.NOW_S, LONDON) != machine_cell.cell(other, web_sample.NOW_S, LONDON)


@pytest.mark.parametrize("field", ["activity", "may_reopen", "unit_suspect"])
def test_what_a_plug_says_by_itself_is_written_at_once(field):
    row = web_sample.machines()[0] | {"plug": PLUG}
    said = {"activity": "paused", "may_reopen": True, "unit_suspect": "looks like kW"}[field]
    other = row | {"plug": PLUG | {field: said}}
    assert machine_cell.cell(row, web_sample.NOW_S, LONDON) != machine_cell.cell(other, web_sample.NOW_S, LONDON)


def test_more_than_three_alarms_that_are_over_are_folded():
    view = web_sample.usual()
    view["alarms"] = [web_sample.alarm("silent", f"m{n}.panel", "session", f"Over: No word from m{n}", "returned")
                      for n in range(9)]  # fmt: skip
    html = panels.alarms(view)
    assert "9 are over, and nobody has answered" in html
    assert html.index("<details") < html.index("No word from m0")
    view["alarms"] = view["alarms"][:3]
    assert '<details data-key="over"' not in panels.alarms(view)
