"""The daemon's one HTTP port: what it serves by itself, and the server that runs it.

It answers from memory and never asks a device. It runs inside the daemon's own task group, so
it installs no signal handlers, never ends the process and closes within a bound. Every
connection has one too: a client that opens it and asks nothing is cut off.
"""

from __future__ import annotations

import asyncio
import base64
import contextlib
import hashlib
import html
import os
import socket
from collections.abc import Callable, Iterable, Iterator, MutableMapping
from dataclasses import dataclass
from typing import Any, Protocol

import uvicorn
from fastapi import FastAPI, Request, Response
from fastapi.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from watchedpot.core.model import Instant
from watchedpot.core.rules import ZoneKind
from watchedpot.core.snapshot import CellSnapshot, Snapshot
from watchedpot.core.units import seconds
from watchedpot.errors import WatchedpotError
from watchedpot.outputs.advice import (
    advice_sentence,
    charge_sentence,
    outdated_sentence,
    tip_sentence,
    unknown_sentence,
)
from watchedpot.outputs.freshness import is_outdated

MAX_CONNECTIONS = 100
BACKLOG = 128
REQUEST_TIMEOUT_S = 5.0
"""How long a client may take to ask, from connecting or since its last answer. [s]"""

_STYLE = """
body { background: #d9d9d6; color: #1f1f1d; font: 1.05rem/1.5 system-ui, sans-serif;
  max-width: 42rem; margin: 3rem auto; padding: 0 1rem; }
h1 { border-bottom: 4px double #1f1f1d; font-weight: 600; }
a { color: #1b3f66; }
.caution { border-left: 6px solid #1f1f1d; padding-left: 1rem; }
"""
_STYLE_HASH = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<title>Watched Pot</title>
<style>{style}</style>
</head>
<body>
<h1>Watched Pot</h1>
<p>The thermal account of the adhesive in {cells}. Version {version}.</p>
<ul>
<li><a href="/advice">/advice</a>: what to do with each cell now, and how its charge stands</li>
<li><a href="/metrics">/metrics</a>: all figures, for Prometheus</li>
<li><a href="/healthz">/healthz</a>: whether this program itself is well</li>
<li><a href="/openapi.json">/openapi.json</a>: description of this interface</li>
</ul>
<div class="caution">
<p>This is not a safety device. It reads and computes; it switches nothing off. Keep every
temperature limiter, guard and interlock of the cell in service.</p>
<p>Some figures are estimates, and a figure that is missing is not a good one: where nothing can
be read, nothing is known.</p>
<p>Hot melt burns. Parts of a cell stay hot long after the heat is off.</p>
</div>
</body>
</html>
"""

_CLOSING = """\
This is not a safety device. It reads and computes; it switches nothing off. Keep every
temperature limiter, guard and interlock of the cell in service. Hot melt burns.
What is called "about" is an estimate and not a reading. Times are in UTC.
"""

_CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", _CONTENT_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)
"""Sent with every answer that does not carry its own of that name."""


class Encoder(Protocol):
    """What serves the metrics: ``watchedpot.outputs.metrics.Metrics``."""

    def encode(self, accept: str) -> tuple[bytes, str]:
        """Body and content type for an ``Accept`` header."""
        ...


@dataclass(frozen=True, slots=True)
class StandStill:
    """A part of the daemon that does not advance, and for how long."""

    what: str
    for_s: float


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the daemon itself is well, whatever its devices do."""

    is_healthy: bool
    stands_still: tuple[StandStill, ...]


def health(snapshot: Snapshot, now: Instant, *, limit_s: float) -> Health:
    """Whether polls, evaluation and commits have advanced lately.

    A device that does not answer still gives rows that say so, and these are evaluated and
    committed: a silent device is not an unhealthy daemon.

    Parameters
    ----------
    snapshot
        The newest one.
    now
        The present moment.
    limit_s
        How long each may stand still. [s]
    """
    committed = snapshot.ledger.last_commit or snapshot.started
    progress = {f"polls of {cell.id}": cell.at.mono_ns for cell in snapshot.cells}
    progress |= {"evaluation": snapshot.at.mono_ns, "commit": committed.mono_ns}
    started_ns = snapshot.started.mono_ns
    stands_still = []
    for what, at_ns in progress.items():
        # A row restored from an earlier run carries a time of that run's clock.
        since_ns = at_ns if started_ns <= at_ns <= now.mono_ns else started_ns
        age_s = seconds(now.mono_ns - since_ns)
        if age_s > limit_s:
            stands_still.append(StandStill(what, age_s))
    return Health(not stands_still, tuple(stands_still))


