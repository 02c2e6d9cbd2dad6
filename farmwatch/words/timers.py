"""Keyed timers without a clock: what is due, and when next."""

import heapq
from collections.abc import Hashable

CLOCK_BACK_S = 600.0
"""What lies so long before what came last is not late: the clock stood ahead and has been set back."""


class Timers:
    """A heap of (due, key); setting a key again moves it, a dropped key never fires."""

    def __init__(self) -> None:
        self._heap: list[tuple[float, int, Hashable]] = []
        self._due: dict[Hashable, tuple[float, int]] = {}
        self._count = 0

    def set(self, key: Hashable, due_s: float) -> None:
        """Let `key` fire at `due_s`, whenever it was to fire before."""
        self._count += 1
        self._due[key] = (due_s, self._count)
        heapq.heappush(self._heap, (due_s, self._count, key))

    def drop(self, key: Hashable) -> None:
        """Let `key` not fire."""
        self._due.pop(key, None)

    def due_s(self, key: Hashable) -> float | None:
        """When `key` fires, or None."""
        entry = self._due.get(key)
        return None if entry is None else entry[0]

    def next_due_s(self) -> float:
        """When the next key fires; infinity if none will."""
        heap = self._heap
        while heap:
            due_s, count, key = heap[0]
            if self._due.get(key) == (due_s, count):
                return due_s
            heapq.heappop(heap)
        return float("inf")

    def pop(self, now_s: float) -> tuple[Hashable, float] | None:
        """Take the next (key, due) that is due at `now_s`, in order of time, then of setting."""
        if self.next_due_s() > now_s:
            return None
        due_s, _, key = heapq.heappop(self._heap)
        del self._due[key]
        return key, due_s
