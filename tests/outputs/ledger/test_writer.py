"""The queue and the thread behind it."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from outputs.ledger.samples import (
    ManualCondition,
    Now,
    alarm_changed,
    at,
    batch,
    event,
    state,
)
from watchedpot.core.model import Event, EventKind, Instant
from watchedpot.errors import DataError, LedgerError
from watchedpot.outputs.ledger import reader, store
from watchedpot.outputs.ledger.record import Batch, Resumed
from watchedpot.outputs.ledger.verify import verify
from watchedpot.outputs.ledger.writer import Ledger

SOON_S = 10.0
"""Bound of a wait for the thread; it is used up only by a test that has failed."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a ledger will be."""
    return tmp_path / "cell.ledger"


@pytest.fixture
def condition() -> ManualCondition:
    """How the writer waits: until the test lets time pass."""
    return ManualCondition()


def impatient(path: Path) -> sqlite3.Connection:
    """Connection that does not wait for a lock."""
    connection = store.connect_writer(path)
    connection.execute("PRAGMA busy_timeout = 0")
    return connection


@contextmanager
def opened(
    path: Path,
    condition: ManualCondition,
    *,
    now: Callable[[], Instant] | None = None,
    queue_batches: int = 1000,
    connect: Callable[[Path], sqlite3.Connection] = impatient,
) -> Iterator[Ledger]:
    """Ledger whose first transaction, which records the run, is done."""
    ledger = Ledger.open(
        path,
        now=now or Now(),
        version="0.1.0",
        config="poll_period_s = 1.0",
        queue_batches=queue_batches,
        connect=connect,
        condition=condition,
    )
    try:
        wait_for(ledger, lambda: ledger.status().commits + ledger.status().failures > 0)
        yield ledger
    finally:
        ledger.stop(timeout_s=SOON_S)


def wait_for(ledger: Ledger, fact: Callable[[], bool]) -> None:
    """Wait for the thread to have done something."""
    for _ in range(int(SOON_S * 1000)):
        if fact():
            return
        threading.Event().wait(0.001)
    pytest.fail(f"not so within {SOON_S} s: {ledger.status()}")


def told(path: Path, kind: EventKind) -> list[Event]:
    """Events of a kind that a ledger holds."""
    return [each.event for each in reader.events(path) if each.event.kind is kind]


class Gate:
    """A disk that hangs at each COMMIT until it is let go."""

    def __init__(self) -> None:
        self.is_free = threading.Event()
        self.is_free.set()
        self.is_reached = threading.Event()

    def connect(self, path: Path) -> sqlite3.Connection:
        """Connection to that disk."""
        gate = self

        class Hanging(sqlite3.Connection):
            def execute(self, sql: str, *parameters: Any) -> sqlite3.Cursor:
                if sql == "COMMIT" and not gate.is_free.is_set():
                    gate.is_reached.set()
                    gate.is_free.wait(SOON_S)
                return super().execute(sql, *parameters)

        return sqlite3.connect(path, isolation_level=None, check_same_thread=False, factory=Hanging)


async def test_what_is_committed_reads_back(path: Path, condition: ManualCondition) -> None:
    """A receipt that is True means that another connection sees the batch."""
    with opened(path, condition) as ledger:
        assert await ledger.committed(ledger.append(batch(1, alarm_changed(1.0))))
        assert [each.event for each in reader.events(path)] == [alarm_changed(1.0)]
        assert sum(len(each.block) for each in reader.blocks(path)) == 1
    assert verify(path).faults == ()


def test_events_are_committed_at_once(path: Path, condition: ManualCondition) -> None:
    """A batch with an event, and all before it, wait for nothing."""
    with opened(path, condition) as ledger:
        first = ledger.append(batch(1))
        second = ledger.append(batch(2, alarm_changed(2.0)))
        assert second.result(SOON_S)
        assert first.result(SOON_S)
        assert ledger.status().commits == 2  # the first one recorded the run


def test_batches_without_events_are_committed_together(
    path: Path, condition: ManualCondition
) -> None:
    """They wait until the interval has passed, and then go as one transaction."""
    with opened(path, condition) as ledger:
        receipts = [ledger.append(batch(second)) for second in range(20)]
        assert not any(receipt.done() for receipt in receipts)
        assert ledger.status().pending == 20
        condition.elapse()
        assert all(receipt.result(SOON_S) for receipt in receipts)
        status = ledger.status()
        assert (status.commits, status.rows, status.events, status.pending) == (2, 20, 0, 0)


