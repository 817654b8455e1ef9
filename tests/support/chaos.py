"""A wire that does what no wire should, and servers whose values say where and when they are from.

``Chaos`` stands between client and server and treats each piece that the server sends by the next
step of a list. ``Telltale`` is a Modbus server in which each value holds its unit, its table, its
address and the moment of the request, so that a value in a wrong place gives itself away.
"""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from types import TracebackType
from typing import Self

from support.proxy import Proxy

WRAP_MS = 65_536
"""A telltale moment is told modulo this, about a minute [ms]."""

LATE_S = 0.3
"""Delay of a late piece: longer than the answer timeout of the tests [s]."""


class Step(Enum):
    """What happens to one piece of what the server sends."""

    PASS = "pass"
    LATE = "late"
    """It arrives after the client has given up, and what follows it waits behind it."""
    SLOW = "slow"
    """It arrives in time, but not at once."""
    SPLIT = "split"
    """It arrives in three pieces."""
    SWALLOW = "swallow"
    ABORT = "abort"
    TWICE = "twice"
    HOLD = "hold"
    """It arrives together with the piece after it."""
    CORRUPT = "corrupt"
    """One bit is another, where the framing can tell."""


class Chaos(Proxy):
    """A proxy that takes one step for each piece the server sends, and passes on the rest.

    Parameters
    ----------
    target_port
        Where the server listens.
    steps
        Taken in turn, over all connections, and again from the start.
    protected
        How many bytes of a piece the framing protects: Modbus TCP and OPC UA without security
        have no check sum, so that a bit of a value itself cannot be told; None for all of them.

    Attributes
    ----------
    is_calm
        Whether everything passes.
    taken
        How often each step was taken.
    """

    def __init__(
        self, target_port: int, steps: Sequence[Step], *, protected: int | None = None
    ) -> None:
        super().__init__(target_port)
        self.is_calm = False
        self.taken = dict.fromkeys(Step, 0)
        self._steps = tuple(steps)
        self._protected = protected
        self._count = 0

    async def _answer(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        held = b""
        with suppress(ConnectionError):
            while received := await reader.read(65_536):
                step = self._next_step()
                if step is Step.HOLD:
                    held += received
                elif step is Step.ABORT:
                    break
                elif step is not Step.SWALLOW:
                    await self._send(writer, held + self._changed(received, step), step)
                    held = b""
        writer.transport.abort()

    def _next_step(self) -> Step:
        step = Step.PASS if self.is_calm else self._steps[self._count % len(self._steps)]
        self._count += 1
        self.taken[step] += 1
        return step

    def _changed(self, received: bytes, step: Step) -> bytes:
        if step is Step.TWICE:
            return received + received
        if step is not Step.CORRUPT:
            return received
        places = len(received) if self._protected is None else min(len(received), self._protected)
        # 5 and the places have no common factor for long, so that in time each bit has its turn.
        place, bit = divmod(self._count * 5 % (places * 8), 8)
        return received[:place] + bytes([received[place] ^ 1 << bit]) + received[place + 1 :]

    async def _send(self, writer: asyncio.StreamWriter, piece: bytes, step: Step) -> None:
        if step in (Step.LATE, Step.SLOW):
            await asyncio.sleep(LATE_S if step is Step.LATE else LATE_S / 10.0)
        if step is Step.SPLIT:
            third = max(1, len(piece) // 3)
            for part in (piece[:third], piece[third : 2 * third]):
                writer.write(part)
                await asyncio.sleep(0.005)
            piece = piece[2 * third :]
        writer.write(piece)


def moment_ms() -> int:
    """The present moment as a telltale tells it [ms]."""
    return time.monotonic_ns() // 1_000_000 % WRAP_MS


def since_ms(earlier_ms: int, later_ms: int) -> int:
    """From one telltale moment to another, negative where it is the other way round [ms]."""
    return (later_ms - earlier_ms + WRAP_MS // 2) % WRAP_MS - WRAP_MS // 2


@dataclass(frozen=True, slots=True)
class Origin:
    """Where and when a telltale value is from.

    Attributes
    ----------
    place
        What of the server: for Modbus the unit, whether it is an input register, the address;
        for OPC UA the number of the node.
    moment_ms
        When the server looked. [ms]
    """

    place: tuple[int, ...]
    moment_ms: int


def modbus_origin(value: float) -> Origin:
    """What a Modbus telltale says of itself."""
    whole = int(value)
    place = (whole >> 28, whole >> 27 & 1, whole >> 16 & 0x7FF)
    return Origin(place, whole % WRAP_MS)


def modbus_words(unit: int, function: int, address: int) -> tuple[int, int]:
    """The two registers of a telltale, high word first."""
    return unit << 12 | (function == 4) << 11 | address, moment_ms()


def crc(frame: bytes) -> int:
    """CRC-16 of the serial line, low byte first on the wire.

    Source: Modbus over serial line V1.02, 6.2.2 (polynomial 0xA001, start 0xFFFF).
    """
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ 0xA001 if register & 1 else register >> 1
    return register


class Telltale:
    """Modbus server on loopback for units 1 to 15, with values that say where they are from.

    Every even address holds the high word of such a value, the odd one after it its low word.

    Parameters
    ----------
    is_rtu
        Whether frames are those of a serial line, with a check sum and without a number.
    """

    def __init__(self, *, is_rtu: bool) -> None:
        self.port = 0
        self._is_rtu = is_rtu
        self._connections: set[asyncio.Task[None]] = set()

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
        for task in tuple(self._connections):
            task.cancel()
        await asyncio.gather(*self._connections, return_exceptions=True)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._connections.add(task)
        try:
            while True:
                writer.write(await (self._rtu(reader) if self._is_rtu else self._mbap(reader)))
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass  # a cancel is the end of the test
        finally:
            writer.transport.abort()
            self._connections.discard(task)

    async def _mbap(self, reader: asyncio.StreamReader) -> bytes:
        head = await reader.readexactly(7)
        number, _, length, unit = struct.unpack(">HHHB", head)
        pdu = self._content(unit, await reader.readexactly(length - 1))
        return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu

    async def _rtu(self, reader: asyncio.StreamReader) -> bytes:
        frame = await reader.readexactly(8)
        assert crc(frame[:-2]) == int.from_bytes(frame[-2:], "little")
        body = frame[:1] + self._content(frame[0], frame[1:-2])
        return body + crc(body).to_bytes(2, "little")

    def _content(self, unit: int, pdu: bytes) -> bytes:
        function, address, count = struct.unpack(">BHH", pdu)
        assert function in (3, 4)
        words = [
            modbus_words(unit, function, place - place % 2)[place % 2]
            for place in range(address, address + count)
        ]
        return struct.pack(f">BB{count}H", function, 2 * count, *words)
