"""Whether the computer's clock can be trusted."""

import pytest

from farmwatch.clock import ClockWatch

T0 = 1_790_000_000.0


class Steady:
    """A clock that passes by hand."""

    def __init__(self, at_s):
        self.at_s = at_s

    def now_s(self):
        return self.at_s


@pytest.mark.parametrize(
    ("start", "wall", "last", "words"),
    [
        (T0, T0 + 59, T0 - 10, ""),
        (T0, T0 - 59, T0 - 10, ""),
        (T0, T0 + 2.5 * 365.25 * 86_400, T0 - 10, "913 days forward"),
        (T0, T0 - 3600, None, "60 min back"),
        (0.0, 20.0, T0, "stands at 1970-01-01 00:00 UTC, before what is on record"),
        (0.0, 20.0, None, "stands at 1970-01-01 00:00 UTC"),
        (T0 - 7200, T0 - 7200, T0, "before what is on record"),
        (-10.0, -10.0, None, "stands at 1970-01-01"),
    ],
)
def test_what_a_clock_says_of_itself(start, wall, last, words):
    found = ClockWatch(Steady(start), last, 60.0, lambda: wall).doubt()
    assert words in found
    assert bool(found) is bool(words)
