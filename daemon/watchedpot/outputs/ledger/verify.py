"""Proof that a ledger is what was written: every chain followed, every count made again."""

from __future__ import annotations

import itertools
import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from watchedpot.core.units import NANO
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import codec, made, projections
from watchedpot.outputs.ledger.chain import GENESIS, Field, row_hash, state_hash
from watchedpot.outputs.ledger.reader import recorded_event
from watchedpot.outputs.ledger.record import config_revision
from watchedpot.outputs.ledger.store import Heads, reading


@dataclass(frozen=True, slots=True)
class Fault:
    """The first row of a table that is not as it must be.

    Attributes
    ----------
    row
        Sequence number or key of the row; empty where the whole table or file is concerned.
    """

    table: str
    row: str
    expected: str
    found: str

    def __str__(self) -> str:
        where = f"{self.table} row {self.row}" if self.row else self.table
        return f"{where}: expected {self.expected}, got {self.found}"


@dataclass(frozen=True, slots=True)
class Report:
    """What verifying a ledger showed.

    Attributes
    ----------
    faults
        At most one for each check, in the order of the checks; none if the ledger is whole.
    events_hash, blocks_hash, parts_hash
        Ends of the chains, in hex. Noted in another place, they prove later that nothing
        up to here was written anew.
    """

    path: Path
    faults: tuple[Fault, ...]
    events: int
    blocks: int
    rows: int
    trimmed_rows: int
    last_utc_ns: int | None
    events_hash: str
    blocks_hash: str
    parts: int = 0
    parts_hash: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether no fault was found."""
        return not self.faults

    def sentences(self) -> tuple[str, ...]:
        """The report in words, one statement each."""
        if self.faults:
            return (f"{self.path}: not whole", *(str(fault) for fault in self.faults))
        until = "nothing yet" if self.last_utc_ns is None else f"until {_utc(self.last_utc_ns)}"
        trimmed = f", {self.trimmed_rows} older rows trimmed" if self.trimmed_rows else ""
        return (
            f"{self.path}: whole, {until}",
            f"{self.events} events, chain ends in {self.events_hash}",
            f"{self.rows - self.trimmed_rows} rows of readings{trimmed}; {self.blocks} blocks,"
            f" chain ends in {self.blocks_hash}",
            f"{self.parts} judgements of parts, chain ends in {self.parts_hash}",
        )


def verify(path: Path) -> Report:
    """Check a ledger, also one in use, without changing it.

    In this order: SQLite's own integrity; the types of all values; the configurations; the chain
    of events; what is projected from them; the chain of parts, and the columns by which they are
    searched; the chains of blocks and of the tail, their content, and that the monotonic time of
    a source increases within a run; the states and checkpoints; the counts. The first broken row
    of each is named.

    Raises
    ------
    LedgerError
        No such file, not a ledger, or one of a newer version.
    """
    with reading(path) as connection:
        heads = Heads.read(connection)
        faults = tuple(_faults(connection, heads))
    return Report(
        path,
        faults,
        heads.events,
        heads.blocks - heads.anchor,
        heads.rows,
        heads.trimmed_rows,
        heads.last_utc_ns if heads.last_run else None,
        heads.events_hash.hex(),
        heads.blocks_hash.hex(),
        heads.parts,
        heads.parts_hash.hex(),
    )


def _utc(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // NANO, UTC).isoformat()


def _faults(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    try:
        (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
        if answer != "ok":
            yield Fault("file", "", "SQLite's integrity check to say ok", answer)
        of_other_type = next(_types(connection), None)
        if of_other_type is not None:
            yield of_other_type  # and no more: the other checks count on the types
            return
        for check in _CHECKS:
            yield from itertools.islice(check(connection, heads), 1)
    except sqlite3.DatabaseError as exc:
        yield Fault("file", "", "a file that can be read to its end", str(exc))


_TYPES = {"INTEGER": "integer", "TEXT": "text", "BLOB": "blob"}


def _types(connection: sqlite3.Connection) -> Iterator[Fault]:
    """Values of another type than their column; SQLite itself would take them."""
    tables = ["configurations", "runs", "events", "layouts", "blocks", "tail", "states"]
    if _has_parts(connection):
        tables += ["part_layouts", "parts", "trimmed", "checkpoints"]
    for table in tables:
        due = [
            (name, _TYPES[kind])
            for _, name, kind, *_ in connection.execute(f"PRAGMA table_info({table})")
        ]
        found = ", ".join(f"typeof({name})" for name, _ in due)
        broken = " OR ".join(f"typeof({name}) <> '{kind}'" for name, kind in due)
        key = due[0][0]
        for row, *kinds in connection.execute(
            f"SELECT {key}, {found} FROM {table} WHERE {broken} ORDER BY {key}"  # noqa: S608
        ):
            name, kind, other = next(
                (*column, other)
                for column, other in zip(due, kinds, strict=True)
                if column[1] != other
            )
            yield Fault(table, str(row), f"{name} of type {kind}", f"type {other}")


def _has_parts(connection: sqlite3.Connection) -> bool:
    """Whether the ledger is of a version that records parts."""
    found = connection.execute("SELECT value FROM meta WHERE key = 'schema_version'").fetchone()
    return bool(found[0] > 1)


def _configurations(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    for revision, text in connection.execute("SELECT hash, text FROM configurations"):
        if config_revision(text) != revision:
            yield Fault("configurations", revision, "a text of this SHA-256", "another text")
    for (run,) in connection.execute(
        "SELECT id FROM runs WHERE configuration NOT IN (SELECT hash FROM configurations)"
    ):
        yield Fault("runs", str(run), "a configuration that is recorded", "none")


@dataclass(slots=True)
class _Chain:
    """Follows the links of one table."""

    table: str
    seq: int
    link: bytes

    def follow(
        self,
        seq: int,
        fields: Sequence[Field],
        links: tuple[bytes, bytes],
    ) -> Iterator[Fault]:
        """Faults of the next row, whose number must be the next one."""
        if seq != self.seq + 1:
            yield Fault(self.table, str(self.seq + 1), "the next row", f"row {seq}")
        yield from self.link_to(seq, fields, links)
        self.seq = seq

    def link_to(
        self,
        seq: int,
        fields: Sequence[Field],
        links: tuple[bytes, bytes],
    ) -> Iterator[Fault]:
        """Faults of the next row, whatever its number."""
        previous, link = links
        if previous != self.link:
            yield Fault(self.table, str(seq), f"previous hash {_hex(self.link)}", _hex(previous))
        content = row_hash(self.link, fields)
        if link != content:
            yield Fault(self.table, str(seq), f"hash {_hex(content)} by its content", _hex(link))
        self.link = content

    def end(self, seq: int, link: bytes) -> Iterator[Fault]:
        """Faults of the end of the chain, as ``meta`` has it."""
        if self.seq != seq:
            yield Fault(self.table, str(self.seq + 1), f"{seq} to be the newest row", "no row")
        if self.link != link:
            yield Fault("meta", f"{self.table}_hash", _hex(self.link), _hex(link))


def _hex(content: object) -> str:
    return content.hex() if isinstance(content, bytes) else repr(content)


def _events(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    chain = _Chain("events", 0, GENESIS)
    for *fields, previous, link in connection.execute(
        "SELECT seq, run, utc_ns, mono_ns, cell, zone, kind, details, prev_hash, hash"
        " FROM events ORDER BY seq"
    ):
        yield from chain.follow(fields[0], fields, (previous, link))
    yield from chain.end(heads.events, heads.events_hash)


def _projections(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    """Differences to what the events give when they are projected again."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as again:
        again.executescript(projections.SCHEMA)
        for row in connection.execute(
            "SELECT seq, run, utc_ns, mono_ns, cell, zone, kind, details FROM events"  # noqa: S608
            f" WHERE kind IN ({', '.join('?' * len(projections.PROJECTED))}) ORDER BY seq",
            projections.PROJECTED,
        ):
            try:
                recorded = recorded_event(row)
            except LedgerError as exc:
                yield Fault("events", str(row[0]), "an event", exc.problem)
            else:
                projections.project(again, recorded.event, seq=recorded.seq, run=recorded.run)
        for table in projections.TABLES if _has_parts(connection) else projections.TABLES[:2]:
            select = f"SELECT * FROM {table} ORDER BY seq, rowid"  # noqa: S608
            for due, found in itertools.zip_longest(
                again.execute(select), connection.execute(select)
            ):
                if due != found:
                    seq = min(row[0] for row in (due, found) if row is not None)
                    yield Fault(table, str(seq), _shown(due, seq), _shown(found, seq))


