"""The terminal's view: the verdict first, nothing unknown as a number, no control character, codes for scripts."""

import json
from datetime import UTC
from types import SimpleNamespace

import pytest
import web_sample
from rich.console import Console

from farmwatch import cli_status
from farmwatch.cli_status import chart_of, now_view, status
from farmwatch.words.errors import Refused


def shown(thing, width=120):
    console = Console(width=width, force_terminal=False, highlight=False)
    with console.capture() as capture:
        console.print(thing)
    return capture.get()


def test_the_verdict_is_the_first_line():
    lines = shown(now_view(web_sample.usual())).splitlines()
    assert lines[0].strip() == "■ Clear bittern"
    assert lines[1] == "Next bed: fulmar about 14:09, in 9 min."
    assert any(line.startswith("■  bittern") and "clear bed" in line for line in lines)


def test_an_outage_says_danger_and_when_batteries_are_empty():
    text = shown(now_view(web_sample.outage()))
    assert text.startswith("▲")
    assert "empty about" in text


def test_what_is_unknown_is_said_so():
    view = web_sample.usual()
    for machine in view["machines"]:
        machine |= {"state": "unknown", "power_w": None, "finish": None, "age_s": None}
    view["backups"][0] |= {"runtime_s": None, "load_w": None, "charge": None, "status": "unknown"}
    text = shown(now_view(view))
    assert text.count("never heard") == len(view["machines"])
    assert "how long it lasts is not known" in text
    assert " 0 W" not in text.split("site")[0]


def test_words_from_outside_stay_words():
    view = web_sample.usual()
    view["machines"][0] |= {"name": web_sample.HOSTILE, "job": "[bold red]x[/]\x1b[2J\r\nlong " + "y" * 500}
    text = shown(now_view(view))
    assert "\x1b" not in text
    assert "[bold red]x[/]" in shown(now_view(view), width=400)


@pytest.mark.parametrize("width", [40, 80, 200])
def test_every_width_and_size(width):
    view = web_sample.usual()
    view["machines"] = [dict(view["machines"][i % 12], name=f"m{i}") for i in range(300)]
    assert max(map(len, shown(now_view(view), width).splitlines())) <= width


def test_codes_for_scripts(monkeypatch, capsys):
    view = web_sample.usual()
    monkeypatch.setattr(cli_status, "ask_daemon", lambda settings, path: view)
    for level, code in (("calm", 0), ("act", 3), ("danger", 4), ("unknown", 5), ("new", 5)):
        view["verdict"]["level"] = level
        assert status(SimpleNamespace(), watch=False, as_json=True) == code
        assert json.loads(capsys.readouterr().out)["verdict"]["level"] == level
        assert status(SimpleNamespace(), watch=False, as_json=False) == code
        assert "Clear bittern" in capsys.readouterr().out


def test_a_chart_keeps_its_peak_and_shows_gaps():
    rows = [(float(t), 300.0 if t == 1000 else 60.0) for t in range(0, 3600, 10) if not 2000 <= t < 2600]
    text = str(chart_of(rows, "avocet.power_w", 0.0, 3600.0, UTC))
    assert "     300 " in text
    assert text.count("█") > 10
    assert 8 <= text.splitlines()[-2].count("x") <= 13
    assert "nothing was recorded" in str(chart_of([], "knot.power_w", 0.0, 3600.0, UTC))
    assert "nothing was recorded" in str(chart_of([(10.0, None)], "knot.power_w", 0.0, 3600.0, UTC))


def test_what_is_over_is_one_line_and_a_bed_stands_among_the_machines():
    view = web_sample.outage()
    for alarm in view["alarms"]:
        alarm["state"] = "returned"
    text = shown(now_view(view))
    assert f"{len([a for a in view['alarms'] if a['rule'] != 'bed_waiting'])} are over, and nobody has answered" in text
    assert "danger  " not in text


def test_a_chart_fits_a_terminal_and_an_unknown_name_is_said(monkeypatch):
    view = web_sample.usual()
    text = shown(chart_of([(view["at_s"] - 60.0, 5.0)], "avocet", view["at_s"] - 86_400, view["at_s"], UTC), 400)
    assert max(map(len, text.splitlines())) < 80
    monkeypatch.setattr(cli_status, "ask_daemon", lambda *_: view)
    with pytest.raises(Refused, match="nothing here is called dodo"):
        status(SimpleNamespace(), watch=False, as_json=False, chart="dodo")
