"""Gaps of the record."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from app.questions.plant import ZONE, instant_ns, record, told
from outputs.ledger.samples import recording
from watchedpot.app.questions.gaps import (
    Gap,
    GapKind,
    covered_ns,
    find_gaps,
    gaps_of,
    total_s,
)
from watchedpot.core.model import Event, EventKind
from watchedpot.outputs.ledger import RecordedEvent
from watchedpot.outputs.ledger.record import Batch

STARTED, STOPPED = EventKind.DAEMON_STARTED, EventKind.DAEMON_STOPPED


def found(*runs: Sequence[Event]) -> list[Gap]:
    """Gaps of the events of some runs; each that ended unannounced was last seen at 50 s."""
    events = [event for run in runs for event in run]
    numbers = [number for number, run in enumerate(runs, start=1) for _ in run]
    return list(
        find_gaps(
            [
                RecordedEvent(seq, run, event)
                for seq, (run, event) in enumerate(zip(numbers, events, strict=True), start=1)
            ],
            lambda run, at_ns: min(instant_ns(50.0), at_ns) if run > 1 else at_ns,
        )
    )


def gap(kind: GapKind, of: str, from_s: float, to_s: float | None) -> Gap:
    """A gap between two seconds."""
    return Gap(kind, of, instant_ns(from_s), None if to_s is None else instant_ns(to_s))


def test_the_first_start_ends_no_gap() -> None:
    """Before the record began there was nothing to miss."""
    assert found([told(STARTED, 0.0)]) == []


def test_a_stop_that_was_said_begins_a_gap() -> None:
    """It lasts from the stop to the next start."""
    gaps = found([told(STARTED, 0.0), told(STOPPED, 40.0)], [told(STARTED, 100.0)])
    assert gaps == [gap(GapKind.NOT_RUNNING, "", 40.0, 100.0)]


def test_an_unannounced_end_is_dated_by_what_was_recorded_last() -> None:
    """The gap begins with the last row or event, and says that nobody announced it."""
    (one,) = found([told(STARTED, 0.0)], [told(STARTED, 100.0)])
    assert (one.from_ns, one.to_ns) == (instant_ns(50.0), instant_ns(100.0))
    assert not one.is_clean
    assert one.name(one.to_ns or 0) == "daemon not running (it had ended unannounced) for 50.0 s"


def test_a_stop_of_an_earlier_run_does_not_excuse_a_later_one() -> None:
    """Each run must have said itself that it stops."""
    gaps = found(
        [told(STARTED, 0.0), told(STOPPED, 10.0)],
        [told(STARTED, 20.0)],
        [told(STARTED, 100.0)],
    )
    assert [each.is_clean for each in gaps] == [True, False]


def test_a_source_is_away_until_it_answers() -> None:
    """Each source has gaps of its own; one that still is away has no end."""
    gaps = found(
        [
            told(EventKind.SOURCE_UP, 1.0, source="lens_4"),
            told(EventKind.SOURCE_LOST, 10.0, source="lens_4"),
            told(EventKind.SOURCE_LOST, 20.0, source="housing_7"),
            told(EventKind.SOURCE_LOST, 25.0, source="lens_4"),
            told(EventKind.SOURCE_UP, 30.0, source="lens_4"),
        ]
    )
    assert gaps == [
        gap(GapKind.SOURCE, "lens_4", 10.0, 30.0),
        gap(GapKind.SOURCE, "housing_7", 20.0, None),
    ]


def test_a_zone_is_unseen_from_the_onset_on() -> None:
    """Not from when the alarm was raised; an acknowledgement does not end it."""
    unseen = EventKind.ALARM_CHANGED
    onset = instant_ns(5.0)
    gaps = found(
        [
            told(unseen, 15.0, zone="nozzle", alarm="unseen", stage=1, onset_utc_ns=onset),
            told(unseen, 20.0, zone="nozzle", alarm="unseen", stage=1, onset_utc_ns=onset),
            told(unseen, 25.0, zone="nozzle", alarm="cold", stage=0),
            told(unseen, 40.0, zone="nozzle", alarm="unseen", stage=0),
            told(unseen, 41.0, zone="nozzle", alarm="unseen", stage=0),
        ]
    )
    assert gaps == [gap(GapKind.ZONE, "lens_4 nozzle", 5.0, 40.0)]


def test_lost_rows_and_an_unwritten_ledger_are_gaps() -> None:
    """The one is a moment, the other a span."""
    gaps = found(
        [
            told(EventKind.READINGS_DROPPED, 10.0, source="lens_4", rows=7),
            told(EventKind.LEDGER_FAILED, 20.0),
            told(EventKind.LEDGER_RECOVERED, 30.0),
        ]
    )
    assert gaps == [
        gap(GapKind.DROPPED, "lens_4", 10.0, 10.0),
        gap(GapKind.UNRECORDED, "", 20.0, 30.0),
    ]


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (
            gap(GapKind.SOURCE, "lens_4", 0.0, 90.0),
            "source lens_4 not read for 1 min 30 s, 2025-06-15 17:06:40 to 17:08:10 +02:00",
        ),
        (
            gap(GapKind.ZONE, "lens_4 nozzle", 0.0, None),
            "lens_4 nozzle not seen for 1 min 40 s, still so at the end, 2025-06-15 17:06:40 to"
            " 17:08:20 +02:00",
        ),
        (
            gap(GapKind.DROPPED, "", 0.0, 0.0),
            "readings lost to a full queue, 2025-06-15 17:06:40 +02:00",
        ),
        (
            gap(GapKind.UNRECORDED, "", 0.0, 1.0),
            "ledger not written for 1.0 s, 2025-06-15 17:06:40 to 17:06:41 +02:00",
        ),
    ],
)
def test_gaps_in_words(one: Gap, words: str) -> None:
    """What was not watched, how long, and when."""
    assert one.words(instant_ns(100.0), ZONE) == words


def test_a_gap_for_programs() -> None:
    """Times in UTC, the length in seconds, no end while it lasts."""
    assert gap(GapKind.SOURCE, "lens_4", 0.0, None).plain(instant_ns(10.0)) == {
        "kind": "source_not_read",
        "of": "lens_4",
        "from": "2025-06-15T15:06:40.000000000Z",
        "to": None,
        "duration_s": 10.0,
    }


def test_time_in_two_gaps_counts_once() -> None:
    """Gaps overlap, hold each other, reach over the span or last at its end."""
    gaps = [
        gap(GapKind.SOURCE, "a", 10.0, 20.0),
        gap(GapKind.SOURCE, "b", 15.0, 30.0),
        gap(GapKind.SOURCE, "c", 16.0, 18.0),
        gap(GapKind.SOURCE, "d", -5.0, 2.0),
        gap(GapKind.SOURCE, "e", 95.0, None),
    ]
    assert total_s(gaps, instant_ns(0.0), instant_ns(100.0)) == 20.0 + 2.0 + 5.0
    assert total_s([], instant_ns(0.0), instant_ns(100.0)) == 0.0


def test_a_ledger_tells_its_gaps(tmp_path: Path) -> None:
    """The kill is dated by the newest row of the run before; another cell has other sources."""
    path = record(tmp_path / "cell.ledger")
    span = {"since_ns": instant_ns(0.0), "until_ns": instant_ns(1200.0)}
    lost, killed = gaps_of(path, cell=None, sources=frozenset(), **span)
    assert (lost.of, lost.from_ns, lost.to_ns) == ("lens_4", instant_ns(300.0), instant_ns(330.0))
    assert (killed.from_ns, killed.to_ns) == (instant_ns(399.0) + 7, instant_ns(1000.0))
    own = gaps_of(path, cell="lens_4", sources=frozenset({"lens_4"}), **span)
    other = gaps_of(path, cell="housing_7", sources=frozenset({"housing_7"}), **span)
    assert own == (lost, killed)
    assert other == (killed,)
    early = gaps_of(
        path,
        cell=None,
        sources=frozenset(),
        since_ns=instant_ns(0.0),
        until_ns=instant_ns(200.0),
    )
    assert early == ()


def test_an_unseen_zone_belongs_to_its_cell(tmp_path: Path) -> None:
    """Another cell does not hear of it."""
    path = tmp_path / "cell.ledger"
    event = told(EventKind.ALARM_CHANGED, 5.0, zone="nozzle", alarm="unseen", stage=1)
    with recording(path) as recorder:
        recorder.write([Batch(events=(event,))])
    span = {"since_ns": instant_ns(0.0), "until_ns": instant_ns(10.0)}
    assert len(gaps_of(path, cell="lens_4", sources=frozenset(), **span)) == 1
    assert gaps_of(path, cell="housing_7", sources=frozenset(), **span) == ()


@pytest.mark.parametrize(
    ("since_s", "until_s", "span_s"),
    [
        (None, None, (0.0, 1199.0)),
        (100.0, 200.0, (100.0, 200.0)),
        (-500.0, 9000.0, (0.0, 1199.0)),
        (5000.0, None, (5000.0, 5000.0)),
        (5000.0, 6000.0, (5000.0, 5000.0)),
        (None, -500.0, (0.0, 0.0)),
    ],
)
def test_nothing_is_claimed_of_what_was_not_recorded(
    tmp_path: Path, since_s: float | None, until_s: float | None, span_s: tuple[float, float]
) -> None:
    """A span is cut to the record, whose end is told; one beside it is empty."""
    found = covered_ns(
        record(tmp_path / "cell.ledger"),
        begin_ns=instant_ns(0.0),
        asked_ns=instant_ns(9000.0),
        since_ns=None if since_s is None else instant_ns(since_s),
        until_ns=None if until_s is None else instant_ns(until_s),
    )
    expected = [instant_ns(each) // 10**9 for each in (*span_s, 1199.0)]
    assert [each // 10**9 for each in found] == expected
