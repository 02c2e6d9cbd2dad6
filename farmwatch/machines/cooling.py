"""When a bed has cooled enough to be cleared.

A build that is over is not a bed that can be cleared: parts let go of the bed below a temperature that
depends on the feedstock.  With a bed sensor the machine's own cooling curve is fitted; without one the
material's default and a usual cooling time stand in, with a wide interval.

Model: Newton's law of cooling, T(t) = Ta + (T0 - Ta) exp(-t / tau), so that the bed passes Tr at
t = tau ln((T0 - Ta) / (Tr - Ta)).  The fit is Gauss-Newton towards the posterior mode with normal priors on
T0, ln tau and Ta; the interval is the delta method on its covariance (G. Seber and C. Wild, *Nonlinear
Regression*, 1989, chapters 2 and 5).

The temperatures in ``MATERIALS`` are common practice, no source; they differ between makers and beds and are
meant to be edited.  A bed below its release temperature can still burn or cut; let the part tell you.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from farmwatch.words.timers import CLOCK_BACK_S

NORMAL_80 = 1.2815515655446004  # z of the 10 % and 90 % points
HEAT_OFF_DROP_C = 1.0  # below the hottest reading by so much, the bed is cooling
APART_S = 20.0  # readings this far apart leave time in which the curve knows more than the last of them
SURE_S = 90.0  # half width of the 80 % interval up to which the curve's own instant is good enough: nobody walks faster
HELD_S = 120.0  # a bed that stays within HEAT_OFF_DROP_C of its hottest for so long is still heated
KEEP = 48  # readings kept; when full every second one is dropped


@dataclass(frozen=True, slots=True)
class Material:
    """Bed while printing and bed at which parts let go, both in Celsius (common practice, no source)."""

    bed_c: float
    release_c: float


MATERIALS: dict[str, Material] = {
    "PLA": Material(57.0, 38.0),
    "PETG": Material(78.0, 45.0),
    "ABS": Material(100.0, 55.0),
    "ASA": Material(100.0, 55.0),
    "TPU": Material(50.0, 35.0),
    "PA": Material(85.0, 50.0),
    "PC": Material(110.0, 70.0),
}
UNKNOWN_MATERIAL = Material(65.0, 40.0)

# ln tau ~ N(ln 15 min, 0.45): a usual bed takes some 6 to 35 min (common practice, no source).
TAU_PRIOR_S, TAU_PRIOR_SD = 900.0, 0.45
ROOM_PRIOR_C, ROOM_PRIOR_SD = 22.0, 5.0
NOISE_C = 0.4  # a bed sensor's scatter and what the one-time-constant model leaves unexplained


@dataclass(frozen=True, slots=True)
class Release:
    """When the bed passes the release temperature: epoch seconds, None where it cannot be told."""

    p10_s: float | None
    p50_s: float | None
    p90_s: float | None
    release_c: float
    basis: str


def release_of(material: str | None, table: dict[str, Material] | None = None) -> Material:
    """Row of a material; "PLA+", "pla silk" and "PA12" find PLA and PA; unknown ones the cautious row."""
    rows = MATERIALS if table is None else table
    name = (material or "").strip().upper()
    if name in rows:
        return rows[name]
    fits = [key for key in rows if name.startswith(key)]
    return rows[max(fits, key=len)] if fits else UNKNOWN_MATERIAL


def cooling_time(start_c: float, release_c: float, room_c: float, tau_s: float) -> float | None:
    """Seconds from ``start_c`` down to ``release_c``; 0 if already there, None if the room is too warm."""
    if start_c <= release_c:
        return 0.0
    if release_c <= room_c:
        return None
    return tau_s * math.log((start_c - room_c) / (release_c - room_c))


def default_release(
    ended_s: float,
    material: str | None,
    *,
    release_c: float | None = None,
    room_c: float = ROOM_PRIOR_C,
    tau_s: float = TAU_PRIOR_S,
    tau_sd: float = TAU_PRIOR_SD,
) -> Release:
    """Release time without a bed sensor, from the material's row and a usual (or learnt) cooling time."""
    row = release_of(material)
    goal = row.release_c if release_c is None else release_c
    name = material.strip() if material and material.strip() else "unknown material"
    wait = cooling_time(row.bed_c, goal, room_c, tau_s)
    if wait is None:
        return Release(None, None, None, goal, f"the room ({room_c:.0f} C) is not below {goal:.0f} C")
    spread = math.exp(NORMAL_80 * tau_sd)
    basis = f"no bed sensor: usual cooling for {name} ({row.bed_c:.0f} to {goal:.0f} C), a default to edit"
    return Release(ended_s + wait / spread, ended_s + wait, ended_s + wait * spread, goal, basis)


