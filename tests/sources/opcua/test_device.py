"""OPC UA on loopback, against the library's own server: it proves the wiring, not the protocol.

What the statuses mean is held against the published table in test_decode.
"""

from __future__ import annotations

import asyncio
import logging
import math
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC
from itertools import pairwise

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError

from support.devices import keeps_contract
from support.opcua_bench import OpcuaBench, Script, serving
from support.proxy import Proxy
from support.running import free_port, is_good, is_missing, reasons, watching
from watchedpot.core.model import NO_TIME_NS, Block, Quality, Reading, Reason
from watchedpot.core.units import NANO
from watchedpot.errors import SourceRefused, SourceSlotTaken, SourceTimeout, SourceUnreachable
from watchedpot.sources import opcua, patience
from watchedpot.sources.base import WrongShape
from watchedpot.sources.opcua import OpcuaDevice
from watchedpot.sources.opcua.device import acquaintance
from watchedpot.sources.wiring import Conversion, OpcuaChannel, OpcuaSource, Unit, ValueType

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

CELL = "urn:demo:cell"
OTHER = "urn:demo:cabinet"
STAMP_NS = 1_767_268_800_000_000_000
CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=400.0)

WALL = OpcuaChannel("cell/syringe/wall", CELL, "s=wall", ValueType.FLOAT32, CELSIUS)
SETPOINT = OpcuaChannel("cell/syringe/setpoint", CELL, "i=4711", ValueType.INT16, CELSIUS)
DISPENSING = OpcuaChannel("cell/dispensing", CELL, "s=a;b=c", ValueType.BOOL)
ALL = (WALL, SETPOINT, DISPENSING)


class Cell(OpcuaBench):
    """A bench with the three variables of a cell."""

    def reset(self) -> None:
        """Nothing goes wrong and all values are good: 110.0 degC, 110 degC, true."""
        self.script.__dict__.update(Script().__dict__)
        self.write(WALL.name, 110.0)
        self.write(SETPOINT.name, 110, ua.VariantType.Int16)
        self.write(DISPENSING.name, True, ua.VariantType.Boolean)
        self.write("state", 0, ua.VariantType.Int32)
        self.write("limit", 10_000, ua.VariantType.UInt32)
        self.reads.clear()


@asynccontextmanager
async def serving_cell(*uris: str, port: int, wall_c: float = 110.0) -> AsyncIterator[Cell]:
    """Server with namespaces in this order; the variables are in the last of them."""
    async with serving(*uris, port=port, kind=Cell) as cell:
        index, kind = ua.Int16(len(uris) + 1), ua.VariantType
        await cell.add(WALL.name, ua.NodeId(ua.String("wall"), index), wall_c, kind.Float)
        await cell.add(SETPOINT.name, ua.NodeId(ua.Int32(4711), index), 110, kind.Int16)
        await cell.add(DISPENSING.name, ua.NodeId(ua.String("a;b=c"), index), True, kind.Boolean)
        yield cell


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the library's log out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared() -> AsyncIterator[Cell]:
    """One server for all tests that do not restart it; the start takes a second."""
    async with serving_cell(CELL, port=free_port()) as cell:
        yield cell


@pytest_asyncio.fixture(loop_scope="module")
async def cell(shared: Cell) -> Cell:
    """The shared server with good values."""
    shared.reset()
    return shared


def source(port: int, *channels: OpcuaChannel) -> OpcuaSource:
    """Source with short bounds on a port of loopback."""
    return OpcuaSource(
        "plc",
        f"opc.tcp://127.0.0.1:{port}/",
        channels or ALL,
        poll_period_s=0.05,
        connect_timeout_s=2.0,
        answer_timeout_s=0.4,
        reconnect_cap_s=0.2,
    )


async def read_once(wanted: OpcuaSource) -> dict[str, Reading]:
    """Readings of one read on a connection of its own."""
    device = OpcuaDevice(wanted)
    try:
        await device.connect()
        return await device.read()
    finally:
        await device.close()


async def wall_reading(cell: Cell) -> Reading:
    """Reading of the wall temperature on a connection of its own."""
    return (await read_once(source(cell.port)))[WALL.name]