def advice_text(snapshot: Snapshot, now: Instant, *, cells: Iterable[str]) -> str:
    """What to do with each cell, how its charge and its nozzles stand, and what this is not.

    Parameters
    ----------
    snapshot
        The newest one.
    now
        The present moment: a cell of which nothing new has come for long is told as such.
    cells
        Every cell there should be; those that the snapshot lacks are told first.
    """
    shown = {cell.id for cell in snapshot.cells}
    parts = [unknown_sentence(name) for name in cells if name not in shown]
    parts += ["\n".join(_lines(cell, now)) for cell in snapshot.cells]
    return "\n\n".join((*(parts or ("Nothing is known of any cell.",)), _CLOSING))


def _lines(cell: CellSnapshot, now: Instant) -> Iterator[str]:
    """Lines of one cell; of one that nothing new has come of, only that."""
    if is_outdated(cell, now):
        yield outdated_sentence(cell)
        return
    yield advice_sentence(cell)
    yield charge_sentence(cell)
    for zone in cell.zones:
        if zone.kind is ZoneKind.NOZZLE:
            yield tip_sentence(zone, cell=cell.id)


def create_app(
    snapshot: Callable[[], Snapshot],
    metrics: Encoder,
    now: Callable[[], Instant],
    *,
    cells: Iterable[str] = (),
    stand_still_limit_s: float = 30.0,
) -> FastAPI:
    """What the daemon serves by itself; more routes may be added.

    Parameters
    ----------
    snapshot
        Gives the newest snapshot.
    metrics
        Encodes a scrape; it runs in a thread, one scrape at a time.
    now
        Gives the present moment.
    cells
        Every cell there should be, known yet or not.
    stand_still_limit_s
        How long polls, evaluation or commits may stand still before the daemon says that it
        is not well; in cell time. [s]
    """
    # The documentation pages of the framework load their code from the internet.
    app = FastAPI(title="Watched Pot", docs_url=None, redoc_url=None)
    one_scrape = asyncio.Semaphore(1)
    names = tuple(cells)

    @app.get("/", response_class=Response, include_in_schema=False)
    async def landing() -> Response:
        newest = snapshot()
        shown = ", ".join(cell.id for cell in newest.cells) or "no cell"
        page = _PAGE.format(
            style=_STYLE, cells=html.escape(shown), version=html.escape(newest.version)
        )
        policy = _CONTENT_POLICY.replace("style-src 'self'", f"style-src 'sha256-{_STYLE_HASH}'")
        return Response(
            page,
            media_type="text/html; charset=utf-8",
            headers={"content-security-policy": policy},
        )

    @app.get("/advice", response_class=PlainTextResponse)
    async def advice() -> str:
        """What to do with each cell now and why, and the outlook of its charge, as plain text."""
        return advice_text(snapshot(), now(), cells=names)

    @app.get("/metrics", response_class=Response)
    async def scrape(request: Request) -> Response:
        """All figures, in the text format of Prometheus or in OpenMetrics."""
        accept = request.headers.get("accept", "")
        async with one_scrape:
            body, content_type = await asyncio.to_thread(metrics.encode, accept)
        return Response(body, headers={"content-type": content_type})

    @app.get("/healthz", responses={503: {"model": Health}})
    async def healthz(response: Response) -> Health:
        """200 while polls, evaluation and commits advance, else 503 and what stands still."""
        found = health(snapshot(), now(), limit_s=stand_still_limit_s)
        if not found.is_healthy:
            response.status_code = 503
        return found

    return app


