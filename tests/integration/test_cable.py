"""The cable is pulled, the controller comes late or is another one: blind soon, and seeing soon.

Real cables of the kernel between two network namespaces, both protocols with the sources of the
example configuration and all that is doubted of their values.
"""

from __future__ import annotations

import asyncio
import logging
import sys
import time
from collections.abc import Awaitable, Callable, Iterator, Sequence
from contextlib import AsyncExitStack
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from support import other_plc
from support.cable import FAR, Cable, cable
from support.plant import ROOT, Program
from support.running import Watch, watching
from watchedpot.app.config import load
from watchedpot.core.model import Block, Quality
from watchedpot.core.units import NANO
from watchedpot.sources import modbus, opcua
from watchedpot.sources.belief import Belief
from watchedpot.sources.wiring import ModbusSource, OpcuaSource, Source

pytestmark = [pytest.mark.integration, pytest.mark.timeout(150)]

BLIND_S = 10.0
"""Longest for which a number may be shown after the cable is out [s]."""
AGAIN_S = 10.0
"""Bound from the return to good temperatures [s]."""
START_S = 15.0
"""Bound of a start of the simulator together with the first good reading [s]."""
OPCUA_PORT, MODBUS_PORT = 48440, 15020


@pytest.fixture
def laid(caplog: pytest.LogCaptureFixture) -> Iterator[Cable]:
    """A cable with this test on its near end."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")
    caplog.set_level(logging.CRITICAL, logger="pymodbus.logging")
    with cable() as found:
        yield found


def sources() -> tuple[Source, ...]:
    """Sources of both example cells, at the far end."""
    found: list[Source] = []
    for one in load(ROOT / "config" / "demo.toml").sources:
        if isinstance(one, OpcuaSource):
            found.append(replace(one, url=f"opc.tcp://{FAR}:{OPCUA_PORT}/potsim"))
        else:
            found.append(replace(one, host=FAR, port=MODBUS_PORT))
    return tuple(found)


def simulator(laid: Cable, folder: Path) -> Program:
    """The simulated controllers of both cells at the far end."""
    arguments = [sys.executable, "-m", "potsim", "healthy_shift", "--host", FAR]
    ports = ["--opcua-port", str(OPCUA_PORT), "--modbus-port", str(MODBUS_PORT)]
    return Program(laid.command(*arguments, *ports), folder / "potsim.log")


async def watched(stack: AsyncExitStack, wanted: Sequence[Source]) -> list[Watch]:
    """Pollers of both protocols at work, with all that is doubted."""
    watches = []
    for source in wanted:
        room = modbus if isinstance(source, ModbusSource) else opcua
        make = partial(room.poller, judge=Belief(source.channels))
        watches.append(await stack.enter_async_context(watching(make, source)))
    return watches


def temperatures(block: Block) -> np.ndarray:
    """Which columns are temperatures of zones."""
    return np.array([name.endswith("/temperature") for name in block.channels])


def sees(block: Block) -> bool:
    """Whether every temperature is good."""
    return bool((block.quality[0, temperatures(block)] == Quality.GOOD).all())


def is_blind(block: Block) -> bool:
    """Whether no channel at all is good."""
    return bool((block.quality != Quality.GOOD).all())


async def all_become(
    watches: Sequence[Watch], wanted: Callable[[Block], bool], *, within_s: float
) -> float:
    """Seconds until each has a row as wanted."""
    began_s = time.monotonic()
    waits: list[Awaitable[Block]] = [watch.until(wanted, within_s=within_s) for watch in watches]
    await asyncio.gather(*waits)
    return time.monotonic() - began_s


def good_rows_between(watch: Watch, from_s: float, to_s: float) -> int:
    """Rows with anything good in a span of the monotonic clock [s]."""
    return sum(
        from_s * NANO < block.mono_ns[0] < to_s * NANO and not is_blind(block)
        for block in watch.blocks
    )


@pytest.mark.parametrize("out_s", [12.0, pytest.param(60.0, marks=pytest.mark.soak)])
async def test_a_pulled_cable_blinds_soon_and_is_got_over_soon(
    laid: Cable, tmp_path: Path, out_s: float
) -> None:
    """Nothing says that it is out; nothing is shown after 10 s, all is shown 10 s after its return.

    In between nothing is good, and what is read then is of then: the heartbeat has gone on.
    """
    plc = simulator(laid, tmp_path)
    try:
        async with AsyncExitStack() as stack:
            watches = await watched(stack, sources())
            await all_become(watches, sees, within_s=START_S)
            before = [heartbeat(watch) for watch in watches]
            laid.pull()
            out_at_s = time.monotonic()
            blind_s = await all_become(watches, is_blind, within_s=BLIND_S)
            await asyncio.sleep(out_at_s + out_s - time.monotonic())
            laid.plug()
            back_at_s = time.monotonic()
            again_s = await all_become(watches, sees, within_s=AGAIN_S)
            print(f"out for {out_s:.0f} s: blind after {blind_s:.1f} s, good after {again_s:.1f} s")
            for watch, count in zip(watches, before, strict=True):
                assert not good_rows_between(watch, out_at_s + blind_s, back_at_s)
                assert heartbeat(watch) - count >= out_s
    finally:
        plc.stop()


def heartbeat(watch: Watch) -> float:
    """Newest heartbeat; the simulator counts one a second."""
    (place,) = (n for n, name in enumerate(watch.blocks[-1].channels) if name.endswith("heartbeat"))
    return float(watch.blocks[-1].value[0, place])


async def test_a_controller_that_is_switched_on_later_is_seen(laid: Cable, tmp_path: Path) -> None:
    """The watching begins with nobody there, and nothing has to be started again."""
    async with AsyncExitStack() as stack:
        watches = await watched(stack, sources())
        await all_become(watches, is_blind, within_s=BLIND_S)
        await asyncio.sleep(3.0)
        assert not any(good_rows_between(watch, 0.0, time.monotonic()) for watch in watches)
        plc = simulator(laid, tmp_path)
        try:
            again_s = await all_become(watches, sees, within_s=START_S)
            print(f"switched on later: good after {again_s:.1f} s, its start included")
        finally:
            plc.stop()


async def test_another_controller_at_the_same_address_is_read_as_itself(
    laid: Cable, tmp_path: Path
) -> None:
    """Cut off and swapped, with another network card, and its namespaces in another order.

    What the old number of the namespace now names is a cabinet at 20 degC; the melt is at 111.5.
    """
    opcua_source, modbus_source = sources()
    plc = simulator(laid, tmp_path)
    try:
        async with AsyncExitStack() as stack:
            watches = await watched(stack, (opcua_source, modbus_source))
            await all_become(watches, sees, within_s=START_S)
            laid.pull()
            plc.kill()
            await all_become(watches, is_blind, within_s=BLIND_S)
            laid.change_card()
            swapped_ns = time.monotonic_ns()
            script = str(Path(other_plc.__file__))
            other = Program(
                laid.command(sys.executable, script, FAR, str(OPCUA_PORT)), tmp_path / "other.log"
            )
            try:
                laid.plug()
                again_s = await all_become(watches[:1], sees, within_s=START_S)
                print(f"swapped: good after {again_s:.1f} s, its start included")
            finally:
                other.kill()
        for block in watches[0].blocks:
            is_good = (block.quality[0] == Quality.GOOD) & temperatures(block)
            if block.mono_ns[0] > swapped_ns:
                assert (block.value[0, is_good] == other_plc.MELT_C).all()
        assert is_blind(watches[1].blocks[-1])
    finally:
        plc.kill()
