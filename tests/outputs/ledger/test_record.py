"""One transaction."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from outputs.ledger.samples import (
    Now,
    alarm_changed,
    at,
    batch,
    event,
    opcua_block,
    recording,
    row,
    same,
    state,
)
from watchedpot.core.model import Event, EventKind, join_blocks
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import reader, record
from watchedpot.outputs.ledger.record import Batch, config_revision, resumed
from watchedpot.outputs.ledger.retention import Retention
from watchedpot.outputs.ledger.store import reading
from watchedpot.outputs.ledger.verify import verify


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a ledger will be."""
    return tmp_path / "cell.ledger"


def count(path: Path, table: str) -> int:
    """Number of rows of a table."""
    with reading(path) as connection:
        found: int = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        return found


def assert_whole(path: Path) -> None:
    """Assert that verifying finds nothing."""
    assert verify(path).faults == ()


def test_readings_are_in_the_tail_until_a_block_is_full(path: Path) -> None:
    """Ten rows make a block; what comes after waits in the tail."""
    with recording(path, rows_per_block=10) as recorder:
        for second in range(9):
            recorder.write([batch(second)])
        assert (count(path, "blocks"), count(path, "tail")) == (0, 9)
        recorder.write([batch(9)])
        assert (count(path, "blocks"), count(path, "tail")) == (1, 0)
        recorder.write([batch(10)])
        assert (count(path, "blocks"), count(path, "tail")) == (1, 1)
    assert_whole(path)


def test_all_readings_come_back_the_same(path: Path) -> None:
    """Blocks and tail together hold every bit of what was given, in order."""
    given = opcua_block(47, channels=3)
    with recording(path, rows_per_block=10) as recorder:
        for start, stop in ((0, 1), (1, 4), (4, 4), (4, 31), (31, 40), (40, 47)):
            recorder.write([Batch((given.rows(start, stop),))])
    found = [recorded.block for recorded in reader.blocks(path)]
    assert same(join_blocks(found), given)
    assert_whole(path)


def test_rows_that_came_together_are_one_row_of_the_tail(path: Path) -> None:
    """A minute of batches in one transaction is written as one piece for each source."""
    with recording(path, rows_per_block=100) as recorder:
        written = recorder.write(
            [Batch((row(second), row(second, source="housing_7"))) for second in range(60)]
        )
        assert written.rows == 120
        assert count(path, "tail") == 2
    assert_whole(path)


def test_many_rows_at_once_make_blocks_of_about_the_size(path: Path) -> None:
    """A long backlog is cut evenly, with no small rest."""
    with recording(path, rows_per_block=10) as recorder:
        recorder.write([Batch((opcua_block(59, channels=1),))])
    sizes = [len(recorded.block) for recorded in reader.blocks(path)]
    assert sizes == [11, 12, 12, 12, 12]
    assert_whole(path)


def test_only_some_tails_are_sealed_in_one_transaction(path: Path) -> None:
    """Sources that are full at the same time do not make one long transaction."""
    sources = [f"cell_{number}" for number in range(record.SEALS_PER_COMMIT + 3)]
    with recording(path, rows_per_block=2) as recorder:
        recorder.write([Batch(tuple(opcua_block(2, source=name, channels=1) for name in sources))])
        assert count(path, "blocks") == record.SEALS_PER_COMMIT
        recorder.write([Batch()])
        assert count(path, "blocks") == len(sources)
    assert_whole(path)


def test_a_source_with_other_channels_goes_on_in_order(path: Path) -> None:
    """The tail of the old channels is closed before rows of the new ones are written."""
    with recording(path, rows_per_block=10) as recorder:
        recorder.write([Batch((row(1, channels=2), row(2, channels=2), row(3, channels=3)))])
        recorder.write([Batch((row(4, channels=2),))])
    shapes = [recorded.block.value.shape for recorded in reader.blocks(path)]
    assert shapes == [(2, 2), (1, 3), (1, 2)]
    assert_whole(path)


