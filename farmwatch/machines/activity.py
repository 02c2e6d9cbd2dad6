"""What is known of one machine now, by its reports and by its plug, and what it therefore does.

The lowest layer of `tracker`: it judges and drives nothing.
"""

from farmwatch.machines import plugwords
from farmwatch.machines.builds import Build
from farmwatch.machines.signature import PowerSense
from farmwatch.machines.state import BUSY
from farmwatch.words.model import MachinePlan, SourcePlan, Value

ENDED = frozenset({"done", "failed", "cancelled"})
QUIET = frozenset({"off", "idle", "waiting", "cooling"})
BEGIN_ALONE_S = 600.0
"""And only after so long may the plug begin a build of a machine that reports."""
HOLD_S = 45 * 60.0
"""Longest time that a machine may hold its heaters after a build by itself."""
ALONE_S, SURE, UNSURE = 120.0, 0.9, 0.6
"""A machine that reports is judged by its plug only after so long without a report and at such a probability;
one with a plug alone keeps its last activity while the best guess is less probable than the last figure."""
HEATING_BELOW_C = 8.0
"""A heater this far below its target is still heating up."""


class Sensed:
    """What one machine's sources say. All times are epoch seconds."""

    # Of ten thousand trackers, what a dict of attributes takes each would be a third.
    __slots__ = (
        "_activity",
        "_drawing_since_s",
        "_hot",
        "_last_busy",
        "_mute_since_s",
        "_plug",
        "_reports",
        "_sourceless",
        "bed_full",
        "build",
        "last_build",
        "latest",
        "name",
        "plan",
        "sense",
    )

    def __init__(self, plan: MachinePlan, sources: list[SourcePlan]) -> None:
        self.plan = plan
        self.name = plan.name
        self.build: Build | None = None
        self.last_build: Build | None = None
        self.bed_full = False
        self.latest: dict[str, Value] = {}
        self.take_sense(PowerSense())
        self._reports = any("state" in s.quantities for s in sources)
        self._plug = any("power_w" in s.quantities for s in sources)
        self._sourceless = not sources
        self._hot = False
        self._activity = "unknown"
        self._mute_since_s: float | None = None
        self._drawing_since_s: float | None = None
        self._last_busy = "printing"

    def take_sense(self, sense: PowerSense) -> None:
        """Judge by this sense of the plug from now on; what the configuration says of its levels stands above it."""
        self.sense = sense
        for key, watts in self.plan.plug_levels:
            sense.set_level(plugwords.KEYS[key], watts, planned=True)

    def number(self, quantity: str) -> float | None:
        """The present value of a quantity, None if it is unknown."""
        value = self.latest.get(quantity)
        return value if isinstance(value, float) else None

    def word(self, quantity: str) -> str | None:
        """The present word or text of a quantity, None if it is unknown."""
        value = self.latest.get(quantity)
        return value if isinstance(value, str) else None

    @property
    def by_plug(self) -> bool:
        """Whether the plug is all that speaks of it now."""
        return self._by_plug()

    @property
    def plugged(self) -> bool:
        """Whether a plug measures its power."""
        return self._plug

    @property
    def may_reopen(self) -> bool:
        """Whether its last end was the plug's word alone and may have been a pause: its bed is as it was."""
        last = self.last_build
        ended = self.build is None and last is not None and last.ended_s == self.sense.built_until_s
        return ended and self.bed_full and self._by_plug()

    def _by_plug(self) -> bool:
        return self._plug and self.word("state") is None

    def _says(self) -> bool:
        return self.word("state") is not None

    def activity(self, now_s: float) -> tuple[str, str, float | None]:
        """What it does, why we think so, and since when if that lies back: reports first, then the plug."""
        word = self.word("state")
        if word is not None:
            self._mute_since_s = None
            if "|" in word:
                word = self._tell_apart(word.split("|"))
            return word, f"says {word}", None
        if self._plug:
            if self.latest.get("relay") is False:
                return "off", "its plug is switched off", None
            if self.latest.get("power_w") is not None:
                return self._by_power(now_s)
        if self._sourceless and self.build is not None:
            return "printing", self.build.because, None
        return "unknown", "no source says anything", None

    def _by_power(self, now_s: float) -> tuple[str, str, float | None]:
        """What the plug alone says. Where reports are the rule it must have been alone for a while, and be sure."""
        sense = self.sense.judge(now_s)
        if self._reports:
            if self._mute_since_s is None:
                self._mute_since_s = now_s
            if now_s - self._mute_since_s < ALONE_S or sense.probability < SURE:
                return "unknown", "its reports have stopped, and its plug alone is not sure yet", None
            if sense.activity in BUSY:
                if self.build is not None:
                    return self._last_busy, f"no report; {sense.because}", None
                if now_s - self._mute_since_s < BEGIN_ALONE_S:
                    return "unknown", "its reports have stopped; its plug shows a heater at work", None
        elif sense.probability < UNSURE:
            return self._activity, sense.because, None
        since_s = sense.since_s
        if sense.activity in BUSY:
            present = self.build is None and sense.build_start_s is not None and sense.build_end_s is None
            since_s = sense.build_start_s if present else since_s  # the last build's start is not this one's
        elif self.build is not None and sense.build_end_s is not None:
            since_s = sense.build_end_s  # set back where it became known later
        return "done" if sense.activity == "finished" else sense.activity, sense.because, since_s

    def heats_idly(self, now_s: float) -> str | None:
        """The word of a machine that says it does nothing while its plug shows a heater at work, else None.

        Some machines hold their heaters for a while after a build; that is theirs until HOLD_S have passed.
        """
        word = self.word("state")
        power_w = self.number("power_w")
        if word is None or power_w is None or "|" in word or (word not in QUIET and word not in ENDED):
            return None
        ended_s = self.last_build.ended_s if self.last_build is not None else None
        # either way: an end that lies ahead was written down under a clock that has been set back since
        if self.build is not None or (ended_s is not None and abs(now_s - ended_s) < HOLD_S):
            return None
        if self._drawing_since_s is not None and now_s - self._drawing_since_s >= 60.0:
            return word
        sense = self.sense.judge(now_s)
        at_work = sense.activity in BUSY and not sense.maybe_over and sense.probability >= SURE
        return word if at_work else None

    def _tell_apart(self, words: list[str]) -> str:
        """Which of several states one word stands for, by the temperatures."""
        if "heating" not in words or len(words) != 2:
            return next((word for word in words if word == self._activity), words[0])
        other = words[0] if words[1] == "heating" else words[1]
        if self._hot and self.build is not None:
            return other
        known = False
        for heater in ("nozzle", "bed"):
            now_c, target_c = self.number(f"{heater}_c"), self.number(f"{heater}_target_c")
            if now_c is None or target_c is None:
                continue
            known = True
            if target_c > 0 and now_c < target_c - HEATING_BELOW_C:
                return "heating"
        progress = self.number("progress")
        if known or progress is None or progress > 0:
            self._hot = known
            return other
        return "heating"
