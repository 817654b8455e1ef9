"""Questions about the past, answered from the record: in a thread, two at a time.

The record is read through a connection of its own that cannot write, so that a long question
holds up neither polls nor commits. Many pages ask the same at about the same time: an answer
serves all of them for ``KEPT_S``, or until there is another event on record.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Collection, Hashable
from datetime import UTC, datetime
from math import inf
from typing import Annotated, Any, Protocol, TypeAlias, TypeVar

from fastapi import APIRouter, HTTPException, Query
from fastapi.responses import JSONResponse

from watchedpot.core.model import EventKind
from watchedpot.errors import LedgerError
from watchedpot.outputs.web.actions import REFUSALS
from watchedpot.outputs.web.model import Events, Parts, Performance, Refusal, Suspects, Trend

AT_A_TIME = 2
"""Questions answered at a time [1]; more wait for their turn."""

KEPT_S, MOST_KEPT = 2.0, 64
"""How long an answer serves all who ask the same, in real time [s]; how many are kept. [1]"""

LONGEST_MIN, MOST_POINTS = 1440, 4000
MOST_ROWS = 1000
"""Longest trend [min], and most points of it, rows of a list. [1]"""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FARTHEST_NS = 2**63 - 1

_Minutes: TypeAlias = Annotated[int, Query(ge=1, le=LONGEST_MIN)]
_Points: TypeAlias = Annotated[int, Query(ge=20, le=MOST_POINTS)]
_Limit: TypeAlias = Annotated[int, Query(ge=1, le=MOST_ROWS)]

_T = TypeVar("_T")


class Record(Protocol):
    """What answers from the record; each call may take long and may raise a ``LedgerError``."""

    def trend(self, cell: str, *, minutes: int, points: int) -> Trend:
        """Readings of a cell until now."""
        ...

    def parts(self, cell: str, *, limit: int, before_ns: int | None) -> Parts:
        """The newest parts of a cell that were counted before a moment."""
        ...

    def suspects(self, cell: str | None, *, since_ns: int | None) -> dict[str, object]:
        """Suspect parts, as ``watchedpot suspects --json`` prints them."""
        ...

    def events(
        self,
        *,
        cell: str | None,
        kinds: Collection[EventKind],
        since_ns: int | None,
        until_ns: int | None,
        limit: int,
    ) -> Events:
        """The newest events of a span."""
        ...

    def performance(self) -> Performance | None:
        """Figures of the alarms of the last eight hours."""
        ...


def utc_ns(at: datetime | None) -> int | None:
    """A moment as the record counts it, UTC where it names no offset. [ns].

    Examples
    --------
    >>> utc_ns(datetime(1970, 1, 1, 1))
    3600000000000
    """
    if at is None:
        return None
    if at.tzinfo is None:
        at = at.replace(tzinfo=UTC)
    gone = at - _EPOCH
    told_ns = ((gone.days * 86_400 + gone.seconds) * 1_000_000 + gone.microseconds) * 1000
    return max(-_FARTHEST_NS, min(told_ns, _FARTHEST_NS))


class Asking:
    """Puts questions to the record.

    Parameters
    ----------
    cells
        Every cell there is.
    now_s
        A real time that never steps. [s]
    events
        How many events are on record: another number, another answer. [1]
    """

    def __init__(
        self,
        record: Record,
        cells: Collection[str],
        *,
        now_s: Callable[[], float],
        events: Callable[[], int],
    ) -> None:
        self.record = record
        self._cells = frozenset(cells)
        self._now_s = now_s
        self._events = events
        self._turns = asyncio.Semaphore(AT_A_TIME)
        self._kept: OrderedDict[Hashable, tuple[float, Any]] = OrderedDict()

    def check(self, cell: str | None) -> None:
        """Refuse a cell that is not there."""
        if cell is not None and cell not in self._cells:
            raise HTTPException(404, "there is no such cell")

    async def ask(self, question: Callable[..., _T], /, **told: Hashable) -> _T:
        """The answer to a question, or 503; no word of a file leaves the daemon."""
        async with self._turns:
            key = question.__name__, *told.items(), self._events()
            made_s, answer = self._kept.get(key, (-inf, None))
            if self._now_s() - made_s < KEPT_S:
                kept: _T = answer
                return kept
            try:
                found = await asyncio.to_thread(question, **told)
            except LedgerError as exc:
                raise HTTPException(503, "the record cannot be read now") from exc
            self._kept[key] = self._now_s(), found
            self._kept.move_to_end(key)
            if len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
            return found


def past(asking: Asking) -> APIRouter:
    """The routes of those who ask about the past."""
    record = asking.record
    router = APIRouter(
        prefix="/api/v1",
        responses={
            **REFUSALS,
            404: {"model": Refusal, "description": "No such cell"},
            422: {"model": Refusal, "description": "Not what a question looks like"},
            503: {"model": Refusal, "description": "The record cannot be read now"},
        },
    )

    @router.get("/cells/{cell}/trend", response_model_by_alias=True)
    async def trend(cell: str, minutes: _Minutes = 30, points: _Points = 400) -> Trend:
        """Readings of a cell; of more than ``points`` each stretch keeps its extremes and gaps."""
        asking.check(cell)
        return await asking.ask(record.trend, cell=cell, minutes=minutes, points=points)

    @router.get("/cells/{cell}/parts")
    async def parts(cell: str, limit: _Limit = 200, before: datetime | None = None) -> Parts:
        """Parts of a cell, the newest first, each with its newest verdict."""
        asking.check(cell)
        before_ns = utc_ns(before)
        return await asking.ask(record.parts, cell=cell, limit=limit, before_ns=before_ns)

    @router.get("/suspects", response_model=Suspects)
    async def suspects(cell: str | None = None, since: datetime | None = None) -> JSONResponse:
        """Which parts are suspect, why, and how long they can be reworked."""
        asking.check(cell)
        since_ns = utc_ns(since)
        found = await asking.ask(record.suspects, cell=cell, since_ns=since_ns)
        return JSONResponse(found)

    @router.get("/events")
    async def events(
        cell: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        kind: Annotated[list[EventKind] | None, Query()] = None,
        limit: _Limit = 200,
    ) -> Events:
        """What happened, the newest first."""
        asking.check(cell)
        return await asking.ask(
            record.events,
            cell=cell,
            kinds=tuple(kind or ()),
            since_ns=utc_ns(since),
            until_ns=utc_ns(until),
            limit=limit,
        )

    return router
