"""From the filter's states to builds: a table of explicit rules for runs, lulls, pauses and held ends.

A run lasts from where heaters begin to draw until they no longer do; a run with enough printing in it is a
build.  A lull is a stretch within a run with every heater off: a pause or the end.  The end is held open
while it may be a pause, and set back to the lull's begin once it is known to be one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from farmwatch.machines import falls
from farmwatch.machines.levels import to_y
from farmwatch.machines.plugfilter import ANCHOR_S, CHORES, HEAT_LIMIT_S, PlugFilter
from farmwatch.machines.plugmodel import HEAT, IDLE, LABELS, OFF, PAUSE_COLD, PRINT_LOW

SURE = 0.85  # posterior at which a new activity is believed
PAUSE_SURE = 0.92  # a pause is believed later than other changes
PAUSE_BACK_S = 600.0  # and set back no further than this
HOLD_LIMIT_S = 2700.0  # heaters held without motion for so long: the build ended when they began
HOLD_LEAST_S = 300.0  # held for less: cooling fans, not the heaters
PRINT_LEAST_S = 180.0  # heating followed by less printing than this is no build,
BUILD_LEAST_S = 480.0  # nor is anything shorter than this,
REST_LEAST_S, REST_READINGS = 40.0, 3  # rest must last so long before it counts: a plug that restarts says 0 W
REHEAT_S, REHEAT_READINGS = 480.0, 11.0  # heaters off for less need no heat-up: it may be a hold's low half
LULL_S = 300.0  # heaters off for less than this and then on again: nobody can clear a bed so soon
PAUSE_LONGEST_S = 1230.0  # a pause with the heaters off lasts up to twenty minutes
SETTLED_S = 240.0  # an averaged bed settles for some minutes
FALL_LEAST_W = 70.0
ROWS_TELL = 12  # a build of fewer readings says nothing of whether heaters were held after it
IDLE_KNOWN_MIN, REST_LOOKS = 60.0, 16


@dataclass(frozen=True, slots=True)
class PowerBuild:
    """A build found from power alone; ``end_s`` None while it runs, ``known_s`` when the end was known."""

    start_s: float
    end_s: float | None = None
    known_s: float | None = None
    start_known: bool = True
    held: bool = False


class PlugRuns:
    """Runs and builds of one machine.  `follow` after each reading that the filter has taken."""

    __slots__ = (
        "build",
        "filter",
        "label",
        "lull_s",
        "pause_since_s",
        "print_from_s",
        "reheat_s",
        "rest_count",
        "rest_from_s",
        "run_known",
        "run_since_s",
        "since_s",
        "top",
    )

    def __init__(self, plug: PlugFilter) -> None:
        self.filter = plug
        self.label = "unknown"
        self.since_s: float | None = None
        self.build: PowerBuild | None = None
        self.run_since_s: float | None = None  # when heaters began to draw; None while at rest
        self.run_known = False
        self.pause_since_s: float | None = None
        self.print_from_s: float | None = None
        self.reheat_s: float | None = None  # when heaters were on again after a lull so long that the bed went cold
        self.lull_s: float | None = None  # since when every heater is off within a run; known once it lasts
        self.rest_from_s: float | None = None
        self.rest_count = 0
        self.top = 0.0  # probability of the most probable of LABELS

    # -- what the filter believes ------------------------------------------------------------------------

    def masses(self) -> tuple[float, float, float, float, float]:
        """Probability of each of ``LABELS``; once a build has printed, long bursts of the bed are part of it."""
        belief = self.filter.belief
        if belief is None:
            return (0.0, 0.0, 0.0, 0.0, 0.0)
        off, idle, heat, print_low, print_high, pause_low, pause_high, cold = belief
        if self.run_since_s is None:
            idle, cold = idle + cold, 0.0  # motors held or fans, but no build to go on with
        paused = pause_low + pause_high + cold
        if self.filter.print_s >= PRINT_LEAST_S:
            return off, idle, 0.0, print_low + print_high + heat, paused
        return off, idle, heat, print_low + print_high, paused

    @property
    def running(self) -> bool:
        """Whether a build is under way."""
        return self.build is not None and self.build.end_s is None

    @property
    def lull_limit_s(self) -> float:
        """How long the present lull may last and still be a pause.

        Motors that are held show a pause; a machine whose pauses were seen to look like rest gets the same time.
        What follows heaters held for longer than any pause is none.
        """
        if self._held_long():
            return REST_LEAST_S
        belief = self.filter.belief
        motors = belief is not None and belief[PAUSE_COLD] > 0.5
        return PAUSE_LONGEST_S if motors or self.filter.levels.cold_pauses >= 1.0 else LULL_S

    def _held_long(self) -> bool:
        """Whether the heaters were held, without motion, for longer than any pause before they went off."""
        since_s, lull_s = self.pause_since_s, self.lull_s
        return since_s is not None and lull_s is not None and lull_s - since_s > PAUSE_LONGEST_S

    # -- after each step ---------------------------------------------------------------------------------

    def follow(self, at_s: float, seen_s: float) -> None:
        """The filter has made a step that stands for ``seen_s`` seconds."""
        belief = self.filter.belief
        if belief is None:
            return
        rest = belief[OFF] + belief[IDLE] + belief[PAUSE_COLD]
        if self.run_since_s is None:
            self._relabel(at_s)
            if rest < 1.0 - SURE:
                self._run_begins(at_s)
        elif rest > SURE:
            self.top = rest
            self.filter.calm = ()  # every reading counts while it is not known whether the build is over
            self._at_rest(at_s)
        else:
            if rest < 1.0 - SURE:
                self._work_again(at_s)
            self._relabel(at_s)
            self._run_goes_on(at_s, seen_s)

    def chores(self, at_s: float) -> None:
        """Once in some readings: look after the levels of the present run."""
        plug = self.filter
        plug.chores = CHORES
        if self.run_since_s is None or self.lull_s is not None:
            return
        if self.label == "printing" and plug.print_s > 60.0:
            plug.anchor(at_s)
        if self.label == "paused" and self.running and self.pause_since_s is not None:
            self._held_for_long(at_s)
        if self.run_since_s is not None and plug.run_low is not None:
            self._check_low()
        if self.run_since_s is not None and self._looks_at_rest():
            self._rest_after_all(at_s)

    def _relabel(self, at_s: float) -> None:
        mass = self.masses()
        top = self.top = max(mass)
        label = LABELS[mass.index(top)]
        if label == self.label or top < (PAUSE_SURE if label == "paused" else SURE):
            return
        plug = self.filter
        before, before_s, self.label = self.label, self.since_s, label
        if label == "paused":
            self.since_s = self.pause_since_s = max(plug.paused_since(at_s), at_s - PAUSE_BACK_S)
        elif label == "printing" and before == "heating":
            self.since_s = at_s if before_s is None else plug.first_low_s(before_s + 15.0, at_s)
            if before_s is not None:
                plug.learn_heat(before_s, self.since_s)
        elif label in {"printing", "heating"}:
            self.since_s = plug.began("work", at_s, back=12)
            if before == "paused":
                self._resumed()
        else:
            self.since_s = plug.began("rest", at_s, back=12)

    # -- runs --------------------------------------------------------------------------------------------

    def _run_begins(self, at_s: float) -> None:
        plug = self.filter
        self.run_since_s = plug.began("work", at_s)
        self.run_known = self.run_since_s > plug.times[max(0, len(plug.times) - 40)]
        plug.print_s, plug.run_low, self.pause_since_s, self.lull_s = 0.0, None, None, None

    def _run_goes_on(self, at_s: float, seen_s: float) -> None:
        plug = self.filter
        since_s = self.run_since_s if self.run_since_s is not None else at_s
        if self.label == "printing":
            if self.print_from_s is None:
                self.print_from_s = self.since_s
            plug.print_s += seen_s
        elif self.label == "paused":
            plug.learn_pause(seen_s / 60.0)
        run_s = at_s - since_s
        if not self.running:
            held = self.build is not None and self.build.held and self.build.start_s >= since_s
            if not held and run_s >= BUILD_LEAST_S and (plug.print_s >= PRINT_LEAST_S or run_s >= HEAT_LIMIT_S):
                self.build = PowerBuild(since_s, start_known=self.run_known)
        if self.label == "heating" and at_s - (self.since_s or at_s) > HEAT_LIMIT_S:
            self._averaged(at_s)

    def _resumed(self) -> None:
        self.pause_since_s = None
        build = self.build
        if build is not None and build.held and self.run_since_s is not None and build.start_s >= self.run_since_s:
            # Heaters were held so long that the build was called over, and now it goes on.
            self.build = PowerBuild(build.start_s, start_known=build.start_known)

    # -- lulls: every heater off within a run ------------------------------------------------------------

    def _at_rest(self, at_s: float) -> None:
        """Heaters are off.  A plug that restarts says 0 W once or twice; a machine that rests goes on saying it."""
        self.rest_count += 1
        if self.rest_from_s is None:
            self.rest_from_s = at_s
        if self.rest_count < REST_READINGS or at_s - self.rest_from_s < REST_LEAST_S:
            return
        plug = self.filter
        if self.lull_s is None:
            self.lull_s = max(plug.began("rest", at_s), plug.last_hot_s())
        belief = plug.belief
        off = belief is not None and belief[OFF] > SURE
        if not self.running or off or at_s - self.lull_s >= self.lull_limit_s:
            self._run_ends(at_s, self.lull_s, "off" if off else "idle")
        elif self.label != "paused":
            self.label, self.since_s = "paused", self.lull_s

    def _work_again(self, at_s: float) -> None:
        """Heaters are on again: what was a lull was a pause."""
        self.rest_from_s, self.rest_count = None, 0
        lull_s, self.lull_s = self.lull_s, None
        if lull_s is None:
            return
        belief = self.filter.belief
        if at_s - lull_s > max(REHEAT_S, REHEAT_READINGS * self.filter.interval_s):
            self.reheat_s = at_s  # what heats up again after a pause falls off again, and that is no end
        if belief is not None and self.label == "paused":
            self.label, self.since_s, self.pause_since_s = "printing", self.filter.began("work", at_s, back=12), None

    def not_over(self) -> bool:
        """Somebody knows that the last end was a pause: the build goes on, and such pauses are expected from now on.

        Returns whether there was a build to take up again.
        """
        build = self.build
        self.filter.levels.cold_pauses = min(5.0, self.filter.levels.cold_pauses + 1.0)
        if build is None or build.end_s is None:
            return build is not None
        self.build = PowerBuild(build.start_s, start_known=build.start_known)
        if self.run_since_s is None:
            self.lull_s, self.rest_from_s, self.rest_count = build.end_s, build.end_s, REST_READINGS
            self.label, self.since_s = "paused", build.end_s
        self.run_since_s, self.run_known = build.start_s, build.start_known
        plug = self.filter
        if plug.run_low is None:
            floor, end_s = plug.levels.levels["idle"].mean + 0.2, build.end_s
            ys = sorted(y for t, y in zip(plug.times, plug.ys, strict=True) if end_s - 1200.0 < t < end_s and y > floor)
            plug.run_low = ys[len(ys) // 8] if ys else plug.levels.levels["hold low"].mean
            plug.print_s = ANCHOR_S  # measured already: followed from here
        self.filter.renew()
        return True

    # -- levels that turn out wrong ----------------------------------------------------------------------

    def _check_low(self) -> None:
        """A fall by more than any pause saves means that the level was taken from bursts: measure it afresh."""
        plug = self.filter
        if plug.run_low is None:
            return
        if plug.ys[-1] > plug.run_low - 0.1:
            return  # if it has fallen, the next readings say so
        recent = sorted(plug.ys[-18:])
        fifth = recent[len(recent) // 5]
        fall_w = math.expm1(plug.run_low) - math.expm1(fifth)
        if fall_w > max(FALL_LEAST_W, 3.0 * plug.levels.pause_w):
            plug.run_low, plug.print_s = fifth, min(plug.print_s, PRINT_LEAST_S)
            plug.renew()
            if self.label == "paused":
                self.label, self.pause_since_s = "printing", None

    def _averaged(self, at_s: float) -> None:
        """Heating for longer than any heat-up: a hold whose bed power comes averaged, near that of heating."""
        plug = self.filter
        belief = plug.belief
        if belief is None:
            return
        belief[PRINT_LOW] += belief[HEAT]
        belief[HEAT] = 0.0
        since_s = self.since_s or at_s  # what came before the heaters is no part of it
        recent = sorted(y for t, y in zip(plug.times[-24:], plug.ys[-24:], strict=True) if t > since_s)
        plug.run_low = recent[len(recent) // 8] if recent else plug.ys[-1]
        plug.renew()
        self.label, self.since_s = "printing", at_s
        plug.print_s = max(plug.print_s, PRINT_LEAST_S)

    def _looks_at_rest(self) -> bool:
        """Low and steady for ten minutes without any heater's burst: idle, whatever the levels say."""
        plug = self.filter
        if plug.levels.levels["idle"].minutes >= IDLE_KNOWN_MIN or (
            plug.run_low is not None and self.label == "printing"
        ):
            return False
        times = plug.times
        longest_s = max(600.0, 1.3 * REST_LOOKS * plug.interval_s)
        ys = [y for t, y in zip(times[-64:], plug.ys[-64:], strict=True) if t > times[-1] - longest_s]
        if len(ys) < REST_LOOKS or times[-1] - times[0] < longest_s:
            return False
        high, heat = max(ys), plug.levels.levels["heat"]
        return high - min(ys) < 0.25 and high < min(to_y(45.0), heat.mean - 1.2)

    def _rest_after_all(self, at_s: float) -> None:
        plug = self.filter
        idle = plug.levels.levels["idle"]
        if not idle.fixed:
            recent = sorted(plug.ys[-30:])
            idle.mean, idle.minutes = recent[len(recent) // 2], 5.0
        plug.belief = [0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]
        plug.renew()
        self._run_ends(at_s, plug.began("rest", at_s), "idle")

    # -- the end -----------------------------------------------------------------------------------------

    def _run_ends(self, at_s: float, end_s: float, label: str) -> None:
        build, plug = self.build, self.filter
        if build is not None and build.end_s is None:
            fell_s = self._fell(end_s)
            held = fell_s is not None
            end_s = end_s if fell_s is None else min(end_s, fell_s)
            self.build = PowerBuild(build.start_s, max(end_s, build.start_s), at_s, build.start_known, held)
        if plug.run_low is not None and plug.print_s > 900.0:
            plug.levels.run_over(plug.run_low)
        self.run_since_s, self.pause_since_s, self.print_from_s, self.lull_s = None, None, None, None
        self.reheat_s = None
        self.rest_from_s, self.rest_count = None, 0
        plug.print_s, plug.run_low = 0.0, None
        plug.renew()
        self.label, self.since_s = label, end_s

    def _held_for_long(self, at_s: float) -> None:
        build, since_s = self.build, self.pause_since_s
        if build is None or since_s is None or at_s - since_s < HOLD_LIMIT_S:
            return
        end_s = self._fell(at_s, HOLD_LIMIT_S + 600.0)
        if end_s is not None:
            self.build = PowerBuild(build.start_s, end_s, at_s, build.start_known, held=True)

    def _fell(self, until_s: float, longest_s: float = HOLD_LIMIT_S) -> float | None:
        """Where the run's level fell for good before ``until_s``: heaters held after the end.  None if nowhere."""
        plug, levels = self.filter, self.filter.levels
        if self.run_since_s is None:
            return None
        from_s = self.run_since_s + HEAT_LIMIT_S / 2.0
        if self.print_from_s is not None:
            from_s = max(from_s, self.print_from_s + SETTLED_S)
        if self.reheat_s is not None and self._printed_since(self.reheat_s, until_s):
            from_s = max(from_s, self.reheat_s + SETTLED_S)
        floor = levels.levels["idle"].mean + 0.2
        rows = [
            (t, math.expm1(y)) for t, y in zip(plug.times, plug.ys, strict=True) if from_s < t < until_s and y > floor
        ]
        fall = falls.find(rows, until_s, HOLD_LEAST_S, longest_s, levels.habit())
        if longest_s > HOLD_LIMIT_S:  # the run still goes on: nothing is learnt of how it ends
            return fall.at_s if fall is not None and fall.log_odds > 0.0 else None
        if fall is None:
            if len(rows) >= ROWS_TELL:
                levels.end_seen(-math.inf, 0.0)
            return None
        return fall.at_s if levels.end_seen(fall.log_odds, fall.saved_w) else None

    def _printed_since(self, from_s: float, until_s: float) -> bool:
        """Whether printing went on after a lull: held motors alone look like one, until the bed's next burst."""
        plug, idle = self.filter, self.filter.levels.levels["idle"].mean
        if plug.run_low is None:
            return True
        middle_w = 0.5 * (math.expm1(idle) + math.expm1(plug.run_low))
        burst = plug.run_low + 0.5
        low = sorted(y for t, y in zip(plug.times, plug.ys, strict=True) if from_s < t < until_s and y < burst)
        return len(low) >= REST_READINGS and low[len(low) // 2] > math.log1p(middle_w)

    # -- journal -----------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        b = self.build
        return {
            "label": self.label,
            "since_s": self.since_s,
            "build": None if b is None else [b.start_s, b.end_s, b.known_s, b.start_known, b.held],
            "run_since": [self.run_since_s, self.run_known],
            "pause_since_s": self.pause_since_s,
            "print_from_s": self.print_from_s,
            "lull_s": self.lull_s,
            "reheat_s": self.reheat_s,
            "rest": [self.rest_from_s, self.rest_count],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Back from `as_dict`."""
        self.label, self.since_s = str(state.get("label", "unknown")), state.get("since_s")
        build = state.get("build")
        self.build = None if build is None else PowerBuild(*build)
        self.run_since_s, self.run_known = state.get("run_since", (None, False))
        self.pause_since_s, self.print_from_s = state.get("pause_since_s"), state.get("print_from_s")
        self.lull_s, self.reheat_s = state.get("lull_s"), state.get("reheat_s")
        self.rest_from_s, self.rest_count = state.get("rest", (None, 0))
