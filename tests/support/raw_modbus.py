"""A Modbus peer made of bytes: it can be late, short, silent or wrong on purpose.

Frames are written by hand, MBAP or RTU, over TCP or a pair of pseudo terminals; nothing of the
project and no Modbus library is used. Run it to see what a program asks while a gateway is
commissioned, and how that program takes it when the device misbehaves:

    python tests/support/raw_modbus.py --port 15021 --framing rtu --as late
"""

from __future__ import annotations

import argparse
import asyncio
import os
import struct
import sys
import tty
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

RTU_REQUEST = 8
"""Unit, function, address, count, check sum: all that a read asks (V1.1b, 6.1 to 6.4)."""


def crc(content: bytes) -> bytes:
    """Check sum of an RTU frame, bit by bit (Modbus over serial line V1.02, 6.2.2)."""
    value = 0xFFFF
    for byte in content:
        value ^= byte
        for _ in range(8):
            value, low = value >> 1, value & 1
            if low:
                value ^= 0xA001
    return value.to_bytes(2, "little")


@dataclass(frozen=True, slots=True)
class Asked:
    """One request frame, taken apart by hand (MBAP header, Modbus TCP guide V1.0b, 3.1.3)."""

    transaction: int
    unit: int
    function: int
    address: int
    count: int
    is_rtu: bool = False

    def answer(
        self, pdu: bytes, *, unit: int | None = None, transaction: int | None = None
    ) -> bytes:
        """Frame around a PDU, as from ``unit``."""
        unit = self.unit if unit is None else unit
        if self.is_rtu:
            return bytes([unit]) + pdu + crc(bytes([unit]) + pdu)
        number = self.transaction if transaction is None else transaction
        return struct.pack(">HHHB", number, 0, len(pdu) + 1, unit) + pdu

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

    def own_addresses(self) -> bytes:
        """Each register holds its unit and its address: unit x 1000 + address, as a word."""
        span = range(self.address, self.address + self.count)
        if self.function in (1, 2):
            return self.bits([address & 1 for address in span])
        return self.words([(self.unit * 1000 + address) & 0xFFFF for address in span])


Reply = Callable[[Asked], bytes | None]


def requests_in(buffer: bytearray, *, is_rtu: bool) -> list[Asked]:
    """Whole read requests at the start of a buffer, taken out of it."""
    found: list[Asked] = []
    while True:
        if is_rtu:
            if len(buffer) < RTU_REQUEST:
                return found
            frame, buffer[:RTU_REQUEST] = bytes(buffer[:RTU_REQUEST]), b""
            if crc(frame[:-2]) != frame[-2:]:
                buffer.clear()  # as a device does: silence, and wait for the next
                return found
            unit, function, address, count = struct.unpack(">BBHH", frame[:6])
            found.append(Asked(0, unit, function, address, count, is_rtu=True))
        else:
            if len(buffer) < 6 or len(buffer) < 6 + int.from_bytes(buffer[4:6], "big"):
                return found
            end = 6 + int.from_bytes(buffer[4:6], "big")
            frame, buffer[:end] = bytes(buffer[:end]), b""
            if len(frame) < 12:
                return found
            found.append(
                Asked(int.from_bytes(frame[:2], "big"), *struct.unpack(">BBHH", frame[6:12]))
            )


class RawModbus:
    """Server on loopback that leaves every answer to the test.

    Attributes
    ----------
    answer
        Makes the bytes that follow a request; None keeps silent.
    delay_s
        How long after a request its answer is sent. [s]
    is_converter
        Whether answers go to the newest connection, as from a converter that only passes bytes
        on, not to the one that asked.
    asked
        All requests so far.
    heard
        All bytes so far.
    accepted, open
        Connections ever, and now.
    """

    def __init__(
        self,
        answer: Reply,
        *,
        port: int = 0,
        is_rtu: bool = False,
        delay_s: Callable[[Asked], float] = lambda _: 0.0,
        is_converter: bool = False,
    ) -> None:
        self.answer = answer
        self.delay_s = delay_s
        self.is_converter = is_converter
        self.asked: list[Asked] = []
        self.heard = bytearray()
        self.accepted = 0
        self.open = 0
        self.port = port
        self._is_rtu = is_rtu
        self._writers: set[asyncio.StreamWriter] = set()
        self._newest: asyncio.StreamWriter | None = None
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
        self._newest = writer
        buffer = bytearray()
        try:
            while received := await reader.read(4096):
                self.heard += received
                buffer += received
                for asked in requests_in(buffer, is_rtu=self._is_rtu):
                    self._reply(asked, writer)
        except ConnectionError:
            pass
        finally:
            self._writers.discard(writer)
            writer.close()
            self.open -= 1
            if not self.open:
                self._closed.set()

    def _reply(self, asked: Asked, writer: asyncio.StreamWriter) -> None:
        self.asked.append(asked)
        frame = self.answer(asked)
        delay_s = self.delay_s(asked)
        if frame is None:
            return
        if delay_s:
            asyncio.get_running_loop().call_later(delay_s, self._send, frame, writer)
        else:
            self._send(frame, writer)

    def _send(self, frame: bytes, writer: asyncio.StreamWriter) -> None:
        to = self._newest if self.is_converter and self._newest else writer
        if to in self._writers:
            to.write(frame)


