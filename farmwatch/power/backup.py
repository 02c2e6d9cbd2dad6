"""A battery backup as its source tells of it: on line, on battery, low, unknown.

Status symbols are those of RFC 9271, table 4; a source that maps its own words maps them to these symbols.
"""

from dataclasses import dataclass, field

from farmwatch.words.model import BackupPlan, Value

STATUSES: tuple[str, ...] = ("unknown", "on_line", "on_battery", "low")


def status_of(symbols: str | None) -> str:
    """The one word for a set of status symbols.

    On battery wins over on line (fail safe); low counts only on battery, since a unit that recharges after an
    outage says ``OL LB`` (RFC 9271, appendix B). Neither OL nor OB: the unit "is deemed dead" (section 4).

    >>> status_of("OL CHRG LB"), status_of("OB DISCHRG"), status_of("OL OB"), status_of("OB LB"), status_of("")
    ('on_line', 'on_battery', 'on_battery', 'low', 'unknown')
    """
    words = frozenset((symbols or "").upper().split())
    if "NOCOMM" in words:
        return "unknown"
    if "FSD" in words:
        return "low"
    if "OB" in words:
        return "low" if "LB" in words else "on_battery"
    return "on_line" if "OL" in words else "unknown"


@dataclass(slots=True)
class BackupTrack:
    """What is known of one backup."""

    plan: BackupPlan
    status: str = "unknown"
    since_s: float | None = None
    symbols: str | None = None
    latest: dict[str, Value] = field(default_factory=dict)

    def observe(self, values: dict[str, Value], now_s: float) -> bool:
        """Take a message's values; whether the status has changed."""
        self.latest.update(values)
        if "status" not in values:
            return False
        symbols = values["status"]
        self.symbols = symbols if isinstance(symbols, str) else None
        return self._set(status_of(self.symbols), now_s)

    def forget(self, now_s: float) -> bool:
        """Its source is silent or failed: everything is unknown; whether the status has changed."""
        self.latest = dict.fromkeys(self.latest)
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
        """Whether the unit says OVER, or its load is above its rating."""
        load_w, load = self.load_w(), self.number("load")
        return (
            "OVER" in (self.symbols or "").upper().split()
            or (load is not None and load > 1.0)
            or (load_w is not None and self.plan.rating_w is not None and load_w > self.plan.rating_w)
        )

    def reported_runtime_s(self) -> float | None:
        """The runtime that the unit promises, None where it says nothing plausible."""
        runtime_s = self.number("runtime_s")
        return runtime_s if runtime_s is not None and runtime_s > 0 else None
