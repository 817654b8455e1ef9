"""Reading a ledger back, also one in use: row by row, nothing is loaded as a whole.

Each iterator sees the ledger as it was when it began. Times are UTC: ``since_ns`` and
``from_ns`` are included, ``until_ns`` and ``to_ns`` are not. A ledger that cannot be read
raises a ``LedgerError`` at the first row.
"""

from __future__ import annotations

import heapq
import json
import sqlite3
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from watchedpot.core.model import Block, Detail, Event, EventKind, Instant
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import codec
from watchedpot.outputs.ledger.chain import row_hash
from watchedpot.outputs.ledger.store import has_parts, reading

_EVER_NS = (-(2**63), 2**63 - 1)

_Layouts: TypeAlias = dict[int, tuple[str, tuple[str, ...]]]


@dataclass(frozen=True, slots=True)
class Run:
    """One start of the daemon.

    Attributes
    ----------
    config_revision
        SHA-256 of the text of its configuration, in hex.
    """

    id: int
    at: Instant
    version: str
    config_revision: str


@dataclass(frozen=True, slots=True)
class Configuration:
    """A configuration that some run used, under its SHA-256, and when it was first used."""

    revision: str
    text: str
    at: Instant


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """An event with its place in the chain."""

    seq: int
    run: int
    event: Event


@dataclass(frozen=True, slots=True)
class RecordedBlock:
    """Readings of one source in one run; monotonic times compare within one run only."""

    run: int
    block: Block


@dataclass(frozen=True, slots=True)
class AlarmTransition:
    """A change of an alarm, from the event that told of it.

    Attributes
    ----------
    alarm, state_before, state, stage
        Details ``alarm``, ``from``, ``to`` and ``stage`` of the event.
    details
        All of its details, by name.
    """

    seq: int
    run: int
    at: Instant
    cell: str
    zone: str
    alarm: Detail
    state_before: Detail
    state: Detail
    stage: Detail
    details: dict[str, Detail]


@dataclass(frozen=True, slots=True)
class RecordedExcursion:
    """An unbroken stay outside an edge, from the events that told of it.

    Attributes
    ----------
    opened
        When it was told of; None where that event was lost.
    ended
        None while it is open.
    details
        Of the newest of its events, by name: onset, peak, exposure and the rest.
    """

    seq: int
    run: int
    cell: str
    zone: str
    edge: Detail
    opened: Instant | None
    ended: Instant | None
    details: dict[str, Detail]


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """State of a cell as it was at some moment, as JSON."""

    run: int
    at: Instant
    cell: str
    state: bytes


def checkpoints(path: Path, *, cell: str) -> Iterator[Checkpoint]:
    """States of a cell kept on the way, oldest first; a damaged one is passed over."""
    with reading(path) as connection:
        if not has_parts(connection):
            return
        for *row, previous, found in connection.execute(
            "SELECT seq, cell, run, utc_ns, mono_ns, payload, prev_hash, hash FROM checkpoints"
            " WHERE cell = ? ORDER BY seq",
            (cell,),
        ):
            if found == row_hash(previous, row):
                _, _, run, utc_ns, mono_ns, payload = row
                yield Checkpoint(run, Instant(utc_ns, mono_ns), cell, zlib.decompress(payload))


def runs(path: Path) -> Iterator[Run]:
    """Each start of the daemon, oldest first."""
    with reading(path) as connection:
        for run, utc_ns, mono_ns, version, revision in connection.execute(
            "SELECT id, utc_ns, mono_ns, version, configuration FROM runs ORDER BY id"
        ):
            yield Run(run, Instant(utc_ns, mono_ns), version, revision)


def configurations(path: Path) -> Iterator[Configuration]:
    """Each configuration that was ever used, in the order of first use."""
    with reading(path) as connection:
        for revision, text, utc_ns, mono_ns in connection.execute(
            "SELECT hash, text, utc_ns, mono_ns FROM configurations ORDER BY rowid"
        ):
            yield Configuration(revision, text, Instant(utc_ns, mono_ns))


