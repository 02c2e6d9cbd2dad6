"""Commands that talk to peers: check --online, record, say, notify test, healthcheck."""

import asyncio
import contextlib
import json
import signal
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any, TextIO

from farmwatch.clock import SteadyClock
from farmwatch.ports import Deliver, Source
from farmwatch.settings import ConfigErrors, Problem, Settings
from farmwatch.words.errors import FarmwatchError, PeerUnavailable, StoreError
from farmwatch.words.model import Failed, Input, Link, Message, Raw

ANSWER_S = 10.0
UNAVAILABLE = 69
LONGEST = 1 << 27
"""Bytes of an answer: the view of ten thousand machines is some 40 MB."""


def out(text: str) -> None:
    """Data."""
    sys.stdout.write(text + "\n")


def talk(text: str) -> None:
    """Talk."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


# ---- sources, for a while ---------------------------------------------------------------------------------------


def beside(settings: Settings, what: str) -> Settings:
    """The settings with an MQTT identifier of their own, so that a running daemon is not pushed off the broker."""
    if settings.mqtt is None:
        return settings
    name = f"{settings.mqtt.client_id}-{what}-{time.monotonic_ns() % 1_000_000}"
    return settings.model_copy(update={"mqtt": settings.mqtt.model_copy(update={"client_id": name})})


async def listen(sources: Sequence[Source], deliver: Deliver, seconds: float) -> None:
    """Run sources for some seconds, or until stopped by a signal where `seconds` is 0."""
    clock, loop, ended = SteadyClock(), asyncio.get_running_loop(), asyncio.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(name, ended.set)
    tasks = [asyncio.create_task(source.run(deliver, clock), name=source.name) for source in sources]
    try:
        await asyncio.wait_for(ended.wait(), seconds or None)
    except TimeoutError:
        pass
    finally:
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
        for source, result in zip(sources, results, strict=True):
            if isinstance(result, Exception):
                talk(f"source {source.name}: {type(result).__name__}: {result}")


def check_online(settings: Settings, seconds: float, *, as_json: bool) -> int:
    """Ask every peer for some seconds and print the last value that each mapping yields.

    Exit code 69 if a source said nothing that could be read.
    """
    from farmwatch.assemble import build_intake, build_sources  # noqa: PLC0415  (the whole house; not for `say`)

    settings = beside(settings, "check")
    intake, failures = build_intake(settings), Failures()

    def deliver(item: Input) -> None:
        failures.note(item)
        intake.decode(item)

    talk(f"listening for {seconds:g} s")
    asyncio.run(listen(build_sources(settings), deliver, seconds))
    now_s, rows = SteadyClock().now_s(), []
    for route in settings.routes():
        plan, health = route.source, intake.health().get(route.source.id)
        heard = health is not None and health.last_at_s is not None
        row: dict[str, Any] = {
            "source": plan.id,
            "via": plan.via,
            "address": plan.address,
            "good": health.good if health else 0,
            "bad": health.bad if health else 0,
            "age_s": round(now_s - health.last_at_s, 1) if health and health.last_at_s is not None else None,
            "retained": bool(health.last_retained) if health and heard else False,
            "values": dict(health.last_values) if health and heard and health.last_values else {},
            "error": None,
        }
        row["error"] = (health.last_bad if health else None) or failures.of(plan.via, plan.address)
        rows.append(row)
    if as_json:
        out(json.dumps(rows, indent=1, ensure_ascii=False))
    else:
        for row in rows:
            _print(
                row,
                {
                    field.quantity
                    for r in settings.routes()
                    if r.source.id == row["source"]
                    for field in r.mapping.fields
                },
            )
    silent = [row["source"] for row in rows if not row["good"]]
    if silent:
        talk(f"nothing readable from {len(silent)} of {len(rows)} sources: {', '.join(silent[:12])}")
    return UNAVAILABLE if silent else 0


def _print(row: dict[str, Any], wanted: set[str]) -> None:
    out(f"{row['source']}  {row['via']} {row['address']}")
    for quantity in sorted(wanted | set(row["values"])):
        value = row["values"].get(quantity)
        out(f"    {quantity} = {'unknown' if value is None else value}")
    if row["age_s"] is None:
        out("    nothing was heard")
    else:
        kept = ", kept by the broker: last known, not fresh" if row["retained"] else ""
        out(f"    {row['good']} good, {row['bad']} bad, the last {row['age_s']:g} s ago{kept}")
    if row["error"]:
        out(f"    error: {row['error']}")


class Failures:
    """The last failure of each peer."""

    def __init__(self) -> None:
        self._last: dict[tuple[str, str | None], str] = {}

    def note(self, item: Input) -> None:
        """Look at an input."""
        if isinstance(item, Failed):
            self._last[item.via, item.address] = item.error
        elif isinstance(item, Link) and not item.connected:
            self._last[item.via, item.address] = "not connected"
        elif isinstance(item, Link | Raw):
            self._last.pop((item.via, item.address), None)

    def of(self, via: str, address: str) -> str | None:
        """What failed last at an address, or at the transport's only peer."""
        return self._last.get((via, address)) or self._last.get((via, None))


