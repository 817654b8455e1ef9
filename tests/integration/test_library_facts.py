"""What we rely on in pymodbus and asyncua: it fails the day an upgrade changes it."""

from __future__ import annotations

import asyncio
import logging
import tomllib
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState
from asyncua.server.server import Server
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaStatusCodeError
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.framer import FramerType
from pymodbus.pdu import ExceptionResponse

from support.proxy import Mode, Proxy
from support.raw_modbus import Asked, RawModbus
from support.running import free_port

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"
REQUIRED = tomllib.loads(PYPROJECT.read_text("utf-8"))["project"]["dependencies"]


def modbus_client(port: int, *, retries: int = 0, timeout_s: float = 0.1) -> AsyncModbusTcpClient:
    """Client as the daemon makes it."""
    return AsyncModbusTcpClient(
        "127.0.0.1", port=port, timeout=timeout_s, retries=retries, reconnect_delay=0
    )


async def took_s(action: Callable[[], Awaitable[object]], error: type[Exception]) -> float:
    """How long an action took to raise an error."""
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    with pytest.raises(error):
        await action()
    return loop.time() - began_s


async def test_a_cancelled_modbus_read_is_cancelled() -> None:
    """M1: a cancel comes out as CancelledError; older releases turned it into their own error."""
    async with RawModbus(lambda _: None) as server:
        client = modbus_client(server.port, timeout_s=5.0)
        await client.connect()

        async def read() -> None:
            await client.read_holding_registers(0, count=1, device_id=1)

        task = asyncio.ensure_future(read())
        await asyncio.sleep(0.02)
        task.cancel()
        await asyncio.wait({task}, timeout=1.0)
        client.close()
        assert task.cancelled()


@pytest.mark.parametrize("retries", [0, 3])
async def test_a_silent_modbus_peer_costs_the_timeout_for_each_try(retries: int) -> None:
    """M2: without an answer a read takes timeout x (retries + 1), so we ask for no retries."""
    async with RawModbus(lambda _: None) as server:
        client = modbus_client(server.port, retries=retries)
        await client.connect()
        duration_s = await took_s(
            lambda: client.read_holding_registers(0, count=1, device_id=1), ModbusIOException
        )
        client.close()
        assert duration_s == pytest.approx(0.1 * (retries + 1), abs=0.09)
        assert len(server.asked) == retries + 1


async def test_a_modbus_connect_to_nobody_answers_false() -> None:
    """M3: no exception, not even as a context manager; the return value is all there is."""
    client = modbus_client(free_port())
    assert await client.connect() is False
    async with modbus_client(free_port()) as entered:
        assert entered.connected is False


async def test_a_modbus_exception_is_returned_not_raised() -> None:
    """M4: an illegal address comes back as an answer with a code and without registers."""
    async with RawModbus(lambda asked: asked.exception(2)) as server:
        client = modbus_client(server.port)
        await client.connect()
        answer = await client.read_holding_registers(0, count=1, device_id=1)
        client.close()
        assert type(answer) is ExceptionResponse
        assert (answer.isError(), answer.exception_code, answer.registers) == (True, 2, [])


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(lambda asked: asked.words([1]), id="one of two registers"),
        pytest.param(lambda asked: asked.words([1, 2], function=4), id="another function"),
    ],
)
async def test_pymodbus_takes_an_answer_of_another_shape(answer: Callable[[Asked], bytes]) -> None:
    """Neither register count nor function code is checked, so the daemon checks both."""
    async with RawModbus(answer) as server:
        client = modbus_client(server.port)
        await client.connect()
        taken = await client.read_holding_registers(0, count=2, device_id=1)
        client.close()
        assert not taken.isError()


async def test_the_bound_of_a_modbus_answer_can_be_set_after_connecting() -> None:
    """One setting bounds connecting and answers; changed in between, it holds for answers."""
    async with RawModbus(lambda _: None) as server:
        client = modbus_client(server.port, timeout_s=5.0)
        await client.connect()
        client.ctx.comm_params.timeout_connect = 0.1
        duration_s = await took_s(
            lambda: client.read_holding_registers(0, count=1, device_id=1), ModbusIOException
        )
        client.close()
        assert duration_s == pytest.approx(0.1, abs=0.09)


def rtu_client(port: int, *, timeout_s: float = 0.1) -> AsyncModbusTcpClient:
    """The same with RTU framing."""
    return AsyncModbusTcpClient(
        "127.0.0.1",
        port=port,
        framer=FramerType.RTU,
        timeout=timeout_s,
        retries=0,
        reconnect_delay=0,
    )


