"""What goes wrong when, and when the two people come by: tables drawn from the seed.

Days of trouble are counted from the world's start (day 0 is the first 24 hours), rounds by local days.
"""

from dataclasses import dataclass
from random import Random

from farmwatch.scenario.site import CIRCUITS, PEOPLE

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Fault:
    """A mishap: seconds into the day, what, where ("" lets the world choose), and how long it lasts."""

    offset_s: float
    kind: str
    place: str
    lasts_s: float


FIRST_DAY: tuple[tuple[str, float, float], ...] = (
    # kind, shortest and longest seconds
    ("run_out", 500.0, 1150.0),
    ("failed", 0.0, 0.0),
    ("site", 520.0, 560.0),
    ("blip", 2.0, 2.0),
    ("plug_silent", 1200.0, 1200.0),
    ("broker", 20.0, 20.0),
    ("garbage", 7.0, 9.0),
    ("plug_reboot", 8.0, 12.0),
    ("http_lost", 35.0, 55.0),
)
"""What every first day holds, in random order but for the first three, which need builds to happen to."""

SECOND_DAY = ("circuit", 480.0, 840.0)

LATER_DAYS: tuple[tuple[str, float, float, float], ...] = (
    # kind, chance on any later day, shortest and longest seconds
    ("run_out", 0.45, 300.0, 1200.0),
    ("failed", 0.35, 0.0, 0.0),
    ("blip", 0.20, 2.0, 2.0),
    ("site", 0.04, 60.0, 840.0),
    ("circuit", 0.03, 480.0, 840.0),
    ("plug_silent", 0.10, 600.0, 2400.0),
    ("broker", 0.06, 15.0, 60.0),
    ("network", 0.05, 90.0, 300.0),
    ("garbage", 0.15, 5.0, 9.0),
    ("plug_reboot", 0.10, 8.0, 12.0),
    ("http_lost", 0.15, 35.0, 90.0),
)


def faults(seed: int, day: int) -> list[Fault]:
    """The mishaps of a day in time order. They keep apart, so that each can be told from the others."""
    rng = Random(f"{seed} faults {day}")
    if day == 0:
        rows = list(FIRST_DAY[:3])
        rng.shuffle(rows)
        late = list(FIRST_DAY[3:])
        rng.shuffle(late)
        drawn = rows + late
    else:
        drawn = [(kind, low, high) for kind, chance, low, high in LATER_DAYS if rng.random() < chance]
        if day == 1:
            drawn = [SECOND_DAY, *(row for row in drawn if row[0] not in ("circuit", "site"))]
        rng.shuffle(drawn)
    slot_s = DAY_S / max(len(drawn), 1)
    found = []
    for number, (kind, low, high) in enumerate(drawn):
        offset_s = slot_s * (number + rng.uniform(0.15, 0.45))
        place = rng.choice(sorted(CIRCUITS)) if kind == "circuit" else ""
        found.append(Fault(offset_s, kind, place, rng.uniform(low, high)))
    return found


@dataclass(frozen=True, slots=True)
class Round:
    """Somebody walks along the machines: seconds into the local day, who."""

    offset_s: float
    person: str


def rounds(seed: int, local_day: int) -> list[Round]:
    """The two rounds of a local day: in the morning about half past seven, in the evening about half past six."""
    rng = Random(f"{seed} rounds {local_day}")
    morning_s = 7.5 * 3600 + max(-1500.0, min(1800.0, rng.gauss(0.0, 600.0)))
    evening_s = 18.5 * 3600 + max(-2400.0, min(3000.0, rng.gauss(0.0, 1100.0)))
    early = PEOPLE[(local_day + (rng.random() < 0.2)) % 2]
    late = PEOPLE[(local_day + 1 + (rng.random() < 0.2)) % 2]
    return [Round(morning_s, early), Round(evening_s, late)]
