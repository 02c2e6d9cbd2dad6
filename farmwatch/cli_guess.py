"""Proposes mappings from messages seen on a broker: pointers are facts, quantities and units are guesses.

Pure: messages in, TOML out. Topics that differ in one level and carry the same keys become one mapping with
``{machine}`` in that level.
"""

import json
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, NamedTuple

MOST_SAMPLES = 200
MOST_WORDS = 24
MOST_LEAVES = 200


RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")


class Heard(NamedTuple):
    """A message as it came."""

    topic: str
    body: bytes
    at_s: float
    retained: bool = False


@dataclass
class Topic:
    """What one topic said. `leaves`: JSON Pointer to the values seen there; "" for a payload that is plain text."""

    name: str
    times: list[float] = field(default_factory=list)
    leaves: dict[str, list[Any]] = field(default_factory=lambda: defaultdict(list))
    text: bool = False


class Guess(NamedTuple):
    """What a value may be; `why` is shown beside it."""

    quantity: str
    unit: str
    why: str
    words: dict[str, tuple[str, ...]] | None = None


# Words of key names to a quantity. The first row that fits wins. (needed words, forbidden words, quantity)
ROWS: tuple[tuple[str, str, str], ...] = (
    (r"bed", r"set|target|goal|level|mesh|type", "bed_c"),
    (r"bed", r"level|mesh|type", "bed_target_c"),
    (r"nozzle|hotend|extruder|head", r"set|target|goal|diameter|type|material", "nozzle_c"),
    (r"nozzle|hotend|extruder|head", r"diameter|type|material", "nozzle_target_c"),
    (r"state|status|phase|mode|stage", r"", "state"),
    (r"remaining|left|eta", r"filament|spool|material", "remaining_s"),
    (r"elapsed|duration|running", r"", "elapsed_s"),
    (r"progress|percent|pct|completion|done", r"", "progress"),
    (r"apparent|va", r"", "apparent_va"),
    (r"energy|kwh|wh|consumption", r"", "energy_wh"),
    (r"power|watt|watts|w", r"factor|reactive|on|state", "power_w"),
    (r"voltage|volt|volts|v", r"battery", "voltage_v"),
    (r"battery", r"voltage|volt|temp|temperature", "charge"),
    (r"current|amp|amps|ampere|amperes|a|ma", r"temp|temperature|job|file", "current_a"),
    (r"relay|switch|output", r"", "relay"),
    (r"humidity|rh", r"", "humidity"),
    (r"material", r"", "material"),
    (r"filament", r"type|sensor|runout", "filament_mm"),
    (r"job|file|filename|task|print", r"", "job"),
    (r"online|availability|available|connected|lwt", r"", "availability"),
    (r"temp|temperature", r"", "air_c"),
    (r"runtime", r"", "runtime_s"),
)

TEXTS = frozenset({"state", "job", "material", "availability"})
UNIT_WORDS: tuple[tuple[str, str], ...] = (
    # a word of the key name: the unit that it names
    ("kwh", "kWh"), ("wh", "Wh"), ("kw", "kW"), ("mw", "mW"), ("ma", "mA"), ("mv", "mV"), ("ms", "ms"),
    ("min", "min"), ("mins", "min"), ("minutes", "min"), ("hours", "h"), ("percent", "%"), ("pct", "%"), ("mm", "mm"),
)  # fmt: skip
DEVICE_WORDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    # start of the device's word: ours
    ("print", ("heating", "printing")), ("run", ("heating", "printing")), ("busy", ("heating", "printing")),
    ("work", ("heating", "printing")), ("heat", ("heating",)), ("prepar", ("heating",)),
    ("idle", ("idle",)),
    ("ready", ("idle",)), ("standby", ("idle",)), ("operational", ("idle",)), ("paus", ("paused",)),
    ("finish", ("done",)), ("complet", ("done",)), ("done", ("done",)), ("end", ("done",)), ("success", ("done",)),
    ("cool", ("cooling",)), ("err", ("fault",)), ("fault", ("fault",)), ("fail", ("failed",)),
    ("cancel", ("cancelled",)),
    ("abort", ("cancelled",)),
    ("stopped", ("cancelled",)), ("offline", ("gone",)), ("lost", ("gone",)),
    ("disconnected", ("gone",)), ("online", ("up",)), ("connected", ("up",)), ("off", ("off",)),
)  # fmt: skip


