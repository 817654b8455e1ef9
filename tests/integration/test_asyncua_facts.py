"""What the OPC UA source relies on in asyncua: it fails the day an upgrade changes it.

Each fact was seen with asyncua 2.1.0; the version at hand is recorded with each result.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from importlib import metadata

import pytest
import pytest_asyncio
from asyncua import ua
from asyncua.client.client import Client
from asyncua.client.ua_client import UaClientState, UASocketProtocol
from asyncua.crypto import security_policies
from asyncua.crypto.uacrypto import CertProperties
from asyncua.server.server import Server
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.uaerrors import UaError
from cryptography import x509

from support.authority import made
from support.opcua_bench import STATE, OpcuaBench, Wire, serving, with_request_id
from support.running import free_port

pytestmark = [pytest.mark.integration, pytest.mark.asyncio(loop_scope="module")]

SERVER = "urn:demo:facts:server"
PLC = made("facts plc", uri=SERVER)
OURS = made("facts client", uri="urn:demo:facts:client", is_client=True)


@pytest.fixture(autouse=True)
def _recorded(
    record_property: Callable[[str, object], None], caplog: pytest.LogCaptureFixture
) -> None:
    """Name the version with each result; keep the library's log out of the report."""
    record_property("asyncua", metadata.version("asyncua"))
    caplog.set_level(logging.CRITICAL, logger="asyncua")


async def _prepare(server: Server) -> None:
    await server.set_application_uri(SERVER)
    server.set_security_policy(
        [
            ua.SecurityPolicyType.NoSecurity,
            ua.SecurityPolicyType.Basic256Sha256_SignAndEncrypt,
        ]
    )
    server.iserver.certificate, server.iserver.private_key = PLC.certificate, PLC.key


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def shared() -> AsyncIterator[OpcuaBench]:
    """One server, open and protected."""
    async with serving(
        "urn:demo:facts", port=free_port(), kind=OpcuaBench, prepare=_prepare
    ) as bench:
        yield bench


@pytest_asyncio.fixture(loop_scope="module")
async def bench(shared: OpcuaBench) -> OpcuaBench:
    """The server with nothing wrong with it."""
    shared.script.__init__()  # type: ignore[misc]
    shared.reads.clear()
    return shared


def client_of(port: int, *, timeout_s: float = 0.4, watchdog_s: float = 5.0) -> Client:
    """Client with short bounds."""
    return Client(f"opc.tcp://127.0.0.1:{port}/", timeout=timeout_s, watchdog_intervall=watchdog_s)


@asynccontextmanager
async def connected(client: Client) -> AsyncIterator[Client]:
    """The client, connected; its socket is closed at the end in any case."""
    await client.connect()
    protocol = client.uaclient.protocol
    try:
        yield client
    finally:
        with suppress(Exception):
            await client.disconnect()
        client.disconnect_socket()
        if protocol is not None and protocol.transport is not None:
            protocol.transport.abort()


def reading(*nodes: ua.NodeId) -> ua.ReadParameters:
    """One Read of values."""
    return ua.ReadParameters(
        NodesToRead=[ua.ReadValueId(NodeId=n, AttributeId=AttributeIds.Value) for n in nodes]
    )


def protocol_of(client: Client) -> UASocketProtocol:
    """The transport of a connected client."""
    protocol = client.uaclient.protocol
    assert protocol is not None
    return protocol


async def test_a_cancelled_connect_leaves_its_socket(bench: OpcuaBench) -> None:
    """With asyncua 2.1: only ``disconnect_socket`` closes it, so the session's close calls that."""
    async with Wire(bench.port) as wire:
        wire.mute_down = True
        client = client_of(wire.port, timeout_s=5.0)
        task = asyncio.ensure_future(client.connect())
        await asyncio.sleep(0.1)
        task.cancel()
        await asyncio.wait({task}, timeout=1.0)
        assert task.cancelled()
        await asyncio.sleep(0.1)
        assert wire.open == 1
        client.disconnect_socket()
        async with asyncio.timeout(1.0):
            await wire.idle()


async def test_after_a_loss_disconnecting_leaves_the_socket(bench: OpcuaBench) -> None:
    """With asyncua 2.1: after a loss that its probe found, only an abort closes the socket."""
    async with Wire(bench.port) as wire:
        client = client_of(wire.port, watchdog_s=0.2)
        await client.connect()
        protocol = protocol_of(client)
        wire.mute_up = wire.mute_down = True
        async with client.subscribe_state() as states:
            await states.wait_for_state(UaClientState.DISCONNECTED, 3.0)
        with suppress(Exception):
            await client.disconnect()
        client.disconnect_socket()
        await asyncio.sleep(0.1)
        assert wire.open == 1
        assert protocol.transport is not None
        protocol.transport.abort()
        async with asyncio.timeout(1.0):
            await wire.idle()


