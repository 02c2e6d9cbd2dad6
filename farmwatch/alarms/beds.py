"""When a bed is told of, so that each is told in time and nobody is told too often.

Two promises pull apart: a bed is told within a minute of its release, and a person is interrupted five times a day
at most while two dozen beds come free. Both hold by this:

1. A bed that comes free while no request stands is told at once (15 s are for others that come with it), with all that
   wait and those that will be due within five minutes.
2. Those that come within the window of five minutes, and had not been named, are told in one more.
3. While the request is unanswered further beds join without a word: page, digest, reminder and the next request name
   them. Whoever has not answered knows that there is something to clear.
4. After an hour there is one reminder, if work waits for machines (``[site] work_waits``) and the person may be spoken
   to.
5. The request is answered when somebody clears a bed, starts a build on one, or acknowledges. The next bed that comes
   free is a new request. What had joined without a word and still waits a quarter of an hour after the last act of a
   round is told.
6. Who was off duty, or had quiet hours, when beds came free is told when that ends.
7. A person's budget (`budget`) stands above all of it: with no token left a request waits for one.
"""

import math

from farmwatch.alarms.rules import RULES

WINDOW_S = 300.0
REMIND_S = RULES["bed_waiting"].remind_s or math.inf
ROUND_S = 900.0


def in_window(opened_s: float, now_s: float) -> bool:
    """Whether a bed that comes free now will be told at the end of the window."""
    return now_s < opened_s + WINDOW_S


def window_ends_s(opened_s: float, now_s: float) -> float:
    """When what came within the window is told: counted from the request's begin."""
    return max(opened_s + WINDOW_S, now_s + 1.0)


def reminder_s(asked_s: float | None, now_s: float) -> float:
    """When the one reminder is due."""
    return (now_s if asked_s is None else asked_s) + REMIND_S


def next_s(asked_s: float, opened_s: float, now_s: float) -> float:
    """What is due next of a request that has been told."""
    ends_s = opened_s + WINDOW_S
    return ends_s if now_s < ends_s else asked_s + REMIND_S
