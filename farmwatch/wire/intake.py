"""The wire's side of the engine: each input finds its sources, and becomes events.

How one message is taken: (via, address) -> ports -> mapping -> `Observed`. A port is what waits at an address: a
source, the command topic, or a button. A bad payload is dropped and counted; five in a row mark the source
degraded, the next good one clears it. A payload with some refused values still gives its good ones.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from farmwatch.wire import upsmib, upsproto, upsvalues
from farmwatch.wire.payload import KEPT_TEXT, Decoded, MappingSpec, Reader, clean, compile_mapping, parse_json
from farmwatch.words.errors import BadPayload, ConfigError
from farmwatch.words.model import (
    Denied,
    Event,
    Failed,
    Input,
    Link,
    LinkChanged,
    Observed,
    Raw,
    Said,
    SourceDegraded,
    SourceFailed,
    SourcePlan,
    Value,
)

DEGRADED_AFTER = 5
SAMPLE_BYTES = 200
MOST_CACHED = 10_000
MOST_FIELDS = 20
COMMAND = "command"
"""Pseudo source under which messages on the command topic are counted."""
ACTIONS = frozenset({"act", "pause", "resume", "stop", "off"})
"""What is no word about what somebody did, but something to be done."""
OWN_KEYS = frozenset({"at", "via", "command", "machine", "by"})


@dataclass(frozen=True, slots=True)
class Route:
    """One mapping applied to one subject; pointers and address already filled in with parameters."""

    source: SourcePlan
    mapping: MappingSpec


@dataclass(frozen=True, slots=True)
class Button:
    """A button that publishes to MQTT; `payload` None: whatever it publishes."""

    topic: str
    payload: str | None
    command: str
    machine: str | None


@dataclass(slots=True)
class SourceHealth:
    """How a source has behaved.

    Attributes:
        good: payloads that could be read.
        bad: payloads that could not, or none of whose values could.
        refused: values that were refused, in good payloads too.
        failed: requests that failed, refusals of the peer.
        degraded: the last five or more payloads were bad.
        last_bad: what was wrong last, and the first 200 bytes, escaped.
        last_at_s: when the last good payload came.
        last_values: its values.
        last_retained: the broker had kept it: last known, not fresh.
        in_a_row: bad payloads since the last good one.
    """

    good: int = 0
    bad: int = 0
    refused: int = 0
    failed: int = 0
    degraded: bool = False
    last_bad: str | None = None
    last_at_s: float | None = None
    last_values: dict[str, Value] = field(default_factory=dict)
    last_retained: bool = False
    in_a_row: int = 0

    def note_bad(self, why: str, body: bytes) -> None:
        """Keep what was wrong; `body` may hold anything."""
        sample = ascii(body[:SAMPLE_BYTES])
        self.last_bad = f"{why}: {sample}{'...' if len(body) > SAMPLE_BYTES else ''}"


class Port(Protocol):
    """What waits at an address."""

    def take(self, item: Raw, events: list[Event]) -> None:
        """Take a message."""
        ...


class SourcePort:
    """A source: its mapping, compiled, and how it has behaved."""

    __slots__ = ("_read", "health", "plan")

    def __init__(self, plan: SourcePlan, read: Reader) -> None:
        self.plan, self._read = plan, read
        self.health = SourceHealth()

    def take(self, item: Raw, events: list[Event]) -> None:
        """Observed values; a bad payload gives none."""
        try:
            decoded = self._read(item.body)
        except BadPayload as error:
            self._bad(item, str(error), events)
            return
        except PeerRefusal as refusal:
            self.health.failed += 1
            self.health.note_bad(str(refusal), item.body)
            if not item.retained:
                events.append(SourceFailed(item.at_s, self.plan.id, str(refusal)))
            return
        self._good(item, decoded, events)
        events.append(
            Observed(item.at_s, self.plan.subject, self.plan.id, decoded.values, item.retained, decoded.source_at_s)
        )

    def _good(self, item: Raw, decoded: Decoded, events: list[Event]) -> None:
        health = self.health
        if decoded.refused:
            health.refused += len(decoded.refused)
            why = "; ".join(decoded.refused)[:400]
            if all(value is None for value in decoded.values.values()):
                self._bad(item, why, events)  # it speaks, but nothing of it can be used
                return
            health.note_bad(why, item.body)
        health.good += 1
        health.last_at_s, health.last_values, health.last_retained = item.at_s, decoded.values, item.retained
        if health.in_a_row:
            health.in_a_row = 0
            if health.degraded:
                health.degraded = False
                events.append(SourceDegraded(item.at_s, self.plan.id, degraded=False, why="it can be read again"))

    def _bad(self, item: Raw, why: str, events: list[Event]) -> None:
        health = self.health
        health.bad += 1
        health.in_a_row += 1
        health.note_bad(why, item.body)
        if health.in_a_row >= DEGRADED_AFTER and not health.degraded:
            health.degraded = True
            events.append(SourceDegraded(item.at_s, self.plan.id, degraded=True, why=why))


class PeerRefusal(Exception):
    """The peer says itself that it knows nothing true (RFC 9271: ERR DATA-STALE)."""


def ups_reader(address: str) -> Reader:
    """A reader of replies to LIST VAR of the unit at ``upsname@host:port``."""
    try:
        ups: str | None = upsproto.parse_address(address)[0]
    except ConfigError:
        ups = address.partition("@")[0] or None

    def read(body: bytes) -> Decoded:
        variables = upsproto.read_variables(body, ups)
        if isinstance(variables, upsproto.UpsError):
            raise PeerRefusal(f"ERR {variables.name}")
        return upsvalues.decode(variables)

    return read


def snmp_read(body: bytes) -> Decoded:
    """Reads what an agent serves of the UPS-MIB (RFC 1628)."""
    objects = upsmib.parse(body)
    if upsmib.out_of_contact(objects):
        raise PeerRefusal("the agent has lost contact with the unit")
    return upsmib.decode(objects)


def reader_of(route: Route, compiled: dict[int, Reader]) -> Reader:
    """How a source's payloads are read: those of backups know their own values.

    `compiled` holds what has been compiled already: sources that share a mapping share its reader.
    """
    if route.source.via == "ups":
        return ups_reader(route.source.address)
    if route.source.via == "snmp":
        return snmp_read
    mapping = route.mapping
    return compiled.get(id(mapping)) or compiled.setdefault(id(mapping), compile_mapping(mapping))


class CommandPort:
    """What people say by MQTT: JSON with command, machine, by and what belongs to the command."""

    __slots__ = ("health",)

    def __init__(self) -> None:
        self.health = SourceHealth()

    def take(self, item: Raw, events: list[Event]) -> None:
        """A command, unless the broker has kept it: then it was said some other time."""
        if item.retained:
            return
        health = self.health
        try:
            said = command_of(item)
        except BadPayload as error:
            health.bad += 1
            health.note_bad(str(error), item.body)
            if isinstance(error, NoAction):
                events.append(Denied(item.at_s, f"by MQTT, {error.command}", noted=False))
            return
        health.good += 1
        health.last_at_s = item.at_s
        events.append(said)


class NoAction(BadPayload):
    """A message would have something done at a machine. The broker does not say who has sent it."""

    def __init__(self, command: str) -> None:
        super().__init__(f'"{command}": actions at machines are never taken by MQTT; use the page or farmwatch act')
        self.command = command


def command_of(item: Raw) -> Said:
    """The command in a message. Whether it can be carried out is for the brain to say.

    Raises:
        BadPayload: it is no JSON object with a command, or holds what no command holds.
    """
    doc = parse_json(item.body)
    if not isinstance(doc, dict):
        raise BadPayload("no JSON object")
    command = _short(doc, "command")
    if not command:
        raise BadPayload('"command" is missing')
    if command in ACTIONS:
        raise NoAction(command)
    if len(doc) > MOST_FIELDS:
        raise BadPayload(f"{len(doc)} fields, at most {MOST_FIELDS} are read")
    fields = {clean(key)[:40]: _scalar(key, value) for key, value in doc.items() if key not in OWN_KEYS}
    return Said(item.at_s, command, _short(doc, "machine"), _short(doc, "by") or "mqtt", fields)


def _short(doc: dict[str, object], key: str) -> str | None:
    value = doc.get(key)
    if value is None:
        return None
    if not isinstance(value, str) or len(value) > KEPT_TEXT:
        raise BadPayload(f'"{key}" is no text of at most {KEPT_TEXT} characters')
    return clean(value) or None


def _scalar(key: str, value: object) -> str | float | bool | None:
    if isinstance(value, str):
        return clean(value)[:KEPT_TEXT]
    if isinstance(value, dict | list):
        raise BadPayload(f"{key[:40]!a} is no single value")
    if isinstance(value, int | float) and not (math.isfinite(value) and abs(value) < 1e15):
        raise BadPayload(f"{key[:40]!a} is no usable number")
    return value if isinstance(value, bool | int | float) else None


class ButtonPort:
    """A mapped button. What the broker has kept was pressed some other time."""

    __slots__ = ("_button", "_payload")

    def __init__(self, button: Button) -> None:
        self._button = button
        self._payload = None if button.payload is None else button.payload.strip().encode()

    def take(self, item: Raw, events: list[Event]) -> None:
        """The button's command, if the payload is the right one."""
        if not item.retained and (self._payload is None or item.body.strip() == self._payload):
            events.append(Said(item.at_s, self._button.command, self._button.machine, "button"))


