"""An OPC UA source on a wire that does everything wrong: no false value, and nothing left over."""

from __future__ import annotations

import asyncio
import gc
import logging
import math
import os
import random
from collections.abc import AsyncIterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.client.client import Client

from support.opcua_bench import OpcuaBench, Wire, serving, utc, with_request_id
from support.running import free_port, watching
from watchedpot.core.model import Quality
from watchedpot.core.units import NANO
from watchedpot.errors import SourceError
from watchedpot.sources import opcua
from watchedpot.sources.base import bounded
from watchedpot.sources.opcua import OpcuaDevice
from watchedpot.sources.wiring import OpcuaChannel, OpcuaSource, ValueType

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

CELL = "urn:demo:cell"
CHANNELS = tuple(
    OpcuaChannel(f"cell/many/c{number}", CELL, f"s=c{number}", ValueType.FLOAT64)
    for number in range(8)
)
TICK_S = 0.01
TICKS = 1_000_000
"""The value of node k at tick t is k * TICKS + t, so it says by itself whose and when it is."""


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the library's log out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


def tick() -> int:
    """Number of the present tick."""
    return int(asyncio.get_running_loop().time() / TICK_S) % TICKS


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench() -> AsyncIterator[OpcuaBench]:
    """A server whose values tell their node and their time."""
    async with serving(CELL, port=free_port(), kind=OpcuaBench) as made:
        for number, channel in enumerate(CHANNELS):
            node = ua.NodeId(ua.String(channel.identifier[2:]), ua.Int16(2))
            await made.add(channel.name, node, 0.0, ua.VariantType.Double)
            made.compute(channel.name, lambda number=number: _answer(number))  # type: ignore[misc]
        yield made


def _answer(number: int) -> ua.DataValue:
    at = utc()
    value = ua.Variant(float(number * TICKS + tick()), ua.VariantType.Double)
    return ua.DataValue(value, ua.StatusCode(ua.UInt32(0)), at, at)


def source(port: int) -> OpcuaSource:
    """Source with short bounds on a port of loopback."""
    return OpcuaSource(
        "plc",
        f"opc.tcp://127.0.0.1:{port}/",
        CHANNELS,
        poll_period_s=0.05,
        connect_timeout_s=0.5,
        answer_timeout_s=0.2,
        reconnect_cap_s=0.05,
    )


class Chaos:
    """Spoils a wire at random moments."""

    def __init__(self, wire: Wire, rng: random.Random) -> None:
        self._wire = wire
        self._rng = rng
        self._kept = b""

    async def run(self) -> None:
        """Another fault every few hundredths of a second, with rests between."""
        while True:
            self._wire.mute_up = self._wire.mute_down = False
            self._wire.delay_s, self._wire.alter = 0.0, None
            await asyncio.sleep(self._rng.uniform(0.05, 0.6))
            self._begin(
                self._rng.choice(("up", "down", "slow", "cut", "id", "drop", "again", "old"))
            )
            await asyncio.sleep(self._rng.uniform(0.02, 0.4))

    def _begin(self, fault: str) -> None:
        wire = self._wire
        match fault:
            case "up":
                wire.mute_up = True
            case "down":
                wire.mute_down = True
            case "slow":
                wire.delay_s = self._rng.uniform(0.01, 0.3)
            case "cut":
                wire.cut()
            case "id":
                wire.alter = lambda message: with_request_id(message, self._rng.randrange(1, 60))
            case "drop":
                wire.alter = lambda message: b"" if self._rng.random() < 0.5 else message
            case "again":
                wire.alter = lambda message: message * self._rng.choice((1, 2))
            case "old":
                wire.alter = self._older

    def _older(self, message: bytes) -> bytes:
        """Sometimes the answer before this one in its place, whole as it was."""
        kept, self._kept = self._kept, message
        return kept if kept and self._rng.random() < 0.5 else message


