"""What was drawn last of each subject, for as long as nothing of it has changed that shows.

A cache of what changes with the minute must hold no more than one drawing a subject: the ones before it are never
asked for again, and each holds what it was drawn of.
"""

from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

What = TypeVar("What")
Drawn = TypeVar("Drawn")


class Latest(Generic[What, Drawn]):
    """Draws, and keeps the last drawing of each subject.

    Args:
        draw: the drawing of what is given.
        most: subjects of which a drawing is kept; beyond, the one longest there gives way.
    """

    def __init__(self, draw: Callable[[What], Drawn], most: int) -> None:
        self._draw, self._most = draw, most
        self._kept: dict[Hashable, tuple[Hashable, Drawn]] = {}

    def __call__(self, subject: Hashable, key: Hashable, what: What) -> Drawn:
        """The drawing of `what`, the kept one where `key`, all of it that shows, is that of the last time."""
        kept = self._kept.get(subject)
        if kept is not None and kept[0] == key:
            return kept[1]
        drawn = self._draw(what)
        if kept is None and len(self._kept) >= self._most:
            del self._kept[next(iter(self._kept))]
        self._kept[subject] = (key, drawn)
        return drawn

    def __len__(self) -> int:
        """Drawings that are kept."""
        return len(self._kept)