async def test_what_the_server_grants_is_told_but_not_kept_to(
    bench: OpcuaBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With asyncua 2.1: ``session_timeout`` is what was granted, the probe keeps what was asked."""
    monkeypatch.setattr(bench.server.iserver, "min_session_timeout_ms", 1000)
    monkeypatch.setattr(bench.server.iserver, "max_session_timeout_ms", 1000)
    client = client_of(bench.port, watchdog_s=30.0)
    client.session_timeout = 60_000
    async with connected(client):
        assert client.session_timeout == 1000
        assert client._watchdog_intervall == 30.0
        await asyncio.sleep(2.0)
        with pytest.raises(UaError):
            await client.uaclient.read(reading(STATE))


async def test_the_interval_of_the_probe_can_be_set_right_after_connecting(
    bench: OpcuaBench,
) -> None:
    """With asyncua 2.1: its task has not begun by then, so its first pause is the new one."""
    client = client_of(bench.port, watchdog_s=30.0)
    async with connected(client):
        client._watchdog_intervall = 0.2
        await asyncio.sleep(0.7)
        assert 2 <= len(bench.reads) <= 4


async def test_one_stall_ends_the_renewing_for_good(bench: OpcuaBench) -> None:
    """With asyncua 2.1: the task is done with an error nobody reads, the state says CONNECTED."""
    async with Wire(bench.port) as wire:
        client = client_of(wire.port, timeout_s=0.2)
        client.secure_channel_timeout = 800
        async with connected(client):
            assert client._renew_channel_task is not None
            assert not client._renew_channel_task.done()
            await asyncio.sleep(0.4)
            wire.mute_down = True
            await asyncio.sleep(0.5)
            wire.mute_down = False
            assert client._renew_channel_task.done()
            assert client._renew_channel_task.exception() is not None
            assert client.uaclient.state is UaClientState.CONNECTED


async def test_a_renewed_channel_has_another_token(bench: OpcuaBench) -> None:
    """With asyncua 2.1: ``security_token.TokenId`` changes with each renewal."""
    client = client_of(bench.port)
    client.secure_channel_timeout = 400
    async with connected(client):
        tokens = set()
        for _ in range(10):
            await client.uaclient.read(reading(STATE))
            tokens.add(protocol_of(client)._connection.security_token.TokenId)
            await asyncio.sleep(0.1)
        assert len(tokens) >= 3


async def test_what_was_given_up_is_remembered_until_its_answer(bench: OpcuaBench) -> None:
    """With asyncua 2.1: a cancelled future stays in ``_callbackmap`` until its answer comes."""
    bench.script.delay_s = {STATE: 0.4}
    client = client_of(bench.port, timeout_s=2.0)
    async with connected(client):
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(client.uaclient.read(reading(STATE)), 0.1)
        waiting = protocol_of(client)._callbackmap
        assert [one.cancelled() for one in waiting.values()] == [True]
        await asyncio.sleep(0.6)
        assert not waiting
        bench.script.delay_s = {}
        (state,) = await client.uaclient.read(reading(STATE))
        assert state.Value is not None


async def test_an_answer_to_nobody_closes_the_socket_without_a_reason(bench: OpcuaBench) -> None:
    """With asyncua 2.1: the reader only sees a ConnectionError; the reason is in the log alone."""
    async with Wire(bench.port) as wire:
        client = client_of(wire.port)
        async with connected(client):
            wire.alter = lambda message: with_request_id(message, 4711)
            with pytest.raises(ConnectionError) as caught:
                await client.uaclient.read(reading(STATE))
            assert "4711" not in str(caught.value)
            assert protocol_of(client).is_closed if client.uaclient.protocol else True


async def test_the_bound_of_an_answer_can_be_set_after_connecting(bench: OpcuaBench) -> None:
    """With asyncua 2.1: ``protocol.timeout`` bounds each request from then on."""
    client = client_of(bench.port, timeout_s=5.0)
    bench.script.delay_s = {STATE: 0.5}
    loop = asyncio.get_running_loop()
    async with connected(client):
        protocol_of(client).timeout = 0.1
        began_s = loop.time()
        with pytest.raises(TimeoutError):
            await client.uaclient.read(reading(STATE))
        assert loop.time() - began_s == pytest.approx(0.1, abs=0.15)


async def test_a_cancel_that_meets_an_answer_is_no_plain_cancel(bench: OpcuaBench) -> None:
    """With asyncua 2.1, wait_for2 raises a subclass, which Python 3.11 takes for no bound's end.

    ``asyncio.timeout`` then lets the cancel out as if somebody had ended the task.
    """
    client = client_of(bench.port, timeout_s=4.0)
    kinds = set()
    async with connected(client):
        for turns in range(400):
            task = asyncio.ensure_future(client.uaclient.read(reading(STATE)))
            for _ in range(turns % 40):
                await asyncio.sleep(0)
            if waiting := list(protocol_of(client)._callbackmap.values()):
                waiting[-1].add_done_callback(lambda _, task=task: task.cancel())  # type: ignore[misc]
            with suppress(asyncio.CancelledError):
                await asyncio.wait({task}, timeout=1.0)
            try:
                await task
            except asyncio.CancelledError as exc:
                kinds.add(type(exc).__name__)
    assert "CancelledWithResultError" in kinds


async def test_a_large_read_is_one_request(bench: OpcuaBench) -> None:
    """With asyncua 2.1: nothing is split, whatever the server allows."""
    client = client_of(bench.port, timeout_s=4.0)
    async with connected(client):
        bench.reads.clear()
        answers = await client.uaclient.read(reading(*[STATE] * 150))
        assert len(answers) == 150
        assert bench.reads == [150]


async def test_asking_for_endpoints_leaves_nothing_open(bench: OpcuaBench) -> None:
    """With asyncua 2.1: whether it is answered, refused or cancelled, its socket is closed."""
    async with Wire(bench.port) as wire:
        endpoints = await client_of(wire.port).connect_and_get_server_endpoints()
        async with asyncio.timeout(1.0):
            await wire.idle()
        assert {str(one.SecurityPolicyUri).rpartition("#")[2] for one in endpoints} == {
            "None",
            "Basic256Sha256",
        }
        wire.mute_down = True
        task = asyncio.ensure_future(
            client_of(wire.port, timeout_s=0.5).connect_and_get_server_endpoints()
        )
        await asyncio.sleep(0.1)
        task.cancel()
        await asyncio.wait({task}, timeout=2.0)
        async with asyncio.timeout(2.0):
            await wire.idle()


async def test_an_endpoint_that_is_not_offered_is_a_ua_error() -> None:
    """With asyncua 2.1: ``find_endpoint`` raises UaError for what no endpoint has."""
    with pytest.raises(UaError, match="No matching endpoints"):
        Client.find_endpoint(
            [],
            ua.MessageSecurityMode.Sign,
            security_policies.SecurityPolicyBasic256Sha256.URI,
        )


async def secured(client: Client, server: x509.Certificate | None) -> None:
    """Set a protected channel up, with the server's certificate or without."""
    der = None if server is None else CertProperties(PLC.der, "der")
    client.application_uri = "urn:demo:facts:client"
    await client.set_security(
        security_policies.SecurityPolicyBasic256Sha256,
        CertProperties(OURS.der, "der"),
        CertProperties(OURS.pem, "pem"),
        server_certificate=der,
    )


async def test_without_our_own_judgement_any_server_is_believed(bench: OpcuaBench) -> None:
    """With asyncua 2.1: fetched from the wire, a certificate that nobody confirmed is accepted."""
    client = client_of(bench.port, timeout_s=4.0)
    await secured(client, None)
    async with connected(client):
        (state,) = await client.uaclient.read(reading(STATE))
        assert state.Value is not None


async def test_a_judgement_comes_before_the_log_on(
    bench: OpcuaBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With asyncua 2.1: what the validator raises comes out, and no session is activated."""
    seen: list[tuple[x509.Certificate, str]] = []

    async def refuse(certificate: x509.Certificate, server: ua.ApplicationDescription) -> None:
        seen.append((certificate, str(server.ApplicationUri)))
        msg = "not this one"
        raise LookupError(msg)

    client = client_of(bench.port, timeout_s=4.0)
    activated: list[object] = []
    monkeypatch.setattr(client, "activate_session", activated.append)
    client.certificate_validator = refuse
    await secured(client, PLC.certificate)
    with pytest.raises(LookupError, match="not this one"):
        await client.connect()
    assert seen == [(PLC.certificate, SERVER)]
    assert activated == []
