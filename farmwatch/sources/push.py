"""HTTP push: devices POST to configured paths with a token. The web server calls `accept`; nothing listens here."""

import asyncio
import hashlib
import hmac
import logging
from dataclasses import dataclass, field
from http import HTTPStatus

from farmwatch.ports import Clock, Deliver
from farmwatch.words.model import Raw

log = logging.getLogger("farmwatch.push")

MOST_BYTES = 256 * 1024


@dataclass(frozen=True, slots=True)
class PushConfig:
    """Paths that devices may post to, and the token that they must show; None: nobody may post."""

    paths: tuple[str, ...] = ()
    token: str | None = field(default=None, repr=False)


class PushSource:
    """Takes what the web server has received."""

    name = "push"

    def __init__(self, config: PushConfig) -> None:
        self.paths = frozenset(config.paths)
        self._digest = _digest(config.token) if config.token else None
        self._door: tuple[Deliver, Clock] | None = None

    async def run(self, deliver: Deliver, clock: Clock) -> None:
        """Take posts until cancelled."""
        self._door = (deliver, clock)
        try:
            await asyncio.Future()
        finally:
            self._door = None

    async def accept(self, path: str, token_header: str | None, body: bytes) -> int:
        """One POST; the HTTP status to answer with.

        `token_header` is the value of the Authorization header, ``Bearer TOKEN`` or the bare token. 204 taken,
        401 no or a wrong token, 404 no such path (told only to who has the token), 413 body above 256 KiB, 503
        not running.
        """
        if not self._knows(token_header):
            return HTTPStatus.UNAUTHORIZED
        if path not in self.paths:
            return HTTPStatus.NOT_FOUND
        if len(body) > MOST_BYTES:
            return HTTPStatus.REQUEST_ENTITY_TOO_LARGE
        if self._door is None:
            return HTTPStatus.SERVICE_UNAVAILABLE
        deliver, clock = self._door
        deliver(Raw(clock.now_s(), "push", path, body))
        return HTTPStatus.NO_CONTENT

    def _knows(self, header: str | None) -> bool:
        """Compare digests: of one length and in constant time, so that the answer's time tells nothing."""
        scheme, _, rest = (header or "").strip().partition(" ")
        shown = rest.strip() if scheme.lower() == "bearer" else (header or "").strip()
        same = hmac.compare_digest(_digest(shown), self._digest or _digest(""))
        return same and self._digest is not None and bool(shown)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogateescape")).digest()
