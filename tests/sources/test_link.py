"""One link with several units, in virtual time, on wires that a test commands."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.clock import run_virtual
from watchedpot.errors import SourceError, SourceSlotTaken, SourceTimeout, SourceUnreachable
from watchedpot.sources.base import WrongShape
from watchedpot.sources.decode import Request
from watchedpot.sources.link import (
    BREAK_S,
    QUEUE_QUIETS,
    QUEUE_SLACK_S,
    WASTE,
    Answer,
    Ask,
    Link,
    Links,
    Member,
    fitted,
    gap_s,
    transfer_s,
)
from watchedpot.sources.wiring import (
    Framing,
    ModbusChannel,
    ModbusSource,
    Parity,
    RegisterTable,
    SerialLine,
    ValueType,
)

TIMEOUT_S = 1.0
REQUEST = Request(RegisterTable.HOLDING_REGISTERS, 0, 1, ())


@dataclass
class Bus:
    """Units at one address, over all connections to it; a test changes them at will.

    Attributes
    ----------
    silent, late, absent
        Units that do not answer, that answer after 1.4 times the bound, and those for which a
        gateway says that they are not there.
    flights
        Answers on their way: when they arrive, of which unit, to which request. They reach
        whoever is connected then, as through a converter.
    newest
        Number of the newest request.
    asked
        When and whom.
    under_way, most
        Requests without answer yet: now, and at most.
    """

    has_ids: bool = True
    is_line: bool = False
    is_off: bool = False
    answer_s: float = 0.01
    silent: set[int] = field(default_factory=set)
    late: set[int] = field(default_factory=set)
    absent: set[int] = field(default_factory=set)
    flights: list[tuple[float, int, int]] = field(default_factory=list)
    newest: int = 0
    wires: list[FakeWire] = field(default_factory=list)
    asked: list[tuple[float, int]] = field(default_factory=list)
    under_way: int = 0
    most: int = 0

    def wire(self) -> FakeWire:
        """Make the wire of a new connection."""
        self.wires.append(FakeWire(self))
        return self.wires[-1]

    def of_unit(self, unit: int) -> list[float]:
        """When a unit was asked. [s]."""
        return [at_s for at_s, asked in self.asked if asked == unit]


class FakeWire:
    """One connection to a bus."""

    def __init__(self, bus: Bus) -> None:
        self.fault: SourceError | None = None
        self.has_ids = bus.has_ids
        self.is_line = bus.is_line
        self.has_strays = False
        self.heard_s = 0.0
        self.opened_s = 0.0
        self.is_closed = False
        self._bus = bus

    async def connect(self, where: str) -> None:
        """Open at once, or fail after a second."""
        if self._bus.is_off:
            await asyncio.sleep(TIMEOUT_S)
            raise SourceUnreachable(where, "no connection within 1 s", hint="check the cable")
        self.opened_s = now_s()

    async def ask(self, ask: Ask) -> Answer:
        """Unit and number of the request whose answer arrives first, or nothing in time."""
        bus = self._bus
        bus.newest += 1
        bus.asked.append((now_s(), ask.unit))
        bus.under_way += 1
        bus.most = max(bus.most, bus.under_way)
        try:
            arrival_s, unit, number = await self._first(ask)
        finally:
            bus.under_way -= 1
        bus.flights.remove((arrival_s, unit, number))
        self.heard_s = now_s()
        return 11 if unit in bus.absent else [unit, number]

    async def _first(self, ask: Ask) -> tuple[float, int, int]:
        """The answer that is taken for that to a request, when it arrives."""
        bus, sent_s = self._bus, now_s()
        if ask.unit not in bus.silent:
            after_s = 1.4 * ask.bound_s if ask.unit in bus.late else bus.answer_s
            bus.flights.append((sent_s + after_s, ask.unit, bus.newest))
        bus.flights = [flight for flight in bus.flights if flight[0] >= sent_s]
        fitting = [
            (at_s, unit, number)
            for at_s, unit, number in bus.flights
            if unit == ask.unit
            and at_s <= sent_s + ask.bound_s
            and (number == bus.newest or not self.has_ids)
        ]
        if not fitting:
            await asyncio.sleep(ask.bound_s)
            raise SourceTimeout(ask.where, "no answer")
        await asyncio.sleep(min(fitting)[0] - sent_s)
        return min(fitting)

    def close(self) -> None:
        """Remember it."""
        self.is_closed = True


def now_s() -> float:
    """Time of the running loop. [s]."""
    return asyncio.get_running_loop().time()


@dataclass
class Party:
    """A link that is held, and its units."""

    bus: Bus = field(default_factory=Bus)
    link: Link = field(init=False)
    members: dict[int, Member] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.link = Link(self.bus.wire)
        self.link.hold()

    def member(self, unit: int) -> Member:
        """A unit, joined when first named."""
        if unit not in self.members:
            self.members[unit] = self.link.join(f"u{unit}", quiet_s=TIMEOUT_S)
        return self.members[unit]

    async def ask(self, unit: int) -> Answer:
        """One request to a unit."""
        ask = Ask(f"source u{unit}", unit, REQUEST, TIMEOUT_S)
        return await self.link.ask(self.member(unit), ask)

    async def tried(self, unit: int) -> type[SourceError] | None:
        """What a request to a unit raised."""
        try:
            await self.ask(unit)
        except SourceError as exc:
            return type(exc)
        return None

    async def polled(self, unit: int, *, for_s: float, period_s: float) -> list[float]:
        """Ask a unit on a phase unless it is spared; how late each answer came. [s]."""
        member, late_s = self.member(unit), []
        start_s = now_s()
        for n in range(int(for_s / period_s)):
            due_s = start_s + n * period_s
            await asyncio.sleep(max(0.0, due_s - now_s()))
            if not self.link.spares(member) and await self.tried(unit) is None:
                late_s.append(now_s() - due_s)
        return late_s


def run(main: Coroutine[Any, Any, Any]) -> Any:
    """Result of a test's coroutine in virtual time."""
    return run_virtual(main)


