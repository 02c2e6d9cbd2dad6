"""Each way to a phone tries itself now and then, without a sound, so that a dead one is found before it is needed.

A channel that has just delivered a message needs no test. One that has not for `every_s` gets a message of priority
"test": a receiver of the owner's may drop it, a service shows it as quietly as the channel's `quiet` options have it.
Three failures, some minutes apart, make the channel one that fails.
"""

import asyncio
import logging
from collections.abc import Callable, Mapping

from farmwatch.ports import Channel, Clock
from farmwatch.words.errors import FarmwatchError
from farmwatch.words.model import ChannelHealth, Message

LOOK_EVERY_S = 600.0
DEADLINE_S = 10.0
TRIES = 3
BETWEEN_S = 120.0
AGAIN_S = 3_600.0  # after a test that failed
log = logging.getLogger(__name__)


class SelfTest:
    """Tests the channels one after the other.

    Args:
        channels: by name.
        every_s: how often, by channel; a channel that is not named is never tested.
        site: how the message names itself.
        clock: the house's clock.
        last_ok: when a channel last accepted something; None if never.
        tested: when each was last tested, as far as is on record.
        tell: takes the result.
        may: whether now is a time at which even a silent message may come.
    """

    def __init__(
        self,
        channels: Mapping[str, Channel],
        every_s: Mapping[str, float],
        site: str,
        clock: Clock,
        *,
        last_ok: Callable[[str], float | None],
        tested: Mapping[str, float],
        tell: Callable[[ChannelHealth], None],
        may: Callable[[float], bool],
    ) -> None:
        self._channels, self._every_s, self._site, self._clock = channels, every_s, site, clock
        self._last_ok, self._tell, self._may = last_ok, tell, may
        self.results: dict[str, ChannelHealth] = {}
        now_s = clock.now_s()
        # A first test comes after a while, not at the first start: whoever sets it up tries it anyway.
        self._last = {name: tested.get(name, now_s) for name in every_s}

    async def run(self) -> None:
        """Until cancelled."""
        while True:
            for name in self.due(self._clock.now_s()):
                await self.test(name)
            await asyncio.sleep(LOOK_EVERY_S)

    def due(self, now_s: float) -> list[str]:
        """Channels to test now."""
        if not self._may(now_s):
            return []
        last = {name: max(at_s, self._last_ok(name) or at_s) for name, at_s in self._last.items()}
        return [name for name, at_s in last.items() if now_s - at_s >= self._every_s[name] and name in self._channels]

    async def test(self, name: str) -> ChannelHealth:
        """Try a channel, some times if need be, and tell how it went."""
        why = ""
        for number in range(TRIES):
            if number:
                await asyncio.sleep(BETWEEN_S)
            why = await self._once(name)
            if not why:
                break
        now_s = self._clock.now_s()
        result = ChannelHealth(now_s, name, not why, why, tested=True)
        self._last[name] = now_s if not why else now_s - self._every_s.get(name, 0.0) + AGAIN_S
        self.results[name] = result
        (log.warning if why else log.info)("self-test of %s: %s", name, why or "accepted")
        self._tell(result)
        return result

    async def _once(self, name: str) -> str:
        """One try; words for what went wrong, or an empty string."""
        now_s = self._clock.now_s()
        text = "Silent test: this way to your phone works. Nothing needs you."
        message = Message(f"selftest-{now_s:.0f}-{name}", now_s, name, "test", f"Test: {self._site}"[:60], text,
                          "test", "note")  # fmt: skip
        try:
            async with asyncio.timeout(DEADLINE_S):
                await self._channels[name].send(message, (), key=message.id)
        except TimeoutError:
            return f"no answer within {DEADLINE_S:g} s"
        except FarmwatchError as error:
            return str(error)
        except Exception as error:  # noqa: BLE001  (others hold addresses, tokens and all)
            return f"failed inside ({type(error).__name__})"
        return ""
