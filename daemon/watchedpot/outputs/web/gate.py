"""What a request must bring before anything of it is looked at.

Everything is closed unless it is named here as open, so that a new path is safe before anybody
thinks of it. To do something always takes a token. To read takes none on loopback, where whoever
asks is logged in on this computer; beyond it reading takes one too, unless the configuration opens
it, since the record names people and parts. Open everywhere are the page itself, which holds
nothing, and what a monitoring system asks: ``/metrics`` and ``/healthz`` tell figures and no names
of people.

A browser sends a token only where a script of ours has put it into a header: no other site can make
it act, and without CORS none can read. On loopback the name in ``Host`` must be one of this
computer, so that a foreign name that was made to point here reads nothing either.

A wrong token costs: after a few from one address it is told to wait. A right one is let in even
then, since it cannot be found by trying, and nobody shall keep a person from an alarm by trying.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import ceil
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from watchedpot.outputs.web.limits import Limit
from watchedpot.outputs.web.tokens import Holder, Tokens

BODY_BYTES = 64 * 1024
"""Longest body of a request. [B]"""

OPEN = frozenset({"/", "/favicon.ico", "/metrics", "/healthz", "/openapi.json"})
OPEN_BELOW = "/static/"
WHO = "/api/v1/who"

TRIES, TRIES_PER_S = 10, 1.0 / 6.0
ACTIONS, ACTIONS_PER_S = 30, 1.0
"""Wrong tokens from one address, and actions with one token: at once [1], and then a second."""

_READING = ("GET", "HEAD", "OPTIONS")


@dataclass(frozen=True, slots=True)
class Doors:
    """Who may ask what.

    Attributes
    ----------
    tokens
        None: nobody may act.
    is_reading_open
        Whether reading takes no token.
    hosts
        Names by which this computer may be asked; None: any.
    """

    tokens: Tokens | None = None
    is_reading_open: bool = True
    hosts: frozenset[str] | None = None


LOCAL_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})


def local_doors(host: str, tokens: Tokens | None) -> Doors:
    """The doors of a server that only this computer can reach, at an address of loopback."""
    written = f"[{host}]" if ":" in host else host.lower()
    return Doors(tokens, is_reading_open=True, hosts=LOCAL_NAMES | {written})


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks: the name of a token, empty without one, and whether it is still good."""

    name: str
    is_let_in: Callable[[], bool]


class _Refused(Exception):  # noqa: N818 - an answer, no error
    """An answer that ends a request."""

    def __init__(self, status: int, detail: str, **headers: str) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.headers = headers


class Gate:
    """Stands before an app and lets in what may be asked; the app finds the caller in its state.

    Parameters
    ----------
    app
        What is behind it.
    doors
        Who may ask what.
    now_s
        A real time that never steps. [s]
    """

    def __init__(self, app: ASGIApp, doors: Doors, now_s: Callable[[], float]) -> None:
        self._app = app
        self._doors = doors
        self._tries = Limit(burst=TRIES, per_s=TRIES_PER_S, now_s=now_s)
        self._actions = Limit(burst=ACTIONS, per_s=ACTIONS_PER_S, now_s=now_s)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            return
        try:
            headers = _headers(scope["headers"])
            self._check_host(headers)
            holder = self._holder(scope, headers)
            scope.setdefault("state", {})["caller"] = self._caller(holder)
            if scope["method"] not in _READING:
                receive = await self._whole(headers, receive, holder)
        except _Refused as refused:
            await _answer(refused, send)
            return
        await self._app(scope, receive, send)

    def _check_host(self, headers: dict[str, str]) -> None:
        hosts = self._doors.hosts
        if hosts is not None and _name(headers.get("host", "")) not in hosts:
            raise _Refused(421, "this computer is not asked by that name; ask localhost")

    def _holder(self, scope: Scope, headers: dict[str, str]) -> Holder | None:
        """Who asks; None where nobody needs to say."""
        is_reading, path = scope["method"] in _READING, scope["path"]
        if is_reading and (path in OPEN or path.startswith(OPEN_BELOW)):
            return None
        if is_reading and self._doors.is_reading_open and path != WHO:
            return None
        kind, _, token = headers.get("authorization", "").partition(" ")
        challenge = {"www-authenticate": "Bearer"}
        if self._doors.tokens is None:
            raise _Refused(401, "nobody has a token: none are configured", **challenge)
        if kind.lower() != "bearer" or not token.strip():
            raise _Refused(401, "expected a token", **challenge)
        holder = self._doors.tokens.holder(token.strip())
        if holder is None:
            self._wait(self._tries.take(_address(scope)), "too many wrong tokens")
            raise _Refused(401, "nobody has this token, or it was revoked", **challenge)
        return holder

    def _caller(self, holder: Holder | None) -> Caller:
        tokens = self._doors.tokens
        if holder is None or tokens is None:
            return Caller("", lambda: True)
        return Caller(holder.name, lambda: tokens.is_valid(holder))

    async def _whole(
        self, headers: dict[str, str], receive: Receive, holder: Holder | None
    ) -> Receive:
        """The same request with its body read, if it is JSON of no more than it may have."""
        self._wait(self._actions.take(holder.digest if holder else ""), "too many actions")
        if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            raise _Refused(415, "expected application/json")
        told = headers.get("content-length", "0")
        if not told.isascii() or not told.isdigit() or int(told) > BODY_BYTES:
            raise _too_large()
        body, is_more = bytearray(), True
        while is_more:
            message = await receive()
            if message["type"] != "http.request":
                return _again(message, receive)
            body += message.get("body", b"")
            is_more = message.get("more_body", False)
            if len(body) > BODY_BYTES:
                raise _too_large()
        return _again({"type": "http.request", "body": bytes(body), "more_body": False}, receive)

    @staticmethod
    def _wait(wait_s: float, detail: str) -> None:
        """Refuse for a while, if there is one to wait."""
        if wait_s > 0.0:
            raise _Refused(429, detail, **{"retry-after": str(ceil(wait_s))})


def _too_large() -> _Refused:
    return _Refused(413, f"expected at most {BODY_BYTES} bytes")


def _headers(pairs: Iterable[tuple[bytes, bytes]]) -> dict[str, str]:
    """Headers by name; of one that is told twice the last."""
    return {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in pairs}


def _name(host: str) -> str:
    """A host without its port, in small letters."""
    name = host.strip().lower()
    return name if name.endswith("]") else name.rpartition(":")[0] or name


def _address(scope: Scope) -> str:
    """Where a request comes from; of an IPv6 address the network that one customer has."""
    host = (scope.get("client") or ("",))[0]
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return str(host)
    if address.version == 6:
        return str(ipaddress.ip_network(f"{host}/64", strict=False))
    return host


def _again(message: Message, receive: Receive) -> Receive:
    """A receive that first gives a message that was taken from another."""
    waiting = [message]

    async def receive_again() -> Message:
        return waiting.pop() if waiting else await receive()

    return receive_again


async def _answer(refused: _Refused, send: Send) -> None:
    body = json.dumps({"detail": refused.detail}).encode()
    headers: dict[str, Any] = {
        "content-type": "application/json",
        "content-length": str(len(body)),
        # A body that was not read would be taken for the next request.
        "connection": "close",
        **refused.headers,
    }
    await send(
        {
            "type": "http.response.start",
            "status": refused.status,
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
