"""How long readings are kept, and which are kept longer because somebody still needs them.

The oldest readings go first. Blocks that are still needed stay, and so do the rows of those
between them, without their readings: a row keeps the digest of what it held, so that the chain
can be followed over it. Needed are the readings

- around a suspect part about which nobody has decided; to hold it is no decision yet;
- of the present charge, of an excursion that is open, of an alarm that is not back to normal;
  but none of these for longer than ``LONGEST_HOLD_NS``, or one forgotten alarm would keep all.

A decision names numbers, and a counter that began anew gives them again: it is about the newest
part of a number that had been counted by then.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256

from watchedpot.core.model import Detail, Disposition, Instant
from watchedpot.outputs.ledger.made import NEWEST, SUSPECT
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
    above_bytes
        By how much they keep the file above its limit. [B]
    is_to_tell
        Whether that is news.
    """

    blocks: int
    rows: int
    until_utc_ns: int | None
    held: int
    above_bytes: int
    is_to_tell: bool

    def details(self) -> tuple[tuple[str, Detail], ...]:
        """For the event that tells of it."""
        return (
            ("blocks", self.blocks),
            ("rows", self.rows),
            ("until_utc_ns", self.until_utc_ns),
            ("held_blocks", self.held),
            ("above_bytes", self.above_bytes),
        )


def trim(
    connection: sqlite3.Connection, heads: Heads, retention: Retention, at: Instant
) -> Trimmed:
    """Take the oldest readings out that are beyond the retention and that nobody needs.

    The newest block always stays. Moves the heads.
    """
    blocks = rows = held = 0
    until_ns: int | None = None
    needed: _Needed | None = None
    for seq, of_rows, first_ns, last_ns in _full_blocks(connection, before=heads.blocks):
        if not _is_beyond(connection, retention, last_ns, at):
            break
        needed = needed or _Needed.find(connection, at)
        if needed.is_met_by(connection, min(first_ns, last_ns), max(first_ns, last_ns)):
            held += 1
            continue
        _empty(connection, seq)
        blocks, rows, until_ns = blocks + 1, rows + of_rows, last_ns
    heads.trimmed_rows += rows
    _move_anchor(connection, heads)
    if blocks:
        heads.checkpoints -= _trim_checkpoints(connection)
    above_bytes = _above_bytes(connection, retention) if held else 0
    is_news = blocks > 0 or (above_bytes > 0 and not heads.is_held_told)
    heads.is_held_told = int(above_bytes > 0)
    return Trimmed(blocks, rows, until_ns, held, above_bytes, is_news)


_PAGE = 200


def _full_blocks(
    connection: sqlite3.Connection, *, before: int
) -> Iterator[tuple[int, int, int, int]]:
    """Blocks that have their readings, oldest first; a page at a time, since they change."""
    seq = 0
    while found := connection.execute(
        "SELECT seq, rows, first_seen_ns, last_seen_ns FROM blocks WHERE seq > ? AND seq < ?"
        " AND NOT EXISTS (SELECT 1 FROM trimmed WHERE trimmed.seq = blocks.seq)"
        " ORDER BY seq LIMIT ?",
        (seq, before, _PAGE),
    ).fetchall():
        yield from found
        seq = found[-1][0]


def _is_beyond(
    connection: sqlite3.Connection, retention: Retention, last_ns: int, at: Instant
) -> bool:
    if retention.age_days is not None and last_ns < at.utc_ns - retention.age_days * _DAY_NS:
        return True
    return _above_bytes(connection, retention) > 0


