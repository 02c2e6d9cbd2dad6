"""Clocks: the wall's, held steady, and one that runs faster for a while."""

import asyncio
import time


class SteadyClock:
    """Wall time at start plus monotonic time since: it never jumps while the process runs."""

    def __init__(self) -> None:
        self._offset_s = time.time() - time.monotonic()

    def now_s(self) -> float:
        """UTC epoch seconds."""
        return time.monotonic() + self._offset_s

    def wall_error_s(self) -> float:
        """How far the wall clock has been stepped away from this one, in seconds."""
        return time.time() - self.now_s()

    async def sleep_until(self, at_s: float) -> None:
        """Return at `at_s`, or at once if that is past."""
        await asyncio.sleep(max(0.0, at_s - self.now_s()))


class WarpClock:
    """Runs `speed` times as fast from `start_s` until it meets the true time, then keeps it."""

    def __init__(self, start_s: float, speed: float) -> None:
        if speed < 1:
            msg = f"speed must be at least 1, not {speed}"
            raise ValueError(msg)
        self._true = SteadyClock()
        self._began_s = self._true.now_s()
        self._start_s = start_s
        self._speed = speed

    def now_s(self) -> float:
        """Epoch seconds: the past played quickly, later the present."""
        true_s = self._true.now_s()
        return min(true_s, self._start_s + (true_s - self._began_s) * self._speed)

    async def sleep_until(self, at_s: float) -> None:
        """Return at `at_s` of this clock."""
        while (left_s := at_s - self.now_s()) > 0:
            catching_up = self._true.now_s() - self.now_s() > 1e-3
            await asyncio.sleep(max(left_s / (self._speed if catching_up else 1.0), 1e-3))