def events(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
) -> Iterator[RecordedEvent]:
    """Events in the order in which they were recorded."""
    with reading(path) as connection:
        for row in connection.execute(
            "SELECT seq, run, utc_ns, mono_ns, cell, zone, kind, details FROM events"
            " WHERE utc_ns >= ? AND utc_ns < ? AND ifnull(cell = ?, 1) ORDER BY seq",
            (*_span(since_ns, until_ns), cell),
        ):
            yield recorded_event(row)


def recorded_event(row: tuple[Any, ...]) -> RecordedEvent:
    """Event from the columns of its row, in the order of the schema, without the hashes.

    Raises
    ------
    LedgerError
        A kind that this version does not know, or details that are no JSON object.
    """
    seq, run, utc_ns, mono_ns, cell, zone, kind, details = row
    try:
        event = Event(
            EventKind(kind),
            Instant(utc_ns, mono_ns),
            cell,
            zone,
            tuple(json.loads(details).items()),
        )
    except (ValueError, AttributeError, TypeError) as exc:
        raise LedgerError(f"events row {seq}", f"it does not read back: {exc}") from exc
    return RecordedEvent(seq, run, event)


def alarm_transitions(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
) -> Iterator[AlarmTransition]:
    """Changes of alarms in the order in which they were recorded."""
    with reading(path) as connection:
        for seq, run, utc_ns, mono_ns, *names, details in connection.execute(
            "SELECT seq, run, utc_ns, mono_ns, cell, zone, alarm, state_before, state, stage,"
            " details FROM alarm_transitions"
            " WHERE utc_ns >= ? AND utc_ns < ? AND ifnull(cell = ?, 1) ORDER BY seq",
            (*_span(since_ns, until_ns), cell),
        ):
            of_cell, zone, alarm, before, state, stage = names
            at = Instant(utc_ns, mono_ns)
            yield AlarmTransition(
                seq, run, at, of_cell, zone, alarm, before, state, stage, json.loads(details)
            )


def excursions(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
) -> Iterator[RecordedExcursion]:
    """Excursions of which any part lies in a span of time, oldest first."""
    since, until = _span(since_ns, until_ns)
    with reading(path) as connection:
        for (
            seq,
            run,
            *names,
            opened_utc_ns,
            opened_mono_ns,
            ended_utc_ns,
            ended_mono_ns,
            details,
        ) in connection.execute(
            "SELECT seq, run, cell, zone, edge, opened_utc_ns, opened_mono_ns, ended_utc_ns,"
            " ended_mono_ns, details FROM excursions"
            " WHERE ifnull(ended_utc_ns >= ?, 1) AND ifnull(opened_utc_ns < ?, 1)"
            " AND ifnull(cell = ?, 1) ORDER BY seq",
            (since, until, cell),
        ):
            of_cell, zone, edge = names
            opened = _instant(opened_utc_ns, opened_mono_ns)
            ended = _instant(ended_utc_ns, ended_mono_ns)
            yield RecordedExcursion(
                seq, run, of_cell, zone, edge, opened, ended, json.loads(details)
            )


def newest_ns(
    path: Path, *, before_run: int | None = None, until_ns: int | None = None
) -> int | None:
    """Newest moment of a row or an event, None where there is none; no reading is unpacked. [ns].

    Parameters
    ----------
    before_run
        Only what earlier runs recorded.
    until_ns
        Only what came before; where the clock was stepped back within some readings, their
        newest row counts as just before it. [ns]
    """
    bounds = {"run": before_run, "until": _span(None, until_ns)[1]}
    with reading(path) as connection:
        found = connection.execute(
            "SELECT utc_ns FROM events WHERE utc_ns < :until AND ifnull(run < :run, 1)"
            " ORDER BY utc_ns DESC LIMIT 1",
            bounds,
        ).fetchall()
        for table in ("blocks", "tail"):
            found += connection.execute(
                "SELECT max(min(max(first_seen_ns, last_seen_ns), :until - 1))"  # noqa: S608
                f" FROM {table} WHERE min(first_seen_ns, last_seen_ns) < :until"
                " AND ifnull(run < :run, 1)",
                bounds,
            ).fetchall()
    return max((utc_ns for (utc_ns,) in found if utc_ns is not None), default=None)


