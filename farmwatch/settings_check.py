"""What the models alone cannot see: names that must exist, parameters to be given, parts that must agree.

Each check yields `Finding`s; `CHECKS` is the list of them. A finding knows the path of its key, not its line.
"""

import difflib
import importlib.util
import ipaddress
import itertools
import zoneinfo
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from pydantic import SecretStr

from farmwatch.alarms.rule import Rule
from farmwatch.alarms.rules import RULES, TABLE
from farmwatch.settings_lines import Path
from farmwatch.settings_model import (
    DEFAULT_INTERVAL_S,
    KNOWING,
    PARAMETER,
    FieldEntry,
    MappingEntry,
    RuleKeys,
    Settings,
    fill,
    parameters,
)
from farmwatch.settings_people import mistakes
from farmwatch.settings_rounds import mistakes as round_mistakes
from farmwatch.settings_shop import mistakes as shop_mistakes
from farmwatch.wire.payload import validate_mapping
from farmwatch.words.model import COMMANDS
from farmwatch.words.quantities import AVAILABILITY_WORDS, QUANTITIES, SELF_TEST_WORDS, STATE_WORDS, UNITS, Kind

PLACES = ("circuits", "plugs", "backups", "banks", "loads", "sensors", "machines")
"""Kinds whose names are one namespace: messages, the page and the API name them without their kind."""

SECRETS_OF = {"channel": "channels", "http": "mappings", "ups": "backups", "snmp": "backups", "act": "actions"}
PAGES = frozenset({"/act", "/say", "/who", "/round", "/sign-in", "/sign-out"})
NAMED = (*PLACES, "channels", "people", "mappings", "buttons", "actions")


class Finding(NamedTuple):
    """Something wrong."""

    path: Path
    what: str
    suggestion: str


@dataclass(frozen=True, slots=True)
class Subject:
    """What the checks look at.

    Attributes:
        settings: what could be read, wrong parts left out.
        names: section to all names that stand in the configuration, wrong ones too: a name with a mistake of
            its own is not unknown as well.
        live: whether it is to run now: then secrets and peers must be there.
    """

    settings: Settings
    names: dict[str, list[str]]
    live: bool


def check_all(subject: Subject) -> Iterator[Finding]:
    """Everything that is wrong."""
    for check in CHECKS:
        yield from check(subject)


def meant(word: str, known: Collection[str], *, otherwise: str = "") -> str:
    """A suggestion in place of an unknown word."""
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    folded = [candidate for candidate in known if candidate.casefold() == word.casefold()]
    if folded or near:
        return f'did you mean "{(folded or near)[0]}"?'
    if otherwise:
        return otherwise
    listed = ", ".join(sorted(known)[:30])
    return f"known here: {listed}" if listed else "none is configured"


def _names(subject: Subject) -> Iterator[Finding]:
    seen: dict[str, str] = {}
    for section in NAMED:
        for name in subject.names[section]:
            if not name or len(name) > 40 or not all(c.isalnum() or c in "_-" for c in name):
                what = f'"{name}" is no usable name'
                yield Finding((section, name), what, "use letters, digits, _ and -, at most 40 of them")
            if section not in PLACES:
                continue
            if name == "site":
                yield Finding((section, name), '"site" stands for the whole shop', "choose another name")
            elif name in seen:
                what = f'"{name}" is already the name of one of the {seen[name]}'
                yield Finding((section, name), what, f"names are unique over {', '.join(PLACES)}: rename one of them")
            seen.setdefault(name, section)