async def test_values_come_with_status_and_both_stamps(cell: Cell) -> None:
    """Text and number identifiers, three types, one read."""
    assert await read_once(source(cell.port)) == {
        WALL.name: Reading(110.0, source_ns=STAMP_NS, server_ns=STAMP_NS),
        SETPOINT.name: Reading(110.0, source_ns=STAMP_NS, server_ns=STAMP_NS),
        DISPENSING.name: Reading(1.0, source_ns=STAMP_NS, server_ns=STAMP_NS),
    }


async def test_the_device_keeps_the_contract(cell: Cell) -> None:
    """What pollers rely on holds for the real device as for the scripted one."""
    wanted = source(cell.port)
    await keeps_contract(lambda: OpcuaDevice(wanted), [channel.name for channel in ALL])


async def test_uncertain_keeps_its_number_and_does_not_count(cell: Cell) -> None:
    """UncertainSensorNotAccurate comes through as UNCERTAIN with value and code."""
    status = StatusCodes.UncertainSensorNotAccurate
    cell.write(WALL.name, 110.0, status=status)
    reading = await wall_reading(cell)
    assert (reading.value, reading.quality, reading.status) == (110.0, Quality.UNCERTAIN, status)
    trusting = replace(WALL, uncertain_is_good=True)
    assert (await read_once(source(cell.port, trusting)))[WALL.name].quality is Quality.GOOD


@pytest.mark.parametrize(
    ("status", "quality"),
    [
        (StatusCodes.UncertainLastUsableValue, Quality.STALE),
        (StatusCodes.BadNoCommunication, Quality.STALE),
        (StatusCodes.BadSensorFailure, Quality.BAD),
        (StatusCodes.BadOutOfService, Quality.BAD),
    ],
)
async def test_what_is_not_good_has_no_number(cell: Cell, status: int, quality: Quality) -> None:
    """Class, code and no value, though the server sends one along."""
    cell.write(WALL.name, 182.0, status=status)
    (wall,) = await opcua.probe(source(cell.port, WALL))
    assert wall.raw.startswith("Float 182.0, ")
    reading = await wall_reading(cell)
    assert (reading.quality, reading.reason, reading.status) == (quality, Reason.STATUS, status)
    assert math.isnan(reading.value)


@pytest.mark.parametrize(
    ("value", "kind", "reason"),
    [
        (math.nan, ua.VariantType.Float, Reason.NOT_FINITE),
        (math.inf, ua.VariantType.Float, Reason.NOT_FINITE),
        (850.0, ua.VariantType.Float, Reason.IMPLAUSIBLE),
        (110.0, ua.VariantType.Double, Reason.TYPE),
        (110, ua.VariantType.Int16, Reason.TYPE),
        (True, ua.VariantType.Boolean, Reason.TYPE),
        ("110,0", ua.VariantType.String, Reason.TYPE),
        ([110.0], ua.VariantType.Float, Reason.TYPE),
        (None, ua.VariantType.Null, Reason.NULL),
    ],
)
async def test_a_good_status_does_not_make_a_good_value(
    cell: Cell, value: object, kind: ua.VariantType, reason: Reason
) -> None:
    """What is not a finite number of the configured type in its range is bad under Good."""
    cell.write(WALL.name, value, kind)
    reading = await wall_reading(cell)
    assert (reading.quality, reading.reason, reading.status) == (Quality.BAD, reason, 0)
    assert math.isnan(reading.value)


async def test_a_missing_node_is_bad_for_its_address_and_others_are_good(cell: Cell) -> None:
    """BadNodeIdUnknown of one node leaves its neighbours alone."""
    gone = replace(WALL, name="cell/nozzle/wall", identifier="s=nozzle")
    readings = await read_once(source(cell.port, gone, SETPOINT))
    assert readings[gone.name].reason is Reason.ADDRESS
    assert readings[gone.name].status == StatusCodes.BadNodeIdUnknown
    assert readings[SETPOINT.name].quality is Quality.GOOD


async def test_a_stamp_that_is_not_given_is_no_time(cell: Cell) -> None:
    """The year 1601, which stands for no time on the wire, does not become a time."""
    cell.write(WALL.name, 110.0, stamp=ua.DateTime(1601, 1, 1, tzinfo=UTC))
    assert (await wall_reading(cell)).source_ns == NO_TIME_NS


