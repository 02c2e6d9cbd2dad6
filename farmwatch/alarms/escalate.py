"""What nobody answers: whom to tell and when, as tables of steps; and where each of them stands."""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple

from farmwatch.words.model import PersonPlan


class Call(NamedTuple):
    """Somebody to be told, and on which channels (none: their own order)."""

    person: str
    by: tuple[str, ...]


def second_channel(order: Sequence[PersonPlan], told: Sequence[str]) -> list[Call]:
    """Those who have been told, each on a second channel where there is one."""
    return [Call(p.name, (p.channels[1],)) for p in order if p.name in told and len(p.channels) > 1]


def second_person(order: Sequence[PersonPlan], told: Sequence[str]) -> list[Call]:
    """The next one who has not been told."""
    return [Call(p.name, ()) for p in order if p.name not in told][:1]


def all_of_them(order: Sequence[PersonPlan], _told: Sequence[str]) -> list[Call]:
    """The first and the second once more, on all channels that they have."""
    return [Call(p.name, p.channels) for p in order[:2]]


STEPS: tuple[tuple[float, Callable[[Sequence[PersonPlan], Sequence[str]], list[Call]]], ...] = (
    # seconds after the first message, whom to tell then; after the last step it stops
    (300.0, second_channel),
    (900.0, second_person),
    (1800.0, all_of_them),
)


SESSION_STEPS: tuple[tuple[float, Callable[[Sequence[PersonPlan], Sequence[str]], list[Call]]], ...] = (
    # the same for what is no danger; beds have a reminder of their own
    (3600.0, second_person),
)


@dataclass(slots=True)
class Escalation:
    """Where something unanswered stands. `told` are the people who know, in order."""

    key: str
    incident: str
    began_s: float
    step: int = 0
    told: list[str] = field(default_factory=list)
    danger: bool = True

    @property
    def _steps(self) -> tuple[tuple[float, Callable[[Sequence[PersonPlan], Sequence[str]], list[Call]]], ...]:
        return STEPS if self.danger else SESSION_STEPS

    def next_s(self) -> float | None:
        """When the next step is due, None after the last."""
        return self.began_s + self._steps[self.step][0] if self.step < len(self._steps) else None

    def calls(self, order: Sequence[PersonPlan]) -> list[Call]:
        """Take the next step: whom to tell. `order` is who is to be told first, second and so on."""
        found = self._steps[self.step][1](order, self.told)
        self.step += 1
        self.told += [call.person for call in found if call.person not in self.told]
        return found

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)
