"""An app over hand-built snapshots, and how tests ask it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import httpx
from fastapi import FastAPI

from outputs.samples import CHARGE, RUN, START_UTC_NS, S
from watchedpot.core.model import Entry, Instant
from watchedpot.core.snapshot import CellSnapshot, LedgerSnapshot, Snapshot
from watchedpot.outputs.web.actions import Outcome
from watchedpot.outputs.web.app import Encoder, Newest, create_app
from watchedpot.outputs.web.gate import Doors
from watchedpot.outputs.web.record import Record
from watchedpot.outputs.web.server import WebServer


def at(seconds: float) -> Instant:
    """Moment so long after the daemon started; the computer had run for a day by then."""
    ns = round(seconds * S)
    return Instant(START_UTC_NS + ns, 86_400 * S + ns)


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


@dataclass
class Seconds:
    """A real time that a test moves."""

    now_s: float = 0.0

    def __call__(self) -> float:
        """The present moment. [s]."""
        return self.now_s


@dataclass
class Heard:
    """Takes what people say, and answers as it was told to."""

    outcome: Outcome = field(
        default_factory=lambda: Outcome(is_taken=True, is_recorded=True, sentence="done")
    )
    entries: list[Entry] = field(default_factory=list)

    async def __call__(self, entry: Entry) -> Outcome:
        """Keep what was said."""
        self.entries.append(entry)
        return self.outcome


def make_newest(
    snapshot: Snapshot | None = None,
    *,
    now: Instant | None = None,
    now_s: Seconds | None = None,
    **more: Any,
) -> Newest:
    """One snapshot, by default at the end of its first hour."""
    moment = now if now is not None else at(3600.0)
    return Newest(snapshot or make_snapshot(), lambda: moment, now_s or Seconds(), **more)


def make_app(
    snapshot: Snapshot | None = None,
    *,
    now: Instant | None = None,
    metrics: Encoder | None = None,
    enter: Heard | None = None,
    record: Record | None = None,
    doors: Doors | None = None,
    **more: Any,
) -> FastAPI:
    """App over one snapshot."""
    return create_app(
        make_newest(snapshot, now=now, **more),
        metrics or ScriptedMetrics(),
        enter=enter,
        record=record,
        doors=doors,
    )


async def get(app: FastAPI, path: str, headers: Mapping[str, str] | None = None) -> httpx.Response:
    """One answer of the app behind its strict headers."""
    return await request(app, "GET", path, headers=headers)


async def request(app: FastAPI, method: str, path: str, **more: Any) -> httpx.Response:
    """The same with any method and body."""
    transport = httpx.ASGITransport(WebServer(app).app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://cell") as client:
        return await client.request(method, path, **more)
