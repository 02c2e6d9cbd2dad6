"""What a machine would draw at its usual voltage.

A heater fed from the mains draws V^2/R (Joule's and Ohm's laws), so that 10 % less voltage takes 19 % of its
power; a machine behind a switched supply draws what it drew.  Which of the two a machine is, and how much of
it, is learnt as an exponent e of what it draws above idle:

    P_usual = P_idle + (P - P_idle) (V_usual / V)^e,    e ~ N(2, 0.7^2) before anything is seen

by least squares of ln P on ln V with that prior.  Volts and watts.
"""

from __future__ import annotations

import math

LEAST_V, MOST_V = 80.0, 300.0  # single-phase mains anywhere, sags included; what lies outside is no voltage
PRIOR = (2.0, 0.7)
NOISE = 0.3  # of ln P about the level of a heater at work; correlated readings counted in
REMEMBERED = 5000.0  # readings that the usual voltage is the mean of
WEIGHT_MOST = 1000.0  # old evidence fades beyond this


class Supply:
    """One machine's usual voltage, and how its power follows the voltage."""

    __slots__ = ("count", "exponent", "moment", "usual_v", "weight")

    def __init__(
        self, usual_v: float | None = None, count: float = 0.0, weight: float = 0.0, moment: float = 0.0
    ) -> None:
        self.usual_v, self.count, self.weight, self.moment = usual_v, count, weight, moment
        self.exponent = PRIOR[0]
        self._solve()

    def _solve(self) -> None:
        certain = 1.0 / (PRIOR[1] * PRIOR[1])
        noise = 1.0 / (NOISE * NOISE)
        slope = (self.moment * noise + PRIOR[0] * certain) / (self.weight * noise + certain)
        self.exponent = min(2.0, max(0.0, slope))

    def at_usual(self, power_w: float, voltage_v: float | None, idle_w: float) -> float:
        """The reading as it would be at the usual voltage; unchanged where no plausible voltage is known."""
        if voltage_v is None or not LEAST_V <= voltage_v <= MOST_V:
            return power_w
        usual_v = voltage_v if self.usual_v is None else self.usual_v
        if self.count < REMEMBERED:
            self.count = min(REMEMBERED, self.count + 1.0)
        self.usual_v = usual_v + (voltage_v - usual_v) / self.count
        if power_w <= idle_w:
            return power_w
        return idle_w + (power_w - idle_w) * math.pow(usual_v / voltage_v, self.exponent)

    def learn(self, power_w: float, voltage_v: float | None, idle_w: float, level_w: float) -> None:
        """A heater was at work whose level at the usual voltage is ``level_w``."""
        if voltage_v is None or self.usual_v is None or not LEAST_V <= voltage_v <= MOST_V:
            return
        if power_w <= idle_w or level_w <= idle_w:
            return
        x = math.log(voltage_v / self.usual_v)
        miss = math.log((power_w - idle_w) / (level_w - idle_w))
        keep = 1.0 - min(1.0, x * x / WEIGHT_MOST)
        self.weight = self.weight * keep + x * x
        self.moment = self.moment * keep + x * max(-0.5, min(0.5, miss))
        self._solve()

    def as_list(self) -> list[float | None]:
        """State for the journal."""
        rounded = None if self.usual_v is None else round(self.usual_v, 2)
        return [rounded, self.count, round(self.weight, 6), round(self.moment, 6)]
