"""A record judged again, held against what was concluded; records of a cell without a daemon."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from watchedpot.app.replay import replay as replayed
from watchedpot.core import engine
from watchedpot.core.engine import CellPlan, CellState
from watchedpot.core.model import Block, Entry, Event, EventKind, Instant
from watchedpot.core.rules import CellRules
from watchedpot.outputs import ledger
from watchedpot.outputs.ledger import Batch, Ledger, Retention, dump_state, load_state
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
        EventKind.COUNTER_JUMPED,
        EventKind.ENTERED,
    }
)
"""What the core concludes beside parts; a refused entry is not said again, it changed nothing."""


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


def lines(events: Iterable[Event]) -> list[str]:
    """What the core concluded, in its order, and after it the parts."""
    told = list(events)
    return [
        *(line(event) for event in told if event.kind in FROM_CORE),
        *(line(event) for event in told if event.kind is EventKind.PART_MADE),
    ]


def recorded_lines(path: Path, cell: str) -> list[str]:
    """What the core of the running daemon concluded about a cell, in the order of the record."""
    streams = (ledger.events(path, cell=cell), ledger.part_events(path, cell=cell))
    return lines(recorded.event for stream in streams for recorded in stream)


def replay(path: Path, rules: CellRules, *, rows_each: int) -> Replay:
    """The record of a cell, in pieces, under the same rules in every run."""
    plan = engine.plan_cell(rules)
    plans = {run.id: plan for run in ledger.runs(path)}
    state, events, rows = engine.start(plan), list[Event](), 0
    for step in replayed(path, rules.id, plans, rows_each=rows_each):
        state = step.state
        events += step.events
        rows += step.rows
    return Replay(state, lines(events), rows)


def record(
    path: Path,
    plan: CellPlan,
    batches: Sequence[Block | Entry],
    *,
    config: str = "cell",
    rows_per_block: int = 10,
    retention: Retention | None = None,
) -> CellState:
    """One run of a cell: batches through the engine and into a ledger, as the daemon does it."""
    now = [Instant(0, 0)]
    book = Ledger.open(
        path,
        now=lambda: now[0],
        version="0.1.0",
        config=config,
        queue_batches=len(batches) + 10,
        commit_interval_s=0.0,
        rows_per_block=rows_per_block,
        retention=retention or Retention(),
    )
    channels = set(plan.rules.channels())
    kept = book.resume().states.get(plan.rules.id)
    state = engine.start(plan)
    if kept is not None:
        state = engine.adopt(load_state(CellState, kept), plan)
    try:
        for batch in batches:
            blocks = (batch,) if isinstance(batch, Block) else ()
            events: tuple[Event, ...] = ()
            if isinstance(batch, Entry) or set(batch.channels) & channels:
                state, events = engine.step(state, batch, plan)
            now[0] = state.at or now[0]
            receipt = book.append(Batch(blocks, events, {plan.rules.id: dump_state(state)}))
            assert receipt.result(timeout=10.0)
    finally:
        assert book.stop()
    return state
