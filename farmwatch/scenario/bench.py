"""One machine's physics: bed and nozzle as first-order thermal bodies, two-level bed control, watts.

A body of heat capacity C (J/K) and loss G (W/K) in air of Ta follows T(t) = Ta + P/G + (T0 - Ta - P/G)
exp(-t G / C) at constant power P (Newton's law of cooling with a source; any text on heat transfer). Power is
constant within a step of `STEP_S`, so that every step is exact and the energy counter is the exact integral.
"""

import math
from array import array
from random import Random

from farmwatch.scenario.site import MATERIALS, Job, MachineSpec

STEP_S = 2.0

# Of a machine of scale 1. Levels: 360 W supplies measured at 11 to 279 W (see tests/test_scenario.py).
BED_W = 215.0  # electrical
BED_YIELD = 0.92  # of it reaches the bed
BED_G, BED_CAP = 1.9, 1480.0  # W/K, J/K: time constant 13 min (common practice, no source)
NOZZLE_W, NOZZLE_G, NOZZLE_CAP = 42.0, 0.065, 16.0
NOZZLE_GAIN = 4.0  # W/K of the proportional control; below NOZZLE_CAP / STEP_S, hence stable
BAND_C = 0.4  # half width of the bed's two-level control
AWAKE_W, MOTORS_W, FAN_W, FLUTTER_W = 9.0, 16.0, 5.0, 1.2
ASA_HEATER = 1.15  # machines kept for ASA have a stronger bed heater

OFF, BOOT, REST, HEAT, PRINT, PAUSE, HOLD = range(7)
BUSY = (HEAT, PRINT, PAUSE)

_random = Random("farmwatch noise")
NOISE = array("d", (max(-3.0, min(3.0, _random.gauss(0.0, 1.0))) for _ in range(4093)))
"""Standard normal numbers, the same for every world; indexed by step and machine."""


