"""No sample ever carries a value of another address, unit, node or time, whatever the wire does.

Servers whose values say where and when they are from stand behind a wire that is late, slow,
split, cut, deaf, double or corrupt by chance. Whatever comes out as good must be of its own
channel and no older than the read that brought it; and good values must come, or the check would
pass by silence.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import pytest
from asyncua import ua
from asyncua.server.server import Server
from asyncua.ua.object_ids import ObjectIds
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from support.chaos import (
    LATE_S,
    WRAP_MS,
    Chaos,
    Origin,
    Step,
    Telltale,
    modbus_origin,
    moment_ms,
    since_ms,
)
from support.running import Watch, free_port, is_good, watching
from watchedpot.core.model import Block, Quality, Reading
from watchedpot.sources import modbus, opcua
from watchedpot.sources.base import Device, Poller
from watchedpot.sources.link import Links
from watchedpot.sources.wiring import (
    Framing,
    ModbusChannel,
    ModbusSource,
    OpcuaChannel,
    OpcuaSource,
    RegisterTable,
    ValueType,
)

pytestmark = [pytest.mark.integration, pytest.mark.timeout(180)]

CHAOS_S = 1.5
"""How long the wire is wild, and then calm for as long as it takes to see again [s]."""

EXAMPLES = 12
"""Of some 3 s each, and never made simpler after a failure: that would take minutes."""

MODBUS_FLOOR = 60
OPCUA_FLOOR = 36
"""Good values of one example on the wild wire, in the mean [1].

