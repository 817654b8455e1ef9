"""What a request must bring: without, with a wrong, with a revoked token, and in what form."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from outputs.web.asking import Heard, Seconds, get, make_app, request
from watchedpot.outputs.web import gate
from watchedpot.outputs.web.gate import ACTIONS, BODY_BYTES, TRIES, Doors, local_doors
from watchedpot.outputs.web.tokens import Tokens, line_of

TOKEN, OTHER = "annas-token", "bens-token"
NOTE = {"kind": "note", "target": "lens_4", "why": "looked at the bead"}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """File of two who may act."""
    file = tmp_path / "tokens"
    file.write_text(f"{line_of('anna', TOKEN)}\n{line_of('ben', OTHER)}\n")
    return file


def bearer(token: str) -> dict[str, str]:
    """Header with a token."""
    return {"authorization": f"Bearer {token}"}


async def act(app: FastAPI, token: str | None = TOKEN, **more: Any) -> httpx.Response:
    """One action."""
    headers = {**({} if token is None else bearer(token)), **more.pop("headers", {})}
    return await request(app, "POST", "/api/v1/actions", **({"json": NOTE} | more), headers=headers)


async def test_an_action_takes_a_token_that_somebody_has(path: Path) -> None:
    """Without, with a wrong and with a half one it is 401 and nothing is heard."""
    heard = Heard()
    app = make_app(enter=heard, doors=local_doors("127.0.0.1", Tokens(path)))
    local = {"host": "127.0.0.1:9464"}
    for token in (None, "wrong", ""):
        answer = await act(app, token, headers=local)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"
    basic = {"authorization": f"Basic {TOKEN}", **local}
    assert (await act(app, None, headers=basic)).status_code == 401
    assert heard.entries == []
    assert (await act(app, headers=local)).status_code == 200
    assert [entry.who for entry in heard.entries] == ["anna"]


async def test_a_revoked_token_ends_at_once(path: Path) -> None:
    """The line is gone, the next action is refused, the other holder goes on."""
    heard = Heard()
    app = make_app(enter=heard, doors=Doors(Tokens(path)))
    assert (await act(app)).status_code == 200
    await asyncio.to_thread(path.write_text, line_of("ben", OTHER))
    assert (await act(app)).status_code == 401
    assert (await act(app, OTHER)).status_code == 200
    assert [entry.who for entry in heard.entries] == ["anna", "ben"]


async def test_without_a_tokens_file_nobody_may_act() -> None:
    """Whatever token is sent; and the answer says why."""
    answer = await act(make_app(enter=Heard(), doors=Doors()))
    assert answer.status_code == 401
    assert "none are configured" in answer.json()["detail"]


async def test_who_says_the_name_of_a_token(path: Path) -> None:
    """A page asks it to show under whose name it acts; never without a token."""
    app = make_app(enter=Heard(), doors=Doors(Tokens(path)))
    assert (await get(app, "/api/v1/who", bearer(OTHER))).json() == {"name": "ben"}
    assert (await get(app, "/api/v1/who")).status_code == 401


CLOSED = ("/advice", "/api/v1/state", "/api/v1/alarms", "/api/v1/live", "/nothing_here")


@pytest.mark.parametrize("path_asked", CLOSED)
async def test_beyond_loopback_reading_takes_a_token(path: Path, path_asked: str) -> None:
    """Every path that is not named as open, those that do not exist too."""
    app = make_app(doors=Doors(Tokens(path), is_reading_open=False))
    assert (await get(app, path_asked)).status_code == 401
    assert (await request(app, "HEAD", path_asked)).status_code == 401
    if path_asked != "/api/v1/live":
        assert (await get(app, path_asked, bearer(TOKEN))).status_code in (200, 404)
        opened = make_app(doors=Doors(Tokens(path), is_reading_open=True))
        assert (await get(opened, path_asked)).status_code in (200, 404)


@pytest.mark.parametrize("path_asked", ["/", "/metrics", "/healthz", "/openapi.json"])
async def test_page_and_monitoring_are_open_everywhere(path: Path, path_asked: str) -> None:
    """The page holds nothing, and figures name no people."""
    app = make_app(doors=Doors(Tokens(path), is_reading_open=False))
    assert (await get(app, path_asked)).status_code == 200


async def test_a_path_below_static_opens_nothing_else(path: Path) -> None:
    """Dots in a path lead out of the open part in no spelling."""
    app = make_app(doors=Doors(Tokens(path), is_reading_open=False))
    for asked in ("/static/../api/v1/state", "/static/%2e%2e/api/v1/state", "//api/v1/state"):
        answer = await get(app, asked)
        assert answer.status_code in (401, 404)


@pytest.mark.parametrize(
    ("host", "is_heard"),
    [
        ("127.0.0.1", True),
        ("localhost:9464", True),
        ("LOCALHOST", True),
        ("[::1]:9464", True),
        ("127.0.0.2:1", True),
        ("elsewhere.example:9464", False),
        ("127.0.0.1.elsewhere.example", False),
        ("192.168.0.7", False),
        ("", False),
    ],
)
async def test_on_loopback_only_names_of_this_computer_are_heard(host: str, is_heard: bool) -> None:
    """A foreign name that was made to point here is refused: DNS rebinding."""
    app = make_app(doors=local_doors("127.0.0.2", None))
    answer = await get(app, "/api/v1/state", {"host": host})
    assert answer.status_code == (200 if is_heard else 421)


async def test_a_server_on_ipv6_loopback_is_asked_by_its_address() -> None:
    """In brackets, as a URL has it."""
    app = make_app(doors=local_doors("::1", None))
    assert (await get(app, "/healthz", {"host": "[::1]:9464"})).status_code == 200


async def test_wrong_tokens_are_told_to_wait_and_a_right_one_never_is(path: Path) -> None:
    """Ten wrong tries from an address, then 429 with the time to wait; nobody is locked out."""
    now_s = Seconds()
    app = make_app(enter=Heard(), doors=Doors(Tokens(path)), now_s=now_s)
    answers = [await act(app, f"wrong {n}") for n in range(TRIES + 2)]
    assert [one.status_code for one in answers] == [401] * TRIES + [429] * 2
    assert answers[-1].headers["retry-after"] == "6"
    assert (await act(app)).status_code == 200
    assert (await act(app, None)).status_code == 401
    now_s.now_s = 6.0
    assert (await act(app, "wrong")).status_code == 401


async def test_wrong_tries_of_one_network_count_together(path: Path) -> None:
    """Of IPv6 a customer has 2**64 addresses; another network starts anew."""
    app = make_app(enter=Heard(), doors=Doors(Tokens(path)))

    async def tried(address: str) -> int:
        transport = httpx.ASGITransport(app, client=(address, 1))
        async with httpx.AsyncClient(transport=transport, base_url="http://cell") as client:
            return (await client.get("/api/v1/who", headers=bearer("wrong"))).status_code

    found = [await tried(f"2001:db8::{n:x}") for n in range(TRIES + 1)]
    assert found == [401] * TRIES + [429]
    assert await tried("2001:db8:0:1::1") == 401
    assert [await tried("192.0.2.1") for _ in range(TRIES + 1)][-1] == 429
    assert await tried("192.0.2.2") == 401
    assert await tried("no address") == 401


async def test_actions_of_one_token_are_limited(path: Path) -> None:
    """A page gone wild fills no record; another person acts on."""
    heard = Heard()
    app = make_app(enter=heard, doors=Doors(Tokens(path)))
    statuses = [(await act(app)).status_code for _ in range(ACTIONS + 1)]
    assert statuses == [200] * ACTIONS + [429]
    assert (await act(app, OTHER)).status_code == 200
    assert len(heard.entries) == ACTIONS + 1


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""]
)
async def test_what_a_form_of_another_site_can_send_is_refused(path: Path, kind: str) -> None:
    """Only JSON is taken, which no form can send and no script without leave."""
    heard = Heard()
    app = make_app(enter=heard, doors=Doors(Tokens(path)))
    answer = await act(app, json=None, content=b'{"kind": "note"}', headers={"content-type": kind})
    assert answer.status_code == 415
    assert heard.entries == []
    typed = {"content-type": "Application/JSON; charset=utf-8"}
    assert (await act(app, headers=typed)).status_code == 200


async def test_no_other_site_is_given_leave(path: Path) -> None:
    """No header of CORS on a preflight, nor on an answer."""
    app = make_app(enter=Heard(), doors=Doors(Tokens(path)))
    asked = {"origin": "http://elsewhere.example", "access-control-request-method": "POST"}
    preflight = await request(app, "OPTIONS", "/api/v1/actions", headers=asked)
    assert preflight.status_code == 405
    for answer in (preflight, await act(app, headers=asked)):
        assert not [name for name in answer.headers if name.startswith("access-control-")]


async def test_a_body_is_taken_up_to_64_kb(path: Path) -> None:
    """By what is announced and by what comes; 413 beyond."""
    app = make_app(enter=Heard(), doors=Doors(Tokens(path)))
    fits = b'{"kind": "note", "target": "lens_4", "why": "x"}'.ljust(BODY_BYTES)
    json_ = {"content-type": "application/json"}

    async def pieces() -> Any:
        for _ in range(3):
            yield b" " * (BODY_BYTES // 2)

    assert (await act(app, json=None, content=fits, headers=json_)).status_code == 200
    assert (await act(app, json=None, content=fits + b" ", headers=json_)).status_code == 413
    assert (await act(app, json=None, content=pieces(), headers=json_)).status_code == 413
    for length in ("-1", "1e3", "99999999999999999999"):
        odd = {**json_, "content-length": length}
        assert (await act(app, json=None, content=b"{}", headers=odd)).status_code == 413


async def test_a_client_that_goes_away_in_its_body_is_nobody(path: Path) -> None:
    """The app behind hears that it is gone."""
    seen = []

    async def app(_: Any, receive: Any, __: Any) -> None:
        seen.append((await receive())["type"])

    async def receive() -> Any:
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        raise AssertionError(message)

    headers = [
        (b"authorization", f"Bearer {TOKEN}".encode()),
        (b"content-type", b"application/json"),
    ]
    scope = {"type": "http", "method": "POST", "path": "/x", "headers": headers, "client": None}
    await gate.Gate(app, Doors(Tokens(path)), Seconds())(scope, receive, send)
    assert seen == ["http.disconnect"]


async def test_nothing_but_http_passes() -> None:
    """No web socket, nothing else that a server may speak."""

    async def app(*_: Any) -> None:
        raise AssertionError

    await gate.Gate(app, Doors(), Seconds())({"type": "websocket"}, None, None)  # type: ignore[arg-type]
