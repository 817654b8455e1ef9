"""Questions about the past: how they are put, and what is answered when they cannot be."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from outputs.web.asking import (
    ScriptedMetrics,
    Seconds,
    get,
    make_app,
    make_newest,
    make_snapshot,
)
from watchedpot.core.model import EventKind
from watchedpot.errors import LedgerError
from watchedpot.outputs.web import model
from watchedpot.outputs.web import record as record_module
from watchedpot.outputs.web.app import create_app
from watchedpot.outputs.web.record import AT_A_TIME, KEPT_S, utc_ns

CELLS = ("lens_4", "housing_7")


@dataclass
class Scripted:
    """Record that notes what it is asked, or cannot be read."""

    asked: list[tuple[Any, ...]] = field(default_factory=list)
    is_broken: bool = False

    def _note(self, *question: Any) -> None:
        if self.is_broken:
            raise LedgerError("ledger /secret/place.ledger", "it is gone")
        self.asked.append(question)

    def trend(self, cell: str, *, minutes: int, points: int) -> model.Trend:
        """An empty trend."""
        self._note("trend", cell, minutes, points)
        return model.Trend(
            cell=cell,
            since=model.iso(0),
            until=model.iso(1),
            zones=[],
            dispensing=[(0.0, 1.5)],
            parts=[],
            events=[],
        )

    def parts(self, cell: str, *, limit: int, before_ns: int | None) -> model.Parts:
        """No parts."""
        self._note("parts", cell, limit, before_ns)
        return model.Parts(parts=[])

    def suspects(self, cell: str | None, *, since_ns: int | None) -> dict[str, object]:
        """Only a sentence."""
        self._note("suspects", cell, since_ns)
        return {"sentence": "none"}

    def events(
        self,
        *,
        cell: str | None,
        kinds: Collection[EventKind],
        since_ns: int | None,
        until_ns: int | None,
        limit: int,
    ) -> model.Events:
        """No events."""
        self._note("events", cell, tuple(kinds), since_ns, until_ns, limit)
        return model.Events(events=[])

    def performance(self) -> model.Performance | None:
        """Nothing watched yet."""
        self._note("performance")
        return None


async def asked(path: str) -> tuple[int, Any, list[tuple[Any, ...]]]:
    """Status, answer, and what the record was asked."""
    record = Scripted()
    answer = await get(make_app(record=record, cells=CELLS), f"/api/v1{path}")
    return answer.status_code, answer.json(), record.asked


async def test_a_question_has_defaults() -> None:
    """Half an hour in 400 points; 200 rows."""
    status, answer, questions = await asked("/cells/lens_4/trend")
    assert (status, questions) == (200, [("trend", "lens_4", 30, 400)])
    assert (answer["from"], answer["dispensing"]) == ("1970-01-01T00:00:00.000Z", [[0.0, 1.5]])
    assert (await asked("/cells/lens_4/parts"))[2] == [("parts", "lens_4", 200, None)]
    assert (await asked("/suspects"))[2] == [("suspects", None, None)]
    assert (await asked("/events"))[2] == [("events", None, (), None, None, 200)]
    assert (await asked("/alarms"))[2] == [("performance",)]


async def test_a_question_can_be_narrowed() -> None:
    """By cell, kind, span and number; a plus in a query is a space, so UTC is written Z."""
    path = "/events?cell=lens_4&kind=wiped&kind=entered&since=1970-01-01T00:00:01Z"
    _, _, questions = await asked(f"{path}&until=1970-01-01T01:00:02%2B01:00&limit=5")
    kinds = (EventKind.WIPED, EventKind.ENTERED)
    assert questions == [("events", "lens_4", kinds, 10**9, 2 * 10**9, 5)]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/cells/press_1/trend", 404),
        ("/cells/press_1/parts", 404),
        ("/suspects?cell=press_1", 404),
        ("/events?cell=press_1", 404),
        ("/cells/lens_4/trend?minutes=0", 422),
        ("/cells/lens_4/trend?minutes=1441", 422),
        ("/cells/lens_4/trend?points=19", 422),
        ("/cells/lens_4/parts?limit=1001", 422),
        ("/cells/lens_4/parts?before=yesterday", 422),
        ("/events?kind=exploded", 422),
    ],
)
async def test_a_question_that_makes_no_sense_is_not_put(path: str, status: int) -> None:
    """A cell that is not there, a number out of bounds, a word that is none."""
    found, answer, questions = await asked(path)
    assert (found, questions) == (status, [])
    assert isinstance(answer["detail"], str)


async def test_a_record_that_cannot_be_read_is_503_without_a_path() -> None:
    """What is wrong with the file is for whoever runs the daemon."""
    app = make_app(record=Scripted(is_broken=True), cells=CELLS)
    for path in ("/cells/lens_4/trend", "/suspects", "/events", "/alarms"):
        answer = await get(app, f"/api/v1{path}")
        assert answer.status_code == 503
        assert answer.json() == {"detail": "the record cannot be read now"}


async def test_only_so_many_questions_are_answered_at_a_time() -> None:
    """The others wait for their turn, in no thread."""
    go_on, most, running = threading.Event(), [0], [0]
    lock = threading.Lock()

    class Slow(Scripted):
        def suspects(self, cell: str | None, *, since_ns: int | None) -> dict[str, object]:
            self._note(cell, since_ns)
            with lock:
                running[0] += 1
                most[0] = max(most[0], running[0])
            go_on.wait(5)
            with lock:
                running[0] -= 1
            return {}

    app = make_app(record=Slow(), cells=CELLS)
    tasks = [asyncio.ensure_future(get(app, "/api/v1/suspects")) for _ in range(5)]
    for _ in range(20):
        await asyncio.sleep(0)
    go_on.set()
    assert {(await task).status_code for task in tasks} == {200}
    assert 1 <= most[0] <= AT_A_TIME


async def test_an_answer_serves_all_who_ask_the_same_for_two_seconds() -> None:
    """Another question, another event on record or a later moment are answered anew."""
    record, now_s, newest = Scripted(), Seconds(), make_newest(cells=CELLS)
    newest.now_s = now_s
    app = create_app(newest, ScriptedMetrics(), record=record)
    for _ in range(3):
        await get(app, "/api/v1/cells/lens_4/trend")
    assert record.asked == [("trend", "lens_4", 30, 400)]
    await get(app, "/api/v1/cells/lens_4/trend?minutes=5")
    assert len(record.asked) == 2
    newest.publish(replace(make_snapshot(), ledger=replace(make_snapshot().ledger, events=1)))
    await get(app, "/api/v1/cells/lens_4/trend")
    assert len(record.asked) == 3
    now_s.now_s = KEPT_S
    await get(app, "/api/v1/cells/lens_4/trend")
    assert len(record.asked) == 4


async def test_only_so_many_answers_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one made first is forgotten."""
    monkeypatch.setattr(record_module, "MOST_KEPT", 2)
    record = Scripted()
    app = make_app(record=record, cells=CELLS)
    for minutes in (1, 2, 3, 3, 2, 1):
        await get(app, f"/api/v1/cells/lens_4/trend?minutes={minutes}")
    assert [question[2] for question in record.asked] == [1, 2, 3, 1]


def test_a_moment_without_an_offset_is_utc_and_none_is_too_far() -> None:
    """Whatever a client sends fits into the record's 64 bits."""
    assert utc_ns(None) is None
    east = timezone(timedelta(hours=1))
    assert utc_ns(datetime(1970, 1, 1, 1, tzinfo=east)) == 0
    assert utc_ns(datetime.max.replace(tzinfo=UTC)) == 2**63 - 1
    assert utc_ns(datetime.min.replace(tzinfo=UTC)) == -(2**63 - 1)
