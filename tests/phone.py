"""Simulated days as the phone has them: what each person is sent, held against what really happened."""

import math
import re
import statistics
from collections import Counter
from dataclasses import dataclass, field
from importlib.resources import files
from random import Random

from farmwatch.alarms.hours import inside, local_day, parse
from farmwatch.assemble import build_engine
from farmwatch.replay import replayed
from farmwatch.scenario.people import Walk
from farmwatch.scenario.script import rounds
from farmwatch.scenario.world import World
from farmwatch.settings import load
from farmwatch.words.model import Message, Note, Raw

DAY_S = 86_400.0
START_S = 1_772_409_600.0  # 2026-03-02 00:00 UTC, and in London
ZONE = "Europe/London"
STATUS = re.compile(rb"ups\.status[^\n]*")
BUSY_S = 600.0  # whoever has cleared a bed is at the machines for so long
OVER_S = 300.0  # what is over by itself within so long nobody could have acted on


@dataclass
class Figures:
    """What was counted; lists are raw, so that several runs can be put together."""

    days: int = 0
    builds: int = 0
    interruptions: list = field(default_factory=list)  # a person and day, with a sound
    silent: int = 0  # messages for this session without a sound
    messages: list = field(default_factory=list)
    quiet: int = 0  # messages in quiet hours about what is no danger
    incident: Counter = field(default_factory=Counter)  # messages of one incident to one person
    mains_s: list = field(default_factory=list)
    beds_s: list = field(default_factory=list)
    joined: int = 0
    missed: list = field(default_factory=list)
    false: list = field(default_factory=list)
    asked: int = 0  # messages that want somebody
    useless: int = 0  # of these, over before anybody came
    fleeting: int = 0  # and within five minutes
    idle: Counter = field(default_factory=Counter)
    rules: Counter = field(default_factory=Counter)
    escalated: Counter = field(default_factory=Counter)
    attended: int = 0  # beds that came free while somebody was at the machines
    overdrawn: int = 0  # beds that came free when both had had their five
    title: int = 0
    total: int = 0

    def add(self, other):
        for name, value in vars(other).items():
            mine = getattr(self, name)
            setattr(self, name, max(mine, value) if name in ("title", "total") else mine + value)


