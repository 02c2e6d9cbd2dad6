"""Simulated losses of supply and of sight over Saltmarsh Works, with faults mixed in; the brain's answer to each.

Twelve machines with twelve plugs behind four backups on two circuits, and a load without a backup on each. Every
case is drawn from its number alone.
"""

import heapq
import random
from dataclasses import dataclass, field, replace

from farm import BACKUPS, NAMES, PANEL, PLUG, T0, Driver
from farm import plan as small_plan

from farmwatch.power.outage_record import SUPPLY
from farmwatch.words.model import Awoke, LoadPlan, Observed, SourceFailed, SourcePlan

KINDS = (
    ("site", 0.32), ("circuit", 0.14), ("circuit+broker", 0.10), ("backup", 0.10), ("broker", 0.08), ("network", 0.08),
    ("segment", 0.06), ("asleep", 0.06), ("blip", 0.06),
)  # fmt: skip
LOADS = {"fans": "west", "dryer": "east"}
HTTP_PANELS, HTTP_PLUGS = ("fulmar", "heron", "knot"), ("eider", "knot")
EXPECTED = {"circuit+broker": "circuit", "segment": "network", "asleep": "collector"}
UNTOLD = ("blip", "asleep")


def _without_first(messages, rule):
    at = next((i for i, m in enumerate(messages) if m.rules == (rule,)), None)
    return messages if at is None else messages[:at] + messages[at + 1 :]


def works():
    """The plan: machines by MQTT and HTTP, plugs with voltage, loads straight on the circuits."""
    site = small_plan(people=("ann", "bram"))
    sources = dict(site.sources)
    for name in NAMES:
        for kind, quantities, polled in (("panel", PANEL, HTTP_PANELS), ("plug", PLUG | {"voltage_v"}, HTTP_PLUGS)):
            via, every = ("http", 10.0) if name in polled else ("mqtt", 4.0)
            sources[f"{kind}.{name}"] = SourcePlan(f"{kind}.{name}", name, via, f"{kind}/{name}", every, quantities)
    for name in LOADS:
        sources[f"plug.{name}"] = SourcePlan(f"plug.{name}", name, "mqtt", f"plug/{name}", 4.0, PLUG | {"voltage_v"})
    return replace(site, sources=sources, loads={n: LoadPlan(n, circuit=c) for n, c in LOADS.items()})


@dataclass
class Case:
    """One incident: what really happens."""

    kind: str
    place: str
    start: float
    end: float
    rng: random.Random
    dead: set = field(default_factory=set)  # backups whose battery is dead from the first moment
    empty: dict = field(default_factory=dict)  # backup: when its battery is empty
    broker: tuple | None = None  # when the broker is away
    polled: bool = False  # whether any poll met a backup on battery: a short blip may pass between two
    lost: float = 0.0  # share of packets lost
    late: dict = field(default_factory=dict)  # source: how much later than sent

    @property
    def cause(self):
        return EXPECTED.get(self.kind, self.kind)

    def live(self, circuit, at):
        """Whether a circuit has supply."""
        if self.kind in ("site", "blip"):
            return not self.start <= at < self.end
        if self.cause == "circuit" and circuit == self.place:
            return not self.start <= at < self.end
        return True

    def input(self, backup, at):
        """Whether a backup is fed."""
        if self.kind == "backup" and backup == self.place:
            return not self.start <= at < self.end
        return self.live(BACKUPS[backup], at)

    def outlets(self, backup, at):
        """Whether what hangs on a backup has supply; a machine needs its time to be heard again."""
        if self.input(backup, at) and self.input(backup, at - 25.0):
            return True
        if backup in self.dead:
            return not self.start <= at < self.end + 25.0
        return not (backup in self.empty and self.empty[backup] <= at < self.end + 25.0)


def draw(number):
    """Case `number`."""
    rng = random.Random(f"outage {number}")
    kind = rng.choices([k for k, _ in KINDS], [w for _, w in KINDS])[0]
    start = T0 + 60.0 + rng.random() * 10.0
    lasts = rng.uniform(1.0, 2.0) if kind == "blip" else rng.choice((rng.uniform(25, 90), rng.uniform(90, 420)))
    if kind in ("broker", "network", "segment", "asleep"):
        lasts = rng.uniform(40.0, 300.0)
    end = start + lasts
    place = {"circuit": rng.choice(("west", "east")), "backup": rng.choice(sorted(BACKUPS)), "broker": "broker"}.get(
        kind.split("+")[0], "site"
    )
    place = {"segment": "http", "asleep": "collector"}.get(kind, place)
    if kind == "asleep":  # for less than a minute it has missed nothing worth a line
        end += 60.0
    if kind == "segment":  # a shorter one is written down and not told: some silence is usual
        end += 150.0
    case = Case(kind, place, start, end, rng, lost=rng.choice((0.0, 0.02, 0.1)))
    hit = [n for n in BACKUPS if not case.input(n, start)]
    if kind in ("site", "circuit", "circuit+broker") and rng.random() < 0.3:
        case.dead.add(rng.choice(hit))
    if kind == "site" and lasts > 120 and rng.random() < 0.3:
        case.empty[rng.choice(hit)] = start + rng.uniform(60.0, lasts)
    if kind == "circuit+broker" or (kind == "site" and rng.random() < 0.5):
        case.broker = (start + rng.uniform(0.0, 4.0), end + rng.uniform(5.0, 90.0))
    elif kind in ("broker", "network"):
        case.broker = (start, end)
    for name in NAMES:
        if rng.random() < 0.25:
            case.late[f"plug.{name}"] = rng.uniform(1.0, 8.0)
    return case


