"""Judged parts: a table with a chain of its own, since there may be a million of them.

A part is an event of the core. Its details come with the same names each time, which are kept
once (``part_layouts``); a row has their values, and beside them in columns what is searched for.
A later judgement of a part is another row; the newest counts, all stay.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.parts import rules_of
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger.chain import details_text, row_hash
from watchedpot.outputs.ledger.reader import RecordedEvent
from watchedpot.outputs.ledger.store import Heads, reading

SCHEMA = (files(__package__) / "parts.sql").read_text(encoding="utf-8")

SUSPECT = tuple(verdict.value for verdict in Verdict if verdict.is_suspect)

_PER_ZONE = ("min_c", "mean_c", "max_c", "coverage")


@dataclass(frozen=True, slots=True)
class ZoneOfPart:
    """What the melt of a part met in one zone; None where it was not seen. [degC, 1]."""

    min_c: float | None
    mean_c: float | None
    max_c: float | None
    coverage: float


@dataclass(frozen=True, slots=True)
class RecordedPart:
    """One judgement of a part, or of parts that cannot be told apart.

    Attributes
    ----------
    judgement
        How often the part was judged up to this row, 1 for the first time. [1]
    at
        The row of readings that counted it.
    rules
        What speaks against it, each with its zone, which is empty for the cell.
    zones
        By name, in flow order.
    """

    seq: int
    run: int
    judgement: int
    at: Instant
    cell: str
    epoch: int
    first: int
    last: int
    part_id: int | None
    begun_utc_ns: int
    dispensing_s: float
    charge_id: str | None
    age_s: float | None
    life_used: float | None
    is_ready: bool | None
    coverage: float
    verdict: Verdict
    rules: tuple[tuple[PartRule, str], ...]
    because: str
    inspection: int | None
    bead_width_mm: float | None
    joined_s: float | None
    reworkable_until_utc_ns: int | None
    tip_min_c: float | None
    tip_max_c: float | None
    zones: dict[str, ZoneOfPart]

    @property
    def count(self) -> int:
        """Parts that it is about. [1]."""
        return self.last + 1 - self.first


@dataclass(frozen=True, slots=True)
class Disposition:
    """What somebody decided about some parts of a cell."""

    seq: int
    at: Instant
    cell: str
    first: int
    last: int
    word: str
    who: str
    why: str


def part_hash(previous: bytes, row: Sequence[Any]) -> bytes:
    """Link of a row: seq, run, times, cell, judgement, names and values of its details."""
    return row_hash(previous, row)


def append(connection: sqlite3.Connection, heads: Heads, event: Event, *, run: int) -> None:
    """Next row of the table, within a transaction; moves the heads."""
    names = json.dumps([name for name, _ in event.details], separators=(",", ":"))
    values = json.dumps(list(json.loads(details_text(event)).values()), separators=(",", ":"))
    at = event.at
    shown = searched((0, run, at.utc_ns, at.mono_ns, event.cell, 0, names, values))
    epoch, first, last, verdict, charge, begun_ns = shown
    (earlier,) = connection.execute(
        "SELECT count(*) FROM parts WHERE cell = ? AND epoch = ? AND first = ?",
        (event.cell, epoch, first),
    ).fetchone()
    seq = heads.parts + 1
    hashed = (seq, run, at.utc_ns, at.mono_ns, event.cell, earlier + 1, names, values)
    link = part_hash(heads.parts_hash, hashed)
    connection.execute(
        "INSERT INTO parts VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            *(seq, run, at.utc_ns, at.mono_ns, event.cell, epoch, first, last),
            *(earlier + 1, verdict, charge, begun_ns, _layout(connection, names)),
            *(values, link),
        ),
    )
    heads.parts, heads.parts_hash = seq, link


def searched(row: Sequence[Any]) -> tuple[int, int, int, str, str, int]:
    """What the columns of a row of ``COLUMNS`` must repeat, from epoch to beginning."""
    recorded = part_event(row)
    told = dict(recorded.event.details)
    return (
        _whole(told.get("epoch")),
        _whole(told.get("first")),
        _whole(told.get("last")),
        str(told.get("verdict") or ""),
        str(told.get("charge_id") or ""),
        _begun(told, recorded.event.at),
    )


def _whole(value: Detail) -> int:
    return value if isinstance(value, int) else 0


def _begun(told: dict[str, Detail], at: Instant) -> int:
    return _whole(told.get("begun_utc_ns")) or at.utc_ns


def _layout(connection: sqlite3.Connection, names: str) -> int:
    found = connection.execute("SELECT id FROM part_layouts WHERE names = ?", (names,)).fetchone()
    if found is None:
        connection.execute("INSERT INTO part_layouts (names) VALUES (?)", (names,))
        return _layout(connection, names)
    return int(found[0])


COLUMNS = "seq, run, utc_ns, mono_ns, cell, judgement, names, vals"
"""What is hashed, in this order; the other columns repeat some of the details."""

_FROM = "FROM parts JOIN part_layouts ON part_layouts.id = layout"

NEWEST = (
    "NOT EXISTS (SELECT 1 FROM parts later WHERE later.cell = parts.cell"
    " AND later.epoch = parts.epoch AND later.first = parts.first AND later.seq > parts.seq)"
)
"""Whether no later judgement of the same part is there."""


def part_event(row: Sequence[Any]) -> RecordedEvent:
    """The event of a row of ``COLUMNS``, as it was given.

    Raises
    ------
    LedgerError
        It does not read back.
    """
    seq, run, utc_ns, mono_ns, cell, _, names, values = row
    try:
        details = tuple(zip(json.loads(names), json.loads(values), strict=True))
    except (ValueError, TypeError) as exc:
        raise LedgerError(f"parts row {seq}", f"it does not read back: {exc}") from exc
    return RecordedEvent(
        seq, run, Event(EventKind.PART_MADE, Instant(utc_ns, mono_ns), cell, "", details)
    )


def part_events(path: Path, *, cell: str | None = None) -> Iterator[RecordedEvent]:
    """Every judgement as the event it was, in the order of the record."""
    with reading(path) as connection:
        if not _has_parts(connection):
            return
        for row in connection.execute(
            f"SELECT {COLUMNS} {_FROM} WHERE ifnull(cell = ?, 1) ORDER BY seq",
            (cell,),
        ):
            yield part_event(row)


def parts(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
    charge: str | None = None,
    suspects_only: bool = False,
    is_latest: bool = True,
) -> Iterator[RecordedPart]:
    """Judged parts in the order of the record; of each the newest judgement, or all of them."""
    conditions = ["utc_ns >= ?", "utc_ns < ?", "ifnull(cell = ?, 1)", "ifnull(charge = ?, 1)"]
    if suspects_only:
        conditions.append(f"verdict IN {SUSPECT}")
    if is_latest:
        conditions.append(NEWEST)
    with reading(path) as connection:
        if not _has_parts(connection):
            return
        for row in connection.execute(
            f"SELECT {COLUMNS} {_FROM} WHERE {' AND '.join(conditions)} ORDER BY seq",
            (*_span(since_ns, until_ns), cell, charge),
        ):
            yield recorded_part(row)


def recorded_part(row: Sequence[Any]) -> RecordedPart:
    """One judgement from a row of ``COLUMNS``.

    Raises
    ------
    LedgerError
        It lacks what a part has.
    """
    recorded, told = part_event(row), dict[str, Any]()
    told.update(recorded.event.details)
    try:
        return RecordedPart(
            recorded.seq,
            recorded.run,
            int(row[5]),
            recorded.event.at,
            recorded.event.cell,
            told["epoch"],
            told["first"],
            told["last"],
            told["part_id"],
            told["begun_utc_ns"],
            told["dispensing_s"],
            told["charge_id"],
            told["age_s"],
            told["life_used"],
            told["is_ready"],
            told["coverage"],
            Verdict(told["verdict"]),
            rules_of(told["rules"]),
            told["because"],
            told["inspection"],
            told["bead_width_mm"],
            told["joined_s"],
            told["reworkable_until_utc_ns"],
            told["tip_min_c"],
            told["tip_max_c"],
            _zones(told),
        )
    except (KeyError, ValueError) as exc:
        raise LedgerError(f"parts row {recorded.seq}", f"it is no judged part: {exc!r}") from exc


def _zones(told: dict[str, Any]) -> dict[str, ZoneOfPart]:
    names = [name.removesuffix("_coverage") for name in told if name.endswith("_coverage")]
    return {zone: ZoneOfPart(*(told[f"{zone}_{figure}"] for figure in _PER_ZONE)) for zone in names}


def verdicts(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
) -> dict[str, int]:
    """Number of parts by their newest verdict; all verdicts are there."""
    found = {verdict.value: 0 for verdict in Verdict}
    span = (*_span(since_ns, until_ns), cell)
    chosen = "utc_ns >= ? AND utc_ns < ? AND ifnull(cell = ?, 1)"
    with reading(path) as connection:
        if not _has_parts(connection):
            return found
        counts = f"SELECT verdict, sum(last - first + 1) FROM {{}} WHERE {chosen} GROUP BY verdict"  # noqa: S608
        # Few parts are judged more than once: what came before is taken off again.
        for sign, table in ((1, "parts"), (-1, f"({_REPLACED})")):
            query = counts.format(table)
            for verdict, count in connection.execute(query, span):
                found[verdict] += sign * count
    return found


_REPLACED = (
    "SELECT DISTINCT earlier.* FROM parts later JOIN parts earlier ON earlier.cell = later.cell"
    " AND earlier.epoch = later.epoch AND earlier.first = later.first"
    " AND earlier.seq < later.seq WHERE later.judgement > 1"
)


def dispositions(path: Path, *, cell: str | None = None) -> Iterator[Disposition]:
    """What was decided about parts, in the order in which it was."""
    with reading(path) as connection:
        if not _has_parts(connection):
            return
        for seq, utc_ns, mono_ns, *rest in connection.execute(
            "SELECT seq, utc_ns, mono_ns, cell, first, last, word, who, why FROM dispositions"
            " WHERE ifnull(cell = ?, 1) ORDER BY seq, first",
            (cell,),
        ):
            yield Disposition(seq, Instant(utc_ns, mono_ns), *rest)


def _has_parts(connection: sqlite3.Connection) -> bool:
    """Whether the ledger is of a version that records parts."""
    (version,) = connection.execute(
        "SELECT value FROM meta WHERE key = 'schema_version'"
    ).fetchone()
    return int(version) > 1


def _span(since_ns: int | None, until_ns: int | None) -> tuple[int, int]:
    return (-(2**63) if since_ns is None else since_ns, 2**63 - 1 if until_ns is None else until_ns)


def payload_digest(payload: bytes) -> bytes:
    """What stands for a payload that was trimmed."""
    return sha256(payload).digest()