def record(settings: Settings, output: str, seconds: float) -> int:
    """Write every raw message as received, as JSON Lines."""
    from farmwatch.assemble import build_sources  # noqa: PLC0415
    from farmwatch.wire.recording import write  # noqa: PLC0415

    settings, count = beside(settings, "record"), 0

    def into(file: TextIO) -> Deliver:
        def deliver(item: Input) -> None:
            nonlocal count
            count += 1
            file.write(write(item) + "\n")
            file.flush()

        return deliver

    talk("recording " + (f"for {seconds:g} s" if seconds else "until Ctrl-C"))
    if output == "-":
        asyncio.run(listen(build_sources(settings), into(sys.stdout), seconds))
    else:
        try:
            with open(output, "x", encoding="utf-8", newline="\n") as file:  # noqa: PTH123
                asyncio.run(listen(build_sources(settings), into(file), seconds))
        except FileExistsError:
            raise StoreError(f"{output} is there already", hint="a recording is never overwritten") from None
        except OSError as error:
            raise StoreError(f"{output}: {error.strerror}") from None
    talk(f"{count} lines")
    return 0


# ---- the running daemon ------------------------------------------------------------------------------------------


def say(settings: Settings, fields: dict[str, Any]) -> int:
    """Post what somebody did; prints what followed from it."""
    if "machine" in fields:
        known_machine(settings, fields["machine"])
    answer = ask_daemon(settings, "/api/v1/say", fields)
    out(json.dumps(answer, ensure_ascii=False) if answer else "noted")
    return 0


def known_machine(settings: Settings, name: str) -> None:
    """Raises FarmwatchError where no machine is called so."""
    if name not in settings.machines:
        from farmwatch.settings_check import meant  # noqa: PLC0415

        raise FarmwatchError(f'no machine is called "{name}"', hint=meant(name, settings.machines))


def ask_daemon(settings: Settings, path: str, fields: dict[str, Any] | None = None) -> Any:  # noqa: ANN401  (JSON)
    """What the running daemon answers, with the token that it has written down; a POST where there are fields."""
    try:
        token = (settings.data_path / "api_token").read_text("ascii").strip()
    except OSError as error:
        why = error.strerror or "cannot be read"
        raise PeerUnavailable(f"{settings.data_path / 'api_token'}: {why}", hint="is farmwatch run at work?") from None
    return _ask(settings, path, None if fields is None else json.dumps(fields).encode(), token)


def health(settings: Settings) -> int:
    """Ask the running daemon whether it is well and ready."""
    _ask(settings, "/healthz", None, "")
    _ask(settings, "/readyz", None, "")
    return 0


def address(settings: Settings) -> str:
    """Where the running daemon can be asked from this computer.

    Raises:
        FarmwatchError: if the port is only known at start.
    """
    if settings.web.port == 0:
        raise FarmwatchError("the page takes a free port, so it cannot be found", hint="set web.port")
    host = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(settings.web.bind, settings.web.bind)  # noqa: S104
    return f"http://{f'[{host}]' if ':' in host and not host.startswith('[') else host}:{settings.web.port}"


def _ask(settings: Settings, path: str, body: bytes | None, token: str) -> Any:  # noqa: ANN401  (JSON)
    headers = {"Content-Type": "application/json", "Accept": "application/json"}
    if token:
        headers["Authorization"] = f"Bearer {token}"
    url = address(settings) + path
    request = urllib.request.Request(url, data=body, headers=headers)  # noqa: S310  (our own http address)
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))
    try:
        with opener.open(request, timeout=ANSWER_S) as answer:
            text = answer.read(LONGEST)
    except urllib.error.HTTPError as error:
        with error:
            raise _refused(error.code, error.read(1 << 16)) from None
    except (OSError, TimeoutError) as error:
        why = getattr(error, "reason", None) or error
        raise PeerUnavailable(f"{url}: {why}", hint="is farmwatch run at work?") from None
    with contextlib.suppress(ValueError):
        return json.loads(text)
    return None


