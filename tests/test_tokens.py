"""Tokens of programs: shown once, kept as a hash, roles on every route of the API, limits, removed at once.

Sources: FIPS 180-4 (SHA-256, by coreutils' sha256sum), RFC 6750 (Bearer and its answers), RFC 6585 (429).
"""

import json
import stat
import subprocess
from contextlib import asynccontextmanager

import aiohttp
import pytest
from test_acting import ActingHouse
from web_house import serving

from farmwatch.cli import main
from farmwatch.web import tokens
from farmwatch.web.api_table import ROUTES
from farmwatch.words.errors import StoreError

CONFIG = '[machines.avocet]\nuses = ["said"]\n[mqtt]\n[mappings.said]\nvia = "mqtt"\naddress = "works/avocet"\n\
interval_s = 10\nvalues.power_w = "/power"\n'
SAY = {"command": "cleared", "machine": "bittern"}


@pytest.fixture
def command(tmp_path, capsys):
    """The command line in a folder of its own: (exit code, data, talk)."""
    (tmp_path / "farmwatch.toml").write_text(CONFIG)

    def run(*words):
        code = main(["token", *words, "--config", str(tmp_path / "farmwatch.toml")])
        said = capsys.readouterr()
        return code, said.out.strip(), said.err

    run.file = tmp_path / "farmwatch-data" / tokens.FILE
    return run


def test_a_token_is_shown_once_and_kept_as_its_sha256(command):
    code, text, talk = command("add", "panel", "--role", "look")
    assert code == 0
    assert "shown once" in talk
    assert len(text) == 43, "32 bytes in base64url without padding (RFC 4648, section 5)"
    kept = command.file.read_text()
    assert text not in kept
    by_another = subprocess.run(["sha256sum"], input=text.encode(), capture_output=True, check=True).stdout.split()[0]
    assert [row["sha256"] for row in json.loads(kept)] == [by_another.decode()]
    assert stat.S_IMODE(command.file.stat().st_mode) == 0o600
    _, listed, _ = command("list")
    assert listed.startswith("panel: look, made ")
    assert text not in listed
    assert by_another.decode() not in listed + command("list", "--json")[1]


def test_adding_and_removing(command):
    assert command("list")[1:] == ("", "no tokens\n")
    assert command("add", "panel", "--role", "act")[0] == 0
    assert command("add", "other", "--role", "look")[0] == 0
    code, text, talk = command("add", "panel", "--role", "look")
    assert (code, text) == (1, "")
    assert "already" in talk
    assert command("remove", "panel")[0] == 0
    assert [row["name"] for row in json.loads(command("list", "--json")[1])] == ["other"]
    assert command("remove", "panel")[0] == 1
    for words in (("add", "no role"), ("add", "x/../y", "--role", "act"), ("add",), ("add", "x")):
        assert command(*words)[0] == 1
    assert [row["name"] for row in json.loads(command("list", "--json")[1])] == ["other"]


def test_a_list_that_cannot_be_read_is_told_and_left_alone(command):
    command.file.parent.mkdir()
    for text in ("{", "[1]", '[{"name": "a", "role": "root", "sha256": "", "made_s": 0}]'):
        command.file.write_text(text)
        code, _, talk = command("add", "panel", "--role", "look")
        assert code == 1
        assert "api_tokens.json" in talk
        assert command.file.read_text() == text
        with pytest.raises(StoreError):
            tokens.load(command.file)


# ---- at the page -------------------------------------------------------------------------------------------------


@asynccontextmanager
async def house_of(tmp_path, **more):
    """A house that knows a token of each role: (house, {name: token})."""
    path = tmp_path / tokens.FILE
    made = {name: tokens.make(name, name, 0.0) for name in tokens.ROLES}
    tokens.save(path, [token for token, _ in made.values()])
    async with serving(password="web", tokens_file=path, **more) as house:
        yield house, {name: text for name, (_, text) in made.items()}


async def ask(house, path, token, method="GET", **more):
    headers = {"Authorization": f"Bearer {token}"} | more.pop("headers", {})
    async with (
        aiohttp.ClientSession() as session,
        session.request(method, house.url + path, headers=headers, allow_redirects=False, **more) as answer,
    ):
        return answer.status, await answer.text(), answer.headers


def filled(path):
    return path.replace("{name}", "avocet").replace("{id}", "x")


