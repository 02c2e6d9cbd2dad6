"""Energy from a counter, or from watts, or from both; gaps are never invented.

A counter is the truth over any gap but may be coarse and may start again at 0. Watts are integrated by the
trapezoid rule between samples that are close enough together. Where both exist, the integral fills in
between two steps of the counter and gives way to it at each step. Time that neither covers is counted, so that
whoever shows a sum can say how much of the time it does not know.
"""

from array import array
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Any

from farmwatch.words.timers import CLOCK_BACK_S

MAX_STEP_W = 25_000.0
"""A counter that rises faster than this over the time since its last step was changed, not consumed."""
ROLLOVERS_WH: tuple[float, ...] = (
    *(10.0**n for n in range(5, 9)),
    *(2.0**bits * unit for bits in (16, 24, 32) for unit in (1.0, 0.1, 1 / 60, 1 / 3600)),
)
"""Where counters turn over: decimal ones from 100 kWh to 100 MWh, and registers of 16, 24 and 32 bits that count
Wh, tenths of it, watt-minutes or watt-seconds (common practice, no source)."""
PAST_STEP_S = 20.0
PAST_ROWS = 256


@dataclass(slots=True)
class EnergyMeter:
    """Energy of one load since it was first seen, in Wh.

    Attributes:
        max_gap_s: samples further apart than this leave a gap that nothing is integrated over.
    """

    max_gap_s: float = 60.0
    _settled_wh: float = 0.0
    _pending_wh: float = 0.0
    _told_wh: float = 0.0
    _told_at_s: float | None = None
    _sample: tuple[float, float] | None = None
    _counter: tuple[float, float] | None = None
    known: bool = False
    _unmeasured_s: float = 0.0
    _gap_s: float = 0.0
    _silent_since_s: float | None = None
    _only_counted: bool = True
    _past: "array[float]" = field(default_factory=lambda: array("d"))

    def observe(self, at_s: float, power_w: float | None, counter_wh: float | None = None) -> None:
        """Take a sample of watts and, where there is one, the energy counter."""
        if power_w is not None:
            sample = self._sample
            if sample is not None and at_s < sample[0] - CLOCK_BACK_S:
                sample = None  # not late: the clock has been set back; what lay between is not known
            if sample is not None:
                gap_s = at_s - sample[0]
                if 0.0 < gap_s <= self.max_gap_s:
                    self._pending_wh += (power_w + sample[1]) * gap_s / 7200.0
                elif gap_s > 0.0:
                    self._gap_s += gap_s
            elif self._silent_since_s is not None:
                self._gap_s += max(at_s - self._silent_since_s, 0.0)
            self._silent_since_s = None
            if sample is None or at_s >= sample[0]:
                self._sample = (at_s, power_w)
            self.known = True
            self._only_counted = False
        if counter_wh is not None:
            self._count(at_s, counter_wh)
        if self.known and self._told_at_s is None:
            self._told_at_s = at_s
        past = self._past
        if past and at_s < past[-2] - CLOCK_BACK_S:
            del past[:]
        if not past or at_s - past[-2] >= PAST_STEP_S:
            past.append(at_s)
            past.append(self._settled_wh + self._pending_wh)
            if len(past) > 2 * PAST_ROWS:
                del past[:PAST_ROWS]

    def _count(self, at_s: float, counter_wh: float) -> None:
        counter = self._counter
        self.known = True
        if counter is None:
            self._settled_wh += self._pending_wh
            self._unmeasured_s += self._gap_s
        else:
            step_wh = counter_wh - counter[1]
            if step_wh == 0.0:
                return
            most_wh = MAX_STEP_W * max(at_s - counter[0], 1.0) / 3600.0
            if step_wh < 0.0:
                step_wh = self._rolled(counter[1], counter_wh, most_wh)
            if 0.0 < step_wh <= most_wh:
                self._settled_wh += step_wh
            else:
                # Reset or replaced: what the watts said since the last step is all that is known.
                self._settled_wh += self._pending_wh
                self._unmeasured_s += max(at_s - counter[0], 0.0) if self._only_counted else self._gap_s
        self._gap_s = 0.0
        self._pending_wh = 0.0
        self._counter = (at_s, counter_wh)

    def _rolled(self, before_wh: float, after_wh: float, most_wh: float) -> float:
        """The step if a counter that went back has turned over, else the negative step.

        It has if a usual register would have turned over there and the step is what the watts said of the
        same time, to a fifth and 2 Wh; a device that began again at 0 does not look like that by accident.
        """
        if self._only_counted or self._gap_s > 0.0:
            return after_wh - before_wh
        for full_wh in ROLLOVERS_WH:
            step_wh = after_wh + full_wh - before_wh
            if before_wh < full_wh and step_wh <= most_wh:
                close = abs(step_wh - self._pending_wh) <= 0.2 * self._pending_wh + 2.0
                # Near the register's end on both sides, or it is a reset that happens to fit.
                if close and before_wh > 0.9 * full_wh and after_wh < 0.1 * full_wh:
                    return step_wh
        return after_wh - before_wh

    def lost(self) -> None:
        """The plug is silent: the next sample must not be joined to the last one."""
        if self._sample is not None:
            self._silent_since_s = self._sample[0]
        self._sample = None

    def unmeasured_s(self) -> float:
        """Seconds since the first sample that neither watts nor counter cover, gaps that are over."""
        return self._unmeasured_s + self._gap_s

    def total_wh(self) -> float:
        """Energy since the first sample, Wh."""
        return self._settled_wh + self._pending_wh

    def wh_at(self, at_s: float) -> float | None:
        """`total_wh` as it was at a time within the last hour, interpolated; None where it was not yet known."""
        past = self._past
        if not past:
            return None
        times, totals = past[0::2], past[1::2]
        after = bisect_right(times, at_s)
        if after == 0:
            return totals[0]
        if after == len(times):
            return self.total_wh() if at_s - times[-1] <= 2 * PAST_STEP_S else totals[-1]
        share = (at_s - times[after - 1]) / (times[after] - times[after - 1])
        return totals[after - 1] + share * (totals[after] - totals[after - 1])

    def pending(self) -> tuple[float, float] | None:
        """(Wh, since) that is measured and not yet cut off; None where nothing was ever measured."""
        if self._told_at_s is None:
            return None
        return max(self.total_wh() - self._told_wh, 0.0), self._told_at_s

    def cut(self, now_s: float) -> tuple[float, float, float] | None:
        """(Wh, from, to) since the last cut, or None if there was nothing to measure.

        The parts never overlap and add up to `total_wh`: a part that would be negative, because the counter
        has corrected the integral, is held back and settled with the next.
        """
        if self._told_at_s is None or now_s <= self._told_at_s:
            return None
        wh = self.total_wh() - self._told_wh
        started_s = self._told_at_s
        wh = max(wh, 0.0)
        self._told_wh += wh
        self._told_at_s = now_s
        return wh, started_s, now_s

    def as_dict(self) -> dict[str, Any]:
        """State for the journal."""
        return {
            "settled_wh": self._settled_wh,
            "pending_wh": self._pending_wh,
            "told_wh": self._told_wh,
            "told_at_s": self._told_at_s,
            "counter": self._counter,
            "unmeasured_s": self._unmeasured_s,
            "gap_s": self._gap_s,
            "silent_since_s": self._sample[0] if self._sample is not None else self._silent_since_s,
            "only_counted": self._only_counted,
        }

    def restore(self, doc: dict[str, Any]) -> None:
        """Take up where the journal left off; the counter covers the time between, watts do not."""
        self._settled_wh, self._pending_wh = doc["settled_wh"], doc["pending_wh"]
        self._told_wh, self._told_at_s = doc["told_wh"], doc["told_at_s"]
        self._counter = None if doc["counter"] is None else (doc["counter"][0], doc["counter"][1])
        self.known = self._told_at_s is not None
        self._unmeasured_s, self._gap_s = doc.get("unmeasured_s", 0.0), doc.get("gap_s", 0.0)
        self._silent_since_s = doc.get("silent_since_s")
        self._only_counted = doc.get("only_counted", self._counter is not None)
