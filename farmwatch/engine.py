"""Wire and brain as one step: inputs in, observations and effects out. The daemon and replay share it."""

from typing import NamedTuple

from farmwatch.ports import Decoder, Thinker
from farmwatch.words.model import Effect, Input, Observed


class Step(NamedTuple):
    """What one input led to."""

    observed: list[Observed]
    effects: list[Effect]


class Engine:
    """Feeds inputs through decoder and brain in time order, timers included."""

    def __init__(self, decoder: Decoder, brain: Thinker) -> None:
        self.decoder = decoder
        self.brain = brain

    def feed(self, item: Input) -> Step:
        """One input at its own time; timers due before it go first."""
        effects: list[Effect] = []
        if self.brain.next_due_s() <= item.at_s:
            effects = self.advance(item.at_s)
        observed: list[Observed] = []
        for event in self.decoder.decode(item):
            if type(event) is Observed:
                observed.append(event)
            effects += self.brain.receive(event, item.at_s)
        return Step(observed, effects)

    def advance(self, now_s: float) -> list[Effect]:
        """Run every timer that is due up to `now_s`, each at its own time."""
        effects: list[Effect] = []
        while (due_s := self.brain.next_due_s()) <= now_s:
            effects += self.brain.advance(due_s)
        return effects
