"""Clocks: the wall's, held steady, and one that runs faster for a while."""

import asyncio
import time
from collections.abc import Callable
from datetime import UTC, datetime

FIRST_RELEASE_S = 1_735_689_600.0
"""2025-01-01: no clock that is right stands before it."""


class SteadyClock:
    """Wall time at start plus monotonic time since: it never jumps while the process runs."""

    def __init__(self) -> None:
        self._offset_s = time.time() - time.monotonic()

    def now_s(self) -> float:
        """UTC epoch seconds."""
        return time.monotonic() + self._offset_s

    async def sleep_until(self, at_s: float) -> None:
        """Return at `at_s`, or at once if that is past."""
        await asyncio.sleep(max(0.0, at_s - self.now_s()))


class ClockWatch:
    """Holds the computer's clock against what is on record, and against the time that has passed since the start.

    Args:
        clock: the steady clock by which everything runs.
        last_known_s: latest time on record, None for a new installation.
        borne_s: largest difference that is borne.
        wall: the computer's clock.
    """

    def __init__(
        self, clock: SteadyClock, last_known_s: float | None, borne_s: float, wall: Callable[[], float] = time.time
    ) -> None:
        self._clock, self._wall, self._borne_s = clock, wall, borne_s
        self._least_s = max(last_known_s or 0.0, FIRST_RELEASE_S)

    def doubt(self) -> str:
        """Why the clock cannot be trusted, in words; "" if it can."""
        wall_s = self._wall()
        step_s = wall_s - self._clock.now_s()
        if wall_s < self._least_s - self._borne_s:
            at = datetime.fromtimestamp(max(wall_s, 0.0), UTC)
            return f"the computer's clock stands at {at:%Y-%m-%d %H:%M} UTC, before what is on record"
        if abs(step_s) <= self._borne_s:
            return ""
        span = abs(step_s)
        words = f"{span / 86_400:.0f} days" if span >= 172_800 else f"{span / 60:.0f} min"
        return f"the computer's clock has been set {words} {'forward' if step_s > 0 else 'back'} while Farmwatch ran"


class WarpClock:
    """Runs `speed` times as fast from `start_s` until it meets the true time, then keeps it.

    It is driven by the one who plays that past: `ahead_s` says how far time may go, and only `reach` moves it
    there, once all that happened until then has been handed over. While `busy` says that the listeners are
    behind, it does not go on. So no timer ever runs ahead of what it waits for, however slow the computer is.
    """

    def __init__(self, start_s: float, speed: float) -> None:
        if speed < 1:
            msg = f"speed must be at least 1, not {speed}"
            raise ValueError(msg)
        self.busy: Callable[[], bool] = lambda: False
        self._true = SteadyClock()
        self._seen_s = self._true.now_s()
        self._now_s = self._ahead_s = min(start_s, self._seen_s)
        self._speed = speed

    def now_s(self) -> float:
        """Epoch seconds: how far the past has been played; later the present."""
        return self._now_s

    def ahead_s(self) -> float:
        """How far time may go now."""
        true_s = self._true.now_s()
        passed_s, self._seen_s = true_s - self._seen_s, true_s
        if self._ahead_s + passed_s >= true_s:
            self._ahead_s = true_s
        elif not self.busy():
            self._ahead_s = min(true_s, self._ahead_s + passed_s * self._speed)
        return self._ahead_s

    def reach(self, at_s: float) -> None:
        """All that happened until `at_s` has been handed over."""
        self._now_s = max(self._now_s, at_s)

    async def sleep_until(self, at_s: float) -> None:
        """Return at `at_s` of this clock."""
        while (left_s := at_s - self._now_s) > 0:
            catching_up = self._true.now_s() - self._now_s > 1.0
            await asyncio.sleep(max(left_s / (self._speed if catching_up else 1.0), 2e-3))