def _instant(utc_ns: int | None, mono_ns: int | None) -> Instant | None:
    return None if utc_ns is None or mono_ns is None else Instant(utc_ns, mono_ns)


def blocks(
    path: Path,
    *,
    source: str | None = None,
    from_ns: int | None = None,
    to_ns: int | None = None,
) -> Iterator[RecordedBlock]:
    """Readings received in a span of time, by run and by the time of the first row of a block.

    Compressed blocks and the tail come alike; the rows of one source are in their order.
    """
    span = _span(from_ns, to_ns)
    with reading(path) as connection:
        layouts = {
            layout: (name, tuple(json.loads(channels)))
            for layout, name, channels in connection.execute(
                "SELECT id, source, channels FROM layouts WHERE ifnull(source = ?, 1)", (source,)
            )
        }
        streams = (_blocks(connection, layouts, span), _tails(connection, layouts))
        for run, _, block in heapq.merge(*streams, key=lambda entry: entry[:2]):
            inside = (block.seen_ns >= span[0]) & (block.seen_ns < span[1])
            kept = block if inside.all() else _selected(block, inside)
            if len(kept):
                yield RecordedBlock(run, kept)


def _blocks(
    connection: sqlite3.Connection, layouts: _Layouts, span: tuple[int, int]
) -> Iterator[tuple[int, int, Block]]:
    """Compressed blocks of a span as run, first monotonic time, block.

    The order is that of an index and each payload is fetched on its own: sorting the payloads
    would load them all.
    """
    for seq, layout, run, first_ns in connection.execute(
        "SELECT seq, layout, run, first_mono_ns FROM blocks"
        " WHERE max(first_seen_ns, last_seen_ns) >= ? AND min(first_seen_ns, last_seen_ns) < ?"
        " ORDER BY run, first_mono_ns",
        span,
    ):
        if layout in layouts:
            source, channels = layouts[layout]
            (payload,) = connection.execute(
                "SELECT payload FROM blocks WHERE seq = ?", (seq,)
            ).fetchone()
            if not payload:
                continue  # trimmed, between blocks that are needed
            yield run, first_ns, codec.decode(payload, source=source, channels=channels)


def _tails(connection: sqlite3.Connection, layouts: _Layouts) -> Iterator[tuple[int, int, Block]]:
    """Tail of each source in the same form, as one block."""
    tails = []
    for layout, (source, channels) in layouts.items():
        parts = connection.execute(
            "SELECT run, rows, payload FROM tail WHERE layout = ? ORDER BY seq", (layout,)
        ).fetchall()
        if parts:
            block = codec.unpack([part[1:] for part in parts], source=source, channels=channels)
            tails.append((parts[0][0], int(block.mono_ns[0]), block))
    yield from sorted(tails, key=lambda entry: entry[:2])


def _selected(block: Block, inside: np.ndarray[Any, np.dtype[np.bool_]]) -> Block:
    """First to last row inside; a stepped clock may leave rows between them that are not."""
    found = np.flatnonzero(inside)
    return block.rows(int(found[0]), int(found[-1]) + 1) if len(found) else block.rows(0, 0)


def _span(first_ns: int | None, end_ns: int | None) -> tuple[int, int]:
    return (
        _EVER_NS[0] if first_ns is None else first_ns,
        _EVER_NS[1] if end_ns is None else end_ns,
    )