class StrictHeaders:
    """Adds the strict headers to every answer, those of errors included."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""

        async def send_strictly(message: Message) -> None:
            if message["type"] == "http.response.start":
                _add_headers(message)
            await send(message)

        await self._app(scope, receive, send_strictly)


def _add_headers(start: MutableMapping[str, Any]) -> None:
    """Add each strict header that the answer does not carry already."""
    headers = list(start.get("headers", ()))
    present = {name.lower() for name, _ in headers}
    start["headers"] = [*headers, *(pair for pair in _HEADERS if pair[0] not in present)]


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 connection that is cut off when no whole request arrives in time.

    uvicorn bounds the wait after an answer, but neither that for the first request nor that
    for the end of one begun (test_a_silent_connection_is_cut_off).
    """

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Start the time for the first request."""
        super().connection_made(transport)
        self._watch()

    def data_received(self, data: bytes) -> None:
        """Stop the time once a request is whole; a part of one does not buy more of it."""
        super().data_received(data)
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the time."""
        self._stop()
        super().connection_lost(exc)

    def _watch(self) -> None:
        cycle = self.cycle
        is_asking = cycle is None or cycle.response_complete or cycle.more_body
        if not is_asking:
            self._stop()
        elif self._deadline is None:
            self._deadline = self.loop.call_later(REQUEST_TIMEOUT_S, self.transport.abort)

    def _stop(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None


class _Server(uvicorn.Server):
    """uvicorn as a part of another program."""

    def __init__(self, config: uvicorn.Config, *, shutdown_s: float) -> None:
        super().__init__(config)
        self._shutdown_s = shutdown_s

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave all signals alone: the daemon has its own handlers."""
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let answers under way end within the bound, then cut off what is left."""
        try:
            async with asyncio.timeout(self._shutdown_s):
                await super().shutdown(sockets)
        except TimeoutError:
            pass
        finally:
            for task in self.server_state.tasks:
                task.cancel()
            for connection in tuple(self.server_state.connections):
                if isinstance(connection, H11Protocol):
                    connection.transport.abort()


class WebServer:
    """One HTTP server inside the daemon's task group; it serves once.

    Parameters
    ----------
    app
        What to serve; strict headers are added around it.
    shutdown_s
        How long answers under way may take to end when the server stops. [s]

    Attributes
    ----------
    is_bound : asyncio.Event
        Set once the port is ours and connections are taken.
    port : int
        The port that was bound, 0 before.
    """

    def __init__(self, app: ASGIApp, *, shutdown_s: float = 2.0) -> None:
        self.app = StrictHeaders(app)
        self.is_bound = asyncio.Event()
        self.port = 0
        config = uvicorn.Config(
            self.app,
            http=BoundedProtocol,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            proxy_headers=False,
            server_header=False,
            backlog=BACKLOG,
            limit_concurrency=MAX_CONNECTIONS,
        )
        self._server = _Server(config, shutdown_s=shutdown_s)

    def stop(self) -> None:
        """Ask ``serve`` to end: no new connections, answers under way may finish."""
        self._server.should_exit = True

    async def serve(self, host: str, port: int) -> None:
        """Serve until stopped or cancelled; either then takes at most the shutdown bound.

        When it returns or raises, the port is free and no connection is left open.

        Raises
        ------
        WatchedpotError
            The address cannot be bound.
        """
        listener = await _listener(host, port)
        self.port = listener.getsockname()[1]
        self.is_bound.set()
        try:
            await self._server.serve(sockets=[listener])
        except asyncio.CancelledError:
            if self._server.started:
                await self._server.shutdown([listener])
            raise
        finally:
            listener.close()


async def _listener(host: str, port: int) -> socket.socket:
    """Listening socket on the first address that a host name stands for."""
    where = f"web server {host}:{port}"
    effect = "nothing is served"
    try:
        loop = asyncio.get_running_loop()
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        family, _, _, _, address = found[0]
        return socket.create_server(address[:2], family=family, backlog=BACKLOG)
    except socket.gaierror as exc:
        raise WatchedpotError(
            where,
            f"the host name is not known ({exc.strerror})",
            effect=effect,
            hint="correct the host in the configuration",
        ) from exc
    except OSError as exc:
        raise WatchedpotError(
            where,
            f"the port cannot be bound ({os.strerror(exc.errno or 0)})",
            effect=effect,
            hint="see what else listens there, or configure another port",
        ) from exc
