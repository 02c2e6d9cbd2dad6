"""What must hold after a run, whatever went wrong in it; held against the world's truth and the nemesis' own list.

Where something could not be seen, or a loss is allowed, the run's windows say so: outside of them nothing is excused.
"""

from collections import Counter, defaultdict

from farmwatch.alarms.budget import CAPACITY
from farmwatch.alarms.hours import inside, parse
from farmwatch.words.quantities import QUANTITIES, Kind

ZONE = "Europe/London"
QUIET = (parse("22:00-07:00"),)
DAY_S = 86_400.0
AFTER_S = 90.0  # a source may take so long until it is heard again (R6: 65 s, and its own rhythm)
LIVES = ("down", "stopped", "stall", "slow")
BLIND = {  # what hides a subject: kinds of windows
    "supply": (*LIVES, "network", "ups", "disk"),
    "panel": (*LIVES, "network", "broker", "panel", "plug", "unit", "doubles", "clock", "paused"),
}
CAUSES = {  # rule: windows that explain it, and for how long after their end
    "broker_lost": (("broker", "network", *LIVES), 120.0),
    "source_silent": (("broker", "network", "plug", "panel", *LIVES), 900.0),
    "source_degraded": (("panel",), 900.0),
    "backup_unseen": (("ups", "network", *LIVES), 600.0),
    "store_degraded": (("disk", "down"), 120.0),
    "store_damaged": (("damage", "disk", "down", "clock"), 2 * 86_400.0),
    "clock_untrusted": (("clock",), 600.0),
    "collector_restarted": (("down", "stopped", "stall", "clock"), 600.0),
    "channel_failing": (("service", "network"), 8_000.0),
    "unit_suspect": (("unit",), 3_600.0),
}
NEVER = ("heater_without_job", "overload", "circuit_overload", "going_dark", "act_denied")
OPEN = ("unacknowledged", "acknowledged")


def look(sim, view):
    """Somebody looks at the page: nothing stale looks fresh, nothing is negative."""
    sim.found.figures["looks"] += 1
    now_s = sim.outside.true_s
    for row in (*view["machines"], *view["backups"]):
        age_s, heard_s = row["age_s"], sim.heard.get(row["name"])
        if age_s is not None and (heard_s is None or age_s < now_s - heard_s - 5.0):
            sim.fault(f"{row['name']} is shown {age_s:.0f} s old; it was last heard at {heard_s}")
    for row in view["backups"]:
        heard_s = sim.heard.get(row["name"])
        limit_s = max(15.0, 3.0 * sim.ups_s) + 20.0
        unheard = heard_s is None or now_s - heard_s > limit_s
        if row["status"] == "on_line" and not sim._in("stall", "slow"):
            sim.found.values.setdefault("shown good, unheard s", []).append(now_s - (heard_s or 0.0))
        if row["status"] == "on_line" and unheard and not sim._in("stall", "slow"):
            sim.fault(f"{row['name']} is shown on line, unheard for {now_s - (heard_s or 0.0):.0f} s")
        if row["runtime_s"] is not None and row["runtime_s"] < 0.0:
            sim.fault(f"{row['name']} has a runtime of {row['runtime_s']}")
    for row in view["machines"]:
        finish = row["finish"]
        if finish and None not in (finish["p10_s"], finish["p90_s"]) and finish["p10_s"] > finish["p90_s"] + 1e-6:
            sim.fault(f"{row['name']}: finish {finish}")


def judge(sim):
    """All oracles."""
    _alarms(sim)
    _beds(sim)
    _mains(sim)
    _letters(sim)
    _readings(sim)
    _outbox(sim)
    _count(sim)
    if sim.pending and sim.pending[0].at_s < sim.end_s - 900.0:
        sim.fault(f"said and never heard: {sim.pending[0]}")


def touched(sim, kinds, from_s, to_s, place=None):
    """Windows of these kinds that touch a span."""
    near = [w for w in sim.windows if w.kind in kinds and w.touches(from_s, to_s)]
    return [w for w in near if place is None or w.place in ("", place)]


