"""A small part of Saltmarsh Works: three machines behind two backups on two circuits, and its configuration."""

import contextlib
import tomllib
from importlib.resources import files
from random import Random
from unittest import mock

import phone

from farmwatch.scenario import bench, people, script, site, world
from farmwatch.scenario.site import panel_address, ups_address
from farmwatch.scenario.trouble import _dark

MACHINES = ("avocet", "gannet", "heron")
BACKUPS = ("one", "three")
UNUSED = {
    f"[mappings.{name}{part}]" for name in ("meter_watts", "meter_kwh", "plug_polled") for part in ("", ".values")
}  # fmt: skip


def rounds(seed, local_day):
    """Somebody walks by every 80 to 110 minutes of the day, so that a day has many beds."""
    rng = Random(f"{seed} walks {local_day}")
    found, at_s = [], 7.2 * 3600.0
    while at_s < 21.7 * 3600.0:
        found.append(script.Round(at_s, rng.choice(site.PEOPLE)))
        at_s += rng.uniform(4800.0, 6600.0)
    return found


SHORT = {name: job for name, job in site.JOBS.items() if job.minutes < 120}
BUSY = ((world, "JOBS", SHORT), (people, "JOBS", SHORT), (script, "rounds", rounds), (phone, "rounds", rounds))


class Shed(phone.Shop):
    """The world without mishaps of its own: the nemesis brings them."""

    def __init__(self, seed, start_s, days, **keys):
        machines = tuple(spec for spec in site.MACHINES if spec.name in MACHINES)
        backups = tuple(spec for spec in site.BACKUPS if spec.name in BACKUPS)
        with contextlib.ExitStack() as stack:
            for where, name, what in (*BUSY, (world, "MACHINES", machines), (world, "BACKUPS", backups)):
                stack.enter_context(mock.patch.object(where, name, what))
            super().__init__(seed, start_s, days, sample_s=0, **keys)
        self.answers_rng = Random(f"{seed} answers")
        self._by_address = {feed.address: feed for feed in self.feeds}
        self.scale = {}  # address: factor of the plug's watts
        for feed in self.feeds:
            if feed.via != "mqtt":  # asked when the daemon asks; of its own accord it says nothing
                feed.at_ms = 2**62
        self._next_ms = 0

    def _plan_faults(self, day, begin_s):
        pass

    def _flap(self, at_s):
        pass

    def _render(self, now_s, out):
        if int((now_s + bench.STEP_S) * 1000) > self._next_ms:
            super()._render(now_s, out)
            self._next_ms = min(feed.at_ms for feed in self.feeds)

    def ups_feed(self, name):
        return self._by_address[ups_address(name)]

    def http_feed(self, address):
        return self._by_address[address]

    def plug_feeds(self, machine):
        return [feed for feed in self.feeds if feed.kind == "plug" and feed.bench.spec.name == machine]

    def panel_feed(self, machine):
        return next(feed for feed in self.feeds if feed.kind == "panel" and feed.bench.spec.name == machine)

    def dark(self, circuits, lasts_s, now_s):
        """Mains gone on some circuits."""
        cause = "circuit" if len(circuits) < len(self.live) else "site"
        _dark(self, circuits, cause, lasts_s, now_s)


def retained(topic):
    """Topics whose messages a broker keeps."""
    return topic.startswith("shed/panel/")


def configuration(interval_s, ups_s):
    """The demo's tables for these machines, with devices of their own in place of the scenario."""
    text = files("farmwatch.scenario").joinpath("demo.toml").read_text("utf-8")
    keep, lines, section = set(MACHINES) | set(BACKUPS) | {"quay", "slip"}, [], ""
    for line in text.splitlines():
        if line.startswith("["):
            section = line.partition("#")[0].strip()
        if section in ("[simulated]", "[people.ann]", "[people.bram]"):
            continue
        named = line[:1].isalpha()
        if named and section in ("[machines]", "[backups]", "[banks]") and line.split()[0] not in keep:
            continue
        if named and section == "[spools]" and line.partition("-")[0] not in keep:
            continue
        if section in UNUSED:
            continue
        for every in ("2", "10"):
            if line == f"interval_s = {every}":
                line = f"interval_s = {interval_s:g}"
        lines.append(line)
        if line == 'via = "ups"':
            lines.append(f"interval_s = {ups_s:g}")
    lines += [
        "[people.ann]", 'channels = ["ann_push", "ann_mail"]', 'quiet = ["22:00-07:00"]',
        "[people.bram]", 'channels = ["bram_push"]', 'quiet = ["22:00-07:00"]',
        "[channels.ann_push]", "[channels.ann_mail]", "[channels.bram_push]",
        "[nightly]", "keep = 0",  # another process, which no virtual clock reaches
        "[mqtt]", 'host = "127.0.0.1"', "port = 1883",
    ]  # fmt: skip
    found = "\n".join(lines) + "\n"
    tomllib.loads(found)
    return found


def stale_panel(machine):
    """What a panel said yesterday: a build in hand."""
    body = (b'{"ts":1772300000.000,"state":"RUN","job":"vent-collar","pct":42.0,"left_min":77,'
            b'"bed":{"now":60.0,"set":60},"nozzle":{"now":210.0,"set":210}}')  # fmt: skip
    return panel_address(machine, "mqtt"), body
