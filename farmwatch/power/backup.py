"""A battery backup as its source tells of it: on line, on battery, low, unknown.

Status symbols are those of RFC 9271, table 4; a source that maps its own words maps them to these symbols.
"""

from dataclasses import dataclass, field

from farmwatch.words.model import BackupPlan, Value

TESTING = frozenset({"TEST", "CAL"})
GONE_V = 50.0
"""Supply below this is none, at 120 V as at 230 V; an interruption is below 0.1 of nominal (IEEE 1159)."""
JUMP = 0.10  # of full: a charge may step so far between two readings (common practice, no source)
FASTEST_S = 120.0
"""Nothing charges or empties faster than in two minutes from end to end (common practice, no source)."""
BELIEVED = 3
"""Readings that must agree before a charge that has jumped is believed."""

STATUSES: tuple[str, ...] = ("unknown", "on_line", "on_battery", "low")


def status_of(symbols: str | None, supply_v: float | None = None) -> str:
    """The one word for a set of status symbols.

    On battery wins over on line (fail safe); low counts only on battery, since a unit that recharges after an
    outage says ``OL LB`` (RFC 9271, appendix B). Neither OL nor OB: the unit "is deemed dead" (section 4).

    A unit that tests or calibrates its battery runs on it while the mains is there: on line, unless its own meter says
    that the supply is gone, and unless it is low. What it draws from its battery meanwhile still teaches its health.

    >>> status_of("OB TEST"), status_of("OB CAL LB"), status_of("OB TEST", supply_v=0.0)
    ('on_line', 'low', 'on_battery')
    >>> status_of("OL CHRG LB"), status_of("OB DISCHRG"), status_of("OL OB"), status_of("OB LB"), status_of("")
    ('on_line', 'on_battery', 'on_battery', 'low', 'unknown')
    """
    words = frozenset((symbols or "").upper().split())
    if "NOCOMM" in words:
        return "unknown"
    if "FSD" in words:
        return "low"
    if "OB" in words and "LB" in words:
        return "low"
    if "OB" in words:
        lost = supply_v is not None and supply_v < GONE_V
        return "on_line" if words & TESTING and not lost else "on_battery"
    return "on_line" if "OL" in words else "unknown"


@dataclass(slots=True)
class BackupTrack:
    """What is known of one backup."""

    plan: BackupPlan
    status: str = "unknown"
    since_s: float | None = None
    symbols: str | None = None
    latest: dict[str, Value] = field(default_factory=dict)
    doubted: tuple[float, int] | None = None  # a charge that has jumped, and how often it was said
    _charge: tuple[float, float] | None = None  # the last one believed, and when it was read

    def observe(self, values: dict[str, Value], now_s: float) -> bool:
        """Take a message's values; whether the status has changed."""
        self.latest.update(values)
        charge = values.get("charge")
        if isinstance(charge, float):
            self.latest["charge"] = self._believed(charge, now_s)
        if "status" not in values:
            return False
        symbols = values["status"]
        self.symbols = symbols if isinstance(symbols, str) else None
        return self._set(status_of(self.symbols, self.number("voltage_v")), now_s)

    def _believed(self, charge: float, now_s: float) -> float:
        """The charge to reckon with. One that jumps is believed when it has been said `BELIEVED` times.

        Until then it is the lower of the two: a battery that is emptier than it was must not be promised, and one that
        is suddenly full may be a wrong reading.
        """
        before = self._charge
        if before is None or abs(charge - before[0]) <= JUMP + (now_s - before[1]) / FASTEST_S:
            self._charge, self.doubted = (charge, now_s), None
            return charge
        said, times = self.doubted or (charge, 0)
        times = times + 1 if abs(charge - said) <= JUMP else 1
        if times >= BELIEVED:
            self._charge, self.doubted = (charge, now_s), None
            return charge
        self.doubted = (charge, times)
        return min(charge, before[0])

    def forget(self, now_s: float) -> bool:
        """Its source is silent or failed: everything is unknown; whether the status has changed."""
        self.latest = dict.fromkeys(self.latest)
        self.doubted = self._charge = None
        self.symbols = None
        return self._set("unknown", now_s)

    def _set(self, status: str, now_s: float) -> bool:
        if status == self.status:
            return False
        self.status, self.since_s = status, now_s
        return True

    def number(self, quantity: str) -> float | None:
        """The present value of a quantity, None if it is unknown."""
        value = self.latest.get(quantity)
        return value if isinstance(value, float) else None

    def word(self, quantity: str) -> str | None:
        """The present text of a quantity, None if it is unknown."""
        value = self.latest.get(quantity)
        return value if isinstance(value, str) else None

    def discharging(self) -> bool:
        """Whether it lives on its battery, be it for a test."""
        return self.status in ("on_battery", "low") or "OB" in (self.symbols or "").upper().split()

    def testing(self) -> bool:
        """Whether it tests or calibrates its battery."""
        return bool(TESTING & frozenset((self.symbols or "").upper().split()))

    def load_w(self) -> float | None:
        """Watts at its outlets: its own meter, else its percent load of its rating, else None.

        Percent load is the greater of the shares of W and VA (RFC 1628, upsOutputPercentLoad), so that the
        second way may overstate the watts, never understate them.
        """
        power_w = self.number("power_w")
        if power_w is not None:
            return power_w
        load = self.number("load")
        if load is None or self.plan.rating_w is None:
            return None
        return load * self.plan.rating_w

    def overloaded(self) -> bool:
        """Whether the unit says OVER, or its load is above its rating in W or in VA."""
        load_w, load, load_va = self.load_w(), self.number("load"), self.number("apparent_va")
        return (
            "OVER" in (self.symbols or "").upper().split()
            or (load is not None and load > 1.0)
            or (load_w is not None and self.plan.rating_w is not None and load_w > self.plan.rating_w)
            or (load_va is not None and self.plan.rating_va is not None and load_va > self.plan.rating_va)
        )

    def reported_runtime_s(self) -> float | None:
        """The runtime that the unit promises, None where it says nothing plausible."""
        runtime_s = self.number("runtime_s")
        return runtime_s if runtime_s is not None and runtime_s > 0 else None
