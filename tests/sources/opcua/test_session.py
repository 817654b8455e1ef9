"""One connection and what the server or the wire does to it."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from dataclasses import replace

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.ua.status_codes import StatusCodes

from support.opcua_bench import LIMIT, NAMESPACES, STATE, OpcuaBench, Wire, serving, with_request_id
from support.running import free_port
from watchedpot.errors import (
    SourceRefused,
    SourceSlotTaken,
    SourceTimeout,
    SourceUnreachable,
)
from watchedpot.sources.base import WrongShape, bounded
from watchedpot.sources.opcua.session import Session, TooMuch
from watchedpot.sources.wiring import OpcuaChannel, OpcuaSource, ValueType

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

WALL = OpcuaChannel("cell/syringe/wall", "urn:demo:cell", "s=wall", ValueType.FLOAT32)


@pytest.fixture(autouse=True)
def _quiet(caplog: pytest.LogCaptureFixture) -> None:
    """Keep the library's log out of the report."""
    caplog.set_level(logging.CRITICAL, logger="asyncua")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared() -> AsyncIterator[OpcuaBench]:
    """One server for all tests; the start takes a second."""
    async with serving("urn:demo:cell", port=free_port(), kind=OpcuaBench) as bench:
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def bench(shared: OpcuaBench) -> OpcuaBench:
    """The server with nothing wrong with it."""
    shared.script.__init__()  # type: ignore[misc]
    return shared


def source(port: int) -> OpcuaSource:
    """Source with short bounds on a port of loopback."""
    return OpcuaSource(
        "plc",
        f"opc.tcp://127.0.0.1:{port}/",
        (WALL,),
        connect_timeout_s=1.0,
        answer_timeout_s=0.4,
    )


async def opened(wanted: OpcuaSource) -> Session:
    """A session that is open."""
    session = Session(wanted)
    try:
        await session.open()
    except BaseException:
        await session.close()
        raise
    return session


async def test_an_answer_to_another_request_is_a_wrong_answer(bench: OpcuaBench) -> None:
    """The library only closes the socket and logs; we say that the protocol was broken."""
    async with Wire(bench.port) as wire:
        session = await opened(source(wire.port))
        wire.alter = lambda message: with_request_id(message, 4711)
        with pytest.raises(WrongShape, match=r"breaks the protocol: .*4711") as caught:
            await session.ask([STATE], bound_s=0.4)
        await session.close()
        await wire.idle()
    assert caught.value.hint.startswith("look for what changes answers on the way")


async def test_a_spoilt_answer_is_a_wrong_answer(bench: OpcuaBench) -> None:
    """A message that is not one of the protocol: no value comes of it."""
    async with Wire(bench.port) as wire:
        session = await opened(source(wire.port))
        wire.alter = lambda message: b"XXX" + message[3:]
        with pytest.raises(WrongShape, match="breaks the protocol"):
            await session.ask([STATE], bound_s=0.4)
        await session.close()
        await wire.idle()


async def test_a_reset_is_a_broken_connection(bench: OpcuaBench) -> None:
    """No blame on the protocol where the wire was cut."""
    async with Wire(bench.port) as wire:
        session = await opened(source(wire.port))
        wire.cut()
        with pytest.raises(SourceUnreachable, match="the connection broke"):
            await session.ask([STATE], bound_s=0.4)
        await session.close()


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (StatusCodes.BadSessionIdInvalid, SourceRefused),
        (StatusCodes.BadSecureChannelClosed, SourceRefused),
        (StatusCodes.BadTooManyOperations, TooMuch),
        (StatusCodes.BadResponseTooLarge, TooMuch),
        (StatusCodes.BadEncodingLimitsExceeded, TooMuch),
    ],
)
async def test_a_refused_read_is_of_its_kind(
    bench: OpcuaBench, code: int, kind: type[SourceRefused]
) -> None:
    """What was too large can be tried again smaller; all else ends the connection."""
    session = await opened(source(bench.port))
    bench.script.read_code = code
    with pytest.raises(SourceRefused, match="a read of 2 nodes was refused") as caught:
        await session.ask([STATE, LIMIT], bound_s=0.4)
    await session.close()
    assert type(caught.value) is kind


async def test_a_slow_answer_is_waited_for_only_so_long(bench: OpcuaBench) -> None:
    """And when it comes late, it is not taken for the answer to the next request."""
    session = await opened(source(bench.port))
    bench.script.delay_s = {STATE: 0.3}
    with pytest.raises(SourceTimeout, match=r"no answer to a read of 1 node within 0.1 s"):
        await session.ask([STATE], bound_s=0.1)
    answers = []
    for _ in range(20):
        (answer,) = await session.ask([NAMESPACES], bound_s=0.4)
        answers.append(answer.Value.Value if answer.Value else None)
        await asyncio.sleep(0.02)
    await session.close()
    assert all(isinstance(answer, list) for answer in answers)


class AnswerMetCancel(asyncio.CancelledError):
    """What the library raises where an answer and a cancel meet."""