async def test_pymodbus_takes_a_late_rtu_answer_for_the_next() -> None:
    """In pymodbus 3.16: asked for register 10 after a timeout it gives register 0."""
    delays_s = iter((0.15, 0.08, 0.08))
    async with RawModbus(
        Asked.own_addresses, is_rtu=True, delay_s=lambda _: next(delays_s)
    ) as server:
        client = rtu_client(server.port)
        await client.connect()
        with pytest.raises(ModbusIOException):
            await client.read_holding_registers(0, count=1, device_id=5)
        slipped = await client.read_holding_registers(10, count=1, device_id=5)
        client.close()
        assert slipped.registers == [5000]


async def test_pymodbus_takes_an_answer_to_transaction_0_for_any() -> None:
    """In pymodbus 3.16: such an answer passes the check of the id, so we look at it ourselves."""
    async with RawModbus(lambda asked: asked.answer(bytes([3, 2, 0, 7]), transaction=0)) as server:
        client = modbus_client(server.port)
        await client.connect()
        taken = await client.read_holding_registers(0, count=1, device_id=5)
        client.close()
        assert taken.registers == [7]


async def test_pymodbus_waits_on_after_a_loss() -> None:
    """In pymodbus 3.16: a request whose connection was cut ends with its timeout; we end it."""
    async with RawModbus(lambda _: None) as server:
        client = modbus_client(server.port, timeout_s=0.5)
        await client.connect()
        asyncio.get_running_loop().call_later(0.05, server.drop_all)
        duration_s = await took_s(
            lambda: client.read_holding_registers(0, count=1, device_id=1), ModbusIOException
        )
        client.close()
        assert duration_s == pytest.approx(0.5, abs=0.09)


async def test_a_modbus_client_that_connects_twice_has_two_connections() -> None:
    """In pymodbus 3.16: the first one leaks, so each connection has a client of its own."""
    async with RawModbus(lambda _: None) as server:
        client = modbus_client(server.port)
        await client.connect()
        first = client.ctx.transport
        await client.connect()
        await asyncio.sleep(0.05)
        assert (server.accepted, server.open) == (2, 2)
        client.close()
        first.close()
        await server.idle()


async def test_a_modbus_read_without_connection_raises_at_the_call() -> None:
    """In pymodbus 3.16: before there is anything to await, so we call it in a coroutine."""
    client = modbus_client(free_port())
    with pytest.raises(ConnectionException):
        client.read_holding_registers(0, count=1, device_id=1)  # not awaited


async def test_what_the_packet_hook_withholds_pymodbus_does_not_see() -> None:
    """In pymodbus 3.16 the hook gets all bytes of an answer; only what it returns counts."""
    heard: list[bytes] = []

    def hold_back(is_sending: bool, some: bytes) -> bytes:
        if is_sending:
            return some
        heard.append(some)
        return b""

    async with RawModbus(Asked.own_addresses) as server, Proxy(server.port) as proxy:
        proxy.mode, proxy.step_s = Mode.TRICKLE, 0.002
        client = AsyncModbusTcpClient(
            "127.0.0.1",
            port=proxy.port,
            timeout=0.3,
            retries=0,
            reconnect_delay=0,
            trace_packet=hold_back,
        )
        await client.connect()
        with pytest.raises(ModbusIOException):
            await client.read_holding_registers(0, count=1, device_id=5)
        client.close()
        assert heard[-1] == bytes.fromhex("0001 0000 0005 05 03 02 1388")
        assert [len(one) for one in heard] == list(range(1, 12))


async def test_a_serial_port_that_is_missing_answers_false(tmp_path: Path) -> None:
    """In pymodbus 3.16 with pyserial 3.5: no exception, so we look for the reason."""
    client = AsyncModbusSerialClient(str(tmp_path / "gone"), timeout=0.1, reconnect_delay=0)
    assert await client.connect() is False


async def test_the_libraries_are_those_whose_facts_these_are() -> None:
    """Behaviour was read in these versions; the limits in pyproject.toml begin with them."""
    assert {"pymodbus>=3.16.1,<4", "pyserial>=3.5,<4", "asyncua>=2.1,<3"} <= set(REQUIRED)


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the libraries' logs out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")
    caplog.set_level(logging.CRITICAL, logger="pymodbus.logging")


GOOD, BAD, UNCERTAIN = (ua.NodeId(ua.String(name), ua.Int16(2)) for name in ("g", "b", "u"))


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def port() -> AsyncIterator[int]:
    """A server with a good, a bad and an uncertain variable, and its port."""
    number = free_port()
    server = Server()
    await server.init()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{number}/")
    await server.register_namespace("urn:demo:facts")
    for node, status in (
        (GOOD, StatusCodes.Good),
        (BAD, StatusCodes.BadSensorFailure),
        (UNCERTAIN, StatusCodes.UncertainLastUsableValue),
    ):
        await server.nodes.objects.add_variable(node, str(node.Identifier), 33.0)
        await server.write_attribute_value(
            node, ua.DataValue(ua.Variant(33.0), ua.StatusCode(ua.UInt32(status)))
        )
    await server.start()
    yield number
    await server.stop()