def seen(sim, kinds, from_s, to_s, place=None):
    """The longest piece of a span in which nothing of the kinds hides it."""
    cuts = sorted((w.start_s - 5.0, w.end_s + AFTER_S) for w in touched(sim, kinds, from_s - 2 * AFTER_S, to_s, place))
    longest, at_s = 0.0, from_s
    for begin_s, end_s in cuts:
        longest = max(longest, min(begin_s, to_s) - at_s)
        at_s = max(at_s, end_s)
    return max(longest, to_s - at_s)


# ---- alarms -----------------------------------------------------------------------------------------------------


def _alarms(sim):
    """(c) nothing is said to have happened that has not."""
    outages = sim.world.truth.outages
    for at_s, kind, doc, _ in sim.notes:
        if kind != "alarm" or doc["state"] != "unacknowledged" or doc["previous"] in OPEN:
            continue
        sim.found.figures["alarms"] += 1
        rule = doc["alarm"]
        if rule in NEVER and not touched(sim, ("unit", "plug", "damage"), at_s - 7200.0, at_s):
            sim.fault(f"alarm {rule} {doc['subject']} at {at_s - sim.start_s:.0f} s, for which there was no reason")
        if rule in CAUSES:
            kinds, after_s = CAUSES[rule]
            dark = [o for o in outages if o.started_s - 5 <= at_s <= (o.ended_s or at_s) + after_s]
            if not touched(sim, kinds, at_s - after_s, at_s) and not dark:
                sim.fault(f"alarm {rule} {doc['subject']} at {at_s - sim.start_s:.0f} s, for which there was no reason")


def spans(sim, rule):
    """subject: [from, to] of each time that an alarm stood."""
    found = defaultdict(list)
    for at_s, kind, doc, _ in sim.notes:
        if kind != "alarm" or doc["alarm"] != rule:
            continue
        rows = found[doc["subject"]]
        if doc["state"] == "unacknowledged" and (not rows or rows[-1][1] is not None):
            rows.append([at_s, None])
        elif doc["state"] not in OPEN and rows and rows[-1][1] is None:
            rows[-1][1] = at_s
    return found


def _beds(sim):
    """(a) each bed is asked for once, and no bed that is clear.

    Once whatever dies, fails or is silent meanwhile: only a damaged or refusing disk may forget that it has asked.
    Not at all only where nothing could be seen of the machine for long enough before somebody came anyway.
    """
    standing = spans(sim, "bed_waiting")
    patience_s = 600.0 + 2.0 * sim.interval_s
    for machine in sim.world.benches:
        rows = standing[machine]
        builds = [b for b in sim.world.truth.builds if b.machine == machine and b.ended_s is not None]
        for build in builds:
            if build.released_s is None:
                continue
            cleared_s = build.cleared_s or sim.end_s
            mine = [row for row in rows if build.ended_s - 60.0 <= row[0] <= cleared_s + 300.0]
            forgot = len(mine) > 1 and touched(sim, ("disk", "damage"), mine[0][0] - 60.0, mine[-1][0])
            hidden = not mine and seen(sim, BLIND["panel"], build.released_s, cleared_s, machine) <= patience_s
            dark = _dark(sim, build.started_s, cleared_s)
            early = build.ended_s < sim.start_s + 1200.0
            excused = early or forgot or (hidden and cleared_s - build.released_s > patience_s)
            sim.found.figures["beds with a lost supply, not excused"] += dark and not excused
            sim.found.figures["beds"] += 1
            sim.found.figures["beds excused"] += bool(excused)
            sim.found.figures["beds cleared before anybody need be asked"] += bool(hidden and not excused)
            if excused:
                continue
            if len(mine) > 1:
                sim.fault(f"{machine}: the bed of {build.ended_s - sim.start_s:.0f} s was asked for {len(mine)} times")
            if not mine and not hidden:
                sim.fault(f"{machine}: nobody was asked for the bed of {build.ended_s - sim.start_s:.0f} s")
            if mine and not touched(sim, BLIND["panel"], build.ended_s - 900.0, mine[0][0], machine):
                sim.found.values.setdefault("bed_s", []).append(mine[0][0] - build.released_s)
        for from_s, _ in rows:
            full = [b for b in builds if b.ended_s - 60.0 <= from_s <= (b.cleared_s or sim.end_s) + 300.0]
            unseen = touched(sim, BLIND["panel"], from_s - 7200.0, from_s, machine)
            if not full and not unseen and not touched(sim, ("damage",), 0.0, from_s, "journal.db"):
                sim.fault(f"{machine}: asked for a bed at {from_s - sim.start_s:.0f} s that was clear")


