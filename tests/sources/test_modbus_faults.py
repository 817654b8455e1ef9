"""What breaks Modbus pollers in the field, each against a peer made of bytes.

In these banks every register holds unit x 1000 + its own address, so that a value from anywhere
else is seen at once.
"""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from support.proxy import Mode, Proxy
from support.raw_modbus import Asked, RawModbus, RawSerial, crc
from support.running import Watch, free_port, is_good, is_missing, reasons, watching
from watchedpot.core.model import Block, Quality, Reason
from watchedpot.core.snapshot import LinkState
from watchedpot.errors import SourceError, SourceRefused, SourceTimeout, SourceUnreachable
from watchedpot.sources import modbus
from watchedpot.sources.base import Poller, WrongShape
from watchedpot.sources.decode import alone
from watchedpot.sources.link import Links
from watchedpot.sources.modbus import ModbusUnit
from watchedpot.sources.wiring import (
    Framing,
    ModbusChannel,
    ModbusSource,
    Parity,
    RegisterTable,
    SerialLine,
    ValueType,
)

pytestmark = pytest.mark.integration

TIMEOUT_S = 0.15
BOTH = pytest.mark.parametrize("framing", list(Framing))


def words(*addresses: int) -> tuple[ModbusChannel, ...]:
    """Channels of single words, far enough apart for a request each."""
    return tuple(
        ModbusChannel(f"cell/w{n}", RegisterTable.HOLDING_REGISTERS, n, ValueType.UINT16)
        for n in addresses
    )


FOUR = words(0, 10, 20, 30)


def source(
    port: int,
    *channels: ModbusChannel,
    unit: int = 5,
    framing: Framing = Framing.MBAP,
    poll_period_s: float = 0.05,
    answer_timeout_s: float = TIMEOUT_S,
) -> ModbusSource:
    """Unit with short bounds on a port of loopback."""
    return ModbusSource(
        f"plc_{unit}",
        "127.0.0.1",
        port,
        unit,
        channels or FOUR,
        poll_period_s=poll_period_s,
        connect_timeout_s=0.5,
        answer_timeout_s=answer_timeout_s,
        max_gap=0,
        reconnect_cap_s=0.2,
        framing=framing,
    )


def on_line(path: Path, *channels: ModbusChannel, unit: int = 5) -> ModbusSource:
    """Unit with short bounds on a serial port."""
    line = SerialLine(115_200, Parity.NONE, path=str(path))
    return ModbusSource(
        "plc", "", 0, unit, channels or FOUR,
        poll_period_s=0.05, connect_timeout_s=0.5, answer_timeout_s=0.2, max_gap=0,
        reconnect_cap_s=0.2, framing=Framing.RTU, line=line,
    )  # fmt: skip


def strangers(blocks: Sequence[Block], *, unit: int = 5) -> list[tuple[str, float]]:
    """Good values that are not those of their own address and unit."""
    return [
        (name, float(value))
        for block in blocks
        for name, value, quality in zip(
            block.channels, block.value[0], block.quality[0], strict=True
        )
        if quality == Quality.GOOD and value != unit * 1000 + int(name.removeprefix("cell/w"))
    ]


def good_rows(watch: Watch) -> int:
    """Rows without a bad reading."""
    return sum(is_good(block) for block in watch.blocks)


@asynccontextmanager
async def sharing(*sources: ModbusSource) -> AsyncIterator[list[Watch]]:
    """Pollers of several units on shared links."""
    links = Links()

    def make(source: ModbusSource, **parts: object) -> Poller:
        return modbus.poller(source, links=links, **parts)  # type: ignore[arg-type]

    async with AsyncExitStack() as stack:
        yield [await stack.enter_async_context(watching(make, one)) for one in sources]


def answering(*units: int) -> Callable[[Asked], bytes | None]:
    """Answers of some units; the others are not there."""
    return lambda asked: asked.own_addresses() if asked.unit in units else None


