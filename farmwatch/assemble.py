"""The composition root: the only place that names concrete parts."""

import asyncio
import contextlib
import faulthandler
import gc
import logging
import math
import os
import secrets
import signal
import sys
from collections import deque
from collections.abc import Callable, Coroutine, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from pydantic import SecretStr

from farmwatch.alarms.collapse import collapse
from farmwatch.alarms.signs import COLLECTOR
from farmwatch.backups import Nightly, Nights
from farmwatch.brain import Brain
from farmwatch.clock import ClockWatch, SteadyClock, WarpClock
from farmwatch.daemon import Daemon, Parts
from farmwatch.engine import Engine
from farmwatch.filler import filler
from farmwatch.heartbeat import Heartbeat
from farmwatch.machines.deeds import DEEDS, Facts
from farmwatch.ports import Channel, Clock, Source
from farmwatch.power.questions import answer
from farmwatch.selftest import SelfTest
from farmwatch.service import Calm, PlainLines, ServiceManager
from farmwatch.settings import Settings
from farmwatch.settings_people import remarks
from farmwatch.stores.journal import JournalGuard
from farmwatch.tape import Tape
from farmwatch.wire.intake import Intake
from farmwatch.words.errors import FarmwatchError, StoreError
from farmwatch.words.model import ChannelHealth, Denied, Effect, Keep, Message, Note, Said, StoreHealth
from farmwatch.words.view import View

if TYPE_CHECKING:
    from farmwatch.actuate import Actuator, Audit, Look
    from farmwatch.assemble_pair import Several
    from farmwatch.sources.mqtt import TlsConfig
    from farmwatch.stores.influx import InfluxSeries
    from farmwatch.web.config import WebConfig

log = logging.getLogger("farmwatch")
DAY_S = 86_400.0
KEY_BYTES = 32
DENIALS_KEPT = 10  # a minute, of attempts to act by somebody who may not
STALLED_S = 20.0
PLAYED_AHEAD = 400
"""Inputs that a played past may be ahead of the brain."""


# ---- the engine ---------------------------------------------------------------------------------------------------


def build_intake(settings: Settings) -> Intake:
    """The decoder for all configured sources."""
    command_topic = settings.mqtt.command_topic if settings.mqtt is not None else "farmwatch/command"
    return Intake(settings.routes(), command_topic=command_topic or None, buttons=settings.button_routes())


def build_engine(settings: Settings) -> Engine:
    """Decoder and brain, as replay and the daemon use them."""
    return Engine(build_intake(settings), Brain(settings.plan()), answer)


# ---- sources ------------------------------------------------------------------------------------------------------


def build_sources(settings: Settings, clock: Clock | None = None) -> list[Source]:
    """Every configured transport that the scenario does not stand in for. Imports only what is used."""
    built = [build(settings) for build in (_mqtt, _http, _push, _ups, _snmp)]
    built.append(_simulated(settings, clock or build_clock(settings)))
    return [source for source in built if source is not None]


def _addresses(settings: Settings, via: str) -> tuple[str, ...]:
    if settings.replaced(via):
        return ()
    return tuple(dict.fromkeys(r.source.address for r in settings.routes() if r.source.via == via))


def _mqtt(settings: Settings) -> Source | None:
    if settings.mqtt is None or settings.replaced("mqtt"):
        return None
    from farmwatch.sources.mqtt import MqttConfig, MqttSource  # noqa: PLC0415  (only where it is used)

    entry = settings.mqtt
    password = settings.secrets.mqtt_password
    from farmwatch.assemble_pair import Several  # noqa: PLC0415

    topics = (*_addresses(settings, "mqtt"), *(button.topic for button in settings.button_routes()))
    topics = (*topics, *Several.topics(settings))
    return MqttSource(
        MqttConfig(
            host=entry.host,
            port=entry.port,
            protocol=entry.protocol,
            user=entry.user,
            password=password.get_secret_value() if password is not None else None,
            client_id=entry.client_id,
            keepalive_s=entry.keepalive_s,
            qos=entry.qos,
            topics=tuple(dict.fromkeys(topics)),
            tls=_tls(settings),
            will_topic=f"{entry.client_id}/status",
            command_topic=entry.command_topic,
        )
    )


