"""The writer: a bounded queue in front of one thread that commits.

Nothing here makes the caller wait for the disk. A batch is queued and its receipt says later
whether it is durable. What waits is committed in one transaction: at once when it holds events
or the queue is half full, else after ``commit_interval_s``. While writing fails, batches stay
queued and are tried again; beyond ``queue_batches`` the oldest is dropped whole and counted, and
the first transaction that succeeds records how much was lost.
"""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TypeAlias

from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.snapshot import LedgerSnapshot
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import store
from watchedpot.outputs.ledger.chain import details_text
from watchedpot.outputs.ledger.record import Batch, Recorder, Resumed, Written, resumed
from watchedpot.outputs.ledger.retention import Retention

Receipt: TypeAlias = Future[bool]
"""Becomes True when the batch is durable, False when it is not yet or never will be."""


@dataclass(frozen=True, slots=True)
class _Queued:
    batch: Batch
    receipt: Receipt


@dataclass(frozen=True, slots=True)
class _Loss:
    """Batches dropped since the last successful transaction."""

    batches: int = 0
    rows: int = 0
    events: int = 0

    def plus(self, batch: Batch) -> _Loss:
        return _Loss(
            self.batches + 1,
            self.rows + sum(len(block) for block in batch.blocks),
            self.events + len(batch.events),
        )

    def minus(self, other: _Loss) -> _Loss:
        return _Loss(
            self.batches - other.batches, self.rows - other.rows, self.events - other.events
        )

    def details(self) -> tuple[tuple[str, Detail], ...]:
        return (
            ("dropped_batches", self.batches),
            ("dropped_rows", self.rows),
            ("dropped_events", self.events),
        )


@dataclass(frozen=True, slots=True)
class _Outage:
    """Since when and why writing fails."""

    since: Instant
    attempts: int
    cause: str


