"""[influx]: what is refused, where the token stands, what is built."""

import pytest

from farmwatch.assemble import build_influx
from farmwatch.settings import ConfigErrors, load

ENTRY = '[influx]\nurl = "http://127.0.0.1:9"\norg = "saltmarsh"\nbucket = "farm"\n'
SHOP = '[site]\nname = "Saltmarsh Works"\n[banks.north]\n[machines.avocet]\nbank = "north"\n[machines.knot]\n'


def write(tmp_path, text, secret="canary-1"):  # noqa: S107  (a canary)
    (tmp_path / "secrets").mkdir()
    if secret:
        file = tmp_path / "secrets/influx_token"
        file.write_text(secret)
        file.chmod(0o600)
    path = tmp_path / "farmwatch.toml"
    path.write_text(text)
    return path


def mistakes(path):
    with pytest.raises(ConfigErrors) as error:
        load(path)
    return [(p.key, f"{p.what} {p.suggestion}") for p in error.value.problems]


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("http://127.0.0.1:9", "127.0.0.1:9", "influx.url", "http or https"),
        ("http://127.0.0.1:9", "http://me:pw@127.0.0.1:9", "influx.url", "influx_token"),
        ('bucket = "farm"\n', "", "influx.bucket", "missing"),
        ('bucket = "farm"', 'bucket = "farm"\ntoken = "x"', "influx.token", "secrets folder"),
        ('bucket = "farm"', 'bucket = "farm"\nspool_mb = 0', "influx.spool_mb", "1"),
        ('bucket = "farm"', 'bucket = "farm"\nca_file = "none.pem"', "influx.ca_file", "no file"),
    ],
)
def test_mistakes_are_named(tmp_path, old, new, key, words):
    found = mistakes(write(tmp_path, ENTRY.replace(old, new)))
    assert [k for k, _ in found] == [key]
    assert words in found[0][1]


def test_without_its_token_it_does_not_start(tmp_path):
    found = mistakes(write(tmp_path, ENTRY, secret=""))
    assert found == [("influx", "its token is missing write it into secrets/influx_token (chmod 600)")]


async def test_it_is_built_with_the_plan_s_tags_and_shows_no_token(tmp_path):
    settings = load(write(tmp_path, SHOP + ENTRY))
    store = build_influx(settings)
    assert "canary" not in repr(store.config) + repr(settings)
    assert store._key("farmwatch", "avocet", "plug") == (
        "farmwatch,bank=north,machine=avocet,site=Saltmarsh\\ Works,source=plug"
    )
    assert store._key("farmwatch", "knot", "p q") == "farmwatch,machine=knot,site=Saltmarsh\\ Works,source=p\\ q"
    assert store._key("farmwatch", "larder", "u") == "farmwatch,site=Saltmarsh\\ Works,source=u,subject=larder"
    await store.close()
    assert build_influx(load(tmp_path / "farmwatch.toml", {"influx": None})) is None