def test_a_queue_half_full_does_not_wait(path: Path, condition: ManualCondition) -> None:
    """When much comes in, as in fast time, the interval is not waited for."""
    with opened(path, condition, queue_batches=10) as ledger:
        receipts = [ledger.append(batch(second)) for second in range(5)]
        assert all(receipt.result(SOON_S) for receipt in receipts)


def test_a_full_queue_drops_the_oldest_whole_and_records_it(
    path: Path, condition: ManualCondition
) -> None:
    """While the disk hangs the newest are kept; the loss is counted, and later an event."""
    gate = Gate()
    now = Now()
    with opened(path, condition, now=now, queue_batches=3, connect=gate.connect) as ledger:
        gate.is_free.clear()
        in_flight = ledger.append(batch(0, alarm_changed(0.0)))
        assert gate.is_reached.wait(SOON_S)
        receipts = [ledger.append(batch(second, alarm_changed(second))) for second in range(1, 6)]
        assert [receipt.done() for receipt in receipts] == [True, True, False, False, False]
        assert not receipts[0].result()
        status = ledger.status()
        assert (status.dropped, status.pending, status.capacity) == (2, 4, 3)
        now.seconds = 6.0
        gate.is_free.set()
        assert in_flight.result(SOON_S)
        assert all(receipt.result(SOON_S) for receipt in receipts[2:])
    assert [each.at for each in told(path, EventKind.ALARM_CHANGED)] == [
        at(second) for second in (0, 3, 4, 5)
    ]
    (loss,) = told(path, EventKind.READINGS_DROPPED)
    assert loss.at == at(6.0)
    assert loss.details == (("dropped_batches", 2), ("dropped_rows", 2), ("dropped_events", 2))
    assert verify(path).faults == ()


def test_a_full_disk_is_shown_and_survived(path: Path, condition: ManualCondition) -> None:
    """SQLite's own 'disk full': health says so, nothing waits; after it all is recorded."""
    kept: list[sqlite3.Connection] = []

    def connect(path: Path) -> sqlite3.Connection:
        kept.append(store.connect_writer(path))
        return kept[0]

    now = Now()
    with opened(path, condition, now=now, connect=connect) as ledger:
        (pages,) = kept[0].execute("PRAGMA page_count").fetchone()
        kept[0].execute(f"PRAGMA max_page_count = {pages}")
        now.seconds = 100.0
        long = event(EventKind.WIPED, 1.0, note="x" * 20_000)
        assert not ledger.append(Batch(events=(long,))).result(SOON_S)
        wait_for(ledger, lambda: not ledger.status().is_writing)
        assert ledger.failure == "database or disk is full"
        assert not ledger.append(batch(2)).result(0)  # known at once, nobody waits for a retry
        status = ledger.status()
        assert (status.failures, status.pending, status.dropped) == (1, 2, 0)

        condition.elapse()
        wait_for(ledger, lambda: ledger.status().failures == 2)
        kept[0].execute("PRAGMA max_page_count = 1000000")
        now.seconds = 160.0
        condition.elapse()
        wait_for(ledger, lambda: ledger.status().is_writing)
        assert ledger.failure == ""
        assert ledger.append(batch(3, alarm_changed(3.0))).result(SOON_S)
    assert told(path, EventKind.WIPED) == [long]
    (recovered,) = told(path, EventKind.LEDGER_RECOVERED)
    assert recovered.at == at(160.0)
    assert recovered.details == (
        ("failed_since_utc_ns", at(100.0).utc_ns),
        ("attempts", 2),
        ("cause", "database or disk is full"),
        ("dropped_batches", 0),
        ("dropped_rows", 0),
        ("dropped_events", 0),
    )
    report = verify(path)
    assert report.faults == ()
    assert report.rows == 2


