"""The pair and the sites on the wire: topics below ``farmwatch/<site>/``, by the connection of the readings."""

import asyncio
import contextlib
import json
import logging
import re
import time
from collections.abc import Callable, Sequence
from typing import Any

from farmwatch.pair import LEFT_S, Pair, Publish
from farmwatch.ports import Clock, Deliver, OutboxRow
from farmwatch.settings import Settings
from farmwatch.sources.mqtt import MqttSource
from farmwatch.words.errors import PeerUnavailable
from farmwatch.words.model import Input, Link, Raw
from farmwatch.words.view import View

SUMMARY_S = 10.0
MOST_SITES = 500
log = logging.getLogger("farmwatch.pair")


def slug(site: str) -> str:
    """A site's name as a level of a topic."""
    return re.sub(r"[^a-z0-9]+", "-", site.lower()).strip("-") or "site"


class Several:
    """Takes what concerns other collectors out of the stream, and publishes what they must know.

    It is a source (it stands before the MQTT source) and the notifier's gate.
    """

    name = "mqtt"

    def __init__(self, source: MqttSource, settings: Settings, look: Callable[[], View]) -> None:
        entry, mqtt = settings.pair, settings.mqtt
        if mqtt is None:
            raise ValueError("there is no broker")
        self._source, self._look = source, look
        self.base = f"farmwatch/{slug(settings.site.name)}/"
        self.site, self.me = settings.site.name, mqtt.client_id
        self.pair = None
        if entry is not None:
            self.pair = Pair(
                mqtt.client_id, entry.peer, primary=entry.role == "primary", fresh_s=entry.fresh_s,
                began_s=time.monotonic(),
            )  # fmt: skip
        self._peer_status = f"{entry.peer}/status" if entry is not None else ""
        self.wake: Callable[[], None] = lambda: None
        self._summaries: dict[str, dict[str, Any]] = {}
        self._shown = frozenset(settings.web.sites)
        self._states: dict[str, str] = {}  # collector: online, offline, or lost (its last will)
        self._led = ""

    # ---- in --------------------------------------------------------------------------------------------------

    @staticmethod
    def topics(settings: Settings) -> tuple[str, ...]:
        """What to subscribe to beside the readings."""
        found = [topic for name in settings.web.sites for topic in (f"farmwatch/+/summary/{name}", f"{name}/status")]
        if settings.pair is not None:
            base = f"farmwatch/{slug(settings.site.name)}/"
            found += [f"{base}leader", f"{base}beat/+", f"{base}sent/+", f"{settings.pair.peer}/status"]
        return tuple(found)

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """As the MQTT source does, with our own messages taken out."""

        def sort(item: Input) -> None:
            if isinstance(item, Raw) and self._ours(item):
                return
            if isinstance(item, Link) and self.pair is not None:
                self.pair.link(time.monotonic(), up=item.connected)
            deliver(item)

        async with asyncio.TaskGroup() as both:  # whichever fails ends the other: the supervisor starts both anew
            beside = both.create_task(self._tend(clock), name="several collectors")
            try:
                await self._source.run(sort, clock)
            finally:
                beside.cancel()

    def _ours(self, item: Raw) -> bool:
        topic = item.address
        if topic.startswith("farmwatch/") and "/summary/" in topic:
            self._summary(topic, item)
            return True
        if topic.removesuffix("/status") in self._shown:
            self._states[topic.removesuffix("/status")] = str(_doc(item.body).get("state"))
            if topic != self._peer_status:
                return True
        if self.pair is None:
            return False
        if topic == self._peer_status:
            self.pair.will(str(_doc(item.body).get("state")))
        elif topic.startswith(self.base):
            self.pair.heard(topic.removeprefix(self.base), _doc(item.body), time.monotonic(), retained=item.retained)
            if topic == f"{self.base}leader" and self.pair.leader != self._led:
                self._led = self.pair.leader
                log.warning("%s speaks now (term %d)", self._led, self.pair.term)
                self.wake()
        else:
            return False
        return True

    # ---- out -------------------------------------------------------------------------------------------------

    async def _tend(self, clock: Clock) -> None:
        next_s = 0.0
        while True:
            if self.pair is not None:
                was = self.pair.may(time.monotonic())
                for message in self.pair.tick(time.monotonic()):
                    self._publish(message)
                if self.pair.may(time.monotonic()) and not was:
                    self.wake()
            began_s = time.monotonic()
            if began_s >= next_s and self._source.connected and self._speaks():
                doc = {"site": self.site, "at_s": clock.now_s(), "client": self.me, **self._look()["verdict"]}
                self._publish(Publish(f"summary/{self.me}", doc, retain=True))
                next_s = began_s + max(SUMMARY_S, 20 * (time.monotonic() - began_s))
            await asyncio.sleep(1.0 if self.pair is None else min(1.0, self.pair.fresh_s / 10))

    def _speaks(self) -> bool:
        return self.pair is None or self.pair.leader in ("", self.me)

    def _publish(self, message: Publish) -> None:
        with contextlib.suppress(PeerUnavailable):
            body = json.dumps(message.doc, allow_nan=False)
            self._source.publish(self.base + message.leaf, body, retain=message.retain, qos=1)

    # ---- the notifier's gate ---------------------------------------------------------------------------------

    def may(self) -> bool:
        """Whether we are the one that speaks."""
        return self.pair is None or self.pair.may(time.monotonic())

    def elsewhere(self, row: OutboxRow) -> bool:
        """The other has sent it; or it leads and has not, for an hour."""
        if self.pair is None:
            return False
        if self.pair.sent_elsewhere(row.message, row.channel):
            return True
        old = row.message.priority != "danger" and time.time() - row.created_s > LEFT_S
        return old and self.pair.leader == self.pair.peer

    def sending(self, rows: Sequence[OutboxRow], *, done: bool) -> None:
        """Tell the other."""
        if self.pair is not None:
            for row in rows[:-1]:
                self.pair.sending(row.message, row.channel, done=done)
            self._publish(self.pair.sending(rows[-1].message, rows[-1].channel, done=done))

    def busy(self, *, sending: bool) -> None:
        """Nothing is handed over in the middle of a call."""
        if self.pair is not None:
            self.pair.busy = sending

    # ---- sites -----------------------------------------------------------------------------------------------

    def _summary(self, topic: str, item: Raw) -> None:
        doc = _doc(item.body)
        if not isinstance(doc.get("at_s"), int | float) or not isinstance(doc.get("site"), str):
            return
        if topic in self._summaries or len(self._summaries) < MOST_SITES:
            self._summaries[topic] = doc

    def sites(self, now_s: float) -> list[dict[str, Any]]:
        """A row a site: the newest summary of its collectors; unknown when that is old."""
        newest: dict[str, dict[str, Any]] = {}
        for topic, doc in self._summaries.items():
            place = topic.split("/")[1]
            if place not in newest or doc["at_s"] > newest[place]["at_s"]:
                newest[place] = doc
        rows = []
        for place in sorted(newest):
            doc = newest[place]
            age_s = now_s - float(doc["at_s"])
            client = str(doc.get("client", ""))[:80]
            link = self._states.get(client, "unknown")
            stale = not -60.0 <= age_s <= 6 * SUMMARY_S or link in ("lost", "offline")
            rows.append({
                "site": str(doc["site"])[:80], "collector": client, "link": link, "age_s": max(age_s, 0.0),
                "stale": stale, "level": "unknown" if stale else str(doc.get("level", "unknown")),
                "title": "Nothing is known of it now" if stale else str(doc.get("title", ""))[:200],
                "last": str(doc.get("title", ""))[:200],
            })  # fmt: skip
        return rows


def _doc(body: bytes) -> dict[str, Any]:
    """A JSON object; empty where it is none."""
    try:
        found = json.loads(body[:65_536])
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