def test_one_request_at_a_time() -> None:
    """Eight units that ask at one moment are asked one after the other, over one connection."""

    async def main() -> Bus:
        party = Party()
        answers = await asyncio.gather(*(party.ask(unit) for unit in range(8)))
        assert answers == [[unit, unit + 1] for unit in range(8)]
        return party.bus

    bus = run(main())
    assert (bus.most, len(bus.wires)) == (1, 1)


def test_the_link_is_closed_when_nobody_holds_it() -> None:
    """Opened at the first need, kept between two uses, closed by the last holder."""

    async def main() -> None:
        party = Party()
        assert party.bus.wires == []
        with party.link.held():
            await party.ask(1)
        assert not party.bus.wires[0].is_closed
        party.link.release()
        assert party.bus.wires[0].is_closed

    run(main())


def test_a_silent_unit_costs_the_others_no_connection() -> None:
    """With transaction ids and another unit that answers, a timeout leaves the link standing."""

    async def main() -> Bus:
        party = Party(Bus(silent={2}))
        for unit in (1, 2, 1, 2, 1):
            await party.tried(unit)
        return party.bus

    assert len(run(main()).wires) == 1


def test_two_timeouts_in_a_row_open_the_link_anew() -> None:
    """A link on which nothing comes between two timeouts is half open, whoever asked."""

    async def main() -> Bus:
        party = Party()
        for unit in (1, 2, 3):
            await party.ask(unit)
        party.bus.silent = {1, 2, 3}
        assert await party.tried(1) is SourceTimeout
        assert len(party.bus.wires) == 1
        assert await party.tried(2) is SourceTimeout
        assert party.bus.wires[0].is_closed
        party.bus.silent = set()
        assert await party.tried(3) is None
        return party.bus

    assert len(run(main()).wires) == 2