def opcua_client(port: int, *, watchdog_s: float = 5.0) -> Client:
    """Client as the daemon makes it, with short bounds."""
    return Client(f"opc.tcp://127.0.0.1:{port}/", timeout=0.3, watchdog_intervall=watchdog_s)


def reading(*nodes: ua.NodeId) -> ua.ReadParameters:
    """One Read of values with both stamps."""
    return ua.ReadParameters(
        MaxAge=0,
        TimestampsToReturn=ua.TimestampsToReturn.Both,
        NodesToRead=[ua.ReadValueId(NodeId=n, AttributeId=AttributeIds.Value) for n in nodes],
    )


async def close(client: Client) -> None:
    """Close as the daemon does."""
    protocol = client.uaclient.protocol
    try:
        await client.disconnect()
    finally:
        client.disconnect_socket()
        if protocol is not None and protocol.transport is not None:
            protocol.transport.abort()


async def test_reading_values_drops_the_status(port: int) -> None:
    """U1: the convenient call gives an uncertain number without a hint; a Read keeps it all."""
    client = opcua_client(port)
    await client.connect()
    nodes = [GOOD, BAD, UNCERTAIN]
    values = await client.read_values([client.get_node(node) for node in nodes])
    answers = await client.uaclient.read(reading(*nodes))
    await close(client)
    assert values == [33.0, None, 33.0]
    assert [answer.StatusCode.value for answer in answers if answer.StatusCode] == [
        StatusCodes.Good,
        StatusCodes.BadSensorFailure,
        StatusCodes.UncertainLastUsableValue,
    ]


async def test_a_silent_opcua_server_raises_the_built_in_timeout(port: int) -> None:
    """U3: TimeoutError after the client's timeout; older releases raised a bare Exception."""
    async with Proxy(port) as proxy:
        client = opcua_client(proxy.port)
        await client.connect()
        proxy.is_silent = True
        duration_s = await took_s(lambda: client.uaclient.read(reading(GOOD)), TimeoutError)
        await close(client)
        await proxy.idle()
        assert duration_s == pytest.approx(0.3, abs=0.15)


async def test_after_a_loss_every_opcua_read_is_refused_for_good(port: int) -> None:
    """U4: once the watchdog has seen the loss, the client is spent, though the peer is back."""
    async with Proxy(port) as proxy:
        client = opcua_client(proxy.port, watchdog_s=0.3)
        await client.connect()
        proxy.is_silent = True
        async with client.subscribe_state() as states:
            await states.wait_for_state(UaClientState.DISCONNECTED, 3.0)
        proxy.is_silent = False
        for _ in range(3):
            with pytest.raises(ConnectionError):
                await client.uaclient.read(reading(GOOD))
        await close(client)
        await proxy.idle()


async def test_a_stopped_writer_leaves_good_status_and_standing_stamps(port: int) -> None:
    """U6: a value that nobody writes any more looks like a steady one, stamps included."""
    client = opcua_client(port)
    await client.connect()
    (before,) = await client.uaclient.read(reading(GOOD))
    await asyncio.sleep(0.3)
    (after,) = await client.uaclient.read(reading(GOOD))
    await close(client)
    assert after.StatusCode == ua.StatusCode(ua.UInt32(StatusCodes.Good))
    assert (after.SourceTimestamp, after.ServerTimestamp) == (
        before.SourceTimestamp,
        before.ServerTimestamp,
    )


async def test_an_unreachable_opcua_server_is_an_os_error() -> None:
    """A connect to nobody raises what we catch."""
    with pytest.raises(OSError, match=r"."):
        await opcua_client(free_port()).connect()


async def test_a_refused_opcua_request_is_a_ua_error(port: int) -> None:
    """A read in a session that the server has closed raises UaStatusCodeError, with its code."""
    client = opcua_client(port)
    await client.connect()
    await client.uaclient.close_session(True)
    with pytest.raises(UaStatusCodeError) as caught:
        await client.uaclient.read(reading(GOOD))
    await close(client)
    assert caught.value.code >> 30 == 2


async def test_disconnecting_can_swallow_a_cancel(port: int) -> None:
    """A cancel at the wrong moment is lost in disconnect, so the daemon checks for one after."""
    swallowed = 0
    for turns in range(6):
        client = opcua_client(port)
        await client.connect()
        task = asyncio.ensure_future(client.disconnect())
        for _ in range(turns):
            await asyncio.sleep(0)
        task.cancel()
        await asyncio.wait({task}, timeout=2.0)
        swallowed += not task.cancelled()
        await close(client)
    assert swallowed > 0
