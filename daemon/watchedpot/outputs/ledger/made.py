"""Judged parts: a table with a chain of its own, since there may be a million of them.

A part is an event of the core. Some of its details are columns, by which it is found; the others
lie in the row as the layout says, which many rows share (``values``). A later judgement of a part
is another row; the newest counts, all stay.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from watchedpot.core.model import Detail, Event, EventKind, Instant
from watchedpot.core.parts import rules_of
from watchedpot.core.rules import PartRule, Verdict
from watchedpot.errors import LedgerError
from watchedpot.outputs.ledger.chain import details_text, row_hash
from watchedpot.outputs.ledger.reader import RecordedEvent
from watchedpot.outputs.ledger.store import Heads, has_parts, reading
from watchedpot.outputs.ledger.values import Layout, written

SCHEMA = (files(__package__) / "parts.sql").read_text(encoding="utf-8")

SUSPECT = tuple(verdict.value for verdict in Verdict if verdict.is_suspect)

_rules = lru_cache(rules_of)

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
    findings
        That speak against it, with their causes; empty where none does.
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
    findings: str = ""

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


COLUMNS = (
    "seq, run, utc_ns, mono_ns, cell, epoch, first, last, judgement, verdict, charge,"
    " begun_utc_ns, layout, vals"
)
"""All of a row but its hash."""

_JUDGEMENT, _LAYOUT = 8, 12
_HELD = {
    "epoch": 5,
    "first": 6,
    "last": 7,
    "verdict": 9,
    "charge_id": 10,
    "begun_utc_ns": 11,
}
"""Details that columns hold, with their places in a row of ``COLUMNS``."""

NEWEST = (
    "NOT EXISTS (SELECT 1 FROM parts later WHERE later.cell = parts.cell"
    " AND later.epoch = parts.epoch AND later.first = parts.first AND later.seq > parts.seq)"
)
"""Whether no later judgement of the same part is there."""

_REPLACED = (
    "parts later CROSS JOIN parts ON parts.cell = later.cell AND parts.epoch = later.epoch"
    " AND parts.first = later.first AND parts.judgement = later.judgement - 1"
    " AND later.judgement > 1"
)
"""Each judgement that was followed by another; few are."""


def hashed(row: Sequence[Any], layout: str) -> tuple[Any, ...]:
    """What of a row of ``COLUMNS`` is hashed: all, with the text of its layout for its number."""
    return (*row[:_LAYOUT], layout, *row[_LAYOUT + 1 :])


def append(connection: sqlite3.Connection, heads: Heads, event: Event, *, run: int) -> None:
    """Next row of the table, within a transaction; moves the heads."""
    told: dict[str, Detail] = json.loads(details_text(event))
    epoch, first, last, begun_ns = (
        _whole(told.get(name)) for name in ("epoch", "first", "last", "begun_utc_ns")
    )
    held: dict[str, Detail] = {
        "epoch": epoch,
        "first": first,
        "last": last,
        "verdict": str(told.get("verdict") or ""),
        "charge_id": str(told.get("charge_id") or ""),
        "begun_utc_ns": begun_ns or event.at.utc_ns,
    }
    layout, values = written(told, held)
    (earlier,) = connection.execute(
        "SELECT count(*) FROM parts WHERE cell = ? AND first = ? AND epoch = ?",
        (event.cell, first, epoch),
    ).fetchone()
    row = (
        *(heads.parts + 1, run, event.at.utc_ns, event.at.mono_ns, event.cell, epoch, first, last),
        *(earlier + 1, held["verdict"], held["charge_id"], held["begun_utc_ns"]),
        *(_layout_id(connection, layout), values),
    )
    link = row_hash(heads.parts_hash, hashed(row, layout))
    connection.execute(
        "INSERT INTO parts VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", (*row, link)
    )
    heads.parts, heads.parts_hash = heads.parts + 1, link


def _whole(value: Detail) -> int:
    """A number for a column, 0 for what is none or has more than 64 bits."""
    return int(value) if isinstance(value, int) and -(2**63) <= value < 2**63 else 0


def _layout_id(connection: sqlite3.Connection, items: str) -> int:
    found = connection.execute("SELECT id FROM part_layouts WHERE items = ?", (items,)).fetchone()
    if found is None:
        connection.execute("INSERT INTO part_layouts (items) VALUES (?)", (items,))
        return _layout_id(connection, items)
    return int(found[0])


def layouts(connection: sqlite3.Connection) -> dict[int, Layout]:
    """All layouts, by the number that rows give.

    Raises
    ------
    LedgerError
        One does not read back.
    """
    found = {}
    for number, items in connection.execute("SELECT id, items FROM part_layouts"):
        try:
            found[number] = Layout.parse(items, _HELD)
        except ValueError as exc:
            raise LedgerError(
                f"part_layouts row {number}", f"it does not read back: {exc}"
            ) from exc
    return found


def part_event(row: Sequence[Any], known: Mapping[int, Layout]) -> RecordedEvent:
    """The event of a row of ``COLUMNS``, as it was given.

    Raises
    ------
    LedgerError
        It does not read back.
    """
    seq, run, utc_ns, mono_ns, cell, *_ = row
    at = Instant(utc_ns, mono_ns)
    return RecordedEvent(seq, run, Event(EventKind.PART_MADE, at, cell, "", _details(row, known)))


def _details(row: Sequence[Any], known: Mapping[int, Layout]) -> tuple[tuple[str, Detail], ...]:
    try:
        return known[row[_LAYOUT]].details(row, row[-1])
    except (KeyError, ValueError, TypeError) as exc:
        raise LedgerError(f"parts row {row[0]}", f"it does not read back: {exc!r}") from exc


def part_events(path: Path, *, cell: str | None = None) -> Iterator[RecordedEvent]:
    """Every judgement as the event it was, in the order of the record."""
    with reading(path) as connection:
        if not has_parts(connection):
            return
        known = layouts(connection)
        for row in connection.execute(
            f"SELECT {COLUMNS} FROM parts WHERE ifnull(cell = ?, 1) ORDER BY seq",  # noqa: S608
            (cell,),
        ):
            yield part_event(row, known)


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
        if not has_parts(connection):
            return
        known = layouts(connection)
        for row in connection.execute(
            f"SELECT {COLUMNS} FROM parts WHERE {' AND '.join(conditions)} ORDER BY seq",  # noqa: S608
            (*_span(since_ns, until_ns), cell, charge),
        ):
            yield recorded_part(row, known)


def recorded_part(row: Sequence[Any], known: Mapping[int, Layout]) -> RecordedPart:
    """One judgement from a row of ``COLUMNS``.

    Raises
    ------
    LedgerError
        It lacks what a part has.
    """
    seq, run, utc_ns, mono_ns, cell, *_ = row
    told: dict[str, Any] = dict(_details(row, known))
    try:
        return RecordedPart(
            seq,
            run,
            row[_JUDGEMENT],
            Instant(utc_ns, mono_ns),
            cell,
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
            _rules(told["rules"]),
            told["because"],
            told["inspection"],
            told["bead_width_mm"],
            told["joined_s"],
            told["reworkable_until_utc_ns"],
            told["tip_min_c"],
            told["tip_max_c"],
            _zones(told),
            str(told.get("findings", "")),
        )
    except (KeyError, ValueError) as exc:
        raise LedgerError(f"parts row {seq}", f"it is no judged part: {exc!r}") from exc


def _zones(told: dict[str, Any]) -> dict[str, ZoneOfPart]:
    return {
        zone: ZoneOfPart(*(told[figure] for figure in figures))
        for zone, figures in _figures(tuple(told))
    }


@lru_cache
def _figures(names: tuple[str, ...]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Zones of a part by the names of its details, each with the names of its figures."""
    zones = (name.removesuffix("_coverage") for name in names if name.endswith("_coverage"))
    return tuple((zone, tuple(f"{zone}_{figure}" for figure in _PER_ZONE)) for zone in zones)