class RawSerial:
    """RTU device on a pair of pseudo terminals, with a name that stays when it is plugged anew.

    Attributes
    ----------
    path
        Name of the port; a link, as under /dev/serial/by-id.
    answer, delay_s, asked, heard
        As of ``RawModbus``.
    """

    def __init__(
        self, answer: Reply, path: Path, *, delay_s: Callable[[Asked], float] = lambda _: 0.0
    ) -> None:
        self.answer = answer
        self.delay_s = delay_s
        self.path = path
        self.asked: list[Asked] = []
        self.heard = bytearray()
        self._buffer = bytearray()
        self._near: int | None = None
        self._far: int | None = None

    def __enter__(self) -> Self:
        self.plug()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()

    def plug(self) -> None:
        """Make the port, under its name; needs a running loop."""
        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        self.path.symlink_to(os.ttyname(self._far))
        asyncio.get_running_loop().add_reader(self._near, self._hear)

    def unplug(self) -> None:
        """Take the port away, as when an adapter is pulled."""
        if self._near is None or self._far is None:
            return
        asyncio.get_running_loop().remove_reader(self._near)
        os.close(self._near)
        os.close(self._far)
        self._near = self._far = None
        self._buffer.clear()
        self.path.unlink()

    def say(self, noise: bytes) -> None:
        """Put bytes on the line that nobody asked for."""
        if self._near is not None:
            os.write(self._near, noise)

    def _hear(self) -> None:
        if self._near is None:
            return
        with suppress(OSError):
            received = os.read(self._near, 4096)
            self.heard += received
            self._buffer += received
        for asked in requests_in(self._buffer, is_rtu=True):
            self.asked.append(asked)
            frame, delay_s = self.answer(asked), self.delay_s(asked)
            if frame is not None:
                asyncio.get_running_loop().call_later(delay_s, self.say, frame)


def _cut(frame: bytes) -> bytes:
    """All but the end of a frame."""
    return frame[:-3]


MISDEEDS: dict[str, tuple[str, Reply, Callable[[Asked], float]]] = {
    "willing": ("answers at once: unit x 1000 + address", Asked.own_addresses, lambda _: 0.0),
    "slow": ("answers after 0.8 s", Asked.own_addresses, lambda _: 0.8),
    "late": ("answers after 1.5 s, later than most wait", Asked.own_addresses, lambda _: 1.5),
    "silent": ("never answers", lambda _: None, lambda _: 0.0),
    "busy": ("answers exception 6", lambda asked: asked.exception(6), lambda _: 0.0),
    "absent": (
        "answers exception 11, as a gateway",
        lambda asked: asked.exception(11),
        lambda _: 0.0,
    ),
    "short": (
        "answers one register, whatever was asked",
        lambda asked: asked.words([1]),
        lambda _: 0.0,
    ),
    "cut": (
        "leaves out the end of each answer",
        lambda asked: _cut(asked.own_addresses()),
        lambda _: 0.0,
    ),
    "stranger": (
        "answers as another unit",
        lambda asked: asked.answer(bytes([asked.function, 2, 0, 1]), unit=asked.unit ^ 1),
        lambda _: 0.0,
    ),
}
"""Named misbehaviours: what it is, the answer, and its delay in seconds."""


async def _run(options: argparse.Namespace) -> None:
    _, answer, delay_s = MISDEEDS[options.deed]

    def told(asked: Asked) -> bytes | None:
        print(
            f"unit {asked.unit} function {asked.function} address {asked.address}"
            f" count {asked.count}",
            flush=True,
        )
        return answer(asked)

    is_rtu = options.framing == "rtu"
    async with RawModbus(told, port=options.port, is_rtu=is_rtu, delay_s=delay_s) as server:
        print(f"127.0.0.1:{server.port} {options.framing}: {MISDEEDS[options.deed][0]}", flush=True)
        await asyncio.Event().wait()


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve one misbehaviour until interrupted."""
    deeds = "\n".join(f"  {name:<9} {what}" for name, (what, _, _) in MISDEEDS.items())
    parser = argparse.ArgumentParser(
        description="A Modbus device on loopback that prints what it is asked, and misbehaves.",
        epilog=f"deeds:\n{deeds}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--port", type=int, default=15021, help="TCP port (default 15021)")
    parser.add_argument("--framing", choices=("mbap", "rtu"), default="mbap")
    parser.add_argument("--as", dest="deed", choices=tuple(MISDEEDS), default="willing")
    with suppress(KeyboardInterrupt):
        asyncio.run(_run(parser.parse_args(arguments)))
    return 0


if __name__ == "__main__":
    sys.exit(main())
