"""Links that share a process: none slows another, and none leaves anything behind."""

from __future__ import annotations

import asyncio
import ctypes
import gc
import io
import logging
import math
import os
import random
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TextIO, cast

import psutil
import pytest

from support.proxy import Mode, Proxy
from support.raw_modbus import Asked, RawModbus
from support.running import RealClock, free_port
from watchedpot.app import log
from watchedpot.core.model import Block, Quality
from watchedpot.sources import modbus, opcua
from watchedpot.sources.base import Poller
from watchedpot.sources.link import Links
from watchedpot.sources.wiring import (
    Framing,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    OpcuaSource,
    RegisterTable,
    ValueType,
    WordOrder,
)

pytestmark = pytest.mark.integration

SERVE = Path(__file__).parents[1] / "bench" / "serve.py"
VALUE_C = 118.5
"""What every variable and every float of the device in its own process holds."""

SOAK_S = float(os.environ.get("WATCHEDPOT_SOAK_S", "7200"))
"""Length of the run under random faults [s]."""


@dataclass
class Sink:
    """Counts what comes out of a poller and keeps little of it."""

    expected: Callable[[str], float]
    poller: Poller = field(init=False)
    rows: int = 0
    good: int = 0
    reports: int = 0
    strangers: list[tuple[str, float]] = field(default_factory=list)
    lateness_s: list[float] = field(default_factory=list)

    def take(self, block: Block) -> None:
        """Look at a row."""
        self.rows += 1
        is_good = block.quality[0] == Quality.GOOD
        self.good += bool(is_good.all())
        self.strangers += [
            (name, float(value))
            for name, value, good in zip(block.channels, block.value[0], is_good, strict=True)
            if good and value != self.expected(name)
        ]
        if is_good.all():
            self.lateness_s.append(self.poller.status().lateness_s)

    def hear(self, _: str, /, **__: object) -> None:
        """Count a report."""
        self.reports += 1


@asynccontextmanager
async def polling(
    make: Callable[..., Poller], source: object, expected: Callable[[str], float]
) -> AsyncIterator[Sink]:
    """Run a poller for as long as the body takes."""
    sink = Sink(expected)
    sink.poller = make(
        source, clock=RealClock(), emit=sink.take, report=sink.hear, rng=random.Random(1)
    )
    task = asyncio.ensure_future(sink.poller.run())
    try:
        yield sink
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def words(
    port: int, *, unit: int = 1, framing: Framing = Framing.MBAP, period_s: float, timeout_s: float
) -> ModbusSource:
    """Unit with two words, in two requests."""
    channels = tuple(
        ModbusChannel(f"cell/w{n}", RegisterTable.HOLDING_REGISTERS, n, ValueType.UINT16)
        for n in (3, 40)
    )
    return ModbusSource(
        f"plc_{unit}",
        "127.0.0.1",
        port,
        unit,
        channels,
        poll_period_s=period_s,
        answer_timeout_s=timeout_s,
        framing=framing,
    )


def own_address(unit: int) -> Callable[[str], float]:
    """What each channel of a unit must show."""
    return lambda name: unit * 1000.0 + int(name.removeprefix("cell/w"))


def p99_s(lateness_s: Sequence[float]) -> float:
    """Lateness that one in a hundred exceeds. [s]."""
    ranked = sorted(lateness_s)
    return ranked[min(len(ranked) - 1, math.ceil(0.99 * len(ranked)) - 1)]


@pytest.mark.parametrize(
    ("alone_s", "together_s", "period_s"),
    [
        pytest.param(6.0, 10.0, 0.1, id="short"),
        pytest.param(
            300.0, 600.0, 1.0, id="10min", marks=[pytest.mark.soak, pytest.mark.timeout(1000)]
        ),
    ],
)
async def test_a_dead_unit_and_a_slow_server_leave_a_healthy_one_as_it_is(
    alone_s: float, together_s: float, period_s: float
) -> None:
    """On one daemon, its lateness is the same beside them; 20 ms is for the machine's own noise."""

    def gateway_answer(asked: Asked) -> bytes | None:
        return asked.own_addresses() if asked.unit == 1 else None

    timeout_s = min(1.0, 4 * period_s)
    async with AsyncExitStack() as stack:
        enter = stack.enter_async_context
        healthy = await enter(RawModbus(Asked.own_addresses))
        slow = await enter(RawModbus(Asked.own_addresses, delay_s=lambda _: 0.9 * timeout_s))
        gateway = await enter(RawModbus(gateway_answer))
        of = partial(words, period_s=period_s, timeout_s=timeout_s)

        async with polling(modbus.poller, of(healthy.port), own_address(1)) as sink:
            await asyncio.sleep(alone_s)
        alone = sink

        links = Links()
        make = partial(modbus.poller, links=links)
        well = await enter(polling(make, of(healthy.port), own_address(1)))
        dull = await enter(polling(make, of(slow.port), own_address(1)))
        neighbour = await enter(polling(make, of(gateway.port), own_address(1)))
        dead = await enter(polling(make, of(gateway.port, unit=2), own_address(2)))
        await asyncio.sleep(together_s)

    figures = [
        (name, one.rows, one.good, p99_s(one.lateness_s), max(one.lateness_s))
        for name, one in (
            ("healthy, alone", alone),
            ("healthy, with neighbours", well),
            ("healthy, dead unit on its link", neighbour),
            ("slow", dull),
        )
    ]
    for name, rows, good, late_s, latest_s in figures:
        print(
            f"{name}: {rows} rows, {good} good, lateness p99 {1000 * late_s:.1f} ms,"
            f" worst {1000 * latest_s:.1f} ms"
        )
    assert dead.good == 0
    assert alone.good == alone.rows
    assert well.good == well.rows
    assert neighbour.good == neighbour.rows
    assert dull.good > 0
    assert p99_s(well.lateness_s) <= p99_s(alone.lateness_s) + 0.02
    assert max(neighbour.lateness_s) <= timeout_s + 0.1
    assert [sink.strangers for sink in (alone, well, neighbour, dull)] == [[]] * 4


