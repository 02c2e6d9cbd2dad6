"""Signs that a build in hand has failed, though its machine says that it prints.

Three of them, each held against what this very build has done so far: a nozzle that is far from its target, power far
below the build's own level, progress that stands still. The figures are common practice, no source; they are wide, so
that a filament change, a standby between tools or a cool bed on later layers is none of them.
"""

from dataclasses import dataclass

COLD_C, WARM_C = 40.0, 20.0
"""A nozzle so far below its target is cold; it is warm again this far below it."""
HOT_C = 120.0
"""A target below is none at which plastic flows."""
SETTLE_S = 1200.0
"""So long into its printing the level of a build is known."""
WINDOW_S = 600.0
WEAK, WELL = 0.35, 0.6
"""Mean power over WINDOW_S as a share of the build's level: below the first the heaters are gone; above the second it
is well, and the level learns from it."""
LEVEL_MIN_W = 40.0
LEARN = 0.05
STUCK_S, STUCK_SHARE = 2700.0, 0.06
"""Progress that stands still for longer than both the time and that share of the expected run is stuck."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of a machine at one moment; None where it is unknown.

    Attributes:
        printing: whether the machine itself says that it prints.
        nozzle_c: nozzle temperature.
        target_c: what it is asked for.
        mean_w: mean power over the last WINDOW_S.
        progress: reported share.
        remaining_s: reported remaining time.
        run_s: how long the whole build is expected to run.
    """

    printing: bool
    nozzle_c: float | None = None
    target_c: float | None = None
    mean_w: float | None = None
    progress: float | None = None
    remaining_s: float | None = None
    run_s: float | None = None


@dataclass(frozen=True, slots=True)
class Sign:
    """Why a build has likely failed, and since when."""

    why: str
    since_s: float


class Mishap:
    """Follows one build, looked at about once a minute. Nothing of it survives a restart: it learns anew."""

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._level_w: float | None = None
        self._level_c: float | None = None
        self._cold_s: float | None = None
        self._weak_s: float | None = None
        self._moved: tuple[float | None, float | None] = (None, None)
        self._moved_s = 0.0
        self._raised: int | None = None

    def look(self, seen: Seen, now_s: float, hold_s: float) -> Sign | bool | None:
        """A sign that has held for `hold_s`; False: none; None: it cannot be told now."""
        if not seen.printing:
            self._since_s = None
            self._cold_s = self._weak_s = None
            return None
        if self._since_s is None:
            self._since_s, self._moved_s = now_s, now_s
        told = [self._cold(seen, now_s, hold_s), self._weak(seen, now_s, hold_s), self._stuck(seen, now_s)]
        for number, sign in enumerate(told):
            if isinstance(sign, Sign):
                self._raised = number
                return sign
        if self._raised is not None and told[self._raised] is None:
            return None  # what raised it cannot be seen now
        self._raised = None
        return False if False in told else None

    def _cold(self, seen: Seen, now_s: float, hold_s: float) -> Sign | bool | None:
        if seen.nozzle_c is None:
            return None
        target_c = seen.target_c if seen.target_c is not None and seen.target_c >= HOT_C else self._level_c
        if target_c is None:
            self._level_c = seen.nozzle_c if seen.nozzle_c >= HOT_C else None
            return None
        below_c = target_c - seen.nozzle_c
        if below_c < WARM_C:
            self._level_c, self._cold_s = seen.nozzle_c, None
            return False
        if self._cold_s is None and below_c > COLD_C:
            self._cold_s = now_s
        if self._cold_s is not None and now_s - self._cold_s >= hold_s:
            return Sign(f"its nozzle is {below_c:.0f} °C too cold", self._cold_s)
        return False

    def _weak(self, seen: Seen, now_s: float, hold_s: float) -> Sign | bool | None:
        if seen.mean_w is None or self._since_s is None or now_s - self._since_s < SETTLE_S:
            return None
        if self._level_w is None:
            self._level_w = seen.mean_w
        if self._level_w < LEVEL_MIN_W:
            return None
        share = seen.mean_w / self._level_w
        if share >= WELL:
            self._level_w += LEARN * (seen.mean_w - self._level_w)
            self._weak_s = None
            return False
        if self._weak_s is None and share < WEAK:
            self._weak_s = now_s
        # The mean itself looks back: what is weak now has been so for half its window.
        if self._weak_s is not None and now_s - self._weak_s >= max(hold_s - WINDOW_S / 2, 0.0):
            return Sign(
                f"it draws {seen.mean_w:.0f} W where it drew {self._level_w:.0f} W", self._weak_s - WINDOW_S / 2
            )
        return False

    def _stuck(self, seen: Seen, now_s: float) -> Sign | bool | None:
        moved = (seen.progress, seen.remaining_s)
        if moved == (None, None):
            self._moved_s = now_s
            return None
        if moved != self._moved or (seen.progress is not None and seen.progress >= 1.0):
            self._moved, self._moved_s = moved, now_s
            return False
        if now_s - self._moved_s >= max(STUCK_S, STUCK_SHARE * (seen.run_s or 0.0)):
            at = "" if seen.progress is None else f" at {seen.progress * 100:.0f} %"
            return Sign(f"its progress stands still{at}", self._moved_s)
        return False
