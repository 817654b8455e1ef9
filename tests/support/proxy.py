"""A TCP proxy on loopback that misbehaves as networks do.

Modes: pass on, delay, swallow (nothing is closed, nothing comes), abort (cut at the next bytes),
trickle (byte by byte), split (in two parts), corrupt (one bit of each chunk turned over). The
mode may be changed while connections stand; ``chaos`` changes it by chance.
"""

from __future__ import annotations

import asyncio
import random
from enum import StrEnum
from types import TracebackType
from typing import Self


class Mode(StrEnum):
    """What becomes of the bytes."""

    PASS = "pass"
    DELAY = "delay"
    SWALLOW = "swallow"
    ABORT = "abort"
    TRICKLE = "trickle"
    SPLIT = "split"
    CORRUPT = "corrupt"


class Proxy:
    """Passes bytes on, more or less.

    Attributes
    ----------
    mode
        What becomes of the bytes from now on.
    step_s
        How long a delay is, and a pause between the parts of a chunk. [s]
    port
        Where it listens.
    open, accepted
        Client connections now, and ever.
    sent
        All bytes that clients sent, by connection, in the order of their coming.
    """

    def __init__(self, target_port: int, *, rng: random.Random | None = None) -> None:
        self._target_port = target_port
        self._rng = rng or random.Random(1)
        self.mode = Mode.PASS
        self.step_s = 0.02
        self.open = 0
        self.accepted = 0
        self.port = 0
        self.sent: list[bytearray] = []
        self._writers: set[asyncio.StreamWriter] = set()
        self._closed = asyncio.Event()

    @property
    def is_silent(self) -> bool:
        """Whether bytes are swallowed."""
        return self.mode is Mode.SWALLOW

    @is_silent.setter
    def is_silent(self, is_silent: bool) -> None:
        self.mode = Mode.SWALLOW if is_silent else Mode.PASS

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.close()
        self.drop_all()
        await self._server.wait_closed()
        await self.idle()

    async def idle(self) -> None:
        """Wait until no client is connected."""
        if self.open:
            await self._closed.wait()

    def drop_all(self) -> None:
        """Cut every connection."""
        for writer in self._writers:
            writer.transport.abort()

    async def chaos(self, *, mean_s: float) -> None:
        """Change the mode by chance until cancelled, each after about ``mean_s``."""
        while True:
            self.mode = self._rng.choice([*Mode, Mode.PASS, Mode.PASS])
            if self._rng.random() < 0.1:
                self.drop_all()
            await asyncio.sleep(self._rng.expovariate(1.0 / mean_s))

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.open += 1
        self.accepted += 1
        self._closed.clear()
        sent = bytearray()
        self.sent.append(sent)
        self._writers.add(writer)
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target_port)
            self._writers.add(far_writer)
            try:
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._pass_on(reader, far_writer, sent))
                    group.create_task(self._answer(far_reader, writer))
            finally:
                self._writers.discard(far_writer)
        except ConnectionError:
            writer.transport.abort()  # nobody listens behind
        finally:
            self._writers.discard(writer)
            self.open -= 1
            if not self.open:
                self._closed.set()

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """What the server sends, on its way to a client."""
        await self._pass_on(reader, writer, None)

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, kept: bytearray | None
    ) -> None:
        try:
            while received := await reader.read(65536):
                if kept is not None:
                    kept += received
                for part in self._parts(received):
                    if self.mode in (Mode.DELAY, Mode.TRICKLE, Mode.SPLIT):
                        await asyncio.sleep(self.step_s)
                    writer.write(part)
        except ConnectionError:
            pass
        finally:
            writer.close()

    def _parts(self, received: bytes) -> list[bytes]:
        """What is sent on of a chunk."""
        match self.mode:
            case Mode.SWALLOW:
                return []
            case Mode.ABORT:
                self.drop_all()
                return []
            case Mode.TRICKLE:
                return [received[at : at + 1] for at in range(len(received))]
            case Mode.SPLIT:
                middle = self._rng.randint(0, len(received))
                return [part for part in (received[:middle], received[middle:]) if part]
            case Mode.CORRUPT:
                garbled = bytearray(received)
                garbled[self._rng.randrange(len(garbled))] ^= 1 << self._rng.randrange(8)
                return [bytes(garbled)]
            case _:
                return [received]