def _dark(sim, from_s, to_s):
    """Whether a supply was lost in a span, or came back so shortly before that machines still started up."""
    return any(o.started_s - 120.0 <= to_s and (o.ended_s or sim.end_s) + 120.0 >= from_s
               for o in sim.world.truth.outages)  # fmt: skip


def _mains(sim):
    """(b) each loss of supply is one danger and one all-clear; (c) and nothing else is."""
    truth = sorted((o for o in sim.world.truth.outages if o.cause in ("site", "circuit")), key=lambda o: o.started_s)
    opened, clear = {}, {}
    for at_s, message, _, _ in sim.mail:
        if message.incident.startswith("mains") and message.priority == "danger" and message.step == "opened":
            opened.setdefault(message.incident, at_s)
        if message.incident.startswith("mains") and message.step == "clear":
            clear.setdefault(message.incident, []).append((at_s, message.to))
    damage = [w for w in sim.windows if w.kind == "damage" and w.place == "journal.db"]
    known = set()
    groups = []
    for outage in truth:
        if groups and outage.started_s - groups[-1][-1].ended_s < 1200.0:
            groups[-1].append(outage)
        else:
            groups.append([outage])
    for group in groups:
        from_s, to_s = group[0].started_s, (group[-1].ended_s or sim.end_s)
        mine = [i for i, at_s in opened.items() if from_s - 5.0 <= at_s <= to_s + 120.0
                or (at_s > to_s and seen(sim, BLIND["supply"], to_s, at_s) < 120.0)]  # fmt: skip
        known |= set(mine)
        lasted_s = max((o.ended_s or sim.end_s) - o.started_s for o in group)
        visible_s = max(seen(sim, BLIND["supply"], o.started_s, o.ended_s or sim.end_s) for o in group)
        least_s = 2 * sim.ups_s + 25.0
        sim.found.figures["losses"] += lasted_s >= 10.0
        sim.found.figures["losses visible"] += visible_s > least_s
        if not mine and visible_s > least_s:
            sim.found.figures["losses missed"] += 1
            sim.fault(f"a loss of supply at {from_s - sim.start_s:.0f} s for {lasted_s:.0f} s was not told")
        if len(mine) > len(group) and not damage:
            sim.fault(f"the loss of supply at {from_s - sim.start_s:.0f} s was told as {mine}")
        if mine and len(group) == 1 and visible_s == to_s - from_s:
            sim.found.values.setdefault("mains_s", []).append(opened[mine[0]] - from_s)
        for incident in mine:
            count = Counter(to for _, to in clear.get(incident, ()))
            if not count and seen(sim, BLIND["supply"], to_s, sim.end_s) > 900.0 and not damage:
                sim.fault(f"no all-clear for {incident}")
            if max(count.values(), default=0) > 1:
                sim.fault(f"all-clear for {incident}: {dict(count)}")
            if any(at_s < group[0].ended_s - 3.0 for at_s, _ in clear.get(incident, ()) if group[0].ended_s):
                sim.fault(f"all-clear for {incident} before its end")
    for incident, at_s in opened.items():
        if incident not in known:
            sim.found.figures["false dangers"] += 1
            sim.fault(f"{incident} was told at {at_s - sim.start_s:.0f} s: there was no loss of supply")


