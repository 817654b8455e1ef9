"""What the daemon serves: page, interface, metrics, health; all from memory or the record."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import html
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, PlainTextResponse
from starlette.responses import StreamingResponse

from watchedpot.core.model import Instant
from watchedpot.core.rules import ZoneKind
from watchedpot.core.snapshot import CellSnapshot, Snapshot
from watchedpot.outputs.advice import (
    advice_sentence,
    charge_sentence,
    outdated_sentence,
    tip_sentence,
    unknown_sentence,
)
from watchedpot.outputs.freshness import is_outdated
from watchedpot.outputs.web.actions import REFUSALS, Enter, actions
from watchedpot.outputs.web.alarms import SuspectsSince, alarm
from watchedpot.outputs.web.gate import Doors, Gate
from watchedpot.outputs.web.headers import CONTENT_POLICY
from watchedpot.outputs.web.health import health
from watchedpot.outputs.web.live import Live, Rendering
from watchedpot.outputs.web.model import Alarms, Health, State
from watchedpot.outputs.web.record import Asking, Record, past
from watchedpot.outputs.web.state import state
from watchedpot.outputs.web.static import add_page, has_page

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


class Encoder(Protocol):
    """What serves the metrics: ``watchedpot.outputs.metrics.Metrics``."""

    def encode(self, accept: str) -> tuple[bytes, str]:
        """Body and content type for an ``Accept`` header."""
        ...


@dataclass(slots=True)
class Newest:
    """What is shown now, and what has to be remembered of what was shown before.

    Attributes
    ----------
    snapshot
        The newest one.
    now, now_s
        The present moment of the cells, and a real time that never steps. [s]
    cells
        Every cell there should be, known yet or not.
    stand_still_limit_s
        How long polls, evaluation or commits may stand still before the daemon says that it is
        not well; in cell time. [s]
    speed
        Cell time per real time. [1]
    """

    snapshot: Snapshot
    now: Callable[[], Instant]
    now_s: Callable[[], float]
    cells: Sequence[str] = ()
    stand_still_limit_s: float = 30.0
    speed: float = 1.0
    suspects: SuspectsSince = field(default_factory=SuspectsSince)
    live: Live = field(init=False)
    rendering: Rendering = field(init=False)

    def __post_init__(self) -> None:
        self.rendering = Rendering(lambda: self.snapshot, self._rendered, self.now_s)
        self.live = Live(self.rendering.current, self.now)
        self.suspects.note(self.snapshot)

    def publish(self, snapshot: Snapshot) -> None:
        """Show a snapshot from now on, and tell whoever listens."""
        self.snapshot = snapshot
        self.suspects.note(snapshot)
        self.live.publish()

    def _rendered(self, snapshot: Snapshot) -> bytes:
        found = state(
            snapshot,
            self.now(),
            stand_still_limit_s=self.stand_still_limit_s,
            speed=self.speed,
            parts_since=self.suspects.of,
        )
        return found.model_dump_json().encode()


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
    newest: Newest,
    metrics: Encoder,
    *,
    record: Record | None = None,
    enter: Enter | None = None,
    doors: Doors | None = None,
) -> FastAPI:
    """What the daemon serves; more routes may be added.

    Parameters
    ----------
    newest
        What is shown now.
    metrics
        Encodes a scrape; it runs in a thread, one scrape at a time.
    record
        Answers questions about the past; None: nothing is asked.
    enter
        Takes what people say; None: nobody can say anything.
    doors
        Who may ask what; None: whoever can reach this may read, and nobody may act.
    """
    # The documentation pages of the framework load their code from the internet.
    app = FastAPI(
        title="Watched Pot",
        summary="The thermal account of hot-melt dispense cells. It only reads them, and it is no"
        " safety device.",
        version=newest.snapshot.version,
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
    )
    app.add_middleware(Gate, doors=doors or Doors(), now_s=newest.now_s)
    app.add_exception_handler(RequestValidationError, _malformed)
    _add_monitoring(app, newest, metrics)
    asking = None
    if record is not None:
        asking = Asking(
            record,
            newest.cells,
            now_s=newest.now_s,
            events=lambda: newest.snapshot.ledger.events,
        )
    _add_now(app, newest, asking)
    if asking is not None:
        app.include_router(past(asking))
    if enter is not None:
        app.include_router(actions(enter))
    _add_description(app)
    if has_page():
        add_page(app)
    else:
        _add_landing(app, newest)
    return app


async def _malformed(_: Request, exc: Exception) -> Response:
    """What is wrong with a request, without repeating it: it may hold what JSON cannot."""
    found = exc.errors() if isinstance(exc, RequestValidationError) else ()
    faults = (f"{'.'.join(map(str, one['loc']))}: {one['msg']}" for one in found)
    return Response(
        json.dumps({"detail": "; ".join(faults)}), status_code=422, media_type="application/json"
    )


def _add_description(app: FastAPI) -> None:
    """What programs read to know how to ask; made at the first request."""

    @app.get("/openapi.json", include_in_schema=False)
    async def description() -> JSONResponse:
        # It takes longer than a poll may be late, so it is made in a thread.
        return JSONResponse(await asyncio.to_thread(app.openapi))


def _add_landing(app: FastAPI, newest: Newest) -> None:
    """A page that says where everything is, as long as there is no other."""

    @app.get("/", response_class=Response, include_in_schema=False)
    async def landing() -> Response:
        snapshot = newest.snapshot
        shown = ", ".join(cell.id for cell in snapshot.cells) or "no cell"
        page = _PAGE.format(
            style=_STYLE, cells=html.escape(shown), version=html.escape(snapshot.version)
        )
        policy = CONTENT_POLICY.replace("style-src 'self'", f"style-src 'sha256-{_STYLE_HASH}'")
        return Response(
            page,
            media_type="text/html; charset=utf-8",
            headers={"content-security-policy": policy},
        )


def _add_monitoring(app: FastAPI, newest: Newest, metrics: Encoder) -> None:
    """What other programs ask, and what a person can ask from a command line."""
    one_scrape = asyncio.Semaphore(1)

    @app.get("/advice", response_class=PlainTextResponse)
    async def advice() -> str:
        """What to do with each cell now and why, and the outlook of its charge, as plain text."""
        return advice_text(newest.snapshot, newest.now(), cells=newest.cells)

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
        found = health(newest.snapshot, newest.now(), limit_s=newest.stand_still_limit_s)
        if not found.is_healthy:
            response.status_code = 503
        return found


def _add_now(app: FastAPI, newest: Newest, asking: Asking | None) -> None:
    """What is known now, once and as it changes."""

    @app.get("/api/v1/state", response_model=State, responses=REFUSALS)
    async def now() -> Response:
        """All that is known now."""
        return Response(await newest.rendering.current(), media_type="application/json")

    @app.get(
        "/api/v1/live",
        response_class=StreamingResponse,
        responses={
            **REFUSALS,
            200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}},
            503: {"description": "As many listen as may"},
        },
    )
    async def live(request: Request) -> StreamingResponse:
        """The same as events ``state``, at most one a second, and ``beat`` in between."""
        if newest.live.is_full:
            raise HTTPException(503, "as many listen as may", headers={"retry-after": "5"})
        return StreamingResponse(
            newest.live.listen(request.state.caller.is_let_in), media_type="text/event-stream"
        )

    @app.get("/api/v1/alarms", responses=REFUSALS)
    async def alarms() -> Alarms:
        """Every alarm, and how well they served people in the last eight hours."""
        figures = None if asking is None else await asking.ask(asking.record.performance)
        return Alarms(
            alarms=tuple(
                alarm(one, newest.suspects.of(one.id))
                for cell in newest.snapshot.cells
                for one in cell.alarms
            ),
            performance=figures,
        )
