"""Log lines: what devices and people are called cannot forge one (OWASP ASVS 5.0, 16.4.1)."""

import io
import logging

import pytest
from hypothesis import given
from hypothesis import strategies as st

from farmwatch import assemble
from farmwatch.service import PlainLines, plain_line
from farmwatch.settings import load


def written(words, error=None):
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(PlainLines("%(levelname)s %(name)s: %(message)s"))
    info = (type(error), error, error.__traceback__) if error else None
    record = logging.LogRecord("farmwatch.test", logging.WARNING, "x.py", 1, "a machine says %s", (words,), info)
    handler.emit(record)
    return stream.getvalue()


@pytest.mark.parametrize(
    "name",
    ["x\nERROR y: lost", "x\r\nINFO y", "\x1b]0;owned\x07", "\x1b[2J", "a\u202eb", "a\u2028b", "\x85", "\0"],
)
def test_no_name_makes_a_line_of_its_own_or_speaks_to_the_terminal(name):
    text = written(name)
    assert text.count("\n") == 1
    assert text[:-1].isprintable()
    assert len(text.splitlines()) == 1


@given(st.text())
def test_any_text_is_one_printable_line_and_plain_text_is_left_alone(text):
    line = plain_line(text)
    assert line.isprintable()
    if text.isprintable():
        assert line == text


def test_a_traceback_keeps_its_lines():
    try:
        int("broken")
    except ValueError as error:
        text = written("x", error)
    assert text.splitlines()[-1] == "ValueError: invalid literal for int() with base 10: 'broken'"
    assert "\n  File " in text


def test_the_start_warns_while_no_backup_is_named_for_the_collector(tmp_path, monkeypatch, caplog):
    def ran(text):
        caplog.clear()
        path = tmp_path / "farmwatch.toml"
        path.write_text("[web]\nport = 0\n[backups.one]\nrating_w = 600\n" + text)
        monkeypatch.setattr(assemble, "_live", stopped)
        monkeypatch.setattr(assemble, "start_logging", lambda: None)
        with caplog.at_level(logging.INFO, "farmwatch"), pytest.raises(KeyboardInterrupt):
            assemble.run_daemon(load(path))
        return [record.levelname for record in caplog.records if "collector_backup" in record.getMessage()]

    async def stopped(house):
        house.journal.close()
        raise KeyboardInterrupt

    assert ran("") == ["WARNING"]
    assert ran('[site]\ncollector_backup = "one"\n') == []