async def test_a_server_that_does_not_run_has_no_good_value(cell: Cell) -> None:
    """State Shutdown (4): every reading is bad for it, and good again with Running."""
    async with watching(opcua.poller, source(cell.port)) as watch:
        await watch.until(is_good)
        cell.write("state", 4, ua.VariantType.Int32)
        row = await watch.until(lambda block: not is_good(block))
        assert set(reasons(row).values()) == {Reason.SERVER_STATE}
        assert watch.poller.status().is_up
        cell.write("state", 0, ua.VariantType.Int32)
        await watch.until(is_good)
    assert watch.poller.status().connections == 1


async def test_a_server_that_hides_its_state_has_no_good_value(cell: Cell) -> None:
    """Not knowing whether it runs is not knowing that it runs."""
    cell.write("state", None, ua.VariantType.Null, status=StatusCodes.BadNotReadable)
    reading = await wall_reading(cell)
    assert (reading.reason, reading.status) == (Reason.SERVER_STATE, StatusCodes.BadNotReadable)


@pytest.mark.parametrize("limit", [1, 2, 3, 4])
async def test_a_read_holds_no_more_nodes_than_the_server_allows(
    cell: Cell, monkeypatch: pytest.MonkeyPatch, limit: int
) -> None:
    """With a limit of n, no read of the channels asks for more than n nodes."""
    cell.write("limit", limit, ua.VariantType.UInt32)
    device = OpcuaDevice(source(cell.port))
    sizes: list[int] = []
    await device.connect()
    assert device._session._client is not None
    ask = device._session._client.uaclient.read

    async def counted(parameters: ua.ReadParameters) -> list[ua.DataValue]:
        sizes.append(len(parameters.NodesToRead))
        return await ask(parameters)

    monkeypatch.setattr(device._session._client.uaclient, "read", counted)
    readings = await device.read()
    await device.close()
    assert [readings[c.name].value for c in ALL] == [110.0, 110.0, 1.0]
    assert max(sizes) <= limit
    assert sum(sizes) == 5


@pytest.mark.parametrize(
    "code",
    [
        StatusCodes.BadTooManyOperations,
        StatusCodes.BadEncodingLimitsExceeded,
        StatusCodes.BadResponseTooLarge,
    ],
)
@pytest.mark.parametrize("most", [1, 2, 3])
async def test_a_limit_that_the_server_does_not_tell_is_found_and_remembered(
    cell: Cell, code: int, most: int
) -> None:
    """It says 10000 and refuses more than a few: halved until it fits, and not tried again."""
    cell.script.most, cell.script.most_code = most, code
    known = acquaintance(source(cell.port))
    for turn in range(2):
        device = OpcuaDevice(source(cell.port), known)
        await device.connect()
        cell.reads.clear()
        readings = await device.read()
        readings = await device.read()
        await device.close()
        assert [readings[c.name].value for c in ALL] == [110.0, 110.0, 1.0]
        refused = [size for size in cell.reads if size > most]
        assert bool(refused) is (turn == 0 and most > 1)


async def test_a_node_that_cannot_be_read_at_all_is_an_error(cell: Cell) -> None:
    """A refusal of even one node is no matter of size."""
    cell.script.most = 0
    with pytest.raises(SourceRefused, match="a read of 1 node was refused"):
        await read_once(source(cell.port))


MANY = tuple(
    OpcuaChannel(f"cell/many/c{number}", CELL, f"s=c{number}", ValueType.FLOAT32, CELSIUS)
    for number in range(12)
)


@pytest.mark.parametrize("is_parallel", [False, True])
async def test_a_node_that_keeps_reads_waiting_is_isolated(cell: Cell, is_parallel: bool) -> None:
    """Twelve nodes, one of them behind a dead device: soon eleven are good in every poll.

    The server waits 1 s before it answers a read with that node in it; the bound is 0.4 s. The
    twelfth says that it has no answer, and the connection is kept.
    """
    for channel in MANY:
        if channel.name not in cell.nodes:
            node = ua.NodeId(ua.String(channel.identifier[2:]), ua.Int16(2))
            await cell.add(channel.name, node, 110.0, ua.VariantType.Float)
    cell.script.delay_s = {cell.nodes[MANY[7].name]: 1.0}
    cell.script.is_parallel = is_parallel

    def all_but_one(block: Block) -> bool:
        return int((block.quality == Quality.GOOD).sum()) == len(MANY) - 1

    async with watching(opcua.poller, source(cell.port, *MANY)) as watch:
        await watch.until(
            lambda _: len(watch.blocks) > 20 and all(map(all_but_one, watch.blocks[-20:])),
            within_s=12.0,
        )
        assert watch.poller.status().connections == 2
    steady = watch.blocks[-20:]
    assert {reasons(row)[MANY[7].name] for row in steady} == {Reason.NO_ANSWER}
    gaps_ns = [after.mono_ns[0] - before.mono_ns[0] for before, after in pairwise(steady)]
    assert max(gaps_ns) < 0.4 * NANO


