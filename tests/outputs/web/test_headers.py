"""The strict headers."""

from __future__ import annotations

from outputs.web.asking import get, make_app
from watchedpot.outputs.web.headers import CONTENT_POLICY, StrictHeaders


async def test_every_answer_forbids_framing_sniffing_keeping_and_sharing() -> None:
    """As the OWASP cheat sheet on HTTP headers asks (from memory)."""
    headers = (await get(make_app(), "/healthz")).headers
    assert headers["content-security-policy"] == CONTENT_POLICY
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


def test_the_policy_names_no_other_place_and_no_inline_code() -> None:
    """Nothing but this server itself."""
    sources = {word for part in CONTENT_POLICY.split("; ") for word in part.split()[1:]}
    assert sources == {"'none'", "'self'"}


async def test_other_messages_pass_as_they_are() -> None:
    """Only the start of an answer has headers."""
    sent = []

    async def app(_: object, __: object, send: object) -> None:
        await send({"type": "http.response.body", "body": b"x"})  # type: ignore[operator]

    async def send(message: object) -> None:
        sent.append(message)

    await StrictHeaders(app)({"type": "http"}, None, send)  # type: ignore[arg-type]
    assert sent == [{"type": "http.response.body", "body": b"x"}]
