"""What a poller of an OPC UA server says of clocks, slots and trust, and what it asks for."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import replace

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.ua.status_codes import StatusCodes

from support.opcua_bench import OpcuaBench, Wire, serving, utc
from support.running import Watch, free_port, is_good, is_missing, watching
from watchedpot.core.model import NO_TIME_NS, Instant, Reading
from watchedpot.core.snapshot import LinkState
from watchedpot.core.units import NANO
from watchedpot.sources import opcua
from watchedpot.sources.base import as_it_came
from watchedpot.sources.opcua import refusals
from watchedpot.sources.opcua.device import acquaintance
from watchedpot.sources.opcua.polling import Stamps
from watchedpot.sources.wiring import (
    OpcuaChannel,
    OpcuaIdentity,
    OpcuaSecurity,
    OpcuaSource,
    SecurityMode,
    SecurityPolicy,
    ValueType,
)

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

CELL = "urn:demo:cell"
WALL = OpcuaChannel("cell/syringe/wall", CELL, "s=wall", ValueType.FLOAT32)
NOW = Instant(1_767_268_800 * NANO, 5)


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the library's log out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared() -> AsyncIterator[OpcuaBench]:
    """One server for all tests; the start takes a second."""
    async with serving(CELL, port=free_port(), kind=OpcuaBench) as bench:
        index, kind = ua.Int16(2), ua.VariantType
        await bench.add(WALL.name, ua.NodeId(ua.String("wall"), index), 110.0, kind.Float)
        await bench.add("serial", ua.NodeId(ua.String("serial"), index), "A-17", kind.String)
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def bench(shared: OpcuaBench) -> OpcuaBench:
    """The server with nothing wrong with it and a clock that is right."""
    shared.script.__init__()  # type: ignore[misc]
    shared.write(WALL.name, 110.0)
    shared.write("serial", "A-17", ua.VariantType.String)
    shared.compute("time", clock_ahead(0.0))
    return shared


def clock_ahead(ahead_s: float) -> Callable[[], ua.DataValue]:
    """Answer of a server's clock that is so far ahead."""

    def answer() -> ua.DataValue:
        return ua.DataValue(ua.Variant(utc(ahead_s), ua.VariantType.DateTime))

    return answer


def source(port: int) -> OpcuaSource:
    """Source with short bounds on a port of loopback."""
    return OpcuaSource(
        "plc",
        f"opc.tcp://127.0.0.1:{port}/",
        (WALL,),
        poll_period_s=0.05,
        connect_timeout_s=1.0,
        answer_timeout_s=0.4,
        reconnect_cap_s=0.1,
    )


def told(watch: Watch, name: str) -> list[dict[str, object]]:
    """Reports of one name, in their order."""
    return [fields for said, fields in watch.reports if said == name]


async def test_a_clock_that_is_off_is_reported_once_and_when_it_is_right_again(
    bench: OpcuaBench,
) -> None:
    """Two hours ahead: one report, not one a poll; the value itself stays good."""
    async with watching(opcua.poller, source(bench.port)) as watch:
        await watch.until(is_good)
        assert told(watch, "source_skew") == []
        bench.compute("time", clock_ahead(7200.0))
        for _ in range(10):
            await watch.until(is_good)
        bench.compute("time", clock_ahead(0.0))
        for _ in range(5):
            await watch.until(is_good)
    off, right = told(watch, "source_skew")
    assert off["source"] == "plc"
    assert off["skew_s"] == pytest.approx(7200.0, abs=1.0)
    assert str(off["text"]).endswith("s ahead of ours; set both by one time server")
    assert right["text"] == "the clock of the server is right again, within 5 s"


@pytest.mark.parametrize(
    ("stamp_ahead_s", "clock_ahead_s", "is_kept"),
    [(0.0, 0.0, True), (7200.0, 0.0, False), (7200.0, 7200.0, True), (-7200.0, 0.0, True)],
)
async def test_a_stamp_from_the_future_is_no_time(
    bench: OpcuaBench, stamp_ahead_s: float, clock_ahead_s: float, is_kept: bool
) -> None:
    """Ahead of the server's own clock it says nothing; a value with it is not fresh for ever."""
    bench.write(WALL.name, 110.0, stamp=utc(stamp_ahead_s))
    bench.compute("time", clock_ahead(clock_ahead_s))
    async with watching(opcua.poller, source(bench.port)) as watch:
        row = await watch.until(is_good)
    assert (int(row.source_ns[0, 0]) != NO_TIME_NS) is is_kept


async def test_a_server_without_a_clock_is_held_against_ours() -> None:
    """A stamp an hour ahead of our own clock is taken away where no other clock is told."""
    wanted = source(1)
    known = acquaintance(wanted)
    stamps = Stamps(wanted, known, report=_unheard, judge=as_it_came)
    late = Reading(110.0, source_ns=NOW.utc_ns + 3600 * NANO)
    assert stamps(NOW, {WALL.name: late}) == {WALL.name: late._replace(source_ns=NO_TIME_NS)}
    known.server_ns = NOW.utc_ns + 3600 * NANO
    known_off = Stamps(replace(wanted, skew_alarm_s=7200.0), known, report=_unheard, judge=_drop)
    assert known_off(NOW, {WALL.name: late}) == {}