def test_a_new_run_begins_a_new_tail(path: Path) -> None:
    """Rows of two runs are never in one block, since their monotonic times do not compare."""
    for _ in range(2):
        with recording(path) as recorder:
            recorder.write([batch(1), batch(2)])
    assert [recorded.run for recorded in reader.blocks(path)] == [1, 2]
    assert (count(path, "blocks"), count(path, "tail")) == (1, 1)
    assert_whole(path)


def test_a_run_is_recorded_with_its_configuration(path: Path) -> None:
    """Each start is a row; a configuration is stored once, under the SHA-256 of its text."""
    for number, text in enumerate(("a = 1", "a = 2", "a = 1")):
        with recording(path, config=text, now=Now(number)) as recorder:
            recorder.write([])
            recorder.write([])
    revisions = [run.config_revision for run in reader.runs(path)]
    assert revisions == [config_revision(text) for text in ("a = 1", "a = 2", "a = 1")]
    assert [run.at for run in reader.runs(path)] == [at(0), at(1), at(2)]
    assert [each.text for each in reader.configurations(path)] == ["a = 1", "a = 2"]
    assert_whole(path)


def test_the_newest_state_is_what_is_resumed(path: Path) -> None:
    """Of each cell the state after the newest batch that had one, and the newest moment."""
    with recording(path) as recorder:
        recorder.write([batch(1), Batch((row(1, source="housing_7"),), (), {"housing_7": b"h"})])
        recorder.write([batch(2), batch(3)])
    with reading(path) as connection:
        found = resumed(connection)
    assert found.states == {"lens_4": state(3)["lens_4"], "housing_7": b"h"}
    newest = row(3)
    assert found.last is not None
    assert (found.last.utc_ns, found.last.mono_ns) == (newest.seen_ns[0], newest.mono_ns[0])
    assert found.config_revision == config_revision("poll_period_s = 1.0")
    assert found.damaged == ()


def test_a_new_ledger_has_nothing_to_resume(path: Path) -> None:
    """No state, no time, no configuration."""
    with recording(path), reading(path) as connection:
        assert resumed(connection) == record.Resumed({}, None, None, ())


def test_a_damaged_state_is_not_resumed(path: Path) -> None:
    """A state with one bit changed is named and left out, the others are resumed."""
    with recording(path) as recorder:
        recorder.write([batch(1), Batch((), (), {"housing_7": b"h"})])
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE states SET mono_ns = mono_ns + 1 WHERE cell = 'housing_7'")
    with reading(path) as connection:
        found = resumed(connection)
    assert found.damaged == ("housing_7",)
    assert set(found.states) == {"lens_4"}


def test_a_transaction_is_written_whole_or_not_at_all(path: Path) -> None:
    """A failure at its last statement leaves no event, no row, no state and no figure of it."""
    with recording(path) as recorder:
        recorder.write([batch(1, alarm_changed(1.0))])
        with closing(sqlite3.connect(path)) as raw, raw:
            raw.execute(
                "CREATE TRIGGER broken BEFORE UPDATE ON meta BEGIN SELECT raise(ABORT, 'no'); END"
            )
        with pytest.raises(sqlite3.IntegrityError):
            recorder.write([batch(2, alarm_changed(2.0))])
        assert [recorded.event.at for recorded in reader.events(path)] == [at(1.0)]
        assert sum(len(recorded.block) for recorded in reader.blocks(path)) == 1
        with closing(sqlite3.connect(path)) as raw, raw:
            raw.execute("DROP TRIGGER broken")
        recorder.write([batch(2, alarm_changed(2.0))])
    assert count(path, "events") == 2
    assert_whole(path)


def test_a_first_transaction_that_failed_leaves_no_run(path: Path) -> None:
    """The run is recorded by the first transaction that succeeds, at the time of the start."""
    now = Now(5.0)
    with recording(path, now=now) as recorder:
        wrong = Batch((), (Event(EventKind.WIPED, at(0), cell=None),))  # type: ignore[arg-type]
        with pytest.raises(sqlite3.IntegrityError):
            recorder.write([wrong])
        now.seconds = 9.0
        recorder.write([batch(1)])
        recorder.write([batch(2)])
    assert [(run.id, run.at) for run in reader.runs(path)] == [(1, at(5.0))]
    assert_whole(path)