def _tls(settings: Settings) -> "TlsConfig | None":
    entry = settings.mqtt
    if entry is None or entry.tls is None:
        return None
    from farmwatch.sources.mqtt import TlsConfig  # noqa: PLC0415  (only where it is used)

    files = (entry.tls.ca_file, entry.tls.cert_file, entry.tls.key_file)
    ca_file, cert_file, key_file = (str(settings.beside(name)) if name else "" for name in files)
    return TlsConfig(ca_file, cert_file, key_file, entry.tls.insecure)


def _http(settings: Settings) -> Source | None:
    if not _addresses(settings, "http"):
        return None
    from farmwatch.sources.http import HttpConfig, HttpPoll, HttpSource  # noqa: PLC0415

    polls: dict[str, HttpPoll] = {}
    for name, poll in settings.polls().items():
        source = settings.plan().sources[name]
        if source.via == "http":
            secret = poll.secret.get_secret_value() if poll.secret is not None else None
            polls.setdefault(
                source.address, HttpPoll(source.address, poll.interval_s, poll.timeout_s, poll.deadline_s, secret)
            )
    return HttpSource(HttpConfig(tuple(polls.values())))


def _push(settings: Settings) -> Source | None:
    paths = _addresses(settings, "push")
    if not paths:
        return None
    from farmwatch.sources.push import PushConfig, PushSource  # noqa: PLC0415

    token = settings.secrets.push_token
    return PushSource(PushConfig(paths, _plain(token)))


def _ups(settings: Settings) -> Source | None:
    addresses = _addresses(settings, "ups")
    if not addresses:
        return None
    from farmwatch.sources.ups import UpsConfig, UpsPeer, UpsSource  # noqa: PLC0415

    peers: dict[str, UpsPeer] = {}
    interval_s = 5.0
    plan = settings.plan()
    for name, poll in settings.polls().items():
        source = plan.sources[name]
        if source.via != "ups":
            continue
        interval_s = poll.interval_s
        user, password = "", None
        if poll.secret is not None:
            user, _, password = poll.secret.get_secret_value().partition(":")
        peers.setdefault(source.address, UpsPeer(source.address, user, password, poll.starttls, poll.ca_file))
    return UpsSource(UpsConfig(tuple(peers.values()), interval_s))


def _snmp(settings: Settings) -> Source | None:
    if not _addresses(settings, "snmp"):
        return None
    from farmwatch.sources.snmp import SnmpConfig, SnmpPeer, SnmpSource  # noqa: PLC0415  (an extra; a second to load)

    peers: dict[str, SnmpPeer] = {}
    plan = settings.plan()
    for name, poll in settings.polls().items():
        source = plan.sources[name]
        if source.via == "snmp":
            peer = SnmpPeer(source.address, poll.version, _plain(poll.secret), poll.interval_s)
            peers.setdefault(source.address, peer)
    return SnmpSource(SnmpConfig(tuple(peers.values())))


def _simulated(settings: Settings, clock: Clock) -> Source | None:
    if settings.simulated is None:
        return None
    from farmwatch.scenario.world import World  # noqa: PLC0415
    from farmwatch.sources.simulated import SimulatedSource, meets_present_s  # noqa: PLC0415

    zone = ZoneInfo(settings.site.timezone)
    start_s = clock.now_s()
    offset = datetime.fromtimestamp(start_s, zone).utcoffset()
    world = World(
        settings.simulated.seed,
        start_s,
        utc_offset_s=offset.total_seconds() if offset is not None else 0.0,
        lively_s=meets_present_s(start_s, SteadyClock().now_s(), settings.simulated.speed),
        sample_s=0.0,
    )
    return SimulatedSource(world, frozenset(settings.simulated.replaces))


# ---- the daemon ---------------------------------------------------------------------------------------------------


def build_clock(settings: Settings) -> Clock:
    """The wall's clock; with a scenario one that plays its past quickly until it meets the present."""
    if settings.simulated is None:
        return SteadyClock()
    steady = SteadyClock()
    start_s = steady.now_s() - DAY_S
    if settings.simulated.start:
        from farmwatch.wire.times import parse  # noqa: PLC0415

        start_s = parse(settings.simulated.start)
    clock = WarpClock(start_s, settings.simulated.speed)
    clock.busy = lambda: True  # it stands at its start until there is somebody to listen
    return clock


def open_journal(settings: Settings) -> JournalGuard:
    """The journal of this configuration; where its folder cannot be made, the journal says so and goes on in memory."""
    with contextlib.suppress(OSError):
        settings.data_path.mkdir(mode=0o700, parents=True, exist_ok=True)
    return JournalGuard(settings.data_path / "journal.db")