def _unheard(event_name: str, /, **fields: object) -> None:
    """No report is expected."""
    raise AssertionError(event_name, fields)


def _drop(at: Instant, readings: dict[str, Reading]) -> dict[str, Reading]:
    """A judge that believes nothing, to see that it is asked."""
    assert at == NOW
    assert list(readings) == [WALL.name]
    return {}


async def test_a_server_without_a_free_session_is_left_alone_for_a_session_life(
    bench: OpcuaBench,
) -> None:
    """Ten tries of the poller, one on the wire; after the time it is asked again, and read."""
    bench.script.session_code = StatusCodes.BadTooManySessions
    before = bench.sessions
    wanted = replace(source(bench.port), session_timeout_s=1.0)
    async with watching(opcua.poller, wanted) as watch:
        for _ in range(12):
            await watch.until(is_missing)
        assert bench.sessions - before == 1
        status = watch.poller.status()
        assert status.link is LinkState.SLOT_TAKEN
        assert "it is left alone for 1 s, so that sessions nobody uses can end" in status.diagnosis
        bench.script.session_code = 0
        await watch.until(is_good, within_s=3.0)
    assert bench.sessions - before == 2
    assert len(told(watch, "source_lost")) == 1


async def test_a_user_that_is_refused_is_not_tried_again_and_again(
    bench: OpcuaBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One try on the wire for many of the poller: a server may lock a user out after a few."""
    monkeypatch.setattr(refusals, "USER_PAUSE_S", 1.0)
    bench.script.session_code = StatusCodes.BadIdentityTokenRejected
    before = bench.sessions
    async with watching(opcua.poller, source(bench.port)) as watch:
        for _ in range(12):
            await watch.until(is_missing)
        assert bench.sessions - before == 1
        status = watch.poller.status()
        assert status.link is LinkState.NOT_TRUSTED
        assert "it is left alone for 1 s, since many tries can lock a user out" in status.diagnosis
        bench.script.session_code = 0
        await watch.until(is_good, within_s=3.0)
    assert bench.sessions - before == 2


async def test_another_device_at_the_address_is_never_read(bench: OpcuaBench) -> None:
    """Its serial number is another one: not one value of it comes through, until it is put back."""
    bench.write("serial", "B-4", ua.VariantType.String)
    wanted = replace(source(bench.port), identity=OpcuaIdentity(CELL, "s=serial", "A-17"))
    async with watching(opcua.poller, wanted) as watch:
        for _ in range(10):
            await watch.until(is_missing)
        assert all(is_missing(block) for block in watch.blocks)
        status = watch.poller.status()
        assert status.link is LinkState.NOT_TRUSTED
        assert status.diagnosis == (
            "this is not the device that is meant: expected 'A-17', got 'B-4';"
            " check which device is at this address"
        )
        bench.write("serial", "A-17", ua.VariantType.String)
        await watch.until(is_good)


@pytest.mark.parametrize(
    "identity",
    [OpcuaIdentity(CELL, "s=nowhere", "A-17"), OpcuaIdentity("urn:demo:none", "s=serial", "A-17")],
)
async def test_a_device_that_does_not_say_who_it_is_is_not_read(
    bench: OpcuaBench, identity: OpcuaIdentity
) -> None:
    """A node or a namespace that is not there is no identity."""
    async with watching(opcua.poller, replace(source(bench.port), identity=identity)) as watch:
        await watch.until(is_missing)
        await watch.until(lambda _: bool(told(watch, "source_lost")))
    assert "expected 'A-17', got no value" in str(told(watch, "source_lost")[0]["text"])


async def test_an_identity_of_bad_status_is_none(bench: OpcuaBench) -> None:
    """The right text under a bad status proves nothing."""
    bench.write("serial", "A-17", ua.VariantType.String, status=StatusCodes.BadNoCommunication)
    wanted = replace(source(bench.port), identity=OpcuaIdentity(CELL, "s=serial", "A-17"))
    async with watching(opcua.poller, wanted) as watch:
        await watch.until(lambda _: bool(told(watch, "source_lost")))
    assert watch.poller.status().link is LinkState.NOT_TRUSTED


async def test_polling_asks_for_nothing_but_reads(bench: OpcuaBench) -> None:
    """No subscription, so none that could fall silent (OPC UA Part 6, Annex A, from memory).

    461, 467 and 473 create, activate and close the session; 631 is Read.
    """
    async with Wire(bench.port) as wire:
        async with watching(opcua.poller, source(wire.port)) as watch:
            for _ in range(20):
                await watch.until(is_good)
        await wire.idle()
        services = wire.services()
    assert set(services) == {461, 467, 631, 473}
    assert services.count(631) >= 20


async def test_a_source_that_trusts_anybody_says_so_at_the_start() -> None:
    """A warning each time it is started, whether it is reached or not."""
    security = OpcuaSecurity(
        SecurityPolicy.BASIC256SHA256,
        SecurityMode.SIGN_AND_ENCRYPT,
        "none.der",
        "none.pem",
        trust_any_server=True,
    )
    async with watching(opcua.poller, replace(source(free_port()), security=security)) as watch:
        await watch.until(is_missing)
    (said,) = told(watch, "source_trusts_any")
    assert str(said["text"]).startswith("trust_any_server = true: ")