def propose(heard: Sequence[Heard], host: str, port: int, user: str = "") -> str:
    """TOML with a mapping for each kind of message; what is not understood stays as a remark."""
    lines = [
        "# Proposed from what was heard. Pointers are as seen; whatever is marked guess wants your eye.",
        "[mqtt]",
        f"host = {_quoted(host)}",
        f"port = {port}",
        *([f"user = {_quoted(user)}"] if user else []),
    ]
    uses: dict[str, list[str]] = defaultdict(list)
    taken: set[str] = set()
    groups = grouped(list(collected(heard).values()))
    known = {machine for topics in groups for machine in _machines(topics)}
    for topics in groups:
        name, block, machines = _mapping(topics, taken, known)
        lines += ["", *block]
        for machine in machines:
            uses[machine].append(name)
    if uses:
        lines += ["", "[machines]  # guess: names from the topics"]
        lines += [f"{_key(machine)} = {{ uses = {_list(names)} }}" for machine, names in sorted(uses.items())]
    return "\n".join(lines) + "\n"


def collected(heard: Sequence[Heard]) -> dict[str, Topic]:
    """What each topic said, values by pointer."""
    topics: dict[str, Topic] = {}
    for message in heard:
        topic = topics.setdefault(message.topic, Topic(message.topic))
        if not message.retained:
            topic.times.append(message.at_s)
        try:
            value = json.loads(message.body)
        except (ValueError, RecursionError):
            text = message.body.decode("utf-8", "replace").strip()
            value, topic.text = text, True
        if not isinstance(value, dict | list):
            topic.text = True
        for pointer, leaf in leaves(value):
            if len(topic.leaves) < MOST_LEAVES and len(topic.leaves[pointer]) < MOST_SAMPLES:
                topic.leaves[pointer].append(leaf)
    return topics


def leaves(value: object, pointer: str = "", depth: int = 0) -> Iterator[tuple[str, Any]]:
    """(JSON Pointer, value) of every scalar; RFC 6901 writes "~" as ~0 and "/" as ~1.

    >>> list(leaves({"a/b": [1, {"c": None}]}))
    [('/a~1b/0', 1), ('/a~1b/1/c', None)]
    """
    if depth > 12:
        return
    if isinstance(value, dict):
        for key, item in value.items():
            token = str(key).replace("~", "~0").replace("/", "~1")
            yield from leaves(item, f"{pointer}/{token}", depth + 1)
    elif isinstance(value, list):
        for index, item in enumerate(value[:16]):
            yield from leaves(item, f"{pointer}/{index}", depth + 1)
    else:
        yield pointer, value


def grouped(topics: Sequence[Topic]) -> list[list[Topic]]:
    """Topics that are one kind of device: alike but for one level, with keys in common."""
    groups: list[list[Topic]] = []
    for topic in sorted(topics, key=lambda t: t.name):
        for group in groups:
            if _alike(group[0], topic) and all(
                _differs(other.name, topic.name) == _level(group, topic) for other in group
            ):
                group.append(topic)
                break
        else:
            groups.append([topic])
    return groups


def _level(group: Sequence[Topic], topic: Topic) -> int | None:
    return _differs(group[0].name, group[1].name) if len(group) > 1 else _differs(group[0].name, topic.name)


def _differs(one: str, other: str) -> int | None:
    """The only level in which two topics differ; None if there is none or more than one."""
    a, b = one.split("/"), other.split("/")
    if len(a) != len(b):
        return None
    levels = [index for index, (x, y) in enumerate(zip(a, b, strict=True)) if x != y]
    return levels[0] if len(levels) == 1 else None


def _alike(one: Topic, other: Topic) -> bool:
    a, b = set(one.leaves), set(other.leaves)
    if one.text != other.text or not a & b:
        return False
    if one.text:  # plain values say nothing of their kind: only the same last level tells
        return one.name.rpartition("/")[2] == other.name.rpartition("/")[2]
    return len(a & b) >= len(a | b) / 2


# ---- one mapping ----------------------------------------------------------------------------------------------


def _machines(topics: Sequence[Topic]) -> list[str]:
    level = _differs(topics[0].name, topics[1].name) if len(topics) > 1 else None
    return [topic.name.split("/")[level] for topic in topics] if level is not None else []


