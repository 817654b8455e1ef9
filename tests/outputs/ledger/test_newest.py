"""The end of a record first."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from outputs.ledger.samples import PLAN, at, event, part, recording
from watchedpot.core.model import Event, EventKind
from watchedpot.core.parts import judged_again
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.outputs.ledger import Batch
from watchedpot.outputs.ledger.newest import newest_events, newest_parts
from watchedpot.outputs.ledger.store import connect_writer


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Six parts, of which the fourth is judged again after the sixth, and five events."""
    file = tmp_path / "cell.ledger"
    fourth = part(4)
    again = judged_again(fourth, [(PartRule.BEFORE_LOSS, "nozzle")], "readings lost", PLAN)
    assert again is not None
    parts = [part(1), part(2), part(3), fourth, part(5), part(6, PartRule.OUTSIDE_WINDOW), again]
    events = [event(EventKind.WIPED, float(n)) for n in range(1, 5)]
    other = Event(EventKind.SOURCE_LOST, at(2.5))
    with recording(file) as recorder:
        recorder.write([Batch(events=tuple(events[:2])), Batch(events=(other,))])
        recorder.write([Batch(events=tuple(events[2:]))])
        recorder.write([Batch(events=tuple(parts))])
    return file


def test_events_come_from_the_newest_to_the_oldest(path: Path) -> None:
    """Judged parts are not among them; only as many are read as are taken."""
    found = [one.event for one in newest_events(path)]
    assert [one.at for one in found] == [at(4.0), at(3.0), at(2.5), at(2.0), at(1.0)]
    assert [one.event.at for one in islice(newest_events(path), 1)] == [at(4.0)]


def test_events_are_found_by_span_cell_and_kind(path: Path) -> None:
    """From a moment on, before another, each filter alone and all together."""
    since, until = at(2.0).utc_ns, at(3.0).utc_ns
    assert [one.event.at for one in newest_events(path, since_ns=since)] == [
        at(4.0),
        at(3.0),
        at(2.5),
        at(2.0),
    ]
    assert [one.event.at for one in newest_events(path, until_ns=until)] == [
        at(2.5),
        at(2.0),
        at(1.0),
    ]
    lost = newest_events(path, kinds=[EventKind.SOURCE_LOST, EventKind.SOURCE_UP])
    assert [one.event.kind for one in lost] == [EventKind.SOURCE_LOST]
    narrow = newest_events(
        path, since_ns=since, until_ns=until, cell="lens_4", kinds=[EventKind.WIPED]
    )
    assert [one.event.at for one in narrow] == [at(2.0)]
    assert list(newest_events(path, cell="housing_7")) == []


def test_parts_come_from_the_last_counted_in_their_newest_judgement(path: Path) -> None:
    """One judged again stays where it was counted, once, with what is concluded now."""
    found = list(newest_parts(path, cell="lens_4"))
    assert [one.first for one in found] == [6, 5, 4, 3, 2, 1]
    assert (found[2].verdict, found[2].judgement) == (Verdict.REVIEW, 2)
    assert found[0].verdict is Verdict.QUARANTINE


def test_parts_are_found_by_cell_and_moment(path: Path) -> None:
    """Before the moment at which one was counted, that one not included."""
    fourth = next(one for one in newest_parts(path, cell="lens_4") if one.first == 4)
    earlier = newest_parts(path, cell="lens_4", before_ns=fourth.at.utc_ns)
    assert [one.first for one in earlier] == [3, 2, 1]
    assert list(newest_parts(path, cell="housing_7")) == []


def test_a_ledger_of_before_parts_were_judged_has_none(path: Path) -> None:
    """It is read as it is."""
    connection = connect_writer(path)
    connection.execute("UPDATE meta SET value = 1 WHERE key = 'schema_version'")
    connection.close()
    assert list(newest_parts(path, cell="lens_4")) == []