def test_a_lock_of_another_process_is_waited_out(path: Path, condition: ManualCondition) -> None:
    """While somebody holds the lock the oldest are dropped; what was lost is told after it."""
    with opened(path, condition, queue_batches=4) as ledger:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            assert not ledger.append(batch(1, alarm_changed(1.0))).result(SOON_S)
            assert ledger.failure == "database is locked"
            for second in range(2, 8):
                ledger.append(batch(second))
            assert (ledger.status().pending, ledger.status().dropped) == (4, 3)
            other.execute("COMMIT")
        condition.elapse()
        wait_for(ledger, lambda: ledger.status().is_writing)
    (recovered,) = told(path, EventKind.LEDGER_RECOVERED)
    assert recovered.detail("dropped_batches") == 3
    assert recovered.detail("dropped_events") == 1
    assert told(path, EventKind.READINGS_DROPPED) == []
    report = verify(path)
    assert (report.faults, report.rows) == ((), 4)


def test_a_ledger_locked_at_the_start_is_opened_all_the_same(
    path: Path, condition: ManualCondition
) -> None:
    """The state is resumed and the run recorded later: a lock does not stop a start."""
    with opened(path, condition) as ledger:
        ledger.append(batch(1, alarm_changed(1.0))).result(SOON_S)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with opened(path, condition) as ledger:
            assert ledger.resume().states == state(1)
            assert not ledger.status().is_writing
            ledger.append(batch(2))
            other.execute("COMMIT")
            condition.elapse()
            wait_for(ledger, lambda: ledger.status().is_writing)
    assert [run.id for run in reader.runs(path)] == [1, 2]
    assert verify(path).faults == ()


def test_a_next_run_resumes_where_the_last_one_stopped(
    path: Path, condition: ManualCondition
) -> None:
    """State and time of the newest batch, though it had no event and its interval not passed."""
    with opened(path, condition) as ledger:
        assert ledger.resume() == Resumed({}, None, None, ())
        ledger.append(batch(7))
        assert ledger.stop(timeout_s=SOON_S)
    with opened(path, condition) as ledger:
        found = ledger.resume()
    assert found.states == state(7)
    assert found.last is not None
    assert at(7).utc_ns <= found.last.utc_ns < at(8).utc_ns


async def test_closing_commits_what_waits(path: Path, condition: ManualCondition) -> None:
    """The interval is not waited for; after it batches are refused and counted."""
    with opened(path, condition) as ledger:
        receipt = ledger.append(batch(1))
        assert await ledger.close(timeout_s=SOON_S)
        assert receipt.result(0)
        assert not ledger.append(batch(2)).result(0)
        status = ledger.status()
        assert (status.is_writing, status.dropped, status.rows) == (False, 1, 1)


def test_closing_a_hanging_disk_is_bounded(path: Path, condition: ManualCondition) -> None:
    """The caller is told that not all is durable, and goes on."""
    gate = Gate()
    with opened(path, condition, connect=gate.connect) as ledger:
        gate.is_free.clear()
        receipt = ledger.append(batch(1, alarm_changed(1.0)))
        assert gate.is_reached.wait(SOON_S)
        assert not ledger.stop(timeout_s=0.01)
        assert not receipt.done()
        gate.is_free.set()
        assert receipt.result(SOON_S)
        assert ledger.stop(timeout_s=SOON_S)


def test_closing_a_ledger_that_cannot_be_written_says_so(
    path: Path, condition: ManualCondition
) -> None:
    """One last attempt is made, then the thread ends."""
    with (
        opened(path, condition) as ledger,
        closing(sqlite3.connect(path, isolation_level=None)) as other,
    ):
        other.execute("BEGIN IMMEDIATE")
        receipt = ledger.append(batch(1))
        assert not ledger.stop(timeout_s=SOON_S)
        assert not receipt.result(0)
        assert ledger.status().pending == 1


async def test_waiting_for_a_commit_is_bounded(path: Path, condition: ManualCondition) -> None:
    """A wait that ends before the commit says 'not durable', and the batch is still written."""
    with opened(path, condition) as ledger:
        receipt = ledger.append(batch(1))
        assert not await ledger.committed(receipt, timeout_s=0.0)
        condition.elapse()
        assert receipt.result(SOON_S)


async def test_a_cancelled_wait_cancels_no_batch(path: Path, condition: ManualCondition) -> None:
    """The task that waits may go; the batch is written."""
    with opened(path, condition) as ledger:
        receipt = ledger.append(batch(1))
        waiting = asyncio.ensure_future(ledger.committed(receipt))
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        condition.elapse()
        assert receipt.result(SOON_S)