def build_channel(name: str, label: str, secret: SecretStr, quiet: str = "") -> Channel:
    """A way to a phone: a receiver of the owner's by plain HTTP, or whatever service the library knows."""
    if secret.get_secret_value().lstrip().startswith("webhook+"):
        from farmwatch.webhook import WebhookChannel  # noqa: PLC0415

        return WebhookChannel(name, label, secret.get_secret_value)
    from farmwatch.channels import AppriseChannel  # noqa: PLC0415  (loads a large library)

    return AppriseChannel(name, label, secret, quiet)


def build_channels(settings: Settings) -> dict[str, Channel]:
    """Ways to phones by name. Service URLs are handed over as secrets and never shown."""
    return {
        name: build_channel(name, channel.label or name, settings.secrets.channel[name], channel.quiet)
        for name, channel in settings.channels.items()
        if name in settings.secrets.channel
    }


def build_actuator(settings: Settings, look: "Look", audit: "Audit", clock: Clock) -> "Actuator | None":
    """What people may have done to machines; None where nothing is turned on."""
    allowed = settings.allowed()
    if not allowed:
        return None
    from farmwatch.actuate import Actuator  # noqa: PLC0415  (only where it is used)
    from farmwatch.actuate_send import Broker, PeerSender  # noqa: PLC0415

    entry, tls, broker = settings.mqtt, _tls(settings), None
    if entry is not None and not settings.replaced("mqtt"):
        password, context = _plain(settings.secrets.mqtt_password), tls.context if tls is not None else None
        broker = Broker(entry.host, entry.port, entry.user, password, context, entry.protocol)
    headers = {name: secret.get_secret_value() for name, secret in settings.secrets.act.items()}
    params = {name: settings.machine(name).params for name in allowed}
    send = PeerSender(broker, headers)
    return Actuator(settings.deeds(), allowed, params, look=look, send=send, audit=audit, clock=clock)


def warm_up(channels: dict[str, Channel]) -> None:
    """Load what the first message needs before it is needed; say what is wrong with a channel."""
    for name, channel in channels.items():
        try:
            channel.check()
        except FarmwatchError as error:
            log.error("channel %s: %s", name, error)  # noqa: TRY400


def key_file(folder: Path, name: str, *, text: bool = False) -> bytes:
    """A secret of our own in the data folder, made at first use, readable by the owner alone.

    Where the folder takes no file, or holds one that was cut off, the secret holds for this run only: links in
    messages and sign-ins end with it, and ``farmwatch say`` finds no token. Watching goes on.
    """
    path, value = folder / name, secrets.token_urlsafe(32).encode() if text else secrets.token_bytes(32)
    try:
        with contextlib.suppress(FileNotFoundError):
            kept = path.read_bytes()
            if path.stat().st_mode & 0o077:
                path.chmod(0o600)
                log.warning("%s could be read by others; it is closed to them now, make a new one", path)
            if len(kept) >= KEY_BYTES:
                return kept
        new = path.with_name(f"{name}.new")
        new.unlink(missing_ok=True)
        descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(value)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        log.error("%s: %s; made anew for this run only", path, error.strerror)  # noqa: TRY400
    return value


def old_keys(folder: Path, name: str) -> tuple[bytes, ...]:
    """The key before the last one, kept beside it as ``<name>.last`` while a new one takes over."""
    try:
        kept = (folder / f"{name}.last").read_bytes()
    except OSError:
        return ()
    return (kept,) if len(kept) >= KEY_BYTES else ()


def build_influx(settings: Settings) -> "InfluxSeries | None":
    """The second place for readings; None where none is configured. The client library is loaded when it is used."""
    entry, token = settings.influx, settings.secrets.influx_token
    if entry is None or token is None:
        return None
    from farmwatch.stores.influx import InfluxConfig, InfluxSeries  # noqa: PLC0415  (only where it is used)

    plan = settings.plan()
    tags = {
        name: (("machine", name), ("bank", machine.bank or ""))
        for name, machine in plan.machines.items()
    }  # fmt: skip
    return InfluxSeries(
        InfluxConfig(
            entry.url, entry.org, entry.bucket, token.get_secret_value,
            ca_file=str(settings.beside(entry.ca_file)) if entry.ca_file else "", site=plan.name,
            spool_bytes=round(entry.spool_mb * 1e6), spool_age_s=entry.spool_days * DAY_S,
        ),
        settings.data_path / "influx-spool", tags,
    )  # fmt: skip


