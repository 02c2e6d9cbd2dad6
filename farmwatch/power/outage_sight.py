"""Losses of sight: what falls silent with no loss of supply to explain it, and the one cause behind each group."""

from farmwatch.power.cause import Candidate, Finding, Thing, effect, feeds, headline, infer, words
from farmwatch.power.outage_record import SUPPLY, Outage
from farmwatch.power.outage_seen import BROKER_BEFORE_S, TOGETHER_S, Heard, Seen, is_meter

BROKER = Thing("broker", "broker", "down", via="mqtt")
SETTLE_S = 6.0
"""A loss of sight is judged after so long: every backup has been asked once more by then."""


class SightLook:
    """Follows what can no longer be seen."""

    def __init__(self, seen: Seen) -> None:
        self._seen = seen
        self.waits_s: float | None = None
        self._late: set[str] = set()  # sources of a network that is back, which may still be on their way
        self._late_until_s = 0.0

    def look(self, now_s: float, changed: list[Outage]) -> None:
        """Enter, rename or end losses of sight; what has changed is added to `changed`."""
        for other in list(self._seen.others.values()):
            if self._seen_again(other, now_s):
                del self._seen.others[other.id]
                changed.append(other)
            elif other.cause == "broker" and now_s <= other.started_s + TOGETHER_S:
                changed += self._rethink(other, now_s)
        quiet, down = self._unexplained(now_s)
        if not quiet and not down:
            self.waits_s = None
            return
        if self.waits_s is None:
            self.waits_s = now_s
        if now_s < self.waits_s + SETTLE_S:
            return
        self.waits_s = None
        while quiet or down:
            found = self._sight(quiet, now_s, down=down)
            changed += found
            quiet_now, down_now = self._unexplained(now_s)
            if len(quiet_now) + down_now >= len(quiet) + down:
                return  # nothing more is explained: what is left waits for the next look
            quiet, down = quiet_now, down_now

    def _rethink(self, other: Outage, now_s: float) -> list[Outage]:
        """Whether requests that fail meanwhile make a lost network of a lost broker."""
        explained = self._explain(set(other.sources), other.started_s, now_s, link=True)
        if explained is None or explained[0].best != Candidate("network", ("site",)):
            return []
        found, things = explained
        mine = self._mine(found.best, things, ("silent",))
        return self._enter(found, things, mine, [other], now_s, link=True)

    def _unexplained(self, now_s: float) -> tuple[list[Heard], bool]:
        """Silent sources that no incident in hand explains, the oldest first; and whether the broker's loss is so."""
        taken = {name for other in self._seen.others.values() for name in other.sources}
        if self._seen.open is not None:
            taken.update(self._seen.open.sources)
        quiet = [
            source
            for name, source in self._seen.sources.items()
            if source.state in ("silent", "failed")
            and source.last_s is not None
            and name not in taken
            and source.plan.subject not in self._seen.aside
            and source.plan.subject != "site"
            and not self._seen.masked(source, now_s)
            and not self._seen.covers(source.plan.subject)
            and not self._seen.recovering(source.plan.subject, now_s)
        ]
        down_s = self._seen.down_s
        down = down_s is not None and not any(o.link for o in self._seen.others.values())
        down = down and down_s is not None and not self._seen.covers_broker(down_s)
        last = self._seen.last
        if down and down_s is not None and last is not None:
            down = not (last.started_s - BROKER_BEFORE_S <= down_s <= (last.ended_s or 0.0))
        if now_s < self._late_until_s:
            quiet = [source for source in quiet if source.plan.id not in self._late]
        backups = [source for source in quiet if source.plan.subject in self._seen.tracks]
        if len(backups) < 2 or 2 * len(backups) < len(self._seen.tracks):  # fewer tell nothing of the transport
            quiet = [source for source in quiet if source not in backups]
        return sorted(quiet, key=lambda s: s.silent_since_s or 0.0), down

    def _sight(self, quiet: list[Heard], now_s: float, *, down: bool) -> list[Outage]:
        """The incident behind the oldest of what is unexplained."""
        times = [s.silent_since_s for s in quiet if s.silent_since_s is not None]
        times += [self._seen.down_s] if down and self._seen.down_s is not None else []
        onset_s = min(times)
        near = [o for o in self._seen.others.values() if abs(o.started_s - onset_s) <= TOGETHER_S]
        group = {s.plan.id for s in quiet if (s.silent_since_s or 0.0) <= onset_s + TOGETHER_S}
        pooled = group | {name for o in near for name in o.sources}
        from_s = min([onset_s, *(o.started_s for o in near)])
        linked = down or any(o.link for o in near)
        for names_, bound, link in ((pooled, near, linked), (group, [], down)):
            explained = self._explain(names_, from_s if bound else onset_s, now_s, link=link)
            if explained is None:
                continue
            found, things = explained
            mine = self._mine(found.best, things, ("silent", "dead"))
            takes_link = link and effect(found.best, BROKER, self._seen.plan) != "alone"
            held = [o for o in bound if set(o.sources) <= mine and (not o.link or takes_link)]
            if bound and not (held and ((mine & group) or (down and takes_link))):
                continue
            return self._enter(found, things, mine & names_, held, now_s, link=takes_link)
        return []

    def _mine(self, candidate: Candidate, things: list[Thing], looks: tuple[str, ...]) -> set[str]:
        """Ids of the sources whose silence belongs to a candidate, those of backups that cannot be seen among them."""
        part = [t for t in things if self._part(candidate, t)]
        unseen = {t.name for t in part if t.kind == "backup" and t.look == "unseen"}
        failed = {s.plan.id for s in self._seen.sources.values() if s.plan.subject in unseen and s.state != "fresh"}
        return failed | {t.name for t in part if t.look in looks}

    def _part(self, candidate: Candidate, thing: Thing) -> bool:
        """Whether a thing's silence belongs to a candidate."""
        if effect(candidate, thing, self._seen.plan) != "alone":
            return True
        backup = feeds(self._seen.plan, thing.subject)[1] if thing.kind == "source" else None
        return candidate.cause == "backup" and backup in candidate.places

    def _explain(
        self, group: set[str], onset_s: float, now_s: float, *, link: bool
    ) -> tuple[Finding, list[Thing]] | None:
        things = [
            t
            for t in self._seen.things(onset_s, now_s, set())
            if (t.kind != "source" or t.look == "live" or t.name in group or t.name in self._seen.refused)
            and (t.kind != "broker" or link or t.look == "up")
        ]
        suspects = self._suspects(group, things, link=link)
        return (infer(suspects, things, self._seen.plan, self._seen.own), things) if suspects else None

    def _suspects(self, group: set[str], things: list[Thing], *, link: bool) -> list[Candidate]:
        """What may be behind a group of silent sources."""
        plan, seen = self._seen.plan, self._seen.sources
        found = [Candidate("broker", ("broker",)), Candidate("network", ("site",))] if link else []
        subjects = list(dict.fromkeys(seen[name].plan.subject for name in group))
        vias = dict.fromkeys(seen[name].plan.via for name in group)
        for via in vias:
            mine = [t for t in things if t.via == via and t.kind in ("source", "backup")]
            silent = [t for t in mine if t.look in ("silent", "unseen")]
            alive = any(t.look in ("live", "on_line", "still_on_line", "on_battery") for t in things)
            if len(silent) >= 2 and 2 * len(silent) >= len(mine) and alive:
                found.append(Candidate("network", (via,)))
        if len(subjects) > 1 and not link:
            found.append(Candidate("network", ("site",)))
        if len(subjects) > 1:
            circuits = dict.fromkeys(c for s in subjects if (c := feeds(plan, s)[0]) is not None)
            backups = dict.fromkeys(b for s in subjects if (b := feeds(plan, s)[1]) is not None)
            found += [Candidate("circuit", (c,)) for c in list(circuits)[:8]]
            found += [Candidate("backup", (b,)) for b in list(backups)[:8]]
        for subject in [name for name in subjects if name not in self._seen.tracks][:8]:
            own = [s.plan.id for s in seen.values() if s.plan.subject == subject]
            quiet = [name for name in own if name in group]
            if all(is_meter(seen[name].plan) for name in quiet):
                found.append(Candidate("plug", (subject,)))
            if not all(is_meter(seen[name].plan) for name in own):
                found.append(Candidate("machine", (subject,)))
        return found

    def _enter(
        self, found: Finding, things: list[Thing], sources: set[str], held: list[Outage], now_s: float, *, link: bool
    ) -> list[Outage]:
        """Write down a loss of sight: a new one, or a better name for those that it explains."""
        heard = [self._seen.sources[name].silent_since_s or now_s for name in sources]
        heard += [self._seen.down_s] if link and self._seen.down_s is not None else []
        started_s = min([*heard, *(o.started_s for o in held)], default=now_s)
        held.sort(key=lambda o: o.started_s)
        outage = held[0] if held else self._seen.new(found.best.cause, found.best.place, started_s, now_s)
        for other in held[1:]:
            del self._seen.others[other.id]
            other.ended_s, other.part_of = other.started_s, outage.id
        outage.cause, outage.place, outage.odds = found.best.cause, found.best.place, found.odds
        outage.started_s, outage.link = started_s, link
        outage.sources = sorted(sources | set(outage.sources))
        outage.evidence = [headline(found.best, things, self._seen.plan), *words(found.pro)]
        outage.against = words(found.con)
        if outage.cause in SUPPLY and self._seen.open is None:
            self._seen.open = outage
            outage.machines = [name for name in self._seen.plan.machines if self._seen.covers(name, outage)]
            outage.subjects = []
        else:
            self._seen.others[outage.id] = outage
        return [outage, *held[1:]]

    def _seen_again(self, other: Outage, now_s: float) -> bool:
        """Close a loss of sight that is over."""
        if other.link and self._seen.down_s is not None:
            return False
        back = [self._seen.sources[n] for n in other.sources if n in self._seen.sources]
        fresh = [s.last_s for s in back if s.state == "fresh" and s.last_s is not None]
        need = len(back) / 2 if other.cause == "network" else len(back)
        if len(fresh) < need:
            return False
        times = [self._seen.up_s] if other.link and self._seen.up_s is not None else fresh
        end_s = (min if other.cause == "network" else max)(times, default=other.started_s)
        other.ended_s = end_s if end_s > other.started_s else now_s
        if other.link:
            self._seen.last_link = other
        self._late = {s.plan.id for s in back if s.state != "fresh"}
        self._late_until_s = now_s + 2 * TOGETHER_S
        other.least_s = other.likely_s = other.most_s = other.ended_s - other.started_s
        return True