@pytest.mark.parametrize("is_converter", [False, True])
async def test_no_late_rtu_answer_is_taken_for_another(*, is_converter: bool) -> None:
    """Whenever answers come later than the timeout, no address ever shows another's value."""
    rng = random.Random(7)

    def delay_s(_: Asked) -> float:
        return rng.uniform(1.05, 2.5) * TIMEOUT_S if rng.random() < 0.1 else 0.005

    async with RawModbus(
        Asked.own_addresses, is_rtu=True, delay_s=delay_s, is_converter=is_converter
    ) as raw:
        async with watching(modbus.poller, source(raw.port, framing=Framing.RTU)) as watch:
            await asyncio.sleep(4.0)
        assert strangers(watch.blocks) == []
        assert good_rows(watch) >= 3
        assert watch.poller.status().failures[Reason.NO_ANSWER] >= 3


@pytest.mark.parametrize("pause_s", [0.0, 0.0005, 0.001, 0.002, 0.003, 0.01])
async def test_an_rtu_answer_that_comes_twice_is_never_taken_twice(pause_s: float) -> None:
    """The second copy, at once or while the next request is out, is nobody's answer."""
    async with RawModbus(
        Asked.own_addresses, is_rtu=True, delay_s=lambda asked: 0.004 if asked.address else 0.0
    ) as raw:
        loop = asyncio.get_running_loop()
        began_s = loop.time()

        def twice(asked: Asked) -> bytes:
            frame = asked.own_addresses()
            if asked.address != 10 or loop.time() - began_s < 0.8:
                return frame
            if not pause_s:
                return frame + frame
            for writer in raw._writers:
                loop.call_later(0.004 + pause_s, writer.write, frame)
            return frame

        raw.answer = twice
        wanted = replace(source(raw.port, framing=Framing.RTU), max_gap=8)
        async with watching(modbus.poller, wanted) as watch:
            await asyncio.sleep(2.0)
        assert strangers(watch.blocks) == []
        assert good_rows(watch) >= 2


@BOTH
async def test_a_read_that_was_cancelled_leaves_nothing_behind(framing: Framing) -> None:
    """The late answer to a cancelled request reaches nobody."""
    is_rtu = framing is Framing.RTU
    async with RawModbus(
        Asked.own_addresses, is_rtu=is_rtu, delay_s=lambda asked: 0.3 if asked.address == 0 else 0.0
    ) as raw:
        unit = ModbusUnit(source(raw.port, framing=framing, answer_timeout_s=0.5))
        await unit.connect()
        for _ in range(2):
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(unit.ask(alone(FOUR[0])), 0.1)
            for channel in FOUR[1:]:
                assert await unit.ask(alone(channel)) == [5000 + channel.address]
        await unit.close()
        assert raw.accepted == 3  # one for each cancel, and the first


SHAPES = [
    pytest.param(lambda asked: asked.words([]), id="no register"),
    pytest.param(lambda asked: asked.words([1]), id="one of two"),
    pytest.param(lambda asked: asked.words([1, 2, 3, 4]), id="four of two"),
    pytest.param(lambda asked: asked.answer(bytes([4, 3, 1, 2, 3])), id="half a register"),
    pytest.param(lambda asked: asked.words([1, 2], function=3), id="another function"),
    pytest.param(lambda asked: asked.answer(bytes([0x83, 2])), id="exception of another"),
]
FLOAT = ModbusChannel("cell/w100", RegisterTable.INPUT_REGISTERS, 100, ValueType.FLOAT32)


@BOTH
@pytest.mark.parametrize("answer", SHAPES)
async def test_no_answer_of_another_shape_is_a_value(
    framing: Framing, answer: Callable[[Asked], bytes]
) -> None:
    """In either framing it is refused as soon as it is whole, not after the timeout."""
    async with RawModbus(answer, is_rtu=framing is Framing.RTU) as raw:
        unit = ModbusUnit(source(raw.port, FLOAT, framing=framing))
        await unit.connect()
        began_s = asyncio.get_running_loop().time()
        with pytest.raises(WrongShape, match="expected 2 input_registers from 100 by function 4"):
            await unit.read()
        assert asyncio.get_running_loop().time() - began_s < TIMEOUT_S
        await unit.close()
        async with asyncio.timeout(1.0):
            await raw.idle()  # the link was reset


