"""What a plug's watts say about a machine: off, idle, heating, printing, paused with heaters on, finished.

`plugmodel` states the hidden Markov model, `plugfilter` runs it, `plugruns` makes builds of it; here readings
come in and answers go out.  What a plug cannot see: a failed part, a bed's temperature, whether a part was
taken away, which job runs.  A pause cannot be told from heaters held after the end while it lasts, and hardly
from printing where motion draws little; motion without heaters looks idle.

All times are epoch seconds, all powers watts.  Nothing here reads a clock.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from farmwatch.machines.levels import Levels
from farmwatch.machines.plugfilter import PlugFilter
from farmwatch.machines.plugmodel import LABELS
from farmwatch.machines.plugruns import PlugRuns, PowerBuild
from farmwatch.words.timers import CLOCK_BACK_S

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["Levels", "PowerBuild", "PowerSense", "Sense"]

STALE_S = 240.0  # no reading for so long: unknown
WORDS_S = 15.0  # the watts, minutes and probabilities of an answer that stays the same are no older than this
SURE = 0.98
KILO_READINGS = 6  # so many in a row make "unit changed?"
PLACE = {label: place for place, label in enumerate(LABELS)}
ABSURD_W = 6000.0  # beyond any single-phase plug here: a unit or a fault, not a machine


@dataclass(slots=True)
class Sense:
    """What the watts say now; not to be changed, but words and probabilities are brought up to date until it changes.

    ``since_s`` is when this activity began, set back where that became known later.  ``build_start_s`` and
    ``build_end_s`` are the present or last build found from power alone; ``start_known`` is False where
    watching began in its middle.  ``maybe_over``: every heater is off, and it may be a pause or the end.
    """

    activity: str
    probability: float
    since_s: float | None
    because: str
    masses: tuple[float, ...]
    build_start_s: float | None = None
    build_end_s: float | None = None
    start_known: bool = False
    maybe_over: bool = False

    @property
    def posterior(self) -> dict[str, float]:
        """Probability of each activity by the filter alone; empty before the first reading."""
        return dict(zip(LABELS, self.masses, strict=False))


class PowerSense:
    """The sense of one machine.  `observe` each reading, `judge` when asked."""

    __slots__ = (
        "_filter",
        "_kept",
        "_kept_of",
        "_kept_step_s",
        "_kept_until_s",
        "_last_s",
        "_worded_s",
        "kilo",
        "power_w",
        "rejected",
        "runs",
    )

    def __init__(self, levels: Levels | None = None) -> None:
        self._filter = PlugFilter(levels or Levels())
        self.runs = PlugRuns(self._filter)
        self._last_s: float | None = None
        self._kept: Sense | None = None
        self._kept_of: tuple[str, float | None, float | None, PowerBuild | None] = ("", None, None, None)
        self._kept_until_s = self._worded_s = 0.0
        self._kept_step_s: float | None = None
        self.power_w: float | None = None
        self.rejected = 0
        self.kilo = 0

    @property
    def levels(self) -> Levels:
        """The machine's levels as they are now."""
        return self._filter.levels

    @property
    def stale_s(self) -> float:
        """From when on nothing is known if no reading comes; infinity before the first."""
        if self._last_s is None:
            return math.inf
        return self._last_s + max(STALE_S, 10.0 * self._filter.interval_s)

    @property
    def build(self) -> PowerBuild | None:
        """The present or last build found from power alone."""
        return self.runs.build

    @property
    def built_until_s(self) -> float | None:
        """When the last build ended; None while one runs or before the first."""
        build = self.runs.build
        return None if build is None else build.end_s

    @property
    def belief(self) -> list[float] | None:
        """Posterior probability of each of the model's states; None before the first reading."""
        return self._filter.belief

    def emissions(self) -> tuple[tuple[float, float], ...]:
        """Mean and standard deviation of ln(1 + P) in each of the model's states, as they are now."""
        return self._filter.emissions()

    # -- readings in -------------------------------------------------------------------------------------

    def observe(self, at_s: float, power_w: float | None, voltage_v: float | None = None) -> None:
        """One reading.  None is unknown: it advances nothing.  An older one is ignored, but by `CLOCK_BACK_S`."""
        if power_w is None:
            return
        if power_w < 2.0 or power_w > ABSURD_W or self.kilo:
            self._watch_unit(power_w)
        if not 0.0 <= power_w <= ABSURD_W:
            self.rejected += 1
            return
        plug, last_s = self._filter, self._last_s
        if last_s is not None:
            gap_s = at_s - last_s
            if gap_s < -CLOCK_BACK_S:
                self._begin_anew()
                plug = self._filter
            elif gap_s <= 0.0:
                return
            elif gap_s < 90.0:
                plug.interval_s += 0.05 * (gap_s - plug.interval_s)
        self._last_s, self.power_w = at_s, power_w
        # Faster readings are thinned, not averaged: a mean of bed on and bed off is neither.
        if at_s < plug.due_s:
            return
        usual_w = power_w
        if voltage_v is not None:
            levels = plug.levels
            usual_w = levels.supply.at_usual(power_w, voltage_v, math.expm1(levels.levels["idle"].mean))
        seen_s = plug.take(at_s, math.log1p(usual_w))
        if seen_s is not None:
            if voltage_v is not None:
                plug.learn_supply(power_w, voltage_v)
            self.runs.follow(at_s, seen_s)
        if plug.chores <= 0:
            self.runs.chores(at_s)

    def _begin_anew(self) -> None:
        """The clock stood ahead when the readings before came. The levels stay; times in the future mean nothing."""
        before = self._filter
        self._filter = PlugFilter(before.levels)
        self._filter.interval_s = before.interval_s
        self.runs = PlugRuns(self._filter)
        self._kept = None

    def set_level(self, name: str, watts: float, *, planned: bool = False) -> None:
        """Fix a level, by a person's word or, ``planned``, by the configuration; see `Levels.set`."""
        self.levels.set(name, watts)
        (self.levels.planned.add if planned else self.levels.planned.discard)(name)
        self._filter.renew()

    def free_level(self, name: str) -> None:
        """Learn a level again that was fixed."""
        self.levels.levels[name].fixed = False
        self.levels.planned.discard(name)

    def not_over(self) -> bool:
        """Somebody knows that the last end was a pause; see `PlugRuns.not_over`."""
        self._kept = None
        return self.runs.not_over()

    # -- what is said ------------------------------------------------------------------------------------

    def posterior(self) -> dict[str, float]:
        """Probability of each activity by the filter alone; empty before the first reading."""
        return {} if self._filter.belief is None else dict(zip(LABELS, self.runs.masses(), strict=True))

    def judge(self, now_s: float) -> Sense:
        """What the watts say now; "unknown" without readings for ``STALE_S`` or ten of their intervals.

        The same answer is given while activity, lull and build are the same.  What it says of watts, minutes and
        probabilities is renewed after ``WORDS_S``, or at once while the filter is less sure than ``SURE``.
        """
        kept, runs = self._kept, self.runs
        if kept is not None and self._worded_s <= now_s < self._kept_until_s:
            label, since_s, lull_s, build = self._kept_of
            same = runs.label == label and runs.since_s == since_s and runs.lull_s == lull_s
            if same and runs.build is build:
                if now_s - self._worded_s >= WORDS_S or (
                    self._filter.step_s != self._kept_step_s and not kept.probability > SURE < runs.top
                ):
                    self._reword(kept, now_s)
                return kept
        sense = self._judge(now_s)
        self._kept = None if sense.activity == "unknown" or runs.label == "unknown" else sense
        self._kept_of = (runs.label, runs.since_s, runs.lull_s, runs.build)
        self._brought_up(now_s)
        return sense

    def _brought_up(self, now_s: float) -> None:
        self._worded_s, self._kept_step_s = now_s, self._filter.step_s
        self._kept_until_s = now_s if self._last_s is None else self._last_s + STALE_S

    def _judge(self, now_s: float) -> Sense:
        runs, build = self.runs, self.runs.build
        if build is None:
            start, end, known = None, None, False
        else:
            start, end, known = build.start_s, build.end_s, build.start_known
        if self._last_s is None or self._filter.belief is None:
            return Sense("unknown", 1.0, None, "no power reading yet", (), start, end, known)
        quiet_s = now_s - self._last_s
        masses, said = runs.masses(), runs.label
        if quiet_s > STALE_S and quiet_s > 10.0 * self._filter.interval_s:
            because = f"no power reading for {quiet_s / 60.0:.0f} min"
            return Sense("unknown", 1.0, self._last_s, because, masses, start, end, known)
        if said == "unknown":
            chance = max(masses)
            label = LABELS[masses.index(chance)]
            return Sense(label, chance, None, "too few readings to be sure", masses, start, end, known)
        if runs.lull_s is not None:
            why = self._of_lull(now_s, runs.lull_s)
            return Sense("paused", _resting(masses), runs.lull_s, why, masses, start, end, known, maybe_over=True)
        label, since_s, why = self._said(now_s)
        return Sense(label, masses[PLACE[said]], since_s, why, masses, start, end, known)

    def _of_lull(self, now_s: float, lull_s: float) -> str:
        off_min, limit_min = (now_s - lull_s) / 60.0, self.runs.lull_limit_s / 60.0
        return f"heaters off for {off_min:.0f} min: a pause, or over if it lasts {limit_min:.0f} min"

    def _reword(self, kept: Sense, now_s: float) -> None:
        """The same answer, with the watts, minutes and probabilities of now."""
        runs = self.runs
        masses = kept.masses = runs.masses()
        if runs.lull_s is not None:
            kept.probability, kept.because = _resting(masses), self._of_lull(now_s, runs.lull_s)
        else:
            kept.probability = masses[PLACE[runs.label]]
            kept.because = self._words(now_s) if kept.activity != "finished" else self._of_finished()
        self._brought_up(now_s)

    def _of_finished(self) -> str:
        held = ", heaters were held after the end" if self.runs.build is not None and self.runs.build.held else ""
        return f"{self.power_w or 0.0:.0f} W after a build{held}"

    def _said(self, now_s: float) -> tuple[str, float | None, str]:
        runs, build = self.runs, self.runs.build
        label, since_s = runs.label, runs.since_s
        if build is not None and build.end_s is not None and (label == "idle" or (build.held and label == "paused")):
            return "finished", build.end_s, self._of_finished()
        return label, since_s, self._words(now_s)

    def _words(self, now_s: float) -> str:
        since_s = self.runs.since_s
        return WORDS[self.runs.label](self.power_w or 0.0, 0.0 if since_s is None else (now_s - since_s) / 60.0)

    # -- units -------------------------------------------------------------------------------------------

    def unit_suspect(self) -> str | None:
        """A lasting step by 1000 in words ("unit changed?"), or None.  Nothing is ever rescaled here."""
        if abs(self.kilo) < KILO_READINGS:
            return None
        if self.kilo > 0:
            return f"unit changed? {self.kilo} readings 1000 times too large for any plug here"
        return f"unit changed? {-self.kilo} readings like this machine's, but 1000 times smaller"

    def _watch_unit(self, power_w: float) -> None:
        if power_w > ABSURD_W:
            self.kilo = max(0, self.kilo) + 1
        elif 0.0 < power_w < 2.0 and self._like_kilo(math.log1p(1000.0 * power_w)):
            self.kilo = min(0, self.kilo) - 1
        else:
            self.kilo = 0

    def _like_kilo(self, y: float) -> bool:
        """Whether 1000 times a tiny reading is one of the levels of a machine that was drawing just now."""
        levels = self.levels.levels
        near = any(abs(y - levels[name].mean) < 0.35 for name in ("hold low", "hold high", "heat"))
        return near and (self.kilo < 0 or self.runs.run_since_s is not None)

    # -- journal -----------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, Any]:
        """Complete state, JSON-able: a restart continues where it stopped."""
        state = self._filter.as_dict() | self.runs.as_dict()
        state |= {"last_s": self._last_s, "power_w": self.power_w, "rejected": self.rejected, "kilo": self.kilo}
        return state

    @classmethod
    def from_dict(cls, state: dict[str, Any]) -> PowerSense:
        """Back from `as_dict`; a state written before some key existed is taken as far as it goes."""
        self = cls()
        self._filter = PlugFilter.from_dict(state)
        self.runs = PlugRuns(self._filter)
        self.runs.restore(state)
        self._last_s, self.power_w = state.get("last_s"), state.get("power_w")
        self.rejected, self.kilo = int(state.get("rejected", 0)), int(state.get("kilo", 0))
        return self


def _resting(masses: tuple[float, ...]) -> float:
    return masses[0] + masses[1] + masses[4]


WORDS: dict[str, Callable[[float, float], str]] = {
    "off": lambda power_w, _: f"{power_w:.1f} W, switched off",
    "idle": lambda power_w, _: f"{power_w:.0f} W, heaters off",
    "heating": lambda power_w, minutes: f"{power_w:.0f} W without a break for {max(1.0, minutes):.0f} min",
    "printing": lambda power_w, _: f"{power_w:.0f} W, heaters hold and something moves",
    "paused": lambda _, minutes: f"heaters hold, less power than printing for {minutes:.0f} min: a pause or the end",
}
