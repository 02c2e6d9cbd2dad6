"""How often a person may be interrupted: a token bucket. Danger asks no bucket.

With `a_day` tokens coming back in 24 hours and at most `CAPACITY` days of them saved up, no 24 hours see more than
`(1 + CAPACITY) * a_day` messages, and in the long run there are `a_day`: 10 and 5 as it comes.
"""

from dataclasses import dataclass

DAY_S = 86_400.0
CAPACITY = 1.0
"""Days of tokens that can be saved up."""
SPARE = 1.0
"""What other things must leave for beds: they come every day, and each hour that one waits costs money."""


@dataclass(slots=True)
class Bucket:
    """Tokens of one person; `a_day` None: any number."""

    a_day: float | None
    tokens: float = 0.0
    at_s: float | None = None

    @property
    def most(self) -> float:
        """Tokens that can be saved up; a whole one at least."""
        return 0.0 if self.a_day is None else max(1.0, CAPACITY * self.a_day)

    def _fill(self, now_s: float) -> None:
        if self.a_day is None:
            return
        if self.at_s is None:
            self.tokens = self.most
        elif now_s > self.at_s:
            self.tokens = min(self.most, self.tokens + (now_s - self.at_s) * self.a_day / DAY_S)
        self.at_s = now_s if self.at_s is None else max(self.at_s, now_s)

    def ready(self, now_s: float) -> float:
        """Tokens there are."""
        self._fill(now_s)
        return 0.0 if self.a_day is None else self.tokens

    def take(self, now_s: float, spare: float = 0.0, cost: float = 1.0) -> bool:
        """Take so many tokens, leaving `spare`; False if there are not so many."""
        if self.a_day is None:
            return True
        self._fill(now_s)
        if self.tokens < min(cost + spare, self.most) - 1e-9:
            return False
        self.tokens -= min(cost, self.tokens)
        return True

    def ready_s(self, now_s: float, spare: float = 0.0) -> float:
        """When `take` will do."""
        if self.a_day is None:
            return now_s
        self._fill(now_s)
        lacks = min(1.0 + spare, self.most) - self.tokens
        return now_s if lacks <= 0 else now_s + lacks * DAY_S / self.a_day