def _site(subject: Subject) -> Iterator[Finding]:
    zone = subject.settings.site.timezone
    try:
        zoneinfo.ZoneInfo(zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        zones = zoneinfo.available_timezones()
        near = meant(zone, zones, otherwise='write it like "Europe/London"')
        yield Finding(("site", "timezone"), f'no time zone is called "{zone}"', near)


def _reference(subject: Subject, section: str, kind: str, name: str | None, path: Path) -> Iterator[Finding]:
    if name is not None and name not in subject.names[kind]:
        known = subject.names[kind]
        what = f'{section}: no {kind.removesuffix("s")} is called "{name}"'.removeprefix(f"{section}: ")
        yield Finding(path, what, meant(name, known, otherwise=f"add [{kind}] {name}, or use one of: {_list(known)}"))


def _list(names: Collection[str]) -> str:
    return ", ".join(sorted(names)[:12]) or "(none yet)"


def _supplies(subject: Subject) -> Iterator[Finding]:
    settings = subject.settings
    holders: list[tuple[Path, Any]] = [(("machine_defaults",), settings.machine_defaults)]
    for section in ("machines", "banks", "circuits", "plugs", "backups", "loads"):
        holders += [((section, name), item) for name, item in getattr(settings, section).items()]
    for path, item in holders:
        section = str(path[0])
        for key, kind in (("bank", "banks"), ("backup", "backups"), ("circuit", "circuits"), ("plug", "plugs")):
            yield from _reference(subject, section, kind, getattr(item, key, None), (*path, key))
        feeders = [key for key in ("plug", "backup", "circuit") if getattr(item, key, None)]
        if len(feeders) > 1:
            first, other = feeders[0], feeders[-1]
            what = f"is fed by a {first} and by a {other} at once"
            yield Finding((*path, other), what, f"give {first} alone: its {other} is known from the {first}")
    for name, load in settings.loads.items():
        if load.constant_w is None and load.constant_range_w is None and not load.uses:
            yield Finding(
                ("loads", name),
                "nothing tells what it draws",
                "give constant_w, or uses = [a plug's mapping]",
            )
        yield from _range(("loads", name, "constant_range_w"), load.constant_w, load.constant_range_w)
    for name, plug in settings.plugs.items():
        if not plug.uses:
            yield Finding(("plugs", name), "nothing tells what it measures", "give uses = [a plug's mapping]")
    yield from _circles(settings)


def _range(path: Path, middle_w: float | None, ends_w: tuple[float, float] | None) -> Iterator[Finding]:
    if ends_w is None:
        return
    low_w, high_w = ends_w
    if not 0 <= low_w <= high_w:
        yield Finding(path, f"[{low_w:g}, {high_w:g}] is no range", "write [least W, greatest W]")
    elif middle_w is not None and not low_w <= middle_w <= high_w:
        what = f"constant_w = {middle_w:g} is not between {low_w:g} and {high_w:g}"
        yield Finding(path, what, "widen the range, or leave constant_w out")


def _circles(settings: Settings) -> Iterator[Finding]:
    """A circuit, plug or backup that feeds itself through others."""
    above: dict[str, tuple[str, str, str]] = {}
    for section in ("circuits", "plugs", "backups"):
        for name, item in getattr(settings, section).items():
            for key in ("plug", "backup", "circuit"):
                if getattr(item, key, None):
                    above.setdefault(name, (getattr(item, key), section, key))
    told: set[str] = set()
    for name, (_, section, key) in above.items():
        chain = [name]
        while chain[-1] in above and above[chain[-1]][0] not in chain:
            chain.append(above[chain[-1]][0])
        if above.get(chain[-1], ("", "", ""))[0] == name and name not in told:
            told.update(chain)
            what = f"feeds itself: {' < '.join([*chain, name])}"
            yield Finding((section, name, key), what, "remove the link that is not there in the shop")


def _people(subject: Subject) -> Iterator[Finding]:
    for name, person in subject.settings.people.items():
        for index, channel in enumerate(person.channels):
            yield from _reference(subject, "people", "channels", channel, ("people", name, "channels", index))
        for key, what, near in mistakes(person):
            yield Finding(("people", name, key), what, near)
        if subject.live and not person.channels and subject.settings.simulated is None:
            near = "name a channel, or leave the person out" if subject.names["channels"] else "add [channels.phone]"
            yield Finding(("people", name), "has no channel: nothing could reach them", near)
    above = subject.settings.site.collector_backup
    yield from _reference(subject, "site", "backups", above, ("site", "collector_backup"))


def _runtime_tables(subject: Subject) -> Iterator[Finding]:
    for name, backup in subject.settings.backups.items():
        path: Path = ("backups", name, "runtime_table")
        table = backup.runtime_table
        if len(table) == 1:
            yield Finding(path, "has one row", "give at least two rows [watts, minutes], as the data sheet does")
        for index, (watts, minutes) in enumerate(table):
            if watts < 0 or minutes <= 0:
                yield Finding(
                    (*path, index),
                    f"[{watts:g}, {minutes:g}] is no load and runtime",
                    "write [watts, minutes]",
                )
        for index, (before, after) in enumerate(itertools.pairwise(table), start=1):
            if after[0] <= before[0] or after[1] >= before[1]:
                what = f"[{after[0]:g}, {after[1]:g}] does not follow [{before[0]:g}, {before[1]:g}]"
                yield Finding((*path, index), what, "rows are [watts, minutes]: rising watts, falling minutes")


def _uses(subject: Subject) -> Iterator[Finding]:
    settings = subject.settings
    for index, mapping in enumerate(settings.machine_defaults.uses):
        yield from _reference(subject, "", "mappings", mapping, ("machine_defaults", "uses", index))
    for section, name, item in settings.subjects():
        own = getattr(settings, section)[name]
        if "machine" in own.params:
            path: Path = (section, name, "params", "machine")
            yield Finding(path, "{machine} is always the name itself", "choose another name for this parameter")
        inherited = section == "machines" and "uses" not in own.model_fields_set
        for index, mapping in enumerate(item.uses):
            if not inherited:
                yield from _reference(subject, section, "mappings", mapping, (section, name, "uses", index))
            if item.uses.index(mapping) != index:
                yield Finding((section, name, "uses", index), f'"{mapping}" is used twice', "name it once")
            yield from _params(settings, section, name, mapping)


def _params(settings: Settings, section: str, name: str, mapping: str) -> Iterator[Finding]:
    entry = settings.mappings.get(mapping)
    if entry is None:
        return
    item = settings.machine(name) if section == "machines" else getattr(settings, section)[name]
    for wanted in parameters(entry):
        if wanted != "machine" and wanted not in item.params:
            what = f"mapping {mapping} wants {{{wanted}}}, which {name} does not give"
            near = meant(wanted, item.params, otherwise=f'add params = {{ {wanted} = "..." }} to {section}.{name}')
            yield Finding((section, name), what, near)


def _twins(subject: Subject) -> Iterator[Finding]:
    """Two subjects that would read the very same values."""
    settings = subject.settings
    seen: dict[tuple[str, str, tuple[str, ...]], str] = {}
    for section, name, item in settings.subjects():
        values = item.params | {"machine": name}
        for mapping in item.uses:
            entry = settings.mappings.get(mapping)
            if entry is None or any(p not in values for p in parameters(entry)):
                continue
            pointers = tuple(fill(value.pointer, values) for value in entry.values.values())
            key = (mapping, fill(entry.address, values), pointers)
            if seen.get(key, name) != name:
                what = f"{seen[key]} and {name} would read the same values from {key[1]}"
                yield Finding((section, name), what, f"put {{machine}} or another parameter into mappings.{mapping}")
            seen.setdefault(key, name)


def _mappings(subject: Subject) -> Iterator[Finding]:
    for name, entry in subject.settings.mappings.items():
        found = [*_mapping(("mappings", name), entry)]
        yield from found
        if not found:
            for problem in validate_mapping(subject.settings.spec(name)):
                yield Finding(("mappings", name), problem, "see the README, Mappings")


def _authorities(subject: Subject) -> Iterator[Finding]:
    for name, entry in subject.settings.mappings.items():
        if entry.ca_file and subject.live and not subject.settings.beside(entry.ca_file).is_file():
            near = "paths are relative to the configuration file"
            yield Finding(("mappings", name, "ca_file"), f"there is no file {entry.ca_file}", near)


def _mapping(path: Path, entry: MappingEntry) -> Iterator[Finding]:
    yield from _address((*path, "address"), entry)
    if entry.interval_s is None and entry.via not in DEFAULT_INTERVAL_S:
        what = "interval_s is missing: silence could not be told from quiet"
        yield Finding((*path, "interval_s"), what, "add the seconds between messages; 0 if it sends on change only")
    if entry.interval_s == 0 and entry.via in DEFAULT_INTERVAL_S:
        yield Finding((*path, "interval_s"), "a polled device needs an interval", "write for example interval_s = 10")
    if entry.deadline_s < entry.timeout_s:
        what = "deadline_s is shorter than timeout_s"
        yield Finding((*path, "deadline_s"), what, f"write at least deadline_s = {entry.timeout_s:g}")
    if entry.via != "ups" and (entry.starttls != "never" or entry.ca_file):
        key = "ca_file" if entry.starttls == "never" else "starttls"
        yield Finding((*path, key), f'is for via = "ups"; this is {entry.via}', "remove it")
    elif entry.ca_file and entry.starttls != "verified":
        yield Finding((*path, "ca_file"), "is not used", 'add starttls = "verified", or remove it')
    if entry.via in KNOWING:
        if entry.values or entry.time:
            rfc = {"ups": "RFC 9271", "snmp": "the UPS-MIB (RFC 1628)"}[entry.via]
            yield Finding((*path, "values"), f"{rfc} knows its own values", "remove this table")
        return
    if not entry.values:
        example = 'power_w = "/power"'
        yield Finding((*path, "values"), "yields nothing", f"add [{'.'.join(map(str, path))}.values] with {example}")
    for quantity, value in entry.values.items():
        yield from _value((*path, "values", quantity), quantity, value, entry.format)
    if entry.time:
        yield from _pointer((*path, "time", "pointer"), entry.time.pointer)
        if entry.format == "text":
            yield Finding((*path, "time"), "a plain text holds no time of its own", 'remove it, or use format = "json"')


def _value(path: Path, quantity: str, value: FieldEntry, form: str) -> Iterator[Finding]:
    row = QUANTITIES.get(quantity)
    if row is None:
        near = meant(quantity, QUANTITIES, otherwise=f"known: {', '.join(QUANTITIES)}")
        yield Finding(path, f'no quantity is called "{quantity}"', near)
        return
    if form == "text" and value.pointer:
        yield Finding(
            (*path, "pointer"),
            "a plain text has nothing to point into",
            'use pointer = "", the whole payload',
        )
    else:
        yield from _pointer((*path, "pointer"), value.pointer)
    if value.unit is not None and value.unit not in UNITS[row.unit]:
        what = f'"{value.unit}" is no unit of {quantity}'
        yield Finding((*path, "unit"), what, meant(value.unit, UNITS[row.unit], otherwise=_units(row.unit)))
    if value.scale == 0:
        yield Finding((*path, "scale"), "would make every value the same", "use scale = 1, or leave it out")
    for word, ours in (value.words or {}).items():
        yield from _words((*path, "words", word), quantity, ours)
    if row.kind is Kind.WORD and value.words is None and quantity == "availability":
        what = "availability needs the device's words"
        yield Finding(path, what, 'add words = { online = "up", offline = "gone" } with the words it uses')


def _units(unit: str) -> str:
    return f"known: {', '.join(UNITS[unit])}" if unit else "it has no unit: leave unit out"


def _words(path: Path, quantity: str, ours: list[str]) -> Iterator[Finding]:
    allowed: tuple[str, ...] = {
        "state": STATE_WORDS + AVAILABILITY_WORDS,
        "availability": AVAILABILITY_WORDS,
        "self_test": SELF_TEST_WORDS,
    }.get(quantity, ())
    if not ours:
        yield Finding(path, "stands for nothing", "give one word or several, or leave it out: it is unknown then")
    for word in ours:
        if allowed and word not in allowed:
            yield Finding(path, f'"{word}" is none of our words for {quantity}', meant(word, allowed))


def _pointer(path: Path, pointer: str) -> Iterator[Finding]:
    """RFC 6901, section 3: "" or "/" and tokens, in which "~" is written ~0 and "/" ~1."""
    if pointer and not pointer.startswith("/"):
        yield Finding(path, f'"{pointer}" is no JSON Pointer (RFC 6901)', f'write "/{pointer.replace(".", "/")}"')
    elif any(not part.startswith(("0", "1")) for part in pointer.split("~")[1:]):
        yield Finding(path, 'a lone "~" in a JSON Pointer (RFC 6901)', 'write "~0" for "~" and "~1" for "/"')


def _address(path: Path, entry: MappingEntry) -> Iterator[Finding]:
    sample = PARAMETER.sub("x", entry.address)
    if "{" in sample or "}" in sample:
        yield Finding(path, "a brace that is no {parameter}", "write {name}: a letter, then letters, digits and _")
        return
    yield from ADDRESS_CHECKS[entry.via](path, sample)


def _topic(path: Path, topic: str) -> Iterator[Finding]:
    """MQTT 5.0, section 4.7: "#" alone at the end, "+" alone on its level."""
    levels = topic.split("/")
    bad = any("+" in level and level != "+" for level in levels)
    bad = bad or any("#" in level and (level != "#" or place != len(levels) - 1) for place, level in enumerate(levels))
    if bad:
        yield Finding(
            path,
            f'"{topic}" is no topic filter',
            'in MQTT "+" stands alone on its level, "#" alone at the end',
        )
    if topic.startswith(("mqtt:", "http:", "https:", "/")):
        yield Finding(
            path, f'"{topic}" looks like an address, not a topic', "write the topic alone, without host and /"
        )


def _url(path: Path, url: str) -> Iterator[Finding]:
    try:
        parts = urlsplit(url)
        bad = parts.scheme not in ("http", "https") or not parts.hostname or (parts.port or 1) < 1
    except ValueError:
        bad, parts = True, urlsplit("")
    if bad:
        yield Finding(path, "is no http address", "write it like http://{host}/status")
    elif parts.username or parts.password:
        suggestion = "put the Authorization header's value into the secrets folder: "
        suggestion += f"{'act' if path[0] == 'actions' else 'http'}_{path[1]}"
        yield Finding(path, "holds a password", suggestion)


def _path(path: Path, address: str) -> Iterator[Finding]:
    if address.startswith(("/api/", "/a/", "/act/", "/static/")) or address in PAGES:
        yield Finding(path, f'"{address}" belongs to the page', "write it like /push/{machine}")
    if not address.startswith("/") or address == "/" or "?" in address or "#" in address or " " in address:
        yield Finding(path, "is no path to post to", "write it like /push/{machine}")


def _ups(path: Path, address: str) -> Iterator[Finding]:
    name, _, host = address.partition("@")
    host, _, port = host.rpartition(":") if ":" in host.rpartition("]")[2] else (host, "", "")
    if address != "x" and not (name and host and (not port or port.isdigit() or port == "x")):
        yield Finding(path, "is no UPS", "write it like upsname@127.0.0.1:3493")


def _agent(path: Path, address: str) -> Iterator[Finding]:
    host, _, port = address.rpartition(":") if ":" in address.rpartition("]")[2] else (address, "", "161")
    bare = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    known = port == "x" or (port.isascii() and port.isdigit() and 0 < int(port[:6]) < 65_536)
    if not bare or not known or (":" in bare and bare == host) or any(c in bare for c in " /@[]"):
        yield Finding(path, "is no address of an SNMP agent", "write it like {host}:161")


ADDRESS_CHECKS: dict[str, Callable[[Path, str], Iterator[Finding]]] = {
    "mqtt": _topic,
    "http": _url,
    "push": _path,
    "ups": _ups,
    "snmp": _agent,
}


def _filled_addresses(subject: Subject) -> Iterator[Finding]:
    """Addresses whose parameters make the trouble, such as ``{ups}`` or ``{host}``."""
    settings = subject.settings
    for section, name, item in settings.subjects():
        values = item.params | {"machine": name}
        for mapping in item.uses:
            entry = settings.mappings.get(mapping)
            if entry is None or any(p not in values for p in PARAMETER.findall(entry.address)):
                continue
            if next(_address(("mappings", mapping), entry), None) is None:
                address = fill(entry.address, values)
                for found in ADDRESS_CHECKS[entry.via](("mappings", mapping), address):
                    what = f'with {name}\'s parameters the address of {mapping} "{address}" {found.what}'
                    yield Finding((section, name, "params"), what, found.suggestion)


def _buttons(subject: Subject) -> Iterator[Finding]:
    for name, button in subject.settings.buttons.items():
        path: Path = ("buttons", name)
        yield from _topic((*path, "topic"), button.topic)
        if button.command not in COMMANDS:
            yield Finding(
                (*path, "command"),
                f'no command is called "{button.command}"',
                meant(button.command, COMMANDS),
            )
        yield from _reference(subject, "buttons", "machines", button.machine, (*path, "machine"))


def _actions(subject: Subject) -> Iterator[Finding]:
    """Templates, and the machines that turn them on."""
    settings = subject.settings
    if settings.machine_defaults.actions:
        what = "actions are turned on at each machine alone, never for all of them"
        near = "write actions = [...] into the [machines.NAME] that you mean"
        yield Finding(("machine_defaults", "actions"), what, near)
    for name, action in settings.actions.items():
        path: Path = ("actions", name)
        yield from _template(path, action.via, PARAMETER.sub("1", action.address))
        if action.via == "mqtt" and settings.mqtt is not None and action.address == settings.mqtt.command_topic:
            what = "is the topic on which Farmwatch itself listens"
            yield Finding((*path, "address"), what, "write the device's topic")
        if action.via == "mqtt" and action.method != "POST":
            yield Finding((*path, "method"), "a message has no method", 'remove it, or use via = "http"')
        if action.kind == "off" and not action.cuts_power and "cuts_power" in action.model_fields_set:
            yield Finding((*path, "cuts_power"), "switching off always cuts the power", "remove this key")
    for name, machine in settings.machines.items():
        for index, wanted in enumerate(machine.actions):
            place: Path = ("machines", name, "actions", index)
            yield from _reference(subject, "", "actions", wanted, place)
            if machine.actions.index(wanted) != index:
                yield Finding(place, f'"{wanted}" is turned on twice', "name it once")
            yield from _filled_action(settings, name, wanted, place)


def _template(path: Path, via: str, address: str) -> Iterator[Finding]:
    """An address that something can be sent to: no wildcard in a topic."""
    place: Path = (*path, "address")
    yield from ADDRESS_CHECKS[via](place, address)
    if via == "mqtt" and ("+" in address or "#" in address):
        yield Finding(place, "holds a wildcard: a message goes to one topic", "write the topic with {machine} in it")


def _filled_action(settings: Settings, machine: str, wanted: str, place: Path) -> Iterator[Finding]:
    action, path = settings.actions.get(wanted), ("actions", wanted)
    if action is None:
        return
    values = settings.machine(machine).params | {"machine": machine}
    missing = [p for text in (action.address, action.payload) for p in PARAMETER.findall(text) if p not in values]
    for parameter in dict.fromkeys(missing):
        near = meant(parameter, values, otherwise=f'add params = {{ {parameter} = "..." }} to machines.{machine}')
        yield Finding(place, f"action {wanted} wants {{{parameter}}}, which {machine} does not give", near)
    if not missing and next(_template(path, action.via, PARAMETER.sub("1", action.address)), None) is None:
        for found in _template(path, action.via, fill(action.address, values)):
            what = f"with {machine}'s parameters the address of action {wanted} {found.what}"
            yield Finding(("machines", machine, "params"), what, found.suggestion)


def _acting(subject: Subject) -> Iterator[Finding]:
    """What must be there before anything can be done: a broker, and a password of its own."""
    settings, secrets = subject.settings, subject.settings.secrets
    allowed = settings.allowed()
    if not allowed or not subject.live:
        return
    first: Path = ("machines", next(iter(allowed)), "actions")
    used = {settings.actions[name].via for names in allowed.values() for name in names if name in settings.actions}
    for via in sorted(used):
        if settings.replaced(via):
            yield Finding(first, f"the scenario stands in for {via}: there is nothing to act on", "remove the actions")
        elif via == "mqtt" and settings.mqtt is None and "mqtt" not in subject.names["top"]:
            yield Finding(first, "speaks MQTT, but no broker is configured", 'add [mqtt] with host = "..."')
    file = f"{settings.secrets_dir}/act_password"
    if secrets.act_password is None:
        what = "actions need a password of their own, and there is none"
        yield Finding(first, what, f"write one into {file} (chmod 600)")
    elif secrets.web_password is not None and (
        secrets.act_password.get_secret_value() == secrets.web_password.get_secret_value() != ""
    ):
        what = "the password for actions is that of the page: whoever may look could act"
        yield Finding(first, what, f"write another one into {file}")


SUBJECTS: dict[str, tuple[str, ...]] = {
    # what a rule is about: sections whose names can stand under its `subjects`
    "machine": ("machines",), "backup": ("backups",), "circuit": ("circuits",), "sensor": ("sensors",),
    "machine or backup": ("machines", "backups"), "source": ("machines", "circuits", "plugs", "loads", "sensors"),
}  # fmt: skip


def _rules(subject: Subject) -> Iterator[Finding]:
    known = [row.id for row in TABLE]
    for name, change in subject.settings.rules.items():
        path: Path = ("rules", name)
        if name not in known:
            yield Finding(path, f'no alarm rule is called "{name}"', meant(name, known))
            continue
        yield from _rule_keys(subject, path, RULES[name], change)
        sections = SUBJECTS.get(RULES[name].subject, ())
        names = [one for section in sections for one in subject.names[section]]
        for one, keys in change.subjects.items():
            inner: Path = (*path, "subjects", one)
            if sections and one not in names and name != "source_degraded":
                what = f'{name} is about a {RULES[name].subject}, and none is called "{one}"'
                yield Finding(inner, what, meant(one, names))
            yield from _rule_keys(subject, inner, RULES[name], keys, change)


def _rule_keys(
    subject: Subject, path: Path, rule: Rule, keys: RuleKeys, outer: RuleKeys | None = None
) -> Iterator[Finding]:
    for person in keys.people:
        yield from _reference(subject, "rules", "people", person, (*path, "people"))
    limit = rule.limit
    if limit is None:
        for key in ("limit", "deadband"):
            if getattr(keys, key) is not None:
                yield Finding((*path, key), f"{rule.id} has no {key} that could be changed", "take this key out")
        return
    if keys.limit is not None and not limit.low <= keys.limit <= limit.high:
        what = f"{keys.limit:g} {limit.unit} is no likely limit for: {limit.about}"
        yield Finding((*path, "limit"), what, f"from {limit.low:g} to {limit.high:g} {limit.unit}")
    value = keys.limit if keys.limit is not None else outer.limit if outer is not None else None
    value = limit.value if value is None else value
    if keys.deadband is not None and limit.above and keys.deadband >= value:
        what = f"with a deadband of {keys.deadband:g} {limit.unit} below {value:g} it would never clear"
        yield Finding((*path, "deadband"), what, f"less than {value:g}")


def _simulated(subject: Subject) -> Iterator[Finding]:
    simulated = subject.settings.simulated
    if simulated is None or not simulated.start:
        return
    try:
        zoned = datetime.fromisoformat(simulated.start).tzinfo is not None
    except ValueError:
        zoned = False
    if not zoned:
        what = f'"{simulated.start}" is no time with offset (RFC 3339)'
        yield Finding(("simulated", "start"), what, 'write it like "2025-03-01T06:00:00+00:00", or ""')


def _pair(subject: Subject) -> Iterator[Finding]:
    settings = subject.settings
    if settings.pair is None:
        return
    if settings.mqtt is None:
        yield Finding(("pair",), "two collectors find each other by MQTT, and no broker is configured", "add [mqtt]")
    elif settings.pair.peer == settings.mqtt.client_id:
        what = f'"{settings.pair.peer}" is this collector itself'
        yield Finding(("pair", "peer"), what, "give each collector a [mqtt] client_id of its own, and name the other's")


def _broker(subject: Subject) -> Iterator[Finding]:
    settings = subject.settings
    if settings.mqtt is None:
        if not subject.live or "mqtt" in subject.names["top"] or settings.replaced("mqtt"):
            return
        wanting = [("mappings", name) for name, entry in settings.mappings.items() if entry.via == "mqtt"]
        wanting += [("buttons", name) for name in settings.buttons]
        for path in wanting[:1]:
            yield Finding(path, "speaks MQTT, but no broker is configured", 'add [mqtt] with host = "..."')
        return
    tls = settings.mqtt.tls
    if tls is None:
        return
    if bool(tls.cert_file) != bool(tls.key_file):
        missing = "key_file" if tls.cert_file else "cert_file"
        what = "a client certificate and its key go together"
        yield Finding(("mqtt", "tls"), what, f"add {missing}, or remove the other")
        return
    for key in ("ca_file", "cert_file", "key_file"):
        name = getattr(tls, key)
        if name and subject.live and not settings.beside(name).is_file():
            yield Finding(
                ("mqtt", "tls", key),
                f"there is no file {name}",
                "paths are relative to the configuration file",
            )


def loopback(host: str) -> bool:
    """Whether only this computer can reach the address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _web(subject: Subject) -> Iterator[Finding]:
    web, secrets = subject.settings.web, subject.settings.secrets
    try:
        ipaddress.ip_address(web.bind)
    except ValueError:
        if web.bind != "localhost":
            yield Finding(
                ("web", "bind"),
                f'"{web.bind}" is no address of this computer',
                'write "127.0.0.1" or "0.0.0.0"',
            )
            return
    if subject.live and not loopback(web.bind) and secrets.web_password is None:
        what = f"{web.bind} can be reached from the network, and the page has no password"
        folder = subject.settings.secrets_dir
        suggestion = f"write a password into {folder}/web_password (chmod 600), or bind 127.0.0.1"
        yield Finding(("web", "bind"), what, suggestion)
    if secrets.look_password is not None:
        file = f"{subject.settings.secrets_dir}/look_password"
        if secrets.web_password is None:
            what = "a password for looking alone means nothing while the page has none: everybody may act"
            yield Finding(("web",), what, f"write a web_password beside {file}, or take that file away")
        elif secrets.look_password.get_secret_value() == secrets.web_password.get_secret_value():
            what = "the password for looking is that of the page: with it everybody may act"
            yield Finding(("web",), what, f"write another one into {file}")
    if web.base_url and urlsplit(web.base_url).scheme not in ("http", "https"):
        yield Finding(("web", "base_url"), "is no http address", 'write it like "http://shop.local:8420"')


def _is_url(secret: SecretStr | None) -> bool:
    """Whether a secret is an address that can be asked; one that could not be read counts, it is named already."""
    if secret is None:
        return False
    text = secret.get_secret_value()
    return not text or text.startswith(("http://", "https://"))


def _secrets(subject: Subject) -> Iterator[Finding]:
    settings, secrets = subject.settings, subject.settings.secrets
    if not subject.live:
        return
    folder = settings.secrets_dir
    for name in settings.channels:
        if name not in secrets.channel:
            what = "its service URL is missing"
            yield Finding(("channels", name), what, f"write it into {folder}/channel_{name} (chmod 600)")
    if settings.heartbeat is not None and not _is_url(secrets.heartbeat_url):
        what = "needs an http or https address"
        yield Finding(("heartbeat",), what, f"write it into {folder}/heartbeat_url (chmod 600)")
    pushes = [name for name, entry in settings.mappings.items() if entry.via == "push"]
    if pushes and secrets.push_token is None and not settings.replaced("push"):
        what = "devices that post need a token, and there is none"
        yield Finding(("mappings", pushes[0]), what, f"write a long random word into {folder}/push_token (chmod 600)")
    for kind, section in SECRETS_OF.items():
        for name in getattr(secrets, kind):
            if name not in subject.names[section]:
                what = f'no {section.removesuffix("s")} is called "{name}"'
                near = meant(name, subject.names[section], otherwise="delete or rename the file")
                yield Finding(("secrets", kind, name), what, near)


def _influx(subject: Subject) -> Iterator[Finding]:
    settings, entry = subject.settings, subject.settings.influx
    if entry is None:
        return
    parts = urlsplit(entry.url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        yield Finding(("influx", "url"), "is no http or https address", 'write it like "http://192.168.1.20:8086"')
    elif parts.username or parts.password or parts.query:
        near = f"leave it out, and write the token into {settings.secrets_dir}/influx_token (chmod 600)"
        yield Finding(("influx", "url"), "holds more than an address", near)
    if entry.ca_file and subject.live and not settings.beside(entry.ca_file).is_file():
        yield Finding(("influx", "ca_file"), f"there is no file {entry.ca_file}", "relative to the configuration")
    if subject.live and settings.secrets.influx_token is None:
        near = f"write it into {settings.secrets_dir}/influx_token (chmod 600)"
        yield Finding(("influx",), "its token is missing", near)


def _snmp(subject: Subject) -> Iterator[Finding]:
    """The extra, and the secrets of version 3 (RFC 3414, section 11.2: passphrases of at least 8 characters)."""
    settings = subject.settings
    if not subject.live or settings.replaced("snmp"):
        return
    names = [name for name, entry in settings.mappings.items() if entry.via == "snmp"]
    if names and any(importlib.util.find_spec(name) is None for name in ("pysnmp", "cryptography")):
        near = "type: .venv/bin/python -m pip install 'pysnmp>=7.1.30,<8' 'cryptography>=50'"
        yield Finding(("mappings", names[0], "via"), "SNMP needs the extra snmp, which is not installed", near)
    for section, name, item in settings.subjects():
        if not any(use in names and settings.mappings[use].version == "3" for use in item.uses):
            continue
        secret = settings.secrets.snmp.get(name)
        parts = secret.get_secret_value().split(":", 2) if secret is not None else []
        if len(parts) != 3 or not parts[0] or min(map(len, parts[1:])) < 8:
            what = "SNMP version 3 wants a user and two passphrases of 8 characters or more"
            near = f"write user:authentication:privacy into {settings.secrets_dir}/snmp_{name} (chmod 600)"
            yield Finding((section, name), what, near)


def _shop(subject: Subject) -> Iterator[Finding]:
    today = datetime.now(UTC).date() + timedelta(days=1)  # wherever the site is
    for path, what, suggestion in shop_mistakes(subject.settings, subject.names["machines"], today):
        yield Finding(path, what, suggestion)


def _rounds(subject: Subject) -> Iterator[Finding]:
    for path, what, suggestion in round_mistakes(subject.settings, subject.names["machines"]):
        yield Finding(path, what, suggestion)


CHECKS: tuple[Callable[[Subject], Iterator[Finding]], ...] = (
    _names,
    _site,
    _web,
    _broker,
    _pair,
    _secrets,
    _influx,
    _snmp,
    _people,
    _supplies,
    _runtime_tables,
    _uses,
    _twins,
    _mappings,
    _authorities,
    _filled_addresses,
    _buttons,
    _actions,
    _acting,
    _rules,
    _shop,
    _rounds,
    _simulated,
)

BASE_MIB, MORE_MIB, MACHINE_KIB, FEW = 256, 64, 30, 12
"""What the unit allows for a few machines, of which some 85 are in use; above that what views, charts and restarts of
a large farm need, and a machine. `deploy/install.sh` reckons the same, without Farmwatch."""


def memory_mib(machines: int) -> int:
    """What memory to allow a collector with so many machines, MiB: above that something is wrong with it."""
    return BASE_MIB + (MORE_MIB + -(-machines * MACHINE_KIB // 1024) if machines > FEW else 0)
