"""The configuration: what is right loads, and every mistake is named with file, line, key and a suggestion."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from farmwatch import settings as settings_module
from farmwatch.settings import ConfigErrors, json_schema, load, reference, shown
from farmwatch.settings_check import memory_mib
from farmwatch.settings_lines import line_of, locate
from farmwatch.settings_people import remarks
from farmwatch.words.model import HoursPlan

GOOD = """\
config_version = 1
[site]
name = "Saltmarsh Works"
timezone = "Europe/London"
[mqtt]
user = "farmwatch"
[circuits]
west = { rating_a = 16 }
[backups.one]
circuit = "west"
runtime_table = [[100, 60], [300, 14]]
uses = ["ups"]
params = { ups = "one@127.0.0.1:3493" }
[banks]
north = { backup = "one" }
[machine_defaults]
uses = ["panel"]
[machines.avocet]
bank = "north"
[machines.bittern]
bank = "north"
uses = ["plug"]
params = { host = "10.0.0.7" }
[mappings.panel]
via = "mqtt"
address = "works/{machine}/status"
interval_s = 2
[mappings.panel.values]
state = { pointer = "/state", words = { RUN = ["heating", "printing"], IDLE = "idle", LOST = "gone" } }
progress = { pointer = "/pct", unit = "%" }
bed_c = "/bed/now"
[mappings.plug]
via = "http"
address = "http://{host}/status"
[mappings.plug.values]
power_w = { pointer = "/w" }
[mappings.ups]
via = "ups"
address = "{ups}"
"""

# (what to replace in GOOD, by what, the line of the mistake, its key, a part of the words, a part of the suggestion)
BROKEN: list[tuple[str, str, int, str, str, str]] = [
    ("[site]", "[sites]", 2, "sites", "unknown key", '"site"'),
    ('name = "Saltmarsh', 'nmae = "Saltmarsh', 3, "site.nmae", "unknown key", '"name"'),
    ('"Europe/London"', '"Europe/Londn"', 4, "site.timezone", "no time zone", '"Europe/London"'),
    ("config_version = 1", "config_version = 2", 1, "config_version", "2", "use 1"),
    ('name = "Saltmarsh Works"', "name = 5", 3, "site.name", "string", "quotes"),
    ('user = "farmwatch"', "port = true", 6, "mqtt.port", "not true or false", "Port"),
    ('user = "farmwatch"', "port = 70000", 6, "mqtt.port", "65535", "Port"),
    ('user = "farmwatch"', "protocol = 4", 6, "mqtt.protocol", "4", "5"),
    ('user = "farmwatch"', "qos = 3", 6, "mqtt.qos", "3", "0"),
    ('user = "farmwatch"', 'password = "hunter22"', 6, "mqtt.password", "unknown key", "mqtt_password"),
    ('user = "farmwatch"', "keepalive = 30", 6, "mqtt.keepalive", "unknown key", '"keepalive_s"'),
    ('user = "farmwatch"', 'tls = { insecure = "yes" }', 6, "mqtt.tls.insecure", "yes", "i_know"),
    ('user = "farmwatch"', 'tls = { cert_file = "c.pem" }', 6, "mqtt.tls", "go together", "key_file"),
    ("rating_a = 16", "rating_a = 0", 8, "circuits.west.rating_a", "greater than 0", "Rated current"),
    ("rating_a = 16", "", 8, "circuits.west.rating_a", "missing", "Rated current"),
    ("rating_a = 16", 'rating_a = "16 A"', 8, "circuits.west.rating_a", "16 A", "rating_a = 16"),
    ("rating_a = 16", "rating_w = 16", 8, "circuits.west.rating_w", "unknown key", '"rating_a"'),
    ("rating_a = 16", "rating_a = nan", 8, "circuits.west.rating_a", "finite", "Rated current"),
    ('circuit = "west"', 'circuit = "wets"', 10, "backups.one.circuit", 'no circuit is called "wets"', '"west"'),
    ("[300, 14]]", "[300, 90]]", 11, "backups.one.runtime_table.1", "does not follow", "falling minutes"),
    ("[300, 14]]", "[300]]", 11, "backups.one.runtime_table.1", "", "Data sheet"),
    ("[[100, 60], [300, 14]]", "[[100, 60]]", 11, "backups.one.runtime_table", "one row", "two rows"),
    ('uses = ["ups"]', 'uses = ["upz"]', 12, "backups.one.uses.0", "no mapping", '"ups"'),
    ('params = { ups = "one', 'params = { up = "one', 9, "backups.one", "wants {ups}", '"up"'),
    ("one@127.0.0.1:3493", "127.0.0.1", 13, "backups.one.params", "is no UPS", "upsname@"),
    ('north = { backup = "one" }', 'north = { backup = "two" }', 15, "banks.north.backup", "no backup", "one"),
    ('backup = "one"', 'backup = "one", circuit = "west"', 15, "banks.north.circuit", "at once", "backup alone"),
    ("[banks]", '[spools]\na = { material = "wood" }\n[banks]', 15, "spools.a.material", "unknown material", "PETG"),
    ("[banks]", '[spools]\na = { material = "PLA", grams = -5 }\n[banks]', 15, "spools.a.grams", "than 0", "Filament"),
    ("[banks]", '[spools]\na = { material = "PLA", machine = "x" }\n[banks]', 15, "spools.a.machine", "no machine", ""),
    (
        "[banks]",
        '[spools]\na = { material = "PLA", opened = 2999-01-01 }\n[banks]',
        15,
        "spools.a.opened",
        "not come",
        "",
    ),
    ("[banks]", "[materials]\nwood = { dry_c = 50 }\n[banks]", 15, "materials.wood", "none of the usual", "density"),
    ("[machines.bittern]", "[machines.site]", 20, "machines.site", "whole shop", "another name"),
    ('bank = "north"\nuses', 'bank = "nroth"\nuses', 21, "machines.bittern.bank", "no bank", '"north"'),
    ("[machines.bittern]", "[machines.west]", 20, "machines.west", "already the name", "rename"),
    ("[machines.bittern]", '[machines."bit tern"]', 20, "machines.bit tern", "no usable name", "letters"),
    ('uses = ["plug"]', 'uses = ["plugs"]', 22, "machines.bittern.uses.0", "no mapping", '"plug"'),
    ('uses = ["plug"]', 'uses = ["plug", "plug"]', 22, "machines.bittern.uses.1", "twice", "once"),
    ('params = { host = "10.0.0.7" }', "", 20, "machines.bittern", "wants {host}", "params = { host"),
    (
        'host = "10.0.0.7"',
        'host = "10.0.0.7", machine = "x"',
        23,
        "machines.bittern.params.machine",
        "always",
        "another",
    ),
    ('via = "mqtt"', 'via = "mqqt"', 25, "mappings.panel.via", "mqqt", '"mqtt"'),
    ('via = "mqtt"', "", 24, "mappings.panel.via", "missing", "Transport"),
    ("works/{machine}/status", "works/#/{machine}", 26, "mappings.panel.address", "no topic filter", "at the end"),
    ("works/{machine}/status", "mqtt://shop/{machine}", 26, "mappings.panel.address", "looks like", "topic alone"),
    ("works/{machine}/status", "works/{machine/status", 26, "mappings.panel.address", "brace", "{name}"),
    ("interval_s = 2", "", 24, "mappings.panel.interval_s", "missing", "on change only"),
    ("interval_s = 2", 'interval_s = "10s"', 27, "mappings.panel.interval_s", "10s", "interval_s = 10"),
    ("interval_s = 2", "interval = 2", 27, "mappings.panel.interval", "unknown key", '"interval_s"'),
    ("interval_s = 2", 'interval_s = 2\nformat = "xml"', 28, "mappings.panel.format", "xml", "json"),
    (
        'via = "http"',
        'via = "http"\nformat = "text"',
        37,
        "mappings.plug.values.power_w.pointer",
        "plain text",
        "whole",
    ),
    (
        "interval_s = 2",
        'interval_s = 2\ntime = { pointer = "/t", unit = "us" }',
        28,
        "mappings.panel.time.unit",
        "us",
        "did you mean",
    ),
    ('IDLE = "idle"', 'IDLE = "idel"', 29, "mappings.panel.values.state.words.IDLE", '"idel"', '"idle"'),
    ('IDLE = "idle"', "IDLE = []", 29, "mappings.panel.values.state.words.IDLE", "stands for nothing", "leave it out"),
    (
        'pointer = "/pct"',
        'pointer = "job.pct"',
        30,
        "mappings.panel.values.progress.pointer",
        "JSON Pointer",
        '"/job/pct"',
    ),
    ('pointer = "/pct"', 'pointer = "/p~ct"', 30, "mappings.panel.values.progress.pointer", "~", "~0"),
    ('unit = "%"', 'unit = "kW"', 30, "mappings.panel.values.progress.unit", '"kW"', "%"),
    ('unit = "%"', 'scale = 0, unit = "%"', 30, "mappings.panel.values.progress.scale", "the same", "scale = 1"),
    ('bed_c = "/bed/now"', 'bed = "/bed/now"', 31, "mappings.panel.values.bed", "no quantity", '"bed_c"'),
    ('bed_c = "/bed/now"', "bed_c = 5", 31, "mappings.panel.values.bed_c", "", "table"),
    ("http://{host}/status", "{host}/status", 34, "mappings.plug.address", "no http address", "http://"),
    ("http://{host}/status", "http://me:pw@{host}/", 34, "mappings.plug.address", "password", "http_plug"),
    (
        "http://{host}/status",
        'http://{host}/s"\ndeadline_s = 1\ntimeout_s = "4',
        35,
        "mappings.plug.deadline_s",
        "shorter",
        "deadline_s = 4",
    ),
    (
        "http://{host}/status",
        'http://{host}/s"\ninterval_s = 0\ntimeout_s = "4',
        35,
        "mappings.plug.interval_s",
        "polled",
        "10",
    ),
    ('power_w = { pointer = "/w" }', "", 35, "mappings.plug.values", "yields nothing", "power_w"),
    (
        'address = "{ups}"',
        'address = "{ups}"\nvalues = { charge = "/c" }',
        40,
        "mappings.ups.values",
        "its own",
        "remove",
    ),
    (
        "[mqtt]",
        '[buttons.b]\ntopic = "t"\ncommand = "clear"\n[mqtt]',
        7,
        "buttons.b.command",
        "no command",
        '"cleared"',
    ),
    (
        "[mqtt]",
        '[buttons.b]\ntopic = "t"\nmachine = "avoset"\n[mqtt]',
        7,
        "buttons.b.machine",
        "no machine",
        '"avocet"',
    ),
    ("[mqtt]", "[rules.bed_waitng]\noff = true\n[mqtt]", 5, "rules.bed_waitng", "no alarm rule", '"bed_waiting"'),
    ("[mqtt]", "[rules.machine_fault]\nlimit = 3\n[mqtt]", 6, "rules.machine_fault.limit", "no limit", "take"),
    ("[mqtt]", "[rules.humidity]\nlimit = 60\n[mqtt]", 6, "rules.humidity.limit", "60 1 is no likely", "from 0.02"),
    ("[mqtt]", "[rules.humidity]\ndeadband = 0.7\n[mqtt]", 6, "rules.humidity.deadband", "never clear", "less than"),
    ("[mqtt]", '[rules.bed_waiting]\npeople = ["nobody"]\n[mqtt]', 6, "rules.bed_waiting.people", "no people", ""),
    (
        "[mqtt]",
        "[rules.bed_waiting.subjects.avoset]\noff = true\n[mqtt]",
        5,
        "rules.bed_waiting.subjects.avoset",
        "is about a machine",
        "avocet",
    ),
    ("[mqtt]", '[rules.bed_waiting]\npriority = "urgent"\n[mqtt]', 6, "rules.bed_waiting.priority", "urgent", "danger"),
    ("[mqtt]", '[simulated]\nstart = "yesterday"\n[mqtt]', 6, "simulated.start", "offset", "2025-"),
    ("[mqtt]", '[web]\nbind = "everywhere"\n[mqtt]', 6, "web.bind", "no address", "127.0.0.1"),
    ("[mqtt]", '[web]\nbind = "0.0.0.0"\n[mqtt]', 6, "web.bind", "no password", "secrets/web_password"),
    ("[mqtt]", '[people.ann]\nchannels = ["fone"]\n[mqtt]', 6, "people.ann.channels.0", "no channel", "[channels]"),
    ("[mqtt]", '[channels.phone]\nlabel = "p"\n[mqtt]', 5, "channels.phone", "URL is missing", "secrets/channel_phone"),
    ("[mqtt]", "[people.ann]\n[mqtt]", 5, "people.ann", "no channel", "[channels.phone]"),
    ("[mqtt]", 'collector_backup = "onne"\n[mqtt]', 5, "site.collector_backup", "no backup", '"one"'),
    ("[mqtt]", '[loads]\ndryer = { circuit = "west" }\n[mqtt]', 6, "loads.dryer", "nothing tells", "constant_w"),
    ('address = "{ups}"', 'address = "{ups}"\nca_file = "ca.pem"', 40, "mappings.ups.ca_file", "not used", "starttls"),
    (
        'via = "ups"',
        'starttls = "verified"\nca_file = "ca.pem"\nvia = "ups"',
        39,
        "mappings.ups.ca_file",
        "no file",
        "relative",
    ),
    ('address = "{ups}"', 'address = "{ups}"\nstarttls = "always"', 40, "mappings.ups.starttls", "always", "verified"),
    ('via = "http"', 'via = "http"\nstarttls = "i_know"', 34, "mappings.plug.starttls", "this is http", "remove"),
    ("[mqtt]", '[secrets]\nmqtt_password = "x"\n[mqtt]', 5, "secrets", "never stand", "secrets folder"),
    ('[mqtt]\nuser = "farmwatch"\n', "", 22, "mappings.panel", "no broker", "[mqtt]"),
    ("[mqtt]", "[mqtt", 5, "", "TOML", ""),
    ("rating_a = 16 }", "rating_a = 16 A }", 8, "", "TOML", "open"),
    ('bank = "north"\nuses', 'bank = "north"\nbank = "north"\nuses', 22, "", "TOML", "twice"),
    ('name = "Saltmarsh Works"', "name = Saltmarsh Works", 3, "", "TOML", "quotes"),
    ('name = "Saltmarsh Works"', 'name = "Saltmarsh Works', 3, "", "TOML", "quote"),
]


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch):
    import os

    for name in list(os.environ):
        if name.startswith(("FARMWATCH", "CREDENTIALS_DIRECTORY")):
            monkeypatch.delenv(name)


def write(folder: Path, text: str = GOOD) -> Path:
    path = folder / "farmwatch.toml"
    path.write_text(text)
    return path


def problems(path: Path, **options):
    with pytest.raises(ConfigErrors) as caught:
        load(path, **options)
    return caught.value.problems


def test_the_good_configuration_is_good(tmp_path):
    plan = load(write(tmp_path)).plan()
    assert plan.machines["avocet"].backup == "one"
    assert plan.circuit_of("bittern") == "west"
    assert plan.circuits["west"].rating_w == 16 * 230
    assert plan.sources["avocet.panel"].address == "works/avocet/status"
    assert plan.sources["bittern.plug"].address == "http://10.0.0.7/status"
    assert plan.sources["avocet.panel"].quantities == {"state", "progress", "bed_c", "availability"}


@pytest.mark.parametrize("row", BROKEN, ids=lambda row: f"{row[3]}: {row[4]}"[:60])
def test_every_mistake_has_line_key_and_suggestion(tmp_path, row):
    old, new, line, key, what, suggestion = row
    assert old in GOOD
    path = write(tmp_path, GOOD.replace(old, new, 1))
    found = problems(path)
    assert [(p.file, p.line, p.key) for p in found] == [(str(path), line, key)], "\n".join(map(str, found))
    assert what in found[0].what
    assert suggestion in found[0].suggestion
    assert found[0].suggestion
    assert "hunter22" not in str(found[0])


def test_there_are_at_least_forty_kinds_of_mistake():
    assert len(BROKEN) >= 40


def test_all_mistakes_are_listed_at_once_in_the_order_of_their_lines(tmp_path):
    text = GOOD
    rows = [r for r in BROKEN if r[3] in {"site.nmae", "site.timezone", "circuits.west.rating_w", "mappings.panel.via"}]
    for old, new, *_ in rows:
        text = text.replace(old, new, 1)
    found = problems(write(tmp_path, text))
    assert {"site.nmae", "site.timezone", "circuits.west.rating_w"} <= {p.key for p in found}
    assert [p.line for p in found] == sorted(p.line for p in found)
    assert not [p for p in found if "no circuit is called" in p.what], "a name with a mistake is not unknown as well"


def test_two_machines_must_not_read_the_same_values(tmp_path):
    text = GOOD.replace("works/{machine}/status", "works/all/status").replace('["plug"]', '["plug", "panel"]')
    (found,) = problems(write(tmp_path, text))
    assert (found.line, found.key) == (20, "machines.bittern")
    assert "avocet and bittern" in found.what
    assert "{machine}" in found.suggestion
    by_pointer = text.replace('"/state"', '"/{machine}/state"')
    assert load(write(tmp_path, by_pointer)).routes()[0].mapping.fields[0].pointer == "/avocet/state"


def test_missing_file_and_wrong_encoding(tmp_path):
    (missing,) = problems(tmp_path / "none.toml")
    assert "farmwatch init" in missing.suggestion
    path = tmp_path / "latin.toml"
    path.write_bytes(b'config_version = 1\n[site]\nname = "caf\xe9"\n')
    (latin,) = problems(path)
    assert (latin.line, "UTF-8" in latin.what) == (3, True)


# ---- precedence: options, environment, secrets, file, defaults ----


def test_the_stronger_source_wins_and_its_origin_is_known(tmp_path, monkeypatch):
    path = write(tmp_path, GOOD + "[web]\nport = 1001\n")
    origins = lambda **o: {key: (value, origin) for key, value, origin in shown(load(path, **o))}  # noqa: E731
    assert origins()["web.port"] == ("1001", "file")
    assert origins()["web.bind"] == ('"127.0.0.1"', "default")
    monkeypatch.setenv("FARMWATCH__WEB__PORT", "1002")
    assert origins()["web.port"] == ("1002", "environment")
    assert origins(overrides={"web": {"port": 1003}})["web.port"] == ("1003", "options")


def test_environment_reaches_tables_of_names(tmp_path, monkeypatch):
    monkeypatch.setenv("FARMWATCH__CIRCUITS__WEST__RATING_A", "20")
    assert load(write(tmp_path)).circuits["west"].rating_a == 20


@pytest.mark.parametrize(
    ("variable", "value", "suggestion"),
    [
        ("FARMWATCH__WEBB__PORT", "1", "web"),
        ("FARMWATCH__WEB__PROT", "1", "port"),
        ("FARMWATCH__WEB__PORT", "x", "Port"),
        ("FARMWATCH__PEOPLE", "[ann", "JSON"),
    ],
)
def test_mistakes_in_the_environment_name_the_variable(tmp_path, monkeypatch, variable, value, suggestion):
    monkeypatch.setenv(variable, value)
    (found,) = problems(write(tmp_path))
    assert (found.file, found.line, found.key) == ("environment", None, variable)
    assert suggestion in found.suggestion


def secret(folder: Path, name: str, text: str = "hunter22", mode: int = 0o600) -> Path:
    (folder / "secrets").mkdir(mode=0o700, exist_ok=True)
    path = folder / "secrets" / name
    path.write_text(text + "\n")
    path.chmod(mode)
    return path


def test_secrets_come_from_the_folder_and_are_never_shown(tmp_path, monkeypatch):
    secret(tmp_path, "mqtt_password")
    secret(tmp_path, "channel_phone", "mailto://hunter22@example.org")
    secret(tmp_path, "http_plug", "Bearer hunter22")
    secret(tmp_path, "ups_one", "watcher:hunter22")
    settings = load(write(tmp_path, GOOD + '[channels.phone]\nlabel = "phone"\n'))
    assert settings.secrets.mqtt_password.get_secret_value() == "hunter22"
    assert settings.polls()["bittern.plug"].secret.get_secret_value() == "Bearer hunter22"
    assert settings.polls()["one.ups"].secret.get_secret_value() == "watcher:hunter22"
    assert ("secrets.mqtt_password", "********", "secrets") in shown(settings)
    everything = repr(settings) + str(settings) + repr(shown(settings)) + settings.model_dump_json()
    assert "hunter22" not in everything
    monkeypatch.setenv("FARMWATCH__SECRETS__MQTT_PASSWORD", "stronger")
    assert load(settings.file).secrets.mqtt_password.get_secret_value() == "stronger"


def test_systemd_credentials_are_a_secrets_folder(tmp_path, monkeypatch):
    # systemd.exec(5): LoadCredential= puts files into $CREDENTIALS_DIRECTORY
    secret(tmp_path, "mqtt_password", "from the folder")
    given = tmp_path / "credentials"
    given.mkdir()
    (given / "mqtt_password").write_text("from systemd")
    (given / "mqtt_password").chmod(0o400)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(given))
    assert load(write(tmp_path)).secrets.mqtt_password.get_secret_value() == "from systemd"


@pytest.mark.parametrize(
    ("name", "text", "mode", "what", "suggestion"),
    [
        ("mqtt_password", "hunter22", 0o644, "by everyone", "chmod 600"),
        ("mqtt_password", "", 0o600, "is empty", "write the secret"),
        ("mqtt_pasword", "hunter22", 0o600, "no secret", '"mqtt_password"'),
        ("phone", "hunter22", 0o600, "no secret", "channel_<name>"),
        ("channel_fone", "hunter22", 0o600, "no channel", "delete"),
        ("http_plugs", "hunter22", 0o600, "no mapping", '"plug"'),
    ],
)
def test_mistakes_in_the_secrets_folder(tmp_path, name, text, mode, what, suggestion):
    file = secret(tmp_path, name, text, mode)
    (found,) = problems(write(tmp_path))
    assert (found.file, found.line) == (str(file), None)
    assert what in found.what
    assert suggestion in found.suggestion
    assert "hunter22" not in str(found)


def test_a_world_readable_secret_is_refused_with_the_line_to_type(tmp_path):
    file = secret(tmp_path, "mqtt_password", mode=0o644)
    (found,) = problems(write(tmp_path))
    assert f"chmod 600 {file}" in found.suggestion
    file.chmod(0o600)
    load(write(tmp_path))


def test_a_replay_needs_neither_secrets_nor_broker(tmp_path):
    text = GOOD.replace('[mqtt]\nuser = "farmwatch"\n', '[channels.phone]\nlabel = "p"\n')
    assert len(problems(write(tmp_path, text))) == 2
    assert load(write(tmp_path, text), live=False).machines


def test_the_scenario_stands_in_for_the_broker(tmp_path):
    text = GOOD.replace('[mqtt]\nuser = "farmwatch"\n', "[simulated]\nseed = 3\n")
    assert load(write(tmp_path, text)).replaced("mqtt")


# ---- defaults of machines ----


def test_a_machine_takes_what_it_does_not_say_from_the_defaults(tmp_path):
    text = GOOD.replace(
        'uses = ["panel"]', 'uses = ["panel"]\ncircuit = "west"\nmaterial = "PLA"\nparams = { host = "a" }'
    )
    settings = load(write(tmp_path, text))
    assert settings.machine("avocet").material == "PLA"
    assert settings.machine("avocet").circuit is None, "a machine that names its bank has that bank's supply"
    assert settings.machine("bittern").params == {"host": "10.0.0.7"}
    assert settings.plan().machines["avocet"].backup == "one"


# ---- schema and reference ----


def test_the_schema_knows_every_key_of_the_example_and_no_secret():
    schema = json_schema()
    assert set(tomllib.loads(GOOD)) <= set(schema["properties"])
    text = json.dumps(schema)
    assert "mqtt_password" not in text.replace("secrets folder as mqtt_password", "")
    assert schema["additionalProperties"] is False
    assert schema["$defs"]["Machine"]["additionalProperties"] is False


def test_the_reference_has_a_row_for_every_key():
    text = reference()
    for key in (
        "site.timezone",
        "mappings.<name>.values.<quantity>.pointer",
        "machines.<name>.release_c",
        "mqtt.tls.ca_file",
    ):
        assert f"| `{key}` |" in text
    assert "secrets.mqtt" not in text
    for line in text.splitlines()[2:]:
        assert len(re.split(r"(?<!\\)\|", line)) == 5, line
        assert line.split("|")[3].strip(), f"no description: {line}"


# ---- lines ----

WORD = st.from_regex(r"[a-z]{1,6}", fullmatch=True)
SCALAR = st.one_of(
    st.integers(-9, 9), st.booleans(), st.text(st.characters(codec="ascii", exclude_characters="\x7f"), max_size=8)
)
BRANCH = st.recursive(SCALAR, lambda x: st.lists(x, max_size=3) | st.dictionaries(WORD, x, max_size=3), max_leaves=8)
TREE = st.dictionaries(WORD, BRANCH, max_size=4)


def _toml_value(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list):
        return "[\n  " + ",\n  # a remark ] }\n  ".join(map(_toml_value, value)) + "]"
    return json.dumps(value)


def _paths(value, path=()):
    if path:
        yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from _paths(item, (*path, key))


@effort(deadline=None, max_examples=60)
@given(TREE, TREE)
def test_every_key_that_tomllib_reads_has_its_line(flat, deep):
    """Source: tomllib (the standard library) says which keys there are; the text says on which line."""
    text = "".join(f"{key} = {_toml_value(value)}\n" for key, value in flat.items() if key != "zz")
    text += "".join(f"\n[zz.{key}]  # a remark\n'in' = {_toml_value(value)}\n" for key, value in deep.items())
    values, lines = tomllib.loads(text), locate(text)
    assert set(lines) == set(_paths(values))
    written = text.split("\n")
    for path, line in lines.items():
        if isinstance(path[-1], str):
            assert path[-1] in written[line - 1]


def test_lines_of_all_forms_of_toml():
    """Source: the forms of toml.io/en/v1.0.0, written from memory of that text."""
    text = '''a.b = 1
"q.u" = """
x = 1
"""
c = [ 1,
  2, # two
]
[t.u]
k = \'\'\'it's
[no]\'\'\'
[t]
v = {x = 1, "y z" = [{w = 2}]}
[[n]]
a = 1
[[n]]
a = 2
[n.s]
d = 1979-05-27T07:32:00Z
'''
    tomllib.loads(text)
    lines = locate(text)
    want = {
        ("a", "b"): 1, ("q.u",): 2, ("c",): 5, ("c", 1): 6, ("t", "u"): 8, ("t", "u", "k"): 9, ("t",): 11,
        ("t", "v", "y z", 0, "w"): 12, ("n", 0, "a"): 14, ("n", 1, "a"): 16, ("n", 1, "s", "d"): 18,
    }  # fmt: skip
    assert {path: lines.get(path) for path in want} == want
    assert line_of(lines, ("t", "u", "nothing", "here")) == 8
    assert line_of(lines, ("nothing",)) is None


@example("a = [ }")
@given(st.text(alphabet="[]{}=\"'.,#\nab1 ", max_size=40))
def test_the_locator_survives_anything(text):
    locate(text)


def test_every_secret_key_suggests_an_existing_kind_of_file():
    for file in settings_module.SECRET_KEYS.values():
        kind = file.partition("_")[0]
        assert file in settings_module.SECRET_FILES or kind in settings_module.SECRET_KINDS or file == "<name>"


@pytest.mark.parametrize(
    ("key", "value", "what", "suggestion"),
    [
        ("quiet", '["22-7"]', "time of day", "07:30"),
        ("quiet", '["22:00"]', "from when", "22:00-07:00"),
        ("quiet", '["00:00-24:00"]', "no minute of the week", "leave some hours"),
        ("duty", '["mun 08:00-18:00"]', "weekday", "mon"),
        ("duty", '["23:00-05:00"]', "quiet hours only", "leave some hours"),
        ("daily", '"half past seven"', "time of day", "07:30"),
        ("digests", '["25:00"]', "", ""),
        ("a_day", "20", "5", ""),
        ("channels", '["fone", "fone"]', "twice", "once"),
        ("url", '"mailto://x"', "unknown key", "channel_<name>"),
    ],
)
def test_people_with_mistakes(tmp_path, key, value, what, suggestion):
    found = problems(write(tmp_path, GOOD.replace("[mqtt]", f"[people.ann]\n{key} = {value}\n[mqtt]", 1)))
    mine = [f"{p.what}; {p.suggestion}" for p in found if p.key.startswith(f"people.ann.{key}")]
    assert any(what in text and suggestion in text for text in mine), found
    assert "mailto" not in "".join(map(str, found))


def test_what_is_right_and_yet_worth_saying(tmp_path):
    text = GOOD + '[people.ann]\nquiet = ["21:30-06:30"]\n[people.bram]\nduty = ["08:00-18:00"]\nquiet = []\n'
    said = "\n".join(remarks(load(write(tmp_path, text), live=False)))
    assert "ann: quiet 21:30-06:30 (over midnight)" in said
    assert "ann: danger comes in quiet hours too" in said
    assert "bram: duty" not in said
    assert "bram: danger" not in said


SAID = '[mappings.said]\nvia = "mqtt"\naddress = "works/{machine}"\ninterval_s = 10\nvalues.power_w = "/power"\n'
BACKUP = '[backups.one]\nuses = ["unit"]\n[mappings.unit]\nvia = "ups"\naddress = "one@127.0.0.1"\n'


@pytest.mark.parametrize(
    ("site", "backups", "words"),
    [
        ("", "", "nothing is told; put them on a battery backup"),
        ("", BACKUP, "no message before it goes dark"),
        ('collector_backup = "one"\n', BACKUP, None),
    ],
)
def test_the_collector_s_own_power_is_asked_for(tmp_path, site, backups, words):
    """With no backup at all as well: who has none needs the words most."""
    text = f'[site]\nname = "Saltmarsh Works"\n{site}{backups}[mqtt]\n[machines.avocet]\nuses = ["said"]\n{SAID}'
    found = [line for line in remarks(load(write(tmp_path, text), live=False)) if "collector_backup" in line]
    assert len(found) == (words is not None)
    assert not words or words in found[0]


def test_people_come_into_the_plan(tmp_path):
    text = GOOD + '[people.ann]\nduty = ["mon-fri 08:00-18:00"]\ndaily = ""\n'
    person = load(write(tmp_path, text), live=False).plan().people["ann"]
    assert person.duty == (HoursPlan(480, 1080, (0, 1, 2, 3, 4)),)
    assert person.quiet == (HoursPlan(1320, 420),)
    assert (person.daily, person.digests, person.a_day, person.at_once) == (None, (450, 780, 1110), 5.0, False)


def test_memory_follows_the_machines() -> None:
    assert memory_mib(12) == 256
    assert memory_mib(10_000) - memory_mib(9_000) == pytest.approx(1000 * 30 / 1024, abs=1.0)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ('[pair]\nrole = "standby"\npeer = "shed"\n', "no broker is configured"),
        ('[mqtt]\nclient_id = "shed"\n[pair]\nrole = "standby"\npeer = "shed"\n', "is this collector itself"),
    ],
)
def test_a_pair_is_two_and_has_a_broker(tmp_path: Path, text: str, what: str) -> None:
    (tmp_path / "farmwatch.toml").write_text(text)
    with pytest.raises(ConfigErrors) as caught:
        load(tmp_path / "farmwatch.toml", live=False)
    assert what in str(caught.value)