def after(finish: tuple[float | None, float, float | None], cooled: Release) -> Release:
    """Release after a finish that is itself only known as p10, p50, p90 (epoch seconds), ``cooled`` from its p50.

    Finish and cooling err independently, so that their spreads add as squares; without both there is no range.
    """
    low_s, middle_s, high_s = finish
    if cooled.p50_s is None or low_s is None or high_s is None or cooled.p10_s is None or cooled.p90_s is None:
        return Release(None, cooled.p50_s, None, cooled.release_c, cooled.basis)
    early_s = math.hypot(middle_s - low_s, cooled.p50_s - cooled.p10_s)
    late_s = math.hypot(high_s - middle_s, cooled.p90_s - cooled.p50_s)
    return Release(cooled.p50_s - early_s, cooled.p50_s, cooled.p50_s + late_s, cooled.release_c, cooled.basis)


@dataclass(frozen=True, slots=True)
class Fit:
    """Fitted cooling curve at ``start_s``: temperatures in Celsius, covariance of (T0, ln tau, Ta)."""

    start_s: float
    start_c: float
    tau_s: float
    room_c: float
    covariance: tuple[tuple[float, ...], ...]
    noise_c: float

    def at(self, t_s: float) -> float:
        """Temperature the curve gives at an instant."""
        return self.room_c + (self.start_c - self.room_c) * math.exp(-(t_s - self.start_s) / self.tau_s)

    def release(self, goal_c: float) -> tuple[float, float] | None:
        """Instant at which the curve passes ``goal_c`` and its standard error in s; None if it never does."""
        above, left = self.start_c - self.room_c, goal_c - self.room_c
        if above <= 0.0 or left <= 0.0:
            return None
        log = math.log(above / left)
        slope = (self.tau_s / above, self.tau_s * log, self.tau_s * (1.0 / left - 1.0 / above))
        rows = ((slope[i] * slope[j] * self.covariance[i][j] for j in range(3)) for i in range(3))
        variance = sum(sum(row) for row in rows)
        return self.start_s + self.tau_s * log, math.sqrt(max(variance, 0.0))


