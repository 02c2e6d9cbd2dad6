import doctest

import pytest

from farmwatch import replay
from farmwatch.alarms import lifecycle, phrases, wording
from farmwatch.machines import builds, state
from farmwatch.power import backup


@pytest.mark.parametrize("module", [wording, phrases, lifecycle, builds, state, backup, replay])
def test_examples_in_the_documentation(module):
    assert doctest.testmod(module).failed == 0


def test_summer_time_is_right_on_both_days():
    """Europe/London 2026: clocks go forward on 29 March 01:00 UTC and back on 25 October 01:00 UTC (tz database)."""
    assert wording.clock(1774745999, "Europe/London") == "00:59"
    assert wording.clock(1774746000, "Europe/London") == "02:00"
    assert wording.clock(1792889999, "Europe/London") == "01:59"
    assert wording.clock(1792890000, "Europe/London") == "01:00"


def test_names_from_outside_are_plain():
    assert wording.plain("a\x1b[31mb\u202ec\nd") == "a [31mb c d"


@pytest.mark.parametrize("length", [10, 60, 240])
def test_fit_keeps_to_its_limit(length):
    text = "avocet has finished and waits for somebody to come and clear its bed " * 8
    assert len(wording.fit(text, length)) <= length
    assert wording.fit("short", length) == "short"
