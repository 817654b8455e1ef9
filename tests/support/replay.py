"""A record judged again: its readings through the engine, from the start of each run."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from watchedpot.core import engine
from watchedpot.core.engine import CellState
from watchedpot.core.model import Block, Event, EventKind
from watchedpot.core.rules import CellRules
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger.chain import details_text

FROM_CORE = frozenset(
    {
        EventKind.PHASE_CHANGED,
        EventKind.PRODUCTION_STARTED,
        EventKind.PRODUCTION_STOPPED,
        EventKind.EXCURSION_OPENED,
        EventKind.EXCURSION_ENDED,
        EventKind.ALARM_CHANGED,
        EventKind.CHARGE_CHANGED,
        EventKind.CHARGE_STATE_CHANGED,
        EventKind.CHARGE_OVERHEATED,
        EventKind.CHARGE_SUSPECTED,
        EventKind.AIR_MOIST,
        EventKind.AIR_DRY,
        EventKind.WIPED,
        EventKind.PART_MADE,
        EventKind.COUNTER_JUMPED,
        EventKind.ENTERED,
        EventKind.ENTRY_REFUSED,
    }
)
"""What the core concludes; all other events are the daemon's own."""


@dataclass(frozen=True, slots=True)
class Replay:
    """What the engine makes of a record."""

    state: CellState
    lines: list[str]
    rows: int


def line(event: Event) -> str:
    """An event as the ledger writes it, all of it."""
    parts = (event.kind.value, event.at.utc_ns, event.at.mono_ns, event.cell, event.zone)
    return "|".join(map(str, (*parts, details_text(event))))


def recorded_lines(path: Path, cell: str) -> list[str]:
    """What the core of the running daemon concluded about a cell, in the order of the record."""
    events = (recorded.event for recorded in ledger.events(path, cell=cell))
    return [line(event) for event in events if event.kind in FROM_CORE]


def cut(block: Block, rows_each: int) -> Iterator[Block]:
    """A block in pieces of at most so many rows."""
    for start in range(0, len(block), rows_each):
        yield block.rows(start, min(start + rows_each, len(block)))


def replay(path: Path, rules: CellRules, *, rows_each: int) -> Replay:
    """All recorded readings of a cell of one source, in pieces, run by run."""
    plan = engine.plan_cell(rules)
    state = engine.start(plan)
    lines: list[str] = []
    rows = 0
    recorded: Iterable[ledger.RecordedBlock] = ledger.blocks(path, source=rules.id)
    for run, blocks in groupby(recorded, key=lambda one: one.run):
        if run > 1:
            state = engine.adopt(state, plan)
        for one in blocks:
            for piece in cut(one.block, rows_each):
                state, events = engine.step(state, piece, plan)
                lines += map(line, events)
                rows += len(piece)
    return Replay(state, lines, rows)
