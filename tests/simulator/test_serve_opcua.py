"""The OPC UA server, read back by a plain client over loopback."""

from __future__ import annotations

import asyncio
import math
import socket
import struct
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import asyncua
import pytest
import pytest_asyncio
from asyncua.client.client import Client

from potsim.clock import NS_PER_S, CellClock
from potsim.errors import ServeError
from potsim.plants import PLANTS
from potsim.sensors import Break
from potsim.serve_opcua import OpcUaServer
from potsim.world import Link, Panel, ZonePanel

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

ua: Any = asyncua.ua
START = datetime(2027, 1, 15, 8, 0, tzinfo=UTC)
START_NS = 1_800_000_000 * NS_PER_S
SCAN = START + timedelta(seconds=60)
READ = START + timedelta(seconds=60.4)

PANEL = Panel(
    t_ns=START_NS + 60 * NS_PER_S,
    clock_step_ns=0,
    zones=(ZonePanel(109.9, 110.0, 17.5, None), ZonePanel(120.3, 120.0, 22.25, None)),
    is_dispensing=True,
    is_wiped=False,
    parts=1201,
    charge_id=41,
    heartbeat=121,
    part_id=500_012,
    joined=1200,
    inspection=1,
    bead_width_mm=1.25,
    ambient_c=25.0,
    link=Link.UP,
)


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


# OPC UA Part 6, 7.1.2.3: Hello with version 0, two buffer sizes, no limits and an empty address
HELLO = b"HELF" + struct.pack("<6Ii", 32, 0, 65535, 65535, 0, 0, 0)


async def greet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Say hello and wait until the server has answered."""
    writer.write(HELLO)
    async with asyncio.timeout(1.0):
        assert await reader.readexactly(3) == b"ACK"
        await reader.readexactly(25)


async def is_cut(reader: asyncio.StreamReader) -> bool:
    """Whether the other side ends the connection within a second."""
    async with asyncio.timeout(1.0):
        try:
            return await reader.read(1) == b""
        except ConnectionResetError:
            return True


class Shown:
    """A panel that a test can change, with its server and a clock that stands still."""

    def __init__(self) -> None:
        self.panel = PANEL
        self.port = free_port()
        clock = CellClock(START_NS, 1.0, lambda: START_NS + 60_400_000_000)
        self.server = OpcUaServer(
            PLANTS["lens_4"],
            host="127.0.0.1",
            port=self.port,
            panel=lambda: self.panel,
            clock=lambda: clock,
        )

    def client(self) -> Any:
        """Give a client, not yet connected."""
        return Client(self.server.url, timeout=1, watchdog_intervall=30)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def listening() -> AsyncIterator[Shown]:
    """One server for all tests of this file: its address space takes seconds to build."""
    shown = Shown()
    await shown.server.prepare()
    await shown.server.listen()
    yield shown
    await shown.server.close()


@pytest.fixture
def shown(listening: Shown) -> Shown:
    """It shows the same to begin with in every test."""
    listening.panel = PANEL
    return listening


async def read(client: Any, *paths: str) -> list[Any]:
    """Values of lens_4 nodes with status and both times."""
    index = await client.get_namespace_index("urn:potsim:plc")
    params = ua.ReadParameters(
        MaxAge=0,
        TimestampsToReturn=ua.TimestampsToReturn.Both,
        NodesToRead=[
            ua.ReadValueId(
                NodeId=ua.NodeId(f"lens_4.{path}", index), AttributeId=ua.AttributeIds.Value
            )
            for path in paths
        ],
    )
    return list(await client.uaclient.read(params))


async def test_every_node_has_its_id_type_and_value(shown: Shown) -> None:
    """Under the contract's namespace, which is not index 2."""
    expected = {
        "syringe.temperature": ("Float", 109.9),
        "syringe.setpoint": ("Float", 110.0),
        "syringe.output": ("Float", 17.5),
        "nozzle.temperature": ("Float", 120.3),
        "nozzle.setpoint": ("Float", 120.0),
        "nozzle.output": ("Float", 22.25),
        "dispensing": ("Boolean", True),
        "parts": ("UInt32", 1201),
        "charge_id": ("UInt32", 41),
        "wiped": ("Boolean", False),
        "heartbeat": ("UInt32", 121),
        "ambient": ("Float", 25.0),
        "part_id": ("UInt32", 500_012),
        "joined": ("UInt32", 1200),
        "inspection": ("Boolean", True),
        "bead_width": ("Float", 1.25),
    }
    async with shown.client() as client:
        assert await client.get_namespace_index("urn:potsim:plc") != 2
        values = await read(client, *expected)
    for value, (kind, number) in zip(values, expected.values(), strict=True):
        assert value.Value.VariantType.name == kind
        assert value.Value.Value == pytest.approx(number, abs=1e-5)
        assert value.StatusCode.is_good()


async def test_nodes_are_found_below_the_cells_object(shown: Shown) -> None:
    """Objects/lens_4 lists sixteen variables."""
    async with shown.client() as client:
        index = await client.get_namespace_index("urn:potsim:plc")
        children = await client.get_node(ua.NodeId("lens_4", index)).get_children()
    assert len(children) == 16
    assert all(str(child.nodeid.Identifier).startswith("lens_4.") for child in children)


