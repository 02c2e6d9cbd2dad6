"""Promise P6 over every rule: first line at most 60 characters, what and where; 240 in all; what to do is never cut."""

import re

import pytest

from farmwatch.alarms.alone import ALONE, headline
from farmwatch.alarms.lifecycle import as_diagram
from farmwatch.alarms.rules import RULES, TABLE
from farmwatch.cli_wordings import Called, facts_of, page, subject_of, wordings

LONG = Called("m" * 40, "b" * 40, "c" * 40, "s" * 40, f"panel.{'m' * 40}", "j" * 200)
NASTY = Called(
    "<b>avocet</b>\x1b[31m",
    "one\u202eeno",
    "we\x00st",
    "sh\ned\x07",
    "panel.\x9bavocet",
    "=cmd()|'<script>alert(1)</script>",
)
RIGHT_TO_LEFT = Called("מכונה", "גיבוי", "מעגל", "חדר", "panel.מכונה", "\u202bעבדה\u202c")
SETS = {"usual": Called(), "longest": LONG, "nasty": NASTY, "right to left": RIGHT_TO_LEFT}
OTHERWISE = {"mains_lost", "collector_restarted", "act_denied", "going_dark"}
"""Their first line is made from what is known of the whole site, or of the time that is left."""


@pytest.mark.parametrize("called", SETS.values(), ids=SETS)
def test_every_message_keeps_to_its_form(called):
    seen = set()
    for w in wordings(called):
        seen.add(w.rule.id)
        subject = subject_of(w.rule, called)
        for title, text in ((w.title, w.text), (w.over_title, w.over_text)):
            assert 0 < len(title) <= 60, title
            assert len(title) + 1 + len(text) <= 240, (title, text)
            assert (title + text).isprintable(), "control and direction marks of names must not reach a phone"
            assert not re.search(r"\bOK\b", title + text)
            assert "None" not in title + text
        assert len(w.text) > 20, (w.rule.id, "a message carries the whole verdict")
        assert w.text.endswith("."), (w.rule.id, w.text, "what to do is cut")
        if w.rule.id not in OTHERWISE:
            words = [part.strip(" :") for part in w.rule.title.split("{subject}")]
            assert all(part in w.title for part in words), (w.title, "what is the matter is cut")
        if w.rule.subject in ("machine", "circuit", "sensor") and called is not NASTY:
            assert subject[:8] in w.title, (w.title, "where")
    assert seen == set(RULES)


def test_what_is_told_of_a_time_says_when_and_how_long():
    found = {w.rule.id: w.text for w in wordings()}
    for rule in ("build_failing", "plug_off", "contradiction", "humidity"):
        assert re.search(r"since 09:45, for 15 min", found[rule])
    for rule in ("mains_lost", "build_overdue", "filament_low"):
        assert "about" in found[rule], "an estimate is called one"


@pytest.mark.parametrize("rule", sorted(ALONE))
def test_words_with_nothing_known_say_so_and_never_ok(rule):
    from farmwatch.alarms.alone import alone
    from farmwatch.alarms.lifecycle import Alarm

    title, text = alone(Alarm(rule, "knot", "session", since_s=1_764_064_800.0), 1_764_065_700.0, "Europe/London")
    assert title.strip()
    assert text.endswith(".")
    assert "None" not in text
    assert not re.search(r"\bOK\b", text)


def test_a_name_is_cut_before_our_words_are():
    for rule in TABLE:
        line = headline(rule.id, "k" * 200)
        assert len(line) <= 60
        assert rule.title.split("{subject}")[-1] in line


def test_the_page_shows_every_rule_and_the_diagram_of_the_table():
    text = page()
    for rule in TABLE:
        assert f"### `{rule.id}`" in text
    assert as_diagram() in text
    assert set(facts_of(Called())) <= set(RULES)