def _mapping(topics: Sequence[Topic], taken: set[str], known: set[str]) -> tuple[str, list[str], list[str]]:
    level = _differs(topics[0].name, topics[1].name) if len(topics) > 1 else None
    parts = topics[0].name.split("/")
    if level is None:  # one topic alone, but of a machine that other topics name
        level = next((index for index, part in enumerate(parts) if part in known), None)
    machines = [topic.name.split("/")[level] for topic in topics] if level is not None else []
    if level is not None:
        parts[level] = "{machine}"
    name = _name(parts, taken)
    interval = _interval(topics)
    address = "/".join("+" if set("{}+#") & set(part) and index != level else part for index, part in enumerate(parts))
    lines = [
        f"[mappings.{name}]  # {len(topics)} topic{'s' if len(topics) > 1 else ''}, such as {_plain(topics[0].name)}",
        'via = "mqtt"',
        f"address = {_quoted(address)}",
        f"interval_s = {interval or 0:g}  # guess: "
        + ("median of what was heard" if interval else "0 is on change only"),
    ]
    if topics[0].text:
        lines.append('format = "text"')
    values: dict[str, list[Any]] = defaultdict(list)
    for topic in topics:
        for pointer, seen in topic.leaves.items():
            values[pointer] += seen
    lines += _values(name, values, topics[0].text, parts)
    if not machines:
        lines.append("# used by nothing yet: add its name to the uses of a machine, a backup, a load or a sensor")
    return name, lines, machines


def _values(name: str, values: dict[str, list[Any]], text: bool, parts: Sequence[str]) -> list[str]:
    lines, remarks, used = [], [], set()
    time = None
    for pointer, seen in values.items():
        path = pointer if not text else "/" + parts[-1]
        shown = _plain(json.dumps(next((v for v in seen if v is not None), None), ensure_ascii=False)[:60])
        if time is None and not text and (unit := time_unit(path, seen)):
            time = f"time = {{ pointer = {_quoted(pointer)}, unit = {_quoted(unit)} }}  # guess, seen {shown}"
            continue
        found = guess(path, seen)
        if found is None or found.quantity in used:
            remarks.append(f"# {_quoted(pointer)} = {shown}  (not used)")
            continue
        used.add(found.quantity)
        lines.append(_value(pointer, found, shown))
    if not lines:
        example = next(iter(values), "")
        remarks.append(f"job = {_quoted(example)}  # nothing was understood: replace this line")
    return [*([time] if time else []), f"[mappings.{name}.values]", *lines, *remarks]


def _value(pointer: str, found: Guess, shown: str) -> str:
    parts = [f"pointer = {_quoted(pointer)}"]
    if found.unit:
        parts.append(f"unit = {_quoted(found.unit)}")
    if found.words is not None:
        words = ", ".join(
            f"{_quoted(theirs)} = {_quoted(ours[0]) if len(ours) == 1 else _list(ours)}"
            for theirs, ours in found.words.items()
        )
        parts.append(f"words = {{ {words} }}")
    return f"{found.quantity} = {{ {', '.join(parts)} }}  # guess: {found.why}; seen {shown}"


def guess(pointer: str, seen: Sequence[Any]) -> Guess | None:
    """What the values at a pointer may be, from the words in its keys and the kind of its values."""
    words, own = _split(pointer), _split(pointer.rpartition("/")[2])
    for wide in (False, True):
        for need, forbid, quantity in ROWS:
            # a bed's or a nozzle's "current" is a temperature: for them the whole path speaks, else the last key
            where = words if wide or need.startswith(("bed", "nozzle")) else own
            fits = [word for word in where if re.fullmatch(need, word)]
            if not fits or (forbid and any(re.fullmatch(forbid, word) for word in words)):
                continue
            if _suits(quantity, seen):
                return _with_unit(quantity, words, seen, fits[-1])
    return None


def _suits(quantity: str, seen: Sequence[Any]) -> bool:
    values = [value for value in seen if value is not None]
    if not values:
        return False
    if quantity in TEXTS:
        return all(isinstance(value, str) for value in values)
    if quantity == "relay":
        return all(isinstance(value, bool) for value in values)
    return all(isinstance(value, int | float) and not isinstance(value, bool) for value in values)


