"""Mishaps: what each kind of fault does to the world, as a table of handlers."""

from collections.abc import Callable
from random import Random

from farmwatch.scenario.bench import BUSY, PRINT, Bench
from farmwatch.scenario.devices import GARBAGE, Feed
from farmwatch.scenario.script import Fault
from farmwatch.scenario.stage import Stage

RETRY_S = 600.0
FIRST_OUTAGE_S, BUSY_LEAST = 480.0, 7
"""A long outage waits until so many machines are at work: one that finds them idle shows nothing."""


def happen(stage: Stage, fault: Fault, rng: Random, now_s: float) -> None:
    """Let a fault happen; one that finds nothing to happen to tries again later."""
    if not (stage.quiet(now_s) and HANDLERS[fault.kind](stage, fault, rng, now_s)):
        stage.at(now_s + RETRY_S, lambda at_s: happen(stage, fault, rng, at_s))


def _printing(stage: Stage, rng: Random, least_s: float) -> Bench | None:
    """A machine that reports, is well into a build and has at least `least_s` to go."""
    printing = [bench for bench in stage.benches.values() if bench.spec.panel and bench.mode == PRINT]
    fit = [bench for bench in printing if bench.worked_s > 600 and bench.total_s - bench.worked_s > least_s]
    return rng.choice(fit) if fit else None


def _run_out(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    bench = _printing(stage, rng, 1500.0)
    if bench is None:
        return False
    stage.hold_up(bench, now_s)
    if stage.daytime(now_s):
        stage.at(now_s + fault.lasts_s, lambda at_s: stage.go_on(bench, at_s))
    return True


def _failed(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del fault
    bench = _printing(stage, rng, 1800.0)
    if bench is None:
        return False
    stage.end_build(bench, "failed", now_s)
    return True


def _dark(stage: Stage, circuits: list[str], cause: str, lasts_s: float, now_s: float) -> bool:
    outage = stage.lost(cause, circuits[0] if cause == "circuit" else "site", now_s)
    for name in circuits:
        stage.live[name] = False

    def back(at_s: float) -> None:
        outage.ended_s = at_s
        for name in circuits:
            stage.live[name] = True

    stage.at(now_s + lasts_s, back)
    return True


def _blip(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del rng
    return _dark(stage, list(stage.live), "blip", fault.lasts_s, now_s)


def _site(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del rng
    if fault.lasts_s >= FIRST_OUTAGE_S and sum(bench.mode in BUSY for bench in stage.benches.values()) < BUSY_LEAST:
        return False
    return _dark(stage, list(stage.live), "site", fault.lasts_s, now_s)


def _circuit(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del rng
    return _dark(stage, [fault.place], "circuit", fault.lasts_s, now_s)


def _silence(stage: Stage, feeds: list[Feed], lasts_s: float, now_s: float) -> None:
    for feed in feeds:
        feed.silent = True

    def back(_at_s: float) -> None:
        for feed in feeds:
            feed.silent = False

    stage.at(now_s + lasts_s, back)


def _plugs(stage: Stage) -> dict[str, list[Feed]]:
    """Feeds of each plug that reports over MQTT, by machine."""
    found: dict[str, list[Feed]] = {}
    for feed in stage.feeds:
        if feed.kind == "plug" and feed.via == "mqtt" and feed.bench is not None:
            found.setdefault(feed.bench.spec.name, []).append(feed)
    return found


def _plug_silent(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    plugs = _plugs(stage)
    name = rng.choice(sorted(plugs))
    outage = stage.lost("plug", name, now_s)
    _silence(stage, plugs[name], fault.lasts_s, now_s)

    def back(at_s: float) -> None:
        outage.ended_s = at_s

    stage.at(now_s + fault.lasts_s, back)
    return True


def _plug_reboot(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    plugs = _plugs(stage)
    feeds = plugs[rng.choice(sorted(plugs))]
    _silence(stage, feeds, fault.lasts_s, now_s)
    for feed in feeds:
        feed.base_wh = -feed.bench.energy_wh if feed.bench is not None else 0.0
    return True


def _http_lost(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    feed = rng.choice([feed for feed in stage.feeds if feed.via == "http"])
    _silence(stage, [feed], fault.lasts_s, now_s)
    return True


def _garbage(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del now_s
    panels = [feed for feed in stage.feeds if feed.kind == "panel" and feed.via == "mqtt" and feed.alive]
    if not panels:
        return False
    feed = rng.choice(panels)
    feed.garbage = [GARBAGE[i % len(GARBAGE)] for i in range(int(fault.lasts_s))]
    return True


def _broker(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del rng
    outage = stage.lost("broker", "site", now_s)
    stage.room.broker = False
    stage.disconnect(now_s)

    def back(at_s: float) -> None:
        outage.ended_s = at_s
        stage.room.broker = True
        stage.connect(at_s)

    stage.at(now_s + fault.lasts_s, back)
    return True


def _network(stage: Stage, fault: Fault, rng: Random, now_s: float) -> bool:
    del rng
    outage = stage.lost("network", "site", now_s)
    stage.room.network = stage.room.broker = False
    stage.disconnect(now_s)

    def back(at_s: float) -> None:
        outage.ended_s = at_s
        stage.room.network = stage.room.broker = True
        stage.connect(at_s)

    stage.at(now_s + fault.lasts_s, back)
    return True


HANDLERS: dict[str, Callable[[Stage, Fault, Random, float], bool]] = {
    "run_out": _run_out,
    "failed": _failed,
    "blip": _blip,
    "site": _site,
    "circuit": _circuit,
    "plug_silent": _plug_silent,
    "plug_reboot": _plug_reboot,
    "http_lost": _http_lost,
    "garbage": _garbage,
    "broker": _broker,
    "network": _network,
}
