"""What goes wrong, drawn by weight from the rows of the fault matrix (numbers in brackets)."""

from dataclasses import dataclass
from random import Random

from simulation.shed import BACKUPS, MACHINES, stale_panel

from farmwatch.scenario.bench import PRINT
from farmwatch.scenario.devices import GARBAGE
from farmwatch.scenario.site import panel_address


@dataclass(frozen=True)
class Window:
    """A mishap: true epoch seconds, kind, place."""

    kind: str
    start_s: float
    end_s: float
    place: str = ""

    def touches(self, from_s, to_s):
        return self.start_s <= to_s and self.end_s >= from_s


def kill(sim, rng, at_s):
    """[19] kill -9 at any instant; started again."""
    down_s = rng.choice((2.0, 10.0, rng.uniform(30.0, 900.0)))
    sim.window("down", at_s, at_s + down_s)
    sim.outside.at_true(at_s, sim.kill, down_s, False)


def kill_in_write(sim, rng, at_s):
    """[17, 19] the process, or the computer with it, dies within one of the next writes."""
    down_s, power = rng.uniform(2.0, 300.0), rng.random() < 0.6
    sim.window("down", at_s, at_s + 600.0 + down_s)
    sim.outside.at_true(at_s, sim.arm, rng.randint(1, 25), down_s, power)


def power_cut(sim, rng, at_s):
    """[17] the collector's own supply is cut: what was not synced is lost in part."""
    down_s = rng.uniform(20.0, 1200.0)
    sim.window("down", at_s, at_s + down_s)
    sim.outside.at_true(at_s, sim.kill, down_s, True)


def restart(sim, rng, at_s):
    """an orderly stop and start, as for an update."""
    down_s = rng.uniform(2.0, 120.0)
    sim.window("stopped", at_s, at_s + down_s + 15.0)
    sim.outside.at_true(at_s, sim.stop, down_s)


def broker_down(sim, rng, at_s):
    """[2, 3] the broker dies; it may have lost its memory."""
    lasts_s, forget = rng.choice((3.0, 20.0, rng.uniform(40.0, 1500.0))), rng.random() < 0.4
    sim.window("broker", at_s, at_s + lasts_s)
    sim.outside.at_true(at_s, lambda: sim.broker.stop(forget=forget))
    sim.outside.at_true(at_s + lasts_s, sim.broker.start)


def stale_retained(sim, rng, at_s):
    """[4] the broker comes back with yesterday's message."""
    machine = rng.choice(("avocet", "gannet"))
    topic, body = stale_panel(machine)
    sim.window("broker", at_s, at_s + 5.0)

    def back():
        sim.broker.retained[topic] = body
        sim.broker.start()

    sim.outside.at_true(at_s, sim.broker.stop)
    sim.outside.at_true(at_s + 5.0, back)


def doubles(sim, rng, at_s):
    """[5, 6] messages come twice, or late and out of order."""
    lasts_s = rng.uniform(600.0, 7200.0)
    sim.window("doubles", at_s, at_s + lasts_s)

    def begin():
        sim.broker.doubles, sim.broker.shuffles = 0.3, 0.2

    def end():
        sim.broker.doubles = sim.broker.shuffles = 0.0

    sim.outside.at_true(at_s, begin)
    sim.outside.at_true(at_s + lasts_s, end)


def half_open(sim, rng, at_s):
    """[7] the broker's connections die, and nobody says so."""
    sim.window("broker", at_s, at_s + 50.0)

    def cut():
        for sock in sim.broker.clients:
            sock.cut = True
        sim.broker.clients = []

    sim.outside.at_true(at_s, cut)


def clock_step(sim, rng, at_s):
    """[10] the computer's clock is set while the daemon runs, and set right later."""
    step_s, lasts_s = rng.choice((-3600.0, 3600.0, 2.5 * 365 * 86_400.0, -40.0)), rng.uniform(600.0, 3600.0)
    sim.window("clock", at_s, at_s + lasts_s)
    sim.outside.at_true(at_s, lambda: setattr(sim.outside, "step_s", step_s))
    sim.outside.at_true(at_s + lasts_s, lambda: setattr(sim.outside, "step_s", 0.0))