def steps(case, site, until):
    """(time, number, what) of everything that is sent, in order of arrival."""
    rng, heap = case.rng, []
    for number, source in enumerate(site.sources.values()):
        at = T0 + rng.random() * source.interval_s
        while at < until:
            if rng.random() >= case.lost:
                heap.append((at + case.late.get(source.id, 0.0), number, at, source))
            at += source.interval_s * rng.uniform(0.9, 1.1)
    heapq.heapify(heap)
    while heap:
        yield heapq.heappop(heap)


def say(case, day, source, at, now):
    """One source's turn."""
    subject, rng = source.subject, case.rng
    if source.via == "ups":
        held = case.start <= at and (subject in case.dead or (subject in case.empty and at >= case.empty[subject]))
        fed = case.input(subject, at)
        if held and not case.input(subject, at - 0.001):
            day.feed(SourceFailed(now, source.id, "DATA-STALE"))
            return
        hit = not case.input(subject, case.start)
        back = fed and hit and case.end <= at < case.end + 4.0  # mains must have been back for some seconds
        if back and subject in case.dead:
            day.feed(SourceFailed(now, source.id, "DATA-STALE"))
            return
        words = "OL CHRG" if fed and not back else "OB DISCHRG"
        case.polled = case.polled or words[1] == "B"
        day.feed(Observed(now, subject, source.id, {"status": words, "charge": 0.8, "runtime_s": 1200.0}))
        return
    direct = subject in LOADS
    supplied = case.live(LOADS[subject], at) if direct else case.outlets(day.site.machines[subject].backup, at)
    cut = case.broker is not None and case.broker[0] <= at < case.broker[1]
    if source.via == "mqtt" and (cut or not supplied):
        return
    apart = case.kind == "segment" and case.start <= at < case.end  # what hangs on one switch, polled over HTTP
    if source.via == "http" and (not supplied or apart or (case.kind == "network" and cut)):
        day.feed(SourceFailed(now, source.id, "no answer within 4 s"))
        return
    if source.id.startswith("panel"):
        values = {"state": "printing", "job": "frame-spacer", "progress": 0.4, "bed_c": 60.0}
    else:
        values = {"power_w": 110.0 + rng.random(), "voltage_v": 230.0 + rng.random()}
    day.feed(Observed(now, subject, source.id, values))


@dataclass
class Answer:
    """What the brain made of a case, for one person; `told` is the cause in the first message's title."""

    case: Case
    steps: list
    told: str
    noted: str
    others: list
    texts: list
    right: bool


def told_cause(messages):
    """The cause that the first message names."""
    if not messages:
        return "-"
    title = messages[0].title
    for start, cause in (
        ("Mains lost", "site"), ("Circuit", "circuit"), ("Backup", "backup"), ("MQTT", "broker"),
        ("Network", "network"), ("No word", "network"),
    ):  # fmt: skip
        if title.startswith(start):
            return cause
    return title


def answer(number):
    """Play a case through the brain."""
    case, site = draw(number), works()
    day = Driver(site)
    until = max(case.end, case.broker[1] if case.broker else 0.0) + 320.0
    day.broker(True, T0)
    links = sorted((at, on) for at, on in zip(case.broker or (), (False, True), strict=False))
    asleep = case.kind == "asleep"
    for now, _, at, source in steps(case, site, until):
        if case.kind == "asleep" and case.start <= now < case.end:
            continue
        if asleep and now >= case.end:
            asleep = False
            day.effects += day.brain.receive(Awoke(now, case.start), now)  # before any timer, as the daemon does
        while links and links[0][0] <= now:
            moment, on = links.pop(0)
            day.broker(on, moment)
        say(case, day, source, at, now)
    day.advance(until)
    mine = {person: [m for m in day.messages() if m.to == person] for person in site.people}
    if case.kind == "asleep":  # that it was blind for so long is told, once, and is no outage
        for sent in mine.values():
            sent[:] = _without_first(sent, "collector_restarted")
    messages = mine["ann"]
    notes = {n.doc["id"]: n.doc for n in day.notes("outage")}
    whole = [doc for doc in notes.values() if doc["part_of"] is None]
    best = min(whole, key=lambda d: abs(d["started"] - case.start), default=None)
    noted = "-" if best is None else best["cause"]
    if case.kind == "blip" and not case.polled:
        noted = "invented" if any(doc["cause"] in SUPPLY for doc in whole) else "blip"
        best = None
    expected_steps = [] if case.kind in UNTOLD else ["opened", "clear"]
    told = told_cause(messages)
    right = (
        [m.step for m in messages] == expected_steps
        and [m.title for m in mine["bram"]] == [m.title for m in messages]
        and noted == case.cause
        and (case.kind == "blip" or best["place"] == case.place)
        and (case.kind in UNTOLD or told == case.cause)
        and (best is None or best["ended"] is not None)
    )
    rest = [(d["cause"], d["place"]) for d in whole if d is not best]
    return Answer(case, [m.step for m in messages], told, noted, rest, [(m.title, m.text) for m in messages], right)