def _shown(row: tuple[object, ...] | None, seq: int) -> str:
    return "no such row" if row is None or row[0] != seq else str(row)


def _parts(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    """The chain of parts; what is repeated in columns is what the details say."""
    if not _has_parts(connection):
        return
    chain, link = _Chain("parts", 0, GENESIS), GENESIS
    for *fields, found, epoch, first, last, verdict, charge, begun_ns in connection.execute(
        f"SELECT {made.COLUMNS}, hash, epoch, first, last, verdict, charge, begun_utc_ns"  # noqa: S608
        " FROM parts JOIN part_layouts ON part_layouts.id = layout ORDER BY seq"
    ):
        yield from chain.follow(fields[0], fields, (link, found))
        link = found
        due = made.searched(fields)
        shown = (epoch, first, last, verdict, charge, begun_ns)
        if due != shown:
            yield Fault("parts", str(fields[0]), f"columns {due} by its details", str(shown))
    yield from chain.end(heads.parts, heads.parts_hash)


def _checkpoints(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    if not _has_parts(connection):
        return
    for row, cell, run, utc_ns, mono_ns, payload, found in connection.execute(
        "SELECT rowid, cell, run, utc_ns, mono_ns, payload, hash FROM checkpoints ORDER BY rowid"
    ):
        content = state_hash(cell, payload, run=run, utc_ns=utc_ns, mono_ns=mono_ns)
        if content != found:
            yield Fault("checkpoints", str(row), f"hash {_hex(content)} by content", _hex(found))


_READINGS = (
    "SELECT seq, run, layouts.source, channels, rows, first_mono_ns, last_mono_ns, first_seen_ns,"
    " last_seen_ns, payload, prev_hash, {} FROM {} JOIN layouts ON layouts.id = layout"
)


def _blocks(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    chain = _Chain("blocks", heads.anchor, heads.anchor_hash)
    digests = _trimmed(connection)
    for *fields, previous, link in connection.execute(
        _READINGS.format("hash", "blocks") + " ORDER BY seq"
    ):
        digest = digests.get(fields[0])
        if digest is None:
            yield from chain.follow(fields[0], fields, (previous, link))
            yield from _content("blocks", fields)
            continue
        if fields[-1]:
            yield Fault("blocks", str(fields[0]), "no readings, since it was trimmed", "some")
        yield from chain.follow(fields[0], [*fields[:-1], digest.hex()], (previous, link))
    yield from chain.end(heads.blocks, heads.blocks_hash)


def _trimmed(connection: sqlite3.Connection) -> dict[int, bytes]:
    """What stands for the readings of blocks that were trimmed between others."""
    if not _has_parts(connection):
        return {}
    return dict(connection.execute("SELECT seq, digest FROM trimmed"))


def _tails(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    layouts = connection.execute("SELECT id, tail_rows, tail_hash FROM layouts ORDER BY id")
    due = {layout: (rows, link) for layout, rows, link in layouts}
    chains = {layout: _Chain("tail", 0, GENESIS) for layout in due}
    rows = dict.fromkeys(due, 0)
    for *fields, previous, link, layout in connection.execute(
        _READINGS.format("hash, layout", "tail") + " ORDER BY seq"
    ):
        yield from chains[layout].link_to(fields[0], fields, (previous, link))
        yield from _content("tail", fields)
        rows[layout] += fields[4]
    for layout, (due_rows, due_link) in due.items():
        if rows[layout] != due_rows:
            yield Fault(
                "layouts", str(layout), f"tail_rows {rows[layout]} as in tail", str(due_rows)
            )
        if chains[layout].link != due_link:
            yield Fault(
                "layouts",
                str(layout),
                f"tail_hash {_hex(chains[layout].link)} as in tail",
                _hex(due_link),
            )


def _content(table: str, row: Sequence[Any]) -> Iterator[Fault]:
    """Faults of what a block holds against what its row says of it."""
    seq, _, source, channels, rows, *spans, payload = row
    try:
        names = tuple(json.loads(channels))
        if table == "tail":
            block = codec.unpack([(rows, payload)], source=source, channels=names)
        else:
            block = codec.decode(payload, source=source, channels=names)
    except (LedgerError, ValueError, TypeError) as exc:
        yield Fault(table, str(seq), "readings", str(exc))
        return
    if len(block) != rows or not rows:
        yield Fault(table, str(seq), f"{rows} rows, at least one", str(len(block)))
        return
    held = [int(part) for time in (block.mono_ns, block.seen_ns) for part in time[[0, -1]]]
    if held != spans:
        yield Fault(table, str(seq), f"times {held} as in its readings", str(spans))
    if (np.diff(block.mono_ns) <= 0).any():
        at = int(np.argmax(np.diff(block.mono_ns) <= 0)) + 1
        yield Fault(
            table,
            str(seq),
            f"monotonic times that increase, after {block.mono_ns[at - 1]} ns",
            f"{block.mono_ns[at]} ns at {at}",
        )


def _order(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    """Blocks of a source that begin before the one before has ended."""
    newest: dict[tuple[int, str], int] = {}
    for table in ("blocks", "tail"):
        for seq, run, source, first_ns, last_ns in connection.execute(
            f"SELECT seq, run, layouts.source, first_mono_ns, last_mono_ns FROM {table}"  # noqa: S608
            " JOIN layouts ON layouts.id = layout ORDER BY seq"
        ):
            before_ns = newest.get((run, source))
            if before_ns is not None and first_ns <= before_ns:
                yield Fault(
                    table,
                    str(seq),
                    f"rows of source {source} after {before_ns} ns monotonic",
                    f"{first_ns} ns",
                )
            newest[run, source] = last_ns


def _states(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    newest = _newest_moment(connection)
    for cell, run, utc_ns, mono_ns, payload, found in connection.execute(
        "SELECT cell, run, utc_ns, mono_ns, payload, hash FROM states ORDER BY cell"
    ):
        content = state_hash(cell, payload, run=run, utc_ns=utc_ns, mono_ns=mono_ns)
        if content != found:
            yield Fault("states", cell, f"hash {_hex(content)} by its content", _hex(found))
        if newest is None or (run, mono_ns) > newest:
            yield Fault(
                "states",
                cell,
                f"no moment after the newest row or event, {newest} (run, ns monotonic)",
                f"({run}, {mono_ns})",
            )


def _newest_part(connection: sqlite3.Connection) -> list[str]:
    return ["SELECT run, max(mono_ns) FROM parts GROUP BY run"] if _has_parts(connection) else []


def _newest_moment(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """Run and monotonic time of the newest row or event."""
    moments = [
        (run, mono_ns)
        for query in (
            "SELECT run, max(mono_ns) FROM events GROUP BY run",
            "SELECT run, max(last_mono_ns) FROM blocks GROUP BY run",
            "SELECT run, max(last_mono_ns) FROM tail GROUP BY run",
            *(
                ["SELECT run, max(mono_ns) FROM parts GROUP BY run"]
                if _has_parts(connection)
                else []
            ),
        )
        for run, mono_ns in connection.execute(query)
    ]
    return max(moments, default=None)


def _counts(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    (kept,) = connection.execute(
        "SELECT (SELECT total(rows) FROM blocks) + (SELECT total(rows) FROM tail)"
    ).fetchone()
    for seq in _trimmed(connection):
        (rows,) = connection.execute(
            "SELECT total(rows) FROM blocks WHERE seq = ?", (seq,)
        ).fetchone()
        kept -= rows
    due = heads.rows - heads.trimmed_rows
    if kept != due:
        yield Fault("meta", "rows", f"{int(kept)} rows as in blocks and tail", str(due))
    newest = _newest_moment(connection)
    last = (heads.last_run, heads.last_mono_ns) if heads.last_run else None
    if newest != last:
        yield Fault("meta", "last_mono_ns", f"{newest} as the newest row or event", str(last))


_CHECKS = (
    _configurations,
    _events,
    _projections,
    _parts,
    _blocks,
    _tails,
    _order,
    _states,
    _checkpoints,
    _counts,
)
