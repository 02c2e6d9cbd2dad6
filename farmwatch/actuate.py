"""Doing it: pause, resume, stop or switch off a machine because a person asked for it, twice.

Off unless the owner has allowed an action for a machine. Nothing here is ever started by the brain, a timer or an
alarm: `propose` gives a person a token, `confirm` with that token carries it out. Each is written down before and
after; what cannot be written down is not done. What is refused stands in `machines.deeds.REFUSALS`. Afterwards the
machine's own reports are watched: whether it did what was asked is said, and so is that it did not.
"""

import asyncio
import logging
import secrets
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from farmwatch.machines.deeds import CONFIRM_S, DEEDS, Action, Attempt, Command, Facts, outcome, refusal
from farmwatch.ports import Clock
from farmwatch.words.errors import FarmwatchError, PeerUnavailable, Refused
from farmwatch.words.model import Note

log = logging.getLogger("farmwatch.actuate")
LOOK_S = 1.0
MOST_WAITING, MOST_KEPT = 100, 200


class Sender(Protocol):
    """Hands a command to the device's broker or to the device."""

    async def __call__(self, command: Command) -> None:
        """Send it; PeerUnavailable with words that hold no secret."""
        ...


Audit = Callable[[Note], Awaitable[None]]
"""Writes a note durably; StoreError if it cannot."""
Look = Callable[[str], Facts]
"""What is known of a machine now."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a person is asked to confirm. The token works once, for that person, until `expires_s`."""

    token: str = field(repr=False)
    text: str
    expires_s: float