def _refused(status: int, body: bytes) -> FarmwatchError:
    """RFC 9457 problem details, if they are there."""
    try:
        problem = json.loads(body)
        title, detail, hint = (str(problem.get(key) or "") for key in ("title", "detail", "hint"))
    except (ValueError, AttributeError):
        title, detail, hint = f"HTTP {status}", "", ""
    words = f"{title}: {detail}" if detail else title
    return PeerUnavailable(words, hint=hint) if status >= 500 else FarmwatchError(words, hint=hint)


# ---- channels -----------------------------------------------------------------------------------------------------


def notify_test(settings: Settings, only: Sequence[str], clock: Callable[[], float] = time.monotonic) -> int:
    """Send a test message through each channel; prints how long each took. Exit code 69 if one failed."""
    unknown = [name for name in only if name not in settings.channels]
    if unknown:
        from farmwatch.settings_check import meant  # noqa: PLC0415

        raise FarmwatchError(f'no channel is called "{unknown[0]}"', hint=meant(unknown[0], settings.channels))
    if not settings.channels:
        raise FarmwatchError("no channel is configured", hint="add [channels.phone], and secrets/channel_phone")
    return asyncio.run(_notify_test(settings, only or list(settings.channels), clock))


def notify_status(settings: Settings) -> int:
    """How messages get through. Exit code 1 if a channel fails, or somebody could not be told."""
    view = ask_daemon(settings, "/api/v1/view")
    for channel in view.get("channels", []):
        state = f"fails: {channel['error']}" if channel["failures"] else "works"
        state = "not used yet" if not channel["failures"] and channel["last_ok_s"] is None else state
        test = f", silent test: {channel['test']}" if channel["test"] else ""
        out(f"{channel['name']} ({channel['label']}): {state}, {channel['waiting']} waiting{test}")
    for row in view.get("untold", []):
        at = datetime.fromtimestamp(row["at_s"], UTC).isoformat(timespec="seconds")
        out(f"could not tell {row['to']}: {row['title']} ({at}; {row['error']})")
    return int(bool(view.get("untold")) or any(channel["failures"] for channel in view.get("channels", [])))


async def _notify_test(settings: Settings, names: Sequence[str], clock: Callable[[], float]) -> int:
    from farmwatch.assemble import build_channel  # noqa: PLC0415  (the whole house; not for `say`)

    failed = 0
    now_s = SteadyClock().now_s()
    for name in names:
        label = settings.channels[name].label or name
        channel = build_channel(name, label, settings.secrets.channel[name])
        began = clock()
        try:
            async with asyncio.timeout(ANSWER_S):
                await channel.send(_test_message(settings, name, now_s), ())
        except TimeoutError:
            failed += 1
            out(f"{name} ({label}): no answer within {ANSWER_S:g} s")
        except FarmwatchError as error:
            failed += 1
            out(f"{name} ({label}): failed after {clock() - began:.1f} s: {error}")
        else:
            out(f"{name} ({label}): accepted in {clock() - began:.1f} s")
    return UNAVAILABLE if failed else 0


def _test_message(settings: Settings, channel: str, now_s: float) -> Message:
    title = f"Test from {settings.site.name}"[:60]
    text = "This is what a message from Farmwatch looks like. Nothing needs you."
    return Message(f"test-{now_s:.0f}-{channel}", now_s, channel, "session", title, text, "test", "note")


def check_channels(settings: Settings) -> None:
    """Look at every channel's service URL; nothing is sent.

    Raises:
        ConfigErrors: with those that cannot be one.
    """
    if not settings.channels:
        return
    from farmwatch.assemble import build_channel  # noqa: PLC0415

    found = []
    for name, entry in settings.channels.items():
        file = settings.secrets_path / f"channel_{name}"
        try:
            build_channel(name, entry.label or name, settings.secrets.channel[name]).check()
        except FarmwatchError as error:
            near = error.hint or "write the service URL as the library apprise wants it"
            found.append(Problem(str(file), None, f"channels.{name}", error.args[0], near))
    if found:
        raise ConfigErrors(found)