# ---- messages ---------------------------------------------------------------------------------------------------


def _letters(sim):
    """(d) the budgets are kept."""
    dangers = {m.incident for _, m, _, _ in sim.mail if m.priority == "danger"}
    uniq = {}
    for at_s, message, _, _ in sim.mail:
        uniq.setdefault(message.id, (at_s, message))
    for name, person in sim.settings.people.items():
        mine = [(at_s, m) for at_s, m in uniq.values() if m.to == name]
        count = Counter(m.incident for _, m in mine if m.step in ("opened", "more", "again", "clear"))
        for incident, number in count.items():
            if number > 3:
                sim.fault(f"{number} messages of {incident} to {name}")
        sim.found.values.setdefault("incident", []).append(max(count.values(), default=0))
        calls = [at_s for at_s, m in mine if m.priority == "session" and m.incident not in dangers]
        most = person.a_day + max(1.0, CAPACITY * person.a_day)
        for at_s in calls:
            number = sum(at_s <= other < at_s + DAY_S for other in calls)
            if number > most and not touched(sim, ("damage", "clock"), at_s, at_s + DAY_S):
                sim.fault(f"{number} interruptions of {name} in a day")
                break
        sim.found.values.setdefault("interruptions", []).append(len(calls))
        for at_s, message in mine:
            quiet = inside(QUIET, at_s - 1.0, ZONE) and inside(QUIET, at_s + 1.0, ZONE)
            harmless = message.incident not in dangers and message.priority != "danger"
            if quiet and harmless and not touched(sim, ("clock",), at_s - 3600.0, at_s):
                sim.fault(f"{message.title!r} to {name} in quiet hours")
        said = {}
        for at_s, message in mine:
            before_s = said.get((message.title, message.text))
            said[message.title, message.text] = at_s
            if before_s is not None and at_s - before_s < 300.0:
                sim.fault(f"{message.title!r} was told twice to {name}")
        for _, message in mine:
            if len(message.title) > 60 or len(message.title) + 1 + len(message.text) > 240:
                sim.fault(f"too long: {message.title!r} {message.text!r}")
    sim.found.figures["messages"] += len(uniq)


def _outbox(sim):
    """What was accepted for the phone got there, or still waits; copies say that they are copies."""
    damage = touched(sim, ("damage",), 0.0, 9e12, "journal.db")
    known = set()
    for at_s, channel, message, key, repeat in sim.told:
        again = (channel, key) in known and not repeat and message.priority != "test"
        if again and not touched(sim, ("disk", "damage"), at_s - DAY_S, at_s):
            sim.fault(f"{message.id} came twice by {channel} and did not say so")
        known.add((channel, key))
        sim.found.figures["copies"] += repeat
    sim.found.figures["delivered"] += len(sim.told)
    first = {}
    for at_s, _, message, _, _ in sim.told:
        first.setdefault(message.id, at_s)
    for at_s, message, ok, _ in sim.mail:
        if message.id in first and not touched(sim, ("service", "network", *LIVES), at_s - 1200.0, first[message.id]):
            sim.found.values.setdefault("told_s", []).append(first[message.id] - at_s)
        if ok and not damage and message.id not in sim.sent and message.id not in sim.waiting:
            sim.found.figures["messages lost"] += 1
            sim.fault(f"message {message.id} was accepted and is neither delivered nor waiting")
    for name, created_s in sim.waiting.items():
        quiet_s = max((w.end_s for w in sim.windows if w.kind in ("service", "network", "clock")), default=0.0)
        if created_s < sim.end_s - 1500.0 and quiet_s < sim.end_s - 1500.0:
            sim.fault(f"{name} still waits")


# ---- readings ---------------------------------------------------------------------------------------------------


