"""Questions that take too long for the loop, by kind: each a pure function from frozen data to an answer.

The engine of a replay answers them at once, the daemon on a thread; both ask here, so both get the same.
"""

from collections.abc import Callable
from typing import Any

from farmwatch.power.rescue_advice import advise
from farmwatch.shop.filling import answer as fill_plainly
from farmwatch.shop.visits import answer as next_rounds
from farmwatch.words.model import Work

ANSWERS: dict[str, Callable[[Any], Any]] = {
    # kind, the part of the id before the colon: function of the question
    "rescue": advise,
    "rounds": next_rounds,
    "filling": fill_plainly,
}


def answer(work: Work) -> Any:  # noqa: ANN401  (each kind has its own answer)
    """The answer to a question; KeyError for a kind that nobody answers."""
    return ANSWERS[work.id.partition(":")[0]](work.question)