@dataclass(slots=True)
class Cooling:
    """One machine's cooling: the readings of the present cool-down and the time constant learnt before.

    Call `start` when the heaters drop, `observe` with every bed reading, `release` when asked, `finish`
    when the bed was cleared or heated again (then the time constant is remembered).
    """

    room_c: float = ROOM_PRIOR_C
    room_sd: float = ROOM_PRIOR_SD
    tau_log: float = math.log(TAU_PRIOR_S)
    tau_sd: float = TAU_PRIOR_SD
    learned: int = 0
    ended_s: float = 0.0
    points: list[tuple[float, float]] = field(default_factory=list)
    spacing_s: float = 5.0
    _fit: Fit | None = None

    def start(self, at_s: float) -> None:
        """The heaters dropped."""
        self.ended_s, self.points, self.spacing_s, self._fit = at_s, [], 5.0, None

    def observe(self, at_s: float, bed_c: float) -> None:
        """A bed reading.  A hotter one than before starts the curve anew (the bed was still heated)."""
        if not math.isfinite(bed_c):
            return
        if at_s < self.ended_s - CLOCK_BACK_S:  # the end lies far ahead: the clock has been set back since
            self.start(at_s)
        if at_s < self.ended_s:
            return
        if self.points and bed_c > self.points[-1][1] + HEAT_OFF_DROP_C:
            self.points.clear()
        if self.points and at_s - self.points[-1][0] < self.spacing_s:
            return
        self.points.append((at_s, bed_c))
        self._fit = None
        if len(self.points) > KEEP:
            self.points = self.points[::2]
            self.spacing_s *= 2.0

    def fit(self) -> Fit | None:
        """The curve through the readings since the bed began to fall; None before there are three."""
        if self._fit is None and len(falling := self._falling()) >= 3:
            self._fit = fit_curve(falling, (self.tau_log, self.tau_sd), (self.room_c, self.room_sd))
        return self._fit

    def _falling(self) -> list[tuple[float, float]]:
        """The readings without those of a bed that was still held hot after the end: they are on no curve."""
        points = self.points
        if not points:
            return points
        hot_c = max(bed_c for _, bed_c in points) - HEAT_OFF_DROP_C
        last = max(number for number, (_, bed_c) in enumerate(points) if bed_c >= hot_c)
        return points[last:] if points[last][0] - points[0][0] >= HELD_S else points

    def release(self, now_s: float, material: str | None, release_c: float | None = None) -> Release:
        """When the bed can be cleared; instants may lie in the past once it has cooled."""
        goal = release_of(material).release_c if release_c is None else release_c
        if self.points and self.points[-1][1] <= goal:
            at = next(t for t, c in self.points if c <= goal)
            return Release(at, at, at, goal, f"bed at {self.points[-1][1]:.0f} C, below {goal:.0f} C")
        fit = self.fit()
        if fit is None:
            return self.usual(self.ended_s or now_s, material, goal)
        passed = fit.release(goal)
        if passed is None:
            return Release(None, None, None, goal, f"the bed levels off at {fit.room_c:.0f} C, not below {goal:.0f}")
        at, error = passed
        half = NORMAL_80 * error
        low, middle, high = (max(now_s, v) for v in (at - half, at, at + half))
        return Release(low, middle, high, goal, f"the bed's own cooling curve, {len(self.points)} readings")

    def foreseen_s(self, goal_c: float) -> float | None:
        """When the bed passes ``goal_c`` before its next reading, by a good fit; None where the reading must say it.

        Only where readings lie so far apart that waiting for the next would tell late, and where the last one has the
        goal within its reach: a fit for each reading would cost too much.
        """
        if len(self.points) < 4 or self.points[-1][1] <= goal_c:
            return None
        (before_s, before_c), (last_s, last_c) = self.points[-2:]
        apart_s, fallen_c = last_s - before_s, before_c - last_c
        if apart_s < APART_S or last_c - goal_c > 2.0 * max(fallen_c, 0.0) + NOISE_C:
            return None
        fit = self.fit()
        passed = fit.release(goal_c) if fit is not None else None
        if passed is None or NORMAL_80 * passed[1] > SURE_S or passed[0] >= last_s + apart_s:
            return None
        return passed[0]

    def usual(self, ended_s: float, material: str | None, release_c: float | None = None) -> Release:
        """When a bed can be cleared whose build ends at ``ended_s``: by the usual time, or this machine's own."""
        found = default_release(
            ended_s,
            material,
            release_c=release_c,
            room_c=self.room_c,
            tau_s=math.exp(self.tau_log),
            tau_sd=self.tau_sd,
        )
        if not self.learned or found.p50_s is None:
            return found
        times = f"{self.learned} time{'s' * (self.learned > 1)}"
        basis = f"how this bed cooled {times} before, to {found.release_c:.0f} C"
        return Release(found.p10_s, found.p50_s, found.p90_s, found.release_c, basis)

    def finish(self) -> None:
        """Remember this cool-down's time constant (the mean of what was seen, its spread shrinking to 10 %)."""
        fit = self.fit()
        if fit is not None and fit.covariance[1][1] < 0.15**2:
            self.learned += 1
            part = 1.0 / (min(self.learned, 10) + 0.5)
            self.tau_log += part * (math.log(fit.tau_s) - self.tau_log)
            self.tau_sd = max(0.1, self.tau_sd * 0.7)
        self.points, self._fit = [], None

    def as_dict(self) -> dict[str, object]:
        """State for the journal."""
        return {
            "room_c": self.room_c,
            "tau_log": self.tau_log,
            "tau_sd": self.tau_sd,
            "learned": self.learned,
            "ended_s": self.ended_s,
            "points": [list(point) for point in self.points],
            "spacing_s": self.spacing_s,
        }

    @classmethod
    def from_dict(cls, state: dict[str, object]) -> Cooling:
        """Back from `as_dict`; missing keys keep their defaults, wrong types raise TypeError or ValueError."""
        self = cls()
        for name in ("room_c", "tau_log", "tau_sd", "ended_s", "spacing_s"):
            if name in state:
                setattr(self, name, _number(state[name]))
        self.learned = int(_number(state.get("learned", 0)))
        points = state.get("points", [])
        if not isinstance(points, list):
            raise TypeError("points must be a list of [time, temperature]")
        self.points = [(_number(t), _number(c)) for t, c in points]
        return self


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError(f"a number is needed, not {type(value).__name__}")
    return float(value)