def test_a_unit_alone_loses_its_connection_with_the_first_timeout() -> None:
    """Nobody else needs it, and a fresh one is the quickest cure."""

    async def main() -> Bus:
        party = Party(Bus(silent={1}))
        await party.tried(1)
        return party.bus

    assert run(main()).wires[0].is_closed


def test_without_ids_any_timeout_drops_the_connection_and_waits_for_quiet() -> None:
    """The next request goes out on a new connection, and no sooner than an answer may take."""

    async def main() -> Bus:
        party = Party(Bus(has_ids=False))
        await party.ask(1)
        party.bus.silent = {2}
        await party.tried(2)
        await party.ask(1)
        return party.bus

    bus = run(main())
    assert [wire.is_closed for wire in bus.wires] == [True, False]
    assert bus.of_unit(1)[1] - bus.wires[1].opened_s >= TIMEOUT_S


def test_without_ids_a_cancel_drops_the_connection() -> None:
    """Who gives up waiting leaves no answer behind for the next one."""

    async def main() -> Bus:
        party = Party(Bus(has_ids=False, answer_s=0.5))
        task = asyncio.ensure_future(party.ask(1))
        await asyncio.sleep(TIMEOUT_S + 0.2)  # after the quiet at the beginning
        task.cancel()
        await asyncio.wait({task})
        assert task.cancelled()
        assert await party.ask(2) == [2, 2]
        return party.bus

    bus = run(main())
    assert bus.wires[0].is_closed
    assert bus.of_unit(2)[0] - bus.of_unit(1)[0] >= TIMEOUT_S + 0.2


def test_a_cancel_with_ids_drops_the_connection_too() -> None:
    """A request that was cut is on a connection that nobody uses again."""

    async def main() -> Bus:
        party = Party(Bus(answer_s=0.5))
        task = asyncio.ensure_future(party.ask(1))
        await asyncio.sleep(0.2)
        task.cancel()
        await asyncio.wait({task})
        return party.bus

    assert run(main()).wires[0].is_closed


def test_a_serial_port_stays_open_after_a_timeout() -> None:
    """It is waited for quiet on the same port; with the second timeout in a row it is reopened."""

    async def main() -> Bus:
        party = Party(Bus(has_ids=False, is_line=True))
        await party.ask(1)
        party.bus.silent = {2}
        await party.tried(2)
        lost_s = now_s()
        await party.ask(1)
        assert party.bus.of_unit(1)[1] - lost_s >= TIMEOUT_S
        assert len(party.bus.wires) == 1
        party.bus.silent = {1, 2}
        await party.tried(1)
        assert not party.bus.wires[0].is_closed
        await party.tried(2)
        assert party.bus.wires[0].is_closed
        return party.bus

    run(main())


def test_bytes_that_nobody_asked_for_are_waited_out() -> None:
    """Noise or a doubled answer between two requests delays the next one by the quiet time."""

    async def main() -> float:
        party = Party(Bus(has_ids=False))
        await party.ask(1)
        wire = party.bus.wires[0]
        wire.has_strays, wire.heard_s = True, now_s()
        began_s = now_s()
        await party.ask(1)
        return party.bus.of_unit(1)[1] - began_s

    assert run(main()) == pytest.approx(TIMEOUT_S)


def test_a_line_that_never_falls_quiet_is_given_up() -> None:
    """Where somebody else keeps talking, the sentence says so, within twice the quiet time."""

    async def main() -> float:
        party = Party(Bus(has_ids=False))
        await party.ask(1)
        wire = party.bus.wires[0]
        wire.has_strays = True

        async def talk() -> None:
            while True:
                wire.heard_s = now_s()
                await asyncio.sleep(0.1)

        talking = asyncio.ensure_future(talk())
        began_s = now_s()
        with pytest.raises(WrongShape, match="bytes keep coming although nothing is asked"):
            await party.ask(1)
        talking.cancel()
        return now_s() - began_s

    assert run(main()) <= 2 * TIMEOUT_S


