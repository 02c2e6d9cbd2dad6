"""Doing it: pause, resume, stop or switch off a machine because a person asked for it, twice.

Off unless the owner has allowed an action for a machine. Nothing here is ever started by the brain, a timer or an
alarm: `propose` gives a person a token, `confirm` with that token carries it out. Each is written down before and
after; what cannot be written down is not done. `REFUSALS` is the table of what is refused. Switching the power off
under a hot nozzle ruins it and can scald: that is refused above 50 °C, and where the temperature is not known.

Machines have their own guards and their makers' instructions; local codes and licensed practice go before this.
"""

import asyncio
import re
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from farmwatch.words.errors import PeerUnavailable, Refused
from farmwatch.words.model import Note

CONFIRM_S = 60.0
LEAST_S = 10.0  # between two actions at one machine
COOL_C = 50.0  # of a nozzle whose power may be cut
FRESH_S = 30.0  # a temperature older than this is not known
SEND_S = 8.0
DEEDS: dict[str, frozenset[str]] = {
    # deed: states in which it makes sense
    "pause": frozenset({"heating", "printing"}),
    "resume": frozenset({"paused"}),
    "stop": frozenset({"heating", "printing", "paused"}),
    "off": frozenset({"off", "idle", "cooling", "waiting", "fault", "out_of_service"}),
}
PARAMETER = re.compile(r"\{([A-Za-z_]\w*)\}")


@dataclass(frozen=True, slots=True)
class Action:
    """A template. `{machine}` and the machine's parameters are filled into address and payload.

    Attributes:
        name: what the owner calls it.
        deed: one of `DEEDS`.
        via: mqtt or http.
        address: topic, or URL.
        payload: body of the message or request.
        method: of an HTTP request: POST, PUT or GET.
        cuts_power: whether the machine loses its power by it; switching off always does.
    """

    name: str
    deed: str
    via: str
    address: str
    payload: str = ""
    method: str = "POST"
    cuts_power: bool = False

    def __post_init__(self) -> None:
        if self.deed not in DEEDS or self.via not in ("mqtt", "http") or self.method not in ("POST", "PUT", "GET"):
            msg = f"action {self.name!r}: deed {self.deed!r} via {self.via!r}, method {self.method!r}"
            raise ValueError(msg)

    def filled(self, values: Mapping[str, str]) -> "Command":
        """The template with everything filled in; Refused where a parameter is missing."""
        missing = sorted({*PARAMETER.findall(self.address), *PARAMETER.findall(self.payload)} - set(values))
        if missing:
            raise Refused(f"action {self.name!r} wants {{{missing[0]}}}", hint="give it in the machine's params")
        address, payload = (PARAMETER.sub(lambda found: values[found[1]], t) for t in (self.address, self.payload))
        return Command(self.via, self.method, address, payload)


@dataclass(frozen=True, slots=True)
class Command:
    """What is sent."""

    via: str
    method: str
    address: str
    payload: str


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of the machine at this moment; None: not known."""

    state: str
    nozzle_c: float | None = None
    nozzle_age_s: float | None = None


@dataclass(frozen=True, slots=True)
class Attempt:
    """Everything that decides whether an action is refused."""

    action: Action
    allowed: bool
    facts: Facts
    since_last_s: float | None  # seconds since the last action at this machine


def _not_allowed(attempt: Attempt) -> str:
    return "" if attempt.allowed else "the owner has not turned this on for the machine"


def _too_soon(attempt: Attempt) -> str:
    last_s = attempt.since_last_s
    return f"only one action each {LEAST_S:.0f} s at a machine" if last_s is not None and last_s < LEAST_S else ""


def _wrong_state(attempt: Attempt) -> str:
    state = attempt.facts.state
    if state == "unknown":
        return "what the machine does is not known"
    return "" if state in DEEDS[attempt.action.deed] else f"the machine is {state.replace('_', ' ')}"


def _hot(attempt: Attempt) -> str:
    if not (attempt.action.cuts_power or attempt.action.deed == "off"):
        return ""
    nozzle_c, age_s = attempt.facts.nozzle_c, attempt.facts.nozzle_age_s
    if nozzle_c is None or age_s is None or not age_s <= FRESH_S:
        return "the nozzle's temperature is not known: power is not cut under a nozzle that may be hot"
    return "" if nozzle_c <= COOL_C else f"the nozzle is at {nozzle_c:.0f} °C: let it cool to {COOL_C:.0f} °C first"


REFUSALS: tuple[Callable[[Attempt], str], ...] = (_not_allowed, _too_soon, _wrong_state, _hot)
"""Each gives a reason, or "" where it has none; the first reason refuses."""


def refusal(attempt: Attempt) -> str:
    """Why an attempt is refused; "" if it is not."""
    return next((reason for rule in REFUSALS if (reason := rule(attempt))), "")


class Sender(Protocol):
    """Hands a command to the device's broker or to the device."""

    async def __call__(self, command: Command) -> None:
        """Send it; PeerUnavailable with words that hold no secret."""
        ...


Audit = Callable[[Note], Awaitable[None]]
"""Writes a note durably; StoreError if it cannot."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a person is asked to confirm. The token works once, for that person, until `expires_s`."""

    token: str = field(repr=False)
    text: str
    expires_s: float


@dataclass(frozen=True, slots=True)
class _Waiting:
    action: str
    machine: str
    by: str
    expires_s: float


