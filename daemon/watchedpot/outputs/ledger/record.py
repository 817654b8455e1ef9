"""One transaction: what came in since the last one, written as a whole or not at all."""

from __future__ import annotations

import itertools
import json
import sqlite3
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256

from watchedpot.core.model import Block, Event, EventKind, Instant, join_blocks
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import codec, made
from watchedpot.outputs.ledger.chain import GENESIS, details_text, row_hash, state_hash
from watchedpot.outputs.ledger.projections import project
from watchedpot.outputs.ledger.retention import Retention, trim
from watchedpot.outputs.ledger.store import Heads

SEALS_PER_COMMIT = 8
"""Tails made into blocks in one transaction; those of many sources are full at the same time."""

CHECKPOINT_NS = 6 * 3600 * 1_000_000_000
"""Time between two states kept for replays [ns]: a replay has at most so much to go through."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What is recorded together: readings, the events they caused, the states after them.

    Attributes
    ----------
    states
        State of the core after this batch, as JSON, by cell; cells that did not change may be
        left out.
    """

    blocks: tuple[Block, ...] = ()
    events: tuple[Event, ...] = ()
    states: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Resumed:
    """What an earlier run left behind.

    Attributes
    ----------
    states
        Newest state of each cell, as JSON.
    last
        Newest moment recorded, None in a new ledger; all time since then is blind. Its
        monotonic part belongs to the earlier run.
    config_revision
        SHA-256 of the configuration of the earlier run, None in a new ledger.
    damaged
        Cells whose state is not what was written; they are not in ``states``.
    """

    states: dict[str, bytes]
    last: Instant | None
    config_revision: str | None
    damaged: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Written:
    """What one transaction added."""

    events: int
    rows: int


def config_revision(text: str) -> str:
    """Name of a configuration: SHA-256 of its text, in hex."""
    return sha256(text.encode()).hexdigest()


def resumed(connection: sqlite3.Connection) -> Resumed:
    """State and time to go on from."""
    states: dict[str, bytes] = {}
    damaged: list[str] = []
    for cell, run, utc_ns, mono_ns, payload, found in connection.execute(
        "SELECT cell, run, utc_ns, mono_ns, payload, hash FROM states ORDER BY cell"
    ):
        if found == state_hash(cell, payload, run=run, utc_ns=utc_ns, mono_ns=mono_ns):
            states[cell] = zlib.decompress(payload)
        else:
            damaged.append(cell)
    heads = Heads.read(connection)
    last = Instant(heads.last_utc_ns, heads.last_mono_ns) if heads.last_run else None
    run_row = connection.execute(
        "SELECT configuration FROM runs ORDER BY id DESC LIMIT 1"
    ).fetchone()
    return Resumed(states, last, run_row[0] if run_row else None, tuple(damaged))