@pytest.mark.parametrize("has_ids", [True, False])
def test_a_dead_unit_is_spared_and_the_others_stay_fresh(*, has_ids: bool) -> None:
    """Asked once in 30 s, it costs a neighbour at most one timeout and the quiet after it."""

    async def main() -> tuple[Bus, list[float]]:
        party = Party(Bus(has_ids=has_ids, silent={2}))
        healthy, _ = await asyncio.gather(
            party.polled(1, for_s=600.0, period_s=1.0), party.polled(2, for_s=600.0, period_s=1.0)
        )
        return party.bus, healthy

    bus, late_s = run(main())
    asked_s = bus.of_unit(2)
    assert len(asked_s) <= 600.0 / BREAK_S + 2
    gaps_s = [b - a for a, b in pairwise(asked_s[1:])]
    assert all(BREAK_S <= gap_s <= BREAK_S + 3.0 for gap_s in gaps_s)
    cost_s = TIMEOUT_S if has_ids else 2 * TIMEOUT_S
    assert max(late_s) <= cost_s + 0.1
    late = [one for one in late_s if one > 0.1]
    assert len(late) <= 2 * len(asked_s) * cost_s
    assert len(late_s) >= 600 - 3 * len(asked_s)


def test_many_dead_units_get_a_quarter_of_the_time() -> None:
    """With ten silent units beside one that answers, most of the link's time is the latter's."""

    async def main() -> tuple[Bus, list[float]]:
        party = Party(Bus(silent=set(range(2, 12))))
        healthy, *_ = await asyncio.gather(
            party.polled(1, for_s=300.0, period_s=1.0),
            *(party.polled(unit, for_s=300.0, period_s=1.0) for unit in range(2, 12)),
        )
        return party.bus, healthy

    bus, late_s = run(main())
    silent_s = sorted(at_s for at_s, unit in bus.asked if unit != 1 and at_s > 15.0)
    gaps_s = [b - a for a, b in pairwise(silent_s)]
    assert min(gaps_s) >= TIMEOUT_S * (1.0 + WASTE) - 1e-6
    assert sum(TIMEOUT_S for _ in silent_s) <= 285.0 / (1.0 + WASTE) + TIMEOUT_S
    assert len(late_s) >= 200


def test_a_unit_alone_is_never_made_to_wait() -> None:
    """Silent for an hour, it is asked at every turn."""

    async def main() -> Bus:
        party = Party(Bus(silent={1}))
        await party.polled(1, for_s=60.0, period_s=2.0)
        assert not party.link.spares(party.member(1))
        return party.bus

    assert len(run(main()).asked) == 30


def test_units_that_fell_silent_together_are_not_spared() -> None:
    """Nobody is fresh for whose sake they could wait: what comes back is asked at once."""

    async def main() -> None:
        party = Party()
        for unit in (1, 2):
            await party.ask(unit)
        party.bus.silent = {1, 2}
        for _ in range(3):
            for unit in (1, 2):
                await party.tried(unit)
        assert not party.link.spares(party.member(1))
        assert not party.link.spares(party.member(2))

    run(main())


def test_a_unit_that_a_gateway_has_lost_is_spared_like_a_silent_one() -> None:
    """Exception 11 counts as no answer of the unit, and never costs the connection."""

    async def main() -> Bus:
        party = Party(Bus(absent={2}))
        for unit in (1, 2, 1, 2, 1):
            await asyncio.sleep(1.0)
            assert await party.tried(unit) is None
        assert party.link.spares(party.member(2))
        assert party.link.others(party.member(2)) == 1
        return party.bus

    assert len(run(main()).wires) == 1


