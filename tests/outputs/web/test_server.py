"""How the HTTP server starts and ends, and how it bounds each connection."""

from __future__ import annotations

import asyncio
import signal
import socket
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import pytest
from starlette.responses import StreamingResponse

from outputs.web.asking import ScriptedMetrics, make_app, make_newest
from support.tls import make_certificate, tomorrow
from watchedpot.errors import ConfigError, WatchedpotError
from watchedpot.outputs.web import server
from watchedpot.outputs.web.app import create_app
from watchedpot.outputs.web.server import Certificate, WebServer

LOOPBACK = "127.0.0.1"


@asynccontextmanager
async def serving(web: WebServer) -> AsyncIterator[asyncio.Task[None]]:
    """Server on a free loopback port, cancelled at the end."""
    task = asyncio.create_task(web.serve(LOOPBACK, 0))
    try:
        async with asyncio.timeout(5):
            await web.is_bound.wait()
        yield task
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def ask(port: int, text: bytes) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Open connection over which some bytes were sent."""
    reader, writer = await asyncio.open_connection(LOOPBACK, port)
    writer.write(text)
    await writer.drain()
    return reader, writer


async def rest(reader: asyncio.StreamReader) -> bytes:
    """Everything until the other side ends the connection, however it does so."""
    with suppress(ConnectionResetError):
        return await reader.read()
    return b""


WHOLE_REQUEST = b"GET /healthz HTTP/1.1\r\nHost: cell\r\n\r\n"


@pytest.mark.integration
async def test_a_request_over_a_socket_is_answered() -> None:
    """The server takes a free port, says which, and names no product in its answer."""
    web = WebServer(make_app())
    async with serving(web):
        assert web.port > 0
        async with httpx.AsyncClient(base_url=f"http://{LOOPBACK}:{web.port}") as client:
            answer = await client.get("/healthz")
    assert answer.status_code == 200
    assert "server" not in answer.headers


@pytest.mark.integration
async def test_a_taken_port_is_an_error_of_ours() -> None:
    """Not an end of the process: one sentence with the address and what to do."""
    with socket.create_server((LOOPBACK, 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(WatchedpotError) as caught:
            await WebServer(make_app()).serve(LOOPBACK, port)
    assert str(caught.value) == (
        f"web server 127.0.0.1:{port}: the port cannot be bound (Address already in use); "
        "nothing is served; see what else listens there, or configure another port"
    )


@pytest.mark.integration
async def test_an_unknown_host_is_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    """A host name that nobody knows is reported like a taken port."""

    async def nobody_knows(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(asyncio.get_running_loop(), "getaddrinfo", nobody_knows)
    with pytest.raises(WatchedpotError) as caught:
        await WebServer(make_app()).serve("cell.invalid", 80)
    assert str(caught.value) == (
        "web server cell.invalid:80: the host name is not known (Name or service not known); "
        "nothing is served; correct the host in the configuration"
    )


async def stopped(web: WebServer, task: asyncio.Task[None]) -> None:
    """End the server by its own method."""
    web.stop()
    await task


async def cancelled(_: WebServer, task: asyncio.Task[None]) -> None:
    """End the server as a task group does."""
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert task.cancelled()


@pytest.mark.integration
@pytest.mark.parametrize("end", [stopped, cancelled])
async def test_the_end_is_bounded_and_leaves_nothing_open(
    end: Callable[[WebServer, asyncio.Task[None]], Awaitable[None]],
) -> None:
    """Idle clients, half a request and an endless answer hold up neither way to end."""
    app = make_app()
    is_called = asyncio.Event()

    @app.get("/endless")
    async def endless() -> None:
        is_called.set()
        await asyncio.Event().wait()

    web = WebServer(app, shutdown_s=0.3)
    async with serving(web) as task, asyncio.timeout(3):
        clients = [
            await ask(web.port, text)
            for text in (
                b"",
                b"GET / HT",
                WHOLE_REQUEST,
                b"GET /endless HTTP/1.1\r\nHost: x\r\n\r\n",
            )
        ]
        await is_called.wait()
        await end(web, task)
        for reader, writer in clients:
            await rest(reader)
            writer.close()
    with socket.create_server((LOOPBACK, web.port)):
        pass


@pytest.mark.integration
async def test_signals_are_left_alone() -> None:
    """The handlers of the daemon are the same before and while serving."""
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    async with serving(WebServer(make_app())) as task:
        await asyncio.sleep(0)
        assert not task.done()
        during = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    assert during == before


@pytest.mark.integration
@pytest.mark.parametrize(
    "sent",
    [
        pytest.param((b"",), id="nothing"),
        pytest.param((b"GET / HTTP/1.1\r\n", b"X: 1\r\n", b"Y: 2\r\n"), id="headers drop by drop"),
        pytest.param((WHOLE_REQUEST, b"GET / HT"), id="a second request begun"),
        pytest.param(
            (b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n12",), id="half a body"
        ),
    ],
)
async def test_a_silent_connection_is_cut_off(
    monkeypatch: pytest.MonkeyPatch, sent: tuple[bytes, ...]
) -> None:
    """A client that does not finish a request in time loses its connection."""
    monkeypatch.setattr(server, "REQUEST_TIMEOUT_S", 0.2)
    web = WebServer(make_app(), shutdown_s=0.1)
    async with serving(web), asyncio.timeout(3):
        reader, writer = await ask(web.port, sent[0])
        for text in sent[1:]:
            await asyncio.sleep(0.05)
            writer.write(text)
        await rest(reader)
        writer.close()


@pytest.mark.integration
async def test_a_slow_answer_is_not_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bound is on the asking: an answer may take longer."""
    monkeypatch.setattr(server, "REQUEST_TIMEOUT_S", 0.05)
    app = make_app()

    @app.get("/slow")
    async def slow() -> str:
        await asyncio.sleep(0.2)
        return "done"

    web = WebServer(app)
    async with serving(web), httpx.AsyncClient(base_url=f"http://{LOOPBACK}:{web.port}") as client:
        assert (await client.get("/slow")).json() == "done"


