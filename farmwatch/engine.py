"""Wire and brain as one step: inputs in, observations and effects out. The daemon and replay share it.

With `answer`, questions that take long are answered at once and in their order, so that a replay gives the same
twice; without, they are among the effects, and their answers are fed as `Worked` when they are there.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from farmwatch.ports import Decoder, Thinker
from farmwatch.words.model import Effect, Input, Observed, Work, Worked


class Step(NamedTuple):
    """What one input led to."""

    observed: list[Observed]
    effects: list[Effect]


class Engine:
    """Feeds inputs through decoder and brain in time order, timers included."""

    def __init__(self, decoder: Decoder, brain: Thinker, answer: Callable[[Work], Any] | None = None) -> None:
        self.decoder = decoder
        self.brain = brain
        self._answer = answer

    def feed(self, item: Input | Worked) -> Step:
        """One input at its own time; timers due before it go first."""
        effects: list[Effect] = []
        if self.brain.next_due_s() <= item.at_s:
            effects = self.advance(item.at_s)
        observed: list[Observed] = []
        if isinstance(item, Worked):
            effects += self._answered(self.brain.receive(item, item.at_s), item.at_s)
            return Step(observed, effects)
        for event in self.decoder.decode(item):
            if type(event) is Observed:
                observed.append(event)
            effects += self._answered(self.brain.receive(event, item.at_s), item.at_s)
        return Step(observed, effects)

    def advance(self, now_s: float) -> list[Effect]:
        """Run every timer that is due up to `now_s`, each at its own time."""
        effects: list[Effect] = []
        while (due_s := self.brain.next_due_s()) <= now_s:
            effects += self._answered(self.brain.advance(due_s), max(due_s, 0.0))
        return effects

    def _answered(self, effects: list[Effect], now_s: float) -> list[Effect]:
        """The effects with each question answered in its place, if that is to be done here."""
        if self._answer is None or not any(isinstance(effect, Work) for effect in effects):
            return effects
        found: list[Effect] = []
        for effect in effects:
            if isinstance(effect, Work):
                worked = Worked(now_s, effect.id, self._answer(effect))
                found += self._answered(self.brain.receive(worked, now_s), now_s)
            else:
                found.append(effect)
        return found