def verdicts(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
) -> dict[str, int]:
    """Number of parts by their newest verdict; all verdicts are there."""
    found = dict.fromkeys((verdict.value for verdict in Verdict), 0)
    sums = ", ".join(
        f"total(parts.last - parts.first + 1) FILTER (WHERE parts.verdict = '{verdict}')"
        for verdict in found
    )
    span = (*_span(since_ns, until_ns), cell)
    chosen = "parts.utc_ns >= ? AND parts.utc_ns < ? AND ifnull(parts.cell = ?, 1)"
    with reading(path) as connection:
        if not has_parts(connection):
            return found
        # What was judged again is taken off: to ask each row for a later one takes longer.
        for sign, table in ((1, "parts"), (-1, _REPLACED)):
            query = f"SELECT {sums} FROM {table} WHERE {chosen}"  # noqa: S608
            counts = connection.execute(query, span).fetchone()
            for verdict, count in zip(found, counts, strict=True):
                found[verdict] += sign * int(count)
    return found


def dispositions(path: Path, *, cell: str | None = None) -> Iterator[Disposition]:
    """What was decided about parts, in the order in which it was."""
    with reading(path) as connection:
        if not has_parts(connection):
            return
        for seq, utc_ns, mono_ns, *rest in connection.execute(
            "SELECT seq, utc_ns, mono_ns, cell, first, last, word, who, why FROM dispositions"
            " WHERE ifnull(cell = ?, 1) ORDER BY seq, first",
            (cell,),
        ):
            yield Disposition(seq, Instant(utc_ns, mono_ns), *rest)


def _span(since_ns: int | None, until_ns: int | None) -> tuple[int, int]:
    return (-(2**63) if since_ns is None else since_ns, 2**63 - 1 if until_ns is None else until_ns)
