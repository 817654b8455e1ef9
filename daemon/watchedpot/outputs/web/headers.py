"""The strict headers of every answer."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
"""Everything comes from here, nothing runs that is written into a page."""

_HEADERS = (
    (b"content-security-policy", CONTENT_POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=()"),
    (b"cache-control", b"no-store"),
)
"""Sent with every answer that does not carry its own of that name."""


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
