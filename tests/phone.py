"""Simulated days as the phone has them: what each person is sent, held against what really happened."""

import math
import statistics
from collections import Counter
from dataclasses import dataclass, field
from importlib.resources import files

from farmwatch.alarms.hours import inside, local_day, parse
from farmwatch.assemble import build_engine
from farmwatch.replay import replayed
from farmwatch.scenario.world import World
from farmwatch.settings import load
from farmwatch.words.model import Message, Note

DAY_S = 86_400.0
START_S = 1_772_409_600.0  # 2026-03-02 00:00 UTC, and in London
ZONE = "Europe/London"
BLIP_S = 12.0
OVER_S = 300.0  # what is over by itself within so long nobody could have acted on


@dataclass
class Figures:
    """What was counted; lists are raw, so that several runs can be put together."""

    days: int = 0
    builds: int = 0
    interruptions: list = field(default_factory=list)  # a person and day
    messages: list = field(default_factory=list)
    quiet: int = 0  # messages in quiet hours about what is no danger
    incident: Counter = field(default_factory=Counter)  # messages of one incident to one person
    mains_s: list = field(default_factory=list)
    beds_s: list = field(default_factory=list)
    joined: int = 0
    missed: list = field(default_factory=list)
    false: list = field(default_factory=list)
    sent: int = 0  # incidents of this session or danger that were told
    over: int = 0  # of these, over within five minutes
    title: int = 0
    total: int = 0

    def add(self, other):
        for name, value in vars(other).items():
            mine = getattr(self, name)
            setattr(self, name, max(mine, value) if name in ("title", "total") else mine + value)


def play(seed, days, folder, interval_s=60.0):
    """So many days of one seed."""
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text("utf-8")
    path = folder / f"phone-{seed}.toml"
    path.write_text(text.replace("interval_s = 2\n", f"interval_s = {interval_s:g}\n"))
    world = World(seed, START_S, interval_s=interval_s, sample_s=0)
    engine = build_engine(load(str(path), live=False))
    end_s = START_S + days * DAY_S
    kept = [e for e in replayed(engine, world.inputs(START_S, end_s)) if isinstance(e, Message | Note)]
    messages = [e for e in kept if isinstance(e, Message)]
    acts = [
        e.at_s
        for e in kept
        if isinstance(e, Note) and e.kind == "alarm" and e.doc["alarm"] == "bed_waiting"
        and e.doc["previous"] == "unacknowledged"
    ]  # fmt: skip
    return count(world.truth, messages, acts, days, end_s)


def count(truth, messages, acts, days, end_s):
    """Figures of one run."""
    found = Figures(days=days, builds=sum(b.ended_s is not None and b.ended_s > START_S for b in truth.builds))
    quiet = (parse("22:00-07:00"),)
    dangers = {m.incident for m in messages if m.priority == "danger"}
    for person in ("ann", "bram"):
        mine = [m for m in messages if m.to == person]
        for day in range(days):
            date = local_day(START_S + (day + 0.5) * DAY_S, ZONE)
            today = [m for m in mine if local_day(m.at_s, ZONE) == date]
            found.messages.append(len(today))
            found.interruptions.append(sum(m.priority == "session" and m.incident not in dangers for m in today))
        found.quiet += sum(inside(quiet, m.at_s, ZONE) and m.incident not in dangers for m in mine)
        found.incident.update(
            Counter(m.incident for m in mine if m.step in ("opened", "more", "again", "clear")).values()
        )
    for message in messages:
        found.title = max(found.title, len(message.title))
        found.total = max(found.total, len(message.title) + 1 + len(message.text))
    _mains(found, truth, messages, end_s)
    _beds(found, truth, messages, acts, end_s, quiet)
    opened = {m.incident: m.at_s for m in reversed(messages) if m.step == "opened" and m.priority != "digest"}
    clear = {m.incident: m.at_s for m in messages if m.step == "clear"}
    told = {i: at for i, at in opened.items() if not i.startswith("bed")}
    found.sent = len(opened)
    found.over = sum(clear.get(i, math.inf) - at < OVER_S for i, at in told.items())
    return found


