"""Readings as a table for other programs: CSV, or Parquet where pyarrow is installed.

The table is wide, a row for what one poll saw together: the zones stand beside each other as a
person compares them, and neither times nor names are told again for each reading. Each channel
has its value, its quality and the reason of it; the value of a reading that is not good stays
empty. Rows of several sources come in order of time, the columns of the others empty. Memory
does not grow with the span.
"""

from __future__ import annotations

import csv
import heapq
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

from watchedpot.app.questions.settings import Settings
from watchedpot.app.questions.times import iso
from watchedpot.core.model import Block, Quality, Reason
from watchedpot.errors import LedgerError, WatchedpotError
from watchedpot.outputs import ledger

FORMATS = ("csv", "parquet")

ROWS_PER_GROUP = 16_384
"""Rows of a Parquet file that are held at once. [1]"""

_QUALITIES = {int(quality): quality.name.lower() for quality in Quality}
_REASONS = {int(reason): reason.name.lower() for reason in Reason} | {int(Reason.NONE): ""}

Cell: TypeAlias = float | str | None


@dataclass(frozen=True, slots=True)
class Question:
    """Which readings are asked for: from a moment on and before another. [ns].

    Attributes
    ----------
    is_of_zones
        Whether the signals of the cell itself are left out.
    """

    from_ns: int
    to_ns: int
    cell: str | None = None
    source: str | None = None
    is_of_zones: bool = False

    def wants(self, channel: str) -> bool:
        """Whether a channel is asked for."""
        cell, *rest = channel.split("/")
        return self.cell in (None, cell) and (len(rest) == 2 or not self.is_of_zones)


@dataclass(frozen=True, slots=True)
class Written:
    """What the file has."""

    rows: int
    channels: int
    sources: tuple[str, ...]


class Row(NamedTuple):
    """One poll: run and monotonic time, which order it, and what it says.

    Attributes
    ----------
    cells
        Value, quality and reason of each channel of the table, None where the row has none.
    """

    run: int
    mono_ns: int
    seen_ns: int
    source: str
    cells: list[Cell]


def export(path: Path, question: Question, target: Path, *, form: str) -> Written:
    """Write the readings of a ledger to a file, as a whole or not at all.

    Raises
    ------
    WatchedpotError
        The file cannot be written, or pyarrow is asked for and not there.
    LedgerError
        There are no such readings, or the ledger cannot be read.
    """
    settings = Settings.read(path)
    settings.check_cell(question.cell)
    layout = channels(path, question)
    names = [name for of_source in layout.values() for name in of_source]
    if not names:
        raise LedgerError(
            str(path),
            f"expected readings from {iso(question.from_ns)} to {iso(question.to_ns)}, got none",
            hint="ask for another span, cell or source",
        )
    units = settings.units()
    headings = [f"{name} [{units[name]}]" if units.get(name) else name for name in names]
    rows = heapq.merge(
        *(_rows(path, source, question, names) for source in layout), key=lambda row: row[:2]
    )
    write = _write_parquet if form == "parquet" else _write_csv
    count = _whole(target, lambda part: write(part, headings, rows))
    return Written(count, len(names), tuple(layout))


def channels(path: Path, question: Question) -> dict[str, list[str]]:
    """Channels that have readings in the span, by source."""
    found: dict[str, dict[str, None]] = {}
    for recorded in ledger.blocks(
        path, source=question.source, from_ns=question.from_ns, to_ns=question.to_ns
    ):
        block = recorded.block
        wanted = [name for name in block.channels if question.wants(name)]
        if wanted:
            found.setdefault(block.source, {}).update(dict.fromkeys(wanted))
    return {source: list(names) for source, names in sorted(found.items())}


def _rows(path: Path, source: str, question: Question, names: Sequence[str]) -> Iterator[Row]:
    """Rows of one source in their order."""
    places = {name: 3 * place for place, name in enumerate(names)}
    for recorded in ledger.blocks(
        path, source=source, from_ns=question.from_ns, to_ns=question.to_ns
    ):
        yield from _of_block(recorded.run, recorded.block, question, places)


