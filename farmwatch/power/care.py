"""Care for a backup's battery: what its discharges teach, whether its promises hold, age, tests, warmth.

Health is learned from real discharges (`battery.learn_health`). The unit's own promise at the begin of a discharge
is put beside what the discharge shows; when two in a row disagree, that is worth a line. Batteries, their
replacement and their disposal are for people who are qualified for it, by local codes.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from farmwatch.alarms.texts import say
from farmwatch.power.battery import (
    LEAST_DEPTH,
    LEAST_MIN,
    Discharge,
    Health,
    ReplaceBy,
    RuntimeTable,
    health_seen,
    promises_too_much,
    replace_by,
)
from farmwatch.words.model import BackupPlan

DAY_S = 86_400.0
YEAR_S = 365.25 * DAY_S
LIFE_YEARS = (3.0, 4.0, 5.0)
"""A valve-regulated lead-acid battery at 20 to 25 °C: earliest, usual, latest (common practice, no source)."""
HALVING_C, KIND_C = 10.0, 25.0
"""Life halves with each 10 °C above 25 °C (Arrhenius; the usual rule for lead-acid batteries, from memory)."""
WARM_C, COOL_C = 30.0, 28.0
FLOOR = 0.8  # share of capacity at which a lead-acid battery is replaced (IEEE 1188, from memory)
LONGEST_GAP_S = 60.0  # between two readings of a discharge; a longer one is not counted
LEAST_SEEN = 0.9  # share of a discharge's time that must have been seen with its load
PROMISE_DEPTH = 0.15  # a shallower discharge is no measure of a promise
LEAST_DISCHARGES = 2  # one alone may have been read wrongly
KEPT = 40
BIN_W = 10.0
ON_BATTERY = ("on_battery", "low")


@dataclass(slots=True)
class _Run:
    """A discharge in progress."""

    started_s: float
    charge_before: float | None
    promised_s: float | None
    last_s: float
    load_w: float | None
    charge: float | None
    minutes: dict[int, float] = field(default_factory=dict)  # by load in bins of BIN_W
    unseen_s: float = 0.0
    doubted: bool = False  # its charge has jumped

    def add(self, now_s: float) -> None:
        """The time since the last reading, at the load that was read then."""
        gap_s = now_s - self.last_s
        if self.load_w is None or gap_s > LONGEST_GAP_S:
            self.unseen_s += gap_s
        else:
            key = round(self.load_w / BIN_W)
            self.minutes[key] = self.minutes.get(key, 0.0) + gap_s / 60.0
        self.last_s = now_s

    def discharge(self) -> Discharge | None:
        """What it was; None where too little of it was seen."""
        lasted_s = self.last_s - self.started_s
        if self.charge_before is None or self.charge is None or lasted_s <= 0 or self.doubted:
            return None
        if self.unseen_s > (1.0 - LEAST_SEEN) * lasted_s:
            return None
        loads = tuple((minutes, key * BIN_W) for key, minutes in sorted(self.minutes.items()))
        return Discharge(loads, self.charge_before, self.charge)


@dataclass(slots=True)
class Care:
    """One backup's battery.

    Attributes:
        plan: the backup as configured.
        entry: its runtime table and what that rests on, or None.
        health: what discharges have taught, as of the last one.
        belief: the same, less sure with every day since.
        taught_s: when the last one was.
        seen: (epoch seconds, health, standard deviation of its logarithm) of each that taught.
        promises: (minutes promised at the begin, minutes that the discharge shows) of each that was deep enough.
        tested_s: last self-test or real discharge.
        watched_s: since when it is watched.
        mean_c: slow mean of the battery's temperature.
    """

    plan: BackupPlan
    entry: tuple[RuntimeTable, str] | None
    health: Health = field(default_factory=Health)
    belief: Health = field(default_factory=Health)
    taught_s: float | None = None
    seen: list[tuple[float, float, float]] = field(default_factory=list)
    promises: list[tuple[float, float]] = field(default_factory=list)
    tested_s: float | None = None
    watched_s: float | None = None
    mean_c: float | None = None
    warm: bool = False
    worn_said: bool = False  # the unit itself asks for a new battery
    test: str | None = None  # what the unit says of its last self-test
    said_fitted_s: float | None = None  # as the unit says
    _run: _Run | None = None
    _line_charge: float | None = None

    # ---- what is seen ----------------------------------------------------------------------------------------

    def observe(
        self,
        now_s: float,
        *,
        status: str,
        symbols: str | None = None,
        charge: float | None = None,
        load_w: float | None = None,
        promised_s: float | None = None,
        battery_c: float | None = None,
        discharging: bool | None = None,
        doubted: bool = False,
        self_test: str | None = None,
        self_test_age_s: float | None = None,
        battery_date: str | None = None,
    ) -> bool:
        """A reading of the backup; whether something was learned that must be kept.

        `discharging` says that it lives on its battery although its status does not (a self-test); `doubted` that its
        charge has jumped and is not believed yet.
        """
        changed = self.watched_s is None
        if changed:
            self.watched_s = now_s
        words = frozenset((symbols or "").upper().split())
        if "TEST" in words and (self.tested_s is None or now_s - self.tested_s > DAY_S / 24):
            self.tested_s, changed = now_s, True
        if words:
            self.worn_said = "RB" in words
        self._temperature(battery_c)
        changed = self._tested(now_s, self_test, self_test_age_s) or changed
        changed = self._fitted(battery_date) or changed
        if status in ON_BATTERY or discharging:
            self._discharging(now_s, charge, load_w, promised_s)
            if self._run is not None:
                self._run.doubted = self._run.doubted or doubted
            return changed
        if status == "on_line":
            ended = self._ended(now_s)
            self._line_charge = charge
            return changed or ended
        return self._ended(now_s) or changed

    def _tested(self, now_s: float, result: str | None, age_s: float | None) -> bool:
        """What the unit says of its last self-test. One that has just ended was now; else its age says when."""
        if result is None:
            return False
        before, self.test = self.test, result
        at_s = now_s - age_s if age_s is not None else now_s if before == "running" != result else None
        counts = result in ("passed", "warning", "failed")
        if at_s is not None and counts and (self.tested_s is None or at_s > self.tested_s + DAY_S / 24):
            self.tested_s = at_s
            return True
        return before != result

    def _fitted(self, battery_date: str | None) -> bool:
        """The unit's own date of its battery, midnight UTC; what is configured goes before it."""
        if battery_date is None:
            return False
        try:
            at_s = datetime.fromisoformat(battery_date).replace(tzinfo=UTC).timestamp()
        except (ValueError, OverflowError):
            return False
        before, self.said_fitted_s = self.said_fitted_s, at_s
        return before != at_s

    @property
    def fitted_s(self) -> float | None:
        """When the battery was fitted: as configured, else as the unit says."""
        return self.plan.battery_s if self.plan.battery_s is not None else self.said_fitted_s

    def _temperature(self, battery_c: float | None) -> None:
        if battery_c is None:
            return
        self.mean_c = battery_c if self.mean_c is None else self.mean_c + 0.001 * (battery_c - self.mean_c)
        self.warm = battery_c > WARM_C or (self.warm and battery_c > COOL_C)

    def _discharging(self, now_s: float, charge: float | None, load_w: float | None, promised_s: float | None) -> None:
        run = self._run
        if run is None:
            before = self._line_charge if self._line_charge is not None else charge
            self._run = _Run(now_s, before, promised_s, now_s, load_w, charge)
            return
        run.add(now_s)
        run.load_w = load_w
        run.charge = charge if charge is not None else run.charge
        if run.promised_s is None and now_s - run.started_s < LONGEST_GAP_S:
            run.promised_s = promised_s

    def _ended(self, now_s: float) -> bool:
        run, self._run = self._run, None
        found = run.discharge() if run is not None else None
        if run is None or found is None:
            return False
        depth = found.charge_before - found.charge_after
        if depth < LEAST_DEPTH or run.last_s - run.started_s < LEAST_MIN * 60.0:
            return False
        self.tested_s = now_s
        if self.entry is not None and (shown := health_seen(self.entry[0], found)) is not None:
            self.age(now_s)
            self.health = self.belief = self.belief.learn(*shown)
            self.taught_s = now_s
            self.seen = [*self.seen, (now_s, *shown)][-KEPT:]
        if run.promised_s is not None and run.promised_s > 0 and depth >= PROMISE_DEPTH:
            lasted_min = (run.last_s - run.started_s) / 60.0
            self.promises = [*self.promises, (run.promised_s / 60.0, lasted_min / depth * found.charge_before)][-KEPT:]
        return True

    def age(self, now_s: float) -> None:
        """Be less sure with the time since the last discharge; a new battery begins anew."""
        fitted_s = self.fitted_s
        if fitted_s is not None and self.taught_s is not None and self.taught_s < fitted_s <= now_s:
            self.health, self.taught_s, self.seen, self.promises = Health(), None, [], []
        if fitted_s is not None and self.tested_s is not None and self.tested_s < fitted_s <= now_s:
            self.tested_s = None
        days = 0.0 if self.taught_s is None else (now_s - self.taught_s) / DAY_S
        self.belief = self.health.aged(days)

    # ---- what follows ----------------------------------------------------------------------------------------

    def disagrees(self) -> tuple[float, float] | None:
        """(minutes promised last, mean of what its last two discharges show) where these disagree for good."""
        if not promises_too_much([said for said, _ in self.promises], [shown for _, shown in self.promises]):
            return None
        return self.promises[-1][0], sum(shown for _, shown in self.promises[-2:]) / 2.0

    def replace_by(self) -> tuple[ReplaceBy, str] | None:
        """When to replace the battery, with a range, and what that rests on; None where nothing tells."""
        trend = replace_by(self.seen, floor=FLOOR)
        if trend is not None and math.isfinite(trend.expected_s):
            return trend, say("worn_trend", number=len(self.seen))
        fitted_s = self.fitted_s
        if fitted_s is None:
            return None
        warmth = 0.5 ** (max((self.mean_c or KIND_C) - KIND_C, 0.0) / HALVING_C)
        early, usual, late = (fitted_s + years * warmth * YEAR_S for years in LIFE_YEARS)
        found = ReplaceBy(usual, early, late)
        if self.mean_c is not None and self.mean_c > KIND_C:
            return found, say("worn_life_warm", degrees=f"{self.mean_c:.0f}")
        return found, say("worn_life")

    def worn(self, now_s: float) -> str | None:
        """Why the battery should be replaced, or None."""
        if self.worn_said:
            return say("worn_asks")
        if self.test == "failed":
            return say("worn_test")
        if self.belief.discharges >= LEAST_DISCHARGES and self.belief.interval()[1] < FLOOR:
            low, high = self.belief.interval()
            return say("worn_shows", low=f"{low * 100:.0f}", high=f"{high * 100:.0f}")
        found = self.replace_by()
        if found is not None and found[0].expected_s <= now_s:
            return say("worn_past", what=found[1])
        return None

    def untested_days(self, now_s: float) -> float | None:
        """Days since the last test where that is longer than the owner wants; None otherwise."""
        if self.plan.self_test_days is None or self.watched_s is None:
            return None
        since_s = max(self.tested_s or 0.0, self.watched_s if self.tested_s is None else 0.0)
        days = (now_s - since_s) / DAY_S
        return days if days > self.plan.self_test_days else None

    # ---- kept ------------------------------------------------------------------------------------------------

    def as_dict(self) -> dict[str, Any]:
        """All that is learned, for the journal."""
        return {
            "health": [self.health.log_mean, self.health.log_sd, self.health.discharges],
            "taught_s": self.taught_s,
            "seen": [list(row) for row in self.seen],
            "promises": [list(row) for row in self.promises],
            "tested_s": self.tested_s,
            "watched_s": self.watched_s,
            "mean_c": self.mean_c,
            "test": self.test,
            "said_fitted_s": self.said_fitted_s,
        }

    def restore(self, doc: dict[str, Any], now_s: float) -> None:
        """Back from `as_dict`."""
        log_mean, log_sd, discharges = doc["health"]
        self.health = Health(float(log_mean), float(log_sd), int(discharges))
        self.taught_s, self.tested_s, self.watched_s = doc["taught_s"], doc["tested_s"], doc["watched_s"]
        self.mean_c = doc.get("mean_c")
        self.test, self.said_fitted_s = doc.get("test"), doc.get("said_fitted_s")
        self.seen = [_three(row) for row in doc["seen"]]
        self.promises = [(float(row[0]), float(row[1])) for row in doc["promises"]]
        self.age(now_s)


def _three(row: Sequence[float]) -> tuple[float, float, float]:
    at_s, value, sd = row
    return float(at_s), float(value), float(sd)