@dataclass(frozen=True)
class Stream:
    """A page that listens, over a socket of its own."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def event(self) -> str:
        """Name of the next event."""
        while not (line := await self.reader.readline()).startswith(b"event: "):
            assert line, "the stream is over"
        return line.decode().split()[1]


async def listening(port: int) -> Stream:
    """A page that has asked for what is new."""
    return Stream(*await ask(port, b"GET /api/v1/live HTTP/1.1\r\nHost: x\r\n\r\n"))


@pytest.mark.integration
async def test_pages_that_listen_take_no_place_of_others(monkeypatch: pytest.MonkeyPatch) -> None:
    """With as many as may listen, others are answered as before; one that leaves is gone."""
    monkeypatch.setattr(server, "MAX_LISTENERS", 5)
    monkeypatch.setattr(server, "MAX_CONNECTIONS", 3)
    newest = make_newest()
    web = WebServer(create_app(newest, ScriptedMetrics()), shutdown_s=0.2)
    async with serving(web), asyncio.timeout(10):
        pages = [await listening(web.port) for _ in range(5)]
        assert [await page.event() for page in pages] == ["state"] * 5
        async with httpx.AsyncClient(base_url=f"http://{LOOPBACK}:{web.port}") as client:
            assert (await client.get("/healthz")).status_code == 200
        pages[0].writer.close()
        while len(newest.live) != 4:  # noqa: ASYNC110 - nobody tells that a page has left
            await asyncio.sleep(0.01)
        for page in pages:
            page.writer.close()


@pytest.mark.integration
async def test_a_stream_ends_with_the_server_long_before_its_bound() -> None:
    """Pages hold up no end once they are told of it."""
    newest = make_newest()
    web = WebServer(create_app(newest, ScriptedMetrics()), shutdown_s=30.0)
    async with serving(web) as task, asyncio.timeout(10):
        pages = [await listening(web.port) for _ in range(3)]
        for page in pages:
            await page.event()
        newest.live.close()
        web.stop()
        await task
        for page in pages:
            await rest(page.reader)
            page.writer.close()


@pytest.mark.integration
async def test_a_client_that_does_not_read_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its buffer is full and stays full: it loses its connection and what is held for it."""
    monkeypatch.setattr(server, "STALL_TIMEOUT_S", 0.3)
    app = make_app()
    ends = asyncio.Event()

    @app.get("/endless")
    async def endless() -> StreamingResponse:
        async def pieces() -> AsyncIterator[bytes]:
            try:
                while True:
                    yield b"x" * 65_536
                    await asyncio.sleep(0)
            finally:
                ends.set()

        return StreamingResponse(pieces())

    web = WebServer(app, shutdown_s=0.1)
    async with serving(web), asyncio.timeout(10):
        _, writer = await ask(web.port, b"GET /endless HTTP/1.1\r\nHost: x\r\n\r\n")
        await ends.wait()
        writer.close()


@pytest.mark.integration
async def test_a_client_that_reads_again_in_time_is_not_cut_off(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ten megabytes, read by a slow client, arrive whole."""
    monkeypatch.setattr(server, "STALL_TIMEOUT_S", 1.0)
    app = make_app()

    @app.get("/large")
    async def large() -> StreamingResponse:
        async def pieces() -> AsyncIterator[bytes]:
            for _ in range(160):
                yield b"~" * 65_536

        return StreamingResponse(pieces())

    web = WebServer(app)
    async with serving(web), asyncio.timeout(10):
        reader, writer = await ask(
            web.port, b"GET /large HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
        )
        found = 0
        while piece := await reader.read(2**20):
            found += piece.count(b"~")
            await asyncio.sleep(0.02)
        writer.close()
    assert found == 160 * 65_536


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """Certificate for loopback that signs itself, and its key."""
    return Certificate(*make_certificate(tmp_path_factory.mktemp("tls"), ends=tomorrow()))


@pytest.mark.integration
async def test_with_a_certificate_only_tls_is_spoken(certificate: Certificate) -> None:
    """Who trusts the certificate is answered; who speaks without TLS is not."""
    certificate.check()
    web = WebServer(make_app(), certificate=certificate, shutdown_s=0.2)
    trusting = ssl.create_default_context(cafile=str(certificate.chain))
    async with serving(web), asyncio.timeout(10):
        url = f"https://{LOOPBACK}:{web.port}"
        async with httpx.AsyncClient(base_url=url, verify=trusting) as client:
            assert (await client.get("/healthz")).status_code == 200
        with pytest.raises(ssl.SSLCertVerificationError):
            await asyncio.open_connection(LOOPBACK, web.port, ssl=ssl.create_default_context())
        reader, writer = await ask(web.port, WHOLE_REQUEST)
        assert b"HTTP" not in await rest(reader)
        writer.close()


def test_certificate_and_key_that_do_not_fit_are_named(
    certificate: Certificate, tmp_path: Path
) -> None:
    """A file that is none, a key that is not there: before anything is started."""
    (tmp_path / "key.pem").write_text("no key")
    for key in (tmp_path / "key.pem", tmp_path / "nowhere.pem"):
        with pytest.raises(ConfigError) as caught:
            replace(certificate, key=key).check()
        assert str(key) in caught.value.faults[0]
        assert "cannot be used together" in caught.value.faults[0]