async def test_a_slow_node_that_is_quick_again_comes_back(
    cell: Cell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked on its own after its pause, answered in time, and read with the others again."""
    monkeypatch.setattr(patience, "FIRST_PAUSE_S", 0.3)
    monkeypatch.setattr(patience, "LONGEST_PAUSE_S", 0.3)
    cell.script.delay_s = {cell.nodes[SETPOINT.name]: 1.0}
    async with watching(opcua.poller, source(cell.port)) as watch:
        await watch.until(lambda block: int((block.quality == Quality.GOOD).sum()) == 2)
        cell.script.delay_s = {}
        for _ in range(5):
            await watch.until(is_good, within_s=8.0)


async def test_what_is_too_slow_stays_too_slow_without_stopping_others(
    cell: Cell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked again in vain: the others are good in that poll too, if half a bound later.

    A server that answers at the same time; one that does not keeps them waiting itself.
    """
    cell.script.is_parallel = True
    monkeypatch.setattr(patience, "FIRST_PAUSE_S", 0.1)
    monkeypatch.setattr(patience, "LONGEST_PAUSE_S", 0.1)
    cell.script.delay_s = {cell.nodes[SETPOINT.name]: 1.0}
    async with watching(opcua.poller, source(cell.port)) as watch:
        await watch.until(lambda block: int((block.quality == Quality.GOOD).sum()) == 2)
        connections = watch.poller.status().connections
        for _ in range(12):
            row = await watch.until(lambda _: True)
            assert int((row.quality == Quality.GOOD).sum()) == 2
            assert row.quality[0, 1] != Quality.GOOD
        assert watch.poller.status().connections == connections


async def test_a_server_busy_with_a_slow_node_is_not_lost(
    cell: Cell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Answering one after the other, it says nothing for 1 s, and is believed to be still there."""
    monkeypatch.setattr(patience, "FIRST_PAUSE_S", 1.5)
    monkeypatch.setattr(patience, "LONGEST_PAUSE_S", 1.5)
    cell.script.delay_s = {cell.nodes[SETPOINT.name]: 1.0}
    async with watching(opcua.poller, source(cell.port)) as watch:
        await watch.until(lambda block: int((block.quality == Quality.GOOD).sum()) == 2)
        connections = watch.poller.status().connections
        for _ in range(2):
            await watch.until(is_missing)
            await watch.until(lambda block: int((block.quality == Quality.GOOD).sum()) == 2)
        assert watch.poller.status().connections == connections


async def test_an_unknown_namespace_is_bad_until_it_appears(cell: Cell) -> None:
    """A server up before its program: bad for the address, then good on the same connection."""
    late = replace(WALL, name="cell/late/wall", namespace_uri="urn:demo:late", identifier="s=late")
    async with watching(opcua.poller, source(cell.port, late, SETPOINT)) as watch:
        row = await watch.until(lambda block: bool(block.quality[0, 1] == Quality.GOOD))
        assert reasons(row)[late.name] is Reason.ADDRESS
        index = await cell.server.register_namespace(late.namespace_uri)
        await cell.server.nodes.objects.add_variable(
            ua.NodeId(ua.String("late"), ua.Int16(index)), "late", 95.0, ua.VariantType.Float
        )
        row = await watch.until(is_good)
        assert row.value[0, 0] == 95.0
    assert watch.poller.status().connections == 1


async def test_a_namespace_that_moved_over_a_restart_is_followed() -> None:
    """The same node name under the old index holds 20 degC of a cabinet; we read 180.

    Server A has one namespace. Server B, on the same port, has another one before it, with a
    variable of the same name.
    """
    port = free_port()
    async with watching(opcua.poller, source(port, WALL)) as watch:
        async with serving_cell(CELL, port=port, wall_c=180.0):
            row = await watch.until(is_good)
            assert row.value[0, 0] == 180.0
        await watch.until(is_missing)
        async with serving_cell(OTHER, CELL, port=port, wall_c=181.0) as moved:
            old = ua.NodeId(ua.String("wall"), ua.Int16(moved.nodes[WALL.name].NamespaceIndex - 1))
            await moved.server.nodes.objects.add_variable(
                old, "cabinet", 20.0, ua.VariantType.Float
            )
            row = await watch.until(is_good)
            for _ in range(5):
                row = await watch.until(is_good)
                assert row.value[0, 0] == 181.0
            names = [name for name, _ in watch.reports]
            assert names[-3:] == ["source_up", "source_lost", "source_up"]


async def test_a_silent_server_yields_missing_rows_within_the_bound(cell: Cell) -> None:
    """Connected but mute: MISSING no later than the answer timeout and 0.1 s, then recovery."""
    loop = asyncio.get_running_loop()
    async with Proxy(cell.port) as proxy, watching(opcua.poller, source(proxy.port)) as watch:
        await watch.until(is_good)
        proxy.is_silent = True
        began_s = loop.time()
        row = await watch.until(is_missing)
        assert loop.time() - began_s <= 0.05 + 0.4 + 0.1 + 0.15
        assert set(reasons(row).values()) == {Reason.NO_ANSWER}
        lost = str(watch.reports[-1][1]["text"])
        assert lost == (
            f"source plc (opc.tcp://127.0.0.1:{proxy.port}/): no answer to a read of 5 nodes"
            " within 0.4 s; its 3 channels are missing, next try within 0.2 s;"
            " check that the controller runs"
        )
        proxy.is_silent = False
        await watch.until(is_good, within_s=8.0)
    assert proxy.open == 0


def client_tasks() -> list[str]:
    """Tasks of ours, or of the library's client, that are still there."""
    codes = [getattr(task.get_coro(), "cr_code", None) for task in asyncio.all_tasks()]
    files = [code.co_filename for code in codes if code is not None]
    return [file for file in files if "asyncua/client" in file or "watchedpot" in file]


@pytest.mark.parametrize("after_s", [0.0, 0.005, 0.01, 0.02, 0.03, 0.05, 0.08, 0.12, 0.2, 0.5])
@pytest.mark.parametrize("is_silent", [False, True])
async def test_a_cancel_in_any_step_leaves_no_socket_and_no_task(
    cell: Cell, after_s: float, is_silent: bool
) -> None:
    """Cancelled while connecting, reading or waiting: the peer is rid of us, and so is the loop."""
    async with Proxy(cell.port) as proxy:
        async with watching(opcua.poller, source(proxy.port)):
            await asyncio.sleep(after_s / 2)
            proxy.is_silent = is_silent
            await asyncio.sleep(after_s / 2)
        proxy.is_silent = False
        await proxy.idle()
    assert client_tasks() == []


async def test_a_server_that_is_off_is_unreachable() -> None:
    """The error names the place, what was tried and what to do."""
    port = free_port()
    with pytest.raises(SourceUnreachable) as caught:
        await read_once(source(port))
    text = str(caught.value)
    assert text.startswith(f"source plc (opc.tcp://127.0.0.1:{port}/): no connection within 2 s (")
    assert text.endswith("; check the cable and that the controller runs")


async def test_a_lost_session_costs_the_connection(
    cell: Cell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A session that the server forgot is refused, and followed by a new one."""
    async with watching(opcua.poller, source(cell.port)) as watch:
        await watch.until(is_good)
        device = watch.poller._device
        assert isinstance(device, OpcuaDevice)
        assert device._session._client is not None

        async def refuse(_: ua.ReadParameters) -> list[ua.DataValue]:
            raise UaStatusCodeError(StatusCodes.BadSessionIdInvalid)  # type: ignore[no-untyped-call]

        monkeypatch.setattr(device._session._client.uaclient, "read", refuse)
        row = await watch.until(is_missing)
        assert set(reasons(row).values()) == {Reason.REFUSED}
        assert "BadSessionIdInvalid" in str(watch.reports[-1][1]["text"])
        await watch.until(is_good)
    assert watch.poller.status().connections == 2


async def test_a_server_out_of_sessions_refuses(cell: Cell) -> None:
    """The code of the refusal is in the text, and the socket is closed."""
    cell.script.session_code = StatusCodes.BadTooManySessions
    async with Proxy(cell.port) as proxy:
        with pytest.raises(SourceSlotTaken, match=r"no session left for us: .*BadTooManySessions"):
            await read_once(source(proxy.port))
        await proxy.idle()


async def test_a_server_without_namespaces_is_refused() -> None:
    """Without the table no node can be told from another, so none is read."""
    async with serving_cell(CELL, port=free_port()) as mute:
        mute.write("namespaces", None, ua.VariantType.Null)
        with pytest.raises(SourceRefused, match="does not tell its namespaces"):
            await read_once(source(mute.port))


async def test_an_answer_of_another_length_is_never_a_value(
    cell: Cell, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fewer values than nodes: which belongs to which is not known, so none is used."""
    device = OpcuaDevice(source(cell.port))
    await device.connect()
    assert device._session._client is not None
    ask = device._session._client.uaclient.read

    async def shortened(parameters: ua.ReadParameters) -> list[ua.DataValue]:
        return (await ask(parameters))[:-1]

    monkeypatch.setattr(device._session._client.uaclient, "read", shortened)
    with pytest.raises(WrongShape, match="expected 5 values, got 4"):
        await device.read()
    await device.close()


async def test_probing_shows_type_value_and_status(cell: Cell) -> None:
    """Each channel with what its node holds, also where the type is another or none is there."""
    cell.write(WALL.name, "110,0", ua.VariantType.String)
    absent = replace(WALL, name="cell/absent", namespace_uri="urn:demo:nowhere")
    wall, setpoint, gone = await opcua.probe(source(cell.port, WALL, SETPOINT, absent))
    assert (wall.raw, wall.reading.reason) == ("String '110,0', Good", Reason.TYPE)
    assert (setpoint.raw, setpoint.reading.value) == ("Int16 110, Good", 110.0)
    assert (gone.raw, gone.reading.reason) == ("namespace not there", Reason.ADDRESS)
    assert wall.took_s > 0.0
    assert setpoint.took_s > 0.0


@pytest.mark.parametrize("is_parallel", [False, True])
async def test_probing_goes_on_after_a_slow_node(cell: Cell, is_parallel: bool) -> None:
    """Its own reading says that it is missing; the others are awaited and read.

    How long an answer took is told only where no earlier one may still have been in its way: one
    of a server that answers one request after the other is out of the way once the next is there.
    """
    cell.script.is_parallel = is_parallel
    cell.script.delay_s = {cell.nodes[WALL.name]: 1.0}
    wall, setpoint, flow = await opcua.probe(source(cell.port, WALL, SETPOINT, DISPENSING))
    assert (wall.reading.quality, wall.reading.reason) == (Quality.MISSING, Reason.NO_ANSWER)
    assert wall.raw == "no answer to a read of 1 node within 0.4 s"
    assert math.isnan(wall.took_s)
    assert (setpoint.reading.value, flow.reading.quality) == (110.0, Quality.GOOD)
    assert [math.isnan(one.took_s) for one in (setpoint, flow)] == [True, is_parallel]


async def test_probing_a_server_that_answers_for_no_channel_raises(cell: Cell) -> None:
    """Not one answer is no list of missing ones but a server that does not answer."""
    cell.script.delay_s = {cell.nodes[WALL.name]: 1.0}
    with pytest.raises(SourceTimeout, match="no answer to a read of 1 node"):
        await opcua.probe(source(cell.port, WALL))


async def test_probing_a_silent_server_raises(cell: Cell) -> None:
    """A server that never greets is an error of ours, within the bound, and nothing stays open."""
    async with Proxy(cell.port) as proxy:
        proxy.is_silent = True
        wanted = replace(source(proxy.port), connect_timeout_s=0.3)
        with pytest.raises((SourceTimeout, SourceUnreachable, SourceRefused)):
            await opcua.probe(wanted)
        await proxy.idle()
