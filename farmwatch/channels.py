"""A way to a person's phone through the apprise library: more than a hundred services, one URL each.

The URL holds tokens and passwords. It never leaves this file: errors and logs speak of the channel's label.
Each call runs on a daemon thread of its own, because the library blocks and its time-outs are per read: a
service that answers one byte at a time could hold a pooled thread for ever, and with it the orderly stop.
"""

import asyncio
import contextvars
import difflib
import importlib
import logging
import re
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from farmwatch.words.errors import ConfigError, PeerUnavailable
from farmwatch.words.model import Message

if TYPE_CHECKING:
    from types import ModuleType

THREADS = 3  # calls of one channel that may hang at the same time before it takes no more
READ_S = 4.0  # of one read
CONNECT_S = 4.0
TITLE_MAX = 120
TEXT_MAX = 2_000

UNSEEN = {
    # control characters, bidirectional marks, invisible and private ones: nobody means them in a name
    *(code for code in range(0x20) if code != 0x0A),
    *range(0x7F, 0xA0), 0x061C, *range(0x200B, 0x2010), 0x2028, 0x2029, *range(0x202A, 0x202F),
    *range(0x2060, 0x2070), 0xFEFF, *range(0xFFF9, 0xFFFC), *range(0xD800, 0xE000), *range(0xE0000, 0xE0080),
}  # fmt: skip
PLAIN: dict[int, str | None] = {**dict.fromkeys(UNSEEN)}
PLAIN |= {ord("<"): "\u2039", ord(">"): "\u203a", ord("`"): "'", ord("\t"): " "}
"""What stands for characters that some service reads as markup; a name is never a tag."""

REPEAT = "(A repeat: it may have reached you before.)"

_why: contextvars.ContextVar["list[Reason] | None"] = contextvars.ContextVar("why", default=None)


class Reason(NamedTuple):
    """Why a service did not accept a message, and whether it may have got through all the same."""

    words: str
    maybe: bool


class Secret(Protocol):
    """A secret that shows itself only when asked (pydantic's SecretStr is one)."""

    def get_secret_value(self) -> str:
        """The secret itself."""
        ...


class AppriseChannel:
    """`ports.Channel` by an apprise URL. `label` is what logs, pages and errors may say."""

    def __init__(self, name: str, label: str, url: Secret, quiet: str = "") -> None:
        self.name = name
        self.label = label
        self._url = url
        self._quiet = quiet
        self._service: Any = None
        self._soft: Any = None  # the same with the options that make it silent
        self._alive = 0

    def check(self) -> None:
        """Look at the URL without sending; raises ConfigError with words that do not contain it."""
        self._make()

    async def send(
        self,
        message: Message,
        links: Sequence[tuple[str, str]],
        *,
        key: str = "",  # noqa: ARG002  (the services have no place for it; the text says that it is a repeat)
        repeat: bool = False,
    ) -> None:
        """Hand over one message.

        Raises:
            PeerUnavailable: the service refused it, cannot be reached, or too many calls to it hang.
        """
        if self._alive >= THREADS:
            raise PeerUnavailable(f"{self.label}: {self._alive} earlier calls still hang", maybe=repeat)
        loop = asyncio.get_running_loop()
        result: asyncio.Future[Reason | None] = loop.create_future()

        def work() -> None:
            try:
                error = self._call(message, links, repeat=repeat)
            except ConfigError as mistake:
                error = Reason(str(mistake), maybe=False)
            except BaseException as failure:  # noqa: BLE001  (whatever a service's code throws stays inside)
                error = Reason(f"{self.label}: failed inside ({type(failure).__name__})", maybe=True)
            try:
                loop.call_soon_threadsafe(finished, error)
            except RuntimeError:
                return  # the loop is closed; nobody waits any more

        def finished(error: Reason | None) -> None:
            self._alive -= 1
            if not result.done():
                result.set_result(error)

        self._alive += 1
        threading.Thread(target=work, name=f"send {self.name}", daemon=True).start()
        try:
            error = await result
        except asyncio.CancelledError:
            self._service = self._soft = None  # a call that hangs keeps its own; the next one begins afresh
            raise
        if error is not None:
            raise PeerUnavailable(error.words, maybe=error.maybe)

    def _call(self, message: Message, links: Sequence[tuple[str, str]], *, repeat: bool) -> "Reason | None":
        """On the thread: what went wrong, or None."""
        apprise = _library()
        if self._quiet and (message.silent or message.priority == "test"):
            service = self._soft = self._soft or self._make(self._quiet)
        else:
            service = self._service = self._service or self._make()
        sender = apprise.Apprise(asset=service.asset)
        sender.add(service)
        kinds = {"danger": "failure", "session": "warning"}
        reasons: list[Reason] = []
        token = _why.set(reasons)
        try:
            sent = sender.notify(
                title=clean(message.title, TITLE_MAX).replace("\n", " "),
                body=body_of(message, links, repeat=repeat),
                notify_type="success" if message.step == "clear" else kinds.get(message.priority, "info"),
                body_format="text",
            )
        finally:
            _why.reset(token)
        if sent:
            return None
        why = reasons[-1] if reasons else Reason("the service did not accept it", maybe=True)
        return Reason(f"{self.label}: {why.words}", why.maybe)

    def _make(self, more: str = "") -> Any:  # noqa: ANN401  (the library has no types)
        """The library's object for the URL and more options of it, with our limits on it."""
        apprise = _library()
        asset = apprise.AppriseAsset(
            async_mode=False, interpret_emojis=False, secure_logging=True, storage_mode="memory", app_id="Farmwatch",
            app_desc="Farmwatch", app_url="",
        )  # fmt: skip
        url = self._url.get_secret_value().strip()
        if more:
            url += ("&" if "?" in url else "?") + more
        try:
            service = _by_its_own_module(url, asset)
        except Exception:  # noqa: BLE001  (a shortcut through another project's house; the front door follows)
            service = None
        if service is None:
            service = apprise.Apprise.instantiate(url, asset=asset)
        if service is None:
            raise ConfigError(
                f"{self.label}: its URL is none that the library knows",
                hint=_meant(url) or "see the list of services at the apprise project; the URL belongs in the secrets "
                "folder",
            )
        service.socket_read_timeout = READ_S
        service.socket_connect_timeout = CONNECT_S
        service.redirects = False  # a service that moves says so here rather than sending a token elsewhere
        return service


