"""A TCP proxy that does to a connection what a bad network, a bad cable or a bad peer does.

It listens on a port of its own and passes everything on to `target`; what is done to it can be changed at any time:

    delay_s       every piece is held back so long
    drip          bytes a second, one at a time; 0 lets all through
    cut_after     the connection is cut after so many bytes towards the target; None never
    half_open     nothing passes and nobody is told: both ends believe that the connection stands
    corrupt       every nth byte towards the client is flipped; 0 none
    duplicate     every MQTT PUBLISH towards the client comes twice, the second marked DUP
    reorder       of every two MQTT PUBLISH towards the client the second comes first
    answer_cut    what the target answers is thrown away and the connection cut: it got all, we know nothing

`refuse`, `accept`, `reset` act at once. MQTT 3.1.1, section 2.2: a packet is a byte of type and flags, its remaining
length in a variable byte integer, and the rest.
"""

import asyncio
import contextlib
import socket
import struct
from collections.abc import Iterator

from servers import LoopThread

PUBLISH, DUP = 3, 0x08


def packets(buffer: bytearray) -> Iterator[bytes]:
    """Whole MQTT packets, taken from the front of what has come."""
    while len(buffer) >= 2:
        length, at = 0, 1
        while True:
            if at >= len(buffer):
                return
            length |= (buffer[at] & 0x7F) << 7 * (at - 1)
            at += 1
            if not buffer[at - 1] & 0x80:
                break
        if len(buffer) < at + length:
            return
        yield bytes(buffer[: at + length])
        del buffer[: at + length]


class FaultProxy:
    """A proxy in a thread of its own. `seen` counts connections, `doubled` and `swapped` what was done."""

    def __init__(self, host: str, port: int, sock: socket.socket | None = None) -> None:
        self.target = host, port
        self.delay_s, self.drip, self.cut_after, self.half_open, self.corrupt = 0.0, 0, None, False, 0
        self.duplicate = self.reorder = self.answer_cut = False
        self.seen = self.doubled = self.swapped = self.passed = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._server: asyncio.Server | None = None
        self._loop = LoopThread()
        self.host, self.port, self._sock = "127.0.0.1", 0, sock
        self.accept()

    def accept(self) -> None:
        """Listen (again), on the same port."""
        self._loop.call(self._listen())

    async def _listen(self) -> None:
        if self._server is None and self._sock is not None:  # one that listens already, perhaps elsewhere
            self._server = await asyncio.start_server(self._serve, sock=self._sock)
        elif self._server is None:
            self._server = await asyncio.start_server(self._serve, self.host, self.port)
            self.port = self._server.sockets[0].getsockname()[1]

    def refuse(self) -> None:
        """Listen no more and reset what stands."""
        self._loop.call(self._refuse())

    async def _refuse(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        await self._reset()

    def reset(self) -> None:
        """Reset every connection (RST, not FIN)."""
        self._loop.call(self._reset())

    async def _reset(self) -> None:
        for writer in list(self._writers):
            sock = writer.get_extra_info("socket")
            with contextlib.suppress(OSError, AttributeError):
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()

    def close(self) -> None:
        """End it."""
        self.refuse()
        self._loop.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.seen += 1
        try:
            far, out = await asyncio.open_connection(*self.target)
        except OSError:
            writer.transport.abort()
            return
        mine = {writer, out}
        self._writers |= mine
        try:
            up = asyncio.create_task(self._up(reader, out))
            down = asyncio.create_task(self._down(far, writer))
            await asyncio.wait((up, down), return_when=asyncio.FIRST_COMPLETED)
            up.cancel()
            down.cancel()
            await asyncio.gather(up, down, return_exceptions=True)
        finally:
            self._writers -= mine
            for each in mine:
                each.transport.abort()

    async def _up(self, reader: asyncio.StreamReader, out: asyncio.StreamWriter) -> None:
        total = 0
        with contextlib.suppress(OSError):
            while data := await reader.read(65_536):
                total += len(data)
                if self.cut_after is not None and total >= self.cut_after:
                    out.write(data)
                    await out.drain()
                    return
                await self._pass(data, out)

    async def _down(self, far: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        buffer, held = bytearray(), []
        with contextlib.suppress(OSError):
            while data := await far.read(65_536):
                if self.answer_cut:
                    return
                if not (self.duplicate or self.reorder or held or buffer):
                    await self._pass(self._spoil(data), writer)
                    continue
                buffer += data
                for packet in packets(buffer):
                    await self._mqtt(packet, held, writer)

    async def _mqtt(self, packet: bytes, held: list[bytes], writer: asyncio.StreamWriter) -> None:
        if packet[0] >> 4 != PUBLISH:
            await self._pass(packet, writer)
            return
        out = [packet]
        if self.reorder:
            if not held:
                held.append(packet)
                return
            out.append(held.pop())
            self.swapped += 1
        elif held:
            out.insert(0, held.pop())
        for one in out:
            await self._pass(one, writer)
            if self.duplicate:
                self.doubled += 1
                await self._pass(bytes((one[0] | (DUP if one[0] & 6 else 0),)) + one[1:], writer)

    def _spoil(self, data: bytes) -> bytes:
        if not self.corrupt:
            return data
        spoiled = bytearray(data)
        for at in range(len(spoiled)):
            self.passed += 1
            if self.passed % self.corrupt == 0:
                spoiled[at] ^= 0x20
        return bytes(spoiled)

    async def _pass(self, data: bytes, writer: asyncio.StreamWriter) -> None:
        if self.delay_s:
            await asyncio.sleep(self.delay_s)
        if self.half_open:
            return
        if not self.drip:
            writer.write(data)
        else:
            for byte in data:
                writer.write(bytes((byte,)))
                await asyncio.sleep(1 / self.drip)
        await writer.drain()