@BOTH
@pytest.mark.parametrize("code", [1, 2, 3, 4, 5, 6, 8, 10, 11, 99])
async def test_no_exception_is_ever_a_value(framing: Framing, code: int) -> None:
    """Whatever the code, there is no good reading, and the connection stays as it is."""
    async with (
        RawModbus(lambda asked: asked.exception(code), is_rtu=framing is Framing.RTU) as raw,
        watching(modbus.poller, source(raw.port, framing=framing)) as watch,
    ):
        while len(raw.asked) < 9:
            await watch.until(lambda _: True)
        assert all((block.quality != Quality.GOOD).all() for block in watch.blocks)
        assert raw.accepted == 1


@pytest.mark.parametrize("code", [5, 6])
async def test_a_busy_unit_is_asked_once_more(code: int) -> None:
    """After 0.1 s and once, so that a unit that needs a moment costs no reading."""
    times_s: list[float] = []

    def busy_first(asked: Asked) -> bytes:
        times_s.append(asyncio.get_running_loop().time())
        return asked.exception(code) if len(times_s) % 2 else asked.own_addresses()

    async with RawModbus(busy_first) as raw:
        unit = ModbusUnit(source(raw.port, *words(7)))
        await unit.connect()
        readings = await unit.read()
        assert readings["cell/w7"].value == 5007.0
        assert times_s[1] - times_s[0] >= 0.1
        raw.answer = lambda asked: asked.exception(code)
        readings = await unit.read()
        await unit.close()
        assert (readings["cell/w7"].quality, readings["cell/w7"].status) == (Quality.MISSING, code)
        assert (len(raw.asked), unit.requests, raw.accepted) == (4, 4, 1)


@pytest.mark.parametrize(
    ("code", "sentence"),
    [(10, "has no way to unit 7 (exception 10)"), (11, "has no answer from unit 7 (exception 11)")],
)
async def test_a_unit_lost_behind_a_gateway_is_silent_and_the_link_up(
    code: int, sentence: str
) -> None:
    """Its state is silent, the sentence names unit and gateway, and the neighbour reads on."""
    async with RawModbus(
        lambda asked: asked.own_addresses() if asked.unit == 5 else asked.exception(code)
    ) as raw:
        async with sharing(source(raw.port), source(raw.port, unit=7)) as (well, lost):
            await lost.until(lambda _: lost.poller.status().link is LinkState.SILENT)
            await well.until(is_good)
            assert lost.poller.status().diagnosis == (
                f"the gateway 127.0.0.1:{raw.port} answers, but {sentence};"
                " check that the unit is on, its number and its line"
            )
            assert is_missing(lost.blocks[-1])
            asked = [one.unit for one in raw.asked]
            await asyncio.sleep(0.5)
            assert is_good(well.blocks[-1])
        assert asked.count(7) <= 3  # one request a read, and spared after two
        assert raw.accepted == 1


async def test_a_unit_that_refuses_everything_is_refused() -> None:
    """State and sentence say that asking again does not help."""
    async with RawModbus(lambda asked: asked.exception(1)) as raw:
        unit = ModbusUnit(source(raw.port))
        await unit.connect()
        with pytest.raises(SourceRefused) as caught:
            await unit.read()
        await unit.close()
        assert str(caught.value) == (
            f"source plc_5 (127.0.0.1:{raw.port} unit 5): every read was refused with exception 1"
            " (illegal function); check table, address and unit number of its channels"
        )


async def test_a_half_open_link_is_found_and_replaced() -> None:
    """Nothing is closed, nothing comes: missing within the timeout, good soon after it is back."""
    async with RawModbus(Asked.own_addresses) as raw, Proxy(raw.port) as proxy:
        async with watching(modbus.poller, source(proxy.port)) as watch:
            await watch.until(is_good)
            loop = asyncio.get_running_loop()
            proxy.mode, began_s = Mode.SWALLOW, loop.time()
            row = await watch.until(is_missing)
            assert loop.time() - began_s <= 0.05 + TIMEOUT_S + 0.15
            assert set(reasons(row).values()) == {Reason.NO_ANSWER}
            assert watch.poller.status().link is LinkState.SILENT
            await asyncio.sleep(1.0)
            proxy.mode, began_s = Mode.PASS, loop.time()
            await watch.until(is_good)
            assert loop.time() - began_s <= 2 * (0.2 + TIMEOUT_S + 0.05)
        async with asyncio.timeout(1.0):
            await proxy.idle()


