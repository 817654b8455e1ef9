"""A Modbus TCP peer made of bytes: it can be late, short, silent or wrong on purpose."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self


@dataclass(frozen=True, slots=True)
class Asked:
    """One request frame, taken apart by hand (MBAP header, Modbus TCP guide V1.0b, 3.1.3)."""

    transaction: int
    unit: int
    function: int
    address: int
    count: int

    def answer(self, pdu: bytes, *, unit: int | None = None) -> bytes:
        """Frame around a PDU, as from ``unit``."""
        unit = self.unit if unit is None else unit
        return struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, unit) + pdu

    def words(self, words: Sequence[int], *, function: int | None = None) -> bytes:
        """Frame of a read of registers."""
        function = self.function if function is None else function
        body = struct.pack(f">{len(words)}H", *words)
        return self.answer(bytes([function, len(body)]) + body)

    def bits(self, bits: Sequence[int]) -> bytes:
        """Frame of a read of bits, the first in the lowest place of the first byte."""
        packed = sum(bit << place for place, bit in enumerate(bits))
        body = packed.to_bytes(-(-len(bits) // 8), "little")
        return self.answer(bytes([self.function, len(body)]) + body)

    def exception(self, code: int) -> bytes:
        """Frame that says no."""
        return self.answer(bytes([self.function | 0x80, code]))


class RawModbus:
    """Server on loopback that leaves every answer to the test.

    Attributes
    ----------
    answer
        Makes the bytes that follow a request; None keeps silent.
    asked
        All requests so far.
    accepted, open
        Connections ever, and now.
    """

    def __init__(self, answer: Callable[[Asked], bytes | None], *, port: int = 0) -> None:
        self.answer = answer
        self.asked: list[Asked] = []
        self.accepted = 0
        self.open = 0
        self.port = port
        self._writers: set[asyncio.StreamWriter] = set()
        self._closed = asyncio.Event()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)
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
        """Wait until no connection is open."""
        if self.open:
            await self._closed.wait()

    def drop_all(self) -> None:
        """Cut every connection."""
        for writer in self._writers:
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.accepted += 1
        self.open += 1
        self._closed.clear()
        self._writers.add(writer)
        try:
            while True:
                head = await reader.readexactly(7)
                transaction, _, length, unit = struct.unpack(">HHHB", head)
                pdu = await reader.readexactly(length - 1)
                asked = Asked(transaction, unit, *struct.unpack(">BHH", pdu[:5]))
                self.asked.append(asked)
                frame = self.answer(asked)
                if frame is not None:
                    writer.write(frame)
        except (asyncio.IncompleteReadError, ConnectionError):
            pass
        finally:
            self._writers.discard(writer)
            writer.close()
            self.open -= 1
            if not self.open:
                self._closed.set()
