"""Tables computed from events."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import pytest

from outputs.ledger.samples import alarm_changed, at, event
from watchedpot.core.model import Event, EventKind
from watchedpot.outputs.ledger import projections


@pytest.fixture
def connection() -> Iterator[sqlite3.Connection]:
    """Empty projections."""
    with closing(sqlite3.connect(":memory:")) as memory:
        memory.executescript(projections.SCHEMA)
        memory.row_factory = sqlite3.Row
        yield memory


def project(connection: sqlite3.Connection, *events: Event) -> None:
    """Project events as rows 1, 2, ... of run 7."""
    for seq, each in enumerate(events, 1):
        projections.project(connection, each, seq=seq, run=7)


def excursions(connection: sqlite3.Connection) -> list[dict[str, object]]:
    """Rows of the table, by column."""
    return [dict(row) for row in connection.execute("SELECT * FROM excursions ORDER BY seq")]


def test_a_change_of_an_alarm_is_a_transition(connection: sqlite3.Connection) -> None:
    """The best-known details have columns, all of them stay as JSON."""
    project(connection, alarm_changed(5.0))
    (row,) = connection.execute("SELECT * FROM alarm_transitions").fetchall()
    when = at(5.0)
    assert dict(row) == {
        "seq": 1,
        "run": 7,
        "utc_ns": when.utc_ns,
        "mono_ns": when.mono_ns,
        "cell": "lens_4",
        "zone": "nozzle",
        "alarm": "cold",
        "state_before": "normal",
        "state": "unacknowledged",
        "stage": 1,
        "priority": "high",
        "details": '{"alarm":"cold","from":"normal","to":"unacknowledged",'
        '"stage":1,"priority":"high"}',
    }


def test_an_excursion_is_one_row_from_opening_to_end(connection: sqlite3.Connection) -> None:
    """The end completes the row of the opening and brings its figures."""
    opened = event(EventKind.EXCURSION_OPENED, 1.0, edge="low", limit_c=110.0)
    project(connection, opened)
    (row,) = excursions(connection)
    assert (row["edge"], row["limit_c"], row["ended_seq"], row["peak_c"]) == (
        *("low", 110.0),
        *(None, None),
    )
    ended = event(EventKind.EXCURSION_ENDED, 9.0, edge="low", limit_c=110.0, peak_c=104.5)
    projections.project(connection, ended, seq=2, run=8)
    (row,) = excursions(connection)
    assert (row["seq"], row["run"], row["opened_utc_ns"]) == (1, 7, at(1.0).utc_ns)
    assert (row["ended_seq"], row["ended_run"], row["ended_mono_ns"]) == (2, 8, at(9.0).mono_ns)
    assert row["peak_c"] == 104.5
    assert row["details"] == '{"edge":"low","limit_c":110.0,"peak_c":104.5}'


def test_an_end_belongs_to_the_newest_opening_of_its_edge(connection: sqlite3.Connection) -> None:
    """Of two openings, one of them without an end in the record, the newer one is closed."""
    project(
        connection,
        event(EventKind.EXCURSION_OPENED, 1.0, edge="low"),
        event(EventKind.EXCURSION_OPENED, 2.0, edge="low"),
        event(EventKind.EXCURSION_OPENED, 3.0, edge="high"),
        event(EventKind.EXCURSION_ENDED, 4.0, edge="low"),
    )
    assert [row["ended_seq"] for row in excursions(connection)] == [None, 4, None]


def test_an_end_without_an_opening_is_kept(connection: sqlite3.Connection) -> None:
    """Where the opening was lost the row says so by having no time of it."""
    project(connection, event(EventKind.EXCURSION_ENDED, 4.0, edge="low", peak_c=104.5))
    (row,) = excursions(connection)
    assert (row["seq"], row["opened_utc_ns"], row["ended_seq"], row["peak_c"]) == (
        1,
        None,
        1,
        104.5,
    )


def test_other_events_have_no_projection(connection: sqlite3.Connection) -> None:
    """Only the kinds named project to anything."""
    for kind in set(EventKind) - set(projections.PROJECTED):
        project(connection, event(kind, 1.0, edge="low"))
    for table in projections.TABLES:
        assert not connection.execute(f"SELECT * FROM {table}").fetchall()
