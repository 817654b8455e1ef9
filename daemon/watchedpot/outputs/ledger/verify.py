"""Proof that a ledger is what was written: every chain followed, every count made again."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from watchedpot.core.units import NANO
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger import made, projections
from watchedpot.outputs.ledger.chain import GENESIS, state_hash
from watchedpot.outputs.ledger.links import Chain, Fault, shown
from watchedpot.outputs.ledger.reader import recorded_event
from watchedpot.outputs.ledger.record import config_revision
from watchedpot.outputs.ledger.store import Heads, has_parts, reading
from watchedpot.outputs.ledger.verify_readings import blocks, order, tails, trimmed_digests


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
    of events; what is projected from them; the chain of parts; the chains of blocks and of the
    tail, their content, and that the monotonic time of a source increases within a run; the
    states; the chains of checkpoints; the counts. The first broken row of each is named, and of
    a table that cannot be read to its end the first row that is not there.

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
    is_readable = True
    try:
        (answer,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as exc:
        answer = str(exc)
    if answer != "ok":
        is_readable = False
        yield Fault("file", "", "SQLite's integrity check to say ok", answer)
    for table in _tables(connection):
        try:
            of_other_type = next(_types(connection, table), None)
        except sqlite3.DatabaseError as exc:
            is_readable = False
            yield Fault(table, _unreadable(connection, table), "a row that can be read", str(exc))
            continue
        if of_other_type is not None:
            yield of_other_type  # and no more: the other checks count on the types
            return
    for check in _CHECKS:
        try:
            yield from itertools.islice(check(connection, heads), 1)
        except sqlite3.DatabaseError as exc:
            if is_readable:
                is_readable = False
                yield Fault("file", "", "a file that can be read to its end", str(exc))


def _unreadable(connection: sqlite3.Connection, table: str) -> str:
    """Number of the first row of a table that cannot be read; empty for one without numbers."""
    last = 0
    try:
        rows = connection.execute(f"SELECT rowid, * FROM {table} ORDER BY rowid")  # noqa: S608
        while row := rows.fetchone():
            last = row[0]
    except sqlite3.DatabaseError:
        return str(last + 1)
    return ""


_TYPES = {"INTEGER": "integer", "TEXT": "text", "BLOB": "blob"}


def _tables(connection: sqlite3.Connection) -> list[str]:
    """Tables whose values have types, in the order in which they are looked at."""
    tables = ["configurations", "runs", "events", "layouts", "blocks", "tail", "states"]
    if has_parts(connection):
        tables += ["part_layouts", "parts", "trimmed", "checkpoints"]
    return tables


def _types(connection: sqlite3.Connection, table: str) -> Iterator[Fault]:
    """Values of another type than their column; SQLite itself would take them."""
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
            (*column, other) for column, other in zip(due, kinds, strict=True) if column[1] != other
        )
        yield Fault(table, str(row), f"{name} of type {kind}", f"type {other}")


def _configurations(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    for revision, text in connection.execute("SELECT hash, text FROM configurations"):
        if config_revision(text) != revision:
            yield Fault("configurations", revision, "a text of this SHA-256", "another text")
    for (run,) in connection.execute(
        "SELECT id FROM runs WHERE configuration NOT IN (SELECT hash FROM configurations)"
    ):
        yield Fault("runs", str(run), "a configuration that is recorded", "none")


def _events(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    chain = Chain("events", 0, GENESIS)
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
        for table in projections.TABLES if has_parts(connection) else projections.TABLES[:2]:
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
    if not has_parts(connection):
        return
    chain, previous = Chain("parts", 0, GENESIS), GENESIS
    for *row, items, link in connection.execute(
        f"SELECT {made.COLUMNS}, items, hash FROM parts"  # noqa: S608
        " LEFT JOIN part_layouts ON part_layouts.id = layout ORDER BY seq"
    ):
        if items is None:
            yield Fault("parts", str(row[0]), f"layout {row[-2]} in part_layouts", "no such row")
        yield from chain.follow(row[0], made.hashed(row, items), (previous, link))
        previous = link
    yield from chain.end(heads.parts, heads.parts_hash)


def _checkpoints(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    """A chain for each cell, whose oldest rows may have been trimmed."""
    if not has_parts(connection):
        return
    chains: dict[str, Chain] = {}
    found = 0
    for *row, previous, link in connection.execute(
        "SELECT seq, cell, run, utc_ns, mono_ns, payload, prev_hash, hash FROM checkpoints"
        " ORDER BY seq"
    ):
        chain = chains.setdefault(row[1], Chain("checkpoints", 0, previous))
        yield from chain.link_to(row[0], row, (previous, link))
        found += 1
    if found != heads.checkpoints:
        yield Fault("checkpoints", "", f"{heads.checkpoints} rows by meta", str(found))


def _states(connection: sqlite3.Connection, _: Heads) -> Iterator[Fault]:
    newest = _newest_moment(connection)
    for cell, run, utc_ns, mono_ns, payload, found in connection.execute(
        "SELECT cell, run, utc_ns, mono_ns, payload, hash FROM states ORDER BY cell"
    ):
        content = state_hash(cell, payload, run=run, utc_ns=utc_ns, mono_ns=mono_ns)
        if content != found:
            yield Fault("states", cell, f"hash {shown(content)} by its content", shown(found))
        if newest is None or (run, mono_ns) > newest:
            yield Fault(
                "states",
                cell,
                f"no moment after the newest row or event, {newest} (run, ns monotonic)",
                f"({run}, {mono_ns})",
            )


def _newest_moment(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """Run and monotonic time of the newest row or event."""
    of_parts = has_parts(connection)
    moments = [
        (run, mono_ns)
        for query in (
            "SELECT run, max(mono_ns) FROM events GROUP BY run",
            "SELECT run, max(last_mono_ns) FROM blocks GROUP BY run",
            "SELECT run, max(last_mono_ns) FROM tail GROUP BY run",
            *(["SELECT run, max(mono_ns) FROM parts GROUP BY run"] if of_parts else []),
        )
        for run, mono_ns in connection.execute(query)
    ]
    return max(moments, default=None)


def _counts(connection: sqlite3.Connection, heads: Heads) -> Iterator[Fault]:
    (kept,) = connection.execute(
        "SELECT (SELECT total(rows) FROM blocks) + (SELECT total(rows) FROM tail)"
    ).fetchone()
    for seq in trimmed_digests(connection):
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
    blocks,
    tails,
    order,
    _states,
    _checkpoints,
    _counts,
)
