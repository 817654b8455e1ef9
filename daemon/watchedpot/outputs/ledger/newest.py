"""The newest of the record first: from its end backwards, for whoever needs only a few rows."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

from watchedpot.core.model import EventKind
from watchedpot.outputs.ledger.made import COLUMNS, RecordedPart, layouts, recorded_part
from watchedpot.outputs.ledger.reader import RecordedEvent, recorded_event
from watchedpot.outputs.ledger.store import has_parts, reading

_PART = ", ".join(f"newest.{name}" for name in COLUMNS.split(", "))

_JOINED = (
    "parts earliest CROSS JOIN parts newest ON newest.cell = earliest.cell"
    " AND newest.first = earliest.first AND newest.epoch = earliest.epoch"
    " AND NOT EXISTS (SELECT 1 FROM parts later WHERE later.cell = newest.cell"
    " AND later.first = newest.first AND later.epoch = newest.epoch AND later.seq > newest.seq)"
)
"""Each first judgement, whose rows are in the order of counting, with the newest of that part."""


def newest_events(
    path: Path,
    *,
    since_ns: int | None = None,
    until_ns: int | None = None,
    cell: str | None = None,
    kinds: Collection[EventKind] = (),
) -> Iterator[RecordedEvent]:
    """Events from the newest to the oldest, judged parts not among them.

    Parameters
    ----------
    since_ns, until_ns
        From the one on and before the other, UTC; None without bound. [ns]
    cell, kinds
        Only these; None and none for all.
    """
    # A plus keeps SQLite from sorting by time what it can read backwards.
    conditions: dict[str, Any] = {"1": None}
    if since_ns is not None:
        conditions["utc_ns >= ?"] = since_ns
    if until_ns is not None:
        conditions["+utc_ns < ?"] = until_ns
    if cell is not None:
        conditions["cell = ?"] = cell
    if kinds:
        conditions["kind IN (SELECT value FROM json_each(?))"] = json.dumps(sorted(kinds))
    with reading(path) as connection:
        for row in connection.execute(
            "SELECT seq, run, utc_ns, mono_ns, cell, zone, kind, details FROM events"  # noqa: S608
            f" WHERE {' AND '.join(conditions)} ORDER BY seq DESC",
            [told for condition, told in conditions.items() if "?" in condition],
        ):
            yield recorded_event(row)


def newest_parts(path: Path, *, cell: str, before_ns: int | None = None) -> Iterator[RecordedPart]:
    """Parts of a cell from the last counted to the first, each in its newest judgement.

    Parameters
    ----------
    cell
        Its name.
    before_ns
        Only those counted before it, UTC; None for all. [ns]
    """
    with reading(path) as connection:
        if not has_parts(connection):
            return
        known = layouts(connection)
        for row in connection.execute(
            f"SELECT {_PART} FROM {_JOINED} WHERE earliest.judgement = 1"  # noqa: S608
            " AND earliest.cell = ? AND ifnull(earliest.utc_ns < ?, 1) ORDER BY earliest.seq DESC",
            (cell, before_ns),
        ):
            yield recorded_part(row, known)