@dataclass(slots=True)
class Receipt:
    """An action that was sent. `shown` is whether the machine's own reports show it; None: not yet."""

    id: str
    action: str
    deed: str
    machine: str
    by: str
    at_s: float
    shown: bool | None
    text: str


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
        look: what is known of a machine.
        send: how.
        audit: writes down what is about to be done and what became of it.
        clock: the house's.
    """

    def __init__(
        self,
        actions: Mapping[str, Action],
        allowed: Mapping[str, tuple[str, ...]],
        params: Mapping[str, Mapping[str, str]],
        *,
        look: Look,
        send: Sender,
        audit: Audit,
        clock: Clock,
    ) -> None:
        self._actions, self._allowed, self._params = actions, allowed, params
        self._look, self._send, self._audit, self._clock = look, send, audit, clock
        self._waiting: OrderedDict[str, _Waiting] = OrderedDict()
        self._last_s: dict[str, float] = {}
        self._receipts: OrderedDict[str, Receipt] = OrderedDict()
        self._tasks: set[asyncio.Task[None]] = set()

    def offers(self, machine: str) -> list[Action]:
        """What is turned on for a machine."""
        return [self._actions[name] for name in self._allowed.get(machine, ())]

    def last(self, machine: str) -> Receipt | None:
        """The last action at a machine since the start."""
        return next((r for r in reversed(self._receipts.values()) if r.machine == machine), None)

    def receipt(self, key: str) -> Receipt | None:
        """An action that was sent, by its id."""
        return self._receipts.get(key)

    def propose(self, action: str, machine: str, by: str) -> Proposal:
        """A token and the words to confirm; Refused with the reason. `action` is a name, or a deed that is clear."""
        template, facts = self._check(self._named(action, machine), machine)
        now_s = self._clock.now_s()
        for token in [token for token, waiting in self._waiting.items() if waiting.expires_s <= now_s]:
            del self._waiting[token]
        while len(self._waiting) >= MOST_WAITING:
            self._waiting.popitem(last=False)
        token = secrets.token_urlsafe(24)
        self._waiting[token] = _Waiting(template.name, machine, by, now_s + CONFIRM_S)
        power = " It loses its power by this." if template.cuts_power or template.deed == "off" else ""
        text = f"{template.deed.capitalize()} {machine}? It is {facts.state.replace('_', ' ')} now.{power}"
        return Proposal(token, text, now_s + CONFIRM_S)

    async def confirm(self, token: str, by: str) -> Receipt:
        """Carry out what the token stands for, by what is known now.

        Raises:
            Refused: the token is spent, late or another person's, or something forbids it now.
            StoreError: it could not be written down before; nothing was sent.
            PeerUnavailable: it could not be sent; that is written down.
        """
        now_s = self._clock.now_s()
        waiting = self._waiting.pop(token, None)
        if waiting is None or waiting.by != by or now_s >= waiting.expires_s:
            raise Refused("this confirmation is used, too late or somebody else's", hint="ask again")
        action, _ = self._check(waiting.action, waiting.machine)
        command = action.filled(self._values(waiting.machine))
        # Counted at once, so that two at the same time are one; also where it then cannot be written down.
        self._last_s[waiting.machine] = now_s
        text = f"sent to {waiting.machine}"
        receipt = Receipt(secrets.token_hex(8), action.name, action.deed, waiting.machine, by, now_s, None, text)
        await self._note(receipt, "before")
        try:
            await self._send(command)
        except PeerUnavailable as error:
            await self._note(receipt, "after", sent=False, error=error.args[0])
            raise
        except BaseException:
            await self._note(receipt, "after", sent=None, error="it is not known whether it was sent")
            raise
        await self._note(receipt, "after", sent=True, error="")
        self._follow(receipt, action)
        return receipt

    async def close(self) -> None:
        """Follow nothing up any more."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # ---- what became of it -------------------------------------------------------------------------------------

    def _follow(self, receipt: Receipt, action: Action) -> None:
        self._receipts[receipt.id] = receipt
        while len(self._receipts) > MOST_KEPT:
            self._receipts.popitem(last=False)
        task = asyncio.create_task(self._watch(receipt, action), name=f"action at {receipt.machine}")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _watch(self, receipt: Receipt, action: Action) -> None:
        """Until the machine's own reports show it, or its time is over."""
        while receipt.shown is None:
            now_s = self._clock.now_s()
            state = self._look(receipt.machine).state
            receipt.shown, receipt.text = outcome(
                receipt.deed, receipt.machine, state, now_s - receipt.at_s, action.answer_s
            )
            if receipt.shown is None:
                await self._clock.sleep_until(now_s + LOOK_S)
        if not receipt.shown:
            log.warning("action %s: %s", receipt.action, receipt.text)
        try:
            await self._note(receipt, "outcome", shown=receipt.shown, text=receipt.text)
        except FarmwatchError as error:
            log.warning("action %s: %s; not written down: %s", receipt.action, receipt.text, error)

    async def _note(self, receipt: Receipt, step: str, **more: Any) -> None:  # noqa: ANN401  (a document's values)
        names = ("id", "action", "deed", "machine", "by")
        doc = {"step": step} | {name: getattr(receipt, name) for name in names} | more
        await self._audit(Note(self._clock.now_s(), "act", doc))

    # ---- what is refused ---------------------------------------------------------------------------------------

    def _values(self, machine: str) -> dict[str, str]:
        return {**self._params.get(machine, {}), "machine": machine}

    def _named(self, action: str, machine: str) -> str:
        """The name of an action, also by its deed where only one that is turned on does that."""
        if action in self._actions:
            return action
        if action not in DEEDS:
            raise Refused(f"no action {action!r}", hint=f"known: {', '.join(sorted(self._actions)) or 'none'}")
        found = [offer.name for offer in self.offers(machine) if offer.deed == action]
        if not found:
            raise Refused(f"{action} {machine}: the owner has not turned this on for the machine")
        if len(found) > 1:
            raise Refused(f"{action} {machine}: there are several", hint=f"name one: {', '.join(found)}")
        return found[0]

    def _check(self, action: str, machine: str) -> tuple[Action, Facts]:
        template, now_s = self._actions[action], self._clock.now_s()
        last_s = self._last_s.get(machine)
        allowed = action in self._allowed.get(machine, ())
        facts = self._look(machine) if allowed else Facts("unknown")
        reason = refusal(Attempt(template, allowed, facts, None if last_s is None else now_s - last_s))
        if reason:
            raise Refused(f"{template.deed} {machine}: {reason}")
        template.filled(self._values(machine))
        return template, facts