# ---- topics --------------------------------------------------------------------------------------------------------


def is_filter(address: str) -> bool:
    """Whether a topic filter holds wildcards."""
    return "+" in address or "#" in address


def compile_filter(pattern: str) -> Callable[[str], bool]:
    """Whether a topic is matched by a topic filter (MQTT 5.0, section 4.7).

    "+" stands for one whole level, an empty one too; "#" for the level above it and all that follow; neither
    matches a first level that begins with "$".

    >>> [compile_filter("works/+/status/#")(t) for t in ("works/a/status", "works/a/status/x/y", "works/a/b/status")]
    [True, True, False]
    """
    levels = pattern.split("/")
    open_end = levels[-1] == "#"
    if open_end:
        levels.pop()
    shy = pattern.startswith(("+", "#"))
    count = len(levels)

    def matches(topic: str) -> bool:
        if shy and topic.startswith("$"):
            return False
        parts = topic.split("/")
        if len(parts) < count or (len(parts) > count and not open_end):
            return False
        return all(level in ("+", part) for level, part in zip(levels, parts, strict=False))

    return matches


# ---- the intake ----------------------------------------------------------------------------------------------------


class Intake:
    """Inputs to events, and a record of how each source behaves (the engine's `Decoder`).

    Every port whose address fits gets the message: exact ones, then topic filters, each in the order of the
    configuration. Messages that fit none are only counted.

    Args:
        routes: the configured sources.
        command_topic: where people speak by MQTT; None: nowhere.
        buttons: the mapped buttons.
    """

    def __init__(
        self, routes: Sequence[Route], *, command_topic: str | None = None, buttons: Sequence[Button] = ()
    ) -> None:
        self.unknown = 0
        compiled: dict[int, Reader] = {}
        self._sources = [SourcePort(route.source, reader_of(route, compiled)) for route in routes]
        self._command = CommandPort() if command_topic else None
        self._exact: dict[tuple[str, str], tuple[Port, ...]] = {}
        self._filters: list[tuple[Callable[[str], bool], Port]] = []
        self._cache: dict[tuple[str, str], tuple[Port, ...]] = {}
        for port in self._sources:
            self._place(port.plan.via, port.plan.address, port)
        for button in buttons:
            self._place("mqtt", button.topic, ButtonPort(button))
        if command_topic and self._command is not None:
            self._place("mqtt", command_topic, self._command)

    def _place(self, via: str, address: str, port: Port) -> None:
        if via == "mqtt" and is_filter(address):
            self._filters.append((compile_filter(address), port))
        else:
            self._exact[via, address] = (*self._exact.get((via, address), ()), port)

    def decode(self, item: Input) -> list[Event]:
        """Events of one input."""
        if type(item) is Raw:
            events: list[Event] = []
            key = item.via, item.address
            ports = (self._cache if self._filters else self._exact).get(key) or self._find(*key)
            for port in ports:
                port.take(item, events)
            if not ports:
                self.unknown += 1
            return events
        if isinstance(item, Said):
            return [item]
        if isinstance(item, Link):
            return [LinkChanged(item.at_s, item.via, item.address, item.connected, self._hanging_on(item))]
        if isinstance(item, Failed):
            return self._failed(item)
        return []

    def health(self) -> dict[str, SourceHealth]:
        """How each source has behaved, by its id; the command topic counts as "command"."""
        found = {port.plan.id: port.health for port in self._sources}
        return found if self._command is None else found | {COMMAND: self._command.health}

    def _find(self, via: str, address: str) -> tuple[Port, ...]:
        key = via, address
        ports = self._exact.get(key, ())
        if via == "mqtt" and address:
            ports += tuple(port for matches, port in self._filters if matches(address))
        if ports and self._filters:  # an address that fits nothing is not kept: anybody can invent them
            if len(self._cache) >= MOST_CACHED:
                self._cache.clear()
            self._cache[key] = ports
        return ports

    def _failed(self, item: Failed) -> list[Event]:
        events: list[Event] = []
        for port in self._find(item.via, item.address):
            if isinstance(port, SourcePort):
                port.health.failed += 1
                events.append(SourceFailed(item.at_s, port.plan.id, item.error))
        return events

    def _hanging_on(self, item: Link) -> tuple[str, ...]:
        """Sources of a connection: all of the transport, or those at the address (for ups also ``host:port``)."""
        end = "" if item.address is None else f"@{item.address}"
        return tuple(
            port.plan.id
            for port in self._sources
            if port.plan.via == item.via
            and (
                item.address is None
                or port.plan.address == item.address
                or (item.via == "ups" and port.plan.address.endswith(end))
            )
        )