def boot_1970(sim, rng, at_s):
    """[9] the computer boots in 1970; its clock is set later, and the daemon started again then."""
    down_s, wrong_s = rng.uniform(10.0, 60.0), rng.uniform(300.0, 900.0)
    sim.window("clock", at_s, at_s + down_s + wrong_s)
    sim.window("down", at_s, at_s + down_s)
    sim.window("stopped", at_s + down_s + wrong_s, at_s + down_s + wrong_s + 25.0)

    def begin():
        sim.outside.step_s = 100.0 - sim.outside.wall()
        sim.kill(down_s, True)

    sim.outside.at_true(at_s, begin)
    sim.outside.at_true(at_s + down_s + wrong_s - 1.0, lambda: setattr(sim.outside, "step_s", 0.0))
    sim.outside.at_true(at_s + down_s + wrong_s, sim.stop, 10.0)


def stall(sim, rng, at_s):
    """[13, 48] the process, or its whole event loop, stands still."""
    lasts_s = rng.choice((3.0, 12.0, 20.0, 45.0, 120.0, 400.0))
    sim.window("stall", at_s, at_s + lasts_s)
    sim.outside.at_true(at_s, sim.stall, lasts_s)


def disk(sim, rng, at_s):
    """[14, 15, 16] the disk is full, read-only, or answers with errors."""
    mode, lasts_s = rng.choice(("full", "readonly", "io_error", "fsync")), rng.choice((8.0, rng.uniform(30.0, 3600.0)))
    sim.window("disk", at_s, at_s + lasts_s, mode)
    sim.outside.at_true(at_s, sim.set_disk, mode)
    sim.outside.at_true(at_s + lasts_s, sim.set_disk, "")


def slow_disk(sim, rng, at_s):
    """[48] every write takes seconds."""
    lasts_s, slow_s = rng.uniform(60.0, 600.0), rng.uniform(0.3, 2.0)
    sim.window("slow", at_s, at_s + lasts_s)
    sim.outside.at_true(at_s, sim.slow, slow_s)
    sim.outside.at_true(at_s + lasts_s, sim.slow, 0.004)


def corrupt(sim, rng, at_s):
    """[18] a database is damaged while the daemon is down."""
    down_s, name = rng.uniform(2.0, 60.0), rng.choice(("journal.db", "history.db"))
    sim.window("down", at_s, at_s + down_s)
    sim.window("damage", at_s, at_s + down_s, name)
    sim.outside.at_true(at_s, sim.kill, down_s, False, name)


def service(sim, rng, at_s):
    """[25, 26] a phone service fails in one of its ways."""
    names = rng.choice((("ann_push",), ("ann_mail",), ("bram_push",), ("ann_push", "ann_mail", "bram_push")))
    mode, lasts_s = rng.choice(("busy", "error", "hang", "lost", "slow", "cut")), rng.uniform(120.0, 5400.0)
    sim.window("service", at_s, at_s + lasts_s, mode)

    def set_(mode):
        for name in names:
            sim.services[name].mode = mode

    sim.outside.at_true(at_s, set_, mode)
    sim.outside.at_true(at_s + lasts_s, set_, "")


def plug_lost(sim, rng, at_s):
    """[27, 34] a plug is silent, flaps, or comes back with its counter at nothing."""
    machine = rng.choice(MACHINES)
    feeds = sim.world.plug_feeds(machine)
    times, each_s = rng.choice(((1, rng.uniform(30.0, 2400.0)), (8, 220.0)))
    sim.window("plug", at_s, at_s + 2 * times * each_s, machine)
    reboot = rng.random() < 0.5

    def set_(silent):
        for feed in feeds:
            feed.silent = silent
            if reboot and not silent:
                feed.base_wh = -feed.bench.energy_wh

    for n in range(times):
        sim.outside.at_true(at_s + 2 * n * each_s, set_, True)
        sim.outside.at_true(at_s + (2 * n + 1) * each_s, set_, False)


def panel_lost(sim, rng, at_s):
    """[28, 31] a panel is silent, or talks nonsense."""
    machine, lasts_s = rng.choice(MACHINES), rng.uniform(60.0, 2400.0)
    feed, nonsense = sim.world.panel_feed(machine), rng.random() < 0.6
    sim.window("panel", at_s, at_s + lasts_s, machine)
    if nonsense and feed.via == "mqtt":
        number = int(lasts_s / sim.interval_s)
        sim.outside.at_true(at_s, lambda: setattr(feed, "garbage", [GARBAGE[n % len(GARBAGE)] for n in range(number)]))
    elif feed.via == "http":
        address, mode = panel_address(machine, "http"), rng.choice(("hang", "status", "garbage"))
        sim.outside.at_true(at_s, sim.devices.modes.__setitem__, address, mode)
        sim.outside.at_true(at_s + lasts_s, sim.devices.modes.__setitem__, address, "")
    else:
        sim.outside.at_true(at_s, lambda: setattr(feed, "silent", True))
        sim.outside.at_true(at_s + lasts_s, lambda: setattr(feed, "silent", False))


