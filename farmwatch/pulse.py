"""Whether every task makes progress: each says so now and then, and each has its own longest silence. Pure.

Times are seconds of a clock that never jumps.
"""

LONGEST_GAP_S = 10.0
"""If nobody has looked for so long, the whole process was asleep or held: no task is to blame for its silence."""


class Pulse:
    """Who was last heard when.

    >>> pulse = Pulse()
    >>> pulse.expect("brain", 20.0, now_s=0.0)
    >>> pulse.late(20.0), pulse.late(21.0)
    ([], ['brain'])
    >>> pulse.beat("brain", 21.5)
    >>> pulse.late(22.0)
    []
    """

    def __init__(self) -> None:
        self._within: dict[str, float] = {}
        self._heard: dict[str, float] = {}
        self._looked_s: float | None = None

    def expect(self, name: str, within_s: float, now_s: float) -> None:
        """From now on a task is to be heard at least every so many seconds."""
        self._within[name] = within_s
        self._heard[name] = now_s

    def beat(self, name: str, now_s: float) -> None:
        """A task has made progress."""
        self._heard[name] = now_s

    def late(self, now_s: float) -> list[str]:
        """Tasks that have been silent for too long. To be asked every few seconds."""
        if self._looked_s is not None and now_s - self._looked_s > LONGEST_GAP_S:
            self._heard = dict.fromkeys(self._heard, now_s)
        self._looked_s = now_s
        return [name for name, within_s in self._within.items() if now_s - self._heard[name] > within_s]