def clean(text: str, limit: int) -> str:
    """Text without anything that a service or a phone could read as markup, a mention, a link or a control."""
    text = text.translate(PLAIN)
    text = re.sub(r"\]\(", "] (", text)
    text = re.sub(r"(?<!\w)@(?=\w)", "@ ", text)
    text = re.sub(r"(?<=\w)://", ": //", text)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def body_of(message: Message, links: Sequence[tuple[str, str]], *, repeat: bool = False) -> str:
    """The message's text and its links, which come from us and stay as they are; whether it is a repeat."""
    lines = [clean(message.text, TEXT_MAX), *(f"{clean(label, TITLE_MAX)}: {address}" for label, address in links)]
    lines += [REPEAT] if repeat else []
    return "\n".join(line for line in lines if line) or clean(message.title, TITLE_MAX)


class _Reasons(logging.Handler):
    """Turns the library's log, which may hold addresses and tokens, into one of a few known phrases."""

    def emit(self, record: logging.LogRecord) -> None:
        reasons = _why.get()
        if reasons is None or record.levelno < logging.WARNING:
            return
        words = record.getMessage()
        status = re.search(r"\berror=(\d{3})\b", words)
        if status is not None:
            reasons.append(Reason(f"the service answered {status[1]}", maybe=status[1].startswith("5")))
        elif re.search(r"connection error|smtp|socket|timed? ?out|i/o error", words, re.IGNORECASE):
            reasons.append(Reason("the service cannot be reached or broke off", maybe=True))


def _by_its_own_module(url: str, asset: Any) -> Any:  # noqa: ANN401  (the library has no types)
    """The service object, loading the one module that knows the URL's scheme; None if there is no such shortcut.

    The library itself loads all its two hundred modules first: 20 MiB, and seconds on a small computer, in which
    the first message would miss its deadline.
    """
    scheme = url.partition("://")[0].lower()
    if not re.fullmatch(r"[a-z0-9]+", scheme) or scheme in ("http", "https"):
        return None
    folder = Path(_library().__file__ or "").parent / "plugins"
    quoted = re.compile(rf"""["']{scheme}["']""")
    for file in sorted(folder.rglob("*.py")):
        if file.parent == folder and file.stem in ("__init__", "base"):
            continue
        if quoted.search(file.read_text(encoding="utf-8", errors="replace")):
            inside = file.relative_to(folder).with_suffix("").parts
            service = _from_module(".".join(("apprise.plugins", *inside)), scheme, url, asset)
            if service is not None:
                return service
    return None


def _from_module(module: str, scheme: str, url: str, asset: Any) -> Any:  # noqa: ANN401  (the library has no types)
    for name, kind in vars(importlib.import_module(module)).items():
        if not (name.startswith("Notify") and isinstance(kind, type) and hasattr(kind, "parse_url")):
            continue
        known: set[str] = set()
        for words in (getattr(kind, "protocol", None), getattr(kind, "secure_protocol", None)):
            known |= {words} if isinstance(words, str) else set(words or ())
        if scheme in known and (results := kind.parse_url(url)):
            return kind(**{**results, "schema": scheme, "asset": asset})
    return None


def _meant(url: str) -> str:
    """A service that is called nearly so; the scheme is the only part of a URL that holds no secret."""
    scheme = url.partition("://")[0].lower() if "://" in url else ""
    if not re.fullmatch(r"[a-z0-9+]{1,20}", scheme):
        return ""
    manager = importlib.import_module("apprise.manager_plugins").NotificationManager()
    known = {str(name) for name in manager.schemas()} | {"webhook+http", "webhook+https"}
    if scheme in known:
        return f"the service {scheme} wants its URL in another form"
    near = difflib.get_close_matches(scheme, sorted(known), 1)
    return f"there is no service {scheme}; did you mean {near[0]}?" if near else f"there is no service {scheme}"


def _library() -> "ModuleType":
    """The library, imported when the first message goes out (a tenth of a second), its log kept to ourselves."""
    import apprise  # noqa: PLC0415

    logger = logging.getLogger("apprise")
    if not any(isinstance(handler, _Reasons) for handler in logger.handlers):
        logger.addHandler(_Reasons())
        logger.propagate = False
        logger.setLevel(logging.WARNING)
        # At DEBUG this one writes every address, path and query, tokens and all.
        logging.getLogger("urllib3").setLevel(logging.WARNING)
    return apprise
