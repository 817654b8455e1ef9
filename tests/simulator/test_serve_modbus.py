"""The Modbus server: registers by hand, and read back by a plain client over loopback."""

from __future__ import annotations

import asyncio
import math
import socket
import struct
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import AsyncModbusTcpClient

from potsim.errors import ServeError
from potsim.sensors import Break
from potsim.serve_modbus import (
    ModbusServer,
    float32_low_word_first,
    holding_registers,
    int16,
    uint16,
    uint32,
)
from potsim.world import Link, Panel, ZonePanel

PANEL = Panel(
    t_ns=1_800_000_000_000_000_000,
    clock_step_ns=0,
    zones=(
        ZonePanel(110.1, 110.0, 15.24, None),
        ZonePanel(-4.9, 115.0, 37.0, None),
        ZonePanel(120.3, 120.0, 100.0, None),
    ),
    is_dispensing=True,
    is_wiped=False,
    parts=70_000,
    charge_id=17,
    heartbeat=65_537,
    part_id=500_321,
    joined=69_999,
    inspection=1,
    bead_width_mm=1.25,
    ambient_c=24.9,
    link=Link.UP,
)


# transaction 7, unit 1: one holding register from wire address 1, and 110.0 degC in answer
REQUEST = bytes.fromhex("0007 0000 0006 01 03 0001 0001")
ANSWER = bytes.fromhex("0007 0000 0005 01 03 02 044c")


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def is_cut(reader: asyncio.StreamReader) -> bool:
    """Whether the other side ends the connection within a second."""
    async with asyncio.timeout(1.0):
        try:
            return await reader.read(1) == b""
        except ConnectionResetError:
            return True


class Shown:
    """A panel that a test can change, with its server."""

    def __init__(self) -> None:
        self.panel = PANEL
        self.port = free_port()
        self.server = ModbusServer(host="127.0.0.1", port=self.port, panel=lambda: self.panel)

    async def client(self) -> AsyncModbusTcpClient:
        """Give a connected client."""
        client = AsyncModbusTcpClient(
            "127.0.0.1", port=self.port, timeout=0.5, retries=0, reconnect_delay=0
        )
        await client.connect()
        return client


@pytest.fixture
async def shown() -> AsyncIterator[Shown]:
    """A listening server."""
    shown = Shown()
    await shown.server.listen()
    yield shown
    await shown.server.close()
    await asyncio.sleep(0)


def test_signed_tenths_are_twos_complement() -> None:
    """-1.0 degC is 0xFFF6; nan is the fill value; far values stop at the ends."""
    assert int16(110.1) == 1101
    assert int16(-1.0) == 0xFFF6
    assert int16(math.nan) == 32767
    assert int16(1372.0) == 13720
    assert int16(9999.0) == 32767
    assert int16(-9999.0) == 0x8000


def test_unsigned_tenths_stop_at_the_ends() -> None:
    """100 % is 1000; nothing is below 0."""
    assert uint16(100.0) == 1000
    assert uint16(-3.0) == 0
    assert uint16(1e9) == 0xFFFF


def test_a_float_has_its_low_word_first() -> None:
    """120.0 is 0x42F00000 in IEEE 754: registers 0x0000, 0x42F0."""
    assert float32_low_word_first(120.0) == (0x0000, 0x42F0)


@given(st.floats(width=32, allow_nan=False))
def test_swapping_the_words_back_gives_the_float(value: float) -> None:
    """High word, low word, big endian: what the reader has to undo."""
    low, high = float32_low_word_first(value)
    assert struct.unpack(">f", struct.pack(">HH", high, low))[0] == value


def test_a_counter_has_its_high_word_first() -> None:
    """70000 = 1 * 65536 + 4464."""
    assert uint32(70_000) == (1, 4464)


def test_an_open_sensor_fills_its_registers() -> None:
    """32767 as int16, a nan pattern as float32; an upscale break reads 1372 degC."""
    opened = replace(
        PANEL,
        zones=(
            ZonePanel(math.nan, 110.0, 0.0, Break.STATUS),
            ZonePanel(1372.0, 115.0, 0.0, Break.UPSCALE),
            ZonePanel(math.nan, 120.0, 0.0, Break.NAN),
        ),
    )
    runs = holding_registers(opened)
    assert runs[0][0] == 32767
    assert runs[0][3] == 13720
    low, high = runs[10][:2]
    assert math.isnan(struct.unpack(">f", struct.pack(">HH", high, low))[0])


