"""PURE: what a person may have done to a machine, and the table of what is refused.

Nothing here acts. Switching the power off under a hot nozzle ruins it and can scald: that is refused above 50 °C, and
where the temperature is not known. Machines have their own guards and their makers' instructions; local codes and
licensed practice go before this.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from farmwatch.words.errors import Refused

CONFIRM_S = 60.0
LEAST_S = 10.0  # between two actions at one machine
COOL_C = 50.0  # of a nozzle whose power may be cut
FRESH_S = 30.0  # a temperature older than this is not known


class Deed(NamedTuple):
    """The states in which a deed makes sense, and those by which a machine shows that it was done."""

    sensible: frozenset[str]
    shown: frozenset[str]


DEEDS: dict[str, Deed] = {
    "pause": Deed(frozenset({"heating", "printing"}), frozenset({"paused"})),
    "resume": Deed(frozenset({"paused"}), frozenset({"heating", "printing"})),
    "stop": Deed(frozenset({"heating", "printing", "paused"}), frozenset({"off", "idle", "cooling", "waiting"})),
    "off": Deed(frozenset({"off", "idle", "cooling", "waiting", "fault", "out_of_service"}), frozenset({"off"})),
}
METHODS = ("POST", "PUT", "GET")
PARAMETER = re.compile(r"\{([A-Za-z_]\w*)\}")


@dataclass(frozen=True, slots=True)
class Command:
    """What is sent; `action` is the name of its template."""

    via: str
    method: str
    address: str
    payload: str
    action: str = ""


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
        answer_s: how long the machine is given to show by its own reports that it was done.
    """

    name: str
    deed: str
    via: str
    address: str
    payload: str = ""
    method: str = "POST"
    cuts_power: bool = False
    answer_s: float = 60.0

    def __post_init__(self) -> None:
        if self.deed not in DEEDS or self.via not in ("mqtt", "http") or self.method not in METHODS:
            msg = f"action {self.name!r}: deed {self.deed!r} via {self.via!r}, method {self.method!r}"
            raise ValueError(msg)

    def filled(self, values: Mapping[str, str]) -> Command:
        """The template with everything filled in; Refused where a parameter is missing."""
        missing = sorted({*PARAMETER.findall(self.address), *PARAMETER.findall(self.payload)} - set(values))
        if missing:
            raise Refused(f"action {self.name!r} wants {{{missing[0]}}}", hint="give it in the machine's params")
        address, payload = (PARAMETER.sub(lambda found: values[found[1]], t) for t in (self.address, self.payload))
        return Command(self.via, self.method, address, payload, self.name)


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
    return "" if state in DEEDS[attempt.action.deed].sensible else f"the machine is {state.replace('_', ' ')}"


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


def outcome(deed: str, machine: str, state: str, after_s: float, answer_s: float) -> tuple[bool | None, str]:
    """What became of a deed that was sent: shown (None: not yet) and the words for it.

    >>> outcome("pause", "gannet", "paused", 4.0, 60.0)
    (True, 'gannet reports paused, 4 s after')
    >>> outcome("pause", "gannet", "printing", 4.0, 60.0)
    (None, 'sent; gannet still reports printing')
    """
    word = state.replace("_", " ")
    if state in DEEDS[deed].shown:
        return True, f"{machine} reports {word}, {after_s:.0f} s after"
    if after_s < answer_s:
        return None, f"sent; {machine} still reports {word}" if state != "unknown" else f"sent; {machine} says nothing"
    if state == "unknown":
        return False, f"what {machine} does is not known {after_s:.0f} s after: go and look"
    return False, f"{machine} still reports {word} {after_s:.0f} s after: go and look"