async def test_every_route_of_the_api_with_each_role(tmp_path):
    """A look token is refused at every route that is no reading; no token of a program acts at a machine."""
    acting = ActingHouse()
    async with house_of(tmp_path, house=acting, acts=acting.actuator, denied=acting.denied) as (house, known):
        writes = 0
        for route in ROUTES:
            for role, token in known.items():
                more = {} if route.method == "GET" else {"json": {}}
                status, text, headers = await ask(house, filled(route.path), token, route.method, **more)
                where = f"{route.method} {route.path} as {role}: {status}"
                if route.method == "GET":
                    assert status not in (401, 403, 429), where
                elif role == "look":
                    writes += 1
                    assert (status, json.loads(text)["title"]) == (403, "This token can look only"), where
                    assert headers["WWW-Authenticate"] == 'Bearer error="insufficient_scope"'
                else:
                    assert status == (401 if route.path.endswith("/act") else 400), where
        assert writes == 3
        assert len(acting.refused) == 2, "both attempts to act count as such"
        assert acting.sent == []
        for path in ("/", "/wall", "/work", "/events", "/history"):
            assert (await ask(house, path, known["act"]))[0] in (303, 401), "a token opens no page"


async def test_metrics_with_a_token(tmp_path):
    async with house_of(tmp_path, metrics="token") as (house, known):
        for token in known.values():
            assert (await ask(house, "/metrics", token))[0] == 200
        assert (await ask(house, "/metrics", known["look"] + "x"))[0] == 401


async def test_what_is_said_is_on_record_under_the_token_s_name(tmp_path):
    async with house_of(tmp_path) as (house, known):
        assert (await ask(house, "/api/v1/say", known["act"], "POST", json=SAY))[0] == 200
        assert (await ask(house, "/api/v1/say", known["look"], "POST", json=SAY))[0] == 403
        assert [said.by for said in house.heard] == ["act"]
        file = {"what": "wanted", "csv": "job,pieces\nvent-collar,4\n", "by": "ann"}
        status, text, _ = await ask(house, "/api/v1/import", known["act"], "POST", json=file)
        assert (status, json.loads(text)) == (200, {"taken": 1})
        assert [said.by for said in house.heard] == ["act", "act"], "not as whom it says"


async def test_a_token_that_was_removed_is_refused_from_the_next_request_on(tmp_path):
    async with house_of(tmp_path) as (house, known):
        path = tmp_path / tokens.FILE
        assert (await ask(house, "/api/v1/view", known["look"]))[0] == 200
        tokens.save(path, [token for token in tokens.load(path) if token.name != "look"])
        assert (await ask(house, "/api/v1/view", known["look"]))[0] == 401
        assert (await ask(house, "/api/v1/view", known["act"]))[0] == 200
        path.write_text("{")
        assert (await ask(house, "/api/v1/view", known["act"]))[0] == 401, "a list that cannot be read opens nothing"
        path.unlink()
        assert (await ask(house, "/api/v1/view", known["act"]))[0] == 401
        assert (await ask(house, "/api/v1/view", "cli-token"))[0] == 200


async def test_wrong_tokens_are_slowed_down_and_right_ones_are_not_kept_out(tmp_path, caplog):
    async with house_of(tmp_path) as (house, known):
        wrong = [await ask(house, "/api/v1/view", f"guess{n}") for n in range(7)]
        assert [status for status, _, _ in wrong] == [401] * 5 + [429] * 2
        assert wrong[0][2]["WWW-Authenticate"] == 'Bearer error="invalid_token"'
        assert 0 < int(wrong[-1][2]["Retry-After"]) <= 60
        assert (await ask(house, "/api/v1/view", known["look"]))[0] == 200
        assert (await ask(house, "/api/v1/view", "cli-token"))[0] == 200
        assert "guess" not in caplog.text
        assert caplog.text.count("wrong token for the API from 127.0.0.1") == 5


async def test_a_program_that_asks_without_end_is_slowed_down_alone(tmp_path, monkeypatch):
    monkeypatch.setattr(tokens, "USES_A_MINUTE", 6)
    async with house_of(tmp_path) as (house, known):
        found = [(await ask(house, "/api/v1/view", known["look"]))[0] for _ in range(8)]
        assert found == [200] * 6 + [429] * 2
        assert (await ask(house, "/api/v1/view", known["act"]))[0] == 200
        assert (await ask(house, "/api/v1/view", "cli-token"))[0] == 200
