"""Where a machine's level fell for good: heaters held after the end of a build.

A hold phase is a square wave; a plug that averages, and readings that beat with the bed's windows, smear it into
levels that come and go for minutes, so that neither a mean nor one low level says much.  But whatever shape the
readings have, the end takes motion, flow and fan out of all of them at the same moment: the whole distribution
moves down, its edges too.  Hence every place k and every shift d are asked how alike the readings before k and
those behind it, moved up by d, are:

    n_b = number of readings in bin b, once those from k on are moved up by d
    log P(readings | k, d) = sum over b of log Gamma(n_b + a) + constant

the marginal likelihood of the Dirichlet-multinomial model (e.g. Gelman et al., Bayesian Data Analysis, chapters 3
and 23), against the same with nothing moved.  Going backwards through the readings moves one of them at a time, so
that each place costs one ratio of Gammas.  Motion wanders and beats last for minutes, so that readings are
correlated; `_inflation` and `_sticky` take that away, the first measured on simulated builds without a hold.

Times are epoch seconds, powers watts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

READINGS_LEAST = 8
AFTER_LEAST = 3  # readings behind a step
BIN_W, BIN_SHARE = 5.0, 0.012  # the noise of a reading grows with the watts
PRIOR = 0.15  # the Dirichlet prior's a, of each bin
REACH = 2.5  # falls so many standard deviations from the habit are looked for
LEAST_SAVED_W, LEAST_SAVED = 6.0, 0.6  # a fall of less, or of less than this share of the habit: motion wanders
CORRELATED = (1.2, 68.0)  # readings worth one: so many, and so many seconds of them
STICKY = 4.0  # (1 + r) / (1 - r) up to which the above says enough
CHANCE_FALL = 4.0  # log odds that the best of all places and shifts has where nothing fell
RISEN = 3.0  # log odds from which the level counts as risen again
PAUSES = 4  # so many falls that were pauses are passed over
LOGS = tuple(math.log(count + PRIOR) for count in range(1024))


@dataclass(frozen=True, slots=True)
class Fall:
    """A step down: when, by how many watts, and log odds for it before the machine's habit is counted."""

    at_s: float
    saved_w: float
    log_odds: float


def find(
    rows: Sequence[tuple[float, float]], until_s: float, shortest_s: float, longest_s: float, habit: tuple[float, float]
) -> Fall | None:
    """The most probable step down that lasts until ``until_s``, for ``shortest_s`` to ``longest_s``.

    ``rows`` are (time, watts) of one run in order, ``habit`` mean and standard deviation of what the machine
    saves.  None if there are too few readings.  A step after which the
    level rises again is a pause: the search goes on behind it.
    """
    rows = rows[-len(LOGS) + 1 :]
    if len(rows) < READINGS_LEAST:
        return None
    times = [t for t, _ in rows]
    width_w = max(BIN_W, BIN_SHARE * max(w for _, w in rows))
    bins = [int(w / width_w) for _, w in rows]
    mean, sd = habit[0] / width_w, habit[1] / width_w
    lowest = math.ceil(max(LEAST_SAVED_W, LEAST_SAVED * habit[0]) / width_w)
    inflation = _inflation((times[-1] - times[0]) / (len(times) - 1))
    for _ in range(PAUSES):
        if len(bins) < READINGS_LEAST:
            return None
        first, last = _places(times, until_s, shortest_s, longest_s)
        if first > last:
            return None
        place, steps, gained, unlike = _best(bins, (first, last), (mean, sd), lowest, inflation)
        stuck = inflation * _sticky([*bins[:place], *(b + steps for b in bins[place:])])
        risen = _risen(bins, place, steps, inflation)
        if risen == 0:
            at_s = 0.5 * (times[place - 1] + times[place])
            return Fall(at_s, steps * width_w, gained / stuck - unlike - CHANCE_FALL)
        del times[:risen], bins[:risen]
    return None


def _inflation(interval_s: float) -> float:
    """How many readings of an interval are worth one."""
    return CORRELATED[0] + CORRELATED[1] / max(1.0, interval_s)


def _sticky(bins: list[int]) -> float:
    """How much slower than usual readings forget, at least 1: (1 + r) / (1 - r) of an AR(1) process.

    Bayley and Hammersley (1946): so many correlated readings are worth one.  A steady sampling that beats with a
    steady window stays at one level for minutes.
    """
    mean = sum(bins) / len(bins)
    misses = [b - mean for b in bins]
    squares = sum(miss * miss for miss in misses)
    if squares <= 0.0:
        return 1.0
    r = sum(a * b for a, b in pairwise(misses)) / squares
    return max(1.0, (1.0 + r) / max(0.02, 1.0 - r) / STICKY)


def _places(times: list[float], until_s: float, shortest_s: float, longest_s: float) -> tuple[int, int]:
    """First and last index of the readings that may be the first behind a step."""
    first, last = 1, len(times) - AFTER_LEAST
    while last >= first and until_s - times[last - 1] < shortest_s:
        last -= 1
    while first <= last and until_s - times[first - 1] > longest_s:
        first += 1
    return first, last


def _best(
    bins: list[int], within: tuple[int, int], habit: tuple[float, float], lowest: int, inflation: float
) -> tuple[int, int, float, float]:
    """Place and size of the best step ``within`` two places, by at least ``lowest``; all sizes in bins.

    With it what it gains, and how unlike the ``habit`` it is, both as log likelihoods.
    """
    first, last = within
    mean, sd = habit
    least = max(lowest, int(mean - REACH * sd))
    most = max(least, int(mean + REACH * sd))
    counts = [0] * (max(bins) + most + 1)
    for b in bins:
        counts[b] += 1
    behind, places = bins[: last - 1 : -1], bins[last - 1 : first - 1 : -1]
    best = -math.inf
    found = last, least, 0.0, 0.0
    for steps in range(least, most + 1):
        count, gained = counts.copy(), 0.0
        for b in behind[:-1]:
            count[b] -= 1
            gained += LOGS[count[b + steps]] - LOGS[count[b]]
            count[b + steps] += 1
        top, top_place, place = -math.inf, 0, last + 1
        for b in (behind[-1], *places):
            place -= 1
            count[b] -= 1
            gained += LOGS[count[b + steps]] - LOGS[count[b]]
            count[b + steps] += 1
            if gained > top:
                top, top_place = gained, place
        unlike = 0.5 * ((steps - mean) / sd) ** 2
        if top / inflation - unlike > best:
            best, found = top / inflation - unlike, (top_place, steps, top, unlike)
    return found


def _risen(bins: list[int], place: int, steps: int, inflation: float) -> int:
    """Where the level first rises again behind a step down at ``place``: it was a pause.  0: nowhere.

    It may fall once more at the end, so that the stretch is looked for that speaks most for a level as before
    (the greatest sum, as in Page 1954), against readings counted where the step puts them.
    """
    counts = [0] * (max(bins) + steps + 1)
    for b in bins[:place]:
        counts[b] += 1
    for b in bins[place:]:
        counts[b + steps] += 1
    gained = top = 0.0
    begin = top_begin = place
    for index in range(place, len(bins)):
        b = bins[index]
        gained += LOGS[counts[b]] - LOGS[counts[b + steps] - 1]
        if gained <= 0.0:
            gained, begin = 0.0, index + 1
        elif gained > top:
            top, top_begin = gained, begin
    return top_begin if top > RISEN * inflation and top_begin > place else 0
