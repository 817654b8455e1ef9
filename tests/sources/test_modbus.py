"""Modbus on loopback: against bytes made by hand, and against the library's own server."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from support.devices import keeps_contract
from support.raw_modbus import Asked, RawModbus
from support.running import free_port, is_good, is_missing, reasons, watching
from watchedpot.core.model import Quality, Reading, Reason
from watchedpot.core.snapshot import LinkState
from watchedpot.errors import SourceRefused, SourceTimeout, SourceUnreachable
from watchedpot.sources import modbus
from watchedpot.sources.base import WrongShape
from watchedpot.sources.decode import plan_requests
from watchedpot.sources.link import Links
from watchedpot.sources.modbus import ModbusUnit, content, load, plan, told_apart
from watchedpot.sources.wiring import (
    Conversion,
    Framing,
    ModbusChannel,
    ModbusIdentity,
    ModbusSource,
    RegisterTable,
    Unit,
    ValueType,
    WordOrder,
)

pytestmark = pytest.mark.integration

CELSIUS = Conversion(unit=Unit.CELSIUS, plausible_low=-50.0, plausible_high=400.0)
TANK = ModbusChannel(
    "cell/tank/wall", RegisterTable.INPUT_REGISTERS, 100, ValueType.FLOAT32, CELSIUS
)
TENTHS = ModbusChannel(
    "cell/hose/wall",
    RegisterTable.HOLDING_REGISTERS,
    7,
    ValueType.INT16,
    Conversion(scale=0.1, unit=Unit.CELSIUS),
)
PUMP = ModbusChannel("cell/pump", RegisterTable.COILS, 3, ValueType.BOOL)
DOOR = ModbusChannel("cell/door", RegisterTable.DISCRETE_INPUTS, 12, ValueType.BOOL)
ALL = (TANK, TENTHS, PUMP, DOOR)


def source(port: int, *channels: ModbusChannel, **changes: object) -> ModbusSource:
    """Source with short bounds on a port of loopback."""
    settings = {
        "poll_period_s": 0.05,
        "connect_timeout_s": 0.5,
        "answer_timeout_s": 0.2,
        "reconnect_cap_s": 0.2,
        **changes,
    }
    return ModbusSource("plc", "127.0.0.1", port, 5, channels or ALL, **settings)  # type: ignore[arg-type]


def by_hand(asked: Asked) -> bytes:
    """Answers of a willing device: tank 180.0, hose 165.5 degC, pump on, door shut."""
    match asked.function:
        case 4:
            return asked.words([0x4334, 0x0000])
        case 3:
            return asked.words([1655])
        case 1:
            return asked.bits([1])
        case _:
            return asked.bits([0])


@pytest.fixture
async def raw() -> AsyncIterator[RawModbus]:
    """A willing device made of bytes."""
    async with RawModbus(by_hand) as server:
        yield server


async def read_once(wanted: ModbusSource) -> dict[str, Reading]:
    """Readings of one read on a connection of its own."""
    device = ModbusUnit(wanted)
    try:
        await device.connect()
        return await device.read()
    finally:
        await device.close()


async def test_hand_written_frames_become_readings(raw: RawModbus) -> None:
    """All four tables, each in its own request, decode to the values they were made from."""
    assert await read_once(source(raw.port)) == {
        "cell/tank/wall": Reading(180.0),
        "cell/hose/wall": Reading(165.5),
        "cell/pump": Reading(1.0),
        "cell/door": Reading(0.0),
    }


async def test_the_wire_sees_the_configured_addresses(raw: RawModbus) -> None:
    """Address, count, unit and function of each frame are those of the channels."""
    await read_once(source(raw.port))
    assert {(a.unit, a.function, a.address, a.count) for a in raw.asked} == {
        (5, 4, 100, 2),
        (5, 3, 7, 1),
        (5, 1, 3, 1),
        (5, 2, 12, 1),
    }


async def test_the_device_keeps_the_contract(raw: RawModbus) -> None:
    """What pollers rely on holds for the real device as for the scripted one."""
    wanted = source(raw.port)
    await keeps_contract(lambda: ModbusUnit(wanted), [channel.name for channel in ALL])


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(lambda asked: asked.words([]), id="no register"),
        pytest.param(lambda asked: asked.words([1]), id="one of two"),
        pytest.param(lambda asked: asked.words([1, 2, 3, 4]), id="four of two"),
        pytest.param(lambda asked: asked.answer(bytes([4, 3, 1, 2, 3])), id="half a register"),
        pytest.param(lambda asked: asked.words([1, 2], function=3), id="another function"),
        pytest.param(lambda asked: asked.answer(bytes([0x83, 2])), id="exception of another"),
    ],
)
async def test_an_answer_of_another_shape_is_never_a_value(
    raw: RawModbus, answer: Callable[[Asked], bytes]
) -> None:
    """Too short, too long, odd, or to another question: refused as a whole."""
    raw.answer = answer
    with pytest.raises(WrongShape, match=r"expected 2 input_registers from 100 by function 4"):
        await read_once(source(raw.port, TANK))


async def test_an_answer_from_another_unit_is_no_answer(raw: RawModbus) -> None:
    """A frame of unit 6 is not taken for one of unit 5."""
    raw.answer = lambda asked: asked.answer(bytes([4, 4, 0x43, 0x34, 0, 0]), unit=6)
    with pytest.raises(SourceTimeout, match="no answer to a read of 2 input_registers from 100"):
        await read_once(source(raw.port, TANK))


async def test_a_short_answer_costs_a_row_and_the_connection(raw: RawModbus) -> None:
    """The row is MISSING for its shape, and the next good one comes on a new connection."""
    async with watching(modbus.poller, source(raw.port)) as watch:
        await watch.until(is_good)
        raw.answer = lambda asked: asked.words([1])
        row = await watch.until(is_missing)
        assert set(reasons(row).values()) == {Reason.SHAPE}
        raw.answer = by_hand
        await watch.until(is_good)
        assert watch.poller.status().failures[Reason.SHAPE] >= 1
    assert raw.accepted == watch.poller.status().connections == 2


@pytest.mark.parametrize(
    ("code", "quality", "reason"),
    [
        (1, Quality.BAD, Reason.REFUSED),
        (3, Quality.BAD, Reason.REFUSED),
        (4, Quality.BAD, Reason.STATUS),
        (5, Quality.MISSING, Reason.REFUSED),
        (6, Quality.MISSING, Reason.REFUSED),
        (10, Quality.MISSING, Reason.NO_CONNECTION),
        (11, Quality.MISSING, Reason.NO_ANSWER),
    ],
)
async def test_an_exception_touches_its_request_only(
    raw: RawModbus, code: int, quality: Quality, reason: Reason
) -> None:
    """The channels of the refused request carry its code; others and the link stay up."""
    raw.answer = lambda asked: asked.exception(code) if asked.function == 4 else by_hand(asked)
    wanted = source(raw.port)
    async with watching(modbus.poller, wanted) as watch:
        for _ in range(3):
            row = await watch.until(lambda _: True)
        assert row.quality[0].tolist() == [quality, Quality.GOOD, Quality.GOOD, Quality.GOOD]
        assert (row.reason[0, 0], row.status[0, 0]) == (reason, code)
        assert watch.poller.status().is_up
    assert raw.accepted == 1


def holding_bank(absent: set[int], asked: Asked) -> bytes:
    """Registers that hold their own address, except some that do not exist."""
    addresses = range(asked.address, asked.address + asked.count)
    if absent & set(addresses):
        return asked.exception(2)
    return asked.words(list(addresses))


BANK = tuple(
    ModbusChannel(f"cell/w{n}", RegisterTable.HOLDING_REGISTERS, n, ValueType.UINT16)
    for n in range(16)
)


async def test_one_absent_register_leaves_the_others_good(raw: RawModbus) -> None:
    """Of 16 channels, 15 are good and one is bad for its address, asked for only by itself."""
    raw.answer = lambda asked: holding_bank({11}, asked)
    device = ModbusUnit(source(raw.port, *BANK))
    await device.connect()
    readings = await device.read()  # three splits
    readings = await device.read()  # the last one
    asked_before = len(raw.asked)
    readings = await device.read()
    await device.close()
    absent = readings.pop("cell/w11")
    assert (absent.quality, absent.reason, absent.status) == (Quality.BAD, Reason.ADDRESS, 2)
    assert readings == {f"cell/w{n}": Reading(float(n)) for n in range(16) if n != 11}
    counts = [a.count for a in raw.asked[asked_before:] if a.address <= 11 < a.address + a.count]
    assert counts == [1]


async def test_a_hole_between_channels_costs_none_of_them(raw: RawModbus) -> None:
    """A bridged register that does not exist splits the request, and all channels are good."""
    raw.answer = lambda asked: holding_bank({4}, asked)
    readings = await read_once(source(raw.port, BANK[3], BANK[5]))
    assert readings == {"cell/w3": Reading(3.0), "cell/w5": Reading(5.0)}


async def test_a_new_connection_asks_for_all_again(raw: RawModbus) -> None:
    """A register that came back is good after the next connection, in one request."""
    absent = {11}
    raw.answer = lambda asked: holding_bank(absent, asked)
    async with watching(modbus.poller, source(raw.port, *BANK)) as watch:
        await watch.until(lambda block: reasons(block)["cell/w11"] is Reason.ADDRESS)
        absent.clear()
        raw.drop_all()
        await watch.until(is_good)
    assert (raw.asked[-1].address, raw.asked[-1].count) == (0, 16)


async def test_registers_that_appear_later_are_found_on_the_same_connection(
    raw: RawModbus,
) -> None:
    """With every register absent, as before a program is loaded, all come back in turn."""
    absent = set(range(16))
    raw.answer = lambda asked: holding_bank(absent, asked)
    async with watching(modbus.poller, source(raw.port, *BANK)) as watch:
        row = await watch.until(lambda block: bool((block.status == 2).all()))
        assert set(reasons(row).values()) == {Reason.ADDRESS}
        await asyncio.sleep(0.5)
        absent.clear()
        await watch.until(is_good)
        await watch.until(is_good)
    assert raw.accepted == 1
    assert (raw.asked[-1].address, raw.asked[-1].count) == (0, 16)


async def test_a_silent_device_yields_missing_rows_within_the_bound(raw: RawModbus) -> None:
    """Connected but mute: a MISSING row no later than the answer timeout and 0.1 s."""
    raw.answer = lambda _: None
    async with watching(modbus.poller, source(raw.port, poll_period_s=0.5)) as watch:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        row = await watch.until(is_missing)
        assert 0.65 <= loop.time() - began_s <= 0.85  # due at 0.5, timeout 0.2
        assert set(reasons(row).values()) == {Reason.NO_ANSWER}
        assert watch.reports[0][0] == "source_lost"
        assert str(watch.reports[0][1]["text"]) == (
            f"source plc (127.0.0.1:{raw.port} unit 5): no answer to a read of 1 coils from 3"
            " within 0.2 s; its 4 channels are missing, next try within 0.2 s;"
            " check that the controller runs, has this unit number and speaks MBAP frames"
        )


async def test_a_device_that_is_off_at_the_start_is_read_when_it_comes() -> None:
    """Rows say NO_CONNECTION until the port opens, then are good; each change is told once."""
    port = free_port()
    async with watching(modbus.poller, source(port)) as watch:
        for _ in range(5):
            row = await watch.until(is_missing)
            assert set(reasons(row).values()) == {Reason.NO_CONNECTION}
        async with RawModbus(by_hand, port=port) as server:
            await watch.until(is_good)
            server.drop_all()
            await watch.until(is_missing)
            await watch.until(is_good)
    names = [name for name, _ in watch.reports]
    assert names == ["source_lost", "source_up", "source_lost", "source_up"]


async def test_a_late_answer_is_never_taken_for_the_next(raw: RawModbus) -> None:
    """After a timeout the old connection is gone, so its answer reaches nobody."""
    async with watching(modbus.poller, source(raw.port, TANK)) as watch:
        await watch.until(is_good)
        raw.answer = lambda _: None
        await watch.until(is_missing)
        raw.answer = lambda asked: asked.words([0x4320, 0x0000])  # 160.0
        row = await watch.until(is_good)
        assert row.value[0, 0] == 160.0
    assert raw.accepted == 2


async def test_a_cancel_in_any_step_leaves_no_socket(raw: RawModbus) -> None:
    """Cancelled while connecting, waiting for an answer, or idle: the peer sees it closed."""
    raw.answer = lambda asked: by_hand(asked) if len(raw.asked) % 3 else None
    for step in range(12):
        async with watching(modbus.poller, source(raw.port)):
            await asyncio.sleep(0.003 * step**2)
    async with asyncio.timeout(1.0):
        await raw.idle()


async def test_a_read_without_connection_is_unreachable() -> None:
    """Nothing listens: the error names the place and what to do."""
    port = free_port()
    with pytest.raises(SourceUnreachable) as caught:
        await read_once(source(port))
    assert str(caught.value) == (
        f"source plc (127.0.0.1:{port} unit 5): no connection within 0.5 s;"
        " check the cable and that the controller runs"
    )


async def test_probing_shows_each_channel_by_itself(raw: RawModbus) -> None:
    """Raw words, reading, and for a float in a wrong order all four readings."""
    swapped = ModbusChannel(
        "cell/nozzle/wall",
        RegisterTable.INPUT_REGISTERS,
        100,
        ValueType.FLOAT32,
        CELSIUS,
        WordOrder.LOW_FIRST,
    )
    tank, nozzle, hose, pump = await modbus.probe(source(raw.port, TANK, swapped, TENTHS, PUMP))
    assert (tank.raw, tank.reading.value, tank.orders) == ("0x4334 0x0000", 180.0, {})
    assert nozzle.reading.reason is Reason.IMPLAUSIBLE
    assert nozzle.orders[WordOrder.HIGH_FIRST, False] == 180.0
    assert len(nozzle.orders) == 4
    assert (hose.raw, pump.raw) == ("0x0677", "1")
    assert len(raw.asked) == 4


async def test_probing_an_absent_register_says_so(raw: RawModbus) -> None:
    """The exception is shown as it came, beside the reading it makes."""
    raw.answer = lambda asked: asked.exception(2)
    (tank,) = await modbus.probe(source(raw.port, TANK))
    assert tank.raw == "exception 2"
    assert (tank.reading.reason, tank.reading.status) == (Reason.ADDRESS, 2)


async def test_probing_a_silent_device_raises(raw: RawModbus) -> None:
    """No answer is an error of ours, within the timeout, and the socket is closed."""
    raw.answer = lambda _: None
    with pytest.raises(SourceTimeout):
        await modbus.probe(source(raw.port, TANK))


async def test_a_frame_that_is_no_modbus_costs_the_connection(raw: RawModbus) -> None:
    """An undecodable answer ends as no answer or a broken connection, never as a value."""
    raw.answer = lambda asked: asked.answer(bytes([0x7F, 0, 0]))
    with pytest.raises((SourceTimeout, SourceUnreachable, SourceRefused)):
        await read_once(source(raw.port, TANK))


async def test_the_library_server_is_read_like_the_raw_one() -> None:
    """A server that shares our library proves the wiring of both."""
    port = free_port()
    device = SimDevice(
        5,
        simdata=(
            [SimData(3, values=[True], datatype=DataType.BITS)],
            [SimData(12, values=[False], datatype=DataType.BITS)],
            [SimData(7, values=[1655], datatype=DataType.REGISTERS)],
            [SimData(100, values=[180.0], datatype=DataType.FLOAT32)],
        ),
    )
    server = ModbusTcpServer(device, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    try:
        readings = await read_once(source(port, TANK, TENTHS))
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]
    assert readings == {"cell/tank/wall": Reading(180.0), "cell/hose/wall": Reading(165.5)}


SERIAL_NUMBER = ModbusChannel("identity", RegisterTable.HOLDING_REGISTERS, 400, ValueType.UINT32)


def numbered(serial_number: int) -> Callable[[Asked], bytes]:
    """Unit that tells its serial number in the registers 400 and 401, and 7.5 everywhere else."""

    def answer(asked: Asked) -> bytes:
        if (asked.function, asked.address) == (3, 400):
            return asked.words([serial_number >> 16, serial_number & 0xFFFF])
        return asked.words([75] * asked.count)

    return answer


async def test_a_unit_that_is_the_one_that_is_meant_is_read() -> None:
    """Its identity is asked once a connection, not once a poll."""
    async with RawModbus(numbered(70_017)) as bench:
        meant = source(bench.port, TENTHS, identity=ModbusIdentity(SERIAL_NUMBER, 70_017))
        async with watching(modbus.poller, meant) as watch:
            await watch.until(is_good)
            await watch.until(is_good)
        asked = [one.address for one in bench.asked]
    assert asked[:2] == [400, 7]
    assert asked.count(400) == bench.accepted == 1


async def test_another_unit_at_the_same_address_is_never_read() -> None:
    """It is told which was expected and which came; not one of its values is taken."""
    async with RawModbus(numbered(70_018)) as bench:
        meant = source(bench.port, TENTHS, identity=ModbusIdentity(SERIAL_NUMBER, 70_017))
        async with watching(modbus.poller, meant) as watch:
            for _ in range(5):
                await watch.until(is_missing)
            status = watch.poller.status()
        assert {one.address for one in bench.asked} == {400}
    assert status.link is LinkState.NOT_TRUSTED
    assert status.diagnosis == (
        "this is not the device that is meant: expected 70017, got 70018;"
        " check which device is at this address"
    )


async def test_a_unit_that_does_not_tell_who_it_is_is_refused() -> None:
    """A register that is not there is no identity."""
    async with RawModbus(lambda asked: asked.exception(2)) as bench:
        device = ModbusUnit(
            source(bench.port, TENTHS, identity=ModbusIdentity(SERIAL_NUMBER, 70_017))
        )
        with pytest.raises(SourceRefused, match="does not tell which unit it is: exception 2"):
            await device.connect()
        await device.close()


async def test_after_a_connection_was_renewed_by_another_unit_the_identity_is_asked_again() -> None:
    """A value that came over a connection nobody has looked at is not taken."""
    links = Links()
    async with RawModbus(numbered(70_017)) as bench:
        meant = source(bench.port, TENTHS, identity=ModbusIdentity(SERIAL_NUMBER, 70_017))
        device, other = ModbusUnit(meant, links), ModbusUnit(source(bench.port, TENTHS), links)
        await device.connect()
        await other.connect()
        await device.read()
        bench.drop_all()
        await bench.idle()
        with pytest.raises(SourceUnreachable):
            await other.read()
        await other.connect()  # the link stands again, and somebody else may answer
        with pytest.raises(SourceUnreachable, match="the connection was renewed"):
            await device.read()
        await device.connect()
        assert (await device.read())[TENTHS.name].value == pytest.approx(7.5)
        await device.close()
        await other.close()


@pytest.mark.parametrize(
    ("channel", "words", "number"),
    [
        (SERIAL_NUMBER, [1, 4481], 70_017),
        (replace(SERIAL_NUMBER, word_order=WordOrder.LOW_FIRST), [4481, 1], 70_017),
        (DOOR, [True], 1),
    ],
)
def test_an_identity_is_the_raw_number(
    channel: ModbusChannel, words: list[int], number: float
) -> None:
    """Nothing is scaled; a bit is 0 or 1."""
    assert modbus.raw_number(channel, words) == number


SPREAD = st.lists(st.integers(0, 65_535), min_size=1, max_size=12, unique=True)


@given(SPREAD, st.integers(0, 20))
def test_rtu_answers_differ_in_length_so_far_as_gaps_allow(
    addresses: list[int], max_gap: int
) -> None:
    """The reads are the same, none longer than a gap more, and inside the table."""
    channels = tuple(
        ModbusChannel(f"cell/w{n}", RegisterTable.HOLDING_REGISTERS, n, ValueType.UINT16)
        for n in addresses
    )
    bare = plan_requests(channels, max_gap=max_gap)
    apart = told_apart(bare, max_gap=max_gap)
    assert [(a.address, a.channels) for a in apart] == [(b.address, b.channels) for b in bare]
    for longer, request in zip(apart, bare, strict=True):
        assert request.count <= longer.count <= request.count + max_gap
        assert longer.count <= 125
        assert longer.address + longer.count <= 65_536
    if all(request.count == 1 and request.address < 60_000 for request in bare):
        assert len({longer.count for longer in apart}) >= min(len(bare), max_gap + 1)


def test_only_reads_without_ids_are_made_longer() -> None:
    """MBAP answers name their request, so nothing is read beyond the channels."""
    far = source(1, *(replace(BANK[0], name=f"cell/w{n}", address=n) for n in (0, 100, 200)))
    assert [request.count for request in plan(far)] == [1, 1, 1]
    assert [request.count for request in plan(replace(far, framing=Framing.RTU))] == [1, 2, 3]


def test_bits_are_told_apart_by_bytes() -> None:
    """Answers of eight bits and of one are alike; a gap of eight makes the second longer."""
    coils = [replace(PUMP, name=f"cell/c{n}", address=n) for n in (0, 100)]
    requests = told_apart(plan_requests(coils, max_gap=8), max_gap=8)
    assert [(request.count, content(request)) for request in requests] == [(1, 1), (9, 2)]


async def test_a_longer_read_that_the_device_refuses_is_made_without_its_end() -> None:
    """Where nothing is behind the last register, no channel is lost and no split is needed."""

    def bank(asked: Asked) -> bytes:
        return holding_bank({101, 102}, asked)

    async with RawModbus(bank, is_rtu=True) as raw:
        channels = [replace(BANK[0], name=f"cell/w{n}", address=n) for n in (0, 100)]
        wanted = replace(source(raw.port, *channels), framing=Framing.RTU)
        unit = ModbusUnit(wanted)
        await unit.connect()
        first, second = await unit.read(), await unit.read()
        await unit.close()
        assert first == second == {"cell/w0": Reading(0.0), "cell/w100": Reading(100.0)}
        assert [asked.count for asked in raw.asked] == [1, 2, 1, 1, 1]


def test_the_load_is_that_of_the_plan() -> None:
    """Four tables are four requests, every 50 ms: 80 a second."""
    stated = load(source(502))
    assert stated.link == "modbus_tcp 127.0.0.1:502 unit 5"
    assert (stated.requests_per_poll, stated.requests_per_s) == (4, 80.0)
