"""A small Saltmarsh Works for tests of the brain: plan, and a driver that feeds events and gathers effects."""

from farmwatch.brain import Brain
from farmwatch.words.model import (
    BackupPlan,
    CircuitPlan,
    Keep,
    LinkChanged,
    MachinePlan,
    Message,
    Note,
    Observed,
    PersonPlan,
    Said,
    SitePlan,
    SourcePlan,
)

T0 = 1764057600.0  # 2025-11-25 08:00 UTC
NAMES = [
    "avocet", "bittern", "curlew", "dunlin", "eider", "fulmar", "gannet", "heron", "ibis", "jackdaw", "knot", "lapwing"
]  # fmt: skip
BACKUPS = {"one": "west", "two": "west", "three": "east", "four": "east"}
PANEL = frozenset(
    {"state", "job", "progress", "remaining_s", "bed_c", "bed_target_c", "nozzle_c", "nozzle_target_c", "availability"}
)
PLUG = frozenset({"power_w", "energy_wh"})


def plan(names=NAMES, *, plug_only=(), people=("ann",), panels=True, plugs=True, ups=True, **more):
    backups = list(BACKUPS)
    machines = {
        name: MachinePlan(name, bank=f"bank-{i // 3}", backup=backups[(i // 3) % 4], material="PLA")
        for i, name in enumerate(names)
    }
    sources = {}
    for name in names:
        if panels and name not in plug_only:
            sources[f"panel.{name}"] = SourcePlan(f"panel.{name}", name, "mqtt", f"works/{name}", 2.0, PANEL)
        if plugs:
            sources[f"plug.{name}"] = SourcePlan(f"plug.{name}", name, "mqtt", f"plugs/{name}", 2.0, PLUG)
    for name in BACKUPS if ups else ():
        sources[f"ups.{name}"] = SourcePlan(
            f"ups.{name}", name, "ups", f"{name}@localhost:3493", 5.0, frozenset({"status", "charge", "runtime_s"})
        )
    return SitePlan(
        "Saltmarsh Works",
        "Europe/London",
        230,
        machines,
        {n: BackupPlan(n, c, rating_w=600, rating_va=1000) for n, c in BACKUPS.items()},
        {n: CircuitPlan(n, 16, 230, 0.8) for n in ("west", "east")},
        sources=sources,
        people={n: PersonPlan(n, ("phone",)) for n in people},
        **more,
    )


def solo(*names, **more):
    """Only these machines, each with a panel alone."""
    return Driver(plan(list(names), plugs=False, ups=False, **more))


class Driver:
    """Feeds a brain in order of time and keeps all that comes out."""

    def __init__(self, site=None, start=T0):
        self.site = site or plan()
        self.brain = Brain(self.site)
        self.now = start
        self.effects = []

    def feed(self, event, at=None):
        self.now = event.at_s if at is None else at
        if self.brain.next_due_s() <= self.now:
            self.advance(self.now)
        out = self.brain.receive(event, self.now)
        self.effects += out
        return out

    def advance(self, until):
        while (due := self.brain.next_due_s()) <= until:
            self.effects += self.brain.advance(due)
        self.now = max(self.now, until)

    def panel(self, name, at=None, *, retained=False, source_at=None, **values):
        at = self.now if at is None else at
        values = {k: float(v) if isinstance(v, int) and not isinstance(v, bool) else v for k, v in values.items()}
        return self.feed(Observed(at, name, f"panel.{name}", values, retained, source_at))

    def plug(self, name, watts, at=None, **values):
        at = self.now if at is None else at
        return self.feed(Observed(at, name, f"plug.{name}", {"power_w": float(watts), **values}))

    def ups(self, name, status, at=None, charge=1.0, runtime_s=900.0):
        at = self.now if at is None else at
        values = {"status": status, "charge": charge, "runtime_s": runtime_s}
        return self.feed(Observed(at, name, f"ups.{name}", values))

    def all_ups(self, status, **values):
        for name in BACKUPS:
            self.ups(name, status, **values)

    def broker(self, connected, at=None):
        at = self.now if at is None else at
        ids = tuple(s.id for s in self.site.sources.values() if s.via == "mqtt")
        return self.feed(LinkChanged(at, "mqtt", None, connected, ids))

    def say(self, command, machine=None, at=None, by="ann", **fields):
        return self.feed(Said(self.now if at is None else at, command, machine, by, fields))

    def run(self, seconds, step=2.0, each=None):
        """Let time pass; `each` is called at every step with the driver."""
        end = self.now + seconds
        while self.now < end:
            self.now = min(self.now + step, end)
            if each is not None:
                each(self)
            self.advance(self.now)

    def machine(self, name):
        return self.brain.farm.machines[name]

    def notes(self, kind):
        return [e for e in self.effects if isinstance(e, Note) and e.kind == kind]

    def messages(self):
        return [e for e in self.effects if isinstance(e, Message)]

    def states(self, name):
        return [n.doc["state"] for n in self.notes("state") if n.doc["machine"] == name]

    def builds(self, name):
        """The last word on each build of a machine, in order of their begin."""
        last = {n.doc["id"]: n.doc for n in self.notes("build") if n.doc["machine"] == name}
        return sorted(last.values(), key=lambda doc: doc["started"])

    def facts(self):
        kept = {}
        for effect in self.effects:
            if isinstance(effect, Keep):
                kept[effect.kind, effect.key] = effect.doc
        return [(kind, key, doc) for (kind, key), doc in kept.items() if doc is not None]

    def restart(self, after=5.0):
        """Throw the brain away and take up from what was kept."""
        facts = self.facts()
        self.brain = Brain(self.site)
        self.now += after
        self.brain.restore(facts, self.now)