class SpentLinks:
    """Links that have been used: each works once. The journal keeps them, in the transaction of what they did."""

    def __init__(self, journal: JournalGuard, clock: Clock) -> None:
        from farmwatch.web.links import stale  # noqa: PLC0415

        self._spent = {key: doc for kind, key, doc in journal.facts() if kind == "link"}
        now_s = clock.now_s()
        old = stale(self._spent, now_s)
        if old:
            journal.commit(now_s, old, {})

    def __call__(self, nonce: str) -> dict[str, Any] | None:
        """What is on record of a link; None if it has not been used."""
        return self._spent.get(nonce)

    def note(self, effects: Sequence[Effect]) -> None:
        """Take note of links that have just been used."""
        for effect in effects:
            if isinstance(effect, Keep) and effect.kind == "link" and effect.doc is not None:
                self._spent[effect.key] = effect.doc


def several_of(settings: Settings, sources: list[Source], look: Callable[[], View]) -> "Several | None":
    """What stands before the MQTT source where there are other collectors; it takes that one's place in `sources`."""
    from farmwatch.assemble_pair import Several  # noqa: PLC0415
    from farmwatch.sources.mqtt import MqttSource  # noqa: PLC0415  (only where it is used)

    if settings.pair is None and not settings.web.sites and not (settings.mqtt and settings.mqtt.summary):
        return None
    for number, source in enumerate(sources):
        if isinstance(source, MqttSource):
            several = Several(source, settings, look)
            sources[number] = several
            return several
    return None