def test_a_second_daemon_takes_the_ledger_over(path: Path) -> None:
    """The one that had it before writes no more, so that states do not alternate."""
    with recording(path) as first, recording(path) as second:
        first.write([batch(1)])
        second.write([batch(2)])
        with pytest.raises(LedgerError) as caught:
            first.write([batch(3)])
        second.write([batch(4)])
    assert str(caught.value) == (
        "ledger: expected run 1 to be the newest, got run 2; nothing more is recorded here;"
        " stop the other daemon that writes to this ledger, then start this one again"
    )
    assert_whole(path)


def test_readings_older_than_the_retention_are_trimmed(path: Path) -> None:
    """Whole blocks go, oldest first; an event tells how much; the rest is still proven."""
    now = Now()
    with recording(
        path, now=now, rows_per_block=10, retention=Retention(age_days=30 / 86_400)
    ) as recorder:
        for second in range(65):
            now.seconds = second + 1.0
            recorder.write([batch(second)])
    kept = [recorded.block for recorded in reader.blocks(path)]
    first_kept_s = (int(kept[0].seen_ns[0]) - at(0).utc_ns) // 1_000_000_000
    assert first_kept_s == 30  # at 60 s the blocks that ended before 30 s are too old
    trims = [each.event for each in reader.events(path)]
    assert {each.kind for each in trims} == {EventKind.RECORD_TRIMMED}
    assert sum(int(each.detail("rows") or 0) for each in trims) == 30
    report = verify(path)
    assert report.faults == ()
    assert (report.rows, report.trimmed_rows) == (65, 30)


def test_readings_beyond_the_size_are_trimmed_and_events_stay(path: Path) -> None:
    """The file stops growing, the events are all there."""
    sizes = []
    with recording(path, rows_per_block=50, retention=Retention(size_bytes=200_000)) as recorder:
        for minute in range(60):
            told = alarm_changed(50.0 * minute, "normal")
            recorder.write([Batch((opcua_block(50, first=50 * minute, seed=minute),), (told,))])
            sizes.append(path.stat().st_size + path.with_name("cell.ledger-wal").stat().st_size)
    with reading(path) as connection:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
    assert pages * 4096 < 250_000
    report = verify(path)
    assert report.faults == ()
    assert report.trimmed_rows > 1000
    kinds = [each.event.kind for each in reader.events(path)]
    assert kinds.count(EventKind.ALARM_CHANGED) == 60


def test_the_newest_block_is_never_trimmed(path: Path) -> None:
    """A limit that nothing can meet leaves the newest readings."""
    with recording(path, rows_per_block=2, retention=Retention(size_bytes=1)) as recorder:
        for second in range(20):
            recorder.write([batch(second)])
    assert count(path, "blocks") == 1
    assert_whole(path)


def test_settings_changed_before_a_start_act_at_the_start(path: Path) -> None:
    """A shorter retention trims at once, not only when the next block is full."""
    with recording(path, rows_per_block=2) as recorder:
        for second in range(20):
            recorder.write([batch(second)])
    now = Now(20.0)
    with recording(path, now=now, retention=Retention(age_days=10 / 86_400)) as recorder:
        recorder.write([])
    assert count(path, "blocks") == 5
    assert_whole(path)


def test_own_events_come_after_those_of_the_batches(path: Path) -> None:
    """What the ledger has to tell stands after what it was given in the same transaction."""
    with recording(path) as recorder:
        written = recorder.write([batch(1, alarm_changed(1.0))], [event(EventKind.WIPED, 2.0)])
    kinds = [each.event.kind for each in reader.events(path)]
    assert kinds == [EventKind.ALARM_CHANGED, EventKind.WIPED]
    assert written == record.Written(events=2, rows=1)