async def test_times_are_cell_time(shown: Shown) -> None:
    """Source time is the scan's, server time the read's; the server's own clock agrees."""
    async with shown.client() as client:
        (value,) = await read(client, "heartbeat")
        status = await client.get_node(ua.NodeId(2256)).read_value()
        current = await client.get_node(ua.NodeId(2258)).read_value()
        state = await client.get_node(ua.NodeId(2259)).read_data_value()
    assert (value.SourceTimestamp, value.ServerTimestamp) == (SCAN, READ)
    assert status.CurrentTime == current == READ
    assert state.Value.Value == 0
    assert state.ServerTimestamp == READ


async def test_a_stepped_clock_moves_both_times(shown: Shown) -> None:
    """An hour of clock error shows in source and server time alike."""
    shown.panel = replace(PANEL, clock_step_ns=3600 * NS_PER_S)
    async with shown.client() as client:
        (value,) = await read(client, "heartbeat")
    hour = timedelta(hours=1)
    assert (value.SourceTimestamp, value.ServerTimestamp) == (SCAN + hour, READ + hour)


async def test_before_the_start_source_time_does_not_lie_ahead(shown: Shown) -> None:
    """A panel of a scan still to come is dated now."""
    shown.panel = replace(PANEL, t_ns=START_NS + 3600 * NS_PER_S)
    async with shown.client() as client:
        (value,) = await read(client, "heartbeat")
    assert value.SourceTimestamp == value.ServerTimestamp == READ


async def test_an_open_sensor_shows_as_its_code_says(shown: Shown) -> None:
    """Status: BadSensorFailure without a value; nan and 1372 come with a good status."""
    shown.panel = replace(
        PANEL,
        zones=(
            ZonePanel(math.nan, 110.0, 0.0, Break.STATUS),
            ZonePanel(1372.0, 120.0, 0.0, Break.UPSCALE),
        ),
    )
    async with shown.client() as client:
        failed, upscale = await read(client, "syringe.temperature", "nozzle.temperature")
        shown.panel = replace(PANEL, zones=(ZonePanel(math.nan, 110.0, 0.0, Break.NAN),) * 2)
        (nan,) = await read(client, "nozzle.temperature")
    assert failed.StatusCode.name == "BadSensorFailure"
    assert failed.Value.Value is None
    assert upscale.StatusCode.is_good()
    assert upscale.Value.Value == 1372.0
    assert nan.StatusCode.is_good()
    assert math.isnan(nan.Value.Value)


async def test_nothing_can_be_written(shown: Shown) -> None:
    """A write is refused and the value stays."""
    async with shown.client() as client:
        index = await client.get_namespace_index("urn:potsim:plc")
        node = client.get_node(ua.NodeId("lens_4.nozzle.setpoint", index))
        with pytest.raises(ua.UaStatusCodeError, match="BadUserAccessDenied"):
            await node.write_value(ua.Variant(150.0, ua.VariantType.Float))
        (value,) = await read(client, "nozzle.setpoint")
    assert value.Value.Value == 120.0


async def test_a_silent_link_accepts_and_says_nothing(shown: Shown) -> None:
    """An old session times out and a new connection gets no hello; later both work."""
    async with shown.client() as client:
        index = await client.get_namespace_index("urn:potsim:plc")
        await shown.server.set_link(Link.SILENT)
        node = client.get_node(ua.NodeId("lens_4.parts", index))
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.4):
                await node.read_value()
        reader, writer = await asyncio.open_connection("127.0.0.1", shown.port)
        writer.write(HELLO)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.3):
                await reader.read(1)
        await shown.server.set_link(Link.UP)
        async with asyncio.timeout(1.0):
            assert await reader.readexactly(3) == b"ACK"
        assert await node.read_value() == 1201
        writer.close()
        await writer.wait_closed()


async def test_a_dropped_link_cuts_and_refuses_until_it_is_back(shown: Shown) -> None:
    """The connection ends, a new one is refused, and later one is accepted again."""
    reader, writer = await asyncio.open_connection("127.0.0.1", shown.port)
    await greet(reader, writer)
    await shown.server.set_link(Link.DROPPED)
    assert await is_cut(reader)
    writer.close()
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", shown.port)
    await shown.server.set_link(Link.UP)
    async with shown.client() as client:
        (value,) = await read(client, "parts")
    assert value.Value.Value == 1201


async def test_a_link_can_go_from_silent_to_dropped_and_the_server_still_closes() -> None:
    """Silent connections are cut by the drop, and the end of a run does not need a link."""
    shown = Shown()
    await shown.server.prepare()
    await shown.server.listen()
    reader, writer = await asyncio.open_connection("127.0.0.1", shown.port)
    await greet(reader, writer)
    await shown.server.set_link(Link.SILENT)
    await shown.server.set_link(Link.DROPPED)
    assert await is_cut(reader)
    writer.close()
    async with asyncio.timeout(5.0):
        await shown.server.close()


async def test_a_taken_port_is_told(shown: Shown) -> None:
    """The message names the address and what to do."""
    second = Shown()
    second.server.url = shown.server.url
    await second.server.prepare()
    with pytest.raises(ServeError, match=r"^opcua opc\.tcp://.*: cannot listen: .*another port$"):
        await second.server.listen()