def _of_block(
    run: int, block: Block, question: Question, places: Mapping[str, int]
) -> Iterator[Row]:
    """Rows of a block that lie in the span."""
    wanted = [(column, name) for column, name in enumerate(block.channels) if question.wants(name)]
    if any(name not in places for _, name in wanted):
        raise LedgerError(
            f"source {block.source}",
            "its channels changed while the ledger was read",
            effect="nothing was written",
            hint="export again",
        )
    columns = zip(
        *(block.mono_ns.tolist(), block.seen_ns.tolist(), block.value.tolist()),
        *(block.quality.tolist(), block.reason.tolist()),
        strict=True,
    )
    for mono_ns, seen_ns, value, quality, reason in columns:
        if not question.from_ns <= seen_ns < question.to_ns:
            continue  # the clock was set back or forth within the block
        cells: list[Cell] = [None] * (3 * len(places))
        for column, name in wanted:
            place, is_good = places[name], quality[column] == Quality.GOOD
            cells[place] = value[column] if is_good else None
            cells[place + 1] = _QUALITIES[quality[column]]
            cells[place + 2] = _REASONS[reason[column]]
        yield Row(run, mono_ns, seen_ns, block.source, cells)


def _whole(target: Path, write: Callable[[Path], int]) -> int:
    """Write beside the target and put it in place once it is whole; what ``write`` returns."""
    part = target.with_name(f".{target.name}.part")
    try:
        count = write(part)
        part.replace(target)
    except OSError as exc:
        raise WatchedpotError(
            str(target), f"expected a file that can be written, got: {exc.strerror or exc}"
        ) from exc
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return count


def _heads(headings: Sequence[str]) -> list[str]:
    """Names of the three columns of each channel."""
    return [
        name
        for heading in headings
        for channel in [heading.partition(" [")[0]]
        for name in (heading, f"{channel} quality", f"{channel} reason")
    ]


def _write_csv(target: Path, headings: Sequence[str], rows: Iterator[Row]) -> int:
    """Write rows as text; how many there were."""
    count = 0
    with target.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["time_utc", "source", *_heads(headings)])
        for row in rows:
            writer.writerow([iso(row.seen_ns), row.source, *map(_number_text, row.cells)])
            count += 1
    return count


def _number_text(cell: Cell) -> Cell:
    """A whole number without a point; any other as the shortest text that reads back the same."""
    return int(cell) if isinstance(cell, float) and cell.is_integer() else cell


def _write_parquet(target: Path, headings: Sequence[str], rows: Iterator[Row]) -> int:
    """Write rows in groups; how many there were."""
    arrow, parquet = _pyarrow()
    fields = [("time_utc", arrow.timestamp("ns", tz="UTC")), ("source", arrow.string())]
    kinds = (arrow.float64(), arrow.string(), arrow.string())
    fields += [(name, kinds[place % 3]) for place, name in enumerate(_heads(headings))]
    schema = arrow.schema(fields)
    count = 0
    with parquet.ParquetWriter(str(target), schema) as writer:
        while group := list(islice(rows, ROWS_PER_GROUP)):
            columns = [
                [row.seen_ns for row in group],
                [row.source for row in group],
                *map(list, zip(*(row.cells for row in group), strict=True)),
            ]
            arrays = [
                arrow.array(column, type=field.type)
                for column, field in zip(columns, schema, strict=True)
            ]
            writer.write_table(arrow.Table.from_arrays(arrays, schema=schema))
            count += len(group)
    return count


def _pyarrow() -> tuple[Any, Any]:
    """The library that writes Parquet, which is optional."""
    try:
        import pyarrow as pa  # type: ignore[import-not-found,import-untyped,unused-ignore]
        from pyarrow import (  # type: ignore[import-not-found,import-untyped,unused-ignore]
            parquet,
        )
    except ImportError as exc:
        raise WatchedpotError(
            "--format parquet",
            "expected the library pyarrow, it is not installed",
            effect="nothing was written",
            hint="install watchedpot[parquet], or export CSV",
        ) from exc
    return pa, parquet
