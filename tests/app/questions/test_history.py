"""Everything that happened."""

from __future__ import annotations

import json
from datetime import timedelta, timezone
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from app.questions.plant import ZONE, alarm, configuration, instant_ns, record, told
from outputs.ledger.samples import at, recording
from watchedpot.app.questions import commands
from watchedpot.app.questions.history import (
    KINDS,
    History,
    Question,
    as_json,
    as_table,
    ask,
    event_rows,
    on_the_wall,
    summary,
    text,
)
from watchedpot.core.model import Event, EventKind
from watchedpot.core.snapshot import AlarmState
from watchedpot.outputs.ledger.record import Batch

ASKED = instant_ns(1300.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """The record of the plant."""
    return record(tmp_path / "cell.ledger")


def asked(path: Path, **options: Any) -> History:
    """The history, asked at 1300 s."""
    return ask(path, Question(ASKED, **options))


def words(history: History, kind: str) -> list[str]:
    """Sentences of the rows of one kind."""
    return [row.words(ZONE) for row in history.rows if row.kind == kind]


def test_every_kind_of_event_has_a_place() -> None:
    """No event is left out, none is in two places, and the command knows all names."""
    kinds = [kind for group in KINDS.values() for kind in group]
    assert sorted(kinds) == sorted(EventKind)
    assert tuple(KINDS) == commands.KINDS


def test_the_history_is_in_order_of_time(path: Path) -> None:
    """Events, gaps and changed limits alike; parts have a question of their own."""
    history = asked(path)
    times = [row.at_ns for row in history.rows]
    assert times == sorted(times)
    assert not [row for row in history.rows if row.what == "part_made"]
    assert history.span_ns == (instant_ns(0.0), instant_ns(1199.0) + 8)


def test_an_alarm_tells_how_long_it_took(path: Path) -> None:
    """From its onset to the raising, from there to acknowledgement and end."""
    onset = "below 115.0 degC since 17:08:20"
    assert words(asked(path), "alarm") == [
        f"lens_4 nozzle cold: 113.0 degC, {onset} (15.0 s after it began)",
        f"lens_4 nozzle cold: acknowledged by kim; 113.0 degC, {onset}"
        " (30.0 s after it was raised)",
        "lens_4 nozzle cold: normal again, 113.0 degC (1 min 05 s after it was raised,"
        " 35.0 s after it was acknowledged)",
        "lens_4 nozzle cold: 113.0 degC, below 115.0 degC since 17:25:00 (15.0 s after it began)",
    ]


def took(*events: Event) -> list[dict[str, object]]:
    """What was found out of each event."""
    names = ("since_onset_s", "since_raised_s", "since_acknowledged_s")
    return [
        {name: row.facts[name] for name in names if name in row.facts} for row in event_rows(events)
    ]


def test_an_alarm_raised_again_still_counts_from_the_first_time() -> None:
    """Until it is normal, suppressed or out of service it is the same alarm."""
    first = alarm(15.0, "normal", "unacknowledged", "on", onset=0.0)
    again = alarm(75.0, "acknowledged", "unacknowledged", "re_alarm", onset=0.0)
    assert took(first, again) == [{"since_onset_s": 15.0}, {"since_raised_s": 60.0}]
    for state in (
        AlarmState.NORMAL,
        AlarmState.SUPPRESSED_BY_DESIGN,
        AlarmState.OUT_OF_SERVICE,
    ):
        over = alarm(20.0, "unacknowledged", state.value, "off", onset=0.0)
        anew = alarm(95.0, "normal", "unacknowledged", "on", onset=80.0)
        assert took(first, over, anew)[1:] == [{"since_raised_s": 5.0}, {"since_onset_s": 15.0}]


def test_an_alarm_without_an_onset_stands_without_it() -> None:
    """What an event does not carry is left out, and so is the time before a first clearing."""
    bare = told(EventKind.ALARM_CHANGED, 5.0, alarm="cold", to="unacknowledged")
    cleared = told(EventKind.ALARM_CHANGED, 9.0, alarm="hot", to="normal")
    assert took(bare, cleared) == [{}, {}]


def test_an_excursion_has_its_figures_or_is_still_open(path: Path) -> None:
    """The end tells onset, length, peak and exposure; without an end that is said."""
    assert words(asked(path), "excursion") == [
        "lens_4 nozzle: below 115.0 degC since 17:08:20; part 3 onwards to be looked at",
        "lens_4 nozzle: below 115.0 degC for 1 min 00 s from 17:08:20, furthest 112.0 degC,"
        " 90.0 K s",
        "lens_4 nozzle: below 116.0 degC since 17:25:00 (still open at the end)",
    ]


def test_gaps_are_told_with_their_length(path: Path) -> None:
    """A source that was away, and a daemon that ended unannounced."""
    assert words(asked(path), "gap") == [
        "source lens_4: answers",
        "source lens_4: not read since 17:11:40, no answer",
        "source lens_4 not read for 30.0 s",
        "source lens_4: answers",
        "daemon not running (it had ended unannounced) for 10 min 01 s",
    ]


def test_rows_lost_to_a_full_queue_are_told_once(tmp_path: Path) -> None:
    """They are a moment, whose event says it all."""
    path = tmp_path / "cell.ledger"
    lost = told(EventKind.READINGS_DROPPED, 1.0, cell="", source="lens_4", rows=7)
    with recording(path) as recorder:
        recorder.write([Batch(events=(lost,))])
    expected = (
        "daemon: 7 rows of readings of lens_4 lost to a full queue; that time counts as not seen"
    )
    assert words(asked(path), "gap") == [expected]


def test_a_changed_limit_has_old_new_time_and_file(path: Path) -> None:
    """At the start of the run that has it, by the file that the daemon named."""
    (row,) = (row for row in asked(path).rows if row.what == "limit_changed")
    assert row.at_ns == instant_ns(1000.0)
    assert (row.cell, row.zone) == ("lens_4", "nozzle")
    assert row.words(ZONE) == "cells.lens_4.zones.nozzle.window_low_c: 115 to 116, by lens_4.toml"
    found = {name: row.facts[name] for name in ("path", "old", "new", "file")}
    assert found == {
        "path": "cells.lens_4.zones.nozzle.window_low_c",
        "old": 115.0,
        "new": 116.0,
        "file": "lens_4.toml",
    }


def test_each_run_has_its_own_changes(tmp_path: Path) -> None:
    """A file that was named for one change is not taken for another, nor a run without change."""
    path = tmp_path / "cell.ledger"
    for start, low_c, details in (
        (0.0, 115.0, {}),
        (10.0, 114.0, {}),
        (20.0, 114.0, {}),
        (30.0, 116.0, {"files": "b.toml"}),
    ):
        event = Event(EventKind.DAEMON_STARTED, at(start), details=tuple(details.items()))
        text_ = configuration(low_c=low_c)
        with recording(path, now=partial(at, start), config=text_) as recorder:
            recorder.write([Batch(events=(event,))])
    rows = [row for row in asked(path).rows if row.what == "limit_changed"]
    assert [(row.at_ns, row.facts["old"], row.facts["new"]) for row in rows] == [
        (instant_ns(10.0), 115.0, 114.0),
        (instant_ns(30.0), 114.0, 116.0),
    ]
    assert rows[0].words().endswith("115 to 114, by a file whose name is not recorded")
    assert rows[1].words().endswith("114 to 116, by b.toml")


def test_people_and_counters_are_told(path: Path) -> None:
    """What people said, and what the part counter did."""
    history = asked(path)
    assert words(history, "entry") == [
        "lens_4: note: the gate stood open by kim",
        "lens_4: parts 9 decided: scrapped by kim: glued wrong",
    ]
    assert words(history, "counter") == [
        "lens_4: part counter was reset from 9 to 0; uncounted parts: 2, find them and set"
        " them aside"
    ]


def test_time_cell_and_kind_choose(path: Path) -> None:
    """What concerns no single cell concerns each, but for sources that it does not use."""
    few = asked(path, since_ns=instant_ns(115.0), until_ns=instant_ns(160.0))
    assert [row.what for row in few.rows] == ["alarm_changed", "alarm_changed", "entered"]
    other = asked(path, cell="housing_7")
    assert {row.what for row in other.rows} == {"daemon_started", "configuration_changed", "gap"}
    own = asked(path, cell="lens_4")
    assert own.rows == asked(path).rows
    kinds = asked(path, kinds=frozenset({"counter", "run"}))
    assert {row.kind for row in kinds.rows} == {"counter", "run"}


def test_how_long_it_took_counts_from_before_the_span(path: Path) -> None:
    """An alarm raised before the span is cleared after the time it really stood."""
    history = asked(path, since_ns=instant_ns(170.0), kinds=frozenset({"alarm"}))
    assert history.rows[0].facts["since_raised_s"] == 65.0


def test_times_in_sentences_are_those_of_the_wall() -> None:
    """Every time that an event carries is moved; how to respond is not told again."""
    event = alarm(3600.0, "normal", "unacknowledged", "on", onset=0.0)
    moved = on_the_wall(event, ZONE)
    assert moved.at.utc_ns == event.at.utc_ns + 7200 * 10**9
    assert moved.detail("onset_utc_ns") == instant_ns(7200.0)
    assert moved.detail("temp_c") == 113.0
    assert "response" not in dict(moved.details)


def test_one_sentence_sums_it_up(path: Path) -> None:
    """Numbers of what matters, and the gaps."""
    assert summary(asked(path), ZONE) == (
        "2025-06-15 17:06:40 to 17:26:39 +02:00: 2 excursions, 2 alarms, 2 entries,"
        " 1 changed limit, 1 restart; 2 gaps of the record, 10 min 31 s in all."
    )
    quiet = asked(path, since_ns=instant_ns(1.0), until_ns=instant_ns(50.0))
    assert summary(quiet, ZONE) == (
        "2025-06-15 17:06:41 to 17:07:30 +02:00: nothing out of the ordinary; no gap of the record."
    )


def test_the_table_has_a_heading_for_each_day(path: Path) -> None:
    """Lines fit, times are local, days and offset are told once."""
    far = timezone(timedelta(hours=8, minutes=50))  # midnight lies within the record
    lines = text(asked(path), ZONE).splitlines()
    assert max(map(len, lines)) <= 100
    assert lines.count("2025-06-15 Sun, local time +02:00") == 1
    counted = "  17:12:20  counter       lens_4: part counter was reset from 9 to 0; uncounted"
    assert [line for line in lines if line.startswith(counted)]
    late = text(asked(path), far).splitlines()
    assert [line for line in late if "local time" in line] == [
        "2025-06-15 Sun, local time +08:50",
        "2025-06-16 Mon, local time +08:50",
    ]


def test_programs_get_the_same_rows(path: Path) -> None:
    """JSON and CSV have each row with its time in UTC and its details."""
    history = asked(path)
    read = json.loads(json.dumps(as_json(history, ZONE)))
    assert len(read["rows"]) == len(history.rows)
    assert read["summary"] == summary(history, ZONE)
    assert read["not_watched_s"] == pytest.approx(631.0, abs=1e-6)
    counter = next(row for row in read["rows"] if row["kind"] == "counter")
    assert counter["at"] == "2025-06-15T15:12:20.000000000Z"
    assert (counter["what"], counter["cell"]) == ("counter_jumped", "lens_4")
    assert counter["details"]["uncounted"] == 2
    names, rows = as_table(history, ZONE)
    assert len(rows) == len(history.rows)
    row = dict(zip(names, next(row for row in rows if row[2] == "counter"), strict=True))
    assert row["at_local"] == "2025-06-15 17:12:20 +02:00"
    assert json.loads(row["details"])["before"] == 9  # type: ignore[arg-type]


def test_a_ledger_without_a_run_has_no_history(tmp_path: Path) -> None:
    """Nothing was recorded, so nothing is told."""
    path = tmp_path / "cell.ledger"
    with recording(path):
        pass
    assert asked(path).rows == ()