@BOTH
async def test_a_dead_unit_does_not_starve_its_neighbours(framing: Framing) -> None:
    """Two healthy units beside a dead one lose no row, and are at most two timeouts late."""
    async with RawModbus(answering(1, 3), is_rtu=framing is Framing.RTU) as raw:
        units = [source(raw.port, unit=unit, framing=framing) for unit in (1, 2, 3)]
        async with sharing(*units) as (one, dead, three):
            await one.until(is_good)
            await three.until(is_good)
            began = [len(one.blocks), len(three.blocks)]
            await asyncio.sleep(3.0)
            for watch, since, unit in ((one, began[0], 1), (three, began[1], 3)):
                rows = watch.blocks[since:]
                assert len(rows) >= 3.0 / 0.05 / 2
                assert all(is_good(row) for row in rows)
                assert strangers(rows, unit=unit) == []
                gaps_ns = [int(b.mono_ns[0] - a.mono_ns[0]) for a, b in pairwise(rows)]
                assert max(gaps_ns) / 1e9 <= 2 * TIMEOUT_S + 0.05 + 0.2
            assert dead.poller.status().link is LinkState.SILENT
            assert "so that 2 other units on its link stay fresh" in dead.poller.status().diagnosis
        assert [asked.unit for asked in raw.asked].count(2) <= 2
        if framing is Framing.MBAP:
            assert raw.accepted == 1


async def test_units_that_are_all_absent_but_one_keep_the_connection() -> None:
    """Eight dead units in a row do not cost the ninth its connection."""
    async with RawModbus(answering(9)) as raw:
        units = [source(raw.port, unit=unit) for unit in range(1, 10)]
        async with sharing(*units) as watches:
            await asyncio.sleep(2.0)
            begun, accepted = len(watches[-1].blocks), raw.accepted
            await asyncio.sleep(1.5)
            assert len(watches[-1].blocks) - begun >= 10
            assert all(is_good(row) for row in watches[-1].blocks[begun:])
            assert raw.accepted == accepted
        assert accepted <= 5  # two and two of the first eight timeouts


async def test_a_device_that_was_long_away_is_read_soon_after_its_return() -> None:
    """The wait between tries does not grow beyond its cap, however long the outage."""
    async with AsyncExitStack() as stack:
        first = await stack.enter_async_context(RawModbus(Asked.own_addresses))
        watch = await stack.enter_async_context(watching(modbus.poller, source(first.port)))
        await watch.until(is_good)
        await first.__aexit__(None, None, None)
        await watch.until(is_missing)
        await asyncio.sleep(3.0)
        await stack.enter_async_context(RawModbus(Asked.own_addresses, port=first.port))
        began_s = asyncio.get_running_loop().time()
        await watch.until(is_good)
        assert asyncio.get_running_loop().time() - began_s <= 2 * 0.2 + 0.15


async def test_a_hundred_drops_leave_one_connection() -> None:
    """There is one owner of connecting: as many connections as counted, one open, none lost."""
    async with RawModbus(Asked.own_addresses) as raw:
        wanted = source(raw.port, *words(7), poll_period_s=0.01)
        async with watching(modbus.poller, wanted) as watch:
            watch.poller._reconnect_cap_s = 0.01
            for _ in range(100):
                await watch.until(is_good)
                raw.drop_all()
                await watch.until(is_missing)
            await watch.until(is_good)
            assert raw.open == 1
            assert raw.accepted == watch.poller.status().connections == 101
        async with asyncio.timeout(1.0):
            await raw.idle()