@pytest.mark.integration
async def test_every_register_is_where_the_contract_says(shown: Shown) -> None:
    """Read by a plain client: forms, scales and word orders."""
    client = await shown.client()
    low = await client.read_holding_registers(0, count=6, device_id=1)
    assert low.registers == [1101, 1100, 152, 65536 - 49, 1150, 370]
    middle = await client.read_holding_registers(10, count=5, device_id=1)
    temperature = client.convert_from_registers(
        middle.registers[:2], client.DATATYPE.FLOAT32, word_order="little"
    )
    assert temperature == pytest.approx(120.3, abs=1e-5)
    assert middle.registers[2:] == [0x0000, 0x42F0, 1000]
    high = await client.read_holding_registers(20, count=13, device_id=1)
    assert high.registers[:6] == [1, 4464, 0, 17, 1, 249]
    for place, value in ((6, 500_321), (8, 69_999)):
        words = high.registers[place : place + 2]
        assert client.convert_from_registers(words, client.DATATYPE.UINT32) == value
    width_mm = client.convert_from_registers(
        high.registers[10:12], client.DATATYPE.FLOAT32, word_order="little"
    )
    assert width_mm == 1.25
    assert high.registers[12] == 1
    inputs = await client.read_discrete_inputs(0, count=2, device_id=1)
    assert inputs.bits[:2] == [True, False]
    client.close()


@pytest.mark.integration
async def test_values_are_those_of_the_newest_panel(shown: Shown) -> None:
    """A change between two reads is seen by the second."""
    client = await shown.client()
    shown.panel = replace(PANEL, heartbeat=5, is_dispensing=False, is_wiped=True)
    beat = await client.read_holding_registers(24, count=1, device_id=1)
    assert beat.registers == [5]
    inputs = await client.read_discrete_inputs(1, count=1, device_id=1)
    assert inputs.bits[0] is True
    client.close()


@pytest.mark.integration
@pytest.mark.parametrize(("address", "count"), [(6, 1), (5, 2), (15, 1), (33, 1), (0, 33), (9, 2)])
async def test_unmapped_registers_answer_exception_2(
    shown: Shown, address: int, count: int
) -> None:
    """Alone or as part of a longer read."""
    client = await shown.client()
    answer = await client.read_holding_registers(address, count=count, device_id=1)
    assert answer.isError()
    assert answer.exception_code == 2
    client.close()


@pytest.mark.integration
async def test_everything_else_is_refused(shown: Shown) -> None:
    """Other inputs, coils and input registers: 2; writes: 1; other units: 11."""
    client = await shown.client()
    assert (await client.read_discrete_inputs(2, count=1, device_id=1)).exception_code == 2
    assert (await client.read_discrete_inputs(0, count=3, device_id=1)).exception_code == 2
    assert (await client.read_coils(0, count=1, device_id=1)).exception_code == 2
    assert (await client.read_input_registers(0, count=1, device_id=1)).exception_code == 2
    assert (await client.write_register(1, 1300, device_id=1)).exception_code == 1
    assert (await client.read_holding_registers(0, count=1, device_id=9)).exception_code == 11
    assert (await client.read_holding_registers(1, count=1, device_id=1)).registers == [1100]
    client.close()


@pytest.mark.integration
async def test_a_silent_link_accepts_and_says_nothing(shown: Shown) -> None:
    """Old and new connections wait; afterwards both are answered."""
    old = await shown.client()
    assert not (await old.read_holding_registers(0, count=1, device_id=1)).isError()
    await shown.server.set_link(Link.SILENT)
    reader, writer = await asyncio.open_connection("127.0.0.1", shown.port)
    writer.write(REQUEST)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.3):
            await reader.read(1)
    await shown.server.set_link(Link.UP)
    async with asyncio.timeout(1.0):
        assert await reader.readexactly(11) == ANSWER
    assert not (await old.read_holding_registers(0, count=1, device_id=1)).isError()
    writer.close()
    await writer.wait_closed()
    old.close()


@pytest.mark.integration
async def test_a_dropped_link_cuts_and_refuses_until_it_is_back(shown: Shown) -> None:
    """The connection ends, a new one is refused, and later one is accepted again."""
    reader, writer = await asyncio.open_connection("127.0.0.1", shown.port)
    writer.write(REQUEST)
    assert await reader.readexactly(11) == ANSWER
    await shown.server.set_link(Link.DROPPED)
    assert await is_cut(reader)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", shown.port)
    await shown.server.set_link(Link.UP)
    client = await shown.client()
    assert (await client.read_holding_registers(1, count=1, device_id=1)).registers == [1100]
    client.close()
    writer.close()


@pytest.mark.integration
async def test_a_taken_port_is_told(shown: Shown) -> None:
    """The message names the address and what to do."""
    second = ModbusServer(host="127.0.0.1", port=shown.port, panel=lambda: PANEL)
    with pytest.raises(ServeError) as caught:
        await second.listen()
    assert str(caught.value) == (
        f"modbus 127.0.0.1:{shown.port}: cannot listen; choose another port"
    )
