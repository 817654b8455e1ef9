"""How long readings are kept, and which are kept longer because somebody still needs them.

The oldest readings go first. Blocks that are still needed stay, and so do the rows of those
between them, without their readings: a row keeps the digest of what it held, so that the chain
can be followed over it. Needed are the readings

- around a suspect part about which nobody has decided;
- of the present charge, of an excursion that is open, of an alarm that is not back to normal;
  but none of these for longer than ``LONGEST_HOLD_NS``, or one forgotten alarm would keep all.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from watchedpot.core.model import Detail, Instant
from watchedpot.outputs.ledger.made import NEWEST, SUSPECT, payload_digest
from watchedpot.outputs.ledger.store import Heads

_MINUTE_NS = 60_000_000_000
_DAY_NS = 1440 * _MINUTE_NS
_NEVER_NS = 2**63 - 1

EVIDENCE_NS = 15 * _MINUTE_NS
"""Readings on either side of a suspect part that are its evidence [ns]."""

LONGEST_HOLD_NS = 14 * _DAY_NS
"""Longest time for which something open holds readings [ns]: two weeks, no source."""


@dataclass(frozen=True, slots=True)
class Retention:
    """How much of the readings is kept; events are always kept.

    Attributes
    ----------
    age_days
        Blocks whose newest row is older are trimmed; None for no limit. [d]
    size_bytes
        While more of the file is in use, the oldest blocks are trimmed; None for no limit. Their
        pages are used again, the file itself does not shrink. [B]
    """

    age_days: float | None = None
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class Trimmed:
    """What was taken out.

    Attributes
    ----------
    held
        Blocks beyond the retention that stayed because they are needed. [1]
    """

    blocks: int = 0
    rows: int = 0
    until_utc_ns: int = 0
    held: int = 0

    def details(self) -> tuple[tuple[str, Detail], ...]:
        """For the event that tells of it."""
        return (
            ("blocks", self.blocks),
            ("rows", self.rows),
            ("until_utc_ns", self.until_utc_ns),
            ("held_blocks", self.held),
        )


def trim(
    connection: sqlite3.Connection, heads: Heads, retention: Retention, at: Instant
) -> Trimmed:
    """Take the oldest readings out that are beyond the retention and that nobody needs.

    The newest block always stays. Moves the heads.
    """
    blocks = rows = until_ns = held = 0
    open_ns: int | None = None
    for seq, of_rows, first_ns, last_ns, is_empty in connection.execute(
        "SELECT blocks.seq, rows, first_seen_ns, last_seen_ns, trimmed.seq IS NOT NULL"
        " FROM blocks LEFT JOIN trimmed USING (seq) WHERE blocks.seq < ? ORDER BY blocks.seq",
        (heads.blocks,),
    ).fetchall():
        if not _is_beyond(connection, retention, last_ns, at):
            break
        if is_empty:
            continue
        if open_ns is None:
            open_ns = _open_since(connection, at)
        if last_ns >= open_ns or _is_evidence(connection, first_ns, last_ns):
            held += 1
            continue
        _empty(connection, seq)
        blocks, rows, until_ns = blocks + 1, rows + of_rows, last_ns
    heads.trimmed_rows += rows
    _move_anchor(connection, heads)
    if blocks:
        _trim_checkpoints(connection)
    return Trimmed(blocks, rows, until_ns, held)


def _is_beyond(
    connection: sqlite3.Connection, retention: Retention, last_ns: int, at: Instant
) -> bool:
    if retention.age_days is not None and last_ns < at.utc_ns - retention.age_days * _DAY_NS:
        return True
    return retention.size_bytes is not None and _used_bytes(connection) > retention.size_bytes


def _used_bytes(connection: sqlite3.Connection) -> int:
    pages, free, size = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * size)


def _open_since(connection: sqlite3.Connection, at: Instant) -> int:
    """Since when readings are needed for what is still going on. [ns]."""
    found = [
        moment_ns
        for query in (
            "SELECT max(utc_ns) FROM charges WHERE how <> 'refill' GROUP BY cell",
            "SELECT ifnull(onset_utc_ns, opened_utc_ns) FROM excursions WHERE ended_seq IS NULL",
            "SELECT utc_ns FROM (SELECT state, utc_ns, max(seq) FROM alarm_transitions"
            " GROUP BY cell, zone, alarm)"
            " WHERE state NOT IN ('normal', 'suppressed_by_design', 'out_of_service')",
        )
        for (moment_ns,) in connection.execute(query)
        if moment_ns is not None
    ]
    if not found:
        return _NEVER_NS
    return max(int(min(found)), at.utc_ns - LONGEST_HOLD_NS)


def _is_evidence(connection: sqlite3.Connection, first_ns: int, last_ns: int) -> bool:
    """Whether a suspect part lies there about which nobody has decided."""
    (found,) = connection.execute(
        f"SELECT EXISTS (SELECT 1 FROM parts WHERE verdict IN {SUSPECT}"  # noqa: S608
        " AND utc_ns >= ? AND utc_ns <= ? AND NOT EXISTS (SELECT 1 FROM dispositions"
        " WHERE dispositions.cell = parts.cell AND dispositions.first <= parts.first"
        f" AND dispositions.last >= parts.last) AND {NEWEST})",
        (min(first_ns, last_ns) - EVIDENCE_NS, max(first_ns, last_ns) + EVIDENCE_NS),
    ).fetchone()
    return bool(found)


def _empty(connection: sqlite3.Connection, seq: int) -> None:
    """Take the readings of a block out; its row stays for the chain."""
    (payload,) = connection.execute("SELECT payload FROM blocks WHERE seq = ?", (seq,)).fetchone()
    connection.execute("INSERT INTO trimmed VALUES (?, ?)", (seq, payload_digest(payload)))
    connection.execute("UPDATE blocks SET payload = zeroblob(0) WHERE seq = ?", (seq,))


def _move_anchor(connection: sqlite3.Connection, heads: Heads) -> None:
    """Rows without readings at the beginning of the chain are no longer needed by it."""
    while True:
        found = connection.execute(
            "SELECT hash FROM blocks JOIN trimmed USING (seq) WHERE seq = ?", (heads.anchor + 1,)
        ).fetchone()
        if found is None:
            return
        heads.anchor, heads.anchor_hash = heads.anchor + 1, found[0]
        connection.execute("DELETE FROM blocks WHERE seq = ?", (heads.anchor,))
        connection.execute("DELETE FROM trimmed WHERE seq = ?", (heads.anchor,))


def _trim_checkpoints(connection: sqlite3.Connection) -> None:
    """States before the oldest readings, but for the newest of each cell before them."""
    connection.execute(
        "DELETE FROM checkpoints WHERE utc_ns < (SELECT max(utc_ns) FROM checkpoints AS other"
        " WHERE other.cell = checkpoints.cell AND other.utc_ns <="
        " (SELECT min(first_seen_ns) FROM blocks LEFT JOIN trimmed USING (seq)"
        " WHERE trimmed.seq IS NULL))"
    )