@BOTH
async def test_one_lost_register_is_bad_and_the_link_up(framing: Framing) -> None:
    """A register that was taken out of the program is bad for its address; others read on."""
    absent = {20}

    def bank(asked: Asked) -> bytes:
        span = range(asked.address, asked.address + asked.count)
        return asked.exception(2) if absent & set(span) else asked.own_addresses()

    channels = words(18, 19, 20, 21, 22)
    async with (
        RawModbus(bank, is_rtu=framing is Framing.RTU) as raw,
        watching(modbus.poller, source(raw.port, *channels, framing=framing)) as watch,
    ):
        row = await watch.until(lambda block: int((block.quality == Quality.GOOD).sum()) == 4)
        assert reasons(row)["cell/w20"] is Reason.ADDRESS
        assert watch.poller.status().link is LinkState.UP
        assert raw.accepted == 1


async def test_a_fault_of_ours_costs_rows_and_never_the_task() -> None:
    """A unit number that the library refuses yields missing rows on and on."""
    async with RawModbus(Asked.own_addresses) as raw:
        async with watching(modbus.poller, source(raw.port, unit=300)) as watch:
            for _ in range(5):
                await watch.until(is_missing)
            assert watch.poller.status().link is not LinkState.UP
        assert raw.asked == []


async def test_a_read_after_closing_is_an_error_to_await() -> None:
    """Nothing is raised before there is something to await."""
    async with RawModbus(Asked.own_addresses) as raw:
        unit = ModbusUnit(source(raw.port))
        await unit.connect()
        await unit.close()
        reading = unit.read()
        with pytest.raises(SourceUnreachable, match="read without a connection"):
            await reading


@BOTH
@pytest.mark.parametrize("mode", [Mode.TRICKLE, Mode.SPLIT])
async def test_an_answer_in_pieces_is_an_answer(framing: Framing, mode: Mode) -> None:
    """Byte by byte or in two parts, 30 registers arrive as they were sent."""
    channels = tuple(words(*range(30)))
    async with (
        RawModbus(Asked.own_addresses, is_rtu=framing is Framing.RTU) as raw,
        Proxy(raw.port) as proxy,
    ):
        proxy.mode, proxy.step_s = mode, 0.004
        wanted = source(proxy.port, *channels, framing=framing, answer_timeout_s=1.0)
        async with watching(modbus.poller, wanted) as watch:
            await watch.until(is_good)
            await watch.until(is_good)
        assert strangers(watch.blocks) == []
        assert (raw.asked[-1].count, proxy.accepted) == (30, 1)


@BOTH
async def test_an_answer_that_never_ends_is_no_answer(framing: Framing) -> None:
    """Half an answer is no value, and the sentence does not blame the framing."""
    async with RawModbus(
        lambda asked: asked.own_addresses()[:-1], is_rtu=framing is Framing.RTU
    ) as raw:
        unit = ModbusUnit(source(raw.port, framing=framing))
        await unit.connect()
        with pytest.raises(SourceTimeout, match="no whole answer to a read of 1 holding_registers"):
            await unit.read()
        await unit.close()


@pytest.mark.parametrize(
    ("framing", "answer", "hint"),
    [
        (
            Framing.MBAP,
            lambda asked: bytes([asked.unit, 3, 2, 0, 7]) + crc(bytes([asked.unit, 3, 2, 0, 7])),
            "check framing and gateway",
        ),
        (
            Framing.RTU,
            lambda asked: struct.pack(">HHHBBBH", 1, 0, 5, asked.unit, 3, 2, 7),
            "check framing and gateway, speed, parity and wiring of the line",
        ),
    ],
)
async def test_answers_in_another_framing_are_named_as_such(
    framing: Framing, answer: Callable[[Asked], bytes], hint: str
) -> None:
    """A gateway that speaks the other framing is told from one that is silent."""
    async with (
        RawModbus(answer, is_rtu=framing is Framing.RTU) as raw,
        watching(modbus.poller, source(raw.port, framing=framing)) as watch,
    ):
        row = await watch.until(lambda block: Reason.SHAPE in reasons(block).values())
        assert is_missing(row)
        status = watch.poller.status()
        assert status.link is LinkState.WRONG_ANSWER
        assert status.diagnosis.startswith(f"answers came that are no {framing} frames: ")
        assert status.diagnosis.endswith(f"; {hint}")