def unit(sim, rng, at_s):
    """[32] a plug begins to speak of kilowatts."""
    machine, lasts_s = rng.choice(MACHINES), rng.uniform(600.0, 3600.0)
    sim.window("unit", at_s, at_s + lasts_s, machine)
    address = sim.world.plug_feeds(machine)[0].address
    sim.outside.at_true(at_s, sim.world.scale.__setitem__, address, 0.001)
    sim.outside.at_true(at_s + lasts_s, sim.world.scale.pop, address)


def ups_unit(sim, rng, at_s):
    """[36, 37] the server has no fresh data of a unit, or what it says of it is garbage."""
    name, mode = rng.choice(BACKUPS), rng.choice(("stale", "driver", "garbage", "odd"))
    lasts_s = rng.uniform(20.0, 1500.0)
    sim.window("ups", at_s, at_s + lasts_s, name)
    sim.outside.at_true(at_s, sim.ups.units.__setitem__, name, mode)
    sim.outside.at_true(at_s + lasts_s, sim.ups.units.__setitem__, name, "")


def ups_server(sim, rng, at_s):
    """[7, 36] the UPS server is gone, hangs, or breaks off."""
    mode, lasts_s = rng.choice(("down", "hang", "cut")), rng.uniform(20.0, 900.0)
    sim.window("ups", at_s, at_s + lasts_s)
    sim.outside.at_true(at_s, sim.ups.stop, mode)
    sim.outside.at_true(at_s + lasts_s, sim.ups.start)


def network(sim, rng, at_s):
    """[22, 23] the collector is alone on its switch."""
    lasts_s = rng.uniform(40.0, 900.0)
    sim.window("network", at_s, at_s + lasts_s)

    def begin():
        sim.net.down = True
        for sock in (*sim.broker.clients, *sim.ups.socks):
            sock.cut = True
        sim.broker.clients, sim.ups.socks = [], []
        for one in sim.services.values():
            one.mode = one.mode or "cut"

    def end():
        sim.net.down = False
        sim.broker.back_s = sim.ups.back_s = sim.outside.now
        for one in sim.services.values():
            one.mode = "" if one.mode == "cut" else one.mode

    sim.outside.at_true(at_s, begin)
    sim.outside.at_true(at_s + lasts_s, end)


def hold_up(sim, rng, at_s):
    """a machine pauses for filament."""

    def begin():
        benches = [b for b in sim.world.benches.values() if b.mode == PRINT]
        if benches:
            bench = rng.choice(benches)
            sim.world.hold_up(bench, sim.outside.true_s)
            sim.window("paused", sim.outside.true_s, sim.outside.true_s + 86_400.0, bench.spec.name)

    sim.outside.at_true(at_s, begin)


TABLE = (
    (kill, 4), (kill_in_write, 4), (power_cut, 3), (restart, 2), (broker_down, 4), (stale_retained, 2), (doubles, 3),
    (half_open, 3), (clock_step, 2), (boot_1970, 1), (stall, 4), (disk, 5), (slow_disk, 2), (corrupt, 3),
    (service, 5), (plug_lost, 3), (panel_lost, 3), (unit, 1), (ups_unit, 3), (ups_server, 2), (network, 3),
    (hold_up, 2),
)  # fmt: skip
SUPPLY = ((2.0, 3.0), (12.0, 30.0), (60.0, 900.0), (60.0, 900.0))


def plan(sim, seed, start_s, hours):
    """Draw a run's mishaps: each of its own kind and time, and one or two losses of supply."""
    rng = Random(f"{seed} nemesis")
    span_s = hours * 3600.0 - (9000.0 if hours >= 24 else 6000.0)  # the end is quiet, so that all can be told
    for _ in range(rng.randint(5, 11) if hours >= 24 else rng.randint(2, 5)):
        act = rng.choices([row[0] for row in TABLE], [row[1] for row in TABLE])[0]
        at_s = start_s + 1200.0 + rng.random() * span_s
        sim.chosen.append((at_s, act.__name__))
        act(sim, Random(rng.random()), at_s)
    for _ in range(rng.choice((1, 1, 2))):
        at_s, lasts_s = start_s + 1200.0 + rng.random() * span_s, rng.uniform(*rng.choice(SUPPLY))
        circuits = rng.choice((["west", "east"], ["west"], ["east"]))
        sim.chosen.append((at_s, f"supply {'+'.join(circuits)} {lasts_s:.0f} s"))
        sim.world.at(at_s, lambda now_s, c=circuits, t=lasts_s: sim.world.dark(c, t, now_s))
    sim.chosen.sort()
