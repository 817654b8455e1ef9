"""What the daemon serves over HTTP by itself, and how its server starts and ends."""

from __future__ import annotations

import asyncio
import signal
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace

import httpx
import pytest
from fastapi import FastAPI, Response

from outputs import samples
from outputs.samples import CHARGE, RUN
from watchedpot.core.model import Instant
from watchedpot.core.snapshot import CellSnapshot, LedgerSnapshot, Snapshot
from watchedpot.errors import WatchedpotError
from watchedpot.outputs.web import server
from watchedpot.outputs.web.server import Health, StandStill, WebServer, create_app, health

S = 1_000_000_000
LOOPBACK = "127.0.0.1"


def at(seconds: float) -> Instant:
    """Moment so long after the daemon started; the computer had run for a day by then."""
    ns = round(seconds * S)
    return Instant(1_762_000_000 * S + ns, 86_400 * S + ns)


def make_cell(id_: str, *, newest_s: float) -> CellSnapshot:
    """Cell without zones whose newest row is of that moment."""
    return CellSnapshot(
        id=id_,
        at=at(newest_s),
        zones=(),
        alarms=(),
        is_dispensing=None,
        is_in_production=None,
        parts=None,
        charge=CHARGE,
        advice=RUN,
        ambient_c=None,
        ignored_rows=0,
    )


def make_snapshot() -> Snapshot:
    """Daemon in which everything advanced within the last second of the first hour."""
    return Snapshot(
        at=at(3599.9),
        started=at(0.0),
        version="0.1.0<b>",
        config_revision="3f2a",
        cells=(make_cell("lens_4", newest_s=3599.0), make_cell("housing_7", newest_s=3599.5)),
        sources=(),
        ledger=LedgerSnapshot(
            is_writing=True,
            commits=10,
            failures=0,
            events=0,
            rows=10,
            pending=0,
            capacity=60,
            dropped=0,
            size_bytes=4096,
            last_commit=at(3599.2),
        ),
    )


class ScriptedMetrics:
    """Encoder that returns the header it was asked with."""

    def encode(self, accept: str) -> tuple[bytes, str]:
        """Body that names the wish."""
        return f"asked for {accept}\n".encode(), "text/plain; version=0.0.4; charset=utf-8"


class BrokenMetrics:
    """Encoder that cannot."""

    def encode(self, accept: str) -> tuple[bytes, str]:
        """Raise with a text that must stay inside."""
        raise RuntimeError(f"secret of {accept}")


def make_app(snapshot: Snapshot | None = None, *, now: Instant | None = None) -> FastAPI:
    """App over one snapshot, by default at the end of its first hour."""
    newest = snapshot if snapshot is not None else make_snapshot()
    moment = now if now is not None else at(3600.0)
    return create_app(lambda: newest, ScriptedMetrics(), lambda: moment)


