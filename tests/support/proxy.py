"""A TCP proxy on loopback that can fall silent without closing anything."""

from __future__ import annotations

import asyncio
from types import TracebackType
from typing import Self


class Proxy:
    """Passes bytes on, or swallows them while ``is_silent``.

    Attributes
    ----------
    port
        Where it listens.
    open
        Client connections now.
    """

    def __init__(self, target_port: int) -> None:
        self._target_port = target_port
        self.is_silent = False
        self.open = 0
        self.port = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._closed = asyncio.Event()

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
        for writer in self._writers:
            writer.transport.abort()
        await self._server.wait_closed()
        await self.idle()

    async def idle(self) -> None:
        """Wait until no client is connected."""
        if self.open:
            await self._closed.wait()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.open += 1
        self._closed.clear()
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target_port)
        self._writers |= {writer, far_writer}
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._pass_on(reader, far_writer))
                group.create_task(self._pass_on(far_reader, writer))
        finally:
            self._writers -= {writer, far_writer}
            self.open -= 1
            if not self.open:
                self._closed.set()

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while received := await reader.read(65536):
                if not self.is_silent:
                    writer.write(received)
        except ConnectionError:
            pass
        finally:
            writer.close()