def test_after_an_outage_of_the_address_all_units_are_equal() -> None:
    """Where the address itself was gone, no unit is left alone any more."""

    async def main() -> None:
        party = Party(Bus(silent={2}))
        for unit in (1, 2, 1, 2):
            await party.tried(unit)
        assert party.link.spares(party.member(2))
        party.bus.is_off = True
        party.bus.wires[0].fault = SourceUnreachable("source u1", "the connection was closed")
        assert await party.tried(1) is SourceUnreachable
        assert await party.tried(1) is SourceUnreachable
        assert not party.link.spares(party.member(2))

    run(main())


def test_one_try_to_connect_answers_for_all_who_waited() -> None:
    """Five units at an address that is off cost one try of a second, not five."""

    async def main() -> tuple[int, float]:
        party = Party(Bus(is_off=True))
        tries = await asyncio.gather(*(party.tried(unit) for unit in range(5)))
        assert tries == [SourceUnreachable] * 5
        return len(party.bus.wires), now_s()

    assert run(main()) == (1, pytest.approx(TIMEOUT_S))


def test_a_fault_of_the_link_is_told_as_each_source_has_it() -> None:
    """The class, the sentence and the hint stay, the name is that of the one who asks."""

    async def main() -> None:
        party = Party()
        await party.ask(1)
        party.bus.wires[0].fault = SourceSlotTaken("source u1", "it closed at once", hint="look")
        with pytest.raises(SourceSlotTaken) as caught:
            await party.ask(2)
        assert str(caught.value) == "source u2: it closed at once; look"

    run(main())


def test_who_waits_too_long_for_others_is_told_so() -> None:
    """The wait for a turn is bounded by twice the longest answer timeout and a second."""

    async def main() -> float:
        party = Party(Bus(silent={1}))
        long = Ask("source u1", 1, REQUEST, 99.0)
        ahead = asyncio.ensure_future(party.link.ask(party.member(1), long))
        await asyncio.sleep(0.0)
        with pytest.raises(SourceTimeout, match="its link was busy with other units for 3 s"):
            await party.ask(2)
        ahead.cancel()
        await asyncio.wait({ahead})
        return now_s()

    assert run(main()) == QUEUE_QUIETS * TIMEOUT_S + QUEUE_SLACK_S


def test_a_device_without_transaction_ids_is_remembered_as_such() -> None:
    """What one connection found out, the next one knows from its beginning."""

    async def main() -> Bus:
        party = Party()
        await party.ask(1)
        party.bus.wires[0].has_ids = False
        party.bus.silent = {1}
        await party.tried(1)
        party.bus.silent = set()
        await party.ask(1)
        return party.bus

    assert [wire.has_ids for wire in run(main()).wires] == [False, False]


async def do(party: Party, deed: str, unit: int) -> None:
    """One turn of fate, or one request, whose answer must be its own."""
    bus = party.bus
    match deed:
        case "ask":
            with suppress(SourceError):
                assert await party.ask(unit) == [unit, bus.newest]
        case "cancel":
            task = asyncio.ensure_future(party.ask(unit))
            await asyncio.sleep(0.35 * unit)
            task.cancel()
            await asyncio.wait({task})
        case "cut":
            for wire in bus.wires[-1:]:
                wire.fault = SourceUnreachable("x", "cut")
        case "off" | "on":
            bus.is_off = deed == "off"
        case _:
            bus.silent.discard(unit)
            bus.late.discard(unit)
            if deed != "answers":
                getattr(bus, deed).add(unit)


DEEDS = ("ask", "ask", "ask", "silent", "late", "late", "answers", "cancel", "cut", "off", "on")


@given(
    st.lists(st.tuples(st.sampled_from(DEEDS), st.integers(1, 3)), max_size=40),
    st.sampled_from([(True, False), (False, False), (False, True)]),
)
def test_no_answer_is_ever_taken_for_another(
    deeds: list[tuple[str, int]], kind: tuple[bool, bool]
) -> None:
    """Through any silence, lateness, cuts and cancels each answer is to its own request."""

    async def main() -> None:
        party = Party(Bus(has_ids=kind[0], is_line=kind[1]))
        for deed, unit in deeds:
            await do(party, deed, unit)
        assert party.bus.most <= 1
        party.link.release()
        assert all(wire.is_closed for wire in party.bus.wires)

    run(main())