@pytest.mark.parametrize("framing", list(Framing))
async def test_a_peer_of_the_other_framing_that_keeps_silent_is_silent(framing: Framing) -> None:
    """Most devices ignore what they cannot read: the sentence asks for framing too."""
    async with (
        RawModbus(Asked.own_addresses, is_rtu=framing is not Framing.RTU) as raw,
        watching(modbus.poller, source(raw.port, framing=framing)) as watch,
    ):
        await watch.until(lambda block: Reason.NO_ANSWER in reasons(block).values())
        assert watch.poller.status().link is LinkState.SILENT
        assert f"speaks {framing} frames" in watch.poller.status().diagnosis


async def test_a_peer_without_a_free_slot_is_named_as_such() -> None:
    """Accepted and closed at once: the state is slot taken, and it is not tried in a hurry."""
    accepted = 0

    async def close_at_once(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal accepted
        accepted += 1
        writer.close()

    async with await asyncio.start_server(close_at_once, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        async with watching(modbus.poller, source(port)) as watch:
            await watch.until(lambda _: watch.poller.status().link is LinkState.SLOT_TAKEN)
            await asyncio.sleep(1.0)
            assert watch.poller.status().diagnosis == (
                "it took the connection and closed it before any answer; it may serve no more"
                " connections than it has now: end one of another program, or allow this computer"
                " in its list"
            )
            assert all(is_missing(row) for row in watch.blocks)
        assert accepted <= 15  # about one in 0.1 to 0.2 s


async def test_a_loss_in_the_middle_of_a_request_is_seen_at_once() -> None:
    """The row does not wait for the timeout when the far end closes."""
    async with RawModbus(Asked.own_addresses) as raw:
        unit = ModbusUnit(source(raw.port, answer_timeout_s=2.0))
        await unit.connect()
        await unit.read()

        def cut(_: Asked) -> None:
            raw.drop_all()

        raw.answer = cut
        began_s = asyncio.get_running_loop().time()
        with pytest.raises(SourceUnreachable, match="closed from the other side"):
            await unit.read()
        assert asyncio.get_running_loop().time() - began_s < 0.5
        await unit.close()


async def test_a_device_that_always_answers_transaction_0_is_read_with_care() -> None:
    """The first such answer costs a connection; then it is read like RTU, late ones never taken."""
    rng = random.Random(3)
    async with RawModbus(
        lambda asked: asked.answer(
            struct.pack(">BBH", 3, 2, asked.unit * 1000 + asked.address), transaction=0
        ),
        delay_s=lambda _: 1.3 * TIMEOUT_S if rng.random() < 0.1 else 0.0,
    ) as raw:
        async with watching(modbus.poller, source(raw.port)) as watch:
            await watch.until(lambda block: Reason.SHAPE in reasons(block).values())
            await watch.until(is_good)
            await asyncio.sleep(3.0)
        assert strangers(watch.blocks) == []
        assert good_rows(watch) >= 5


@pytest.fixture
def port_path(tmp_path: Path) -> Path:
    """Where a serial port can be plugged in."""
    return tmp_path / "adapter"


async def test_a_serial_line_is_read(port_path: Path) -> None:
    """RTU over a pair of pseudo terminals gives the values that were put in."""
    with RawSerial(Asked.own_addresses, port_path) as raw:
        async with watching(modbus.poller, on_line(port_path)) as watch:
            await watch.until(is_good)
            await watch.until(is_good)
            assert strangers(watch.blocks) == []
            assert watch.poller.status().link is LinkState.UP
        assert {asked.function for asked in raw.asked} == {3}


async def test_an_adapter_that_is_unplugged_is_missed_and_reopened(port_path: Path) -> None:
    """Port missing is said as such; plugged in again, under another number, it is read again."""
    with RawSerial(Asked.own_addresses, port_path) as raw:
        async with watching(modbus.poller, on_line(port_path)) as watch:
            await watch.until(is_good)
            raw.unplug()
            row = await watch.until(is_missing)
            assert set(reasons(row).values()) == {Reason.NO_CONNECTION}
            await watch.until(lambda _: "no serial port" in watch.poller.status().diagnosis)
            assert watch.poller.status().diagnosis == (
                f"no serial port {port_path}; check that the adapter is plugged in; under"
                " /dev/serial/by-id it keeps its name"
            )
            raw.plug()
            await watch.until(is_good)
            assert strangers(watch.blocks) == []


async def test_an_adapter_that_is_missing_at_the_start_is_read_when_it_comes(
    port_path: Path,
) -> None:
    """Rows are missing until the port is there."""
    async with watching(modbus.poller, on_line(port_path)) as watch:
        await watch.until(is_missing)
        await watch.until(is_missing)
        with RawSerial(Asked.own_addresses, port_path):
            await watch.until(is_good)


async def test_a_serial_port_that_another_program_has_is_named(port_path: Path) -> None:
    """Two programs on one line would take each other's answers: the second is told."""
    with RawSerial(Asked.own_addresses, port_path):
        first, second = (ModbusUnit(on_line(port_path), Links()) for _ in range(2))
        await first.connect()
        with pytest.raises(SourceUnreachable, match="could not be opened; check that no other"):
            await second.connect()
        await first.close()
        await second.close()


async def test_no_late_serial_answer_is_taken_for_another(port_path: Path) -> None:
    """On a line that is never closed, quiet is what keeps answers apart."""
    rng = random.Random(11)
    with RawSerial(
        Asked.own_addresses,
        port_path,
        delay_s=lambda _: rng.uniform(0.21, 0.39) if rng.random() < 0.1 else 0.002,
    ) as raw:
        async with watching(modbus.poller, on_line(port_path)) as watch:
            await asyncio.sleep(4.0)
        assert strangers(watch.blocks) == []
        assert good_rows(watch) >= 3
        assert len(raw.asked) > 20


async def test_noise_on_a_serial_line_is_never_a_value(port_path: Path) -> None:
    """Random bytes at random moments cost rows, not truth."""
    rng = random.Random(5)
    with RawSerial(Asked.own_addresses, port_path) as raw:
        async with watching(modbus.poller, on_line(port_path)) as watch:
            for _ in range(40):
                raw.say(rng.randbytes(rng.randint(1, 12)))
                await asyncio.sleep(rng.random() * 0.2)
            await watch.until(is_good)
        assert strangers(watch.blocks) == []


def reads_in(wire: bytes, framing: Framing) -> list[tuple[int, int, int]]:
    """Unit, function and count of every frame on a wire, which holds whole reads and no more."""
    found, at = [], 0
    while at < len(wire):
        if framing is Framing.RTU:
            frame = wire[at : at + 8]
            assert crc(frame[:6]) == frame[6:]
            unit, function, _, count = struct.unpack(">BBHH", frame[:6])
            at += 8
        else:
            frame = wire[at : at + 12]
            _, protocol, length, unit, function, _, count = struct.unpack(">HHHBBHH", frame)
            assert (protocol, length) == (0, 6)
            at += 12
        found.append((unit, function, count))
    return found


EVERY_TABLE = (
    ModbusChannel("cell/a", RegisterTable.COILS, 3, ValueType.BOOL),
    ModbusChannel("cell/b", RegisterTable.DISCRETE_INPUTS, 3, ValueType.BOOL),
    ModbusChannel("cell/c", RegisterTable.HOLDING_REGISTERS, 3, ValueType.UINT16),
    ModbusChannel("cell/d", RegisterTable.INPUT_REGISTERS, 3, ValueType.UINT16),
)


@BOTH
async def test_nothing_but_reads_is_ever_on_the_wire(framing: Framing) -> None:
    """Whatever the device does, each byte sent is part of a whole read by function 1 to 4."""
    async with (
        RawModbus(Asked.own_addresses, is_rtu=framing is Framing.RTU) as raw,
        Proxy(raw.port) as proxy,
    ):
        codes = (1, 2, 3, 4, 5, 6, 8, 10, 11, 99)
        answers: list[Callable[[Asked], bytes | None]] = [
            Asked.own_addresses,
            *(lambda asked, code=code: asked.exception(code) for code in codes),
            lambda asked: asked.words([1, 2, 3]),
            lambda _: b"\x00" * 9,
            lambda _: None,
        ]
        async with watching(
            modbus.poller, source(proxy.port, *EVERY_TABLE, framing=framing)
        ) as one:
            for answer in answers:
                raw.answer = answer
                before = len(raw.asked)
                while len(raw.asked) == before:
                    await one.until(lambda _: True)
                raw.answer = Asked.own_addresses
                await one.until(is_good)
            proxy.drop_all()
            await one.until(is_good)
        await modbus.probe(source(proxy.port, *EVERY_TABLE, framing=framing))
        reads = [read for sent in proxy.sent for read in reads_in(bytes(sent), framing)]
    assert len(reads) > 60
    assert {function for _, function, _ in reads} == {1, 2, 3, 4}
    assert {unit for unit, _, _ in reads} == {5}


async def test_nothing_but_reads_is_ever_on_a_serial_line(port_path: Path) -> None:
    """The same on a port: whole requests of function 1 to 4, check sums right."""
    with RawSerial(Asked.own_addresses, port_path) as raw:
        async with watching(modbus.poller, on_line(port_path, *EVERY_TABLE)) as watch:
            await watch.until(is_good)
            raw.answer = lambda asked: asked.exception(6)
            await watch.until(is_missing)
            raw.answer = lambda _: None
            await watch.until(is_missing)
            raw.answer = Asked.own_addresses
            await watch.until(is_good)
        reads = reads_in(bytes(raw.heard), Framing.RTU)
    assert {function for _, function, _ in reads} == {1, 2, 3, 4}


MODES: dict[Framing, list[Mode]] = {
    # TCP keeps its own check sum, and MBAP has none: a bit that turns there is never seen.
    Framing.MBAP: [mode for mode in Mode if mode is not Mode.CORRUPT],
    Framing.RTU: list(Mode),
}


@BOTH
@pytest.mark.parametrize("seed", [1, 2])
async def test_no_value_ever_comes_from_elsewhere(framing: Framing, seed: int) -> None:
    """Through random silence, cuts, corruption and pieces, two units show only their own values."""
    rng = random.Random(seed)
    async with (
        RawModbus(
            Asked.own_addresses,
            is_rtu=framing is Framing.RTU,
            delay_s=lambda _: rng.choice([0.0, 0.0, 0.0, 0.01, 1.2 * TIMEOUT_S]),
        ) as raw,
        Proxy(raw.port, rng=rng) as proxy,
    ):
        proxy.step_s = 0.005
        units = [source(proxy.port, unit=unit, framing=framing) for unit in (1, 2)]
        async with sharing(*units) as watches:
            until_s = asyncio.get_running_loop().time() + 4.0
            while asyncio.get_running_loop().time() < until_s:
                proxy.mode = rng.choice(MODES[framing] + [Mode.PASS] * 4)
                if rng.random() < 0.1:
                    proxy.drop_all()
                await asyncio.sleep(rng.random() * 0.3)
            proxy.mode, raw.delay_s = Mode.PASS, lambda _: 0.0
            # At least one; the other may be left alone for half a minute.
            waits = [asyncio.ensure_future(watch.until(is_good)) for watch in watches]
            done, pending = await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
            for wait in pending:
                wait.cancel()
            await asyncio.wait(waits)
            assert done
            assert all(wait.exception() is None for wait in done)
        for unit, watch in zip((1, 2), watches, strict=True):
            assert strangers(watch.blocks, unit=unit) == []
            assert not all(is_good(block) for block in watch.blocks)


async def test_a_closed_port_is_not_tried_without_pause() -> None:
    """With nobody there, two units at one address try it a few times a second together."""
    port = free_port()
    async with sharing(source(port), source(port, unit=6)) as watches:
        await asyncio.sleep(1.0)
        for watch in watches:
            assert watch.poller.status().link is LinkState.CONNECTING
            assert len(watch.blocks) >= 15
            with suppress(SourceError):
                await watch.until(is_missing)