class House:
    """Everything of one daemon, put together."""

    def __init__(self, settings: Settings, tape: Tape | None = None) -> None:
        from farmwatch.notify import Notifier  # noqa: PLC0415
        from farmwatch.sources.push import PushSource  # noqa: PLC0415
        from farmwatch.stores.embedded import EmbeddedSeries  # noqa: PLC0415
        from farmwatch.stores.embedded.coding import use_numpy  # noqa: PLC0415
        from farmwatch.web.server import WebServer  # noqa: PLC0415

        self.settings = settings
        self.clock = build_clock(settings)
        self.journal = open_journal(settings)
        self.manager = ServiceManager()
        self._link_key = key_file(settings.data_path, "link_key")
        self.spent = SpentLinks(self.journal, self.clock)
        if settings.history.numpy and not use_numpy():
            log.warning("history.numpy: numpy is not installed (pip install 'farmwatch[fast]'); charts do without")
        series = EmbeddedSeries(settings.data_path / "history.db", keep_days=settings.keep_days())
        self.series = series
        self.influx = build_influx(settings)
        charts = self.influx if self.influx is not None and settings.influx and settings.influx.charts else series
        self.brain = Brain(settings.plan())
        self.intake = build_intake(settings)
        self.engine = Engine(self.intake, self.brain) if tape is None else tape.engine(self.intake, self.brain)
        self.brain.restore(self.journal.facts(), self.clock.now_s())
        sources = build_sources(settings, self.clock)
        self.several = several_of(settings, sources, lambda: self.brain.view(self.clock.now_s()))
        push = next((source for source in sources if isinstance(source, PushSource)), None)
        channels = build_channels(settings)
        notifier = Notifier(
            self.journal, channels, self.clock, self.link_for,
            collapse=partial(collapse, timezone=settings.site.timezone),
        )  # fmt: skip
        self.journal_thread = ThreadPoolExecutor(1, thread_name_prefix="journal")
        self.actuator = build_actuator(settings, self._look, self._audit, self.clock)
        self._denied_s: deque[float] = deque(maxlen=DENIALS_KEPT)
        page = WebServer(
            _page_config(settings, self._link_key),
            view=self.view,
            ask=self._ask,
            history=self._history,
            series=charts,
            push=push.accept if push is not None else None,
            used=self.spent,
            clock=self.clock,
            acts=self.actuator,
            denied=self._denied,
            late=lambda: self.daemon.late,
            report=self._report,
            unready=self._unready,
            sites=self._sites if self.several is not None and settings.web.sites else None,
            settled=lambda: self.daemon.settled(),  # noqa: PLW0108  (there is no daemon yet)
        )
        self.heartbeat = self._heartbeat()
        self.notifier = notifier
        self.selftest = self._selftest(channels)
        self.daemon = Daemon(
            Parts(
                engine=self.engine,
                clock=self.clock,
                sources=sources,
                journal=self.journal,
                series=(series,) if self.influx is None else (series, self.influx),
                journal_thread=self.journal_thread,
                channels={name: tuple(c for c in p.channels if c in channels) for name, p in settings.people.items()},
                postman=notifier,
                page=page,
                awake=self.journal.mark_awake,
                answer=filler(answer),
                dark_since_s=self.journal.last_awake(),
                clock_doubt=self._clock_doubt(),
                tick=self._tick,
                stopping=self.manager.stopping,
                stuck=lambda _: self.manager.stuck(),
                watched={"postman": 60.0, "page": 60.0},
                beside=self._beside(),
                warm_up=lambda: warm_up(channels),
            )
        )
        if isinstance(self.clock, WarpClock):
            self.clock.busy = lambda: not self.daemon.started or len(self.daemon.inbox.items) > PLAYED_AHEAD

        if self.several is not None:
            notifier.gate, self.several.wake = self.several, notifier.wake
        notifier.beat = partial(self.daemon.beat, "postman")
        notifier.on_health = lambda name, ok, why: self.daemon.tell(ChannelHealth(self.clock.now_s(), name, ok, why))
        page.on_beat(partial(self.daemon.beat, "page"))

    # ---- who watches the watcher --------------------------------------------------------------------------------

    def _heartbeat(self) -> Heartbeat | None:
        secret = self.settings.secrets.heartbeat_url
        if self.settings.heartbeat is None or secret is None:
            return None
        return Heartbeat(secret.get_secret_value, self.settings.heartbeat.every_s, lambda: not self.daemon.late)

    def _beside(self) -> dict[str, Callable[[], Coroutine[Any, Any, None]]]:
        """Tasks that nothing else waits for."""
        beside: dict[str, Callable[[], Coroutine[Any, Any, None]]] = {"selftest": self.selftest.run}
        if (nightly := self._nightly()) is not None:
            beside["nightly"] = nightly.run
        return beside if self.heartbeat is None else beside | {"heartbeat": self.heartbeat.run}

    def _nightly(self) -> Nightly | None:
        entry, data = self.settings.nightly, self.settings.data_path
        if not entry.keep or self.settings.simulated is not None:
            return None  # days of a scenario are worth no backup
        folder = self.settings.beside(entry.folder) if entry.folder else data / "backups"
        nights = Nights(data, folder, entry.keep, entry.hour, entry.history_days, ZoneInfo(self.settings.site.timezone))
        return Nightly(
            nights, self.clock,
            tell=lambda ok, why: self.daemon.tell(StoreHealth(self.clock.now_s(), "backups", ok, why)),
        )  # fmt: skip

    def _selftest(self, channels: dict[str, Channel]) -> SelfTest:
        zone = ZoneInfo(self.settings.site.timezone)
        days = {name: entry.self_test_days for name, entry in self.settings.channels.items()}
        tested = {key: float(doc["tested_s"]) for kind, key, doc in self.journal.facts() if kind == "channel"}
        for row in self.journal.sent(limit=1_000):
            if row["ok"]:
                tested[row["channel"]] = max(tested.get(row["channel"], 0.0), row["at_s"])
        return SelfTest(
            channels, {name: number * DAY_S for name, number in days.items() if number}, self.settings.site.name,
            self.clock, tested=tested, tell=self._tested,
            last_ok=lambda name: self.notifier.state[name].last_ok_s,
            may=lambda now_s: self._speaks() and 9 <= datetime.fromtimestamp(now_s, zone).hour < 18,
        )  # fmt: skip

    def _speaks(self) -> bool:
        """Whether no other collector is the one that speaks."""
        return self.several is None or self.several.may()

    def _tested(self, result: ChannelHealth) -> None:
        self.daemon.tell(result)

    def _tick(self) -> None:
        """Every task makes progress. Should the event loop stand still, its stack is written to the log."""
        self.manager.alive()
        show_if_held()

    # ---- doing it -----------------------------------------------------------------------------------------------

    def _clock_doubt(self) -> Callable[[], str] | None:
        if not isinstance(self.clock, SteadyClock):
            return None  # a scenario's time is its own
        borne_s = self.brain.farm.book.limit("clock_untrusted", COLLECTOR)
        return ClockWatch(self.clock, self.journal.last_awake(), borne_s).doubt

    def _look(self, machine: str) -> Facts:
        """What is known of a machine that something is to be done to."""
        track = self.brain.farm.machines.get(machine)
        if track is None:
            return Facts("unknown")
        at_s = track.nozzle_at_s
        return Facts(track.state, track.number("nozzle_c"), None if at_s is None else self.clock.now_s() - at_s)

    async def _audit(self, note: Note) -> None:
        """Write it durably, or raise StoreError: memory alone is not enough for this."""
        loop = asyncio.get_running_loop()
        await loop.run_in_executor(self.journal_thread, self.journal.commit, note.at_s, (note,), {})
        if self.journal.trouble:
            raise StoreError(f"the journal cannot be written: {self.journal.trouble}", hint="nothing is done meanwhile")

    async def _denied(self, words: str) -> None:
        """Somebody who may not has tried to act. A flood of them is not written down one by one."""
        now_s = self.clock.now_s()
        if len(self._denied_s) == DENIALS_KEPT and now_s - self._denied_s[0] < 60.0:
            return
        self._denied_s.append(now_s)
        self.daemon.tell(Denied(now_s, words))
        with contextlib.suppress(StoreError):
            await self._audit(Note(now_s, "act", {"step": "denied", "why": words}))

    def _acting(self, view: View) -> None:
        """Put into the view what is turned on at each machine."""
        if self.actuator is None:
            return
        for machine in view["machines"]:
            offers = self.actuator.offers(machine["name"])
            if not offers:
                continue
            machine["actions"] = [
                {"name": o.name, "kind": o.deed, "fits": machine["state"] in DEEDS[o.deed].sensible} for o in offers
            ]
            last = self.actuator.last(machine["name"])
            machine["acted"] = "" if last is None else f"{last.deed}, asked by {last.by}: {last.text}"

    async def _ask(self, said: Said, also: Sequence[Effect] = ()) -> list[Effect]:
        effects = await self.daemon.ask(said, also)
        self.spent.note(also)
        return effects

    def _sites(self) -> list[dict[str, Any]]:
        return [] if self.several is None else self.several.sites(self.clock.now_s())

    def _unready(self) -> str:
        if not self.daemon.started:
            return "the sources are not started yet"
        return f"the journal cannot be written: {self.journal.trouble}" if self.journal.trouble else ""

    async def _report(self, query: Mapping[str, str]) -> Mapping[str, Any]:
        """What the machines gave, read beside the writer, on a thread."""
        from farmwatch.assemble_report import report_of  # noqa: PLC0415

        found = await asyncio.to_thread(report_of, self.settings, query, self.clock.now_s())
        return found.as_dict()

    async def _history(
        self, kind: str | None, since_s: float, limit: int, /, *, until_s: float = math.inf, about: str | None = None
    ) -> list[dict[str, Any]]:
        return await asyncio.to_thread(self.journal.history, kind, since_s, limit, until_s=until_s, about=about)

    def _delivery(self, view: View) -> None:
        """Put into the view how messages get through, and what nobody could be told."""
        labels = {name: entry.label or name for name, entry in self.settings.channels.items()}
        view["channels"] = []
        for name, state in self.notifier.state.items():
            found = self.selftest.results.get(name)
            test = "" if found is None else found.why or "accepted"
            view["channels"].append(
                {"name": name, "label": labels.get(name, name), "waiting": self.notifier.waiting.get(name, 0),
                 "failures": state.failures, "error": state.error, "last_ok_s": state.last_ok_s, "test": test}
            )  # fmt: skip
        view["untold"] = [
            {"at_s": note["at_s"], "to": str(note.get("to", "")), "title": str(note.get("title", "")),
             "error": str(note.get("error", ""))}
            for note in self.notifier.untold
        ]  # fmt: skip

    def view(self) -> View:
        """The brain's view with what the intake has counted."""
        now_s = self.clock.now_s()
        self.brain.looked(now_s)
        view = self.brain.view(now_s)
        health = self.intake.health()
        for row in view["sources"]:
            found = health.get(row["id"])
            if found is not None:
                row["good"], row["bad"], row["last_bad"] = found.good, found.bad, found.last_bad
        if self.settings.site.rounds:
            view["rounds"] = [str(at) for at in self.settings.site.rounds]
        self._acting(view)
        self._delivery(view)
        self._spooled(view)
        return view

    def _spooled(self, view: View) -> None:
        """Put into the view what waits to be sent to the second place for readings."""
        if self.influx is None:
            return
        row = next((store for store in view["stores"] if store["name"] == self.influx.name), None)
        if row is None:
            row = {"name": self.influx.name, "ok": True, "why": ""}
            view["stores"].append(row)
        words = self.influx.doing() if row["ok"] else row["why"]
        row["why"] = "; ".join(filter(None, (words, self.influx.notice)))

    def link_for(self, message: Message, command: str, subject: str) -> str | None:
        """A link by which the phone can answer; None where the page has no address that a phone reaches."""
        from farmwatch.web.links import LIFETIME_S, issue  # noqa: PLC0415

        base = self.settings.web.base_url.rstrip("/")
        if not base or command not in LIFETIME_S:
            return None
        token = issue(command, subject, message.to, self.clock.now_s(), key=self._link_key, unique=message.id)
        return f"{base}/a/{token}"