@dataclass(frozen=True, slots=True)
class Held:
    """What the process holds."""

    fds: int
    tasks: int
    rss_mb: float

    @classmethod
    def now(cls) -> Held:
        """Count it, after garbage is gone and free pages are handed back.

        Without the latter glibc keeps a few hundred bytes more for each connection that was.
        """
        gc.collect()
        ctypes.CDLL(None).malloc_trim(0)
        rss_mb = psutil.Process().memory_info().rss / 2**20
        return cls(len(list(Path("/proc/self/fd").iterdir())), len(asyncio.all_tasks()), rss_mb)


@contextmanager
def device(protocol: str) -> Iterator[int]:
    """A device in a process of its own, and its port."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, str(SERVE), protocol, str(port)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield port
    finally:
        process.kill()
        process.communicate()


def modbus_floats(port: int) -> ModbusSource:
    """Ten floats of the device in its own process."""
    channels = tuple(
        ModbusChannel(
            f"cell/f{n}",
            RegisterTable.HOLDING_REGISTERS,
            2 * n,
            ValueType.FLOAT32,
            word_order=WordOrder.HIGH_FIRST,
        )
        for n in range(10)
    )
    return ModbusSource(
        "plc",
        "127.0.0.1",
        port,
        1,
        channels,
        poll_period_s=0.05,
        connect_timeout_s=0.5,
        answer_timeout_s=0.15,
        reconnect_cap_s=0.1,
    )


def opcua_floats(port: int) -> OpcuaSource:
    """Ten variables of the device in its own process."""
    channels = tuple(
        OpcuaChannel(f"cell/f{n}", "urn:bench:device", f"s=value_{n}", ValueType.FLOAT32)
        for n in range(10)
    )
    return OpcuaSource(
        "plc",
        f"opc.tcp://127.0.0.1:{port}/",
        channels,
        poll_period_s=0.05,
        connect_timeout_s=0.8,
        answer_timeout_s=0.3,
        session_timeout_s=10.0,
        reconnect_cap_s=0.1,
    )


PROTOCOLS: dict[str, tuple[Callable[..., Poller], Callable[[int], object]]] = {
    "modbus": (modbus.poller, modbus_floats),
    "opcua": (opcua.poller, opcua_floats),
}

# TCP keeps its own check sum: a turned bit in a value is not what a network does.
CUTS = (Mode.PASS, Mode.PASS, Mode.PASS, Mode.DELAY, Mode.SWALLOW, Mode.ABORT, Mode.SPLIT)


async def cycles(proxy: Proxy, make: Callable[[], Poller], rng: random.Random, count: int) -> None:
    """So many connections through the proxy, each cut, starved or cancelled at some moment."""
    wanted = proxy.accepted + count
    while proxy.accepted < wanted:
        task = asyncio.ensure_future(make().run())
        try:
            for _ in range(rng.randint(1, 12)):
                proxy.mode = rng.choice(CUTS)
                await asyncio.sleep(rng.random() * 0.15)
                if rng.random() < 0.5:
                    proxy.drop_all()
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


@pytest.mark.parametrize("protocol", list(PROTOCOLS))
@pytest.mark.parametrize(
    "count",
    [
        pytest.param(60, marks=pytest.mark.timeout(120)),
        pytest.param(1000, marks=[pytest.mark.soak, pytest.mark.timeout(3600)]),
    ],
)
async def test_connections_that_came_and_went_leave_nothing(
    protocol: str, count: int, caplog: pytest.LogCaptureFixture
) -> None:
    """After many through a chaotic proxy, sockets and tasks are those of before."""
    caplog.set_level(logging.CRITICAL + 1)
    make_poller, source_of = PROTOCOLS[protocol]
    rng = random.Random(9)
    sink = Sink(lambda _: VALUE_C)

    def make() -> Poller:
        sink.poller = make_poller(
            source_of(proxy.port), clock=RealClock(), emit=sink.take, report=sink.hear, rng=rng
        )
        return sink.poller

    with device(protocol) as port:
        async with Proxy(port, rng=rng) as proxy:
            await cycles(proxy, make, rng, 20)
            async with asyncio.timeout(5.0):
                await proxy.idle()
            before = Held.now()
            await cycles(proxy, make, rng, count)
            async with asyncio.timeout(5.0):
                await proxy.idle()
            after = Held.now()
    print(f"{protocol}, {proxy.accepted} connections, {sink.good} good rows: {before} -> {after}")
    assert (after.fds, after.tasks) == (before.fds, before.tasks)
    assert after.rss_mb <= before.rss_mb + 10.0
    assert sink.strangers == []
    assert sink.good > 0


class Nowhere(io.TextIOBase):
    """Takes lines and keeps none."""

    def write(self, text: str) -> int:
        """Forget it."""
        return len(text)


class Counter(logging.Handler):
    """Counts log lines."""

    lines = 0

    def emit(self, record: logging.LogRecord) -> None:
        """Count one."""
        del record
        self.lines += 1


@pytest.mark.soak
@pytest.mark.timeout(SOAK_S + 300.0)
async def test_random_faults_at_high_speed_leave_everything_flat() -> None:
    """Sockets, tasks, memory and log lines do not grow while every link fails all the time."""
    log.configure("info", stream=cast("TextIO", Nowhere()), is_terminal=False)
    counter = Counter()
    logging.getLogger().addHandler(counter)
    rng = random.Random(4)
    shots: list[tuple[Held, int]] = []
    async with AsyncExitStack() as stack:
        enter = stack.enter_async_context
        ports = {name: stack.enter_context(device(name)) for name in PROTOCOLS}
        rtu = await enter(RawModbus(Asked.own_addresses, is_rtu=True))
        proxies = [await enter(Proxy(port, rng=rng)) for port in (*ports.values(), rtu.port)]
        start = Held.now()
        sinks = []
        async with AsyncExitStack() as inner:
            links = Links()
            for proxy, (make, source_of) in zip(proxies, PROTOCOLS.values(), strict=False):
                polled = polling(make, source_of(proxy.port), lambda _: VALUE_C)
                sinks.append(await inner.enter_async_context(polled))
            for unit in (1, 2):
                source = words(
                    proxies[2].port, unit=unit, framing=Framing.RTU, period_s=0.05, timeout_s=0.15
                )
                polled = polling(partial(modbus.poller, links=links), source, own_address(unit))
                sinks.append(await inner.enter_async_context(polled))
            steps = 48
            loop = asyncio.get_running_loop()
            for step in range(1, steps + 1):
                until_s = loop.time() + SOAK_S / steps
                while loop.time() < until_s:
                    for proxy in proxies[:2]:
                        proxy.mode = rng.choice(CUTS)
                    proxies[2].mode = rng.choice([*CUTS, Mode.CORRUPT])
                    if rng.random() < 0.2:
                        rng.choice(proxies).drop_all()
                    for sink in sinks:
                        sink.lateness_s.clear()
                    rtu.asked.clear()
                    rtu.heard.clear()
                    for proxy in proxies:
                        del proxy.sent[:-10]
                    await asyncio.sleep(rng.expovariate(10.0))
                lines = counter.lines + sum(sink.reports for sink in sinks)
                shots.append((Held.now(), lines))
                connections = sum(proxy.accepted for proxy in proxies)
                print(
                    f"{step * SOAK_S / steps:7.0f} s: {shots[-1][0]}, {lines} lines,"
                    f" {connections} connections, good {[sink.good for sink in sinks]}",
                    flush=True,
                )
        async with asyncio.timeout(5.0):
            for proxy in proxies:
                await proxy.idle()
        end = Held.now()
    print(f"{start} -> {end}")
    assert all(sink.strangers == [] for sink in sinks)
    assert all(sink.good > 0 for sink in sinks)
    assert (end.fds, end.tasks) == (start.fds, start.tasks)
    early, late = shots[: len(shots) // 4], shots[-len(shots) // 4 :]
    assert max(held.rss_mb for held, _ in late) <= max(held.rss_mb for held, _ in early) + 10.0
    assert max(held.fds for held, _ in late) <= max(held.fds for held, _ in early) + 10
    half = len(shots) // 2
    first, second = shots[half][1] - shots[0][1], shots[-1][1] - shots[half][1]
    assert second <= 1.5 * first + 100
