"""Actions in the configuration: off by default, every mistake with its line, a password of their own."""

import json

import pytest
from test_settings import GOOD, _no_environment, problems, write  # noqa: F401  (a fixture that runs by itself)

from farmwatch.settings import load

ACTS = (
    GOOD.replace("[machines.avocet]\n", '[machines.avocet]\nactions = ["hold", "end"]\n')
    + """[actions.hold]
kind = "pause"
via = "mqtt"
address = "works/{machine}/do"
payload = '{"do": "hold"}'
[actions.end]
kind = "stop"
via = "http"
address = "http://10.0.0.8/{machine}/stop"
"""
)
LINE = {key: ACTS[: ACTS.index(key)].count("\n") + 1 for key in ('actions = ["', "[actions.hold]", "[actions.end]")}
ON, HOLD, END = LINE['actions = ["'], LINE["[actions.hold]"], LINE["[actions.end]"]

BROKEN = [
    # what to replace in ACTS, by what, line, key, a part of the words, a part of the suggestion
    ('["hold", "end"]', '["hodl"]', ON, "machines.avocet.actions.0", "no action is called", '"hold"'),
    ('["hold", "end"]', '["hold", "hold"]', ON, "machines.avocet.actions.1", "twice", "once"),
    ("works/{machine}/do", "works/{serial}/do", ON, "machines.avocet.actions.0", "wants {serial}", "params"),
    ('"do": "hold"', '"do": "{job}"', ON, "machines.avocet.actions.0", "wants {job}", "params"),
    ("works/{machine}/do", "works/+/do", HOLD + 3, "actions.hold.address", "wildcard", "{machine}"),
    ("works/{machine}/do", "farmwatch/command", HOLD + 3, "actions.hold.address", "itself listens", "device's topic"),
    ('kind = "pause"', 'kind = "explode"', HOLD + 1, "actions.hold.kind", "explode", "pause"),
    ('kind = "pause"\n', "", HOLD, "actions.hold.kind", "missing", "kind"),
    ('kind = "pause"', 'kind = "pause"\nmethod = "PUT"', HOLD + 2, "actions.hold.method", "no method", "http"),
    ('kind = "pause"', 'kind = "off"\ncuts_power = false', HOLD + 2, "actions.hold.cuts_power", "always", "remove"),
    ('kind = "stop"', 'kind = "stop"\nmethod = "DELETE"', END + 2, "actions.end.method", "DELETE", "POST"),
    ("http://10.0.0.8", "http://ann:pw@10.0.0.8", END + 3, "actions.end.address", "password", "act_end"),
    ("http://10.0.0.8", "10.0.0.8", END + 3, "actions.end.address", "no http address", "http://"),
    ('kind = "stop"', 'kind = "stop"\nanswer_s = 0', END + 2, "actions.end.answer_s", "0", ""),
    ("[machine_defaults]", '[machine_defaults]\nactions = ["hold"]', ON - 2, "machine_defaults.actions", "each machine",
     "machines.NAME"),
]  # fmt: skip


def secret(tmp_path, name="act_password", text="open sesame"):
    folder = tmp_path / "secrets"
    folder.mkdir(exist_ok=True)
    (folder / name).write_text(text)
    (folder / name).chmod(0o600)


def test_off_unless_a_machine_names_it(tmp_path):
    assert load(write(tmp_path)).allowed() == {}
    settings = load(write(tmp_path, ACTS.replace('actions = ["hold", "end"]\n', "")))
    assert settings.allowed() == {}, "templates alone turn nothing on"
    secret(tmp_path)
    settings = load(write(tmp_path, ACTS))
    assert settings.allowed() == {"avocet": ("hold", "end")}
    assert settings.machine("bittern").actions == []
    deed = settings.deeds()["hold"]
    assert (deed.deed, deed.cuts_power, json.loads(deed.payload)) == ("pause", False, {"do": "hold"})


@pytest.mark.parametrize("row", BROKEN, ids=lambda row: f"{row[3]}: {row[4]}"[:60])
def test_every_mistake_has_line_key_and_suggestion(tmp_path, row):
    old, new, line, key, what, suggestion = row
    assert old in ACTS
    secret(tmp_path)
    path = write(tmp_path, ACTS.replace(old, new, 1))
    found = problems(path)
    assert [(p.line, p.key) for p in found] == [(line, key)], "\n".join(map(str, found))
    assert what in found[0].what
    assert suggestion in found[0].suggestion


def test_actions_need_a_password_of_their_own(tmp_path):
    (found,) = problems(write(tmp_path, ACTS))
    assert found.key == "machines.avocet.actions"
    assert "secrets/act_password" in found.suggestion
    secret(tmp_path)
    secret(tmp_path, "web_password", "open sesame")
    (found,) = problems(write(tmp_path, ACTS))
    assert "whoever may look could act" in found.what
    assert "sesame" not in str(found)


def test_there_is_nothing_to_act_on_in_a_simulated_shop(tmp_path):
    secret(tmp_path)
    found = problems(write(tmp_path, ACTS + "[simulated]\n"))
    assert "the scenario stands in for http: there is nothing to act on" in {p.what for p in found}


def test_the_authorization_of_an_action_is_a_secret(tmp_path):
    secret(tmp_path)
    secret(tmp_path, "act_end", "Bearer canary")
    settings = load(write(tmp_path, ACTS))
    assert settings.secrets.act["end"].get_secret_value() == "Bearer canary"
    secret(tmp_path, "act_ends", "Bearer canary")
    (found,) = problems(write(tmp_path, ACTS))
    assert (found.key, "end" in found.suggestion) == ("act_ends", True)


@pytest.mark.parametrize(("page", "said"), [(None, "the page has none"), ("only looking", "is that of the page")])
def test_a_password_for_looking_alone_needs_another_for_the_page(tmp_path, page, said):
    secret(tmp_path)
    secret(tmp_path, "look_password", "only looking")
    if page is not None:
        secret(tmp_path, "web_password", page)
    (found,) = problems(write(tmp_path, ACTS))
    assert (found.key, said in found.what, "only" in str(found)) == ("web", True, False)
    secret(tmp_path, "web_password", "tide and time")
    load(write(tmp_path, ACTS))