def _page_config(settings: Settings, link_key: bytes) -> "WebConfig":
    """How the page is served."""
    from farmwatch.web.config import WebConfig  # noqa: PLC0415
    from farmwatch.web.manner import Manner  # noqa: PLC0415
    from farmwatch.web.tokens import FILE  # noqa: PLC0415

    return WebConfig(
        bind=settings.web.bind,
        port=settings.web.port,
        base_url=settings.web.base_url,
        hosts=tuple(settings.web.hosts),
        password=_plain(settings.secrets.web_password),
        link_key=link_key,
        api_token=key_file(settings.data_path, "api_token", text=True).decode(),
        people=tuple(settings.people),
        look_password=_plain(settings.secrets.look_password),
        manner=Manner(
            settings.site.locale,
            settings.site.clock,
            us_units=settings.site.units == "us",
            wall_m=settings.web.wall_distance_m,
        ),
        act_password=_plain(settings.secrets.act_password),
        old_link_keys=old_keys(settings.data_path, "link_key"),
        metrics=settings.web.metrics,
        tokens_file=settings.data_path / FILE,
    )


def _plain(secret: SecretStr | None) -> str | None:
    return None if secret is None else secret.get_secret_value()


def show_if_held() -> None:
    """Unless this is called again in time, the stacks of all threads go to the log."""
    with contextlib.suppress(ValueError, OSError, AttributeError):  # where standard error is no file
        faulthandler.dump_traceback_later(STALLED_S, exit=False)