def _mains(found, truth, messages, end_s):
    """Losses of supply against dangers about them."""
    real = [o for o in truth.outages if o.cause in ("site", "circuit") and (o.ended_s or end_s) - o.started_s > 22]
    opened = {m.incident: m.at_s for m in reversed(messages) if m.priority == "danger" and m.step == "opened"}
    used = set()
    for outage in real:
        ends_s = (outage.ended_s or end_s) + 60
        mine = [(at, i) for i, at in opened.items() if i.startswith("mains") and outage.started_s <= at <= ends_s]
        if mine:
            found.mains_s.append(min(mine)[0] - outage.started_s)
            used |= {i for _, i in mine}
        elif outage.started_s < end_s - 60:
            found.missed.append((outage.cause, outage.started_s))
    found.false += [i for i in opened if i not in used]


def _beds(found, truth, messages, acts, end_s, quiet):
    """Seconds from a bed's release to the first message that names it, outside quiet hours."""
    asked = [m.at_s for m in messages if m.incident.startswith("bed") and m.step == "opened" and m.to == "ann"]
    for build in truth.builds:
        at_s = build.released_s
        if at_s is None or not START_S + 3600 < at_s < end_s - 3600 or inside(quiet, at_s, ZONE):
            continue
        if build.machine in ("curlew", "ibis", "lapwing") or (build.cleared_s or end_s) < at_s + 120:
            continue
        if any(o.started_s - 120 <= at_s <= (o.ended_s or end_s) + 600 for o in truth.outages):
            continue
        named = [m.at_s for m in messages if m.to == "ann" and m.at_s >= at_s - 330 and m.incident.startswith("bed")
                 and build.machine in f"{m.title} {m.text}"]  # fmt: skip
        before = max((a for a in asked if a < at_s), default=None)
        if before is not None and not any(before < act < at_s for act in acts) and at_s - before > 300:
            found.joined += 1
        elif named and named[0] - at_s < 3600:
            found.beds_s.append(max(named[0] - at_s, 0.0))
        else:
            found.beds_s.append(math.inf)


def share(values, q):
    """The q-quantile, 0 to 1, of raw values; nan if there are none."""
    rows = sorted(values)
    return rows[min(int(q * len(rows)), len(rows) - 1)] if rows else math.nan


def table(f):
    """Lines for a report."""
    rows = [
        ("days, builds a day", f"{f.days}, {f.builds / f.days:.1f}"),
        ("interruptions a person and day: median, p95, most",
         f"{statistics.median(f.interruptions):g}, {share(f.interruptions, 0.95)}, {max(f.interruptions)}"),
        ("all messages a person and day: median, p95, most",
         f"{statistics.median(f.messages):g}, {share(f.messages, 0.95)}, {max(f.messages)}"),
        ("in quiet hours, about what is no danger", f"{f.quiet}"),
        ("messages of an incident to a person: most", f"{max(f.incident, default=0)}"),
        ("loss of supply to message: median, p95, most",
         f"{share(f.mains_s, 0.5):.0f}, {share(f.mains_s, 0.95):.0f}, {max(f.mains_s, default=math.nan):.0f} s"),
        ("dangers missed, false", f"{len(f.missed)} of {len(f.mains_s) + len(f.missed)}, {len(f.false)}"),
        ("bed released to told: median, p95; joined without a word",
         f"{share(f.beds_s, 0.5):.0f}, {share(f.beds_s, 0.95):.0f} s of {len(f.beds_s)}; {f.joined}"),
        ("told incidents that were over within five minutes", f"{f.over} of {f.sent}"),
        ("longest first line, longest message", f"{f.title}, {f.total}"),
    ]  # fmt: skip
    return "\n".join(f"| {what} | {value} |" for what, value in rows)