Three polls of each source in the whole wild time. Before each wild step at least two reads of six
answers pass, or a connection and three reads of three; and a wild step costs a timeout of 0.15 s
and a new connection after at most 0.2 s, so that some four of them fit into it.
"""

AGAIN_S = 5.0
"""Bound of seeing again on a calm wire: a connection, its cap of 0.2 s and a poll of each [s]."""

NAMESPACE = "urn:telltale:cell"
MBAP_HEAD = 9
"""Bytes of a Modbus TCP answer before its values: header, function and byte count."""
OPCUA_HEAD = 24
"""Bytes of an OPC UA message before its body: header, channel, token, sequence and request."""

WILD = [step for step in Step if step is not Step.PASS]


def stories(*, calm: int) -> st.SearchStrategy[list[Step]]:
    """Wild steps, each after some that pass: up to so many, lest nothing be ever read at all."""
    spans = st.tuples(st.integers(0, calm), st.sampled_from(WILD))
    return st.lists(spans, min_size=3, max_size=12).map(
        lambda found: [
            step for count, wild in found for step in (*[Step.PASS] * (calm + count), wild)
        ]
    )


@dataclass
class Tally:
    """What came of one source.

    Attributes
    ----------
    good
        Good values while the wire was wild.
    wrong
        What should never have been.
    """

    places: dict[str, tuple[int, ...]]
    origin: Callable[[float], Origin]
    good: int = 0
    wrong: list[str] = field(default_factory=list)

    def take(self, readings: dict[str, Reading], *, began_ms: int) -> None:
        """Hold the readings of one read against what they say of themselves."""
        ended_ms = moment_ms()
        for name, reading in readings.items():
            if reading.quality is not Quality.GOOD:
                continue
            self.good += 1
            origin = self.origin(reading.value)
            if origin.place != self.places[name]:
                self.wrong.append(f"{name} holds a value of {origin.place}")
            age_ms = since_ms(origin.moment_ms, began_ms)
            if age_ms > 0:
                self.wrong.append(f"{name} is older by {age_ms} ms than the read of it")
            if since_ms(origin.moment_ms, ended_ms) < 0:
                self.wrong.append(f"{name} is of the future")

    def compare(self, block: Block) -> None:
        """Hold what the poller made of it against the same places."""
        for place, name in enumerate(block.channels):
            if block.quality[0, place] == Quality.GOOD:
                origin = self.origin(float(block.value[0, place]))
                if origin.place != self.places[name]:
                    self.wrong.append(f"a row holds {origin.place} as {name}")


class Overheard:
    """A device that tells a tally what each read brought, and when it began."""

    def __init__(self, device: Device, tally: Tally) -> None:
        self._device = device
        self._tally = tally

    def __getattr__(self, name: str) -> Any:
        return getattr(self._device, name)

    async def read(self) -> dict[str, Reading]:
        """Read, and tell."""
        began_ms = moment_ms()
        readings = await self._device.read()
        self._tally.take(readings, began_ms=began_ms)
        return readings


def overheard(poller: Poller, tally: Tally) -> Poller:
    """The same poller, whose devices tell a tally."""
    make = poller._make_device
    poller._make_device = lambda: Overheard(make(), tally)
    return poller


def telltale_channels(unit: int) -> dict[ModbusChannel, tuple[int, ...]]:
    """Channels of a unit and their places: blocks of one length, so that a slip is not told by it.

    Both tables, neighbours, and a gap that makes a second request of the same two registers.
    """
    tables = (RegisterTable.HOLDING_REGISTERS, RegisterTable.INPUT_REGISTERS)
    return {
        ModbusChannel(f"cell_{unit}/{table}_{address}/raw", table, address, ValueType.UINT32): (
            unit,
            int(table is RegisterTable.INPUT_REGISTERS),
            address,
        )
        for table in tables
        for address in (0, 2, 40, 42, 100)
    }


def modbus_source(unit: int, port: int, framing: Framing) -> ModbusSource:
    """Source of one unit with short bounds."""
    return ModbusSource(
        id=f"unit_{unit}",
        host="127.0.0.1",
        port=port,
        unit=unit,
        channels=tuple(telltale_channels(unit)),
        poll_period_s=0.05,
        connect_timeout_s=0.5,
        answer_timeout_s=LATE_S / 2.0,
        reconnect_cap_s=0.2,
        framing=framing,
    )


async def wild_then_calm(proxy: Chaos, watches: list[tuple[Watch, Tally]]) -> int:
    """Good values in the wild time; fails where a source does not see again on a calm wire."""
    await asyncio.sleep(CHAOS_S)
    proxy.is_calm = True
    good = sum(tally.good for _, tally in watches)
    await asyncio.gather(*(watch.until(is_good, within_s=AGAIN_S) for watch, _ in watches))
    for watch, tally in watches:
        for block in watch.blocks:
            tally.compare(block)
        assert not tally.wrong, tally.wrong[:5]
    return good


async def watch_modbus(found: list[Step], framing: Framing) -> int:
    """Two units that share one wild wire."""
    is_rtu = framing is Framing.RTU
    make = partial(modbus.poller, links=Links())
    async with AsyncExitStack() as stack:
        server = await stack.enter_async_context(Telltale(is_rtu=is_rtu))
        protected = None if is_rtu else MBAP_HEAD
        proxy = await stack.enter_async_context(Chaos(server.port, found, protected=protected))
        watches = []
        for unit in (1, 2):
            places = {c.name: place for c, place in telltale_channels(unit).items()}
            tally = Tally(places, modbus_origin)
            source = modbus_source(unit, proxy.port, framing)

            def factory(one: ModbusSource, *, to: Tally = tally, **rest: Any) -> Poller:
                return overheard(make(one, **rest), to)

            watch = await stack.enter_async_context(watching(factory, source))
            watches.append((watch, tally))
        return await wild_then_calm(proxy, watches)


def test_a_value_of_another_place_or_time_is_noticed() -> None:
    """The tally that all rests on: another unit, address or table, an old and a future value."""
    name = "cell_1/holding_registers_2/raw"
    own = 1 << 28 | 2 << 16
    for value, shift_ms, is_wrong in (
        (own, 0, False),
        (own | 1 << 29, 0, True),
        (own | 1 << 27, 0, True),
        (own | 4 << 16, 0, True),
        (own, -50, True),
        (own, 5000, True),
    ):
        tally = Tally({name: (1, 0, 2)}, modbus_origin)
        began_ms = moment_ms()
        told = value | (began_ms + shift_ms) % WRAP_MS
        tally.take({name: Reading(float(told))}, began_ms=began_ms)
        assert bool(tally.wrong) is is_wrong
        assert tally.good == 1


@pytest.mark.parametrize("framing", Framing)
def test_modbus_never_takes_a_value_of_another_place_or_time(framing: Framing) -> None:
    """Two units with blocks of one length behind one wire, and many good values all the same."""
    good: list[int] = []

    @settings(max_examples=EXAMPLES, phases=[Phase.generate])
    @given(found=stories(calm=12))
    def be_wild(found: list[Step]) -> None:
        good.append(asyncio.run(watch_modbus(found, framing)))

    be_wild()
    print(f"{framing}: {sum(good)} good values in {len(good)} wild examples, {sorted(good)}")
    assert sum(good) >= MODBUS_FLOOR * len(good)


NODES = 12


@asynccontextmanager
async def telltale_server() -> AsyncIterator[int]:
    """OPC UA server whose variables tell their number and the moment at which they were read."""
    server = Server()
    await server.init()
    port = free_port()
    server.set_endpoint(f"opc.tcp://127.0.0.1:{port}/")
    index = ua.Int16(await server.register_namespace(NAMESPACE))
    kind = ua.VariantType.UInt32
    for number in range(NODES):
        node_id = ua.NodeId(ua.Int32(1000 + number), index)
        await server.nodes.objects.add_variable(node_id, f"n{number}", 0, kind)

        def answer(*_: object, number: int = number) -> ua.DataValue:
            return ua.DataValue(ua.Variant(number * WRAP_MS + moment_ms(), kind))

        server.set_attribute_value_callback(node_id, answer)
    limit = ua.DataValue(ua.Variant(5, kind))
    limit_id = ua.NodeId(
        ua.Int32(ObjectIds.Server_ServerCapabilities_OperationLimits_MaxNodesPerRead)
    )
    server.set_attribute_value_callback(limit_id, lambda *_: limit)
    await server.start()
    try:
        yield port
    finally:
        await server.stop()


def opcua_origin(value: float) -> Origin:
    """What an OPC UA telltale says of itself."""
    return Origin((int(value) // WRAP_MS,), int(value) % WRAP_MS)


async def watch_opcua(port: int, found: list[Step]) -> int:
    """Twelve nodes in three Reads of one length over a wild wire."""
    channels = tuple(
        OpcuaChannel(f"cell/n{number}/raw", NAMESPACE, f"i={1000 + number}", ValueType.UINT32)
        for number in range(NODES)
    )
    places: dict[str, tuple[int, ...]] = {
        channel.name: (number,) for number, channel in enumerate(channels)
    }
    tally = Tally(places, opcua_origin)
    async with Chaos(port, found, protected=OPCUA_HEAD) as proxy:
        source = OpcuaSource(
            id="telltale",
            url=f"opc.tcp://127.0.0.1:{proxy.port}/",
            channels=channels,
            poll_period_s=0.05,
            connect_timeout_s=0.5,
            answer_timeout_s=LATE_S / 2.0,
            reconnect_cap_s=0.2,
        )

        def factory(one: OpcuaSource, **rest: Any) -> Poller:
            return overheard(opcua.poller(one, **rest), tally)

        async with watching(factory, source) as watch:
            return await wild_then_calm(proxy, [(watch, tally)])


@pytest.fixture
def served(caplog: pytest.LogCaptureFixture) -> Iterator[tuple[asyncio.Runner, int]]:
    """One server for all examples, which starts in a second, and the loop in which it runs."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")
    with asyncio.Runner() as runner:
        server = telltale_server()
        port = runner.run(server.__aenter__())
        yield runner, port
        runner.run(server.__aexit__(None, None, None))


def test_opcua_never_takes_a_value_of_another_node_or_time(
    served: tuple[asyncio.Runner, int],
) -> None:
    """Three Reads of one length over one wire, and many good values all the same."""
    runner, port = served
    good: list[int] = []

    @settings(max_examples=EXAMPLES, phases=[Phase.generate])
    @given(found=stories(calm=20))
    def be_wild(found: list[Step]) -> None:
        good.append(runner.run(watch_opcua(port, found)))

    be_wild()
    print(f"OPC UA: {sum(good)} good values in {len(good)} wild examples, {sorted(good)}")
    assert sum(good) >= OPCUA_FLOOR * len(good)
