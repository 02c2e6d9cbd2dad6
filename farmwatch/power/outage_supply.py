"""The loss of supply in hand: where it begins, its cause and place, its end, and which machines it leaves dark."""

from farmwatch.power.cause import Candidate, feeds, headline, infer, words
from farmwatch.power.outage_record import Outage
from farmwatch.power.outage_seen import TOGETHER_S, Seen

RETURN_S = 5.0
"""Backups wait some seconds before they trust the mains again (common practice, no source)."""
GIVEN_UP_S = 600.0
"""A backup that stays unseen for so long after the others are back does not hold an outage open."""
KNOWN_S = 60.0
"""A last good reading older than this says nothing about when it began."""


class SupplyLook:
    """Follows at most one loss of supply."""

    def __init__(self, seen: Seen) -> None:
        self._seen = seen

    def look(self, now_s: float, changed: list[Outage]) -> None:
        """Begin, judge again or end it; what has changed is added to `changed`."""
        out = sorted(self._seen.out)
        dead = [name for name in self._seen.dead if feeds(self._seen.plan, name)[0] is not None]
        outage = self._seen.open
        if outage is None:
            if not out and not dead:
                return
            outage = self._seen.open = self._take_over(out, dead, now_s)
            changed.append(outage)
        elif not out and not dead and self._is_over(outage, now_s):
            self._close(outage)
            changed.append(outage)
            return
        before = outage.as_dict()
        outage.backups = sorted({*outage.backups, *out})
        outage.subjects = sorted({*outage.subjects, *dead})
        if out or dead:
            self._judge(outage, now_s)
        self._mark_dark(outage, now_s)
        if outage not in changed and outage.as_dict() != before:
            changed.append(outage)

    def _take_over(self, out: list[str], dead: list[str], now_s: float) -> Outage:
        """A new outage, or a loss of sight of a moment ago that now turns out to be one."""
        first_s = min(
            [*(s for n in out if (s := self._seen.tracks[n].first_s) is not None), *(self._seen.dead[n] for n in dead)],
            default=now_s,
        )
        for track in self._seen.tracks.values():
            track.lines, track.missing = 0, False
        near = [o for o in self._seen.others.values() if o.started_s >= first_s - TOGETHER_S and o.cause != "plug"]
        found = None
        for other in sorted(near, key=lambda o: o.started_s):
            if other.cause in ("broker", "network"):
                found = found or other
        if found is None:
            return self._seen.new("site", "site", first_s, now_s)
        del self._seen.others[found.id]
        found.sources, found.link, found.cause, found.place = [], False, "site", "site"
        found.bad_s = first_s
        return found

    def _judge(self, outage: Outage, now_s: float) -> None:
        """Cause, place, start and evidence by everything seen so far; what was once on battery still counts."""
        plan = self._seen.plan
        firsts = [s for n in outage.backups if (s := self._seen.tracks[n].first_s) is not None]
        firsts += [self._seen.dead[n] for n in outage.subjects if n in self._seen.dead]
        outage.bad_s = min([outage.bad_s, *firsts])
        things = self._seen.things(outage.bad_s, now_s, set(outage.backups))
        out = tuple(outage.backups)
        circuits = {plan.circuit_of(n) for n in out} | {feeds(plan, n)[0] for n in outage.subjects}
        lost = tuple(sorted(c for c in circuits if c is not None))
        candidates = [Candidate("site", ("site",))]
        if len(lost) <= 8:
            candidates += [Candidate("circuit", (name,)) for name in lost]
        if 1 < len(lost) < len(plan.circuits):
            candidates.append(Candidate("circuit", lost))
        if len(out) <= 4:
            candidates += [Candidate("backup", (name,)) for name in out]
            candidates += [Candidate("backup", out)] if len(out) > 1 else []
        found = infer(candidates, things, plan, self._seen.own)
        outage.cause, outage.place, outage.odds = found.best.cause, found.best.place, found.odds
        outage.evidence = [headline(found.best, things, plan), *words(found.pro)]
        outage.against = words(found.con)
        goods = [s for n in out if (s := self._seen.tracks[n].line_s) is not None and s <= outage.bad_s]
        good = self._seen.good
        goods += [good[n] for n in outage.subjects if good.get(n, outage.bad_s + 1) <= outage.bad_s]
        start_s = max((s for s in goods if s >= outage.bad_s - KNOWN_S), default=outage.bad_s)
        outage.started_s = start_s
        volts = [self._seen.low_v[n] for n in outage.subjects if n in self._seen.low_v]
        outage.low_v = min(volts, default=outage.low_v)
        outage.machines = [name for name in plan.machines if self._seen.covers(name, outage)]

    def given_up_s(self, outage: Outage) -> float | None:
        """When a backup that is not seen holds the outage open no longer; None where none is, or none is back yet."""
        tracks = [self._seen.tracks[name] for name in outage.backups]
        back = [track.back_s for track in tracks if track.back_s is not None]
        unseen = sum(track.status == "unknown" for track in tracks)
        return max(back) + GIVEN_UP_S if back and 0 < unseen < len(tracks) else None

    def _is_over(self, outage: Outage, now_s: float) -> bool:
        """All that lost its supply has it again, as far as can be seen."""
        if any(self._seen.tracks[name].status == "unknown" for name in outage.backups):
            given_up_s = self.given_up_s(outage)
            return given_up_s is not None and now_s >= given_up_s
        if outage.backups:
            return True
        return all(self._again_s(name) is not None for name in (outage.subjects or outage.sources))

    def _again_s(self, subject: str) -> float | None:
        """When a direct load, or a source of it, was last heard with good supply; None while it is not."""
        if subject in self._seen.sources:
            source = self._seen.sources[subject]
            return source.last_s if source.state == "fresh" else None
        return self._seen.good.get(subject) if subject not in self._seen.dead else None

    def _close(self, outage: Outage) -> None:
        """The end: the first of a supply that is back tells it for all on the same supply."""
        groups: dict[object, list[float]] = {}
        for name in outage.backups:
            back_s = self._seen.tracks[name].back_s
            if back_s is not None:
                supply = name if outage.cause == "backup" else self._seen.plan.circuit_of(name)
                groups.setdefault(supply, []).append(back_s)
        ends = [min(times) for times in groups.values()]
        ends += [s for n in (outage.subjects or outage.sources) if (s := self._again_s(n)) is not None and not groups]
        ended_s = max([max(ends, default=outage.bad_s), outage.bad_s])
        bads = [s for n in outage.backups if (s := self._seen.tracks[n].last_s) is not None and s <= ended_s]
        still_s = max(outage.bad_s, max(bads, default=outage.bad_s) - RETURN_S)
        outage.ended_s = ended_s
        outage.least_s = max(0.0, still_s - outage.bad_s)
        outage.most_s = ended_s - outage.started_s
        outage.likely_s = max(0.0, (still_s + ended_s - outage.started_s - outage.bad_s) / 2)
        if not outage.told and outage.least_s < self._seen.plan.blip_s and outage.likely_s < 3 * self._seen.plan.blip_s:
            outage.cause = "blip"
        for name in outage.backups:
            track = self._seen.tracks[name]
            track.first_s = track.last_s = None
        self._seen.open, self._seen.last = None, outage

    def _mark_dark(self, outage: Outage, now_s: float) -> None:
        """Machines that have lost their supply: direct ones, and those behind a backup that has given out."""
        for name in outage.machines:
            if name in outage.dark:
                continue
            circuit, backup = feeds(self._seen.plan, name)
            if circuit is not None or (backup is None and outage.cause == "site"):
                outage.dark[name] = outage.bad_s
                continue
            mine = [s for s in self._seen.sources.values() if s.plan.subject == name]
            silent = [s for s in mine if s.state in ("silent", "failed")]
            if not mine or len(silent) < len(mine):
                continue
            track = self._seen.tracks.get(backup or "")
            gone = track is not None and track.status == "unknown" and track.known
            if gone or all(not self._seen.masked(s, now_s) for s in silent):
                unseen_s = track.unseen_s if track is not None and gone else None
                heard = [s.last_s for s in mine if s.last_s is not None]
                outage.dark[name] = max([outage.bad_s, *heard, *([unseen_s] if unseen_s is not None else [])])
