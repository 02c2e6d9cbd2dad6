"""Hold what was derived against what really happened.

`compare(notes, truth, from_s, to_s)` takes notes (or lines of ``replay --json`` with epoch seconds, as
(at_s, kind, doc)) and a `farmwatch.scenario.truth.Truth`; every figure counts from `from_s` to `to_s` only.
"""

import itertools
import statistics
from bisect import bisect_right
from dataclasses import dataclass, field

MATCH_S = 900.0  # a derived build belongs to a true one if it ends, or starts, within so long of it
UNSEEN = {None, "off"}  # without supply a machine cannot be seen: any derived state will do


@dataclass
class Verdict:
    """Figures of one comparison. Shares are 0 to 1, None where there is nothing to compare."""

    state_share: dict[str, float] = field(default_factory=dict)  # machine: share of time in the right state
    confusion: dict[tuple[str, str], float] = field(default_factory=dict)  # (true, derived): seconds
    matched: list[tuple[object, dict]] = field(default_factory=list)  # (true build, derived build)
    missed: list[object] = field(default_factory=list)
    false: list[dict] = field(default_factory=list)
    end_errors_s: list[float] = field(default_factory=list)  # derived less true
    start_errors_s: list[float] = field(default_factory=list)
    wrong_results: list[tuple[object, dict]] = field(default_factory=list)
    wrong_jobs: list[tuple[object, dict]] = field(default_factory=list)
    energy_errors: dict[str, float] = field(default_factory=dict)  # machine: (derived - true) / true
    outages_found: list[tuple[object, dict]] = field(default_factory=list)
    outages_missed: list[object] = field(default_factory=list)
    outages_false: list[dict] = field(default_factory=list)

    @property
    def f1(self):
        """F1 of builds found."""
        hits = len(self.matched)
        wrong = len(self.missed) + len(self.false)
        return 2 * hits / (2 * hits + wrong) if hits + wrong else None

    def summary(self):
        """Some lines for a report."""
        shares = self.state_share
        worst = min(shares, key=shares.get) if shares else "-"
        ends = [abs(e) for e in self.end_errors_s]
        lines = [
            f"states: mean {statistics.mean(shares.values()):.4f}, worst {worst} {shares[worst]:.4f}" if shares else "",
            f"builds: {len(self.matched)} found, {len(self.missed)} missed, {len(self.false)} false, F1 {self.f1}",
            f"ends: median {statistics.median(ends):.0f} s, worst {max(ends):.0f} s" if ends else "ends: none",
            f"results wrong: {len(self.wrong_results)}, jobs wrong: {len(self.wrong_jobs)}",
            "energy: "
            + ", ".join(f"{name} {100 * error:+.2f} %" for name, error in sorted(self.energy_errors.items())),
            (f"outages: {len(self.outages_found)} found, {len(self.outages_missed)} missed, "
            f"{len(self.outages_false)} false"),
        ]
        return "\n".join(line for line in lines if line)


def compare(notes, truth, from_s, to_s, causes=("site", "circuit", "blip")):
    """The verdict on `notes`; outages of other `causes` are left out on both sides."""
    verdict = Verdict()
    notes = list(notes)
    _states(verdict, notes, truth, from_s, to_s)
    _builds(verdict, notes, truth, from_s, to_s)
    _energy(verdict, notes, truth, from_s, to_s)
    _outages(verdict, notes, truth, from_s, to_s, causes)
    return verdict


def _states(verdict, notes, truth, from_s, to_s):
    derived = {name: [(0.0, "unknown")] for name in truth.states}
    for at_s, kind, doc in notes:
        if kind == "state":
            derived[doc["machine"]].append((at_s, doc["state"]))
    for name, true_rows in truth.states.items():
        right_s = seen_s = 0.0
        cuts = sorted({from_s, to_s, *(t for t, _ in true_rows), *(t for t, _ in derived[name])})
        cuts = [cut for cut in cuts if from_s <= cut <= to_s]
        for begin_s, end_s in itertools.pairwise(cuts):
            true = truth.state(name, begin_s)
            if true in UNSEEN:
                continue
            rows = derived[name]
            said = rows[bisect_right(rows, begin_s, key=lambda row: row[0]) - 1][1]
            seen_s += end_s - begin_s
            right_s += (end_s - begin_s) * (said == true)
            verdict.confusion[true, said] = verdict.confusion.get((true, said), 0.0) + end_s - begin_s
        if seen_s:
            verdict.state_share[name] = right_s / seen_s