class Ledger:
    """An open ledger; made by ``Ledger.open``.

    ``append``, ``committed``, ``status`` and ``close`` may be called from the event loop; none
    of them touches the disk there.
    """

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        recorder: Recorder,
        found: Resumed,
        claim: IO[bytes],
        *,
        now: Callable[[], Instant],
        queue_batches: int,
        commit_interval_s: float,
        retry_s: float,
        condition: threading.Condition,
    ) -> None:
        self._path = path
        self._connection = connection
        self._recorder = recorder
        self._found = found
        self._claim = claim
        self._now = now
        self._capacity = queue_batches
        self._commit_interval_s = commit_interval_s
        self._retry_s = retry_s

        # All below is guarded by the condition.
        self._condition = condition
        self._waiting: deque[_Queued] = deque()
        self._in_flight: tuple[_Queued, ...] = ()
        self._is_urgent = False
        self._is_closing = False
        self._is_over = False
        self._outage: _Outage | None = None
        self._loss = _Loss()
        self._commits = 0
        self._failures = 0
        self._events = 0
        self._rows = 0
        self._dropped = 0
        self._size_bytes = 0
        self._last_commit: Instant | None = None

        # A commit that hangs in a dead file system must not keep the process from ending.
        self._thread = threading.Thread(target=self._work, name="ledger", daemon=True)

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        now: Callable[[], Instant],
        version: str,
        config: str,
        queue_batches: int = 1000,
        commit_interval_s: float = 1.0,
        retry_s: float = 1.0,
        rows_per_block: int = 600,
        retention: Retention = Retention(),  # noqa: B008 - frozen
        connect: Callable[[Path], sqlite3.Connection] = store.connect_writer,
        condition: threading.Condition | None = None,
    ) -> Ledger:
        """Open or create a ledger and start its writer; blocks while it reads what is there.

        An existing ledger that cannot be written at present is opened all the same: the run is
        recorded, with all that came in meanwhile, when writing succeeds.

        Parameters
        ----------
        path
            The file.
        now
            Cell time.
        version
            Of the daemon, recorded with the run.
        config
            Text of the configuration, recorded with the run under its SHA-256.
        queue_batches
            Batches that may wait; beyond it the oldest is dropped.
        commit_interval_s, retry_s
            Longest wait of a batch without events, and pause after a failure, in real time. [s]
        rows_per_block
            Rows of a source that make a compressed block.
        retention
            How much is kept.
        connect, condition
            How the file is opened and how the writer waits; tests put their own here.

        Raises
        ------
        LedgerError
            Not a ledger, one of a newer version, or it cannot be opened or created; or another
            process is writing it.
        """
        with ExitStack() as opened:
            claim = opened.enter_context(store.claim(path))
            try:
                connection = opened.enter_context(closing(connect(path)))
                store.prepare(connection, path)
                found = resumed(connection)
            except sqlite3.Error as exc:
                raise store.unreadable(path, exc) from exc
            opened.pop_all()  # from here on the writer closes them
        recorder = Recorder(
            connection,
            now=now,
            version=version,
            config=config,
            rows_per_block=rows_per_block,
            retention=retention,
        )
        ledger = cls(
            path,
            connection,
            recorder,
            found,
            claim,
            now=now,
            queue_batches=queue_batches,
            commit_interval_s=commit_interval_s,
            retry_s=retry_s,
            condition=condition or threading.Condition(),
        )
        ledger._thread.start()
        return ledger

    def resume(self) -> Resumed:
        """What the run before this one left behind."""
        return self._found

    @property
    def failure(self) -> str:
        """Why writing fails at present, empty while it does not."""
        outage = self._outage
        return outage.cause if outage else ""

    def append(self, batch: Batch) -> Receipt:
        """Queue a batch; the oldest one waiting is dropped where there is no room.

        Raises
        ------
        DataError
            An event that cannot be written: see ``details_text``.
        """
        for event in batch.events:
            details_text(event)
        receipt: Receipt = Future()
        receipt.set_running_or_notify_cancel()  # a caller that stops waiting cancels nothing
        with self._condition:
            if self._is_over:
                self._drop(_Queued(batch, receipt))
                return receipt
            self._waiting.append(_Queued(batch, receipt))
            self._drop_beyond_capacity()
            if self._outage is not None and not receipt.done():
                receipt.set_result(False)
            is_filling = 2 * len(self._waiting) >= self._capacity
            self._is_urgent = self._is_urgent or bool(batch.events) or is_filling
            self._condition.notify_all()
        return receipt

    async def committed(self, receipt: Receipt, *, timeout_s: float = 5.0) -> bool:
        """Wait until a batch is durable: True; or until it is known that it is not: False.

        Bounded by ``timeout_s``. A batch that is not durable may still become so later.
        """
        try:
            return await asyncio.wait_for(asyncio.wrap_future(receipt), timeout_s)
        except TimeoutError:
            return False

    def status(self) -> LedgerSnapshot:
        """Health of the record; counts are since the start of this run."""
        with self._condition:
            return LedgerSnapshot(
                is_writing=self._outage is None and not self._is_over,
                commits=self._commits,
                failures=self._failures,
                events=self._events,
                rows=self._rows,
                pending=len(self._waiting) + len(self._in_flight),
                capacity=self._capacity,
                dropped=self._dropped,
                size_bytes=self._size_bytes,
                last_commit=self._last_commit,
            )

    async def close(self, *, timeout_s: float = 5.0) -> bool:
        """Commit what waits and close the file; whether all of it is durable.

        Bounded by ``timeout_s``: a writer that hangs is left to the end of the process.
        """
        return await asyncio.to_thread(self.stop, timeout_s=timeout_s)

    def stop(self, *, timeout_s: float = 5.0) -> bool:
        """The same as ``close``, for callers outside an event loop; blocks."""
        with self._condition:
            self._is_closing = True
            self._condition.notify_all()
        self._thread.join(timeout_s)
        with self._condition:
            is_rest = self._waiting or self._in_flight or self._outage
            return self._is_over and not is_rest

    def _work(self) -> None:
        """Body of the thread: wait, commit, and after a failure pause and try again."""
        try:
            is_durable = self._commit()
            is_last = False
            while not is_last:
                is_last = self._await_work() if is_durable else self._pause()
                if self._waiting or not is_durable:
                    is_durable = self._commit()
        finally:
            with self._condition:
                self._is_over = True
                for queued in (*self._in_flight, *self._waiting):
                    _answer(queued, is_durable=False)
            self._connection.close()
            self._claim.close()

    def _pause(self) -> bool:
        """Wait before the next attempt; whether it is the last one."""
        with self._condition:
            self._condition.wait_for(lambda: self._is_closing, self._retry_s)
            return self._is_closing

    def _await_work(self) -> bool:
        """Wait for batches, and for their moment; whether they are the last ones."""
        with self._condition:
            self._condition.wait_for(lambda: self._waiting or self._is_closing)
            self._condition.wait_for(
                lambda: self._is_urgent or self._is_closing, self._commit_interval_s
            )
            return self._is_closing

    def _commit(self) -> bool:
        """One transaction of all that waits; whether it succeeded."""
        with self._condition:
            self._in_flight = tuple(self._waiting)
            self._waiting.clear()
            self._is_urgent = False
            group = self._in_flight
            loss = self._loss
            notes = self._notes(loss)
        try:
            written = self._recorder.write([queued.batch for queued in group], notes)
        except (sqlite3.Error, LedgerError) as exc:
            self._note_failure(exc)
            return False
        self._note_commit(group, written, loss)
        return True

    def _notes(self, loss: _Loss) -> Sequence[Event]:
        """What the ledger itself has to tell: an outage that this transaction ends, a loss."""
        if self._outage is not None:
            outage = self._outage
            details: tuple[tuple[str, Detail], ...] = (
                ("failed_since_utc_ns", outage.since.utc_ns),
                ("attempts", outage.attempts),
                ("cause", outage.cause),
                *loss.details(),
            )
            return (Event(EventKind.LEDGER_RECOVERED, self._now(), details=details),)
        if loss.batches:
            return (Event(EventKind.READINGS_DROPPED, self._now(), details=loss.details()),)
        return ()

    def _note_commit(self, group: Sequence[_Queued], written: Written, loss: _Loss) -> None:
        at = self._now()
        size_bytes = _size_bytes(self._path)
        with self._condition:
            self._in_flight = ()
            self._outage = None
            self._loss = self._loss.minus(loss)
            self._commits += 1
            self._events += written.events
            self._rows += written.rows
            self._size_bytes = size_bytes
            self._last_commit = at
        for queued in group:
            _answer(queued, is_durable=True)

    def _note_failure(self, exc: Exception) -> None:
        with self._condition:
            before = self._outage
            self._outage = _Outage(
                before.since if before else self._now(),
                before.attempts + 1 if before else 1,
                str(exc),
            )
            self._failures += 1
            self._waiting.extendleft(reversed(self._in_flight))
            self._in_flight = ()
            self._drop_beyond_capacity()
            for queued in self._waiting:
                _answer(queued, is_durable=False)

    def _drop_beyond_capacity(self) -> None:
        while len(self._waiting) > self._capacity:
            self._drop(self._waiting.popleft())

    def _drop(self, queued: _Queued) -> None:
        self._dropped += 1
        self._loss = self._loss.plus(queued.batch)
        _answer(queued, is_durable=False)


def _answer(queued: _Queued, *, is_durable: bool) -> None:
    if not queued.receipt.done():
        queued.receipt.set_result(is_durable)


def _size_bytes(path: Path) -> int:
    """Size of the file and of its write-ahead log."""
    log = path.with_name(f"{path.name}-wal")
    return sum(part.stat().st_size for part in (path, log) if part.exists())