class Recorder:
    """Writes transactions through one connection; used by one thread.

    Nothing of the file is remembered between transactions but the number of the run, so a
    transaction that was rolled back has left no trace here either.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        *,
        now: Callable[[], Instant],
        version: str,
        config: str,
        rows_per_block: int,
        retention: Retention,
    ) -> None:
        self._connection = connection
        self._now = now
        self._started = now()
        self._version = version
        self._config = config
        self._rows_per_block = rows_per_block
        self._retention = retention
        self._run: int | None = None

    def write(self, batches: Sequence[Batch], notes: Iterable[Event] = ()) -> Written:
        """Commit batches and the ledger's own events; when it returns they are on the disk.

        Raises
        ------
        sqlite3.Error
            Nothing of it was written.
        LedgerError
            Another process has opened the ledger as its own; nothing was written.
        """
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            transaction = _Transaction(self._connection, self._run or self._begin_run())
            is_new = self._run is None
            self._check_owner(transaction.run)
            if is_new:
                transaction.seal_all(self._rows_per_block)
            written = self._fill(transaction, batches, notes, has_sealed=is_new)
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        self._run = transaction.run
        return written

    def _fill(
        self,
        transaction: _Transaction,
        batches: Sequence[Batch],
        notes: Iterable[Event],
        *,
        has_sealed: bool,
    ) -> Written:
        heads = transaction.heads
        before = heads.events + heads.parts, heads.rows
        for chunk in _by_layout(batches):
            transaction.append_rows(chunk, self._rows_per_block)
        for batch in batches:
            for event in batch.events:
                transaction.append_event(event)
        for event in notes:
            transaction.append_event(event)
        if transaction.seal_full(self._rows_per_block) or has_sealed:
            transaction.trim(self._retention, self._now())
        transaction.put_states(batches)
        transaction.heads.write(self._connection)
        heads = transaction.heads
        return Written(heads.events + heads.parts - before[0], heads.rows - before[1])

    def _begin_run(self) -> int:
        revision = config_revision(self._config)
        at = (self._started.utc_ns, self._started.mono_ns)
        self._connection.execute(
            "INSERT OR IGNORE INTO configurations VALUES (?, ?, ?, ?)",
            (revision, self._config, *at),
        )
        run = self._connection.execute(
            "INSERT INTO runs (utc_ns, mono_ns, version, configuration) VALUES (?, ?, ?, ?)",
            (*at, self._version, revision),
        ).lastrowid
        assert run is not None  # noqa: S101 - sqlite3 sets it after an insert
        return run

    def _check_owner(self, run: int) -> None:
        (newest,) = self._connection.execute("SELECT max(id) FROM runs").fetchone()
        if newest != run:
            raise LedgerError(
                "ledger",
                f"expected run {run} to be the newest, got run {newest}",
                effect="nothing more is recorded here",
                hint="stop the other daemon that writes to this ledger, then start this one again",
            )


def _by_layout(batches: Sequence[Batch]) -> Iterator[Block]:
    """Rows of all batches, joined as far as a source keeps its channels."""
    by_source: dict[str, list[Block]] = {}
    for batch in batches:
        for block in batch.blocks:
            if len(block):
                by_source.setdefault(block.source, []).append(block)
    for blocks in by_source.values():
        for _, group in itertools.groupby(blocks, key=lambda block: block.channels):
            yield join_blocks(tuple(group))


@dataclass(slots=True)
class _Layout:
    """A source with its channels, as the file knows it."""

    id: int
    source: str
    channels: str
    tail_rows: int
    tail_hash: bytes


_LAYOUT = "SELECT id, source, channels, tail_rows, tail_hash FROM layouts"


class _Transaction:
    """What is done between BEGIN and COMMIT."""

    def __init__(self, connection: sqlite3.Connection, run: int) -> None:
        self._connection = connection
        self.run = run
        self.heads = Heads.read(connection)

    def append_event(self, event: Event) -> None:
        """Next link of the chain of events, and its projection; parts have one of their own."""
        heads = self.heads
        if event.kind is EventKind.PART_MADE:
            made.append(self._connection, heads, event, run=self.run)
            self._note_moment(event.at)
            return
        seq = heads.events + 1
        fields = (
            *(seq, self.run, event.at.utc_ns, event.at.mono_ns),
            *(event.cell, event.zone, event.kind.value, details_text(event)),
        )
        link = row_hash(heads.events_hash, fields)
        self._connection.execute(
            "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*fields, heads.events_hash, link),
        )
        project(self._connection, event, seq=seq, run=self.run)
        heads.events, heads.events_hash = seq, link
        self._note_moment(event.at)

    def append_rows(self, block: Block, rows_per_block: int) -> None:
        """Rows of a source at the end of its tail."""
        layout = self._layout(block)
        for (other,) in self._connection.execute(
            "SELECT id FROM layouts WHERE source = ? AND id <> ? AND tail_rows > 0",
            (layout.source, layout.id),
        ).fetchall():
            self._seal(other, rows_per_block)
        (newest,) = self._connection.execute("SELECT max(seq) FROM tail").fetchone()
        layout.tail_hash = self._insert(
            "tail",
            block,
            codec.pack(block),
            layout,
            seq=(newest or 0) + 1,
            run=self.run,
            previous=layout.tail_hash,
        )
        self._connection.execute(
            "UPDATE layouts SET tail_rows = tail_rows + ?, tail_hash = ? WHERE id = ?",
            (len(block), layout.tail_hash, layout.id),
        )
        self.heads.rows += len(block)
        self._note_moment(Instant(int(block.seen_ns[-1]), int(block.mono_ns[-1])))

    def _layout(self, block: Block) -> _Layout:
        key = (block.source, json.dumps(block.channels, separators=(",", ":")))
        find = f"{_LAYOUT} WHERE source = ? AND channels = ?"
        row = self._connection.execute(find, key).fetchone()
        if row is None:
            self._connection.execute(
                "INSERT INTO layouts (source, channels, tail_rows, tail_hash) VALUES (?, ?, 0, ?)",
                (*key, GENESIS),
            )
            row = self._connection.execute(find, key).fetchone()
        return _Layout(*row)

    def _insert(
        self,
        table: str,
        block: Block,
        payload: bytes,
        layout: _Layout,
        *,
        seq: int,
        run: int,
        previous: bytes,
    ) -> bytes:
        """Next link of a chain of readings; its hash."""
        spans = (
            *(int(block.mono_ns[0]), int(block.mono_ns[-1])),
            *(int(block.seen_ns[0]), int(block.seen_ns[-1])),
        )
        named = (seq, run, layout.source, layout.channels, len(block), *spans, payload)
        link = row_hash(previous, named)
        self._connection.execute(
            f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
            (seq, run, layout.id, len(block), *spans, payload, previous, link),
        )
        return link

    def seal_all(self, rows_per_block: int) -> None:
        """Tails of an earlier run become blocks: a tail is always of one run."""
        for (layout,) in self._connection.execute(
            "SELECT id FROM layouts WHERE tail_rows > 0"
        ).fetchall():
            self._seal(layout, rows_per_block)

    def seal_full(self, rows_per_block: int) -> bool:
        """Make full tails into blocks; whether there were any."""
        full = self._connection.execute(
            "SELECT id FROM layouts WHERE tail_rows >= ? LIMIT ?",
            (rows_per_block, SEALS_PER_COMMIT),
        ).fetchall()
        for (layout,) in full:
            self._seal(layout, rows_per_block)
        return bool(full)

    def _seal(self, layout_id: int, rows_per_block: int) -> None:
        row = self._connection.execute(f"{_LAYOUT} WHERE id = ?", (layout_id,)).fetchone()
        layout = _Layout(*row)
        channels = tuple(json.loads(layout.channels))
        tail = self._connection.execute(
            "SELECT rows, payload FROM tail WHERE layout = ? ORDER BY seq", (layout_id,)
        ).fetchall()
        (run,) = self._connection.execute(
            "SELECT run FROM tail WHERE layout = ? LIMIT 1", (layout_id,)
        ).fetchone()
        whole = codec.unpack(tail, source=layout.source, channels=channels)
        pieces = max(1, len(whole) // rows_per_block)
        for piece in range(pieces):
            start, stop = (len(whole) * end // pieces for end in (piece, piece + 1))
            block = whole.rows(start, stop)
            self.heads.blocks += 1
            self.heads.blocks_hash = self._insert(
                "blocks",
                block,
                codec.encode(block),
                layout,
                seq=self.heads.blocks,
                run=run,
                previous=self.heads.blocks_hash,
            )
        self._connection.execute("DELETE FROM tail WHERE layout = ?", (layout_id,))
        self._connection.execute(
            "UPDATE layouts SET tail_rows = 0, tail_hash = ? WHERE id = ?", (GENESIS, layout_id)
        )

    def trim(self, retention: Retention, at: Instant) -> None:
        """Take out what is beyond the retention and nobody needs, and record that."""
        done = trim(self._connection, self.heads, retention, at)
        if done.is_to_tell:
            self.append_event(Event(EventKind.RECORD_TRIMMED, at, details=done.details()))

    def put_states(self, batches: Sequence[Batch]) -> None:
        """Newest state of each cell, in place of the one before."""
        heads = self.heads
        newest = {cell: state for batch in batches for cell, state in batch.states.items()}
        at = {"run": self.run, "utc_ns": heads.last_utc_ns, "mono_ns": heads.last_mono_ns}
        changed = {
            event.cell
            for batch in batches
            for event in batch.events
            if event.kind is EventKind.CHARGE_CHANGED
        }
        for cell, state in newest.items():
            payload = zlib.compress(state, 1)
            self._connection.execute(
                "INSERT OR REPLACE INTO states VALUES (?, ?, ?, ?, ?, ?)",
                (cell, *at.values(), payload, state_hash(cell, payload, **at)),
            )
            self._keep_checkpoint(cell, payload, is_due=cell in changed)

    def _keep_checkpoint(self, cell: str, payload: bytes, *, is_due: bool) -> None:
        """Next checkpoint of a cell, if its newest is old; a clock set back makes it so too."""
        heads = self.heads
        newest = self._connection.execute(
            "SELECT utc_ns, hash FROM checkpoints WHERE cell = ? ORDER BY seq DESC LIMIT 1", (cell,)
        ).fetchone()
        if newest and not is_due and abs(heads.last_utc_ns - newest[0]) < CHECKPOINT_NS:
            return
        (last,) = self._connection.execute("SELECT max(seq) FROM checkpoints").fetchone()
        previous = newest[1] if newest else GENESIS
        row = (*((last or 0) + 1, cell, self.run, heads.last_utc_ns, heads.last_mono_ns, payload),)
        self._connection.execute(
            "INSERT INTO checkpoints VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (*row, previous, row_hash(previous, row)),
        )
        heads.checkpoints += 1

    def _note_moment(self, at: Instant) -> None:
        heads = self.heads
        if (self.run, at.mono_ns) > (heads.last_run, heads.last_mono_ns):
            heads.last_run, heads.last_utc_ns, heads.last_mono_ns = (
                self.run,
                at.utc_ns,
                at.mono_ns,
            )