def _above_bytes(connection: sqlite3.Connection, retention: Retention) -> int:
    """By how much more of the file is in use than may be. [B]."""
    if retention.size_bytes is None:
        return 0
    pages, free, size = (
        connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return max(0, int((pages - free) * size) - retention.size_bytes)


_DECIDED = (
    "SELECT word FROM dispositions AS said WHERE said.cell = parts.cell"
    " AND said.first <= parts.first AND said.last >= parts.last AND said.utc_ns >= parts.utc_ns"
    " AND NOT EXISTS (SELECT 1 FROM parts newer WHERE newer.cell = parts.cell"
    " AND newer.first = parts.first AND newer.epoch > parts.epoch"
    " AND newer.utc_ns <= said.utc_ns)"
    " AND NOT EXISTS (SELECT 1 FROM parts newer WHERE newer.last > newer.first"
    " AND newer.cell = parts.cell AND newer.last >= parts.first AND newer.first <= parts.first"
    " AND newer.epoch > parts.epoch AND newer.utc_ns <= said.utc_ns)"
    " ORDER BY said.seq DESC LIMIT 1"
)
_OPEN_SUSPECTS = (
    f"FROM parts WHERE verdict IN {SUSPECT} AND {{}} AND {NEWEST}"
    f" AND ifnull(({_DECIDED}), '{Disposition.HELD}') = '{Disposition.HELD}'"
)
_NEARBY = f"SELECT EXISTS (SELECT 1 {_OPEN_SUSPECTS.format('utc_ns >= ? AND utc_ns <= ?')})"
_LONG = f"SELECT begun_utc_ns, utc_ns {_OPEN_SUSPECTS.format('utc_ns - begun_utc_ns > ?')}"


@dataclass(frozen=True, slots=True)
class _Needed:
    """Which readings are needed.

    Attributes
    ----------
    since_ns
        All since then, for what is still going on. [ns]
    spans
        From beginning to end of open suspects that took long, such as parts made unseen. [ns]
    """

    since_ns: int
    spans: tuple[tuple[int, int], ...]

    @classmethod
    def find(cls, connection: sqlite3.Connection, at: Instant) -> _Needed:
        """As it is now."""
        spans = connection.execute(_LONG, (EVIDENCE_NS,)).fetchall()
        return cls(_open_since(connection, at), tuple(spans))

    def is_met_by(self, connection: sqlite3.Connection, first_ns: int, last_ns: int) -> bool:
        """Whether readings of a span of time are needed."""
        around = first_ns - EVIDENCE_NS, last_ns + EVIDENCE_NS
        return (
            last_ns >= self.since_ns
            or any(begun <= around[1] and end >= around[0] for begun, end in self.spans)
            or bool(connection.execute(_NEARBY, around).fetchone()[0])
        )


_ALARMS_SINCE = (
    "WITH back AS (SELECT cell, zone, alarm, max(seq) AS seq FROM alarm_transitions"
    " WHERE state IN ('normal', 'suppressed_by_design', 'out_of_service')"
    " GROUP BY cell, zone, alarm)"
    " SELECT min(utc_ns) FROM alarm_transitions LEFT JOIN back USING (cell, zone, alarm)"
    " WHERE alarm_transitions.seq > ifnull(back.seq, 0)"
)
"""Since when the oldest alarm is on that has not gone back; to acknowledge it ends nothing."""


def _open_since(connection: sqlite3.Connection, at: Instant) -> int:
    """Since when readings are needed for what is still going on. [ns]."""
    found = [
        moment_ns
        for query in (
            "SELECT max(utc_ns) FROM charges WHERE how IN ('entry', 'signal', 'found')"
            " GROUP BY cell",
            "SELECT ifnull(onset_utc_ns, opened_utc_ns) FROM excursions WHERE ended_seq IS NULL",
            _ALARMS_SINCE,
        )
        for (moment_ns,) in connection.execute(query)
        if moment_ns is not None
    ]
    if not found:
        return _NEVER_NS
    return max(int(min(found)), at.utc_ns - LONGEST_HOLD_NS)


def _empty(connection: sqlite3.Connection, seq: int) -> None:
    """Take the readings of a block out; its row stays for the chain."""
    (payload,) = connection.execute("SELECT payload FROM blocks WHERE seq = ?", (seq,)).fetchone()
    connection.execute("INSERT INTO trimmed VALUES (?, ?)", (seq, sha256(payload).digest()))
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


def _trim_checkpoints(connection: sqlite3.Connection) -> int:
    """Take out states before the oldest readings, but the newest of each cell; how many."""
    return connection.execute(
        "DELETE FROM checkpoints WHERE seq < (SELECT max(seq) FROM checkpoints AS other"
        " WHERE other.cell = checkpoints.cell AND other.utc_ns <="
        " (SELECT min(first_seen_ns) FROM blocks LEFT JOIN trimmed USING (seq)"
        " WHERE trimmed.seq IS NULL))"
    ).rowcount