class Bench:
    """A machine at work: mode, temperatures, watts, energy, and the build in hand.

    `step` has three parts, so that messages can be rendered between them: `control(step)` sets the heaters and
    the watts of the step that begins, `integrate(air_c)` brings temperatures and energy to its end.
    """

    __slots__ = (
        "_bed_decay",
        "_bed_heat_w",
        "_noise",
        "_nozzle_decay",
        "bed_c",
        "bed_g",
        "bed_on",
        "bed_set_c",
        "bed_w",
        "energy_wh",
        "full",
        "heated",
        "index",
        "job",
        "mode",
        "nominal_s",
        "nozzle_c",
        "nozzle_set_c",
        "nozzle_w",
        "rest_w",
        "spec",
        "total_s",
        "until_s",
        "watts",
        "word",
        "worked_s",
    )  # fmt: skip

    def __init__(self, spec: MachineSpec, index: int, air_c: float) -> None:
        self.spec, self.index = spec, index
        stronger = ASA_HEATER if spec.material == "ASA" else 1.0
        self.bed_w = BED_W * spec.scale * stronger
        self.bed_g = BED_G * spec.scale
        self._bed_heat_w = self.bed_w * BED_YIELD
        self._bed_decay = math.exp(-STEP_S * BED_G / BED_CAP)
        self._nozzle_decay = math.exp(-STEP_S * NOZZLE_G / NOZZLE_CAP)
        self._noise = index * 337
        self.mode = REST
        self.bed_c = self.nozzle_c = air_c
        self.bed_set_c = self.nozzle_set_c = 0.0
        self.bed_on, self.nozzle_w = False, 0.0
        self.watts = self.rest_w = spec.idle_w
        self.energy_wh = 0.0
        self.full = self.heated = False
        self.job: Job | None = None
        self.total_s = self.nominal_s = self.worked_s = 0.0
        self.until_s = math.inf  # when the present mode ends by itself (BOOT, HOLD)
        self.word = ""  # how the last build ended, while the panel still shows it

    # ---- what is done to it ------------------------------------------------------------------------------------

    def start(self, job: Job, total_s: float, nominal_s: float) -> None:
        """A build begins with the heat-up; `total_s` of printing follow, `nominal_s` were planned."""
        material = MATERIALS[job.material]
        self.mode, self.job, self.word = HEAT, job, ""
        self.bed_set_c, self.nozzle_set_c = material.bed_c, material.nozzle_c
        self.total_s, self.nominal_s, self.worked_s = total_s, nominal_s, 0.0
        self.heated = True

    def lay_down(self) -> None:
        """Hot: from here on something lies on the bed."""
        self.mode, self.full = PRINT, True

    def pause(self) -> None:
        """Stop in mid-build; the heaters hold."""
        self.mode = PAUSE

    def doze(self) -> None:
        """In a long pause the nozzle is left to cool."""
        self.nozzle_set_c = 0.0

    def resume(self) -> None:
        """Go on, after heating up again where that is needed."""
        if self.job is not None and not self.nozzle_set_c:
            self.nozzle_set_c = MATERIALS[self.job.material].nozzle_c
        self.mode = PRINT if self.hot else HEAT

    def over(self, word: str, now_s: float) -> None:
        """The build has ended as `word` says: "done", "failed" or "cancelled"."""
        self.word, self.nozzle_set_c = word, 0.0
        hold_s = self.spec.hold_min * 60.0 if word == "done" else 0.0
        if hold_s:
            self.mode, self.until_s = HOLD, now_s + hold_s
        else:
            self.cool()

    def cool(self) -> None:
        """Heaters off, at rest."""
        self.mode, self.until_s, self.bed_set_c, self.nozzle_set_c = REST, math.inf, 0.0, 0.0

    def power_off(self) -> None:
        """The supply is gone; what the panel knew is forgotten."""
        self.cool()
        self.mode, self.job, self.word = OFF, None, ""

    def power_on(self, now_s: float) -> None:
        """The supply is back; it starts up for 25 s and then rests."""
        self.mode, self.until_s = BOOT, now_s + 25.0

    def clear(self) -> None:
        """The bed is cleared and the panel's last word put away."""
        self.full, self.word, self.job = False, "", None

    # ---- what it does ------------------------------------------------------------------------------------------

    def control(self, step: int, air_c: float) -> None:
        """Set heaters and watts for the step that begins."""
        mode, spec = self.mode, self.spec
        if mode == REST:
            self.bed_on, self.nozzle_w = False, 0.0
            self.watts = self.rest_w + 0.1 * NOISE[(step // 8 + self._noise) % 4093]
            return
        if mode == OFF:
            self.bed_on, self.nozzle_w, self.watts = False, 0.0, 0.0
            return
        bed_set_c = self.bed_set_c
        if self.bed_on:
            self.bed_on = self.bed_c < bed_set_c + BAND_C
        else:
            self.bed_on = self.bed_c < bed_set_c - BAND_C
        nozzle_set_c = self.nozzle_set_c
        if nozzle_set_c:
            wanted_w = NOZZLE_G * (nozzle_set_c - air_c) + NOZZLE_GAIN * (nozzle_set_c - self.nozzle_c)
            self.nozzle_w = 0.0 if wanted_w < 0.0 else min(wanted_w, NOZZLE_W)
        else:
            self.nozzle_w = 0.0
        watts = spec.idle_w + self.nozzle_w + (self.bed_w if self.bed_on else 0.0)
        if mode == PRINT:
            moving = AWAKE_W + MOTORS_W + FAN_W + FLUTTER_W * NOISE[(step + self._noise) % 4093]
            self.watts = watts + spec.scale * moving
        elif mode == PAUSE:
            self.watts = watts + spec.scale * (AWAKE_W + 3.0)
        elif mode == HEAT:
            self.watts = watts + spec.scale * (AWAKE_W + 8.0)
        else:  # BOOT, HOLD
            self.watts = watts + spec.scale * 5.0

    def integrate(self, air_c: float) -> None:
        """Bring temperatures and energy to the end of the step."""
        self.energy_wh += self.watts * (STEP_S / 3600.0)
        level_c = air_c + (self._bed_heat_w / self.bed_g if self.bed_on else 0.0)
        self.bed_c = level_c + (self.bed_c - level_c) * self._bed_decay
        level_c = air_c + self.nozzle_w / NOZZLE_G
        self.nozzle_c = level_c + (self.nozzle_c - level_c) * self._nozzle_decay

    @property
    def hot(self) -> bool:
        """Whether bed and nozzle are where the build wants them."""
        return self.bed_c >= self.bed_set_c - 0.7 and self.nozzle_c >= self.nozzle_set_c - 2.0

    def progress(self) -> float:
        """Share of the build as the machine reports it: monotone, not linear in time."""
        if self.job is None or not self.total_s:
            return 0.0
        share = min(1.0, self.worked_s / self.total_s)
        return share + self.job.bend * math.sin(2.0 * math.pi * share) / (2.0 * math.pi)

    def remaining_s(self) -> float:
        """Remaining time as the machine reports it: planned time, with its bias, less what is gone."""
        share = min(1.0, self.worked_s / self.total_s) if self.total_s else 1.0
        return self.spec.bias * self.nominal_s * (1.0 - share)
