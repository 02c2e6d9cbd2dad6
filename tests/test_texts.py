"""One place to translate: the words of letters stand in the tables, and nowhere else."""

import ast
import inspect
import re
import textwrap
from importlib import import_module

import pytest

from farmwatch.alarms.texts import TEXTS, facts_of, say
from farmwatch.power import care, diary, outage_show, rescue_words, start_words

WORDY = re.compile(r"[A-Za-z]{2,}[ ,.:][ ]?[a-z]{2,}|^ [a-z]|[a-z]{2,}[.:;]( |$)")
"""What can only be part of a sentence: two words, or a word that ends one."""
LETTERS = ("alone", "box", "collapse", "daily", "letters", "notices", "people", "phrases", "watcher", "whom")
OF_POWER = (care, rescue_words, start_words, outage_show.restart_words, diary.what_is_back, diary.report, diary._at)
"""What a message says of a loss of supply; the rest of the diary and of `outage_show` is on the page alone."""


def sentences(source):
    """Constants of a source that read like part of a sentence, but for docstrings and what is raised."""
    tree = ast.parse(source)
    skip = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr | ast.Raise):
            skip |= (
                {id(inner) for inner in ast.walk(node)}
                if not isinstance(getattr(node, "value", None), ast.Call | ast.Yield)
                else set()
            )
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in skip
        and WORDY.search(node.value)
    ]  # fmt: skip


@pytest.mark.parametrize("name", LETTERS)
def test_no_letter_has_words_of_its_own(name):
    module = import_module(f"farmwatch.alarms.{name}")
    assert sentences(inspect.getsource(module)) == []


@pytest.mark.parametrize("source", OF_POWER, ids=lambda source: source.__name__)
def test_what_a_message_says_of_power_has_none_either(source):
    assert sentences(textwrap.dedent(inspect.getsource(source))) == []


def test_the_rule_finds_words():
    assert sentences('"""Doc string."""\ntitle = f"{name} waits here"\n')
    assert sentences('text = "No bed waits."')
    assert sentences("x.append('Look at it.')")
    assert not sentences('key = "bed_waiting"')


def test_every_template_can_be_filled_and_nothing_is_left_open():
    for key in TEXTS:
        said = say(key, **dict.fromkeys(facts_of(key), 2))
        assert said.strip(), key
        assert not re.search(r"[{}|]", said), key


def test_every_template_is_used():
    names = [*LETTERS, "notices"]
    source = "".join(inspect.getsource(import_module(f"farmwatch.alarms.{name}")) for name in names)
    power = ("rescue_words", "start_words", "outage_show", "diary", "care")
    for module in ("shop.visits", *(f"power.{name}" for name in power)):
        source += inspect.getsource(import_module(f"farmwatch.{module}"))
    composed = re.compile(r"^(bed_(ready|failed|cancelled)|(broker|network)_(title|text|back))$")
    unused = [key for key in TEXTS if not re.search(f"""["']{key}["']""", source) and not composed.match(key)]
    assert unused == []