class Shop(World):
    """The world, where ann and bram also answer what they are told, and where a plug flaps now and then.

    Whoever is told that something wants them walks along the machines 10 to 20 minutes later (17 times in 20; else it
    waits for a round, of which there are two a day), and acknowledges a danger within four minutes (16 in 20).
    What came without a sound is seen half the time, 10 to 60 minutes later. These are assumptions.
    """

    def __init__(self, seed, start_s, days, **keys):
        super().__init__(seed, start_s, **keys)
        self.rng = Random(f"{seed} answers")
        first = int(start_s // DAY_S)
        self.walks = [
            start_s + day * DAY_S + turn.offset_s for day in range(days) for turn in rounds(seed, first + day)
        ]
        self.answers = []
        for day in range(days):
            if self.rng.random() < 0.10:
                self.at(start_s + DAY_S * (day + self.rng.random()), self._flap)

    def daytime(self, _now_s):
        """Nobody comes by chance."""
        return False

    def _flap(self, at_s):
        """A plug that comes and goes: ten times six minutes of nothing, then one of readings."""
        feed = self.rng.choice([f for f in self.feeds if f.kind == "plug" and f.via == "mqtt"])
        for n in range(10):
            self.at(at_s + 420.0 * n, lambda _at_s: setattr(feed, "silent", True))
            self.at(at_s + 420.0 * n + 360.0, lambda _at_s: setattr(feed, "silent", False))

    def told(self, message):
        """A message reaches a phone."""
        now_s, rng = message.at_s, self.rng
        if message.priority == "danger" and rng.random() < 0.8:
            for command, about in message.actions[:1]:
                if command == "acknowledged":
                    at_s = now_s + rng.uniform(60.0, 240.0)
                    self.say(at_s, command, "", message.to, alarm=about)
                    self.answers.append(at_s)
        seen, least_s, most_s = (0.5, 600.0, 3600.0) if message.silent else (0.85, 600.0, 1200.0)
        if message.priority != "digest" and message.step != "clear" and rng.random() < seen:
            at_s = now_s + rng.uniform(least_s, most_s)
            if not any(now_s < walk <= at_s for walk in self.walks):
                self.walks.append(at_s)
                self.at(at_s, Walk(self, message.to, at_s).go)


def _seldom(inputs):
    """The same with each backup looked at every ten seconds instead of five, where nothing has changed there."""
    last = {}
    for item in inputs:
        if isinstance(item, Raw) and item.via == "ups":
            status = STATUS.search(item.body)
            mine = status and status[0]
            at_s, before = last.get(item.address, (-math.inf, None))
            if mine == before and item.at_s - at_s < 9.5:
                continue
            last[item.address] = item.at_s, mine
        yield item


def play(seed, days, folder, interval_s=60.0, show=None, *, silent=True):
    """So many days of one seed; `show` is given each message; `silent`: the people's channels can be silent."""
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text("utf-8")
    path = folder / f"phone-{seed}.toml"
    for every in ("2", "10"):  # pushed and polled: what is asked more seldom than configured would look silent
        text = text.replace(f"interval_s = {every}\n", f"interval_s = {interval_s:g}\n")
    if silent:
        people = '[people.ann]\nchannels = ["ann"]', '[people.bram]\nchannels = ["bram"]'
        text = text.replace("[people.ann]", people[0]).replace("[people.bram]", people[1])
        text += '\n[channels.ann]\nquiet = "priority=low"\n[channels.bram]\nquiet = "priority=low"\n'
    # When to go to the machines is asked every ten minutes, takes a tenth of the time, and changes a line of words.
    text = text.replace('rounds = ["07:45-09:30", "17:15-19:00"]\n', "")
    path.write_text(text)
    end_s = START_S + days * DAY_S
    world = Shop(seed, START_S, days, interval_s=interval_s, sample_s=0)
    engine = build_engine(load(str(path), live=False))
    messages, acts, spans = [], [], {}
    for effect in replayed(engine, _seldom(world.inputs(START_S, end_s))):
        if isinstance(effect, Message):
            messages.append(effect)
            world.told(effect)
            if show:
                show(effect)
        elif isinstance(effect, Note) and effect.kind == "alarm":
            doc = effect.doc
            rows = spans.setdefault((doc["alarm"], doc["subject"]), [])
            if doc["state"] == "unacknowledged" and (not rows or rows[-1][1] < math.inf):
                rows.append([effect.at_s, math.inf])
            elif doc["state"] not in ("unacknowledged", "acknowledged") and rows and rows[-1][1] == math.inf:
                rows[-1][1] = effect.at_s
            if doc["alarm"] == "bed_waiting" and doc["previous"] == "unacknowledged":
                acts.append(effect.at_s)
    found = count(world.truth, messages, acts, days, end_s)
    _actionable(found, messages, spans, [*world.walks, *world.answers, *acts], end_s)
    _escalated(found, messages)
    return found


def _actionable(found, messages, spans, came, end_s):
    """Whether what a message told still stood when somebody came, or was answered before it was over."""
    for m in messages:
        if m.priority == "digest" or m.step == "clear" or m.at_s > end_s - DAY_S / 2:
            continue
        about = [
            over
            for (rule, subject), rows in spans.items()
            if rule in m.rules and (rule == "mains_lost" or subject in f"{m.incident} {m.title} {m.text}")
            for since, over in rows
            if since <= m.at_s < over
        ]
        over_s = max(about, default=m.at_s)
        acted_s = min([t for t in came if t > m.at_s], default=math.inf)
        found.asked += 1
        found.useless += over_s < acted_s
        found.fleeting += over_s < min(acted_s, m.at_s + OVER_S)
        if over_s < acted_s:
            found.idle[",".join(m.rules)] += 1
        found.rules[",".join(m.rules) or m.incident.split("-")[0]] += 1


def _escalated(found, messages):
    """Minutes from a danger's first message to each of its escalations."""
    opened = {}
    for m in messages:
        if m.priority == "danger":
            opened.setdefault(m.incident, m.at_s)
            if m.step == "escalated":
                found.escalated[round((m.at_s - opened[m.incident]) / 60)] += 1


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
            found.interruptions.append(sum(_sounds(m) and m.incident not in dangers for m in today))
            found.silent += sum(m.priority == "session" and m.silent for m in today)
        found.quiet += sum(inside(quiet, m.at_s, ZONE) and m.incident not in dangers for m in mine)
        found.incident.update(
            Counter(m.incident for m in mine if m.step in ("opened", "more", "again", "clear")).values()
        )
    for message in messages:
        found.title = max(found.title, len(message.title))
        found.total = max(found.total, len(message.title) + 1 + len(message.text))
    _mains(found, truth, messages, end_s)
    _beds(found, truth, messages, acts, end_s, quiet)
    return found


def _sounds(message):
    return message.priority == "session" and not message.silent


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
    sent = [m for m in messages if m.priority == "session"]
    asked = [m.at_s for m in sent if "bed_waiting" in m.rules]
    for build in truth.builds:
        at_s = build.released_s
        if at_s is None or not START_S + 3600 < at_s < end_s - 3600 or inside(quiet, at_s - 60, ZONE):
            continue
        if build.machine in ("curlew", "ibis", "lapwing") or (build.cleared_s or end_s) < at_s + 120:
            continue  # those have a plug alone; and what is cleared at once needs no word
        if any(o.started_s - 120 <= at_s <= (o.ended_s or end_s) + 600 for o in truth.outages):
            continue
        named = [m.at_s for m in messages if m.at_s >= at_s - 330 and build.machine in f"{m.title} {m.text}"
                 and "bed_waiting" in m.rules]  # fmt: skip
        before = max((a for a in asked if a < at_s), default=None)
        recent = [m for m in sent if at_s - DAY_S < m.at_s <= at_s]
        if any(at_s - BUSY_S < act <= at_s for act in acts):
            found.attended += 1
        elif before is not None and not any(before < act < at_s for act in acts) and at_s - before > 300:
            found.joined += 1
        else:
            late_s = max(named[0] - at_s, 0.0) if named else math.inf
            if late_s > 75 and min(sum(m.to == who and not m.silent for m in recent) for who in ("ann", "bram")) >= 4:
                found.overdrawn += 1
            else:
                found.beds_s.append(late_s)


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
        ("messages for this session without a sound, a person and day", f"{f.silent / max(len(f.messages), 1):.1f}"),
        ("all messages a person and day: median, p95, most",
         f"{statistics.median(f.messages):g}, {share(f.messages, 0.95)}, {max(f.messages)}"),
        ("in quiet hours, about what is no danger", f"{f.quiet}"),
        ("messages of an incident to a person: most", f"{max(f.incident, default=0)}"),
        ("loss of supply to message: median, p95, most",
         f"{share(f.mains_s, 0.5):.0f}, {share(f.mains_s, 0.95):.0f}, {max(f.mains_s, default=math.nan):.0f} s"),
        ("dangers missed, false", f"{len(f.missed)} of {len(f.mains_s) + len(f.missed)}, {len(f.false)}"),
        ("bed released to told: median, p95, most; over 60 s of how many",
         f"{share(f.beds_s, 0.5):.0f}, {share(f.beds_s, 0.95):.0f}, {max(f.beds_s, default=math.nan):.0f} s; "  # noqa: ISC004
         f"{sum(at_s > 60 for at_s in f.beds_s)} of {len(f.beds_s)}"),
        ("beds that joined a request, came while somebody was there, waited for the budget",
         f"{f.joined}, {f.attended}, {f.overdrawn}"),
        ("wanted somebody; over before anybody came; within five minutes", f"{f.asked}; {f.useless}; {f.fleeting}"),
        ("minutes to an unanswered danger's steps: messages", f"{dict(sorted(f.escalated.items()))}"),
        ("by rule; over before anybody came", f"{dict(f.rules.most_common(9))}; {dict(f.idle)}"),
        ("longest first line, longest message", f"{f.title}, {f.total}"),
    ]  # fmt: skip
    return "\n".join(f"| {what} | {value} |" for what, value in rows)
