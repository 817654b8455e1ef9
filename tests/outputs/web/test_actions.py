"""What people say through the interface, and what they are told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import httpx
import pytest

from outputs.web.asking import Heard, make_app, request
from watchedpot.core.model import Check, EntryKind, Loading
from watchedpot.outputs.web.actions import Outcome
from watchedpot.outputs.web.gate import Doors
from watchedpot.outputs.web.tokens import Tokens, line_of

TOKEN = "annas-token"


@pytest.fixture
def tokens(tmp_path: Path) -> Tokens:
    """One who may act."""
    path = tmp_path / "tokens"
    path.write_text(line_of("anna", TOKEN))
    return Tokens(path)


async def say(tokens: Tokens, heard: Heard, body: str | bytes) -> httpx.Response:
    """One action with a body as it is written."""
    headers = {"authorization": f"Bearer {TOKEN}", "content-type": "application/json"}
    app = make_app(enter=heard, doors=Doors(tokens))
    return await request(app, "POST", "/api/v1/actions", content=body, headers=headers)


async def test_all_that_is_said_reaches_the_core(tokens: Tokens) -> None:
    """A charge with what is known of it, and a check; who is the name of the token."""
    heard = Heard()
    loading = {"age_s": 0, "preheat_c": 60, "preheat_s": 900, "lot": "A7", "mass_kg": 0.03}
    loaded = {"kind": "charge_loaded", "target": "lens_4", "subject": "43", "loading": loading}
    assert (await say(tokens, heard, json.dumps(loaded))).status_code == 200
    check = {
        "kind": "check",
        "target": "lens_4/nozzle",
        "check": {"true_c": 120.0, "read_c": 118.5},
    }
    assert (await say(tokens, heard, json.dumps(check))).status_code == 200
    first, second = heard.entries
    assert (first.kind, first.target, first.subject) == (EntryKind.CHARGE_LOADED, "lens_4", "43")
    assert first.loading == Loading(
        age_s=0.0, preheat_c=60.0, preheat_s=900.0, mass_kg=0.03, lot="A7"
    )
    assert second.check == Check(true_c=120.0, read_c=118.5)
    assert {first.who, second.who} == {"anna"}


@pytest.mark.parametrize("kind", EntryKind)
async def test_every_kind_of_entry_can_be_said(tokens: Tokens, kind: EntryKind) -> None:
    """What makes no sense is for the core to refuse."""
    heard = Heard()
    said = {"kind": kind.value, "target": "lens_4", "is_one_shot": True, "word": "real"}
    assert (await say(tokens, heard, json.dumps(said))).status_code == 200
    assert (heard.entries[0].kind, heard.entries[0].is_one_shot) == (kind, True)


@pytest.mark.parametrize(
    ("outcome", "status", "is_taken"),
    [
        (Outcome(is_taken=True, is_recorded=True, sentence="noted"), 200, True),
        (Outcome(is_taken=False, is_recorded=True, sentence="noted"), 409, False),
        (Outcome(is_taken=True, is_recorded=False, sentence="noted"), 503, False),
        (Outcome(is_taken=False, is_recorded=False, sentence="noted"), 503, False),
    ],
)
async def test_the_answer_says_what_became_of_it(
    tokens: Tokens, outcome: Outcome, status: int, *, is_taken: bool
) -> None:
    """Taken and recorded; refused by the core; not recorded, and so not to be counted on."""
    answer = await say(tokens, Heard(outcome), '{"kind": "note", "target": "lens_4"}')
    assert answer.status_code == status
    assert answer.json() == {"is_taken": is_taken, "sentence": "noted"}
    assert ("retry-after" in answer.headers) == (status == 503)


GOOD: dict[str, Any] = {"kind": "note", "target": "lens_4"}


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b'"note"',
        b"\xff\xfe",
        b"[" * 30_000,
        b'{"kind": "note"}',
        b'{"kind": "open_valve", "target": "lens_4"}',
        json.dumps(GOOD | {"who": "ben"}).encode(),
        json.dumps(GOOD | {"why": "x" * 2001}).encode(),
        json.dumps(GOOD | {"why": "\udc80"}).encode(),
        json.dumps(GOOD | {"\udc80": 1}).encode(),
        json.dumps(GOOD | {"duration_s": float("nan")}).encode(),
        json.dumps(GOOD | {"duration_s": float("inf")}).encode(),
        json.dumps(GOOD | {"check": {"true_c": 1}}).encode(),
        json.dumps(GOOD | {"loading": {"expires_utc_ns": 2**63}}).encode(),
    ],
    ids=lambda body: body[:40].decode(errors="replace"),
)
async def test_what_is_no_action_is_refused_and_heard_by_nobody(
    tokens: Tokens, body: bytes
) -> None:
    """Who acts cannot be said; numbers are numbers; the answer is JSON whatever came."""
    heard = Heard()
    answer = await say(tokens, heard, body)
    assert answer.status_code == (400 if body.startswith(b"[[") else 422)
    assert isinstance(answer.json()["detail"], str)
    assert heard.entries == []
