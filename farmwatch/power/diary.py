"""The diary of outages: how long each lasted and what class that is, what it did, and what to expect of the next.

Classes by duration and depth are those of IEEE 1159-2009, table 2 (by way of a power meter's manual that reprints
it). Indices have the form of IEEE 1366, with machines in place of customers.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

from farmwatch.alarms.texts import say
from farmwatch.alarms.wording import clock, duration, fit, names, percent, plain, zone
from farmwatch.machines.state import BUSY
from farmwatch.machines.tracker import MachineTrack
from farmwatch.power.outage_record import SUPPLY, Outage

MOMENTARY_S, TEMPORARY_S = 3.0, 60.0
INTERRUPTED_S = 300.0
"""IEEE 1366 counts interruptions of more than five minutes; IEEE 1159 calls sustained what lasts over one."""
KEPT = 500
REPORT_MAX = 240
FATES: dict[str, str] = {
    "went_on": "the build goes on",
    "finished": "the build ended well while it lasted",
    "stopped": "the build is lost, or the machine lost its supply in the middle of it",
    "unseen": "nothing has been heard of it yet",
    "idle": "no build was in hand",
}


# ---- classes of IEEE 1159 -----------------------------------------------------------------------------------------


def class_of(seconds: float) -> str:
    """Class of an interruption by its duration: momentary to 3 s, temporary to 1 min, sustained above.

    >>> class_of(3.0), class_of(3.01), class_of(60.0), class_of(60.1)
    ('momentary', 'temporary', 'temporary', 'sustained')
    """
    return "momentary" if seconds <= MOMENTARY_S else "temporary" if seconds <= TEMPORARY_S else "sustained"


def classes_of(least_s: float, most_s: float) -> tuple[str, ...]:
    """Every class that a duration between these two may have, the shortest first."""
    order = ("momentary", "temporary", "sustained")
    return order[order.index(class_of(least_s)) : order.index(class_of(most_s)) + 1]


def event_of(seconds: float, share: float, hertz: float = 50.0) -> str:
    """Name of an event by duration and what is left of the nominal voltage (`share`, 0 to 1.1).

    >>> event_of(0.6, 0.5), event_of(0.61, 0.5), event_of(61, 0.85), event_of(3.0, 0.0)
    ('instantaneous sag', 'momentary sag', 'undervoltage', 'momentary interruption')
    """
    if share < 0.1:
        return f"{class_of(seconds)} interruption"
    if share > 0.9:
        return "none"
    if seconds > TEMPORARY_S:
        return "undervoltage"
    if seconds * hertz <= 30.0:
        return "instantaneous sag"
    return f"{class_of(seconds)} sag"


# ---- what it did ------------------------------------------------------------------------------------------------


def at_stake(outage: Outage, machines: Mapping[str, MachineTrack]) -> None:
    """Note the builds that are in hand at the machines it touches; those noted before stay while it touches them."""
    outage.builds = {name: build for name, build in outage.builds.items() if name in outage.machines}
    for name in outage.machines:
        build = machines[name].build
        if build is not None:
            outage.builds.setdefault(name, build.id)


def settle(outage: Outage, machines: Mapping[str, MachineTrack]) -> None:
    """Say how it ended for each machine that it touched; may be done again when more has been heard.

    A machine that lost its supply in mid-build has stopped unless it says itself that it prints: its plug alone
    cannot tell a build that goes on from a machine that starts up.
    """
    outage.fates, outage.stopped_at = {}, {}
    for name in outage.machines:
        fate = _fate(outage, machines[name])
        outage.fates[name] = fate
        if fate == "stopped":
            machine = machines[name]
            build = machine.build if machine.build is not None else machine.last_build
            outage.stopped_at[name] = build.progress if build is not None else None
    if outage.likely_s is not None:
        outage.class_ = class_of(outage.likely_s)


def _fate(outage: Outage, machine: MachineTrack) -> str:
    held = outage.builds.get(machine.name)
    if held is None:
        return "idle"
    build, last = machine.build, machine.last_build
    if build is not None and build.id == held:
        if machine.name in outage.dark:
            return "went_on" if machine.word("state") in BUSY else "stopped"
        return "went_on" if machine.state in BUSY else "unseen"
    if last is not None and last.id == held:
        dark_s = outage.dark.get(machine.name)
        in_time = dark_s is None or last.ended_s is None or last.ended_s <= dark_s
        return "finished" if last.result == "done" and in_time else "stopped"
    return "unseen"


# ---- reports ----------------------------------------------------------------------------------------------------


def what_is_back(outage: Outage) -> str:
    """What is back, for a title."""
    place = plain(outage.place)
    if outage.cause == "circuit":
        return say("back_circuit", place=place)
    if outage.cause == "backup":
        return say("back_backup", place=place)
    return say("back_power")


def report(outage: Outage, restart: str = "") -> tuple[str, str]:
    """Title and text of the all-clear: what went on, what stopped and where. At most 240 characters in all.

    `restart` is a sentence on what to start again and when; it is left out where it has no room.
    """
    lasted_s = outage.likely_s if outage.likely_s is not None else 0.0
    title = fit(say("back_after", what=what_is_back(outage), lasted=duration(lasted_s)), 60)
    by_fate = by_fate_of(outage)
    went_on, stopped = by_fate["went_on"], by_fate["stopped"]
    parts = []
    if stopped:
        where = [f"{name}{_at(outage, name)}" for name in stopped]
        parts.append(say("back_stopped", names=names(where, 6), number=len(where)))
    said = len(parts)
    if went_on:
        parts.append(say("back_went_on", number=len(went_on)))
    if by_fate["finished"]:
        parts.append(say("back_finished", names=names(by_fate["finished"], 3)))
    if by_fate["unseen"]:
        parts.append(say("back_unseen", names=names(by_fate["unseen"], 3)))
    if not outage.builds:
        parts.append(say("back_no_build"))
    room = REPORT_MAX - len(title) - 1
    if stopped and restart and len(" ".join([*parts, restart])) <= room:
        parts.insert(said, restart)
    return title, fit(" ".join(parts), room)


def by_fate_of(outage: Outage) -> dict[str, list[str]]:
    """Fate (a key of FATES): the machines that had it."""
    found: dict[str, list[str]] = {fate: [] for fate in FATES}
    for name, fate in outage.fates.items():
        found[fate].append(name)
    return found


def _at(outage: Outage, name: str) -> str:
    share = outage.stopped_at.get(name)
    return "" if share is None else say("back_at", share=percent(share))


def lines(outage: Outage, timezone: str, restart: Sequence[str] = ()) -> list[str]:
    """The longer report for the page. `restart` names the machines to start again, in order."""
    when, title = clock(outage.started_s, timezone), title_of(outage.cause, outage.place)
    if outage.ended_s is None:
        found = [f"{title}, since {when}."]
    else:
        found = [f"{title}, {when} to {clock(outage.ended_s, timezone)}, {_lasted(outage)}."]
    if outage.evidence:
        found.append(f"Why: {outage.evidence[0]}.")
    if outage.evidence[1:]:
        found.append(f"For it: {'; '.join(outage.evidence[1:])}.")
    if outage.against:
        found.append(f"Against it: {'; '.join(outage.against)}.")
    if len(outage.odds) > 1:
        found.append("Odds: " + ", ".join(f"{name} {percent(p)}" for name, p in outage.odds.items()) + ".")
    if outage.low_v is not None:
        found.append(f"Least voltage seen there: {outage.low_v:.0f} V.")
    by_fate = by_fate_of(outage)
    for fate, head in (("went_on", "Went on"), ("finished", "Ended well meanwhile"), ("unseen", "No word yet from")):
        if by_fate[fate]:
            found.append(f"{head}: {names(by_fate[fate], 30)}.")
    if by_fate["stopped"]:
        where = [f"{name}{_at(outage, name)}" for name in by_fate["stopped"]]
        found.append(f"Stopped, check the beds: {names(where, 30)}.")
    if outage.dark:
        rows = [f"{name} from {clock(at_s, timezone)}" for name, at_s in outage.dark.items()]
        found.append(f"Without supply: {names(rows, 30)}.")
    if restart:
        found.append(f"Start again in this order: {names(list(restart), 30)}.")
    return found


def title_of(cause: str, place: str) -> str:
    """What was lost, as a title.

    >>> title_of("circuit", "west")
    'Circuit west lost'
    """
    place = plain(place)
    return {
        "site": "Mains lost", "circuit": f"Circuit {place} lost", "backup": f"Backup {place} alone",
        "blip": "A short loss of supply", "broker": "MQTT broker lost", "machine": f"No word from {place}",
        "network": "Network lost" if place == "site" else f"No word over {place}",
        "plug": f"No word from the plug of {place}", "collector": "The collector was away",
    }[cause]  # fmt: skip


def _lasted(outage: Outage) -> str:
    likely_s, least_s, most_s = outage.likely_s, outage.least_s, outage.most_s
    if likely_s is None or least_s is None or most_s is None:
        return "duration unknown"
    words = duration(likely_s)
    if duration(least_s) != duration(most_s):
        words += f" (between {duration(least_s)} and {duration(most_s)})"
    if outage.cause in SUPPLY:
        words += f", {' or '.join(classes_of(least_s, most_s))}"
    return words


# ---- rows, indices, expectations ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Row:
    """One line of the diary. `interrupted_s`: for each machine that had no supply, how long."""

    id: str
    cause: str
    place: str
    started_s: float
    ended_s: float
    least_s: float
    likely_s: float
    most_s: float
    interrupted_s: dict[str, float] = field(default_factory=dict)
    stopped: list[str] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """All fields, for the journal."""
        return asdict(self)

    @classmethod
    def from_dict(cls, doc: dict[str, Any]) -> "Row":
        """The reverse of `as_dict`."""
        return cls(**{name: doc[name] for name in cls.__slots__ if name in doc})


def row_of(outage: Outage) -> Row | None:
    """The diary's line of an outage that is over; None for one that is not, or was part of another."""
    if outage.ended_s is None or outage.likely_s is None or outage.part_of is not None:
        return None
    dark = {name: max(0.0, outage.ended_s - at_s) for name, at_s in outage.dark.items()}
    stopped = [name for name, fate in outage.fates.items() if fate == "stopped"]
    least_s, most_s = outage.least_s or 0.0, outage.most_s or 0.0
    return Row(
        outage.id, outage.cause, outage.place, outage.started_s, outage.ended_s, least_s, outage.likely_s, most_s,
        dark, stopped,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Indices:
    """Reliability over a period, for `machines` machines.

    saifi: interruptions a machine; saidi_min: minutes without supply a machine; caidi_min: minutes an
    interruption, None if there was none.
    """

    machines: int
    saifi: float
    saidi_min: float
    caidi_min: float | None


def indices(events: Iterable[tuple[float, float]], machines: int) -> Indices:
    """Indices of events as (machines hit, minutes each); ValueError without a machine.

    IEEE 1366: SAIFI = sum N / N_T, SAIDI = sum N d / N_T, CAIDI = SAIDI / SAIFI.
    """
    if machines < 1:
        raise ValueError(f"indices of {machines} machines")
    rows = list(events)
    hit = sum(number for number, _ in rows)
    minutes = sum(number * each for number, each in rows)
    return Indices(machines, hit / machines, minutes / machines, minutes / hit if hit else None)


@dataclass(frozen=True, slots=True)
class Chance:
    """A probability and its standard deviation, from so many own outages."""

    p: float
    sd: float
    outages: int


PRIOR_MEDIAN_S, PRIOR_SIGMA, PRIOR_OUTAGES = 240.0, 2.0, 5.0
"""Before a site has outages of its own: lognormal, median four minutes, 90 % between 9 s and 1 h 47 min, worth
five outages (common practice, no source: most are short, a few last hours)."""


def prior_longer(seconds: float) -> float:
    """Prior chance that an outage lasts longer than this."""
    if seconds <= 0:
        return 1.0
    return 0.5 * math.erfc((math.log(seconds) - math.log(PRIOR_MEDIAN_S)) / (PRIOR_SIGMA * math.sqrt(2.0)))


def lasts_longer(lasted_s: Iterable[float], than_s: float, so_far_s: float = 0.0) -> Chance:
    """Chance that an outage lasts longer than `than_s`, given that it has lasted `so_far_s`.

    A Dirichlet process around the prior (Ferguson 1973): with prior weight w and S0, and n own durations, the
    chance has a beta distribution with a = w S0(t) + #{d > t} and a + b = w S0(s) + #{d > s}.
    """
    own = list(lasted_s)
    if than_s <= so_far_s:
        return Chance(1.0, 0.0, len(own))
    beyond = PRIOR_OUTAGES * prior_longer(than_s) + sum(d > than_s for d in own)
    at_all = PRIOR_OUTAGES * prior_longer(so_far_s) + sum(d > so_far_s for d in own)
    if at_all <= 0.0:  # beyond anything that a float can tell of the prior's tail
        return Chance(0.5, 0.5, len(own))
    p = min(1.0, beyond / at_all)
    return Chance(p, math.sqrt(p * (1.0 - p) / (at_all + 1.0)), len(own))


class Diary:
    """All outages that are over, by id."""

    def __init__(self, machines: int) -> None:
        self._machines = machines
        self.rows: dict[str, Row] = {}

    def add(self, row: Row) -> list[str]:
        """Write or replace a line; the ids of lines that fall off the end."""
        self.rows[row.id] = row
        ids = sorted(self.rows, key=lambda name: self.rows[name].started_s)
        old = ids[: max(0, len(ids) - KEPT)]
        for name in old:
            del self.rows[name]
        return old

    def counts(self) -> dict[str, int]:
        """How often each cause stands in it."""
        found: dict[str, int] = {}
        for row in self.rows.values():
            found[row.cause] = found.get(row.cause, 0) + 1
        return found

    def durations_s(self) -> list[float]:
        """How long mains and circuits were gone, blips left out."""
        return [row.likely_s for row in self.rows.values() if row.cause in ("site", "circuit")]

    def lasts_longer(self, than_s: float, so_far_s: float = 0.0) -> Chance:
        """Chance that a loss of mains or of a circuit lasts longer, by this site's own and the prior."""
        return lasts_longer(self.durations_s(), than_s, so_far_s)

    def indices(self, from_s: float, to_s: float, longer_s: float = INTERRUPTED_S) -> Indices:
        """Indices of the interruptions of more than `longer_s` seconds that began in [from_s, to_s)."""
        events = [
            (1.0, lasted_s / 60.0)
            for row in self.rows.values()
            if row.cause in SUPPLY and from_s <= row.started_s < to_s
            for lasted_s in row.interrupted_s.values()
            if lasted_s > longer_s
        ]
        return indices(events, self._machines)

    def year(self, year: int, timezone: str) -> Indices:
        """Indices of a calendar year at the site."""
        start, end = (datetime(y, 1, 1, tzinfo=zone(timezone)).astimezone(UTC).timestamp() for y in (year, year + 1))
        return self.indices(start, end)

    def years(self, timezone: str) -> list[int]:
        """The calendar years of which it tells, the newest first."""
        at = zone(timezone)
        return sorted({datetime.fromtimestamp(r.started_s, UTC).astimezone(at).year for r in self.rows.values()})[::-1]

    def short(self, year: int, timezone: str) -> int:
        """Losses of supply in a year that no machine, or none for more than five minutes, was without supply by."""
        at = zone(timezone)
        return sum(
            row.cause in SUPPLY
            and datetime.fromtimestamp(row.started_s, UTC).astimezone(at).year == year
            and all(lasted_s <= INTERRUPTED_S for lasted_s in row.interrupted_s.values())
            for row in self.rows.values()
        )