def _with_unit(quantity: str, words: Sequence[str], seen: Sequence[Any], word: str) -> Guess:
    why = f'named "{word}"'
    if quantity in {"state", "availability"}:
        return Guess(quantity, "", why, _words(quantity, seen))
    named = next((unit for start, unit in UNIT_WORDS if start in words), "")
    if quantity in {"progress", "humidity", "charge"}:
        over = any(value > 1 for value in seen if value is not None)
        unit = "%" if over or named == "%" else "1"
        return Guess(quantity, unit, f"{why}, {'above 1' if over else 'never above 1'}")
    if quantity in {"remaining_s", "elapsed_s", "runtime_s"}:
        return Guess(quantity, named if named in {"min", "h", "ms"} else "s", f"{why}, unit {named or 's assumed'}")
    if quantity == "energy_wh":
        return Guess(quantity, named if named in {"kWh", "Wh"} else "kWh", f"{why}, unit {named or 'kWh assumed'}")
    if quantity.endswith("_c"):
        unit = "°F" if {"f", "fahrenheit"} & set(words) else "°C"
        return Guess(quantity, unit, f"{why}, unit {unit}" + (" assumed" if unit == "°C" else ""))
    allowed = {"power_w": ("W", "kW", "mW"), "current_a": ("A", "mA"), "voltage_v": ("V", "mV")}.get(quantity, ())
    own = {"power_w": "W", "current_a": "A", "voltage_v": "V", "apparent_va": "VA", "filament_mm": "mm"}.get(
        quantity, ""
    )
    unit = named if named in allowed else own
    return Guess(quantity, unit, why + (f", unit {unit} assumed" if unit and unit != named else ""))


def _words(quantity: str, seen: Sequence[Any]) -> dict[str, tuple[str, ...]]:
    found: dict[str, tuple[str, ...]] = {}
    for word in dict.fromkeys(seen):
        word = str(word).encode("utf-8", "replace").decode("utf-8")
        folded = word.casefold()
        ours = next((ours for start, ours in DEVICE_WORDS if folded.startswith(start)), ("unknown",))
        if quantity == "availability" and ours[0] not in {"up", "gone"}:
            ours = ("gone",) if folded in {"off", "0", "false", "no"} else ("up",)
        if len(found) < MOST_WORDS:
            found[word] = ours
    return found


def time_unit(pointer: str, seen: Sequence[Any]) -> str | None:
    """The unit of the device's own time: s, ms or rfc3339; None if it is no time of day."""
    words = set(_split(pointer))
    if not words & {"time", "ts", "timestamp", "datetime", "date", "at"} or words & {
        "left",
        "remaining",
        "print",
        "total",
    }:
        return None
    values = [value for value in seen if value is not None]
    if values and all(isinstance(value, str) and RFC3339.fullmatch(value) for value in values):
        return "rfc3339"
    if values and all(isinstance(value, int | float) and not isinstance(value, bool) for value in values):
        if all(1e9 < value < 1e10 for value in values):
            return "s"
        if all(1e12 < value < 1e13 for value in values):
            return "ms"
    return None


def _split(pointer: str) -> list[str]:
    """Words of the keys on a pointer: bedTemp, bed_temp and /bed/temp alike."""
    spaced = re.sub(r"([a-z0-9])([A-Z])", r"\1 \2", pointer)
    return [word.lower() for word in re.split(r"[^A-Za-z]+", spaced) if word]


def _interval(topics: Sequence[Topic]) -> float | None:
    """Median seconds between messages, rounded to two figures; None if too few came."""
    gaps = [b - a for topic in topics for a, b in zip(topic.times, topic.times[1:], strict=False) if b > a]
    if len(gaps) < 2:
        return None
    return float(f"{max(median(gaps), 0.1):.2g}")


def _name(parts: Sequence[str], taken: set[str]) -> str:
    words = [re.sub(r"[^A-Za-z0-9_-]", "", part) for part in parts if part != "{machine}"]
    base = next((word for word in reversed(words) if word), "device")[:30]
    name, count = base, 2
    while name in taken:
        name, count = f"{base}-{count}", count + 1
    taken.add(name)
    return name


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)


def _list(texts: Sequence[str]) -> str:
    return "[" + ", ".join(map(_quoted, texts)) + "]"


def _quoted(text: str) -> str:
    """A TOML basic string. Not JSON's: TOML has no surrogate pairs."""
    safe = text.encode("utf-8", "replace").decode("utf-8")
    escaped = safe.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


def _plain(text: str) -> str:
    """Text that can stand in a remark: TOML forbids control characters there."""
    return "".join(character if character.isprintable() else "?" for character in text)
