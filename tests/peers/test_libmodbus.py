"""The Modbus source against a server on libmodbus, compiled here from a C file of ours."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from support.peers import compiled, running, serial_line
from support.running import free_port, is_good, is_missing, reasons, watching
from watchedpot.core.model import Block, Quality, Reason
from watchedpot.sources import modbus
from watchedpot.sources.wiring import (
    Conversion,
    Framing,
    ModbusChannel,
    ModbusSource,
    Parity,
    RegisterTable,
    SerialLine,
    Unit,
    ValueType,
    WordOrder,
)

pytestmark = [pytest.mark.integration, pytest.mark.timeout(60)]

HOLDING, INPUT = RegisterTable.HOLDING_REGISTERS, RegisterTable.INPUT_REGISTERS
CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=400.0)
HIGH, LOW = WordOrder.HIGH_FIRST, WordOrder.LOW_FIRST

EXPECTED = {
    ModbusChannel("c/abcd/t", INPUT, 100, ValueType.FLOAT32, CELSIUS, HIGH): 180.0,
    ModbusChannel("c/cdab/t", INPUT, 102, ValueType.FLOAT32, CELSIUS, LOW): 180.0,
    ModbusChannel("c/badc/t", INPUT, 104, ValueType.FLOAT32, CELSIUS, HIGH, swap_bytes=True): 180.0,
    ModbusChannel("c/dcba/t", INPUT, 106, ValueType.FLOAT32, CELSIUS, LOW, swap_bytes=True): 180.0,
    ModbusChannel(
        "c/tenths/t", INPUT, 110, ValueType.INT16, Conversion(scale=0.1, unit=Unit.CELSIUS)
    ): 182.5,
    ModbusChannel("c/count", HOLDING, 200, ValueType.INT32): -40_000.0,
    ModbusChannel("c/on", RegisterTable.COILS, 3, ValueType.BOOL): 1.0,
    ModbusChannel("c/off", RegisterTable.COILS, 4, ValueType.BOOL): 0.0,
    ModbusChannel("c/open", RegisterTable.DISCRETE_INPUTS, 7, ValueType.BOOL): 1.0,
    ModbusChannel("c/shut", RegisterTable.DISCRETE_INPUTS, 8, ValueType.BOOL): 0.0,
}
"""Channels and what the C file says of them, where the compiler lays out the float."""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled server."""
    return compiled(tmp_path_factory.mktemp("libmodbus"))


def source(port: int, *channels: ModbusChannel, unit: int = 5) -> ModbusSource:
    """Source with short bounds."""
    return ModbusSource(
        id="peer",
        host="127.0.0.1",
        port=port,
        unit=unit,
        channels=channels,
        poll_period_s=0.1,
        connect_timeout_s=1.0,
        answer_timeout_s=0.5,
        max_gap=0,
        reconnect_cap_s=0.3,
    )


def values(block: Block) -> dict[str, float]:
    """Values of a row of one."""
    return dict(zip(block.channels, block.value[0].tolist(), strict=True))


def has_come(block: Block) -> bool:
    """Whether it tells of an answer, and not only of a connection that is not there yet."""
    return bool(((block.status != 0) | (block.reason != Reason.NO_CONNECTION)).any())


async def test_every_kind_of_value_is_read_as_another_library_packs_it(program: Path) -> None:
    """Four orders of a float, signed words, bits of both tables."""
    port = free_port()
    async with (
        running([program, str(port)]),
        watching(modbus.poller, source(port, *EXPECTED)) as watch,
    ):
        block = await watch.until(is_good)
    assert values(block) == {
        channel.name: pytest.approx(value) for channel, value in EXPECTED.items()
    }


async def test_an_absent_register_takes_nobody_along(program: Path) -> None:
    """Exception 2 as libmodbus sends it: that one channel is bad, its neighbours are good."""
    port = free_port()
    absent = ModbusChannel("c/absent", HOLDING, 214, ValueType.INT16)
    near = ModbusChannel("c/near", HOLDING, 209, ValueType.INT16)
    channels = (*EXPECTED, near, absent)

    def is_split(block: Block) -> bool:
        return int((block.quality == Quality.GOOD).sum()) == len(channels) - 1

    async with (
        running([program, str(port)]),
        watching(modbus.poller, source(port, *channels)) as watch,
    ):
        block = await watch.until(is_split)
    assert reasons(block)["c/absent"] is Reason.ADDRESS
    assert np.isnan(values(block)["c/absent"])


@pytest.mark.parametrize(
    ("address", "unit", "qualities", "expected"),
    [
        (210, 5, {Quality.BAD}, {Reason.STATUS}),
        (211, 5, {Quality.MISSING}, {Reason.REFUSED}),
        (212, 5, {Quality.BAD, Quality.MISSING}, {Reason.REFUSED}),
        (213, 5, {Quality.MISSING}, {Reason.NO_CONNECTION, Reason.NO_ANSWER}),
        (200, 6, {Quality.MISSING}, {Reason.NO_ANSWER}),
    ],
)
async def test_exceptions_of_another_library_are_understood(
    program: Path, address: int, unit: int, qualities: set[Quality], expected: set[Reason]
) -> None:
    """Device failure, busy, illegal function, and both of a gateway: nothing good, and why."""
    port = free_port()
    channel = ModbusChannel("c/word", HOLDING, address, ValueType.INT16)
    async with (
        running([program, str(port)]),
        watching(modbus.poller, source(port, channel, unit=unit)) as watch,
    ):
        block = await watch.until(has_come)
    assert Quality(int(block.quality[0, 0])) in qualities
    assert reasons(block)["c/word"] in expected


async def test_a_server_that_is_started_again_is_read_again(program: Path) -> None:
    """Killed and started on the same port: missing in between, then as before."""
    port = free_port()
    async with watching(modbus.poller, source(port, *EXPECTED)) as watch:
        async with running([program, str(port)]):
            await watch.until(is_good)
        await watch.until(is_missing)
        async with running([program, str(port)]):
            block = await watch.until(is_good)
    assert values(block)["c/abcd/t"] == 180.0
    assert watch.poller.status().connections == 2


async def test_a_serial_line_is_read_as_another_library_drives_it(
    program: Path, tmp_path: Path
) -> None:
    """RTU over a line of pseudo terminals: every value, and a unit that is not there is silent."""
    async with serial_line(tmp_path) as (near, far):
        line = SerialLine(19_200, Parity.NONE, path=str(near))

        def wired(*channels: ModbusChannel, unit: int) -> ModbusSource:
            return replace(source(0, *channels, unit=unit), host="", framing=Framing.RTU, line=line)

        async with running([program, far]):
            async with watching(modbus.poller, wired(*EXPECTED, unit=5)) as watch:
                block = await watch.until(is_good)
            assert values(block) == {
                channel.name: pytest.approx(value) for channel, value in EXPECTED.items()
            }
            async with watching(modbus.poller, wired(*EXPECTED, unit=6)) as watch:
                block = await watch.until(has_come)
            assert set(reasons(block).values()) == {Reason.NO_ANSWER}
