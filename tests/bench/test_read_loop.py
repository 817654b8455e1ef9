"""What one poll costs this program, against the bare library doing the same transaction.

The device is another process, so only the processor time of reading counts. Neither side waits
between polls, but gives the event loop one turn, as any that waited would.
"""

from __future__ import annotations

import asyncio
import os
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.attribute_ids import AttributeIds
from pymodbus.client import AsyncModbusTcpClient

from bench.figures import Figures
from bench.serve import NAMESPACE, NODES, VALUE_C
from support.running import free_port, is_good
from watchedpot.core.model import Block, Instant
from watchedpot.sources import modbus, opcua
from watchedpot.sources.base import Poller
from watchedpot.sources.wiring import (
    Conversion,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    OpcuaSource,
    RegisterTable,
    Unit,
    ValueType,
)

pytestmark = [pytest.mark.bench, pytest.mark.timeout(180)]

ROUNDS = 7
WARM_UP = 50
CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-20.0, plausible_high=300.0)


@contextmanager
def device(kind: str) -> Iterator[int]:
    """Port of a device in a process of its own."""
    port = free_port()
    server = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("serve.py")), kind, str(port)],
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert server.stdout is not None
    try:
        assert server.stdout.readline() == b"ready\n"
        yield port
    finally:
        server.terminate()
        server.wait(10)
        server.stdout.close()


@dataclass
class Hasty:
    """A clock whose time comes when somebody waits for it."""

    mono_ns: int = 0

    def now(self) -> Instant:
        """Return the present moment."""
        return Instant(time.time_ns(), self.mono_ns)

    async def sleep_until(self, mono_ns: int) -> None:
        """Be there at once."""
        self.mono_ns = mono_ns
        await asyncio.sleep(0)


@dataclass
class Counter:
    """Notes the processor time that a number of good rows took."""

    polls: int
    rows: int = 0
    began_s: float = 0.0
    taken_s: float = 0.0
    done: asyncio.Event = field(default_factory=asyncio.Event)

    def take(self, block: Block) -> None:
        """Count a row; rows before the connection stands do not count."""
        if self.rows < WARM_UP and not is_good(block):
            self.rows = 0
            return
        self.rows += 1
        if self.rows == WARM_UP:
            self.began_s = time.process_time()
        elif self.rows == WARM_UP + self.polls:
            self.taken_s = time.process_time() - self.began_s
            assert is_good(block)
            assert (block.value == VALUE_C).all()
            self.done.set()


async def ours_s(make: Callable[..., Poller], source: object, polls: int) -> float:
    """Processor time of one poll of a poller [s]."""
    counter = Counter(polls)
    poller = make(
        source,
        clock=Hasty(),
        emit=counter.take,
        report=lambda *_, **__: None,
        rng=random.Random(1),
    )
    running = asyncio.ensure_future(poller.run())
    try:
        async with asyncio.timeout(60):
            await counter.done.wait()
    finally:
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running
    return counter.taken_s / polls


async def bare_s(transact: Callable[[], Awaitable[object]], polls: int) -> float:
    """Processor time of one transaction of the library alone [s]."""
    for _ in range(WARM_UP):
        await transact()
    began_s = time.process_time()
    for _ in range(polls):
        await asyncio.sleep(0)
        await transact()
    return (time.process_time() - began_s) / polls


def compare(
    figures: Figures,
    name: str,
    bare: Callable[[], Awaitable[float]],
    ours: Callable[[], Awaitable[float]],
) -> None:
    """Medians of both, taken in turns, since other programs come and go."""

    async def in_turns() -> list[tuple[float, float]]:
        return [(await bare(), await ours()) for _ in range(ROUNDS)]

    pairs = asyncio.run(in_turns())
    bare_per_s, ours_per_s = (
        1.0 / statistics.median(column) for column in zip(*pairs, strict=True)
    )
    figures.add(f"{name}, bare library, per CPU second", bare_per_s, "transactions")
    figures.add(f"{name}, read loop, per CPU second", ours_per_s, "transactions")
    ratio = statistics.median(bare / ours for bare, ours in pairs)
    figures.reach(f"{name}, read loop to bare library", ratio, "", target=0.8)


def test_modbus(figures: Figures) -> None:
    """Ten floats in one request of 20 registers."""
    polls = 1000
    with device("modbus") as port:
        channels = tuple(
            ModbusChannel(
                f"cell/zone_{n}/temperature",
                RegisterTable.HOLDING_REGISTERS,
                2 * n,
                ValueType.FLOAT32,
                CELSIUS,
            )
            for n in range(10)
        )
        source = ModbusSource("plc", "127.0.0.1", port, 1, channels)

        async def bare() -> float:
            client = AsyncModbusTcpClient("127.0.0.1", port=port, retries=0)
            assert await client.connect()

            async def transact() -> None:
                answer = await client.read_holding_registers(0, count=20, device_id=1)
                assert len(answer.registers) == 20

            try:
                return await bare_s(transact, polls)
            finally:
                client.close()

        compare(figures, "Modbus TCP", bare, lambda: ours_s(modbus.poller, source, polls))


def test_opcua(figures: Figures) -> None:
    """Twenty variables in one Read, with status and both stamps."""
    polls = 300
    with device("opcua") as port:
        url = f"opc.tcp://127.0.0.1:{port}/"
        names = [f"value_{number}" for number in range(NODES)]
        channels = tuple(
            OpcuaChannel(
                f"cell/{name}/temperature", NAMESPACE, f"s={name}", ValueType.FLOAT32, CELSIUS
            )
            for name in names
        )

        async def bare() -> float:
            async with Client(url) as client:
                index = ua.Int16(await client.get_namespace_index(NAMESPACE))
                parameters = ua.ReadParameters(
                    TimestampsToReturn=ua.TimestampsToReturn.Both,
                    NodesToRead=[
                        ua.ReadValueId(
                            NodeId=ua.NodeId(ua.String(name), index), AttributeId=AttributeIds.Value
                        )
                        for name in names
                    ],
                )

                async def transact() -> None:
                    answers = await client.uaclient.read(parameters)
                    assert len(answers) == NODES

                first = await client.uaclient.read(parameters)
                assert all(answer.Value and answer.Value.Value == VALUE_C for answer in first)
                return await bare_s(transact, polls)

        source = OpcuaSource("plc", url, channels)
        compare(figures, "OPC UA 20 nodes", bare, lambda: ours_s(opcua.poller, source, polls))