async def get(app: FastAPI, path: str, headers: dict[str, str] | None = None) -> httpx.Response:
    """One answer of the app behind its strict headers."""
    transport = httpx.ASGITransport(WebServer(app).app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://cell") as client:
        return await client.get(path, headers=headers)


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


def test_all_that_advanced_lately_is_healthy() -> None:
    """Polls, evaluation and commit within the limit are health."""
    assert health(make_snapshot(), at(3600.0), limit_s=1.0) == Health(True, ())


def test_what_stands_still_is_named_with_its_age() -> None:
    """Each part of the daemon is judged alone."""
    snapshot = make_snapshot()
    stuck = replace(snapshot, cells=(make_cell("lens_4", newest_s=3500.0), snapshot.cells[1]))
    assert health(stuck, at(3600.0), limit_s=30.0).stands_still == (
        StandStill("polls of lens_4", 100.0),
    )
    full = replace(snapshot, ledger=replace(snapshot.ledger, last_commit=at(3560.0)))
    assert health(full, at(3600.0), limit_s=30.0).stands_still == (StandStill("commit", 40.0),)
    everything = health(snapshot, at(3700.0), limit_s=30.0)
    assert [each.what for each in everything.stands_still] == [
        "polls of lens_4",
        "polls of housing_7",
        "evaluation",
        "commit",
    ]


def test_a_start_is_given_the_whole_limit() -> None:
    """Before the first row and commit, the time runs from the start of the daemon."""
    snapshot = make_snapshot()
    restored = replace(
        snapshot,
        at=at(0.0),
        cells=(make_cell("lens_4", newest_s=-9000.0), make_cell("housing_7", newest_s=9e6)),
        ledger=replace(snapshot.ledger, last_commit=None),
    )
    assert health(restored, at(29.0), limit_s=30.0).is_healthy
    late = health(restored, at(31.0), limit_s=30.0).stands_still
    assert {each.for_s for each in late} == {31.0}
    assert len(late) == 4


async def test_health_is_200_or_503() -> None:
    """The status says whether the daemon is well, the body what stands still."""
    well = await get(make_app(), "/healthz")
    assert (well.status_code, well.json()) == (200, {"is_healthy": True, "stands_still": []})
    stuck = await get(make_app(now=at(3629.6)), "/healthz")
    assert stuck.status_code == 503
    found = [each["what"] for each in stuck.json()["stands_still"]]
    assert found == ["polls of lens_4", "polls of housing_7", "commit"]


async def test_a_silent_device_is_not_an_unhealthy_daemon() -> None:
    """Rows that say that nothing was read are rows: the daemon lives as long as they come."""
    cells = (replace(make_cell("lens_4", newest_s=3599.9), is_dispensing=None),)
    answer = await get(make_app(replace(make_snapshot(), cells=cells, sources=())), "/healthz")
    assert answer.status_code == 200


async def test_the_landing_page_links_and_cautions() -> None:
    """It names the cells and the metrics, and says that this is not a safety device."""
    answer = await get(make_app(), "/")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert 'href="/metrics"' in answer.text
    assert 'href="/advice"' in answer.text
    assert "lens_4, housing_7" in answer.text
    assert "not a safety device" in answer.text
    assert "0.1.0&lt;b&gt;" in answer.text
    assert "style-src 'sha256-" in answer.headers["content-security-policy"]


async def test_the_advice_is_plain_text_for_each_cell() -> None:
    """What to do, the charge and each tip stand on a line of their own, then what this is not."""
    whole = replace(samples.make_cell(), at=at(3599.5))
    snapshot = replace(make_snapshot(), cells=(whole, make_snapshot().cells[1]))
    answer = await get(make_app(snapshot), "/advice")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    first, second, closing = answer.text.split("\n\n")
    assert first.splitlines() == [
        "lens_4: RUN: every zone is ready and in its window",
        "lens_4 charge charge_0042: 35 % of its pot life used; at this temperature expires about "
        "15:31; empty about 16:46 at the mean use; so about 34 % would be left",
        "lens_4 nozzle: tip about 110 +- 1 degC (from geometry)",
    ]
    assert second.startswith("housing_7: RUN: ")
    assert "not a safety device" in closing
    assert '"about" is an estimate' in closing


async def test_an_advice_of_the_past_is_not_shown() -> None:
    """A cell of which nothing new came within ten seconds is to be checked, the other goes on."""
    snapshot = replace(
        make_snapshot(),
        cells=(make_cell("lens_4", newest_s=3590.0), make_cell("housing_7", newest_s=3590.1)),
    )
    first, second, _ = (await get(make_app(snapshot, now=at(3600.05)), "/advice")).text.split(
        "\n\n"
    )
    assert first == (
        "lens_4: CHECK DATA: nothing new since 13:26:30; hold dispensing and check that this "
        "program and the cell's controller run"
    )
    assert second.startswith("housing_7: RUN: ")


async def test_a_cell_that_is_not_known_yet_is_told() -> None:
    """A configured cell without a snapshot has a line that says so."""
    snapshot = replace(make_snapshot(), cells=(make_cell("lens_4", newest_s=3599.9),))
    app = create_app(
        lambda: snapshot,
        ScriptedMetrics(),
        lambda: at(3600.0),
        cells=iter(("lens_4", "housing_7")),
    )
    for _ in range(2):
        first, second, _closing = (await get(app, "/advice")).text.split("\n\n")
        assert first == "housing_7: CHECK DATA: nothing is known of it yet; hold dispensing"
        assert second.startswith("lens_4: RUN: ")


async def test_without_any_cell_nothing_is_known() -> None:
    """An empty page would look like all was well."""
    answer = await get(make_app(replace(make_snapshot(), cells=())), "/advice")
    assert answer.text.startswith("Nothing is known of any cell.\n\n")


async def test_the_advice_is_part_of_the_interface() -> None:
    """The description of the interface says that it is plain text."""
    described = (await get(make_app(), "/openapi.json")).json()["paths"]["/advice"]["get"]
    assert list(described["responses"]["200"]["content"]) == ["text/plain"]
    assert described["description"].startswith("What to do with each cell now")


async def test_metrics_are_encoded_as_asked() -> None:
    """The Accept header goes to the encoder, its content type comes back as it is."""
    answer = await get(make_app(), "/metrics", {"accept": "application/openmetrics-text"})
    assert answer.text == "asked for application/openmetrics-text\n"
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"


@pytest.mark.parametrize(
    "path", ["/", "/advice", "/metrics", "/healthz", "/openapi.json", "/nothing_here"]
)
async def test_every_answer_has_the_strict_headers(path: str) -> None:
    """No sniffing, no keeping, nothing loaded from elsewhere, no other site may read it."""
    answer = await get(make_app(), path, {"origin": "http://elsewhere.example"})
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["content-security-policy"].startswith("default-src 'none'")
    assert not [name for name in answer.headers if name.startswith("access-control-")]


async def test_an_answer_may_carry_its_own_caching() -> None:
    """A strict header never stands twice."""
    app = make_app()

    @app.get("/picture")
    async def picture() -> Response:
        return Response(b"", headers={"Cache-Control": "max-age=60"})

    answer = await get(app, "/picture")
    assert answer.headers.get_list("cache-control") == ["max-age=60"]


async def test_pages_that_load_code_from_the_internet_are_off() -> None:
    """The description of the interface stays; the pages around it do not exist."""
    assert (await get(make_app(), "/openapi.json")).json()["info"]["title"] == "Watched Pot"
    for path in ("/docs", "/redoc", "/docs/oauth2-redirect"):
        assert (await get(make_app(), path)).status_code == 404


async def test_an_error_inside_stays_inside() -> None:
    """An answer to a fault of ours carries no text of it, and still the strict headers."""
    app = create_app(make_snapshot, BrokenMetrics(), lambda: at(3600.0))
    answer = await get(app, "/metrics", {"accept": "nothing"})
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"


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
