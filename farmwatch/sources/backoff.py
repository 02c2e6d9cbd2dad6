"""How long to wait before the next try: exponential, with full jitter."""

from collections.abc import Callable
from secrets import SystemRandom

FIRST_S = 2.0
MOST_S = 60.0
LEAST_S = 0.1
"""Full jitter may draw next to nothing; a peer that refuses at once is still not asked in a tight loop."""


class Backoff:
    """Waits drawn evenly from 0 to a ceiling that doubles from `first_s` to `most_s` with each failure.

    Full jitter spreads clients that failed together (common practice; M. Brooker, "Exponential backoff and
    jitter", 2015, from memory). The first wait is at most `first_s`, every wait at most `most_s`.
    """

    def __init__(
        self,
        first_s: float = FIRST_S,
        most_s: float = MOST_S,
        uniform: Callable[[float, float], float] | None = None,
    ) -> None:
        self._first_s = first_s
        self._most_s = most_s
        self._uniform = uniform or SystemRandom().uniform
        self.failures = 0

    def ceiling_s(self) -> float:
        """Longest wait that may be drawn now."""
        return min(self._most_s, self._first_s * 2.0 ** min(self.failures, 30))

    def next_s(self) -> float:
        """The wait after one more failure."""
        wait_s = max(LEAST_S, self._uniform(0.0, self.ceiling_s()))
        self.failures += 1
        return wait_s

    def reset(self) -> None:
        """The peer works again."""
        self.failures = 0