class Actuator:
    """Actions that the owner has allowed.

    Args:
        actions: templates by name.
        allowed: machine: names of the actions that are turned on for it; a machine that is not here has none.
        params: machine: values for the templates, beside `machine`.
        send: how.
        audit: writes down what is about to be done and what became of it.
    """

    def __init__(
        self,
        actions: Mapping[str, Action],
        allowed: Mapping[str, tuple[str, ...]],
        params: Mapping[str, Mapping[str, str]],
        send: Sender,
        audit: Audit,
    ) -> None:
        self._actions, self._allowed, self._params = actions, allowed, params
        self._send, self._audit = send, audit
        self._waiting: dict[str, _Waiting] = {}
        self._last_s: dict[str, float] = {}

    def propose(self, action: str, machine: str, by: str, facts: Facts, now_s: float) -> Proposal:
        """A token and the words to confirm; Refused with the reason."""
        self._check(action, machine, facts, now_s)
        self._waiting = {token: w for token, w in self._waiting.items() if w.expires_s > now_s}
        token = secrets.token_urlsafe(24)
        self._waiting[token] = _Waiting(action, machine, by, now_s + CONFIRM_S)
        text = f"{self._actions[action].deed.capitalize()} {machine}? It is {facts.state.replace('_', ' ')} now."
        return Proposal(token, text, now_s + CONFIRM_S)

    async def confirm(self, token: str, by: str, facts: Facts, now_s: float) -> None:
        """Carry out what the token stands for, by what is known now.

        Raises:
            Refused: the token is spent, late or another person's, or something forbids it now.
            StoreError: it could not be written down before; nothing was sent.
            PeerUnavailable: it could not be sent; that is written down.
        """
        waiting = self._waiting.pop(token, None)
        if waiting is None or waiting.by != by or now_s >= waiting.expires_s:
            raise Refused("this confirmation is used, too late or somebody else's", hint="ask again")
        action = self._check(waiting.action, waiting.machine, facts, now_s)
        command = action.filled({**self._params.get(waiting.machine, {}), "machine": waiting.machine})
        self._last_s[waiting.machine] = now_s
        doc = {"command": "act", "action": action.name, "deed": action.deed, "machine": waiting.machine, "by": by}
        await self._audit(Note(now_s, "said", doc))
        try:
            await self._send(command)
        except PeerUnavailable as error:
            await self._note(now_s, doc, error=str(error))
            raise
        except BaseException:
            await self._note(now_s, doc, error="it is not known whether it was sent")
            raise
        await self._note(now_s, doc, error="")

    async def _note(self, now_s: float, doc: Mapping[str, Any], *, error: str) -> None:
        await self._audit(Note(now_s, "done", {**doc, "sent": not error, "error": error}))

    def _check(self, action: str, machine: str, facts: Facts, now_s: float) -> Action:
        template = self._actions.get(action)
        if template is None:
            raise Refused(f"no action {action!r}", hint=f"known: {', '.join(sorted(self._actions)) or 'none'}")
        last_s = self._last_s.get(machine)
        since_s = None if last_s is None else now_s - last_s
        allowed = action in self._allowed.get(machine, ())
        reason = refusal(Attempt(template, allowed, facts, since_s))
        if reason:
            raise Refused(f"{template.deed} {machine}: {reason}")
        template.filled({**self._params.get(machine, {}), "machine": machine})
        return template


# ---- sending -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Broker:
    """Where MQTT commands go; `tls` holds the library's own arguments (ca_certs, certfile, keyfile)."""

    host: str
    port: int
    user: str = ""
    password: str | None = field(default=None, repr=False)
    tls: Mapping[str, Any] | None = None


class PeerSender:
    """Sends over MQTT (QoS 1, never retained) or HTTP (no redirects), each under a deadline."""

    def __init__(self, broker: Broker | None = None) -> None:
        self._broker = broker

    async def __call__(self, command: Command) -> None:
        """Send it."""
        try:
            async with asyncio.timeout(SEND_S):
                await (self._http(command) if command.via == "http" else self._mqtt(command))
        except TimeoutError:
            raise PeerUnavailable(f"no answer within {SEND_S:.0f} s") from None

    async def _mqtt(self, command: Command) -> None:
        from paho.mqtt import MQTTException, publish  # noqa: PLC0415  (only where it is used)

        broker = self._broker
        if broker is None:
            raise PeerUnavailable("no broker is configured", hint="add [mqtt]")
        login: Any = {"username": broker.user, "password": broker.password} if broker.user else None
        tls: Any = dict(broker.tls) if broker.tls is not None else None

        def go() -> None:
            publish.single(
                command.address, command.payload, qos=1, retain=False,
                hostname=broker.host, port=broker.port, auth=login, tls=tls,
            )  # fmt: skip

        try:
            await asyncio.to_thread(go)
        except (OSError, MQTTException) as error:
            raise PeerUnavailable(f"the broker did not take it: {type(error).__name__}") from None

    @staticmethod
    async def _http(command: Command) -> None:
        import aiohttp  # noqa: PLC0415

        body = command.payload.encode() if command.payload and command.method != "GET" else None
        headers = {"Content-Type": "application/json"} if command.payload.startswith(("{", "[")) else {}
        try:
            async with (
                aiohttp.ClientSession() as session,
                session.request(
                    command.method, command.address, data=body, headers=headers, allow_redirects=False
                ) as answer,
            ):
                if not 200 <= answer.status < 300:
                    raise PeerUnavailable(f"the device answered {answer.status}")
        except (aiohttp.ClientError, ValueError) as error:
            raise PeerUnavailable(f"the device cannot be reached: {type(error).__name__}") from None
