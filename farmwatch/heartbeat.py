"""A request to an address of the owner's now and then, for as long as all is well: its absence says that we are gone.

Nobody on this computer can tell a phone that this computer is off. Somebody elsewhere, who expects a request every
minute, can. It is sent only while every task makes progress; its address is a secret, and no redirect is followed.
"""

import asyncio
import logging
from collections.abc import Callable

import aiohttp

TOTAL_S = 10.0
log = logging.getLogger(__name__)


class Heartbeat:
    """GETs `url()` every `every_s` seconds of real time while `well()`. `error` says why the last one failed."""

    def __init__(self, url: Callable[[], str], every_s: float, well: Callable[[], bool]) -> None:
        self.error = ""
        self.sent = 0
        self._url, self._every_s, self._well = url, every_s, well

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            if self._well():
                self._note(await self._once())
            await asyncio.sleep(self._every_s)

    async def _once(self) -> str:
        """One request; words for what went wrong, or an empty string."""
        timeout = aiohttp.ClientTimeout(total=TOTAL_S)
        try:
            async with (
                aiohttp.ClientSession(timeout=timeout, trust_env=False) as session,
                session.get(self._url(), allow_redirects=False, headers={"User-Agent": "farmwatch"}) as answer,
            ):
                return "" if answer.status < 300 else f"the receiver answered {answer.status}"
        except TimeoutError:
            return f"no answer within {TOTAL_S:g} s"
        except (aiohttp.ClientError, OSError, ValueError):
            return "the receiver cannot be reached"

    def _note(self, error: str) -> None:
        if error and not self.error:
            log.warning("heartbeat: %s", error)
        elif self.error and not error:
            log.info("heartbeat: accepted again")
        self.sent += not error
        self.error = error