def fit_curve(
    points: list[tuple[float, float]],
    tau: tuple[float, float] = (math.log(TAU_PRIOR_S), TAU_PRIOR_SD),
    room: tuple[float, float] = (ROOM_PRIOR_C, ROOM_PRIOR_SD),
) -> Fit:
    """Posterior mode of (T0, ln tau, Ta).  ``tau``: mean and sd of ln tau; ``room``: of Ta in Celsius.

    At least three readings (s, C).  The noise is taken from the residuals, never below ``NOISE_C``.
    """
    start_s = points[0][0]
    values = [points[0][1], tau[0], min(room[0], min(c for _, c in points) - 0.5)]
    noise = NOISE_C
    covariance: tuple[tuple[float, ...], ...] = ()
    for _ in range(25):
        normal, gradient, squares = _normal_equations(points, values, noise, tau, room)
        covariance = _inverse(normal)
        moves = [sum(c * g for c, g in zip(row, gradient, strict=True)) for row in covariance]
        # A long step in ln tau overshoots on a nearly straight piece of curve.
        damp = min(1.0, 0.5 / max(abs(moves[1]), 1e-12))
        values = [v + damp * m for v, m in zip(values, moves, strict=True)]
        values[1] = min(max(values[1], math.log(30.0)), math.log(86400.0))
        noise = max(NOISE_C, math.sqrt(squares / max(1, len(points) - 2)))
        if all(abs(m) < 1e-7 for m in moves):
            break
    return Fit(start_s, values[0], math.exp(values[1]), values[2], covariance, noise)


def _normal_equations(
    points: list[tuple[float, float]],
    values: list[float],
    noise: float,
    tau: tuple[float, float],
    room: tuple[float, float],
) -> tuple[list[list[float]], list[float], float]:
    """Curvature, gradient of the log posterior, and the sum of squared residuals."""
    start_c, log_tau, room_c = values
    tau_s, precision, start_s = math.exp(log_tau), 1.0 / noise**2, points[0][0]
    normal = [[0.0] * 3 for _ in range(3)]
    gradient, squares = [0.0] * 3, 0.0
    for t_s, c in points:
        run = (t_s - start_s) / tau_s
        fall = math.exp(-run)
        miss = c - (room_c + (start_c - room_c) * fall)
        slope = (fall, (start_c - room_c) * fall * run, 1.0 - fall)
        squares += miss * miss
        for i in range(3):
            gradient[i] += precision * slope[i] * miss
            for j in range(3):
                normal[i][j] += precision * slope[i] * slope[j]
    normal[0][0] += 1e-9
    for index, (mean, sd) in ((1, tau), (2, room)):
        normal[index][index] += 1.0 / sd**2
        gradient[index] += (mean - values[index]) / sd**2
    return normal, gradient, squares


def _inverse(m: list[list[float]]) -> tuple[tuple[float, ...], ...]:
    """Inverse of a symmetric positive definite 3 x 3 matrix by cofactors."""
    (a, b, c), (_, d, e), (_, _, f) = m
    cofactors = (
        (d * f - e * e, c * e - b * f, b * e - c * d),
        (c * e - b * f, a * f - c * c, b * c - a * e),
        (b * e - c * d, b * c - a * e, a * d - b * b),
    )
    determinant = a * cofactors[0][0] + b * cofactors[0][1] + c * cofactors[0][2]
    return tuple(tuple(value / determinant for value in row) for row in cofactors)