def test_an_event_that_cannot_be_written_is_refused_to_the_caller(
    path: Path, condition: ManualCondition
) -> None:
    """It never reaches the queue, where it would stop all others."""
    with opened(path, condition) as ledger:
        with pytest.raises(DataError):
            ledger.append(Batch(events=(Event(EventKind.WIPED, Instant(2**70, 0)),)))
        assert ledger.status().pending == 0


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_writer_that_dies_of_a_bug_is_not_taken_for_a_healthy_one(
    path: Path, condition: ManualCondition
) -> None:
    """Its receipts say 'not durable', its health 'not writing', and it takes nothing more."""
    with opened(path, condition) as ledger:
        wrong = Batch(states={"housing_7": "a text, no bytes"})  # type: ignore[dict-item]
        waiting = [ledger.append(wrong), ledger.append(batch(1, alarm_changed(1.0)))]
        assert [receipt.result(SOON_S) for receipt in waiting] == [False, False]
        assert not ledger.status().is_writing
        assert not ledger.append(batch(2)).result(0)
        assert not ledger.stop(timeout_s=SOON_S)


def test_a_file_that_cannot_be_a_ledger_is_an_error_at_the_start(tmp_path: Path) -> None:
    """The folder does not exist: nothing is started."""
    file = tmp_path / "missing" / "cell.ledger"
    with pytest.raises(LedgerError) as caught:
        Ledger.open(file, now=Now(), version="0.1.0", config="")
    assert str(caught.value) == (
        f"ledger {file}: its folder cannot be used (No such file or directory);"
        " nothing was started; check the path and its permissions"
    )


def test_a_second_daemon_does_not_take_the_ledger_of_the_first(
    path: Path, condition: ManualCondition
) -> None:
    """It ends before it has begun a run, and the first goes on recording."""
    with opened(path, condition, now=Now(3.0)) as ledger:
        with pytest.raises(LedgerError, match="another process is writing it"):
            Ledger.open(path, now=Now(), version="0.1.0", config="")
        assert ledger.status().is_writing
    assert len(list(reader.runs(path))) == 1
    with opened(path, condition, now=Now(4.0)):
        pass  # the claim ended with the first
    assert len(list(reader.runs(path))) == 2


def test_another_database_is_an_error_at_the_start(path: Path) -> None:
    """Nothing is started, and the file is let go."""
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE orders (id INTEGER)")
    with pytest.raises(LedgerError, match="expected a ledger"):
        Ledger.open(path, now=Now(), version="0.1.0", config="")
    path.rename(path.with_name("free.db"))


def test_the_size_is_that_of_the_file_and_its_log(path: Path, condition: ManualCondition) -> None:
    """What the health shows is what the disk has to hold."""
    with opened(path, condition, now=Now(3.0)) as ledger:
        ledger.append(batch(1, alarm_changed(1.0))).result(SOON_S)
        log = path.with_name("cell.ledger-wal")
        status = ledger.status()
        assert status.size_bytes == path.stat().st_size + log.stat().st_size
        assert status.last_commit == at(3.0)


@pytest.mark.integration
async def test_the_loop_runs_on_while_the_writer_waits_for_a_lock(path: Path) -> None:
    """Another process holds the lock for as long as the writer waits; the loop never stands."""
    ledger = Ledger.open(path, now=Now(), version="0.1.0", config="", commit_interval_s=0.01)
    with closing(sqlite3.connect(path, isolation_level=None, timeout=SOON_S)) as other:
        other.execute("BEGIN IMMEDIATE")
        longest_s, last_s = 0.0, time.monotonic()
        receipt = ledger.append(batch(1, alarm_changed(1.0)))
        second = 2
        while not receipt.done():
            ledger.append(batch(second))
            ledger.status()
            await asyncio.sleep(0.001)
            longest_s = max(longest_s, time.monotonic() - last_s)
            last_s = time.monotonic()
            second += 1
        other.execute("COMMIT")
    assert not receipt.result()  # the writer gave up after BUSY_S
    assert second > 20
    assert longest_s < store.BUSY_S / 2
    assert await ledger.close(timeout_s=SOON_S)
    assert verify(path).faults == ()