async def test_a_bound_that_meets_an_answer_is_only_a_timeout(
    bench: OpcuaBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The task that reads goes on: it is not cancelled by its own bound, nor by that of others."""
    session = await opened(source(bench.port))
    assert session._client is not None

    async def met(_: ua.ReadParameters) -> list[ua.DataValue]:
        try:
            await asyncio.sleep(10.0)
        except asyncio.CancelledError as exc:
            raise AnswerMetCancel from exc
        return []

    monkeypatch.setattr(session._client.uaclient, "read", met)
    with pytest.raises(SourceTimeout):
        await session.ask([STATE], bound_s=0.05)
    with pytest.raises(SourceTimeout, match=r"no complete answer within 0\.1 s"):
        await bounded(
            "plc", session.ask([STATE], bound_s=5.0), doing="complete answer", bound_s=0.1
        )
    await session.close()
    task = asyncio.current_task()
    assert task is not None
    assert task.cancelling() == 0


async def test_a_server_that_answers_slowly_is_not_lost(bench: OpcuaBench) -> None:
    """Round trips of 0.6 s for 3 s, longer than the library's own bound in its default."""
    wanted = replace(source(0), answer_timeout_s=2.0, connect_timeout_s=4.0)
    async with Wire(bench.port) as wire:
        session = await opened(replace(wanted, url=f"opc.tcp://127.0.0.1:{wire.port}/"))
        wire.delay_s = 0.3
        for _ in range(5):
            (state,) = await session.ask([STATE], bound_s=2.0)
            assert state.Value is not None
        await session.close()
        assert wire.accepted == 1


async def test_a_session_is_looked_after_within_what_the_server_grants(
    bench: OpcuaBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked for 60 s, granted 3 s: looked after each second, and alive after twice that time."""
    monkeypatch.setattr(bench.server.iserver, "min_session_timeout_ms", 1000)
    monkeypatch.setattr(bench.server.iserver, "max_session_timeout_ms", 3000)
    session = await opened(source(bench.port))
    assert session.timeout_s == 3.0
    before = len(bench.reads)
    await asyncio.sleep(6.0)
    probes = len(bench.reads) - before
    (state,) = await session.ask([STATE], bound_s=0.4)
    await session.close()
    assert state.Value is not None
    assert 4 <= probes <= 7


async def test_a_channel_that_is_no_longer_renewed_is_given_up(bench: OpcuaBench) -> None:
    """One stalled answer at the moment of renewal ends the library's task for good, unsaid.

    Keys for 1.2 s, renewed after 0.9 s; the server is mute from 0.5 s to 1.4 s.
    """
    wanted = replace(source(0), channel_lifetime_s=1.2, answer_timeout_s=0.3)
    async with Wire(bench.port) as wire:
        session = await opened(replace(wanted, url=f"opc.tcp://127.0.0.1:{wire.port}/"))
        await asyncio.sleep(0.5)
        wire.mute_down = True
        await asyncio.sleep(0.9)
        wire.mute_down = False
        await asyncio.sleep(0.2)
        with pytest.raises(SourceUnreachable, match="secure channel is no longer renewed"):
            await session.ask([STATE], bound_s=0.3)
        await session.close()
        await wire.idle()


async def test_a_channel_that_is_renewed_goes_on(bench: OpcuaBench) -> None:
    """Five lifetimes long, each renewed in time."""
    session = await opened(replace(source(bench.port), channel_lifetime_s=0.4))
    for _ in range(20):
        await session.ask([STATE], bound_s=0.4)
        await asyncio.sleep(0.1)
    await session.close()


@pytest.mark.parametrize(
    "code", [StatusCodes.BadTooManySessions, StatusCodes.BadMaxConnectionsReached]
)
async def test_a_server_without_a_free_session_is_a_taken_slot(
    bench: OpcuaBench, code: int
) -> None:
    """Its own class, since waiting helps and a cable does not."""
    bench.script.session_code = code
    async with Wire(bench.port) as wire:
        with pytest.raises(SourceSlotTaken):
            await opened(source(wire.port))
        await wire.idle()


async def test_a_read_before_opening_is_no_connection() -> None:
    """An error of ours, not of the library."""
    with pytest.raises(SourceUnreachable, match="read without a connection"):
        await Session(source(1)).ask([STATE], bound_s=0.1)


@pytest.mark.parametrize("step", ["mute from the start", "mute after the greeting"])
async def test_a_server_that_falls_silent_while_connecting_is_given_up_in_time(
    bench: OpcuaBench, step: str
) -> None:
    """Each step is bounded by the connect timeout, and no socket stays."""
    async with Wire(bench.port) as wire:
        if step == "mute from the start":
            wire.mute_down = True
        else:
            wire.alter = lambda message: message if message[:3] == b"ACK" else b""
        with pytest.raises(SourceUnreachable, match=r"no connection within 0\.2 s"):
            await opened(replace(source(wire.port), connect_timeout_s=0.2))
        await wire.idle()


async def test_only_reads_and_what_a_session_needs_go_over_the_wire(bench: OpcuaBench) -> None:
    """Numbers of services by OPC UA Part 6, Annex A (NodeIds.csv), from memory.

    461, 467 and 473 create, activate and close the session, 631 is Read. Nothing subscribes
    (787, 751, 826), browses (527), writes (673), calls (712) or registers (560).
    """
    async with Wire(bench.port) as wire:
        session = await opened(source(wire.port))
        for _ in range(3):
            await session.ask([STATE, ua.NodeId(ua.Int32(2258))], bound_s=0.4)
        await session.close()
        await wire.idle()
        services = wire.services()
    assert set(services) == {461, 467, 631, 473}
    assert services.count(631) >= 3