def test_the_bus_of_these_tests_does_slip() -> None:
    """Asked without the link's care, a late answer is taken for the next: the law can fail."""

    async def main() -> None:
        wire = Bus(has_ids=False, late={1}).wire()
        first = Ask("source u1", 1, REQUEST, TIMEOUT_S)
        with pytest.raises(SourceTimeout):
            await wire.ask(first)
        assert await wire.ask(first) == [1, 1]

    run(main())


CHANNEL = ModbusChannel("cell/x", RegisterTable.HOLDING_REGISTERS, 0, ValueType.INT16)


def source(**changes: Any) -> ModbusSource:
    """A source on a converter."""
    return ModbusSource("plc", "127.0.0.1", 4001, 1, (CHANNEL,), framing=Framing.RTU, **changes)


def test_one_address_has_one_link() -> None:
    """Units at one address share it; another address or framing has another."""

    async def main() -> None:
        links, bus = Links(), Bus()
        one = links.of(source(), bus.wire)
        assert links.of(source(poll_period_s=2.0), bus.wire) is one
        other = ModbusSource("plc", "127.0.0.1", 4002, 1, (CHANNEL,), framing=Framing.RTU)
        assert links.of(other, bus.wire) is not one

    run(main())


def test_a_long_read_at_9600_takes_as_long_as_its_characters() -> None:
    """125 registers are 263 characters of 10 bits both ways: 0.274 s by hand."""
    assert transfer_s(SerialLine(9600, Parity.NONE), registers=125) == pytest.approx(
        263 * 10 / 9600
    )


@pytest.mark.parametrize(
    ("baud_rate", "parity", "gap"),
    [
        (9600, Parity.EVEN, 3.5 * 11 / 9600),
        (19200, Parity.NONE, 3.5 * 10 / 19200),
        (115_200, Parity.EVEN, 0.00175),
    ],
)
def test_the_pause_between_frames_is_that_of_the_standard(
    baud_rate: int, parity: Parity, gap: float
) -> None:
    """3.5 characters, and 1.75 ms where that is longer (Modbus over serial line V1.02, 2.5.1.1)."""
    assert gap_s(source(line=SerialLine(baud_rate, parity))) == pytest.approx(gap)


@pytest.mark.parametrize("baud_rate", [1200, 2400, 4800, 9600, 19200, 38400, 115_200])
@pytest.mark.parametrize("parity", list(Parity))
def test_timeouts_and_blocks_fit_the_line(baud_rate: int, parity: Parity) -> None:
    """Three times what the longest block takes fits in the answer timeout, at any speed."""
    line = SerialLine(baud_rate, parity)
    wanted = fitted(source(line=line))
    assert 4 <= wanted.max_registers <= 125
    bits = 10 + (parity is not Parity.NONE)
    frame_s = (8 + 5 + 2 * wanted.max_registers) * bits / baud_rate
    assert 3 * (frame_s + 0.05) <= wanted.answer_timeout_s + 1e-9
    assert wanted.answer_timeout_s <= 2.0


def test_a_source_without_a_line_is_left_as_it_is() -> None:
    """Nothing is known of its timing that could be computed."""
    assert fitted(source()) == source()


def test_a_slow_line_gets_smaller_blocks() -> None:
    """At 2400 bit/s a second holds three times 26 registers; by hand from 11-bit characters."""
    # 1/3 s - 0.05 s = 0.2833 s; 0.2833 * 2400 / 11 = 61.8 characters; (61 - 13) / 2 = 24.
    assert fitted(source(line=SerialLine(2400))).max_registers == 24