async def _live(house: House) -> None:
    show_if_held()
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(Calm())
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, house.daemon.stop)

    def ready(address: str) -> None:
        house.manager.ready(f"watching {len(house.settings.machines)} machines")
        print(f"page: {address}", flush=True)  # noqa: T201  (what one looks for after starting it)

    await house.daemon.run(ready)


def start_logging() -> None:
    """Log lines to standard error; a service manager adds the time itself."""
    form = "%(levelname)s %(name)s: %(message)s"
    if sys.stderr.isatty():
        form = "%(asctime)s " + form
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(PlainLines(form))
    logging.basicConfig(level=os.environ.get("FARMWATCH_LOG", "INFO").upper(), handlers=[handler])
    logging.getLogger("aiohttp.access").setLevel(logging.WARNING)


def run_daemon(settings: Settings, record: str | None = None) -> int:
    """Run until told to stop. Exit code 0 after an orderly stop, 1 if the brain has failed."""
    start_logging()
    faulthandler.enable()  # the watchdog's SIGABRT leaves the stacks of all threads in the log
    tape = None if record is None else Tape(Path(record))
    gc.disable()
    house = House(settings, tape)
    gc.enable()
    gc.freeze()  # what stays for good is not looked through again and again: at 10,000 machines a second each time
    for remark in remarks(settings):
        log.log(logging.WARNING if "collector_backup" in remark else logging.INFO, "%s", remark)
    if house.journal.notice:
        log.warning("journal: %s", house.journal.notice)
    try:
        asyncio.run(_live(house))
    except StoreError as error:
        log.error("%s", error)  # noqa: TRY400
        return 1
    finally:
        faulthandler.cancel_dump_traceback_later()
        if tape is not None:
            tape.close()
    return 0
