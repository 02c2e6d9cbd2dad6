"""One machine followed through its reports, its plug and what people say of it.

The tracker takes what comes in. It is the top of five layers: what is known and what the machine does (`activity`),
its state and bed (`bedtrack`), the build in hand (`buildtrack`), what people say (`spoken`). It returns effects; what
alarms need it leaves in its public attributes.
"""

from farmwatch.machines.builds import Build
from farmwatch.machines.eta import Estimator
from farmwatch.machines.spoken import SpokenTrack
from farmwatch.machines.state import BUSY
from farmwatch.words.model import Effect, MachinePlan, Observed, SourcePlan, Value
from farmwatch.words.timers import Timers

CONSIDERED = frozenset({"state", "job", "material", "progress", "remaining_s", "relay", "bed_target_c"})
HEATER_W = 100.0
"""Boards and fans alone draw less (common practice, no source)."""


class MachineTrack(SpokenTrack):
    """What is known of one machine. All times are epoch seconds."""

    __slots__ = ("_late", "_source_time", "last_known", "nozzle_at_s")

    def __init__(self, plan: MachinePlan, sources: list[SourcePlan], estimator: Estimator, timers: Timers) -> None:
        super().__init__(plan, sources, estimator, timers)
        self.nozzle_at_s: float | None = None  # its last reading: no power is cut on an old one
        self.last_known: dict[str, tuple[float, Value]] = {}
        self._source_time: dict[str, float] = {}
        self._late: dict[str, int] = {}

    def observe(self, seen: Observed) -> list[Effect]:
        """Take one message's values; effects of what they change."""
        now_s = seen.at_s
        values = seen.values
        if seen.retained:
            for quantity, value in values.items():
                self.last_known[quantity] = (now_s, value)
            return []
        if seen.source_at_s is not None and self._is_late(seen.source, seen.source_at_s):
            return []
        latest = self.latest
        consider = False
        for quantity, value in values.items():
            if quantity not in latest or latest[quantity] != value:
                latest[quantity] = value
                consider = consider or quantity in CONSIDERED
        self.nozzle_at_s = now_s if "nozzle_c" in values else self.nozzle_at_s
        self.bed_at_s = now_s if "bed_c" in values else self.bed_at_s
        if self.build is not None:
            self._told(self.build, now_s, values)
        if "power_w" in values:
            power_w = values["power_w"]
            if not isinstance(power_w, float) or power_w < HEATER_W:
                self._drawing_since_s = None
            elif self._drawing_since_s is None:
                self._drawing_since_s = now_s
            voltage_v = values.get("voltage_v")
            self.sense.observe(
                now_s,
                power_w if isinstance(power_w, float) else None,
                voltage_v if isinstance(voltage_v, float) else None,
            )
            if self._by_plug():
                return self.consider(now_s)
        if consider or (self.state in ("cooling", "heating", "unknown") and values):
            return self.consider(now_s)
        return []

    def _told(self, build: Build, now_s: float, values: dict[str, Value]) -> None:
        """A report on the build, also one that says the same again: the next step is still to come."""
        if "filament_g" in values or "filament_mm" in values:
            self._fed(build, values)
        if "progress" not in values and "remaining_s" not in values:
            return
        if values.get("remaining_s") is not None:
            build.progress_at_s = now_s
        self._estimator.progress(build.id, now_s, self.number("progress"), self.number("remaining_s"))

    def _fed(self, build: Build, values: dict[str, Value]) -> None:
        """Filament used so far. It may begin again at 0 with a build, and must not with its end."""
        runs = not BUSY.isdisjoint((self.word("state") or "").split("|"))
        grams, length_mm = values.get("filament_g"), values.get("filament_mm")
        if isinstance(grams, float) and (runs or grams >= (build.filament_g or 0.0)):
            build.filament_g = grams
        if isinstance(length_mm, float) and (runs or length_mm >= (build.filament_mm or 0.0)):
            build.filament_mm = length_mm

    def _is_late(self, source: str, at_s: float) -> bool:
        """Whether this message is older than one that came before it.

        A device whose clock was set back would be late for good: after three late messages in a row its new
        time is taken.
        """
        newest_s = self._source_time.get(source)
        if newest_s is not None and at_s < newest_s - 1e-3:
            count = self._late.get(source, 0) + 1
            if count < 3:
                self._late[source] = count
                return True
        self._late.pop(source, None)
        self._source_time[source] = at_s
        return False

    def forget(self, quantities: frozenset[str], now_s: float) -> list[Effect]:
        """These quantities are unknown from now on: their source is silent, failed or gone."""
        for quantity in quantities:
            if self.latest.get(quantity) is not None:
                self.latest[quantity] = None
        if "power_w" in quantities:
            self.sense.observe(now_s, None)
        if "state" in quantities and self._mute_since_s is None:
            self._mute_since_s = now_s
        return self.consider(now_s)
