"""Circuits and battery backups: who has power, how a battery empties, what the server would say of it.

A battery empties as its data sheet says: at constant power P per block, in the time T(P) of `DISCHARGE`
(interpolated between logarithms); under a changing load, depth grows by dt / T(P). That is the usual
convention, not physics; the table holds for one load at a time.
"""

import math
from bisect import bisect_left

from farmwatch.scenario.site import BackupSpec

DISCHARGE: tuple[tuple[float, float], ...] = (
    # (W per 12 V block of six cells, minutes to 1.75 V a cell)
    (4.314, 1200.0), (8.004, 600.0), (9.696, 480.0), (14.34, 300.0), (21.3, 180.0), (29.1, 120.0), (49.38, 60.0),
    (85.2, 30.0), (139.8, 15.0), (177.0, 10.0), (270.6, 5.0),
)  # fmt: skip
"""Constant-power discharge of a 12 V 7.5 Ah AGM block at 25 °C: the maker's data sheet "12V7.5AH/T1", watts per
cell to 1.75 V, times six."""

EFFICIENCY = 0.85  # inverter on battery; 0.80 to 0.90 is common practice, no source
OWN_W = 8.0  # what a backup draws for itself
HEALTH_EXPONENT = 1.4  # runtime falls faster than capacity, as the table's own exponent between 5 and 60 min
LOW_CHARGE = 0.20
CHARGE_S = 5 * 3600.0  # from empty to full; common practice, no source
CHARGE_W = 12.0  # a block, while charging
RETRANSFER_S = 4.0  # mains must have been back for so long
OPTIMISM = 1.2  # the backup's own estimate, against a new battery

_LOG_W = tuple(math.log(w) for w, _ in DISCHARGE)
_LOG_S = tuple(math.log(60.0 * minutes) for _, minutes in DISCHARGE)


def discharge_s(block_w: float) -> float:
    """Seconds that a full new block lasts at `block_w`; beyond the table along its end slopes."""
    x = math.log(max(block_w, 0.1))
    i = min(max(bisect_left(_LOG_W, x), 1), len(_LOG_W) - 1)
    slope = (_LOG_S[i] - _LOG_S[i - 1]) / (_LOG_W[i] - _LOG_W[i - 1])
    return math.exp(_LOG_S[i - 1] + slope * (x - _LOG_W[i - 1]))


class Backup:
    """A battery backup: depth of discharge (0 full, 1 empty), and whether its output lives."""

    __slots__ = ("_mains_since_s", "dead", "depth", "load_w", "loads_w", "on_battery", "spec")

    def __init__(self, spec: BackupSpec, loads_w: float) -> None:
        self.spec, self.loads_w = spec, loads_w
        self.depth, self.load_w = 0.0, loads_w
        self.on_battery = self.dead = False
        self._mains_since_s: float | None = -math.inf

    def runtime_s(self, load_w: float, health: float) -> float:
        """Seconds from full at a load."""
        block_w = (load_w / EFFICIENCY + OWN_W) / self.spec.blocks
        return discharge_s(block_w) * float(health**HEALTH_EXPONENT)

    def step(self, now_s: float, machines_w: float, dt_s: float, *, mains: bool) -> None:
        """Take the load and the mains of the step that begins, and bring the battery to its end."""
        if mains:
            if self._mains_since_s is None:
                self._mains_since_s = now_s
            self.dead = False
            self.on_battery = self.on_battery and now_s - self._mains_since_s < RETRANSFER_S
        else:
            self._mains_since_s = None
            self.on_battery = True
        self.load_w = 0.0 if self.dead else machines_w + self.loads_w
        if not self.on_battery:
            if self.depth > 0.0:
                self.depth = max(0.0, self.depth - dt_s / CHARGE_S)
        elif not self.dead:
            self.depth += dt_s / self.runtime_s(self.load_w, self.spec.health)
            if self.depth >= 1.0:
                self.depth, self.dead = 1.0, True

    @property
    def input_w(self) -> float:
        """Drawn from the circuit."""
        if self.on_battery:
            return 0.0
        return self.load_w + OWN_W + (CHARGE_W * self.spec.blocks if self.depth > 0.0 else 0.0)

    @property
    def charge(self) -> float:
        """State of charge, 0 to 1."""
        return 1.0 - self.depth

    @property
    def status(self) -> str:
        """Status symbols (RFC 9271, table 4)."""
        low = " LB" if self.charge <= LOW_CHARGE else ""
        if self.on_battery:
            return f"OB DISCHRG{low}"
        return f"OL CHRG{low}" if self.depth > 0.01 else "OL"

    def variables(self, voltage_v: float) -> str:
        """The server's reply to LIST VAR (RFC 9271, section 4.2.7), or "" where it has no data."""
        if self.dead:
            return ""
        name, spec = self.spec.name, self.spec
        runtime_s = OPTIMISM * self.runtime_s(self.load_w, 1.0) * self.charge
        volts = spec.blocks * ((12.6 if self.on_battery else 13.6) - 1.7 * self.depth)
        rows = (
            ("battery.charge", f"{100.0 * self.charge:.0f}"),
            ("battery.charge.low", f"{100.0 * LOW_CHARGE:.0f}"),
            ("battery.runtime", f"{runtime_s:.0f}"),
            ("battery.type", "PbAc"),
            ("battery.voltage", f"{volts:.1f}"),
            ("device.mfr", "Saltmarsh Works"),
            ("device.model", f"Shed backup {spec.rating_va:.0f} VA"),
            ("device.type", "ups"),
            ("output.voltage", f"{230.0 if self.on_battery else voltage_v:.1f}"),
            ("ups.load", f"{100.0 * self.load_w / spec.rating_w:.0f}"),
            ("ups.power.nominal", f"{spec.rating_va:.0f}"),
            ("ups.status", self.status),
        )
        lines = [f'VAR {name} {variable} "{value}"' for variable, value in rows]
        return "\n".join((f"BEGIN LIST VAR {name}", *lines, f"END LIST VAR {name}", ""))