def _builds(verdict, notes, truth, from_s, to_s):
    last = {}
    for _, kind, doc in notes:
        if kind == "build":
            last[doc["id"]] = doc
    free = [doc for doc in last.values() if doc["ended"] is not None]
    true_builds = [b for b in truth.builds if b.ended_s is not None and from_s <= b.ended_s <= to_s]
    for build in true_builds:
        near = [doc for doc in free if doc["machine"] == build.machine and _near(doc, build)]
        if not near:
            verdict.missed.append(build)
            continue
        best = min(near, key=lambda doc: abs(doc["ended"] - build.ended_s))
        free.remove(best)
        verdict.matched.append((build, best))
        verdict.end_errors_s.append(best["ended"] - build.ended_s)
        if build.started_s >= from_s:
            verdict.start_errors_s.append(best["started"] - build.started_s)
        if best["result"] != build.result:
            verdict.wrong_results.append((build, best))
        if best["job"] != build.job:
            verdict.wrong_jobs.append((build, best))
    verdict.false += [doc for doc in free if from_s <= doc["ended"] <= to_s]


def _near(doc, build):
    overlap_s = min(doc["ended"], build.ended_s) - max(doc["started"], build.started_s)
    return overlap_s > 0 and (
        abs(doc["ended"] - build.ended_s) <= MATCH_S or abs(doc["started"] - build.started_s) <= MATCH_S
    )


def _energy(verdict, notes, truth, from_s, to_s):
    spans = {}
    for _, kind, doc in notes:
        if kind == "energy" and from_s <= doc["started"] and doc["ended"] <= to_s:
            spans.setdefault(doc["machine"], []).append(doc)
    for name, docs in spans.items():
        true_wh = sum(truth.energy_wh(name, doc["started"], doc["ended"]) for doc in docs)
        if true_wh > 0:
            verdict.energy_errors[name] = (sum(doc["wh"] for doc in docs) - true_wh) / true_wh


def _outages(verdict, notes, truth, from_s, to_s, causes):
    last = {}
    for _, kind, doc in notes:
        if kind == "outage":
            last[doc["id"]] = doc
    free = [doc for doc in last.values() if doc["cause"] in causes and from_s <= doc["started"] <= to_s]
    for outage in truth.outages:
        if outage.cause not in causes or not from_s <= outage.started_s <= to_s:
            continue
        near = [
            doc
            for doc in free
            if (doc["cause"], doc["place"]) == (outage.cause, outage.place)
            or (outage.cause == doc["cause"] and "blip" in causes and outage.cause == "blip")
        ]
        near = [doc for doc in near if abs(doc["started"] - outage.started_s) <= 30.0]
        if near:
            free.remove(near[0])
            verdict.outages_found.append((outage, near[0]))
        else:
            verdict.outages_missed.append(outage)
    verdict.outages_false += free


def perfect(truth, to_s):
    """Notes as an engine would write them that knew the truth: for checking this file, and as a ceiling."""
    notes = []
    for name, rows in truth.states.items():
        notes += [(at_s, "state", {"machine": name, "state": state}) for at_s, state in rows if at_s <= to_s]
    for number, b in enumerate(truth.builds):
        if b.ended_s is not None and b.ended_s <= to_s:
            doc = {"id": str(number), "machine": b.machine, "job": b.job, "started": b.started_s, "ended": b.ended_s}
            notes.append((b.ended_s, "build", doc | {"result": b.result}))
    for number, o in enumerate(truth.outages):
        doc = {"id": str(number), "cause": o.cause, "place": o.place, "started": o.started_s, "ended": o.ended_s}
        notes.append((o.started_s, "outage", doc))
    for name in truth.states:
        at_s = truth.start_s
        while at_s + 3600.0 <= to_s:
            wh = truth.energy_wh(name, at_s, at_s + 3600.0)
            doc = {"machine": name, "wh": wh, "started": at_s, "ended": at_s + 3600.0}
            notes.append((at_s + 3600.0, "energy", doc))
            at_s += 3600.0
    return sorted(notes, key=lambda note: note[0])