def _readings(sim):
    """(e) the store holds what was read, outside of what a crash or a broken disk may take."""
    kills = {generation: (at_s, power) for at_s, generation, power, _, _ in sim.kills}
    spoilt_s = max((at_s for at_s, _, _, _, name in sim.kills if name == "history.db"), default=0.0)
    bad = [w for w in sim.windows if w.kind in ("disk", "slow")]
    lost, most_s = 0, 0.0
    twins = defaultdict(set)  # after a stall several come in one millisecond: the store keeps one of them
    kept = {name for name, quantity in QUANTITIES.items() if quantity.kind in (Kind.NUMBER, Kind.FLAG)}
    for _, _, one in sim.read:
        key = round(one.at_s * 1000)
        for name, value in one.values.items():
            if isinstance(value, int | float):
                twins[one.subject, name, key].add(float(value))
    for at_s, generation, one in sim.read:
        gone, key = False, round(one.at_s * 1000)
        for name, value in one.values.items():
            if value is None or name not in kept:
                continue
            stored = sim.stored.get((one.subject, name), {}).get(key)
            near = QUANTITIES[name].resolution
            if stored is None or all(abs(stored - v) > near for v in twins[one.subject, name, key]):
                gone = True
        sim.found.figures["readings"] += 1
        if not gone:
            continue
        lost += 1
        died_s = kills.get(generation, (None, False))[0]
        if at_s <= spoilt_s or any(w.start_s - 120.0 <= at_s <= w.end_s + 120.0 for w in bad) or one.at_s < 1e9:
            continue
        if died_s is None:
            sim.fault(f"a reading of {one.subject} of {at_s - sim.start_s:.0f} s is not in the store: {one}")
            return
        most_s = max(most_s, died_s - at_s)
        if died_s - at_s > 60.0 and not any(w.touches(at_s, died_s) for w in bad if w):
            stalls = sum(w.end_s - w.start_s for w in touched(sim, ("stall",), at_s, died_s))
            if died_s - at_s > 62.0 + stalls:
                sim.fault(f"readings of {died_s - at_s:.0f} s before a kill are lost")
                return
    sim.found.figures["readings lost"] += lost
    sim.found.values.setdefault("lost_s", []).append(most_s)


# ---- figures of the promises that no oracle above counts ----------------------------------------------------------


def _count(sim):
    """Windows by kind (R3, R7, R10, R11 are held within them), and what was told in them."""
    figures, values = sim.found.figures, sim.found.values
    for window in sim.windows:
        figures[f"windows: {window.kind}"] += 1
    said = [(at_s, doc) for at_s, kind, doc, _ in sim.notes if kind == "alarm" and doc["state"] == "unacknowledged"]
    for window in (w for w in sim.windows if w.kind == "disk" and w.end_s - w.start_s > 120.0):
        if not touched(sim, LIVES, window.start_s - 60.0, window.end_s):
            figures["R3: disk refused for long"] += 1
            figures["R3: of these, said"] += any(
                doc["alarm"] == "store_degraded" and window.start_s <= at_s <= window.end_s + 60.0 for at_s, doc in said
            )
    figures["R3: messages delivered while a disk refused"] += sum(
        bool(touched(sim, ("disk",), at_s, at_s)) for at_s, *_ in sim.told
    )
    for at_s, _, one in sim.read:
        if one.source_at_s is None or touched(sim, (*LIVES, "clock", "doubles", "network"), at_s - 60.0, at_s):
            continue
        other = touched(sim, ("broker", "ups", "panel", "plug", "service", "disk"), at_s, at_s)
        name = "R4: delay s, another source or a service broken" if other else "R4: delay s, all well"
        values.setdefault(name, []).append(at_s - one.source_at_s)
    values["R6: broker back to connected s"] = list(sim.broker.came)
    values["R6: UPS server back to asked s"] = list(sim.ups.came)
    figures["R10: alarm changes while the clock was wrong"] += sum(
        bool(touched(sim, ("clock",), at_s, at_s)) for at_s, kind, _, _ in sim.notes if kind == "alarm"
    )