@pytest.mark.timeout(60)
@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_no_sample_is_of_another_node_or_another_time(bench: OpcuaBench, seed: int) -> None:
    """Through eight kinds of fault each good value is its own node's, and not older than a poll."""
    good = missing = 0
    async with Wire(bench.port) as wire, watching(opcua.poller, source(wire.port)) as watch:
        chaos = asyncio.ensure_future(Chaos(wire, random.Random(seed)).run())
        await asyncio.sleep(8.0)
        chaos.cancel()
        with suppress(asyncio.CancelledError):
            await chaos
    oldest_ticks = (0.2 + 0.1 + 0.15) / TICK_S  # the bound, its margin, and this machine's hiccups
    for block in watch.blocks:
        at = int(block.mono_ns[0] / NANO / TICK_S)
        is_good = block.quality[0] == Quality.GOOD
        good, missing = good + int(is_good.sum()), missing + int((~is_good).sum())
        for number in np.flatnonzero(is_good):
            node, ticks = divmod(int(block.value[0, number]), TICKS)
            assert node == number
            assert 0 <= (at - ticks) % TICKS <= oldest_ticks
        assert np.isnan(block.value[0][~is_good]).all()
    status = watch.poller.status()
    print(
        f"seed {seed}: {good} good, {missing} missing, {status.connections} connections,"
        f" failures { {reason.name: n for reason, n in status.failures.items() if n} }"
    )
    assert good > 100
    assert missing > 20
    assert status.connections > 2


def open_files() -> int:
    """Descriptors of this process."""
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def library_objects() -> int:
    """Clients of the library that are still alive."""
    gc.collect()
    return sum(isinstance(one, Client) for one in gc.get_objects())


def resident_mb() -> float:
    """Memory of this process [MB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def tasks_of_clients() -> int:
    """Tasks of ours or of the library's client that are still there."""
    codes = [getattr(task.get_coro(), "cr_code", None) for task in asyncio.all_tasks()]
    files = [code.co_filename for code in codes if code is not None]
    return sum("asyncua/client" in file or "watchedpot" in file for file in files)


@pytest.mark.timeout(120)
async def test_two_hundred_connections_leave_nothing(bench: OpcuaBench) -> None:
    """Cancelled at random moments, on a spoilt wire: sockets, tasks and clients as before."""
    rng = random.Random(7)
    async with Wire(bench.port) as wire:

        async def cycle() -> None:
            device = OpcuaDevice(source(wire.port))

            async def work() -> None:
                await device.connect()
                for _ in range(10):
                    await device.read()

            try:
                await bounded("test", work(), doing="work", bound_s=rng.uniform(0.0, 0.12))
            except SourceError:
                pass
            finally:
                wire.mute_up = wire.mute_down = False
                await device.close()

        for _ in range(20):
            await cycle()  # what is made once is there now
        await wire.idle()
        before, before_mb = (open_files(), library_objects()), resident_mb()
        for number in range(200):
            wire.mute_down = number % 5 == 4
            if number % 7 == 6:
                asyncio.get_running_loop().call_later(rng.uniform(0.0, 0.1), wire.cut)
            await cycle()
        await wire.idle()
        await asyncio.sleep(0.2)
        after, after_mb = (open_files(), library_objects()), resident_mb()
    print(f"files and clients {before} -> {after}; memory {before_mb:.1f} -> {after_mb:.1f} MB")
    assert after == before
    assert tasks_of_clients() == 0


@pytest.mark.bench
async def test_what_a_connection_costs(bench: OpcuaBench) -> None:
    """Prints how long connecting takes and what it asks for; generous limit."""
    loop = asyncio.get_running_loop()
    took_s = []
    for _ in range(20):
        device = OpcuaDevice(source(bench.port))
        bench.reads.clear()
        began_s = loop.time()
        await device.connect()
        took_s.append(loop.time() - began_s)
        reads = len(bench.reads)
        await device.close()
    took_s.sort()
    print(
        f"connect: median {1e3 * took_s[10]:.1f} ms, worst {1e3 * took_s[-1]:.1f} ms; {reads} read"
    )
    assert math.isfinite(took_s[-1])
    assert took_s[10] < 1.0
