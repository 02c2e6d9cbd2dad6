"""The scenario as a source: plays Saltmarsh Works at the clock's time, through the same door as devices.

Its two people go on with their rounds whatever is said on the page: a bed that is cleared there is cleared once
more at the next round, which does no harm.
"""

import asyncio
import time

from farmwatch.ports import Clock, Deliver, DrivenClock
from farmwatch.scenario.world import World

SLICE_S = 0.008
"""Longest time for which inputs are made without letting others run."""
LOOK_AHEAD = 16
"""Inputs made between two looks at the time."""
TICK_S = 0.02
"""The world is looked at so often, in real time."""


def meets_present_s(start_s: float, now_s: float, speed: float) -> float:
    """When a world that starts at `start_s` and runs `speed` times as fast meets the present.

    >>> meets_present_s(0.0, 239.0, 240.0)
    240.0
    """
    return now_s + max(0.0, now_s - start_s) / (speed - 1.0) if speed > 1 else now_s


class SimulatedSource:
    """Plays a world. Where several transports are replaced, this one source stands for all of them.

    Args:
        world: the world; it should keep no samples (`sample_s=0`), since it may run for weeks.
        vias: transports whose inputs are delivered; what people say is always delivered.
    """

    name = "simulated"

    def __init__(self, world: World, vias: frozenset[str] = frozenset({"mqtt", "http", "push", "ups"})) -> None:
        self.world = world
        self._vias = vias
        self._from_s = world.start_s

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Deliver what is due, in slices of some milliseconds, until cancelled. Started again, it goes on."""
        driven = clock if isinstance(clock, DrivenClock) else None
        while True:
            to_s = driven.ahead_s() if driven is not None else clock.now_s()
            if to_s > self._from_s:
                await self._play(deliver, to_s)
            if driven is not None:
                driven.reach(to_s)
            await asyncio.sleep(TICK_S)

    async def _play(self, deliver: Deliver, to_s: float) -> None:
        vias = self._vias
        until = time.monotonic() + SLICE_S
        for count, item in enumerate(self.world.inputs(self._from_s, to_s), 1):
            via = getattr(item, "via", None)
            if via is None or via in vias:
                deliver(item)
            self._from_s = item.at_s
            if count % LOOK_AHEAD == 0 and time.monotonic() > until:
                await asyncio.sleep(0)
                until = time.monotonic() + SLICE_S
        self._from_s = to_s
