"""The server that runs what the daemon serves over its one HTTP port.

It runs inside the daemon's own task group, so it installs no signal handlers, never ends the
process and closes within a bound. Every connection has one too: a client that opens it and asks
nothing is cut off, and so is one that does not read its answer.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from watchedpot.errors import ConfigError, WatchedpotError
from watchedpot.outputs.web.headers import StrictHeaders
from watchedpot.outputs.web.live import MAX_LISTENERS

MAX_CONNECTIONS = 100
"""Connections besides those of pages that listen, so that these starve nobody. [1]"""

BACKLOG = 128
REQUEST_TIMEOUT_S = 5.0
"""How long a client may take to ask, from connecting or since its last answer. [s]"""

STALL_TIMEOUT_S = 20.0
"""How long a client may leave a full buffer unread. [s]"""


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 connection that is cut off when no whole request arrives, or no answer leaves.

    uvicorn bounds the wait after an answer, but neither that for the first request nor that
    for the end of one begun (test_a_silent_connection_is_cut_off), nor that for a client that
    stops reading (test_a_client_that_does_not_read_is_cut_off).
    """

    _deadline: asyncio.TimerHandle | None = None
    _stall: asyncio.TimerHandle | None = None

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
        self._flow()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Start the time in which a full buffer must be read."""
        super().pause_writing()
        self._flow()
        self._stall = self.loop.call_later(STALL_TIMEOUT_S, self.transport.abort)

    def resume_writing(self) -> None:
        """Stop it."""
        self._flow()
        super().resume_writing()

    def _flow(self) -> None:
        if self._stall is not None:
            self._stall.cancel()
            self._stall = None

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


@dataclass(frozen=True, slots=True)
class Certificate:
    """What proves to a browser that this is the server it asked for: certificate chain and key."""

    chain: Path
    key: Path

    def check(self) -> None:
        """Use both once, as a start does.

        Raises
        ------
        ConfigError
            They cannot be read, or do not belong together.
        """
        try:
            ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(
                self.chain, self.key, password=""
            )
        except (OSError, ValueError) as exc:
            where = "tls certificate"
            problem = exc.strerror if isinstance(exc, OSError) and exc.strerror else exc
            fault = f"{self.chain} and {self.key} cannot be used together ({problem})"
            raise ConfigError(where, [f"{where}: {fault}"]) from exc


class WebServer:
    """One HTTP server inside the daemon's task group; it serves once.

    Parameters
    ----------
    app
        What to serve; strict headers are added around it.
    shutdown_s
        How long answers under way may take to end when the server stops. [s]
    certificate
        For TLS; None: without.

    Attributes
    ----------
    is_bound : asyncio.Event
        Set once the port is ours and connections are taken.
    port : int
        The port that was bound, 0 before.
    """

    def __init__(
        self, app: ASGIApp, *, shutdown_s: float = 2.0, certificate: Certificate | None = None
    ) -> None:
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
            limit_concurrency=MAX_CONNECTIONS + MAX_LISTENERS,
            ssl_certfile=certificate.chain if certificate else None,
            ssl_keyfile=certificate.key if certificate else None,
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
